"""What the billed volume would be under each error of volume."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from sewer_audit.charges.basis import charged_volume, return_factor_of
from sewer_audit.charges.billed import BilledInvoice, RegisterFace
from sewer_audit.charges.exchange_guesses import counted, exchange_guesses
from sewer_audit.charges.figures import CONTEXT, EXACT, LITRES, Rounding, plain
from sewer_audit.charges.periods import days_between, parts_of
from sewer_audit.charges.rule_guesses import rule_guesses
from sewer_audit.errors import InputRefused

if TYPE_CHECKING:
    from sewer_audit.charges.schedule import Schedule, VolumeRule

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
}
"""The same with the size of a hundred cubic feet that bills print; common practice, no source."""

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

    Units: returns [volume unit of the facts].
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


_SHARP = Decimal("0.001")
"""Step of a printed volume, of itself, up to which a ratio of units is told from others [-]."""


def fits_ratio(schedule: Schedule, bill: BilledInvoice, ratio: Decimal) -> bool:
    """Whether the metered volume, or every volume, times a ratio makes the printed one.

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
    bool
        To the rounding of the printed volume, if that is sharp enough to tell [-].
    """
    step, rule = step_of(schedule, bill), rule_in_force(schedule, bill)
    printed = bill.facts.billed_volume if bill.usage is None else bill.usage
    if rule is None or rule.metered not in bill.facts.volumes or step > _SHARP * abs(printed):
        return False
    whole = {name: volume * ratio for name, volume in bill.facts.volumes.items()}
    for changed in ({rule.metered: whole[rule.metered]}, whole):
        volume = charged_from(schedule, bill, rule, {**bill.facts.volumes, **changed})
        if volume is not None and abs(volume - printed) <= step + bill.tolerance * ratio:
            return True
    return False


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
    found = [
        *_scaled(schedule, bill, rule, due),
        *_shares(schedule, bill, rule, due),
        *_other_rules(schedule, bill, rule),
        *_days(schedule, bill, rule),
        *_uses(schedule, bill, rule),
        *_meters(schedule, bill, rule),
        *_again(schedule, bill, rule),
        *_rounded_otherwise(schedule, bill, rule),
        *_exchanged(schedule, bill, rule, register),
    ]
    if register is not None and (bill.exchange is None or not bill.exchange.inside):
        if bill.exchange is not None:
            register = replace(register, per_count=bill.exchange.new_per_count)
        found += _register(schedule, bill, rule, register)
    return [guess for guess in found if abs(guess.volume - due) > bill.tolerance]


def _again(schedule: Schedule, bill: BilledInvoice, rule: VolumeRule) -> Iterator[VolumeGuess]:
    """Figures of another period used again: a volume, a deduct, the average of another winter."""
    facts = bill.facts
    if bill.before is not None:
        before = bill.before.facts
        if before.billed_volume is not None:
            words = f"the volume of {before.invoice} was billed again"
            yield VolumeGuess("last-bill-repeated", words, before.billed_volume, Decimal(0))
        for name in rule.deduct:
            other = before.volumes.get(name)
            if other is None or other == facts.volumes.get(name):
                continue
            volume = charged_from(schedule, bill, rule, {**facts.volumes, name: other})
            if volume is not None:
                words = f"the deduct of {before.invoice} was taken off"
                yield VolumeGuess("deduct-of-another-period", words, volume, bill.tolerance)


def _rounded_otherwise(
    schedule: Schedule, bill: BilledInvoice, rule: VolumeRule
) -> Iterator[VolumeGuess]:
    """The right volume, rounded as the schedule does not say."""
    if rule.rounding is None or rule.rounding.to is None or bill.tolerance:
        return
    exact = charged_from(schedule, bill, rule.model_copy(update={"rounding": None}), None)
    if exact is None:
        return
    size = schedule.litres(bill.facts.volume_unit), schedule.litres(rule.unit)
    for way in ("up", "down", "half up", "half even"):
        if way == rule.rounding.rounding().rule:
            continue
        in_rule = EXACT.divide(exact * size[0], size[1])
        rounded = EXACT.rounded(in_rule, Rounding(rule.rounding.to, way))
        volume = EXACT.divide(rounded * size[1], size[0])
        what = f"the volume was rounded {way}, not {rule.rounding.rounding().rule}"
        yield VolumeGuess("rounding", what, volume, Decimal(0))


def _exchanged(
    schedule: Schedule, bill: BilledInvoice, rule: VolumeRule, register: RegisterFace | None
) -> Iterator[VolumeGuess]:
    """What goes wrong at a change of meter."""
    whole = _known(bill, rule.metered)
    for code, what, metered in exchange_guesses(bill, whole, register):
        volumes = {**bill.facts.volumes, rule.metered: metered}
        volume = charged_from(schedule, bill, rule, volumes)
        if volume is not None:
            scale = CONTEXT.divide(abs(metered), whole) if whole else Decimal(1)
            yield VolumeGuess(f"exchange-{code}", what, volume, bill.tolerance * scale)


def _scaled(
    schedule: Schedule, bill: BilledInvoice, rule: VolumeRule, due: Decimal
) -> Iterator[VolumeGuess]:
    """A factor on the supply register alone, or on everything that was metered."""
    facts = bill.facts
    whole = {name: _known(bill, name) for name in (rule.metered, *rule.deduct)}
    factors = [("unit-swap", what, factor) for what, factor in {**UNIT_RATIOS, **_ROUNDED}.items()]
    factors += [
        ("register-multiplier", f"a factor of {w} was applied", f) for w, f in _TENS.items()
    ]
    factors.append(("counted-twice", "the metered volume was counted twice", Decimal(2)))
    loose = bill.tolerance
    for code, what, factor in factors:
        for names in {(rule.metered,), tuple(n for n, v in whole.items() if v)}:
            changed = {n: v * factor if n in names else v for n, v in whole.items()}
            volume = charged_from(schedule, bill, rule, {**facts.volumes, **changed})
            if volume is not None:
                yield VolumeGuess(code, what, volume, loose * factor)
        # the slip may also come after the right volume was rounded
        late = _rounded_like(schedule, bill, due * factor)
        yield VolumeGuess(code, what, late, loose * factor)


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
) -> Iterator[VolumeGuess]:
    """Return factor and deduct meter left out, doubled or turned round."""
    factor = return_factor_of(rule, bill.facts, schedule.schedule.end_day_counts)
    stated: dict[str, Any] = {"return_factor_by_month": {}}
    whole = rule.model_copy(update={**stated, "return_factor": Decimal(1)})
    deducted = sum((_known(bill, name) for name in rule.deduct), Decimal(0))
    none = {**bill.facts.volumes, **{name: Decimal(0) for name in rule.deduct}}
    added = {name: -_known(bill, name) for name in rule.deduct}
    tries: list[tuple[str, str, VolumeRule, dict[str, Decimal] | None]] = []
    if factor != 1:
        twice = rule.model_copy(update={**stated, "return_factor": factor**2})
        share = f"the return factor of {plain(factor)}"
        tries.append(("return-factor-missing", f"{share} was not applied", whole, None))
        tries.append(("return-factor-missing", f"{share} was applied twice", twice, None))
    if rule.basis == "intake less deduct" and deducted > 0:
        credit = "the deduct meter's volume"
        tries.append(("deduct-missing", f"{credit} was not taken off", rule, none))
        turned = {**bill.facts.volumes, **added}
        tries.append(("deduct-missing", f"{credit} was added, not taken off", rule, turned))
        if factor != 1:
            both = f"{credit} was not taken off, nor the return factor applied"
            tries.append(("deduct-missing", both, whole, none))
    for code, what, tried, volumes in tries:
        volume = charged_from(schedule, bill, tried, volumes)
        if volume is not None:
            scale = CONTEXT.divide(volume, due) if due else Decimal(1)
            yield VolumeGuess(code, what, volume, bill.tolerance * max(scale, Decimal(1)))


def _other_rules(
    schedule: Schedule, bill: BilledInvoice, rule: VolumeRule
) -> Iterator[VolumeGuess]:
    """A step of the rule left out, turned round or of another season; a free volume charged."""
    tries = list(rule_guesses(schedule, bill.facts, rule))
    if rule.allowance is not None:
        what = f"the free volume of {rule.allowance} was not taken off"
        without = rule.model_copy(update={"allowance": None})
        tries.append(("allowance-missing", what, without, bill.facts))
    for code, what, tried, facts in tries:
        volume = charged_from(schedule, replace(bill, facts=facts), tried, None)
        if volume is not None:
            yield VolumeGuess(code, what, volume, bill.tolerance)
    yield from _inverted(schedule, bill, rule)


_GRIDS = ((Decimal("0.05"), Decimal("0.02")), (Decimal("0.01"), Decimal("0.01")))
"""Steps of a factor an ordinance may print, and how often a wrong volume may hit one of them."""


def _inverted(schedule: Schedule, bill: BilledInvoice, rule: VolumeRule) -> Iterator[VolumeGuess]:
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
            change = {**bare, "return_factor": share}
            volume = charged_from(schedule, bill, rule.model_copy(update=change), None)
            what = f"a return factor of {plain(share)} was applied in place of {plain(factor)}"
            if volume is not None and abs(volume - billed) <= _half_step(schedule, bill):
                yield VolumeGuess("another-factor", what, volume, Decimal(0))
                return


def _days(schedule: Schedule, bill: BilledInvoice, rule: VolumeRule) -> Iterator[VolumeGuess]:
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
        volume = charged_from(schedule, bill, rule, {**bill.facts.volumes, **known})
        if volume is not None:
            what = f"the use was scaled to {words}"
            yield VolumeGuess("period-length", what, volume, bill.tolerance * scale)


def _uses(schedule: Schedule, bill: BilledInvoice, rule: VolumeRule) -> Iterator[VolumeGuess]:
    """Water that never reaches the sewer, charged as if it did."""
    for name in bill.uses:
        volume = _known(bill, name)
        metered = _known(bill, rule.metered)
        for what, figure in (
            (f"the volume of {name} was charged on top", metered + volume),
            (f"the volume of {name} alone was charged", volume),
        ):
            more = {**bill.facts.volumes, rule.metered: figure}
            if figure == volume:
                more |= {deduct: Decimal(0) for deduct in rule.deduct}
            charged = charged_from(schedule, bill, rule, more)
            if charged is not None and volume > 0:
                yield VolumeGuess("never-reaches-sewer", what, charged, bill.tolerance)


def _meters(schedule: Schedule, bill: BilledInvoice, rule: VolumeRule) -> Iterator[VolumeGuess]:
    """One of several supply meters left out, or counted twice."""
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
        volume = charged_from(
            schedule, bill, rule, {**bill.facts.volumes, rule.metered: whole - part}
        )
        if volume is not None and part:
            yield VolumeGuess(code, what, volume, bill.tolerance)
    for meter in bill.meters:
        own = bill.facts.volumes.get(meter.name)
        if own is None or own <= 0 or own >= whole:
            continue
        for code, what, metered in (
            ("meter-missing", f"the volume of {meter.name} was left out", whole - own),
            ("counted-twice", f"the volume of {meter.name} was counted twice", whole + own),
        ):
            volumes = {**bill.facts.volumes, rule.metered: metered}
            volume = charged_from(schedule, bill, rule, volumes)
            if volume is not None:
                scale = CONTEXT.divide(metered, whole)
                yield VolumeGuess(code, what, volume, bill.tolerance * scale)


def _register(
    schedule: Schedule, bill: BilledInvoice, rule: VolumeRule, register: RegisterFace
) -> Iterator[VolumeGuess]:
    """Rollover handled wrongly, and reads that differ from the site's own by a slip of digits."""
    if bill.previous_read is None or bill.current_read is None:
        return
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
        volumes = {**bill.facts.volumes, rule.metered: used * register.per_count + others}
        volume = charged_from(schedule, bill, rule, volumes)
        if volume is not None:
            yield VolumeGuess(code, what, volume, bill.tolerance)


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
