"""Devices without a printed table, by a second and independent route.

None of these figures is published: a long-throated flume is checked by solving the energy equation
reading by reading, a throat by the largest discharge its energy allows, a section by quadrature of
its width, and so on.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq, minimize_scalar

from second_opinions.hydraulics_echo import temperature_effect
from sewer_audit.hydraulics import CircularSection, build_device, speed_of_sound
from sewer_audit.hydraulics.conduits.manning import roughness_of
from sewer_audit.hydraulics.conduits.sections import (
    EggSection,
    RectangularSection,
    TabulatedSection,
)
from sewer_audit.hydraulics.elements.critical import TrapezoidThroat, UThroat, critical_flow
from sewer_audit.hydraulics.elements.drowned import villemonte_ratio
from sewer_audit.hydraulics.elements.rating_table import RatingTable
from sewer_audit.hydraulics.elements.throated import smaller_root
from sewer_audit.units import GRAVITY


def rectangular(width):
    return lambda y: width * y, lambda y: width


def u_shape(diameter):
    """Area by quadrature of the width, not by the closed form."""

    def width(y):
        return diameter if y > diameter / 2 else 2 * math.sqrt(max(y * (diameter - y), 0.0))

    def area(y):
        return quad(width, 0, y, points=[min(y, diameter / 2)], epsabs=1e-12)[0]

    return area, width


def by_energy(area, width, head, approach, layer=0.0):
    """Energy equation with displacement thickness; the outer unknown is the discharge."""

    def critical_depth(discharge):
        return brentq(
            lambda y: discharge**2 * width(y) - GRAVITY * area(y) ** 3, 1e-6, 3 * head, xtol=1e-13
        )

    def excess(discharge):
        depth = critical_depth(discharge)
        energy = depth + (discharge / area(depth)) ** 2 / (2 * GRAVITY)
        return head + (discharge / approach) ** 2 / (2 * GRAVITY) - layer - energy

    largest = 0.99 * approach * math.sqrt(GRAVITY * head)
    grid = np.linspace(1e-6, largest, 60)
    signs = [excess(q) for q in grid]
    first = next(i for i in range(1, len(grid)) if signs[i] < 0)
    return brentq(excess, grid[first - 1], grid[first], xtol=1e-14)


@pytest.mark.parametrize(
    ("b", "wide", "length", "hump", "head"),
    [(0.30, 0.60, 0.90, 0.0, 0.20), (0.15, 0.30, 0.45, 0.0, 0.15), (0.50, 1.0, 1.0, 0.10, 0.40)],
)
def test_rectangular_throat_by_the_energy_equation(b, wide, length, hump, head):
    """Energy equation with displacement thickness 0.003 L: within 0.1 %."""
    layer = 0.003 * length
    other = by_energy(*rectangular(b - 2 * layer), head, wide * (head + hump), layer)
    flume = build_device(
        "long-throated",
        {
            "throat_width": f"{b} m",
            "approach_width": f"{wide} m",
            "throat_length": f"{length} m",
            "hump": f"{hump} m",
        },
    )
    assert flume.rating(head) == pytest.approx(other, rel=1e-3)
    assert flume.approach_coefficient(head) > 1 > flume.discharge_coefficient(head)


@pytest.mark.parametrize(("head", "apart"), [(0.06, 1e-2), (0.15, 3e-3), (0.25, 3e-3)])
@pytest.mark.parametrize("hump", [0.0, 0.05])
def test_u_throat_by_the_energy_equation(head, apart, hump):
    """Energy equation, displacement thickness 0.003 L, area by quadrature: within 0.3 %.

    At a head of a fifth of the diameter 1 %: the standard's coefficient takes the layer off with
    the exponent 1.5 of a rectangle, while the flow of a half circle grows nearly with the square.
    """
    layer, diameter = 0.003 * 0.6, 0.30
    other = by_energy(*u_shape(diameter - 2 * layer), head, 0.45 * (head + hump), layer)
    flume = build_device(
        "u-throated",
        {
            "diameter": "0.30 m",
            "throat_length": "0.6 m",
            "approach_width": "0.45 m",
            "hump": f"{hump} m",
        },
    )
    assert flume.rating(head) == pytest.approx(other, rel=apart)


def test_u_throat_shape_factors():
    """CU by head over diameter, computed separately from the same principle (not published)."""
    table = {0.1: 0.348, 0.2: 0.480, 0.3: 0.573, 0.4: 0.644, 0.5: 0.700, 0.6: 0.745, 0.7: 0.779}
    table |= {0.8: 0.806, 1.0: 0.843, 1.5: 0.895, 2.0: 0.921}
    for share, factor in table.items():
        flow = critical_flow(UThroat(1.0), share, np.inf)
        rectangle = (2 / 3) ** 1.5 * np.sqrt(GRAVITY) * share**1.5
        assert flow / rectangle == pytest.approx(factor, abs=6e-4)


@pytest.mark.parametrize(
    "throat", [TrapezoidThroat(0.1, 0.5), TrapezoidThroat(0.2), UThroat(0.25)], ids=str
)
def test_critical_flow_is_the_largest_flow_the_energy_allows(throat):
    """Q = A sqrt(2 g (H - y)) is largest at the critical depth; approach taken as still water."""
    head = 0.17

    def flow(depth):
        y = np.array(depth)
        return -float(throat.area(y)) * math.sqrt(2 * GRAVITY * (head - depth))

    largest = minimize_scalar(flow, bounds=(0.01, 0.169), method="bounded", options={"xatol": 1e-9})
    found = critical_flow(throat, np.array(head), np.array(np.inf))
    assert float(found) == pytest.approx(-largest.fun, rel=1e-9)


@pytest.mark.parametrize("head", [0.03, 0.08, 0.15])
def test_palmer_bowlus_by_successive_approach_velocity(head):
    """Largest flow at a given energy, energy corrected for the approach until it stands still."""
    flume = build_device(
        "palmer-bowlus",
        {
            "diameter": "12 in",
            "floor_width": "4 in",
            "wall_slope": "0.5",
            "hump": "1 in",
            "throat_length": "12 in",
        },
    )
    layer = 0.003 * 0.3048
    floor = 4 * 0.0254 - 2 * layer * (math.sqrt(1.25) - 0.5)
    depth, radius = head + 0.0254, 0.1524
    cosine = 1 - depth / radius
    approach = radius**2 * math.acos(cosine) - radius**2 * cosine * math.sqrt(1 - cosine**2)
    discharge = 0.0
    for _ in range(60):
        energy = head - layer + (discharge / approach) ** 2 / (2 * GRAVITY)

        def flow(y, energy=energy):
            return -(floor + 0.5 * y) * y * math.sqrt(2 * GRAVITY * (energy - y))

        best = minimize_scalar(
            flow, bounds=(0.3 * energy, 0.99 * energy), method="bounded", options={"xatol": 1e-10}
        )
        discharge = -best.fun
    assert flume.rating(head) == pytest.approx(discharge, rel=1e-7)


@pytest.mark.parametrize(
    "section",
    [
        CircularSection(0.686),
        EggSection(0.9),
        RectangularSection(0.5, 0.6),
        TabulatedSection((0, 0.2, 0.5), (0.1, 0.4, 0.3)),
    ],
    ids=lambda s: s.name,
)
def test_sections_by_quadrature_of_their_width(section):
    """Area is the integral of the width, perimeter the length of the bank lines."""
    for share in (0.03, 0.31, 0.5, 0.77, 0.97):
        depth = share * section.height
        knots = [0.05 * section.height, 0.2, 0.6 / 1.5 * section.height]
        inside = [knot for knot in knots if 0 < knot < depth]
        area = quad(section.width, 0, depth, points=inside or None, limit=400, epsabs=1e-12)[0]
        assert section.area(depth) == pytest.approx(area, rel=1e-7)
        start = 1e-9 * section.height
        turn = np.linspace(math.sqrt(start), math.sqrt(depth), 200_001) ** 2
        bank = np.hypot(np.diff(turn), np.diff(section.width(turn)) / 2).sum() * 2
        assert section.perimeter(depth) == pytest.approx(bank + section.width(start), rel=2e-5)


def test_circular_conveyance_is_its_closed_form():
    """A R^(2/3) with A = D^2 (t - sin t)/8 and R = A/(D t/2), t the central angle."""
    filling = np.concatenate([np.geomspace(2e-4, 0.02, 500), np.linspace(0.02, 1.0, 5_001)])
    angle = 2 * np.arccos(1 - 2 * filling.astype(np.longdouble))  # 19 digits where it cancels
    area = (angle - np.sin(angle)) / 8
    closed_form = area * (2 * area / angle) ** (np.longdouble(2) / 3)
    section = CircularSection(1.0)
    np.testing.assert_allclose(section.conveyance(filling), closed_form, rtol=5e-13)
    np.testing.assert_allclose(section.area(filling), area, rtol=5e-13)
    small = np.array([1e-9, 1e-6, 1e-3])  # A = 4/3 u^1.5, R = 2/3 u for a shallow segment
    shallow = 4 / 3 * small**1.5 * (2 / 3 * small) ** (2 / 3)
    np.testing.assert_allclose(section.conveyance(small), shallow, rtol=1e-3)
    np.testing.assert_allclose(section.conveyance(small[:2]), shallow[:2], rtol=1e-6)
    assert CircularSection(2.0).conveyance(9.0) == pytest.approx(math.pi * 0.5 ** (2 / 3))


def test_egg_shaped_sewer_elements():
    """Standard egg: area 1.1485 and perimeter 3.965 of the width; from memory (sewer handbooks)."""
    egg = EggSection(1.5)  # width 1
    assert egg.area(1.5) == pytest.approx(1.1485, abs=5e-5)
    assert egg.perimeter(1.5) == pytest.approx(3.965, abs=5e-4)
    assert egg.width(1.0) == pytest.approx(1.0)
    assert egg.area(9.0) == egg.area(1.5)


def test_circular_pipe_maxima():
    """Largest Q/Qfull 1.0757 at 0.938, Q = Qfull at 0.820, largest V/Vfull 1.140 at 0.813."""
    pipe = CircularSection(1.0)
    filling = np.linspace(0.01, 0.9999, 100_001)
    flow = pipe.conveyance(filling) / pipe.conveyance(1.0)
    speed = (pipe.area(filling) / pipe.perimeter(filling) * 4) ** (2 / 3)
    assert flow.max() == pytest.approx(1.0757, abs=5e-5)
    assert filling[flow.argmax()] == pytest.approx(0.938, abs=5e-4)
    assert np.interp(1.0, flow[:90_000], filling[:90_000]) == pytest.approx(0.820, abs=5e-4)
    assert speed.max() == pytest.approx(1.140, abs=5e-4)
    assert filling[speed.argmax()] == pytest.approx(0.813, abs=5e-4)


def test_half_full_pipe_with_varying_roughness():
    """ASCE sewer design manual (from memory): half full carries 0.403 of full, not 0.500."""
    keys = {"diameter": "12 in", "slope": "0.4 %", "roughness": "0.013"}
    share = {}
    for variation in ("constant", "with depth"):
        pipe = build_device("circular-pipe", {**keys, "variation": variation})
        share[variation] = pipe.rating(0.1524) / pipe.rating(0.3048)
    assert share["constant"] == pytest.approx(0.500, abs=5e-4)
    assert share["with depth"] == pytest.approx(0.403, abs=5e-4)


def test_roughness_of_a_material():
    """Chow 1959 Table 5-6, read in the source of the library fluids 1.3.1."""
    found = roughness_of("Concrete sewer with manholes")
    assert (found.minimum, found.normal, found.maximum) == (0.013, 0.015, 0.017)
    pipe = build_device(
        "circular-pipe",
        {"diameter": "8 in", "slope": "0.4 %", "roughness": "vitrified clay sewer"},
    )
    assert pipe.roughness == 0.014
    assert "0.011 to 0.017" in pipe.notes.sources[1]


def test_monotone_table_against_a_second_implementation():
    """scipy's monotone cubic in the logarithms; inner segments only, its end slopes differ."""
    levels = np.array([0.02, 0.05, 0.09, 0.2, 0.25, 0.4])
    flows = np.array([1.0, 6.0, 9.0, 60.0, 61.0, 300.0]) / 1000
    table = RatingTable(tuple(levels), tuple(flows), "invented")
    inner = np.linspace(0.05, 0.25, 500)
    other = np.exp(PchipInterpolator(np.log(levels), np.log(flows))(np.log(inner)))
    np.testing.assert_allclose(table.rating(inner), other, rtol=1e-12)
    np.testing.assert_allclose(table.rating(levels), flows, rtol=1e-12)


