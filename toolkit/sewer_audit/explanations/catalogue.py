"""The catalogue of explanations, and what separates the ones that look alike."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from sewer_audit.explanations.bills import BILL_EXPLANATIONS, BY_THE_SCHEDULE
from sewer_audit.explanations.estimates import BOTH_RIGHT, ESTIMATE_EXPLANATIONS
from sewer_audit.explanations.model import Explanation

__all__ = ["CATALOGUE", "LOOK_ALIKES", "NOTHING", "UNFAIR", "is_other"]

CATALOGUE: tuple[Explanation, ...] = BILL_EXPLANATIONS + ESTIMATE_EXPLANATIONS
"""Every explanation with its prior weight."""

NOTHING = "nothing wrong"
UNFAIR = "billed by the schedule, whose basis does not describe the site"
PLAIN = (BY_THE_SCHEDULE, BOTH_RIGHT)

LOOK_ALIKES: Mapping[frozenset[str], str] = MappingProxyType(
    {
        frozenset({"unit mistaken", "billed share not applied as scheduled"}): (
            "a share of 75 % left out (1.3333) and CCF read for kgal (1.3368) differ by 0.26 %; "
            "the unit on the register's face decides, not the volumes"
        ),
        frozenset({"effluent record off by a factor", "supply meter off"}): (
            "where uses follow the intake both look the same: one independent discharge "
            "measurement, or a meter test, decides"
        ),
        frozenset({"effluent record off by a factor", "wrong device size or notch angle"}): (
            "measure the device: its size is certain within minutes"
        ),
        frozenset({"zero error of the head sensor", "effluent record off by a factor"}): (
            "hand readings of the head at low and at high flow: a zero error is the same length at "
            "both, a factor is not"
        ),
        frozenset({"zero error of the head sensor", "unmetered source or steady ground water"}): (
            "a hand reading of the head, and the discharge with all water shut off"
        ),
        frozenset(
            {
                "unmetered source or steady ground water",
                "rain or ground water in the monitored line",
            }
        ): "the record of a dry and a wet week: ground water goes on after the rain",
        frozenset({"leak after the meter, not to the sewer", "supply meter off"}): (
            "the supply register over a night with all use stopped: a leak runs on"
        ),
        frozenset({"leak after the meter, not to the sewer", "seasonal use not accounted for"}): (
            "the supply register over a winter night with all use stopped"
        ),
        frozenset({"submergence of the device", "effluent record off by a factor"}): (
            "a second head downstream at peak flow"
        ),
    }
)
"""Pairs that figures alone tell apart badly, and what does."""


def is_other(explanation: Explanation) -> bool:
    """Whether an explanation stands for everything that is not listed.

    Parameters
    ----------
    explanation : Explanation
        Of the catalogue [-].

    Returns
    -------
    bool
        True for "none of these" [-].
    """
    return explanation.name.startswith("none of these")
