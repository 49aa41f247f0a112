"""The check of invoices in tables and words: one invoice by hand, all of them against the truth."""

from __future__ import annotations

from decimal import Decimal

import pandas as pd
import pytest

from looked_at import looked_at
from make_samples import truth
from sewer_audit import sample_case
from sewer_audit.auditing.invoices.signatures import corrected_volumes
from sewer_audit.charges import rates_of
from sewer_audit.charges.schedule.loading import parse_rates
from sewer_audit.errors import AuditError
from sewer_audit.report.evidence import invoice_words as words
from sewer_audit.report.evidence import invoices as steps
from sewer_audit.report.folder.running import run_notebook
from sewer_audit.units import from_si

D = Decimal


@pytest.fixture(scope="module")
def result():
    return looked_at(draws=300)


@pytest.fixture(scope="module")
def hotel():
    return looked_at("manning", draws=300)


def test_the_invoice_that_differs_most_is_chosen(result):
    assert steps.chosen_invoice(result) == "K2506"
    assert steps.chosen_invoice(result, "K2509") == "K2509"
    with pytest.raises(AuditError, match="no invoice 'K9'; the case has K2504"):
        steps.chosen_invoice(result, "K9")


def test_the_steps_of_a_volume_can_be_followed_by_hand(result):
    table = steps.volume_steps(result, "K2506").set_index("step")["figure"]
    counts = table["current read, as printed"] - table["previous read, as printed"]
    assert counts * D("0.1") == table["metered: intake"]  # one count is 100 gal
    net = table["metered: intake"] - table["metered: deduct"]
    assert round(net * D("0.9"), 1) == table["should have been charged"]
    assert str(table["should have been charged"]) == truth().right_volumes["K2506"]
    assert table["billed over due"] == D("1.33681")


RUN = {"K2601", "K2602"}  # an estimate and the actual read that made it good


def test_products_add_up_to_the_right_total(result):
    for name, total in truth().right_totals.items():
        if name in RUN:
            continue  # priced as billed: the true-up settled the estimate
        table = steps.terms_table(result, name)
        lines = table.groupby("line", sort=False)["product [USD]"].sum()
        assert sum(round(float(x), 2) for x in lines) == pytest.approx(float(total), abs=0.011)


def test_two_recomputations_part_volume_from_rates(result):
    table = steps.line_steps(result, "K2512").set_index("line")
    assert table.loc["total", "rates [USD]"] == pytest.approx(3392.68)
    assert table.loc["total", "volume [USD]"] == 0
    table = steps.line_steps(result, "K2506").set_index("line")
    assert table.loc["total", "rates [USD]"] == 0
    assert table.loc["total", "volume [USD]"] == pytest.approx(21016.15)


def test_each_origin_is_that_of_the_planted_fault(result):
    """The truth is that of the maker of the sample; the toolkit never sees it."""
    parts = steps.origins(result)
    kinds = {
        "invoice arithmetic": "sum of the lines",
        "wrong rate version": "rates and lines",
    }
    for name, row in parts.iterrows():
        fault = truth().faults.get(name)
        found = row.index[row.abs() > 0.005].tolist()
        if name == "K2601":
            assert not found, "what the run of estimates cost stands on its true-up"
            continue
        assert found == ([] if fault is None else [kinds.get(fault, "volume")]), name


CODES = {
    "invoice arithmetic": "invoice-arithmetic",
    "unit swap": "unit-swap",
    "deduct credit missing": "deduct-missing",
    "wrong rate version": "wrong-rate-version",
    "estimated read": "estimated-read",
    "true-up of an estimate": "estimated-read",
}


def test_each_planted_fault_is_named_as_what_it_is(result):
    """Named once, exactly, without a look-alike, and corrected to the town's own right totals."""
    named = [(n, row) for row in result.signatures.itertuples() for n in row.invoices]
    assert {name: row.code for name, row in named} == {
        name: CODES[fault] for name, fault in truth().faults.items()
    }
    for _, row in named:
        right = sum(D(truth().right_totals[name]) for name in row.invoices)
        settled = set(row.invoices) == RUN  # its volumes are brought to the sum between two reads
        assert row.corrected_total == pytest.approx(float(right), abs=1 if settled else 0.005)
        exactness = "within interval" if settled else "exact"
        assert (row.exactness, row.look_alikes) == (exactness, [])
        assert set(row.evidence) == set(row.invoices) and row.evidence_needed


def test_corrected_volumes_are_the_right_ones(result):
    billed = result.invoices["billed_m3"].to_numpy()
    found = corrected_volumes(result.signatures, result.pricing, billed, "kgal")
    right = [float(truth().right_volumes[name]) for name in result.invoices["invoice"]]
    found = from_si(found, "kgal", "volume")
    run = [k for k, name in enumerate(result.invoices["invoice"]) if name in RUN]
    assert found[run].sum() == pytest.approx(sum(right[k] for k in run), abs=0.2)
    for k in set(range(len(right))) - set(run):
        assert found[k] == pytest.approx(right[k], rel=1e-9)


