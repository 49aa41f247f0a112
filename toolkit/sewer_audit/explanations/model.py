"""What an explanation is: variants, one free parameter at most, and how it acts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from sewer_audit.explanations.observations import Observations
from sewer_audit.explanations.states import Billing, Estimates

__all__ = ["Explanation", "Parameter", "Variant"]

Apply = Callable[[Any, Observations, Any, np.ndarray], Any]
"""(state, observations, variant data, parameter values) to the state under the explanation."""


@dataclass(frozen=True)
class Parameter:
    """One free size of an explanation with its prior: all orders of magnitude alike.

    Parameters
    ----------
    name : str
        What is measured by it [text].
    low, high : float
        Smallest size worth an explanation, and largest plausible [unit].
    unit : str
        Unit people read it in; "%" where it is a ratio; "m" is shown as the case shows lengths
        [text].
    shown : float
        Factor from the value to that unit [-].
    """

    name: str
    low: float
    high: float
    unit: str = "%"
    shown: float = 100.0


@dataclass(frozen=True)
class Variant:
    """One form an explanation can take, such as one mistaken unit from one invoice on.

    Parameters
    ----------
    label : str
        What it says [text].
    weight : float
        Prior weight among the variants of the explanation [-].
    data : any
        Whatever its action needs [-].
    main : bool
        Whether it takes part when two explanations are joined [-].
    """

    label: str
    weight: float
    data: Any = None
    main: bool = True


@dataclass(frozen=True)
class Explanation:
    """A candidate explanation.

    Parameters
    ----------
    name : str
        What would be the matter [text].
    acts_on : str
        "bill" or "estimates" [text].
    weight : float
        Prior probability that it is at work, before any figure is seen [-].
    variants : callable
        From the observations to its variants; none if the observations cannot show it [-].
    apply : callable
        Acts on a Billing or an Estimates [-].
    parameter : Parameter or None
        Its free size [-].
    evidence : str
        What would settle whether it is at work [text].
    visit : str
        What a visit would look at [text].
    source : str
        Where the signature comes from [text].
    joins : bool
        Whether it may act together with another of its kind [-].
    """

    name: str
    acts_on: str
    weight: float
    variants: Callable[[Observations], list[Variant]]
    apply: Apply
    parameter: Parameter | None = None
    evidence: str = ""
    visit: str = ""
    source: str = ""
    joins: bool = True

    def act(
        self,
        state: Billing | Estimates,
        observed: Observations,
        variant: Variant,
        values: np.ndarray,
    ) -> Any:
        """The state under the explanation.

        Parameters
        ----------
        state : Billing or Estimates
            Without it [m3].
        observed : Observations
            What is known [-].
        variant : Variant
            Which form [-].
        values : array (values,)
            Sizes of the parameter; NaN where there is none [unit].

        Returns
        -------
        Billing or Estimates
            One row per value [m3].
        """
        return self.apply(state, observed, variant.data, values)
