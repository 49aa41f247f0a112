"""Screening rules: each has a name, parameters with a default, and the reason for the default.

The defaults (``rules.csv``, SI) are judgements of this toolkit, stated there so that they can be
contested; none of them is a published limit. A case may change any of them or switch a rule off.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass, replace
from importlib.resources import files
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


def _default_rules() -> tuple[Rule, ...]:
    """The rules of ``rules.csv``; what a rule is about stands in the first row of its own."""
    text = files(__package__).joinpath("rules.csv").read_text(encoding="utf-8")
    rules: dict[str, Rule] = {}
    for row in csv.DictReader(text.splitlines()):
        name, value = row["rule"], float(row["value"]) if row["value"] else None
        rule = rules.setdefault(name, Rule(name, row["action"], row["about"], {}))
        own = {row["parameter"]: Parameter(value, row["dimension"], row["reason"])}
        rules[name] = replace(rule, parameters={**rule.parameters, **own})
    return tuple(rules.values())


DEFAULT_RULES = _default_rules()
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
