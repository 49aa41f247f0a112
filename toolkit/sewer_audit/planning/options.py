"""Does a flow element fit a site, and how well: solids, approach, highest flow, fall."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from sewer_audit.hydraulics import FLAG_MEANINGS
from sewer_audit.planning.catalogue import Candidate
from sewer_audit.planning.expected import ExpectedFlow
from sewer_audit.planning.site import SELF_CLEANSING, PipeSite, Setting
from sewer_audit.units import GRAVITY
from sewer_audit.wording import Words

SMALL = 0.05
"""Share of the volume that may pass outside the published limits at low flow; judgement [-]."""
SLOWEST, FASTEST = 0.3, 5.0
"""Velocities a full-pipe meter is used between; common practice, no source [m/s]."""
SHALLOWEST = 0.05
"""Least depth at which a velocity sensor is used; common practice, no source [m]."""
BENDS = 2.5
"""Loss of a trap over its velocity head (two bends, entry, exit); judgement [-]."""
CLEARANCE = {"v-notch weir": 0.06, "rectangular weir": 0.10, "cipolletti weir": 0.06}
"""Tailwater below the crest: USBR ch. 7 (V), ISO 1438 (rectangular, from memory); for the
Cipolletti the USBR figure of 0.2 ft is taken over [m]."""
TALL = {"rectangular weir": 1.0, "cipolletti weir": 0.5}
"""Largest head over crest height for the accuracy stated: ISO 1438 (1.5 % below 1, from memory),
USBR ch. 7 (Cipolletti: two heads, from memory) [-]."""
NEAR_LIMIT = 0.9
"""Share of a published upper limit beyond which the highest flow leaves little room; judgement."""

Criterion = Literal["solids", "approach", "highest flow", "fall"]
CRITERIA: tuple[Criterion, ...] = ("solids", "approach", "highest flow", "fall")
"""What fitness is judged by, the weightiest first; the order is judgement."""
OPEN, CARE, SETTLES = 1, 2, 3
"""How much a point takes from the fitness: not known, needs care, solids settle in it [-]."""


@dataclass(frozen=True)
class Option:
    """A candidate looked at for one site and one expected flow.

    heads: at minimum, mean and peak, velocities where there is none. fitness: what speaks against
    it by each of the criteria, 0 for nothing, weightiest first.
    """

    candidate: Candidate
    device: Any
    heads: tuple[float, float, float]
    outside: float
    setting: Setting | None
    refused: tuple[str, ...]
    warnings: tuple[str, ...]
    open: tuple[str, ...]
    fitness: tuple[int, ...] = (0,) * len(CRITERIA)

    @property
    def settles(self) -> bool:
        """Whether solids are known to settle in it at every flow expected."""
        return self.fitness[0] >= SETTLES

    @property
    def fits(self) -> bool:
        """Whether nothing known speaks against it [-]."""
        return not self.refused

    @property
    def trend(self) -> bool:
        """Whether the method shows trends only [-]."""
        return self.device.notes.trend_grade


class _Notes:
    """Collects what speaks against an option, what to mind, what is open."""

    def __init__(self, words: Words) -> None:
        self.words = words
        self.refused: list[str] = []
        self.warnings: list[str] = []
        self.open: list[str] = []
        self.against: dict[Criterion, int] = dict.fromkeys(CRITERIA, 0)

    def said(self, name: str, **values: Any) -> str:
        """The sentence of a name."""
        return self.words(f"plans.option.{name}", **values)

    def mind(self, name: str, of: Criterion, grade: int = CARE, **values: Any) -> None:
        """Something to mind, and what of the fitness it takes."""
        self.warnings.append(self.said(name, **values))
        self.against[of] = max(self.against[of], grade)

    def refuse(self, name: str, **values: Any) -> None:
        """Something that speaks against it."""
        self.refused.append(self.said(name, **values))

    def unknown(self, name: str, *of: Criterion, **values: Any) -> None:
        """Something the case leaves open."""
        self.open.append(self.said(name, **values))
        for each in of:
            self.against[each] = max(self.against[each], OPEN)

    def partly(self, name: str, share: float, of: Criterion, **values: Any) -> None:
        """Where the method is not relied on for a share of the volume."""
        if share <= SMALL:
            self.mind(name, of, share=share, **values)
        else:
            self.refuse(name, share=share, **values)

    def settling(self, speed: float, site: PipeSite, name: str) -> None:
        """Whether solids will settle even at the fastest; said with the velocity needed."""
        if site.solids != "none" and speed < SELF_CLEANSING:
            said, limit = self.words.spoken.velocity(speed), self.practice(SELF_CLEANSING)
            self.mind(name, "solids", SETTLES, speed=said, limit=limit)

    def solids_open(self, site: PipeSite) -> None:
        """Whether the case says what solids there are."""
        if site.solids is None:
            self.unknown("no_solids", "solids")

    def high(self, value: float, limit: float | None) -> None:
        """Whether the highest flow comes close to what the method is published for."""
        if limit and NEAR_LIMIT * limit < value <= limit:
            self.mind("near_limit", "highest flow", share=value / limit)

    def practice(self, limit: float) -> str:
        """A limit of common practice as it is said where people read feet: no odd decimals."""
        said = self.words.spoken.velocity(limit, 3)
        number, unit = said.split()
        whole = round(float(number))
        return f"{whole} {unit}" if whole and abs(float(number) / whole - 1) < 0.03 else said

    def made(
        self, candidate: Candidate, device: Any, heads: Any, outside: float, setting: Any
    ) -> Option:
        three = tuple(float(each) for each in heads)
        parts = (tuple(self.refused), tuple(self.warnings), tuple(self.open))
        parts = (*parts, tuple(self.against.values()))  # type: ignore[assignment]
        return Option(candidate, device, three, outside, setting, *parts)  # type: ignore[arg-type]


def examine(candidate: Candidate, flow: ExpectedFlow, site: PipeSite, words: Words) -> Option:
    """Look at one candidate."""
    ways: dict[str, Callable[..., Option]] = {
        "trap with full-pipe meter": _full_pipe,
        "area velocity": _in_pipe,
        "manning": _in_pipe,
    }
    return ways.get(candidate.family, _element)(_Notes(words), candidate, flow, site)


def _three(flow: ExpectedFlow) -> np.ndarray:
    return np.array([flow.minimum, flow.mean, flow.peak])


def _element(notes: _Notes, candidate: Candidate, flow: ExpectedFlow, site: PipeSite) -> Option:
    """A flume or a weir."""
    device, least = _with_crest(candidate, flow)
    heads = np.asarray(device.head_for(flow.quantiles), dtype=float)
    outside = _validity(notes, device, flow, head=heads)
    three = np.asarray(device.head_for(_three(flow)), dtype=float)
    if candidate.family == "parshall flume":
        allowed = device.size.transition * heads
    else:
        allowed = np.full(len(heads), -CLEARANCE.get(candidate.family, 0.0))
    setting = site.setting(flow.quantiles, heads, allowed, least, "weir" in candidate.family)
    limits = device.notes.head_limits
    notes.high(float(three[-1]), None if limits is None else limits[1])
    _room(notes, site, setting, candidate)
    _solids(notes, candidate, flow, site, setting)
    if candidate.family == "v-notch weir":
        _angle(notes, device.angle)
    return notes.made(candidate, device, three, outside, setting)


def _angle(notes: _Notes, angle: float) -> None:
    """What the angle as built does; dQ/Q = d(angle)/sin(angle), and the USBR's range (read)."""
    degree = math.radians(1.0) / math.sin(angle)
    notes.warnings.append(notes.said("notch", share=degree))
    if not 25 <= math.degrees(angle) <= 100:
        notes.warnings.append(notes.said("outside_usbr"))


