"""Predicted bills and corrected estimates under an explanation, and how likely they make the data.

All arrays have a first axis of parameter values, so that a whole grid is evaluated at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sewer_audit.explanations.observations import Observations

__all__ = ["Billing", "Estimates", "billing_fit", "estimates_fit", "gaussian", "start_billing"]
__all__ += ["billing_score", "corrected_discharge", "start_estimates"]

BILL_SCALES = ((1.0, 0.7), (2.0, 0.2), (5.0, 0.1))
"""Stated uncertainty of the basis too small by this factor, with this weight (judgement)."""
ESTIMATE_SCALES = ((1.0, 0.8), (1.6, 0.2))
"""The same for the two estimates (judgement)."""
FLOOR = 0.004
"""Relative standard deviation per invoice of what no cause describes (judgement) [-]."""
SMALLEST_STEP = 0.0003
"""Least relative standard deviation of a billed volume about its prediction [-]."""
JITTER = 1e-10


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
    """The two estimates of the discharge after correction.

    Units: effluent_cov, balance_cov [m6].
    """

    effluent: np.ndarray
    effluent_cov: np.ndarray
    balance: np.ndarray
    balance_cov: np.ndarray
    log_jacobian: np.ndarray
    intake_shift: np.ndarray

    def effluent_scaled(self, factor: np.ndarray) -> Estimates:
        """With the effluent multiplied.

        Units: returns [m3].
        """
        jacobian = self.log_jacobian + np.log(factor).sum(axis=1)
        cov = self.effluent_cov * factor[:, :, None] * factor[:, None, :]
        return self._with(effluent=self.effluent * factor, effluent_cov=cov, log_jacobian=jacobian)

    def effluent_moved(self, shift: np.ndarray, cov: np.ndarray | float = 0.0) -> Estimates:
        """With a volume added to the effluent.

        Units: shift [m3]; cov [m6]; returns [m3].
        """
        return self._with(effluent=self.effluent + shift, effluent_cov=self.effluent_cov + cov)

    def balance_moved(
        self,
        shift: np.ndarray,
        cov: np.ndarray | float = 0.0,
        intake_shift: np.ndarray | float = 0.0,
    ) -> Estimates:
        """With a volume added to the balance.

        Units: shift [m3]; cov [m6]; returns [m3].
        """
        moved = self.intake_shift + intake_shift
        return self._with(
            balance=self.balance + shift, balance_cov=self.balance_cov + cov, intake_shift=moved
        )

    def _with(self, **changed: np.ndarray) -> Estimates:
        every = {**self.__dict__, **changed}
        count = max(len(each) for each in every.values())
        return Estimates(
            **{
                name: np.broadcast_to(each, (count, *each.shape[1:]))
                for name, each in every.items()
            }
        )


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
    """The two estimates as they are, with the floor for what no cause describes.

    Units: returns [m3].
    """
    effluent, balance = observed.effluent_mean, observed.balance_mean
    floor = np.diag((FLOOR * np.abs(balance)) ** 2)
    return Estimates(
        effluent[None, :],
        (observed.effluent_cov + floor)[None],
        balance[None, :],
        (observed.balance_cov + floor)[None],
        np.zeros(1),
        np.zeros((1, observed.count)),
    )


def gaussian(
    residual: np.ndarray, cov: np.ndarray, scales: tuple[tuple[float, float], ...]
) -> np.ndarray:
    """Log density of a normal whose spread is known up to a few factors.

    Units: residual [any]; cov [any squared].
    """
    size = np.sqrt(np.einsum("gii->gi", cov))
    root = np.linalg.cholesky(
        cov / (size[:, :, None] * size[:, None, :]) + JITTER * np.eye(cov.shape[1])
    )
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


def _joint_cov(estimates: Estimates) -> tuple[np.ndarray, np.ndarray]:
    """Covariance of the effluent at the volume the balance gives, and of the difference."""
    ratio = estimates.balance / np.where(estimates.effluent == 0, 1.0, estimates.effluent)
    ratio = np.clip(np.where(estimates.effluent == 0, 1.0, ratio), 0.2, 5.0)
    effluent = estimates.effluent_cov * ratio[:, :, None] * ratio[:, None, :]
    return effluent, effluent + estimates.balance_cov


def estimates_fit(estimates: Estimates) -> np.ndarray:
    """Log likelihood of the effluent record given the balance, the true volumes unknown.

    Units: estimates [m3]; returns [log m-3n].

    Notes
    -----
    p(E | B) = N(E* - B*; 0, C_E + C_B) |dE*/dE|: with a flat prior on the true volumes only the
    contrast of the two estimates counts. The relative errors of the effluent are taken at the
    volume of the balance, so that a record that reads low does not look more exact.

    References
    ----------
    R. Kass and A. Raftery, J. Amer. Statist. Assoc. 90 (1995) 773 (marginal likelihood).
    """
    _, joint = _joint_cov(estimates)
    difference = estimates.effluent - estimates.balance
    return gaussian(difference, joint, ESTIMATE_SCALES) + estimates.log_jacobian


def corrected_discharge(
    estimates: Estimates, weight: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Discharge under an explanation, over the posterior of its parameter.

    Units: estimates [m3]; returns [m3, m6, m3].
    """
    _, joint = _joint_cov(estimates)
    gain = np.swapaxes(np.linalg.solve(joint, estimates.balance_cov), -1, -2)
    difference = estimates.effluent - estimates.balance
    each = estimates.balance + np.einsum("gij,gj->gi", gain, difference)
    within = estimates.balance_cov - gain @ estimates.balance_cov
    mean = weight @ each
    apart = each - mean
    cov = np.einsum("g,gij->ij", weight, within) + np.einsum("g,gi,gj->ij", weight, apart, apart)
    return mean, cov, weight @ estimates.intake_shift
