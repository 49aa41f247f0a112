"""What a case states of its account reaches the price, the named errors and the claim."""

from __future__ import annotations

import importlib.util
from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal
from itertools import pairwise
from pathlib import Path

import pytest

from sewer_audit import audit, load_case
from sewer_audit.auditing import inspect_file
from sewer_audit.charges import HowRead, Payment, read_payments, read_samples
from sewer_audit.errors import InputRefused

D = Decimal
CASE = """
[case]
title = "invented works"
time_zone = "America/Chicago"
basis = "{basis}"
return_factor = {factor}
[display]
volume = "kgal"
[invoices]
file = "invoices.csv"
volume_unit = "kgal"
read_hour = "08:00"
end_day_counts = false
[rates]
file = "rates.toml"
[rule]
look_back = "24 months"
dispute_days = 60
decided_on = 2026-01-20
{more}
"""
METER = """
[[intake]]
meter = "main"
file = "main.csv"
unit = "{unit}"
multiplier = {multiplier}
digits = 6
"""
RATES = """
[schedule]
name = "invented"
currency = "USD"
rate_change = "by end"
end_day_counts = false
line_rounding = {{ to = 0.01 }}
total_rounding = {{ to = 0.01 }}
{schedule}
[[version]]
effective = 2020-01-01
[[version.volume]]
name = "sewer"
unit = "kgal"
basis = "{basis}"
return_factor = {factor}
rounding = {{ to = 0.1 }}
{charges}
[[version.charge]]
name = "volume"
kind = "volume"
rate = 6.40
"""


def cents(value: Decimal) -> Decimal:
    return value.quantize(D("0.01"), ROUND_HALF_UP)


def dial(reads: list[int]) -> list[tuple]:
    """Previous and current read of every period, as a register of six digits shows them."""
    return [(a % 10**6, b % 10**6) for a, b in pairwise(reads)]


class Works:
    """Invented invoices of ten months, priced here by plain arithmetic."""

    def __init__(self, unit: str = "gal", multiplier: int = 100, gallons: str = "1"):
        self.unit, self.multiplier, self.factor = unit, multiplier, D("0.90")
        self.per_count = multiplier * D(gallons) / 1000  # kgal
        uses = [9731, 10412, 8877, 12050, 11234, 9990, 10871, 12333, 9412, 10056]
        self.days = [date(2025, 1, 15) + timedelta(days=30 * k) for k in range(len(uses) + 1)]
        self.reads = [41_203 + sum(uses[:k]) for k in range(len(uses) + 1)]
        self.printed = dial(self.reads)
        self.types = ["actual"] * len(uses)
        self.billed = [(use * self.per_count * self.factor).quantize(D("0.1")) for use in uses]
        self.extra: dict[str, str] = {}

    def invoices(self, fixed: str = "") -> str:
        columns = "fixed,volume" if fixed else "volume"
        head = "invoice,start,end,previous_read,current_read,read_type,billed_volume"
        lines = [f"{head},{columns},total"]
        for k, volume in enumerate(self.billed):
            amount = cents(volume * D("6.40"))
            cells = [fixed, amount] if fixed else [amount]
            total = sum(map(D, cells), D(0))
            row = [f"A{k}", self.days[k], self.days[k + 1], *self.printed[k], self.types[k]]
            lines.append(",".join(map(str, [*row, volume, *cells, total])))
        return "\n".join(lines) + "\n"

    def write(
        self,
        folder: Path,
        *,
        meter: bool = True,
        late: timedelta = timedelta(0),
        basis: str = "intake",
        more: str = "",
        schedule: str = "",
        charges: str = "",
        fixed: str = "",
    ) -> Path:
        stated = more + (METER.format(unit=self.unit, multiplier=self.multiplier) if meter else "")
        keys = {"basis": basis, "factor": self.factor}
        (folder / "case.toml").write_text(CASE.format(more=stated, **keys))
        rates = RATES.format(schedule=schedule, charges=charges, **keys)
        (folder / "rates.toml").write_text(rates)
        (folder / "invoices.csv").write_text(self.invoices(fixed))
        rows = []
        for k, day in enumerate(self.days):
            step = (self.reads[k] - self.reads[k - 1]) if k else 10_000
            count = self.reads[k] + round(step * (late / timedelta(days=30)))
            moment = f"{day + timedelta(days=late.days)} {8 + late.seconds // 3600:02d}:00"
            rows.append(f"{moment},{count % 10**6}")
        (folder / "main.csv").write_text("time,register\n" + "\n".join(rows) + "\n")
        for name, text in self.extra.items():
            (folder / name).write_text(text)
        return folder

    def audit(self, folder: Path, **stated):
        return audit(load_case(self.write(folder, **stated)), draws=200, seed=1)


