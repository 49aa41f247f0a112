"""How often each planted error of an invoice is named, and how often a clean account is accused.

    python tests/simulations/signature_confusion.py --cases 50 --clean 1000

Invented accounts of 18 to 30 monthly invoices are priced by plain arithmetic of their own, not by
`sewer_audit.charges`; one error is planted in one, some or all of them, and `find_signatures` is
asked.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import ROUND_DOWN, ROUND_HALF_UP, Decimal
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from sewer_audit.charges import (
    BilledInvoice,
    InvoiceFacts,
    MeterExchange,
    RegisterFace,
    Sample,
    Signature,
    SupplyMeter,
    find_signatures,
)
from sewer_audit.charges.schedule.loading import parse_rates

D = Decimal
SIZES = {"1 in": D("31.40"), "2 in": D("96.15"), "3 in": D("188.20"), "4 in": D("307.75")}
DIGITS = 6
FACE = RegisterFace(per_count=D("0.1"), digits=DIGITS)  # one count is 100 gallons
THRESHOLDS = {"BOD": D(250), "TSS": D(300)}


def cents(value: Decimal) -> Decimal:
    return value.quantize(D("0.01"), ROUND_HALF_UP)


def cut(value: Decimal) -> Decimal:
    return value.quantize(D("0.01"), ROUND_DOWN)


@dataclass
class Rates:
    """The rates of an invented town, and their price of a volume by plain arithmetic."""

    factor: Decimal
    size: str
    step: Decimal
    editions: list[tuple[date, list[Decimal], Decimal]]  # effective, block rates, surcharge
    edges: list[Decimal]
    minimum: Decimal
    allowance: Decimal
    tax: Decimal

    def text(self) -> str:
        head = (
            '[schedule]\nname = "invented"\ncurrency = "USD"\nrate_change = "by end"\n'
            "end_day_counts = false\nline_rounding = { to = 0.01 }\n"
            "total_rounding = { to = 0.01 }\n"
        )
        return head + "".join(self._edition(*edition) for edition in self.editions)

    def _edition(self, effective: date, prices: list[Decimal], surcharge: Decimal) -> str:
        sizes = ", ".join(f'"{size}" = {amount}' for size, amount in SIZES.items())
        ends = [f"to = {edge}, " for edge in self.edges] + [""]
        table = ", ".join(f"{{ {e}rate = {p} }}" for e, p in zip(ends, prices, strict=True))
        load = '{ constant = 8.34, volume = "MG", mass = "lb" }'
        strengths = "".join(
            f'[[version.charge]]\nname = "{p}"\nline = "surcharge"\nkind = "strength"\n'
            f'parameter = "{p}"\nthreshold = {t}\nrate = {surcharge}\nrate_per = "lb"\n'
            f"load = {load}\n"
            for p, t in THRESHOLDS.items()
        )
        return (
            f'[[version]]\neffective = {effective}\nname = "from {effective}"\n'
            f'[[version.volume]]\nname = "sewer"\nunit = "kgal"\nbasis = "intake less deduct"\n'
            f"return_factor = {self.factor}\nrounding = {{ to = {self.step} }}\n"
            f'[[version.charge]]\nname = "service"\nkind = "fixed"\n'
            f'by_meter_size = {{ {sizes} }}\nper = "month"\n'
            f'[[version.charge]]\nname = "volume"\nkind = "volume"\nallowance = {self.allowance}\n'
            f"blocks = [ {table} ]\n"
            f'[[version.charge]]\nname = "minimum"\nkind = "minimum"\namount = {self.minimum}\n'
            f'of = ["volume"]\n{strengths}'
            f'[[version.charge]]\nname = "tax"\nkind = "percent"\nrate = {self.tax}\n'
            f'of = ["service", "volume", "minimum", "surcharge"]\n'
        )


@dataclass
class Slip:
    """What goes wrong on one invoice."""

    size: str | None = None
    edition: int | None = None
    edges: list[Decimal] | None = None
    flat: int | None = None
    minimum_on_top: bool = False
    no_allowance: bool = False
    no_threshold: bool = False
    strengths: dict[str, Decimal] | None = None
    surcharge: Decimal = field(default_factory=lambda: D(1))
    cut: bool = False
    total: Decimal = field(default_factory=D)


@dataclass
class Month:
    start: date
    end: date
    reads: tuple[int, int]  # true register, without rollover
    deduct: Decimal
    irrigation: Decimal
    samples: tuple[Sample, ...]
    shown: tuple[int, int] | None = None  # printed reads, if not the true ones
    billed: Decimal | None = None
    read_type: str = "actual"
    slip: Slip = field(default_factory=Slip)
    exchange: tuple[int, int] | None = None  # final read of the old meter, first of the new one
    value: Decimal = FACE.per_count  # of a count of the meter that was read last
    second: Decimal = field(
        default_factory=D
    )  # volume of a second supply meter, where there is one

    @property
    def first(self) -> Decimal:
        if self.exchange is None:
            return (self.reads[1] - self.reads[0]) * self.value
        final, first = self.exchange
        return (final - self.reads[0]) * FACE.per_count + (self.reads[1] - first) * self.value

    @property
    def intake(self) -> Decimal:
        return self.first + self.second

    @property
    def strengths(self) -> dict[str, Decimal]:
        return {
            name: sum(s.value for s in self.samples if s.parameter == name)
            / sum(s.parameter == name for s in self.samples)
            for name in THRESHOLDS
        }


def charged(rates: Rates, volume: Decimal) -> Decimal:
    return (volume / rates.step).quantize(D(1), ROUND_HALF_UP) * rates.step


def due(rates: Rates, month: Month) -> Decimal:
    return charged(rates, max(month.intake - month.deduct, D(0)) * rates.factor)


def bill(rates: Rates, month: Month, slip: Slip, volume: Decimal) -> tuple[dict, Decimal]:
    """Printed lines and total, by plain arithmetic."""
    places = [k for k, edition in enumerate(rates.editions) if edition[0] < month.end]
    edition = rates.editions[places[-1] if slip.edition is None else slip.edition]
    prices, edges = edition[1], slip.edges or rates.edges
    used = max(volume - (D(0) if slip.no_allowance else rates.allowance), D(0))
    if slip.flat is not None:
        amount = used * prices[slip.flat]
    else:
        bounds = [D(0), *edges, D("1e12")]
        amount = sum(
            (max(min(used, high) - low, D(0)) * p)
            for low, high, p in zip(bounds, bounds[1:], prices, strict=False)
        )
    rounded = cut if slip.cut else cents
    lines = {"service": SIZES[slip.size or rates.size], "volume": rounded(amount)}
    short = max(rates.minimum - lines["volume"], D(0))
    lines["minimum"] = rates.minimum if slip.minimum_on_top else short
    strengths = slip.strengths or month.strengths
    excess = sum(
        max(strengths[name] - (D(0) if slip.no_threshold else limit), D(0))
        for name, limit in THRESHOLDS.items()
    )
    load = volume / 1000 * D("8.34") * excess * slip.surcharge
    lines["surcharge"] = rounded(load * edition[2])
    lines["tax"] = rounded(sum(lines.values()) * rates.tax)
    return lines, sum(lines.values()) + slip.total


def world(rng: np.random.Generator) -> tuple[Rates, list[Month]]:
    """An account without an error."""
    count = int(rng.integers(18, 31))
    start = date(2023, int(rng.integers(1, 13)), int(rng.integers(1, 28)))
    level = float(rng.choice([40.0, 200.0, 900.0]))
    first = [D(str(round(float(p), 2))) for p in np.cumsum(rng.uniform(0.8, 2.5, 3)) + 2]
    later = [cents(p * D("1.07")) for p in first]
    surcharge = D(str(round(float(rng.uniform(0.2, 0.9)), 3)))
    change = start + timedelta(days=int(rng.integers(150, 400)))
    rates = Rates(
        factor=D(str(rng.choice(["0.70", "0.75", "0.80", "0.85", "0.90", "0.95"]))),
        size=str(rng.choice(list(SIZES))),
        step=D(str(rng.choice(["0.01", "0.1", "1"]))),
        editions=[
            (date(2020, 1, 1), first, surcharge),
            (change, later, cents(surcharge * D("1.1"))),
        ],
        edges=[D(int(level * 0.3)), D(int(level * 0.6))],
        minimum=D(int(level * 0.5)) + D("0.50"),
        allowance=D(5),
        tax=D("0.045"),
    )
    register = int(rng.integers(10_000, 400_000))
    months, day = [], start
    for _ in range(count):
        end = day + timedelta(days=int(rng.integers(28, 34)))
        season = 1 + 0.25 * np.sin(2 * np.pi * day.timetuple().tm_yday / 365)
        used = int(level * 10 * season * rng.lognormal(0, 0.15))
        share = rng.uniform(0.04, 0.22)
        samples = tuple(
            Sample(day + timedelta(days=int(rng.integers(2, 26))), name, D(int(rng.normal(m, 90))))
            for name, m in (("BOD", 620), ("BOD", 580), ("TSS", 560), ("TSS", 610))
        )
        deduct = D(int(used * share)) * FACE.per_count
        irrigation = D(int(used * rng.uniform(0.05, 0.3))) * FACE.per_count
        months.append(Month(day, end, (register, register + used), deduct, irrigation, samples))
        register, day = register + used, end
    return rates, months


def some(rng: np.random.Generator, months: list[Month]) -> list[int]:
    """One invoice, all from one on, or all."""
    kind, count = int(rng.integers(3)), len(months)
    if kind == 0:
        return [int(rng.integers(2, count - 2))]
    return list(range(int(rng.integers(3, count - 3)) if kind == 1 else 0, count))


Plant = Callable[[np.random.Generator, Rates, list[Month]], list[int]]


def scaled(rates: Rates, month: Month, factor: Decimal) -> Decimal:
    return charged(rates, (month.intake - month.deduct) * factor * rates.factor)


def unit_swap(rng, rates, months):
    ratio = D(str(rng.choice(["7.4805195", "0.13368056", "1.3368056", "0.74805195"])))
    places = some(rng, months)
    for k in places:
        months[k].billed = scaled(rates, months[k], ratio)
    return places


def multiplier(rng, rates, months):
    ratio = D(str(rng.choice(["0.1", "10", "100", "0.01", "1000"])))
    places = list(range(int(rng.integers(2, len(months) - 3)), len(months)))
    for k in places:
        months[k].billed = scaled(rates, months[k], ratio)
    return places


def rollover(rng, rates, months):
    k = int(rng.integers(2, len(months) - 2))
    shift = 10**DIGITS - months[k].reads[0] - (months[k].reads[1] - months[k].reads[0]) // 2
    for month in months:
        month.reads = (month.reads[0] + shift, month.reads[1] + shift)
    low, high = (read % 10**DIGITS for read in months[k].reads)
    wrong = [low - high, high + 10 ** (DIGITS + 1) - low]
    used = wrong[int(rng.integers(2))] * FACE.per_count
    months[k].billed = charged(rates, max(used - months[k].deduct, D(0)) * rates.factor)
    return [k]


def misread(rng, rates, months):
    """A wrong digit in a current read; in half of the cases the next invoice starts from it."""
    k = int(rng.integers(2, len(months) - 2))
    month, after = months[k], months[k + 1]
    low, true, high = (r % 10**DIGITS for r in (*month.reads, after.reads[1]))
    text = list(str(true).zfill(DIGITS))
    place = int(rng.integers(2, DIGITS - 1))
    if rng.integers(2) and text[place] != text[place + 1]:
        text[place], text[place + 1] = text[place + 1], text[place]
    else:
        text[place] = str((int(text[place]) + int(rng.integers(1, 10))) % 10)
    wrong = int("".join(text))
    carried = bool(rng.integers(2)) and low < wrong < high
    ends = [(month, low, wrong), *([(after, wrong, high)] if carried else [])]
    nets = [(b - a) % 10**DIGITS * FACE.per_count - m.deduct for m, a, b in ends]
    if min(nets) <= 0:
        return []
    for (each, first, last), net in zip(ends, nets, strict=True):
        each.shown = (first, last)
        each.billed = charged(rates, net * rates.factor)
    return [k, k + 1] if carried else [k]


def estimated(rng, rates, months, settled=True):
    k = int(rng.integers(3, len(months) - 4))
    places = list(range(k, k + int(rng.integers(1, 3))))
    total = sum(months[j].intake for j in places)
    off = 0
    for j in places:
        guess = int(months[k - 1].intake * 10)
        off += guess - int(months[j].intake * 10)
        months[j].billed = charged(
            rates, (guess * FACE.per_count - months[j].deduct) * rates.factor
        )
        months[j].read_type = "estimated"
    assert total > 0
    after = months[places[-1] + 1]
    if settled:
        used = after.intake - off * FACE.per_count
        # a bill cannot be negative: what is over is carried on in the volume
        after.billed = charged(rates, (used - after.deduct) * rates.factor)
    return [*places, places[-1] + 1]


def no_true_up(rng, rates, months):
    return estimated(rng, rates, months, settled=False)


def duplicate(rng, rates, months):
    k = int(rng.integers(2, len(months) - 2))
    copy = months[k]
    again = Month(copy.start, copy.end, copy.reads, copy.deduct, copy.irrigation, copy.samples)
    months.insert(k + 1, again)
    return [k + 1]


def overlap(rng, rates, months):
    k = int(rng.integers(2, len(months) - 2))
    month, before = months[k], months[k - 1]
    days = int(rng.integers(2, 12))
    share = (before.reads[1] - before.reads[0]) * days // (before.end - before.start).days
    month.start -= timedelta(days=days)
    month.reads = (month.reads[0] - share, month.reads[1])
    return [k]


def factor_missing(rng, rates, months):
    places = some(rng, months)
    twice = bool(rng.integers(4) == 0)
    for k in places:
        net = months[k].intake - months[k].deduct
        months[k].billed = charged(rates, net * (rates.factor**2 if twice else 1))
    return places


def deduct_missing(rng, rates, months):
    places = some(rng, months)
    added = bool(rng.integers(3) == 0)
    for k in places:
        gross = months[k].intake + (months[k].deduct if added else 0)
        months[k].billed = charged(rates, gross * rates.factor)
    return places


def irrigation_charged(rng, rates, months):
    places = some(rng, months)
    alone = bool(rng.integers(3) == 0)
    for k in places:
        month = months[k]
        net = month.irrigation if alone else month.intake + month.irrigation - month.deduct
        month.billed = charged(rates, net * rates.factor)
    return places


def old_rates(rng, rates, months):
    places = [k for k, m in enumerate(months) if m.end > rates.editions[1][0]]
    for k in places:
        months[k].slip.edition = 0
    return places


def other_size(rng, rates, months):
    places = some(rng, months)
    wrong = str(rng.choice([size for size in SIZES if size != rates.size]))
    for k in places:
        months[k].slip.size = wrong
    return places


def tier(rng, rates, months):
    places = some(rng, months)
    kind = int(rng.integers(3))
    for k in places:
        if kind == 0:
            months[k].slip.edges = [rates.edges[0] * 2, rates.edges[1]]
            if rates.edges[0] * 2 >= rates.edges[1]:
                months[k].slip.edges = [rates.edges[0], rates.edges[1] * 2]
        elif kind == 1:
            months[k].slip.flat = 2
        else:
            months[k].slip.flat = 0
    return places


def minimum(rng, rates, months):
    places = some(rng, months)
    allowance = bool(rng.integers(2))
    for k in places:
        months[k].slip.no_allowance = allowance
        months[k].slip.minimum_on_top = not allowance
    return places


def threshold(rng, rates, months):
    places = some(rng, months)
    for k in places:
        months[k].slip.no_threshold = True
    return places


def sample(rng, rates, months):
    places = some(rng, months)
    for k in places:
        one = {s.parameter: s.value for s in months[k].samples if s.parameter == "BOD"}
        months[k].slip.strengths = months[k].strengths | one
    return places


def foreign(rng, rates, months):
    k = int(rng.integers(2, len(months) - 2))
    low = int(rng.integers(100_000, 900_000))
    used = int(months[k].intake * 10 * D(str(round(float(rng.uniform(0.3, 3)), 3))))
    months[k].shown = (low, low + used)
    net = max(used * FACE.per_count - months[k].deduct, D(0))
    months[k].billed = charged(rates, net * rates.factor)
    return [k]


def arithmetic(rng, rates, months):
    places = [int(rng.integers(len(months)))]
    months[places[0]].slip.total = D(str(rng.choice(["0.01", "-10.00", "90.00", "0.27"])))
    return places


def twice(rng, rates, months):
    places = some(rng, months)
    for k in places:
        net = 2 * months[k].intake - months[k].deduct
        months[k].billed = charged(rates, net * rates.factor)
    return places


def odd_days(rng, rates, months):
    """The use of the days there were, billed as that of a month of 30 days."""
    places = some(rng, months)
    for k in places:
        month = months[k]
        net = (month.intake - month.deduct) * 30 / (month.end - month.start).days
        month.billed = charged(rates, net * rates.factor)
    return places


def copied_wrong(rng, rates, months):
    """Two digits of the billed volume change places."""
    k = int(rng.integers(len(months)))
    digits = list(str(int(due(rates, months[k]) / rates.step)))
    places = [n for n in range(len(digits) - 1) if digits[n] != digits[n + 1]]
    if len(digits) < 4 or not places:
        return []
    n = int(rng.choice(places))
    digits[n], digits[n + 1] = digits[n + 1], digits[n]
    months[k].billed = int("".join(digits)) * rates.step
    return [k]


def basis_of_surcharge(rng, rates, months):
    """Kilograms for pounds, the metered water, or one parameter for the other."""
    places = some(rng, months)
    kind = int(rng.integers(3))
    for k in places:
        slip = months[k].slip
        if kind == 0:
            slip.surcharge = D("0.45359237")
        elif kind == 1:
            slip.surcharge = 1 / rates.factor
        else:
            slip.strengths = months[k].strengths | {"BOD": months[k].strengths["TSS"]}
    return places


def cents_cut(rng, rates, months):
    """Every line cut to the cent in place of rounded."""
    for month in months:
        month.slip.cut = True
    return list(range(len(months)))


def exchanged(rng, months, ratio=1, at_zero=0.4) -> int:
    """One month in which the meter is changed, those after it on the new one; all billed right."""
    k = int(rng.integers(2, len(months) - 2))
    used = months[k].reads[1] - months[k].reads[0]
    final = months[k].reads[0] + int(used * rng.uniform(0.15, 0.85))
    left, first = months[k].reads[1] - final, int(rng.integers(1, 3000))
    if rng.uniform() < at_zero:
        first = 0
    read = first + int(left / ratio)
    months[k].exchange = (final, first)
    months[k].reads = (months[k].reads[0], read)
    for month in months[k + 1 :]:
        counts = int((month.reads[1] - month.reads[0]) / ratio)
        month.reads = (read, read + counts)
        read += counts
    for month in months[k:]:
        month.value = FACE.per_count * ratio
    return k


def exchange_use_missing(rng, rates, months):
    """The use of one of the two meters left out; or the read of the new one billed whole."""
    k = exchanged(rng, months)
    month, kind = months[k], int(rng.integers(3))
    (final, first), (low, high) = month.exchange, month.reads
    used = (high - first, final - low, high)[kind] * FACE.per_count
    month.billed = charged(rates, max(used - month.deduct, D(0)) * rates.factor)
    return [k]


def exchange_one_meter(rng, rates, months):
    """The read of one meter subtracted from that of the other."""
    k = exchanged(rng, months)
    month = months[k]
    low, high = month.reads
    lower = [high + 10**DIGITS - low, low - high]
    used = (high - low if high > low else lower[int(rng.integers(2))]) * FACE.per_count
    month.billed = charged(rates, max(used - month.deduct, D(0)) * rates.factor)
    return [k]


def exchange_from_zero(rng, rates, months):
    """The first read of the new meter taken as zero."""
    k = exchanged(rng, months, at_zero=0.0)
    month = months[k]
    used = month.intake + month.exchange[1] * FACE.per_count
    month.billed = charged(rates, max(used - month.deduct, D(0)) * rates.factor)
    return [k]


def exchange_multiplier(rng, rates, months):
    """The counts of the new meter at the value of the old one's, from the exchange on."""
    ratio = D(str(rng.choice(["10", "0.1", "0.01", "7.4805195", "0.74805195"])))
    k = exchanged(rng, months, ratio)
    for month in months[k:]:
        low = month.reads[0] if month.exchange is None else month.exchange[1]
        used = month.intake + (month.reads[1] - low) * (FACE.per_count - month.value)
        month.billed = charged(rates, max(used - month.deduct, D(0)) * rates.factor)
    return list(range(k, len(months)))


