"""Invented sewer accounts, right and wrong, to try the audit of the bills from outside.

Each kind is a sentence of the trade ("the site reads its meter up to three hours beside the city's
reader", "the deduct meter was not taken off") made into a case folder: case.toml, invoices.csv,
rates.toml and the files they name, with a truth.json beside them. Water runs hour by hour in whole
gallons, registers count it, and every bill is priced here, in fractions and decimals of this file's
own; nothing of the audited library takes part in making a case.

  right  the series is correct, however rough its edges: nothing may be accused
  wrong  an error is planted in it; the truth names the invoices, the class of the error in plain
         words, the amount over- or undercharged to the cent, and whether the printed figures alone
         show it or only reads of the site

A case is determined by (kind, seed). Seeds 1 to 999 serve for mending, 5000 and above for record.

  python foreign_bills.py --kinds all --per-kind 1 --seed 5000 --part right
  python foreign_bills.py --kinds misread_previous,tax_on_tax --seed 7 --part wrong --write FOLDER
  python foreign_bills.py --part wrong --old-keys --processes 2 --json results.json

--old-keys leaves out the keys a case lists under `needs`, for an edition of the tool without them.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import zlib
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

# --- units and rounding ---------------------------------------------------------------------------

# US gallons in one unit; exact: a gallon is 231 cubic inches, an inch 0.0254 m (definitions)
CUBIC_FOOT = Fraction(1728, 231)
CUBIC_METRE = 1 / (231 * Fraction(254, 10000) ** 3)
GALLONS = {
    "gal": Fraction(1),
    "kgal": Fraction(1000),
    "cf": CUBIC_FOOT,
    "CCF": 100 * CUBIC_FOOT,
    "HCF": 100 * CUBIC_FOOT,
    "ccf": 100 * CUBIC_FOOT,
    "100 cf": 100 * CUBIC_FOOT,
    "m3": CUBIC_METRE,
}


def rounded(value: Fraction, to: Decimal, rule: str) -> Decimal:
    """`value` on the step `to` by half up, half even, down or up (all away from or to zero)."""
    steps = Fraction(value) / Fraction(to)
    sign = -1 if steps < 0 else 1
    whole, rest = divmod(abs(steps), 1)
    whole = int(whole)
    if rule == "up":
        whole += rest > 0
    elif rule == "half up":
        whole += rest >= Fraction(1, 2)
    elif rule == "half even":
        whole += rest > Fraction(1, 2) or (rest == Fraction(1, 2) and whole % 2)
    return sign * whole * to


def cents(value: Fraction, rule: str = "half up") -> Decimal:
    """An amount of money on the cent."""
    return rounded(value, Decimal("0.01"), rule)


def plain(value: Decimal | Fraction, places: int | None = None) -> str:
    """A number as a bill prints it; a fraction must terminate within six places or `places`."""
    if isinstance(value, Fraction):
        if places is None:
            places = next(k for k in range(7) if (value * 10**k).denominator == 1 or k == 6)
        value = rounded(value, Decimal(1).scaleb(-places), "half up")
    elif places is not None:
        value = value.quantize(Decimal(1).scaleb(-places))
    return format(value, "f")


# --- the schedule ---------------------------------------------------------------------------------


@dataclass
class Charge:
    """One charge as the schedule writes it; `keys` go into rates.toml as they stand."""

    name: str
    kind: str
    keys: dict


@dataclass
class Edition:
    """One dated edition: how the volume is made, and its charges in order."""

    name: str
    effective: date
    volume: dict
    charges: list[Charge]
    inherits: str | None = None


@dataclass
class Facts:
    """What a bill is priced on beside its volume."""

    days: int
    months: int = 1
    meter_size: str = "2 in"
    counts: dict = field(default_factory=dict)
    strengths: dict = field(default_factory=dict)
    surcharge_volume: Fraction | None = None  # where a wrong volume went into the surcharge


def charge_amount(charge: Charge, volume: Fraction, unit: str, facts: Facts, lines: dict):
    """One charge before rounding, by the words of the schedule."""
    keys = charge.keys
    times = Fraction(facts.counts.get(keys["count"], 0)) if "count" in keys else Fraction(1)
    if charge.kind == "fixed":
        amount = (
            keys["by_meter_size"][facts.meter_size] if "by_meter_size" in keys else (keys["amount"])
        )
        spans = Fraction(1)
        if keys["per"] == "day":
            spans = Fraction(facts.days)
        elif keys["per"] == "month" and keys.get("proration") == "standard days":
            low, high = keys.get("normal_days", [-1, -1])
            if not low <= facts.days <= high:
                spans = Fraction(facts.days, keys["standard_days"])
        elif keys["per"] == "month":
            spans = Fraction(facts.months)
        return times * spans * Fraction(amount)
    if charge.kind == "volume":
        used = volume
        if "blocks" not in keys:
            return used * Fraction(keys["rate"])
        scale = Fraction(facts.days, 30) if keys.get("blocks_per") == "30 days" else Fraction(1)
        amount, lower = Fraction(0), Fraction(0)
        for block in keys["blocks"]:
            upper = Fraction(block["to"]) * scale if "to" in block else None
            inside = used if upper is None else min(used, upper)
            if "base" in block:
                if used > lower or lower == 0:
                    part = max(inside - lower, 0) * Fraction(block["rate"])
                    amount = Fraction(block["base"]) + part
            else:
                amount += max(inside - lower, 0) * Fraction(block["rate"])
            lower = upper
        return amount
    if charge.kind == "percent":
        share = Fraction(Decimal(keys["rate"].rstrip(" %"))) / 100
        return times * share * sum(Fraction(lines.get(name, 0)) for name in keys["of"])
    if charge.kind == "minimum":
        return max(
            Fraction(0),
            Fraction(keys["amount"]) - sum(Fraction(lines.get(name, 0)) for name in keys["of"]),
        )
    if charge.kind == "strength":
        excess = max(
            Fraction(0), Fraction(facts.strengths[keys["parameter"]]) - Fraction(keys["threshold"])
        )
        million = volume if facts.surcharge_volume is None else facts.surcharge_volume
        million = million * GALLONS[unit] / 10**6
        return excess * Fraction(Decimal("8.34")) * million * Fraction(keys["rate"])
    raise ValueError(charge.kind)


@dataclass
class Schedule:
    """All editions, and the rules between them."""

    editions: list[Edition]
    unit: str
    rate_change: str = "by end"
    line_rule: str = "half up"
    total_to: Decimal = Decimal("0.01")
    end_day_counts: bool = False

    def parts(self, start: date, end: date) -> list[tuple[Edition, Fraction]]:
        """The editions a period is priced by, with their share of its days."""
        ordered = sorted(self.editions, key=lambda one: one.effective)
        if self.rate_change != "split by days":
            return [([one for one in ordered if one.effective <= end][-1], Fraction(1))]
        days = [start + timedelta(k) for k in range((end - start).days)]
        shares = []
        for place, one in enumerate(ordered):
            last = ordered[place + 1].effective if place + 1 < len(ordered) else date.max
            held = sum(one.effective <= day < last for day in days)
            if held:
                shares.append((one, Fraction(held, len(days))))
        return shares

    def lines(self, parts, volume: Fraction, facts: Facts, line_rule: str | None = None) -> dict:
        """The printed lines: each rounded once, later ones on the rounded earlier ones."""
        printed: dict[str, Decimal] = {}
        for charge in parts[0][0].charges:
            amount = Fraction(0)
            for edition, share in parts:
                same = next(c for c in edition.charges if c.name == charge.name)
                amount += share * charge_amount(same, volume, self.unit, facts, printed)
            printed[charge.name] = cents(amount, line_rule or self.line_rule)
        return printed

    def total(self, lines: dict) -> Decimal:
        """The sum of the lines on the step of the total."""
        return rounded(Fraction(sum(lines.values(), Decimal(0))), self.total_to, "half up")


# --- water and registers --------------------------------------------------------------------------


class Water:
    """Whole gallons hour by hour on the local clock, from midnight of the first day."""

    def __init__(self, rng, first: date, days: int, per_day: float, season: float = 0.0):
        self.first = datetime(first.year, first.month, first.day)
        hours = np.arange(24 * days)
        day_of_year = (first.timetuple().tm_yday + hours / 24) % 365.25
        profile = 0.25 + 1.5 * ((hours % 24 >= 6) & (hours % 24 < 18))
        weekday = (first.weekday() + hours // 24) % 7
        level = profile * np.where(weekday >= 5, 0.45, 1.1)
        level *= 1 + season * np.cos(2 * np.pi * (day_of_year - 200) / 365.25)
        level *= np.repeat(np.exp(rng.normal(0, 0.08, days)), 24)
        gallons = np.rint(level / level.mean() * per_day / 24).astype(int)
        self.sums = np.concatenate([[0], np.cumsum(gallons)])

    def until(self, moment: datetime) -> Fraction:
        """Gallons from the beginning to this moment."""
        hours = Fraction(int((moment - self.first).total_seconds()), 3600)
        whole = int(hours)
        step = int(self.sums[whole + 1] - self.sums[whole])
        return int(self.sums[whole]) + (hours - whole) * step

    def stop(self, start: date, end: date, share: float = 0.0) -> None:
        """Scale the flow of some days, for instance to nothing while the site is closed."""
        low = 24 * (start - self.first.date()).days
        high = 24 * (end - self.first.date()).days
        steps = np.diff(self.sums)
        steps[low:high] = np.rint(steps[low:high] * share)
        self.sums = np.concatenate([[0], np.cumsum(steps)])


@dataclass
class Register:
    """A meter's register: it shows whole counts and rolls over."""

    water: Water
    unit: str
    multiplier: int
    digits: int
    opening: int
    zero: Fraction = Fraction(0)  # gallons passed before this meter was set

    @property
    def count(self) -> Fraction:
        """Gallons of one count."""
        return self.multiplier * GALLONS[self.unit]

    def read(self, moment: datetime) -> int:
        """What stands on the dial at this moment."""
        passed = (self.water.until(moment) - self.zero) / self.count
        return int(self.opening + passed) % 10**self.digits


# --- bills and accounts ---------------------------------------------------------------------------


@dataclass
class Bill:
    """One printed invoice; `due` is what it should have been."""

    number: str
    start: date
    end: date
    previous: int | None
    current: int | None
    volume: Fraction
    facts: Facts
    lines: dict
    total: Decimal
    due: Decimal
    read_type: str = "actual"
    shown: str | None = None  # the usage as printed, where it is not the charged volume
    water: Fraction = Fraction(0)
    deduct: Fraction = Fraction(0)
    kind: str = ""
    replaces: str = ""
    more: dict = field(default_factory=dict)  # further printed columns
    amount_due: Decimal | None = None  # the printed total, where it holds more than this bill


TRADES = (  # invoice unit, register unit, multiplier, rounding of the volume, gallons per day
    ("kgal", "gal", 100, ("0.1", "half up"), 60_000),
    ("kgal", "gal", 1000, ("1", "down"), 90_000),
    ("kgal", "gal", 10, ("0.01", "half up"), 21_000),
    ("CCF", "cf", 100, ("1", "half up"), 40_000),
    ("CCF", "cf", 10, ("0.1", "down"), 30_000),
    ("kgal", "cf", 10, ("0.1", "half up"), 50_000),
    ("m3", "m3", 1, ("1", "half up"), 35_000),
    ("gal", "gal", 100, ("100", "down"), 26_000),
)
SIZES = {"1 in": "31.40", "1.5 in": "58.90", "2 in": "96.15", "3 in": "187.60", "4 in": "301.25"}
UNIT_RATE = {"kgal": "7.12", "CCF": "5.31", "m3": "1.884", "gal": "0.00712"}
TOWNS = ("Wexcombe", "Larrowby", "Tindle Ford", "Osmotherwick", "Quarrendale", "Brackmoor")
WORKS = ("pickle works", "dye house", "dairy", "linen hire", "brewhouse", "cannery", "plating shop")


def step_of(trade) -> Decimal:
    """The step of the volume of a trade."""
    return Decimal(trade[3][0])


