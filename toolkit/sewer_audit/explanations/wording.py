"""Sentences about the table of explanations."""

from __future__ import annotations

import numpy as np

from sewer_audit import spoken
from sewer_audit.errors import Flag
from sewer_audit.explanations.bayes import STRONG
from sewer_audit.explanations.catalogue import LOOK_ALIKES, NOTHING
from sewer_audit.explanations.model import Parameter
from sewer_audit.explanations.observations import Observations
from sewer_audit.explanations.rows import RankedExplanation
from sewer_audit.explanations.slots import Candidate

__all__ = ["detail_of", "flags_of", "separating_evidence", "statement_of"]


SAID = 4
"""Causes listed in one sentence; the table holds all of them [-]."""


def detail_of(candidate: Candidate) -> str:
    """Most probable form, and the mean size over the points that share it."""
    if not candidate.names:
        return ""
    first, said = candidate.evidence.points[0], []
    for place, (explanation, variant, _) in enumerate(first.steps):
        same = [p for p in candidate.evidence.points if p.steps[place][1].label == variant.label]
        text = variant.label
        if explanation.parameter is not None:
            weights = np.array([point.weight for point in same])
            values = np.array([point.steps[place][2] for point in same])
            mean = float(weights @ values / weights.sum())
            spread = float(np.sqrt(weights @ (values - mean) ** 2 / weights.sum()))
            size = explanation.parameter
            shown = f"{size.name} {_size(mean, size)} (u {_size(spread, size, 2)})"
            text = f"{text}: {shown}" if text else shown
        said.append(text)
    return "; ".join(filter(None, said))


def _size(value: float, size: Parameter, digits: int = 3) -> str:
    """A size with its unit; lengths in the unit of the case."""
    if size.unit == "m":
        return spoken.length(value, digits)
    return f"{value * size.shown:.{digits}g} {size.unit}"


def statement_of(
    best: RankedExplanation,
    rival: RankedExplanation | None,
    factor: float,
    named: str | None,
    tied: tuple[str, ...] = (),
) -> str:
    """What the report may say."""
    if best.name == NOTHING:
        said = "the figures need no explanation beyond their uncertainties"
        if named or rival is None:
            return said
        listed = [name for name in tied if not name.startswith("none of these")]
        more = f" and {len(listed) - SAID} more" if len(listed) > SAID else ""
        open_ = f"{', '.join(listed[:SAID])}{more}" if listed else rival.name
        return f"{said}; not excluded, of a size that would not show: {open_}"
    if named:
        beyond = "" if named == best.name else f" What acts beside it ({best.name}) is not decided."
        return (
            f"the figures point to: {named}. Its likelihood exceeds that of every explanation "
            f"without it by a factor of {min(factor, 1e6):.3g}, if the listed ones are all there "
            f"are.{beyond}"
        )
    if any(name.startswith("none of these") for name in best.components):
        return "no listed explanation accounts for the figures; what is at work is not known"
    if len(tied) > 2:
        return (
            "these cannot be told apart by the figures: "
            f"{'; '.join(tied)}; no cause is named before the next proof"
        )
    assert rival is not None  # without a rival the first row is named
    return (
        f"no cause is named: {best.name} stands first by no more than {factor:.2g} to 1 against "
        f"what lacks it, and {STRONG:.0f} to 1 is asked; the likeliest of these: {rival.name}"
    )


def separating_evidence(best: RankedExplanation, rival: RankedExplanation | None) -> str:
    """Evidence that would tell the two best apart."""
    if rival is None:
        return best.evidence
    apart = set(best.components) ^ set(rival.components)
    for pair, text in LOOK_ALIKES.items():
        if pair <= apart:
            return text
    return "; ".join(dict.fromkeys(filter(None, (best.evidence, rival.evidence))))


def flags_of(
    observed: Observations,
    untestable: tuple[str, ...],
    named: str | None,
    best: RankedExplanation,
) -> tuple[Flag, ...]:
    """What the reader of the table must know."""
    flags = []
    if untestable:
        message = (
            f"{len(untestable)} explanations cannot be shown by this evidence: "
            f"{', '.join(untestable)}"
        )
        flags.append(Flag("not-testable", message, {"names": list(untestable)}))
    if not observed.tested:
        message = (
            "without two estimates of the same invoices nothing tests the estimates themselves"
        )
        flags.append(Flag("estimates-untested", message))
    if named is None and best.name != NOTHING:
        message = "no cause is named: the best explanation does not exceed its rivals twentyfold"
        flags.append(Flag("cause-not-named", message))
    message = "posterior probabilities hold only among the listed explanations and their priors"
    flags.append(Flag("listed-only", message))
    return tuple(flags)
