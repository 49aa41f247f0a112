"""The two figures of the uncertainty brief, each with two panels, to fit two printed pages."""

from __future__ import annotations

from collections.abc import Mapping
from textwrap import fill

import numpy as np
import pandas as pd

from sewer_audit.charts import INK, Picture, canvas, styled
from sewer_audit.charts.uncertainty import PERSISTENCE, draw_zero
from sewer_audit.units import from_si

SHORT = {"one reading": "reading", "an hour": "hour", "a day": "day", "a week": "week"}
SHORT |= {"an invoice": "invoice", "all invoices": "all"}
TICKS = (0.01, 0.03, 0.1, 0.3, 1, 3, 10, 30, 100)


@styled
def averaging_and_zero(
    averaging: pd.DataFrame, curve: pd.DataFrame, unit: str, spread: float, height: float = 2.6
) -> Picture:
    """What averages out over ever longer spans, beside what a wrong zero does to one invoice.

    Parameters
    ----------
    averaging : DataFrame
        span, hours, one column per persistence and "all": relative standard uncertainties [-].
    curve : DataFrame
        invoice, zero_error [m], change of its volume as a share [-]; empty without a level.
    spread : float
        Standard uncertainty of the zero [m].
    height : float
        Height of the figure [in].
    """
    both = not curve.empty
    figure, axes = canvas(
        height, 1, 2 if both else 1, squeeze=False, width_ratios=[3, 2][: 1 + both]
    )
    alt = _averaging(axes[0, 0], averaging)
    if both:
        alt += " " + _zero(axes[0, 1], curve, unit, spread)
    return Picture(figure, alt)


def _averaging(axes, table: pd.DataFrame) -> str:
    hours = table["hours"].to_numpy(float)
    axes.plot(hours, 100 * table["all"], color=INK, linewidth=2.2, marker="o", label="all causes")
    looks = zip(PERSISTENCE.items(), ("s", "^", "D"), ("--", "-.", ":"), strict=True)
    for (kind, (colour, _)), marker, line in looks:
        shares = 100 * table[kind].to_numpy(float)
        if (shares > 0).any():
            look = {"color": colour, "marker": marker, "linestyle": line, "markersize": 4.5}
            axes.plot(hours, np.where(shares > 0, shares, np.nan), label=kind, **look)
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.set_xticks(hours, [SHORT.get(span, span) for span in table["span"]])
    axes.minorticks_off()
    shown = 100 * table[[*PERSISTENCE, "all"]].to_numpy(float)
    low, high = shown[shown > 0].min(), shown.max()
    ticks = [tick for tick in TICKS if low / 2 < tick < 2 * high]
    axes.set_yticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.set_ylabel("standard uncertainty [% of the volume]", fontsize=8)
    axes.set_xlabel("volume of one …")
    axes.set_title("What averages out and what never does")
    axes.grid(axis="y")
    axes.legend(loc="lower left", title="keeps its value over …", title_fontsize=8, fontsize=8)
    first, last = table.iloc[0], table.iloc[-1]
    parts = [f"{k} {100 * first[k]:.2g} % and {100 * last[k]:.2g} %" for k in (*PERSISTENCE, "all")]
    return (
        f"Relative standard uncertainty for {first['span']} and for {last['span']}: "
        f"{'; '.join(parts)}."
    )


def _zero(axes, curve: pd.DataFrame, unit: str, spread: float) -> str:
    width = from_si(spread, unit, "length")
    label = f"standard uncertainty\n{width:.2g} {unit}"
    heads, change = draw_zero(axes, curve, unit, width, label)
    axes.set_xlabel(f"instrument reads too high by [{unit}]")
    axes.set_ylabel("volume too high by [%]", fontsize=8)
    axes.set_title(f"A wrong zero, invoice {curve['invoice'].iloc[0]}")
    axes.grid()
    axes.legend(loc="lower right", fontsize=8, framealpha=0.9, frameon=True, edgecolor="none")
    return (
        f"Change of one invoice's volume with the zero error: {change[0]:+.1f} % at "
        f"{heads[0]:.2g} {unit}, {change[-1]:+.1f} % at {heads[-1]:.2g} {unit}."
    )


@styled
def budgets_side_by_side(budgets: Mapping[str, pd.DataFrame], most: int = 4) -> Picture:
    """Share of the variance by cause, one panel per estimate.

    Parameters
    ----------
    budgets : mapping of str to DataFrame
        Name of the estimate to cause, share, persistence, the largest first [-].
    most : int
        Causes shown of each [-].
    """
    figure, axes = canvas(0.8 + 0.37 * most, 1, len(budgets), squeeze=False)
    said, shown = [], {}
    for panel, (name, budget) in zip(axes[0], budgets.items(), strict=True):
        rows = budget[budget["cause"] != "interactions"].head(most)
        for place, (_, cause) in enumerate(rows.iterrows()):
            colour, hatch = PERSISTENCE.get(str(cause["persistence"]), ("#d9dee1", ""))
            share = 100 * float(cause["share"])
            look = {"color": colour, "hatch": hatch, "edgecolor": INK, "linewidth": 0.5}
            bar = panel.barh(place, share, height=0.62, **look)
            shown.setdefault(str(cause["persistence"]), bar)
            panel.text(share + 1.5, place, f"{share:.2g} %", va="center", fontsize=8)
        panel.set_yticks(range(len(rows)), [fill(str(c), 22) for c in rows["cause"]], fontsize=8)
        panel.set_ylim(most - 0.4, -0.6)
        panel.set_xlim(0, 118)
        panel.tick_params(axis="y", length=0)
        panel.set_xlabel("share of the variance [%]", fontsize=8)
        panel.set_title(f"Causes in {name}")
        parts = [f"{c['cause']} {100 * c['share']:.2g} %" for _, c in rows.iterrows()]
        said.append(f"{name}: {', '.join(parts)}")
    title = "the cause keeps its value over …"
    figure.legend(
        list(shown.values()), list(shown), loc="outside lower center", ncols=3, title=title
    )
    return Picture(figure, f"Largest shares of the variance. {'. '.join(said)}.")
