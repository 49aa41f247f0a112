"""Size and shape of the library: what a reader has to hold in mind. A report, no wall.

Run ``python tests/benchmarks/house.py`` (``--trace`` follows a logger row and an invoice row of the
sample through an audit, about half a minute).
"""

from __future__ import annotations

import argparse
import ast
import dataclasses
import sys
import tokenize
from collections import Counter
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

PACKAGE = Path(__file__).parents[2] / "toolkit" / "sewer_audit"


def lines_of(path: Path) -> tuple[int, int]:
    """Lines of code without docstrings, blanks and comments; lines of docstrings."""
    skip = (tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT)
    with tokenize.open(path) as stream:
        tokens = [t for t in tokenize.generate_tokens(stream.readline) if t.type not in skip]
    code = {line for t in tokens if t.string for line in range(t.start[0], t.end[0] + 1)}
    words: set[int] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        documented = (ast.Module, ast.ClassDef, ast.FunctionDef)
        if isinstance(node, documented) and ast.get_docstring(node):
            words.update(range(node.body[0].lineno, node.body[0].end_lineno + 1))
    return len(code - words), len(words)


def imports_of(path: Path) -> set[Path]:
    """Files of the package that one imports when it is read."""
    found = set()
    for node in ast.parse(path.read_text()).body:
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("sewer_audit"):
            place = PACKAGE.joinpath(*node.module.split(".")[1:])
            inner = [place / f"{alias.name}.py" for alias in node.names]
            rooms = [place.with_suffix(".py"), *inner]
            if not all(name.exists() for name in inner):
                rooms.append(place / "__init__.py")
            found.update(name for name in rooms if name.exists() and name != path)
    return found


def form_of(value: object, rows: int, deep: bool = True) -> str:
    """How an argument holds the record or the invoices: as rows, as figures, or not at all.

    Rows are a table, or one object of facts each; figures are an array with one place for each,
    such as the draws of a volume, and whatever else happens to be as long.
    """
    shape = getattr(value, "shape", None)
    if isinstance(shape, tuple):
        told = "rows" if hasattr(value, "columns") else "figures"
        return told if rows in shape else ""
    parts: list[object] = []
    if isinstance(value, (list, tuple, dict)):
        parts = list(value.values()) if isinstance(value, dict) else list(value)
        if len(parts) == rows:
            return "rows" if dataclasses.is_dataclass(parts[0]) else "figures"
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        parts = list(vars(value).values())
    if not deep or len(parts) >= 50:
        return ""
    return max((form_of(each, rows, False) for each in parts), default="")  # rows before figures


def trace() -> None:
    """Print how many files the rows of the sample enter between reading and findings."""
    from sewer_audit import audit, load_case, sample_case

    case = load_case(sample_case())
    first = audit(case, draws=500)
    lengths = {
        "a logger row": len(first.inputs.logger.frame),
        "an invoice row": len(first.invoices),
    }
    entered: dict[str, dict[str, set[str]]] = {
        name: {"rows": set(), "figures": set()} for name in lengths
    }

    def look(frame, event, _):
        file = frame.f_code.co_filename
        if event != "call" or "sewer_audit" not in file or frame.f_code.co_name.startswith("<"):
            return
        for name, rows in lengths.items():
            if file in entered[name]["rows"]:
                continue
            for value in list(frame.f_locals.values()):
                if form := form_of(value, rows):
                    entered[name][form].add(file)

    sys.setprofile(look)
    try:
        audit(case, draws=500).findings()
    finally:
        sys.setprofile(None)
    for name, found in entered.items():
        others = found["figures"] - found["rows"]
        print(
            f"{name} enters {len(found['rows'])} files until it is a finding; one figure of it in "
            f"an array {len(others)} more"
        )


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--trace", action="store_true")
    chosen = options.parse_args()
    files = sorted(PACKAGE.rglob("*.py"))
    counted = {path: lines_of(path) for path in files}
    code, words = (sum(each[part] for each in counted.values()) for part in (0, 1))
    print(f"{len(files)} files, {code:,} lines of code, {words:,} of docstrings")
    folders = Counter(str(path.parent.relative_to(PACKAGE.parent)) for path in files)
    print("folders:", ", ".join(f"{name} {count}" for name, count in folders.most_common()))
    largest = sorted(files, key=lambda path: -counted[path][0])[:12]
    print("largest:", ", ".join(f"{p.relative_to(PACKAGE)} {counted[p][0]}" for p in largest))
    try:
        TopologicalSorter({path: imports_of(path) for path in files}).prepare()
        print("no circle between files")
    except CycleError as circle:
        print("a circle:", " -> ".join(str(p.relative_to(PACKAGE)) for p in circle.args[1]))
    if chosen.trace:
        trace()


if __name__ == "__main__":
    main()
