"""Terms of a water balance: what came in, what never reached the sewer, what joined it elsewhere.

Each term turns draws of its own causes into volumes per service period. The error of a meter means
true volume = registered volume x (1 + error). Two terms whose causes carry the same name share one
error, as two meters tested against the same reference do.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from toolkit.balance.instants import DAY, Periods
from toolkit.balance.intake import IntakeVolumes
from toolkit.errors import AuditError
from toolkit.uncertainty import Cause

__all__ = [
    "DailyTerm",
    "MeteredTerm",
    "ShareTerm",
    "StatedTerm",
    "Term",
    "TowerTerm",
    "meter_error",
    "meter_error_by_range",
]

Columns = Callable[[Cause], np.ndarray]
"""From a cause to its draws (draws, 1) or (draws, periods), or its value where it does not vary."""
Wander = Callable[["str", IntakeVolumes], np.ndarray]
"""From a name and a register to draws of its interpolation error (draws, periods)."""


@dataclass(frozen=True)
class Term:
    """What every term has.

    Parameters
    ----------
    name : str
        Name of the meter, use or source [text].
    """

    name: str

    @property
    def causes(self) -> tuple[Cause, ...]:
        """Uncertain inputs of this term besides its reading dates [SI]."""
        return ()

    @property
    def registers(self) -> Mapping[str, IntakeVolumes]:
        """Registers whose interpolation is uncertain, by the name of that cause [m3]."""
        return {}

    def volumes(
        self, columns: Columns, wander: Wander, periods: Periods, known: Mapping[str, np.ndarray]
    ) -> np.ndarray:
        """Draws of the volume of every period.

        Parameters
        ----------
        columns : callable
            Draws of a cause [SI].
        wander : callable
            Draws of the interpolation error of a register [m3].
        periods : Periods
            The service periods [s].
        known : mapping
            Draws of the terms evaluated before, by name [m3].

        Returns
        -------
        array (draws or 1, periods)
            Volumes [m3].
        """
        raise NotImplementedError


@dataclass(frozen=True)
class MeteredTerm(Term):
    """A volume read from a register: a supply meter, a deduct meter, a metered source.

    Parameters
    ----------
    register : IntakeVolumes
        Volumes per period [m3].
    error : Cause, optional
        Relative error of the meter; exact without one [-].
    """

    register: IntakeVolumes
    error: Cause | None = None

    @property
    def causes(self) -> tuple[Cause, ...]:
        """The meter's error [-]."""
        return (self.error,) if self.error is not None else ()

    @property
    def registers(self) -> Mapping[str, IntakeVolumes]:
        """Its register [m3]."""
        return {f"{self.name}: reading dates": self.register}

    def volumes(
        self, columns: Columns, wander: Wander, periods: Periods, known: Mapping[str, np.ndarray]
    ) -> np.ndarray:
        """Registered volume, moved by the reading dates, times (1 + error) [m3]."""
        (name,) = self.registers
        volume = self.register.volume_m3 + wander(name, self.register)
        return volume if self.error is None else volume * (1.0 + columns(self.error))


@dataclass(frozen=True)
class ShareTerm(Term):
    """A share of another term, such as 3 % of the intake lost in the product.

    Parameters
    ----------
    of : str
        Name of the term it is a share of [text].
    share : Cause
        The share with its uncertainty [-].
    """

    of: str
    share: Cause

    @property
    def causes(self) -> tuple[Cause, ...]:
        """The share [-]."""
        return (self.share,)

    def volumes(
        self, columns: Columns, wander: Wander, periods: Periods, known: Mapping[str, np.ndarray]
    ) -> np.ndarray:
        """Share times the volume of the other term [m3]."""
        if self.of not in known:
            raise AuditError(
                f"{self.name!r} is a share of {self.of!r}, which is no intake; known are "
                f"{', '.join(known) or 'none'}"
            )
        return columns(self.share) * known[self.of]


@dataclass(frozen=True)
class DailyTerm(Term):
    """So much per day, for every day of the period.

    Parameters
    ----------
    rate : Cause
        Mean rate with its uncertainty [m3/s].
    """

    rate: Cause

    @property
    def causes(self) -> tuple[Cause, ...]:
        """The rate [m3/s]."""
        return (self.rate,)

    def volumes(
        self, columns: Columns, wander: Wander, periods: Periods, known: Mapping[str, np.ndarray]
    ) -> np.ndarray:
        """Rate times the length of the period [m3]."""
        return columns(self.rate) * (periods.days * DAY)


@dataclass(frozen=True)
class TowerTerm(Term):
    """Evaporation and drift of a cooling tower from its makeup meter and cycles of concentration.

    Parameters
    ----------
    makeup : IntakeVolumes
        Makeup per period [m3].
    cycles : Cause
        Cycles of concentration, above one [-].
    error : Cause, optional
        Relative error of the makeup meter [-].
    """

    makeup: IntakeVolumes
    cycles: Cause
    error: Cause | None = None

    @property
    def causes(self) -> tuple[Cause, ...]:
        """Cycles and the meter's error [-]."""
        return (self.cycles,) if self.error is None else (self.cycles, self.error)

    @property
    def registers(self) -> Mapping[str, IntakeVolumes]:
        """The makeup register [m3]."""
        return {f"{self.name}: reading dates": self.makeup}

    def volumes(
        self, columns: Columns, wander: Wander, periods: Periods, known: Mapping[str, np.ndarray]
    ) -> np.ndarray:
        """Makeup (1 - 1 / cycles); cycles drawn below one count as one [m3]."""
        (name,) = self.registers
        makeup = self.makeup.volume_m3 + wander(name, self.makeup)
        if self.error is not None:
            makeup = makeup * (1.0 + columns(self.error))
        return makeup * (1.0 - 1.0 / np.maximum(columns(self.cycles), 1.0))


