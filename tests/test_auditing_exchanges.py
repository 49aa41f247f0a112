"""A change of the billed meter inside a period: the right amount, and what goes wrong with it.

Invented account, hand figures: the whole intake at 5.00 a kgal. In February the old meter counts
from 91,000 to 91,600, the new one from 250 to 1,050 (counts of 100 gal): 60 + 80 = 140 kgal.
That final or first reads are left out, and that a new multiplier is not entered, is common practice
(no source); a volume across two registers is read in any meter reader's exchange form.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from sewer_audit import audit, load_case
from sewer_audit.errors import InputRefused

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
return_factor = 1.0
[[version.charge]]
name = "volume"
kind = "volume"
volume = "sewer"
rate = 5.00
"""
CASE = """
[case]
title = "Brindlemere Creamery, cheese cellar"
time_zone = "America/Chicago"
basis = "intake"
return_factor = 1.0
[invoices]
file = "invoices.csv"
volume_unit = "kgal"
read_hour = "08:00"
end_day_counts = false
[rates]
file = "rates.toml"
"""
METER = """
[[intake]]
meter = "main"
role = "supply"
file = "meter.csv"
unit = "gal"
multiplier = 100
digits = 5
"""
PRINTED = """
[account.reads]
unit = "gal"
multiplier = 100
digits = 5
"""
STATED = """
[[account.reads.change]]
date = 2026-02-14
final_read = 91600
first_read = 250
"""
HEAD = "invoice,start,end,previous_read,current_read,read_type,billed_volume,volume,total"
PERIODS = {"J": ("2026-01-01", "2026-02-01"), "F": ("2026-02-01", "2026-03-01")}
PERIODS |= {"M": ("2026-03-01", "2026-04-01"), "P": ("2026-04-01", "2026-05-01")}
READS = {"J": (90000, 91000), "F": (91000, 1050), "M": (1050, 2250), "P": (2250, 3250)}
RIGHT = {"J": 100, "F": 140, "M": 120, "P": 100}
REGISTER = """time,register,event,multiplier
2026-01-01 08:00,90000,,100
2026-02-01 08:00,91000,,100
{change}2026-03-01 08:00,1050,,{value}
2026-04-01 08:00,2250,,{value}
2026-05-01 08:00,3250,,{value}
"""
CHANGE = "2026-02-14 10:00,91600,,100\n2026-02-14 10:20,250,change-out,{value}\n"


def audited(
    folder: Path,
    billed: dict[str, float],
    keys: str,
    change: str = CHANGE,
    value: int = 100,
    reads: dict[str, tuple[int, int]] = READS,
    register: str = REGISTER,
):
    rows = [
        f"{name},{','.join(PERIODS[name])},{','.join(map(str, reads[name]))},actual,"
        f"{volume:.1f},{5 * volume:.2f},{5 * volume:.2f}"
        for name, volume in (RIGHT | billed).items()
    ]
    (folder / "invoices.csv").write_text("\n".join([HEAD, *rows, ""]))
    (folder / "rates.toml").write_text(RATES)
    text = register.format(change=change, value=value)
    (folder / "meter.csv").write_text(text.format(value=value))
    (folder / "case.toml").write_text(CASE + keys)
    return audit(load_case(folder / "case.toml"), draws=500, seed=1)


KNOWN = pytest.mark.parametrize("keys", [METER, PRINTED + STATED], ids=["register", "stated"])


@KNOWN
def test_a_right_invoice_across_a_change_is_right(tmp_path, keys):
    result = audited(tmp_path, {}, keys)
    assert result.signatures.empty
    assert list(result.invoices["recomputed_total"]) == [500.0, 700.0, 600.0, 500.0]


@KNOWN
@pytest.mark.parametrize(
    ("volume", "code", "words"),
    [
        (80, "exchange-use-missing", "the use of the old meter up to its removal was left out"),
        (60, "exchange-use-missing", "the use of the new meter was left out"),
        (105, "exchange-use-missing", "the read of the new one billed whole"),
        (165, "exchange-start-read", "the first read of the new meter, 250, was taken as 0"),
        (1005, "exchange-as-one-meter", "as over a rollover"),
        (8995, "exchange-as-one-meter", "new meter was subtracted from that of the old one"),
    ],
)
def test_each_error_at_a_change_is_named(tmp_path, keys, volume, code, words):
    result = audited(tmp_path, {"F": volume}, keys)
    (row,) = result.signatures.itertuples()
    assert (row.code, row.invoices, row.exactness) == (code, ["F"], "exact")
    assert words in row.sentence and not row.look_alikes
    assert (row.corrected_total, row.difference) == (700.0, 5.0 * volume - 700.0)
    assert row.evidence["F"]["first read of the new meter"] in ("250", "250.0")


