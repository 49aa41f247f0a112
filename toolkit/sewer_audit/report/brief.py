"""The uncertainty brief: what management needs to know of the interval, on two pages."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.averaging import averaging_table, reading_effects
from sewer_audit.auditing.findings import plain
from sewer_audit.auditing.steps import step_table
from sewer_audit.report.brief_words import (
    CONFLICT,
    causes_sentence,
    formula_sentence,
    in_conflict,
    judged_at_once,
    per_cent,
    place_of,
    two_digits,
)
from sewer_audit.report.frames import budget_of
from sewer_audit.report.show import Shown, say, show_table, show_verdict
from sewer_audit.report.words import Words, counted
from sewer_audit.spoken import speaking
from sewer_audit.uncertainty import Draws
from sewer_audit.units import from_si

__all__ = ["CAUTION", "Brief", "make_brief"]

CAUTION = """\
Steps at a manhole, a meter pit or a vault are work at a confined space, often beside traffic: \
sewer gas kills without warning, and electricity near water kills too. Read from above where \
possible; entry needs permit, gas test, ventilation, retrieval gear and a second person above. \
Fixed wiring, meters and plumbing are for licensed trades, and may need the consent of the \
authority. Local codes prevail over anything said here."""
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
        """The interval of the whole in one box."""
        words, count = Words.of(self.result), len(self.result.invoices)
        name, mean, low, high = self._whole()
        if mean is None:
            return show_verdict(
                "How much reached the sewer cannot be said from these files",
                "There is neither a record of the effluent nor a balance of supply reads.",
                {},
            )
        worth = self.steps["width_amount"].iloc[0] if len(self.steps) else float("nan")
        amount = "There is no rate schedule, so no amount of money is stated."
        if np.isfinite(worth):
            priced = words.money(two_digits(worth), cents=False)
            amount = f"Priced by the schedule, that width is {priced} of charges."
        place = place_of(from_si((high - low) / 4, words.volume_unit, "volume"))
        shown = [from_si(v, words.volume_unit, "volume") for v in (mean, low, high)]
        middle, first, last = (f"{round(v, place):,.{max(place, 0)}f}" for v in shown)
        reach = f"±\N{NO-BREAK SPACE}{words.share((high - low) / 2 / mean)}"
        chance = f"with a probability of {100 * words.coverage:.4g} % it was between"
        from_ = f"Given the causes listed; {name}, {counted(count, 'invoice')}."
        if in_conflict(self.result):
            chance = "its own causes leave it between"
            from_ = (
                f"{name[0].upper()}{name[1:]}, {counted(count, 'invoice')}: intake less uses "
                "contradicts it, so one of the two, or its stated uncertainty, is wrong, and no "
                "probability is stated."
            )
        finding = (
            f"About {middle} {words.volume_unit} reached the sewer; {chance} {first} and {last} "
            f"({reach})"
        )
        return show_verdict(finding, f"{from_} {amount}", {})

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

    def readings_table(self) -> Shown:
        """How many per cent a small error of the level is: 3 mm, or an eighth of an inch."""
        words = Words.of(self.result)
        if self.readings.empty:
            return say("No level was recorded in this case, so none can be wrong.")
        head, flow = words.head_unit, words.discharge_unit
        error = words.small(words.small_length)
        high, low = (f"read {error} too {side} [%]" for side in ("high", "low"))
        frame = pd.DataFrame(
            {
                "reading": self.readings["reading"],
                f"level [{head}]": from_si(self.readings["level"].to_numpy(), head, "length"),
                f"discharge [{flow}]": from_si(
                    self.readings["discharge"].to_numpy(), flow, "discharge"
                ),
                high: 100 * self.readings["too_high"],
                low: 100 * self.readings["too_low"],
            }
        )
        digits = {high: 1, low: 1}
        caption = (
            f"What {error} of level does to one reading; 90, 50 and 10 % of all readings are "
            "higher than the low, usual and high one"
        )
        return show_table(frame, caption, digits)

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

    def budget_words(self) -> Shown:
        """The leading causes of one invoice and of the year, and why they differ."""
        name = next((n for n in ("effluent", "balance") if not budget_of(self.result, n).empty), "")
        if not name:
            return say("Nothing is estimated, so nothing is uncertain.")
        total = budget_of(self.result, name)
        total = total[total["cause"] != "interactions"]
        invoice = str(self.result.invoices["invoice"].iloc[-1])
        one = budget_of(self.result, name, invoice).set_index("cause")["share"]
        parts = [
            f"{row.cause} {100 * row.share:.0f} % ({100 * one.get(row.cause, 0.0):.0f} %)"
            for row in total.head(3).itertuples()
        ]
        return say(
            "Shares of the variance over all invoices, in brackets those of the latest invoice: "
            "{parts}. The two differ because a cause that all invoices share adds up from invoice "
            "to invoice as it is, while one that is new in each partly cancels. A share of the "
            "variance is no share of the width: a cause with half the variance, removed, narrows "
            "the interval by less than a third.",
            parts="; ".join(parts),
        )

    def steps_table(self) -> Shown:
        """What each next step would buy."""
        if self.steps.empty:
            return say("Without an estimate there is no interval that a step could narrow.")
        words, steps = Words.of(self.result), self.steps
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
            f"Width of the {words.interval_name} of all invoices, had the step been in place all "
            "along; it narrows what comes, not what is past"
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
            "Weigh its cost against the last column; that money is in doubt now, it is not won. "
            "Where the estimate will lie afterwards nobody knows beforehand: it can also move "
            f"against the facility.{nothing} Assumed: {{assumed}}.",
            assumed="; ".join(f"{row.step}: {row.assumes}" for row in steps.iloc[1:].itertuples()),
            best=best["step"],
            gain=words.share(gain, 0),
            idle="; ".join(idle),
        )

    def how_to_read(self) -> Shown:
        """What the interval says and what it does not say."""
        result, words = self.result, Words.of(self.result)
        if self._whole()[1] is None:
            return say("There is no interval yet: it needs a record or supply reads.")
        share = f"{100 * result.rule.coverage:.4g} %"
        doubt = f" {CONFLICT}" if in_conflict(result) else ""
        return say(
            "- As a degree of belief: given the causes listed and the spreads stated for them, the "
            "true volume lies in the interval with a probability of {share}. A cause nobody listed "
            "is not in it.\n"
            "- As a frequency: if those spreads are right, intervals made in this way hold the "
            "true volume in about {often} of 100 cases. The toolkit tests this on simulated sites "
            f"whose truth is known.{doubt}\n"
            "- The interval is no tolerance of an instrument, no limit of a law and no range in "
            "which every value is equally likely: the middle is likelier than the ends.\n"
            "- {judged}\n"
            "- {formula}\n"
            "- {causes}",
            share=share,
            often=f"{100 * result.rule.coverage:.0f}",
            judged=judged_at_once(len(result.invoices)),
            formula=formula_sentence(result, words),
            causes=causes_sentence(result),
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
