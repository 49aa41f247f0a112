"""Every figure: axes with units, a title that says something, a true text in its place."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.text import Text

import sewer_audit.charts.record as record
import sewer_audit.charts.uncertainty as uncertainty
from sewer_audit.charts import EVIDENCE, Picture, drawing, show
from sewer_audit.charts.balance import water_balance
from sewer_audit.charts.invoices import (
    decision_picture,
    difference_origins,
    invoices_against_evidence,
    line_differences,
    ratio_picture,
)
from sewer_audit.errors import ReportFailed


def invoices(count: int = 4) -> pd.DataFrame:
    frame = pd.DataFrame({"invoice": [f"A{n}" for n in range(count)]})
    frame["billed_m3"] = 1000.0
    for source, mean in (("effluent", 900.0), ("balance", 950.0), ("basis", 1000.0)):
        for part, factor in (("mean", 1.0), ("low", 0.95), ("high", 1.05)):
            frame[f"{source}_{part}"] = mean * factor
    frame.loc[1, ["effluent_mean", "effluent_low", "effluent_high"]] = np.nan
    frame["finding"] = ["too high", "cannot be decided", "supported", "supported"][:count]
    return frame


def quality() -> pd.DataFrame:
    return pd.DataFrame({"invoice": ["A0", "A1"], "measured": [0.9, 0.5], "missing": [0.1, 0.5]})


def days() -> pd.DataFrame:
    times = pd.date_range("2026-03-01", periods=20, freq="D", tz="America/Chicago")
    flow = np.where(np.arange(20) == 7, np.nan, 0.001 * (1 + np.arange(20)))
    return pd.DataFrame({"time": times, "discharge": flow})


def week() -> pd.DataFrame:
    middle = 0.001 * (1 + np.arange(168) % 24)
    return pd.DataFrame(
        {"hour": range(168), "middle": middle, "low": middle / 2, "high": 2 * middle}
    )


def budget() -> pd.DataFrame:
    shares = [0.5, 0.3, 0.15, 0.05]
    kinds = ["between visits", "whole record", "each reading", "whole record"]
    return pd.DataFrame({"cause": list("abcd"), "share": shares, "persistence": kinds})


def flows() -> pd.DataFrame:
    columns = ["name", "kind", "mean", "standard_uncertainty"]
    rows = [("main", "in", 1000.0, 10.0), ("tower", "use", 100.0, 20.0), ("tiny", "use", 1.0, 0.5)]
    return pd.DataFrame(rows, columns=columns)


def curve() -> pd.DataFrame:
    zero = np.linspace(-0.006, 0.006, 13)
    return pd.DataFrame({"zero_error": zero, "change": (1 + zero / 0.1) ** 1.5 - 1})


def explained() -> pd.DataFrame:
    return pd.DataFrame({"explanation": ["wrong unit", "multiplier"], "probability": [0.9, 0.1]})


def origins() -> pd.DataFrame:
    columns = {"volume": [12.5, 0.0, -3.0], "rates": [0.0, 2.0, 0.0], "sum": [0.0, 0.5, 0.0]}
    return pd.DataFrame(columns, index=["A1", "A2", "A3"])


def ratios() -> pd.DataFrame:
    rows = [("A1", 1.0, 1.0, 1.0, ""), ("A2", 1.3368, 1.33, 1.34, "unit-swap")]
    return pd.DataFrame(rows, columns=["invoice", "ratio", "low", "high", "named"])


KNOWN = {"CCF was taken as kgal": 1.33681, "far away": 4.0}
PICTURES = {
    "origins": lambda: difference_origins(origins()),
    "ratios": lambda: ratio_picture(ratios(), KNOWN),
    "invoices": lambda: invoices_against_evidence(invoices(), "kgal"),
    "lines": lambda: line_differences(pd.DataFrame({"fixed": [0, 2.5], "total": [-1, np.nan]})),
    "decision": lambda: decision_picture(np.linspace(900, 1000, 1001), 1000.0, 0.05, "m3"),
    "quality": lambda: record.record_quality(quality(), 0.75),
    "hydrograph": lambda: record.hydrograph(days(), "gpm", list(days()["time"][[0, 10]])),
    "week": lambda: record.weekly_pattern(week(), "gpm", "America/Chicago"),
    "budget": lambda: uncertainty.uncertainty_budget(budget(), most=2),
    "zero": lambda: uncertainty.zero_error_curve(curve(), "mm", 0.002),
    "explanations": lambda: uncertainty.explanations_ranking(explained()),
    "balance": lambda: water_balance(flows(), "m3", {"mean": 890.0, "low": 850.0, "high": 930.0}),
}


@pytest.fixture(scope="module")
def pictures():
    return {name: draw() for name, draw in PICTURES.items()}


@pytest.mark.parametrize("name", PICTURES)
def test_axes_have_units_and_a_title(pictures, name):
    axes = pictures[name].figure.axes[0]
    assert len(axes.get_title(loc="left").split()) >= 3
    labels = axes.get_xlabel() + axes.get_ylabel() + axes.get_title(loc="left")
    assert "[" in labels, "no axis states its unit"
    assert len(pictures[name].alt.split()) > 8 and pictures[name].alt.endswith(".")


@pytest.mark.parametrize(
    "name, form", [*((name, "svg") for name in PICTURES), ("invoices", "png"), ("week", "png")]
)
def test_the_same_figure_gives_the_same_bytes(pictures, name, form):
    first = drawing(pictures[name].figure, form)
    assert first == drawing(PICTURES[name]().figure, form)
    assert len(first) > 3000


def test_texts_tell_the_figures(pictures):
    assert "4 invoices, billed 4,000 m3" not in pictures["invoices"].alt  # shown in kgal
    # 4000 m3 are 1056.69 thousand US gallons (1 gal = 231 cubic inches, NIST SP 811, app. B.8)
    assert "4 invoices, billed 1,057 kgal" in pictures["invoices"].alt
    assert "1 too high, 1 cannot be decided, 2 supported" in pictures["invoices"].alt
    assert "2 of 4 differ; totals together -1.00 USD" in pictures["lines"].alt
    assert "between 902 and 998 m3 (95 % interval)" in pictures["decision"].alt
    assert "probability is 50.0 %" in pictures["decision"].alt
    assert "between 50.0 % (invoice A1) and 90.0 %" in pictures["quality"].alt
    assert "1 days without readings" in pictures["hydrograph"].alt
    assert "highest on Monday at 23:00" in pictures["week"].alt
    assert "a 50.0 %, b 30.0 %" in pictures["budget"].alt
    assert "left for the sewer 899 m3" in pictures["balance"].alt


def texts(picture: Picture) -> list[str]:
    return [text.get_text() for text in picture.figure.axes[0].texts]


def test_findings_are_words_not_colours(pictures):
    assert texts(pictures["invoices"]) == list(invoices()["finding"])


def test_small_causes_are_one_bar_that_keeps_the_sum(pictures):
    shown = [float(text.removesuffix(" %")) for text in texts(pictures["budget"])]
    assert shown == [50.0, 30.0, 20.0]


def test_labels_of_thin_parts_do_not_overlap(pictures):
    axes = pictures["balance"].figure.axes[0]
    heights = sorted(t.get_position()[1] for t in axes.texts if 1 < t.get_position()[0] < 2)
    assert min(np.diff(heights)) > 0.08 * 1000


def test_evidence_differs_in_grey_and_in_shape():
    """Lightness after Rec. ITU-R BT.709-6, item 3.2: Y = 0.2126 R + 0.7152 G + 0.0722 B."""

    def linear(channel):
        return channel / 12.92 if channel <= 0.04045 else ((channel + 0.055) / 1.055) ** 2.4

    shown = [EVIDENCE[name] for name in ("billed", "effluent", "balance", "basis")]
    grey = [np.dot([0.2126, 0.7152, 0.0722], [linear(c) for c in to_rgb(s.colour)]) for s in shown]
    light = np.sort(116 * np.cbrt(grey) - 16)
    assert np.diff(light).min() > 9
    assert len({look.marker for look in EVIDENCE.values()}) == len(EVIDENCE)


def test_callers_settings_are_left_alone():
    import matplotlib

    before = dict(matplotlib.rcParams)
    PICTURES["budget"]()
    assert dict(matplotlib.rcParams) == before


def test_show_hands_on_the_text(monkeypatch):
    seen = []
    monkeypatch.setattr("IPython.display.display", lambda data, **k: seen.append((data, k)))
    picture = PICTURES["zero"]()
    show(picture, caption="Below.")
    show(picture.figure, "another text", form="svg")
    data, keywords = seen[0]
    assert keywords["metadata"] == {"image/png": {"alt": picture.alt}, "caption": "Below."}
    assert data["text/plain"] == f"[figure] {picture.alt}"
    assert seen[1][0]["image/svg+xml"].startswith("<?xml")
    with pytest.raises(ReportFailed, match="needs an alternative text"):
        show(Figure())


def test_nothing_to_draw_is_said():
    with pytest.raises(ReportFailed, match="no draw"):
        decision_picture(np.array([np.nan]), 1.0, 0.05, "m3")
    with pytest.raises(ReportFailed, match="without intake"):
        water_balance(flows().query("kind == 'use'"), "m3")
    assert "no invoice" in record.record_quality(quality().iloc[:0]).alt


def test_gaps_break_the_line(pictures):
    line = pictures["hydrograph"].figure.axes[0].lines[0]
    assert np.isnan(line.get_ydata()).sum() == 1


def test_origins_and_ratios_tell_each_invoice(pictures):
    assert "A1 +12.50, A2 +2.50, A3 -3.00" in pictures["origins"].alt
    assert "1 as due; A2 1.3368 (unit-swap)" in pictures["ratios"].alt
    words = [text.get_text() for text in pictures["ratios"].figure.legends[0].get_texts()]
    assert "1.337: CCF was taken as kgal" in words and not any("far" in word for word in words)


def test_the_measured_effluent_of_a_balance_has_its_u_in_words():
    measured = {"mean": 890.0, "standard_uncertainty": 20.0, "low": 850.0, "high": 930.0}
    drawn = water_balance(flows(), "m3", measured)
    words = [text.get_text() for text in drawn.figure.findobj(Text)]
    assert "measured effluent\n890 m3, u = 20" in words
    assert "measured 890 m3, interval 850 to 930" in drawn.alt
    without = water_balance(flows(), "m3", {"mean": 890.0, "low": 850.0, "high": 930.0})
    assert "measured effluent\n890 m3" in [t.get_text() for t in without.figure.findobj(Text)]
