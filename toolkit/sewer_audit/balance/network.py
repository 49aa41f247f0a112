"""All measured streams of a site reconciled jointly, and which measurement is suspect.

With one balance nothing can be told apart: whatever is wrong, the same difference is left. With
further balances a wrong measurement opens those it stands in and no other, and that names it, or
at least the few among which it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc

from sewer_audit.balance.reconcile import MODEL_FLOOR
from sewer_audit.balance.weights import pseudo_inverse, sidak_critical
from sewer_audit.errors import AuditError
from sewer_audit.uncertainty.likelihood import STRONG

STOPPED = 1e-5
"""Share of the largest stream that a measurement which reads nothing is tried with [-]."""

Volumes = Mapping[str, np.ndarray]


@dataclass(frozen=True)
class Suspect:
    """What an error of one measurement alone would explain."""

    name: str
    error: float
    standard: float
    statistic: float
    factor_below_best: float


@dataclass(frozen=True)
class Network:
    """Streams reconciled over all invoices, with every test.

    Parameters
    ----------
    counted : array (invoices,)
        Whether the invoice takes part: every stream has a volume there [-].
    measured, standard : array (streams,)
        Volume of those invoices together as measured, and its standard uncertainty [m3].
    adjusted, adjusted_standard : array (streams,) or None
        The same adjusted so that every balance closes; None where they conflict [m3].
    by_invoice : array (streams, invoices) or None
        Adjusted volumes; NaN where the invoice does not take part [m3].
    stream_z : array (streams,)
        Adjustment of the sum over its standard deviation, absolute [-].
    imbalance, balance_z, invoice_z : array (balances,) or (balances, invoices)
        What flows in less what flows out, in sum, over its standard deviation, by invoice [m3, -].
    total_chi_square, total_dof, total_p_value : float
        Of the sums over the invoices, where shared errors show [-].
    critical_z : float
        Bound for the largest of the tests of single measurements, Sidak level [-].
    possible : tuple of str
        Measurements not excluded as the wrong one; empty where the balances close, and where no
        single measurement explains what is left [text].
    """

    streams: tuple[str, ...]
    balances: tuple[str, ...]
    counted: np.ndarray
    measured: np.ndarray
    standard: np.ndarray
    adjusted: np.ndarray | None
    adjusted_standard: np.ndarray | None
    by_invoice: np.ndarray | None
    stream_z: np.ndarray
    imbalance: np.ndarray
    balance_z: np.ndarray
    invoice_z: np.ndarray
    chi_square: float
    dof: int
    p_value: float
    total_chi_square: float
    total_dof: int
    total_p_value: float
    critical_z: float
    agree: bool
    suspects: tuple[Suspect, ...]
    possible: tuple[str, ...]

    @property
    def named(self) -> str | None:
        """The one measurement the balances point at, if they point at one [text]."""
        return self.possible[0] if len(self.possible) == 1 else None


def reconcile_network(
    streams: Volumes,
    balances: Mapping[str, Mapping[str, int]],
    effects: Mapping[str, Volumes] | None = None,
    coverage: float = 0.95,
    model_floor: float = MODEL_FLOOR,
) -> Network:
    """Adjust all streams of all invoices so that every balance closes, and test them.

    Parameters
    ----------
    streams : mapping of str to array (draws, invoices)
        Volumes, all of the same draws; NaN where a stream has none [m3].
    balances : mapping of str to mapping of str to int
        Name of the balance to its streams: 1 flows in, -1 flows out [-].
    effects : mapping of str to mapping of str to array (invoices,), optional
        Name of a measurement to what it adds to each stream where it reads too much by as much as
        there is; every stream by itself without it [m3].
    coverage : float
        Probability with which the global tests pass if only the stated uncertainties act [-].
    model_floor : float
        Relative standard deviation per invoice added for what no cause describes [-].

    Raises
    ------
    AuditError
        If a balance names no stream of the site, no invoice has all streams, or there are too few
        draws for the covariance.

    Notes
    -----
    With r = A y and H = A S A', S from the draws: x = y - S A' H^-1 r, cov(x) = S - S A' H^-1 A S.
    Global tests r' H^-1 r of all invoices jointly, its inverse corrected by (n - p - 2)/(n - 1) for
    the n draws, and of the sums over the invoices; each at 1 - sqrt(coverage). A measurement k of
    whose reading the share b is error leaves b f in the balances, f = A effect; on the sums
    T = (f' H^-1 r)^2 / (f' H^-1 f), b = f' H^-1 r / (f' H^-1 f), error b / (1 - b). It is a suspect
    if T exceeds the square of the Sidak bound and what it leaves, T_global - T, passes; a rival
    with exp((T_best - T) / 2) below 20 is not excluded. Measurements that stand in the same
    balances leave the same and are never told apart; one of which less than nothing would be true,
    b above 1, is no suspect. One that reads nothing is tried as one that has stopped, error -1.

    References
    ----------
    S. Narasimhan and C. Jordache, Data Reconciliation and Gross Error Detection, Gulf 2000,
    chapters 3 and 7 (from memory); J. Hartlap et al., Astronomy and Astrophysics 464 (2007) 399
    (factor for the inverse, from memory).
    """
    site = _Site.of(streams, balances, model_floor)
    joint = _Test.of(site.rows, site.mean, site.covariance, site.draws)
    sums = _Test.of(site.signs, site.sum_of(site.mean), site.summed(site.covariance), 0)
    level = 1 - np.sqrt(coverage)
    agree = bool(min(joint.p_value, sums.p_value) >= level)
    names, effect = site.effects(effects)
    found = _suspects(names, sums, site.signs @ effect)
    critical = sidak_critical(max(len(names), 1), coverage)
    possible = () if agree else _possible(found, sums, critical, level)
    values, spread = joint.adjusted() if agree else (None, None)
    full = None if values is None else site.by_invoice(values)
    moved = np.sqrt(np.clip(np.diag(sums.taken), 0.0, None))
    step = np.abs(sums.gain @ sums.residual)
    stream_z = np.divide(step, moved, out=np.zeros_like(step), where=moved > 0)
    return Network(
        tuple(streams), tuple(balances), site.counted, sums.mean,
        np.sqrt(np.diag(sums.covariance)),
        None if values is None else site.sum_of(values),
        None if spread is None else np.sqrt(np.clip(np.diag(site.summed(spread)), 0.0, None)),
        full, stream_z, sums.residual, sums.z, site.by_balance(joint.z),
        joint.statistic, joint.rank, joint.p_value,
        sums.statistic, sums.rank, sums.p_value, critical, agree, found, possible,
    )  # fmt: skip


@dataclass(frozen=True)
class _Site:
    """Streams of the invoices that take part, stacked stream by stream."""

    names: tuple[str, ...]
    signs: np.ndarray
    counted: np.ndarray
    mean: np.ndarray
    covariance: np.ndarray
    draws: int

    @classmethod
    def of(cls, streams: Volumes, balances: Mapping[str, Mapping[str, int]], floor: float) -> _Site:
        names = tuple(streams)
        unknown = {name for each in balances.values() for name in each} - set(names)
        if unknown or not balances:
            told = ", ".join(sorted(unknown)) or "nothing"
            raise AuditError(f"balances of {told}; the streams are {', '.join(names)}")
        signs = np.array([[each.get(name, 0) for name in names] for each in balances.values()])
        volumes = np.stack([np.asarray(streams[name], dtype=float) for name in names])
        counted = np.isfinite(volumes).all(axis=(0, 1))
        if not counted.any():
            raise AuditError("no invoice has a volume of every stream; nothing to test")
        draws = volumes.shape[1]
        if draws < len(balances) * int(counted.sum()) + 3:
            raise AuditError(f"{draws} draws; so many balances and invoices need more draws")
        stacked = volumes[:, :, counted].transpose(1, 0, 2).reshape(draws, -1)
        mean = stacked.mean(axis=0)
        covariance = np.atleast_2d(np.cov(stacked, rowvar=False)) + np.diag((floor * mean) ** 2)
        return cls(names, signs.astype(float), counted, mean, covariance, draws)

    @property
    def invoices(self) -> int:
        """How many take part [-]."""
        return int(self.counted.sum())

    @property
    def rows(self) -> np.ndarray:
        """Every balance of every invoice [-]."""
        return np.kron(self.signs, np.eye(self.invoices))

    def sum_of(self, stacked: np.ndarray) -> np.ndarray:
        """Sums over the invoices [m3]."""
        return stacked.reshape(len(self.names), -1).sum(axis=1)

    def summed(self, covariance: np.ndarray) -> np.ndarray:
        """Covariance of the sums over the invoices [m6]."""
        size = len(self.names), self.invoices
        return covariance.reshape(*size, *size).sum(axis=(1, 3))

    def by_invoice(self, stacked: np.ndarray) -> np.ndarray:
        """Stream by stream, NaN where an invoice takes no part [m3]."""
        full = np.full((len(self.names), len(self.counted)), np.nan)
        full[:, self.counted] = stacked.reshape(len(self.names), -1)
        return full

    def by_balance(self, stacked: np.ndarray) -> np.ndarray:
        """Balance by balance, NaN where an invoice takes no part [-]."""
        full = np.full((len(self.signs), len(self.counted)), np.nan)
        full[:, self.counted] = stacked.reshape(len(self.signs), -1)
        return full

    def effects(self, given: Mapping[str, Volumes] | None) -> tuple[tuple[str, ...], np.ndarray]:
        """Measurements that stand in a balance, and what each adds to the sums (streams, n).

        One that reads nothing may have stopped: a share of next to nothing stands for it.
        """
        sums = self.sum_of(self.mean)
        stopped = np.eye(len(sums)) * STOPPED * np.abs(sums).max()
        if given is None:
            return self.names, np.diag(sums) + stopped * (sums == 0)
        columns = {
            name: np.array(
                [np.sum(np.asarray(on[s])[self.counted]) if s in on else 0.0 for s in self.names]
            )
            for name, on in given.items()
        }
        for place, name in enumerate(self.names):
            if name in columns and not columns[name].any():
                columns[name] = stopped[place]
        seen = {name: column for name, column in columns.items() if np.any(self.signs @ column)}
        return tuple(seen), np.array(list(seen.values())).reshape(-1, len(self.names)).T


@dataclass(frozen=True)
class _Test:
    """Residuals of balances, their inverse covariance, and what closing them moves."""

    mean: np.ndarray
    covariance: np.ndarray
    residual: np.ndarray
    inverse: np.ndarray
    gain: np.ndarray
    taken: np.ndarray
    z: np.ndarray
    statistic: float
    rank: int
    p_value: float

    @classmethod
    def of(cls, rows: np.ndarray, mean: np.ndarray, covariance: np.ndarray, draws: int) -> _Test:
        residual, spread = rows @ mean, rows @ covariance @ rows.T
        weight = pseudo_inverse(spread)
        factor = max(draws - weight.rank - 2, 1) / (draws - 1) if draws else 1.0
        inverse = weight.inverse * factor
        gain = covariance @ rows.T @ weight.inverse
        statistic = float(residual @ inverse @ residual)
        reached = spread @ weight.inverse @ residual
        if np.abs(residual - reached).max() > 1e-6 * np.abs(mean).max():
            statistic = float("inf")  # a difference where no uncertainty is stated at all
        size = np.sqrt(np.clip(np.diag(spread), 0.0, None))
        z = np.divide(np.abs(residual), size, out=np.zeros_like(residual), where=size > 0)
        p_value = float(chdtrc(weight.rank, statistic))
        taken = gain @ rows @ covariance
        return cls(
            mean, covariance, residual, inverse, gain, taken, z, statistic, weight.rank, p_value
        )

    def adjusted(self) -> tuple[np.ndarray, np.ndarray]:
        """Values that close every balance, and their covariance [m3, m6]."""
        return self.mean - self.gain @ self.residual, self.covariance - self.taken


def _suspects(names: tuple[str, ...], sums: _Test, left: np.ndarray) -> tuple[Suspect, ...]:
    power = np.einsum("ik,ij,jk->k", left, sums.inverse, left)
    score = left.T @ sums.inverse @ sums.residual
    seen = power > 1e-12 * power.max(initial=0.0)
    found = []
    for k in np.flatnonzero(seen):
        share, spread = score[k] / power[k], 1 / np.sqrt(power[k])
        error = share / (1 - share) if share < 1 else np.inf
        standard = spread / (1 - share) ** 2 if share < 1 else np.inf
        found.append((float(score[k] * share), float(error), float(standard), names[k]))
    found.sort(key=lambda row: -row[0])
    return tuple(
        Suspect(name, error, standard, statistic,
                float(np.exp(min((found[0][0] - statistic) / 2, 700.0))))
        for statistic, error, standard, name in found
    )  # fmt: skip


def _possible(
    found: tuple[Suspect, ...], sums: _Test, critical: float, level: float
) -> tuple[str, ...]:
    """Measurements each of which alone may be the wrong one; no true volume is below nothing."""
    able = [each for each in found if np.isfinite(each.error)]
    if not able or able[0].statistic <= critical**2 or not np.isfinite(sums.statistic):
        return ()
    remains = max(sums.statistic - able[0].statistic, 0.0)
    if sums.rank > 1 and chdtrc(sums.rank - 1, remains) < level:
        return ()
    best = able[0].factor_below_best
    return tuple(each.name for each in able if each.factor_below_best < STRONG * best)
