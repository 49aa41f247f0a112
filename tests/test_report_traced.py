"""What pictures and workbook show is what the findings say: ends of bars, whiskers, marks, cells.

The findings are in m3; the sample shows kgal, so that a figure in the wrong unit stands out.
"""

from __future__ import annotations

import numpy as np
import openpyxl
import pandas as pd
import pytest
from matplotlib.collections import LineCollection
from matplotlib.patches import Rectangle
from pytest import approx

from looked_at import looked_at
from sewer_audit.charts import EVIDENCE
from sewer_audit.charts.flow import zero_path_picture
from sewer_audit.report.pictures import PICTURES
from sewer_audit.report.tables import write_tables

KGAL = 3.785411784
"""A thousand US gallons, 231 cubic inches each [m3]."""


@pytest.fixture(scope="module")
def result():
    return looked_at(draws=2000)


@pytest.fixture(scope="module")
def findings(result):
    return result.findings()


@pytest.fixture
def drawn(result):
    return lambda name: PICTURES[name][1](result).figure.axes[0]


def volumes(rows, *path):
    for name in path:
        rows = [row[name] for row in rows]
    return approx(np.array(rows, dtype=float) / KGAL, rel=1e-9)


def line(axes, label):
    (found,) = [each for each in axes.lines if each.get_label().startswith(label)]
    return np.asarray(found.get_xdata(), float), np.asarray(found.get_ydata(), float)


def whiskers(axes):
    """Ends of the whiskers of each collection, as [whisker, end, coordinate]."""
    return [np.array(c.get_segments()) for c in axes.collections if isinstance(c, LineCollection)]


def widths(axes, part=None):
    """Width of each horizontal bar, from left to right end, of one container or of all."""
    chosen = [c for c in axes.containers if part is None or c.get_label() == part]
    return np.array([bar.get_width() for each in chosen for bar in each.patches])


def bars_of(container):
    return getattr(container, "patches", ())


def band(axes):
    (found,) = [p for p in axes.patches if isinstance(p, Rectangle) and "within" in p.get_label()]
    return found.get_x(), found.get_x() + found.get_width()


@pytest.mark.parametrize(
    "name, sources, along",
    [
        ("invoices", ("effluent", "balance", "basis"), 0),
        ("estimates", ("effluent", "balance", "reconciled"), 1),
    ],
)
def test_each_invoice_has_the_mean_and_the_ends_of_each_estimate(
    drawn, findings, name, sources, along
):
    axes, rows = drawn(name), findings["invoices"]
    for source, ends in zip(sources, whiskers(axes), strict=False):
        assert line(axes, EVIDENCE[source].label)[along] == volumes(rows, f"{source}_m3", "mean")
        assert ends[:, 0, along] == volumes(rows, f"{source}_m3", "low")
        assert ends[:, 1, along] == volumes(rows, f"{source}_m3", "high")
        across = line(axes, EVIDENCE[source].label)[1 - along]
        assert np.round(across) == approx(np.arange(len(rows)))
    billed = whiskers(axes)[len(sources)] if len(whiskers(axes)) > len(sources) else None
    if name == "invoices":
        assert billed[:, 0, 0] == volumes(rows, "billed_m3")
        assert billed[:, 1, 0] == volumes(rows, "billed_m3")


def test_lines_and_their_origins_add_up_to_what_was_billed_too_much(drawn, findings):
    over = [row["invoiced_total"] - row["recomputed_total"] for row in findings["invoices"]]
    origins = drawn("origins")
    parts = ["volume", "rates and lines", "sum of the lines"]
    assert [c.get_label() for c in origins.containers] == parts
    assert sum(widths(origins, part) for part in parts) == approx(np.array(over), abs=0.006)
    cells = {text.get_position(): text.get_text() for text in drawn("lines").texts}
    grid = np.zeros((len(over), 4))
    for (column, row), text in cells.items():
        grid[row, column] = float(text.replace(",", "").replace("−", "-"))
    shared = {n for s in findings["signatures"] if s["code"] == "estimated-read"
              for n in s["invoices"]}  # fmt: skip
    kept = [row["invoice"] not in shared for row in findings["invoices"]]  # priced together
    assert grid[kept, 3] == approx(np.array(over)[kept], abs=0.006)
    apart = grid[:, :3].sum(axis=1) + widths(origins, parts[2])
    assert apart[kept] == approx(np.array(over)[kept], abs=0.006)