def second_meter(rng, rates, months, factor):
    """A second supply meter, on some invoices left out (-1) or counted twice (1)."""
    for month in months:
        month.second = D(int(month.first * 10 * D(str(rng.uniform(0.1, 0.6))))) * FACE.per_count
    places = some(rng, months)
    for k in places:
        used = months[k].intake + factor * months[k].second - months[k].deduct
        months[k].billed = charged(rates, used * rates.factor)
    return places


def second_left_out(rng, rates, months):
    return second_meter(rng, rates, months, -1)


def second_twice(rng, rates, months):
    return second_meter(rng, rates, months, 1)


def none_of_these(rng, rates, months):
    places = [int(rng.integers(len(months)))]
    for k in places:
        share = D(str(round(float(rng.uniform(0.3, 3.0)), 4)))
        months[k].billed = charged(rates, due(rates, months[k]) * share)
    return places


# planted error: (how, class it should be named as)
PLANTS: dict[str, tuple[Plant, str]] = {
    "unit swapped": (unit_swap, "unit-swap"),
    "register multiplier": (multiplier, "register-multiplier"),
    "rollover": (rollover, "rollover"),
    "digit misread": (misread, "misread"),
    "estimated, made good": (estimated, "estimated-read"),
    "estimated, never made good": (no_true_up, "missing-true-up"),
    "period billed twice": (duplicate, "duplicate-period"),
    "periods overlap": (overlap, "overlapping-period"),
    "return factor": (factor_missing, "return-factor-missing"),
    "deduct credit": (deduct_missing, "deduct-missing"),
    "never reaches the sewer": (irrigation_charged, "never-reaches-sewer"),
    "rate version": (old_rates, "wrong-rate-version"),
    "meter size": (other_size, "wrong-class"),
    "tier": (tier, "tier-misapplied"),
    "minimum on top": (minimum, "minimum-on-top"),
    "no threshold": (threshold, "surcharge-threshold"),
    "wrong sample": (sample, "surcharge-sample"),
    "another account": (foreign, "another-account"),
    "sum of lines": (arithmetic, "invoice-arithmetic"),
    "none of these": (none_of_these, "unexplained-volume"),
    "counted twice": (twice, "counted-twice"),
    "scaled to 30 days": (odd_days, "period-length"),
    "volume copied wrong": (copied_wrong, "transcription"),
    "surcharge basis": (basis_of_surcharge, "surcharge-basis"),
    "cents cut": (cents_cut, "rounding"),
    "exchange, use left out": (exchange_use_missing, "exchange-use-missing"),
    "exchange, as one meter": (exchange_one_meter, "exchange-as-one-meter"),
    "exchange, first read as 0": (exchange_from_zero, "exchange-start-read"),
    "exchange, value of a count": (exchange_multiplier, "exchange-multiplier"),
    "second meter left out": (second_left_out, "meter-missing"),
    "second meter counted twice": (second_twice, "counted-twice"),
}