def test_differences_are_named_and_summed(result):
    table = steps.difference_table(result)
    assert set(table["invoice"]) == {*truth().faults, "sum"} - {"K2601"}
    assert "not named" not in table["named"].tolist()
    shown = table.set_index("invoice")["together [USD]"]
    assert shown["sum"] == pytest.approx(shown.drop("sum").sum())


def test_a_change_of_rates_shows_both_editions(result):
    table = steps.rates_table(result, "K2601")
    assert table["edition"].unique().tolist() == ["leaflet 2024", "leaflet 2026"]
    assert table.groupby("edition")["days of this invoice"].first().sum() == 33


def test_words_of_a_case_with_and_without_differences(result, hotel):
    text = words.summary(result).plain
    assert "6 of 12 invoices differ" in text, "a true-up follows the printed reads and rates"
    assert "K2601 and K2602: estimates made good at another price: USD 630.26" in text
    assert "every one follows" in words.summary(hotel).plain
    assert "No amount is in question" in words.claim_sentence(hotel).plain
    assert "tell them apart" in words.look_alikes(hotel).plain
    assert steps.difference_table(hotel).empty


def test_look_alikes_are_told_with_what_would_separate_them(result):
    table = pd.DataFrame(
        [
            {
                "invoices": ["A1", "A2"],
                "code": "unit-swap",
                "look_alikes": ["return-factor-missing"],
                "evidence_needed": "the unit on the register's face",
            }
        ]
    )

    class Other:
        case, signatures = result.case, table

    text = words.look_alikes(Other()).plain
    assert text.startswith("- A1, A2: unit swap, or return factor missing.")
    assert "the unit on the register's face" in text


CHARGES = [
    (
        'kind = "fixed"\nby_meter_size = { "2 in" = 96.15, "3 in" = 188.2 }\nper = "month"\n'
        'proration = "standard days"\nstandard_days = 30',
        "by meter size (2 in USD 96.15; 3 in USD 188.20) per month, by days of a month of 30",
    ),
    (
        'kind = "fixed"\namount = 4\ncount = "impervious area"\ncount_per = 1000',
        "USD 4.00 per bill for each 1000 impervious area",
    ),
    (
        'kind = "volume"\nblocks = [{ to = 100, rate = 3.1 }, { rate = 2.755 }]\nallowance = 5',
        "per kgal, in blocks per bill: USD 3.10 up to 100, USD 2.755 above, 5 free per bill",
    ),
    ('kind = "percent"\nrate = "4.5 %"\nof = "all"', "4.5 % of every line above"),
    (
        'kind = "percent"\nrate = "-100 %"\nof = ["first"]\ncount = "pans"\nagainst = ["first"]',
        "-100 % of first, times pans, at most what first comes to",
    ),
    (
        'kind = "minimum"\namount = 20\nof = ["first"]',
        "what first falls short of USD 20.00 per bill",
    ),
    (
        'kind = "strength"\nparameter = "BOD"\nthreshold = 250\nrate = 0.3\nrate_per = "lb"\n'
        'load = { constant = 8.34, volume = "MG", mass = "lb" }',
        "USD 0.30 per lb of BOD above 250 mg/L, 8.34 lb in a MG of 1 mg/L",
    ),
    (
        'kind = "strength bands"\nparameter = "COD"\nthreshold = 600\nunit = "m3"\nband = 200\n'
        "rate = 0.17",
        "USD 0.17 per m3 for each 200 mg/L of COD, or part, above 600 mg/L",
    ),
    (
        'kind = "strength share"\nparameter = "TKN"\nthreshold = 60\nof = ["first"]',
        "first times (TKN less 60 mg/L) / 60 mg/L, if above zero",
    ),
    (
        'kind = "trade effluent"\nunit = "m3"\nconveyance = 0.3093\ntreatment = 0.3488\n'
        "biological = 0.2308\nsolids = 0.2693\nstandard_oxygen_demand = 260\n"
        "standard_solids = 240",
        "per m3: USD 0.6581 + 0.2308 COD / 260 + 0.2693 TSS / 240",
    ),
]


@pytest.mark.parametrize("keys, text", CHARGES)
def test_every_kind_of_charge_is_told_in_words(keys, text):
    schedule = parse_rates(
        '[schedule]\nname = "x"\ncurrency = "USD"\nrate_change = "by end"\nend_day_counts = false\n'
        "line_rounding = { to = 0.01 }\ntotal_rounding = { to = 0.01 }\n"
        '[[version]]\neffective = 2020-01-01\n[[version.volume]]\nname = "sewer"\nunit = "kgal"\n'
        'basis = "intake"\n[[version.charge]]\nname = "first"\nkind = "fixed"\namount = 1\n'
        f'[[version.charge]]\nname = "second"\n{keys}\n'
    )
    version = schedule.version[0]
    assert rates_of(version.charge[1], version, "USD") == text


@pytest.mark.slow
@pytest.mark.parametrize("name", ["manning", "area_velocity"])
def test_the_notebook_runs_on_any_case(name):
    from sewer_audit.report import notebook_file

    case = str(sample_case(name))
    done = run_notebook(notebook_file("invoice_check"), {"case": case, "draws": 300}, False)
    assert all(cell.get("execution_count") for cell in done.cells if cell.cell_type == "code")
