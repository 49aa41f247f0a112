"""Trade units against published conversion factors."""

from __future__ import annotations

import csv
from fractions import Fraction
from pathlib import Path

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sewer_audit import units
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


# each group of one dimension is this much of a unit that pint, another library, knows
PINT = {
    "volume": {
        "gallon": "gal gals gallon gallons Gal GAL US_gal US_gallon US_gallons USG usgal",
        "100 gallon": "CGL hundred_gallons",
        "1000 gallon": "kgal kgals Kgal KGAL TGAL Tgal tgal thousand_gallons thousand_gal",
        "1e6 gallon": "MG Mgal mgal MMgal million_gallons million_gal",
        "imperial_gallon": "impgal imp_gal imperial_gal imperial_gallon imperial_gallons UK_gal "
        "UK_gallon UK_gallons igal IG",
        "1000 imperial_gallon": "kimpgal thousand_imperial_gallons",
        "1e6 imperial_gallon": "MIG million_imperial_gallons",
        "foot**3": "cf CF cft ft3 FT3 cu_ft cu_feet CU_FT cuft CUFT cubic_foot cubic_feet",
        "10 foot**3": "DCF",
        "100 foot**3": "CCF ccf Ccf HCF hcf hundred_cubic_feet",
        "1000 foot**3": "kcf KCF kft3 thousand_cubic_feet",
        "1e6 foot**3": "MMcf MMCF million_cubic_feet",
        "meter**3": "m3 M3 cu_m cum cbm cubic_metre cubic_metres cubic_meter cubic_meters "
        "kL kl KL kilolitre kilolitres kiloliter kiloliters",
        "liter": "L l ltr litre litres liter liters dm3",
        "0.1 liter": "dL dl",
        "0.01 liter": "cL cl",
        "milliliter": "mL ml cm3 cc millilitre millilitres milliliter milliliters",
        "millimeter**3": "mm3",
        "100 liter": "hL hl",
        "megaliter": "ML Ml megalitre megalitres megaliter megaliters dam3",
        "hectometer**3": "hm3 GL",
        "inch**3": "in3 cu_in cubic_inch cubic_inches",
        "yard**3": "yd3 cu_yd cubic_yard cubic_yards",
        "43560 foot**3": "acre-ft acre-feet acre_ft acre_foot acre_feet ac-ft AF",
    },
    "discharge": {
        "gallon/minute": "gpm GPM US_gpm USgpm USGPM",
        "gallon/hour": "gph GPH",
        "gallon/day": "gpd GPD",
        "1000 gallon/day": "kgpd",
        "1e6 gallon/day": "mgd MGD Mgd",
        "imperial_gallon/minute": "igpm imp_gpm",
        "1e6 imperial_gallon/day": "imgd",
        "foot**3/second": "cfs CFS cusec cusecs",
        "foot**3/minute": "cfm CFM",
        "foot**3/hour": "cfh",
        "foot**3/day": "cfd",
        "liter/second": "lps LPS",
        "liter/minute": "lpm LPM",
        "liter/hour": "lph LPH",
        "1e6 liter/day": "MLD",
        "meter**3/second": "cms CMS cumec cumecs",
        "meter**3/hour": "cmh CMH",
        "meter**3/day": "cmd CMD",
    },
    "length": {
        "meter": "m metre metres meter meters",
        "decimeter": "dm",
        "centimeter": "cm centimetre centimetres centimeter centimeters",
        "millimeter": "mm millimetre millimetres millimeter millimeters",
        "micrometer": "um",
        "kilometer": "km",
        "inch": 'in inch inches IN "',
        "foot": "ft foot feet FT '",
        "yard": "yd yard yards",
        "mile": "mi mile miles",
        "0.001 inch": "mil mils thou",
    },
    "area": {
        "meter**2": "m2 sq_m square_metre square_metres square_meter square_meters",
        "centimeter**2": "cm2",
        "millimeter**2": "mm2",
        "kilometer**2": "km2",
        "1e4 meter**2": "ha hectare hectares",
        "foot**2": "ft2 sqft sq_ft SQ_FT sf SF square_foot square_feet",
        "inch**2": "in2 sq_in square_inch square_inches",
        "yard**2": "yd2 sq_yd square_yard square_yards",
        "43560 foot**2": "acre acres ac",
        "mile**2": "mi2 sq_mi square_mile square_miles",
    },
    "velocity": {
        "foot/second": "fps FPS",
        "mile/hour": "mph",
        "kilometer/hour": "kph",
        "gallon/day/inch/mile": "gal/day/inch/mile gpd/inch/mile gpd/in-mi",
    },
    "time": {
        "microsecond": "us",
        "millisecond": "ms millisecond milliseconds",
        "second": "s sec secs second seconds",
        "minute": "min mins minute minutes",
        "hour": "h hr hrs hour hours",
        "day": "d day days",
        "week": "wk week weeks",
        "month": "month months mo",
        "year": "yr year years",
    },
    "mass": {
        "kilogram": "kg kilogram kilograms",
        "gram": "g gram grams",
        "milligram": "mg",
        "microgram": "ug",
        "tonne": "t tonne tonnes metric_ton metric_tons",
        "pound": "lb lbs LB LBS pound pounds",
        "short_ton": "short_ton short_tons",
        "long_ton": "long_ton long_tons",
    },
    "conductivity": {
        "siemens/meter": "S/m",
        "millisiemens/centimeter": "dS/m mS/cm mmho/cm mmhos/cm",
        "millisiemens/meter": "mS/m",
        "microsiemens/centimeter": "uS/cm umho/cm umhos/cm",
    },
    "power": {
        "watt": "W watt watts",
        "kilowatt": "kW KW kilowatt kilowatts",
        "megawatt": "MW",
        "horsepower": "hp HP horsepower",
    },
    "energy": {
        "joule": "J",
        "kilojoule": "kJ",
        "megajoule": "MJ",
        "gigajoule": "GJ",
        "watt_hour": "Wh",
        "kilowatt_hour": "kWh",
        "megawatt_hour": "MWh",
        "Btu_it": "Btu BTU",
        "1000 Btu_it": "kBtu kBTU",
    },
    "temperature": {
        "kelvin": "K kelvin",
        "degC": "degC C celsius Celsius",
        "degF": "degF F fahrenheit Fahrenheit",
    },
    "temperature difference": {
        "delta_degC": "K kelvin degC C delta_degC",
        "delta_degF": "degF F delta_degF",
    },
    "angle": {"radian": "rad radian radians", "degree": "deg degree degrees"},
    "ratio": {"dimensionless": "1", "0.01 dimensionless": "% percent per_cent pct"},
}
CSV = Path(units.__file__).with_name("units.csv").read_text(encoding="utf-8")
ROWS = list(csv.DictReader(CSV.splitlines()))


