"""What the explanations have to explain: the billed series, its basis, and the two estimates."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields

import numpy as np

from sewer_audit.errors import AuditError

__all__ = ["Observations"]

MONTH = 30.0
"""Length of a service period where none is stated [d]."""
BASIS_STANDARD = 0.001
"""Relative standard uncertainty of a stated basis where no covariance is given [-] (judgement)."""
VECTORS = (
    "days",
    "basis_m3",
    "intake_m3",
    "deducts_m3",
    "effluent_mean",
    "balance_mean",
    "head_sensitivity",
    "zero_seen_m",
    "drowned_share",
    "rain_m",
    "year_fraction",
)
MATRICES = {"basis_cov": "basis_m3", "effluent_cov": "effluent_mean", "balance_cov": "balance_mean"}


@dataclass(frozen=True)
class Observations:
    """Everything known about a series of invoices; all but the billed volumes may be missing.

    Parameters
    ----------
    billed_m3 : array (invoices,)
        Billed volumes in order of time [m3].
    billed_step_m3 : float
        Step to which volumes are billed, such as 1 kgal [m3].
    days : array (invoices,), optional
        Length of the service periods; 30 without it [d].
    basis_m3 : array (invoices,), optional
        What the schedule should have billed on, from reads of the meter it names [m3].
    basis_cov : array (invoices, invoices), optional
        Its covariance, from reading dates and resolution; the error of the meter itself does not
        belong here, as bill and basis share the meter [m6].
    return_factor : float
        Billed share of the net intake in the schedule [-].
    intake_m3 : array (invoices,), optional
        Registered intake [m3].
    deducts_m3 : array (invoices,), optional
        Volumes the schedule credits, such as a deduct meter's [m3].
    effluent_mean, effluent_cov : arrays, optional
        Estimate from the logger record, and its covariance (invoices, invoices) [m3, m6].
    balance_mean, balance_cov : arrays, optional
        Estimate from the balance, and its covariance [m3, m6].
    head_sensitivity : array (invoices,), optional
        Relative change of the effluent volume per metre of zero error, n/h for a power law [1/m].
    head_exponent : float
        Exponent of discharge on head, 1.5 to 2.5 [-].
    zero_offsets_m : array (offsets,), optional
        Zero errors, increasing through 0, at which `zero_volumes_m3` is known [m].
    zero_volumes_m3 : array (offsets, invoices), optional
        Effluent volume if the sensor showed too much by each of them; exact where
        `head_sensitivity` is a first-order figure [m3].
    zero_seen_m : array (invoices,), optional
        Standard deviation which the hand readings from that invoice on leave to a zero error that
        lasts, datum of the gauge included; infinite where there are none [m].
    drowned_share : array (invoices,), optional
        Share of the volume that passed at heads where tailwater may drown the device [-].
    drowned_patterns : mapping of str to array (invoices,)
        The same for several heads from which the tailwater may act, each counted by how far the
        discharge rises above that at this head; used instead where given [-].
    device_ratios : mapping, optional
        Name of another device size or angle to its discharge over the assumed one's [-].
    rain_m : array (invoices,), optional
        Rain in the period [m].
    year_fraction : array (invoices,), optional
        Middle of the period as a fraction of the year from 1 January [-].
    billed_standard : float
        Relative standard uncertainty of the billing meter where no basis is given [-].
    tolerance : float
        Share of the billed volume that is no finding [-].

    Raises
    ------
    AuditError
        If lengths differ or a mean comes without its covariance.
    """

    billed_m3: np.ndarray
    billed_step_m3: float = 0.0
    days: np.ndarray | None = None
    basis_m3: np.ndarray | None = None
    basis_cov: np.ndarray | None = None
    return_factor: float = 1.0
    intake_m3: np.ndarray | None = None
    deducts_m3: np.ndarray | None = None
    effluent_mean: np.ndarray | None = None
    effluent_cov: np.ndarray | None = None
    balance_mean: np.ndarray | None = None
    balance_cov: np.ndarray | None = None
    head_sensitivity: np.ndarray | None = None
    head_exponent: float = 1.55
    zero_offsets_m: np.ndarray | None = None
    zero_volumes_m3: np.ndarray | None = None
    zero_seen_m: np.ndarray | None = None
    drowned_share: np.ndarray | None = None
    drowned_patterns: Mapping[str, np.ndarray] = field(default_factory=dict)
    device_ratios: Mapping[str, float] = field(default_factory=dict)
    rain_m: np.ndarray | None = None
    year_fraction: np.ndarray | None = None
    billed_standard: float = 0.02
    tolerance: float = 0.05

    def __post_init__(self) -> None:
        billed = np.asarray(self.billed_m3, dtype=float)
        if billed.ndim != 1 or not len(billed):
            raise AuditError("no billed volumes; an explanation needs at least one invoice")
        object.__setattr__(self, "billed_m3", billed)
        for name in VECTORS:
            self._check(name, (len(billed),))
        for name, mean in MATRICES.items():
            self._check(name, (len(billed), len(billed)))
            given = getattr(self, name) is not None, getattr(self, mean) is not None
            if given[0] and not given[1]:
                raise AuditError(f"{name} is given without {mean}")
            if given[1] and not given[0] and name != "basis_cov":
                raise AuditError(f"{mean} is given without {name}; an estimate has an uncertainty")
        if (self.zero_offsets_m is None) != (self.zero_volumes_m3 is None):
            raise AuditError("zero_offsets_m and zero_volumes_m3 belong together; give both")
        if self.zero_offsets_m is not None:
            offsets = np.asarray(self.zero_offsets_m, dtype=float)
            if offsets.ndim != 1 or len(offsets) < 4 or not np.all(np.diff(offsets) > 0):
                raise AuditError("zero_offsets_m needs at least four increasing offsets")
            object.__setattr__(self, "zero_offsets_m", offsets)
            self._check("zero_volumes_m3", (len(offsets), len(billed)))
        for name, pattern in self.drowned_patterns.items():
            if np.shape(pattern) != (len(billed),):
                raise AuditError(f"pattern {name!r} has the form {np.shape(pattern)}")
        if not 0 < self.return_factor <= 2:
            raise AuditError(f"return factor {self.return_factor!r}; a share of the intake")

    def _check(self, name: str, form: tuple[int, ...]) -> None:
        value = getattr(self, name)
        if value is None:
            return
        array = np.asarray(value, dtype=float)
        if array.shape != form:
            raise AuditError(f"{name} has the form {array.shape}; {form} invoices are billed")
        object.__setattr__(self, name, array)

    @property
    def count(self) -> int:
        """Number of invoices [-]."""
        return len(self.billed_m3)

    @property
    def lengths(self) -> np.ndarray:
        """Length of every period [d]."""
        return np.full(self.count, MONTH) if self.days is None else self.days

    @property
    def compared(self) -> np.ndarray:
        """Invoices with both estimates [-]."""
        if self.effluent_mean is None or self.balance_mean is None:
            return np.zeros(self.count, dtype=bool)
        return np.isfinite(self.effluent_mean) & np.isfinite(self.balance_mean)

    def basis_covariance(self) -> np.ndarray:
        """Covariance of the basis, a stated small one where none is given.

        Returns
        -------
        array (invoices, invoices)
            [m6].
        """
        if self.basis_cov is not None:
            return self.basis_cov
        return np.diag((BASIS_STANDARD * np.abs(self.basis_m3)) ** 2)

    def where(self, keep: np.ndarray) -> Observations:
        """The same observations for some of the invoices.

        Parameters
        ----------
        keep : array of bool (invoices,)
            Which to keep [-].

        Returns
        -------
        Observations
            In the same order [-].
        """
        chosen = {each.name: getattr(self, each.name) for each in fields(self)}
        for name in ("billed_m3", *VECTORS):
            chosen[name] = None if chosen[name] is None else chosen[name][keep]
        for name in MATRICES:
            chosen[name] = None if chosen[name] is None else chosen[name][np.ix_(keep, keep)]
        if self.zero_volumes_m3 is not None:
            chosen["zero_volumes_m3"] = self.zero_volumes_m3[:, keep]
        for name in ("drowned_patterns", "device_ratios"):
            given = getattr(self, name)
            chosen[name] = {key: each if np.ndim(each) == 0 else each[keep]
                            for key, each in given.items()}  # fmt: skip
        return Observations(**chosen)
