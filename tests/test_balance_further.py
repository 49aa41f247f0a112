"""Further balances of a case: all streams reconciled jointly, and which measurement is suspect.

Invented sites whose meters see the same water more than once. The published examples go through
the same case file as the invented ones.
"""

from __future__ import annotations

from functools import partial
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from sewer_audit import audit, load_case
from sewer_audit.auditing.reading.inputs import read_inputs
from sewer_audit.auditing.volumes import further
from sewer_audit.auditing.volumes.evidence import gather
from sewer_audit.balance import reconcile, reconcile_network
from sewer_audit.errors import AuditError, InputRefused
from sewer_audit.report.evidence import further as shown
from sewer_audit.report.evidence import story
from sewer_audit.uncertainty import Draws

HEAD = """\
[case]
title = "Invented works"
time_zone = "America/Regina"
basis = "intake"
units_confirmed = "by the works"

[invoices]
file = "invoices.csv"
volume_unit = "kgal"
end_day_counts = false
"""
INVOICES = 6
STARTS = pd.date_range("2026-01-01", periods=INVOICES + 1, freq="MS")


def register(daily: np.ndarray) -> str:
    """Reads in gal at every bound of the invoices and in between [kgal per invoice]."""
    steps = np.concatenate([[0.0], np.cumsum(np.repeat(daily, 2) / 2)])
    times = STARTS[:-1].to_list() + [a + (b - a) / 2 for a, b in pairwise(STARTS)]
    times = sorted([*times, STARTS[-1]])
    rows = [f"{t:%Y-%m-%d %H:%M},{1000 * v:.1f}" for t, v in zip(times, steps, strict=True)]
    return "\n".join(["time,register", *rows]) + "\n"


def meter(room: str, name: str, standard: float, more: str = "") -> str:
    """A table of the case for one register, its file called as its stream."""
    key = "meter" if room == "intake" else "name"
    return (
        f'\n[[{room}]]\n{key} = "{name}"\nfile = "{name.replace(" ", "_")}.csv"\nunit = "gal"\n'
        f'{more}error = {{ standard = "{100 * standard:.6f} %", source = "stated" }}\n'
    )


def balance(name: str, into: str, out: str) -> str:
    def listed(names: str) -> str:
        return ", ".join(f'"{each.strip()}"' for each in names.split(","))

    return (
        f'\n[[further_balance]]\nname = "{name}"\ninto = [{listed(into)}]\nout = [{listed(out)}]\n'
    )


def site(folder, case: str, volumes: dict[str, np.ndarray], invoices: int = INVOICES):
    """Write a case whose registers hold these volumes per invoice [kgal]."""
    rows = [f"K{k},{STARTS[k]:%Y-%m-%d},{STARTS[k + 1]:%Y-%m-%d},100,1.00" for k in range(invoices)]
    (folder / "invoices.csv").write_text(
        "\n".join(["invoice,start,end,billed_volume,total", *rows]) + "\n"
    )
    for name, each in volumes.items():
        text = register(np.resize(each, INVOICES))
        (folder / f"{name.replace(' ', '_')}.csv").write_text(text)
    (folder / "case.toml").write_text(HEAD + case)
    return load_case(folder)


# --- published examples through a case ----------------------------------------------------------


@pytest.fixture
def exact(monkeypatch):
    """The papers know no floor for what no cause describes."""
    plain = partial(reconcile_network, model_floor=0.0)
    monkeypatch.setattr(further, "reconcile_network", plain)


EXCHANGER = [101.91, 64.45, 34.65, 64.20, 36.44, 98.88]


def exchanger(folder, second: float):
    y = [EXCHANGER[0], second, *EXCHANGER[2:]]
    case = meter("intake", "S1", 1 / y[0])
    case += "".join(meter("further_measurement", f"S{k}", 1 / y[k - 1]) for k in range(2, 7))
    case += balance("split", "S1", "S2, S3") + balance("tubes", "S2", "S4")
    case += balance("by-pass", "S3", "S5") + balance("mix", "S4, S5", "S6")
    volumes = {f"S{k}": np.array([v]) for k, v in enumerate(y, 1)}
    return audit(site(folder, case, volumes, invoices=1), draws=100_000)


