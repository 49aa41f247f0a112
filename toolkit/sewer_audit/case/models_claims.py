"""Tables of a case file for the account, its payments and claims, and meters of other accounts."""

from __future__ import annotations

from datetime import date as Date
from decimal import Decimal, InvalidOperation
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, field_validator

from sewer_audit.case.models_records import known_columns
from sewer_audit.case.values import Duration, Months, Ratio, Strict
from sewer_audit.units import parse, to_si


def _exact(value: Any) -> Decimal:
    """A number as written: the shortest text of a float is what stood in the file."""
    if isinstance(value, Decimal):
        return value
    text = repr(value) if isinstance(value, float) else str(value).strip()
    try:
        number = Decimal(text)
    except InvalidOperation:
        number = Decimal("NaN")
    if isinstance(value, bool) or not number.is_finite():
        raise ValueError(f"{value!r} is no number; write for example 12 or 2.5")
    return number


def _strength(value: Any) -> Decimal:
    """A concentration with its unit, exact in milligrams a litre."""
    if not isinstance(value, str):
        raise ValueError(f"{value!r} has no unit; a strength is written as text, '320 mg/L'")
    return Decimal(f"{1000 * parse(value, 'concentration'):.9g}")


class SmallFile(Strict):
    """A small table beside the invoices: its file, and how it is to be read.

    The name of the file alone stands for { file = "..." }: our columns, dates as 2025-03-31.
    """

    file: str = Field(min_length=1)
    columns: dict[str, str] = Field(default_factory=dict)
    day_first: bool | None = None
    decimal: Literal[".", ","] | None = None
    sheet: str | None = None


class UseFile(SmallFile):
    """Earlier uses, and the unit their volumes are in."""

    unit: str | None = None

    @field_validator("unit")
    @classmethod
    def _volume(cls, unit: str | None) -> str | None:
        if unit is not None:
            to_si(1.0, unit, "volume")
        return unit


def _small_file(what: str, *known: str, table: type[SmallFile] = SmallFile) -> Any:
    """The type of a key that names such a table, whose columns are known."""

    def alone(value: Any) -> Any:
        return {"file": value} if isinstance(value, str) else value

    def check(stated: SmallFile) -> SmallFile:
        if known:
            known_columns(stated.columns, known, what)
        return stated

    return Annotated[table, BeforeValidator(alone), AfterValidator(check)]


Exact = Annotated[Decimal, BeforeValidator(_exact)]
Strength = Annotated[Decimal, BeforeValidator(_strength)]
ByInvoice = _small_file("facts of invoices")
Samples = _small_file("samples", "date", "parameter", "value", "unit", "flow")
EarlierUse = _small_file("earlier uses", "start", "end", "volume", table=UseFile)
Payments = _small_file("payments", "invoice", "paid_on", "amount", "under_protest")


class Dial(Strict):
    """What one count of a register stands for."""

    unit: str
    multiplier: Exact = Decimal(1)
    digits: int | None = Field(default=None, ge=2, le=12)

    @field_validator("unit")
    @classmethod
    def _volume(cls, unit: str) -> str:
        to_si(1.0, unit, "volume")
        return unit


class ReadsChange(Strict):
    """[[account.reads.change]]: a change of the meter whose reads the invoices print."""

    date: Date
    final_read: Exact  # of the old meter
    first_read: Exact  # of the new meter
    multiplier: Exact | None = None  # of the new meter; that of the old one if not stated


class PrintedReads(Dial):
    """[account.reads]: what one count of the printed reads stands for, where no [[intake]] says.

    With it the volume follows from the reads the invoices print, without reads of the site's own.
    """

    change: list[ReadsChange] = Field(default_factory=list)


class AccountTable(Strict):
    """[account]: what the schedule prices beside the volume, and whose reads the invoices print."""

    meter_size: str | None = None
    customer_class: str | None = None
    months: Exact | None = None  # months a bill stands for; told from its days if not stated
    counts: dict[str, Exact] = Field(default_factory=dict)
    strengths: dict[str, Strength] = Field(default_factory=dict)
    by_invoice: ByInvoice | None = None  # invoice, bill_date, meter_size, ..., what changes
    samples: Samples | None = None
    earlier_use: EarlierUse | None = None  # for a winter average
    read_of: str | None = None  # the [[intake]] whose reads the invoices print
    reads: PrintedReads | None = None
    source: str = ""


class ClaimTable(Strict):
    """[claim]: payments made, and what the local code says of windows and interest."""

    payments: Payments | None = None
    back_bill: Months | None = None  # how far undercharges may be billed back; no limit if absent
    counted_on: Literal["bill date", "period end", "payment"] = "bill date"
    interest_after: Duration = 0.0  # from payment until interest runs
    interest_per_year: Ratio | None = None  # simple; in place of the one under [rule]
    source: str = ""


class NeighbourTable(Dial):
    """[[neighbour]]: reads of a meter of another account, whose reads may have been billed here."""

    account: str
    file: str
    columns: dict[str, str] = Field(default_factory=dict)
    day_first: bool | None = None
