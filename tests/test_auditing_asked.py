"""What a bill carries over, and rules a schedule leaves open, are asked and accuse nobody.

Invented figures throughout.
"""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal

import pytest

from sewer_audit import audit, load_case
from sewer_audit.auditing.inspecting import inspect_file
from sewer_audit.drafting.bills import meanings
from sewer_audit.errors import InputRefused
from sewer_audit.records.bills.carried import carried_role, carried_words
from sewer_audit.report.evidence.letter import cover_letter
from sewer_audit.report.evidence.verdict import amount_alone, headline
from sewer_audit.wording import Words

CASE = """[case]
title = "asked"
time_zone = "America/Denver"
basis = "intake"
[display]
money = "USD"
volume = "kgal"
[invoices]
file = "invoices.csv"
volume_unit = "kgal"
end_day_counts = false
{more}
[rates]
file = "rates.toml"
{account}
"""
RATES = """[schedule]
name = "Invented"
currency = "USD"
source = "invented"
rate_change = "by end"
end_day_counts = false
line_rounding = {{ to = 0.01, rule = "half up" }}
total_rounding = {{ to = 0.01, rule = "half up" }}
[[version]]
effective = 2021-01-01
[[version.volume]]
name = "sewer"
unit = "kgal"
{volume}
[[version.charge]]
name = "use"
kind = "volume"
rate = 4.00
"""
WINTER = """[account]
earlier_use = "earlier.csv"
[account.reads]
unit = "kgal"
multiplier = 1
digits = 5
"""


def case_of(folder, bills, *, more="", account="", volume='basis = "intake"', **files):
    (folder / "case.toml").write_text(CASE.format(more=more, account=account))
    (folder / "rates.toml").write_text(RATES.format(volume=volume))
    (folder / "invoices.csv").write_text(bills, encoding="utf-8")
    for name, text in files.items():
        (folder / f"{name}.csv").write_text(text)
    return folder


def of(folder):
    return audit(load_case(folder), draws=200, seed=1)


def claimed(result) -> list[float]:
    return result.claim["by_the_rules"].round(2).tolist()


def codes(flags) -> list[str]:
    return [flag.code for flag in flags]


def carried(head: str, *amounts: str) -> str:
    """Bills of 22, 18 and 25 kgal at 4.00, with a further column that the total holds."""
    rows = [f"invoice,start,end,billed_volume,use,{head},total"]
    for month, (volume, amount) in enumerate(zip((22, 18, 25), amounts, strict=True), start=3):
        total = 4 * Decimal(volume) + Decimal(amount)
        days = f"{date(2025, month, 1)},{date(2025, month + 1, 1)}"
        rows.append(f"H{month},{days},{volume},{4 * volume}.00,{amount},{total}")
    return "\n".join(rows) + "\n"


@pytest.mark.parametrize(
    "head",
    ["Arrears", "Bal. Fwd", "amount past due", "Unpaid from bill H2", "Balance due from 02/14/2025",
     "Carried forward", "Total outstanding", "Übertrag", "Saldo anterior", "Payments received 3/9",
     "Less: payments", "Credits applied"],
)  # fmt: skip
def test_what_is_carried_over_is_known_by_many_names(tmp_path, head):
    sign = "-" if carried_role(head) != "previous_balance" else ""
    folder = case_of(tmp_path, carried(head, f"{sign}61.40", "0.00", f"{sign}17.00"))
    result = of(folder)
    assert claimed(result) == [0, 0, 0] and result.signatures.empty
    assert "carried by its name" in codes(inspect_file(folder).flags)


@pytest.mark.parametrize(
    "head", ["Past due fee", "Arrears interest", "Late payment penalty", "Balance adjustment levy"]
)
def test_a_charge_whose_name_holds_such_a_word_stays_a_charge(tmp_path, head):
    assert not carried_role(head)
    result = of(case_of(tmp_path, carried(head, "6.15", "0.00", "6.15")))
    assert claimed(result) == [6.15, 0, 6.15]


def test_a_column_that_the_case_calls_a_charge_is_one(tmp_path):
    bills = carried("Arrears", "6.15", "0.00", "6.15")
    result = of(case_of(tmp_path, bills, more='charges = ["Arrears"]'))
    assert claimed(result) == [6.15, 0, 6.15]


