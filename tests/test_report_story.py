"""The report in words: true to the audit, whole with partial evidence, safe with foreign names."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from datetime import date
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from looked_at import looked_at
from sewer_audit import audit, load_case, sample_case
from sewer_audit.auditing.judgement.advice import answered_questions
from sewer_audit.auditing.judgement.verdict import WITH_RUN
from sewer_audit.charges import BRIEFLY, OF_RUN
from sewer_audit.charts.invoices import decision_picture
from sewer_audit.errors import Flag
from sewer_audit.report import frames as report_frames
from sewer_audit.report.evidence import balance as report_balance
from sewer_audit.report.evidence import lists as report_lists
from sewer_audit.report.evidence import story as report_story
from sewer_audit.report.evidence.flags import flag_sentences
from sewer_audit.report.evidence.letter import cover_letter
from sewer_audit.report.pictures import PICTURES
from sewer_audit.report.show import Shown
from sewer_audit.report.tables import invoice_lines, with_units, write_tables
from sewer_audit.uncertainty import UNDECIDED
from sewer_audit.wording import Words, joined

WORDS = Words("kgal", "gpm", "in", "USD", ZoneInfo("America/Chicago"), 0.95)
STORIES = [
    "agreement",
    "answers",
    "claim",
    "conclusions",
    "device",
    "fairness",
    "flags",
    "margin_table",
    "next_proof",
    "quality_sentence",
    "self_check",
    "verdict",
]


def without(folder, *tables: str):
    """The sample in a folder of its own, without some of its tables."""
    source = sample_case().parent
    shutil.copytree(source, folder / "bills", ignore=shutil.ignore_patterns("a*", "man*"))
    shutil.copytree(source.parent / "sample_logs", folder / "sample_logs")
    case = folder / "bills" / "case.toml"
    parts = re.split(r"\n(?=\[)", case.read_text())
    names = [re.match(r"\[+([\w.]+)", part) for part in parts]
    kept = [
        part
        for part, name in zip(parts, names, strict=True)
        if name is None or name[1].split(".")[0] not in tables
    ]
    case.write_text("\n".join(kept))
    return case


@pytest.fixture(scope="module")
def whole():
    return looked_at(draws=2000)


@pytest.fixture(
    scope="module", params=["effluent", "intake use", "rates", "effluent intake use rates"]
)
def partial(request, tmp_path_factory):
    case = without(tmp_path_factory.mktemp("partial"), *request.param.split())
    return audit(load_case(case), draws=500, seed=1)


@pytest.mark.parametrize("name", STORIES)
def test_everything_is_said_of_the_whole_sample(whole, name):
    shown = getattr(report_story, name)(whole)
    assert isinstance(shown, Shown) and len(str(shown)) > 20
    assert "nan" not in str(shown).lower().split()


def test_partial_evidence_is_told_whole(partial):
    for name in STORIES:
        text = str(getattr(report_story, name)(partial))
        assert len(text) > 20 and "nan" not in text.lower().split(), name
    for _, draw in PICTURES.values():
        drawn = draw(partial)
        assert drawn is None or len(drawn.alt) > 40
    assert "Dear [name]" in str(cover_letter(partial))


@pytest.mark.parametrize("name", PICTURES)
def test_every_figure_is_drawn_of_the_sample(whole, name):
    drawn = PICTURES[name][1](whole)
    assert drawn is not None or name == "explanations"
    if drawn is not None:
        assert "nan" not in drawn.alt.lower().split()


def test_the_verdict_states_the_audit(whole):
    text = str(report_story.verdict(whole))
    count = int(whole.invoices["finding"].str.contains("too high").sum())
    wrong = {entry.invoice for entry in whole.ledger.entries if entry.link != OF_RUN}
    assert f"{count} too high" in text
    assert text.startswith(f"{len(wrong)} of {len(whole.invoices)} invoices do not follow")
    assert all(name in text for name in wrong)
    claimed = whole.claim["by_the_rules"]
    assert WORDS.money(float(claimed[claimed > 0].sum())) in text
    assert WORDS.volume(whole.total["audited_mean"]) in text


def test_an_error_in_the_sites_favour_is_named(whole):
    low = whole.claim[whole.claim["by_the_rules"] < -0.005]
    for invoice in low["invoice"]:
        assert invoice in str(report_story.conclusions(whole))


def test_the_first_page_warns_that_a_dispute_can_raise_the_bill(whole):
    """No invoice of the sample is below the schedule but a made-up one."""
    claim = whole.claim.copy()
    claim.attrs = whole.claim.attrs
    assert "can also raise" not in str(report_story.conclusions(whole))
    claim.loc[0, "by_the_rules"] = -12.0
    text = str(report_story.conclusions(replace(whole, claim=claim)))
    warned = next(line for line in text.splitlines() if "can also raise the bill" in line)
    assert claim["invoice"][0] in warned


def test_windows_and_the_day_they_count_from_stand_beside_the_amount(whole):
    sums = whole.claim.attrs["sums"]
    text = report_story.verdict(whole).plain
    assert f"As of {sums['decided_on']}: for all of it the 60-day dispute window is closed" in text
    assert f"the first amount before {sums['next_deadline']}" in text
    over = whole.claim["by_the_rules"].clip(lower=0).sum()
    parts = [sums[k] for k in ("open_for_dispute", "only_in_look_back", "barred")]
    assert sum(parts) == pytest.approx(over, abs=0.005)


def test_a_question_to_the_case_stops_headline_and_letter(whole):
    flag = Flag("rules-volume-apart", "Is the multiplier of the case right?", {"invoice": "K2506"})
    asked = replace(whole, flags=(*whole.flags, flag))
    assert "A question comes before any amount" in report_story.verdict(asked).plain
    assert "Not to be sent before this is answered" in cover_letter(asked).plain
    assert "of the net intake" not in cover_letter(asked).plain
    page = report_story.verdict(asked).plain + report_story.conclusions(asked).plain
    assert "if billed on the discharge" not in page and "By the rules" not in page
    assert "would have cost" not in report_story.fairness(asked).plain


def test_windows_are_told_apart_as_a_manager_reads_them(whole):
    """One amount still open, one only to be refunded, one barred."""
    claim = whole.claim.copy()
    claim["open"] = claim["invoice"] == "K2512"
    names = ("open_for_dispute", "only_in_look_back", "barred")
    claim.attrs["sums"] = {**whole.claim.attrs["sums"], **dict.fromkeys(names, 10.0)}
    text = report_story.verdict(replace(whole, claim=claim)).plain
    until = claim.set_index("invoice").loc["K2512", "dispute_until"]
    assert f"USD 10.00 can still be disputed, the first amount until {until}; for USD" in text
    assert "; USD 10.00 is barred." in text


def test_the_first_page_says_in_a_few_words_what_the_errors_look_like(whole):
    lines = str(report_story.verdict(whole)).splitlines()
    for row in whole.signatures.itertuples():
        named = [line for line in lines if line.startswith(f"{joined(row.invoices)}: ")]
        assert len(named) == 1, "each error once"
        settled = row.code == "estimated-read"
        assert ("made good at another price" if settled else BRIEFLY[row.code]) in named[0]


def test_a_true_up_is_no_invoice_that_departs_from_the_schedule(whole):
    """K2602 follows its printed reads and rates; what it costs rests on the site's own read."""
    conclusions, page = str(report_story.conclusions(whole)), str(report_story.verdict(whole))
    assert page.startswith("6 of 12 invoices")
    told = next(line for line in page.splitlines() if "at another price" in line)
    assert "316652 on 2026-01-14, where 292614 is printed" in told and "630.26" in told
    exact = sum(float(e.amount) for e in whole.ledger.entries if e.exactness == "exact")
    assert f"{WORDS.money(exact)} of it exactly" in page and "K2602 (USD" not in conclusions
    letter = cover_letter(whole).plain
    assert "7. " not in letter.split("Together")[0] and "your true read of that day" in letter
    assert f"Together they are too high by {WORDS.money(exact)}." in letter


