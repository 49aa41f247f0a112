"""What each invoice is priced from: dates, reads, registered volumes, the account."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from decimal import Decimal
from statistics import median_low
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.invoices.looks import Look, Looks, Metered
from sewer_audit.auditing.invoices.own_days import of_own_days, usual_volume, with_own
from sewer_audit.auditing.reading.exchanges import (
    changes_of,
    counts_of,
    exchange_of,
    is_one_meter,
    read_meter,
    segments_of,
    unread,
    volume_across,
)
from sewer_audit.auditing.reading.inputs import Inputs, local_dates
from sewer_audit.auditing.reading.supplies import per_count, supply_meters
from sewer_audit.auditing.volumes.evidence import Evidence, credited
from sewer_audit.case import Case
from sewer_audit.charges import (
    BilledInvoice,
    InvoiceFacts,
    RegisterFace,
    Schedule,
    Usage,
    UsePeriod,
    as_charged,
    nothing_overdue,
)
from sewer_audit.charges.chain.exchange_guesses import counted
from sewer_audit.charges.chain.links import carried_over
from sewer_audit.records.bills.invoices import DATES, PRINTED
from sewer_audit.units import from_si

ZERO = Decimal(0)
POSTED = (0, 3, 10)
"""Days from a payment to a bill that shows it, one of which an account may have (judgement)."""
PLAUSIBLE = 3.0
"""How many times its usual use a day a period may have before its reads are doubted (judgement)."""
CLEARLY = 4.0
"""So many times likelier the site's read must make the uses before the bill's is called wrong
(judgement) [-]."""
SPREAD_OF_USE = (0.1, 0.5)
"""Least spread of the logarithm of use a day, and where few bills tell it (judgement) [-]."""
FEWEST = 4
MOST = 0.8
"""Share of the reads that must fit before two dials are taken to differ throughout (judgement)."""
ENDS = ("start", "end")


@dataclass(frozen=True)
class Ends:
    """The two reads of a bill, those that are right, and how closely these are known [counts].

    `estimated` says of either end that it was never read, `doubted` what the site's own read says
    there where the read that is printed is as likely.
    """

    printed: tuple[Decimal | None, Decimal | None]
    right: tuple[Decimal | None, Decimal | None]
    spread: Decimal = ZERO
    estimated: tuple[bool, bool] = (False, False)
    doubted: tuple[Decimal | None, Decimal | None] = (None, None)

    @property
    def known(self) -> bool:
        """Whether both are known [-]."""
        return None not in self.right


def printed_face(case: Case, inputs: Inputs) -> RegisterFace | None:
    """The dial of the reads that the invoices print.

    Units: returns [billing unit].
    """
    dial = case.data.account.reads or read_meter(case)
    frame, unit = inputs.invoices.frame, case.data.invoices.volume_unit
    reads = frame[["previous_read", "current_read"]].to_numpy(dtype=float)
    if dial is None or dial.unit is None or inputs.schedule is None:  # interval data have no dial
        return None
    if not np.isfinite(reads).any():
        return None
    # without stated digits: as many as the longest printed read shows
    digits = dial.digits or len(str(int(np.nanmax(reads))))
    return RegisterFace(per_count(inputs.schedule, dial.unit, dial.multiplier, unit), digits)


def printed_bills(case: Case, inputs: Inputs, evidence: Evidence) -> list[BilledInvoice]:
    """Every invoice as printed, beside what it should have been priced from.

    Units: evidence [m3]; returns [billing unit].
    """
    frame, face = inputs.invoices.frame, printed_face(case, inputs)
    bills = _bills(case, inputs, evidence.as_printed, face, range(len(frame)))
    bills = _unposted(inputs, nothing_overdue(inputs.schedule, bills))
    history = _history(case, bills)
    usage = _usage(case, inputs)
    bills = [
        as_charged(inputs.schedule, replace(bill, facts=bill.facts.but(history=history)), usage)
        for bill in bills
    ]
    sharing = [row for row, other in enumerate(frame["shares_with"]) if other]
    if not sharing:
        return bills
    own = _bills(case, of_own_days(inputs), evidence, face, sharing)
    usual = usual_volume([bill for row, bill in enumerate(bills) if row not in sharing])
    for row, part in zip(sharing, own, strict=True):
        holder = str(frame["shares_with"][row])
        bills[row] = with_own(inputs.schedule, bills[row], part, holder, usual)
    return bills


def _unposted(inputs: Inputs, bills: Sequence[BilledInvoice]) -> list[BilledInvoice]:
    """The bills, with what the amount due of one in a series of right ones has too much.

    Right is what was billed up to it less what was paid, by the payments the case states. How long
    a payment takes to be posted the series tells: a lag at which nearly all bills are right.
    """
    payments, found = inputs.account.payments, list(bills)
    printed = [bill.printed.get("previous_balance") for bill in bills]
    if payments is None or None in printed or any(bill.amount_due is None for bill in bills):
        return found
    dated = [each for bill in bills for each in payments.get(bill.invoice, ())]
    for lag in POSTED:
        owed, off = carried_over(bills[0].printed), []
        for place, bill in enumerate(bills):
            credit = abs(bill.printed.get("credit") or ZERO) if place else ZERO
            owed += bill.total - credit
            by = bill.facts.bill_date - timedelta(days=lag)  # type: ignore[operator]
            paid = sum((each.amount for each in dated if each.paid_on <= by), ZERO)
            off.append(bill.amount_due - owed + paid)  # type: ignore[operator]
        wrong = [place for place, each in enumerate(off) if each]
        if len(wrong) <= max(1, len(bills) // 5):
            for place in wrong:
                found[place] = replace(bills[place], unposted=max(off[place], ZERO))
            return found
    return found


def _history(case: Case, bills: Sequence[BilledInvoice]) -> tuple[UsePeriod, ...]:
    """What the invoices of the series registered, for the average of a later winter."""
    uses = [(bill.facts, bill.facts.volumes.get(case.data.case.basis)) for bill in bills]
    return tuple(UsePeriod(use, f.start, f.end) for f, use in uses if use is not None)


def _bills(
    case: Case, inputs: Inputs, evidence: Evidence, face: RegisterFace | None, rows: Iterable[int]
) -> list[BilledInvoice]:
    dates, looks = local_dates(case, inputs.invoices.frame, inputs.schedule), Looks(case, inputs)
    if face is not None:
        looks.ahead = _ahead(case, inputs, looks, face)
    return [_bill(case, inputs, evidence, looks, row, dates.iloc[row], face) for row in rows]


def _ahead(case: Case, inputs: Inputs, looks: Looks, face: RegisterFace) -> Decimal:
    """By how many counts the dial of the bills stands before the site's throughout: no volume."""
    pairs = [
        (printed, look)
        for row in range(len(looks.frame))
        for place, printed in enumerate(_printed(looks.frame.iloc[row]))
        if printed is not None and not _is_estimate(looks.frame, row, place)
        if (look := looks.look(row, ENDS[place])) and look.per_count == face.per_count
    ]
    if len(pairs) < FEWEST or changes_of(case, inputs):
        return ZERO
    off = median_low(printed - look.count for printed, look in pairs)
    now, then = (sum(_fits(p - each, look, face) for p, look in pairs) for each in (ZERO, off))
    return off if then > now and then >= MOST * len(pairs) else ZERO


