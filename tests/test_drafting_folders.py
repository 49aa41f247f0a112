"""A folder of raw files becomes proposals and questions; nothing is adopted unasked.

The folders of tests/simulations/foreign_folders.py were written without sight of this code; what
each file is, and the right reading of it, comes from there.
"""

from __future__ import annotations

import sys
import tomllib
import zipfile
from pathlib import Path

import pandas as pd
import pytest

from sewer_audit import audit, load_case
from sewer_audit.drafting import draft_case, raw_sample
from sewer_audit.drafting.looking import counted_in, unit_in
from sewer_audit.errors import InputRefused
from sewer_audit.report.folder.running import run_notebook
from sewer_audit.units import to_si

sys.path.insert(0, str(Path(__file__).parent / "simulations"))
pytest.importorskip("reportlab")
foreign = pytest.importorskip("foreign_folders")
raw_folders = pytest.importorskip("raw_folders")

SAYS = {
    "effluent record": "record",
    "meter book": "reads",
    "bills": "bills",
    "bill": "bill",
    "ordinance": "ordinance",
    "note": "note",
    "interval data of the intake": "interval data",
    "empty": "nothing",
    "junk": "nothing",
    "photo": "picture",
}


def make(tmp_path, kind, seed=41):
    truth = foreign.make_folder(kind, seed, tmp_path / "raw")
    return truth, draft_case(tmp_path / "raw")


def lines_of(draft, name):
    return {line.key: line for p in draft.found.proposals if p.name == name for line in p.lines}


@pytest.mark.parametrize("kind", ["echo daylight", "german winter", "epoch pulse", "interval xml"])
def test_every_file_is_told_for_what_it_is(tmp_path, kind):
    truth, draft = make(tmp_path, kind)
    said = {look.file: look.what for look in draft.looks}
    for file, entry in truth["files"].items():
        assert said[file] == SAYS[entry["what"]], file


def test_a_draft_that_nobody_touched_holds_nothing(tmp_path):
    _, draft = make(tmp_path, "spanish utc")
    assert tomllib.loads(draft.text()) == {}
    assert "#? volume_unit = " in draft.text() and "#! time_zone = " in draft.text()


def test_only_what_was_taken_or_answered_counts(tmp_path):
    _, draft = make(tmp_path, "spanish utc")
    tree = tomllib.loads(draft.text(["invoices"], {"time_zone": "Europe/Madrid"}))
    assert set(tree) == {"case", "invoices"}
    assert tree["case"] == {"time_zone": "Europe/Madrid"}
    assert tree["invoices"]["volume_unit"] == "m3"
    with pytest.raises(InputRefused, match="nothing called 'bills' is proposed"):
        draft.text(["bills"])
    with pytest.raises(InputRefused, match="nothing called 'colour' is asked"):
        draft.text([], {"colour": "red"})


def test_evidence_counts_what_the_files_hold(tmp_path):
    truth, draft = make(tmp_path, "echo daylight")
    record = lines_of(draft, "effluent")
    assert record["day_first"].value == "false"
    assert record["day_first"].evidence.startswith("0 of ")
    assert "12 stamps stand twice" in record["# clock"].evidence
    assert record["missing_marks"].value == '["LOE"]'
    main = lines_of(draft, "intake.main")
    assert (main["unit"].value, main["multiplier"].value) == ('"gal"', "100")
    assert "reads printed on bills stand in this column" in main["meter"].evidence
    assert truth["files"]["meter book.xlsx"]["main_register"] in main["sheet"].value


def test_what_stands_in_two_exports_is_no_daylight_saving(tmp_path):
    _, draft = make(tmp_path, "depth velocity")
    assert "# clock" not in lines_of(draft, "effluent")
    asked = {question.name: question for question in draft.found.questions}
    assert "standard time" in asked["effluent.time_zone"].hint
    assert "Q3.csv" in lines_of(draft, "effluent")["file_columns"].value


def test_numbers_cut_in_two_cannot_be_taken(tmp_path):
    _, draft = make(tmp_path, "date time apart")
    with pytest.raises(InputRefused, match="looks like one number cut in two"):
        draft.text(["effluent"])


