"""What a strength surcharge would be under each of its errors."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from itertools import combinations, permutations
from typing import TYPE_CHECKING, Any

from sewer_audit.charges.pricing.strengths import charged_strength
from sewer_audit.charges.schedule.editions import (
    Change,
    Slip,
    changed,
    choices,
    with_charges,
    with_editions,
)
from sewer_audit.charges.schedule.figures import CONTEXT, plain
from sewer_audit.charges.schedule.kinds import Strength, StrengthCharge, StrengthShare
from sewer_audit.charges.schedule.values import RoundingTable
from sewer_audit.charges.schedule.versions import VolumeRule

if TYPE_CHECKING:
    from sewer_audit.charges.chain.billed import BilledInvoice
    from sewer_audit.charges.schedule.facts import InvoiceFacts
    from sewer_audit.charges.schedule.versions import Schedule, Version

_CONSTANTS = {
    "kilograms were charged as pounds": Decimal("0.45359237"),
    "pounds were multiplied by 2.2046 again": 1 / Decimal("0.45359237"),
    "the constant 3.785 was used for 8.34": Decimal("3.785") / Decimal("8.34"),
}
_LOADS = tuple(map(Decimal, ("1", "3.785", "8.34", "8.345", "10")))
"""Constants of a load: none, kg of a MG in mg/L over 1,000, lb of a US and of an imperial one."""
_OTHER = "the volume of the surcharge"
"""Name of a volume that no schedule has."""


def surcharge_guesses(schedule: Schedule, bill: BilledInvoice) -> Iterator[Change]:
    """Threshold, sample, parameter, constant, lines and volume of a surcharge, taken wrongly."""
    facts = bill.facts
    parameters = sorted(
        {c.parameter for v in schedule.version for c in v.charge if isinstance(c, Strength)}
    )
    if parameters:
        yield from changed(schedule, facts, _thresholds(parameters))
        yield from _samples(schedule, bill, parameters)
        yield from changed(schedule, facts, _factors(schedule, facts, parameters))
    yield from _on_other_volumes(schedule, bill, parameters)


def _of(parameter: str | None) -> Any:
    return lambda charge: isinstance(charge, Strength) and parameter in (None, charge.parameter)


def _kept(charge: Strength) -> dict[str, Any]:
    """What stays as it was where a threshold is left out: a share is still of that threshold."""
    return {"divisor": charge.divisor or charge.threshold} if hasattr(charge, "divisor") else {}


def _thresholds(parameters: list[str]) -> Iterator[Slip]:
    bare: dict[str, Any] = {"threshold": Decimal(0), "threshold_from": {}}
    for parameter in [None, *parameters]:
        what = f"the threshold of {parameter or 'every parameter'} was not taken off"
        yield "surcharge-threshold", what, _of(parameter), lambda c: {**_kept(c), **bare}


def _samples(schedule: Schedule, bill: BilledInvoice, parameters: list[str]) -> Iterator[Change]:
    facts = bill.facts
    if bill.before is not None:
        rule, past = schedule.version[-1].samples, bill.before.facts
        held = {p: charged_strength(rule, past, p, needed=False) for p in parameters}
        known = {p: value for p, value in held.items() if value is not None}
        for used in (known, *({p: value} for p, value in known.items() if len(known) > 1)):
            what = f"{' and '.join(used)} of the period of {past.invoice} was used"
            stated = facts.but(strengths={**facts.strengths, **used})
            yield "surcharge-sample", what, schedule, stated
    for way in ("half", "limit", "zero"):
        other = with_editions(
            schedule, lambda v, w=way: {"samples": v.samples.model_copy(update={"below_limit": w})}
        )
        what = f"results below their limit were counted as {way} (of) it"
        yield "surcharge-sample", what, other, facts
    alone = [
        (f"{sample.parameter} sample of {sample.taken}", {sample.parameter: sample.value})
        for parameter in parameters
        for sample in facts.samples
        if sample.parameter == parameter
    ]
    alone += [
        (f"samples of {day}", {s.parameter: s.value for s in facts.samples if s.taken == day})
        for day in sorted({sample.taken for sample in facts.samples})
    ]
    for which, values in alone:
        verb = "were" if which.startswith("samples") else "was"
        stated = facts.but(strengths={**facts.strengths, **values})
        yield "surcharge-sample", f"the {which} alone {verb} used", schedule, stated
    for method in ("mean", "maximum", "median", "latest"):
        for window in ("in period", "up to end"):
            rule = {"method": method, "window": window, "latest": None, "months": None}
            other = with_editions(
                schedule, lambda v, rule=rule: {"samples": v.samples.model_copy(update=rule)}
            )
            what = f"the {method} of the samples {window} was used"
            yield "surcharge-sample", what, other, facts


def _factors(schedule: Schedule, facts: InvoiceFacts, parameters: list[str]) -> Iterator[Slip]:
    """Another parameter, constant, length of time, divisor, or other lines of a share."""
    charges = schedule.version[-1].charge
    loads = [charge for charge in charges if isinstance(charge, StrengthCharge)]
    for constant in _LOADS:
        load = lambda c: isinstance(c, StrengthCharge)  # noqa: E731
        other = lambda c, k=constant: {"load": c.load.model_copy(update={"constant": k})}  # noqa: E731
        yield "surcharge-basis", f"the constant {constant} was used", load, other
    for one, two in permutations(loads, 2):
        what = f"the rate of {two.parameter} was charged for {one.parameter}"
        yield "surcharge-basis", what, _of(one.parameter), {"rate": two.rate}
        what = f"the threshold of {two.parameter} was taken for {one.parameter}"
        yield "surcharge-threshold", what, _of(one.parameter), {"threshold": two.threshold}
    for one, two in combinations(loads, 2):
        rates = {one.parameter: two.rate, two.parameter: one.rate}
        pair = lambda c, r=rates: isinstance(c, StrengthCharge) and c.parameter in r  # noqa: E731
        swapped = lambda c, r=rates: {"rate": r[c.parameter]}  # noqa: E731
        what = f"the rates of {one.parameter} and {two.parameter} were exchanged"
        yield "surcharge-basis", what, pair, swapped
    for one in parameters:
        for other in sorted({s.parameter for s in facts.samples} | set(facts.strengths)):
            if other != one:
                swapped = lambda c, other=other: {**_kept(c), "parameter": other}  # noqa: E731
                what = f"{other} was charged at the rate of {one}"
                yield "surcharge-basis", what, _of(one), swapped
    days = Decimal((facts.end - facts.start).days)
    daily = {"the flow of a day was taken for that of the period": CONTEXT.divide(Decimal(1), days)}
    daily["the flow of the period was taken for that of a day"] = days
    for what, factor in {**_CONSTANTS, **daily}.items():
        load = lambda charge: isinstance(charge, StrengthCharge)  # noqa: E731
        scaled = lambda c, factor=factor: {"multiplier": c.multiplier * factor}  # noqa: E731
        yield "surcharge-basis", what, load, scaled
    for place, share in enumerate(charges):
        if not isinstance(share, StrengthShare):
            continue
        this = lambda c, share=share: isinstance(c, StrengthShare) and c.name == share.name  # noqa: E731
        lines = tuple(dict.fromkeys(c.of_line for c in charges[:place]))
        for base in choices(lines, set(share.of)):
            what = f"{share.name} was taken on {', '.join(base)}"
            yield "surcharge-basis", what, this, {"of": base}
        limits = {c.threshold for c in charges if isinstance(c, Strength) and c.threshold}
        known = {share.divisor, share.threshold} if share.divisor is None else {share.divisor}
        for limit in sorted({*limits, Decimal(100), Decimal(1000)} - known):
            what = f"the excess of {share.parameter} was divided by {plain(limit)}"
            yield "surcharge-basis", what, this, {"divisor": limit}


def _on_other_volumes(
    schedule: Schedule, bill: BilledInvoice, parameters: list[str]
) -> Iterator[Change]:
    """The surcharge on another volume than the schedule says, the other lines on their own."""
    found = {
        c.name: getattr(c, "parameter", "") for v in schedule.version for c in v.charge if _loads(c)
    }
    sets = [set(found), *({name} for name in found if len(found) > 1)]
    for names in sets if found else ():
        for what, volume in _volumes(schedule, bill).items():
            for cut in (False, True):
                other = _on(schedule, bill, names, volume, cut)
                which = "the surcharge" if names == set(found) else ", ".join(sorted(names))
                if other is not None:
                    yield "surcharge-volume", f"{which} was taken on {what}", other, bill.facts


def _loads(charge: Any) -> bool:
    """Whether a charge is on a strength and a volume."""
    return hasattr(charge, "volume") and (
        isinstance(charge, Strength) or charge.kind == "trade effluent"
    )


def _volumes(schedule: Schedule, bill: BilledInvoice) -> dict[str, Decimal]:
    """Volumes a surcharge may have been taken on by mistake [volume unit of the facts]."""
    facts = bill.facts
    names = {"intake": "the metered water", "deduct": "the deducted water"}
    found = {
        names.get(name, f"the volume of {name}"): volume for name, volume in facts.volumes.items()
    }
    if facts.volumes.get("deduct") and "intake" in facts.volumes:
        found["the water net of the deduct"] = facts.volumes["intake"] - facts.volumes["deduct"]
    printed = {"the printed usage": bill.usage, "the printed water": bill.printed.get("water_used")}
    printed["the charged volume"] = facts.billed_volume
    if bill.before is not None:
        printed["the volume of the bill before"] = bill.before.facts.billed_volume
    found |= {what: volume for what, volume in printed.items() if volume is not None}
    return {what: volume for what, volume in found.items() if volume > 0}


def _on(
    schedule: Schedule, bill: BilledInvoice, names: set[str], volume: Decimal, cut: bool
) -> Schedule | None:
    """The schedule with some charges on a stated volume, cut like the charged one or not."""
    loads = lambda charge: _loads(charge) and charge.name in names  # noqa: E731
    moved = with_charges(schedule, loads, {"volume": _OTHER})
    if moved is None or any(version.invoiced_volume is None for version in schedule.version):
        return None

    def volumes(version: Version) -> dict[str, Any]:
        own = version.invoiced_volume
        size = schedule.litres(bill.facts.volume_unit), schedule.litres(own.unit)
        amount = CONTEXT.divide(volume * size[0], size[1])
        rounding = own.rounding if cut else RoundingTable(rule="none")
        flat = VolumeRule(name=_OTHER, unit=own.unit, basis="flat", amount=plain(amount))
        first = (
            own.model_copy(update={"invoiced": True}),
            *(r for r in version.volume if r is not own),
        )
        return {"volume": (*first, flat.model_copy(update={"rounding": rounding}))}

    return with_editions(moved, volumes)
