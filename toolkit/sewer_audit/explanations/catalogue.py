"""The catalogue of explanations, read from its table, and what separates those that look alike."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import Any

from sewer_audit.explanations.acts import bill_actions, bill_forms
from sewer_audit.explanations.acts.estimates import ACTIONS, forms_of
from sewer_audit.explanations.model import Explanation, Parameter

__all__ = [
    "BOTH_RIGHT",
    "BY_THE_SCHEDULE",
    "CATALOGUE",
    "KINDS",
    "LOOK_ALIKES",
    "NOTHING",
    "PARTIES",
]
__all__ += ["UNFAIR", "is_other", "read_catalogue"]

FILE = Path(__file__).with_name("causes.toml")
NOTHING = "nothing wrong"
UNFAIR = "billed by the schedule, whose basis does not describe the site"
BOTH_RIGHT, BY_THE_SCHEDULE = "both estimates right", "billed by the schedule"
PLAIN = (BY_THE_SCHEDULE, BOTH_RIGHT)


def read_catalogue(text: str) -> tuple[Explanation, ...]:
    """Explanations of a table of causes, in its order."""
    return tuple(_explanation(row) for row in tomllib.loads(text)["cause"])


def _explanation(row: Mapping[str, Any]) -> Explanation:
    on_bill = row["acts_on"] == "bill"
    return Explanation(
        name=row["name"],
        acts_on=row["acts_on"],
        party=row["party"],
        weight=row["prior"],
        variants=getattr(bill_forms, row["form"]) if on_bill else partial(forms_of, dict(row)),
        apply=getattr(bill_actions, row["action"]) if on_bill else ACTIONS[row["action"]],
        parameter=Parameter(**row["size"]) if "size" in row else None,
        evidence=row.get("proof", ""),
        if_so=row.get("if_so", ""),
        visit=row.get("visit", ""),
        source=row.get("seen_by", ""),
        prior_source=row["prior_source"],
        joins=row.get("joins", True),
        methods=tuple(row.get("methods", ())),
    )


_TEXT = FILE.read_text(encoding="utf-8")
CATALOGUE: tuple[Explanation, ...] = read_catalogue(_TEXT)
"""Every explanation with its prior weight."""

PARTIES: Mapping[str, str] = MappingProxyType(
    {each.name: each.party for each in CATALOGUE} | {NOTHING: "none", UNFAIR: "schedule"}
)
"""Who would have to act on an explanation."""

KINDS: Mapping[str, str] = MappingProxyType({each.name: each.acts_on for each in CATALOGUE})
"""What each explanation acts on, the bill or the estimates."""

LOOK_ALIKES: Mapping[frozenset[str], str] = MappingProxyType(
    {frozenset(row["causes"]): row["proof"] for row in tomllib.loads(_TEXT)["look_alike"]}
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
    return explanation.party == "outside"