def _bill(
    case: Case,
    inputs: Inputs,
    evidence: Evidence,
    looks: Looks,
    row: int,
    dates: pd.Series,
    face: RegisterFace | None,
) -> BilledInvoice:
    invoice, lines = inputs.invoices.frame.iloc[row], inputs.invoices.lines.iloc[row]
    change = exchange_of(case, inputs, row, face)
    if face is not None and change is not None and not change.inside:
        face = replace(face, per_count=change.new_per_count)
    ends = _ends(case, inputs, looks, row, face)
    volumes, spread, estimated = _volumes(case, inputs, evidence, looks, row, face, ends)
    meters, read = supply_meters(case, inputs, row), read_meter(case)
    many = read is not None and read.further_register
    further = looks.further(read.meter, row) if many else {}
    facts = _facts(case, inputs, row, dates, {**volumes, **further} if volumes else {})
    segments: tuple[Decimal, ...] = ()
    if face is not None and ends.known:
        segments = segments_of(case, inputs, row, face, ends.right)  # type: ignore[arg-type]
    one = face is not None and not meters and not any(ends.estimated)
    if one and ends.known and is_one_meter(case, inputs, row, face, ends.right):
        facts = facts.but(reads=_as_volumes(case, ends.right, face))
    share = _largest_share(inputs.schedule)
    return BilledInvoice(
        facts,
        dict(lines) if invoice["lines_printed"] else {},
        invoice["total"],
        str(invoice["read_type"]),
        *ends.printed,
        ends.right if ends.known and ends.right != ends.printed else None,
        tolerance=spread * share,
        uses=tuple(u.name for u in case.data.use if not credited(u) and u.name in volumes),
        exchange=change,
        meters=meters,
        read_of=read.meter if meters and read is not None else "",
        printed={name: invoice[name] for name in PRINTED if invoice[name] is not None},
        amount_due=invoice["amount_due"],
        uncredited=invoice["uncredited"] or ZERO,
        credit_note=invoice["credit_note"] or "",
        dates={name: invoice[name] for name in DATES if invoice[name] is not None},
        own_spread=ends.spread,
        doubted=ends.doubted,
        ahead=looks.ahead,
        starts_estimated=ends.estimated[0],
        registers=tuple(further),
        segments=segments if len(segments) > 2 else (),
        second=None if estimated is None else facts.but(volumes=estimated.volumes),
        second_by=str(invoice["second_by"]),
        second_tolerance=ZERO if estimated is None else estimated.spread * share,
    )