@pytest.mark.parametrize(
    "amounts",
    [("0.00", "88.00", "0.00"), ("0.00", "-88.00", "0.00"), ("31.00", "0.00", "72.00")],
)
def test_an_unknown_column_that_holds_an_earlier_amount_is_asked(tmp_path, amounts):
    """88.00 and 72.00 are what the first and the second bill charge."""
    folder = case_of(tmp_path, carried("Item 7", *amounts))
    result = of(folder)
    assert claimed(result) == [0, 0, 0] and result.signatures.empty
    assert "question" in headline(result)
    told = [flag for flag in inspect_file(folder).flags if flag.code == "carried-or-charge"]
    assert len(told) == 1 and told[0].stops == ("bill",)
    assert re.search(r"invoices\.csv, column 'Item 7'", told[0].message)


def test_an_unknown_column_behind_an_unpaid_bill_is_asked(tmp_path):
    paid = "invoice,paid_on,amount\nH3,2025-04-20,60.00\nH4,2025-05-20,72.00\n"
    bills = carried("Item 7", "0.00", "28.00", "29.12")
    stated = {"account": '[claim]\npayments = "paid.csv"\n', "paid": paid}
    assert claimed(of(case_of(tmp_path, bills, **stated))) == [0, 0, 0]
    every = carried("Item 7", "2.00", "2.00", "2.00")
    assert claimed(of(case_of(tmp_path, every, **stated))) == [2, 2, 2]


def test_charges_of_another_service_and_rebates_are_asked_and_can_be_said(tmp_path):
    """Water, another each month, on every bill; a rebate; a fee that is the same each time."""
    for name, amounts, key in (
        ("Water", ("41.10", "38.72", "45.00"), 'other_services = ["Water"]'),
        ("Item 7", ("-5.00", "0.00", "0.00"), "columns = { credit = 'Item 7' }"),
        ("Item 7", ("-5.00", "5.00", "0.00"), "charges = ['Item 7']"),
    ):
        bills = carried(name, *amounts)
        asked = of(case_of(tmp_path, bills))
        assert claimed(asked) == [0, 0, 0] and asked.signatures.empty
        (flag,) = [each for each in asked.flags if each.code == "carried-or-charge"]
        assert flag.stops == ("bill",) and key.split(" =")[0] in flag.message
        said = of(case_of(tmp_path, bills, more=key))
        assert "question" not in headline(said)
        known = [float(each) for each in amounts] if key.startswith("charges") else [0, 0, 0]
        assert claimed(said) == known
    fee = of(case_of(tmp_path, carried("Item 7", "2.00", "2.00", "2.00")))
    assert claimed(fee) == [2, 2, 2], "a fee the schedule does not know"
    with pytest.raises(InputRefused, match=r"other_services: 'Refuse' is no column of amounts"):
        of(case_of(tmp_path, bills, more='other_services = ["Refuse"]'))


def test_a_total_that_holds_an_earlier_bill_in_no_column_is_asked(tmp_path):
    bills = carried("Item 7", "0.00", "0.00", "0.00").replace(
        "72.00,0.00,72.00", "72.00,0.00,160.00"
    )
    result = of(case_of(tmp_path, bills))
    assert claimed(result) == [0, 0, 0] and "carried-or-charge" in codes(result.flags)


def test_one_table_of_words_for_bills_read_and_bills_drafted():
    assert set(carried_words()) == {"previous_balance", "payment", "credit"}
    assert "arrears" in meanings("bill")["previous_balance"]
    assert "zahlungen" in meanings("bill")["payments"]


MID = """start,end,volume
2024-11-15,2024-12-15,9
2024-12-15,2025-01-15,9
2025-01-15,2025-02-15,9
2025-02-15,2025-03-15,3
"""
LONG = "start,end,volume\n2024-11-01,2025-01-01,12\n2025-01-01,2025-03-01,20\n"
TWO_WINTERS = "start,end,volume\n" + "".join(
    f"{start},{end},{volume}\n"
    for start, end, volume in [
        ("2023-12-01", "2024-01-01", 11),
        ("2024-01-01", "2024-02-01", 11),
        ("2024-02-01", "2024-03-01", 11),
        ("2024-12-01", "2025-01-01", 7),
        ("2025-01-01", "2025-02-01", 7),
        ("2025-02-01", "2025-03-01", 7),
    ]
)


def winter_bill(start: str, end: str, use: int, billed: int) -> str:
    head = "invoice,start,end,previous_read,current_read,read_type,billed_volume,use,total\n"
    amount = f"{4 * billed}.00"
    return head + f"W,{start},{end},500,{500 + use},actual,{billed},{amount},{amount}\n"


