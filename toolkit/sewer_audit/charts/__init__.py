"""One style for every figure, and the way a notebook shows one.

The colours are hues of the palette published by Okabe and Ito, chosen so that they also differ in
lightness; every series has its own marker, line or hatching besides, so that a grey print and a
colour-blind reader lose nothing. The same source of evidence looks the same in every figure.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import wraps
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from sewer_audit.errors import ReportFailed
from sewer_audit.units import from_si

__all__ = [
    "EVIDENCE",
    "INK",
    "STYLE",
    "Look",
    "Picture",
    "canvas",
    "drawing",
    "plain_style",
    "show",
    "styled",
]

INK, SOFT, RULE, WASH = "#1d2730", "#55636e", "#cfd6da", "#f4f6f5"


@dataclass(frozen=True)
class Look:
    """How one source of evidence looks in every figure."""

    label: str
    colour: str
    marker: str
    hatch: str = ""


EVIDENCE: dict[str, Look] = {
    "billed": Look("billed", INK, "|"),
    "effluent": Look("measured effluent", "#0072B2", "o"),
    "balance": Look("intake less uses", "#E69F00", "s", "//"),
    "reconciled": Look("both, reconciled", "#CC79A7", "D", ".."),
    "basis": Look("what the schedule bills on", "#009E73", "^", "xx"),
}
"""Source of evidence: how it looks. Hues: M. Okabe and K. Ito, Color Universal Design, 2008."""

STYLE: dict[str, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 9,
    "text.color": INK,
    "text.parse_math": False,  # a dollar sign in a name is a dollar sign
    "timezone": "UTC",
    "axes.edgecolor": SOFT,
    "axes.labelcolor": INK,
    "axes.titlecolor": INK,
    "axes.titlesize": 10.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.titlepad": 10,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "axes.linewidth": 0.8,
    "xtick.color": SOFT,
    "ytick.color": SOFT,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "grid.color": RULE,
    "grid.linewidth": 0.6,
    "legend.frameon": False,
    "legend.fontsize": 8.5,
    "hatch.linewidth": 0.6,
    "figure.dpi": 100,
    "savefig.dpi": 170,
    "figure.facecolor": "white",
    "path.simplify": True,
    "svg.fonttype": "path",
    "svg.hashsalt": "sewer-bill-audit",
}
WIDTH = 8.6
"""Width of a figure; a page column is as wide [in]."""


@dataclass(frozen=True)
class Picture:
    """A figure and the text that stands in its place.

    Parameters
    ----------
    figure : Figure
        Drawn in the style of this module [-].
    alt : str
        What it shows, with its main figures and units [text].
    """

    figure: Figure
    alt: str

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> Any:
        shown = {"image/png": _base64(drawing(self.figure)), "text/plain": repr(self)}
        return shown, {"image/png": {"alt": self.alt}}

    def __repr__(self) -> str:
        return f"[figure] {self.alt}"


@contextmanager
def plain_style(**more: Any) -> Iterator[None]:
    """The style of this module on the library's own defaults, whatever a personal file says.

    Parameters
    ----------
    more : any
        Further settings of the drawing library [-].
    """
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update({**STYLE, **more})
        yield


def styled(draw: Callable[..., Picture]) -> Callable[..., Picture]:
    """Draw inside the style, leaving the caller's own settings alone."""

    @wraps(draw)
    def inside(*arguments: Any, **keywords: Any) -> Picture:
        with plain_style():
            return draw(*arguments, **keywords)

    return inside


def canvas(height: float, rows: int = 1, columns: int = 1, **keywords: Any) -> tuple[Figure, Any]:
    """A figure of the page's width, outside any window system.

    Units: height [in].
    """
    figure = Figure(figsize=(WIDTH, height), layout="constrained")
    return figure, figure.subplots(rows, columns, **keywords)


def in_unit(
    frame: pd.DataFrame, names: Sequence[str], unit: str, dimension: str = "volume"
) -> list[np.ndarray]:
    """Columns of a table in SI, in the unit a reader is shown."""
    return [from_si(frame[name].to_numpy(float), unit, dimension) for name in names]


def interval_of(frame: pd.DataFrame, source: str, unit: str) -> list[np.ndarray]:
    """Mean and interval ends of a volume, in the unit a reader is shown."""
    return in_unit(frame, [f"{source}_{part}" for part in ("mean", "low", "high")], unit)


def local(times: pd.Series, zone: str) -> pd.Series:
    """Instants as a clock of the zone shows them."""
    return times.dt.tz_convert(zone).dt.tz_localize(None)


def named_rows(axes: Any, names: Sequence[str], below: float = 0.4, above: float = 0.6) -> None:
    """One row for each name, from the top down."""
    axes.set_yticks(range(len(names)), names)
    axes.set_ylim(len(names) - below, -above)
    axes.tick_params(axis="y", length=0)


def drawing(figure: Figure, form: str = "png") -> bytes:
    """A figure as a file; the same figure gives the same bytes."""
    metadata = {"Date": None, "Creator": None} if form == "svg" else {"Software": None}
    target = io.BytesIO()
    with plain_style():
        if (layout := figure.get_layout_engine()) is not None:  # each further pass shifts a little
            layout.execute(figure)
            figure.set_layout_engine(None)
        around = figure.get_tightbbox().padded(0.06)  # "tight" would draw once more to find it
        figure.savefig(target, format=form, metadata=metadata, bbox_inches=around)
    return target.getvalue()


def show(picture: Picture | Figure, alt: str = "", caption: str = "", form: str = "png") -> None:
    """Show a figure in a notebook together with the text that stands in its place.

    Parameters
    ----------
    alt : str
        The text, where `picture` does not bring its own [text].
    form : str
        "png", or "svg" for few points and a sharp print [text].

    Raises
    ------
    ReportFailed
        If there is no text: a figure that cannot be read aloud is no evidence.
    """
    from IPython.display import display

    figure, text = (
        (picture.figure, alt or picture.alt) if isinstance(picture, Picture) else (picture, alt)
    )
    if not text.strip():
        raise ReportFailed("a figure needs an alternative text: say in one sentence what it shows")
    kind = {"png": "image/png", "svg": "image/svg+xml"}[form]
    content: Any = drawing(figure, form)
    data = {kind: content.decode() if form == "svg" else _base64(content)}
    data["text/plain"] = f"[figure] {text}"
    display(data, raw=True, metadata={kind: {"alt": text}, "caption": caption})


def _base64(content: bytes) -> str:
    return base64.b64encode(content).decode()
