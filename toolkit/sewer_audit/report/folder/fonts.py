"""Fonts that travel with a page, so that its lines break alike on every machine.

The faces are those that matplotlib ships (DejaVu Sans, STIX), cut down to the characters used.
"""

from __future__ import annotations

import base64
import html
import io
import logging
import re
from functools import cache
from pathlib import Path

import matplotlib

FACES = (
    ("page text", 400, "STIXGeneral.ttf"),
    ("page text", 700, "STIXGeneralBol.ttf"),
    ("page plain", 400, "DejaVuSans.ttf"),
    ("page plain", 700, "DejaVuSans-Bold.ttf"),
)


def font_css(page: str) -> str:
    """Rules that embed the faces for the characters of a page [CSS]."""
    text = html.unescape(re.sub(r"<style.*?</style>|<[^>]*>", "", page, flags=re.DOTALL))
    used = "".join(sorted({*text, *map(chr, range(32, 127))} - {"\n", "\t", "\r"}))
    rules = [
        f'@font-face {{ font-family: "{family}"; font-weight: {weight}; '
        f"src: url(data:font/ttf;base64,{_subset(file, used)}); }}"
        for family, weight, file in FACES
    ]
    return "\n".join(rules)


@cache
def _subset(file: str, used: str) -> str:
    from fontTools import subset

    logging.getLogger("fontTools").setLevel(logging.ERROR)
    options = subset.Options(recalc_timestamp=False, hinting=False, layout_features=[])
    place = Path(matplotlib.get_data_path()) / "fonts" / "ttf" / file
    with subset.load_font(str(place), options) as font, io.BytesIO() as stream:
        cut = subset.Subsetter(options)
        cut.populate(text=used)
        cut.subset(font)
        font.save(stream)
        return base64.b64encode(stream.getvalue()).decode()
