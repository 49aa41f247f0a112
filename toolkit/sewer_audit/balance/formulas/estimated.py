"""Terms of a balance that a formula gives: from loads, surfaces or logs, or a share of a meter.

A formula is evaluated for every draw of its inputs. Draws beyond what is physically possible, such
as a share above one, are held at the bound; the stated value itself is checked by the case.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.balance.instants import Periods
from sewer_audit.balance.intake import IntakeVolumes
from sewer_audit.balance.terms import Columns, Term, Wander
from sewer_audit.errors import AuditError
from sewer_audit.uncertainty import Cause

Inputs = Mapping[str, "Cause | np.ndarray"]
"""Uncertain inputs as causes, exact ones as arrays (1,) or (12,) [SI]."""
Formula = Callable[..., np.ndarray]


def _values(inputs: Inputs, columns: Columns) -> dict[str, np.ndarray]:
    return {
        name: columns(each) if isinstance(each, Cause) else np.asarray(each, dtype=float)[None, :]
        for name, each in inputs.items()
    }


def _causes(inputs: Inputs, *others: Cause | None) -> tuple[Cause, ...]:
    uncertain = [each for each in inputs.values() if isinstance(each, Cause)]
    return tuple(uncertain) + tuple(each for each in others if each is not None)


@dataclass(frozen=True)
class EstimatedTerm(Term):
    """A volume worked out from inputs, such as evaporation from a load, times (1 + error).

    formula: inputs by name to a rate per unit of `quantity`. quantity: (periods, parts), what the
    rate is multiplied with: seconds in each calendar month, or an amount.
    """

    formula: Formula
    inputs: Inputs
    quantity: np.ndarray
    error: Cause | None = None

    @property
    def causes(self) -> tuple[Cause, ...]:
        return _causes(self.inputs, self.error)

    def volumes(
        self, columns: Columns, wander: Wander, periods: Periods, known: Mapping[str, np.ndarray]
    ) -> np.ndarray:
        quantity = np.asarray(self.quantity, dtype=float)
        if len(quantity) != len(periods.first):
            count = f"{len(quantity)} amounts for {len(periods.first)} service periods"
            raise AuditError(f"{self.name!r} has {count}")
        rate = np.atleast_2d(self.formula(**_values(self.inputs, columns)))
        rate = np.broadcast_to(rate, (len(rate), quantity.shape[1]))
        volume = rate @ quantity.T
        return volume if self.error is None else volume * (1.0 + columns(self.error))


@dataclass(frozen=True)
class MeterShareTerm(Term):
    """A share of what a meter registers, less what a second meter sees go to the sewer.

    share: inputs by name to the share that never reaches the sewer, all of it without one. drain:
    the volume that goes back to the sewer. steady_drain: inputs by name to a steady flow [m3/s] to
    the sewer that no meter sees. meter: name of the term whose meter it is, where not this term's
    own.
    """

    register: IntakeVolumes
    error: Cause | None = None
    share: Formula | None = None
    inputs: Inputs = field(default_factory=dict)
    drain: IntakeVolumes | None = None
    drain_error: Cause | None = None
    steady_drain: Formula | None = None
    meter: str = ""

    @property
    def causes(self) -> tuple[Cause, ...]:
        return _causes(self.inputs, self.error, self.drain_error)

    @property
    def meters(self) -> tuple[Cause, ...]:
        return tuple(each for each in (self.error, self.drain_error) if each is not None)

    @property
    def registers(self) -> Mapping[str, IntakeVolumes]:
        found = {f"{self.meter or self.name}: reading dates": self.register}
        if self.drain is not None:
            found[f"{self.name}: reading dates of the drain"] = self.drain
        return found

    def volumes(
        self, columns: Columns, wander: Wander, periods: Periods, known: Mapping[str, np.ndarray]
    ) -> np.ndarray:
        names = list(self.registers)
        volume = self.register.volume_m3 + wander(names[0], self.register)
        if self.error is not None:
            volume = volume * (1.0 + columns(self.error))
        values = _values(self.inputs, columns)
        if self.share is not None:
            volume = volume * self.share(**values)
        if self.steady_drain is not None:
            volume = volume - self.steady_drain(**values) * periods.days * 86400.0
        if self.drain is not None:
            drained = self.drain.volume_m3 + wander(names[1], self.drain)
            error = 0.0 if self.drain_error is None else columns(self.drain_error)
            volume = volume - drained * (1.0 + error)
        return volume


def month_seconds(starts: Any, ends: Any, zone: str) -> np.ndarray:
    """Seconds of each period that lie in each calendar month.

    Parameters
    ----------
    starts, ends : DatetimeIndex (periods,)
        Instants of the reads [UTC].

    Returns
    -------
    array (periods, 12)
        From January on, all years together [s].
    """
    starts = pd.DatetimeIndex(starts).tz_convert(zone)
    ends = pd.DatetimeIndex(ends).tz_convert(zone)
    found = np.zeros((len(starts), 12))
    for row, (start, end) in enumerate(zip(starts, ends, strict=True)):
        first = start.normalize().replace(day=1)
        edges = pd.date_range(first, end + pd.DateOffset(months=1), freq="MS")
        for low, high in pairwise(edges):
            inside = (min(end, high) - max(start, low)) / pd.Timedelta(seconds=1)
            found[row, low.month - 1] += max(inside, 0.0)
    return found


def amounts_in_periods(times: Any, amounts: np.ndarray, starts: Any, ends: Any) -> np.ndarray:
    """Sum of dated amounts in each period.

    Parameters
    ----------
    times : DatetimeIndex (entries,)
        When each was written down [UTC].
    amounts : array (entries,)
        Amounts, zero or more [any].
    starts, ends : DatetimeIndex (periods,)
        Instants of the reads; an entry at the start belongs to the period, one at the end to the
        next [UTC].

    Returns
    -------
    array (periods,)
        Sums; zero where nothing is written down [any].
    """
    moment = pd.DatetimeIndex(times).asi8
    order = np.argsort(moment, kind="stable")
    total = np.concatenate([[0.0], np.cumsum(np.asarray(amounts, dtype=float)[order])])
    first = np.searchsorted(moment[order], _like(starts, times), side="left")
    last = np.searchsorted(moment[order], _like(ends, times), side="left")
    return total[last] - total[first]


def _like(instants: Any, times: Any) -> np.ndarray:
    """Instants counted in the unit of the other stamps."""
    return pd.DatetimeIndex(instants).as_unit(pd.DatetimeIndex(times).unit).asi8
