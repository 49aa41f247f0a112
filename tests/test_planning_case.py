"""A plan from case file to folder: keys, refusals, the command, echo, figures."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sewer_audit import load_case, sample_case
from sewer_audit.__main__ import main
from sewer_audit.case.keys import key_at, walk
from sewer_audit.case.models import CaseFile
from sewer_audit.errors import InputRefused
from sewer_audit.hydraulics import build_device
from sewer_audit.planning import closer, make_plan, ranking_table
from sewer_audit.planning.catalogue import candidates
from sewer_audit.planning.expected import flow_between
from sewer_audit.planning.precision import Schedule, expected_precision
from sewer_audit.planning.site import PipeSite
from sewer_audit.report import recheck
from sewer_audit.report.plan import telling as story
from sewer_audit.report.plan.pictures import PICTURES
from sewer_audit.starter import write_starter

SOURCE = sample_case("before_a_logger")


@pytest.fixture(scope="module")
def plan():
    return make_plan(load_case(SOURCE), draws=500)


def changed(folder: Path, *swaps: tuple[str, str]) -> Path:
    text = SOURCE.read_text()
    for old, new in swaps:
        assert old in text
        text = text.replace(old, new)
    for name in ("invoices.csv", "rates.toml"):
        (folder / name).write_bytes((SOURCE.parent / name).read_bytes())
    (folder / "case.toml").write_text(text)
    return folder / "case.toml"


@pytest.mark.parametrize(
    ("swap", "said"),
    [
        (('diameter = "10 in"', "diameter = 10"), "has no unit"),
        (('diameter = "10 in"', 'diameter = "0 in"'), "greater than zero"),
        (('slope = "0.6 %"', 'slope = "0.6 in"'), "ratio"),
        (('minimum = "45 gpm"', 'minimum = "90 gpm"'), "do not rise"),
        (('family = "h flume"', 'family = "hflume"'), "h flume"),
        (('family = "h flume"', 'family = "v-notch weir"'), "stated twice"),
        (
            ("install = { low = 9500, high = 15000 }", "install = { low = 2, high = 1 }"),
            "Low comes",
        ),
        (("chance_of_refund = 0.6", "chance_of_refund = 1.6"), "no share"),
        (('drift_share = "10 %"', 'drift_share = "0 %"'), "drift_share"),
        (('solids = "some"', 'solids = "a few"'), "heavy"),
        (('name = "meter error"', 'name = "meter eror"'), "not known"),
        (("months = 12", "months = 0"), "greater than or equal to 1"),
        (('visit_every = "45 days"', 'visits = "45 days"'), "unknown key 'visits'"),
    ],
)
def test_what_is_wrong_in_a_plan_is_refused_with_its_place(tmp_path, swap, said):
    with pytest.raises(InputRefused) as refused:
        load_case(changed(tmp_path, swap))
    text = str(refused.value)
    assert said in text and re.search(r"case\.toml, line \d+", text), text


def test_the_sample_is_planned_to_the_end(plan):
    table = ranking_table(plan)
    assert len(table) > 5
    fitness = table[[name for name in table if name.startswith("against_")]]
    firsts = table["trend_only"], table["settles"]
    marked = list(zip(*firsts, fitness.itertuples(index=False), strict=True))
    assert marked == sorted(marked), "fittest first"
    for _, alike in table[~table["trend_only"].astype(bool)].groupby([*fitness], sort=False):
        assert alike["worth_per_cost"].is_monotonic_decreasing
    gross = table["recovery"] - table["risk"]
    middle = (table["cost_low"] + table["cost_high"]) / 2
    assert np.allclose(
        *((t.iloc[:5].astype(float)) for t in (gross / middle, table["worth_per_cost"]))
    )
    assert table["trend_only"].iloc[-1] and table["net"].isna().iloc[-1]
    json.dumps(plan.findings(), allow_nan=False)
    assert set(plan.tables()) >= {"ranking", "options", "chances", "lengths", "visits"}
    # 24 months of look-back at 0.6 and 24 to come at 0.8, by the price of the schedule
    price = 7.86 / 3.785411784  # USD a cubic metre: the volume charge, kgal to m3
    assert plan.stake.price == pytest.approx(price, rel=1e-4)
    assert plan.stake.past_months == 24
    months = 0.6 * 24 + 0.8 * 24
    assert plan.stake.gain == pytest.approx(plan.stake.monthly_m3 * price * months, rel=1e-4)


@pytest.mark.parametrize("solids", ["some", "heavy"])
def test_what_silts_up_is_never_advised_however_much_it_is_worth(tmp_path, solids):
    plan = make_plan(load_case(changed(tmp_path, ('"some"', f'"{solids}"'))), draws=200)
    silting = [each for each in plan.ranked if each.option.settles]
    assert silting and max(silting, key=lambda e: e.worth.net).worth.net > plan.best.worth.net
    assert "weir" not in plan.best.label and plan.best.option.fitness[0] < 3
    assert "settle" not in " ".join(plan.best.option.warnings)
    assert not any(each.option.settles for each in closer(plan.ranked))
    assert all(f"{each.label} |" in str(story.ranking(plan)) for each in silting), "still listed"


def test_where_all_silts_up_nothing_is_advised(plan):
    only = replace(plan, ranked=tuple(each for each in plan.ranked if each.option.settles))
    assert only.ranked and only.best is None and not closer(only.ranked)
    said = str(story.answers(only))
    assert "What to install" not in said and "settling solids" in said


def test_the_visits_advised_are_the_visits_priced(plan):
    days = plan.days_between_visits
    assert days is not None and plan.schedule.visit_every == min(days, 45) * 86_400
    best, months = plan.best, plan.table.months
    visits = int(np.ceil(months * 365.25 / 12 / min(days, 45)))
    low, high = (9_500, 15_000) if "Parshall" in best.label else (8_500, 14_000)
    assert best.visits == visits and best.of_visits.low == visits * 250
    assert best.worth.cost.low == low + 60 * months + visits * 250
    assert best.worth.cost.high == high + 120 * months + visits * 400
    assert f"USD {visits * 250:,.0f} to USD {visits * 400:,.0f}" in str(story.answers(plan))


def test_distances_are_round_in_the_units_of_the_reader(plan, tmp_path):
    said = str(story.looked_at(plan)) + str(story.case_keys(plan))
    assert "2 ft/s" in said and "1.97 ft/s" not in said and "0.984" not in said
    crests = [each.device.crest_height for each in plan.options if "weir" in each.candidate.family]
    assert crests and all(abs(c / 0.00635 - round(c / 0.00635)) < 1e-2 for c in crests)
    metric = list(candidates(PipeSite(diameter=0.25), metric=True))
    labels = " ".join(each.label for each in metric if "flume" not in each.label)
    assert not re.search(r"\d (in|ft) ", labels) and "300 mm rectangular weir" in labels


def test_a_bill_on_intake_counts_no_refund(tmp_path):
    basis = 'basis = "discharge"                # sewer ordinance'
    plan = make_plan(load_case(changed(tmp_path, (basis, 'basis = "intake"   # by'))), draws=200)
    assert plan.stake.past_months == 0
    assert any("No refund of the past is counted" in flag.message for flag in plan.flags)


def test_without_beliefs_the_ranking_follows_the_uncertainty(tmp_path):
    line = next(each for each in SOURCE.read_text().splitlines() if each.startswith("shortfall"))
    plan = make_plan(load_case(changed(tmp_path, (line, ""))), draws=200)
    assert plan.belief is None and all(each.worth is None for each in plan.ranked)
    claims = [
        (each.option.settles, each.option.fitness, each.planned)
        for each in plan.ranked
        if not each.option.trend
    ]
    assert claims == sorted(claims)
    assert "not computed" in str(story.worth(plan))
    assert PICTURES["worth"](plan) is None


def test_the_same_seed_gives_the_same_plan(plan):
    again = make_plan(load_case(SOURCE), draws=500)
    assert again.findings() == plan.findings()


@pytest.mark.parametrize("name", PICTURES)
def test_every_figure_has_units_and_a_text(plan, name):
    picture = PICTURES[name](plan)
    assert re.search(r"\d", picture.alt) and len(picture.alt) < 600
    for axes in picture.figure.axes:
        label = axes.get_xlabel()
        assert not label or "[" in label, label
        if axes.get_ylabel().startswith("discharge"):
            assert axes.get_ylim()[0] == 0


def test_what_is_said_names_the_best_and_what_to_mind(plan):
    text = str(story.answers(plan))
    assert plan.best.label in text and not plan.best.option.settles
    for part in (story.ranking, story.lengths, story.drift, story.worth, story.checklists):
        assert plan.best.label in str(part(plan)), part.__name__


def test_what_is_said_is_in_the_units_of_the_case(plan):
    """The keys a reader copies from the page build the device that was rated, within 0.1 mm."""
    flows = str(story.flow_source(plan))
    assert flows.count(" gpm") == 3 and "m3/h" not in flows
    said = str(story.case_keys(plan)).split("[effluent]: ")[1]
    keys = dict(re.findall(r"(\w+) = '([^']*)'", said))
    assert not [text for text in keys.values() if text.endswith(" m")]
    rated, copied = plan.best.option.device, build_device(keys.pop("method"), keys)
    for name in keys:
        if isinstance(getattr(rated, name), float):
            assert getattr(copied, name) == pytest.approx(getattr(rated, name), abs=1e-4), name


def test_an_echo_sensor_brings_the_air_temperature():
    """0.17 % of the distance a kelvin: published speed of sound, see the echo tests."""
    flow, site = flow_between(0.002, 0.008, 0.03), PipeSite()
    device = build_device("parshall flume", {"throat": "6 in"})
    far = Schedule(interval=900.0, visit_every=1e9, reference_distance=2.0)
    echo = expected_precision(device, flow, site, far)
    plain = expected_precision(device, flow, site, Schedule(interval=900.0, visit_every=1e9))
    assert echo.total() > plain.total()
    head = float(np.mean(device.head_for(flow.quantiles)))
    shift = (2.0 - head) / (2 * 288.15)  # metres a kelvin
    assert shift == pytest.approx(0.0017 * (2.0 - head), rel=0.03)


def test_the_command_writes_a_folder_that_is_reproduced_whatever_names_it_holds(tmp_path, capsys):
    title = 'title = "Larkmoor Preserves, discharge account 9 of the Village of Tollbrook"'
    evil = "title = 'Mill <script>alert(1)</script> $5 *x*'"
    source = 'source = "bucket and watch, invoices, volumes of the cookers"'
    bad = "source = '<img src=x onerror=alert(2)>'"
    case = changed(tmp_path, (title, evil), (source, bad))
    out = tmp_path / "plan"
    code = main(["plan", str(case), "--out", str(out), "--draws", "200", "--quiet"])
    assert code == 0 and "plan written" in capsys.readouterr().out
    names = {path.name for path in out.iterdir()}
    assert {"plan.html", "plan.ipynb", "findings.json", "tables.xlsx", "manifest.json"} <= names
    page = (out / "plan.html").read_text()
    assert "confined space" in page and str(tmp_path) not in page
    assert "<script" not in page and "<img src=x" not in page
    assert recheck(out).reproduced


def test_a_plan_written_from_the_described_examples_loads(tmp_path):
    """What 'sewer-audit explain plan' shows of each key, taken together, is a plan."""
    tables: dict[str, list[str]] = {}
    for path, model, name in walk(CaseFile):
        key = key_at(path, model, name)
        above = path.rpartition(".")[0]
        if above in ("plan", "plan.flow") and key.example:
            tables.setdefault(above, []).append(f"{name} = {key.example}")
    folder = Path(write_starter(tmp_path / "mine"))
    text = (folder / "case.toml").read_text()
    for above, keys in tables.items():
        text += "\n".join([f"[{above}]", *keys, ""])
    (folder / "case.toml").write_text(text)
    assert load_case(folder).data.plan.months == 12