@pytest.mark.parametrize("kind", ["german winter", "meter book", "shoebox"])
def test_from_folder_to_the_verdict_that_was_planted(kind):
    told = raw_folders.one(kind, 43)
    assert told["verdict"] == "equal" and not told["false"]
    assert told["unasked"] == 0 and 5 < told["answers"] <= 25
    assert told["seconds"] < 10


def test_the_page_of_a_draft_holds_its_pictures(tmp_path):
    _, draft = make(tmp_path, "scanned bills")
    page = (draft.write(tmp_path / "out").parent / "first_look.html").read_text(encoding="utf-8")
    assert "data:image/png;base64," in page and "http" not in page


def test_what_was_taken_answered_or_edited_stays_when_more_is_taken(tmp_path):
    _, draft = make(tmp_path, "spanish utc")
    out = tmp_path / "out"
    draft.write(out, [], {"title": "the dyeworks", "intake.main.read_within": "1 h"})
    file = draft.write(out, ["invoices"])
    edited = file.read_text("utf-8").replace("#! return_factor = ", "return_factor = 0.85")
    edited = edited.replace("# Run either", "# a remark of ours\n# Run either")
    file.write_text(edited + '\n[display]\nvolume = "m3"\n', encoding="utf-8")
    draft.write(out, ["intake.main"], {"time_zone": "Europe/Madrid", "title": "the dye house"})
    tree = tomllib.loads(file.read_text("utf-8"))
    assert tree["case"] == {
        "title": "the dye house", "time_zone": "Europe/Madrid", "return_factor": 0.85
    }  # fmt: skip
    assert set(tree) == {"case", "invoices", "intake", "display"}
    assert tree["intake"][0]["read_within"] == "1 h"
    text = file.read_text("utf-8")
    assert text.count("# a remark of ours") == 1
    asked = set(draft.still_open(before=text)["question"])
    assert "basis" in asked and not asked & {"title", "return_factor", "intake.main.read_within"}
    told = draft.told(text)
    assert "invoices: taken" in told and "\n  title:" not in told
    assert (
        draft.folder.name in tree["invoices"]["file"] and (out / tree["invoices"]["file"]).exists()
    )
    draft.write(out, again=True)
    assert tomllib.loads(file.read_text("utf-8")) == {}


def test_a_case_that_no_draft_wrote_is_not_written_over(tmp_path):
    _, draft = make(tmp_path, "scanned bills")
    (tmp_path / "case.toml").write_text('[case]\ntitle = "mine"\n')
    with pytest.raises(InputRefused, match="a case that no draft wrote lies there"):
        draft.write(tmp_path)


def test_a_name_that_is_not_proposed_is_answered_by_the_nearest(tmp_path):
    _, draft = make(tmp_path, "spanish utc")
    with pytest.raises(InputRefused, match=r"Perhaps intake\.main is meant"):
        draft.text(["intake"])
    with pytest.raises(InputRefused, match=r"Perhaps intake\.main\.read_within is"):
        draft.text([], {"read_within": "0 min"})


def test_units_stand_whole_in_a_name():
    assert unit_in("Caudal (l/s)", "discharge") == "l/s"
    assert unit_in("Level in", "length") == "in"
    assert unit_in("Fahrt 3", "length") == ""


@pytest.mark.parametrize(
    ("head", "unit"),
    [("Ilość [100 cf]", "CCF"), ("Usage (1,000 gal)", "kgal"), ("thousands of gallons", "kgal"),
     ("volume (m³)", "m3"), ("hundred cubic feet", "CCF"), ("Use in 250 gal", "")],
)  # fmt: skip
def test_a_number_before_a_unit_belongs_to_it(head, unit):
    """Read as the bare unit the whole bill would be wrong by that number."""
    told = counted_in(head, "volume")
    assert bool(told) == bool(unit)
    assert not unit or to_si(1, told, "volume") == to_si(1, unit, "volume")