def test_ratios_are_billed_over_due(drawn, findings):
    due = {n: r["billed_m3"] / r["rules_m3"] for n, r in enumerate(findings["invoices"])}
    axes = drawn("ratios")
    for label in ("as due", "differs"):
        for ratio, place in zip(*line(axes, label), strict=True):
            assert ratio == approx(due[round(place)], rel=1e-3)
            assert (abs(ratio - 1) > 0.001) == (label == "differs")
    shown = [text.get_text() for text in axes.get_xticklabels()]
    assert shown == [f"{tick:g}" for tick in axes.get_xticks()] and "1" in shown


@pytest.mark.parametrize("name", ["decision", "discharge if true", "opposing"])
def test_the_band_is_the_tolerance_about_the_billed_sum(drawn, findings, name):
    axes, billed = drawn(name), findings["total"]["billed_m3"] / KGAL
    share = findings["rule"]["tolerance"]
    assert band(axes) == (approx((1 - share) * billed), approx((1 + share) * billed))
    marks = [x[0] for x in (np.asarray(e.get_xdata(), float) for e in axes.lines)
             if len(x) == 2 and x[0] == x[1]]  # fmt: skip
    assert marks == [approx(billed)]


def test_the_decision_shows_every_draw_and_the_interval(drawn, findings):
    axes, audited = drawn("decision"), findings["total"]["audited_m3"]
    ends, _ = line(axes, "95 %")
    assert ends == approx([audited["low"] / KGAL, audited["high"] / KGAL], rel=1e-9)
    bars = axes.containers[0].patches
    heights = np.array([bar.get_height() for bar in bars])
    middles = np.array([bar.get_x() + bar.get_width() / 2 for bar in bars])
    held = heights / heights.sum()
    assert (held * middles).sum() == approx(audited["mean"] / KGAL, rel=1e-3)
    assert 0.94 < held[(middles > ends[0]) & (middles < ends[1])].sum() < 0.96


def test_the_record_s_shares_fill_each_period(drawn, findings):
    parts = [widths(drawn("quality"), name) for name in ("measured", "interpolated", "estimated")]
    coverage = np.array([row["record_coverage"] for row in findings["invoices"]])
    assert sum(parts) == approx(100.0)
    assert parts[0] == approx(100 * coverage, abs=1e-6)


@pytest.mark.parametrize("estimate", ["effluent", "balance"])
def test_a_budget_s_bars_are_the_shares(drawn, findings, estimate):
    rows = [r for r in findings["budget"] if r["estimate"] == estimate and r["invoice"] == "total"]
    large = sorted((100 * row["share"] for row in rows), reverse=True)
    bars = sorted(widths(drawn(f"{estimate} budget")), reverse=True)
    shown = [bar for bar in bars if bar > 1.0]
    assert shown == approx(large[: len(shown)], rel=1e-6)
    assert sum(bars) == approx(sum(share for share in large if share > 0), rel=0.02)


