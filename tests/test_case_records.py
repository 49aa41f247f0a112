"""From the case file to the audit: every form a record may come in, every key that says how.

Each test writes a small case of invented files, as a user would, and looks at what the audit has
read. Volumes of the different forms are compared with the same readings in a plain table.
"""

from __future__ import annotations

import os
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from sewer_audit import audit
from sewer_audit.auditing import inspect_file
from sewer_audit.auditing.judgement.averaging import averaging_table
from sewer_audit.auditing.judgement.steps import step_table
from sewer_audit.auditing.reading.inputs import read_all, read_inputs
from sewer_audit.case import load_case, models_records, sample_case
from sewer_audit.errors import InputRefused
from sewer_audit.records.model import ROLES
from sewer_audit.report.evidence.screening import screening_stretches
from sewer_audit.report.pictures import PICTURES
from sewer_audit.uncertainty import Draws

TIMES = pd.date_range("2026-01-05 06:00", "2026-01-19 06:00", freq="15min", tz="UTC")
HEADS = 3.0 + np.round(1.5 * np.sin(np.arange(len(TIMES)) / 15.0) ** 2, 2)

CASE = """\
[case]
title = "Invented site"
time_zone = "America/Regina"
basis = "discharge"

[invoices]
file = "invoices.csv"
volume_unit = "kgal"
end_day_counts = false
"""
EFFLUENT = """
[effluent]
file = {file}
method = "parshall flume"
throat = "6 in"
{keys}
columns = {columns}
"""
HEAD = '{ time = "time", head = { name = "head", unit = "in" } }'
METER = """
[[intake]]
meter = "main"
"""


@pytest.fixture
def site(tmp_path):
    """A case folder with two invoices of a week each and a plain table of heads."""

    class Site:
        folder = tmp_path

        def put(self, name, text):
            (tmp_path / name).write_text(text, encoding="utf-8")
            return self

        def case(self, *tables):
            return self.put("case.toml", CASE + "".join(tables))

        def effluent(self, file='"log.csv"', keys="", columns=HEAD):
            return self.case(EFFLUENT.format(file=file, keys=keys, columns=columns))

        def read(self):
            return read_inputs(load_case(tmp_path))

        def audit(self, draws=400):
            return audit(load_case(tmp_path), draws=draws)

        def volumes(self):
            return self.audit().evidence.effluent.model.evaluate(None, {}, 1)[0]

    made = Site()
    rows = ["A1,2026-01-05,2026-01-12,300,1", "A2,2026-01-12,2026-01-19,300,1"]
    made.put("invoices.csv", "\n".join(["invoice,start,end,billed_volume,total", *rows]) + "\n")
    return made.put("log.csv", table(TIMES, HEADS))


def table(times, values, head="time,head", zone="America/Regina", form="%Y-%m-%d %H:%M"):
    stamps = times.tz_convert(zone).strftime(form)
    rows = [f"{stamp},{value:.2f}" for stamp, value in zip(stamps, values, strict=True)]
    return "\n".join([head, *rows]) + "\n"


@pytest.fixture
def plain(site):
    """Volumes of the plain table [m3]."""
    site.effluent()
    return site.volumes()


def series(role, values, unit, times=TIMES):
    points = "".join(
        f"<w:point><w:MeasurementTVP><w:time>{t:%Y-%m-%dT%H:%M:%SZ}</w:time>"
        f"<w:value>{v:.2f}</w:value></w:MeasurementTVP></w:point>"
        for t, v in zip(times, values, strict=True)
    )
    return (
        f'<om:OM_Observation xmlns:om="http://www.opengis.net/om/2.0" '
        f'xmlns:gml="http://www.opengis.net/gml/3.2" gml:id="{role}">'
        f'<w:MeasurementTimeseries xmlns:w="http://www.opengis.net/waterml/2.0">'
        f'<w:uom code="{unit}"/>{points}</w:MeasurementTimeseries></om:OM_Observation>'
    )


def collection(*members):
    head = '<w:Collection xmlns:w="http://www.opengis.net/waterml/2.0">'
    body = "".join(f"<w:observationMember>{m}</w:observationMember>" for m in members)
    return f"{head}{body}</w:Collection>"


# --- the effluent record in its three forms -------------------------------------------------------


def test_waterml_gives_the_volumes_of_the_table(site, plain):
    site.put("log.xml", collection(series("h1", HEADS, "[in_i]")))
    site.effluent('"log.xml"', 'form = "waterml"', '{ head = { name = "h1" } }')
    assert site.volumes() == pytest.approx(plain)