def wrong(result) -> list[str]:
    return result.claim.loc[result.claim["by_the_rules"].abs() > 0.005, "invoice"].tolist()


def codes(result) -> dict[str, str]:
    return {n: row.code for row in result.signatures.itertuples() for n in row.invoices}


def test_right_invoices_are_let_alone(tmp_path):
    result = Works().audit(tmp_path)
    assert not wrong(result) and result.signatures.empty
    assert result.claim["exact"].all()


def test_reads_of_another_hour_do_not_correct_a_right_invoice(tmp_path):
    """The site reads a day and four hours after the town: the printed reads agree, and stand."""
    result = Works().audit(tmp_path, late=timedelta(days=1, hours=4))
    assert not wrong(result) and result.signatures.empty
    assert result.claim["exact"].all()


def test_without_printed_reads_the_volume_is_known_within_an_interval(tmp_path):
    works = Works()
    works.printed = [("", "")] * len(works.printed)
    works.billed[4] = (works.billed[4] * D("7.480519")).quantize(D("0.1"))
    result = works.audit(tmp_path, late=timedelta(days=1, hours=4))
    assert wrong(result) == ["A4"]
    (found,) = result.signatures.itertuples()
    assert (found.code, found.exactness, found.invoices) == (
        "unit-swap",
        "within interval",
        ["A4"],
    )
    assert not result.claim["exact"].any()


@pytest.mark.parametrize("late", [timedelta(0), timedelta(days=1)])
def test_a_misread_shows_against_the_sites_own_reads(tmp_path, late):
    """A digit wrong by 10,000 counts in one printed read."""
    works = Works()
    before, after = works.printed[3]
    works.printed[3] = (before, after + 10_000)
    used = (after + 10_000 - before) * works.per_count
    works.billed[3] = (used * works.factor).quantize(D("0.1"))
    result = works.audit(tmp_path, late=late)
    assert wrong(result) == ["A3"]
    assert codes(result) == {"A3": "misread"}


def test_printed_reads_alone_give_the_volume(tmp_path):
    """No meter of the site's own: [account.reads] says what the printed reads count in."""
    reads = '[account.reads]\nunit = "gal"\nmultiplier = 100\ndigits = 6\n'
    works = Works()
    works.billed[6] = (works.billed[6] / works.factor).quantize(D("0.1"))
    result = works.audit(tmp_path, meter=False, more=reads)
    assert wrong(result) == ["A6"]
    assert codes(result) == {"A6": "return-factor-missing"}
    assert result.questions["rules"]["answered"] == "yes"


def test_an_outlet_meter_is_read_from_the_invoices(tmp_path):
    reads = '[account.reads]\nunit = "gal"\nmultiplier = 100\ndigits = 6\n'
    works = Works()
    works.billed[2] *= 10
    result = works.audit(tmp_path, meter=False, more=reads, basis="discharge")
    assert wrong(result) == ["A2"]
    assert codes(result) == {"A2": "register-multiplier"}


def test_a_rollover_is_no_error(tmp_path):
    works = Works()
    shift = 10**6 - works.reads[5] - 3000
    works.reads = [read + shift for read in works.reads]
    works.printed = dial(works.reads)
    assert works.printed[5][1] < works.printed[5][0]
    assert not wrong(works.audit(tmp_path))


