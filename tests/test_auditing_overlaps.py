"""Invoices that bill the same days: every day counts once, and all sums are those of hand figures.

The account is invented, its right amounts are worked out here by hand: 90 % of the intake, 4.00 a
kgal up to 100 kgal of an invoice and 6.00 above, 1.50 for every day.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from sewer_audit import audit, load_case, sample_case
from sewer_audit.auditing.quarterly.quarters import review
from sewer_audit.errors import InputRefused
from sewer_audit.report.evidence.invoice_words import shared_days, summary
from sewer_audit.report.evidence.letter import cover_letter
from sewer_audit.report.evidence.verdict import conclusions
from sewer_audit.report.frames import invoice_overview

RATES = """
[schedule]
name = "invented tariff of Kesselwick"
currency = "USD"
source = "invented"
rate_change = "by start"
end_day_counts = false
line_rounding = { to = 0.01, rule = "half up" }
total_rounding = { to = 0.01, rule = "half up" }
[[version]]
effective = 2020-01-01
name = "2020"
[[version.volume]]
name = "sewer"
unit = "kgal"
basis = "intake"
return_factor = 0.9
[[version.charge]]
name = "fixed"
kind = "fixed"
amount = 1.50
per = "day"
[[version.charge]]
name = "volume"
kind = "volume"
volume = "sewer"
blocks = [ { to = 100, rate = 4.00 }, { rate = 6.00 } ]
"""
CASE = """
[case]
title = "Brindlemere Creamery, wash house"
time_zone = "America/Chicago"
basis = "intake"
return_factor = 0.9
[display]
volume = "kgal"
[invoices]
file = "invoices.csv"
volume_unit = "kgal"
read_hour = "08:00"
end_day_counts = false
{key}
[rates]
file = "rates.toml"
[rule]
tolerance = "5 %"
coverage = 0.95
look_back = "24 months"
decided_on = 2026-06-01
{more}
"""
METER = """
[[intake]]
meter = "main"
role = "supply"
file = "meter.csv"
unit = "gal"
multiplier = 100
digits = 6
error = { expanded = "2 %", coverage_factor = 2, shape = "normal", source = "invented" }
"""
READS = """time,register
2026-01-01 08:00,1000
2026-01-26 08:00,1800
2026-01-31 08:00,2000
2026-02-25 08:00,3000
2026-03-02 08:00,3200
2026-04-01 08:00,4200
2026-05-01 08:00,5200
"""
HEAD = "invoice,start,end,previous_read,current_read,read_type,billed_volume,fixed,volume,total"
# 1000 counts of 100 gal are 100 kgal, 90 of them charged: 360.00 and 30 days: 45.00
A = "A,2026-01-01,2026-01-31,1000,2000,actual,90.0,45.00,360.00,405.00"
# 120 kgal, 108 charged: 400.00 + 8 x 6.00, and 30 days
B = "B,2026-01-31,2026-03-02,2000,3200,actual,108.0,45.00,448.00,493.00"
C = "C,2026-03-02,2026-04-01,3200,4200,actual,90.0,45.00,360.00,405.00"
AGAIN = B.replace("B,", "B2,", 1)
# 35 days from 26 January: 140 kgal, 126 charged: 400.00 + 26 x 6.00, and 52.50
EARLY = "B,2026-01-26,2026-03-02,1800,3200,actual,126.0,52.50,556.00,608.50"
# 35 days from 25 February: 120 kgal, 108 charged
C_EARLY = "C,2026-02-25,2026-04-01,3000,4200,actual,108.0,52.50,448.00,500.50"
RIGHT = {"A": 405.00, "B": 493.00, "C": 405.00}
KGAL = 3.785411784
EXAMINE = 'overlapping_days = "examine"'


def case_of(folder: Path, *invoices: str, key: str = EXAMINE, more: str = METER) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "invoices.csv").write_text("\n".join([HEAD, *invoices, ""]))
    (folder / "rates.toml").write_text(RATES)
    (folder / "meter.csv").write_text(READS)
    (folder / "case.toml").write_text(CASE.format(key=key, more=more))
    return folder / "case.toml"


def audited(folder: Path, *invoices: str, **how):
    return audit(load_case(case_of(folder, *invoices, **how)), draws=2000, seed=1)


def right_totals(result) -> dict[str, float]:
    return dict(zip(result.invoices["invoice"], result.invoices["recomputed_total"], strict=True))


def signature(result, code: str):
    rows = result.signatures[result.signatures["code"] == code]
    assert len(rows) == 1
    return rows.iloc[0]


def test_overlaps_are_refused_unless_the_case_says_otherwise(tmp_path):
    with pytest.raises(InputRefused) as caught:
        audited(tmp_path, A, B, AGAIN, C, key="")
    text = str(caught.value)
    assert "the two overlap" in text and "line 4" in text and "of line 3" in text
    assert "overlapping_days = 'examine' under [invoices]" in text
    with pytest.raises(InputRefused, match="overlapping_days"):
        load_case(case_of(tmp_path / "typo", A, B, key='overlapping_days = "allow"'))


@pytest.mark.parametrize("more", [METER, ""], ids=["reads of the site", "invoices alone"])
def test_nothing_is_due_on_an_exact_duplicate(tmp_path, more):
    result = audited(tmp_path, A, B, AGAIN, C, more=more)
    assert right_totals(result) == {**RIGHT, "B2": 0.0}
    assert result.total["invoiced_total"] == pytest.approx(405 + 493 + 493 + 405)
    assert result.total["recomputed_total"] == pytest.approx(405 + 493 + 405)
    assert result.total["billed_m3"] == pytest.approx((90 + 108 + 108 + 90) * KGAL)
    found = signature(result, "duplicate-period")
    assert found["invoices"] == ["B2"] and found["exactness"] == "exact"
    assert (found["invoiced_total"], found["corrected_total"]) == (493.0, 0.0)
    assert len(result.signatures) == 1
    claim = result.claim.set_index("invoice")
    assert claim.loc["B2", "by_the_rules"] == 493.0 and claim.loc["B2", "exact"]
    assert claim.attrs["sums"]["net"] == 493.0
    lines = result.pricing.lines
    again = lines[lines["invoice"] == "B2"].set_index("line")
    assert [float(v) for v in again["by_the_rules"]] == [0.0, 0.0, 0.0]
    # as it is printed its arithmetic is right: nothing but the repetition is wrong with it
    assert float(again.loc["total", "on_stated_volume"]) == 493.0


def test_which_of_two_bills_is_the_second_is_told_by_numbers_or_not_at_all(tmp_path):
    """The order of rows in the file says nothing: B2 stands before B, then before an odd number."""
    told = signature(audited(tmp_path / "told", A, AGAIN, B, C), "duplicate-period")
    assert told["invoices"] == ["B2"] and told["evidence"]["B2"].get("which is the second") is None
    odd = AGAIN.replace("B2", "Z7")
    result = audited(tmp_path / "open", A, odd, B, C)
    told = signature(result, "duplicate-period")
    assert told["evidence"][told["invoices"][0]]["which is the second"] == "not told"
    assert "which of them, neither bill dates nor numbers tell" in told["sentence"]
    assert "Z7" in told["sentence"] and " B " in told["sentence"]
    assert any("which of the two is once too many" in text for text in shared_days(result))
    assert result.claim.attrs["sums"]["net"] == 493.0
    assert "neither bill dates nor numbers tell" in str(cover_letter(result))


@pytest.mark.parametrize("first", ["B", "Z7"])
def test_which_of_two_bills_is_the_second_is_told_by_their_dates(tmp_path, first):
    def dated(row: str) -> str:
        day = "2026-03-05" if row.startswith((first, "A", "C")) else "2026-03-19"
        return f"{row},{day}"

    rows = [dated(row) for row in (A, AGAIN.replace("B2", "Z7"), B, C)]
    file = case_of(tmp_path, *rows)
    text = (tmp_path / "invoices.csv").read_text().replace("total\n", "total,bill_date\n", 1)
    (tmp_path / "invoices.csv").write_text(text)
    told = signature(audit(load_case(file), draws=400, seed=1), "duplicate-period")
    assert told["invoices"] == [{"B": "Z7", "Z7": "B"}[first]]
    assert "once more" in told["sentence"]


def test_the_volumes_count_each_day_once(tmp_path):
    plain = audited(tmp_path / "plain", A, B, C, key="")
    again = audited(tmp_path / "again", A, B, AGAIN, C)
    for name in ("balance_mean", "basis_mean", "audited_mean", "rules_m3"):
        assert again.total[name] == pytest.approx(plain.total[name], rel=2e-3)
    row = again.invoices.set_index("invoice").loc["B2"]
    assert row["audited_mean"] == row["audited_low"] == row["audited_high"] == 0.0
    assert row["amount_in_question_mean"] == 493.0
    assert row["finding"] == "billed volume too high" and row["probability_overbilled"] == 1.0
    assert row["shares_with"] == "B" and row["own_start"] == row["end"]


@pytest.mark.parametrize(
    ("more", "exactness"),
    [
        (METER, "exact"),
        ('[account.reads]\nunit = "gal"\nmultiplier = 100\ndigits = 6', "exact"),
        ("", "exact"),
    ],
    ids=["reads of the site", "printed reads", "printed reads of no stated unit"],
)
def test_five_days_billed_twice(tmp_path, more, exactness):
    result = audited(tmp_path, A, EARLY, C, more=more)
    assert right_totals(result) == RIGHT
    found = signature(result, "overlapping-period")
    assert found["invoices"] == ["B"] and found["exactness"] == exactness
    assert (found["invoiced_total"], found["corrected_total"]) == (608.5, 493.0)
    assert "5 days that A holds already" in found["sentence"]
    assert len(result.signatures) == 1
    assert result.claim.attrs["sums"]["net"] == pytest.approx(115.50)
    (flag,) = [f for f in result.flags if f.code == "overlapping invoices"]
    assert flag.data == {"invoice": "B", "shares_with": "A", "days": 5.0, "own_days": 30.0}


def test_without_any_read_the_days_decide_and_it_says_so(tmp_path):
    def unread(row):
        cells = row.split(",")
        return ",".join([*cells[:3], "", "", *cells[5:]])

    result = audited(tmp_path, *map(unread, (A, EARLY, C)), more="")
    assert right_totals(result) == RIGHT  # 126 kgal x 30 / 35 are 108
    assert signature(result, "overlapping-period")["exactness"] == "within interval"
    assert not result.claim.set_index("invoice").loc["B", "exact"]


def test_three_ways(tmp_path):
    """A part of B is on A, a part of C on B, and B once more."""
    result = audited(tmp_path, A, EARLY, EARLY.replace("B,", "B2,", 1), C_EARLY)
    assert right_totals(result) == {**RIGHT, "B2": 0.0}
    assert result.total["recomputed_total"] == pytest.approx(1303.00)
    assert result.claim.attrs["sums"]["net"] == pytest.approx(115.50 + 608.50 + 95.50)
    codes = {row.code: row.invoices for row in result.signatures.itertuples()}
    assert codes["duplicate-period"] == ["B2"]
    overlaps = result.signatures[result.signatures["code"] == "overlapping-period"]
    assert sorted(name for each in overlaps["invoices"] for name in each) == ["B", "C"]
    assert result.total["rules_m3"] == pytest.approx((90 + 108 + 90) * KGAL)


PRINTED_READS = '[account.reads]\nunit = "gal"\nmultiplier = 100\ndigits = 6\n'


@pytest.mark.parametrize("wrong", ["A", "C"])
def test_an_invoice_beside_a_shared_one_is_not_said_to_be_of_another_meter(tmp_path, wrong):
    """Its reads connect with those of the overlapping invoice, or with none that is printed."""
    rows = {"A": A, "B": EARLY, "C": C}
    rows[wrong] = rows[wrong].replace("90.0,45.00,360.00,405.00", "71.3,45.00,285.20,330.20")
    result = audited(tmp_path, *rows.values(), more=PRINTED_READS)
    codes = {name: row.code for row in result.signatures.itertuples() for name in row.invoices}
    assert codes == {"B": "overlapping-period", wrong: "unexplained-volume"}
    assert right_totals(result) == RIGHT


def test_days_on_three_invoices_count_for_the_earliest(tmp_path):
    second = "B,2026-01-20,2026-02-10,,,actual,63.0,31.50,252.00,283.50"
    third = "C,2026-01-26,2026-03-02,1800,3200,actual,126.0,52.50,556.00,608.50"
    result = audited(tmp_path, A, second, third)
    told = [f.message for f in result.flags if f.code == "overlapping invoices"]
    assert "for A; its own are the 10 days" in told[0]
    assert "for the earliest that holds them, A or B; its own are the 20 days" in told[1]


def test_an_invoice_inside_an_earlier_one_has_no_days(tmp_path):
    whole = "W,2026-01-31,2026-04-01,2000,4200,actual,198.0,90.00,988.00,1078.00"
    inside = "V,2026-03-02,2026-04-01,3200,4200,actual,90.0,45.00,360.00,405.00"
    after = "D,2026-04-01,2026-05-01,4200,5200,actual,90.0,45.00,360.00,405.00"
    result = audited(tmp_path, A, whole, inside, after)
    assert right_totals(result) == {"A": 405.0, "W": 1078.0, "V": 0.0, "D": 405.0}
    assert not [
        f for f in result.flags if f.code in ("gap between invoices", "reads do not connect")
    ]


SUB_METER = """
[[further_measurement]]
name = "wash line"
file = "wash.csv"
unit = "gal"
multiplier = 100
digits = 6
error = { expanded = "2 %", coverage_factor = 2, shape = "normal", source = "invented" }
[[further_balance]]
name = "line"
into = ["main"]
out = ["wash line"]
"""


def test_further_balances_are_tested_without_the_copy(tmp_path):
    found = []
    for rows in ((A, B, C), (A, B, AGAIN, C)):
        folder = tmp_path / str(len(rows))
        folder.mkdir()
        counts = [line.split(",") for line in READS.splitlines()[1:]]
        wash = [f"{time},{int(count) - 500}" for time, count in counts]
        (folder / "wash.csv").write_text("\n".join(["time,register", *wash]) + "\n")
        found.append(audited(folder, *rows, more=METER + SUB_METER))
    plain, again = found
    assert again.evidence.network.agree
    assert np.isfinite(again.evidence.network.invoice_z).sum() == 3
    assert not [f for f in again.flags if f.code == "further-balances-left-out"]
    assert again.total["balance_mean"] == pytest.approx(plain.total["balance_mean"], rel=2e-3)


RULER = """
[effluent]
file = "hand.csv"
form = "hand readings"
method = "parshall flume"
throat = "3 in"
columns = { time = "time", head = { name = "head", unit = "in" } }
"""


def test_readings_by_hand_count_each_day_once(tmp_path):
    days = [
        (month, day) for month, last in ((1, 31), (2, 28), (3, 31)) for day in range(1, last + 1)
    ]
    rows = [
        f"2026-{month:02d}-{day:02d} {(7 * day) % 24:02d}:10,{2 + day % 4 * 0.2:.1f}"
        for month, day in days
    ]
    hand = "\n".join(["time,head", *rows]) + "\n"
    totals = []
    for rows in ((A, B, C), (A, B, AGAIN, C)):
        folder = tmp_path / str(len(rows))
        folder.mkdir()
        (folder / "hand.csv").write_text(hand)
        result = audited(folder, *rows, more=RULER)
        totals.append(result.total["effluent_mean"])
    assert totals[1] == pytest.approx(totals[0], rel=5e-3)
    assert result.invoices.set_index("invoice").loc["B2", "effluent_high"] == 0.0


def test_a_clean_case_is_the_same_with_the_key(tmp_path):
    found = [
        audited(tmp_path / name, A, B, C, key=key).findings()
        for name, key in (("without", ""), ("with", EXAMINE))
    ]
    for each in found:
        each.pop("inputs")  # the case file itself differs
    assert json.dumps(found[0]) == json.dumps(found[1])


def test_reads_at_one_instant_or_a_counted_end_day_are_no_overlap(tmp_path):
    """An end date that counts ends at midnight after it, where the next period begins."""
    for end_counts, first_end, next_start in ((False, "31", "31"), (True, "30", "31")):
        rows = [
            A.replace("01-31,", f"01-{first_end},", 1),
            B.replace("01-31,", f"01-{next_start},"),
        ]
        case = case_of(tmp_path / first_end, *rows, key="", more="")
        if end_counts:
            text = case.read_text().replace("end_day_counts = false", "end_day_counts = true")
            case.write_text(text.replace('read_hour = "08:00"', ""))
        result = audit(load_case(case), draws=500, seed=1)
        assert not [f for f in result.flags if f.code == "overlapping invoices"]


@pytest.mark.parametrize("more", [METER, ""], ids=["reads of the site", "printed reads"])
@pytest.mark.parametrize("read", ["2000", "1800"])
def test_dates_that_overlap_with_a_volume_that_does_not_are_said_to_be_dates(tmp_path, more, read):
    """Volume and days charged are those from 31 January on; the date is not, or date and read."""
    dated = B.replace("2026-01-31", "2026-01-26", 1).replace(",2000,", f",{read},")
    result = audited(tmp_path, A, dated, C, more=more)
    assert right_totals(result) == RIGHT and result.claim.attrs["sums"]["net"] == 0.0
    found = signature(result, "overlapping-period")
    assert len(result.signatures) == 1
    assert "by its dates only" in found["sentence"] and found["difference"] == 0.0


def test_the_report_says_it_in_words(tmp_path):
    result = audited(tmp_path, A, B, AGAIN, C)
    said = "B2 covers 30 days that B holds already; none is left for it, and nothing is due on it"
    assert shared_days(result) == [said]
    for text in (conclusions(result).plain, cover_letter(result).plain, summary(result).plain):
        assert said in " ".join(text.replace("\n", " ").split())
    overview = invoice_overview(result).set_index("invoice")
    assert overview.loc["B2", "interval [kgal]"] == "no days of its own"
    letter = cover_letter(result).plain
    assert "B2: " in letter and "Too high by USD 493.00" in letter


def test_an_estimate_of_the_bills_is_ranked_without_the_repeated_days(tmp_path):
    result = audited(tmp_path, A, B, AGAIN, C)
    assert result.explanations.attrs["set_aside"] == ["B2"]


@pytest.fixture(scope="module")
def creamery(tmp_path_factory):
    """The sample with one invoice twice, and as it is."""
    import shutil

    folder = tmp_path_factory.mktemp("twice") / "sample_bills"
    source = Path(sample_case()).parent
    shutil.copytree(source, folder)
    shutil.copytree(source.parent / "sample_logs", folder.parent / "sample_logs")
    case = folder / "case.toml"
    text = case.read_text()
    case.write_text(text.replace("[invoices]", f"[invoices]\n{EXAMINE}", 1))
    rows = (folder / "invoices.csv").read_text().splitlines()
    rows.append(rows[-1].replace("K2603,", "K2603 again,"))
    (folder / "invoices.csv").write_text("\n".join(rows) + "\n")
    return audit(load_case(sample_case()), 4000, 1), audit(load_case(case), 4000, 1)


def test_the_record_of_the_effluent_counts_each_day_once(creamery):
    plain, again = creamery
    for name in ("effluent_mean", "balance_mean", "audited_mean", "basis_mean"):
        assert again.total[name] == pytest.approx(plain.total[name], rel=1e-3)
    assert again.total["recomputed_total"] == plain.total["recomputed_total"]
    extra = again.total["invoiced_total"] - plain.total["invoiced_total"]
    assert again.claim.attrs["sums"]["net"] - plain.claim.attrs["sums"]["net"] == pytest.approx(
        extra
    )
    quality = again.evidence.effluent.quality
    assert quality["measured_s"].sum() == pytest.approx(
        plain.evidence.effluent.quality["measured_s"].sum()
    )
    assert again.evidence.reconciliation.dof == plain.evidence.reconciliation.dof
    assert again.basis["share_mean"] == pytest.approx(plain.basis["share_mean"], rel=1e-3)


def test_the_review_counts_each_day_once_and_forecasts_no_copy(creamery):
    plain, again = (review(each) for each in creamery)
    assert again.row["days"] == plain.row["days"]
    assert again.row["invoices"] == plain.row["invoices"] + 1
    for name in ("discharge_m3", "cost_charged"):
        assert again.forecast[name]["middle"] == pytest.approx(
            plain.forecast[name]["middle"], rel=0.01
        )
    ratios = again.ratios.set_index("invoice")["ratio_mean"]
    assert np.isnan(ratios["K2603 again"])
