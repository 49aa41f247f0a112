"""Explanations that act on the two estimates: something on the site is not as taken."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from scipy.interpolate import CubicSpline

from sewer_audit.explanations.bill_actions import boundary_noise, boundary_rates
from sewer_audit.explanations.model import Explanation, Parameter, Variant
from sewer_audit.explanations.observations import Observations
from sewer_audit.explanations.states import Estimates

__all__ = ["BOTH_RIGHT", "ESTIMATE_EXPLANATIONS"]

BOTH_RIGHT = "both estimates right"

LOOSE = {"zero": 0.02, "steady": 0.02, "season": 0.15, "rain": 0.15, "drowned": 0.15}
"""How loosely a pattern is followed: own error of each invoice over its share (judgement) [-]."""

RATIOS = {
    "half the size": 0.5,
    "three quarters of the size": 0.75,
    "four thirds of the size": 4 / 3,
    "one and a half times the size": 1.5,
    "twice the size": 2.0,
    "60 for 90 degrees of notch": 0.577350269,
    "90 for 60 degrees of notch": 1.732050808,
    "45 for 90 degrees of notch": 0.414213562,
}
"""Discharge of another device over the assumed one's, where the case names none [-]."""
WRONG_GAUGE = 0.2
"""Probability that the gauge of the hand readings is itself off by more than stated (judgement);
by itself it keeps the hand readings from naming anything, which takes a factor of 20."""
SMALLEST = 0.03
"""Smallest share of the volume worth an explanation of its own (judgement) [-]."""
SUMMER = (0.48, 0.52, 0.56, 0.60, 0.64)
"""Peaks of a warm-season use on the northern side of the equator, share of the year [-]."""
WINTER = (0.02, 0.08)
"""The same on the southern side, or of a heating-season use [-]."""


def _loosely(volume: np.ndarray, pattern: str) -> np.ndarray:
    """Covariance of what follows a pattern only loosely [m6]."""
    return (LOOSE[pattern] * volume[:, :, None]) ** 2 * np.eye(volume.shape[1])


def _both(observed: Observations) -> bool:
    return bool(observed.compared.any())


def _right(observed: Observations) -> list[Variant]:
    return [Variant("", 1.0)]


def _unchanged(state: Any, observed: Observations, data: Any, values: np.ndarray) -> Any:
    return state


def _signed(
    observed: Observations, labels: tuple[str, str], onset: bool = True, weight: float = 0.5
) -> list[Variant]:
    """Both signs, from the start or from a later invoice on."""
    if not _both(observed):
        return []
    found = []
    for label, sign, share in ((labels[0], 1.0, weight), (labels[1], -1.0, 1 - weight)):
        found.append(Variant(label, share * (0.6 if onset else 1.0), (sign, 0)))
        later = range(1, observed.count) if onset else ()
        for first in later:
            name = f"{label}, from invoice {first + 1} on"
            found.append(Variant(name, share * 0.4 / (observed.count - 1), (sign, first), False))
    return found


def _active(observed: Observations, first: int) -> np.ndarray:
    return (np.arange(observed.count) >= first).astype(float)


def _zero_variants(observed: Observations) -> list[Variant]:
    if observed.head_sensitivity is None and observed.zero_volumes_m3 is None:
        return []
    return _signed(observed, ("the sensor shows too much head", "the sensor shows too little head"))


def _zero(state: Estimates, observed: Observations, data: Any, values: np.ndarray) -> Estimates:
    """True over recorded volume from the record's own curve, else (1 - s e / n)^n."""
    sign, first = data
    if observed.zero_volumes_m3 is not None:
        factor = _on_curve(observed, sign * values)
    else:
        power = observed.head_exponent
        factor = 1.0 - sign * values[:, None] * observed.head_sensitivity / power
        factor = np.maximum(factor, 0.1) ** power
    factor = np.where(_active(observed, first) > 0, factor, 1.0)
    corrected = state.effluent_scaled(factor)
    seen = corrected.log_jacobian + _hand_readings(observed, values, first)
    loose = _loosely((factor - 1) * state.effluent, "zero")
    return replace(corrected, log_jacobian=seen).effluent_moved(0 * factor, loose)


