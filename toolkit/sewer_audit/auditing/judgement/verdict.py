"""Question 2 and question 3: the billed volume against the evidence, and the basis."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.invoices.pricing import Pricing, charged_by_rules
from sewer_audit.auditing.reading.inputs import Inputs
from sewer_audit.auditing.volumes.credits import credited
from sewer_audit.auditing.volumes.evidence import Evidence
from sewer_audit.case import Case
from sewer_audit.charges import Schedule
from sewer_audit.errors import Flag
from sewer_audit.uncertainty import SUPPORTED, UNDECIDED, Verdicts, judge, summarise
from sewer_audit.uncertainty import TOO_LOW as TOO_LOW_WORDS

__all__ = ["WITH_RUN", "basis_answer", "invoice_table", "verdicts"]

ESTIMATES = ("effluent", "balance", "reconciled", "basis", "audited")
PARTS = ("mean", "standard_uncertainty", "low", "high")
CHANCES = ("probability_overbilled", "probability_underbilled", "finding")
WITH_RUN = "judged with its run"
"""In place of a finding of a bill between two actual reads, whose run is judged as one [text]."""


def runs_of_estimates(frame: pd.DataFrame) -> list[list[int]]:
    """Places of the invoices, those between two actual reads together, all others alone.

    So are those with a read between them that may be wrong: only their sum is known.
    """
    found: list[list[int]] = []
    for place, row in enumerate(frame.itertuples()):
        before = frame.iloc[place - 1] if place else None
        goes_on = (
            before is not None
            and before["read_type"] == "estimated"
            and not row.shares_with
            and not row.previous_read != before["current_read"]  # where neither is printed too
        )
        if before is not None and np.isnan([row.previous_read, before["current_read"]]).any():
            goes_on = before["read_type"] == "estimated" and not row.shares_with
        if goes_on or getattr(row, "linked", False):
            found[-1].append(place)
        else:
            found.append([place])
    return found


def verdicts(
    case: Case,
    evidence: Evidence,
    frame: pd.DataFrame,
    schedule: Schedule | None = None,
    volumes: np.ndarray | None = None,
) -> Verdicts | None:
    """Judge the billed volumes by the rule stated in the case, where the gate lets them through.

    Parameters
    ----------
    case, evidence, frame : Case, Evidence, DataFrame
        The rule; the estimates and the gate; the invoices as read [m3].
    schedule : Schedule, optional
        Whose return factors may allow for losses [-].
    volumes : array (draws, periods), optional
        Judged by in place of the audited ones [m3].

    Returns
    -------
    Verdicts or None
        For each invoice the judgement of its run of estimates, which is judged as one [m3].
    """
    audited = evidence.audited if volumes is None else volumes
    billed = frame["billed_m3"].to_numpy(dtype=float)
    if audited is None or evidence.gate is None:
        return None
    carried = evidence.gate.verdict & np.isfinite(audited).all(axis=0)
    runs = [
        run for run in runs_of_estimates(frame) if carried[run].all() and billed[run].sum() >= 0
    ]
    if not runs:
        return None
    rule = case.data.rule
    sums = np.array([billed[places].sum() for places in runs])
    drawn = np.column_stack([audited[:, places].sum(axis=1) for places in runs])
    found = judge(drawn, sums, rule.tolerance, rule.coverage, rule.guard_factor)
    at_most = _upper_bound_only(case, evidence, schedule)
    sides = []
    if case.data.case.basis == "discharge":
        plain = evidence.as_they_stand if volumes is None else audited  # no cause counts twice
        plain = np.column_stack([plain[:, places].sum(axis=1) for places in runs])  # type: ignore[index]
        sides = [
            judge(plain * share, sums, rule.tolerance, rule.coverage, rule.guard_factor)
            for share in (1 + PAST, 1 / (1 + PAST))
        ]
    found = _as_far_as_tested(case, found, runs, evidence, at_most, sides)
    found = _alone(found, frame, runs, evidence, drawn, sums)
    judged: list[Any] = [None] * len(billed)
    ended = [_ended(frame, places) for places in runs]
    for places, one, known in zip(runs, found.invoices, ended, strict=True):
        for place in places:
            judged[place] = one if known else replace(one, finding=UNDECIDED)
    total = found.total if all(ended) else replace(found.total, finding=UNDECIDED)
    whole = sum(len(places) for places in runs) == len(billed)
    return replace(found, invoices=tuple(judged), total=total if whole else None)  # type: ignore


def _as_far_as_tested(
    case: Case,
    found: Verdicts,
    runs: list[list[int]],
    evidence: Evidence,
    at_most: bool,
    sides: Sequence[Verdicts],
) -> Verdicts:
    """Findings without those that one estimate alone cannot carry.

    Where two were made, one that is stopped or knows next to nothing tests nothing: the other
    certifies no bill alone, nor does it accuse the sum of all; a balance finds no bill too low
    then, for a use nobody stated would make the discharge less. Where the discharge itself is
    billed, by a measurement of its own, what a balance finds that the record tests nowhere must
    also hold with the largest source, or loss, unseen (`sides`).
    """
    gate, effluent, balance = evidence.gate, evidence.effluent, evidence.balance
    measured = gate.carries["effluent"]  # type: ignore[union-attr]
    both = measured & gate.carries["balance"]  # type: ignore[union-attr]
    two = effluent is not None and balance is not None
    apart = effluent.volumes - balance.draws if two else None  # type: ignore[union-attr]

    def tests(one: Any, run: Any) -> bool:
        if not two or not both[run].all():
            return not two
        open_ = float(apart[:, run].sum(axis=1).std())  # type: ignore[index]
        return open_ <= TESTS * case.data.rule.tolerance * one.billed

    alone = bool(sides) and not any(map(tests, found.invoices, runs))

    def kept(one: Any, run: Any, *others: Any) -> Any:
        tested = tests(one, run)
        bound = one.finding == TOO_LOW_WORDS and (
            at_most or (two and not measured[run].all())  # type: ignore[index]
        )
        stopped = run == slice(None) and two and not both.all()
        untested = one.finding == SUPPORTED and not tested
        if alone and not tested and gate.carries["balance"][run].all():  # type: ignore[union-attr]
            untested |= bool({each.finding for each in others} - {one.finding})
        if bound or stopped or untested:
            return replace(one, finding=UNDECIDED)
        return one

    told = zip(found.invoices, runs, *(each.invoices for each in sides), strict=True)
    invoices = tuple(kept(*each) for each in told)
    total = kept(found.total, slice(None), *(each.total for each in sides))
    said = {each.finding for each in (*found.invoices, found.total)}
    left = {each.finding for each in (*invoices, total)}
    flags = [Flag("uses-not-stated", AT_MOST)] if TOO_LOW_WORDS in said - left else []
    return replace(found, invoices=invoices, total=total, flags=(*found.flags, *flags))


def _alone(
    found: Verdicts,
    frame: pd.DataFrame,
    runs: list[list[int]],
    evidence: Evidence,
    drawn: np.ndarray,
    sums: np.ndarray,
) -> Verdicts:
    """Withdraw what a record cannot say that no second estimate tests.

    Nearly all that goes unnoticed at a level raises what it reads (a sewer that backs up, solids,
    foam, a bracket that slips), so no bill is found too low until that is excluded; and no finding
    stands that nothing, or the highest hour ever seen, in the gaps would overturn.
    """
    effluent, gate, rule = evidence.effluent, evidence.gate, found.rule
    if effluent is None or gate is None:
        return found
    untested = gate.carries["effluent"] & ~gate.carries["balance"]
    alone = [bool(untested[run].any()) for run in runs]
    room = np.array([effluent.room[run].sum(axis=0) for run in runs]).T
    sides = [
        judge(drawn + side, sums, rule.tolerance, rule.coverage, rule.guard_factor)
        for side in (room if any(alone) and room.any() else ())
    ]
    names = [" + ".join(frame["invoice"].iloc[run].astype(str)) for run in runs]
    kept: list[Any] = []
    lost: dict[str, list[str]] = {READS_HIGH: [], GAPS: []}
    for name, record, one, *others in zip(
        [*names, "all invoices together"],
        [*alone, any(alone)],
        *([*each.invoices, each.total] for each in (found, *sides)),
        strict=True,
    ):
        kept.append(one)
        if not record or one.finding == UNDECIDED:
            continue
        high = one.finding == TOO_LOW_WORDS and effluent.reads_high
        if high or {each.finding for each in others} - {one.finding}:
            lost[READS_HIGH if high else GAPS].append(name)
            kept[-1] = replace(one, finding=UNDECIDED)
    flags = [
        Flag(code, f"{', '.join(told)}: {WITHDRAWN[code]}", {"invoices": told})
        for code, told in lost.items()
        if told
    ]
    if lost[READS_HIGH]:
        flags[0] = replace(flags[0], data=flags[0].data | {"open": list(effluent.reads_high)})
    return replace(found, invoices=tuple(kept[:-1]), total=kept[-1], flags=(*found.flags, *flags))


READS_HIGH, GAPS = "record-may-read-high", "gaps-leave-it-open"
WITHDRAWN = {
    READS_HIGH: "by the record alone the billed volume would be too low. A level read too high "
    "looks the same, and it is not excluded (a point of the checklist that is open, or no hand "
    "reading), so nothing is found. If it is so, raising a dispute can also raise the bill.",
    GAPS: "what the record alone would say changes if nothing, or the highest hour it ever shows, "
    "ran through its gaps, so nothing is found.",
}
"""Why a finding of a record alone is withdrawn [text]."""
TESTS = 3.0
"""Standard uncertainty of the difference of two estimates, over the tolerance, from which one does
not test the other (judgement) [-]."""
PAST = 0.6
"""Water past the meters over the intake: the largest source on the list of explanations [-]."""
AT_MOST = (
    "Where no record of the effluent stands, the metered intake less uses says how much reached "
    "the sewer at most: a use that nobody stated, or a leak, would make it less. So no bill is "
    "found too low by it, and whether a billed share of the intake is fair stays open."
)


def _upper_bound_only(case: Case, evidence: Evidence, schedule: Schedule | None) -> bool:
    """Whether a balance without losses, for which the schedule allows, is all there is."""
    rules = [] if schedule is None else [each.invoiced_volume for each in schedule.version]
    shares = [
        share
        for rule in filter(None, rules)
        for share in (rule.return_factor, *rule.return_factor_by_month.values())
    ]
    allows = min([case.data.case.return_factor, *shares]) < 1
    measured = evidence.gate is not None and evidence.gate.carries["effluent"].any()
    lost = [use for use in case.data.use if not credited(use)]
    return case.data.case.basis == "intake" and allows and not measured and not lost


def _ended(frame: pd.DataFrame, places: list[int]) -> bool:
    """Whether the invoices of a run lie between two actual reads of this table.

    One that begins with the table may settle earlier estimates, and where the invoice after it is
    missing that one may have settled it.
    """
    estimated = frame["read_type"].iloc[places] == "estimated"
    if not estimated.any():
        return True
    first, last = places[0], places[-1]
    if first == 0:
        return False
    after = frame.iloc[last + 1] if last + 1 < len(frame) else None
    return not (
        estimated.iloc[-1] and after is not None and after["start"] > frame["end"].iloc[last]
    )


def estimates(evidence: Evidence) -> dict[str, np.ndarray | None]:
    """Draws of every estimate by name.

    Units: evidence [m3]; returns [m3].
    """
    joined, measured = evidence.reconciliation, None
    if evidence.effluent is not None:
        measured = evidence.effluent.volumes
        if evidence.gate is not None and evidence.gate.void.any():
            measured = np.where(evidence.gate.void, np.nan, measured)
    return {
        "effluent": measured,
        "balance": None if evidence.balance is None else evidence.balance.draws,
        "reconciled": None if joined is None else joined.reconciled,
        "basis": evidence.basis,
        "audited": evidence.audited,
    }


def invoice_table(
    case: Case,
    inputs: Inputs,
    evidence: Evidence,
    judged: Verdicts | None,
    pricing: Pricing | None,
) -> tuple[pd.DataFrame, dict[str, Any], pd.DataFrame]:
    """One row per invoice; the same for all of them together; one row per finding.

    Units: evidence [m3]; returns [m3, money].
    """
    frame = inputs.invoices.frame
    table = pd.DataFrame(
        {name: frame[name].to_numpy() for name in ("invoice", "start", "end", "read_type")}
    )
    table["start"], table["end"] = frame["start"].to_numpy(), frame["end"].to_numpy()
    table["start"] = pd.DatetimeIndex(frame["start"])
    table["end"] = pd.DatetimeIndex(frame["end"])
    if (frame["shares_with"] != "").any():
        table["own_start"] = pd.DatetimeIndex(frame["own_start"])
        table["shares_with"] = frame["shares_with"].to_numpy()
    table["billed_m3"] = frame["billed_m3"].to_numpy(dtype=float)
    total: dict[str, Any] = {"billed_m3": float(table["billed_m3"].sum())}
    for name, draws in estimates(evidence).items():
        _add_estimate(table, total, name, draws, case.data.rule.coverage)
    coverage = None if evidence.effluent is None else evidence.effluent.quality
    table["record_coverage"] = np.nan if coverage is None else coverage["record_coverage"]
    _add_findings(table, total, judged)
    _add_money(case, inputs, evidence, table, total, pricing)
    return table, total, _judged(table, frame, evidence, case.data.rule.coverage)


def _judged(
    table: pd.DataFrame, frame: pd.DataFrame, evidence: Evidence, coverage: float
) -> pd.DataFrame:
    """What has a finding of its own: an invoice, or a run of estimates in place of its invoices.

    Units: evidence [m3]; returns [m3].
    """
    names, rows = table["invoice"].astype(str), []
    for places in runs_of_estimates(frame):
        row = table.iloc[places[-1]].to_dict()
        if len(places) > 1:
            row["invoice"] = " + ".join(names.iloc[places])
            row["start"] = table["start"].iloc[places[0]]
            row["billed_m3"] = float(table["billed_m3"].iloc[places].sum())
            for name, draws in estimates(evidence).items():
                known = draws is not None and np.isfinite(draws[:, places]).all()
                found = summarise(draws[:, places].sum(axis=1), coverage) if known else None
                row |= {f"{name}_{part}": getattr(found, part, np.nan) for part in PARTS}
        rows.append({"invoices": list(names.iloc[places]), **row})
        if len(places) > 1:
            told = UNDECIDED if row["finding"] == UNDECIDED else WITH_RUN
            table.loc[table.index[places], list(CHANCES)] = [np.nan, np.nan, told]
    columns = ["invoice", "invoices", "start", "end", "billed_m3"]
    columns += [f"{name}_{part}" for name in ESTIMATES for part in PARTS]
    return pd.DataFrame(rows, columns=[*columns, *CHANCES])


def _add_estimate(
    table: pd.DataFrame,
    total: dict[str, Any],
    name: str,
    draws: np.ndarray | None,
    coverage: float,
) -> None:
    for part in PARTS:
        table[f"{name}_{part}"] = np.nan
        total[f"{name}_{part}"] = None
    if draws is None:
        return
    known = np.isfinite(draws).all(axis=0)
    for place in np.flatnonzero(known):
        summary = summarise(draws[:, place], coverage)
        for part in PARTS:
            table.loc[place, f"{name}_{part}"] = float(getattr(summary, part))
    if known.all():
        summary = summarise(draws.sum(axis=1), coverage)
        for part in PARTS:
            total[f"{name}_{part}"] = float(getattr(summary, part))


def _add_findings(table: pd.DataFrame, total: dict[str, Any], judged: Verdicts | None) -> None:
    if judged is None:
        table["probability_overbilled"] = table["probability_underbilled"] = np.nan
        table["finding"] = UNDECIDED
        total.update(dict.fromkeys(CHANCES[:2]), finding=UNDECIDED)
        return
    for column in CHANCES:
        nothing = UNDECIDED if column == "finding" else np.nan
        table[column] = [getattr(each, column, nothing) for each in judged.invoices]
        total[column] = getattr(judged.total, column, nothing if column == "finding" else None)


def _add_money(
    case: Case,
    inputs: Inputs,
    evidence: Evidence,
    table: pd.DataFrame,
    total: dict[str, Any],
    pricing: Pricing | None,
) -> None:
    table["invoiced_total"] = [float(each) for each in inputs.invoices.frame["total"]]
    total["invoiced_total"] = float(sum(inputs.invoices.frame["total"]))
    names = ("recomputed_on_stated_volume", "recomputed_total", "rules_m3")
    amounts = ("amount_in_question", "amount_by_discharge")
    for name in names:
        table[name] = np.nan
        total[name] = None
    for name in amounts:
        _add_estimate(table, total, name, None, case.data.rule.coverage)
    if pricing is None:
        return
    exact = {
        "recomputed_on_stated_volume": [each.total for each in pricing.stated],
        "recomputed_total": [each.by_rules for each in pricing.series],
    }
    for name, values in exact.items():
        table[name] = [float(value) for value in values]
        total[name] = float(sum(values))
    table["rules_m3"] = charged_by_rules(pricing, case.data.invoices.volume_unit)
    total["rules_m3"] = float(table["rules_m3"].sum(skipna=False))
    invoiced = table["invoiced_total"].to_numpy()
    for name, volumes in zip(amounts, (evidence.basis, evidence.audited), strict=True):
        if volumes is not None and np.isfinite(volumes).all():
            in_question = invoiced - pricing.amounts(volumes)
            _add_estimate(table, total, name, in_question, case.data.rule.coverage)


def basis_answer(case: Case, evidence: Evidence, pricing: Pricing | None) -> Mapping[str, Any]:
    """Does the billed share of the intake describe this site?

    Units: evidence [m3].
    """
    factor, audited, basis = case.data.case.return_factor, evidence.audited, evidence.basis
    if case.data.case.basis != "intake" or basis is None or audited is None:
        return {"answered": False}
    schedule = None if pricing is None else pricing.schedule
    if _upper_bound_only(case, evidence, schedule):
        return {"answered": False}
    net = basis.sum(axis=1) / factor
    if not np.isfinite(audited).all() or not np.all(net > 0):
        return {"answered": False}  # a part of the invoices, or an intake that may be none
    share = summarise(audited.sum(axis=1) / net, case.data.rule.coverage)
    if share.low <= 0 or (audited.mean(axis=0) < 0).any():
        return {"answered": False}  # no volume is below nothing: the evidence is wrong
    answer: dict[str, Any] = {
        "answered": True,
        "return_factor": factor,
        **{f"share_{part}": float(getattr(share, part)) for part in PARTS},
        "fair": bool(share.low <= factor <= share.high),
    }
    if pricing is not None:
        saved = (pricing.amounts(basis) - pricing.amounts(audited)).sum(axis=1)
        money = summarise(saved, case.data.rule.coverage)
        answer.update({f"amount_{part}": float(getattr(money, part)) for part in PARTS})
    return answer


def warnings_for(claim: pd.DataFrame, judged: pd.DataFrame) -> list[Flag]:
    """What must be said before anyone raises a dispute.

    Units: claim [money]; judged [m3].
    """
    low = judged.loc[judged["finding"] == TOO_LOW_WORDS, "invoice"].tolist()
    short = claim.loc[claim["by_the_rules"] < -0.005, "invoice"].tolist()
    flags = []
    if low:
        flags.append(
            Flag(
                "billed-too-low",
                f"{', '.join(low)}: the billed volume is too low by the stated rule. Raising a "
                "dispute can also raise the bill.",
                {"invoices": low},
            )
        )
    if short:
        flags.append(
            Flag(
                "under-invoiced-by-the-rules",
                f"{', '.join(short)}: by the rate schedule the invoice should have been higher. "
                "Raising a dispute can also raise the bill.",
                {"invoices": short},
            )
        )
    return flags
