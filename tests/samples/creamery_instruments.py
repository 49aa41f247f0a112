"""What the creamery's instruments wrote down: the level logger, the visits, the two registers."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd

from samples import physics
from samples.creamery_world import READ_DAYS, READ_HOUR, World, streams, world

REFERENCE_DISTANCE = 36 * physics.INCH  # sensor face to the crest of the flume
ECHO_STEP = 5e-6  # s: the logger counts the echo time in steps of 0.005 ms, 0.9 mm of head
LOST_ECHO = "-999"
LOG_FIRST, LOG_LAST = "2025-03-11 00:00", "2026-03-14 00:00"
VISITS = (
    "2025-03-18 10:10",
    "2025-05-20 09:40",
    "2025-07-22 10:25",
    "2025-09-23 09:50",
    "2025-11-18 10:30",
    "2026-01-27 10:05",
    "2026-03-10 09:35",
)
REZERO_BEYOND = 0.10 * physics.INCH  # the site's own rule: adjust when off by more than 0.10 in
SAG = (("2025-05-28", "2025-09-15", 1.1e-3),)  # bracket sags: first day, last day, m in 30 days

# (first missing, first present again) # why
OUTAGES = (
    ("2025-04-22 13:10", "2025-04-22 13:40"),  # cable exchanged
    ("2025-06-27 22:45", "2025-06-29 20:30"),  # battery flat over a weekend
    ("2025-08-20 02:20", "2025-08-20 07:15"),  # storm, power failure
    ("2025-10-04 18:05", "2025-10-05 08:40"),  # memory full
    ("2025-12-29 09:00", "2025-12-29 10:50"),  # new battery
    ("2026-02-03 11:20", "2026-02-03 12:15"),  # firmware
)


@dataclass(frozen=True)
class Visit:
    """A hand reading beside the instrument's."""

    time: str
    hand: str
    instrument: str
    rezeroed: bool


@dataclass(frozen=True)
class LevelLog:
    """The logger's file and the visits, with the zero error nobody knows [m]."""

    rows: list[str]
    visits: tuple[Visit, ...]
    zero_error: np.ndarray


@cache
def level_log() -> LevelLog:
    """Write down the head of every fifth minute as echo time and air temperature."""
    year, rng = world(), streams()
    secrets = year.secrets
    head = physics.parshall_6_in_head(year.effluent, secrets.flume_scale, secrets.flume_exponent)
    zero, visits = zero_path(year, head, rng["zero"])
    shown = year.manhole + secrets.air_sensor
    return LevelLog(log_rows(year, head + zero, shown, rng["logger"]), visits, zero)


def air_head_error(year: World) -> np.ndarray:
    """Head shown less head echoed, from a wrong air temperature, at half a foot of head [m]."""
    wrong = physics.speed_in_damp_air(year.manhole + year.secrets.air_sensor)
    distance = REFERENCE_DISTANCE - 0.15
    return -distance * (wrong / physics.speed_in_damp_air(year.manhole) - 1)


def zero_path(
    year: World, head: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, tuple[Visit, ...]]:
    """Zero error of every minute, and what the visits found and changed.

    Re-zeroing means that the bracket is moved until the display agrees with the ruler.
    """
    count, minutes = len(head), year.minutes
    step = 1e-3 / np.sqrt(30 * 1440)
    path = 1.5e-3 * rng.standard_normal() + np.cumsum(step * rng.standard_normal(count))
    for first, last, rate in SAG:
        sagging = np.zeros(count)
        sagging[minutes.at(first) : minutes.at(last)] = rate / (30 * 1440)
        path = path + np.cumsum(sagging)
    of_air, found = air_head_error(year), []
    for moment in VISITS:
        now = minutes.at(moment)
        true = head[now - 3 : now + 4].mean()
        hand = true + 0.9e-3 * rng.standard_normal()
        display = true + path[now] + of_air[now] + 0.3e-3 * rng.standard_normal()
        hand_text = f"{round(hand / physics.INCH / 0.05) * 0.05:.2f} in"
        shown_text = f"{display / physics.INCH:.2f} in"
        off = (float(shown_text[:-3]) - float(hand_text[:-3])) * physics.INCH
        moved = abs(off) > REZERO_BEYOND
        if moved:
            path[now:] -= off + 0.3e-3 * rng.standard_normal()
        found.append(Visit(moment, hand_text, shown_text, moved))
    return path, tuple(found)


