"""Explanations that act on the bill: the record is right and the invoice is not.

Signatures are ratios and patterns an error leaves in the billed series, compared with what the
schedule should have billed.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from toolkit.explanations.model import Explanation, Parameter, Variant
from toolkit.explanations.observations import Observations
from toolkit.explanations.states import Billing

__all__ = ["BILL_EXPLANATIONS", "BY_THE_SCHEDULE"]

BY_THE_SCHEDULE = "billed by the schedule"

# mistaken unit: billed over right volume, from exact unit definitions
UNITS = {
    "kgal billed as CCF, or CCF read as kgal": (0.748051948, 1.336805556),
    "cubic feet taken for gallons, or gallons for cubic feet": (0.133680556, 7.480519481),
    "imperial for US gallons, or the reverse": (1.200949926, 0.832674185),
    "m3 taken for CCF, or the reverse": (0.353146667, 2.831684659),
    "m3 taken for kgal, or the reverse": (0.264172052, 3.785411784),
    "m3 taken for cubic feet, or the reverse": (0.028316847, 35.314666721),
}
MULTIPLIERS = (0.001, 0.01, 0.1, 10.0, 100.0, 1000.0)
ESTIMATE_SPREAD = 0.3
"""Spread of an estimated read about the true use [-] (judgement)."""
LONGEST_RUN = 12
"""Most invoices in a row taken as estimated [-]."""


def _row(values: Any) -> np.ndarray:
    return np.asarray(values, dtype=float)[None, :]


def _since(factor: float, onset: int, count: int) -> np.ndarray:
    """A factor from one invoice on."""
    return _row(np.where(np.arange(count) >= onset, factor, 1.0))


def _onsets(label: str, factor: float, observed: Observations, share: float) -> list[Variant]:
    """The factor on every invoice (half the weight), or from any later one on."""
    count = observed.count
    found = [Variant(label, share / 2, (factor, 0))]
    for onset in range(1, count):
        name = f"{label}, from invoice {onset + 1} on"
        found.append(Variant(name, share / 2 / (count - 1), (factor, onset), False))
    return found


def _scaled(state: Billing, observed: Observations, data: Any, values: np.ndarray) -> Billing:
    factor, onset = data
    return state.scaled(_since(factor, onset, observed.count))


def _unchanged(state: Any, observed: Observations, data: Any, values: np.ndarray) -> Any:
    return state


def _always(observed: Observations) -> list[Variant]:
    return [Variant("", 1.0)]


def _units(observed: Observations) -> list[Variant]:
    share = 1 / (2 * len(UNITS))
    return [
        variant
        for label, factors in UNITS.items()
        for factor in factors
        for variant in _onsets(f"{label} (x {factor:.5g})", factor, observed, share)
    ]


def _multipliers(observed: Observations) -> list[Variant]:
    share = 1 / len(MULTIPLIERS)
    return [
        variant
        for factor in MULTIPLIERS
        for variant in _onsets(f"register multiplier x {factor:g}", factor, observed, share)
    ]


def _shares(observed: Observations) -> list[Variant]:
    if abs(observed.return_factor - 1) < 1e-6:
        return []
    factor = 1 / observed.return_factor
    return _onsets(f"billed share left out (x {factor:.5g})", factor, observed, 0.8) + _onsets(
        f"billed share applied twice (x {1 / factor:.5g})", 1 / factor, observed, 0.2
    )


def _two_meters(observed: Observations) -> list[Variant]:
    return _onsets("the same water through two meters (x 2)", 2.0, observed, 1.0)


def _deducts(observed: Observations) -> list[Variant]:
    deducts = observed.deducts_m3
    if deducts is None or not np.nansum(np.abs(deducts)) > 0:
        return []
    found = []
    for label, times in (("credit left out", 1.0), ("deduct meter added instead", 2.0)):
        found += _onsets(label, times, observed, 0.5)
    return found


def _without_credit(
    state: Billing, observed: Observations, data: Any, values: np.ndarray
) -> Billing:
    times, onset = data
    active = np.arange(observed.count) >= onset
    volume = np.where(active, times * observed.return_factor * observed.deducts_m3, 0.0)
    return state.moved(_row(volume), _row((0.001 * volume) ** 2))


def _on_deduct_meter(
    state: Billing, observed: Observations, data: Any, values: np.ndarray
) -> Billing:
    volume = observed.return_factor * np.asarray(observed.deducts_m3)
    nothing = state.mapped(np.zeros((1, observed.count, observed.count)))
    return nothing.moved(_row(volume), _row((0.003 * volume) ** 2))


def _deduct_meter(observed: Observations) -> list[Variant]:
    return [Variant("the deduct meter's volume billed", 1.0)] if _deducts(observed) else []


def _runs(observed: Observations) -> list[Variant]:
    """Runs of two and more estimated invoices, ended by a catch-up or by the end of the series."""
    count = observed.count
    runs = [
        (start, length)
        for start in range(count)
        for length in range(2, min(LONGEST_RUN, count - start) + 1)
    ]
    share = 1 / max(2 * len(runs), 1)
    return [
        Variant(
            f"invoices {start + 1} to {start + length} estimated ({how})",
            share,
            (start, length, flat),
            False,
        )
        for start, length in runs
        for how, flat in (("the same per day", False), ("the same volume", True))
    ]


def _estimated(state: Billing, observed: Observations, data: Any, values: np.ndarray) -> Billing:
    start, length, flat = data
    count, billed = observed.count, observed.billed_m3
    size = np.ones(count) if flat else observed.lengths
    run = np.arange(start, start + length)
    catch = start + length
    matrix, shift, variance = np.eye(count), np.zeros(count), np.zeros(count)
    matrix[run[1:], run[1:]] = 0.0
    shift[run[1:]] = billed[start] * size[run[1:]] / size[start]
    variance[run[1:]] = (0.003 * billed[start]) ** 2
    usual = float(np.mean(np.abs(state.mean)))
    variance[start] = (ESTIMATE_SPREAD * usual) ** 2
    if catch < count:
        matrix[catch, run] = 1.0
        shift[catch] = -billed[run].sum()
    return state.mapped(matrix[None]).moved(_row(shift), _row(variance))


def _twice(observed: Observations) -> list[Variant]:
    count = observed.count
    found = []
    for invoice in range(count):
        found.append(
            Variant(f"invoice {invoice + 1} counted twice", 1.0, ("double", invoice), False)
        )
        if invoice:
            label = f"invoice {invoice + 1} covers the one before again"
            found.append(Variant(label, 1.0, ("overlap", invoice), False))
            label = f"invoice {invoice + 1} repeats the one before"
            found.append(Variant(label, 1.0, ("repeat", invoice), False))
    return found


def _billed_twice(state: Billing, observed: Observations, data: Any, values: np.ndarray) -> Billing:
    how, invoice = data
    matrix = np.eye(observed.count)
    if how == "double":
        matrix[invoice, invoice] = 2.0
    elif how == "overlap":
        matrix[invoice, invoice - 1] = 1.0
    else:
        matrix[invoice, invoice - 1], matrix[invoice, invoice] = 1.0, 0.0
        if invoice + 1 < observed.count:
            matrix[invoice + 1, invoice] = 1.0
    return state.mapped(matrix[None])


def _misreads(observed: Observations) -> list[Variant]:
    return [
        Variant(f"read at the end of invoice {invoice + 1} wrong", 1.0, (invoice, size), False)
        for invoice in range(observed.count)
        for size in (0.3, 1.5, 8.0)
    ]


def _misread(state: Billing, observed: Observations, data: Any, values: np.ndarray) -> Billing:
    invoice, size = data
    pattern = np.zeros(observed.count)
    pattern[invoice] = 1.0
    if invoice + 1 < observed.count:
        pattern[invoice + 1] = -1.0
    spread = size * float(np.mean(np.abs(state.mean)))
    return Billing(state.mean, state.cov + np.outer(pattern, pattern) * spread**2)


def _shift_kinds(observed: Observations) -> list[Variant]:
    if observed.count < 3:
        return []
    return [
        Variant("reads later than stated", 0.4, 1.0),
        Variant("reads earlier than stated", 0.4, -1.0),
        Variant("one whole period late", 0.2, None, False),
    ]


def boundary_rates(volumes: np.ndarray, lengths: np.ndarray) -> np.ndarray:
    """Daily rate at the bounds of the periods, from the periods on both sides [m3/d]."""
    rate = volumes / lengths
    inner = (rate[..., 1:] + rate[..., :-1]) / 2
    return np.concatenate([rate[..., :1], inner, rate[..., -1:]], axis=-1)


def boundary_noise(volumes: np.ndarray, lengths: np.ndarray) -> np.ndarray:
    """Covariance of the volumes per day by which every bound is moved [m6/d].

    A day's use is taken to vary by 20 % about the usual (judgement).
    """
    count = volumes.shape[-1]
    step = np.zeros((count, count + 1))
    step[np.arange(count), np.arange(count)] = -1.0
    step[np.arange(count), np.arange(count) + 1] = 1.0
    usual = float(np.mean(np.abs(volumes)) / np.mean(lengths))
    return step @ step.T * (0.2 * usual) ** 2


def _shifted(state: Billing, observed: Observations, data: Any, values: np.ndarray) -> Billing:
    count = observed.count
    if data is None:
        matrix = np.eye(count, k=-1)
        matrix[0, 0] = 1.0
        variance = np.zeros(count)
        variance[0] = (ESTIMATE_SPREAD * float(np.mean(np.abs(state.mean)))) ** 2
        return state.mapped(matrix[None]).moved(np.zeros((1, count)), _row(variance))
    rates = np.diff(boundary_rates(state.mean, observed.lengths), axis=-1)
    moved = state.moved(data * values[:, None] * rates)
    noise = boundary_noise(state.mean[0], observed.lengths)
    return Billing(moved.mean, moved.cov + values[:, None, None] * noise)


def _day_counts(observed: Observations) -> list[Variant]:
    days = observed.lengths
    kinds = {
        "365 days over 360": np.full(observed.count, 365 / 360),
        "a mean month of 30.42 days over 30": np.full(observed.count, 30.42 / 30),
        "first and last day both counted": (days + 1) / days,
        "scaled to 30 days": 30 / days,
        "scaled from 30 days": days / 30,
    }
    return [
        Variant(label, 1.0, factor) for label, factor in kinds.items() if np.ptp(factor) + abs(
            factor[0] - 1) > 1e-9
    ]  # fmt: skip


def _by_days(state: Billing, observed: Observations, data: Any, values: np.ndarray) -> Billing:
    return state.scaled(_row(data))


def _low_register(state: Billing, observed: Observations, data: Any, values: np.ndarray) -> Billing:
    rate = float(np.sum(state.mean[0]) / np.sum(observed.lengths))
    return state.moved(-values[:, None] * rate * observed.lengths)


def _neighbours(observed: Observations) -> list[Variant]:
    if observed.count < 4:
        return []
    return [Variant("another account's reads", 1.0, own) for own in (0.04, 0.08, 0.15, 0.3)]


def _other_account(
    state: Billing, observed: Observations, data: Any, values: np.ndarray
) -> Billing:
    """A series with its own level and its own variation, not following this site's."""
    usual = float(np.sum(np.abs(state.mean[0])) / np.sum(observed.lengths))
    level = float(np.sum(np.abs(observed.billed_m3)) / np.sum(observed.lengths))
    spread = 0.7 * usual * observed.lengths
    cov = np.outer(spread, spread) + np.diag((data * level * observed.lengths) ** 2)
    return Billing(_row(usual * observed.lengths), cov[None])


