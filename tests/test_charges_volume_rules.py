"""Volumes in the steps of an ordinance, editions that inherit, and the winter of an average."""

from __future__ import annotations

from datetime import date
from decimal import ROUND_FLOOR, Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sewer_audit.charges import InvoiceFacts, UsePeriod, price, price_draws
from sewer_audit.charges.schedule.loading import parse_rates
from sewer_audit.charges.schedule.volume_rules import expression
from sewer_audit.errors import InputRefused
from test_charges_rules import charge, head, use, version

D = Decimal


def schedule(rule: str, more: str = "", **stated: str):
    body = f'[[version.volume]]\nname = "sewer"\nunit = "kgal"\n{rule}\n{more}\n'
    return parse_rates(head(**stated) + version(body + charge("volume", "rate = 1")))


def charged(rule: str, facts: InvoiceFacts, more: str = "", **stated: str) -> Decimal:
    return price(schedule(rule, more, **stated), facts).volumes[0].value


VOLUMES = {"intake": D("200.7"), "deduct": D("60.4"), "cooling tower": D("12.25"), "well": D("3")}


@pytest.mark.parametrize(
    ("rule", "expected"),
    [
        ("0.95 * intake - deduct", "130.265"),
        ("0.95 * (intake - deduct)", "133.285"),
        ("(intake − deduct) × 0.95", "133.285"),
        ("0.95 * (round_down(intake, 1) - round_down(deduct, 1))", "133.00"),
        ("round_half_up(0.95 * intake - deduct, 0.1)", "130.3"),
        ("round_up(intake, 10) - deduct", "149.6"),
        ("max(150, 0.95 * intake - deduct)", "150"),
        ("min(100, max(20, 0.95 * intake - deduct))", "100"),
        ("intake - 'cooling tower' + well / 2", "189.95"),
        ("max(0, deduct - intake)", "0"),
    ],
)
def test_the_steps_of_an_ordinance_in_their_order(rule, expected):
    """Computed by hand, step by step."""
    facts = use(volumes=VOLUMES)
    assert charged(f'rule = "{rule}"', facts) == D(expected)


def test_figures_of_a_rule_are_in_the_unit_of_the_volume():
    facts = use(volumes={"intake": D(20000), "deduct": D(5000)})
    facts = InvoiceFacts("i", facts.start, facts.end, "gal", volumes=facts.volumes)
    assert charged('rule = "min(9, intake - deduct)"', facts) == 9
    assert charged('rule = "min(19, intake - deduct)"', facts) == 15


@given(st.integers(0, 10**7), st.integers(0, 10**6), st.integers(1, 100))
def test_a_rule_against_arithmetic_of_the_test(intake, deduct, share):
    water, off, factor = D(intake) / 1000, D(deduct) / 1000, D(share) / 100
    text = f"max(5, {factor} * round_down(intake, 0.1) - deduct)"
    cut = (water * 10).to_integral_value(ROUND_FLOOR) / 10
    facts = use(volumes={"intake": water, "deduct": off})
    assert charged(f'rule = "{text}"', facts) == max(D(5), factor * cut - off)
    assert expression(expression(text).but(expression(text).tree).text).tree == (
        expression(text).tree
    )


def test_draws_follow_the_same_rule():
    made = schedule('rule = "max(50, 0.95 * intake - deduct)"')
    facts = use(volumes={"intake": D(100), "deduct": D(20)})
    kgal = 1000 * 231 * 0.0254**3
    draws = np.array([40.0, 80.0, 100.0, 300.0]) * kgal
    found = price_draws(made, facts, draws, meaning="intake")
    assert found == pytest.approx([50.0, 56.0, 75.0, 265.0], abs=0.006)


