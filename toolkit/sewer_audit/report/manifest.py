"""The manifest of an evidence folder: what went in, what came out, made with what.

It names every file with its SHA-256, the versions of everything that computes, the parameters and
the seed. It holds no absolute path and no name of a user or a machine.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
import math
import platform
from collections.abc import Mapping
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path, PurePosixPath
from typing import Any

import sewer_audit
from sewer_audit.errors import InputRefused, Problem

__all__ = [
    "KIND",
    "MANIFEST",
    "code_hash",
    "file_hashes",
    "json_text",
    "make_manifest",
    "read_manifest",
    "versions",
]

MANIFEST = "manifest.json"
KIND = "sewer bill evidence, format 1"
COMPUTING = ("numpy", "pandas", "scipy", "openpyxl", "matplotlib", "nbconvert", "papermill")
DIGITS = 12


def json_text(value: Any) -> str:
    """JSON whose bytes depend on the values alone.

    Parameters
    ----------
    value : object
        Mappings, sequences, numbers, text, times; numbers of numpy and pandas too [-].

    Returns
    -------
    str
        Keys sorted, numbers with at most twelve significant digits, no number for NaN [text].
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


def file_hashes(folder: Path, inside: str = "") -> list[dict[str, Any]]:
    """Every file below a folder with its size and SHA-256.

    list of dict: file (with forward slashes), bytes, sha256; sorted by name.
    """
    listed = []
    for path in (folder / inside).rglob("*"):
        if path.is_file():
            content = path.read_bytes()
            name = str(PurePosixPath(path.relative_to(folder)))
            digest = hashlib.sha256(content).hexdigest()
            listed.append({"file": name, "bytes": len(content), "sha256": digest})
    return sorted(listed, key=lambda entry: entry["file"])


def code_hash() -> str:
    """One SHA-256 over the code and the tables of the toolkit itself."""
    home = Path(sewer_audit.__file__).parent
    digest = hashlib.sha256()
    for path in sorted(home.rglob("*")):
        data = {"notebooks", "sample_bills", "sample_logs", "__pycache__"}
        if path.suffix in (".py", ".csv", ".json") and not data & set(path.relative_to(home).parts):
            digest.update(str(PurePosixPath(path.relative_to(home))).encode())
            digest.update(path.read_bytes().replace(b"\r\n", b"\n"))
    return digest.hexdigest()


def versions() -> dict[str, str]:
    """What the computation runs on."""
    found = {"python": platform.python_version(), "toolkit": sewer_audit.__version__}
    found["toolkit code"] = code_hash()
    for name in COMPUTING:
        found[name] = importlib.metadata.version(name)
    return dict(sorted(found.items()))


def make_manifest(folder: Path, about: Mapping[str, Any]) -> dict[str, Any]:
    """The manifest of a folder whose other files are complete."""
    inputs = file_hashes(folder, "inputs")
    taken = {entry["file"] for entry in inputs} | {MANIFEST}
    outputs = [entry for entry in file_hashes(folder) if entry["file"] not in taken]
    about = {"kind": KIND, **about, "versions": versions()}
    return {**about, "inputs": inputs, "outputs": outputs}


def read_manifest(folder: Path) -> dict[str, Any]:
    """The manifest of an evidence folder."""
    remedy = "Name a folder that 'sewer-audit report' wrote"
    try:
        read = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except FileNotFoundError:
        found = "there is no manifest in this folder" if folder.is_dir() else "no such folder"
        raise InputRefused(Problem(folder.name or str(folder), found, remedy)) from None
    except (OSError, ValueError):
        raise InputRefused(Problem(MANIFEST, "the manifest is not readable", remedy)) from None
    keys = {"notebook", "case", "parameters", "versions", "inputs", "outputs"}
    if not isinstance(read, dict) or read.get("kind") != KIND or not keys <= set(read):
        raise InputRefused(Problem(MANIFEST, "this is no manifest of an evidence folder", remedy))
    return read
