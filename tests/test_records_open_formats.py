"""WaterML 2.0 and Green Button files, and readings by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sewer_audit.errors import InputRefused
from sewer_audit.records import as_logger, read_green_button, read_hand_readings, read_waterml
from sewer_audit.records.model import DOUBTFUL
from sewer_audit.records.rules.status import Status

GALLON = 231 * 0.0254**3  # NIST Handbook 44 (2024), appendix C: 231 cubic inches

WATERML = """<?xml version="1.0" encoding="UTF-8"?>
<wml2:Collection xmlns:wml2="http://www.opengis.net/waterml/2.0"
  xmlns:om="http://www.opengis.net/om/2.0" xmlns:gml="http://www.opengis.net/gml/3.2"
  xmlns:xlink="http://www.w3.org/1999/xlink"
  xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance">{series}</wml2:Collection>"""
SERIES = """<wml2:observationMember><om:OM_Observation gml:id="{name}"><om:result>
<wml2:MeasurementTimeseries><wml2:defaultPointMetadata><wml2:DefaultTVPMeasurementMetadata>
<wml2:uom code="{unit}"/>
<wml2:interpolationType xlink:href="http://www.opengis.net/def/waterml/2.0/interpolationType/{kind}"/>
</wml2:DefaultTVPMeasurementMetadata></wml2:defaultPointMetadata>{points}
</wml2:MeasurementTimeseries></om:result></om:OM_Observation></wml2:observationMember>"""
POINT = """<wml2:point><wml2:MeasurementTVP><wml2:time>{time}</wml2:time>{value}
</wml2:MeasurementTVP></wml2:point>"""


def series(values, *, kind="Continuous", unit="[ft_i]", name="s1", zone="-06:00"):
    times = pd.date_range("2026-01-01", periods=len(values), freq="15min")
    points = ""
    for time, value in zip(times, values, strict=True):
        filled = f"<wml2:value>{value}</wml2:value>"
        if value is None:
            filled = '<wml2:value xsi:nil="true"/>'
        points += POINT.format(time=f"{time:%Y-%m-%dT%H:%M:%S}{zone}", value=filled)
    return SERIES.format(name=name, unit=unit, kind=kind, points=points)