def _hand_readings(observed: Observations, error: np.ndarray, first: int) -> np.ndarray:
    """Log likelihood of the hand readings, which have corrected the zero already, beside no error.

    A lasting error shows at every visit, unless the gauge itself is set wrong by more than stated.
    """
    if observed.zero_seen_m is None or not np.isfinite(observed.zero_seen_m[first]):
        return np.zeros(len(error))
    square = (error / observed.zero_seen_m[first]) ** 2
    return np.logaddexp(np.log(1 - WRONG_GAUGE) - square / 2, np.log(WRONG_GAUGE))


def _on_curve(observed: Observations, errors: np.ndarray) -> np.ndarray:
    """Volume with each error taken out, over the recorded one; held at the ends of the curve."""
    offsets, volumes = observed.zero_offsets_m, observed.zero_volumes_m3
    inside = np.clip(errors, offsets[0], offsets[-1])
    curve = CubicSpline(offsets, volumes, axis=0)
    recorded = np.maximum(curve(0.0), 1e-9)
    return np.maximum(curve(inside) / recorded, 0.02)


def _drowned_pattern(observed: Observations, which: str = "") -> np.ndarray:
    if which:
        return observed.drowned_patterns[which]
    if observed.drowned_share is not None:
        return observed.drowned_share
    rate = np.nan_to_num(observed.effluent_mean) / observed.lengths
    return (rate / max(float(rate.max()), 1e-12)) ** 2


def _drowned_variants(observed: Observations) -> list[Variant]:
    if not _both(observed):
        return []
    names = list(observed.drowned_patterns) or [""]
    return [
        Variant(name, 1.0, name) for name in names if np.any(_drowned_pattern(observed, name) > 0)
    ]


def _drowned(state: Estimates, observed: Observations, data: Any, values: np.ndarray) -> Estimates:
    """The size is the excess in the most drowned period; the others follow their share of it."""
    pattern = _drowned_pattern(observed, data or "")
    excess = values[:, None] * pattern / (max(float(pattern.max()), 1e-9) if data else 1.0)
    corrected = state.effluent_scaled(np.maximum(1.0 - excess, 0.05))
    return corrected.effluent_moved(0 * excess, _loosely(excess * state.effluent, "drowned"))


def _sizes(observed: Observations) -> list[Variant]:
    if not _both(observed):
        return []
    ratios = observed.device_ratios or RATIOS
    return [Variant(label, 1.0, np.asarray(ratio, dtype=float)) for label, ratio in ratios.items()]


def _other_size(
    state: Estimates, observed: Observations, data: Any, values: np.ndarray
) -> Estimates:
    return state.effluent_scaled(np.broadcast_to(data, observed.count)[None, :])


def _scale_variants(observed: Observations) -> list[Variant]:
    return _signed(observed, ("the record reads low", "the record reads high"), onset=False)


def _scale(state: Estimates, observed: Observations, data: Any, values: np.ndarray) -> Estimates:
    sign, first = data
    factor = np.exp(sign * values[:, None] * _active(observed, first))
    return state.effluent_scaled(factor)


def _supply_variants(observed: Observations) -> list[Variant]:
    if observed.intake_m3 is None:
        return []
    labels = ("the supply meter counts too little", "the supply meter counts too much")
    found = _signed(observed, labels, onset=False, weight=0.75)
    ramps = [
        Variant(f"{each.label}, more and more", each.weight * 0.4, (*each.data, True))
        for each in found
    ]
    flat = [Variant(each.label, each.weight * 0.6, (*each.data, False)) for each in found]
    return flat + ramps


def _supply(state: Estimates, observed: Observations, data: Any, values: np.ndarray) -> Estimates:
    sign, _, ramp = data
    share = np.arange(1, observed.count + 1) / observed.count if ramp else np.ones(observed.count)
    volume = sign * values[:, None] * share * observed.intake_m3
    return state.balance_moved(volume, intake_shift=volume)


