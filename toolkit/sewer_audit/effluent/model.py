"""The volume of every service period as a function of its causes.

Everything uncertain about an effluent volume passes through :class:`EffluentModel`: draws, the
first-order formula, the budget and the brute-force check all call the same few lines.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from sewer_audit.effluent.rating import SOLIDS
from sewer_audit.effluent.table import OffsetTable
from sewer_audit.uncertainty import Cause, Draws

OFFSET = "zero error and drift"
"""Name of the shared cause that the zero offsets of all visit intervals form."""


@dataclass(frozen=True)
class ZeroOffset:
    """Zero offset of the level at both ends of every interval between visits and meter reads.

    Units: mean [m]; covariance [m2].
    """

    mean: np.ndarray
    covariance: np.ndarray
    source: str = ""

    @cached_property
    def root(self) -> np.ndarray:
        """Matrix A (2 * intervals, rank) with A A' = covariance [m].

        The offset runs on unchanged through most edges, so about half the directions are empty;
        they are left out.
        """
        value, vector = np.linalg.eigh(self.covariance)
        keep = value > 1e-12 * max(float(value[-1]), 0.0)
        return vector[:, keep] * np.sqrt(value[keep])

    def draw(self, draws: Draws) -> np.ndarray:
        """Offsets as draws.

        Units: returns [m].
        """
        return self.mean + draws.standard(OFFSET, self.root.shape[1]) @ self.root.T


@dataclass(frozen=True)
class Independent:
    """A cause that acts on every period by itself, already as a volume.

    Units: cause [SI]; volumes [m3].
    """

    cause: Cause
    volumes: np.ndarray


@dataclass(frozen=True)
class EffluentModel:
    """Effluent volume per service period as a function of its causes.

    Parameters
    ----------
    table : OffsetTable
        Volume of every stretch over zero offsets and bending causes [m3].
    period : array (stretches,)
        Service period of each stretch [-].
    interval : array (stretches,)
        Interval between visits and reads of each stretch [-].
    periods : int
        Number of service periods [-].
    zero : ZeroOffset or None
        Shared zero offsets; None for a method without a level [m].
    causes : mapping
        Every other shared cause by name [SI].
    scales : mapping
        Cause to the exponent with which (1 + error) multiplies the volume [-].
    additive : mapping
        Cause to volume per unit of error and period (periods,) [m3/SI].
    independent : sequence of Independent
        Causes that act on every period by itself [m3].
    fill : array (periods,)
        Volume estimated in gaps over volume measured, at the stated values [-].
    unmeasured : array (periods,)
        Volume estimated in periods without any accepted reading [m3].
    noise_variance : float
        Variance of the head noise already in the record [m2].
    """

    table: OffsetTable
    period: np.ndarray
    interval: np.ndarray
    periods: int
    zero: ZeroOffset | None
    causes: Mapping[str, Cause]
    scales: Mapping[str, float]
    additive: Mapping[str, np.ndarray]
    independent: tuple[Independent, ...] = ()
    fill: np.ndarray = field(default_factory=lambda: np.zeros(0))
    unmeasured: np.ndarray = field(default_factory=lambda: np.zeros(0))
    noise_variance: float = 0.0

    @property
    def names(self) -> list[str]:
        """Every cause, shared ones first [text]."""
        shared = ([OFFSET] if self.zero is not None else []) + list(self.causes)
        return shared + [each.cause.name for each in self.independent]

    def evaluate(
        self, offsets: np.ndarray | None, errors: Mapping[str, np.ndarray], count: int
    ) -> np.ndarray:
        """Volumes for given errors of the shared causes.

        Units: offsets [m]; errors [SI]; returns [m3].
        """
        measured = np.zeros((count, self.periods))
        factors = self._factors(errors, count)
        raised = self._error(SOLIDS, errors, count) if SOLIDS in self.causes else 0.0
        for stretch, (period, interval) in enumerate(zip(self.period, self.interval, strict=True)):
            offset = self._offset(stretch, int(interval), offsets, count) - raised
            volume = self.table.at(stretch, offset, errors)
            volume = volume - self.noise_variance * self.table.noise_bias[stretch]
            measured[:, period] += volume * factors[:, stretch]
        total = measured * (1 + self.fill)
        if np.any(self.unmeasured):
            total = total + self.unmeasured * self._typical(measured)
        for name, effect in self.additive.items():
            total = total + self._error(name, errors, count)[:, None] * effect
        return total

    def _typical(self, measured: np.ndarray) -> np.ndarray:
        """Relative change of all that was measured, for periods without a reading."""
        nominal = self._measured_nominal()
        return (measured.sum(axis=1) / nominal if nominal else np.ones(len(measured)))[:, None]

    def _measured_nominal(self) -> float:
        total = 0.0
        factors = self._factors({}, 1)
        raised = self.causes[SOLIDS].value if SOLIDS in self.causes else 0.0
        for stretch, interval in enumerate(self.interval):
            offset = self._offset(stretch, int(interval), None, 1) - raised
            volume = self.table.at(stretch, offset)[0]
            volume -= self.noise_variance * self.table.noise_bias[stretch]
            total += volume * factors[0, stretch]
        return float(total)

    def _offset(
        self, stretch: int, interval: int, offsets: np.ndarray | None, count: int
    ) -> np.ndarray:
        if self.zero is None:
            return np.zeros(count)
        if offsets is None:
            offsets = np.broadcast_to(self.zero.mean, (count, len(self.zero.mean)))
        late = self.table.lateness[stretch]
        return offsets[:, 2 * interval] * (1 - late) + offsets[:, 2 * interval + 1] * late

    def _error(self, name: str, errors: Mapping[str, np.ndarray], count: int) -> np.ndarray:
        return errors[name] if name in errors else np.full(count, self.causes[name].value)

    def _factors(self, errors: Mapping[str, np.ndarray], count: int) -> np.ndarray:
        factors = np.ones((count, len(self.period)))
        for name, exponent in self.scales.items():
            factors *= ((1 + self._error(name, errors, count)) ** exponent)[:, None]
        for name in self.table.factors:
            factors *= self.table.factor(name, self._error(name, errors, count))
        return factors

    def draw(self, draws: Draws, only: str | None = None) -> np.ndarray:
        """Volumes as draws of all causes, or of a single one. Units: returns [m3]."""
        offsets = self.draw_offsets(draws) if only in (None, OFFSET) else None
        errors = {
            name: draws.of(cause, key=name)
            for name, cause in self.causes.items()
            if only in (None, name)
        }
        total = self.evaluate(offsets, errors, draws.count)
        for each in self.independent:
            if only in (None, each.cause.name):
                key = f"effluent:{each.cause.name}"
                total = total + draws.standard(key, self.periods) * each.volumes
        return total

    def draw_offsets(self, draws: Draws) -> np.ndarray | None:
        """Zero offsets at the ends of all visit intervals. Units: returns [m]."""
        if self.zero is None:
            return None
        return self.zero.draw(draws)

    def first_order(self) -> tuple[np.ndarray, np.ndarray]:
        """Best value and combined covariance by the law of propagation of uncertainty.

        Units: returns [m6].

        Notes
        -----
        C = sum_k (dV/dx_k)(dV/dx_k)' u_k^2 with the offsets' covariance in place of u^2 and the
        sensitivities from a step of one standard deviation to either side.

        References
        ----------
        JCGM 100:2008, 5.1.2 equation (10) and 5.2.2 equation (13); 5.1.3 note 2.
        """
        value = self.evaluate(None, {}, 1)[0]
        steps = []
        for name, cause in self.causes.items():
            if cause.standard > 0:
                both = cause.value + cause.standard_deviation * np.array([1.0, -1.0])
                pair = self.evaluate(None, {name: both}, 2)
                steps.append((pair[0] - pair[1]) / 2)
        if self.zero is not None:
            root = self.zero.root.T
            keep = np.abs(root).max(axis=1) > 0
            both = np.concatenate([self.zero.mean + root[keep], self.zero.mean - root[keep]])
            moved = self.evaluate(both, {}, len(both))
            steps.extend((moved[: keep.sum()] - moved[keep.sum() :]) / 2)
        own = sum((each.volumes**2 for each in self.independent), np.zeros(len(value)))
        covariance = np.diag(own)
        for step in steps:
            covariance = covariance + np.outer(step, step)
        return value, covariance
