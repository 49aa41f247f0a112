"""One gate decides which estimates carry a verdict; a code that says it stops does stop."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from looked_at import looked_at
from sewer_audit import audit, load_case
from sewer_audit.auditing.inspecting import inspect_file
from sewer_audit.auditing.judgement.verdict import PAST, _as_far_as_tested, basis_answer
from sewer_audit.auditing.reading.inputs import Inputs
from sewer_audit.auditing.volumes.gate import ESTIMATES, gate_of
from sewer_audit.errors import Flag, Severity, codes
from sewer_audit.explanations import CATALOGUE
from sewer_audit.uncertainty import SUPPORTED, TOO_HIGH, TOO_LOW, judge

UNDECIDED = "cannot be decided from this evidence"
STOPPING = sorted(code for code, kind in codes().items() if kind.severity is Severity.STOPS)
HAVE = {"effluent": np.ones(3, bool), "balance": np.ones(3, bool)}

SITE = """
[case]
title = "A bottling line"
time_zone = "UTC"
basis = "discharge"
[invoices]
file = "bills.csv"
volume_unit = "m3"
end_day_counts = false
[effluent]
file = "log.csv"
method = "full pipe meter"
accuracy = "1 %"
columns = { time = "time", flow = { name = "q", unit = "L/s" } }
"""
READS = """
[[intake]]
meter = "main"
file = "main.csv"
unit = "m3"
error = { expanded = "2 %", coverage_factor = 2, source = "certificate" }
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Two months at about 2 L/s, billed three quarters too high; the meter agrees."""
    place = tmp_path_factory.mktemp("gate")
    time = pd.date_range("2025-12-31", "2026-03-02", freq="15min")
    flow = 2 + 0.5 * np.sin(np.arange(len(time)) / 15)
    rows = [f"{t:%Y-%m-%d %H:%M},{q:.3f}" for t, q in zip(time, flow, strict=True)]
    (place / "log.csv").write_text("\n".join(["time,q", *rows]) + "\n")
    (place / "bills.csv").write_text(
        "invoice,start,end,billed_volume,total\nA,2026-01-01,2026-02-01,9400,1\n"
        "B,2026-02-01,2026-03-01,8500,1\n"
    )
    reads = [f"{day:%Y-%m-%d},{round(172.8 * n)}" for n, day in enumerate(time[::96])]
    (place / "main.csv").write_text("\n".join(["time,register", *reads]) + "\n")
    (place / "case.toml").write_text(SITE + READS)
    (place / "alone.toml").write_text(SITE)
    return place


@pytest.mark.parametrize("code", STOPPING)
def test_every_code_that_stops_names_what_it_stops_and_stops_it(code):
    assert codes()[code].stops and set(codes()[code].stops) <= set(ESTIMATES)
    for data, places in (({}, [0, 1, 2]), ({"invoice": "B"}, [1]), ({"periods": [2]}, [2])):
        gate = gate_of([Flag(code, "x", data)], ["A", "B", "C"], HAVE)
        for estimate in ESTIMATES:
            stopped = places if estimate in codes()[code].stops else []
            assert np.flatnonzero(~gate.carries[estimate]).tolist() == stopped
            assert [p for p in range(3) if gate.codes(estimate, p) == (code,)] == stopped


@pytest.mark.parametrize("code", STOPPING)
def test_no_verdict_rests_on_what_a_code_stops(folder, monkeypatch, code):
    """The same site with and without the flag: decided, then not, unless the balance carries it."""
    before = audit(load_case(folder / "alone.toml"), draws=400)
    assert set(before.invoices["finding"]) == {"billed volume too high"}
    own = Inputs.flags.fget
    monkeypatch.setattr(Inputs, "flags", property(lambda self: [*own(self), Flag(code, "x")]))
    alone = audit(load_case(folder / "alone.toml"), draws=400)
    both = audit(load_case(folder), draws=400)
    stops = set(codes()[code].stops)
    left = {"effluent"} - stops if "bill" not in stops else set()
    assert (set(alone.invoices["finding"]) == {UNDECIDED}) == (not left)
    assert alone.invoices["probability_overbilled"].isna().all() == (not left)
    assert (alone.total["finding"] == UNDECIDED) == (not left)
    joint = {"effluent", "balance"} - stops if "bill" not in stops else set()
    assert (set(both.invoices["finding"]) == {UNDECIDED}) == (not joint)


def test_one_invoice_stopped_leaves_the_others_their_verdict(folder, monkeypatch):
    flag = Flag("coverage-below-the-rule", "x", {"invoice": "A"})
    own = Inputs.flags.fget
    monkeypatch.setattr(Inputs, "flags", property(lambda self: [*own(self), flag]))
    alone = audit(load_case(folder / "alone.toml"), draws=400)
    assert alone.invoices["finding"].tolist() == [UNDECIDED, "billed volume too high"]
    assert alone.total["finding"] == UNDECIDED
    both = audit(load_case(folder), draws=400)
    assert set(both.invoices["finding"]) == {"billed volume too high"}
    weight = both.evidence.reconciliation.weight_of_effluent
    assert weight[0] == 0 and 0 < weight[1] < 1


def test_inspect_tells_what_stops_the_verdict_before_anything_is_computed(folder, tmp_path):
    for name in ("bills.csv", "log.csv"):
        (tmp_path / name).write_text((folder / name).read_text())
    (tmp_path / "case.toml").write_text(SITE)
    assert "stops verdict" not in str(inspect_file(tmp_path))
    lines = (tmp_path / "log.csv").read_text().splitlines()
    (tmp_path / "log.csv").write_text("\n".join([*lines[:900], *lines[2400:]]) + "\n")
    told = str(inspect_file(tmp_path))
    assert "stops verdict: Invoice A: accepted readings cover 49" in told
    assert "stops verdict" in told and "invoice B" not in told


def test_what_is_no_measurement_shows_no_figure_and_what_is_short_keeps_it(folder, monkeypatch):
    own = Inputs.flags.fget
    for code, there in (("dry-or-dead", False), ("coverage-below-the-rule", True)):
        flag = Flag(code, "x", {"invoice": "A"})
        monkeypatch.setattr(Inputs, "flags", property(lambda self, f=flag: [*own(self), f]))
        found = audit(load_case(folder / "alone.toml"), draws=400)
        assert found.invoices["effluent_mean"].notna().tolist() == [there, True]
        assert found.findings()["invoices"][1]["effluent_m3"] is not None


BOUND = """
[case]
title = "A dye house"
time_zone = "UTC"
basis = "intake"
return_factor = 0.8
[invoices]
file = "bills.csv"
volume_unit = "m3"
end_day_counts = false
"""


def test_a_balance_without_losses_finds_no_bill_too_low(folder, tmp_path):
    """The schedule allows for a fifth that never arrives; nobody has stated what that is."""
    for name in ("main.csv", "bills.csv"):
        text = (folder / name).read_text()
        (tmp_path / name).write_text(text.replace("9400", "4285").replace("8500", "3871"))
    (tmp_path / "case.toml").write_text(BOUND + READS)
    result = audit(load_case(tmp_path / "case.toml"), draws=500)
    assert set(result.invoices["finding"]) == {UNDECIDED}
    assert "uses-not-stated" in {flag.code for flag in result.flags}
    assert result.basis == {"answered": False}
    lost = '[[use]]\nname = "steam"\nkind = "per day"\n'
    lost += 'per_day = { value = "1 m3/day", standard = "0.1 m3/day" }\n'
    (tmp_path / "case.toml").write_text(BOUND + READS + lost)
    result = audit(load_case(tmp_path / "case.toml"), draws=500)
    assert "billed volume too low" in set(result.invoices["finding"])


def test_where_nothing_carries_a_verdict_nothing_is_called_right(folder, tmp_path):
    """A record above its published limit, alone: no row says that nothing is wrong."""
    log = "\n".join(f"2026-01-{d:02d} {h:02d}:00,700" for d in range(1, 32) for h in range(24))
    (tmp_path / "log.csv").write_text("time,head\n" + log + "\n")
    (tmp_path / "bills.csv").write_text(
        "invoice,start,end,billed_volume,total\nA,2026-01-02,2026-01-30,6400,1\n"
    )
    case = SITE[: SITE.index("method")] + 'method = "parshall flume"\nthroat = "6 in"\n'
    case += 'columns = { time = "time", head = { name = "head", unit = "mm" } }\n'
    (tmp_path / "case.toml").write_text(case + 'longest_bridge = "2 h"\n')
    result = audit(load_case(tmp_path / "case.toml"), draws=500)
    assert set(result.invoices["finding"]) == {UNDECIDED} and result.explanations.empty


@pytest.mark.parametrize("less", [1.0, 1.3])  # nothing is left, or less than nothing
def test_a_share_that_reaches_below_nothing_answers_no_question_of_the_basis(less):
    result = looked_at(draws=300)
    assert basis_answer(result.case, result.evidence, result.pricing)["answered"]

    class Wrong:
        audited = result.evidence.audited - less * result.evidence.audited.mean(axis=0)

        def __getattr__(self, name):
            return getattr(result.evidence, name)

    assert not basis_answer(result.case, Wrong(), result.pricing)["answered"]


@pytest.mark.parametrize("spread, kept", [(0.02, True), (0.1, True), (0.3, False)])
@pytest.mark.parametrize(
    "billed, said", [(1000, SUPPORTED), (1130, TOO_HIGH), (880, TOO_LOW), (2000, TOO_HIGH)]
)
def test_beside_a_record_that_knows_next_to_nothing_the_balance_stands_alone(
    spread, kept, billed, said
):
    """A household's drain joins unmetered and the bill that counts it is right: a record that may
    be wrong by a third tests no balance, however many draws are taken; a doubled bill stays."""
    random = np.random.default_rng(5)
    balance = 1000 * (1 + 0.008 * random.normal(size=(4000, 1)))
    evidence = SimpleNamespace(
        effluent=SimpleNamespace(volumes=1000 * (1 + spread * random.normal(size=(4000, 1)))),
        balance=SimpleNamespace(draws=balance),
        gate=SimpleNamespace(carries={"effluent": np.ones(1, bool), "balance": np.ones(1, bool)}),
    )
    data = {"rule": SimpleNamespace(tolerance=0.05), "case": SimpleNamespace(basis="discharge")}
    case = SimpleNamespace(data=SimpleNamespace(**data))
    bill = np.array([float(billed)])
    sides = [judge(share * balance, bill) for share in (1 + PAST, 1 / (1 + PAST))]
    found = _as_far_as_tested(case, judge(balance, bill), [[0]], evidence, False, sides)
    stands = kept or billed == 2000
    assert (found.invoices[0].finding == said) is stands
    assert (found.total.finding == said) is stands


def test_what_one_estimate_would_not_see_is_the_largest_source_on_the_list():
    source = next(each for each in CATALOGUE if each.name.startswith("unmetered source"))
    assert source.parameter.high == PAST
