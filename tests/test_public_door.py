"""Types at the public door are those that are stated, and the wheel says that it has types."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import sewer_audit

ROOT = Path(__file__).parent.parent


def test_the_package_says_that_it_is_typed():
    assert (Path(sewer_audit.__file__).parent / "py.typed").is_file()


def test_every_public_name_is_seen_by_tools_that_read_types():
    text = (Path(sewer_audit.__file__)).read_text(encoding="utf-8")
    for name, home in sewer_audit._HOME.items():
        assert f"from {home} import {name} as {name}" in text


def test_a_type_checker_is_content_with_the_public_door(tmp_path):
    """Also the errors written on purpose are errors: an unused `type: ignore` fails."""
    words = ["--warn-unused-ignores", "--cache-dir", str(tmp_path), "tests/public_door.py"]
    done = subprocess.run(
        [sys.executable, "-m", "mypy", *words],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