@pytest.fixture(scope="module")
def pint_units():
    return pint.UnitRegistry(cache_folder=None, autoconvert_offset_to_baseunit=True)


@pytest.mark.parametrize("dimension", PINT)
def test_every_spelling_has_the_factor_another_library_gives(dimension, pint_units):
    """pint's definitions (NIST SP 811 and the US customary definitions they name)."""
    expected = {}
    for theirs, ours in PINT[dimension].items():
        size = pint_units.Quantity(theirs).units
        number = pint_units.Quantity(theirs).magnitude if theirs[0].isdigit() else 1.0
        base = {"energy": "joule"}.get(dimension) or DIMENSIONS[dimension][0]
        zero, one = (pint_units.Quantity(v, size).to(base).magnitude for v in (0.0, number))
        expected |= {name.replace("_", " "): (zero, one) for name in ours.split()}
    if dimension == "temperature difference":
        expected["delta_degC"], expected["delta_degF"] = expected["delta degC"], (0.0, 5 / 9)
        del expected["delta degC"], expected["delta degF"]
    rows = {r["spelling"]: r for r in ROWS if r["dimension"] == dimension and r["factor"]}
    assert set(rows) == set(expected)
    for name, (zero, one) in expected.items():
        factor, offset = (float(Fraction(rows[name][key] or 0)) for key in ("factor", "offset"))
        assert (offset, offset + factor) == pytest.approx((zero, one), rel=1e-9), name
        if dimension != "energy":
            assert to_si(1.0, name, dimension) == pytest.approx(one, rel=1e-9)


def test_no_spelling_stands_twice_and_each_has_a_factor_or_a_question():
    names = [(row["dimension"], row["spelling"]) for row in ROWS]
    assert len(set(names)) == len(names) > 390
    assert all(bool(row["factor"]) != bool(row["question"]) for row in ROWS)
    covered = set(PINT) | {"concentration"}
    assert {row["dimension"] for row in ROWS} == covered


@pytest.mark.parametrize(
    "row", [row for row in ROWS if row["question"]], ids=lambda r: r["spelling"]
)
def test_a_spelling_of_two_meanings_is_refused_with_its_question(row):
    dimension = "power" if row["dimension"] == "energy" else row["dimension"]
    unit = row["spelling"] + ("/h" if row["dimension"] == "energy" else "")
    with pytest.raises(UnitError) as refused:
        to_si(1.0, unit, dimension)
    assert row["question"] in str(refused.value) and "more than one meaning" in str(refused.value)


@pytest.mark.parametrize(
    ("text", "dimension", "expected"),
    [
        ("1000 L", "volume", 1.0),
        ("7 100 cf", "volume", 700 * 0.3048**3),
        ("3 1,000 gal", "volume", 3000 * 231 * 0.0254**3),
        ("2 cu. ft.", "volume", 2 * 0.3048**3),
        ("1 dm³/s", "discharge", 1e-3),
        ("6 kgal per day", "discharge", 6000 * 231 * 0.0254**3 / 86400),
        ("4 MGD", "discharge", 4e6 * 231 * 0.0254**3 / 86400),
        ('3"', "length", 3 * 0.0254),
        ("3 1/2 in", "length", 3.5 * 0.0254),
        ("4 1/16 in", "length", 4.0625 * 0.0254),
        ('4-1/16"', "length", 4.0625 * 0.0254),
        ("5/8 in", "length", 0.625 * 0.0254),
        ("0.02 ft/ft", "ratio", 0.02),
        ("40 lbs/day", "mass rate", 40 * 0.45359237 / 86400),
        ("250 mg/l", "concentration", 0.25),
        ("15000 Btu/hour", "power", 15000 * 1055.05585262 / 3600),
    ],
)
def test_powers_rates_tens_and_fractions_of_an_inch(text, dimension, expected):
    """By definition: foot 0.3048 m, gallon 231 in3, pound 0.45359237 kg; Btu 1055.05585262 J."""
    assert parse(text, dimension) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "dimension", "message"),
    [
        ("3 gallos", "volume", "nearest known is 'gallons'"),
        ("3 Gpm", "discharge", "nearest known is 'gpm'"),
        ("3 kgla/dy", "discharge", "nearest known is 'kgal/day'"),
        ("3 MCF/day", "discharge", "a thousand cubic feet"),
        ("1,000 gal", "volume", "comma in its number"),
        ("1/0 in", "length", "is not a quantity"),
        ("5 millifoot", "length", "not known"),
        ("5 1e3 L", "volume", "not known"),
    ],
)
def test_what_is_not_in_the_table_is_refused(text, dimension, message):
    with pytest.raises(UnitError, match=message):
        parse(text, dimension)
