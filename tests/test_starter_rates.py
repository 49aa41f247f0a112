"""The questionnaire: three ordinances in prose price their worked bills to the cent.

Prose and bills were invented and worked by somebody who had not read the code
(`tests/simulations/ordinances.py`); the answers follow the prose alone.
"""

from __future__ import annotations

import csv
import io
from decimal import Decimal
from pathlib import Path

import pytest

from sewer_audit.__main__ import main
from sewer_audit.charges.pricing.worked_example import price_example
from sewer_audit.charges.schedule.loading import parse_rates
from sewer_audit.errors import AuditError, InputRefused
from sewer_audit.starter.asking import Answers, write_rates
from simulations.ordinances import worked

ORDINANCES = Path(__file__).parent / "data" / "ordinances"
BILLS = worked()


def answers_of(name: str) -> list[str]:
    return (ORDINANCES / f"{name}.answers").read_text(encoding="utf-8").splitlines()


def schedule_of(name: str, change: dict[str, str] | None = None):
    lines = answers_of(name)
    for old, new in (change or {}).items():
        assert old in lines
        lines = [new if line == old else line for line in lines]
    text, _ = write_rates(Answers(lines, f"{name}.answers", say=lambda _: None))
    return text, parse_rates(text)


def words_of(bill: dict, folder: Path, earlier: list[dict]) -> dict[str, str]:
    words = {"start": bill["start"], "end": bill["end"]}
    if "water_gal" in bill:
        words["volume"] = f"{bill['water_gal']} gal"
    else:
        words["volume"] = f"{Decimal(bill['water_cf']) / 100} CCF"
    if "meter_size" in bill:
        words["meter_size"] = bill["meter_size"]
    if "samples" in bill:
        words["equivalent units"] = bill["equivalent_units"]
        words |= {name: ",".join(map(str, each)) for name, each in bill["samples"].items()}
    if earlier:
        file = folder / "earlier.csv"
        with file.open("w", newline="") as stream:
            rows = csv.writer(stream)
            rows.writerow(["start", "end", "volume"])
            rows.writerows([row["start"], row["end"], row["water_ccf"]] for row in earlier)
        words["earlier_use"] = str(file)
    return words


@pytest.mark.parametrize("name", sorted(BILLS))
def test_every_line_of_the_worked_bills_is_met(name, tmp_path):
    _, schedule = schedule_of(name)
    for bill in BILLS[name]["bills"]:
        words = words_of(bill, tmp_path, BILLS[name].get("earlier_use", []))
        priced = price_example(schedule, words | {"total": bill["total"]})
        assert priced.agrees, f"{bill['invoice']}\n{priced}"
        lines = {line.name: f"{line.amount:.2f}" for line in priced.priced.lines}
        assert lines == bill["lines"], bill["invoice"]


def test_a_wrong_answer_is_seen_in_the_example():
    """Hollin Marsh, section 31-6: with 80 % for 85 % its own example is not met."""
    lines = answers_of("hollin_marsh")
    lines[lines.index("85 %")] = "80 %"
    _, examples = write_rates(Answers(lines, "x", say=lambda _: None))
    assert "NOT the stated total 863.70: differs by -46.85" in examples[0]


def test_places_stand_beside_their_rules():
    text, _ = schedule_of("ulverbrook")
    assert "[[version.charge]]                 # 6.06" in text
    assert 'rounding = { to = 1, rule = "down" } # 6.01' in text


@pytest.mark.parametrize(
    ("old", "new", "line", "said"),
    [
        ("85 %", "85 percent", 14, "is no number"),
        ("30", "thirty", 26, "is no number"),
        ("month", "fortnight", 24, "Write one of bill, month, quarter, year, day"),
        ("sec. 31-3", "", 32, "State where it is printed"),
        ("metered water", "river water", 11, "Write a number from 1 to 8, or the words"),
    ],
)
def test_an_answer_that_cannot_be_read_is_refused_with_its_line(old, new, line, said):
    with pytest.raises(InputRefused, match=said) as caught:
        schedule_of("hollin_marsh", {old: new})
    assert caught.value.problems[0].line == line