def test_a_power_law_is_reproduced_by_a_log_table():
    levels = np.array([0.05, 0.1, 0.2, 0.4])
    table = RatingTable(tuple(levels), tuple(0.38 * levels**1.58), "computed from a power law")
    everywhere = np.array([0.01, 0.07, 0.33, 0.9])
    np.testing.assert_allclose(table.rating(everywhere), 0.38 * everywhere**1.58, rtol=1e-12)
    flags = table.flags(head=everywhere)["outside rating table"]
    assert flags.tolist() == [True, False, False, True]


def test_drowned_weir_by_hand():
    """Villemonte: half drowned rectangular weir keeps (1 - 0.5^1.5)^0.385 = 0.845 of its flow."""
    assert villemonte_ratio(0.2, 0.1, 1.5) == pytest.approx(0.845, abs=5e-4)
    assert villemonte_ratio(0.2, -0.1, 1.5) == 1.0
    assert villemonte_ratio(0.2, 0.2, 2.5) == 0.0
    assert np.isnan(villemonte_ratio(np.nan, 0.1, 1.5))
    weir = build_device("v-notch", {"angle": "90 deg"})
    flow = weir.discharge(head=0.2, downstream_head=0.1)
    assert flow == pytest.approx(weir.rating(0.2) * (1 - 0.5**2.5) ** 0.385)
    assert weir.flags(head=0.2, downstream_head=0.1)["drowned"]


