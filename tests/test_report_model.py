"""The printed equations are those that were used: the same air, and no term without a figure."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest

from looked_at import looked_at
from sewer_audit.hydraulics import speed_of_sound
from sewer_audit.report.frames import visits
from sewer_audit.report.model import SOUND, equations
from sewer_audit.uncertainty import Step

ECHO, WALK = "c\\,t_e/2", "s_d"


@pytest.fixture(scope="module")
def creamery():
    return looked_at(draws=300)


def printed(result) -> str:
    return "\n".join(part.markup for part in equations(result))


def with_table(result, **changes):
    """The same result as if the record's table had said something else."""
    data = result.case.data
    table = data.effluent.model_copy(update=changes)
    case = dataclasses.replace(result.case, data=data.model_copy(update={"effluent": table}))
    return dataclasses.replace(result, case=case)


def test_the_printed_speed_of_sound_is_the_one_that_is_computed():
    """By the figures of the printed formula alone, from cold and dry to warm and saturated."""
    formula = SOUND[SOUND.index("$$") : SOUND.rindex("$$")]
    figures = [float(each) for each in re.findall(r"\d+\.\d+|\d{4,}", formula)]
    c0, t0, gamma0, dry, half, dry_again, wet, pressure, e0, a, b = figures
    assert dry == dry_again
    for celsius in (2.0, 14.0, 31.0):
        for humid in (0.0, 0.4, 1.0):
            x = humid / pressure * e0 * np.exp(a * celsius / (b + celsius))
            heat = half + x / 2
            gamma, mass = heat / (heat - 1), dry * (1 - x) + wet * x
            kelvin = celsius + 273.15
            speed = c0 * np.sqrt(kelvin / t0) * np.sqrt(gamma / gamma0 * dry / mass)
            assert speed == pytest.approx(float(speed_of_sound(kelvin, humid)), rel=1e-12)


@pytest.mark.parametrize(
    ("air", "said", "unsaid"),
    [
        (None, "saturated air, $\\varphi = 1$, is assumed (default", "dry air"),
        (0.4, "The case states $\\varphi = 0.4$", "assumed"),
        (0.0, "speed of sound in dry air, which the case states", "\\varphi"),
    ],
)
def test_the_air_is_the_one_the_record_was_computed_with(creamery, air, said, unsaid):
    text = " ".join(printed(with_table(creamery, air=air)).split())
    assert said in text and unsaid not in text


def test_only_terms_that_the_record_uses_are_printed(creamery):
    text = printed(creamery)
    assert ECHO in text and "(1 + g)" in text and WALK in text
    assert "V_0" not in text and "(1 + m)" not in text and "a_k" not in text
    assert "air at other hours leaves" in text and "zero error and drift" in text
    share = creamery.evidence.effluent.causes.shared["air at other hours"].standard ** 2
    variance = np.diag(creamery.evidence.effluent.zero.offset.covariance).mean()
    assert f"about {100 * share / variance:.0f} % of the variance" in text
    laundry = printed(looked_at("area_velocity", draws=300))
    assert ECHO not in laundry and "speed of sound" not in laundry
    assert "a_k" in laundry and "mean velocity" in laundry
    assert "I_i" in text and "I_i" not in laundry  # no supply reads, no balance


def test_without_a_volume_there_is_no_equation():
    found = looked_at("before_a_logger", draws=300)
    assert printed(found) == "No volume was estimated, so no equation was used."


def test_the_walk_of_the_zero_is_told_as_it_was_taken(creamery):
    def told(**changes):
        evidence = creamery.evidence
        effluent = dataclasses.replace(
            evidence.effluent, zero=dataclasses.replace(evidence.effluent.zero, **changes)
        )
        found = dataclasses.replace(evidence, effluent=effluent)
        return " ".join(printed(dataclasses.replace(creamery, evidence=found)).split())

    usual = told()
    assert "walks at random" in usual and "contradict each other" not in usual
    steady = told(growth="steady")
    assert "all one way" in steady and "walks at random" not in steady and "strays" not in steady
    assert "hand reading is therefore taken as 2.5 times" in told(scaled={"hand reading": 2.5})
    moved = told(steps=(Step(40 * 86400.0, 0.0254, 12 * 86400.0),))
    assert "in 28 days by a step of 1 in" in moved
    assert "without a reading moves it" in told(steps=(Step(40 * 86400.0, 0.0254),))


def test_the_page_shows_what_the_record_did_at_each_visit(creamery):
    """Lowest and highest reading and the one at the visit, from the logger's own file."""
    table, inch = visits(creamery), 0.0254
    series, zero = creamery.evidence.series, creamery.evidence.effluent.zero
    flag = next(each for each in creamery.flags if each.code == "visit-in-moving-water")
    moving = dict(zip(flag.data["visits"], flag.data["moves_m"], strict=True))
    for row, visit in zip(table.to_dict("records"), zero.visits, strict=True):
        near = np.abs(series.time - visit.time) <= 600
        level = series.level[near] / inch
        assert near.sum() == 5  # every five minutes, the visit itself at a reading
        assert row["record at the visit [in]"] == pytest.approx(level[2], abs=1e-9)
        moved = row["record moved within ±10 min by [in]"]
        assert moved == pytest.approx(level.max() - level.min())
        minute = np.sqrt(np.sum(np.diff(level) ** 2) / 20.0)  # of 4 x 5 minutes, over one
        assert row["u of the comparison [in]"] == pytest.approx(np.hypot(0.04, minute))
        assert visit.standard == pytest.approx(inch * row["u of the comparison [in]"])
        assert (visit.label in moving) == (minute > 0.08)
    assert len(moving) == 5