def test_an_estimate_that_the_next_read_makes_good_is_not_asked_for_again(tmp_path):
    """At one rate the estimate and its true-up net to nothing, whatever the site read between."""
    works = Works()
    low, _ = works.printed[4]
    guess = low + 9000
    works.printed[4], works.printed[5] = (low, guess), (guess, works.printed[5][1])
    works.types[4] = "estimated"
    for k in (4, 5):
        counts = works.printed[k][1] - works.printed[k][0]
        works.billed[k] = (counts * works.per_count * works.factor).quantize(D("0.1"))
    result = works.audit(tmp_path)
    assert not codes(result) and not wrong(result)
    assert result.ledger.entries == () and result.claim.attrs["sums"]["net"] == 0


def test_unit_sizes_are_those_of_the_schedule(tmp_path):
    """7.48 gal in a cubic foot, as most towns print it; the exact size is 0.007 % more."""
    works = Works(unit="cf", multiplier=10, gallons="7.48")
    sizes = 'conversions = { cf = "7.48 gal" }'
    result = works.audit(tmp_path, schedule=sizes)
    assert not wrong(result)
    other = Works(unit="cf", multiplier=10, gallons="7.48")
    (tmp_path / "exact").mkdir()
    assert wrong(other.audit(tmp_path / "exact"))


FIXED = """
[[version.charge]]
name = "fixed"
kind = "fixed"
{how}
per = "bill"
"""


@pytest.mark.parametrize(
    "how, account",
    [
        ('by_meter_size = { "2 in" = 96.15, "3 in" = 188.20 }', 'meter_size = "2 in"'),
        ("by_class = { trade = 96.15, homes = 12 }", 'customer_class = "trade"'),
        ('amount = 32.05\ncount = "equivalent units"', 'counts = { "equivalent units" = 3 }'),
    ],
)
def test_fixed_charges_find_size_class_and_counts(tmp_path, how, account):
    result = Works().audit(
        tmp_path, charges=FIXED.format(how=how), more=f"[account]\n{account}\n", fixed="96.15"
    )
    assert not wrong(result)


def test_a_fact_the_schedule_needs_is_asked_for(tmp_path):
    charges = FIXED.format(how='by_meter_size = { "2 in" = 96.15 }')
    with pytest.raises(InputRefused, match="meter size"):
        Works().audit(tmp_path, charges=charges, fixed="96.15")


STRENGTH = """
[[version.charge]]
name = "fixed"
kind = "strength bands"
parameter = "BOD"
threshold = 300
unit = "kgal"
band = 100
rate = 0
"""


@pytest.mark.parametrize("stated", ['strengths = { BOD = "410 mg/L" }', 'samples = "lab.csv"'])
def test_strengths_and_samples_reach_the_schedule(tmp_path, stated):
    works = Works()
    rows = [f"{day + timedelta(days=9)},BOD,410,mg/L" for day in works.days[:-1]]
    works.extra["lab.csv"] = "date,parameter,value,unit\n" + "\n".join(rows) + "\n"
    charges = STRENGTH.replace("rate = 0", "rate = 0.25")
    result = works.audit(tmp_path, charges=charges, more=f"[account]\n{stated}\n")
    line = result.pricing.stated[0].by_column["fixed"]
    # 410 mg/L is two bands or parts of one above 300
    assert line == cents(works.billed[0] * 2 * D("0.25"))
    names = [entry["file"] for entry in result.findings()["inputs"]]
    assert ("lab.csv" in names) == ("samples" in stated)


def test_a_strength_without_a_unit_is_refused(tmp_path):
    with pytest.raises(InputRefused, match="has no unit"):
        Works().audit(tmp_path, more="[account]\nstrengths = { BOD = 410 }\n")


def test_payments_and_interest(tmp_path):
    """Simple interest from 30 days after payment, as the code of Unalaska, Alaska, has it."""
    works = Works()
    right = works.billed[6]
    works.billed[6] = right * 2
    paid = cents(works.billed[6] * D("6.40"))
    works.extra["paid.csv"] = f"invoice,paid_on,amount,under_protest\nA6,2025-09-01,{paid},yes\n"
    more = (
        '[claim]\npayments = "paid.csv"\ninterest_after = "30 days"\ninterest_per_year = "3.5 %"\n'
    )
    result = works.audit(tmp_path, more=more)
    row = result.claim.set_index("invoice").loc["A6"]
    over = cents(right * D("6.40"))
    assert D(str(row["by_the_rules"])) == over == D(str(row["refund"]))
    # 1 October 2025 to 20 January 2026 are 111 days
    assert D(str(row["interest"])) == cents(over * D("0.035") * 111 / 365)
    assert row["paid"] == float(paid)
    assert (result.claim.loc[result.claim["invoice"] != "A6", "paid"] == 0).all()
    claim = result.findings()["claim"]
    assert claim["interest"] == row["interest"] and claim["refund"] == float(over)
    assert claim["next_deadline"] == "2027-08-14"
    unpaid = more.replace('payments = "paid.csv"\n', "")
    assert works.audit(tmp_path, more=unpaid).findings()["claim"]["interest"] is None