def test_the_form_ticks_and_fills_nothing_beforehand(tmp_path):
    _, draft = make(tmp_path, "spanish utc")
    form = draft.form(tmp_path / "out")
    ticks = {each.description: each for each in form.children if type(each).__name__ == "Checkbox"}
    fields = [each for each in form.children if type(each).__name__ == "Text"]
    assert ticks and not any(each.value for each in ticks.values())
    assert len(fields) == len(draft.found.questions) and not any(each.value for each in fields)
    ticks["take invoices"].value = True
    next(each for each in form.children if type(each).__name__ == "Button").click()
    written = tomllib.loads((tmp_path / "out" / "case.toml").read_text(encoding="utf-8"))
    assert set(written) == {"invoices"}


TAKEN = ["invoices", "rates", "intake.main"]
ANSWERED = {
    "title": "the creamery",
    "time_zone": "America/Chicago",
    "basis": "intake",
    "return_factor": "0.9",
    "invoices.volume_unit": "kgal",
    "intake.main.unit": "gal",
    "intake.main.multiplier": "100",
    "intake.main.read_within": "0 min",
}


def test_the_notebook_shows_the_first_report_of_what_was_taken(tmp_path):
    """The raw files of the sample: with the answers of its own case the register is the same."""
    folder = raw_sample()
    draft = draft_case(folder)
    assert {each.question for each in draft.still_open(TAKEN, ANSWERED).itertuples()} == set()
    draft.write(tmp_path / "case", TAKEN, ANSWERED)
    given = {"folder": str(folder), "case": str(tmp_path / "case"), "draws": 200}
    cells = run_notebook(Path(__file__).parent.parent / "notebooks/first_look.ipynb", given).cells
    shown = "".join(str(each.get("outputs")) for each in cells)
    assert "what left the site through the sewer" in shown and "the creamery" in shown
    lines = {line.key: line for p in draft.found.proposals for line in p.lines}
    assert lines["digits"].value == "6" and "a roll-over" in lines["digits"].evidence
    first = audit(load_case(tmp_path / "case"), draws=200)
    assert {tuple(row.invoices) for row in first.signatures.itertuples()} >= {("K2512",)}


def test_the_notebook_goes_on_where_a_draft_is_not_answered(tmp_path):
    folder = raw_sample()
    draft_case(folder).write(tmp_path / "case", ["invoices"])
    given = {"folder": str(folder), "case": str(tmp_path / "case"), "draws": 200}
    cells = run_notebook(Path(__file__).parent.parent / "notebooks/first_look.ipynb", given).cells
    shown = "".join(str(each.get("outputs")) for each in cells)
    assert "cannot be audited yet" in shown and "the key 'case' is missing" in shown.replace(
        "\\", ""
    )


def test_a_fall_that_no_roll_over_explains_cannot_be_taken(tmp_path):
    (tmp_path / "meter.csv").write_text(
        "time,register\n" + "".join(f"2026-0{m}-01,{c}\n" for m, c in
        ((1, 700100), (2, 700220), (3, 700340), (4, 15), (5, 130)))
    )  # fmt: skip
    (proposal,) = (p for p in draft_case(tmp_path).found.proposals if p.table != "[rates]")
    assert "After a change of meter" in proposal.refused and "line 5" in proposal.refused


def test_files_of_this_program_are_told_from_an_ordinance(tmp_path):
    (tmp_path / "old.txt").write_text('[case]\ntitle = "rate and charge of 2 per cent"\n')
    (tmp_path / "prices.txt").write_text('[schedule]\nname = "rate, charge and fee of 2026"\n')
    draft = draft_case(tmp_path)
    assert [look.what for look in draft.looks] == ["case", "rate schedule"]
    assert lines_of(draft, "rates")["file"].value == '"../prices.txt"'