def in_kgal(volume_m3):
    return np.asarray(volume_m3) / 3.785411784


def test_exchanger_with_bypass_through_a_case(tmp_path, exact):
    """Narasimhan and Jordache (Gulf 2000): inputs read there, expected values computed here."""
    found = exchanger(tmp_path, 64.45).evidence.network
    assert found.agree and found.possible == () and found.named is None
    assert in_kgal(found.adjusted)[[0, 1, 2, 4]] == pytest.approx(
        [100.22, 64.50, 35.72, 35.72], abs=0.03
    )
    assert found.chi_square == pytest.approx(6.4075, rel=0.02)
    assert found.total_chi_square == pytest.approx(6.4075, rel=0.02)
    assert found.dof == found.total_dof == 4


def test_exchanger_with_a_bias_through_a_case(tmp_path, exact):
    """Same source, stream 2 read 4 too high: a suspect, but stream 6 is not excluded twentyfold."""
    result = exchanger(tmp_path, 68.45)
    found = result.evidence.network
    assert not found.agree and found.adjusted is None
    ratio = {each.name: each.statistic for each in found.suspects}
    expected = [1.5708, 10.2704, 0.244, 4.0017, 2.8843, 6.0401]
    assert [ratio[f"S{k}"] for k in range(1, 7)] == pytest.approx(expected, rel=0.03, abs=0.02)
    assert found.stream_z[[1, 4, 5]] == pytest.approx([3.2047, 1.6983, 2.4577], rel=0.02)
    assert found.balance_z[[0, 2, 3]] == pytest.approx([0.687, 1.2657, 1.0161], rel=0.02)
    first = found.suspects[0]
    assert first.name == "S2"
    assert first.error / (1 + first.error) * 68.45 == pytest.approx(3.925, rel=0.01)
    assert found.possible == ("S2", "S6") and found.named is None
    flag = next(flag for flag in result.flags if flag.code == "further-balances-open")
    assert "'S2', 'S6'" in flag.message and flag.severity == "note"  # the intake is none of them


def test_a_single_total_balance_names_none(tmp_path, exact):
    """Course notes on data reconciliation 2003: inputs read, 288.14 computed here."""
    y = {"F1": 1095.475, "F2": 478.402, "F3": 488.232}
    case = meter("intake", "F1", 4.8 / y["F1"])
    case += meter("further_measurement", "F2", 3.9 / y["F2"])
    case += meter("further_measurement", "F3", 4.4 / y["F3"]) + balance("all", "F1", "F2, F3")
    case = site(tmp_path, case, {n: np.array([v]) for n, v in y.items()}, invoices=1)
    result = audit(case, draws=50_000)
    found = result.evidence.network
    assert found.chi_square == pytest.approx(288.14, rel=0.02)
    assert in_kgal(found.imbalance[0]) == pytest.approx(128.841, abs=0.1)
    assert set(found.possible) == {"F1", "F2", "F3"} and found.named is None


# --- an invented site with more meters than it needs ---------------------------------------------

SPREAD = {
    "main": 0.01, "tower": 0.015, "process": 0.015, "boiler house": 0.015, "effluent": 0.02,
    "outlet meter": 0.02, "product": 0.05,
}  # fmt: skip
LOG = pd.date_range("2025-12-31", "2026-07-02", freq="6h")
SUBMETERS = balance("behind the main meter", "main", "tower, process, boiler house")
OUTLET = balance("flume and outlet meter", "effluent", "outlet meter")