def test_waterml_in_two_files_that_overlap(site, plain):
    one, two = slice(0, 700), slice(650, None)
    site.put("a.xml", collection(series("h1", HEADS[one], "[in_i]", TIMES[one])))
    site.put("b.xml", collection(series("h1", HEADS[two], "[in_i]", TIMES[two])))
    site.effluent('["a.xml", "b.xml"]', 'form = "waterml"', '{ head = { name = "h1" } }')
    assert site.volumes() == pytest.approx(plain)
    assert site.read().logger.counts["identical rows merged"] == 50


def test_waterml_series_of_two_roles_are_joined_by_time(site):
    depth, speed = HEADS * 2, 1 + HEADS / 10
    site.put(
        "log.xml",
        collection(series("d", depth, "[in_i]"), series("v", speed[5:], "[ft_i]/s", TIMES[5:])),
    )
    site.put(
        "case.toml",
        CASE + '\n[effluent]\nfile = "log.xml"\nform = "waterml"\nmethod = "area velocity"\n'
        'diameter = "12 in"\ncolumns = { depth = { name = "d" }, velocity = { name = "v" } }\n',
    )
    record = site.read().logger
    assert record.counts["measured"] == len(TIMES) - 5
    assert set(record.frame["reason"][:5]) == {"no velocity at this time"}
    first = record.frame.iloc[5]
    assert first["depth"] == pytest.approx(depth[5] * 0.0254)
    assert first["velocity"] == pytest.approx(round(speed[5], 2) * 0.3048)
    assert site.audit().invoices["record_coverage"][1] == pytest.approx(1)


def test_hand_readings_reach_the_audit_with_an_interval_that_contains_the_truth(site, plain):
    times = pd.DatetimeIndex(
        [f"2026-01-{day:02d} {hour:02d}:10" for day, hour in zip(range(5, 19), HOURS, strict=True)]
    ).tz_localize("America/Regina")
    place = TIMES.get_indexer(times.tz_convert("UTC"), method="nearest")
    text = table(times, HEADS[place], "time,level")
    site.put("hand.csv", text.replace("\n", ",clear\n").replace("level,clear", "level,remark", 1))
    columns = '{ time = "time", head = { name = "level", unit = "in" }, remark = "remark" }'
    site.effluent('"hand.csv"', 'form = "hand readings"', columns)
    result = site.audit(2000)
    for row, truth in zip(result.invoices.itertuples(), plain, strict=True):
        assert row.effluent_low < truth < row.effluent_high
        assert row.effluent_high - row.effluent_low > 0.3 * truth  # fourteen readings prove little
    assert result.findings()["invoices"][0]["record_coverage"] is None
    causes = set(result.causes["cause"])
    assert {"hours never looked at", "few readings by hand"} <= causes
    assert not {"zero drift", "head noise"} & causes
    flag = next(flag for flag in result.flags if flag.code == "hand-readings")
    assert flag.data["readings"] == flag.data["looks"] == 14


HOURS = (8, 12, 16, 9, 14, 11, 15, 20, 10, 13, 6, 17, 9, 12)


def test_hours_never_looked_at_cannot_be_averaged_away(site):
    """Ten times as many readings in the same two hours leave the same hours unknown."""
    widths = []
    for minutes in ((5,), (5, 15, 25, 35, 45)):
        stamps = [
            f"2026-01-{day:02d} {hour:02d}:{minute:02d},{3 + day % 3}.{minute % 10}"
            for day in range(5, 19)
            for hour in (9, 13)
            for minute in minutes
        ]
        site.put("hand.csv", "\n".join(["time,head", *stamps]) + "\n")
        site.effluent('"hand.csv"', 'form = "hand readings"')
        result = site.audit()
        budget = result.budget.set_index(["estimate", "invoice", "cause"])["share"]
        assert budget["effluent", "total", "hours never looked at"] > 0.9
        widths.append(result.total["effluent_standard_uncertainty"])
    assert widths[1] == pytest.approx(widths[0], rel=0.1)


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        (["2026-01-06 08:00,3", "2026-01-14 09:00,3.1"], "2 looks at the flow at least three"),
        ([f"2026-01-06 {h:02d}:00,3" for h in (0, 4, 9, 15, 20)], "no accepted reading in the ser"),
        (["2026-01-06,3"], "a hand reading needs its time of day"),
    ],
)
def test_hand_readings_that_cannot_stand_for_a_period(site, rows, said):
    site.put("hand.csv", "\n".join(["time,head", *rows]) + "\n")
    site.effluent('"hand.csv"', 'form = "hand readings"')
    with pytest.raises(InputRefused, match=said):
        site.audit()


# --- how a table is read --------------------------------------------------------------------------