JULY, LONG_JULY = ("2025-06-15", "2025-07-15"), ("2025-06-01", "2025-08-01")


@pytest.mark.parametrize(
    ("bill", "earlier", "key", "stated"),
    [
        (winter_bill(*JULY, 19, 9), MID, "month_of", 'month_of = "most days"'),
        (winter_bill(*LONG_JULY, 33, 20), LONG, "periods", 'periods = "bills"'),
        (winter_bill("2025-04-01", "2025-05-01", 19, 11), TWO_WINTERS, "from_month",
         "from_month = 3"),
    ],
)  # fmt: skip
def test_a_bill_right_by_an_unstated_rule_of_the_winter_is_asked(
    tmp_path, bill, earlier, key, stated
):
    volume = 'basis = "lower of actual and winter average"\nwinter = {{ months = [12, 1, 2]{} }}'
    kept = {"account": WINTER, "earlier": earlier}
    result = of(case_of(tmp_path, bill, volume=volume.format(""), **kept))
    (asked,) = (flag for flag in result.flags if flag.code == "winter-rule-unstated")
    assert claimed(result) == [0] and result.signatures.empty and key in asked.message
    flags = inspect_file(tmp_path).flags
    assert any(f.code == "winter-rule-open" and f.data["key"] == key for f in flags)
    for more in (stated, 'month_of = "most days", periods = "bills", from_month = 3'):
        result = of(case_of(tmp_path, bill, volume=volume.format(f", {more}"), **kept))
        assert claimed(result)[0] > 0


def test_a_bill_that_no_rule_of_the_winter_gives_is_claimed(tmp_path):
    """The winter's months come to 9, 9 and 3 or, by the end date, 9, 9 and 9; billed are 14."""
    volume = 'basis = "lower of actual and winter average"\nwinter = { months = [12, 1, 2] }'
    bill = winter_bill(*JULY, 19, 14)
    result = of(case_of(tmp_path, bill, volume=volume, account=WINTER, earlier=MID))
    assert claimed(result)[0] > 0


@pytest.mark.parametrize(
    ("word", "kind"),
    [("Customer read", "actual"), ("self-read", "actual"), ("Actual Reading", "actual"),
     ("Estimated read", "estimated"), ("Est.", "estimated")],
)  # fmt: skip
def test_plain_words_for_a_kind_of_read(tmp_path, word, kind):
    bill = winter_bill(*JULY, 19, 19).replace("actual", word)
    assert of(case_of(tmp_path, bill)).invoices["read_type"].tolist() == [kind]


def test_a_winter_known_in_part_is_told_in_plain_words(tmp_path):
    volume = 'basis = "winter average"\nwinter = { months = [12, 1, 2] }'
    part = "".join(TWO_WINTERS.splitlines(keepends=True)[:-1])
    bill = winter_bill("2025-06-01", "2025-07-01", 19, 7)
    with pytest.raises(InputRefused, match="no complete record of the periods of the winter"):
        of(case_of(tmp_path, bill, volume=volume, account=WINTER, earlier=part))


def with_base(folder, keys="", change="by end", base=30.00):
    """The rates with a base charge, for bills that state it."""
    file = folder / "rates.toml"
    charge = f'[[version.charge]]\nname = "base"\nkind = "fixed"\namount = {base}\nper = "month"\n'
    text = file.read_text().replace('rate_change = "by end"', f'rate_change = "{change}"')
    file.write_text(text + charge + keys)


def based(*rows: tuple[str, str, int, str]) -> str:
    """Bills at 4.00 a kgal with a base."""
    told = ["invoice,start,end,billed_volume,use,base,total"]
    for place, (start, end, volume, base) in enumerate(rows):
        total = 4 * Decimal(volume) + Decimal(base)
        told.append(f"B{place},{start},{end},{volume},{4 * volume}.00,{base},{total}")
    return "\n".join(told) + "\n"


BY_DAYS = based(
    ("2025-03-01", "2025-03-30", 22, "29.00"),
    ("2025-03-30", "2025-04-30", 18, "31.00"),
    ("2025-04-30", "2025-05-30", 25, "30.00"),
    ("2025-05-30", "2025-07-01", 21, "32.00"),
)


