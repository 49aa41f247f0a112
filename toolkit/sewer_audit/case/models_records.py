"""The keys of a case that say how its files are read: tables, open standards, hand readings."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, ValidationError, field_validator, model_validator

from sewer_audit.case.values import Duration, Length, Strict, Uncertain, Volume, known_are
from sewer_audit.units import DIMENSIONS, UnitError, parse, to_si

__all__ = [
    "ROLES",
    "ClockCorrectionTable",
    "ColumnTable",
    "FurtherRegister",
    "InvoicesTable",
    "OneRegister",
    "RainGaugeTable",
    "RecordTable",
    "Register",
    "TextFile",
    "register_of",
    "unit_of",
]

REGISTER_COLUMNS = ("time", "date", "register", "read_type", "meter", "event", "multiplier")
INVOICE_COLUMNS = (
    "invoice",
    "start",
    "end",
    "billed_volume",
    "total",
    "previous_read",
    "current_read",
    "read_type",
    "kind",
    "replaces",
    "remark",
    "multiplier",
    "water_used",
    "deduct",
    "factor",
    "tax_base",
    "subtotal",
    "previous_balance",
    "payment",
    "credit",
    "bill_date",
    "due_date",
)
PLAIN_COLUMNS = ("time", "date", "event", "zone", "utc", "remark", "status")
"""Columns of a record that hold no value, so that they have a name but no unit."""

# role in a logger export: dimension of its values
ROLES = {
    "head": "length",
    "distance": "length",
    "echo_time": "time",
    "air_temperature": "temperature",
    "humidity": "ratio",
    "depth": "length",
    "velocity": "velocity",
    "downstream_head": "length",
    "flow": "discharge",
    "totaliser": "volume",
    "rain": "length",
}


def _humidity(text: Any) -> Any:
    """Share of saturation of what a case calls the air."""
    named = {"dry": 0.0, "saturated": 1.0}
    if str(text) in named:
        return named[str(text)]
    try:
        share = parse(str(text), "ratio")
    except UnitError as error:
        raise ValueError(f"{error}; write 'dry', 'saturated' or for example '40 %'") from None
    if not 0 <= share <= 1:
        raise ValueError(f"a relative humidity of {text} is none; it lies between 0 and 100 %")
    return share


Air = Annotated[float, BeforeValidator(_humidity)]


def unit_of(dimension: str):
    """A check that a key holds a unit of one dimension."""

    def check(cls: type, unit: str) -> str:
        to_si(1.0, unit, dimension)
        return unit

    return check


def known_columns(given: Iterable[str], known: tuple[str, ...], what: str) -> None:
    """Refuse a column that is not known, so that no misspelled name is passed over."""
    for name in given:
        if name not in known:
            raise ValueError(f"{what} have no column {name!r}; {known_are(what, name, known)}")


def _placed(name: Any) -> Any:
    """Name of a column; a whole number is its place."""
    return f"column {name}" if isinstance(name, int) and not isinstance(name, bool) else name


WRONG_UNIT = (
    "how it is known that the unit which the header of the file names is wrong and the case's is "
    "right; without it the two must agree [text]"
)
Name = Annotated[str, BeforeValidator(_placed)]
"""Name of a column in a file, or its place: 3 is "column 3"."""


class NamedFiles(Strict):
    """One file or several of one record."""

    file: str | list[str]

    @field_validator("file")
    @classmethod
    def _some(cls, file: str | list[str]) -> str | list[str]:
        if not file or (isinstance(file, list) and not all(file)):
            raise ValueError("no file named; write for example file = 'export.csv'")
        return file

    @property
    def files(self) -> list[str]:
        """Every file named [text]."""
        return [self.file] if isinstance(self.file, str) else list(self.file)


class TextFile(NamedFiles):
    """How a text file or a sheet is to be read, where it cannot be told from the file itself."""

    sheet: str | None = None
    day_first: bool | None = None
    decimal: Literal[".", ","] | None = None
    columns: dict[str, Name] = Field(default_factory=dict)
    unit_because: str = Field("", description=WRONG_UNIT)


class InvoicesTable(TextFile):
    """[invoices]: one row per invoice; columns kind and replaces tell corrections and credits."""

    sheet: str | list[str] | None = Field(  # type: ignore[assignment]
        None, description="sheet of a workbook, or a list of sheets of one workbook"
    )
    printed: str | None = Field(
        None,
        description="figures.csv that 'sewer-audit read-bills' wrote: page, place and picture of "
        "every printed figure; bills and pictures go into the evidence folder",
    )
    volume_unit: str
    end_day_counts: bool
    read_hour: str = "00:00"
    overlapping_days: Literal["refuse", "examine"] = "refuse"  # examine: printed so, no slip
    charges: list[str] = Field(default_factory=list)  # whatever their names say
    not_charges: list[str] = Field(default_factory=list)  # columns of figures that are no charge
    other_services: list[str] = Field(default_factory=list)  # charges within the total
    usage_means: Literal["charged", "water", "net of deducts"] = Field(
        "charged",
        description="what billed_volume states: the charged volume, the water used before deducts "
        "and return factor, or the water used less deducts",
    )
    usage_printed_to: Volume | None = Field(
        None, description='step to which billed_volume is printed, such as "1 kgal" [volume]'
    )

    _unit = field_validator("volume_unit")(classmethod(unit_of("volume")))

    @model_validator(mode="after")
    def _sheets_of_one(self) -> InvoicesTable:
        if isinstance(self.sheet, list) and (len(self.files) > 1 or not self.sheet):
            raise ValueError("a list of sheets belongs to one workbook; name one file")
        return self

    @field_validator("read_hour")
    @classmethod
    def _hour(cls, text: str) -> str:
        try:
            datetime.strptime(text, "%H:%M")
        except ValueError:
            raise ValueError(f"{text!r} is no time of day; write for example '08:00'") from None
        return text

    @field_validator("columns")
    @classmethod
    def _columns(cls, columns: dict[str, str]) -> dict[str, str]:
        known_columns(columns, INVOICE_COLUMNS, "invoices")
        return columns


class OneRegister(TextFile):
    """One register of a meter: what it counts in and the form of its file."""

    form: Literal["table", "green button"] = "table"
    unit: str | None = None
    multiplier: float = Field(default=1.0, gt=0)
    digits: int | None = Field(default=None, ge=2, le=12)

    @field_validator("columns")
    @classmethod
    def _columns(cls, columns: dict[str, str]) -> dict[str, str]:
        known_columns(columns, REGISTER_COLUMNS, "reads of a register")
        return columns

    @field_validator("unit")
    @classmethod
    def _volume(cls, unit: str | None) -> str | None:
        return unit if unit is None else unit_of("volume")(cls, unit)

    @model_validator(mode="after")
    def _stated(self) -> OneRegister:
        if self.unit is None and self.form == "table":
            raise ValueError("the key 'unit' is missing; write for example unit = 'gal'")
        if self.form == "green button":
            for key in ("columns", "digits", "sheet", "decimal", "day_first"):
                if key in self.model_fields_set:
                    raise ValueError(f"{key} has no meaning for form 'green button'; leave it out")
            if self.multiplier != 1.0:
                raise ValueError("the file of form 'green button' holds volumes; no multiplier")
        return self


class FurtherRegister(OneRegister):
    """[[intake.further_register]]: another register of the meter, added to it or taken off."""

    name: str
    sign: Literal["add", "take off"] = "add"


class Register(OneRegister):
    """A meter whose register is read: file, unit, multiplier, digits and error."""

    error: Uncertain | None = None
    further_register: list[FurtherRegister] = Field(default_factory=list)

    @property
    def every_file(self) -> list[str]:
        """Files of all its registers [text]."""
        return [*self.files, *(file for each in self.further_register for file in each.files)]


def register_of(use: Any) -> Register | None:
    """Register of a metered use, of the keys that say how its file is read."""
    if use.file is None:
        return None
    given = use.model_dump(include=use.model_fields_set & set(Register.model_fields))
    try:
        return Register(**given)
    except ValidationError as error:
        detail = error.errors(include_url=False)[0]
        place = ".".join(str(part) for part in detail["loc"])
        message = detail["msg"].removeprefix("Value error, ")
        raise ValueError(f"{place + ': ' if place else ''}{message}") from None


class ColumnTable(Strict):
    """One column of a record: its name in the file, or the identifier of a series, and its unit."""

    name: Name = ""
    unit: str = ""
    unit_because: str = Field("", description=WRONG_UNIT)


class ClockCorrectionTable(Strict):
    """[[effluent.clock_correction]]: stamps known to be wrong by a whole amount."""

    start: str
    end: str
    shift: float

    @field_validator("shift", mode="before")
    @classmethod
    def _signed(cls, text: Any) -> float:
        try:
            return parse(text, "time")
        except UnitError as error:
            raise ValueError(f"{error}; positive where the clock was slow") from None


class RainGaugeTable(TextFile):
    """[effluent.rain_gauge]: rain in a file of its own; each amount fell since the stamp before."""

    time_zone: str | None = None
    columns: dict[str, Name | list[Name] | ColumnTable]  # type: ignore[assignment]

    @field_validator("columns")
    @classmethod
    def _rain(cls, columns: dict[str, Any]) -> dict[str, Any]:
        check_roles(columns, ("rain",))
        if "rain" not in columns:
            raise ValueError("no rain column named; write rain = { name = 'rain', unit = 'in' }")
        return columns


def check_roles(columns: dict[str, Any], known: Iterable[str]) -> None:
    """Refuse columns without a time, of unknown role, or without name or unit."""
    if "time" not in columns:
        raise ValueError("no time column named; write for example time = 'time'")
    for role, column in columns.items():
        if role in PLAIN_COLUMNS:
            if isinstance(column, ColumnTable):
                raise ValueError(f"column {role} has no unit; write {role} = {column.name!r}")
            continue
        if role not in known:
            raise ValueError(f"role {role!r} is not known; known are time, {', '.join(known)}")
        check_column(role, column)


def check_column(role: str, column: Any) -> None:
    """Refuse a column of values without a name, a unit, or with a unit of the wrong dimension."""
    example = DIMENSIONS[ROLES[role]][2].split()[-1]
    if not isinstance(column, ColumnTable):
        raise ValueError(
            f"column {role} has no unit; write {role} = {{ name = {column!r}, unit = {example!r} }}"
        )
    if not column.name or not column.unit:
        missing = "unit" if column.name else "name"
        raise ValueError(
            f"column {role} has no {missing}; write {role} = {{ name = '...', unit = {example!r} }}"
        )
    to_si(1.0, column.unit, ROLES[role])


def check_series(columns: dict[str, Any]) -> None:
    """Refuse series of a WaterML file that are of unknown role or not written as a table."""
    if not columns:
        raise ValueError("no series named; write for example flow = { name = 'its identifier' }")
    for role, column in columns.items():
        if role not in ROLES:
            raise ValueError(f"a series has no column {role!r}; known are {', '.join(ROLES)}")
        if not isinstance(column, ColumnTable):
            raise ValueError(
                f"series {role} is no table; write {role} = {{ name = {column!r} }}, with a unit "
                "only where the file has none"
            )
        if column.unit:
            to_si(1.0, column.unit, ROLES[role])


_TEXT_ONLY = ("sheet", "day_first", "decimal", "missing_marks", "may_be_missing", "file_columns")
READ_ALIKE = ("status", "missing_marks")
_CLOCK_ONLY = (
    "time_form",
    "zone_offsets",
    "clock_correction",
    "round_stamps_to",
    "stamp",
    "conflicts",
)
_CLOCK_ONLY += ("values", "status", "arranged")
_CLOCK_ONLY += ("time_form", "back_steps", "missing_hour")
KEYS_WITHOUT_MEANING = {
    "waterml": tuple(key for key in _TEXT_ONLY + _CLOCK_ONLY if key not in READ_ALIKE),
    "hand readings": (
        *("air", "event"),
        *_TEXT_ONLY[3:],
        *_CLOCK_ONLY,
        *("rain_gauge", "longest_bridge", "blanking_distance", "reference_distance", "screening"),
        "visit",
    ),
}
"""Form of a record: keys that would be passed over, so they are refused."""


class StatusTable(Strict):
    """[effluent.status]: what the codes of the record's own status column mean."""

    good: list[str] = Field(default_factory=list)
    doubtful: list[str] = Field(default_factory=list)
    bad: list[str] = Field(default_factory=list)
    estimated: list[str] = Field(default_factory=list)
    bits: dict[str, Literal["good", "doubtful", "bad", "estimated"]] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _one_meaning(self) -> StatusTable:
        named = [*self.good, *self.doubtful, *self.bad, *self.estimated]
        twice = sorted({code for code in named if named.count(code) > 1})
        if twice:
            raise ValueError(f"code {twice[0]!r} has two meanings; name it once")
        if not named and not self.bits:
            raise ValueError("state codes (good = ['0']), bits (bits = { 4 = 'bad' }), or both")
        for bit in self.bits:
            if not bit.isdigit() or int(bit) < 1 or int(bit) & (int(bit) - 1):
                raise ValueError(f"bit {bit!r} is no power of two; write for example '4'")
        return self


