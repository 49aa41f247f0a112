"""How many small real errors in the code the quick tests notice; run by hand, not by pytest.

    python tests/simulations/code_changes.py map MAP.json [pytest words]
    python tests/simulations/code_changes.py run MAP.json --seed 1 --count 60 [--seconds 60]

``map`` runs the tests once (README's command) and writes which test files call which function of
the toolkit, and how long each takes. ``run`` draws changes, the same number from every room, makes
one after the other in a copy of the project and runs the tests that call the changed function,
those of the same room first, to the first failure. Tests that would take longer than the budget of
processor time for one change are left out, so that the share stated is a lower bound. Survivors are
printed with their line: whether one changes nothing anybody could see is judged by a person.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import json
import os
import random
import re
import shutil
import signal
import sys
import tempfile
import threading
import time
import traceback
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
HOME = Path("toolkit/sewer_audit")
COPIED = ("toolkit", "tests", "notebooks", "sample_bills", "sample_logs", "README.md")
COPIED += ("DEVELOPERS.md", "pyproject.toml", ".ci")
HEAVY = ("pytest", "pandas", "scipy.special", "scipy.ndimage", "matplotlib.figure")
HEAVY += ("matplotlib.backends.backend_svg", "openpyxl", "pydantic", "nbclient", "bs4", "nbformat")
NOT_RUN = 5  # what pytest says where no test was collected

OTHER = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.And: ast.Or,
    ast.Or: ast.And,
}
TWINS = ("low high", "start end", "min max", "minimum maximum", "first last", "lower upper")
TWINS += ("effluent balance", "discharge volume", "billed recomputed", "mean standard", "head tail")
TWINS += ("volume_unit discharge_unit", "length head", "before after", "open barred", "days hours")
TWIN = {a: b for pair in TWINS for a, b in (pair.split(), pair.split()[::-1])}
"""Words that are mistaken for each other: names of values, columns and units [text]."""


@dataclass(frozen=True)
class Change:
    """One change of one place of one file."""

    file: str
    function: str
    line: int
    kind: str
    start: int
    end: int
    text: str
    told: str

    @property
    def room(self) -> str:
        """Folder of the file; a file outside a room is a room of the ground floor [text]."""
        parts = Path(self.file).relative_to(HOME).parts
        return parts[0] if len(parts) > 1 else "ground"


def changes_of(file: str, source: str) -> list[Change]:
    """Every change of a file that can be drawn."""
    tree = ast.parse(source)
    starts = [0]
    for line in source.encode().split(b"\n"):
        starts.append(starts[-1] + len(line) + 1)
    found: list[Change] = []

    def add(node, new, kind, place):
        begin = starts[node.lineno - 1] + node.col_offset
        end = starts[node.end_lineno - 1] + node.end_col_offset
        old = source.encode()[begin:end].decode()
        text = f"({ast.unparse(new)})" if isinstance(new, ast.expr) else ast.unparse(new)
        told = f"{' '.join(old.split())[:90]}  ->  {text[:90]}"
        found.append(Change(file, place, node.lineno, kind, begin, end, text, told))

    def swapped(node, name, value):
        new = ast.parse(ast.unparse(node), mode="eval").body
        setattr(new, name, value)
        return new

    def visit(node, place):
        if isinstance(node, (ast.FunctionDef, ast.ClassDef, ast.Lambda)):
            place = f"{place}.{getattr(node, 'name', '')}".strip(".")
        if isinstance(node, ast.BinOp) and type(node.op) in OTHER and not texts(node):
            add(node, swapped(node, "op", OTHER[type(node.op)]()), "sign", place)
            add(node, node.left, "dropped term", place)
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, (ast.USub, ast.Not)):
            add(node, node.operand, "sign", place)
        elif isinstance(node, ast.Compare) and type(node.ops[0]) in OTHER:
            ops = [OTHER[type(node.ops[0])](), *node.ops[1:]]
            add(node, swapped(node, "ops", ops), "comparison", place)
        elif isinstance(node, ast.BoolOp):
            add(node, swapped(node, "op", OTHER[type(node.op)]()), "and/or", place)
            add(node, swapped(node, "values", node.values[:-1]), "dropped term", place)
        elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
            new = node.value + 1 if isinstance(node.value, int) else node.value * 1.1 or 1e-3
            add(node, ast.Constant(new), "constant", place)
        elif isinstance(node, ast.Constant) and node.value in TWIN:
            add(node, ast.Constant(TWIN[node.value]), "twin", place)
        elif isinstance(node, ast.Attribute) and node.attr in TWIN:
            add(node, swapped(node, "attr", TWIN[node.attr]), "twin", place)
        elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
            add(node, ast.Pass(), "dropped step", place)
        elif isinstance(node, ast.If):
            add(node.test, ast.UnaryOp(ast.Not(), node.test), "condition", place)
        for name, value in ast.iter_fields(node):
            if name in ("annotation", "returns", "type_params", "decorator_list"):
                continue
            if isinstance(node, (ast.Raise, ast.JoinedStr, ast.Import, ast.ImportFrom)):
                continue  # wording and imports
            for child in value if isinstance(value, list) else [value]:
                if isinstance(child, ast.AST) and not is_words(child):
                    visit(child, place)

    visit(tree, "")
    return found


def texts(node: ast.BinOp) -> bool:
    return any(isinstance(s, (ast.JoinedStr,)) or is_text(s) for s in (node.left, node.right))


def is_text(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, str)


def is_words(node: ast.AST) -> bool:
    """A docstring, a list of names, what only tools that read types see."""
    if isinstance(node, ast.Expr):
        return is_text(node.value)
    if isinstance(node, ast.If):
        return "TYPE_CHECKING" in ast.unparse(node.test)
    return isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__"


def drawn(seed: int, count: int) -> list[Change]:
    """Changes in turn from every room, as long as it has any."""
    rooms: dict[str, list[Change]] = defaultdict(list)
    for file in sorted((ROOT / HOME).rglob("*.py")):
        name = file.relative_to(ROOT).as_posix()
        for change in changes_of(name, file.read_text(encoding="utf-8")):
            rooms[change.room].append(change)
    order = random.Random(seed)
    for name in sorted(rooms):
        order.shuffle(rooms[name])
    names = sorted(rooms)
    order.shuffle(names)
    taken = [rooms[n][turn] for turn in range(count) for n in names if turn < len(rooms[n])]
    return taken[:count]


def tests_for(change: Change, called: dict, seconds: dict, budget: float) -> list[str]:
    """Test files that call the changed function, or, outside any, its file; the likeliest first."""
    key = f"{change.file}::{change.function}"
    every = {test for name, tests in called.items() if name.split("::")[0] == change.file
             for test in tests}  # fmt: skip
    chosen = set(called.get(key, ())) or every or set(seconds)
    if change.kind == "constant" or change.function == "":
        chosen |= {"tests/test_coefficients.py"}  # it reads the code and calls nothing
    of_room = f"test_{change.room}"
    first = ("coefficients", of_room)  # the figures typed a second time cost a second
    ranked = sorted(chosen, key=lambda t: (not any(f in t for f in first), seconds.get(t, 1.0)))
    spent, kept = 0.0, []
    for test in ranked:
        if spent + seconds.get(test, 1.0) <= budget or not kept:
            kept.append(test)
            spent += seconds.get(test, 1.0)
    return kept


def noticed(change: Change, copy: Path, tests: list[str], limit: float) -> str:
    """Whether a test fails with the change made: "noticed", "survived" or "too slow"."""
    file = copy / change.file
    source = file.read_bytes()
    file.write_bytes(source[: change.start] + change.text.encode() + source[change.end :])
    for cache in file.parent.glob(f"__pycache__/{file.stem}.*"):
        cache.unlink()
    try:
        child = os.fork()
        if not child:
            _run(copy, tests)
        return _awaited(child, limit)
    finally:
        file.write_bytes(source)
        for cache in file.parent.glob(f"__pycache__/{file.stem}.*"):
            cache.unlink()


def _run(copy: Path, tests: list[str]) -> None:
    os.setsid()
    os.chdir(copy)
    told = os.open(copy / "told.txt", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(told, 1)
    os.dup2(told, 2)
    paths = [str(copy / "toolkit"), str(copy / "tests")]
    os.environ["PYTHONPATH"] = os.pathsep.join(paths)
    sys.path[:0] = paths
    import pytest

    words = ["-x", "-q", "-p", "no:nbval", "-p", "no:cacheprovider", "-p", "no:randomly"]
    try:
        code = int(pytest.main([*words, *tests]))
    except BaseException:
        traceback.print_exc()
        code = 1
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(3 if code == NOT_RUN else min(code, 2))


def _awaited(child: int, limit: float) -> str:
    until = time.monotonic() + limit
    while time.monotonic() < until:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            code = os.waitstatus_to_exitcode(status)
            return "survived" if code == 0 else "not run" if code == 3 else "noticed"
        time.sleep(0.1)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return "too slow"


def run(options: argparse.Namespace) -> None:
    """Draw, change, test, tell."""
    known = json.loads(Path(options.map).read_text())
    for name in HEAVY:
        importlib.import_module(name)
    taken = drawn(options.seed, options.skip + options.count)[options.skip :]
    tally: dict[str, list[str]] = defaultdict(list)
    with tempfile.TemporaryDirectory() as place:
        copy = Path(place)
        for name in COPIED:
            if (ROOT / name).is_dir():
                shutil.copytree(ROOT / name, copy / name)
            else:
                shutil.copy(ROOT / name, copy / name)
        none = Change(f"{HOME}/spoken.py", "", 1, "none", 0, 0, "", "")
        if noticed(none, copy, ["tests/test_spoken.py"], options.limit) != "survived":
            raise SystemExit((copy / "told.txt").read_text())
        for change in taken:
            tests = tests_for(change, known["called"], known["seconds"], options.seconds)
            result = noticed(change, copy, tests, options.limit)
            tally[change.room].append(result)
            where = f"{change.file.removeprefix(str(HOME) + '/')}:{change.line} {change.function}"
            failed = re.findall(r"^(?:FAILED|ERROR) (\S+)", (copy / "told.txt").read_text(), re.M)
            by = f"  [{failed[0].removeprefix('tests/test_')}]" if failed else ""
            print(f"{result:9s} {change.kind:12s} {where}: {change.told}{by}", flush=True)
    seen = [result != "survived" for results in tally.values() for result in results]
    for room, results in sorted(tally.items()):
        print(f"{room:14s} {sum(r != 'survived' for r in results)} of {len(results)}")
    print(f"noticed {sum(seen)} of {len(seen)} ({100 * sum(seen) / len(seen):.0f} %), seed "
          f"{options.seed}, at most {options.seconds:g} s of tests each")  # fmt: skip


class Calls:
    """Plug-in of pytest: which functions of the toolkit each test file calls, and its time."""

    def __init__(self, out: str):
        self.out, self.seen, self.known = Path(out), set(), {}
        self.called: dict[str, set[str]] = defaultdict(set)
        self.seconds: dict[str, float] = defaultdict(float)

    def _call(self, frame, event, argument):
        code = frame.f_code
        if code not in self.known:
            name = code.co_filename.partition("/toolkit/sewer_audit/")[2]
            where = ".".join(p for p in code.co_qualname.split(".") if not p.startswith("<"))
            self.known[code] = f"{HOME}/{name}::{where}" if name else ""
        if name := self.known[code]:
            self.seen.add(name)

    def pytest_runtest_protocol(self, item, nextitem):
        self.file, self.seen, self.began = item.nodeid.split("::")[0], set(), _used()
        sys.settrace(self._call)
        threading.settrace(self._call)

    def pytest_runtest_logfinish(self, nodeid, location):
        sys.settrace(None)
        threading.settrace(None)
        self.seconds[self.file] += _used() - self.began
        for name in self.seen:
            self.called[name].add(self.file)

    def pytest_sessionfinish(self):
        called = {name: sorted(files) for name, files in sorted(self.called.items())}
        self.out.write_text(json.dumps({"seconds": self.seconds, "called": called}, indent=0))


def _used() -> float:
    now = os.times()
    return now.user + now.system + now.children_user + now.children_system


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("what", choices=("map", "run"))
    options.add_argument("map")
    options.add_argument("words", nargs="*")
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--count", type=int, default=60)
    options.add_argument("--skip", type=int, default=0, help="changes of the seed left out")
    options.add_argument("--seconds", type=float, default=60.0, help="tests of a change [s]")
    options.add_argument("--limit", type=float, default=900.0, help="longest wait [s]")
    given = options.parse_args()
    if given.what == "run":
        run(given)
        return
    import pytest

    raise SystemExit(pytest.main(["-q", "-p", "no:nbval", *given.words], [Calls(given.map)]))


if __name__ == "__main__":
    main()
