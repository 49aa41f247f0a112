"""What an explanation is: a row of the catalogue, its forms, and how it acts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from sewer_audit.explanations.observations import Observations

__all__ = ["Explanation", "Parameter", "Variant"]

Apply = Callable[[Any, Observations, Any, np.ndarray], Any]
"""(state, observations, variant data, parameter values) to the state under the explanation."""


@dataclass(frozen=True)
class Parameter:
    """One free size of an explanation with its prior: all orders of magnitude alike.

    Units: low, high [unit].
    """

    name: str
    low: float
    high: float
    unit: str = "%"
    shown: float = 100.0


@dataclass(frozen=True)
class Variant:
    """One form an explanation can take, such as one mistaken unit from one invoice on."""

    label: str
    weight: float
    data: Any = None
    main: bool = True


@dataclass(frozen=True)
class Explanation:
    """A candidate explanation, a row of the catalogue."""

    name: str
    acts_on: str
    party: str
    weight: float
    variants: Callable[[Observations], list[Variant]]
    apply: Apply
    parameter: Parameter | None = None
    evidence: str = ""
    if_so: str = ""
    visit: str = ""
    source: str = ""
    prior_source: str = "judgement"
    joins: bool = True
    methods: tuple[str, ...] = ()

    def act(self, state: Any, observed: Observations, variant: Variant, values: np.ndarray) -> Any:
        """The state under the explanation.

        Units: state [m3]; values [unit]; returns [m3].
        """
        return self.apply(state, observed, variant.data, values)
