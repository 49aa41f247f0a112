"""What volume the schedule's own rule would give with a step left out, turned round or misread."""

from __future__ import annotations

import calendar
from collections.abc import Iterator
from decimal import Decimal
from itertools import combinations, product
from typing import TYPE_CHECKING, Any

from sewer_audit.charges.pricing.basis import return_factor_of
from sewer_audit.charges.schedule.figures import plain
from sewer_audit.charges.schedule.periods import months_before
from sewer_audit.charges.schedule.volume_rules import (
    LIMITS,
    Node,
    VolumeExpression,
    expression,
    nodes,
    replaced,
    written,
)

if TYPE_CHECKING:
    from sewer_audit.charges.schedule.facts import InvoiceFacts
    from sewer_audit.charges.schedule.versions import Schedule, VolumeRule, WinterRule

WINTER_CONVENTIONS = ("month_of", "periods", "from_month")
"""Keys of a winter whose defaults are ours; schedules differ in them."""
LATEST = 6
"""So many months after the first it could, a new average may come into force where the schedule
does not say when (judgement; a year of rates from July after a winter to February is common
practice, no source)."""


Guess = tuple[str, str, "VolumeRule", "InvoiceFacts"]


def rule_guesses(schedule: Schedule, facts: InvoiceFacts, rule: VolumeRule) -> Iterator[Guess]:
    """Class, words, rule and facts of every way to go wrong with the rule itself."""
    yield from _winters(facts, rule)
    units = facts.counts.get("equivalent units")
    if rule.basis == "equivalent units" and units is not None:
        for count in (units - 1, units + 1, units - 2, units + 2, 2 * units):
            what = f"{plain(count)} equivalent units were charged in place of {plain(units)}"
            counts = {**facts.counts, "equivalent units": count}
            yield "equivalent-units", what, rule, facts.but(counts=counts)
    if rule.rule is None:
        yield from _shares(schedule, facts, rule)
        return
    for code, what, tree in _steps(rule.rule, rule.metered):
        yield code, what, rule.model_copy(update={"rule": rule.rule.but(tree)}), facts


def _winters(facts: InvoiceFacts, rule: VolumeRule) -> Iterator[Guess]:
    """The average of an earlier winter, or none."""
    if rule.winter is None:
        return
    basis = "discharge" if rule.metered == "discharge" else "intake"
    change: dict[str, Any] = {"basis": basis, "winter": None}
    if rule.rule is not None:
        tree = rule.rule.tree
        for node in [each for each in nodes(tree) if each == ("volume", "winter_average")]:
            tree = replaced(tree, node, ("volume", rule.metered))
        change = {"rule": rule.rule.but(tree), "winter": None}
    what = "the actual use was charged in place of the winter average"
    yield "winter-average-missing", what, rule.model_copy(update=change), facts
    if rule.basis == "lower of actual and winter average":
        what = "the winter average was charged though the actual use is lower"
        uncapped = rule.model_copy(update={"basis": "winter average"})
        yield "winter-average-other", what, uncapped, facts
    known = rule.winter.model_copy(update={"default": None})
    for years, which in ((1, "the winter before"), (2, "the last winter but two")):
        ago = {name: months_before(getattr(facts, name), 12 * years) for name in ("start", "end")}
        what = f"the average of {which} was charged, not that of the last one"
        old = rule.model_copy(update={"winter": known})
        if rule.winter.months is not None:
            yield "stale-winter-average", what, old, facts.but(**ago)
    for what, update in _other_averages(known):
        other = known.model_copy(update=update)
        yield "winter-average-other", what, rule.model_copy(update={"winter": other}), facts


def _other_averages(winter: WinterRule) -> Iterator[tuple[str, dict[str, Any]]]:
    """Other months, winters, ways of averaging and floors, each alone."""
    for method, more, words in (
        ("mean of bills", {}, "the mean of the winter's bills"),
        ("highest bill", {}, "the highest bill of the winter"),
        *(
            (f"{end} bills", {"bills": n}, f"the mean of its {n} {end} bills")
            for end in ("lowest", "highest")
            for n in (1, 2, 3)
        ),
        *(
            ("use per day", {"days": Decimal(d)}, f"the winter's use a day times {d} days")
            for d in ("28", "30", "30.42", "31")
        ),
    ):
        update = {"method": method, **more}
        if any(getattr(winter, key) != value for key, value in update.items()):
            yield f"{words} was charged", update
    if winter.floor is not None:
        yield "the floor of the winter average was left out", {"floor": None, "floor_of": None}
        for of in {"average", "each month"} - {winter.floor_of}:
            yield f"the floor was taken of the {of}", {"floor_of": of}
    for key, words in (("rounding", "the average"), ("use_rounding", "the use of each period")):
        if getattr(winter, key) is not None:
            yield f"{words} was not rounded", {key: None}
    if winter.months is None:
        return
    for count in {1, 2, 3} - {winter.winters}:
        what = f"the average of {count} winter{'s' if count > 1 else ''} was charged"
        yield what, {"winters": count}
    if winter.from_month is not None:
        yield "the average was charged before the month it holds from", {"from_month": None}
    for of in {"most days", "end date", "start date"} - {winter.month_of}:
        yield f"the months of the winter were told by {of}", {"month_of": of}
    for way in {"bills", "calendar months"} - {winter.periods}:
        yield f"the winter was averaged by {way}", {"periods": way}
    for first in range(9, 17):  # from September to the April after
        for length in range(1, 7):
            months = tuple((first - 1 + k) % 12 + 1 for k in range(length))
            if set(months) != set(winter.months):
                told = " to ".join(
                    dict.fromkeys(calendar.month_name[m] for m in (months[0], months[-1]))
                )
                yield f"the average of {told} was charged", {"months": months}


