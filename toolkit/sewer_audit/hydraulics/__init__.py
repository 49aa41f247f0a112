"""Published equations on SI arrays: flumes, weirs, conduits, echo ranging.

Nothing here knows files of the user, frames, money or uncertainty. Every coefficient stands in a
table with its source.
"""

import sewer_audit.hydraulics.kinds  # noqa: F401  fills the registry
from sewer_audit.hydraulics.conduits.manning import ManningConduit
from sewer_audit.hydraulics.conduits.sections import CircularSection
from sewer_audit.hydraulics.devices import FLAG_MEANINGS
from sewer_audit.hydraulics.echo import echo_distance, speed_of_sound
from sewer_audit.hydraulics.hand_reading import hand_reading
from sewer_audit.hydraulics.kinds import build_device

__all__ = [
    "FLAG_MEANINGS",
    "CircularSection",
    "ManningConduit",
    "build_device",
    "echo_distance",
    "hand_reading",
    "speed_of_sound",
]
