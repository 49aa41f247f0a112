"""Audits of the samples that several files of tests look at: each is made once in a process.

Nobody changes what stands in them; a test that does takes an audit of its own.
"""

from __future__ import annotations

from functools import cache

from sewer_audit import Audit, audit, load_case, sample_case

__all__ = ["looked_at"]


@cache
def looked_at(name: str = "", draws: int = 500) -> Audit:
    """The audit of a sample at seed 1."""
    return audit(load_case(sample_case(name)), draws=draws, seed=1)
