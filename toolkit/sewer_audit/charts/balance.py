"""The balance drawn to scale, its two estimates tested, and what each explanation would change."""

from __future__ import annotations

from dataclasses import dataclass
from textwrap import fill
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from scipy.special import ndtri

from sewer_audit.charts import (
    EVIDENCE,
    INK,
    RULE,
    SOFT,
    WASH,
    Picture,
    canvas,
    in_unit,
    interval_of,
    named_rows,
    styled,
)
from sewer_audit.errors import ReportFailed
from sewer_audit.uncertainty import p_value_words
from sewer_audit.units import from_si

FILLS = {
    "in": ("#56B4E9", "#BFE3F7", "#8CCBEF", "#DDF0FB"),
    "use": ("#F2C9B0", "#E5977A", "#FAE4D8", "#D98A5B"),
}
HATCHES = ("", "//", "..", "xx")
MARKS = {"markeredgecolor": INK, "markeredgewidth": 0.6, "markersize": 5.5}


@styled
def water_balance(
    flows: pd.DataFrame,
    unit: str,
    measured: dict[str, float] | None = None,
    expected: dict[str, float] | None = None,
) -> Picture:
    """What came in, what was used up, what is left for the sewer, to one scale.

    Parameters
    ----------
    flows : DataFrame
        name, kind ("in" or "use"), mean, standard_uncertainty [m3].
    measured : dict, optional
        mean, standard_uncertainty, low, high of the measured effluent, drawn beside the expected
        one; without the second no u is written [m3].
    expected : dict, optional
        standard_uncertainty, low, high of what is left for the sewer, drawn as an interval [m3].

    Raises
    ------
    ReportFailed
        If nothing came in.
    """
    sides = {kind: flows[flows["kind"] == kind] for kind in ("in", "use")}
    total = float(sides["in"]["mean"].sum())
    if not total > 0:
        raise ReportFailed("a balance without intake cannot be drawn")
    left = total - float(sides["use"]["mean"].sum())
    figure, axes = canvas(4.6)
    spread = None if expected is None else expected["standard_uncertainty"]
    sewered = Block("expected in the sewer", left, EVIDENCE["balance"].colour, "", spread)
    columns = {
        "came in": _blocks(sides["in"], "in"),
        "where it went": [sewered, *_blocks(sides["use"], "use")],
    }
    if expected is not None:
        _whisker(axes, 1.0, left, expected, unit)
    if measured is not None and np.isfinite(measured["mean"]):
        known = measured.get("standard_uncertainty")
        colour = EVIDENCE["effluent"].colour
        effluent = Block("measured effluent", measured["mean"], colour, "", known)
        columns["measured"] = [effluent]
        _whisker(axes, 2.0, measured["mean"], measured, unit)
    _bands(axes, list(columns.values()), unit)
    for place, blocks in enumerate(columns.values()):
        _stack(axes, place, blocks, unit, from_si(total, unit, "volume"))
    axes.set_xticks(np.arange(len(columns)), list(columns))
    axes.set_xlim(-0.35, len(columns) - 0.2)
    axes.yaxis.set_major_formatter("{x:,.0f}")
    axes.set_ylabel(f"volume [{unit}]")
    axes.set_title("Water balance over all service periods, to scale")
    told = [_spoken(flows, left, unit), _intervals(left, expected, measured, unit)]
    return Picture(figure, " ".join(filter(None, told)))


def _whisker(axes, place: float, mean: float, interval: dict[str, float], unit: str) -> None:
    """The interval of a volume at the top of its block."""
    low, high, middle = (
        from_si(each, unit, "volume") for each in (interval["low"], interval["high"], mean)
    )
    bars = [[max(middle - low, 0.0)], [max(high - middle, 0.0)]]
    axes.errorbar(place, middle, bars, color=INK, capsize=6, linewidth=1.8, zorder=4)


def _bands(axes, columns: list[list[Block]], unit: str) -> None:
    """Bands of true width from what came in to where it went, and to what was measured."""
    total = from_si(sum(block.volume for block in columns[0]), unit, "volume")
    axes.fill_between([0.18, 0.82], [0, 0], [total, total], color=WASH, zorder=0)
    if len(columns) > 2:
        ends = [from_si(columns[k][0].volume, unit, "volume") for k in (1, 2)]
        axes.fill_between([1.18, 1.82], [0, 0], ends, color=WASH, zorder=0)


@dataclass(frozen=True)
class Block:
    """One part of a column: what, how much [m3], how it looks, how well known [m3]."""

    label: str
    volume: float
    colour: str
    hatch: str = ""
    spread: float | None = None


def _blocks(flows: pd.DataFrame, kind: str) -> list[Block]:
    parts = zip(flows["name"], flows["mean"], flows["standard_uncertainty"], strict=True)
    return [
        Block(str(name), float(mean), FILLS[kind][n % 4], HATCHES[n % 4], float(spread))
        for n, (name, mean, spread) in enumerate(parts)
    ]


