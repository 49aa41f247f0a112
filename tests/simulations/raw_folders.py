"""From a raw folder to a verdict on the bills, by a person who knows the truth and answers.

    python tests/simulations/raw_folders.py FIRST LAST

The folders are those of foreign_folders.py. The person takes the proposals that are right, answers
each question from the truth, types one PDF bill of each layout and writes the schedule from the
ordinance; every take and every answer counts. Told for each folder: seconds of the draft, answers,
lines adopted unasked (keys of the written case that were neither taken nor answered), and whether
the errors named and the amounts due are those planted.
"""

from __future__ import annotations

import csv
import sys
import tempfile
import time
import tomllib
from collections import Counter
from decimal import Decimal
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent))

import foreign_folders as folders
import openpyxl

from sewer_audit import audit, load_case
from sewer_audit.drafting import draft_case, read_bills
from sewer_audit.errors import InputRefused

DEVICES = {
    "echo daylight": [("method", "parshall flume"), ("throat", "6 in")],
    "german winter": [("method", "v-notch weir"), ("angle", "90 deg")],
    "spanish utc": [("method", "flow meter")],
    "epoch pulse": [("method", "parshall flume"), ("throat", "6 in")],
}
ACCOUNT = {"shoebox": "22-9041-7", "epoch pulse": "31-4477-2", "scanned bills": "60-2210-5"}


def schedule(world, lines) -> str:
    """The ordinance as a rate file; about a dozen answers of the questionnaire."""
    tariff, unit = world.books.tariff, world.books.large[0]
    basis = "intake less deduct" if world.books.side else "intake"
    text = (
        '[schedule]\nname = "rates"\ncurrency = "USD"\nsource = "ordinance"\n'
        'rate_change = "by start"\n'
        "end_day_counts = false\nline_rounding = { to = 0.01, rule = \"half up\" }\n"
        "total_rounding = { to = 0.01, rule = \"half up\" }\n"
    )  # fmt: skip
    for at, day in enumerate(("2020-01-01", tariff.change.isoformat())):
        text += (
            f'[[version]]\nname = "edition {at}"\neffective = {day}\n[[version.volume]]\n'
            f'name = "sewer"\nunit = "{unit}"\nbasis = "{basis}"\n'
            f"return_factor = {tariff.factor}\nrounding = {{ to = 0.1, rule = \"half up\" }}\n"
            f'[[version.charge]]\nname = "{lines[0]}"\nkind = "fixed"\n'
            f"amount = {tariff.fixed[at]}\n"
            f'[[version.charge]]\nname = "{lines[1]}"\nkind = "volume"\nrate = {tariff.rate[at]}\n'
            f'[[version.charge]]\nname = "{lines[2]}"\nkind = "percent"\nrate = {tariff.fee}\n'
            f'of = ["{lines[0]}", "{lines[1]}"]\n'
        )  # fmt: skip
    return text


def type_bills(folder: Path, kind: str, world, files: dict) -> int:
    """One PDF bill of each layout; the figures typed are answers too."""
    seen: dict[str, list] = {}
    for name, entry in files.items():
        if entry["what"] == "bill":
            number = entry.get("invoice") or Path(name).stem
            bill = next(one for one in world.bills if one.number == number)
            used = world.books.usage(world.books.main, bill.previous, bill.current)
            used *= 10 if bill.volume > 2 * used else 1
            seen.setdefault(entry["layout"], [
                name, ACCOUNT[kind], bill.number, bill.start, bill.end, bill.previous, bill.current,
                world.books.main.multiplier, used, bill.volume, bill.rate, *bill.lines, bill.total,
            ])  # fmt: skip
    head = (
        "file,account,invoice,start,end,previous_read,current_read,multiplier,usage,billed_volume,"
        "rate,Service charge,Sewer volume charge,Plant fee,total"
    )
    with (folder / "typed_bills.csv").open("w", newline="") as stream:
        csv.writer(stream).writerows([head.split(","), *seen.values()])
    return len(seen)


