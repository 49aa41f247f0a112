"""Second opinions of the tests beside `uncertainty.budget`."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from sewer_audit.errors import AuditError
from sewer_audit.uncertainty.budget import Budget, BudgetLine, BudgetTable


def budget_from_effects(
    effects: Mapping[str, np.ndarray], own: Mapping[str, np.ndarray] | None = None
) -> Budget:
    """Share of variance by cause from first-order effects.

    Units: effects [result unit]; own [result unit]; returns [result unit].

    Notes
    -----
    Total: u^2 = sum_k (sum_i c_ki u_k)^2 + sum_k sum_i u_ki^2: shared causes add up linearly, own
    ones by squares.

    References
    ----------
    JCGM 100:2008, 5.2.2 equation (13) and its example of ten resistors.
    """
    shared = {name: np.atleast_1d(np.asarray(e, dtype=float)) for name, e in effects.items()}
    single = {name: np.atleast_1d(np.asarray(e, dtype=float)) for name, e in (own or {}).items()}
    if not shared and not single:
        raise AuditError("a budget without causes; name at least one")
    columns = {name: np.append(each, each.sum()) for name, each in shared.items()}
    columns |= {
        name: np.append(each, math.sqrt(float(each @ each))) for name, each in single.items()
    }
    variance = sum(each**2 for each in columns.values())
    tables = []
    for place, total in enumerate(np.asarray(variance)):
        lines = [
            BudgetLine(
                name,
                float(abs(each[place])),
                float(each[place] ** 2 / total) if total > 0 else 0.0,
                0.0,
                int(np.sign(each[place])) if name in shared else 0,
                None,
            )
            for name, each in columns.items()
        ]
        lines.sort(key=lambda line: -line.share)
        tables.append(BudgetTable(tuple(lines), math.sqrt(total), 0.0, 0.0))
    return Budget(tuple(tables[:-1]), tables[-1])
