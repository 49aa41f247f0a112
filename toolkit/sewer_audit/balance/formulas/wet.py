"""Rain in the monitored line, from daily volumes and a rain record.

The wet-weather excess is what daily effluent less intake gains on wet days and the days after.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sewer_audit import spoken
from sewer_audit.errors import AuditError, Flag

DAYS_AFTER = 2
"""Days after the rain on which inflow is still looked for, where none are stated [d]."""
FEWEST_WET = 8
"""Wet days below which the answer is flagged [-] (judgement)."""
WET = 0.002
"""Rain that makes a day wet [m] (judgement)."""


@dataclass(frozen=True)
class WetWeather:
    """What rain adds to the discharge, as an area that would have to drain fully into the line.

    standard_m2: with the memory of the residuals. dry_excess_m3: effluent less intake on a dry day:
    ground water, uses and errors of either, not separable. excess_m3: inflow from rain on each day.
    """

    area_m2: float
    standard_m2: float
    dry_excess_m3: float
    excess_m3: np.ndarray
    flags: tuple[Flag, ...]

    @property
    def relative_standard(self) -> float:
        """Relative standard uncertainty of every day's excess, shared by all of them [-]."""
        return self.standard_m2 / abs(self.area_m2) if self.area_m2 else float("inf")


def wet_weather(
    effluent_m3: np.ndarray,
    intake_m3: np.ndarray,
    rain_m: np.ndarray,
    days_after: int = DAYS_AFTER,
) -> WetWeather:
    """Inflow from rain by regression of daily effluent less intake on rain.

    Parameters
    ----------
    effluent_m3, intake_m3 : array (days,)
        Daily volumes in order; a day with NaN in either is left out [m3].
    rain_m : array (days,)
        Rain of each day, none missing [m].
    days_after : int
        Days after the rain that still count [d].

    Raises
    ------
    AuditError
        If the forms differ, rain is missing, or there are too few days.

    Notes
    -----
    E_t - W_t = a + sum over k of b_k R_(t-k) + noise; least squares, with the covariance of the
    residuals up to a week apart (weights 1 - k/8). The area is the sum of the b_k. Ground water
    that stands above the pipe for weeks is in a, not in the area.

    References
    ----------
    W. Newey and K. West, Econometrica 55 (1987) 703 (covariance, from memory); comparing wet with
    dry days: municipal infiltration and inflow estimates, common practice.
    """
    effluent, intake = np.asarray(effluent_m3, dtype=float), np.asarray(intake_m3, dtype=float)
    rain = np.asarray(rain_m, dtype=float)
    if not effluent.shape == intake.shape == rain.shape or effluent.ndim != 1:
        raise AuditError(
            f"daily effluent {effluent.shape}, intake {intake.shape}, rain {rain.shape}: the same "
            "days are needed"
        )
    if not np.isfinite(rain).all() or np.any(rain < 0):
        raise AuditError("a day without rain record, or below zero; a dry day is 0, not empty")
    columns = [np.ones_like(rain)]
    columns += [np.concatenate([np.zeros(k), rain[: len(rain) - k]]) for k in range(days_after + 1)]
    design, known = np.column_stack(columns), np.isfinite(effluent - intake)
    known[:days_after] = False  # the rain before the first day is not known
    if known.sum() < 10 + design.shape[1] or not rain[known].any():
        raise AuditError(
            f"{int(known.sum())} days with both volumes, {int((rain > 0).sum())} with rain; too few"
        )
    slope, cov = _fit(design, effluent - intake, known)
    area, variance = float(slope[1:].sum()), float(cov[1:, 1:].sum())
    excess = np.maximum(design[:, 1:] @ slope[1:], 0.0)
    flags = _flags(area, np.sqrt(variance), int((rain[known] > WET).sum()))
    return WetWeather(area, float(np.sqrt(variance)), float(slope[0]), excess, flags)


def _fit(
    design: np.ndarray, difference: np.ndarray, known: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Coefficients and their covariance with correlated residuals; days left out weigh nothing."""
    x = np.where(known[:, None], design, 0.0)
    y = np.where(known, np.nan_to_num(difference), 0.0)
    inverse = np.linalg.pinv(x.T @ x)
    slope = inverse @ x.T @ y
    score = x * (y - x @ slope)[:, None]
    middle = score.T @ score
    for lag in range(1, 8):
        both = score[lag:].T @ score[:-lag]
        middle += (1 - lag / 8) * (both + both.T)
    count, used = int(known.sum()), design.shape[1]
    cov = inverse @ middle @ inverse * count / (count - used)
    return slope, (cov + cov.T) / 2


def _flags(area: float, standard: float, wet_days: int) -> tuple[Flag, ...]:
    flags = []
    if wet_days < FEWEST_WET:
        message = f"only {wet_days} days with more than {spoken.length(WET)} of rain"
        flags.append(Flag("few-wet-days", message, {"wet_days": wet_days}))
    if abs(area) < 2 * standard:
        message = (
            f"no inflow from rain is shown: equivalent area {spoken.area(area)}, standard "
            f"uncertainty {spoken.area(standard)}"
        )
        flags.append(Flag("no-rain-response", message))
    return tuple(flags)