def test_several_exports_in_different_units_are_one_record(site, plain):
    site.put("a.csv", table(TIMES[:700], HEADS[:700]))
    site.put("b.csv", table(TIMES[650:], HEADS[650:] * 2.54, "time,head_cm"))
    own = 'file_columns = { "b.csv" = { head = { name = "head_cm", unit = "cm" } } }'
    site.effluent('["a.csv", "b.csv"]', own + '\nconflicts = "first"')
    assert site.volumes() == pytest.approx(plain, rel=2e-3)  # the second file is rounded to 0.1 mm


@pytest.mark.parametrize(("stamp", "minutes"), [("interval start", 0), ("interval end", 15)])
def test_means_of_intervals_lie_in_their_middle(site, stamp, minutes):
    shifted = TIMES + pd.Timedelta(minutes=minutes)
    site.put("log.csv", table(shifted, HEADS))
    site.effluent(keys=f'stamp = "{stamp}"\nallow_missing_periods = true')
    first = site.read().logger.frame["time"].iloc[0]
    assert first == TIMES[0] + pd.Timedelta(minutes=7.5)


def test_a_logger_on_another_clock_than_the_site(site, plain):
    site.put("log.csv", table(TIMES, HEADS, zone="UTC"))
    site.effluent(keys='time_zone = "UTC"')
    assert site.volumes() == pytest.approx(plain)


def test_zone_words_a_second_clock_and_a_date_in_parts(site, plain):
    local = TIMES.tz_convert("America/Regina")
    rows = [
        f"{t:%Y,%m,%d,%H,%M},CST,{u:%Y-%m-%d %H:%M},{h:.2f}"
        for t, u, h in zip(local, TIMES, HEADS, strict=True)
    ]
    site.put("log.csv", "\n".join(["Year,Month,Day,Hour,Minute,tz,utc,head", *rows]) + "\n")
    columns = (
        '{ time = ["Year", "Month", "Day", "Hour", "Minute"], zone = "tz", utc = "utc", '
        'head = { name = "head", unit = "in" } }'
    )
    site.effluent(keys='zone_offsets = { CST = "UTC-06:00" }', columns=columns)
    assert site.volumes() == pytest.approx(plain)
    wrong = '{ CST = "UTC-05:00" }'
    site.effluent(keys=f"zone_offsets = {wrong}\nallow_missing_periods = true", columns=columns)
    flags = [flag.message for flag in site.read().logger.flags]
    assert any("the local and the UTC column disagree in 1345 of 1345" in text for text in flags)


def test_a_clock_set_by_hand_is_corrected_as_stated(site, plain):
    wrong = TIMES.to_series().reset_index(drop=True)
    wrong[400:600] -= pd.Timedelta(hours=1)
    site.put("log.csv", table(pd.DatetimeIndex(wrong), HEADS))
    site.effluent()
    with pytest.raises(InputRefused, match="the time goes back by 2700 s"):
        site.read()
    first, last = (wrong[place].tz_convert("America/Regina") for place in (400, 599))
    given = f'start = "{first:%Y-%m-%d %H:%M}", end = "{last:%Y-%m-%d %H:%M}"'
    site.effluent(keys=f'clock_correction = [{{ {given}, shift = "1 h" }}]')
    assert site.volumes() == pytest.approx(plain)


def test_marks_early_stamps_and_roles_that_may_be_missing(site):
    early = TIMES[:300].append(TIMES[300:] - pd.Timedelta(seconds=1))
    text = table(early, HEADS, form="%Y-%m-%d %H:%M:%S").replace("\n", ",-77\n")
    text = text.replace("time,head,-77", "time,head,tail", 1)
    site.put("log.csv", text.replace(",4.50,-77", ",echo?,-77"))
    columns = (
        '{ time = "time", head = { name = "head", unit = "in" }, '
        'downstream_head = { name = "tail", unit = "in" } }'
    )
    keys = 'missing_marks = ["echo?", "-77"]\nround_stamps_to = "15 min"\n'
    site.effluent(keys=keys + 'may_be_missing = ["downstream_head"]', columns=columns)
    record = site.read().logger
    marks = int((HEADS == 4.5).sum())
    assert marks > 0
    assert record.counts["rejected"] == marks
    assert set(record.kept["reason"]) == {"missing mark"}
    assert (record.frame["time"] == TIMES.as_unit("us")).all()
    site.effluent(keys=keys, columns=columns)
    with pytest.raises(InputRefused, match="no accepted reading"):
        site.read()


