"""Figures of the quarterly review: volumes by quarter, control chart, cost per volume."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sewer_audit.auditing.quarterly.control import ControlLimits
from sewer_audit.charts import EVIDENCE, INK, RULE, SOFT, Picture, canvas, interval_of, styled
from sewer_audit.units import from_si, to_si

SOURCES = {"effluent": "measured", "balance": "expected from the balance"}
MARKS = {"markeredgecolor": INK, "markeredgewidth": 0.6, "markersize": 6, "linestyle": "none"}


@styled
def quarter_volumes(
    table: pd.DataFrame, unit: str, coverage: float, forecast: dict | None = None
) -> Picture:
    """Billed, measured and expected volume of each quarter, and the next one as foreseen.

    Parameters
    ----------
    table : DataFrame
        quarter, billed_m3 and ``_mean``, ``_low``, ``_high`` of the estimates [m3].
    forecast : dict, optional
        quarter and discharge_m3 with middle, low, high [m3].
    """
    figure, axes = canvas(3.6)
    places = np.arange(len(table), dtype=float)
    billed = from_si(table["billed_m3"].to_numpy(float), unit, "volume")
    axes.hlines(billed, places - 0.36, places + 0.36, color=INK, linewidth=2.8, label="billed")
    spoken = [f"billed {billed[-1]:,.0f} {unit}"]
    shown = [name for name in SOURCES if table[f"{name}_mean"].notna().any()]
    for name, step in zip(shown, np.linspace(-0.14, 0.14, max(len(shown), 1)), strict=False):
        middle, low, high = interval_of(table, name, unit)
        look = EVIDENCE[name]
        axes.vlines(places + step, low, high, color=look.colour, linewidth=2.6)
        axes.plot(places + step, middle, look.marker, color=look.colour, label=look.label, **MARKS)
        spoken.append(f"{SOURCES[name]} {middle[-1]:,.0f} ({low[-1]:,.0f} to {high[-1]:,.0f})")
    names = list(table["quarter"])
    if forecast and forecast.get("discharge_m3"):
        ends = [from_si(forecast["discharge_m3"][p], unit, "volume") for p in ("low", "high")]
        centre = from_si(forecast["discharge_m3"]["middle"], unit, "volume")
        names.append(f"{forecast['quarter']}\nforecast")
        axes.vlines(len(places), *ends, color=SOFT, linewidth=2.2, linestyle=(0, (3, 2)))
        axes.plot([len(places)], [centre], "v", color="white", label="forecast discharge", **MARKS)
        spoken.append(f"forecast of the next quarter {ends[0]:,.0f} to {ends[1]:,.0f}")
    axes.set_xticks(range(len(names)), names)
    axes.set_xlim(-0.6, len(names) - 0.4)
    axes.set_ylim(0, 1.06 * axes.get_ylim()[1])
    axes.grid(axis="y")
    axes.yaxis.set_major_formatter(lambda value, _place: f"{value:,.0f}")
    axes.set_ylabel(f"volume in the quarter [{unit}]")
    axes.set_title(f"Volume by quarter; bars are {100 * coverage:.3g} % intervals")
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower center", ncols=4)
    last = table["quarter"].iloc[-1]
    alt = f"Volumes of {len(table)} quarters. {last}: {'; '.join(spoken)} {unit}."
    return Picture(figure, alt)


@styled
def control_chart(
    ratios: pd.DataFrame, limits: ControlLimits | None, tolerance: float, coverage: float
) -> Picture:
    """Billed over audited volume of each invoice, with control limits from the earlier ones.

    Parameters
    ----------
    ratios : DataFrame
        invoice, quarter, read_type, ratio_mean, ratio_low, ratio_high, outside [-].
    """
    figure, axes = canvas(3.9)
    places = np.arange(len(ratios), dtype=float)
    middle, low, high = (ratios[f"ratio_{p}"].to_numpy(float) for p in ("mean", "low", "high"))
    outside = ratios["outside"].to_numpy(bool)
    look = {"facecolor": "none", "edgecolor": SOFT, "hatch": "///", "linewidth": 0}
    words = f"billed what left the site, within {100 * tolerance:.3g} %"
    axes.axhspan(1 - tolerance, 1 + tolerance, **look, label=words)
    if limits is not None:
        axes.axhline(limits.centre, color=INK, linewidth=1.0, label="usual ratio")
        for number, end in enumerate((limits.low, limits.high)):
            label = None if number else "control limits"
            axes.axhline(end, color=INK, linewidth=1.0, linestyle=(0, (5, 3)), label=label)
    colour = EVIDENCE["reconciled"].colour
    axes.vlines(places, low, high, color=colour, linewidth=2.4)
    axes.plot(places[~outside], middle[~outside], "o", color=colour, label="inside", **MARKS)
    if outside.any():
        marks = {**MARKS, "markersize": 8}
        axes.plot(places[outside], middle[outside], "D", color=INK, label="outside", **marks)
    _divide(axes, ratios["quarter"], places)
    axes.set_xticks(places, list(ratios["invoice"]), rotation=45 if len(ratios) > 9 else 0)
    axes.set_ylabel("billed volume / audited volume [-]")
    axes.set_title(
        f"Billed over audited volume, invoice by invoice; bars are {100 * coverage:.3g} % intervals"
    )
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower center", ncols=5)
    return Picture(figure, _spoken(ratios, limits))


def _divide(axes, quarters: pd.Series, places: np.ndarray) -> None:
    """Upright lines between quarters, their names along the top."""
    names = list(quarters)
    for name in dict.fromkeys(names):
        inside = [p for p, each in zip(places, names, strict=True) if each == name]
        if inside[0] > 0:
            axes.axvline(inside[0] - 0.5, color=RULE, linewidth=0.9, zorder=0)
        centre = (inside[0] + inside[-1]) / 2
        axes.text(
            centre,
            0.995,
            name,
            transform=axes.get_xaxis_transform(),
            ha="center",
            va="top",
            fontsize=8,
            color=SOFT,
        )
    axes.margins(y=0.14)
    axes.set_xlim(-0.6, len(names) - 0.4)


def _spoken(ratios: pd.DataFrame, limits: ControlLimits | None) -> str:
    known = ratios["ratio_mean"].dropna()
    if known.empty:
        return "Control chart without a point: no audited volume is known."
    text = (
        f"Billed over audited volume of {len(known)} invoices, from {known.min():.2f} to "
        f"{known.max():.2f}."
    )
    if limits is None:
        return text + " There are too few earlier invoices for control limits."
    named = ", ".join(map(str, ratios.loc[ratios["outside"], "invoice"])) or "none"
    return (
        f"{text} Usual ratio {limits.centre:.2f}, control limits {limits.low:.2f} to "
        f"{limits.high:.2f}. Outside: {named}."
    )


@styled
def quarter_costs(table: pd.DataFrame, unit: str, money: str, coverage: float) -> Picture:
    """What a unit of volume cost: of the billed one, and of the one that left the site.

    Parameters
    ----------
    table : DataFrame
        quarter, cost_per_billed_m3, cost_per_m3 with ``_mean``, ``_low``, ``_high`` [money/m3].
    """
    size = float(to_si(1.0, unit, "volume"))
    figure, axes = canvas(3.0)
    places = np.arange(len(table), dtype=float)
    billed = table["cost_per_billed_m3"].to_numpy(float) * size
    axes.hlines(billed, places - 0.3, places + 0.3, color=INK, linewidth=2.8, label="a billed unit")
    middle, low, high = (
        table[f"cost_per_m3_{part}"].to_numpy(float) * size for part in ("mean", "low", "high")
    )
    spoken = f"{billed[-1]:.2f} {money} a billed {unit}"
    if np.isfinite(middle).any():
        look = EVIDENCE["reconciled"]
        axes.vlines(places, low, high, color=look.colour, linewidth=2.6)
        label = "a unit that left the site (audited)"
        axes.plot(places, middle, look.marker, color=look.colour, label=label, **MARKS)
        spoken += f", {middle[-1]:.2f} ({low[-1]:.2f} to {high[-1]:.2f}) an audited {unit}"
    axes.set_xticks(places, list(table["quarter"]))
    axes.set_xlim(-0.6, len(places) - 0.4)
    axes.margins(y=0.2)
    axes.grid(axis="y")
    axes.set_ylabel(f"cost [{money}/{unit}]")
    axes.set_title(f"Cost per volume by quarter; bars are {100 * coverage:.3g} % intervals")
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower center", ncols=3)
    return Picture(figure, f"Cost of {len(table)} quarters. {table['quarter'].iloc[-1]}: {spoken}.")
