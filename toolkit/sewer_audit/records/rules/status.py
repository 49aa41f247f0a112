"""The status column of a record: what its own codes say about each reading."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from sewer_audit.records.files.exports import Export
from sewer_audit.records.model import Findings

KINDS = ("good", "doubtful", "estimated", "bad")
"""What a code may mean, the worst last; of several bits the worst counts."""
NAMES = ("status", "quality", "qualifier", "qc", "approval", "grade", "flag")
"""Words in the name of a column that usually holds codes of quality (common practice)."""

WORSE = (
    "bad poor fault faulty fail failed error err invalid suspect doubtful questionable missing lost"
)
WORSE = frozenset(f"{WORSE} estimated est maint maintenance alarm held frozen stale".split())
"""Words of such a column that say of a reading that it is none (common practice)."""


@dataclass(frozen=True)
class Status:
    """A status column, and what its codes or its bits mean."""

    column: str
    codes: Mapping[str, str] = field(default_factory=dict)
    bits: Mapping[int, str] = field(default_factory=dict)

    def apply(
        self,
        words: np.ndarray,
        lines: np.ndarray,
        reason: np.ndarray,
        findings: Findings,
        column: str | None,
    ) -> np.ndarray:
        """Reject what is bad or estimated; tell which readings are doubtful.

        Units: words [text]; lines [-]; reason [text]; returns [-].
        """
        kinds = np.zeros(len(words), dtype=int)
        for word in np.unique(words.astype(str)):
            where = words == word
            kind = self._kind(word)
            if kind is None:
                findings.add(
                    f"the code {str(word)!r} of {where.sum():,} rows has no meaning in the case",
                    "Name it under [effluent.status], for example bad = ['2'] or bits = { 4 = "
                    "'bad' }",
                    line=int(lines[np.flatnonzero(where)[0]]),
                    column=column,
                    code="status",
                )
                continue
            kinds[where] = KINDS.index(kind)
        for kind in ("estimated", "bad"):
            reason[(kinds == KINDS.index(kind)) & (reason == "")] = f"status {kind}"
        counts = {kind: int((kinds == place).sum()) for place, kind in enumerate(KINDS)}
        told = ", ".join(f"{count:,} {kind}" for kind, count in counts.items() if count)
        findings.flag("status", f"by its own codes of quality: {told} readings", **counts)
        return (kinds == KINDS.index("doubtful")).astype(float)

    def _kind(self, word: str) -> str | None:
        kind = self.codes.get(word, "good" if word == "" else None)
        if kind is not None or not self.bits:
            return kind
        try:
            number = int(float(word))
        except ValueError:
            return None
        if number < 0 or number & ~sum(self.bits):
            return None
        found = [kind for bit, kind in self.bits.items() if number & bit]
        return max(found, key=KINDS.index, default="good")


def tell_unnamed(export: Export, findings: Findings) -> None:
    """Tell a column of codes that stands in the file and that the case does not name.

    It is called so, or holds a few short words of which one is the usual one.
    """
    read = {name.strip().lower() for name in export.columns}
    for place, name in enumerate(export.header):
        word = name.strip().lower()
        if place in export.places.values() or word in read:
            continue
        named = any(part in NAMES for part in word.replace("_", " ").split())
        cells = [row[place] for row in export.sample if place < len(row)]
        if named or _holds_codes(cells):
            bad = next(
                (cell for cell in cells if WORSE & set(re.findall("[a-z]+", cell.lower()))), ""
            )
            findings.flag(
                "status-column-says-bad" if bad else "status column not named",
                f"the column {name.strip()!r} seems to hold codes of quality"
                + (f", {bad.strip()!r} among them," if bad else "")
                + " and the case does not name it: say what its codes mean under "
                "[effluent.status], or bad readings count",
                column=name.strip(),
            )


def _holds_codes(cells: Sequence[str]) -> bool:
    """Few short words without digits, one of them in most of the rows that have any."""
    words = Counter(cell.strip() for cell in cells)
    words.pop("", None)
    plain = all(len(word) <= 12 and not any(c.isdigit() for c in word) for word in words)
    return 2 <= len(words) <= 8 and plain and max(words.values()) >= 0.6 * len(cells) > 12