def _usage(case: Case, inputs: Inputs) -> Usage:
    """What the printed usage means and to which step it is printed."""
    table = case.data.invoices
    step = ZERO
    if table.usage_printed_to is not None:
        unit = table.volume_unit
        step = Decimal(repr(round(float(from_si(table.usage_printed_to, unit, "volume")), 9)))
    return Usage(table.usage_means, step)


def _largest_share(schedule: Schedule) -> Decimal:
    """Largest share of a metered volume that any version of the schedule charges."""
    rules = [version.invoiced_volume for version in schedule.version]
    shares = [
        share
        for rule in rules
        if rule is not None
        for share in (rule.return_factor, *rule.return_factor_by_month.values())
    ]
    return max(shares, default=Decimal(1))


def _as_volumes(case: Case, reads: tuple, face: RegisterFace) -> dict[str, tuple]:
    """Both reads as volumes, over a rollover if the later one is lower."""
    before, after = reads
    after += Decimal(10) ** face.digits if after < before else 0
    return {case.data.case.basis: (before * face.per_count, after * face.per_count)}


def _facts(
    case: Case, inputs: Inputs, row: int, dates: pd.Series, volumes: Mapping[str, Decimal]
) -> InvoiceFacts:
    invoice, account = inputs.invoices.frame.iloc[row], case.data.account
    own = dict(inputs.account.by_invoice.get(str(invoice["invoice"]), {}))
    counts = {**account.counts, **own.pop("counts", {})}
    facts = InvoiceFacts(
        invoice=str(invoice["invoice"]),
        start=dates["start"],
        end=dates["end"],
        volume_unit=case.data.invoices.volume_unit,
        volumes=dict(volumes),
        billed_volume=invoice["billed_volume"],
        bill_date=invoice["bill_date"] or dates["end"],
        months=account.months,
        meter_size=account.meter_size,
        customer_class=account.customer_class,
        counts=counts,
        strengths=account.strengths,
        samples=inputs.account.samples,
        winter=inputs.account.earlier_use,
        file=", ".join(case.data.invoices.files),
        line=int(invoice["line"]),
    )
    return facts.but(**own)


@dataclass(frozen=True)
class _Second:
    """What the site's own reads give for a bill that rests on an estimate."""

    volumes: dict[str, Decimal]
    spread: Decimal


