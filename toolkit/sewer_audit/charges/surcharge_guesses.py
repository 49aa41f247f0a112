"""What a strength surcharge would be under each of its errors."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from sewer_audit.charges.figures import CONTEXT
from sewer_audit.charges.kinds import Strength, StrengthCharge

if TYPE_CHECKING:
    from sewer_audit.charges.facts import InvoiceFacts
    from sewer_audit.charges.schedule import Schedule

__all__: list[str] = []

_CONSTANTS = {
    "kilograms were charged as pounds": Decimal("0.45359237"),
    "pounds were multiplied by 2.2046 again": 1 / Decimal("0.45359237"),
    "the constant 3.785 was used for 8.34": Decimal("3.785") / Decimal("8.34"),
}


def surcharge_guesses(
    schedule: Schedule, facts: InvoiceFacts
) -> Iterator[tuple[str, str, Schedule, InvoiceFacts]]:
    """Threshold, sample, parameter, constant and volume of a surcharge, each taken wrongly."""
    parameters = {
        charge.parameter
        for version in schedule.version
        for charge in version.charge
        if isinstance(charge, Strength)
    }
    if not parameters:
        return
    yield from _thresholds(schedule, facts, parameters)
    yield from _samples(schedule, facts, parameters)
    yield from _factors(schedule, facts)


def _changed(schedule: Schedule, only: str | None, update: dict[str, Any]) -> Schedule:
    versions = []
    for version in schedule.version:
        charges = tuple(
            charge.model_copy(update={**_kept(charge), **update})
            if isinstance(charge, Strength) and only in (None, charge.parameter)
            else charge
            for charge in version.charge
        )
        versions.append(version.model_copy(update={"charge": charges}))
    return schedule.model_copy(update={"version": tuple(versions)})


def _kept(charge: Strength) -> dict[str, Any]:
    """What stays as it was where a threshold is left out: a share is still of that threshold."""
    return {"divisor": charge.divisor or charge.threshold} if hasattr(charge, "divisor") else {}


def _thresholds(schedule: Schedule, facts: InvoiceFacts, parameters: set[str]) -> Iterator[Any]:
    bare: dict[str, Any] = {"threshold": Decimal(0), "threshold_from": {}}
    for parameter in [None, *sorted(parameters)]:
        what = f"the threshold of {parameter or 'every parameter'} was not taken off"
        yield "surcharge-threshold", what, _changed(schedule, parameter, bare), facts


def _samples(schedule: Schedule, facts: InvoiceFacts, parameters: set[str]) -> Iterator[Any]:
    for parameter in sorted(parameters):
        for sample in facts.samples:
            if sample.parameter == parameter:
                strengths = {**facts.strengths, parameter: sample.value}
                what = f"the {parameter} sample of {sample.taken} alone was used"
                yield "surcharge-sample", what, schedule, facts.but(strengths=strengths)
    for day in sorted({sample.taken for sample in facts.samples}):
        alone = {s.parameter: s.value for s in facts.samples if s.taken == day}
        what = f"the samples of {day} alone were used"
        yield "surcharge-sample", what, schedule, facts.but(strengths={**facts.strengths, **alone})
    for method in ("mean", "maximum", "median", "latest"):
        for window in ("in period", "up to end"):
            rule = {"method": method, "window": window, "latest": None, "months": None}
            versions = tuple(
                version.model_copy(update={"samples": version.samples.model_copy(update=rule)})
                for version in schedule.version
            )
            changed = schedule.model_copy(update={"version": versions})
            what = f"the {method} of the samples {window} was used"
            yield "surcharge-sample", what, changed, facts
    for one in sorted(parameters):
        for other in sorted({s.parameter for s in facts.samples} | set(facts.strengths)):
            if other != one:
                swapped = _changed(schedule, one, {"parameter": other})
                what = f"{other} was charged at the rate of {one}"
                yield "surcharge-basis", what, swapped, facts


def _factors(schedule: Schedule, facts: InvoiceFacts) -> Iterator[Any]:
    days = Decimal((facts.end - facts.start).days)
    daily = {"the flow of a day was taken for that of the period": CONTEXT.divide(Decimal(1), days)}
    daily["the flow of the period was taken for that of a day"] = days
    for what, factor in {**_CONSTANTS, **daily}.items():
        versions = []
        for version in schedule.version:
            charges = tuple(
                charge.model_copy(update={"multiplier": charge.multiplier * factor})
                if isinstance(charge, StrengthCharge)
                else charge
                for charge in version.charge
            )
            versions.append(version.model_copy(update={"charge": charges}))
        yield (
            "surcharge-basis",
            what,
            schedule.model_copy(update={"version": tuple(versions)}),
            facts,
        )
    yield from _on_water(schedule, facts)


def _on_water(schedule: Schedule, facts: InvoiceFacts) -> Iterator[Any]:
    """The surcharge on the metered water, the other lines on the charged volume."""
    versions = []
    for version in schedule.version:
        rule = version.invoiced_volume
        if rule is None or rule.return_factor == 1 or facts.billed_volume is None:
            return
        factor = 1 / rule.return_factor
        charges = tuple(
            charge.model_copy(update={"multiplier": charge.multiplier * factor})
            if isinstance(charge, StrengthCharge)
            else charge
            for charge in version.charge
        )
        versions.append(version.model_copy(update={"charge": charges}))
    changed = schedule.model_copy(update={"version": tuple(versions)})
    what = "the surcharge was taken on the metered water, not on the charged volume"
    yield "surcharge-basis", what, changed, replace(facts)
