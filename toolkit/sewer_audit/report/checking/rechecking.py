"""Make an evidence folder anew from the inputs packed in it, and compare everything.

A received folder is the work of a stranger. Nothing in it is ever run: the notebook is the one of
a fixed name that travels with the installed package. Only plain files that the manifest lists as
inputs are read, from a copy; a link, or a case that names anything else, stops the work.
"""

from __future__ import annotations

import hashlib
import html
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from sewer_audit.case import Case, load_case
from sewer_audit.errors import AuditError, InputRefused, Problem
from sewer_audit.report.checking.comparing import Difference, Tally, compare_file, compare_json
from sewer_audit.report.folder.making import PAGES, make_folder, notebook_file
from sewer_audit.report.folder.manifest import (
    LOCK,
    MANIFEST,
    Manifest,
    file_hashes,
    read_json,
    read_manifest,
    unusual,
    versions,
)

__all__ = ["Difference", "RecheckResult", "recheck"]

SHOWN = 20
DROPPINGS = (".DS_Store", "Thumbs.db", "desktop.ini")
"""What file managers leave in a folder; told, and no fault [text]."""


@dataclass(frozen=True)
class RecheckResult:
    """What a recheck found.

    close: Of the figures, equal within rounding of the machine.
    told: What the reader should know and what is no fault: other versions, what was not compared.
    """

    figures: int
    exact: int
    close: int
    differences: tuple[Difference, ...]
    changed_inputs: tuple[str, ...]
    changed_outputs: tuple[str, ...]
    other_versions: tuple[str, ...]
    stopped: str = ""
    noted: str = ""
    told: tuple[str, ...] = ()
    pictures: int = 0

    @property
    def reproduced(self) -> bool:
        """True if every file is as it was and every figure comes out again [-]."""
        faults = (self.differences, self.changed_inputs, self.changed_outputs, self.stopped)
        return not any(faults) and not self.noted and self.figures > 0

    def __str__(self) -> str:
        lines = [self.noted] if self.noted else []
        lines += [f"changed input: {name}" for name in self.changed_inputs]
        lines += [f"changed output: {name}" for name in self.changed_outputs]
        lines += [f"other version: {name}" for name in self.other_versions]
        lines += [f"note: {name}" for name in self.told]
        if self.stopped:
            lines.append(f"not recomputed: {self.stopped}")
        else:
            lines.append(
                f"{self.figures} figures and parts compared: {self.exact} equal to the last digit, "
                f"{self.close} equal within rounding, {len(self.differences)} different"
            )
        lines += [f"different: {difference}" for difference in self.differences[:SHOWN]]
        if len(self.differences) > SHOWN:
            lines.append(f"… and {len(self.differences) - SHOWN} more")
        end = "reproduced" if self.reproduced else "NOT reproduced"
        if self.reproduced and self.pictures:
            end += f", but for {self.pictures} pictures, which were not compared"
        return "\n".join([*lines, end])


