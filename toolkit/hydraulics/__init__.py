"""Published equations on SI arrays: flumes, weirs, conduits, echo ranging.

Nothing here knows files of the user, frames, money or uncertainty. Every coefficient stands in a
table with its source.
"""

from toolkit.hydraulics.devices import (
    FLAG_MEANINGS,
    Accuracy,
    Device,
    DeviceNotes,
    FlagMeaning,
    Rule,
)
from toolkit.hydraulics.echo import (
    EchoRanger,
    TemperatureEffect,
    echo_distance,
    speed_of_sound,
    temperature_effect,
)
from toolkit.hydraulics.parshall import ParshallFlume
from toolkit.hydraulics.registry import DEVICES, DeviceKind, build_device, find_kind
from toolkit.hydraulics.v_notch import VNotchWeir

__all__ = [
    "DEVICES",
    "FLAG_MEANINGS",
    "Accuracy",
    "Device",
    "DeviceKind",
    "DeviceNotes",
    "EchoRanger",
    "FlagMeaning",
    "ParshallFlume",
    "Rule",
    "TemperatureEffect",
    "VNotchWeir",
    "build_device",
    "echo_distance",
    "find_kind",
    "speed_of_sound",
    "temperature_effect",
]
