"""What is unexplained stays unexplained, whatever neutral table is laid beside it.

An invented site whose record is sound and whose bills follow the tariff, but for one bill that is
23.7 % too high for no reason the tables tell, and a record that reads 7 % above the balance. Each
optional table in turn is added with content that says nothing about either: hand readings that
agree, a dry rain gauge, a meter in line that counts the same, answers to the checklist. None of
them may turn the bill's error into a named one or the difference into a named cause.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sewer_audit import audit, load_case

MONTHS = pd.date_range("2025-03-01 08:00", periods=7, freq="MS", tz="UTC")
ODD = 3
"""Place of the invoice that nothing explains."""
CASE = """[case]
title = "Harrow Lane Dairy"
time_zone = "UTC"
basis = "intake"
[display]
volume = "m3"
discharge = "L/s"
head = "cm"
money = "EUR"
[invoices]
file = "invoices.csv"
volume_unit = "m3"
read_hour = "08:00"
end_day_counts = false
[rates]
file = "rates.toml"
[[intake]]
meter = "main"
file = "main.csv"
unit = "m3"
multiplier = 1
digits = 7
error = { expanded = "2 %", coverage_factor = 2, source = "invented certificate" }
[effluent]
file = "record.csv"
method = "parshall flume"
throat = "6 in"
source = "invented"
stamp = "instant"
columns = { time = "time", head = { name = "head", unit = "cm" }COLUMNS }
"""
AFTER = """
[rule]
tolerance = "5 %"
coverage = 0.95
look_back = "36 months"
decided_on = 2025-10-20
"""
RATES = """[schedule]
name = "Invented"
currency = "EUR"
source = "invented"
rate_change = "by end"
end_day_counts = false
line_rounding = { to = 0.01, rule = "half up" }
total_rounding = { to = 0.01, rule = "half up" }
[[version]]
effective = 2021-01-01
[[version.volume]]
name = "sewer"
unit = "m3"
basis = "intake"
[[version.charge]]
name = "use"
kind = "volume"
rate = 2.15
"""


def record() -> pd.DataFrame:
    """Head every half hour, higher by day, with the days' own sizes, and quiet other columns."""
    times = pd.date_range("2025-02-28", "2025-09-02", freq="30min", tz="UTC")
    day = (times - times[0]).days.to_numpy()
    busy = (times.hour.to_numpy() >= 6) & (times.hour.to_numpy() < 22)
    head = np.where(busy, 14.0, 6.0) + 0.8 * np.sin(2.4 * day)
    rows = pd.DataFrame({"time": times, "head": head.round(2)})
    flow = 2.06 * (rows["head"] / 30.48) ** 1.58 * 0.3048**3 * 1800.0
    passed = (flow + flow.shift(1, fill_value=0.0)) / 2
    rows["total"] = (81200.0 + passed.cumsum()).round(1)
    rows["below"] = (0.2 * head).round(2)
    rows["air"], rows["rain"], rows["state"] = 12.0, 0.0, "ok"
    return rows


def volumes(rows: pd.DataFrame) -> np.ndarray:
    """m3 between the reads, by the published equation of the 6 in flume, 2.06 h^1.58 (ft3/s)."""
    flow = 2.06 * (rows["head"] / 30.48) ** 1.58 * 0.3048**3
    passed = np.r_[0.0, np.cumsum((flow[1:].to_numpy() + flow[:-1].to_numpy()) / 2 * 1800.0)]
    seconds = (rows["time"] - rows["time"][0]).dt.total_seconds()
    return np.diff(np.interp((MONTHS - rows["time"][0]).total_seconds(), seconds, passed))


def write(folder, more: str = "", effluent: str = "", columns: str = "", head: str = CASE):
    """The case with one thing more; reads of further meters lie in the folder in any case."""
    rows = record()
    rows.assign(time=rows["time"].dt.strftime("%Y-%m-%d %H:%M")).to_csv(
        folder / "record.csv", index=False
    )
    days = MONTHS.strftime("%Y-%m-%d")
    supplied = (volumes(rows) / 1.07).round(0)

    def reads(name, first, counts):
        register = first + np.r_[0, np.cumsum(counts)].astype(int)
        lines = [f"{day} 08:00,{read}" for day, read in zip(days, register, strict=True)]
        (folder / f"{name}.csv").write_text("\n".join(["time,register", *lines]) + "\n")

    reads("main", 40000, supplied)
    reads("twin", 7200, supplied)
    reads("still", 312, 0 * supplied)
    reads("other", 55000, (supplied * 0.31 + 17 * np.arange(6)).round(0))
    billed = supplied.copy()
    billed[ODD] = round(billed[ODD] * 1.237)
    bills = ["invoice,start,end,billed_volume,use,total"]
    paid = ["invoice,paid_on,amount,under_protest"]
    for n, volume in enumerate(billed):
        amount = f"{volume * 2.15:.2f}"
        bills.append(f"H{n},{days[n]},{days[n + 1]},{volume:.0f},{amount},{amount}")
        paid.append(f"H{n},{(MONTHS[n + 1] + pd.Timedelta('20D')):%Y-%m-%d},{amount},no")
    (folder / "invoices.csv").write_text("\n".join(bills) + "\n")
    (folder / "payments.csv").write_text("\n".join(paid[:-1]) + "\n")
    dry = [f"{day:%Y-%m-%d %H:%M},0.0" for day in pd.date_range(MONTHS[0], MONTHS[-1], freq="h")]
    (folder / "rain.csv").write_text("\n".join(["time,rain", *dry]) + "\n")
    none = [f"{day},0" for day in days]
    (folder / "log.csv").write_text("\n".join(["time,amount", *none]) + "\n")
    (folder / "rates.toml").write_text(RATES)
    case = head.replace("COLUMNS", columns)
    (folder / "case.toml").write_text(case + effluent + more + AFTER)
    return folder


