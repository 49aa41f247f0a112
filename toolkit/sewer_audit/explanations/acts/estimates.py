"""How each cause acts on the two estimates, at whatever intervals they are compared.

A cause has a form (sign, shape in time, pattern) and a size; its action puts right what it did
wrong, so that afterwards the record and the balance should tell one volume.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np

from sewer_audit.explanations.acts.bill_actions import boundary_rates
from sewer_audit.explanations.acts.shapes import Profile, profiles
from sewer_audit.explanations.acts.states import Estimates
from sewer_audit.explanations.marks import course_told, lag_told, mark_told
from sewer_audit.explanations.model import Variant
from sewer_audit.explanations.observations import Observations

__all__ = ["ACTIONS", "RATIOS", "forms_of"]

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
LOWEST = 0.005
"""How far below the lowest heads of the record a zero error may still reach [m] (judgement)."""


@dataclass(frozen=True)
class Form:
    """Sign, shape in time, and which pattern."""

    sign: float
    profile: Profile
    pattern: Any = None


def forms_of(row: Mapping[str, Any], observed: Observations) -> list[Variant]:
    """Every form a row of the catalogue can take on these observations; none where untestable."""
    if not observed.compared.any():
        return []
    patterns = _PATTERNS.get(row["action"], _one)(observed)
    signs = row.get("signs", {"+": ""})
    share = row.get("sign_weights", dict.fromkeys(signs, 1 / len(signs)))
    found = []
    for name, held in patterns.items():
        pattern, worth = (held, 1.0) if row["action"] == "supply_stopped" else (name, held)
        for profile in profiles(observed, row.get("shapes", ["constant"])):
            if row["action"] == "unit_slip" and not _has_onset(observed, profile):
                continue
            for sign, label in signs.items():
                text = ", ".join(filter(None, (label, name, profile.label)))
                form = Form(1.0 if sign == "+" else -1.0, profile, pattern)
                worthy = worth * share[sign] * profile.weight
                main = profile.shape in ("constant", "ramp", "season")
                found.append(Variant(text, worthy, form, main))
    return found


# --- which patterns a cause can follow ----------------------------------------------


def _one(observed: Observations) -> dict[str, float]:
    return {"": 1.0}


def _curves(observed: Observations) -> dict[str, float]:
    known = observed.head_sensitivity is not None or observed.zero_volumes_m3 is not None
    return {"": 1.0} if known else {}


def _drowned_patterns(observed: Observations) -> dict[str, Any]:
    """Excess at high heads as the record shows them, else the square of the mean rate."""
    found = dict(observed.drowned_patterns) | dict(observed.high_shares)
    if not found and observed.drowned_share is not None:
        found = {"": observed.drowned_share}
    if not found and not observed.method:
        rate = observed.flowed / observed.lengths
        found = {"": (rate / max(float(rate.max()), 1e-12)) ** 2}
    return {name: 1.0 for name, pattern in found.items() if np.any(np.asarray(pattern) > 0)}


def _sizes(observed: Observations) -> dict[str, Any]:
    known = observed.device_ratios or ({} if observed.method else RATIOS)
    return dict.fromkeys(known, 1.0)


def _units(observed: Observations) -> dict[str, Any]:
    return dict.fromkeys(observed.unit_volumes, 1.0)


def _low(observed: Observations) -> dict[str, Any]:
    return dict.fromkeys(observed.low_shares, 1.0)


def _missed(observed: Observations) -> dict[str, Any]:
    return _low(observed) if _supply(observed) else {}


def _high(observed: Observations) -> dict[str, Any]:
    return dict.fromkeys(observed.high_shares, 1.0)


def _supply(observed: Observations) -> dict[str, Any]:
    return {} if observed.intake_m3 is None else {"": 1.0}


def _stops(observed: Observations) -> dict[str, Any]:
    """The pattern is the stretch itself."""
    return dict(observed.standstills)


def _uses(observed: Observations) -> dict[str, Any]:
    return dict.fromkeys(observed.uses_m3, 1.0)


def _sources(observed: Observations) -> dict[str, Any]:
    if observed.night_m3 is None:
        return {"": 1.0}
    return {"day and night": 0.6, "in working hours": 0.2, "in step with the intake": 0.2}


def _waters(observed: Observations) -> dict[str, Any]:
    rain = observed.rain_m is not None and bool(np.any(observed.rain_m > 0))
    found = {"in step with the rain": 1.0} if rain else {}
    found |= dict.fromkeys(observed.rain_stores, 1 / max(len(observed.rain_stores), 1))
    return found


def _clocks(observed: Observations) -> dict[str, Any]:
    return {"": 1.0} if observed.count >= 4 else {}


def _has_onset(observed: Observations, profile: Profile) -> bool:
    """A change of unit is looked for only where the record itself changes."""
    return profile.shape == "constant" or profile.first in observed.changes


_PATTERNS: Mapping[str, Callable[[Observations], dict[str, Any]]] = {
    "zero": _curves,
    "drowned": _drowned_patterns,
    "other_size": _sizes,
    "unit_slip": _units,
    "low_flows": _low,
    "passes_round": _high,
    "busy_hours": _high,
    "supply_factor": _supply,
    "supply_low_flow": _missed,
    "supply_stopped": _stops,
    "use_wrong": _uses,
    "source": _sources,
    "wet": _waters,
    "clock": _clocks,
}


# --- what each does -----------------------------------------------------------------


def _unchanged(state: Estimates, observed: Observations, data: Any, values: Any) -> Estimates:
    return state


def _usual(observed: Observations) -> np.ndarray:
    """Volume of every interval at the mean rate of the intake [m3]."""
    volume = observed.balance_mean if observed.intake_m3 is None else observed.intake_m3
    known = np.isfinite(volume)
    rate = float(np.nansum(np.abs(volume[known])) / np.sum(observed.lengths[known]))
    return rate * observed.lengths


def _factor(state: Estimates, observed: Observations, form: Form, values: np.ndarray) -> Estimates:
    return state.effluent_scaled(np.exp(form.sign * values[:, None] * form.profile.over(observed)))


def _zero(state: Estimates, observed: Observations, form: Form, values: np.ndarray) -> Estimates:
    """True over recorded volume from the record's own curve, else (1 - s e / n)^n."""
    error = form.sign * values[:, None] * form.profile.over(observed)
    if observed.zero_volumes_m3 is not None:
        factor = _on_curve(observed, observed.zero_volumes_m3, error)
    else:
        power = observed.head_exponent
        factor = np.maximum(1.0 - error * observed.head_sensitivity / power, 0.1) ** power
    moved = state.effluent_scaled(factor, night=False)
    if observed.zero_night is not None:
        moved = moved.night_scaled(_on_curve(observed, observed.zero_night, error))
    told = _hand_readings(observed, values, form.profile)
    if form.sign > 0 and observed.lowest_head_m is not None:
        beyond = np.maximum(error.max(axis=1) - observed.lowest_head_m - LOWEST, 0.0)
        told = told - 0.5 * (beyond / LOWEST) ** 2
    for name, curve in observed.zero_marks.items():
        shown = np.interp(error, observed.zero_offsets_m, curve)
        told = told + course_told(observed, name, shown)
    return moved.told(told)


