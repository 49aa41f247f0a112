"""The uncertainty brief: what management needs to know of the interval, on two pages."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.findings import plain
from sewer_audit.auditing.judgement.averaging import averaging_table, reading_effects
from sewer_audit.auditing.judgement.steps import step_table
from sewer_audit.report.brief.figures import (
    CONFLICT,
    in_conflict,
    judged_at_once,
    per_cent,
    place_of,
    two_digits,
)
from sewer_audit.report.evidence.verdict import amount_alone, amount_words, headline
from sewer_audit.report.frames import budget_of
from sewer_audit.report.show import Shown, say, show_table, show_verdict
from sewer_audit.report.words import Words, counted
from sewer_audit.spoken import speaking
from sewer_audit.uncertainty import Draws
from sewer_audit.units import from_si

__all__ = ["CAUTION", "Brief", "make_brief"]

CAUTION = """\
A manhole, a meter pit or a vault is a confined space: sewer gas, traffic and electricity near \
water kill. Read from above; entry needs permit, gas test, ventilation, retrieval gear and a \
second person. Wiring, meters and plumbing are for licensed trades. Local codes prevail."""
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
        names = {"effluent": "the measured effluent", "balance": "intake less uses"}
        found = {name: budget_of(self.result, key) for key, name in names.items()}
        return {name: budget for name, budget in found.items() if not budget.empty}

    def headline(self) -> Shown:
        """Are we overcharged, and how much reached the sewer: the box that opens the brief."""
        words, result = Words.of(self.result), self.result
        return show_verdict(headline(result), amount_words(result, words), {})

    def volume_words(self) -> str:
        """How much reached the sewer and how well that is known [text]."""
        words, count = Words.of(self.result), len(self.result.invoices)
        name, mean, low, high = self._whole()
        if mean is None:
            return (
                "How much reached the sewer cannot be said from these files: there is neither a "
                "record of the effluent nor a balance of supply reads."
            )
        place = place_of(from_si((high - low) / 4, words.volume_unit, "volume"))
        shown = [from_si(v, words.volume_unit, "volume") for v in (mean, low, high)]
        middle, first, last = (f"{round(v, place):,.{max(place, 0)}f}" for v in shown)
        reach = f"±\N{NO-BREAK SPACE}{words.share((high - low) / 2 / mean)}"
        text = (
            f"About {middle} {words.volume_unit} reached the sewer over {counted(count, 'invoice')}"
        )
        if in_conflict(self.result):
            return (
                f"{text} by the {name}; its own causes leave it between {first} and {last}. But "
                "intake less uses contradicts it, so one of the two, or its stated uncertainty, is "
                "wrong, and no probability is stated."
            )
        return (
            f"{text}: given the causes listed, with a probability of {100 * words.coverage:.4g} % "
            f"between {first} and {last} ({reach}; {name})."
        )

    def answers(self) -> Shown:
        """Six questions of a manager, each answered in a sentence or two."""
        result, words = self.result, Words.of(self.result)
        volume, finding = self.volume_words(), str(result.total["finding"])
        billed = words.volume(result.total["billed_m3"])
        exact = [entry for entry in result.ledger.entries if entry.exactness == "exact"]
        known = (
            "The amounts by the schedule are recomputed to the cent"
            if len(exact) == len(result.ledger.entries)
            else "Some amounts by the schedule are known within an interval only"
        )
        sure = f"{known}. {volume}" if len(result.claim) else volume
        rows = {
            "Are we overcharged?": f"{headline(result)}. {billed} were billed; held against what "
            f"reached the sewer: {finding.removesuffix(' from this evidence')}."
            f"{self._basis_words()}",
            "By how much?": amount_alone(result, words),
            "How sure is that?": sure,
            "What would settle it?": " ".join(result.next_proof[:2]) or "Nothing is open.",
            "What does that cost?": self._cost_words(),
            "What is it worth?": self._worth_words(),
        }
        frame = pd.DataFrame({"question": list(rows), "answer": list(rows.values())})
        return show_table(frame, "What is known, and what to do next")

    def _basis_words(self) -> str:
        basis, words = self.result.basis, Words.of(self.result)
        if not basis.get("answered") or basis["fair"]:
            return ""
        share, billed = words.share(basis["share_mean"]), words.share(basis["return_factor"])
        return (
            f" The schedule bills {billed} of the intake and {share} reached the sewer: a question "
            "of the basis, no error of a bill."
        )

    def _cost_words(self) -> str:
        plan = self.case.data.plan
        if plan is not None and plan.cost:
            return "The monitoring plan of this case sets prices beside what each step is worth."
        return "The case states no prices. Ask for quotations of the steps on the next page."

    def _worth_words(self) -> str:
        if len(self.steps) < 2:
            return "Without an estimate there is no width that a step could narrow."
        words, now, best = Words.of(self.result), self.steps.iloc[0], self.steps.iloc[1]
        gain = words.share(1 - best["width_m3"] / now["width_m3"], 0)
        text = f"The step that narrows most is to {best['step']}: {gain} off the width."
        if np.isfinite(now["width_amount"]):
            worth = words.money(two_digits(now["width_amount"]), cents=False)
            text = f"The width of that interval is {worth} of charges in doubt. {text}"
        return text + " It may move the result either way."

    def _whole(self) -> tuple[str, Any, Any, Any]:
        evidence = self.result.evidence
        both = all(each is not None for each in (evidence.effluent, evidence.balance))
        wrong = "balances do not close" if evidence.open else "two estimates conflict"
        alone = "measured effluent" if evidence.effluent is not None else "intake less uses"
        for key, name in (
            ("audited", "both estimates together" if both else f"{alone} alone"),
            ("effluent", f"measured effluent alone (the {wrong})"),
            ("balance", "intake less uses alone"),
        ):
            total = self.result.total
            if total.get(f"{key}_mean") is not None:
                return name, *(total[f"{key}_{part}"] for part in ("mean", "low", "high"))
        return "", None, None, None

    def averaging_words(self) -> Shown:
        """What averages out, in sentences."""
        table = self.averaging
        if table.empty:
            return say(
                "There is no record of the effluent. Errors of supply meters and of the shares of "
                "water used keep their value over all invoices, so they never average out."
            )
        first, last = table.iloc[0], table.iloc[-1]
        invoice = table[table["span"] == "an invoice"].iloc[0]
        sentence = (
            "As standard uncertainties, {first} is known to {f_all}, {one} to {i_all}, {last} to "
            "{l_all}. What is new in every reading falls from {f_each} to {l_each}: it "
            "averages out. What keeps its value over the whole record is {f_whole} of {first} and "
            "{l_whole} of {last}: it never averages out, however long the record. "
        )
        if self._visited:
            sentence += (
                "The zero of the level lies between: each visit tells it anew, and most volume "
                "passes at levels where it matters less, so it falls from {f_visit} to {l_visit}, "
                "but not below what all hand readings share."
            )
        elif table["between visits"].any():
            sentence += (
                "The zero of the level was never checked by hand here: it is {f_visit} of {first} "
                "and still {l_visit} of {last}."
            )
        values = {
            f"{a}_{b}": per_cent(row[column])
            for a, row in (("f", first), ("i", invoice), ("l", last))
            for b, column in (
                ("all", "all"),
                ("each", "each reading"),
                ("whole", "whole record"),
                ("visit", "between visits"),
            )
        }
        return say(sentence, first=first["span"], one="an invoice", last=last["span"], **values)

    @property
    def _visited(self) -> bool:
        effluent = self.result.evidence.effluent
        return effluent is not None and effluent.zero is not None and effluent.zero.visited

    def steps_table(self) -> Shown:
        """What each next step would buy."""
        if self.steps.empty:
            return say("Without an estimate there is no interval that a step could narrow.")
        words, steps = Words.of(self.result), self.steps.iloc[:FEW]
        unit, money = words.volume_unit, words.currency
        volume = from_si(steps["width_m3"].to_numpy(float), unit, "volume")
        amount = steps["width_amount"].to_numpy(float)
        less = 1 - volume / volume[0]
        less[np.abs(less) < NOISE / np.sqrt(self.result.draws)] = 0.0
        frame = pd.DataFrame(
            {
                "step": steps["step"],
                f"width [{unit}]": volume,
                "narrower by [%]": 100 * less,
                f"charges, width [{money}]": amount,
                f"charges, narrower by [{money}]": np.where(less == 0, 0.0, amount[0] - amount),
            }
        )
        if not np.isfinite(amount).any():
            frame = frame.iloc[:, :3]
        small = 1 if volume[0] < 100 else 0
        places = {name: 0 if "%" in name or money in name else small for name in frame.columns}
        caption = (
            f"Width of the {words.interval_name} of all invoices by the listed causes alone, had "
            "the step been in place all along; it narrows what comes, not what is past"
        )
        return show_table(frame, caption, places, sums=(0,))

    def steps_words(self) -> Shown:
        """The best step, and what the table does not say."""
        if len(self.steps) < 2:
            return say("No step can be tried on this case.")
        words, steps = Words.of(self.result), self.steps
        best = steps.iloc[1]
        gain = 1 - best["width_m3"] / steps["width_m3"].iloc[0]
        idle = [
            row.step
            for row in steps.iloc[1:].itertuples()
            if abs(1 - row.width_m3 / steps["width_m3"].iloc[0]) < 0.02
        ]
        nothing = " Steps that would hardly be noticed here: {idle}." if idle else ""
        return say(
            "The step that narrows most is to {best}: {gain} off the width. A narrower interval "
            "moves no bill by itself; it can decide findings that are open and shorten a dispute. "
            f"Where the estimate will lie afterwards nobody knows beforehand.{nothing} Assumed: "
            "{assumed}.",
            assumed="; ".join(
                f"{row.step}: {row.assumes}" for row in steps.iloc[1:FEW].itertuples()
            ),
            best=best["step"],
            gain=words.share(gain, 0),
            idle="; ".join(idle),
        )

    def how_to_read(self) -> Shown:
        """What the interval says and what it does not say."""
        result = self.result
        if self._whole()[1] is None:
            return say("There is no interval yet: it needs a record or supply reads.")
        doubt = f" {CONFLICT}" if in_conflict(result) else ""
        return say(
            "Given the causes listed and the spreads stated for them, intervals made in this way "
            f"hold the true volume in about {{often}} of 100 cases.{doubt} A cause nobody listed "
            "is not in it. It is no tolerance of an instrument and no limit of a law, and its "
            "middle is likelier than its ends. {judged} The evidence report lists every cause with "
            "its source.",
            often=f"{100 * result.rule.coverage:.0f}",
            judged=judged_at_once(len(result.invoices)),
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
    with speaking(case.spoken):
        return Brief(
            result,
            reading_effects(case, evidence, Words.of(result).small_length),
            averaging_table(case, evidence),
            step_table(case, evidence, result.pricing, Draws(result.draws, result.seed)),
        )