def test_a_payment_on_no_invoice_is_refused_with_its_line(tmp_path):
    works = Works()
    works.extra["paid.csv"] = "invoice,paid_on,amount\nA1,2025-09-01,1.00\nA77,2025-09-01,1.00\n"
    with pytest.raises(InputRefused, match=r"paid.csv, line 3, column invoice.*no invoice 'A77'"):
        works.audit(tmp_path, more='[claim]\npayments = "paid.csv"\n')


@pytest.mark.parametrize(
    "row, column",
    [("A1,01/09/2025,5.00", "paid_on"), ("A1,2025-09-01,five", "amount"), (",2025-09-01,5", "inv")],
)
def test_a_payment_that_cannot_be_read_is_refused(tmp_path, row, column):
    works = Works()
    works.extra["paid.csv"] = f"invoice,paid_on,amount\n{row}\n"
    with pytest.raises(InputRefused, match=f"paid.csv, line 2, column {column}"):
        works.audit(tmp_path, more='[claim]\npayments = "paid.csv"\n')


def test_undercharges_have_a_window_of_their_own(tmp_path):
    works = Works()
    works.billed[0] /= 2
    result = works.audit(tmp_path, more='[claim]\nback_bill = "6 months"\n')
    row = result.claim.set_index("invoice").loc["A0"]
    assert row["by_the_rules"] < 0 and not row["in_look_back"]
    assert result.findings()["claim"]["outside_look_back"] == row["by_the_rules"]


def test_reads_of_a_known_neighbour_are_named(tmp_path):
    works = Works()
    theirs = [700_100 + 4000 * k for k in range(len(works.days))]
    rows = [f"{day},{read}" for day, read in zip(works.days, theirs, strict=True)]
    works.extra["next.csv"] = "time,register\n" + "\n".join(rows) + "\n"
    works.printed[5] = (theirs[5], theirs[6])
    works.billed[5] = (4000 * works.per_count * works.factor).quantize(D("0.1"))
    more = '[[neighbour]]\naccount = "0418"\nfile = "next.csv"\nunit = "gal"\nmultiplier = 100\n'
    result = works.audit(tmp_path, more=more)
    (found,) = result.signatures.itertuples()
    assert (found.code, found.exactness) == ("another-account", "exact")
    assert "account 0418" in found.sentence and found.evidence["A5"]["reads of"] == "0418"


def test_read_of_names_a_meter(tmp_path):
    with pytest.raises(InputRefused, match=r"account\.read_of"):
        Works().audit(tmp_path, more='[account]\nread_of = "cellar"\n')


WINTER_CHARGE = """
[[version.volume]]
name = "winter"
unit = "kgal"
basis = "winter average"
winter = { months = [12] }
[[version.charge]]
name = "fixed"
kind = "volume"
volume = "winter"
rate = 0.10
"""


def test_winter_average_from_earlier_use(tmp_path):
    works = Works()
    works.extra["before.csv"] = "start,end,volume\n2024-12-01,2025-01-01,900\n"
    works.write(tmp_path, charges=WINTER_CHARGE, more='[account]\nearlier_use = "before.csv"\n')
    file = tmp_path / "rates.toml"
    text = file.read_text().replace(
        'kind = "volume"\nrate = 6.40', 'kind = "volume"\nvolume = "sewer"\nrate = 6.40'
    )
    file.write_text(
        text.replace("rounding = { to = 0.1 }", "rounding = { to = 0.1 }\ninvoiced = true")
    )
    result = audit(load_case(tmp_path), draws=200, seed=1)
    assert result.pricing.stated[0].by_column["fixed"] == 90


