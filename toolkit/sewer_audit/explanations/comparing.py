"""How likely the record is beside the balance, over whatever intervals both are known.

Stated uncertainties of both, as far as they are shared between intervals, and an error of its own
in every interval whose size the figures themselves must tell; so hundreds of forms are compared at
the price of a few matrix products.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from sewer_audit.explanations.acts.shapes import Profile, profiles
from sewer_audit.explanations.acts.states import Estimates, gaussian
from sewer_audit.explanations.marks import marks_unlisted, quiet_gap_told
from sewer_audit.explanations.observations import Observations

__all__ = ["Comparison", "corrected_discharge"]

STATED_SCALES = ((1.0, 0.75), (1.7, 0.25))
"""Stated uncertainties too small by this factor, with this weight (judgement)."""
OWN_ERRORS = ((0.006, 0.3), (0.012, 0.3), (0.025, 0.2), (0.05, 0.1), (0.1, 0.1))
"""Relative error of its own of an interval with the mean volume, with this weight (judgement)."""
STANDS_OUT = 3.0
"""Usual scatter by which one interval must differ from those about it to be left out of account
(judgement) [-]."""
TEMPER = 0.56
"""Power to which the comparison's likelihood is taken: its intervals are less independent than it
assumes; set on invented worlds of others [-]."""
LEAST_BALANCE = 0.05
"""A balance below this share of the usual rate is taken as that share [-]."""
EMPTIED, DRIED, ABSURD = 0.15, 0.03, 30.0
"""No cause may leave less than these shares of a balance and of a record that flow; log of what
each such interval costs it (judgement)."""
INEXACT = 0.25
"""Relative error, over weeks, of what a cause is said to do (judgement) [-]."""
NO_WEIGHT = 1e3
"""Standard deviation of an estimate that is missing, over its volume [-]."""
QUIET = (0.04, 0.15)
"""Relative spread of the flow of quiet hours that no cause explains: from one interval to the
next, within these bounds (judgement) [-]."""
MEMORY = 3.0
"""Intervals that say as much about quiet hours as one independent one (judgement) [-]."""
MOST_QUIET, LEAST_QUIET, MOST_GAP = 3.0, -8.0, 8.0
"""Log of the most that quiet hours may speak for, and against, an explanation, and for one where
the intake is known in the same hours (judgement)."""
UNSTEADY, UNSTEADY_FOR = 0.012, 45.0
"""Relative standard deviation of what no site keeps steady, and how long it lasts [-, d]
(judgement)."""
UNKNOWN_SIZES = (0.06, 0.15, 0.4)
"""Relative size of an error that is on no list [-]."""
UNKNOWN_TIMES = (8.0, 60.0, 400.0)
"""How long it keeps its size [d]."""


@dataclass(frozen=True)
class Comparison:
    """The two estimates over the intervals of one set of observations."""

    observed: Observations

    @cached_property
    def stated(self) -> np.ndarray:
        """Relative covariance of record over balance [-]."""
        seen = self.observed
        parts = []
        for mean, cov in (
            (seen.effluent_mean, seen.effluent_cov),
            (seen.balance_mean, seen.balance_cov),
        ):
            size = np.maximum(np.abs(mean), LEAST_BALANCE * self._usual)
            parts.append(cov / np.outer(size, size))
        return parts[0] + parts[1] + UNSTEADY**2 * np.exp(-self._apart / UNSTEADY_FOR)

    @cached_property
    def _apart(self) -> np.ndarray:
        """Time between the middles of the intervals [d]."""
        middle = self.observed.starts + self.observed.lengths / 2
        return np.abs(np.subtract.outer(middle, middle))

    @cached_property
    def _usual(self) -> np.ndarray:
        seen = self.observed
        rates = np.abs(seen.effluent_mean) + np.abs(seen.balance_mean)
        return 0.5 * float(rates.sum() / seen.lengths.sum()) * seen.lengths

    @cached_property
    def _quiet(self) -> Callable[[np.ndarray], np.ndarray]:
        return quiet_hours(self.observed)

    @cached_property
    def _flowing(self) -> np.ndarray:
        return self.observed.balance_mean > 0.3 * self._usual

    @cached_property
    def _own(self) -> np.ndarray:
        """Own variance of an interval over that of a usual one [-]."""
        seen = self.observed
        size = np.maximum(seen.balance_mean, 0.2 * self._usual)
        away = (seen.effluent_mean - seen.balance_mean) / size
        return np.clip(float(self._usual.mean()) / size, 0.3, 8.0) * _alone(away)

    @cached_property
    def _modes(self) -> tuple[np.ndarray, np.ndarray]:
        root = np.sqrt(self._own)
        return np.linalg.eigh(self.stated / np.outer(root, root))

    @cached_property
    def _sizes(self) -> tuple[list[tuple[np.ndarray, float, float]], float]:
        """For each size of the unknown errors, over the modes: one over the variances, the log of
        their product, the log of its weight; half the log of the own variances."""
        rows = []
        for scale, weight in STATED_SCALES:
            for own, share in OWN_ERRORS:
                variance = np.maximum(scale**2 * self._modes[0], 0.0) + own**2
                whole = np.log(2 * np.pi * variance).sum()
                rows.append((1 / variance, whole, np.log(weight * share)))
        return rows, 0.5 * np.log(self._own).sum()

    def _relative(self, state: Estimates) -> tuple[np.ndarray, np.ndarray]:
        balance = np.maximum(state.balance, LEAST_BALANCE * self._usual)
        effluent = np.maximum(state.effluent, LEAST_BALANCE * self._usual)
        away = np.log(effluent / balance)
        rest = state.log_jacobian + state.log_told / TEMPER - np.log(effluent).sum(axis=1)
        emptied = (state.balance < EMPTIED * self.observed.balance_mean) & self._flowing
        emptied = emptied | ((state.effluent < DRIED * self.observed.effluent_mean) & self._flowing)
        rest = rest - ABSURD * emptied.sum(axis=1)
        return away, rest + self._quiet(state) / TEMPER

    def terms(self, state: Estimates) -> np.ndarray:
        """Log likelihood with its weight for each size of the unknown errors.

        array (sizes of errors, rows of the state).

        Notes
        -----
        p(E | B) = N(ln(E'/B'); 0, c^2 R + s^2 D) |dE'/dE| / E', R the stated relative covariance.
        In logarithms, or what only changes the scale of the record (a zero nobody read) would gain
        by the count of intervals.

        References
        ----------
        R. Kass and A. Raftery, J. Amer. Statist. Assoc. 90 (1995) 773 (marginal likelihood).
        """
        away, rest = self._relative(state)
        square = ((away / np.sqrt(self._own)) @ self._modes[1]) ** 2
        sizes, ours = self._sizes
        rows = [log + -0.5 * (square @ over + whole) - ours for over, whole, log in sizes]
        return TEMPER * (np.array(rows) + rest)

    def fit(self, state: Estimates) -> np.ndarray:
        """Log likelihood of every row of a state."""
        return np.logaddexp.reduce(self.terms(state), axis=0)

    def gain_if_inexact(self, state: Estimates) -> float:
        """By how much the log likelihood of one state grows if what it puts right is inexact."""
        seen, away = self.observed, self._relative(state)[0]
        usual = LEAST_BALANCE * self._usual
        told = [np.maximum(each, usual) for each in (seen.effluent_mean, seen.balance_mean)]
        effect = away[0] - np.log(told[0] / told[1])
        effect = INEXACT * np.clip(effect, -1.0, 1.0)
        wrong = np.outer(effect, effect) * np.exp(-self._apart / UNSTEADY_FOR)
        logs = []
        for more in (0.0, wrong):
            parts = [
                np.log(share) + gaussian(away, (self.stated + own**2 * np.diag(self._own) + more)[
                    None], STATED_SCALES)[0]
                for own, share in OWN_ERRORS
            ]  # fmt: skip
            logs.append(float(np.logaddexp.reduce(parts)))
        return TEMPER * (logs[1] - logs[0])

    def unlisted(self, state: Estimates) -> list[tuple[float, float, Profile]]:
        """Log of the weighted likelihood, size [-] and shape of errors that are on no list."""
        away, rest = self._relative(state)
        told = marks_unlisted(self.observed)
        always = profiles(self.observed, ["constant"])[0]
        shapes = [(always, 0.5 / len(UNKNOWN_TIMES), each) for each in UNKNOWN_TIMES]
        for each in profiles(self.observed, ["step", "one period"]):
            shapes.append((each, 0.5 * each.weight, UNKNOWN_TIMES[1]))
        grown = []
        for profile, _, lasting in shapes:
            course = np.exp(-self._apart / lasting) + (lasting > UNKNOWN_TIMES[0])
            acting = profile.over(self.observed)
            grown.append(course / course[0, 0] * np.outer(acting, acting))
        found = []
        for size in UNKNOWN_SIZES:
            for own in (0.008, 0.025):
                covs = self.stated + own**2 * np.diag(self._own) + size**2 * np.array(grown)
                logs = gaussian(np.repeat(away, len(covs), axis=0), covs, ((1.0, 1.0),)) + rest[0]
                for log, (profile, weight, _) in zip(logs, shapes, strict=True):
                    share = np.log(weight / len(UNKNOWN_SIZES) / 2)
                    found.append((float(TEMPER * log + told + share), size, profile))
        return found


def _alone(away: np.ndarray) -> np.ndarray:
    """Further variance of an interval that stands out alone: one week is no evidence of a cause."""
    count = len(away)
    if count < 8:
        return np.ones(count)
    near = away[np.clip(np.arange(count)[:, None] + np.arange(-3, 4), 0, count - 1)]
    around = np.median(np.delete(near, 3, axis=1), axis=1)
    apart = np.abs(away - around)
    usual = max(1.5 * float(np.median(apart)), OWN_ERRORS[0][0])
    beside = (near[:, [2, 4]] - around[:, None]) * np.sign(away - around)[:, None]
    alone = (beside < 0.5 * apart[:, None]).all(axis=1)  # several weeks in a row are evidence
    odd = alone & (apart > STANDS_OUT * usual) & (apart < 0.4)
    return np.where(odd, (apart / usual) ** 2, 1.0)


def quiet_hours(observed: Observations) -> Callable[[Estimates], np.ndarray]:
    """What the flow of the quiet hours says for an explanation beside none, as a function.

    Notes
    -----
    Without a cause the quiet flow of every interval is one figure times an error of a size not
    known: the log likelihood is that of the residual sum of squares, for a third of the intervals
    because neighbours are alike. It may speak against a cause more than for one. Where the intake
    is known in the same hours the two are compared outright.
    """
    usual = 0.0 if observed.night_m3 is None else float(np.median(observed.night_m3))
    usable = np.zeros(0, bool) if observed.night_m3 is None else observed.night_m3 > 0.02 * usual
    if usable.sum() < 6 or not usual > 0:
        return lambda state: np.zeros(len(state.night))
    if observed.night_intake_m3 is not None:
        return lambda state: np.clip(quiet_gap_told(observed, state), LEAST_QUIET, MOST_GAP)
    before = np.log(observed.night_m3[usable])  # type: ignore[index]
    own = float(np.clip(np.median(np.abs(np.diff(before))), *QUIET))
    least, count = 0.03 * observed.night_m3[usable], usable.sum() / MEMORY  # type: ignore[index]

    def score(flow: np.ndarray) -> np.ndarray:
        spread = np.log(np.maximum(flow[:, usable], least)).var(axis=1) + own**2
        return -0.5 * count * np.log(spread)

    plain = score(observed.night_m3[None, :])  # type: ignore[index]
    return lambda state: np.clip(score(state.night) - plain, LEAST_QUIET, MOST_QUIET)


def corrected_discharge(
    observed: Observations, state: Estimates, extra: tuple[str, float, Profile] | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Discharge of every row of a state, and its covariance.

    Units: returns [m3, m6].

    Notes
    -----
    Weighted mean of both after correction; covariances move with the volumes. `extra` widens one
    of the two by an error on no list.

    References
    ----------
    Weighted mean of two estimates: any text on least squares.
    """
    shape = np.broadcast_shapes(state.effluent.shape, state.balance.shape)
    pair = [(observed.effluent_mean, observed.effluent_cov, state.effluent)]
    pair.append((observed.balance_mean, observed.balance_cov, state.balance))
    # where it is not known what a cause does, the estimate stays as it is
    pair = [(mean, cov, np.where(np.isfinite(now), now, mean)) for mean, cov, now in pair]
    covs, means = [], []
    for (mean, cov, now), (_, _, other) in zip(pair, pair[::-1], strict=True):
        now, other = np.broadcast_to(now, shape), np.broadcast_to(other, shape)
        ratio = np.clip(np.nan_to_num(now / np.where(mean == 0, 1.0, mean), nan=1.0), 0.1, 10.0)
        spread = np.nan_to_num(cov * ratio[:, :, None] * ratio[:, None, :])
        missing = ~np.isfinite(mean)  # what is not known takes the other's place, with no weight
        spread[:, missing, missing] = (NO_WEIGHT * (np.abs(other[:, missing]) + 1.0)) ** 2
        covs.append(spread)
        means.append(np.where(missing, other, now))
    usual = np.abs(np.where(np.isfinite(means[1][0]), means[1][0], means[0][0])) + 1e-9
    if extra is not None:
        wrong = extra[1] * extra[2].over(observed) * usual
        place = 0 if extra[0] == "effluent" else 1
        covs[place] = covs[place] + 0.5 * (1 + np.eye(observed.count)) * np.outer(wrong, wrong)
    floor = np.diag((0.002 * usual) ** 2)
    joint = covs[0] + covs[1] + floor
    gain = np.swapaxes(np.linalg.solve(joint, covs[1]), -1, -2)
    away = means[0] - means[1]
    gain = np.broadcast_to(gain, (len(away), *gain.shape[1:]))
    mean = means[1] + np.einsum("gij,gj->gi", gain, away)
    return mean, covs[1] - gain @ covs[1]