def mark_change(folder: Path, files: dict) -> int:
    """Write change-out beside the first read of a new meter, as the draft asks; cells written."""
    for name, entry in files.items():
        if "change_of_meter" in entry:
            book = openpyxl.load_workbook(folder / name)
            for row in book.worksheets[0].iter_rows():
                row[5].value = "change-out" if row[5].value == "new tower meter in" else None
            book.worksheets[0]["F3"] = "Remarks"
            book.save(folder / name)
            return 1
    return 0


def confirm(folder: Path) -> int:
    """Look at every crop and say yes: all figures are as printed."""
    file = folder / "read" / "questions.csv"
    with file.open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    for row in rows:
        row["answer"] = "yes"
    with file.open("w", newline="") as stream:
        writer = csv.DictWriter(stream, ["bill", "field", "read", "question", "crop", "answer"])
        writer.writeheader()
        writer.writerows(rows)
    return len(rows)


def answer_of(question, world, folder_truth) -> str | None:
    """What the person knows; None leaves the question open."""
    main, side = world.books.main, world.books.side
    name = question.name
    register = side if name.startswith("use.") else main
    known = {
        "title": "a site",
        "time_zone": world.site.zone,
        "basis": "intake",
        "return_factor": str(world.books.tariff.factor),
        "read_hour": "08:00",
        "volume_unit": world.books.large[0],
        "day_first": "false",
        "end_day_counts": "false",
        "credited": "true",
        "read_within": "0 min",  # on bill days the site reads beside the reader
    }
    if register is not None:
        known |= {"unit": register.unit, "multiplier": str(register.multiplier)}
    return known.get(name.rpartition(".")[2] if "." in name else name)


