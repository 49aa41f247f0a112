"""Words of a page that is a picture: the optional extra, of which nothing counts unconfirmed."""

from __future__ import annotations

import re
from functools import cache
from importlib.util import find_spec
from typing import Any

import numpy as np

_JOINED_DATE = re.compile(r"([A-Za-z]{3,9}\.? \d{1,2}),(?=\d{4}\b)")


def can_read() -> bool:
    """Whether the extra is installed."""
    return find_spec("rapidocr_onnxruntime") is not None


def remedy() -> str:
    """What to do about a page that is a picture."""
    if can_read():
        return "'sewer-audit read-bills' reads it and asks a person to confirm every figure"
    return (
        "Ask for the bill as PDF with text, or type this bill; or install the extra, pip install "
        "'sewer-audit[scans]', which reads pictures and asks a person to confirm every figure"
    )


@cache
def _reader() -> Any:
    """The reader of pictures, its models inside its own wheel."""
    from rapidocr_onnxruntime import RapidOCR

    return RapidOCR()


def words_of(picture: Any, size: tuple[float, float]) -> list[tuple[str, tuple]]:
    """Words of a picture with their boxes from the lower left corner of the page.

    Units: size [point].

    A line of the reader is cut at its spaces; a word's share of its box is its share of the signs.
    """
    found, _ = _reader()(np.asarray(picture.convert("RGB"))[:, :, ::-1])
    scale = size[0] / picture.size[0]
    words = []
    for corners, text, _ in found or []:
        xs, ys = zip(*corners, strict=True)
        left, right = min(xs) * scale, max(xs) * scale
        low, high = size[1] - max(ys) * scale, size[1] - min(ys) * scale
        text = _JOINED_DATE.sub(r"\1, ", text.strip())
        each = (right - left) / max(len(text), 1)
        for word in re.finditer(r"\S+", text):
            box = (left + each * word.start(), low, left + each * word.end(), high)
            words.append((word[0], box))
    return words