class Account:
    """An invented account: water, registers, schedule, bills, and the files that tell of them."""

    def __init__(
        self,
        rng,
        n=None,
        trade=None,
        factor=None,
        deduct=False,
        charges=None,
        own="none",
        months=1,
        day=None,
        first=None,
        season=0.15,
        digits=6,
        opening=None,
        rate_change="by end",
        volume=None,
        compound=False,
        starts=None,
        editions=None,
        per_day=None,
        hour=None,
    ):
        self.rng = rng
        self.trade = trade or TRADES[rng.integers(len(TRADES))]
        self.unit, self.register_unit, self.multiplier = self.trade[:3]
        self.per_day = per_day or self.trade[4] * float(rng.uniform(0.7, 1.4))
        self.n = n or int(rng.integers(8, 22))
        self.hour = hour if hour is not None else int(rng.integers(8, 15))
        self.factor = Decimal(factor or str(rng.choice(["1", "0.95", "0.9", "0.85"])))
        self.zone = str(rng.choice(["America/Chicago", "America/New_York", "America/Denver"]))
        self.title = (
            f"{rng.choice(TOWNS)} {rng.choice(WORKS)}, sewer account "
            f"{rng.integers(100, 999)} (invented)"
        )
        self.dates = starts or self.read_days(months, day, first)
        self.n = len(self.dates) - 1
        span = (self.dates[-1] - self.dates[0]).days + 80
        self.first_day = self.dates[0] - timedelta(40)
        self.water = Water(rng, self.first_day, span, self.per_day, season)
        opening = (
            int(rng.integers(10 ** (digits - 2), 4 * 10 ** (digits - 1)))
            if opening is None
            else (opening)
        )
        self.main = Register(self.water, self.register_unit, self.multiplier, digits, opening)
        self.has_deduct = deduct
        self.side = None
        if deduct:
            side = Water(rng, self.first_day, span, 0.16 * self.per_day, 0.5)
            self.side = Register(
                side,
                "gal" if self.register_unit == "gal" else self.register_unit,
                max(1, self.multiplier // 10),
                6,
                int(rng.integers(1000, 90000)),
            )
        self.low = None
        if compound:
            low = Water(rng, self.first_day, span, 0.07 * self.per_day, 0.0)
            self.low = Register(low, "gal", 10, 7, int(rng.integers(1000, 90000)))
        self.months = months
        self.volume_keys = volume
        self.facts_of: Callable = lambda start, end: {}
        charges = charges(self) if callable(charges) else charges
        editions = editions(self) if callable(editions) else editions
        self.schedule = Schedule(editions or [self.edition(charges)], self.unit, rate_change)
        self.own = own
        self.own_extra: list[datetime] = []
        self.city = [self.city_moment(day) for day in self.dates]
        self.usage_means = None
        self.printed_to = None
        self.overlap = False
        self.invoice_unit = self.unit
        self.not_charges: list[str] = []
        self.needs: set[str] = set()
        self.account_keys: dict = {}
        self.files: dict[str, str] = {}
        self.changes: list[dict] = []
        self.bills: list[Bill] = []
        self.header: dict[str, str] = {}  # role -> header in the file
        self.own_reads_error = "2 %"
        self.tail = ""
        self.claim_extra = ""
        self.inclusive = False
        self.basis_of_case = "intake"

    # ---- schedule -----------------------------------------------------------------------------

    def read_days(self, months, day, first) -> list[date]:
        """Dates of the city's reads, month after month, as a reader's round has them."""
        rng = self.rng
        year, month = first or (int(rng.integers(2022, 2024)), int(rng.integers(1, 13)))
        dates = []
        for k in range(self.n + 1):
            at = month - 1 + k * months
            base = date(year + at // 12, at % 12 + 1, day or int(self.base_day()))
            dates.append(base if day else base + timedelta(int(rng.integers(-2, 3))))
        return dates

    def base_day(self) -> int:
        """The day of the month the reader's round passes here."""
        if not hasattr(self, "_base_day"):
            self._base_day = int(self.rng.integers(4, 26))
        return self._base_day

    def edition(
        self, charges=None, name="tariff of the year", effective=date(2015, 1, 1), rate=None
    ) -> Edition:
        """An edition with this account's volume rule."""
        return Edition(name, effective, self.volume_table(), charges or self.charges(rate))

    def volume_table(self) -> dict:
        """The volume table of the schedule."""
        if self.volume_keys is not None:
            return dict(self.volume_keys)
        table = {
            "basis": "intake less deduct" if self.has_deduct else "intake",
            "return_factor": self.factor,
        }
        to, rule = self.trade[3]
        table["rounding"] = {"to": Decimal(to), "rule": rule}
        return table

    def volume_rate(self) -> Decimal:
        """A price of one unit, of usual size."""
        return Decimal(UNIT_RATE[self.unit])

    def blocks(self) -> list[dict]:
        """Three blocks which this account's usual bill reaches."""
        usual = self.per_day * 30 / float(GALLONS[self.unit])
        unit = Decimal(10) ** (len(str(int(usual))) - 2)
        one = unit * max(1, int(usual / 3 / float(unit)))
        two = max(2 * one, unit * int(usual * 0.9 / float(unit)))
        rate = self.volume_rate()
        return [
            {"to": one, "rate": rate},
            {"to": two, "rate": rate * Decimal("0.9")},
            {"rate": rate * Decimal("0.8")},
        ]

    def charges(self, rate=None) -> list[Charge]:
        """Ordinary charges: a base, a volume charge, often a tax."""
        rng = self.rng
        base = {"per": "bill"}
        if rng.random() < 0.5:
            base["by_meter_size"] = {k: Decimal(v) for k, v in SIZES.items()}
        else:
            base["amount"] = Decimal(int(rng.integers(1800, 18000))).scaleb(-2)
        volume = {"volume": "sewer"}
        if rate is None and rng.random() < 0.4:
            volume["blocks"] = self.blocks()
        else:
            volume["rate"] = rate or self.volume_rate()
        made = [Charge("service charge", "fixed", base), Charge("sewer use", "volume", volume)]
        if rng.random() < 0.5:
            made.append(
                Charge(
                    "utility tax",
                    "percent",
                    {
                        "rate": f"{Decimal(int(rng.integers(20, 90))).scaleb(-1)} %",
                        "of": ["service charge", "sewer use"],
                    },
                )
            )
        return made

    # ---- reads and bills ------------------------------------------------------------------------

    def city_moment(self, day: date) -> datetime:
        """When the city's reader really stood at the meter: about the stated hour."""
        minutes = int(self.rng.integers(-20, 21))
        return datetime(day.year, day.month, day.day, self.hour) + timedelta(minutes=minutes)

    def volume_of(self, water: Fraction, deduct: Fraction, start: date, end: date) -> Fraction:
        """The charged volume by the schedule in force at the end of the period."""
        edition = self.schedule.parts(start, end)[-1][0]
        table = edition.volume
        factor = Fraction(table.get("return_factor", 1))
        if "return_factor_by_month" in table:
            middle = start + (end - start) / 2
            factor = Fraction(table["return_factor_by_month"][middle.month])
        net = (water - deduct) * factor
        net = max(Fraction(0), net - Fraction(table["allowance"])) if "allowance" in table else net
        if "rounding" in table:
            return Fraction(rounded(net, table["rounding"]["to"], table["rounding"]["rule"]))
        return net

    def facts(self, start: date, end: date) -> Facts:
        """Facts of a period."""
        days = (end - start).days
        facts = Facts(days, self.months)
        facts.meter_size = self.account_keys.get("meter_size", "2 in")
        for name, value in self.facts_of(start, end).items():
            setattr(facts, name, value)
        return facts

    def make(
        self,
        number=None,
        start=None,
        end=None,
        previous=None,
        current=None,
        water=None,
        deduct=None,
        read_type="actual",
        facts=None,
    ) -> Bill:
        """A right bill on the given reads."""
        if water is None:
            water = Fraction((current - previous) % 10**self.main.digits) * self.main.count
        water = Fraction(water) / GALLONS[self.unit]
        taken = Fraction(deduct or 0) / GALLONS[self.unit]
        volume = self.volume_of(water, taken, start, end)
        facts = facts or self.facts(start, end)
        lines = self.schedule.lines(self.schedule.parts(start, end), volume, facts)
        total = self.schedule.total(lines)
        return Bill(
            number or f"N{len(self.bills) + 101}",
            start,
            end,
            previous,
            current,
            volume,
            facts,
            lines,
            total,
            total,
            read_type,
            None,
            water,
            taken,
        )

    def side_volume(self, k: int) -> Fraction:
        """Gallons of the deduct meter in period k, by whole counts at the city's reads."""
        if self.side is None:
            return Fraction(0)
        counts = self.side.read(self.city[k + 1]) - self.side.read(self.city[k])
        return Fraction(counts % 10**self.side.digits) * self.side.count

    def run(self) -> Account:
        """All bills, right, each on actual reads."""
        for k in range(self.n):
            previous, current = (self.main.read(self.city[k + j]) for j in (0, 1))
            water = Fraction((current - previous) % 10**self.main.digits) * self.main.count
            if self.low is not None:
                ends = [self.low.read(self.city[k + j]) for j in (0, 1)]
                water += (ends[1] - ends[0]) * self.low.count
            bill = self.make(
                None,
                self.dates[k],
                self.dates[k + 1],
                previous,
                current,
                water,
                self.side_volume(k),
            )
            if self.low is not None:
                bill.more["low flow previous"], bill.more["low flow current"] = map(str, ends)
            self.bills.append(bill)
        if self.low is not None:
            self.not_charges += ["low flow previous", "low flow current"]
        return self

    def pick(self, low=2, margin=2) -> int:
        """The place of some bill away from both ends."""
        return int(self.rng.integers(low, max(low + 1, len(self.bills) - margin)))

    def reprice(self, bill: Bill, volume=None, facts=None, parts=None, line_rule=None) -> None:
        """Print the bill with a wrong volume, wrong facts or a wrong edition; what is due stays."""
        bill.volume = Fraction(bill.volume if volume is None else volume)
        bill.facts = facts or bill.facts
        parts = parts or self.schedule.parts(bill.start, bill.end)
        bill.lines = self.schedule.lines(parts, bill.volume, bill.facts, line_rule)
        bill.total = self.schedule.total(bill.lines)

    def rounded_volume(self, volume: Fraction) -> Fraction:
        """A volume rounded as the schedule says."""
        table = self.schedule.editions[-1].volume
        if "rounding" not in table:
            return Fraction(volume)
        return Fraction(
            rounded(Fraction(volume), table["rounding"]["to"], table["rounding"]["rule"])
        )

    # ---- own reads ------------------------------------------------------------------------------

    def own_moments(self) -> list[datetime]:
        """When the site looked at its own meters."""
        rng = self.rng
        first, last = self.city[0], self.city[-1]
        moments = set(self.own_extra)
        if self.own in ("weekly", "minutes", "hours", "on the day"):
            day = first.date() - timedelta(6)
            while day < last.date() + timedelta(8):
                hour, minute = (int(rng.integers(6, 16)), int(rng.integers(0, 60)))
                moments.add(datetime(day.year, day.month, day.day, hour, minute))
                day += timedelta(7)
        for moment in self.city:
            nominal = moment.replace(hour=self.hour, minute=0)
            if self.own == "minutes":
                moments.add(nominal + timedelta(minutes=int(rng.integers(-25, 26))))
            elif self.own == "hours":
                moments.add(nominal + timedelta(minutes=int(rng.integers(-175, 176))))
            elif self.own in ("on the day", "days only"):
                moments.add(moment)
        if self.own == "hours":
            self.needs.add("read_within")
        return sorted(moments)

    def own_table(self, register: Register, moments) -> str:
        """A register's file of the site."""
        rows = ["time,register"]
        rows += [f"{moment:%Y-%m-%d %H:%M},{register.read(moment)}" for moment in moments]
        return "\n".join(rows) + "\n"


# --- files ----------------------------------------------------------------------------------------


def toml_value(value) -> str:
    """A value as TOML writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, dict):
        inside = ", ".join(f"{toml_key(k)} = {toml_value(v)}" for k, v in value.items())
        return "{ " + inside + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(toml_value(one) for one in value) + "]"
    if isinstance(value, Decimal):
        return format(value, "f")
    if isinstance(value, date):
        return value.isoformat()
    return str(value)


def toml_key(key) -> str:
    """A bare or quoted key."""
    text = str(key)
    bare = all(c.isalnum() or c in "_-" for c in text) and text.isascii()
    return text if bare else json.dumps(text)


NEW_ROLES = (
    "multiplier",
    "water_used",
    "deduct",
    "factor",
    "tax_base",
    "subtotal",
    "previous_balance",
    "payment",
    "credit",
    "bill_date",
    "due_date",
)
OLD_ROLES = (
    "invoice",
    "start",
    "end",
    "previous_read",
    "current_read",
    "read_type",
    "billed_volume",
    "total",
    "kind",
    "replaces",
)


def rates_toml(account: Account, old: bool) -> str:
    """The schedule, figure by figure."""
    plan = account.schedule
    out = [
        "# Invented. No town prints this schedule.",
        "",
        "[schedule]",
        'name = "Sewer rates (invented)"',
        'currency = "USD"',
        'source = "invented for a simulation"',
        f"rate_change = {toml_value(plan.rate_change)}",
        f"end_day_counts = {toml_value(account.inclusive)}",
        f'line_rounding = {{ to = 0.01, rule = "{plan.line_rule}" }}',
        f'total_rounding = {{ to = {plan.total_to}, rule = "half up" }}',
    ]
    for edition in sorted(plan.editions, key=lambda one: one.effective):
        out += [
            "",
            "[[version]]",
            f"name = {toml_value(edition.name)}",
            f"effective = {edition.effective.isoformat()}",
        ]
        parent = None
        if edition.inherits and not old:
            out.append(f"inherits = {toml_value(edition.inherits)}")
            parent = next(one for one in plan.editions if one.name == edition.inherits)
        if parent is None:
            table = {
                key: value for key, value in edition.volume.items() if not (old and key == "rule")
            }
            table.setdefault("basis", "intake less deduct" if account.has_deduct else "intake")
            if "rule" in table:
                table.pop("basis")
                table.pop("return_factor", None)
            out += [
                "",
                "[[version.volume]]",
                'name = "sewer"',
                f"unit = {toml_value(account.schedule.unit)}",
            ]
            out += [f"{toml_key(k)} = {toml_value(v)}" for k, v in table.items()]
        for charge in edition.charges:
            if parent is not None and charge in parent.charges:
                continue
            out += [
                "",
                "[[version.charge]]",
                f"name = {toml_value(charge.name)}",
                f"kind = {toml_value(charge.kind)}",
            ]
            out += [f"{toml_key(k)} = {toml_value(v)}" for k, v in charge.keys.items()]
    return "\n".join(out) + "\n"


def quoted(cell: str) -> str:
    """A cell of a CSV file."""
    return '"' + cell.replace('"', '""') + '"' if any(c in cell for c in ',"\n') else cell


def invoices_csv(account: Account) -> tuple[str, list[str]]:
    """The invoice table as somebody copied it from the bills, and its further columns."""
    names = [c.name for c in account.schedule.editions[-1].charges]
    # a line which stands on a single bill only (a late fee not of the schedule) is a column too
    names += [n for bill in account.bills for n in bill.lines if n not in names]
    names = list(dict.fromkeys(names))
    more = list(dict.fromkeys(key for bill in account.bills for key in bill.more))
    kinds = any(bill.kind for bill in account.bills)
    header = [
        "invoice",
        "start",
        "end",
        "previous_read",
        "current_read",
        "read_type",
        "billed_volume",
        *more,
        *names,
        "total",
    ] + (["kind", "replaces"] if kinds else [])
    shift = timedelta(1) if account.inclusive else timedelta(0)
    rows = [",".join(quoted(account.header.get(h, h)) for h in header)]
    for bill in account.bills:
        shown = bill.shown if bill.shown is not None else plain(bill.volume)
        cells = [
            bill.number,
            bill.start.isoformat(),
            (bill.end - shift).isoformat(),
            "" if bill.previous is None else str(bill.previous),
            "" if bill.current is None else str(bill.current),
            bill.read_type,
            shown,
        ]
        cells += [bill.more.get(name, "") for name in more]
        cells += [plain(bill.lines[n], 2) if n in bill.lines else "" for n in names]
        cells += [plain(bill.total if bill.amount_due is None else bill.amount_due, 2)]
        cells += [bill.kind, bill.replaces] if kinds else []
        rows.append(",".join(quoted(cell) for cell in cells))
    return "\n".join(rows) + "\n", more


def write_case(account: Account, folder: Path, truth: dict, old: bool = False) -> None:
    """The folder of a case; `old` leaves out every key an earlier edition does not know."""
    folder.mkdir(parents=True, exist_ok=True)
    table, more = invoices_csv(account)
    roles = {name: name for name in more if name in NEW_ROLES}
    account.needs.update(roles)
    not_charges = list(account.not_charges)
    if old:
        not_charges += [n for n in roles if n not in ("bill_date", "due_date")]
        drop = {"bill_date", "due_date"} & set(roles)
        if drop:
            table = drop_columns(table, drop)
    moments = account.own_moments()
    factor = account.schedule.editions[-1].volume.get("return_factor", account.factor)
    out = [
        "# Invented account. No real firm, place or person.",
        "",
        "[case]",
        f"title = {toml_value(account.title)}",
        f"time_zone = {toml_value(account.zone)}",
        f"basis = {toml_value(account.basis_of_case)}",
        f"return_factor = {factor}",
        "",
        "[invoices]",
        'file = "invoices.csv"',
        f"volume_unit = {toml_value(account.invoice_unit)}",
        f'read_hour = "{account.hour:02d}:00"',
        f"end_day_counts = {toml_value(account.inclusive)}",
    ]
    if account.usage_means:
        account.needs.add("usage_means")
        if not old:
            out.append(f"usage_means = {toml_value(account.usage_means)}")
    if account.printed_to:
        account.needs.add("usage_printed_to")
        if not old:
            out.append(f"usage_printed_to = {toml_value(account.printed_to)}")
    if account.overlap:
        out.append('overlapping_days = "examine"')
    if not_charges:
        out.append(f"not_charges = {toml_value(not_charges)}")
    if account.header:
        out += ["", "[invoices.columns]"]
        out += [f"{k} = {toml_value(v)}" for k, v in account.header.items()]
    out += ["", "[rates]", 'file = "rates.toml"', ""]
    if account.own != "none":
        out += meter_table(account, old)
        (folder / "main_meter.csv").write_text(
            account.files.pop("main_meter.csv", None) or account.own_table(account.main, moments)
        )
        if account.low is not None:
            out += [
                "",
                "[[intake.further_register]]",
                'name = "low flow register"',
                'file = "low_flow.csv"',
                f'unit = "{account.low.unit}"',
                f"multiplier = {account.low.multiplier}",
                f"digits = {account.low.digits}",
                'sign = "add"',
            ]
            (folder / "low_flow.csv").write_text(account.own_table(account.low, moments))
    if account.side is not None:
        side = moments if account.own != "none" else account.city
        out += [
            "",
            "[[use]]",
            'name = "deduct meter"',
            'kind = "deduct meter"',
            'file = "deduct_meter.csv"',
            f'unit = "{account.side.unit}"',
            f"multiplier = {account.side.multiplier}",
            f"digits = {account.side.digits}",
            'error = { expanded = "3 %", coverage_factor = 2, source = "invented" }',
            "credited = true",
        ]
        (folder / "deduct_meter.csv").write_text(account.own_table(account.side, side))
    if account.own != "none":
        out += lost_water(account)
    keys = dict(account.account_keys)
    if any("by_meter_size" in c.keys for e in account.schedule.editions for c in e.charges):
        keys.setdefault("meter_size", "2 in")
    if keys or account.own == "none":
        out += ["", "[account]"] + [f"{k} = {toml_value(v)}" for k, v in keys.items()]
    if account.own == "none":
        out += [
            "",
            "[account.reads]",
            f'unit = "{account.register_unit}"',
            f"multiplier = {account.multiplier}",
            f"digits = {account.main.digits}",
        ]
        for change in account.changes:
            out += ["", "[[account.reads.change]]"]
            out += [f"{k} = {toml_value(v)}" for k, v in change.items()]
    last = max(bill.end for bill in account.bills)
    out += [
        account.tail,
        "",
        "[rule]",
        'tolerance = "5 %"',
        "coverage = 0.95",
        'look_back = "60 months"',
        "dispute_days = 60",
        f"decided_on = {(last + timedelta(20)).isoformat()}",
        'source = "invented"',
    ]
    truth["needs"] = sorted(account.needs)
    (folder / "case.toml").write_text("\n".join(out) + "\n")
    (folder / "rates.toml").write_text(rates_toml(account, old))
    (folder / "invoices.csv").write_text(table)
    for name, text in account.files.items():
        (folder / name).write_text(text)
    (folder / "truth.json").write_text(json.dumps(truth, indent=1))


def meter_table(account: Account, old: bool) -> list[str]:
    """The site's own reads of the supply meter."""
    out = [
        "[[intake]]",
        'meter = "main"',
        'role = "supply"',
        'file = "main_meter.csv"',
        f'unit = "{account.register_unit}"',
        f"multiplier = {account.multiplier}",
        f"digits = {account.main.digits}",
        'error = { expanded = "2 %", coverage_factor = 2, source = "invented" }',
    ]
    if "read_within" in account.needs and not old:
        out.append('read_within = "3 hours"')
    return out


def lost_water(account: Account) -> list[str]:
    """The use a return factor below one stands for, known to a few per cent."""
    table = account.schedule.editions[-1].volume
    months = table.get("return_factor_by_month", {})
    share = 1 - (sum(months.values()) / 12 if months else account.factor)
    if not share:
        return []
    spread = "12 %" if months else "2 %"  # over the year it is not the same share
    known = (
        f'fraction = {{ value = "{100 * share:.2f} %", standard = "{spread}", '
        'source = "invented" }'
    )
    return [
        "",
        "[[use]]",
        'name = "product and evaporation"',
        'kind = "fraction"',
        'fraction_of = "main"',
        known,
        "credited = false",
    ]


def drop_columns(table: str, names: set[str]) -> str:
    """A CSV table without some columns (none of their cells is quoted)."""
    import csv
    import io

    rows = list(csv.reader(io.StringIO(table)))
    keep = [k for k, name in enumerate(rows[0]) if name not in names]
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([[row[k] for k in keep] for row in rows])
    return out.getvalue()


# --- what several kinds share ---------------------------------------------------------------------

KGAL = [trade for trade in TRADES if trade[0] == "kgal" and trade[1] == "gal"]
RIGHT: dict[str, Callable] = {}
WRONG: dict[str, Callable] = {}


def right(function: Callable) -> Callable:
    """Enter a kind of right series."""
    RIGHT[function.__name__] = function
    return function


def wrong(function: Callable) -> Callable:
    """Enter a kind of wrong bill."""
    WRONG[function.__name__] = function
    return function


@dataclass
class Planted:
    """What was done to the bills: the truth of a wrong case."""

    account: Account
    error: str  # slug of the class
    words: str  # the class in plain words
    bills: list[int]  # places of the bills that bear it
    visible: str  # "printed figures", "own reads" or "printed figures and own reads"
    money: bool = True  # False: a note to be made, no charge to be claimed back
    extra: dict = field(default_factory=dict)


def one_of(rng, options):
    """One of several things."""
    return options[int(rng.integers(len(options)))]


def flat(account: Account) -> list[Charge]:
    """A base, one rate, and a tax on both."""
    base = Decimal(int(account.rng.integers(1800, 18000))).scaleb(-2)
    return [
        Charge("service charge", "fixed", {"amount": base, "per": "bill"}),
        Charge("sewer use", "volume", {"volume": "sewer", "rate": account.volume_rate()}),
        Charge("utility tax", "percent", {"rate": "4.5 %", "of": ["service charge", "sewer use"]}),
    ]


def blocked(account: Account) -> list[Charge]:
    """A base and three blocks."""
    return [
        Charge("service charge", "fixed", {"amount": Decimal("48.60"), "per": "bill"}),
        Charge("sewer use", "volume", {"volume": "sewer", "blocks": account.blocks()}),
    ]


def monthly_base(account: Account) -> list[Charge]:
    """A base per month, in proportion outside 27 to 33 days, and one rate."""
    return [
        Charge(
            "service charge",
            "fixed",
            {
                "by_meter_size": {k: Decimal(v) for k, v in SIZES.items()},
                "per": "month",
                "proration": "standard days",
                "standard_days": 30,
                "normal_days": [27, 33],
            },
        ),
        Charge("sewer use", "volume", {"volume": "sewer", "rate": account.volume_rate()}),
    ]


def rebuild(account: Account, k: int, previous: int, current: int, read_type="actual") -> Bill:
    """A bill, right on the reads it prints; a current read below the previous one is negative."""
    old = account.bills[k]
    water = Fraction(current - previous) * account.main.count
    account.bills[k] = account.make(
        old.number,
        old.start,
        old.end,
        previous,
        current,
        water,
        old.deduct * GALLONS[account.unit],
        read_type,
    )
    return account.bills[k]


def estimate(account: Account, k: int, run: int, share: float) -> None:
    """`run` estimated reads from bill k on, each `share` of the true use; then an actual one."""
    stood = account.bills[k].previous
    for place in range(k, k + run):
        bill = account.bills[place]
        counts = int((bill.current - account.bills[place].previous) * share)
        rebuild(account, place, stood, stood + counts, "estimated")
        stood += counts
    rebuild(account, k + run, stood, account.bills[k + run].current)


def money_mark(amount: Decimal, style: str) -> str:
    """An amount that lowers what is owed, as bills print it."""
    text = f"{amount:,.2f}"
    if not amount:
        return text
    return {"minus": f"-{text}", "brackets": f"({text})", "CR": f"{text} CR"}[style]


def printed_chain(account: Account) -> None:
    """Print every link of the chain on every bill."""
    for bill in account.bills:
        edition = account.schedule.parts(bill.start, bill.end)[-1][0]
        taxes = [c for c in edition.charges if c.kind == "percent"]
        taxed = sum((bill.lines[n] for n in taxes[0].keys["of"]), Decimal(0)) if taxes else None
        bill.more |= {
            "multiplier": str(account.multiplier),
            "water_used": plain(bill.water),
            "deduct": plain(bill.deduct),
            "factor": str(account.factor),
        }
        if taxed is not None:
            bill.more["tax_base"] = plain(taxed, 2)
        bill.more["subtotal"] = plain(sum(bill.lines.values(), Decimal(0)), 2)
        printed = bill.end + timedelta(4)
        bill.more["bill_date"] = printed.isoformat()
        bill.more["due_date"] = (printed + timedelta(21)).isoformat()


def winter_account(
    rng, basis="winter average", method="mean of bills", floors=(0.3, 0.3, 1.6)
) -> Account:
    """Charged on the average of the last winter closed before the period; December to February.

    What a winter average charges is no measure of the summer's discharge: no reads of the site.
    """
    trade = one_of(rng, KGAL)
    keys = {
        "basis": basis,
        "rounding": {"to": Decimal("0.1"), "rule": "half up"},
        "winter": {"months": [12, 1, 2], "method": method},
    }
    account = Account(
        rng,
        n=int(rng.integers(20, 27)),
        trade=trade,
        factor="1",
        day=2,
        first=(2022, 9),
        season=0.35,
        charges=flat,
        volume=keys,
    )
    if method == "use per day":
        keys["winter"]["days"] = 30
    usual = account.per_day * 30 / 1000
    # a floor that binds in no winter month, or in every one
    keys["winter"]["floor"] = Decimal(int(usual * one_of(rng, floors)))
    for edition in account.schedule.editions:
        edition.volume["winter"] = keys["winter"]
    account.run()
    rows = ["start,end,volume"]
    earlier = []
    for start, end in (
        (date(2021, 12, 2), date(2022, 1, 2)),
        (date(2022, 1, 2), date(2022, 2, 2)),
        (date(2022, 2, 2), date(2022, 3, 2)),
    ):
        use = rounded(Fraction(usual * float(rng.uniform(0.6, 0.75))), Decimal("0.1"), "half up")
        earlier.append((start, end, Fraction(use)))
        rows.append(f"{start},{end},{use}")
    account.files["earlier.csv"] = "\n".join(rows) + "\n"
    account.account_keys["earlier_use"] = "earlier.csv"
    account.winters = winters_of(account, earlier, method)
    for bill in account.bills:
        average = [value for closed, value in account.winters if closed <= bill.start][-1]
        if method == "use per day":
            average *= 30
        volume = max(average, Fraction(keys["winter"]["floor"]))
        if basis.startswith("lower"):
            volume = min(volume, bill.water)
        account.reprice(bill, account.rounded_volume(volume))
        bill.due = bill.total
    return account


def winters_of(account: Account, earlier, method) -> list[tuple[date, Fraction]]:
    """Day on which each winter was closed, and its mean use of a bill, or of a day."""
    uses = earlier + [(b.start, b.end, b.water) for b in account.bills]
    winters: dict[int, list] = {}
    for start, end, use in uses:
        middle = start + (end - start) / 2
        if middle.month in (12, 1, 2):
            winters.setdefault(middle.year + (middle.month == 12), []).append((start, end, use))
    closed = [held for _, held in sorted(winters.items()) if len(held) == 3]
    return [
        (
            max(end for _, end, _ in held),
            sum(use for _, _, use in held)
            / (3 if method == "mean of bills" else sum((b - a).days for a, b, _ in held)),
        )
        for held in closed
    ]


def strength_account(rng, **more) -> Account:
    """A surcharge on the load above a threshold, with one sample in every period."""

    def charges(account):
        made = flat(account)[:2]
        made.append(
            Charge(
                "BOD surcharge",
                "strength",
                {
                    "parameter": "BOD",
                    "threshold": 250,
                    "rate": Decimal("0.31"),
                    "rate_per": "lb",
                    "load": {"constant": Decimal("8.34"), "volume": "MG", "mass": "lb"},
                },
            )
        )
        return made

    account = Account(rng, trade=one_of(rng, KGAL), charges=charges, **more)
    found = [int(rng.integers(280, 900)) for _ in range(account.n)]
    rows = ["date,parameter,value,unit"]
    for k, value in enumerate(found):
        day = account.dates[k] + timedelta(int(rng.integers(8, 20)))
        rows.append(f"{day},BOD,{value},mg/L")
    account.files["samples.csv"] = "\n".join(rows) + "\n"
    account.account_keys["samples"] = "samples.csv"
    account.facts_of = lambda start, end: {"strengths": {"BOD": found[account.dates.index(start)]}}
    account.found = found
    return account


def late_fee_account(rng, kind: str, **more) -> Account:
    """A fee on bills paid late: a sum, or a share of the bill."""

    def charges(account):
        made = flat(account)
        keys = (
            {"amount": Decimal("25.00"), "per": "bill", "count": "late"}
            if kind == "fixed"
            else {"rate": "5 %", "of": ["service charge", "sewer use"], "count": "late"}
        )
        return [*made, Charge("late fee", kind, keys)]

    account = Account(rng, charges=charges, **more)
    late = set(int(k) for k in rng.choice(account.n, 3, replace=False))
    account.facts_of = lambda start, end: {
        "counts": {"late": int(account.dates.index(start) in late)}
    }
    rows = ["invoice,late"] + [f"N{k + 101},{int(k in late)}" for k in range(account.n)]
    account.files["by_invoice.csv"] = "\n".join(rows) + "\n"
    account.account_keys["by_invoice"] = "by_invoice.csv"
    account.late = late
    return account.run()


def two_editions(when: Callable, charges=flat, raise_by="1.08") -> Callable:
    """Editions of one account: the second dearer, in force from the day `when(account)`."""

    def made(account: Account) -> list[Edition]:
        first = charges(account)
        second = []
        for charge in first:
            keys = dict(charge.keys)
            for name in ("amount", "rate"):
                if isinstance(keys.get(name), Decimal):
                    places = Decimal("0.01") if name == "amount" else Decimal("0.00001")
                    keys[name] = (keys[name] * Decimal(raise_by)).quantize(places)
            second.append(Charge(charge.name, charge.kind, keys))
        return [
            Edition("old tariff", date(2015, 1, 1), account.volume_table(), first),
            Edition("new tariff", when(account), account.volume_table(), second),
        ]

    return made


def change_meter(account: Account, k: int, parts=1, part_days=None) -> list[dict]:
    """Meters changed within period k; returns their final and first reads, bills to be rebuilt."""
    start = account.dates[k]
    span = (account.dates[k + 1] - start).days
    changes, register = [], account.main
    for part in range(parts):
        day = start + timedelta(part_days or span * (part + 1) // (parts + 1))
        moment = datetime(day.year, day.month, day.day, account.hour)
        final = register.read(moment)
        first = int(account.rng.integers(1, 900))
        new = Register(
            account.water,
            account.register_unit,
            account.multiplier,
            account.main.digits,
            first,
            account.water.until(moment),
        )
        changes.append(
            {
                "date": day,
                "moment": moment,
                "final_read": final,
                "first_read": first,
                "old": register,
                "new": new,
            }
        )
        register = new
    for place in range(k, account.n):
        bill = account.bills[place]
        previous = (
            account.main.read(account.city[place])
            if place == k
            else (register.read(account.city[place]))
        )
        current = register.read(account.city[place + 1])
        if place == k:
            counts = changes[0]["final_read"] - previous + current - changes[-1]["first_read"]
            for one, two in pairwise(changes):
                counts += two["final_read"] - one["first_read"]
        else:
            counts = current - previous
        account.bills[place] = account.make(
            bill.number,
            bill.start,
            bill.end,
            previous,
            current,
            Fraction(counts) * account.main.count,
            bill.deduct * GALLONS[account.unit],
        )
    account.changes = [
        {"date": c["date"], "final_read": c["final_read"], "first_read": c["first_read"]}
        for c in changes
    ]
    if account.own != "none":
        rows = ["time,register,event"]
        for moment in account.own_moments():
            holder = account.main
            for change in changes:
                holder = change["new"] if moment > change["moment"] else holder
            if moment not in [c["moment"] for c in changes]:
                rows.append((moment, f"{moment:%Y-%m-%d %H:%M},{holder.read(moment)},"))
        for change in changes:
            stamp = f"{change['moment']:%Y-%m-%d %H:%M}"
            rows += [
                (change["moment"], f"{stamp},{change['final_read']},"),
                (change["moment"], f"{stamp},{change['first_read']},change-out"),
            ]
        body = [text for _, text in sorted(rows[1:], key=lambda row: row[0])]
        account.files["main_meter.csv"] = "\n".join(rows[:1] + body) + "\n"
    return changes


# --- right series ---------------------------------------------------------------------------------


@right
def own_reads_minutes(rng):
    """The site reads its meter within half an hour of the stated hour."""
    return Account(rng, own="minutes", deduct=rng.random() < 0.5).run()


@right
def own_reads_hours(rng):
    """The site reads its meter up to three hours before or after the city's reader."""
    return Account(rng, own="hours", deduct=rng.random() < 0.5).run()


@right
def own_reads_weekly(rng):
    """The site reads weekly in its shifts, and never because the reader comes."""
    return Account(rng, own="weekly").run()


@right
def usage_in_whole_units(rng):
    """Charged on thousandths, printed in whole units."""
    volume = {
        "basis": "intake",
        "return_factor": Decimal("0.9"),
        "rounding": {"to": Decimal("0.001"), "rule": "half up"},
    }
    account = Account(
        rng,
        trade=one_of(rng, KGAL),
        factor="0.9",
        volume=volume,
        own=one_of(rng, ["none", "minutes"]),
    ).run()
    account.printed_to = "1 kgal"
    for bill in account.bills:
        bill.shown = plain(rounded(bill.volume, Decimal(1), "half up"))
    return account


@right
def usage_is_water_used(rng):
    """The bill prints the water used; factor and deduct are applied in the lines."""
    account = Account(
        rng,
        trade=one_of(rng, KGAL),
        factor="0.85",
        deduct=rng.random() < 0.5,
        own=one_of(rng, ["none", "minutes"]),
    ).run()
    account.usage_means = "water"
    for bill in account.bills:
        bill.shown = plain(bill.water)
    return account


@right
def usage_is_net_of_deducts(rng):
    """The bill prints the water used less the deduct meter; the factor comes after."""
    account = Account(
        rng, trade=KGAL[0], factor="0.9", deduct=True, own=one_of(rng, ["none", "minutes"])
    ).run()
    account.usage_means = "net of deducts"
    for bill in account.bills:
        bill.shown = plain(bill.water - bill.deduct)
    return account


def carry(account: Account, style: str, in_total: bool, prompt=0.7) -> None:
    """Balances, payments and credits on every bill; the total with or without them."""
    rng = account.rng
    balance = Decimal("0.00")
    for bill in account.bills:
        paid = balance if rng.random() < prompt else cents(Fraction(balance) * Fraction(3, 5))
        paid = max(paid, Decimal("0.00"))
        credit = (
            Decimal(int(rng.integers(500, 4000))).scaleb(-2)
            if rng.random() < 0.2
            else (Decimal("0.00"))
        )
        bill.more["subtotal"] = plain(bill.total, 2)
        bill.more["previous_balance"] = (
            money_mark(-balance, style) if balance < 0 else (plain(balance, 2))
        )
        bill.more["payment"] = money_mark(paid, style)
        bill.more["credit"] = money_mark(credit, style)
        balance = balance - paid - credit + bill.total
        if in_total:
            bill.amount_due = balance


@right
def carried_balance_aside(rng):
    """Previous balance, payments and credits are printed; the total is this bill's charges."""
    account = Account(rng).run()
    carry(account, one_of(rng, ["minus", "brackets", "CR"]), False)
    return account


@right
def carried_balance_in_total(rng):
    """The total is the amount due: this bill's charges and what is carried over."""
    account = Account(rng).run()
    carry(account, one_of(rng, ["minus", "brackets", "CR"]), True)
    return account


@right
def every_link_printed(rng):
    """Multiplier, water, deduct, factor, tax base, subtotal and dates stand on the bill."""
    account = Account(
        rng,
        trade=one_of(rng, KGAL),
        deduct=rng.random() < 0.5,
        own=one_of(rng, ["none", "minutes"]),
        charges=flat,
    ).run()
    printed_chain(account)
    return account


@right
def estimate_trued_up(rng):
    """One to four estimated reads, then an actual one; the site has no reads."""
    account = Account(rng, n=int(rng.integers(10, 20)), charges=flat, opening=20_000).run()
    estimate(
        account, int(rng.integers(2, 4)), int(rng.integers(1, 5)), float(rng.uniform(0.75, 1.1))
    )
    return account


@right
def estimate_trued_up_own_reads(rng):
    """The same, and the site read its meter on the days of the estimates."""
    account = Account(
        rng,
        n=int(rng.integers(10, 20)),
        charges=flat,
        opening=20_000,
        own=one_of(rng, ["minutes", "on the day", "hours"]),
    ).run()
    estimate(
        account, int(rng.integers(2, 4)), int(rng.integers(1, 5)), float(rng.uniform(0.75, 1.1))
    )
    return account


@right
def negative_month(rng):
    """Two estimates far too high; the actual read lies below the last of them."""
    account = Account(
        rng, n=12, charges=flat, opening=20_000, own=one_of(rng, ["none", "minutes"])
    ).run()
    estimate(account, int(rng.integers(2, 6)), 2, float(rng.uniform(2.0, 2.4)))
    return account


def as_row(account: Account, bill: Bill, number: str, kind: str, replaces: str, sign=1) -> Bill:
    """Another row for the same days: a copy, a credit or a correction."""
    return Bill(
        number,
        bill.start,
        bill.end,
        bill.previous,
        bill.current,
        sign * bill.volume,
        bill.facts,
        {name: sign * value for name, value in bill.lines.items()},
        sign * bill.total,
        Decimal("0.00"),
        bill.read_type,
        None,
        sign * bill.water,
        sign * bill.deduct,
        kind,
        replaces,
    )


@right
def credit_note_and_correction(rng):
    """A bill ten times too high was credited whole and billed anew, rightly."""
    account = Account(rng, charges=flat).run()
    k = account.pick()
    proper = account.bills[k]
    bad = as_row(account, proper, proper.number, "", "")
    account.reprice(bad, proper.volume * 10)
    back = as_row(account, bad, proper.number + "C", "credit", proper.number, -1)
    anew = as_row(account, proper, proper.number + "R", "corrected", proper.number)
    anew.due = anew.total
    bad.due, back.due = bad.total, back.total
    account.bills[k : k + 1] = [bad, back, anew]
    account.overlap = True
    return account


@right
def double_bill_credited(rng):
    """A bill was sent twice and the second taken back by a credit."""
    account = Account(rng, charges=flat).run()
    k = account.pick()
    first = account.bills[k]
    twice = as_row(account, first, first.number + "b", "", "")
    back = as_row(account, first, first.number + "c", "credit", twice.number, -1)
    twice.due, back.due = twice.total, back.total
    account.bills[k + 1 : k + 1] = [twice, back]
    account.overlap = True
    return account


@right
def compound_meter(rng):
    """A compound meter, whose low-flow register counts in other units."""
    return Account(
        rng,
        trade=one_of(rng, KGAL),
        compound=True,
        charges=flat,
        own=one_of(rng, ["on the day", "minutes"]),
    ).run()


@right
def roll_over(rng):
    """The register passes all nines and starts again."""
    digits = 5
    trade = KGAL[1]
    account = Account(
        rng,
        trade=trade,
        digits=digits,
        opening=int(rng.integers(60_000, 85_000)),
        n=24,
        per_day=60_000,
        own=one_of(rng, ["none", "minutes"]),
    )
    return account.run()


@right
def meter_changed_own_reads(rng):
    """The meter was changed; the site's file tells it."""
    account = Account(rng, own="minutes").run()
    change_meter(account, account.pick(2, 3))
    account.changes = []
    return account


@right
def meter_changed_told_by_case(rng):
    """The meter was changed; the case tells final and first read."""
    account = Account(rng).run()
    change_meter(account, account.pick(2, 3))
    return account


@right
def end_day_inclusive(rng):
    """From the first to the last of the month, both days counted; a charge per day."""

    def charges(account):
        return [
            Charge("service charge", "fixed", {"amount": Decimal("2.35"), "per": "day"}),
            Charge("sewer use", "volume", {"volume": "sewer", "rate": account.volume_rate()}),
        ]

    account = Account(rng, day=1, charges=charges, own=one_of(rng, ["none", "minutes"]), hour=0)
    account.inclusive = True
    return account.run()


@right
def cash_rounding(rng):
    """The total is paid on five cents."""
    account = Account(rng, own=one_of(rng, ["none", "minutes"]))
    account.schedule.total_to = Decimal("0.05")
    return account.run()


@right
def winter_average_by_bills(rng):
    """Charged on the mean of three winter bills, with a floor."""
    return winter_account(rng)


@right
def winter_average_by_days(rng):
    """Charged on the mean use of a winter's day, times thirty."""
    return winter_account(rng, method="use per day", floors=(0.3,))


@right
def lower_of_actual_and_winter(rng):
    """The lower of the use and the winter average."""
    return winter_account(rng, basis="lower of actual and winter average")


@right
def factor_by_month_from_the_first(rng):
    """Another factor in summer; the periods end on the first of the next month."""
    table = {str(m): Decimal("0.7") if 5 <= m <= 9 else Decimal("0.95") for m in range(1, 13)}
    keyed = {int(m): value for m, value in table.items()}
    volume = {
        "basis": "intake",
        "return_factor_by_month": keyed,
        "rounding": {"to": Decimal("0.1"), "rule": "half up"},
    }
    return Account(
        rng,
        trade=KGAL[0],
        day=1,
        volume=volume,
        n=int(rng.integers(12, 25)),
        own=one_of(rng, ["none", "minutes"]),
    ).run()


@right
def periods_of_45_days(rng):
    """The reader comes every 45 or 46 days; the base is so much per 30 days."""
    start = date(2023, int(rng.integers(1, 7)), int(rng.integers(1, 28)))
    dates = [start]
    for _ in range(int(rng.integers(8, 16))):
        dates.append(dates[-1] + timedelta(int(rng.integers(45, 47))))
    return Account(
        rng, starts=dates, charges=monthly_base, own=one_of(rng, ["none", "hours"])
    ).run()


@right
def printed_zero_deduct(rng):
    """The deduct meter stood still over months; the bill prints 0 taken off."""
    account = Account(rng, trade=KGAL[0], deduct=True, own=one_of(rng, ["none", "minutes"]))
    k = 2
    account.side.water.stop(account.dates[k] - timedelta(2), account.dates[k + 3] + timedelta(2))
    account.run()
    for bill in account.bills:
        bill.more["deduct"] = plain(bill.deduct)
    return account


@right
def late_fee_due(rng):
    """A late fee stands on the bills that were paid late, and on no other."""
    return late_fee_account(rng, one_of(rng, ["fixed", "percent"]))


@right
def base_within_blocks(rng):
    """Each block has a base: so much for all below it, and a rate for what lies in it."""

    def charges(account):
        blocks = account.blocks()
        base, lower = Decimal("38.50"), Decimal(0)
        for block in blocks:
            block["base"] = base
            base += (block.get("to", lower) - lower) * block["rate"]
            lower = block.get("to", lower)
        return [
            Charge(
                "sewer use",
                "volume",
                {
                    "volume": "sewer",
                    "blocks": [
                        {k: block[k] for k in ("to", "base", "rate") if k in block}
                        for block in blocks
                    ],
                },
            )
        ]

    return Account(rng, charges=charges, own=one_of(rng, ["none", "minutes"])).run()


@right
def reads_rounded_before_difference(rng):
    """The city cuts the reads to whole thousands before it takes the difference."""
    volume = {
        "basis": "intake",
        "return_factor": Decimal("0.9"),
        "read_rounding": {"to": Decimal(1), "rule": "down"},
        "rounding": {"to": Decimal("0.1"), "rule": "half up"},
    }
    account = Account(
        rng,
        trade=KGAL[0],
        factor="0.9",
        volume=volume,
        charges=flat,
        own=one_of(rng, ["none", "minutes"]),
        opening=30_000,
    ).run()
    for bill in account.bills:
        whole = [
            int(Fraction(r) * account.main.count / 1000) for r in (bill.previous, bill.current)
        ]
        water = Fraction(whole[1] - whole[0])
        if bill.current < bill.previous:
            water += 10**account.main.digits * account.main.count / 1000
        bill.water = water
        account.reprice(bill, account.rounded_volume(water * Fraction(9, 10)))
        bill.due = bill.total
    return account


def ruled(rng, rule: str, volume_of: Callable, rounding=("0.01", "half up"), own=None) -> Account:
    """An account whose volume is a rule of named volumes, in the words of the ordinance."""
    volume = {
        "rule": rule,
        "basis": "intake less deduct",
        "return_factor": Decimal("0.95"),
        "rounding": {"to": Decimal(rounding[0]), "rule": rounding[1]},
    }
    account = Account(
        rng,
        trade=KGAL[0],
        deduct=True,
        factor="0.95",
        volume=volume,
        charges=flat,
        own=own or one_of(rng, ["none", "minutes"]),
    )
    account.needs.add("volume rule")
    account.volume_of = lambda water, deduct, start, end: Fraction(
        rounded(volume_of(water, deduct), Decimal(rounding[0]), rounding[1])
    )
    return account.run()


@right
def factor_before_deduct(rng):
    """95 % of the intake, less the deduct meter."""
    return ruled(rng, "0.95 * intake - deduct", lambda w, d: w * Fraction(19, 20) - d)


@right
def deduct_before_factor(rng):
    """95 % of what is left after the deduct meter."""
    return ruled(rng, "0.95 * (intake - deduct)", lambda w, d: (w - d) * Fraction(19, 20))


@right
def factor_with_floor_and_cap(rng):
    """95 % of the intake less the deduct, not below a floor nor above a cap."""
    low, high = (Fraction(x) for x in one_of(rng, [(10, 1900), (1700, 9000), (400, 1400)]))
    return ruled(
        rng,
        f"min({high}, max({low}, 0.95 * intake - deduct))",
        lambda w, d: min(high, max(low, w * Fraction(19, 20) - d)),
        own="none",
    )


@right
def rounded_between_steps(rng):
    """Intake and deduct are each cut to whole thousands before the factor."""
    return ruled(
        rng,
        "0.95 * (round_down(intake, 1) - round_down(deduct, 1))",
        lambda w, d: (w // 1 - d // 1) * Fraction(19, 20),
    )


@right
def spellings_of_100_cubic_feet(rng):
    """Bill, schedule and cover plate each spell a hundred cubic feet in their own way."""
    trade = ("CCF", "cf", 100, ("1", "down"), 40_000)
    account = Account(rng, trade=trade, own=one_of(rng, ["none", "minutes"])).run()
    words = ["CCF", "HCF", "ccf", "100 cf"]
    account.invoice_unit = one_of(rng, words)
    account.schedule.unit = one_of(rng, words)
    account.main.unit = account.register_unit = "CCF"
    account.register_unit = one_of(rng, words)
    account.multiplier = account.main.multiplier = 1
    account.main.unit = account.register_unit
    if "100 cf" in (account.invoice_unit, account.schedule.unit, account.register_unit):
        account.needs.add("spelling 100 cf")
    return account


@right
def edition_changed_mid_period(rng):
    """New rates within a period, split by days; the new edition is written whole."""

    def when(account):
        return account.dates[account.n // 2] + timedelta(int(account.rng.integers(5, 24)))

    return Account(
        rng,
        editions=two_editions(when),
        rate_change="split by days",
        own=one_of(rng, ["none", "minutes"]),
    ).run()


@right
def edition_inherited(rng):
    """The new edition says: as before, except the rate."""

    def when(account):
        return account.dates[account.n // 2] + timedelta(int(account.rng.integers(5, 24)))

    account = Account(
        rng, editions=two_editions(when), rate_change=one_of(rng, ["split by days", "by end"])
    )
    old, new = account.schedule.editions
    new.charges = [
        new.charges[k] if old.charges[k].kind == "volume" else old.charges[k]
        for k in range(len(old.charges))
    ]
    new.inherits = old.name
    account.needs.add("inherits")
    return account.run()


@right
def quarterly_beside_monthly(rng):
    """Quarters until the account was put on monthly bills; the base is so much a month."""
    dates = [date(2022, 1, 10)]
    quarters = int(rng.integers(3, 6))
    while len(dates) <= 14:
        step = 3 if len(dates) <= quarters else 1
        month = dates[-1].month - 1 + step
        dates.append(date(dates[-1].year + month // 12, month % 12 + 1, 10))

    def charges(account):
        return [
            Charge("service charge", "fixed", {"amount": Decimal("61.20"), "per": "month"}),
            Charge("sewer use", "volume", {"volume": "sewer", "rate": account.volume_rate()}),
        ]

    account = Account(rng, starts=dates, charges=charges, own=one_of(rng, ["none", "minutes"]))
    account.facts_of = lambda start, end: {"months": 3 if (end - start).days > 60 else 1}
    return account.run()


@right
def final_bill(rng):
    """The last period is short; its base is in proportion to the days."""
    account = Account(rng, n=12, charges=monthly_base)
    account.dates[-1] = account.dates[-2] + timedelta(int(rng.integers(4, 20)))
    account.city[-1] = account.city_moment(account.dates[-1])
    account.own = one_of(rng, ["none", "minutes"])
    return account.run()


@right
def first_bill_of_new_account(rng):
    """The account began within a month, on a register that had run before."""
    account = Account(rng, n=10, charges=monthly_base)
    account.dates[0] = account.dates[1] - timedelta(int(rng.integers(4, 20)))
    account.city[0] = account.city_moment(account.dates[0])
    account.own = one_of(rng, ["none", "minutes"])
    return account.run()


@right
def equivalent_units(rng):
    """Charged by equivalent units, whatever the meter counts."""
    volume = {"basis": "equivalent units", "amount": Decimal("5.5")}
    account = Account(rng, trade=KGAL[0], factor="1", volume=volume, charges=flat)
    units = int(rng.integers(4, 60))
    account.account_keys["counts"] = {"equivalent units": units}
    account.volume_of = lambda water, deduct, start, end: Fraction("5.5") * units
    return account.run()


@right
def flat_volume(rng):
    """An unmetered account: so much a bill."""
    volume = {"basis": "flat", "amount": Decimal(int(rng.integers(80, 900)))}
    account = Account(rng, trade=KGAL[0], factor="1", volume=volume, charges=flat)
    account.volume_of = lambda water, deduct, start, end: Fraction(volume["amount"])
    account.run()
    for bill in account.bills:
        bill.previous = bill.current = None
    return account


@right
def leap_day(rng):
    """A charge per day over the 29th of February."""

    def charges(account):
        return [
            Charge("service charge", "fixed", {"amount": Decimal("3.17"), "per": "day"}),
            Charge("sewer use", "volume", {"volume": "sewer", "rate": account.volume_rate()}),
        ]

    return Account(
        rng,
        first=(2023, 11),
        n=9,
        charges=charges,
        day=one_of(rng, [1, 28, 29, 15]) if (rng.random() < 0.5) else 28,
        own=one_of(rng, ["none", "minutes"]),
    ).run()


@right
def december_to_january(rng):
    """New rates on the first of January, by the end of the period."""
    account = Account(
        rng,
        first=(2023, 6),
        n=14,
        editions=two_editions(lambda a: date(2024, 1, 1)),
        rate_change=one_of(rng, ["by end", "split by days"]),
        own=one_of(rng, ["none", "minutes"]),
    )
    return account.run()


@right
def daylight_saving_reads(rng):
    """Reads on the very days on which the clock is moved, in spring and autumn."""
    dates = [
        date(2023, 1, 12),
        date(2023, 2, 12),
        date(2023, 3, 12),
        date(2023, 4, 12),
        date(2023, 5, 13),
        date(2023, 6, 12),
        date(2023, 7, 12),
        date(2023, 8, 11),
        date(2023, 9, 12),
        date(2023, 10, 10),
        date(2023, 11, 5),
        date(2023, 12, 8),
        date(2024, 1, 9),
        date(2024, 2, 9),
        date(2024, 3, 10),
        date(2024, 4, 9),
    ]
    return Account(rng, starts=dates, own=one_of(rng, ["minutes", "hours"]), hour=4).run()


@right
def surcharge_by_samples(rng):
    """A strength surcharge on the sample of each period."""
    return strength_account(rng, own=one_of(rng, ["none", "minutes"])).run()


@right
def minimum_bill(rng):
    """Months below the minimum are lifted to it."""

    def charges(account):
        made = flat(account)[:2]
        usual = Decimal(int(account.per_day * 30 / float(GALLONS[account.unit])))
        floor = cents(Fraction(usual * made[1].keys["rate"]))
        return [
            *made,
            Charge(
                "minimum bill", "minimum", {"amount": floor, "of": ["service charge", "sewer use"]}
            ),
        ]

    account = Account(rng, charges=charges, own=one_of(rng, ["none", "minutes"]))
    account.water.stop(account.dates[3], account.dates[5], 0.2)
    return account.run()


@right
def closed_site(rng):
    """The site was closed: the register stands still and only the base is charged."""
    account = Account(rng, n=12, own=one_of(rng, ["none", "minutes"]))
    account.water.stop(account.dates[4] - timedelta(2), account.dates[7] + timedelta(2))
    return account.run()


@right
def blocks_by_days(rng):
    """Blocks are in proportion to the days over thirty."""

    def charges(account):
        made = blocked(account)
        made[1].keys["blocks_per"] = "30 days"
        return made

    return Account(rng, charges=charges, own=one_of(rng, ["none", "minutes"])).run()


@right
def free_volume(rng):
    """So much of each bill's volume is free."""
    trade = KGAL[0]
    volume = {
        "basis": "intake",
        "return_factor": Decimal("0.95"),
        "allowance": Decimal(25),
        "rounding": {"to": Decimal("0.1"), "rule": "half up"},
    }
    return Account(
        rng, trade=trade, factor="0.95", volume=volume, own=one_of(rng, ["none", "minutes"])
    ).run()


@right
def names_of_columns_by_hand(rng):
    """Somebody typed the table with headers of his own; the usage has a thousands comma."""
    account = Account(rng, own="minutes", charges=flat).run()
    account.header = {
        "invoice": "Bill no",
        "previous_read": "Read before",
        "current_read": "Read now",
        "billed_volume": "Use",
        "total": "To pay",
    }
    for bill in account.bills:
        bill.shown = f"{Decimal(plain(bill.volume)):,}"
    return account


@right
def half_even_and_down(rng):
    """Lines rounded half to even, or cut, as the schedule says."""
    account = Account(rng, own=one_of(rng, ["none", "minutes"]))
    account.schedule.line_rule = one_of(rng, ["half even", "down", "up"])
    return account.run()


# --- wrong bills ----------------------------------------------------------------------------------

PRINTED, OWN, BOTH = "printed figures", "own reads", "printed figures and own reads"


def altered(account: Account, bill: Bill, name: str, **keys) -> list:
    """The parts of a period, with some keys of one charge changed."""
    made = []
    for edition, share in account.schedule.parts(bill.start, bill.end):
        charges = [
            Charge(c.name, c.kind, c.keys | keys) if c.name == name else c for c in edition.charges
        ]
        made.append((Edition(edition.name, edition.effective, edition.volume, charges), share))
    return made


def with_facts(bill: Bill, **changes) -> Facts:
    """The facts of a bill with something changed."""
    return Facts(**(bill.facts.__dict__ | changes))


def print_reads(account: Account, k: int, previous: int, current: int, water=None) -> None:
    """Print other reads on a bill, and charge by them; what is due stays."""
    old = account.bills[k]
    if water is None:
        water = Fraction(current - previous) * account.main.count
    bill = account.make(
        old.number, old.start, old.end, previous, current, water, old.deduct * GALLONS[account.unit]
    )
    bill.due = old.due
    account.bills[k] = bill


def own_or_none(rng) -> str:
    """With or without reads of the site."""
    return one_of(rng, ["none", "minutes", "on the day"])


def seen(account: Account) -> str:
    """An error the printed figures show; own reads, where there are some, show it too."""
    return PRINTED if account.own == "none" else BOTH


def scaled(rng, times, error, words, run=1, trade=None, **more) -> Planted:
    """One or more bills with a volume wrong by a factor, the printed reads being right."""
    account = Account(rng, trade=trade, charges=flat, own=own_or_none(rng), **more).run()
    k = account.pick(2, run + 2)
    for place in range(k, k + run):
        bill = account.bills[place]
        volume = account.volume_of(bill.water * Fraction(times), bill.deduct, bill.start, bill.end)
        account.reprice(bill, volume)
    return Planted(account, error, words, list(range(k, k + run)), seen(account))


@wrong
def hundred_cubic_feet_as_kgal(rng):
    """The register's hundreds of cubic feet were charged as thousands of gallons."""
    return scaled(
        rng,
        1000 / GALLONS["CCF"],
        "unit",
        "CCF charged as kgal",
        int(rng.integers(1, 4)),
        ("kgal", "cf", 10, ("0.1", "half up"), 50_000),
    )


@wrong
def cubic_metres_as_kgal(rng):
    """Cubic metres were charged as thousands of gallons."""
    return scaled(
        rng,
        1000 / GALLONS["m3"],
        "unit",
        "m3 charged as kgal",
        1,
        ("kgal", "m3", 1, ("0.1", "half up"), 50_000),
    )


@wrong
def cubic_feet_as_gallons(rng):
    """Cubic feet were taken for gallons: too low."""
    return scaled(
        rng,
        1 / CUBIC_FOOT,
        "unit",
        "cubic feet taken for gallons",
        1,
        ("kgal", "cf", 10, ("0.1", "half up"), 50_000),
    )


@wrong
def multiplier_ten_times(rng):
    """The multiplier was taken ten times too large."""
    return scaled(rng, 10, "multiplier", "multiplier ten times too large", 1)


@wrong
def multiplier_a_tenth(rng):
    """The multiplier was taken ten times too small: too low."""
    return scaled(
        rng,
        Fraction(1, 10),
        "multiplier",
        "multiplier ten times too small",
        int(rng.integers(1, 3)),
        KGAL[0],
    )


@wrong
def multiplier_hundred_times(rng):
    """The multiplier was taken a hundred times too large."""
    return scaled(rng, 100, "multiplier", "multiplier a hundred times too large", 1)


@wrong
def factor_not_applied(rng):
    """The return factor was left out."""
    return scaled(
        rng,
        Fraction(10, 9),
        "factor not applied",
        "return factor left out",
        int(rng.integers(1, 4)),
        KGAL[0],
        factor="0.9",
    )


@wrong
def factor_applied_twice(rng):
    """The return factor was applied twice: too low."""
    return scaled(
        rng,
        Fraction(17, 20),
        "factor applied twice",
        "return factor applied twice",
        1,
        KGAL[0],
        factor="0.85",
    )


def digit_slip(rng, read: int, use: int, low=0.06, high=0.7, digits=6) -> int:
    """The read with one digit another; it differs by a part of the use of a month."""
    options = []
    for place in range(digits):
        stood = read // 10**place % 10
        for digit in range(10):
            difference = (digit - stood) * 10**place
            if low * use < abs(difference) < high * use:
                options.append(read + difference)
    return one_of(rng, options)


@wrong
def misread_previous(rng):
    """One digit of the previous read was set down wrong; last month's bill has it right."""
    account = Account(rng, own=own_or_none(rng), charges=flat, opening=20_000).run()
    k = account.pick()
    bill = account.bills[k]
    use = bill.current - bill.previous
    print_reads(account, k, digit_slip(rng, bill.previous, use), bill.current)
    return Planted(account, "misread", "a digit of the previous read is wrong", [k], seen(account))


@wrong
def misread_current(rng):
    """One digit of the current read was set down wrong; next month's bill has it right."""
    account = Account(rng, own=own_or_none(rng), charges=flat, opening=20_000).run()
    k = account.pick()
    bill = account.bills[k]
    use = bill.current - bill.previous
    print_reads(account, k, bill.previous, digit_slip(rng, bill.current, use))
    return Planted(account, "misread", "a digit of the current read is wrong", [k], seen(account))


@wrong
def misread_carried_on(rng):
    """A misread current read is the next bill's previous read: one too high, the other too low."""
    account = Account(
        rng, own=one_of(rng, ["minutes", "on the day"]), charges=blocked, opening=20_000
    ).run()
    k = account.pick()
    bill, after = account.bills[k], account.bills[k + 1]
    use = min(bill.current - bill.previous, after.current - after.previous)
    read = digit_slip(rng, bill.current, use, 0.15)
    print_reads(account, k, bill.previous, read)
    print_reads(account, k + 1, read, after.current)
    return Planted(account, "misread", "a read is wrong and was carried on", [k, k + 1], OWN)


@wrong
def transposed_digits(rng):
    """Two neighbouring digits of the current read were exchanged."""
    for _ in range(50):
        account = Account(
            rng, own=own_or_none(rng), charges=flat, opening=int(rng.integers(100_000, 300_000))
        ).run()
        for k in range(2, account.n - 2):
            bill = account.bills[k]
            text = str(bill.current)
            for j in range(len(text) - 1):
                other = int(text[:j] + text[j + 1] + text[j] + text[j + 2 :])
                if abs(other - bill.current) > 0.05 * (bill.current - bill.previous) and (
                    bill.previous < other < 2 * bill.current - bill.previous
                ):
                    print_reads(account, k, bill.previous, other)
                    return Planted(
                        account,
                        "transposition",
                        "digits of the current read exchanged",
                        [k],
                        seen(account),
                    )
    raise RuntimeError("no read with digits to exchange")


@wrong
def reads_of_another_account(rng):
    """Both reads are those of the neighbour's meter."""
    account = Account(rng, own=one_of(rng, ["minutes", "on the day"]), charges=flat).run()
    water = Water(
        rng,
        account.first_day,
        (account.dates[-1] - account.dates[0]).days + 80,
        account.per_day * float(one_of(rng, [0.6, 1.7])),
    )
    other = Register(
        water, account.register_unit, account.multiplier, 6, int(rng.integers(10_000, 90_000))
    )
    k = account.pick()
    print_reads(account, k, *(other.read(account.city[k + j]) for j in (0, 1)))
    account.files["neighbour.csv"] = account.own_table(other, account.city)
    account.tail = (
        '\n[[neighbour]]\naccount = "0418"\nfile = "neighbour.csv"\n'
        f'unit = "{account.register_unit}"\nmultiplier = {account.multiplier}\n'
        "digits = 6\n"
    )
    return Planted(account, "other account", "reads of the neighbour's meter", [k], BOTH)


@wrong
def deduct_not_taken(rng):
    """The deduct meter was not taken off."""
    account = Account(rng, trade=KGAL[0], deduct=True, charges=flat, own=own_or_none(rng)).run()
    k = account.pick(2, 4)
    places = list(range(k, k + int(rng.integers(1, 4))))
    for place in places:
        bill = account.bills[place]
        account.reprice(bill, account.volume_of(bill.water, Fraction(0), bill.start, bill.end))
    return Planted(account, "deduct not taken", "deduct meter not taken off", places, OWN)


@wrong
def deduct_of_another_month(rng):
    """Last month's deduct was taken off again."""
    account = Account(
        rng, trade=KGAL[0], deduct=True, charges=flat, own=own_or_none(rng), n=14
    ).run()
    k = max(range(2, 12), key=lambda j: abs(account.bills[j].deduct - account.bills[j - 1].deduct))
    bill = account.bills[k]
    account.reprice(
        bill, account.volume_of(bill.water, account.bills[k - 1].deduct, bill.start, bill.end)
    )
    for place in account.bills:
        place.more["deduct"] = plain(place.deduct)
    bill.more["deduct"] = plain(account.bills[k - 1].deduct)
    return Planted(account, "deduct of another period", "last month's deduct taken", [k], OWN)


@wrong
def deduct_added(rng):
    """The deduct was added instead of taken off."""
    account = Account(rng, trade=KGAL[0], deduct=True, charges=flat, own=own_or_none(rng)).run()
    k = account.pick()
    bill = account.bills[k]
    account.reprice(bill, account.volume_of(bill.water, -bill.deduct, bill.start, bill.end))
    return Planted(account, "deduct added", "deduct added instead of taken off", [k], OWN)


@wrong
def factor_of_wrong_season(rng):
    """The winter factor was applied in summer."""
    account = factor_by_month_from_the_first(rng)
    summer = [k for k, b in enumerate(account.bills[1:-1], 1) if 5 <= b.start.month <= 9]
    k = one_of(rng, summer)
    bill = account.bills[k]
    account.reprice(bill, account.rounded_volume(bill.water * Fraction(19, 20)))
    return Planted(account, "wrong season", "winter factor applied in summer", [k], seen(account))


@wrong
def stale_winter_average(rng):
    """Bills after a winter still stand on the average of the winter before."""
    account = winter_account(rng)
    floor = Fraction(account.schedule.editions[0].volume["winter"]["floor"])
    closed, new = account.winters[1]
    old = account.winters[0][1]
    places = [k for k, b in enumerate(account.bills) if b.start >= closed][
        : int(rng.integers(1, 5))
    ]
    floor_table = account.schedule.editions[0].volume["winter"]
    if max(old, floor) == max(new, floor):  # a floor that binds would hide the error
        floor_table["floor"] = Decimal(1)
        for bill in account.bills:
            average = [value for end, value in account.winters if end <= bill.start][-1]
            account.reprice(bill, account.rounded_volume(average))
            bill.due = bill.total
    for k in places:
        account.reprice(account.bills[k], account.rounded_volume(old))
    return Planted(
        account, "stale winter average", "average of an earlier winter", places, seen(account)
    )


@wrong
def winter_average_ignored(rng):
    """The use was charged although the winter average is lower."""
    account = winter_account(rng, basis="lower of actual and winter average")
    summer = [k for k, b in enumerate(account.bills) if b.volume < b.water - 1]
    k = one_of(rng, summer) if summer else account.pick()
    account.reprice(account.bills[k], account.rounded_volume(account.bills[k].water))
    if not summer:
        account.reprice(account.bills[k], account.bills[k].volume * 2)
    return Planted(account, "winter cap ignored", "winter average not applied", [k], seen(account))


@wrong
def last_bill_repeated(rng):
    """Last month's volume was charged again as actual; the printed reads say another."""
    account = Account(rng, charges=flat, own=own_or_none(rng), season=0.5).run()
    k = account.pick()
    k = (
        max(
            (j for j in range(2, len(account.bills) - 1)),
            key=lambda j: abs(account.bills[j].volume - account.bills[j - 1].volume),
        )
        or k
    )
    account.reprice(account.bills[k], account.bills[k - 1].volume)
    return Planted(
        account, "last bill repeated", "last month's volume billed again", [k], seen(account)
    )


@wrong
def short_period_as_whole(rng):
    """A short first or last period was charged the base of a whole month."""
    first = rng.random() < 0.5
    account = (first_bill_of_new_account if first else final_bill)(rng)
    k = 0 if first else account.n - 1
    account.reprice(account.bills[k], facts=with_facts(account.bills[k], days=30))
    return Planted(account, "period as whole", "base not prorated", [k], PRINTED)


@wrong
def late_fee_not_due(rng):
    """A late fee was charged on a bill that was paid in time."""
    account = late_fee_account(rng, one_of(rng, ["fixed", "percent"]), own=own_or_none(rng))
    k = one_of(rng, [k for k in range(1, account.n - 1) if k not in account.late])
    account.reprice(account.bills[k], facts=with_facts(account.bills[k], counts={"late": 1}))
    return Planted(account, "late fee not due", "late fee though paid in time", [k], PRINTED)


def two_taxes(account: Account) -> list[Charge]:
    """Two taxes, each on base and use only."""
    return [
        *flat(account),
        Charge("county levy", "percent", {"rate": "6 %", "of": ["service charge", "sewer use"]}),
    ]


@wrong
def tax_on_tax(rng):
    """The second tax was taken on the first as well."""
    account = Account(rng, charges=two_taxes, own=own_or_none(rng)).run()
    k = account.pick(2, 4)
    places = list(range(k, k + int(rng.integers(1, 4))))
    for place in places:
        bill = account.bills[place]
        account.reprice(
            bill,
            parts=altered(
                account, bill, "county levy", of=["service charge", "sewer use", "utility tax"]
            ),
        )
    return Planted(account, "tax on tax", "tax taken on a tax", places, PRINTED)


@wrong
def tax_on_exempt_base(rng):
    """The tax is on the use only; it was taken on the base too."""

    def charges(account):
        made = flat(account)
        made[2].keys["of"] = ["sewer use"]
        return made

    account = Account(rng, charges=charges, own=own_or_none(rng)).run()
    k = account.pick()
    bill = account.bills[k]
    account.reprice(
        bill, parts=altered(account, bill, "utility tax", of=["service charge", "sewer use"])
    )
    return Planted(account, "tax base", "tax taken on an exempt line", [k], PRINTED)


@wrong
def tax_base_too_small(rng):
    """The tax was taken on the use only; it is on both: too low."""
    account = Account(rng, charges=flat, own=own_or_none(rng)).run()
    k = account.pick()
    bill = account.bills[k]
    account.reprice(bill, parts=altered(account, bill, "utility tax", of=["sewer use"]))
    return Planted(account, "tax base", "tax taken on a part of its base", [k], PRINTED)


@wrong
def other_tax_rate(rng):
    """A tax of another rate than the schedule's."""
    account = Account(rng, charges=flat, own=own_or_none(rng)).run()
    k = account.pick()
    bill = account.bills[k]
    rate = f"{Decimal(int(rng.integers(50, 90))).scaleb(-1)} %"
    account.reprice(bill, parts=altered(account, bill, "utility tax", rate=rate))
    return Planted(account, "other rate", "tax at another rate", [k], PRINTED)


@wrong
def free_volume_missing(rng):
    """The free volume was not taken off."""
    account = free_volume(rng)
    k = account.pick()
    bill = account.bills[k]
    account.reprice(bill, account.rounded_volume(bill.water * Fraction(19, 20)))
    return Planted(account, "free volume missing", "free volume not taken off", [k], seen(account))


@wrong
def threshold_missing(rng):
    """The surcharge was taken on the whole strength, not on what exceeds the threshold."""
    account = strength_account(rng, own=own_or_none(rng)).run()
    k = account.pick()
    bill = account.bills[k]
    account.reprice(bill, parts=altered(account, bill, "BOD surcharge", threshold=0))
    return Planted(account, "threshold missing", "surcharge without threshold", [k], PRINTED)


@wrong
def another_threshold(rng):
    """The surcharge was taken above another threshold."""
    account = strength_account(rng, own=own_or_none(rng)).run()
    k = account.pick()
    bill = account.bills[k]
    account.reprice(bill, parts=altered(account, bill, "BOD surcharge", threshold=200))
    return Planted(account, "another threshold", "surcharge above another threshold", [k], PRINTED)


@wrong
def rates_of_old_edition(rng):
    """After the change the rates of the old edition were charged: too low."""
    account = Account(
        rng,
        n=14,
        editions=two_editions(lambda a: a.dates[a.n // 2] + timedelta(1)),
        own=own_or_none(rng),
    ).run()
    k = account.n // 2 + int(rng.integers(1, 4))
    account.reprice(account.bills[k], parts=[(account.schedule.editions[0], Fraction(1))])
    return Planted(account, "other edition", "rates of the old edition", [k], PRINTED)


@wrong
def rates_of_new_edition_early(rng):
    """The new rates were charged before they were in force."""
    account = Account(
        rng,
        n=14,
        editions=two_editions(lambda a: a.dates[a.n // 2] + timedelta(1)),
        own=own_or_none(rng),
    ).run()
    places = list(range(account.n // 2 - int(rng.integers(1, 4)), account.n // 2))
    for k in places:
        account.reprice(account.bills[k], parts=[(account.schedule.editions[1], Fraction(1))])
    return Planted(
        account, "other edition", "rates of an edition not yet in force", places, PRINTED
    )


@wrong
def edition_not_split(rng):
    """New rates for the whole of the period within which they began; to be split by days."""
    account = Account(
        rng,
        n=12,
        editions=two_editions(lambda a: a.dates[6] + timedelta(13)),
        rate_change="split by days",
        own=own_or_none(rng),
    ).run()
    account.reprice(account.bills[6], parts=[(account.schedule.editions[1], Fraction(1))])
    return Planted(account, "edition not split", "period not split between editions", [6], PRINTED)


@wrong
def base_of_wrong_meter_size(rng):
    """The base of a larger meter was charged."""
    account = Account(rng, charges=monthly_base, own=own_or_none(rng)).run()
    k = account.pick(2, 5)
    places = list(range(k, k + int(rng.integers(1, 5))))
    for place in places:
        bill = account.bills[place]
        account.reprice(bill, facts=with_facts(bill, meter_size="3 in"))
    return Planted(account, "wrong meter size", "base of another meter size", places, PRINTED)


@wrong
def block_edges_not_prorated(rng):
    """Blocks of 30 days were not widened for a period of two months."""

    def charges(account):
        made = blocked(account)
        made[1].keys["blocks_per"] = "30 days"
        blocks = made[1].keys["blocks"]
        for block, share in zip(blocks, ("0.8", "1", "1.25"), strict=True):
            block["rate"] = account.volume_rate() * Decimal(share)
        return made

    account = Account(rng, months=2, n=10, charges=charges, own=own_or_none(rng)).run()
    k = account.pick()
    bill = account.bills[k]
    account.reprice(bill, parts=altered(account, bill, "sewer use", blocks_per="bill"))
    return Planted(account, "block edges", "block edges not in proportion to days", [k], PRINTED)


@wrong
def blocks_ignored(rng):
    """The whole volume was charged at the rate of the first block."""
    account = Account(rng, charges=blocked, own=own_or_none(rng)).run()
    k = account.pick()
    bill = account.bills[k]
    rate = bill.facts and account.schedule.editions[0].charges[1].keys["blocks"][0]["rate"]
    account.reprice(bill, parts=altered(account, bill, "sewer use", blocks=[{"rate": rate}]))
    return Planted(account, "blocks ignored", "one rate for all blocks", [k], PRINTED)


@wrong
def minimum_on_top(rng):
    """The whole minimum was added to a bill that lies above it."""
    account = minimum_bill(rng)
    k = one_of(
        rng,
        [
            k
            for k, b in enumerate(account.bills)
            if k > 0
            and (b.lines["minimum bill"] < account.schedule.editions[0].charges[2].keys["amount"])
        ],
    )
    bill = account.bills[k]
    bill.lines = bill.lines | {
        "minimum bill": account.schedule.editions[0].charges[2].keys["amount"]
    }
    bill.total = account.schedule.total(bill.lines)
    return Planted(account, "minimum on top", "minimum added to the charges", [k], PRINTED)


@wrong
def estimate_never_made_good(rng):
    """An estimate too high; the next bill begins at the actual read, nothing is given back."""
    account = Account(rng, charges=flat, own=own_or_none(rng), opening=20_000).run()
    k = account.pick()
    bill = account.bills[k]
    counts = int((bill.current - bill.previous) * float(rng.uniform(1.15, 1.5)))
    print_reads(account, k, bill.previous, bill.previous + counts)
    account.bills[k].read_type = "estimated"
    return Planted(account, "estimate not made good", "estimate never trued up", [k], seen(account))


@wrong
def estimate_far_off(rng):
    """Every bill is estimated to the end, far too high; the site's reads show it."""
    account = Account(rng, n=12, charges=flat, own="on the day", opening=20_000).run()
    stood = account.bills[8].previous
    for k in range(8, 12):
        bill = account.bills[k]
        counts = int((bill.current - bill.previous) * 1.3)
        print_reads(account, k, stood, stood + counts)
        account.bills[k].read_type = "estimated"
        stood += counts
    return Planted(account, "estimate not made good", "estimates to the end", [8, 9, 10, 11], OWN)


@wrong
def true_up_at_new_rates(rng):
    """Low estimates under the old rates; what was missing is billed at the new ones."""
    account = Account(
        rng,
        n=12,
        editions=two_editions(lambda a: a.dates[6] + timedelta(1), raise_by="1.25"),
        own="on the day",
        opening=20_000,
    ).run()
    due = [bill.due for bill in account.bills]
    estimate(account, 3, 3, float(rng.uniform(0.5, 0.7)))
    for bill, amount in zip(account.bills, due, strict=True):
        bill.due = amount
    return Planted(
        account,
        "true-up at wrong rates",
        "caught up at the new rates",
        [3, 4, 5, 6],
        OWN,
        extra={"run": True},
    )


@wrong
def double_bill(rng):
    """A bill was sent twice, and the second not taken back."""
    account = Account(rng, charges=flat, own=own_or_none(rng)).run()
    k = account.pick()
    twice = as_row(account, account.bills[k], account.bills[k].number + "b", "", "")
    account.bills[k + 1 : k + 1] = [twice]
    account.overlap = True
    return Planted(account, "double bill", "the same period billed twice", [k + 1], PRINTED)


@wrong
def overlapping_days(rng):
    """A bill begins some days before the last one ended, on a read of that day."""
    account = Account(rng, charges=flat, own="on the day", opening=20_000).run()
    k = account.pick()
    bill = account.bills[k]
    start = bill.start - timedelta(int(rng.integers(3, 9)))
    moment = datetime(start.year, start.month, start.day, account.hour)
    account.own_extra.append(moment)
    print_reads(account, k, account.main.read(moment), bill.current)
    account.bills[k].start = start
    account.overlap = True
    return Planted(account, "overlapping days", "days billed twice", [k], BOTH)


def daily(account: Account) -> list[Charge]:
    """A base per day and one rate."""
    return [
        Charge("service charge", "fixed", {"amount": Decimal("6.35"), "per": "day"}),
        Charge("sewer use", "volume", {"volume": "sewer", "rate": account.volume_rate()}),
    ]


@wrong
def end_day_counted_twice(rng):
    """The base per day counts the day of the read on both bills."""
    account = Account(rng, charges=daily, own=own_or_none(rng)).run()
    k = account.pick(2, 5)
    places = list(range(k, k + int(rng.integers(1, 5))))
    for place in places:
        bill = account.bills[place]
        account.reprice(bill, facts=with_facts(bill, days=bill.facts.days + 1))
    return Planted(account, "day counted twice", "one day too many", places, PRINTED)


@wrong
def balance_billed_twice(rng):
    """The balance carried over was added twice into the amount due."""
    account = Account(rng).run()
    carry(account, one_of(rng, ["minus", "brackets", "CR"]), True, prompt=0.2)
    owing = [
        k
        for k, b in enumerate(account.bills[:-1])
        if k > 1
        and not (
            b.more["previous_balance"].endswith(")")
            or b.more["previous_balance"].endswith("CR")
            or b.more["previous_balance"].startswith("-")
        )
        and float(b.more["previous_balance"]) > 5
    ]
    k = one_of(rng, owing)
    bill = account.bills[k]
    bill.amount_due += Decimal(bill.more["previous_balance"])
    return Planted(
        account,
        "balance twice",
        "carried balance added twice",
        [k],
        PRINTED,
        extra={"amounts": {bill.number: str(Decimal(bill.more["previous_balance"]))}},
    )


@wrong
def payment_not_credited(rng):
    """A payment is printed but not taken off the amount due: a note, no charge."""
    account = Account(rng).run()
    carry(account, "minus", True, prompt=1.0)
    k = account.pick()
    bill = account.bills[k]
    bill.amount_due += abs(Decimal(bill.more["payment"].replace(",", "")))
    return Planted(account, "payment not credited", "payment not taken off", [k], PRINTED, False)


@wrong
def sum_of_lines_wrong(rng):
    """The total is not the sum of the lines."""
    account = Account(rng, own=own_or_none(rng)).run()
    k = account.pick()
    bill = account.bills[k]
    bill.total += Decimal(one_of(rng, ["27.00", "100.00", "-54.00", "9.90", "0.90"]))
    return Planted(account, "sum wrong", "total is not the sum of the lines", [k], PRINTED)


@wrong
def every_line_rounded_up(rng):
    """Every line of every bill was rounded up to the next cent."""
    account = Account(rng, n=16, trade=KGAL[0], charges=flat, own=own_or_none(rng)).run()
    for bill in account.bills:
        account.reprice(bill, line_rule="up")
    places = [k for k, b in enumerate(account.bills) if b.total != b.due]
    return Planted(account, "rounded up", "lines rounded up", places, PRINTED)


@wrong
def surcharge_on_wrong_sample(rng):
    """The surcharge stands on the sample of the month before."""
    account = strength_account(rng, own=own_or_none(rng)).run()
    k = max(range(1, account.n - 1), key=lambda j: account.found[j - 1] - account.found[j])
    bill = account.bills[k]
    account.reprice(bill, facts=with_facts(bill, strengths={"BOD": account.found[k - 1]}))
    return Planted(account, "wrong sample", "sample of another period", [k], PRINTED)


@wrong
def surcharge_on_wrong_volume(rng):
    """The surcharge was taken on the water used, not on the charged volume."""
    account = strength_account(rng, own=own_or_none(rng), factor="0.8").run()
    k = account.pick()
    bill = account.bills[k]
    account.reprice(bill, facts=with_facts(bill, surcharge_volume=bill.water))
    return Planted(account, "surcharge volume", "surcharge on another volume", [k], PRINTED)


@wrong
def two_errors_on_one_bill(rng):
    """The factor was left out and a larger meter's base charged, on one bill."""
    account = Account(
        rng, trade=KGAL[0], factor="0.9", charges=monthly_base, own=own_or_none(rng)
    ).run()
    k = account.pick()
    bill = account.bills[k]
    account.reprice(bill, account.rounded_volume(bill.water), with_facts(bill, meter_size="4 in"))
    return Planted(
        account,
        "two errors",
        "factor left out and base of another size",
        [k],
        seen(account),
        extra={"errors": ["factor not applied", "wrong meter size"]},
    )


@wrong
def two_errors_on_two_bills(rng):
    """The multiplier on one bill, the total of another."""
    account = Account(rng, charges=flat, own=own_or_none(rng), n=12).run()
    first = account.bills[3]
    account.reprice(first, account.volume_of(first.water * 10, Fraction(0), first.start, first.end))
    account.bills[8].total += Decimal("45.00")
    return Planted(
        account,
        "two errors",
        "multiplier on one bill, sum on another",
        [3, 8],
        seen(account),
        extra={"errors": ["multiplier", "sum wrong"]},
    )


def priced_again(account: Account, k: int, counts: int) -> None:
    """Charge a bill on other counts than its due ones; its printed reads stay."""
    bill = account.bills[k]
    volume = account.volume_of(
        Fraction(counts) * account.main.count / GALLONS[account.unit],
        bill.deduct,
        bill.start,
        bill.end,
    )
    account.reprice(bill, volume)


@wrong
def first_read_of_new_meter_forgotten(rng):
    """After a change the new meter was taken to begin at nothing."""
    account = Account(rng, trade=KGAL[0], charges=flat).run()
    k = account.pick(2, 3)
    change = change_meter(account, k)[0]
    bill = account.bills[k]
    priced_again(account, k, change["final_read"] - bill.previous + bill.current)
    return Planted(account, "first read of new meter", "first read taken for nothing", [k], PRINTED)


@wrong
def change_of_meter_ignored(rng):
    """The new meter's read was set against the old one's, as if it had rolled over."""
    account = Account(rng, trade=KGAL[0], charges=flat).run()
    k = account.pick(2, 3)
    change_meter(account, k)
    bill = account.bills[k]
    priced_again(account, k, (bill.current - bill.previous) % 10**6)
    return Planted(account, "meter change ignored", "reads of two meters subtracted", [k], PRINTED)


@wrong
def meter_between_left_out(rng):
    """Two changes in one period; what the middle meter counted was left out: too low."""
    account = Account(rng, trade=KGAL[0], charges=flat).run()
    k = account.pick(2, 3)
    changes = change_meter(account, k, 2)
    bill = account.bills[k]
    priced_again(
        account,
        k,
        changes[0]["final_read"] - bill.previous + bill.current - changes[1]["first_read"],
    )
    return Planted(account, "several meter changes", "the middle meter left out", [k], PRINTED)


@wrong
def low_register_left_out(rng):
    """The low-flow register of a compound meter was not added: too low."""
    account = Account(
        rng, trade=one_of(rng, KGAL), compound=True, charges=flat, own="on the day"
    ).run()
    k = account.pick()
    bill = account.bills[k]
    priced_again(account, k, bill.current - bill.previous)
    return Planted(account, "register left out", "low-flow register left out", [k], OWN)


@wrong
def roll_over_mispriced(rng):
    """At the roll-over the smaller read was taken from the larger one."""
    account = roll_over(rng)
    rolled = [k for k, b in enumerate(account.bills) if b.current < b.previous]
    k = rolled[0]
    bill = account.bills[k]
    priced_again(account, k, bill.previous - bill.current)
    return Planted(account, "roll-over", "reads subtracted the wrong way", [k], seen(account))


@wrong
def base_charged_twice(rng):
    """The base was charged twice."""
    account = Account(rng, charges=flat, own=own_or_none(rng)).run()
    k = account.pick()
    bill = account.bills[k]
    amount = account.schedule.editions[0].charges[0].keys["amount"]
    account.reprice(bill, parts=altered(account, bill, "service charge", amount=2 * amount))
    return Planted(account, "base twice", "base charged twice", [k], PRINTED)


@wrong
def base_of_a_quarter(rng):
    """A month was charged the base of a quarter."""
    account = quarterly_beside_monthly(rng)
    k = one_of(rng, [k for k, b in enumerate(account.bills) if b.facts.months == 1][1:-1])
    account.reprice(account.bills[k], facts=with_facts(account.bills[k], months=3))
    return Planted(account, "months", "base of three months on one", [k], PRINTED)


@wrong
def rate_with_digits_exchanged(rng):
    """The rate of one bill has two digits exchanged."""
    account = Account(rng, charges=flat, trade=one_of(rng, KGAL), own=own_or_none(rng)).run()
    k = account.pick()
    bill = account.bills[k]
    account.reprice(bill, parts=altered(account, bill, "sewer use", rate=Decimal("7.21")))
    return Planted(account, "other rate", "digits of the rate exchanged", [k], PRINTED)


@wrong
def volume_rounded_up(rng):
    """The volume was rounded up; the schedule says down."""
    account = Account(rng, trade=KGAL[1], charges=flat, factor="0.95", own=own_or_none(rng)).run()
    places = []
    for k, bill in enumerate(account.bills):
        exact = bill.water * Fraction(account.factor)
        if exact.denominator != 1:
            account.reprice(bill, Fraction(rounded(exact, Decimal(1), "up")))
            places.append(k)
    return Planted(account, "volume rounded up", "volume rounded up", places, seen(account))


@wrong
def one_unit_too_many(rng):
    """One equivalent unit more than the account has."""
    account = equivalent_units(rng)
    k = account.pick(2, 4)
    places = list(range(k, k + 2))
    units = account.account_keys["counts"]["equivalent units"]
    for place in places:
        account.reprice(account.bills[place], Fraction("5.5") * (units + 1))
    return Planted(account, "equivalent units", "one unit too many", places, PRINTED)


@wrong
def credit_too_small(rng):
    """A bill ten times too high was billed anew, but only half of it was credited."""
    account = credit_note_and_correction(rng)
    k = next(k for k, b in enumerate(account.bills) if b.kind == "credit")
    back = account.bills[k]
    back.volume /= 2
    whole = account.bills[k - 1].lines
    back.lines = {name: cents(-Fraction(value) / 2) for name, value in whole.items()}
    back.total = account.schedule.total(back.lines)
    # whether the credit or the new bill carries the rest is a convention: only the net counts
    return Planted(
        account, "credit too small", "credited in part only", [k], PRINTED, extra={"run": True}
    )


@wrong
def charge_not_of_the_schedule(rng):
    """A late fee on a bill whose schedule knows none."""
    account = Account(rng, charges=flat, own=own_or_none(rng)).run()
    k = account.pick()
    bill = account.bills[k]
    bill.lines = bill.lines | {"handling fee": Decimal("35.00")}
    bill.total = account.schedule.total(bill.lines)
    return Planted(account, "unknown charge", "a charge the schedule does not know", [k], PRINTED)


# --- a case and its truth -------------------------------------------------------------------------


def make_case(kind: str, seed: int, folder: Path, part: str, old: bool = False) -> dict:
    """Write the folder of one case; returns its truth."""
    rng = np.random.default_rng([zlib.crc32(kind.encode()), seed])
    function = (RIGHT if part == "right" else WRONG)[kind]
    made = function(rng)
    account = made if part == "right" else made.account
    truth = {
        "kind": kind,
        "seed": seed,
        "part": part,
        "words": function.__doc__.strip(),
        "invoices": [],
        "amounts": {},
        "over": "0.00",
        "under": "0.00",
        "net": "0.00",
    }
    if part == "wrong":
        amounts = {bill.number: bill.total - bill.due for bill in account.bills}
        amounts |= {name: Decimal(v) for name, v in made.extra.get("amounts", {}).items()}
        amounts = {name: value for name, value in amounts.items() if value}
        names = [account.bills[k].number for k in made.bills]
        if made.money and not amounts:
            raise ValueError(f"{kind}, seed {seed}: the planted error changed no amount")
        over = sum((v for v in amounts.values() if v > 0), Decimal("0.00"))
        under = -sum((v for v in amounts.values() if v < 0), Decimal("0.00"))
        truth |= {
            "error": made.error,
            "error_words": made.words,
            "invoices": names,
            "amounts": {name: plain(value, 2) for name, value in amounts.items()},
            "over": plain(over, 2),
            "under": plain(under, 2),
            "net": plain(over - under, 2),
            "visible": made.visible,
            "money": made.money,
            "run": bool(made.extra.get("run")),
            "errors": made.extra.get("errors", [made.error]),
        }
    write_case(account, Path(folder), truth, old)
    return truth


# --- the verdict of the tool ----------------------------------------------------------------------

# Codes of findings.json that name a class, as met while trying it; what is new is added here.
# A slug with hyphens for its spaces counts always.
CODES: dict[str, set[str]] = {
    "unit": {"unit-swap"},
    "multiplier": {"register-multiplier"},
    "factor not applied": {"return-factor-missing"},
    "factor applied twice": {"return-factor-missing"},
    "transposition": {"misread"},
    "other account": {"another-account"},
    "deduct not taken": {"deduct-missing"},
    "deduct added": {"deduct-missing"},
    "winter cap ignored": {"winter-average-missing"},
    "period as whole": {"period-length"},
    "day counted twice": {"period-length"},
    "months": {"period-length"},
    "free volume missing": {"allowance-missing"},
    "threshold missing": {"surcharge-threshold"},
    "another threshold": {"surcharge-threshold", "another-threshold"},
    "wrong sample": {"surcharge-sample"},
    "other edition": {"wrong-rate-version"},
    "edition not split": {"wrong-rate-version"},
    "wrong meter size": {"wrong-class"},
    "block edges": {"tier-misapplied"},
    "blocks ignored": {"tier-misapplied"},
    "estimate not made good": {"missing-true-up", "estimated-read"},
    "true-up at wrong rates": {"estimated-read"},
    "double bill": {"duplicate-period"},
    "overlapping days": {"overlapping-period"},
    "sum wrong": {"invoice-arithmetic"},
    "tax on tax": {"invoice-arithmetic"},
    "tax base": {"invoice-arithmetic"},
    "rounded up": {"rounding"},
    "volume rounded up": {"rounding"},
    "first read of new meter": {"exchange-start-read"},
    "meter change ignored": {"exchange-as-one-meter"},
    "roll-over": {"rollover"},
}
# explanations of the balance that accuse no bill
NO_BILL = ("nothing wrong", "billed by the schedule", "meter", "record", "source", "water")


def judge(findings: dict) -> dict:
    """What findings.json says against the bills.

    accused      anything at all: an amount claimed either way, an error named, a volume too high
                 or too low, an invoice said not to follow, an explanation that blames a bill
    reasons      each of these in words
    by_invoice   amount claimed by the rules, invoice by invoice
    named        (code, invoices, exactness, difference, codes of the look-alikes), first one first
    flagged      every invoice that any of these, or a flag, names
    """
    claim = findings.get("claim") or {}
    over, under = (float(claim.get(key) or 0) for key in ("over_invoiced", "under_invoiced"))
    by_invoice = {
        row["invoice"]: float(row.get("by_the_rules") or 0) for row in claim.get("invoices", [])
    }
    by_invoice = {name: value for name, value in by_invoice.items() if abs(value) >= 0.005}
    reasons, flagged = [], set(by_invoice)
    reasons += [f"claim over {over:.2f}"] * (over >= 0.005)
    reasons += [f"claim under {under:.2f}"] * (under >= 0.005)
    if by_invoice and not reasons:
        reasons.append("amounts that net to nothing")
    named = []
    for one in findings.get("signatures") or []:
        others = [
            other if isinstance(other, str) else str(other.get("code"))
            for other in one.get("look_alikes") or []
        ]
        named.append(
            {
                "code": one["code"],
                "invoices": list(one["invoices"]),
                "exactness": one.get("exactness"),
                "difference": one.get("difference"),
                "look_alikes": others,
                "sentence": one.get("sentence"),
            }
        )
        flagged |= set(one["invoices"])
        reasons.append(f"named {one['code']} ({one.get('exactness')})")
    volumes = [
        row["invoice"]
        for row in findings.get("invoices") or []
        if "too high" in str(row.get("finding")) or "too low" in str(row.get("finding"))
    ]
    flagged |= set(volumes)
    if volumes:
        reasons.append(f"{len(volumes)} volumes too high or too low")
    whole = str((findings.get("total") or {}).get("finding"))
    reasons += [f"in all: {whole}"] * ("too high" in whole or "too low" in whole)
    reasons += [
        f"proof: {text}"
        for text in findings.get("next_proof") or []
        if "do not follow" in str(text)
    ]
    blamed = str((findings.get("ranking") or {}).get("named") or "nothing wrong")
    if not any(word in blamed for word in NO_BILL):
        reasons.append(f"explanation: {blamed}")
    noted = set()
    for flag in findings.get("flags") or []:
        data = flag.get("data") or {}
        noted |= {str(value) for key, value in data.items() if key == "invoice"}
        listed = data.get("invoices")  # a count in some
        noted |= set(map(str, listed)) if isinstance(listed, list) else set()
    return {
        "accused": bool(reasons),
        "reasons": reasons,
        "over": over,
        "under": under,
        "net": over - under,
        "by_invoice": by_invoice,
        "named": named,
        "flagged": sorted(flagged),
        "noted": sorted(noted),
    }


def score(truth: dict, verdict: dict) -> dict:
    """The verdict held against the truth of its case."""
    if truth["part"] == "right":
        return {"accused": verdict["accused"], "reasons": verdict["reasons"]}
    planted = set(truth["invoices"])
    touched = set(verdict["flagged"]) | (set() if truth["money"] else set(verdict["noted"]))
    good = set().union(*({e.replace(" ", "-")} | CODES.get(e, set()) for e in truth["errors"]))
    on_it = [one for one in verdict["named"] if planted & set(one["invoices"])]
    first = bool(on_it) and on_it[0]["code"] in good
    listed = first or any(one["code"] in good or good & set(one["look_alikes"]) for one in on_it)
    amounts = {name: float(value) for name, value in truth["amounts"].items()}
    # what only reads of the site show is known as closely as they are
    share = 0.02 if truth["visible"] == OWN else 0.0
    if truth["run"]:
        size = max(abs(float(truth["over"])), abs(float(truth["under"])))
        money = abs(verdict["net"] - float(truth["net"])) < 0.005 + share * size
    else:
        names = set(amounts) | set(verdict["by_invoice"])
        money = all(
            abs(amounts.get(name, 0) - verdict["by_invoice"].get(name, 0))
            < 0.005 + share * abs(amounts.get(name, 0))
            for name in names
        )
    wrong_exact = [
        one["code"]
        for one in verdict["named"]
        if one["exactness"] == "exact"
        and not (one["code"] in good and planted & set(one["invoices"]))
    ]
    return {
        "accused": verdict["accused"],
        "flagged": bool(planted & touched),
        "first": first,
        "listed": listed,
        "money": money,
        "others": sorted(set(verdict["flagged"]) - planted),
        "codes": [one["code"] for one in on_it],
        "wrong_exact": wrong_exact,
        "claimed": [verdict["over"], verdict["under"]],
    }


def run_tool(folder: Path, draws: int = 2000) -> dict:
    """The findings of the tool on a folder, or {"refused": its message}."""
    try:
        from sewer_audit import audit, load_case
    except ImportError:
        from toolkit import audit, load_case
    try:
        return audit(load_case(str(folder)), draws=draws, seed=1).findings()
    except Exception as error:
        return {"refused": f"{type(error).__name__}: {error}"}


def try_one(job: tuple) -> dict:
    """One case, from its making to its score."""
    part, kind, seed, old, keep = job
    with tempfile.TemporaryDirectory() as place:
        folder = Path(keep) / f"{kind}_{seed}" if keep else Path(place)
        truth = make_case(kind, seed, folder, part, old)
        findings = run_tool(folder)
    result = {"kind": kind, "seed": seed, "part": part, "truth": truth}
    if "refused" in findings:
        return result | {"refused": findings["refused"]}
    return result | {"score": score(truth, judge(findings))}


def table(results: list[dict], part: str) -> str:
    """One line a kind, and what was refused or said."""
    heads = ["kind", "cases", "accused", "flagged", "first", "listed", "money", "refused"]
    rows = []
    for kind in dict.fromkeys(one["kind"] for one in results):
        mine = [one for one in results if one["kind"] == kind]
        scored = [one["score"] for one in mine if "score" in one]
        counts = [
            sum(bool(s.get(key)) for s in scored)
            for key in ("accused", "flagged", "first", "listed", "money")
        ]
        if part == "right":
            counts[1:] = ["-"] * 4
        rows.append([kind, len(mine), *counts, len(mine) - len(scored)])
    total = ["all"] + [
        sum(row[k] for row in rows) if rows and row_counts(rows, k) else "-"
        for k in range(1, len(heads))
    ]
    lines = [f"{heads[0]:36}" + "".join(f"{head:>9}" for head in heads[1:])]
    lines += [
        f"{row[0]:36}" + "".join(f"{cell!s:>9}" for cell in row[1:]) for row in [*rows, total]
    ]
    for one in results:
        name = f"{one['kind']} {one['seed']}"
        if "refused" in one:
            lines.append(f"refused  {name}: {' / '.join(one['refused'].splitlines())[:300]}")
        elif part == "right" and one["score"]["accused"]:
            lines.append(f"accused  {name}: {'; '.join(one['score']['reasons'])[:300]}")
        elif part == "wrong" and not (one["score"]["first"] and one["score"]["money"]):
            held, true = one["score"], one["truth"]
            lines.append(
                f"see      {name} [{true['error']}] planted {true['invoices'][:4]} over "
                f"{true['over']} under {true['under']}; claimed {held['claimed']}, codes "
                f"{held['codes'][:4]}, others {held['others'][:4]}"
            )
    return "\n".join(lines)


def row_counts(rows: list[list], k: int) -> bool:
    """Whether a column holds numbers."""
    return all(isinstance(row[k], int) for row in rows)


def main(arguments: list[str] | None = None) -> int:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--part", choices=["right", "wrong"], required=True)
    parser.add_argument("--kinds", default="all", help="all, or names with commas")
    parser.add_argument("--per-kind", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1, help="of the first case of each kind")
    parser.add_argument("--processes", type=int, choices=[1, 2], default=1)
    parser.add_argument("--old-keys", action="store_true", help="leave out the keys under needs")
    parser.add_argument(
        "--only-without-needs", action="store_true", help="skip cases that need a new key"
    )
    parser.add_argument("--keep", help="folder to leave the cases in")
    parser.add_argument("--write", help="only write the cases into this folder; run nothing")
    parser.add_argument("--json", help="file for all results")
    given = parser.parse_args(arguments)
    known = RIGHT if given.part == "right" else WRONG
    kinds = list(known) if given.kinds == "all" else given.kinds.split(",")
    unknown = [kind for kind in kinds if kind not in known]
    if unknown:
        parser.error(f"no such kind: {', '.join(unknown)}; known are {', '.join(known)}")
    jobs = [
        (given.part, kind, given.seed + k, given.old_keys, given.keep)
        for kind in kinds
        for k in range(given.per_kind)
    ]
    if given.write:
        for part, kind, seed, old, _ in jobs:
            make_case(kind, seed, Path(given.write) / f"{kind}_{seed}", part, old)
        return 0
    if given.processes == 1:
        results = [try_one(job) for job in jobs]
    else:
        with ProcessPoolExecutor(2) as pool:
            results = list(pool.map(try_one, jobs))
    if given.only_without_needs:
        results = [one for one in results if not one["truth"]["needs"]]
    print(table(results, given.part))
    if given.json:
        Path(given.json).write_text(json.dumps(results, indent=1))
    return 0


if __name__ == "__main__":
    sys.exit(main())