@pytest.mark.parametrize(("stated", "used"), [("", None), (', unit = "cf"', "90.00")])
def test_earlier_use_in_another_unit_is_stated_or_refused(tmp_path, stated, used):
    """120,320 cf are 900 kgal (1 cf = 7.48052 gal); read as kgal they would be a lake."""
    works = Works()
    works.extra["before.csv"] = "start,end,volume\n2024-12-01,2025-01-01,120312.5\n"
    table = f'{{ file = "before.csv"{stated} }}'
    works.write(tmp_path, charges=WINTER_CHARGE, more=f"[account]\nearlier_use = {table}\n")
    file = tmp_path / "rates.toml"
    text = file.read_text().replace(
        'kind = "volume"\nrate = 6.40', 'kind = "volume"\nvolume = "sewer"\nrate = 6.40'
    )
    file.write_text(
        text.replace("rounding = { to = 0.1 }", "rounding = { to = 0.1 }\ninvoiced = true")
    )
    if used is None:
        with pytest.raises(InputRefused, match=r"before\.csv.*in which unit.*State it"):
            audit(load_case(tmp_path), draws=200, seed=1)
        return
    result = audit(load_case(tmp_path), draws=200, seed=1)
    assert result.pricing.stated[0].by_column["fixed"] == Decimal(used)


BY_MONTH = """
[[version.charge]]
name = "fixed"
kind = "fixed"
by_meter_size = { "2 in" = 96.15, "3 in" = 188.20 }
per = "bill"
"""


def test_an_inspection_tells_every_invoice_that_cannot_be_priced(tmp_path):
    works = Works()
    works.write(tmp_path, charges=WINTER_CHARGE)
    file = tmp_path / "rates.toml"
    text = file.read_text().replace(
        'kind = "volume"\nrate = 6.40', 'kind = "volume"\nvolume = "sewer"\nrate = 6.40'
    )
    rounded = "rounding = { to = 0.1 }"
    file.write_text(text.replace(rounded, f"{rounded}\ninvoiced = true"))
    found = inspect_file(tmp_path)
    told = [problem.found for problem in found.problems if problem.code == "fact-missing"]
    assert found.refused and [t.split()[1] for t in told] == [f"A{k}" for k in range(len(told))]
    assert len(told) > 5 and all("winter 2024-12" in text for text in told)


@pytest.mark.parametrize(
    ("stated", "words"),
    [
        (("multiplier = 100", "multiplier = 1000"), "a factor of 10"),
        (("multiplier = 100", "multiplier = 10"), "a factor of 10"),
        (('unit = "gal"', 'unit = "cf"'), "gal for cf"),
        (('unit = "gal"', 'unit = "L"'), "gal for L"),
    ],
)
def test_a_wrong_unit_of_the_case_is_asked_before_a_bill_is_accused(tmp_path, stated, words):
    """Bills that are all right, beside a dial the case states wrongly."""
    Works().write(tmp_path)
    file = tmp_path / "case.toml"
    file.write_text(file.read_text().replace(*stated))
    result = audit(load_case(tmp_path), draws=200, seed=1)
    (flag,) = [each for each in result.flags if each.code == "unit-of-the-dial"]
    assert words in flag.message and len(flag.data["invoices"]) == 10
    found = result.findings()
    assert found["signatures"] == [] and found["claim"]["over_invoiced"] == 0
    assert found["claim"]["under_invoiced"] == 0
    assert not any("too" in row["finding"] for row in found["invoices"])
    assert any(each.code == "unit-of-the-dial" for each in inspect_file(tmp_path).flags)


