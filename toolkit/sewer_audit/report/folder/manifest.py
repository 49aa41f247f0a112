"""The manifest of an evidence folder: what went in, what came out, made with what.

It names every file with its SHA-256, the versions of everything that computes, the parameters and
the seed. It holds no absolute path and no name of a user or a machine.
"""

from __future__ import annotations

import csv
import hashlib
import importlib.metadata
import json
import math
import os
import platform
import re
import stat
import zoneinfo
from collections.abc import Iterator, Mapping
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path, PurePosixPath
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

import sewer_audit
from sewer_audit.errors import InputRefused, Problem

MANIFEST, LOCK = "manifest.json", "versions.lock.txt"
KIND = "sewer bill evidence, format 1"
COMPUTING = ("numpy", "pandas", "scipy", "openpyxl", "matplotlib", "nbconvert", "nbclient")
NEEDED = (
    *COMPUTING,
    "jupyterlab",
    "pydantic",
    "joblib",
    "ipykernel",
    "ipywidgets",
    "pypdfium2",
    "tzdata",
    "packaging",
)
"""What pyproject.toml lists as dependencies [text]."""
ZONES = "time-zone data"
CODE = (".py", ".csv", ".json", ".toml", ".j2", ".css", ".txt")
DIGITS = 12


def json_text(value: Any) -> str:
    """JSON whose bytes depend on the values alone.

    Parameters
    ----------
    value : object
        Mappings, sequences, numbers, text, times; numbers of numpy and pandas too [-].
    """
    return json.dumps(_plain(value), sort_keys=True, indent=1, ensure_ascii=False) + "\n"


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        inner = [_plain(part) for part in value]
        return sorted(inner, key=str) if isinstance(value, (set, frozenset)) else inner
    if isinstance(value, (datetime, date)):
        return value.isoformat() if value == value else None  # NaT is unequal to itself
    if isinstance(value, (Decimal, Path)):
        return str(value)
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, float):
        return float(f"{value:.{DIGITS}g}") + 0.0 if math.isfinite(value) else None
    return value if value is None or isinstance(value, (bool, int, str)) else str(value)


def _walk(folder: Path) -> Iterator[tuple[str, os.DirEntry[str]]]:
    """Everything below a folder by its name with forward slashes; no link is followed."""
    stack = [(folder, "")]
    while stack:
        place, before = stack.pop()
        for entry in os.scandir(place):
            yield f"{before}{entry.name}", entry
            if entry.is_dir(follow_symlinks=False):
                stack.append((Path(entry.path), f"{before}{entry.name}/"))


def unusual(folder: Path) -> list[str]:
    """Names below a folder that are neither plain file nor plain folder: links, pipes."""
    return sorted(
        name
        for name, entry in _walk(folder)
        if not (entry.is_dir(follow_symlinks=False) or entry.is_file(follow_symlinks=False))
    )


def file_hashes(folder: Path) -> list[dict[str, Any]]:
    """Every plain file below a folder with its size and SHA-256.

    list of dict: file (with forward slashes), bytes, sha256; sorted by name.
    """
    listed = []
    for name, entry in _walk(folder):
        if entry.is_file(follow_symlinks=False):
            with open(entry.path, "rb") as file:
                digest = hashlib.file_digest(file, "sha256").hexdigest()
            size = entry.stat(follow_symlinks=False).st_size
            listed.append({"file": name, "bytes": size, "sha256": digest})
    return sorted(listed, key=lambda entry: entry["file"])


def code_hash() -> str:
    """One SHA-256 over the code and the tables of the toolkit itself."""
    home = Path(sewer_audit.__file__).parent
    digest = hashlib.sha256()
    for path in sorted(home.rglob("*")):
        data = {"notebooks", "sample_bills", "sample_logs", "__pycache__"}
        if path.suffix in CODE and not data & set(path.relative_to(home).parts):
            digest.update(str(PurePosixPath(path.relative_to(home))).encode())
            digest.update(path.read_bytes().replace(b"\r\n", b"\n"))
    return digest.hexdigest()


def versions() -> dict[str, str]:
    """What the computation runs on."""
    found = {"python": platform.python_version(), "sewer-audit": sewer_audit.__version__}
    found["sewer-audit code"] = code_hash()
    for name in COMPUTING:
        found[name] = importlib.metadata.version(name)
    found[ZONES] = _zone_data()
    return dict(sorted(found.items()))


def _zone_data() -> str:
    """Edition of the time-zone data that is read: the system's where it has any, else tzdata's."""
    for folder in zoneinfo.TZPATH:
        stated = Path(folder) / "tzdata.zi"
        if stated.is_file():
            with stated.open(encoding="utf-8") as lines:
                return lines.readline().removeprefix("# version").strip()
        if Path(folder).is_dir() and any(Path(folder).iterdir()):
            return "of the system, edition not stated"
    return importlib.metadata.version("tzdata")