def _hand_readings(observed: Observations, error: np.ndarray, profile: Profile) -> np.ndarray:
    """Log likelihood of the hand readings, which have corrected the zero already, beside no error.

    A lasting error shows at every visit, unless the gauge itself is set wrong by more than stated.
    """
    if observed.zero_seen_m is None:
        return np.zeros(len(error))
    place = int(np.argmax(profile.over(observed) > 0.5))
    if not np.isfinite(observed.zero_seen_m[place]):
        return np.zeros(len(error))
    square = (error / observed.zero_seen_m[place]) ** 2
    return np.logaddexp(np.log(1 - WRONG_GAUGE) - square / 2, np.log(WRONG_GAUGE))


def _on_curve(observed: Observations, curve: np.ndarray, errors: np.ndarray) -> np.ndarray:
    """Volume with each error taken out, over the recorded one; held at the ends of the curve."""
    from scipy.interpolate import CubicSpline  # a fifth of a second that few cases need

    offsets = observed.zero_offsets_m
    recorded = np.maximum(CubicSpline(offsets, curve, axis=0)(0.0), 1e-9)
    relative = np.maximum(curve / recorded, 0.0)
    place = np.clip((errors - offsets[0]) / (offsets[1] - offsets[0]), 0, len(offsets) - 1 - 1e-9)
    if not np.allclose(np.diff(offsets), offsets[1] - offsets[0]):
        place = np.interp(errors, offsets, np.arange(len(offsets)) - 1e-9)
    below = np.clip(place.astype(int), 0, len(offsets) - 2)
    share, column = place - below, np.arange(curve.shape[1])
    low, high = relative[below, column], relative[below + 1, column]
    return np.maximum(low + share * (high - low), 0.02)


