"""Stated 95 % intervals cover an independently made truth; halved spreads do not."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

FILE = Path(__file__).parent / "simulations" / "calibration.py"
spec = importlib.util.spec_from_file_location("calibration", FILE)
calibration = importlib.util.module_from_spec(spec)
sys.modules["calibration"] = calibration
spec.loader.exec_module(calibration)


def test_the_short_calibration():
    """200 sites: below 89 % would be a chance of about one in 10,000."""
    shares = calibration.run(200)
    assert all(share >= 0.89 for share in shares.values()), shares


@pytest.mark.slow
def test_the_full_calibration():
    """1,000 sites: 92 to 98 % of invoices and of totals."""
    shares = calibration.run(1000)
    assert all(0.92 <= share <= 0.98 for share in shares.values()), shares


def test_halved_uncertainties_fail():
    """So that the test above can fail: a case told half the true spreads covers far too little."""
    shares = calibration.run(40, wrong=0.5)
    assert all(share < 0.88 for share in shares.values()), shares


def test_the_world_shares_no_code_with_what_it_checks():
    """The truth is made by plain numpy: no function that makes it calls the toolkit."""
    text = FILE.read_text()
    made = text[text.index("def rated") : text.index("def audited")]
    assert "sewer_audit" not in made
    for name in ("levels", "period_volumes", "zero_path", "Draws(", "intake_volumes"):
        assert name not in made
