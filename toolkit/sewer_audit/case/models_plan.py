"""[plan]: the site, the flows expected, costs and stakes, for planning a measurement."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from sewer_audit.case.values import (
    Discharge,
    Duration,
    Length,
    Persistence,
    Ratio,
    Strict,
    Uncertain,
)
from sewer_audit.units import to_si

FAMILIES = (
    "trap with full-pipe meter",
    "parshall flume",
    "h flume",
    "v-notch weir",
    "rectangular weir",
    "cipolletti weir",
    "area velocity",
    "manning",
)
"""Kinds of measurement a plan compares; costs are stated by these words."""


class Range(Strict):
    """An amount known within limits, in the currency of [display]."""

    low: float = Field(ge=0)
    high: float = Field(ge=0)

    @model_validator(mode="after")
    def _order(self) -> Range:
        if self.low > self.high:
            raise ValueError(f"low {self.low:g} is above high {self.high:g}; low comes first")
        return self

    @property
    def middle(self) -> float:
        """Middle of the range [money]."""
        return (self.low + self.high) / 2


class Price(Strict):
    """What one unit of billed volume costs."""

    amount: float = Field(gt=0)
    per: str

    @model_validator(mode="after")
    def _unit(self) -> Price:
        to_si(1.0, self.per, "volume")
        return self

    @property
    def per_m3(self) -> float:
        """Price of a cubic metre [money/m3]."""
        return self.amount / float(to_si(1.0, self.per, "volume"))


class PlanFlow(Strict):
    """[plan.flow]: discharge expected at the measuring point."""

    minimum: Discharge
    mean: Discharge
    peak: Discharge
    source: str = ""

    @model_validator(mode="after")
    def _order(self) -> PlanFlow:
        if not 0 <= self.minimum < self.mean < self.peak:
            raise ValueError(
                "minimum, mean and peak do not rise; the mean lies between the other two and the "
                "minimum is zero or more"
            )
        return self


class PlanCost(Strict):
    """[[plan.cost]]: what one kind of measurement costs at this site."""

    family: Literal[FAMILIES]  # type: ignore[valid-type]
    install: Range
    per_month: Range = Range(low=0, high=0)
    per_visit: Range = Range(low=0, high=0)
    source: str = ""


class PlanCause(Uncertain):
    """[[plan.cause]]: an uncertain cause of the planned measurement, in place of a default."""

    name: str
    persistence: Persistence | None = None  # type: ignore[assignment]

    @model_validator(mode="after")
    def _known(self) -> PlanCause:
        from sewer_audit.case.models import CAUSES

        if self.name not in CAUSES:
            raise ValueError(f"cause {self.name!r} is not known; known are {', '.join(CAUSES)}")
        self.standard_in(CAUSES[self.name])
        return self


class PlanTable(Strict):
    """[plan]: what to install, how long to monitor, and whether it is worth it."""

    diameter: Length | None = None
    slope: Ratio | None = None
    roughness: float = Field(default=0.013, gt=0, lt=0.2)
    available_drop: Length | None = None
    largest_depth: Length | None = None
    approach_width: Length | None = None
    solids: Literal["none", "some", "heavy"] | None = None
    interval: Duration = 300.0
    visit_every: Duration | None = None
    hand_standard: Length = 0.003
    reference_distance: Length | None = None
    months: int = Field(default=12, ge=1, le=36)
    flow: PlanFlow | None = None
    cost: list[PlanCost] = Field(default_factory=list)
    cause: list[PlanCause] = Field(default_factory=list)
    shortfall: Uncertain | None = None
    price: Price | None = None
    future_months: int = Field(default=24, ge=0, le=240)
    chance_of_refund: Ratio = 1.0
    chance_of_credit: Ratio = 1.0
    chance_of_higher_bill: Ratio = 1.0
    drift_share: Ratio = 0.1

    @model_validator(mode="after")
    def _whole(self) -> PlanTable:
        if self.shortfall is not None:
            self.shortfall.standard_in("ratio")
            self.shortfall.value_in("ratio")
        for name in ("diameter", "slope", "interval", "visit_every", "approach_width"):
            size = getattr(self, name)
            if size is not None and not size > 0:
                raise ValueError(f"{name} is {size:g}; it must be greater than zero")
        for name in ("chance_of_refund", "chance_of_credit", "chance_of_higher_bill"):
            if not 0 <= getattr(self, name) <= 1:
                raise ValueError(f"{name} is no share; write it from 0 to 1, or '80 %'")
        families = [cost.family for cost in self.cost]
        twice = sorted({name for name in families if families.count(name) > 1})
        if twice:
            raise ValueError(f"the cost of {twice[0]!r} is stated twice; keep one")
        if not 0 < self.drift_share < 1:
            raise ValueError(f"drift_share is {self.drift_share:g}; write for example '10 %'")
        return self