def recheck(
    folder: str | Path,
    progress: bool = False,
    notebook: str | None = None,
    sha256: str | None = None,
    kernel: Any = None,
) -> RecheckResult:
    """Verify an evidence folder: its files against the manifest, all of it against a new run.

    Parameters
    ----------
    folder : str or Path
        Evidence folder, which is not changed [-].
    progress : bool
        Show a bar while the notebook runs [-].
    notebook : str, optional
        Notebook of the caller's own to run instead of the one of this name that travels with the
        package; nothing that lies in the folder itself is ever run [text].
    sha256 : str, optional
        SHA-256 of the manifest as it was noted elsewhere when the folder was written [text].
    kernel : kernel manager, optional
        One that was started before anything else was imported [-].

    Raises
    ------
    InputRefused
        If the folder is no evidence folder.
    """
    place = Path(folder)
    manifest = read_manifest(place)
    digest = hashlib.sha256((place / MANIFEST).read_bytes()).hexdigest()
    noted = ""
    changed, told = _changed(place, manifest)
    if sha256 is not None and sha256.strip().lower() == digest:
        told.append(f"SHA-256 of {MANIFEST} is the one noted")
    elif sha256 is not None:
        noted = f"another folder than the one noted: SHA-256 of {MANIFEST} is {digest}"
    tally, others, stopped = Tally(), _other_versions(manifest), ""
    try:
        with tempfile.TemporaryDirectory(prefix="recheck-") as temporary:
            case = _received(place, manifest, Path(temporary) / "received")
            anew = Path(temporary) / "anew"
            anew.mkdir()
            pdf = (place / _print(manifest)).is_file()
            _make(case, manifest, anew, notebook, progress, pdf, kernel)
            others += _compare(tally, place, anew, manifest)
    except AuditError as error:
        stopped = str(error)
    except OSError as error:
        stopped = f"a file cannot be read or written ({error.strerror or error})"
    told += tally.told
    if tally.pictures:
        told.append(
            f"{tally.pictures} pictures and equations were drawn by another version of matplotlib "
            f"and were not compared; install the versions of {LOCK} to compare them too"
        )
    return RecheckResult(
        tally.figures,
        tally.exact,
        tally.close,
        tuple(tally.differences),
        tuple(changed["inputs"]),
        tuple(changed["outputs"]),
        tuple(others),
        stopped,
        noted,
        tuple(told),
        tally.pictures,
    )


def _changed(place: Path, manifest: Manifest) -> tuple[dict[str, list[str]], list[str]]:
    """What is not as the manifest lists it, by part; what lies there besides and is harmless."""
    found = {entry["file"]: entry for entry in file_hashes(place)}
    changed: dict[str, list[str]] = {"inputs": [], "outputs": []}
    listed: set[str] = set()
    for part, entries in (("inputs", manifest.inputs), ("outputs", manifest.outputs)):
        for entry in entries:
            now = found.get(entry.file)
            if entry.file in listed:
                changed[part].append(f"{entry.file} (listed twice)")
            elif now is None:
                changed[part].append(f"{entry.file} (missing)")
            elif now != entry.model_dump():
                changed[part].append(entry.file)
            listed.add(entry.file)
    told = []
    for name in sorted(set(found) - listed - {MANIFEST}):
        if PurePosixPath(name).name in DROPPINGS:
            told.append(f"{name} was left by a file manager")
        else:
            changed[_part(name)].append(f"{name} (added)")
    for name in unusual(place):
        changed[_part(name)].append(f"{name} (a link or no plain file)")
    return changed, told


def _part(name: str) -> str:
    return "inputs" if name.startswith("inputs/") else "outputs"


def _other_versions(manifest: Manifest) -> list[str]:
    stated, found = manifest.versions, versions()
    return [
        f"{name} {found.get(name, 'not installed')}, was {stated.get(name, 'not stated')[:80]}"
        for name in sorted({*stated, *found})
        if found.get(name) != stated.get(name)
    ]


