"""What each marking rule looks at: stretches a reader should know, which stay in the record."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.ndimage import median_filter

from sewer_audit import spoken
from sewer_audit.records.model import Findings
from sewer_audit.records.rules.named import Rule
from sewer_audit.records.rules.rejecting import View, runs

__all__ = ["MARKING", "Site", "Visit"]

DAY = 86400.0
BEFORE = np.array([-3, -2, -1])
"""Days looked at before a visit, and as many after it [d]."""


@dataclass(frozen=True)
class Visit:
    """A hand reading beside the instrument's.

    Parameters
    ----------
    time : Timestamp
        Instant of the visit [UTC].
    hand : float
        Level read by hand [m].
    instrument : float
        Level the instrument showed [m].
    rezeroed : bool
        Whether the instrument was set to the hand reading [-].
    """

    time: pd.Timestamp
    hand: float
    instrument: float
    rezeroed: bool = False


@dataclass(frozen=True)
class Site:
    """What the marking rules need besides the readings."""

    start: pd.Timestamp
    zone: dt.tzinfo
    visits: Sequence[Visit]
    findings: Findings
    events: Sequence[pd.Timestamp] = ()


def dry_or_dead(view: View, rule: Rule, site: Site) -> np.ndarray:
    """Dry runs that do not recur at their hour with others at least half as long."""
    found = view.none()
    if len(found) < 3:
        return found
    starts, ends = runs(view.dry(rule["dry level"]))
    lasts = view.seconds[ends - 1] - view.seconds[starts] if len(ends) else ends
    long = lasts >= rule["longest"]
    hour = (view.seconds[starts] % DAY) / 3600 if len(starts) else starts
    for place in np.flatnonzero(long):
        alike = lasts >= lasts[place] / 2
        alike[place] = False
        away = np.abs((hour - hour[place] + 12) % 24 - 12)
        near = alike & (away <= 3)
        usual = near.sum() >= 2 and near.sum() >= alike.sum() / 2
        if not usual or lasts[place] > 1.5 * lasts[near].max():
            found[starts[place] : ends[place]] = True
    return found


def _days_of(view: View, site: Site) -> tuple[np.ndarray, int]:
    """Day of every reading by the clock of the site, counted from none, and how many there are."""
    day = _day_numbers(view, site)
    return (day - day[0], int(day[-1] - day[0]) + 1) if len(day) else (day, 0)


def _runs_of_days(day: np.ndarray, odd: np.ndarray, fewest: float) -> np.ndarray:
    """Readings of days that are odd at least so many in a row."""
    keep = np.zeros(len(odd), dtype=bool)
    for start, end in zip(*runs(odd), strict=True):
        keep[start:end] = end - start >= fewest
    return keep[day]


def scale_change(view: View, rule: Rule, site: Site) -> np.ndarray | str:
    day, count = _days_of(view, site)
    if count < 14:
        return "fewer than 14 days"
    days, pieces = _sorted_days(view, site, "flow" if "flow" in view.columns else "level")
    rows = [[_quantile(piece, share) for share in (0.1, 0.5, 0.9)] for piece in pieces]
    table = pd.DataFrame(rows, index=days - days[0]).reindex(range(count))
    usual = table.median()
    table, usual = table.loc[:, usual > 0], usual[usual > 0]
    if not len(usual):
        return view.none()
    ratio = (table / usual).to_numpy()
    with np.errstate(invalid="ignore", divide="ignore"):
        middle = np.median(ratio, axis=1)
        size = np.exp(np.abs(np.log(middle)))
        spread = ratio.max(axis=1) / ratio.min(axis=1)
        alike = spread <= np.maximum(rule["alike"], np.sqrt(size))
        far = (size > rule["factor"]) & (middle > 0.05)  # below it nothing runs at all
    return _runs_of_days(day, alike & far, rule["days"])


def velocity_against_depth(view: View, rule: Rule, site: Site) -> np.ndarray | str:
    if "velocity" not in view.columns:
        return "no velocity recorded"
    day, count = _days_of(view, site)
    if count < 7:
        return "fewer than 7 days"
    wet = view.level > 0.25 * float(np.nanmedian(view.level))
    with np.errstate(invalid="ignore", divide="ignore"):
        factor = np.where(wet, view.columns["velocity"] / view.level ** (2 / 3), np.nan)
    daily = pd.Series(factor).groupby(day).median().reindex(range(count)).to_numpy()
    odd = np.abs(daily / np.nanmedian(daily) - 1) > rule["change"]
    return _runs_of_days(day, odd, rule["days"])


def ponding(view: View, rule: Rule, site: Site) -> np.ndarray | str:
    found = view.none()
    if not view.level.any() or len(found) < 100:
        return "no level recorded"
    high = float(np.quantile(view.level, rule["high"]))
    over = view.level > np.maximum(0.8 * high, rule["above"] * _usual_of_hour(view))
    for start, end in zip(*runs(over), strict=True):
        lasts = view.seconds[end - 1] - view.seconds[start]
        if lasts >= rule["longest"] and np.median(view.level[start:end]) > high:
            found[start:end] = True
    return found


def _usual_of_hour(view: View) -> np.ndarray:
    """Median level of the hour of the day of each reading."""
    hour = ((view.seconds // 3600) % 24).astype(int)
    every = slice(None, None, max(len(hour) // 200_000, 1))
    usual = pd.Series(view.level[every]).groupby(hour[every]).median()
    return usual.reindex(range(24)).to_numpy()[hour]


def zero_shift(view: View, rule: Rule, site: Site) -> np.ndarray | str:
    """A flow moves high levels more than low ones; what moves all of them alike is the sensor."""
    width = int(rule["days"])
    if not view.level.any():
        return "no level recorded"
    day = _day_numbers(view, site)
    days, pieces = _sorted_days(view, site)
    whole = [n for n, piece in enumerate(pieces) if len(piece) >= 0.5 * DAY / max(view.step, 1.0)]
    if len(whole) < 3 * width:
        return f"fewer than {3 * width} full days"
    days, shares = days[whole], (0.1, 0.3, 0.5, 0.7, 0.9)
    levels = np.array([[_quantile(pieces[n], share) for share in shares] for n in whole])
    usual = np.median(levels, axis=0)
    middle = np.median(np.lib.stride_tricks.sliding_window_view(levels, width, axis=0), axis=2)
    shift = middle[width:] - middle[:-width]
    mean = shift.mean(axis=1)
    alike = np.sqrt(((shift - mean[:, None]) ** 2).sum(axis=1))
    as_flow = shift - np.outer(shift @ usual / (usual @ usual), usual)
    noise = 1.4826 * np.median(np.abs(np.diff(levels, axis=0)), axis=0).max() / np.sqrt(width)
    runs_on = np.minimum(middle[width:], middle[:-width])[:, 2] > 0.3 * usual[2]  # no closed plant
    far = runs_on & (np.abs(mean) > max(rule["smallest"], rule["scatter"] * noise))
    best = int(np.argmax(np.where(far, np.abs(mean), 0.0)))
    found = view.none()
    if not far.any() or alike[best] > rule["even"] * np.sqrt((as_flow[best] ** 2).sum()):
        return found
    when, size = days[best + width], float(mean[best])
    found |= day >= when
    moment = site.start + pd.Timedelta(days=float(when - day[0]))
    told = [*(visit.time for visit in site.visits), *site.events]
    known = any(moment - pd.Timedelta(days=width) < time for time in told)
    site.findings.flag(
        "zero shift looked at" if known else "zero shift",
        f"low, middle and high levels move by {spoken.length(size, 2, True)} alike about "
        f"{spoken.day(moment)} and stay: the sensor moved, since a flow moves high levels more "
        "than low ones; state an event or a visit with a hand reading after it",
        date=f"{moment:%Y-%m-%d}",
        shift_m=size,
    )
    return found


def falls_at_visits(view: View, rule: Rule, site: Site) -> np.ndarray | str:
    if len(site.visits) < 2:
        return "fewer than two visits stated"
    found = view.none()
    day, days, low = _daily(view, site, 0.3)
    if len(days) < 14 or not view.level.any():
        return "fewer than 14 full days"
    low = low - pd.Series(low).groupby(days % 7).transform("median").to_numpy()

    def fall(number: float) -> float:
        before, after = (low[np.isin(days, number + shift)] for shift in (BEFORE, -BEFORE))
        return before.mean() - after.mean() if len(before) and len(after) else np.nan

    seconds = [(visit.time - site.start) / pd.Timedelta(seconds=1) for visit in site.visits]
    places = np.minimum(np.searchsorted(view.seconds, seconds), len(day) - 1)
    falls = np.array([fall(number) for number in day[places]])
    falls = falls[np.isfinite(falls)]
    others = days[np.abs(days[:, None] - day[places]).min(axis=1) > len(BEFORE)]
    usual = np.array([fall(number) for number in others])
    usual = usual[np.isfinite(usual)]
    if len(falls) < 2 or not len(usual):
        return found
    limit = np.median(usual) + rule["scatter"] * _scatter(usual) / np.sqrt(len(falls))
    if falls.mean() < max(rule["smallest"], limit) or np.mean(falls > 0) < rule["share"]:
        return found
    found[:] = True
    site.findings.flag(
        "falls at visits",
        f"the low level falls at {int((falls > 0).sum())} of {len(falls)} visits, by "
        f"{spoken.length(float(falls.mean()), 2)} in the mean and more than on other days: "
        "something lay on the device and was cleaned off, so that it read too high before",
        visits=int((falls > 0).sum()),
        fall_m=float(falls.mean()),
    )
    return found


def sudden_change(view: View, rule: Rule, site: Site) -> np.ndarray:
    found = view.none()
    if len(view.level) > 1:
        with np.errstate(invalid="ignore", divide="ignore"):
            rate = np.abs(np.diff(view.level) / np.diff(view.seconds))
        found[1:] = rate > rule["rate"]
    return found


def _day_numbers(view: View, site: Site) -> np.ndarray:
    """Day of each reading by the clock of the site."""
    if "day" not in view.found:
        offset = site.start.tz_convert(site.zone).utcoffset() or dt.timedelta()
        clock = site.start.hour * 3600 + site.start.minute * 60 + offset.total_seconds()
        view.found["day"] = ((view.seconds + clock) // DAY).astype(int)
    return view.found["day"]


def _sorted_days(
    view: View, site: Site, role: str = "level"
) -> tuple[np.ndarray, list[np.ndarray]]:
    """Every day there is, and its readings from low to high."""
    if role not in view.found:
        day = _day_numbers(view, site)
        starts = np.concatenate([[0], np.flatnonzero(np.diff(day)) + 1]) if len(day) else day
        values = view.level if role == "level" else view.columns[role]
        pieces = [np.sort(piece) for piece in np.split(values, starts[1:])] if len(day) else []
        view.found[role] = day[starts.astype(int)], pieces
    return view.found[role]


def _quantile(ordered: np.ndarray, share: float) -> float:
    """Of readings in order, none of them missing; between two of them by the straight line."""
    place = share * (len(ordered) - 1)
    low = int(place)
    high = min(low + 1, len(ordered) - 1)
    return float(ordered[low] + (place - low) * (ordered[high] - ordered[low]))


def _daily(view: View, site: Site, share: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Day of each reading, the days that are at least half full, their low level."""
    days, pieces = _sorted_days(view, site)
    fewest = 0.5 * DAY / max(view.step, 1.0)
    full = [place for place, piece in enumerate(pieces) if len(piece) >= fewest]
    low = np.array([_quantile(pieces[place], share) for place in full])
    return _day_numbers(view, site), days[np.array(full, dtype=int)], low