def works(folder, seed: int, balances: str = "", wrong: str = "", size: float = 0.0, sway=0.0):
    """A works with a wet process, a seasonal tower, and one meter that may read wrong.

    By `sway` the record and the outlet meter err together, each month anew.
    """
    random = np.random.default_rng(seed)
    month = np.arange(INVOICES)
    main = 6000 * np.exp(random.normal(0, 0.08, INVOICES))
    tower = 500 * (1 + 0.6 * np.sin(2 * np.pi * month / 12))
    truth = {"main": main, "tower": tower, "process": 0.6 * main, "product": 0.19 * main}
    truth["boiler house"] = main - tower - truth["process"]
    truth["effluent"] = truth["outlet meter"] = main - tower - truth["product"]
    read = {}
    for name, volume in truth.items():
        error = 1 + SPREAD[name] * random.standard_normal() + (size if name == wrong else 0.0)
        read[name] = volume * error * (1 + 0.002 * random.standard_normal(INVOICES))
    together = 1 + sway * random.standard_normal(INVOICES)
    read["effluent"], read["outlet meter"] = (
        read[name] * together for name in ("effluent", "outlet meter")
    )
    share = 0.19 * (1 + SPREAD["product"] * random.standard_normal())
    case = meter("intake", "main", SPREAD["main"])
    case += meter("use", "tower", SPREAD["tower"], 'kind = "deduct meter"\n')
    case += '\n[[use]]\nname = "product"\nkind = "fraction"\nfraction_of = "main"\n'
    case += f"fraction = {{ value = {share}, standard = {0.19 * SPREAD['product']} }}\n"
    case += '\n[effluent]\nfile = "log.csv"\nmethod = "full pipe meter"\naccuracy = "4 %"\n'
    case += 'longest_bridge = "7 h"\n'
    case += 'columns = { time = "time", flow = { name = "kgal/d", unit = "kgal/day" } }\n'
    case += '[[effluent.cause]]\nname = "meter error"\nstandard = "2 %"\nsource = "stated"\n'
    for name in ("process", "boiler house", "outlet meter"):
        if f'"{name}"' in balances:
            case += meter("further_measurement", name, SPREAD[name])
    days = (STARTS[1:] - STARTS[:-1]).days.to_numpy()
    at = np.clip(np.searchsorted(STARTS, LOG, side="right") - 1, 0, INVOICES - 1)
    flow = (read.pop("effluent") / days)[at]
    rows = [f"{t:%Y-%m-%d %H:%M},{q:.5f}" for t, q in zip(LOG, flow, strict=True)]
    (folder / "log.csv").write_text("\n".join(["time,kgal/d", *rows]) + "\n")
    return site(folder, case + balances, read)


def evidence_of(folder, *args):
    case = works(folder, *args)
    return gather(case, read_inputs(case), Draws(800, 1))


BOTH = SUBMETERS + OUTLET


def planted(tmp_path, balances: str, wrong: str, size: float, cases: int = 12):
    found = []
    for seed in range(7000, 7000 + cases):
        folder = tmp_path / str(seed)
        folder.mkdir()
        found.append(evidence_of(folder, seed, balances, wrong, size).network)
    return found


@pytest.mark.parametrize(("wrong", "size"), [("effluent", 0.18), ("outlet meter", 0.18)])
def test_a_wrong_meter_that_stands_alone_is_named(tmp_path, wrong, size):
    """Of 12 sites at least 11 name it (nine in ten), none another."""
    found = planted(tmp_path, BOTH, wrong, size)
    assert sum(each.named == wrong for each in found) >= 11
    assert all(each.named in (None, wrong) for each in found)
    error = np.array([each.suspects[0].error for each in found])
    assert error.mean() == pytest.approx(size, abs=0.02)


def test_a_wrong_supply_meter_is_named_where_sub_meters_stand_behind_it(tmp_path):
    """The tower stands in the same balances, but its true volume would be less than nothing."""
    found = planted(tmp_path, BOTH, "main", -0.15, 8)
    assert sum(each.named == "main" for each in found) >= 7
    assert all(each.named in (None, "main") for each in found)