@pytest.mark.parametrize(
    ("stated", "accused"),
    [("", []), ('proration = "none"\n', ["B0", "B1", "B3"])],
    ids=["left open", "stated"],
)
def test_a_usual_rule_of_lines_that_every_bill_follows_accuses_nobody(tmp_path, stated, accused):
    folder = case_of(tmp_path, BY_DAYS)
    with_base(folder, stated)
    result = of(folder)
    names, amounts = result.claim["invoice"], result.claim["by_the_rules"]
    assert names[amounts != 0].tolist() == accused
    flags = [flag for flag in result.flags if flag.code == "line-rule-unstated"]
    assert [flag.data["by"] for flag in flags] == (
        [] if accused else ["proration = 'standard days', standard_days = 30"]
    )


def test_one_bill_by_days_among_others_by_the_month_is_wrong(tmp_path):
    folder = case_of(tmp_path, BY_DAYS.replace("29.00,117.00", "30.00,118.00"))
    with_base(folder)
    assert claimed(of(folder)) == [0.0, 1.0, 0.0, 2.0]


def test_the_day_a_new_rate_begins_to_count_may_be_either(tmp_path):
    """4.00 and from 15 May 5.00: 15 of 30 days each, or 16 and 14 with the first date left out."""
    bills = "invoice,start,end,billed_volume,use,total\n"
    bills += "B0,2025-04-30,2025-05-30,30,{0},{0}\n"
    new = "[[version]]\neffective = 2025-05-15\n[[version.volume]]\nname = 'sewer'\nunit = 'kgal'\n"
    new += "basis = 'intake'\n[[version.charge]]\nname = 'use'\nkind = 'volume'\nrate = 5.00\n"
    for printed, off in (("135.00", 0.0), ("136.00", 0.0), ("137.00", 2.0), ("134.00", -1.0)):
        folder = case_of(tmp_path, bills.format(printed))
        with_base(folder, change="split by days")
        text = (folder / "rates.toml").read_text().split('[[version.charge]]\nname = "base"')[0]
        (folder / "rates.toml").write_text(text + new)
        result = of(folder)
        assert claimed(result) == [off]
        assert ("rates-split-a-day-later" in codes(result.flags)) == (printed == "136.00")


def test_what_departs_in_every_bill_is_held_beside_the_printed_schedule_first(tmp_path):
    """A base of 30.00 on every bill and 25.00 in the case, or on the last bill alone."""
    rows = [(f"2025-0{m}-01", f"2025-0{m + 1}-01", 20, "30.00") for m in range(3, 7)]
    folder = case_of(tmp_path, based(*rows))
    with_base(folder, base=25.00)
    result = of(folder)
    (flag,) = [each for each in result.flags if each.code == "rates-to-be-held-beside"]
    assert flag.data == {"link": "base", "invoices": ["B0", "B1", "B2", "B3"]}
    assert "rates-to-be-held-beside" in codes(inspect_file(folder).flags)
    assert claimed(result) == [5.0] * 4  # the finding stands; whoever reads it is told
    words = Words.of(result)
    assert "hold the schedule as the case states it" in amount_alone(result, words)
    assert "Not to be sent before" in cover_letter(result).plain
    file = folder / "case.toml"
    held = 'file = "rates.toml"\nheld_beside = "table 1, by the engineer"'
    file.write_text(file.read_text().replace('file = "rates.toml"', held))
    assert "rates-to-be-held-beside" not in codes(of(folder).flags)
    one = [*rows[:3], (*rows[3][:3], "35.00")]
    folder = case_of(tmp_path, based(*one))
    with_base(folder)
    result = of(folder)
    assert claimed(result) == [0.0, 0.0, 0.0, 5.0]
    assert "rates-to-be-held-beside" not in codes(result.flags)


@pytest.mark.parametrize(("reads", "seen"), [(False, False), (True, False), (False, True)])
def test_a_meter_the_case_leaves_out_is_asked_for_before_bills_are_accused(tmp_path, reads, seen):
    """Three bills of two meters, 40 kgal and 15 to 20, beside the reads of the first one."""
    volumes, register = (55, 58, 60, 56), [10013, 14013, 18013, 22013, 26013]
    ends = [f"2025-0{month}-01" for month in range(3, 8)]
    head = "invoice,start,end,billed_volume,use,total" + ",previous_read,current_read" * reads
    rows = [
        f"B{k},{ends[k]},{ends[k + 1]},{v},{4 * v}.00,{4 * v}.00"
        + f",{register[k]},{register[k + 1]}" * reads
        for k, v in enumerate(volumes)
    ]
    meter = (
        '[[intake]]\nmeter = "main"\nfile = "main.csv"\nunit = "gal"\nmultiplier = 10\ndigits = 5\n'
    )
    main = "time,register\n" + "".join(
        f"{day} 08:00,{read}\n" for day, read in zip(ends, register, strict=True)
    )
    bills, hour = "\n".join([head, *rows]) + "\n", 'read_hour = "08:00"'
    folder = case_of(tmp_path, bills, more=hour, account=meter, main=main)
    file = folder / "case.toml"
    if seen:
        told = 'title = "asked"\nunits_confirmed = "list of the account\'s meters, 3 February"'
        file.write_text(file.read_text().replace('title = "asked"', told))
    result = of(folder)
    asked = "meters-of-the-case" in codes(result.flags)
    assert asked == (not reads and not seen)
    if asked:
        assert claimed(result) == [0.0] * 4 and "question" in headline(result)
        assert not any("too" in finding for finding in result.invoices["finding"])
    else:
        assert claimed(result) == [60.0, 72.0, 80.0, 64.0]


