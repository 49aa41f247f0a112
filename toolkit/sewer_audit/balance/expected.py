"""What should have reached the sewer: intake less uses plus other inflow, as draws per invoice."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from sewer_audit.balance.instants import Periods, as_periods
from sewer_audit.balance.intake import IntakeVolumes
from sewer_audit.balance.terms import Term, unique_names
from sewer_audit.errors import AuditError, Flag
from sewer_audit.uncertainty import Cause, Draws

SPREAD, FEWEST = 0.2, 3
"""Share of the service periods, and their number, with uses beyond the intake from which on no
period's balance is trusted: one use may be odd, a multiplier is wrong everywhere (judgement)."""
EACH_READING = "each reading"


@dataclass(frozen=True)
class Balance:
    """Expected discharge of every invoice [m3] with the terms it is made of.

    components: draws of every term by its name, all positive as they flow. roles: each of them an
    "intake", a "use" or an "inflow". causes: all that can be active, for a variance budget.
    """

    draws: np.ndarray
    components: Mapping[str, np.ndarray]
    roles: Mapping[str, str]
    causes: tuple[str, ...]
    flags: tuple[Flag, ...] = ()

    def total(self, role: str) -> np.ndarray:
        """Sum of the terms of one role [m3]."""
        chosen = [self.components[name] for name, of in self.roles.items() if of == role]
        return sum(chosen, np.zeros_like(self.draws))


class _Errors:
    """Hands out draws of causes, or their values where only another cause is active."""

    def __init__(self, draws: Draws, periods: int, only: str | None):
        self._draws, self._periods, self._only = draws, periods, only

    def columns(self, cause: Cause) -> np.ndarray:
        if self._only not in (None, cause.name):
            return np.full((1, 1), cause.value)
        if cause.persistence == EACH_READING:
            return self._draws.of(cause, size=self._periods)
        return self._draws.of(cause, size=1)

    def wander(self, name: str, register: IntakeVolumes) -> np.ndarray:
        if self._only not in (None, name):
            return np.zeros((1, self._periods))
        return register.errors(self._draws, name)


def balance_causes(*groups: Sequence[Term]) -> tuple[str, ...]:
    """Names of every uncertain cause of a balance, each once."""
    names: dict[str, None] = {}
    for term in (term for group in groups for term in group):
        names |= dict.fromkeys([*(cause.name for cause in term.causes), *term.registers])
    return tuple(names)


def expected_discharge(
    intakes: Sequence[Term],
    uses: Sequence[Term],
    inflows: Sequence[Term],
    periods: Any,
    draws: Draws,
    only: str | None = None,
) -> Balance:
    """Volume that should have reached the sewer in every service period.

    Parameters
    ----------
    intakes : sequence of Term
        Supply meters and metered sources, at least one [m3].
    uses : sequence of Term
        Water that never reached the sewer [m3].
    inflows : sequence of Term
        Water that reached the sewer without passing an intake meter [m3].
    periods : DataFrame, array (periods, 2) or Periods
        Service periods, as given to `intake_volumes` [s].
    only : str, optional
        Name of the one cause that varies, all others at their stated values; every cause varies
        without it [text].

    Raises
    ------
    AuditError
        If there is no intake, a name is used twice, or `only` names no cause.

    Notes
    -----
    discharge = sum of intakes - sum of uses + sum of inflows. A cause of the persistence "each
    reading" is drawn anew for every period; every other lasts through all of them, as a balance
    knows no visits to its meters.

    References
    ----------
    JCGM 101:2008, 5.9 (propagation by draws); the balance itself: common practice, no source.
    """
    if not intakes:
        raise AuditError("a balance needs at least one intake; name the supply meter and its reads")
    groups = {"intake": intakes, "use": uses, "inflow": inflows}
    everything = [term for group in groups.values() for term in group]
    unique_names(everything)
    causes = balance_causes(*groups.values())
    if only is not None and only not in causes:
        raise AuditError(f"no cause {only!r} in this balance; it has {', '.join(causes) or 'none'}")
    spans = as_periods(periods)
    count = len(spans.first)
    components = _components(everything, _Errors(draws, count, only), spans, {}, draws.count)
    roles = {term.name: role for role, group in groups.items() for term in group}
    signs = {"intake": 1.0, "use": -1.0, "inflow": 1.0}
    total = sum(signs[roles[name]] * each for name, each in components.items())
    flags = _register_flags(everything) + _flags(np.asarray(total), spans, everything, bool(uses))
    return Balance(np.asarray(total), components, roles, causes, flags)


