"""Invented sites with planted causes, made without the model of the toolkit, and its score.

What it is. Each site is a facility of one of nine kinds with its own water physics: demand by hour,
weekday, holiday, production and weather; uses, leaks and inflows; a supply register; a measuring
device with a rating written here from the published equation; a biller who reads, multiplies,
deducts and rounds. A site is fair, or one cause or a pair of causes is planted in it. The case
folder holds only what a site would hold; the truth stands apart in `truth.json`. The toolkit is
then asked like any reader would ask it, and `findings()` is compared with the truth.

Determined by (kind, seed) alone: `plan(seed)` says which kind and which causes belong to a seed,
`build(kind, seed, causes, folder)` writes the case and returns its truth. Of every twenty seeds in
a row seven are fair, two hold a pair, eleven hold one cause; the causes are taken in turn, so that
a hundred seeds meet nearly all. Seeds below 1000 are for mending; those from 5000 on are for a run
of the record and are not looked at one by one.

How to run it:

    python foreign_sites.py --sites 100 --seed 5000            # two processes
    python foreign_sites.py --sites 20 --seed 1 --jobs 1 --rows rows.json --keep cases
    python foreign_sites.py --list                             # the causes, their shapes and signs

Discharge equations and conversions are from memory of the open literature (Parshall: the usual
table of C and n in feet; V-notch: Kindsvater and Shen; long-throated: critical energy with a
boundary layer; pipe: Manning). Every size, rate and habit of a site is invented and a judgement.
"""

from __future__ import annotations

import argparse
import copy
import json
import os
import sys
import tempfile
import time
import traceback
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd

TOLERANCE = 0.05

# --- the toolkit's names for explanations, and what they mean here -------------------------------
# name: (party blamed, causes it names rightly, causes it comes near to). A near name sends the
# reader to the right place although the mechanism is another; it is counted in a column of its own.

NAMES = {
    "nothing wrong": ("none", {"fair"}, set()),
    "billed by the schedule, whose basis does not describe the site": (
        "schedule",
        {"basis_without_deduct"},
        set(),
    ),
    "effluent record off by a factor": (
        "instrument",
        {"coefficient", "full_pipe_factor", "logger_doubles"},
        {
            "wrong_size",
            "unit_slip",
            "velocity_bias_low_depth",
            "pipe_not_full",
            "bypass",
            "second_outlet",
            "solids_on_floor",
        },
    ),
    "zero error of the head sensor": (
        "instrument",
        {"level_zero"},
        {"solids_on_floor", "foam", "stuck_level"},
    ),
    "wrong device size or notch angle": ("instrument", {"wrong_size"}, {"unit_slip"}),
    "submergence of the device": ("instrument", {"backwater"}, {"solids_on_floor"}),
    "clock of the record or periods shifted": (
        "instrument",
        {"clock_shift"},
        {"bill_shifted_dates"},
    ),
    "supply meter off": (
        "supply meter",
        {"supply_slow", "supply_fast"},
        {"supply_stopped", "supply_low_flow", "meter_backwards", "supply_chatter"},
    ),
    "leak after the meter, not to the sewer": (
        "site",
        {"leak_after"},
        {"thief_hose", "tank_overflow", "frozen_pipe", "hauled", "evaporation_pond"},
    ),
    "unmetered source or steady ground water": (
        "site",
        {"well", "neighbour_return", "ground_water", "leak_before", "illegal_connection"},
        {"ground_water_season", "roof_water"},
    ),
    "rain or ground water in the monitored line": (
        "nature",
        {"roof_water", "ground_water_season"},
        {"ground_water"},
    ),
    "seasonal use not accounted for": (
        "site",
        {"irrigation_unlisted", "cooling_unlisted", "humidification_unlisted"},
        {"evaporation_pond", "thief_hose", "boiler_losses", "product_estimate", "laundry_estimate"},
    ),
    "unit of the record mistaken": ("instrument", {"unit_slip", "logger_doubles"}, {"wrong_size"}),
    "low flows read wrong": (
        "instrument",
        {"velocity_bias_low_depth", "pipe_not_full"},
        {"level_zero", "solids_on_floor", "full_pipe_factor"},
    ),
    "level read high in busy hours": ("instrument", {"foam"}, {"backwater", "solids_on_floor"}),
    "water that passes round the device": (
        "instrument",
        {"bypass", "second_outlet"},
        {"coefficient"},
    ),
    "supply meter stopped": (
        "supply meter",
        {"supply_stopped"},
        {"meter_backwards", "supply_slow"},
    ),
    "supply meter misses low flows": (
        "supply meter",
        {"supply_low_flow"},
        {"supply_slow"},
    ),
    "a listed use wrongly stated": (
        "site",
        {"product_estimate", "laundry_estimate", "boiler_losses"},
        set(),
    ),
    "a fixed volume added to the invoices": ("biller", {"bill_surcharge_volume"}, set()),
    "none of these (estimates)": (
        "outside",
        {
            "foam",
            "stuck_level",
            "logger_doubles",
            "meter_backwards",
            "supply_chatter",
            "thief_hose",
            "illegal_connection",
            "evaporation_pond",
            "frozen_pipe",
        },
        set(),
    ),
    "none of these (bill)": ("outside", {"bill_growing_allowance"}, {"bill_surcharge_volume"}),
    "unit mistaken": ("biller", {"bill_unit"}, {"bill_multiplier"}),
    "register multiplier wrong": ("biller", {"bill_multiplier"}, {"bill_unit"}),
    "billed share not applied as scheduled": ("biller", {"bill_factor_missing"}, set()),
    "deduct credit missing or reversed": (
        "biller",
        {"bill_deduct_missing", "bill_deduct_reversed"},
        set(),
    ),
    "billed on the deduct meter": ("biller", set(), set()),
    "billed on another account's reads": ("biller", {"bill_other_account"}, set()),
    "estimated reads": ("biller", {"bill_estimated"}, {"bill_misread"}),
    "one read wrong and set right by the next": ("biller", {"bill_misread"}, {"bill_estimated"}),
    "a period billed twice": ("biller", {"bill_twice"}, set()),
    "reads on other dates than stated": ("biller", {"bill_shifted_dates"}, {"clock_shift"}),
    "days counted otherwise": ("biller", set(), {"bill_shifted_dates"}),
    "roll-over of the register mishandled": ("biller", set(), set()),
    "low-flow register of a compound meter not billed": ("biller", {"bill_low_register"}, set()),
    "two meters in series both billed": ("biller", {"bill_series"}, set()),
}

# the codes under `signatures`: exact errors of invoices, set aside before anything is explained
SIGNATURES = {
    "estimated-read": {"bill_estimated"},
    "another-account": {"bill_other_account"},
    "unexplained-volume": set(),
    "deduct-missing": {"bill_deduct_missing"},
    "deduct-reversed": {"bill_deduct_reversed"},
    "deduct-added": {"bill_deduct_reversed"},
    "unit-swap": {"bill_unit"},
    "multiplier": {"bill_multiplier"},
    "register-multiplier": {"bill_multiplier"},
    "counted-twice": {"bill_twice", "bill_series"},
    "register-left-out": {"bill_low_register"},
    "deduct-of-another-period": {"bill_deduct_missing"},
    "period-length": set(),
    "misread": {"bill_misread"},
    "billed-twice": {"bill_twice"},
    "return-factor-missing": {"bill_factor_missing"},
    "other-account": {"bill_other_account"},
    "wrong-account": {"bill_other_account"},
    "invoice-arithmetic": set(),
    "wrong-rate-version": set(),
}

# --- units (exact by definition) -----------------------------------------------------------------

GAL = Fraction(231 * 254**3, 10**12)  # m3: 231 cubic inches
M3 = {
    "gal": GAL,
    "kgal": 1000 * GAL,
    "cf": 1728 * GAL / 231,
    "CCF": 172800 * GAL / 231,
    "m3": Fraction(1),
}
LENGTH = {"in": 0.0254, "cm": 0.01, "ft": 0.3048, "mm": 0.001, "m": 1.0}
FLOW = {"gpm": float(GAL) / 60, "L/s": 0.001, "m3/h": 1 / 3600}
G = 9.80665


# --- devices: discharge of a head, written from the published equations --------------------------

PARSHALL = {
    "2 in": (0.676, 1.55, 0.24),
    "3 in": (0.992, 1.547, 0.33),
    "6 in": (2.06, 1.58, 0.45),
    "9 in": (3.07, 1.53, 0.61),
    "12 in": (4.0, 1.522, 0.75),
}  # cfs, ft; limit in m


@dataclass
class Device:
    """One way of measuring: how heads follow from true flows, and what the case says of it."""

    name: str  # parshall, v-notch, long-throated, area-velocity, full-pipe
    size: str
    largest: float  # largest head in m
    other: str = ""  # the size it really has, where the case is wrong

    def rating(self, h, size=None):
        h, size = np.maximum(np.asarray(h, float), 0.0), size or self.size
        if self.name == "parshall":
            c, n, _ = PARSHALL[size]
            return c * (h / 0.3048) ** n * 0.3048**3
        if self.name == "v-notch":
            angle = float(size.split()[0])
            ce, kh = {90.0: (0.578, 0.00088), 60.0: (0.5765, 0.0012), 45.0: (0.580, 0.0015)}[angle]
            q = 8 / 15 * np.sqrt(2 * G) * ce * np.tan(np.radians(angle / 2)) * (h + kh) ** 2.5
            return np.where(h > 0, q, 0.0)
        if self.name == "long-throated":
            b, length = float(size.split()[0]), 0.9
            hh, q = h.copy(), np.zeros_like(h)
            for _ in range(12):
                cd = (1 - 0.006 * length / b) * np.maximum(
                    1 - 0.003 * length / np.maximum(h, 0.02), 0.5
                ) ** 1.5
                q = cd * (2 / 3) ** 1.5 * np.sqrt(G) * b * hh**1.5
                hh = h + (q / np.maximum(2 * b * h, 1e-6)) ** 2 / (2 * G)
            return q
        if self.name == "area-velocity":
            area, radius = self.area(h, size)
            return area * radius ** (2 / 3) * np.sqrt(0.006) / 0.013
        raise ValueError(self.name)

    def area(self, h, size=None):
        """Wetted area and hydraulic radius of a circular pipe."""
        d = float((size or self.size).split()[0]) * 0.0254
        y = np.clip(np.asarray(h, float), 0.0, d)
        angle = 2 * np.arccos(1 - 2 * y / d)
        area = d**2 / 8 * (angle - np.sin(angle))
        return area, np.divide(area, d * angle / 2, out=np.zeros_like(area), where=angle > 0)

    def head(self, q, size=None):
        grid = np.linspace(0, self.largest * 1.6, 3000)
        if self.name == "area-velocity":
            grid = grid[grid <= 0.93 * float((size or self.size).split()[0]) * 0.0254]
        return np.interp(q, self.rating(grid, size), grid)

    def lines(self):
        """What the case says of it."""
        wide = f"{2 * float(self.size.split()[0]):g} m" if self.name == "long-throated" else ""
        return {
            "parshall": ['method = "parshall flume"', f'throat = "{self.size}"'],
            "v-notch": [
                'method = "v-notch weir"',
                f'angle = "{self.size}"',
                'crest_height = "0.6 m"',
                'channel_width = "1.5 m"',
            ],
            "long-throated": [
                'method = "long-throated flume"',
                f'throat_width = "{self.size}"',
                'throat_length = "0.9 m"',
                f'approach_width = "{wide}"',
            ],
            "area-velocity": ['method = "area velocity"', f'diameter = "{self.size}"'],
            "full-pipe": ['method = "full pipe"'],
        }[self.name]


def device_for(name: str, peak: float) -> Device:
    """The smallest usual size that passes the peak flow (m3/s) with room to spare."""
    if name == "full-pipe":
        return Device(name, "full", 1.0)
    sizes = {
        "parshall": [(s, PARSHALL[s][2]) for s in PARSHALL],
        "v-notch": [("60 deg", 0.23), ("90 deg", 0.23), ("90 deg", 0.36)],
        "long-throated": [(f"{b} m", 0.42) for b in (0.1, 0.15, 0.2, 0.3, 0.4)],
        "area-velocity": [(f"{d} in", d * 0.0254) for d in (6, 8, 10, 12, 15, 18, 24)],
    }[name]
    for size, largest in sizes:
        device = Device(name, size, largest)
        if device.rating(np.array([0.72 * largest]))[0] >= peak:
            return device
    raise ValueError(f"no {name} passes {peak:.4f} m3/s")


