"""Every kind of device with the keys that describe it, as a case file and the command line know it.

Words and keys stand in the file of the device's family; here is how a device is built from them.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from sewer_audit.errors import AuditError, OutOfRange
from sewer_audit.hydraulics.conduits.area_velocity import AreaVelocity
from sewer_audit.hydraulics.conduits.full_pipe import FullPipeMeter
from sewer_audit.hydraulics.conduits.manning import ManningConduit, roughness_of
from sewer_audit.hydraulics.conduits.sections import (
    CircularSection,
    EggSection,
    RectangularSection,
    Section,
    TabulatedSection,
)
from sewer_audit.hydraulics.devices import Device
from sewer_audit.hydraulics.elements.cipolletti import CipollettiWeir
from sewer_audit.hydraulics.elements.h_flume import HFlume
from sewer_audit.hydraulics.elements.palmer_bowlus import PalmerBowlusFlume
from sewer_audit.hydraulics.elements.parshall import ParshallFlume
from sewer_audit.hydraulics.elements.rating_table import RatingTable
from sewer_audit.hydraulics.elements.rectangular_weir import RectangularWeir
from sewer_audit.hydraulics.elements.throated import RectangularThroatedFlume, UThroatedFlume
from sewer_audit.hydraulics.elements.user_flumes import CutthroatFlume, TrapezoidalFlume
from sewer_audit.hydraulics.elements.v_notch import VNotchWeir
from sewer_audit.hydraulics.tables import families
from sewer_audit.spoken import FOOT
from sewer_audit.units import parse


@dataclass(frozen=True)
class Size:
    """One key that describes a device."""

    dimension: str
    example: str
    about: str
    required: bool = True


@dataclass(frozen=True)
class DeviceKind:
    """A kind of device: its words, its keys, and how to build it."""

    word: str
    make: Callable[..., Device]
    sizes: Mapping[str, Size] = field(default_factory=dict)
    methods: tuple[str, ...] = ()

    def build(self, **quantities: str) -> Device:
        """Build the device from quantities as text, such as ``throat="6 in"``."""
        unknown = [key for key in quantities if key not in self.sizes]
        if unknown:
            raise AuditError(
                f"{self.word} knows no key {unknown[0]!r}; it takes {', '.join(self.sizes)}"
            )
        missing = [k for k, size in self.sizes.items() if size.required and k not in quantities]
        if missing:
            size = self.sizes[missing[0]]
            raise AuditError(
                f"{self.word} needs {' and '.join(missing)}; "
                f"write for example {missing[0]} = {size.example!r} ({size.about})"
            )
        return self.make(**{key: self._value(key, text) for key, text in quantities.items()})

    def _value(self, key: str, text: str) -> Any:
        dimension = self.sizes[key].dimension
        if dimension == "text":
            return str(text)
        try:
            return parse(text, dimension)
        except AuditError as error:
            raise AuditError(f"{key} of {self.word}: {error}") from None


def points(text: str, first: str, second: str) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Read pairs such as "1 in: 5 gpm, 2 in: 14 gpm".

    Units: returns [SI].
    """
    pairs = [pair for pair in re.split(r"[,;]", re.sub(r"[\[\]()'\"]", "", text)) if pair.strip()]
    left, right = [], []
    for pair in pairs:
        sides = pair.split(":")
        if len(sides) != 2:
            raise AuditError(f"{pair.strip()!r} is no pair; write for example '2 in: 14 gpm'")
        left.append(parse(sides[0], first))
        right.append(parse(sides[1], second))
    return tuple(left), tuple(right)


# flumes


def _system(units: str) -> float:
    """Length of one unit of the coefficient system [m]."""
    if units.lower() in ("ft", "feet", "us"):
        return FOOT
    if units.lower() in ("m", "metre", "meter", "si"):
        return 1.0
    raise OutOfRange(f"units {units!r} of the coefficients are not known; write ft or m")


def _trapezoidal(coefficient: float, exponent: float, units: str, **rest: Any) -> Device:
    unit = _system(units)
    return TrapezoidalFlume(coefficient * unit**3 / unit**exponent, exponent, **rest)


def _cutthroat(coefficient: float, exponent: float, units: str, **rest: Any) -> Device:
    unit = _system(units)
    scale = unit**3 / unit ** (1.025 + exponent)
    if "submerged_coefficient" in rest:
        rest["submerged_coefficient"] *= scale
    return CutthroatFlume(coefficient=coefficient * scale, exponent=exponent, **rest)


def _table(table: str, family: str = "rating-table", **rest: Any) -> RatingTable:
    levels, discharges = points(table, "length", "discharge")
    return RatingTable(levels, discharges, family=family, **rest)


def _palmer_bowlus(**given: Any) -> Device:
    table_keys = {"table", "source", "accuracy", "interpolation"}
    if "table" in given:
        if "source" not in given:
            raise AuditError("a rating table needs its source; state who made it, when, for what")
        wrong = sorted(set(given) - table_keys)
        if wrong:
            raise AuditError(f"{wrong[0]} does not go with a table; leave one of them out")
        datum = "floor of the throat, not the invert of the pipe"
        return _table(family="palmer-bowlus", datum=datum, **given)
    needed = ("diameter", "floor_width", "wall_slope", "hump", "throat_length")
    missing = [key for key in needed if key not in given]
    if missing:
        raise AuditError(
            f"palmer-bowlus needs {' and '.join(missing)}, or the maker's table; "
            "write for example table = '2 in: 14 gpm, 4 in: 60 gpm' and its source"
        )
    return PalmerBowlusFlume(**{key: given[key] for key in needed})


# conduits


