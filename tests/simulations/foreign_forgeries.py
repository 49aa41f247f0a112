"""Forged evidence folders: a seeded generator of attacks, and a score of what `recheck` says.

An honest evidence folder, as `report` wrote it, is copied; the copy is forged in one way; then
`recheck COPY` runs as a subprocess, as whoever received the folder would run it. Nothing here knows
how the toolkit works inside: it knows the files of the folder, JSON, HTML, notebooks, workbooks,
the file system, and what a forger would try.

Every attack has a description and a verdict that has to come out (`must`):

- `found`: recheck has to end with an exit code other than 0;
- `told`: the printed text has to name what is unusual; the exit code may be either (another version
  of a library is no proof of anything, but the reader has to learn of it);
- `harmless`: nothing was forged (moved, copied, other clock, ...): recheck has to end with 0.

Whatever the verdict: no code of the folder may run (each hostile file would leave a marker in a
folder beside the copy), no traceback, no hang, and the folder stays as it was.

An attack is fixed by (kind, seed). Seeds 1 to 999 are for mending, 5000 on for a run of the record.

    python foreign_forgeries.py FOLDER --count 200 --seed 5000           # all kinds in turn
    python foreign_forgeries.py FOLDER --count 500 --kind leaf           # kinds that begin so
    python foreign_forgeries.py --list                                   # the kinds

Exit code 0 if every verdict came out as it must, 1 if not, 2 if the honest folder itself fails.
AUDIT_PACKAGE in the environment names the package to import where two stand on the path.
Attacks take a few seconds each (one recheck); `--jobs 2` runs two at once. `--out FILE` writes one
JSON line for each attack, with what recheck printed.
"""

from __future__ import annotations

import argparse
import base64
import hashlib
import importlib.util
import io
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from copy import deepcopy
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

LONGEST = 180  # seconds until a recheck counts as hanging

# --- the tool under test: the one place that knows its name ---------------------------------------

NAMES = (os.environ.get("AUDIT_PACKAGE", "sewer_audit"), "toolkit")
PACKAGE = next(name for name in NAMES if importlib.util.find_spec(name))
HOME = Path(importlib.util.find_spec(PACKAGE).origin).resolve().parent.parent


def command(*words: object) -> list[str]:
    """Return the command line; -P keeps the current folder off the path, as the program does."""
    return [sys.executable, "-P", "-m", PACKAGE, *map(str, words)]


def environment(**more: str) -> dict[str, str]:
    """Return the environment in which the package is found from any folder."""
    quiet = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    return {**os.environ, **quiet, "PYTHONPATH": str(HOME), **more}


@dataclass
class Ended:
    """How a subprocess ended."""

    code: int | None  # None: it was stopped after the longest time
    text: str

    @property
    def traceback(self) -> str:
        """Return the last line of a traceback, or the signal that ended the process."""
        if self.code is not None and self.code not in (0, 1, 2):
            return f"exit code {self.code}"
        if "Traceback (most recent call last)" not in self.text:
            return ""
        return (self.text.strip().splitlines() or [""])[-1][:200]


def run(words: list[str], *, folder: Path, env: dict[str, str], longest: float = LONGEST) -> Ended:
    """Run a command in a folder; stop it, with its children, after the longest time."""
    process = subprocess.Popen(
        words,
        cwd=folder,
        env=env,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        start_new_session=True,
    )
    try:
        text, _ = process.communicate(timeout=longest)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        text, _ = process.communicate()
        return Ended(None, text.decode("utf-8", "replace"))
    return Ended(process.returncode, text.decode("utf-8", "replace"))


# --- a copy of the honest folder ------------------------------------------------------------------


class NotApplicableError(Exception):
    """The folder holds nothing this attack could work on."""


