"""Further rules of municipal codes and price lists, each written in a rate file and priced.

Rates and rules are those of the sources named (pages as stored, of varying age); quantities and
expected amounts are computed here by hand.
"""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from sewer_audit.charges import (
    BilledInvoice,
    InvoiceFacts,
    find_signatures,
    price,
    price_draws,
    rates_of,
)
from sewer_audit.charges.schedule.loading import parse_rates
from sewer_audit.errors import InputRefused

D = Decimal
HEAD = """
[schedule]
name = "example"
currency = "USD"
rate_change = "by end"
end_day_counts = false
line_rounding = { to = 0.01 }
total_rounding = { to = 0.01 }
MORE
[[version]]
effective = 2000-01-01
"""


def rates(body: str, more: str = ""):
    return parse_rates(HEAD.replace("MORE", more) + body)


def volume(unit: str = "kgal", more: str = "", name: str = "sewer", basis: str = "intake") -> str:
    return f'[[version.volume]]\nname = "{name}"\nunit = "{unit}"\nbasis = "{basis}"\n{more}\n'


def charge(name: str, kind: str, more: str) -> str:
    return f'[[version.charge]]\nname = "{name}"\nkind = "{kind}"\n{more}\n'


def facts(unit: str = "kgal", end: date = date(2021, 3, 31), **stated) -> InvoiceFacts:
    return InvoiceFacts("example", date(2021, 3, 1), end, unit, **stated)


def load(parameter: str, more: str, per: str, constant: str = "8.34", unit: str = "MG") -> str:
    mass = "kg" if per.endswith("kg") else "lb"
    rule = f'load = {{ constant = {constant}, volume = "{unit}", mass = "{mass}" }}'
    return charge(
        parameter, "strength", f'parameter = "{parameter}"\nrate_per = "{per}"\n{rule}\n{more}'
    )


def amount(schedule, use: InvoiceFacts, line: str) -> Decimal:
    return price(schedule, use).by_column[line]


@pytest.mark.parametrize("months, expected", [("0", "0.00"), ("1", "11.00"), ("3", "13.00")])
def test_late_fee_and_interest_on_an_overdue_bill(months, expected):
    """Silver Creek Township, Michigan: 10 %, and 1 % for every month overdue; on USD 100."""
    late_line = 'of = ["sewer"]\nline = "late"\n'
    schedule = rates(
        volume()
        + charge("sewer", "volume", "rate = 10")
        + charge("penalty", "percent", f'rate = "10 %"\ncount = "overdue"\n{late_line}')
        + charge("interest", "percent", f'rate = "1 %"\ncount = "months overdue"\n{late_line}')
    )
    late = {"overdue": D(min(int(months), 1)), "months overdue": D(months)}
    assert amount(schedule, facts(billed_volume=D(10), counts=late), "late") == D(expected)


def test_a_count_that_is_not_stated_is_asked_for():
    schedule = rates(
        volume()
        + charge("sewer", "volume", "rate = 10")
        + charge("late", "percent", 'rate = "1 %"\nof = ["sewer"]\ncount = "months overdue"')
    )
    with pytest.raises(InputRefused, match="states no 'months overdue', which charge 'late'"):
        price(schedule, facts(billed_volume=D(10)))


@pytest.mark.parametrize("pans, credit", [(2, "-400.00"), (9, "-1000.00")])
def test_a_credit_takes_off_no_more_than_there_is(pans, credit):
    """Tasman, New Zealand: the pan charge is a credit against the trade waste charge of combined
    streams; it cannot make that charge negative (the limit is common practice, no source)."""
    schedule = rates(
        volume("m3", basis="discharge")
        + charge("pan charge", "fixed", 'amount = 200\ncount = "pans"')
        + charge("trade waste", "volume", "rate = 2.00")
        + charge(
            "credit", "percent", 'rate = "-100 %"\nof = ["pan charge"]\nagainst = ["trade waste"]'
        )
    )
    use = facts("m3", billed_volume=D(500), counts={"pans": D(pans)})
    assert amount(schedule, use, "credit") == D(credit)
    drawn = price_draws(schedule, use, [400.0, 500.0, 600.0])
    exact = [price(schedule, use.but(billed_volume=D(v))).total for v in (400, 500, 600)]
    assert [round(float(x), 2) for x in drawn] == [float(x) for x in exact]