@dataclass(frozen=True)
class StatedTerm(Term):
    """Volumes already worked out for every period, by a formula of `toolkit.balance.uses` or a log.

    Parameters
    ----------
    volume_m3 : array (periods,)
        Volume of every period [m3].
    error : Cause, optional
        Relative error of the volumes [-].
    """

    volume_m3: np.ndarray
    error: Cause | None = None

    @property
    def causes(self) -> tuple[Cause, ...]:
        """The error of the volumes [-]."""
        return (self.error,) if self.error is not None else ()

    def volumes(
        self, columns: Columns, wander: Wander, periods: Periods, known: Mapping[str, np.ndarray]
    ) -> np.ndarray:
        """Stated volume times (1 + error) [m3]."""
        volume = np.asarray(self.volume_m3, dtype=float)
        if volume.shape != (len(periods.first),):
            raise AuditError(
                f"{self.name!r} has {volume.size} volumes for {len(periods.first)} service periods"
            )
        return volume[None, :] if self.error is None else volume * (1.0 + columns(self.error))


# meter state: (95 % limit as a ratio, source)
METER_LIMITS = {
    "supply": (0.02, "judgement: purchase meter within 2 % at 95 %, not tested for this case"),
    "sub-meter": (0.03, "judgement: sub-meter within 3 % at 95 %, not tested for this case"),
    "old": (0.05, "judgement: meter untested for more than five years within 5 % at 95 %"),
}


def meter_error(name: str, kind: str = "supply") -> Cause:
    """Default relative error of a meter, for a case that states none.

    Parameters
    ----------
    name : str
        Name of the meter [text].
    kind : str
        "supply", "sub-meter" or "old" [text].

    Returns
    -------
    Cause
        Marked as a default, with its source [-].

    Raises
    ------
    AuditError
        If the kind is not one of the known.
    """
    if kind not in METER_LIMITS:
        raise AuditError(f"meter kind {kind!r}; known are {', '.join(METER_LIMITS)}")
    limit, source = METER_LIMITS[kind]
    return Cause(f"{name}: meter error", limit / 1.96, source=source, default=True)


# flow range of a water meter of class 2: largest permissible error as a ratio
METER_RANGES = {"upper": 0.02, "lower": 0.05}
RANGE_SOURCE = (
    "ISO 4064-1:2014 / OIML R 49-1:2013, class 2, cold water: 2 % from the transitional flow up, "
    "5 % below it (from memory)"
)
YEARS_IN_SERVICE = 5.0
"""Beyond so many years without a test the limits are doubled (judgement) [year]."""


def meter_error_by_range(
    name: str, low_flow_share: float, years_since_test: float | None = None
) -> Cause:
    """Default relative error of a meter from how much passes at low flow and when it was tested.

    Parameters
    ----------
    name : str
        Name of the meter [text].
    low_flow_share : float
        Share of the volume that passes below the meter's transitional flow [-].
    years_since_test : float, optional
        Years since the meter was tested or new; unknown counts as long ago [year].

    Returns
    -------
    Cause
        Marked as a default, with its source [-].

    Raises
    ------
    AuditError
        If the share is not between 0 and 1.

    Notes
    -----
    u = k sqrt((1 - s)^2 m_u^2 + s^2 m_l^2) / sqrt(3), with the permissible errors m of the upper
    and lower range taken as half-widths of independent rectangular errors, s the share at low
    flow, and k = 2 for a meter longer in service than 5 years, where in-service limits are often
    twice the permissible error. The mean stays at zero: wear under-registers or over-registers
    depending on type and flow, so no correction is made without a test of this meter.

    References
    ----------
    ISO 4064-1:2014, 4.2 (from memory); JCGM 100:2008, 4.3.7 (rectangular limits).
    """
    if not 0 <= low_flow_share <= 1:
        raise AuditError(f"share at low flow {low_flow_share!r}; between 0 and 1")
    old = years_since_test is None or years_since_test > YEARS_IN_SERVICE
    upper = (1 - low_flow_share) * METER_RANGES["upper"]
    lower = low_flow_share * METER_RANGES["lower"]
    standard = (2.0 if old else 1.0) * math.sqrt((upper**2 + lower**2) / 3)
    age = "age unknown" if years_since_test is None else f"{years_since_test:g} years since a test"
    doubled = ", limits doubled as in service (judgement)" if old else ""
    source = f"{RANGE_SOURCE}; {low_flow_share:.0%} of the volume at low flow, {age}{doubled}"
    return Cause(f"{name}: meter error", standard, source=source, default=True)


def unique_names(terms: Sequence[Term]) -> None:
    """Refuse two terms of one name, and one cause name with two meanings.

    Parameters
    ----------
    terms : sequence of Term
        Every term of the balance [-].

    Raises
    ------
    AuditError
        If a name is used twice.
    """
    names = [term.name for term in terms]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise AuditError(f"the name {twice[0]!r} is used for two terms; each has its own")
    seen: dict[str, Cause] = {}
    for term in terms:
        for cause in term.causes:
            if seen.setdefault(cause.name, cause) != cause:
                raise AuditError(
                    f"two different causes are named {cause.name!r}; the same name means the same "
                    "error, so give each its own"
                )
