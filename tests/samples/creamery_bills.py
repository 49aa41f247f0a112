"""The town's invoices to the creamery, five faults included, and what each should have been.

The rule of the invented town of Kesselwick: the sewer volume is 90 % of what the main meter
registered less what the deduct meter registered, rounded to a tenth of a kgal; a fixed charge a
bill, a rate a kgal, and a percentage on both; where the rates change inside a period, fixed charge
and volume are shared by days. Each line is rounded to the cent, halves up.

What is wrong, invoice by invoice (nobody but this file says so):

K2505  the total is not the sum of its lines: two digits changed places
K2506  the volume was worked out in CCF (1.3368 to the kgal) and billed as kgal
K2507, K2508, K2509  the credit of the deduct meter is missing
K2512  billed at the rates of 2026, which were not yet in force
K2601  the main register was estimated, far too low: the site is billed too little
K2602  the true-up of that estimate: billed too much for its month, the two together are right

The other four (K2504, K2510, K2511, K2603) follow the town's rule.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from functools import cache

from samples import physics
from samples.creamery_instruments import main_meter, tower_meter
from samples.creamery_world import READ_DAYS, READ_HOUR

CENT, TENTH = Decimal("0.01"), Decimal("0.1")
RETURN_FACTOR = Decimal("0.90")
KGAL_PER_MAIN_COUNT = Decimal("0.1")
KGAL_PER_TOWER_COUNT = Decimal(1728 * 10) / Decimal(231) / 1000  # 10 cubic feet
CCF_PER_KGAL = Decimal(231 * 1000) / Decimal(1728 * 100)
ESTIMATED_COUNTS_PER_DAY = 1730  # of the years before the plant grew

LINES = ("sewer fixed charge", "sewer volume charge", "treatment plant adder")


@dataclass(frozen=True)
class Rates:
    """One dated edition of the town's schedule."""

    name: str
    effective: date
    fixed: Decimal  # USD a bill
    volume: Decimal  # USD/kgal
    adder: Decimal  # of fixed and volume charge


OLD = Rates("2024", date(2024, 7, 1), Decimal("186.40"), Decimal("7.12"), Decimal("0.045"))
NEW = Rates("2026", date(2026, 1, 1), Decimal("193.85"), Decimal("7.58"), Decimal("0.045"))


@dataclass(frozen=True)
class Invoice:
    """One invoice as printed."""

    name: str
    start: str
    end: str
    previous_read: int
    current_read: int
    read_type: str
    volume: Decimal  # kgal
    lines: tuple[Decimal, ...]  # USD
    total: Decimal  # USD

    def row(self) -> str:
        """The invoice as a row of the sample file."""
        cells = [self.name, self.start, self.end, self.previous_read, self.current_read]
        return ",".join(map(str, [*cells, self.read_type, self.volume, *self.lines, self.total]))


def cents(amount: Decimal) -> Decimal:
    return amount.quantize(CENT, ROUND_HALF_UP)


def days_at_new_rates(start: str, end: str) -> tuple[int, int]:
    """Days of a period at the rates of 2026, and all its days."""
    first, last = date.fromisoformat(start), date.fromisoformat(end)
    return max(0, (last - max(first, NEW.effective)).days), (last - first).days


def charge(volume: Decimal, new_days: int, days: int) -> tuple[Decimal, ...]:
    """The three lines of an invoice."""
    share = Decimal(new_days) / Decimal(days)
    fixed = cents(OLD.fixed * (1 - share) + NEW.fixed * share)
    flow = cents(volume * (OLD.volume * (1 - share) + NEW.volume * share))
    return fixed, flow, cents((fixed + flow) * NEW.adder)


def billed_volume(main_counts: int, tower_counts: int) -> Decimal:
    """Sewer volume by the town's rule [kgal]."""
    net = main_counts * KGAL_PER_MAIN_COUNT - tower_counts * KGAL_PER_TOWER_COUNT
    return (RETURN_FACTOR * net).quantize(TENTH, ROUND_HALF_UP)


def counts_between(meter, start: str, end: str) -> int:
    """What a register counted between two of its reads, roll-over included."""
    return (meter.at(f"{end} {READ_HOUR}") - meter.at(f"{start} {READ_HOUR}")) % 10**meter.digits


def names() -> list[str]:
    """Numbers of the invoices: K, year and month of their end."""
    return [f"K{day[2:4]}{day[5:7]}" for day in READ_DAYS[1:]]


def priced(invoice: Invoice, new_days: int | None = None) -> Invoice:
    """An invoice with its lines and total from its volume."""
    due, days = days_at_new_rates(invoice.start, invoice.end)
    lines = charge(invoice.volume, due if new_days is None else new_days, days)
    return replace(invoice, lines=lines, total=sum(lines))


@cache
def right_invoices() -> tuple[Invoice, ...]:
    """Every invoice as the town's own rule would have it, from actual reads."""
    made = []
    for name, start, end in zip(names(), READ_DAYS[:-1], READ_DAYS[1:], strict=True):
        main = [main_meter().at(f"{day} {READ_HOUR}") for day in (start, end)]
        volume = billed_volume(
            counts_between(main_meter(), start, end), counts_between(tower_meter(), start, end)
        )
        made.append(priced(Invoice(name, start, end, *main, "actual", volume, (), Decimal(0))))
    return tuple(made)


def changed_places(total: Decimal) -> Decimal:
    """A total with two neighbouring digits exchanged so that it grows."""
    digits = list(str(total))
    for place in range(len(digits) - 5, 0, -1):  # from the tens upward
        if digits[place - 1].isdigit() and digits[place - 1] < digits[place]:
            digits[place - 1], digits[place] = digits[place], digits[place - 1]
            return Decimal("".join(digits))
    raise AssertionError(f"no neighbouring digits of {total} rise")


@cache
def invoices() -> tuple[Invoice, ...]:
    """Every invoice as printed, faults and all."""
    printed = {invoice.name: invoice for invoice in right_invoices()}
    wrong = printed["K2505"]
    printed["K2505"] = replace(wrong, total=changed_places(wrong.total))
    wrong = printed["K2506"]
    in_ccf = (wrong.volume * CCF_PER_KGAL).quantize(TENTH, ROUND_HALF_UP)
    printed["K2506"] = priced(replace(wrong, volume=in_ccf))
    for name in ("K2507", "K2508", "K2509"):
        wrong = printed[name]
        main = counts_between(main_meter(), wrong.start, wrong.end)
        printed[name] = priced(replace(wrong, volume=billed_volume(main, 0)))
    wrong = printed["K2512"]
    printed["K2512"] = priced(wrong, days_at_new_rates(wrong.start, wrong.end)[1])
    printed |= estimate_and_true_up(printed["K2601"], printed["K2602"])
    return tuple(printed.values())


def estimate_and_true_up(month: Invoice, following: Invoice) -> dict[str, Invoice]:
    """A month on an estimated read, and the next one that makes up for it."""
    _, days = days_at_new_rates(month.start, month.end)
    read = month.previous_read + ESTIMATED_COUNTS_PER_DAY * days
    tower = [counts_between(tower_meter(), part.start, part.end) for part in (month, following)]
    low = replace(
        month,
        current_read=read,
        read_type="estimated",
        volume=billed_volume(read - month.previous_read, tower[0]),
    )
    made_up = replace(
        following,
        previous_read=read,
        volume=billed_volume(following.current_read - read, tower[1]),
    )
    return {low.name: priced(low), made_up.name: priced(made_up)}


def kgal(cubic_metres: float) -> float:
    """Cubic metres as thousand US gallons."""
    return cubic_metres / (1000 * physics.GALLON)