def _with_crest(candidate: Candidate, flow: ExpectedFlow) -> tuple[Any, float]:
    """The device with the crest height its published limits ask for [m]."""
    device = candidate.device()
    if "weir" not in candidate.family:
        return device, 0.0
    head = float(device.head_for(flow.peak))
    if candidate.family == "v-notch weir":
        share = 0.4 if candidate.sizes["angle"] == "90 deg" else 0.35
        least = max(head / share, 0.09)
    else:
        least = max(head / TALL[candidate.family], 0.10)
    least = math.ceil(least / candidate.step) * candidate.step
    return candidate.device(crest_height=f"{least:.5f} m"), least


def _validity(notes: _Notes, device: Any, flow: ExpectedFlow, **readings: np.ndarray) -> float:
    """Share of the volume outside the published limits; refusals at peak, warnings at low flow."""
    outside = np.zeros(len(flow.quantiles), dtype=bool)
    for flag, where in device.flags(**readings).items():
        meaning = FLAG_MEANINGS[flag]
        where = np.broadcast_to(np.asarray(where, dtype=bool), outside.shape)
        if not where.any():
            continue
        share = flow.share(where)
        if not meaning.spoils:
            if flag != "near transition":
                notes.warnings.append(meaning.text)
            continue
        outside |= where
        said = notes.said("concerns", meaning=meaning.text, share=share)
        low = flag == "below head limit" and share <= SMALL
        (notes.warnings if low else notes.refused).append(said)
    return flow.share(outside)


