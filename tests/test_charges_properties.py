"""What holds for every schedule: monotone, continuous, whole over split periods, draws as exact."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sewer_audit.charges import InvoiceFacts, price, price_draws
from sewer_audit.charges.schedule.loading import parse_rates
from sewer_audit.charges.schedule.periods import usual_units

D = Decimal
HEAD = """
[schedule]
name = "drawn"
currency = "USD"
rate_change = "{change}"
end_day_counts = {inclusive}
line_rounding = {line}
total_rounding = {line}
"""
NONE = '{ rule = "none" }'
START = date(2025, 1, 15)

amounts = st.decimals(D("0.01"), D("50"), places=2)
volumes = st.decimals(D("0"), D("400"), places=2)
roundings = st.sampled_from(
    [
        NONE,
        "{ to = 0.01 }",
        '{ to = 0.01, rule = "half even" }',
        '{ to = 0.01, rule = "down" }',
        '{ to = 0.05, rule = "up" }',
    ]
)


caps = st.decimals(D(50), D(3000), places=2)


@st.composite
def bodies(draw, volume_rounding=None) -> str:
    """One version with fixed charge, blocks, minimum, maximum, strength and percentage."""
    rounding = draw(roundings) if volume_rounding is None else volume_rounding
    edges = sorted(draw(st.lists(st.integers(1, 300), min_size=1, max_size=4, unique=True)))
    prices = draw(st.lists(amounts, min_size=len(edges) + 1, max_size=len(edges) + 1))
    ends = [f"to = {edge}, " for edge in edges] + [""]
    table = ", ".join(f"{{ {end}rate = {p} }}" for end, p in zip(ends, prices, strict=True))
    per = draw(st.sampled_from(["bill", "month", "day", "30 days", "365 days"]))
    factor = draw(st.decimals(D("0.5"), D(1), places=3))
    tax = draw(st.decimals(D(0), D("0.2"), places=3))
    return (
        f'[[version.volume]]\nname = "sewer"\nunit = "kgal"\nbasis = "intake less deduct"\n'
        f"return_factor = {factor}\nrounding = {rounding}\n"
        f'[[version.charge]]\nname = "base"\nkind = "fixed"\namount = {draw(amounts)}\n'
        f'per = "month"\nproration = "standard days"\nstandard_days = 30\n'
        f'[[version.charge]]\nname = "use"\nkind = "volume"\nblocks = [ {table} ]\n'
        f'blocks_per = "{per}"\nallowance = {draw(st.integers(0, 20))}\n'
        f'[[version.charge]]\nname = "least"\nkind = "minimum"\namount = {draw(amounts)}\n'
        f'of = ["use"]\n'
        f'[[version.charge]]\nname = "most"\nkind = "maximum"\namount = {draw(caps)}\n'
        f'of = ["use", "least"]\n'
        f'[[version.charge]]\nname = "BOD"\nkind = "strength"\nparameter = "BOD"\nthreshold = 250\n'
        f'rate = {draw(amounts)}\nrate_per = "1000 lb"\n'
        f'load = {{ constant = 8.34, volume = "MG", mass = "lb" }}\n'
        f'[[version.charge]]\nname = "tax"\nkind = "percent"\nrate = {tax}\nof = "all"\n'
    )


def schedule_of(body, line=NONE, change="by end", inclusive="false", later=None):
    text = HEAD.format(change=change, inclusive=inclusive, line=line)
    text += "[[version]]\neffective = 2000-01-01\n" + body
    if later is not None:
        text += "[[version]]\neffective = 2025-02-01\n" + later
    return parse_rates(text)


def facts(volume: Decimal, days: int = 31, start: date = START, **more) -> InvoiceFacts:
    known = {"intake": volume, "deduct": D(0)}
    given_ = {"volumes": known, "strengths": {"BOD": D(400)}} | more
    return InvoiceFacts("p", start, start + timedelta(days=days), "kgal", **given_)


@settings(max_examples=60, deadline=None)
@given(bodies(), roundings, volumes, volumes)
def test_more_volume_never_costs_less(body, line, one, other):
    """Rates above zero: the total is monotone in the volume, whatever is rounded."""
    schedule = schedule_of(body, line)
    low, high = sorted((one, other))
    assert price(schedule, facts(low)).total <= price(schedule, facts(high)).total


@settings(max_examples=60, deadline=None)
@given(bodies(volume_rounding=NONE), volumes)
def test_no_jump_where_nothing_is_rounded(body, volume):
    """Block edges, allowance and minimum are continuous: a drop more costs next to nothing."""
    schedule, drop = schedule_of(body), D("0.000001")
    step = price(schedule, facts(volume + drop)).total - price(schedule, facts(volume)).total
    # no block costs more than 50, no pound of the surcharge more than 0.05, tax 20 % at most
    assert 0 <= step <= drop * (50 + D("0.001") * D("8.34") * 150 * D("0.05")) * D("1.2")


@settings(max_examples=40, deadline=None)
@given(amounts, st.integers(1, 400), st.data())
@pytest.mark.parametrize("proration", ['"standard days"\nstandard_days = 30', '"calendar days"'])
@pytest.mark.parametrize("per", ["month", "quarter", "year"])
def test_proration_over_split_periods_sums_to_the_whole(proration, per, amount, days, data):
    """Parts of a period cost what the period costs."""
    body = f'[[version.charge]]\nname = "base"\nkind = "fixed"\namount = {amount}\nper = "{per}"\n'
    schedule = schedule_of(body + f"proration = {proration}\n")
    cuts = sorted(data.draw(st.lists(st.integers(1, max(days - 1, 1)), max_size=4, unique=True)))
    edges = [0, *[cut for cut in cuts if cut < days], days]
    parts = [
        price(schedule, facts(D(0), b - a, START + timedelta(days=a))).total
        for a, b in pairwise(edges)
    ]
    assert abs(sum(parts) - price(schedule, facts(D(0), days)).total) < D("1e-20")


@settings(max_examples=40, deadline=None)
@given(bodies(volume_rounding=NONE), volumes, st.integers(2, 60))
def test_a_split_at_equal_rates_changes_nothing(body, volume, days):
    """The same rates before and after a change inside the period: shares by days sum to one."""
    whole = schedule_of(body, change="split by days")
    split = schedule_of(body, change="split by days", later=body)
    bill = facts(volume, days)
    if usual_units("month", days) is None:  # such days ask for the months, which a case states
        bill = replace(bill, months=D(1))
    one, two = price(whole, bill), price(split, bill)
    assert len(two.parts) == (2 if days > 17 else 1)
    assert abs(one.total - two.total) < D("1e-20")


@settings(max_examples=60, deadline=None)
@given(
    bodies(),
    bodies(),
    roundings,
    st.sampled_from(["by start", "by end", "split by days"]),
    st.sampled_from(["true", "false"]),
    st.lists(volumes, min_size=1, max_size=12),
)
def test_draws_are_priced_as_exact_figures(body, later, line, change, inclusive, drawn):
    """Both paths agree to half a cent, for what is billed and for what is metered."""
    schedule = schedule_of(body, line, change, inclusive, later)
    cubic_metres = np.array([float(v) for v in drawn]) * 3.785411784
    billed = price_draws(schedule, facts(D(0)), cubic_metres)
    metered = price_draws(schedule, facts(D(0)), cubic_metres, meaning="intake")
    for place, volume in enumerate(drawn):
        exact = price(schedule, facts(volume, billed_volume=volume)).total
        assert abs(float(exact) - billed[place]) <= 0.005
        assert abs(float(price(schedule, facts(volume)).total) - metered[place]) <= 0.005


def test_draws_keep_shape_and_gaps():
    body = '[[version.volume]]\nname = "sewer"\nunit = "kgal"\nbasis = "intake"\n'
    body += '[[version.charge]]\nname = "use"\nkind = "volume"\nrate = 2\n'
    schedule = schedule_of(body, "{ to = 0.01 }")
    drawn = np.array([[3.785411784, np.nan], [7.570823568, 0.0]])
    found = price_draws(schedule, facts(D(0)), drawn)
    assert np.array_equal(found, [[2.0, np.nan], [4.0, 0.0]], equal_nan=True)
    flat = schedule_of('[[version.charge]]\nname = "base"\nkind = "fixed"\namount = 7\n')
    assert np.array_equal(price_draws(flat, facts(D(0)), drawn), np.full((2, 2), 7.0))


def test_blocks_make_the_mean_of_the_prices_differ_from_the_price_of_the_mean():
    """Computed: half of the draws lie below the edge, half above."""
    body = '[[version.volume]]\nname = "sewer"\nunit = "kgal"\nbasis = "intake"\n'
    body += '[[version.charge]]\nname = "use"\nkind = "volume"\n'
    body += "blocks = [ { to = 100, rate = 1 }, { rate = 3 } ]\n"
    drawn = np.array([80.0, 120.0]) * 3.785411784
    found = price_draws(schedule_of(body), facts(D(0)), drawn)
    assert found == pytest.approx([80, 160], rel=1e-12)


@pytest.mark.parametrize("rule", ["half up", "half even", "down", "up"])
def test_a_tie_that_floats_cannot_hold(rule):
    """4.9 kgal at 3.95 is 19.355, printed as 19.36 by Longview, Texas; a float lies below it."""
    body = '[[version.volume]]\nname = "sewer"\nunit = "kgal"\nbasis = "intake"\n'
    body += '[[version.charge]]\nname = "use"\nkind = "volume"\nrate = 3.95\n'
    schedule = schedule_of(body, f'{{ to = 0.01, rule = "{rule}" }}')
    exact = price(schedule, facts(D(0), billed_volume=D("4.9"))).total
    drawn = price_draws(schedule, facts(D(0)), np.array([4.9 * 3.785411784]))
    assert drawn[0] == pytest.approx(float(exact), abs=1e-9)
