"""The effluent estimate and the balance estimate of the same invoices, tested and joined.

They are joined only if they agree. With two estimates of one volume there is a single balance per
invoice, so no test can say which of the two is wrong; the explanations may, from the pattern.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy.special import chdtrc, ndtr

from sewer_audit import spoken
from sewer_audit.balance.weights import pseudo_inverse, sample_covariance, sidak_critical
from sewer_audit.errors import AuditError, Flag
from sewer_audit.uncertainty import Cause, p_value_words

MODEL_FLOOR = 0.003
"""Standard deviation per invoice of what no stated cause describes (judgement) [-]."""
FLOOR = Cause(
    "floor of an invoice",
    MODEL_FLOOR,
    persistence="each reading",
    source="judgement: what no stated cause describes, in each estimate where two are joined",
    default=True,
    grade="judgement",
)


@dataclass(frozen=True)
class Reconciliation:
    """Two estimates of the same volumes, tested against each other and joined.

    agree: the joint test and the test of the total both pass at the coverage. dof: effective rank
    of the covariance of the differences. total_difference: effluent less balance [m3] over the
    invoices with both, total_z the same over its standard uncertainty. z: of each invoice, NaN
    without both estimates, critical_z the Sidak bound for the largest. reconciled: draws of the
    joined volume, with mean, covariance and the share of the effluent in it; None where the
    estimates conflict. join: from other draws of the two to those of the joined volume.
    """

    agree: bool
    chi_square: float
    dof: int
    p_value: float
    total_difference: float
    total_z: float
    total_p_value: float
    z: np.ndarray
    critical_z: float
    reconciled: np.ndarray | None
    mean: np.ndarray | None
    covariance: np.ndarray | None
    weight_of_effluent: np.ndarray | None
    flags: tuple[Flag, ...]
    join: Callable[[np.ndarray, np.ndarray], np.ndarray] | None = None


def reconcile(
    effluent_draws: np.ndarray,
    balance_draws: np.ndarray,
    coverage: float = 0.95,
    model_floor: float = MODEL_FLOOR,
) -> Reconciliation:
    """Test two estimates against each other over all invoices at once; join them if they agree.

    Parameters
    ----------
    effluent_draws : array (draws, invoices)
        From the logger record; a column of NaN where it does not cover the invoice; a column of
        zeros in both where the invoice has no days of its own [m3].
    balance_draws : array (draws, invoices)
        From the balance, of the same draws; a column of NaN where the reads do not [m3].
    coverage : float
        Probability that two estimates which only differ by their uncertainties agree [-].
    model_floor : float
        Relative standard deviation per invoice added to both for what no cause describes [-].

    Raises
    ------
    AuditError
        If the forms differ, or no invoice has both estimates.

    Notes
    -----
    d = e - b with H = cov(d) from the draws, shared causes included. Joint test d' H^-1 d with the
    inverse corrected by (n - p - 2)/(n - 1) for the finite number n of draws; test of the total
    sum(d) / sd(sum d), because a shared error spreads over all invoices and hardly moves the joint
    one. Each has the level 1 - sqrt(coverage). Joined: x = e - cov(e, d) H^-1 d, the weighted least
    squares solution under e = b; an invoice with one estimate only is moved by what it shares.

    References
    ----------
    S. Narasimhan and C. Jordache, Data Reconciliation and Gross Error Detection, Gulf 2000, ch. 3
    (from memory); J. Hartlap et al., Astronomy and Astrophysics 464
    (2007) 399 (factor for the inverse, from memory).
    """
    effluent = np.asarray(effluent_draws, dtype=float)
    balance = np.asarray(balance_draws, dtype=float)
    if effluent.ndim != 2 or effluent.shape != balance.shape:
        raise AuditError(
            f"effluent draws {effluent.shape} and balance draws {balance.shape}; the same draws of "
            "the same invoices are needed"
        )
    nothing = ((effluent == 0) & (balance == 0)).all(axis=0)  # days that another invoice holds
    has = tuple(np.isfinite(each).all(axis=0) & ~nothing for each in (effluent, balance))
    both = has[0] & has[1]
    if not both.any():
        raise AuditError("no invoice has both an effluent and a balance estimate; nothing to test")
    joint = _Joint.of(effluent, balance, has, both, model_floor)
    difference = joint.mean_difference
    statistic = float(difference @ joint.inverse @ difference)
    if joint.contradicts(difference):
        statistic = float("inf")
    p_value = float(chdtrc(joint.rank, statistic))
    total = float(difference.sum())
    total_z = total / float(np.sqrt(joint.spread.sum()))
    total_p = float(2 * ndtr(-abs(total_z)))
    agree = bool(min(p_value, total_p) >= 1 - np.sqrt(coverage))
    z = np.full(both.shape, np.nan)
    z[both] = difference / np.sqrt(np.diag(joint.spread))
    critical = sidak_critical(int(both.sum()), coverage)
    join, told = None, (None, None, None)
    if agree:
        join, told = partial(joint.draws, has, nothing), joint.told(has)
        for each in told[:2]:
            each[..., nothing] = 0.0
        told[1][nothing] = 0.0
    flags = _flags(agree, p_value, total_p, total, z, critical, has)
    return Reconciliation(
        agree, statistic, joint.rank, p_value, total, total_z, total_p, z, critical,
        None if join is None else join(effluent, balance), *told, flags, join,
    )  # fmt: skip


@dataclass(frozen=True)
class _Joint:
    """Means and covariances of the estimates that exist, effluent first."""

    mean: np.ndarray
    covariance: np.ndarray
    rows: np.ndarray
    mean_difference: np.ndarray
    spread: np.ndarray
    inverse: np.ndarray
    rank: int
    scale: float

    @classmethod
    def of(
        cls,
        effluent: np.ndarray,
        balance: np.ndarray,
        has: tuple[np.ndarray, np.ndarray],
        both: np.ndarray,
        floor: float,
    ) -> _Joint:
        stacked = np.column_stack([effluent[:, has[0]], balance[:, has[1]]])
        mean = stacked.mean(axis=0)
        covariance = sample_covariance(stacked) + np.diag((floor * mean) ** 2)
        rows = np.zeros((int(both.sum()), len(mean)))
        place = np.cumsum(has[0]) - 1, np.cumsum(has[1]) - 1 + int(has[0].sum())
        for row, invoice in enumerate(np.flatnonzero(both)):
            rows[row, place[0][invoice]], rows[row, place[1][invoice]] = 1.0, -1.0
        spread = rows @ covariance @ rows.T
        weight = pseudo_inverse(spread)
        count = len(stacked)
        factor = max(count - weight.rank - 2, 1) / (count - 1)
        inverse = weight.inverse * factor
        return cls(mean, covariance, rows, rows @ mean, spread, inverse, weight.rank, factor)

    @property
    def gain(self) -> np.ndarray:
        """What one unit of difference moves every estimate [-]."""
        return self.covariance @ self.rows.T @ self.inverse

    def contradicts(self, difference: np.ndarray) -> bool:
        """Whether part of the difference lies where no uncertainty is stated at all."""
        reached = self.spread @ (self.inverse / self.scale) @ difference
        return bool(np.abs(difference - reached).max() > 1e-6 * np.abs(self.mean).max())

    def draws(
        self,
        has: tuple[np.ndarray, np.ndarray],
        nothing: np.ndarray,
        effluent: np.ndarray,
        balance: np.ndarray,
    ) -> np.ndarray:
        """Joined draws of every invoice."""
        stacked = np.column_stack([effluent[:, has[0]], balance[:, has[1]]])
        moved = stacked - (stacked @ self.rows.T) @ self.gain.T
        first = int(has[0].sum())
        reconciled = np.full((len(effluent), len(nothing)), np.nan)
        only_balance = has[1] & ~has[0]
        reconciled[:, has[0]] = moved[:, :first]
        reconciled[:, only_balance] = moved[:, first:][:, only_balance[has[1]]]
        reconciled[:, nothing] = 0.0
        return reconciled

    def told(self, has: tuple[np.ndarray, np.ndarray]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Mean, covariance and weight of the effluent, for every invoice."""
        first, invoices = int(has[0].sum()), len(has[0])
        only_balance = has[1] & ~has[0]
        chosen = np.concatenate([np.ones(first, bool), only_balance[has[1]]])
        order = np.concatenate([np.flatnonzero(has[0]), np.flatnonzero(only_balance)])
        full = self.covariance - self.gain @ self.rows @ self.covariance
        covariance = np.full((invoices, invoices), np.nan)
        covariance[np.ix_(order, order)] = full[np.ix_(chosen, chosen)]
        mean = np.full(invoices, np.nan)
        mean[order] = (self.mean - self.gain @ self.mean_difference)[chosen]
        share = np.full(invoices, np.nan)
        both = np.flatnonzero(has[0] & has[1])
        kept = np.eye(first)[:, (has[1][has[0]])] - self.gain[:first]
        share[both] = kept.sum(axis=1)[has[1][has[0]]]
        share[has[0] & ~has[1]], share[only_balance] = 1.0, 0.0
        return mean, covariance, share


