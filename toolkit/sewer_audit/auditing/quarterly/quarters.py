"""A quarter of invoices beside those before it: volumes, ratio, cost, and what comes next."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.findings import plain
from sewer_audit.auditing.judgement.verdict import estimates
from sewer_audit.auditing.quarterly.control import ControlLimits, control_limits
from sewer_audit.auditing.quarterly.forecast import forecast_draws, next_periods, priced_forecast
from sewer_audit.auditing.quarterly.since import changes_since, last_review
from sewer_audit.auditing.reading.known import corrected_since, day_of, left_out
from sewer_audit.auditing.result import Audit
from sewer_audit.charges.schedule.kinds import Strength, TradeEffluentCharge
from sewer_audit.errors import InputRefused, Problem
from sewer_audit.uncertainty import Draws, summarise

BACK = 8
"""Quarters a review looks back [-]."""
PARTS = ("mean", "standard_uncertainty", "low", "high")
DAY = pd.Timedelta(days=1)


@dataclass(frozen=True)
class Review:
    """One quarter of an audited case beside the quarters before it.

    quarter, following: The quarter reviewed and the next one, such as "2026Q1". hindsight: whether
    what became known after the quarter is used. changes, before: what changed since the last
    review, and which quarter that was of, if any.
    """

    audit: Audit
    quarter: str
    following: str
    places: Mapping[str, tuple[int, ...]]
    table: pd.DataFrame
    ratios: pd.DataFrame
    limits: ControlLimits | None
    strengths: pd.DataFrame
    forecast: Mapping[str, Any]
    news: pd.DataFrame
    savings: pd.DataFrame
    actions: pd.DataFrame
    notes: tuple[str, ...]
    hindsight: bool = False
    changes: pd.DataFrame = field(default_factory=pd.DataFrame)
    before: str | None = None

    @property
    def case(self) -> Any:
        """The case that was audited [-]."""
        return self.audit.case

    @property
    def pricing(self) -> Any:
        """Its recomputed invoices [money]."""
        return self.audit.pricing

    @property
    def row(self) -> Mapping[str, Any]:
        """Figures of the quarter reviewed [m3, money]."""
        return self.table.iloc[-1].to_dict()

    def findings(self) -> dict[str, Any]:
        """The review and its audit as JSON can hold them."""
        return {"review": dict(self._findings), **self.audit.findings()}

    @cached_property
    def _findings(self) -> dict[str, Any]:
        limits = self.limits
        return plain(
            {
                "quarter": self.quarter,
                "quarters": self.table,
                "ratios": self.ratios,
                "limits": None if limits is None else vars(limits),
                "strength_surcharges": self.strengths,
                "forecast": self.forecast,
                "news": self.news,
                "savings": self.savings,
                "actions": self.actions,
                "notes": self.notes,
                "hindsight": self.hindsight,
                "before": self.before,
                "changes": self.changes,
            }
        )

    def tables(self) -> dict[str, pd.DataFrame]:
        """Every table of the review, then those of the audit."""
        own = {
            "quarters": self.table,
            "ratios": self.ratios,
            "strength surcharges": self.strengths,
            "savings": self.savings,
            "actions": self.actions,
            "news": self.news,
            "changes": self.changes,
        }
        return {n: t for n, t in own.items() if not t.empty} | self.audit.tables()


def quarter_names(invoices: pd.DataFrame, zone: Any) -> list[str]:
    """The quarter of each invoice, such as "2026Q1": that of the last whole day it serves."""
    last = pd.DatetimeIndex(invoices["end"]).tz_convert(zone).tz_localize(None) - DAY
    return [f"{day.year}Q{day.quarter}" for day in last]


def next_quarter(quarter: str) -> str:
    """The quarter after one."""
    return str(pd.Period(quarter, freq="Q") + 1)


def review(
    result: Audit,
    quarter: str | None = None,
    back: int = BACK,
    hindsight: bool = False,
    before: str = "",
) -> Review:
    """Review one quarter of an audited case.

    Parameters
    ----------
    result : Audit
        The audit of the case [m3, money].
    quarter : str, optional
        Such as "2026Q1"; the last one with an invoice if left out [text].
    back : int
        How many quarters to look back [-].
    hindsight : bool
        Whether what became known after the quarter is used too. If not, and where there is any,
        the case is audited anew with every input cut at the end of the quarter, or of its last
        invoice if that is later; an invoice counts by the end of its period, a correction of one
        by the day it was billed [-].
    before : str
        Findings of the last review, or its folder; see ``since.last_review`` [text].

    Raises
    ------
    InputRefused
        If the quarter is not written so, or holds no invoice; if what was known by its end cannot
        be audited, or the last review cannot be read.
    """
    from sewer_audit.auditing.quarterly.savings import action_table, news_table, saving_table

    earlier = last_review(before)
    places = _places(result, quarter, back)
    until = _end(result, places)
    later = left_out(result.case, result.inputs, until)
    since = corrected_since(result.inputs, day_of(result.case, until))
    if later and not hindsight:
        result = _as_known(result, until)
        places = _places(result, next(reversed(places)), back)
    chosen = [place for rows in places.values() for place in rows]
    table = pd.DataFrame([_row(result, name, rows) for name, rows in places.items()])
    this = list(places.values())[-1]
    ratios, limits = _ratios(result, places)
    last = next(reversed(places))
    news = news_table(result, this, ratios)
    savings = saving_table(result, chosen)
    return Review(
        result,
        last,
        next_quarter(last),
        places,
        table,
        ratios,
        limits,
        _strengths(result, places),
        _forecast(result, places, table),
        news,
        savings,
        action_table(result, savings, () if hindsight else since),
        (*_later_notes(result, until, later, since, hindsight), *_notes(places, limits)),
        hindsight,
        changes_since(earlier, result),
        None if earlier is None else earlier.quarter,
    )


def _end(result: Audit, places: Mapping[str, tuple[int, ...]]) -> pd.Timestamp:
    """End of the quarter reviewed, or of its last invoice if that is later [UTC]."""
    name = next(reversed(places))
    ends = pd.DatetimeIndex(result.invoices["end"].iloc[list(places[name])])
    midnight = pd.Period(name, freq="Q").end_time.normalize() + DAY
    return max(ends.max(), midnight.tz_localize(result.case.zone).tz_convert("UTC"))


def _as_known(result: Audit, until: pd.Timestamp) -> Audit:
    """The audit with every input cut at a moment."""
    from sewer_audit.auditing import audit

    case, day = result.case, day_of(result.case, until)
    record = result.inputs.logger
    if record is not None and not (record.frame["time"] <= until).any():
        case = case.with_({"effluent": None})
    try:
        return audit(case, draws=result.draws, seed=result.seed, until=until)
    except InputRefused as error:
        found = f"what was known by {day} alone cannot be audited"
        remedy = "Review a later quarter, or ask for hindsight"
        place = Problem(case.file.name, found, remedy, code="quarter")
        raise InputRefused([place, *error.problems]) from None


def _later_notes(
    result: Audit,
    until: pd.Timestamp,
    later: Mapping[str, int],
    since: Mapping[str, str],
    hindsight: bool,
) -> tuple[str, ...]:
    """What lies after the quarter, and whether it was used."""
    if not later:
        return ()
    day = day_of(result.case, until)
    kinds = ", ".join(f"{name}: {count:,}" for name, count in later.items())
    if hindsight:
        return (f"Reviewed with hindsight: what became known after {day} is used too ({kinds})",)
    notes = [
        f"Reviewed as it was known by {day}. Left out as later ({kinds}); before anything is "
        "claimed, review the last quarter, or this one with hindsight"
    ]
    if since:
        made = ", ".join(f"{name} by {by}" for name, by in since.items())
        notes.append(f"Corrected since, and not to be claimed again: {made}")
    return tuple(notes)


def _places(result: Audit, quarter: str | None, back: int) -> dict[str, tuple[int, ...]]:
    names = quarter_names(result.invoices, result.case.zone)
    known = sorted(set(names))
    wanted = known[-1] if not quarter else str(quarter).strip().upper()
    if wanted not in known:
        written = re.fullmatch(r"\d{4}Q[1-4]", wanted) is not None
        found = f"quarter {quarter!r} " + ("holds no invoice" if written else "cannot be read")
        remedy = f"Write it as {known[-1]}; the invoices lie in {', '.join(known)}"
        raise InputRefused(Problem(result.case.file.name, found, remedy, code="quarter"))
    first = str(pd.Period(wanted, freq="Q") - back)
    kept = [name for name in known if first <= name <= wanted]
    return {name: tuple(place for place, each in enumerate(names) if each == name) for name in kept}


def _row(result: Audit, name: str, rows: tuple[int, ...]) -> dict[str, Any]:
    part, coverage = result.invoices.iloc[list(rows)], result.rule.coverage
    days = float(result.evidence.periods.days[list(rows)].sum())  # each day once
    found: dict[str, Any] = {"quarter": name, "invoices": len(part), "days": days}
    found["estimated_reads"] = int((part["read_type"] == "estimated").sum())
    found["billed_m3"] = float(part["billed_m3"].sum())
    found["rules_m3"] = float(part["rules_m3"].sum(skipna=False))
    for source, draws in estimates(result.evidence).items():
        if source in ("effluent", "balance", "audited"):
            _put(found, source, _summed(draws, rows), coverage)
    audited = _summed(result.evidence.audited, rows)
    total = float(part["invoiced_total"].sum())
    _put(found, "ratio", None if audited is None else found["billed_m3"] / audited, coverage)
    found["invoiced_total"] = total
    found["recomputed_total"] = float(part["recomputed_total"].sum(skipna=False))
    found["cost_per_billed_m3"] = total / found["billed_m3"] if found["billed_m3"] else np.nan
    _put(found, "cost_per_m3", None if audited is None else total / audited, coverage)
    return found


def _summed(draws: np.ndarray | None, rows: tuple[int, ...]) -> np.ndarray | None:
    """Draws of several invoices together; None where one of them is not known or nothing flowed."""
    if draws is None or not np.isfinite(draws[:, list(rows)]).all():
        return None
    total = draws[:, list(rows)].sum(axis=1)
    return total if (total > 0).all() else None


def _put(found: dict[str, Any], name: str, draws: np.ndarray | None, coverage: float) -> None:
    summary = None if draws is None else summarise(draws, coverage)
    for part in PARTS:
        found[f"{name}_{part}"] = np.nan if summary is None else float(getattr(summary, part))


def _ratios(
    result: Audit, places: Mapping[str, tuple[int, ...]]
) -> tuple[pd.DataFrame, ControlLimits | None]:
    """Billed over audited volume of every invoice; limits from those before this quarter."""
    rows, this = [], next(reversed(places))
    for quarter, members in places.items():
        for place in members:
            invoice = result.invoices.iloc[place]
            row = {"invoice": str(invoice["invoice"]), "quarter": quarter}
            row["read_type"] = invoice["read_type"]
            audited = _summed(result.evidence.audited, (place,))
            billed = float(invoice["billed_m3"])
            _put(row, "ratio", None if audited is None else billed / audited, result.rule.coverage)
            rows.append(row)
    frame = pd.DataFrame(rows)
    limits = control_limits(frame.loc[frame["quarter"] != this, "ratio_mean"].to_numpy())
    frame["outside"] = False if limits is None else limits.outside(frame["ratio_mean"])
    return frame, limits


def _strengths(result: Audit, places: Mapping[str, tuple[int, ...]]) -> pd.DataFrame:
    """Amounts of the columns that hold a strength charge, quarter by quarter."""
    columns = ["quarter", "column", "invoiced", "by_the_rules", "share_of_cost"]
    if result.pricing is None:
        return pd.DataFrame(columns=columns)
    charges = [c for version in result.pricing.schedule.version for c in version.charge]
    kinds = (Strength, TradeEffluentCharge)
    names = dict.fromkeys(c.of_column for c in charges if isinstance(c, kinds))
    lines, rows = result.pricing.lines, []
    for quarter, members in places.items():
        invoices = result.invoices["invoice"].iloc[list(members)]
        total = float(result.invoices["invoiced_total"].iloc[list(members)].sum())
        for name in names:
            part = lines[lines["invoice"].isin(invoices) & (lines["line"] == name)]
            sums = [sum(float(v) for v in part[c] if v is not None) for c in columns[2:4]]
            rows.append((quarter, name, *sums, sums[0] / total if total else np.nan))
    return pd.DataFrame(rows, columns=columns)


def _forecast(
    result: Audit, places: Mapping[str, tuple[int, ...]], table: pd.DataFrame
) -> dict[str, Any]:
    """Volume and cost of the next quarter, each with its interval, or why there is none."""
    coverage, names = result.rule.coverage, list(places)
    found: dict[str, Any] = {"quarter": next_quarter(names[-1]), "made": False}
    if len(names) != (pd.Period(names[-1]) - pd.Period(names[0])).n + 1:
        return {**found, "why": "a quarter between the first and the last holds no invoice"}
    held = result.evidence.periods
    lasting = [place for place in places[names[-1]] if held.lasting[place]]
    if not lasting:
        return {**found, "why": "no invoice of the quarter has days of its own"}
    spans = pd.DataFrame({"start": held.start, "end": held.end})
    periods = next_periods(result.case, spans, lasting)
    days = float(sum((end - start).days for start, end in periods))
    normal = Draws(result.draws, result.seed).standard("forecast of the next quarter")
    sources = {"discharge": "audited_mean", "charged": "rules_m3", "billed": "billed_m3"}
    for name, column in sources.items():
        if name == "billed" and found["made"]:
            continue  # what was billed may hold errors; it stands in only where nothing else does
        per_day = (table[column] / table["days"]).to_numpy(float)
        if not (np.isfinite(per_day).all() and (per_day > 0).all()):
            continue
        made = forecast_draws(per_day, normal)
        if made is None:
            return {**found, "why": "a forecast needs at least three quarters"}
        rate = made.draws
        if name == "discharge":
            rate = rate * _common_error(result, places)
        found.update(made=True, method=made.method, count=made.count)
        _middle(found, f"{name}_m3", rate * days, coverage)
        place = places[names[-1]][-1]
        if result.pricing is not None:
            cost = priced_forecast(result.case, result.pricing, place, periods, rate)
            _middle(found, f"cost_{name}", cost, coverage)
    if not found["made"]:
        found["why"] = "no volume is known, and above zero, in every quarter"
    return found


def _common_error(result: Audit, places: Mapping[str, tuple[int, ...]]) -> np.ndarray:
    """What all quarters have in common: draws of their sum over its mean."""
    rows = tuple(place for members in places.values() for place in members)
    total = _summed(result.evidence.audited, rows)
    return np.ones(result.draws) if total is None else total / total.mean()


def _middle(found: dict[str, Any], name: str, draws: np.ndarray | None, coverage: float) -> None:
    if draws is None:
        return
    ends = np.quantile(draws, [0.5, (1 - coverage) / 2, (1 + coverage) / 2])
    found[name] = dict(zip(("middle", "low", "high"), map(float, ends), strict=True))


def _notes(places: Mapping[str, tuple[int, ...]], limits: ControlLimits | None) -> tuple[str, ...]:
    counts = [len(rows) for rows in places.values()]
    notes = []
    if len(places) <= BACK:
        notes.append(
            f"The case reaches back {len(places) - 1} of the {BACK} quarters a review compares with"
        )
    usual = int(np.median(counts))
    few = [name for name, count in zip(places, counts, strict=True) if count < usual]
    if few:
        notes.append(f"Fewer invoices than the usual {usual}: {', '.join(few)}")
    if limits is None:
        notes.append("Too few invoices before this quarter for control limits")
    return tuple(notes)