def _volumes(
    case: Case,
    inputs: Inputs,
    evidence: Evidence,
    looks: Looks,
    row: int,
    face: RegisterFace | None,
    ends: Ends,
) -> tuple[dict[str, Decimal], Decimal, _Second | None]:
    """Metered volumes by their names in the schedule, and the half width of their sum.

    "intake" is the sum of the supply meters, "deduct" that of the credited registers, "discharge"
    what an outlet meter's printed reads give; every meter and use stands under its own name too.
    A bill between estimates follows from its printed reads; what the site's own give stands beside.
    """
    known: dict[str, Metered | None] = {name: looks.volume(name, row) for name in looks.tables}
    meter = read_meter(case)
    name = "printed" if meter is None else meter.meter
    own = known.get(name)
    if face is not None:
        known[name] = _by_reads(case, inputs, looks, row, face, ends, own)
    volumes, spread = _by_name(case, inputs, evidence, row, known)
    if own is None or not any(ends.estimated) or known[name] is own:
        return volumes, spread, None
    second, wide = _by_name(case, inputs, evidence, row, {**known, name: own})
    return volumes, spread, _Second(second, wide)


def _by_name(
    case: Case,
    inputs: Inputs,
    evidence: Evidence,
    row: int,
    known: Mapping[str, Metered | None],
) -> tuple[dict[str, Decimal], Decimal]:
    data, unit = case.data, case.data.invoices.volume_unit
    found = {name: each.volume for name, each in known.items() if each and name != "printed"}
    if data.case.basis == "discharge":
        outlet = known.get("printed")
        return (found | {"discharge": outlet.volume}, outlet.spread) if outlet else ({}, ZERO)
    supplies = [i.meter for i in data.intake if i.role == "supply"] or ["printed"]
    supplied = [known.get(name) for name in supplies]
    deducts = [_credit(u, known, evidence, row, unit) for u in data.use if credited(u)]
    deducted = _deducted(inputs.invoices.frame.iloc[row], deducts)
    if any(each is None for each in (*supplied, deducted)):
        return {}, ZERO
    found["intake"] = sum((each.volume for each in supplied), ZERO)  # type: ignore[union-attr]
    found["deduct"] = deducted.volume  # type: ignore[union-attr]
    return found, sum((each.spread for each in (*supplied, deducted)), ZERO)  # type: ignore


def _deducted(invoice: pd.Series, deducts: Sequence[Metered | None]) -> Metered | None:
    """What is taken off: as printed, where the site's meters do not object; else what they say."""
    own = None
    if None not in deducts:
        own = Metered(
            sum((each.volume for each in deducts), ZERO),  # type: ignore[union-attr]
            sum((each.spread for each in deducts), ZERO),  # type: ignore[union-attr]
        )
    printed = invoice["deduct"]
    if printed is None:
        return own
    if own is None or not deducts or abs(printed - own.volume) <= own.spread:
        return Metered(printed, ZERO)
    return own


def _credit(
    use: Any, known: Mapping[str, Metered | None], evidence: Evidence, row: int, unit: str
) -> Metered | None:
    """What the schedule takes off for one use: by its meters, else as its stated inputs give it."""
    if use.kind == "deduct meter":
        into, drain = known[use.name], known.get(f"{use.name}: drain")
        if into is None or use.drain is None:
            return into
        if drain is None:
            return None
        return Metered(into.volume - drain.volume, into.spread + drain.spread)
    if use.name not in evidence.credits:
        return None
    volume = float(from_si(evidence.credits[use.name][row], unit, "volume"))
    return Metered(Decimal(repr(round(volume, 4))), ZERO) if math.isfinite(volume) else None


def _by_reads(
    case: Case,
    inputs: Inputs,
    looks: Looks,
    row: int,
    face: RegisterFace,
    ends: Ends,
    own: Metered | None,
) -> Metered | None:
    """The volume of a period by the reads that are right: as printed, where nothing objects.

    A fall of the reads is a rollover where it comes to a volume of the size of the others; else it
    may be a change of meter nobody stated, and tells no volume; after an estimate that was too
    high it is the negative month that sets it right.
    """
    if unread(case, inputs, row) or not ends.known:
        return own
    first, last = ends.right
    volume = volume_across(case, inputs, row, face, (first, last))  # type: ignore[arg-type]
    if volume is None:
        if _set_right(inputs.invoices.frame, row, ends):
            volume = (last - first) * face.per_count  # type: ignore[operator]
        elif is_one_meter(case, inputs, row, face, ends.right):
            volume = counted(first, last, face) * face.per_count  # type: ignore[arg-type]
        elif any(ends.estimated):
            volume = (last - first) * face.per_count  # type: ignore[operator]
        else:
            return own
    meter = read_meter(case)
    further = Metered(ZERO, ZERO)
    if meter is not None and meter.further_register:
        rest = looks.volume(meter.meter, row, further_only=True)
        if rest is None:
            return own
        further = rest
    found = Metered(volume + further.volume, ends.spread * face.per_count + further.spread)
    if own is not None and meter.form == "green button" and _apart(found, own):  # type: ignore
        return own
    return found


