"""An audit at one's desk in Jupyter: what a cell shows, its pictures, its frames in trade units.

Found by name when a result is first looked at, because what shows a result stands above it.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from sewer_audit.charts import Picture
from sewer_audit.report.evidence.lists import readable
from sewer_audit.report.evidence.verdict import verdict
from sewer_audit.report.frames import invoice_overview
from sewer_audit.report.pictures import PICTURES
from sewer_audit.report.show import Shown, say, show_table

__all__ = ["Frames", "Plots", "frames_of", "html_of", "text_of"]

LINES = 20
"""Most lines of a result's text [-]."""


class Plots:
    """Every picture of the pages by name: ``result.plot.water_balance()`` and the like."""

    def __init__(self, result: Any):
        self._result = result

    def __dir__(self) -> list[str]:
        return [name.replace(" ", "_") for name in PICTURES]

    def __getattr__(self, name: str) -> Any:
        plain = name.replace("_", " ")
        if plain not in PICTURES:
            raise AttributeError(f"no picture {name!r}; there are {', '.join(dir(self))}")
        missing, draw = PICTURES[plain]

        def drawn() -> Picture | Shown:
            return draw(self._result) or say("{reason}", reason=missing)

        drawn.__name__, drawn.__doc__ = name, f"Draw {plain!r}, or say why the case holds none."
        return drawn

    def __repr__(self) -> str:
        return f"pictures: {', '.join(dir(self))}"


class Frames(dict[str, pd.DataFrame]):
    """Every table of an audit by name, in the units of [display], which stand in the heads."""

    def to_excel(self, path: str | Path) -> Path:
        """Write a workbook of one sheet each; times without their zone, which is in the head."""
        with pd.ExcelWriter(path) as book:
            for name, frame in self.items():
                plain = frame.copy()
                for column in plain.select_dtypes("datetimetz"):
                    zone = plain[column].dt.tz
                    plain[column] = plain[column].dt.tz_localize(None)
                    plain = plain.rename(columns={column: f"{column} ({zone})"})
                plain.to_excel(book, sheet_name=name[:31], index=False)
        return Path(path)

    def to_csv(self, folder: str | Path) -> Path:
        """Write a file for each table into a folder."""
        target = Path(folder)
        target.mkdir(parents=True, exist_ok=True)
        for name, frame in self.items():
            frame.to_csv(target / f"{name.replace(', ', ' ').replace(' ', '_')}.csv", index=False)
        return target

    def __repr__(self) -> str:
        shown = (f"{name} ({len(frame)} rows)" for name, frame in self.items())
        return f"tables: {', '.join(shown)}"


def frames_of(result: Any) -> Frames:
    """Every table of the result in display units.

    Units: result [SI].
    """
    return Frames({name: readable(result, each) for name, each in result.tables().items()})


def text_of(result: Any) -> str:
    """Verdict and invoices in at most :data:`LINES` lines.

    Units: result [SI].
    """
    box = [line for line in str(verdict(result)).splitlines() if line.strip()]
    table = _overview(result).drop(columns="until")
    lines = [result.case.title, *box]
    room = LINES - len(lines) - 2
    if len(table) > room:  # the first invoices and the sum of all
        table = pd.concat([table.iloc[: room - 2], table.iloc[-1:]])
        lines.append(
            f"first {room - 2} of {len(result.invoices)} invoices; all: .invoices, .frames"
        )
    lines += table.to_string(index=False, max_colwidth=28).splitlines()
    return "\n".join(lines[:LINES])


def _overview(result: Any) -> pd.DataFrame:
    frame = invoice_overview(result)
    figures = frame.select_dtypes("number")
    return frame.assign(**{name: figures[name].round(1) for name in figures})


def html_of(result: Any) -> str:
    """Verdict, invoices in display units, and the picture of both.

    Units: result [SI].
    """
    import base64

    from sewer_audit.charts import drawing

    picture = PICTURES["invoices"][1](result)
    parts = [verdict(result).markup, show_table(invoice_overview(result), "Invoices").markup]
    if picture is not None:
        image = base64.b64encode(drawing(picture.figure)).decode()
        parts.append(f'<img src="data:image/png;base64,{image}" alt="{_plain(picture.alt)}">')
    return "\n".join(parts)


def _plain(text: str) -> str:
    from html import escape

    return escape(text, quote=True)