@pytest.mark.parametrize(
    ("rule", "message"),
    [
        ("0.95 * intake -", "not understood at character"),
        ("95 % * intake", "Write 95 % as 0.95"),
        ("intake ** 2", "at character 1 is not understood"),
        ("intake if deduct else 3", "is not understood"),
        ("open('x')", "is not understood"),
        ("intake.real", "is not understood"),
        ("().__class__", "is not understood"),
        ("intake * deduct", "multiplies two volumes"),
        ("100 / intake", "divides by a volume"),
        ("intake / (2 - 2)", "divides by zero"),
        ("3 + 4", "names no volume"),
        ("round_down(intake, 0)", "no step above zero"),
        ("round_down(intake)", "is not understood"),
        ("min(intake)", "is not understood"),
        ("max(intake, key=3)", "in order, without names"),
        ("(" * 300 + "intake" + ")" * 300, "is not understood"),
        ("0x10 * intake", "no decimal number"),
    ],
)
def test_a_rule_that_is_not_understood_is_refused_with_its_place(rule, message):
    with pytest.raises(InputRefused, match=message) as refused:
        schedule(f'rule = "{rule}"')
    assert "volume 1 (sewer)" in str(refused.value)


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ('rule = "intake"\nbasis = "intake"', "either basis or rule"),
        ("", "either basis or rule"),
        ('rule = "intake"\nreturn_factor = "90 %"', "return_factor does not go with it"),
        ('rule = "min(intake, winter_average)"', "needs a winter table"),
        ('rule = "intake"\nwinter = { months = [1] }', "takes no winter average"),
        ('basis = "intake"\nreturn_factor = 90', "no share. Write 0.9"),
        ('basis = "intake"\nreturn_factor = "450 %"', "no share"),
        ('basis = "intake"\nreturn_factor_by_month = { 13 = 0.9 }', "13"),
        ('basis = "winter average"\nwinter = { months = [0, 1] }', "months"),
        ('basis = "winter average"\nwinter = { months = [1], floor_of = "average" }', "floor"),
        ("rule = 3", "a rule is text"),
    ],
)
def test_what_does_not_go_together_is_refused(keys, message):
    with pytest.raises(InputRefused, match=message):
        schedule(keys)


def test_a_volume_that_no_meter_gives_is_named():
    with pytest.raises(InputRefused, match="no 'laundry' volume"):
        charged('rule = "intake - laundry"', use())


# -- blocks ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("blocks", "message"),
    [
        ("{ to = 10, rate = 2 }, { to = 20, rate = 3, base = 25 }, { rate = 4 }", "block 3 has no"),
        ("{ to = 20, rate = 2 }, { to = 10, rate = 3 }, { rate = 4 }", "block 2 .* rising"),
        ("{ to = 0, rate = 2 }, { rate = 4 }", "block 1 .* rising"),
        ('{ to = "9 kgal", rate = 2 }, { to = "8000 gal", rate = 3 }, { rate = 4 }', "rising"),
    ],
)
def test_blocks_that_cannot_be_priced_are_refused(blocks, message):
    text = '[[version.volume]]\nname = "sewer"\nunit = "kgal"\nbasis = "intake"\n'
    with pytest.raises(InputRefused, match=message):
        parse_rates(head() + version(text + charge("volume", f"blocks = [ {blocks} ]")))


# -- editions -------------------------------------------------------------------------------------

FIRST = """
name = "first"
[[version.volume]]
name = "sewer"
unit = "kgal"
rule = "0.9 * intake"
[[version.charge]]
name = "base"
kind = "fixed"
amount = 10
[[version.charge]]
name = "use"
kind = "volume"
rate = 2
[[version.charge]]
name = "fee"
kind = "percent"
rate = "10 %"
of = ["base", "use"]
"""


def editions(second: str):
    later = version(second, "2025-01-01")
    return parse_rates(head() + version(FIRST) + later)


def lines(second: str, day: date = date(2025, 3, 1)) -> dict[str, Decimal]:
    return price(editions(second), use("100", start=day)).by_column


def test_an_edition_states_only_what_changes():
    new = 'inherits = "first"\n' + charge("volume", "rate = 3", "use")
    assert lines(new, date(2024, 3, 1)) == {"base": 10, "use": 180, "fee": 19}
    assert lines(new) == {"base": 10, "use": 270, "fee": 28}
    assert list(lines(new)) == ["base", "use", "fee"]  # in the order of the edition inherited
    rule = 'inherits = "first"\n[[version.volume]]\nname = "sewer"\nunit = "kgal"\n'
    assert lines(rule + 'rule = "0.8 * intake"\n')["use"] == 160
    more = 'inherits = "first"\nremoves = ["fee"]\n' + charge("fixed", "amount = 7", "levy")
    assert lines(more) == {"base": 10, "use": 180, "levy": 7}


