"""Logger record and device to discharge to volume per service period, as draws."""

from sewer_audit.effluent.defaults import (
    HAND,
    OTHER_HOURS,
    STEPS,
    CauseSet,
    assemble,
    causes_of,
)
from sewer_audit.effluent.installation.checklist import Checklist, assess_checklist
from sewer_audit.effluent.installation.witness import witnessed
from sewer_audit.effluent.model import OFFSET, EffluentModel
from sewer_audit.effluent.periods import Periods
from sewer_audit.effluent.readings.series import DischargeSeries, discharge_series, levels
from sewer_audit.effluent.volumes import EffluentVolumes
from sewer_audit.effluent.way import EffluentWay
from sewer_audit.effluent.zero import (
    air_shift,
    as_visited,
    level_about,
    visits_look_round,
    zero_path,
)

__all__ = [
    "HAND",
    "OFFSET",
    "OTHER_HOURS",
    "STEPS",
    "CauseSet",
    "Checklist",
    "DischargeSeries",
    "EffluentModel",
    "EffluentVolumes",
    "EffluentWay",
    "Periods",
    "air_shift",
    "as_visited",
    "assemble",
    "assess_checklist",
    "causes_of",
    "discharge_series",
    "level_about",
    "levels",
    "visits_look_round",
    "witnessed",
    "zero_path",
]
