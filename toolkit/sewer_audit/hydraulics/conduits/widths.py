"""A section somewhat wider or narrower than stated, for the uncertainty of its width."""

from __future__ import annotations

from dataclasses import replace

from sewer_audit.errors import OutOfRange
from sewer_audit.hydraulics.conduits.sections import (
    CircularSection,
    EggSection,
    RectangularSection,
    Section,
    TabulatedSection,
)

__all__ = ["widened"]


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