def test_an_edition_inherits_from_one_that_inherits():
    second = version('name = "b"\ninherits = "first"\n' + charge("volume", "rate = 3", "use"))
    third = version('inherits = "b"\n' + charge("fixed", "amount = 11", "base"), "2026-01-01")
    second = second.replace("2000-01-01", "2025-01-01")
    made = parse_rates(head() + version(FIRST) + second + third)
    found = price(made, use("100", start=date(2026, 3, 1))).by_column
    assert found == {"base": 11, "use": 270, "fee": D("28.10")}


@pytest.mark.parametrize(
    ("second", "message"),
    [
        ('inherits = "frist"', r"not the name of one edition. Write one of"),
        ('name = "first"\ninherits = "first"', "inherits itself"),
        ('removes = ["fee"]\n' + charge("fixed", "amount = 1"), "removes needs inherits"),
        ('inherits = "first"\nremoves = ["tax"]', "removes names 'tax'"),
        ('inherits = "first"\nremoves = ["use"]', "on line 'use', which no charge"),
    ],
)
def test_an_inheritance_that_leads_nowhere_is_refused(second, message):
    with pytest.raises(InputRefused, match=message):
        editions(second)


# -- winters and months ---------------------------------------------------------------------------

BILLS = tuple(
    UsePeriod(D(volume), date(*start), date(*end))
    for volume, start, end in (
        (12, (2022, 12, 3), (2023, 1, 3)),
        (12, (2023, 1, 3), (2023, 2, 3)),
        (12, (2023, 2, 3), (2023, 3, 3)),
        (40, (2023, 11, 3), (2023, 12, 3)),
        (6, (2023, 12, 3), (2024, 1, 3)),
        (9, (2024, 1, 3), (2024, 2, 3)),
        (7, (2024, 2, 3), (2024, 3, 3)),
    )
)
WINTER = 'basis = "lower of actual and winter average"\nwinter = { months = [12, 1, 2]'


def winter(more: str, start: date, end: date, kgal: str = "50", **stated) -> Decimal:
    facts = InvoiceFacts("i", start, end, "kgal", volumes={"intake": D(kgal)}, **stated)
    return round(charged(f"{WINTER}{more} }}", facts), 20)


def third(figure: int) -> Decimal:
    return round(D(figure) / 3, 20)


MAY = date(2024, 5, 3), date(2024, 6, 3)


def test_the_last_winter_that_was_over_before_the_invoice():
    assert winter("", *MAY, winter=BILLS) == third(22)
    assert winter("", date(2023, 6, 3), date(2023, 7, 3), winter=BILLS) == 12
    assert winter("", date(2024, 1, 3), date(2024, 2, 3), winter=BILLS) == 12
    how = price(schedule(f"{WINTER} }}"), use(start=MAY[0], winter=BILLS)).volumes[0].how
    assert "2023-12-03 to 2024-01-03 (6)" in how and "2022-12" not in how


def test_a_new_average_holds_from_the_month_that_is_stated():
    march = date(2024, 3, 3), date(2024, 4, 3)
    assert winter("", *march, winter=BILLS) == third(22)
    assert winter(", from_month = 4", *march, winter=BILLS) == 12
    # by the dates they end on: periods of November to January, and an invoice of April
    ends = ', from_month = 4, month_of = "end date"'
    assert winter(ends, *march, winter=BILLS) == third(40 + 6 + 9)


def test_season_of_the_charge_and_several_winters():
    more = ", charged_months = [4, 5, 6, 7, 8, 9]"
    assert winter(more, *MAY, winter=BILLS) == third(22)
    assert winter(more, date(2024, 10, 3), date(2024, 11, 3), winter=BILLS) == 50
    assert winter(", winters = 2", *MAY, winter=BILLS) == third(29)


