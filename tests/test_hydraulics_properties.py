"""What must hold for every device whatever its size: signs, order, joints, shapes, inverses."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sewer_audit.errors import OutOfRange
from sewer_audit.hydraulics import FLAG_MEANINGS, build_device, kernels
from sewer_audit.hydraulics.elements.parshall import parshall_sizes
from sewer_audit.hydraulics.kinds import DEVICES
from sewer_audit.units import from_si, to_si

EXAMPLES = {
    "parshall": {"throat": "6 in"},
    "h-flume": {"kind": "H", "depth": "1 ft"},
    "long-throated": {"throat_width": "0.3 m", "throat_length": "0.9 m", "approach_width": "0.6 m"},
    "u-throated": {"diameter": "0.3 m", "throat_length": "0.6 m", "approach_width": "0.45 m"},
    "palmer-bowlus": {
        "diameter": "12 in",
        "floor_width": "4 in",
        "wall_slope": "0.5",
        "hump": "1 in",
        "throat_length": "12 in",
    },
    "trapezoidal": {"coefficient": "1.55", "exponent": "2.58", "units": "ft", "source": "a paper"},
    "cutthroat": {
        "throat": "1 ft",
        "length": "9 ft",
        "coefficient": "3.5",
        "exponent": "1.56",
        "units": "ft",
        "source": "a paper",
        "submerged_coefficient": "1.69",
        "submerged_exponent": "1.4",
        "transition": "80 %",
    },
    "rating-table": {"table": "1 in: 5 gpm, 2 in: 14 gpm, 4 in: 60 gpm", "source": "a maker"},
    "v-notch": {"angle": "60 deg"},
    "rectangular-weir": {
        "crest_length": "1 ft",
        "channel_width": "3 ft",
        "crest_height": "1 ft",
    },
    "cipolletti": {"crest_length": "1 ft"},
    "circular-pipe": {"diameter": "12 in", "slope": "0.4 %", "roughness": "0.013"},
    "rectangular-channel": {
        "width": "0.5 m",
        "height": "0.6 m",
        "slope": "0.4 %",
        "roughness": "0.013",
    },
    "egg-shaped-pipe": {"height": "0.9 m", "slope": "0.4 %", "roughness": "0.013"},
    "surveyed-channel": {
        "section": "0 m: 0.2 m, 0.3 m: 0.5 m, 0.6 m: 0.55 m",
        "slope": "0.4 %",
        "roughness": "0.013",
    },
    "area-velocity": {"diameter": "27 in"},
    "full-pipe": {},
}
MORE = {
    "metric parshall": ("parshall", {"throat": "0.25 m"}),
    "wide parshall": ("parshall", {"throat": "50 ft"}),
    "HS": ("h-flume", {"kind": "hs", "depth": "0.4 ft"}),
    "HL": ("h-flume", {"kind": "HL", "depth": "4 ft"}),
    "hump": ("long-throated", {**EXAMPLES["long-throated"], "hump": "0.1 m"}),
    "full width": (
        "rectangular-weir",
        {
            "crest_length": "1 m",
            "channel_width": "1 m",
            "crest_height": "0.5 m",
            "formula": "rehbock",
        },
    ),
    "linear table": ("rating-table", {**EXAMPLES["rating-table"], "interpolation": "linear"}),
    "varying roughness": (
        "circular-pipe",
        {**EXAMPLES["circular-pipe"], "variation": "with depth"},
    ),
}
DEVICES_WITH_LEVEL = {
    word: build_device(word, sizes) for word, sizes in EXAMPLES.items() if word != "full-pipe"
} | {name: build_device(*pair) for name, pair in MORE.items()}
ALL = pytest.mark.parametrize("device", DEVICES_WITH_LEVEL.values(), ids=DEVICES_WITH_LEVEL)
RELATIVE = st.floats(min_value=1e-4, max_value=0.93)


def highest(device) -> float:
    limits = device.notes.head_limits
    height = getattr(getattr(device, "section", None), "height", None)
    return height if height is not None else (limits[1] if limits else 0.4)


def test_every_kind_has_an_example():
    assert set(EXAMPLES) == set(DEVICES)


@ALL
@settings(max_examples=25, deadline=None)
@given(pair=st.tuples(RELATIVE, RELATIVE))
def test_discharge_is_not_negative_and_grows_with_the_level(device, pair):
    low, high = np.sort(np.array(pair)) * highest(device)
    flow = device.rating(np.array([low, high]))
    assert 0 <= flow[0] <= flow[1] * (1 + 1e-12)


@ALL
@settings(max_examples=25, deadline=None)
@given(levels=st.lists(st.floats(-0.5, 1.5), min_size=1, max_size=6))
def test_arrays_and_scalars_agree(device, levels):
    levels = np.array(levels) * highest(device)
    together = device.rating(levels)
    alone = np.array([float(device.rating(float(level))) for level in levels])
    assert together.shape == levels.shape
    np.testing.assert_allclose(together, alone, rtol=1e-12, atol=1e-300)
    square = np.stack([levels, levels])
    np.testing.assert_allclose(device.rating(square), np.stack([together, together]), rtol=1e-12)


@ALL
def test_nothing_below_zero_and_nothing_from_nothing(device):
    levels = np.array([np.nan, -1.0, -1e-9, 0.0, 0.1])
    before = levels.copy()
    value = device.rating(levels)
    assert np.isnan(value[0]) and np.array_equal(np.isnan(value), np.isnan(levels))
    assert np.all(value[1:4] == 0) and value[4] > 0
    np.testing.assert_array_equal(levels, before)
    assert np.isnan(device.rating(float("nan")))


@ALL
def test_the_rating_is_continuous(device):
    """No step between neighbouring levels is larger than the slope around it explains."""
    levels = np.linspace(0.002, 0.93, 20_001) * highest(device)
    step = np.diff(device.rating(levels))
    around = np.maximum(step[:-2], step[2:])
    assert np.all(step[1:-1] <= 1.5 * around + 1e-12)


INVERTIBLE = {n: d for n, d in DEVICES_WITH_LEVEL.items() if d.method != "area velocity"}


@pytest.mark.parametrize("device", INVERTIBLE.values(), ids=INVERTIBLE)
@settings(max_examples=15, deadline=None)
@given(share=st.floats(0.02, 0.8))
def test_the_level_comes_back_from_the_flow(device, share):
    level = share * highest(device)
    assert device.head_for(device.rating(level)) == pytest.approx(level, rel=1e-7)


@ALL
def test_flags_have_a_meaning_and_the_shape_of_the_readings(device):
    levels = np.linspace(-0.1, 2.5, 50) * highest(device)
    readings = {device.level_column: levels, "velocity": np.ones(50)}
    columns = (*device.columns, *device.optional_columns)
    flags = device.flags(**{k: v for k, v in readings.items() if k in columns})
    assert set(flags) <= set(FLAG_MEANINGS)
    for raised in flags.values():
        assert raised.dtype == bool and raised.shape == levels.shape
    spoiled = np.any([flags[name] for name in flags if FLAG_MEANINGS[name].spoils], axis=0)
    assert spoiled[0], "a level below the datum must be flagged"
    if device.method not in ("area velocity", "trapezoidal flume"):
        assert spoiled[-1], "a level far above the limits must be flagged"


@ALL
def test_notes_are_complete(device):
    notes = device.notes
    assert notes.datum and notes.equation and notes.rules and notes.accuracy
    assert all(source.strip() for source in notes.sources)
    for each in notes.accuracy:
        assert 0 < each.relative < 0.5 and each.source and each.confidence
        assert each.shape == ("normal" if each.confidence == "95 %" else "rectangular")
        assert each.cause in {*device.scale_causes, *device.shape_causes}
    for rule in notes.rules:
        assert rule.text and rule.source
    assert notes.trend_grade == (device.method == "manning")


@ALL
def test_uncertain_sizes_act_as_stated(device):
    """A scale cause multiplies; a shape cause names a field that can be replaced."""
    level = 0.4 * highest(device)
    for cause, field in device.shape_causes.items():
        changed = device.replace(**{field: getattr(device, field) * 1.01})
        ratio = changed.rating(level) / device.rating(level)
        assert ratio != 1 and ratio == pytest.approx(1, abs=0.06), cause
    assert all(np.isfinite(power) for power in device.scale_causes.values())


def test_discharge_is_nearly_proportional_to_the_crest():
    """The exponent 1 of the scale causes against the equations themselves."""
    pairs = {
        "rectangular-weir": ("crest_length", 0.02),
        "cipolletti": ("crest_length", 1e-9),
    }
    for word, (field, most) in pairs.items():
        device = build_device(word, EXAMPLES[word])
        wider = device.replace(**{field: getattr(device, field) * 1.02})
        power = np.log(wider.rating(0.1) / device.rating(0.1)) / np.log(1.02)
        assert power == pytest.approx(1.0, abs=most), word


SUBMERGED = [size for size in parshall_sizes() if size.direct or size.throat > 0.29]


@pytest.mark.parametrize("size", SUBMERGED, ids=[size.label for size in SUBMERGED])
@settings(max_examples=15, deadline=None)
@given(head=st.floats(0.1, 1.0), share=st.floats(0.0, 1.2))
def test_submerged_is_never_above_free(size, head, share):
    head = head * size.head_limits[1]
    for method in ("", "direct", "subtractive"):
        try:
            flume = build_device(
                "parshall", {"throat": f"{size.throat!r} m", "submergence": method}
            )
        except OutOfRange:
            continue
        flow = flume.discharge(head=head, downstream_head=share * head)
        assert 0 <= flow <= flume.rating(head) * (1 + 1e-12)
        more = flume.discharge(head=head, downstream_head=(share + 0.01) * head)
        assert more <= flow * (1 + 1e-9)


@pytest.mark.parametrize("size", SUBMERGED, ids=[size.label for size in SUBMERGED])
def test_submerged_joins_free_flow_within_the_published_step(size):
    """Direct form within 2.5 % of free at 1 ft; subtractive starts with a step of up to 6 %."""
    flume = build_device("parshall", {"throat": f"{size.throat!r} m"})
    head = 0.3048
    below, above = (
        flume.discharge(head=head, downstream_head=(flume.transition + d) * head)
        for d in (-1e-9, 1e-9)
    )
    assert above == pytest.approx(below, rel=0.025 if flume.correction == "direct" else 0.06)


def test_both_submergence_methods_agree_as_far_as_known():
    """Within 8.5 % from 0.2 m head up to 90 % submergence (computed; no published comparison)."""
    for feet in (1, 2, 3, 4, 6, 8):
        direct, subtractive = (
            build_device("parshall", {"throat": f"{feet} ft", "submergence": method})
            for method in ("direct", "subtractive")
        )
        for share in (0.80, 0.85, 0.90):
            for head in (0.2, 0.4, 0.6):
                pair = [
                    flume.discharge(head=head, downstream_head=share * head)
                    for flume in (direct, subtractive)
                ]
                assert pair[0] == pytest.approx(pair[1], rel=0.085)


def test_a_drowned_flume_is_refused_as_a_measurement_not_silently():
    flume = build_device("parshall", {"throat": "1 ft"})
    head = np.full(5, 0.3)
    flags = flume.flags(head=head, downstream_head=head * [0.5, 0.65, 0.8, 0.9, 0.92])
    assert flags["submerged"].tolist() == [False, True, True, True, True]
    assert flags["near transition"].tolist() == [False, True, False, False, False]
    assert flags["submerged beyond correction"].tolist() == [False, False, False, False, True]
    assert np.all(np.isfinite(flume.discharge(head=head, downstream_head=head * 0.99)))
    missing = flume.discharge(head=head[:1], downstream_head=np.array([np.nan]))
    assert np.isnan(missing[0])


def test_a_metric_flume_without_published_correction_says_so():
    flume = build_device("parshall", {"throat": "0.25 m"})
    assert flume.correction == "none"
    assert flume.carrier(head=0.3, downstream_head=0.25) == 1.0
    flags = flume.flags(head=np.array([0.3]), downstream_head=np.array([0.25]))
    assert flags["submerged beyond correction"][0]
    with pytest.raises(OutOfRange, match="no direct submergence coefficients exist"):
        build_device("parshall", {"throat": "0.25 m", "submergence": "direct"})


@settings(max_examples=40, deadline=None)
@given(value=st.floats(1e-6, 1e6), unit=st.sampled_from(["gpm", "cfs", "mgd", "L/s", "m3/h"]))
def test_units_go_round_exactly(value, unit):
    assert from_si(to_si(value, unit, "discharge"), unit, "discharge") == pytest.approx(
        value, rel=1e-15
    )


@settings(max_examples=40, deadline=None)
@given(velocity=st.floats(-3, 3), depth=st.floats(-0.2, 1.5))
def test_area_velocity_is_area_times_velocity(velocity, depth):
    device = build_device("area-velocity", {"diameter": "1 m", "velocity_factor": "0.9"})
    flow = device.discharge(depth=depth, velocity=velocity)
    assert flow == pytest.approx(0.9 * velocity * float(device.rating(depth)), abs=1e-15)
    flags = device.flags(depth=depth, velocity=velocity)
    assert bool(flags["reverse flow"]) == (velocity < 0)
    assert bool(flags["surcharged"]) == (depth >= 1)


def test_full_pipe_passes_the_flow_on():
    meter = build_device("full pipe meter", {"accuracy": "2 %", "source": "certificate"})
    flow = np.array([0.0, 0.01, -0.001, np.nan])
    np.testing.assert_array_equal(meter.discharge(flow=flow), flow)
    assert meter.flags(flow=flow)["reverse flow"].tolist() == [False, False, True, False]
    assert meter.notes.accuracy[0].relative == 0.02
    assert meter.notes.accuracy[0].source == "certificate"
    with pytest.raises(OutOfRange, match="has no head"):
        meter.head_for(0.1)


def test_a_long_record_shared_by_the_cores_equals_its_pieces():
    """More heads than one core works on, against the same heads a thousand at a time."""
    device = build_device(
        "circular-pipe", {"diameter": "0.5 m", "slope": "0.4 %", "roughness": "0.013"}
    )
    heads = np.linspace(-0.01, 0.51, kernels.LONG + 12_345)
    heads[[7, kernels.LONG // 2, -1]] = np.nan
    whole = device.rating(heads)
    pieces = np.concatenate([device.rating(part) for part in np.array_split(heads, 2_013)])
    assert np.array_equal(whole, pieces, equal_nan=True)
