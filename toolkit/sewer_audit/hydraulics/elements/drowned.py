"""Drowned thin-plate weirs."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

__all__ = ["drowned_share", "villemonte_ratio"]


def villemonte_ratio(head: Any, downstream_head: Any, exponent: float) -> Any:
    """Drowned over free discharge of a thin-plate weir.

    Units: downstream_head [m].

    exponent: Exponent of the head in the free equation: 1.5 rectangular, 2.5 triangular. float
    or array: Ratio between 0 and 1; NaN in, NaN out.

    Notes
    -----
    Q/Q_free = (1 - (h2/h1)^n)^0.385. Zero where the tailwater is as high as the head.

    References
    ----------
    Villemonte 1947; n values read in the documentation of hydraulique.g-eau.fr
    (Kindsvater-Carter and Villemonte), exponent 0.385 from memory.
    """
    head = np.asarray(head, dtype=float)
    downstream = np.asarray(downstream_head, dtype=float)
    ratio = np.clip(downstream / np.where(head > 0, head, 1.0), 0.0, 1.0)
    ratio = np.where(head <= 0, 0.0, ratio)
    return ((1 - ratio**exponent) ** 0.385 + 0.0 * (head + downstream))[()]


def drowned_share(readings: Mapping[str, Any], exponent: float) -> Any:
    """What a weir passes over its free discharge: 1 without a downstream head."""
    downstream = readings.get("downstream_head")
    return 1.0 if downstream is None else villemonte_ratio(readings["head"], downstream, exponent)
