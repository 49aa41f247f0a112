"""Second opinions of the tests beside `hydraulics.rectangular_weir`."""

from __future__ import annotations

from typing import Any

import numpy as np

from sewer_audit.hydraulics.elements.rectangular_weir import _FRANCIS
from sewer_audit.hydraulics.kernels import three_halves


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
    return (three_halves(head, _FRANCIS) * np.maximum(crest_length - 0.2 * head, 0.0))[()]


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
    return three_halves(head, _FRANCIS * crest_length)
