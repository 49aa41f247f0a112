"""Second opinions of the tests beside `uncertainty.stability`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sewer_audit.errors import AuditError
from sewer_audit.uncertainty.intervals import Summary, summarise
from sewer_audit.uncertainty.montecarlo import smallest_block
from sewer_audit.uncertainty.stability import Sample, _Rule


@dataclass(frozen=True)
class Adaptive:
    """Draws taken until the figures to be printed no longer change.

    Units: draws [result unit]; summary [result unit]; tolerance [result unit]; mean_error,
    standard_uncertainty_error, low_error, high_error [result unit].
    """

    draws: np.ndarray
    summary: Summary
    blocks: int
    stable: bool
    tolerance: float
    mean_error: float
    standard_uncertainty_error: float
    low_error: float
    high_error: float


def adaptive_draws(
    sample: Sample,
    seed: int,
    coverage: float = 0.95,
    digits: int = 1,
    kind: str = "symmetric",
    tolerance_share: float = 1.0,
    most_draws: int = 10_000_000,
) -> Adaptive:
    """Take blocks of draws until mean, standard uncertainty and interval ends are stable.

    Units: sample [result unit]; returns [result unit].

    digits: Significant digits of the standard uncertainty to be stable, 1 or 2.
    tolerance_share: Multiplies the numerical tolerance; 0.2 where the result is to validate the
    linear formula.

    Notes
    -----
    After each block h, for mean, standard uncertainty, low and high end y:
    s_y^2 = sum_r (y_r - mean)^2 / (h (h - 1)). The tolerance is that of the standard uncertainty
    of all draws so far. Done when 2 s_y exceeds it for none of the four.

    References
    ----------
    JCGM 101:2008, 7.9.4 c) to l); 8.2 note on a tolerance of one fifth (from memory).
    """
    rule = _Rule(smallest_block(coverage), coverage, digits, kind, tolerance_share)
    taken = []
    for block in rule.blocks(sample, seed, most_draws):
        taken.append(block[:, 0])
        if len(taken) > 1 and not rule.varies.all():
            raise AuditError("the result does not vary; check that its causes have a spread")
    everything = np.concatenate(taken)
    summary = summarise(everything, coverage, kind)
    errors = (float(each) for each in rule.errors[:, 0])
    tolerance = float(rule.tolerance[0])
    return Adaptive(everything, summary, len(taken), rule.stable, tolerance, *errors)
