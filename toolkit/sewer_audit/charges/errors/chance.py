"""How easily a wrong volume of any cause would fit one of the known errors."""

from __future__ import annotations

import math
from collections.abc import Iterable
from decimal import Decimal
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sewer_audit.charges.chain.volume_guesses import VolumeGuess

_REACH = 3.0


def fit_by_chance(due: Decimal, guesses: Iterable[VolumeGuess], slack: Decimal) -> float:
    """Share of wrong volumes that some guess would fit.

    Units: due [any unit]; guesses [same unit]; slack [same unit].

    Notes
    -----
    The share of the logarithm of that range which the intervals of the guesses cover together.
    """
    if due <= 0:
        return 1.0
    middle, spans = float(due), []
    low, high = -math.log(_REACH), math.log(_REACH)
    for guess in guesses:
        half = float(slack + guess.spread)
        first = max(float(guess.volume) - half, middle * 1e-6) / middle
        last = (float(guess.volume) + half) / middle
        if last > 0:
            spans.append((max(math.log(first), low), min(math.log(last), high)))
    covered, end = 0.0, low
    for first, last in sorted(span for span in spans if span[0] < span[1]):
        covered += max(last - max(first, end), 0.0)
        end = max(end, last)
    return covered / (high - low)