def test_the_value_of_the_new_meters_counts_is_not_applied(tmp_path):
    """The new meter counts 1000 gal, and is billed as if it still were 100, from then on."""
    ten = {"F": 60 + 80, "M": 120, "P": 100}  # 60 kgal and 800 counts at 100 gal, ...
    result = audited(tmp_path, ten, METER, value=1000)
    (row,) = result.signatures.itertuples()
    assert (row.code, row.invoices) == ("exchange-multiplier", ["F", "M", "P"])
    right = 5 * (60 + 800 + 1200 + 1000)
    assert row.corrected_total == pytest.approx(right)
    assert result.total["recomputed_total"] == pytest.approx(500 + right)


def test_the_same_stated_in_the_case(tmp_path):
    stated = STATED + "multiplier = 1000\n"
    result = audited(tmp_path, {}, PRINTED + stated)
    (row,) = result.signatures.itertuples()
    assert (row.code, row.invoices) == ("exchange-multiplier", ["F", "M", "P"])


def test_a_factor_after_a_change_at_a_read_has_a_look_alike(tmp_path):
    """Where the meter was changed with the read of an invoice nothing else tells the two apart."""
    stated = STATED.replace("2026-02-14", "2026-03-01").replace("91600", "1050")
    stated = stated.replace("250", "1050") + "multiplier = 1000\n"
    result = audited(tmp_path, {"F": 1005}, PRINTED + stated)
    row = next(r for r in result.signatures.itertuples() if "M" in r.invoices)
    assert row.code == "exchange-multiplier" and "register-multiplier" in row.look_alikes
    assert "multipliers of both meters" in row.evidence_needed


def test_reads_days_apart_tell_no_volume_and_accuse_nobody(tmp_path):
    """Nobody read the old meter on the day it went: what passed in between is in no read."""
    change = "2026-02-11 08:00,91450,,100\n2026-02-14 10:20,250,change-out,100\n"
    result = audited(tmp_path, {}, METER, change=change)
    assert result.signatures.empty
    february = result.pricing.lines.query("invoice == 'F' and line == 'total'").iloc[0]
    assert february["by_the_rules"] is None  # checked on the volume as printed
    assert any("no volume is counted for the 3.1 days" in f.message for f in result.flags)


def test_a_change_nobody_stated_is_not_taken_for_a_rollover(tmp_path):
    result = audited(tmp_path, {}, PRINTED)
    assert result.signatures.empty
    (flag,) = [f for f in result.flags if f.code == "reads go backwards"]
    assert "change of meter" in flag.message


def test_a_change_at_the_read_itself_belongs_to_both_invoices(tmp_path):
    """The old meter's last read ends one invoice, the new one's first read begins the next."""
    reads = {"J": (90000, 91000), "F": (91000, 92400), "M": (250, 1450), "P": (1450, 2450)}
    register = REGISTER.split("{change}")[0] + (
        "2026-03-01 08:00,92400,,100\n2026-03-01 08:00,250,change-out,100\n"
        "2026-04-01 08:00,1450,,100\n2026-05-01 08:00,2450,,100\n"
    )
    stated = STATED.replace("2026-02-14", "2026-03-01").replace("91600", "92400")
    for keys in (METER, PRINTED + stated):
        result = audited(tmp_path, {}, keys, reads=reads, register=register)
        assert result.signatures.empty
        assert list(result.invoices["recomputed_total"]) == [500.0, 700.0, 600.0, 500.0]


def test_a_change_is_stated_in_full(tmp_path):
    with pytest.raises(InputRefused, match="first_read"):
        audited(tmp_path, {}, PRINTED + STATED.replace("first_read = 250\n", ""))


TOGETHER = METER.replace('role = "supply"', 'role = "supply"\nread_within = "0 min"')
SECOND = """
[[intake]]
read_within = "0 min"
meter = "bottle wash"
role = "supply"
file = "second.csv"
unit = "gal"
multiplier = 100
digits = 5
"""
SECOND_READS = """time,register
2026-01-01 08:00,70100
2026-02-01 08:00,70410
2026-03-01 08:00,70837
2026-04-01 08:00,71190
2026-05-01 08:00,71461
"""
BOTH = {"J": 131, "F": 182.7, "M": 155.3, "P": 127.1}  # RIGHT and 31, 42.7, 35.3, 27.1 kgal
BLANK = dict.fromkeys(READS, ("", ""))


