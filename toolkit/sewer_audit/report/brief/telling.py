"""The uncertainty brief: what management needs to know of the interval, on two pages."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.findings import plain
from sewer_audit.auditing.judgement.averaging import averaging_table, reading_effects
from sewer_audit.auditing.judgement.steps import step_table
from sewer_audit.report.brief.figures import in_conflict, place_of, two_digits
from sewer_audit.report.evidence.verdict import amount_alone, amount_words, headline, questions
from sewer_audit.report.frames import budget_of
from sewer_audit.report.show import Shown, show_verdict, table, tell
from sewer_audit.uncertainty import Draws
from sewer_audit.units import from_si
from sewer_audit.wording import Words, template

__all__ = ["CAUTION", "Brief", "make_brief"]

CAUTION = template("brief.caution")
"""What people at a sewer must mind, in short [text]."""
FEW = 6
"""Rows of the table of steps: the present state and the best five [-]."""
NOISE = 0.7
"""Relative noise of a narrowing, times the root of the number of draws (judgement) [-]."""


@dataclass(frozen=True)
class Brief:
    """An audit with what the brief adds; a notebook hands it over as it would the audit.

    Units: result [m3, money]; readings [SI]; steps [m3, money].

    readings: What a level wrong by 3 mm does to single readings.
    """

    result: Any
    readings: pd.DataFrame
    averaging: pd.DataFrame
    steps: pd.DataFrame

    @property
    def case(self) -> Any:
        """The case [-]."""
        return self.result.case

    @property
    def pricing(self) -> Any:
        """Recomputed invoices [money]."""
        return self.result.pricing

    @property
    def _parts(self) -> dict[str, pd.DataFrame]:
        return {"readings": self.readings, "averaging": self.averaging, "steps": self.steps}

    def findings(self) -> dict[str, Any]:
        """Those of the audit, and the tables of the brief under "brief".

        Units: returns [SI, money].
        """
        return {**self.result.findings(), "brief": plain(self._parts)}

    def tables(self) -> dict[str, pd.DataFrame]:
        """Those of the audit, and the tables of the brief.

        Units: returns [SI, money].
        """
        heads = {"level": "level [m]", "discharge": "discharge [m3/s]"}
        shares = ("too_high", "too_low", "whole record", "between visits", "each reading", "all")
        heads |= {name: f"{name.replace('_', ' ')} [-]" for name in shares}
        heads |= {"hours": "length [h]", "width_amount": "width_amount"}
        own = {f"brief, {k}": t.rename(columns=heads) for k, t in self._parts.items()}
        return {**self.result.tables(), **{k: t for k, t in own.items() if not t.empty}}

    @property
    def budgets(self) -> dict[str, pd.DataFrame]:
        """Variance budgets of the estimates there are, all invoices together [-]."""
        found = {key: budget_of(self.result, key) for key in ("effluent", "balance")}
        known = {key: budget for key, budget in found.items() if not budget.empty}
        return self._words.labels("brief.budget", known)

    def headline(self) -> Shown:
        """Are we overcharged, and how much reached the sewer: the box that opens the brief."""
        return show_verdict(headline(self.result), amount_words(self.result, self._words), {})

    def volume_words(self) -> str:
        """How much reached the sewer and how well that is known [text]."""
        words, (estimate, mean, low, high) = self._words, self._whole()
        if mean is None:
            return words("brief.volume_unknown")
        place = place_of(from_si((high - low) / 4, words.volume_unit, "volume"))
        shown = [from_si(v, words.volume_unit, "volume") for v in (mean, low, high)]
        middle, first, last = (f"{round(v, place):,.{max(place, 0)}f}" for v in shown)
        return words(
            "brief.volume_in_conflict" if in_conflict(self.result) else "brief.volume",
            by_record=self.result.total.get("effluent_mean") is not None,
            middle=middle,
            low=first,
            high=last,
            invoices=len(self.result.invoices),
            estimate=estimate,
            coverage=words.coverage,
            reach=(high - low) / 2 / mean,
        )

    def answers(self) -> Shown:
        """Six questions of a manager, each answered in a sentence or two."""
        result, words, basis = self.result, self._words, self.result.basis
        plan, (now, best) = self.case.data.plan, self._steps()
        answers = {
            "overcharged": words(
                "brief.answers.overcharged",
                headline=headline(result),
                billed=result.total["billed_m3"],
                finding=result.total["finding"],
                unfair=basis.get("answered") and not basis["fair"] and not questions(result),
                factor=basis.get("return_factor"),
                share=basis.get("share_mean"),
            ),
            "amount": amount_alone(result, words),
            "sure": words(
                "brief.answers.sure",
                claim=len(result.claim),
                exact=all(entry.exactness == "exact" for entry in result.ledger.entries),
                volume=self.volume_words(),
            ),
            "settle": words("brief.answers.settle", proofs=result.next_proof[:2]),
            "cost": words("brief.answers.cost", priced=plan is not None and plan.cost),
            "worth": words(
                "brief.answers.worth",
                step=best.get("step"),
                gain=best.get("gain"),
                amount=two_digits(now.get("width_amount", np.nan)),
            ),
        }
        rows = words.labels("brief.questions", answers).items()
        return table(words, "brief.questions", pd.DataFrame(rows, columns=["question", "answer"]))

    @property
    def _words(self) -> Words:
        return Words.of(self.result)

    def _steps(self) -> tuple[dict[str, Any], dict[str, Any]]:
        """The present state and the best step, with what it takes off the width."""
        if len(self.steps) < 2:
            return {}, {}
        now, best = self.steps.iloc[0], self.steps.iloc[1]
        return dict(now), {**best, "gain": 1 - best["width_m3"] / now["width_m3"]}

    def _whole(self) -> tuple[str, Any, Any, Any]:
        evidence, total = self.result.evidence, self.result.total
        measured = evidence.effluent is not None
        both = measured and evidence.balance is not None
        for key in ("audited", "effluent", "balance"):
            if total.get(f"{key}_mean") is not None:
                name = self._words(
                    f"brief.estimate.{key}", both=both, measured=measured, open=evidence.open
                )
                return name, *(total[f"{key}_{part}"] for part in ("mean", "low", "high"))
        return "", None, None, None

    def averaging_words(self) -> Shown:
        """What averages out, in sentences."""
        spans = self.averaging.rename(columns=lambda name: name.replace(" ", "_"))
        if spans.empty:
            return tell(self._words, "brief.no_averaging")
        invoice = spans[spans["span"] == "an invoice"].iloc[0]
        rows = {"first": spans.iloc[0], "invoice": invoice, "last": spans.iloc[-1]}
        values = {f"{a}_{name}": value for a, row in rows.items() for name, value in row.items()}
        effluent = self.result.evidence.effluent
        zero = None if effluent is None else effluent.zero
        return tell(
            self._words,
            "brief.averaging",
            visited=zero is not None and zero.visited,
            zero=spans["between_visits"].any(),
            **values,
        )

    def steps_table(self) -> Shown:
        """What each next step would buy."""
        words, steps = self._words, self.steps.iloc[:FEW]
        if steps.empty:
            return tell(words, "brief.steps.empty")
        width = from_si(steps["width_m3"].to_numpy(float), words.volume_unit, "volume")
        amount = steps["width_amount"].to_numpy(float)
        less = 1 - width / width[0]
        less[np.abs(less) < NOISE / np.sqrt(self.result.draws)] = 0.0
        columns = {"step": steps["step"], "width": width, "narrower": 100 * less}
        if np.isfinite(amount).any():
            saved = np.where(less == 0, 0.0, amount[0] - amount)
            columns |= {"charges": amount, "saved": saved}
        digits = {**dict.fromkeys(columns, 0), "width": 1 if width[0] < 100 else 0}
        return table(words, "brief.steps", columns, digits, sums=(0,))

    def steps_words(self) -> Shown:
        """The best step, and what the table does not say."""
        (now, best), rest = self._steps(), list(self.steps.iloc[1:].itertuples())
        if not best:
            return tell(self._words, "brief.no_step")
        idle = [row.step for row in rest if abs(1 - row.width_m3 / now["width_m3"]) < 0.02]
        assumed = [f"{row.step}: {row.assumes}" for row in rest[: FEW - 1]]
        return tell(
            self._words,
            "brief.best_step",
            best=best["step"],
            gain=best["gain"],
            idle=idle,
            assumed=assumed,
        )

    def how_to_read(self) -> Shown:
        """What the interval says and what it does not say."""
        if self._whole()[1] is None:
            return tell(self._words, "brief.no_interval")
        invoices = len(self.result.invoices)
        return tell(
            self._words,
            "brief.how_to_read",
            often=100 * self.result.rule.coverage,
            conflict=in_conflict(self.result),
            several=invoices > 1,
            invoices=invoices,
        )


def make_brief(result: Any) -> Brief:
    """Compute what the brief adds to an audit.

    Parameters
    ----------
    result : Audit
        The audit [-].

    Returns
    -------
    Brief
        Tables and sentences [SI, money].
    """
    case, evidence = result.case, result.evidence
    return Brief(
        result,
        reading_effects(case, evidence, Words.of(result).small_length),
        averaging_table(case, evidence),
        step_table(case, evidence, result.pricing, Draws(result.draws, result.seed)),
    )