def judged(folder, **more):
    return audit(load_case(write(folder, **more)), draws=200, seed=1)


def visits(*days) -> str:
    """Hand readings that agree with the record to its last digit."""
    rows = record().set_index("time")["head"]
    text = ""
    for day in days:
        head = rows[pd.Timestamp(f"{day} 10:00", tz="UTC")]
        text += f"""[[effluent.visit]]
time = "{day} 10:00"
hand = "{head} cm"
hand_standard = "1 mm"
instrument = "{head} cm"
rezeroed = false
"""
    return text


def meter(table: str, name: str, file: str, *lines: str) -> str:
    told = [f'[[{table}]]', f'{"meter" if table == "intake" else "name"} = "{name}"',
            f'file = "{file}.csv"', 'unit = "m3"', "multiplier = 1", "digits = 7",
            'error = { expanded = "2 %", coverage_factor = 2, source = "invented" }']  # fmt: skip
    return "\n".join([*told, *lines]) + "\n"


ANSWERS = ("head measurement", "tailwater measurement", "free flow", "floor", "straight run")
ANSWERS += ("approach", "dimensions", "solids")
DEDUCT = ('kind = "deduct meter"',)
NEUTRAL = {
    "hand readings": {"effluent": visits("2025-03-12", "2025-05-20", "2025-07-15", "2025-08-20")},
    "checklist": {
        "effluent": "[effluent.checklist]\n"
        + "".join(f'"{item}" = "yes; seen in May"\n' for item in ANSWERS)
    },
    "rain gauge": {
        "effluent": '[effluent.rain_gauge]\nfile = "rain.csv"\n'
        'columns = { time = "time", rain = { name = "rain", unit = "mm" } }\n'
    },
    "totaliser": {"columns": ', totaliser = { name = "total", unit = "m3" }'},
    "other columns": {
        "columns": ', rain = { name = "rain", unit = "mm" }, status = "state"'
        ', downstream_head = { name = "below", unit = "cm" }'
        ', air_temperature = { name = "air", unit = "degC" }',
        "effluent": '[effluent.status]\ngood = ["ok"]\n',
    },
    "stated drift": {
        "effluent": '[[effluent.cause]]\nname = "zero drift"\nstandard = "1 mm"\n'
        'persistence = "between visits"\nsource = "invented"\n'
    },
    "meter in line": {
        "more": meter("further_measurement", "twin", "twin")
        + '[[further_balance]]\nname = "behind main"\ninto = ["main"]\nout = ["twin"]\n'
    },
    "deduct meter": {"more": meter("use", "yard tap", "still", *DEDUCT, "credited = false")},
    "credited deduct meter": {
        "more": meter("use", "yard tap", "still", *DEDUCT, "credited = true")
    },
    "second supply": {"more": meter("intake", "old well", "still", 'role = "well"')},
    "inflow": {"more": meter("inflow", "drain of the yard", "still", 'kind = "meter"')},
    "neighbour": {
        "more": '[[neighbour]]\naccount = "0418"\nfile = "other.csv"\nunit = "m3"\ndigits = 7\n'
    },
    "age of the meter": {
        "head": CASE.replace(
            'error = { expanded = "2 %", coverage_factor = 2, source = "invented certificate" }',
            "years_since_test = 3",
        )
    },
    "what is about money": {
        "head": CASE.replace("[display]", 'units_confirmed = "seen on the face"\n[display]'),
        "more": '[claim]\npayments = "payments.csv"\n[account]\nmeter_size = "3 in"\n'
        '[plan]\ndiameter = "30 cm"\nslope = "0.6 %"\nsolids = "some"\n',
    },
}
"""Each optional table or column with content that tells nothing of the bill or the difference."""


@pytest.fixture(scope="module")
def alone(tmp_path_factory):
    return judged(tmp_path_factory.mktemp("alone"))


def named(result) -> dict:
    rows = result.signatures.itertuples()
    return {name: (row.code, row.exactness) for row in rows for name in row.invoices}


def test_the_site_alone_has_something_unexplained(alone):
    assert named(alone) == {f"H{ODD}": ("unexplained-volume", "not explained")}
    assert alone.explanations.attrs["named"] is None
    means = [alone.findings()["total"][f"{each}_m3"]["mean"] for each in ("effluent", "balance")]
    assert 1.04 < means[0] / means[1] < 1.14  # 1.07, and what the unseen zero adds


@pytest.mark.parametrize("name", NEUTRAL)
def test_a_neutral_table_explains_nothing(tmp_path, alone, name):
    found = judged(tmp_path, **NEUTRAL[name])
    assert named(found) == named(alone)
    assert found.explanations.attrs["named"] is None
    fair = found.invoices["finding"].drop(found.invoices.index[ODD])
    assert not {"billed volume too high", "billed volume too low"} & set(fair)
    assert found.total["finding"] == alone.total["finding"]
