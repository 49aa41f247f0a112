"""The next quarter from those before it: an interval that holds, and what it would cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import pandas as pd
from scipy.special import ndtr, stdtrit

from sewer_audit.auditing.invoices.pricing import Pricing
from sewer_audit.auditing.reading.inputs import local_dates
from sewer_audit.case import Case
from sewer_audit.charges import price_draws
from sewer_audit.errors import AuditError, InputRefused

YEAR = 4
"""Quarters in a year [-]."""
FEWEST_LEVEL, FEWEST_PAIRS = 3, 4


@dataclass(frozen=True)
class Forecast:
    """Draws of a coming quarter and how they were made."""

    draws: np.ndarray
    method: str
    count: int


def forecast_draws(rates: Sequence[float] | np.ndarray, normal: np.ndarray) -> Forecast | None:
    """Draws of the next quarter's rate from the rates of the quarters before it.

    Notes
    -----
    The rule is set before the figures are seen. With y the logarithm of the rates, n quarters and
    at least four differences d(q) = y(q) - y(q-4) from one year to the next:
    y(n+1) = y(n-3) + mean(d) + s T sqrt(1 + 1/m), with s the standard deviation of the m
    differences and T Student's t with m - 1 degrees of freedom. With fewer the same for the level:
    y(n+1) = mean(y) + s T sqrt(1 + 1/n). The seasons are then part of the scatter.

    References
    ----------
    Prediction interval for a future single observation: NIST/SEMATECH e-Handbook of Statistical
    Methods, 4.5.1.2 (from memory); JCGM 101:2008, 6.4.9 (Student's t).
    """
    values = np.asarray(rates, dtype=float)
    if not np.all(np.isfinite(values)) or np.any(values <= 0):
        raise AuditError("a forecast needs rates above zero")
    y = np.log(values)
    steps = y[YEAR:] - y[:-YEAR]
    if len(steps) >= FEWEST_PAIRS:
        sample, start, method = steps, y[-YEAR], "the same quarter a year before, with its growth"
    elif len(y) >= FEWEST_LEVEL:
        sample, start, method = y, 0.0, "the mean of the quarters; seasons count as scatter"
    else:
        return None
    count = len(sample)
    spread = float(sample.std(ddof=1)) * np.sqrt(1 + 1 / count)
    drawn = stdtrit(count - 1, ndtr(normal))
    return Forecast(np.exp(start + sample.mean() + spread * drawn), method, count)


def next_periods(case: Case, table: pd.DataFrame, places: Sequence[int]) -> list[tuple]:
    """Service periods of a coming quarter: as many and as long as those of this one."""
    dates = local_dates(case, table)
    spans = [dates["end"].iloc[k] - dates["start"].iloc[k] for k in places]
    first = max(dates["end"].iloc[k] for k in places)
    periods = []
    for span in spans:
        periods.append((first, first + span))
        first += span
    return periods


def priced_forecast(
    case: Case, pricing: Pricing, place: int, periods: Sequence[tuple], per_day: np.ndarray
) -> np.ndarray | None:
    """What a coming quarter costs at the rates now known, from draws of a volume a day."""
    total = np.zeros(len(per_day))
    both = case.data.invoices.end_day_counts and pricing.schedule.schedule.end_day_counts
    printed = timedelta(days=int(both))  # the end date as an invoice prints it
    for number, (start, end) in enumerate(periods, start=1):
        facts = pricing.facts[place].but(
            invoice=f"forecast {number}",
            start=start,
            end=end - printed,
            bill_date=end,
            billed_volume=None,
            volumes={},
            reads={},
        )
        try:
            total += price_draws(pricing.schedule, facts, per_day * (end - start).days)
        except InputRefused:
            return None
    return total