@pytest.mark.parametrize(
    ("keys", "reads"),
    [(TOGETHER + SECOND, BLANK), (TOGETHER + SECOND + '[account]\nread_of = "main"\n', READS)],
    ids=["no reads printed", "reads of one meter printed"],
)
@pytest.mark.parametrize(
    ("volume", "code", "words"),
    [
        (182.7, "", ""),
        (140, "meter-missing", "the volume of bottle wash was left out"),
        (42.7, "meter-missing", "the volume of main was left out"),
        (225.4, "counted-twice", "the volume of bottle wash was counted twice"),
        (122.7, "exchange-use-missing", "up to its removal was left out (main)"),
        (207.7, "exchange-start-read", "the new meter, 250, was taken as 0 (main)"),
    ],
)
def test_an_error_of_one_of_two_meters_billed_together(tmp_path, keys, reads, volume, code, words):
    """By hand: 140 kgal of the changed meter, 42.7 kgal of the other, billed as one volume."""
    (tmp_path / "second.csv").write_text(SECOND_READS)
    result = audited(tmp_path, {**BOTH, "F": volume}, keys, reads=reads)
    if not code:
        assert result.signatures.empty
        return
    (row,) = result.signatures.itertuples()
    assert (row.code, row.invoices, row.exactness) == (code, ["F"], "exact")
    assert words in row.sentence and not row.look_alikes
    assert row.corrected_total == 5 * 182.7
    assert row.evidence["F"]["first read of the new meter (main)"] == "250"


def test_a_misread_of_one_of_two_meters_leaves_the_other_as_it_is(tmp_path):
    """By hand: 2350 read for 2250, so 130 kgal for 120, and 35.3 kgal of the other meter."""
    (tmp_path / "second.csv").write_text(SECOND_READS)
    keys = TOGETHER + SECOND + '[account]\nread_of = "main"\n'
    reads = READS | {"M": (1050, 2350)}
    result = audited(tmp_path, {**BOTH, "M": 165.3}, keys, reads=reads)
    (row,) = result.signatures.itertuples()
    assert (row.code, row.invoices, row.exactness) == ("misread", ["M"], "exact")
    assert row.difference == pytest.approx(50) and "2250 was taken as 2350" in row.sentence


@pytest.mark.parametrize("unit", ["cf", "ft3", "ft**3", "ft\u00b3", "cubic foot"])
def test_half_a_unit_is_rounded_as_ruled_however_the_unit_is_spelled(tmp_path, unit):
    """By hand: 95 % of 1010, 1030 and 1050 counts of a hundred cubic feet end in .5, rounded up."""
    rates = RATES.replace('unit = "kgal"', 'unit = "CCF"\nrounding = { to = 1, rule = "half up" }')
    (tmp_path / "rates.toml").write_text(
        rates.replace("return_factor = 1.0", "return_factor = 0.95")
    )
    case = CASE.replace('"kgal"', '"CCF"').replace("return_factor = 1.0", "return_factor = 0.95")
    keys = METER.replace('unit = "gal"', f'unit = "{unit}"')
    (tmp_path / "case.toml").write_text(case + keys)
    (tmp_path / "meter.csv").write_text(
        "time,register\n2026-01-01 08:00,1000\n2026-02-01 08:00,2010\n"
        "2026-03-01 08:00,3040\n2026-04-01 08:00,4090\n"
    )
    rows = [
        f"{n},{','.join(PERIODS[n])},,,actual,{v},{5 * v}.00,{5 * v}.00"
        for n, v in (("J", 960), ("F", 979), ("M", 998))
    ]
    (tmp_path / "invoices.csv").write_text("\n".join([HEAD, *rows, ""]))
    result = audit(load_case(tmp_path / "case.toml"), draws=300, seed=1)
    assert result.signatures.empty and list(result.claim["by_the_rules"]) == [0, 0, 0]


AGAIN = """
[[account.reads.change]]
date = 2026-02-20
final_read = 500
first_read = 900
"""


def test_two_changes_in_one_period_count_all_three_meters(tmp_path):
    """By hand: 91,000 to 91,600, 250 to 500 and 900 to 1,050 are 60 + 25 + 15 = 100 kgal."""
    result = audited(tmp_path, {"F": 100}, PRINTED + STATED + AGAIN)
    assert list(result.invoices["recomputed_total"]) == [500.0, 500.0, 600.0, 500.0]
    assert result.signatures.empty


UNREAD_FIRST = """time,register,event,multiplier
2026-01-01 08:00,90000,,100
2026-01-20 08:00,90600,,100
2026-01-22 08:00,10,change-out,1000
2026-02-01 08:00,60,,1000
2026-02-14 10:00,120,,1000
2026-02-14 10:20,250,change-out,1000
2026-03-01 08:00,330,,1000
2026-04-01 08:00,450,,1000
2026-05-01 08:00,550,,1000
"""


def test_a_value_of_a_count_that_changed_with_an_unread_change_is_kept(tmp_path):
    """In February 60 and 80 counts of 1000 gal; the 60 of the old meter are left out."""
    reads = {"J": (90000, 60), "F": (60, 330), "M": (330, 450), "P": (450, 550)}
    result = audited(tmp_path, {"F": 80}, METER, register=UNREAD_FIRST, reads=reads)
    (row,) = result.signatures.itertuples()
    assert (row.code, row.invoices) == ("exchange-use-missing", ["F"])
    assert row.corrected_total == 700.0
