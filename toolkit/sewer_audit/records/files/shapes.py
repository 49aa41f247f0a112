"""Tables that lie otherwise than one row for each time, turned into that, line by line."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from sewer_audit.records.clock.stamps import MONTHS, StampFault, parse_stamp
from sewer_audit.records.files.headings import Heading
from sewer_audit.records.files.tables import column_place
from sewer_audit.records.model import ROLES, ColumnSpec, Findings, Table

MANY = 5
"""Headings of one kind beside a named one that show a table whose times stand across [-]."""
_HOUR = re.compile(
    r"(?i)(?:HE|HR?|hour)?[ _]*(\d{1,2})(?:[:.h]?([0-5]\d)(?::00)?)?[ _]*([ap]\.?m\.?)?"
)
_DAY = re.compile(r"(?i)(?:day|d)?[ _]*(\d{1,2})(?:st|nd|rd|th)?\.?")
_MONTH = re.compile(r"((?:19|20)\d\d)?[- /]*([A-Za-z]{3,9})\.?[- /]*((?:19|20)?\d\d)?")
_MONTH_NUMBER = re.compile(r"((?:19|20)\d\d)[-/. ](\d{1,2})|(\d{1,2})[-/. ]((?:19|20)\d\d)")
_SUMS = re.compile(r"(?i)(total|sum|mean|average|avg|min(imum)?|max(imum)?|peak|low|high)\b.*")
"""Headings and labels of sums that people write beside and below such a table."""


@dataclass(frozen=True)
class Shape:
    """How a table lies.

    across: What stands in its headings: "hours", "days", "months" or "dates"; the first columns
    say the rest. tag, value, unit: Columns of a table with a row for each value, which names what
    it is of. year: Of months written without one.
    """

    across: str = ""
    tag: str = ""
    value: str = ""
    unit: str = ""
    year: int | None = None
    day_first: bool | None = None


TAGS = frozenset("tag tagname parameter variable point sensor channel signal series table".split())
UNITS = frozenset("unit units uom eu".split())
"""Words in the heading of a column that says what each value is of, or its unit."""


class _No(ValueError):
    """A text that is not what it should be."""


def _hour(text: str, shape: Shape) -> str:
    match = _HOUR.fullmatch(text.strip())
    if match is None:
        raise _No(f"{text!r} is no time of day")
    hour, minute = int(match[1]), int(match[2] or 0)
    if match[3]:
        hour = hour % 12 + 12 * (match[3][0] in "pP")
    if hour > 24 or (hour == 24 and minute):
        raise _No(f"{text!r} is no time of day")
    return f"{hour:02d}:{minute:02d}"


def _day(text: str, shape: Shape) -> str:
    match = _DAY.fullmatch(text.strip())
    if match is None or not 1 <= int(match[1]) <= 31:
        raise _No(f"{text!r} is no day of a month")
    return f"{int(match[1]):02d}"


def _month(text: str, shape: Shape) -> str:
    written = re.sub(r"[ T]00:00(:00)?$", "", text.strip())
    match, numbers = _MONTH.fullmatch(written), _MONTH_NUMBER.fullmatch(written)
    if re.fullmatch(r"\d{4}-\d\d-01", written):
        return written[:7]
    if match and match[2].lower() in MONTHS:
        year, month = match[1] or match[3], MONTHS[match[2].lower()]
    elif numbers:
        year, month = numbers[1] or numbers[4], int(numbers[2] or numbers[3])
    elif shape.year and written.isdigit():
        year, month = None, int(written)
    else:
        raise _No(f"{text!r} is no month")
    if year is None and shape.year is None:
        raise _No(f"{text!r} has no year; write arranged = {{ across = ..., year = 2026 }}")
    if not 1 <= month <= 12:
        raise _No(f"{text!r} is no month")
    full = int(year) if year else int(shape.year or 0)
    return f"{full + 2000 * (full < 100):04d}-{month:02d}"


def _date(text: str, shape: Shape) -> str:
    try:
        return f"{parse_stamp(text, shape.day_first).moment:%Y-%m-%d}"
    except StampFault as fault:
        raise _No(f"{fault}; {fault.remedy}") from None


ACROSS = {
    "hours": (_hour, _date, "{row} {head}"),
    "days": (_day, _month, "{row}-{head} 00:00"),
    "months": (_month, _day, "{head}-{row} 00:00"),
    "dates": (_date, _hour, "{head} {row}"),
}
"""What stands in the headings: how they are read, how the rows are, and both as one stamp."""


def refuse_shape(
    header: Sequence[str], names: Sequence[str], line: int, findings: Findings
) -> None:
    """Refuse to read one heading of a table whose times stand across as if it were a column."""
    numbers = {int(cell) for cell in header if cell.strip().isdigit()}
    counted = {"days": set(range(1, 29)), "hours": set(range(1, 24)) if 28 not in numbers else {-1}}
    for kind, (read, _, _) in ACROSS.items():
        alike = [cell for cell in header if cell.strip() and _fits(read, cell)]
        if counted.get(kind, {-1}) <= numbers:
            alike = [cell for cell in header if cell.strip().isdigit()]
        elif kind == "days" or len(alike) < (2 if kind == "months" else MANY):
            continue
        named = [name for name in names if name in alike]
        if named:
            findings.add(
                f"{len(alike)} headings are {kind}: each row holds many times, and only those of "
                "one heading would be read",
                f"Write arranged = {{ across = {kind!r} }} beside columns",
                line=line,
                column=named[0],
                code="shape",
            )
            findings.raise_if_refused()


def refuse_mixture(
    header: Sequence[str],
    rows: Sequence[Sequence[str]],
    named: Sequence[str],
    columns: Mapping[str, ColumnSpec],
    line: int,
    findings: Findings,
) -> None:
    """Refuse a column of values of several things, or of several units, as if it were one."""
    for place, heading in enumerate(header):
        words = set(re.findall(r"[a-z]+", heading.casefold()))
        if heading in named or not words & (TAGS | UNITS):
            continue
        held = list(dict.fromkeys(row[place].strip() for row in rows if place < len(row)))
        held = [each for each in held if each]
        counted = all(each.isdigit() for each in held)
        if (counted and (words & UNITS or len(held) > 6)) or any(
            not each.isdigit() and re.fullmatch(r"[\d.,+-]*", each) for each in held
        ):
            continue  # figures of its own, no names
        if words & UNITS and len(held) == len(columns) == 1:
            role, spec = next(iter(columns.items()))
            told = Heading(f"{spec.name} ({held[0]})", line, heading)
            told.check(spec.unit, ROLES[role], spec.because, findings)
        elif len(held) > 1:
            told = ", ".join(map(repr, held[:6]))
            remedy = (
                "Write arranged = { tag = '...', value = '...' } and name the tags under columns"
            )
            if words & UNITS:
                remedy = "Cut the file in parts of one unit each, or export it in one unit"
            findings.add(
                f"the column {heading!r} names several things: {told}; their values would be read "
                "as one series",
                remedy,
                line=line,
                column=heading,
                code="shape",
            )
            findings.raise_if_refused()


def _fits(read, text: str) -> bool:
    try:
        read(text, Shape(year=2000))
    except _No:
        return False
    return not text.strip().isdigit()


def tidied(
    table: Table,
    shape: Shape,
    labels: Sequence[str],
    name: str,
    further: Sequence[str],
    stamp: str,
    findings: Findings,
) -> Table:
    """The table as one row for each time.

    labels: Columns that hold the time, or the part of it that the headings do not say. name: What
    the column of values is called, or the tag it is taken of. further: Columns beside the value.
    """
    if shape.tag:
        return _of_tag(table, shape, [*labels, *further], name, findings)
    return _of_headings(table, shape, labels, name, stamp, findings)


def _of_tag(
    table: Table, shape: Shape, labels: Sequence[str], tag: str, findings: Findings
) -> Table:
    columns = [*labels, shape.tag, shape.value, *filter(None, [shape.unit])]
    places = [column_place(table, column, findings) for column in columns]
    findings.raise_if_refused()
    at, value = places[len(labels)], places[len(labels) + 1]
    counts = Counter(row[at].strip() for row in table.rows)
    if tag not in counts:
        findings.add(
            f"no row is of {tag!r}; there are " + ", ".join(map(repr, list(counts)[:20])),
            f"Name one of them as the name of the column, as it stands in {shape.tag!r}",
            column=shape.tag,
            code="shape",
        )
        findings.raise_if_refused()
    chosen = [place for place, row in enumerate(table.rows) if row[at].strip() == tag]
    unit = table.rows[chosen[0]][places[-1]].strip() if shape.unit else ""
    if shape.unit:
        other = next((n for n in chosen if table.rows[n][places[-1]].strip() != unit), None)
        if other is not None:
            findings.add(
                f"the unit of {tag!r} changes from {unit!r} to "
                f"{table.rows[other][places[-1]].strip()!r}",
                "Cut the file in two before this line, and state the columns of each part under "
                "file_columns",
                line=table.lines[other],
                column=shape.unit,
                code="unit",
            )
    else:
        unit = table.units[value] if value < len(table.units) else ""
    left = len(table.rows) - len(chosen)
    others = ", ".join(repr(each) for each in list(counts)[:10] if each != tag)
    findings.flag(
        "rows of one tag",
        f"{len(chosen):,} rows of {tag!r} are read; {left:,} rows are of other tags"
        + (f": {others}" if left else ""),
        tag=tag,
        rows=len(chosen),
        others=left,
    )
    kept = [*places[: len(labels)], value]
    return replace(
        table,
        header=[*labels, tag],
        rows=[[table.rows[n][place] for place in kept] for n in chosen],
        lines=[table.lines[n] for n in chosen],
        units=[""] * len(labels) + [unit] if unit else [],
        counts={**table.counts, "rows": len(chosen), "other tags": left},
    )


def _of_headings(
    table: Table, shape: Shape, labels: Sequence[str], name: str, stamp: str, findings: Findings
) -> Table:
    _, read_row, form = ACROSS[shape.across]
    places = [column_place(table, label, findings) for label in labels]
    findings.raise_if_refused()
    heads = _heads(table, shape, places, findings)
    if any(head.startswith("24:") for head in heads.values()) and stamp == "interval start":
        findings.add(
            "an hour 24 does not start within its day",
            "Write stamp = 'interval end' where hours are counted 1 to 24",
            line=table.header_line,
            code="shape",
        )
    rows, lines, empty, sums = [], [], 0, 0
    for row, line in zip(table.rows, table.lines, strict=True):
        label = " ".join(row[place].strip() for place in places).strip()
        if _SUMS.fullmatch(label):
            sums += 1
            continue
        try:
            known = read_row(label, shape)
        except _No as fault:
            findings.add(
                str(fault), "Correct the label of the row", line=line, column=labels[0], code="time"
            )
            continue
        for place, head in heads.items():
            if not row[place].strip():
                empty += 1
                continue
            moment = form.format(row=known, head=head)
            if not _on_calendar(moment):
                findings.add(
                    f"{row[place].strip()!r} stands on {moment[:10]}, which is no day",
                    "Empty the cell, or correct the heading",
                    line=line,
                    column=table.header[place],
                    code="time",
                )
                continue
            rows.append([moment, row[place]])
            lines.append(line)
    told = f"each row holds up to {len(heads)} times across; {len(rows):,} values are read"
    told += f", {empty:,} cells are empty" if empty else ""
    told += f", {sums} rows of sums or means are left out" if sums else ""
    findings.flag("times across", told, values=len(rows), empty=empty, sums=sums)
    order = sorted(range(len(rows)), key=lambda n: rows[n][0])
    return replace(
        table,
        header=[" + ".join(labels), name],
        rows=[rows[n] for n in order],
        lines=[lines[n] for n in order],
        units=[],
        counts={**table.counts, "rows": len(rows), "sums": sums},
    )


def _heads(table: Table, shape: Shape, places: Sequence[int], findings: Findings) -> dict[int, str]:
    """Place of each heading that says a part of the time, and that part."""
    read, heads, beside = ACROSS[shape.across][0], {}, []
    for place, heading in enumerate(table.header):
        if place in places or not heading.strip():
            continue
        try:
            heads[place] = read(heading, shape)
        except _No as fault:
            beside.append((heading, str(fault)))
    strange = [(heading, why) for heading, why in beside if not _SUMS.fullmatch(heading.strip())]
    if not heads or any(re.search(r"\d", heading) for heading, _ in strange):
        found = strange[0][1] if strange else "no heading is left"
        findings.add(
            f"across = {shape.across!r}, but {found}",
            "State what stands in the headings: hours, days, months or dates",
            line=table.header_line,
            code="shape",
        )
    elif beside:
        names = ", ".join(repr(heading) for heading, _ in beside[:10])
        findings.flag("columns not read", f"columns beside the times are not read: {names}")
    twice = [head for head, count in Counter(heads.values()).items() if count > 1]
    if twice:
        findings.add(
            f"two headings are {twice[0]}", "Correct one", line=table.header_line, code="shape"
        )
    findings.raise_if_refused()
    return heads


def _on_calendar(moment: str) -> bool:
    try:
        parse_stamp(moment)
    except StampFault:
        return False
    return True
