"""Worked bills for three invented ordinances, by decimal arithmetic written from their prose alone.

The prose stands in `ordinances/*.txt`. Each ordinance has six bills: what was metered, the dates,
what else the ordinance asks for, every line and the total to the cent. They check a questionnaire
or a rate file written by somebody who has read only the prose.

    python foreign_ordinances.py FOLDER        writes worked_bills.json, and for each ordinance a
                                               folder with invoices.csv and what lies beside it

`worked()` returns the same as a dictionary. No seed: the inputs are fixed.
"""

from __future__ import annotations

import csv
import json
import sys
from datetime import date
from decimal import ROUND_FLOOR, ROUND_HALF_UP, Decimal
from pathlib import Path

D = Decimal


def half_up(value: Decimal, to: str = "0.01") -> Decimal:
    """Round half up to a step such as 0.01, 0.1 or 1."""
    return (value / D(to)).quantize(D(1), ROUND_HALF_UP) * D(to)


# --- Hollin Marsh ---------------------------------------------------------------------------------

BASE = {
    "5/8 in": D("11.85"),
    "1 in": D("21.40"),
    "1 1/2 in": D("38.75"),
    "2 in": D("62.90"),
    "3 in": D("118.25"),
    "4 in": D("196.60"),
}


def thousands_of_sewage(gallons: int) -> Decimal:
    """Section 31-4: 85 per cent of the water, to the nearest tenth of a thousand gallons."""
    return half_up(D(gallons) * D("0.85") / 1000, "0.1")


def hollin_marsh(gallons: int, size: str, start: date, end: date) -> dict[str, Decimal]:
    """Lines by sections 31-2 to 31-5."""
    days = (end - start).days
    base = BASE[size] if 27 <= days <= 33 else half_up(BASE[size] * days / 30)
    sewage = thousands_of_sewage(gallons)
    return {
        "base charge": base,
        "account fee": D("4.35"),
        "use charge": half_up(sewage * D("9.37")),
    }


# --- Ulverbrook -----------------------------------------------------------------------------------


def billed_units(cubic_feet: int, end: date, average: Decimal | None) -> Decimal:
    """Sections 6.01 and 6.04: whole units, from April to November at most the winter average."""
    units = (D(cubic_feet) / 100).quantize(D(1), ROUND_FLOOR)
    if 4 <= end.month <= 11:
        if average is None:
            raise ValueError("a bill from April to November needs the winter average")
        units = min(units, average)
    return units


def ulverbrook(cubic_feet: int, end: date, average: Decimal | None) -> dict[str, Decimal]:
    """Lines by sections 6.02 to 6.08."""
    units = billed_units(cubic_feet, end, average)
    first, second = min(units, D(20)), min(max(units - 20, D(0)), D(80))
    third = max(units - 100, D(0))
    fee = D("18.20")
    use = half_up(first * D("5.12") + second * D("4.46") + third * D("3.905"))
    minimum = max(D("85.00") - fee - use, D("0.00"))
    franchise = half_up((fee + use + minimum) * D("0.05"))
    tax = half_up((fee + use + minimum + franchise) * D("0.025"))
    return {
        "service fee": fee,
        "commodity charge": use,
        "minimum adjustment": minimum,
        "franchise fee": franchise,
        "state tax": tax,
    }


def winter_average(winter: list[int]) -> Decimal:
    """Section 6.03: mean of the whole units of three bills, to the nearest unit."""
    units = [(D(each) / 100).quantize(D(1), ROUND_FLOOR) for each in winter]
    return half_up(sum(units, D(0)) / len(units), "1")


# --- Tarn Fell ------------------------------------------------------------------------------------

CHANGE = date(2026, 1, 1)
RATES = (
    {"capacity": D("41.80"), "volume": D("4.255"), "BOD": D("0.284"), "TSS": D("0.197")},
    {"capacity": D("44.35"), "volume": D("4.520"), "BOD": D("0.301"), "TSS": D("0.209")},
)


