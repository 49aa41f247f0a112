"""The water balance of the site, drawn to scale."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from toolkit.charts import EVIDENCE, INK, Picture, canvas, styled
from toolkit.errors import ReportFailed
from toolkit.units import from_si

__all__ = ["water_balance"]

FILLS = {
    "in": ("#56B4E9", "#BFE3F7", "#8CCBEF", "#DDF0FB"),
    "use": ("#F2C9B0", "#E5977A", "#FAE4D8", "#D98A5B"),
}
HATCHES = ("", "//", "..", "xx")


@styled
def water_balance(
    flows: pd.DataFrame, unit: str, measured: dict[str, float] | None = None
) -> Picture:
    """What came in, what was used up, what is left for the sewer, to one scale.

    Parameters
    ----------
    flows : DataFrame
        name, kind ("in" or "use"), mean, standard_uncertainty [m3].
    unit : str
        Unit of volume to show [text].
    measured : dict, optional
        mean, low, high of the measured effluent, drawn beside the expected one [m3].

    Returns
    -------
    Picture
        Two or three columns whose heights are volumes [`unit`].

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
    expected = Block("expected in the sewer", left, EVIDENCE["balance"].colour)
    columns = {
        "came in": _blocks(sides["in"], "in"),
        "where it went": [expected, *_blocks(sides["use"], "use")],
    }
    if measured is not None and np.isfinite(measured["mean"]):
        effluent = Block("measured effluent", measured["mean"], EVIDENCE["effluent"].colour)
        columns["measured"] = [effluent]
        low, high, mean = (
            from_si(measured[part], unit, "volume") for part in ("low", "high", "mean")
        )
        axes.errorbar(2.0, mean, [[mean - low], [high - mean]], color=INK, capsize=5, linewidth=1.8)
    for place, blocks in enumerate(columns.values()):
        _stack(axes, place, blocks, unit, from_si(total, unit, "volume"))
    axes.set_xticks(np.arange(len(columns)), list(columns))
    axes.set_xlim(-0.35, len(columns) - 0.2)
    axes.yaxis.set_major_formatter("{x:,.0f}")
    axes.set_ylabel(f"volume [{unit}]")
    axes.set_title("Water balance over all service periods, to scale")
    return Picture(figure, _spoken(flows, left, unit))


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