def test_capacity_charges_per_year():
    """Nelson, New Zealand, from 2017-07-01: 606.11 per L/min and 1,097.29 per kg BOD/day a year."""
    prorated = 'per = "year"\nproration = "standard days"\nstandard_days = 365'
    schedule = rates(
        charge("flow", "fixed", f'amount = 606.11\ncount = "L/min"\n{prorated}')
        + charge("load", "fixed", f'amount = 1097.29\ncount = "kg BOD/day"\n{prorated}')
    )
    use = facts("m3", end=date(2021, 5, 31), counts={"L/min": D(40), "kg BOD/day": D("12.5")})
    # 24,244.40 and 13,716.125 a year, 91 days of 365
    assert amount(schedule, use, "flow") == D("6044.49")
    assert amount(schedule, use, "load") == D("3419.64")


def test_loads_below_an_allowance_are_free():
    """South Australia: BOD is charged above 10 t a year, 833.3 kg a month (rate made up)."""
    schedule = rates(
        volume("m3", basis="discharge")
        + load("BOD", "rate = 0.40\nload_allowance = 833.3", "kg", "0.001", "m3")
    )
    use = facts("m3", billed_volume=D(2000), strengths={"BOD": D(900)})
    assert amount(schedule, use, "BOD") == D("386.68")  # (1800 - 833.3) kg x 0.40
    weak = use.but(strengths={"BOD": D(400)})
    assert amount(schedule, weak, "BOD") == 0


@pytest.mark.parametrize(
    "per, rate, constant, unit, expected",
    [
        ("1000 lb", "250", "8.34", "MG", "417.00"),  # towns in North Carolina: $ per 1,000 lb
        ("100 lb", "25", "8.34", "MG", "417.00"),
        ("short ton", "430.22", "8.34", "MG", "358.80"),  # St. Louis MSD, COD
        ("kg", "1.61", "0.001", "m3", "1218.90"),  # Niagara, Ontario: $1.61 a kilogram
        ("1000 kg", "1610", "0.001", "m3", "1218.90"),
    ],
)
def test_rates_per_mass(per, rate, constant, unit, expected):
    """1 MG (3785.411784 m3) at 200 mg/L: 1668 lb, or 757.0824 kg."""
    schedule = rates(
        volume(unit, basis="discharge") + load("COD", f"rate = {rate}", per, constant, unit)
    )
    used = D(1) if unit == "MG" else D("3785.411784")
    use = facts(unit, billed_volume=used, strengths={"COD": D(200)})
    assert amount(schedule, use, "COD") == D(expected)


def test_a_fixed_strength_for_a_trade():
    """Wessex Water: some trades have fixed strengths, the lowest class 21 mg/L of solids."""
    trade = charge(
        "trade effluent",
        "trade effluent",
        'unit = "m3"\nconveyance = 0.3093\ntreatment = 0.3488\nbiological = 0.2308\n'
        "solids = 0.2693\nstandard_oxygen_demand = 260\nstandard_solids = 240\n"
        "unit_rate_rounding = { to = 0.0001 }",
    )
    samples = "[version.samples]\nfixed = { TSS = 21 }\n"
    schedule = rates(volume("m3", basis="discharge") + trade + samples)
    use = facts("m3", billed_volume=D(1000), strengths={"COD": D(520), "TSS": D(999)})
    # 0.3093 + 0.3488 + 0.2308 x 2 + 0.2693 x 21/240 = 1.14326375, to four decimals
    assert amount(schedule, use, "trade effluent") == D("1143.30")


def test_sea_outfall_in_place_of_biological_treatment():
    """The trade effluent formula, R + (V + Bv or M) + ...: terms add up (figures made up)."""
    terms = "conveyance = 0.30\ntreatment = 0.20\nbiological = 0\nsolids = 0\n"
    terms += "standard_oxygen_demand = 260\nstandard_solids = 240\n"
    use = facts("m3", billed_volume=D(100), strengths={"COD": D(1), "TSS": D(1)})
    for key, expected in (("biological_volume", "57.00"), ("sea_outfall", "57.00")):
        body = charge("te", "trade effluent", f'unit = "m3"\n{terms}{key} = 0.07')
        assert amount(rates(volume("m3", basis="discharge") + body), use, "te") == D(expected)


