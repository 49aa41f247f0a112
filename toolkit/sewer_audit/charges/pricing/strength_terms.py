"""Terms of the charges on strength: mass above a threshold, bands, shares, trade effluent."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from sewer_audit.charges.pricing.strengths import charged_strength
from sewer_audit.charges.pricing.terms import PricedTerm, Setting
from sewer_audit.charges.schedule.figures import EXACT, Rounding
from sewer_audit.charges.schedule.kinds import (
    StrengthBands,
    StrengthCharge,
    StrengthShare,
    TradeEffluentCharge,
)

if TYPE_CHECKING:
    from sewer_audit.charges.schedule.kinds import Strength

_POUND = Decimal("0.45359237")  # kilograms, exact
_SIZES = {
    "lb": (Decimal(1), "lb"),
    "100 lb": (Decimal(100), "lb"),
    "1000 lb": (Decimal(1000), "lb"),
    "short ton": (Decimal(2000), "lb"),
    "kg": (Decimal(1), "kg"),
    "1000 kg": (Decimal(1000), "kg"),
}
_WHOLE_UP = Rounding(Decimal(1), "up")


@dataclass(frozen=True)
class Excess:
    """A concentration, the threshold it is held against and the rate it is charged at."""

    parameter: str
    concentration: Decimal
    threshold: Decimal
    rate: Decimal

    @property
    def above(self) -> Decimal:
        return max(self.concentration - self.threshold, Decimal(0))


def _measured(s: Setting, parameter: str, needed: bool = True) -> Decimal | None:
    return charged_strength(s.part.version.samples, s.facts, parameter, needed)


def _excess(charge: Strength, s: Setting) -> Excess:
    """Concentration and threshold under the substitutions a schedule may state."""
    value = _measured(s, charge.parameter, needed=not charge.if_missing)
    if value is None:
        others = list(charge.if_missing.items())
        for place, (other, factor) in enumerate(others):
            found = _measured(s, other, needed=place == len(others) - 1)
            if found is not None:
                value = found * factor
                break
    for other, factor in charge.at_least.items():
        found = _measured(s, other, needed=False)
        value = value if found is None else max(value, found * factor)
    if charge.floor is not None:
        value = max(value, charge.floor)
    threshold = charge.threshold
    for other, factor in charge.threshold_from.items():
        threshold = max(threshold, _measured(s, other) * factor)
    rate = getattr(charge, "rate", Decimal(0))
    return Excess(charge.parameter, value, threshold, rate)


def _instead(charge: StrengthCharge, s: Setting, own: Excess) -> Excess:
    """The other parameter where its ratio to this one is high enough."""
    rule = charge.instead
    other = None if rule is None else _measured(s, rule.parameter, needed=False)
    if other is None:
        return own
    limit = rule.ratio * own.concentration
    if other > limit or (rule.at_ratio and other == limit):
        return Excess(rule.parameter, other, rule.threshold, rule.rate)
    return own


def load_terms(charge: StrengthCharge, s: Setting) -> list[PricedTerm]:
    """Mass above the threshold, priced."""
    a, n = s.arithmetic, s.number
    excess = _instead(charge, s, _excess(charge, s))
    volume, load = s.volumes(charge.volume), charge.load
    per_volume = s.rounded_exact(load.constant * excess.above, load.rounding)
    mass = a.divide(
        volume.value * n(s.schedule.litres(volume.unit) * per_volume),
        n(s.schedule.litres(load.volume)),
    )
    mass = s.rounded(mass, charge.load_rounding)
    if charge.load_allowance:
        free = n(charge.load_allowance * s.part.share)
        mass = a.maximum(mass - free, n(Decimal(0)))
    size, unit = _SIZES[charge.rate_per]
    if unit != load.mass:
        size = size * _POUND if unit == "lb" else size / _POUND
    rate = n(excess.rate * charge.multiplier / size)
    label = f"{charge.name}, {excess.parameter} above {excess.threshold:f} mg/L"
    return [PricedTerm(label, mass, load.mass, rate, mass * rate)]


def band_terms(charge: StrengthBands, s: Setting) -> list[PricedTerm]:
    """A rate per volume for each band, or part of one, above the threshold."""
    n = s.number
    excess = _excess(charge, s)
    bands = EXACT.rounded(excess.above / charge.band, _WHOLE_UP)
    volume = s.volumes(charge.volume)
    use = s.arithmetic.divide(
        volume.value * n(s.schedule.litres(volume.unit)), n(s.schedule.litres(charge.unit))
    )
    rate = n(bands * charge.rate * charge.multiplier)
    return [PricedTerm(f"{charge.name}, {bands} bands", use, charge.unit, rate, use * rate)]


def share_terms(charge: StrengthShare, s: Setting) -> list[PricedTerm]:
    """A share of other lines, as far as the concentration exceeds its threshold."""
    n = s.number
    excess = _excess(charge, s)
    share = excess.above / (charge.divisor or charge.threshold)
    base = sum((s.line_amount(line) for line in charge.of), n(Decimal(0)))
    rate = n(share * charge.multiplier)
    return [PricedTerm(charge.name, base, "of lines", rate, base * rate)]


def trade_effluent_terms(charge: TradeEffluentCharge, s: Setting) -> list[PricedTerm]:
    """Conveyance, treatment, and strength relative to standard sewage, per volume."""
    n = s.number
    volume = s.volumes(charge.volume)
    use: Any = s.arithmetic.divide(
        volume.value * n(s.schedule.litres(volume.unit)), n(s.schedule.litres(charge.unit))
    )
    oxygen = _measured(s, charge.oxygen_demand_parameter) / charge.standard_oxygen_demand
    solids = _measured(s, charge.solids_parameter) / charge.standard_solids
    parts = {
        "conveyance": charge.conveyance,
        "treatment": charge.treatment,
        "biological volume": charge.biological_volume,
        "sea outfall": charge.sea_outfall,
        f"biological x {charge.oxygen_demand_parameter}": charge.biological * oxygen,
        f"solids x {charge.solids_parameter}": charge.solids * solids,
    }
    rates = {name: rate * charge.multiplier for name, rate in parts.items() if rate}
    if charge.unit_rate_rounding is not None:
        whole = sum(rates.values(), Decimal(0))
        rates = {"unit rate": s.rounded_exact(whole, charge.unit_rate_rounding)}
    return [
        PricedTerm(f"{charge.name}, {name}", use, charge.unit, n(rate), use * n(rate))
        for name, rate in rates.items()
    ]
