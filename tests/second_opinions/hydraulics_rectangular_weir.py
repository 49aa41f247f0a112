"""Second opinions of the tests beside `hydraulics.rectangular_weir`."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from sewer_audit.hydraulics.kernels import three_halves

FRANCIS = 3.33 * math.sqrt(0.3048)


def francis_contracted(head: Any, crest_length: float) -> Any:
    """Discharge of a weir contracted at both sides after Francis, for comparison only.

    Units: returns [m3/s].

    Notes
    -----
    Q = 3.33 (L - 0.2 h) h^1.5 in feet and cubic feet per second.

    References
    ----------
    USBR Water Measurement Manual ch. 7, standard contracted weir (from memory).
    """
    head = np.asarray(head, dtype=float)
    return (three_halves(head, FRANCIS) * np.maximum(crest_length - 0.2 * head, 0.0))[()]


def francis_suppressed(head: Any, crest_length: float) -> Any:
    """Discharge of a full-width weir after Francis, for comparison only.

    Units: returns [m3/s].

    Notes
    -----
    Q = 3.33 L h^1.5 in feet and cubic feet per second.

    References
    ----------
    USBR Water Measurement Manual ch. 7, standard suppressed weir (from memory).
    """
    return three_halves(head, FRANCIS * crest_length)