def test_rain_of_a_gauge_keeps_its_total_and_marks_wet_days(site):
    hours = pd.date_range(TIMES[0], TIMES[-1], freq="h")
    rain = np.where((np.arange(len(hours)) > 100) & (np.arange(len(hours)) < 112), 0.05, 0.0)
    site.put("rain.csv", table(hours, rain, "time,rain"))
    gauge = '{ file = "rain.csv", columns = { time = "time", rain = { name = "rain", unit = '
    site.effluent(keys=f'rain_gauge = {gauge}"in" }} }} }}')
    record = site.read().logger
    assert record.frame["rain"].sum() == pytest.approx(rain.sum() * 0.0254)
    counts = record.screening.set_index("rule")["marked"]
    assert counts["wet weather"].max() > 0
    keys = [entry["key"] for entry in site.audit(200).findings()["inputs"]]
    assert "effluent.rain_gauge.file" in keys


# --- meters and invoices --------------------------------------------------------------------------

READS = pd.date_range("2026-01-05 06:00", "2026-01-19 06:00", freq="D", tz="UTC")
COUNTS = 1000 + 37 * np.arange(len(READS))


def reads(counts=COUNTS, times=READS):
    stamps = times.tz_convert("America/Regina").strftime("%Y-%m-%d %H:%M")
    return (
        "\n".join(["time,register", *(f"{t},{c}" for t, c in zip(stamps, counts, strict=True))])
        + "\n"
    )


def test_green_button_gives_the_volumes_of_the_register(site):
    site.put("main.csv", reads()).case(METER, 'file = "main.csv"\nunit = "m3"\n')
    table = site.read().meters["main"].frame["volume_m3"]
    body = "".join(
        f"<IntervalReading><timePeriod><duration>86400</duration><start>{int(t.timestamp())}"
        "</start></timePeriod><value>37000</value></IntervalReading>"
        for t in READS[:-1]
    )
    kind = "<ReadingType><uom>42</uom><powerOfTenMultiplier>-3</powerOfTenMultiplier></ReadingType>"
    site.put("use.xml", f'<feed xmlns="http://naesb.org/espi">{kind}{body}</feed>')
    site.case(METER, 'file = "use.xml"\nform = "green button"\n')
    record = site.read().meters["main"]
    assert record.frame["volume_m3"].to_numpy() == pytest.approx(table.to_numpy())
    assert site.audit().total["balance_mean"] == pytest.approx(
        1.02 * 37 * 14, rel=0.01
    )  # of unknown age


def test_compound_meter_and_a_meter_taken_off(site):
    site.put("main.csv", reads()).put("low.csv", reads(500 + 3 * np.arange(15)))
    site.put("off.csv", reads(100 + 10 * np.arange(15)))
    further = "".join(
        f'[[intake.further_register]]\nname = "{name}"\nfile = "{name}.csv"\nunit = "{unit}"\n'
        f'sign = "{sign}"\n'
        for name, unit, sign in (("low", "m3", "add"), ("off", "L", "take off"))
    )
    site.case(METER, 'file = "main.csv"\nunit = "m3"\n', further)
    volume = site.read().meters["main"].frame["volume_m3"]
    assert volume.iloc[-1] == pytest.approx(14 * (37 + 3 - 0.010))
    files = {entry["file"] for entry in site.audit(200).findings()["inputs"]}
    assert {"main.csv", "low.csv", "off.csv"} <= files


def test_change_of_meter_and_of_multiplier_by_columns_of_the_file(site):
    rows = [
        "2026-01-05 00:00,900,10,", "2026-01-10 00:00,950,10,", "2026-01-10 00:00,5,1,change-out",
        "2026-01-15 00:00,505,1,", "2026-01-19 00:00,905,1,",
    ]  # fmt: skip
    site.put("main.csv", "\n".join(["when,count,factor,what", *rows]) + "\n")
    columns = (
        'columns = { time = "when", register = "count", multiplier = "factor", event = "what" }'
    )
    site.case(METER, f'file = "main.csv"\nunit = "m3"\n{columns}\n')
    record = site.read().meters["main"]
    assert record.frame["volume_m3"].tolist() == pytest.approx([0, 500, 500, 1000, 1400])
    assert {"meter changed", "multiplier changed"} <= {flag.code for flag in record.flags}
    assert site.audit().total["balance_mean"] == pytest.approx(
        1.02 * 1400, rel=0.01
    )  # of unknown age