def change_of(month: Month, inside: bool) -> MeterExchange | None:
    if not inside and month.value == FACE.per_count:
        return None
    final, first = (D(read % 10**DIGITS) for read in month.exchange)
    return MeterExchange(final, first, FACE.per_count, month.value, inside)


def printed(
    rates: Rates, months: list[Month], rng: np.random.Generator, spread: float
) -> list[BilledInvoice]:
    """The invoices as printed, beside what the site itself knows."""
    bias = 1 + rng.uniform(-spread, spread)
    found, last = [], None
    for k, month in enumerate(months):
        right = due(rates, month)
        volume = right if month.billed is None else month.billed
        lines, total = bill(rates, month, month.slip, volume)
        own = tuple(read % 10**DIGITS for read in month.reads)
        last = last if month.exchange is None else month
        shown = month.shown or own
        known = {"intake": month.intake, "deduct": month.deduct, "irrigation": month.irrigation}
        if month.second:
            known |= {"first": month.first, "second": month.second}
        if spread:
            wide = D(repr(round(bias, 9)))
            known |= {n: known[n] * wide for n in ("intake", "first", "second") if n in known}
        facts = InvoiceFacts(
            f"I{k:02d}",
            month.start,
            month.end,
            "kgal",
            volumes=known,
            billed_volume=volume,
            months=D(1),
            meter_size=rates.size,
            samples=month.samples,
        )
        net = max(month.intake - month.deduct, D(0)) * rates.factor
        loose = month.intake * rates.factor * D(repr(spread))
        found.append(
            BilledInvoice(
                facts,
                lines,
                total,
                month.read_type,
                D(shown[0]),
                D(shown[1]),
                None if spread else (D(own[0]), D(own[1])),
                tolerance=loose if net >= 0 else D(0),
                uses=("irrigation",),
                exchange=None if last is None else change_of(last, last is month),
                meters=(SupplyMeter("first"), SupplyMeter("second")) if month.second else (),
                read_of="first" if month.second else "",
            )
        )
    return found


