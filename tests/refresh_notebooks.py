"""Run every committed notebook on the sample and keep its outputs: the one way to refresh them.

    python tests/refresh_notebooks.py [NAME ...]

Counts and outputs are kept, for the comparison of outputs needs them; time stamps, widget state and
versions of one machine are not.
"""

from __future__ import annotations

import sys
from pathlib import Path

import nbformat

ROOT = Path(__file__).parent.parent
sys.path.insert(0, str(ROOT))

from toolkit.report_run import run_notebook  # noqa: E402

KEPT_TAGS = ("tags",)


def refreshed(path: Path):
    """A notebook run with its own parameters, with nothing of this machine left in it."""
    source = nbformat.read(path, as_version=4)
    executed = run_notebook(path, {})
    ran = [c for c in executed.cells if "injected-parameters" not in c.metadata.get("tags", [])]
    for old, new in zip(source.cells, ran, strict=True):
        old.metadata = nbformat.from_dict({k: v for k, v in old.metadata.items() if k in KEPT_TAGS})
        if old.cell_type == "code":
            old.outputs, old.execution_count = _outputs(new), None
    number = 0
    for cell in source.cells:
        if cell.cell_type == "code":
            number += 1
            cell.execution_count = number
            for output in cell.outputs:
                if output.output_type == "execute_result":
                    output.execution_count = number
    source.metadata = nbformat.from_dict(
        {
            "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
            "language_info": {"name": "python"},
        }
    )
    return source


def _outputs(cell):
    kept = [output for output in cell.outputs if output.get("name") != "stderr"]
    for output in kept:  # a view without its kernel shows an error; its text stays
        output.get("data", {}).pop("application/vnd.jupyter.widget-view+json", None)
    return kept


def main(names: list[str]) -> None:
    paths = sorted((ROOT / "notebooks").glob("*.ipynb"))
    for path in paths:
        if names and path.stem not in names:
            continue
        notebook = refreshed(path)
        nbformat.validate(notebook)
        path.write_text(nbformat.writes(notebook, version=4) + "\n", encoding="utf-8")
        print(f"refreshed {path.name}")


if __name__ == "__main__":
    main(sys.argv[1:])
