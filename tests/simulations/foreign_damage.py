"""Damaged inputs: seeded mutators for every kind of file, and a score of what the toolkit does.

What happens to files at a site, on a logger, at a biller and in between: cut off while copying,
saved in another encoding, sorted and saved by a spreadsheet program, two exports pasted into one,
a page of an error in place of a download, a folder in place of a file, figures with words in them.
Nothing here knows how the toolkit works inside; files are damaged as bytes, as text, or with the
standard libraries of their formats.

What has to come out: a refusal in the toolkit's own words (exit code 1), or the job done (exit code
0). What must not: a traceback, more than 10 s of work, more than 1 GB of memory, or figures that
changed although nothing new is noted (judged only where the damage can be recognised as such:
repeated rows, bytes that are no text, ... - a mistyped digit cannot).

    python foreign_damage.py --count 500 --seed 5000                  # the command line, as a user
    python foreign_damage.py --count 1000 --seed 5000 --in-process    # the library, a fork for each
    python foreign_damage.py --metamorphic                            # same data in other forms
    python foreign_damage.py --list                                   # the mutators

A mutation is fixed by its seed alone: the seed draws the case, the file and the mutator. Seeds 1 to
999 are for mending, 5000 on for a run of the record. `--out FILE` writes one JSON line for each.

The metamorphic mode writes the same data in another form (workbook with dates as dates, UTF-16,
another order of rows, two files, other separators, ...): the findings must be identical, `inputs`
apart. Exit code 0 if all is as it must be, else 1.

Memory is the largest resident size of the process (of the whole tree, as far as it was waited for).
"""

from __future__ import annotations

import argparse
import contextlib
import csv
import datetime as dt
import importlib
import io
import json
import os
import re
import runpy
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
import warnings
import zipfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from foreign_forgeries import (
    HOME,
    PACKAGE,
    NotApplicableError,
    command,
    environment,
    other_digit,
    put,
)
from foreign_forgeries import leaves as json_leaves

SLOWEST = 10.0  # seconds of work
STOPPED = 60.0  # seconds on the clock until a run is stopped (the machine may be shared)
LARGEST = 1024.0  # MB
DRAWS = 100  # of the audits that show whether figures changed

# --- the cases that are damaged -------------------------------------------------------------------


def sample_folder() -> Path:
    """Return the folder that holds sample_bills."""
    for start in (HOME, Path.cwd(), Path(__file__).resolve().parent):
        for folder in (start, *start.parents):
            if (folder / "sample_bills").is_dir():
                return folder
    raise SystemExit("no folder sample_bills above the package, this file or the current folder")


def from_sample(name: str, log: str, folder: Path) -> None:
    """Copy a sample with its log beside it, every fourth reading only."""
    root = sample_folder()
    shutil.copytree(root / "sample_bills" / name, folder)
    case = folder / "case.toml"
    case.write_text(case.read_text("utf-8").replace("../../sample_logs/", ""), "utf-8")
    lines = (root / "sample_logs" / log).read_text("utf-8").splitlines(keepends=True)
    (folder / log).write_text("".join([lines[0], *lines[1::4]]), "utf-8")


LAUNDRY_CASE = """\
[case]
title = "Wexholm Linen Service, sewer account 51 of the Town of Tarnbeck"
time_zone = "America/Denver"
basis = "intake"
return_factor = 0.92

[display]
volume = "kgal"
discharge = "gpm"
head = "in"
money = "USD"

[invoices]
file = "invoices.csv"
volume_unit = "kgal"
read_hour = "08:00"
end_day_counts = false

[rates]
file = "rates.toml"

[account]
samples = "samples.csv"
by_invoice = "by_invoice.csv"
[account.reads]
unit = "gal"
multiplier = 100
digits = 6

[claim]
payments = "payments.csv"
back_bill = "24 months"
counted_on = "bill date"
interest_per_year = "3 %"
interest_after = "30 days"

[[intake]]
meter = "main"
role = "supply"
form = "green button"
unit = "gal"
file = "main_meter.xml"
error = { expanded = "2 %", coverage_factor = 2, source = "judgement: meter three years old" }

[[use]]
name = "boiler make-up"
kind = "deduct meter"
file = "boiler.csv"
unit = "gal"
multiplier = 10
digits = 6
error = { expanded = "3 %", coverage_factor = 2, source = "judgement: not tested" }
credited = false

[[use]]
name = "drying"
kind = "laundry evaporation"
log = { file = "linen.csv", unit = "lb", columns = { time = "day", amount = "dry linen" } }
retained = { value = "45 %", half_width = "10 %", shape = "rectangular", source = "judgement" }
credited = false

[effluent]
file = "record.csv"
method = "parshall flume"
throat = "6 in"
longest_bridge = "120 min"
back_steps = "sort"
source = "radar level over the flume, every half hour"

[effluent.columns]
time = "time"
head = { name = "head_m", unit = "m" }

[effluent.rain_gauge]
file = "rain.csv"
columns = { time = "time", rain = { name = "rain", unit = "in" } }

[[effluent.visit]]
time = "2026-01-20 10:30"
hand = "HAND mm"
instrument = "INSTRUMENT mm"
rezeroed = false

[rule]
tolerance = "5 %"
coverage = 0.95
look_back = "24 months"
dispute_days = 60
decided_on = 2026-03-20
"""

LAUNDRY_RATES = """\
[schedule]
name = "Sewer rates of the Town of Tarnbeck"
currency = "USD"
source = "invented: leaflet 2026"
rate_change = "by end"
end_day_counts = false
line_rounding = { to = 0.01, rule = "half up" }
total_rounding = { to = 0.01, rule = "half up" }

[[version]]
name = "2026"
effective = 2025-07-01
source = "invented: leaflet 2026"

[[version.volume]]
name = "sewer"
unit = "kgal"
basis = "intake"
return_factor = 0.92
rounding = { to = 0.1, rule = "half up" }

[[version.charge]]
name = "service charge"
kind = "fixed"
amount = 48.50
per = "bill"

[[version.charge]]
name = "volume charge"
kind = "volume"
volume = "sewer"
rate = 8.16

[[version.charge]]
name = "BOD"
line = "surcharge"
kind = "strength"
parameter = "BOD"
threshold = 250
rate = 0.31
rate_per = "lb"
load = { constant = 8.34, volume = "MG", mass = "lb" }
volume = "sewer"
"""


def laundry(folder: Path, *, record: str = "csv", invoices: str = "csv") -> None:
    """Write an invented laundry: every further kind of input, two invoices, the second too high."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng(81)
    start, step = dt.datetime(2026, 1, 4), dt.timedelta(minutes=30)
    times = [start + i * step for i in range(48 * 62)]
    hour = np.array([t.hour + t.minute / 60 for t in times])
    flow = np.where((hour >= 6) & (hour < 20), 70.0, 25.0) * rng.lognormal(
        0, 0.12, len(times)
    )  # gpm
    # a 6 in Parshall flume: 2.06 cfs at a head of 1 ft, power 1.58 (from memory)
    head = np.round((flow / 448.83 / 2.06) ** (1 / 1.58) * 0.3048, 4)
    rows = [(f"{t:%Y-%m-%d %H:%M}", f"{h:.4f}") for t, h in zip(times, head, strict=True)]
    text = LAUNDRY_CASE.replace("INSTRUMENT", f"{1000 * head[16 * 48 + 21]:.1f}")
    text = text.replace("HAND", f"{1000 * head[16 * 48 + 21] - 0.5:.1f}")
    if record == "waterml":
        text = text.replace('file = "record.csv"', 'file = "record.xml"\nform = "waterml"')
        text = text.replace('time = "time"\nhead', "head").replace('back_steps = "sort"\n', "")
        (folder / "record.xml").write_text(waterml("head_m", "m", times, rows), "utf-8")
    else:
        write_rows(folder / "record.csv", [("time", "head_m"), *rows])
    # the supply, by intervals of six hours; 1.5 % of it never reaches the sewer
    gallons = np.round((flow * 30 / 0.985).reshape(-1, 12).sum(axis=1)).astype(int)
    first = int(start.replace(tzinfo=ZoneInfo("America/Denver")).timestamp())
    (folder / "main_meter.xml").write_text(green_button(first, 21600, gallons), "utf-8")
    total = np.concatenate([[0], np.cumsum(gallons)])

    def gallons_at(moment: dt.datetime) -> int:
        return int(np.interp((moment - start).total_seconds() / 21600, range(len(total)), total))

    bills = ["invoice,start,end,previous_read,current_read,read_type,billed_volume,service charge"]
    bills[0] += ",volume charge,surcharge,total"
    facts, paid = ["invoice,bill_date"], ["invoice,paid_on,amount,under_protest"]
    samples = ["date,parameter,value,unit"]
    ends = [dt.datetime(2026, 1, 6, 8), dt.datetime(2026, 2, 4, 8), dt.datetime(2026, 3, 5, 8)]
    for i, strength in enumerate((410, 380)):
        a, b, cent = ends[i], ends[i + 1], Decimal("0.01")
        volume = Decimal(gallons_at(b) - gallons_at(a)) / 1000 * Decimal("0.92")
        volume = volume.quantize(Decimal("0.1"), ROUND_HALF_UP) + 160 * i
        lines = [Decimal("48.50"), (volume * Decimal("8.16")).quantize(cent, ROUND_HALF_UP)]
        load = volume / 1000 * Decimal("8.34") * (strength - 250)
        lines.append((load * Decimal("0.31")).quantize(cent, ROUND_HALF_UP))
        reads = [4100000 + gallons_at(a), 4100000 + gallons_at(b)]
        bill = [f"W{26010 + i}", f"{a:%Y-%m-%d}", f"{b:%Y-%m-%d}", reads[0] // 100, reads[1] // 100]
        bills.append(",".join(map(str, [*bill, "actual", volume, *lines, sum(lines)])))
        facts.append(f"W{26010 + i},{b + dt.timedelta(days=2):%Y-%m-%d}")
        paid.append(f"W{26010 + i},{b + dt.timedelta(days=14):%Y-%m-%d},{sum(lines)},no")
        samples.append(f"{a + dt.timedelta(days=9):%Y-%m-%d},BOD,{strength},mg/L")
    named = {"invoices": bills, "by_invoice": facts, "payments": paid, "samples": samples}
    days = [start + dt.timedelta(days=d) for d in range(62)]
    named["linen"] = ["day,dry linen"]
    named["linen"] += [f"{d:%Y-%m-%d},{int(rng.integers(3000, 4200))}" for d in days]
    named["boiler"] = ["time,register"]
    named["boiler"] += [f"{d:%Y-%m-%d} 08:00,{7000 + 35 * i}" for i, d in enumerate(days)]
    named["rain"] = ["time,rain"]
    for day in days:
        wet = rng.random() < 0.15
        fall = rng.exponential(0.02, 24) * wet
        named["rain"] += [f"{day:%Y-%m-%d} {h:02d}:00,{fall[h]:.2f}" for h in range(24)]
    for name, lines_ in named.items():
        (folder / f"{name}.csv").write_text("\n".join(lines_) + "\n", "utf-8")
    if invoices == "xlsx":
        to_workbook(folder / "invoices.csv", folder / "invoices.xlsx")
        text = text.replace("invoices.csv", "invoices.xlsx")
        (folder / "invoices.csv").unlink()
    if invoices == "pdf":
        (folder / "invoices.pdf").write_bytes(printed_page((folder / "invoices.csv").read_text()))
        text = text.replace('"invoices.csv"', '"invoices.pdf"')
        (folder / "invoices.csv").unlink()
    (folder / "case.toml").write_text(text, "utf-8")
    (folder / "rates.toml").write_text(LAUNDRY_RATES, "utf-8")


def waterml(name: str, unit: str, times: list[dt.datetime], rows: list[tuple[str, str]]) -> str:
    """Return a series as WaterML 2.0 with the offset of the zone (Denver, winter)."""
    points = "".join(
        f"<wml2:point><wml2:MeasurementTVP><wml2:time>{t:%Y-%m-%dT%H:%M:%S}-07:00</wml2:time>"
        f"<wml2:value>{row[1]}</wml2:value></wml2:MeasurementTVP></wml2:point>\n"
        for t, row in zip(times, rows, strict=True)
    )
    return f"""<?xml version="1.0" encoding="UTF-8"?>
