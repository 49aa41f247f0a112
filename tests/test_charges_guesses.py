"""Errors of rates and of the schedule's own rule, each planted by arithmetic of the test."""

from __future__ import annotations

from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from itertools import pairwise

import pytest

from sewer_audit.charges import (
    BilledInvoice,
    InvoiceFacts,
    Sample,
    UsePeriod,
    chains_of,
    find_signatures,
    price,
    recompute_series,
)
from sewer_audit.charges.chain.classes import CLASSES, OF_LINES
from sewer_audit.charges.schedule.figures import LITRES
from sewer_audit.charges.schedule.loading import parse_rates
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


BLOCKS = "blocks = [ { to = 303, rate = 7.84 }, { rate = 10.58 } ]"
CAP = 'amount = 900\nof = ["use"]'
AWAY = "amount = 50\nmultiplier = 1.25"
LATE = 'rate = "5 %"\nof = ["use"]\ncount = "months overdue"'
OFF = 'rate = "-2 %"\nof = ["use"]'


@pytest.mark.parametrize(
    ("more", "line", "amount", "code", "words"),
    [
        (charge("maximum", CAP, "cap"), "cap", D(0), "limit-ignored", "maximum cap was not"),
        (charge("percent", OFF, "discount"), "discount", D(0), "charge-left-out", "left out"),
        (
            charge("fixed", AWAY, "away"),
            "away",
            D("75.00"),
            "other-multiplier",
            "multiplier 1.5 in place of 1.25",
        ),
        (
            charge("fixed", 'amount = 3.41\nper = "day"', "access"),
            "access",
            D("95.48"),
            "period-length",
            "28 days were charged",
        ),
        (
            charge("volume", 'rate = 2\nunit = "CCF"', "other"),
            "other",
            2 * D("731.4"),
            "rate-unit",
            "as one per kgal",
        ),
        (
            charge("volume", BLOCKS, "stepped"),
            "stepped",
            cents(152 * D("7.84") + (D("731.4") - 152) * D("10.58")),  # half of 303, whole
            "tier-misapplied",
            "edge of block 1 was halved",
        ),
        (
            charge("percent", LATE, "late"),
            "late",
            cents(2 * use_of()["use"] * D("0.05")),
            "other-count",
            "counted as 2 in place of 1",
        ),
    ],
)
def test_one_line_made_otherwise_than_the_schedule_says(more, line, amount, code, words):
    made, counts = schedule(more=more), {"months overdue": D(1)}
    stated = InvoiceFacts("one", START, END, "kgal", {"intake": D("731.4")}, counts=counts)
    right = price(made, stated.but(billed_volume=D("731.4"))).by_column
    assert right[line] != amount
    assert named(made, right, counts=counts) == ()
    (found,) = named(made, right | {line: amount}, counts=counts)
    assert code == found.code and words in found.sentence


STRENGTHS = "".join(
    charge(
        "strength",
        f'parameter = "{p}"\nthreshold = {t}\nrate = {r}\nrate_per = "lb"\n'
        'load = { constant = 8.34, volume = "MG", mass = "lb" }',
        p,
    )
    for p, t, r in (("BOD", 250, "0.31"), ("TSS", 300, "0.27"))
)
LIMITED = Sample(date(2025, 6, 20), "TSS", D(500), below_limit=True)
SAMPLES = (
    Sample(date(2025, 5, 12), "BOD", D(640)),
    Sample(date(2025, 5, 20), "BOD", D(700)),
    Sample(date(2025, 6, 15), "BOD", D(400)),
    Sample(date(2025, 6, 15), "TSS", D(900)),
    LIMITED,
)


