"""Which explanation fits: the table, ranked by posterior probability, and what it may say.

A table of this kind overstates itself easily. So "none of these" is always in it, the priors are
printed, and nothing is named unless its likelihood exceeds that of every rival twentyfold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sewer_audit.explanations.bayes import STRONG, VERY_STRONG, strength
from sewer_audit.explanations.catalogue import CATALOGUE, NOTHING, UNFAIR
from sewer_audit.explanations.fairness import fair_share
from sewer_audit.explanations.model import Explanation
from sewer_audit.explanations.observations import Observations
from sewer_audit.explanations.rows import RankedExplanation, Ranking
from sewer_audit.explanations.slots import Candidate, bill_candidates, estimate_candidates
from sewer_audit.explanations.wording import (
    detail_of,
    flags_of,
    separating_evidence,
    statement_of,
)

__all__ = ["explain"]

SHOWN = 12
"""Rows that always stand in the table [-]."""
SMALLEST_SHOWN = 1e-4
"""Further rows stand in it above this posterior probability [-]."""


@dataclass(frozen=True)
class _Cell:
    """A bill candidate beside an estimate candidate."""

    bill: Candidate
    estimate: Candidate
    name: str
    log_prior: float
    log_likelihood: float
    basis: np.ndarray | None

    @property
    def components(self) -> tuple[str, ...]:
        return (UNFAIR,) if self.name == UNFAIR else self.bill.names + self.estimate.names

    @property
    def log_posterior(self) -> float:
        return self.log_prior + self.log_likelihood


def explain(
    observations: Observations,
    catalogue: Sequence[Explanation] | None = None,
    pairs: bool = True,
) -> Ranking:
    """Rank the explanations of a billed series and two estimates.

    Parameters
    ----------
    observations : Observations
        Everything known [-].
    catalogue : sequence of Explanation, optional
        `CATALOGUE` without it; keep the two plain ones and the two "none of these" in any [-].
    pairs : bool
        Whether two explanations of one kind may act together; one of the bill and one of the
        estimates always may [-].

    Returns
    -------
    Ranking
        Table, and what may be named [-].

    Notes
    -----
    posterior = prior x likelihood averaged over variants and sizes, normalised over the table.
    Likelihood = p(bills | basis, explanation) x p(effluent | balance, explanation): the bill is
    compared with what the schedule asks for at the exactness of reads and rounding, the two
    estimates with each other under their joint covariance. Without a basis the bill is compared
    with the discharge each explanation leads to. What is not in the catalogue is represented by
    broad densities only.

    References
    ----------
    R. Kass and A. Raftery, J. Amer. Statist. Assoc. 90 (1995) 773 (Bayes factors and their scale).
    """
    chosen = tuple(CATALOGUE if catalogue is None else catalogue)
    of_bill = [each for each in chosen if each.acts_on == "bill"]
    of_estimates = [each for each in chosen if each.acts_on == "estimates"]
    estimates = estimate_candidates(of_estimates, observations, pairs)
    cells = _cells(of_bill, estimates, observations, pairs)
    cells = _split(cells, observations)
    cells.sort(key=lambda cell: -cell.log_posterior)
    total = np.logaddexp.reduce([cell.log_posterior for cell in cells])
    prior_total = np.logaddexp.reduce([cell.log_prior for cell in cells])
    best = cells[0].log_likelihood
    rows = [_row(cell, observations, total, prior_total, best) for cell in cells]
    tested = {part.name for cell in cells for part in (*cell.bill.parts, *cell.estimate.parts)}
    untestable = tuple(each.name for each in chosen if each.name not in tested)
    return _ranking(rows, untestable, observations)


def _cells(
    of_bill: Sequence[Explanation],
    estimates: list[Candidate],
    observed: Observations,
    pairs: bool,
) -> list[_Cell]:
    cells = []
    if observed.basis_m3 is not None:
        cov = observed.basis_covariance()
        bills = bill_candidates(of_bill, observed, observed.basis_m3, cov, pairs)
        bases = [(observed.basis_m3, bills)] * len(estimates)
    else:
        bases = []
        for each in estimates:
            basis, cov = _discharge_basis(each, observed)
            bases.append((basis, bill_candidates(of_bill, observed, basis, cov, pairs=False)))
    for estimate, (basis, bills) in zip(estimates, bases, strict=True):
        for bill in bills:
            names = bill.names + estimate.names
            name = ", and ".join(names) or NOTHING
            likelihood = bill.evidence.log_likelihood + estimate.evidence.log_likelihood
            prior = float(np.log(bill.prior * estimate.prior))
            cells.append(_Cell(bill, estimate, name, prior, likelihood, basis))
    return cells


def _discharge_basis(
    candidate: Candidate, observed: Observations
) -> tuple[np.ndarray | None, np.ndarray | None]:
    """Where no basis is stated the schedule is taken to bill the discharge, by another meter."""
    if candidate.discharge is None:
        return None, None
    factor = observed.return_factor
    basis = factor * candidate.discharge
    shared = observed.billed_standard * np.nan_to_num(basis)
    own = np.diag((0.005 * np.nan_to_num(basis)) ** 2)
    return basis, factor**2 * candidate.cov + np.outer(shared, shared) + own


def _split(cells: list[_Cell], observed: Observations) -> list[_Cell]:
    """Divide the case that all is as scheduled by whether the bill matches the discharge."""
    if observed.basis_m3 is None:
        return cells
    split = []
    for cell in cells:
        share = None
        if cell.name == NOTHING:
            estimate = cell.estimate
            share = fair_share(
                observed.billed_m3, estimate.discharge, estimate.cov, observed.tolerance
            )
        if share is None:
            split.append(cell)
            continue
        for name, part in ((NOTHING, share.fair), (UNFAIR, share.unfair)):
            split.append(
                _Cell(
                    cell.bill,
                    cell.estimate,
                    name,
                    cell.log_prior + np.log(part.prior),
                    cell.log_likelihood + part.log_ratio,
                    cell.basis,
                )
            )
    return split


def _row(
    cell: _Cell, observed: Observations, total: float, prior_total: float, best: float
) -> RankedExplanation:
    parts = [*cell.bill.parts, *cell.estimate.parts]
    acting = [part for part in parts if part.name in cell.components]
    discharge, spread = _total(cell.estimate.discharge, cell.estimate.cov)
    should = _basis_total(cell, observed)
    known = np.isfinite(observed.billed_m3)
    if cell.basis is not None:
        known &= np.isfinite(cell.basis)
    return RankedExplanation(
        cell.name,
        cell.components,
        "; ".join(filter(None, (detail_of(cell.bill), detail_of(cell.estimate)))),
        float(np.exp(cell.log_prior - prior_total)),
        cell.log_likelihood,
        float(np.exp(cell.log_posterior - total)),
        float(np.exp(np.clip(best - cell.log_likelihood, -700, 700))),
        discharge,
        spread,
        should,
        float(observed.billed_m3[known].sum()) - should,
        _evidence_text(cell, acting),
        "; ".join(part.visit for part in acting if part.visit) or _papers(cell),
    )


def _papers(cell: _Cell) -> str:
    return "none; the schedule and the meters decide" if cell.name == UNFAIR else ""


def _evidence_text(cell: _Cell, acting: list[Explanation]) -> str:
    if cell.name == UNFAIR:
        return "a metered return share, or an agreed discharge measurement, for a credit or basis"
    return "; ".join(part.evidence for part in acting if part.evidence)


def _total(mean: np.ndarray | None, cov: np.ndarray | None) -> tuple[float, float]:
    if mean is None or cov is None:
        return float("nan"), float("nan")
    known = np.isfinite(mean)
    inner = cov[np.ix_(known, known)]
    return float(mean[known].sum()), float(np.sqrt(max(np.nansum(inner), 0.0)))


def _basis_total(cell: _Cell, observed: Observations) -> float:
    if cell.basis is None:
        return float("nan")
    moved = cell.estimate.intake_shift
    basis = cell.basis
    if observed.basis_m3 is not None and moved is not None:
        basis = basis + observed.return_factor * moved
    known = np.isfinite(basis) & np.isfinite(observed.billed_m3)
    return float(basis[known].sum())


def _ranking(
    rows: list[RankedExplanation], untestable: tuple[str, ...], observed: Observations
) -> Ranking:
    best = rows[0]
    named = _named(rows)
    rivals = [row for row in rows[1:] if not _says(row, named or best.components)]
    rival = max(rivals, key=lambda row: row.log_marginal_likelihood, default=None)
    factor = np.inf if rival is None else rival.factor_below_best
    singles = [row for row in rows if len(row.components) <= 1]
    shown = [
        row
        for place, row in enumerate(rows)
        if place < SHOWN or len(row.components) <= 1 or row.posterior > SMALLEST_SHOWN
    ]
    text = ", and ".join(named) if named else None
    if best.name == NOTHING and factor >= STRONG:
        text = NOTHING
    return Ranking(
        tuple(shown),
        text,
        float(factor),
        strength(factor) if factor >= 1 else "none",
        statement_of(best, rival, factor, text),
        separating_evidence(best, rival),
        tuple(row.name for row in singles if row.factor_below_best > VERY_STRONG),
        untestable,
        flags_of(observed, untestable, text, best),
    )


def _named(rows: list[RankedExplanation]) -> tuple[str, ...]:
    """What every row has in common whose likelihood is within a factor of 20 of the first's."""
    near = [row for row in rows if row.factor_below_best < STRONG]
    common = set(rows[0].components).intersection(*(row.components for row in near))
    return tuple(
        name
        for name in rows[0].components
        if name in common and not name.startswith("none of these")
    )


def _says(row: RankedExplanation, components: tuple[str, ...]) -> bool:
    """Whether a row holds all of these; where they are none, no other row says the same."""
    return bool(components) and set(components) <= set(row.components)
