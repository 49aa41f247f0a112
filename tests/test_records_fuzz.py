"""Damaged files: refused with a message or read right; never a traceback, a hang or a new total."""

from __future__ import annotations

import io
import random
import time

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from second_opinions.records_steps import accepted_durations
from sewer_audit.errors import InputRefused
from sewer_audit.records import (
    ColumnSpec,
    read_green_button,
    read_hand_readings,
    read_invoices,
    read_logger,
    read_register,
    read_waterml,
)
from sewer_audit.records.files.tables import read_table
from sewer_audit.records.rules.screening import screen

LONGEST = 2.0
"""Longest processor time one small file may take [s]; the clock also counts other programs."""
JUNK = [
    b"\x00",
    b"\xff",
    b'"',
    b"'",
    b",",
    b";",
    b"\t",
    b"\n",
    b"\r\n",
    b"#",
    b"-",
    b"9" * 30,
    b"NaN",
]
JUNK += [
    b"inf",
    b"1e309",
    b"24:00",
    b"<",
    b"&x;",
    b"]]>",
    b"\xef\xbb\xbf",
    "µ".encode(),
    b" ",
    b".",
]


def logger_csv() -> bytes:
    index = pd.date_range("2025-10-31 00:00", periods=60, freq="15min")
    rows = [f"{t:%Y-%m-%d %H:%M},{0.1 + n % 7 / 100:.3f}" for n, t in enumerate(index)]
    return "\n".join(["Site 9, outfall", "time,head", *rows]).encode() + b"\n"


def logger_semicolon() -> bytes:
    index = pd.date_range("2025-10-31 00:00", periods=60, freq="15min")
    rows = [f"{t:%d.%m.%Y %H:%M};0,{100 + n % 7}5" for n, t in enumerate(index)]
    return "\r\n".join(["time;head", *rows]).encode("cp1252")


def invoices_csv() -> bytes:
    head = "invoice,start,end,previous_read,current_read,read_type,billed_volume,fixed,total"
    rows = [
        f"A{n},2025-{n:02d}-01,2025-{n + 1:02d}-01,{n}00,{n + 1}00,actual,100,12.50,12.50"
        for n in range(1, 11)
    ]
    return "\n".join([head, *rows]).encode()


def register_csv() -> bytes:
    rows = [f"2025-{n:02d}-01 08:00,{n * 997}" for n in range(1, 13)]
    return "\n".join(["time,register", *rows]).encode()


def hand_csv() -> bytes:
    rows = [f"2025-{n:02d}-01 08:00,{n}.5,ok" for n in range(1, 13)]
    return "\n".join(["time,reading,remark", *rows]).encode()


def workbook() -> bytes:
    book, out = openpyxl.Workbook(), io.BytesIO()
    book.active.append(["time", "head"])
    for n, stamp in enumerate(pd.date_range("2025-10-31", periods=20, freq="15min")):
        book.active.append([stamp.to_pydatetime(), 0.1 + n % 7 / 100])
    book.save(out)
    return out.getvalue()


def waterml() -> bytes:
    points = "".join(
        f"<w:point><w:MeasurementTVP><w:time>{t:%Y-%m-%dT%H:%M:%SZ}</w:time><w:value>0.1</w:value>"
        "</w:MeasurementTVP></w:point>"
        for t in pd.date_range("2025-10-31", periods=20, freq="15min")
    )
    uom = '<w:uom code="m"/>'
    return (
        '<w:MeasurementTimeseries xmlns:w="http://www.opengis.net/waterml/2.0">'
        f"{uom}{points}</w:MeasurementTimeseries>"
    ).encode()


def green_button() -> bytes:
    readings = "".join(
        f"<IntervalReading><timePeriod><duration>3600</duration><start>{1767225600 + 3600 * n}"
        f"</start></timePeriod><value>{n}</value></IntervalReading>"
        for n in range(20)
    )
    return (
        '<IntervalBlock xmlns="http://naesb.org/espi"><ReadingType><uom>42</uom></ReadingType>'
        f"{readings}</IntervalBlock>"
    ).encode()


HEAD = {"head": ColumnSpec("head", "m")}


def as_log(path):
    return read_logger(path, zone="America/Chicago", columns=HEAD, day_first=True)


READERS = {
    "log.csv": (logger_csv, as_log),
    "dotted.csv": (logger_semicolon, as_log),
    "log.xlsx": (workbook, as_log),
    "invoices.csv": (
        invoices_csv,
        lambda path: read_invoices(path, zone="America/Chicago", volume_unit="kgal"),
    ),
    "meter.csv": (
        register_csv,
        lambda path: read_register(path, zone="America/Chicago", unit="gal", digits=6),
    ),
    "hand.csv": (hand_csv, lambda path: read_hand_readings(path, zone="UTC", unit="in")),
    "table.csv": (logger_csv, read_table),
    "series.xml": (waterml, lambda path: read_waterml(path, role="head")),
    "usage.xml": (green_button, read_green_button),
}