def test_sheet_and_decimal_comma_of_a_meter(site):
    import openpyxl

    book = openpyxl.Workbook()
    book.active.title = "notes"
    book.active.append(["a", "b"])
    sheet = book.create_sheet("reads")
    sheet.append(["time", "register"])
    for time, count in zip(READS, COUNTS, strict=True):
        sheet.append([f"{time.tz_convert('America/Regina'):%Y-%m-%d %H:%M}", f"{count},5"])
    book.save(site.folder / "main.xlsx")
    keys = 'file = "main.xlsx"\nunit = "m3"\nsheet = "reads"\ndecimal = ","\n'
    site.case(METER, keys)
    assert site.read().meters["main"].frame["register"].iloc[0] == 1000.5


def test_a_corrected_invoice_is_the_one_that_is_audited(site):
    rows = [
        "A1,2026-01-05,2026-01-12,300,100,,", "A2,2026-01-12,2026-01-19,999,900,,",
        "A2b,2026-01-12,2026-01-19,310,110,corrected,A2",
    ]  # fmt: skip
    head = "no,start,end,volume,total,sort,instead of"
    site.put("invoices.csv", "\n".join([head, *rows]) + "\n")
    columns = (
        'columns = { invoice = "no", billed_volume = "volume", kind = "sort", '
        'replaces = "instead of" }\n'
    )
    site.case(columns)
    result = site.audit(200)
    assert result.invoices["invoice"].tolist() == ["A1", "A2b"]
    assert any(flag.code == "invoice replaced" for flag in result.flags)


# --- what is refused ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tables", "said"),
    [
        ([METER, 'file = "m.csv"\nunit = "m3"\ncolumns = { registr = "x" }\n'],
         "reads of a register have no column 'registr'. Known are time, date, register, read_type"),
        ([METER, 'file = "m.csv"\n'], "the key 'unit' is missing"),
        ([METER, 'file = "m.csv"\nunit = "m3"\nform = "modbus"\n'], "Write one of 'table' or"),
        ([METER, 'file = "m.csv"\nform = "green button"\ndigits = 6\n'], "digits has no meaning"),
        ([METER, 'file = "m.csv"\nunit = "m3"\n[[intake.further_register]]\nname = "low"\n'
          'file = "l.csv"\nunit = "m3"\nsing = "add"\n'],
         "unknown key 'sing'. Perhaps 'sign' is meant. Known here are columns, day_first"),
        ([METER, 'file = []\nunit = "m3"\n'], "no file named"),
        (['columns = { volume = "x" }\n'], "invoices have no column 'volume'. Known are invoice,"),
        (['read_hour = "8 am"\n'], "is no time of day. Write for example '08:00'"),
        ([EFFLUENT.format(file='"l.csv"', keys='form = "hand readings"\nstamp = "instant"',
                          columns=HEAD)], "stamp has no meaning for form 'hand readings'"),
        ([EFFLUENT.format(file='"l.csv"', keys='form = "waterml"', columns=HEAD)],
         "a series has no column 'time'"),
        ([EFFLUENT.format(file='"l.csv"', keys='form = "waterml"',
                          columns='{ head = "h1" }')], "series head is no table. Write head ="),
        ([EFFLUENT.format(file='"l.csv"', keys="", columns='{ time = "t", tz = "z" }')],
         "role 'tz' is not known"),
        ([EFFLUENT.format(file='"l.csv"', keys='zone_offsets = { EST = "UTC-5" }',
                          columns=HEAD)], "a zone column and zone_offsets belong together"),
        ([EFFLUENT.format(file='"l.csv"', keys='may_be_missing = ["rain"]', columns=HEAD)],
         "'rain' is no role named under columns"),
        ([EFFLUENT.format(file='"l.csv"', keys='file_columns = { "x.csv" = {} }', columns=HEAD)],
         "'x.csv' is no file of this record"),
        ([EFFLUENT.format(file='"l.csv"', keys='clock_correction = [{ start = "2026-01-01", '
                          'end = "2026-01-02", shift = "1" }]', columns=HEAD)], "positive where"),
        ([EFFLUENT.format(file='"l.csv"', keys='rain_gauge = { file = "r.csv", columns = '
                          '{ time = "t" } }', columns=HEAD)], "no rain column named"),
    ],
)  # fmt: skip
def test_what_would_be_passed_over_is_refused(site, tables, said):
    site.case(*tables)
    with pytest.raises(InputRefused) as caught:
        load_case(site.folder)
    assert said in str(caught.value)
    assert all(problem.remedy for problem in caught.value.problems)


def test_a_misspelled_key_of_the_record_is_not_taken_for_a_size_of_the_device(site):
    site.effluent(keys='time_zon = "UTC"')
    with pytest.raises(InputRefused) as caught:
        load_case(site.folder)
    (problem,) = caught.value.problems
    text = (site.folder / "case.toml").read_text().splitlines()
    assert text[problem.line - 1] == 'time_zon = "UTC"'
    assert problem.found == "unknown key 'time_zon'"
    assert "of the device, throat" in problem.remedy
    assert "time_zone" in problem.remedy


