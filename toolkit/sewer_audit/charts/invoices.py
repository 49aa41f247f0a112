"""Invoices against the evidence, line differences, the decision for one volume."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from matplotlib.patches import Rectangle

from sewer_audit.charts import (
    EVIDENCE,
    INK,
    RULE,
    SOFT,
    Picture,
    canvas,
    interval_of,
    named_rows,
    styled,
)
from sewer_audit.errors import ReportFailed
from sewer_audit.uncertainty import coverage_interval
from sewer_audit.units import from_si

PLAIN = {"facecolor": "white", "edgecolor": "none", "pad": 1.2}  # behind words that lines cross
NARROW_TICKS = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1, 1.1, 1.2, 1.3, 1.5, 1.7, 2, 2.5, 3, 4, 5)
# what a difference comes from: colour (palette of sewer_audit.charts) and hatching
ORIGIN_LOOKS = (("#0072B2", ""), ("#E69F00", "//"), ("#CC79A7", "xx"))


@styled
def invoices_against_evidence(
    invoices: pd.DataFrame,
    unit: str,
    coverage: float = 0.95,
    sources: Sequence[str] = ("effluent", "balance", "basis"),
    remarks: Mapping[str, str] | None = None,
) -> Picture:
    """Each billed volume as a mark beside the intervals of the evidence, findings in words.

    Parameters
    ----------
    invoices : DataFrame
        invoice, billed_m3, finding, and ``_mean``, ``_low``, ``_high`` of each source; shares_with
        where an earlier invoice holds days of another, whose evidence is for the rest [m3].
    sources : sequence of str
        Which of :data:`EVIDENCE` to show; those without figures are left out [text].
    remarks : mapping of str to str, optional
        What the legend must add to the name of a source, such as its class [text].
    """
    shown = [s for s in sources if f"{s}_mean" in invoices and invoices[f"{s}_mean"].notna().any()]
    rows = np.arange(len(invoices), dtype=float)
    figure, axes = canvas(1.5 + len(rows) * max(0.30, 0.11 * (len(shown) + 1)))
    steps = np.linspace(-0.27, 0.27, len(shown)) if len(shown) > 1 else [0.0] * len(shown)
    for source, step in zip(shown, steps, strict=True):
        look = EVIDENCE[source]
        mean, low, high = interval_of(invoices, source, unit)
        axes.hlines(rows + step, low, high, color=look.colour, linewidth=2.6)
        label = look.label + (f", {remarks[source]}" if remarks and source in remarks else "")
        marks = {"markeredgecolor": INK, "markeredgewidth": 0.6, "markersize": 5.5}
        axes.plot(mean, rows + step, look.marker, color=look.colour, label=label, **marks)
    billed = from_si(invoices["billed_m3"].to_numpy(float), unit, "volume")
    axes.vlines(billed, rows - 0.40, rows + 0.40, color=INK, linewidth=2.8)
    axes.plot([], [], "|", color=INK, markersize=11, markeredgewidth=2.6, label="billed")
    axes.set_yticks(rows, _names(invoices))
    axes.set_ylim(len(rows) - 0.4, -0.6)
    for row in rows[1:]:
        axes.axhline(row - 0.5, color=RULE, linewidth=0.6)
    _findings(axes, rows, invoices["finding"])
    axes.xaxis.set_major_formatter(_ticks)
    axes.set_xlabel(f"volume in the service period [{unit}]")
    axes.set_title(
        f"Billed volume and evidence for each invoice; bars are {coverage * 100:.3g} % intervals"
    )
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower center", ncols=5)
    return Picture(figure, _spoken(invoices, unit, shown))


def _names(invoices: pd.DataFrame) -> list[str]:
    """Names of the rows; below each that shares days, the invoice that holds them."""
    names = [str(name) for name in invoices["invoice"]]
    if "shares_with" not in invoices:
        return names
    pairs = zip(names, invoices["shares_with"], strict=True)
    return [f"{name}\nless days of {other}" if other else name for name, other in pairs]


def _findings(axes, rows, findings: pd.Series) -> None:
    axes.tick_params(length=0, axis="y")
    axes.grid(axis="x")
    for row, finding in zip(rows, findings, strict=True):
        weight = "bold" if "too" in str(finding) else "normal"
        axes.text(
            1.015,
            row,
            str(finding),
            transform=axes.get_yaxis_transform(),
            va="center",
            fontsize=8.5,
            fontweight=weight,
        )


def _spoken(invoices: pd.DataFrame, unit: str, shown: Sequence[str]) -> str:
    total = from_si(float(invoices["billed_m3"].sum()), unit, "volume")
    parts = [f"{len(invoices)} invoices, billed {total:,.0f} {unit} in all"]
    for source in shown:
        value = from_si(float(invoices[f"{source}_mean"].sum()), unit, "volume")
        parts.append(f"{EVIDENCE[source].label} {value:,.0f} {unit}")
    counts = invoices["finding"].astype(str).value_counts(sort=False)
    named = ", ".join(f"{count} {finding}" for finding, count in counts.items())
    return f"Billed volume against evidence: {'; '.join(parts)}. Findings: {named}."


@styled
def line_differences(differences: pd.DataFrame, money: str = "USD") -> Picture:
    """Billed less recomputed, by invoice and charge line, as numbers on a shaded grid.

    Parameters
    ----------
    differences : DataFrame
        Index: invoices; columns: charge lines; values billed less recomputed [`money`].
    """
    values = differences.to_numpy(dtype=float)
    figure, axes = canvas(1.4 + 0.32 * len(differences))
    largest = max(float(np.nanmax(np.abs(values), initial=0.0)), 0.01)
    shade = np.abs(np.nan_to_num(values)) / largest
    axes.imshow(shade, cmap="Greys", vmin=0, vmax=1.35, aspect="auto")
    for (row, column), value in np.ndenumerate(values):
        text = "–" if np.isnan(value) else "0" if abs(value) < 0.005 else f"{value:+,.2f}"
        colour = "white" if shade[row, column] > 0.62 else INK if text != "0" else SOFT
        if value < -0.005:
            box = {"fill": False, "hatch": "....", "edgecolor": SOFT, "linewidth": 0.8}
            axes.add_patch(Rectangle((column - 0.49, row - 0.47), 0.98, 0.94, **box))
        axes.text(column, row, text, ha="center", va="center", color=colour, fontsize=8)
    axes.set_xticks(range(values.shape[1]), [str(name) for name in differences.columns])
    axes.set_yticks(range(values.shape[0]), [str(name) for name in differences.index])
    axes.tick_params(length=0)
    axes.spines[:].set_visible(False)
    axes.set_xlabel("charge line")
    axes.set_title(f"Billed less recomputed from the rate schedule [{money}]")
    wrong = int((np.abs(np.nan_to_num(values)) >= 0.005).sum())
    there = differences.columns[-1] == "total"  # which holds the lines once more
    whole, what = (values[:, -1], "totals together") if there else (values, "together")
    alt = (
        f"Differences between billed and recomputed charge lines: {wrong} of {values.size} differ; "
        f"{what} {np.nansum(whole):+,.2f} {money}."
    )
    return Picture(figure, alt)


@styled
def difference_origins(origins: pd.DataFrame, money: str = "USD") -> Picture:
    """What the difference of each invoice comes from, as bars to both sides of zero.

    Parameters
    ----------
    origins : DataFrame
        Index: invoices; columns: origins; values billed less recomputed [`money`].
    """
    rows = np.arange(len(origins), dtype=float)
    figure, axes = canvas(1.6 + 0.30 * len(rows))
    ends = np.zeros((2, len(rows)))  # how far each side is filled
    for name, (colour, hatch) in zip(origins.columns, ORIGIN_LOOKS, strict=True):
        values = origins[name].to_numpy(dtype=float)
        side = (values > 0).astype(int)
        left = ends[side, rows.astype(int)]
        look = {"color": colour, "hatch": hatch, "edgecolor": "white", "linewidth": 0.6}
        axes.barh(rows, values, left=left, height=0.66, label=name, **look)
        ends[side, rows.astype(int)] += values
    total = origins.sum(axis=1).to_numpy(dtype=float)
    reach = max(float(np.abs(ends).max()), 0.01)
    for row, value in zip(rows, total, strict=True):
        text = "0" if abs(value) < 0.005 else f"{value:+,.2f}"
        side = 0 if value < 0 else 1
        place = ends[side, int(row)] + (2 * side - 1) * 0.015 * reach
        look = {"va": "center", "ha": ("right", "left")[side], "fontsize": 8.5}
        axes.text(place, row, text, bbox=PLAIN, **look)
    axes.set_xlim(min(ends[0].min() - 0.22 * reach, 0), max(ends[1].max() + 0.22 * reach, 0))
    axes.axvline(0, color=INK, linewidth=1.2)
    named_rows(axes, [str(name) for name in origins.index])
    axes.grid(axis="x")
    axes.xaxis.set_major_formatter(_ticks)
    axes.set_xlabel(f"billed less recomputed [{money}]; right of zero too much was billed")
    axes.set_title("What each difference comes from")
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower center", ncols=3)
    wrong = [f"{n} {v:+,.2f}" for n, v in zip(origins.index, total, strict=True) if abs(v) > 0.005]
    parts = [f"{name} {origins[name].sum():+,.2f}" for name in origins.columns]
    alt = (
        f"Origin of the differences [{money}]: {', '.join(parts)}. By invoice: "
        f"{', '.join(wrong) or 'none differs'}."
    )
    return Picture(figure, alt)


@styled
def ratio_picture(ratios: pd.DataFrame, known: Mapping[str, float]) -> Picture:
    """Billed over due volume of each invoice, with the ratios that known errors leave.

    Parameters
    ----------
    ratios : DataFrame
        invoice, ratio, low, high, named [-].
    known : mapping of str to float
        Error in words to the ratio it leaves; those near a figure are shown [-].
    """
    rows, ratio = np.arange(len(ratios), dtype=float), ratios["ratio"].to_numpy(dtype=float)
    figure, axes = canvas(2.2 + 0.28 * len(rows))
    axes.axvline(1, color=INK, linewidth=1.4)
    low, high = min(ratio.min(), 0.8) / 1.12, max(ratio.max(), 1.25) * 1.12
    near = {w: v for w, v in known.items() if np.abs(np.log(ratio / v)).min() < 0.02}
    for number, (words, value) in enumerate(sorted(near.items(), key=lambda item: item[1])):
        style = ("--", ":", "-.")[number % 3]
        axes.axvline(value, color=SOFT, linestyle=style, zorder=1, label=f"{value:.4g}: {words}")
    axes.hlines(rows, ratios["low"], ratios["high"], color="#0072B2", linewidth=3)
    right = (ratios["named"] == "").to_numpy()
    look = {"markersize": 6.5, "markeredgecolor": INK, "markeredgewidth": 0.8}
    axes.plot(ratio[right], rows[right], "o", color="white", label="as due", **look)
    axes.plot(ratio[~right], rows[~right], "D", color="#0072B2", label="differs", **look)
    for row, value, named in zip(rows, ratio, ratios["named"], strict=True):
        if named:
            text = f"  {value:.4f}  {named.replace('-', ' ')}"
            axes.text(value, row, text, va="center", fontsize=8.5, bbox=PLAIN, zorder=1.8)
    high *= (high / low) ** 0.35  # room for the words
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    ticks = [t for t in NARROW_TICKS if low <= t <= high]
    if high / low < 6:
        axes.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    else:
        axes.xaxis.set_major_formatter(lambda value, _: f"{value:.3g}")
    axes.set_xticks([], minor=True)
    named_rows(axes, [str(name) for name in ratios["invoice"]])
    axes.grid(axis="x")
    axes.set_xlabel("billed over due volume [1], logarithmic")
    axes.set_title("Billed volume over the volume due by the rules")
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower center", ncols=2)
    wrong = ratios[~right]
    told = [f"{r.invoice} {r.ratio:.4f} ({r.named})" for r in wrong.itertuples()]
    alt = f"Billed over due volume of {len(ratios)} invoices: {int(right.sum())} as due"
    return Picture(figure, f"{alt}; {', '.join(told) or 'none differs'}.")


@styled
def decision_picture(
    volumes: np.ndarray,
    billed: float,
    tolerance: float,
    unit: str,
    coverage: float = 0.95,
    source: str = "effluent",
) -> Picture:
    """What the evidence says about one volume, beside the billed one and its limits.

    Parameters
    ----------
    volumes : ndarray, shape (draws,)
        Draws of the volume [m3].
    billed : float
        The billed volume [m3].
    source : str
        Which of :data:`sewer_audit.charts.EVIDENCE` the draws are [text].

    Raises
    ------
    ReportFailed
        If there is no draw to show.
    """
    values = from_si(np.asarray(volumes, float), unit, "volume")
    values = values[np.isfinite(values)]
    if not values.size:
        raise ReportFailed("there is no draw to show")
    mark = from_si(billed, unit, "volume")
    held = coverage_interval(values, coverage)  # the ends the tables print, not a quantile
    low, high = held.low, held.high
    figure, axes = canvas(3.2)
    look = EVIDENCE[source]
    axes.hist(values, bins=80, density=True, color=look.colour, alpha=0.6, label=look.label)
    words = f"{coverage * 100:.3g} % interval"
    base = [axes.get_ylim()[1] * 0.04] * 2
    axes.plot([low, high], base, color=INK, linewidth=3, solid_capstyle="butt", label=words)
    axes.axvline(mark, color=INK, linewidth=2.4)
    axes.plot([], [], "|", color=INK, markersize=11, markeredgewidth=2.4, label="billed")
    limits = mark * (1 - tolerance), mark * (1 + tolerance)
    look = {"facecolor": "none", "edgecolor": SOFT, "hatch": "///", "linewidth": 0}
    axes.axvspan(*limits, **look, label=f"within {tolerance * 100:.3g} % of billed")
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.xaxis.set_major_formatter(_ticks)
    axes.set_xlabel(f"volume [{unit}]")
    axes.set_ylabel(f"probability density [1/{unit}]")
    axes.set_title("Billed volume and what the evidence allows")
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower center", ncols=4)
    below, above = (values < limits[0]).mean(), (values > limits[1]).mean()
    alt = (
        f"Billed {mark:,.0f} {unit}; the evidence lies between {low:,.0f} and {high:,.0f} {unit} "
        f"({words}). By these draws the probability is {_chance(below)} that the volume is below "
        f"the billed one by more than {tolerance * 100:.3g} %, {_chance(above)} that it is above "
        "it by more."
    )
    return Picture(figure, alt)


def _chance(share: float) -> str:
    """A share of the draws in per cent, never rounded to certainty."""
    if share > 0.999:
        return "more than 99.9 %"
    return "less than 0.1 %" if share < 0.001 else f"{100 * share:.1f} %"


def _ticks(value: float, _place: int) -> str:
    return f"{value:,.0f}" if abs(value) >= 100 else f"{value:.4g}"
