"""Errors of rates and of the schedule's own rule, each planted by arithmetic of the test."""

from __future__ import annotations

from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from itertools import pairwise

import pytest

from sewer_audit.charges import BilledInvoice, InvoiceFacts, UsePeriod, find_signatures
from sewer_audit.charges.classes import CLASSES, OF_LINES
from sewer_audit.charges.loading import parse_rates
from test_charges_rules import charge, head, version

D = Decimal
START, END = date(2025, 6, 5), date(2025, 7, 5)
BASE, RATE = D("48.35"), D("6.37")


def cents(value: Decimal) -> Decimal:
    return value.quantize(D("0.01"), ROUND_HALF_UP)


def schedule(volume: str = 'basis = "intake"', more: str = ""):
    table = f'[[version.volume]]\nname = "sewer"\nunit = "kgal"\n{volume}\n'
    table += charge("fixed", f'amount = {BASE}\nper = "bill"', "base")
    table += charge("volume", f"rate = {RATE}", "use")
    return parse_rates(head() + version(table + more))


def named(made, lines: dict[str, Decimal], volume: str = "731.4", **facts):
    """The one error found on a bill that prints these lines."""
    stated = InvoiceFacts("one", START, END, "kgal", **({"volumes": {"intake": D(volume)}} | facts))
    stated = stated.but(billed_volume=stated.billed_volume or D(volume))
    total = sum(lines.values(), D(0))
    return find_signatures(made, [BilledInvoice(stated, lines, total)])


def use_of(volume: str = "731.4") -> dict[str, Decimal]:
    return {"base": BASE, "use": cents(D(volume) * RATE)}


TAXES = charge("percent", 'rate = "4 %"\nof = ["base", "use"]', "city tax") + charge(
    "percent", 'rate = "6 %"\nof = ["base", "use"]', "county tax"
)


@pytest.mark.parametrize(
    ("city", "county", "code", "words"),
    [
        (("base", "use"), ("base", "use", "city tax"), "tax-on-tax", "base, use, city tax"),
        (("use",), ("base", "use"), "tax-base", "city tax was taken on use"),
        (("base", "use"), ("use",), "tax-base", "county tax was taken on use"),
    ],
)
def test_a_tax_on_other_lines(city, county, code, words):
    lines = use_of()
    lines["city tax"] = cents(sum(lines[name] for name in city) * D("0.04"))
    lines["county tax"] = cents(sum(lines[name] for name in county) * D("0.06"))
    (found,) = named(schedule(more=TAXES), lines)
    assert (found.code, found.exactness) == (code, "exact")
    assert words in found.sentence


def test_right_taxes_are_let_alone():
    lines = use_of()
    lines["city tax"] = cents(sum(use_of().values()) * D("0.04"))
    lines["county tax"] = cents(sum(use_of().values()) * D("0.06"))
    assert named(schedule(more=TAXES), lines) == ()


@pytest.mark.parametrize("rate", ["5.5", "7"])
def test_a_tax_at_another_round_rate(rate):
    lines = use_of()
    lines["city tax"] = cents(sum(use_of().values()) * D("0.04"))
    lines["county tax"] = cents(sum(use_of().values()) * D(rate) / 100)
    (found,) = named(schedule(more=TAXES), lines)
    assert found.code == "other-rate" and f"at {rate} % in place of 6 %" in found.sentence


def test_a_rate_per_volume_with_digits_exchanged():
    (found,) = named(schedule(), {"base": BASE, "use": cents(D("731.4") * D("6.73"))})
    assert found.code == "other-rate" and "6.73 in place of 6.37" in found.sentence


def test_an_amount_that_gives_no_round_rate_is_not_explained_by_one():
    (found,) = named(schedule(), {"base": BASE, "use": D("4711.13")})
    assert found.code == "unexplained-line"


def test_a_late_fee_that_is_not_due():
    fee = charge("percent", 'rate = "5 %"\nof = ["base", "use"]\ncount = "months overdue"', "late")
    lines = use_of() | {"late": cents(sum(use_of().values()) * D("0.05"))}
    (found,) = named(schedule(more=fee), lines, counts={"months overdue": D(0)})
    assert found.code == "late-fee-not-due"
    assert named(schedule(more=fee), lines, counts={"months overdue": D(1)}) == ()


