"""Published equations on SI arrays: flumes, weirs, conduits, echo ranging.

Nothing here knows files of the user, frames, money or uncertainty. Every coefficient stands in a
table with its source.
"""

import sewer_audit.hydraulics.kinds  # noqa: F401  fills the registry
from sewer_audit.hydraulics.area_velocity import AreaVelocity
from sewer_audit.hydraulics.cipolletti import CipollettiWeir
from sewer_audit.hydraulics.devices import (
    FLAG_MEANINGS,
    Accuracy,
    Device,
    DeviceNotes,
    FlagMeaning,
    Rule,
)
from sewer_audit.hydraulics.drowned import villemonte_ratio
from sewer_audit.hydraulics.echo import (
    EchoRanger,
    TemperatureEffect,
    echo_distance,
    speed_of_sound,
    temperature_effect,
)
from sewer_audit.hydraulics.full_pipe import FullPipeMeter
from sewer_audit.hydraulics.h_flume import HFlume
from sewer_audit.hydraulics.hand_reading import HandReading, hand_reading
from sewer_audit.hydraulics.manning import ManningConduit, manning_velocity, roughness_of
from sewer_audit.hydraulics.palmer_bowlus import PalmerBowlusFlume
from sewer_audit.hydraulics.parshall import ParshallFlume
from sewer_audit.hydraulics.rating_table import RatingTable
from sewer_audit.hydraulics.rectangular_weir import (
    RectangularWeir,
    francis_contracted,
    francis_suppressed,
)
from sewer_audit.hydraulics.registry import DEVICES, DeviceKind, build_device, find_kind
from sewer_audit.hydraulics.sections import (
    CircularSection,
    EggSection,
    RectangularSection,
    TabulatedSection,
)
from sewer_audit.hydraulics.throated import RectangularThroatedFlume, UThroatedFlume
from sewer_audit.hydraulics.user_flumes import CutthroatFlume, TrapezoidalFlume
from sewer_audit.hydraulics.v_notch import VNotchWeir

__all__ = [
    "DEVICES",
    "FLAG_MEANINGS",
    "Accuracy",
    "AreaVelocity",
    "CipollettiWeir",
    "CircularSection",
    "CutthroatFlume",
    "Device",
    "DeviceKind",
    "DeviceNotes",
    "EchoRanger",
    "EggSection",
    "FlagMeaning",
    "FullPipeMeter",
    "HFlume",
    "HandReading",
    "ManningConduit",
    "PalmerBowlusFlume",
    "ParshallFlume",
    "RatingTable",
    "RectangularSection",
    "RectangularThroatedFlume",
    "RectangularWeir",
    "Rule",
    "TabulatedSection",
    "TemperatureEffect",
    "TrapezoidalFlume",
    "UThroatedFlume",
    "VNotchWeir",
    "build_device",
    "echo_distance",
    "find_kind",
    "francis_contracted",
    "francis_suppressed",
    "hand_reading",
    "manning_velocity",
    "roughness_of",
    "speed_of_sound",
    "temperature_effect",
    "villemonte_ratio",
]