def test_rates_of_a_wrong_date_are_held_beside_the_printed_schedule_first(tmp_path):
    """New rates since May on the bills, since July in the case."""
    rows = ["invoice,start,end,billed_volume,use,total"]
    for month in range(2, 10):
        amount = 20 * (4 if month < 5 else 5)
        rows.append(f"B{month},2025-0{month}-01,2025-{month + 1:02}-01,20,{amount}.00,{amount}.00")
    folder = case_of(tmp_path, "\n".join(rows) + "\n")
    rates = folder / "rates.toml"
    new = "\n[[version]]" + rates.read_text().split("[[version]]")[1]
    new = new.replace("2021-01-01", "2025-07-01").replace("4.00", "5.00")
    rates.write_text(rates.read_text() + new)
    result = of(folder)
    (flag,) = [each for each in result.flags if each.code == "rates-to-be-held-beside"]
    assert flag.data == {"link": "date of the rates", "invoices": ["B5", "B6"]}
    assert sum(claimed(result)) == 40.0
    rates.write_text(rates.read_text().replace("2025-07-01", "2025-06-01"))
    result = of(folder)
    (flag,) = [each for each in result.flags if each.code == "rates-to-be-held-beside"]
    assert sum(claimed(result)) == 20.0 and flag.data["invoices"] == ["B5"]


@pytest.mark.parametrize("typed", [14_513, 14_013], ids=["mistyped", "as it is"])
def test_a_bill_that_follows_by_the_read_of_the_next_is_right(tmp_path, typed):
    """Three bills; the present read of the second stands otherwise on the third."""
    reads, rows = [10_013, 10_013 + 2200, 14_013, 16_513], []
    for k in range(3):
        shown, volume = reads[k + 1] if k != 1 else typed, (reads[k + 1] - reads[k]) // 100
        rows.append(
            f"B{k},2025-0{3 + k}-01,2025-0{4 + k}-01,{volume},{4 * volume}.00,{4 * volume}.00,"
            f"{reads[k]},{shown}"
        )
    head = "invoice,start,end,billed_volume,use,total,previous_read,current_read"
    account = '[account.reads]\nunit = "gal"\nmultiplier = 10\ndigits = 5\n'
    result = of(case_of(tmp_path, "\n".join([head, *rows]) + "\n", account=account))
    assert claimed(result) == [0.0, 0.0, 0.0]
    told = [flag.data["invoices"] for flag in result.flags if flag.code == "reads-do-not-meet"]
    assert told == ([] if typed == reads[2] else [["B1", "B2"]])


def test_uses_beyond_the_intake_in_every_bill_are_asked_before_bills_are_accused(tmp_path):
    """A deduct meter whose multiplier stands ten times too large in the case."""
    ends = [f"2025-0{month}-01" for month in range(3, 8)]
    main, off = [10_013 + 4_000 * k for k in range(5)], [507 + 900 * k for k in range(5)]
    rows = ["invoice,start,end,billed_volume,use,total"]
    rows += [f"B{k},{ends[k]},{ends[k + 1]},31,124.00,124.00" for k in range(4)]
    account = ""
    files = {}
    for name, reads, kind, head in (
        ("main", main, "", '[[intake]]\nmeter = "main"'),
        ("off", off, "0", '[[use]]\nname = "off"\nkind = "deduct meter"\ncredited = true'),
    ):
        account += f'{head}\nfile = "{name}.csv"\nunit = "gal"\nmultiplier = 10{kind}\ndigits = 5\n'
        lines = [f"{day} 08:00,{read}" for day, read in zip(ends, reads, strict=True)]
        files[name] = "\n".join(["time,register", *lines]) + "\n"
    folder = case_of(
        tmp_path,
        "\n".join(rows) + "\n",
        more='read_hour = "08:00"',
        account=account,
        volume='basis = "intake less deduct"',
        **files,
    )
    result = of(folder)
    assert claimed(result) == [0.0] * 4 and "question" in headline(result)
    file = folder / "case.toml"
    file.write_text(file.read_text().replace("multiplier = 100", "multiplier = 10"))
    assert claimed(of(folder)) == [0.0] * 4 and "question" not in headline(of(folder))


