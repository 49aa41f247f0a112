"""Invented sites with an effluent record, written from the trade and not from the model.

Each site is made minute by minute: a plant that works in shifts, dumps batches, pumps a sump
empty, closes at weekends and takes in storm water; a device whose installed rating is its own; a
sensor with its faults; a logger with its habits; a biller. The truth is the sum of the true flow.
Nothing here is taken from the toolkit: the ratings and the speed of sound are written down again
from published equations, and the troubles are causes, not distributions of the model.

Classes of trouble hold one to many variants (``--list``). A site depends on (class, variant, seed)
only. Seeds 1 to 999 are for mending; seeds from 5000 on are for the one run of the record.

    python foreign_records.py --classes all --per-class 10 --seed 5000
    python foreign_records.py --classes sound,clock --per-class 4 --seed 1 --keep some_folder

Every case folder holds ``truth.json`` beside the case: the true and billed volume of each invoice,
the label of the bill (fair, over, under), which new keys the case needs, and what an honest tool
may do with it: "verdict" (with the truth inside its interval), "no verdict", "refused" (with file
and line), "asked" (refused until the case states something).

Read out of findings.json: an interval counts as held back where the finding is undecided and a
flag whose severity is above a warning names the invoice (or none, or the row is the total), the
coverage of the record is below the rule, or there is no interval; coverage is counted over the
others, so a verdict that stands although a flag stops it still counts.

Sources: Parshall 6 in, Q = 2.06 Ha^1.58 in feet, and its submerged form (USBR Water Measurement
Manual ch. 8; Utah Water Research Laboratory WG31; from memory); 90 degree notch, Kindsvater-Shen,
and rectangular weir, Kindsvater-Carter (USBR ch. 7, ISO 1438; from memory); circular segment and
Manning (geometry; Chow 1959); speed of sound of moist air from the ideal gas law, vapour pressure
by Magnus (textbook physics). Sizes of faults are judgement unless a comment says otherwise.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import math
import tempfile
import time
import zlib
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

KGAL = 3.785411784  # m3
GAL = KGAL / 1000
GPM = GAL / 60  # m3/s
ZONES = {
    "America/Chicago": "UTC-06:00",
    "America/New_York": "UTC-05:00",
    "America/Denver": "UTC-07:00",
    "Europe/Berlin": "UTC+01:00",
}

# --- devices: published ratings, written again ---------------------------------------------------


def parshall(head):
    """Free flow of a 6 in Parshall flume, m3/s of m (2.06 ft3/s at 1 ft)."""
    return 2.06 * 0.3048**3 * (np.maximum(head, 0) / 0.3048) ** 1.58


def parshall_head(flow):
    return 0.3048 * (np.maximum(flow, 0) / (2.06 * 0.3048**3)) ** (1 / 1.58)


def drowned_share(submergence):
    """Submerged over free discharge of a 6 in Parshall flume at the same upstream head."""
    ratio = np.clip(submergence, 0.56, 0.97)
    drowned = 1.66 * (1 - ratio) ** 1.58 / (-(np.log10(ratio) + 0.0044)) ** 1.08 / 2.06
    return np.where(np.asarray(submergence) <= 0.56, 1.0, np.minimum(drowned, 1.0))


def notch(head):
    return 8 / 15 * math.sqrt(2 * 9.80665) * 0.578 * (np.maximum(head, 0) + 0.00088) ** 2.5


def weir(head):
    """Crest 1 ft in a channel of 3 ft, crest 2 ft above its floor."""
    head = np.maximum(head, 0)
    factor = 0.5903 + 0.0033 * head / 0.6096
    return 2 / 3 * math.sqrt(2 * 9.80665) * factor * (0.3048 + 0.0026) * (head + 0.001) ** 1.5


def segment(depth, diameter=0.3048):
    """Wetted area and hydraulic radius of a circular pipe."""
    part = np.clip(np.asarray(depth, float) / diameter, 1e-6, 1)
    angle = 2 * np.arccos(1 - 2 * part)
    area = diameter**2 / 8 * (angle - np.sin(angle))
    return area, area / (angle * diameter / 2)


def sewer(depth, slope=0.005, roughness=0.013):
    area, radius = segment(depth)
    return area * radius ** (2 / 3) * math.sqrt(slope) / roughness


def inverse(rating, highest):
    """Head of a flow by a fine table of the rating."""
    heads = np.concatenate([[0.0], np.geomspace(1e-4, highest, 4000)])
    flows = np.concatenate([[0.0], rating(heads[1:])])
    return lambda flow: np.interp(flow, flows, heads)


@dataclass(frozen=True)
class Device:
    """What stands in the manhole: keys of the case, channels, rating, usual flow, field spread."""

    keys: dict
    channel: str  # head, distance, echo, velocity or flow
    head: Callable | None
    peak: float  # m3/s of a busy hour
    spread: float  # relative standard deviation of a well kept installation
    asked: tuple = ()  # points of the published checklist


FLUME = {"method": "parshall flume", "throat": "6 in"}
FLUME_ASKED = (
    "head measurement",
    "floor",
    "straight run",
    "approach",
    "dimensions",
    "tailwater measurement",
)
NOTCH = {
    "method": "v-notch weir",
    "angle": "90 deg",
    "crest_height": "24 in",
    "channel_width": "48 in",
}
NOTCH_ASKED = (
    "plate",
    "nappe",
    "head measurement",
    "straight run",
    "drop",
    "tailwater",
    "contraction",
)
DEVICES = {
    "flume": Device(FLUME, "head", parshall_head, 0.030, 0.015, FLUME_ASKED),
    "flume distance": Device(FLUME, "distance", parshall_head, 0.030, 0.015, FLUME_ASKED),
    "flume echo": Device(FLUME, "echo", parshall_head, 0.030, 0.015, FLUME_ASKED),
    "notch": Device(NOTCH, "head", inverse(notch, 0.6), 0.012, 0.008, NOTCH_ASKED),
    "weir": Device(
        {
            "method": "rectangular weir",
            "crest_length": "1 ft",
            "channel_width": "3 ft",
            "crest_height": "2 ft",
        },
        "distance",
        inverse(weir, 0.6),
        0.020,
        0.010,
    ),
    "pipe": Device(
        {"method": "area velocity", "diameter": "12 in"},
        "velocity",
        inverse(sewer, 0.28),
        0.030,
        0.040,
        ("straight run", "velocity"),
    ),
    "full pipe": Device({"method": "full pipe"}, "flow", None, 0.015, 0.015, ("full pipe", "test")),
}


def vapour_share(celsius, humidity):
    """Mole fraction of water vapour at sea level (Magnus)."""
    return humidity * 6.112 * np.exp(17.62 * celsius / (243.12 + celsius)) / 1013.25


def sound_speed(celsius, humidity=0.0):
    """Speed of sound of moist air as an ideal gas, m/s."""
    share = vapour_share(celsius, humidity)
    molar = 0.0289647 * (1 - share) + 0.0180153 * share
    gamma = (7 + share) / (5 + share)
    return np.sqrt(gamma * 8.314462618 * (celsius + 273.15) / molar)


# --- plants: relative flow of each minute, about 1 in a busy hour --------------------------------


def reservoir(flow, minutes):
    """Linear reservoir: what a sewer makes of a dump. Keeps the volume."""
    return pd.Series(flow).ewm(alpha=1 - math.exp(-1 / minutes), adjust=False).mean().to_numpy()


def wander(rng, count, minutes, spread):
    """Slow and smooth factor around one."""
    raw = reservoir(reservoir(rng.normal(size=count), minutes / 2), minutes / 6)
    return np.exp(spread * raw / (raw.std() or 1) - spread**2 / 2)


def plant_continuous(rng, local, **_):
    hour = np.asarray(local.hour + local.minute / 60)
    day = 0.55 + 0.35 * np.exp(-(((hour - 8.5) / 2.2) ** 2))
    day += 0.40 * np.exp(-(((hour - 19) / 3) ** 2)) - 0.25 * np.exp(-(((hour - 3.5) / 2.5) ** 2))
    return day * wander(rng, len(hour), 90, 0.15)


def plant_shifts(rng, local, night=0.22, weekend=0.25, **_):
    hour = np.asarray(local.hour + local.minute / 60)
    work = (hour >= 6) & (hour < 22) & np.asarray(local.day_of_week < 5)
    flow = np.where(work, 0.75, np.where(np.asarray(local.day_of_week >= 5), weekend, night))
    wash = work & (((hour >= 13.5) & (hour < 14)) | (hour >= 21.25))
    flow = np.where(wash, 1.0, flow)
    return reservoir(flow, 12) * wander(rng, len(hour), 60, 0.18)


def dumps(rng, local, volume, minutes, per_day):
    """Batches, mostly in working hours, each a volume let go at once (unit: busy minutes)."""
    hour = np.asarray(local.hour)
    chance = np.where((hour >= 6) & (hour < 22), 1.3, 0.3) * per_day / 1440
    chance = chance * np.where(np.asarray(local.day_of_week >= 5), 0.4, 1.0)
    starts = rng.random(len(hour)) < chance
    released = starts * volume * rng.lognormal(0, 0.3, len(hour))
    return reservoir(reservoir(released, 0.4 * minutes), 0.6 * minutes)


def plant_batches(rng, local, base=0.10, **_):
    return base * plant_shifts(rng, local) + dumps(rng, local, 22.0, 14, 16)


def plant_pumped(rng, local, run=7, rest=35, **_):
    """A sump: a pump runs `run` minutes and then there is nothing until it is full again."""
    inflow = plant_shifts(rng, local, night=0.3, weekend=0.3)
    inflow = inflow / inflow.mean()
    volume = (run + rest) * 1.0
    filled = np.floor(np.cumsum(inflow) / volume)
    starts = np.flatnonzero(np.diff(filled, prepend=0) > 0)
    change = np.zeros(len(local) + run + 1)
    np.add.at(change, starts, 1.0)
    np.add.at(change, starts + run, -1.0)
    return np.cumsum(change)[: len(local)] * 0.8


def plant_idle(rng, local, **_):
    """Works by day on five days; nothing at all else."""
    hour = np.asarray(local.hour + local.minute / 60)
    work = (hour >= 7) & (hour < 17) & np.asarray(local.day_of_week < 5)
    flow = np.where(work, 0.8, 0.0) * wander(rng, len(hour), 45, 0.15)
    flow = reservoir(flow, 6)
    return np.where(flow < 0.004, 0.0, flow)


PLANTS = {
    "continuous": plant_continuous,
    "shifts": plant_shifts,
    "batches": plant_batches,
    "pumped": plant_pumped,
    "idle": plant_idle,
}

# --- one site ------------------------------------------------------------------------------------

NUMBERS = {  # heading, unit, units per SI unit, decimals
    "head": ("Level", "mm", 1e3, 1),
    "distance": ("Distance", "mm", 1e3, 1),
    "depth": ("Depth", "mm", 1e3, 1),
    "downstream_head": ("Level B", "mm", 1e3, 1),
    "echo_time": ("Echo", "ms", 1e3, 4),
    "air_temperature": ("Air", "degC", 1, 1),
    "velocity": ("Velocity", "m/s", 1, 3),
    "flow": ("Flow", "gpm", 1 / GPM, 2),
    "totaliser": ("Total", "gal", 1 / GAL, 0),
    "humidity": ("Humidity", "%", 100, 0),
}
INCHES = {
    "head": ("Level", "in", 1 / 0.0254, 2),
    "distance": ("Distance", "in", 1 / 0.0254, 2),
    "depth": ("Depth", "in", 1 / 0.0254, 2),
    "velocity": ("Velocity", "ft/s", 1 / 0.3048, 2),
}


@dataclass
class Plan:
    """What a variant states; everything left out is drawn for the seed."""

    device: str = "flume"
    plant: str = "shifts"
    step: int | None = None  # minutes between rows
    months: int | None = None
    mean: bool = False  # rows are means over the step
    stamp: str = "interval end"
    scale: float = 1.0
    plant_keys: dict = field(default_factory=dict)
    storms: bool = False
    reads: bool | None = None  # supply reads and a balance
    basis: str | None = None
    zoned: bool = True  # the bracket was set so that the display agreed with the ruler
    drift: float = 1.0  # mm in 30 days, sign drawn
    rezero: bool = True
    visit_days: float | None = 40
    hand: float = 1.5  # mm, standard deviation of a ruler at the gauge
    ruler: float = 0.0  # mm between its marks, where they are coarse
    noise: float = 1.0  # mm at each reading
    spread: float | None = None  # of the installed rating, relative
    mark: str = ""  # what stands where there is no value
    told_mark: bool = True
    inches: bool | None = None
    hooks: dict = field(default_factory=dict)  # plant, water, sensor, rows, cells, file, case


class Site:
    """The arrays of one site, filled step by step; hooks of the plan act between the steps."""

    def __init__(self, plan: Plan, rng: np.random.Generator):
        self.plan, self.rng, self.device = plan, rng, DEVICES[plan.device]
        self.facts: dict = {}
        self.case: dict = {}
        self.files: dict[str, str] = {}
        self.calendar()
        for step in ("plant", "water", "sensor", "rows", "cells", "file", "case"):
            getattr(self, f"make_{step}")()
            if step in plan.hooks:
                plan.hooks[step](self)

    def calendar(self):
        plan, rng = self.plan, self.rng
        self.zone = str(rng.choice(list(ZONES)))
        months = plan.months or int(rng.choice([2, 2, 3, 3, 4, 6, 12]))
        self.step = plan.step or (15 if months > 4 else int(rng.choice([5, 10, 15])))
        first = dt.date(2024, 1, 1) + dt.timedelta(days=int(rng.integers(0, 500)))
        self.hour = int(rng.integers(6, 12))
        days = np.cumsum([0, *rng.integers(28, 34, months)])
        self.dates = [first + dt.timedelta(days=int(day)) for day in days]
        stamp = [f"{date} {self.hour:02d}:00" for date in self.dates]
        self.bounds = pd.DatetimeIndex(stamp).tz_localize(self.zone).tz_convert("UTC")
        self.minutes = pd.date_range(
            self.bounds[0] - pd.Timedelta("1D"), self.bounds[-1] + pd.Timedelta("1D"), freq="min"
        )
        self.local = self.minutes.tz_convert(self.zone)
        self.clock = str(rng.choice(["site", "standard", "UTC"]))
        self.day = np.arange(len(self.minutes)) / 1440.0

    def make_plant(self):
        plan, rng = self.plan, self.rng
        flow = PLANTS[plan.plant](rng, self.local, **plan.plant_keys)
        season = 1 + 0.12 * np.sin(2 * np.pi * (self.day / 365 + rng.random()))
        self.process = flow * season * self.device.peak * plan.scale * rng.uniform(0.85, 1.15)
        self.rain = np.zeros(len(self.day))
        if plan.storms:
            for start in np.flatnonzero(rng.random(len(self.day)) < 0.13 / 1440):
                length = int(rng.integers(60, 500))
                burst = rng.gamma(2, 0.5, len(self.rain[start : start + length]))
                self.rain[start : start + length] += rng.uniform(4, 30) / 1000 * burst / length
        self.area, self.runoff = 250.0, rng.uniform(0.82, 0.98)
        self.storm = reservoir(self.rain * self.area * self.runoff / 60, 20)

    @property
    def flow(self):
        return self.process + self.storm

    def make_water(self):
        """True head, with the rating as it was installed."""
        plan, rng = self.plan, self.rng
        spread = self.device.spread if plan.spread is None else plan.spread
        self.rating = 1 + float(np.clip(rng.normal(0, spread), -2.5 * spread, 2.5 * spread))
        season = 14 + 7 * np.sin(2 * np.pi * (self.day / 365 + rng.random()))
        hour = np.asarray(self.local.hour + self.local.minute / 60)
        self.air = season + 1.2 * np.sin(2 * np.pi * (hour - 9) / 24)
        self.air += rng.normal(0, 1.0) * np.sin(2 * np.pi * self.day / 9)
        self.wet = np.full(len(self.day), rng.uniform(0.75, 0.98))
        self.tail = None
        if self.device.head is not None:
            self.surface = self.device.head(self.flow / self.rating)
        else:
            self.surface = np.zeros(len(self.day))
        if self.device.channel == "velocity":
            area, _ = segment(self.surface)
            self.velocity = np.where(self.surface > 0.003, self.flow / area / self.rating, 0)
            self.surface = self.device.head(self.flow)

    def make_sensor(self):
        """What the sensor shows at each minute; the zero moves and is set back at visits."""
        plan, rng = self.plan, self.rng
        rate = plan.drift / 1000 / 30 * rng.choice([-1, 1]) * rng.uniform(0.3, 1.0)
        self.visits = []
        zero = np.zeros(len(self.day))
        now, since = rng.normal(0, plan.hand / 1000), 0
        if plan.visit_days and self.device.head is not None:
            at = rng.uniform(2, 12)
            while at < self.day[-1] - 1:
                place = self.look(int(at * 1440))
                self.visits.append({"place": place, "error": self.hand_error(place)})
                at += plan.visit_days * rng.uniform(0.7, 1.3)
        for visit in [*self.visits, {"place": len(zero)}]:
            place = visit["place"]
            part = slice(since, place + 1)  # the minute of the visit still shows the old zero
            zero[part] = now + rate * (self.day[part] - self.day[since])
            if place < len(zero):
                seen = zero[place]
                visit["set"] = plan.rezero and abs(seen - visit["error"]) > 0.003
                now, since = visit["error"] if visit["set"] else seen, place + 1
        self.zero = zero
        self.shown = self.surface + zero

    def hand_error(self, place):
        """What the hand reading is off: its own scatter and the marks of the ruler."""
        error = self.rng.normal(0, self.plan.hand / 1000)
        if self.plan.ruler:
            mark = self.plan.ruler / 1000
            error = round((self.surface[place] + error) / mark) * mark - self.surface[place]
        return error

    def look(self, place):
        """The first minute of that day's working hours with water in the device."""
        start = place - place % 1440
        hours = np.asarray(self.local.hour[start : start + 1440])
        deep = self.surface[start : start + 1440] > 0.03
        good = np.flatnonzero((hours >= 9) & (hours < 15) & deep)
        return start + int(good[len(good) // 2] if len(good) else 600)

    def make_rows(self):
        """Rows in SI by true time; means are stamped at the end of their interval here."""
        plan, rng, step = self.plan, self.rng, self.step
        count = len(self.minutes) // step
        at = np.arange(count) * step

        def take(values):
            if plan.mean:
                return values[: count * step].reshape(count, step).mean(axis=1)
            return values[at]

        noise = plan.noise / 1000 / (math.sqrt(step) if plan.mean else 1)
        level = take(self.shown) + rng.normal(0, noise, count)
        lift = pd.Timedelta(minutes=step if plan.mean else 0)
        rows = pd.DataFrame(index=self.minutes[at] + lift)
        self.reference = 0.9144 + 0.3 * rng.integers(0, 3)
        self.stated_reference = self.reference
        kind = self.device.channel
        if kind == "head":
            rows["head"] = level
        elif kind == "distance":
            rows["distance"] = self.reference - level
        elif kind == "echo":
            air, wet = take(self.air), take(self.wet)
            rows["echo_time"] = 2 * (self.reference - level) / sound_speed(air, wet)
            rows["air_temperature"] = air + rng.normal(0, 0.4) + rng.normal(0, 0.1, count)
            if plan.zoned:  # dry air is taken for granted, and the ruler takes it back at the start
                share = sound_speed(air[0]) / sound_speed(air[0], wet[0])
                distance = self.reference - np.median(level)
                self.stated_reference = self.reference + distance * (share - 1)
        elif kind == "velocity":
            rows["depth"] = np.maximum(level, 0)
            rows["velocity"] = take(self.velocity) * (1 + rng.normal(0, 0.02, count))
        else:
            rows["flow"] = take(self.flow) * self.rating
        self.rows, self.level = rows, rows.columns[0]

    def share(self, low, high):
        """A mask over rows: one contiguous share of the record at a drawn place."""
        count = len(self.rows)
        length = int(count * self.rng.uniform(low, high))
        start = int(self.rng.integers(int(0.05 * count), count - length))
        return (np.arange(count) >= start) & (np.arange(count) < start + length)

    def span(self, days):
        """A mask over rows: so many days at a drawn place inside the billed time."""
        start = self.bounds[0] + pd.Timedelta(
            days=float(
                self.rng.uniform(1, max(1.1, (self.bounds[-1] - self.bounds[0]).days - days - 1))
            )
        )
        return (self.rows.index >= start) & (self.rows.index < start + pd.Timedelta(days=days))

    @property
    def wall(self):
        return self.rows.index.tz_convert(self.zone)

    def units(self, role):
        inches = self.plan.inches
        if inches is None:
            self.plan.inches = inches = bool(self.rng.random() < 0.5)
        return (INCHES if inches and role in INCHES else NUMBERS)[role]

    def heading(self, role):
        name, unit, _, _ = self.units(role)
        return f"{name} ({unit})"

    def stamps(self, index):
        """Text of the times by the clock of the logger."""
        index = index - pd.Timedelta(
            minutes=self.step if self.plan.mean and self.plan.stamp == "interval start" else 0
        )
        hours = int(ZONES[self.zone][3:6])
        if self.clock == "site":
            index = index.tz_convert(self.zone)
        elif self.clock == "standard":
            index = index + pd.Timedelta(hours=hours)
        return index.strftime("%Y-%m-%d %H:%M")

    def make_cells(self):
        cells = pd.DataFrame({"Time": self.stamps(self.rows.index)})
        for role in self.rows:
            values = self.rows[role].to_numpy()
            if role in NUMBERS:
                _, _, factor, decimals = self.units(role)
                text = [
                    f"{value:.{decimals}f}" if value == value else self.plan.mark
                    for value in values * factor
                ]
                cells[self.heading(role)] = text
            else:
                cells[role.capitalize()] = values
        self.cells = cells

    def make_file(self):
        self.files["log.csv"] = self.cells.to_csv(index=False, lineterminator="\n")

    def make_case(self):
        """Invoices, reads and the case; the true volume of each period."""
        plan, rng = self.plan, self.rng
        at = np.searchsorted(self.minutes, self.bounds)
        volume = np.concatenate([[0], np.cumsum(self.flow) * 60])
        self.truth = np.diff(volume[at])
        has_head = self.device.head is not None
        reads = bool(rng.random() < 0.6) if plan.reads is None else plan.reads
        basis = plan.basis or (str(rng.choice(["discharge", "intake"])) if reads else "discharge")
        reads = reads or basis == "intake"
        self.label = str(rng.choice(["fair", "over", "under"], p=[0.6, 0.25, 0.15]))
        aim = {"fair": 1.0, "over": 1.10, "under": 0.90}[self.label]
        case: dict = {
            "case": {
                "title": f"Invented site with a {plan.device}",
                "time_zone": self.zone,
                "basis": basis,
                "return_factor": 1.0,
            }
        }
        case["display"] = {"volume": "kgal", "discharge": "gpm", "head": "in", "money": "USD"}
        case["invoices"] = {
            "file": "invoices.csv",
            "volume_unit": "kgal",
            "read_hour": f"{self.hour:02d}:00",
            "end_day_counts": False,
        }
        if reads:
            factor = self.supply(case, aim)
            billed = np.diff(self.read_at(at)) * 100 * GAL * factor
        if basis == "discharge":
            billed = self.truth * aim * (1 + rng.normal(0, 0.004, len(self.truth)))
            billed *= 1 + (rng.uniform(-0.015, 0.015) if self.label == "fair" else 0)
        else:
            case["case"]["return_factor"] = factor
        self.billed = np.round(billed / KGAL, 1) * KGAL
        lines = ["invoice,start,end,billed_volume,total"]
        for number, volume_m3 in enumerate(self.billed):
            kgal = round(volume_m3 / KGAL, 1)
            lines.append(
                f"N{number + 1:02d},{self.dates[number]},{self.dates[number + 1]},"
                f"{kgal:.1f},{kgal * 7.15:.2f}"
            )
        self.files["invoices.csv"] = "\n".join(lines) + "\n"
        columns: dict = {"time": "Time"}
        for role in self.rows:
            if role in NUMBERS:
                columns[role] = {"name": self.heading(role), "unit": self.units(role)[1]}
        effluent = {"file": "log.csv", **self.device.keys}
        if self.device.channel in ("echo", "distance"):
            effluent["reference_distance"] = f"{self.stated_reference * 1000:.1f} mm"
        effluent["longest_bridge"] = f"{max(30, round(2.5 * self.step))} min"
        if self.clock != "site":
            effluent["time_zone"] = ZONES[self.zone] if self.clock == "standard" else "UTC"
        if plan.mean:
            effluent["stamp"] = plan.stamp
        if plan.mark and plan.told_mark:
            effluent["missing_marks"] = [plan.mark]
        effluent["columns"] = columns
        if has_head and self.visits:
            effluent["visit"] = [self.visit_text(visit) for visit in self.visits]
        case["effluent"] = effluent
        case["rule"] = {"tolerance": "5 %", "coverage": 0.95}
        self.case = case

    def visit_text(self, visit):
        place = visit["place"]
        unit, factor, decimals = ("in", 1 / 0.0254, 2) if self.plan.inches else ("mm", 1e3, 1)
        hand = self.surface[place] + visit["error"]
        shown = self.shown[place]
        return {
            "time": self.local[place].strftime("%Y-%m-%d %H:%M"),
            "hand": f"{max(hand, 0) * factor:.{decimals}f} {unit}",
            "instrument": f"{shown * factor:.{decimals}f} {unit}",
            "rezeroed": bool(visit.get("set", False)),
        }

    def supply(self, case, aim):
        """Supply register and the water that stays in the product; the factor of the bill."""
        rng = self.rng
        stated = float(rng.choice([0.14, 0.18, 0.22]))
        kept = stated + float(rng.normal(0, 0.008))
        meter = 1 + float(np.clip(rng.normal(0, 0.009), -0.02, 0.02))
        self.register = np.concatenate([[0], np.cumsum(self.process) * 60 / (1 - kept) * meter]) / (
            100 * GAL
        )
        self.register_start = int(rng.integers(10000, 700000))
        at = np.searchsorted(self.minutes, self.bounds)
        places = set(int(value) for value in at)
        for day in np.arange(0.3, self.day[-1], 7):
            places.add(int(day * 1440 + rng.integers(0, 120)))
        places = sorted(places)
        counts = self.read_at(np.array(places))
        text = [self.local[place].strftime("%Y-%m-%d %H:%M") for place in places]
        self.reads = list(zip(text, [int(count) for count in counts], strict=True))
        self.write_reads()
        case["intake"] = [
            {
                "meter": "main",
                "file": "meter.csv",
                "unit": "gal",
                "multiplier": 100,
                "digits": 7,
                "error": {
                    "expanded": "2 %",
                    "coverage_factor": 2,
                    "source": "invented test certificate",
                },
            }
        ]
        case["use"] = [
            {
                "name": "water in product",
                "kind": "fraction",
                "fraction_of": "main",
                "fraction": {
                    "value": f"{stated * 100:.0f} %",
                    "standard": "1 %",
                    "source": "invented count of the filler",
                },
                "credited": False,
            }
        ]
        if self.plan.storms:
            daily = (
                pd.Series(self.rain * 1000, index=self.local)
                .groupby(self.local.strftime("%Y-%m-%d"))
                .sum()
            )
            self.files["rain.csv"] = "day,rain\n" + "".join(
                f"{day},{amount:.2f}\n" for day, amount in daily.items()
            )
            case["inflow"] = [
                {
                    "name": "roof",
                    "kind": "rain",
                    "area": f"{self.area} m2",
                    "log": {
                        "file": "rain.csv",
                        "unit": "mm",
                        "columns": {"time": "day", "amount": "rain"},
                    },
                    "runoff_share": {"value": "90 %", "standard": "5 %"},
                }
            ]
        storm = self.storm.sum() / self.process.sum()
        return round(float((1 - kept) * aim * (1 + storm)), 3)

    def read_at(self, places):
        return np.floor(self.register[places] + self.register_start)

    def write_reads(self):
        self.files["meter.csv"] = "time,register\n" + "".join(
            f"{when},{count}\n" for when, count in self.reads
        )

    def write(self, folder: Path):
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in {**self.files, "case.toml": toml(self.case)}.items():
            (folder / name).write_text(text, encoding="utf-8")


def toml(case):
    """The case as text; tables within a section get their own heading where they hold tables."""

    def value(item):
        if isinstance(item, dict):
            return "{ " + ", ".join(f"{key(k)} = {value(v)}" for k, v in item.items()) + " }"
        if isinstance(item, list):
            return "[" + ", ".join(value(one) for one in item) + "]"
        if isinstance(item, (bool, str)):
            return json.dumps(item, ensure_ascii=False)
        return repr(item)

    def key(name):
        return name if name.replace("_", "").isalnum() and name.isascii() else json.dumps(name)

    lines: list[str] = ["# Invented; no real site, person or firm.", ""]

    def table(name, content, mark="[{}]"):
        lines.append(mark.format(name))
        later = []
        for one, item in content.items():
            section = isinstance(item, dict) and one in ("columns", "checklist", "status")
            section = section and name == "effluent"
            rows = isinstance(item, list) and item and isinstance(item[0], dict)
            if section or rows:
                later.append((f"{name}.{one}", item))
            else:
                lines.append(f"{key(one)} = {value(item)}")
        lines.append("")
        for path, item in later:
            for part in item if isinstance(item, list) else [item]:
                table(path, part, "[[{}]]" if isinstance(item, list) else "[{}]")

    for name, content in case.items():
        for part in content if isinstance(content, list) else [content]:
            table(name, part, "[[{}]]" if isinstance(content, list) else "[{}]")
    return "\n".join(lines)


# --- the register of worlds ----------------------------------------------------------------------

VERDICT = ("verdict",)
EITHER = ("verdict", "no verdict")
NONE = ("no verdict",)
ASK = ("verdict", "no verdict", "refused", "asked")
REFUSE = ("refused", "asked", "no verdict")


@dataclass(frozen=True)
class World:
    make: Callable
    allowed: tuple
    needs: tuple = ()


WORLDS: dict[str, dict[str, World]] = {}


def world(name, variant, allowed=EITHER, needs=()):
    def note(make):
        WORLDS.setdefault(name, {})[variant] = World(make, allowed, tuple(needs))
        return make

    return note


def plain(name, variant, allowed=EITHER, needs=(), **keys):
    """A variant that is a plan and nothing else; `hooks` are functions of the site."""
    world(name, variant, allowed, needs)(lambda rng: Plan(**keys))


def with_case(change):
    return {"case": change}


def effluent(**keys):
    """A hook that adds keys under [effluent]."""
    return lambda site: site.case["effluent"].update(keys)


def sets(name, make):
    """A hook that replaces an array of the site."""
    return lambda site: setattr(site, name, make(site))


def fills(role, make):
    """A hook that replaces a channel of the rows."""

    def hook(site):
        site.rows[role] = make(site)

    return hook


def on(role, hook):
    """A hook that acts on another channel than the first."""

    def run(site):
        site.level = role
        hook(site)

    return run


# --- sound sites ---------------------------------------------------------------------------------


def answer_yes(site):
    site.case["effluent"]["checklist"] = {
        point: "yes; seen and measured at the last visit" for point in site.device.asked
    }


def closed_weeks(site):
    days = site.rng.uniform(8, 16)
    start = site.rng.uniform(5, max(6, site.day[-1] - days - 5))
    site.process = np.where((site.day > start) & (site.day < start + days), 0, site.process)


def short_gaps(site):
    for _ in range(int(site.rng.integers(3, 9))):
        site.rows.loc[site.span(site.rng.uniform(0.03, 0.2)), site.level] = np.nan


plain("sound", "flume, shifts", VERDICT)
plain("sound", "flume, echo", VERDICT, device="flume echo", plant="continuous")
plain("sound", "notch, shifts", VERDICT, device="notch", step=10)
plain("sound", "notch, all day", VERDICT, device="notch", plant="continuous")
plain("sound", "weir, distance", VERDICT, device="weir", plant="shifts")
plain("sound", "pipe, depth and velocity", VERDICT, device="pipe", plant="continuous")
plain("sound", "full pipe, means", VERDICT, device="full pipe", mean=True)
plain("sound", "full pipe, pumped, means", VERDICT, device="full pipe", plant="pumped", mean=True)
plain(
    "sound",
    "flume, long pump runs",
    VERDICT,
    plant="pumped",
    step=5,
    months=2,
    plant_keys={"run": 50, "rest": 70},
)
plain("sound", "flume, batches", VERDICT, plant="batches", step=5, months=3)
plain("sound", "flume, day work, dry nights", VERDICT, plant="idle", step=5, months=3)
plain("sound", "notch, plant closed", VERDICT, device="notch", hooks={"plant": closed_weeks})
plain("sound", "flume, storms, reads", VERDICT, storms=True, reads=True)
plain("sound", "flume, storms, no reads", VERDICT, storms=True, reads=False)
plain(
    "sound",
    "flume, short gaps",
    VERDICT,
    device="flume distance",
    mark="-999",
    hooks={"rows": short_gaps},
)
plain("sound", "flume, rough surface", VERDICT, noise=3.0)
plain("sound", "notch, checked points", VERDICT, device="notch", hooks=with_case(answer_yes))
plain("sound", "flume, no visits", VERDICT, visit_days=None, drift=0.5)
plain("sound", "full pipe, day work", VERDICT, device="full pipe", plant="idle", mean=True)
plain("sound", "flume, slow means of level", VERDICT, plant="continuous", mean=True, step=15)
plain(
    "sound",
    "flume, instants stated",
    VERDICT,
    ["values"],
    hooks=with_case(effluent(values="instant")),
)

# --- means and sparse instants -------------------------------------------------------------------


def stated_mean(site):
    site.case["effluent"]["values"] = "interval mean"


MEAN = {"mean": True, "months": 3}
PUMP = {"run": 8, "rest": 40}
plain("means of level", "hourly, pumped", plant="pumped", step=60, plant_keys=PUMP, **MEAN)
plain(
    "means of level",
    "hourly, pumped, notch",
    device="notch",
    plant="pumped",
    step=60,
    plant_keys={"run": 12, "rest": 90},
    **MEAN,
)
plain("means of level", "hourly, batches", plant="batches", step=60, **MEAN)
plain(
    "means of level",
    "hourly, stated by key",
    plant="pumped",
    step=60,
    plant_keys=PUMP,
    needs=["values"],
    hooks=with_case(stated_mean),
    **MEAN,
)
plain("means of level", "daily, shifts", step=1440, plant="shifts", **MEAN)
plain(
    "means of level",
    "daily, day work",
    step=1440,
    plant="idle",
    needs=["values"],
    hooks=with_case(stated_mean),
    **MEAN,
)
plain("means of level", "15 min, pumped", plant="pumped", step=15, plant_keys=PUMP, **MEAN)
plain("means of level", "hourly, smooth flow", plant="continuous", step=60, **MEAN)
plain(
    "means of level",
    "hourly, stamped at the start",
    plant="batches",
    step=60,
    stamp="interval start",
    **MEAN,
)


def finer_stretch(site):
    """One week was logged every five minutes, the rest as hourly means."""
    keep = site.span(7)
    start, end = site.rows.index[keep][[0, -1]]
    fine = site.minutes[(site.minutes >= start) & (site.minutes < end)][::5]
    place = np.searchsorted(site.minutes, fine)
    mean = pd.Series(site.shown).rolling(5).mean().to_numpy()[place]
    rows = pd.DataFrame({"head": mean}, index=fine)
    site.rows = pd.concat([site.rows[~keep], rows]).sort_index()


plain(
    "means of level",
    "hourly, a finer week",
    plant="pumped",
    step=60,
    plant_keys=PUMP,
    hooks={"rows": finer_stretch},
    **MEAN,
)

FULL = {"device": "full pipe", "mean": True}
plain("means of flow", "15 min, pumped", VERDICT, plant="pumped", step=15, **FULL)
plain("means of flow", "hourly, pumped", VERDICT, plant="pumped", step=60, plant_keys=PUMP, **FULL)
plain(
    "means of flow",
    "hourly, stamped at the start",
    VERDICT,
    plant="batches",
    step=60,
    stamp="interval start",
    **FULL,
)
plain("means of flow", "daily", plant="shifts", step=1440, **FULL)
plain(
    "means of flow",
    "hourly, stated by key",
    VERDICT,
    ["values"],
    plant="pumped",
    step=60,
    hooks=with_case(stated_mean),
    **FULL,
)


def peaks_of_interval(site):
    count = len(site.rows)
    flow = site.flow[: count * site.step].reshape(count, site.step).max(axis=1)
    site.rows["flow"] = flow * site.rating


plain(
    "means of flow",
    "interval maxima, stated",
    REFUSE,
    ["values"],
    plant="batches",
    step=15,
    hooks={"rows": peaks_of_interval, "case": effluent(values="interval maximum")},
    **FULL,
)

plain(
    "sparse instants",
    "hourly, long pump runs",
    plant="pumped",
    step=60,
    months=3,
    plant_keys={"run": 25, "rest": 50},
)
plain("sparse instants", "hourly, batches", plant="batches", step=60, months=3)
plain("sparse instants", "half-hourly, batches, notch", device="notch", plant="batches", step=30)
plain("sparse instants", "two-hourly, shifts", plant="shifts", step=120, months=4)
plain(
    "sparse instants",
    "hourly, pump in step with the logger",
    device="full pipe",
    plant="pumped",
    step=60,
    plant_keys={"run": 20, "rest": 42},
)
plain(
    "sparse instants",
    "15 min, short pump runs, flow",
    device="full pipe",
    plant="pumped",
    step=15,
    plant_keys={"run": 6, "rest": 30},
)

# --- lost time that is not random ----------------------------------------------------------------


def lose(choose, drop=False):
    def hook(site):
        mask = choose(site)
        if drop:
            site.rows = site.rows[~mask]
        else:
            site.rows.loc[mask, site.level] = np.nan

    return hook


def nights(site):
    return np.asarray((site.wall.hour >= 22) | (site.wall.hour < 6))


def weekends(site):
    return np.asarray(site.wall.day_of_week >= 5)


def high_water(site):
    values = site.rows[site.level].to_numpy()
    limit = np.nanquantile(values, 0.92 if site.level in ("head", "flow", "depth") else 0.08)
    return values > limit if site.level in ("head", "flow", "depth") else values < limit


def washing_hour(site):
    return np.asarray((site.wall.hour == 21) & (site.wall.day_of_week < 5))


def busy_days(site):
    return np.asarray((site.wall.hour >= 7) & (site.wall.hour < 17))


for label, choose in {
    "nights": nights,
    "weekends": weekends,
    "high water": high_water,
    "washing hour": washing_hour,
    "busy days": busy_days,
}.items():
    plain("lost time", f"{label}, rows missing", hooks={"rows": lose(choose, drop=True)})
    plain(
        "lost time",
        f"{label}, cells marked",
        device="flume distance",
        mark="-999",
        hooks={"rows": lose(choose)},
    )
plain(
    "lost time",
    "nights, flow only",
    device="full pipe",
    mean=True,
    hooks={"rows": lose(nights, drop=True)},
)
plain(
    "lost time",
    "weekends, high at weekends",
    plant="continuous",
    hooks={
        "plant": sets(
            "process",
            lambda site: site.process * np.where(np.asarray(site.local.day_of_week >= 5), 1.6, 0.8),
        ),
        "rows": lose(weekends, drop=True),
    },
)

# --- values that are none ------------------------------------------------------------------------


def hold(*masks):
    """A held value: what stood at the beginning of each stretch stays."""

    def hook(site):
        for mask in masks:
            chosen = np.asarray(mask(site))
            column = site.rows[site.level]
            first = chosen & ~np.concatenate([[False], chosen[:-1]])
            held = column.where(first | ~chosen).ffill()
            site.rows[site.level] = column.where(~chosen, held)

    return hook


def days(low, high):
    return lambda site: site.span(site.rng.uniform(low, high))


def some_hours(site):
    mask = np.zeros(len(site.rows), bool)
    for _ in range(int(site.rng.integers(8, 25))):
        mask |= site.span(site.rng.uniform(0.15, 0.5))
    return mask


for label, choose in {
    "hours, many times": some_hours,
    "days": days(4, 12),
    "every weekend": weekends,
    "every night": nights,
}.items():
    plain("held value", f"level, {label}", hooks={"rows": hold(choose)})
    plain(
        "held value",
        f"flow only, {label}",
        device="full pipe",
        mean=True,
        hooks={"rows": hold(choose)},
    )


def twitching(site):
    """Stuck, but the last digit moves."""
    chosen = site.span(site.rng.uniform(5, 12))
    value = site.rows[site.level][chosen].iloc[0]
    step = 0.0002 if site.level != "flow" else 0.002 * GPM * 100
    site.rows.loc[chosen, site.level] = value + site.rng.choice([-step, 0, step], chosen.sum())


plain("held value", "level, twitching digit", hooks={"rows": twitching})
plain(
    "held value",
    "velocity, days",
    device="pipe",
    plant="continuous",
    hooks={"rows": on("velocity", hold(days(5, 12)))},
)


def constant(value, choose):
    def hook(site):
        level = value(site) if callable(value) else value
        site.rows.loc[np.asarray(choose(site)), site.level] = level

    return hook


def dry(site):
    """A pressure sensor in air: around nothing, with its own noise."""
    chosen = np.asarray(site.span(site.rng.uniform(8, 14)))
    site.rows.loc[chosen, "head"] = np.abs(site.rng.normal(0, 0.0008, chosen.sum()))


def dry_many(site):
    for _ in range(int(site.rng.integers(4, 8))):
        chosen = np.asarray(site.span(site.rng.uniform(0.7, 2.5)))
        site.rows.loc[chosen, "head"] = 0.0005


def dry_negative(site):
    chosen = np.asarray(site.span(site.rng.uniform(6, 14)))
    site.rows.loc[chosen, "head"] = -0.012 + site.rng.normal(0, 0.0005, chosen.sum())


plain("out of the water", "eleven days, all day flow", plant="continuous", hooks={"rows": dry})
plain("out of the water", "a few times for a day", hooks={"rows": dry_many})
plain(
    "out of the water",
    "below zero",
    plant="continuous",
    device="notch",
    hooks={"rows": dry_negative},
)
plain(
    "out of the water",
    "one whole invoice",
    plant="continuous",
    months=3,
    hooks={
        "rows": constant(
            0.0,
            lambda site: (site.rows.index >= site.bounds[1]) & (site.rows.index < site.bounds[2]),
        )
    },
)

plain(
    "dead channel",
    "level at zero",
    plant="continuous",
    hooks={"rows": constant(0.0, lambda site: site.share(0.15, 0.4))},
)
plain("dead channel", "level at full scale", hooks={"rows": constant(0.4000, days(5, 12))})
plain(
    "dead channel",
    "flow at zero",
    device="full pipe",
    plant="continuous",
    mean=True,
    hooks={"rows": constant(0.0, days(8, 16))},
)
plain(
    "dead channel",
    "flow at full scale",
    device="full pipe",
    mean=True,
    hooks={"rows": constant(0.0252, days(4, 10))},
)
plain(
    "dead channel",
    "flow at zero throughout",
    NONE,
    device="full pipe",
    mean=True,
    hooks={"rows": constant(0.0, lambda site: np.ones(len(site.rows), bool))},
)
plain(
    "dead channel",
    "velocity at zero",
    device="pipe",
    plant="continuous",
    hooks={"rows": on("velocity", constant(0.0, days(6, 12)))},
)
plain(
    "dead channel",
    "depth at zero, velocity alive",
    device="pipe",
    plant="continuous",
    hooks={"rows": constant(0.0, days(6, 12))},
)

plain(
    "real zeros",
    "pumped flow, 5 min instants",
    VERDICT,
    device="full pipe",
    plant="pumped",
    step=5,
    months=3,
    plant_keys={"run": 12, "rest": 40},
)
plain(
    "real zeros",
    "pumped flow, 15 min means",
    VERDICT,
    device="full pipe",
    plant="pumped",
    step=15,
    mean=True,
    plant_keys={"run": 20, "rest": 60},
)
plain(
    "real zeros",
    "single rows between zeros",
    VERDICT,
    device="full pipe",
    plant="pumped",
    step=5,
    mean=True,
    months=3,
    plant_keys={"run": 4, "rest": 50},
)
plain(
    "real zeros",
    "single zeros between rows",
    VERDICT,
    device="full pipe",
    plant="pumped",
    step=5,
    mean=True,
    months=3,
    plant_keys={"run": 24, "rest": 7},
)
plain(
    "real zeros",
    "flume, pumped",
    plant="pumped",
    step=5,
    months=3,
    plant_keys={"run": 15, "rest": 45},
)
plain(
    "real zeros", "dry weekends, exactly zero", VERDICT, device="full pipe", plant="idle", mean=True
)
plain(
    "real zeros",
    "plant closed for weeks, flow",
    VERDICT,
    device="full pipe",
    mean=True,
    months=4,
    hooks={"plant": closed_weeks},
)


def spikes(size, runs=1, many=40):
    def hook(site):
        rows = site.rows[site.level].to_numpy().copy()
        for place in site.rng.integers(10, len(rows) - 10, many):
            rows[place : place + runs] = size(site, rows[place])
        site.rows[site.level] = rows

    return hook


plain(
    "spikes",
    "flow only, single",
    device="full pipe",
    mean=True,
    hooks={"rows": spikes(lambda site, _: site.rng.uniform(0.06, 0.4))},
)
plain(
    "spikes",
    "flow only, three rows",
    device="full pipe",
    mean=True,
    hooks={"rows": spikes(lambda site, _: site.rng.uniform(0.05, 0.2), 3, 20)},
)
plain(
    "spikes", "level, single", hooks={"rows": spikes(lambda site, _: site.rng.uniform(0.28, 0.44))}
)
plain(
    "spikes",
    "level, rags of half an hour",
    step=5,
    months=3,
    hooks={"rows": spikes(lambda site, old: old + site.rng.uniform(0.05, 0.15), 6, 40)},
)
plain(
    "spikes",
    "velocity, single",
    device="pipe",
    hooks={"rows": on("velocity", spikes(lambda site, _: site.rng.uniform(2.5, 5.0)))},
)


def rinse(site):
    """A real rinse: ten minutes of full flow every working morning."""
    stroke = (np.asarray(site.local.hour) == 5) & (np.asarray(site.local.minute) < 10)
    stroke &= np.asarray(site.local.day_of_week < 5)
    site.process = site.process + reservoir(stroke * site.device.peak * 1.3, 2)


plain(
    "spikes",
    "real rinse every morning, flow",
    VERDICT,
    device="full pipe",
    mean=True,
    step=5,
    months=3,
    hooks={"plant": rinse},
)
plain(
    "spikes", "real rinse every morning, level", VERDICT, step=5, months=3, hooks={"plant": rinse}
)

# --- air -----------------------------------------------------------------------------------------


def air(change):
    def hook(site):
        site.rows["air_temperature"] = change(site, site.rows["air_temperature"].copy())

    return hook


def no_air_for_months(site, values):
    values[site.share(0.35, 0.6)] = np.nan
    return values


def frozen_air(site, values):
    return values.where(~site.share(0.4, 0.8), 12.0)


def air_only_by_day(site, values):
    return values.where(~nights(site))


def air_in_the_sun(site, values):
    hour = np.asarray(site.wall.hour + site.wall.minute / 60)
    return values + 11 * np.clip(np.sin(np.pi * (hour - 7) / 12), 0, None)


def no_air_at_all(site, values):
    return values * np.nan


ECHO = {"device": "flume echo", "plant": "continuous"}
for label, change in {
    "missing for months": no_air_for_months,
    "frozen": frozen_air,
    "missing at night": air_only_by_day,
    "in the sun": air_in_the_sun,
}.items():
    plain("air temperature", label, hooks={"rows": air(change)}, **ECHO)
plain("air temperature", "missing throughout", REFUSE, hooks={"rows": air(no_air_at_all)}, **ECHO)
plain(
    "air temperature",
    "dead at -40",
    hooks={"rows": air(lambda site, values: values.where(~site.share(0.1, 0.3), -40.0))},
    **ECHO,
)


def fixed_compensation(site):
    """The logger turns echoes into distances for 20 degC; the air is another and not recorded."""
    warm = site.air[:: site.step][: len(site.rows)]
    true = site.rows["distance"]
    site.rows["distance"] = true * sound_speed(20.0) / sound_speed(warm, 0.9)


plain(
    "air temperature",
    "distance, fixed compensation",
    device="flume distance",
    plant="continuous",
    hooks={"rows": fixed_compensation},
)


def warm_wet(site):
    site.air = site.air * 0.3 + 28
    site.wet = np.full(len(site.day), site.rng.uniform(0.93, 1.0))


def humidity_column(site):
    site.rows["humidity"] = site.wet[:: site.step][: len(site.rows)]


plain("humid air", "taped distance", zoned=False, hooks={"water": warm_wet}, **ECHO)
plain("humid air", "zeroed on the spot", zoned=True, hooks={"water": warm_wet}, **ECHO)
plain(
    "humid air",
    "humidity measured",
    needs=["humidity"],
    zoned=False,
    hooks={"water": warm_wet, "rows": humidity_column},
    **ECHO,
)
plain(
    "humid air",
    "saturated stated",
    needs=["air"],
    zoned=False,
    hooks={"water": warm_wet, "case": effluent(air="saturated")},
    **ECHO,
)
plain(
    "humid air",
    "dry stated, air not dry",
    needs=["air"],
    zoned=False,
    hooks={"water": warm_wet, "case": effluent(air="dry")},
    **ECHO,
)
plain(
    "humid air", "taped, no visits", zoned=False, visit_days=None, hooks={"water": warm_wet}, **ECHO
)

# --- outside the range of the device -------------------------------------------------------------


def overtopped(site):
    """Above the walls more passes than the rating knows."""
    high = site.surface > 0.457
    site.surface = np.where(high, 0.457 + 0.6 * (site.surface - 0.457), site.surface)


def weak_low(limit):
    """Below the published range the installed rating leaves the equation."""

    def hook(site):
        shortfall = np.clip(1 - site.surface / limit, 0, 1)
        error = site.rng.uniform(-0.10, 0.22) * shortfall
        site.surface = site.device.head(site.flow / site.rating / (1 + error))

    return hook


plain(
    "above the range",
    "storms",
    storms=True,
    reads=False,
    scale=1.8,
    hooks={"plant": sets("storm", lambda site: site.storm * 12), "water": overtopped},
)
plain("above the range", "shifts", scale=4.5, hooks={"water": overtopped})
plain(
    "above the range",
    "notch drowned",
    device="notch",
    scale=8.0,
    hooks={
        "water": sets(
            "surface",
            lambda site: np.minimum(
                site.surface, 0.381 + 0.3 * np.maximum(site.surface - 0.381, 0)
            ),
        )
    },
)
plain("below the range", "flume", scale=0.05, hooks={"water": weak_low(0.0305)})
plain("below the range", "notch", device="notch", scale=0.10, hooks={"water": weak_low(0.06)})
plain(
    "below the range",
    "nights only",
    plant_keys={"night": 0.02, "weekend": 0.02},
    hooks={"water": weak_low(0.0305)},
)
plain("below the range", "weir", device="weir", scale=0.12, hooks={"water": weak_low(0.03)})

# --- zero, bracket, fouling ----------------------------------------------------------------------


def step_of_zero(low, high, sign=None):
    """The bracket slips once; what a visit sees afterwards shows it."""

    def hook(site):
        size = site.rng.uniform(low, high) / 1000 * (sign or site.rng.choice([-1, 1]))
        place = int(len(site.day) * site.rng.uniform(0.25, 0.75))
        back = len(site.day)
        for visit in site.visits:
            if visit["place"] > place and site.plan.rezero:
                visit["set"], back = True, visit["place"] + 1
                break
        site.shown[place:back] += size
        site.facts.update(slip_place=place, slip_m=size)

    return hook


def slip_event(kind):
    def hook(site):
        when = site.local[site.facts["slip_place"]].strftime("%Y-%m-%d %H:%M")
        site.case["effluent"]["event"] = [{"time": when, "kind": kind}]

    return hook


def crust(site):
    """Growth on a sensor or a floor, scraped off every few weeks without a hand reading."""
    period = site.rng.uniform(20, 40)
    size = site.rng.uniform(8, 20) / 1000
    phase = (site.day + site.rng.uniform(0, period)) % period / period
    site.shown = site.shown + size * phase
    site.facts["cleaned"] = np.flatnonzero(np.diff(phase) < 0) + 1


def cleaning_events(site):
    site.case["effluent"]["event"] = [
        {"time": site.local[place].strftime("%Y-%m-%d %H:%M"), "kind": "cleaning"}
        for place in site.facts["cleaned"]
    ]


for label, keys in {
    "visits, reset": {},
    "visits, not reset": {"rezero": False},
    "no visits": {"visit_days": None},
    "rare visits": {"visit_days": 110},
}.items():
    plain("drifting zero", label, drift=6.0, plant="continuous", months=6, **keys)
plain("drifting zero", "no visits, notch", device="notch", drift=5.0, visit_days=None, months=4)
plain("slipped bracket", "found at a visit", hooks={"sensor": step_of_zero(8, 25)})
plain("slipped bracket", "no visits", visit_days=None, hooks={"sensor": step_of_zero(8, 25)})
plain("slipped bracket", "seen, not reset", rezero=False, hooks={"sensor": step_of_zero(8, 25)})
plain(
    "slipped bracket",
    "told as an event",
    needs=["event"],
    rezero=False,
    hooks={"sensor": step_of_zero(8, 25), "case": slip_event("bracket moved")},
)
plain(
    "slipped bracket",
    "told, no visits",
    needs=["event"],
    visit_days=None,
    hooks={"sensor": step_of_zero(8, 25), "case": slip_event("sensor replaced")},
)
plain("cleaning", "crust, visits see it", months=4, hooks={"sensor": crust})
plain("cleaning", "crust, no visits", months=4, visit_days=None, hooks={"sensor": crust})
plain(
    "cleaning",
    "crust, cleanings told",
    needs=["event"],
    months=4,
    hooks={"sensor": crust, "case": cleaning_events},
)
plain(
    "cleaning",
    "crust, told, no visits",
    needs=["event"],
    months=4,
    visit_days=None,
    hooks={"sensor": crust, "case": cleaning_events},
)


def installed(low, high, sign=None):
    """The installed device passes more (or less) than its rating, by so many percent."""

    def hook(site):
        error = site.rng.uniform(low, high) / 100 * (sign or site.rng.choice([-1, 1]))
        site.surface = site.device.head(site.flow / site.rating / (1 + error))

    return hook


def silt(site):
    """A bed in front of the flume grows and raises the water at the gauge."""
    grown = np.clip(site.day / site.day[-1] * site.rng.uniform(0.5, 1.5), 0, 1)
    site.surface = site.surface + grown * site.rng.uniform(6, 18) / 1000


def bed_in_pipe(site):
    """The sensor stands beside a bed of sediment: the water is shallower than it shows."""
    bed = site.rng.uniform(12, 35) / 1000
    area, _ = segment(site.surface + bed)
    lost, _ = segment(np.full(len(site.day), bed))
    site.velocity = site.flow / np.maximum(area - lost, 0.001) / site.rating
    site.surface = site.surface + bed


plain("fouled or worn", "silt at the flume, visits", months=4, hooks={"water": silt})
plain(
    "fouled or worn",
    "silt at the flume, no visits",
    months=4,
    visit_days=None,
    hooks={"water": silt},
)
plain(
    "fouled or worn", "worn edge of the notch", device="notch", hooks={"water": installed(2, 5, 1)}
)
plain("fouled or worn", "flume out of level", hooks={"water": installed(3, 8)})
plain(
    "fouled or worn",
    "rags on the notch",
    device="notch",
    months=3,
    hooks={
        "water": sets(
            "surface",
            lambda site: site.surface + 0.02 * np.clip((site.day % 21) / 21 - 0.4, 0, None),
        )
    },
)
plain(
    "fouled or worn",
    "bed in the pipe",
    device="pipe",
    plant="continuous",
    hooks={"water": bed_in_pipe},
)

# --- submergence and backwater -------------------------------------------------------------------


def drown(site):
    """The outgoing sewer backs up by day; upstream head follows the submerged flow."""
    hour = np.asarray(site.local.hour + site.local.minute / 60)
    ratio = 0.45 + 0.45 * np.exp(-(((hour - 13) / site.rng.uniform(3, 6)) ** 2))
    ratio = np.clip(ratio * wander(site.rng, len(hour), 240, 0.05), 0.3, 0.95)
    share = drowned_share(ratio) * (1 + site.rng.normal(0, 0.02) * (ratio > 0.56))
    site.surface = parshall_head(site.flow / site.rating / share)
    site.tail = ratio * site.surface


def tail_sensor(offset=0.0, dead=False):
    def hook(site):
        count = len(site.rows)
        tail = site.tail[:: site.step][:count] + offset * site.rng.choice([-1, 1])
        site.rows["downstream_head"] = (
            0.0 if dead else np.maximum(tail + site.rng.normal(0, 0.001, count), 0)
        )

    return hook


plain("submerged flume", "two sensors", hooks={"water": drown, "rows": tail_sensor()})
plain("submerged flume", "second sensor off", hooks={"water": drown, "rows": tail_sensor(0.022)})
plain(
    "submerged flume", "second sensor dead", hooks={"water": drown, "rows": tail_sensor(dead=True)}
)
plain("submerged flume", "no second sensor", hooks={"water": drown})
plain(
    "submerged flume",
    "no second sensor, answered no",
    hooks={
        "water": drown,
        "case": effluent(
            checklist={"tailwater measurement": "no; the outgoing sewer backs up by day"}
        ),
    },
)


def surcharge(count, low, high, level):
    """The sewer below stands full: the level rises though the flow does not."""

    def hook(site):
        for _ in range(count):
            start = int(site.rng.integers(0, len(site.day) - 6000))
            length = int(site.rng.uniform(low, high) * 60)
            shape = np.sin(np.pi * np.arange(length) / length)
            part = site.surface[start : start + length]
            part[:] = np.maximum(part, level * site.rng.uniform(0.6, 1.0) * shape)
            if site.device.channel == "velocity":
                area, _ = segment(part)
                site.velocity[start : start + length] = (
                    site.flow[start : start + length] / area / site.rating
                )

    return hook


plain("backwater", "hours, flume", hooks={"water": surcharge(12, 4, 14, 0.40)})
plain("backwater", "days, notch", device="notch", hooks={"water": surcharge(3, 30, 70, 0.33)})
plain(
    "backwater",
    "hours, pipe with velocity",
    device="pipe",
    hooks={"water": surcharge(12, 4, 14, 0.26)},
)
plain(
    "backwater",
    "with the rain",
    storms=True,
    reads=True,
    hooks={
        "water": sets(
            "surface",
            lambda site: np.maximum(
                site.surface, 0.36 * np.clip(reservoir(site.rain, 240) * 8e5, 0, 1) ** 0.5
            ),
        )
    },
)

# --- depth and velocity --------------------------------------------------------------------------


def velocity(change):
    def hook(site):
        site.rows["velocity"] = change(site, site.rows["velocity"], site.rows["depth"])

    return hook


plain(
    "area velocity",
    "bias",
    device="pipe",
    hooks={
        "rows": velocity(
            lambda site, v, _: v * (1 + site.rng.choice([-1, 1]) * site.rng.uniform(0.08, 0.15))
        )
    },
)
plain(
    "area velocity",
    "low depth, velocity weak",
    device="pipe",
    scale=0.18,
    hooks={"rows": velocity(lambda site, v, d: v * (1 - 0.35 * np.clip(1 - d / 0.07, 0, 1)))},
)
plain(
    "area velocity",
    "low depth, velocity lost",
    device="pipe",
    scale=0.35,
    hooks={"rows": velocity(lambda site, v, d: v.where(d > 0.05, 0.0))},
)
plain(
    "area velocity",
    "low depth, velocity held",
    device="pipe",
    scale=0.35,
    hooks={"rows": velocity(lambda site, v, d: v.where(d > 0.05).ffill().bfill())},
)
plain(
    "area velocity",
    "blind zone of depth",
    device="pipe",
    scale=0.15,
    hooks={"rows": fills("depth", lambda site: site.rows["depth"].clip(lower=0.045))},
)
plain(
    "area velocity",
    "velocity drops out at night",
    device="pipe",
    hooks={
        "rows": velocity(
            lambda site, v, _: v.where(~nights(site) | (site.rng.random(len(v)) < 0.2))
        )
    },
)
plain(
    "area velocity",
    "fouled for weeks",
    device="pipe",
    months=3,
    hooks={"rows": velocity(lambda site, v, _: v.where(~site.share(0.2, 0.4), v * 0.6))},
)

# --- clock ---------------------------------------------------------------------------------------


def shift(days_off, low=0.0, high=1.0):
    def hook(site):
        index = site.rows.index
        part = slice(int(low * len(index)), int(high * len(index)))
        delta = pd.Timedelta(days=days_off(site) if callable(days_off) else days_off).round("min")
        moved = index.to_series().reset_index(drop=True)
        moved.iloc[part] = moved.iloc[part] + delta
        site.rows.index = pd.DatetimeIndex(moved)
        site.rows = site.rows[~site.rows.index.duplicated()].sort_index()

    return hook


def half_speed(site):
    """For weeks the clock runs at half speed, and is then set right."""
    chosen = np.asarray(site.share(0.3, 0.5))
    index, part = site.rows.index, site.rows[chosen].iloc[::2]
    begin = index[chosen][0]
    part.index = begin + (part.index - begin) / 2
    part.index = part.index.round("min")
    site.rows = pd.concat([site.rows[~chosen], part]).sort_index()


plain("clock", "days late", months=2, hooks={"rows": shift(lambda site: site.rng.uniform(2, 6))})
plain("clock", "days early", months=2, hooks={"rows": shift(lambda site: -site.rng.uniform(2, 6))})
plain("clock", "half speed for weeks", hooks={"rows": half_speed})
plain("clock", "twelve hours off", hooks={"rows": shift(0.5)})
plain("clock", "an hour off", hooks={"rows": shift(1 / 24)})
plain("clock", "a week late from the middle on", hooks={"rows": shift(7, 0.5)})

# --- what the logger writes ----------------------------------------------------------------------


def slip(factor, low=0.15, high=0.5):
    def hook(site):
        chosen = site.share(low, high)
        site.rows.loc[chosen, site.level] = site.rows.loc[chosen, site.level] * factor

    return hook


plain("unit slip", "cm for mm", inches=False, hooks={"rows": slip(0.1)})
plain("unit slip", "mm for in", inches=True, hooks={"rows": slip(25.4)})
plain("unit slip", "L/s for gpm", device="full pipe", mean=True, hooks={"rows": slip(GPM * 1000)})
plain(
    "unit slip",
    "gpm for L/s throughout",
    NONE,
    device="full pipe",
    mean=True,
    reads=True,
    hooks={"rows": fills("flow", lambda site: site.rows["flow"] * GPM * 1000)},
)
plain("unit slip", "percent of span", inches=False, hooks={"rows": slip(100 / 300.0)})
plain(
    "unit slip",
    "display units changed, m for ft velocity",
    device="pipe",
    inches=True,
    hooks={"rows": on("velocity", slip(0.3048))},
)


def status_codes(bits=False, estimated=False, garbage=True):
    def hook(site):
        bad, doubtful = np.asarray(some_hours(site)), np.asarray(site.share(0.05, 0.15))
        values = site.rows[site.level].to_numpy().copy()
        if estimated:
            values[bad] = np.nanmedian(values)
        elif garbage:
            top = 2.5 * np.nanmax(values) if site.level == "flow" else 0.40
            values[bad] = site.rng.uniform(0, top, bad.sum())
        if site.level != "flow":
            values[doubtful & ~bad] += site.rng.uniform(-0.006, 0.006)
        site.rows[site.level] = values
        if bits:
            code = (site.rng.random(len(values)) < 0.2) * 1 + bad * 4 + doubtful * 8
            site.rows["status"] = code.astype(str)
        else:
            word = "E" if estimated else "2"
            site.rows["status"] = np.where(bad, word, np.where(doubtful, "1", "0"))

    return hook


def status_case(meaning):
    def hook(site):
        site.case["effluent"]["columns"]["status"] = "Status"
        site.case["effluent"]["status"] = meaning

    return hook


CODES = {"good": ["0"], "doubtful": ["1"], "bad": ["2"], "estimated": ["E"]}
BITS = {"bits": {"1": "good", "4": "bad", "8": "doubtful"}}
plain(
    "status",
    "codes, level",
    needs=["status"],
    hooks={"rows": status_codes(), "case": status_case(CODES)},
)
plain(
    "status",
    "codes, flow",
    needs=["status"],
    device="full pipe",
    mean=True,
    hooks={"rows": status_codes(), "case": status_case(CODES)},
)
plain(
    "status",
    "estimated rows",
    needs=["status"],
    device="full pipe",
    mean=True,
    hooks={"rows": status_codes(estimated=True), "case": status_case(CODES)},
)
plain(
    "status",
    "bit masks",
    needs=["status"],
    hooks={"rows": status_codes(bits=True), "case": status_case(BITS)},
)
plain(
    "status",
    "a code without meaning",
    REFUSE,
    ["status"],
    hooks={"rows": status_codes(), "case": status_case({"good": ["0"], "doubtful": ["1"]})},
)
plain("status", "column stands there, not named", hooks={"rows": status_codes()})


def totaliser(error=0.0, wrap=None, reset=False, clip=None):
    """The meter counts on its own; the record may not show all it counted."""

    def hook(site):
        total = np.cumsum(site.flow * site.rating) * 60
        end = np.minimum(np.searchsorted(site.minutes, site.rows.index), len(total) - 1)
        count = total[end] * (1 + error) + 4000
        if wrap:
            count = np.mod(count + wrap * GAL * 0.9, wrap * GAL)
        if reset:
            place = len(count) // 2
            count = np.where(np.arange(len(count)) < place, count, count - count[place])
        site.rows["totaliser"] = count
        if clip:
            limit = site.rows["flow"].quantile(clip)
            site.rows["flow"] = site.rows["flow"].clip(upper=limit)

    return hook


plain("totaliser", "agrees", VERDICT, hooks={"rows": totaliser()}, **FULL)
plain("totaliser", "agrees, pumped", VERDICT, plant="pumped", hooks={"rows": totaliser()}, **FULL)
plain("totaliser", "record clipped", hooks={"rows": totaliser(clip=0.7)}, **FULL)
plain("totaliser", "counts 8 % more", hooks={"rows": totaliser(0.08)}, **FULL)
plain("totaliser", "rolls over", VERDICT, hooks={"rows": totaliser(wrap=1_000_000)}, **FULL)
plain("totaliser", "set back once", hooks={"rows": totaliser(reset=True)}, **FULL)
plain(
    "totaliser",
    "instants, batches",
    plant="batches",
    device="full pipe",
    step=15,
    hooks={"rows": totaliser()},
)

plain(
    "negative flow",
    "noise around nothing",
    VERDICT,
    plant="idle",
    hooks={
        "rows": fills(
            "flow", lambda site: site.rows["flow"] + site.rng.normal(0, 0.4 * GPM, len(site.rows))
        )
    },
    **FULL,
)
plain(
    "negative flow",
    "real backflow at night",
    plant="shifts",
    hooks={
        "plant": sets(
            "process",
            lambda site: np.where(
                np.asarray(site.local.hour) == 3, -0.05 * site.device.peak, site.process
            ),
        )
    },
    reads=False,
    **FULL,
)
plain("negative flow", "sign turned for weeks", hooks={"rows": slip(-1.0, 0.1, 0.3)}, **FULL)
plain(
    "negative flow",
    "sign turned throughout",
    NONE,
    hooks={"rows": fills("flow", lambda site: -site.rows["flow"])},
    **FULL,
)
plain(
    "negative flow",
    "offset below zero",
    plant="idle",
    hooks={"rows": fills("flow", lambda site: site.rows["flow"] - 6 * GPM)},
    **FULL,
)


def sentinel(text, share=0.03, stated=False):
    def hook(site):
        chosen = site.rng.random(len(site.cells)) < share
        for _ in range(4):
            start = int(site.rng.integers(0, len(site.cells) - 200))
            chosen[start : start + int(site.rng.integers(20, 150))] = True
        site.cells.loc[chosen, site.cells.columns[1]] = text
        site.plan.mark = text if stated else ""

    return hook


plain("sentinels", "99.99, not stated", ASK, inches=True, hooks={"cells": sentinel("99.99")})
plain(
    "sentinels",
    "99.99, stated",
    VERDICT,
    inches=True,
    hooks={"cells": sentinel("99.99", stated=True)},
)
plain("sentinels", "9999, flow, not stated", ASK, hooks={"cells": sentinel("9999")}, **FULL)
plain("sentinels", "327.67, flow, not stated", ASK, hooks={"cells": sentinel("327.67")}, **FULL)
plain(
    "sentinels",
    "0.00, level, not stated",
    ASK,
    plant="continuous",
    inches=True,
    hooks={"cells": sentinel("0.00", 0.02)},
)
plain("sentinels", "word, not stated", ASK, hooks={"cells": sentinel("ERR", 0.01)})
plain(
    "sentinels",
    "655.35, level in mm, not stated",
    ASK,
    inches=False,
    hooks={"cells": sentinel("655.35")},
)


def second_header(level, unit, factor):
    """The logger was set up anew: the header comes again, and its units are others."""

    def hook(site):
        half = int(len(site.cells) * site.rng.uniform(0.3, 0.7))
        old, new = site.cells.iloc[:half], site.cells.iloc[half:].copy()
        name = site.cells.columns[1]
        new[name] = [f"{float(cell) * factor:.3f}" for cell in new[name]]
        new = new.rename(columns={name: f"{level} ({unit})"})
        site.files["log.csv"] = old.to_csv(index=False, lineterminator="\n") + new.to_csv(
            index=False, lineterminator="\n"
        )

    return hook


plain(
    "repeated header",
    "mm, then in",
    REFUSE,
    inches=False,
    hooks={"file": second_header("Level", "in", 1 / 25.4)},
)
plain(
    "repeated header",
    "mm, then cm",
    REFUSE,
    inches=False,
    hooks={"file": second_header("Level", "cm", 0.1)},
)
plain(
    "repeated header",
    "gpm, then L/s",
    REFUSE,
    hooks={"file": second_header("Flow", "L/s", GPM * 1000)},
    **FULL,
)
plain(
    "repeated header",
    "the same units",
    ASK,
    inches=False,
    hooks={"file": second_header("Level", "mm", 1.0)},
)

# --- reads and visits ----------------------------------------------------------------------------


def reads(change):
    def hook(site):
        site.reads = change(site, site.reads)
        site.write_reads()

    return hook


def same_second(site, rows):
    out = []
    for when, count in rows:
        out.append((when, count))
        if site.rng.random() < 0.1:
            out.append((when, count + 1))
    return out


def typing_slip(site, rows):
    place = len(rows) // 2
    when, count = rows[place]
    return [*rows[:place], (when, count + 90000), *rows[place + 1 :]]


SUPPLY = {"reads": True}
plain(
    "supply reads", "two rows of one second", VERDICT, hooks=with_case(reads(same_second)), **SUPPLY
)
plain(
    "supply reads",
    "two months missing",
    months=4,
    hooks=with_case(reads(lambda site, rows: rows[:3] + rows[12:])),
    **SUPPLY,
)
plain(
    "supply reads",
    "none at the bounds",
    hooks=with_case(reads(lambda site, rows: rows[::4])),
    **SUPPLY,
)
plain(
    "supply reads",
    "last month missing",
    ASK,
    months=3,
    hooks=with_case(reads(lambda site, rows: rows[:-6])),
    **SUPPLY,
)
plain("supply reads", "one read mistyped", ASK, hooks=with_case(reads(typing_slip)), **SUPPLY)
plain(
    "supply reads",
    "none at all, basis intake",
    ASK,
    basis="intake",
    hooks=with_case(
        lambda site: (site.case.pop("intake"), site.case.pop("use"), site.files.pop("meter.csv"))
    ),
)


plain("coarse ruler", "10 mm", inches=False, ruler=10)
plain("coarse ruler", "half an inch", inches=True, ruler=12.7)
plain("coarse ruler", "quarter inch, reset by it", inches=True, drift=4.0, hand=3.0, ruler=6.35)
plain("coarse ruler", "10 mm, notch, low water", device="notch", scale=0.4, inches=False, ruler=10)


def by_hand(hours, size=0.003, every=1):
    """A ruler and a notebook are all there is."""

    def hook(site):
        local = site.rows.index.tz_convert(site.zone)
        chosen = np.isin(local.hour, hours) & (local.minute == 0) & (local.day_of_year % every == 0)
        part = site.rows[chosen]
        level = np.round(part["head"] / size) * size
        when = part.index.tz_convert(site.zone).strftime("%Y-%m-%d %H:%M")
        lines = [f"{one},{value * 1000:.0f}," for one, value in zip(when, level, strict=True)]
        site.files["log.csv"] = "time,head (mm),remark\n" + "\n".join(lines) + "\n"
        site.case["effluent"].update(
            form="hand readings",
            columns={
                "time": "time",
                "head": {"name": "head (mm)", "unit": "mm"},
                "remark": "remark",
            },
        )
        for key in ("longest_bridge", "time_zone", "visit"):
            site.case["effluent"].pop(key, None)

    return hook


plain("hand readings", "each morning", step=15, hooks=with_case(by_hand([9])))
plain("hand readings", "four a day, all week", step=15, hooks=with_case(by_hand([3, 9, 15, 21])))
plain(
    "hand readings",
    "four a day, ruler of 10 mm",
    step=15,
    hooks=with_case(by_hand([3, 9, 15, 21], 0.010)),
)
plain(
    "hand readings",
    "hourly by day, batches",
    plant="batches",
    step=15,
    hooks=with_case(by_hand(list(range(7, 18)))),
)


def checklist(word):
    return with_case(
        lambda site: site.case["effluent"].update(
            checklist={point: word for point in site.device.asked}
        )
    )


plain("checklist", "all yes, and so it is", VERDICT, spread=0.008, hooks=checklist("yes; measured"))
plain("checklist", "all no, and so it is", spread=0.05, hooks=checklist("no; not as asked for"))
plain("checklist", "all open, anything may be", spread=0.03, hooks=checklist("open"))
plain("checklist", "left out, anything may be", spread=0.03)
plain("checklist", "left out, notch", device="notch", spread=0.025)
plain(
    "checklist",
    "notch, all no",
    device="notch",
    spread=0.04,
    hooks=checklist("no; not as asked for"),
)
plain("checklist", "pipe, left out", device="pipe", spread=0.07)

# --- forms of the file ---------------------------------------------------------------------------

WML = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<wml2:Collection xmlns:wml2="http://www.opengis.net/waterml/2.0" '
    'xmlns:gml="http://www.opengis.net/gml/3.2" xmlns:om="http://www.opengis.net/om/2.0" '
    'xmlns:xlink="http://www.w3.org/1999/xlink" '
    'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" gml:id="c1">\n'
    '<wml2:observationMember><om:OM_Observation gml:id="outfall">\n'
    '<om:observedProperty xlink:title="{title}"/>\n'
    '<om:result><wml2:MeasurementTimeseries gml:id="outfall.series">\n{head}{points}\n'
    "</wml2:MeasurementTimeseries></om:result>\n"
    "</om:OM_Observation></wml2:observationMember></wml2:Collection>\n"
)
META = (
    "<wml2:defaultPointMetadata><wml2:DefaultTVPMeasurementMetadata>{uom}"
    '<wml2:interpolationType xlink:href="http://www.opengis.net/def/waterml/2.0/'
    'interpolationType/{kind}"/></wml2:DefaultTVPMeasurementMetadata>'
    "</wml2:defaultPointMetadata>\n"
)


def waterml(
    unit="gal/min",
    kind="AveragePrec",
    empty=0.0,
    spaced=False,
    titled=False,
    dates=False,
    case_unit=None,
):
    """The record as a service writes it."""

    def hook(site):
        values = (site.rows["flow"] / (GPM if unit == "gal/min" else 0.001)).to_numpy()
        index = site.rows.index
        uom = "" if titled else f'<wml2:uom code="{unit}"/>'
        head = META.format(uom=uom, kind=kind)
        if spaced:
            head = (
                "<wml2:metadata><wml2:MeasurementTimeseriesMetadata>"
                f"<wml2:baseTime>{index[0]:%Y-%m-%dT%H:%M:%SZ}</wml2:baseTime>"
                f"<wml2:spacing>PT{site.step}M</wml2:spacing>"
                "</wml2:MeasurementTimeseriesMetadata></wml2:metadata>\n"
            ) + head
        gone = site.rng.random(len(values)) < empty
        points = []
        for when, value, lost in zip(index, values, gone, strict=True):
            text = f"{when:%Y-%m-%d}" if dates else f"{when:%Y-%m-%dT%H:%M:%SZ}"
            clock = "" if spaced else f"<wml2:time>{text}</wml2:time>"
            cell = f"<wml2:value>{value:.3f}</wml2:value>"
            if lost:
                cell = '<wml2:value xsi:nil="true"/>'
            points.append(
                f"<wml2:point><wml2:MeasurementTVP>{clock}{cell}</wml2:MeasurementTVP></wml2:point>"
            )
        title = f"Discharge, {unit}" if titled else "Discharge"
        site.files.pop("log.csv")
        site.files["log.xml"] = WML.format(title=title, head=head, points="\n".join(points))
        site.case["effluent"].update(
            file="log.xml",
            form="waterml",
            columns={"flow": {"name": "outfall", **({"unit": case_unit} if case_unit else {})}},
        )
        for key in ("stamp", "time_zone"):
            site.case["effluent"].pop(key, None)

    return hook


XML = {"device": "full pipe", "mean": True, "months": 2, "step": 15, "inches": False}
plain("waterml", "means before the stamp", hooks=with_case(waterml()), **XML)
plain("waterml", "empty points", hooks=with_case(waterml(empty=0.03)), **XML)
plain("waterml", "unit in the title only", ASK, hooks=with_case(waterml(titled=True)), **XML)
plain("waterml", "base time and spacing", ASK, hooks=with_case(waterml(spaced=True)), **XML)
plain("waterml", "maxima", REFUSE, hooks=with_case(waterml(kind="MaxPrec")), **XML)
plain(
    "waterml",
    "unit differs from the case",
    REFUSE,
    hooks=with_case(waterml(case_unit="L/s")),
    **XML,
)
plain(
    "waterml",
    "instants, pumped",
    plant="pumped",
    device="full pipe",
    step=5,
    months=2,
    plant_keys={"run": 20, "rest": 45},
    hooks=with_case(waterml(kind="Continuous")),
)


def daily_dates(site):
    """One mean for each day of the wall clock, its stamp a date."""
    total = pd.Series(site.flow * site.rating, index=site.local).resample("1D").mean()
    site.rows = pd.DataFrame({"flow": total})


plain(
    "waterml",
    "dates without time",
    ASK,
    device="full pipe",
    mean=True,
    step=1440,
    months=3,
    hooks={"rows": daily_dates, "case": waterml(dates=True, kind="AverageSucc")},
)


def rewritten(change):
    return {"file": change, "case": lambda site: site.facts.get("mend", lambda _: None)(site)}


def two_header_rows(site):
    level = site.units("head")
    body = site.cells.to_csv(index=False, header=False, lineterminator="\n")
    site.files["log.csv"] = f"Outfall,Outfall\nTime,{level[0]}\n,{level[1]}\n" + body
    site.facts["mend"] = lambda one: one.case["effluent"]["columns"].update(
        head={"name": level[0], "unit": level[1]}
    )


def retimed(text):
    def change(site):
        cells = site.cells.copy()
        cells["Time"] = text(site)
        site.files["log.csv"] = cells.to_csv(index=False, lineterminator="\n")

    return change


def epoch(site):
    return [
        str(value) for value in (site.rows.index - pd.Timestamp(0, tz="UTC")) // pd.Timedelta("1s")
    ]


def day_numbers(site):
    wall = pd.DatetimeIndex(site.stamps(site.rows.index))
    return [f"{value:.6f}" for value in (wall - pd.Timestamp("1899-12-30")) / pd.Timedelta("1D")]


def on_utc(site):
    site.clock = "UTC"


def wide(site):
    """A row for each day, a column for each hour."""
    cells = site.cells
    when = pd.DatetimeIndex(cells["Time"])
    table = pd.DataFrame(
        {
            "Date": when.strftime("%Y-%m-%d"),
            "hour": when.strftime("%H:%M"),
            "value": cells[cells.columns[1]],
        }
    )
    table = table.drop_duplicates(["Date", "hour"])
    table = table.pivot(index="Date", columns="hour", values="value").reset_index()
    site.files["log.csv"] = table.to_csv(index=False, lineterminator="\n")
    site.facts["mend"] = lambda one: one.case["effluent"].update(
        columns={"time": "Date", "head": {"name": "00:00", "unit": one.units("head")[1]}}
    )


def by_month(site):
    """A row for each day of the month, a column for each month: daily means of flow."""
    mean = pd.Series(site.flow * site.rating / GPM, index=site.local).resample("1D").mean()
    table = pd.DataFrame(
        {
            "Day": mean.index.day,
            "month": mean.index.strftime("%b %Y"),
            "value": mean.round(2).to_numpy(),
        }
    )
    table = table.pivot(index="Day", columns="month", values="value").reset_index()
    site.files["log.csv"] = table.to_csv(index=False, lineterminator="\n")
    site.facts["mend"] = lambda one: one.case["effluent"].update(
        columns={"time": "Day", "flow": {"name": table.columns[1], "unit": "gpm"}}
    )


def no_header(site):
    site.files["log.csv"] = site.cells.to_csv(index=False, header=False, lineterminator="\n")
    site.facts["mend"] = lambda one: one.case["effluent"].update(
        columns={"time": 1, "head": {"name": 2, "unit": one.units("head")[1]}}
    )


plain("file forms", "two rows of header", ASK, hooks=rewritten(two_header_rows))
plain("file forms", "epoch seconds", ASK, hooks={"plant": on_utc, "file": retimed(epoch)})
plain("file forms", "spreadsheet day numbers", ASK, hooks=rewritten(retimed(day_numbers)))
plain(
    "file forms", "wide table", REFUSE, step=60, plant="continuous", months=2, hooks=rewritten(wide)
)
plain(
    "file forms",
    "table of months",
    REFUSE,
    step=1440,
    device="full pipe",
    mean=True,
    months=3,
    hooks=rewritten(by_month),
)
plain("file forms", "columns by position", ASK, hooks=rewritten(no_header))


def exports_per_month(site):
    month = pd.DatetimeIndex(site.cells["Time"]).strftime("%Y-%m")
    site.files.pop("log.csv")
    names = []
    for one in sorted(set(month)):
        names.append(f"log_{one}.csv")
        site.files[names[-1]] = site.cells[month == one].to_csv(index=False, lineterminator="\n")
    site.facts["mend"] = lambda whole: whole.case["effluent"].update(file=names)


plain("file forms", "a file for each month", VERDICT, hooks=rewritten(exports_per_month))


def german(site):
    cells = site.cells.copy()
    cells["Time"] = pd.DatetimeIndex(cells["Time"]).strftime("%d.%m.%Y %H:%M")
    for name in cells.columns[1:]:
        cells[name] = cells[name].str.replace(".", ",")
    site.files["log.csv"] = cells.to_csv(index=False, sep=";", lineterminator="\n")
    site.facts["mend"] = lambda one: one.case["effluent"].update(day_first=True)


plain("file forms", "decimal comma", VERDICT, hooks=rewritten(german))

# --- making, running, scoring --------------------------------------------------------------------


def make_case(name: str, variant: str, seed: int, folder: Path) -> dict:
    """Write one case into `folder` and return its truth (also in truth.json)."""
    item = WORLDS[name][variant]
    rng = np.random.default_rng([seed, zlib.crc32(f"{name}/{variant}".encode())])
    site = Site(item.make(rng), rng)
    site.write(folder)
    invoices = [
        {
            "invoice": f"N{number + 1:02d}",
            "true_m3": float(true),
            "billed_m3": float(bill),
            "label": site.label,
        }
        for number, (true, bill) in enumerate(zip(site.truth, site.billed, strict=True))
    ]
    truth = {
        "class": name,
        "variant": variant,
        "seed": seed,
        "allowed": list(item.allowed),
        "needs": list(item.needs),
        "basis": site.case["case"]["basis"],
        "label": site.label,
        "rows": len(site.rows),
        "invoices": invoices,
        "true_total_m3": float(site.truth.sum()),
        "billed_total_m3": float(site.billed.sum()),
    }
    (folder / "truth.json").write_text(json.dumps(truth, indent=1), encoding="utf-8")
    return truth


def tool_findings(folder: Path, draws: int = 2000) -> dict:
    """The dictionary of findings.json, or the refusal as {"refused": text, "clear": bool}."""
    try:
        from sewer_audit import audit, load_case
    except ImportError:
        from toolkit import audit, load_case
    try:
        return audit(load_case(folder), draws=draws, seed=1).findings()
    except Exception as problem:
        kind = type(problem).__name__
        return {"refused": f"{kind}: {problem}", "clear": kind == "InputRefused"}


CALM = ("note", "warning", "hint", "information")


def score(truth: dict, findings: dict) -> dict:
    """What the tool did with one case, held against the truth."""
    out = {
        "class": truth["class"],
        "variant": truth["variant"],
        "seed": truth["seed"],
        "label": truth["label"],
        "cells": [],
        "false": [],
        "state": "verdict",
    }
    if "refused" in findings:
        known = any(word in findings["refused"] for word in truth["needs"])
        unknown = "not known" in findings["refused"] or "unknown key" in findings["refused"]
        out["state"] = (
            "needs keys"
            if truth["needs"] and known and unknown
            else ("refused" if findings["clear"] else "broken")
        )
        out["text"] = findings["refused"]
        return out
    flags = findings["flags"]
    out["warnings"] = sorted({flag["code"] for flag in flags if flag["severity"] != "note"})
    out["flags"] = len({flag["code"] for flag in flags})
    stopped: set = set()
    for flag in flags:
        if flag["severity"] not in CALM:
            data = flag.get("data") or {}
            named = data.get("invoices") or ([data["invoice"]] if "invoice" in data else None)
            stopped |= set(named) if named else {"all"}
    truths = [
        *truth["invoices"],
        {"invoice": "total", "label": truth["label"], "true_m3": truth["true_total_m3"]},
    ]
    for known, found in zip(truths, [*findings["invoices"], findings["total"]], strict=True):
        total = known["invoice"] == "total"
        decided = "cannot" not in found["finding"] and "no verdict" not in found["finding"]
        short = (found.get("record_coverage") or 1.0) < findings["rule"].get(
            "smallest_coverage_of_record", 0.75
        )
        held = not decided and (
            "all" in stopped or known["invoice"] in stopped or short or (total and bool(stopped))
        )
        accused = (
            "too high"
            if "too high" in found["finding"]
            else ("too low" if "too low" in found["finding"] else "")
        )
        right = {"over": "too high", "under": "too low", "fair": ""}[known["label"]]
        if accused and accused != right:
            out["false"].append((known["invoice"], accused))
        cell = {
            "total": total,
            "decided": decided,
            "held": held,
            "accused": accused,
            "found": bool(accused) and accused == right,
        }
        for part in ("effluent", "balance", "reconciled"):
            value = found.get(f"{part}_m3")
            if value and value["standard_uncertainty"] is not None:
                cell[part] = {
                    "inside": value["low"] <= known["true_m3"] <= value["high"],
                    "error": value["mean"] / known["true_m3"] - 1,
                    "ratio": (value["mean"] - known["true_m3"])
                    / max(value["standard_uncertainty"], 1e-9),
                    "relative_u": value["standard_uncertainty"] / known["true_m3"],
                }
        if "effluent" not in cell and not decided:
            cell["held"] = True
        out["cells"].append(cell)
    if all(cell["held"] for cell in out["cells"]):
        out["state"] = "no verdict"
    return out


def one(job):
    name, variant, seed, folder, draws = job
    begin = time.time()
    truth = make_case(name, variant, seed, Path(folder))
    made = time.time()
    result = score(truth, tool_findings(Path(folder), draws))
    result.update(allowed=truth["allowed"], made=made - begin, ran=time.time() - made)
    return result


def percent(values):
    values = list(values)
    return f"{100 * sum(values) / len(values):4.0f}% {len(values):>4}" if values else "    -    0"


def table(results: list[dict]) -> str:
    """One line for each class. Coverage counts offered intervals only, never those held back."""
    head = (
        f"{'class':<18}{'cases':>5}{'keys':>5}{'refus':>6}{'broke':>6}{'none':>5}"
        f"{'eff inv':>11}{'eff total':>11}{'bal inv':>11}{'bal total':>11}"
        f"{'join inv':>11}{'join total':>11}"
        f"{'decided in':>11}{'false inv':>10}{'false tot':>10}{'over inv':>11}{'over total':>11}"
        f"{'mean e/u':>9}{'rms e/u':>8}{'warned':>8}{'flags':>6}"
    )
    lines = [head, "-" * len(head)]
    for name in dict.fromkeys(result["class"] for result in results):
        group = [result for result in results if result["class"] == name]
        state = [result["state"] for result in group]
        cells = [(result, cell) for result in group for cell in result["cells"]]
        offered = [(result, cell) for result, cell in cells if not cell["held"]]

        def inside(part, total, decided=False, offered=offered):
            return percent(
                cell[part]["inside"]
                for _, cell in offered
                if part in cell and cell["total"] == total and (cell["decided"] or not decided)
            )

        ratios = np.array([cell["effluent"]["ratio"] for _, cell in offered if "effluent" in cell])
        over = [
            (cell["total"], cell["found"]) for result, cell in cells if result["label"] == "over"
        ]
        read = [result for result in group if "warnings" in result]
        wrong = [sum(one == "total" for one, _ in result["false"]) for result in group]
        lines.append(
            f"{name:<18}{len(group):>5}{state.count('needs keys'):>5}{state.count('refused'):>6}"
            f"{state.count('broken'):>6}{state.count('no verdict'):>5}  "
            f"{inside('effluent', False)}  {inside('effluent', True)}  {inside('balance', False)}  "
            f"{inside('balance', True)}  {inside('reconciled', False)}  "
            f"{inside('reconciled', True)}  "
            f"{inside('effluent', False, True)}"
            f"{sum(len(result['false']) for result in group) - sum(wrong):>10}{sum(wrong):>10} "
            f"{percent(found for total, found in over if not total)}  "
            f"{percent(found for total, found in over if total)}"
            f"{(ratios.mean() if len(ratios) else math.nan):>9.2f}"
            f"{(math.sqrt((ratios**2).mean()) if len(ratios) else math.nan):>8.2f}"
            f"{percent(bool(result['warnings']) for result in read)[:5]:>8}"
            f"{np.mean([result['flags'] for result in read]) if read else math.nan:>6.1f}"
        )
    return "\n".join(lines)


def details(results):
    """One line for each case, for mending only."""
    for result in results:
        total = next((cell for cell in result["cells"] if cell["total"]), {})
        effluent_total = total.get("effluent", {})
        text = result.get("text", "").replace("\n", " ")[:140]
        good = [cell["effluent"]["inside"] for cell in result["cells"] if "effluent" in cell]
        print(
            f"{result['class']} / {result['variant']} #{result['seed']} {result['label']}: "
            f"{result['state']}"
            + (
                ""
                if result["state"] in result["allowed"] or result["state"] == "needs keys"
                else f" (allowed: {', '.join(result['allowed'])})"
            )
            + (
                f"; total {100 * effluent_total['error']:+.1f} % at u "
                f"{100 * effluent_total['relative_u']:.1f} %, inside {sum(good)}/{len(good)}"
                if effluent_total
                else ""
            )
            + (f"; FALSE {result['false']}" if result["false"] else "")
            + (f"; {result['flags']} flags" if "flags" in result else "")
            + f"; {result['made']:.1f}+{result['ran']:.1f} s {text}"
        )


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--classes", default="all", help="names with commas between, or all")
    parser.add_argument("--per-class", type=int, default=10, help="0 takes each variant once")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--draws", type=int, default=2000)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--keep", help="folder for the cases; a temporary one if left out")
    parser.add_argument("--out", help="JSON file for all scores")
    parser.add_argument("--details", action="store_true", help="a line per case (mending only)")
    parser.add_argument("--old-keys", action="store_true", help="leave out what needs new keys")
    parser.add_argument("--list", action="store_true")
    options = parser.parse_args()
    if options.list:
        for name, variants in WORLDS.items():
            for variant, item in variants.items():
                print(
                    f"{name}: {variant} [{', '.join(item.allowed)}]"
                    + (f" needs {', '.join(item.needs)}" if item.needs else "")
                )
        return
    names = list(WORLDS) if options.classes == "all" else options.classes.split(",")
    with tempfile.TemporaryDirectory() as temporary:
        base = Path(options.keep or temporary)
        jobs = []
        for name in names:
            variants = [
                variant
                for variant, item in WORLDS[name].items()
                if not (options.old_keys and item.needs)
            ]
            for number in range(options.per_class or len(variants)):
                seed = options.seed + number
                variant = variants[number % len(variants)]
                folder = base / f"{name}-{number}".replace(" ", "_")
                jobs.append((name, variant, seed, str(folder), options.draws))
        if options.jobs > 1:
            with ProcessPoolExecutor(options.jobs) as pool:
                results = list(pool.map(one, jobs))
        else:
            results = [one(job) for job in jobs]
    if options.details:
        details(results)
    print(table(results))
    bad = [
        result
        for result in results
        if result["state"] not in result["allowed"] and result["state"] != "needs keys"
    ]
    print(
        f"\n{len(results)} cases; {len(bad)} outcomes that an honest tool may not have "
        "(refused, broken or without a verdict where one is due, or the other way round)"
    )
    if options.out:
        Path(options.out).write_text(json.dumps(results, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
