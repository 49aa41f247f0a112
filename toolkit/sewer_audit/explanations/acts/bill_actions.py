"""What each error of the bill does to the billed volumes.

Each action takes the prediction without the error, the observations, the data of one form and the
sizes of the free parameter, and returns the prediction with the error. `bills.py` names them.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from sewer_audit.explanations.acts.states import Billing
from sewer_audit.explanations.observations import Observations

ESTIMATE_SPREAD = 0.3
"""Spread of an estimated read about the true use (judgement) [-]."""


def _row(values: Any) -> np.ndarray:
    return np.asarray(values, dtype=float)[None, :]


def _since(factor: float, onset: int, count: int) -> np.ndarray:
    """A factor from one invoice on."""
    return _row(np.where(np.arange(count) >= onset, factor, 1.0))


def scale(state: Billing, observed: Observations, data: Any, values: np.ndarray) -> Billing:
    """A factor from one invoice on."""
    factor, onset = data
    return state.scaled(_since(factor, onset, observed.count))


def unchanged(state: Any, observed: Observations, data: Any, values: np.ndarray) -> Any:
    """Nothing happens."""
    return state


def leave_out_credit(
    state: Billing, observed: Observations, data: Any, values: np.ndarray
) -> Billing:
    """The credited volume comes back, once or twice, from one invoice on."""
    times, onset = data
    active = np.arange(observed.count) >= onset
    volume = np.where(active, times * observed.return_factor * observed.deducts_m3, 0.0)
    return state.moved(_row(volume), _row((0.001 * volume) ** 2))


def bill_deduct_meter(
    state: Billing, observed: Observations, data: Any, values: np.ndarray
) -> Billing:
    """The deduct meter's volume stands in for the right one."""
    volume = observed.return_factor * np.asarray(observed.deducts_m3)
    nothing = state.mapped(np.zeros((1, observed.count, observed.count)))
    return nothing.moved(_row(volume), _row((0.003 * volume) ** 2))


def estimate_run(state: Billing, observed: Observations, data: Any, values: np.ndarray) -> Billing:
    """A run repeats its first invoice; the next actual read makes up for it."""
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


def bill_twice(state: Billing, observed: Observations, data: Any, values: np.ndarray) -> Billing:
    """One invoice takes in water that another has billed."""
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


def misread_once(state: Billing, observed: Observations, data: Any, values: np.ndarray) -> Billing:
    """What one invoice gains the next one loses."""
    invoice, size = data
    pattern = np.zeros(observed.count)
    pattern[invoice] = 1.0
    if invoice + 1 < observed.count:
        pattern[invoice + 1] = -1.0
    spread = size * float(np.mean(np.abs(state.mean)))
    return Billing(state.mean, state.cov + np.outer(pattern, pattern) * spread**2)


def boundary_rates(volumes: np.ndarray, lengths: np.ndarray) -> np.ndarray:
    """Daily rate at the bounds of the periods, from the periods on both sides.

    Units: volumes [m3]; lengths [d]; returns [m3/d].
    """
    rate = volumes / lengths
    inner = (rate[..., 1:] + rate[..., :-1]) / 2
    return np.concatenate([rate[..., :1], inner, rate[..., -1:]], axis=-1)


def boundary_noise(volumes: np.ndarray, lengths: np.ndarray) -> np.ndarray:
    """Covariance of the volumes per day by which every bound is moved.

    Units: volumes [m3]; lengths [d]; returns [m6/d].

    array (invoices, invoices): For a day's use that varies by 20 % about the usual (judgement).
    """
    count = volumes.shape[-1]
    step = np.zeros((count, count + 1))
    step[np.arange(count), np.arange(count)] = -1.0
    step[np.arange(count), np.arange(count) + 1] = 1.0
    usual = float(np.mean(np.abs(volumes)) / np.mean(lengths))
    return step @ step.T * (0.2 * usual) ** 2


def shift_reads(state: Billing, observed: Observations, data: Any, values: np.ndarray) -> Billing:
    """Volumes move over the bounds of the periods by the rate there."""
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


def scale_by_days(state: Billing, observed: Observations, data: Any, values: np.ndarray) -> Billing:
    """A factor of its own for every invoice."""
    return state.scaled(_row(data))


def drop_low_register(
    state: Billing, observed: Observations, data: Any, values: np.ndarray
) -> Billing:
    """A steady flow per day is missing."""
    rate = float(np.sum(state.mean[0]) / np.sum(observed.lengths))
    return state.moved(-values[:, None] * rate * observed.lengths)


def add_fixed(state: Billing, observed: Observations, data: Any, values: np.ndarray) -> Billing:
    """The same volume on every invoice from one on."""
    sign, onset = data
    usual = float(np.mean(np.abs(state.mean[0])))
    return state.moved(sign * usual * values[:, None] * (np.arange(observed.count) >= onset))


def bill_other_account(
    state: Billing, observed: Observations, data: Any, values: np.ndarray
) -> Billing:
    """A series with its own level and its own variation, not following this site's."""
    usual = float(np.sum(np.abs(state.mean[0])) / np.sum(observed.lengths))
    level = float(np.sum(np.abs(observed.billed_m3)) / np.sum(observed.lengths))
    spread = 0.7 * usual * observed.lengths
    cov = np.outer(spread, spread) + np.diag((data * level * observed.lengths) ** 2)
    return Billing(_row(usual * observed.lengths), cov[None])


def roll_over(state: Billing, observed: Observations, data: Any, values: np.ndarray) -> Billing:
    """The full count of the register enters one invoice."""
    invoice, sign, full = data
    factor, shift = np.ones(observed.count), np.zeros(observed.count)
    factor[invoice] = -sign
    shift[invoice] = sign * full
    return state.scaled(_row(factor)).moved(_row(shift))


def bill_anything(state: Billing, observed: Observations, data: Any, values: np.ndarray) -> Billing:
    """Follows the right volumes with an unknown factor and unknown errors of its own."""
    mean = state.mean[0]
    level = float(np.sum(np.abs(observed.billed_m3)) / max(np.sum(np.abs(mean)), 1e-9))
    cov = np.outer(0.5 * mean, 0.5 * mean) + np.diag((data * level * mean) ** 2)
    return Billing(state.mean, state.cov + cov[None])