def log_rows(
    year: World, head: np.ndarray, shown: np.ndarray, rng: np.random.Generator
) -> list[str]:
    """Rows of the logger's file: local clock, echo time, air temperature."""
    minutes = year.minutes
    every = np.arange(minutes.at(LOG_FIRST), minutes.at(LOG_LAST), 5)
    noisy = head[every] + 1e-3 * rng.standard_normal(len(every))
    time = physics.echo_time(REFERENCE_DISTANCE - noisy, year.manhole[every])
    counts = np.round(time / ECHO_STEP).astype(int)
    counts = false_echoes(counts, rng)
    text = [f"{count * ECHO_STEP * 1e3:.3f}" for count in counts]
    for row in lost_echoes(len(every), rng):
        text[row] = LOST_ECHO
    air = shown[every] + 0.1 * rng.standard_normal(len(every))
    present = np.ones(len(every), bool)
    for first, last in OUTAGES:
        gap = (every >= minutes.at(first)) & (every < minutes.at(last))
        present &= ~gap
    for row in rng.integers(0, len(every), 24):  # a reading or a few not stored
        if not near_clock_change(minutes.local[every[row]]):
            present[row : row + rng.integers(1, 5)] = False
    clock = minutes.local[every].strftime("%Y-%m-%d %H:%M")
    return [f"{clock[n]},{text[n]},{air[n]:.1f}" for n in np.flatnonzero(present)]


def near_clock_change(moment: pd.Timestamp) -> bool:
    return str(moment.date()) in ("2025-11-01", "2025-11-02", "2026-03-07", "2026-03-08")


def false_echoes(counts: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A few echoes of the ladder (too near) and a few that went to and fro twice (too far)."""
    counts = counts.copy()
    counts[rng.integers(0, len(counts), 8)] = round(2.36e-3 / ECHO_STEP)
    twice = rng.integers(0, len(counts), 6)
    counts[twice] = counts[twice] * 2
    return counts


def lost_echoes(count: int, rng: np.random.Generator) -> np.ndarray:
    """Rows without an echo: single ones, and runs of foam."""
    single = rng.integers(0, count, 60)
    runs = [start + np.arange(rng.integers(3, 7)) for start in rng.integers(0, count - 10, 9)]
    return np.unique(np.concatenate([single, *runs]))


@dataclass(frozen=True)
class Register:
    """A meter's register: raw counts at local times."""

    reads: tuple[tuple[str, int], ...]
    digits: int

    def at(self, moment: str) -> int:
        """The raw count at a moment that was read."""
        return dict(self.reads)[moment]


def register(
    rate: np.ndarray, error: float, count_volume: float, first: float, digits: int, moments
) -> Register:
    """Read a register that counts a rate with an error, and rolls over."""
    minutes = world().minutes
    total = first + np.concatenate([[0.0], np.cumsum(rate * 60 * (1 + error) / count_volume)])
    reads = tuple((moment, int(total[minutes.at(moment)]) % 10**digits) for moment in moments)
    return Register(reads, digits)


@cache
def read_moments() -> tuple[str, ...]:
    """About weekly, by the shift leader, and the city's read days at the hour of the read."""
    rng = streams()["reads"]
    city = {f"{day} {READ_HOUR}" for day in READ_DAYS}
    weekly, day = [], pd.Timestamp("2025-03-10")
    while day < pd.Timestamp("2026-03-17"):
        clock = day + pd.Timedelta(minutes=int(rng.integers(6 * 60 + 20, 9 * 60 + 40)))
        if str(day.date()) not in READ_DAYS:
            weekly.append(clock.strftime("%Y-%m-%d %H:%M"))
        day += pd.Timedelta(days=int(rng.choice([6, 7, 7, 7, 8])))
    return tuple(sorted({*city, *weekly}))


@cache
def main_meter() -> Register:
    """Counts of 100 gal on six digits: it rolls over once in the year."""
    year = world()
    moments = read_moments()
    volume = 100 * physics.GALLON
    return register(year.intake, year.secrets.main_meter, volume, 352_410.3, 6, moments)


@cache
def tower_meter() -> Register:
    """Counts of 10 cubic feet on six digits."""
    year = world()
    volume = 10 * physics.CUBIC_FOOT
    return register(year.tower, year.secrets.tower_meter, volume, 47_803.6, 6, read_moments())
