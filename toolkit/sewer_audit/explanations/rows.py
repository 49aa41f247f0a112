"""The table of explanations: its rows and what is said about them."""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np
import pandas as pd

from sewer_audit.errors import Flag

__all__ = ["Outlook", "RankedExplanation", "Ranking", "Sensitivity"]


@dataclass(frozen=True)
class RankedExplanation:
    """One row of the table.

    Units: corrected_discharge_m3, corrected_standard_m3 [m3]; corrected_basis_m3 [m3];
    overbilled_m3 [m3].
    """

    name: str
    components: tuple[str, ...]
    detail: str
    prior: float
    log_marginal_likelihood: float
    posterior: float
    factor_below_best: float
    corrected_discharge_m3: float
    corrected_standard_m3: float
    corrected_basis_m3: float
    overbilled_m3: float
    evidence: str
    visit: str


@dataclass(frozen=True)
class Outlook:
    """What the discharge would be if an explanation of the two estimates acts.

    names: of what acts, empty where nothing does; weight: its probability; shares: of its sizes and
    forms; volumes (points, invoices) [m3]: with each of them put right; cov [m6]: given a point.
    """

    names: tuple[str, ...]
    weight: float
    shares: np.ndarray
    volumes: np.ndarray
    cov: np.ndarray


@dataclass(frozen=True)
class Sensitivity:
    """What stands first if the priors are others, and what may then be named."""

    priors: str
    first: str
    probability: float
    nothing_wrong: float
    named: str | None


@dataclass(frozen=True)
class Ranking:
    """The explanations ranked, most probable first, and what may be said.

    named: what acts by odds of 20 to 1 and whose likelihood is 20 times that of the likeliest row
    without it, None where that is nothing; `factor` the smaller of the two (for the first row where
    nothing is named), `strength` a word for it. separates: evidence that would tell the two best
    apart, `second` the next row that says something else. excluded: single explanations whose
    likelihood is below the first row's by more than 150; untestable: what this evidence cannot
    show. tied: causes the figures cannot tell apart, likeliest first; where nothing wrong stands
    first, those that may act in a size which would not show; empty where one is named.
    sensitivity: what stands first under other priors. outlooks: the discharge under every
    explanation of the two estimates, with its probability; empty where nothing tests them.
    """

    rows: tuple[RankedExplanation, ...]
    named: str | None
    factor: float
    strength: str
    statement: str
    separates: str
    excluded: tuple[str, ...]
    untestable: tuple[str, ...]
    flags: tuple[Flag, ...]
    tied: tuple[str, ...] = ()
    second: str | None = None
    sensitivity: tuple[Sensitivity, ...] = ()
    outlooks: tuple[Outlook, ...] = ()

    def probability(self, name: str) -> float:
        """Probability that what has this name acts, alone or beside others [-]."""
        return float(sum(row.posterior for row in self.rows if name in row.components))

    @property
    def frame(self) -> pd.DataFrame:
        """The rows as a table [-]."""
        return pd.DataFrame([asdict(row) for row in self.rows])
