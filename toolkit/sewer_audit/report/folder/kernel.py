"""The process a notebook runs in: what its first cell asks for is imported before it is asked.

Started as ``python -m sewer_audit.report.folder.kernel`` with the words of an IPython kernel. What
was imported stays, so that the collector of garbage need not look at it again and again.
"""

from __future__ import annotations

import gc
from importlib import import_module

ROOMS = ("sewer_audit.auditing", "sewer_audit.report.evidence.story", "sewer_audit.report.pictures")

if __name__ == "__main__":
    for room in ROOMS:
        import_module(room)
    gc.freeze()
    gc.set_threshold(50_000, 20, 20)
    import_module("ipykernel.kernelapp").launch_new_instance()
