"""What was rejected and why: stretches, the table of rules, the record by invoice, the picture."""

from __future__ import annotations

import re
from types import SimpleNamespace

import matplotlib.colors as colours
import numpy as np
import pandas as pd
import pytest

from looked_at import looked_at
from second_opinions.report_screening import record_by_invoice
from sewer_audit.charts import drawing
from sewer_audit.charts.hand import hand_picture, local_readings
from sewer_audit.charts.screening import KINDS, _shares, screening_picture
from sewer_audit.effluent.hand import hours_looked_at
from sewer_audit.records import ColumnSpec, read_logger
from sewer_audit.records.rules.named import DEFAULT_RULES, screening_rules
from sewer_audit.records.rules.screening import screen
from sewer_audit.report.evidence.screening import (
    screened_level,
    screening_stretches,
    screening_table,
)
from sewer_audit.report.pictures import PICTURES


@pytest.fixture(scope="module")
def result():
    return looked_at(draws=200)


def test_every_rejected_reading_stands_in_exactly_one_stretch(result):
    stretches = screening_stretches(result)
    counts = result.inputs.logger.counts
    by_kind = stretches.groupby("kind")["readings"].sum()
    assert by_kind["rejected"] == counts["rejected"] > 0
    marked = result.inputs.logger.screening.drop_duplicates("rule")["marked"].sum()
    assert by_kind["marked"] == marked
    assert (stretches["start"] <= stretches["end"]).all()


def test_readings_that_are_not_there_are_not_counted_as_rejected_ones(tmp_path):
    """Two rows never written, two marks between readings: a gap of two and a rejection of two."""
    times = pd.date_range("2026-01-01", periods=60, freq="5min")
    rows = [f"{t:%Y-%m-%d %H:%M},{3 + n % 3}" for n, t in enumerate(times)]
    rows[20] = rows[20][:16] + ",-999"
    rows[21] = rows[21][:16] + ",---"
    del rows[40:42]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["time,head", *rows]) + "\n")
    record = read_logger(path, zone="UTC", columns={"head": ColumnSpec("head", "in")})
    record = screen(record, record.frame["head"].to_numpy(), screening_rules())
    case = SimpleNamespace(inputs=SimpleNamespace(logger=record))
    found = screening_stretches(case).set_index("kind")["readings"]
    assert found["rejected"] == 2
    assert found["missing"] == 2


def test_every_rule_stands_in_the_workbook_and_on_the_page_what_found_something(result):
    table, sheet = screening_table(result), result.tables()["screening"]
    wanted = {(rule.name, name) for rule in DEFAULT_RULES for name in rule.parameters}
    assert set(zip(sheet["rule"], sheet["parameter"], strict=True)) == wanted
    assert sheet["reason"].str.len().min() > 5
    found = sheet[(sheet["rejected"] + sheet["marked"] > 0) & (sheet["remark"] == "")]
    assert set(table["rule"]) == set(found["rule"]) and len(table) <= len(found)
    spike = table[table["rule"] == "spike"].iloc[0]
    assert (spike["value"], spike["readings"]) == ("1.97 in", "12")  # 50 mm
    assert spike["what became of them"] == "rejected"


def test_the_record_by_invoice_agrees_with_the_findings(result):
    table = record_by_invoice(result)
    found = [row["record_coverage"] for row in result.findings()["invoices"]]
    assert table["covered by readings [%]"].to_numpy() == pytest.approx(100 * np.array(found))
    gaps = result.evidence.effluent.gaps.groupby("invoice")["hours"].max()
    longest = table.set_index("invoice")["longest gap [h]"]
    assert longest[longest > 0].to_dict() == pytest.approx(gaps.to_dict())


def test_the_picture_shows_all_reasons_and_says_so(result):
    picture = PICTURES["screening"][1](result)
    top, below = picture.figure.axes
    assert top.get_ylabel() == "level [in]"
    assert below.get_xlabel().startswith("time (America/Chicago)")
    names = [label.get_text() for label in below.get_yticklabels()]
    assert "spike: 12 rejected" in names
    rows = screening_stretches(result).groupby(["kind", "reason"])["readings"].sum()
    by_size = [size for kind in KINDS if kind in rows for size in sorted(rows[kind], reverse=True)]
    shown = [int(re.search(r"([\d,]+) \w+$", name)[1].replace(",", "")) for name in names]
    assert shown in (by_size, by_size[::-1])
    assert all(name.split(":")[0] in picture.alt for name in names)
    assert f"{result.inputs.logger.counts['rejected']} were rejected" in picture.alt
    assert drawing(picture.figure).startswith(b"\x89PNG")


def test_a_bar_is_as_high_as_its_share_of_the_time():
    """One reading of a hundred an hour is not drawn like an hour without any."""
    times = pd.date_range("2026-01-01", periods=30_000, freq="min", tz="UTC")
    origin, edges = times[0], np.linspace(0, 300 * 6000.0, 301)  # cells of a hundred minutes
    part = pd.DataFrame({"start": times[[50, 5000]], "end": times[[50, 5199]]})
    share = _shares(part, origin, edges, 60.0)
    assert share[0] == pytest.approx(0.01)
    assert share[50:52] == pytest.approx(1.0)
    assert share.sum() * 100 == pytest.approx(201)


def test_kinds_differ_without_colour():
    grey = []
    for colour, hatch, _ in KINDS.values():
        red, green, blue = colours.to_rgb(colour)
        grey.append((0.299 * red + 0.587 * green + 0.114 * blue, hatch))
    for one, other in ((0, 1), (0, 2), (1, 2)):
        lighter = abs(grey[one][0] - grey[other][0])
        assert lighter > 0.15 or grey[one][1] != grey[other][1]


def test_a_clean_record_and_one_without_a_level(result):
    level = pd.DataFrame(
        {
            "time": pd.date_range("2026-01-01", periods=10, freq="h", tz="UTC"),
            "value": 1.0,
            "status": "measured",
        }
    )
    nothing = pd.DataFrame({name: [] for name in ("reason", "kind", "start", "end", "readings")})
    picture = screening_picture(level, nothing)
    assert picture.alt == "Of 10 readings 0 were rejected. No reading was rejected or marked."
    assert drawing(picture.figure)
    assert screened_level(result).attrs["axis"] == "level [in]"


def test_hours_nobody_looked_at_are_drawn_and_counted():
    """Six readings at ten and at two on working days: 3 + 3 of 48 kinds of hour are seen."""
    local = pd.DatetimeIndex(
        [f"2026-01-{day:02d} {hour:02d}:20" for day in (5, 6, 7) for hour in (10, 14)]
    ).tz_localize("America/Chicago")
    seen = hours_looked_at(local)
    assert seen == {(False, hour) for hour in (9, 10, 11, 13, 14, 15)}
    picture = hand_picture(local_readings(local, np.full(6, 0.001)), seen, "gpm")
    axes, below = picture.figure.axes
    assert axes.get_ylabel() == "discharge [gpm]"
    assert len(below.patches) == 42
    assert "42 of 48 kinds of hour" in picture.alt
    assert drawing(picture.figure)
