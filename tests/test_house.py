"""The house stands as drawn: floors, public names, docstrings, sizes, top level."""

from __future__ import annotations

import ast
import csv
import re
import subprocess
import sys
from fnmatch import fnmatch
from pathlib import Path

import pytest

import sewer_audit

ROOT = Path(__file__).parent.parent
TOOLKIT = ROOT / "toolkit" / "sewer_audit"

FLOORS = {
    "errors": 1,
    "spoken": 1,  # what units and which clock sentences are written in; below every room
    "units": 1,
    "wording": 1,  # templates by code; asks nothing of a case but its units
    "toml_text": 1,
    "sources": 1,
    "hydraulics": 1,
    "uncertainty": 1,
    "records": 2,
    "case": 2,
    "effluent": 3,
    "balance": 3,
    "charges": 3,
    "explanations": 4,
    "auditing": 4.5,  # chains the whole of floor 4
    "charts": 5,
    "report": 5,
    "starter": 5,
    "drafting": 5,  # looks at raw files, proposes a case
    "reference": 5,  # the descriptions of both files, printed
    "commands": 5,
    "planning": 4.7,  # runs audits of records that it simulates
    "many_sites": 5,
    "__main__": 5,
}
NEVER = {"hydraulics": {"pandas", "openpyxl", "pydantic"}, "uncertainty": {"openpyxl", "pydantic"}}
MODULES = sorted(TOOLKIT.rglob("*.py"))


def room_of(path: Path) -> str:
    return path.relative_to(TOOLKIT).parts[0].removesuffix(".py")


def floor_of(room: str) -> float:
    for name, floor in FLOORS.items():
        if room == name or room.startswith(name + "_"):
            return floor
    raise AssertionError(f"room {room!r} stands on no floor: add it to FLOORS in this test")


def imports(path: Path):
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            yield from (
                [f"{node.module}.{alias.name}" for alias in node.names]
                if node.module == "sewer_audit"
                else [node.module]
            )
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)


def upward(path: Path, names) -> list[str]:
    """Imports of a module that do not go to its own room or to a lower floor."""
    room, wrong = room_of(path), []
    for name in names:
        parts = name.split(".")
        if parts[0] != "sewer_audit" or len(parts) < 2:
            continue
        other = parts[1]
        if not (TOOLKIT / other).is_dir() and not (TOOLKIT / f"{other}.py").exists():
            continue  # a public name of the package itself
        same_kind = room.split("_")[0] == other.split("_")[0]
        base = other in ("errors", "spoken", "units", "sources", "wording")
        if not (same_kind or base or floor_of(other) < floor_of(room) or floor_of(room) == 5):
            wrong.append(f"{path.relative_to(ROOT)} imports {name}")
    return wrong


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(TOOLKIT)))
def test_imports_run_downward(path):
    if path == TOOLKIT / "__init__.py":
        return
    assert not upward(path, imports(path))
    forbidden = NEVER.get(room_of(path), set())
    used = {name.split(".")[0] for name in imports(path)}
    assert not used & forbidden, f"{path.name} must not know {used & forbidden}"


def part_of(module: str) -> str:
    """Room and sub-folder of a module; the room alone for what stands at its door."""
    return ".".join(module.split(".")[1:3]) if module.count(".") > 2 else ""


def test_sub_folders_of_a_room_do_not_import_each_other_in_circles():
    arrows = set()
    for path in MODULES:
        own = part_of("sewer_audit." + ".".join(path.relative_to(TOOLKIT).with_suffix("").parts))
        for name in imports(path):
            other = part_of(name)
            if own and other and own != other and own.split(".")[0] == other.split(".")[0]:
                arrows.add((own, other))
    assert len(arrows) > 10
    assert not [(a, b) for a, b in arrows if (b, a) in arrows]


def test_every_folder_of_the_package_travels_with_it():
    """What .gitignore names anywhere is left out of the wheel as well."""
    lines = (ROOT / ".gitignore").read_text(encoding="utf-8").split()
    anywhere = [line.strip("/") for line in lines if not line.startswith(("/", "!"))]
    assert "__pycache__" in anywhere
    for path in MODULES:
        parts = path.relative_to(ROOT).parts
        assert not [(p, line) for p in parts for line in anywhere if fnmatch(p, line)], path
        assert (path.parent / "__init__.py").is_file(), path


def test_an_upward_import_is_caught():
    assert upward(TOOLKIT / "hydraulics" / "x.py", ["sewer_audit.charges.price"])
    assert upward(TOOLKIT / "charges" / "x.py", ["sewer_audit.balance"])
    assert not upward(TOOLKIT / "effluent" / "x.py", ["sewer_audit.uncertainty"])


def taken_names() -> dict[str, set[str]]:
    """Names of each room that another room, a notebook or the user takes."""
    found: dict[str, set[str]] = {room_of(path): set() for path in MODULES}
    for path in MODULES:
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("sewer_audit."):
                room, *stem = node.module.split(".")[1:]
                if room != room_of(path):
                    found.setdefault(room, set()).update(
                        ".".join([*stem[-1:], alias.name]) for alias in node.names
                    )
    for notebook in (ROOT / "notebooks").glob("*.ipynb"):
        for room, names in re.findall(
            r"from sewer_audit\.(\w+)[\w.]* import ([\w, ]+)", notebook.read_text()
        ):
            found.setdefault(room, set()).update(re.findall(r"\w+", names))
    for name, home in sewer_audit._HOME.items():
        found.setdefault(home.split(".")[1], set()).add(name)
    return found


TAKEN = taken_names()


def public_definitions(path: Path):
    """What another room takes of a module: there a full docstring is owed; elsewhere a line."""
    for node in ast.parse(path.read_text()).body:
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            if {node.name, f"{path.stem}.{node.name}"} & TAKEN[room_of(path)]:
                yield node