def test_kindsvater_carter_by_the_second_coefficient_set():
    """USBR Water Measurement Manual Table 7-1 in feet (from memory), within 0.3 %."""
    sets = {1.0: (3.220, 0.4000), 0.8: (3.189, 0.2376), 0.6: (3.178, 0.0995), 0.4: (3.164, 0.0317)}
    widths = {1.0: -0.0009, 0.8: 0.0042, 0.6: 0.0037, 0.4: 0.0027}
    for share, (c2, c1) in sets.items():
        weir = build_device(
            "rectangular-weir",
            {
                "crest_length": f"{share} m",
                "channel_width": "1 m",
                "crest_height": "0.5 m",
            },
        )
        head, feet = 0.2, 1 / 0.3048
        effective = (share + widths[share]) * feet
        flow = (c1 * head / 0.5 + c2) * effective * (head * feet + 0.003) ** 1.5 * 0.3048**3
        assert weir.rating(head) == pytest.approx(flow, rel=3e-3)


def test_ten_kelvin_at_one_and_a_half_metres():
    """25 mm of distance, 12 % of a 0.20 m head, 20 % of a flume's flow, 34 % of a notch's."""
    warm, cold = 303.15, 293.15
    notch = build_device("v-notch", {"angle": "90 deg"})
    flume = build_device("parshall", {"throat": "6 in"})
    too_hot = temperature_effect(0.20, cold, warm, 1.70, flume)
    assert too_hot.distance_error == pytest.approx(0.025, abs=5e-4)
    assert too_hot.head_error == -too_hot.distance_error
    assert too_hot.discharge_ratio == pytest.approx(1 - 0.19, abs=0.01)
    too_cold = temperature_effect(0.20, warm, cold, 1.70, notch)
    assert too_cold.head_error / 0.20 == pytest.approx(0.124, abs=0.002)
    assert too_cold.discharge_ratio == pytest.approx(1.34, abs=0.005)