def test_a_flow_meter_in_a_full_pipe_needs_no_level(site):
    """The rules for flow and totaliser are applied, those for levels find nothing."""
    flow, total = 30 + HEADS, np.cumsum(30 + HEADS) * 15
    flow[300], total[600:640] = -20.0, total[600]
    rows = [
        f"{t:%Y-%m-%d %H:%M},{q:.2f},{v:.0f}"
        for t, q, v in zip(TIMES.tz_convert("America/Regina"), flow, total, strict=True)
    ]
    site.put("log.csv", "\n".join(["time,gpm,gal", *rows]) + "\n")
    site.put(
        "case.toml",
        CASE + '\n[effluent]\nfile = "log.csv"\nmethod = "full pipe meter"\n'
        'accuracy = "2 %"\ncolumns = { time = "time", flow = { name = "gpm", unit = "gpm" }, '
        'totaliser = { name = "gal", unit = "gal" } }\n',
    )
    result = site.audit()
    one_rejected = 900 / (7 * 86_400)  # bridged, but no measurement: that time is uncovered
    assert result.invoices["record_coverage"][0] == pytest.approx(1 - 2 * one_rejected)
    assert PICTURES["screening"][1](result).figure.axes[0].get_ylabel() == "flow [m3/h]"
    found = screening_stretches(result).groupby(["kind", "reason"])["readings"].sum()
    assert found["rejected", "backflow"] == 1
    assert 35 <= found["marked", "totaliser stands still"] <= 40
    assert len(found) == 2


def test_line_of_a_fault_in_the_second_of_two_registers(site):
    further = (
        '[[intake.further_register]]\nname = "a"\nfile = "log.csv"\nunit = "m3"\n'
        '[[intake.further_register]]\nname = "b"\nfile = "log.csv"\nunit = "gpm"\n'
    )
    site.case(METER, 'file = "log.csv"\nunit = "m3"\n', further)
    with pytest.raises(InputRefused) as caught:
        load_case(site.folder)
    (problem,) = caught.value.problems
    text = (site.folder / "case.toml").read_text().splitlines()
    assert text[problem.line - 1] == 'unit = "gpm"'
    assert problem.column == "intake[1].further_register[2].unit"


# --- inspect --------------------------------------------------------------------------------------


def test_inspect_goes_on_past_faults_of_the_case_file(site):
    """A wrong key, a missing file, a bad date and a bad number are told in one run."""
    site.put("main.csv", reads().replace("2026-01-07 00:00", "2026-01-77 00:00"))
    site.put("log.csv", table(TIMES, HEADS).replace(",3.00\n", ",3.00m\n", 1))
    site.case(
        'colour = "red"\n',
        METER,
        'file = "main.csv"\nunit = "m3"\n',
        '[[intake]]\nmeter = "well"\nfile = "lost.csv"\nunit = "m3"\n',
        '[rates]\nfile = "rates.toml"\n',
        EFFLUENT.format(file='"log.csv"', keys="", columns=HEAD),
    )
    found = inspect_file(site.folder)
    shown = str(found)
    places = {(p.file, p.line, p.column) for p in found.problems if p.severity == "refused"}
    assert ("case.toml", 10, "invoices.colour") in places
    assert ("main.csv", 4, "time") in places
    assert ("log.csv", 2, "head") in places
    lost = [p for p in found.problems if "lost.csv" in str(p)]
    assert [p.file for p in lost] == ["case.toml"]  # told once, where its name is written
    assert sum("rates.toml" in str(p) for p in found.problems) == 1
    assert all(p.remedy for p in found.problems)
    blocks = [line for line in shown.splitlines() if not line.startswith(" ")]
    assert len(blocks) == len(set(blocks))  # grouped: every file is named once
    assert "  read: 2 invoices" in shown
    assert found.refused


def test_inspect_tells_the_same_fault_of_many_lines_in_short(site):
    """Nine bad cells of one column: two in full, every other line by its number; none is lost."""
    lines = table(TIMES, HEADS).splitlines()
    for place in range(1, 10):
        lines[place] = lines[place].rsplit(",", 1)[0] + ",lost"
    site.put("log.csv", "\n".join(lines) + "\n").effluent()
    found = inspect_file(site.folder)
    assert sum(p.file == "log.csv" and p.severity == "refused" for p in found.problems) == 9
    shown = [line for line in str(found).splitlines() if line.startswith("  refused")]
    assert [line.split(",")[0] for line in shown] == [
        "  refused: line 2",
        "  refused: line 3",
        "  refused: lines 4",
    ]
    assert "lines 4, 5, 6, 7, 8, 9, 10, column head: the same fault" in shown[2]
    assert "9 refused" in str(found)


