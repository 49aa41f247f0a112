"""The fast scheme against brute force, the zero between visits, and the first-order formula."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sewer_audit.effluent import Periods, assemble, discharge_series, levels, zero_path
from sewer_audit.effluent.volumes import period_volumes
from sewer_audit.errors import InputRefused
from sewer_audit.hydraulics import build_device
from sewer_audit.uncertainty import Cause, Draws, Visit

FLUME = build_device("parshall flume", {"throat": "6 in"})
DAYS = 40


def record(low=0.05, high=0.25, step=300.0, seed=3) -> pd.DataFrame:
    seconds = np.arange(0, DAYS * 86400.0, step)
    wave = 0.5 + 0.35 * np.sin(2 * np.pi * seconds / 86400.0)
    wave += 0.08 * np.random.default_rng(seed).standard_normal(len(seconds))
    head = low + (high - low) * np.clip(wave, 0, 1)
    time = pd.Timestamp("2026-01-01", tz="UTC") + pd.to_timedelta(seconds, unit="s")
    return pd.DataFrame({"time": time, "head": head, "status": "measured"})


def periods(*days: int) -> Periods:
    start = pd.Timestamp("2026-01-01", tz="UTC")
    edges = pd.DatetimeIndex([start + pd.Timedelta(days=day) for day in days])
    return Periods(tuple(f"P{n}" for n in range(len(days) - 1)), edges[:-1], edges[1:], "UTC")


def compute(frame, spans, stated=(), visits=(), draws=None, device=FLUME, echo=False):
    series = discharge_series(frame, levels(frame, device, 0.9), device, reference_distance=0.9)
    causes = assemble(device, list(stated), echo)
    zero = zero_path(list(visits), 0.0, DAYS * 86400.0, causes)
    return period_volumes(series, device, spans, causes, zero, draws or Draws(4000, 1), 1800.0)


def brute(frame, start_day, end_day, change) -> float:
    """Volume of a span of days with every head changed, by plain summation."""
    seconds = np.asarray((frame["time"] - frame["time"].iloc[0]) / pd.Timedelta(seconds=1))
    inside = (seconds >= start_day * 86400) & (seconds <= end_day * 86400)
    flow = 0.3812 * np.maximum(frame["head"].to_numpy() + change, 0.0) ** 1.58
    return float(np.trapezoid(flow[inside], seconds[inside]))


def test_fast_scheme_equals_plain_summation():
    """Parshall 6 in, 0.3812 h^1.58 (Bos 1989, Table 7.4, from memory), shifted heads."""
    frame = record()
    noiseless = [Cause("head noise", 0.0, unit="m", persistence="each reading")]
    found = compute(frame, periods(0, 10, 31), noiseless)
    assert found.check.largest < 5e-4
    for shift in (-0.004, 0.0, 0.003):
        offsets = np.full((1, 2), shift)
        fast = found.model.evaluate(offsets, {}, 1)[0]
        slow = [brute(frame, 0, 10, shift), brute(frame, 10, 31, shift)]
        assert fast == pytest.approx(slow, rel=2e-4)


def test_heads_near_zero_keep_the_kink():
    """A record with many zeros: power law clipped at zero, still equal to plain summation."""
    frame = record(low=-0.05, high=0.12)
    frame["head"] = frame["head"].clip(lower=0.0)
    noiseless = [Cause("head noise", 0.0, unit="m", persistence="each reading")]
    found = compute(frame, periods(0, 20), noiseless)
    for shift in (-0.003, 0.0, 0.004):
        fast = found.model.evaluate(np.full((1, 2), shift), {}, 1)[0]
        assert fast[0] == pytest.approx(brute(frame, 0, 20, shift), rel=5e-4)


def test_a_coefficient_is_common_to_all_periods_and_a_year_is_no_better_than_a_month():
    only = [
        Cause("zero error", 0.0, unit="m"),
        Cause("zero drift", 0.0, unit="m"),
        Cause("gauge datum", 0.0, unit="m"),
        Cause("discharge coefficient", 0.02),
    ]
    found = compute(record(), periods(0, 10, 20, 30), only, draws=Draws(20000, 2))
    each = found.volumes.std(axis=0) / found.volumes.mean(axis=0)
    total = found.volumes.sum(axis=1)
    assert each == pytest.approx([0.02] * 3, rel=0.03)
    assert total.std() / total.mean() == pytest.approx(0.02, rel=0.03)


def test_zero_error_of_3_mm_at_10_cm():
    """+3 mm at h = 0.10 m with n = 1.58: (1.03)^1.58 - 1 = 4.78 %, by hand."""
    frame = record()
    frame["head"] = 0.10
    found = compute(frame, periods(0, 20), [Cause("head noise", 0.0, unit="m")])
    both = found.model.evaluate(np.array([[0.0, 0.0], [0.003, 0.003]]), {}, 2)[:, 0]
    assert both[1] / both[0] - 1 == pytest.approx(1.03**1.58 - 1, rel=1e-3)


def test_noise_bias_is_taken_out_once():
    """n (n - 1)/2 (s/h)^2 at s = 3 mm, h = 0.05 m, n = 1.58: 0.165 %, JCGM 100 F.2.4.4 note."""
    frame = record()
    frame["head"] = 0.05
    noise = Cause("head noise", 0.003, unit="m", persistence="each reading")
    found = compute(frame, periods(0, 20), [noise])
    raw = brute(frame, 0, 20, 0.0)
    assert found.noise_bias[0] / raw == pytest.approx(
        1.58 * 0.58 / 2 * (0.003 / 0.05) ** 2, rel=0.02
    )
    assert found.model.evaluate(np.zeros((1, 2)), {}, 1)[0, 0] == pytest.approx(
        raw - found.noise_bias[0], rel=1e-4
    )


def test_visits_shrink_the_interval_and_correct_the_zero():
    frame = record()
    day = 86400.0
    none = compute(frame, periods(0, 40))
    visits = [Visit(day * d, 0.003, 0.0005, False, f"day {d}") for d in (2, 20, 38)]
    with_visits = compute(frame, periods(0, 40), visits=visits)
    relative = [v.volumes.std() / v.volumes.mean() for v in (none, with_visits)]
    assert relative[1] < relative[0]
    assert with_visits.volumes.mean() > none.volumes.mean()  # hand above instrument: more water


def test_a_random_walk_of_the_zero_is_right_within_every_period():
    """Nodes at the reads give each period the spread that nodes on every day give it.

    A walk of 2 mm in 30 days with no visit for 40 days: taken as one straight line over the whole
    record, what one period does is spread over its neighbours.
    """
    frame = record()
    series = discharge_series(frame, levels(frame, FLUME, None), FLUME)
    stated = [
        Cause("zero error", 0.0, unit="m"),
        Cause("gauge datum", 0.0, unit="m"),
        Cause("zero drift", 0.002, unit="m"),
        Cause("discharge coefficient", 0.0),
    ]
    causes, spans = assemble(FLUME, stated, False), periods(0, 10, 20, 30, 40)
    day = 86400.0
    spread = {}
    for name, nodes in (
        ("none", ()),
        ("reads", day * np.arange(0, 50, 10)),
        ("days", day * np.arange(41)),
    ):
        zero = zero_path([], 0.0, DAYS * day, causes, nodes=nodes)
        found = period_volumes(series, FLUME, spans, causes, zero, Draws(500, 1), 1800.0)
        spread[name] = found.model.first_order()[1]
        assert len(zero.edges) == {"none": 2, "reads": 5, "days": 41}[name]
    assert spread["reads"] == pytest.approx(spread["days"], rel=0.03)
    assert spread["none"] != pytest.approx(spread["days"], rel=0.1)  # so that this can fail


def test_first_order_and_draws_agree_where_the_model_is_nearly_linear():
    found = compute(record(), periods(0, 10, 20, 40), draws=Draws(40000, 5))
    value, covariance = found.model.first_order()
    assert found.volumes.mean(axis=0) == pytest.approx(value, rel=1e-3)
    drawn = np.cov(found.volumes.T)
    assert np.sqrt(np.diag(drawn)) == pytest.approx(np.sqrt(np.diag(covariance)), rel=0.02)
    assert drawn[0, 2] == pytest.approx(covariance[0, 2], rel=0.05)


def test_shares_of_single_causes_add_up_to_the_whole():
    found = compute(record(), periods(0, 20, 40), draws=Draws(20000, 5))
    alone = sum(found.model.draw(Draws(20000, 5), name).var(axis=0) for name in found.model.names)
    assert alone == pytest.approx(found.volumes.var(axis=0), rel=0.04)


def test_same_seed_same_draws_and_other_seed_others():
    first, again, other = (
        compute(record(), periods(0, 40), draws=Draws(500, seed)).volumes for seed in (1, 1, 2)
    )
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_more_invoices_do_not_change_the_total():
    """Conservation over month ends: one period or four, the same volume."""
    whole = compute(record(), periods(0, 40)).model.evaluate(None, {}, 1).sum()
    parts = compute(record(), periods(0, 7, 19, 33, 40)).model.evaluate(None, {}, 1).sum()
    assert parts == pytest.approx(whole, rel=1e-5)


def test_a_period_without_a_reading_is_refused_with_a_remedy():
    frame = record()
    with pytest.raises(InputRefused, match=r"no accepted reading in the service period of .* P1"):
        compute(frame, periods(0, 40, 70))


def test_echo_time_needs_the_air_temperature():
    """Sound travels faster in warmer air (common practice, no source): with c growing as the root
    of the temperature, 10 K over a path of 1 m is 16.9 mm, by hand."""
    frame = record().drop(columns="head")
    frame["echo_time"] = 2 * 1.0 / 343.2
    frame["air_temperature"] = 293.15
    cool, warm = (levels(frame.assign(air_temperature=t), FLUME, 1.2)[0] for t in (293.15, 303.15))
    assert cool - warm == pytest.approx(0.0169, abs=0.0002)
    with pytest.raises(InputRefused, match="need the air temperature"):
        levels(frame.drop(columns="air_temperature"), FLUME, 1.2)
    with pytest.raises(InputRefused, match="no reference_distance is stated"):
        levels(frame, FLUME, None)


def test_velocity_noise_averages_out_and_is_listed():
    """u = sigma A dt sqrt(n) by hand, for a full-depth record of constant area."""
    device = build_device("area velocity", {"diameter": "0.3 m"})
    frame = record().rename(columns={"head": "depth"}).assign(depth=0.15, velocity=0.6)
    noise = Cause("velocity noise", 0.05, unit="m/s", persistence="each reading")
    found = compute(frame, periods(0, 20), [noise], device=device)
    (each,) = [i for i in found.model.independent if i.cause.name == "velocity noise"]
    area = np.pi * 0.3**2 / 8
    readings = 20 * 86400 / 300
    assert each.volumes[0] == pytest.approx(0.05 * area * 300 * np.sqrt(readings), rel=0.002)
    assert "velocity noise" in {cause.name for cause in found.causes.all}
    flume = assemble(FLUME, [noise], False)
    assert flume.velocity_noise is None and "velocity noise" not in flume.shared


def test_few_readings_beyond_the_published_range_are_named_one_by_one():
    """Two false echoes far above the flume's range: told with their moments; many are counted."""
    frame = record()
    frame.loc[[288, 576], "head"] = 0.9
    (flag,) = discharge_series(frame, levels(frame, FLUME, None), FLUME).flags
    assert "2 of " in flag.message and "2026-01-02 00:00" in flag.message
    assert "2026-01-03 00:00" in flag.message
    frame.loc[288:576, "head"] = 0.9
    (flag,) = discharge_series(frame, levels(frame, FLUME, None), FLUME).flags
    assert "289 of " in flag.message and "2026-01-02" not in flag.message
