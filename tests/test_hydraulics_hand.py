"""A person with a ruler: every device answers, and refuses with what would be right."""

from __future__ import annotations

import json

import numpy as np
import pytest

from sewer_audit.errors import AuditError, OutOfRange
from sewer_audit.hydraulics import build_device, hand_reading
from sewer_audit.hydraulics.echo import EchoRanger
from sewer_audit.hydraulics.kinds import DEVICES, Size, find_kind, points

LONG = {"throat_width": "0.3 m", "throat_length": "0.9 m", "approach_width": "0.6 m"}
U_SHAPE = {"diameter": "0.3 m", "throat_length": "0.6 m", "approach_width": "0.45 m"}
BOWL = {"diameter": "12 in", "floor_width": "4 in", "wall_slope": "0.5", "hump": "1 in"}
BOWL |= {"throat_length": "12 in"}
POWER = {"coefficient": "1.55", "exponent": "2.58", "units": "ft", "source": "ARS 41-140"}
UNIFORM = {"slope": "0.4 %", "roughness": "0.013"}
TABLE = {"table": "1 in: 5 gpm; 2 in: 14 gpm; 4 in: 60 gpm", "source": "maker, 2015"}
CUT = {"throat": "1 ft", "length": "9 ft", "coefficient": "3.5", "exponent": "1.56", "units": "ft"}

READINGS = [
    ("parshall", {"throat": "6 in"}, {"head": "3 in"}),
    ("parshall", {"throat": "0.30 m"}, {"head": "20 cm", "downstream_head": "16 cm"}),
    ("v-notch", {"angle": "90 deg"}, {"head": "6 in"}),
    ("rectangular-weir", {"crest_length": "1 ft"}, {"head": "3 in"}),
    ("cipolletti", {"crest_length": "1 ft"}, {"head": "3 in"}),
    ("h-flume", {"kind": "HS", "depth": "0.8 ft"}, {"head": "6 in"}),
    ("long-throated", LONG, {"head": "0.2 m"}),
    ("u-throated", U_SHAPE, {"head": "0.2 m"}),
    ("palmer-bowlus", BOWL, {"head": "4 in"}),
    ("palmer-bowlus", TABLE, {"head": "3 in"}),
    ("trapezoidal", POWER, {"head": "6 in"}),
    ("cutthroat", {**CUT, "source": "a report"}, {"head": "1 ft"}),
    ("rating-table", TABLE, {"head": "3 in"}),
    ("circular-pipe", {"diameter": "8 in", **UNIFORM}, {"depth": "4 in"}),
    ("rectangular-channel", {"width": "0.5 m", "height": "0.6 m", **UNIFORM}, {"depth": "0.2 m"}),
    ("egg-shaped-pipe", {"height": "0.9 m", **UNIFORM}, {"depth": "0.4 m"}),
    ("surveyed-channel", {"section": "0 m: 0.2 m, 0.5 m: 0.4 m", **UNIFORM}, {"depth": "0.2 m"}),
    ("area-velocity", {"diameter": "27 in"}, {"depth": "7.11 in", "velocity": "2.33 ft/s"}),
    ("full-pipe", {}, {"flow": "100 gpm"}),
]


@pytest.mark.parametrize(("word", "sizes", "reading"), READINGS, ids=[r[0] for r in READINGS])
def test_every_device_answers(word, sizes, reading):
    answer = hand_reading(word, {**sizes, **reading})
    assert answer.valid and answer.discharge_m3s > 0
    assert answer.source and answer.accuracy and answer.datum and answer.rules
    plain = json.loads(json.dumps(answer.as_dict(), allow_nan=False))
    assert {"discharge_m3s", "valid", "flags", "source"} <= set(plain)
    assert plain["discharge_m3s"] == answer.discharge_m3s and plain["valid"] is True
    text = str(answer)
    assert "m3/s" in text and "valid      yes" in text and "confined space" in text
    assert all(each.source in text for each in answer.accuracy)


