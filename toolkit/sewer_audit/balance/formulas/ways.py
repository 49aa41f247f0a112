"""Two tables: how each kind of use or inflow is worked out, and what is known about such a use.

The names of kinds and ways are those of the case file. A way without a function is read from a
meter as it stands. The default limits are judgement, marked as such and to be confirmed for the
site. What evidence a city accepts stands in its own code, which decides.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from importlib import resources
from types import MappingProxyType
from typing import Any

from sewer_audit.balance.formulas import equations


@dataclass(frozen=True)
class UseRecord:
    """What is known about one kind of use.

    limit_95: relative 95 % limit of the usual estimate, and where it comes from. better: the
    measurement that beats the estimate. evidence: what a city usually asks for. traps: what makes
    the figure wrong. sources: ids of the register, of the formulas and the evidence.
    """

    name: str
    limit_95: float
    limit_source: str
    better: str
    evidence: str
    traps: str
    sources: tuple[str, ...]


@dataclass(frozen=True)
class WayFormula:
    """One way of working out a volume.

    record: entry of `USES` with the evidence and the traps. limit_95: relative 95 % limit of the
    formula where the case states no error; zero where the inputs carry all of it. compute: inputs
    by name to m3/s, to a share of a meter, or to m3 per unit of a log. steady_drain: inputs by name
    to a flow to the sewer beside what the meter sees [m3/s].
    """

    equation: str
    record: str
    limit_95: float
    limit_source: str
    compute: Callable[..., Any] | None
    steady_drain: Callable[..., Any] | None


def _rows(table: str) -> Iterator[dict[str, str]]:
    file = resources.files("sewer_audit.balance").joinpath("data", table)
    return csv.DictReader(file.read_text("utf-8").splitlines())


def _equation(name: str) -> Callable[..., Any] | None:
    return getattr(equations, name) if name else None


USES: Mapping[str, UseRecord] = MappingProxyType(
    {
        row["name"]: UseRecord(
            row["name"],
            float(row["limit_95"]),
            row["limit_source"],
            row["better"],
            row["evidence"],
            row["traps"],
            tuple(row["source"].split("; ")),
        )
        for row in _rows("uses.csv")
    }
)
"""Every kind of use by its name."""

FORMULAS: Mapping[tuple[str, str], WayFormula] = MappingProxyType(
    {
        (row["kind"], row["way"]): WayFormula(
            row["equation"],
            row["record"],
            float(row["limit_95"]),
            row["limit_source"],
            _equation(row["compute"]),
            _equation(row["steady_drain"]),
        )
        for row in _rows("ways.csv")
    }
)
"""(kind, way) to how it is worked out."""