@pytest.fixture
def write(tmp_path):
    def put(text, name="data.xml"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return put


def test_waterml_series(write):
    path = write(WATERML.format(series=series([1.0, None, 1.5, -999])))
    record = read_waterml(path, role="head")
    assert record.frame["head"].iloc[0] == pytest.approx(0.3048)
    assert str(record.frame["time"].iloc[0]) == "2026-01-01 06:00:00+00:00"
    assert record.frame["status"].tolist() == ["measured", "rejected", "measured", "rejected"]
    assert record.kept["line"].tolist() == [2, 4], "-999 marks a missing value as in a table"
    assert record.counts["rows in files"] == 4


def coded(codes):
    """A series whose points carry codes of quality, one value for each code."""
    text = series([1.0 + n / 10 for n in range(len(codes))])
    for code in codes:
        mark = f'<wml2:quality xlink:href="http://example.org/quality/{code}"/>' if code else ""
        text = text.replace(
            "</wml2:value>\n", "</wml2:value><wml2:metadata>" + mark + "</wml2:metadata> ", 1
        )
    return WATERML.format(series=text)


def test_waterml_codes_of_quality_are_asked_about(write):
    path = write(coded(["good", "poor", "unchecked", "suspect", "estimate"]))
    with pytest.raises(InputRefused, match="the code 'poor' of 1 rows has no meaning"):
        read_waterml(path, role="head")
    meaning = {"poor": "bad", "suspect": "doubtful", "estimate": "estimated"}
    record = read_waterml(path, role="head", status=Status("", meaning))
    assert record.frame["reason"].tolist() == ["", "status bad", "", "", "status estimated"]
    assert record.frame[DOUBTFUL].tolist() == [0, 0, 0, 1, 0]
    assert read_waterml(write(coded(["good", "unchecked", "approved"])), role="head").step == 900


def test_waterml_points_of_another_unit_are_refused(write):
    text = series([1.0, 2.0]).replace("</wml2:value>\n", '</wml2:value><wml2:uom code="m"/> ', 1)
    with pytest.raises(InputRefused, match=r"several units: '\[ft_i\]', 'm'"):
        read_waterml(write(WATERML.format(series=text)), role="head")


@pytest.mark.parametrize(("kind", "minutes"), [("AveragePrec", -7.5), ("AverageSucc", 7.5)])
def test_waterml_means_lie_in_the_middle_of_their_interval(write, kind, minutes):
    path = write(WATERML.format(series=series([1, 2, 3], kind=kind, unit="m3/s")))
    record = read_waterml(path, role="flow")
    moved = pd.Timestamp("2026-01-01 06:00", tz="UTC") + pd.Timedelta(minutes=minutes)
    assert record.frame["time"].iloc[0] == moved


@pytest.mark.parametrize(
    ("text", "given", "said"),
    [
        (series([1], kind="TotalPrec"), {}, "the values are totals .TotalPrec., not a head"),
        (series([1], unit="m3"), {}, "the unit of the series is 'm3': 'm3' is not a unit of len"),
        (series([1], unit=""), {}, "the series has no unit"),
        (series(["x"]), {}, "column point 1: 'x' is not a number"),
        (series([1], zone=""), {}, "has no offset from UTC. State the zone of the series"),
        (series([]), {}, "the series holds no time-value pairs"),
        (series([1]) + series([2], name="s2"), {}, "the file holds 2 series: s1, s2. State series"),
        (series([1]), {"series": "s9"}, "the file holds 1 series: s1"),
        ("", {}, "the file holds no WaterML 2.0 time series"),
    ],
)
def test_waterml_that_is_refused(write, text, given, said):
    with pytest.raises(InputRefused, match=said):
        read_waterml(write(WATERML.format(series=text)), role="head", **given)


def test_waterml_choices(write):
    both = WATERML.format(series=series([1]) + series([2], name="s2"))
    record = read_waterml(write(both), role="head", series="s2", unit="ft")
    assert record.frame["head"].tolist() == pytest.approx([0.6096])
    with pytest.raises(InputRefused, match=r"names the unit '\[ft_i\]', the case states 'm'"):
        read_waterml(write(both), role="head", series="s2", unit="m")
    local = WATERML.format(series=series([1], zone=""))
    record = read_waterml(write(local), role="head", zone="America/Chicago")
    assert record.frame["time"].iloc[0].hour == 6


def test_waterml_as_services_write_it(write):
    """Empty points, dates without a time, the unit in a title, values that hold for an interval."""
    text = series([1.0, 2.0, 3.0], kind="ConstSucc", unit="")
    text = text.replace('<wml2:uom code=""/>', '<wml2:uom title="cubic feet per second"/>')
    empty = "<wml2:point><wml2:MeasurementTVP/></wml2:point>"
    text = text.replace("<wml2:point>", empty + "<wml2:point>", 1)
    for minute in ("00:00", "00:15", "00:30"):
        day = {"00:00": "01", "00:15": "02", "00:30": "03"}[minute]
        text = text.replace(f"2026-01-01T{minute}:00-06:00", f"2026-01-{day}")
    record = read_waterml(write(WATERML.format(series=text)), role="flow", zone="UTC")
    assert record.frame["flow"].tolist() == pytest.approx([n * 0.3048**3 for n in (1, 2, 3)])
    assert record.frame["time"].diff().iloc[1] == pd.Timedelta(days=1)
    assert [flag.data["points"] for flag in record.flags if flag.code == "empty points"] == [1]


def test_waterml_points_at_a_spacing(write):
    text = series([1.0, 1.1, 1.2])
    for minute in ("00:00", "00:15", "00:30"):
        text = text.replace(f"<wml2:time>2026-01-01T{minute}:00-06:00</wml2:time>", "")
    base = (
        "<wml2:baseTime>2026-01-01T00:00:00-06:00</wml2:baseTime><wml2:spacing>PT5M</wml2:spacing>"
    )
    spaced = text.replace("<wml2:MeasurementTimeseries>", f"<wml2:MeasurementTimeseries>{base}")
    record = read_waterml(write(WATERML.format(series=spaced)), role="head")
    assert record.frame["time"].dt.minute.tolist() == [0, 5, 10]
    with pytest.raises(InputRefused, match="the spacing 'often' is no duration"):
        wrong = spaced.replace("PT5M", "often")
        read_waterml(write(WATERML.format(series=wrong)), role="head")


@pytest.mark.parametrize("kind", ["MaxPrec", "MinSucc"])
def test_waterml_of_extremes_is_no_flow(write, kind):
    text = WATERML.format(series=series([1, 2], kind=kind, unit="m3/s"))
    with pytest.raises(InputRefused, match="largest or the smallest of an interval"):
        read_waterml(write(text), role="flow")


ESPI = """<?xml version="1.0" encoding="UTF-8"?><feed xmlns="http://www.w3.org/2005/Atom">
<entry><content><ReadingType xmlns="http://naesb.org/espi"><commodity>9</commodity>
<powerOfTenMultiplier>{power}</powerOfTenMultiplier><uom>{uom}</uom></ReadingType></content></entry>
<entry><content><IntervalBlock xmlns="http://naesb.org/espi">{readings}</IntervalBlock></content>
</entry></feed>"""
READING = """<IntervalReading>{quality}<timePeriod><duration>{duration}</duration>
<start>{start}</start></timePeriod><value>{value}</value></IntervalReading>"""


def button(readings, *, uom=128, power=0):
    text = ""
    for start, duration, value, *quality in readings:
        note = (
            f"<ReadingQuality><quality>{quality[0]}</quality></ReadingQuality>" if quality else ""
        )
        text += READING.format(quality=note, duration=duration, start=start, value=value)
    return ESPI.format(readings=text, uom=uom, power=power)


HOURS = [(1767225600 + 3600 * n, 3600, 10 + n) for n in range(5)]  # from 2026-01-01 00:00 UTC


def test_green_button_intervals_add_up(write):
    record = read_green_button(write(button(HOURS, power=1)))
    assert str(record.frame["time"].iloc[0]) == "2026-01-01 00:00:00+00:00"
    expected = np.cumsum([0, 100, 110, 120, 130, 140]) * GALLON
    np.testing.assert_allclose(record.frame["volume_m3"], expected, rtol=1e-12)
    assert record.flags == ()


@pytest.mark.parametrize(
    ("uom", "factor"),
    [(42, 1.0), (119, 0.3048**3), (134, 1e-3), (130, 4.54609e-3), (125, 1.0), (137, 1e-3)],
)
def test_green_button_units(write, uom, factor):
    """Unit codes of ESPI's UomType; for an interval of an hour a rate is its volume."""
    record = read_green_button(write(button(HOURS, uom=uom)))
    assert record.frame["volume_m3"].iloc[-1] == pytest.approx(60 * factor)


def test_green_button_breaks_estimates_and_repeats(write):
    readings = [*HOURS[:2], HOURS[1], (HOURS[2][0], 3600, 12, 8), HOURS[4]]
    record = read_green_button(write(button(readings, uom=42)))
    assert record.frame["volume_m3"].iloc[-1] == 10 + 11 + 12 + 14
    assert (record.frame["status"] == "estimated").sum() == 1
    codes = {flag.code: flag.data for flag in record.flags}
    assert codes["intervals missing"] == {"breaks": 1, "hours": 1.0}
    assert codes["identical rows merged"] == {"rows": 1}
    assert (record.frame["reason"] == "volume before not known").sum() == 1


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (button(HOURS, uom=72), "the unit code '72' is none of a volume of water"),
        (button(HOURS, uom=""), "no unit is stated"),
        (button([]), "the file holds no interval readings"),
        (button([*HOURS, (HOURS[1][0], 7200, 3)]), "the interval from 2026-01-01 .* overlaps"),
        (button([(HOURS[0][0], 3600, "1.5")]), "value of interval 1: '1.5' is no whole number"),
        (button([(HOURS[0][0], 0, 1)]), "0 is no possible duration"),
        (button(HOURS)[:-20], "the file is no complete XML"),
        ("", "the file is empty"),
        ('<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>', "declares document types or entities"),
        ('<?xml version="1.0" encoding="cp037"?><a/>', "the encoding 'cp037' is not read"),
        ("<a>" * 500, "nested too deeply"),
    ],
)
def test_green_button_that_is_refused(write, text, said):
    with pytest.raises(InputRefused, match=f"data.xml.*{said}"):
        read_green_button(write(text))


