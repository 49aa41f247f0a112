"""Devices on a section, and one somewhat wider or narrower than stated, for its uncertainty."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Self

from sewer_audit.errors import OutOfRange
from sewer_audit.hydraulics.conduits.sections import (
    CircularSection,
    EggSection,
    RectangularSection,
    Section,
    TabulatedSection,
)


def widened(section: Section, factor: float) -> Section:
    """The same section so many times as wide.

    Units: returns [m].
    """
    if not factor > 0:
        raise OutOfRange(f"width factor {factor!r}; above zero")
    if isinstance(section, RectangularSection):
        return replace(section, breadth=section.breadth * factor)
    if isinstance(section, EggSection):
        return EggSection(section.rise * factor)
    if isinstance(section, TabulatedSection):
        return replace(section, widths=tuple(factor * width for width in section.widths))
    if isinstance(section, CircularSection):
        return CircularSection(section.diameter * factor)
    raise OutOfRange(f"no other width is known for a {section.name} section")


class OnSection:
    """What a device in a conduit has from its section."""

    section: Section

    @property
    def shape_causes(self) -> Mapping[str, str]:
        """The diameter, or the width of another section, bends the rating [text]."""
        if isinstance(self.section, CircularSection):
            return {"diameter": "diameter"}
        return {"section width": "width_factor"}

    @property
    def diameter(self) -> float:
        """Diameter of a circular section [m]."""
        return self.section.height

    @property
    def width_factor(self) -> float:
        """Width of the section over the stated one; an error of the width changes it [-]."""
        return 1.0

    def replace(self, **dims: Any) -> Self:
        """The same with other dimensions; diameter and width go to the section [-]."""
        if "diameter" in dims:
            dims["section"] = replace(self.section, diameter=dims.pop("diameter"))  # type: ignore
        if "width_factor" in dims:
            dims["section"] = widened(self.section, dims.pop("width_factor"))
        return replace(self, **dims)  # type: ignore[type-var]
