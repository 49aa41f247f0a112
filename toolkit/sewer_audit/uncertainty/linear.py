"""The first-order formula for anything that is computed from draws.

A computation asks :class:`Draws` for columns. Handed rows in which one input at a time stands one
standard uncertainty off its value, the same computation gives its own sensitivities; it need not
be written a second time for the linear formula.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from sewer_audit.errors import AuditError
from sewer_audit.uncertainty.causes import Cause
from sewer_audit.uncertainty.draws import Draws
from sewer_audit.uncertainty.freedom import effective_dof, linear_interval
from sewer_audit.uncertainty.intervals import Interval

Results = Mapping[str, np.ndarray]


@dataclass(frozen=True)
class Linear:
    """Value and first-order effects of results computed from draws.

    inputs: Key of every input, once for each of its independent columns. effects: (inputs,
    results), sensitivity times standard uncertainty, with its sign.
    """

    inputs: tuple[str, ...]
    value: np.ndarray
    effects: np.ndarray
    dofs: np.ndarray

    @property
    def standard_uncertainty(self) -> np.ndarray:
        """Combined standard uncertainty of every result [result unit]."""
        return np.sqrt(np.sum(self.effects**2, axis=0))

    def by_input(self) -> dict[str, np.ndarray]:
        """Standard uncertainty of every result from each input alone."""
        keys = np.array(self.inputs)
        return {
            key: np.sqrt(np.sum(self.effects[keys == key] ** 2, axis=0))
            for key in dict.fromkeys(self.inputs)
        }

    def with_total(self) -> Linear:
        """The same with the sum of all results as one more."""
        value = np.append(self.value, self.value.sum())
        effects = np.column_stack([self.effects, self.effects.sum(axis=1)])
        return Linear(self.inputs, value, effects, self.dofs)

    def interval(self, result: int, coverage: float = 0.95) -> Interval:
        """Interval of one result.

        References
        ----------
        JCGM 100:2008, 6.2.1 and G.4.
        """
        dof = effective_dof(self.effects[:, result], self.dofs)
        spread = float(self.standard_uncertainty[result])
        return linear_interval(float(self.value[result]), spread, coverage, dof)


def linearise(compute: Callable[[Draws], Results]) -> dict[str, Linear]:
    """First-order effects of everything a computation returns.

    Parameters
    ----------
    compute : callable
        From `Draws` to arrays (draws, results) by name; it may ask for any columns, but its rows
        must not depend on each other [result unit].

    Returns
    -------
    dict of str to Linear
        By the names the computation gives [result unit].

    Raises
    ------
    AuditError
        If a result has no row for every draw.

    Notes
    -----
    c_i u_i = (f(x_i + u_i) - f(x_i - u_i)) / 2, one input at a time, one standard uncertainty to
    either side. Columns asked for by `Draws.of` move the cause by its own standard uncertainty,
    whatever its shape.

    References
    ----------
    JCGM 100:2008, 5.1.2 equation (10) and 5.1.3 note 2.
    """
    first = _Probe(2, 0)
    compute(first)
    columns = tuple(first.asked)
    probe = _Probe(2 * len(columns) + 2, 0, 0, {name: k for k, name in enumerate(columns)})
    results = compute(probe)
    dofs = np.array([first.asked[column] for column in columns])
    names = tuple(key for key, _ in columns)
    found = {}
    for name, rows in results.items():
        rows = np.asarray(rows, dtype=float)
        if rows.ndim != 2 or len(rows) != probe.count:
            raise AuditError(f"{name}: results of the form {rows.shape}; (draws, results) expected")
        moved = rows[2:].reshape(len(columns), 2, -1)
        found[name] = Linear(names, rows[0], (moved[:, 0] - moved[:, 1]) / 2, dofs)
    return found


@dataclass(frozen=True)
class _Probe(Draws):
    """Rows 0 and 1 at the stated values, then each column one step up and one step down."""

    places: Mapping[tuple[str, int], int] = field(default_factory=dict)
    asked: dict[tuple[str, int], float] = field(default_factory=dict)

    def of(self, cause: Cause, key: str | None = None, size: int | None = None) -> np.ndarray:
        name = cause.name if key is None else key
        steps = self.standard(name, size)
        if cause.dof < np.inf:
            self.asked.update({(name, place): cause.dof for place in range(size or 1)})
        return cause.value + cause.standard * steps

    def _column(self, key: str, column: int) -> np.ndarray:
        self.asked.setdefault((key, column), np.inf)
        steps = np.zeros(self.count)
        place = self.places.get((key, column))
        if place is not None:
            steps[2 + 2 * place], steps[3 + 2 * place] = 1.0, -1.0
        return steps