def _set_right(frame: pd.DataFrame, row: int, ends: Ends) -> bool:
    """Whether an actual read lies below the estimate before it, yet not below the run's first."""
    first, last = ends.right
    if not ends.estimated[0] or last >= first:  # type: ignore[operator]
        return False
    while row and frame["read_type"].iloc[row - 1] == "estimated":
        row -= 1
    opened = _printed(frame.iloc[row])[0]
    return opened is not None and opened <= last  # type: ignore[operator]


def _apart(one: Metered, other: Metered) -> bool:
    return abs(one.volume - other.volume) > one.spread + other.spread


def _ends(case: Case, inputs: Inputs, looks: Looks, row: int, face: RegisterFace | None) -> Ends:
    """The reads of a bill, each held against the site's own look and the bill beside it."""
    frame = inputs.invoices.frame
    printed = _printed(frame.iloc[row])
    if face is None:
        return Ends(printed, (None, None))
    found = [_end(case, inputs, looks, row, place, face) for place in (0, 1)]
    right, spread, estimated, doubted = zip(*found, strict=True)
    return Ends(printed, right, sum(spread, ZERO), estimated, doubted)


def _end(
    case: Case, inputs: Inputs, looks: Looks, row: int, place: int, face: RegisterFace
) -> tuple[Decimal | None, Decimal, bool, Decimal | None]:
    """The right read at one end, its half width [counts], whether it was estimated, and what the
    site's own read says where it is doubted."""
    frame = inputs.invoices.frame
    printed, other = _printed(frame.iloc[row])[place], _beside(case, inputs, row, place)
    guessed = _is_estimate(frame, row, place)
    if guessed:
        # an estimate that the next bill does not go on from is settled by that bill's own read
        settled = place == 1 and other is not None and other != printed
        return (other, ZERO, True, None) if settled else (printed, ZERO, True, None)
    look = looks.look(row, ENDS[place])
    if look is None:
        right = printed if other in (None, printed) else _plausible(looks, row, place, face, other)
        return right, ZERO, False, None
    views = _views(look, face)
    for view in views:
        for each in (printed, other):
            if each is not None and _fits(each, view, face):
                return each, ZERO, False, None
    if printed is not None:
        look = min(views, key=lambda view: abs(view.count - printed))
    if other in (None, printed) and _own_slip(inputs, looks, row, place, face, look):
        return printed, ZERO, False, look.count
    return look.count, look.spread, False, None


def _views(look: Look, face: RegisterFace) -> list[Look]:
    """A look of the site, on the dial of the bills too where that has larger counts."""
    return [look] if look.per_count >= face.per_count else [look, look.on(face.per_count)]


def _own_slip(
    inputs: Inputs, looks: Looks, row: int, place: int, face: RegisterFace, look: Look
) -> bool:
    """Whether the one read of the site that contradicts a bill may itself be wrong.

    The reads of the site beside it decide; where they bear out both, or neither is told by them,
    the bill's read stands unless the uses of the periods it ends speak clearly against it.
    """
    printed = _printed(inputs.invoices.frame.iloc[row])[place]
    if printed is None:
        return False
    others = looks.without_one(row, ENDS[place])
    near = [v for other in others for v in _views(other, face) if _fits(printed, v, face)]
    if others and not near:
        return False
    if near and not any(_fits(look.count, view, face) for view in near):
        return True
    one, usual = row - 1 + place, _usual_a_day(inputs.invoices.frame, row - 1 + place)
    away = [
        sum(each**2 for each in _logs_of_use(looks, one, face, read, usual))
        for read in (printed, look.count)
    ]
    return (away[0] - away[1]) / 2 < math.log(CLEARLY)