def test_a_run_of_estimates_has_one_finding_wherever_findings_stand(whole):
    """Billed far too low, then too high: one volume between two actual reads, never two."""
    run = whole.judged[whole.judged["invoices"].map(len) > 1].iloc[0]
    assert run["invoices"] == ["K2601", "K2602"] and run["finding"] == "billed volume too high"
    pair = whole.invoices["invoice"].isin(run["invoices"])
    assert set(whole.invoices.loc[pair, "finding"]) == {WITH_RUN}
    assert whole.invoices.loc[pair, "probability_overbilled"].isna().all()
    assert run["billed_m3"] == pytest.approx(whole.invoices.loc[pair, "billed_m3"].sum())
    audited = whole.evidence.audited[:, np.flatnonzero(pair)].sum(axis=1)
    assert run["audited_mean"] == pytest.approx(audited.mean())
    assert "10 too high, K2601 and K2602 together too high" in str(report_story.verdict(whole))
    found = whole.findings()
    assert [each["invoices"] for each in found["runs"]] == [["K2601", "K2602"]]
    assert found["runs"][0]["audited_m3"]["mean"] == pytest.approx(audited.mean())
    table = report_frames.invoice_overview(whole).set_index("invoice")["finding"]
    assert table["K2601"] == "see below" and table["K2601 + K2602"] == "too high"
    assert "K2601 + K2602" in set(report_frames.margins(whole)["invoice"])
    texts = [t.get_text() for t in PICTURES["invoices"][1](whole).figure.axes[0].texts]
    assert "see K2602" in texts and "with K2601: too high" in texts
    assert whole.opposing["too_high"].iloc[0] == 11 == len(whole.judged)