def _stack(axes, place: int, blocks: list[Block], unit: str, total: float) -> None:
    bottom, above = 0.0, -total
    for block in blocks:
        height = from_si(block.volume, unit, "volume")
        look = {"color": block.colour, "hatch": block.hatch, "edgecolor": INK, "linewidth": 0.6}
        axes.bar(place, height, bottom=bottom, width=0.36, **look)
        text = f"{block.label}\n{height:,.0f} {unit}"
        if block.spread is not None:
            text += f", u = {from_si(block.spread, unit, 'volume'):,.0f}"
        above = max(bottom + height / 2, above + 0.085 * total)
        axes.text(place + 0.2, above, text, va="center", fontsize=8, linespacing=1.15)
        bottom += height


def _spoken(flows: pd.DataFrame, left: float, unit: str) -> str:
    def named(kind: str) -> str:
        part = flows[flows["kind"] == kind]
        values = from_si(part["mean"].to_numpy(float), unit, "volume")
        pairs = zip(part["name"], values, strict=True)
        return ", ".join(f"{name} {value:,.0f} {unit}" for name, value in pairs) or "none"

    rest = from_si(left, unit, "volume")
    return (
        f"Water balance: came in {named('in')}; used {named('use')}; left for the sewer "
        f"{rest:,.0f} {unit}."
    )


def _intervals(left: float, expected: Any, measured: Any, unit: str) -> str:
    """The two volumes that are compared, each with its interval."""
    said = []
    for name, mean, found in (("left for the sewer", left, expected), ("measured", None, measured)):
        if found is None or not np.isfinite(found.get("mean", mean)):
            continue
        figures = (found.get("mean", mean), found["low"], found["high"])
        middle, low, high = (from_si(each, unit, "volume") for each in figures)
        said.append(f"{name} {middle:,.0f} {unit}, interval {low:,.0f} to {high:,.0f}")
    return f"As intervals: {'; '.join(said)}." if said else ""


@styled
def estimates_side_by_side(invoices: pd.DataFrame, unit: str, coverage: float = 0.95) -> Picture:
    """The two estimates of every invoice with their intervals, and the joined one.

    Parameters
    ----------
    invoices : DataFrame
        invoice, and ``_mean``, ``_low``, ``_high`` of effluent, balance and reconciled [m3].

    Raises
    ------
    ReportFailed
        If there is no estimate.
    """
    known = invoices.notna().any()
    sources = [s for s in ("effluent", "balance", "reconciled") if known[f"{s}_mean"]]
    if not sources:
        raise ReportFailed("there is no estimate of the discharge to draw")
    figure, axes = canvas(3.8)
    places, spoken = np.arange(len(invoices), dtype=float), []
    for source, step in zip(sources, np.linspace(-0.22, 0.22, len(sources)), strict=True):
        look = EVIDENCE[source]
        mean, low, high = interval_of(invoices, source, unit)
        axes.vlines(places + step, low, high, color=look.colour, linewidth=2.4)
        axes.plot(places + step, mean, look.marker, color=look.colour, label=look.label, **MARKS)
        spoken.append(f"{look.label} {np.nansum(mean):,.0f} {unit}")
    axes.set_xticks(places, [str(name) for name in invoices["invoice"]], rotation=45, ha="right")
    axes.yaxis.set_major_formatter("{x:,.0f}")
    axes.set_ylabel(f"volume in the service period [{unit}]")
    axes.grid(axis="y")
    bars = f"bars are {100 * coverage:.3g} % intervals"
    axes.set_title(f"Two estimates of the same discharge; {bars}")
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower center", ncols=3)
    return Picture(figure, f"Estimates of {len(invoices)} invoices: {', '.join(spoken)} in all.")