def test_a_person_is_asked_again():
    lines, said = answers_of("hollin_marsh"), []
    at = lines.index("2024-07-01 @ sec. 31-7")
    lines.insert(at, "July 1, 2024")
    text, _ = write_rates(Answers(lines, "", say=said.append))
    assert "effective = 2024-07-01" in text
    assert "  write each day as 2024-07-01" in said


def test_a_bad_unit_is_asked_again_and_the_rest_is_kept():
    lines, said = answers_of("hollin_marsh"), []
    unit = next(n for n, line in enumerate(lines) if line.startswith("kgal"))
    lines.insert(unit, "thousands")
    text, _ = write_rates(answers := Answers(lines, "", say=said.append))
    assert 'unit = "kgal"' in text and any("thousands" in line for line in said)
    assert not any(line.endswith("thousands") for line in answers.told)


def test_what_only_the_whole_schedule_shows_is_asked_again():
    """A step of nothing is refused with the whole; that answer alone is asked once more."""
    lines, said = answers_of("hollin_marsh"), []
    wrong = ["0 half up" if line == "0.1 half up" else line for line in lines]
    wrong.insert(
        next(n for n, line in enumerate(wrong) if line.startswith("volume=")), "0.1 half up"
    )
    text, _ = write_rates(answers := Answers(wrong, "", say=said.append))
    assert text == schedule_of("hollin_marsh")[0]
    assert any("greater than 0" in line for line in said)
    again, _ = write_rates(Answers("\n".join(answers.told).split("\n"), "told"))
    assert again == text


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [("account fee", "base charge", "names must differ"), ("27-33", "33-27", "smaller first"),
     ("2024-07-01 @ sec. 31-7", "2024-07-01; 2023-01-01", "oldest first")],
)  # fmt: skip
def test_answers_that_cannot_stand_together_are_told_at_once(old, new, says):
    with pytest.raises(InputRefused, match=f"(?i){says}"):
        schedule_of("hollin_marsh", {old: new})


def test_a_file_of_answers_that_ends_goes_on_with_the_person(monkeypatch, tmp_path, capsys):
    lines = answers_of("hollin_marsh")
    file, folder = tmp_path / "half.txt", tmp_path / "mine"
    file.write_text("\n".join(lines[:20]) + "\n", encoding="utf-8")
    person = io.StringIO("\n".join(lines[20:]) + "\n")
    person.isatty = lambda: True
    monkeypatch.setattr("sys.stdin", person)
    assert main(["start", str(folder), "--rates", "--answers", str(file)]) == 0
    whole, _ = schedule_of("hollin_marsh")
    assert (folder / "rates.toml").read_text("utf-8") == whole


def test_a_refused_file_of_answers_is_left_as_it_is(tmp_path):
    lines = answers_of("hollin_marsh")
    unit = next(n for n, line in enumerate(lines) if line.startswith("kgal"))
    folder = tmp_path / "mine"
    assert main(["start", str(folder)]) == 0
    file = folder / "rates.answers.txt"
    text = "\n".join([*lines[:unit], "thousands", *lines[unit + 1 :]]) + "\n"
    file.write_text(text, encoding="utf-8")
    assert main(["start", str(folder), "--rates", "--answers", str(file)]) == 1
    assert file.read_text(encoding="utf-8") == text


def test_figures_of_editions_are_counted():
    with pytest.raises(InputRefused, match="3 figures for 2 editions"):
        schedule_of("tarn_fell", {"41.80; 44.35": "41.80; 44.35; 45"})
    _, schedule = schedule_of("tarn_fell")
    assert [v.charge[0].amount for v in schedule.version] == [Decimal("41.80"), Decimal("44.35")]