def test_the_balance_stands_on_the_intake_and_ends_at_the_estimate(drawn, findings):
    axes, total = drawn("balance"), findings["total"]
    heights = sorted(abs(bar.get_height()) for c in axes.containers for bar in bars_of(c))
    uses = sum(use["volume_m3"] for use in findings["uses"]) / KGAL
    balance = total["balance_m3"]
    assert max(heights) == approx(balance["mean"] / KGAL + uses, rel=1e-9)
    for use in findings["uses"]:
        assert any(height == approx(use["volume_m3"] / KGAL, rel=1e-9) for height in heights)
    whisker = [
        float(np.asarray(e.get_ydata(), float)[0]) for e in axes.lines if len(e.get_ydata()) == 1
    ]
    sources = (total["balance_m3"], total["effluent_m3"])
    wanted = [s[part] / KGAL for s in sources for part in ("mean", "low", "high")]
    assert sorted(whisker) == approx(sorted(wanted), rel=1e-9)


def test_differences_point_from_the_balance_to_the_effluent(drawn, findings):
    bars = [bar.get_height() for bar in drawn("differences").containers[0].patches]
    over = [r["effluent_m3"]["mean"] - r["balance_m3"]["mean"] for r in findings["invoices"]]
    assert np.sign(bars) == approx(np.sign(over))
    widest = [
        np.hypot(*(r[f"{n}_m3"]["standard_uncertainty"] for n in ("effluent", "balance")))
        for r in findings["invoices"]
    ]
    assert np.array(bars) == approx(np.array(over) / np.array(widest), rel=0.15, abs=0.02)


def test_explanations_are_ranked_by_their_probability(drawn, findings):
    rows = findings["explanations"]
    chances = sorted((100 * row["posterior"] for row in rows), reverse=True)
    assert widths(drawn("explanations")) == approx(np.array(chances[:12]), rel=1e-9)
    axes = drawn("discharge if true")
    shown, _ = line(axes, "discharge if true")
    changed = [r for r in rows if r["corrected_discharge_m3"] is not None]
    by_value = {r["corrected_discharge_m3"] / KGAL: r["corrected_standard_m3"] for r in changed}
    (ends,) = whiskers(axes)
    for value, (low, high) in zip(shown, ends[:, :, 0], strict=True):
        (standard,) = {u for v, u in by_value.items() if v == approx(value, rel=1e-9)}
        assert (value - low, high - value) == approx((1.959964 * standard / KGAL,) * 2, rel=1e-4)


def test_an_opposing_expert_s_points_are_those_of_the_findings(drawn, findings):
    axes, rows = drawn("opposing"), findings["opposing"]
    assert line(axes, "audited total")[0] == volumes(rows, "total_m3")
    (ends,) = whiskers(axes)
    assert ends[:, 0, 0] == volumes(rows, "low_m3")
    assert ends[:, 1, 0] == volumes(rows, "high_m3")


def test_the_zero_curve_passes_through_nothing_and_shows_one_standard_uncertainty(drawn, result):
    axes = drawn("zero")
    offsets, changes = (np.asarray(v, float) for v in axes.lines[2].get_data())
    assert np.interp(0.0, offsets, changes) == approx(0.0, abs=1e-6)
    assert np.all(np.diff(changes) > 0)
    (around,) = [p for p in axes.patches if isinstance(p, Rectangle) and p.get_label()]
    spread = float(result.evidence.effluent.zero.posterior.standard.mean()) / 0.0254
    assert around.get_x() == approx(-spread)
    assert around.get_width() == approx(2 * spread)


def test_the_path_of_the_zero_lies_between_the_ends_of_its_interval():
    times = pd.date_range("2026-01-01", periods=4, freq="D", tz="UTC")
    path = pd.DataFrame(
        {"time": times, "mean": [1.0, 2, 3, 4], "low": [0.0, 1, 1, 2], "high": [3.0, 4, 6, 7]}
    )
    none = pd.DataFrame({"time": times[:0], "too_high": []})
    axes = zero_path_picture(path, none, "m", "UTC", 0.95).figure.axes[0]
    corners = {float(y) for y in axes.collections[0].get_paths()[0].vertices[:, 1]}
    assert corners == {*path["low"], *path["high"]}
    assert any(list(each.get_ydata()) == list(path["mean"]) for each in axes.lines)