def damage(content: bytes, rng: random.Random) -> bytes:
    """One to four random injuries."""
    data = bytearray(content)
    for _ in range(rng.randint(1, 4)):
        at, size = rng.randrange(len(data) + 1), rng.choice([1, 1, 2, 5, 40])
        kind = rng.randrange(7)
        if kind == 0 and data:
            data[at % len(data)] = rng.randrange(256)
        elif kind == 1:
            del data[at : at + size]
        elif kind == 2:
            data[at:at] = rng.choice(JUNK)
        elif kind == 3:
            del data[at:]
        elif kind == 4:
            data[at:at] = data[at : at + size * 10]
        elif kind == 5:
            data[at : at + size] = bytes(rng.randrange(256) for _ in range(size))
        else:
            lines = bytes(data).split(b"\n")
            one, other = rng.randrange(len(lines)), rng.randrange(len(lines))
            lines[one], lines[other] = lines[other], lines[one]
            data = bytearray(b"\n".join(lines))
    return bytes(data)


def check_log(record, content: bytes, original: bytes) -> None:
    """Every row is accounted for, durations add up, and untouched lines keep their value."""
    counts = record.counts
    assert counts["rows in files"] == (
        counts["rows set aside"] + counts["identical rows merged"] + counts["readings"]
    )
    assert counts["readings"] == counts["measured"] + counts["rejected"] == len(record.frame)
    parts = accepted_durations(record.frame, longest=1800.0)
    assert parts.accepted + parts.gaps == pytest.approx(parts.span, abs=1e-6)
    assert record.frame["time"].is_monotonic_increasing
    good = record.frame["status"] == "measured"
    assert np.isfinite(record.frame.loc[good, "head"]).all()
    assert record.frame.loc[good, "time"].is_unique
    if b"\r" in content or b'"' in content:
        return
    assert counts["rows in files"] + counts["other lines"] == len(
        content.rstrip(b"\n").split(b"\n")
    ) or (content.endswith(b"\n\n"))
    shown = set(
        zip(
            record.frame["time"].dt.tz_convert("America/Chicago").dt.strftime("%Y-%m-%d %H:%M"),
            record.frame["head"].round(6),
            strict=True,
        )
    )
    known = set(original.split(b"\n")[2:])
    for line in content.split(b"\n"):
        if line in known and line:
            stamp, value = line.decode().split(",")
            assert (stamp, float(value)) in shown, f"{line!r} was lost or changed"


def one(name: str, path, rng: random.Random, seconds: list[float]) -> bool:
    make, read = READERS[name]
    original = make()
    content = damage(original, rng)
    path.write_bytes(content)
    started = time.process_time()
    try:
        record = read(path)
    except InputRefused as refused:
        assert refused.problems
        assert all(problem.found and problem.remedy for problem in refused.problems)
        record = None
    seconds.append(time.process_time() - started)
    if record is not None and name == "log.csv":
        check_log(record, content, original)
        done = screen(record, record.frame["head"].to_numpy())
        assert done.counts["readings"] == len(done.frame) == len(record.frame)
    return record is not None


@pytest.mark.parametrize("name", READERS)
def test_undamaged_files_are_read(name, tmp_path):
    make, read = READERS[name]
    (tmp_path / name).write_bytes(make())
    record = read(tmp_path / name)
    if name == "log.csv":
        check_log(record, make(), make())


def run(name: str, count: int, seed: int, folder) -> tuple[int, list[float]]:
    rng, seconds, accepted = random.Random(f"{name}{seed}"), [], 0
    for number in range(count):
        state = rng.getstate()
        try:
            accepted += one(name, folder / name, rng, seconds)
        except Exception:
            rng.setstate(state)
            kept = damage(READERS[name][0](), rng)
            print(f"file {number} of {name}: {kept!r}")
            raise
    return accepted, seconds


@pytest.mark.parametrize("name", READERS)
def test_damaged_files_in_short(name, tmp_path):
    accepted, seconds = run(name, 60, 1, tmp_path)
    assert max(seconds) < LONGEST
    assert accepted < 60


@pytest.mark.slow
@pytest.mark.parametrize("name", READERS)
def test_twenty_thousand_damaged_files(name, tmp_path):
    """2,300 files for each of nine readers: 20,700 in all."""
    accepted, seconds = run(name, 2300, 2, tmp_path)
    assert max(seconds) < LONGEST
    assert 0 < accepted < 2300


@settings(max_examples=60, deadline=2000, suppress_health_check=list(HealthCheck))
@given(st.text(max_size=300))
def test_any_text_at_all(tmp_path_factory, text):
    path = tmp_path_factory.mktemp("fuzz") / "any.csv"
    path.write_text(text, encoding="utf-8", errors="replace", newline="")
    for _, read in READERS.values():
        try:
            read(path)
        except InputRefused as refused:
            assert refused.problems


CELLS = st.one_of(
    st.sampled_from(["", "---", "-999", "1e5", "1,5", "1.5", "0", "x", "2026-01-01", "24:00", '"']),
    st.text(alphabet="0123456789.,;:-+eE/ \t\"'", max_size=12),
)


@settings(max_examples=60, deadline=2000, suppress_health_check=list(HealthCheck))
@given(st.lists(st.tuples(CELLS, CELLS), min_size=1, max_size=8), st.sampled_from(",;\t"))
def test_any_cells_under_a_right_header(tmp_path_factory, rows, sign):
    path = tmp_path_factory.mktemp("fuzz") / "any.csv"
    text = f"time{sign}head\n" + "".join(f"{a}{sign}{b}\n" for a, b in rows)
    path.write_text(text, encoding="utf-8", newline="")
    try:
        record = as_log(path)
    except InputRefused as refused:
        assert refused.problems
        return
    assert record.counts["readings"] == len(record.frame)
    parts = accepted_durations(record.frame, longest=1800.0)
    assert parts.accepted + parts.gaps == pytest.approx(parts.span, abs=1e-6)
