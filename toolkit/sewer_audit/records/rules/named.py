"""Screening rules: each has a name, parameters with a default, and the reason for the default.

The defaults are judgements of this toolkit, stated here so that they can be contested; none of
them is a published limit. A case may change any of them or switch a rule off.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from sewer_audit.errors import InputRefused, Problem, UnitError
from sewer_audit.units import DIMENSIONS, parse

__all__ = ["DEFAULT_RULES", "Parameter", "Rule", "screening_rules"]


@dataclass(frozen=True)
class Parameter:
    """One number a rule works with.

    Units: value [SI].
    """

    value: float | None
    dimension: str
    reason: str
    stated: bool = False

    @property
    def unit(self) -> str:
        """SI unit of the value [text]."""
        return "1" if self.dimension == "count" else DIMENSIONS[self.dimension][1]


@dataclass(frozen=True)
class Rule:
    """One screening rule."""

    name: str
    action: str
    about: str
    parameters: Mapping[str, Parameter]
    active: bool = True

    def __getitem__(self, name: str) -> float:
        value = self.parameters[name].value
        assert value is not None
        return value


def _p(value: float | None, dimension: str, reason: str) -> Parameter:
    return Parameter(value, dimension, reason)


DEFAULT_RULES: tuple[Rule, ...] = (
    Rule(
        "out of range",
        "reject",
        "level or velocity that the place cannot have",
        {
            "lowest level": _p(
                -0.02, "length", "noise and zero error seldom read further below zero"
            ),
            "highest level": _p(
                5.0, "length", "deeper than manholes back up; state the site's own"
            ),
            "fastest velocity": _p(6.0, "velocity", "sewers are built to run slower than this"),
        },
    ),
    Rule(
        "backflow",
        "reject",
        "a flow below zero by more than the noise about it",
        {
            "share": _p(0.05, "ratio", "of the high flow; noise about zero stays within it"),
            "often": _p(0.002, "ratio", "of the readings; more are no slips of a meter"),
        },
    ),
    Rule(
        "blanking distance",
        "reject",
        "an echo from inside the range in which the sensor cannot receive",
        {"distance": _p(None, "length", "stated in the sensor's data sheet")},
    ),
    Rule(
        "echo loss",
        "reject",
        "the largest distance or echo time again and again, apart from all others",
        {
            "separation": _p(0.05, "length", "true readings reach up to the largest without a gap"),
            "times": _p(3, "count", "one or two may be chance"),
        },
    ),
    Rule(
        "flat line",
        "reject",
        "exactly the same reading for long: a stuck sensor or a held value",
        {
            "longest": _p(86400.0, "time", "a working site moves the level at least once a day"),
            "shortest": _p(3600.0, "time", "shorter runs of one value hardly move a volume"),
            "movement": _p(0.02, "ratio", "of a usual day's: a last digit that twitches is stuck"),
            "dry level": _p(0.005, "length", "an empty channel may be flat for good reason"),
            "drowning": _p(
                0.5, "ratio", "downstream over upstream head; below it no device drowns"
            ),
            "most": _p(0.5, "ratio", "what fits half the record is no exception"),
        },
    ),
    Rule(
        "isolated zero",
        "reject",
        "zero for a few readings between readings well above it: a zero written for missing",
        {
            "readings": _p(2, "count", "water does not vanish and return within two readings"),
            "neighbours above": _p(0.03, "length", "well above the noise at zero"),
            "together": _p(0.2, "ratio", "of ten readings around a zero; losses come alone"),
            "lumps": _p(0.25, "ratio", "scatter of the flow around zeros; a loss leaves it alone"),
            "often": _p(0.15, "ratio", "losses written as zero are rarer than pauses of a pump"),
            "most": _p(0.01, "ratio", "more than these are a habit of the site or of the logger"),
        },
    ),
    Rule(
        "sudden zeros",
        "reject",
        "from well above to zero and back within a step, for hours, at no hour of its own",
        {
            "times": _p(5, "count", "fewer may be stops of the works"),
            "shortest": _p(1800.0, "time", "shorter ones are runs of a pump, or isolated zeros"),
            "void": _p(0.2, "ratio", "of the usual value: below it nothing but zero is ever read"),
            "often": _p(0.15, "ratio", "losses are rarer than the pauses of a plant"),
            "hours": _p(0.5, "ratio", "mean vector of the hours they start at; a habit has more"),
        },
    ),
    Rule(
        "low-flow cut-off",
        "reject",
        "no flow where it falls below the least that is ever shown: a meter that cuts off",
        {
            "times": _p(5, "count", "fewer may be stops of the works"),
            "void": _p(0.1, "ratio", "of the usual flow: what dies away shows less than this"),
            "beside": _p(0.15, "ratio", "of all flows: a pump stops and starts at its own rate"),
        },
    ),
    Rule(
        "spike",
        "reject",
        "a short excursion from the running median",
        {
            "smallest": _p(0.05, "length", "well above waves and turbulence of a flume"),
            "share": _p(1.0, "ratio", "of the high flow; a meter's own noise is far smaller"),
            "scatter": _p(8.0, "count", "times the usual scatter about the running median"),
            "beyond": _p(
                2.0, "ratio", "times the whole usual range above it, with nothing between"
            ),
            "readings": _p(3, "count", "real floods last longer"),
            "most": _p(0.02, "ratio", "more than these are the site's own way to run"),
            "duration": _p(120.0, "time", "shorter than the discharge of a tank or a batch"),
            "longest step": _p(300.0, "time", "at wider steps one reading may be a real discharge"),
            "single": _p(0.05, "ratio", "of the readings; more of them are the site's own way"),
        },
    ),
    Rule(
        "at the limit",
        "reject",
        "the highest value again and again with nothing near it: the end of the sensor's range",
        {
            "times": _p(20, "count", "fewer may be chance"),
            "share": _p(0.003, "ratio", "of the readings"),
            "near": _p(0.05, "ratio", "below the highest: flow that peaks comes near it as well"),
            "most": _p(0.1, "ratio", "of the readings; more are a pump that runs at one rate"),
        },
    ),
    Rule(
        "second echo",
        "reject",
        "from the shortest distances at once to far longer ones and back: water within the range "
        "in which the sensor cannot receive",
        {
            "near": _p(1.15, "ratio", "of the shortest distance: where the level stood before"),
            "least": _p(1.6, "ratio", "of the distance: the second echo comes back at twice it"),
            "times": _p(5, "count", "fewer may be chance"),
            "longest": _p(43200.0, "time", "a peak of the day is over by then"),
        },
    ),
    Rule(
        "dry or dead",
        "mark",
        "no water for far longer than the site's own pauses: a closed plant or a dead sensor",
        {
            "longest": _p(43200.0, "time", "nights without work are shorter"),
            "dry level": _p(0.005, "length", "less than a sensor tells from an empty channel"),
        },
    ),
    Rule(
        "scale change",
        "mark",
        "days whose low, middle and high values are all the same multiple of the usual ones",
        {
            "factor": _p(1.8, "ratio", "seasons and shifts change less, and not all values alike"),
            "alike": _p(
                1.4, "ratio", "largest over smallest of a day's three; up to the root of it"
            ),
            "days": _p(3, "count", "weekends and holidays are shorter"),
        },
    ),
    Rule(
        "velocity against depth",
        "mark",
        "days whose velocity at its depth differs from the usual: fouled sensor, unit, backwater",
        {
            "change": _p(0.15, "ratio", "of velocity over depth to the power 2/3, day by day"),
            "days": _p(2, "count", "one day may be a cleaning or a flood"),
        },
    ),
    Rule(
        "ponding",
        "mark",
        "hours on end without a low: the sewer below stands full, or something lies on the crest",
        {
            "high": _p(0.97, "ratio", "of all readings lie below, where the record is usual"),
            "longest": _p(28800.0, "time", "a shift ends, a storm runs off"),
            "above": _p(1.2, "ratio", "of the usual level of the hour: a habit is no ponding"),
        },
    ),
    Rule(
        "zero shift",
        "mark",
        "low, middle and high levels move by one amount and stay: the sensor, not the flow",
        {
            "smallest": _p(0.006, "length", "twice what published goals for stage allow"),
            "scatter": _p(3.0, "count", "times the scatter of the medians of so many days"),
            "even": _p(0.5, "ratio", "misfit of one shift for all over that of a change of flow"),
            "days": _p(7, "count", "whole weeks, so that weekends weigh equally"),
        },
    ),
    Rule(
        "falls at visits",
        "mark",
        "the low level falls whenever somebody was there: solids cleaned off the device",
        {
            "smallest": _p(0.006, "length", "twice what published goals for stage allow"),
            "scatter": _p(2.5, "count", "times the scatter of the same change on other days"),
            "share": _p(0.6, "ratio", "of the visits"),
        },
    ),
    Rule(
        "sudden change",
        "mark",
        "a rise or fall faster than water in a sewer",
        {"rate": _p(0.01, "velocity", "rises when pumps start are slower than this")},
    ),
    Rule(
        "step change",
        "mark",
        "the low level of the days shifts and stays: a moved sensor, a changed zero",
        {
            "smallest": _p(0.015, "length", "above what seasons do within two weeks"),
            "scatter": _p(4.0, "count", "times the usual change from day to day"),
            "days": _p(7, "count", "whole weeks, so that weekends weigh equally"),
        },
    ),
    Rule(
        "drift against visits",
        "mark",
        "the instrument differs from the hand reading at a visit",
        {"largest": _p(0.008, "length", "over twice what a ruler in moving water is good for")},
    ),
    Rule(
        "night floor",
        "mark",
        "days whose minimum stays above the usual one: ponding, debris on the crest, infiltration",
        {
            "smallest": _p(0.015, "length", "above what operations do from night to night"),
            "scatter": _p(4.0, "count", "times the usual scatter of the nightly minima"),
            "nights": _p(3, "count", "one or two nights may be night work"),
        },
    ),
    Rule(
        "backwater",
        "mark",
        "a high level with slow water, or a high downstream head: the device may not be free",
        {
            "slow": _p(0.5, "ratio", "free flow runs faster the deeper it is"),
            "high": _p(1.25, "ratio", "clearly above the median level"),
            "submergence": _p(
                0.6, "ratio", "below the limit of every flume in use; see the device"
            ),
        },
    ),
    Rule(
        "surcharge",
        "mark",
        "depth above the crown of the conduit",
        {"crown": _p(None, "length", "inside diameter or height of the conduit")},
    ),
    Rule(
        "wet weather",
        "mark",
        "days of rain, whose flow is compared with that of dry days",
        {
            "rain": _p(0.00635, "length", "less than this in a day hardly runs off"),
            "dry days": _p(2, "count", "days without rain before a day counts as dry"),
        },
    ),
    Rule(
        "temperature anomaly",
        "mark",
        "air temperature that is impossible, jumps, or stands still: echo distance follows it",
        {
            "lowest": _p(243.15, "temperature", "colder than a manhole gets"),
            "highest": _p(343.15, "temperature", "hotter than a manhole gets"),
            "change in an hour": _p(15.0, "temperature difference", "air in a manhole is sluggish"),
            "longest": _p(172800.0, "time", "air without a change for two days is a held value"),
            "swing": _p(10.0, "temperature difference", "on a usual day; sewers change by a few K"),
        },
    ),
    Rule(
        "humidity anomaly",
        "mark",
        "humidity that air cannot have, or that stands still short of saturation",
        {
            "highest": _p(1.05, "ratio", "saturated air, with the error of a sensor"),
            "longest": _p(172800.0, "time", "two days without a change are a held value"),
            "saturated": _p(0.95, "ratio", "above it air in a sewer may stand still"),
        },
    ),
    Rule(
        "rain anomaly",
        "mark",
        "rain below zero, faster than rain falls, or the same for hours",
        {
            "most in an hour": _p(
                0.15, "length", "more than this in an hour is a fault of the gauge"
            ),
            "longest": _p(21600.0, "time", "rain of one rate for six hours is a held value"),
        },
    ),
    Rule(
        "rough surface",
        "mark",
        "hours of far more scatter than usual: foam, turbulence, objects in the beam",
        {
            "scatter": _p(8.0, "count", "times the usual hourly scatter"),
            "smallest": _p(0.01, "length", "below it the scatter hardly matters to the flow"),
            "share": _p(0.02, "ratio", "of the readings; fewer move no volume"),
        },
    ),
    Rule(
        "totaliser stands still",
        "mark",
        "flow is shown while the totaliser does not count: a held value",
        {
            "longest": _p(3600.0, "time", "longer than one count takes at usual flow"),
            "share": _p(0.1, "ratio", "of the usual flow; below it counts are rare anyway"),
        },
    ),
)
"""Every rule with its defaults, in the order of application."""


def screening_rules(
    overrides: Mapping[str, Any] | None = None,
    *,
    blanking_distance: float | None = None,
    crown: float | None = None,
    highest_level: float | None = None,
    shown_as: str = "case",
) -> tuple[Rule, ...]:
    """The default rules with what the case and the site state instead.

    Parameters
    ----------
    overrides : mapping, optional
        Rule name to "off", "mark", "reject", or to a table of parameters as text with units,
        such as {"spike": {"smallest": "20 mm"}}; `action` may stand in the table [text].
    blanking_distance : float, optional
        From the sensor's data sheet [m].
    crown : float, optional
        Inside height of the conduit [m].
    highest_level : float, optional
        Highest level the place can have [m].
    shown_as : str
        Name of the case file in messages [text].

    Returns
    -------
    tuple of Rule
        In the order of application [-].

    Raises
    ------
    InputRefused
        If a rule, a parameter, a unit or an action is not known.
    """
    rules = {rule.name: rule for rule in DEFAULT_RULES}
    facts = (
        ("blanking distance", "distance", blanking_distance),
        ("surcharge", "crown", crown),
        ("out of range", "highest level", highest_level),
    )
    for rule, name, value in facts:
        if value is not None:
            rules[rule] = _with(rules[rule], name, value)
    problems: list[Problem] = []
    for name, given in (overrides or {}).items():
        key = f"screening.{name}"
        if name not in rules:
            remedy = f"Known are {', '.join(rules)}"
            problems.append(Problem(shown_as, f"no rule {name!r}", remedy, None, key))
            continue
        try:
            rules[name] = _override(rules[name], given)
        except (UnitError, ValueError) as error:
            remedy = "Write 'off', 'mark', 'reject' or parameters such as { smallest = '20 mm' }"
            problems.append(Problem(shown_as, str(error), remedy, None, key))
    if problems:
        raise InputRefused(problems)
    return tuple(rules.values())


def _with(rule: Rule, name: str, value: float) -> Rule:
    parameter = replace(rule.parameters[name], value=value, stated=True, reason="stated")
    return replace(rule, parameters={**rule.parameters, name: parameter})


def _override(rule: Rule, given: Any) -> Rule:
    if given in ("off", False):
        return replace(rule, active=False)
    if given in ("mark", "reject"):
        return replace(rule, action=given)
    if not isinstance(given, Mapping):
        raise ValueError(f"{given!r} is no setting of the rule {rule.name!r}")
    for name, text in given.items():
        if name == "action":
            rule = _override(rule, text)
            continue
        if name not in rule.parameters:
            known = ", ".join(rule.parameters)
            raise ValueError(f"the rule {rule.name!r} has no {name!r}; it has {known}")
        dimension = rule.parameters[name].dimension
        value = float(text) if dimension == "count" else parse(text, dimension)
        rule = _with(rule, name, value)
    return rule
