"""Where the variance comes from: shares by cause for each invoice and for the total.

Each cause is drawn alone, with all others at their stated values. What the shares do not add up to
is left as the remainder: interactions between causes and the limited number of draws.

The shares of one invoice and of the year differ for one reason only: an error shared by all periods
adds up as it is, an error of its own in each period adds up by the root of the sum of squares.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from sewer_audit.errors import AuditError

MOST_COLUMNS = 10_000


@dataclass(frozen=True)
class BudgetLine:
    """What one cause contributes to the uncertainty of one result.

    slope: 1 if a larger error goes with a larger result, -1 if with a smaller one, 0 if neither can
    be said. shift: of the mean, by the bend of the model.
    """

    name: str
    standard_uncertainty: float
    share: float
    share_error: float
    slope: int
    shift: float | None


@dataclass(frozen=True)
class BudgetTable:
    """Budget of one result, largest cause first.

    remainder: one less the sum of the shares, interactions and draw noise, with its standard error.
    """

    lines: tuple[BudgetLine, ...]
    standard_uncertainty: float
    remainder: float
    remainder_error: float


@dataclass(frozen=True)
class Budget:
    """Budgets of every invoice and of their total."""

    invoices: tuple[BudgetTable, ...]
    total: BudgetTable


def variance_budget(
    evaluate: Callable[[str | None], np.ndarray],
    names: Sequence[str],
    inputs: Mapping[str, np.ndarray] | None = None,
    all_draws: np.ndarray | None = None,
    nominal: np.ndarray | None = None,
) -> Budget:
    """Share of variance by cause from draws of one cause at a time.

    Parameters
    ----------
    evaluate : callable
        From the name of the one cause that varies (None for all) to draws (draws, invoices)
        [result unit].
    names : sequence of str
        Every cause [text].
    inputs : mapping, optional
        Cause to its draws (draws,), for the sign of its effect [SI].
    all_draws : array (draws, invoices), optional
        Draws of all causes where they exist already [result unit].
    nominal : array (invoices,), optional
        Result at the stated values of all causes, to show how a bent model shifts the mean
        [result unit].

    Raises
    ------
    AuditError
        If draws have another form than (draws, invoices) or too many columns.

    Notes
    -----
    share_k = Var(result | only cause k varies) / Var(result). For a nearly linear model these are
    the shares of the first-order budget; the sum falls short of one by the interactions.

    References
    ----------
    JCGM 101:2008, B.1 (one-at-a-time sensitivity with the others fixed at their estimates).
    """
    everything = np.asarray(evaluate(None) if all_draws is None else all_draws, dtype=float)
    if everything.ndim != 2 or not 0 < everything.shape[1] <= MOST_COLUMNS:
        raise AuditError(f"draws of the form {everything.shape}; (draws, invoices) expected")
    joint = _with_total(everything)
    whole = _Moments.of(joint)
    alone, signs = {}, {}
    for name in names:
        column = _with_total(np.asarray(evaluate(name), dtype=float))
        alone[name] = _Moments.of(column)
        signs[name] = _signs(column, (inputs or {}).get(name))
    best = None if nominal is None else np.append(nominal, np.sum(nominal))
    tables = [_table(whole, alone, signs, best, place) for place in range(joint.shape[1])]
    return Budget(tuple(tables[:-1]), tables[-1])


@dataclass(frozen=True)
class _Moments:
    mean: np.ndarray
    variance: np.ndarray
    variance_error: np.ndarray

    @classmethod
    def of(cls, draws: np.ndarray) -> _Moments:
        mean = draws.mean(axis=0)
        away = draws - mean
        away *= away
        variance = away.mean(axis=0)
        away *= away
        error = np.sqrt(np.maximum(away.mean(axis=0) - variance**2, 0.0) / len(draws))
        return cls(mean, variance * len(draws) / (len(draws) - 1), error)


def _with_total(draws: np.ndarray) -> np.ndarray:
    return np.column_stack([draws, draws.sum(axis=1)])


def _signs(column: np.ndarray, given: np.ndarray | None) -> np.ndarray:
    """Sign of the correlation with the input, where it is clearly not zero."""
    if given is None:
        return np.zeros(column.shape[1], dtype=int)
    scatter, spread = given - given.mean(), column - column.mean(axis=0)
    size = np.sqrt((scatter @ scatter) * np.einsum("ij,ij->j", spread, spread))
    correlation = (scatter @ spread) / np.where(size > 0, size, 1.0)
    clear = np.abs(correlation) > 5.0 / math.sqrt(len(given))
    return np.where(clear, np.sign(correlation), 0).astype(int)


def _table(
    whole: _Moments,
    alone: Mapping[str, _Moments],
    signs: Mapping[str, np.ndarray],
    best: np.ndarray | None,
    place: int,
) -> BudgetTable:
    total = float(whole.variance[place])
    of_whole = float(whole.variance_error[place]) / total if total > 0 else 0.0
    lines = []
    for name, each in alone.items():
        variance = float(each.variance[place])
        share = variance / total if total > 0 else 0.0
        relative = float(each.variance_error[place]) / variance if variance > 0 else 0.0
        lines.append(
            BudgetLine(
                name,
                math.sqrt(variance),
                share,
                share * math.hypot(relative, of_whole),
                int(signs[name][place]),
                None if best is None else float(each.mean[place] - best[place]),
            )
        )
    lines.sort(key=lambda line: -line.share)
    remainder = 1.0 - sum(line.share for line in lines) if total > 0 else 0.0
    error = math.sqrt(sum(line.share_error**2 for line in lines))
    return BudgetTable(tuple(lines), math.sqrt(total), remainder, error)
