"""Equations as scalable drawings: the page shows them offline, on screen and in print alike.

Matplotlib's own layout of mathematical text draws the outline; the TeX stays beside it as the text
a screen reader speaks. The subset of TeX that layout knows is enough here, and an equation beyond
it is refused instead of printed wrong.
"""

from __future__ import annotations

import html
from functools import lru_cache

from sewer_audit.charts import plain_style
from sewer_audit.errors import ReportFailed

SIZE = 100.0
"""Size the outline is drawn at; the page scales it to its own letters [-]."""


@lru_cache(maxsize=512)
def equation_svg(tex: str, display: bool = False) -> str:
    """Draw one equation as a piece of HTML that needs no script and no font."""
    path = _outline(tex)
    vertices = path.vertices
    if not len(vertices):
        raise ReportFailed(f"the equation {tex!r} draws nothing; write it again")
    pad = 0.04 * SIZE
    left, right = vertices[:, 0].min() - pad, vertices[:, 0].max() + pad
    low, high = min(vertices[:, 1].min(), 0.0) - pad, vertices[:, 1].max() + pad
    width, height = right - left, high - low
    scale = 1.2 if display else 1.0
    style = (
        f"width:{width / SIZE * scale:.3f}em;height:{height / SIZE * scale:.3f}em;"
        f"vertical-align:{low / SIZE * scale:.3f}em"
    )
    label = html.escape(tex.strip(), quote=True)
    drawing = (
        f'<svg class="equation" role="img" aria-label="{label}" style="{style}" '
        f'viewBox="{left:.1f} {-high:.1f} {width:.1f} {height:.1f}">'
        f'<path fill="currentColor" d="{_commands(path)}"/></svg>'
    )
    return f'<span class="equation-line">{drawing}</span>' if display else drawing


def _outline(tex: str):
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    source = " ".join(tex.split())
    try:
        with plain_style(**{"text.parse_math": True}):
            return TextPath(
                (0, 0), f"${source}$", size=SIZE, prop=FontProperties(math_fontfamily="cm")
            )
    except (ValueError, RuntimeError) as error:
        reason = str(error).strip().splitlines()[-1] if str(error).strip() else "not readable"
        raise ReportFailed(f"the equation {tex!r} cannot be drawn: {reason}") from None


def _commands(path) -> str:
    letters = {1: "M", 2: "L", 3: "Q", 4: "C"}
    parts = []
    for values, code in path.iter_segments(curves=True, simplify=False):
        if code in letters:
            points = " ".join(f"{v:.1f}" for v in _flipped(values))
            parts.append(letters[code] + points)
        else:
            parts.append("Z")
    return "".join(parts)


def _flipped(values) -> list[float]:
    return [-v if place % 2 else v for place, v in enumerate(values)]
