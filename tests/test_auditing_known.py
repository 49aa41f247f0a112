"""A past quarter as it was known by its end, and what changed since the last review."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from datetime import date
from decimal import Decimal

import pandas as pd
import pytest

from looked_at import looked_at
from sewer_audit import audit, load_case, sample_case
from sewer_audit.auditing.quarterly.quarters import review
from sewer_audit.auditing.quarterly.savings import action_table, saving_table
from sewer_audit.auditing.quarterly.since import changes_since, last_review
from sewer_audit.auditing.reading.known import corrected_since, cut_inputs, left_out
from sewer_audit.charges import Entry, Ledger
from sewer_audit.errors import InputRefused
from sewer_audit.records import read_invoices, read_register

END = "2025-09-30"


@pytest.fixture(scope="module")
def whole():
    return looked_at(draws=400)


def another_future(folder):
    """The sample with everything after 2025Q3 otherwise than it came."""
    source = sample_case().parent
    shutil.copytree(source, folder / "bills", ignore=shutil.ignore_patterns("a*", "b*", "man*"))
    (folder / "sample_logs").mkdir()
    log = (source.parent / "sample_logs" / "effluent_log.csv").read_text().splitlines()
    kept = [log[0], *(line for line in log[1:] if line[:10] <= "2025-11-20")]
    changed = [
        re.sub(r",5\.", ",4.9", line) if line[:10] > END and line[0] == "2" else line
        for line in kept
    ]
    (folder / "sample_logs" / "effluent_log.csv").write_text("\n".join(changed) + "\n")
    bills = folder / "bills"
    rows = (bills / "invoices.csv").read_text().splitlines()
    rows = [row for row in rows if not row.startswith(("K2512", "K26"))]
    rows = [row.replace("actual", "estimated") if row[:5] in ("K2510",) else row for row in rows]
    (bills / "invoices.csv").write_text("\n".join(rows) + "\n")
    case = (bills / "case.toml").read_text()
    case = re.sub(r'(time = "2025-11-18 10:30"\nhand = )"4.00 in"', r'\1"4.30 in"', case)
    (bills / "case.toml").write_text(case)
    rates = (bills / "rates.toml").read_text().replace("2026-01-01", "2025-12-01")
    (bills / "rates.toml").write_text(rates)
    return bills


def test_a_past_quarter_is_the_same_whatever_came_after_it(whole, tmp_path):
    other = audit(load_case(another_future(tmp_path)), draws=400, seed=1)
    one, two = (review(each, "2025Q3") for each in (whole, other))
    assert len(whole.invoices) != len(other.invoices)
    pd.testing.assert_frame_equal(one.table, two.table)
    pd.testing.assert_frame_equal(one.savings, two.savings)
    pd.testing.assert_frame_equal(one.news, two.news)
    assert one.audit.ledger == two.audit.ledger
    assert one.notes[0].startswith(f"Reviewed as it was known by {END}")
    assert "invoice: 6" in one.notes[0] and "edition of the schedule: 1" in one.notes[0]
    late = {str(name) for name in whole.invoices["invoice"].iloc[6:]}
    assert not late & set(re.findall(r"K\d+", json.dumps(one.findings())))


def test_hindsight_is_used_where_it_is_asked_for_and_said(whole):
    known, later = review(whole, "2025Q3"), review(whole, "2025Q3", hindsight=True)
    assert later.audit is whole and later.hindsight and not known.hindsight
    assert later.row["effluent_mean"] != known.row["effluent_mean"]
    assert later.row["billed_m3"] == known.row["billed_m3"]
    assert later.notes[0].startswith("Reviewed with hindsight")
    last = review(whole, "2026Q1")
    assert last.audit is whole and not any("known by" in note for note in last.notes)


def test_a_record_that_begins_after_the_quarter_is_not_missed(tmp_path):
    bills = another_future(tmp_path)
    log = tmp_path / "sample_logs" / "effluent_log.csv"
    lines = log.read_text().splitlines()
    log.write_text("\n".join([lines[0], *(x for x in lines[1:] if x[:10] > "2025-08-10")]) + "\n")
    case = bills / "case.toml"
    text = case.read_text().replace("[effluent]\n", "[effluent]\nallow_missing_periods = true\n")
    case.write_text(
        re.sub(r'(?s)\[\[effluent\.visit\]\]\ntime = "2025-0[3-7].*?(?=\n\[)', "", text)
    )
    found = review(audit(load_case(bills), draws=300, seed=1), "2025Q2")
    assert found.audit.evidence.series is None
    assert found.row["balance_mean"] > 0 and pd.isna(found.row["effluent_mean"])


def test_a_volume_that_needs_a_later_read_is_not_known_yet(tmp_path):
    """The meter was read before and after the end of the quarter only: no balance by then."""
    bills = another_future(tmp_path)
    file = bills / "main_meter.csv"
    rows = file.read_text().splitlines()
    kept = [row for row in rows if not "2025-08-25" <= row[:10] <= "2025-10-02"]
    assert len(kept) < len(rows)
    file.write_text("\n".join(kept) + "\n")
    result = audit(load_case(bills), draws=300, seed=1)
    known, later = (review(result, "2025Q3", hindsight=each) for each in (False, True))
    assert pd.isna(known.row["balance_mean"]) and later.row["balance_mean"] > 0
    alone = known.audit.invoices.set_index("invoice")["balance_mean"]
    assert pd.isna(alone["K2509"]) and alone["K2508"] > 0


def test_what_cannot_be_audited_as_known_is_refused_with_the_way_out(whole, monkeypatch):
    import sewer_audit.auditing as room
    from sewer_audit.errors import Problem

    def refuse(*_, **__):
        raise InputRefused(Problem("meter.csv", "too short", "Add reads"))

    monkeypatch.setattr(room, "audit", refuse)
    with pytest.raises(InputRefused, match=rf"(?s)known by {END}.*hindsight.*too short"):
        review(whole, "2025Q3")


HEAD = "invoice,start,end,previous_read,current_read,read_type,billed_volume,kind,replaces,"
ROWS = f"""{HEAD}bill_date,fixed,total
A1,2025-01-01,2025-02-01,0,100,actual,100,original,,2025-02-05,200.00,200.00
A2,2025-02-01,2025-03-01,100,200,actual,100,original,,2025-03-05,200.00,200.00
A3,2025-03-01,2025-04-01,200,300,actual,100,original,,2025-04-05,300.00,300.00
A3c,2025-03-01,2025-04-01,200,300,actual,100,corrected,A3,2025-06-20,200.00,200.00
C1,2025-01-01,2025-02-01,,,actual,-100,credit,A1,2025-03-20,-200.00,-200.00
"""


def test_a_correction_counts_from_the_day_it_was_billed(tmp_path):
    file = tmp_path / "bills.csv"
    file.write_text(ROWS)

    def read(day=None):
        return read_invoices(file, zone="Europe/Paris", volume_unit="m3", known_by=day)

    in_force = [*read().frame["invoice"]]
    assert in_force == ["A2", "A3c"]
    assert [*read(date(2025, 3, 31)).frame["invoice"]] == ["A2", "A3"]
    assert [*read(date(2025, 3, 19)).frame["invoice"]] == ["A1", "A2", "A3"]
    assert [*read(date(2025, 6, 20)).frame["invoice"]] == in_force

    class Inputs:
        invoices = read()

    assert corrected_since(Inputs, date(2025, 3, 31)) == {"A3": "A3c"}
    assert corrected_since(Inputs, date(2025, 6, 20)) == {}


def test_an_edition_counts_if_it_prices_the_last_day_of_the_quarter(whole):
    """Periods that end at midnight after the quarter have the first day of the next printed."""
    inputs, zone = whole.inputs, whole.case.zone
    until = pd.Timestamp("2026-01-01", tz=zone).tz_convert("UTC")
    assert left_out(whole.case, inputs, until)["edition of the schedule"] == 1
    frame = inputs.invoices.frame.copy()
    frame.loc[8, "end"] = until
    moved = replace(inputs, invoices=replace(inputs.invoices, frame=frame))
    assert "edition of the schedule" not in left_out(whole.case, moved, until)
    assert len(cut_inputs(whole.case, moved, until).schedule.version) == 2
    assert len(cut_inputs(whole.case, inputs, until).schedule.version) == 1


def test_a_read_is_judged_only_by_those_known(tmp_path):
    """A later actual read shows an estimate too high; at the time nothing did."""
    file = tmp_path / "meter.csv"
    rows = ["2025-01-01,100,actual", "2025-02-01,300,estimated", "2025-03-01,250,actual"]
    file.write_text("time,register,read_type\n" + "\n".join(rows) + "\n")
    until = pd.Timestamp("2025-02-15", tz="UTC")
    whole, known = (
        read_register(file, zone="UTC", unit="m3", until=each) for each in (None, until)
    )
    assert list(whole.frame["status"]) == ["measured", "rejected", "measured"]
    assert list(known.frame["status"]) == ["measured", "estimated"]
    assert list(known.frame["volume_m3"]) == [0.0, 200.0]


def test_what_was_corrected_since_is_not_asked_for_again(whole):
    savings = saving_table(whole, range(len(whole.invoices)))
    asked = " ".join(action_table(whole, savings)["action"])
    assert "correction of K2506" in asked and "correction of K2505" in asked
    asked = " ".join(action_table(whole, savings, {"K2506": "K2506c"})["action"])
    assert "correction of K2506" not in asked and "correction of K2505" in asked


def test_exact_is_said_only_where_the_ledger_says_it(whole):
    """An amount without a width is not exact for that: the right volume may be an estimate."""
    places = range(len(whole.invoices))
    before = saving_table(whole, places).set_index("invoices")
    assert before.loc["K2506", "certainty"].startswith("exact")
    entries = [
        replace(each, exactness="within interval") if each.invoice == "K2506" else each
        for each in whole.ledger.entries
    ]
    after = saving_table(replace(whole, ledger=Ledger(tuple(entries))), places)
    after = after.set_index("invoices")
    assert after.loc["K2506", "amount_low"] == after.loc["K2506", "amount_high"]
    assert after.loc["K2506", "certainty"].startswith("within the interval")
    wide = [
        replace(each, low=each.amount - 30_000, high=each.amount + 30_000)
        if each.invoice == "K2506"
        else each
        for each in entries
    ]
    row = saving_table(replace(whole, ledger=Ledger(tuple(wide))), places).set_index("invoices")
    assert pd.isna(row.loc["K2506", "probability"]), "a sign that is open is no certainty"


def entry(invoice, amount, until=None, as_of="2026-04-20", link="total"):
    day = None if until is None else date.fromisoformat(until)
    value = Decimal(amount)
    of = date.fromisoformat(as_of)
    return Entry(invoice, link, "unexplained-line", value, value, value, until=day, as_of=of)


def test_changes_since_the_last_review(whole):
    old = {
        "review": {"quarter": "2025Q4"},
        "ledger": [
            {
                "invoice": name,
                "link": "total",
                "code": "unexplained-line",
                "amount": amount,
                "until": until,
                "as_of": "2026-01-15",
            }
            for name, amount, until in [
                ("same", 5.0, "2026-09-01"),
                ("moved", 5.0, None),
                ("gone", 7.0, None),
                ("lapsed", 9.0, "2026-04-20"),
                ("lapsed long ago", 9.0, "2026-01-15"),
            ]
        ],
    }
    now = [
        entry("same", "5.00", "2026-09-01"),
        entry("moved", "6.00"),
        entry("lapsed", "9.00"),
        entry("lapsed long ago", "9.00"),
        entry("fresh", "3.00", "2026-06-01"),
        entry("same", "1.00", link="sewer"),
    ]
    result = replace(whole, ledger=Ledger(tuple(now)))
    earlier = last_review(json.dumps(old))
    assert last_review(earlier.text()) == earlier, "it travels as a parameter"
    found = changes_since(earlier, result)
    assert {tuple(row) for row in found[["what", "invoice", "link"]].itertuples(index=False)} == {
        ("new", "fresh", "total"),
        ("new", "same", "sewer"),
        ("amount changed", "moved", "total"),
        ("no longer found", "gone", "total"),
        ("deadline passed", "lapsed", "total"),
    }
    moved = found.set_index("invoice").loc["moved"]
    assert (moved["earlier"], moved["now"]) == (5.0, 6.0)
    assert changes_since(None, result).empty


@pytest.mark.parametrize(
    "text", ["{", "{}", '{"quarter": "2025Q4"}', '{"quarter": "a", "ledger": [{"invoice": "x"}]}']
)
def test_what_is_no_review_is_refused(text, tmp_path):
    with pytest.raises(InputRefused, match="folder of a review"):
        last_review(text)
    (tmp_path / "findings.json").write_text(text)
    with pytest.raises(InputRefused, match="folder of a review"):
        last_review(tmp_path)
    with pytest.raises(InputRefused, match="cannot be read"):
        last_review(tmp_path / "nowhere")
