"""Second opinions of the tests beside `balance.streams`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import null_space
from scipy.stats import chi2

from sewer_audit.balance.weights import pseudo_inverse, sidak_critical
from sewer_audit.errors import AuditError, Flag

VDI_FLOOR = 10.0
"""The variance of a correction counts as at least a tenth of the measured one (VDI 2048)."""


@dataclass(frozen=True)
class StreamReconciliation:
    """Reconciled streams and every test.

    Units: values [any]; covariance [any squared]; corrections [any]; bias [any].

    vdi_criterion: |correction| over its bound of VDI 2048; above one fails.
    """

    values: np.ndarray
    covariance: np.ndarray
    corrections: np.ndarray
    chi_square: float
    dof: int
    p_value: float
    consistent: bool
    measurement_z: np.ndarray
    nodal_z: np.ndarray
    likelihood_ratio: np.ndarray
    bias: np.ndarray
    critical_z: float
    vdi_criterion: np.ndarray
    suspect: int | None
    flags: tuple[Flag, ...]


def reconcile_streams(
    measured: Sequence[float],
    covariance: np.ndarray,
    balances: np.ndarray,
    coverage: float = 0.95,
) -> StreamReconciliation:
    """Adjust measured streams so that every balance closes.

    Units: measured [any]; covariance [any squared]; returns [any].

    balances: One row per balance: 1 for in, -1 for out, 0 else.

    Notes
    -----
    x = y - S A' H^-1 r with r = A y and H = A S A'; cov(x) = S - S A' H^-1 A S. Global test
    r' H^-1 r, chi-square with rank(H) degrees of freedom. Generalised likelihood ratio of a bias in
    stream k with f = A e_k: T = (f' H^-1 r)^2 / (f' H^-1 f). Criterion of VDI 2048 for every
    correction: |v| <= 1.96 sqrt(max(s_y^2 - s_x^2, s_y^2 / 10)). Unmeasured streams are eliminated
    by rows P with P A_u = 0.

    References
    ----------
    S. Narasimhan and C. Jordache, Data Reconciliation and Gross Error Detection, Gulf 2000,
    chapters 3 and 7; VDI 2048 part 1, 2000 (both formulas from memory).
    """
    y = np.asarray(measured, dtype=float)
    rows = np.atleast_2d(np.asarray(balances, dtype=float))
    spread = np.asarray(covariance, dtype=float)
    spread = np.diag(spread) if spread.ndim == 1 else spread
    if rows.shape[1] != y.size or spread.shape != (y.size, y.size):
        raise AuditError(
            f"{y.size} streams, balances of the form {rows.shape}, covariance {spread.shape}"
        )
    known = np.isfinite(y)
    project = null_space(rows[:, ~known].T).T if (~known).any() else np.eye(len(rows))
    a = project @ rows[:, known]
    if not np.abs(a).max(initial=0.0) > 1e-12:
        raise AuditError("no balance is left among the measured streams; measure one more")
    return _solve(y, spread[np.ix_(known, known)], rows, a, known, coverage)


def _solve(
    y: np.ndarray,
    s: np.ndarray,
    rows: np.ndarray,
    a: np.ndarray,
    known: np.ndarray,
    coverage: float,
) -> StreamReconciliation:
    residual = a @ y[known]
    h = a @ s @ a.T
    weight = pseudo_inverse(h)
    gain = s @ a.T @ weight.inverse
    correction = -gain @ residual
    spread = gain @ a @ s
    statistic = float(residual @ weight.inverse @ residual)
    p_value = float(chi2.sf(statistic, weight.rank))
    values = _unmeasured(y, y[known] + correction, rows, known)
    own = np.diag(s)
    of_correction = np.clip(np.diag(spread), 0.0, None)
    adjustable = of_correction > 1e-12 * np.maximum(own, 1e-300)
    safe = np.where(adjustable, of_correction, 1.0)
    z = np.where(adjustable, np.abs(correction) / np.sqrt(safe), 0.0)
    power = np.einsum("ij,ik,kj->j", a, weight.inverse, a)
    score = a.T @ weight.inverse @ residual
    seen = power > 1e-12 * power.max()
    bias = np.where(seen, score / np.where(seen, power, 1.0), np.nan)
    ratio = np.where(seen, bias * score, 0.0)
    bound = 1.96 * np.sqrt(np.maximum(of_correction, own / VDI_FLOOR))
    critical = sidak_critical(int(known.sum()), coverage)
    consistent = p_value >= 1 - coverage
    suspect, flags = _suspect(a, weight.inverse, ratio, consistent, critical, known)
    return StreamReconciliation(
        values, s - spread, values - y, statistic, weight.rank, p_value, consistent,
        _spread(z, known), np.abs(residual) / np.sqrt(np.clip(np.diag(h), 1e-300, None)),
        _spread(ratio, known), _spread(bias, known), critical,
        _spread(np.abs(correction) / bound, known), suspect, flags,
    )  # fmt: skip


def _unmeasured(
    y: np.ndarray, reconciled: np.ndarray, rows: np.ndarray, known: np.ndarray
) -> np.ndarray:
    """Fill in the unmeasured streams that the balances determine."""
    values = y.copy()
    values[known] = reconciled
    unknown = rows[:, ~known]
    if unknown.size:
        solution = np.linalg.pinv(unknown) @ (-rows[:, known] @ reconciled)
        free = null_space(unknown)
        fixed = np.abs(free).max(axis=1, initial=0.0) < 1e-9
        values[~known] = np.where(fixed, solution, np.nan)
    return values


def _suspect(
    a: np.ndarray,
    inverse: np.ndarray,
    ratio: np.ndarray,
    consistent: bool,
    critical: float,
    known: np.ndarray,
) -> tuple[int | None, tuple[Flag, ...]]:
    """The stream the tests name; None where they pass or where another fits as well."""
    if consistent and ratio.max() <= critical**2:
        return None, ()
    best = int(np.argmax(ratio))
    inner = a.T @ inverse @ a
    size = np.sqrt(np.clip(np.diag(inner), 1e-300, None))
    alike = np.flatnonzero(np.abs(inner[best] / size / size[best]) > 1 - 1e-9)
    places = np.flatnonzero(known)
    if len(alike) > 1:
        names = ", ".join(str(places[k] + 1) for k in alike)
        message = (
            f"the balances do not close, and a bias in any of the streams {names} explains it "
            "equally well; no test can name the wrong one"
        )
        data = {"streams": [int(places[k]) for k in alike]}
        return None, (Flag("suspect-not-nameable", message, data),)
    if ratio[best] <= critical**2:
        message = "the balances do not close as a whole, but no single stream explains it"
        return None, (Flag("suspect-none", message),)
    message = (
        f"stream {places[best] + 1} is suspect: likelihood ratio statistic {ratio[best]:.2f} "
        f"against {critical**2:.2f}"
    )
    return int(places[best]), (Flag("suspect-stream", message),)


def _spread(of_measured: np.ndarray, known: np.ndarray) -> np.ndarray:
    full = np.full(known.shape, np.nan)
    full[known] = of_measured
    return full