def _rollovers(observed: Observations) -> list[Variant]:
    step = observed.billed_step_m3
    if not step > 0:
        return []
    return [
        Variant(f"register roll-over before invoice {invoice + 1} mishandled", 1.0, (
            invoice, sign, step * 10.0**digits), False)
        for invoice in range(observed.count)
        for digits in (3, 4, 5, 6, 7)
        for sign in (1.0, -1.0)
    ]  # fmt: skip


def _rolled_over(state: Billing, observed: Observations, data: Any, values: np.ndarray) -> Billing:
    invoice, sign, full = data
    factor, shift = np.ones(observed.count), np.zeros(observed.count)
    factor[invoice] = -sign
    shift[invoice] = sign * full
    return state.scaled(_row(factor)).moved(_row(shift))


def _any_bill(observed: Observations) -> list[Variant]:
    return [Variant("", 1.0, own) for own in (0.02, 0.05, 0.1, 0.2, 0.4, 0.8)]


def _unknown_bill(state: Billing, observed: Observations, data: Any, values: np.ndarray) -> Billing:
    """Follows the right volumes with an unknown factor and unknown errors of its own."""
    mean = state.mean[0]
    level = float(np.sum(np.abs(observed.billed_m3)) / max(np.sum(np.abs(mean)), 1e-9))
    cov = np.outer(0.5 * mean, 0.5 * mean) + np.diag((data * level * mean) ** 2)
    return Billing(state.mean, state.cov + cov[None])


