"""How many draws are enough: blocks are added until no figure to be printed changes any more.

One stopping rule, that of JCGM 101:2008 clause 7.9.4, for one result whose draws are kept and for
many results whose draws are not.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np

from sewer_audit.errors import AuditError
from sewer_audit.uncertainty.draws import Draws
from sewer_audit.uncertainty.intervals import coverage_interval
from sewer_audit.uncertainty.montecarlo import numerical_tolerance, smallest_block

Sample = Callable[[Draws], np.ndarray]
"""From a number of draws and a seed to draws of one result or of several."""


@dataclass(frozen=True)
class Stability:
    """Number of draws after which the figures to be printed no longer change.

    stable: False if the largest number of draws was reached first. worst: twice the largest
    standard deviation of a figure over its tolerance; at most 1 if stable.
    """

    draws: int
    stable: bool
    digits: int
    worst: float


@dataclass
class _Rule:
    """The stopping rule: figures of every block, and whether their averages stand still."""

    size: int
    coverage: float
    digits: int
    kind: str = "symmetric"
    share: float = 1.0
    figures: list[np.ndarray] = field(default_factory=list)

    def blocks(self, sample: Sample, seed: int, most_draws: int) -> Iterator[np.ndarray]:
        """Blocks (size, results), ending when all is stable or the next would be too many."""
        here = Draws(self.size, seed)
        while True:
            block = np.asarray(sample(here), dtype=float)
            block = block[:, None] if block.ndim == 1 else block
            if block.ndim != 2 or len(block) != self.size:
                raise AuditError(f"draws of shape {block.shape}; ({self.size}, results) expected")
            if not np.isfinite(block).all():
                raise AuditError("a draw is not finite; the number of draws cannot be judged")
            self.figures.append(self._figures(block))
            yield block
            two = len(self.figures) > 1
            if two and (self.stable or self.taken + self.size > most_draws):
                return
            here = here.next_block()

    def _figures(self, block: np.ndarray) -> np.ndarray:
        """Mean, standard uncertainty and interval ends of every result (4, results)."""
        ends = [coverage_interval(column, self.coverage, self.kind) for column in block.T]
        low = [float(each.low) for each in ends]
        high = [float(each.high) for each in ends]
        return np.array([block.mean(axis=0), block.std(axis=0, ddof=1), low, high])

    @property
    def taken(self) -> int:
        """Draws so far."""
        return len(self.figures) * self.size

    @property
    def spread(self) -> np.ndarray:
        """Standard uncertainty from all draws so far (results,): equal blocks pooled."""
        mean, deviation = np.stack(self.figures)[:, :2].swapaxes(0, 1)
        within = (self.size - 1) * np.sum(deviation**2, axis=0)
        between = self.size * np.sum((mean - mean.mean(axis=0)) ** 2, axis=0)
        return np.sqrt((within + between) / (self.taken - 1))

    @property
    def varies(self) -> np.ndarray:
        """Results that have a spread (results,)."""
        return self.spread > 1e-12 * np.abs(np.stack(self.figures)[:, 0]).max(axis=0)

    @property
    def tolerance(self) -> np.ndarray:
        """Numerical tolerance of the results that vary (varying,)."""
        spreads = self.spread[self.varies]
        return self.share * np.array([numerical_tolerance(float(u), self.digits) for u in spreads])

    @property
    def errors(self) -> np.ndarray:
        """Standard deviations of the averages over blocks (4, varying)."""
        every = np.stack(self.figures)[:, :, self.varies]
        return np.std(every, axis=0, ddof=1) / math.sqrt(len(self.figures))

    @property
    def worst(self) -> float:
        """Largest 2 s over its tolerance; at most 1 when all is stable."""
        if len(self.figures) < 2:
            return math.inf
        return float((2.0 * self.errors / self.tolerance).max()) if self.varies.any() else 0.0

    @property
    def stable(self) -> bool:
        """Whether 2 s exceeds its tolerance nowhere."""
        return self.worst <= 1.0


def draws_until_stable(
    sample: Sample,
    seed: int,
    coverage: float = 0.95,
    digits: int = 1,
    most_draws: int = 1_000_000,
) -> Stability:
    """Take blocks of draws until all figures of all results are stable.

    Parameters
    ----------
    sample : callable
        From `Draws` to draws of several results (draws, results) [result unit].
    seed : int
        Seed; blocks are independent streams of it [-].
    digits : int
        Significant digits of each standard uncertainty to be stable, 1 or 2 [-].
    most_draws : int
        Where to stop in any case, after two blocks at the earliest [-].

    Raises
    ------
    AuditError
        If a draw is not finite or the settings make no sense.

    Notes
    -----
    The rule of :func:`adaptive_draws` for every result; done when it holds for all of them.
    Results that do not vary take no part.

    References
    ----------
    JCGM 101:2008, 7.9.4; for several results at once JCGM 102:2011, 7.8 (from memory).
    """
    rule = _Rule(smallest_block(coverage), coverage, digits)
    for _ in rule.blocks(sample, seed, most_draws):
        pass
    return Stability(rule.taken, rule.stable, digits, rule.worst)
