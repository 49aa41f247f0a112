"""The words a case file and the command line know devices by."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from sewer_audit.errors import AuditError, OutOfRange
from sewer_audit.hydraulics.devices import Device
from sewer_audit.hydraulics.elements.parshall import ParshallFlume
from sewer_audit.hydraulics.elements.v_notch import VNotchWeir
from sewer_audit.units import parse

__all__ = ["DEVICES", "DeviceKind", "Size", "build_device", "find_kind"]


@dataclass(frozen=True)
class Size:
    """One key that describes a device."""

    dimension: str
    required: bool
    example: str
    about: str
    field: str = ""


@dataclass(frozen=True)
class DeviceKind:
    """A kind of device: its words, its keys, and how to build it."""

    word: str
    make: Callable[..., Device]
    sizes: Mapping[str, Size] = field(default_factory=dict)
    methods: tuple[str, ...] = ()

    def build(self, **quantities: str) -> Device:
        """Build the device from quantities as text.

        **quantities: Key to value with its unit, such as ``throat="6 in"``.
        """
        unknown = [key for key in quantities if key not in self.sizes]
        if unknown:
            raise AuditError(
                f"{self.word} knows no key {unknown[0]!r}; it takes {', '.join(self.sizes)}"
            )
        missing = [k for k, size in self.sizes.items() if size.required and k not in quantities]
        if missing:
            size = self.sizes[missing[0]]
            raise AuditError(
                f"{self.word} needs {' and '.join(missing)}; "
                f"write for example {missing[0]} = {size.example!r} ({size.about})"
            )
        fields = {
            self.sizes[key].field or key: self._value(key, text) for key, text in quantities.items()
        }
        return self.make(**fields)

    def _value(self, key: str, text: str) -> Any:
        size = self.sizes[key]
        if size.dimension == "text":
            return str(text)
        try:
            return parse(text, size.dimension)
        except AuditError as error:
            raise AuditError(f"{key} of {self.word}: {error}") from None


_LENGTH = "length"
DEVICES: dict[str, DeviceKind] = {}


def _add(word: str, make: Callable[..., Device], methods: tuple[str, ...], **sizes: Size) -> None:
    DEVICES[word] = DeviceKind(word, make, sizes, methods)


_add(
    "parshall",
    ParshallFlume,
    ("parshall flume",),
    throat=Size(_LENGTH, True, "6 in", "throat width, a standard size"),
    submergence=Size("text", False, "direct", "submergence correction: direct or subtractive"),
)
_add(
    "v-notch",
    VNotchWeir,
    ("v-notch weir", "triangular weir"),
    angle=Size("angle", True, "90 deg", "full angle of the notch"),
    crest_height=Size(_LENGTH, False, "1.5 ft", "vertex above the channel floor"),
    channel_width=Size(_LENGTH, False, "3 ft", "width of the approach channel"),
)


def find_kind(word: str) -> DeviceKind:
    """Find a kind of device by its word or by the method of a case file.

    Parameters
    ----------
    word : str
        Such as "parshall", "parshall flume" or "V-notch weir" [text].

    Returns
    -------
    DeviceKind
        The kind [-].

    Raises
    ------
    OutOfRange
        If no kind has that name.
    """
    plain = _plain(word)
    for kind in DEVICES.values():
        if plain in {_plain(name) for name in (kind.word, *kind.methods)}:
            return kind
    raise OutOfRange(f"method {word!r} is not known; known are {', '.join(DEVICES)}")


def _plain(word: str) -> str:
    return " ".join(word.lower().replace("-", " ").replace("_", " ").split())


def build_device(method: str, sizes: Mapping[str, str]) -> Device:
    """Build a device from a method and its sizes as text.

    Parameters
    ----------
    method : str
        Word of the device or method of a case file [text].
    sizes : mapping
        Key to value with its unit [text].

    Returns
    -------
    Device
        Ready to use [-].

    Raises
    ------
    AuditError
        If method or sizes are not known, missing or impossible.
    """
    return find_kind(method).build(**sizes)