def _logs_of_use(
    looks: Looks, one: int, face: RegisterFace, read: Decimal, usual: tuple[float, float]
) -> list[float]:
    """Of the period a read ends and the next, how many spreads the use a day lies off the usual."""
    found = []
    for k, end in ((one, 1), (one + 1, 0)):
        if 0 <= k < len(looks.frame):
            row, look = looks.frame.iloc[k], looks.look(k, ENDS[1 - end])
            far = _printed(row)[1 - end] if look is None else look.count
            if far is not None:
                used = counted(*((far, read) if end else (read, far)), face)
                daily = float(used) / ((row["end"] - row["start"]).days or 1)
                found.append(abs(math.log(max(daily, 1e-9) / usual[0])) / usual[1])
    return found


def _fits(read: Decimal, look: Look, face: RegisterFace) -> bool:
    """Whether a read lies within the tolerance of the site's look, over a roll-over too."""
    whole = Decimal(10) ** face.digits
    away = abs(read - look.count) % whole
    return min(away, whole - away) <= look.spread


def _is_estimate(frame: pd.DataFrame, row: int, place: int) -> bool:
    """Whether a read of a bill was estimated: its own, or the one of the bill it goes on from."""
    if place == 1:
        return frame["read_type"].iloc[row] == "estimated"
    if row == 0:  # what a run of estimates begins with may be an estimate of a bill before
        return frame["read_type"].iloc[row] == "estimated"
    if frame["read_type"].iloc[row - 1] != "estimated":
        return False
    return _printed(frame.iloc[row])[0] == _printed(frame.iloc[row - 1])[1]


def _beside(case: Case, inputs: Inputs, row: int, place: int) -> Decimal | None:
    """The read that the bill beside prints for the same instant, of the same meter.

    An estimate is none, and neither is one across a change of meter at that instant.
    """
    frame = inputs.invoices.frame
    other = row - 1 if place == 0 else row + 1
    if not 0 <= other < len(frame):
        return None
    one, after = min(row, other), max(row, other)
    if frame["end"].iloc[one] != frame["start"].iloc[after] or frame["shares_with"].iloc[after]:
        return None
    if place == 0 and frame["read_type"].iloc[other] == "estimated":
        return None
    before, later = _printed(frame.iloc[one])[1], _printed(frame.iloc[after])[0]
    moment = frame["end"].iloc[one]
    if any(abs((each.time - moment).total_seconds()) <= 3600 for each in changes_of(case, inputs)):
        return None
    return before if place == 0 else later


def _plausible(
    looks: Looks, row: int, place: int, face: RegisterFace, other: Decimal
) -> Decimal | None:
    """Which of two printed reads of one instant makes the use of both periods the more usual."""
    printed, one = _printed(looks.frame.iloc[row])[place], row - 1 + place
    if printed is None:
        return other
    usual, _ = _usual_a_day(looks.frame, one)

    def unusual(read: Decimal) -> float:
        return max(_logs_of_use(looks, one, face, read, (usual, 1.0)), default=0.0)

    right = min((printed, other), key=unusual)
    return right if unusual(right) <= math.log(PLAUSIBLE) else None


def _usual_a_day(frame: pd.DataFrame, one: int) -> tuple[float, float]:
    """Median use a day of the bills but two [counts/d], and the spread of its logarithm [-]."""
    days = (frame["end"] - frame["start"]).dt.total_seconds() / 86400.0
    used = ((frame["current_read"] - frame["previous_read"]) / days).to_numpy(dtype=float)
    kept = np.delete(used, [k for k in (one, one + 1) if 0 <= k < len(used)])
    kept = kept[np.isfinite(kept) & (kept > 0)]
    if not len(kept):
        return 1.0, SPREAD_OF_USE[1]
    usual = float(np.median(kept))
    spread = 1.4826 * float(np.median(np.abs(np.log(kept / usual))))
    return usual, max(spread, SPREAD_OF_USE[len(kept) < FEWEST])


def _printed(invoice: pd.Series) -> tuple[Decimal | None, Decimal | None]:
    return counts_of(invoice["previous_read"]), counts_of(invoice["current_read"])
