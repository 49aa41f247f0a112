"""The starter case: every example in it is a key that is read, none is a key that is not."""

from __future__ import annotations

import re
import tomllib

from sewer_audit.case import load_case
from sewer_audit.starter import CASE, HEADERS, write_starter

EXAMPLE = re.compile(r'^# (?=\[\[?[a-z_.]+\]\]?|[A-Za-z_]+ = |"[^"]+" = )')


def with_examples(text: str) -> str:
    return "\n".join(EXAMPLE.sub("", line) for line in text.splitlines())


def test_every_example_taken_together_is_a_case(tmp_path):
    folder = write_starter(tmp_path / "mine")
    text = with_examples(CASE)
    assert len(text) < len(CASE) - 60  # the examples were found
    others = ("samples", "earlier_use", "by_invoice", "neighbour")
    others += ("process_meter",)
    for name in ("low_flow_register", "irrigation_meter", "rain", "payments", *others):
        (folder / f"{name}.csv").write_text("x\n")
    (folder / "case.toml").write_text(text, encoding="utf-8")
    case = load_case(folder)
    effluent = case.data.effluent
    assert effluent.clock_correction[0].shift == 3600
    assert effluent.zone_offsets["CDT"] == "UTC-05:00"
    assert effluent.rain_gauge.file == "rain.csv"
    assert case.data.intake[0].further_register[0].sign == "add"
    assert [len(each.signs) for each in case.data.further_balance] == [3, 2]
    assert case.data.rule.smallest_coverage_of_record == 0.75
    assert case.data.account.reads.digits == 6 and case.data.neighbour[0].account == "0418"
    assert case.data.claim.interest_after == 30 * 86400


def test_keys_of_a_record_are_all_shown(tmp_path):
    """A user learns of a key from the starter; device sizes and rare keys have their own help."""
    from sewer_audit.case.models_records import RecordTable, Register

    rare = {"sheet", "day_first", "decimal", "file_columns", "may_be_missing"}
    for key in (set(RecordTable.model_fields) | set(Register.model_fields)) - rare:
        assert re.search(rf"\b{key}\b", CASE), f"the starter does not show {key}"


def test_keys_of_account_and_claim_are_all_shown():
    from sewer_audit.case.models_claims import AccountTable, ClaimTable, NeighbourTable

    rare = {"source", "columns", "day_first"}
    for model in (AccountTable, ClaimTable, NeighbourTable):
        for key in set(model.model_fields) - rare:
            assert re.search(rf"\b{key}\b", CASE), f"the starter does not show {key}"


def test_headers_hold_the_columns_the_case_names(tmp_path):
    case = tomllib.loads(CASE)
    assert case["effluent"]["columns"]["distance"]["name"] in HEADERS["effluent_log.csv"]
    assert {case["invoices"]["file"], case["intake"][0]["file"]} <= set(HEADERS)
