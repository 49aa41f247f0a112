"""A reader meets one family of units, one way to write a per cent and one clock on every page,
and every figure of the evidence is one of the findings, of the inputs, or follows from the two.

What people wrote themselves (sources, answers, names in the case file) and what a publication
states is quoted as it stands, so it is taken out before the search.
"""

from __future__ import annotations

import csv
import re
import tomllib
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pandas as pd
import pytest

from report_words import metric_case, run, said
from sewer_audit import hydraulics, sample_case
from sewer_audit.__main__ import main

NOTEBOOKS = (
    "evidence_report",
    "effluent_flow",
    "uncertainty_explained",
    "monitoring_plan",
    "quarterly_review",
    "water_balance",
)
END = r"(?![\w^*/])"
METRIC = rf"\d\s?(?:mm|cm|m|m2|m3|L|m3/s|m3/h|L/s|m/s|degC|K|kg|mm/day){END}"
METRIC += r"|\[(?:mm|cm|m|m2|m3|m3/s|m3/h|L/s|m/s|degC)\b|\b(?:milli)?metres?\b|\blitres?\b|m3/s"
CUSTOMARY = rf"\d\s?(?:in|ft|ft2|ft3|gal|kgal|gpm|gpd|CCF|cfs|ft/s|ft3/s|degF|lb){END}(?! all\b)"
CUSTOMARY += r"|\[(?:in|ft|ft2|kgal|gal|gpm|CCF|cfs|ft/s|degF)\b|\binch(?:es)?\b|ft3/s"
GLUED = r"\d%|\d\N{NO-BREAK SPACE}{2,}%|\d {2,}%"


def strings(value) -> list[str]:
    """Every text of a case file."""
    if isinstance(value, dict):
        return [text for each in value.values() for text in strings(each)]
    if isinstance(value, list):
        return [text for each in value for text in strings(each)]
    return [value] if isinstance(value, str) else []


def published() -> list[str]:
    """Texts that the tables of the library take from publications, and names of standard sizes."""
    data = Path(hydraulics.__file__).parent / "data"
    found = []
    for file in (data / "families").glob("*.toml"):
        found += [t for t in strings(tomllib.loads(file.read_text())) if len(t) > 30]
    for file in (*data.glob("*.csv"), data.parents[1] / "sources.csv"):
        lines = (line for line in file.read_text().splitlines() if not line.startswith("#"))
        found += [cell for row in csv.reader(lines) for cell in row]
    return found


def without_quotes(text: str, case: Path) -> str:
    """The words of a page without what is quoted from the case or from publications."""
    quoted = [t for t in strings(tomllib.loads(case.read_text())) if len(t) > 12]
    quoted += [t for t in published() if len(t) > 12]
    for part in sorted(set(quoted), key=len, reverse=True):
        text = text.replace(part, " (quoted) ")
    text = text.replace("'100%'", "")  # the width of a view, which nobody reads
    text = re.sub(r"text of a standard for gauging by transit time.*?own visits", "", text)
    return text


def found_in(text: str, pattern: str) -> list[str]:
    return [text[max(m.start() - 60, 0) : m.end() + 20] for m in re.finditer(pattern, text)]


@pytest.fixture(scope="module")
def metric(tmp_path_factory):
    return metric_case(tmp_path_factory.mktemp("metric") / "case")


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_a_case_in_inches_and_gallons_shows_no_metres(name):
    case = sample_case()
    text = without_quotes(said(name, case), case)
    assert re.search(r"\d (?:in|gpm|kgal)\b", text)  # the search would find units
    assert not found_in(text, METRIC)
    assert not found_in(text, GLUED)


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_a_case_in_metres_shows_no_inches_and_gallons(name, metric):
    text = without_quotes(said(name, metric), metric)
    # standard sizes go by the names of their tables
    kinds = "full-pipe|Parshall|H[SL]? flume|rectangular|Cipoll"
    text = re.sub(rf"[\d.]+ (?:in|ft) (?:{kinds})", "", text)
    assert re.search(r"\d (?:mm|m3/h|m3)\b", text)
    assert not found_in(text, CUSTOMARY)
    assert not found_in(text, GLUED)


@pytest.mark.parametrize("name", ["", "area_velocity", "manning", "before_a_logger"])
def test_inspect_speaks_as_the_case_does(name, capsys):
    case = sample_case(name)
    assert main(["inspect", str(case)]) == 0
    out = capsys.readouterr().out
    text = without_quotes(out, case)
    assert not found_in(text, METRIC) and not found_in(text, GLUED)
    assert "UTC" not in text
    zone = tomllib.loads(case.read_text())["case"]["time_zone"]
    assert f"moments are in the time of {zone}" in out


