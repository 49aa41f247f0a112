"""Figures of a plan: heads within limits, uncertainty, chance of a finding, worth, visits."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sewer_audit.charts import INK, RULE, SOFT, WASH, Picture, canvas, named_rows, styled
from sewer_audit.units import from_si

LINES = (
    ("#0072B2", "-", "o"),
    ("#E69F00", "--", "s"),
    ("#009E73", "-.", "^"),
    ("#CC79A7", ":", "D"),
    (INK, "-", "v"),
)
"""Colour, line and marker of series in a row."""


@styled
def expected_flows(quantiles: np.ndarray, unit: str, source: str) -> Picture:
    """Discharge against the share of the time in which it is not exceeded.

    Units: quantiles [m3/s]; returns [discharge].
    """
    shown = from_si(np.asarray(quantiles, dtype=float), unit, "discharge")
    share = np.linspace(0.0, 100.0, len(shown))
    mean = float(np.mean((shown[1:] + shown[:-1]) / 2))
    figure, axes = canvas(2.9)
    axes.plot(share, shown, color=LINES[0][0], linewidth=2)
    axes.axhline(mean, color=SOFT, linewidth=1, linestyle="--")
    axes.annotate(f"mean {mean:.3g} {unit}", (2, mean), (0, 4), textcoords="offset points")
    axes.set_xlabel("share of the time with this discharge or less [%]")
    axes.set_ylabel(f"discharge [{unit}]")
    axes.set_xlim(0, 100)
    axes.set_ylim(0, None)
    axes.grid()
    axes.set_title("The discharge to be expected")
    alt = (
        f"Flow duration curve ({source}): minimum {shown[0]:.3g}, mean {mean:.3g}, peak "
        f"{shown[-1]:.3g} {unit}."
    )
    return Picture(figure, alt)


@styled
def heads_within_limits(frame: pd.DataFrame, unit: str) -> Picture:
    """Head from minimum to peak flow inside the published range, option by option.

    Units: frame [m]; returns [head].
    """
    shown = frame.copy()
    for name in ("minimum", "mean", "peak", "low", "high"):
        shown[name] = from_si(frame[name].to_numpy(float), unit, "length")
    rows = np.arange(len(shown), dtype=float)
    figure, axes = canvas(1.5 + 0.34 * len(shown))
    left = 0.7 * float(np.min(shown[["minimum", "low"]].to_numpy()[shown[["minimum", "low"]] > 0]))
    begin = np.maximum(shown["low"], left)
    width = shown["high"] - begin
    limits = {"color": WASH, "edgecolor": SOFT, "linewidth": 0.8, "height": 0.66}
    axes.barh(rows, width, left=begin, label="published range", **limits)
    colour = LINES[0][0]
    axes.hlines(rows, shown["minimum"], shown["peak"], color=colour, linewidth=4)
    axes.plot(shown["minimum"], rows, "|", color=colour, markersize=11, label="minimum flow")
    axes.plot(shown["mean"], rows, "o", color=colour, mec="white", label="mean flow")
    axes.plot(shown["peak"], rows, ">", color=colour, label="peak flow")
    named_rows(axes, [str(name) for name in shown["option"]])
    axes.set_xscale("log")
    axes.set_xlim(left, 1.3 * float(shown["high"].max()))
    axes.xaxis.set_major_formatter(lambda value, place: f"{value:g}")
    axes.xaxis.set_minor_formatter(lambda value, place: "")
    axes.set_xlabel(f"head or depth, logarithmic [{unit}]")
    axes.grid(axis="x", which="both")
    axes.set_title("Heads from minimum to peak flow, inside what is published")
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower center", ncols=4)
    first = shown.iloc[0]
    alt = (
        f"Heads of {len(shown)} options beside their published range; {first['option']}: "
        f"{first['minimum']:.3g} to {first['peak']:.3g} {unit}, range {first['low']:.3g} to "
        f"{first['high']:.3g} {unit}."
    )
    return Picture(figure, alt)


@styled
def uncertainty_by_option(frame: pd.DataFrame) -> Picture:
    """Expected standard uncertainty of a month's and a year's volume.

    Units: returns [%].
    """
    rows = np.arange(len(frame), dtype=float)
    month, year = 100 * frame["month"].to_numpy(float), 100 * frame["year"].to_numpy(float)
    figure, axes = canvas(1.4 + 0.32 * len(frame))
    axes.hlines(rows, year, month, color=RULE, linewidth=2)
    axes.plot(month, rows, "s", color=LINES[1][0], mec=INK, mew=0.5, label="a month")
    axes.plot(year, rows, "o", color=LINES[0][0], mec=INK, mew=0.5, label="a year")
    named_rows(axes, [str(name) for name in frame["option"]])
    axes.set_xlim(0, 1.1 * float(max(month.max(), year.max())))
    axes.grid(axis="x")
    axes.set_xlabel("expected standard uncertainty of the volume [%]")
    axes.set_title("A year is hardly better known than a month")
    if np.any(month > 1.25 * year):
        axes.set_title("How well a month's and a year's volume would be known")
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower center", ncols=2)
    best = frame.iloc[0]
    alt = (
        f"Expected standard uncertainty by option; {best['option']}: {month[0]:.2g} % for a month, "
        f"{year[0]:.2g} % for a year."
    )
    return Picture(figure, alt)


@styled
def chance_of_finding(chances: pd.DataFrame, months: int, aim: float = 0.9) -> Picture:
    """Chance of the finding "too high" against the true shortfall.

    Units: returns [%].
    """
    figure, (left, right) = canvas(3.6, 1, 2, sharey=True)
    first = str(chances["option"].iloc[0])
    mine = chances[chances["option"] == first]
    wanted = [n for n in (1, 3, 12, 24) if n in set(mine["months"])]
    for look, length in zip(LINES, wanted, strict=False):
        _line(
            left,
            mine[mine["months"] == length],
            look,
            "1 month" if length == 1 else f"{length} months",
        )
    for look, (option, each) in zip(LINES, chances.groupby("option", sort=False), strict=False):
        _line(right, each[each["months"] == months], look, str(option))
    for axes, title in ((left, f"{first}: length"), (right, f"{months} months: option")):
        axes.axhline(100 * aim, color=SOFT, linewidth=1, linestyle=(0, (2, 2)))
        axes.set_xlabel("true discharge below the billed by [%]")
        axes.set_ylim(-2, 102)
        axes.grid()
        axes.set_title(title, fontsize=9, fontweight="normal")
        axes.legend(loc="lower right")
    left.set_ylabel("chance of the finding “too high” [%]")
    figure.suptitle("The chance of a finding", x=0.01, ha="left", fontsize=10.5, fontweight="bold")
    last = mine[mine["months"] == months]
    parts = [
        f"{100 * row['total_too_high']:.0f} % at a shortfall of {100 * row['shortfall']:.0f} %"
        for _, row in last.iterrows()
        if row["shortfall"] in (0.05, 0.1, 0.15)
    ]
    return Picture(figure, f"Chance that {months} months of {first} find it: {', '.join(parts)}.")


def _line(axes, each: pd.DataFrame, look: tuple[str, str, str], label: str) -> None:
    colour, line, marker = look
    axes.plot(
        100 * each["shortfall"],
        100 * each["total_too_high"],
        color=colour,
        linestyle=line,
        marker=marker,
        markersize=4,
        label=label,
    )


@styled
def break_even(
    curves: dict[str, pd.DataFrame], believed: tuple[float, float], money: str, months: int
) -> Picture:
    """Net value of the evidence against the true shortfall, and what is believed of it."""
    figure, (axes, below) = canvas(4.6, 2, 1, sharex=True, gridspec_kw={"height_ratios": (4, 1)})
    alt = []
    for (colour, line, marker), (option, curve) in zip(LINES, curves.items(), strict=False):
        x = 100 * curve["shortfall"].to_numpy(float)
        axes.fill_between(x, curve["net_low"], curve["net_high"], color=colour, alpha=0.15, lw=0)
        axes.plot(x, curve["net"], color=colour, linestyle=line, linewidth=1.8, label=option)
        alt.append(f"{option} {_crossing(curve)}")
        crossed = curve.loc[curve["net"] >= 0, "shortfall"]
        if len(crossed):
            axes.plot(100 * crossed.iloc[0], 0, marker, color=colour, mec=INK, ms=7, zorder=3)
    axes.axhline(0, color=INK, linewidth=1)
    axes.set_ylabel(f"net value [{money}]")
    axes.yaxis.set_major_formatter(lambda value, place: f"{value:,.0f}")
    axes.grid()
    axes.legend(loc="upper left", title="band: range of the stated cost;\nmark: break-even")
    axes.set_title(f"From which shortfall on {months} months of evidence pay")
    x = np.linspace(*(100 * next(iter(curves.values()))["shortfall"].iloc[[0, -1]]), 400)
    mean, standard = 100 * believed[0], 100 * believed[1]
    below.fill_between(x, np.exp(-0.5 * ((x - mean) / standard) ** 2), color=SOFT, alpha=0.4, lw=0)
    below.set_yticks([])
    below.set_ylabel("belief")
    below.set_xlabel("true discharge below the billed by [%]; below zero it lies above the billed")
    below.set_xlim(x[0], x[-1])
    text = f"Net value against the true shortfall; break-even: {'; '.join(alt)}."
    text += f" Believed: {mean:.3g} % with a standard uncertainty of {standard:.3g} %."
    return Picture(figure, text)


def _crossing(curve: pd.DataFrame) -> str:
    above = curve.loc[curve["net"] >= 0, "shortfall"]
    return f"at {100 * above.iloc[0]:.3g} %" if len(above) else "nowhere"


@styled
def visits_and_drift(visits: pd.DataFrame, allowed: float, option: str) -> Picture:
    """What drift takes of a month's uncertainty, by the time between visits.

    Units: returns [%].
    """
    figure, (left, right) = canvas(3.1, 1, 2)
    days = visits["days"].to_numpy(float)
    for (colour, line, marker), name, label in (
        (LINES[1], "drift_share_month", "of a month"),
        (LINES[0], "drift_share_total", "of a year"),
    ):
        share = 100 * visits[name]
        left.plot(days, share, color=colour, linestyle=line, marker=marker, label=label)
    left.axhline(100 * allowed, color=INK, linewidth=1, linestyle=(0, (2, 2)))
    left.annotate(
        "allowed", (days[-1], 100 * allowed), (0, 3), textcoords="offset points", ha="right"
    )
    left.set_ylabel("share of drift in the variance [%]")
    left.set_ylim(0, None)
    left.legend(loc="upper left")
    for (colour, line, marker), name, label in (
        (LINES[1], "month", "a month"),
        (LINES[0], "total", "a year"),
    ):
        spread = 100 * visits[name]
        right.plot(days, spread, color=colour, linestyle=line, marker=marker, label=label)
    right.set_ylabel("standard uncertainty of the volume [%]")
    right.set_ylim(0, None)
    right.legend(loc="lower right")
    for axes in (left, right):
        axes.set_xlabel("days between visits [d]")
        axes.grid()
    figure.suptitle(f"Re-zeroing: {option}", x=0.01, ha="left", fontsize=10.5, fontweight="bold")
    parts = [
        f"{row['days']:.0f} days {100 * row['drift_share_month']:.2g} %"
        for _, row in visits.iterrows()
    ]
    return Picture(figure, f"Share of drift in a month's variance, {option}: {', '.join(parts)}.")