class ArrangedTable(Strict):
    """arranged: how a table lies that is not one row for each time."""

    across: Literal["hours", "days", "months", "dates"] | None = Field(
        None,
        description="what stands in the headings of a table whose times run across: hours (rows "
        "are dates), days (rows are months), months (rows are days), dates (rows are hours)",
    )
    year: int | None = Field(
        None, ge=1950, le=2100, description="year of months that are written without one [-]"
    )
    tag: str = Field(
        "",
        description="column that names what each value is of, in a table with a row for each "
        "value; the names of the columns are then tags",
    )
    value: str = Field("", description="column of the values of such a table")
    unit: str = Field("", description="column of the units of such a table, checked to be one")

    @model_validator(mode="after")
    def _one(self) -> ArrangedTable:
        if bool(self.tag) != bool(self.value) or bool(self.across) == bool(self.tag):
            raise ValueError(
                "state across = 'hours', or tag = 'Tag' and value = 'Value', one of them"
            )
        if self.year is not None and self.across not in ("days", "months"):
            raise ValueError("a year belongs to across = 'days' or 'months'")
        if self.unit and not self.tag:
            raise ValueError("a column of units belongs to tag and value")
        return self


class RecordTable(NamedFiles):
    """The keys of [effluent] that say how its record is read."""

    form: Literal["table", "waterml", "hand readings"] = "table"
    sheet: str | None = None
    day_first: bool | None = None
    decimal: Literal[".", ","] | None = None
    columns: dict[str, Name | list[Name] | ColumnTable]
    file_columns: dict[str, dict[str, ColumnTable]] = Field(default_factory=dict)
    reference_distance: Length | None = None
    blanking_distance: Length | None = None
    time_zone: str | None = None
    zone_offsets: dict[str, str] = Field(default_factory=dict)
    stamp: Literal["instant", "interval start", "interval end"] = "instant"
    values: Literal["instant", "interval mean", "interval maximum"] | None = None
    status: StatusTable | None = None
    arranged: ArrangedTable | None = Field(
        None, description="how the table lies where it is not one row for each time"
    )
    time_form: Literal["text", "epoch seconds", "epoch milliseconds", "day numbers"] = "text"
    round_stamps_to: Duration | None = None
    conflicts: Literal["reject", "first", "last"] = "reject"
    back_steps: Literal["refuse", "sort", "reject"] = "refuse"
    missing_hour: Literal["refuse", "reject"] = "refuse"
    clock_correction: list[ClockCorrectionTable] = Field(default_factory=list)
    longest_bridge: Duration = 1800.0
    allow_missing_periods: bool = False
    missing_marks: list[str] = Field(default_factory=list)
    not_missing: list[str] = Field(
        default_factory=list,
        description="numbers that look like marks of a missing value and are readings, such as "
        "'99.99' [text]",
    )
    may_be_missing: list[str] = Field(default_factory=list)
    screening: dict[str, Any] = Field(default_factory=dict)
    air: Air | None = None
    rain_gauge: RainGaugeTable | None = None

    @field_validator("columns")
    @classmethod
    def _of_form(cls, columns: dict[str, Any], info: Any) -> dict[str, Any]:
        form = info.data.get("form", "table")
        if form == "waterml":
            check_series(columns)
            return columns
        check_roles(columns, ROLES)
        values = [role for role in columns if role not in PLAIN_COLUMNS]
        if form == "hand readings" and values not in (["head"], ["depth"]):
            raise ValueError(f"hand readings are of head or of depth; named are {values}")
        return columns

    @field_validator("file_columns")
    @classmethod
    def _of_file(cls, given: dict[str, dict[str, ColumnTable]], info: Any) -> dict[str, Any]:
        file, columns = info.data.get("file", ()), info.data.get("columns", {})
        for name, own in given.items():
            if name not in ([file] if isinstance(file, str) else file):
                raise ValueError(f"{name!r} is no file of this record; write a name as under file")
            for role, column in own.items():
                if role not in columns or role in PLAIN_COLUMNS:
                    raise ValueError(f"{role!r} is no role named under columns; name it there too")
                check_column(role, column)
        return given

    @field_validator("not_missing")
    @classmethod
    def _numbers(cls, given: list[str]) -> list[str]:
        for mark in given:
            try:
                float(mark)
            except ValueError:
                raise ValueError(f"{mark!r} is no number; write for example '99.99'") from None
        return given

    @field_validator("may_be_missing")
    @classmethod
    def _named(cls, given: list[str], info: Any) -> list[str]:
        for role in given:
            if role not in info.data.get("columns", {}) or role in PLAIN_COLUMNS:
                raise ValueError(f"{role!r} is no role named under columns; leave it out")
        return given

    @model_validator(mode="after")
    def _keys_of_form(self) -> RecordTable:
        if ("zone" in self.columns) != bool(self.zone_offsets):
            raise ValueError(
                "a zone column and zone_offsets belong together; write zone = 'tz' under columns "
                "and zone_offsets = { EST = 'UTC-05:00' }"
            )
        if self.air is not None and ("echo_time" not in self.columns or "humidity" in self.columns):
            why = "its own column of humidity" if "humidity" in self.columns else "no echo time"
            raise ValueError(f"air has no meaning for a record with {why}; leave it out")
        self._kind_of_values()
        if self.arranged is not None and self.arranged.across:
            if len(self.value_roles) > 1 or set(self.columns) - {"time", *self.value_roles}:
                raise ValueError(
                    "a table with times across holds one kind of value beside the labels of its "
                    "rows; name time and one column"
                )
            if self.time_form != "text":
                raise ValueError("time_form has no meaning where the times run across")
        if self.form != "waterml" and ("status" in self.columns) != (self.status is not None):
            raise ValueError(
                "a status column and what its codes mean belong together; write status = 'Status' "
                "under columns and good = ['0'], bad = ['2'] under [effluent.status]"
            )
        for key in KEYS_WITHOUT_MEANING.get(self.form, ()):
            if key in self.model_fields_set:
                raise ValueError(f"{key} has no meaning for form {self.form!r}; leave it out")
        return self

    def _kind_of_values(self) -> None:
        """Refuse values that are no flow, or that the stamp contradicts."""
        if self.values == "interval maximum":
            raise ValueError(
                "the highest value of each interval is no flow of it; export means or instants"
            )
        if self.values == "interval mean" and self.stamp == "instant":
            raise ValueError(
                "means stand for an interval; write stamp = 'interval end' or 'interval start' "
                "beside values"
            )
        if self.values == "instant" and self.stamp != "instant":
            raise ValueError(
                f"values that are instants have no {self.stamp}; leave stamp out, or write "
                "values = 'interval mean'"
            )

    @property
    def value_roles(self) -> list[str]:
        """Roles of the columns that hold values [text]."""
        return [role for role in self.columns if role not in PLAIN_COLUMNS]

    @property
    def clock(self) -> dict[str, str]:
        """What to do with rows of one time and with clocks that go back or skip [text]."""
        names = ("conflicts", "back_steps", "missing_hour")
        return {name: getattr(self, name) for name in names}
