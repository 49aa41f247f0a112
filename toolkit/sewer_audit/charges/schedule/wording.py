"""A charge of the schedule in one sentence, so that a reader can hold it beside the printed one."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

from sewer_audit.charges.schedule.figures import plain
from sewer_audit.charges.schedule.kinds import (
    FixedCharge,
    MaximumCharge,
    MinimumCharge,
    PercentCharge,
    Periodic,
    StrengthBands,
    StrengthCharge,
    StrengthShare,
    TradeEffluentCharge,
    VolumeCharge,
)

if TYPE_CHECKING:
    from sewer_audit.charges.schedule.versions import Version


def rates_of(charge: Any, version: Version, currency: str) -> str:
    """What a charge is, in words.

    Parameters
    ----------
    charge : one of the kinds of charge
        As the schedule states it [-].
    version : Version
        The edition it stands in, for the unit of its volume [-].
    """
    if isinstance(charge, VolumeCharge):
        text = _volume(charge, charge.unit or version.volume_named(charge.volume).unit, currency)
    else:
        text = _KINDS[type(charge)](charge, currency)
    if charge.multiplier != 1:
        text += f", times {plain(charge.multiplier)}"
    if not charge.in_total:
        text += ", not in the total"
    return text


def _money(value: Decimal, currency: str) -> str:
    shown = plain(value)
    if shown.as_tuple().exponent > -2:
        shown = shown.quantize(Decimal("0.01"))
    return f"{currency} {shown:f}"


def _table(rows: dict[str, Decimal], currency: str) -> str:
    return "; ".join(f"{name} {_money(value, currency)}" for name, value in rows.items())


def _amount(charge: Periodic, currency: str) -> str:
    if charge.by_meter_size or charge.by_class:
        what = "meter size" if charge.by_meter_size else "class"
        rows = charge.by_meter_size or charge.by_class
        return f"by {what} ({_table(rows, currency)}) per {charge.per}"
    return f"{_money(charge.amount or Decimal(0), currency)} per {charge.per}"


def _by_days(charge: Periodic) -> str:
    if charge.proration == "standard days":
        return f", by days of a {charge.per} of {plain(charge.standard_days)}"
    return "" if charge.proration == "none" else f", by days of the calendar {charge.per}"


def _fixed(charge: FixedCharge, currency: str) -> str:
    text = _amount(charge, currency)
    if charge.by_diameter is not None:
        text += f" times (meter diameter / {plain(charge.by_diameter)})²"
    if charge.count is not None:
        several = "" if charge.count_per == 1 else f"{plain(charge.count_per)} "
        text += f" for each {several}{' times '.join(charge.counts)}"
    return text + _by_days(charge)


def _volume(charge: VolumeCharge, unit: str, currency: str) -> str:
    if charge.rate_per != 1:
        unit = f"{plain(charge.rate_per)} {unit}"
    of = f" of {charge.volume}" if charge.volume else ""
    if charge.rate is not None:
        text = f"{_money(charge.rate, currency)} per {unit}{of}"
    elif charge.rate_by_class:
        text = f"by class ({_table(charge.rate_by_class, currency)}) per {unit}{of}"
    else:
        steps = [
            f"{_money(block.rate, currency)} "
            + (f"up to {block.to}" if block.to is not None else "above")
            + (f" beyond {_money(block.base, currency)}" if block.base is not None else "")
            for block in charge.blocks
        ]
        text = f"per {unit}{of}, in blocks per {charge.blocks_per}: {', '.join(steps)}"
        if charge.blocks_on == "whole volume":
            text += "; the whole volume at the rate of its last block"
    if charge.allowance is not None:
        text += f", {charge.allowance} free per {charge.allowance_per}"
    return text


def _minimum(charge: MinimumCharge, currency: str) -> str:
    lines = " and ".join(charge.of)
    return f"what {lines} falls short of {_amount(charge, currency)}{_by_days(charge)}"


def _maximum(charge: MaximumCharge, currency: str) -> str:
    lines = " and ".join(charge.of)
    most = f"{_amount(charge, currency)}{_by_days(charge)}"
    return f"what {lines} goes beyond {most} is taken off"


def _percent(charge: PercentCharge, _currency: str) -> str:
    lines = "every line above" if charge.of == "all" else " and ".join(charge.of)
    text = f"{plain(charge.rate * 100)} % of {lines}"
    if charge.count is not None:
        text += f", times {charge.count}"
    if charge.against:
        text += f", at most what {' and '.join(charge.against)} comes to"
    return text


def _load(charge: StrengthCharge, currency: str) -> str:
    load = charge.load
    text = (
        f"{_money(charge.rate, currency)} per {charge.rate_per} of {charge.parameter} above "
        f"{plain(charge.threshold)} mg/L, {plain(load.constant)} {load.mass} in a {load.volume} of "
        "1 mg/L"
    )
    if charge.instead is not None:
        text += f", or of {charge.instead.parameter} where its ratio exceeds "
        text += f"{plain(charge.instead.ratio)}"
    return text


def _bands(charge: StrengthBands, currency: str) -> str:
    return (
        f"{_money(charge.rate, currency)} per {charge.unit} for each {plain(charge.band)} mg/L of "
        f"{charge.parameter}, or part, above {plain(charge.threshold)} mg/L"
    )


def _share(charge: StrengthShare, _currency: str) -> str:
    lines = " and ".join(charge.of)
    over = plain(charge.divisor or charge.threshold)
    return (
        f"{lines} times ({charge.parameter} less {plain(charge.threshold)} mg/L) / {over} mg/L, "
        "if above zero"
    )


def _trade(charge: TradeEffluentCharge, currency: str) -> str:
    first = charge.conveyance + charge.treatment + charge.biological_volume + charge.sea_outfall
    oxygen, solids = charge.oxygen_demand_parameter, charge.solids_parameter
    return (
        f"per {charge.unit}: {_money(first, currency)} + {plain(charge.biological):f} {oxygen} / "
        f"{plain(charge.standard_oxygen_demand)} + {plain(charge.solids):f} {solids} / "
        f"{plain(charge.standard_solids)}"
    )


_KINDS = {
    FixedCharge: _fixed,
    MinimumCharge: _minimum,
    MaximumCharge: _maximum,
    PercentCharge: _percent,
    StrengthCharge: _load,
    StrengthBands: _bands,
    StrengthShare: _share,
    TradeEffluentCharge: _trade,
}