def test_a_short_period_charged_as_a_whole_month():
    body = 'amount = 90\nper = "month"\nproration = "standard days"\nstandard_days = 30'
    made = schedule(more=charge("fixed", body, "service"))
    facts = InvoiceFacts("one", START, date(2025, 6, 16), "kgal", {"intake": D(100)})
    lines = use_of("100") | {"service": D("90.00")}
    bill = BilledInvoice(facts.but(billed_volume=D(100)), lines, sum(lines.values()))
    (found,) = find_signatures(made, [bill])
    assert found.code == "period-length" and found.corrected_amount == bill.total - 57


def test_a_charge_that_stands_twice_and_one_that_stands_nowhere():
    (found,) = named(schedule(), use_of() | {"base": 2 * BASE})
    assert found.code == "base-twice"
    (found,) = named(schedule(), use_of() | {"handling": D("35.00")})
    assert found.code == "unknown-charge" and "handling of 35.00" in found.sentence


def test_a_surcharge_above_another_threshold():
    """8.34 lb in a million gallons of 1 mg/L: the constant of the schedule itself."""
    body = 'parameter = "BOD"\nthreshold = 250\nrate = 0.31\nrate_per = "lb"\n'
    body += 'load = { constant = 8.34, volume = "MG", mass = "lb" }'
    made = schedule(more=charge("strength", body, "surcharge"))
    lines = use_of()
    lines["surcharge"] = cents(D("0.7314") * D("8.34") * (412 - 200) * D("0.31"))
    (found,) = named(made, lines, strengths={"BOD": D(412)})
    assert found.code == "another-threshold" and "above 200 mg/L" in found.sentence
    assert found.exactness == "one of several"  # a figure worked out from one bill alone


VOLUMES = {"intake": D("731.4"), "deduct": D("88.7")}
RULE = 'rule = "0.95 * intake - deduct"\nrounding = { to = 0.1 }'


@pytest.mark.parametrize(
    ("volume", "billed", "code", "words"),
    [
        (RULE, D("0.95") * (D("731.4") - D("88.7")), "volume-rule-order", "after the deduction"),
        (RULE, D("0.95") * D("731.4"), "deduct-missing", "deduct was not taken off"),
        (RULE, D("731.4") - D("88.7"), "return-factor-missing", "factor of 0.95 was not applied"),
        (
            'rule = "min(500, 0.95 * intake - deduct)"',
            D("606.13"),
            "volume-rule-step",
            "limit 500",
        ),
        (
            'rule = "round_down(0.95 * intake, 10) - deduct"',
            D("606.13"),
            "volume-rule-step",
            "was not rounded",
        ),
        (
            'basis = "intake less deduct"\nreturn_factor = 0.95\nrounding = { to = 0.1 }',
            D("0.95") * D("731.4") - D("88.7"),
            "volume-rule-order",
            "before the deduction",
        ),
        (
            'basis = "intake"\nreturn_factor = 0.95\nrounding = { to = 0.1 }',
            D("731.4") * D("0.85"),
            "another-factor",
            "factor of 0.85 was applied in place of 0.95",
        ),
        (
            'basis = "intake"\nreturn_factor_by_month = { 6 = 0.7, 12 = 0.95 }\n'
            "rounding = { to = 0.1 }",
            D("731.4") * D("0.95"),
            "wrong-season",
            "of another season",
        ),
    ],
)
def test_a_step_of_the_rule_left_out_or_turned_round(volume, billed, code, words):
    step = D("0.1") if "to = 0.1" in volume else D("0.01")
    billed = billed.quantize(step, ROUND_HALF_UP)
    found = named(schedule(volume), use_of(str(billed)), volumes=VOLUMES, billed_volume=billed)
    (first,) = [each for each in found if each.code not in OF_LINES]
    assert first.code == code, first.sentence
    assert words in first.sentence


def winter_uses(year: int, volume: int) -> list[UsePeriod]:
    ends = [date(year - 1, 12, 3), date(year, 1, 3), date(year, 2, 3), date(year, 3, 3)]
    return [UsePeriod(D(volume), a, b) for a, b in pairwise(ends)]


