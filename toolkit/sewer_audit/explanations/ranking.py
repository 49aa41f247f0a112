"""Which explanation fits: the table, ranked by posterior probability, and what it may say.

A table of this kind overstates itself easily. So "none of these" is always in it, the priors are
printed, and nothing is named unless its likelihood exceeds that of every rival twentyfold.
"""

from __future__ import annotations

import hashlib
import pickle
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sewer_audit.explanations.bayes import STRONG, VERY_STRONG, strength
from sewer_audit.explanations.catalogue import CATALOGUE, KINDS, NOTHING, PLAIN, UNFAIR
from sewer_audit.explanations.fairness import fair_share
from sewer_audit.explanations.model import Explanation
from sewer_audit.explanations.observations import Observations
from sewer_audit.explanations.rows import Outlook, RankedExplanation, Ranking, Sensitivity
from sewer_audit.explanations.slots import Candidate, bill_candidates, estimate_candidates
from sewer_audit.explanations.wording import (
    detail_of,
    flags_of,
    separating_evidence,
    statement_of,
)

__all__ = ["explain"]

UNSEEN = 0.04
"""Share of the probability of every listed explanation that belongs to causes outside the list
which leave the same marks; set on invented worlds of others [-]."""
APART = 10.0
"""Causes whose probability lies within this factor of the likeliest are not told apart where none
is named (judgement) [-]."""
OPEN = 0.2
"""Relative standard uncertainty of a record's total from which no cause of the estimates is named
beside it (judgement) [-]."""
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
    memory: dict[str, Any] | None = None,
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
    memory : dict, optional
        Keeps what was made of the two estimates for the next call with the same figures [-].

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
    estimates = _kept(of_estimates, replace(observations, tolerance=0.0), pairs, memory)
    cells = _cells(of_bill, estimates, observations, pairs)
    cells = _split(cells, observations)
    cells.sort(key=lambda cell: -cell.log_posterior)
    total = np.logaddexp.reduce([cell.log_posterior for cell in cells])
    prior_total = np.logaddexp.reduce([cell.log_prior for cell in cells])
    best = cells[0].log_likelihood
    rows = [_row(cell, observations, total, prior_total, best) for cell in cells]
    rows = _with_the_unseen(rows)
    tested = {part.name for cell in cells for part in cell.bill.parts}
    if observations.tested:
        tested |= {part.name for cell in cells for part in cell.estimate.parts}
    untestable = tuple(each.name for each in chosen if each.name not in tested)
    ranking = _ranking(rows, untestable, observations)
    return replace(ranking, outlooks=_outlooks(rows, estimates, observations))


def _kept(
    explanations: Sequence[Explanation],
    observed: Observations,
    pairs: bool,
    memory: dict[str, Any] | None,
) -> list[Candidate]:
    """Candidates of the estimates, those of the last call where every figure is the same."""
    memory = {} if memory is None else memory
    told = pickle.dumps(([each.name for each in explanations], observed, pairs))
    key = hashlib.sha256(told).hexdigest()
    if memory.get("estimates", ("",))[0] != key:
        memory["estimates"] = (key, estimate_candidates(explanations, observed, pairs))
    return memory["estimates"][1]


def _with_the_unseen(rows: list[RankedExplanation]) -> list[RankedExplanation]:
    """Whatever stands first, a share of its probability belongs to what leaves the same marks."""
    others = [row.name.startswith("none of these") for row in rows]
    if not any(others):
        return rows
    left = UNSEEN * sum(row.posterior for row, other in zip(rows, others, strict=True) if not other)
    mass = sum(row.posterior for row, other in zip(rows, others, strict=True) if other)
    place = others.index(True)
    found = []
    for number, (row, other) in enumerate(zip(rows, others, strict=True)):
        share = row.posterior * (1.0 if other else 1 - UNSEEN)
        if mass > 0:
            share += left * row.posterior / mass if other else 0.0
        elif number == place:
            share += left
        found.append(replace(row, posterior=share))
    return sorted(found, key=lambda row: -row.posterior)