def test_inspect_tells_periods_without_record_and_poor_coverage(site):
    keep = np.r_[0:200, 600:672]
    site.put("log.csv", table(TIMES[keep], HEADS[keep])).effluent()
    shown = str(inspect_file(site.folder))
    assert "refused: column time: no accepted reading in the service period of invoice A2" in shown
    assert "warning: column time: accepted readings cover 40" in shown
    site.effluent(keys='longest_bridge = "5 min"')
    assert (
        "closer to the next than longest_bridge (300 s; readings are usually 900 s apart)"
        in str(inspect_file(site.folder))
    )


def test_below_the_stated_coverage_nothing_is_decided(site):
    """The same record decides where the rule, stated before, is content with less of it."""
    keep = np.r_[0:200, 600:900]
    site.put("log.csv", table(TIMES[keep], HEADS[keep])).put(
        "invoices.csv",
        "invoice,start,end,billed_volume,total\nA1,2026-01-05,2026-01-12,9000,1\n"
        "A2,2026-01-12,2026-01-19,9000,1\n",
    )
    site.effluent()
    poor = site.audit()
    assert poor.invoices["record_coverage"].tolist() == pytest.approx([0.404, 0.337], abs=0.02)
    assert set(poor.invoices["finding"]) == {"cannot be decided from this evidence"}
    assert poor.total["finding"] == "cannot be decided from this evidence"
    site.case(
        EFFLUENT.format(file='"log.csv"', keys="", columns=HEAD),
        "[rule]\nsmallest_coverage_of_record = 0.2\n",
    )
    assert set(site.audit().invoices["finding"]) == {"billed volume too high"}


def test_a_visit_with_an_unreadable_time_is_told_by_inspect(site):
    visit = 'visit = [{ time = "noon", hand = "3 in", instrument = "3 in" }]'
    site.effluent(keys=visit)
    assert "visit time 'noon' cannot be read" in str(inspect_file(site.folder))


# --- conservation ---------------------------------------------------------------------------------


def invoices_at(*dates):
    rows = [f"A{n},{start},{end},300,1" for n, (start, end) in enumerate(pairwise(dates))]
    return "\n".join(["invoice,start,end,billed_volume,total", *rows]) + "\n"


def test_totals_do_not_depend_on_where_invoices_or_files_are_cut(site):
    """Two months with a clock change, a month end and gaps, as one invoice and as several.

    The cuts lie before the day of 23 hours, and inside a gap of three days at a month's end.
    """
    times = pd.date_range("2026-02-15", "2026-04-16", freq="15min", tz="America/Chicago")
    heads = 3.0 + np.round(np.sin(np.arange(len(times)) / 15.3) ** 2, 2)
    lost = (times >= "2026-03-30") & (times < "2026-04-02")
    lost |= (times >= "2026-03-08 00:30") & (times < "2026-03-08 05:00")
    times, heads = times[~lost].tz_convert("UTC"), heads[~lost]
    half = len(times) // 2
    for name, part in (("a.csv", slice(0, half + 300)), ("b.csv", slice(half, None))):
        site.put(name, table(times[part], heads[part], zone="America/Chicago"))
    site.put("log.csv", table(times, heads, zone="America/Chicago"))
    cuts = ["2026-03-08", "2026-04-01"]
    totals = []
    for files, dates in (('"log.csv"', []), ('"log.csv"', cuts), ('["b.csv", "a.csv"]', cuts)):
        site.put("invoices.csv", invoices_at("2026-02-16", *dates, "2026-04-15"))
        site.effluent(files)
        text = (site.folder / "case.toml").read_text().replace("Regina", "Chicago")
        site.put("case.toml", text)
        effluent = site.audit(200).evidence.effluent
        quality = effluent.quality
        parts = quality[["measured_s", "interpolated_s", "estimated_s"]].sum(axis=1)
        assert parts.to_numpy() == pytest.approx(quality["seconds"].to_numpy())
        totals.append(
            [effluent.model.evaluate(None, {}, 1).sum(), effluent.gaps["volume_m3"].sum()]
        )
    assert totals[1] == pytest.approx(totals[0])
    assert totals[2] == pytest.approx(totals[0])