def digest(path: Path) -> str:
    """Return the SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


@dataclass
class World:
    """A copy of the folder, a place outside it, and the draws of chance of one attack."""

    honest: Path
    root: Path
    rng: np.random.Generator
    folder: Path = field(init=False)
    outside: Path = field(init=False)
    marker: Path = field(init=False)

    def __post_init__(self) -> None:
        """Copy the honest folder."""
        self.folder = self.root / "evidence"
        self.outside = self.root / "outside"
        self.marker = self.root / "marker" / "code_ran"
        self.marker.parent.mkdir()
        self.outside.mkdir()
        shutil.copytree(self.honest, self.folder)

    # chance
    def pick(self, things: Any) -> Any:
        """Return one of the things."""
        things = list(things)
        if not things:
            raise NotApplicableError
        return things[int(self.rng.integers(len(things)))]

    def chance(self, share: float) -> bool:
        """Return whether something happens."""
        return bool(self.rng.random() < share)

    # files
    def read(self, name: str) -> Any:
        """Return a JSON file of the folder."""
        return json.loads((self.folder / name).read_text("utf-8"))

    def write(self, name: str, data: Any) -> None:
        """Write a JSON file of the folder as the toolkit lays it out."""
        text = json.dumps(data, indent=1, sort_keys=True, ensure_ascii=False) + "\n"
        (self.folder / name).write_text(text, "utf-8")

    def listed(self, manifest: Any | None = None) -> list[dict[str, Any]]:
        """Return every entry of the manifest that names a file with its hash."""
        found, stack = [], [self.read("manifest.json") if manifest is None else manifest]
        while stack:
            thing = stack.pop()
            if isinstance(thing, dict):
                if {"file", "sha256"} <= set(thing):
                    found.append(thing)
                stack.extend(thing.values())
            elif isinstance(thing, list):
                stack.extend(thing)
        return sorted(found, key=lambda entry: str(entry["file"]))

    def inputs(self, *ends: str) -> list[str]:
        """Return the packed input files with one of these endings."""
        names = [str(e["file"]) for e in self.read("manifest.json")["inputs"]]
        return [name for name in names if not ends or name.endswith(ends)]

    def outputs(self, *ends: str) -> list[str]:
        """Return the output files with one of these endings."""
        names = [str(e["file"]) for e in self.read("manifest.json")["outputs"]]
        return [name for name in names if not ends or name.endswith(ends)]

    def rehash(self) -> str:
        """Set every size and SHA-256 anew, wherever the old one stands; the consistent forger."""
        manifest = self.read("manifest.json")
        known = {str(e["file"]): str(e["sha256"]) for e in self.listed(manifest)}
        changed = {
            old: digest(self.folder / name)
            for name, old in known.items()
            if (self.folder / name).is_file() and name in self.inputs()
        }
        changed = {old: new for old, new in changed.items() if old != new}
        for path in sorted(self.folder.iterdir()) if changed else []:
            if path.is_file() and not path.is_symlink():
                replace_bytes(path, {a.encode(): b.encode() for a, b in changed.items()})
        manifest = self.read("manifest.json")
        for entry in self.listed(manifest):
            path = self.folder / str(entry["file"])
            if path.is_file():
                entry["sha256"] = digest(path)
                entry["bytes"] = path.stat().st_size
        self.write("manifest.json", manifest)
        return "; every hash set anew"

    def maybe_rehash(self, share: float = 0.85) -> str:
        """Set the hashes anew most of the time."""
        return self.rehash() if self.chance(share) else "; hashes left as they were"


def replace_bytes(path: Path, pairs: dict[bytes, bytes]) -> None:
    """Replace bytes in a file, within the members of a zip archive too."""
    data = path.read_bytes()
    if data[:2] == b"PK":
        held = io.BytesIO()
        with zipfile.ZipFile(path) as old, zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as new:
            for item in old.infolist():
                member = old.read(item)
                for before, after in pairs.items():
                    member = member.replace(before, after)
                new.writestr(item, member)
        if all(before not in data for before in pairs) and held.getvalue() == data:
            return
        data = held.getvalue()
    else:
        for before, after in pairs.items():
            data = data.replace(before, after)
    path.write_bytes(data)


# --- the kinds ------------------------------------------------------------------------------------


@dataclass
class Attack:
    """One attack on one copy: what was done, what has to come out, how recheck is called."""

    kind: str
    seed: int
    must: str
    description: str = ""
    word: str = ""  # what has to be named, if must is "told"
    argument: str = ""  # how the folder is named; its whole path if empty
    stand_in: Path | None = None  # the current folder of the call
    more: tuple[str, ...] = ()  # further words of the command
    env: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Kind:
    """A kind of attack."""

    name: str
    must: str
    weight: int
    forge: Callable[[World, Attack], str]


KINDS: dict[str, Kind] = {}
Forger = Callable[[World, Attack], str]


def kind(name: str, must: str, weight: int = 1) -> Callable[[Forger], Forger]:
    """Enter a kind of attack; the function forges and returns what it did."""

    def enter(forge: Forger) -> Forger:
        KINDS[name] = Kind(name, must, weight, forge)
        return forge

    return enter


# --- findings.json: single leaves -----------------------------------------------------------------

Path_ = tuple[Any, ...]


def leaves(data: Any, path: Path_ = ()) -> Iterator[tuple[Path_, Any]]:
    """Yield every leaf of a JSON value with its path; an empty list or table is a leaf."""
    if isinstance(data, dict) and data:
        for key in sorted(data):
            yield from leaves(data[key], (*path, key))
    elif isinstance(data, list) and data:
        for place, value in enumerate(data):
            yield from leaves(value, (*path, place))
    else:
        yield path, data


def nodes(data: Any, path: Path_ = ()) -> Iterator[tuple[Path_, Any]]:
    """Yield every table and list of a JSON value."""
    if isinstance(data, (dict, list)):
        yield path, data
        for key in sorted(data) if isinstance(data, dict) else range(len(data)):
            yield from nodes(data[key], (*path, key))


def at(data: Any, path: Path_) -> Any:
    """Return what stands at a path."""
    for key in path:
        data = data[key]
    return data


def put(data: Any, path: Path_, value: Any) -> None:
    """Set what stands at a path."""
    at(data, path[:-1])[path[-1]] = value


def spelt(path: Path_) -> str:
    """Return a path in words."""
    return "".join(f"[{key}]" if isinstance(key, int) else f".{key}" for key in path)[1:]


def is_number(value: Any) -> bool:
    """Return whether a leaf is a number."""
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def other_digit(text: str, rng: np.random.Generator, first: int = 3) -> str:
    """Return a text with one of the first significant digits of one number in it changed."""
    numbers = list(re.finditer(r"\d+(?:[.,]\d+)*", text))
    if not numbers:
        raise NotApplicableError
    number = numbers[int(rng.integers(len(numbers)))]
    places = [i for i in range(number.start(), number.end()) if text[i].isdigit()]
    leading = next((n for n, i in enumerate(places) if text[i] != "0"), len(places) - 1)
    places = places[leading : leading + first]
    place = places[int(rng.integers(len(places)))]
    choices = [d for d in "123456789" if d != text[place]]
    return text[:place] + choices[int(rng.integers(len(choices)))] + text[place + 1 :]


SWAPS = (
    ("too high", "too low"),
    ("too low", "too high"),
    ("above", "below"),
    ("below", "above"),
    ("cannot", "can"),
    (" not ", " "),
    ("none", "all"),
    (" no ", " a "),
    ("yes", "no"),
    ("actual", "estimated"),
    ("plausible", "implausible"),
    (" is ", " is not "),
    (" are ", " are not "),
    (" can ", " cannot "),
    (" has ", " has not "),
    ("the city", "the facility"),
    ("judgement", "certificate"),
)


def other_words(text: str, rng: np.random.Generator) -> str:
    """Return a sentence that says something else."""
    fits = [(a, b) for a, b in SWAPS if a in text]
    if fits:
        before, after = fits[int(rng.integers(len(fits)))]
        return text.replace(before, after, 1)
    if re.search(r"\d", text):
        return other_digit(text, rng)
    return f"{text}, settled" if text else "settled"


@kind("leaf: a digit", "found", 12)
def _(world: World, attack: Attack) -> str:
    data = world.read("findings.json")
    path, old = world.pick((p, v) for p, v in leaves(data) if is_number(v) and v != 0)
    if isinstance(old, int):
        new: Any = int(other_digit(str(old), world.rng))
    else:
        new = float(
            other_digit(repr(old).split("e")[0], world.rng)
            + repr(old)[len(repr(old).split("e")[0]) :]
        )
    put(data, path, new)
    world.write("findings.json", data)
    return f"{spelt(path)}: {old} to {new}" + world.maybe_rehash()


@kind("leaf: a sign", "found", 3)
def _(world: World, attack: Attack) -> str:
    data = world.read("findings.json")
    path, old = world.pick((p, v) for p, v in leaves(data) if is_number(v) and abs(v) > 1e-3)
    put(data, path, -old)
    world.write("findings.json", data)
    return f"{spelt(path)}: {old} to {-old}" + world.maybe_rehash()


@kind("leaf: nothing to something", "found", 2)
def _(world: World, attack: Attack) -> str:
    data = world.read("findings.json")
    path, old = world.pick((p, v) for p, v in leaves(data) if is_number(v) and v == 0)
    new = round(float(world.rng.uniform(0.5, 900)), 2)
    put(data, path, new)
    world.write("findings.json", data)
    return f"{spelt(path)}: {old} to {new}" + world.maybe_rehash()


@kind("leaf: two per cent", "found", 5)
def _(world: World, attack: Attack) -> str:
    data = world.read("findings.json")
    path, old = world.pick(
        (p, v) for p, v in leaves(data) if isinstance(v, float) and abs(v) > 0.01
    )
    new = old * (1 + world.pick((-0.02, 0.02, 0.002)))
    put(data, path, new)
    world.write("findings.json", data)
    return f"{spelt(path)}: {old} to {new}" + world.maybe_rehash()


@kind("leaf: a word", "found", 8)
def _(world: World, attack: Attack) -> str:
    data = world.read("findings.json")
    path, old = world.pick((p, v) for p, v in leaves(data) if isinstance(v, str))
    new = other_words(old, world.rng)
    put(data, path, new)
    world.write("findings.json", data)
    return f"{spelt(path)}: {old[:60]!r} to {new[:60]!r}" + world.maybe_rehash()


@kind("leaf: yes or no", "found", 4)
def _(world: World, attack: Attack) -> str:
    data = world.read("findings.json")
    path, old = world.pick((p, v) for p, v in leaves(data) if isinstance(v, bool))
    put(data, path, not old)
    world.write("findings.json", data)
    return f"{spelt(path)}: {old} to {not old}" + world.maybe_rehash()


@kind("leaf: null", "found", 4)
def _(world: World, attack: Attack) -> str:
    data = world.read("findings.json")
    path, old = world.pick((p, v) for p, v in leaves(data) if v is not None)
    put(data, path, None)
    world.write("findings.json", data)
    return f"{spelt(path)}: {str(old)[:40]} to null" + world.maybe_rehash()


@kind("leaf: null to a value", "found", 2)
def _(world: World, attack: Attack) -> str:
    data = world.read("findings.json")
    path, _old = world.pick((p, v) for p, v in leaves(data) if v is None or v in ({}, [], ""))
    new = world.pick((1234.5, "agreed by both parties", True))
    put(data, path, new)
    world.write("findings.json", data)
    return f"{spelt(path)}: nothing to {new}" + world.maybe_rehash()


@kind("leaf: a number as text", "found", 2)
def _(world: World, attack: Attack) -> str:
    data = world.read("findings.json")
    path, old = world.pick((p, v) for p, v in leaves(data) if is_number(v))
    put(data, path, str(old))
    world.write("findings.json", data)
    return f"{spelt(path)}: {old} to the text" + world.maybe_rehash()


@kind("leaf: a key deleted", "found", 4)
def _(world: World, attack: Attack) -> str:
    data = world.read("findings.json")
    path, table = world.pick((p, v) for p, v in nodes(data) if isinstance(v, dict) and v)
    key = world.pick(sorted(table))
    del table[key]
    world.write("findings.json", data)
    return f"{spelt((*path, key))} deleted" + world.maybe_rehash()


@kind("leaf: a key added", "found", 3)
def _(world: World, attack: Attack) -> str:
    data = world.read("findings.json")
    path, table = world.pick((p, v) for p, v in nodes(data) if isinstance(v, dict) and v)
    key, value = world.pick((("settled", True), ("agreed_amount", 18250.0), ("remark", "accepted")))
    table[key] = value
    world.write("findings.json", data)
    return f"{spelt((*path, key))} = {value} added" + world.maybe_rehash()


def lists_of_tables(data: Any) -> list[tuple[Path_, list[Any]]]:
    """Return every list with at least two different entries."""
    return [
        (path, value)
        for path, value in nodes(data)
        if isinstance(value, list) and len(value) > 1 and any(v != value[0] for v in value)
    ]


@kind("list: two entries change places", "found", 3)
def _(world: World, attack: Attack) -> str:
    data = world.read("findings.json")
    path, rows = world.pick(lists_of_tables(data))
    one = int(world.rng.integers(len(rows)))
    two = world.pick([i for i, row in enumerate(rows) if row != rows[one]])
    rows[one], rows[two] = rows[two], rows[one]
    world.write("findings.json", data)
    return f"{spelt(path)}: entries {one} and {two} change places" + world.maybe_rehash()


@kind("list: figures of two invoices exchanged", "found", 4)
def _(world: World, attack: Attack) -> str:
    data = world.read("findings.json")
    rows = data["invoices"]
    if len(rows) < 2:
        raise NotApplicableError
    one, two = (int(i) for i in world.rng.choice(len(rows), 2, replace=False))
    keys = [k for k in sorted(rows[one]) if k in rows[two] and rows[one][k] != rows[two][k]]
    key = world.pick(keys)
    rows[one][key], rows[two][key] = rows[two][key], rows[one][key]
    world.write("findings.json", data)
    return f"invoices[{one}] and [{two}]: {key} exchanged" + world.maybe_rehash()


@kind("list: an entry dropped", "found", 3)
def _(world: World, attack: Attack) -> str:
    data = world.read("findings.json")
    path, rows = world.pick((p, v) for p, v in nodes(data) if isinstance(v, list) and v)
    place = int(world.rng.integers(len(rows)))
    del rows[place]
    world.write("findings.json", data)
    return f"{spelt((*path, place))} dropped" + world.maybe_rehash()


@kind("list: an entry twice", "found", 2)
def _(world: World, attack: Attack) -> str:
    data = world.read("findings.json")
    path, rows = world.pick((p, v) for p, v in nodes(data) if isinstance(v, list) and v)
    place = int(world.rng.integers(len(rows)))
    rows.append(deepcopy(rows[place]))
    world.write("findings.json", data)
    return f"{spelt((*path, place))} stands twice" + world.maybe_rehash()


@kind("findings: a key twice in the text", "found", 1)
def _(world: World, attack: Attack) -> str:
    path = world.folder / "findings.json"
    text = path.read_text("utf-8")
    place = text.index("{") + 1
    lie = '\n "title": "All bills of this account are accepted as printed",'
    path.write_text(text[:place] + lie + text[place:], "utf-8")
    return "findings.json holds the key title twice, the lie first" + world.rehash()


# --- the page, the notebook, the workbook, the letter ---------------------------------------------

HIDDEN = re.compile(r"<(style|script|svg|head)\b.*?</\1>", re.S | re.I)
SHOWN = re.compile(r">([^<>]+)<")
MADE_HERE = re.compile(r"[Mm]ade with|\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ")  # may differ honestly


def shown_texts(page: str, start: int = 0) -> list[tuple[int, int]]:
    """Return where the texts of a page stand that a reader sees."""
    blind = [(m.start(), m.end()) for m in HIDDEN.finditer(page)]
    places = []
    for match in SHOWN.finditer(page, start):
        if any(a <= match.start() < b for a, b in blind) or MADE_HERE.search(match.group(1)):
            continue
        if match.group(1).strip():
            places.append(match.span(1))
    return places


def forge_text(world: World, page: str, *, start: int = 0, words: bool) -> tuple[str, str]:
    """Change one number, or the words, of one text of a page; return it and what was done."""
    places = shown_texts(page, start)
    if words:
        places = [(a, b) for a, b in places if len(page[a:b].split()) > 4]
    else:
        places = [(a, b) for a, b in places if re.search(r"\d", page[a:b])]
    a, b = world.pick(places)
    old = page[a:b]
    new = other_words(old, world.rng) if words else other_digit(old, world.rng)
    return page[:a] + new + page[b:], f"{old.strip()[:60]!r} to {new.strip()[:60]!r}"


def forge_page(world: World, **how: Any) -> str:
    """Change a text of the page in the folder."""
    name = world.pick(world.outputs(".html"))
    path = world.folder / name
    page, told = forge_text(world, path.read_text("utf-8"), **how)
    path.write_text(page, "utf-8")
    return f"{name}: {told}" + world.maybe_rehash()


@kind("page: a number", "found", 6)
def _(world: World, attack: Attack) -> str:
    return forge_page(world, words=False)


@kind("page: a sentence", "found", 4)
def _(world: World, attack: Attack) -> str:
    return forge_page(world, words=True)


@kind("page: the letter", "found", 3)
def _(world: World, attack: Attack) -> str:
    path = world.folder / "evidence.html"
    if not path.is_file():
        raise NotApplicableError
    page = path.read_text("utf-8")
    start = page.lower().rfind("letter</h")
    if start < 0:
        raise NotApplicableError
    page, told = forge_text(world, page, start=start, words=world.chance(0.4))
    path.write_text(page, "utf-8")
    return f"letter on the page: {told}" + world.rehash()


@kind("page: something hidden or added", "found", 3)
def _(world: World, attack: Attack) -> str:
    name = world.pick(world.outputs(".html"))
    path = world.folder / name
    page = path.read_text("utf-8")
    done, addition = world.pick(
        (
            ("a style that hides rows", "<style>tbody tr:nth-child(2){display:none}</style>"),
            ("a style that hides the flags", "<style>h2 ~ ul{display:none}</style>"),
            ("a script", "<script>document.title='accepted'</script>"),
            ("a paragraph", "<p>The authority has accepted these figures in writing.</p>"),
            ("a style that adds words", "<style>h1::after{content:' (final)'}</style>"),
        )
    )
    place = page.rfind("</body>")
    path.write_text(page[:place] + addition + page[place:], "utf-8")
    return f"{name}: {done}" + world.rehash()


@kind("page: a part cut out", "found", 2)
def _(world: World, attack: Attack) -> str:
    name = world.pick(world.outputs(".html"))
    path = world.folder / name
    page = path.read_text("utf-8")
    parts = [m.span() for m in re.finditer(r"<(tr|li|p|figure)\b[^>]*>.*?</\1>", page, re.S)]
    a, b = world.pick(parts)
    path.write_text(page[:a] + page[b:], "utf-8")
    return f"{name}: cut out {page[a:b][:50]!r}" + world.rehash()


DATA = re.compile(r"data:image/(svg\+xml|png);base64,([A-Za-z0-9+/=]+)")


@kind("page: a picture", "found", 3)
def _(world: World, attack: Attack) -> str:
    name = world.pick(world.outputs(".html"))
    path = world.folder / name
    page = path.read_text("utf-8")
    pictures = list(DATA.finditer(page))
    if len(pictures) > 1 and world.chance(0.3):
        one, two = sorted(world.rng.choice(len(pictures), 2, replace=False))
        a, b = pictures[one], pictures[two]
        page = (
            page[: a.start()] + b.group() + page[a.end() : b.start()] + a.group() + page[b.end() :]
        )
        done = f"pictures {one} and {two} exchanged"
    else:
        match = world.pick([m for m in pictures if m.group(1) == "svg+xml"])
        svg = base64.b64decode(match.group(2)).decode("utf-8")
        number = world.pick(re.finditer(r"(?<=[ML] )(\d{2,3})(?=\.\d+ )", svg))
        moved = str((int(number.group()) + 37) % 400)
        svg = svg[: number.start()] + moved + svg[number.end() :]
        coded = base64.b64encode(svg.encode()).decode()
        page = page[: match.start(2)] + coded + page[match.end(2) :]
        done = f"a point of a picture moved from {number.group()} to {moved}"
    path.write_text(page, "utf-8")
    return f"{name}: {done}" + world.rehash()


def texts_of(cell: dict[str, Any]) -> list[tuple[dict[str, Any], str]]:
    """Return the texts of the outputs of a cell, each as (table, key)."""
    found = []
    for output in cell.get("outputs", []):
        if "text" in output:
            found.append((output, "text"))
        for key in output.get("data", {}):
            if key.startswith("text/") or key == "image/svg+xml":
                found.append((output["data"], key))
    return found


def joined(value: Any) -> str:
    """Return a text that a notebook may hold as a list of lines."""
    return "".join(value) if isinstance(value, list) else str(value)


@kind("notebook: a number or word of an output", "found", 5)
def _(world: World, attack: Attack) -> str:
    name = world.pick(world.outputs(".ipynb"))
    book = world.read(name)
    holder, key = world.pick(
        (h, k)
        for c in book["cells"]
        for h, k in texts_of(c)
        if k in ("text/html", "text/markdown", "text") and not MADE_HERE.search(joined(h[k]))
    )
    old = joined(holder[key])
    if key == "text/html":
        new, told = forge_text(world, f">{old}<", words=world.chance(0.3))
        new = new[1:-1]
    else:
        new = other_digit(old, world.rng) if re.search(r"\d", old) else other_words(old, world.rng)
        told = f"{key} of {old[:40]!r}"
    holder[key] = new
    (world.folder / name).write_text(json.dumps(book, indent=1), "utf-8")
    return f"{name}: {told}" + world.maybe_rehash()


@kind("notebook: a picture", "found", 2)
def _(world: World, attack: Attack) -> str:
    name = world.pick(world.outputs(".ipynb"))
    book = world.read(name)
    holder, key = world.pick(
        (h, k) for c in book["cells"] for h, k in texts_of(c) if k == "image/svg+xml"
    )
    svg = joined(holder[key])
    number = world.pick(re.finditer(r"(?<=[ML] )(\d{2,3})(?=\.\d+ )", svg))
    moved = str((int(number.group()) + 37) % 400)
    holder[key] = svg[: number.start()] + moved + svg[number.end() :]
    (world.folder / name).write_text(json.dumps(book, indent=1), "utf-8")
    return f"{name}: a point moved from {number.group()} to {moved}" + world.rehash()


@kind("notebook: a cell", "found", 3)
def _(world: World, attack: Attack) -> str:
    name = world.pick(world.outputs(".ipynb"))
    book = world.read(name)
    cells = book["cells"]
    place = int(world.rng.integers(1, len(cells)))
    done = world.pick(("source", "dropped", "added", "outputs dropped", "hidden"))
    if done == "source":
        cells[place]["source"] = other_words(joined(cells[place]["source"]), world.rng)
    elif done == "dropped":
        del cells[place]
    elif done == "added":
        cells.insert(
            place,
            {"cell_type": "markdown", "id": "ffff0000", "metadata": {}, "source": "Accepted."},
        )
    elif done == "hidden":
        cells[place]["metadata"] = {"jupyter": {"outputs_hidden": True, "source_hidden": True}}
    else:
        place = world.pick([i for i, c in enumerate(cells) if c.get("outputs")])
        cells[place]["outputs"] = []
    (world.folder / name).write_text(json.dumps(book, indent=1), "utf-8")
    return f"{name}: cell {place} {done}" + world.rehash()


@kind("notebook: the page made anew from a forged notebook", "found", 1)
def _(world: World, attack: Attack) -> str:
    page, book = world.folder / "evidence.html", world.folder / "evidence.ipynb"
    findings = world.folder / "findings.json"
    data = json.loads(findings.read_text("utf-8"))
    total = data["total"].get("billed_m3")
    texts = [m.group() for m in re.finditer(r"\d[\d,]{2,}\.\d", page.read_text("utf-8"))]
    old = world.pick(sorted({t for t in texts if t in book.read_text("utf-8")}))
    new = other_digit(old, world.rng)
    for path in (page, book):
        replace_bytes(path, {old.encode(): new.encode()})
    return f"{old} to {new} on page and notebook alike (billed {total})" + world.rehash()


@kind("workbook: a cell, a formula, a comment, a sheet", "found", 8)
def _(world: World, attack: Attack) -> str:
    from openpyxl import load_workbook
    from openpyxl.comments import Comment
    from openpyxl.styles import Font

    name = world.pick(world.outputs(".xlsx"))
    path = world.folder / name
    book = load_workbook(path)
    sheet = world.pick(s for s in book.worksheets if s.max_row > 1)
    cells = [c for row in sheet.iter_rows(min_row=2) for c in row if c.value is not None]
    numbers = [c for c in cells if is_number(c.value) and c.value]
    formulas = [
        c
        for s in book.worksheets
        for row in s.iter_rows()
        for c in row
        if isinstance(c.value, str) and c.value.startswith("=")
    ]
    words = [c for c in cells if isinstance(c.value, str) and not c.value.startswith("=")]
    ways = (
        "value",
        "formula",
        "formula to value",
        "comment",
        "hidden sheet",
        "words",
        "row",
        "format",
    )
    ways += (
        "sheet added",
        "hidden row",
        "hidden column",
        "white letters",
        "heading",
        "sheet order",
    )
    done = world.pick(ways)
    cell = world.pick(cells)
    if done == "value":
        cell = world.pick(numbers)
        cell.value = cell.value * world.pick((1.02, 0.9, -1)) + world.pick((0, 1))
    elif done == "formula":
        cell = world.pick(formulas)
        cell.value = f"{cell.value}+{int(world.rng.integers(2, 900))}"
    elif done == "formula to value":
        cell = world.pick(formulas)
        cell.value = round(float(world.rng.uniform(1, 9000)), 2)
    elif done == "comment":
        cell.comment = Comment("agreed with the city on the telephone", "auditor")
    elif done == "hidden sheet":
        if len(book.worksheets) < 2:
            raise NotApplicableError
        sheet.sheet_state = "hidden"
    elif done == "words":
        cell = world.pick(words)
        cell.value = other_words(cell.value, world.rng)
    elif done == "row":
        sheet.delete_rows(int(world.rng.integers(2, sheet.max_row + 1)))
    elif done == "format":
        cell = world.pick(numbers)
        cell.number_format = '"1"0.00'
    elif done == "sheet added":
        book.create_sheet("settlement").append(["agreed", 18250])
        book["settlement"].sheet_state = world.pick(("visible", "hidden", "veryHidden"))
    elif done == "hidden row":
        sheet.row_dimensions[cell.row].hidden = True
    elif done == "hidden column":
        sheet.column_dimensions[cell.column_letter].hidden = True
    elif done == "white letters":
        cell.font = Font(color="FFFFFFFF")
    elif done == "heading":
        cell = world.pick(c for c in sheet[1] if isinstance(c.value, str))
        cell.value = cell.value.replace("kgal", "gal").replace("USD", "kUSD") + " (net)"
    else:
        if len(book.worksheets) < 2:
            raise NotApplicableError
        book.move_sheet(sheet, offset=-1 if book.index(sheet) else 1)
    book.save(path)
    return f"{name}: {done}, sheet {cell.parent.title}, {cell.coordinate}" + world.rehash()


@kind("other output", "found", 4)
def _(world: World, attack: Attack) -> str:
    usual = (".html", ".ipynb", ".xlsx", "findings.json")
    name = world.pick(n for n in world.outputs() if not n.endswith(usual))
    path = world.folder / name
    data = path.read_bytes()
    if re.search(r"lock|requirement|version", name):
        attack.must, attack.word = "told", Path(name).name
    try:
        text = data.decode("utf-8")
        path.write_bytes(other_digit(text, world.rng).encode("utf-8"))
        return f"{name}: a digit" + world.rehash()
    except UnicodeDecodeError:
        place = int(world.rng.integers(len(data) // 4, len(data) * 3 // 4))
        path.write_bytes(data[:place] + bytes([data[place] ^ 1]) + data[place + 1 :])
        return f"{name}: byte {place}" + world.rehash()


@kind("output: deleted, de-listed, linked", "found", 4)
def _(world: World, attack: Attack) -> str:
    name = world.pick(world.outputs())
    path = world.folder / name
    done = world.pick(("deleted", "forged and de-listed", "a link to outside", "empty", "a folder"))
    manifest = world.read("manifest.json")
    if done == "deleted":
        path.unlink()
        if world.chance(0.5):
            manifest["outputs"] = [e for e in manifest["outputs"] if e["file"] != name]
            world.write("manifest.json", manifest)
            done += " and de-listed"
    elif done == "forged and de-listed":
        path.write_bytes(path.read_bytes() + b"\n")
        manifest["outputs"] = [e for e in manifest["outputs"] if e["file"] != name]
        world.write("manifest.json", manifest)
    elif done == "a link to outside":
        target = world.outside / path.name
        shutil.move(path, target)
        path.symlink_to(target)
    elif done == "empty":
        path.write_bytes(b"")
        done += world.rehash()
    else:
        path.unlink()
        path.mkdir()
    return f"{name}: {done}"


# --- inputs ---------------------------------------------------------------------------------------


def figures_in(text: str, *, toml: bool) -> list[tuple[int, int]]:
    """Return where a figure stands that an invoice depends on (no comment, no date, no heading)."""
    places, at_line = [], 0
    for number, line in enumerate(text.splitlines(keepends=True)):
        body = line.split("#")[0] if toml else line
        wanted = r"^\s*(rate|amount|multiplier|return_factor|throat|slope|diameter|fraction)\b.*"
        if (not toml and number) or (toml and re.match(wanted, body)):
            at_line_places = re.finditer(r"(?<![\d:.-])\d+(?:\.\d+)?(?![\d:-])(?!-)", body)
            places += [(at_line + m.start(), at_line + m.end()) for m in at_line_places]
        at_line += len(line)
    return places


@kind("input: a figure", "found", 8)
def _(world: World, attack: Attack) -> str:
    name = world.pick(world.inputs(".csv", ".toml"))
    path = world.folder / name
    text = path.read_bytes().decode("utf-8")
    a, b = world.pick(figures_in(text, toml=name.endswith(".toml")))
    new = other_digit(text[a:b], world.rng)
    path.write_bytes((text[:a] + new + text[b:]).encode("utf-8"))
    return f"{name}: {text[a:b]} to {new}" + world.maybe_rehash(0.9)


@kind("input: a remark", "found", 2)
def _(world: World, attack: Attack) -> str:
    name = world.pick(world.inputs(".toml"))
    path = world.folder / name
    path.write_bytes(path.read_bytes() + b"\n# seen and agreed\n")
    manifest = world.read("manifest.json")
    for entry in world.listed(manifest):
        if entry["file"] == name:
            entry["sha256"], entry["bytes"] = digest(path), path.stat().st_size
    world.write("manifest.json", manifest)
    return f"{name}: a line of comment, hash set anew in the manifest only"


@kind("input: line ends", "found", 1)
def _(world: World, attack: Attack) -> str:
    name = world.pick(world.inputs(".csv", ".toml"))
    path = world.folder / name
    path.write_bytes(path.read_bytes().replace(b"\r\n", b"\n").replace(b"\n", b"\r\n"))
    return f"{name}: line ends changed, hashes left as they were"


@kind("input: replaced, removed, exchanged", "found", 5)
def _(world: World, attack: Attack) -> str:
    name = world.pick(world.inputs())
    path = world.folder / name
    done = world.pick(("removed", "de-listed", "half", "exchanged", "listed twice", "link inside"))
    manifest = world.read("manifest.json")
    if done == "removed":
        path.unlink()
        manifest["inputs"] = [e for e in manifest["inputs"] if e["file"] != name]
        world.write("manifest.json", manifest)
    elif done == "de-listed":
        manifest["inputs"] = [e for e in manifest["inputs"] if e["file"] != name]
        world.write("manifest.json", manifest)
    elif done == "half":
        data = path.read_bytes()
        path.write_bytes(data[: data.rfind(b"\n", 0, len(data) // 2) + 1])
        done += world.rehash()
    elif done == "exchanged":
        other = world.pick(n for n in world.inputs() if n != name)
        one, two = path.read_bytes(), (world.folder / other).read_bytes()
        path.write_bytes(two)
        (world.folder / other).write_bytes(one)
        done += f" with {other}" + world.rehash()
    elif done == "listed twice":
        entry = next(e for e in manifest["inputs"] if e["file"] == name)
        manifest["inputs"].append({**entry, "sha256": "0" * 64})
        world.write("manifest.json", manifest)
    else:
        kept = world.folder / "inputs" / "kept_elsewhere.dat"
        shutil.move(path, kept)
        path.symlink_to(os.path.relpath(kept, path.parent))
    return f"{name}: {done}"


@kind("input: readings of a stretch", "found", 3)
def _(world: World, attack: Attack) -> str:
    name = max(world.inputs(".csv"), key=lambda n: (world.folder / n).stat().st_size)
    path = world.folder / name
    lines = path.read_text("utf-8").splitlines(keepends=True)
    if len(lines) < 200:
        raise NotApplicableError
    start = int(world.rng.integers(5, len(lines) - 100))
    for place in range(start, start + 60):
        head, _, last = lines[place].rstrip("\r\n").rpartition(",")
        end = lines[place][len(lines[place].rstrip("\r\n")) :]
        if re.fullmatch(r"\d+\.\d+", last):
            lines[place] = f"{head},{float(last) * 0.85:.{len(last.split('.')[1])}f}{end}"
    path.write_text("".join(lines), "utf-8")
    return f"{name}: 60 readings from line {start + 1} lowered by 15 %" + world.rehash()


@kind("inputs outside: named by the manifest", "found", 6)
def _(world: World, attack: Attack) -> str:
    manifest = world.read("manifest.json")
    top = Path(manifest["case"]).parts[0]
    shutil.copytree(world.folder / top, world.outside / top)
    rest = manifest["case"]
    whole = (world.outside / rest).as_posix()
    plain = world.pick(
        (
            f"../outside/{rest}",
            whole,
            f"{top}/../../outside/{rest}",
            f"./{top}/./../..//outside/{rest}",
            f"file://{whole}",
            f"..\\outside\\{rest.replace('/', chr(92))}",
            f"\\\\localhost\\share\\{rest}",
            f"//localhost/share/{rest}",
            f"//{whole.lstrip('/')}",
            f"C:\\evidence\\{rest}",
            f"%2e%2e/outside/{rest}",
            f"~/{rest}",
            f"/proc/self/cwd/outside/{rest}",
            "NUL",
            "/dev/null",
            f"{rest}\x00",
            f"{rest}\n",
            f"{rest} ",
            "a" * 5000,
            "",
            ".",
        )
    )
    manifest["case"] = plain
    done = f"case is {plain[:70]!r}"
    if plain.startswith("../outside") and world.chance(0.6):
        for entry in manifest["inputs"]:
            entry["file"] = f"../outside/{entry['file']}"
        shutil.rmtree(world.folder / top)
        done += ", inputs listed there, none in the folder"
    world.write("manifest.json", manifest)
    return done


@kind("inputs outside: through a link", "found", 3)
def _(world: World, attack: Attack) -> str:
    name = world.pick(world.inputs())
    if world.chance(0.5):
        path = world.folder / Path(name).parts[0]
        target = world.outside / path.name
        shutil.move(path, target)
    else:
        path = world.folder / name
        target = world.outside / path.name
        shutil.move(path, target)
    relative = world.chance(0.5)
    path.symlink_to(os.path.relpath(target, path.parent) if relative else target)
    return f"{path.relative_to(world.folder)} is a link to outside, with the true contents"


@kind("inputs outside: named by the case", "found", 5)
def _(world: World, attack: Attack) -> str:
    manifest = world.read("manifest.json")
    case = world.folder / manifest["case"]
    text = case.read_text("utf-8")
    named = [m for m in re.finditer(r'(?m)^(\s*file = ")([^"]+)(")', text)]
    match = world.pick(named)
    old = (case.parent / match.group(2)).resolve()
    target = world.outside / old.name
    shutil.copy(old, target)
    way = world.pick(("up", "whole", "file address", "link", "unlisted inside"))
    if way == "up":
        new = Path(os.path.relpath(target, case.parent)).as_posix()
    elif way == "whole":
        new = target.as_posix()
    elif way == "file address":
        new = target.as_uri()
    elif way == "link":
        (case.parent / "linked.csv").symlink_to(target)
        new = "linked.csv"
    else:
        shutil.copy(old, case.parent / "second_copy.csv")
        new = "second_copy.csv"
    text = text[: match.start(2)] + new + text[match.end(2) :]
    case.write_text(text, "utf-8")
    done = ""
    if world.chance(0.5):  # the whole folder is made to agree
        entry = next(e for e in manifest["inputs"] if (world.folder / e["file"]).resolve() == old)
        if way != "unlisted inside":
            entry["file"] = Path(os.path.relpath(target, world.folder)).as_posix()
            done = ", listed there"
        world.write("manifest.json", manifest)
    return f"case names {match.group(2)} as {new[-60:]}{done}" + world.rehash()


# --- code that would run --------------------------------------------------------------------------


def hostile_code(world: World) -> str:
    """Return harmless code that leaves the marker."""
    return f"import pathlib\npathlib.Path({str(world.marker)!r}).write_text('ran')\n"


def hostile_notebook(world: World, honest: bool) -> str:
    """Return a notebook with the code, alone or in front of what the received one holds.

    It takes the parameters a report takes, so that whoever runs it has no other reason to refuse.
    """
    received = world.read("evidence.ipynb")
    given = 'case: str = ""\ndeliver_to: str = ""\ndraws: int = 20000\nseed: int = 1\n'
    cell = {
        "cell_type": "code",
        "execution_count": None,
        "id": "00000000",
        "metadata": {"tags": ["parameters"]},
        "outputs": [],
        "source": given,
    }
    code = {**cell, "id": "00000001", "metadata": {}, "source": hostile_code(world)}
    cells = [cell, code]
    if honest:
        for old in received["cells"]:
            tags = old["metadata"].get("tags", [])
            if "parameters" in tags:
                cells[0] = {**cell, "source": old["source"]}
            elif "injected-parameters" not in tags:
                cells.append(old)
    return json.dumps({**received, "cells": cells})


@kind("code: a notebook the manifest names", "found", 6)
def _(world: World, attack: Attack) -> str:
    manifest = world.read("manifest.json")
    honest = world.chance(0.5)
    text = hostile_notebook(world, honest)
    ways = {
        "own name": "checks",
        "with ending": "checks.ipynb",
        "in a folder": "inputs/checks",
        "outside": "../outside/checks",
        "whole path": str(world.outside / "checks"),
        "the received one": "evidence",
        "dotted": "./checks",
        "whole path inside": str(world.folder / "checks"),
        "whole path with ending": str(world.folder / "checks.ipynb"),
        "module": "checks:run",
        "far up and down": "../" * 30 + str(world.folder / "checks").lstrip("/"),
    }
    way = world.pick(sorted(ways))
    for folder in (world.folder, world.folder / "inputs", world.outside):
        if folder.is_dir():
            (folder / "checks.ipynb").write_text(text)
    if way == "the received one":
        (world.folder / "evidence.ipynb").write_text(text)
    manifest["notebook"] = ways[way]
    if way != "the received one" and world.chance(0.5):
        book = world.folder / "checks.ipynb"
        (world.folder / "inputs" / "checks.ipynb").unlink(missing_ok=True)
        entry = {"file": book.name, "sha256": digest(book), "bytes": book.stat().st_size}
        manifest["outputs"].append(entry)
    world.write("manifest.json", manifest)
    if world.chance(0.5):
        attack.stand_in, attack.argument = world.folder, "."
    return (
        f"notebook is {way} ({'received with code' if honest else 'code alone'})" + world.rehash()
    )


@kind("code: a notebook of the true name beside it", "told", 2)
def _(world: World, attack: Attack) -> str:
    manifest = world.read("manifest.json")
    name = f"{manifest.get('notebook', 'evidence_report')}.ipynb"
    folder = world.pick((world.folder, world.folder / "notebooks"))
    folder.mkdir(exist_ok=True)
    (folder / name).write_text(hostile_notebook(world, world.chance(0.5)))
    attack.word = name
    if world.chance(0.7):
        attack.stand_in, attack.argument = world.folder, "."
    return f"unlisted {folder.name}/{name} with code"


SHADOWS = ("pandas", "numpy", "matplotlib", "scipy", "json", "nbclient", "openpyxl", "IPython")


@kind("code: modules and settings in the folder", "told", 8)
def _(world: World, attack: Attack) -> str:
    code = hostile_code(world)
    shadows = [
        *SHADOWS,
        PACKAGE,
        "sitecustomize",
        "usercustomize",
        "conftest",
        "ipykernel_launcher",
    ]
    files = {f"{name}.py": code for name in shadows}
    files |= {
        "ipython_config.py": code,
        "ipython_kernel_config.py": code,
        "jupyter_config.py": code,
        "jupyter_nbconvert_config.py": code,
        "matplotlibrc": "backend: module://shadow_backend\n",
        ".pythonrc.py": code,
        "startup.ipy": code,
    }
    name = world.pick(sorted(files))
    place = world.pick((world.folder, (world.folder / world.read("manifest.json")["case"]).parent))
    (place / name).write_text(files[name])
    if name == "matplotlibrc":
        (place / "shadow_backend.py").write_text(code)
    attack.word = name
    if world.chance(0.6):
        attack.stand_in, attack.argument = place, os.path.relpath(world.folder, place)
    stands = "standing there" if attack.stand_in else "from elsewhere"
    return f"unlisted {name} in {place.relative_to(world.root)}, {stands}"


@kind("code: through a parameter", "found", 4)
def _(world: World, attack: Attack) -> str:
    manifest = world.read("manifest.json")
    call = f"__import__('pathlib').Path({str(world.marker)!r}).write_text('ran')"
    key, value = world.pick(
        (
            (f"a={call};b", 1),
            (f"a = 1\n{call}\nb", 1),
            ("draws", f"{call}"),
            ("seed", {"a": 1, f"'+{call}+'": 2}),
            ("kernel_name", "bash"),
            ("deliver_to", str(world.marker.parent)),
            ("case", f"{world.outside}/case.toml"),
            ("__builtins__", None),
            ("seed", f"1); {call}; (1"),
        )
    )
    manifest["parameters"][key] = value
    world.write("manifest.json", manifest)
    return f"parameter {key[:40]!r} = {str(value)[:40]!r}"


@kind("code: another kernel", "told", 1)
def _(world: World, attack: Attack) -> str:
    folder = world.folder / "kernels" / "python3"
    folder.mkdir(parents=True)
    spec = {"argv": [sys.executable, "-c", hostile_code(world)], "display_name": "Python 3"}
    (folder / "kernel.json").write_text(json.dumps({**spec, "language": "python"}))
    attack.word = "kernel"
    attack.stand_in, attack.argument = world.folder, "."
    return "unlisted kernels/python3/kernel.json, standing there"


# --- manifest -------------------------------------------------------------------------------------


@kind("manifest: draws or seed", "found", 6)
def _(world: World, attack: Attack) -> str:
    manifest = world.read("manifest.json")
    key = world.pick(("draws", "seed"))
    old = manifest["parameters"].get(key)
    values: tuple[Any, ...] = (old + 1, old * 2, str(old), None, -old, old + 0.5, True, [old], "")
    values += (10**9, 10**30, 1e300) if key == "draws" else (2**128, -1)
    new = world.pick(values)
    manifest["parameters"][key] = new
    done = f"{key}: {old} to {str(new)[:40]!r}"
    if world.chance(0.5):
        data = world.read("findings.json")
        if key in data:
            data[key] = new
            world.write("findings.json", data)
            done += ", in the findings too"
    world.write("manifest.json", manifest)
    return done + world.rehash()


@kind("manifest: a version", "told", 3)
def _(world: World, attack: Attack) -> str:
    manifest = world.read("manifest.json")
    name = world.pick(sorted(manifest["versions"]))
    old = str(manifest["versions"][name])
    manifest["versions"][name] = other_digit(old, world.rng)
    if world.chance(0.2):
        del manifest["versions"][name]
    world.write("manifest.json", manifest)
    attack.word = name
    return f"version of {name}: {old[:20]} to {str(manifest['versions'].get(name))[:20]}"


@kind("manifest: a field", "found", 5)
def _(world: World, attack: Attack) -> str:
    manifest = world.read("manifest.json")
    field_ = world.pick([k for k in sorted(manifest) if k not in ("written", "versions")])
    done = world.pick(("deleted", "null", "other"))
    if done == "deleted":
        del manifest[field_]
    elif done == "null":
        manifest[field_] = None
    else:
        manifest[field_] = world.pick(("other", 7, [], {}, [{"file": "x"}], True))
    world.write("manifest.json", manifest)
    return f"manifest {field_} {done}"


@kind("manifest: a hash or size of one file", "found", 3)
def _(world: World, attack: Attack) -> str:
    manifest = world.read("manifest.json")
    entry = world.pick(world.listed(manifest))
    if world.chance(0.3):
        entry["bytes"] = entry.get("bytes", 0) + 1
        done = "size"
    else:
        entry["sha256"] = world.pick(("0" * 64, "", None, entry["sha256"][:-1], "g" * 64))
        done = "hash"
    world.write("manifest.json", manifest)
    return f"{done} of {entry['file']}"


@kind("extra: an unlisted file", "told", 3)
def _(world: World, attack: Attack) -> str:
    name = world.pick(
        (
            "evidence_corrected.html",
            "letter.pdf",
            "inputs/payments.csv",
            "tables (2).xlsx",
            "claim.txt",
        )
    )
    (world.folder / name).write_text("What is claimed is 18,250.00.\n")
    attack.word = Path(name).name
    return f"unlisted {name}"


@kind("extra: listed, but never written by the toolkit", "found", 2)
def _(world: World, attack: Attack) -> str:
    manifest = world.read("manifest.json")
    path = world.folder / world.pick(("settlement.html", "certificate.txt", "letter_signed.html"))
    path.write_text("<p>What is claimed is 18,250.00.</p>\n")
    entry = {"file": path.name, "sha256": digest(path), "bytes": path.stat().st_size}
    manifest["outputs"].append(entry)
    world.write("manifest.json", manifest)
    return f"{path.name} listed among the outputs"


# --- a folder that is consistent throughout; only a figure noted elsewhere can tell ---------------


def made_anew(world: World) -> None:
    """Run the report on the packed inputs of the copy and put its folder in place of the copy."""
    manifest = world.read("manifest.json")
    new = world.root / "made_anew"
    words = [world.folder / manifest["case"], "--out", new, "--quiet"]
    for key in ("draws", "seed"):
        words += [f"--{key}", manifest["parameters"][key]]
    ended = run(command("report", *words), folder=world.root, env=environment())
    if ended.code != 0:
        raise NotApplicableError
    shutil.rmtree(world.folder)
    shutil.move(new, world.folder)


@kind("noted: made anew from a forged input", "found", 2)
def _(world: World, attack: Attack) -> str:
    noted = digest(world.folder / "manifest.json")
    name = world.pick(world.inputs("rates.toml", "invoices.csv", "meter.csv"))
    path = world.folder / name
    text = path.read_text("utf-8")
    a, b = world.pick(figures_in(text, toml=name.endswith(".toml")))
    new = other_digit(text[a:b], world.rng, first=5)
    path.write_text(text[:a] + new + text[b:], "utf-8")
    made_anew(world)
    attack.more = ("--sha256", noted)
    return f"{name}: {text[a:b]} to {new}, report made anew; the true figure is noted"


@kind("noted: the manifest's day", "found", 1)
def _(world: World, attack: Attack) -> str:
    attack.more = ("--sha256", digest(world.folder / "manifest.json"))
    manifest = world.read("manifest.json")
    manifest["written"] = "2025-01-01T00:00:00Z"
    world.write("manifest.json", manifest)
    return "day of writing changed; the true figure is noted"


@kind("noted: the true figure", "harmless", 1)
def _(world: World, attack: Attack) -> str:
    attack.more = ("--sha256", digest(world.folder / "manifest.json"))
    return "nothing changed; the true figure is noted"


@kind("noted: another figure", "found", 1)
def _(world: World, attack: Attack) -> str:
    attack.more = (
        "--sha256",
        world.pick(("0" * 64, "", "abc", digest(world.folder / "findings.json"))),
    )
    return f"nothing changed; the figure noted is {attack.more[1][:10]!r}"


# --- honest ---------------------------------------------------------------------------------------


@kind("honest: nothing changed", "harmless", 1)
def _(world: World, attack: Attack) -> str:
    return "a plain copy"


@kind("honest: moved", "harmless", 3)
def _(world: World, attack: Attack) -> str:
    deep = "/".join(["a rather long name of a folder"] * 4)
    name = world.pick(
        ("with space", "Übergabe für die Stadt", "$HOME's {copy}", "100 %", deep, "-x")
    )
    target = world.root / name
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.move(world.folder, target)
    world.folder = target
    return f"moved to {name!r}"


@kind("honest: file times", "harmless", 1)
def _(world: World, attack: Attack) -> str:
    moment = world.pick((631152000, 4102444800, 1))
    for path in world.folder.rglob("*"):
        os.utime(path, (moment, moment))
    return f"every file time set to {moment}"


@kind("honest: relative path", "harmless", 2)
def _(world: World, attack: Attack) -> str:
    attack.stand_in, attack.argument = world.pick(
        (
            (world.root, "evidence"),
            (world.root, "./evidence/"),
            (world.folder, "."),
            (world.folder / "inputs", ".."),
            (world.outside, "../evidence"),
            (world.root, "outside/../evidence"),
        )
    )
    return f"called with {attack.argument} from {attack.stand_in.name}"


@kind("honest: read-only", "harmless", 1)
def _(world: World, attack: Attack) -> str:
    for path in [*world.folder.rglob("*"), world.folder]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    return "read-only (proves less where run as root; that nothing is written is proved always)"


@kind("honest: reached through a link", "harmless", 1)
def _(world: World, attack: Attack) -> str:
    (world.root / "link").symlink_to(world.folder)
    attack.argument = str(world.root / "link")
    return "the folder is reached through a link"


@kind("honest: another surrounding", "harmless", 4)
def _(world: World, attack: Attack) -> str:
    personal = world.root / "personal"
    personal.mkdir()
    (personal / "matplotlibrc").write_text("font.size: 31\naxes.facecolor: red\nbackend: svg\n")
    done, env = world.pick(
        (
            ("TZ of Auckland", {"TZ": "Pacific/Auckland"}),
            ("plain C language", {"LC_ALL": "C", "LANG": "C"}),
            ("personal matplotlibrc", {"MPLCONFIGDIR": str(personal)}),
            ("MATPLOTLIBRC set", {"MATPLOTLIBRC": str(personal / "matplotlibrc")}),
            ("hash seed 7", {"PYTHONHASHSEED": "7"}),
            ("two threads", {"OPENBLAS_NUM_THREADS": "2", "OMP_NUM_THREADS": "2"}),
            ("an empty home", {"HOME": str(world.outside)}),
            ("a narrow terminal", {"COLUMNS": "20"}),
        )
    )
    attack.env = env
    return done


@kind("honest: droppings of a file manager", "harmless", 1)
def _(world: World, attack: Attack) -> str:
    name = world.pick((".DS_Store", "Thumbs.db", "desktop.ini"))
    (world.folder / name).write_bytes(b"\0\0\0\1Bud1")
    return name


@kind("honest: zipped and unzipped", "harmless", 1)
def _(world: World, attack: Attack) -> str:
    shutil.make_archive(str(world.root / "sent"), "zip", world.folder)
    shutil.rmtree(world.folder)
    shutil.unpack_archive(world.root / "sent.zip", world.folder)
    return "through a zip archive"


@kind("honest: written to a relative path", "harmless", 1)
def _(world: World, attack: Attack) -> str:
    manifest = world.read("manifest.json")
    words = [f"evidence/{manifest['case']}", "--out", "relative/out", "--quiet"]
    for key in ("draws", "seed"):
        words += [f"--{key}", manifest["parameters"][key]]
    ended = run(command("report", *words), folder=world.root, env=environment())
    if ended.code != 0:
        return f"report from the packed inputs failed: {ended.text.strip()[-160:]}"
    world.folder = world.root / "relative" / "out"
    return "the packed inputs reported anew with relative paths"


# --- scoring --------------------------------------------------------------------------------------


def fingerprint(folder: Path) -> dict[str, str]:
    """Return what stands in a folder."""
    return {
        str(p.relative_to(folder)): digest(p) if p.is_file() and not p.is_symlink() else "-"
        for p in sorted(folder.rglob("*"))
    }


def forge(honest: Path, root: Path, name: str, seed: int) -> tuple[World, Attack]:
    """Make the attack that (kind, seed) fixes, in an empty folder."""
    chosen = KINDS[name]
    world = World(honest, root, np.random.default_rng([seed, zlib.crc32(name.encode())]))
    attack = Attack(name, seed, chosen.must)
    attack.description = chosen.forge(world, attack)
    return world, attack


def verdict(world: World, attack: Attack, ended: Ended) -> str:
    """Return the outcome in one word."""
    if world.marker.exists() or any(world.marker.parent.iterdir()):
        return "code ran"
    if ended.code is None:
        return "hang"
    if ended.traceback:
        return "traceback"
    if attack.must == "harmless":
        return "passed" if ended.code == 0 else "false alarm"
    if attack.must == "told":
        return "told" if ended.code or attack.word.lower() in ended.text.lower() else "untold"
    return "found" if ended.code else "missed"


GOOD = {"found", "told", "passed", "not applicable"}


def score(honest: Path, name: str, seed: int, *, noting: bool) -> dict[str, Any]:
    """Forge, recheck, and say what came out."""
    with tempfile.TemporaryDirectory(prefix="forged_", ignore_cleanup_errors=True) as place:
        root = Path(place).resolve()
        result: dict[str, Any] = {"kind": name, "seed": seed, "must": KINDS[name].must}
        try:
            world, attack = forge(honest, root, name, seed)
        except NotApplicableError:
            return {**result, "outcome": "not applicable", "description": "", "wrote": False}
        result |= {"must": attack.must, "description": attack.description, "wrote": False}
        if attack.more and not noting:
            return {**result, "outcome": "not offered"}
        before = fingerprint(world.folder)
        ended = run(
            command("recheck", attack.argument or world.folder, *attack.more),
            folder=attack.stand_in or root,
            env=environment(**attack.env),
        )
        result["outcome"] = verdict(world, attack, ended)
        result["wrote"] = fingerprint(world.folder) != before
        result |= {"code": ended.code, "last": ended.traceback, "printed": ended.text[-1500:]}
        for path in [world.folder, *world.folder.rglob("*")]:
            if path.is_dir() and not path.is_symlink():
                path.chmod(0o755)
        return result


def turn(start: str = "") -> list[str]:
    """Return the kinds in a fixed mixed order, each as often as its weight."""
    names = [k.name for k in KINDS.values() if k.name.startswith(start) for _ in range(k.weight)]
    first = [k for k in KINDS if k.startswith(start)]
    rest = list(names)
    for name in first:
        rest.remove(name)
    rng = np.random.default_rng(17)
    return [*rng.permutation(first), *rng.permutation(rest)]


def main() -> int:
    """Run the attacks and print a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, nargs="?", metavar="FOLDER")
    parser.add_argument("--count", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kind", default="", help="only kinds that begin so")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--out", type=Path, help="JSON lines, one for each attack")
    parser.add_argument("--list", action="store_true", help="print the kinds")
    options = parser.parse_args()
    if options.list or options.folder is None:
        for entry in KINDS.values():
            print(f"{entry.must:9} {entry.weight:3}  {entry.name}")
        return 0
    honest = options.folder.resolve()
    control = run(command("recheck", honest), folder=honest.parent, env=environment())
    if control.code != 0:
        print(f"the honest folder itself is not reproduced:\n{control.text[-600:]}")
        return 2
    said = run(command("recheck", "--help"), folder=honest.parent, env=environment())
    noting = "--sha256" in said.text
    names = turn(options.kind)
    if not names:
        parser.error(f"no kind begins with {options.kind!r}; see --list")
    jobs = [(names[i % len(names)], options.seed + i) for i in range(options.count)]
    results = []
    if options.out:
        options.out.unlink(missing_ok=True)
    with ThreadPoolExecutor(options.jobs) as pool:
        for result in pool.map(lambda job: score(honest, *job, noting=noting), jobs):
            results.append(result)
            if options.out:
                with options.out.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(result) + "\n")
    return summary(results)


def summary(results: list[dict[str, Any]]) -> int:
    """Print the outcomes by kind and everything that did not come out as it must."""
    bad = [r for r in results if r["outcome"] not in GOOD or r["wrote"]]
    for name in sorted({r["kind"] for r in results}):
        counts = Counter(r["outcome"] for r in results if r["kind"] == name)
        print(f"{name:52} " + ", ".join(f"{n} {word}" for word, n in sorted(counts.items())))
    print(
        "\nall: " + ", ".join(f"{n} {w}" for w, n in Counter(r["outcome"] for r in results).items())
    )
    for r in bad:
        wrote = " WROTE INTO THE FOLDER" if r["wrote"] else ""
        last = f" [{r['last']}]" if r.get("last") else ""
        print(f"- {r['outcome']}{wrote}: {r['kind']} (seed {r['seed']}): {r['description']}{last}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
