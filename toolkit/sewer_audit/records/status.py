"""The status column of a record: what its own codes say about each reading."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from sewer_audit.records.exports import Export
from sewer_audit.records.model import Findings

__all__ = ["Status", "tell_unnamed"]

KINDS = ("good", "doubtful", "estimated", "bad")
"""What a code may mean, the worst last; of several bits the worst counts."""
NAMES = ("status", "quality", "qualifier", "qc", "approval", "grade", "flag")
"""Words in the name of a column that usually holds codes of quality (common practice)."""


@dataclass(frozen=True)
class Status:
    """A status column, and what its codes or its bits mean."""

    column: str
    codes: Mapping[str, str] = field(default_factory=dict)
    bits: Mapping[int, str] = field(default_factory=dict)

    def apply(
        self, export: Export, order: np.ndarray, reason: np.ndarray, findings: Findings
    ) -> np.ndarray:
        """Reject what is bad or estimated; tell which readings are doubtful.

        Units: order [-]; reason [text]; returns [-].
        """
        words = export.columns[self.column].fillna("").astype(str).str.strip().to_numpy()
        kinds = np.zeros(len(words), dtype=int)
        for word in np.unique(words.astype(str)):
            where = words == word
            kind = self._kind(word)
            if kind is None:
                row = int(np.flatnonzero(where)[0])
                findings.add(
                    f"the code {str(word)!r} of {where.sum():,} rows has no meaning in the case",
                    "Name it under [effluent.status], for example bad = ['2'] or bits = { 4 = "
                    "'bad' }",
                    line=int(export.lines[row]),
                    column=self.column,
                    code="status",
                )
                continue
            kinds[where] = KINDS.index(kind)
        kinds = kinds[order]
        for kind in ("estimated", "bad"):
            reason[(kinds == KINDS.index(kind)) & (reason == "")] = f"status {kind}"
        counts = {kind: int((kinds == place).sum()) for place, kind in enumerate(KINDS)}
        told = ", ".join(f"{count:,} {kind}" for kind, count in counts.items() if count)
        findings.flag("status", f"by its own status column: {told} readings", **counts)
        return (kinds == KINDS.index("doubtful")).astype(float)

    def _kind(self, word: str) -> str | None:
        if not self.bits:
            return self.codes.get(word, "good" if word == "" else None)
        try:
            number = int(float(word or 0))
        except ValueError:
            return None
        if number < 0 or number & ~sum(self.bits):
            return None
        found = [kind for bit, kind in self.bits.items() if number & bit]
        return max(found, key=KINDS.index, default="good")


def tell_unnamed(export: Export, findings: Findings) -> None:
    """Tell a column of codes that stands in the file and that the case does not name."""
    for name in export.header:
        word = name.strip().lower()
        known = any(word == each.strip().lower() for each in export.columns)
        if not known and any(part in NAMES for part in word.replace("_", " ").split()):
            findings.flag(
                "status column not named",
                f"the column {name.strip()!r} seems to hold codes of quality and the case does not "
                "name it: say what its codes mean under [effluent.status], or bad readings count",
                column=name.strip(),
            )