def test_inspect_names_the_gap_by_the_clock_on_the_wall(capsys):
    """The longest gap of the sample begins at 22:40 in Chicago, 03:40 UTC the next day."""
    main(["inspect", str(sample_case())])
    out = capsys.readouterr().out
    assert out.count("begins 2025-06-27 22:40 CDT") == 1


@pytest.mark.parametrize(
    ("pattern", "text"),
    [
        (METRIC, "zero error 3.19 mm (u 1)"),
        (METRIC, "level [m]"),
        (METRIC, "Q = 0.38 h^1.58 (m3/s, m)"),
        (METRIC, "50 mm"),
        (METRIC, "1 K of air"),
        (CUSTOMARY, "level [in]"),
        (CUSTOMARY, "0.126 in."),
        (CUSTOMARY, "8,130 kgal"),
        (GLUED, "7.4%"),
    ],
)
def test_such_units_would_be_found(pattern, text):
    assert found_in(text, pattern)


@pytest.mark.parametrize("text", ["7.4 %", "7.4\N{NO-BREAK SPACE}%", "[%]", "8 mills", "2 Kings"])
def test_nothing_else_is_found(text):
    assert not found_in(text, METRIC) and not found_in(text, GLUED)


def test_no_source_line_glues_a_per_cent_to_its_figure():
    """Format codes such as {x:.1%} write 7.4%; the library writes 7.4 %."""
    root = Path(hydraulics.__file__).parents[1]
    wrong = [
        f"{path.relative_to(root)}:{number}"
        for path in root.rglob("*.py")
        for number, line in enumerate(path.read_text().splitlines(), start=1)
        if re.search(r"\{[^{}]*:[^{}]*%\}", line) and "strftime" not in line and "%Y" not in line
    ]
    assert not wrong


NUMBER = re.compile(r"(?<![\w.,/-])(?:\d{1,3}(?:,\d{3})+|\d+)(?:\.\d+)?(?![\w-]|\.\d)")
TIME = re.compile(r"\d{4}-\d\d-\d\d(?:[T ]\d\d:\d\d(?::\d\d)?)?|\d\d:\d\d|Q\d")
OWN = {
    "Hand readings": "the record at the visits",
    "Zero of the level": "the course of the zero",
    "Gaps that were filled": "the record beside the gaps",
    "Readings by what became": "shares of the readings",
    "Rules of the screening": "limits of the screening",
    "Installation, point by point": "sizes of the device",
    "From the readings to the volume": "parts, which add up",
    "Charge lines that differ": "lines, which add up",
    "Computed in this cell": "draws of the intake",
    "Width of the 95 %": "differences of the widths above",
    "What it would take": "half of an interval, which fits the per cent beside it",
}
"""Tables with figures that no finding holds: the start of the caption, and what they are."""


def unit_of(key: str) -> str:
    """Unit of a figure of the findings, by the name of its key."""
    if re.search(r"per_(billed_)?m3", key):
        return "per m3"
    if re.match(r"(effluent|balance|audited)_(mean|low|high|standard)", key):
        return "m3"
    own = re.search(r"_(m3|m)$", key)
    return own[1] if own else ""


