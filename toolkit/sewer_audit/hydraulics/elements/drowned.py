"""Tailwater: submergence of flumes, drowned thin-plate weirs and what those weirs share."""

from __future__ import annotations

from typing import Any, ClassVar

import numpy as np

from sewer_audit.hydraulics.devices import Device


def submergence(head: Any, downstream_head: Any) -> np.ndarray:
    """Head below over head above, between 0 and 1; 0 where there is no head, NaN for NaN."""
    head, downstream = np.asarray(head, dtype=float), np.asarray(downstream_head, dtype=float)
    share = np.clip(downstream / np.where(head > 0, head, 1.0), 0.0, 1.0)
    return np.where(head <= 0, 0.0, share) + 0.0 * (head + downstream)


def villemonte_ratio(head: Any, downstream_head: Any, exponent: float) -> Any:
    """Drowned over free discharge of a thin-plate weir, by the exponent of its free equation.

    Notes
    -----
    Q/Q_free = (1 - (h2/h1)^n)^0.385, n = 1.5 rectangular, 2.5 triangular. Zero where the tailwater
    is as high as the head.

    References
    ----------
    Villemonte 1947; n values read in the documentation of hydraulique.g-eau.fr
    (Kindsvater-Carter and Villemonte), exponent 0.385 from memory.
    """
    return ((1 - submergence(head, downstream_head) ** exponent) ** 0.385)[()]


class ThinPlateWeir(Device):
    """A thin-plate weir: drowned by a tailwater over its crest, contracted by its channel."""

    crest_height: float | None
    channel_width: float | None

    optional_columns: ClassVar[tuple[str, ...]] = ("downstream_head",)
    exponent: ClassVar[float] = 1.5

    def carrier(self, **readings: Any) -> Any:
        """Drowned over free discharge, 1 without a downstream head [-]."""
        downstream = readings.get("downstream_head")
        if downstream is None:
            return 1.0
        return villemonte_ratio(readings["head"], downstream, self.exponent)

    def contraction(self, head: np.ndarray) -> dict[str, np.ndarray]:
        """Heads too large for the crest or the channel."""
        raise NotImplementedError

    def flags(self, **readings: Any) -> dict[str, np.ndarray]:
        """Range, contraction and tailwater."""
        head = np.asarray(readings["head"], dtype=float)
        found = {**super().flags(**readings), **self.contraction(head)}
        unknown = self.channel_width is None or self.crest_height is None
        found["contraction assumed"] = (head > 0) & unknown
        if readings.get("downstream_head") is not None:
            found["drowned"] = np.asarray(readings["downstream_head"], dtype=float) > 0
        return found