def test_what_stands_in_the_same_balances_is_not_told_apart(tmp_path):
    """A supply meter 15 % too high, or a tower meter that misses more than half: both may be."""
    found = planted(tmp_path, BOTH, "main", 0.15, 6)
    assert sum(set(each.possible) == {"main", "tower"} for each in found) >= 5
    assert all(each.named in (None, "main") for each in found)


def test_sub_meters_of_one_balance_are_told_as_a_group(tmp_path):
    found = planted(tmp_path, BOTH, "process", 0.15, 6)
    assert all(each.named is None for each in found)
    assert sum({"process", "boiler house"} <= set(each.possible) for each in found) >= 5
    assert not any("outlet meter" in each.possible for each in found)


def test_clean_sites_name_nothing_more_often_than_stated(tmp_path):
    """At 95 % one site in twenty may fail; of 20, more than 4 would be below 3 in 1000."""
    found = planted(tmp_path, BOTH, "", 0.0, 20)
    assert sum(not each.agree for each in found) <= 4
    assert sum(each.named is not None for each in found) <= 2
    assert all(each.possible == () for each in found if each.agree)


def test_without_redundancy_no_meter_is_named(tmp_path):
    """Sub-meters alone cannot tell the record from the estimate that stands beside it."""
    found = planted(tmp_path, SUBMETERS, "effluent", 0.18, 6)
    assert all(each.named is None for each in found)
    assert sum({"effluent", "product"} <= set(each.possible) for each in found) >= 5


def test_an_error_that_changes_is_not_laid_at_another_meters_door():
    """Random sites whose one wrong meter fails half way; library alone."""
    balances = {
        "site": {"main": 1, "tower": -1, "effluent": -1},
        "outlet": {"effluent": 1, "outlet meter": -1},
        "behind": {"main": 1, "tower": -1, "process": -1},
    }
    wrong = 0
    for seed in range(40):
        random = np.random.default_rng(7000 + seed)
        main = 6000 * np.exp(random.normal(0, 0.08, 12))
        tower = 500 * (1 + 0.6 * np.sin(np.arange(12)))
        truth = {"main": main, "tower": tower, "effluent": main - tower}
        truth |= {"outlet meter": main - tower, "process": main - tower}
        truth["effluent"] = truth["effluent"] * np.where(np.arange(12) < 6, 1.0, 1.25)
        streams = {
            name: each
            * (1 + SPREAD[name] * random.standard_normal())
            * (1 + 0.003 * random.standard_normal(12))
            * (1 + SPREAD[name] * random.standard_normal((600, 1)))
            for name, each in truth.items()
        }
        found = reconcile_network(streams, balances)
        wrong += found.named not in (None, "effluent")
    assert wrong <= 1


# --- what the audit, the findings and the report make of it -------------------------------------


def test_balances_that_close(tmp_path):
    result = audit(works(tmp_path, 7001, BOTH), draws=2000)
    found, told = result.evidence.network, result.findings()["further_balances"]
    assert found.agree and told["named"] is None and told["possible"] == []
    assert found.balances[0] == "balance of the site"
    rows = {row["stream"]: row for row in told["streams"]}
    assert rows["outlet meter"]["role"] == "further"
    closed = {name: row["adjusted_m3"] for name, row in rows.items()}
    assert closed["main"] == pytest.approx(
        closed["tower"] + closed["process"] + closed["boiler house"]
    )
    assert closed["effluent"] == pytest.approx(closed["outlet meter"])
    assert closed["effluent"] == pytest.approx(closed["main"] - closed["tower"] - closed["product"])
    for row in rows.values():
        assert row["adjusted_standard_uncertainty_m3"] < row["standard_uncertainty_m3"]
    months = told["adjusted_m3"]
    assert sum(months["outlet meter"].values()) == pytest.approx(closed["outlet meter"])
    assert months["main"]["K2"] == pytest.approx(
        months["tower"]["K2"] + months["process"]["K2"] + months["boiler house"]["K2"]
    )
    codes = {flag.code for flag in result.flags}
    assert "further-balances-close" in codes and "single-balance" not in codes
    assert "closes within" in str(shown.suspicion(result))
    assert "further balances" in result.tables()
    assert any(head.startswith("adjusted") for head in shown.measurements(result).columns)
    assert len(shown.measurements(result)) == 7 and len(shown.closing(result)) == 3