def test_moist_air_is_faster_by_the_published_span():
    """Encyclopedia article (read): humidity adds 0.1 to 0.6 %."""
    for celsius in (5, 20, 30):
        ratio = speed_of_sound(celsius + 273.15, 1.0) / speed_of_sound(celsius + 273.15)
        assert 1.001 < ratio < 1.0075
    assert speed_of_sound(293.15, 0.5) < speed_of_sound(293.15, 1.0)


def test_approach_velocity_factor_solves_its_equation_up_to_a_critical_approach():
    """x = 1 + 4/27 a^2 x^3 of ISO 4359 (Cv = x^1.5), put back into itself; 3/2 where a is 1."""
    share = np.linspace(0.0, 1.0, 2_001)
    root = smaller_root(share)
    np.testing.assert_allclose(root, 1 + 4 / 27 * share**2 * root**3, rtol=1e-14)
    assert root[0] == 1 and root[-1] == pytest.approx(1.5, rel=1e-7) and np.all(np.diff(root) > 0)


@pytest.mark.parametrize(
    ("width", "approach", "hump"),
    [(0.1, 0.6, 0.0), (0.3, 0.6, 0.05), (0.55, 0.6, 0.0), (0.6, 0.6, 0.02)],
)
def test_quick_long_throated_rating_solves_the_published_equations(width, approach, hump):
    """Q and Cv = (1 + 4/27 a^2 x^3)^1.5 of ISO 4359 (from memory) put back into each other.

    Up to an approach of 0.7 of the channel and beyond, where the quick polynomial ends.
    """
    sizes = {"throat_width": width, "approach_width": approach, "throat_length": 0.9, "hump": hump}
    flume = build_device("long-throated", {key: f"{size} m" for key, size in sizes.items()})
    head = np.linspace(0.004, 1.5, 3_001)
    smooth = 1 - 0.006 * 0.9 / width
    ideal = (2 / 3) ** 1.5 * math.sqrt(GRAVITY) * width * smooth * (head - 0.0027) ** 1.5
    velocity_factor = flume.rating(head) / ideal
    share = width * smooth / approach * (head - 0.0027) ** 1.5 / np.sqrt(head) / (head + hump)
    inside = share <= 1  # beyond it the approach is critical and no solution exists
    assert inside.sum() > 100 and velocity_factor.max() <= 1.5**1.5 * (1 + 1e-12)
    np.testing.assert_allclose(
        velocity_factor[inside] ** (2 / 3),
        1 + 4 / 27 * share[inside] ** 2 * velocity_factor[inside] ** 2,
        rtol=2e-12,
    )
