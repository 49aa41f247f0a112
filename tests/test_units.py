"""Trade units against published conversion factors."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sewer_audit.errors import UnitError
from sewer_audit.units import DIMENSIONS, from_si, parse, to_si

# (value, unit, dimension, SI value): NIST SP 811 (2008), appendix B.8, printed digits
NIST = [
    (1, "gal", "volume", 3.785412e-3),
    (1, "ft**3", "volume", 2.831685e-2),
    (1, "impgal", "volume", 4.54609e-3),
    (1, "gpm", "discharge", 6.309020e-5),
    (1, "cfs", "discharge", 2.831685e-2),
    (1, "in", "length", 2.54e-2),
    (1, "ft/s", "velocity", 3.048e-1),
    (1, "gpd", "discharge", 4.381264e-8),
    (68, "degF", "temperature", 293.15),
    (18, "degF", "temperature difference", 10.0),
]


@pytest.mark.parametrize(("value", "unit", "dimension", "expected"), NIST)
def test_published_conversion_factors(value, unit, dimension, expected):
    """NIST SP 811 (2008), appendix B.8, to the printed digits (from memory)."""
    assert to_si(value, unit, dimension) == pytest.approx(expected, rel=2e-7)


@pytest.mark.parametrize(
    ("one", "other", "factor"),
    [
        ("CCF", "gal", 748.0519),
        ("CCF", "kgal", 0.7480519),
        ("kgal", "CCF", 1.336806),
        ("m3", "gal", 264.1721),
        ("m3", "impgal", 219.9692),
        ("m3", "cf", 35.31467),
    ],
)
def test_billing_units(one, other, factor):
    """Exact by definition: US gallon 231 in3, foot 0.3048 m, imperial gallon 4.54609 L."""
    assert from_si(to_si(1.0, one, "volume"), other, "volume") == pytest.approx(factor, rel=1e-6)


@given(st.floats(-1e6, 1e6), st.sampled_from(["gpm", "mgd", "cfs", "L/s", "m3/h", "kgal/day"]))
def test_round_trip(value, unit):
    assert from_si(to_si(value, unit, "discharge"), unit, "discharge") == pytest.approx(value)


def test_arrays_and_missing_values():
    given = np.array([32.0, np.nan, 212.0])
    assert to_si(given, "degF", "temperature") == pytest.approx(
        [273.15, np.nan, 373.15], nan_ok=True
    )


@pytest.mark.parametrize(
    ("text", "dimension", "message"),
    [
        ("3 mm", "discharge", r"'mm' is not a unit of discharge; write for example '100 gpm'"),
        ("3", "length", r"a length needs a unit; write for example '6 in'"),
        ("three mm", "length", r"'three mm' is not a quantity"),
        ("3 furlongz", "length", r"unit 'furlongz' is not known"),
        ("", "length", r"'' is not a quantity"),
    ],
)
def test_a_bad_quantity_says_what_would_be_right(text, dimension, message):
    with pytest.raises(UnitError, match=message):
        parse(text, dimension)


def test_every_example_is_correct():
    for dimension, (_, _, example) in DIMENSIONS.items():
        assert np.isfinite(parse(example, dimension))
