"""Uncertain causes: what is not exactly known, how far, how long it lasts and who says so.

A :class:`Cause` is one input quantity of a measurement. Its *shape* is the distribution assigned to
it, its *persistence* says over what the same error stays the same. Averaging removes only causes of
the persistence "each reading".
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from scipy.special import ndtr, stdtrit

from sewer_audit.errors import AuditError

PERSISTENCES = ("whole record", "between visits", "each reading")
"""How long an error stays the same, from a year's constant companion to noise."""

SHAPES = ("normal", "rectangular", "triangular", "arcsine", "student t", "exponential")
"""Distributions a cause may have."""

HALF_WIDTH_DIVISORS: Mapping[str, float] = MappingProxyType(
    {
        "rectangular": math.sqrt(3.0),  # JCGM 100:2008, 4.3.7
        "triangular": math.sqrt(6.0),  # JCGM 100:2008, 4.3.9
        "arcsine": math.sqrt(2.0),  # JCGM 100:2008, H.1.3.4
    }
)


@dataclass(frozen=True)
class Cause:
    """One uncertain input with its spread, shape, persistence and source.

    Parameters
    ----------
    name : str
        Words the report uses; the draws of a shared cause are found by it [text].
    standard : float
        Standard uncertainty; for the shape "student t" the scale s / sqrt(n) [SI].
    value : float
        Best value: a correction or the quantity itself [SI].
    unit : str
        SI unit of `standard` and `value`; "1" for a ratio [text].
    shape : str
        One of `SHAPES` [text].
    dof : float
        Degrees of freedom of `standard`; infinite where it is taken as exactly known [-].
    persistence : str
        One of `PERSISTENCES`, or empty where a default is still to fill it in [text].
    source : str
        Certificate, standard or judgement the figures come from [text].
    default : bool
        Whether the toolkit supplied the figures and not the case [-].
    grade : str
        How its figures were taken, one of the grades of the register of sources; empty where the
        case or the record itself answers for them [text].
    time_constant : float, optional
        Time after which the noise of readings has lost 63 % of its memory [s].

    Raises
    ------
    AuditError
        If the spread is negative or not finite, or a word is not one of the known ones.

    References
    ----------
    JCGM 100:2008, 4.1.4 to 4.3; JCGM 101:2008, 6.4.
    """

    name: str
    standard: float
    value: float = 0.0
    unit: str = "1"
    shape: str = "normal"
    dof: float = math.inf
    persistence: str = "whole record"
    source: str = ""
    default: bool = False
    grade: str = ""
    time_constant: float | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.standard) and self.standard >= 0):
            raise AuditError(
                f"cause {self.name!r}: standard uncertainty {self.standard!r}; "
                "it is a finite figure, zero or more"
            )
        if not math.isfinite(self.value):
            raise AuditError(f"cause {self.name!r}: value {self.value!r} is not finite")
        if self.shape not in SHAPES:
            raise AuditError(
                f"cause {self.name!r}: shape {self.shape!r}; known are {', '.join(SHAPES)}"
            )
        if self.persistence and self.persistence not in PERSISTENCES:
            raise AuditError(
                f"cause {self.name!r}: persistence {self.persistence!r}; "
                f"known are {', '.join(PERSISTENCES)}"
            )
        self._check_numbers()

    def _check_numbers(self) -> None:
        if not self.dof > 0:
            raise AuditError(f"cause {self.name!r}: {self.dof!r} degrees of freedom; above zero")
        if self.shape == "student t" and not self.dof > 2:
            raise AuditError(
                f"cause {self.name!r}: a Student t shape with {self.dof!r} degrees of freedom has "
                "no standard deviation; state more than 2, that is at least 4 readings"
            )
        if self.time_constant is not None and not self.time_constant >= 0:
            raise AuditError(
                f"cause {self.name!r}: time constant {self.time_constant!r} s; zero or more"
            )

    @property
    def standard_deviation(self) -> float:
        """Standard deviation of the assigned distribution: `standard`, but for Student's t.

        u sqrt(v / (v - 2)) with scale u and v degrees of freedom (JCGM 101:2008, 6.4.9.4).
        """
        if self.shape == "student t" and math.isfinite(self.dof):
            return self.standard * math.sqrt(self.dof / (self.dof - 2.0))
        return self.standard

    def scaled(self, factor: float) -> Cause:
        """The same cause with another spread, as in "what if it were halved"."""
        return replace(self, standard=self.standard * factor)


def shaped(cause: Cause, standard_normal: np.ndarray) -> np.ndarray:
    """Turn standard normal draws into draws of a cause.

    Notes
    -----
    x = F^-1(Phi(z)): the larger the normal draw, the larger the result, for every shape, so that
    one column of draws serves two causes that share one origin.

    References
    ----------
    JCGM 101:2008, 6.4 (shapes) and C.2 (inverse of the distribution function).
    """
    normal = np.asarray(standard_normal, dtype=float)
    if cause.standard == 0:
        return np.full(normal.shape, cause.value)
    if cause.shape == "normal" or (cause.shape == "student t" and math.isinf(cause.dof)):
        return cause.value + cause.standard * normal
    if cause.shape == "exponential":  # JCGM 101:2008, 6.4.10, moved so that its mean is the value
        return cause.value - cause.standard * (np.log(ndtr(-normal)) + 1.0)
    if cause.shape == "student t":
        below = ndtr(-np.abs(normal))  # the lower tail keeps its digits
        return cause.value - np.sign(normal) * cause.standard * stdtrit(cause.dof, below)
    half_width = cause.standard * HALF_WIDTH_DIVISORS[cause.shape]
    share = ndtr(normal)
    if cause.shape == "rectangular":
        unit = 2.0 * share - 1.0
    elif cause.shape == "arcsine":
        unit = np.sin(np.pi * (share - 0.5))
    else:
        tail = np.sqrt(2.0 * np.minimum(share, 1.0 - share))
        unit = np.where(share < 0.5, tail - 1.0, 1.0 - tail)
    return cause.value + half_width * unit