def test_without_a_further_balance_the_sentence_stands(tmp_path):
    result = audit(works(tmp_path, 7001), draws=2000)
    assert result.evidence.network is None and result.findings()["further_balances"] is None
    assert "no test can name a wrong measurement" in str(shown.suspicion(result))
    assert shown.measurements(result).empty and shown.closing(result).empty
    assert "single-balance" in {flag.code for flag in result.flags}


def test_no_verdict_rests_on_a_measurement_the_balances_speak_against(tmp_path):
    """The record and the outlet meter agree, main is wrong: no verdict, a test of main."""
    result = audit(works(tmp_path, 7000, BOTH, "main", -0.15), draws=2000)
    assert result.evidence.network.named == "main"
    assert result.evidence.audited is None and not result.basis["answered"]
    assert "the further balances do not close" in str(story.conclusions(result))
    assert result.questions["volume"]["answered"] == "no"
    assert "further balances do not exclude" in result.questions["volume"]["missing"]
    assert all(row["audited_m3"] is None for row in result.findings()["invoices"])
    assert set(result.invoices["finding"]) == {"cannot be decided from this evidence"}
    assert "main" in result.next_proof[0] + result.next_proof[1]
    assert "which would read" in str(shown.suspicion(result))
    rows = shown.measurements(result)
    assert rows.loc[rows["not excluded"] == "yes", "measurement"].tolist() == ["main"]
    assert not any(head.startswith("adjusted") for head in rows.columns)


def test_a_wrong_further_measurement_leaves_the_verdict_alone(tmp_path):
    plain = audit(works(tmp_path, 7001), draws=2000)
    (tmp_path / "more").mkdir()
    result = audit(works(tmp_path / "more", 7001, BOTH, "outlet meter", 0.18), draws=2000)
    assert result.evidence.network.named == "outlet meter"
    assert result.invoices["finding"].tolist() == plain.invoices["finding"].tolist()
    assert "cannot be judged" not in str(story.conclusions(result))
    flag = next(flag for flag in result.flags if flag.code == "further-balances-open")
    assert flag.severity == "note"


def test_an_error_that_changes_every_month_is_told_and_stops_nothing(tmp_path):
    """Sums and single invoices close, only their course does not: no meter is named for that."""
    result = audit(works(tmp_path, 7002, BOTH, "", 0.0, 0.01), draws=2000)
    found = result.evidence.network
    assert found.p_value < 0.001 and found.total_p_value > 0.1
    assert not found.agree and found.possible == () and not result.evidence.open
    flag = next(flag for flag in result.flags if flag.code == "further-balances-open")
    assert flag.severity == "note" and "'each reading'" in flag.message
    assert "widest gap" in flag.message and "none lies beyond" in flag.message


def test_the_joined_volume_of_the_site_is_as_before(tmp_path):
    """Further measurements test the two estimates; they take no part in them."""
    plain = audit(works(tmp_path, 7001), draws=2000).evidence
    (tmp_path / "more").mkdir()
    more = audit(works(tmp_path / "more", 7001, BOTH), draws=2000).evidence
    assert np.array_equal(plain.audited, more.audited)
    assert np.array_equal(plain.basis, more.basis)


# --- a use known in two ways, and what a case may not say ----------------------------------------

TWICE = """
[[use]]
name = "tower"
kind = "cooling tower"
file = "makeup.csv"
unit = "gal"
error = { standard = "1 %", source = "stated" }
drain = { file = "blowdown.csv", unit = "gal", error = { standard = "1 %", source = "stated" } }

[[further_measurement]]
name = "tower by conductivity"
kind = "cooling tower"
same_meter_as = "tower"
conductivity = { value = "1200 uS/cm", standard = "12 uS/cm" }
conductivity_of_feed = { value = "300 uS/cm", standard = "3 uS/cm" }
"""
TWO_WAYS = balance("tower known twice", "tower", "tower by conductivity")


