"""The house stands as drawn: floors, public names, docstrings, sizes, top level."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
TOOLKIT = ROOT / "toolkit" / "sewer_audit"

FLOORS = {
    "errors": 1,
    "spoken": 1,  # what units and which clock sentences are written in; below every room
    "units": 1,
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
        base = other in ("errors", "spoken", "units")
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


def test_an_upward_import_is_caught():
    assert upward(TOOLKIT / "hydraulics" / "x.py", ["sewer_audit.charges.price"])
    assert upward(TOOLKIT / "charges" / "x.py", ["sewer_audit.balance"])
    assert not upward(TOOLKIT / "effluent" / "x.py", ["sewer_audit.uncertainty"])


def public_definitions(path: Path):
    tree = ast.parse(path.read_text())
    names = set()
    for node in tree.body:
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "__all__":
            names = set(ast.literal_eval(node.value)) if isinstance(node.value, ast.List) else set()
    for node in tree.body:
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)) and node.name in names:
            yield node


def docstring_faults(node: ast.FunctionDef) -> list[str]:
    """What a public function's docstring lacks."""
    text = ast.get_docstring(node) or ""
    if not text:
        return ["no docstring"]
    faults = []
    arguments = [a.arg for a in (*node.args.args, *node.args.kwonlyargs) if a.arg != "self"]
    section = re.split(r"\n(?=[A-Z][a-z]+\n-{3,})", text)
    parts = {part.split("\n", 1)[0]: part for part in section}
    parameters = parts.get("Parameters", "")
    for argument in arguments:
        entry = re.search(
            rf"^[\w, *]*\b{argument}\b[\w, *]* :.*(?:\n(?: {{4}}.*)?)*", parameters, re.M
        )
        if entry is None or not re.search(r"\[[^\]]+\]", entry[0]):
            faults.append(f"parameter {argument} has no unit in square brackets")
    returns = isinstance(node.returns, ast.expr) and ast.unparse(node.returns) != "None"
    given = parts.get("Returns", parts.get("Yields", ""))
    if returns and not re.search(r"\[[^\]]+\]", given):
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


def longest(path: Path) -> list[str]:
    lines = path.read_text().splitlines()
    found = [f"{path.name} has {len(lines)} lines"] if len(lines) > 400 else []
    for node in ast.walk(ast.parse("\n".join(lines))):
        if isinstance(node, ast.FunctionDef):
            body = node.body[1:] if ast.get_docstring(node) else node.body
            if body and body[-1].end_lineno - body[0].lineno + 1 > 40:
                found.append(f"{path.name}:{node.name} is longer than 40 lines")
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(TOOLKIT)))
def test_rooms_stay_small(path):
    assert not longest(path)


def test_public_names_agree():
    import sewer_audit

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
    heavy = "{'pandas', 'numpy', 'scipy', 'matplotlib', 'pydantic', 'pint', 'nbconvert'}"
    code = (
        f"import sys, sewer_audit, sewer_audit.__main__; print(sorted({heavy} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
