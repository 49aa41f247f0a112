"""Degrees of freedom, and the interval that goes with them."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy.special import ndtri, stdtrit

from sewer_audit.errors import AuditError
from sewer_audit.uncertainty.intervals import Interval


def coverage_factor(dof: float, coverage: float = 0.95) -> float:
    """Factor by which the standard uncertainty is multiplied for a coverage probability.

    Notes
    -----
    k = t_p(v). Degrees of freedom that are no whole number are used as they are.

    References
    ----------
    JCGM 100:2008, G.3.2 and Table G.2; G.4.1 note 1 (truncation is an option, not used here).
    """
    if not 0 < coverage < 1:
        raise AuditError(f"coverage {coverage!r}; it lies between 0 and 1, for example 0.95")
    if not dof > 0:
        raise AuditError(f"{dof!r} degrees of freedom; above zero")
    upper = 0.5 + coverage / 2.0
    return float(ndtri(upper)) if math.isinf(dof) else float(stdtrit(dof, upper))


def linear_interval(
    value: float, standard_uncertainty: float, coverage: float = 0.95, dof: float = math.inf
) -> Interval:
    """Interval of the linear formula about a value.

    Notes
    -----
    y - k u to y + k u with k the Student t quantile.

    References
    ----------
    JCGM 100:2008, 6.2.1 and G.4.
    """
    reach = coverage_factor(dof, coverage) * standard_uncertainty
    return Interval(value - reach, value + reach, coverage, "symmetric")


def effective_dof(effects: Sequence[float], dofs: Sequence[float]) -> float:
    """Degrees of freedom of a combined standard uncertainty.

    Notes
    -----
    v_eff = u_c^4 / sum_i (u_i^4 / v_i), for causes that are independent.

    References
    ----------
    JCGM 100:2008, G.4.1 equation (G.2b).
    """
    squares = np.square(np.asarray(effects, dtype=float))
    below = float(np.sum(squares**2 / np.asarray(dofs, dtype=float)))
    return float(squares.sum()) ** 2 / below if below > 0 else math.inf