def test_beside_the_volume_stands_on_what_it_rests(whole):
    text = str(report_story.conclusions(whole))
    line = next(line for line in text.splitlines() if "All invoices together" in line)
    for row in whole.opposing.itertuples():
        turned = row.total_finding != whole.total["finding"]
        assert (row.what in line) == (row.kind == "alone" or (turned and row.kind == "left out"))
    assert "no doubt about record, balance or basis reaches them" in text


def test_the_money_of_the_discharge_is_one_figure(whole):
    """Opposing table and verdict: what the billed basis costs beyond the discharge."""
    assert whole.opposing["amount"].iloc[0] == pytest.approx(whole.basis["amount_mean"], rel=1e-9)
    assert not report_lists.first_order(whole).iloc[:, 0].str.contains("amount").any()


def test_a_schedule_that_bills_the_discharge_asks_no_share_and_shows_no_basis_of_ours():
    result = looked_at("area_velocity", draws=500)
    assert "no share to question" in str(report_story.fairness(result))
    assert "not applicable" in str(report_story.answers(result))
    assert "what the schedule bills on" not in PICTURES["invoices"][1](result).alt
    text = str(report_story.conclusions(result))
    assert "on the printed volumes, rates and sums" in text and "reads, rates" not in text
    assert "basis" not in set(report_lists.first_order(result).iloc[:, 0])


def test_a_basis_in_favour_of_the_site_asks_for_no_credit(whole):
    """More reaches the sewer than the schedule bills: nothing is less, nothing is asked for."""
    share = {"share_mean": 0.978, "share_low": 0.959, "share_high": 0.997, "fair": False}
    amount = {"amount_mean": -11324.0, "amount_low": -19060.0, "amount_high": -3561.0}
    other = replace(whole, basis={**whole.basis, **share, **amount})
    shown = str(report_story.verdict(other))
    assert "More if billed on the discharge" in shown and "Less if billed" not in shown
    assert f"{WORDS.money(11324, cents=False)}; {WORDS.money_interval(3561, 19060)}" in shown
    assert "would have cost more by" in str(report_story.fairness(other))
    text = str(report_story.conclusions(other))
    assert "in favour of the site" in text and "asks for a credit" not in text
    assert "reached the sewer" not in str(cover_letter(other)), "this is for counsel alone"
    assert "to question the basis can raise bills" in str(cover_letter(other, counsel=True))
    assert "which credit" in str(cover_letter(whole))


