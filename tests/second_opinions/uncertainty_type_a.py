"""Standard uncertainties from repeated readings and from straight lines (Type A)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from second_opinions.uncertainty_noise import noise_of_mean
from sewer_audit.errors import AuditError

__all__ = ["LineFit", "MeanOfReadings", "covariance_of_means", "fit_line", "mean_of_readings"]


@dataclass(frozen=True)
class MeanOfReadings:
    """Mean of repeated readings with what it is worth.

    Units: mean [unit of the readings]; standard [unit of the readings]; deviation [unit of the
    readings].
    """

    mean: float
    standard: float
    deviation: float
    effective_readings: float
    dof: float


@dataclass(frozen=True)
class LineFit:
    """Straight line by ordinary least squares.

    Units: intercept, slope [unit of y, unit of y per unit of x]; intercept_standard, slope_standard
    [as above]; deviation [unit of y]; reference [unit of x].
    """

    intercept: float
    slope: float
    intercept_standard: float
    slope_standard: float
    correlation: float
    deviation: float
    dof: int
    reference: float

    def value_at(self, x: float) -> float:
        """Value of the line.

        Units: x [unit of x]; returns [unit of y].
        """
        return self.intercept + self.slope * (x - self.reference)

    def standard_at(self, x: float) -> float:
        """Standard uncertainty of the line, correlation of its coefficients included.

        Units: x [unit of x]; returns [unit of y].

        Notes
        -----
        u^2 = u_a^2 + (x - x0)^2 u_b^2 + 2 (x - x0) r u_a u_b.

        References
        ----------
        JCGM 100:2008, H.3.4 equation (H.15).
        """
        away = x - self.reference
        both = away * self.slope_standard
        cross = 2 * self.correlation * self.intercept_standard * both
        return math.sqrt(max(self.intercept_standard**2 + both**2 + cross, 0.0))


def mean_of_readings(
    readings: np.ndarray, time: np.ndarray | float = 1.0, time_constant: float | None = None
) -> MeanOfReadings:
    """Mean of readings and its standard uncertainty, memory of the readings allowed for.

    Units: readings [any]; time [s]; returns [unit of the readings].

    time_constant: Time in which their scatter loses 63 % of its memory; independent if left
    out.

    Notes
    -----
    Independent: u = s / sqrt(n). With memory, n becomes the effective number n_e, and the sample
    variance, too small by (1 - 1/n_e) n / (n - 1), is corrected first.

    References
    ----------
    JCGM 100:2008, 4.2.3, 4.2.6 and 4.2.7.
    """
    values = np.asarray(readings, dtype=float)
    if len(values) < 2:
        raise AuditError(f"{len(values)} readings; a scatter needs at least 2")
    worth = noise_of_mean(np.ones(len(values)), time, time_constant).effective_readings
    if not worth > 1.05:
        raise AuditError(
            f"the readings are worth {worth:.2f} independent ones: their memory outlasts the "
            "series; read longer or state the uncertainty from elsewhere"
        )
    count = len(values)
    variance = float(values.var(ddof=1)) * (count - 1) / count / (1.0 - 1.0 / worth)
    deviation = math.sqrt(variance)
    return MeanOfReadings(
        float(values.mean()), deviation / math.sqrt(worth), deviation, worth, worth - 1.0
    )


def covariance_of_means(columns: np.ndarray) -> np.ndarray:
    """Covariance of the means of quantities observed together.

    Units: columns [any]; returns [units of the columns, multiplied].

    Notes
    -----
    s(q, r) = sum (q_k - q)(r_k - r) / (n (n - 1)).

    References
    ----------
    JCGM 100:2008, 5.2.3 equation (17).
    """
    values = np.asarray(columns, dtype=float)
    if values.ndim != 2 or len(values) < 2:
        raise AuditError(f"observations of the form {values.shape}; at least 2 rows expected")
    return np.atleast_2d(np.cov(values, rowvar=False, ddof=1)) / len(values)


def fit_line(x: np.ndarray, y: np.ndarray, reference: float = 0.0) -> LineFit:
    """Straight line through readings by ordinary least squares.

    Units: x, y [any]; reference [unit of x]; returns [units of x and y].

    Notes
    -----
    y = a + b (x - x0), a and b from least squares, s^2 = sum of squared residuals / (n - 2).

    References
    ----------
    JCGM 100:2008, H.3.2 equations (H.13a) to (H.13f).
    """
    away, values = np.asarray(x, dtype=float) - reference, np.asarray(y, dtype=float)
    if len(away) < 3 or len(away) != len(values) or np.ptp(away) == 0:
        raise AuditError("a line with uncertainty needs 3 or more readings at different positions")
    centre = away.mean()
    spread = float(np.sum((away - centre) ** 2))
    slope = float(np.sum((away - centre) * values)) / spread
    intercept = float(values.mean()) - slope * float(centre)
    residuals = values - intercept - slope * away
    count = len(values)
    deviation = math.sqrt(float(residuals @ residuals) / (count - 2))
    slope_standard = deviation / math.sqrt(spread)
    intercept_standard = deviation * math.sqrt(1.0 / count + float(centre) ** 2 / spread)
    correlation = -float(centre) / math.sqrt(float(np.sum(away**2)) / count)
    return LineFit(
        intercept,
        slope,
        intercept_standard,
        slope_standard,
        correlation,
        deviation,
        count - 2,
        reference,
    )
