"""The zero error against the volume of one invoice: a curve for paper, a slider for a notebook."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.report.show import tell
from sewer_audit.units import from_si, to_si
from sewer_audit.wording import Words

__all__ = ["zero_of_invoice", "zero_sentence", "zero_slider", "zero_spread"]


def zero_of_invoice(result: Any, invoice: str = "", reach: float | None = None) -> pd.DataFrame:
    """Measured volume of one invoice against the zero error of the instrument.

    Units: result [m]; reach [m].

    DataFrame: invoice, zero_error [m], volume_m3 (that would be stated where the audited
    effluent is true) [m3], change (as a share of it) [-]; empty without a level or a measured
    volume..
    """
    series, device = result.evidence.series, result.case.device
    nothing = pd.DataFrame(columns=["invoice", "zero_error", "volume_m3", "change"])
    if series is None or device.level_column is None:
        return nothing
    names = result.invoices["invoice"].tolist()
    measured = np.flatnonzero(result.invoices["effluent_mean"] > 0)
    place = names.index(invoice) if invoice else max(measured, default=-1)
    start, end = result.evidence.periods.seconds(series.epoch)[place]
    inside = (series.time >= start) & (series.time <= end)
    if place not in measured or not (inside & (series.discharge > 0)).any():
        return nothing
    level = series.level[inside]
    carrier = np.broadcast_to(series.carrier, series.level.shape)[inside]
    weights = np.gradient(series.time[inside]) if inside.sum() > 1 else np.ones(inside.sum())
    weights = np.minimum(weights, 10 * np.median(weights)) * carrier
    reach = 2 * Words.of(result).small_length if reach is None else reach
    errors = np.linspace(-reach, reach, 25)
    true = float(weights @ device.rating(level))
    change = [float(weights @ device.rating(level + error)) / true - 1 for error in errors]
    volume = float(result.evidence.effluent.volumes[:, place].mean())
    return pd.DataFrame(
        {
            "invoice": names[place],
            "zero_error": errors,
            "volume_m3": volume * (1 + np.array(change)),
            "change": change,
        }
    )


def zero_spread(result: Any) -> float:
    """Standard uncertainty of the zero, on average over the record.

    Units: returns [m].
    """
    effluent = result.evidence.effluent
    if effluent is None or effluent.zero is None:
        return 0.0
    return float(np.sqrt(np.mean(effluent.zero.posterior.standard**2)))


def zero_sentence(result: Any, zero_error: float, invoice: str = "") -> str:
    """One zero error in words.

    Units: zero_error [m].
    """
    words, curve = Words.of(result), zero_of_invoice(result, invoice)
    change = float(np.interp(zero_error, curve["zero_error"], curve["change"]))
    true = float(np.interp(0.0, curve["zero_error"], curve["volume_m3"]))
    return words(
        "brief.zero.moved",
        invoice=curve["invoice"].iloc[0],
        error=zero_error,
        stated=true * (1 + change),
        true=true,
        change=100 * change,
    )


def zero_slider(result: Any, invoice: str = "") -> Any:
    """A slider for the zero error, in a notebook that is open; the page shows the curve instead.

    Parameters
    ----------
    result : Audit
        The audit [-].
    invoice : str
        Which invoice; the latest if left out [text].

    Returns
    -------
    Widget or Shown
        Slider and sentence; a sentence alone where there is no level [-].
    """
    if zero_of_invoice(result, invoice).empty:
        return tell(Words.of(result), "brief.zero.none")
    from ipywidgets import FloatSlider, Label, VBox

    words = Words.of(result)
    unit, step = words.head_unit, from_si(words.small_length / 6, words.head_unit, "length")
    slider = FloatSlider(
        0.0,
        min=-12 * step,
        max=12 * step,
        step=step,
        readout_format=".4g",
        description=words("brief.zero.slider"),
    )
    label = Label(zero_sentence(result, 0.0, invoice))

    def moved(change: Any) -> None:
        label.value = zero_sentence(result, to_si(change["new"], unit, "length"), invoice)

    slider.observe(moved, names="value")
    return VBox([slider, label])