def tarn_fell(
    gallons: int, units: Decimal, samples: dict[str, list[int]], start: date, end: date
) -> dict[str, Decimal]:
    """Lines by articles 1 to 7."""
    days = (end - start).days
    old = min(max((CHANGE - start).days, 0), days)
    exact = dict.fromkeys(RATES[0], D(0))
    for rates, part in zip(RATES, (old, days - old), strict=True):
        share = D(part) / days
        exact["capacity"] += rates["capacity"] * units * share
        exact["volume"] += rates["volume"] * D(gallons) / 1000 * share
        for name, threshold in (("BOD", 300), ("TSS", 250)):
            mean = D(sum(samples[name])) / len(samples[name])
            pounds = D("8.34") * D(gallons) / 1_000_000 * max(mean - threshold, D(0))
            exact[name] += rates[name] * pounds * share
    names = {
        "capacity": "capacity charge",
        "volume": "volume charge",
        "BOD": "BOD surcharge",
        "TSS": "TSS surcharge",
    }
    return {names[key]: half_up(value) for key, value in exact.items()}


# --- six bills each -------------------------------------------------------------------------------


def worked() -> dict[str, dict]:
    """All worked bills; amounts are text, reads are of a register that counts single units."""
    everything = {"hollin_marsh": _hollin(), "ulverbrook": _ulver(), "tarn_fell": _tarn()}
    for entry in everything.values():
        read = 40_000
        for bill in entry["bills"]:
            used = bill[f"water_{entry['unit']}"]
            bill |= {"previous_read": read, "current_read": read + used}
            read += used
    return everything


def _bill(number, start, end, billed, inputs, lines):
    inputs = {"billed_volume": format(billed, "f"), **inputs}
    return {
        "invoice": number,
        "start": start.isoformat(),
        "end": end.isoformat(),
        **inputs,
        "lines": {name: format(amount, ".2f") for name, amount in lines.items()},
        "total": format(sum(lines.values(), D(0)), ".2f"),
    }


def _hollin():
    inputs = (
        ("H1", date(2025, 1, 6), date(2025, 2, 5), 100_000, "2 in"),
        ("H2", date(2025, 2, 5), date(2025, 3, 4), 187_300, "2 in"),
        ("H3", date(2025, 3, 4), date(2025, 3, 30), 64_500, "2 in"),  # 26 days, 54.825 -> 54.8
        ("H4", date(2025, 3, 30), date(2025, 5, 3), 211_000, "2 in"),  # 34 days, 179.35 -> 179.4
        ("H5", date(2025, 5, 3), date(2025, 6, 5), 0, "2 in"),
        ("H6", date(2025, 6, 5), date(2025, 7, 7), 1_432_700, "4 in"),  # a larger meter was set
    )
    bills = [
        _bill(
            number,
            start,
            end,
            thousands_of_sewage(gallons),
            {"water_gal": gallons, "meter_size": size},
            hollin_marsh(gallons, size, start, end),
        )
        for number, start, end, gallons, size in inputs
    ]
    return {"bills": bills, "unit": "gal"}


def _ulver():
    winter = [
        ("2024-11-04", "2024-12-03", 15_260),
        ("2024-12-03", "2025-01-03", 13_940),
        ("2025-01-03", "2025-02-03", 14_480),
    ]
    average = winter_average([used for _, _, used in winter])
    inputs = (
        ("U1", date(2025, 2, 3), date(2025, 3, 4), 16_150),  # winter: as metered
        ("U2", date(2025, 3, 4), date(2025, 4, 3), 22_480),  # capped
        ("U3", date(2025, 4, 3), date(2025, 5, 5), 11_399),  # below the average, 113 units
        ("U4", date(2025, 5, 5), date(2025, 6, 4), 1_240),  # 12 units, minimum
        ("U5", date(2025, 6, 4), date(2025, 11, 30), 14_400),  # last day of the season; long bill
        ("U6", date(2025, 11, 30), date(2025, 12, 31), 9_870),  # winter again
    )
    bills = [
        _bill(
            number,
            start,
            end,
            billed_units(used, end, average),
            {"water_cf": used},
            ulverbrook(used, end, average),
        )
        for number, start, end, used in inputs
    ]
    return {
        "bills": bills,
        "unit": "cf",
        "winter_average": str(average),
        "earlier_use": [
            {"start": a, "end": b, "water_ccf": format(D(used) / 100, "f")} for a, b, used in winter
        ],
    }