def test_counsel_is_told_of_what_speaks_against_the_site_only_where_something_does(whole):
    assert "nothing was found that speaks against you" in str(cover_letter(whole, counsel=True))
    claim = whole.claim.copy()
    claim.attrs = whole.claim.attrs
    claim.loc[0, "by_the_rules"] = -12.0
    told = str(cover_letter(replace(whole, claim=claim), counsel=True))
    assert "names what speaks against you" in told and "by USD 12.00" in told


def test_the_letter_says_against_how_many_invoices_a_record_stands(whole):
    table = whole.invoices.copy()
    assert "the effluent record and" in str(cover_letter(whole))
    table.loc[:1, "effluent_mean"] = np.nan
    assert "the effluent record (10 of them)" in str(cover_letter(replace(whole, invoices=table)))


def test_where_no_invoice_can_be_decided_the_answers_say_what_is_missing(whole):
    basis, judged = whole.basis, whole.judged.assign(finding=UNDECIDED)
    said = answered_questions(whole.case, whole.evidence, whole.pricing, basis, judged)["volume"]
    assert said["answered"] == "in part" and "no invoice can be decided yet" in said["missing"]
    assert whole.questions["volume"]["missing"] == ""


def test_what_a_city_asks_for_is_cited_in_words(whole):
    cited = report_balance.asked_for(whole)["source"]
    assert cited.str.contains("City of").any() and not cited.str.contains("-memory").any()


def test_amounts_and_counts_in_sentences_carry_currency_and_separators(whole):
    said = [flag.message for flag in whole.flags] + list(whole.signatures["sentence"])
    assert any("would have cost USD 630.26 less" in text for text in said)
    assert any("add up to USD 63,077.33, its total is USD 63,707.33" in text for text in said)
    assert any("bills 11,210.9 for 102,728 counts" in text for text in said)


def test_a_name_keeps_its_spelling_at_the_head_of_a_sentence():
    found = [Flag("register-falls", f"{text}: it falls") for text in ("weir.csv", "date")]
    said = dict(zip(["name", "word"], flag_sentences(found, WORDS, ("weir.csv",)), strict=True))
    assert said["name"][1] == "weir.csv: it falls." and said["word"][1] == "Date: it falls."


def test_one_bill_is_told_in_the_singular(whole):
    claim = whole.claim[whole.claim["invoice"] == "K2506"]
    claim.attrs = whole.claim.attrs
    told = str(cover_letter(replace(whole, claim=claim)))
    assert "This invoice does not follow" in told and "It is too high by" in told
    assert "Together" not in told and "These invoices" not in told


def test_the_reading_sheet_is_asked_for_where_the_bill_itself_is_wrong(whole):
    """K2602 follows its printed reads and rates; the estimate before it does what it costs."""
    sheet = next(text for text in whole.next_proof if "reading sheet" in text)
    assert "K2505" in sheet and "K2602" not in sheet and "their totals differ" in sheet


def test_the_overview_ends_in_the_sum(whole):
    overview = report_frames.invoice_overview(whole)
    billed = overview["billed [kgal]"]
    single = ~overview["invoice"].str.contains(r" \+ ")
    assert billed.iloc[-1] == pytest.approx(billed[single].iloc[:-1].sum())
    kept = overview[~overview["invoice"].str.contains(r" \+ ")]
    assert list(kept["invoice"])[:-1] == list(whole.invoices["invoice"])
    bold = re.search(r'<tr class="sum"><td[^>]*>([^<]*)', report_story.overview(whole).markup)
    assert bold[1] == "all invoices"


