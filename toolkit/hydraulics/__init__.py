"""Published equations on SI arrays: flumes, weirs, conduits, echo ranging.

Nothing here knows files of the user, frames, money or uncertainty. Every coefficient stands in a
table with its source.
"""

import toolkit.hydraulics.kinds  # noqa: F401  fills the registry
from toolkit.hydraulics.area_velocity import AreaVelocity
from toolkit.hydraulics.cipolletti import CipollettiWeir
from toolkit.hydraulics.devices import (
    FLAG_MEANINGS,
    Accuracy,
    Device,
    DeviceNotes,
    FlagMeaning,
    Rule,
)
from toolkit.hydraulics.drowned import villemonte_ratio
from toolkit.hydraulics.echo import (
    EchoRanger,
    TemperatureEffect,
    echo_distance,
    speed_of_sound,
    temperature_effect,
)
from toolkit.hydraulics.full_pipe import FullPipeMeter
from toolkit.hydraulics.h_flume import HFlume
from toolkit.hydraulics.hand_reading import HandReading, hand_reading
from toolkit.hydraulics.manning import ManningConduit, manning_velocity, roughness_of
from toolkit.hydraulics.palmer_bowlus import PalmerBowlusFlume
from toolkit.hydraulics.parshall import ParshallFlume
from toolkit.hydraulics.rating_table import RatingTable
from toolkit.hydraulics.rectangular_weir import (
    RectangularWeir,
    francis_contracted,
    francis_suppressed,
)
from toolkit.hydraulics.registry import DEVICES, DeviceKind, build_device, find_kind
from toolkit.hydraulics.sections import (
    CircularSection,
    EggSection,
    RectangularSection,
    TabulatedSection,
)
from toolkit.hydraulics.throated import RectangularThroatedFlume, UThroatedFlume
from toolkit.hydraulics.user_flumes import CutthroatFlume, TrapezoidalFlume
from toolkit.hydraulics.v_notch import VNotchWeir

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