def test_other_ways_to_make_one_figure_of_a_winter():
    assert winter(', method = "highest bill"', *MAY, winter=BILLS) == 9
    assert winter(', method = "lowest bills", bills = 2', *MAY, winter=BILLS) == D("6.5")
    assert winter(', floor = 7, floor_of = "each month"', *MAY, winter=BILLS) == third(23)
    assert winter(', floor = 7, floor_of = "average"', *MAY, winter=BILLS) == third(22)
    with pytest.raises(InputRefused, match="floor_of"):
        winter(", floor = 7", *MAY, winter=BILLS)
    assert winter(", floor = 12", *MAY, winter=BILLS) == 12  # of each or of all, it is the same


def test_calendar_months_share_a_bill_by_its_days():
    """Computed: December has 29 of 31 days of one bill and 2 of 30 of the one before, and so on."""
    after = UsePeriod(D(31), date(2024, 3, 3), date(2024, 4, 3))
    found = winter(', periods = "calendar months"', *MAY, winter=(*BILLS, after))
    december = D(40) * 2 / 30 + D(6) * 29 / 31
    january = D(6) * 2 / 31 + D(9) * 29 / 31
    february = D(9) * 2 / 31 + D(7) * 27 / 29
    assert abs(found - (december + january + february) / 3) < D("1e-18")


def test_periods_of_the_invoices_themselves_make_the_next_winter():
    assert winter("", *MAY, winter=BILLS[:3], history=BILLS[3:]) == third(22)
    twice = (UsePeriod(D(99), date(2024, 2, 10), date(2024, 2, 20)),)
    assert winter("", *MAY, winter=BILLS, history=twice) == third(22)  # a stated period stands


@pytest.mark.parametrize("known", [BILLS[:3], BILLS[:5], ()])
def test_a_winter_that_is_not_known_is_refused_not_left_out(known):
    with pytest.raises(InputRefused, match=r"winter 2023-12 to 2024-02.*earlier_use"):
        winter("", *MAY, winter=known)


def test_what_stands_in_place_of_an_unknown_winter():
    assert winter(', default = "actual use"', *MAY) == 50
    assert winter(", default = 7", *MAY) == 7


def test_figures_of_a_winter_are_in_the_unit_of_the_volume():
    """Floor, default and rounding are stated beside the rates, not in the unit of the reads."""
    bills = tuple(UsePeriod(each.volume * 1000, each.start, each.end) for each in BILLS)
    facts = InvoiceFacts("i", *MAY, "gal", volumes={"intake": D(50000)}, winter=bills)
    more = ', floor = 5, floor_of = "average", rounding = { to = 0.1 } }'
    assert charged(WINTER + more, facts) == D("7.3")


def test_a_winter_average_in_a_rule():
    facts = InvoiceFacts("i", *MAY, "kgal", volumes={"intake": D("50.7")}, winter=BILLS)
    months = "winter = { months = [12, 1, 2], rounding = { to = 1 }, charged_months = [5, 6] }"
    rule = f'rule = "min(round_down(intake, 1), winter_average)"\n{months}'
    assert charged(rule, facts) == 7
    october = facts.but(start=date(2024, 10, 3), end=date(2024, 11, 3))
    assert charged(rule, october) == 50


@pytest.mark.parametrize(
    ("start", "end", "month_of", "expected"),
    [
        ((2025, 6, 1), (2025, 7, 1), "most days", "80"),
        ((2025, 6, 1), (2025, 7, 1), "end date", "70"),
        ((2025, 6, 20), (2025, 7, 20), "most days", "70"),
        ((2025, 6, 20), (2025, 7, 20), "start date", "80"),
        ((2025, 5, 20), (2025, 7, 4), "most days", "80"),
        ((2025, 6, 16), (2025, 7, 16), "most days", "80"),  # 15 days each: the earlier month
        ((2025, 6, 11), (2025, 7, 11), "each day", "76.66666666666666666666666666666666666666667"),
    ],
)
def test_the_month_of_a_period_follows_its_days(start, end, month_of, expected):
    facts = InvoiceFacts("i", date(*start), date(*end), "kgal", volumes={"intake": D(100)})
    keys = 'basis = "intake"\nreturn_factor_by_month = { 5 = 0.8, 6 = 0.8, 7 = 0.7, 8 = 0.7 }\n'
    found = charged(f'{keys}month_of = "{month_of}"', facts)
    assert abs(found - D(expected)) < D("1e-30")
