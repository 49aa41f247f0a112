"""From laboratory results to the concentration that is charged."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING

from sewer_audit.charges.pricing.account_files import AS_IS, HowRead, Row, each_of, rows_of
from sewer_audit.charges.schedule.facts import Sample, missing
from sewer_audit.charges.schedule.figures import CONTEXT, EXACT
from sewer_audit.charges.schedule.periods import months_before
from sewer_audit.records.files.numbers import parse_decimal

if TYPE_CHECKING:
    from sewer_audit.charges.schedule.facts import InvoiceFacts
    from sewer_audit.charges.schedule.versions import SampleRule

_UNITS = {"mg/L": Decimal(1), "g/m3": Decimal(1), "ug/L": Decimal("0.001"), "kg/m3": Decimal(1000)}
_MODIFIED_Z = Decimal("0.6745")


def charged_strength(
    rule: SampleRule, facts: InvoiceFacts, parameter: str, needed: bool = True
) -> Decimal | None:
    """The concentration of a parameter that the schedule charges on.

    Units: returns [mg/L].
    """
    if parameter in rule.fixed:
        return rule.fixed[parameter]
    if parameter in facts.strengths:
        return facts.strengths[parameter]
    used = samples_used(rule, facts, parameter)
    if not used:
        if needed:
            raise missing(
                facts, f"{parameter} sample", "Add samples, or a fixed strength", "samples"
            )
        return None
    value = _average(rule, facts, used)
    return value if rule.rounding is None else EXACT.rounded(value, rule.rounding.rounding())


def samples_used(rule: SampleRule, facts: InvoiceFacts, parameter: str) -> tuple[Sample, ...]:
    """The samples of a parameter that the rule counts, oldest first.

    Notes
    -----
    The modified z of a value is 0.6745 times its distance from the median in units of the median
    absolute distance; beyond the limit a value is left out, on both sides. Limit 3.5 after
    Iglewicz and Hoaglin (1993), from memory. That outliers are removed in this way from the
    latest ten samples is a published rule of a water company.

    References
    ----------
    Iglewicz, B. and Hoaglin, D., How to Detect and Handle Outliers, ASQC (1993), from memory.
    Wessex Water, Wholesale charges for retailers (edition not dated in the page read).
    """
    used = [s for s in facts.samples if s.parameter == parameter and s.taken <= facts.end]
    if rule.window == "in period":
        used = [s for s in used if s.taken >= facts.start]
    if rule.months is not None:
        used = [s for s in used if s.taken > months_before(facts.end, rule.months)]
    used.sort(key=lambda sample: sample.taken)
    if rule.latest is not None:
        used = used[-rule.latest :]
    if rule.outliers == "modified z" and len(used) > 2:
        values = [_value(rule, sample) for sample in used]
        middle = median(values)
        spread = median([abs(value - middle) for value in values])
        if spread > 0:
            limit = rule.outlier_limit * spread
            kept = zip(used, values, strict=True)
            used = [s for s, value in kept if _MODIFIED_Z * abs(value - middle) <= limit]
    return tuple(used)


def _value(rule: SampleRule, sample: Sample) -> Decimal:
    share = {"half": Decimal("0.5"), "limit": Decimal(1), "zero": Decimal(0)}[rule.below_limit]
    return sample.value * share if sample.below_limit else sample.value


def _average(rule: SampleRule, facts: InvoiceFacts, used: tuple[Sample, ...]) -> Decimal:
    values = [_value(rule, sample) for sample in used]
    if rule.method == "latest":
        return values[-1]
    if rule.method == "maximum":
        return max(values)
    if rule.method == "median":
        return Decimal(median(values))
    if rule.method == "mean":
        return CONTEXT.divide(sum(values, Decimal(0)), Decimal(len(values)))
    if any(sample.flow is None for sample in used):
        raise missing(facts, "flow beside each sample", "Add a flow column to the samples", "flow")
    flows = [sample.flow for sample in used]
    weighted = sum((v * f for v, f in zip(values, flows, strict=True)), Decimal(0))
    return CONTEXT.divide(weighted, sum(flows, Decimal(0)))


def read_samples(
    path: str | Path, shown_as: str | None = None, how: HowRead = AS_IS
) -> tuple[Sample, ...]:
    """Read laboratory results from a CSV file: date, parameter, value, unit and, optionally, flow.

    Parameters
    ----------
    path : str or Path
        The file; dates as 2025-03-31, values below a limit as "<5" [-].
    shown_as : str, optional
        Name to use for it in messages; its file name by default [text].
    how : HowRead
        Names of the columns, order of dates, decimal mark [-].

    Returns
    -------
    tuple of Sample
        Every result, in the order of the file [-].

    Raises
    ------
    InputRefused
        With every line that cannot be read.
    """
    name = shown_as or Path(path).name
    rows = rows_of(path, name, ("date", "parameter", "value", "unit"), how, ("flow",))
    return tuple(sample for _, sample in each_of(rows, name, _sample))


def _sample(row: Row) -> Sample:
    """One row of a sample file."""
    taken, text = row.date("date"), row.text("value")
    try:
        value = parse_decimal(text.removeprefix("<").strip(), row.decimal)
        if not value.is_finite() or value < 0:
            raise ValueError
    except ValueError:
        raise row.fault("value", 'Write a number such as 250, or "<5" below a limit') from None
    if row.text("unit") not in _UNITS:
        raise row.fault("unit", f"Use one of {', '.join(_UNITS)}")
    flow = row.number("flow") if row.text("flow") else None
    limit = text.startswith("<")
    size = _UNITS[row.text("unit")]
    return Sample(taken, row.text("parameter"), value * size, below_limit=limit, flow=flow)