def _rectangle(width: float, height: float, covered: str = "no") -> RectangularSection:
    if covered.lower() not in ("yes", "no", "true", "false"):
        raise OutOfRange(f"covered = {covered!r} is not known; write yes or no")
    return RectangularSection(width, height, covered.lower() in ("yes", "true"))


def _surveyed(section: str) -> TabulatedSection:
    return TabulatedSection(*points(section, "length", "length"))


SECTIONS: dict[tuple[str, ...], Callable[..., Section]] = {
    ("diameter",): CircularSection,
    ("width", "height", "covered"): _rectangle,
    ("height",): EggSection,
    ("egg_height",): EggSection,
    ("section",): _surveyed,
}
"""Section from the keys that describe it."""


def _section(keys: tuple[str, ...], given: dict[str, Any]) -> Section:
    """The section, its keys taken out of what was given."""
    return SECTIONS[keys](*(given.pop(key) for key in keys if key in given))


def _manning(*shape: str) -> Callable[..., Device]:
    """What builds a conduit from the keys of its section, its slope and roughness."""

    def make(slope: float, roughness: str, **given: Any) -> Device:
        section = _section(shape, given)
        try:
            value, source = parse(roughness, "ratio"), "stated by the user"
        except AuditError:
            found = roughness_of(roughness)
            value = found.normal
            source = (
                f"{found.material}, normal value of {found.minimum:g} to {found.maximum:g}, "
                f"{found.source}"
            )
        return ManningConduit(section, slope, value, roughness_source=source, **given)

    return make


def _area_velocity(**given: Any) -> Device:
    used = [keys for keys in SECTIONS if keys != ("height",) and any(key in given for key in keys)]
    if len(used) != 1 or (used[0][0] == "width" and not {"width", "height"} <= set(given)):
        raise AuditError(
            "area-velocity needs exactly one section: diameter, width and height, egg_height, or "
            "section; write for example diameter = '12 in'"
        )
    return AreaVelocity(_section(used[0], given), **given)


MAKERS: dict[str, Callable[..., Device]] = {
    "parshall": ParshallFlume,
    "h-flume": HFlume,
    "long-throated": RectangularThroatedFlume,
    "u-throated": UThroatedFlume,
    "palmer-bowlus": _palmer_bowlus,
    "trapezoidal": _trapezoidal,
    "cutthroat": _cutthroat,
    "rating-table": _table,
    "v-notch": VNotchWeir,
    "rectangular-weir": RectangularWeir,
    "cipolletti": CipollettiWeir,
    "circular-pipe": _manning("diameter"),
    "rectangular-channel": _manning("width", "height", "covered"),
    "egg-shaped-pipe": _manning("height"),
    "surveyed-channel": _manning("section"),
    "area-velocity": _area_velocity,
    "full-pipe": FullPipeMeter,
}
"""What builds each device; the order of every list of devices."""


def _kinds() -> dict[str, DeviceKind]:
    told = {row["word"]: row for facts in families().values() for row in facts.get("devices", ())}
    return {word: _kind(make=make, **told[word]) for word, make in MAKERS.items()}


def _kind(
    word: str, make: Callable[..., Device], methods: list[str], keys: list[dict[str, Any]]
) -> DeviceKind:
    sizes = {key["name"]: Size(**{k: v for k, v in key.items() if k != "name"}) for key in keys}
    return DeviceKind(word, make, sizes, tuple(methods))


DEVICES = _kinds()


def find_kind(word: str) -> DeviceKind:
    """Find a kind of device by its word or by the method of a case file.

    Parameters
    ----------
    word : str
        Such as "parshall", "parshall flume" or "V-notch weir" [text].

    Raises
    ------
    OutOfRange
        If no kind has that name.
    """
    plain = _plain(word)
    for kind in DEVICES.values():
        if plain in {_plain(name) for name in (kind.word, *kind.methods)}:
            return kind
    raise OutOfRange(f"method {word!r} is not known; known are {', '.join(DEVICES)}")


def _plain(word: str) -> str:
    return " ".join(word.lower().replace("-", " ").replace("_", " ").split())


def build_device(method: str, sizes: Mapping[str, str]) -> Device:
    """Build a device from a method and its sizes as text.

    Parameters
    ----------
    method : str
        Word of the device or method of a case file [text].
    sizes : mapping
        Key to value with its unit [text].

    Raises
    ------
    AuditError
        If method or sizes are not known, missing or impossible.
    """
    return find_kind(method).build(**sizes)


def device_rows() -> list[dict[str, Any]]:
    """Devices and their keys.

    Returns
    -------
    list of dict
        device, methods (other words for it in a case), keys: list of name, required, example,
        about; JSON-ready [text].
    """
    return [
        {
            "device": word,
            "methods": list(kind.methods),
            "keys": [
                {"name": n, "required": s.required, "example": s.example, "about": s.about}
                for n, s in kind.sizes.items()
            ],
        }
        for word, kind in DEVICES.items()
    ]


def device_list() -> str:
    """The same as text for a terminal."""
    lines = ["Devices, the sizes each needs, and those it may be told (in brackets):", ""]
    for word, kind in DEVICES.items():
        also = f"   (in a case file also: {', '.join(kind.methods)})" if kind.methods else ""
        lines.append(f"{word}{also}")
        for name, size in kind.sizes.items():
            shown = f"'{name}={size.example}'"
            lines.append(f"  {shown if size.required else f'[{shown}]':<44} {size.about}")
    lines += [
        "echo   (distance and level from an echo time; no discharge)",
        "  its keys stand in the message of: sewer-audit discharge echo",
        "",
        "A reading follows the sizes: 'head=3 in', or 'depth=…' and 'velocity=…', or 'flow=…'.",
        "Example: sewer-audit discharge parshall 'throat=6 in' 'head=3 in'",
    ]
    return "\n".join(lines)
