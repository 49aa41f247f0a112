"""Many sites: serial equals parallel, one failure stops nothing, a Dask cluster, escaped names."""

from __future__ import annotations

import csv
import json
import os
import time
from html.parser import HTMLParser
from pathlib import Path

import joblib
import pandas as pd
import pytest

import many_sites_world as sites
from sewer_audit import audit, load_case, many_sites
from sewer_audit.__main__ import main
from sewer_audit.errors import InputRefused
from sewer_audit.many_sites import review_sites
from sewer_audit.many_sites.page import summary_page
from sewer_audit.many_sites.rows import expected_recovery, ranked_table

EVIL = 'Mill <script>alert(1)</script> & \\"sons\\"'


@pytest.fixture(scope="module")
def cases(tmp_path_factory) -> list[Path]:
    """Three sites that can be audited and two that cannot."""
    folder = tmp_path_factory.mktemp("cases")
    made = [
        sites.write_site(folder / "north", 1, over=1.10),
        sites.write_site(folder / "broken", 2),
        sites.write_site(folder / "south", 3, over=1.40, title=EVIL),
        folder / "nowhere" / "case.toml",
        sites.write_site(folder / "west", 4, over=0.80, title="=1+1"),
    ]
    (folder / "broken" / "log.csv").write_text("time,level\n2025-01-01 00:00:00,12,5\n")
    return made


@pytest.fixture(scope="module")
def serial(cases, tmp_path_factory):
    out, begin = tmp_path_factory.mktemp("serial") / "out", time.perf_counter()
    found = review_sites(cases, out, draws=1000, seed=3, progress=False)
    assert 0 < found.log["seconds"].sum() < time.perf_counter() - begin
    return found


