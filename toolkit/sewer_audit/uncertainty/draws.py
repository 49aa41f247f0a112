"""Columns of draws that depend on the seed and a name only, never on who asks first."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace

import numpy as np

from sewer_audit.errors import AuditError
from sewer_audit.uncertainty.causes import Cause, shaped


@dataclass(frozen=True)
class Draws:
    """How many draws, from which seed; the same key gives the same column everywhere.

    Parameters
    ----------
    count : int
        Number of draws [-].
    seed : int
        Seed, printed with every result [-].
    block : int
        Number of an independent block of the same seed, for an adaptive procedure [-].

    Raises
    ------
    AuditError
        If there are fewer than two draws or the seed is negative.

    Notes
    -----
    Column j of a key starts its own stream from a hash of seed, block, key and j. So a column does
    not change when more columns are asked for, and more draws continue the fewer ones.

    References
    ----------
    JCGM 101:2008, 6.4 and C.3 (pseudo-random number generation, statable and repeatable).
    """

    count: int
    seed: int
    block: int = 0

    def __post_init__(self) -> None:
        if self.count < 2:
            raise AuditError(f"{self.count!r} draws; an uncertainty needs at least 2")
        if self.seed < 0 or self.block < 0:
            raise AuditError(f"seed {self.seed!r}, block {self.block!r}; both are zero or more")

    def standard(self, key: str, size: int | None = None) -> np.ndarray:
        """Standard normal draws of one name."""
        if size is None:
            return self._column(key, 0)
        columns = np.empty((self.count, size), order="F")  # filled column by column
        for column in range(size):
            columns[:, column] = self._column(key, column)
        return columns

    def of(self, cause: Cause, key: str | None = None, size: int | None = None) -> np.ndarray:
        """Draws of a cause: its value and its error [SI]."""
        return shaped(cause, self.standard(cause.name if key is None else key, size))

    def next_block(self) -> Draws:
        """As many draws again, independent of these."""
        return replace(self, block=self.block + 1)

    def _column(self, key: str, column: int) -> np.ndarray:
        label = f"{self.seed}|{self.block}|{column}|{key}".encode()
        digest = hashlib.blake2b(label, digest_size=16).digest()
        return np.random.default_rng(int.from_bytes(digest, "big")).standard_normal(self.count)