def verdict(found: tuple[Signature, ...], code: str, names: set[str]) -> str:
    """Whether the planted class was named, for the planted invoices and for no others."""
    accused = {name for signature in found for name in signature.invoices}
    if accused - names:
        return "others accused"
    first = [s for s in found if s.code == code]
    if first and not [s for s in found if s.code != code]:
        if {name for s in first for name in s.invoices} == names:
            return "named"
        return "named in part"
    if [s for s in found if code in s.look_alikes]:
        return "as look-alike"
    if first:
        return "named in part"
    return "missed" if not found else f"as {found[0].code}"


def nets(rates: Rates, months: list[Month], places: list[int]) -> bool:
    """Whether a run costs what its periods would have, to one step of each volume."""
    off = D(0)
    for k in places:
        month = months[k]
        for sign, volume in ((1, month.billed), (-1, due(rates, month))):
            off += (
                sign
                * bill(rates, month, Slip(), due(rates, month) if volume is None else volume)[1]
            )
    dearest = max(price for _, prices, _ in rates.editions for price in prices)
    return abs(off) <= 2 * len(places) * (rates.step * dearest + D("0.05"))


def harmless(rates: Rates, months: list[Month], places: list[int]) -> set[str]:
    """Invoices on which the planted error changed nothing that is printed."""
    same = set()
    for k in places:
        month = months[k]
        volume = due(rates, month) if month.billed is None else month.billed
        clean = bill(rates, month, Slip(), due(rates, month))
        if (
            bill(rates, month, month.slip, volume) == clean
            and volume == due(rates, month)
            and month.shown is None
        ):
            same.add(f"I{k:02d}")
    return same