def content(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_sites_are_ranked_by_expected_recovery_and_failures_come_last(serial):
    table = serial.table
    assert list(table["site"]) == [
        "003-south",
        "001-north",
        "005-west",
        "002-broken",
        "004-nowhere",
    ]
    assert list(table["status"]) == ["reviewed"] * 3 + ["refused"] * 2
    assert list(table["rank"].dropna()) == [1, 2, 3]
    recovery = table["expected_recovery"].dropna().astype(float)
    assert recovery.is_monotonic_decreasing and recovery.iloc[-1] < 0 < recovery.iloc[0]
    assert serial.failed == 2
    assert "log.csv" in table["problems"].iloc[3] and "case.toml" in table["problems"].iloc[4]


def test_the_expected_recovery_follows_from_the_truth(cases, serial):
    """Billed 1.4 times the discharge at 7 a cubic metre: 0.4/1.4 of the total is too much."""
    row = serial.table.iloc[0]
    expected = row["invoiced_total"] * 0.4 / 1.4
    assert row["recovery_low"] < expected < row["recovery_high"]
    result = audit(load_case(cases[2]), draws=1000, seed=3)
    found = expected_recovery(result, [0, 1])
    assert found["expected_recovery"] == pytest.approx(row["expected_recovery"], rel=1e-11)
    parts = [expected_recovery(result, [k])["expected_recovery"] for k in (0, 1)]
    assert sum(parts) == pytest.approx(found["expected_recovery"], rel=1e-9)


def test_what_is_written_says_the_same(serial):
    with (serial.folder / "sites.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["site"] for row in rows] == list(serial.table["site"])
    assert rows[2]["title"] == "'=1+1"
    records = json.loads((serial.folder / "sites.json").read_text())
    assert [each["site"] for each in records["sites"]] == [
        "001-north",
        "002-broken",
        "003-south",
        "004-nowhere",
        "005-west",
    ]
    assert json.loads((serial.folder / "003-south" / "findings.json").read_text())["draws"] == 1000
    assert not (serial.folder / "002-broken").exists()


class _Page(HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.links = [], []

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.links += [value for name, value in attributes if name in ("href", "src")]


def test_the_page_stands_alone_and_escapes_names(serial):
    text = (serial.folder / "sites.html").read_text()
    page = _Page()
    page.feed(text)
    assert "script" not in page.tags and "&lt;script&gt;" in text
    assert page.links and all((serial.folder / link).is_file() for link in page.links)
    assert "http" not in text.replace("http-equiv", "")
    for trace in (str(Path.home()), str(serial.folder), os.uname().nodename + "/"):
        assert trace not in text


def test_two_workers_give_what_one_gives(cases, serial, tmp_path):
    parallel = review_sites(cases, tmp_path / "out", jobs=2, draws=1000, seed=3, progress=False)
    assert os.getpid() not in set(parallel.log["process"])
    pd.testing.assert_frame_equal(parallel.table, serial.table)
    assert content(parallel.folder) == content(serial.folder)


def test_a_dask_cluster_of_two_workers_gives_what_one_process_gives(cases, serial, tmp_path):
    distributed = pytest.importorskip("distributed")
    cluster = distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    )
    with cluster, distributed.Client(cluster) as client:
        with joblib.parallel_config(backend="dask"):
            found = review_sites(cases, tmp_path / "out", jobs=-1, draws=1000, seed=3)
        workers = set(client.run(os.getpid).values())
    assert set(found.log["process"]) <= workers and os.getpid() not in workers
    pd.testing.assert_frame_equal(found.table, serial.table)
    assert content(found.folder) == content(serial.folder)


def test_a_worker_that_is_ended_costs_its_own_site_only(cases, serial, tmp_path, monkeypatch):
    """As when the system ends a process that took too much memory."""
    monkeypatch.setattr(many_sites, "_one", sites.one_that_dies)
    found = review_sites(cases, tmp_path / "out", jobs=2, draws=1000, seed=3, progress=False)
    table = found.table.set_index("site")
    assert table.loc["001-north", "status"] == "failed"
    assert "worker ended" in table.loc["001-north", "problems"]
    assert list(table.loc[["003-south", "005-west"], "status"]) == ["reviewed"] * 2
    kept = serial.table.set_index("site").loc["003-south", "expected_recovery"]
    assert table.loc["003-south", "expected_recovery"] == kept


def test_a_site_that_needs_too_much_memory_fails_alone(cases, tmp_path):
    found = review_sites(
        cases[:1], tmp_path / "out", jobs=1, draws=4_000_000, progress=False, memory=700
    )
    assert found.table["status"].tolist() == ["failed"]
    assert "memory" in found.table["problems"].iloc[0]
    again = review_sites(cases[:1], tmp_path / "out", draws=1000, progress=False, memory=4000)
    assert again.failed == 0


def test_a_quarter_counts_its_own_invoices(cases, tmp_path, capsys):
    found = review_sites([cases[0]], tmp_path / "a", quarter="2025Q1", draws=500)
    assert found.failed == 0 and "1 of 1: 001-north reviewed" in capsys.readouterr().err
    findings = json.loads((found.folder / "001-north" / "findings.json").read_text())
    assert findings["review"]["quarter"] == "2025Q1"
    none = review_sites([cases[0]], tmp_path / "b", quarter="2031Q1", draws=500, progress=False)
    assert none.table["status"].tolist() == ["refused"]


def test_targets_and_empty_lists_are_refused(cases, tmp_path):
    with pytest.raises(InputRefused, match="no case is named"):
        review_sites([], tmp_path / "out")
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("keep me")
    with pytest.raises(InputRefused, match="something else"):
        review_sites(cases[:1], tmp_path / "mine")
    assert (tmp_path / "mine" / "letter.txt").read_text() == "keep me"


def test_a_site_that_takes_too_long_fails_alone(cases, tmp_path, monkeypatch):
    record, slow = many_sites.site_record, []

    def endless(file, *rest):
        while "north" in file:
            slow.append(file)
        return record(file, *rest)

    monkeypatch.setattr(many_sites, "site_record", endless)
    found = review_sites(
        [cases[0], cases[2]], tmp_path / "out", draws=1000, progress=False, seconds=12
    )
    assert slow and found.failed == 1
    assert list(found.table["status"]) == ["reviewed", "failed"]
    assert found.table["problems"].iloc[1] == "it takes longer than 12 s"


@pytest.mark.parametrize(
    ("option", "said"), [("--jobs", "0 jobs"), ("--memory", "0 MB"), ("--seconds", "0 s")]
)
def test_senseless_options_are_refused(cases, tmp_path, capsys, option, said):
    code = main(["review", str(cases[0]), option, "0", "--out", str(tmp_path / "x")])
    assert code == 1 and said in capsys.readouterr().err
    assert not (tmp_path / "x").exists()


def test_the_command_takes_a_pattern(cases, tmp_path, capsys):
    pattern = str(cases[0].parent.parent / "*" / "case.toml")
    code = main(["review", pattern, "--jobs", "1", "--draws", "500", "--out", str(tmp_path / "x")])
    said = capsys.readouterr()
    assert code == 1 and "3 reviewed, 1 without a result" in said.out
    assert "4 of 4" in said.err
    assert main(["review", str(tmp_path / "no*"), "--out", str(tmp_path / "y")]) == 1
    assert "matches this pattern" in capsys.readouterr().err


def test_currencies_are_not_ranked_against_each_other():
    def site(name, currency, amount):
        fixed = {"status": "reviewed", "title": name, "file": "findings.json", "problems": []}
        return {"site": name, "currency": currency, "expected_recovery": amount, **fixed}

    table = ranked_table([site("a", "USD", 5.0), site("b", "EUR", 1.0), site("c", "USD", 9.0)])
    assert list(zip(table["site"], table["rank"], strict=True)) == [("b", 1), ("c", 1), ("a", 2)]
    page = summary_page(table, "2026Q1", 100, 1)
    assert page.index("Accounts in EUR") < page.index("Accounts in USD")