def test_the_line_grid_gives_the_claim(whole):
    grid = report_frames.line_grid(whole)
    claimed = whole.claim.set_index("invoice")["by_the_rules"]
    assert grid["total"].to_numpy() == pytest.approx(claimed.loc[grid.index].to_numpy(), abs=0.005)


def test_shares_of_a_period_are_its_whole(whole):
    shares = report_frames.status_shares(whole)
    assert shares.iloc[:, 1:].sum(axis=1).to_numpy() == pytest.approx(1.0, abs=0.002)


def test_daily_means_keep_the_volume(whole):
    """Mean of the daily means times the length of the record against the sum of the volumes."""
    daily = report_frames.daily_discharge(whole)
    volume = daily["discharge"].mean() * 86400 * len(daily)
    spans = (whole.invoices["end"] - whole.invoices["start"]) / pd.Timedelta(seconds=1)
    days = spans.sum() / 86400
    stated = whole.total["effluent_mean"]
    assert volume / len(daily) * days == pytest.approx(stated, rel=0.03)
    assert daily["time"].dt.hour.eq(0).all() and daily["time"].is_unique


def test_the_weekly_pattern_is_ordered(whole):
    pattern = report_frames.weekly_pattern(whole)
    assert len(pattern) == 168
    assert (pattern["low"] <= pattern["middle"]).all() and (
        pattern["middle"] <= pattern["high"]
    ).all()


def test_the_balance_closes(whole):
    flows = report_frames.flows(whole)
    sign = np.where(flows["kind"] == "use", -1, 1)
    assert (sign * flows["mean"]).sum() == pytest.approx(whole.total["balance_mean"], rel=1e-9)


def test_a_zero_that_is_right_changes_nothing(whole):
    curve = report_frames.zero_curve(whole).set_index("zero_error")["change"]
    assert curve.iloc[12] == 0 and curve.is_monotonic_increasing


def test_every_cause_has_a_source(whole):
    table = report_frames.assumptions(whole)
    assert (table["source"].str.len() > 10).all()
    assert set(table["supplied by"]) <= {"default of the toolkit", "case file"}


def test_a_checklist_is_answered_or_open(whole):
    table = report_lists.checklist(whole)
    assert len(table) >= len(whole.case.device.notes.rules) > 0
    assert table["answer of the case"].str.len().min() > 0


def test_readings_are_all_counted(whole):
    counts = report_lists.reading_counts(whole)
    assert counts["readings"].sum() == len(whole.inputs.logger.frame)
    assert counts["share [%]"].sum() == pytest.approx(100)


def test_margins_tell_decided_from_undecided(whole):
    table = report_frames.margins(whole)
    decided = ~table["finding"].str.startswith("cannot")
    assert table.loc[decided, "what would change it"].str.startswith("an error of more than").all()
    assert len(table) == len(whole.judged) + 1


def test_the_plain_letter_offers_nothing_and_that_for_counsel_tells_all(whole):
    claim = whole.claim.copy()
    claim.attrs = whole.claim.attrs
    claim.loc[0, "by_the_rules"] = -12.0
    other = replace(whole, claim=claim)
    name = str(claim["invoice"][0])
    assert f"{name} by {WORDS.money(12)}" not in cover_letter(other).plain
    assert f"{name} by {WORDS.money(12)}" in cover_letter(other, counsel=True).plain


def test_the_letter_goes_bill_by_bill(whole):
    """Each bill with the figure that departs, as printed and right, its amount and its proof."""
    text = cover_letter(whole).plain
    own = [e.invoice for e in whole.ledger.entries if e.link != OF_RUN]
    for row in whole.claim[whole.claim["invoice"].isin(own)].itertuples():
        line = next(line for line in text.splitlines() if f". {row.invoice}: " in line)
        assert f"Too high by {WORDS.money(row.by_the_rules)}" in line and "What shows it" in line
    assert "as printed USD 63,707.33, by the schedule USD 63,077.33" in text