def confusion(cases: int, seed: int = 1, spread: float = 0.0, only: str = "") -> dict[str, Counter]:
    """Verdicts by planted error; of those whose name holds `only`."""
    table: dict[str, Counter] = {}
    for number, (name, (plant, code)) in enumerate(PLANTS.items()):
        if only not in name:
            continue
        table[name] = Counter()
        for case in range(cases):
            rng = np.random.default_rng([seed, number, case])
            while True:
                rates, months = world(rng)
                places = plant(rng, rates, months)
                names = {f"I{k:02d}" for k in places}
                if code not in ("duplicate-period", "overlapping-period", "missing-true-up"):
                    if code != "estimated-read":
                        names -= harmless(rates, months, places)
                if names:
                    break
            schedule = parse_rates(rates.text())
            found = find_signatures(schedule, printed(rates, months, rng, spread), FACE)
            told = verdict(found, code, names)
            if code == "estimated-read" and told == "missed" and nets(rates, months, places):
                told = "named"  # what nets to nothing is settled, and nothing is to be named
            table[name][told] += 1
    return table


def accused(cases: int, seed: int = 2, spread: float = 0.0, exchange: bool = False) -> int:
    """Clean accounts in which any invoice is accused; each with a change of meter if wanted."""
    wrong = 0
    for case in range(cases):
        rng = np.random.default_rng([seed, case])
        rates, months = world(rng)
        if exchange:
            exchanged(rng, months, D(str(rng.choice(["1", "1", "10", "0.1", "7.4805195"]))))
        schedule = parse_rates(rates.text())
        wrong += bool(find_signatures(schedule, printed(rates, months, rng, spread), FACE))
    return wrong


def markdown(table: dict[str, Counter], clean: int, wrong: int) -> str:
    lines = ["| planted | named | in part | as look-alike | otherwise |", "|---|---|---|---|---|"]
    for name, counts in table.items():
        shown = ("named", "named in part", "as look-alike")
        rest = ", ".join(f"{k} {v}" for k, v in sorted(counts.items()) if k not in shown)
        lines.append(f"| {name} | " + " | ".join(str(counts[k]) for k in shown) + f" | {rest} |")
    lines.append(f"| nothing ({clean} accounts) | | | | {wrong} accused |")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=50)
    parser.add_argument("--clean", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1, help="a seed no guess was tried on")
    parser.add_argument("--spread", type=float, default=0.0, help="half width of the supply meter")
    parser.add_argument("--exchange", action="store_true", help="clean accounts change their meter")
    parser.add_argument("--only", default="", help="errors whose name holds this")
    given = parser.parse_args()
    table = confusion(given.cases, given.seed, given.spread, given.only)
    wrong = accused(given.clean, given.seed + 1, given.spread, given.exchange)
    print(markdown(table, given.clean, wrong))


if __name__ == "__main__":
    main()