@pytest.mark.parametrize(
    ("changes", "code", "words"),
    [
        ({"BOD": ("8.34", 150, "0.27")}, "surcharge-basis", "rate of TSS was charged for BOD"),
        (
            {"BOD": ("8.34", 150, "0.27"), "TSS": ("8.34", 275, "0.31")},
            "surcharge-basis",
            "rates of BOD and TSS were exchanged",
        ),
        ({"BOD": ("8.34", 100, "0.31")}, "surcharge-threshold", "threshold of TSS was taken"),
        (
            {"BOD": ("10", 150, "0.31"), "TSS": ("10", 275, "0.27")},
            "surcharge-basis",
            "constant 10 was used",
        ),
        ({"TSS": ("8.34", 400, "0.27")}, "surcharge-sample", "counted as limit"),
        ({"BOD": ("8.34", 420, "0.31")}, "surcharge-sample", "of the period of before"),
    ],
)
def test_a_surcharge_made_from_other_figures(changes, code, words):
    """Means in the period: BOD 400, TSS (900 + 250) / 2 = 575; the month before 670 of BOD."""
    right = {"BOD": ("8.34", 150, "0.31"), "TSS": ("8.34", 275, "0.27")}
    lines = {
        p: cents(D("0.7314") * D(k) * D(above) * D(rate))
        for p, (k, above, rate) in (right | changes).items()
    }
    made = schedule(more=STRENGTHS)
    facts = InvoiceFacts("one", START, END, "kgal", {"intake": D("731.4")}, samples=SAMPLES)
    past = facts.but(invoice="before", start=date(2025, 5, 5), end=START).but(
        billed_volume=D("731.4"), strengths={"TSS": D(300)}
    )
    bills = [
        BilledInvoice(each, printed, sum(printed.values()))
        for each, printed in (
            (past, price(made, past).by_column),
            (facts.but(billed_volume=D("731.4")), use_of() | lines),
        )
    ]
    (found,) = find_signatures(made, bills)
    assert (found.code, found.invoices) == (code, ("one",)) and words in found.sentence


def months(volumes, billed):
    """Bills of months in a row by a plain rate, some of other volumes than were metered."""
    made = schedule()
    days = [date(2025, 1 + k, 5) for k in range(len(volumes) + 1)]
    bills = []
    for k, (metered, charged) in enumerate(zip(volumes, billed, strict=True)):
        facts = InvoiceFacts(str(k), days[k], days[k + 1], "kgal", {"intake": D(metered)})
        lines = use_of(str(charged))
        bills.append(BilledInvoice(facts.but(billed_volume=D(charged)), lines, sum(lines.values())))
    return find_signatures(made, bills)


def test_the_volumes_of_two_bills_exchanged():
    (found,) = months((610, 745, 688, 702), (610, 688, 745, 702))
    assert (found.code, found.invoices, found.exactness) == (
        "volumes-exchanged",
        ("1", "2"),
        "exact",
    )


def test_a_volume_is_the_one_before_only_where_that_was_right():
    (found,) = months((610, 745, 688, 702), (610, 745, 745, 702))
    assert (found.code, found.invoices) == ("last-bill-repeated", ("2",))
    assert not {each.code for each in months((610, 745, 688), (933, 933, 933))} & {
        "last-bill-repeated"
    }


def test_a_printed_size_of_a_unit_holds_for_its_multiples():
    """252 CCF of 748 gal are 188.496 kgal; the reads count cubic feet, of which 100 are a CCF."""
    body = '[[version.volume]]\nname = "sewer"\nunit = "CCF"\nbasis = "intake"\n'
    body += charge("volume", 'rate = 1\nunit = "kgal"')
    made = parse_rates(head(conversions='{ CCF = "748 gal" }') + version(body))
    assert made.litres("cf") * 100 == made.litres("CCF") == made.litres("ccf")
    assert made.litres("kgal") == 1000 * made.litres("gal") == LITRES["kgal"]
    facts = InvoiceFacts("one", START, END, "CCF", {"intake": D(252)})
    assert price(made, facts).total == D("188.50")


def test_lines_the_schedule_does_not_round_are_printed_to_the_cent():
    """650 at 3.0741 are 1998.165, printed 1998.17; the tax of 6.2 % on that 129.88523."""
    made = parse_rates(
        head(line_rounding='{ rule = "none" }')
        + version(
            '[[version.volume]]\nname = "sewer"\nunit = "m3"\nbasis = "intake"\n'
            + charge("fixed", "amount = 96.76", "base")
            + charge("volume", "rate = 3.0741", "use")
            + charge("percent", 'rate = "6.2 %"\nof = ["base", "use"]', "tax")
        )
    )
    facts = InvoiceFacts("one", START, END, "m3", {"intake": D(650)}, billed_volume=D(650))
    lines = {"base": D("96.76"), "use": D("1998.17"), "tax": D("129.89")}
    bill = BilledInvoice(facts, lines, D("2224.81"))  # a cent less than its lines
    assert find_signatures(made, [bill]) == ()
    assert all(
        link.agrees is not False
        for c in chains_of(made, recompute_series(made, [bill]))
        for link in c.links
    )
    (found,) = find_signatures(made, [BilledInvoice(facts, lines, D("2224.84"))])
    assert found.code == "invoice-arithmetic"