def test_entities_hidden_in_another_encoding_are_refused(write):
    text = '<?xml version="1.0" encoding="utf-16"?><!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>'
    with pytest.raises(InputRefused, match="declares document types or entities"):
        read_green_button(write(text.encode("utf-16")))


def test_hand_readings(write):
    text = "time,reading,remark\n2026-01-05 10:00,3 ,rain\n2026-01-04 14:30,2.5,\n"
    record = read_hand_readings(write(text, "hand.csv"), zone="America/Chicago", unit="in")
    assert record.frame["reading"].tolist() == pytest.approx([0.0635, 0.0762])
    assert record.frame["remark"].tolist() == ["", "rain"]
    assert "2 hand readings in 2 different hours" in record.flags[0].message
    logger = as_logger(record)
    assert logger.frame["head"].tolist() == record.frame["reading"].tolist()
    assert logger.counts["measured"] == 2


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("2026-01-05,3,", "line 2, column time: a hand reading needs its time of day"),
        ("2026-01-05 10:00,wet,", "line 2, column reading: 'wet' is not a number"),
        ("2026-01-05 10:00,3,\n2026-01-05 10:00,4,", "two readings at 2026-01-05 16:00 UTC"),
    ],
)
def test_hand_readings_that_are_refused(write, row, said):
    text = f"time,reading,remark\n{row}\n"
    with pytest.raises(InputRefused, match=said):
        read_hand_readings(write(text, "hand.csv"), zone="America/Chicago", unit="in")
