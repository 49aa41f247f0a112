"""The one gate: which estimates carry a verdict, for every invoice and for all of them together.

Nothing else decides it. Every fault found on the way is a flag whose code stands in ``codes.csv``
with the estimates it stops; a flag that names invoices (``invoice``, ``invoices``) or their places
(``periods``) stops them there, any other everywhere.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from sewer_audit.errors import Flag

__all__ = ["ESTIMATES", "Gate", "gate_of"]

ESTIMATES = ("effluent", "balance", "bill")
"""What a verdict can rest on: two estimates of the volume, and the billed figure itself."""
KEPT = {"coverage-below-the-rule", "size-of-the-device"}
"""Codes of a record that is measured: too little of it, or one question short of a verdict."""


@dataclass(frozen=True)
class Gate:
    """Which of the estimates carry a verdict.

    Parameters
    ----------
    carries : mapping of str to array (periods,)
        Estimate to whether a verdict on that invoice may rest on it [-].
    stopped : mapping of (str, int) to tuple of str
        Estimate and place of an invoice to the codes that stop it there [text].
    void : array (periods,)
        Whether the effluent of an invoice is no measurement, so that no figure stands; a record
        too short for the rule, or contradicted by another estimate, keeps its figure [-].
    """

    carries: Mapping[str, np.ndarray]
    stopped: Mapping[tuple[str, int], tuple[str, ...]]
    void: np.ndarray

    @property
    def verdict(self) -> np.ndarray:
        """Whether an invoice has a verdict: a bill, and one estimate that carries it [-]."""
        return self.carries["bill"] & (self.carries["effluent"] | self.carries["balance"])

    @property
    def total(self) -> bool:
        """Whether all invoices together have a verdict: each of them has something to rest on."""
        return bool(len(self.verdict)) and bool(self.verdict.all())

    def codes(self, estimate: str, place: int) -> tuple[str, ...]:
        """What stops an estimate for an invoice."""
        return self.stopped.get((estimate, place), ())

    def asked(self, flags: Sequence[Flag], names: Sequence[str]) -> Gate:
        """The gate after what the bills made it necessary to ask of the estimates."""
        later = gate_of(flags, names, self.carries)
        carries = {**later.carries, "bill": self.carries["bill"]}
        stopped = {
            key: (*self.stopped.get(key, ()), *later.stopped.get(key, ()))
            for key in (*self.stopped, *later.stopped)
        }
        return Gate(carries, stopped, self.void)


def gate_of(flags: Sequence[Flag], names: Sequence[str], have: Mapping[str, np.ndarray]) -> Gate:
    """The gate for what was found."""
    nothing, everything = np.zeros(len(names), dtype=bool), np.ones(len(names), dtype=bool)
    carries = {
        each: np.array(have.get(each, everything if each == "bill" else nothing), dtype=bool)
        for each in ESTIMATES
    }
    stopped: dict[tuple[str, int], tuple[str, ...]] = {}
    void = nothing.copy()
    for flag in flags:
        for estimate in flag.stops:
            for place in _places(flag, names):
                carries[estimate][place] = False
                stopped[estimate, place] = (*stopped.get((estimate, place), ()), flag.code)
                void[place] |= flag.stops == ("effluent",) and flag.code not in KEPT
    return Gate(carries, stopped, void)


def _places(flag: Flag, names: Sequence[str]) -> Sequence[int]:
    """Invoices a flag speaks of; all of them if it names none."""
    data = flag.data
    if "periods" in data:
        return [int(place) for place in data["periods"]]
    if "invoice" in data or "invoices" in data:
        named = {str(each) for each in data.get("invoices", (data.get("invoice"),))}
        return [place for place, name in enumerate(names) if str(name) in named]
    return range(len(names))
