"""Every kind of device with the keys that describe it."""

from __future__ import annotations

import re
from collections.abc import Callable
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
from sewer_audit.hydraulics.registry import DEVICES, DeviceKind, Size
from sewer_audit.units import parse

__all__ = ["points"]

FOOT = 0.3048


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


def _add(word: str, make: Callable[..., Device], methods: tuple[str, ...], **sizes: Size) -> None:
    DEVICES[word] = DeviceKind(word, make, sizes, methods)


def _length(example: str, about: str, required: bool = True) -> Size:
    return Size("length", required, example, about)


def _number(example: str, about: str, required: bool = True) -> Size:
    return Size("ratio", required, example, about)


def _text(example: str, about: str, required: bool = True) -> Size:
    return Size("text", required, example, about)


SOURCE = _text("maker's table 12, 2015", "document the figures come from")
ACCURACY = _number("3 %", "half width the source states", False)


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


_add(
    "parshall",
    ParshallFlume,
    ("parshall flume",),
    throat=_length("6 in", "throat width, a standard size"),
    submergence=_text("direct", "correction for submergence: direct or subtractive", False),
)
_add(
    "h-flume",
    HFlume,
    ("h flume", "hs flume", "hl flume"),
    kind=_text("H", "HS, H or HL"),
    depth=_length("1 ft", "depth of the flume, a standard size"),
)
_add(
    "long-throated",
    RectangularThroatedFlume,
    ("long-throated flume", "rectangular long-throated flume"),
    throat_width=_length("0.30 m", "width of the throat"),
    throat_length=_length("0.90 m", "length of the throat"),
    approach_width=_length("0.60 m", "width of the approach channel"),
    hump=_length("0 m", "throat floor over the approach floor", False),
)
_add(
    "u-throated",
    UThroatedFlume,
    ("u-throated flume",),
    diameter=_length("0.30 m", "diameter of the U"),
    throat_length=_length("0.60 m", "length of the throat"),
    approach_width=_length("0.45 m", "width of the approach channel"),
    hump=_length("0 m", "throat invert over the approach floor", False),
)
_add(
    "palmer-bowlus",
    _palmer_bowlus,
    ("palmer-bowlus flume",),
    table=_text("2 in: 14 gpm, 4 in: 60 gpm", "the maker's rating table", False),
    source=_text("maker's table 12, 2015", "where the table comes from", False),
    accuracy=ACCURACY,
    interpolation=_text("log", "log or linear", False),
    diameter=_length("12 in", "diameter of the pipe", False),
    floor_width=_length("4 in", "width of the throat floor", False),
    wall_slope=_number("0.5", "horizontal run of the throat walls per rise", False),
    hump=_length("1 in", "throat floor over the pipe invert", False),
    throat_length=_length("12 in", "length of the throat", False),
)
_add(
    "trapezoidal",
    _trapezoidal,
    ("trapezoidal flume",),
    coefficient=_number("1.55", "discharge at a head of 1 in the stated units"),
    exponent=_number("2.58", "exponent of the head"),
    units=_text("ft", "units of the coefficient: ft (and ft3/s) or m (and m3/s)"),
    source=SOURCE,
    head_low=_length("0.1 ft", "lower limit of the head", False),
    head_high=_length("1 ft", "upper limit of the head", False),
    accuracy=ACCURACY,
)
_add(
    "cutthroat",
    _cutthroat,
    ("cutthroat flume",),
    throat=_length("1 ft", "throat width"),
    length=_length("9 ft", "length of the flume"),
    coefficient=_number("3.5", "K of the free equation in the stated units"),
    exponent=_number("1.56", "exponent of the head"),
    units=_text("ft", "units of the coefficients: ft (and ft3/s) or m (and m3/s)"),
    source=SOURCE,
    submerged_coefficient=_number("2.5", "Ks of the submerged equation", False),
    submerged_exponent=_number("1.2", "ns of the submerged equation", False),
    transition=_number("80 %", "submergence at which it begins", False),
    accuracy=ACCURACY,
)
_add(
    "rating-table",
    _table,
    ("rating table",),
    table=_text("2 in: 14 gpm, 4 in: 60 gpm", "pairs of level and discharge"),
    source=SOURCE,
    interpolation=_text("log", "log or linear", False),
    accuracy=ACCURACY,
    datum=_text("floor of the throat", "level the heads are counted from", False),
)

# weirs