@pytest.mark.parametrize("slip", [0, 300, -300], ids=["none", "too high", "too low"])
def test_a_rare_deduct_by_a_read_that_nothing_tests_accuses_nobody(tmp_path, slip):
    """Eight right bills; the site's last own read of the deduct meter is a slip."""
    ends = [f"2025-{month:02}-01" for month in range(3, 12)]
    uses = [(40 + k % 3, 9 + k % 2) for k in range(8)]
    main, off = [10_013], [507]
    for used, taken in uses:
        main.append(main[-1] + 100 * used)
        off.append(off[-1] + 100 * taken)
    off[-1] += slip
    rows = ["invoice,start,end,billed_volume,use,total"]
    for k, (used, taken) in enumerate(uses):
        amount = f"{4 * (used - taken)}.00"
        rows.append(f"B{k},{ends[k]},{ends[k + 1]},{used - taken},{amount},{amount}")
    account, files = "", {}
    for name, reads, head in (
        ("main", main, '[[intake]]\nmeter = "main"'),
        ("off", off, '[[use]]\nname = "off"\nkind = "deduct meter"\ncredited = true'),
    ):
        account += f'{head}\nfile = "{name}.csv"\nunit = "gal"\nmultiplier = 10\ndigits = 5\n'
        lines = [f"{day} 08:00,{read}" for day, read in zip(ends, reads, strict=True)]
        files[name] = "\n".join(["time,register", *lines]) + "\n"
    bills, hour = "\n".join(rows) + "\n", 'read_hour = "08:00"'
    rule = 'basis = "intake less deduct"'
    result = of(case_of(tmp_path, bills, more=hour, account=account, volume=rule, **files))
    assert claimed(result) == [0.0] * 8
    assert ("deduct-out-of-the-usual" in codes(result.flags)) == (slip != 0)
    assert not any("too high" in finding for finding in result.invoices["finding"])


def test_a_charge_the_rate_file_does_not_hold_is_looked_up_before_it_is_disputed(tmp_path):
    rows = ["invoice,start,end,billed_volume,use,connection fee,total"]
    for month in range(3, 7):
        fee = "150.00" if month == 4 else "0.00"
        total = 80 + Decimal(fee)
        rows.append(f"B{month},2025-0{month}-01,2025-0{month + 1}-01,20,80.00,{fee},{total}")
    result = of(case_of(tmp_path, "\n".join(rows) + "\n"))
    assert claimed(result) == [0.0, 150.0, 0.0, 0.0]
    (flag,) = [each for each in result.flags if each.code == "rates-to-be-held-beside"]
    assert flag.data == {"link": "connection fee", "invoices": ["B4"]}
    assert "Not to be sent before" in cover_letter(result).plain


def test_a_bill_that_waits_for_an_answer_is_priced_by_the_rule_all_bills_follow(tmp_path):
    """Bases by the day, which the rates leave open, and a meter that the case leaves out."""
    ends = ["2025-03-01", "2025-03-30", "2025-04-30", "2025-05-30", "2025-07-01"]
    register = [10_013, 11_013, 12_213, 13_413, 14_613]
    rows = [f"{day} 08:00,{read}" for day, read in zip(ends, register, strict=True)]
    meter = (
        '[[intake]]\nmeter = "main"\nfile = "main.csv"\nunit = "gal"\nmultiplier = 10\ndigits = 5\n'
    )
    main = "\n".join(["time,register", *rows]) + "\n"
    folder = case_of(tmp_path, BY_DAYS, more='read_hour = "08:00"', account=meter, main=main)
    with_base(folder)
    result = of(folder)
    assert {"meters-of-the-case", "line-rule-unstated"} <= set(codes(result.flags))
    assert claimed(result) == [0.0] * 4 and result.ledger.entries == ()
    assert [each.by_rules for each in result.pricing.series] == [Decimal(p) for p in BASED]


BASED = ("117.00", "103.00", "130.00", "116.00")
