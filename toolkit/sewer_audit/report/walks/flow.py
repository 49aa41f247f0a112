"""The walk from one reading to the volume of an invoice, for any case with a record."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from IPython.display import display
from scipy.special import ndtri

from sewer_audit.charts import Picture, show
from sewer_audit.charts.flow import cut_at_read, day_of_readings, rating_and_use, zero_path_picture
from sewer_audit.report.show import Shown, figure_of, show_verdict, table, tell
from sewer_audit.report.walks.flow_steps import echo_steps, rating_steps
from sewer_audit.units import from_si
from sewer_audit.wording import Words

__all__ = [
    "in_short",
    "one_reading",
    "picture",
    "recorded",
    "volume_table",
    "zero_shares",
]

STEPS = 40


def in_short(result: Any) -> Shown:
    """The box that opens the walk: what the record gives in the end.

    Units: result [m3].
    """
    words, total, effluent = Words.of(result), result.total, result.evidence.effluent
    if effluent is None:
        return tell(words, "walks.no_record")
    quality, mean = effluent.quality, total["effluent_mean"]
    share = (quality["record_coverage"] * quality["seconds"]).sum() / quality["seconds"].sum()
    told = {
        "invoices": words("walks.short.periods", count=len(result.invoices)),
        "readings": f"{len(result.inputs.logger.frame):,}",
        "accepted": f"{len(result.evidence.series.time):,}",
        "covered": words.share(float(share)),
        "spread": words.share(float(total["effluent_standard_uncertainty"] / mean)),
        "trend": words("verdict.told.trend") if result.case.notes.trend_grade else None,
    }
    span = words.volume_interval(total["effluent_low"], total["effluent_high"])
    head = words("walks.short.head", mean=mean)
    return show_verdict(head, span, words.labels("walks.facts", told))


def recorded(result: Any) -> Shown:
    """What the logger wrote: columns, number of readings, first and last."""
    words = Words.of(result)
    if result.evidence.series is None:
        return tell(words, "walks.no_record")
    frame, stated = result.inputs.logger.frame, result.case.data.effluent
    times, local = frame["time"], words("walks.record.local")
    ends = [figure_of(times.iloc[place].tz_convert(result.case.zone)) for place in (0, -1)]
    minutes = times.diff().median().total_seconds() / 60
    told = {
        "file": (", ".join(Path(name).name for name in stated.files), ""),
        "method": (stated.method, ""),
        "readings": (f"{len(frame):,}", words("walks.record.step", minutes=minutes)),
        "first": (ends[0], local),
        "last": (ends[1], local),
    }
    rows = [(name, *said) for name, said in words.labels("walks.record", told).items()]
    for name in _columns(result):
        label, unit, read = _shown(words, name)
        good = read(frame.loc[frame["status"] == "measured", name].to_numpy(float))
        low, middle, high = np.nanmin(good), np.nanmedian(good), np.nanmax(good)
        recorded = words("walks.record.range", low=low, high=high, unit=unit)
        rows.append((label, recorded, words("walks.record.median", middle=middle, unit=unit)))
    return table(words, "walks.record", pd.DataFrame(rows, columns=["what", "recorded", "note"]))


def _columns(result: Any) -> list[str]:
    kept = ("time", "status", "reason", "level")
    frame = result.inputs.logger.frame
    numeric = frame.select_dtypes("number").columns
    return [str(name) for name in numeric if name not in kept]


def _shown(words: Words, name: str) -> tuple[str, str, Callable[[Any], Any]]:
    """Label and unit of a column of the record, and how to show its SI figures."""
    if name == "echo_time":
        return words("walks.reading.echo"), "ms", lambda v: 1000 * v
    label, feet = name.replace("_", " "), words.spoken.feet
    lengths = dict.fromkeys(("head", "depth", "distance", "tailwater"), words.head_unit)
    kinds = {
        "air_temperature": ("degF" if feet else "degC", "temperature"),
        "velocity": ("ft/s" if feet else "m/s", "velocity"),
        **{column: (unit, "length") for column, unit in lengths.items()},
    }
    if name not in kinds:
        return label, "SI", lambda v: v
    unit, dimension = kinds[name]
    return label, unit, lambda v: from_si(v, unit, dimension)


def chosen(result: Any) -> int:
    """The accepted reading that is followed by hand: the one nearest to the middle discharge.

    Units: result [m3/s].
    """
    flow = result.evidence.series.discharge
    return int(np.argmin(np.abs(flow - np.median(flow))))


def one_reading(result: Any) -> Shown:
    """One reading from what the logger wrote to its discharge, step by step.

    Units: result [SI].
    """
    series, words = result.evidence.series, Words.of(result)
    if series is None:
        return tell(words, "walks.no_record")
    place, read_off = chosen(result), words("walks.reading.read")
    moment = series.epoch + pd.Timedelta(seconds=float(series.time[place]))
    frame = result.inputs.logger.frame
    row = frame.loc[(frame["time"] - moment).abs().idxmin()]
    local = figure_of(moment.tz_convert(result.case.zone))
    steps = [(words("walks.reading.time"), read_off, local)]
    for name in _columns(result):
        label, unit, read = _shown(words, name)
        steps.append((label, read_off, f"{float(read(float(row[name]))):.5g} {unit}"))
    steps += echo_steps(result, row, words)
    if result.case.device.level_column is not None:
        level = float(series.level[place])
        how = "h" if series.reference_distance is None else "h = R − d"
        steps.append((words("walks.reading.level"), how, words.head(level, 5)))
    flow = float(series.discharge[place])
    steps += rating_steps(result, place, words)
    steps.append((words("walks.reading.discharge"), "Q", words.discharge(flow)))
    return table(words, "walks.reading", pd.DataFrame(steps, columns=["quantity", "how", "value"]))


def picture(name: str, result: Any, caption: str = "", form: str = "png") -> None:
    """Show one figure of the walk, or say why there is none.

    Parameters
    ----------
    name : str
        "rating", "day", "zero" or "cut" [text].
    result : Audit
        The audit [-].
    caption : str
        Printed below the figure [text].
    form : str
        "png" or "svg" [text].
    """
    drawn = None if result.evidence.series is None else PICTURES[name](result)
    if drawn is None:
        missing = "no_record" if result.evidence.series is None else "no_level"
        display(tell(Words.of(result), f"walks.{missing}"))
    else:
        show(drawn, caption=caption, form=form)


def _rating(result: Any) -> Picture | None:
    series, device, words = result.evidence.series, result.case.device, Words.of(result)
    if device.level_column is None:
        return None
    order = np.argsort(series.level)
    grown = np.cumsum(series.discharge[order])
    most = order[min(int(np.searchsorted(grown, 0.999 * grown[-1])), len(order) - 1)]
    top = 1.1 * float(series.level[most])
    levels = np.linspace(0.0, top, 200)
    curve = pd.DataFrame({"level": levels, "value": device.rating(levels)})
    shares, edges = np.histogram(
        series.level, bins=STEPS, range=(0.0, top), weights=series.discharge
    )
    use = pd.DataFrame({"level": edges[:-1], "share": shares / series.discharge.sum()})
    place = chosen(result)
    level = float(series.level[place])
    one = level, float(device.rating(level))
    square = "ft2" if words.spoken.feet else "m2"
    units = words.head_unit, words.discharge_unit if series.area is None else square
    return rating_and_use(curve, use, units, device.notes.head_limits, one)


def _day(result: Any) -> Picture | None:
    """The local day with the most kinds of rejected readings, or the middle one."""
    if result.case.device.level_column is None:
        return None
    frame, zone = result.inputs.logger.frame, result.case.zone
    days = frame["time"].dt.tz_convert(zone).dt.strftime("%Y-%m-%d")
    bad = frame["status"] != "measured"
    if bad.any():
        counts = frame[bad].groupby(days[bad])["reason"].agg(["nunique", "size"])
        best = counts.sort_values(["nunique", "size"], kind="stable").index[-1]
    else:
        best = days.iloc[len(days) // 2]
    here = (days == best).to_numpy()
    part = frame.loc[here, ["time", "status", "reason"]].assign(level=result.inputs.level[here])
    return day_of_readings(part.reset_index(drop=True), Words.of(result).head_unit, str(zone))


def _zero(result: Any) -> Picture | None:
    path = result.evidence.effluent.zero
    if path is None:
        return None
    reach = float(ndtri((1 + result.rule.coverage) / 2))
    spread = reach * np.sqrt(np.diag(path.offset.covariance))
    epoch = result.evidence.series.epoch
    seconds = np.repeat(path.edges, 2)[1:-1]
    frame = pd.DataFrame(
        {
            "time": epoch + pd.to_timedelta(seconds, unit="s"),
            "mean": -path.offset.mean,
            "low": -path.offset.mean - spread,
            "high": -path.offset.mean + spread,
        }
    )
    rows = [
        (pd.Timestamp(visit.time), visit.instrument - visit.hand)
        for visit in result.case.data.effluent.visit
    ]
    zone = result.case.zone
    stamps = [s.tz_localize(zone) if s.tz is None else s.tz_convert(zone) for s, _ in rows]
    visits = pd.DataFrame({"time": pd.DatetimeIndex(stamps), "too_high": [d for _, d in rows]})
    words = Words.of(result)
    return zero_path_picture(frame, visits, words.head_unit, str(zone), result.rule.coverage)


def _cut(result: Any) -> Picture | None:
    """Readings about the read that ends the first invoice."""
    series = result.evidence.series
    table = result.invoices[result.evidence.periods.lasting]
    read = table["end"].iloc[0]
    second = float((read - series.epoch) / pd.Timedelta(seconds=1))
    step = float(np.median(np.diff(series.time)))
    near = np.abs(series.time - second) <= 6.5 * step
    if near.sum() < 3:
        return None
    stamps = series.epoch + pd.to_timedelta(series.time[near], unit="s")
    readings = pd.DataFrame({"time": stamps, "discharge": series.discharge[near]})
    words = Words.of(result)
    names = [str(name) for name in table["invoice"].iloc[:2]]
    return cut_at_read(readings, read, words.discharge_unit, str(result.case.zone), names)


PICTURES: dict[str, Callable[[Any], Picture | None]] = {
    "rating": _rating,
    "day": _day,
    "zero": _zero,
    "cut": _cut,
}
"""Name of a figure and how it is drawn."""


def volume_table(result: Any) -> Shown:
    """Volume of each service period with its interval.

    Units: result [m3].
    """
    words, rows = Words.of(result), []
    if result.evidence.effluent is None:
        return tell(words, "walks.no_record")
    whole = {"invoice": words("walks.volumes.all"), **result.total}
    records = [*result.invoices.to_dict("records"), whole]
    lasted = [*result.evidence.periods.days, np.nan]
    for row, days in zip(records, lasted, strict=True):
        mean, spread, low, high = (
            from_si(row[f"effluent_{p}"], words.volume_unit, "volume")
            for p in ("mean", "standard_uncertainty", "low", "high")
        )
        rows.append(
            {
                "invoice": row["invoice"],
                "days": days,
                "covered": 100 * row.get("record_coverage", np.nan),
                "volume": mean,
                "spread": 100 * spread / mean if mean else np.nan,
                "interval": words("walks.volumes.span", low=low, high=high),
            }
        )
    digits = {"volume": 1, "days": 2, "covered": 2, "spread": 2}
    return table(words, "walks.volumes", rows, digits, sums=(len(rows) - 1,))


def zero_shares(result: Any) -> Shown:
    """By how much one small zero error changes each volume.

    Units: result [1/m].
    """
    effluent, words = result.evidence.effluent, Words.of(result)
    if effluent is None or effluent.zero is None:
        return tell(words, "walks.no_record" if effluent is None else "walks.no_level")
    error, invoices = words.small_length, result.invoices
    columns = {
        "invoice": invoices["invoice"],
        "change": 100 * error * np.abs(effluent.sensitivity),
        "volume_m3": invoices["effluent_mean"],
    }
    return table(words, "walks.zero", columns, 2, error=error)