def other_conventions(rule: VolumeRule) -> Iterator[dict[str, Any]]:
    """Changes of the keys of a winter that its schedule does not state, the fewest first."""
    winter = rule.winter
    if winter is None or winter.months is None:
        return
    months = set(winter.months)
    closing = next((m for m in winter.months if m % 12 + 1 not in months), winter.months[-1])
    ways: dict[str, tuple[Any, ...]] = {
        "month_of": ("most days", "end date", "start date"),
        "periods": ("bills", "calendar months"),
        "from_month": tuple((closing + k) % 12 + 1 for k in range(LATEST + 1)),
    }
    free = [key for key in WINTER_CONVENTIONS if key not in winter.model_fields_set]
    for count in range(1, len(free) + 1):
        for keys in combinations(free, count):
            for values in product(*(ways[key] for key in keys)):
                change = dict(zip(keys, values, strict=True))
                if all(getattr(winter, key) != value for key, value in change.items()):
                    yield change


def _shares(schedule: Schedule, facts: InvoiceFacts, rule: VolumeRule) -> Iterator[Guess]:
    """The share of another season or edition; factor and deduction in the other order."""
    factor = return_factor_of(rule, facts, schedule.schedule.end_day_counts)
    own = {rule.return_factor, *rule.return_factor_by_month.values()}
    rules = [version.invoiced_volume for version in schedule.version]
    others = [
        {each.return_factor, *each.return_factor_by_month.values()}
        for each in rules
        if each is not None and each.rule is None
    ]
    for share in sorted(set().union(*others) - {factor, Decimal(1)}):
        season = share in own
        which = "of another season " if season else ""
        what = f"the return factor of {plain(share)} {which}was applied in place of {plain(factor)}"
        change = {"return_factor": share, "return_factor_by_month": {}}
        code = "wrong-season" if season else "return-factor-missing"
        yield code, what, rule.model_copy(update=change), facts
    if factor != 1 and rule.basis == "intake less deduct" and rule.times == (1, 1):
        plain_rule = rule.allowance is None and rule.read_rounding is None and not rule.added
        off = " - ".join([f"{factor} * {rule.metered!r}", *(repr(name) for name in rule.deduct)])
        if plain_rule:
            what = f"the factor of {plain(factor)} was applied before the deduction, not after it"
            bare = {"return_factor": Decimal(1), "return_factor_by_month": {}}
            change = {"rule": expression(off), "basis": None, **bare}
            yield "volume-rule-order", what, rule.model_copy(update=change), facts


def _steps(rule: VolumeExpression, metered: str) -> Iterator[tuple[str, str, Node]]:
    """Every step of a rule left out, doubled or turned round."""
    tree = rule.tree
    for node in nodes(tree):
        if node[0] in ("*", "/") and (factor := _factor(node)) is not None:
            figure, rest = factor
            told = f"the factor of {plain(figure[1])}"
            yield "return-factor-missing", f"{told} was not applied", replaced(tree, node, rest)
            if node[0] == "*":
                twice = replaced(tree, node, ("*", figure, node))
                yield "return-factor-missing", f"{told} was applied twice", twice
                if rest[0] == "-":
                    late = ("-", ("*", figure, rest[1]), rest[2])
                    what = f"{told} was applied before the deduction, not after it"
                    yield "volume-rule-order", what, replaced(tree, node, late)
        elif node[0] == "-" and node[1][0] == "*" and (factor := _factor(node[1])) is not None:
            early = ("*", factor[0], ("-", factor[1], node[2]))
            what = f"the factor of {plain(factor[0][1])} was applied after the deduction"
            yield "volume-rule-order", what, replaced(tree, node, early)
        if node[0] == "-" and metered not in [each[1] for each in nodes(node[2]) if len(each) > 1]:
            names = written(node[2])
            yield "deduct-missing", f"{names} was not taken off", replaced(tree, node, node[1])
            added = replaced(tree, node, ("+", *node[1:]))
            yield "deduct-missing", f"{names} was added, not taken off", added
        if node[0] in LIMITS:
            for left in (each for each in node[1:] if each != ("volume", "winter_average")):
                rest = tuple(each for each in node[1:] if each is not left)
                other = rest[0] if len(rest) == 1 else (node[0], *rest)
                what = f"the limit {written(left)} of {written(node)} was not applied"
                yield "volume-rule-step", what, replaced(tree, node, other)
        if node[0] == "round":
            what = f"{written(node)} was not rounded"
            yield "volume-rule-step", what, replaced(tree, node, node[2])


def _factor(node: Node) -> tuple[Node, Node] | None:
    """The figure that multiplies or divides, and what it is applied to."""
    figures = [each for each in node[1:] if each[0] == "figure"]
    rest = [each for each in node[1:] if each[0] != "figure"]
    return (figures[0], rest[0]) if len(figures) == 1 and figures[0][1] != 1 else None
