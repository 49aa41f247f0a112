"""How many figures of invented PDF bills are read right, and how many wrong ones stay silent.

    python tests/simulations/read_pdf_bills.py FIRST LAST

Ten layouts, each plain, moved, re-set and with hostile files (foreign_pdfs.py). A person types the
first ordinary bill of each run; nothing is answered.
"""

from __future__ import annotations

import csv
import sys
import tempfile
from collections import Counter
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent))

import foreign_pdfs as foreign

from sewer_audit.drafting import read_bills


def type_bill(folder: Path, truth: dict, file: str | None = None, **changed) -> str:
    """Type the first ordinary bill of a run as it is printed, or a named one; the file typed."""
    ordinary = {n: e for n, e in truth["files"].items() if e["state"] == "bill"}
    ordinary = {n: e for n, e in ordinary.items() if not e["printed_so"]}
    file = file or min(ordinary, key=lambda name: ordinary[name]["fields"]["start"])
    fields = {**ordinary[file]["fields"], **changed}
    with (folder / "typed_bills.csv").open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream)
        writer.writerow(["file", *(name.removeprefix("line:") for name in fields)])
        writer.writerow([file, *fields.values()])
    return file


def as_scored(result, truth: dict) -> tuple[dict, dict]:
    """What was read and what was asked, as the scoring of the generator takes them."""
    spelled = {k.casefold(): k for e in truth["files"].values() for k in e["fields"]}
    read: dict[str, dict] = {}
    flagged: dict[str, dict] = {}
    for bill in [*result.whole, *result.asked]:
        name = bill.file if bill.pages[0] == 1 else f"{bill.file}#2"
        read[name] = {spelled.get(k.casefold(), k): f.value for k, f in bill.figures.items()}
        asked = {spelled.get(k.casefold(), k): why for k, why in bill.questions.items()}
        flagged.setdefault(name, {}).update(asked)
    for place, why in result.left_out.items():
        flagged.setdefault(place.split(", page")[0], {})["file"] = why
    return read, flagged


def main(first: int, last: int) -> None:
    """All layouts and variants, seed by seed."""
    total: Counter[str] = Counter()
    for seed in range(first, last + 1):
        for layout in foreign.LAYOUTS:
            for variant in (*foreign.VARIANTS, "hostile"):
                with tempfile.TemporaryDirectory() as place:
                    folder = Path(place)
                    if variant == "hostile":
                        truth = foreign.make_hostile(layout, seed, folder)
                    else:
                        truth = foreign.make_bills(layout, variant, seed, folder)
                    type_bill(folder, truth)
                    score = foreign.score(*as_scored(read_bills(folder), truth), truth)
                for key, value in score.items():
                    total[key] += len(value) if isinstance(value, list) else 0
                    total[key] += value if isinstance(value, int) else 0
                if score["silent"] or score["not_told"] or score["share_right"] < 1:
                    print(layout, variant, seed, {k: v for k, v in score.items() if v})
    total.pop("share_right", None)
    print(dict(total))


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