def test_what_would_narrow_hand_readings_and_what_averages_out(site, plain):
    """Tables of the brief for hand readings: no spans shorter than an invoice, no visits."""
    stamps = [f"2026-01-{d:02d} {h:02d}:10" for d, h in zip(range(5, 19), HOURS, strict=True)]
    rows = [f"{stamp},{3 + number % 3}.2" for number, stamp in enumerate(stamps)]
    site.put("hand.csv", "\n".join(["time,head", *rows]) + "\n")
    site.effluent('"hand.csv"', 'form = "hand readings"')
    result = site.audit()
    spans = averaging_table(result.case, result.evidence)["span"].tolist()
    assert spans == ["an invoice", "all invoices"]
    steps = step_table(result.case, result.evidence, result.pricing, Draws(400, 1))
    assert not steps["step"].str.contains("by hand monthly").any()
    assert steps["own_width_m3"].notna().all()


def test_a_gap_follows_an_hourly_intake_from_the_meter_to_the_table_of_gaps(site):
    """Busy and quiet days come from the meter; the filled day is closer to what was lost."""
    rng = np.random.default_rng(5)
    times = pd.date_range("2026-01-05 06:00", "2026-02-16 06:00", freq="15min", tz="UTC")
    busy = rng.uniform(0.3, 1.7, 43)[((times - times[0]).days).to_numpy()]
    busy[(times >= "2026-01-26 06:00") & (times < "2026-01-27 06:00")] = 1.7
    hour = ((times - times[0]) / pd.Timedelta(hours=1)).to_numpy() % 24
    heads = np.round(2 + 3 * busy ** (1 / 1.58) * np.exp(-((hour - 12) ** 2) / 40), 2)
    flow = 0.3812 * (heads * 0.0254) ** 1.58  # the published equation of the 6 in flume, m3/s
    total = np.concatenate([[0.0], np.cumsum((flow[1:] + flow[:-1]) / 2 * 900)]) / 0.8
    local = times.tz_convert("America/Regina").strftime("%Y-%m-%d %H:%M")
    reads = [f"{stamp},{volume:.3f}" for stamp, volume in zip(local[::4], total[::4], strict=True)]
    site.put("main.csv", "\n".join(["time,register", *reads]) + "\n")
    lost = (times > "2026-01-26 06:00") & (times < "2026-01-27 06:00")
    site.put("log.csv", table(times[~lost], heads[~lost]))
    site.put("invoices.csv", invoices_at("2026-01-06", "2026-02-15"))
    truth = total[times.get_loc("2026-01-27 06:00")] - total[times.get_loc("2026-01-26 06:00")]
    filled = {}
    for name, tables in (("alone", ()), ("beside", (METER, 'file = "main.csv"\nunit = "m3"\n'))):
        site.case(*tables, EFFLUENT.format(file='"log.csv"', keys="", columns=HEAD))
        gaps = site.audit(200).evidence.effluent.gaps
        filled[name] = gaps[gaps["hours"] > 20].iloc[0]
    assert filled["alone"]["filled_from"] == "weekly pattern"
    assert filled["beside"]["filled_from"] == "weekly pattern and intake"
    away = {name: abs(gap["volume_m3"] - 0.8 * truth) for name, gap in filled.items()}
    assert away["beside"] < 0.5 * away["alone"]
    spread = "standard_uncertainty_m3"
    assert filled["beside"][spread] < 0.5 * filled["alone"][spread]


def test_the_case_and_the_readers_know_the_same_columns():
    """Neither imports the other, so each has its own list."""
    assert models_records.ROLES == ROLES


@pytest.mark.parametrize(
    ("changes", "keys"),
    [
        ({}, []),
        ({"case.return_factor": 0.8}, ["case.return_factor"]),
        ({"case.return_factor": None}, ["case.return_factor"]),
        ({"case.basis": "discharge"}, ["case.basis"]),
        ({"display.money": "EUR"}, ["display.money"]),
        ({"use.cooling tower make-up.credited": False}, ["use.credited"]),
    ],
)
def test_what_case_and_schedule_state_in_two_ways_is_told(changes, keys):
    flags = read_all(load_case(sample_case()).with_(changes))[0].inspection.flags
    told = [flag for flag in flags if flag.code == "case-and-schedule-disagree"]
    assert [flag.data["key"] for flag in told] == keys


def test_a_page_speaks_in_the_currency_of_its_schedule(tmp_path):
    rates = (sample_case().parent / "rates.toml").read_text("utf-8").replace('"USD"', '"EUR"')
    (tmp_path / "rates.toml").write_text(rates, encoding="utf-8")
    case = load_case(sample_case()).with_(
        {"rates.file": os.path.relpath(tmp_path / "rates.toml", sample_case().parent)}
    )
    assert case.data.display.money == "USD"  # as the case states
    assert case.with_({"display.money": None}).data.display.money == "EUR"
