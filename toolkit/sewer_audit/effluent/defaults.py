"""Uncertain causes of an effluent volume: the defaults, their sources, and what a case overrides.

Every default is marked as such and listed in the report with its source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from importlib.resources import files
from typing import Any

import numpy as np

from sewer_audit.effluent.rating import AIR
from sewer_audit.hydraulics.tables import facts_of, families_of
from sewer_audit.sources import cite, sourced_rows
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
STEPS = {
    "cleaning": 0.010,
    "bracket moved": 0.030,
    "sensor replaced": 0.020,
}
"""What was done to the instrument: standard uncertainty of the step of its zero (judgement); of a
cleaning, of what had grown since the one before and was taken off [m]."""
WIDTHS = {"throat width": "throat", "crest length": "crest_length"}
NO_SIZE = "; dimensions have no cause of their own in this method, this figure stands for them too"


def _tables() -> dict[str, dict[str, tuple[Any, ...]]]:
    """Group to cause, or method of an exponent, to what a cause is made of; SI."""
    found: dict[str, dict[str, tuple[Any, ...]]] = {}
    for row in sourced_rows(files(__package__).joinpath("causes.csv")):
        by = (row["source"], row["text"])
        said = ": ".join(by) if row["grade"] == "judgement" else "; ".join(by[::-1])
        unit = "1" if row["unit"] == 1 else row["unit"]
        figures = row["standard"], unit, row["shape"], row["persistence"], said, row["grade"]
        found.setdefault(row["group"], {})[row["cause"]] = figures
    return found


DEFAULTS = _tables()
"""Figures of ``causes.csv``, rectangular ones as standard uncertainties too [SI]."""
LEVEL_DEFAULTS = DEFAULTS["level"]


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
        for group in ("level", "air") if echo else ("level",):
            causes += [_cause(name, *figures) for name, figures in DEFAULTS[group].items()]
    else:
        causes.append(_cause("clock", *LEVEL_DEFAULTS["clock"]))
    if tail:
        causes += [_cause(name, *figures) for name, figures in DEFAULTS["tail"].items()]
    causes += _sizes(device)
    if "velocity" in device.columns:
        causes += [_cause(name, *figures) for name, figures in DEFAULTS["velocity"].items()]
    sized = any(name in (*WIDTHS, *DEFAULTS["size"]) for name in _size_names(device))
    tail = "" if sized else NO_SIZE
    for accuracy in device.notes.accuracy:
        divisor = np.sqrt(3.0) if accuracy.shape == "rectangular" else 2.0
        source = f"{accuracy.source}; {_confidence(accuracy.confidence)}{tail}"
        figures = accuracy.relative / divisor, "1", accuracy.shape, "whole record", source
        causes.append(_cause(accuracy.cause, *figures, accuracy.grade))
    if device.method in DEFAULTS["exponent"]:
        causes.append(_cause("exponent", *DEFAULTS["exponent"][device.method]))
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
            standard, _, *others = DEFAULTS["width"]["width"]
            causes.append(_cause(name, standard / float(size), "1", *others))
        elif name in DEFAULTS["size"]:
            causes.append(_cause(name, *DEFAULTS["size"][name]))
    return causes


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


UNREAD_DRIFT = _cause("zero drift", *DEFAULTS["unread"]["zero drift"])
"""Drift of a level instrument that no visit has read."""