def _room(notes: _Notes, site: PipeSite, setting: Setting, candidate: Candidate) -> None:
    """Fall, backwater and surcharge."""
    if math.isnan(setting.fall):
        notes.unknown("no_tailwater", "approach", "fall")
    elif site.drop is None:
        notes.unknown("no_drop", "fall", fall=setting.fall)
    ceiling = site.ceiling
    if ceiling is None:
        notes.unknown("no_headroom", "highest flow")
    elif setting.depth > ceiling:
        notes.refuse("too_deep", depth=setting.depth, allowed=ceiling)
    if setting.backwater > 0.02:
        notes.mind("backs_up", "approach", backwater=setting.backwater)
    if setting.raised > 0.001 and "weir" not in candidate.family:
        notes.mind("raised", "fall", raised=setting.raised)


def _solids(
    notes: _Notes, candidate: Candidate, flow: ExpectedFlow, site: PipeSite, setting: Setting
) -> None:
    weir = "weir" in candidate.family
    notes.solids_open(site)
    if weir and site.solids == "heavy":
        notes.refuse("heavy_weir")
    elif weir and site.solids == "some":
        notes.mind("some_weir", "solids", SETTLES)
    if site.conduit is None or weir:
        return
    area = float(site.conduit.section.area(min(setting.depth, site.diameter or setting.depth)))
    speed = flow.peak / area if area > 0 else math.inf
    notes.settling(speed, site, "slow_approach")


def _in_pipe(notes: _Notes, candidate: Candidate, flow: ExpectedFlow, site: PipeSite) -> Option:
    """Area-velocity and Manning: no fall needed, but depth and velocity of the pipe itself."""
    device = candidate.device()
    depth = site.depth(flow.quantiles)
    if np.isnan(depth).any():
        notes.unknown("no_slope", "approach", "highest flow")
        return notes.made(candidate, device, (math.nan,) * 3, 0.0, None)
    velocity = site.velocity(flow.quantiles)
    outside = _validity(notes, device, flow, depth=depth, velocity=velocity)
    if float(depth[-1]) >= float(site.diameter or math.inf):
        notes.refuse("runs_full")
    if candidate.family == "area velocity":
        shallow = flow.share(depth < SHALLOWEST)
        if shallow > 0:
            notes.partly("shallow", shallow, "approach", depth=SHALLOWEST)
            outside = max(outside, shallow)
    if site.solids in ("some", "heavy"):
        notes.mind("sediment", "solids")
    notes.solids_open(site)
    notes.settling(float(velocity.max()), site, "slow_pipe")
    notes.high(float(depth[-1]), site.diameter)
    return notes.made(candidate, device, site.depth(_three(flow)), outside, None)


def _full_pipe(notes: _Notes, candidate: Candidate, flow: ExpectedFlow, site: PipeSite) -> Option:
    """A meter that is kept full by a trap; its heads are velocities."""
    bore = float(candidate.bore or 0.0)
    area = math.pi * bore**2 / 4
    velocity = flow.quantiles / area
    slow = flow.share(velocity < SLOWEST)
    if velocity[-1] > FASTEST:
        speed = notes.words.spoken.velocity(velocity[-1])
        notes.refuse("fast_meter", speed=speed, limit=notes.practice(FASTEST))
    if slow > 0:
        notes.partly("slow_meter", slow, "approach", limit=notes.practice(SLOWEST))
    notes.high(float(velocity[-1]), FASTEST)
    notes.solids_open(site)
    notes.settling(float(velocity[-1]), site, "slow_trap")
    loss = BENDS * velocity[-1] ** 2 / (2 * GRAVITY)
    normal = site.depth(flow.quantiles)
    setting = Setting(0.0, loss, math.nan, math.nan)
    if not np.isnan(normal).any():
        drop = site.drop or 0.0
        depth = max(float(normal[-1]) + loss - drop, float(normal[-1]))
        setting = Setting(0.0, loss, depth, depth - float(normal[-1]))
        _room(notes, site, setting, candidate)
    else:
        notes.unknown("no_backwater", "approach", "highest flow")
    if site.solids == "heavy":
        notes.mind("heavy_trap", "solids")
    return notes.made(candidate, candidate.device(), _three(flow) / area, slow, setting)
