"""A meter in a pipe that always runs full: the solution in a trap below the outlet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from sewer_audit.errors import OutOfRange
from sewer_audit.hydraulics.devices import Device, DeviceNotes, check_positive
from sewer_audit.hydraulics.notes import make_notes, stated_accuracy


@dataclass(frozen=True)
class FullPipeMeter(Device):
    """A meter with a flow output or a totaliser in a full pipe."""

    accuracy: float | None = None
    source: str = "stated by the user"

    method: ClassVar[str] = "full pipe meter"
    columns: ClassVar[tuple[str, ...]] = ("flow",)
    level_column: ClassVar[str | None] = None
    scale_causes: ClassVar[Mapping[str, float]] = {"meter error": 1.0}

    def __post_init__(self) -> None:
        check_positive(self, "accuracy")

    @property
    def notes(self) -> DeviceNotes:
        return make_notes(
            ("full-pipe",),
            "none: the meter reports flow",
            None,
            ("the meter's own registration",),
            "Q = flow as the meter reports it",
            stated_accuracy("full-pipe", self.accuracy, self.source),
        )

    def rating(self, level: Any) -> Any:
        """One: the flow is the carrier [-]."""
        return (np.ones(np.shape(level)) + 0.0 * np.asarray(level, dtype=float))[()]

    def carrier(self, **readings: Any) -> Any:
        """Flow as the meter reports it [m3/s]."""
        return np.asarray(readings["flow"], dtype=float)[()]

    def flags(self, **readings: Any) -> dict[str, np.ndarray]:
        """Reverse flow [-]."""
        return {"reverse flow": np.asarray(readings["flow"], dtype=float) < 0}

    def head_for(self, discharge: Any) -> Any:
        """A full pipe has no level."""
        raise OutOfRange("a full pipe meter has no head; state flow alone")
