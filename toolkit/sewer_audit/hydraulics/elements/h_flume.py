"""H, HS and HL flumes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Any, ClassVar

import numpy as np

from sewer_audit import spoken
from sewer_audit.errors import OutOfRange
from sewer_audit.hydraulics.devices import Device, DeviceNotes
from sewer_audit.hydraulics.kernels import evaluate
from sewer_audit.hydraulics.notes import make_notes
from sewer_audit.hydraulics.tables import rows_of
from sewer_audit.spoken import FOOT

_STRAIGHT_BELOW = -3.0
"""Logarithm of the head below which the polynomial is prolonged by its tangent (1 mm) [-]."""


@cache
def _polynomial(kind: str, depth: float) -> tuple[float, float, float, str]:
    rows = [row for row in rows_of("h_flume") if row["kind"] == kind]
    if not rows:
        raise OutOfRange(f"kind {kind!r} is no H flume; write HS, H or HL")
    nearest = min(rows, key=lambda row: abs(row["depth_ft"] * FOOT - depth))
    if not abs(depth / (nearest["depth_ft"] * FOOT) - 1) <= 0.005:
        sizes = ", ".join(f"{row['depth_ft']:g} ft" for row in rows)
        raise OutOfRange(f"{kind} flumes are {sizes} deep, not {depth / FOOT:g} ft; check depth")
    return nearest["a"], nearest["b"], nearest["c"], nearest["source"]


@dataclass(frozen=True)
class HFlume(Device):
    """An H, HS or HL flume of a standard depth.

    References
    ----------
    Bos 1989 (ILRI 20, 3rd ed.), polynomials; USDA Agriculture Handbook 224 (from memory).
    """

    kind: str
    depth: float

    method: ClassVar[str] = "h-flume"

    def __post_init__(self) -> None:
        object.__setattr__(self, "kind", self.kind.upper())
        _polynomial(self.kind, self.depth)

    @property
    def notes(self) -> DeviceNotes:
        a, b, c, source = _polynomial(self.kind, self.depth)
        foot = math.log10(1 / spoken.plain_length(1.0))  # 0 where metres are spoken
        a, b = a + b * foot + c * foot**2 - 3 * foot, b + 2 * c * foot
        a, b = float(f"{a:.6g}"), float(f"{b:.6g}")
        return make_notes(
            ("h-flume",),
            "floor of the flume at the outlet",
            (0.01 * FOOT, self.depth),
            (source, "lower limit: first step of the handbook's tables, 0.01 ft (from memory)"),
            f"log10 Q = {a:g} {b:+g} log10 h {c:+g} (log10 h)^2 ({spoken.equation_units()})",
        )

    def rating(self, level: Any) -> Any:
        """Discharge at a head over the floor [m3/s]."""
        a, b, c, _ = _polynomial(self.kind, self.depth)
        log_ten = math.log(10.0)
        bend = c / log_ten
        floor = _STRAIGHT_BELOW * log_ten

        def kernel(head: np.ndarray, out: np.ndarray, *blocks: np.ndarray) -> None:
            held, straight = blocks
            np.maximum(head, 1e-99, out=out)
            np.log(out, out=out)
            # c x^2, and below the bend its tangent 2 c x0 x - c x0^2 = c (2 x - x0) x0
            np.maximum(out, floor, out=held)
            np.subtract(out, held, out=straight)
            straight *= 2 * bend
            straight *= floor
            out *= b
            out += straight
            held *= held
            held *= bend
            out += held
            out += a * log_ten
            np.exp(out, out=out)
            out[head <= 0] = 0.0

        return evaluate(kernel, level, spare=2)
