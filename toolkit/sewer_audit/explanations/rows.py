"""The table of explanations: its rows and what is said about them."""

from __future__ import annotations

from dataclasses import asdict, dataclass

import pandas as pd

from sewer_audit.errors import Flag

__all__ = ["RankedExplanation", "Ranking"]


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
class Ranking:
    """The explanations ranked, and what may be said.

    Parameters
    ----------
    rows : tuple of RankedExplanation
        Most probable first [-].
    named : str or None
        What may be named: what every row within a factor of 20 of the first has in common; None
        where that is nothing [text].
    factor : float
        Likelihood of the first row over the likeliest row without what is named [-].
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

    @property
    def frame(self) -> pd.DataFrame:
        """The rows as a table [-]."""
        return pd.DataFrame([asdict(row) for row in self.rows])