def _components(
    terms: Sequence[Term], errors: Any, spans: Periods, known: Mapping[str, np.ndarray], rows: int
) -> dict[str, np.ndarray]:
    """Volumes of terms, each seeing those before it (rows, periods)."""
    found = dict(known)
    for term in terms:
        volume = term.volumes(errors.columns, errors.wander, spans, found)
        found[term.name] = np.broadcast_to(volume, (rows, len(spans.first)))
    return found


def further_volumes(
    terms: Sequence[Term], known: Mapping[str, np.ndarray], periods: Any, draws: Draws
) -> tuple[dict[str, np.ndarray], tuple[Flag, ...]]:
    """Volumes of terms that take no part in the expected discharge.

    Parameters
    ----------
    terms : sequence of Term
        Any [m3].
    known : mapping of str to array (draws, invoices)
        Terms evaluated before, of the same draws [m3].
    periods : Periods, DataFrame or array
        Service periods, as given to `intake_volumes` [s].

    Returns
    -------
    volumes : dict of str to array (draws, invoices)
        Those known and those of the terms [m3].
    flags : tuple of Flag
        What their registers show [-].
    """
    spans = as_periods(periods)
    errors = _Errors(draws, len(spans.first), None)
    return _components(terms, errors, spans, known, draws.count), _register_flags(terms)


class _Reading:
    """Every cause at its value, but one meter reads too much by a small share."""

    share = 1e-4

    def __init__(self, periods: int, meter: str = ""):
        self._periods, self._meter = periods, meter

    def columns(self, cause: Cause) -> np.ndarray:
        factor = 1.0 + self.share if cause.name == self._meter else 1.0
        return np.full((1, 1), (1.0 + cause.value) * factor - 1.0)

    def wander(self, name: str, register: IntakeVolumes) -> np.ndarray:
        return np.zeros((1, self._periods))


def reading_effects(terms: Sequence[Term], periods: Any) -> dict[str, dict[str, np.ndarray]]:
    """What every stream gains where one measurement reads too much by as much as there is.

    Parameters
    ----------
    terms : sequence of Term
        Those of the balance and the further ones [m3].
    periods : Periods, DataFrame or array
        Service periods, as given to `intake_volumes` [s].

    Returns
    -------
    dict of str to dict of str to array (invoices,)
        Name of the measurement, a meter or an estimate as a whole, to stream to its gain [m3].

    Notes
    -----
    A meter moves every term it is part of: an intake also the uses stated as its share, the makeup
    of a tower also what is estimated from it. An estimate without a meter moves itself.
    """
    spans = as_periods(periods)
    count = len(spans.first)
    plain = _components(terms, _Reading(count), spans, {}, 1)
    meters = {cause.name: cause for term in terms for cause in term.meters}
    found: dict[str, dict[str, np.ndarray]] = {}
    for name in meters:
        moved = _components(terms, _Reading(count, name), spans, {}, 1)
        gains = {s: (moved[s] - plain[s])[0] / _Reading.share for s in plain}
        found[name.removesuffix(": meter error")] = {s: g for s, g in gains.items() if g.any()}
    for term in terms:
        if not term.meters or getattr(term, "meter", ""):
            found[term.name] = {term.name: plain[term.name][0]}
    return found


def _register_flags(terms: Sequence[Term]) -> tuple[Flag, ...]:
    return tuple(
        flag for term in terms for register in term.registers.values() for flag in register.flags
    )


def _flags(
    total: np.ndarray, spans: Periods, terms: Sequence[Term], taken_off: bool
) -> tuple[Flag, ...]:
    flags = []
    finite = np.isfinite(total).all(axis=0)
    below = np.flatnonzero(finite & ((total < 0).mean(axis=0) > 0.025))
    if taken_off and len(below):  # else an intake of nothing, to the resolution of its register
        message = (
            f"in {len(below)} service periods the uses may exceed the intake (more than 2.5 % of "
            "the draws are below zero); a use, a multiplier or an intake is wrong"
        )
        spread = len(below) >= max(FEWEST, SPREAD * finite.sum())
        places = np.arange(len(finite)) if spread else below  # a multiplier is wrong everywhere
        data = {"periods": [int(each) for each in places]}
        flags.append(Flag("balance-below-zero", message, data))
    defaults = [cause.name for term in terms for cause in term.causes if cause.default]
    if defaults:
        message = f"uncertainty supplied by the toolkit, not by the case: {', '.join(defaults)}"
        flags.append(Flag("balance-defaults", message, {"causes": defaults}))
    if np.any(spans.days > 70):
        message = f"{int(np.sum(spans.days > 70))} service periods are longer than 70 days"
        flags.append(Flag("long-periods", message))
    return tuple(flags)
