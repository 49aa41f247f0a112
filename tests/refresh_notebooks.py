"""Run every committed notebook on the sample and keep its outputs: the one way to refresh them.

    python tests/refresh_notebooks.py [NAME ...]
    python tests/refresh_notebooks.py --picture

The second draws the top of the evidence page, as its committed notebook stands, with a browser of
this machine into notebooks/evidence_first_page.png. Counts and outputs are kept, for the comparison
of outputs needs them; time stamps, widget state and versions of one machine are not.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import nbformat
from PIL import Image

ROOT = Path(__file__).parent.parent
sys.path.insert(0, str(ROOT))

from sewer_audit.report.folder.export import EvidenceExporter  # noqa: E402
from sewer_audit.report.folder.running import run_notebook  # noqa: E402

KEPT_TAGS = ("tags",)
PICTURE = ROOT / "notebooks" / "evidence_first_page.png"


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


def draw_picture(target: Path, width: int = 1280, height: int = 1000) -> None:
    """The top of the evidence page in a browser, in few colours so that the file stays small."""
    browser = shutil.which("chromium") or shutil.which("google-chrome")
    if browser is None:
        raise SystemExit("no browser found; the picture was not drawn")
    notebook = nbformat.read(ROOT / "notebooks" / "evidence_report.ipynb", as_version=4)
    with tempfile.TemporaryDirectory() as folder:
        page, shot = Path(folder) / "page.html", Path(folder) / "shot.png"
        page.write_text(EvidenceExporter().from_notebook_node(notebook)[0], encoding="utf-8")
        command = [browser, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"]
        command += ["--disable-background-networking", f"--user-data-dir={folder}/profile"]
        command += [f"--window-size={width},{height}", f"--screenshot={shot}", page.as_uri()]
        subprocess.run(command, check=True, capture_output=True, timeout=120)
        image = Image.open(shot).convert("RGB").quantize(64)
        image.save(target, optimize=True)


def main(names: list[str]) -> None:
    if names == ["--picture"]:
        draw_picture(PICTURE)
        print(f"drawn {PICTURE.name}, {PICTURE.stat().st_size:,} bytes")
        return
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