<wml2:Collection xmlns:wml2="http://www.opengis.net/waterml/2.0"
 xmlns:gml="http://www.opengis.net/gml/3.2" xmlns:om="http://www.opengis.net/om/2.0"
 xmlns:xlink="http://www.w3.org/1999/xlink" gml:id="c1">
<wml2:observationMember><om:OM_Observation gml:id="{name}">
<om:observedProperty xlink:href="{name}" xlink:title="{name}"/>
<om:result><wml2:MeasurementTimeseries gml:id="{name}.values">
<wml2:defaultPointMetadata><wml2:DefaultTVPMeasurementMetadata><wml2:uom code="{unit}"/>
</wml2:DefaultTVPMeasurementMetadata></wml2:defaultPointMetadata>
{points}</wml2:MeasurementTimeseries></om:result></om:OM_Observation></wml2:observationMember>
</wml2:Collection>
"""


def green_button(first: int, seconds: int, amounts: Any) -> str:
    """Return interval data of the water service: gallons, as the ESPI schema writes them."""
    readings = "".join(
        f"<IntervalReading><timePeriod><duration>{seconds}</duration>"
        f"<start>{first + seconds * i}</start></timePeriod><value>{v}</value></IntervalReading>\n"
        for i, v in enumerate(amounts)
    )
    return f"""<?xml version="1.0" encoding="UTF-8"?>
<feed xmlns="http://www.w3.org/2005/Atom">
<entry><content><ReadingType xmlns="http://naesb.org/espi">
<accumulationBehaviour>4</accumulationBehaviour><commodity>9</commodity>
<intervalLength>{seconds}</intervalLength><powerOfTenMultiplier>0</powerOfTenMultiplier>
<uom>128</uom></ReadingType></content></entry>
<entry><content><IntervalBlock xmlns="http://naesb.org/espi">
<interval><duration>{seconds * len(amounts)}</duration><start>{first}</start></interval>
{readings}</IntervalBlock></content></entry>
</feed>
"""


def printed_page(text: str) -> bytes:
    """Return a one-page PDF with the lines of a text, written by hand."""
    lines = "".join(f"({line[:90]}) Tj 0 -14 Td\n" for line in text.splitlines())
    stream = f"BT /F1 9 Tf 40 780 Td\n{lines}ET".encode("latin-1")
    parts = [
        b"<< /Type /Catalog /Pages 2 0 R >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 595 842] /Contents 4 0 R "
        b"/Resources << /Font << /F1 5 0 R >> >> >>",
        b"<< /Length %d >>\nstream\n%s\nendstream" % (len(stream), stream),
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica >>",
    ]
    out, places = b"%PDF-1.4\n", []
    for number, part in enumerate(parts, 1):
        places.append(len(out))
        out += b"%d 0 obj\n%s\nendobj\n" % (number, part)
    table = b"".join(b"%010d 00000 n \n" % place for place in places)
    head = b"xref\n0 %d\n0000000000 65535 f \n%s" % (len(parts) + 1, table)
    tail = b"trailer << /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n" % (
        len(parts) + 1,
        len(out),
    )
    return out + head + tail


def write_rows(path: Path, rows: list[Any]) -> None:
    """Write rows as plain CSV."""
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows(rows)


def read_rows(path: Path) -> list[list[str]]:
    """Read plain CSV."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.reader(file))


STAMP = re.compile(r"\d{4}-\d\d-\d\d( \d\d:\d\d(:\d\d)?)?")


def as_cell(text: str) -> Any:
    """Return a text as a spreadsheet program would store it."""
    if STAMP.fullmatch(text):
        moment = dt.datetime.fromisoformat(text)
        return moment if " " in text else moment.date()
    if re.fullmatch(r"-?\d+", text):
        return int(text)
    if re.fullmatch(r"-?\d+\.\d+", text):
        return float(text)
    return text or None


def to_workbook(source: Path, target: Path) -> None:
    """Write CSV as a workbook with dates as dates and numbers as numbers."""
    from openpyxl import Workbook

    book = Workbook()
    for row in read_rows(source):
        book.active.append([as_cell(text) for text in row])
    book.save(target)


CASES: dict[str, Callable[[Path], None]] = {
    "hotel": lambda folder: from_sample("manning", "manning_log.csv", folder),
    "linen works": lambda folder: from_sample("area_velocity", "area_velocity_log.csv", folder),
    "laundry": laundry,
    "laundry, workbook": lambda folder: laundry(folder, invoices="xlsx"),
    "laundry, WaterML": lambda folder: laundry(folder, record="waterml"),
    "laundry, PDF": lambda folder: laundry(folder, invoices="pdf"),
}

# --- mutators -------------------------------------------------------------------------------------

Mutate = Callable[[Path, np.random.Generator], Any]


@dataclass(frozen=True)
class Mutator:
    """A way of damaging a file: for which endings, and whether the damage can be recognised."""

    name: str
    endings: tuple[str, ...]  # empty: any file
    mutate: Mutate
    recognisable: bool


MUTATORS: list[Mutator] = []


def mutator(name: str, *endings: str, recognisable: bool = True) -> Callable[[Mutate], Mutate]:
    """Enter a mutator; the function damages the file and may return what it did."""

    def enter(mutate: Mutate) -> Mutate:
        MUTATORS.append(Mutator(name, endings, mutate, recognisable))
        return mutate

    return enter


def pick(rng: np.random.Generator, things: Any) -> Any:
    """Return one of the things."""
    things = list(things)
    if not things:
        raise NotApplicableError
    return things[int(rng.integers(len(things)))]


def text_of(path: Path) -> str:
    """Return a text file, or say that it is none."""
    try:
        return path.read_bytes().decode("utf-8")
    except UnicodeDecodeError as error:
        raise NotApplicableError from error


# bytes of any file


