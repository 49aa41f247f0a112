"""Small tables of an audit, ready to be shown or drawn."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.judgement.verdict import WITH_RUN, verdicts
from sewer_audit.effluent import level_about
from sewer_audit.report.evidence.assumptions import assumptions
from sewer_audit.report.folder.printed import with_links
from sewer_audit.uncertainty import UNDECIDED
from sewer_audit.units import from_si
from sewer_audit.wording import Words, short_finding

__all__ = [
    "assumptions",
    "budget_of",
    "daily_discharge",
    "flows",
    "invoice_overview",
    "line_grid",
    "margins",
    "status_shares",
    "visits",
    "weekly_pattern",
    "zero_curve",
]

HOUR, DAY = 3600.0, 86400.0


def invoice_overview(result: Any) -> pd.DataFrame:
    """Invoice by invoice: billed, audited with interval, probabilities, finding.

    Units: result [m3].
    """
    words = Words.of(result)
    rows = [*_rows_with_runs(result), {"invoice": words("lists.overview.all"), **result.total}]
    unit, no_days = words.volume_unit, words("lists.overview.no_days")
    nothing = set(result.invoices.loc[~result.evidence.periods.lasting, "invoice"])
    table = []
    for row in rows:
        mean, *ends = (_value(row.get(f"audited_{part}")) for part in ("mean", "low", "high"))
        span = _span(*(from_si(end, unit, "volume") for end in ends))
        finding = short_finding(row["finding"])
        if row["finding"] == WITH_RUN:
            finding = words("lists.overview.with_run")
        table.append(
            {
                "invoice": row["invoice"],
                "finding": finding,
                "billed_m3": row["billed_m3"],
                "audited_m3": mean,
                "interval": no_days if row["invoice"] in nothing else span,
                "too_high": words.sign(_value(row["probability_overbilled"])),
                "too_low": words.sign(_value(row["probability_underbilled"])),
                "until": words.day(row["end"]) if "end" in row else "",
            }
        )
    known = set(result.invoices["invoice"].astype(str))
    numbers = [(row, str(each["invoice"])) for row, each in enumerate(rows)]
    billed = words("lists.overview.heads.billed_m3")
    fields = {(row, billed): (n, "billed_volume") for row, n in numbers if n in known}
    return with_links(result, words.frame("lists.overview.heads", table), fields)


def _rows_with_runs(result: Any) -> list[dict[str, Any]]:
    """Invoices, and below the last of each run of estimates that run, judged as one."""
    rows = result.invoices.to_dict("records")
    places = {str(row["invoice"]): place for place, row in enumerate(rows)}
    for run in result.judged.iloc[::-1].to_dict("records"):
        if len(run["invoices"]) > 1:
            rows.insert(places[run["invoices"][-1]] + 1, run)
    return rows


def _value(value: Any) -> float:
    return float("nan") if value is None else float(value)


def _span(low: float, high: float) -> str:
    if not np.isfinite(low + high):
        return "–"
    digits = 0 if low >= 1000 else 1 if low >= 100 else 2
    return f"{low:,.{digits}f} to {high:,.{digits}f}"


def line_grid(result: Any, basis: str = "rules") -> pd.DataFrame:
    """Billed less recomputed, invoices down, charge lines across."""
    lines = result.pricing.lines
    wanted = "by_the_rules" if basis == "rules" else "on_stated_volume"
    numbers = lines[["invoiced", wanted]].map(lambda v: float("nan") if v is None else float(v))
    if basis == "rules":  # without reads an invoice can only be recomputed on what it states
        unread = numbers[wanted].isna().groupby(lines["invoice"]).transform("all")
        stated = lines["on_stated_volume"].map(lambda v: float("nan") if v is None else float(v))
        numbers[wanted] = numbers[wanted].where(~unread, stated)
    grid = lines[["invoice", "line"]].assign(difference=numbers["invoiced"] - numbers[wanted])
    wide = grid.pivot(index="invoice", columns="line", values="difference")
    return wide.loc[list(dict.fromkeys(lines["invoice"])), list(dict.fromkeys(lines["line"]))]


def status_shares(result: Any) -> pd.DataFrame:
    """Share of each service period by status of the readings.

    Units: result [s].
    """
    quality = result.evidence.effluent.quality
    shares = {
        status: quality[f"{status}_s"] / quality["seconds"].replace(0.0, np.nan)
        for status in ("measured", "interpolated", "estimated")
    }
    return pd.DataFrame({"invoice": quality["invoice"], **shares})


def _local_hours(result: Any) -> tuple[pd.Series, np.ndarray]:
    """Mean discharge of every hour of the record by local time; NaN without readings."""
    series = result.evidence.series
    first = np.floor(series.time[0] / HOUR) * HOUR
    count = int((series.time[-1] - first) // HOUR) + 1
    place = ((series.time - first) // HOUR).astype(int)
    number = np.bincount(place, minlength=count).astype(float)
    summed = np.bincount(place, weights=series.discharge, minlength=count)
    mean = np.divide(summed, number, out=np.full(count, np.nan), where=number > 0)
    stamps = series.epoch + pd.to_timedelta(first + HOUR * np.arange(count), unit="s")
    return pd.Series(pd.DatetimeIndex(stamps).tz_convert(result.case.zone)), mean


def daily_discharge(result: Any) -> pd.DataFrame:
    """Mean discharge of each local day; a day with less than half its hours counts as a gap.

    Units: result [m3/s]; returns [m3/s].
    """
    times, mean = _local_hours(result)
    days = times.dt.normalize()
    grouped = pd.Series(mean).groupby(days.to_numpy())
    values = grouped.mean().where(grouped.count() >= 12)
    starts = pd.DatetimeIndex(sorted(set(days)))
    return pd.DataFrame({"time": starts, "discharge": values.to_numpy()})


def weekly_pattern(result: Any) -> pd.DataFrame:
    """Median and the middle eight of ten weeks of every hour of the week.

    Units: result [m3/s]; returns [m3/s].

    DataFrame: hour (0 to 167 from Monday), middle, low, high.
    """
    times, mean = _local_hours(result)
    hour = (times.dt.day_of_week * 24 + times.dt.hour).to_numpy()
    grouped = pd.Series(mean).groupby(hour)
    quantiles = {"middle": 0.5, "low": 0.1, "high": 0.9}
    columns = {name: grouped.quantile(q).reindex(range(168)) for name, q in quantiles.items()}
    return pd.DataFrame(columns).rename_axis("hour").reset_index()


def budget_of(result: Any, estimate: str = "effluent", invoice: str = "total") -> pd.DataFrame:
    """Variance budget of one estimate.

    DataFrame: cause, share, persistence, standard_uncertainty_m3; largest first, without causes
    whose share is nothing.
    """
    budget = result.budget
    chosen = budget[(budget["estimate"] == estimate) & (budget["invoice"] == invoice)]
    chosen = chosen[chosen["share"].abs() > 5e-5]
    return chosen.sort_values("share", ascending=False, kind="stable").reset_index(drop=True)


def flows(result: Any) -> pd.DataFrame:
    """Terms of the balance over all service periods.

    Units: result [m3]; returns [m3].
    """
    balance = result.evidence.balance
    rows = []
    for name, draws in balance.components.items():
        total = draws.sum(axis=1)
        kind = "use" if balance.roles.get(name) == "use" else "in"
        spread = float(total.std(ddof=1)) if len(total) > 1 else 0.0
        rows.append((name, kind, float(total.mean()), spread))
    return pd.DataFrame(rows, columns=["name", "kind", "mean", "standard_uncertainty"])


def zero_curve(result: Any, reach: float | None = None) -> pd.DataFrame:
    """Volume stated over volume true, for instruments that read too high or too low.

    Units: result [m]; reach [m].
    """
    series, device = result.evidence.series, result.case.device
    reach = 2 * Words.of(result).small_length if reach is None else reach
    errors = np.linspace(-reach, reach, 25)
    weights = np.gradient(series.time)
    usual = np.minimum(weights, 10 * np.median(weights))

    def volume(shift: float) -> float:
        return float(np.sum(usual * series.carrier * device.rating(series.level - shift)))

    stated = volume(0.0)
    change = [stated / volume(error) - 1 for error in errors]
    return pd.DataFrame({"zero_error": errors, "change": change})


def margins(result: Any) -> pd.DataFrame | None:
    """How far each finding is from another one.

    Units: result [m3].
    """
    audited = result.evidence.audited
    if audited is None or not np.isfinite(audited).all():
        return None
    inputs, words = result.inputs, Words.of(result)
    found = verdicts(result.case, result.evidence, inputs.invoices.frame, inputs.schedule)
    if found is None:
        return None
    judged = dict(zip(result.invoices["invoice"].astype(str), found.invoices, strict=True))
    named = [(row.invoice, judged[row.invoices[0]]) for row in result.judged.itertuples()]
    rows = []
    for name, each in [*named, (words("lists.overview.all"), found.total)]:
        if each is None:
            continue
        spare = each.distance - each.guard_band
        share = spare / each.audited.mean if each.audited.mean else np.nan
        decided = each.finding != UNDECIDED
        rows.append(
            {
                "invoice": name,
                "finding": short_finding(each.finding),
                "distance_m3": each.distance,
                "guard_m3": each.guard_band,
                "change": _change(decided, share, each, words),
            }
        )
    return words.frame("lists.margins.heads", rows)


def _change(decided: bool, share: float, each: Any, words: Words) -> str:
    if decided and not np.isfinite(share):
        return words("lists.margins.nothing_measured")
    if decided:
        return words("lists.margins.error", share=abs(share))
    if not each.distance > 0:
        return words("lists.margins.on_the_limit")
    factor = each.reach_to_decide / each.guard_band if each.guard_band else 1.0
    return words("lists.margins.narrower", factor=factor)


def visits(result: Any) -> pd.DataFrame:
    """Hand readings beside those of the instrument and the record about them.

    Units: result [m].
    """
    words, table = Words.of(result), result.case.data.effluent
    effluent, series, unit = result.evidence.effluent, result.evidence.series, words.head_unit
    taken = () if effluent is None or effluent.zero is None else effluent.zero.visits
    counted = {visit.label: visit for visit in taken}
    rows = []
    for visit in table.visit if table is not None else []:
        lengths = {
            "hand": visit.hand,
            "instrument": visit.instrument,
            "too_high": visit.instrument - visit.hand,
        }
        if visit.time in counted:
            about = level_about(series, counted[visit.time].time)
            lengths |= {
                "recorded": about.recorded,
                "moved": about.moved,
                "standard": counted[visit.time].standard,
            }
        rows.append(
            {
                "visit": visit.time,
                **{name: from_si(value, unit, "length") for name, value in lengths.items()},
                "rezeroed": words.yes([visit.rezeroed])[0],
                "note": visit.note,
            }
        )
    return words.frame("lists.visits", rows)