def tower(folder, blowdown: float):
    """UFC 3-240-13FN ch. 4: at 4 cycles a quarter of the makeup is blown down."""
    case = meter("intake", "main", 0.01) + TWICE + TWO_WAYS
    volumes = {"main": np.array([6000.0]), "makeup": np.array([800.0])}
    return site(folder, case, volumes | {"blowdown": np.array([blowdown])})


def test_a_tower_by_two_meters_and_by_conductivity(tmp_path):
    """The makeup meter stands on both sides; its error cancels but for the blowdown."""
    case = tower(tmp_path, 200.0)
    found = gather(case, read_inputs(case), Draws(4000, 1)).network
    assert found.agree and set(found.streams) == {"tower", "tower by conductivity"}
    # imbalance = makeup (1 - 1/4) - (makeup - blowdown): u of makeup / 4, of blowdown and of the
    # cycles, sqrt(2) 1 % of 200 kgal, and three per mille of each month for what no cause tells
    u = 6 * 200 * 0.01 * np.sqrt(1 + 1 + 2)
    floor = np.sqrt(6) * 0.003 * 600 * np.sqrt(2)
    spread = abs(found.imbalance[0]) / found.balance_z[0]
    assert in_kgal(spread) == pytest.approx(np.hypot(u, floor), rel=0.04)


def test_a_blowdown_meter_that_sticks_is_among_the_suspects(tmp_path):
    case = tower(tmp_path, 120.0)
    found = gather(case, read_inputs(case), Draws(4000, 1)).network
    assert not found.agree
    error = {each.name: each.error for each in found.suspects}
    assert error["tower: drain"] == pytest.approx(-0.4, abs=0.03)
    assert {"tower: drain", "tower by conductivity"} <= set(found.possible)
    assert error["tower"] > 0.4  # the makeup moves both ways of knowing it: only a quarter shows


@pytest.mark.parametrize(
    ("case", "words"),
    [
        (balance("b", "main", "nowhere"), "which nothing measures. Known are main"),
        (balance("b", "main", "effluent"), "which nothing measures"),
        (balance("b", "main", "main"), "names 'main' twice"),
        ('\n[[further_balance]]\nname = "b"\ninto = ["main"]\nout = []\n', "nothing on one side"),
        (meter("further_measurement", "sub", 0.01), "stands in no further balance"),
        (meter("further_measurement", "effluent", 0.01) + balance("b", "main", "effluent"),
         "is the record in the sewer"),
        (meter("further_measurement", "main", 0.01) + balance("b", "main", "main"), "twice"),
        (meter("further_measurement", "sub", 0.01).replace("sub.csv", "main.csv")
         + balance("b", "main", "sub"), "(?i)the same reads twice test nothing"),
        (2 * balance("b", "main", "sub") + meter("further_measurement", "sub", 0.01),
         "two further balances are named"),
        (TWICE.replace('same_meter_as = "tower"', 'same_meter_as = "pond"') + TWO_WAYS,
         "the meter of 'pond', which has none"),
        (TWICE.replace('same_meter_as = ', 'file = "main.csv"\nunit = "gal"\nsame_meter_as = ')
         + TWO_WAYS, "file or error beside same_meter_as"),
        ('\n[[further_measurement]]\nname = "sub"\nsame_meter_as = "main"\n'
         + balance("b", "main", "sub"), "(?i)the same reads twice test nothing"),
        (meter("further_measurement", "sub", 0.01) + "area = \"1 m2\"\n"
         + balance("b", "main", "sub"), "needs by meter of its own"),
    ],
)  # fmt: skip
def test_what_is_refused(tmp_path, case, words):
    volumes = dict.fromkeys(("main", "sub", "effluent", "makeup", "blowdown"), np.array([100.0]))
    with pytest.raises(InputRefused, match=words) as refused:
        site(tmp_path, meter("intake", "main", 0.01) + case, volumes)
    stated = "further_balance" in case
    assert all(problem.line for problem in refused.value.problems) or not stated