def test_one_figure_for_several_editions_is_never_a_silent_copy(tmp_path, capsys):
    lines, said = answers_of("tarn_fell"), []
    lines = ["41.80" if line == "41.80; 44.35" else line for line in lines]
    text, _ = write_rates(Answers(lines, "tarn_fell.answers", say=said.append))
    rows = [row for row in text.splitlines() if row.startswith("amount = 41.80")]
    assert len(rows) == 2 and all("stated once for all editions" in row for row in rows)
    assert any(row.endswith("one for each of the 2 editions, separated by ;") for row in said)
    person, said = [], []
    for line in lines:  # whoever answers is asked back for each figure stated once
        person.append(line)
        if line == "41.80":
            person.append("41.80; 44.35")
        elif line in ("300", "250", "8.34"):
            person.append(f"{line} for all")
    text, _ = write_rates(answers := Answers(person, "", say=said.append))
    assert "  does 41.80 hold in all 2 editions? Then write: 41.80 for all; " in "\n".join(said)
    assert "stated once" not in text and "amount = 44.35" in text
    again, _ = write_rates(Answers("\n".join(answers.told).split("\n"), "told"))
    assert again == text


@pytest.mark.parametrize(
    ("question", "wrong", "says"),
    [
        ("Volume that is free", "1 down", "unit 'down' is not known"),
        ("Other shares in some months", "1 down", "'1 down' is no row; write: 6 = 70 %, 7 = 70 %"),
        ("Other shares in some months", "2 in = 70 %", "'2 in' is no month from 1 to 12"),
    ],
)
def test_an_answer_is_checked_where_it_is_given(question, wrong, says):
    asked, said = [], []
    lines = [line for line in answers_of("hollin_marsh") if not line.startswith("#")]
    write_rates(Answers(lines, "", say=asked.append))
    at = next(n for n, each in enumerate(asked) if each.startswith(question))
    write_rates(Answers([*lines[:at], wrong, *lines[at:]], "", say=said.append))
    assert said[at].startswith(question) and says in said[at + 1] and said[at + 2] == said[at]


def test_the_command_writes_the_schedule_and_its_answers(tmp_path, capsys):
    folder, file = tmp_path / "mine", ORDINANCES / "hollin_marsh.answers"
    assert main(["start", str(folder), "--rates", "--answers", str(file)]) == 0
    assert "equal to the stated total" in capsys.readouterr().out
    again = folder / "again"
    told = folder / "rates.answers.txt"
    assert main(["start", str(again), "--rates", "--answers", str(told)]) == 0
    assert (again / "rates.toml").read_text() == (folder / "rates.toml").read_text()
    assert main(["start", str(folder), "--rates", "--answers", str(file)]) == 1
    assert "stands there already" in capsys.readouterr().err


def test_a_volume_is_priced_without_what_is_taken_off_and_the_words_lacking_are_named():
    text, _ = schedule_of("hollin_marsh")
    words = {"volume": "100 kgal", "days": "30", "meter_size": "2 in", "total": "863.70"}
    less = parse_rates(text.replace('basis = "intake"', 'basis = "intake less deduct"'))
    priced = price_example(less, words)
    assert priced.agrees and "nothing is taken off for deduct" in str(priced)
    taken = price_example(less, words | {"deduct": "10 kgal"})
    assert not taken.agrees and "nothing is taken off" not in str(taken)
    with pytest.raises(AuditError, match=r"write also meter_size=\.\.\."):
        price_example(less, {"volume": "100 kgal", "days": "30"})


def test_price_says_whether_the_stated_total_is_met(tmp_path, capsys):
    text, _ = schedule_of("hollin_marsh")
    (tmp_path / "rates.toml").write_text(text, encoding="utf-8")
    words = ["price", str(tmp_path), "volume=100 kgal", "days=30", "meter_size=2 in"]
    assert main([*words, "total=863.70"]) == 0
    assert "equal to the stated total" in capsys.readouterr().out
    assert main([*words, "total=863.71"]) == 1
    assert "differs by -0.01" in capsys.readouterr().out
    assert main([*words, "colour=red"]) == 1
    assert "'colour' is not known; known are volume" in capsys.readouterr().err
    assert main(["price", str(tmp_path), "volume"]) == 2
    assert "'volume' is not key=value" in capsys.readouterr().err
    assert main(["price", str(tmp_path)]) == 0
    told = capsys.readouterr().out.splitlines()
    assert {"volume", "days", "total"} <= {line.split()[0] for line in told}
    assert "by its name" in told[-1]
    with pytest.raises(AuditError, match="neither days nor end"):
        price_example(parse_rates(text), {"volume": "1 kgal"})