def test_a_table_of_bills_that_does_not_go_with_the_first_is_told(tmp_path):
    rows = "B1,2026-01-01,2026-02-01,90,405.00\nB2,2026-02-01,2026-03-01,80,360.00\n"
    (tmp_path / "old.csv").write_text("invoice,start,end,billed volume kgal,total\n" + rows)
    (tmp_path / "new.csv").write_text("bill no,from,to,volume kgal,total\n" + rows)
    told = lines_of(draft_case(tmp_path), "invoices")["file"]
    assert told.value == '"../new.csv"' and "not with them" in told.evidence
    assert "old.csv" in told.evidence


BILL = "Account,Bill,From,To,Days,Previous,Current,Sewer units (kgal),Base,Volume charge,Total due"


def bills_of(tmp_path, periods):
    rows = [f"441,{n},{a},{b},{d},{n}00,{n + 1}00,100,10.00,500.00,510.00"
            for n, (a, b, d) in enumerate(periods, start=1)]  # fmt: skip
    (tmp_path / "bills.csv").write_text("\n".join([BILL, *rows]) + "\n")
    draft = draft_case(tmp_path)
    return lines_of(draft, "invoices"), [each.name for each in draft.found.questions]


@pytest.mark.parametrize(
    ("periods", "day_first"),
    [
        ([("03/04/2025", "04/05/2025", 31), ("04/05/2025", "05/06/2025", 32)], "true"),
        ([("03/04/2025", "04/05/2025", 32), ("04/05/2025", "05/06/2025", 31)], "false"),
        ([("01/02/2025", "01/03/2025", 28)], "true"),  # month first it would last a day
        ([("10/01/2025", "11/02/2025", 33)], None),  # either way 32 days, or 33 with both ends
    ],
)
def test_days_and_periods_tell_the_order_of_dates(tmp_path, periods, day_first):
    lines, asked = bills_of(tmp_path, periods)
    told = lines["day_first"].value if "day_first" in lines else None
    assert told == day_first and ("invoices.day_first" in asked) == (day_first is None)
    assert "overlapping_days" not in lines


def test_figures_that_are_no_charges_are_told_from_those_that_add_up(tmp_path):
    lines, _ = bills_of(
        tmp_path, [("2025-03-04", "2025-04-05", 32), ("2025-04-05", "2025-05-06", 31)]
    )
    assert lines["not_charges"].value == '["Account", "Days"]'
    assert "charge lines: Base, Volume charge" in lines["columns"].evidence
    assert 'billed_volume = "Sewer units (kgal)"' in lines["columns"].value


def test_a_damaged_workbook_is_told_and_the_rest_is_drafted(tmp_path):
    with zipfile.ZipFile(tmp_path / "odd.xlsx", "w") as archive:
        archive.writestr("xl/other.xml", "<a/>")
    (tmp_path / "cut.xlsx").write_bytes((tmp_path / "odd.xlsx").read_bytes()[:40])
    (tmp_path / "note.txt").write_text("the reader comes at eight\n")
    said = {look.file: look for look in draft_case(tmp_path).looks}
    assert said["odd.xlsx"].what == said["cut.xlsx"].what == "nothing"
    assert "damaged" in said["odd.xlsx"].why and said["note.txt"].what == "note"


