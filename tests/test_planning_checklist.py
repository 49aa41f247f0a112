"""Answers to the installation checklist change what is stated, only by published figures."""

from __future__ import annotations

import numpy as np
import pytest

from sewer_audit import audit, load_case, sample_case
from sewer_audit.effluent import NO_MEASUREMENT, assemble, assess_checklist
from sewer_audit.hydraulics import build_device
from sewer_audit.hydraulics.tables import rows_of
from sewer_audit.report.lists import checklist
from sewer_audit.uncertainty import Cause

PARSHALL = build_device("parshall flume", {"throat": "6 in"})


def standard(device, answers, cause: str, stated=()) -> float:
    checked = assess_checklist(device, answers)
    return checked.applied(assemble(device, stated, echo=False)).shared[cause].standard


def test_published_figures_take_the_place_of_defaults():
    """USBR ch. 8 / EPA guidance: 3 to 5 % in the field (from memory); Bos: 3 % (from memory)."""
    coefficient = "discharge coefficient"
    assert standard(PARSHALL, {}, coefficient) == pytest.approx(0.03 / np.sqrt(3))
    for subject in ("floor", "straight run", "approach", "dimensions"):
        found = standard(PARSHALL, {subject: "no; seen in March"}, coefficient)
        assert found == pytest.approx(0.05 / np.sqrt(3))
    notch = build_device("v-notch weir", {"angle": "90 deg"})
    assert standard(notch, {"contraction": "no"}, coefficient) == pytest.approx(0.01)
    assert standard(notch, {"contraction": "yes"}, coefficient) == pytest.approx(0.005)


def test_a_good_site_needs_every_answer():
    """Sensor systems: 5 % at a good site, 10 % or more typically (from memory)."""
    sensor = build_device("area velocity", {"diameter": "12 in"})
    half = {"straight run": "yes: 20 diameters"}
    assert standard(sensor, half, "velocity factor") == pytest.approx(0.10 / np.sqrt(3))
    both = {**half, "velocity": "yes, profile of points"}
    assert standard(sensor, both, "velocity factor") == pytest.approx(0.05 / np.sqrt(3))
    pipe = build_device("manning", {"diameter": "8 in", "slope": "0.5 %", "roughness": "0.013"})
    surveyed = {"straight run": "yes", "slope": "yes"}
    assert standard(pipe, surveyed, "roughness") == pytest.approx(0.15 / np.sqrt(3))


def test_what_the_case_states_is_never_changed():
    stated = [Cause("discharge coefficient", 0.004, source="certificate")]
    found = standard(PARSHALL, {"floor": "no"}, "discharge coefficient", stated)
    assert found == 0.004


@pytest.mark.parametrize(
    ("answer", "status"),
    [
        ("yes", "met"),
        ("Yes; 14 widths", "met"),
        ("no: a bend two widths above", "not met"),
        ("open", "open"),
        ("", "open"),
        ("no gauge, but spills freely", "noted"),
        ("nothing unusual", "noted"),
        ("yesterday", "noted"),
        ("about 12 widths", "noted"),
    ],
)
def test_only_yes_no_and_open_count(answer, status):
    checked = assess_checklist(PARSHALL, {"straight run": answer} if answer else {})
    point = next(each for each in checked.points if each.subject == "straight run")
    assert point.status == status
    assert bool(checked.spreads) == (status == "not met")


def test_open_questions_stay_visible_and_unknown_ones_are_kept():
    checked = assess_checklist(PARSHALL, {"floor": "yes", "paint": "grey"})
    open_flag = next(flag for flag in checked.flags if flag.code == "installation-open")
    assert "straight run" in open_flag.message and "floor" not in open_flag.message
    assert checked.points[-1].subject == "paint" and checked.points[-1].status == "noted"


def test_a_meter_that_does_not_run_full_measures_nothing():
    checked = assess_checklist(build_device("full pipe meter", {}), {"full pipe": "no"})
    assert [f.code for f in checked.flags if f.severity == "stops verdict"] == [NO_MEASUREMENT]


def test_every_row_names_a_rule_that_exists_and_a_source():
    """A row whose subject no published rule has would never act."""
    asked = {(row["family"], row["subject"]) for row in rows_of("installation")}
    for row in rows_of("checklist"):
        assert row["source"] and row["text"] and row["answer"] in ("yes", "no")
        for subject in row["subjects"].split(";"):
            family = row["family"]
            assert (family, subject) in asked, (family, subject)
        assert (row["cause"] is None) == (row["validity"] is not None)


def case_with(folder, answers: str):
    source, bills = sample_case().parent, folder / "bills"
    bills.mkdir()
    (folder / "sample_logs").mkdir()
    log = "sample_logs/effluent_log.csv"
    (folder / log).write_bytes((source.parent / log).read_bytes())
    text = (source / "case.toml").read_text()
    start = text.index("[effluent.checklist]")
    end = text.index("# Visits (maintenance book)")
    for name in ("invoices.csv", "rates.toml", "main_meter.csv", "cooling_tower_meter.csv"):
        (bills / name).write_bytes((source / name).read_bytes())
    (bills / "case.toml").write_text(text[:start] + answers + text[end:])
    return load_case(bills)


def test_the_audit_states_a_wider_interval_and_prints_why(tmp_path):
    whole = audit(load_case(sample_case()), draws=2000)
    worse = audit(
        case_with(tmp_path, '[effluent.checklist]\n"floor" = "no; tilts"\n\n'), draws=2000
    )
    for result, figure in ((whole, 0.03), (worse, 0.05)):
        row = result.causes.set_index("cause").loc["discharge coefficient"]
        row = row.iloc[0] if hasattr(row, "iloc") and row.ndim > 1 else row
        assert float(row["standard"]) == pytest.approx(figure / np.sqrt(3))
    before, after = (r.total["effluent_standard_uncertainty"] for r in (whole, worse))
    assert after > 1.2 * before
    assert "tilts" in str(checklist(worse)["answer of the case"].to_list())
    assert any(f.code == "installation-not-as-published" for f in worse.flags)
    assert any("approach" in f.message for f in worse.flags if f.code == "installation-open")
