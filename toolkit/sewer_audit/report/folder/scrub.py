"""Take out of an executed notebook what belongs to one run or one machine."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import nbformat

import sewer_audit
from sewer_audit.errors import ReportFailed


def machine_paths(draft: Path, notebook: Path) -> dict[str, str]:
    """Paths of this machine and what stands in their place in a file that leaves it."""
    package = Path(sewer_audit.__file__).parent
    paths = {
        str(draft): ".",
        str(draft.resolve()): ".",
        str(notebook.parent.resolve()): "notebooks",
        str(package.parent): "installation",
        str(Path.home()): "home",
    }
    return {path: stand_in for path, stand_in in paths.items() if len(path) > 4}


def refuse_paths(folder: Path, paths: Mapping[str, str]) -> None:
    """Refuse outputs that name a place on this machine."""
    for file in sorted(folder.iterdir()):
        if file.suffix not in (".html", ".json", ".ipynb"):
            continue
        text = file.read_text(encoding="utf-8")
        for path in paths:
            if path in text or json.dumps(path)[1:-1] in text:
                raise ReportFailed(f"{file.name} would name a folder of this machine, {path}")


def scrub_notebook(notebook: Any, names: Mapping[str, str], parameters: Mapping[str, Any]) -> Any:
    """A copy of an executed notebook that tells nothing of the run but its results."""
    clean = nbformat.from_dict(nbformat.v4.new_notebook())
    clean.metadata["kernelspec"] = {"display_name": "Python 3", "language": "python"}
    clean.metadata["kernelspec"]["name"] = "python3"
    clean.metadata["language_info"] = {"name": "python"}
    for number, cell in enumerate(notebook.cells):
        copy = nbformat.from_dict(cell)
        copy["id"] = f"cell-{number:03d}"
        tags = [str(tag) for tag in cell.metadata.get("tags", [])]
        copy["metadata"] = nbformat.from_dict({"tags": tags} if tags else {})
        if "injected-parameters" in tags:
            lines = [f"{name} = {value!r}" for name, value in parameters.items()]
            copy["source"] = "\n".join(["# Parameters", *lines])
        if cell.cell_type == "code":
            copy["outputs"] = [
                _replace(o, names) for o in copy.outputs if o.get("name") != "stderr"
            ]
        clean.cells.append(copy)
    return clean


def _replace(value: Any, names: Mapping[str, str]) -> Any:
    if isinstance(value, dict):
        return nbformat.from_dict({key: _replace(inner, names) for key, inner in value.items()})
    if isinstance(value, list):
        return [_replace(inner, names) for inner in value]
    if isinstance(value, str):
        for path, stand_in in sorted(names.items(), key=lambda pair: -len(pair[0])):
            value = value.replace(path, stand_in)
        return re.sub(r"/tmp/ipykernel_\d+/\d+\.py", "notebook cell", value)
    return value


def notebook_text(notebook: Any) -> str:
    """A notebook as text with steady bytes."""
    return nbformat.writes(notebook, version=4) + "\n"