def leaves(value, unit=""):
    """Every figure of a part of the findings with the unit its key ends in."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from leaves(inner, unit_of(key) or unit or str(value.get("unit", "")))
    elif isinstance(value, list):
        for inner in value:
            yield from leaves(inner, unit)
    elif isinstance(value, (int, float)) and not isinstance(value, bool):
        yield abs(float(value)), unit
    elif isinstance(value, str):
        yield from ((float(n.replace(",", "")), "text") for n in NUMBER.findall(value))


def follows(found, case: Path):
    """What follows from findings and inputs by an arithmetic of its own, in m3 and shares."""
    tolerance = found["rule"]["tolerance"]
    judged = [*found["invoices"], *found["runs"], found["total"]]
    for row in judged:
        mean, billed = row["audited_m3"]["mean"], row["billed_m3"]
        yield from ((abs((1 + s * tolerance) * billed - mean), "m3") for s in (-1, 1))
    for row in (row for row in found["budget"] if row["width_if_halved_m3"] is not None):
        yield abs(1 - row["width_if_halved_m3"] / row["interval_width_m3"]), ""
    for use in found["uses"]:  # half of the interval of a normal law
        yield 1.96 * use["standard_uncertainty_m3"] / use["volume_m3"], "near"
    yield from ((c["standard"] * 3**0.5 * 1.8, "text") for c in found["causes"] if c["unit"] == "K")
    sure = [row["amount"] for row in found["ledger"] if row["exactness"] == "exact"]
    yield sum(sure), "text"
    yield from ((abs(r["amount_high"] - r["amount_low"]) / 2, "text") for r in found["ledger"])
    ends = [[pd.Timestamp(r[end]).timestamp() for end in ("start", "end")]
            for r in found["invoices"]]  # fmt: skip
    parts = [r["record_coverage"] for r in found["invoices"]]
    yield float(np.average(parts, weights=np.diff(ends)[:, 0])), ""
    each = found["coverage"] ** (1 / len(found["invoices"]))
    yield NormalDist().inv_cdf((1 + each) / 2), "text"  # no invoice beyond it, all together
    uses = sum(use["volume_m3"] for use in found["uses"])
    yield uses, "m3"
    yield found["total"]["balance_m3"]["mean"] + uses, "m3"
    data = tomllib.loads(case.read_text())
    for table in (*data.get("intake", ()), *data.get("use", ())):
        if "file" not in table:
            continue
        reads = pd.read_csv(case.parent / table["file"])
        times = pd.to_datetime(reads["time"]).dt.tz_localize(data["case"]["time_zone"])
        count = table["multiplier"] * UNIT[table["unit"]]
        at = np.interp(np.ravel(ends),
                       [t.timestamp() for t in times],
                       np.unwrap(reads["register"], period=10 ** table["digits"]))  # fmt: skip
        yield from ((float(v), "m3") for v in np.diff(at)[::2] * count)
        yield from ((float(v) % 10 ** table["digits"], "text") for v in at)
    bills = pd.read_csv(case.parent / "invoices.csv")
    if "previous_read" in bills and "intake" in data:
        meter = data["intake"][0]
        counts = (bills["current_read"] - bills["previous_read"]) % 10 ** meter["digits"]
        yield from ((float(v), "m3") for v in counts * meter["multiplier"] * UNIT[meter["unit"]])


UNIT = {"gal": 3.785411784e-3, "cf": 0.028316846592, "m3": 1.0}
SHOWN = {"sample": {"m3": 3.785411784, "m": 0.0254}, "metric": {"m3": 1.0, "m": 0.001}}
"""Units of the pages, in m3 and m."""


CONSTANTS = {"101325": "Pa", "101": "JCGM 101", "2.06": "equation of 6 in"}
CONSTANTS |= {"0.381": "equation of the 0.152 m flume"}
CONSTANTS |= {"365.25": "days of a year", "0.954": "median distance of two normal values"}
CONSTANTS |= {"1.02": "a factor to try"}


class Traced:
    """The figures a page may show, as it writes them."""

    def __init__(self, found, case: Path, shown: dict, more=()):
        known = [*leaves(found), *follows(found, case), *more]
        files = (case.parent / name for name in ("case.toml", "rates.toml", "invoices.csv"))
        written = [file.read_text() for file in files if file.exists()]
        plain = [float(n) for text in written for n in re.findall(r"\d+(?:\.\d+)?", text)]
        scaled = [value / shown[unit] for value, unit in known if unit in shown]
        scaled += [value * shown["m3"] for value, unit in known if unit == "per m3"]
        ratios = [value for value, unit in known if unit in ("", "1")]
        shares = [100 * v for value in ratios for v in (value, 1 - value)]
        shares += [100 * v * f for v, unit in known if unit == "near" for f in (0.99, 1.0, 1.01)]
        plain += [value for value, unit in known if unit in ("", "1", "text")]
        self.known = np.unique(np.abs([*plain, *scaled, *shares]))

    def __contains__(self, number: str) -> bool:
        value, places = float(number.replace(",", "")), len(number.partition(".")[2])
        half = 0.5000001 * 10.0**-places
        low, high = np.searchsorted(self.known, [value - half, value + half])
        return high > low


def blocks(text: str):
    """Sentences and rows of tables with their caption; axes of pictures and equations are left."""
    for block in re.split(r"\n{2,}", text.replace("\\n", "\n")):
        caption, *rows = block.strip("\n'\"").split("\n")
        if caption.startswith(("$$", "{'image", "Made with", "VBox")) or "image/png" in block:
            continue
        table = any(" | " in row for row in rows)
        for row in [caption, *rows]:
            if table == (" | " in row) and not re.fullmatch(r"[\s\d,.\N{MINUS SIGN}+-]*", row):
                yield caption if table else "", TIME.sub(" ", row)


def weighty(row: str) -> list[str]:
    """Figures of at least three digits that count, without years."""
    found = [n for n in NUMBER.findall(row) if len(n.strip("0.").replace(".", "")) > 2]
    return [n for n in found if not re.fullmatch(r"(19|20)\d\d", n)]


def untraced(text: str, traced: Traced) -> list[tuple[str, str]]:
    return [
        (number, f"{caption[:40]}: {row[:150]}")
        for caption, row in blocks(text)
        if not caption.startswith(tuple(OWN))
        for number in weighty(row)
        if number not in traced
    ]


@pytest.fixture(scope="module", params=SHOWN)
def evidence(request, metric):
    """Words of the evidence without quotes, the findings, what may be shown and the unit m3."""
    case = sample_case() if request.param == "sample" else metric
    text, names = run("evidence_report", case)
    found = names["result"].findings()
    shown = SHOWN[request.param]
    return without_quotes(text, case), found, Traced(found, case, shown), shown["m3"]


def test_every_figure_of_the_evidence_is_traced(evidence):
    text, _, traced, _ = evidence
    assert [place for number, place in untraced(text, traced) if number not in CONSTANTS] == []


@pytest.mark.parametrize("name", ["water_balance", "quarterly_review", "uncertainty_explained"])
def test_every_figure_of_a_page_beside_the_evidence_is_traced(name):
    """To the findings of the audit or of the page; the brief says three figures that count."""
    case = sample_case()
    text, names = run(name, case)
    told = [value.findings() for value in names.values() if hasattr(value, "findings")]
    more = [figure for each in told for figure in leaves(each)]
    traced = Traced(names["result"].findings(), case, SHOWN["sample"], more)
    if name == "uncertainty_explained":
        coarse = [float(f"{value:.3g}") for value in traced.known]
        traced.known = np.unique([*traced.known, *coarse])
    found = untraced(without_quotes(text, case), traced)
    assert [place for number, place in found if number not in CONSTANTS] == []


def test_a_figure_of_the_evidence_one_per_cent_off_would_be_seen(evidence):
    text, _, traced, _ = evidence
    weights = [n.replace(",", "") for _, row in blocks(text) for n in weighty(row) if n in traced]
    off = [(n, f"{1.01 * float(n):.{len(n.partition('.')[2])}f}") for n in weights]
    changed = [new for old, new in off if new != old]
    assert len(changed) > 150
    assert sum(new not in traced for new in changed) > 0.8 * len(changed)


def rows_of(text: str, caption: str) -> list[list[str]]:
    rows = [row.strip("'").split(" | ") for head, row in blocks(text) if head.startswith(caption)]
    return rows[1:]  # without the heads


def figure(cell: str) -> float:
    return float(cell.replace(",", ""))


def test_parts_of_a_volume_add_up_to_the_one_of_the_findings(evidence):
    text, found, _, unit = evidence
    rows = rows_of(text, "From the readings to the volume")
    assert len(rows) == len(found["invoices"])
    for row, invoice in zip(rows, found["invoices"], strict=True):
        *parts, volume, standard = map(figure, row[1:])
        assert sum(parts) == pytest.approx(volume, abs=0.31)
        told = invoice["effluent_m3"]
        assert (volume * unit, standard * unit) == pytest.approx(
            (told["mean"], told["standard_uncertainty"]), abs=0.06 * unit
        )


def test_what_another_finding_would_take_fits_its_per_cent(evidence):
    text, found, _, unit = evidence
    means = {row["invoice"]: row["audited_m3"]["mean"] for row in found["invoices"]}
    rows = [row for row in rows_of(text, "What it would take") if row[0] in means]
    wrong = [row for row in rows if row[4].startswith("an error of more than")]
    assert rows and len(wrong) == sum("too" in row[1] for row in rows)
    for name, _, margin, half, told in wrong:
        share = 100 * (figure(margin) - figure(half)) * unit / means[name]
        assert figure(NUMBER.search(told)[0]) == pytest.approx(share, abs=0.06)


def test_lines_that_differ_add_up_to_the_recomputed_totals():
    text, names = run("evidence_report", sample_case())
    found = names["result"].findings()
    rows = rows_of(text, "Charge lines that differ")
    totals = {row["invoice"]: row for row in found["invoices"]}
    for name in {row[0] for row in rows}:
        lines = {row[1]: [figure(cell) for cell in row[2:]] for row in rows if row[0] == name}
        told = lines.pop("total")
        keys = ("invoiced_total", "recomputed_on_stated_volume", "recomputed_total")
        assert told == pytest.approx([totals[name][key] for key in keys], abs=0.006)
        if len(lines) == 2:  # all but the fixed charge, which is the same in each
            fixed = np.array(told) - np.sum(list(lines.values()), axis=0)
            assert fixed == pytest.approx(np.full(3, fixed[0]), abs=0.006)
