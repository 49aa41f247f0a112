"""What of a record was rejected, what was only marked, when, and why."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.charts import EVIDENCE, INK, SOFT, Picture, canvas, named_rows, styled

# kind of stretch: colour, hatching, name in the legend
KINDS = {
    "rejected": ("#D55E00", "", "rejected"),
    "marked": ("#F0E442", "////", "marked, and kept"),
    "missing": ("#ffffff", "||||", "no reading"),
}
COLUMNS = 1200
"""Columns the record is drawn in; a column shows its lowest and highest reading [-]."""
CELLS = 300
"""Cells of time a row of bars is drawn in [-]."""
LOWEST = 0.14
"""Height of a bar for the least share, so that one reading can be seen; a row is 1 high [-]."""


@styled
def screening_picture(level: pd.DataFrame, stretches: pd.DataFrame, zone: str = "UTC") -> Picture:
    """The record with its rejected readings, and a row of bars for every reason.

    Parameters
    ----------
    level : DataFrame
        time (UTC), value, status of every row; head of the axis in ``attrs["axis"]`` [any].
    stretches : DataFrame
        reason, kind ("rejected", "marked" or "missing"), start, end (UTC), readings [-].
    """
    totals = stretches.groupby(["kind", "reason"], sort=False)["readings"].sum().reset_index()
    order = {kind: place for place, kind in enumerate(KINDS)}
    totals = totals.sort_values(
        ["kind", "readings"], key=lambda c: c.map(order) if c.name == "kind" else -c, kind="stable"
    ).reset_index(drop=True)
    figure, (top, below) = canvas(
        3.2 + 0.28 * max(len(totals), 1),
        2,
        1,
        sharex=True,
        height_ratios=[2.2, 0.6 + 0.28 * max(len(totals), 1)],
    )
    _record(top, level, zone)
    _bars(below, stretches, totals, level, zone)
    top.set_title("What was rejected, what was only marked, and why")
    below.set_xlabel(f"time ({zone}); a bar is as high as its share of the time")
    below.tick_params(axis="x", rotation=0)
    handles, labels = top.get_legend_handles_labels()
    more = below.get_legend_handles_labels()
    figure.legend(handles + more[0], labels + more[1], loc="outside lower center", ncols=3)
    return Picture(figure, _alt(level, totals))


def _local(times: Any, zone: str) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(times).tz_convert(zone).tz_localize(None)


def _record(axes: Any, level: pd.DataFrame, zone: str) -> None:
    """Lowest and highest reading of every column, accepted ones as an area, rejected as marks."""
    value = level["value"].to_numpy(dtype=float)
    seconds = ((level["time"] - level["time"].iloc[0]) / pd.Timedelta(seconds=1)).to_numpy()
    width = max(float(seconds[-1]) / COLUMNS, 1e-9) if len(seconds) else 1.0
    place = np.minimum((seconds / width).astype(int), COLUMNS - 1)
    middle = level["time"].iloc[0] + pd.to_timedelta((np.arange(COLUMNS) + 0.5) * width, unit="s")
    times = _local(middle, zone)
    good = (level["status"] == "measured").to_numpy() & np.isfinite(value)
    low, high = _ends(value, place, good)
    line = {"color": EVIDENCE["effluent"].colour, "linewidth": 0.9}
    axes.fill_between(times, low, high, step="mid", label="accepted, lowest to highest", **line)
    bad = (level["status"] == "rejected").to_numpy() & np.isfinite(value)
    if bad.any():
        for shown, label in zip(_ends(value, place, bad), ("rejected reading", None), strict=True):
            axes.plot(
                times, shown, "x", color=KINDS["rejected"][0], markersize=4.5, label=label, zorder=3
            )
    axes.set_ylabel(level.attrs.get("axis", "level"))


def _ends(
    value: np.ndarray, place: np.ndarray, chosen: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    low, high = np.full(COLUMNS, np.inf), np.full(COLUMNS, -np.inf)
    np.minimum.at(low, place[chosen], value[chosen])
    np.maximum.at(high, place[chosen], value[chosen])
    empty = ~np.isfinite(low)
    return np.where(empty, np.nan, low), np.where(empty, np.nan, high)


def _bars(
    axes: Any, stretches: pd.DataFrame, totals: pd.DataFrame, level: pd.DataFrame, zone: str
) -> None:
    """A row of bars for every reason; the height of a bar is the share of its time."""
    times = level["time"]
    edges = np.linspace(0.0, max((times.iloc[-1] - times.iloc[0]).total_seconds(), 1.0), CELLS + 1)
    left = _local(times.iloc[0] + pd.to_timedelta(edges[:-1], unit="s"), zone)
    step = float((times.diff() / pd.Timedelta(seconds=1)).median())
    seen: set[str] = set()
    for row, (kind, reason) in enumerate(zip(totals["kind"], totals["reason"], strict=True)):
        colour, hatch, name = KINDS[kind]
        part = stretches[(stretches["kind"] == kind) & (stretches["reason"] == reason)]
        share = _shares(part, times.iloc[0], edges, 0.0 if kind == "missing" else step)
        used = share > 0
        height = LOWEST + (0.8 - LOWEST) * share[used]
        axes.bar(
            left[used],
            height,
            width=pd.Timedelta(seconds=edges[1]),
            bottom=row - height / 2,
            align="edge",
            color=colour,
            hatch=hatch,
            edgecolor=INK if hatch else colour,
            linewidth=0.4 if hatch else 0.0,
            label=None if kind in seen else name,
        )
        seen.add(kind)
    names = [f"{row.reason}: {row.readings:,} {row.kind}" for row in totals.itertuples(index=False)]
    named_rows(axes, names or [""])
    if not len(names):
        axes.text(0.5, 0.5, "nothing", transform=axes.transAxes, ha="center", color=SOFT)


def _shares(
    stretches: pd.DataFrame, origin: pd.Timestamp, edges: np.ndarray, step: float
) -> np.ndarray:
    """Share of each cell of time that stretches cover, a reading standing for one step."""
    second = pd.Timedelta(seconds=1)
    order = np.argsort(stretches["start"].to_numpy(), kind="stable")
    start = ((stretches["start"] - origin) / second).to_numpy(dtype=float)[order]
    end = ((stretches["end"] - origin) / second).to_numpy(dtype=float)[order] + step
    end = np.maximum.accumulate(end)
    start = np.maximum(start, np.concatenate([[-np.inf], end[:-1]]))
    total = np.cumsum(end - start)
    knots = np.column_stack([start, end]).ravel()
    covered = np.column_stack([total - (end - start), total]).ravel()
    return np.clip(np.diff(np.interp(edges, knots, covered)) / np.diff(edges), 0.0, 1.0)


def _alt(level: pd.DataFrame, totals: pd.DataFrame) -> str:
    rejected = int((level["status"] == "rejected").sum())
    text = f"Of {len(level):,} readings {rejected:,} were rejected. "
    parts = [f"{row.reason}: {row.readings:,} {row.kind}" for row in totals.itertuples(index=False)]
    return text + ("; ".join(parts) + "." if parts else "No reading was rejected or marked.")
