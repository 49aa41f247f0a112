"""The command line as a user meets it: exit codes, messages, no traceback."""

from __future__ import annotations

import csv
import json
import re
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from sewer_audit import audit
from sewer_audit import reference as reference_module
from sewer_audit.__main__ import main
from sewer_audit.case import load_case, sample_case
from sewer_audit.hydraulics import build_device
from sewer_audit.hydraulics.kinds import DEVICES, device_rows
from test_case_starter import with_examples


def run(capsys, *words: str) -> tuple[int, str, str]:
    try:
        code = main(list(words))
    except SystemExit as stop:
        code = int(stop.code or 0)
    shown = capsys.readouterr()
    assert "Traceback" not in shown.err
    return code, shown.out, shown.err


def test_a_6_inch_parshall_flume_at_3_inches_passes_103_4_gpm(capsys):
    """Common practice, no source."""
    code, out, _ = run(capsys, "discharge", "parshall", "throat=6 in", "head=3 in", "--json")
    answer = json.loads(out)
    assert code == 0
    assert answer["discharge_m3s"] / 6.309020e-5 == pytest.approx(103.4, abs=0.05)
    assert answer["valid"] is True
    assert {"flags", "source"} <= set(answer)


def test_every_device_is_listed_with_its_sizes(capsys):
    code, out, err = run(capsys, "discharge", "list")
    assert code == 0 and not err
    for word in DEVICES:
        assert re.search(rf"^{re.escape(word)}\b", out, re.M), word
    assert "'throat=6 in'" in out and "['crest_height=1.5 ft']" in out and "echo" in out
    code, out, _ = run(capsys, "discharge", "list", "--json")
    listed = {row["device"]: row["keys"] for row in json.loads(out)}
    assert code == 0 and listed.keys() == DEVICES.keys()
    code, out, err = run(capsys, "discharge", "list", "head=3 in")
    assert code == 2 and "list stands alone" in err
    code, out, _ = run(capsys, "discharge", "--help")
    assert code == 0 and "list" in out


def test_a_key_is_explained_by_path_by_its_end_and_by_words(capsys):
    code, out, _ = run(capsys, "explain", "effluent.visit.hand")
    assert code == 0 and "head read by hand" in out and 'hand = "3.1 in"' in out
    _, out, _ = run(capsys, "explain", "normal_days")
    assert "version.charge.normal_days" in out and "also: " not in out
    _, out, _ = run(capsys, "explain", "roll-over")
    assert "digits" in out
    _, out, _ = run(capsys, "explain", "parshall")
    assert "effluent.throat of parshall" in out
    code, out, err = run(capsys, "explain", "nosuchkey")
    assert code == 1 and not out and "nothing is known of 'nosuchkey'" in err
    _, out, _ = run(capsys, "explain")
    assert "[[intake]]" in out and "[[version.charge]]" in out
    _, whole, _ = run(capsys, "explain", "--all")
    assert "normal_days" in whole and len(whole) > 5 * len(out)
    _, schema, _ = run(capsys, "explain", "--schema", "case")
    assert json.loads(schema)["properties"]["rule"]


@pytest.mark.parametrize(
    ("words", "answer"),
    [
        ("surcharge", "version.charge.parameter"), ("BOD", "account.samples"),
        ("ccf", "invoices.volume_unit"), ("leak", "use.kind"),
        ("logger clock", "effluent.time_zone"), ("sewer credit", "use.credited"),
        ("irrigation", "use.reference_evapotranspiration"), ("flume", "discharge list"),
        ("how do I enter a cooling tower?", "use.cycles_of_concentration"),
        ("minimum", 'kind "minimum"'), ("two meters", "further_register"),
        ("daylight saving", "effluent.time_zone"), ("late fees", "version.charge.late_fee"),
        ("evapotranspiration", "use.reference_evapotranspiration"),
    ],
)  # fmt: skip
def test_plain_words_are_answered_in_a_screenful(capsys, words, answer):
    code, out, _ = run(capsys, "explain", words)
    assert code == 0 and answer in out
    assert len(out.splitlines()) <= 40


def test_every_plain_word_leads_to_a_key_there_is():
    text = (Path(reference_module.__file__).parent / "plain_words.csv").read_text("utf-8")
    paths = {key.path for key in reference_module._every()}
    for row in csv.DictReader(text.splitlines()):
        assert set(row["see"].split()) <= paths and row["see"]
        for words in row["words"].split("|"):
            told = reference_module.about(words)
            named = any(f"{path}:" in told for path in row["see"].split())
            assert named or told.startswith(tuple(reference_module.topics())), words


def test_a_listed_example_builds_its_device():
    """What the list shows as needed is enough, and its examples are values that are taken."""
    for row in device_rows():
        needed = {key["name"]: key["example"] for key in row["keys"] if key["required"]}
        if needed:
            assert build_device(row["device"], needed).notes.sources