def test_doors_name_only_what_others_take():
    idle = []
    for door in sorted(TOOLKIT.glob("*/__init__.py")):
        tree = ast.parse(door.read_text())
        used = {each.id for each in ast.walk(tree) if isinstance(each, ast.Name)}
        used |= {name.split(".")[-1] for name in TAKEN[door.parent.name]}
        for node in tree.body:
            if isinstance(node, ast.ImportFrom) and f".{door.parent.name}." in f"{node.module}.":
                idle += [f"{door.parent.name}: {a.name}" for a in node.names if a.name not in used]
    assert not idle


GLOSSARY = {
    row["name"]: row["unit"]
    for row in csv.DictReader((TOOLKIT / "glossary.csv").read_text().splitlines())
}


def stated_units(text: str):
    """Name and unit of every entry of a docstring that states one, in full form or in one line."""
    for names, unit in re.findall(
        r"^([\w, ]+) :[^\n]*\n(?: {4}[^\n]*\n)*? {4}[^\n]*\[([^\]\n]+)\]\.?$", text, re.M
    ):
        yield from ((name.strip(), unit) for name in names.split(","))
    for line in re.findall(r"^Units: ((?:.+\n?)+)", text, re.M):
        for names, unit in re.findall(r"([\w, ]+) \[([^\]]+)\]", line):
            yield from ((name.strip(), unit) for name in names.split(","))


def test_names_of_the_glossary_have_one_unit():
    """A name of the glossary stands for its unit everywhere, so that docstrings need not say it."""
    seen, wrong, bare = set(), [], ("-", "text", "any")
    for path in MODULES:
        for node in ast.walk(ast.parse(path.read_text())):
            seen.add(getattr(node, "arg", getattr(node, "id", "")))
            if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
                for name, unit in stated_units(ast.get_docstring(node) or ""):
                    if unit not in (GLOSSARY.get(name, unit), *bare) and GLOSSARY[name] not in bare:
                        wrong.append(f"{path.name}:{node.name}: {name} [{unit}]")
    assert not wrong, wrong
    assert not set(GLOSSARY) - seen, "names that no code uses"


FIGURES = re.compile(
    r"\b(float|int|ndarray|DataFrame|Series|Any|Mapping|dict|Sequence|list|tuple)\b"
)


def holds_figures(annotation: ast.expr | None) -> bool:
    """Whether figures may come with it: a text, a yes or no and a class of ours say no unit."""
    return annotation is not None and bool(FIGURES.search(ast.unparse(annotation)))


def docstring_faults(node: ast.FunctionDef) -> list[str]:
    """What a public function's docstring lacks."""
    text = ast.get_docstring(node) or ""
    if not text:
        return ["no docstring"]
    faults = []
    told = {"self", *GLOSSARY}  # a name of the glossary needs an entry only for what it adds
    given = [a for a in (*node.args.args, *node.args.kwonlyargs) if a.arg not in told]
    arguments = [a.arg for a in given if holds_figures(a.annotation)]
    section = re.split(r"\n(?=[A-Z][a-z]+\n-{3,})", text)
    parts = {part.split("\n", 1)[0]: part for part in section}
    parameters = parts.get("Parameters", "")
    for argument in arguments:
        entry = re.search(
            rf"^[\w, *]*\b{argument}\b[\w, *]* :.*(?:\n(?: {{4}}.*)?)*", parameters, re.M
        )
        if entry is None or not re.search(r"\[[^\]]+\]", entry[0]):
            faults.append(f"parameter {argument} has no unit in square brackets")
    found = parts.get("Returns", parts.get("Yields", ""))
    if holds_figures(node.returns) and not re.search(r"\[[^\]]+\]", found):
        faults.append("the returned value has no unit in square brackets")
    equation = re.search(r"^(?!\s*>>>).*\w\)?\s=\s[^=]", parts.get("Notes", ""), re.M)
    if equation and "References" not in parts:
        faults.append("an equation stands in Notes but no References")
    raises = any(isinstance(n, ast.Raise) and n.exc is not None for n in ast.walk(node))
    if raises and "Raises" not in parts:
        faults.append("it raises but has no Raises")
    return faults


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(TOOLKIT)))
def test_public_functions_state_their_units(path):
    faults = [
        f"{path.relative_to(ROOT)}:{node.name}: {fault}"
        for node in public_definitions(path)
        if isinstance(node, ast.FunctionDef)
        for fault in docstring_faults(node)
    ]
    assert not faults, "\n".join(faults)


def test_a_docstring_without_units_is_caught():
    source = (
        'def f(x: float) -> float:\n    """One.\n\n    Notes\n    -----\n    y = 2 x\n    """\n'
    )
    faults = docstring_faults(ast.parse(source).body[0])
    assert len(faults) == 3


def test_public_names_agree():
    for name in sewer_audit.__all__:
        assert callable(getattr(sewer_audit, name))
    assert sewer_audit.__all__ == sorted(sewer_audit.__all__)
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        sewer_audit.nothing  # noqa: B018


def test_top_level_is_as_named():
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.split("\n")
    top = {line.split("/")[0] for line in listed if line}
    if not top:
        pytest.skip("not a git checkout")
    plain = {name for name in top if not name.startswith(".")}
    assert plain == {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "toolkit",
        "notebooks",
        "tests",
        "sample_bills",
        "sample_logs",
    }


def test_import_stays_light():
    """`sewer-audit --help` is instant only while the package itself imports nothing heavy."""
    heavy = "{'pandas', 'numpy', 'scipy', 'matplotlib', 'pydantic', 'nbconvert'}"
    code = (
        f"import sys, sewer_audit, sewer_audit.__main__; print(sorted({heavy} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
