"""Logger record and device to discharge to volume per service period, as draws."""

from sewer_audit.effluent.checklist import assess_checklist
from sewer_audit.effluent.defaults import CauseSet, assemble, causes_of
from sewer_audit.effluent.hand import hand_volumes
from sewer_audit.effluent.model import OFFSET, EffluentModel
from sewer_audit.effluent.periods import Periods
from sewer_audit.effluent.series import DischargeSeries, discharge_series, levels
from sewer_audit.effluent.volumes import EffluentVolumes, period_volumes
from sewer_audit.effluent.zero import zero_path

__all__ = [
    "OFFSET",
    "CauseSet",
    "DischargeSeries",
    "EffluentModel",
    "EffluentVolumes",
    "Periods",
    "assemble",
    "assess_checklist",
    "causes_of",
    "discharge_series",
    "hand_volumes",
    "levels",
    "period_volumes",
    "zero_path",
]
