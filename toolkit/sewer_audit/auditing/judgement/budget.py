"""Share of variance by cause, and the list of every uncertain input with its source."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from sewer_audit.auditing.volumes.evidence import Evidence
from sewer_audit.balance import FLOOR
from sewer_audit.effluent import OFFSET
from sewer_audit.sources import LOOSE, STATED
from sewer_audit.uncertainty import BudgetTable, Cause, Draws, variance_budget

NOTHING = 1e-6
"""A cause that moves a volume by less, a cubic centimetre, is not felt: rounding [m3]."""
READS = ": reading dates"
READS_SOURCE = (
    "straight line between register reads; day-to-day variation as the reads show it, with 47 % of "
    "the mean day for a week they may hide (judgement); one count of the register as rectangular"
)


def budget_table(evidence: Evidence, draws: Draws, coverage: float = 0.95) -> pd.DataFrame:
    """Variance budgets of both estimates, per invoice and for the total; and if causes were halved.

    Units: evidence [m3].

    DataFrame: estimate, invoice ("total" for the sum), cause, share, standard_uncertainty_m3,
    persistence, direction (1 if a larger value of the cause goes with a larger volume, -1 with
    a smaller one, 0 if neither can be said), interval_width_m3 (as it is), width_if_halved_m3
    (if this cause were half as uncertain); the remainder is what interactions add.

    Notes
    -----
    Draws with one cause halved: V - (V_only - mean V_only) / 2, from the draws of all causes and
    those of this cause alone, which come from the same columns.

    References
    ----------
    JCGM 101:2008, B.1 (one cause at a time).
    """
    rows = [
        {"estimate": estimate, "invoice": invoice, **line}
        for estimate, invoice, line in _lines(evidence, draws, coverage)
    ]
    columns = ["estimate", "invoice", "cause", "share", "standard_uncertainty_m3", "persistence"]
    columns += ["direction", "interval_width_m3", "width_if_halved_m3"]
    return pd.DataFrame(rows, columns=columns)


def _lines(evidence: Evidence, draws: Draws, coverage: float) -> Iterator[tuple[str, str, dict]]:
    lasting = persistence_of(evidence)
    jobs: list[tuple[str, Callable, Sequence[str], np.ndarray, dict[str, np.ndarray]]] = []
    if evidence.effluent is not None:
        model = evidence.effluent.model
        volumes, inputs = evidence.effluent.volumes, _inputs(model.causes.values(), draws)
        if model.zero is not None:
            inputs[OFFSET] = model.draw_offsets(draws).mean(axis=1)  # type: ignore[union-attr]
        jobs.append(("effluent", lambda o: model.draw(draws, o), model.names, volumes, inputs))
    if evidence.balance is not None and evidence.balance_of is not None:
        known = np.isfinite(evidence.balance.draws).all()
        if known and evidence.balance.causes:
            balance = evidence.balance
            inputs = _inputs(evidence.causes, draws)
            jobs.append(("balance", evidence.balance_of, balance.causes, balance.draws, inputs))
    for estimate, evaluate, names, everything, inputs in jobs:
        widths = _Widths(evaluate, everything, coverage)
        budget = variance_budget(widths.alone, names, inputs, all_draws=everything)
        tables = [*zip(evidence.periods.names, budget.invoices, strict=True)]
        for place, (invoice, table) in enumerate([*tables, ("total", budget.total)]):
            for line in _of(table, lasting):
                yield estimate, invoice, {**line, **widths.at(line["cause"], place)}


def _inputs(causes: Iterable[Cause], draws: Draws) -> dict[str, np.ndarray]:
    """Draws of every cause that is one number, for the sign of its effect."""
    return {cause.name: draws.of(cause) for cause in causes if cause.persistence != "each reading"}


def persistence_of(evidence: Evidence) -> dict[str, str]:
    """How long every cause keeps its value.

    Units: evidence [m3].
    """
    lasting = {c.name: c.persistence for c in (*evidence.causes, *_effluent_causes(evidence))}
    lasting[OFFSET] = "between visits"
    return {name: kind or "whole record" for name, kind in lasting.items()}


@dataclass
class _Widths:
    """Interval widths as they are and with one cause halved, noted while the budget is made."""

    evaluate: Callable[[str], np.ndarray]
    everything: np.ndarray
    coverage: float
    halved: dict[str, np.ndarray] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.present = self._widths(self.everything)

    def alone(self, cause: str) -> np.ndarray:
        drawn = self.evaluate(cause)
        self.halved[cause] = self._widths(self.everything - (drawn - drawn.mean(axis=0)) / 2)
        return drawn

    def at(self, cause: str, place: int) -> dict[str, float]:
        halved = self.halved.get(cause)
        return {
            "interval_width_m3": float(self.present[place]),
            "width_if_halved_m3": float("nan") if halved is None else float(halved[place]),
        }

    def _widths(self, draws: np.ndarray) -> np.ndarray:
        joint = np.column_stack([draws, draws.sum(axis=1)])
        ends = [(1 - self.coverage) / 2, (1 + self.coverage) / 2]
        low, high = np.quantile(joint, ends, axis=0)
        return high - low


def _of(table: BudgetTable, lasting: dict[str, str]) -> Iterator[dict]:
    for line in table.lines:
        felt = line.standard_uncertainty > NOTHING
        yield {
            "cause": line.name,
            "share": line.share if felt else 0.0,
            "standard_uncertainty_m3": line.standard_uncertainty if felt else 0.0,
            "persistence": lasting.get(line.name, "each reading"),
            "direction": line.slope,
        }
    yield {
        "cause": "interactions",
        "share": table.remainder,
        "standard_uncertainty_m3": np.nan,
        "persistence": "",
        "direction": 0,
    }


def _effluent_causes(evidence: Evidence) -> list[Cause]:
    if evidence.effluent is None:
        return []
    listed = evidence.effluent.causes.all
    names = {cause.name for cause in listed}
    model = evidence.effluent.model
    found = [cause for name, cause in model.causes.items() if name not in names]  # of this record
    return [*listed, *found, *(each.cause for each in model.independent)]


def _reading_dates(evidence: Evidence) -> list[Cause]:
    """What the dates of the register reads leave open, by register, relative to its volumes."""
    if evidence.balance is None:
        return []
    causes = []
    for name in evidence.balance.causes:
        meter, words, drain = name.partition(READS)
        register = evidence.registers.get(f"{meter}: drain" if drain else meter)
        if words and register is not None:
            known = register.volume_m3 > 0
            share = register.standard_m3[known] / register.volume_m3[known]
            spread = float(np.sqrt(np.mean(share**2))) if known.any() else 0.0
            causes.append(Cause(name, spread, persistence="each reading", default=True,
                                source=READS_SOURCE))  # fmt: skip
    return causes


def cause_table(evidence: Evidence) -> pd.DataFrame:
    """Every uncertain input with its figure, shape, persistence and source.

    Units: evidence [m3]; returns [SI].
    """
    named = [("effluent", c) for c in _effluent_causes(evidence)]
    named += [("balance", c) for c in (*evidence.causes, *_reading_dates(evidence))]
    named += [("reconciled", FLOOR)] if evidence.reconciliation is not None else []
    worked_out = {cause.name for cause in _reading_dates(evidence)}
    if evidence.effluent is not None:
        worked_out |= {each.cause.name for each in evidence.effluent.model.independent}
    rows = [
        {
            "estimate": estimate,
            "cause": cause.name,
            "value": cause.value,
            "standard": cause.standard,
            "unit": cause.unit,
            "shape": cause.shape,
            "persistence": cause.persistence,
            "default": cause.default,
            "grade": _grade(cause, cause.name in worked_out),
            "source": cause.source,
        }
        for estimate, cause in dict.fromkeys(named)
    ]
    columns = ["estimate", "cause", "value", "standard", "unit", "shape", "persistence"]
    return pd.DataFrame(rows, columns=[*columns, "default", "grade", "source"])


def _grade(cause: Cause, worked_out: bool) -> str:
    """How a figure was taken: its grade, "stated" by the case, or "computed" from the record."""
    if cause.grade:
        return cause.grade
    if not cause.default:
        return STATED
    return "computed" if worked_out else "judgement"


def loose_shares(
    budget: pd.DataFrame, causes: pd.DataFrame, evidence: Evidence | None = None
) -> dict[str, float]:
    """Share of the variance of each estimate's total that nobody can look up.

    Parameters
    ----------
    budget : DataFrame
        As `budget_table` makes it [m3].
    causes : DataFrame
        As `cause_table` makes it [SI].
    evidence : Evidence, optional
        For what the variance of the zero comes from [m3].

    Returns
    -------
    dict of str to float
        Estimate to the share whose figures are from memory, common practice or judgement; of the
        zero the part that such figures make [-].
    """
    loose_of = loose_parts(causes, evidence)
    total = budget[(budget["invoice"] == "total") & (budget["cause"] != "interactions")]
    shares = {}
    for estimate, rows in total.groupby("estimate", sort=False):
        loose = rows["cause"].map(loose_of).fillna(0.0)
        whole = float(rows["share"].sum())
        shares[str(estimate)] = float((rows["share"] * loose).sum()) / whole if whole else 0.0
    return shares


def loose_parts(causes: pd.DataFrame, evidence: Evidence | None = None) -> dict[str, float]:
    """Input to the share of its own variance that nobody can look up; of the zero, of its parts."""
    graded = dict(zip(causes["cause"], causes["grade"], strict=True))
    effluent = None if evidence is None else evidence.effluent
    zero = None if effluent is None else effluent.zero
    parts = {} if zero is None else zero.parts
    loose_zero = sum(v for name, v in parts.items() if graded.get(name, "judgement") in LOOSE)
    of_zero = loose_zero / sum(parts.values()) if any(parts.values()) else 1.0
    return {name: float(grade in LOOSE) for name, grade in graded.items()} | {OFFSET: of_zero}