def lock_text() -> str:
    """Every package the toolkit stands on, in the exact version, with one hash over its files.

    Notes
    -----
    What is installed no longer knows the hash of the archive it came from, and asking an index for
    it would need the network. The hash is therefore made of the SHA-256 that every wheel lists of
    each of its own files (its RECORD, a part of the wheel format), so that anyone can make it again
    from the wheel: lines "path,sha256=...", sorted, without what an installer adds.
    """
    lines = [
        f"# python {platform.python_version()}, sewer-audit {sewer_audit.__version__},",
        f"# code {code_hash()}",
        "# Install the same with: pip install -r versions.lock.txt",
        "# files: SHA-256 over the lines 'path,sha256=...' of the wheel's RECORD, sorted.",
    ]
    for name, found in sorted(_closure().items()):
        lines.append(f"{name}=={found.version}  # files {_files_hash(found)}")
    return "\n".join(lines) + "\n"


def _closure() -> dict[str, importlib.metadata.Distribution]:
    """Every distribution the toolkit needs, by its normal name."""
    from packaging.requirements import Requirement

    found: dict[str, importlib.metadata.Distribution] = {}
    wanted = [(name, frozenset()) for name in NEEDED]
    seen: set[tuple[str, frozenset[str]]] = set()
    while wanted:
        entry = wanted.pop()
        if entry in seen:
            continue
        seen.add(entry)
        name, extras = entry
        try:
            one = importlib.metadata.distribution(name)
        except importlib.metadata.PackageNotFoundError:
            continue
        found[_normal(name)] = one
        for text in one.requires or ():
            need = Requirement(text)
            marks = need.marker
            if marks is None or any(marks.evaluate({"extra": e}) for e in (extras or {""})):
                wanted.append((_normal(need.name), frozenset(need.extras)))
    return found


def _normal(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def _files_hash(found: importlib.metadata.Distribution) -> str:
    added = ("INSTALLER", "REQUESTED", "RECORD", "direct_url.json", "uv_cache.json")
    kept = []
    for row in csv.reader((found.read_text("RECORD") or "").splitlines()):
        path, digest = row[0], row[1] if len(row) > 1 else ""
        inside = not path.startswith("..") and not PurePosixPath(path).is_absolute()
        if digest and inside and "__pycache__" not in path and Path(path).name not in added:
            kept.append(f"{path},{digest}")
    return hashlib.sha256("\n".join(sorted(kept)).encode()).hexdigest() if kept else "unknown"


def make_manifest(folder: Path, about: Mapping[str, Any]) -> dict[str, Any]:
    """The manifest of a folder whose other files are complete."""
    every = [entry for entry in file_hashes(folder) if entry["file"] != MANIFEST]
    inputs = [entry for entry in every if entry["file"].startswith("inputs/")]
    outputs = [entry for entry in every if not entry["file"].startswith("inputs/")]
    about = {"kind": KIND, **about, "versions": versions()}
    return {**about, "inputs": inputs, "outputs": outputs}


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class _Entry(_Strict):
    file: str = Field(min_length=1, max_length=1000)
    bytes: int = Field(ge=0)
    sha256: str = Field(pattern="^[0-9a-f]{64}$")


class Manifest(_Strict):
    """What a manifest holds."""

    kind: Literal["sewer bill evidence, format 1"]
    notebook: str = Field(max_length=100)
    case: str = Field(max_length=1000)
    parameters: dict[str, int | float | str | bool]
    written: str = Field(pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ$")
    versions: dict[str, str]
    inputs: list[_Entry] = Field(min_length=1)
    outputs: list[_Entry] = Field(min_length=1)


def read_json(file: Path) -> Any:
    """A JSON file as the toolkit writes it; ValueError where it is anything else."""
    if not stat.S_ISREG(file.lstat().st_mode):
        raise ValueError("no plain file")
    try:
        return json.loads(
            file.read_text(encoding="utf-8"), object_pairs_hook=once, parse_constant=_no_number
        )
    except RecursionError:
        raise ValueError("nested too deeply") from None


def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """A table of JSON of which no key stands twice."""
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("a key stands twice")
    return found


def _no_number(word: str) -> float:
    raise ValueError(f"{word} is no number")


def read_manifest(folder: Path) -> Manifest:
    """The manifest of an evidence folder."""
    remedy = "Name a folder that 'sewer-audit report' wrote"
    try:
        read = read_json(folder / MANIFEST)
    except FileNotFoundError:
        found = "there is no manifest in this folder" if folder.is_dir() else "no such folder"
        raise InputRefused(Problem(folder.name or str(folder), found, remedy)) from None
    except (OSError, ValueError):
        raise InputRefused(Problem(MANIFEST, "the manifest is not readable", remedy)) from None
    try:
        return Manifest.model_validate(read)
    except ValidationError as error:
        fault = error.errors(include_url=False)[0]
        place = ".".join(str(part) for part in fault["loc"]) or "its form"
        found = f"this is no manifest of an evidence folder ({place})"
        raise InputRefused(Problem(MANIFEST, found, remedy)) from None
