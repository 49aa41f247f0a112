"""Where the uncertainty comes from, what a wrong zero does, which explanations fit."""

from __future__ import annotations

from textwrap import fill

import numpy as np
import pandas as pd

from sewer_audit.charts import EVIDENCE, INK, RULE, SOFT, Picture, canvas, named_rows, styled
from sewer_audit.units import from_si

# persistence of a cause: colour and hatching
PERSISTENCE = {
    "whole record": ("#0072B2", ""),
    "between visits": ("#E69F00", "//"),
    "each reading": ("#009E73", ".."),
}


@styled
def uncertainty_budget(budget: pd.DataFrame, most: int = 12, what: str = "the volume") -> Picture:
    """Share of the variance by cause, the largest first, with how long each cause persists.

    Parameters
    ----------
    budget : DataFrame
        cause, share (of the variance), persistence [-].
    most : int
        Causes shown; the rest is one bar [-].
    """
    ranked = budget.sort_values("share", ascending=False, kind="stable")
    rest = ranked.iloc[most:]
    ranked = ranked.iloc[:most]
    if len(rest):
        other = {"cause": f"{len(rest)} smaller causes", "share": rest["share"].sum()}
        ranked = pd.concat(
            [ranked, pd.DataFrame([{**other, "persistence": ""}])], ignore_index=True
        )
    rows = np.arange(len(ranked), dtype=float)
    figure, axes = canvas(1.3 + 0.33 * len(ranked))
    shown: set[str] = set()
    for row, (_, cause) in zip(rows, ranked.iterrows(), strict=True):
        kind = str(cause["persistence"])
        colour, hatch = PERSISTENCE.get(kind, ("#d9dee1", ""))
        label = kind if kind in PERSISTENCE and kind not in shown else None
        shown.add(kind)
        share = 100 * float(cause["share"])
        look = {"color": colour, "hatch": hatch, "edgecolor": INK, "linewidth": 0.5}
        axes.barh(row, share, height=0.62, label=label, **look)
        axes.text(max(share, 0) + 0.8, row, f"{share:.1f} %", va="center", fontsize=8.5)
    named_rows(axes, [str(name) for name in ranked["cause"]])
    axes.set_xlim(0, max(100 * float(ranked["share"].max()), 1) * 1.15)
    axes.set_xlabel("share of the variance [%]")
    axes.set_title(f"Where the uncertainty of {what} comes from")
    handles, labels = axes.get_legend_handles_labels()
    if handles:
        title = "the cause keeps its value over …"
        figure.legend(handles, labels, loc="outside lower center", ncols=3, title=title)
    parts = [f"{c['cause']} {100 * c['share']:.1f} %" for _, c in ranked.head(4).iterrows()]
    return Picture(
        figure, f"Uncertainty budget, largest shares of the variance: {', '.join(parts)}."
    )


def draw_zero(
    axes, curve: pd.DataFrame, unit: str, width: float | None, label: str | None
) -> list[np.ndarray]:
    """The change of a volume [%] over the zero error, with the band of its uncertainty."""
    heads = from_si(curve["zero_error"].to_numpy(float), unit, "length")
    change = 100 * curve["change"].to_numpy(float)
    axes.axhline(0, color=RULE, linewidth=1)
    axes.axvline(0, color=RULE, linewidth=1)
    if width is not None:
        band = {"facecolor": "none", "edgecolor": SOFT, "hatch": "//", "linewidth": 0}
        axes.axvspan(-width, width, label=label, **band)
    axes.plot(heads, change, color=EVIDENCE["effluent"].colour, linewidth=2)
    return [heads, change]


@styled
def zero_error_curve(
    curve: pd.DataFrame, unit: str, standard: float | None = None, what: str = "a month"
) -> Picture:
    """How much volume a wrong zero of the head adds or takes away.

    Parameters
    ----------
    curve : DataFrame
        zero_error [m] and change of the volume as a share of itself, change [-].
    standard : float, optional
        Standard uncertainty of the zero, set off as a band [m].
    """
    figure, axes = canvas(3.2)
    width = None if standard is None else from_si(standard, unit, "length")
    label = None if width is None else f"standard uncertainty of the zero, {width:.3g} {unit}"
    heads, change = draw_zero(axes, curve, unit, width, label)
    axes.set_xlabel(f"zero error: instrument reads too high by [{unit}]")
    axes.set_ylabel("volume too high by [%]")
    axes.set_title(f"What a wrong zero does to the volume of {what}")
    axes.grid()
    if standard is not None:
        figure.legend(*axes.get_legend_handles_labels(), loc="outside lower center")
    first, last = f"{change[0]:+.1f} %", f"{change[-1]:+.1f} %"
    alt = (
        f"Change of the volume of {what} with the zero error: {first} at {heads[0]:.3g} {unit} and "
        f"{last} at {heads[-1]:.3g} {unit}."
    )
    return Picture(figure, alt)


@styled
def explanations_ranking(explanations: pd.DataFrame) -> Picture:
    """Candidate explanations of the billed figures, ranked by how well they predict them.

    Parameters
    ----------
    explanations : DataFrame
        explanation, probability (among the candidates), invoices (how many it concerns) [-].
    """
    ranked = explanations.sort_values("probability", ascending=False, kind="stable").head(12)
    rows = np.arange(len(ranked), dtype=float)
    shares = 100 * ranked["probability"].to_numpy(float)
    longest = max((len(fill(str(n), 44).splitlines()) for n in ranked["explanation"]), default=1)
    figure, axes = canvas(1.2 + (0.15 + 0.17 * longest) * len(ranked))
    look = {"color": "#56B4E9", "edgecolor": INK, "linewidth": 0.5}
    axes.barh(rows, shares, height=0.62, **look)
    for row, share in zip(rows, shares, strict=True):
        text = f"{share:.1f} %" if share >= 0.05 else "< 0.1 %"
        axes.text(share + 0.8, row, text, va="center", fontsize=8.5)
    named_rows(axes, [fill(str(name), 44) for name in ranked["explanation"]])
    axes.set_xlim(0, 112)
    axes.set_xlabel("probability among the candidates considered [%]")
    axes.set_title("Explanations considered, by how well they predict the billed figures")
    named = [
        f"{e['explanation']} {100 * e['probability']:.1f} %" for _, e in ranked.head(3).iterrows()
    ]
    alt = "No explanation was considered."
    if named:
        alt = f"Explanations by probability among the candidates: {', '.join(named)}."
    return Picture(figure, alt)