# --- the kinds of sites --------------------------------------------------------------------------
# daily volume in m3; weekday factors, Monday first; hours of work; share that never stops; uses

KINDS = {
    "brewery": dict(
        volume=650,
        week=(1, 1.05, 1.1, 1.05, 0.9, 0.35, 0.15),
        hours=(5, 23),
        night=0.12,
        uses=("product",),
        devices=("parshall", "long-throated"),
        cip=True,
    ),
    "laundry": dict(
        volume=280,
        week=(1.1, 1, 1, 1, 1, 0.5, 0.04),
        hours=(6, 19),
        night=0.04,
        uses=("linen",),
        devices=("area-velocity", "parshall"),
        cip=False,
    ),
    "food plant": dict(
        volume=900,
        week=(1, 1, 1, 1, 1, 0.8, 0.3),
        hours=(4, 22),
        night=0.15,
        uses=("cooling",),
        devices=("parshall", "long-throated"),
        cip=True,
    ),
    "hotel": dict(
        volume=160,
        week=(0.9, 0.9, 0.9, 0.95, 1.1, 1.2, 1.05),
        hours=(6, 24),
        night=0.2,
        uses=("irrigation",),
        devices=("v-notch", "full-pipe"),
        cip=False,
    ),
    "hospital": dict(
        volume=380,
        week=(1.05, 1.05, 1.05, 1.05, 1, 0.85, 0.85),
        hours=(6, 22),
        night=0.35,
        uses=("boiler", "humidification"),
        devices=("area-velocity", "full-pipe", "parshall"),
        cip=False,
    ),
    "metal finisher": dict(
        volume=300,
        week=(1, 1, 1, 1, 1, 0.9, 0.85),
        hours=(0, 24),
        night=0.8,
        uses=("tanks",),
        devices=("v-notch", "full-pipe"),
        cip=False,
    ),
    "cannery": dict(
        volume=500,
        week=(1, 1, 1, 1, 1, 0.9, 0.5),
        hours=(4, 24),
        night=0.15,
        uses=("product",),
        devices=("parshall", "long-throated"),
        cip=True,
    ),
    "car wash": dict(
        volume=55,
        week=(0.8, 0.8, 0.8, 0.9, 1.2, 1.6, 1.1),
        hours=(7, 21),
        night=0.03,
        uses=("carried out",),
        devices=("v-notch", "none"),
        cip=False,
    ),
    "research campus": dict(
        volume=420,
        week=(1.1, 1.1, 1.1, 1.1, 1.05, 0.6, 0.55),
        hours=(7, 21),
        night=0.3,
        uses=("cooling", "irrigation"),
        devices=("area-velocity", "none"),
        cip=False,
    ),
}
ZONES = ("America/Chicago", "America/New_York", "America/Denver", "America/Phoenix")
BILLING = (
    ("kgal", "gal", 100),
    ("CCF", "cf", 10),
    ("m3", "m3", 1),
    ("kgal", "gal", 1000),
    ("gal", "gal", 10),
)


@dataclass
class Use:
    """Water that does not reach the sewer: what it truly is, and how the case knows it."""

    name: str
    true: np.ndarray
    way: str  # meter, meter and drain, share, loads, shipments, monthly
    credited: bool = False
    listed: bool = True
    stated: float = 1.0  # what the case states over what is true
    drain: np.ndarray | None = None  # of a metered use: what runs back to the sewer


@dataclass
class World:
    """All that is true of a site, and what its instruments, its case and its biller make of it."""

    kind: str
    seed: int
    rng: np.random.Generator
    zone: str
    minutes: int
    time: pd.DatetimeIndex  # UTC, one row per interval
    ends: list  # invoice boundaries, UTC
    rain: np.ndarray  # mm per row
    warm: np.ndarray  # 0 in the depth of winter, 1 at midsummer
    process: np.ndarray  # m3/s that return to the sewer
    busy: np.ndarray  # relative activity
    uses: dict
    lost: np.ndarray  # behind the meter, never reaching the sewer, unlisted
    gain: np.ndarray  # reaching the sewer above the device without a meter
    hauled: np.ndarray  # taken away before the device
    around: np.ndarray  # reaching the sewer, but not through the device
    billing: tuple = ()
    return_factor: float = 1.0
    basis: str = "intake"
    device: Device | None = None
    register: np.ndarray | None = None  # what the supply meter counts, m3/s
    low_register: np.ndarray | None = None
    level_error: np.ndarray | float = 0.0
    head_of: object = None  # acts on the head of the water: backwater
    record_of: object = None  # acts on what is written, after all else: list of functions
    real_factor: np.ndarray | float = 1.0
    velocity_of: object = None
    sediment: np.ndarray | float = 0.0
    unit_shown: tuple = ()
    clock: np.ndarray | float = 0.0  # minutes the logger's clock is ahead
    bill_faults: list = field(default_factory=list)
    rain_shown: str = ""  # "", column, gauge
    visits: bool = False
    notes: dict = field(default_factory=dict)

    @property
    def seconds(self):
        return self.minutes * 60.0

    def period(self, k):
        return np.asarray((self.time >= self.ends[k]) & (self.time < self.ends[k + 1]))

    @property
    def inside(self):
        return np.asarray((self.time >= self.ends[0]) & (self.time < self.ends[-1]))

    def volumes(self, flow):
        """m3 in each invoice."""
        edges = edges_of(self)
        total = np.concatenate([[0.0], np.cumsum(flow) * self.seconds])
        at = np.interp([e.value for e in self.ends], edges, total)
        return np.diff(at)

    @property
    def intake(self):
        return self.process + sum(u.true for u in self.uses.values()) + self.lost

    @property
    def discharge(self):
        lag = pd.Series(self.process).ewm(halflife=max(45 / self.minutes, 0.5)).mean().to_numpy()
        back = sum(u.drain for u in self.uses.values() if u.drain is not None)
        return np.maximum(lag + back + self.gain - self.hauled, 0.0)


def edges_of(w: World) -> np.ndarray:
    """The instants between the rows, in nanoseconds."""
    at = w.time.as_unit("ns").asi8
    return np.append(at, at[-1] + int(w.seconds * 1e9))


