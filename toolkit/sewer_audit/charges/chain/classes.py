"""The error classes of ``classes.csv``, the one named first among equals before the others.

A class is of the "volume" or of the "lines", which leave the billed volume as it is. It is shown by
a ratio that chance may hit, by "digits" that were swapped or dropped, or "backwards": a figure
worked out from the printed ones. Which one stands first is an order of how often audits meet them
(common practice, no source), not a finding.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from importlib import resources


@dataclass(frozen=True)
class ErrorClass:
    """One row of ``classes.csv``."""

    code: str
    of: str
    shown: str
    briefly: str
    proof: str


_TEXT = resources.files("sewer_audit.charges").joinpath("classes.csv").read_text("utf-8")
CLASSES = {row["code"]: ErrorClass(**row) for row in csv.DictReader(_TEXT.splitlines())}
PROOFS = {code: each.proof for code, each in CLASSES.items()}
"""What would show that an error is of its class."""
BRIEFLY = {code: each.briefly for code, each in CLASSES.items()}
"""Each class in a few words, for lists."""
OF_LINES = frozenset(code for code, each in CLASSES.items() if each.of == "lines")
"""Classes that leave the billed volume as it is."""
_RANKS = {code: place for place, code in enumerate(CLASSES)}


def rank_of(code: str) -> int:
    """Place of a class among those that fit equally well."""
    return _RANKS[code]