def test_every_device_is_read():
    assert {word for word, _, _ in READINGS} == set(DEVICES)


@pytest.mark.parametrize(
    ("word", "sizes", "reading"),
    [r for r in READINGS if r[0] not in ("area-velocity", "full-pipe") and len(r[2]) == 1],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_the_level_is_answered_from_the_flow(word, sizes, reading):
    forward = hand_reading(word, {**sizes, **reading})
    back = hand_reading(word, {**sizes, "flow": f"{forward.discharge_m3s!r} m3/s"})
    assert back.inverse and back.level_m == pytest.approx(forward.level_m, rel=1e-6)
    assert "(from the flow)" in str(back)


def test_depth_from_flow_and_velocity():
    sizes = {"diameter": "27 in", "sediment": "1 in", "velocity_factor": "0.9"}
    reading = {"depth": "9 in", "velocity": "2 ft/s"}
    forward = hand_reading("area-velocity", {**sizes, **reading})
    flow = f"{forward.discharge_m3s!r} m3/s"
    back = hand_reading("area-velocity", {**sizes, "flow": flow, "velocity": "2 ft/s"})
    assert back.level_m == pytest.approx(9 * 0.0254)
    with pytest.raises(OutOfRange, match="from there on the depth is not unique"):
        hand_reading("area-velocity", {**sizes, "flow": "9 m3/s", "velocity": "2 ft/s"})
    with pytest.raises(OutOfRange, match="state velocity as well"):
        hand_reading("area-velocity", {**sizes, "flow": "0.1 m3/s"})
    with pytest.raises(OutOfRange, match="velocity must be positive"):
        hand_reading("area-velocity", {**sizes, "flow": "0.1 m3/s", "velocity": "0 m/s"})


def test_outside_the_limits_is_computed_and_flagged():
    low = hand_reading("parshall", {"throat": "6 in", "head": "1 in"})
    assert not low.valid and low.flags == ("below head limit",) and low.discharge_m3s > 0
    assert "NO: outside" in str(low)
    assert hand_reading("parshall", {"throat": "1 ft", "head": "2.5 ft"}).valid
    high = hand_reading("parshall", {"throat": "1 ft", "head": "2.6 ft"})
    assert high.flags == ("above head limit",)
    below = hand_reading("v-notch", {"angle": "90 deg", "head": "-1 cm"})
    assert below.discharge_m3s == 0 and "negative level" in below.flags
    wide = hand_reading("v-notch", {"angle": "120 deg", "head": "10 cm"})
    assert not wide.valid and "angle outside published range" in wide.flags


def test_a_submerged_flume_names_the_other_correction():
    answer = hand_reading(
        "parshall", {"throat": "1 ft", "head": "1 ft", "downstream_head": "0.85 ft"}
    )
    assert answer.valid and "submerged" in answer.flags
    assert answer.remarks[0].startswith("The other published correction gives 0.0")
    beyond = hand_reading(
        "parshall", {"throat": "1 ft", "head": "1 ft", "downstream_head": "0.93 ft"}
    )
    assert not beyond.valid and "submerged beyond correction" in beyond.flags


@pytest.mark.parametrize(
    ("sizes", "head", "flag"),
    [
        ({"crest_height": "0.2 m", "channel_width": "1 m"}, "10 cm", "partly contracted"),
        ({"crest_height": "0.08 m"}, "2 cm", "crest below published size"),
        ({"channel_width": "0.3 m"}, "10 cm", "partly contracted"),
    ],
)
def test_a_notch_knows_its_channel(sizes, head, flag):
    """ISO 1438 (from memory): h/p at most 0.4 at 90 deg, h/B at most 0.2, p at least 0.09 m."""
    assert flag in hand_reading("v-notch", {"angle": "90 deg", "head": head, **sizes}).flags


@pytest.mark.parametrize(
    ("sizes", "head", "flag"),
    [
        (
            {"channel_width": "0.4 m", "crest_length": "0.3 m"},
            "10 cm",
            "side contraction too small",
        ),
        (
            {"crest_height": "0.1 m", "crest_length": "1 m"},
            "30 cm",
            "head to crest height too large",
        ),
        ({"crest_length": "0.1 m"}, "5 cm", "crest below published size"),
    ],
)
def test_a_rectangular_weir_knows_its_channel(sizes, head, flag):
    """ISO 1438 limits of Kindsvater-Carter (from memory)."""
    assert flag in hand_reading("rectangular-weir", {"head": head, **sizes}).flags


def test_accuracy_follows_the_head_where_the_standard_says_so():
    """ISO 1438: 1.5, 2, 3 % by h/p; ISO 4359: 1 + 20 (Cv - CD) percent (both from memory)."""
    sizes = {"crest_length": "1 m", "channel_width": "1 m", "crest_height": "0.2 m"}
    for head, width in (("10 cm", 0.015), ("25 cm", 0.02), ("40 cm", 0.03)):
        answer = hand_reading("rectangular-weir", {**sizes, "head": head})
        assert answer.accuracy[0].relative == width
    flume = build_device("long-throated", LONG)
    answer = hand_reading("long-throated", {**LONG, "head": "0.2 m"})
    gap = flume.approach_coefficient(0.2) - flume.discharge_coefficient(0.2)
    assert answer.accuracy[0].relative == pytest.approx((1 + 20 * gap) / 100)
    assert answer.accuracy[0].relative == pytest.approx(0.0292, abs=1e-4)


def test_a_long_throat_knows_its_proportions():
    """ISO 4359 limits (from memory)."""
    for head, flag in (
        ("0.5 m", "head to throat length too large"),
        ("4 cm", "below head limit"),
        ("1 m", "head to throat width too large"),
    ):
        assert flag in hand_reading("long-throated", {**LONG, "head": head}).flags
    wide = {**LONG, "throat_width": "0.5 m"}
    assert "approach too fast" in hand_reading("long-throated", {**wide, "head": "0.3 m"}).flags


def test_manning_is_trend_grade_and_refuses_a_double_depth():
    sizes = {"diameter": "8 in", "slope": "0.4 %", "roughness": "0.013"}
    answer = hand_reading("circular-pipe", {**sizes, "depth": "4 in"})
    assert answer.trend_grade and "trend grade" in str(answer)
    assert answer.accuracy[0].relative == 0.30
    full = hand_reading("circular-pipe", {**sizes, "depth": "8 in"})
    assert full.flags == ("surcharged, slope unknown",)
    assert hand_reading("circular-pipe", {**sizes, "depth": "7 in"}).flags == ("near full",)
    just = full.discharge_m3s
    with pytest.raises(OutOfRange, match="belong to two depths"):
        hand_reading("circular-pipe", {**sizes, "flow": f"{just * 1.01} m3/s"})
    with pytest.raises(OutOfRange, match="carries at most"):
        hand_reading("circular-pipe", {**sizes, "flow": f"{just * 1.2} m3/s"})
    unique = hand_reading("circular-pipe", {**sizes, "flow": f"{just * 0.999} m3/s"})
    assert unique.level_m / 0.2032 == pytest.approx(0.82, abs=0.002)


def test_echo_by_hand():
    """Speed 343.2 m/s at 20 degC, ISO 9613-1 (from memory): 8 ms are 1.3728 m."""
    reading = {"time": "8 ms", "air_temperature": "20 degC", "reference_distance": "1.5 m"}
    answer = hand_reading("echo", reading)
    assert answer.level_m == pytest.approx(1.5 - 1.3728, abs=1e-12)
    assert answer.valid and answer.discharge_m3s is None
    assert answer.as_dict()["discharge_m3s"] is None
    joined = hand_reading("parshall", {"throat": "6 in", **reading})
    plain = hand_reading("parshall", {"throat": "6 in", "head": f"{answer.level_m} m"})
    assert joined.discharge_m3s == pytest.approx(plain.discharge_m3s)
    near = hand_reading("echo", {**reading, "blanking_distance": "1.4 m"})
    assert near.flags == ("below blanking distance",) and not near.valid
    far = hand_reading("echo", {"distance": "1.6 m", "reference_distance": "1.5 m"})
    assert far.flags == ("beyond the datum",) and far.level_m == pytest.approx(-0.1)
    with pytest.raises(AuditError, match="needs reference_distance"):
        hand_reading("echo", {"distance": "1 m"})
    with pytest.raises(AuditError, match="needs time and air_temperature"):
        hand_reading("echo", {"time": "8 ms", "reference_distance": "1.5 m"})
    with pytest.raises(AuditError, match="echo knows no key 'head'"):
        hand_reading("echo", {"head": "1 m"})
    with pytest.raises(OutOfRange, match="shorter than the reference"):
        EchoRanger(1.0, 1.5)
    with pytest.raises(OutOfRange, match="must be positive"):
        EchoRanger(0.0)


REFUSALS = [
    ("weir", {}, "method 'weir' is not known; known are parshall"),
    ("parshall", {"head": "3 in"}, "parshall needs throat; write for example throat = '6 in'"),
    ("parshall", {"throat": "6 in"}, "needs the reading head"),
    ("parshall", {"throat": "7 in", "head": "3 in"}, "no standard Parshall size; sizes are 1 in"),
    ("parshall", {"throat": "6", "head": "3 in"}, "throat of parshall: a length needs a unit"),
    ("parshall", {"throat": "6 in", "head": "3 gal"}, "head: 'gal' is not a unit of length"),
    ("parshall", {"throat": "6 in", "depth": "3 in"}, "takes no reading 'depth'"),
    ("parshall", {"throat": "6 in", "width": "3 in"}, "knows no key 'width'"),
    ("parshall", {"throat": "6 in", "head": "3 in", "flow": "1 cfs"}, "not both"),
    ("parshall", {"throat": "6 in", "head": "3 in", "distance": "1 m"}, "not both"),
    ("parshall", {"throat": "6 in", "flow": "-1 cfs"}, "negative discharge has no level"),
    (
        "parshall",
        {"throat": "6 in", "flow": "1 cfs", "downstream_head": "1 in"},
        "cannot use downstream_head",
    ),
    (
        "parshall",
        {"throat": "6 in", "head": "3 in", "submergence": "none"},
        "write direct or subtractive",
    ),
    (
        "parshall",
        {"throat": "6 in", "head": "3 in", "submergence": "subtractive"},
        "published for 1 to 8 ft",
    ),
    ("v-notch", {"angle": "200 deg", "head": "3 in"}, "between 20 and 100 deg"),
    ("v-notch", {"angle": "0 deg", "head": "3 in"}, "must be greater than zero"),
    ("h-flume", {"kind": "X", "depth": "1 ft", "head": "3 in"}, "write HS, H or HL"),
    ("h-flume", {"kind": "H", "depth": "1.1 ft", "head": "3 in"}, "not 1.1 ft; check depth"),
    (
        "rectangular-weir",
        {"crest_length": "2 m", "channel_width": "1 m", "head": "0.1 m"},
        "does not fit a channel",
    ),
    (
        "rectangular-weir",
        {"crest_length": "2 m", "formula": "rehbock", "head": "0.1 m"},
        "Rehbock holds for full-width",
    ),
    (
        "rectangular-weir",
        {"crest_length": "2 m", "formula": "other", "head": "0.1 m"},
        "write kindsvater-carter or rehbock",
    ),
    ("long-throated", {**LONG, "throat_width": "0.7 m", "head": "0.1 m"}, "does not fit"),
    ("long-throated", {**LONG, "throat_width": "0.6 m", "head": "0.1 m"}, "needs a hump"),
    ("long-throated", {**LONG, "hump": "-1 cm", "head": "0.1 m"}, "hump is the height"),
    ("palmer-bowlus", {"head": "0.1 m"}, "or the maker's table"),
    ("palmer-bowlus", {"table": "1 in: 5 gpm", "head": "1 in"}, "needs its source"),
    ("palmer-bowlus", {**TABLE, "hump": "1 in", "head": "1 in"}, "does not go with a table"),
    ("palmer-bowlus", {**BOWL, "floor_width": "12 in", "head": "1 in"}, "no narrower than the"),
    ("palmer-bowlus", {**BOWL, "hump": "13 in", "head": "1 in"}, "above the pipe"),
    ("trapezoidal", {**POWER, "source": " ", "head": "1 ft"}, "needs the source"),
    ("trapezoidal", {**POWER, "units": "yd", "head": "1 ft"}, "write ft or m"),
    ("cutthroat", {**CUT, "head": "1 ft"}, "cutthroat needs source"),
    (
        "cutthroat",
        {**CUT, "source": "a", "transition": "80 %", "head": "1 ft"},
        "state all three or none",
    ),
    ("rating-table", {"table": "1 in: 5 gpm", "source": "a", "head": "1 in"}, "two points"),
    (
        "rating-table",
        {"table": "2 in: 5 gpm, 1 in: 9 gpm", "source": "a", "head": "1 in"},
        "both increase",
    ),
    ("rating-table", {**TABLE, "source": "", "head": "1 in"}, "needs its source"),
    ("rating-table", {**TABLE, "interpolation": "cubic", "head": "1 in"}, "write log or linear"),
    ("rating-table", {"table": "1 in 5 gpm", "source": "a", "head": "1 in"}, "is no pair"),
    ("circular-pipe", {"diameter": "8 in", **UNIFORM, "roughness": "mud"}, "'mud' is neither"),
    ("circular-pipe", {"diameter": "8 in", **UNIFORM, "variation": "some"}, "write constant or"),
    ("circular-pipe", {"diameter": "8 in", **UNIFORM, "slope": "0"}, "greater than zero"),
    (
        "surveyed-channel",
        {"section": "0.1 m: 0.2 m, 0.3 m: 0.5 m", **UNIFORM},
        "start at 0 and increase",
    ),
    ("area-velocity", {"depth": "3 in", "velocity": "1 m/s"}, "exactly one section"),
    (
        "area-velocity",
        {"diameter": "1 m", "egg_height": "1 m", "depth": "3 in", "velocity": "1 m/s"},
        "exactly one section",
    ),
    ("area-velocity", {"diameter": "1 m", "depth": "3 in"}, "needs the reading velocity"),
    (
        "area-velocity",
        {"diameter": "1 m", "sediment": "2 m", "depth": "3 in", "velocity": "1 m/s"},
        "sediment must be",
    ),
    ("full-pipe", {}, "needs the reading flow"),
    (
        "rectangular-channel",
        {"width": "1 m", "height": "1 m", "covered": "perhaps", **UNIFORM},
        "write yes or no",
    ),
]


@pytest.mark.parametrize(
    ("word", "pairs", "text"), REFUSALS, ids=[f"{w}: {t[:30]}" for w, _, t in REFUSALS]
)
def test_refusals_say_what_would_be_right(word, pairs, text):
    with pytest.raises(AuditError) as caught:
        hand_reading(word, pairs)
    assert text in str(caught.value)


@pytest.mark.parametrize("word", DEVICES)
def test_keys_carry_correct_examples(word):
    """Every example a message shows is itself accepted as a quantity of its dimension."""
    kind = DEVICES[word]
    for key, size in kind.sizes.items():
        assert isinstance(size, Size) and size.about
        assert kind._value(key, size.example) is not None
    for method in kind.methods:
        assert find_kind(method) is kind


def test_pairs_of_a_table_are_read_as_a_case_file_hands_them_on():
    text = str(["1 in: 5 gpm", "2 in: 14 gpm"])
    levels, flows = points(text, "length", "discharge")
    np.testing.assert_allclose(levels, [0.0254, 0.0508])
    np.testing.assert_allclose(flows, [5 * 6.30902e-5, 14 * 6.30902e-5], rtol=1e-6)
