"""Every rule that changes an amount can be written in a rate file, and does what it says."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

import pytest

from sewer_audit.charges import InvoiceFacts, Sample, UsePeriod, price, read_samples
from sewer_audit.charges.pricing.strengths import charged_strength, samples_used
from sewer_audit.charges.schedule.figures import LITRES, litres_per
from sewer_audit.charges.schedule.loading import parse_rates
from sewer_audit.errors import InputRefused

D = Decimal
VOLUME = '[[version.volume]]\nname = "sewer"\nunit = "kgal"\nbasis = "intake"\n'


def head(**stated: str) -> str:
    given = {
        "rate_change": '"by end"',
        "end_day_counts": "false",
        "line_rounding": "{ to = 0.01 }",
        "total_rounding": "{ to = 0.01 }",
    } | stated
    rows = "".join(f"{key} = {value}\n" for key, value in given.items())
    return f'[schedule]\nname = "example"\ncurrency = "USD"\n{rows}'


def version(body: str, effective: str = "2000-01-01") -> str:
    return f"[[version]]\neffective = {effective}\n{body}"


def charge(kind: str, more: str, name: str = "x") -> str:
    return f'[[version.charge]]\nname = "{name}"\nkind = "{kind}"\n{more}\n'


def rates(body: str, **stated: str):
    return parse_rates(head(**stated) + version(body))


def use(kgal: str = "10", days: int = 30, start: date = date(2025, 3, 1), **stated):
    end = start + timedelta(days=days)
    stated = {"volumes": {"intake": D(kgal)}} | stated
    return InvoiceFacts("i", start, end, "kgal", **stated)


def total(body: str, facts: InvoiceFacts, **stated: str) -> Decimal:
    return price(rates(body, **stated), facts).total


# -- volume ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "rule, expected",
    [
        ('{ to = 0.1, rule = "down" }', "12.3"),  # Chrisman, Illinois: down to 100 gal
        ('{ to = 1, rule = "down" }', "12"),  # Greenville, Illinois: down to 1,000 gal
        ('{ to = 1, rule = "up" }', "13"),  # Pierce County, Washington: up to the next unit
        ('{ to = 0.1, rule = "half up" }', "12.4"),  # Dover, Idaho: to the nearest 100 gal
        ('{ rule = "none" }', "12.35"),  # Arden Hills, Minnesota: within the 1,000 gal unit
        ('{ to = 0.1, rule = "half even" }', "12.4"),
    ],
)
def test_volume_is_rounded_before_it_is_priced(rule, expected):
    """Rules met in municipal codes (codes as read; half even is common practice, no source)."""
    body = VOLUME + f"rounding = {rule}\n" + charge("volume", "rate = 1")
    assert total(body, use("12.35")) == D(expected)


@pytest.mark.parametrize("month, expected", [(4, "8"), (9, "8"), (10, "10"), (3, "10")])
def test_seasonal_return_factor(month, expected):
    """Cochrane, Alberta, new accounts: 80 % April to September, 100 % October to March."""
    summer = ", ".join(f'{m} = "80 %"' for m in range(4, 10))
    body = VOLUME + f"return_factor_by_month = {{ {summer} }}\n" + charge("volume", "rate = 1")
    facts = use(start=date(2025, month, 1), days=20)
    assert total(body, facts) == D(expected)


def test_allowance_is_per_property_and_year_not_per_reading():
    """Water Corporation, Western Australia, 2009-10: (discharge - 200 kL a year) x 232.8 c/kL."""
    body = (
        '[[version.volume]]\nname = "sewer"\nunit = "kL"\nbasis = "discharge"\n'
        'allowance = "200 kL"\nallowance_per = "365 days"\n' + charge("volume", "rate = 2.328")
    )
    year = InvoiceFacts(
        "y", date(2009, 7, 1), date(2010, 7, 1), "kL", volumes={"discharge": D(500)}
    )
    assert total(body, year) == D("698.40")  # computed: 300 x 2.328
    halves = [
        year.but(start=a, end=b, volumes={"discharge": v})
        for a, b, v in (
            (date(2009, 7, 1), date(2010, 1, 1), D(300)),
            (date(2010, 1, 1), date(2010, 7, 1), D(200)),
        )
    ]
    assert abs(sum(total(body, half) for half in halves) - D("698.40")) <= D("0.01")


def test_winter_average_lowest_bills():
    """Bartlesville, Oklahoma: lowest 3 of 4 bills x 1.2, floor 2,000 gal, default 7,000 gal."""
    rule = 'winter = { method = "lowest bills", bills = 3, times = "6/5", floor = 2, default = 7'
    rest = " }\n" + charge("volume", "rate = 1")
    body = VOLUME.replace("intake", "winter average") + rule + ', floor_of = "average"' + rest
    for winter, expected in (((9, 4, 5, 6), "6"), ((1, 1, 1, 1), "2"), ((), "7")):
        facts = use(winter=tuple(UsePeriod(D(v)) for v in winter))
        assert total(body, facts) == D(expected)
    ones = use(winter=tuple(UsePeriod(D(1)) for _ in range(4)))
    month = body.replace('floor_of = "average"', 'floor_of = "each month"')
    assert total(month, ones) == D("2.4")  # 2, 2 and 2 in place of 1, 1 and 1, times 1.2
    with pytest.raises(InputRefused, match=r"2\.4 or 2.*floor_of = 'each month'"):
        total(body.replace(', floor_of = "average"', ""), ones)


def test_winter_average_by_days():
    """Rio Rancho, New Mexico: total use / total days x 30.42."""
    rule = 'winter = { method = "use per day", days = 30.42, months = [1, 2], '
    rule += 'month_of = "end date" }\n'
    body = VOLUME.replace("intake", "winter average") + rule + charge("volume", "rate = 100")
    winter = (
        UsePeriod(D(6), date(2024, 12, 15), date(2025, 1, 15)),
        UsePeriod(D(5), date(2025, 1, 15), date(2025, 2, 14)),
        UsePeriod(D(99), date(2025, 4, 14), date(2025, 5, 14)),
    )
    assert total(body, use(winter=winter)) == D("548.56")  # computed: 11 / 61 x 30.42 x 100


def test_lower_of_actual_and_average():
    """West St. Paul, Minnesota: the lower of actual use and winter average."""
    body = VOLUME.replace('"intake"', '"lower of actual and winter average"')
    body += "winter = { }\n" + charge("volume", "rate = 1")
    average = (UsePeriod(D(8)),)
    assert total(body, use("10", winter=average)) == 8
    assert total(body, use("6", winter=average)) == 6
    with pytest.raises(InputRefused, match=r"no earlier periods.*default"):
        total(body, use("6"))
    assert total(body.replace("{ }", '{ default = "actual use" }'), use("6")) == 6


def test_combination_of_meters():
    """Louisville MSD: addition meters less certified subtraction meters; a charge per reading."""
    body = (
        VOLUME.replace('"intake"', '"intake less deduct"')
        + 'deduct = ["cooling", "product"]\nadded = ["well"]\n'
        + charge("volume", "rate = 1")
        + charge("fixed", 'amount = 126.17\ncount = "customer meters"', "readings")
    )
    meters = {"intake": D(100), "cooling": D(20), "product": D(5), "well": D(30)}
    facts = use(volumes=meters, counts={"customer meters": D(3)})
    assert total(body, facts) == D("105") + 3 * D("126.17")


@pytest.mark.parametrize(
    "basis, more, counts, expected",
    [
        ("flat", "amount = 5\namount_per = 'month'", {}, "5"),
        ("equivalent units", "amount = 7.5", {"equivalent units": D("1.5")}, "11.25"),
        ("discharge", "", {}, "8"),
    ],
)
def test_other_bases(basis, more, counts, expected):
    """Flat, equivalent units, metered discharge (Delphos, Ohio: 100 % of the effluent meter)."""
    body = VOLUME.replace('"intake"', f'"{basis}"') + more + "\n" + charge("volume", "rate = 1")
    facts = use(volumes={"intake": D(10), "discharge": D(8)}, counts=counts)
    assert total(body, facts) == D(expected)


# -- fixed, minimum, blocks -----------------------------------------------------------------------


def test_fixed_by_meter_size():
    """EPCOR, Edmonton, 2018: fixed CAD a month 71.27 at 50 mm, 274.33 at 100 mm; 0.9729 $/m3."""
    body = (
        '[[version.volume]]\nname = "sewer"\nunit = "m3"\nbasis = "intake"\n'
        + charge("fixed", 'by_meter_size = { "50 mm" = 71.27, "100 mm" = 274.33 }\nper = "month"')
        + charge("volume", "rate = 0.9729", "volume")
    )
    facts = use("0").but(volume_unit="m3", volumes={"intake": D(1000)}, meter_size="50 MM")
    assert total(body, facts) == D("71.27") + D("972.90")
    with pytest.raises(InputRefused, match=r"meter size.*'80 mm'.*State one of 50 mm, 100 mm"):
        total(body, facts.but(meter_size="80 mm"))


@pytest.mark.parametrize(
    "days, more, expected",
    [
        (45, 'proration = "standard days"\nstandard_days = 30', "45.00"),
        (30, 'proration = "standard days"\nstandard_days = 30', "30.00"),
        (33, 'proration = "standard days"\nstandard_days = 30\nnormal_days = [26, 34]', "30.00"),
        (35, 'proration = "standard days"\nstandard_days = 30\nnormal_days = [26, 34]', "35.00"),
        (31, 'proration = "calendar days"', "30.00"),  # the whole of March
        (46, 'proration = "calendar days"', "45.00"),  # March and half of April
        (60, 'proration = "none"', "60.00"),
        (34, 'proration = "none"', "30.00"),
        (9, 'proration = "none"', "30.00"),
    ],
)
def test_proration(days, more, expected):
    """Standard month of 30 days outside the normal interval: Glendale, Arizona, s. 33-8."""
    body = VOLUME + charge("fixed", f'amount = 30\nper = "month"\n{more}')
    assert total(body, use(days=days)) == D(expected)


@pytest.mark.parametrize("days", [45, 46, 75])
def test_a_bill_between_one_month_and_two_is_no_guess(days):
    body = VOLUME + charge("fixed", 'amount = 30\nper = "month"')
    with pytest.raises(InputRefused, match=rf"its {days} days are no whole number of months"):
        total(body, use(days=days))
    assert total(body, use(days=days, months=D("1.5"))) == 45


def test_daily_rate_is_rounded_before_the_days():
    """New Zealand utility sheet, 2016: the daily rate to cents first, 2 cents over 12 days."""
    plain = 'amount = 205.24\nper = "year"\nproration = "standard days"\nstandard_days = 365\n'
    exact = total(VOLUME + charge("fixed", plain), use(days=12))
    daily = plain + "daily_rounding = { to = 0.01 }\n"
    assert (exact, total(VOLUME + charge("fixed", daily), use(days=12))) == (D("6.75"), D("6.72"))


def test_blocks_by_the_day():
    """Boston, Massachusetts: blocks by the day; Barrie, Ontario: 15 m3 for each 30 days."""
    table = "blocks = [ { to = 1, rate = 1 }, { rate = 2 } ]\n"
    by_day = VOLUME + charge("volume", table + 'blocks_per = "day"')
    assert total(by_day, use("40", days=31)) == 31 + 2 * 9
    by_month = VOLUME + charge("volume", table + 'blocks_per = "30 days"')
    assert total(by_month, use("40", days=45)) == D("1.5") + 2 * D("38.5")


def test_whole_volume_at_one_rate():
    """Watercare, Auckland: a plan chosen by the whole volume."""
    table = 'blocks = [ { to = 10, rate = 3 }, { rate = 2 } ]\nblocks_on = "whole volume"\n'
    body = VOLUME + charge("volume", table)
    assert [total(body, use(v)) for v in ("10", "11")] == [30, 22]


def test_cumulative_table():
    """Foxborough, Massachusetts: initial cost and a rate above; cents need not follow the rates."""
    table = "blocks = [ { to = 10, rate = 3 }, { to = 20, rate = 4, base = 30.01 }, "
    table += "{ rate = 5, base = 70.03 } ]\n"
    body = VOLUME + charge("volume", table)
    assert [total(body, use(v)) for v in ("8", "12", "25")] == [24, D("38.01"), D("95.03")]


def test_minimum_tops_up_and_no_more():
    """A minimum is no charge on top: Scottsbluff, Nebraska, $45.77 to 10,000 gal."""
    body = VOLUME + charge("volume", "rate = 6", "use")
    body += charge("minimum", 'amount = 45.77\nof = ["use"]', "minimum")
    assert [total(body, use(v)) for v in ("2", "10")] == [D("45.77"), 60]


def test_return_factor_may_scale_the_fixed_charge():
    """Hunter Water, New South Wales: service charge x discharge factor."""
    fixed = charge("fixed", 'amount = 100\nscaled_by_return_factor_of = "sewer"', "service")
    body = VOLUME + 'return_factor = "70 %"\n' + fixed + charge("volume", "rate = 1")
    assert total(body, use("10")) == 77


# -- strength -------------------------------------------------------------------------------------

LOAD = 'rate_per = "{per}"\nload = {{ constant = {c}, volume = "{v}", mass = "{m}" }}\n'


@pytest.mark.parametrize(
    "per, constant, volume, mass, rate, expected",
    [
        ("lb", "8.34", "MG", "lb", "1", "8340.00"),
        ("lb", "0.00834", "kgal", "lb", "1", "8340.00"),  # Hutchinson, Minnesota
        ("lb", "0.0000083", "gal", "lb", "1", "8300.00"),  # Metamora, Illinois
        ("lb", "8.345", "MG", "lb", "1", "8345.00"),  # Zanesville, Ohio
        ("short ton", "8.34", "MG", "lb", "860.43", "3587.99"),  # St. Louis MSD, dollars a ton
        ("lb", "0.0062321", "CCF", "lb", "1", "8331.11"),  # Seymour, Indiana
        ("kg", "0.001", "m3", "kg", "1", "3785.41"),  # the SI form
        ("kg", "8.34", "MG", "lb", "1", "3782.96"),  # pounds charged by the kilogram
    ],
)
def test_load_constants(per, constant, volume, mass, rate, expected):
    """Constants as municipalities print them; amounts computed for 1 MG at 1000 mg/L excess."""
    load = LOAD.format(per=per, c=constant, v=volume, m=mass)
    body = VOLUME + charge("strength", f'parameter = "BOD"\nrate = {rate}\n{load}')
    assert total(body, use("1000", strengths={"BOD": D(1000)})) == D(expected)


def strength(more: str, strengths: dict[str, int], threshold: int = 250) -> Decimal:
    """Charged excess in mg/L: 1 kgal at a constant of 1 and a price of 1."""
    load = LOAD.format(per="lb", c="1", v="kgal", m="lb")
    rule = f'parameter = "BOD"\nthreshold = {threshold}\nrate = 1\n{load}{more}\n'
    facts = use("1", strengths={k: D(v) for k, v in strengths.items()})
    return total(VOLUME + charge("strength", rule), facts)


def test_substitute_parameters():
    """Zanesville, Ohio: max(BOD, 0.5 COD); Lake Crystal, Minnesota: 1.8 TOC where BOD is missing;
    Harrisburg, North Carolina: never below 250; Cookeville, Tennessee: COD above max(2.5 BOD, 800).
    """
    assert strength("at_least = { COD = 0.5 }", {"BOD": 300, "COD": 900}) == 200
    assert strength("if_missing = { TOC = 1.8 }", {"TOC": 200}) == 110
    assert strength("floor = 250", {"BOD": 100}, threshold=200) == 50
    load = LOAD.format(per="lb", c="1", v="kgal", m="lb")
    cod = f'parameter = "COD"\nthreshold = 800\nthreshold_from = {{ BOD = 2.5 }}\nrate = 1\n{load}'
    facts = use("1", strengths={"COD": D(1500), "BOD": D(400)})
    assert total(VOLUME + charge("strength", cod), facts) == 500


@pytest.mark.parametrize("cod, at_ratio, expected", [(675, "false", 50), (675, "true", 225)])
def test_switch_at_the_ratio_itself(cod, at_ratio, expected):
    """Austin, Texas: COD where COD/BOD > 2.25; Sunset Valley, Texas: where it is >= 2.25."""
    switch = 'instead = { parameter = "COD", ratio = 2.25, threshold = 450, rate = 1, '
    switch += f"at_ratio = {at_ratio} }}"
    assert strength(switch, {"BOD": 300, "COD": cod}) == expected


@pytest.mark.parametrize("bod, bands", [(400, 0), (401, 1), (600, 1), (601, 2)])
def test_bands_and_whole_dollars(bod, bands):
    """Singapore, trade effluent regulations: 37.45 c/m3 for each 200 mg/L or part above 400, per m3
    or part, the bill cut to whole dollars (from 2022-03-23)."""
    body = (
        '[[version.volume]]\nname = "te"\nunit = "m3"\nbasis = "discharge"\n'
        'rounding = { to = 1, rule = "up" }\n'
        + charge(
            "strength bands",
            'parameter = "BOD"\nthreshold = 400\nband = 200\nrate = 0.3745\nunit = "m3"',
        )
    )
    facts = use(volumes={"discharge": D("999.2")}, strengths={"BOD": D(bod)})
    cut = '{ to = 1, rule = "down" }'
    amount = total(body, facts.but(volume_unit="m3"), total_rounding=cut)
    assert amount == int(bands * 1000 * D("0.3745"))


def test_share_of_the_bill():
    """Port St. Lucie, Florida: bill x (1 + ((BOD - 300) + (TSS - 300)) / 300)."""
    body = VOLUME + charge("volume", "rate = 1", "use")
    for name in ("BOD", "TSS"):
        rule = f'parameter = "{name}"\nthreshold = 300\nof = ["use"]\n'
        body += charge("strength share", rule, name)
    facts = use("100", strengths={"BOD": D(450), "TSS": D(360)})
    assert total(body, facts) == 170


def test_samples_are_averaged_by_the_rule_of_the_schedule():
    """Wessex Water: the latest ten samples, outliers by a modified z removed, the rest averaged."""
    days = [date(2025, 1, 1) + timedelta(days=k) for k in range(12)]
    values = [9999, 9999, 500, 510, 490, 505, 495, 500, 502, 498, 5000, 500]
    samples = tuple(Sample(d, "COD", D(v)) for d, v in zip(days, values, strict=True))
    rule = (
        '[version.samples]\nwindow = "up to end"\nlatest = 10\noutliers = "modified z"\n'
        + charge("volume", "rate = 1")
    )
    schedule = rates(VOLUME + rule)
    chosen = schedule.version[0].samples
    facts = use(samples=samples)
    assert len(samples_used(chosen, facts, "COD")) == 9
    assert charged_strength(chosen, facts, "COD") == 500


def test_flow_weighted_mean_and_results_below_a_limit():
    """Computed: (100 x 1 + 400 x 3) / 4; half of a limit where the result lies below it."""
    rule = '[version.samples]\nmethod = "flow weighted mean"\n' + charge("volume", "rate = 1")
    chosen = rates(VOLUME + rule).version[0].samples
    day = date(2025, 3, 5)
    facts = use(samples=(Sample(day, "P", D(100), flow=D(1)), Sample(day, "P", D(400), flow=D(3))))
    assert charged_strength(chosen, facts, "P") == 325
    below = use(samples=(Sample(day, "P", D(10), below_limit=True, flow=D(1)),))
    assert charged_strength(chosen, below, "P") == 5
    with pytest.raises(InputRefused, match=r"invoice i has no N sample.*Add samples"):
        charged_strength(chosen, facts, "N")


def test_sample_file(tmp_path):
    """A results file with units, a value below a limit, and a row that is refused by its line."""
    path = tmp_path / "samples.csv"
    path.write_text("date,parameter,value,unit\n2025-03-05,BOD,412,mg/L\n2025-03-05,P,<50,ug/L\n")
    first, second = read_samples(path)
    assert (first.value, second.value, second.below_limit) == (412, D("0.05"), True)
    path.write_text("date,parameter,value,unit\n05/03/2025,BOD,412,mg/L\n2025-03-06,BOD,n/a,mg/L\n")
    with pytest.raises(InputRefused, match=r"(?s)line 2, column date.*line 3, column value"):
        read_samples(path)


# -- change of rates inside a period --------------------------------------------------------------

TWO = version(VOLUME + charge("volume", "rate = 1", "use")) + version(
    VOLUME + charge("volume", "rate = 3", "use"), "2025-03-11"
)


@pytest.mark.parametrize(
    "rule, expected",
    [
        ('"by start"', "30"),  # Redwood City, California: the old ordinance until the period ends
        ('"by end"', "90"),
        ('"by bill date"', "90"),  # Scottsbluff, Nebraska: all use on bills after a date
        ('"split by days"', "70"),  # New South Wales councils: by average daily use between reads
    ],
)
def test_change_of_rates_inside_a_period(rule, expected):
    """Conventions met in practice; 30 kgal in 30 days, of which 10 before the change (computed)."""
    schedule = parse_rates(head(rate_change=rule) + TWO)
    facts = use("30", bill_date=date(2025, 4, 10))
    assert price(schedule, facts).total == D(expected)


FIXED = charge("fixed", "amount = {0}", "base") + charge(
    "percent", 'rate = 0.045\nof = "all"', "tax"
)


@pytest.mark.parametrize(
    "split, base, lines", [("whole line", "189.33", 2), ("each part", "189.34", 4)]
)
def test_a_line_that_rates_share_is_rounded_once_or_by_part(split, base, lines):
    """186.40 for 20 and 193.85 for 13 of 33 days: 189.3348, or 112.97 + 76.37 (computed)."""
    text = head(rate_change='"split by days"', split_rounding=f'"{split}"')
    text += version(FIXED.format("186.40")) + version(FIXED.format("193.85"), "2026-01-01")
    priced = price(parse_rates(text), use(start=date(2025, 12, 12), days=33))
    assert priced.by_column["base"] == D(base)
    assert len(priced.lines) == lines
    assert priced.total == sum(priced.by_column.values())
    if split == "whole line":
        assert priced.by_column["tax"] == D("8.52")  # 4.5 % of the rounded line
        assert "20 days from 2025-12-12" in priced.lines[0].terms[0].name


def test_volumes_of_a_split_period_are_shares():
    schedule = parse_rates(head(rate_change='"split by days"') + TWO)
    priced = price(schedule, use("30"))
    assert [round(volume.value, 20) for volume in priced.volumes] == [10, 20]


def test_versions_may_order_their_lines_differently():
    one = charge("fixed", "amount = 30", "a") + charge("percent", 'rate = 0.1\nof = ["a"]', "b")
    two = charge("fixed", "amount = 3", "b") + charge("percent", 'rate = 0.1\nof = ["b"]', "a")
    text = head(rate_change='"split by days"') + version(one) + version(two, "2025-03-11")
    priced = price(parse_rates(text), use())
    assert priced.by_column == {"a": D("10.20"), "b": D("3.00")}


def test_bill_date_is_asked_for():
    schedule = parse_rates(head(rate_change='"by bill date"') + TWO)
    with pytest.raises(InputRefused, match=r"bill_date.*no bill date.*Add a bill_date column"):
        price(schedule, use())


def test_a_version_in_force_is_needed():
    schedule = parse_rates(head() + version(VOLUME + charge("volume", "rate = 1"), "2026-01-01"))
    with pytest.raises(InputRefused, match=r"no version is in force on 2025-03-30.*Add the older"):
        price(schedule, use())


# -- taxes, rounding of lines and totals ----------------------------------------------------------


def test_percentage_on_all_and_credit():
    """Canyon Lake, California: 3.95 % of sewer charges; a credit is a negative percentage."""
    body = VOLUME + charge("volume", "rate = 10", "use") + charge("fixed", "amount = 20", "base")
    body += charge("percent", 'rate = "3.95 %"\nof = "all"', "tax")
    body += charge("percent", 'rate = "-10 %"\nof = ["use"]', "credit")
    priced = price(rates(body), use("10"))
    assert [line.amount for line in priced.lines] == [100, 20, D("4.74"), -10]


def test_a_line_outside_the_total():
    """Geneva, Nebraska: tax is added outside the printed total."""
    body = VOLUME + charge("fixed", "amount = 20", "base")
    body += charge("percent", 'rate = "5 %"\nof = "all"\nin_total = false', "tax")
    priced = price(rates(body), use())
    assert (priced.total, priced.by_column["tax"]) == (20, 1)


@pytest.mark.parametrize(
    "rule, expected",
    [("half up", "0.13"), ("half even", "0.12"), ("down", "0.12"), ("up", "0.13")],
)
def test_rounding_of_a_tie(rule, expected):
    body = VOLUME + charge("volume", "rate = 0.0125")
    assert total(body, use("10"), line_rounding=f'{{ to = 0.01, rule = "{rule}" }}') == D(expected)


def test_a_line_says_how_it_was_rounded():
    line = price(rates(VOLUME + charge("volume", "rate = 0.0125")), use("10")).lines[0]
    assert line.rounding == "0.125 half up to 0.01"
    assert (line.quantity, line.unit, line.rate, line.unrounded) == (
        10,
        "kgal",
        D("0.0125"),
        D("0.125"),
    )


# -- refusals -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "body, message",
    [
        (charge("volume", "rate = 1\ncolour = 2"), r"charge 1 \(x\).colour: this key is not known"),
        (charge("volume", ""), r"charge 1 \(x\).*needs one of rate, rate_by_class, blocks"),
        (charge("volume", "rate = 'six'"), r"charge 1 \(x\).rate: 'six' is no number"),
        (charge("toll", "rate = 1"), r"kind 'toll' is not known. Write one of 'fixed', 'volume'"),
        (charge("percent", 'rate = 0.1\nof = ["y"]'), r"on line 'y', which no charge above it"),
        (charge("percent", 'rate = 9\nof = "all"'), r"900 % of the lines.*Write '9 %' or 0.09"),
        (charge("percent", 'rate = "120 %"\nof = "all"'), r"120 % .*with a multiplier"),
        (charge("fixed", "amount = 9\nlate_fee = true"), r"a late fee needs count.*Write count"),
        (
            charge("volume", 'rate = 1\nvolume = "z"'),
            r"on volume 'z', which is not there. Write one of \['sewer'\]",
        ),
        (
            charge("volume", "blocks = [ { to = 2, rate = 1 } ]"),
            r"every block but the last needs",
        ),
        (charge("volume", "rate = 1") * 2, r"charge 'x' is there twice"),
        (charge("fixed", "amount = 1\nproration = 'standard days'"), r"charge per bill cannot"),
        (charge("volume", "rate = 1\nrounding = { to = -1 }"), r"rounding.to: .*greater than 0"),
    ],
)
def test_a_wrong_rate_file_is_refused_by_file_key_and_remedy(body, message):
    with pytest.raises(InputRefused, match=rf"(?s)^rates.toml, line \d+, key version 1.*{message}"):
        rates(VOLUME + body)


@pytest.mark.parametrize(
    "text, message",
    [
        ("[schedule\n", r"rates.toml, line 1: not readable as TOML"),
        ("", r"schedule: this key is missing. Add it"),
        (
            head(rate_change='"when"') + version(VOLUME + charge("volume", "rate = 1")),
            "rate_change",
        ),
        (head() + 2 * version(VOLUME + charge("volume", "rate = 1")), "order of their effective"),
    ],
)
def test_a_wrong_head_is_refused(text, message):
    with pytest.raises(InputRefused, match=message):
        parse_rates(text)


def test_every_fault_is_named_at_once():
    body = VOLUME + charge("volume", "rate = 'a'") + charge("fixed", "amount = 'b'", "y")
    with pytest.raises(InputRefused) as refused:
        rates(body)
    assert len(refused.value.problems) == 2


def test_which_volume_is_billed_must_be_told():
    two = VOLUME + VOLUME.replace("sewer", "water")
    body = two + charge("volume", 'rate = 1\nvolume = "sewer"')
    facts = use(billed_volume=D(7))
    with pytest.raises(InputRefused, match=r"2 volumes.*invoiced = true"):
        total(body, facts)
    told = body.replace('name = "sewer"\nunit', 'name = "sewer"\ninvoiced = true\nunit')
    assert total(told, facts) == 7


@pytest.mark.parametrize(
    "spelled, known",
    [("ft3", "cf"), ("gallon", "gal"), ("liter", "L"), ("m**3", "m3")],
)
def test_another_spelling_of_a_unit_has_exactly_its_size(spelled, known):
    assert litres_per(spelled, {}) == LITRES[known]
    assert litres_per(spelled, {known: (D("7.48"), "gal")}) == D("7.48") * LITRES["gal"]