@pytest.mark.parametrize(
    ("billed", "code"), [("412", "stale-winter-average"), ("731.4", "winter-average-missing")]
)
def test_the_average_of_a_winter_before(billed, code):
    volume = 'basis = "lower of actual and winter average"\nwinter = { months = [12, 1, 2] }'
    uses = (*winter_uses(2024, 412), *winter_uses(2025, 367))
    (found,) = named(schedule(volume), use_of(billed), billed_volume=D(billed), winter=uses)
    assert found.code == code


def test_equivalent_units():
    volume = 'basis = "equivalent units"\namount = 5.5'
    counts = {"equivalent units": D(12)}
    (found,) = named(schedule(volume), use_of("71.5"), billed_volume=D("71.5"), counts=counts)
    assert found.code == "equivalent-units" and "13 equivalent units" in found.sentence


def test_every_class_states_what_it_is_of_what_it_is_and_what_would_prove_it():
    for each in CLASSES.values():
        assert each.of in ("volume", "lines") and each.shown in ("", "digits", "backwards"), each
        assert each.briefly and each.proof and not each.proof.endswith("."), each


SURCHARGE = 'parameter = "BOD"\nthreshold = 250\nrate = 0.31\nrate_per = "lb"\n'
SURCHARGE += 'load = { constant = 8.34, volume = "MG", mass = "lb" }'
SHARED = 'basis = "intake less deduct"\nreturn_factor = 0.9\nrounding = { to = 1 }'


@pytest.mark.parametrize(
    ("volume", "words"),
    [
        (D("731.4"), "the metered water"),
        (D("731"), "the metered water"),  # cut like the charged volume
        (D("731.4") - D("88.7"), "the water net of the deduct"),
        (D("88.7"), "the deducted water"),
    ],
)
def test_a_surcharge_on_another_volume(volume, words):
    """By hand: 578 kgal are charged, 0.9 of 731.4 less 88.7; 8.34 lb in a MG of 1 mg/L."""
    made = schedule(SHARED, charge("strength", SURCHARGE, "surcharge"))
    facts = {"volumes": VOLUMES, "billed_volume": D(578), "strengths": {"BOD": D(412)}}
    load = D("8.34") * (412 - 250) * D("0.31") / 1000
    (found,) = named(made, use_of("578") | {"surcharge": cents(volume * load)}, **facts)
    assert found.code == "surcharge-volume" and words in found.sentence
    assert named(made, use_of("578") | {"surcharge": cents(578 * load)}, **facts) == ()


@pytest.mark.parametrize(
    ("base", "divisor", "words"),
    [(("base", "use"), 250, "taken on base, use"), (("use",), 100, "divided by 100")],
)
def test_a_share_of_lines_on_other_lines_or_of_another_strength(base, divisor, words):
    body = 'parameter = "BOD"\nthreshold = 250\nof = ["use"]'
    made = schedule(more=charge("strength share", body, "surcharge"))
    share = D(412 - 250) / divisor
    lines = use_of() | {"surcharge": cents(sum(use_of()[name] for name in base) * share)}
    (found,) = named(made, lines, strengths={"BOD": D(412)})
    assert found.code == "surcharge-basis" and words in found.sentence


@pytest.mark.parametrize(
    ("billed", "words"),
    [
        ("341", "highest bill of the winter"),
        ("302", "the mean of its 1 lowest bills"),
        ("321.5", "average of January to February"),
        ("393.3", "average of 2 winters"),
        ("376", "average of March"),
    ],
)
def test_what_another_winter_average_follows_from(billed, words):
    """Uses of 334, 341, 302 in the winter, 376 after it and 461 in each month of the one before:
    the mean of the winter is 325.67, of its last two months 321.5, of both winters 393.33."""
    volume = 'basis = "winter average"\nwinter = { months = [12, 1, 2], rounding = { to = 0.1 } }'
    days = [date(2024, 12, 3), *(date(2025, month, 3) for month in (1, 2, 3, 4))]
    uses = [
        UsePeriod(D(v), a, b)
        for v, (a, b) in zip((334, 341, 302, 376), pairwise(days), strict=True)
    ]
    uses += winter_uses(2024, 461)
    stated = {"billed_volume": D(billed), "winter": tuple(uses)}
    (found,) = named(schedule(volume), use_of(billed), **stated)
    assert found.code == "winter-average-other" and words in found.sentence
    assert (
        named(schedule(volume), use_of("325.7"), **(stated | {"billed_volume": D("325.7")})) == ()
    )