@pytest.mark.parametrize("shown", [False, True], ids=["", "water printed"])
def test_coarse_volumes_are_asked_about_too_but_not_where_the_bill_shows_its_own_unit(
    tmp_path, shown
):
    """Short volumes fit no ratio sharply; a bill that prints its water states its unit."""
    works = Works(multiplier=10)
    billed = list(works.billed)
    works.billed[6] += D("30.0")
    if shown:
        works.billed = [volume * 10 for volume in billed]
    works.write(tmp_path)
    case, file = tmp_path / "case.toml", tmp_path / "invoices.csv"
    if shown:
        head, *rows = file.read_text().split()
        water = [D(b - a) * works.per_count for a, b in works.printed]
        rows = [f"{row},{used}" for row, used in zip(rows, water, strict=True)]
        file.write_text("\n".join([f"{head},water_used", *rows, ""]))
    else:
        case.write_text(case.read_text().replace("multiplier = 10\n", "multiplier = 100\n"))
    result = audit(load_case(tmp_path), draws=200, seed=1)
    asked = [each.stops for each in result.flags if each.code == "unit-of-the-dial"]
    assert asked == ([] if shown else [("balance", "bill")])
    assert wrong(result) == ([f"A{k}" for k in range(10)] if shown else [])


def test_units_that_were_seen_are_not_asked_again(tmp_path):
    """The same figures, where somebody looked at the register: the bills are wrong."""
    Works().write(tmp_path)
    file = tmp_path / "case.toml"
    text = file.read_text().replace("multiplier = 100", "multiplier = 1000")
    seen = 'title = "Invented works"\nunits_confirmed = "face of the register, 3 February"'
    title = next(line for line in text.splitlines() if line.startswith("title"))
    file.write_text(text.replace(title, seen))
    result = audit(load_case(tmp_path), draws=200, seed=1)
    assert set(codes(result).values()) == {"register-multiplier"}
    assert not any(each.code == "unit-of-the-dial" for each in result.flags)


def test_a_multiplier_wrong_in_some_bills_is_an_error_of_the_bills(tmp_path):
    works = Works()
    for k in (6, 7, 8, 9):
        works.billed[k] *= 10
    result = works.audit(tmp_path)
    assert wrong(result) == ["A6", "A7", "A8", "A9"]
    assert not any(each.code.startswith("unit-of") for each in result.flags)


def test_a_wrong_unit_of_the_printed_volumes_is_refused(tmp_path):
    """Amounts follow from the reads; only the unit the case states for the volumes does not."""
    Works().write(tmp_path)
    file = tmp_path / "case.toml"
    file.write_text(file.read_text().replace('volume_unit = "kgal"', 'volume_unit = "CCF"'))
    with pytest.raises(
        InputRefused, match=r"volume_unit: the amounts of (9|10) of 10.*CCF for kgal"
    ):
        audit(load_case(tmp_path), draws=200, seed=1)


def test_amounts_in_another_currency_are_refused(tmp_path):
    works = Works()
    works.write(tmp_path)
    file = tmp_path / "invoices.csv"
    rows = file.read_text().splitlines()
    rows[2] = rows[2] + " EUR"
    file.write_text("\n".join(rows) + "\n")
    (problem,) = [p for p in inspect_file(tmp_path).problems if "EUR" in p.found]
    assert (problem.line, problem.column, problem.severity) == (3, "total", "refused")


def test_facts_may_change_from_invoice_to_invoice(tmp_path):
    """A meter exchanged in May: the later invoices carry the charge of the larger one."""
    works = Works()
    rows = [f"A{k},2025-0{k + 2 if k < 8 else 9}-20,3 in" for k in range(10)]
    rows[0] = "A0,,2 in"
    works.extra["account.csv"] = "invoice,bill_date,meter_size\n" + "\n".join(rows) + "\n"
    more = '[account]\nby_invoice = "account.csv"\n'
    result = works.audit(tmp_path, charges=BY_MONTH, more=more, fixed="188.20")
    assert wrong(result) == ["A0"]
    assert codes(result) == {"A0": "wrong-class"}
    assert result.claim["billed_on"].tolist()[:2] == [works.days[1], date(2025, 3, 20)]


@pytest.mark.parametrize(
    "row, message",
    [
        ("A0,3 March,1", r"line 2, column bill_date"),
        ("A0,,one", r"line 2, column parcels"),
        ("B9,,1", r"line 2, column invoice.*not invoiced"),
        ("A0,,1\nA0,,2", r"line 3, column invoice.*twice"),
    ],
)
def test_a_fact_that_cannot_be_read_is_refused(tmp_path, row, message):
    works = Works()
    works.extra["account.csv"] = f"invoice,bill_date,parcels\n{row}\n"
    with pytest.raises(InputRefused, match="account.csv, " + message):
        works.audit(tmp_path, more='[account]\nby_invoice = "account.csv"\n')


