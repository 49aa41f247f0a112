"""What the explanations have to explain: the billed series, its basis, and the two estimates."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

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
    "starts_d",
    "night_m3",
    "night_intake_m3",
    "lag_h",
)
PATTERNS = (
    "drowned_patterns",
    "low_shares",
    "high_shares",
    "rain_stores",
    "courses",
    "uses_m3",
    "device_ratios",
    "unit_volumes",
)
"""Mappings of a name to a figure, or to one of every interval [-]."""
CURVES = ("zero_volumes_m3", "zero_night")
MATRICES = {"basis_cov": "basis_m3", "effluent_cov": "effluent_mean", "balance_cov": "balance_mean"}


@dataclass(frozen=True)
class Observations:
    """Everything known about a series of invoices; all but the billed volumes may be missing.

    Arrays hold a figure for every invoice (or interval, in `fine`) in order of time; a covariance
    is that of the mean whose name it shares [m6].

    Bills: volumes, the step to which they are billed, days of the periods (30 without them);
    `basis_m3`, what the schedule should have billed on by reads of the meter it names (the error
    of that meter does not belong in its covariance, as bill and basis share it; without a basis
    `billed_standard` is the relative one of the billing meter); `return_factor` of the net intake,
    registered intake, `deducts_m3` the schedule credits, `uses_m3` by name (an inflow below
    nothing), `tolerance` no finding is drawn within.

    Zero: `zero_volumes_m3` and `zero_night` (to any scale) if the sensor showed too much by each
    of `zero_offsets_m`, increasing through 0, `zero_marks` what that makes of a course; to first
    order `head_sensitivity` [1/m] and `head_exponent`; `zero_seen_m`, the standard deviation which
    hand readings from that invoice on leave to a zero error that lasts, datum included; lowest
    head below which the record hardly ever falls.

    Shares of the volume [-]: at low flows, above a high one, at heads at which tailwater may drown
    the device (`drowned_patterns`, from several heads; else `drowned_share`). `device_ratios`: of
    another size over the assumed one; `unit_volumes`: true over recorded volume in another unit,
    always and from each of `changes` [d] on, the instants at which the record changes most.

    Time: `starts_d` after the first instant `epoch` (end to end without it), `year_fraction` of the
    middle, `invoice_spans` [d] where the intervals are others; `standstills` [d], in which the
    supply register hardly moved while water left.

    Water: rain [m], `rain_stores` draining over days, to any scale; the quietest hours by record
    and intake [m3/d]; `lag_h`, by how much the course of the week lags behind the usual one.

    `marks`: figures of the whole record that some causes change, none usually off zero, each with
    its standard uncertainty (share that follows rain within hours, log of the record over its
    totaliser, share under high tailwater); `courses`: such figures interval by interval (log of the
    velocity at low depth over what higher depths make of it). `method`: "head", "area velocity",
    "slope", "full pipe". `fine`: the two estimates over shorter intervals, such as between the
    site's reads, for all that the invoices are too long to tell.
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
    starts_d: np.ndarray | None = None
    epoch: Any = None
    method: str = ""
    low_shares: Mapping[str, np.ndarray] = field(default_factory=dict)
    high_shares: Mapping[str, np.ndarray] = field(default_factory=dict)
    unit_volumes: Mapping[str, np.ndarray] = field(default_factory=dict)
    changes: tuple[float, ...] = ()
    night_m3: np.ndarray | None = None
    night_intake_m3: np.ndarray | None = None
    lag_h: np.ndarray | None = None
    marks: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    courses: Mapping[str, np.ndarray] = field(default_factory=dict)
    zero_marks: Mapping[str, np.ndarray] = field(default_factory=dict)
    zero_night: np.ndarray | None = None
    lowest_head_m: float | None = None
    rain_stores: Mapping[str, np.ndarray] = field(default_factory=dict)
    uses_m3: Mapping[str, np.ndarray] = field(default_factory=dict)
    standstills: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    invoice_spans: tuple[tuple[float, float], ...] = ()
    fine: Observations | None = None
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
    def starts(self) -> np.ndarray:
        """Begin of every interval [d]."""
        if self.starts_d is not None:
            return self.starts_d
        return np.concatenate([[0.0], np.cumsum(self.lengths)[:-1]])

    @property
    def span(self) -> tuple[float, float]:
        """First and last instant [d]."""
        return float(self.starts[0]), float((self.starts + self.lengths).max())

    @property
    def invoice_blocks(self) -> tuple[tuple[float, float], ...]:
        """Begin and end of every invoice [d]."""
        if self.invoice_spans:
            return self.invoice_spans
        return tuple(zip(self.starts, self.starts + self.lengths, strict=True))

    @property
    def year_zero(self) -> float:
        """Day of the year at instant 0 [d]."""
        if self.year_fraction is None:
            return 0.0
        return float(365.25 * self.year_fraction[0] - self.starts[0] - self.lengths[0] / 2)

    @property
    def compared(self) -> np.ndarray:
        """Invoices with both estimates [-]."""
        if self.effluent_mean is None or self.balance_mean is None:
            return np.zeros(self.count, dtype=bool)
        return np.isfinite(self.effluent_mean) & np.isfinite(self.balance_mean)

    @property
    def tested(self) -> bool:
        """Whether two estimates test each other anywhere [-]."""
        return self.fine is not None or bool(self.compared.any())

    @property
    def estimated(self) -> np.ndarray:
        """Invoices with at least one estimate [-]."""
        known = np.zeros(self.count, dtype=bool)
        for mean in (self.effluent_mean, self.balance_mean):
            known |= np.isfinite(mean) if mean is not None else False
        return known

    @property
    def flowed(self) -> np.ndarray:
        """Volume by the record, by the balance where there is none [m3]."""
        record = np.full(self.count, np.nan) if self.effluent_mean is None else self.effluent_mean
        other = 0.0 if self.balance_mean is None else self.balance_mean
        return np.nan_to_num(np.where(np.isfinite(record), record, other))

    def basis_covariance(self) -> np.ndarray:
        """Covariance of the basis, a stated small one where none is given. Units: returns [m6]."""
        if self.basis_cov is not None:
            return self.basis_cov
        return np.diag((BASIS_STANDARD * np.abs(self.basis_m3)) ** 2)

    def where(self, keep: np.ndarray) -> Observations:
        """The same observations for some of the invoices."""
        chosen = {each.name: getattr(self, each.name) for each in fields(self)}
        for name in ("billed_m3", *VECTORS):
            chosen[name] = None if chosen[name] is None else chosen[name][keep]
        for name in MATRICES:
            chosen[name] = None if chosen[name] is None else chosen[name][np.ix_(keep, keep)]
        for name in CURVES:
            chosen[name] = None if chosen[name] is None else chosen[name][:, keep]
        for name in PATTERNS:
            chosen[name] = {
                key: each if np.ndim(each) == 0 else np.asarray(each)[..., keep]
                for key, each in getattr(self, name).items()
            }
        chosen["starts_d"] = self.starts[keep]
        chosen["fine"] = self.fine
        chosen["invoice_spans"] = self.invoice_blocks
        return Observations(**chosen)
