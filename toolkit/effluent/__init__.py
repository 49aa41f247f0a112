"""Logger record and device to discharge to volume per service period, as draws."""

from toolkit.effluent.checklist import NO_MEASUREMENT, Checklist, assess_checklist
from toolkit.effluent.defaults import CauseSet, assemble, causes_of
from toolkit.effluent.hand import hand_volumes
from toolkit.effluent.model import OFFSET, EffluentModel
from toolkit.effluent.periods import Periods
from toolkit.effluent.series import DischargeSeries, discharge_series, levels
from toolkit.effluent.volumes import EffluentVolumes, period_volumes
from toolkit.effluent.zero import ZeroPath, zero_path

__all__ = [
    "NO_MEASUREMENT",
    "OFFSET",
    "CauseSet",
    "Checklist",
    "DischargeSeries",
    "EffluentModel",
    "EffluentVolumes",
    "Periods",
    "ZeroPath",
    "assemble",
    "assess_checklist",
    "causes_of",
    "discharge_series",
    "hand_volumes",
    "levels",
    "period_volumes",
    "zero_path",
]
