"""Sentences are in the units and the zone of the case; outside a case in SI and UTC."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pandas as pd
import pytest

from sewer_audit import load_case, sample_case, spoken
from sewer_audit.hydraulics import build_device
from sewer_audit.spoken import SI, Spoken, speaking

US = Spoken("kgal", "gpm", "in", ZoneInfo("America/Chicago"))
FEET = Spoken("CCF", "cfs", "ft", ZoneInfo("America/New_York"))
METRIC = Spoken("m3", "m3/h", "mm", ZoneInfo("Europe/Brussels"))


@pytest.mark.parametrize(
    ("units", "value", "expected"),
    [
        (US, 0.003175, "0.125 in"),
        (US, 0.9144, "36 in"),
        (US, 3.048, "10 ft"),
        (FEET, 0.003048, "0.01 ft"),
        (METRIC, 0.003, "3 mm"),
        (METRIC, 5.0, "5 m"),
        (Spoken(head_unit="cm"), 0.0254, "2.54 cm"),
        (Spoken(head_unit="m"), 0.003, "3 mm"),
        (SI, 0.0, "0 mm"),
    ],
)
def test_a_length_is_in_the_unit_of_the_case(units, value, expected):
    with speaking(units):
        assert spoken.length(value) == expected
    assert spoken.length(0.003) == "3 mm"  # nothing of a case is left behind


def test_signs_places_and_thousands():
    with speaking(METRIC):
        assert spoken.length(0.0151, sign=True) == "+15.1 mm"
        assert spoken.length(-0.0004, 2, True) == "-0.40 mm"
        assert spoken.volume(123456.0) == "123,456 m3"
        assert spoken.length(float("nan")) == "– m"


def test_every_quantity_in_both_families():
    """Exact definitions: foot 0.3048 m, US gallon 231 cubic inches, degF = 9/5 degC + 32."""
    with speaking(US):
        assert spoken.velocity(0.6096) == "2 ft/s"
        assert spoken.area(0.3048**2) == "1 ft2"
        assert spoken.temperature(293.15) == "68 degF"
        assert spoken.temperature_step(1.0) == "1.8 degF"
        assert spoken.volume(231 * 0.0254**3 * 1000) == "1 kgal"
        assert spoken.discharge(231 * 0.0254**3 / 60 * 100) == "100 gpm"
        assert spoken.rate_of_rise(0.3048 / 60) == "12 in in a minute"
    with speaking(METRIC):
        assert spoken.velocity(0.6) == "0.6 m/s"
        assert spoken.temperature(233.15) == "-40 degC"
        assert spoken.temperature_step(15.0) == "15 K"
        assert spoken.discharge(1 / 3600) == "1 m3/h"


def test_a_moment_is_local_and_names_its_zone():
    """The autumn hour of 2025-11-02 stands twice in Chicago; the name tells the passes apart."""
    first, second = pd.Timestamp("2025-11-02 06:30", tz="UTC"), pd.Timestamp("2025-11-02 07:30")
    with speaking(US):
        assert spoken.moment(first) == "2025-11-02 01:30 CDT"
        assert spoken.moment(second) == "2025-11-02 01:30 CST"
        assert spoken.day("2025-06-28 03:40") == "2025-06-27"
        assert spoken.hour("2025-06-28 03:40") == 22
    assert spoken.moment("2025-06-28 03:40:07") == "2025-06-28 03:40:07 UTC"


@pytest.mark.parametrize(
    ("method", "sizes", "metres", "feet"),
    [
        # USBR Water Measurement Manual ch. 8 (from memory): 2.06 in feet, 0.3812 in metres
        ("parshall", {"throat": "6 in"}, "0.3812 Ha^1.58 (m3/s, m)", "2.06 Ha^1.58 (ft3/s, ft)"),
        # the same manual, ch. 7: 3.367 L h^1.5 in feet, 1.859 in metres
        ("cipolletti", {"crest_length": "1 ft"}, "1.8589 L h^1.5", "3.367 L h^1.5"),
        # Chow 1959 ch. 5 (from memory): the factor 1.486 (1.49) in feet
        (
            "circular-pipe",
            {"diameter": "8 in", "slope": "0.4 %", "roughness": "0.013"},
            "Q = A R^(2/3)",
            "Q = 1.486 A R^(2/3)",
        ),
    ],
)
def test_an_equation_is_the_published_one_of_either_system(method, sizes, metres, feet):
    device = build_device(method, sizes)
    assert metres in device.notes.equation
    with speaking(US):
        assert feet in device.notes.equation


@pytest.mark.parametrize("head", [0.05, 0.2])
def test_the_h_flume_equation_in_feet_gives_the_same_discharge(head):
    """The printed line is computed as it stands, in each system, and compared with the rating."""
    import re

    import numpy as np

    device = build_device("h-flume", {"kind": "H", "depth": "1 ft"})
    number = r"([-+]?[\d.]+)"
    for units, foot in ((SI, 1.0), (US, 0.3048)):
        with speaking(units):
            line = device.notes.equation
        a, b, c = map(
            float,
            re.search(rf"= {number} {number} log10 h {number} \(log10", line).groups(),
        )
        log = np.log10(head / foot)
        flow = 10 ** (a + b * log + c * log**2) * foot**3
        assert flow == pytest.approx(float(device.rating(head)), rel=2e-4)


def test_nothing_is_written_as_a_zero_below_zero():
    assert spoken.percent(-0.0001) == "0.0 %" and spoken.percent(float("nan")) == "– %"
    assert spoken.length(-0.0) == "0 mm" and spoken.length(-0.0, 3, True).startswith("+0")


def test_the_case_says_what_is_spoken():
    found = load_case(sample_case()).spoken
    assert (found.volume_unit, found.head_unit, str(found.zone)) == (
        "kgal",
        "in",
        "America/Chicago",
    )
    assert found.feet and FEET.feet and not METRIC.feet and not Spoken(head_unit="m").feet
