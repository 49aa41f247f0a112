"""The invented rate schedules, as the towns' printed leaflets would be copied into a file."""

from __future__ import annotations

from samples import creamery_bills as creamery
from samples import hotel, laundry

HEAD = """\
# Invented sample. {place} and its rates are made up.

[schedule]
name = "{name}"
currency = "USD"
source = "invented for the sample: {leaflet}"
rate_change = "{change}"
end_day_counts = false               # days = end date less start date
line_rounding = {{ to = 0.01, rule = "half up" }}
total_rounding = {{ to = 0.01, rule = "half up" }}
"""

VERSION = """
[[version]]
name = "{name}"
effective = {effective}
source = "invented for the sample: {leaflet}"

[[version.volume]]
name = "sewer"
unit = "{unit}"
basis = "{basis}"
return_factor = {factor}
rounding = {{ to = {step}, rule = "half up" }}

[[version.charge]]
name = "sewer fixed charge"
kind = "fixed"
amount = {fixed}
per = "bill"

[[version.charge]]
name = "sewer volume charge"
kind = "volume"
volume = "sewer"
rate = {rate}                          # USD per {unit}
"""

ADDER = """
[[version.charge]]
name = "treatment plant adder"
kind = "percent"
rate = "{percent} %"
of = ["sewer fixed charge", "sewer volume charge"]
"""


def creamery_schedule() -> str:
    """Kesselwick: two editions, shared by days where a period straddles them."""
    text = HEAD.format(
        place="The Town of Kesselwick",
        name="Sewer rates of the Town of Kesselwick",
        leaflet="sewer code and rate leaflets 2024 and 2026",
        change="split by days",
    )
    for rates in (creamery.OLD, creamery.NEW):
        text += VERSION.format(
            name=f"leaflet {rates.name}",
            effective=rates.effective,
            leaflet=f"rate leaflet {rates.name}",
            unit="kgal",
            basis="intake less deduct",
            factor=creamery.RETURN_FACTOR,
            step=creamery.TENTH,
            fixed=rates.fixed,
            rate=rates.volume,
        )
        text += ADDER.format(percent=(rates.adder * 100).normalize())
    return text


def laundry_schedule() -> str:
    """Dorrick: what the town's own meter at the outlet counts, in whole CCF."""
    leaflet = "utility rates 2025"
    return HEAD.format(
        place="The Borough of Dorrick",
        name="Sewer rates of the Borough of Dorrick",
        leaflet=leaflet,
        change="by end",
    ) + VERSION.format(
        name="2025",
        effective="2025-01-01",
        leaflet=leaflet,
        unit="CCF",
        basis="discharge",
        factor="1.00",
        step="1",
        fixed=laundry.FIXED,
        rate=laundry.RATE,
    )


def hotel_schedule() -> str:
    """Ostrey Heights: everything the main meter counts."""
    leaflet = "district tariff 2025"
    return HEAD.format(
        place="The Ostrey Heights sanitary district",
        name="Tariff of the Ostrey Heights sanitary district",
        leaflet=leaflet,
        change="by end",
    ) + VERSION.format(
        name="2025",
        effective="2025-01-01",
        leaflet=leaflet,
        unit="kgal",
        basis="intake",
        factor="1.00",
        step="0.1",
        fixed=hotel.FIXED,
        rate=hotel.RATE,
    )