def _drowned(state: Estimates, observed: Observations, form: Form, values: np.ndarray) -> Estimates:
    """The size is the excess in the most drowned interval; the others follow their share of it."""
    if form.pattern:
        pattern = (dict(observed.high_shares) | dict(observed.drowned_patterns))[form.pattern]
        pattern = pattern / max(float(pattern.max()), 1e-9)
    elif observed.drowned_share is not None:
        pattern = observed.drowned_share
    else:
        rate = observed.flowed / observed.lengths
        pattern = (rate / max(float(rate.max()), 1e-12)) ** 2
    excess = values[:, None] * pattern * form.profile.over(observed)
    moved = state.effluent_scaled(np.maximum(1.0 - excess, 0.05), night=False)
    return moved.told(mark_told(observed, "tailwater", np.full(len(values), TAIL), 0.8))


TAIL = 0.3
"""Share of the volume that usually passes under high tailwater where a device is drowned
(judgement) [-]."""


def _other_size(
    state: Estimates, observed: Observations, form: Form, values: np.ndarray
) -> Estimates:
    ratio = np.asarray((observed.device_ratios or RATIOS)[form.pattern])
    return state.effluent_scaled((1 + (ratio - 1) * form.profile.over(observed))[None, :])


def _unit_slip(
    state: Estimates, observed: Observations, form: Form, values: np.ndarray
) -> Estimates:
    """Volumes of the record read again in another unit, from the start or from a change on."""
    table = observed.unit_volumes[form.pattern]
    changes = list(observed.changes)
    row = 0 if form.profile.shape == "constant" else 1 + changes.index(form.profile.first)
    factor = np.maximum(table[row], 1e-6)[None, :]
    recorded = observed.flowed.sum()
    shown = np.log(recorded / (observed.flowed * factor).sum(axis=1))
    moved = state.effluent_scaled(factor, night=False)
    return moved.told(mark_told(observed, "totaliser", shown, 0.02))


def _low_flows(
    state: Estimates, observed: Observations, form: Form, values: np.ndarray
) -> Estimates:
    """Low flows were recorded (1 + s a) times what they were."""
    share = observed.low_shares[form.pattern] * form.profile.over(observed)
    true = 1 / (1 + values) if form.sign > 0 else 1 + values
    acting = form.profile.over(observed)
    moved = state.effluent_scaled(1 + share * (true[:, None] - 1), night=False)
    moved = moved.night_scaled(1 + acting * (true[:, None] - 1))
    shown = -np.log(true)[:, None] * acting
    return moved.told(course_told(observed, "velocity at low depth", shown))


def _busy(state: Estimates, observed: Observations, form: Form, values: np.ndarray) -> Estimates:
    """High flows were recorded too high, by a share of what flows above a threshold."""
    excess = values[:, None] * observed.high_shares[form.pattern] * form.profile.over(observed)
    return state.effluent_scaled(np.maximum(1.0 - excess, 0.05), night=False)


def _round(state: Estimates, observed: Observations, form: Form, values: np.ndarray) -> Estimates:
    """The size is the share of the high flows in the interval that has most of them."""
    pattern = observed.high_shares[form.pattern]
    pattern = pattern / max(float(pattern.max()), 1e-9)
    added = values[:, None] * pattern * form.profile.over(observed)
    return state.effluent_scaled(1 + added, night=False)


def _clock(state: Estimates, observed: Observations, form: Form, values: np.ndarray) -> Estimates:
    rates = np.diff(boundary_rates(observed.balance_mean, observed.lengths))
    moved = -form.sign * values[:, None] * rates * form.profile.over(observed)
    hours = -24 * form.sign * values[:, None] * form.profile.over(observed)
    return state.effluent_moved(moved).told(lag_told(observed, hours))


def _supply_off(
    state: Estimates, observed: Observations, form: Form, values: np.ndarray
) -> Estimates:
    share = form.sign * values[:, None] * form.profile.over(observed)
    volume = share * observed.intake_m3
    return state.balance_moved(volume, volume, quiet=share * _drawn_at_night(observed))


def _drawn_at_night(observed: Observations) -> np.ndarray:
    """Metered intake of the quiet hours, nothing where it is not read that often [m3/d]."""
    known = observed.night_intake_m3
    return np.zeros(observed.count) if known is None else known