def _outlooks(
    rows: list[RankedExplanation],
    estimates: list[Candidate],
    observed: Observations,
) -> tuple[Outlook, ...]:
    """Each explanation of the estimates over whatever the bill may be."""
    if not observed.tested:
        return ()
    known = {name for each in estimates for name in each.names}
    weights = dict.fromkeys((each.names for each in estimates), 0.0)
    for row in rows:
        weights[tuple(name for name in row.components if name in known)] += row.posterior
    return tuple(
        Outlook(each.names, weights[each.names], each.shares, each.volumes, each.within)
        for each in estimates
    )


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
    named, factor, rival = _named(rows)
    if named == (NOTHING,) and not observed.tested:
        # one estimate alone is tested by nothing: that it agrees with the bills names no cause
        named, factor = (), min(factor, np.nextafter(STRONG, 0.0))
    if observed.tested and _record_open(observed) > OPEN:
        # so wide a record is no longer in step with its causes: the marks of one may be chance
        kept = tuple(name for name in named if KINDS.get(name) != "estimates")
        named, factor = kept, factor if kept else min(factor, np.nextafter(STRONG, 0.0))
    singles = [row for row in rows if len(row.components) <= 1]
    shown = [
        row
        for place, row in enumerate(rows)
        if place < SHOWN or len(row.components) <= 1 or row.posterior > SMALLEST_SHOWN
    ]
    text = ", and ".join(named) if named else None
    second = _second(rows)
    tied = () if named else _tied(rows, observed.tested)
    return Ranking(
        tuple(shown),
        text,
        float(factor),
        strength(factor) if factor >= 1 else "none",
        statement_of(best, rival, factor, text, tied),
        separating_evidence(best, second or rival),
        tuple(row.name for row in singles if row.factor_below_best > VERY_STRONG),
        untestable,
        flags_of(observed, untestable, text, best),
        tied,
        None if second is None else second.name,
        tuple(_sensitivity(rows)),
    )


def _record_open(observed: Observations) -> float:
    """Relative standard uncertainty of the total of the record where both are known."""
    seen = observed if observed.fine is None else observed.fine
    seen = seen.where(seen.compared)
    spread = np.sqrt(max(float(seen.effluent_cov.sum()), 0.0))  # type: ignore[union-attr]
    return spread / max(float(np.abs(seen.effluent_mean).sum()), 1e-12)


def _second(rows: list[RankedExplanation]) -> RankedExplanation | None:
    """The next row that says something else, one with a cause on the list where there is one."""
    others = [row for row in rows[1:] if row.components != rows[0].components]
    listed = [row for row in others if not any(name.startswith(OTHER) for name in row.components)]
    return next(iter([*listed, *others]), None)


def _tied(rows: list[RankedExplanation], tested: bool) -> tuple[str, ...]:
    """Causes the figures do not tell from the first row, likeliest first.

    Where nothing wrong stands first, every single cause of a size that the figures leave open: the
    one which lies less than twentyfold below by its likelihood.
    """
    first = rows[0]
    if first.components:
        return tuple(
            row.name for row in rows if row.components and row.posterior > first.posterior / APART
        )
    least = first.log_marginal_likelihood - np.log(STRONG)
    singles = [row for row in rows if len(row.components) == 1 and tested]
    return tuple(row.name for row in singles if row.log_marginal_likelihood > least)