def test_a_table_of_bills_is_known_by_its_figures_in_any_language(tmp_path):
    """Heads nobody knows: periods meet, reads go on, lines add up, the volume follows the reads."""
    rows = ["aa;bb;cc;dd;ee;ff;gg;hh;ii;jj"]
    read, day = 45_000, pd.Timestamp("2025-01-08")
    for number, (days, used) in enumerate(((30, 410), (29, 395), (33, 452), (31, 400)), start=1):
        end, line = day + pd.Timedelta(days=days), round(used * 2.145, 2)
        money = f"18.50;{line:.2f};{line + 18.5:.2f}".replace(".", ",")
        dates = f"{day:%d.%m.%Y};{end:%d.%m.%Y};{days}"
        rows.append(f"Z-{number};{dates};{read};{read + used};{used};{money}")
        read, day = read + used, end
    (tmp_path / "x.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    lines = lines_of(draft_case(tmp_path), "invoices")
    assert tomllib.loads("c = " + lines["columns"].value)["c"] == {
        "invoice": "aa", "start": "bb", "end": "cc", "previous_read": "ee", "current_read": "ff",
        "billed_volume": "gg", "total": "jj",
    }  # fmt: skip
    assert "by their figures invoice, start" in lines["columns"].evidence
    assert lines["not_charges"].value == '["dd"]'


def test_what_a_column_of_a_record_holds_is_asked_where_no_word_tells(tmp_path):
    times = pd.date_range("2026-01-01", periods=600, freq="15min")
    rows = "".join(f"{t:%Y-%m-%d %H:%M},{80 + n % 7},12.1\n" for n, t in enumerate(times))
    (tmp_path / "x.csv").write_text("tid,zz (mm),uu\n" + rows)
    draft = draft_case(tmp_path)
    assert "effluent.zz_mm" in [question.name for question in draft.found.questions]
    text = draft.text(["effluent"], {"effluent.zz_mm": "head"})
    assert tomllib.loads(text)["effluent"]["columns"]["head"] == {"name": "zz (mm)", "unit": "mm"}
    assert "effluent.zz_mm" not in set(draft.still_open(before=text)["question"])


def test_bills_that_the_record_does_not_reach_are_told(tmp_path):
    times = pd.date_range("2026-01-01", periods=2000, freq="15min")
    rows = "".join(f"{t:%Y-%m-%d %H:%M},{80 + n % 7}\n" for n, t in enumerate(times))
    (tmp_path / "log.csv").write_text("time,level (mm)\n" + rows)
    bills_of(tmp_path, [("2025-12-28", "2026-01-28", 31), ("2026-01-28", "2026-02-28", 31)])
    told = lines_of(draft_case(tmp_path), "effluent")["allow_missing_periods"]
    assert told.value == "true" and "bills outside of it: 1" in told.evidence
    bills_of(tmp_path, [("2025-12-28", "2026-01-10", 13), ("2026-01-10", "2026-02-10", 31)])
    assert "allow_missing_periods" not in lines_of(draft_case(tmp_path), "effluent")


def test_money_at_one_rate_is_no_volume_and_dates_follow_the_bills(tmp_path):
    """Water at one rate is as proportional to the reads as the use; the meter book's dates fit
    both orders, and only one of them stands at the days that the bills print."""
    rows, read = [], 10422
    periods = [("1/6/25", "2/5/25", 30), ("2/5/25", "3/6/25", 29), ("3/6/25", "4/4/25", 29)]
    for number, (start, end, days) in enumerate(periods):
        used = 850 + 40 * number
        water, sewer = 0.35 * used, 0.6 * used
        rows.append(f"{1001 + number},{start},{end},{days},{read},{read + used},{used},"
                    f"{water:.2f},22.00,{sewer:.2f},{water + 22 + sewer:.2f}")  # fmt: skip
        read += used
    head = "Bill No,Service From,Service To,Days,Prior Read,Present Read,Usage (x100 gal)"
    text = [f"{head},Water Charge,Sewer Base,Sewer Usage,Total Due", *rows]
    (tmp_path / "b.csv").write_text("\n".join(text) + "\n")
    (tmp_path / "m.csv").write_text(
        "Date,Reading\n1/6/25 9:15 AM,10422\n2/5/25 9:05 AM,11272\n3/6/25 9:20 AM,12162\n"
    )
    draft = draft_case(tmp_path)
    bills, meter = lines_of(draft, "invoices"), lines_of(draft, "intake.main")
    assert 'billed_volume = "Usage (x100 gal)"' in bills["columns"].value
    assert "charge lines: Water Charge, Sewer Base, Sewer Usage" in bills["columns"].evidence
    assert to_si(1, bills["volume_unit"].value.strip('"'), "volume") == to_si(
        1, "100 gal", "volume"
    )
    assert bills["day_first"].value == meter["day_first"].value == "false"
    renamed = "\n".join(text).replace("Usage (x100 gal)", "zz")
    (tmp_path / "b.csv").write_text(renamed + "\n")
    assert 'billed_volume = "zz"' in lines_of(draft_case(tmp_path), "invoices")["columns"].value