@pytest.mark.parametrize("part", ["conveyance", "treatment", "biological", "solids"])
def test_no_part_of_the_trade_effluent_formula_is_taken_as_nothing_unasked(part):
    terms = dict.fromkeys(("conveyance", "treatment", "biological", "solids"), "0.30")
    terms |= {"standard_oxygen_demand": "260", "standard_solids": "240"}
    stated = "".join(f"{name} = {figure}\n" for name, figure in terms.items() if name != part)
    body = charge("te", "trade effluent", f'unit = "m3"\n{stated}')
    with pytest.raises(InputRefused, match=part):
        rates(volume("m3", basis="discharge") + body)


def test_strength_share_with_a_divisor_of_its_own():
    """Port St. Lucie, Florida: bill x (BOD - 300) / 300; here a divisor of 250 (made up)."""
    body = volume() + charge("sewer", "volume", "rate = 10")
    body += charge(
        "strength",
        "strength share",
        'parameter = "BOD"\nthreshold = 300\ndivisor = 250\nof = ["sewer"]',
    )
    use = facts(billed_volume=D(10), strengths={"BOD": D(600)})
    assert amount(rates(body), use, "strength") == 120


def test_sewage_by_the_subtract_method():
    """Retail practice in England: sewage is the water less what the trade effluent meter shows."""
    schedule = rates(
        volume("m3", 'deduct = ["trade meter"]\nreturn_factor = 0.95', basis="intake less deduct")
        + charge("sewage", "volume", "rate = 2")
    )
    use = facts("m3", volumes={"intake": D(1000), "trade meter": D(700)})
    assert amount(schedule, use, "sewage") == D("570.00")


def test_wholesale_share_and_outside_multiplier():
    """Scottsbluff, Nebraska: 92.5 % wholesale; Newark, Ohio: twice the debt charge outside."""
    schedule = rates(
        volume()
        + charge("sewer", "volume", "rate = 4\nmultiplier = 0.925")
        + charge("debt", "fixed", "amount = 3.50\nmultiplier = 2")
    )
    priced = price(schedule, facts(billed_volume=D(100)))
    assert priced.by_column == {"sewer": D("370.00"), "debt": D("7.00")}


def test_per_diem_of_a_quarter_and_fixed_periods():
    """Twinsburg, Ohio: a per-diem share of the quarter's charge; 20 days of 90 at USD 54."""
    schedule = rates(
        charge(
            "quarter",
            "fixed",
            'amount = 54\nper = "quarter"\nproration = "standard days"\nstandard_days = 90',
        )
    )
    assert amount(schedule, facts(end=date(2021, 3, 21)), "quarter") == D("12.00")


@pytest.mark.parametrize(
    "size, used, expected", [("5/8 in", 0, 3), ("6 in", 0, 22), ("6 in", 9, 36)]
)
def test_minimum_by_meter_size(size, used, expected):
    """Malden, Massachusetts, 2017: minimum sewer charges of 3.00 to 22.00 by the size of the meter.

    Which sizes these are, and the rate, are made up.
    """
    least = 'by_meter_size = { "5/8 in" = 3.00, "6 in" = 22.00 }\nof = ["use"]'
    schedule = rates(
        volume("CCF") + charge("use", "volume", "rate = 4") + charge("least", "minimum", least)
    )
    found = price(schedule, facts("CCF", billed_volume=D(used), meter_size=size))
    assert found.total == expected
    text = rates_of(schedule.version[0].charge[1], schedule.version[0], "USD")
    assert "5/8 in USD 3.00; 6 in USD 22.00" in text


def test_a_minimum_by_the_days_of_the_bill():
    """A minimum of a month, for the days of a first or last bill (common practice, no source)."""
    least = 'amount = 45.00\nper = "month"\nproration = "standard days"\nstandard_days = 30\n'
    schedule = rates(
        volume()
        + charge("use", "volume", "rate = 1")
        + charge("least", "minimum", least + 'of = ["use"]')
    )
    assert price(schedule, facts(end=date(2021, 3, 13), billed_volume=D(2))).total == 18  # 12 days


