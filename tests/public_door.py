"""What a user writes, for a tool that checks types: `mypy tests/public_door.py` must be content.

Nothing here is run; a wrong type at the public door fails `test_public_door.py`.
"""

from __future__ import annotations

from pathlib import Path
from typing import assert_type

import pandas as pd

from sewer_audit import Audit, Case, audit, load_case, sample_case


def every_door(frame: pd.DataFrame) -> dict[str, object]:
    case = load_case(sample_case())
    assert_type(case, Case)
    assert_type(case.with_({"rule.tolerance": "3 %"}), Case)
    assert_type(Case.from_frames({"case": {}}, bills=frame), Case)
    result = audit(case, draws=20_000, seed=1, record=frame)
    assert_type(result, Audit)
    audit(case, draws="adaptive")
    assert_type(sample_case("manning"), Path)
    assert_type(result.findings(), dict[str, object])  # type: ignore[assert-type]
    return result.findings()


def a_wrong_call_is_seen() -> None:
    audit("case.toml")  # type: ignore[arg-type]
    audit(load_case("case.toml"), draws="many")  # type: ignore[arg-type]
    load_case(3)  # type: ignore[arg-type]