def weather(rng, time, year_rain=850.0):
    """Rain per row (mm) and warmth between 0 and 1."""
    day = time.day_of_year.to_numpy() + time.hour.to_numpy() / 24
    warm = 0.5 - 0.5 * np.cos(2 * np.pi * (day - 20) / 365.25)
    rain = np.zeros(len(time))
    per_day = round(86400 / (time[1] - time[0]).total_seconds())
    for d in range(len(time) // per_day):
        if rng.random() < 0.26:
            length = int(rng.uniform(0.05, 0.45) * per_day)
            at = d * per_day + int(rng.integers(per_day))
            shape = rng.gamma(1.2, size=max(length, 1))
            piece = shape / shape.sum() * rng.exponential(year_rain / 95)
            stop = min(at + len(piece), len(rain))
            rain[at:stop] += piece[: stop - at]
    return np.round(rain, 3), warm


def activity(rng, kind, local, per_day):
    """Relative demand of each row: hours, weekdays, holidays, production, noise."""
    k = KINDS[kind]
    hour = local.hour.to_numpy() + local.minute.to_numpy() / 60
    a, b = k["hours"]
    shift = np.clip((hour - a + 0.5), 0, 1) * np.clip((b + 0.5 - hour), 0, 1)
    if kind in ("hotel", "hospital"):
        shift = shift * (
            0.7
            + 0.8 * np.exp(-(((hour - 8) / 1.7) ** 2))
            + 0.5 * np.exp(-(((hour - 19.5) / 2.2) ** 2))
        )
    if kind == "car wash":
        shift = shift * (0.5 + np.exp(-(((hour - 14) / 3.5) ** 2)))
    week = np.array(k["week"])[local.day_of_week.to_numpy()]
    dates = local.strftime("%m-%d")
    shut = np.isin(dates, ["12-25", "12-26", "01-01", "07-04", "11-28"])
    if kind in ("metal finisher", "laundry", "food plant"):
        shut |= np.isin(dates, ["12-27", "12-28", "12-29", "12-30", "12-31"])
    factor = {"hotel": 0.8, "hospital": 0.9, "car wash": 0.3}.get(kind, 0.12)
    days = len(local) // per_day + 2
    slow = pd.Series(rng.normal(size=days)).ewm(halflife=9).mean().to_numpy()
    daily = np.exp(0.35 * slow + 0.06 * rng.normal(size=days))
    day = np.repeat(daily, per_day)[: len(local)]
    month = local.month.to_numpy()
    season = np.ones(len(local))
    if kind == "cannery":
        season = np.where(np.isin(month, (7, 8, 9, 10)), 2.6, np.where(month == 6, 1.3, 0.45))
    if kind == "hotel":
        season = 0.75 + 0.5 * np.isin(month, (6, 7, 8, 12))
    work = shift * week * day * season * np.where(shut, factor, 1.0)
    noise = pd.Series(rng.normal(size=len(local))).ewm(halflife=2).mean().to_numpy()
    work = work * np.exp(0.22 * noise)
    if k["cip"]:  # cleaning in place: short strong flows
        events = rng.random(len(local)) < 1.3 / per_day
        work = work + 2.2 * events * week * season
    night = k["night"] * (1 + 0.08 * rng.normal(size=len(local)))
    return work + np.maximum(night, 0.1 * k["night"]) * work.mean()


def site(kind: str, seed: int, cause_names=()) -> World:
    """A fair world of this kind: everything works within what is usual."""
    rng = np.random.default_rng([seed, list(KINDS).index(kind), 77])
    n = int(rng.choice([8, 9, 10, 12, 12, 14, 18, 24]))
    needs_year = {
        "season",
        "irrigation_unlisted",
        "cooling_unlisted",
        "humidification_unlisted",
        "ground_water_season",
        "evaporation_pond",
        "frozen_pipe",
    } & set(cause_names)
    if (needs_year or kind == "cannery") and n < 12:
        n = 12
    minutes = 15 if n <= 10 else 20 if n <= 14 else 30
    zone = str(rng.choice(ZONES))
    day = pd.Timestamp(
        int(rng.choice([2023, 2024])),
        int(rng.integers(1, 13)),
        int(rng.integers(2, 25)),
        8,
        tz=zone,
    )
    ends = [day]
    for _ in range(n):
        day = day.tz_localize(None) + pd.Timedelta(days=int(rng.integers(28, 34)))
        day = day.tz_localize(zone)
        ends.append(day)
    ends = [e.tz_convert("UTC") for e in ends]
    start = ends[0].normalize() - pd.Timedelta(days=5)
    time = pd.date_range(start, ends[-1].normalize() + pd.Timedelta(days=6), freq=f"{minutes}min")
    local = time.tz_convert(zone)
    per_day = 1440 // minutes
    rain, warm = weather(rng, time)
    busy = activity(rng, kind, local, per_day)
    busy = busy / busy.mean()
    zero = np.zeros(len(time))
    total = KINDS[kind]["volume"] * rng.uniform(0.75, 1.35) / 86400
    w = World(
        kind,
        seed,
        rng,
        zone,
        minutes,
        time,
        ends,
        rain,
        warm,
        total * busy,
        busy,
        {},
        zero.copy(),
        zero.copy(),
        zero.copy(),
        zero.copy(),
    )
    odd = str(rng.choice(["", "", "", "running toilets", "weeks of standstill", "new line"]))
    w.notes["odd"] = odd  # unusual, and nothing is wrong with it
    at = float(rng.uniform(0.25, 0.7)) * len(time)
    if odd == "running toilets":
        w.process += 0.12 * total * (np.arange(len(time)) > at)
    elif odd == "weeks of standstill":
        w.process *= np.where(np.abs(np.arange(len(time)) - at) < 9 * per_day, 0.3, 1.0)
    elif odd == "new line":
        w.process *= np.where(np.arange(len(time)) > at, 1.35, 1.0)
    for use in KINDS[kind]["uses"]:
        w.uses[use] = make_use(w, use, total)
    w.billing = BILLING[int(rng.integers(len(BILLING)))]
    intake, sewer = w.intake[w.inside].mean(), w.discharge[w.inside].mean()
    credited = sum(u.true[w.inside].mean() for u in w.uses.values() if u.credited)
    w.return_factor = round(float(sewer / (intake - credited)), 2)
    w.basis = "intake less deduct" if any(u.credited for u in w.uses.values()) else "intake"
    if kind == "metal finisher" and rng.random() < 0.5:
        w.basis, w.return_factor = "discharge", 1.0
    w.rain_shown = str(rng.choice(["", "", "column", "gauge"]))
    w.visits = bool(rng.random() < 0.35)  # a quarter of all: some devices have none
    return w


def make_use(w: World, name: str, total: float) -> Use:
    rng, hour = w.rng, w.time.tz_convert(w.zone).hour.to_numpy()
    if name == "product":
        return Use(
            name, total * rng.uniform(0.10, 0.20) * w.busy, str(rng.choice(["share", "shipments"]))
        )
    if name == "linen":
        return Use(name, total * rng.uniform(0.06, 0.10) * w.busy, "loads")
    if name == "cooling":
        evaporated = total * rng.uniform(0.10, 0.18) * (0.25 + 1.2 * w.warm) * (0.6 + 0.4 * w.busy)
        return Use(name, evaporated, "meter and drain", credited=True, drain=None)
    if name == "irrigation":
        dry = pd.Series(w.rain).rolling(int(2880 / w.minutes), min_periods=1).sum().to_numpy() < 6
        on = ((hour >= 4) & (hour < 7)) * np.clip(w.warm - 0.35, 0, None) * dry
        return Use(name, total * rng.uniform(1.2, 2.2) * on, "meter", credited=True)
    if name == "boiler":
        return Use(
            name,
            total * rng.uniform(0.04, 0.08) * (1.4 - 0.8 * w.warm),
            "meter and drain",
            credited=True,
        )
    if name == "humidification":
        return Use(
            name, total * rng.uniform(0.02, 0.04) * np.clip(1 - 1.6 * w.warm, 0, 1), "monthly"
        )
    share = {"tanks": 0.03, "carried out": 0.09}[name] * rng.uniform(0.8, 1.2)
    return Use(name, total * share * w.busy, "share")


# --- shapes --------------------------------------------------------------------------------------


def profile(w: World, rng, shape: str) -> np.ndarray:
    """Between 0 and 1 over time."""
    n = len(w.ends) - 1
    if shape == "constant":
        return np.ones(len(w.time))
    if shape == "step":
        at = w.ends[int(rng.integers(2, n - 1))] + pd.Timedelta(days=float(rng.uniform(-12, 12)))
        return np.asarray(w.time >= at, float)
    if shape == "ramp":
        a = w.ends[0] + (w.ends[-1] - w.ends[0]) * float(rng.uniform(0, 0.3))
        x = (w.time - a) / (w.ends[-1] - a)
        return np.clip(np.asarray(x, float), 0, 1)
    if shape == "one period":
        return w.period(int(rng.integers(1, n - 1))).astype(float)
    if shape == "season":
        middle = w.ends[0] + (w.ends[-1] - w.ends[0]) * float(rng.uniform(0.25, 0.75))
        x = (w.time.day_of_year.to_numpy() - middle.day_of_year) / 365.25
        return np.clip(np.cos(2 * np.pi * x), 0, 1)
    raise ValueError(shape)


# --- causes: water -------------------------------------------------------------------------------


def share_of(w, flow):
    return float(flow[w.inside].sum() / w.intake[w.inside].sum())


def leak_after(w, rng, sign, p, size):
    w.lost += size * w.process.mean() * p


def tank_overflow(w, rng, sign, p, size):
    q = np.zeros(len(p))
    quiet = w.busy < np.quantile(w.busy, 0.45)
    for _ in range(int(len(p) * w.minutes / 1440 / 4)):
        at = int(rng.integers(len(p)))
        q[at : at + int(360 / w.minutes)] = 1.0
    q = q * quiet * p
    w.lost += size * w.process.sum() / max(q.sum(), 1) * q * max(p.mean(), 0.15)


def leak_before(w, rng, sign, p, size):
    w.gain += size * w.process.mean() * p


def well(w, rng, sign, p, size):
    w.gain += size * w.process.mean() * p * np.where(w.busy > 0.6, w.busy, 0.05)


def neighbour_return(w, rng, sign, p, size):
    hour = w.time.tz_convert(w.zone).hour.to_numpy()
    on = ((hour >= 7) & (hour < 18)) * (w.time.tz_convert(w.zone).day_of_week.to_numpy() < 5)
    w.gain += size * w.process.mean() * p * on / on.mean()


def illegal_connection(w, rng, sign, p, size):
    hour = w.time.tz_convert(w.zone).hour.to_numpy()
    home = 0.15 + np.exp(-(((hour - 7) / 1.5) ** 2)) + np.exp(-(((hour - 20) / 2.0) ** 2))
    w.gain += size * w.process.mean() * p * home / home.mean() * rng.gamma(2, 0.5, len(p))


def ground_water(w, rng, sign, p, size):
    w.gain += size * w.process.mean() * p


def ground_water_season(w, rng, sign, p, size):
    rows = 1440 / w.minutes
    store = pd.Series(w.rain * (1.15 - w.warm)).ewm(halflife=rng.uniform(9, 20) * rows).mean()
    q = store.to_numpy() ** 1.3
    w.gain += size * w.process.mean() * q / q.mean()


def roof_water(w, rng, sign, p, size):
    prompt = pd.Series(w.rain).ewm(halflife=max(30 / w.minutes, 0.7)).mean().to_numpy()
    w.gain += min(size, 0.09) * w.process.mean() * prompt / prompt.mean() * p


def unlist(name):
    def cause(w, rng, sign, p, size):
        if name not in w.uses:
            w.uses[name] = make_use(w, name, w.process.mean())
        use = w.uses[name]
        scale = size / max(share_of(w, use.true), 1e-9)
        use.true = use.true * min(max(scale, 0.5), 4.0)
        use.listed, use.credited = False, False  # nor does the town know of it

    return cause


def misjudge(*names):
    """The case states too much or too little of a use that is only estimated."""

    def cause(w, rng, sign, p, size):
        use = w.uses[next(n for n in names if n in w.uses)]
        use.stated = max(1 + sign * size / share_of(w, use.true), 0.1)
        return sign * abs(use.stated - 1) * share_of(w, use.true)

    return cause


def hauled(w, rng, sign, p, size):
    hour = w.time.tz_convert(w.zone).hour.to_numpy()
    days = np.repeat(rng.random(len(p) // (1440 // w.minutes) + 2) < 0.5, 1440 // w.minutes)
    on = ((hour >= 9) & (hour < 14)) * days[: len(p)] * p
    room = 0.85 * w.discharge
    w.hauled += np.minimum(size * w.process.sum() * p.mean() / max(on.sum(), 1) * on, room)


def evaporation_pond(w, rng, sign, p, size):
    q = np.clip(w.warm - 0.3, 0, None) * (w.rain == 0)
    w.hauled += np.minimum(size * w.process.mean() * q / q.mean(), 0.9 * w.discharge)


def thief_hose(w, rng, sign, p, size):
    hour = w.time.tz_convert(w.zone).hour.to_numpy()
    rows = 1440 // w.minutes
    nights = np.repeat(rng.random(len(p) // rows + 2) < 0.4, rows)[: len(p)]
    on = ((hour >= 22) | (hour < 3)) * nights * p
    w.lost += size * w.process.sum() * p.mean() / max(on.sum(), 1) * on


def frozen_pipe(w, rng, sign, p, size):
    days = int(rng.uniform(14, 40) * 1440 / w.minutes)
    rows = np.flatnonzero(w.inside)[:-days]
    cold = int(rows[np.argmin(w.warm[rows] + 0.02 * rng.random(len(rows)))])
    q = np.zeros(len(p))
    q[cold : cold + days] = 1.0
    w.lost += min(4 * size, 0.6) * w.process.mean() * q


def bypass(w, rng, sign, p, size):
    q = w.discharge
    over = np.clip(q - np.quantile(q, 0.6), 0, None)
    w.around += np.minimum(size * q.mean() * over / over.mean() * p, 0.7 * q)


def second_outlet(w, rng, sign, p, size):
    w.around += size * w.discharge * p


def basis_without_deduct(w, rng, sign, p, size):
    """A real and listed use of water that the schedule gives no credit for."""
    for use in w.uses.values():
        use.credited = False
    w.basis, w.return_factor = "intake", 1.0
    use = next(iter(w.uses.values()))
    use.true = use.true * min(max(size / max(share_of(w, use.true), 1e-9), 1.0), 3.0)


# --- causes: the supply meter --------------------------------------------------------------------


def supply_factor(w, rng, sign, p, size):
    w.register = w.register * (1 + sign * size * p)


def supply_stopped(w, rng, sign, p, size):
    k = int(rng.integers(1, len(w.ends) - 2))
    a = w.ends[k] + pd.Timedelta(days=float(rng.uniform(1, 20)))
    b = a + pd.Timedelta(days=float(rng.uniform(9, 45)))
    w.register = np.where((w.time >= a) & (w.time < b), 0.0, w.register)


def supply_low_flow(w, rng, sign, p, size):
    limit = np.quantile(w.intake, rng.uniform(0.35, 0.6))
    low = w.intake < limit
    w.register = np.where(low, w.register * (1 - 0.8 * p), w.register)


def supply_chatter(w, rng, sign, p, size):
    """A swinging check valve: at night the meter counts water that goes back and forth."""
    quiet = w.busy < np.quantile(w.busy, 0.4)
    w.register = w.register + size * w.intake.mean() / quiet.mean() * quiet * p


def meter_backwards(w, rng, sign, p, size):
    """After a repair the electronic meter stood the wrong way: for a month it counted 35 % less."""
    w.register = np.where(p > 0, 0.65 * w.register, w.register)


# --- causes: the instrument ----------------------------------------------------------------------


def solve(w, act, target):
    """The amplitude with which `act(amplitude)` makes the record this share higher or lower."""
    base = act(0.0)[w.inside].sum()
    low, high = 0.0, 1.0
    for _ in range(40):
        mid = (low + high) / 2
        if abs(act(mid)[w.inside].sum() / base - 1) < abs(target):
            low = mid
        else:
            high = mid
    return low


def level_zero(w, rng, sign, p, size):
    h = w.device.head(w.discharge - w.around)
    scale = 0.5 * w.device.largest
    if w.device.name == "area-velocity":
        v = (w.discharge - w.around) / np.maximum(w.device.area(h)[0], 1e-6)
        a = solve(w, lambda x: v * w.device.area(h + sign * x * scale)[0], size)
    else:
        a = solve(w, lambda x: w.device.rating(h + sign * x * scale), size)
    w.level_error = w.level_error + sign * a * scale * p


def coefficient(w, rng, sign, p, size):
    w.real_factor = w.real_factor / (1 + sign * size * p)


def wrong_size(w, rng, sign, p, size):
    """What stands in the manhole is not what the case says."""
    d = w.device
    options = {
        "parshall": list(PARSHALL),
        "v-notch": ["45 deg", "60 deg", "90 deg"],
        "long-throated": [
            "0.1 m",
            "0.125 m",
            "0.15 m",
            "0.2 m",
            "0.25 m",
            "0.3 m",
            "0.35 m",
            "0.4 m",
        ],
        "area-velocity": [f"{x} in" for x in (6, 8, 10, 12, 15, 18, 21, 24)],
    }[d.name]
    k = options.index(d.size)
    d.other = options[min(max(k - sign, 0), len(options) - 1)]
    if d.other == d.size:
        d.other = options[k + (1 if k == 0 else -1)]


def unit_slip(w, rng, sign, p, size):
    """The export's heading says another unit than the logger wrote (from a date on, or always)."""
    shown, wrote = (
        (("L/s", "gpm"), ("gpm", "m3/h"), ("gpm", "L/s"))[int(rng.integers(3))]
        if w.device.name == "full-pipe"
        else (("in", "cm"), ("cm", "in"), ("ft", "m"))[int(rng.integers(3))]
    )
    w.unit_shown = (shown, wrote, p)


def clock_shift(w, rng, sign, p, size):
    w.clock = w.clock + sign * float(rng.choice([12, 24, 36, 72])) * 60 * p


def backwater(w, rng, sign, p, size):
    q = w.discharge - w.around
    h = w.device.head(q)
    over = (
        np.clip((q - np.quantile(q, 0.55)) / (np.quantile(q, 0.999) - np.quantile(q, 0.55)), 0, 1)
        * p
    )
    a = solve(w, lambda x: w.device.rating(h * (1 + 2 * x * over)), size)
    w.head_of = lambda head: head * (1 + 2 * a * over)


def solids_on_floor(w, rng, sign, p, size):
    """Mud grows under the water and is flushed out now and then; the surface stands higher."""
    saw, grow = np.zeros(len(p)), 0.0
    for k in range(len(p)):
        grow = min(grow + 1 / (30 * 1440 / w.minutes), 1.6)
        if rng.random() < w.minutes / 1440 / 70:
            grow = 0.0
        saw[k] = grow
    if w.device.name == "area-velocity":
        w.sediment = 0.09 * float(w.device.size.split()[0]) * 0.0254 * saw
    else:
        level_zero(w, rng, 1, saw * p, size)


def velocity_bias(w, rng, sign, p, size):
    def act(depth, v):
        low = depth < np.quantile(depth, 0.55)
        return np.where(low, v * (1 + sign * min(2.5 * size, 0.7) * p), v)

    w.velocity_of = act


def pipe_not_full(w, rng, sign, p, size):
    """At low flow air stands in the trap and the meter multiplies by an area that is not wet."""

    def act(record):
        low = record < np.quantile(record, 0.5)
        return np.where(low, record * (1 + (0.35 + size) * p), record)

    w.record_of.append(act)


def logger_doubles(w, rng, sign, p, size):
    w.record_of.append(lambda q: q * (1 + p))


def foam(w, rng, sign, p, size):
    busy = (w.busy > np.quantile(w.busy, 0.65)) * p
    level_zero(w, rng, 1, busy, size * 1.5)


def stuck_level(w, rng, sign, p, size):
    """For days the reading holds its last value."""
    held = np.zeros(len(p), bool)
    for _ in range(int(len(p) * w.minutes / 1440 / 9)):
        at = int(rng.integers(len(p)))
        held[at : at + int(rng.uniform(0.3, 4) * 1440 / w.minutes)] = True
    held &= p > 0
    w.notes["held"] = held


# --- causes: the bill ----------------------------------------------------------------------------
# Each acts on the table of the biller: columns prev, curr (counts), volume (Fraction, bill units),
# read_type. `some` are the invoices concerned.


def some_invoices(w, rng, shape):
    n = len(w.ends) - 1
    if shape == "constant":
        return list(range(n))
    if shape == "one period":
        return [int(rng.integers(1, n - 1))]
    return list(range(int(rng.integers(2, n - 1)), n))


def bill_scale(factors):
    def cause(w, rng, b, some, sign):
        for k in some:
            b["volume"][k] *= factors(rng, sign)

    return cause


def bill_unit(w, rng, b, some, sign):
    usual = {
        "kgal": (M3["kgal"] / M3["CCF"], Fraction(12009, 10000)),
        "gal": (M3["kgal"] / M3["CCF"], Fraction(12009, 10000)),
        "CCF": (M3["CCF"] / M3["kgal"], M3["CCF"]),
        "m3": (M3["kgal"], M3["CCF"]),
    }
    f = usual[w.billing[0]][int(rng.integers(2))]
    for k in some:
        b["volume"][k] *= max(f, 1 / f) if sign > 0 else min(f, 1 / f)


def bill_factor_missing(w, rng, b, some, sign):
    for k in some:
        b["volume"][k] = b["gross"][k] - b["deduct"][k]


def bill_deduct_missing(w, rng, b, some, sign):
    for k in some:
        b["volume"][k] = b["gross"][k] * b["factor"]


def bill_deduct_reversed(w, rng, b, some, sign):
    for k in some:
        b["volume"][k] = (b["gross"][k] + b["deduct"][k]) * b["factor"]


def bill_other_account(w, rng, b, some, sign):
    base, register = float(np.mean([float(g) for g in b["counts"]])), int(rng.integers(2e4, 3e5))
    scale = rng.uniform(1.3, 2.2) if sign > 0 else rng.uniform(0.4, 0.75)
    for k in some:
        counts = max(int(base * scale * rng.uniform(0.8, 1.2)), 1)
        b["prev"][k], b["curr"][k] = register, register + counts
        register += counts
        b["volume"][k] = (counts * b["per_count"] - b["deduct"][k]) * b["factor"]


def bill_estimated(w, rng, b, some, sign):
    n = len(b["volume"])
    k = int(rng.integers(1, n - 2))
    run = min(int(rng.integers(1, 4)), n - 1 - k)
    rate = (
        b["counts"][k - 1]
        / b["days"][k - 1]
        * float(rng.uniform(1.1, 1.3) if sign > 0 else rng.uniform(0.6, 0.85))
    )
    printed = "estimated" if rng.random() < 0.7 else "actual"
    reads = [b["prev"][j] for j in range(n)] + [b["curr"][-1]]
    for j in range(k, k + run):
        reads[j + 1] = reads[j] + int(rate * b["days"][j])
        b["read_type"][j] = printed
    actual = reads[k + run + 1]  # no estimate so high that the next bill would be a credit
    for j in range(k, k + run):
        reads[j + 1] = min(reads[j + 1], int(actual - 0.4 * b["counts"][k + run]))
    reread(b, reads)


def reread(b, reads):
    for j in range(len(b["volume"])):
        b["prev"][j], b["curr"][j] = reads[j], reads[j + 1]
        net = (reads[j + 1] - reads[j]) * b["per_count"] - b["deduct"][j]
        b["volume"][j] = max(net, Fraction(0)) * b["factor"]


def bill_misread(w, rng, b, some, sign):
    n = len(b["volume"])
    k = int(rng.integers(0, n - 1))
    reads = [b["prev"][j] for j in range(n)] + [b["curr"][-1]]
    slip = int(min(b["counts"][k], b["counts"][k + 1]) * rng.uniform(0.15, 0.5))
    reads[k + 1] += sign * max(slip, 1)
    reread(b, reads)


def bill_twice(w, rng, b, some, sign):
    k = int(rng.integers(1, len(b["volume"])))
    b["prev"][k] = b["prev"][k - 1]
    b["volume"][k] += b["volume"][k - 1]


def bill_shifted_dates(w, rng, b, some, sign):
    """The reads were taken days away from the printed dates: `make_bill` has moved them."""


def bill_surcharge_volume(w, rng, b, some, sign):
    extra = Fraction(
        float(np.mean([float(v) for v in b["volume"]])) * rng.uniform(0.06, 0.2)
    ).limit_denominator(10)
    for k in some:
        b["volume"][k] = max(b["volume"][k] + sign * extra, Fraction(0))


def bill_growing_allowance(w, rng, b, some, sign):
    n = len(b["volume"])
    for k in range(n):
        b["volume"][k] *= 1 + Fraction(int(sign * 180 * k / n), 1000)


def bill_low_register(w, rng, b, some, sign):
    for k in some:
        b["volume"][k] = (b["gross"][k] - b["low"][k] - b["deduct"][k]) * b["factor"]


def bill_series(w, rng, b, some, sign):
    for k in some:
        b["volume"][k] *= 2


# --- the table of causes -------------------------------------------------------------------------


@dataclass(frozen=True)
class Cause:
    act: object
    stage: str  # water, supply, instrument, bill
    party: str
    shapes: tuple
    signs: tuple = (1,)
    where: str = "any"  # any, head, level, area-velocity, full-pipe, record, ...
    separable: str = ""  # what totals and record can do in principle: a judgement
    outside: bool = False


ALL = ("constant", "step", "ramp", "one period", "season")
UP = (1,)
BOTH = (1, -1)
DOWN = (-1,)
NO = "no: totals and record alone cannot; "
CAUSES = {
    "level_zero": Cause(
        level_zero,
        "instrument",
        "instrument",
        ALL,
        BOTH,
        "level",
        separable="yes: distribution of heads and ratio at low against high flow",
    ),
    "coefficient": Cause(
        coefficient,
        "instrument",
        "instrument",
        ALL[:4],
        BOTH,
        "head",
        separable=NO + "a factor of the record is a factor of the supply meter",
    ),
    "wrong_size": Cause(
        wrong_size,
        "instrument",
        "instrument",
        ("constant",),
        BOTH,
        "level",
        separable="partly: the factor is one of a few",
    ),
    "unit_slip": Cause(
        unit_slip,
        "instrument",
        "instrument",
        ("constant", "step"),
        UP,
        "shown",
        separable="yes: the factor is a known one",
    ),
    "clock_shift": Cause(
        clock_shift,
        "instrument",
        "instrument",
        ("constant", "step"),
        BOTH,
        "record",
        separable="yes: weekends and nights stand at wrong times",
    ),
    "backwater": Cause(
        backwater,
        "instrument",
        "instrument",
        ("constant", "step", "season"),
        UP,
        "head",
        separable="yes: only high heads are too high",
    ),
    "solids_on_floor": Cause(
        solids_on_floor,
        "instrument",
        "instrument",
        ("constant",),
        UP,
        "level",
        separable="partly: saw teeth in the night heads",
    ),
    "velocity_bias_low_depth": Cause(
        velocity_bias,
        "instrument",
        "instrument",
        ("constant", "step"),
        BOTH,
        "area-velocity",
        separable="yes: depth and velocity part at low depth",
    ),
    "full_pipe_factor": Cause(
        coefficient,
        "instrument",
        "instrument",
        ("constant", "step", "ramp"),
        BOTH,
        "full-pipe",
        separable=NO + "a factor is a factor",
    ),
    "pipe_not_full": Cause(
        pipe_not_full,
        "instrument",
        "instrument",
        ("constant", "step"),
        UP,
        "full-pipe",
        separable="partly: only low flows are too high",
    ),
    "supply_slow": Cause(
        supply_factor,
        "supply",
        "supply meter",
        ALL[:3],
        DOWN,
        separable=NO + "a factor of the record would look alike",
    ),
    "supply_fast": Cause(
        supply_factor,
        "supply",
        "supply meter",
        ALL[:4],
        UP,
        separable=NO + "a factor of the record would look alike",
    ),
    "supply_stopped": Cause(
        supply_stopped,
        "supply",
        "supply meter",
        ("one period",),
        DOWN,
        separable="yes: reads between stand still while the sewer flows",
    ),
    "supply_low_flow": Cause(
        supply_low_flow,
        "supply",
        "supply meter",
        ("constant", "step"),
        DOWN,
        separable="partly: the share follows the quiet hours",
    ),
    "leak_after": Cause(
        leak_after, "water", "site", ALL, UP, separable="partly: constant per day, not by activity"
    ),
    "leak_before": Cause(
        leak_before,
        "water",
        "site",
        ("constant", "step", "ramp"),
        UP,
        separable="partly: night flow; as ground water",
    ),
    "well": Cause(
        well,
        "water",
        "site",
        ("constant", "step", "season"),
        UP,
        separable="partly: follows activity; as a factor of the supply meter",
    ),
    "neighbour_return": Cause(
        neighbour_return,
        "water",
        "site",
        ALL[:4],
        UP,
        separable="partly: working hours of somebody else",
    ),
    "ground_water": Cause(
        ground_water,
        "water",
        "nature",
        ("constant", "step"),
        UP,
        separable="partly: night flow; as any steady source",
    ),
    "ground_water_season": Cause(
        ground_water_season,
        "water",
        "nature",
        ("season",),
        UP,
        separable="yes: night flow recedes after rain over weeks",
    ),
    "roof_water": Cause(
        roof_water,
        "water",
        "nature",
        ("constant", "step"),
        UP,
        separable="yes: prompt with rain, in the record itself",
    ),
    "irrigation_unlisted": Cause(
        unlist("irrigation"),
        "water",
        "site",
        ("season",),
        DOWN,
        separable="partly: summer gap between intake and record",
    ),
    "cooling_unlisted": Cause(
        unlist("cooling"),
        "water",
        "site",
        ("season",),
        DOWN,
        separable="partly: summer gap, and some all year",
    ),
    "humidification_unlisted": Cause(
        unlist("humidification"),
        "water",
        "site",
        ("season",),
        DOWN,
        separable="partly: a winter gap",
    ),
    "product_estimate": Cause(
        misjudge("product"),
        "water",
        "site",
        ("constant",),
        BOTH,
        "product",
        separable=NO + "a share of intake, as a factor of a meter",
    ),
    "laundry_estimate": Cause(
        misjudge("linen"),
        "water",
        "site",
        ("constant",),
        BOTH,
        "linen",
        separable=NO + "a share of intake, as a factor of a meter",
    ),
    "boiler_losses": Cause(
        misjudge("boiler"),
        "water",
        "site",
        ("season",),
        BOTH,
        "boiler",
        separable="partly: a winter gap",
    ),
    "tank_overflow": Cause(
        tank_overflow,
        "water",
        "site",
        ("constant", "step", "one period"),
        UP,
        separable=NO + "as a leak by totals",
    ),
    "bypass": Cause(
        bypass,
        "water",
        "instrument",
        ("constant", "step", "one period"),
        DOWN,
        "record",
        separable="yes: only high flows are too low",
    ),
    "second_outlet": Cause(
        second_outlet,
        "water",
        "site",
        ("constant", "step"),
        DOWN,
        "record",
        separable=NO + "a factor of the record",
    ),
    "hauled": Cause(
        hauled,
        "water",
        "site",
        ("constant", "one period", "step"),
        DOWN,
        separable="partly: missing in some working hours only",
    ),
    "basis_without_deduct": Cause(
        basis_without_deduct,
        "water",
        "schedule",
        ("constant",),
        UP,
        "listed",
        separable="yes: balance and record agree",
    ),
    "bill_unit": Cause(
        bill_unit,
        "bill",
        "biller",
        ("constant", "step", "one period"),
        BOTH,
        separable="yes: exact factor of printed reads",
    ),
    "bill_multiplier": Cause(
        bill_scale(lambda g, s: 10 if s > 0 else Fraction(1, 10)),
        "bill",
        "biller",
        ("constant", "step", "one period"),
        BOTH,
        separable="yes: exact factor of printed reads",
    ),
    "bill_factor_missing": Cause(
        bill_factor_missing,
        "bill",
        "biller",
        ("constant", "step", "one period"),
        UP,
        "factor",
        separable="yes: printed reads",
    ),
    "bill_deduct_missing": Cause(
        bill_deduct_missing,
        "bill",
        "biller",
        ("constant", "step", "one period"),
        UP,
        "deduct",
        separable="yes: printed reads and the deduct meter",
    ),
    "bill_deduct_reversed": Cause(
        bill_deduct_reversed,
        "bill",
        "biller",
        ("constant", "step", "one period"),
        UP,
        "deduct",
        separable="yes: printed reads and the deduct meter",
    ),
    "bill_other_account": Cause(
        bill_other_account,
        "bill",
        "biller",
        ("step", "one period"),
        BOTH,
        separable="yes: printed reads do not follow each other",
    ),
    "bill_estimated": Cause(
        bill_estimated,
        "bill",
        "biller",
        ("one period",),
        BOTH,
        separable="yes: the site's own reads",
    ),
    "bill_misread": Cause(
        bill_misread, "bill", "biller", ("one period",), BOTH, separable="yes: the site's own reads"
    ),
    "bill_twice": Cause(
        bill_twice, "bill", "biller", ("one period",), UP, separable="yes: printed reads overlap"
    ),
    "bill_shifted_dates": Cause(
        bill_shifted_dates,
        "bill",
        "biller",
        ("constant",),
        BOTH,
        separable="partly: by the site's own reads",
    ),
    "bill_surcharge_volume": Cause(
        bill_surcharge_volume,
        "bill",
        "biller",
        ("constant", "step"),
        BOTH,
        separable="yes: the same volume beyond the reads",
    ),
    "bill_low_register": Cause(
        bill_low_register,
        "bill",
        "biller",
        ("constant", "step"),
        DOWN,
        "compound",
        separable="yes: the register that was left out",
    ),
    "bill_series": Cause(
        bill_series,
        "bill",
        "biller",
        ("constant", "step"),
        UP,
        separable="yes: exactly twice the reads",
    ),
    # outside any list
    "meter_backwards": Cause(
        meter_backwards,
        "supply",
        "supply meter",
        ("one period",),
        DOWN,
        separable="partly: one month of the supply meter",
        outside=True,
    ),
    "supply_chatter": Cause(
        supply_chatter,
        "supply",
        "supply meter",
        ("constant", "step"),
        UP,
        separable="partly: intake without sewage at night",
        outside=True,
    ),
    "thief_hose": Cause(
        thief_hose,
        "water",
        "site",
        ("constant", "step", "season"),
        UP,
        separable=NO + "as a leak",
        outside=True,
    ),
    "illegal_connection": Cause(
        illegal_connection,
        "water",
        "site",
        ("step", "constant"),
        UP,
        separable="partly: mornings and evenings of a home",
        outside=True,
    ),
    "evaporation_pond": Cause(
        evaporation_pond,
        "water",
        "site",
        ("season",),
        DOWN,
        separable=NO + "as a seasonal use",
        outside=True,
    ),
    "frozen_pipe": Cause(
        frozen_pipe,
        "water",
        "nature",
        ("one period",),
        UP,
        separable=NO + "as a leak of some weeks",
        outside=True,
    ),
    "logger_doubles": Cause(
        logger_doubles,
        "instrument",
        "instrument",
        ("step",),
        UP,
        "record",
        separable="yes: exactly twice from one row on",
        outside=True,
    ),
    "foam": Cause(
        foam,
        "instrument",
        "instrument",
        ("constant", "step"),
        UP,
        "head",
        separable="partly: only busy hours",
        outside=True,
    ),
    "stuck_level": Cause(
        stuck_level,
        "instrument",
        "instrument",
        ("constant", "step"),
        BOTH,
        "record",
        separable="yes: plateaus",
        outside=True,
    ),
    "bill_growing_allowance": Cause(
        bill_growing_allowance,
        "bill",
        "biller",
        ("ramp",),
        BOTH,
        separable="yes: a rising factor over reads",
        outside=True,
    ),
}
PAIRS = (
    ("level_zero", "supply_slow"),
    ("coefficient", "leak_after"),
    ("ground_water_season", "irrigation_unlisted"),
    ("backwater", "well"),
    ("level_zero", "bill_multiplier"),
    ("roof_water", "leak_after"),
    ("supply_stopped", "bill_estimated"),
    ("cooling_unlisted", "bill_unit"),
    ("neighbour_return", "supply_fast"),
    ("solids_on_floor", "hauled"),
    ("bill_surcharge_volume", "supply_slow"),
    ("clock_shift", "leak_after"),
    ("ground_water", "bypass"),
    ("bill_misread", "bill_unit"),
    ("level_zero", "irrigation_unlisted"),
    ("tank_overflow", "bill_twice"),
)
HEAD = ("parshall", "v-notch", "long-throated")
SUITS = {
    "any": (*HEAD, "area-velocity", "full-pipe", "none"),
    "head": HEAD,
    "level": (*HEAD, "area-velocity"),
    "area-velocity": ("area-velocity",),
    "full-pipe": ("full-pipe",),
    "record": (*HEAD, "area-velocity", "full-pipe"),
    "shown": (*HEAD, "full-pipe"),
}
USES = {
    "product": ("product",),
    "linen": ("linen",),
    "boiler": ("boiler",),
    "listed": ("product", "linen", "cooling", "irrigation"),
    "factor": ("product", "linen", "carried out"),
    "deduct": ("cooling", "irrigation", "boiler"),
    "compound": (),
}


def allowed(kind: str, names) -> list:
    """The devices of this kind of site with which all these causes can act."""
    devices = list(KINDS[kind]["devices"])
    for name in names:
        where = CAUSES[name].where
        if where in USES:
            if USES[where] and not set(USES[where]) & set(KINDS[kind]["uses"]):
                return []
        else:
            devices = [d for d in devices if d in SUITS[where]]
        if (
            name.endswith("_unlisted")
            and name[:-9] in KINDS[kind]["uses"]
            and len(KINDS[kind]["uses"]) > 1
        ):
            return []
        if CAUSES[name].stage != "bill":
            devices = [d for d in devices if d != "none"]
    return devices


def plan(seed: int):
    """Kind of site and planted causes of a seed."""
    place, block = seed % 20, seed // 20
    rng = np.random.default_rng([seed, 5])
    if place < 7:
        causes = ()
    elif place < 9:
        causes = PAIRS[(2 * block + place - 7) % len(PAIRS)]
    else:
        order = np.random.default_rng(2024).permutation(list(CAUSES))
        causes = (str(order[(11 * block + place - 9) % len(order)]),)
    kinds = [k for k in KINDS if allowed(k, causes)]
    return kinds[int(rng.integers(len(kinds)))], causes


# --- building a case -----------------------------------------------------------------------------


def build(kind: str, seed: int, causes=(), folder: Path | None = None) -> dict:
    """Write the case of this world into `folder`; the return value is its truth."""
    causes = tuple(causes)
    rng = np.random.default_rng([seed, 11])
    w = site(kind, seed, causes)
    w.record_of = []
    device_names = allowed(kind, causes)
    device_name = device_names[int(rng.integers(len(device_names)))]
    if any(CAUSES[c].where in ("factor", "deduct") for c in causes) and w.basis == "discharge":
        w.basis = "intake"
    if set(causes) & {"roof_water", "ground_water_season"} and rng.random() < 0.6:
        w.rain_shown = w.rain_shown or "column"
    planted = []
    for name in causes:
        c = CAUSES[name]
        planted.append(
            dict(
                slug=name,
                party=c.party,
                stage=c.stage,
                outside=c.outside,
                separable=c.separable,
                sign=int(rng.choice(c.signs)),
                shape=str(rng.choice(c.shapes)),
                asked=float(np.exp(rng.uniform(np.log(0.06), np.log(0.25)))),
            )
        )
    if "season" in {x["shape"] for x in planted} and len(w.ends) < 13:
        w = site(kind, seed, (*causes, "season"))
        w.record_of = []

    def stage(which):
        for x in planted:
            if x["stage"] == which:
                x["profile"] = profile(w, rng, x["shape"])
                CAUSES[x["slug"]].act(w, rng, x["sign"], x["profile"], x["asked"])
                yield x

    def water():
        return w.volumes(w.discharge), w.volumes(w.intake), w.volumes(w.around)

    def effect(x, after, before):
        """Share of the whole volume, and the largest of any invoice."""
        x["size"] = float(after.sum() / before.sum() - 1)
        x["largest"] = float(np.abs(after / np.maximum(before, 1e-9) - 1).max())

    before = water()
    for x in stage("water"):
        use = [u for u in w.uses.values() if not u.listed or u.stated != 1]
        after, base = water(), before[1]
        if x["slug"].endswith("_unlisted"):
            effect(x, base - w.volumes(use[-1].true), base)
        elif x["slug"] in ("product_estimate", "laundry_estimate", "boiler_losses"):
            effect(x, base + (use[-1].stated - 1) * w.volumes(use[-1].true), base)
        elif x["slug"] == "basis_without_deduct":
            effect(x, after[1], after[0])
        else:
            change = [a - b for a, b in zip(after, before, strict=True)]
            effect(x, base + change[0] - change[1] - change[2], base)
        before = after
    w.register = w.intake * rng.normal(1, 0.009)
    for x in stage("supply"):
        effect(x, w.volumes(w.register), w.volumes(w.intake))
    if "bill_low_register" in causes or (not causes and rng.random() < 0.12):
        limit = np.quantile(w.register, 0.45)
        w.low_register = np.minimum(w.register, limit) * (w.register <= limit * 1.0)
        w.low_register = np.maximum(w.low_register, 0.05 * w.register)
    q = np.maximum(w.discharge - w.around, 0.0)
    record = None
    if device_name != "none":
        w.device = device_for(device_name, float(np.quantile(q, 0.999)))
        sound = copy.deepcopy(w)  # the same site with its usual errors alone
        list(stage("instrument"))
        usual = write_record(sound, copy.deepcopy(rng), q)["volumes"]
        record = write_record(w, rng, q)
    truth = w.volumes(w.discharge)
    if record is not None:
        recorded = record.pop("volumes")
        for x in planted:
            if x["stage"] == "instrument":
                effect(x, recorded, usual)
    bill = make_bill(w, rng, planted)
    fair = bill.pop("fair")
    for x in planted:
        if x["stage"] == "bill":
            effect(
                x,
                np.array([float(v) for v in bill["volume"]]),
                np.array([float(v) for v in bill["undisturbed"]]),
            )
        x.pop("profile", None)
        x["size_percent"] = round(100 * float(x.pop("size")), 2)
        x["largest_percent"] = round(100 * float(x.pop("largest")), 2)
        x["asked_percent"] = round(100 * x.pop("asked"), 2)
    unit = float(M3[w.billing[0]])
    meta = dict(
        kind=kind,
        seed=seed,
        device=device_name,
        causes=planted,
        slugs=[x["slug"] for x in planted] or ["fair"],
        basis=w.basis,
        zone=w.zone,
        odd=w.notes["odd"],
        minutes=w.minutes,
        invoices=[f"{k + 1:02d}" for k in range(len(truth))],
        return_factor=w.return_factor,
        rain=w.rain_shown,
        visits=bool(record and record["visits"]),
        true_discharge_m3=[round(float(v), 4) for v in truth],
        true_fair_billed_m3=[round(float(v), 4) for v in fair],
        billed_m3=[round(float(v) * unit, 4) for v in bill["volume"]],
    )
    if folder is not None:
        write_case(w, rng, Path(folder), record, bill)
    return meta


def write_record(w: World, rng, q) -> dict:
    """The logger's table, the columns of the case, and the volume the record amounts to."""
    d, n = w.device, len(q)
    usual = np.repeat(np.cumsum(rng.normal(0, 0.0005, n // 2000 + 2)), 2000)[:n]
    usual = usual + rng.normal(0, 0.0009)
    wave = rng.normal(0, 0.0012, n)
    factor = w.real_factor * rng.normal(1, 0.011 if d.name != "area-velocity" else 0.02)
    rows, at = pd.DataFrame({"time": w.time}), dict(visits=[])
    if d.name == "full-pipe":
        value = q / factor
        for act in w.record_of:
            value = act(value)
        unit = w.unit_shown[0] if w.unit_shown else str(rng.choice(["gpm", "L/s", "m3/h"]))
        written = np.full(n, FLOW[unit])
        if w.unit_shown:
            written = np.where(w.unit_shown[2] > 0, FLOW[w.unit_shown[1]], FLOW[unit])
        value = hold(w, value)
        volumes = w.volumes(value / written * FLOW[unit])
        rows["Flow"] = np.round(value / written, 2)
        columns = [f'flow = {{ name = "Flow", unit = "{unit}" }}']
    else:
        real = d.head(q / factor if d.name != "area-velocity" else q, d.other or None)
        if w.head_of:
            real = w.head_of(real)
        shown = np.maximum(real + w.level_error + usual + wave, 0.0)
        unit = w.unit_shown[0] if w.unit_shown else str(rng.choice(["in", "cm", "ft"]))
        velocity = None
        if d.name == "area-velocity":
            sed = np.minimum(w.sediment, 0.6 * real) if np.ndim(w.sediment) else 0.0
            raised = real + 0.85 * sed
            wet = d.area(raised, d.other or None)[0] - d.area(sed + 0 * real, d.other or None)[0]
            velocity = np.divide(q, wet, out=np.zeros(n), where=wet > 1e-5) / factor
            velocity = np.maximum(velocity * rng.normal(1, 0.03, n), 0.0)
            shown = np.maximum(raised + w.level_error + usual + wave, 0.0)
            if w.velocity_of:
                velocity = w.velocity_of(real, velocity)
            for act in w.record_of:
                velocity = act(velocity)
        else:
            for act in w.record_of:  # what is doubled is the level
                shown = act(shown)
        shown = hold(w, shown)
        written = np.full(n, LENGTH[unit])
        if w.unit_shown:
            written = np.where(w.unit_shown[2] > 0, LENGTH[w.unit_shown[1]], LENGTH[unit])
        digits = {"in": 2, "cm": 2, "ft": 3, "m": 4}[unit]
        read = shown / written * LENGTH[unit]
        volumes = w.volumes(d.area(read)[0] * velocity if velocity is not None else d.rating(read))
        rows["Level"] = np.round(shown / written, digits)
        key = "depth" if velocity is not None else "head"
        columns = [f'{key} = {{ name = "Level", unit = "{unit}" }}']
        if velocity is not None:
            feet = bool(rng.random() < 0.5)
            rows["Velocity"] = np.round(velocity / (0.3048 if feet else 1.0), 3)
            speed = "ft/s" if feet else "m/s"
            columns.append(f'velocity = {{ name = "Velocity", unit = "{speed}" }}')
        if w.visits:
            for k in range(
                int(rng.uniform(20, 40) * 1440 / w.minutes),
                n - 500,
                int(rng.uniform(45, 65) * 1440 / w.minutes),
            ):
                local = w.time[k].tz_convert(w.zone)
                k += int((10 - local.hour) * 60 / w.minutes)
                depth = raised[k] if velocity is not None else real[k]
                at["visits"].append((w.time[k], depth + rng.normal(0, 0.0015), shown[k]))
    if w.rain_shown == "column":
        rows["Rain"] = w.rain
        columns.append('rain = { name = "Rain", unit = "mm" }')
    for name in rows.columns[1:]:
        rows[name] = rows[name].map(lambda v: f"{v:g}")
    gaps = int(rng.integers(0, 4))
    keep = np.ones(n, bool)
    for _ in range(gaps):
        a = int(rng.integers(n))
        keep[a : a + int(rng.uniform(1, 9) * 60 / w.minutes)] = False
    shift = np.broadcast_to(np.asarray(w.clock, float), (n,))
    stamps = w.time + pd.to_timedelta(shift, unit="min")
    standard = bool(rng.random() < 0.5) or bool(np.any(shift))
    fixed = {
        "America/Chicago": "UTC-06:00",
        "America/New_York": "UTC-05:00",
        "America/Denver": "UTC-07:00",
        "America/Phoenix": "UTC-07:00",
    }[w.zone]
    offset = pd.Timedelta(hours=int(fixed[3:6]))
    clock = (
        stamps.tz_localize(None) + offset
        if standard
        else stamps.tz_convert(w.zone).tz_localize(None)
    )
    rows["time"] = clock.strftime("%Y-%m-%d %H:%M")
    if np.any(np.diff(shift)):  # a clock set forward or back: no stamp twice
        keep &= ~pd.Series(clock).duplicated(keep="first").to_numpy()
        keep &= np.concatenate([[True], clock.asi8[1:] > np.maximum.accumulate(clock.asi8)[:-1]])
    at.update(table=rows[keep], columns=columns, volumes=volumes, fixed=fixed if standard else "")
    return at


def hold(w, value):
    held = w.notes.get("held")
    if held is None:
        return value
    return pd.Series(np.where(held, np.nan, value)).ffill().bfill().to_numpy()


def counts_of(w, flow, unit, multiplier, start, times):
    """Whole counts of a register at these times."""
    edges = edges_of(w)
    total = np.concatenate([[0.0], np.cumsum(flow) * w.seconds]) / (float(M3[unit]) * multiplier)
    return [int(start + v) for v in np.interp([t.value for t in times], edges, total)]


def read_times(w, rng):
    """Weekly reads of the site and the reads at the ends of the invoices."""
    times = set(w.ends)
    t = w.ends[0] - pd.Timedelta(days=2)
    while t < w.ends[-1] + pd.Timedelta(days=3):
        if min(abs((t - e).total_seconds()) for e in w.ends) > 86400:
            times.add(t.floor("min"))
        t += pd.Timedelta(days=7) + pd.Timedelta(minutes=float(rng.uniform(-90, 90)))
    return sorted(times)


def make_bill(w, rng, planted) -> dict:
    """What the biller prints: counts, volumes (Fraction, in the billed unit), types, dates."""
    unit, meter_unit, multiplier = w.billing
    n = len(w.ends) - 1
    per_count = M3[meter_unit] * multiplier / M3[unit]
    main = w.register - (w.low_register if w.low_register is not None else 0)
    if w.basis == "discharge":
        main = w.discharge * rng.normal(1, 0.006)
    start = int(rng.integers(20000, 200000))
    times = read_times(w, rng)
    ends = w.ends
    shift = 0
    faults = [x for x in planted if x["stage"] == "bill"]
    if any(x["slug"] == "bill_shifted_dates" for x in faults):
        x = next(x for x in faults if x["slug"] == "bill_shifted_dates")
        shift = x["sign"] * int(rng.integers(3, 5))
    read_at = [e + pd.Timedelta(days=shift) for e in ends]
    at = counts_of(w, main, meter_unit, multiplier, start, read_at)
    low_unit, low_start = multiplier, int(rng.integers(1000, 20000))
    low = [0] * (n + 1)
    if w.low_register is not None:
        low = counts_of(w, w.low_register, meter_unit, low_unit, low_start, read_at)
    deducts = [Fraction(0)] * n
    meters = {}
    for name, use in w.uses.items():
        if use.way.startswith("meter") and use.listed:
            flow = use.true * rng.normal(1, 0.012)
            drain = None
            if use.way == "meter and drain":  # the blowdown goes to the sewer, metered
                drain = 0.25 * use.true
                flow = (use.true + drain) * rng.normal(1, 0.008)
                drain = drain * rng.normal(1, 0.008)
            s = [int(rng.integers(1000, 50000)) for _ in range(2)]
            meters[name] = (flow * use.stated, drain, s)
            small = max(multiplier // 10, 1)
            a = counts_of(w, flow * use.stated, meter_unit, small, s[0], read_at)
            b = (
                counts_of(w, drain, meter_unit, small, s[1], read_at)
                if drain is not None
                else [0] * (n + 1)
            )
            if use.credited:
                for k in range(n):
                    deducts[k] += (
                        Fraction((a[k + 1] - a[k]) - (b[k + 1] - b[k]))
                        * M3[meter_unit]
                        * small
                        / M3[unit]
                    )
    factor = Fraction(str(w.return_factor))
    if w.basis == "discharge":
        deducts = [Fraction(0)] * n
    if w.basis == "intake":
        deducts = [Fraction(0)] * n
    counts = [at[k + 1] - at[k] for k in range(n)]
    lows = [(low[k + 1] - low[k]) * per_count for k in range(n)]
    gross = [counts[k] * per_count + lows[k] for k in range(n)]
    b = dict(
        prev=at[:-1],
        curr=at[1:],
        counts=counts,
        per_count=per_count,
        gross=gross,
        low=lows,
        deduct=deducts,
        factor=factor,
        read_type=["actual"] * n,
        days=[(ends[k + 1] - ends[k]).days for k in range(n)],
        volume=[(gross[k] - deducts[k]) * factor for k in range(n)],
    )
    b["undisturbed"] = list(b["volume"])
    for x in faults:
        some = some_invoices(w, rng, x["shape"])
        CAUSES[x["slug"]].act(w, rng, b, some, x["sign"])
        x["invoices"] = [f"{k + 1:02d}" for k in range(n) if b["volume"][k] != b["undisturbed"][k]]
    places = {"gal": 0, "kgal": 1, "CCF": 0, "m3": 0}[unit]
    b["volume"] = [round_half_up(v, places) for v in b["volume"]]
    b.update(meters=meters, start=start, low_start=low_start, times=times, main=main, places=places)
    credited = sum(u.true for u in w.uses.values() if u.credited)
    fair = (
        w.discharge
        if w.basis == "discharge"
        else (w.intake - (credited if w.basis == "intake less deduct" else 0)) * w.return_factor
    )
    b["fair"] = w.volumes(fair)
    return b


def round_half_up(value: Fraction, places: int) -> Decimal:
    exact = Decimal(value.numerator) / Decimal(value.denominator)
    return exact.quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP)


def write_case(w: World, rng, folder: Path, record, b) -> None:
    """The files a site would hold."""
    folder.mkdir(parents=True, exist_ok=True)
    unit, meter_unit, multiplier = w.billing
    n = len(w.ends) - 1
    dates = [e.tz_convert(w.zone).date().isoformat() for e in w.ends]
    price = Decimal(str({"kgal": 7.42, "CCF": 5.55, "m3": 1.961, "gal": 0.00742}[unit]))
    cent = Decimal("0.01")
    lines = [
        "invoice,start,end,previous_read,current_read,read_type,billed_volume,"
        "service charge,volume charge,total"
    ]
    for k in range(n):
        charge = (b["volume"][k] * price).quantize(cent, ROUND_HALF_UP)
        lines.append(
            f"{k + 1:02d},{dates[k]},{dates[k + 1]},{b['prev'][k]},{b['curr'][k]},"
            f"{b['read_type'][k]},{b['volume'][k]},61.50,{charge},"
            f"{charge + Decimal('61.50')}"
        )
    (folder / "invoices.csv").write_text("\n".join(lines) + "\n")
    step = Decimal(1).scaleb(-b["places"])
    (folder / "rates.toml").write_text(
        "\n".join(
            [
                "[schedule]",
                'name = "Rates of an invented town"',
                'currency = "USD"',
                'source = "invented"',
                'rate_change = "by end"',
                "end_day_counts = false",
                'line_rounding = { to = 0.01, rule = "half up" }',
                'total_rounding = { to = 0.01, rule = "half up" }',
                "",
                "[[version]]",
                'name = "only edition"',
                "effective = 2020-01-01",
                "",
                "[[version.volume]]",
                'name = "sewer"',
                f'unit = "{unit}"',
                f'basis = "{w.basis}"',
                f"return_factor = {w.return_factor}",
                f'rounding = {{ to = {step}, rule = "half up" }}',
                "",
                "[[version.charge]]",
                'name = "service charge"',
                'kind = "fixed"',
                "amount = 61.50",
                'per = "bill"',
                "",
                "[[version.charge]]",
                'name = "volume charge"',
                'kind = "volume"',
                'volume = "sewer"',
                f"rate = {price}",
                "",
            ]
        )
    )

    def register(name, flow, per, start):
        local = [t.tz_convert(w.zone).strftime("%Y-%m-%d %H:%M") for t in b["times"]]
        at = counts_of(w, flow, meter_unit, per, start, b["times"])
        rows = "".join(f"{t},{c}\n" for t, c in zip(local, at, strict=True))
        (folder / name).write_text("time,register\n" + rows)

    toml = [
        "[case]",
        f'title = "Invented {w.kind}"',
        f'time_zone = "{w.zone}"',
        f'basis = "{"discharge" if w.basis == "discharge" else "intake"}"',
        f"return_factor = {w.return_factor}",
        "",
        "[display]",
        f'volume = "{unit}"',
        'discharge = "gpm"',
        'head = "in"',
        'money = "USD"',
        "",
        "[invoices]",
        'file = "invoices.csv"',
        f'volume_unit = "{unit}"',
        'read_hour = "08:00"',
        "end_day_counts = false",
        "",
        "[rates]",
        'file = "rates.toml"',
        "",
    ]
    if w.basis == "discharge":
        toml += [
            "[account.reads]",
            f'unit = "{meter_unit}"',
            f"multiplier = {multiplier}",
            "digits = 7",
            "",
        ]
    supply = w.register - (w.low_register if w.low_register is not None else 0)
    register("main.csv", supply, multiplier, b["start"])
    toml += [
        "[[intake]]",
        'meter = "main"',
        'file = "main.csv"',
        f'unit = "{meter_unit}"',
        f"multiplier = {multiplier}",
        "digits = 7",
        'error = { expanded = "2 %", coverage_factor = 2, source = "certificate" }',
        "",
    ]
    if w.low_register is not None:
        register("low.csv", w.low_register, multiplier, b["low_start"])
        toml += [
            "[[intake.further_register]]",
            'name = "low-flow register"',
            'file = "low.csv"',
            f'unit = "{meter_unit}"',
            f"multiplier = {multiplier}",
            "digits = 7",
            'sign = "add"',
            "",
        ]
    for name, use in w.uses.items():
        if use.listed:
            toml += use_lines(w, folder, name, use, b, register)
    if record is not None:
        record["table"].to_csv(folder / "record.csv", index=False)
        toml += [
            "[effluent]",
            'file = "record.csv"',
            *w.device.lines(),
            'longest_bridge = "60 min"',
            'stamp = "instant"',
        ]
        if record["fixed"]:
            toml.append(f'time_zone = "{record["fixed"]}"')
        if w.rain_shown == "gauge":
            hourly = pd.Series(w.rain, index=w.time).resample("1h").sum()
            local = hourly.index.tz_convert(w.zone).tz_localize(None)
            table = pd.DataFrame({"time": local.strftime("%Y-%m-%d %H:%M"), "rain": hourly.values})
            table = table[~table.time.duplicated()]
            table["rain"] = table["rain"].round(2)
            table.to_csv(folder / "rain.csv", index=False)
            toml += [
                "",
                "[effluent.rain_gauge]",
                'file = "rain.csv"',
                'columns = { time = "time", rain = { name = "rain", unit = "mm" } }',
            ]
        toml += ["", "[effluent.columns]", 'time = "time"', *record["columns"], ""]
        for t, hand, shown in record["visits"]:
            toml += [
                "[[effluent.visit]]",
                f'time = "{t.tz_convert(w.zone).strftime("%Y-%m-%d %H:%M")}"',
                f'hand = "{max(hand, 0) / 0.0254:.2f} in"',
                f'instrument = "{shown / 0.0254:.2f} in"',
                "rezeroed = false",
                "",
            ]
    toml += ["[rule]", f'tolerance = "{100 * TOLERANCE:g} %"', "coverage = 0.95", ""]
    (folder / "case.toml").write_text("\n".join(toml))


def use_lines(w, folder, name, use, b, register) -> list:
    """The table of one use, and the file it names."""
    _, meter_unit, multiplier = w.billing
    head = ["[[use]]", f'name = "{name}"']
    tail = [f"credited = {str(use.credited).lower()}", ""]
    if use.way.startswith("meter"):
        flow, drain, starts = b["meters"][name]
        small = max(multiplier // 10, 1)
        register(f"{name}.csv", flow, small, starts[0])
        lines = [
            *head,
            'kind = "deduct meter"',
            f'file = "{name}.csv"',
            f'unit = "{meter_unit}"',
            f"multiplier = {small}",
            "digits = 7",
        ]
        if drain is not None:
            register(f"{name} drain.csv", drain, small, starts[1])
            lines.append(
                f'drain = {{ file = "{name} drain.csv", unit = "{meter_unit}", '
                f"multiplier = {small}, digits = 7 }}"
            )
        return [
            *lines,
            'error = { expanded = "3 %", coverage_factor = 2, source = "judgement" }',
            *tail,
        ]
    inside = share_of(w, use.true) * use.stated
    if use.way == "share":
        return [
            *head,
            'kind = "fraction"',
            'fraction_of = "main"',
            f'fraction = {{ value = "{100 * inside:.2f} %", '
            f'standard = "{max(4 * inside, 0.3):.2f} %", source = "judgement" }}',
            *tail,
        ]
    days = pd.Series(use.true * w.seconds, index=w.time.tz_convert(w.zone)).resample("D").sum()
    if use.way in ("loads", "shipments"):
        amount = days * use.stated * b_noise(w, len(days))
        column, measure, scale = (
            ("dry linen", "lb", 1 / 0.35 / 0.45359237 * 1000)
            if use.way == "loads"
            else ("shipped", "gal", 1 / float(GAL))
        )
        # a load of linen keeps 35 % of its dry mass as water, one litre to the kilogram
        table = pd.DataFrame(
            {
                "day": days.index.strftime("%Y-%m-%d"),
                "amount": (amount * scale).round(0).astype(int),
            }
        )
        table.columns = ["day", column]
        table.to_csv(folder / f"{name}.csv", index=False)
        kind = "laundry evaporation" if use.way == "loads" else "water in product"
        extra = 'retained = "35 %"' if use.way == "loads" else 'water_share = "100 %"'
        return [
            *head,
            f'kind = "{kind}"',
            f'log = {{ file = "{name}.csv", unit = "{measure}", '
            f'columns = {{ time = "day", amount = "{column}" }} }}',
            extra,
            *tail,
        ]
    rate = (days * use.stated).groupby(days.index.month).mean()
    monthly = ", ".join(f'"{rate.get(m, float(rate.mean())):.3f} m3/d"' for m in range(1, 13))
    return [*head, 'kind = "per day"', f"monthly = {{ per_day = [{monthly}] }}", *tail]


def b_noise(w, n):
    return 1 + np.random.default_rng([w.seed, 31]).normal(0, 0.05, n)


# --- asking the toolkit, and scoring -------------------------------------------------------------


def ask(folder: Path) -> dict:
    """The findings of the toolkit; the only place that knows its name."""
    try:
        from sewer_audit import audit, load_case
    except ImportError:
        from toolkit import audit, load_case
    return audit(load_case(folder), draws=2000, seed=1).findings()


def components(explanation) -> list:
    parts = explanation.get("components") or explanation["name"]
    parts = parts.split(" + ") if isinstance(parts, str) else list(parts)
    return [p for p in parts if p] or [explanation["name"]]


def fits(parts, slugs, near=False) -> bool:
    """Whether an explanation (its components) names the planted causes: all of a pair."""
    sets = [NAMES.get(p, ("?", set(), set())) for p in parts]

    def one(s):
        return any(s in x[1] or (near and s in x[2]) for x in sets)

    return all(one(s) for s in slugs) and len(parts) <= max(len(slugs), 1)


def judge(meta: dict, f: dict) -> dict:
    """One row of the score."""
    row = dict(
        seed=meta["seed"],
        kind=meta["kind"],
        device=meta["device"],
        slugs=meta["slugs"],
        visits=meta["visits"],
        rain=meta["rain"],
        shapes=[c["shape"] for c in meta["causes"]],
        signs=[c["sign"] for c in meta["causes"]],
        sizes=[c["size_percent"] for c in meta["causes"]],
        largest=[c["largest_percent"] for c in meta["causes"]],
        parties=[c["party"] for c in meta["causes"]] or ["none"],
        outside=any(c["outside"] for c in meta["causes"]),
        separable=[c["separable"] for c in meta["causes"]],
    )
    slugs = meta["slugs"]
    listed = f.get("explanations") or []
    names = [components(e) for e in listed]
    ranking = f.get("ranking") or {}
    codes = {s["code"] for s in f.get("signatures") or []}
    exact = set().union(*(SIGNATURES.get(c, set()) for c in codes))
    rest = [s for s in slugs if s not in exact] or ["fair"]
    sought = {tuple(rest), tuple(slugs)}  # what is left, or all, if it is listed once more

    def right(parts, near=False):
        return any(fits(parts, x, near) for x in sought)

    row.update(
        names=[" + ".join(n) for n in names[:3]],
        codes=sorted(codes),
        set_aside=ranking.get("set_aside") or [],
        by_signature=sorted(exact & set(slugs)),
        probability=float(listed[0]["posterior"]) if listed else None,
        first=bool(names) and right(names[0]),
        first_near=bool(names) and right(names[0], True),
        three=any(right(n) for n in names[:3]),
        three_near=any(right(n, True) for n in names[:3]),
        one_of_pair=bool(names) and any(fits(names[0], [s], True) for s in slugs),
        named=ranking.get("named"),
        strength=ranking.get("strength"),
        unknown=sorted(
            {p for n in names for p in n if p not in NAMES}
            | {x for x in ranking.get("excluded") or [] if x not in NAMES}
            | {x for x in ranking.get("untestable") or [] if x not in NAMES}
        ),
        unknown_codes=sorted(codes - set(SIGNATURES)),
    )
    named = row["named"]
    if named:
        parts = named.split(" + ") if named in NAMES or " + " in named else named.split(", and ")
        parts = [p.strip() for p in parts]
        row["named_parts"] = parts
        row["named_right"] = right(parts) or any(fits(parts, [s]) for s in slugs)
        row["named_near"] = row["named_right"] or any(fits(parts, [s], True) for s in slugs)
        row["blamed"] = sorted({NAMES.get(p, ("?",))[0] for p in parts})
    else:
        row.update(named_parts=[], named_right=None, named_near=None, blamed=[])
    row["honest_tie"] = (
        named is None
        and (row["three_near"] or any(right([n], True) for n in ranking.get("tied") or []))
        and all(not s.startswith("yes") for s in row["separable"])
    )
    wide = []
    found = f["invoices"] + [dict(f["total"], invoice="total")]
    true = meta["true_discharge_m3"] + [sum(meta["true_discharge_m3"])]
    for item, volume in zip(found, true, strict=True):
        finding, billed = item.get("finding") or "", item["billed_m3"]
        interval = item.get("audited_m3")
        wide.append(
            dict(
                invoice=item["invoice"],
                finding=finding,
                billed=billed,
                true=volume,
                high_false="too high" in finding and not volume < billed * (1 - TOLERANCE),
                high_reversed="too high" in finding and volume >= billed,
                low_false="too low" in finding and not volume > billed * (1 + TOLERANCE),
                low_reversed="too low" in finding and volume <= billed,
                supported="supported" in finding,
                supported_false="supported" in finding
                and abs(volume - billed) > TOLERANCE * billed,
                decided=bool(finding) and "cannot" not in finding,
                holds=bool(interval) and interval["low"] <= volume <= interval["high"],
            )
        )
    row["volumes"] = wide
    agreement = f.get("agreement")
    row["agree"] = agreement.get("agree") if agreement else None
    return row


def one(job):
    """One seed from plan to row."""
    seed, keep = job
    kind, causes = plan(seed)
    began = time.time()
    row = dict(seed=seed, kind=kind, slugs=list(causes) or ["fair"])
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(keep or scratch) / f"{seed:05d}"
        try:
            meta = build(kind, seed, causes, folder)
            (folder / "truth.json").write_text(json.dumps(meta, indent=1))
        except Exception:  # a fault of this file: shown, not hidden
            return dict(row, broken=traceback.format_exc())
        made = time.time()
        try:
            found = ask(folder)
        except Exception as error:  # refused or failed: counted and shown
            return dict(row, refused=f"{type(error).__name__}: {str(error)[:600]}")
        if keep:
            (folder / "findings.json").write_text(json.dumps(found, indent=1, default=str))
        row = judge(meta, found)
        row["seconds"] = [round(made - began, 2), round(time.time() - made, 2)]
    return row


def group_of(row) -> str:
    if row["slugs"] == ["fair"]:
        return "fair"
    if len(row["slugs"]) > 1:
        return "pair"
    if row["outside"]:
        return "outside the list"
    slug = row["slugs"][0]
    party = row["parties"][0]
    return "schedule" if slug == "basis_without_deduct" else party


def share(part, whole) -> str:
    return f"{part}/{whole} ({100 * part / whole:.0f} %)" if whole else "0/0"


def tables(rows) -> str:
    """The score as text."""
    out = []
    good = [r for r in rows if "names" in r]
    bad = [r for r in rows if "names" not in r]
    out.append(f"sites {len(rows)}, judged {len(good)}, not read {len(bad)}")
    for r in bad:
        what = r.get("refused") or r.get("broken", "").strip().splitlines()[-1]
        out.append(f"  seed {r['seed']} {r['kind']} {'+'.join(r['slugs'])}: {what}")
    out.append("\nfirst and in three, by group of the cause (near: right place, other mechanism)")
    out.append(
        f"  {'group':18}{'sites':>6}  {'first':>14}{'first or near':>16}{'in three':>14}"
        f"{'three or near':>16}{'first or honest tie':>22}"
    )
    groups = {}
    for r in good:
        groups.setdefault(group_of(r), []).append(r)
    singles = [r for r in good if group_of(r) not in ("fair", "pair")]
    seen = [r for r in singles if r["largest"][0] >= 3 or r["slugs"] == ["clock_shift"]]
    for name, part in [
        *sorted(groups.items()),
        ("all single causes", singles),
        ("  of 3 % and more", seen),
    ]:
        n = len(part)
        out.append(
            f"  {name:18}{n:>6}  {share(sum(r['first'] for r in part), n):>14}"
            f"{share(sum(r['first_near'] for r in part), n):>16}"
            f"{share(sum(r['three'] for r in part), n):>14}"
            f"{share(sum(r['three_near'] for r in part), n):>16}"
            f"{share(sum(r['first'] or r['honest_tie'] for r in part), n):>22}"
        )
    strong = [r for r in good if r["named"] and "strong" in (r["strength"] or "")]
    anyname = [r for r in good if r["named"]]
    wrong = [r for r in strong if not r["named_near"]]
    out.append(
        f"\nstrong namings wrong: {share(len(wrong), len(strong))}; strictly (near counts "
        f"as wrong): {share(sum(not r['named_right'] for r in strong), len(strong))}; "
        f"namings of any strength wrong: "
        f"{share(sum(not r['named_near'] for r in anyname), len(anyname))}"
    )
    blame = {}
    for r in wrong:
        for p in r["blamed"]:
            blame[p] = blame.get(p, 0) + 1
    out.append(
        "  blamed falsely (strong): "
        + (", ".join(f"{k} {v}" for k, v in blame.items()) or "nobody")
    )
    for r in wrong:
        out.append(
            f"    seed {r['seed']} {r['kind']}/{r['device']}: {'+'.join(r['slugs'])} "
            f"({','.join(r['shapes'])}) called {r['named']}"
        )
    out.append(
        "\nthe first row's stated probability against how often it was right (exact errors "
        "of bills set aside)"
    )
    for low, high in ((0, 0.5), (0.5, 0.8), (0.8, 0.95), (0.95, 1.01)):
        part = [r for r in good if r["probability"] is not None and low <= r["probability"] < high]
        stated = np.mean([r["probability"] for r in part]) if part else float("nan")
        out.append(
            f"  {low:.2f} to {min(high, 1):.2f}: stated {stated:.3f}, came true "
            f"{share(sum(r['first'] for r in part), len(part))}, with near "
            f"{share(sum(r['first_near'] for r in part), len(part))}"
        )
    pairs = groups.get("pair", [])
    out.append(
        f"pairs: both named first {sum(r['first_near'] for r in pairs)}, one of them first "
        f"{sum(r['one_of_pair'] for r in pairs)}, of {len(pairs)}"
    )
    for word, shapes in (("drift", ("ramp", "season")), ("step", ("step",))):
        part = [
            r
            for r in good
            if len(r["slugs"]) == 1
            and r["parties"] == ["instrument"]
            and (
                r["shapes"][0] in shapes or (word == "drift" and r["slugs"] == ["solids_on_floor"])
            )
        ]
        on_meter = [r for r in part if "supply meter off" in (r["names"] or [""])[0]]
        strongly = [
            r for r in part if "strong" in (r["strength"] or "") and "supply meter" in r["blamed"]
        ]
        out.append(
            f"{word} of the instrument blamed on the supply meter: first "
            f"{share(len(on_meter), len(part))}, strongly {len(strongly)}"
        )
    water = [
        r
        for r in good
        if set(r["slugs"]) & {"ground_water", "ground_water_season"} and len(r["slugs"]) == 1
    ]
    out.append(f"ground water in three: {share(sum(r['three_near'] for r in water), len(water))}")
    fair = groups.get("fair", [])
    named = [r for r in fair if r["named"] and r["named"] != "nothing wrong"]
    out.append(
        f"clean sites with a cause named: {share(len(named), len(fair))}; strongly "
        f"{sum('strong' in r['strength'] for r in named)}; with an exact error of a bill "
        f"{sum(bool(r['codes']) for r in fair)}"
    )
    for r in named:
        out.append(
            f"    seed {r['seed']} {r['kind']}/{r['device']}: named {r['named']} ({r['strength']})"
        )
    for title, part in (
        ("all sites", good),
        ("troubled sites", [r for r in good if r["slugs"] != ["fair"]]),
    ):
        v = [x for r in part for x in r["volumes"]]
        out.append(f"\n{title}: findings on invoices and totals")
        for key, word in (
            ("high_false", "too high"),
            ("low_false", "too low"),
            ("supported_false", "supported"),
        ):
            n = sum(word in x["finding"] for x in v)
            extra = ""
            if word != "supported":
                back = key.replace("false", "reversed")
                extra = f"; in sign too: {sum(x[back] for x in v)}"
            out.append(f"  {word}: {n}, false {share(sum(x[key] for x in v), n)}{extra}")
        decided = [x for x in v if x["decided"]]
        out.append(
            f"  audited interval holds the true discharge where there is a verdict: "
            f"{share(sum(x['holds'] for x in decided), len(decided))}"
        )
        totals = [x for x in decided if x["invoice"] == "total"]
        out.append(f"  of totals alone: {share(sum(x['holds'] for x in totals), len(totals))}")
    twice = [r for r in good if r["by_signature"] and r["named"] and not r["named_near"]]
    out.append(
        "\nexact error of a bill recognised, and yet another cause named: "
        + (", ".join(str(r["seed"]) for r in twice) or "none")
    )
    out.append("\ncause by cause: sites, first or near, in three or near, what stood first")
    for slug in CAUSES:
        part = [r for r in singles if r["slugs"] == [slug]]
        if part:
            stood = "; ".join(sorted({(r["names"] or ["-"])[0] for r in part}))
            out.append(
                f"  {slug:26}{len(part):>3}{sum(r['first_near'] for r in part):>3}"
                f"{sum(r['three_near'] for r in part):>3}  {stood}"
            )
    unknown = sorted({u for r in good for u in r["unknown"]})
    codes = sorted({u for r in good for u in r["unknown_codes"]})
    out.append(
        "\nnames of the toolkit that the table of this file does not know: "
        + ("; ".join(unknown) or "none")
    )
    out.append("codes of exact errors that it does not know: " + ("; ".join(codes) or "none"))
    return "\n".join(out)


def main(argv=None) -> int:
    say = argparse.ArgumentParser(description="Invented sites with planted causes, and the score.")
    say.add_argument("--sites", type=int, default=100)
    say.add_argument("--seed", type=int, default=5000)
    say.add_argument("--jobs", type=int, default=2)
    say.add_argument("--rows", help="file for the rows of the score (JSON)")
    say.add_argument("--keep", help="folder in which the cases and findings stay")
    say.add_argument("--list", action="store_true", help="the causes; nothing is run")
    todo = say.parse_args(argv)
    if todo.list:
        for name, c in CAUSES.items():
            signs = {(1,): "+", (-1,): "-"}.get(c.signs, "+-")
            print(f"{name:26}{c.party:14}{signs:4}{', '.join(c.shapes):45}{c.separable}")
        print(f"{len(CAUSES)} causes, {len(PAIRS)} pairs, {len(KINDS)} kinds")
        return 0
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    jobs = [(s, todo.keep) for s in range(todo.seed, todo.seed + todo.sites)]
    if todo.jobs == 1:
        rows = [one(j) for j in jobs]
    else:
        with ProcessPoolExecutor(todo.jobs) as pool:
            rows = list(pool.map(one, jobs))
    if todo.rows:
        Path(todo.rows).write_text(json.dumps(rows, indent=1, default=str))
    print(f"seeds {todo.seed} to {todo.seed + todo.sites - 1}")
    print(tables(rows))
    return 0


if __name__ == "__main__":
    sys.exit(main())