def test_the_daily_course_carries_the_volume_of_the_record(drawn, findings):
    days, flows = drawn("hydrograph").lines[0].get_data()
    whole = np.nanmean(np.asarray(flows, float))  # gpm, over the days of the record
    first, last = findings["invoices"][0]["start"], findings["invoices"][-1]["end"]
    minutes = (np.datetime64(last[:19]) - np.datetime64(first[:19])) / np.timedelta64(1, "m")
    volume = findings["total"]["effluent_m3"]["mean"] / KGAL * 1000
    assert whole * minutes == approx(volume, rel=0.02)
    assert len(days) == len(flows)


@pytest.fixture(scope="module")
def book(result, tmp_path_factory):
    place = tmp_path_factory.mktemp("book") / "tables.xlsx"
    write_tables(result, place)
    return openpyxl.load_workbook(place)


def figures(value):
    """Every figure of a part of the findings, also where it is written as text."""
    if isinstance(value, dict):
        return [f for inner in value.values() for f in figures(inner)]
    if isinstance(value, list):
        return [f for inner in value for f in figures(inner)]
    if isinstance(value, bool) or value is None:
        return []
    try:
        return [float(value)]
    except ValueError:
        return []


def untraced(sheet, parts, heads=1):
    """Numeric cells of a row that are no figure of its part, in m3, kgal or per cent."""
    found = []
    for row, part in zip(sheet.iter_rows(min_row=1 + heads), parts, strict=False):
        own = np.array(figures(part))
        own = np.concatenate([own, own / KGAL, 100 * own, -own, -own / KGAL])
        for cell in row:
            value = cell.value
            if isinstance(value, (int, float)) and not isinstance(value, bool):
                if not np.any(np.isclose(own, value, rtol=1e-6, atol=1e-9)):
                    found.append((cell.coordinate, value))
    return found


@pytest.mark.parametrize(
    "sheet",
    ["invoices", "ledger", "signatures", "explanations", "causes", "first order, volumes", "uses"],
)
def test_each_cell_of_the_results_is_a_figure_of_the_findings(book, findings, sheet):
    part = {"first order, volumes": "first_order"}.get(sheet, sheet)
    rows = findings[part]
    if sheet == "first order, volumes":
        rows = [row for row in rows if row["unit"] == "m3"]
    numeric = [
        cell
        for row in book[sheet].iter_rows(min_row=2)
        for cell in row
        if isinstance(cell.value, (int, float))
    ]
    assert len(numeric) >= len(rows) > 0
    whole = findings["total"] if part == "invoices" else rows
    assert untraced(book[sheet], [*rows, whole]) == []


def test_a_cell_in_another_unit_or_of_another_invoice_would_be_seen(book, findings):
    rows = findings["invoices"]
    assert len(untraced(book["invoices"], rows[1:])) > 50
    scaled = [{name: 1.01 * f for name, f in enumerate(figures(row)) if f} for row in rows]
    assert len(untraced(book["invoices"], scaled)) > 50


@pytest.mark.parametrize("name", list(PICTURES))
def test_what_has_bars_begins_at_nothing_and_names_each_once(result, name):
    """An axis along which bars stand holds their foot, and no two bars share a name."""
    figure = PICTURES[name][1](result).figure
    for axes in figure.axes:
        bars = [bar for c in axes.containers for bar in bars_of(c)]
        flat = [bar for bar in bars if abs(bar.get_height()) > 0 and abs(bar.get_width()) > 0]
        if not flat:
            continue
        across = np.ptp([bar.get_height() for bar in flat]) <= 1e-9
        low, high = sorted(axes.get_xlim() if across else axes.get_ylim())
        for bar in flat:
            foot = bar.get_x() if across else bar.get_y()
            assert low - 1e-9 <= foot <= high + 1e-9
        ticks = axes.get_yticklabels() if across else []
        names = [each.get_text() for each in ticks if each.get_text()]
        assert len(set(names)) == len(names)
