"""Predicted bills and corrected estimates under an explanation, and how likely they make the data.

All arrays have a first axis of parameter values, so that a whole grid is evaluated at once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sewer_audit.explanations.observations import Observations

BILL_SCALES = ((1.0, 0.7), (2.0, 0.2), (5.0, 0.1))
"""Stated uncertainty of the basis too small by this factor, with this weight (judgement)."""
SMALLEST_STEP = 0.0003
"""Least relative standard deviation of a billed volume about its prediction [-]."""
JITTER, COARSE_JITTER = 1e-10, 1e-6
"""Share of its own variance added to every figure, so that a covariance has a root [-]."""


@dataclass(frozen=True)
class Billing:
    """What would have been billed.

    Units: mean [m3]; cov [m6].
    """

    mean: np.ndarray
    cov: np.ndarray

    def mapped(self, matrix: np.ndarray) -> Billing:
        """The prediction after a linear mapping of the volumes.

        Units: returns [m3].
        """
        mean = np.einsum("gij,gj->gi", *_alike(matrix, self.mean))
        cov = matrix @ self.cov @ np.swapaxes(matrix, -1, -2)
        return Billing(mean, cov)

    def scaled(self, factor: np.ndarray) -> Billing:
        """The prediction with every volume multiplied.

        Units: returns [m3].
        """
        return Billing(self.mean * factor, self.cov * factor[:, :, None] * factor[:, None, :])

    def moved(self, shift: np.ndarray, variance: np.ndarray | float = 0.0) -> Billing:
        """The prediction with volumes added and further variance.

        Units: shift [m3]; variance [m6]; returns [m3].
        """
        mean = self.mean + shift
        return Billing(mean, self.cov + _diagonal(np.broadcast_to(variance, mean.shape)))


@dataclass(frozen=True)
class Estimates:
    """The two estimates of the discharge after correction, and what else the record shows.

    `night` is the flow of the quietest hours by the record, `night_balance` by the balance where
    the intake is read that often, `told` the log likelihood of what is no volume.

    Units: effluent, balance, intake_shift [m3]; night, night_balance [m3/d].
    """

    effluent: np.ndarray
    balance: np.ndarray
    night: np.ndarray
    log_jacobian: np.ndarray
    log_told: np.ndarray
    intake_shift: np.ndarray
    night_balance: np.ndarray | None = None

    def effluent_scaled(self, factor: np.ndarray, night: bool = True) -> Estimates:
        """With the effluent multiplied, in its quiet hours too unless they are told apart."""
        jacobian = self.log_jacobian + np.log(factor).sum(axis=1)
        moved = replace(self, effluent=self.effluent * factor, log_jacobian=jacobian)
        return moved.night_scaled(factor) if night else moved

    def effluent_moved(self, shift: np.ndarray) -> Estimates:
        """With a volume added to the effluent."""
        return replace(self, effluent=self.effluent + shift)

    def night_scaled(self, factor: np.ndarray) -> Estimates:
        """With the flow of the quiet hours multiplied."""
        return replace(self, night=self.night * factor)

    def night_moved(self, shift: np.ndarray) -> Estimates:
        """With a flow added to the quiet hours."""
        return replace(self, night=self.night + shift)

    def told(self, log: np.ndarray | float) -> Estimates:
        """With the log likelihood of further evidence."""
        return replace(self, log_told=self.log_told + log)

    def balance_moved(
        self,
        shift: np.ndarray,
        intake_shift: np.ndarray | float = 0.0,
        quiet: np.ndarray | float = 0.0,
    ) -> Estimates:
        """With a volume added to the balance, and a flow in its quiet hours."""
        moved = replace(
            self,
            balance=self.balance + shift,
            intake_shift=self.intake_shift + intake_shift,
        )
        if self.night_balance is None:
            return moved
        return replace(moved, night_balance=self.night_balance + quiet)


def _alike(matrix: np.ndarray, vector: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    count = max(len(matrix), len(vector))
    return (
        np.broadcast_to(matrix, (count, *matrix.shape[1:])),
        np.broadcast_to(vector, (count, *vector.shape[1:])),
    )


def _diagonal(variance: np.ndarray) -> np.ndarray:
    return variance[:, :, None] * np.eye(variance.shape[1])


def start_billing(basis: np.ndarray, cov: np.ndarray) -> Billing:
    """Bills made by the rules.

    Units: basis [m3]; cov [m6]; returns [m3].
    """
    return Billing(basis[None, :], cov[None, :, :])


def start_estimates(observed: Observations) -> Estimates:
    """The two estimates as they are.

    Units: returns [m3].
    """
    nothing = np.zeros((1, observed.count))
    night = nothing if observed.night_m3 is None else observed.night_m3[None, :]
    return Estimates(
        observed.effluent_mean[None, :],
        observed.balance_mean[None, :],
        night,
        np.zeros(1),
        np.zeros(1),
        nothing,
        None if observed.night_intake_m3 is None else observed.night_intake_m3[None, :],
    )


def gaussian(
    residual: np.ndarray, cov: np.ndarray, scales: tuple[tuple[float, float], ...]
) -> np.ndarray:
    """Log density of a normal whose spread is known up to a few factors.

    Units: residual [any]; cov [any squared].
    """
    size = np.sqrt(np.einsum("gii->gi", cov))
    alike = cov / (size[:, :, None] * size[:, None, :])
    try:
        root = np.linalg.cholesky(alike + JITTER * np.eye(cov.shape[1]))
    except np.linalg.LinAlgError:  # errors shared to the last digit
        root = np.linalg.cholesky(alike + COARSE_JITTER * np.eye(cov.shape[1]))
    white = np.linalg.solve(root, (residual / size)[:, :, None])[:, :, 0]
    square = (white**2).sum(axis=1)
    log_det = 2 * (np.log(np.einsum("gii->gi", root)).sum(axis=1) + np.log(size).sum(axis=1))
    count = residual.shape[1]
    parts = [
        np.log(weight) - 0.5 * (square / scale**2 + log_det + count * np.log(2 * np.pi * scale**2))
        for scale, weight in scales
    ]
    return np.logaddexp.reduce(parts, axis=0)


def billing_fit(prediction: Billing, observed: Observations) -> np.ndarray:
    """Log likelihood of the billed series.

    Units: prediction [m3]; observed [m3]; returns [log m-3n].

    Notes
    -----
    Two reads cut to whole steps leave a triangular rounding error of standard deviation
    step / sqrt(6).

    References
    ----------
    JCGM 100:2008, 4.3.9 (triangular).
    """
    least = SMALLEST_STEP * np.maximum(np.abs(prediction.mean), observed.billed_step_m3)
    variance = observed.billed_step_m3**2 / 6.0 + least**2 + 1e-12
    cov = prediction.cov + _diagonal(variance)
    return gaussian(observed.billed_m3 - prediction.mean, cov, BILL_SCALES)


def billing_score(prediction: Billing, observed: Observations) -> np.ndarray:
    """How many invoices a prediction accounts for; a wild one counts little.

    Units: prediction [m3]; observed [m3].

    Notes
    -----
    The log density of independent Cauchy errors, without its constant.

    References
    ----------
    P. Huber, Robust Statistics, Wiley 1981 (from memory); used to choose pairs only.
    """
    own = np.einsum("gii->gi", prediction.cov) + observed.billed_step_m3**2 / 6.0
    own = own + (SMALLEST_STEP * prediction.mean) ** 2 + 1e-12
    square = (observed.billed_m3 - prediction.mean) ** 2 / own
    return -(np.log1p(square) + 0.5 * np.log(own)).sum(axis=1)