def _scatter(values: np.ndarray) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values)))) if len(values) else 0.0


def step_change(view: View, rule: Rule, site: Site) -> np.ndarray | str:
    width = int(rule["days"])
    day, days, low = _daily(view, site, 0.1)
    if len(days) < 2 * width:
        return f"fewer than {2 * width} full days"
    limit = max(rule["smallest"], rule["scatter"] * _scatter(np.diff(low)))
    usual = np.median(np.lib.stride_tricks.sliding_window_view(low, width), axis=1)
    shift = usual[width:] - usual[:-width]
    found = view.none()
    over = np.abs(shift) > limit
    for start, end in zip(*runs(over), strict=True):
        best = start + int(np.argmax(np.abs(shift[start:end])))
        # the medians of whole weeks say that it shifts, the largest change of one day says when
        first = max(start + width - width // 2, 1)
        jumps = np.diff(low)[first - 1 : end + width + width // 2 - 1]
        when = days[first + int(np.argmax(np.sign(shift[best]) * jumps))]
        found |= day == when
        moment = site.start + pd.Timedelta(days=float(when - day[0]))
        site.findings.flag(
            "step change",
            f"the low level of the days shifts by {spoken.length(shift[best], 2, True)} about "
            f"{spoken.day(moment)} and stays: moved sensor, changed zero, or changed operation",
            date=f"{moment:%Y-%m-%d}",
            shift_m=float(shift[best]),
        )
    return found


def drift(view: View, rule: Rule, site: Site) -> np.ndarray | str:
    if not site.visits:
        return "no visits stated"
    found = view.none()
    since = -np.inf
    for visit in sorted(site.visits, key=lambda one: one.time):
        moment = (visit.time - site.start) / pd.Timedelta(seconds=1)
        away = visit.instrument - visit.hand
        if abs(away) > rule["largest"]:
            found |= (view.seconds > since) & (view.seconds <= moment)
            site.findings.flag(
                "drift against visits",
                f"at the visit of {spoken.moment(visit.time)} the instrument showed "
                f"{spoken.length(away, 3, True)} against the hand reading of "
                f"{spoken.length(visit.hand, 4)}"
                + ("; it was set right then" if visit.rezeroed else "; it was left so"),
                time=str(visit.time),
                difference_m=float(away),
                rezeroed=visit.rezeroed,
            )
        since = moment
    return found


def night_floor(view: View, rule: Rule, site: Site) -> np.ndarray | str:
    day, days, low = _daily(view, site, 0.02)
    if len(days) < 14:
        return "fewer than 14 full days"
    usual = float(np.median(low))
    limit = usual + max(rule["smallest"], rule["scatter"] * _scatter(low))
    found = view.none()
    for start, end in zip(*runs(low > limit), strict=True):
        if end - start < rule["nights"]:
            continue
        found |= (day >= days[start]) & (day <= days[end - 1])
        first = site.start + pd.Timedelta(days=float(days[start] - day[0]))
        site.findings.flag(
            "night floor",
            f"for {end - start} days from {spoken.day(first)} the level never fell to its usual "
            f"minimum of {spoken.length(usual)}; the least was "
            f"{spoken.length(low[start:end].min())}: ponding, debris on the crest, backwater, "
            "infiltration, or night work",
            date=f"{first:%Y-%m-%d}",
            days=int(end - start),
            usual_m=usual,
            least_m=float(low[start:end].min()),
        )
    return found


def backwater(view: View, rule: Rule, site: Site) -> np.ndarray | str:
    found, applied = view.none(), False
    with np.errstate(invalid="ignore", divide="ignore"):
        if "downstream_head" in view.columns:
            applied = True
            ratio = view.columns["downstream_head"] / view.level
            found |= (ratio > rule["submergence"]) & (view.level > 0)
        if "velocity" in view.columns and len(view.level):
            applied = True
            speed = view.columns["velocity"]
            found |= (view.level > rule["high"] * np.nanmedian(view.level)) & (
                speed < rule["slow"] * np.nanmedian(speed)
            )
    return found if applied else "neither velocity nor downstream head recorded"


def surcharge(view: View, rule: Rule, site: Site) -> np.ndarray | str:
    if rule.parameters["crown"].value is None:
        return "no height of the conduit stated"
    return view.columns.get("depth", view.level) > rule["crown"]


def wet_weather(view: View, rule: Rule, site: Site) -> np.ndarray | str:
    if "rain" not in view.columns:
        return "no rain recorded"
    day = _day_numbers(view, site)
    if not len(day):
        return view.none()
    number = day - day[0]
    rain = np.bincount(number, weights=np.nan_to_num(view.columns["rain"]))
    wet = rain >= rule["rain"]
    dry = rain == 0
    for back in range(1, int(rule["dry days"]) + 1):
        dry &= np.concatenate([np.zeros(min(back, len(rain)), bool), rain[:-back] == 0])[: len(dry)]
    role = "flow" if "flow" in view.columns else "level"
    measure = view.columns.get("flow", view.level)
    if wet.any() and dry.any():
        wet_mean, dry_mean = (float(np.nanmean(measure[d[number]])) for d in (wet, dry))
        unit = "m3/s" if role == "flow" else "m"
        site.findings.flag(
            "wet weather",
            f"mean {role} is {wet_mean:.4g} {unit} on {int(wet.sum())} days of rain and "
            f"{dry_mean:.4g} {unit} on {int(dry.sum())} dry days"
            + (
                "; rain or ground water enters above the device"
                if wet_mean > 1.1 * dry_mean
                else ""
            ),
            wet_days=int(wet.sum()),
            dry_days=int(dry.sum()),
            wet_mean=wet_mean,
            dry_mean=dry_mean,
            quantity=f"{role} [{unit}]",
        )
    return wet[number]


def temperature(view: View, rule: Rule, site: Site) -> np.ndarray | str:
    if "air_temperature" not in view.columns:
        return "no air temperature recorded"
    air = view.columns["air_temperature"]
    with np.errstate(invalid="ignore"):
        found = (air < rule["lowest"]) | (air > rule["highest"])
        if len(air) > 1:
            hours = np.maximum(np.diff(view.seconds) / 3600, 1.0)
            found[1:] |= np.abs(np.diff(air)) > rule["change in an hour"] * hours
    days = pd.Series(air[~found]).groupby(_day_numbers(view, site)[~found])
    swing = float((days.max() - days.min()).median())
    if swing > rule["swing"]:
        site.findings.flag(
            "air swings",
            f"the air warms and cools by {swing:.0f} K on a usual day, far more than air in a "
            "sewer: a sensor in the sun, on a warm cabinet or outside; the echo follows it",
            swing_K=swing,
        )
    return found | _standing(view, air, rule["longest"])


def humidity(view: View, rule: Rule, site: Site) -> np.ndarray | str:
    if "humidity" not in view.columns:
        return "no humidity recorded"
    air = view.columns["humidity"]
    with np.errstate(invalid="ignore"):
        bad = (air < 0) | (air > rule["highest"])
        return bad | (_standing(view, air, rule["longest"]) & (air < rule["saturated"]))


def rain_gauge(view: View, rule: Rule, site: Site) -> np.ndarray | str:
    if "rain" not in view.columns:
        return "no rain recorded"
    rain = view.columns["rain"]
    hours = np.maximum(np.append(view.step, np.diff(view.seconds)), view.step) / 3600
    with np.errstate(invalid="ignore"):
        bad = (rain < 0) | (rain > rule["most in an hour"] * np.maximum(hours, 1.0))
        return bad | (_standing(view, rain, rule["longest"]) & (rain > 0))


def _standing(view: View, values: np.ndarray, longest: float) -> np.ndarray:
    """Readings of runs of one value, three or more, that last too long."""
    found = view.none()
    if len(values) < 2:
        return found
    starts, ends = runs(np.diff(values) == 0)
    long = (view.seconds[ends] - view.seconds[starts] >= longest) & (ends - starts >= 3)
    for start, end in zip(starts[long], ends[long], strict=True):
        found[start : end + 1] = True
    return found


def rough_surface(view: View, rule: Rule, site: Site) -> np.ndarray | str:
    if not view.step <= 900:
        return "readings are more than 15 min apart"
    if len(view.level) < 48:
        return view.none()
    away = np.abs(view.level - median_filter(view.level, size=5, mode="nearest"))
    hour = (view.seconds // 3600).astype(int)
    count = np.bincount(hour)
    with np.errstate(invalid="ignore"):
        mean = np.bincount(hour, weights=away) / count
    limit = max(rule["smallest"], rule["scatter"] * float(np.nanmedian(mean)))
    with np.errstate(invalid="ignore"):
        found = (mean > limit)[hour]
    if found.mean() > rule["share"] and _no_course(view.level, away, found):
        site.findings.flag(
            "readings without a course",
            f"for {spoken.percent(float(found.mean()))} of the time each reading is "
            f"{spoken.length(float(np.median(away[found])), 2)} off those beside it, up and down "
            "at random: foam, wind, webs or a failing sensor, not the flow",
            share=float(found.mean()),
        )
    return found


def _no_course(level: np.ndarray, away: np.ndarray, found: np.ndarray) -> bool:
    """Whether what was found scatters reading by reading; runs and batches leave most in line."""
    step = np.diff(level)
    both = found[2:] & found[1:-1] & found[:-2]
    square = float((step[1:][both] ** 2).sum())
    turns = square > 0 and (step[1:] * step[:-1])[both].sum() < -0.3 * square  # noise has -0.5
    return bool(turns and np.median(away[found]) > 0.5 * away[found].mean())


def totaliser(view: View, rule: Rule, site: Site) -> np.ndarray | str:
    if "totaliser" not in view.columns or "flow" not in view.columns:
        return "no totaliser beside a flow recorded"
    total, flow = view.columns["totaliser"], view.columns["flow"]
    found = view.none()
    if len(total) < 3:
        return found
    steps = np.diff(total)
    still = (steps == 0) & (flow[1:] > rule["share"] * np.nanmedian(flow))
    for start, end in zip(*runs(still), strict=True):
        if view.seconds[end] - view.seconds[start] >= rule["longest"]:
            found[start + 1 : end + 1] = True
    with np.errstate(invalid="ignore"):
        resets = int((steps < 0).sum())
        counted = float(np.nansum(steps[steps > 0]))
    shown = float(np.nansum((flow[1:] + flow[:-1]) / 2 * np.diff(view.seconds)))
    site.findings.flag(
        "totaliser against flow",
        f"the totaliser counts {spoken.volume(counted)} where the flow adds up to "
        f"{spoken.volume(shown)}; it falls {resets} times (reset or roll-over; the volume "
        "across each is not counted)",
        totaliser_m3=counted,
        flow_m3=shown,
        falls=resets,
    )
    return found


MARKING = {
    "scale change": scale_change,
    "velocity against depth": velocity_against_depth,
    "ponding": ponding,
    "zero shift": zero_shift,
    "falls at visits": falls_at_visits,
    "dry or dead": dry_or_dead,
    "sudden change": sudden_change,
    "step change": step_change,
    "drift against visits": drift,
    "night floor": night_floor,
    "backwater": backwater,
    "surcharge": surcharge,
    "wet weather": wet_weather,
    "temperature anomaly": temperature,
    "humidity anomaly": humidity,
    "rain anomaly": rain_gauge,
    "rough surface": rough_surface,
    "totaliser stands still": totaliser,
}
"""Rule name to what finds its readings: a mask, or a sentence why the rule does not apply."""
