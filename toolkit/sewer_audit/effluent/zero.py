"""The zero of the level instrument between visits, from hand readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sewer_audit.effluent.defaults import CauseSet
from sewer_audit.effluent.model import ZeroOffset
from sewer_audit.errors import Flag
from sewer_audit.uncertainty import Visit, ZeroModel, ZeroPosterior, condition_zero

__all__ = ["ZeroPath", "zero_path"]


@dataclass(frozen=True)
class ZeroPath:
    """Zero offset at the ends of every visit interval, with what the visits taught.

    Units: offset [m]; posterior [m]; visits [m]; air_shift [m].
    """

    edges: np.ndarray
    offset: ZeroOffset
    posterior: ZeroPosterior
    flags: tuple[Flag, ...]
    visited: bool = False
    visits: tuple[Visit, ...] = ()
    air_shift: float = 0.0

    def with_more(
        self, causes: CauseSet, instants: Sequence[float] = (), nodes: Sequence[float] = ()
    ) -> ZeroPath | None:
        """The same zero under other causes, after further visits that bring no surprise.

        Units: causes [m]; instants [s]; returns [m].
        """
        ends = np.repeat(self.edges, 2)[1:-1]
        expected = self.offset.mean + self.posterior.shared_mean
        taken = {visit.time for visit in self.visits}
        usual = float(np.median([v.standard for v in self.visits])) if self.visits else 0.001
        further = [
            Visit(time, float(np.interp(time, ends, expected)), usual, False, "further")
            for time in instants
            if time not in taken
        ]
        visits = sorted([*self.visits, *further], key=lambda visit: visit.time)
        return zero_path(
            visits,
            float(self.edges[0]),
            float(self.edges[-1]),
            causes,
            air_shift=self.air_shift,
            nodes=[*self.edges[1:-1], *nodes],
        )


def zero_path(
    visits: Sequence[Visit],
    start: float,
    end: float,
    causes: CauseSet,
    coverage: float = 0.95,
    air_shift: float = 0.0,
    nodes: Sequence[float] = (),
) -> ZeroPath | None:
    """Zero offsets of a record after its visits.

    Parameters
    ----------
    visits : sequence of Visit
        Hand readings less the instrument's, in order of time [m].
    start, end : float
        First and last instant the record is integrated at [s].
    causes : CauseSet
        Zero error, drift and gauge datum [m].
    coverage : float
        One minus the risk of flagging any visit wrongly [-].
    air_shift : float
        Standard uncertainty of the level from the air temperature; with visits it is part of the
        zero offset they correct [m].
    nodes : sequence of float
        Instants of the meter reads; they end an interval as a visit does, so that what the zero
        did in one service period is not spread over its neighbours [s].

    Returns
    -------
    ZeroPath or None
        None for a method without a level [m].

    Notes
    -----
    Between two edges (visits and nodes) the offset is taken as a straight line; what a random walk
    strays from it is added at both ends as one further error, s^2 T / 12.

    References
    ----------
    JCGM 100:2008, F.2.4.5; Brownian bridge, any text on stochastic processes.
    """
    if causes.zero is None:
        return None
    gauge = causes.shared.get("gauge datum")
    model = ZeroModel(
        start_standard=float(np.hypot(causes.zero.standard, air_shift if visits else 0.0)),
        start_mean=causes.zero.value,
        drift_standard=causes.drift.standard if causes.drift is not None else 0.0,
        shared_standard=gauge.standard if gauge is not None else 0.0,
        setting_standard=0.0005,
    )
    posterior = condition_zero(visits, start, end, model, coverage, nodes)
    covariance = posterior.covariance + np.kron(np.diag(posterior.wander**2), np.ones((2, 2)))
    offset = ZeroOffset(
        posterior.mean,
        covariance,
        f"{len(visits)} visits" if visits else "stated zero error and drift; no visit",
    )
    return ZeroPath(
        posterior.edges,
        offset,
        posterior,
        posterior.flags,
        bool(visits),
        tuple(visits),
        air_shift,
    )
