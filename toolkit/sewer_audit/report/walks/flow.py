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
from sewer_audit.report.show import Shown, figure_of, say, show_table, show_verdict
from sewer_audit.report.walks.flow_steps import echo_steps, rating_steps
from sewer_audit.report.words import Words, counted
from sewer_audit.spoken import speaking
from sewer_audit.units import from_si

__all__ = [
    "NO_RECORD",
    "in_short",
    "one_reading",
    "picture",
    "recorded",
    "volume_table",
    "zero_shares",
]

NO_RECORD = "This case holds no record of the effluent, so there is nothing to walk through."
NO_LEVEL = "This method has no level, so a zero error does not act on it."
ECHO = ("echo time, both ways", "ms", lambda v: 1000 * v)
STEPS = 40


def in_short(result: Any) -> Shown:
    """The box that opens the walk: what the record gives in the end.

    Units: result [m3].
    """
    if result.evidence.effluent is None:
        return say("{reason}", reason=NO_RECORD)
    words, total = Words.of(result), result.total
    quality = result.evidence.effluent.quality
    share = (quality["record_coverage"] * quality["seconds"]).sum() / quality["seconds"].sum()
    relative = total["effluent_standard_uncertainty"] / total["effluent_mean"]
    facts = {
        "Invoices": counted(len(result.invoices), "service period"),
        "Readings": f"{len(result.inputs.logger.frame):,}",
        "Of these accepted": f"{len(result.evidence.series.time):,}",
        "Of the time covered by readings": words.share(float(share)),
        "Standard uncertainty of the sum": words.share(float(relative)),
    }
    if result.case.device.notes.trend_grade:
        facts["Class of the record"] = "Trend grade: it carries no claim alone"
    span = words.volume_interval(total["effluent_low"], total["effluent_high"])
    head = f"{words.volume(total['effluent_mean'])} left the site through the measured line"
    return show_verdict(head, span, facts)


def recorded(result: Any) -> Shown:
    """What the logger wrote: columns, number of readings, first and last."""
    if result.evidence.series is None:
        return say("{reason}", reason=NO_RECORD)
    frame, table = result.inputs.logger.frame, result.case.data.effluent
    step = frame["time"].diff().median()
    rows = [
        ("file", ", ".join(Path(name).name for name in table.files), ""),
        ("method", table.method, ""),
        ("readings", f"{len(frame):,}", f"one every {step.total_seconds() / 60:.3g} min"),
        ("first", figure_of(frame["time"].iloc[0].tz_convert(result.case.zone)), "local time"),
        ("last", figure_of(frame["time"].iloc[-1].tz_convert(result.case.zone)), "local time"),
    ]
    for name in _columns(result):
        label, unit, read = _shown(result, name)
        good = read(frame.loc[frame["status"] == "measured", name].to_numpy(float))
        middle = f"median {np.nanmedian(good):.4g} {unit}"
        rows.append((label, f"{np.nanmin(good):.4g} to {np.nanmax(good):.4g} {unit}", middle))
    return show_table(pd.DataFrame(rows, columns=["what", "recorded", "note"]), "The record")


def _columns(result: Any) -> list[str]:
    kept = ("time", "status", "reason", "level")
    frame = result.inputs.logger.frame
    numeric = frame.select_dtypes("number").columns
    return [str(name) for name in numeric if name not in kept]


def _shown(result: Any, name: str) -> tuple[str, str, Callable[[Any], Any]]:
    """Label and unit of a column of the record, and how to show its SI figures."""
    if name == "echo_time":
        return ECHO
    words = Words.of(result)
    label, feet = name.replace("_", " "), words.spoken.feet
    if name == "air_temperature":
        unit = "degF" if feet else "degC"
        return label, unit, lambda v: from_si(v, unit, "temperature")
    if name == "velocity":
        unit = "ft/s" if feet else "m/s"
        return label, unit, lambda v: from_si(v, unit, "velocity")
    if name in ("head", "depth", "distance", "tailwater"):
        return label, words.head_unit, lambda v: from_si(v, words.head_unit, "length")
    return label, "SI", lambda v: v


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
    series = result.evidence.series
    if series is None:
        return say("{reason}", reason=NO_RECORD)
    place, words = chosen(result), Words.of(result)
    moment = series.epoch + pd.Timedelta(seconds=float(series.time[place]))
    frame = result.inputs.logger.frame
    row = frame.loc[(frame["time"] - moment).abs().idxmin()]
    steps = [("time", "read", figure_of(moment.tz_convert(result.case.zone)))]
    for name in _columns(result):
        label, unit, read = _shown(result, name)
        steps.append((label, "read", f"{float(read(float(row[name]))):.5g} {unit}"))
    with speaking(words.spoken):
        steps += echo_steps(result, row, words)
    if result.case.device.level_column is not None:
        level = float(series.level[place])
        how = "h" if series.reference_distance is None else "h = R − d"
        steps.append(("level over the datum", how, words.head(level, 5)))
    with speaking(words.spoken):
        steps += rating_steps(result, place)
    flow = float(series.discharge[place])
    steps.append(("discharge", "Q", words.discharge(flow)))
    table = pd.DataFrame(steps, columns=["quantity", "how", "value"])
    return show_table(table, "One reading by hand")


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
        missing = NO_RECORD if result.evidence.series is None else NO_LEVEL
        display(say("{reason}", reason=missing))
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
    if result.evidence.effluent is None:
        return say("{reason}", reason=NO_RECORD)
    words = Words.of(result)
    unit, rows = words.volume_unit, []
    records = [*result.invoices.to_dict("records"), {"invoice": "all invoices", **result.total}]
    lasted = [*result.evidence.periods.days, np.nan]
    for row, days in zip(records, lasted, strict=True):
        mean, spread, low, high = (
            from_si(row[f"effluent_{p}"], unit, "volume")
            for p in ("mean", "standard_uncertainty", "low", "high")
        )
        rows.append(
            {
                "invoice": row["invoice"],
                "duration [d]": days,
                "covered by readings [%]": 100 * row.get("record_coverage", np.nan),
                f"volume [{unit}]": mean,
                "standard uncertainty [%]": 100 * spread / mean if mean else np.nan,
                f"{words.interval_name} [{unit}]": f"{low:,.1f} to {high:,.1f}",
            }
        )
    caption = "Volume of each service period from the record"
    digits = {f"volume [{unit}]": 1, **dict.fromkeys(("duration [d]",), 2)}
    digits |= dict.fromkeys(("covered by readings [%]", "standard uncertainty [%]"), 2)
    return show_table(pd.DataFrame(rows), caption, digits=digits, sums=(len(rows) - 1,))


def zero_shares(result: Any) -> Shown:
    """By how much one small zero error changes each volume.

    Units: result [1/m].
    """
    effluent = result.evidence.effluent
    if effluent is None or effluent.zero is None:
        return say("{reason}", reason=NO_RECORD if effluent is None else NO_LEVEL)
    words = Words.of(result)
    error = words.small(words.small_length)
    table = pd.DataFrame(
        {
            "invoice": result.invoices["invoice"],
            f"{error} too high makes the volume too high by [%]": 100
            * words.small_length
            * np.abs(effluent.sensitivity),
            f"volume [{words.volume_unit}]": from_si(
                result.invoices["effluent_mean"].to_numpy(float), words.volume_unit, "volume"
            ),
        }
    )
    return show_table(table, f"What {error} of zero error does", digits=2)
