"""Readings taken by hand: what was looked at, and which hours never were."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sewer_audit.charts import EVIDENCE, INK, SOFT, Picture, canvas, styled
from sewer_audit.units import from_si

KINDS = {False: ("working day", "o", "full"), True: ("weekend", "s", "none")}


@styled
def hand_picture(readings: pd.DataFrame, seen: set[tuple[bool, int]], unit: str) -> Picture:
    """Discharge of every hand reading by hour of the day, and the hours never looked at.

    Parameters
    ----------
    readings : DataFrame
        hour (of the day, local, 0 to 24), weekend (bool), discharge [m3/s].
    seen : set of (bool, int)
        Kinds of hour (weekend, hour) that count as looked at [-].
    """
    figure, (axes, below) = canvas(3.6, 2, 1, sharex=True, height_ratios=[4, 0.8])
    flow = from_si(readings["discharge"].to_numpy(dtype=float), unit, "discharge")
    for weekend, (label, marker, fill) in KINDS.items():
        mine = (readings["weekend"] == weekend).to_numpy()
        axes.plot(
            readings["hour"][mine],
            flow[mine],
            linestyle="none",
            marker=marker,
            fillstyle=fill,
            color=EVIDENCE["effluent"].colour,
            label=f"{label}: {int(mine.sum())} readings",
        )
    for row, weekend in enumerate(KINDS):
        for hour in range(24):
            if (weekend, hour) not in seen:
                look = {"color": "none", "edgecolor": SOFT, "hatch": "|||", "linewidth": 0.0}
                below.barh(row, 1, left=hour, height=0.8, **look)
    below.set_yticks([0, 1], [f"{name} hours never looked at" for name, _, _ in KINDS.values()])
    below.set_ylim(1.6, -0.6)
    below.tick_params(axis="y", length=0)
    below.set_xlim(0, 24)
    below.set_xticks(range(0, 25, 3))
    below.set_xlabel("hour of the day, local time")
    axes.set_ylim(bottom=0)
    axes.set_ylabel(f"discharge [{unit}]")
    axes.set_title("What was read by hand, and when nobody looked")
    axes.axhline(float(flow.mean()), color=INK, linestyle="--", linewidth=1, label="mean reading")
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower center", ncols=3)
    missing = 48 - len(seen)
    return Picture(
        figure,
        f"{len(flow)} hand readings between {flow.min():.3g} and {flow.max():.3g} {unit}, mean "
        f"{flow.mean():.3g} {unit}; {missing} of 48 kinds of hour (hour of the day, working day or "
        f"weekend) were never looked at.",
    )


def local_readings(times: pd.DatetimeIndex, discharge: np.ndarray) -> pd.DataFrame:
    """Hand readings by local hour.

    Parameters
    ----------
    discharge : array (readings,)
        Discharge of each [m3/s].

    Returns
    -------
    DataFrame
        hour, weekend, discharge [m3/s].
    """
    return pd.DataFrame(
        {
            "hour": times.hour + times.minute / 60,
            "weekend": times.day_of_week >= 5,
            "discharge": discharge,
        }
    )