def _usual_rate(observed: Observations) -> float:
    known = observed.compared
    volume = observed.balance_mean if observed.intake_m3 is None else observed.intake_m3
    return float(np.nansum(np.abs(volume[known])) / np.sum(observed.lengths[known]))


def _steady_variants(observed: Observations) -> list[Variant]:
    if not _both(observed):
        return []
    count = observed.count
    found = [Variant("all the time", 0.6, 0)]
    return found + [
        Variant(f"from invoice {first + 1} on", 0.4 / max(count - 1, 1), first, False)
        for first in range(1, count)
    ]


def _source(state: Estimates, observed: Observations, data: Any, values: np.ndarray) -> Estimates:
    volume = values[:, None] * _usual_rate(observed) * observed.lengths * _active(observed, data)
    return state.balance_moved(volume, _loosely(volume, "steady"))


def _leak(state: Estimates, observed: Observations, data: Any, values: np.ndarray) -> Estimates:
    volume = values[:, None] * _usual_rate(observed) * observed.lengths * _active(observed, data)
    return state.balance_moved(-volume, _loosely(volume, "steady"))


def _season_variants(observed: Observations) -> list[Variant]:
    if observed.year_fraction is None or not _both(observed):
        return []
    found = [
        Variant(f"warm season, peak at {100 * peak:.0f} % of the year", 0.16, peak)
        for peak in SUMMER
    ]
    return found + [
        Variant(
            f"cold season, or warm season in the south, peak at {100 * at:.0f} % of the year",
            0.1,
            at,
        )
        for at in WINTER
    ]


def _seasonal(state: Estimates, observed: Observations, data: Any, values: np.ndarray) -> Estimates:
    """The size is the share of the mean intake at the peak of the season."""
    season = np.maximum(np.cos(2 * np.pi * (observed.year_fraction - data)), 0.0)
    volume = values[:, None] * _usual_rate(observed) * observed.lengths * season
    return state.balance_moved(-volume, _loosely(volume, "season"))


def _wet_variants(observed: Observations) -> list[Variant]:
    if not _both(observed):
        return []
    if observed.rain_m is not None and np.any(observed.rain_m > 0):
        return [Variant("in step with the rain", 1.0, True)]
    return [Variant("irregular, no rain record to compare", 1.0, False)]


def _wet(state: Estimates, observed: Observations, data: Any, values: np.ndarray) -> Estimates:
    """The size is the mean share of the intake that enters as rain or ground water."""
    usual = _usual_rate(observed) * observed.lengths
    if data:
        rain = observed.rain_m * usual.sum() / observed.rain_m.sum()
        inflow = values[:, None] * rain
        return state.effluent_moved(-inflow, _loosely(inflow, "rain"))
    volume = values[:, None] * usual
    return state.effluent_moved(-volume, (0.7 * volume[:, :, None]) ** 2 * np.eye(observed.count))


def _clock_variants(observed: Observations) -> list[Variant]:
    if observed.count < 4:
        return []
    labels = ("the record's periods end late", "the record's periods end early")
    return _signed(observed, labels, onset=False)


def _clock(state: Estimates, observed: Observations, data: Any, values: np.ndarray) -> Estimates:
    sign, _ = data
    rates = np.diff(boundary_rates(observed.balance_mean, observed.lengths))
    noise = boundary_noise(observed.balance_mean, observed.lengths)
    return state.effluent_moved(-sign * values[:, None] * rates, values[:, None, None] * noise)


def _any_variants(observed: Observations) -> list[Variant]:
    if not _both(observed):
        return []
    return [
        Variant(f"the {which} is wrong", 1.0, (which, own))
        for which in ("effluent", "balance")
        for own in (0.02, 0.05, 0.12, 0.3)
    ]


def _unknown(state: Estimates, observed: Observations, data: Any, values: np.ndarray) -> Estimates:
    """A shared unknown factor of 30 % and errors of its own in one of the two."""
    which, own = data
    mean = observed.balance_mean
    cov = (np.outer(0.3 * mean, 0.3 * mean) + np.diag((own * mean) ** 2))[None]
    nothing = np.zeros((1, observed.count))
    if which == "effluent":
        return state.effluent_moved(nothing, cov)
    return state.balance_moved(nothing, cov)


