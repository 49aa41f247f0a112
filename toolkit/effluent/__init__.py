"""Logger record and device to discharge to volume per service period, as draws."""

from toolkit.effluent.volumes import EffluentVolumes, levels, period_volumes

__all__ = ["EffluentVolumes", "levels", "period_volumes"]
