"""Fast evaluation of rating equations over long records.

A record of a minute for three years is 1.6 million heads, and an audit evaluates it many times.
Blocks that fit the processor's cache, in-place operations, and ``exp(n log h)`` in place of
``h**n`` keep every closed-form equation near the cost of a plain power in numpy, even where the
processor computes powers in wide registers; a long array is shared by the cores besides.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np

BLOCK = 8_192
"""Values worked on at a time [-]."""

LONG, SHARED = 2_000_000, 49_152
"""From so many values on the cores share the work, in blocks of so many values [-]."""

Kernel = Callable[..., None]


def evaluate(kernel: Kernel, values: Any, spare: int = 0) -> Any:
    """Apply a kernel block by block.

    Units: kernel [SI]; values [SI]; returns [SI].
    """
    argument = np.asarray(values, dtype=float)
    flat = argument.reshape(-1)
    result = np.empty(flat.shape)

    def work(first: int, last: int, block: int = BLOCK) -> None:
        blocks = np.empty((spare, min(block, last - first)))
        with np.errstate(divide="ignore", invalid="ignore", over="ignore", under="ignore"):
            for start in range(first, last, block):
                here = flat[start : min(start + block, last)]
                kernel(here, result[start : start + here.size], *blocks[:, : here.size])

    if flat.size < LONG:
        work(0, flat.size)
    else:
        _side_by_side(work, flat.size)
    return result.reshape(argument.shape)[()]


def _side_by_side(work: Callable[[int, int, int], None], size: int) -> None:
    """Parts of a long array in threads of their own; numpy leaves the interpreter meanwhile.

    Larger blocks than alone, because each step of a block hands the interpreter over.
    """
    from concurrent.futures import ThreadPoolExecutor  # seldom needed, so not at start-up

    count = min(os.cpu_count() or 1, 4)
    edges = [size * k // count for k in range(count + 1)]
    with ThreadPoolExecutor(count) as pool:
        for done in [pool.submit(work, *pair, SHARED) for pair in pairwise(edges)]:
            done.result()


def power_law(values: Any, factor: float, exponent: float) -> Any:
    """Value of a power law, zero where the argument is not positive.

    Units: values [m]; factor [m3/s]; returns [m3/s].

    factor: Value at the argument 1, positive.
    """
    shift = math.log(factor)

    def kernel(head: np.ndarray, out: np.ndarray) -> None:
        np.maximum(head, 0.0, out=out)
        np.log(out, out=out)
        out *= exponent
        out += shift
        np.exp(out, out=out)

    return evaluate(kernel, values)


def level_at(rating: Callable[[Any], Any], wanted: Any, low: Any, high: Any) -> Any:
    """Level between two bounds at which a rising rating has a value, by halving; NaN for NaN."""
    for _ in range(60):  # to the last digit
        middle = 0.5 * (low + high)
        below = rating(middle) < wanted
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.where(np.isnan(wanted), np.nan, 0.5 * (low + high))[()]


def three_halves(values: Any, factor: float) -> Any:
    """A factor times the argument to the power 3/2, zero where it is not positive.

    Units: values [m]; factor [m3/s]; returns [m3/s].

    factor: Value at the argument 1.
    """

    def kernel(head: np.ndarray, out: np.ndarray, root: np.ndarray) -> None:
        np.maximum(head, 0.0, out=out)
        np.sqrt(out, out=root)
        out *= root
        out *= factor

    return evaluate(kernel, values, spare=1)
