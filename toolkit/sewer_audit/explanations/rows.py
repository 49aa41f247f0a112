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

    Parameters
    ----------
    names : tuple of str
        What acts; empty where nothing does [text].
    weight : float
        Its probability [-].
    shares : array (points,)
        Weights of its sizes and forms [-].
    volumes : array (points, invoices)
        Discharge with each of them put right [m3].
    cov : array (invoices, invoices)
        Its covariance, given a point [m6].
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
    """The explanations ranked, and what may be said.

    Parameters
    ----------
    rows : tuple of RankedExplanation
        Most probable first [-].
    named : str or None
        What may be named: what acts by odds of 20 to 1 and whose likelihood is 20 times that of
        the likeliest row without it; None where that is nothing [text].
    factor : float
        The smaller of those two for what is named, or for the first row [-].
    strength : str
        Word for that factor [text].
    statement : str
        What the report may say [text].
    separates : str
        Evidence that would tell the two best apart [text].
    excluded : tuple of str
        Single explanations whose likelihood is below the first row's by more than 150 [text].
    untestable : tuple of str
        Explanations this evidence cannot show [text].
    flags : tuple of Flag
        What the reader must know [-].
    tied : tuple of str
        Causes the figures cannot tell apart, likeliest first; where nothing wrong stands first,
        those that may act in a size which would not show; empty where one is named [text].
    second : str or None
        Row whose truth instead of the first row's would change most of the judgement: the next
        that says something else [text].
    sensitivity : tuple of Sensitivity
        What stands first under other priors [-].
    outlooks : tuple of Outlook
        The discharge under every explanation of the two estimates, with its probability; empty
        where nothing tests them [m3].
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