def test_invoices_without_every_stream_are_left_out_and_told(tmp_path):
    case = works(tmp_path, 7001, BOTH)
    lines = (tmp_path / "outlet_meter.csv").read_text().splitlines()
    (tmp_path / "outlet_meter.csv").write_text("\n".join(lines[:8]) + "\n")
    evidence = gather(case, read_inputs(case), Draws(800, 1))
    assert evidence.network.counted.tolist() == [True] * 3 + [False] * 3
    told = {flag.code: flag for flag in evidence.flags}
    assert "K3, K4, K5" in told["further-balances-left-out"].message
    assert np.isnan(evidence.network.by_invoice[:, 3:]).all()
    assert not [f for f in evidence.flags if f.severity == "stops verdict"]


def test_reads_that_reach_no_common_invoice_test_nothing(tmp_path):
    case = works(tmp_path, 7001, BOTH)
    for name, kept in (("outlet_meter", slice(0, 4)), ("process", slice(10, 14))):
        lines = (tmp_path / f"{name}.csv").read_text().splitlines()
        rows = [lines[0], *lines[1:][kept]]
        (tmp_path / f"{name}.csv").write_text("\n".join(rows) + "\n")
    evidence = gather(case, read_inputs(case), Draws(800, 1))
    assert evidence.network is None
    told = {flag.code: flag for flag in evidence.flags}
    assert "test nothing" in told["further-balances-left-out"].message
    assert "single-balance" in told


def test_the_two_estimates_alone_are_the_same_problem():
    """Of a site with one balance of two streams the general form gives what the pair gives."""
    random = np.random.default_rng(5)
    effluent = 1000 * (1 + 0.02 * random.standard_normal((5000, 1)) + np.zeros(4))
    expected = 1010 * (1 + 0.01 * random.standard_normal((5000, 1)) + np.zeros(4))
    pair = reconcile(effluent, expected)
    both = reconcile_network({"in": expected, "out": effluent}, {"site": {"in": 1, "out": -1}})
    assert both.chi_square == pytest.approx(pair.chi_square, rel=1e-6)
    assert both.agree == pair.agree
    assert both.by_invoice[0] == pytest.approx(pair.mean, rel=1e-4)
    assert np.sqrt(both.total_chi_square) == pytest.approx(abs(pair.total_z), rel=1e-6)
    assert both.adjusted_standard[0] ** 2 == pytest.approx(pair.covariance.sum(), rel=1e-2)


def test_streams_that_do_not_fit_are_refused():
    some = {"a": np.ones((50, 2)), "b": np.ones((50, 2))}
    with pytest.raises(AuditError, match="balances of c"):
        reconcile_network(some, {"x": {"a": 1, "c": -1}})
    with pytest.raises(AuditError, match="no invoice has a volume of every stream"):
        reconcile_network(some | {"b": np.full((50, 2), np.nan)}, {"x": {"a": 1, "b": -1}})
    with pytest.raises(AuditError, match="need more draws"):
        reconcile_network({n: e[:4] for n, e in some.items()}, {"x": {"a": 1, "b": -1}})


@pytest.mark.parametrize("given", [True, False])
def test_a_meter_that_reads_nothing_is_not_excluded(given):
    """100 in, nothing out: the second meter has stopped, for less than nothing cannot come in."""
    errors = np.random.default_rng(5).normal(size=(2, 2000, 3))
    streams = {"main": 100 * (1 + 0.01 * errors[0]), "line": 0.0 * errors[1]}
    mean = {name: each.mean(axis=0) for name, each in streams.items()}
    effects = {"main": {"main": mean["main"]}, "line": {}} if given else None
    found = reconcile_network(streams, {"line": {"main": 1, "line": -1}}, effects)
    assert not found.agree and "line" in found.possible
    assert {each.name: round(each.error, 3) for each in found.suspects}["line"] == -1.0
