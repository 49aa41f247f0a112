"""What reports may not say: accuracy without a factor, a p-value as the chance of a right bill.

The sentences are those of the sample's findings and of every committed notebook.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import nbformat
import pytest

from looked_at import looked_at
from sewer_audit import audit, load_case, sample_case
from sewer_audit.uncertainty import p_value_words

ROOT = Path(__file__).parent.parent
FACTOR = re.compile(
    r"95 %|\bk ?= ?\d|standard|rectangular|half.width|coverage|confidence|limit", re.I
)
ACCURACY = re.compile(r"\baccura(?:cy|te)\b[^.;|\n]{0,60}?\d[\d.]* ?%", re.I)
P_VALUE = re.compile(r"\bp[- ]values?\b|\bp ?= ?0?\.\d|\(p [<>=]", re.I)
RIGHT = re.compile(
    r"probability that (?:the|this|a) (?:bill|invoice|billed)[^.]*\b(?:right|correct)", re.I
)


def strings(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for part in value.values():
            yield from strings(part)
    elif isinstance(value, (list, tuple)):
        for part in value:
            yield from strings(part)


@cache
def said() -> tuple[str, ...]:
    found = list(strings(looked_at(draws=2000).findings()))
    for path in sorted((ROOT / "notebooks").glob("*.ipynb")):
        for cell in nbformat.read(path, as_version=4).cells:
            if cell.cell_type == "markdown":
                found.append(cell.source)
            for output in cell.get("outputs", []):
                text = output.get("data", {}).get("text/plain", output.get("text", ""))
                found += text.splitlines()
    return tuple(found)


def faults(sentences: tuple[str, ...]) -> list[str]:
    wrong = [s for s in sentences if ACCURACY.search(s) and not FACTOR.search(s)]
    return wrong + [s for s in sentences if RIGHT.search(s) or (P_VALUE.search(s) and "right" in s)]


def test_no_accuracy_without_its_factor_and_no_p_value_for_a_bill():
    """JCGM 200 (terms); JCGM 100, 6.1.2 and 7.2 (what goes with a figure), clauses from memory."""
    assert len(said()) > 300
    assert not faults(said())


def test_such_sentences_would_be_found():
    assert faults(("The accuracy is +-3 %.",))
    assert faults(("With p = 0.03 the invoice is right.",))
    assert faults(("The probability that the bill is correct is 4 %.",))
    assert not faults(("accuracy 3 % at 95 % confidence", "chi-square 18.6, p = 0.10"))


@pytest.mark.parametrize("tolerance", ["1 %", "20 %"])
def test_a_limit_changes_verdicts_and_no_uncertainty(tmp_path, tolerance):
    """A tolerance is a limit of the decision; the volumes and their intervals do not know it."""
    for name in ("sample_bills", "sample_logs"):
        shutil.copytree(ROOT / name, tmp_path / name)
    file = tmp_path / "sample_bills" / "case.toml"
    text = file.read_text()
    assert text.count('tolerance = "5 %"') == 1
    file.write_text(text.replace('tolerance = "5 %"', f'tolerance = "{tolerance}"'))
    one, other = (audit(load_case(path), draws=2000) for path in (sample_case(), file))
    figures = [c for c in one.invoices if c.startswith(("effluent", "balance", "audited"))]
    assert one.invoices[figures].equals(other.invoices[figures])
    assert one.causes.equals(other.causes)
    if tolerance == "20 %":
        assert not one.invoices["finding"].equals(other.invoices["finding"])


def test_a_small_p_value_is_never_nothing():
    assert p_value_words(0.0) == p_value_words(4e-9) == "p < 0.001"
    assert p_value_words(0.0234) == "p = 0.023"
