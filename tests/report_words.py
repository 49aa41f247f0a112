"""What a notebook says on a case: every sentence, table and word in a figure, without a kernel."""

from __future__ import annotations

import ast
import contextlib
import functools
import io
import re
from pathlib import Path
from unittest.mock import patch

import nbformat
from matplotlib.figure import Figure
from matplotlib.text import Text

import sewer_audit
from sewer_audit import sample_case
from sewer_audit.case import home


def said(name: str, case: Path, draws: int = 400) -> str:
    """All words of one notebook of the package on one case."""
    return run(name, case, draws)[0]


@functools.cache
def run(name: str, case: Path, draws: int = 400) -> tuple[str, dict]:
    """The same, with what the notebook has left behind by name; run once for all who ask."""
    notebook = nbformat.read(home("notebooks") / f"{name}.ipynb", as_version=4)
    spoken, names = io.StringIO(), {}

    def saved(figure, *args, **_options):
        texts = [each.get_text() for each in figure.findobj(Text)]
        spoken.write("\n".join(["", *filter(str.strip, texts), ""]))
        args[0].write(b"<svg></svg>")  # its words are enough here, and drawing takes long

    shared = patch.multiple(sewer_audit, load_case=_loaded, audit=_audited)
    with contextlib.redirect_stdout(spoken), shared, patch.object(Figure, "savefig", saved):
        from IPython.display import display

        names["display"] = display
        for cell in notebook.cells:
            if cell.cell_type == "markdown":
                spoken.write(f"\n{cell.source}\n")
                continue
            body = ast.parse(cell.source).body
            last = body.pop() if body and isinstance(body[-1], ast.Expr) else None
            exec(compile(ast.Module(body, []), name, "exec"), names)
            if "parameters" in cell.metadata.get("tags", []):
                names.update(case=str(case), draws=draws)
            if last is not None:
                value = eval(compile(ast.Expression(last.value), name, "eval"), names)
                if value is not None:
                    spoken.write(f"\n{getattr(value, 'plain', None) or value!r}\n")
    return spoken.getvalue(), names


_loaded = functools.cache(sewer_audit.load_case)


_done: dict = {}
_audit = sewer_audit.audit


def _audited(case, *, draws: int, seed: int, progress=None):
    """One audit for all notebooks of a case; they show it and change nothing in it."""
    key = (id(case), draws, seed)  # the cache above keeps every case, so no number comes again
    if key not in _done:
        _done[key] = _audit(case, draws=draws, seed=seed)
    return _done[key]


def metric_case(folder: Path) -> Path:
    """The main sample as a metric site would write it: nothing in it is in feet or gallons."""
    source = sample_case()
    folder.mkdir(parents=True)
    logs = source.parent.parent / "sample_logs"
    for file in (*source.parent.glob("*.csv"), logs / "effluent_log.csv"):
        (folder / file.name).write_bytes(file.read_bytes())
    text = source.read_text().replace("../sample_logs/", "")
    text = re.sub(r"\[display\].*?\n\n", "", text, flags=re.S)
    text = re.sub(r"\[rates\].*?\n\n", "", text, flags=re.S)
    text = re.sub(r"(?m)#.*$", "", text)
    text = text.replace('volume_unit = "kgal"', 'volume_unit = "m3"')
    text = text.replace('unit = "gal"\nmultiplier = 100', 'unit = "m3"\nmultiplier = 0.3785411784')
    text = text.replace('unit = "cf"\nmultiplier = 10', 'unit = "m3"\nmultiplier = 0.28316846592')
    text = text.replace('throat = "6 in"', 'throat = "0.152 m"')
    text = re.sub(r'"([\d.]+) in"', lambda m: f'"{25.4 * float(m[1]):.1f} mm"', text)
    text = re.sub(r"\[effluent\.checklist\].*?\n\n", "", text, flags=re.S)
    (folder / "case.toml").write_text(text)
    rows = (folder / "invoices.csv").read_text().splitlines()
    head = rows[0].split(",")
    kept = [i for i, n in enumerate(head) if n in ("invoice", "start", "end", "read_type", "total")]
    billed = head.index("billed_volume")
    lines = [",".join([*(head[i] for i in kept), "billed_volume"])]
    for row in rows[1:]:
        cells = row.split(",")
        volume = f"{3.785411784 * float(cells[billed]):.1f}"
        lines.append(",".join([*(cells[i] for i in kept), volume]))
    (folder / "invoices.csv").write_text("\n".join(lines) + "\n")
    return folder / "case.toml"
