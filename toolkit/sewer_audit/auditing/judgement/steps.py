"""What each next step would buy: width of the interval, in volume and in money.

Each step is tried on the same record as if it had been in place. The estimates keep their means
(nobody knows what the step will find); only their spreads change. So a step shows what it is worth
before it is paid for, and promises nothing about the direction.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.invoices.pricing import Pricing
from sewer_audit.auditing.volumes.evidence import Evidence
from sewer_audit.balance import reconcile
from sewer_audit.case import Case
from sewer_audit.effluent import OFFSET
from sewer_audit.uncertainty import Cause, Draws, coverage_interval
from sewer_audit.wording import Words, template

__all__ = ["step_table"]

MONTH = 30 * 86400.0
LEVELLED = 0.0003
GAUGING = 0.02
TESTED_METER = 0.0025
SECOND_METER = 0.005
RATINGS = ("discharge coefficient", "rating table", "velocity factor", "roughness")
COLUMNS = ["step", "assumes", "estimate", "own_width_m3", "width_m3", "width_amount"]


@dataclass(frozen=True)
class _Trial:
    """The evidence of an audit, to be tried with other spreads."""

    case: Case
    evidence: Evidence
    pricing: Pricing | None
    draws: Draws

    def effluent_of(
        self, causes: Mapping[str, Cause], visits: tuple[float, ...] = ()
    ) -> np.ndarray:
        """Draws with some causes replaced and further visits."""
        way = self.evidence.way.tried(causes, visits)  # type: ignore[union-attr]
        return way(self.draws).volumes

    def scaled(self, everything: np.ndarray, alone: np.ndarray, factor: float) -> np.ndarray:
        """Draws with one cause's spread multiplied, from those of this cause alone."""
        return everything - (1 - factor) * (alone - alone.mean(axis=0))

    def widths(self, effluent: np.ndarray | None, balance: np.ndarray | None) -> tuple:
        """Width of the joined volume and of the charges it leads to."""
        audited = self._audited(effluent, balance)
        if audited is None:
            return float("nan"), float("nan")
        volume = self._width(audited.sum(axis=1))
        if self.pricing is None:
            return volume, float("nan")
        return volume, self._width(self.pricing.amounts(audited).sum(axis=1))

    def _audited(self, effluent: Any, balance: Any) -> np.ndarray | None:
        if effluent is None or balance is None:
            return balance if effluent is None else effluent
        now = self.evidence.audited
        if now is None:
            return effluent  # the estimates conflict; nothing is joined
        middle = now.mean(axis=0)
        agreed = [each - each.mean(axis=0) + middle for each in (effluent, balance)]
        found = reconcile(agreed[0], agreed[1], self.case.data.rule.coverage).reconciled
        return effluent if found is None else found

    def _width(self, draws: np.ndarray) -> float:
        return float(coverage_interval(draws, self.case.data.rule.coverage).width)

    def own(self, draws: np.ndarray | None) -> float:
        """Width of one estimate's total."""
        return float("nan") if draws is None else self._width(draws.sum(axis=1))


def step_table(
    case: Case, evidence: Evidence, pricing: Pricing | None, draws: Draws
) -> pd.DataFrame:
    """Width of the interval of all invoices together, now and after each next step.

    Parameters
    ----------
    case : Case
        Validated case [-].
    evidence : Evidence
        Estimates and the models behind them [m3].
    pricing : Pricing or None
        Recomputed invoices [money].
    draws : Draws
        Those the audit was made from [-].

    Returns
    -------
    DataFrame
        step, assumes, estimate (which one it sharpens), own_width_m3 (of that estimate), width_m3
        (of the audited volume), width_amount (of the charges by the discharge); the present state
        first, then the steps, the most useful first [m3, money].

    Notes
    -----
    Both estimates are moved to their common mean before they are joined, so that a smaller spread
    does not turn a tolerable difference into a conflict. Where they conflict now, the measured
    effluent stands alone. A gauging of standard uncertainty u_g joins the rating's own u as
    1/u'^2 = 1/u^2 + 1/u_g^2.

    References
    ----------
    Weighted mean of two estimates: any text on least squares.
    """
    effluent = evidence.effluent
    balance = evidence.balance
    flow = None if effluent is None else effluent.volumes
    expected = None if balance is None or not _known(balance.draws) else balance.draws
    if flow is None and expected is None:
        return pd.DataFrame(columns=COLUMNS)
    trial = _Trial(case, evidence, pricing, draws)
    now = trial.widths(flow, expected)
    rows = []
    steps = [*_flow_steps(trial)] if flow is not None else []
    for key, drawn, word in steps:
        widths = trial.own(drawn), *trial.widths(drawn, expected)
        rows.append((*_told(case, key, word), "effluent", *widths))
    for key, drawn, word in _balance_steps(trial) if expected is not None else ():
        widths = trial.own(drawn), *trial.widths(flow, drawn)
        rows.append((*_told(case, key, word), "balance", *widths))
    rows.sort(key=lambda row: row[4])
    first = (*_told(case, "now"), "", trial.own(flow if flow is not None else expected), *now)
    return pd.DataFrame([first, *rows], columns=COLUMNS)


