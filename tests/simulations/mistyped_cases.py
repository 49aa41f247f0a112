"""Right bills beside a case that states one thing wrongly: who is accused?

Every bill follows its schedule to the cent. Then one statement of the case is not what the city
bills by: a multiplier, a factor, a rate, a date, a meter left out, the size of a flume. A person
types such things wrongly far oftener than a city bills wrongly, so no such case may end in a plain
accusation. Written by somebody who knows the rooms, for classes no other world here has. Invented.

    python tests/simulations/mistyped_cases.py --seed 1 --count 3
"""

from __future__ import annotations

import argparse
import json
import random
import tempfile
from collections import Counter
from datetime import date, timedelta
from decimal import ROUND_DOWN, ROUND_HALF_UP, Decimal
from pathlib import Path

import numpy as np
import pandas as pd

from sewer_audit import audit, load_case
from sewer_audit.errors import InputRefused

D = Decimal
OLD, NEW = (date(2024, 7, 1), D("31.40"), D("7.12")), (date(2025, 7, 1), D("33.10"), D("7.55"))
CITY = {
    "factor": D("0.90"), "multiplier": 100, "deduct_multiplier": 100, "editions": (OLD, NEW),
    "deduct": True, "reads": True, "change": "split by days", "first day": False, "by days": False,
    "proration": "", "second meter": False, "unit": "kgal", "digits": "",
}  # fmt: skip
KINDS = {
    "nothing": ({}, {}),
    "multiplier of the meter": ({}, {"multiplier": 10}),
    "multiplier of both meters, no reads printed": (
        {"reads": False}, {"multiplier": 10, "deduct_multiplier": 10}),
    "multiplier of the deduct meter": ({}, {"deduct_multiplier": 10}),
    "multiplier of the deduct meter, too large": ({}, {"deduct_multiplier": 1000}),
    "a wheel more on the site's reads": ({}, {"digits": "0"}),
    "factor too low": ({}, {"factor": D("0.85")}),
    "factor too high": ({}, {"factor": D("0.95")}),
    "no deduct in the schedule": ({}, {"deduct": False}),
    "base of another meter size": ({}, {"editions": ((OLD[0], D("18.10"), OLD[2]),
                                                      (NEW[0], D("19.10"), NEW[2]))}),
    "digits of a rate exchanged": ({}, {"editions": (OLD, (NEW[0], NEW[1], D("5.75")))}),
    "rates from October": ({}, {"editions": (OLD, (date(2025, 10, 1), *NEW[1:]))}),
    "rates from April": ({}, {"editions": (OLD, (date(2025, 4, 1), *NEW[1:]))}),
    "blocks of another unit": ({}, {"unit": "CCF"}),
    "first date left out at a change of rates": ({"first day": True}, {}),
    "base by days, not stated": ({"by days": True}, {}),
    "a meter left out, no reads printed": ({"second meter": True, "reads": False}, {}),
    "no reads printed": ({"reads": False}, {}),
}  # fmt: skip
TOLD = {"rates-to-be-held-beside", "line-rule-unstated"}
FLUMES = {"3 in": (0.992, 1.547), "6 in": (2.06, 1.58), "9 in": (3.07, 1.53), "12 in": (4.0, 1.522)}
"""Free flow of Parshall flumes [ft3/s] at heads in feet (from memory)."""


def cents(value: Decimal) -> Decimal:
    return value.quantize(D("0.01"), ROUND_HALF_UP)


def split(city: dict, start: date, end: date) -> Counter:
    """Days of a period by edition."""
    days = (start + timedelta(days=k + city["first day"]) for k in range((end - start).days))
    return Counter([each for each in city["editions"] if each[0] <= day][-1] for day in days)


def bills(city: dict, rng: random.Random, count: int = 14) -> tuple[list, list, list]:
    day, main, deduct = date(2025, 1, 9), rng.randrange(10**5, 9 * 10**5), 88120
    rows, own, taken = [], [(day, main)], [(day, deduct)]
    for number in range(1, count + 1):
        end, used, off = day + timedelta(days=rng.randint(29, 32)), rng.randint(3500, 5200), 0
        off = rng.randint(300, 700)
        water = D(used - off * city["deduct"]) * 100 / 1000
        water += rng.randint(130, 170) * city["second meter"]
        volume = (water * city["factor"]).quantize(D(1), ROUND_DOWN)
        parts, days = split(city, day, end), (end - day).days
        base = sum(each[1] * D(n) / days for each, n in parts.items())
        base = cents(base * days / 30 if city["by days"] else base)
        use = cents(sum(volume * each[2] * D(n) / days for each, n in parts.items()))
        tax = cents((base + use) * D("0.04"))
        read = f",{main},{main + used}" if city["reads"] else ""
        rows.append(
            f"B{number:02},{day},{end},{volume},{base},{use},{tax},{base + use + tax}{read}"
        )
        day, main, deduct = end, main + used, deduct + off
        own.append((day, main))
        taken.append((day, deduct))
    return rows, own, taken