def _received(place: Path, manifest: Manifest, copy: Path) -> Case:
    """A copy of the listed inputs and of nothing else, and the case in it."""
    names = [entry.file for entry in manifest.inputs]
    links = unusual(place)
    for name in names:
        parts = name.split("/")
        inside = parts[0] == "inputs" and len(parts) > 1 and not {"", ".", ".."} & set(parts)
        if not inside or "\\" in name or "\0" in name or ":" in name:
            raise _untrusted(f"the manifest lists {name[:80]!r} as an input")
        above = {"/".join(parts[: n + 1]) for n in range(len(parts))}
        if above & set(links):
            raise _untrusted(f"{name} is a link, or reached through one")
        if (place / name).is_file():
            (copy / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(place / name, copy / name, follow_symlinks=False)
    if manifest.case not in names:
        raise _untrusted(f"the manifest names {manifest.case[:80]!r} as the case and lists it not")
    case = load_case(copy / manifest.case)
    allowed = {(copy / name).resolve() for name in names}
    for key, name in case.named_files:
        if case.path(name) not in allowed:
            raise _untrusted(f"the case names {name[:80]!r} ({key}), which is not packed")
    return case


def _untrusted(found: str) -> InputRefused:
    return InputRefused(Problem(MANIFEST, found, "Do not trust this folder"))


def _print(manifest: Manifest) -> str:
    return f"{PAGES.get(manifest.notebook, 'evidence')}.pdf"


def _make(
    case: Case,
    manifest: Manifest,
    anew: Path,
    notebook: str | None,
    progress: bool,
    pdf: bool,
    kernel: Any,
) -> None:
    if notebook is None and manifest.notebook not in PAGES:
        found = f"the package has no notebook {manifest.notebook[:80]!r} that writes a folder"
        raise _untrusted(found)
    given = dict(manifest.parameters)
    if not {"draws", "seed"} <= set(given) or {"case", "deliver_to"} & set(given):
        raise _untrusted("the parameters are not those of a report")
    draws = given["draws"]
    if draws != "adaptive" and (isinstance(draws, (str, bool)) or not 100 <= draws <= 10_000_000):
        raise _untrusted(f"{draws!r} is no number of draws")
    source = notebook_file(notebook or manifest.notebook)
    name = PAGES.get(manifest.notebook, "evidence")
    make_folder(case, source, given, anew, name, manifest.written, progress, pdf, kernel)


def _compare(tally: Tally, place: Path, anew: Path, manifest: Manifest) -> list[str]:
    """Hold a folder against the one made anew; returns the packages of other versions."""
    new = read_manifest(anew)
    apart = {"versions", "outputs"}
    compare_json(tally, manifest.model_dump(exclude=apart), new.model_dump(exclude=apart), MANIFEST)
    stated = _json(place / "findings.json")
    compare_json(tally, stated, _json(anew / "findings.json"))
    redrawn = manifest.versions.get("matplotlib") != versions()["matplotlib"]
    said = _saying(manifest.versions)
    was, now = ({e.file for e in m.outputs} for m in (manifest, new))
    if (printed := _print(manifest)) in was - now and (place / printed).is_file():
        tally.told.append(f"{printed} was not compared: this machine has no way to print")
        was.remove(printed)
    for name in sorted((was ^ now) - {LOCK}):
        tally.hold(name, *("there" if name in m else "not there" for m in (was, now)))
    for name in sorted((was & now) - {"findings.json", LOCK}):
        if (place / name).is_file():
            compare_file(tally, place / name, anew / name, redrawn, said)
    return _other_packages(place / LOCK, anew / LOCK)


def _json(file: Path) -> Any:
    try:
        return read_json(file)
    except (OSError, ValueError) as error:
        found = f"the findings are missing or not readable ({error})"
        raise InputRefused(Problem(file.name, found, "Write the report again")) from None


def _saying(stated: dict[str, str]) -> Callable[[str], str]:
    """Puts the stated versions in place of ours, in each way a text may hold the sentence."""
    from sewer_audit.report.evidence.lists import made_with
    from sewer_audit.report.show import markdown_text

    here, there = made_with(), made_with(dict(sorted(stated.items())))
    ways = (str, markdown_text, html.escape, lambda text: html.escape(markdown_text(text)))
    pairs = [(way(here), way(there)) for way in ways]

    def said(text: str) -> str:
        for ours, theirs in pairs:
            text = text.replace(ours, theirs)
        return text

    return said


def _other_packages(stated: Path, anew: Path) -> list[str]:
    """Lines of the lock file that are other here."""
    try:
        was = stated.read_text(encoding="utf-8").splitlines()
    except (OSError, ValueError):
        return [f"{LOCK} is missing or not readable"]
    now = anew.read_text(encoding="utf-8").splitlines()
    gone = [line for line in was if line not in set(now)]
    new = [line for line in now if line not in set(was)]
    if not gone and not new:
        return []
    names = sorted({line.split("==")[0][:40] for line in (*gone, *new) if "==" in line})
    return [
        f"{LOCK} lists other packages than this machine has: {', '.join(names) or gone[0][:80]}"
    ]