def _stopped(state: Estimates, observed: Observations, form: Form, values: np.ndarray) -> Estimates:
    """The intake of a standstill is not known; the record stands in its place."""
    first, last = form.pattern
    hit = (observed.starts < last) & (observed.starts + observed.lengths > first)
    missing = np.nan_to_num(state.effluent - state.balance)
    moved = np.where(hit, np.maximum(missing, 0.0), 0.0)
    return state.balance_moved(moved, intake_shift=moved).told(STOOD - UNKNOWN * hit.sum())


STOOD = 6.0
"""Log of how much likelier a register that stands still between reads is if it has stopped
(judgement)."""
UNKNOWN = 3.5
"""What an interval costs of which an explanation predicts nothing: log of the range of what it may
hold over what a right balance leaves open (judgement) [-]."""


def _misses(state: Estimates, observed: Observations, form: Form, values: np.ndarray) -> Estimates:
    """The supply meter leaves out a share of what passes at low flow.

    The share that passes then is the record's, the volume is not: a shift made of the record would
    agree with it for that alone.
    """
    acting = values[:, None] * form.profile.over(observed)
    missed = np.minimum(acting * observed.low_shares[form.pattern], MOST_MISSED)
    volume = observed.intake_m3 * missed / (1 - missed)
    night = np.zeros(observed.count) if observed.night_m3 is None else observed.night_m3
    return state.balance_moved(volume, volume, quiet=acting * night)


MOST_MISSED = 0.8
"""Share of its volume that a supply meter may miss before somebody notices (judgement) [-]."""


def _source(state: Estimates, observed: Observations, form: Form, values: np.ndarray) -> Estimates:
    acting = values[:, None] * form.profile.over(observed)
    if form.pattern == "in step with the intake":
        quiet = acting * _drawn_at_night(observed)
        return state.balance_moved(acting * np.maximum(observed.balance_mean, 0.0), quiet=quiet)
    moved = state.balance_moved(acting * _usual(observed))
    if form.pattern != "day and night":
        return moved
    return moved.night_moved(-acting * _usual(observed) / observed.lengths)


def _leak(state: Estimates, observed: Observations, form: Form, values: np.ndarray) -> Estimates:
    lost = -values[:, None] * _usual(observed) * form.profile.over(observed)
    return state.balance_moved(lost, quiet=lost / observed.lengths)


def _use(state: Estimates, observed: Observations, form: Form, values: np.ndarray) -> Estimates:
    """The size is the change over what is stated; a use cannot fall below nothing."""
    share = values if form.sign > 0 else -np.minimum(values, 1.0)
    volume = share[:, None] * observed.uses_m3[form.pattern] * form.profile.over(observed)
    return state.balance_moved(-volume)


def _wet(state: Estimates, observed: Observations, form: Form, values: np.ndarray) -> Estimates:
    """The size is the mean share of the intake that enters as rain or ground water."""
    usual = _usual(observed)
    acting = values[:, None] * form.profile.over(observed)
    if form.pattern in observed.rain_stores:
        store = observed.rain_stores[form.pattern]
        volume = store * usual.sum() / max(float(store.sum()), 1e-12)
        moved = state.balance_moved(acting * volume)
        return moved.night_moved(-acting * volume / observed.lengths)
    volume = acting * observed.rain_m * usual.sum() / observed.rain_m.sum()
    shown = volume.sum(axis=1) / max(observed.flowed.sum(), 1e-12)
    return state.balance_moved(volume).told(mark_told(observed, "prompt rain", shown))


def _anything(state: Estimates, observed: Observations, form: Form, values: Any) -> Estimates:
    return state


ACTIONS: Mapping[str, Callable[..., Estimates]] = MappingProxyType(
    {
        "unchanged": _unchanged,
        "zero": _zero,
        "drowned": _drowned,
        "other_size": _other_size,
        "unit_slip": _unit_slip,
        "record_factor": _factor,
        "low_flows": _low_flows,
        "passes_round": _round,
        "busy_hours": _busy,
        "clock": _clock,
        "supply_factor": _supply_off,
        "supply_stopped": _stopped,
        "supply_low_flow": _misses,
        "source": _source,
        "leak": _leak,
        "use_wrong": _use,
        "wet": _wet,
        "anything": _anything,
    }
)
"""Actions by the word the catalogue knows them by."""
