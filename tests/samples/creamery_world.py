"""What truly happened at the invented creamery: water in, water used, water to the sewer.

Brindlemere Creamery in Kesselwick is invented; so are its town, its tariff and its people.

The effluent, the make-up of the cooling tower and the water in the product are made minute by
minute; the intake is their sum, so the true balance closes exactly. What nobody at the site knows
(the true rating of the flume, the true error of each meter, the true share of water in product)
is drawn once, from the very distributions the case states for it, and kept here.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np

from samples.clock import Minutes, holidays, smooth_step, wandering

SEED = 20250312
ZONE = "America/Chicago"
READ_HOUR = "08:00"
READ_DAYS = (
    "2025-03-12",
    "2025-04-11",
    "2025-05-13",
    "2025-06-12",
    "2025-07-14",
    "2025-08-12",
    "2025-09-11",
    "2025-10-13",
    "2025-11-12",
    "2025-12-12",
    "2026-01-14",
    "2026-02-12",
    "2026-03-12",
)
LITRE_PER_SECOND = 1e-3


@dataclass(frozen=True)
class Secrets:
    """What is true and unknown at the site."""

    flume_scale: float  # true discharge over the published rating, less 1
    flume_exponent: float  # true exponent less the published one
    main_meter: float  # register over true volume, less 1
    tower_meter: float
    product_share: float  # of the intake, mean of the year
    air_sensor: float  # K, shown less true


@dataclass(frozen=True)
class World:
    """Rates of every minute [m3/s] and temperatures [degC]."""

    minutes: Minutes
    secrets: Secrets
    effluent: np.ndarray
    tower: np.ndarray
    product: np.ndarray
    outdoor: np.ndarray
    manhole: np.ndarray

    @property
    def intake(self) -> np.ndarray:
        """Water through the main meter [m3/s]."""
        return self.effluent + self.tower + self.product


def streams() -> dict[str, np.random.Generator]:
    """One stream of random numbers per subject, so that changing one leaves the others alone."""
    names = ("secrets", "weather", "days", "bursts", "noise", "product", "zero", "logger", "reads")
    children = np.random.SeedSequence(SEED).spawn(len(names))
    return {name: np.random.default_rng(child) for name, child in zip(names, children, strict=True)}


def draw_secrets(rng: np.random.Generator) -> Secrets:
    return Secrets(
        flume_scale=0.03 * rng.uniform(-1, 1),
        flume_exponent=0.004 * rng.standard_normal(),
        main_meter=0.010 * rng.standard_normal(),
        tower_meter=0.015 * rng.standard_normal(),
        product_share=0.19 + 0.010 * rng.standard_normal(),
        air_sensor=1.7 * rng.uniform(-1, 1),
    )


def weather(minutes: Minutes, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Air temperature outdoors and in the manhole [degC]."""
    days = len(minutes.dates)
    of_year = np.array([day.timetuple().tm_yday for day in minutes.dates])
    season = -np.cos(2 * np.pi * (of_year - 20) / 365)
    daily = 8.5 + 14.0 * season + wandering(rng, days, 3.5, 3.0)
    swing = np.cos(2 * np.pi * (minutes.hour - 15.5) / 24)
    outdoor = np.interp(np.arange(len(minutes.utc)) / 1440 - 0.5, np.arange(days), daily)
    sewer = np.interp(
        np.arange(len(minutes.utc)) / 1440 - 1.0, np.arange(days), 14.5 + 6.0 * season
    )
    manhole = sewer + 0.10 * (outdoor - 8.5 - 14.0 * season[minutes.day]) + 0.8 * swing
    return outdoor + 4.5 * swing, manhole + wandering(rng, len(swing), 0.15, 45)


def production(minutes: Minutes, rng: np.random.Generator) -> np.ndarray:
    """How busy each day is; a usual weekday is 1."""
    closed = holidays(2025) | holidays(2026)
    usual = np.array(
        [0.25 if d in closed else (1, 1, 1, 1, 1, 0.65, 0.28)[d.weekday()] for d in minutes.dates]
    )
    of_year = np.array([day.timetuple().tm_yday for day in minutes.dates])
    flush = 0.10 * np.cos(2 * np.pi * (of_year - 145) / 365)  # milk is plentiful in late spring
    return usual * (1 + flush) * (1 + 0.05 * rng.standard_normal(len(usual)))


def cleaning(minutes: Minutes, busy: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Bursts of cleaning in place [l/s]: tanks and lines are flushed after each run."""
    flow = np.zeros(len(minutes.utc))
    starts = np.searchsorted(minutes.day, np.arange(len(busy)))
    for start, activity in zip(starts, busy, strict=True):
        for _ in range(rng.poisson(6.5 * activity)):
            hour = rng.choice([5.0, 9.5, 13.2, 17.5, 21.5, 22.8]) + rng.normal(0, 0.6)
            length = int(rng.uniform(12, 40))
            begin = start + int(max(hour, 0.2) * 60)
            flow[begin : begin + length] += rng.uniform(9, 26)
    kernel = np.exp(-np.arange(25) / 4.0)
    return np.convolve(flow, kernel / kernel.sum())[: len(flow)]


def product_water(
    minutes: Minutes, drained: np.ndarray, shape: np.ndarray, share: float, rng: np.random.Generator
) -> np.ndarray:
    """Water that leaves in the product [l/s]: a share of each day's intake, in working hours."""
    days = len(minutes.dates)
    of_year = np.array([day.timetuple().tm_yday for day in minutes.dates])
    summer = 0.003 * np.cos(2 * np.pi * (of_year - 200) / 365)
    shares = share + summer + 0.006 * rng.standard_normal(days)
    others = np.bincount(minutes.day, drained, days)
    weight = shape + 0.03
    return (others * shares / (1 - shares) / np.bincount(minutes.day, weight, days))[
        minutes.day
    ] * weight


@cache
def world() -> World:
    """Make the year; the same every time."""
    rng = streams()
    secrets = draw_secrets(rng["secrets"])
    minutes = Minutes("2025-03-10", "2026-03-17", ZONE)
    outdoor, manhole = weather(minutes, rng["weather"])
    busy = production(minutes, rng["days"])
    shift = smooth_step(minutes.hour, 5.0, 22.8, 1.6)
    shift = shift * (1 - 0.25 * smooth_step(minutes.hour, 12.6, 14.4, 0.8))
    shape = shift * busy[minutes.day]
    restless = 1 + wandering(rng["noise"], len(shift), 0.07, 18)
    effluent = (2.4 + 9.6 * shape) * np.clip(restless, 0.5, None)
    effluent = effluent + cleaning(minutes, busy, rng["bursts"])
    tower = (0.35 + 0.085 * np.clip(outdoor - 2, 0, None)) * (0.55 + 0.45 * busy[minutes.day])
    product = product_water(minutes, effluent + tower, shape, secrets.product_share, rng["product"])
    scale = LITRE_PER_SECOND
    return World(
        minutes, secrets, effluent * scale, tower * scale, product * scale, outdoor, manhole
    )


def periods() -> list[tuple[str, str]]:
    """Start and end of each invoice: the instants of the city's reads, local clock."""
    moments = [f"{day} {READ_HOUR}" for day in READ_DAYS]
    return list(pairwise(moments))