_add(
    "v-notch",
    VNotchWeir,
    ("v-notch weir", "triangular weir"),
    angle=Size("angle", True, "90 deg", "full angle of the notch"),
    crest_height=_length("1.5 ft", "vertex above the channel floor", False),
    channel_width=_length("3 ft", "width of the approach channel", False),
)
_add(
    "rectangular-weir",
    RectangularWeir,
    ("rectangular weir",),
    crest_length=_length("1 ft", "length of the crest"),
    channel_width=_length("3 ft", "width of the approach channel", False),
    crest_height=_length("1 ft", "crest above the channel floor", False),
    formula=_text("kindsvater-carter", "kindsvater-carter, or rehbock for full width", False),
)
_add(
    "cipolletti",
    CipollettiWeir,
    ("cipolletti weir",),
    crest_length=_length("1 ft", "length of the crest"),
    crest_height=_length("1 ft", "crest above the channel floor", False),
    channel_width=_length("4 ft", "width of the approach channel", False),
)

# conduits


def _manning(section: Section, slope: float, roughness: str, **rest: Any) -> Device:
    try:
        value, source = parse(roughness, "ratio"), "stated by the user"
    except AuditError:
        found = roughness_of(roughness)
        value = found.normal
        source = (
            f"{found.material}, normal value of {found.minimum:g} to {found.maximum:g}, "
            f"{found.source}"
        )
    return ManningConduit(section, slope, value, roughness_source=source, **rest)


def _yes(word: str) -> bool:
    if word.lower() not in ("yes", "no", "true", "false"):
        raise OutOfRange(f"covered = {word!r} is not known; write yes or no")
    return word.lower() in ("yes", "true")


def _surveyed(section: str) -> TabulatedSection:
    return TabulatedSection(*points(section, "length", "length"))


def _rectangle(width: float, height: float, covered: str = "no") -> RectangularSection:
    return RectangularSection(width, height, _yes(covered))


def _circular_pipe(diameter: float, **rest: Any) -> Device:
    return _manning(CircularSection(diameter), **rest)


def _channel(width: float, height: float, covered: str = "no", **rest: Any) -> Device:
    return _manning(_rectangle(width, height, covered), **rest)


def _egg(height: float, **rest: Any) -> Device:
    return _manning(EggSection(height), **rest)


def _surveyed_channel(section: str, **rest: Any) -> Device:
    return _manning(_surveyed(section), **rest)


def _area_velocity(**given: Any) -> Device:
    ways = {
        ("diameter",): CircularSection,
        ("width", "height", "covered"): _rectangle,
        ("egg_height",): EggSection,
        ("section",): _surveyed,
    }
    used = [keys for keys in ways if any(key in given for key in keys)]
    if len(used) != 1 or (used[0][0] == "width" and not {"width", "height"} <= set(given)):
        raise AuditError(
            "area-velocity needs exactly one section: diameter, width and height, egg_height, or "
            "section; write for example diameter = '12 in'"
        )
    shape = [given.pop(key) for key in used[0] if key in given]
    return AreaVelocity(ways[used[0]](*shape), **given)


_SLOPE = _number("0.4 %", "slope of the invert")
_ROUGHNESS = _text("0.013", "Manning's n, or a material of the table")
_WALLS = {
    "width": _length("0.5 m", "width of the floor"),
    "height": _length("0.6 m", "height of the walls"),
    "covered": _text("no", "yes if a roof closes it", False),
}
_SECTION = "0 m: 0.2 m, 0.3 m: 0.5 m"

_add(
    "circular-pipe",
    _circular_pipe,
    ("manning", "circular pipe", "manning pipe", "manning circular pipe"),
    diameter=_length("8 in", "inside diameter"),
    slope=_SLOPE,
    roughness=_ROUGHNESS,
    variation=_text("constant", "constant, or with depth", False),
)
_add(
    "rectangular-channel",
    _channel,
    ("rectangular channel", "manning rectangular channel"),
    **_WALLS,
    slope=_SLOPE,
    roughness=_ROUGHNESS,
)
_add(
    "egg-shaped-pipe",
    _egg,
    ("egg-shaped pipe", "manning egg-shaped pipe"),
    height=_length("0.9 m", "inside height"),
    slope=_SLOPE,
    roughness=_ROUGHNESS,
)
_add(
    "surveyed-channel",
    _surveyed_channel,
    ("surveyed channel", "manning surveyed channel"),
    section=_text(_SECTION, "pairs of depth and width"),
    slope=_SLOPE,
    roughness=_ROUGHNESS,
)
_add(
    "area-velocity",
    _area_velocity,
    ("area velocity",),
    diameter=_length("27 in", "diameter of a circular pipe", False),
    **{key: Size(size.dimension, False, size.example, size.about) for key, size in _WALLS.items()},
    egg_height=_length("0.9 m", "height of an egg-shaped sewer", False),
    section=_text(_SECTION, "pairs of depth and width", False),
    velocity_factor=_number("0.9", "mean velocity over reported velocity", False),
    sediment=_length("0 in", "depth of settled sediment", False),
)
_add(
    "full-pipe",
    FullPipeMeter,
    ("full pipe", "full pipe meter"),
    accuracy=_number("2 %", "half width of the meter's error", False),
    source=_text("test certificate 2024", "where that figure comes from", False),
)