def _sensitivity(rows: list[RankedExplanation]) -> Iterator[Sensitivity]:
    """The judgement again with other priors: a table of this kind is as good as they are."""
    weight = {each.name: each.weight for each in CATALOGUE}
    listed = [name for name in weight if name not in PLAIN and not name.startswith(OTHER)]
    alike = sum(weight[name] for name in listed) / len(listed)

    def factor(row: RankedExplanation, kind: str) -> float:
        known = [name for name in row.components if name in weight]
        if kind == EVERY_CAUSE_ALIKE:
            return float(np.prod([alike / weight[name] for name in known if name in listed]))
        if kind == MORE_OUTSIDE:
            return 3.0 ** sum(name.startswith(OTHER) for name in known)
        return 2.0 if row.name == NOTHING else 1.0

    for kind in ("as stated", EVERY_CAUSE_ALIKE, MORE_OUTSIDE, MORE_IN_ORDER):
        scores = np.array(
            [row.posterior * (1.0 if kind == "as stated" else factor(row, kind)) for row in rows]
        )
        again = [
            replace(row, posterior=float(score / scores.sum()))
            for row, score in zip(rows, scores, strict=True)
        ]
        again.sort(key=lambda row: -row.posterior)
        named = _named(again)[0]
        nothing = sum(row.posterior for row in again if row.name == NOTHING)
        first = again[0]
        yield Sensitivity(kind, first.name, first.posterior, nothing, ", and ".join(named) or None)


EVERY_CAUSE_ALIKE = "every listed cause alike"
MORE_OUTSIDE = "what is on no list three times as likely"
MORE_IN_ORDER = "nothing wrong twice as likely"
OTHER = "none of these"


def _named(
    rows: list[RankedExplanation],
) -> tuple[tuple[str, ...], float, RankedExplanation | None]:
    """What may be named, by how much, and the likeliest row that speaks against it.

    A cause is named if it acts by odds of 20 to 1, and every row without it is 20 times less
    likely; so priors alone name nothing, and neither does a likelihood against the priors.
    """
    best = rows[0]
    if not best.components:
        factor, rival = _weighed(rows, (), lambda row: not row.components)
        if rival is None:  # nothing was tested
            return (), np.nextafter(STRONG, 0.0), None
        return ((NOTHING,) if factor >= STRONG else ()), factor, rival
    parts = [name for name in best.components if not name.startswith("none of these")]
    told = [(name, *_weighed(rows, (name,))) for name in parts]
    sure = _surest([each for each in told if each[1] >= STRONG])
    if sure:
        least = min(sure, key=lambda each: each[1])
        return tuple(name for name, *_ in sure), least[1], least[2]
    factor, rival = _weighed(rows, best.components)
    return (), min(factor, np.nextafter(STRONG, 0.0)), rival


def _surest(told: list[tuple]) -> list[tuple]:
    """Of two causes of one kind only the surer: the other may stand for what is left over."""
    kinds: dict[str, list[tuple]] = {}
    for each in told:
        kinds.setdefault(KINDS.get(each[0], ""), []).append(each)
    single = [max(each, key=lambda one: one[1]) for each in kinds.values()]
    crowded = {kind for kind, each in kinds.items() if len(each) > 1 and kind == "bill"}
    return [each for each in single if KINDS.get(each[0], "") not in crowded]


def _weighed(
    rows: list[RankedExplanation],
    components: tuple[str, ...],
    says: Callable[[RankedExplanation], bool] | None = None,
) -> tuple[float, RankedExplanation | None]:
    """The smaller of likelihood ratio and odds for what holds all of these, and the best rival."""
    says = says or (lambda row: set(components) <= set(row.components))
    rivals = [row for row in rows if not says(row)]
    rival = max(rivals, key=lambda row: row.log_marginal_likelihood, default=None)
    if rival is None:
        return np.inf, None
    likely = max(row.log_marginal_likelihood for row in rows if says(row))
    ratio = float(np.exp(np.clip(likely - rival.log_marginal_likelihood, -700, 700)))
    share = sum(row.posterior for row in rows if says(row))
    against = sum(row.posterior for row in rivals)
    leading = max(rivals, key=lambda row: row.posterior)
    return min(ratio, share / max(against, 1e-300)), leading
