"""Sliders for notebooks: what a zero error does to the volume of one invoice.

The exported page shows a figure and a table in their place; a slider needs a running kernel.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.charts import drawing
from sewer_audit.charts.uncertainty import zero_error_curve
from sewer_audit.effluent.integrate import trapezoid_weights
from sewer_audit.report.show import tell
from sewer_audit.units import from_si, to_si
from sewer_audit.wording import Words, template

__all__ = ["zero_slider", "zero_volumes"]

REACH = 0.010
POINTS = 41


def zero_volumes(result: Any, reach: float = REACH) -> pd.DataFrame | None:
    """Measured volume of each invoice if the instrument read too high or too low.

    Units: result [m3]; reach [m]; returns [m3].

    Notes
    -----
    An instrument that reads too high by e shows h + e where h is true, so the volume stated with a
    zero error e belongs to levels lower by e: V(e) = sum of w Q(h - e).

    References
    ----------
    The weights w of :func:`sewer_audit.effluent.integrate.trapezoid_weights`.
    """
    series, device = result.evidence.series, result.case.device
    if series is None or device.level_column is None:
        return None
    errors = np.linspace(-reach, reach, POINTS)
    spans = result.evidence.periods.seconds(series.epoch)
    bridge = result.case.data.effluent.longest_bridge
    parts = [trapezoid_weights(series.time, *span, bridge) for span in spans]
    rows = np.empty((len(errors), len(parts)))
    for number, error in enumerate(errors):
        flow = series.carrier * device.rating(series.level - error)
        rows[number] = [float(w @ flow[first : first + len(w)]) for first, w in parts]
    return pd.DataFrame(rows, index=errors, columns=list(result.evidence.periods.names))


def zero_slider(result: Any) -> Any:
    """A slider for the zero error and a list of invoices, with the curve and the volume.

    Parameters
    ----------
    result : Audit
        The audit [m3].

    Returns
    -------
    ipywidgets.Widget or Shown
        A view, or a sentence where there is no level or no widgets are installed [-].
    """
    volumes, words = zero_volumes(result), Words.of(result)
    if volumes is None:
        return tell(words, "walks.slider.no_level")
    try:
        import ipywidgets
    except ImportError:
        return tell(words, "walks.slider.no_widgets")
    unit = words.head_unit
    reach = float(from_si(volumes.index[-1], unit, "length"))
    slider = ipywidgets.FloatSlider(
        value=0.0,
        min=-reach,
        max=reach,
        step=reach / 40,
        readout_format=".3f",
        description=words("walks.slider.zero"),
        continuous_update=False,
    )
    label = words("walks.slider.invoice")
    invoice = ipywidgets.Dropdown(options=list(volumes.columns), description=label)
    told, image = ipywidgets.HTML(), ipywidgets.Image(format="png", layout={"max_width": "100%"})

    def answer(_change: Any = None) -> None:
        error = float(to_si(slider.value, unit, "length"))
        told.value = told_of(volumes[invoice.value], error, words)
        image.value = curve_of(volumes[invoice.value], error, unit)

    for part in (slider, invoice):
        part.observe(answer, names="value")
    answer()
    return ipywidgets.VBox([ipywidgets.HBox([slider, invoice]), told, image])


def told_of(volumes: pd.Series, error: float, words: Words) -> str:
    """What one zero error means, in a sentence.

    Units: volumes [m3]; error [m].
    """
    stated = float(np.interp(0.0, volumes.index, volumes))
    true = float(np.interp(error, volumes.index, volumes))
    change = f"{100 * (stated / true - 1):+.1f} %" if true else None
    return words(
        "walks.slider.told",
        high=error >= 0,
        error=abs(error),
        stated=stated,
        true=true,
        change=change,
    )


def curve_of(volumes: pd.Series, error: float, unit: str) -> bytes:
    """The curve with the chosen zero error as its band, as a picture.

    Units: volumes [m3]; error [m].
    """
    stated = float(np.interp(0.0, volumes.index, volumes))
    curve = pd.DataFrame({"zero_error": volumes.index, "change": stated / volumes.to_numpy() - 1})
    shown = zero_error_curve(curve, unit, None, template("walks.slider.one"))
    axes = shown.figure.axes[0]
    at = float(from_si(error, unit, "length"))
    axes.axvline(at, color="#1d2730", linewidth=2)
    return drawing(shown.figure)