SHARE = Parameter("share of the mean intake", SMALLEST, 0.6)

ESTIMATE_EXPLANATIONS: tuple[Explanation, ...] = (
    Explanation(BOTH_RIGHT, "estimates", 0.60, _right, _unchanged),
    Explanation(
        "zero error of the head sensor", "estimates", 0.08, _zero_variants, _zero,
        Parameter("zero error", 0.002, 0.05, "m", 1.0),
        evidence="hand readings of the head beside the instrument's at low and at high flow",
        visit="read the head by hand with a gauge and check the datum with a level",
        source="volume over head sensitivity n/h",
    ),
    Explanation(
        "submergence of the device", "estimates", 0.03, _drowned_variants, _drowned,
        Parameter("excess at the most drowned", SMALLEST, 0.7),
        evidence="a second head downstream of the throat or weir at peak flow",
        visit="look from above for standing water below the device at peak flow; read both heads",
        source="free-flow rating used at drowned heads reads high",
    ),
    Explanation(
        "wrong device size or notch angle", "estimates", 0.03, _sizes, _other_size,
        evidence="throat width, crest length or notch angle measured on site",
        visit="measure the device with a tape and a template", source="ratio of two ratings",
    ),
    Explanation(
        "effluent record off by a factor", "estimates", 0.03, _scale_variants, _scale,
        Parameter("log of the factor", SMALLEST, 0.7),
        evidence="a second measurement of the discharge, by dilution or by volume and time",
        visit="gauge the discharge once by an independent method",
        source="coefficient, slope, roughness or velocity factor",
    ),
    Explanation(
        "supply meter off", "estimates", 0.05, _supply_variants, _supply,
        Parameter("share of the intake", SMALLEST, 0.6),
        evidence="a test of the supply meter at low, middle and high flow",
        visit="record the meter's number, size, age and by-pass; have it tested",
        source="under-registration of aged or oversized meters; a use in step with the intake "
        "looks the same",
    ),
    Explanation(
        "unmetered source or steady ground water", "estimates", 0.03, _steady_variants, _source,
        SHARE,
        evidence="discharge at night with production and water use stopped",
        visit="look for wells, condensate, hauled water; watch the channel at night",
        source="effluent above intake by a steady volume in dry weather",
    ),
    Explanation(
        "leak after the meter, not to the sewer", "estimates", 0.04, _steady_variants, _leak,
        SHARE,
        evidence="the supply register over a night with everything shut",
        visit="read the register twice with all use stopped; walk the buried line",
        source="intake above effluent by a steady volume",
    ),
    Explanation(
        "seasonal use not accounted for", "estimates", 0.05, _season_variants, _seasonal,
        Parameter("share of the mean intake at the peak", SMALLEST, 1.0),
        evidence="a meter on irrigation and on every tower's makeup and blowdown",
        visit="list towers, irrigation and humidifiers; read their meters, or have some fitted",
        source="evaporation and irrigation follow the season",
    ),
    Explanation(
        "rain or ground water in the monitored line", "estimates", 0.03, _wet_variants, _wet, SHARE,
        evidence="the record on wet and on dry days beside a rain gauge",
        visit="dye or smoke test of roof drains, the authority and the fire service told before; "
        "watch the channel in rain from above",
        source="effluent above intake in step with rain",
    ),
    Explanation(
        "clock of the record or periods shifted", "estimates", 0.02, _clock_variants, _clock,
        Parameter("shift", 0.5, 20.0, "d", 1.0),
        evidence="the logger's clock beside a known clock, and its time zone",
        visit="compare the logger's clock; mark a known event in the record",
        source="volumes move from one period into the next",
    ),
    Explanation(
        "none of these (estimates)", "estimates", 0.03, _any_variants, _unknown,
        evidence="a second, independent measurement of discharge and a test of the supply meter",
        visit="follow every pipe from the meter to the sewer",
        source="broad prior, so that the listed ones are not overstated",
    ),
)  # fmt: skip
"""Every explanation that acts on the two estimates."""
