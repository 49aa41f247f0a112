"""One discharge from a hand reading: value, validity, source, accuracy."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from sewer_audit.errors import AuditError, OutOfRange
from sewer_audit.hydraulics.conduits.area_velocity import AreaVelocity
from sewer_audit.hydraulics.devices import FLAG_MEANINGS, Accuracy, Device, Rule
from sewer_audit.hydraulics.echo import EchoRanger, echo_distance
from sewer_audit.hydraulics.elements.parshall import ParshallFlume
from sewer_audit.hydraulics.kinds import DEVICES, find_kind
from sewer_audit.hydraulics.notes import remarks_of, rules_of
from sewer_audit.hydraulics.tables import facts_of, families_of
from sewer_audit.sources import STATED
from sewer_audit.units import from_si, parse

CAUTION = (
    "Read from the surface wherever possible. A manhole, a meter pit or a vault is a confined "
    "space: gas, lack of oxygen, traffic, electricity near water and sudden flow kill; entry only "
    "by trained people under the local rules and permits."
)

READINGS = {
    "head": "length",
    "depth": "length",
    "velocity": "velocity",
    "downstream_head": "length",
    "flow": "discharge",
    "distance": "length",
    "time": "time",
    "air_temperature": "temperature",
    "humidity": "ratio",
    "reference_distance": "length",
    "blanking_distance": "length",
}
_ECHO = ("distance", "time", "air_temperature", "humidity", "reference_distance")
_ECHO_EXTRA = ("blanking_distance",)


@dataclass(frozen=True)
class HandReading:
    """The answer to one hand reading.

    Units: discharge_m3s [m3/s]; level_m [m]; limits_m [m].
    """

    device: str
    method: str
    discharge_m3s: float | None
    level_m: float | None
    valid: bool
    flags: tuple[str, ...]
    source: str
    accuracy: tuple[Accuracy, ...]
    datum: str
    limits_m: tuple[float, float] | None
    rules: tuple[Rule, ...]
    equation: str
    inverse: bool = False
    trend_grade: bool = False
    remarks: tuple[str, ...] = ()
    field: tuple[str, ...] = ()
    caution: str = CAUTION

    def as_dict(self) -> dict[str, Any]:
        """Everything as plain values for JSON.

        Units: returns [SI].
        """
        return _plain(dataclasses.asdict(self))

    def __str__(self) -> str:
        lines = [f"{self.device} ({self.method})" + (", trend grade" if self.trend_grade else "")]
        if self.discharge_m3s is not None:
            flow = self.discharge_m3s
            lines.append(
                f"  discharge  {flow:.5g} m3/s = {1000 * flow:.5g} L/s"
                f" = {from_si(flow, 'gpm', 'discharge'):.5g} US gpm"
            )
        if self.level_m is not None:
            inches = from_si(self.level_m, "inch", "length")
            answer = "  (from the flow)" if self.inverse else ""
            lines.append(f"  level      {self.level_m:.4g} m = {inches:.4g} in{answer}")
        lines.append(f"  valid      {'yes' if self.valid else 'NO: outside what is published'}")
        lines += [f"  flag       {flag}: {FLAG_MEANINGS[flag].text}" for flag in self.flags]
        lines.append(f"  datum      {self.datum}")
        if self.limits_m is not None:
            low, high = (from_si(each, "inch", "length") for each in self.limits_m)
            lines.append(
                f"  limits     {self.limits_m[0]:.4g} to {self.limits_m[1]:.4g} m"
                f" = {low:.4g} to {high:.4g} in"
            )
        lines.append(f"  equation   {self.equation}")
        lines.append(f"  source     {self.source}")
        for each in self.accuracy:
            lines.append(
                f"  accuracy   {100 * each.relative:.2g} % ({each.cause}; confidence "
                f"{each.confidence}; {each.source})"
            )
            lines.append(f"  grade      {each.grade or STATED}: how that figure is known")
        lines += [f"  field      {text}" for text in self.field]
        lines += [
            f"  rule       {rule.subject}: {rule.text} [{rule.source}]" for rule in self.rules
        ]
        lines += [f"  note       {remark}" for remark in self.remarks]
        lines.append(f"  caution    {self.caution}")
        return "\n".join(lines)


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _plain(each) for key, each in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(each) for each in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def hand_reading(device_word: str, pairs: Mapping[str, str]) -> HandReading:
    """Discharge, validity, source and accuracy of one reading.

    Parameters
    ----------
    pairs : mapping
        Sizes of the device and the reading, each with its unit; `flow` in place of the level asks
        for the level [text].

    Raises
    ------
    AuditError
        If a key is unknown, missing or no quantity, or the level is not unique.

    Examples
    --------
    >>> answer = hand_reading("parshall", {"throat": "6 in", "head": "3 in"})
    >>> round(answer.discharge_m3s * 15850.32, 1), answer.valid
    (103.4, True)
    """
    if device_word.strip().lower() == "echo":
        return _echo_reading(pairs)
    try:
        kind = find_kind(device_word)
    except OutOfRange as error:
        raise OutOfRange(f"{error}, echo") from None
    readings, sizes = {}, {}
    for key, text in pairs.items():
        if key in READINGS and key not in kind.sizes:
            readings[key] = _quantity(key, text)
        else:
            sizes[key] = text
    device = kind.build(**sizes)
    if device.level_column and "flow" in readings:
        return _inverse(kind.word, device, readings)
    return _direct(kind.word, device, readings)


def _quantity(key: str, text: str) -> float:
    try:
        return parse(text, READINGS[key])
    except AuditError as error:
        raise AuditError(f"{key}: {error}") from None


def _direct(word: str, device: Device, readings: dict[str, float]) -> HandReading:
    flags: list[str] = []
    if device.level_column and any(key in readings for key in _ECHO):
        if device.level_column in readings:
            raise AuditError(f"state {device.level_column} or an echo, not both; leave one out")
        level, flags = _level_from_echo(readings)
        readings = {**readings, device.level_column: level}
        for key in (*_ECHO, *_ECHO_EXTRA):
            readings.pop(key, None)
    _check_readings(word, device, readings)
    discharge = float(device.discharge(**readings))
    flags += [name for name, raised in device.flags(**readings).items() if bool(raised)]
    level = readings[device.level_column] if device.level_column else None
    answer = _answer(word, device, discharge, level, flags)
    if isinstance(device, ParshallFlume) and "submerged" in flags:
        other = device.other_correction(readings["head"], readings["downstream_head"])
        if other is not None:
            remark = f"The other published correction gives {float(other):.5g} m3/s."
            answer = dataclasses.replace(answer, remarks=(remark, *answer.remarks))
    return answer


def _check_readings(word: str, device: Device, readings: Mapping[str, float]) -> None:
    takes = (*device.columns, *device.optional_columns)
    wrong = [key for key in readings if key not in takes]
    if wrong:
        raise AuditError(
            f"{word} takes no reading {wrong[0]!r}; it takes {', '.join(takes)}, and its sizes "
            f"{', '.join(DEVICES[word].sizes)}"
        )
    missing = [key for key in device.columns if key not in readings]
    if missing:
        raise AuditError(f"{word} needs the reading {' and '.join(missing)}; state it with a unit")


def _inverse(word: str, device: Device, readings: dict[str, float]) -> HandReading:
    flow = readings.pop("flow")
    level_key = device.level_column
    assert level_key is not None
    if level_key in readings:
        raise AuditError(f"state {level_key} or flow, not both; leave out the one that is asked")
    if isinstance(device, AreaVelocity) and "velocity" in readings:
        level = device.depth_for(flow, readings["velocity"])
        readings[level_key] = level
    elif readings:
        raise AuditError(
            f"a level from flow cannot use {next(iter(readings))}; state flow and the sizes alone"
        )
    else:
        level = float(device.head_for(flow))
        readings[level_key] = level
    flags = [name for name, raised in device.flags(**readings).items() if bool(raised)]
    return _answer(word, device, flow, level, flags, inverse=True)


def _accuracy(device: Device, level: float | None) -> tuple[Accuracy, ...]:
    """The published accuracy, at this level where it depends on it."""
    stated = device.notes.accuracy
    width = getattr(device, "coefficient_uncertainty", None)
    if width is None or level is None or not level > 0:
        return stated
    return tuple(
        dataclasses.replace(each, relative=float(width(level)), source=each.source.split(", at")[0])
        for each in stated
    )


def _answer(
    word: str,
    device: Device,
    discharge: float,
    level: float | None,
    flags: list[str],
    inverse: bool = False,
) -> HandReading:
    notes = device.notes
    return HandReading(
        word,
        device.method,
        discharge,
        level,
        not any(FLAG_MEANINGS[flag].spoils for flag in flags),
        tuple(flags),
        "; ".join(notes.sources),
        _accuracy(device, level),
        notes.datum,
        notes.head_limits,
        notes.rules,
        notes.equation,
        inverse,
        notes.trend_grade,
        notes.remarks,
        tuple(
            f"{row['text']} [{row['source']}]"
            for row in facts_of("field", *families_of(device.method))
        ),
    )


def _level_from_echo(readings: Mapping[str, float]) -> tuple[float, list[str]]:
    if "reference_distance" not in readings:
        raise AuditError(
            "an echo needs reference_distance, from sensor face to datum; state it with a unit"
        )
    if "distance" in readings:
        distance = readings["distance"]
    elif "time" in readings and "air_temperature" in readings:
        humidity = readings.get("humidity", 0.0)
        distance = float(echo_distance(readings["time"], readings["air_temperature"], humidity))
    else:
        raise AuditError("an echo needs time and air_temperature, or distance; state them")
    ranger = EchoRanger(readings["reference_distance"], readings.get("blanking_distance", 0.0))
    flags = [name for name, raised in ranger.flags(distance).items() if bool(np.any(raised))]
    return float(ranger.head(distance)), flags


def _echo_reading(pairs: Mapping[str, str]) -> HandReading:
    takes = (*_ECHO, *_ECHO_EXTRA)
    wrong = [key for key in pairs if key not in takes]
    if wrong:
        raise AuditError(f"echo knows no key {wrong[0]!r}; it takes {', '.join(takes)}")
    level, flags = _level_from_echo({key: _quantity(key, text) for key, text in pairs.items()})
    return HandReading(
        "echo",
        "echo ranging",
        None,
        level,
        not any(FLAG_MEANINGS[flag].spoils for flag in flags),
        tuple(flags),
        "ISO 9613-1:1993 for the speed of sound (from memory); WMO-No. 8 for moist air (from "
        "memory)",
        (),
        "where reference_distance ends: the datum of the device below the sensor",
        None,
        rules_of("echo"),
        "head = reference_distance - c t/2, c = 343.2 sqrt(T/293.15) (m, s, K)",
        remarks=(
            *remarks_of("echo"),
            "An air temperature wrong by 1 K moves the distance, not the head, by 0.17 %.",
        ),
    )
