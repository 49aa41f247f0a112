"""What the billed volume would be under each error of volume."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from sewer_audit.charges.chain.billed import BilledInvoice, RegisterFace
from sewer_audit.charges.chain.exchange_guesses import counted, exchange_guesses
from sewer_audit.charges.chain.rule_guesses import rule_guesses
from sewer_audit.charges.pricing.basis import charged_volume, return_factor_of
from sewer_audit.charges.schedule.figures import CONTEXT, EXACT, LITRES, Rounding, plain
from sewer_audit.charges.schedule.periods import days_between, parts_of
from sewer_audit.charges.schedule.values import RoundingTable
from sewer_audit.errors import InputRefused

if TYPE_CHECKING:
    from sewer_audit.charges.schedule.facts import InvoiceFacts
    from sewer_audit.charges.schedule.versions import Schedule, VolumeRule

__all__ = ["UNIT_RATIOS", "VolumeGuess", "charged_from", "due_volume", "volume_guesses"]


def _unit_ratios() -> dict[str, Decimal]:
    """Factors by which a figure goes wrong when one unit is taken for another.

    Thousands between gallons and kgal, or hundreds between cf and CCF, are powers of ten.
    """
    found = {}
    pairs = [("cf", "gal"), ("CCF", "kgal"), ("impgal", "gal"), ("m3", "CCF"), ("m3", "kgal")]
    for one, other in [*pairs, ("m3", "cf")]:
        ratio = CONTEXT.divide(LITRES[one], LITRES[other])
        found[f"{one} was taken as {other}"] = CONTEXT.divide(Decimal(1), ratio)
        found[f"{other} was taken as {one}"] = ratio
    return found


UNIT_RATIOS = _unit_ratios()
"""Billed over due for each confusion of units, exact by definition [-]."""

_ROUNDED = {
    "CCF was taken as kgal, at 748 gal to the CCF": CONTEXT.divide(Decimal(1), Decimal("0.748")),
    "kgal was taken as CCF, at 748 gal to the CCF": Decimal("0.748"),
    "gal was taken as cf, at 7.48 gal to the cf": Decimal("7.48"),
    "cf was taken as gal, at 7.48 gal to the cf": CONTEXT.divide(Decimal(1), Decimal("7.48")),
}
"""The same with the sizes of cubic feet that bills print; common practice, no source."""

_TENS = {
    f"{'1/' if power < 0 else ''}{10 ** abs(power)}": Decimal(10) ** power
    for power in (-3, -2, -1, 1, 2, 3)
}


@dataclass(frozen=True)
class VolumeGuess:
    """A billed volume that an error would give.

    Units: volume [volume unit of the facts]; spread [volume unit of the facts].
    """

    code: str
    what: str
    volume: Decimal
    spread: Decimal


def rule_in_force(schedule: Schedule, bill: BilledInvoice) -> VolumeRule | None:
    """The rule of the invoiced volume on the first day of the period."""
    return parts_of(schedule, bill.facts)[0].version.invoiced_volume


def charged_from(
    schedule: Schedule, bill: BilledInvoice, rule: VolumeRule, volumes: dict[str, Decimal] | None
) -> Decimal | None:
    """A charged volume in the unit of the facts; None where a volume is not known."""
    facts = bill.facts if volumes is None else bill.facts.but(volumes=volumes)
    try:
        found = charged_volume(rule, schedule, facts.but(billed_volume=None), EXACT)
    except InputRefused:
        return None
    sizes = schedule.litres(rule.unit), schedule.litres(facts.volume_unit)
    return EXACT.divide(found.value * sizes[0], sizes[1])


def due_volume(schedule: Schedule, bill: BilledInvoice) -> Decimal | None:
    """The volume that should have been charged.

    Parameters
    ----------
    schedule : Schedule
        The rates [-].
    bill : BilledInvoice
        As printed, with what it is priced from [-].

    Returns
    -------
    Decimal or None
        None where it cannot be known [volume unit of the facts].
    """
    rule = rule_in_force(schedule, bill)
    return None if rule is None else charged_from(schedule, bill, rule, None)


def step_of(schedule: Schedule, bill: BilledInvoice) -> Decimal:
    """What rounding may make between a billed volume and the right one.

    Half the step of the rule, else of the last digit; a whole step where the right volume is known
    to a tolerance only, because it is then rounded from another figure than the billed one.
    """
    half = _half_step(schedule, bill)
    return half * 2 if bill.tolerance > 0 else half


def _half_step(schedule: Schedule, bill: BilledInvoice) -> Decimal:
    rule = rule_in_force(schedule, bill)
    if rule is not None and rule.rounding is not None and rule.rounding.to is not None:
        size = EXACT.divide(schedule.litres(rule.unit), schedule.litres(bill.facts.volume_unit))
        return rule.rounding.to * size / 2
    exponent = bill.facts.billed_volume.as_tuple().exponent
    return Decimal(1).scaleb(min(int(exponent), 0)) / 2


_SHARP, _COARSE, _FAR = Decimal("0.001"), Decimal("0.02"), 3
"""Step of a printed volume, of itself, up to which a ratio of units is told from others; the larger
for a ratio so far from one that no share or rate comes near it [-]."""
_TOLD = 4
"""Steps of a printed volume that a deduction must make to be told from none [-]."""


def fits_ratio(schedule: Schedule, bill: BilledInvoice, ratio: Decimal) -> tuple[str, ...]:
    """Which volumes times a ratio make the printed one: the metered, every or one taken off.

    Parameters
    ----------
    schedule : Schedule
        The rates [-].
    bill : BilledInvoice
        As printed [-].
    ratio : Decimal
        Of two units, or a power of ten [-].

    Returns
    -------
    tuple of str
        Names of the volumes, to the rounding of the printed one; empty where none fit, or where
        that rounding is too coarse to tell [text].
    """
    step, rule = step_of(schedule, bill), rule_in_force(schedule, bill)
    printed = bill.facts.billed_volume if bill.usage is None else bill.usage
    far = not 1 / _FAR < ratio < _FAR
    loose, most = (step + bill.tolerance, _COARSE) if far else (step, _SHARP)
    if rule is None or rule.metered not in bill.facts.volumes or loose > most * abs(printed):
        return ()
    known = bill.facts.volumes
    due = charged_from(schedule, bill, rule, None)
    if due is not None and abs(due - printed) <= step + bill.tolerance:
        return ()
    for names in ((rule.metered,), tuple(known), *((each,) for each in known)):
        changed = {name: known[name] * ratio for name in names}
        if rule.metered not in names and changed[names[0]] < _TOLD * step:
            continue  # as good as not taken off, which is an error of its own
        volume = charged_from(schedule, bill, rule, {**known, **changed})
        loose = bill.tolerance * (ratio if rule.metered in names else 1)
        if volume is not None and abs(volume - printed) <= step + loose:
            return names
    return ()


def follows_with(schedule: Schedule, bill: BilledInvoice, more: Decimal) -> bool:
    """Whether the printed volume follows if the meter had registered so much more.

    Units: more [volume unit of the facts].
    """
    rule, known = rule_in_force(schedule, bill), bill.facts.volumes
    if rule is None or rule.metered not in known:
        return False
    printed = bill.facts.billed_volume if bill.usage is None else bill.usage
    due = charged_from(schedule, bill, rule, {**known, rule.metered: known[rule.metered] + more})
    return due is not None and abs(due - printed) <= bill.tolerance + step_of(schedule, bill)


def follows_between(
    schedule: Schedule, bill: BilledInvoice, name: str, ends: tuple[Decimal, Decimal]
) -> bool:
    """Whether the printed volume follows with a metered volume somewhere between two ends.

    Parameters
    ----------
    schedule, bill : Schedule, BilledInvoice
        The rates; as printed [-].
    name : str
        Of the metered volume [text].
    ends : tuple of Decimal
        The least and the largest it may be [volume unit of the facts].

    Returns
    -------
    bool
        To the last figure [-].
    """
    rule, known = rule_in_force(schedule, bill), bill.facts.volumes
    printed = bill.facts.billed_volume
    if rule is None or printed is None:
        return False
    dues = [charged_from(schedule, bill, rule, {**known, name: each}) for each in ends]
    return None not in dues and min(dues) <= printed <= max(dues)  # type: ignore[type-var]


@dataclass(frozen=True)
class Try:
    """One way to go wrong: other volumes, another rule or other facts, or the volume itself.

    Units: volumes, volume [volume unit of the facts].
    """

    code: str
    what: str
    volumes: Mapping[str, Decimal] = field(default_factory=dict)
    rule: VolumeRule | None = None
    facts: InvoiceFacts | None = None
    widen: Decimal = Decimal(1)  # the tolerance, times this
    volume: Decimal | None = None


def volume_guesses(
    schedule: Schedule, bill: BilledInvoice, register: RegisterFace | None
) -> list[VolumeGuess]:
    """What would have been billed under each error of volume.

    Units: returns [volume unit of the facts].
    """
    rule = rule_in_force(schedule, bill)
    due = None if rule is None else charged_from(schedule, bill, rule, None)
    if rule is None or due is None:
        return []
    found = []
    for made in (
        _scaled(schedule, bill, rule, due),
        _shares(schedule, bill, rule, due),
        _other_rules(schedule, bill, rule),
        _days(schedule, bill, rule),
        _uses(bill, rule),
        _meters(bill, rule),
        _again(schedule, bill, rule),
        _rounded_otherwise(schedule, bill, rule),
        _exchanged(bill, rule, register),
        _register(bill, rule, register),
    ):
        for one in made:
            volume = one.volume
            if volume is None:
                facts = bill.facts if one.facts is None else one.facts
                facts = facts.but(volumes={**facts.volumes, **one.volumes})
                tried = replace(bill, facts=facts)
                volume = charged_from(schedule, tried, one.rule or rule, None)
            if volume is not None:
                spread = bill.tolerance * one.widen
                found.append(VolumeGuess(one.code, one.what, volume, spread))
    return [guess for guess in found if abs(guess.volume - due) > bill.tolerance]


NOTHING = Decimal(0)


def _again(schedule: Schedule, bill: BilledInvoice, rule: VolumeRule) -> Iterator[Try]:
    """Figures of the bill before used again: its volume, if that was right, its deduct."""
    if bill.before is None:
        return
    before, due = bill.before.facts, due_volume(schedule, bill.before)
    billed = before.billed_volume
    if None not in (billed, due) and abs(billed - due) <= step_of(schedule, bill.before):
        words = f"the volume of {before.invoice} was billed again"
        yield Try("last-bill-repeated", words, widen=NOTHING, volume=before.billed_volume)
    for name in rule.deduct:
        other = before.volumes.get(name)
        if other not in (None, bill.facts.volumes.get(name)):
            words = f"the deduct of {before.invoice} was taken off"
            yield Try("deduct-of-another-period", words, {name: other})


def _rounded_otherwise(schedule: Schedule, bill: BilledInvoice, rule: VolumeRule) -> Iterator[Try]:
    """The right volume, rounded as the schedule does not say."""
    if rule.rounding is None or rule.rounding.to is None or bill.tolerance:
        return
    stated = rule.rounding.rounding().rule
    for way in ("up", "down", "half up", "half even"):
        if way != stated:
            other = rule.model_copy(
                update={"rounding": RoundingTable(to=rule.rounding.to, rule=way)}
            )
            yield Try("rounding", f"the volume was rounded {way}, not {stated}", rule=other)


def _exchanged(
    bill: BilledInvoice, rule: VolumeRule, register: RegisterFace | None
) -> Iterator[Try]:
    """What goes wrong at a change of meter."""
    whole = _known(bill, rule.metered)
    for code, what, metered in exchange_guesses(bill, whole, register):
        scale = CONTEXT.divide(abs(metered), whole) if whole else Decimal(1)
        yield Try(f"exchange-{code}", what, {rule.metered: metered}, widen=scale)


def _scaled(
    schedule: Schedule, bill: BilledInvoice, rule: VolumeRule, due: Decimal
) -> Iterator[Try]:
    """A factor on the supply register alone, on everything that was metered, or afterwards."""
    whole = {name: _known(bill, name) for name in (rule.metered, *rule.deduct)}
    factors = [("unit-swap", what, factor) for what, factor in {**UNIT_RATIOS, **_ROUNDED}.items()]
    factors += [
        ("register-multiplier", f"a factor of {w} was applied", f) for w, f in _TENS.items()
    ]
    factors.append(("counted-twice", "the metered volume was counted twice", Decimal(2)))
    for code, what, factor in factors:
        for names in {(rule.metered,), tuple(n for n, v in whole.items() if v)}:
            changed = {n: v * factor if n in names else v for n, v in whole.items()}
            yield Try(code, what, changed, widen=factor)
        late = _rounded_like(schedule, bill, due * factor)
        yield Try(code, what, widen=factor, volume=late)


def _rounded_like(schedule: Schedule, bill: BilledInvoice, volume: Decimal) -> Decimal:
    """A volume rounded as the schedule rounds it."""
    rule = rule_in_force(schedule, bill)
    if rule.rounding is None:
        return volume
    size = schedule.litres(bill.facts.volume_unit), schedule.litres(rule.unit)
    rounded = EXACT.rounded(EXACT.divide(volume * size[0], size[1]), rule.rounding.rounding())
    return EXACT.divide(rounded * size[1], size[0])


def _known(bill: BilledInvoice, name: str) -> Decimal:
    facts = bill.facts
    if name in facts.volumes:
        return facts.volumes[name]
    before, after = facts.reads.get(name, (Decimal(0), Decimal(0)))
    return after - before


def _shares(
    schedule: Schedule, bill: BilledInvoice, rule: VolumeRule, due: Decimal
) -> Iterator[Try]:
    """Return factor and deduct meter left out, doubled or turned round."""
    factor = return_factor_of(rule, bill.facts, schedule.schedule.end_day_counts)
    stated: dict[str, Any] = {"return_factor_by_month": {}}
    whole = rule.model_copy(update={**stated, "return_factor": Decimal(1)})
    deducted = {name: _known(bill, name) for name in rule.deduct}
    none = dict.fromkeys(deducted, Decimal(0))
    if factor != 1:
        twice = rule.model_copy(update={**stated, "return_factor": factor**2})
        share, code = f"the return factor of {plain(factor)}", "return-factor-missing"
        yield Try(code, f"{share} was not applied", rule=whole, widen=1 / factor)
        yield Try(code, f"{share} was applied twice", rule=twice)
    if rule.basis == "intake less deduct" and sum(deducted.values()) > 0:
        credit, code = "the deduct meter's volume", "deduct-missing"
        wide = _known(bill, rule.metered) * factor / due if due else Decimal(1)
        yield Try(code, f"{credit} was not taken off", none, widen=wide)
        turned = {name: -volume for name, volume in deducted.items()}
        yield Try(code, f"{credit} was added, not taken off", turned, widen=2 * wide)
        if factor != 1:
            both = f"{credit} was not taken off, nor the return factor applied"
            yield Try(code, both, none, whole, widen=wide / factor)


def _other_rules(schedule: Schedule, bill: BilledInvoice, rule: VolumeRule) -> Iterator[Try]:
    """A step of the rule left out, turned round or of another season; a free volume charged."""
    for code, what, tried, facts in rule_guesses(schedule, bill.facts, rule):
        yield Try(code, what, rule=tried, facts=facts)
    if rule.allowance is not None:
        what = f"the free volume of {rule.allowance} was not taken off"
        without = rule.model_copy(update={"allowance": None})
        yield Try("allowance-missing", what, rule=without)
    yield from _inverted(schedule, bill, rule)


_GRIDS = ((Decimal("0.05"), Decimal("0.02")), (Decimal("0.01"), Decimal("0.01")))
"""Steps of a factor an ordinance may print, and how often a wrong volume may hit one of them."""


def _inverted(schedule: Schedule, bill: BilledInvoice, rule: VolumeRule) -> Iterator[Try]:
    """The round return factor that gives the billed volume, where chance would seldom give one."""
    factor = return_factor_of(rule, bill.facts, schedule.schedule.end_day_counts)
    billed, bare = bill.facts.billed_volume, {"return_factor": Decimal(1)}
    if billed is None or bill.tolerance or rule.rule is not None or rule.allowance is not None:
        return
    bare["return_factor_by_month"] = {}
    whole = charged_from(schedule, bill, rule.model_copy(update={**bare, "rounding": None}), None)
    if not whole or whole <= 0:
        return
    for grid, chance in _GRIDS:
        share = EXACT.rounded(CONTEXT.divide(billed, whole), Rounding(grid, "half up"))
        reach = CONTEXT.divide(2 * _half_step(schedule, bill), whole * grid)
        if 0 < share <= 1 and share not in (factor, factor**2, Decimal(1)) and reach <= chance:
            tried = rule.model_copy(update={**bare, "return_factor": share})
            volume = charged_from(schedule, bill, tried, None)
            what = f"a return factor of {plain(share)} was applied in place of {plain(factor)}"
            if volume is not None and abs(volume - billed) <= _half_step(schedule, bill):
                yield Try("another-factor", what, rule=tried)
                return


def _days(schedule: Schedule, bill: BilledInvoice, rule: VolumeRule) -> Iterator[Try]:
    """The use of the days there were, scaled to days there were not."""
    days = days_between(bill.facts.start, bill.facts.end, schedule.schedule.end_day_counts)
    lengths = {f"a period of {text} days": Decimal(text) for text in ("28", "30", "30.42", "31")}
    lengths["one day more than there were"] = Decimal(days + 1)
    lengths["one day less than there were"] = Decimal(days - 1)
    for words, length in lengths.items():
        if length in (days, 0) or days < 1:
            continue
        scale = CONTEXT.divide(length, Decimal(days))
        known = {name: _known(bill, name) * scale for name in (rule.metered, *rule.deduct)}
        yield Try("period-length", f"the use was scaled to {words}", known, widen=scale)


def _uses(bill: BilledInvoice, rule: VolumeRule) -> Iterator[Try]:
    """Water that never reaches the sewer, charged as if it did."""
    for name in bill.uses:
        volume, code = _known(bill, name), "never-reaches-sewer"
        if volume > 0:
            more = {rule.metered: _known(bill, rule.metered) + volume}
            yield Try(code, f"the volume of {name} was charged on top", more)
            alone = {**dict.fromkeys(rule.deduct, Decimal(0)), rule.metered: volume}
            yield Try(code, f"the volume of {name} alone was charged", alone)


def _meters(bill: BilledInvoice, rule: VolumeRule) -> Iterator[Try]:
    """One of several supply meters or registers left out, or counted twice."""
    whole = _known(bill, rule.metered)
    parts = [
        ("register-left-out", f"the volume of {name} was left out", bill.facts.volumes[name])
        for name in bill.registers
    ]
    parts += [
        ("several-meter-changes", f"what meter {k} of the period counted was left out", part)
        for k, part in enumerate(bill.segments, start=1)
    ]
    for code, what, part in parts:
        if part:
            yield Try(code, what, {rule.metered: whole - part})
    for meter in bill.meters:
        own = bill.facts.volumes.get(meter.name)
        if own is None or own <= 0 or own >= whole:
            continue
        for code, what, metered in (
            ("meter-missing", f"the volume of {meter.name} was left out", whole - own),
            ("counted-twice", f"the volume of {meter.name} was counted twice", whole + own),
        ):
            scale = CONTEXT.divide(metered, whole)
            yield Try(code, what, {rule.metered: metered}, widen=scale)


def _register(
    bill: BilledInvoice, rule: VolumeRule, register: RegisterFace | None
) -> Iterator[Try]:
    """Rollover handled wrongly, and reads that differ from the site's own by a slip of digits."""
    if register is None or None in (bill.previous_read, bill.current_read):
        return
    if bill.exchange is not None:
        if bill.exchange.inside:
            return
        register = replace(register, per_count=bill.exchange.new_per_count)
    before, after = bill.previous_read, bill.current_read
    counts: list[tuple[str, str, Decimal]] = []
    if after < before:
        counts.append(("rollover", "a register that rolled over was subtracted", before - after))
        for digits in (register.digits - 1, register.digits + 1):
            used = after + Decimal(10) ** digits - before
            if used > 0:
                what = f"a rollover was taken for one of {digits} digits"
                counts.append(("rollover", what, used))
    elif bill.own_reads is not None and bill.own_reads[1] < bill.own_reads[0]:
        counts.append(("rollover", "a rollover was left out", after - before))
    if bill.own_reads is not None:
        for place, (printed, own) in enumerate(zip((before, after), bill.own_reads, strict=True)):
            slip = slip_of(printed, own)
            if not slip and abs(printed - own) > bill.own_spread:
                slip = "another figure"
            if slip:
                which = ("previous", "current")[place]
                what = f"{slip} in the {which} read: {own} was taken as {printed}"
                counts.append(("misread", what, counted(before, after, register)))
    others = Decimal(0)
    if bill.meters:
        if bill.read_of not in bill.facts.volumes:
            return
        others = _known(bill, rule.metered) - bill.facts.volumes[bill.read_of]
    for code, what, used in counts:
        yield Try(code, what, {rule.metered: used * register.per_count + others})


def slip_of(printed: Decimal, own: Decimal) -> str:
    """The slip of a pen that makes one read of another: two digits swapped, or one wrong."""
    one, other = str(int(printed)), str(int(own))
    if printed == own or printed != int(printed) or own != int(own):
        return ""
    width = max(len(one), len(other))
    one, other = one.zfill(width), other.zfill(width)
    places = [k for k in range(width) if one[k] != other[k]]
    if len(places) == 1:
        return "one digit wrong"
    if len(places) == 2 and places[1] == places[0] + 1:
        first, second = places
        if one[first] == other[second] and one[second] == other[first]:
            return "two digits swapped"
    return ""
