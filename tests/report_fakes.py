"""A small case and a small notebook that delivers: the report without the audit."""

from __future__ import annotations

from pathlib import Path

import nbformat

CASE = """\
[case]
title = "Nowhere <script>alert(1)</script> $5 *mill*"
time_zone = "America/Chicago"
basis = "intake"

[invoices]
file = "invoices.csv"
volume_unit = "kgal"
end_day_counts = false
"""
INVOICES = "invoice,start,end,billed_volume,total\n=A1,2026-01-01,2026-02-01,100,500.00\n"

COMPUTE = """\
from sewer_audit import load_case

class Result:
    def __init__(self, case):
        self.rows = case.path(case.data.invoices.file).read_text().splitlines()[1:]

    def findings(self):
        rows = [row.split(",") for row in self.rows]
        return {
            "draws": draws,
            "seed": seed,
            "invoices": [{"invoice": r[0], "billed_m3": float(r[3]) / 3} for r in rows],
            "total": {"billed_m3": sum(float(r[3]) for r in rows) / 3},
        }

    def tables(self):
        import pandas as pd
        return {"invoices": pd.DataFrame(self.findings()["invoices"])}

the_case = load_case(case) if case else None
"""
SHOW = """\
from matplotlib.figure import Figure
from sewer_audit.charts import show
from sewer_audit.report.show import say, show_table, show_verdict

figure = Figure(figsize=(3, 2))
figure.subplots().plot([1, 2])
show(figure, "a rising line from 1 to 2", "A line.")
import sewer_audit
print("paths:", sewer_audit.__file__, deliver_to, case)
if the_case is not None:
    display(say("The case is **{title}**.", title=the_case.title))
"""
DELIVER = """\
from sewer_audit.report.delivery import deliver
if deliver_to:
    deliver(Result(the_case), deliver_to)
"""
PARAMETERS = """\
case: str = ""  # case file
draws: int = 1000  # draws
seed: int = 1  # seed
deliver_to: str = ""  # set by the report
share: float = 0.5  # any further parameter
"""


def write_case(folder: Path, text: str = CASE) -> Path:
    """Write the case into a folder; returns its case file."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "case.toml").write_text(text)
    (folder / "invoices.csv").write_text(INVOICES)
    return folder / "case.toml"


def code(source: str, tags: tuple[str, ...] = ()):
    return nbformat.v4.new_code_cell(source, metadata={"tags": list(tags)} if tags else {})


def write_notebook(folder: Path, *extra: str, deliver: bool = True) -> Path:
    """Write the notebook with further cells before its last one; returns its path."""
    folder.mkdir(parents=True, exist_ok=True)
    kernel = {"name": "python3", "display_name": "Python 3", "language": "python"}
    notebook = nbformat.v4.new_notebook(metadata={"kernelspec": kernel})
    notebook.cells = [
        nbformat.v4.new_markdown_cell("# A small report\n\n## Verdict"),
        code(PARAMETERS, ("parameters",)),
        code(COMPUTE),
        code("show_verdict = None\n" + SHOW.replace(", show_verdict", "")),
        nbformat.v4.new_markdown_cell("## Equation\n\n$$Q = C h^{n}$$\n\n### Verdict\n"),
        *[code(source) for source in extra],
    ]
    if deliver:
        notebook.cells.append(code(DELIVER, ("deliver",)))
    for number, cell in enumerate(notebook.cells):
        cell["id"] = f"c{number}"
    path = folder / "small.ipynb"
    nbformat.write(notebook, path)
    return path