def _told(case: Case, key: str, use: str = "") -> tuple[str, str]:
    """A step and what it assumes, in words."""
    words = Words.of(case)
    return words(f"advice.step.{key}", use=use), words(f"advice.assumes.{key}", levelled=LEVELLED)


def _known(draws: np.ndarray) -> bool:
    return bool(np.isfinite(draws).all())


def _flow_steps(trial: _Trial) -> Iterator[tuple[str, np.ndarray, str]]:
    found, periods = trial.evidence.effluent, trial.evidence.periods
    causes = found.causes  # type: ignore[union-attr]
    if found.zero is not None and not trial.evidence.way.by_hand:  # type: ignore[union-attr]
        edges = periods.seconds(trial.evidence.series.epoch)  # type: ignore[union-attr]
        monthly = tuple(np.arange(edges.min() + MONTH / 2, edges.max(), MONTH))
        yield "visits", trial.effluent_of({}, monthly), ""
        gauge = causes.shared.get("gauge datum")
        if gauge is not None and gauge.standard > LEVELLED:
            level = {"gauge datum": replace(gauge, standard=LEVELLED)}
            yield "gauge", trial.effluent_of(level), ""
    for name, word in template("advice.sizes").items():
        if name in causes.shared:
            size = causes.shared[name]
            better = {name: replace(size, standard=size.standard / 5)}
            yield "size", trial.effluent_of(better), word
            break
    for name in RATINGS:
        if name in causes.shared:
            cause = causes.shared[name]
            joined = cause.standard * GAUGING / np.hypot(cause.standard, GAUGING)
            gauged = replace(cause, standard=float(joined), shape="normal")
            yield "gauging", trial.effluent_of({name: gauged}), ""
            break
    yield "longer", _longer(trial), ""
    if trial.case.device.method != "full pipe meter":
        yield "full_pipe", _full_pipe(trial), ""


def _longer(trial: _Trial) -> np.ndarray:
    """Causes that do not last over the whole record shrink by the root of two."""
    model, drawn = trial.evidence.effluent.model, trial.evidence.effluent.volumes  # type: ignore
    passing = [each.cause.name for each in model.independent]
    passing += [OFFSET] if model.zero is not None else []
    for name in passing:
        drawn = trial.scaled(drawn, model.draw(trial.draws, name), 1 / np.sqrt(2))
    return drawn


def _full_pipe(trial: _Trial) -> np.ndarray:
    model, drawn = trial.evidence.effluent.model, trial.evidence.effluent.volumes  # type: ignore
    middle = drawn.mean(axis=0)
    error = SECOND_METER * trial.draws.standard("full-pipe meter in a trap")
    gaps = model.draw(trial.draws, "gap filling")
    return middle * (1 + error[:, None]) + gaps - gaps.mean(axis=0)


def _balance_steps(trial: _Trial) -> Iterator[tuple[str, np.ndarray, str]]:
    evidence = trial.evidence
    by_name = {cause.name: cause for cause in evidence.causes}
    of, drawn = evidence.balance_of, evidence.balance.draws  # type: ignore[union-attr]
    meters = {f"{intake.meter}: meter error" for intake in trial.case.data.intake}
    better = drawn
    for name in sorted(meters & set(by_name)):
        factor = min(TESTED_METER / max(by_name[name].standard, 1e-12), 1.0)
        better = trial.scaled(better, of(name), factor)  # type: ignore[misc]
    if better is not drawn:
        yield "supply", better, ""
    others = [name for name in by_name if name not in meters]
    if others:
        spread = {name: float(of(name).sum(axis=1).std()) for name in others}  # type: ignore
        largest = max(spread, key=lambda name: spread[name])
        halved = trial.scaled(drawn, of(largest), 0.5)  # type: ignore[misc]
        yield "use", halved, largest.removesuffix(": meter error")
