"""From a folder of raw files to a first case: what lies there, what it probably is, what to ask."""

from __future__ import annotations

from sewer_audit.drafting.drafts import draft_case, raw_sample
from sewer_audit.drafting.reading import read_bills

__all__ = ["draft_case", "raw_sample", "read_bills"]