@pytest.mark.parametrize("value, expected", [(10_000, 80), (200_000, 180), (900_000, 400)])
def test_the_greater_and_the_lesser_of_two_amounts(value, expected):
    """SA Water: a charge on the value of the property, with a test of the lesser and the greater.

    Figures made up: 0.9 per 1000 of value, at least 80 and at most 400.
    """
    schedule = rates(
        charge("value", "fixed", 'amount = 0.9\ncount = "property value"\ncount_per = 1000')
        + charge("least", "minimum", 'amount = 80\nof = ["value"]')
        + charge("most", "maximum", 'amount = 400\nof = ["value", "least"]')
    )
    found = price(schedule, facts(counts={"property value": D(value)}))
    assert found.total == expected
    text = rates_of(schedule.version[0].charge[2], schedule.version[0], "USD")
    assert text == "what value and least goes beyond USD 400.00 per bill is taken off"


def test_a_product_of_counts():
    """Edmonton, 2018: area x intensity x run-off coefficient x 0.040649 a square metre and month.

    2,000 m2 of intensity 1.0 and run-off 0.5: 2000 x 1.0 x 0.5 x 0.040649 = 40.65.
    """
    three = 'count = ["area", "intensity", "run-off"]'
    schedule = rates(charge("stormwater", "fixed", f'amount = 0.040649\nper = "month"\n{three}'))
    counts = {"area": D(2000), "intensity": D("1.0"), "run-off": D("0.5")}
    assert amount(schedule, facts(counts=counts), "stormwater") == D("40.65")
    with pytest.raises(InputRefused, match="run-off"):
        price(schedule, facts(counts={"area": D(1), "intensity": D(1)}))


def test_three_times_the_estimate():
    """Toledo, Ohio: three times the estimate where a private well has no meter within a month."""
    schedule = rates(
        volume(more='amount = 40\ntimes = "3"', basis="flat") + charge("well", "volume", "rate = 2")
    )
    assert amount(schedule, facts(), "well") == 240


ESTIMATING = volume(more="rounding = { to = 0.1 }") + charge("sewer", "volume", "rate = 10")


def bill(schedule, month: int, used: str, billed: str, read_type: str = "actual"):
    use = InvoiceFacts(
        f"M{month}",
        date(2024 + (month - 1) // 12, (month - 1) % 12 + 1, 1),
        date(2024 + month // 12, month % 12 + 1, 1),
        "kgal",
        {"intake": D(used)},
    ).but(billed_volume=D(billed))
    printed = price(schedule, use)
    return BilledInvoice(use, printed.by_column, printed.total, read_type)


@pytest.mark.parametrize(
    "rule, billed, words",
    [
        ("mean of 3 bills", "120.0", "follows the rule of the schedule (mean of 3 bills)"),
        ("same period last year", "100.0", "follows the rule of the schedule (same period last"),
        ("mean of 3 bills", "100.0", "the same period last year, but by the rule of the schedule"),
        ("mean of 12 bills", "77.7", "(mean of 12 bills) it would be 112.667"),
        (None, "140.0", "the estimate of M14 is the last bill"),
    ],
)
def test_how_a_missing_read_was_estimated(rule, billed, words):
    """Lowell, Indiana: the mean of three bills; Folly Beach, South Carolina: the same month of the
    year before; Madera, California: the mean of a year. The last twelve add up to 1352."""
    schedule = rates(ESTIMATING, "" if rule is None else f'estimate = "{rule}"')
    uses = ["95", "100", "110", "115", "118", "112", "109", "104", "108", "116", "125", "100"]
    uses += ["140"]
    bills = [bill(schedule, k, used, used) for k, used in enumerate(uses, start=1)]
    bills[10] = bill(schedule, 11, "120", "120")
    bills.append(bill(schedule, 14, "130", billed, "estimated"))
    (found,) = find_signatures(schedule, bills)
    assert found.code == "estimated-read"
    assert words in found.sentence
