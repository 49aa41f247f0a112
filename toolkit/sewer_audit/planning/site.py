"""The pipe at a measuring point: normal depth, fall needed, backwater."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from sewer_audit.case.models_plan import PlanTable
from sewer_audit.errors import AuditError
from sewer_audit.hydraulics import CircularSection, ManningConduit

SELF_CLEANSING = 0.6
"""Velocity above which sewage keeps its solids moving; common practice, no source [m/s]."""


@dataclass(frozen=True)
class Setting:
    """How a flow element has to be set at a site [m]."""

    raised: float
    fall: float
    depth: float
    backwater: float


@dataclass(frozen=True)
class PipeSite:
    """The pipe in which, or at whose end, the flow is to be measured."""

    diameter: float | None = None
    slope: float | None = None
    roughness: float = 0.013
    drop: float | None = None
    largest_depth: float | None = None
    approach_width: float | None = None
    solids: str | None = None

    @classmethod
    def of(cls, plan: PlanTable, device: Any = None) -> PipeSite:
        """The site a plan states; a conduit the case already measures in fills the rest."""
        own = isinstance(getattr(device, "section", None), CircularSection)
        known = isinstance(device, ManningConduit) and own and plan.slope is None
        return cls(
            device.section.diameter if own and plan.diameter is None else plan.diameter,
            device.slope if known else plan.slope,
            device.roughness if known else plan.roughness,
            plan.available_drop,
            plan.largest_depth,
            plan.approach_width,
            plan.solids,
        )

    @cached_property
    def conduit(self) -> ManningConduit | None:
        """Uniform flow in the pipe, where diameter and slope are known [-]."""
        if self.diameter is None or self.slope is None:
            return None
        return ManningConduit(CircularSection(self.diameter), self.slope, self.roughness)

    @property
    def ceiling(self) -> float | None:
        """Deepest water allowed over the incoming invert [m]."""
        return self.largest_depth if self.largest_depth is not None else self.diameter

    def depth(self, discharge: np.ndarray | float) -> np.ndarray:
        """Depth of uniform flow [m]."""
        flow = np.atleast_1d(np.asarray(discharge, dtype=float))
        if self.conduit is None:
            return np.full(flow.shape, math.nan)
        full = float(self.conduit.rating(self.diameter))
        held = np.minimum(flow, 0.999 * full)
        found = np.asarray(self.conduit.head_for(held), dtype=float)
        return np.where(flow >= full, float(self.diameter or 0.0), found)

    def velocity(self, discharge: np.ndarray | float) -> np.ndarray:
        """Mean velocity of uniform flow [m/s]."""
        flow = np.atleast_1d(np.asarray(discharge, dtype=float))
        if np.any(flow < 0):
            raise AuditError("a negative discharge has no velocity; check the sign of flow")
        depth = self.depth(flow)
        if self.conduit is None:
            return depth
        area = np.asarray(self.conduit.section.area(depth), dtype=float)
        return np.divide(flow, area, out=np.zeros_like(flow), where=area > 0)

    def setting(
        self, flow: np.ndarray, head: np.ndarray, allowed: np.ndarray, floor: float, sunk: bool
    ) -> Setting:
        """Where to set a flow element so that its tailwater stays within what is published [m].

        Notes
        -----
        The tailwater is taken as uniform flow in the outgoing pipe, of the same diameter and slope:
        crest over outgoing invert z = max(y(q) - allowed(q)), and at least what the element asks
        for. The fall needed keeps the water at peak flow below the largest depth allowed.
        Backwater from farther downstream is not known and would add to it.

        References
        ----------
        USBR Water Measurement Manual, 3rd ed. 2001, ch. 8 (setting a flume by its submergence
        limit, from memory).
        """
        normal = self.depth(flow)
        known = not np.isnan(normal).any()
        above = float(np.max(np.maximum(normal - allowed, 0.0))) if known else 0.0
        crest = max(above, floor)
        raised = crest - (self.drop or 0.0)
        raised = raised if sunk and self.drop is not None else max(raised, 0.0)
        ceiling = math.nan if self.ceiling is None else self.ceiling
        depth = max(raised + float(head[-1]), float(normal[-1]) if known else 0.0)
        fall = max(crest + float(head[-1]) - ceiling, 0.0) if known else math.nan
        return Setting(raised, fall, depth, depth - float(normal[-1]))
