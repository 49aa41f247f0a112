"""As many draws as the figures need, from the library, the notebooks and the command line."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from looked_at import looked_at
from sewer_audit import audit, load_case, sample_case
from sewer_audit.__main__ import main
from sewer_audit.errors import AuditError, ReportFailed
from sewer_audit.many_sites.page import summary_page
from sewer_audit.report.checking.rechecking import recheck
from sewer_audit.report.evidence.story import run_of
from sewer_audit.report.folder.running import check_parameters

FOLDER = Path(__file__).parent.parent / "notebooks"
AUDITS = [path for path in sorted(FOLDER.glob("*.ipynb")) if path.stem != "monitoring_plan"]


def with_digits(folder: Path, digits: int) -> Path:
    """A copy of the sample that states the digits to stand still."""
    home = sample_case().parent
    for part in (home, home.parent / "sample_logs"):
        shutil.copytree(part, folder / part.name)
    case = folder / home.name / "case.toml"
    text = case.read_text()
    assert text.count("[rule]\n") == 1
    case.write_text(text.replace("[rule]\n", f"[rule]\nstable_digits = {digits}\n"))
    return case


@pytest.mark.parametrize("command", ["report", "brief", "review"])
@pytest.mark.parametrize(
    ("word", "message"),
    [
        ("adaptiv", "'adaptiv' is neither a whole number nor 'adaptive'"),
        ("2e4", "'2e4' is neither a whole number nor 'adaptive'"),
        ("7", "between 100 and 10000000 draws"),
        ("-500", "between 100 and 10000000 draws"),
    ],
)
def test_wrong_words_are_told(capsys, command, word, message):
    with pytest.raises(SystemExit) as stop:
        main([command, str(sample_case()), "--out", "x", f"--draws={word}"])
    assert stop.value.code == 2
    assert message in capsys.readouterr().err


def test_a_plan_takes_a_number_only(capsys):
    with pytest.raises(SystemExit):
        main(["plan", "--out", "x", "--draws", "adaptive"])
    assert "'adaptive' is no whole number" in capsys.readouterr().err


@pytest.mark.parametrize("path", AUDITS, ids=lambda path: path.stem)
def test_every_notebook_of_an_audit_takes_the_word(path):
    given = {"case": "", "draws": "adaptive", "seed": 1, "deliver_to": ""}
    assert check_parameters(path, given) == given
    for wrong in ("many", True, 2000.0):
        with pytest.raises(ReportFailed, match=r"'draws'.*a whole number or 'adaptive'"):
            check_parameters(path, {**given, "draws": wrong})


@pytest.mark.parametrize("draws", ["many", True, 1, -5])
def test_the_library_refuses_other_draws(draws):
    with pytest.raises(AuditError, match="a whole number of at least 2, or 'adaptive'"):
        audit(load_case(sample_case()), draws=draws)


def test_the_page_says_how_many_draws_were_taken(tmp_path):
    """A case that wants two digits gets more draws than were asked for, and the page says so."""
    plain = looked_at(draws=500)
    assert str(run_of(plain)) == "This run: 500 draws, seed 1, 95 % coverage."
    result = audit(load_case(with_digits(tmp_path / "case", 1)), draws=500)
    assert result.draws == result.stability.draws >= 20_000
    told = str(run_of(result))
    assert told.startswith(f"This run: {result.draws:,} draws, seed 1")
    assert "within 1 significant digit of its uncertainty" in told
    assert told.endswith(f": {result.draws:,}.")
    open_end = replace(result, stability=replace(result.stability, stable=False, digits=2))
    assert "still not firm within 2 significant digits" in str(run_of(open_end))


def test_the_page_of_many_sites_says_it():
    table = pd.DataFrame({"status": [], "currency": []})
    assert "As many draws as the figures of each site need, seed 4" in summary_page(
        table, None, "adaptive", 4
    )
    assert "2,000 draws, seed 4" in summary_page(table, None, 2000, 4)


@pytest.mark.slow
@pytest.mark.parametrize("command", ["report", "brief", "review"])
def test_a_command_finds_its_number_of_draws_and_is_rechecked(tmp_path, command):
    out = tmp_path / "out"
    words = [command, str(sample_case()), "--draws", "adaptive", "--quiet", "--out", str(out)]
    assert main(words) == 0
    findings = json.loads((out / "findings.json").read_text())
    assert findings["draws"] == findings["stability"]["draws"] >= 20_000
    assert findings["stability"]["stable"]
    assert recheck(out).reproduced
