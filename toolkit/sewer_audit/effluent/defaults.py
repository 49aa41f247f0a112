"""Uncertain causes of an effluent volume: the defaults, their sources, and what a case overrides.

Every default is marked as such and listed in the report with its source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sewer_audit.effluent.rating import AIR
from sewer_audit.hydraulics.tables import facts_of, families_of
from sewer_audit.sources import cite
from sewer_audit.uncertainty import Cause

__all__ = [
    "HAND",
    "OTHER_HOURS",
    "SETTING",
    "STEPS",
    "SUBMERGED",
    "TAIL",
    "CauseSet",
    "assemble",
    "causes_of",
    "unseen",
]

OURS = cite("judgement")
SETTING = "setting of the zero"
SUBMERGED = "submergence not seen"
TAIL = ("downstream zero", "submergence method")
"""Causes that act where a head below the device is recorded [text]."""
OTHER_HOURS = "air at other hours"
HAND = 0.003
"""Standard uncertainty of a hand reading of which nothing is stated [m]."""
# cause: (standard uncertainty [SI], SI unit, shape, persistence, source)
LEVEL_DEFAULTS = {
    "zero error": (
        0.0025,
        "m",
        "normal",
        "between visits",
        cite("gauging-standard", "the larger figure is taken; replace by the site's own visits"),
        "read",
    ),
    "zero drift": (
        0.0010,
        "m",
        "normal",
        "between visits",
        f"{OURS}; a random walk between visits",
    ),
    "gauge datum": (
        0.0010,
        "m",
        "normal",
        "whole record",
        f"{OURS}: known within twice this; shared by all visits",
    ),
    "hand reading": (
        HAND,
        "m",
        "normal",
        "each reading",
        cite(
            "usgs-sw-96-05",
            "each visit of which the case states no hand_standard; never below "
            "what the visits themselves scatter",
        ),
        "read",
    ),
    SETTING: (
        0.0005,
        "m",
        "normal",
        "between visits",
        f"{OURS}: half a digit of a display, at each re-zeroing",
    ),
    "head noise": (
        0.0010,
        "m",
        "normal",
        "each reading",
        f"{OURS}; forgotten after one reading",
    ),
    "clock": (
        60.0,
        "s",
        "normal",
        "whole record",
        f"{OURS}: within 2 minutes",
    ),
}
STEPS = {
    "cleaning": 0.010,
    "bracket moved": 0.030,
    "sensor replaced": 0.020,
}
"""What was done to the instrument: standard uncertainty of the step of its zero (judgement); of a
cleaning, of what had grown since the one before and was taken off [m]."""
VELOCITY_NOISE = (
    0.03,
    "m/s",
    "normal",
    "each reading",
    f"{OURS}; what does not average out belongs to the velocity factor",
)
LASTING = "normal", "whole record"
WIDTH_STANDARD = 0.0005
"""Standard uncertainty of a width measured with a steel rule to the millimetre [m]."""
WIDTHS = {"throat width": "throat", "crest length": "crest_length"}
WIDTH_SOURCE = f"{OURS}: measured with a steel rule within twice this; replace by a measurement"
# size of the device: (standard uncertainty, SI unit, source)
SIZES = {
    "notch angle": (
        0.0022,
        "rad",
        f"{OURS}: from top width and depth within a quarter of a degree",
    ),
    "diameter": (
        0.005,
        "1",
        f"{OURS}: a laid pipe within 1 % of the stated diameter",
    ),
    "slope": (
        0.05,
        "1",
        f"{OURS}: from levels at two manholes within 10 %",
    ),
    "section width": (
        0.005,
        "1",
        f"{OURS}: within 1 % of the stated or surveyed width",
    ),
}
NO_SIZE = "; dimensions have no cause of their own in this method, this figure stands for them too"
ISO_FORM = (
    "the uncertainty of a discharge by {document} has terms for coefficient, size and head, none "
    "for the exponent (form from memory): that of the coefficient stands for the whole curve, and "
    "a further one would count the same error twice"
)
ONE_FIGURE = (
    OURS + ": the figure stated for {what} is one of the discharge at any head; a spread of the "
    "exponent beside it would count the same error twice"
)
# method: why the exponent of its curve has no spread unless the case states one
EXPONENT_ZERO = {
    "parshall flume": ISO_FORM.format(document="ISO 9826"),
    "v-notch weir": ISO_FORM.format(document="ISO 1438"),
    "rectangular weir": ISO_FORM.format(document="ISO 1438"),
    "cipolletti weir": ISO_FORM.format(document="ISO 1438, thin-plate weirs"),
    "long-throated flume": ISO_FORM.format(document="ISO 4359"),
    "u-throated flume": ISO_FORM.format(document="ISO 4359"),
    "h-flume": ONE_FIGURE.format(what="the flume"),
    "palmer-bowlus flume": ONE_FIGURE.format(what="the flume"),
    "trapezoidal flume": ONE_FIGURE.format(what="the coefficients"),
    "cutthroat flume": ONE_FIGURE.format(what="the coefficients"),
    "rating table": ONE_FIGURE.format(what="the table"),
    "manning": f"{OURS}: the figure of the roughness stands for the misfit of the Manning "
    "equation at any depth; a spread of an exponent beside it would count the same error twice",
}
OFFSET_ZERO = (
    f"{OURS}: the figure of the velocity factor stands for the sensor as a whole; state an "
    "offset where a check in still water has found one"
)
TAIL_DEFAULTS = {
    "downstream zero": (
        0.0025,
        "m",
        "normal",
        "whole record",
        cite("gauging-standard", "the larger figure, as for the first sensor; no visit reads it"),
        "read",
    ),
    "submergence method": (
        1 / np.sqrt(3.0),
        "1",
        "rectangular",
        "whole record",
        f"{OURS}: the truth may lie as far off as the other published correction, to either side; "
        "where there is none, a quarter of the reduction",
    ),
}
HUMIDITY_DEFAULT = (
    0.2 / np.sqrt(3.0),
    "1",
    "rectangular",
    "whole record",
    f"{OURS}: within a fifth of saturation of what is stated, or of saturated air in a sewer",
)
AIR_DEFAULT = (
    1.0,
    "K",
    "rectangular",
    "whole record",
    f"{OURS}: sensor beside, not in, the path of the echo",
)


@dataclass(frozen=True)
class CauseSet:
    """Causes of an effluent volume, sorted by how they act.

    Parameters
    ----------
    zero : Cause or None
        Zero error at the start of a visit interval [m].
    drift : Cause or None
        Growth of the zero error in 30 days [m].
    noise : Cause or None
        Head noise of each reading [m].
    shared : mapping
        Every other shared cause by name [SI].
    scales : mapping
        Cause to exponent of (1 + error) on the volume [-].
    sizes : mapping
        Cause to the field of the device it perturbs [text].
    velocity_noise : Cause or None
        Noise of each reading of the velocity [m/s].
    """

    zero: Cause | None
    drift: Cause | None
    noise: Cause | None
    shared: Mapping[str, Cause]
    scales: Mapping[str, float]
    sizes: Mapping[str, str]
    velocity_noise: Cause | None = None

    @property
    def all(self) -> list[Cause]:
        """Every cause [SI]."""
        special = (self.zero, self.drift, self.noise, self.velocity_noise)
        return [cause for cause in special if cause is not None] + list(self.shared.values())


def assemble(device: Any, stated: Sequence[Any], echo: bool, tail: bool = False) -> CauseSet:
    """Join the published defaults of the method with what the case states.

    Parameters
    ----------
    device : Device
        The flow element or conduit [-].
    stated : sequence of Cause
        Causes the case states; they replace defaults of the same name [SI].
    echo : bool
        Whether the level comes from an echo time [-].
    tail : bool
        Whether a head below the device is recorded [-].

    Returns
    -------
    CauseSet
        Sorted causes; every default carries its source [SI].
    """
    causes = {cause.name: cause for cause in _defaults(device, echo, tail)}
    known = {cause.name: cause for cause in unseen(device, tail)} | causes
    for cause in stated:
        causes[cause.name] = _merged(cause, known.get(cause.name))
    level = device.level_column is not None
    special = ("zero error", "zero drift", "head noise")
    picked = {name: causes.pop(name, None) for name in special}
    if not level:
        picked = dict.fromkeys(special)
    velocity = causes.pop("velocity noise", None)
    powers = {**device.scale_causes, SUBMERGED: -1.0}
    scales = {name: power for name, power in powers.items() if name in causes}
    sizes = {name: field for name, field in device.shape_causes.items() if name in causes}
    return CauseSet(
        *(picked[name] for name in special),
        causes,
        scales,
        sizes,
        velocity if "velocity" in device.columns else None,
    )


def _merged(stated: Cause, default: Cause | None) -> Cause:
    """A stated cause; what it leaves open (persistence) is taken from the default."""
    if default is None or stated.persistence:
        return stated
    return replace(stated, persistence=default.persistence)


def causes_of(
    device: Any, echo: bool, by_hand: bool = False, tail: bool = False
) -> tuple[str, ...]:
    """Names of the causes that can act on a volume measured with a device.

    Parameters
    ----------
    device : Device
        The flow element or conduit [-].
    echo : bool
        Whether the level comes from an echo time [-].
    by_hand : bool
        Whether the record is one of hand readings, which know no logger [-].
    tail : bool
        Whether a head below the device is recorded [-].

    Returns
    -------
    tuple of str
        In the order of the report [text].
    """
    every = [*_defaults(device, echo, tail), *unseen(device, tail)]
    names = dict.fromkeys(cause.name for cause in every)
    loggers = ("zero drift", "gauge datum", "head noise", "clock", "velocity noise")
    loggers += (*AIR, "hand reading", SETTING)
    return tuple(name for name in names if not (by_hand and name in loggers))


def _defaults(device: Any, echo: bool, tail: bool) -> list[Cause]:
    causes = []
    if device.level_column is not None:
        for name, figures in LEVEL_DEFAULTS.items():
            causes.append(_cause(name, *figures))
        if echo:
            causes.append(_cause("air temperature", *AIR_DEFAULT))
            causes.append(_cause("air humidity", *HUMIDITY_DEFAULT))
    else:
        causes.append(_cause("clock", *LEVEL_DEFAULTS["clock"]))
    if tail:
        causes += [_cause(name, *figures) for name, figures in TAIL_DEFAULTS.items()]
    causes += _sizes(device)
    if "velocity" in device.columns:
        causes.append(_cause("velocity noise", *VELOCITY_NOISE))
        causes.append(_cause("velocity offset", 0.0, "m/s", *LASTING, OFFSET_ZERO))
    tail = "" if any(name in (*WIDTHS, *SIZES) for name in _size_names(device)) else NO_SIZE
    for accuracy in device.notes.accuracy:
        divisor = np.sqrt(3.0) if accuracy.shape == "rectangular" else 2.0
        source = f"{accuracy.source}; {_confidence(accuracy.confidence)}{tail}"
        figures = accuracy.relative / divisor, "1", accuracy.shape, "whole record", source
        causes.append(_cause(accuracy.cause, *figures, accuracy.grade))
    if device.method in EXPONENT_ZERO:
        causes.append(_cause("exponent", 0.0, "1", *LASTING, EXPONENT_ZERO[device.method]))
    return causes


def unseen(device: Any, tail: bool) -> list[Cause]:
    """What makes a record read too high until the checklist settles it; none of it in `assemble`.

    Units: returns [SI].
    """
    return [
        _cause(
            row["cause"],
            row["standard"],
            row["unit"],
            "exponential",
            "whole record",
            f"{row['source']}: {row['text']}",
            row["grade"],
        )
        for row in facts_of("unseen", *families_of(device.method))
        if not (tail and row.get("second_head"))
    ]


def _size_names(device: Any) -> list[str]:
    return list({**device.scale_causes, **device.shape_causes})


def _confidence(stated: str) -> str:
    if stated == "not stated":
        return "no confidence is stated with it, so it is taken as limits"
    return f"stated at {stated}"


def _sizes(device: Any) -> list[Cause]:
    """Sizes of the device that its volume depends on, as far as they are usually measured."""
    causes = []
    for name in _size_names(device):
        size = getattr(device, device.shape_causes.get(name, WIDTHS.get(name, "")), None)
        if name in WIDTHS and size:
            relative = WIDTH_STANDARD / float(size)
            causes.append(_cause(name, relative, "1", "normal", "whole record", WIDTH_SOURCE))
        elif name in SIZES:
            standard, unit, source = SIZES[name]
            causes.append(_cause(name, standard, unit, "normal", "whole record", source))
    return causes


UNREAD_DRIFT = Cause(
    "zero drift",
    0.003,
    unit="m",
    persistence="between visits",
    source=f"{OURS}: all one way, in 30 days, of an instrument nobody reads; a visit ends it",
    default=True,
    grade="judgement",
)
"""Drift of a level instrument that no visit has read."""


def _cause(
    name: str,
    standard: float,
    unit: str,
    shape: str,
    persistence: str,
    source: str,
    grade: str = "judgement",
) -> Cause:
    return Cause(
        name,
        standard,
        unit=unit,
        shape=shape,
        persistence=persistence,
        source=source,
        default=True,
        grade=grade,
    )
