"""The walk from a reading to a volume: recomputed by hand, on every sample, with its slider."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from looked_at import looked_at
from sewer_audit import audit, load_case, sample_case
from sewer_audit.report.show import Shown
from sewer_audit.report.walks import flow as report_flow
from sewer_audit.report.walks.slider import told_of, zero_slider, zero_volumes
from sewer_audit.wording import Words
from test_report_story import without

SAID = ["in_short", "one_reading", "recorded", "volume_table", "zero_shares"]
GALLON = 231 * 0.0254**3  # US gallon, by definition [m3]


@pytest.fixture(scope="module")
def creamery():
    return looked_at(draws=1000)


@pytest.fixture(scope="module", params=["area_velocity", "manning"])
def other(request):
    return audit(load_case(sample_case().parent / request.param), draws=500, seed=1)


def steps_of(result) -> dict[str, str]:
    rows = str(report_flow.one_reading(result)).splitlines()[2:]
    return {row.split(" | ")[0]: row.split(" | ")[2] for row in rows}


def test_one_reading_follows_from_the_file_by_hand(creamery):
    """Echo time and air temperature looked up in the CSV; ISO 9613-1 form of the speed of sound,
    in air saturated with vapour (gamma and molar mass of humid air as in Bohn, J. Audio Eng. Soc.
    36 (1988), from memory; Magnus form of the saturation pressure, from memory);
    Q = 2.06 h^1.58 in feet for a 6 in throat (USBR Water Measurement Manual ch. 8, from memory)."""
    steps = steps_of(creamery)
    log = pd.read_csv(sample_case().parent.parent / "sample_logs" / "effluent_log.csv", dtype=str)
    row = log[log["Local time"].str.startswith(steps["time"])].iloc[0]
    echo, air = float(row["Echo time (ms)"]) / 1000, float(row["Air temperature (degC)"])
    assert steps["echo time, both ways"].startswith(f"{1000 * echo:.5g}")
    speed = 343.2 * np.sqrt((air + 273.15) / 293.15)
    assert steps["air temperature"] == f"{1.8 * air + 32:.5g} degF"
    vapour = 611.2 * np.exp(17.62 * air / (243.12 + air)) / 101_325
    speed *= np.sqrt((7 + vapour) / (5 + vapour) / 1.4 * 29 / (29 - 11 * vapour))
    told = float(re.match(r"[\d,.]+", steps["speed of sound"])[0].replace(",", "")) * 0.3048
    assert told == pytest.approx(speed, rel=5e-4)
    level = 36 * 0.0254 - told * echo / 2
    shown = float(steps["level over the datum"].removesuffix(" in"))
    assert shown == pytest.approx(level / 0.0254, abs=2e-3)
    feet = shown / 12
    head, flow = re.fullmatch(r"h = ([\d.]+) ft: Q = ([\d.]+) ft3/s", steps["rating"]).groups()
    assert float(head) == pytest.approx(feet, abs=1e-4)
    assert float(flow) == pytest.approx(2.06 * float(head) ** 1.58, rel=1e-4)
    metres = 2.06 * feet**1.58 * 0.3048**3
    assert float(steps["discharge"].split()[0]) == pytest.approx(metres * 60 / GALLON, rel=1e-3)


def test_a_velocity_times_an_area_is_the_discharge(other):
    steps = steps_of(other)
    flow = float(steps["discharge"].split()[0]) * GALLON / 60
    if "wetted area" in steps:
        area, speed = (float(steps[n].split()[0]) for n in ("wetted area", "mean velocity"))
        depth, pipe = float(steps["depth"].split()[0]) * 0.0254, 12 * 0.0254
        angle = 2 * np.arccos(1 - 2 * depth / pipe)
        area, speed = area * 0.3048**2, speed * 0.3048  # shown in ft2 and ft/s
        assert area == pytest.approx(pipe**2 / 8 * (angle - np.sin(angle)), rel=2e-3)
        assert flow == pytest.approx(area * speed, rel=2e-3)
    else:  # Manning at normal depth, Chow 1959 ch. 6 (from memory)
        depth, pipe = float(steps["depth"].split()[0]) * 0.0254, 8 * 0.0254
        angle = 2 * np.arccos(1 - 2 * depth / pipe)
        area, wet = pipe**2 / 8 * (angle - np.sin(angle)), pipe * angle / 2
        assert flow == pytest.approx(area * (area / wet) ** (2 / 3) * 0.1 / 0.013, rel=2e-3)


@pytest.mark.parametrize("name", SAID)
def test_everything_is_said_of_every_sample(creamery, other, name):
    for result in (creamery, other):
        shown = getattr(report_flow, name)(result)
        assert isinstance(shown, Shown) and len(str(shown)) > 40
        assert "nan" not in str(shown).lower().split()


def test_every_figure_is_drawn_of_every_sample(creamery, other):
    for result in (creamery, other):
        for name, draw in report_flow.PICTURES.items():
            drawn = draw(result)
            assert drawn is not None, name
            axes = drawn.figure.axes[0]
            assert "[" in axes.get_ylabel() and axes.get_title(loc="left")
            assert "nan" not in drawn.alt.lower().split()


def test_the_day_shown_is_one_with_rejected_readings(creamery):
    assert "spike" in report_flow.PICTURES["day"](creamery).alt


def test_without_a_record_the_walk_says_so(tmp_path, capsys):
    result = audit(load_case(without(tmp_path, "effluent")), draws=200, seed=1)
    for name in SAID:
        assert "no record" in str(getattr(report_flow, name)(result))
    report_flow.picture("rating", result)
    assert "no level" in str(zero_slider(result))


def test_volumes_of_the_slider_are_those_of_the_record(creamery):
    """K2512 has no gap: its volume by the trapezoidal rule of numpy, at three zero errors."""
    series, device = creamery.evidence.series, creamery.case.device
    volumes = zero_volumes(creamery)["K2512"]
    row = creamery.invoices.set_index("invoice").loc["K2512"]
    start, end = ((row[n] - series.epoch).total_seconds() for n in ("start", "end"))
    for error in (-0.01, 0.0, 0.01):
        flow = device.rating(series.level - error)
        inside = (series.time > start) & (series.time < end)
        time = np.concatenate([[start], series.time[inside], [end]])
        values = np.interp(time, series.time, flow)
        expected = float(np.sum(np.diff(time) * (values[1:] + values[:-1]) / 2))
        assert volumes.loc[error] == pytest.approx(expected, rel=1e-9)
    assert volumes.is_monotonic_decreasing, "an instrument that reads too high overstates"


def test_the_slider_answers(creamery):
    view = zero_slider(creamery)
    controls, told, image = view.children
    slider, invoice = controls.children
    assert "true were" in told.value and image.value[:4] == b"\x89PNG"
    before, picture = told.value, image.value
    slider.value = slider.max / 2
    assert told.value != before and "Read too high by" in told.value and image.value != picture
    before, invoice.value = told.value, invoice.options[3]
    assert told.value != before


def test_the_sentence_of_the_slider_is_arithmetic():
    words = Words.of(looked_at(draws=200))
    volumes = pd.Series([110.0, 100.0, 80.0], index=[-0.01, 0.0, 0.01])
    assert "stated is +25.0 % off" in told_of(volumes, 0.01, words)
    assert "Read too low" in told_of(volumes, -0.01, words)
    assert "-9.1 %" in told_of(volumes, -0.01, words)
