"""What a plan predicts against what the audit states on records simulated afterwards."""

from __future__ import annotations

import numpy as np
import pytest

import planning_world as world
from sewer_audit import audit, load_case
from sewer_audit.hydraulics import build_device
from sewer_audit.planning.expected import flow_between
from sewer_audit.planning.precision import MONTH, Schedule, expected_precision
from sewer_audit.planning.site import PipeSite
from sewer_audit.planning.visits import longest_between_visits, visit_table
from sewer_audit.uncertainty import Cause, Visit, ZeroModel, condition_zero

VISITS = 60.0
SITE = PipeSite(diameter=0.3, slope=0.005, roughness=0.013)
METHODS = {
    "parshall flume": {"throat": "6 in"},
    "v-notch weir": {"angle": "90 deg"},
    "area velocity": {"diameter": "300 mm"},
    "full pipe meter": {},
}


def simulated_case(folder, method: str, seed: int) -> tuple[object, np.ndarray]:
    """A year of record with an instrument that errs as the defaults say, and its case."""
    rng = np.random.default_rng(seed)
    flow = world.flows(rng, 0.002, 0.008)
    error = world.zero_path(rng, len(flow), 0.0015, 0.001)
    noise = rng.normal(0, 0.001, len(flow))
    device = "\n".join(
        [f'method = "{method}"', *(f'{k} = "{v}"' for k, v in METHODS[method].items())]
    )
    times = world.stamps(len(flow))
    visits = ""
    if method == "full pipe meter":
        head, columns = None, 'flow = { name = "flow", unit = "L/s" }'
        world.write_csv(folder / "log.csv", ["time", "flow"], [times, np.round(1000 * flow, 4)])
    else:
        if method == "area velocity":
            head = world.pipe_depth(flow, 0.3, 0.005, 0.013)
            columns = (
                'depth = { name = "level", unit = "mm" }\n'
                'velocity = { name = "speed", unit = "m/s" }'
            )
            speed = flow / world.pipe_area(head, 0.3)
            extra = [np.round(speed, 5)]
        else:
            head = (world.parshall_head if "flume" in method else world.v_notch_head)(flow)
            columns, extra = 'head = { name = "level", unit = "mm" }', []
        read = np.round(1000 * (head + error + noise), 3)
        names = ["time", "level", *(["speed"] if extra else [])]
        world.write_csv(folder / "log.csv", names, [times, read, *extra])
        visits = world.visit_text(head, error, rng, VISITS)
    total = flow[:-1].sum() * world.STEP
    world.invoices(folder / "invoices.csv", [total / 12] * 12)
    rules = build_device(method, METHODS[method]).notes.rules  # a plan of an element presumes them
    rules = rules if method.endswith(("flume", "weir")) else ()
    met = "\n".join(["[effluent.checklist]", *(f'"{rule.subject}" = "yes"' for rule in rules), ""])
    text = world.HEAD + world.EFFLUENT.format(device=device, columns=columns) + met + visits
    (folder / "case.toml").write_text(text)
    return load_case(folder), flow


@pytest.mark.parametrize("method", METHODS)
def test_the_plan_predicts_what_the_audit_states(tmp_path, method):
    """Within 15 %, for a month and for the year, with another shape of day than the plan took."""
    case, flow = simulated_case(tmp_path, method, seed=5)
    result = audit(case, draws=4000, seed=2)
    stated_year = result.total["effluent_standard_uncertainty"] / result.total["effluent_mean"]
    table = result.invoices
    monthly = table["effluent_standard_uncertainty"] / table["effluent_mean"]
    planned = flow_between(
        float(np.quantile(flow, 0.01)), float(flow.mean()), float(np.quantile(flow, 0.999))
    )
    schedule = Schedule(interval=900.0, visit_every=VISITS * 86_400)
    device = build_device(method, METHODS[method])
    found = expected_precision(device, planned, SITE, schedule)
    assert found.total() == pytest.approx(stated_year, rel=0.15)
    assert found.month == pytest.approx(float(np.sqrt(np.mean(monthly**2))), rel=0.15)
    truth = flow[:-1].sum() * world.STEP
    assert abs(result.total["effluent_mean"] / truth - 1) < 4 * stated_year


def test_a_full_pipe_meter_is_as_uncertain_as_its_stated_error():
    """5 % rectangular half width is 5 / sqrt(3) % standard, in a month as in a year."""
    flow = flow_between(0.002, 0.008, 0.03)
    found = expected_precision(build_device("full pipe meter", {}), flow, SITE, Schedule())
    assert found.month == pytest.approx(0.05 / np.sqrt(3), rel=1e-3)
    assert found.total() == pytest.approx(0.05 / np.sqrt(3), rel=1e-3)
    assert found.shares["cause"].iloc[0] == "meter error"


def test_a_coefficient_alone_gives_its_own_uncertainty_whatever_the_length():
    flow = flow_between(0.002, 0.008, 0.03)
    still = [
        Cause(name, 0.0, unit="m", persistence="between visits")
        for name in ("zero error", "zero drift", "gauge datum")
    ]
    still.append(Cause("head noise", 0.0, unit="m", persistence="each reading"))
    device = build_device("parshall flume", {"throat": "6 in"})
    schedule = Schedule(interval=900.0, hand_standard=1e-6)
    found = expected_precision(device, flow, SITE, schedule, 12, still)
    # 3 % half width, rectangular (Bos 1989, from memory); re-zeroing itself errs by 0.5 mm
    assert found.total() >= 0.03 / np.sqrt(3)
    assert found.total() == pytest.approx(0.03 / np.sqrt(3), rel=0.02)


def test_more_visits_never_make_it_worse_and_drift_is_what_they_take_away():
    flow = flow_between(0.002, 0.008, 0.03)
    device = build_device("parshall flume", {"throat": "6 in"})
    table = visit_table(device, flow, SITE, Schedule(), 12, (), (7, 30, 90))
    assert list(table["visits"]) == [53, 13, 5]
    for name in ("month", "total", "drift_share_month", "drift_share_total"):
        assert table[name].is_monotonic_increasing, name
    assert longest_between_visits(table, 1.0) == 90
    assert longest_between_visits(table, 0.0) is None
    share = float(table["drift_share_month"].iloc[1])
    assert longest_between_visits(table, share + 1e-9) == 30
    assert visit_table(build_device("full pipe meter", {}), flow, SITE, Schedule()).empty


def test_without_drift_the_share_is_zero():
    flow = flow_between(0.002, 0.008, 0.03)
    device = build_device("parshall flume", {"throat": "6 in"})
    none = [Cause("zero drift", 0.0, unit="m", persistence="between visits")]
    table = visit_table(device, flow, SITE, Schedule(), 12, none, (30, 90))
    assert (table["drift_share_month"] == 0).all()


def test_the_zero_of_a_month_far_from_visits_grows_as_a_random_walk():
    """Variance of a walk of 1 mm in 30 days after 30 days is 1 mm2 (common practice, no source)."""
    model = ZeroModel(0.0, drift_standard=0.001)
    found = condition_zero([Visit(0.0, 0.0, 1e-9, True)], 0.0, 30 * 86_400.0, model)
    assert found.covariance[-1, -1] == pytest.approx(1e-6, rel=1e-3)
    assert Schedule(visit_every=10 * 86_400.0).visits(1)[-1].time < MONTH