def test_the_letter_has_blanks_and_defers_to_counsel(whole):
    text = str(cover_letter(whole))
    for blank in ("[date]", "[account number]", "[name]", "[position]"):
        assert blank in text
    assert "for counsel" in text
    assert "Ask the city" not in text  # what the facility is told is not told to the city


@pytest.mark.parametrize(
    ("share", "words"),
    [(1.0, "more than 99.9 %"), (0.0, "less than 0.1 %"), (0.5, "the probability is 50.0 %")],
)
def test_no_figure_rounds_a_probability_to_certainty(share, words):
    draws = np.where(np.arange(1000) < 1000 * share, 80.0, 100.0) + np.linspace(-1, 1, 1000)
    alt = decision_picture(draws, 100.0, 0.05, "m3").alt
    assert words in alt and "100.0 %" not in alt and " 0.0 %" not in alt


def test_tables_carry_units(whole, tmp_path):
    for name, table in whole.tables().items():
        shown = with_units(table, "kgal", "USD")
        numeric = [c for c in shown if pd.api.types.is_float_dtype(shown[c])]
        bare = [c for c in numeric if "[" not in c]
        assert not set(bare) - {"value", "standard", "parameter"}, f"{name}: {bare}"
    write_tables(whole, tmp_path / "tables.xlsx")
    assert (tmp_path / "tables.xlsx").stat().st_size > 5000
    lines = invoice_lines(whole)
    assert set(lines["invoice"]) == set(whole.invoices["invoice"])


def test_units_are_converted():
    """1 US gallon is 231 cubic inches, 3.785 412 L (NIST SP 811, appendix B.8)."""
    frame = pd.DataFrame(
        {"billed_m3": [3.785412], "effluent_mean": [7.570824], "share": [0.25], "gap_s": [7200.0]}
    )
    shown = with_units(frame, "gal", "EUR")
    assert list(shown) == ["billed [gal]", "effluent mean [gal]", "share [%]", "gap [h]"]
    assert shown.iloc[0].to_numpy() == pytest.approx([1000.0, 2000.0, 25.0, 2.0], rel=1e-6)
    assert list(with_units(pd.DataFrame({"invoiced_total": [1.0]}), "gal", "EUR")) == [
        "invoiced total [EUR]"
    ]


@pytest.mark.parametrize(
    "text, expected",
    [
        (WORDS.volume(3785.412), "1,000 kgal"),
        (WORDS.volume(float("nan")), "– kgal"),
        (WORDS.volume_interval(3406.871, 4163.953), "900.0 to 1,100.0 kgal (95 % interval)"),
        (WORDS.money(-1234.5), "USD \N{MINUS SIGN}1,234.50"),
        (WORDS.money(-0.001), "USD 0.00"),
        (WORDS.probability(0.99999), "more than 99.9 %"),
        (WORDS.probability(0.00001), "less than 0.1 %"),
        (WORDS.probability(0.5), "50.0 %"),
        (WORDS.sign(0.99999), "> 99.9 %"),
        (WORDS.head(0.0254), "1 in"),
        (WORDS.discharge(0.0063090196), "100.0 gpm"),
        (WORDS.day(pd.Timestamp("2026-03-01 03:00", tz="UTC")), "2026-02-28"),
        (WORDS.day(date(2026, 3, 1)), "2026-03-01"),
        (WORDS.day(None), "–"),
        (WORDS.written(1, "# invoice|# invoices"), "1 invoice"),
        (WORDS.written(2000, "# foot|# feet"), "2,000 feet"),
        (joined([]), ""),
        (joined(["a", "b", "c"]), "a, b and c"),
    ],
)
def test_words(text, expected):
    assert text == expected


def test_bullets_disarm_foreign_text():
    shown = report_story.bullets(["<b>*x*</b>\n# y"], "none")
    assert "<" not in shown.markup and "*" not in shown.markup and "\n" not in shown.markup
    assert str(report_story.bullets([], "Nothing.")) == "Nothing."