def one(kind: str, seed: int, draws: int = 400) -> dict:
    """One folder from its files to the verdict on its bills."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "raw"
        folder.mkdir()
        out = folders.Folder(folder, kind, seed)
        world = folders.KINDS[kind](out)
        folders.junk(out, world.rng)
        told = {"kind": kind, "seed": seed, "error": world.error, "answers": 0, "unasked": 0}
        if any(entry["what"] == "bill" for entry in out.files.values()):
            told["typed"] = type_bills(folder, kind, world, out.files)
            if read_bills(folder).asked:
                told["confirmed"] = confirm(folder)
                read_bills(folder)
        told["edited"] = mark_change(folder, out.files)
        begun = time.perf_counter()
        draft = draft_case(folder)
        draft.page()
        told["seconds"] = round(time.perf_counter() - begun, 1)
        lines = [line for p in draft.found.proposals if p.name == "invoices" for line in p.lines]
        if not lines:
            return told | {"verdict": "no bills that can be read"}
        take, answers = ["invoices", "rates"], {}
        refused = next((p.refused for p in draft.found.proposals if p.name == "invoices"), "")
        if refused:
            return told | {"verdict": "refused: " + refused[:60]}
        for proposal in draft.found.proposals:
            if proposal.table == "[[intake]]" and not proposal.refused:
                take.append(proposal.name)
            wanted = proposal.table == "[[use]]" and world.books.side and not proposal.refused
            if wanted and any("speak of deduct" in line.evidence for line in proposal.lines):
                take.append(proposal.name)
        for question in draft.found.questions:
            group = question.name.rpartition(".")[0]
            if (
                group in ("", "reads", *take)
                and (known := answer_of(question, world, out)) is not None
            ):
                answers[question.name] = known
        answers["invoices.read_hour"] = answers.pop("read_hour", answers.get("invoices.read_hour"))
        answers = {name: value for name, value in answers.items() if value is not None}
        told["record"] = record_lines(draft, out)
        told["answers"] = len(take) + len(answers)
        names = next(line.evidence for line in lines if line.key == "columns")
        charges = names.partition("charge lines: ")[2].split(", ")
        try:
            file = draft.write(folder / "draft", take, answers)
            (folder / "draft" / "rates.toml").write_text(schedule(world, charges), encoding="utf-8")
            told["unasked"] = unasked(file, draft, take, answers)
            findings = audit(load_case(file), draws=draws, seed=1).findings()
        except InputRefused as error:
            return told | {"verdict": f"refused: {error.problems[0]}"}
        return told | compare(findings, world)


def record_lines(draft, out) -> str:
    """Proposed lines of the record that the truth knows: right, wrong and asked."""
    lines = {line.key: line.value for p in draft.found.proposals if p.name == "effluent"
             for line in p.lines}  # fmt: skip
    asked = {question.key for question in draft.found.questions if question.table == "[effluent]"}
    right = wrong = 0
    told = []
    entry = next((e for e in out.files.values() if e["what"] == "effluent record"), None)
    if entry is None:
        return "none"
    for column, role in entry["columns"].items():
        if role not in ("nothing", "event"):
            ok = f'"{column}"' in lines.get(role, "")
            right, wrong = right + ok, wrong + (not ok)
            told += [] if ok else [role]
    clock = entry.get("clock", "")
    facts = {
        "day_first": {"day first": "true", "month first": "false"}.get(entry.get("day_order")),
        "time_zone": f'"{clock}"' if clock.startswith("UTC") else None,
        "stamp": f'"{entry["stamp"]}"' if entry.get("stamp", "instant") != "instant" else None,
    }
    for key, truth in facts.items():
        if lines.get(key) == truth:
            right += truth is not None
        elif key in lines:
            wrong, told = wrong + 1, [*told, key]
    marks = {mark for each in entry.get("missing_marks", ()) for mark in [f'"{each}"']}
    ok = all(mark in lines.get("missing_marks", "") for mark in marks)
    right, wrong = right + (ok and bool(marks)), wrong + (not ok)
    return f"{right} right, {wrong} wrong {told or ''}, asked: {', '.join(sorted(asked))}"


def unasked(file: Path, draft, take, answers) -> int:
    """Keys of the written case that were neither in a taken proposal nor answered."""
    tree = tomllib.loads(file.read_text(encoding="utf-8"))
    allowed = Counter(line.key for p in draft.found.proposals if p.name in take for line in p.lines)
    asked = {q.name: q.key for q in draft.found.questions}
    allowed.update(asked.get(name, name.rpartition(".")[2]) for name in answers)
    found: Counter[str] = Counter()
    for table in tree.values():
        for each in table if isinstance(table, list) else [table]:
            found.update(list(each["reads"] if each.keys() == {"reads"} else each))
    return sum((found - allowed).values())


def compare(findings: dict, world) -> dict:
    """Whether the errors named, and the totals due, are those planted."""
    due = {each["invoice"]: each for each in world.verdict}
    settled = ("estimated, settled by the next", "settles the estimate before")
    estimates = {number for number, each in due.items() if each["verdict"] in settled}
    wrong = {  # what an estimate moves between two bills need not be named
        number
        for number, each in due.items()
        if each["billed_total"] != each["due_total"] and number not in estimates
    }
    named: dict[str, str] = {}
    sums = []
    for sign in findings["signatures"]:
        named |= dict.fromkeys(sign["invoices"], sign["code"])
        right = sum(Decimal(due[number]["due_total"]) for number in sign["invoices"])
        told = sign.get("corrected_total")
        if told is not None and abs(Decimal(str(told)) - right) > Decimal("0.005"):
            sums.append((sign["code"], sign["invoices"], told, str(right)))
    one_of = {
        twin
        for sign in findings["signatures"]
        for told in sign["evidence"].values()
        if "which is the second" in told
        for twin in (told["same as"], *sign["invoices"])
    }
    wrong_twin = bool(one_of & wrong)  # "one of the two" accuses neither of them alone
    false = sorted(
        number
        for number, code in named.items()
        if number not in wrong
        and not (number in estimates and code == "estimated-read")
        and not (number in one_of and wrong_twin)
    )
    missed = sorted(wrong - set(named) - (one_of if wrong_twin else set()))
    verdict = "equal" if not (false or missed or sums) else "other"
    return {"verdict": verdict, "false": [(n, named[n]) for n in false], "missed": missed,
            "other amounts": sums}  # fmt: skip


def main(first: int, last: int) -> None:
    """All kinds, seed by seed."""
    for seed in range(first, last + 1):
        for kind in folders.KINDS:
            print(one(kind, seed), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
