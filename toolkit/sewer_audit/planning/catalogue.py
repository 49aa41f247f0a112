"""Every flow element a plan considers, by the words and sizes of a case file."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from sewer_audit.hydraulics import build_device
from sewer_audit.hydraulics.elements.parshall import parshall_sizes
from sewer_audit.hydraulics.tables import rows_of
from sewer_audit.planning.site import PipeSite
from sewer_audit.units import to_si
from sewer_audit.wording import template

ANGLES = ("22.5 deg", "30 deg", "45 deg", "60 deg", "90 deg")
CRESTS = ("0.5 ft", "0.75 ft", "1 ft", "1.5 ft", "2 ft", "3 ft", "4 ft")
METERS = ("2 in", "3 in", "4 in", "6 in", "8 in", "10 in", "12 in")
METRIC_CRESTS = ("150 mm", "250 mm", "300 mm", "500 mm", "600 mm", "900 mm", "1200 mm")
METRIC_METERS = ("50 mm", "80 mm", "100 mm", "150 mm", "200 mm", "250 mm", "300 mm")
STEPS = {True: 0.005, False: 0.0254 / 4}
"""Step that a crest height is rounded up to, metric or not: 5 mm or a quarter inch [m]."""
NOT_RATED = tuple(template("plans.not_rated").values())
"""Kinds that a plan cannot size, and why [text]."""


@dataclass(frozen=True)
class Candidate:
    """A flow element of one size; bore and step in [m]."""

    family: str
    label: str
    method: str
    sizes: dict[str, str] = field(default_factory=dict)
    bore: float | None = None
    step: float = STEPS[True]

    def device(self, **more: str) -> Any:
        """The device of the library."""
        return build_device(self.method, {**self.sizes, **more})


def candidates(site: PipeSite, metric: bool = False) -> Iterator[Candidate]:
    """All candidates of every family."""
    for size in METRIC_METERS if metric else METERS:
        name = f"trap with a {size} full-pipe meter"
        bore = _metres(size)
        yield Candidate("trap with full-pipe meter", name, "full pipe meter", {}, bore)
    for size in parshall_sizes():
        if not size.metric or metric:
            label = f"{size.label} Parshall flume"
            yield Candidate("parshall flume", label, "parshall flume", {"throat": size.label})
    for row in rows_of("h_flume"):
        depth = f"{row['depth_ft']:g} ft"
        sizes = {"kind": row["kind"], "depth": depth}
        yield Candidate("h flume", f"{depth} {row['kind']} flume", "h flume", sizes)
    yield from _weirs(site, metric)
    yield from _conduits(site)


def _weirs(site: PipeSite, metric: bool) -> Iterator[Candidate]:
    wide = {} if site.approach_width is None else {"channel_width": f"{site.approach_width:.4f} m"}
    for angle in ANGLES:
        label = f"{angle} V-notch weir"
        sizes = {"angle": angle, **wide}
        yield Candidate("v-notch weir", label, "v-notch weir", sizes, step=STEPS[metric])
    room = math.inf if site.approach_width is None else site.approach_width
    for crest in METRIC_CRESTS if metric else CRESTS:
        if _metres(crest) > room:
            continue
        sizes = {"crest_length": crest, **wide}
        for kind in ("rectangular weir", "cipolletti weir"):
            label = f"{crest} {kind.replace('c', 'C', 1) if kind[0] == 'c' else kind}"
            yield Candidate(kind, label, kind, sizes, step=STEPS[metric])


def _metres(size: str) -> float:
    """A size such as "6 in" [m]."""
    number, unit = size.split()
    return float(to_si(float(number), unit, "length"))


def _conduits(site: PipeSite) -> Iterator[Candidate]:
    if site.diameter is None:
        return
    round_pipe = {"diameter": f"{site.diameter:.5f} m"}
    yield Candidate(
        "area velocity", "area-velocity sensor in the pipe", "area velocity", round_pipe
    )
    if site.slope is not None:
        sizes = {**round_pipe, "slope": f"{site.slope:.6g}", "roughness": f"{site.roughness:.6g}"}
        yield Candidate("manning", "depth and Manning's equation, for trend", "manning", sizes)