def test_flags_are_in_order_of_weight_and_in_units_people_read(whole):
    stop = Flag("register-falls", "nothing can be judged")
    rows = flag_sentences([*whole.flags, stop], WORDS)
    concerns = [concern for concern, _ in rows]
    assert rows[0] == ("stops a verdict", "Nothing can be judged.")
    assert list(dict.fromkeys(concerns)) == [
        "stops a verdict",
        "verdict",
        "invoices and meters",
        "record",
    ]
    gaps = [flag for flag in whole.flags if flag.code == "gap-estimated"]
    text = rows[-1][1]
    assert all(f"{WORDS.volume(flag.data['volume_m3'])}" in text for flag in gaps)
    assert len(rows) == len(whole.flags) + 1 - (len(gaps) - 1), "no flag is lost"
    assert not any("m3)" in sentence for _, sentence in rows)


def test_a_volume_billed_by_the_schedule_is_no_error_of_the_invoice(whole):
    """The schedule bills a share of the intake: an invoice may follow it and exceed the sewer."""
    text = str(report_story.conclusions(whole))
    off = {e.invoice for e in whole.ledger.entries if e.link == "charged volume"}
    named = [row.invoice for row in whole.judged.itertuples() if not off & set(row.invoices)]
    assert len(named) == 7 and f"The volumes of {joined(named)} follow the schedule" in text


def test_an_echo_record_is_asked_the_questions_of_its_sensor(whole):
    subjects = list(report_lists.checklist(whole)["subject"])
    assert {"blanking", "temperature", "throat"} - set(subjects) == {"throat"}


def test_a_trend_record_is_labelled_wherever_it_is_shown():
    result = looked_at("manning", draws=500)
    assert "Trend grade" in str(report_story.verdict(result))
    assert "TREND GRADE" in str(report_story.device(result))
    figure = PICTURES["invoices"][1](result).figure
    labels = [text.get_text() for text in figure.legends[0].get_texts()]
    assert "measured effluent, trend grade" in labels
    assert ("verdict", True) in [
        (concern, "trends only" in sentence or "trend" in sentence.lower())
        for concern, sentence in flag_sentences(result.flags, WORDS)
    ]


def test_lines_without_a_difference_are_a_sentence_not_an_empty_picture():
    result = looked_at("area_velocity", draws=500)
    missing, draw = PICTURES["lines"]
    assert draw(result) is None and "No charge line differs" in missing


def test_every_uncertain_input_says_of_what(whole):
    """A bare per cent cannot be checked: it is a share of a reading, a volume, a size."""
    table = report_frames.assumptions(whole).set_index("cause")["standard uncertainty"]
    for text in table:
        assert re.search(r" (?:of|in) [a-z]", text) or text == "0, none of its own", text
    assert table["water in product"].startswith("1 % of the volume main registers")
    assert "taken as 19 %" in table["water in product"]
    assert table["main: meter error"] == "1 % of the volume main registers"
    assert table["zero error"].startswith("0.0984 in of level")  # 2.5 mm
    # Bos 1989 ch. 7 (from memory): 3 % as limits, so 3 % / sqrt(3)
    assert table["discharge coefficient"] == ("1.73 % of the discharge (limits ± 3 %, rectangular)")


def test_no_source_is_vague(whole):
    """A document, a place of memory, a judgement that says whose, or the case's own words."""
    table = report_frames.assumptions(whole)
    ours = table[table["supplied by"] != "case file"]["source"]
    named = r"judgement|from memory|ISO |Bos |USBR|\(read\)|abstract read|of the record|same record"
    assert ours.str.contains(named).all(), ours[~ours.str.contains(named)].tolist()


def test_the_decision_rule_is_printed_whole(whole):
    text = str(report_story.rule_words(whole))
    assert text.startswith("The decision rule (agreed between the plant manager and the auditor")
    assert "The 11 volumes judged share one risk" in text and "less than 75 % of a period" in text
