"""Every flow element a plan considers, by the words and sizes of a case file."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from sewer_audit.hydraulics import build_device
from sewer_audit.hydraulics.parshall import parshall_sizes
from sewer_audit.hydraulics.tables import rows_of
from sewer_audit.planning.site import PipeSite

__all__ = ["NOT_RATED", "Candidate", "candidates"]

ANGLES = ("22.5 deg", "30 deg", "45 deg", "60 deg", "90 deg")
CRESTS = ("0.5 ft", "0.75 ft", "1 ft", "1.5 ft", "2 ft", "3 ft", "4 ft")
METERS = ("2 in", "3 in", "4 in", "6 in", "8 in", "10 in", "12 in")
NOT_RATED = (
    "Palmer-Bowlus flumes are not in this comparison: no rating of theirs is published, it belongs "
    "to the maker's throat. State the maker's table under [effluent] of a case to audit one.",
    "Long-throated flumes and flumes of other shapes are made to measure; state the sizes under "
    "[effluent] of a case to rate one.",
)
"""Kinds that a plan cannot size, and why [text]."""


@dataclass(frozen=True)
class Candidate:
    """A flow element of one size.

    Units: bore [m].
    """

    family: str
    label: str
    method: str
    sizes: dict[str, str] = field(default_factory=dict)
    bore: float | None = None

    def device(self, **more: str) -> Any:
        """The device of the library."""
        return build_device(self.method, {**self.sizes, **more})


def candidates(site: PipeSite, metric: bool = False) -> Iterator[Candidate]:
    """All candidates of every family."""
    for size in METERS:
        name = f"trap with a {size} full-pipe meter"
        bore = float(size.split()[0]) * 0.0254
        yield Candidate("trap with full-pipe meter", name, "full pipe meter", {}, bore)
    for size in parshall_sizes():
        if not size.metric or metric:
            label = f"{size.label} Parshall flume"
            yield Candidate("parshall flume", label, "parshall flume", {"throat": size.label})
    for row in rows_of("h_flume"):
        depth = f"{row['depth_ft']:g} ft"
        sizes = {"kind": row["kind"], "depth": depth}
        yield Candidate("h flume", f"{depth} {row['kind']} flume", "h flume", sizes)
    yield from _weirs(site)
    yield from _conduits(site)


def _weirs(site: PipeSite) -> Iterator[Candidate]:
    wide = {} if site.approach_width is None else {"channel_width": f"{site.approach_width:.4f} m"}
    for angle in ANGLES:
        label = f"{angle} V-notch weir"
        yield Candidate("v-notch weir", label, "v-notch weir", {"angle": angle, **wide})
    room = math.inf if site.approach_width is None else site.approach_width
    for crest in CRESTS:
        length = float(crest.split()[0]) * 0.3048
        if length > room:
            continue
        sizes = {"crest_length": crest, **wide}
        yield Candidate("rectangular weir", f"{crest} rectangular weir", "rectangular weir", sizes)
        yield Candidate("cipolletti weir", f"{crest} Cipolletti weir", "cipolletti weir", sizes)


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
