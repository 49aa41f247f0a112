"""Write the invented samples again, byte for byte: ``python tests/make_samples.py``.

What truly happened is kept here and in ``tests/samples``; nothing of it is written beside the
samples, and nothing here imports the toolkit, so that a test can compare the toolkit's answer with
a truth it never saw.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from samples import creamery_bills, creamery_case, hotel, laundry, planning, schedules, small_cases
from samples import creamery_instruments as instruments
from samples import creamery_world as creamery

ROOT = Path(__file__).resolve().parent.parent
INVOICE_HEAD = "invoice,start,end,previous_read,current_read,read_type,billed_volume"

FAULTS = {
    "K2505": "invoice arithmetic",
    "K2506": "unit swap",
    "K2507": "deduct credit missing",
    "K2508": "deduct credit missing",
    "K2509": "deduct credit missing",
    "K2512": "wrong rate version",
    "K2601": "estimated read",
    "K2602": "true-up of an estimate",
}
"""Planted fault of each invoice of the main sample; the others are right by the town's rule."""


@dataclass(frozen=True)
class Truth:
    """What truly happened in a sample; the toolkit never sees it.

    Volumes are in cubic metres, per invoice number and in the order of the invoices.
    """

    effluent: Mapping[str, float]
    intake: Mapping[str, float]
    faults: Mapping[str, str]
    right_totals: Mapping[str, str]  # USD, what the town's own rule makes of actual reads
    right_volumes: Mapping[str, str]  # kgal, the same
    secrets: Mapping[str, float]

    @property
    def total(self) -> float:
        """True effluent of all invoices [m3]."""
        return sum(self.effluent.values())


@cache
def truth(case: str = "") -> Truth:
    """The truth behind a sample: "" for the creamery, "area_velocity" or "manning"."""
    if case:
        return small_truth({"area_velocity": laundry, "manning": hotel}[case])
    year, names = creamery.world(), creamery_bills.names()
    spans = dict(zip(names, creamery.periods(), strict=True))
    right = {invoice.name: invoice for invoice in creamery_bills.right_invoices()}
    return Truth(
        {name: year.minutes.between(year.effluent, *spans[name]) for name in names},
        {name: year.minutes.between(year.intake, *spans[name]) for name in names},
        FAULTS,
        {name: str(invoice.total) for name, invoice in right.items()},
        {name: str(invoice.volume) for name, invoice in right.items()},
        vars(year.secrets),
    )


def small_truth(module) -> Truth:
    """The truth behind one of the small samples; their invoices follow their schedules."""
    quarter, rows = module.world(), [row.split(",") for row in module.invoice_rows()]
    intake = getattr(quarter, "intake", quarter.discharge)
    spans = {row[0]: span for row, span in zip(rows, module.periods(), strict=True)}

    def volumes(rate):
        return {name: quarter.minutes.between(rate, *span) for name, span in spans.items()}

    totals, billed = {row[0]: row[-1] for row in rows}, {row[0]: row[6] for row in rows}
    return Truth(volumes(quarter.discharge), volumes(intake), {}, totals, billed, {})


def register_rows(reads) -> list[str]:
    return [f"{moment},{count}" for moment, count in reads]


def creamery_files() -> dict[str, list[str] | str]:
    """Every file of the main sample: path and text, or lines."""
    heading = ",".join([INVOICE_HEAD, *creamery_bills.LINES, "total"])
    rows = [invoice.row() for invoice in creamery_bills.invoices()]
    return {
        "sample_bills/case.toml": creamery_case.case_text(),
        "sample_bills/rates.toml": schedules.creamery_schedule(),
        "sample_bills/invoices.csv": [heading, *rows],
        "sample_bills/main_meter.csv": [
            "time,register",
            *register_rows(instruments.main_meter().reads),
        ],
        "sample_bills/cooling_tower_meter.csv": [
            "time,register",
            *register_rows(instruments.tower_meter().reads),
        ],
        "sample_logs/effluent_log.csv": [creamery_case.LOG_HEADER, *instruments.level_log().rows],
    }


def laundry_files() -> dict[str, list[str] | str]:
    """Every file of the sample with depth and velocity."""
    heading = ",".join([INVOICE_HEAD, *laundry.LINES, "total"])
    case = small_cases.filled(small_cases.LAUNDRY, laundry.visit_readings())
    return {
        "sample_bills/area_velocity/case.toml": case,
        "sample_bills/area_velocity/rates.toml": schedules.laundry_schedule(),
        "sample_bills/area_velocity/invoices.csv": [heading, *laundry.invoice_rows()],
        "sample_logs/area_velocity_log.csv": [small_cases.LAUNDRY_HEADER, *laundry.log_rows()],
    }


def hotel_files() -> dict[str, list[str] | str]:
    """Every file of the sample with depth only."""
    heading = ",".join([INVOICE_HEAD, *hotel.LINES, "total"])
    reads = hotel.registers()
    return {
        "sample_bills/manning/case.toml": small_cases.filled(
            small_cases.HOTEL, hotel.visit_readings()
        ),
        "sample_bills/manning/rates.toml": schedules.hotel_schedule(),
        "sample_bills/manning/invoices.csv": [heading, *hotel.invoice_rows()],
        "sample_bills/manning/main_meter.csv": ["time,register", *register_rows(reads["main"])],
        "sample_bills/manning/garden_meter.csv": ["time,register", *register_rows(reads["garden"])],
        "sample_logs/manning_log.csv": [small_cases.HOTEL_HEADER, *hotel.log_rows()],
    }


def sample_files() -> dict[str, bytes]:
    """Every sample file: path from the root of the repository, and its bytes."""
    made = creamery_files() | laundry_files() | hotel_files() | planning.files()
    return {
        path: (text if isinstance(text, str) else "\n".join(text) + "\n").encode()
        for path, text in made.items()
    }


def main() -> None:
    """Write every file and say how large it is."""
    for path, content in sample_files().items():
        target = ROOT / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)
        print(f"{len(content):>9,} bytes  {path}", file=sys.stderr)


if __name__ == "__main__":
    main()
