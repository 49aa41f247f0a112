"""Terms of a water balance: what came in, what never reached the sewer, what joined it elsewhere.

Each term turns draws of its own causes into volumes per service period. The error of a meter means
true volume = registered volume x (1 + error). Two terms whose causes carry the same name share one
error, as two meters tested against the same reference do.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from sewer_audit.balance.instants import DAY, Periods
from sewer_audit.balance.intake import IntakeVolumes
from sewer_audit.errors import AuditError
from sewer_audit.uncertainty import Cause

Columns = Callable[[Cause], np.ndarray]
"""From a cause to its draws (draws, 1) or (draws, periods), or its value where it does not vary."""
Wander = Callable[["str", IntakeVolumes], np.ndarray]
"""From a name and a register to draws of its interpolation error (draws, periods)."""


@dataclass(frozen=True)
class Term:
    """What every term has; the name is that of its meter, use or source."""

    name: str

    @property
    def causes(self) -> tuple[Cause, ...]:
        """Uncertain inputs of this term besides its reading dates."""
        return ()

    @property
    def meters(self) -> tuple[Cause, ...]:
        """Of the causes those that are the error of a meter."""
        return ()

    @property
    def registers(self) -> Mapping[str, IntakeVolumes]:
        """Registers whose interpolation is uncertain, by the name of that cause."""
        return {}

    def volumes(
        self, columns: Columns, wander: Wander, periods: Periods, known: Mapping[str, np.ndarray]
    ) -> np.ndarray:
        """Draws of the volume of every period [m3]."""
        raise NotImplementedError


@dataclass(frozen=True)
class MeteredTerm(Term):
    """A volume read from a register: a supply meter, a deduct meter, a metered source."""

    register: IntakeVolumes
    error: Cause | None = None

    @property
    def causes(self) -> tuple[Cause, ...]:
        return (self.error,) if self.error is not None else ()

    @property
    def meters(self) -> tuple[Cause, ...]:
        return self.causes

    @property
    def registers(self) -> Mapping[str, IntakeVolumes]:
        return {f"{self.name}: reading dates": self.register}

    def volumes(
        self, columns: Columns, wander: Wander, periods: Periods, known: Mapping[str, np.ndarray]
    ) -> np.ndarray:
        """Registered volume, moved by the reading dates, times (1 + error)."""
        (name,) = self.registers
        volume = self.register.volume_m3 + wander(name, self.register)
        return volume if self.error is None else volume * (1.0 + columns(self.error))


@dataclass(frozen=True)
class ShareTerm(Term):
    """A share of another term, such as 3 % of the intake lost in the product."""

    of: str
    share: Cause

    @property
    def causes(self) -> tuple[Cause, ...]:
        return (self.share,)

    def volumes(
        self, columns: Columns, wander: Wander, periods: Periods, known: Mapping[str, np.ndarray]
    ) -> np.ndarray:
        if self.of not in known:
            raise AuditError(
                f"{self.name!r} is a share of {self.of!r}, which is no intake; known are "
                f"{', '.join(known) or 'none'}"
            )
        return columns(self.share) * known[self.of]


@dataclass(frozen=True)
class DailyTerm(Term):
    """So much per day, a mean rate [m3/s] for every day of the period."""

    rate: Cause

    @property
    def causes(self) -> tuple[Cause, ...]:
        return (self.rate,)

    def volumes(
        self, columns: Columns, wander: Wander, periods: Periods, known: Mapping[str, np.ndarray]
    ) -> np.ndarray:
        return columns(self.rate) * (periods.days * DAY)


@dataclass(frozen=True)
class StatedTerm(Term):
    """Volumes [m3] already worked out for every period, times (1 + error)."""

    volume_m3: np.ndarray
    error: Cause | None = None

    @property
    def causes(self) -> tuple[Cause, ...]:
        return (self.error,) if self.error is not None else ()

    def volumes(
        self, columns: Columns, wander: Wander, periods: Periods, known: Mapping[str, np.ndarray]
    ) -> np.ndarray:
        volume = np.asarray(self.volume_m3, dtype=float)
        if volume.shape != (len(periods.first),):
            raise AuditError(
                f"{self.name!r} has {volume.size} volumes for {len(periods.first)} service periods"
            )
        return volume[None, :] if self.error is None else volume * (1.0 + columns(self.error))


def unique_names(terms: Sequence[Term]) -> None:
    """Refuse two terms of one name, and one cause name with two meanings."""
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
