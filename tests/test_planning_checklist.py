"""Answers to the installation checklist change what is stated, only by published figures."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from looked_at import looked_at
from samples.creamery_case import SEEN_FREE
from sewer_audit import audit, load_case, sample_case
from sewer_audit.effluent import assemble, assess_checklist, witnessed
from sewer_audit.effluent.installation.checklist import NO_MEASUREMENT
from sewer_audit.effluent.installation.witness import Seen
from sewer_audit.hydraulics import FLAG_MEANINGS, build_device
from sewer_audit.hydraulics.tables import asked_of, facts_of, families, families_of
from sewer_audit.records.rules.named import DEFAULT_RULES
from sewer_audit.report.evidence.lists import checklist
from sewer_audit.uncertainty import Cause, Draws
from test_hydraulics_properties import EXAMPLES

PARSHALL = build_device("parshall flume", {"throat": "6 in"})


def applied(device, answers, stated=()):
    return assess_checklist(device, answers).applied(assemble(device, stated, echo=False)).shared


def standard(device, answers, cause: str, stated=()) -> float:
    return applied(device, answers, stated)[cause].standard


def answered(device, answer: str = "yes") -> dict[str, str]:
    return {rule.subject: answer for rule in device.notes.rules}


@pytest.mark.parametrize("word", EXAMPLES)
def test_only_a_yes_to_all_narrows_and_every_no_widens(word):
    """With the checklist removed u grows; a point taken back from yes never narrows."""
    device = build_device(word, EXAMPLES[word])
    (row,) = [r for r in facts_of("field", *families_of(device.method)) if r["state"] == "unknown"]
    spread = lambda answers: applied(device, answers)[row["cause"]].standard_deviation  # noqa: E731
    asked = asked_of(device.method)
    every, nothing = answered(device), spread({})
    assert spread(every) < nothing
    assert set(asked) <= set(every)
    for point in asked:
        for word in ("open", "", "seen in March"):
            assert spread({**every, point: word}) == pytest.approx(nothing)
        if len(asked) > 1:
            assert spread({point: "yes"}) == pytest.approx(nothing)
        assert spread({**every, point: "no"}) > nothing
        assert spread({point: "no; seen in March"}) > nothing


def test_figures_of_the_field_stand_until_the_installation_is_answered_for():
    """5 %: upper end of 3 to 5 % for an installation; 3 %: Bos ch. 7 (both from memory)."""
    name = "discharge coefficient"
    unknown, checked = applied(PARSHALL, {})[name], applied(PARSHALL, answered(PARSHALL))[name]
    assert checked.standard == pytest.approx(0.03 / np.sqrt(3)) and checked.grade == "memory"
    drawn = Draws(200_000, 1).of(unknown, key="x")
    assert np.quantile(np.abs(drawn), 0.95) == pytest.approx(0.05, rel=0.02)
    assert np.quantile(np.abs(drawn), 0.995) > 1.4 * 0.05  # a normal one of that 95 %: 1.43 x
    assert np.abs(drawn).max() > 0.12
    assert "ditch" in unknown.source and "unknown" in unknown.source
    sensor = build_device("area velocity", {"diameter": "12 in"})
    both = {"straight run": "yes: 20 diameters", "velocity": "yes, profile of points"}
    found = applied(sensor, {})["velocity factor"].standard_deviation
    assert found == pytest.approx(0.10, rel=0.03)  # typically 10 %, as a standard deviation
    assert standard(sensor, both, "velocity factor") == pytest.approx(0.05 / np.sqrt(3))


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
    assert checked.spreads  # the rest of the checklist is open


def test_open_questions_stay_visible_and_unknown_ones_are_kept():
    checked = assess_checklist(PARSHALL, {"floor": "yes", "paint": "grey"})
    open_flag = next(flag for flag in checked.flags if flag.code == "installation-open")
    assert "straight run" in open_flag.message and "floor" not in open_flag.message
    assert checked.points[-1].subject == "paint" and checked.points[-1].status == "noted"


def test_a_meter_that_does_not_run_full_measures_nothing():
    checked = assess_checklist(build_device("full pipe meter", {}), {"full pipe": "no"})
    assert [f.code for f in checked.flags if f.severity == "stops verdict"] == [NO_MEASUREMENT]


def test_a_flume_not_known_to_be_free_needs_a_second_head():
    """Submerged, it reads too high: without the second head there is no verdict from it."""

    def stops(answers, tail=False):
        flags = assess_checklist(PARSHALL, answers, tail=tail).flags
        return any(flag.severity == "stops verdict" for flag in flags)

    unseen = {"tailwater measurement": "no; the outgoing sewer backs up"}
    assert stops(unseen) and not stops(unseen, tail=True)
    assert not stops({**unseen, "free flow": "yes; spills freely at high water"})
    assert stops({"free flow": "no"}) and not stops({"free flow": "no"}, tail=True)
    assert not stops({})


def test_every_row_names_a_rule_that_exists_and_a_source():
    """A row whose subject no published rule has would never act."""
    for family, facts in families().items():
        own = facts_of("installation", family, *facts.get("as", ()))
        subjects = {row["subject"] for row in own}
        assert set(facts.get("asked", ())) <= subjects, family
        for row in facts_of("effects", family):
            assert row["text"] and row["answer"] in ("yes", "no")
            assert row["subject"] in subjects, (family, row["subject"])
            assert ("relative" in row) == ("validity" not in row)
        assert ("methods" in facts) == bool(facts_of("field", family)), family


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
    whole = looked_at(draws=2000)
    worse = audit(
        case_with(tmp_path, '[effluent.checklist]\n"floor" = "no; tilts"\n\n'), draws=2000
    )
    before, after = (r.total["effluent_standard_uncertainty"] for r in (whole, worse))
    assert after > 1.5 * before
    assert "tilts" in str(checklist(worse)["answer of the case"].to_list())
    assert any(f.code == "installation-not-as-published" for f in worse.flags)
    assert any("approach" in f.message for f in worse.flags if f.code == "installation-open")
    assert not [f for f in whole.flags if f.code == "installation-open"]


@pytest.fixture(scope="module")
def creamery():
    return looked_at(draws=300)


def test_every_witness_names_what_exists():
    known = {rule.name for rule in DEFAULT_RULES}
    for family, facts in families().items():
        own = facts_of("installation", family, *facts.get("as", ()))
        for row in facts_of("witness", family):
            assert row["subject"] in {each["subject"] for each in own}, (family, row)
            assert set(row.get("flags", ())) <= set(FLAG_MEANINGS)
            assert set(row.get("marks", ())) <= known
            assert any(row.get(key) for key in ("nearest", "swing", "flags", "marks"))


def test_a_yes_that_the_record_contradicts_is_told_and_narrows_nothing():
    device = build_device("palmer-bowlus", EXAMPLES["palmer-bowlus"])
    every = answered(device)
    seen = {"submergence": Seen("of 900 readings: 90 ponding", True)}
    free, found = assess_checklist(device, every), assess_checklist(device, every, seen=seen)
    name = "discharge coefficient"
    bare = assemble(device, [], echo=False)
    spreads = [c.applied(bare).shared[name].standard_deviation for c in (free, found)]
    nobody = assess_checklist(device, {}).applied(bare).shared[name].standard_deviation
    assert spreads[0] < spreads[1] == pytest.approx(nobody)
    assert not free.hidden and [cause.name for cause in found.hidden] == ["submergence not seen"]
    (flag,) = found.flags
    assert flag.code == "installation-contradicted" and "90 ponding" in flag.message
    point = next(each for each in found.points if each.subject == "submergence")
    assert point.status == "contradicted" and point.record == "of 900 readings: 90 ponding"
    for answer in ("no", "open", ""):  # only a yes can be contradicted
        same = assess_checklist(device, {**every, "submergence": answer}, seen=seen)
        assert "installation-contradicted" not in {flag.code for flag in same.flags}
    harmless = {"submergence": Seen("of all readings: none ponding", False)}
    assert assess_checklist(device, every, seen=harmless).flags == free.flags


def test_marked_stretches_are_weighed_by_themselves_and_do_not_stop_the_rest():
    """Submerged at times, by the record, is not the same as nobody having looked."""
    seen = {"free flow": Seen("of 900 readings: 90 ponding", True)}
    answers = {**answered(PARSHALL), "tailwater measurement": "no"}
    flags = assess_checklist(PARSHALL, answers, seen=seen).flags
    assert not [flag for flag in flags if flag.code == NO_MEASUREMENT]
    assert [flag for flag in flags if flag.code == "installation-contradicted"]


def test_the_blanking_distance_is_held_against_the_nearest_surface(creamery):
    series, device = creamery.evidence.series, creamery.case.device
    logger, inch = creamery.inputs.logger, 0.0254
    nearest = 36 - float(series.level.max()) / inch
    shown = witnessed(device, series, logger, 12 * inch)["blanking"]
    assert not shown.contradicts
    assert shown.text.startswith(f"nearest surface {1000 * nearest * inch:.0f} mm below the sensor")
    inside = int((36 - series.level / inch < 25).sum())
    assert inside > 0.001 * len(series.time)
    found = witnessed(device, series, logger, 25 * inch)["blanking"]
    assert found.contradicts and f"{inside:,} readings from inside it" in found.text
    assert not witnessed(device, series, logger)["blanking"].contradicts  # nothing to compare
    reason = np.where(np.arange(len(logger.frame)) < 300, "blanking distance", "")
    frame = logger.frame.assign(reason=reason)
    rejected = SimpleNamespace(frame=frame, spans=None, flags=())
    assert witnessed(device, series, rejected, 12 * inch)["blanking"].contradicts
    reason[6:] = ""  # the echo of a ladder now and then
    frame = logger.frame.assign(reason=reason)
    ladder = SimpleNamespace(frame=frame, spans=None, flags=())
    assert not witnessed(device, series, ladder, 12 * inch)["blanking"].contradicts


def test_what_the_sample_answers_is_what_its_record_shows(creamery):
    """The day, the head and the room under the sensor that the answers name."""
    series, zone = creamery.evidence.series, creamery.case.zone
    day, head = SEEN_FREE
    local = (series.epoch + pd.to_timedelta(series.time, unit="s")).tz_convert(zone)
    that = series.level[local.strftime("%Y-%m-%d") == day] / 0.0254
    assert that.max() == pytest.approx(float(head), abs=0.2)
    assert 36 - series.level.max() / 0.0254 > 18  # within the walls of the flume
    codes = {flag.code for flag in creamery.flags}
    assert "installation-contradicted" not in codes
    told = checklist(creamery).set_index("subject")["what the record shows"]
    assert "blanking distance 12 in" in told["blanking"] and "ponding" in told["free flow"]