def _tarn():
    units = D("14.5")
    inputs = (
        (
            "T1",
            date(2025, 10, 7),
            date(2025, 11, 6),
            812_400,
            {"BOD": [420, 515, 388], "TSS": [310, 275, 298]},
        ),
        (
            "T2",
            date(2025, 11, 6),
            date(2025, 12, 5),
            790_150,
            {"BOD": [290, 305], "TSS": [240, 230]},
        ),
        (
            "T3",
            date(2025, 12, 5),
            date(2026, 1, 7),
            905_730,
            {"BOD": [610, 455, 530, 498], "TSS": [260, 410, 333, 287]},
        ),
        ("T4", date(2026, 1, 7), date(2026, 2, 5), 768_900, {"BOD": [512], "TSS": [251]}),
        ("T5", date(2026, 2, 5), date(2026, 3, 6), 0, {"BOD": [512], "TSS": [251]}),
        (
            "T6",
            date(2026, 3, 6),
            date(2026, 4, 7),
            1_004_310,
            {"BOD": [333, 334], "TSS": [1020, 87, 466]},
        ),
    )
    bills = []
    for number, start, end, gallons, samples in inputs:
        extra = {"water_gal": gallons, "equivalent_units": str(units), "samples": samples}
        bills.append(
            _bill(
                number,
                start,
                end,
                D(gallons) / 1000,
                extra,
                tarn_fell(gallons, units, samples, start, end),
            )
        )
    return {"bills": bills, "unit": "gal"}


def write(folder) -> None:
    """The worked bills as JSON and as tables that can be put beside a rate file."""
    root = Path(folder)
    root.mkdir(parents=True, exist_ok=True)
    everything = worked()
    (root / "worked_bills.json").write_text(json.dumps(everything, indent=1), encoding="utf-8")
    for name, entry in everything.items():
        place = root / name
        place.mkdir(exist_ok=True)
        lines = list(entry["bills"][0]["lines"])
        reads = ["previous_read", "current_read"]
        rows = [["invoice", "start", "end", *reads, "billed_volume", *lines, "total"]]
        for bill in entry["bills"]:
            head = [bill[key] for key in ("invoice", "start", "end", *reads, "billed_volume")]
            rows.append([*head, *(bill["lines"][line] for line in lines), bill["total"]])
        _table(place / "invoices.csv", rows)
        if "earlier_use" in entry:
            _table(
                place / "earlier.csv",
                [["start", "end", "volume"], *(list(row.values()) for row in entry["earlier_use"])],
            )
        if "meter_size" in entry["bills"][0]:
            _table(
                place / "by_invoice.csv",
                [
                    ["invoice", "meter_size"],
                    *([bill["invoice"], bill["meter_size"]] for bill in entry["bills"]),
                ],
            )
        if "samples" in entry["bills"][0]:
            _table(place / "samples.csv", _samples(entry["bills"]))


def _samples(bills):
    """Dates well inside each period, one row for each sample."""
    rows = [["date", "parameter", "value", "unit"]]
    for bill in bills:
        first = date.fromisoformat(bill["start"]).toordinal() + 3
        for parameter, values in bill["samples"].items():
            rows += [
                [date.fromordinal(first + 5 * at).isoformat(), parameter, value, "mg/L"]
                for at, value in enumerate(values)
            ]
    return rows


def _table(path, rows):
    with path.open("w", newline="", encoding="utf-8") as stream:
        csv.writer(stream, lineterminator="\n").writerows(rows)


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("usage: python foreign_ordinances.py FOLDER")
    write(sys.argv[1])