def test_the_bills_themselves_may_state_what_changes(tmp_path):
    """Columns named in the case, a semicolon table, month first: the same as with our own names."""
    works = Works()
    rows = [f"A{k};0{k + 2 if k < 8 else 9}/20/2025;3 in;see file" for k in range(10)]
    rows[0] = "A0;;2 in;-"
    works.extra["bill list.csv"] = "Bill;Printed;Size;Note\n" + "\n".join(rows) + "\n"
    columns = 'columns = { invoice = "Bill", bill_date = "Printed", meter_size = "Size" }'
    more = f'[account]\nby_invoice = {{ file = "bill list.csv", {columns}, day_first = false }}\n'
    result = works.audit(tmp_path, charges=BY_MONTH, more=more, fixed="188.20")
    assert wrong(result) == ["A0"] and codes(result) == {"A0": "wrong-class"}
    assert result.claim["billed_on"].tolist()[:2] == [works.days[1], date(2025, 3, 20)]


PAID = "Bill;Date;Sum;Protest\nA0;02/20/2025;$ 1,012.50;yes\nA1;03/18/2025;900.00;\n"


def test_payments_and_samples_in_columns_and_dates_of_their_own(tmp_path):
    """A city's ledger and a laboratory's table as they come, read as their rows say."""
    (tmp_path / "paid.csv").write_text(PAID)
    names = {"invoice": "Bill", "paid_on": "Date", "amount": "Sum", "under_protest": "Protest"}
    found = read_payments(tmp_path / "paid.csv", how=HowRead(names, day_first=False))
    assert found["A0"] == (Payment(date(2025, 2, 20), D("1012.50"), True),)
    assert found["A1"] == (Payment(date(2025, 3, 18), D(900), False),)
    with pytest.raises(InputRefused, match=r"line 2, column Date: the order of day and month"):
        read_payments(tmp_path / "paid.csv", how=HowRead(names))
    text = "Laboratory 4\n\nTaken;What;mg;Unit\n14.01.2025;BOD;468,5;mg/L\n27.01.2025;BOD;<5;mg/L\n"
    (tmp_path / "lab.csv").write_text(text)
    names = {"date": "Taken", "parameter": "What", "value": "mg", "unit": "Unit"}
    first, second = read_samples(tmp_path / "lab.csv", how=HowRead(names, day_first=True))
    assert (first.taken, first.value) == (date(2025, 1, 14), D("468.5"))
    assert second.below_limit and second.value == 5


@pytest.mark.parametrize(
    "more, message",
    [
        ("[claim]\npayments = { file = 'p.csv', columns = { paid = 'Date' } }", "no column 'paid'"),
        ("[account]\nsamples = { columns = { date = 'Taken' } }", "file"),
        ("[account]\nsamples = { file = 'p.csv', columns = { date = 'Taken' } }", "column Taken"),
    ],
)
def test_a_small_table_named_wrongly_is_refused(tmp_path, more, message):
    works = Works()
    works.extra["p.csv"] = "date,parameter,value,unit\n2025-01-31,BOD,400,mg/L\n"
    with pytest.raises(InputRefused, match=message):
        works.audit(tmp_path, more=more + "\n")


def test_what_changes_between_bills_is_told_where_it_goes(tmp_path):
    folder = Works().write(tmp_path)
    case = folder / "case.toml"
    text = case.read_text().replace("[rates]", '[invoices.columns]\nmeter_size = "D"\n[rates]')
    case.write_text(text)
    with pytest.raises(InputRefused, match=r"stands under \[account\] by_invoice"):
        load_case(folder)


@pytest.mark.slow
@pytest.mark.parametrize("every", [7, 30])
def test_reads_of_other_instants_seldom_accuse_a_right_account(every):
    """Sixty invented accounts of twelve right invoices each, known by interpolation only."""
    file = Path(__file__).parent / "simulations" / "read_instants.py"
    spec = importlib.util.spec_from_file_location("read_instants", file)
    simulation = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(simulation)
    assert sum(bool(simulation.accused(seed, every)) for seed in range(60)) <= 2