def test_discharge_in_words_prints_source_and_limits(capsys):
    code, out, _ = run(capsys, "discharge", "v-notch", "angle=90 deg", "head=0.5 ft")
    assert code == 0
    assert "source" in out.lower()


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (["discharge", "parshall", "throat 6 in"], 2, "is not key=value"),
        (["discharge", "nosuch", "head=1 in"], 1, "refused"),
        (["discharge", "parshall", "throat=6 in", "head=3"], 1, "needs a unit"),
        (["inspect", "no_such_folder/case.toml"], 1, "there is no such file"),
        (["report", "no_such_folder/case.toml", "--out", "x"], 1, "there is no such file"),
        (["recheck", "no_such_folder"], 1, "no_such_folder"),
        (["nosuch"], 2, "invalid choice"),
        ([], 2, "usage"),
        (["report", "--out", "x", "--draws", "7"], 2, "between 100 and"),
    ],
)
def test_wrong_use_is_one_clear_message(capsys, words, code, message):
    found, out, err = run(capsys, *words)
    assert found == code
    assert message in out + err


def test_start_writes_a_case_that_inspect_understands(capsys, tmp_path):
    folder = tmp_path / "mine"
    code, out, _ = run(capsys, "start", str(folder))
    assert code == 0
    assert {p.name for p in folder.iterdir()} >= {"case.toml", "rates.toml", "invoices.csv"}
    code, out, err = run(capsys, "inspect", str(folder))
    assert code == 1  # its files hold headers only
    assert "invoices.csv" in out + err
    code, _, err = run(capsys, "start", str(folder))
    assert code == 1
    assert "not empty" in err


def test_a_filled_starter_passes_inspect(capsys, tmp_path):
    folder = tmp_path / "mine"
    run(capsys, "start", str(folder))
    parts = (folder / "case.toml").read_text().split("\n\n")
    parts = [with_examples(p) if "[[intake]]" in p or "[effluent]" in p else p for p in parts]
    (folder / "case.toml").write_text("\n\n".join(parts))
    with (folder / "invoices.csv").open("a") as file:
        file.write("A1,2026-01-05,2026-02-04,1000,1500,actual,50.0,84.50,317.50,402.00\n")
    with (folder / "main_meter.csv").open("a") as file:
        file.write("2026-01-05 08:00,1000\n2026-01-20 08:00,1250\n2026-02-04 08:00,1500\n")
    with (folder / "effluent_log.csv").open("a") as file:
        for n, stamp in enumerate(pd.date_range("2026-01-05", "2026-02-05", freq="15min")):
            file.write(f"{stamp:%Y-%m-%d %H:%M},{31 + (n % 7) / 7:.2f}\n")
    code, out, err = run(capsys, "inspect", str(folder))
    assert code == 0, out + err
    result = audit(load_case(folder), draws=200)
    assert result.invoices["record_coverage"][0] == pytest.approx(1)


def test_inspect_of_the_sample_prints_counts(capsys):
    code, out, _ = run(capsys, "inspect", str(sample_case()))
    assert code == 0
    assert "12 invoices" in out
    assert "readings" in out


def test_help_of_every_command(capsys):
    for command in ("start", "inspect", "report", "discharge", "recheck"):
        code, out, _ = run(capsys, command, "--help")
        assert code == 0
        assert "usage" in out


def test_it_is_the_same_as_python_m_toolkit():
    done = subprocess.run(
        [sys.executable, "-m", "sewer_audit", "--help"], capture_output=True, text=True, check=True
    )
    assert "sewer-audit" in done.stdout


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("invoices.csv", "", "empty"),
        ("invoices.csv", "a,b\n1,2\n", "invoices.csv"),
        (
            "main_meter.csv",
            "time,register\n2025-03-12 08:00,10\n2025-03-11 08:00,9\n",
            "main_meter",
        ),
    ],
)
def test_broken_files_leave_no_evidence_behind(capsys, tmp_path, name, content, message):
    import shutil

    home = sample_case().parent
    shutil.copytree(home, tmp_path / "sample_bills")
    shutil.copytree(home.parent / "sample_logs", tmp_path / "sample_logs")
    (tmp_path / "sample_bills" / name).write_text(content)
    out = tmp_path / "evidence"
    code, _, err = run(
        capsys, "report", str(tmp_path / "sample_bills"), "--out", str(out), "--quiet"
    )
    assert code == 1
    assert message in err
    assert not out.exists()
    assert {p.name for p in tmp_path.iterdir()} == {"sample_bills", "sample_logs"}


def test_the_letter_is_printed_and_only_counsel_hears_of_what_was_too_low(capsys):
    words = ["letter", str(sample_case()), "--draws", "500"]
    said = [(main(given), capsys.readouterr().out)[1] for given in (words, [*words, "--counsel"])]
    assert said[0].startswith("[date]") and "For counsel" not in said[0]
    assert said[1].startswith("FOR YOUR OWN COUNSEL") and "For counsel" in said[1]
