"""The error classes that the figures of a series of invoices fit, and what would tell them apart.

An invoice is accused only if it differs from the rules. For each that does, every error is worked
out forward: which volume, which lines would it have printed? The errors that reproduce the printed
figures are laid over the series, and the one that explains most invoices is named first. Whatever
reproduces the same invoices as well is a look-alike, and said to be one.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from itertools import chain, pairwise
from math import prod
from typing import TYPE_CHECKING, Any

from sewer_audit import spoken
from sewer_audit.charges.chain.billed import BilledInvoice, Exactness, RegisterFace, Signature
from sewer_audit.charges.chain.classes import CLASSES, PROOFS, rank_of
from sewer_audit.charges.chain.estimates import recompute_series
from sewer_audit.charges.chain.links import carried_over, owed_after
from sewer_audit.charges.chain.recomputed import Recomputed, signature_of
from sewer_audit.charges.chain.volume_guesses import VolumeGuess, slip_of, step_of, volume_guesses
from sewer_audit.charges.errors.chance import fit_by_chance
from sewer_audit.charges.errors.hidden_rates import HiddenRate, hidden_rates
from sewer_audit.charges.errors.line_guesses import LineGuess, line_guesses
from sewer_audit.charges.errors.series_signatures import series_signatures, with_neighbours
from sewer_audit.charges.pricing.comparing import Comparison, compare
from sewer_audit.charges.pricing.price import price
from sewer_audit.charges.schedule.figures import EXACT, Rounding, plain, to_the_cent

if TYPE_CHECKING:
    from sewer_audit.charges.schedule.versions import Schedule

__all__ = ["find_signatures"]

_SEPARATES = {
    frozenset(
        {"return-factor-missing", "unit-swap"}
    ): "the ratios lie close together (1.3333 for a "
    "share of 75 % left out, 1.3368 for CCF taken as kgal): the unit on the register's face and on "
    "the account decides, not the volumes",
    frozenset(
        {"exchange-multiplier", "register-multiplier"}
    ): "whether the factor was wrong before "
    "the exchange too: the multipliers of both meters in the account data",
    frozenset({"exchange-multiplier", "unit-swap"}): "the units on the faces of both meters",
    frozenset({"register-multiplier", "unit-swap"}): "both are the same factor: the meter exchange "
    "record and the unit on the register's face",
    frozenset({"return-factor-missing", "deduct-missing"}): "a month in which the deduct meter "
    "registered another share of the intake",
}

# above this probability a fit of ratios is said to be possible by chance
_BY_CHANCE = 0.05
# a volume of fewer steps of its rounding differs from too many others by one digit
_FEWEST_STEPS = 1000
# two digits swapped give few others
_FEWEST_SWAPPED = 100
_ONE_CENT = Decimal("0.01")
_WHOLE = Rounding(Decimal(1), "half up")

Match = tuple[str, str]  # class, error in words
Chances = dict[str, float]  # class to the share of wrong figures it fits; "" for any known error
Reads = tuple[Decimal | None, Decimal | None]


def find_signatures(
    schedule: Schedule,
    bills: Sequence[BilledInvoice | Recomputed],
    register: RegisterFace | None = None,
    other_accounts: Mapping[str, Sequence[Reads]] | None = None,
) -> tuple[Signature, ...]:
    """Name the errors that the invoices of one account show.

    Parameters
    ----------
    schedule : Schedule
        The rates [-].
    bills : sequence of BilledInvoice, or of Recomputed
        As printed, in order of their periods, or recomputed already [-].
    register : RegisterFace, optional
        Of the billed meter; without it no error of reads can be worked out [-].
    other_accounts : mapping, optional
        Account to the previous and current read of its meter for every invoice [counts].

    Returns
    -------
    tuple of Signature
        One for each error, with the invoices it explains; empty if all follow the rules [-].

    Raises
    ------
    InputRefused
        If the schedule needs a fact that an invoice does not state.

    Notes
    -----
    Exact where one class alone reproduces the printed figures to their rounding; within interval
    where the due volume is itself known only to a tolerance, or chance would often fit. An error in
    the volume and an error in the rates of the same invoice are two signatures. Of look-alikes the
    one that stands first in ``classes.csv`` is named.
    """
    series = [each for each in bills if isinstance(each, Recomputed)]
    if len(series) < len(bills):
        series = recompute_series(schedule, bills)  # type: ignore[arg-type]
    bills = [each.bill for each in series]
    found = series_signatures(schedule, series, register, other_accounts or {})
    found += _netted(schedule, series, {name for each in found for name in each.invoices})
    named = {name for signature in found for name in signature.invoices}
    hidden = hidden_rates(schedule, bills)
    volumes: dict[str, dict[Match, str]] = {}
    lines: dict[str, dict[Match, str]] = {}
    off: dict[str, Recomputed] = {}
    chances: dict[str, Chances] = {}
    of_lines: dict[str, Chances] = {}
    for place, each in enumerate(series):
        bill = replace(each.bill, before=bills[place - 1] if place else None)
        if not each.volume_agrees and bill.invoice not in named:
            read = replace(with_neighbours(bills, place), before=bill.before)
            guesses = volume_guesses(schedule, read, register)
            volumes[bill.invoice] = _volume_matches(schedule, each, guesses)
            chances[bill.invoice] = _chances(each.due, guesses, step_of(schedule, bill))
        comparison = _compared(schedule, bill)
        netted = (
            bool(bill.credit_note) and bill.invoice in named
        )  # its lines are a bill's and a credit's
        wrong = not comparison.agrees and not comparison.moved
        if wrong and bill.due_facts is not None and not netted:
            differences = {line.column: line.difference for line in comparison.differing}
            off[bill.invoice] = replace(each, lines_off=differences)
            tried = _line_matches(schedule, bill, comparison, hidden)
            lines[bill.invoice], of_lines[bill.invoice] = tried
    known = {each.bill.invoice: each for each in series} | off
    found += _covered(known, volumes, "unexplained-volume", chances)
    found += _covered(known, lines, "unexplained-line", of_lines)
    return (*found, *_carried_wrong(series))


def _netted(schedule: Schedule, series: Sequence[Recomputed], named: set[str]) -> list[Signature]:
    """Bills that with what was credited on them still do not come to what the rules give."""
    found = []
    for each in series:
        bill, off = each.bill, each.bill.total - each.by_rules
        if not bill.credit_note or bill.uncredited or bill.invoice in named or not off:
            continue
        if each.volume_agrees and _compared(schedule, bill).agrees:
            continue
        code = "credit-too-small" if off > 0 else "credit-too-large"
        words = f"{bill.invoice}, with what {bill.credit_note} credits on it, comes to {bill.total}"
        words += f", by the rules {each.by_rules}: the credit is {abs(off)} "
        words += "too small." if off > 0 else "more, given twice or granted for another reason."
        figures = {bill.invoice: {"credit note": bill.credit_note, "off": str(off)}}
        exactness = "one of several" if bill.exact else "within interval"
        told = (code, [each], words, figures)
        found.append(signature_of(*told, exactness=exactness, look_alikes=("unexplained-volume",)))
    return found


def _carried_wrong(series: Sequence[Recomputed]) -> Iterator[Signature]:
    """Slips in what a bill carries over that move no charge of it, and credits that fall short.

    They are for good where the balance before is that of the bill before, and the next bill goes
    on from what this one asks.
    """
    for place, each in enumerate(series):
        bill = each.bill
        if bill.uncredited:
            yield _short_credit(each)
        if bill.unposted:
            words = (
                f"{bill.invoice} does not credit {spoken.money(bill.unposted)} that were paid "
                "before it, by the payments the case states: the balance it prints is that "
                "much too high."
            )
            figures = {bill.invoice: {"paid and not credited": str(bill.unposted)}}
            told = ("payment-not-credited", [each], words, figures, bill.total)
            yield signature_of(*told, exactness="within interval")
        if bill.amount_due in (None, bill.total):  # what is due stands elsewhere
            continue
        off = bill.amount_due - bill.total - carried_over(bill.printed)
        before, paid, credit = (
            abs(bill.printed.get(name) or Decimal(0))
            for name in ("previous_balance", "payment", "credit")
        )
        slips = {
            "payment-not-credited": (paid, "a payment of {} and does not take it off"),
            "credit-not-applied": (credit, "a credit of {} and does not take it off"),
            "balance-twice": (before, "a balance before of {} and adds it twice to"),
        }
        fits = [code for code, (size, _) in slips.items() if off and size == off]
        if fits:
            size, slip = slips[fits[0]]
            words = f"{bill.invoice} prints {slip.format(spoken.money(size))} what is due, "
            words += f"which is {spoken.money(off)} too high."
            figures = {bill.invoice: {"amount due": str(bill.amount_due), "too high by": str(off)}}
            noted = (fits[0], [each], words, figures, bill.total)
            exactness = "one of several" if fits[1:] else "exact"
            told = signature_of(*noted, look_alikes=tuple(fits[1:]), exactness=exactness)
            pairs = pairwise(one.bill for one in series[place - 1 if place else 0 : place + 2])
            lasting = place > 0 and all(
                after.printed.get("previous_balance") == owed_after(one) for one, after in pairs
            )
            yield replace(told, invoiced_amount=bill.total + off) if lasting else told


def _short_credit(each: Recomputed) -> Signature:
    """A bill that was billed anew, of which a credit took back a part only."""
    bill, rest = each.bill, each.bill.uncredited
    more = (
        f"leaves {spoken.money(rest)} of it charged"
        if rest > 0
        else f"takes back {spoken.money(-rest)} more than it"
    )
    words = f"{bill.credit_note} credits the bill that {bill.invoice} replaces, but {more}."
    figures = {bill.invoice: {"credit note": bill.credit_note, "left": str(rest)}}
    found = signature_of("credit-too-small", [each], words, figures, exactness="within interval")
    invoiced = bill.total + rest
    names = (bill.invoice, bill.credit_note)
    return replace(found, invoices=names, invoiced_amount=invoiced, corrected_amount=bill.total)


def _chances(due: Decimal, guesses: Sequence[VolumeGuess], slack: Decimal) -> Chances:
    """How easily a wrong volume of any cause would fit each class, and any of them."""
    ratios = [guess for guess in guesses if CLASSES[guess.code].shown != "digits"]
    found = {"": fit_by_chance(due, ratios, slack)}
    for code in dict.fromkeys(guess.code for guess in guesses):
        found[code] = fit_by_chance(due, [g for g in guesses if g.code == code], slack)
    return found


def _compared(schedule: Schedule, bill: BilledInvoice) -> Comparison:
    priced = price(schedule, bill.facts)
    found = compare(priced, bill.lines or priced.by_column, bill.total)
    if bill.own is None or found.agrees:
        return found
    # only its dates may reach into another invoice, not what it charges
    own = price(schedule, bill.own.but(billed_volume=bill.facts.billed_volume))
    again = compare(own, bill.lines or own.by_column, bill.total)
    return again if again.agrees else found


def _volume_matches(
    schedule: Schedule, each: Recomputed, guesses: Sequence[VolumeGuess]
) -> dict[Match, str]:
    """Errors that reproduce the billed volume, with their exactness."""
    half = step_of(schedule, each.bill)
    found: dict[Match, str] = {}
    for guess in guesses:
        if abs(guess.volume - each.billed) <= half + guess.spread:
            exactness = "exact" if each.bill.tolerance == 0 else "within interval"
            found.setdefault((guess.code, guess.what), exactness)
    slip = _copied_wrong(each, half)
    if slip and not found:
        found[("transcription", slip)] = "exact"
    return _without_free(found)


def _without_free(found: dict[Match, str]) -> dict[Match, str]:
    """A figure worked out backwards is no rival of an error that has none to choose."""
    kept = {pair: told for pair, told in found.items() if CLASSES[pair[0]].shown != "backwards"}
    return kept or found


def _copied_wrong(each: Recomputed, half: Decimal) -> str:
    """The slip of digits that makes the billed volume of the due one, where it has many digits."""
    if each.bill.tolerance or each.due is None:
        return ""
    if abs(each.billed - each.due) <= 2 * half:
        return ""  # a step of the rounding is no slip of digits
    billed, due = (EXACT.rounded(v / (2 * half), _WHOLE) for v in (each.billed, each.due))
    slip = slip_of(billed, due)
    fewest = _FEWEST_SWAPPED if sorted(str(billed)) == sorted(str(due)) else _FEWEST_STEPS
    if due < fewest:
        return ""
    return slip and f"{slip} in the billed volume: {plain(each.due)} was copied as {each.billed}"


def _line_matches(
    schedule: Schedule,
    bill: BilledInvoice,
    comparison: Comparison,
    hidden: Sequence[HiddenRate],
) -> tuple[dict[Match, str], Chances]:
    """Errors that reproduce every printed line and the total, and how easily each class would."""
    tried = Counter[str]()
    if not comparison.differing:
        words = "the lines follow the schedule, their sum does not"
        told = _told(comparison.total_difference)
        before = bill.printed.get("previous_balance")
        if before and comparison.total_difference == before:
            return {("balance-twice", "the balance before was added a second time"): told}, {}
        return {("invoice-arithmetic", words): told}, {}
    found: dict[Match, str] = {}
    guesses = [LineGuess("rounding", h.what, price(h.schedule, bill.facts)) for h in hidden]
    for guess in chain(line_guesses(schedule, bill), guesses):
        tried[guess.code] += 1
        again = compare(guess.priced, bill.lines or guess.priced.by_column, bill.total)
        if again.agrees:
            found.setdefault((guess.code, guess.what), _told(*_differences(comparison)))
    slip = _slip(comparison)
    if not found and slip:
        found[("invoice-arithmetic", slip)] = _told(*_differences(comparison))
    # of all totals up to twice the right one, in cents
    cents = max(200 * abs(comparison.recomputed_total), Decimal(1))
    return _without_free(found), {
        code: min(1.0, float(count / cents)) for code, count in tried.items()
    }


def _differences(comparison: Comparison) -> list[Decimal]:
    """Differences of the lines; a sign turned round counts as none, for it shows no figure."""
    found = [(line.invoiced, line.recomputed, line.difference) for line in comparison.differing]
    return [Decimal(0) if one and one == -(other or 0) else off for one, other, off in found]


def _told(*differences: Decimal | None) -> str:
    """How closely figures fit that differ so: nothing is exact in a cent or in a sign."""
    largest = max((abs(each) for each in differences if each is not None), default=Decimal(0))
    return "exact" if largest > _ONE_CENT else "within interval"


def _slip(comparison: Comparison) -> str:
    """The slip of digits in the one line that differs, if it is one; else nothing."""
    if len(comparison.differing) != 1 or comparison.arithmetic_difference != 0:
        return ""
    line = comparison.differing[0]
    if abs(line.difference) <= _ONE_CENT:
        return ""
    if line.invoiced is None or line.recomputed is None:
        return ""
    slip = slip_of(line.invoiced * 100, line.recomputed * 100)
    return slip and f"{slip} in {line.column}: {line.recomputed} was printed as {line.invoiced}"


def _covered(
    known: dict[str, Recomputed],
    matches: dict[str, dict[Match, str]],
    fallback: str,
    chances: Mapping[str, Chances],
) -> list[Signature]:
    """Fewest errors that explain all these invoices, the ones that explain most first."""
    found: list[Signature] = []
    left = dict(matches)
    while left:
        cover: dict[Match, list[str]] = {}
        for invoice, each in left.items():
            for match in each:
                cover.setdefault(match, []).append(invoice)
        if not cover:
            members = list(left)
            found.append(_built(known, (fallback, ""), members, "not explained", {}, {}))
            break
        best = min(cover, key=lambda match: (-len(cover[match]), rank_of(match[0])))
        members = cover[best]
        alike = {
            match: invoices
            for match, invoices in cover.items()
            if match[0] != best[0] and set(invoices) >= set(members)
        }
        loose = any(left[invoice][best] != "exact" for invoice in members)
        worked_out = CLASSES[best[0]].shown == "backwards" and len(members) == 1
        exactness: Exactness = "one of several" if alike or worked_out else "exact"
        if loose:
            exactness = "within interval"
        told = {
            code: prod(chances.get(name, {}).get(code, 0.0) for name in members)
            for code in ("", best[0], *(other for other, _ in alike))
            if any(code in chances.get(name, {}) for name in members)
        }
        if CLASSES[best[0]].shown == "digits":
            told[""] = 0.0
        if told.get("", 0.0) > _BY_CHANCE:
            exactness = "within interval"  # nothing is exact that chance would often fit
        found.append(_built(known, best, members, exactness, alike, told))
        for invoice in members:
            del left[invoice]
    return found


def _built(
    known: dict[str, Recomputed],
    match: Match,
    members: list[str],
    exactness: Exactness,
    alike: dict[Match, list[str]],
    chances: Chances,
) -> Signature:
    code, what = match
    chance = chances.get("", 0.0)
    rows = [known[name] for name in members]
    invoiced = sum((row.bill.total for row in rows), Decimal(0))
    corrected = sum((row.by_rules for row in rows), Decimal(0))
    others = tuple(sorted({other for other, _ in alike}, key=rank_of))
    others += ("unexplained-volume",) if chance > _BY_CHANCE else ()
    return Signature(
        code=code,
        invoices=tuple(members),
        sentence=_sentence(code, what, rows, exactness, alike, chance),
        evidence={row.bill.invoice: _figures(row) for row in rows},
        invoiced_amount=invoiced,
        corrected_amount=corrected,
        exactness=exactness,
        look_alikes=others,
        evidence_that_separates=_separates(code, others),
        chances={name: each for name, each in chances.items() if name},
    )


def _separates(code: str, others: tuple[str, ...]) -> str:
    if not others:
        return PROOFS[code]
    told = [_SEPARATES.get(frozenset({code, other})) for other in others]
    known = [each for each in told if each]
    return "; ".join(known or [PROOFS[code], *(PROOFS[other] for other in others)])


def _sentence(
    code: str,
    what: str,
    rows: list[Recomputed],
    exactness: str,
    alike: dict[Match, list[str]],
    chance: float,
) -> str:
    names = ", ".join(row.bill.invoice for row in rows)
    if code == "unexplained-volume":
        return f"{names}: the billed volume does not follow from the reads, by no error known here."
    if code == "unexplained-line":
        columns = dict.fromkeys(column for row in rows for column in row.lines_off or {})
        told = ", ".join(columns) or "the total"
        follow = "do not follow" if len(columns) > 1 else "does not follow"
        return f"{names}: {told} {follow} from the schedule, by no error known here."
    if code in ("invoice-arithmetic", "rounding") and not alike:
        return f"{names}: {what}."
    loose = exactness == "within interval"
    fit = "within the interval of the due volume" if loose else "to the rounding"
    text = f"{names}: the figures are reproduced {fit} if {what}"
    if alike:
        text += "; equally if " + " or if ".join(dict.fromkeys(w for _, w in alike))
        text += ", which the figures cannot tell apart"
    if chance > _BY_CHANCE:
        text += "; known this coarsely it may fit by chance: some known error would fit an "
        text += f"arbitrary wrong volume with a probability of {100 * chance:.0f} %"
    return text + "."


def _figures(row: Recomputed) -> dict[str, Any]:
    found: dict[str, Any] = {
        "invoiced": to_the_cent(row.bill.total),
        "by the rules": str(row.by_rules),
    }
    changes = [("", row.bill.exchange)] if not row.bill.meters else []
    changes += [(f" ({meter.name})", meter.exchange) for meter in row.bill.meters]
    for which, exchange in changes:
        if exchange is not None and exchange.inside:
            found[f"final read of the old meter{which}"] = str(exchange.final_read)
            found[f"first read of the new meter{which}"] = str(exchange.first_read)
    if row.lines_off:
        found["lines invoiced less recomputed"] = {c: str(d) for c, d in row.lines_off.items()}
    if row.billed is not None and row.due is not None:
        found |= {"billed volume": str(plain(row.billed)), "due volume": str(plain(row.due))}
        if row.due:
            ratio = (row.billed / row.due).quantize(Decimal("0.00001"))
            found["billed over due"] = str(ratio)
    return found
