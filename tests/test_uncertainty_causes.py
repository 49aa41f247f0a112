"""Every cause of every method has a listed default with its source, and can be overridden."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from looked_at import looked_at
from sewer_audit import audit, load_case, sample_case
from sewer_audit.auditing.inspecting import inspect_inputs
from sewer_audit.balance import supply_meter_error
from sewer_audit.balance.meters import meter_error_by_range
from sewer_audit.case.models import CAUSES
from sewer_audit.effluent import Periods, assemble, causes_of, discharge_series, levels, zero_path
from sewer_audit.effluent.volumes import period_volumes
from sewer_audit.errors import OutOfRange
from sewer_audit.hydraulics import build_device
from sewer_audit.hydraulics.conduits.sections import Section
from sewer_audit.hydraulics.conduits.widths import widened
from sewer_audit.hydraulics.tables import facts_of, families_of
from sewer_audit.report.frames import assumptions
from sewer_audit.uncertainty import PERSISTENCES, Cause, Draws
from sewer_audit.uncertainty.causes import SHAPES
from test_hydraulics_properties import EXAMPLES, MORE

LEVEL = {"zero error", "zero drift", "head noise", "gauge datum", "clock"}
LEVEL |= {"hand reading", "setting of the zero"}
DEVICES = {word: build_device(word, sizes) for word, sizes in EXAMPLES.items()}
DEVICES |= {name: build_device(*pair) for name, pair in MORE.items()}
DEVICES |= {
    "sensor in a channel": build_device("area velocity", {"width": "0.5 m", "height": "0.6 m"}),
    "sensor in an egg": build_device("area velocity", {"egg_height": "0.9 m"}),
    "sensor in a survey": build_device(
        "area velocity", {"section": "0 m: 0.2 m, 0.3 m: 0.5 m, 0.6 m: 0.55 m"}
    ),
    "maker's palmer-bowlus": build_device(
        "palmer-bowlus", {"table": "1 in: 5 gpm, 2 in: 14 gpm, 4 in: 60 gpm", "source": "a maker"}
    ),
}
# what the method itself adds to the level, the clock and the exponent
OWN = {
    "parshall flume": {"discharge coefficient", "throat width"},
    "h-flume": {"discharge coefficient"},
    "long-throated flume": {"discharge coefficient", "throat width"},
    "u-throated flume": {"discharge coefficient", "throat width"},
    "palmer-bowlus flume": {"discharge coefficient", "throat width", "diameter"},
    "trapezoidal flume": {"discharge coefficient"},
    "cutthroat flume": {"discharge coefficient", "throat width"},
    "rating table": {"rating table"},
    "v-notch weir": {"discharge coefficient", "notch angle"},
    "rectangular weir": {"discharge coefficient", "crest length"},
    "cipolletti weir": {"discharge coefficient", "crest length"},
    "manning": {"roughness", "slope", "diameter"},
    "area velocity": {"velocity factor", "velocity offset", "velocity noise", "diameter"},
    "full pipe meter": {"meter error"},
}


@pytest.mark.parametrize("name", DEVICES)
def test_every_method_lists_a_default_for_every_cause(name):
    device = DEVICES[name]
    causes = {cause.name: cause for cause in assemble(device, [], echo=True).all}
    expected = set(OWN[device.method])
    section = getattr(device, "section", None)
    if isinstance(section, Section) and section.name != "circular":
        expected = expected - {"diameter"} | {"section width"}
    if device.level_column is not None:
        expected |= LEVEL | {"air temperature", "air humidity"}
        expected |= {"exponent"} if device.method != "area velocity" else set()
    else:
        expected |= {"clock"}
    hidden = {row["cause"] for row in facts_of("unseen", *families_of(device.method))}
    assert set(causes) == expected
    assert expected | hidden == set(causes_of(device, echo=True)) <= set(CAUSES)
    for cause in causes.values():
        assert cause.default and cause.source.strip(), cause.name
        assert cause.shape in SHAPES and cause.persistence in PERSISTENCES
        assert cause.standard > 0 or cause.name in ("exponent", "velocity offset"), cause.name


@pytest.mark.parametrize("name", DEVICES)
def test_every_default_can_be_overridden(name):
    device = DEVICES[name]
    for word in causes_of(device, echo=True):
        stated = Cause(word, 0.123, persistence="", source="a certificate")
        (found,) = [c for c in assemble(device, [stated], echo=True).all if c.name == word]
        assert found.standard == 0.123 and found.source == "a certificate" and not found.default
        assert found.persistence in PERSISTENCES


def test_dimensions_without_a_cause_are_said_to_be_counted():
    for name in ("h-flume", "trapezoidal", "rating-table", "full-pipe"):
        causes = assemble(DEVICES[name], [], echo=False).all
        assert sum("dimensions have no cause of their own" in each.source for each in causes) == 1


def test_a_record_by_hand_knows_no_logger():
    known = causes_of(DEVICES["parshall"], echo=False, by_hand=True)
    own = {"zero error", "throat width", "discharge coefficient", "exponent"}
    assert set(known) == own | {"submergence not seen", "solids at the gauge"}


# ---------------------------------------------------------------- what the causes do


def volumes(device, stated=(), **columns):
    """Two periods of ten days at a constant level."""
    start = pd.Timestamp("2026-01-01", tz="UTC")
    time = start + pd.to_timedelta(np.arange(0, 21 * 86_400, 900), unit="s")
    frame = pd.DataFrame({"time": time, "status": "measured", **columns})
    edges = pd.DatetimeIndex([start + pd.Timedelta(days=day) for day in (0, 10, 20)])
    spans = Periods(("A", "B"), edges[:-1], edges[1:], "UTC")
    level = levels(frame, device, None, "record")
    series = discharge_series(frame, level, device)
    causes = assemble(device, stated, echo=False)
    zero = zero_path([], 0.0, 21 * 86_400.0, causes)
    return period_volumes(series, device, spans, causes, zero, Draws(4000, 1), 3600.0)


def alone(found, name: str) -> float:
    """Relative standard uncertainty that one cause brings to the sum."""
    drawn = found.model.draw(Draws(20_000, 1), only=name).sum(axis=1)
    return float(drawn.std() / drawn.mean())


def test_an_exponent_of_no_spread_moves_nothing():
    """Same bytes as without the row; and no column of draws is spent on it."""
    flume = DEVICES["parshall"]
    plain, stated = volumes(flume, head=0.1), volumes(flume, [Cause("exponent", 0.0)], head=0.1)
    assert np.array_equal(plain.volumes, stated.volumes)
    assert "exponent" not in plain.model.names
    assert "exponent" in {cause.name for cause in plain.causes.all}


def test_a_stated_exponent_widens_as_by_hand():
    """u(V)/V = |ln(h / pivot)| u(n), pivot the geometric middle of the head limits (by hand)."""
    flume = DEVICES["parshall"]
    low, high = flume.notes.head_limits
    found = volumes(flume, [Cause("exponent", 0.01)], head=0.3)
    by_hand = abs(np.log(0.3 / np.sqrt(low * high))) * 0.01
    assert by_hand > 0.005
    assert alone(found, "exponent") == pytest.approx(by_hand, rel=0.02)


def test_a_stated_offset_of_the_velocity_adds_area_times_time():
    """0.01 m/s on 0.5 m/s is 2 % of the volume (by hand)."""
    sensor = DEVICES["sensor in a channel"]
    found = volumes(sensor, [Cause("velocity offset", 0.01, unit="m/s")], depth=0.3, velocity=0.5)
    assert alone(found, "velocity offset") == pytest.approx(0.02, rel=0.02)
    plain = volumes(sensor, depth=0.3, velocity=0.5)
    assert "velocity offset" not in plain.model.names


def test_the_width_of_a_channel_acts_as_by_hand():
    """Area of a rectangle: 1 to 1; conveyance A (A/P)^(2/3): 5/3 less 2/3 b/(b + 2 h) (by hand)."""
    sensor = volumes(DEVICES["sensor in a channel"], depth=0.3, velocity=0.5)
    assert alone(sensor, "section width") == pytest.approx(0.005, rel=0.02)
    channel = volumes(DEVICES["rectangular-channel"], depth=0.25)
    power = 5 / 3 - 2 / 3 * 0.5 / (0.5 + 2 * 0.25)
    assert alone(channel, "section width") == pytest.approx(0.005 * power, rel=0.02)


@pytest.mark.parametrize("name", ["sensor in an egg", "sensor in a survey", "area-velocity"])
def test_a_wider_section_is_wider_at_every_depth(name):
    section = DEVICES[name].section
    wide = widened(section, 1.01)
    depths = np.linspace(0.05, 0.9, 12) * section.height
    if name == "sensor in a survey":
        assert wide.width(depths) == pytest.approx(1.01 * section.width(depths))
    else:  # one form: a depth so many times as great is so many times as wide
        assert wide.width(1.01 * depths) == pytest.approx(1.01 * section.width(depths))
    with pytest.raises(OutOfRange, match="above zero"):
        widened(section, 0.0)


@pytest.mark.parametrize(
    ("name", "cause"),
    [("v-notch", "notch angle"), ("palmer-bowlus", "throat width"), ("circular-pipe", "diameter")],
)
def test_a_size_stated_as_exact_changes_nothing(name, cause):
    found = volumes(DEVICES[name], [Cause(cause, 0.0)], **{DEVICES[name].level_column: 0.08})
    assert np.isfinite(found.volumes).all() and cause not in found.model.names


# ---------------------------------------------------------------- supply meters


def test_a_meter_of_unknown_age_counts_as_old():
    """Limits of registration from field studies and rules: 4 % low to 2 % high up to five years,
    8 % low to 3 % high beyond or unknown; what is added to the registration has the mean."""
    for years, low, high in ((0.0, -4, 2), (5.0, -4, 2), (5.1, -8, 3), (None, -8, 3)):
        found = supply_meter_error("main", None, years)
        half = found.standard * (np.sqrt(3) if found.shape == "rectangular" else 1.96)
        limits = -100 * (found.value + half), -100 * (found.value - half)
        assert limits == pytest.approx((low, high), abs=0.6) and found.default
        assert found.value > 0  # more passed than was counted: against whoever disputes
    assert "not stated" in supply_meter_error("main").source
    by_range = supply_meter_error("main", 0.1, None)
    assert by_range == meter_error_by_range("main", 0.1, None)


def test_saying_more_about_a_meter_does_not_double_its_error():
    """With or without the share at low flow, the same age gives about the same figure."""
    for years in (1.0, 12.0, None):
        plain, ranged = (supply_meter_error("main", share, years).standard for share in (None, 0))
        assert ranged == pytest.approx(plain, rel=0.15)
    few, many = (supply_meter_error("main", share, 12.0).value for share in (0.0, 0.5))
    assert many > few > supply_meter_error("main", 0.0, 1.0).value > 0


# ---------------------------------------------------------------- in a case


def copied(folder: Path, sample: str = "") -> Path:
    home = sample_case().parent
    for part in (home, home.parent / "sample_logs"):
        shutil.copytree(part, folder / part.name)
    return folder / home.name / sample / "case.toml"


def with_cause(tmp_path: Path, text: str, sample: str = "") -> Path:
    case = copied(tmp_path, sample)
    whole = case.read_text().replace("[[effluent.cause]]", f"{text}\n[[effluent.cause]]", 1)
    case.write_text(whole)
    return case


def test_the_report_lists_the_exponent_and_the_reading_dates(tmp_path):
    table = assumptions(looked_at(draws=500)).set_index("cause")
    row = table.loc["exponent"]
    assert (
        row["standard uncertainty"] == "0, none of its own"
        and row["supplied by"] == "default of the toolkit"
    )
    assert "ISO 9826" in row["source"] and "from memory" in row["source"]
    reads = table.loc["main: reading dates"]
    assert (
        reads["estimate"] == "balance"
        and "% of the volume of main" in reads["standard uncertainty"]
    )
    assert "judgement" in reads["source"]
    text = '[[effluent.cause]]\nname = "exponent"\nstandard = "0.01"\nsource = "own gauging"\n'
    result = audit(load_case(with_cause(tmp_path, text)), draws=500)
    row = assumptions(result).set_index("cause").loc["exponent"]
    assert (
        row["standard uncertainty"] == "0.01 in the exponent" and row["supplied by"] == "case file"
    )
    assert "exponent" in set(result.budget["cause"])


@pytest.mark.parametrize(
    ("cause", "words"),
    [
        ('name = "notch angle"\nstandard = "0.1 deg"', "changes nothing for a parshall flume"),
        ('name = "velocity factor"\nstandard = "2 %"', "changes nothing for a parshall flume"),
        ('name = "rating table"\nstandard = "2 %"', "throat width, discharge coefficient"),
    ],
)
def test_a_cause_that_cannot_act_is_refused(tmp_path, cause, words):
    found = str(inspect_inputs(load_case(with_cause(tmp_path, f"[[effluent.cause]]\n{cause}\n"))))
    assert words in found and "effluent.cause[1].name" in found


def test_a_temperature_without_an_echo_is_refused(tmp_path):
    text = '[[effluent.cause]]\nname = "air temperature"\nstandard = "1 K"\n'
    no_echo = inspect_inputs(load_case(with_cause(tmp_path / "a", text, "area_velocity")))
    assert "area velocity whose record holds no echo time" in str(no_echo) and no_echo.refused
    assert not inspect_inputs(load_case(with_cause(tmp_path / "b", text))).refused


def test_a_use_stated_without_a_spread_is_said_to_count_as_exact(tmp_path):
    case = copied(tmp_path)
    text = '\n[[use]]\nname = "fountain"\nkind = "per day"\nper_day = "2 m**3/day"\n\n[effluent]'
    case.write_text(case.read_text().replace("\n[effluent]", text, 1))
    flags = [f for f in audit(load_case(case), draws=200).flags if f.code == "counts-as-exact"]
    assert len(flags) == 1 and flags[0].message.startswith("fountain: every figure")
