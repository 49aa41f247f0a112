"""The starter case: every example in it is a key that is read, and it stays short."""

from __future__ import annotations

import json
import re
import tomllib

from sewer_audit.case import load_case
from sewer_audit.case.keys import key_at, walk
from sewer_audit.case.models import CaseFile
from sewer_audit.charges import load_rates
from sewer_audit.starter import HEADERS, starter_text, write_starter

EXAMPLE = re.compile(r'^# (?=\[\[?[a-z_.]+\]\]?|[A-Za-z_]+ = |"[^"]+" = )')


def with_examples(text: str) -> str:
    return "\n".join(EXAMPLE.sub("", line) for line in text.splitlines())


def test_every_example_taken_together_is_a_case(tmp_path):
    folder = write_starter(tmp_path / "mine")
    text = (folder / "case.toml").read_text(encoding="utf-8")
    assert len(with_examples(text)) < len(text) - 60  # the examples were found
    (folder / "irrigation_meter.csv").write_text("x\n")
    (folder / "case.toml").write_text(with_examples(text), encoding="utf-8")
    data = load_case(folder).data
    assert data.effluent.visit[0].hand == 3.1 * 0.0254
    assert data.account.reads.digits == 6 and data.use[0].credited
    assert data.rule.look_back == 36
    assert load_rates(folder / "rates.toml").version[0].charge[1].kind == "volume"


def test_the_starter_is_what_a_first_case_needs():
    """A newcomer reads a page; all else is asked for by name."""
    assert len(starter_text("case").splitlines()) <= 110
    assert "sewer-audit explain" in starter_text("case")
    for file in ("case", "rates"):
        assert starter_text(file).startswith(f"#:schema {file}.schema.json\n")
        assert max(map(len, starter_text(file).splitlines())) <= 100


def test_the_starter_says_of_a_key_what_explain_says(tmp_path):
    folder = write_starter(tmp_path / "mine")
    shown = " ".join((folder / "case.toml").read_text().replace("#", " ").split())
    told = {path: key_at(path, model, name) for path, model, name in walk(CaseFile)}
    for path in ("case.basis", "invoices.end_day_counts", "rule.tolerance", "effluent.visit.hand"):
        assert " ".join(told[path].means.split()) in shown, path
    schema = json.loads((folder / "case.schema.json").read_text())
    assert schema["properties"]["case"] == {
        "description": told["case"].means, "$ref": "#/$defs/CaseTable",
    }  # fmt: skip


def test_headers_hold_the_columns_the_case_names():
    case = tomllib.loads(with_examples(starter_text("case")))
    assert case["effluent"]["columns"]["distance"]["name"] in HEADERS["effluent_log.csv"]
    assert {case["invoices"]["file"], case["intake"][0]["file"]} <= set(HEADERS)
