"""The record: how much of it can be used, how the discharge runs, how a week looks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from sewer_audit.charts import (
    EVIDENCE,
    INK,
    RULE,
    SOFT,
    Picture,
    canvas,
    in_unit,
    local,
    named_rows,
    styled,
)
from sewer_audit.units import from_si

# status of a reading: colour and hatching; the first is the good one
STATUSES = {
    "measured": ("#0072B2", ""),
    "interpolated": ("#56B4E9", "//"),
    "estimated": ("#F0E442", "xx"),
    "rejected": ("#D55E00", ".."),
    "missing": ("#ffffff", "|||"),
}
DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


@styled
def record_quality(shares: pd.DataFrame, smallest: float | None = None) -> Picture:
    """Share of each service period by status of the readings.

    Parameters
    ----------
    shares : DataFrame
        invoice, and one column for each status in :data:`STATUSES`: share of the period [-].
    smallest : float, optional
        Smallest share of accepted readings the decision rule asks for [-].
    """
    rows = np.arange(len(shares), dtype=float)
    figure, axes = canvas(1.5 + 0.27 * len(shares))
    left = np.zeros(len(shares))
    for status, (colour, hatch) in STATUSES.items():
        if status not in shares or not (shares[status].fillna(0) > 0).any():
            continue
        width = 100 * shares[status].fillna(0).to_numpy(float)
        look = {"color": colour, "hatch": hatch, "edgecolor": INK, "linewidth": 0.5}
        axes.barh(rows, width, left=left, height=0.66, label=status, **look)
        left += width
    if smallest is not None:
        axes.axvline(100 * smallest, color=INK, linestyle="--", linewidth=1.2)
        axes.text(100 * smallest, -0.75, "asked for by the rule ", ha="right", fontsize=8)
    named_rows(axes, [str(name) for name in shares["invoice"]], above=1.1)
    axes.set_xlim(0, 100)
    axes.set_xlabel("share of the service period [%]")
    axes.set_title("How much of each period the record covers, and with what")
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower center", ncols=5)
    least = shares["measured"].idxmin() if len(shares) else None
    alt = "Record quality by invoice: no invoice."
    if least is not None:
        alt = (
            f"Record quality of {len(shares)} periods: measured share between "
            f"{100 * shares['measured'].min():.1f} % (invoice {shares['invoice'][least]}) and "
            f"{100 * shares['measured'].max():.1f} %."
        )
    return Picture(figure, alt)


@styled
def hydrograph(
    daily: pd.DataFrame, unit: str, bounds: Sequence[pd.Timestamp] = (), zone: str = "UTC"
) -> Picture:
    """Mean discharge of each day over the record, with the service periods.

    Parameters
    ----------
    daily : DataFrame
        time (start of each day, with a time zone), discharge (mean, NaN in a gap) [m3/s].
    bounds : sequence of Timestamp
        Instants at which service periods meet [-].
    """
    times = local(daily["time"], zone)
    values = from_si(daily["discharge"].to_numpy(float), unit, "discharge")
    figure, axes = canvas(3.0)
    axes.plot(
        times, values, color=EVIDENCE["effluent"].colour, linewidth=1.3, drawstyle="steps-post"
    )
    gaps = int(np.isnan(values).sum())
    axes.set_ylim(bottom=0)
    low, high = axes.get_ylim()
    gap = np.isnan(values)
    if gap.any():
        axes.fill_between(
            times,
            low,
            high,
            where=gap,
            step="post",
            facecolor=RULE,
            edgecolor=SOFT,
            hatch="////",
            linewidth=0,
            label="day without readings",
        )
    for bound in bounds:
        axes.axvline(bound.tz_convert(zone).tz_localize(None), color=RULE, linewidth=0.9, zorder=0)
    axes.set_ylabel(f"mean discharge [{unit}]")
    axes.set_xlabel(f"day ({zone}); upright lines are the reads between invoices")
    axes.set_title("Discharge over the record, mean of each day")
    if gap.any():
        figure.legend(*axes.get_legend_handles_labels(), loc="outside lower center")
    known = values[~gap]
    alt = "The record holds no accepted day."
    if known.size:
        alt = (
            f"Mean daily discharge over {len(values)} days: from {known.min():.3g} to "
            f"{known.max():.3g} {unit}, mean {known.mean():.3g} {unit}; "
            f"{gaps} days without readings."
        )
    return Picture(figure, alt)


@styled
def weekly_pattern(pattern: pd.DataFrame, unit: str, zone: str = "UTC") -> Picture:
    """Discharge by hour of the week: the middle and the range of the usual days.

    Parameters
    ----------
    pattern : DataFrame
        hour (0 to 167, from Monday 00:00 local time), middle, low, high [m3/s].
    """
    hours = pattern["hour"].to_numpy(float)
    middle, low, high = in_unit(pattern, ("middle", "low", "high"), unit, "discharge")
    figure, axes = canvas(3.0)
    colour = EVIDENCE["effluent"].colour
    axes.fill_between(
        hours, low, high, color=colour, alpha=0.25, linewidth=0, label="eight of ten weeks"
    )
    axes.plot(hours, middle, color=colour, linewidth=1.6, label="median")
    axes.set_xticks(np.arange(0, 169, 24), [])
    axes.set_xticks(np.arange(12, 168, 24), DAYS, minor=True)
    axes.tick_params(axis="x", which="minor", length=0)
    axes.grid(axis="x")
    axes.set_xlim(0, 168)
    axes.set_ylim(bottom=0)
    axes.set_ylabel(f"discharge [{unit}]")
    axes.set_xlabel(f"hour of the week, local time ({zone})")
    axes.set_title("A usual week")
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower center", ncols=2)
    peak = int(np.nanargmax(middle))
    alt = (
        f"Usual week of discharge: median between {np.nanmin(middle):.3g} and "
        f"{np.nanmax(middle):.3g} {unit}, highest on {DAYS[int(hours[peak]) // 24]} at "
        f"{int(hours[peak]) % 24:02d}:00."
    )
    return Picture(figure, alt)