@styled
def differences(
    names: list[str], z: np.ndarray, critical: float, chi_square: float, dof: int, p_value: float
) -> Picture:
    """Effluent less balance of every invoice over its standard uncertainty.

    Parameters
    ----------
    names : list of str
        Invoices [text].
    z : array (invoices,)
        Differences over their standard uncertainty; NaN without both estimates [-].
    critical : float
        Bound for the largest of them [-].
    chi_square : float
        Joint statistic [-].
    dof : int
        Its degrees of freedom [-].
    p_value : float
        Probability of a larger one [-].
    """
    figure, axes = canvas(3.0)
    places = np.arange(len(names), dtype=float)
    axes.axhspan(-critical, critical, color=WASH, zorder=0)
    for bound in (-critical, critical):
        axes.axhline(bound, color=SOFT, linewidth=1, linestyle="--")
    axes.axhline(0, color=RULE, linewidth=1)
    axes.bar(places, np.nan_to_num(z), width=0.55, color="#56B4E9", edgecolor=INK, linewidth=0.6)
    reach = 1.15 * max(critical, float(np.nanmax(np.abs(z), initial=0.0)))
    axes.set_ylim(-reach, reach)
    axes.text(-0.5, 0.96 * critical, "bound for the largest", fontsize=8, va="top")
    axes.set_xlim(-0.6, len(names) - 0.4)
    axes.set_xticks(places, names, rotation=45, ha="right")
    axes.set_ylabel("difference over its\nstandard uncertainty [-]")
    told = f"chi-square {chi_square:.1f} with {dof} degrees of freedom, {p_value_words(p_value)}"
    axes.set_title(f"Effluent less balance, invoice by invoice: {told}")
    largest = float(np.nanmax(np.abs(z), initial=0.0))
    alt = (
        f"Normalised differences of {len(names)} invoices, the largest {largest:.2f} against a "
        f"bound of {critical:.2f}; {told}."
    )
    return Picture(figure, alt)


def _beside_billed(
    names: list[str],
    interval: tuple[np.ndarray, np.ndarray, np.ndarray],
    label: str,
    billed: float,
    tolerance: float,
    unit: str,
    title: str,
) -> Figure:
    """One interval a row, beside what was billed and the band that is no finding."""
    names = [fill(name, 46) for name in names]
    longest = max((len(name.splitlines()) for name in names), default=1)
    figure, axes = canvas(1.5 + (0.14 + 0.16 * longest) * len(names))
    band, ends = f"billed, within {100 * tolerance:.3g} %", (1 - tolerance, 1 + tolerance)
    axes.axvspan(*(billed * end for end in ends), color=RULE, alpha=0.45, zorder=0, label=band)
    axes.axvline(billed, color=INK, linewidth=2.4, label="billed")
    (low, mean, high), look = interval, EVIDENCE["reconciled"]
    rows = np.arange(len(names), dtype=float)
    axes.hlines(rows, low, high, color=look.colour, linewidth=2.6)
    axes.plot(mean, rows, look.marker, color=look.colour, label=label, **MARKS)
    named_rows(axes, names)
    axes.xaxis.set_major_formatter("{x:,.0f}")
    axes.grid(axis="x")
    axes.set_xlabel(f"discharge of all service periods [{unit}]")
    axes.set_title(title)
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower center", ncols=3)
    return figure


@styled
def discharge_if_true(
    table: pd.DataFrame, billed: float, tolerance: float, unit: str, coverage: float = 0.95
) -> Picture:
    """Discharge of all invoices as each explanation would correct it, beside what was billed.

    Parameters
    ----------
    table : DataFrame
        name, corrected_discharge_m3, corrected_standard_m3, posterior [m3, -].
    billed : float
        Sum of the billed volumes [m3].
    """
    shown = table[np.isfinite(table["corrected_discharge_m3"])].head(10)
    mean, spread = in_unit(shown, ("corrected_discharge_m3", "corrected_standard_m3"), unit)
    pairs = zip(shown["name"], shown["posterior"], strict=True)
    names = [f"{name} ({100 * share:.2g}\u00a0%)" for name, share in pairs]
    reach = float(ndtri((1 + coverage) / 2)) * spread
    label = f"discharge if true, with {100 * coverage:.4g} % interval"
    total = from_si(billed, unit, "volume")
    title = "Discharge as each explanation would have it"
    figure = _beside_billed(
        names, (mean - reach, mean, mean + reach), label, total, tolerance, unit, title
    )
    told = [f"{name} {value:,.0f} {unit}" for name, value in zip(shown["name"], mean, strict=True)]
    alt = f"Billed {total:,.0f} {unit}; discharge if true: {'; '.join(told[:4])}."
    return Picture(figure, alt)


@styled
def opposing_intervals(table: pd.DataFrame, billed: float, tolerance: float, unit: str) -> Picture:
    """The audited total with one point after the other granted.

    Parameters
    ----------
    table : DataFrame
        what, total_m3, low_m3, high_m3 [m3].
    billed : float
        Sum of the billed volumes [m3].
    """
    low, mean, high = in_unit(table, ("low_m3", "total_m3", "high_m3"), unit)
    total = from_si(billed, unit, "volume")
    names = [f"{kind}: {what}" for kind, what in zip(table["kind"], table["what"], strict=True)]
    title, label = "How far the finding can be shaken", "audited total, 95 %"
    figure = _beside_billed(names, (low, mean, high), label, total, tolerance, unit, title)
    alt = (
        f"Billed {total:,.0f} {unit}; audited {mean[0]:,.0f} {unit} as it stands and "
        f"{mean[-1]:,.0f} {unit} with every input at its pessimistic end."
    )
    return Picture(figure, alt)
