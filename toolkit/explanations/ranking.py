"""Which explanation fits: the table, ranked by posterior probability, and what it may say.

A table of this kind overstates itself easily. So "none of these" is always in it, the priors are
printed, and nothing is named unless its likelihood exceeds that of every rival twentyfold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np
import pandas as pd

from toolkit.errors import Flag
from toolkit.explanations.bayes import STRONG, VERY_STRONG, strength
from toolkit.explanations.catalogue import CATALOGUE, LOOK_ALIKES, NOTHING, UNFAIR
from toolkit.explanations.fairness import fair_share
from toolkit.explanations.model import Explanation
from toolkit.explanations.observations import Observations
from toolkit.explanations.slots import Candidate, bill_candidates, estimate_candidates

__all__ = ["RankedExplanation", "Ranking", "explain"]

SHOWN = 12
"""Rows that always stand in the table [-]."""
SMALLEST_SHOWN = 1e-4
"""Further rows stand in it above this posterior probability [-]."""


@dataclass(frozen=True)
class RankedExplanation:
    """One row of the table.

    Parameters
    ----------
    name : str
        What would be the matter [text].
    components : tuple of str
        What acts, empty where nothing is wrong [text].
    detail : str
        Most probable form and size [text].
    prior : float
        Before any figure was seen [-].
    log_marginal_likelihood : float
        Natural logarithm, averaged over what the explanation leaves open [-].
    posterior : float
        Given the figures, and given that one of the table is right [-].
    factor_below_best : float
        Likelihood of the first row over that of this one; below one if this is the likelier [-].
    corrected_discharge_m3, corrected_standard_m3 : float
        Discharge of all invoices together under it, and its standard uncertainty [m3].
    corrected_basis_m3 : float
        What the schedule should have billed in all under it [m3].
    overbilled_m3 : float
        Billed less that; below zero where too little was billed [m3].
    evidence : str
        What would settle whether it is at work [text].
    visit : str
        What a visit would look at [text].
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
        The explanation that may be named, None where a rival is too close [text].
    factor : float
        Likelihood of the first row over its best rival; a row that adds to the first is none [-].
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
            share = fair_share(observed.billed_m3, cell.estimate.discharge, cell.estimate.cov)
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
        "; ".join(filter(None, (_detail(cell.bill), _detail(cell.estimate)))),
        float(np.exp(cell.log_prior - prior_total)),
        cell.log_likelihood,
        float(np.exp(cell.log_posterior - total)),
        float(np.exp(np.clip(best - cell.log_likelihood, -700, 700))),
        discharge,
        spread,
        should,
        float(observed.billed_m3[known].sum()) - should,
        _evidence_text(cell, acting),
        "; ".join(part.visit for part in acting if part.visit),
    )


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


def _detail(candidate: Candidate) -> str:
    """Most probable variant, and the mean size over the points that share it."""
    if not candidate.names:
        return ""
    first, said = candidate.evidence.points[0], []
    for place, (explanation, variant, _) in enumerate(first.steps):
        same = [p for p in candidate.evidence.points if p.steps[place][1].label == variant.label]
        text = variant.label
        if explanation.parameter is not None:
            weights = np.array([point.weight for point in same])
            values = np.array([point.steps[place][2] for point in same])
            mean = float(weights @ values / weights.sum())
            spread = float(np.sqrt(weights @ (values - mean) ** 2 / weights.sum()))
            size = explanation.parameter
            shown = f"{size.name} {mean * size.shown:.3g} {size.unit} (u {spread * size.shown:.2g})"
            text = f"{text}: {shown}" if text else shown
        said.append(text)
    return "; ".join(filter(None, said))


def _ranking(
    rows: list[RankedExplanation], untestable: tuple[str, ...], observed: Observations
) -> Ranking:
    best = rows[0]
    rivals = [row for row in rows[1:] if not _adds_to(row, best)]
    rival = rivals[0] if rivals else None
    likeliest = max((row.log_marginal_likelihood for row in rivals), default=-np.inf)
    gap = best.log_marginal_likelihood - likeliest
    factor = float(np.exp(np.clip(gap, -700, 700)))
    word = strength(factor) if factor >= 1 else "none"
    other = any(name.startswith("none of these") for name in best.components)
    named = best.name if factor >= STRONG and not other else None
    singles = [row for row in rows if len(row.components) <= 1]
    excluded = tuple(row.name for row in singles if row.factor_below_best > VERY_STRONG)
    shown = [
        row
        for place, row in enumerate(rows)
        if place < SHOWN or len(row.components) <= 1 or row.posterior > SMALLEST_SHOWN
    ]
    return Ranking(
        tuple(shown),
        named,
        factor,
        word,
        _statement(best, rival, factor, named, other),
        _separates(best, rival),
        excluded,
        untestable,
        _flags(observed, untestable, named, best),
    )


def _adds_to(row: RankedExplanation, best: RankedExplanation) -> bool:
    """Whether a row says the same as the best and something more."""
    return bool(best.components) and set(best.components) < set(row.components)


def _statement(
    best: RankedExplanation,
    rival: RankedExplanation | None,
    factor: float,
    named: str | None,
    other: bool,
) -> str:
    if other:
        return "no listed explanation accounts for the figures; what is at work is not known"
    if best.name == NOTHING:
        tail = "" if named else f"; {rival.name} is not excluded" if rival else ""
        return f"the figures need no explanation beyond their uncertainties{tail}"
    if named:
        return (
            f"the figures point to: {best.name}. Its likelihood exceeds that of every rival by a "
            f"factor of {min(factor, 1e6):.3g}, if the listed explanations are all there are"
        )
    assert rival is not None
    return (
        f"the figures do not decide between: {best.name}; and: {rival.name} (likelihood ratio "
        f"{min(factor, 1e6):.2g}, below {STRONG:.0f}); no cause is named"
    )


def _separates(best: RankedExplanation, rival: RankedExplanation | None) -> str:
    if rival is None:
        return best.evidence
    known = {frozenset(pair): text for pair, text in LOOK_ALIKES.items()}
    apart = set(best.components) ^ set(rival.components)
    for pair, text in known.items():
        if pair <= apart:
            return text
    return "; ".join(dict.fromkeys(filter(None, (best.evidence, rival.evidence))))


def _flags(
    observed: Observations,
    untestable: tuple[str, ...],
    named: str | None,
    best: RankedExplanation,
) -> tuple[Flag, ...]:
    flags = []
    if untestable:
        message = (
            f"{len(untestable)} explanations cannot be shown by this evidence: "
            f"{', '.join(untestable)}"
        )
        flags.append(Flag("not-testable", message, "note", {"names": list(untestable)}))
    if not observed.compared.any():
        message = (
            "without two estimates of the same invoices nothing tests the estimates themselves"
        )
        flags.append(Flag("estimates-untested", message, "note"))
    if named is None and best.name != NOTHING:
        message = "no cause is named: the best explanation does not exceed its rivals twentyfold"
        flags.append(Flag("cause-not-named", message, "note"))
    message = "posterior probabilities hold only among the listed explanations and their priors"
    flags.append(Flag("listed-only", message, "note"))
    return tuple(flags)