def _flags(
    agree: bool,
    p_value: float,
    total_p: float,
    total: float,
    z: np.ndarray,
    critical: float,
    has: tuple[np.ndarray, np.ndarray],
) -> tuple[Flag, ...]:
    flags = []
    data = {"p_value": p_value, "total_p_value": total_p, "total_difference_m3": total}
    if not agree:
        message = (
            "the effluent and the balance differ by more than their uncertainties allow "
            f"({p_value_words(min(p_value, total_p))}; {spoken.volume(abs(total))} "
            f"{'more' if total > 0 else 'less'} by the effluent record over all invoices); one of "
            "them is wrong, so they are not averaged"
        )
        flags.append(Flag("estimates-conflict", message, data))
    message = (
        "with one balance per invoice the test cannot tell which of the two estimates is wrong; "
        "a second effluent measurement or a meter test can"
    )
    flags.append(Flag("single-balance", message))
    far = np.flatnonzero(np.nan_to_num(np.abs(z)) > critical)
    if len(far):
        message = (
            f"in {len(far)} invoices the two estimates differ beyond the bound for the largest"
        )
        flags.append(Flag("invoices-apart", message, {"invoices": [int(each) for each in far]}))
    one = int((has[0] ^ has[1]).sum())
    if one:
        message = f"{one} invoices have one of the two estimates only; the other cannot test it"
        flags.append(Flag("one-estimate", message, {"invoices": one}))
    return tuple(flags)