SIGNATURES = "error signatures of billing; ratios from exact unit definitions"

BILL_EXPLANATIONS: tuple[Explanation, ...] = (
    Explanation(BY_THE_SCHEDULE, "bill", 0.60, _always, _unchanged),
    Explanation(
        "unit mistaken", "bill", 0.04, _units, _scaled,
        evidence="the unit printed on the register's face beside the unit on the invoice",
        visit="photograph the register with its unit and painted zeros", source=SIGNATURES,
    ),
    Explanation(
        "register multiplier wrong", "bill", 0.03, _multipliers, _scaled,
        evidence="the multiplier in the utility's meter file and the date of the last exchange",
        visit="time one turn of the lowest wheel against a known volume", source=SIGNATURES,
    ),
    Explanation(
        "billed share not applied as scheduled", "bill", 0.04, _shares, _scaled,
        evidence="the schedule's share for this account beside the invoice's volume line",
        visit="none; the papers decide", source=SIGNATURES,
    ),
    Explanation(
        "two meters in series both billed", "bill", 0.01, _two_meters, _scaled,
        evidence="the list of meters on the account and the plan of the pipes",
        visit="follow the pipe from one meter to the next; close one valve and watch both",
        source="double charge through two meters, a reported case",
    ),
    Explanation(
        "deduct credit missing or reversed", "bill", 0.05, _deducts, _without_credit,
        evidence="the deduct reads the utility holds, invoice by invoice",
        visit="read the deduct meter and compare its number with the account", source=SIGNATURES,
    ),
    Explanation(
        "billed on the deduct meter", "bill", 0.01, _deduct_meter, _on_deduct_meter,
        evidence="the meter number on the invoice",
        visit="compare the numbers on both meters", source=SIGNATURES,
    ),
    Explanation(
        "estimated reads", "bill", 0.05, _runs, _estimated,
        evidence="the read type of every invoice, and a read of today",
        visit="read the register on a reading day", source="published account with 22 estimates",
    ),
    Explanation(
        "a period billed twice", "bill", 0.02, _twice, _billed_twice,
        evidence="previous and current read and dates of neighbouring invoices",
        visit="none; the papers decide", source=SIGNATURES,
    ),
    Explanation(
        "one read wrong and set right by the next", "bill", 0.02, _misreads, _misread,
        evidence="the reads themselves: an error of digits or of two digits swapped",
        visit="none after the next right read", source=SIGNATURES,
    ),
    Explanation(
        "reads on other dates than stated", "bill", 0.03, _shift_kinds, _shifted,
        Parameter("shift of the reads", 0.5, 20.0, "d", 1.0),
        evidence="the reading route's dates, and a daily record of the supply meter",
        visit="be there when the meter is read", source=SIGNATURES,
    ),
    Explanation(
        "days counted otherwise", "bill", 0.02, _day_counts, _by_days,
        evidence="the schedule's rule for the length of a period",
        visit="none; the papers decide", source=SIGNATURES,
    ),
    Explanation(
        "low-flow register of a compound meter not billed", "bill", 0.01, _always, _low_register,
        Parameter("share of the mean use", 0.01, 0.6),
        evidence="both registers of the compound meter on one day and a month later",
        visit="read both registers", source=SIGNATURES,
    ),
    Explanation(
        "billed on another account's reads", "bill", 0.02, _neighbours, _other_account,
        evidence="the meter number on the invoice beside the number on the meter",
        visit="compare the meter numbers of both properties", source=SIGNATURES,
    ),
    Explanation(
        "roll-over of the register mishandled", "bill", 0.01, _rollovers, _rolled_over,
        evidence="previous read, current read and number of digits",
        visit="count the digits of the register", source=SIGNATURES,
    ),
    Explanation(
        "none of these (bill)", "bill", 0.04, _any_bill, _unknown_bill,
        evidence="the utility's own working of every invoice",
        visit="read every meter on the account",
        source="broad prior, so that the listed ones are not overstated",
    ),
)  # fmt: skip
"""Every explanation that acts on the bill."""
