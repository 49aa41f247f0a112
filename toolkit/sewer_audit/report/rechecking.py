"""Recompute an evidence folder from the inputs packed in it, and compare figure by figure."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sewer_audit.case import load_case
from sewer_audit.errors import AuditError, InputRefused, Problem
from sewer_audit.report.manifest import MANIFEST, file_hashes, read_manifest, versions
from sewer_audit.report.running import run_notebook

__all__ = ["Difference", "RecheckResult", "recheck"]

CLOSE = 1e-9
SHOWN = 20


@dataclass(frozen=True)
class Difference:
    """One figure that is not reproduced."""

    figure: str
    stated: Any
    recomputed: Any

    def __str__(self) -> str:
        return f"{self.figure}: stated {self.stated!r}, recomputed {self.recomputed!r}"


@dataclass(frozen=True)
class RecheckResult:
    """What a recheck found.

    close: Of these, equal within rounding of the machine, 1e-9 relative.
    """

    figures: int
    exact: int
    close: int
    differences: tuple[Difference, ...]
    changed_inputs: tuple[str, ...]
    changed_outputs: tuple[str, ...]
    other_versions: tuple[str, ...]
    stopped: str = ""

    @property
    def reproduced(self) -> bool:
        """True if every file is as it was and every figure comes out again [-]."""
        faults = (self.differences, self.changed_inputs, self.changed_outputs, self.stopped)
        return not any(faults) and self.figures > 0

    def __str__(self) -> str:
        lines = [f"changed input: {name}" for name in self.changed_inputs]
        lines += [f"changed output: {name}" for name in self.changed_outputs]
        lines += [f"other version: {name}" for name in self.other_versions]
        if self.stopped:
            lines.append(f"not recomputed: {self.stopped}")
        else:
            lines.append(
                f"{self.figures} figures compared: {self.exact} equal to the last digit, "
                f"{self.close} equal within rounding, {len(self.differences)} different"
            )
        lines += [f"different: {difference}" for difference in self.differences[:SHOWN]]
        if len(self.differences) > SHOWN:
            lines.append(f"… and {len(self.differences) - SHOWN} more")
        lines.append("reproduced" if self.reproduced else "NOT reproduced")
        return "\n".join(lines)


def recheck(
    folder: str | Path, progress: bool = False, notebook: str | None = None
) -> RecheckResult:
    """Verify an evidence folder: its files against the manifest, its figures against a new run.

    Parameters
    ----------
    folder : str or Path
        Evidence folder, which is not changed [-].
    progress : bool
        Show a bar while the notebook runs [-].
    notebook : str, optional
        Notebook to run instead of the one of this name that travels with the package; nothing that
        lies in the folder itself is ever run [text].

    Returns
    -------
    RecheckResult
        Names what changed and which figures are not reproduced [-].

    Raises
    ------
    InputRefused
        If the folder is no evidence folder.
    """
    place = Path(folder)
    manifest = read_manifest(place)
    now = {entry["file"]: entry["sha256"] for entry in file_hashes(place)}
    changed = {part: _changed(manifest[part], now) for part in ("inputs", "outputs")}
    listed = {entry["file"] for part in ("inputs", "outputs") for entry in manifest[part]}
    for name in sorted(set(now) - listed - {MANIFEST}):
        part = "inputs" if name.startswith("inputs/") else "outputs"
        changed[part].append(f"{name} (added)")
    stated_versions, found = manifest["versions"], versions()
    others = [
        f"{name} {found.get(name, 'not installed')}, was {was}"
        for name, was in sorted(stated_versions.items())
        if found.get(name) != was
    ]
    counts, stopped = ((0, 0, ()), "")
    try:
        counts = _compare(_stated(place), _recomputed(place, manifest, notebook, progress))
    except AuditError as error:
        stopped = str(error)
    exact, close, differences = counts
    return RecheckResult(
        exact + close + len(differences),
        exact,
        close,
        tuple(differences),
        tuple(changed["inputs"]),
        tuple(changed["outputs"]),
        tuple(others),
        stopped,
    )


def _changed(listed: list[dict[str, Any]], now: dict[str, str]) -> list[str]:
    names = []
    for entry in listed:
        if entry["file"] not in now:
            names.append(f"{entry['file']} (missing)")
        elif now[entry["file"]] != entry["sha256"]:
            names.append(entry["file"])
    return names


def _stated(place: Path) -> Any:
    try:
        return json.loads((place / "findings.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        found = "the findings are missing or not readable"
        raise InputRefused(Problem("findings.json", found, "Write the report again")) from None


def _recomputed(place: Path, manifest: dict[str, Any], notebook: str | None, progress: bool) -> Any:
    from sewer_audit.report import notebook_file

    case = (place / str(manifest["case"])).resolve()
    if place.resolve() not in case.parents:
        found = "the manifest names a case outside of the folder"
        raise InputRefused(Problem(MANIFEST, found, "Do not trust this folder"))
    load_case(case)
    with tempfile.TemporaryDirectory(prefix="recheck-") as temporary:
        given = {**manifest["parameters"], "case": str(case), "deliver_to": temporary}
        run_notebook(notebook_file(notebook or str(manifest["notebook"])), given, progress)
        return _stated(Path(temporary))


def _leaves(value: Any, place: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict) and value:
        for key in value:
            yield from _leaves(value[key], f"{place}.{key}" if place else str(key))
    elif isinstance(value, list) and value:
        for number, inner in enumerate(value):
            name = inner.get("invoice", number + 1) if isinstance(inner, dict) else number + 1
            yield from _leaves(inner, f"{place}[{name}]")
    else:
        yield place, value


def _compare(stated: Any, recomputed: Any) -> tuple[int, int, list[Difference]]:
    was, now = dict(_leaves(stated)), dict(_leaves(recomputed))
    exact = close = 0
    differences = []
    for place in [*was, *(p for p in now if p not in was)]:
        old, new = was.get(place, "nothing"), now.get(place, "nothing")
        if old == new and type(old) is type(new):
            exact += 1
        elif _near(old, new):
            close += 1
        else:
            differences.append(Difference(place, old, new))
    return exact, close, differences


def _near(old: Any, new: Any) -> bool:
    numbers = all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in (old, new))
    return numbers and abs(old - new) <= CLOSE * max(abs(old), abs(new))
