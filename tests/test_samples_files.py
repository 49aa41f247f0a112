"""The sample files are what the generator writes, and their planted faults can be seen by hand."""

from __future__ import annotations

import csv
import tomllib
from collections import Counter
from datetime import datetime, timedelta
from decimal import Decimal
from itertools import pairwise
from pathlib import Path

import pytest

from make_samples import FAULTS, sample_files, truth

ROOT = Path(__file__).parent.parent
LOG = ROOT / "sample_logs" / "effluent_log.csv"
CENT = Decimal("0.01")
LINES = ("sewer fixed charge", "sewer volume charge", "treatment plant adder")


def rows_of(path: str) -> list[dict[str, str]]:
    with (ROOT / path).open(newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def invoices() -> dict[str, dict[str, str]]:
    return {row["invoice"]: row for row in rows_of("sample_bills/invoices.csv")}


@pytest.fixture(scope="module")
def log() -> list[list[str]]:
    return [line.split(",") for line in LOG.read_text().splitlines()[1:]]


def test_samples_are_rewritten_byte_for_byte():
    made = sample_files()
    for path, content in made.items():
        assert (ROOT / path).read_bytes() == content, f"{path}: run python tests/make_samples.py"
    held = {
        path.relative_to(ROOT).as_posix()
        for folder in ("sample_bills", "sample_logs")
        for path in (ROOT / folder).rglob("*")
        if path.is_file()
    }
    assert held == set(made)


def test_samples_are_small_and_tell_nothing():
    for path, content in sample_files().items():
        assert len(content) < 5_000_000, path
        told = [word for word in (b"truth", b"planted", b"fault", b"secret") if word in content]
        assert not told, f"{path} gives away {told}"


def test_log_has_a_year_of_five_minute_readings(log):
    assert 104_000 < len(log) < 106_000
    assert all(len(row) == 3 for row in log)
    assert all(int(row[0][-2:]) % 5 == 0 for row in log)


def test_log_follows_daylight_saving(log):
    """The US rule: the hour from 1 to 2 comes twice in November, that from 2 to 3 is left out."""
    hours = Counter(row[0][:13] for row in log)
    assert hours["2025-11-02 01"] == 24 and hours["2025-11-02 00"] == 12
    assert "2026-03-08 02" not in hours and hours["2026-03-08 01"] == 12
    assert hours["2026-03-08 03"] == 12


def test_log_has_gaps_from_minutes_to_two_days(log):
    times = [datetime.fromisoformat(row[0]) for row in log]
    steps = [late - early for early, late in pairwise(times)]
    back = [step for step in steps if step <= timedelta(0)]
    assert back == [timedelta(minutes=-55)]  # the one return of the clock
    gaps = [step for step in steps if step > timedelta(minutes=30)]
    spring = timedelta(minutes=65)
    assert spring in gaps  # the clock put forward, no reading missing
    assert max(gaps) > timedelta(hours=44) and max(gaps) < timedelta(hours=49)
    assert 5 <= len(gaps) <= 9
    assert any(timedelta(minutes=5) < step <= timedelta(minutes=30) for step in steps)


def test_log_holds_lost_and_false_echoes(log):
    lost = [row for row in log if row[1] == "-999"]
    assert 60 < len(lost) < 150
    echoes = [float(row[1]) for row in log if row[1] != "-999"]
    assert 0 < sum(echo < 2.6 for echo in echoes) < 20  # nearer than the highest water
    assert 0 < sum(echo > 5.5 for echo in echoes) < 20  # farther than the floor of the flume
    assert all(round(echo * 1000) % 5 == 0 for echo in echoes)  # steps of 0.005 ms


def test_registers_run_forward_and_roll_over_once():
    for name, rolls in (("main_meter", 1), ("cooling_tower_meter", 0)):
        reads = [int(row["register"]) for row in rows_of(f"sample_bills/{name}.csv")]
        assert len(reads) > 60
        assert sum(late < early for early, late in pairwise(reads)) == rolls
        assert max(reads) < 10**6


def test_invoices_join_end_to_end(invoices):
    for early, late in pairwise(invoices.values()):
        assert early["end"] == late["start"]
        assert early["current_read"] == late["previous_read"]


def main_counts(row: dict[str, str]) -> int:
    return (int(row["current_read"]) - int(row["previous_read"])) % 10**6


def tower_counts(row: dict[str, str]) -> int:
    reads = {
        read["time"]: int(read["register"])
        for read in rows_of("sample_bills/cooling_tower_meter.csv")
    }
    return reads[f"{row['end']} 08:00"] - reads[f"{row['start']} 08:00"]


def by_rule(row: dict[str, str], tower: bool = True) -> Decimal:
    """90 % of the main meter less the tower meter; 1 cf = 1728/231 gal, exactly."""
    net = Decimal(main_counts(row)) / 10
    if tower:
        net -= Decimal(tower_counts(row)) * 10 * 1728 / 231 / 1000
    return (Decimal("0.9") * net).quantize(Decimal("0.1"), "ROUND_HALF_UP")


def rate_of(row: dict[str, str]) -> Decimal:
    return (Decimal(row["sewer volume charge"]) / Decimal(row["billed_volume"])).quantize(CENT)


def test_actual_reads_are_those_of_the_site(invoices):
    reads = {read["time"]: int(read["register"]) for read in rows_of("sample_bills/main_meter.csv")}
    differing = [
        row["invoice"]
        for row in invoices.values()
        if reads[f"{row['end']} 08:00"] != int(row["current_read"])
    ]
    assert differing == ["K2601"] and invoices["K2601"]["read_type"] == "estimated"
    assert int(invoices["K2601"]["current_read"]) < reads["2026-01-14 08:00"]


def test_invoices_without_a_fault_follow_the_rule(invoices):
    right = [row for name, row in invoices.items() if name not in FAULTS]
    assert len(right) == 4
    for row in right:
        assert Decimal(row["billed_volume"]) == by_rule(row)
        assert rate_of(row) == Decimal("7.12" if row["end"] < "2026" else "7.58")
        assert Decimal(row["total"]) == sum(Decimal(row[line]) for line in LINES)


def test_one_total_is_not_the_sum_of_its_lines(invoices):
    wrong = [
        name
        for name, row in invoices.items()
        if Decimal(row["total"]) != sum(Decimal(row[line]) for line in LINES)
    ]
    assert wrong == ["K2505"] and FAULTS["K2505"] == "invoice arithmetic"


def test_one_volume_is_in_the_wrong_unit(invoices):
    """1 kgal = 231000/172800 CCF, from the exact definitions of gallon and foot."""
    row = invoices["K2506"]
    swapped = by_rule(row) * 231_000 / 172_800
    assert abs(Decimal(row["billed_volume"]) - swapped) <= Decimal("0.05")


def test_three_invoices_lack_the_deduct_credit(invoices):
    lacking = [
        name
        for name, row in invoices.items()
        if Decimal(row["billed_volume"]) == by_rule(row, tower=False)
    ]
    assert lacking == ["K2507", "K2508", "K2509"]


def test_one_invoice_is_billed_at_rates_not_yet_in_force(invoices):
    early = [
        name
        for name, row in invoices.items()
        if row["end"] < "2026-01-01" and rate_of(row) == Decimal("7.58")
    ]
    assert early == ["K2512"]


def test_rate_change_inside_a_period_is_shared_by_days(invoices):
    """By hand: 33 days, of which 13 in 2026."""
    row = invoices["K2601"]
    volume = Decimal(row["billed_volume"])
    expected = volume * (20 * Decimal("7.12") + 13 * Decimal("7.58")) / 33
    assert Decimal(row["sewer volume charge"]) == expected.quantize(CENT, "ROUND_HALF_UP")
    assert row["sewer fixed charge"] == "189.33"


def test_estimate_and_true_up_cancel(invoices):
    both = [invoices["K2601"], invoices["K2602"]]
    billed = sum(Decimal(row["billed_volume"]) for row in both)
    right = sum(Decimal(truth().right_volumes[row["invoice"]]) for row in both)
    assert abs(billed - right) <= Decimal("0.1")
    low, high = (float(row["billed_volume"]) for row in both)
    kgal = {name: volume / 3.785411784 for name, volume in truth().effluent.items()}
    assert low < 0.85 * kgal["K2601"]  # billed too little, even beside the true effluent
    assert high > 1.3 * kgal["K2602"]


def test_right_totals_differ_exactly_where_a_fault_was_planted(invoices):
    differing = {
        name for name, row in invoices.items() if row["total"] != truth().right_totals[name]
    }
    assert differing == set(FAULTS)


@pytest.mark.parametrize("case", ["", "area_velocity/", "manning/"])
def test_case_names_existing_files_and_columns(case):
    folder = ROOT / "sample_bills" / case
    tree = tomllib.loads((folder / "case.toml").read_text())
    named = [tree["invoices"]["file"], tree["rates"]["file"], tree["effluent"]["file"]]
    named += [
        part["file"] for key in ("intake", "use") for part in tree.get(key, []) if "file" in part
    ]
    assert all((folder / name).is_file() for name in named)
    header = (folder / tree["effluent"]["file"]).read_text().split("\n", 1)[0].split(",")
    columns = tree["effluent"]["columns"].values()
    assert {c if isinstance(c, str) else c["name"] for c in columns} == set(header)
    tomllib.loads((folder / "rates.toml").read_text())


@pytest.mark.parametrize("case", ["area_velocity", "manning"])
def test_small_invoices_follow_their_schedules(case):
    tree = tomllib.loads(
        (ROOT / "sample_bills" / case / "rates.toml").read_text(), parse_float=Decimal
    )
    fixed, volume = tree["version"][0]["charge"]
    rows = rows_of(f"sample_bills/{case}/invoices.csv")
    assert len(rows) == 3
    for row in rows:
        charge = (Decimal(row["billed_volume"]) * volume["rate"]).quantize(CENT, "ROUND_HALF_UP")
        assert Decimal(row["sewer volume charge"]) == charge
        assert Decimal(row["total"]) == charge + fixed["amount"]
