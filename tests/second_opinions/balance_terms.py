"""Second opinions of the tests beside `balance.terms`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from sewer_audit.balance.instants import Periods
from sewer_audit.balance.intake import IntakeVolumes
from sewer_audit.balance.terms import Columns, Term, Wander
from sewer_audit.uncertainty import Cause


@dataclass(frozen=True)
class TowerTerm(Term):
    """Evaporation and drift of a cooling tower from its makeup meter and cycles of concentration.

    Units: makeup [m3].
    """

    makeup: IntakeVolumes
    cycles: Cause
    error: Cause | None = None

    @property
    def causes(self) -> tuple[Cause, ...]:
        """Cycles and the meter's error [-]."""
        return (self.cycles, *self.meters)

    @property
    def meters(self) -> tuple[Cause, ...]:
        """The makeup meter's error [-]."""
        return () if self.error is None else (self.error,)

    @property
    def registers(self) -> Mapping[str, IntakeVolumes]:
        """The makeup register [m3]."""
        return {f"{self.name}: reading dates": self.makeup}

    def volumes(
        self, columns: Columns, wander: Wander, periods: Periods, known: Mapping[str, np.ndarray]
    ) -> np.ndarray:
        """Makeup (1 - 1 / cycles); cycles drawn below one count as one [m3]."""
        (name,) = self.registers
        makeup = self.makeup.volume_m3 + wander(name, self.makeup)
        if self.error is not None:
            makeup = makeup * (1.0 + columns(self.error))
        return makeup * (1.0 - 1.0 / np.maximum(columns(self.cycles), 1.0))
