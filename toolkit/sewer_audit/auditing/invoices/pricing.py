"""Question 1: was each invoice made by the rules, to the cent, and what is in question?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from decimal import Decimal
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.invoices.facts import printed_bills, printed_face
from sewer_audit.auditing.reading.inputs import Inputs
from sewer_audit.auditing.volumes.case_units import (
    dial_question,
    meters_question,
    registers_question,
)
from sewer_audit.auditing.volumes.evidence import Evidence
from sewer_audit.case import Case
from sewer_audit.charges import (
    BilledInvoice,
    InvoiceFacts,
    PricedInvoice,
    Recomputed,
    Schedule,
    chains_of,
    compare,
    explaining_convention,
    explaining_line_rule,
    follows,
    follows_between,
    follows_with,
    open_keys,
    price,
    price_draws,
    recompute_series,
)
from sewer_audit.charges.chain.estimates import of_cut_reads
from sewer_audit.charges.schedule.periods import parts_of
from sewer_audit.errors import Flag, InputRefused, Problem
from sewer_audit.units import to_si

__all__ = ["Pricing", "charged_beyond", "price_invoices", "winter_open", "with_charged"]

USUAL = 3.0
"""So many times the usual a day, or less of it, is billed on a register that stands still before it
is taken for a stopped one (judgement) [-]."""
ENOUGH = 6
"""Other periods that say what is usual (judgement) [-]."""
FAR = 1.25
"""A volume so many times another, or a part of it, lies far from it (judgement) [-]."""
NOTHING_DUE = PricedInvoice("", (), Decimal("0.00"), Decimal("0.00"), "nothing is due", "")
"""What an invoice comes to whose days an earlier one holds already [money]."""


@dataclass(frozen=True)
class Pricing:
    """Every invoice recomputed from the rate schedule.

    Parameters
    ----------
    bills : tuple of BilledInvoice
        As printed, with what each is priced from [-].
    due : tuple of Decimal or None
        Volume each should have charged: from the reads, or the stated one where the reads cannot
        tell it from theirs; None without reads [billing unit].
    stated : tuple of PricedInvoice
        Priced on the volume the invoice states [money].
    by_rules : tuple of PricedInvoice or None
        Priced from the reads, as the schedule says; None without reads [money].
    lines : DataFrame
        One row per invoice and charge line: invoiced, recomputed on the stated volume, recomputed
        by the rules, differences [money].
    schedule : Schedule
        The rates [-].
    series : tuple of Recomputed
        Each held against its own chain and the site's second opinion, runs of estimates as one [-].
    flags : tuple of Flag
        Questions to the case, and what the reader must know of the bills [-].
    """

    bills: tuple[BilledInvoice, ...]
    due: tuple[Decimal | None, ...]
    stated: tuple[PricedInvoice, ...]
    by_rules: tuple[PricedInvoice | None, ...]
    lines: pd.DataFrame
    schedule: Schedule
    series: tuple[Recomputed, ...] = ()
    flags: tuple[Flag, ...] = ()

    @property
    def facts(self) -> tuple[InvoiceFacts, ...]:
        """What each invoice is priced from [-]."""
        return tuple(bill.facts for bill in self.bills)

    @property
    def recomputed(self) -> list[PricedInvoice]:
        """By the rules where there are reads, else on the stated volume [money]."""
        return [r or s for r, s in zip(self.by_rules, self.stated, strict=True)]

    def amounts(self, volumes: np.ndarray) -> np.ndarray:
        """Totals of draws of the charged volume. Units: volumes [m3]; returns [money]."""
        nothing = np.zeros(len(volumes))  # due on an invoice whose days another one holds
        columns = [
            nothing
            if (facts := bill.due_facts) is None
            else price_draws(self.schedule, facts, np.maximum(volumes[:, k], 0.0), meaning="billed")
            for k, bill in enumerate(self.bills)
        ]
        return np.column_stack(columns)


def charged_beyond(pricing: Pricing, volumes: np.ndarray) -> float:
    """What was invoiced beyond what one volume of every invoice comes to.

    Units: volumes [m3]; returns [money].
    """
    lines = pricing.lines
    invoiced = lines.loc[lines["line"] == "total", "invoiced"]
    due = pricing.amounts(np.maximum(volumes, 0.0)[None, :])
    return float(sum(float(each) for each in invoiced) - due.sum())


def price_invoices(case: Case, inputs: Inputs, evidence: Evidence) -> Pricing | None:
    """Recompute every invoice from the schedule.

    Parameters
    ----------
    case : Case
        Validated case [-].
    inputs : Inputs
        Invoices, reads and schedule [-].
    evidence : Evidence
        For the registered volumes [m3].

    Returns
    -------
    Pricing or None
        None without a schedule [money].

    Raises
    ------
    InputRefused
        With every invoice that the schedule cannot price, and why.
    """
    if inputs.schedule is None:
        return None
    schedule, printed = inputs.schedule, printed_bills(case, inputs, evidence)
    if unable := unpriced(schedule, printed):
        raise InputRefused(unable)
    printed, moved = _split_as_printed(schedule, printed)
    schedule, unstated = _with_lines(case, schedule, printed)
    inputs = replace(inputs, schedule=schedule)
    again = recompute_series(schedule, printed)
    again, flags = _with_questions(case, inputs, evidence, again)
    bills = [each.bill for each in again]
    stated = [price(schedule, bill.facts) for bill in bills]
    by_rules = [
        _by_rules(schedule, each, printed) for each, printed in zip(again, stated, strict=True)
    ]
    lines = pd.concat(
        [
            _lines(inputs, row, stated[row], by_rules[row], again[row])
            for row in range(len(inputs.invoices.frame))
        ],
        ignore_index=True,
    )
    due = [each.billed if each.stands else each.due for each in again]
    told = tuple(bills), tuple(due), tuple(stated), tuple(by_rules), lines, schedule
    flags += [
        *moved,
        *unstated,
        *_flags_of(bills),
        *_apart(schedule, again),
        *_cut(schedule, again),
    ]
    return Pricing(*told, tuple(again), tuple(flags))


def _split_as_printed(
    schedule: Schedule, bills: Sequence[BilledInvoice]
) -> tuple[list[BilledInvoice], list[Flag]]:
    """The bills, those with the day of the read in the later period as such where they fit so.

    A period from read to read has one day less than dates. Whether its first or its last date is
    left out where new rates begin inside it no schedule says, and the days of both are the same.
    """
    found, names, day = list(bills), [], timedelta(days=1)
    given = schedule.schedule
    if given.end_day_counts or given.rate_change != "split by days":
        return found, []
    for row, bill in enumerate(bills):
        facts = bill.facts
        if not bill.lines or len(parts_of(schedule, facts)) == 1 or follows(schedule, bill):
            continue
        later = replace(bill, facts=facts.but(start=facts.start + day, end=facts.end + day))
        if follows(schedule, later):
            found[row] = later
            names.append(bill.invoice)
    if not names:
        return found, []
    words = f"{', '.join(names)}: the change of rates is split as if the first date of the period "
    words += "were left out, not the last; the schedule says neither, and the bill follows."
    return found, [Flag("rates-split-a-day-later", words, {"invoices": names})]


def _with_lines(
    case: Case, schedule: Schedule, bills: Sequence[BilledInvoice]
) -> tuple[Schedule, list[Flag]]:
    """The schedule, with a usual rule it leaves open where every bill follows by it alone."""
    found = explaining_line_rule(schedule, bills)
    if found is None:
        return schedule, []
    told, other, names = found
    words = f"{', '.join(names)} and all other bills follow if {told} is added to "
    words += f"{_rates_file(case)}, which states nothing of it; by its default these bills depart. "
    words += "Nothing is claimed on it. What does the schedule say? State it there."
    return other, [Flag("line-rule-unstated", words, {"invoices": names, "by": told})]


def _with_questions(
    case: Case, inputs: Inputs, evidence: Evidence, series: Sequence[Recomputed]
) -> tuple[list[Recomputed], list[Flag]]:
    """The series without claims on volumes by the rules that nothing else bears out.

    Where such a volume lies far from the registered intake, the balance and the other bills at
    once, and the billed one does not, the case is asked before anybody is accused.
    """
    found, flags = _with_winters(case, inputs, series)
    series = found
    frame, unit = inputs.invoices.frame, case.data.invoices.volume_unit
    days = (frame["end"] - frame["start"]).dt.total_seconds().to_numpy() / 86400.0
    usual = float(np.median(frame["billed_m3"].to_numpy(dtype=float) / np.maximum(days, 1e-9)))
    known = [None if evidence.basis is None else evidence.basis.mean(axis=0)]
    known.append(None if evidence.balance is None else evidence.balance.draws.mean(axis=0))
    asked = dial_question(case, inputs.schedule, series)
    if asked is None and evidence.effluent is None:  # else a record tells as well
        asked = meters_question(case, series)
    open_rows = range(len(found))
    if asked is None:
        asked = registers_question(case, evidence.flags, len(series))
        open_rows = [row for row in open_rows if not _prints_its_water(series[row])]
    rows = [
        row
        for row in open_rows
        if not series[row].volume_agrees and series[row].due is not None
        if not series[row].bill.shares_with
    ]
    if asked is not None and rows:
        flags.append(asked)
        for row in rows:
            found[row] = _as_billed(inputs, series[row])
        return found, flags
    for rows, words in _met(case, inputs, series):
        for row in rows:
            found[row] = _as_billed(inputs, series[row])
        told = {"invoices": [series[row].bill.invoice for row in rows]}
        flags.append(Flag("reads-do-not-meet", words, told))
    for row in _unusual(inputs, series):
        found[row] = _as_billed(inputs, series[row])
        flags.append(_of_a_slip(series[row].bill.invoice))
    still = _stopped(series, frame["billed_m3"].to_numpy(dtype=float) / np.maximum(days, 1e-9))
    for row in still:
        found[row] = _as_billed(inputs, series[row])
    flags += [_still([series[row].bill for row in still])] if still else []
    for row, each in enumerate(found):
        if each.volume_agrees or each.due is None or each.bill.shares_with or known[0] is None:
            continue
        due, billed = (float(to_si(float(v), unit, "volume")) for v in (each.due, each.billed))
        others = [usual * days[row], *(float(k[row]) for k in known if k is not None)]
        if not all(np.isfinite(other) and other > 0 for other in others):
            continue
        if all(_far(due, other) and not _far(billed, other) for other in others):
            found[row] = _as_billed(inputs, each)
            flags.append(_question(each, due / billed))
    return found, flags


def _met(
    case: Case, inputs: Inputs, series: Sequence[Recomputed]
) -> Iterator[tuple[list[int], str]]:
    """Bills that follow by the read of the bill beside them, and not by their own of that day.

    Whether the city printed or the case typed it wrongly, the volume was made of the other.
    """
    face = printed_face(case, inputs)
    order = sorted(range(len(series)), key=lambda row: series[row].bill.facts.start)
    for pair in pairwise(order) if face is not None else ():
        one, after = (series[row].bill for row in pair)
        reads = one.current_read, after.previous_read
        if None in reads or reads[0] == reads[1] or one.facts.end != after.facts.start:
            continue
        if one.exchange is not None or after.exchange is not None:
            continue
        more = (reads[1] - reads[0]) * face.per_count  # type: ignore[operator, union-attr]
        first, second = (series[row] for row in pair)
        if first.volume_agrees or one.shares_with or one.own_reads is not None:
            continue
        if not follows_with(inputs.schedule, one, more):  # type: ignore[arg-type]
            continue
        words = (
            f"{one.invoice} ends with {reads[0]} and {after.invoice} starts from {reads[1]}; the "
            f"billed volume of {one.invoice} follows from the latter. Are both typed as printed? "
            "Nothing is claimed on it."
        )
        carried = after.own_reads is not None and after.own_reads[0] == reads[0]
        both = carried and not second.volume_agrees
        both = both and follows_with(inputs.schedule, after, -more)  # type: ignore[arg-type]
        yield list(pair if both else pair[:1]), words


def _unusual(inputs: Inputs, series: Sequence[Recomputed]) -> Iterator[int]:
    """Bills that follow with a usual deduct, where the site's own read makes it a rare one.

    A read of the site that no other one tests may be a slip as well as the city's.
    """
    days = [Decimal((each.bill.facts.end - each.bill.facts.start).days or 1) for each in series]
    taken = [each.bill.facts.volumes.get("deduct") for each in series]
    for row, each in enumerate(series):
        own, settled = taken[row], each.volume_agrees or each.bill.shares_with
        if own is None or settled or "deduct" in each.bill.printed:
            continue
        others = [
            volume / day * days[row]
            for k, (volume, day) in enumerate(zip(taken, days, strict=True))
            if volume is not None and k != row
        ]
        if len(others) < ENOUGH or min(others) <= own <= max(others):
            continue
        ends = min(others), max(others)
        if follows_between(inputs.schedule, each.bill, "deduct", ends):  # type: ignore[arg-type]
            yield row


def _of_a_slip(name: str) -> Flag:
    return Flag(
        "deduct-out-of-the-usual",
        f"{name}: the site's reads make the deduct of the period larger or smaller than any other, "
        "and the bill follows with a usual one. One of these reads may be a slip; nothing is "
        "claimed on it. Is there a photograph of the register, or a later read?",
        {"invoice": name},
    )


def _with_winters(
    case: Case, inputs: Inputs, series: Sequence[Recomputed]
) -> tuple[list[Recomputed], list[Flag]]:
    """The series without claims that rest on a default of the winter no schedule has stated."""
    found, asked = list(series), {}
    schedule: Schedule = inputs.schedule  # type: ignore[assignment]
    for row, each in enumerate(series):
        if each.volume_agrees or each.due is None or each.bill.shares_with:
            continue
        change = explaining_convention(schedule, each, series)
        if change:
            found[row] = _as_billed(inputs, each)
            asked.setdefault(change, []).append(each)
    flags = []
    for told, bills in asked.items():
        names = [each.bill.invoice for each in bills]
        words = (
            f"{', '.join(names)}: the billed volume is right by {told}, and not by the default; "
        )
        words += f"the winter table of {_rates_file(case)} (version.volume.winter) states neither. "
        words += "What does the schedule say? State it there. Nothing is claimed on it before that "
        words += "is answered."
        flags.append(Flag("winter-rule-unstated", words, {"invoices": names, "by": told}))
    return found, flags


def winter_open(case: Case, pricing: Pricing) -> list[Flag]:
    """What the schedule leaves open of its winter, where that decides what bills come to."""
    found = []
    for key, names in open_keys(pricing.schedule, pricing.series).items():
        words = f"{_rates_file(case)}, key version.volume.winter.{key}: not stated, and other "
        words += (
            f"usual rules give {', '.join(names)} another volume. State what the schedule says."
        )
        found.append(Flag("winter-rule-open", words, {"key": key, "invoices": names}))
    return found


def _rates_file(case: Case) -> str:
    return "the rates" if case.data.rates is None else case.data.rates.file


def _prints_its_water(each: Recomputed) -> bool:
    """Whether a bill prints the water its reads come to: unit and multiplier are its own then."""
    printed, metered = each.bill.printed.get("water_used"), each.bill.facts.volumes.get("intake")
    if printed is None or metered is None:
        return False
    return abs(printed - metered) <= each.bill.tolerance + Decimal(1).scaleb(
        printed.as_tuple().exponent
    )  # type: ignore[arg-type]


def _stopped(series: Sequence[Recomputed], daily: np.ndarray) -> list[int]:
    """Places of invoices that bill a usual volume though the register, read rightly, stands still.

    Units: daily [any].
    """
    found = []
    for row, each in enumerate(series):
        bill, usual = each.bill, float(np.median(daily))
        reads = bill.own_reads or (bill.previous_read, bill.current_read)
        moved = None in reads or reads[0] != reads[1] or bill.read_type != "actual"
        if moved or each.volume_agrees or bill.shares_with or usual <= 0:
            continue
        if usual / USUAL < daily[row] < usual * USUAL:
            found.append(row)
    return found if len(found) < len(series) / 2 else []


def _still(bills: Sequence[BilledInvoice]) -> Flag:
    names = [bill.invoice for bill in bills]
    return Flag(
        "billed-register-still",
        f"{', '.join(names)}: the register stands still at {bills[0].current_read}, and a volume "
        "of the size of the other bills is charged. If it had stopped, what the schedule says of a "
        "stopped meter decides, and the bill rests on an estimate that it does not name; if no "
        "water was drawn, nothing is due. Nothing is claimed on it before that is answered.",
        {"invoices": names, "read": str(bills[0].current_read)},
    )


def _as_billed(inputs: Inputs, each: Recomputed) -> Recomputed:
    """An invoice priced on the volume it states, until the case is answered for."""
    facts = each.bill.facts
    total = price(inputs.schedule, facts).total  # type: ignore[arg-type]
    return replace(each, priced_from=facts, by_rules=total, volume_agrees=True, stands=True)


def _far(one: float, other: float) -> bool:
    return not 1 / FAR < one / other < FAR


def _question(each: Recomputed, ratio: float) -> Flag:
    return Flag(
        "rules-volume-apart",
        f"{each.bill.invoice}: by the reads, the dial and the rules of the case {ratio:.3g} times "
        "the billed volume would be due, while the registered intake, the balance and the other "
        "bills bear the billed one out. Are unit, multiplier and registers of the case right? "
        "Nothing is claimed on it before that is answered.",
        {"invoice": each.bill.invoice, "due_over_billed": ratio},
    )


def _flags_of(bills: Sequence[BilledInvoice]) -> list[Flag]:
    """That the usage of some bills is not the charged volume, and whose reads of one day differ."""
    found, other = [], []
    for bill in bills:
        if bill.usage not in (None, bill.facts.billed_volume):
            other.append(bill.invoice)
    if other:
        words = (
            f"{', '.join(other)}: the lines follow from another volume than the printed usage, "
            "which may be rounded, or the water used; say so by usage_means and usage_printed_to "
            "under [invoices]."
        )
        found.append(Flag("usage-not-charged-volume", words, {"usage": other}))
    if any(bill.ahead for bill in bills):
        words = (
            f"The reads of the bills stand {bills[0].ahead.normalize():f} counts from those of the "
            "site throughout, as two dials of one meter or other hours of reading do. No volume "
            "depends on it: the site's reads are compared with that taken off."
        )
        found.append(Flag("dials-differ-throughout", words, {"counts": float(bills[0].ahead)}))
    doubted = {
        str(printed): (bill.invoice, str(own.normalize().quantize(printed)))
        for bill in bills
        for printed, own in zip((bill.previous_read, bill.current_read), bill.doubted, strict=True)
        if printed is not None and own is not None
    }
    if doubted:
        told = "; ".join(
            f"{one}: {read}, by the site {own}" for read, (one, own) in doubted.items()
        )
        words = (
            f"Reads of one day that differ, either of which may be wrong ({told}). The bill's is "
            "taken, and nothing is claimed on the difference: what one bill has too much the next "
            "has too little. A photograph of the register on a read day tells the next one."
        )
        both = [bill.invoice for bill in bills if any(own is not None for own in bill.doubted)]
        found.append(Flag("reads-of-a-day-differ", words, {"invoices": both}))
    return found


OF_NO_CHARGE = {"water", "deduct", "factor", "tax base", "subtotal", "due date"}
OF_NO_CHARGE |= {"previous balance", "amount due"}
"""Links no charge is made from in the recomputation."""


def _cut(schedule: Schedule, series: Sequence[Recomputed]) -> list[Flag]:
    """That bills follow only if reads are cut to whole units, which no schedule may have said."""
    names = [each.bill.invoice for each in series if of_cut_reads(schedule, each)]
    words = (
        f"{', '.join(names)}: the volume follows if each read is cut to whole units before the "
        "difference, as all bills do, and not by the reads as printed. What one bill has too much "
        "another has too little; nothing is claimed. Does the schedule say so (read_rounding)?"
    )
    return [Flag("reads-cut-to-units", words, {"invoices": names})] if names else []


def _apart(schedule: Schedule, series: Sequence[Recomputed]) -> list[Flag]:
    """Figures that do not follow from those before them, on bills whose charges or totals do."""
    found = []
    for chain, each in zip(chains_of(schedule, series), series, strict=True):
        off = [link for link in chain.links if link.agrees is False]
        priced = price(schedule, each.bill.facts)
        moved = each.bill.lines and compare(priced, each.bill.lines, each.bill.total).moved
        free = OF_NO_CHARGE | (set(priced.by_column) | set(each.bill.lines) if moved else set())
        if off and all(link.name in free for link in off):
            told = "; ".join(
                f"{link.name} {link.printed}, by the others {link.right}" for link in off
            )
            follows = "the total follows" if moved else "every charge follows"
            words = f"{chain.invoice}: {follows}, a printed figure does not ({told})."
            data = {"invoice": chain.invoice, "links": [link.name for link in off]}
            found.append(Flag("printed-figure-apart", words, data))
    return found


def with_charged(inputs: Inputs, pricing: Pricing | None) -> Inputs:
    """The inputs with the volume each invoice charged, where its printed usage states another, and
    which invoices go on from a read of the one before that may be wrong."""
    if pricing is None:
        return inputs
    unit, frame = inputs.invoices.volume_unit, inputs.invoices.frame
    billed = [
        stated if bill.usage is None else to_si(float(bill.facts.billed_volume), unit, "volume")
        for bill, stated in zip(pricing.bills, frame["billed_m3"], strict=True)
    ]
    linked = [False] + [
        after.bill.doubted[0] is not None or (bool(after.run) and one.run == after.run)
        for one, after in pairwise(pricing.series)
    ]
    invoices = replace(inputs.invoices, frame=frame.assign(billed_m3=billed, linked=linked))
    return replace(inputs, invoices=invoices)


def unpriced(schedule: Schedule, bills: Sequence[BilledInvoice]) -> list[Problem]:
    """Why invoices cannot be priced by the schedule, each of them; nothing where all can."""
    problems: list[Problem] = []
    for bill in bills:
        ways = (
            [bill.facts, bill.facts.but(billed_volume=None)] if bill.facts.volumes else [bill.facts]
        )
        for facts in ways:
            try:
                price(schedule, facts)
            except InputRefused as error:
                problems += error.problems
    return list(dict.fromkeys(problems))


def _by_rules(schedule: Schedule, again: Recomputed, stated: PricedInvoice) -> PricedInvoice | None:
    """Priced from the reads; the stated volume stands where the reads cannot tell it from theirs.

    Days that an earlier invoice holds are left out.

    Reads at other instants than the invoice's give its volume to a tolerance only, and a right
    invoice is not corrected by interpolation.
    """
    facts, bill = again.bill.facts, again.bill
    if bill.shares_with:
        return NOTHING_DUE if bill.own is None else price(schedule, bill.own)
    if again.due is None:
        return None
    return stated if again.stands else price(schedule, facts.but(billed_volume=None))


def _lines(
    inputs: Inputs,
    row: int,
    stated: PricedInvoice,
    by_rules: PricedInvoice | None,
    series: Recomputed,
) -> pd.DataFrame:
    invoice = inputs.invoices.frame.iloc[row]
    invoiced = dict(inputs.invoices.lines.iloc[row]) if invoice["lines_printed"] else {}
    amounts, ruled = stated.by_column, {} if by_rules is None else by_rules.by_column
    if by_rules is NOTHING_DUE:
        ruled = dict.fromkeys([*invoiced, *amounts], Decimal("0.00"))
    first = {line.column: line for line in reversed(stated.lines)}
    rows: list[dict[str, Any]] = []
    for name in dict.fromkeys([*invoiced, *amounts]):
        line, billed, again = first.get(name), invoiced.get(name), amounts.get(name)
        single = line is not None and sum(each.column == name for each in stated.lines) == 1
        known = billed is not None and again is not None
        rows.append(
            {
                "invoice": invoice["invoice"],
                "line": name,
                "quantity": line.quantity if single else None,
                "unit": "" if line is None else line.unit,
                "rate": line.rate if single else None,
                "invoiced": billed,
                "on_stated_volume": again,
                "difference": billed - again if known else None,
                "by_the_rules": ruled.get(name),
                "rounding": "" if line is None else line.rounding,
            }
        )
    rows.append(
        {
            "invoice": invoice["invoice"],
            "line": "total",
            "invoiced": invoice["total"],
            "on_stated_volume": stated.total,
            "difference": invoice["total"] - stated.total,
            "by_the_rules": None if by_rules is None else series.by_rules,
        }
    )
    return pd.DataFrame(rows)


def charged_by_rules(pricing: Pricing, unit: str) -> np.ndarray:
    """Volume each invoice should have charged by the rules.

    Units: returns [m3].
    """
    volumes = [np.nan if due is None else float(due) for due in pricing.due]
    return np.asarray(to_si(np.array(volumes), unit, "volume"))
