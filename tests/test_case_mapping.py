"""The worked example of mapping one's own columns: two exports, a meter book, an invoice table."""

from __future__ import annotations

import pandas as pd
import pytest

from sewer_audit import audit
from sewer_audit.auditing import inspect_file
from sewer_audit.case import load_case
from sewer_audit.case.models import EffluentTable
from sewer_audit.hydraulics import build_device
from sewer_audit.hydraulics.kinds import DEVICES

CASE = """\
[case]
title = "Two exports, a meter book and an invoice table of our own"
time_zone = "America/Chicago"
basis = "intake"

[invoices]
file = "bills.csv"
volume_unit = "kgal"
read_hour = "08:00"
end_day_counts = false
day_first = false                  # 02/03/2026 is the third of February

[invoices.columns]                 # our name = "the name in the file"
invoice = "Bill no."
start = "From"
end = "To"
billed_volume = "Usage"
total = "Amount due"

[[intake]]
meter = "main"
file = "meter_book.csv"
unit = "gal"
multiplier = 100
columns = { time = "Read on", register = "Dial", read_type = "How" }

[effluent]
file = ["outfall_winter.csv", "outfall_spring.csv"]
method = "parshall flume"
throat = "6 in"
reference_distance = "36 in"
time_zone = "UTC-06:00"            # this logger never follows daylight saving
day_first = true                   # 03/02/2026 is the third of February here
stamp = "interval end"             # each row is the mean of the 15 minutes before
missing_marks = ["no echo"]

[effluent.columns]
date = "Date"
time = "Time"
event = "Event"
distance = { name = "Water below sensor (mm)", unit = "mm" }
air_temperature = { name = "Air (degC)", unit = "degC" }
"""


def export(times: pd.DatetimeIndex, first: int) -> str:
    """Semicolons, decimal commas, a site block, 24:00, event rows, words for a lost echo."""
    lines = ["Outfall manhole", "clock: standard time", ""]
    lines.append("Date;Time;Water below sensor (mm);Air (degC);Event")
    for number, stamp in enumerate(times, start=first):
        local = stamp.tz_convert("Etc/GMT+6")
        midnight = local == local.normalize()
        day = local - pd.Timedelta(days=1) if midnight else local
        clock = "24:00" if midnight else f"{local:%H:%M}"
        value = "no echo" if number % 500 == 77 else f"{820 + number % 9},{number % 7}"
        lines.append(f"{day:%d/%m/%Y};{clock};{value};{12 + number % 5},0;")
        if number in (40, 4000):
            lines.append(f"{day:%d/%m/%Y};{clock};;;battery changed")
    return "\r\n".join(lines) + "\r\n"


@pytest.fixture
def folder(tmp_path):
    start = pd.Timestamp("2026-02-01 06:00", tz="UTC")
    times = pd.date_range(start, periods=96 * 60, freq="15min")
    (tmp_path / "outfall_winter.csv").write_bytes(export(times[:3000], 0).encode("cp1252"))
    (tmp_path / "outfall_spring.csv").write_bytes(export(times[2900:], 2900).encode("utf-16"))
    (tmp_path / "bills.csv").write_text(
        "Bill no.,From,To,Usage,Amount due\n"
        'B1,02/03/2026,03/03/2026,"1,250.0",$ 8100.00\nB2,03/03/2026,04/01/2026,1180.0,$ 7650.00\n'
    )
    (tmp_path / "meter_book.csv").write_text(
        "Read on,Dial,How\n2026-02-02 08:00,10000,A\n2026-02-20 08:00,17600,E\n"
        "2026-03-03 08:00,22400,A\n2026-04-01 08:00,34100,A\n"
    )
    (tmp_path / "case.toml").write_text(CASE)
    return tmp_path


def test_the_worked_example_is_read_as_it_says(folder):
    found = inspect_file(folder)
    assert not found.refused, str(found)
    result = audit(load_case(folder), draws=400)
    record = result.inputs.logger
    assert record.counts["identical rows merged"] == 100
    assert record.counts["rows set aside"] == 2  # the event of either file
    assert set(record.kept["reason"]) == {"missing mark", "event"}
    messages = " ".join(flag.message for flag in record.flags)
    assert "stamps written as 24:00 are read as 00:00 of the next day" in messages
    assert "each stamp marks the end of its interval" in messages
    assert result.invoices["record_coverage"].min() > 0.99
    assert [f"{start:%Y-%m-%d %H:%M}" for start in result.invoices["start"]] == [
        "2026-02-03 14:00",
        "2026-03-03 14:00",
    ]


@pytest.mark.parametrize("word", DEVICES)
def test_every_kind_of_device_can_be_stated_in_a_case_with_its_keys(word):
    kind = DEVICES[word]
    keys = {key: size.example for key, size in kind.sizes.items() if size.required}
    one_way = [key for key in ("table", "source", "diameter") if key in kind.sizes][:2]
    keys = keys or {key: kind.sizes[key].example for key in one_way}  # one of several ways
    columns = {"time": "time", "head": {"name": "head", "unit": "mm"}}
    stated = {"file": "log.csv", "method": (kind.methods or (word,))[0], "columns": columns}
    table = EffluentTable(**stated, **keys)
    assert table.sizes == keys
    build_device(table.method, table.sizes)


def test_what_the_instrument_is_does_not_describe_a_device_that_takes_no_source():
    columns = {"time": "time", "head": {"name": "head", "unit": "mm"}}
    stated = {"file": "log.csv", "method": "parshall flume", "throat": "6 in", "columns": columns}
    assert EffluentTable(**stated, source="a level logger").sizes == {"throat": "6 in"}
