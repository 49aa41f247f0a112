"""Second opinions of the tests beside `uncertainty.montecarlo`."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from second_opinions.uncertainty_propagation import Correlations, Model, input_covariance
from sewer_audit.uncertainty.causes import Cause, shaped
from sewer_audit.uncertainty.draws import Draws


def draw_causes(
    causes: Sequence[Cause], draws: Draws, correlations: Correlations | None = None
) -> dict[str, np.ndarray]:
    """Joint draws of several causes.

    Units: causes [SI]; returns [SI].

    Notes
    -----
    Correlated columns are mixtures z = A z0 of independent ones with A A' = R. For shapes other
    than the normal the correlation of the values is slightly below the stated one.

    References
    ----------
    JCGM 101:2008, 6.4.8 (multivariate normal).
    """
    columns = {cause.name: draws.standard(cause.name) for cause in causes}
    if correlations:
        unit = [Cause(cause.name, 1.0) for cause in causes]
        value, vector = np.linalg.eigh(input_covariance(unit, correlations))
        root = (vector * np.sqrt(np.clip(value, 0.0, None))) @ vector.T
        mixed = root @ np.stack(list(columns.values()))
        columns = {cause.name: mixed[place] for place, cause in enumerate(causes)}
    return {cause.name: shaped(cause, columns[cause.name]) for cause in causes}


def monte_carlo(
    model: Model,
    causes: Sequence[Cause],
    draws: Draws,
    correlations: Correlations | None = None,
) -> np.ndarray:
    """Draws of a result from draws of its causes.

    Units: model [SI]; causes [SI]; returns [result unit].

    References
    ----------
    JCGM 101:2008, clauses 5 and 7.
    """
    return np.asarray(model(draw_causes(causes, draws, correlations)), dtype=float)