def write(folder: Path, city: dict, typed: dict, rng: random.Random) -> None:
    rows, own, taken = bills(city, rng)
    head = "invoice,start,end,billed_volume,service charge,volume charge,franchise fee,total"
    head += ",previous_read,current_read" * city["reads"]
    (folder / "invoices.csv").write_text("\n".join([head, *rows]) + "\n")
    for name, reads, wheel in (("main", own, typed["digits"]), ("deduct", taken, "")):
        lines = "".join(f"{day} 08:00,{read}{wheel}\n" for day, read in reads)
        (folder / f"{name}.csv").write_text("time,register\n" + lines)
    rates = f"""[schedule]
name = "Rates"
currency = "USD"
source = "invented"
rate_change = "{typed["change"]}"
end_day_counts = false
line_rounding = {{ to = 0.01, rule = "half up" }}
total_rounding = {{ to = 0.01, rule = "half up" }}
"""
    for start, base, rate in typed["editions"]:
        rates += f"""[[version]]
effective = {start}
[[version.volume]]
name = "sewer"
unit = "{typed["unit"]}"
basis = "{"intake less deduct" if typed["deduct"] else "intake"}"
return_factor = "{typed["factor"] * 100} %"
rounding = {{ to = 1, rule = "down" }}
[[version.charge]]
name = "service charge"
kind = "fixed"
amount = {base}
per = "month"
[[version.charge]]
name = "volume charge"
kind = "volume"
rate = {rate}
[[version.charge]]
name = "franchise fee"
kind = "percent"
rate = "4 %"
of = {json.dumps(["service charge", "volume charge"])}
"""
    (folder / "rates.toml").write_text(rates)
    (folder / "case.toml").write_text(f"""[case]
title = "mistyped"
time_zone = "America/Chicago"
basis = "intake"
[display]
volume = "kgal"
[invoices]
file = "invoices.csv"
volume_unit = "kgal"
end_day_counts = false
read_hour = "08:00"
[rates]
file = "rates.toml"
[[intake]]
meter = "main"
file = "main.csv"
unit = "gal"
multiplier = {typed["multiplier"]}
digits = {6 + len(typed["digits"])}
[[use]]
name = "tower"
kind = "deduct meter"
file = "deduct.csv"
unit = "gal"
multiplier = {typed["deduct_multiplier"]}
digits = 6
credited = true
""")


def record(folder: Path, built: str, stated: str, rng: random.Random) -> None:
    """Eight right bills by a flume of one size, in a case that states another."""
    scale, power = FLUMES[built]
    noise = np.random.default_rng(rng.randrange(10**6))
    time = pd.date_range("2025-02-01", periods=240 * 144, freq="10min")
    hour = time.hour + time.minute / 60
    head = 60 + 60 * np.exp(-(((hour - 14) / 4) ** 2)) + 20 * np.exp(-(((hour - 9) / 2) ** 2))
    head = np.round(head * np.exp(np.repeat(noise.normal(0, 0.06, 240), 144)), 1)
    pd.DataFrame({"time": time.strftime("%Y-%m-%d %H:%M"), "level": head}).to_csv(
        folder / "log.csv", index=False
    )
    flow = 0.0283168 * scale * (np.asarray(head) / 304.8) ** power * 600 / 3.785411784
    rows = ["invoice,start,end,billed_volume,total"]
    for month in range(8):
        days = [time[0] + pd.Timedelta(days=30 * (month + k)) for k in (0, 1)]
        volume = flow[month * 4320 : (month + 1) * 4320].sum()
        rows.append(f"I{month},{days[0].date()},{days[1].date()},{volume:.1f},1")
    (folder / "invoices.csv").write_text("\n".join(rows) + "\n")
    visits = "".join(
        f"[[effluent.visit]]\ntime = '{time[k]:%Y-%m-%d %H:%M}'\nhand = '{head[k]} mm'\n"
        f"instrument = '{head[k]} mm'\n"
        for k in (700, 12_000, 24_000, 33_000)
    )
    (folder / "case.toml").write_text(f"""[case]
title = "mistyped"
time_zone = "UTC"
basis = "discharge"
[invoices]
file = "invoices.csv"
volume_unit = "kgal"
end_day_counts = false
[effluent]
file = "log.csv"
method = "parshall flume"
throat = "{stated}"
columns = {{ time = "time", head = {{ name = "level", unit = "mm" }} }}
{visits}""")


def outcome(folder: Path) -> str:
    """clean, asked, told or ACCUSED."""
    try:
        result = audit(load_case(folder), draws=300, seed=1)
    except InputRefused:
        return "refused"
    stops = any({"bill", "effluent"} & set(flag.stops) for flag in result.flags)
    high = [each for each in result.invoices["finding"] if "too high" in each]
    claimed = float(result.claim["by_the_rules"].clip(lower=0).sum()) if len(result.claim) else 0.0
    if high or claimed > 1:
        told = any(flag.code in TOLD for flag in result.flags)
        return "told" if told and not high else "ACCUSED"
    return "asked" if stops else "clean"


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--count", type=int, default=1)
    given = options.parse_args()
    total: Counter = Counter()
    worlds = {name: ("bills", city, typed) for name, (city, typed) in KINDS.items()}
    worlds |= {
        f"a flume of {built} stated as {stated}": ("record", built, stated)
        for built in FLUMES
        for stated in FLUMES
        if built != stated
    }
    for name, (sort, truth, stated) in worlds.items():
        found: Counter = Counter()
        for seed in range(given.seed, given.seed + given.count):
            rng = random.Random(f"{name} {seed}")
            with tempfile.TemporaryDirectory() as folder:
                if sort == "bills":
                    city = CITY | truth
                    write(Path(folder), city, city | stated, rng)
                else:
                    record(Path(folder), truth, stated, rng)
                found[outcome(Path(folder))] += 1
        total += found
        print(f"{name:45} {dict(found)}", flush=True)
    print(dict(total))


if __name__ == "__main__":
    main()
