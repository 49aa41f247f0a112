"""Figures that walk from a reading to a volume: rating, one day, the zero, the cut at a read."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from sewer_audit.charts import EVIDENCE, INK, RULE, SOFT, Picture, canvas, in_unit, local, styled
from sewer_audit.units import from_si

BLUE, LIGHT = EVIDENCE["effluent"].colour, "#56B4E9"
REJECTED = {"color": "#D55E00", "markeredgecolor": INK, "markeredgewidth": 0.6, "markersize": 6}


@styled
def rating_and_use(
    curve: pd.DataFrame,
    use: pd.DataFrame,
    units: tuple[str, str],
    limits: tuple[float, float] | None,
    one: tuple[float, float],
) -> Picture:
    """The rating curve, with where the record's volume comes from below it.

    Parameters
    ----------
    curve : DataFrame
        level [m], value: discharge, or wetted area where a velocity multiplies it [m3/s or m2].
    use : DataFrame
        level (lower edge of each step) [m], share of the volume [-].
    limits : tuple of float or None
        Published limits of the level [m].
    one : tuple of float
        Level and value of the reading followed by hand [m; m3/s or m2].
    """
    figure, (top, low) = canvas(4.6, 2, 1, sharex=True, height_ratios=(2.2, 1))
    area = units[1] in ("m2", "ft2")
    levels = from_si(curve["level"].to_numpy(float), units[0], "length")
    name = "wetted area" if area else "discharge"

    def shown(value):
        return from_si(value, units[1], "area" if area else "discharge")

    top.plot(levels, shown(curve["value"].to_numpy(float)), color=BLUE, linewidth=2, label="rating")
    here = from_si(one[0], units[0], "length"), shown(one[1])
    top.plot(*here, "D", color=INK, markersize=7, label="the reading followed by hand")
    top.set_ylabel(f"{name} [{units[1]}]")
    top.set_ylim(bottom=0)
    top.set_title(f"From level to {name}, and the levels the volume comes from")
    edges = from_si(use["level"].to_numpy(float), units[0], "length")
    step = float(np.diff(edges).mean()) if len(edges) > 1 else 1.0
    low.bar(
        edges, 100 * use["share"], step, align="edge", color=LIGHT, edgecolor=INK, linewidth=0.4
    )
    low.set_ylabel("share of volume [%]")
    low.set_xlabel(f"level over the datum [{units[0]}]")
    outside = 0.0
    if limits is not None:
        _limits(top, limits, units[0])
        middle = use["level"] + np.diff(use["level"]).mean() / 2
        inside = (middle >= limits[0]) & (middle <= limits[1])
        outside = 100 * float(use["share"][~inside].sum())
    top.set_xlim(0, max(float(levels[-1]), float(edges[-1]) + step))
    figure.legend(*top.get_legend_handles_labels(), loc="outside lower center", ncols=4)
    common = float(use["level"][use["share"].idxmax()])
    alt = (
        f"Rating curve: level {here[0]:.3g} {units[0]} gives {here[1]:.3g} {units[1]}. Most of the "
        f"volume comes from levels about {from_si(common, units[0], 'length'):.3g} {units[0]}; "
        f"{outside:.1f} % from outside the published limits."
    )
    return Picture(figure, alt)


def _limits(axes, limits: tuple[float, float], unit: str) -> None:
    shown = [from_si(limit, unit, "length") for limit in limits if np.isfinite(limit)]
    for number, limit in enumerate(shown):
        label = None if number else "published limits of the level"
        axes.axvline(limit, color=SOFT, linestyle=(0, (5, 3)), linewidth=1.2, label=label)


@styled
def day_of_readings(day: pd.DataFrame, unit: str, zone: str) -> Picture:
    """One day of the record, accepted and rejected readings apart.

    Parameters
    ----------
    day : DataFrame
        time (with a zone), level [m], status, reason [text].
    """
    times = local(day["time"], zone)
    level = from_si(day["level"].to_numpy(float), unit, "length")
    good = (day["status"] == "measured").to_numpy()
    figure, axes = canvas(3.2)
    axes.plot(times[good], level[good], ".", color=BLUE, markersize=3, label="accepted")
    top = float(np.nanmax(level[good])) if good.any() else 1.0
    foot = min(0.0, float(np.nanmin(level[good], initial=0.0)))
    spoken = []
    reasons = day["reason"].astype(str).where(day["reason"].notna(), "")[~good]
    for place, reason in enumerate(dict.fromkeys(reasons)):
        where = ~good & (day["reason"].astype(str) == reason).to_numpy()
        heights = np.where(np.isfinite(level[where]), np.clip(level[where], foot, 1.15 * top), foot)
        marker = "vPsd^"[place % 5]
        axes.plot(
            times[where], heights, marker, linestyle="none", label=f"rejected: {reason}", **REJECTED
        )
        spoken.append(f"{int(where.sum())} {reason}")
    axes.xaxis.set_major_formatter(_clock())
    date = times.iloc[len(times) // 2].strftime("%Y-%m-%d")
    axes.set_xlabel(f"hour of {date} ({zone})")
    axes.set_ylabel(f"level over the datum [{unit}]")
    axes.set_title("One day of readings: what was accepted and what was not")
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower center", ncols=4)
    rejected = ", ".join(spoken) or "none"
    return Picture(figure, f"{len(day)} readings of {date}; rejected: {rejected}.")


def _clock():
    from matplotlib.dates import DateFormatter

    return DateFormatter("%H:%M")


@styled
def zero_path_picture(
    path: pd.DataFrame, visits: pd.DataFrame, unit: str, zone: str, coverage: float
) -> Picture:
    """How far the zero was off, from visit to visit, with its interval and the hand readings.

    Parameters
    ----------
    path : DataFrame
        time (two rows an interval), mean, low, high of what the instrument reads too high [m].
    visits : DataFrame
        time, too_high: instrument less hand reading; may be empty [m].
    """
    times = local(path["time"], zone)
    middle, low, high = in_unit(path, ("mean", "low", "high"), unit, "length")
    figure, axes = canvas(3.2)
    axes.axhline(0, color=RULE, linewidth=1)
    band = f"{100 * coverage:.3g} % interval"
    axes.fill_between(times, low, high, color=BLUE, alpha=0.22, linewidth=0, label=band)
    axes.plot(times, middle, color=BLUE, linewidth=1.8, label="best estimate")
    if len(visits):
        stamps = local(visits["time"], zone)
        shown = from_si(visits["too_high"].to_numpy(float), unit, "length")
        look = {"color": INK, "markersize": 6, "linestyle": "none"}
        axes.plot(stamps, shown, "D", label="instrument less hand reading", **look)
    axes.set_ylabel(f"instrument reads too high by [{unit}]")
    axes.set_xlabel(f"day ({zone})")
    axes.set_title("The zero of the instrument between visits")
    axes.grid(axis="y")
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower center", ncols=3)
    alt = (
        f"Zero of the instrument over the record: best estimate between {middle.min():.3g} and "
        f"{middle.max():.3g} {unit}, interval at most {np.max(high - low):.3g} {unit} wide, "
        f"{len(visits)} visits."
    )
    return Picture(figure, alt)


@styled
def cut_at_read(
    readings: pd.DataFrame, read: pd.Timestamp, unit: str, zone: str, names: Sequence[str]
) -> Picture:
    """The straight lines between readings, cut at exactly the instant of a read.

    Parameters
    ----------
    readings : DataFrame
        time (with a zone), discharge [m3/s].
    read : Timestamp
        The read that ends one invoice and begins the next [-].
    names : sequence of str
        The invoice before and, if there is one, the invoice after [text].
    """
    times = local(readings["time"], zone)
    flow = from_si(readings["discharge"].to_numpy(float), unit, "discharge")
    moment = read.tz_convert(zone).tz_localize(None)
    figure, axes = canvas(2.9)
    seconds = (times - moment).dt.total_seconds().to_numpy()
    here = float(np.interp(0.0, seconds, flow))
    fine = np.append(seconds, 0.0)
    order = np.argsort(fine, kind="stable")
    fine, values = fine[order] / 60, np.append(flow, here)[order]
    looks = [(LIGHT, "//"), ("#DDF0FB", "..")]
    for side, name, (colour, hatch) in zip((fine <= 0, fine >= 0), names, looks, strict=False):
        look = {"facecolor": colour, "edgecolor": SOFT, "hatch": hatch, "linewidth": 0}
        axes.fill_between(fine[side], 0, values[side], label=f"volume of {name}", **look)
    axes.plot(seconds / 60, flow, "o-", color=BLUE, linewidth=1.4, markersize=4, label="readings")
    axes.axvline(0, color=INK, linewidth=2)
    axes.set_ylim(bottom=0)
    axes.set_xlim(fine[0], fine[-1])
    axes.set_xlabel(f"minutes from the read of {moment:%Y-%m-%d %H:%M} ({zone})")
    axes.set_ylabel(f"discharge [{unit}]")
    axes.set_title("The area under the readings is cut at exactly the read")
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower center", ncols=3)
    alt = (
        f"{len(readings)} readings about the read of {moment:%Y-%m-%d %H:%M}; discharge there "
        f"{here:.3g} {unit}, by the straight line between its neighbours."
    )
    return Picture(figure, alt)