@mutator("bytes: cut off", recognisable=False)
def _(path: Path, rng: np.random.Generator) -> Any:
    data = path.read_bytes()
    keep = pick(rng, (1, 2, 3, len(data) // 2, len(data) - 1, len(data) - 3, int(len(data) * 0.9)))
    path.write_bytes(data[: max(keep, 0)])
    return f"{keep} of {len(data)} bytes left"


@mutator("bytes: some flipped", recognisable=False)
def _(path: Path, rng: np.random.Generator) -> Any:
    data = bytearray(path.read_bytes())
    many = int(pick(rng, (1, 3, 20, max(1, len(data) // 100))))
    for place in rng.integers(len(data), size=many):
        data[place] ^= 1 << int(rng.integers(8))
    path.write_bytes(bytes(data))
    return f"{many} bytes"


@mutator("bytes: a block lost or twice", recognisable=False)
def _(path: Path, rng: np.random.Generator) -> Any:
    data = path.read_bytes()
    start = int(rng.integers(len(data)))
    block = data[start : start + int(pick(rng, (7, 512, 4096)))]
    twice = rng.random() < 0.5
    path.write_bytes(data[:start] + (block + block if twice else b"") + data[start + len(block) :])
    return f"{len(block)} bytes {'twice' if twice else 'lost'}"


@mutator("bytes: empty or blank")
def _(path: Path, rng: np.random.Generator) -> Any:
    data = pick(rng, (b"", b"\n", b" \n\n \n", b"\xef\xbb\xbf", b"\0" * 4096, b"\xff\xfe", b"\x1a"))
    path.write_bytes(data)
    return repr(data[:10])


@mutator("bytes: zeros")
def _(path: Path, rng: np.random.Generator) -> Any:
    data = path.read_bytes()
    start, many = int(rng.integers(len(data))), int(pick(rng, (1, 1, 16, 512)))
    over = rng.random() < 0.5  # in place of what stood there, as after a power cut
    path.write_bytes(data[:start] + b"\0" * many + data[start + (many if over else 0) :])
    return f"{many} zero bytes at {start}"


@mutator("bytes: another file")
def _(path: Path, rng: np.random.Generator) -> Any:
    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w") as book:
        book.writestr("a.txt", "a")
    name, data = pick(
        rng,
        (
            (
                "page of an error",
                b"<!DOCTYPE html><html><body><h1>502 Bad Gateway</h1></body></html>",
            ),
            ("plain archive", archive.getvalue()),
            ("old workbook", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 2000),
            ("PDF", printed_page("invoice,start,end")),
            ("gzip", b"\x1f\x8b\x08\x00" + bytes(rng.integers(0, 256, 300, dtype=np.uint8))),
            ("noise", bytes(rng.integers(0, 256, 5000, dtype=np.uint8))),
            ("JSON", b'{"error": "token expired"}'),
            ("picture", b"\x89PNG\r\n\x1a\n" + b"\0" * 200),
            ("words", b"see the other file\n"),
            ("pointer", b"version https://git-lfs.github.com/spec/v1\noid sha256:00\nsize 5\n"),
        ),
    )
    path.write_bytes(data)
    return name


@mutator("file: not a readable file")
def _(path: Path, rng: np.random.Generator) -> Any:
    way = pick(
        rng, ("folder", "full folder", "link to nothing", "link to itself", "none", "locked")
    )
    way = "pipe" if rng.random() < 0.1 and hasattr(os, "mkfifo") else way
    if way == "locked" and hasattr(os, "geteuid") and os.geteuid() == 0:
        way = "folder"  # nothing is locked for root
    if way == "locked":
        path.chmod(0)
        return way
    kept = path.read_bytes()
    path.unlink()
    if "folder" in way:
        path.mkdir()
        if way == "full folder":
            (path / path.name).write_bytes(kept)
    elif way == "pipe":
        os.mkfifo(path)
    elif way == "link to nothing":
        path.symlink_to("gone.dat")
    elif way == "link to itself":
        path.symlink_to(path.name)
    return way


# text of any text file

TEXT = (".csv", ".toml", ".xml", ".json", ".ipynb", ".html")


@mutator("text: encoding", *TEXT)
def _(path: Path, rng: np.random.Generator) -> Any:
    text = text_of(path)
    name = pick(rng, ("utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-8-sig", "cp500", "utf-7"))
    path.write_bytes(text.encode(name))
    return name


@mutator("text: letters of another code page", *TEXT)
def _(path: Path, rng: np.random.Generator) -> Any:
    text = text_of(path)
    places = [m.start() for m in re.finditer(r"[a-zA-Z ]", text)]
    place = pick(rng, places)
    piece = pick(
        rng, ("°".encode("latin-1"), b"\x80", b"\x93x\x94", b"\xc3", b"\xed\xa0\x80", b"\xff")
    )
    path.write_bytes(text[:place].encode() + piece + text[place:].encode())
    return f"{piece!r} at {place}"


@mutator("text: odd characters", *TEXT)
def _(path: Path, rng: np.random.Generator) -> Any:
    text = text_of(path)
    name, piece = pick(
        rng,
        (
            ("BOM in the middle", "\ufeff"),
            ("no-break space", "\u00a0"),
            ("zero-width space", "\u200b"),
            ("line separator", "\u2028"),
            ("next line", "\u0085"),
            ("form feed", "\f"),
            ("escape", "\x1b[31m"),
            ("right to left", "\u202e"),
            ("backspace", "\b"),
            ("end of file of old", "\x1a"),
            ("lone return", "\r"),
            ("emoji", "\U0001f4a7"),
        ),
    )
    place = int(rng.integers(len(text)))
    path.write_bytes((text[:place] + piece + text[place:]).encode())
    return f"{name} at {place}"


@mutator("text: line ends", *TEXT)
def _(path: Path, rng: np.random.Generator) -> Any:
    text = text_of(path).replace("\r\n", "\n")
    end = pick(rng, ("\r\n", "\r", "\n\n", "\r\r\n", "\n\r", " \n", ""))
    path.write_bytes(text.replace("\n", end).encode())
    return repr(end)


@mutator("text: a huge line", *TEXT)
def _(path: Path, rng: np.random.Generator) -> Any:
    lines = text_of(path).splitlines(keepends=True)
    piece = pick(rng, ("x", "9", ",", '"', "[", " ", "\t", "1,", "=")) * int(
        pick(rng, (200_000, 3_000_000))
    )
    lines.insert(int(rng.integers(len(lines) + 1)), piece + "\n")
    path.write_text("".join(lines), "utf-8")
    return f"{len(piece)} times {piece[:2]!r}"


@mutator("text: marks of a merge", *TEXT)
def _(path: Path, rng: np.random.Generator) -> Any:
    lines = text_of(path).splitlines(keepends=True)
    place = int(rng.integers(len(lines)))
    lines[place : place + 1] = [
        "<<<<<<< ours\n",
        lines[place],
        "=======\n",
        lines[place],
        ">>>>>>> theirs\n",
    ]
    path.write_text("".join(lines), "utf-8")
    return f"line {place + 1}"


@mutator(
    "text: lines lost, twice, exchanged", ".toml", ".xml", ".json", ".ipynb", recognisable=False
)
def _(path: Path, rng: np.random.Generator) -> Any:
    lines = text_of(path).splitlines(keepends=True)
    one, two = (int(i) for i in rng.integers(len(lines), size=2))
    way = pick(rng, ("lost", "twice", "exchanged"))
    if way == "lost":
        del lines[one]
    elif way == "twice":
        lines.insert(one, lines[one])
    else:
        lines[one], lines[two] = lines[two], lines[one]
    path.write_text("".join(lines), "utf-8")
    return f"line {one + 1} {way}"


# tables

ODD_CELLS = (
    *("12 in", "1O.5", "#REF!", "#DIV/0!", "NaN", "nan", "inf", "-inf", "-", "n/a", "null", "None"),
    *("1e400", "-1e400", "1e308", "1e-400", "-0", "0x10", "1_000", "1,234.5", "1.234,5", "1'234.5"),
    *(
        "\u22125",
        "\uff11\uff12",
        "\u0661\u0662",
        "1\u00a0234",
        "$ 12.50",
        "12 %",
        "(12.50)",
        "12-",
        "+-3",
    ),
    *(
        "9" * 500,
        "0." + "3" * 500,
        "=1+1",
        '=HYPERLINK("x")',
        "TRUE",
        "5.",
        ".5",
        "1 2",
        "1..2",
        "??",
    ),
    *("0000-00-00", "9999-12-31", "9999-12-31 23:59", "2026-02-30", "0001-01-01", "1677-09-20"),
    *(
        "2262-04-12 00:00",
        "1969-12-31",
        "2026-13-01",
        "2026-01-15 25:00",
        "2026-01-15 24:00",
        "46042.5",
    ),
    *(
        "2026-01-15T08:00Z",
        "2026-01-15 08:00+25:00",
        "03/04/2026",
        "15.01.26",
        "Jan 15 2026",
        "20260115",
    ),
    *(
        "99999-01-01",
        "-2026-01-01",
        "2026-01-15 08:00:60",
        "2026-01-15 08:00:00.123456789012",
        "\x00",
        '"',
    ),
    *(
        "",
        " ",
        "x" * 40_000,
        "<b>12</b>",
        "{12}",
        "actual; estimated",
        "__import__('os')",
        "%s%n",
        "\\N",
    ),
)


def changed_rows(path: Path, change: Callable[[list[list[str]]], Any]) -> Any:
    """Change the rows of a CSV file as a list."""
    rows = read_rows(path)
    if len(rows) < 2:
        raise NotApplicableError
    done = change(rows)
    write_rows(path, rows)
    return done


@mutator("table: an odd cell", ".csv", recognisable=False)
def _(path: Path, rng: np.random.Generator) -> Any:
    def change(rows: list[list[str]]) -> Any:
        place = int(rng.integers(1, len(rows)))
        column = int(rng.integers(len(rows[place])))
        rows[place][column] = pick(rng, ODD_CELLS)
        return f"{rows[place][column][:40]!r} at line {place + 1}, column {rows[0][column]}"

    return changed_rows(path, change)


@mutator("table: an odd column", ".csv", recognisable=False)
def _(path: Path, rng: np.random.Generator) -> Any:
    def change(rows: list[list[str]]) -> Any:
        column = int(rng.integers(len(rows[0])))
        cell = pick(rng, ODD_CELLS)[:500]
        first = int(pick(rng, (1, len(rows) // 2)))
        for row in rows[first:]:
            row[column] = cell
        return f"{rows[0][column]} is {cell[:40]!r} from line {first + 1}"

    return changed_rows(path, change)


@mutator("table: repeated rows", ".csv")
def _(path: Path, rng: np.random.Generator) -> Any:
    def change(rows: list[list[str]]) -> Any:
        start = int(rng.integers(1, len(rows)))
        many = int(pick(rng, (1, 3, len(rows) - start)))
        block = [list(row) for row in rows[start : start + many]]
        where = start + many if rng.random() < 0.6 else len(rows)
        rows[where:where] = block
        return f"{len(block)} rows from line {start + 1} stand again at {where + 1}"

    return changed_rows(path, change)


@mutator("table: repeated rows with other figures", ".csv")
def _(path: Path, rng: np.random.Generator) -> Any:
    def change(rows: list[list[str]]) -> Any:
        start = int(rng.integers(1, len(rows)))
        row = list(rows[start])
        columns = [i for i, c in enumerate(row) if re.fullmatch(r"\d+(\.\d+)?", c)]
        column = pick(rng, columns)
        row[column] = other_digit(row[column], rng)
        rows.insert(start + 1, row)
        return f"line {start + 1} again with {rows[0][column]} {row[column]}"

    return changed_rows(path, change)


@mutator("table: heading", ".csv")
def _(path: Path, rng: np.random.Generator) -> Any:
    def change(rows: list[list[str]]) -> Any:
        way = pick(
            rng, ("twice", "again", "lost", "same name", "blank name", "case", "spaces", "two rows")
        )
        head = rows[0]
        column = int(rng.integers(len(head)))
        if way == "twice":
            rows.insert(1, list(head))
        elif way == "again":
            rows.insert(int(rng.integers(1, len(rows))), list(head))
        elif way == "lost":
            del rows[0]
        elif way == "same name":
            head[column] = head[column - 1]
        elif way == "blank name":
            head[column] = ""
        elif way == "case":
            head[column] = head[column].upper()
        elif way == "spaces":
            head[column] = f"  {head[column]} "
        else:
            rows[0:0] = [["Export"], []]
        return f"{way}, column {column + 1}"

    return changed_rows(path, change)


@mutator("table: separators", ".csv")
def _(path: Path, rng: np.random.Generator) -> Any:
    lines = text_of(path).splitlines(keepends=True)
    mark = pick(rng, (";", "\t", "|", " ", ",,"))
    start = int(pick(rng, (0, 1, len(lines) // 2, len(lines) - 1)))
    lines[start:] = [line.replace(",", mark) for line in lines[start:]]
    path.write_text("".join(lines), "utf-8")
    return f"{mark!r} from line {start + 1}"


@mutator("table: decimal comma", ".csv")
def _(path: Path, rng: np.random.Generator) -> Any:
    lines = text_of(path).splitlines(keepends=True)
    start = int(pick(rng, (0, len(lines) // 2)))
    head = [line.replace(",", ";") for line in lines[:start]]
    tail = [re.sub(r"(\d)\.(\d)", r"\1,\2", line.replace(",", ";")) for line in lines[start:]]
    path.write_text("".join(head + tail), "utf-8")
    return f"from line {start + 1}"


@mutator("table: ragged, quotes", ".csv")
def _(path: Path, rng: np.random.Generator) -> Any:
    lines = text_of(path).splitlines()
    place = int(rng.integers(1, len(lines)))
    way = pick(
        rng, ("open quote", "more cells", "fewer cells", "only commas", "quoted", "note", "total")
    )
    line = lines[place]
    lines[place] = {
        "open quote": '"' + line,
        "more cells": line + ",7,8,9",
        "fewer cells": line.split(",")[0],
        "only commas": "," * line.count(","),
        "quoted": ",".join(f'"{cell}"' for cell in line.split(",")),
        "note": "# battery changed, see book",
        "total": "Total" + "," * line.count(",") + "99999",
    }[way]
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return f"{way}, line {place + 1}"


@mutator("table: rows lost", ".csv", recognisable=False)
def _(path: Path, rng: np.random.Generator) -> Any:
    def change(rows: list[list[str]]) -> Any:
        way = pick(rng, ("all", "all but one", "the second half", "a stretch", "last"))
        if way == "all":
            del rows[1:]
        elif way == "all but one":
            del rows[2:]
        elif way == "the second half":
            del rows[len(rows) // 2 :]
        elif way == "last":
            del rows[-1]
        else:
            start = int(rng.integers(1, len(rows)))
            del rows[start : start + max(1, len(rows) // 10)]
        return way

    return changed_rows(path, change)


@mutator("table: sorted by a spreadsheet", ".csv")
def _(path: Path, rng: np.random.Generator) -> Any:
    def change(rows: list[list[str]]) -> Any:
        way = pick(rng, ("shuffled", "backwards", "by the last column", "two exchanged"))
        body = rows[1:]
        if way == "shuffled":
            body = [body[i] for i in rng.permutation(len(body))]
        elif way == "backwards":
            body.reverse()
        elif way == "by the last column":
            body.sort(key=lambda row: row[-1])
        elif len(body) > 1:
            one = int(rng.integers(len(body) - 1))
            body[one], body[one + 1] = body[one + 1], body[one]
        rows[1:] = body
        return way

    return changed_rows(path, change)


@mutator("table: unit or scale changes half way", ".csv", recognisable=False)
def _(path: Path, rng: np.random.Generator) -> Any:
    def change(rows: list[list[str]]) -> Any:
        column = pick(rng, [i for i, c in enumerate(rows[-1]) if re.fullmatch(r"\d+(\.\d+)?", c)])
        factor = float(pick(rng, (25.4, 0.1, 1000, -1, 0)))
        for row in rows[len(rows) // 2 :]:
            with contextlib.suppress(ValueError, IndexError):
                row[column] = f"{float(row[column]) * factor:.6g}"
        return f"{rows[0][column]} times {factor:g}"

    return changed_rows(path, change)


@mutator("table: ten thousand columns", ".csv")
def _(path: Path, rng: np.random.Generator) -> Any:
    def change(rows: list[list[str]]) -> Any:
        rows[0] += [f"c{i}" for i in range(10_000)]
        return None

    return changed_rows(path, change)


@mutator("table: stamps moved", ".csv", recognisable=False)
def _(path: Path, rng: np.random.Generator) -> Any:
    def change(rows: list[list[str]]) -> Any:
        column = pick(rng, [i for i, c in enumerate(rows[-1]) if STAMP.fullmatch(c)])
        form = "%Y-%m-%d %H:%M" if ":" in rows[-1][column] else "%Y-%m-%d"
        start = int(rng.integers(1, len(rows)))
        way = pick(rng, ("a year on", "back an hour", "far ahead", "same stamp", "day first"))
        for row in rows[start:]:
            with contextlib.suppress(ValueError, IndexError, OverflowError):
                moment = dt.datetime.strptime(row[column], form)
                if way == "a year on":
                    row[column] = f"{moment + dt.timedelta(days=365):{form}}"
                elif way == "back an hour":
                    row[column] = f"{moment - dt.timedelta(hours=1):{form}}"
                elif way == "far ahead":
                    row[column] = f"{moment.replace(year=2400):{form}}"
                elif way == "same stamp":
                    row[column] = rows[start][column]
                else:
                    row[column] = f"{moment:%d/%m/%Y %H:%M}".replace(" 00:00", "")
        return f"{way} from line {start + 1}"

    return changed_rows(path, change)


# case and rates

ODD_VALUES = (
    *(
        '""',
        '" "',
        '"x"',
        "0",
        "-1",
        "1e400",
        "-1e400",
        "nan",
        "inf",
        "1e308",
        "1e-320",
        "true",
        "[]",
        "{}",
    ),
    *(
        "[1, 2]",
        "{ a = 1 }",
        "2026-02-28",
        "2026-01-01T00:00:00Z",
        "08:00:00",
        '"6 kg"',
        '"6"',
        '"6 in in"',
    ),
    *(
        '"-6 in"',
        '"0 in"',
        '"1e400 in"',
        '"nan in"',
        '"inf %"',
        '"6 in; 7 in"',
        '"6in"',
        '"6 IN"',
        '"six in"',
    ),
    *(
        "9" * 400,
        "1" + "0" * 5000,
        '"' + "9" * 400 + ' in"',
        '"' + "y" * 100_000 + '"',
        '"\\u0000"',
    ),
    *(
        '"$x^2$ \\\\alpha"',
        '"<script>alert(1)</script>"',
        '"a\\nb"',
        '"100 %"',
        '"1000 %"',
        '"% %"',
        '"2**9999 in"',
    ),
    *(
        '"10**9**9 in"',
        '"1/0 in"',
        '"in"',
        "\"__import__('os')\"",
        '"\u202e"',
        "[[[[[]]]]]",
        "0x7fffffffffffffff",
    ),
    *(
        '"1,5 in"',
        '"1 000 in"',
        '"\u00bd in"',
        '"6 \u2033"',
        '"5 degF"',
        '"5 m^(10**8)"',
        '"Etc/GMT+99"',
    ),
    *(
        '"../../../../etc/passwd"',
        '"/"',
        '"."',
        '".."',
        '"~"',
        '"*.csv"',
        '"con"',
        '"file:///x.csv"',
        '"a\\\\b.csv"',
    ),
    *(
        '"' + "n" * 300 + '.csv"',
        '"' + "d/" * 3000 + 'x.csv"',
        '"http://localhost/x.csv"',
        '"-"',
        '"/dev/stdin"',
    ),
    *(
        '"/dev/null"',
        '"x.csv\\u0000"',
        '"x\\n.csv"',
        '["a.csv", "a.csv"]',
        "[[]]",
        '[""]',
        "[1]",
        "{ file = 1 }",
    ),
)


@mutator("toml: an odd value", ".toml", recognisable=False)
def _(path: Path, rng: np.random.Generator) -> Any:
    lines = text_of(path).splitlines(keepends=True)
    fits = [i for i, line in enumerate(lines) if re.match(r'^\s*["\w][^#=\[]*=', line)]
    place = pick(rng, fits)
    key = lines[place].split("=")[0].rstrip()
    value = pick(rng, ODD_VALUES)
    lines[place] = f"{key} = {value}\n"
    path.write_text("".join(lines), "utf-8")
    return f"{key.strip()} = {value[:40]}, line {place + 1}"


@mutator("toml: an odd value inside", ".toml", recognisable=False)
def _(path: Path, rng: np.random.Generator) -> Any:
    text = text_of(path)
    inside = list(re.finditer(r'(?<=[{,] )(\w+ = )("[^"]*"|[\d.]+|true|false)', text))
    match = pick(rng, inside)
    value = pick(rng, ODD_VALUES)
    path.write_text(text[: match.start(2)] + value + text[match.end(2) :], "utf-8")
    return f"{match.group(1)}{value[:40]}"


@mutator("toml: a key", ".toml", recognisable=False)
def _(path: Path, rng: np.random.Generator) -> Any:
    lines = text_of(path).splitlines(keepends=True)
    place = pick(rng, [i for i, line in enumerate(lines) if re.match(r'^\s*["\w][^#=\[]*=', line)])
    key, _, value = lines[place].partition("=")
    way = pick(
        rng, ("deleted", "twice", "misspelt", "unknown", "dotted", "upper", "blank", "accented")
    )
    lines[place] = {
        "deleted": "",
        "twice": lines[place] * 2,
        "misspelt": f"{key.rstrip()}e ={value}",
        "unknown": f'{lines[place]}favourite_colour = "blue"\n',
        "dotted": f"{key.strip()}.a.b ={value}",
        "upper": f"{key.upper()}={value}",
        "blank": f'"" ={value}',
        "accented": f'"{key.strip().strip(chr(34))}\u0301" ={value}',
    }[way]
    path.write_text("".join(lines), "utf-8")
    return f"{key.strip()} {way}"


@mutator("toml: a heading", ".toml", recognisable=False)
def _(path: Path, rng: np.random.Generator) -> Any:
    lines = text_of(path).splitlines(keepends=True)
    place = pick(rng, [i for i, line in enumerate(lines) if line.startswith("[")])
    name = lines[place].split("]")[0].strip("[")
    way = pick(rng, ("list", "table", "deleted", "twice", "misspelt", "below", "closed badly"))
    lines[place] = {
        "list": f"[[{name}]]\n",
        "table": f"[{name}]\n",
        "deleted": "",
        "twice": f"[{name}]\n[{name}]\n",
        "misspelt": f"[{name}s]\n",
        "below": f"[x.{name}]\n",
        "closed badly": f"[{name}\n",
    }[way]
    path.write_text("".join(lines), "utf-8")
    return f"[{name}] {way}"


@mutator("toml: deep", ".toml")
def _(path: Path, rng: np.random.Generator) -> Any:
    deep = int(pick(rng, (200, 3000, 60_000)))
    way = pick(rng, ("lists", "tables", "dots", "headings", "in place of a value"))
    lines = text_of(path).splitlines(keepends=True)
    piece = {
        "lists": f"deep = {'[' * deep}{']' * deep}\n",
        "tables": f"deep = {'{ a = ' * deep}1{' }' * deep}\n",
        "dots": f"deep{'.a' * deep} = 1\n",
        "headings": f"[deep{'.a' * deep}]\n",
        "in place of a value": "",
    }[way]
    if piece:
        lines.insert(0 if way != "headings" else len(lines), piece)
    else:
        place = pick(rng, [i for i, line in enumerate(lines) if re.match(r"^\w+ = ", line)])
        lines[place] = f"{lines[place].split('=')[0]}= {'[' * deep}{']' * deep}\n"
    path.write_text("".join(lines), "utf-8")
    return f"{way}, {deep} deep"


@mutator("toml: many", ".toml")
def _(path: Path, rng: np.random.Generator) -> Any:
    heading = pick(rng, re.findall(r"(?m)^\[\[[\w.]+\]\]", text_of(path)))
    with path.open("a", encoding="utf-8") as file:
        file.write(f"\n{heading}\n" * 20_000)
    return f"{heading} 20000 times"


# workbooks


def members(path: Path, change: Callable[[str, bytes], bytes | None]) -> None:
    """Change the members of a zip archive; None drops one."""
    held = io.BytesIO()
    try:
        with zipfile.ZipFile(path) as old, zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as new:
            for item in old.infolist():
                data = change(item.filename, old.read(item))
                if data is not None:
                    new.writestr(item.filename, data)
    except zipfile.BadZipFile as error:
        raise NotApplicableError from error
    path.write_bytes(held.getvalue())


@mutator("workbook: cells and sheets", ".xlsx", recognisable=False)
def _(path: Path, rng: np.random.Generator) -> Any:
    from openpyxl import load_workbook

    book = load_workbook(path)
    sheet = book.worksheets[0]
    cell = sheet.cell(
        int(rng.integers(2, sheet.max_row + 1)), int(rng.integers(1, sheet.max_column + 1))
    )
    way = pick(
        rng,
        (
            *(
                "merged",
                "merged heading",
                "formula",
                "error",
                "text",
                "odd",
                "empty row",
                "rows above",
            ),
            *(
                "second sheet",
                "hidden first",
                "far cell",
                "no rows",
                "date 1904",
                "boolean",
                "time",
            ),
            *(
                "negative date",
                "hidden rows",
                "filter",
                "all text",
                "comment",
                "trailing blanks",
                "long",
            ),
        ),
    )
    if way == "merged":
        sheet.merge_cells(start_row=cell.row, end_row=cell.row + 1, start_column=1, end_column=3)
    elif way == "merged heading":
        sheet.merge_cells("A1:C1")
    elif way == "formula":
        cell.value = f"=SUM(A1:{cell.column_letter}1)"
    elif way == "error":
        cell.value = pick(rng, ("#REF!", "#N/A", "#VALUE!", "#DIV/0!"))
    elif way in ("text", "odd"):
        odd = [c for c in ODD_CELLS if "\x00" not in c and len(c) < 32_000]
        cell.value = str(cell.value) if way == "text" else pick(rng, odd)
    elif way == "empty row":
        sheet.insert_rows(cell.row)
    elif way == "rows above":
        sheet.insert_rows(1, 3)
        sheet["A1"] = "Invoices as printed"
    elif way == "second sheet":
        book.create_sheet("old", 0 if rng.random() < 0.5 else None).append(["invoice", "total"])
    elif way == "hidden first":
        book.create_sheet("other").append(["x"])
        sheet.sheet_state = "hidden"
    elif way == "far cell":
        sheet["XFD1048576"] = 1
    elif way == "no rows":
        sheet.delete_rows(2, sheet.max_row)
    elif way == "date 1904":
        from openpyxl.utils.datetime import CALENDAR_MAC_1904

        book.epoch = CALENDAR_MAC_1904
    elif way == "boolean":
        cell.value = True
    elif way == "time":
        cell.value = dt.time(8, 0)
    elif way == "negative date":
        cell.value, cell.number_format = -400000, "yyyy-mm-dd"
    elif way == "hidden rows":
        sheet.row_dimensions[cell.row].hidden = True
    elif way == "filter":
        sheet.auto_filter.ref = sheet.dimensions
    elif way == "all text":
        for row in sheet.iter_rows(min_row=2):
            for one in row:
                one.value = None if one.value is None else str(one.value)
    elif way == "comment":
        from openpyxl.comments import Comment

        cell.comment = Comment("see the other bill", "clerk")
    elif way == "trailing blanks":
        for row in range(sheet.max_row + 1, sheet.max_row + 3000):
            sheet.cell(row, 1).value = " "
    else:
        cell.value = "x" * 32_767
    book.save(path)
    return f"{way}, {cell.coordinate}"


@mutator("workbook: parts", ".xlsx")
def _(path: Path, rng: np.random.Generator) -> Any:
    way = pick(
        rng, ("sheet lost", "styles lost", "types lost", "sheet cut", "bomb", "entities", "outside")
    )
    way = pick(rng, ("huge cell", "workbook lost", "deep")) if rng.random() < 0.3 else way

    def change(name: str, data: bytes) -> bytes | None:
        sheet = name.endswith("sheet1.xml")
        lost = {"sheet lost": "sheet1", "styles lost": "styles", "types lost": "[Content"}
        if (way in lost and lost[way] in name) or (
            way == "workbook lost" and name.endswith("workbook.xml")
        ):
            return None
        if not sheet:
            return data
        if way == "sheet cut":
            return data[: len(data) // 2]
        if way == "bomb":
            return data.replace(b"<sheetData>", b"<sheetData>" + b" " * 80_000_000, 1)
        if way == "huge cell":
            row = (
                b'<row r="1"><c r="A1" t="inlineStr"><is><t>'
                + b"x" * 30_000_000
                + b"</t></is></c></row>"
            )
            return data.replace(b"<sheetData>", b"<sheetData>" + row, 1)
        if way == "deep":
            return data.replace(b"<sheetData>", b"<sheetData>" + b"<a>" * 50_000, 1)
        if way in ("entities", "outside"):
            return with_entities(data, bomb=way == "entities", inside=b"<sheetData>")
        return data

    members(path, change)
    return way


def with_entities(data: bytes, *, bomb: bool, inside: bytes) -> bytes:
    """Return XML with entities: each ten times the one before, or one that names a file."""
    if bomb:
        names = [f"e{i}" for i in range(9)]
        declared = '<!ENTITY e0 "ha">' + "".join(
            f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in pairwise(names)
        )
        use = "&e8;"
    else:
        declared, use = '<!ENTITY e SYSTEM "file:///etc/hostname">', "&e;"
    start = data.index(b"?>") + 2 if data.startswith(b"<?xml") else 0
    head = data[:start] + f"<!DOCTYPE x [{declared}]>".encode()
    return head + data[start:].replace(inside, inside + use.encode(), 1)


# XML

ODD_XML = (
    "x",
    "",
    "nan",
    "inf",
    "-5",
    "1e400",
    "9" * 400,
    "12,5",
    " 12 ",
    "0x1F",
    "\u0661",
    "<b>1</b>",
    "&amp;",
)


@mutator("xml: an odd value", ".xml", recognisable=False)
def _(path: Path, rng: np.random.Generator) -> Any:
    text = text_of(path)
    names = sorted({m.group(1) for m in re.finditer(r"<([\w:]+)>[^<]+</", text)})
    name = pick(rng, names)
    match = pick(rng, list(re.finditer(rf"<{name}>([^<]+)</", text)))
    value = pick(rng, ODD_XML)
    path.write_text(text[: match.start(1)] + value + text[match.end(1) :], "utf-8")
    return f"{name} {match.group(1)[:20]} is {value[:20]!r}"


@mutator("xml: an element lost or twice", ".xml", recognisable=False)
def _(path: Path, rng: np.random.Generator) -> Any:
    text = text_of(path)
    names = sorted({m.group(1) for m in re.finditer(r"<([\w:]+)[ >]", text)})
    name = pick(rng, names)
    found = list(re.finditer(rf"<{name}\b[^>]*>.*?</{name}>|<{name}\b[^>]*/>", text, re.DOTALL))
    match = pick(rng, found)
    twice = rng.random() < 0.5
    new = match.group() * 2 if twice else ""
    path.write_text(text[: match.start()] + new + text[match.end() :], "utf-8")
    return f"{name} {'twice' if twice else 'lost'}"


@mutator("xml: entities", ".xml")
def _(path: Path, rng: np.random.Generator) -> Any:
    data = text_of(path).encode()
    bomb = rng.random() < 0.5
    inside = pick(rng, (b"<value>", b"<wml2:value>", b"<start>", b"<uom>"))
    if inside not in data:
        raise NotApplicableError
    path.write_bytes(with_entities(data, bomb=bomb, inside=inside))
    return "each ten times the one before" if bomb else "names a file"


@mutator("xml: form", ".xml")
def _(path: Path, rng: np.random.Generator) -> Any:
    text = text_of(path)
    way = pick(
        rng,
        ("deep", "namespace", "declared otherwise", "attribute", "comments", "CDATA", "two roots"),
    )
    if way == "deep":
        deep = int(pick(rng, (500, 100_000)))
        place = (
            text.index(">", text.index("<feed") if "<feed" in text else text.index("<wml2:C")) + 1
        )
        text = text[:place] + "<a>" * deep + "</a>" * deep + text[place:]
    elif way == "namespace":
        text = text.replace("http://naesb.org/espi", "urn:x").replace("waterml/2.0", "waterml/1.1")
    elif way == "declared otherwise":
        text = text.replace(
            'encoding="UTF-8"', 'encoding="' + pick(rng, ("UTF-16", "xyz", "ascii")) + '"'
        )
    elif way == "attribute":
        text = re.sub(r"<(value|wml2:value)>", rf'<\1 note="{"z" * 2_000_000}">', text, count=1)
    elif way == "comments":
        text = re.sub(r"<(value|wml2:value)>", r"<\1><!-- estimated -->", text)
    elif way == "CDATA":
        text = re.sub(r"(<(?:wml2:)?value>)([^<]*)<", r"\1<![CDATA[\2]]><", text)
    else:
        text += "<feed/>"
    path.write_text(text, "utf-8")
    return way


@mutator("xml: another order or multiplier", ".xml", recognisable=False)
def _(path: Path, rng: np.random.Generator) -> Any:
    text = text_of(path)
    way = pick(rng, ("order", "uom", "multiplier", "duration", "overlap", "unit code"))
    if way == "order":
        form = r"<IntervalReading>.*?</IntervalReading>\n|<wml2:point>.*?</wml2:point>\n"
        parts = re.findall(form, text)
        start = text.index(parts[0])
        mixed = "".join(parts[i] for i in rng.permutation(len(parts)))
        text = text[:start] + mixed + text[start + sum(map(len, parts)) :]
    elif way == "uom":
        text = re.sub(r"<uom>\d+", f"<uom>{pick(rng, (42, 119, 134, 72, 999, -1))}", text)
    elif way == "multiplier":
        new = pick(rng, (3, -3, 400, "x"))
        text = re.sub(r"<powerOfTenMultiplier>0", f"<powerOfTenMultiplier>{new}", text)
    elif way == "duration":
        text = re.sub(r"<duration>\d+", f"<duration>{pick(rng, (0, -900, 900, 10**12))}", text)
    elif way == "overlap":
        text = re.sub(r"<start>(\d+)", lambda m: f"<start>{int(m.group(1)) // 90000 * 90000}", text)
    else:
        text = re.sub(r'uom code="m"', f'uom code="{pick(rng, ("ft", "kg", "", "[in_i]"))}"', text)
    path.write_text(text, "utf-8")
    return way


# PDF


@mutator("pdf: structure", ".pdf")
def _(path: Path, rng: np.random.Generator) -> Any:
    data = path.read_bytes()
    way, new = pick(
        rng,
        (
            ("no end", data.replace(b"%%EOF", b"")),
            ("wrong table", re.sub(rb"\d{10} 00000 n", b"9999999999 00000 n", data)),
            ("kids in a ring", data.replace(b"/Kids [3 0 R]", b"/Kids [2 0 R]")),
            ("long stream", re.sub(rb"/Length \d+", b"/Length 999999999999", data)),
            ("locked", data.replace(b"/Root 1 0 R", b"/Root 1 0 R /Encrypt 5 0 R")),
            ("a million pages", data.replace(b"/Count 1", b"/Count 1000000")),
            ("whole", data),
        ),
    )
    path.write_bytes(new)
    return way


# JSON of an evidence folder


@mutator("json: a leaf or table", ".json", ".ipynb", recognisable=False)
def _(path: Path, rng: np.random.Generator) -> Any:
    data = json.loads(text_of(path))
    where, old = pick(rng, [(p, v) for p, v in json_leaves(data) if p])
    where = where[: int(rng.integers(1, len(where) + 1))]
    way = pick(
        rng, ("null", "text", "number", "list", "table", "deleted", "huge", "lone half", "true")
    )
    huge = 10 ** int(pick(rng, (30, 300, 4000)))
    values = {
        "null": None,
        "text": "x",
        "number": 7,
        "list": [[]],
        "table": {"a": {}},
        "huge": huge,
    }
    values |= {"lone half": "\ud800", "true": True}
    if way == "deleted":
        holder = data
        for key in where[:-1]:
            holder = holder[key]
        del holder[where[-1]]
    else:
        put(data, where, values[way])
    path.write_text(json.dumps(data, indent=1), "utf-8")
    return f"{'.'.join(map(str, where))[:50]} {way} (was {str(old)[:20]!r})"


@mutator("json: form", ".json", ".ipynb")
def _(path: Path, rng: np.random.Generator) -> Any:
    text = text_of(path)
    inner = pick(rng, list(re.finditer(r"(?<=: )-?\d+(\.\d+)?(?=[,\n])", text)))
    swap = "NaN Infinity 1e999 -Infinity 01 1. 0x1 '1' [[[[ tru".split()
    new = pick(
        rng,
        [*swap, "9" * 5000, "[" * 100_000 + "]" * 100_000, '{"a":' * 50_000 + "1" + "}" * 50_000],
    )
    whole = pick(
        rng, ("", "{}", "[]", "null", '"x"', "7", "[" * 100_000, text + text, text[:-3] + ",}\n")
    )
    if rng.random() < 0.6:
        text = text[: inner.start()] + new + text[inner.end() :]
        done = f"{inner.group()[:12]} is {new[:12]}"
    else:
        text, done = whole, f"all is {whole[:12]!r}"
    path.write_text(text, "utf-8")
    return done


# --- choosing -------------------------------------------------------------------------------------


@dataclass
class Damage:
    """A damaged copy of a case or of an evidence folder."""

    case: str
    file: str
    name: str
    done: str
    recognisable: bool
    folder: Path


ONE_FILE = ("samples", "linen", "payments", "by_invoice")  # the case can name one file only
MANY_A_DAY = ("samples", "linen", "payments", "rain")


def damaged(seed: int, stock: Path, root: Path, *, evidence: bool) -> Damage:
    """Make the damage that the seed fixes; the stock holds the undamaged cases."""
    rng = np.random.default_rng([seed, 17])
    for attempt in range(50):
        names = [*CASES, *(["evidence"] if evidence and (stock / "evidence").is_dir() else [])]
        weights = np.array([{"laundry, PDF": 0.5, "evidence": 1.0}.get(n, 1.5) for n in names])
        case = names[int(rng.choice(len(names), p=weights / weights.sum()))]
        folder = root / f"case{attempt}"
        shutil.copytree(stock / case, folder)
        files = [p for p in sorted(folder.rglob("*")) if p.is_file()]
        if case == "evidence" and rng.random() < 0.5:
            files = [p for p in files if p.name == "manifest.json"]
        path = pick(rng, files)
        special = [
            m for m in MUTATORS if m.endings and path.suffix in m.endings and len(m.endings) < 3
        ]
        general = [m for m in MUTATORS if not m.endings or path.suffix in m.endings]
        chosen = pick(rng, special if special and rng.random() < 0.55 else general)
        try:
            done = chosen.mutate(path, rng)
        except NotApplicableError:
            shutil.rmtree(folder)
            continue
        file = path.relative_to(folder).as_posix()
        # two samples, loads or payments of one day are nothing odd
        plain = chosen.name.startswith("table: repeated") and path.stem in MANY_A_DAY
        known = chosen.recognisable and not plain
        return Damage(case, file, chosen.name, str(done or ""), known, folder)
    raise NotApplicableError


# --- running --------------------------------------------------------------------------------------


def figures(findings: dict[str, Any]) -> dict[str, Any]:
    """Return what must not change without a note: all but the files and the notes themselves."""
    kept = {k: v for k, v in findings.items() if k not in ("inputs", "flags", "title")}
    return {".".join(map(str, path)): value for path, value in json_leaves(kept)}


def notes(findings: dict[str, Any], screen: str) -> set[str]:
    """Return every note of the findings and of the screen."""
    told = {f"{f.get('code')}: {f.get('message')}" for f in findings.get("flags", [])}
    return told | {s.strip() for s in screen.splitlines() if re.match(r"\s*(note|warning)", s)}


def differences(one: dict[str, Any], two: dict[str, Any]) -> list[str]:
    """Return the places at which two findings differ."""
    different = []
    for place in sorted(set(one) | set(two)):
        a, b = one.get(place, "absent"), two.get(place, "absent")
        numbers = all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in (a, b))
        if numbers and abs(a - b) <= 1e-9 * max(abs(a), abs(b), 1e-6):
            continue
        if a != b:
            different.append(f"{place}: {str(a)[:30]} to {str(b)[:30]}")
    return different


def last_call(error: BaseException) -> str:
    """Return an exception in one line with the place it was raised at."""
    frames = traceback.extract_tb(error.__traceback__)
    place = f" ({Path(frames[-1].filename).name}:{frames[-1].lineno})" if frames else ""
    ours = [f for f in frames if f"{os.sep}{PACKAGE}{os.sep}" in f.filename]
    place += f" from {Path(ours[-1].filename).name}:{ours[-1].lineno}" if ours else ""
    return f"{type(error).__name__}: {str(error)[:110]}{place}"


def refusal_class() -> tuple[type[BaseException], ...]:
    """Return the class of the toolkit's own refusals, and its base within the toolkit."""
    load_case = importlib.import_module(PACKAGE).load_case
    try:
        load_case("there_is_no_such_case")
    except Exception as error:
        own = [c for c in type(error).__mro__ if c.__module__.split(".")[0] == PACKAGE]
        if own:
            return tuple(own)
    raise SystemExit("a case that is not there is not refused by a class of the toolkit's own")


def by_command(words: list[str]) -> tuple[int, str, str]:
    """Run the command line within this process: exit code, text, line of a traceback."""
    screen = io.StringIO()
    sys.argv = [PACKAGE, *words]
    code, last = 0, ""
    with contextlib.redirect_stdout(screen), contextlib.redirect_stderr(screen):
        try:
            runpy.run_module(PACKAGE, run_name="__main__", alter_sys=True)
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else int(end.code is not None)
        except BaseException as error:
            code, last = 70, last_call(error)
    return code, screen.getvalue(), last


def by_library(
    folder: Path, refusals: tuple[type[BaseException], ...], *, screened: bool = True
) -> dict[str, Any]:
    """Screen and audit a case within this process."""
    code, screen, last = by_command(["inspect", str(folder)]) if screened else (0, "", "")
    result: dict[str, Any] = {"code": code, "screen": screen, "last": last, "findings": None}
    if last or code not in (0, 1):
        return result
    tool = importlib.import_module(PACKAGE)
    with warnings.catch_warnings(record=True) as heard:
        warnings.simplefilter("always")
        try:
            case = tool.load_case(folder)
            result["findings"] = tool.audit(case, draws=DRAWS, seed=1).findings()
            json.dumps(result["findings"], allow_nan=False)
        except refusals as error:
            result["refused"] = str(error)
        except BaseException as error:
            result["last"] = last_call(error)
    result["warned"] = sorted({f"{w.category.__name__}: {str(w.message)[:80]}" for w in heard})
    return result


def in_fork(work: Callable[[], dict[str, Any]], place: Path) -> dict[str, Any]:
    """Do work in a fork of this process: its result, seconds of work, MB, how it ended."""
    began = time.monotonic()
    child = os.fork()
    if child == 0:
        with open(os.devnull, "w") as nothing:
            os.dup2(nothing.fileno(), 1)
            os.dup2(nothing.fileno(), 2)
            os.setsid()
            try:
                place.write_text(json.dumps(work(), default=str), "utf-8")
            finally:
                os._exit(0)
    while True:
        done, status, usage = os.wait4(child, os.WNOHANG)
        if done:
            break
        if time.monotonic() - began > STOPPED:
            os.kill(child, signal.SIGKILL)
            _, status, usage = os.wait4(child, 0)
            break
        time.sleep(0.01)
    seconds, size = usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024
    result: dict[str, Any] = {"code": None, "screen": "", "last": "", "findings": None}
    if place.is_file():
        result = json.loads(place.read_text("utf-8"))
    elif time.monotonic() - began > STOPPED:
        seconds = max(seconds, STOPPED)
    else:
        result["last"] = f"the process ended with status {status}"
    return {**result, "seconds": seconds, "size": size}


def in_subprocess(words: list[str], folder: Path) -> dict[str, Any]:
    """Run the command line as a user would."""
    began = time.monotonic()
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        process = subprocess.Popen(
            command(*words),
            cwd=folder,
            env=environment(),
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=err,
            start_new_session=True,
        )
        status = None
        while status is None:
            done, code, usage = os.wait4(process.pid, os.WNOHANG)
            if done:
                status = os.waitstatus_to_exitcode(code)
            elif time.monotonic() - began > STOPPED:
                os.killpg(process.pid, signal.SIGKILL)
                _, code, usage = os.wait4(process.pid, 0)
                status = os.waitstatus_to_exitcode(code)
            else:
                time.sleep(0.02)
        process.returncode = status
        texts = []
        for file in (out, err):
            file.seek(0)
            texts.append(file.read().decode("utf-8", "replace"))
    seconds, size = usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024
    stopped = time.monotonic() - began > STOPPED
    last = ""
    if "Traceback (most recent call last)" in texts[0] + texts[1]:
        frames = re.findall(r'File "([^"]+)", line (\d+)', texts[1])
        place = f" ({Path(frames[-1][0]).name}:{frames[-1][1]})" if frames else ""
        last = (texts[1].strip().splitlines() or [""])[-1][:140] + place
    elif status not in (0, 1, 2) and not stopped:
        last = f"exit code {status}"
    return {
        "code": status,
        "screen": texts[0] + texts[1],
        "last": last,
        "seconds": max(seconds, STOPPED) if stopped else seconds,
        "size": size,
        "warned": sorted(set(re.findall(r"\w+Warning: .{0,80}", texts[1]))),
        "findings": None,
    }


def judge(result: dict[str, Any], damage: Damage, truth: dict[str, Any], allowed: float) -> str:
    """Return the outcome in one or two words."""
    if result["last"]:
        return "traceback"
    if result["seconds"] > allowed:
        return "slow"
    if result["size"] > LARGEST:
        return "large"
    if result.get("refused") or result["code"] not in (0, None):
        return "refused"
    if result["findings"] is None:
        return "accepted"
    base = truth.get(damage.case)
    if base is None:
        return "accepted"
    if not differences(figures(base["findings"]), figures(result["findings"])):
        return "same figures"
    new = notes(result["findings"], result["screen"]) - notes(base["findings"], base["screen"])
    if new:
        return "changed, noted"
    return "changed silently" if damage.recognisable else "changed, as data"


BAD = {"traceback", "slow", "large", "changed silently"}


def reported(stock: Path, name: str, out: Path) -> dict[str, Any]:
    """Write the evidence folder of a case by the command line."""
    words = ["report", str(stock / name), "--out", str(out), "--draws", str(DRAWS), "--quiet"]
    return in_subprocess(words, stock)


def run_damage(options: argparse.Namespace) -> list[dict[str, Any]]:
    """Damage, run and judge."""
    results = []
    refusals = refusal_class()
    with tempfile.TemporaryDirectory(prefix="damaged_", ignore_cleanup_errors=True) as place:
        home = Path(place).resolve()
        stock = home / "stock"
        truth: dict[str, Any] = {}
        for name, make in CASES.items():
            make(stock / name)
            found = in_fork(lambda name=name: by_library(stock / name, refusals), home / "truth")
            (home / "truth").unlink(missing_ok=True)
            if found["findings"]:
                truth[name] = found
            elif name != "laundry, PDF":
                told = found.get("refused") or found["last"] or found["screen"][-300:]
                print(f"UNDAMAGED CASE NOT ACCEPTED: {name}: {told}")
        whole = reported(stock, "hotel", stock / "evidence")
        rechecked = in_subprocess(["recheck", str(stock / "evidence")], stock)
        print(f"report of the hotel {whole['seconds']:.1f} s, recheck {rechecked['seconds']:.1f} s")
        if options.in_process:  # everything imported before the first fork
            by_library(stock / "hotel", refusals)
        for seed in range(options.seed, options.seed + options.count):
            root = home / f"seed{seed}"
            root.mkdir()
            try:
                damage = damaged(seed, stock, root, evidence=not options.in_process)
            except NotApplicableError:
                continue
            result, allowed = one_run(damage, options, refusals, root, whole, rechecked)
            outcome = judge(result, damage, truth, allowed)
            results.append(record(seed, damage, result, outcome))
            if options.out:
                with options.out.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(results[-1]) + "\n")
            shutil.rmtree(root, ignore_errors=True)
    return results


def one_run(
    damage: Damage,
    options: argparse.Namespace,
    refusals: tuple[type[BaseException], ...],
    root: Path,
    whole: dict[str, Any],
    rechecked: dict[str, Any],
) -> tuple[dict[str, Any], float]:
    """Run one damaged folder; return how it went and the seconds it may take."""
    if damage.case == "evidence":
        result = in_subprocess(["recheck", str(damage.folder)], root)
        return result, SLOWEST + rechecked["seconds"]
    special = damage.done == "pipe"  # opening one may wait for ever
    if options.in_process and not special:
        return in_fork(lambda: by_library(damage.folder, refusals), root / "result"), SLOWEST
    result = in_subprocess(["inspect", str(damage.folder)], root)
    result["first"] = "inspect"
    if result["code"] == 0 and not result["last"]:
        rng = np.random.default_rng([damage.folder.name.encode()[-1], result["code"]])
        if rng.random() < options.reports:
            words = ["report", str(damage.folder), "--out", str(root / "out"), "--quiet"]
            later = in_subprocess([*words, "--draws", str(DRAWS)], root)
            written = root / "out" / "findings.json"
            if later["code"] == 0 and written.is_file():
                later["findings"] = json.loads(written.read_text("utf-8"))
            later["screen"] = result["screen"] + later["screen"]
            return later, SLOWEST + whole["seconds"]
        audited = in_fork(lambda: by_library(damage.folder, refusals), root / "result")
        audited["screen"] = result["screen"]
        audited["size"] = max(audited["size"], result["size"])
        return audited, SLOWEST
    return result, SLOWEST


def record(seed: int, damage: Damage, result: dict[str, Any], outcome: str) -> dict[str, Any]:
    """Return one line of the record."""
    told = result.get("refused") or result["screen"]
    late = bool(result.get("refused")) and result["code"] == 0
    names = {Path(damage.file).name, "case.toml"}
    placed = outcome != "refused" or any(name in told for name in names)
    return {
        "seed": seed,
        "case": damage.case,
        "file": damage.file,
        "mutator": damage.name,
        "done": damage.done,
        "outcome": outcome,
        "last": result["last"],
        "late": late,  # inspect let it pass, the audit refused it
        "placed": placed,  # the refusal names a file
        "seconds": round(result["seconds"], 2),
        "size": round(result["size"]),
        "warned": result.get("warned", []),
        "told": told[-400:],
    }


def summary(results: list[dict[str, Any]]) -> int:
    """Print the outcomes by mutator and everything that is not as it must be."""
    bad = [r for r in results if r["outcome"] in BAD]
    for name in sorted({r["mutator"] for r in results}):
        counts = Counter(r["outcome"] for r in results if r["mutator"] == name)
        print(f"{name:42} " + ", ".join(f"{n} {word}" for word, n in sorted(counts.items())))
    print(
        "\nall: " + ", ".join(f"{n} {w}" for w, n in Counter(r["outcome"] for r in results).items())
    )
    if results:
        slow = max(results, key=lambda r: r["seconds"])
        large = max(results, key=lambda r: r["size"])
        print(f"longest {slow['seconds']:.1f} s (seed {slow['seed']}), largest {large['size']} MB")
    for what, chosen in (
        ("refused by the audit only after inspect let it pass", [r for r in results if r["late"]]),
        ("refused without the name of a file", [r for r in results if not r["placed"]]),
        ("warnings of Python on the screen", [r for r in results if r["warned"]]),
    ):
        print(f"{what}: {len(chosen)}; seeds {[r['seed'] for r in chosen[:8]]}")
    for r in bad:
        more = r["last"] or f"{r['seconds']} s, {r['size']} MB"
        what = f"{r['case']}/{r['file']}: {r['mutator']}: {r['done'][:70]}"
        print(f"- {r['outcome']} (seed {r['seed']}): {what} [{more}]")
    return 1 if bad else 0


# --- the same data in other forms -----------------------------------------------------------------

Reform = Callable[[Path, np.random.Generator], str | list[str]]
FORMS: dict[str, Reform] = {}
FOUR = ("utf-16", "workbook with dates as dates", "rows shuffled", "two files")  # of every file


def form(name: str) -> Callable[[Reform], Reform]:
    """Enter a form; the function writes the file anew and returns the name or names of it."""

    def enter(reform: Reform) -> Reform:
        FORMS[name] = reform
        return reform

    return enter


def recoded(codec: str) -> Reform:
    """Return a form that is another encoding."""

    def reform(path: Path, rng: np.random.Generator) -> str:
        path.write_bytes(path.read_text("utf-8").encode(codec))
        return path.name

    return reform


for _codec in ("utf-16", "utf-8-sig"):
    FORMS[_codec] = recoded(_codec)


@form("workbook with dates as dates")
def _(path: Path, rng: np.random.Generator) -> str | list[str]:
    to_workbook(path, path.with_suffix(".xlsx"))
    path.unlink()
    return path.with_suffix(".xlsx").name


@form("rows shuffled")
def _(path: Path, rng: np.random.Generator) -> str | list[str]:
    rows = read_rows(path)
    body = rows[1:]
    if len({row[0] for row in body}) < len(body):
        raise NotApplicableError  # the hour that autumn repeats: the order of rows is data
    write_rows(path, [rows[0], *(body[i] for i in rng.permutation(len(body)))])
    return path.name


def halves(path: Path, first: list[int], second: list[int]) -> list[str]:
    """Write the rows of a file as two files."""
    rows = read_rows(path)
    names = []
    for part, places in (("one", first), ("two", second)):
        target = path.with_name(f"{path.stem}_{part}.csv")
        write_rows(target, [rows[0], *(rows[1 + i] for i in places)])
        names.append(target.name)
    path.unlink()
    return names


@form("two files")
def _(path: Path, rng: np.random.Generator) -> str | list[str]:
    many = len(read_rows(path)) - 1
    cut = int(rng.integers(1, many))
    return halves(path, list(range(cut)), list(range(cut, many)))


@form("two files, the later first")
def _(path: Path, rng: np.random.Generator) -> str | list[str]:
    many = len(read_rows(path)) - 1
    cut = int(rng.integers(1, many))
    return halves(path, list(range(cut)), list(range(cut, many)))[::-1]


@form("semicolons")
def _(path: Path, rng: np.random.Generator) -> str | list[str]:
    path.write_text(path.read_text("utf-8").replace(",", ";"), "utf-8")
    return path.name


@form("semicolons and decimal commas")
def _(path: Path, rng: np.random.Generator) -> str | list[str]:
    text = path.read_text("utf-8").replace(",", ";")
    path.write_text(re.sub(r"(?<=\d)\.(?=\d)", ",", text), "utf-8")
    return path.name


@form("tabs and line ends of Windows")
def _(path: Path, rng: np.random.Generator) -> str | list[str]:
    path.write_bytes(path.read_text("utf-8").replace(",", "\t").replace("\n", "\r\n").encode())
    return path.name


@form("everything quoted")
def _(path: Path, rng: np.random.Generator) -> str | list[str]:
    rows = read_rows(path)
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, quoting=csv.QUOTE_ALL).writerows(rows)
    return path.name


@form("columns in another order")
def _(path: Path, rng: np.random.Generator) -> str | list[str]:
    rows = read_rows(path)
    order = rng.permutation(len(rows[0]))
    write_rows(path, [[row[i] for i in order] for row in rows])
    return path.name


@form("blank lines at the end")
def _(path: Path, rng: np.random.Generator) -> str | list[str]:
    path.write_text(path.read_text("utf-8") + "\n" + "," * 2 + "\n\n", "utf-8")
    return path.name


@form("no line end after the last row")
def _(path: Path, rng: np.random.Generator) -> str | list[str]:
    path.write_text(path.read_text("utf-8").rstrip("\n"), "utf-8")
    return path.name


@form("another name")
def _(path: Path, rng: np.random.Generator) -> str | list[str]:
    target = path.with_name(f"Export für {path.stem} (2).csv")
    path.rename(target)
    return target.name


def renamed(text: str, old: str, new: str | list[str]) -> str:
    """Return the case with the new name or names of a file."""
    return text.replace(f'"{old}"', json.dumps(new, ensure_ascii=False))


def metamorphic(options: argparse.Namespace) -> int:
    """Hold the findings of every form against those of the plain form."""
    refusals = refusal_class()
    counts: Counter[str] = Counter()
    with tempfile.TemporaryDirectory(prefix="forms_", ignore_cleanup_errors=True) as place:
        home = Path(place).resolve()

        def audited(folder: Path) -> dict[str, Any]:
            (home / "result").unlink(missing_ok=True)
            return in_fork(lambda: by_library(folder, refusals, screened=False), home / "result")

        for name in ("laundry", "hotel", "linen works"):
            plain = home / f"plain {name}"
            CASES[name](plain)
            case = plain / "case.toml"
            if "back_steps" not in case.read_text("utf-8"):
                case.write_text(
                    case.read_text("utf-8").replace(
                        "[effluent]\n", '[effluent]\nback_steps = "sort"\n'
                    )
                )
            base = audited(plain)
            if not base["findings"]:
                print(
                    f"{name}: the plain form is not accepted: {base.get('refused') or base['last']}"
                )
                counts["plain form refused"] += 1
                continue
            jobs = [
                (file.name, word)
                for file in sorted(plain.glob("*.csv"))
                for word in FORMS
                if word in FOUR
                or file.stem in ("invoices", "main_meter", "boiler")
                or "log" in file.stem
            ]
            if name == "laundry":
                jobs.append(("record.csv", "WaterML"))
            for number, (file, word) in enumerate(jobs):
                folder = home / "form"
                shutil.rmtree(folder, ignore_errors=True)
                shutil.copytree(plain, folder)
                if word == "WaterML":
                    shutil.rmtree(folder)
                    laundry(folder, record="waterml")
                    new: str | list[str] = "record.xml"
                else:
                    rng = np.random.default_rng([options.seed, number])
                    try:
                        new = FORMS[word](folder / file, rng)
                    except NotApplicableError:
                        continue
                    text = (folder / "case.toml").read_text("utf-8")
                    (folder / "case.toml").write_text(renamed(text, file, new), "utf-8")
                if word in FORMS and "two files" in word and Path(file).stem in ONE_FILE:
                    continue
                outcome, why = compared(base, audited(folder), {file: new})
                counts[outcome] += 1
                if outcome != "identical":
                    print(f"- {outcome}: {name}/{file}: {word}: {why}", flush=True)
    print("all: " + ", ".join(f"{n} {word}" for word, n in sorted(counts.items())))
    return 0 if set(counts) <= {"identical", "other notes"} else 1


def compared(
    base: dict[str, Any], result: dict[str, Any], names: dict[str, str | list[str]]
) -> tuple[str, str]:
    """Return the outcome of one form and what differs; another name of a file is no difference."""
    if result["last"]:
        return "traceback", result["last"]
    if not result["findings"]:
        return "refused", (result.get("refused") or result["screen"])[-300:].replace("\n", " | ")
    different = differences(figures(base["findings"]), figures(result["findings"]))
    if different:
        return "DIFFERENT FIGURES", f"{len(different)}, such as {'; '.join(different[:3])}"
    flags = [
        {f"{f['code']}: {f['message']}" for f in r["findings"]["flags"]} for r in (base, result)
    ]
    for old, new in names.items():
        spelt = new if isinstance(new, str) else ", ".join(new)
        flags[1] = {flag.replace(spelt, old) for flag in flags[1]}
    apart = flags[0] ^ flags[1]
    if apart:
        return "other notes", "; ".join(sorted(apart))[:300]
    return "identical", ""


def main() -> int:
    """Run what is asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--in-process", action="store_true", help="the library, a fork for each")
    parser.add_argument("--metamorphic", action="store_true", help="the same data in other forms")
    parser.add_argument(
        "--reports", type=float, default=0.1, help="share of accepted ones reported"
    )
    parser.add_argument("--out", type=Path, help="JSON lines, one for each mutation")
    parser.add_argument("--list", action="store_true", help="print the mutators")
    options = parser.parse_args()
    if options.list:
        for entry in MUTATORS:
            print(f"{entry.name:42} {' '.join(entry.endings) or 'any file'}")
        return 0
    if options.metamorphic:
        return metamorphic(options)
    if options.out:
        options.out.unlink(missing_ok=True)
    return summary(run_damage(options))


if __name__ == "__main__":
    sys.exit(main())
