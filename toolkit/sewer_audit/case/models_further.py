"""[[further_measurement]] and [[further_balance]]: the same water measured again.

A further measurement takes no part in the expected discharge. A further balance says which
measurements see the same water, so that they test each other and a wrong one can be found.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import ClassVar, Literal

from pydantic import model_validator

from sewer_audit.case.models_records import Register
from sewer_audit.case.models_uses import Quantified
from sewer_audit.case.models_ways import INFLOW_WAYS, METER, WAYS, Way
from sewer_audit.case.values import Strict

EFFLUENT = "effluent"
"""What the record in the sewer is called in a further balance."""


class FurtherMeasurementTable(Quantified):
    """[[further_measurement]]: a volume that the balance knows already, known once more."""

    ROOM: ClassVar[str] = "further_measurement"
    kind: Literal[
        "meter", "cooling tower", "boiler and steam", "humidification", "water in product",
        "laundry evaporation", "irrigation", "tank evaporation", "trucked waste", "fraction",
        "per day",
    ] = "meter"  # fmt: skip
    credited: None = None
    same_meter_as: str | None = None

    @property
    def ways(self) -> tuple[Way, ...]:
        """The ways of knowing this kind [-]."""
        return INFLOW_WAYS["meter"] if self.kind == "meter" else WAYS[self.kind]

    @property
    def given(self) -> set[str]:
        """Keys that say how the volume is known; a meter named elsewhere is one as well [text]."""
        named = super().given
        return named - {"same_meter_as"} | set(METER) if "same_meter_as" in named else named

    @model_validator(mode="after")
    def _meter_elsewhere(self) -> FurtherMeasurementTable:
        if self.same_meter_as is None:
            return self
        if self.file is not None or self.error is not None:
            raise ValueError(
                "file or error beside same_meter_as; both stand with the meter that is named"
            )
        if self.way.name in ("meter of its own", "meters in and out") or self.drain is not None:
            raise ValueError(
                f"the meter of {self.same_meter_as!r} once more; state cycles, conductivities or "
                "a water share, for the same reads twice test nothing"
            )
        return self


class FurtherBalanceTable(Strict):
    """[[further_balance]]: what flows into a point and what flows out of it."""

    name: str
    into: list[str]
    out: list[str]
    source: str = ""

    @property
    def signs(self) -> dict[str, int]:
        """Name of every stream to 1 where it flows in and -1 where it flows out [-]."""
        return dict.fromkeys(self.into, 1) | dict.fromkeys(self.out, -1)

    @model_validator(mode="after")
    def _both_sides(self) -> FurtherBalanceTable:
        if not self.into or not self.out:
            raise ValueError(
                f"balance {self.name!r} has nothing on one side; name what flows in under into "
                "and what flows out under out"
            )
        named = [*self.into, *self.out]
        twice = sorted({each for each in named if named.count(each) > 1})
        if twice:
            raise ValueError(f"balance {self.name!r} names {twice[0]!r} twice; name it once")
        return self


def check_further(
    balances: Iterable[FurtherBalanceTable],
    measurements: Iterable[FurtherMeasurementTable],
    tables: dict[str, object],
    record: bool,
) -> None:
    """Refuse balances of what nobody measures, and measurements no balance uses."""
    balances, measurements = list(balances), list(measurements)
    if not balances and not measurements:
        return
    if EFFLUENT in tables or EFFLUENT in {each.name for each in measurements}:
        raise ValueError(
            f"{EFFLUENT!r} is the record in the sewer in every further balance; give the meter or "
            "use another name"
        )
    streams = [*tables, *(each.name for each in measurements)] + [EFFLUENT] * record
    used = {name for balance in balances for name in balance.signs}
    for balance in balances:
        for name in balance.signs:
            if name not in streams:
                raise ValueError(
                    f"balance {balance.name!r} names {name!r}, which nothing measures; known are "
                    f"{', '.join(streams)}"
                )
    names = [balance.name for balance in balances]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ValueError(f"two further balances are named {twice[0]!r}; each has its own name")
    owners = tables | {each.name: each for each in measurements}
    for each in measurements:
        if each.name not in used:
            raise ValueError(
                f"further measurement {each.name!r} stands in no further balance; name it under "
                "into or out of one, for it tests nothing alone"
            )
        if each.same_meter_as is not None and not _has_meter(owners.get(each.same_meter_as)):
            raise ValueError(
                f"{each.name!r} has the meter of {each.same_meter_as!r}, which has none; name an "
                "intake, use or further measurement with a file"
            )
    _each_meter_once(measurements, tables)


def _has_meter(table: object) -> bool:
    return table is not None and getattr(table, "file", None) is not None


def _each_meter_once(
    measurements: list[FurtherMeasurementTable], tables: dict[str, object]
) -> None:
    seen: dict[tuple[str, str], str] = {}
    further = {each.name for each in measurements}
    for name, table in (tables | {each.name: each for each in measurements}).items():
        registers = [table if isinstance(table, Register) else getattr(table, "reads", None)]
        registers.append(getattr(table, "drain", None))
        for register in registers:
            if register is None:
                continue
            for file in register.files:
                key = (file, register.columns.get("register", "register"))
                other = seen.setdefault(key, name)
                if other != name and {other, name} & further:
                    raise ValueError(
                        f"{name!r} reads the register of {other!r} ({file}) once more; the same "
                        "reads twice test nothing, so name the meter itself in the balance"
                    )
