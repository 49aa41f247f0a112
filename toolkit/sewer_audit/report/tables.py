"""The tables of a result in the units people read, with the unit in every head."""

from __future__ import annotations

import re
from decimal import Decimal
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from sewer_audit.report.folder.workbook import LINE_COLUMNS, work_of, write_workbook
from sewer_audit.report.live import live_sheets
from sewer_audit.units import from_si

ESTIMATES = "effluent|balance|reconciled|basis|audited"
PARTS = "mean|standard_uncertainty|low|high"
MONEY = re.compile(
    r"(.*_)?(total|amount)(_in_question|_by_discharge)?(_mean|_standard_uncertainty|_low|_high)?$|"
    r"recomputed_on_stated_volume$|on_stated_volume$|by_the_rules$|invoiced$|difference$|refund$|credit$|paid(_under_protest)?$|interest$"
)
VOLUME = re.compile(rf"(.*)_m3$|((?:{ESTIMATES})_(?:{PARTS}))$")
SHARE = re.compile(
    r"probability.*|.*probability|share|.*_share|prior|posterior|record_coverage|.*_fraction"
)
SECONDS = re.compile(r"(.*)_s$|(seconds)$")
FIXED = {
    "hours": "duration [h]",
    "factor_below_best": "likelihood of the first over this [-]",
    "log_marginal_likelihood": "natural logarithm of the marginal likelihood [-]",
}


def with_units(frame: pd.DataFrame, volume: str, money: str) -> pd.DataFrame:
    """A table of SI figures as people read it.

    Units: frame [SI].
    """
    columns = {}
    for name in frame.columns:
        head, values = _read_as(str(name), frame[name], volume, money)
        while head in columns:
            head += " "
        columns[head] = values
    return pd.DataFrame(columns, index=frame.index)


def _read_as(name: str, values: pd.Series, volume: str, money: str) -> tuple[str, pd.Series]:
    if name in FIXED:
        return FIXED[name], values
    numeric = pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values)
    empty = values.isna().all()
    found = VOLUME.fullmatch(name)
    if found and (numeric or empty):
        shown = values.astype(float)
        return f"{_words(found[1] or found[2])} [{volume}]", from_si(shown, volume, "volume")
    if MONEY.fullmatch(name):
        return f"{_words(name)} [{money}]", values
    if SHARE.fullmatch(name) and numeric:
        return f"{_words(name)} [%]", 100 * values
    found = SECONDS.fullmatch(name)
    if found and numeric:
        return f"{_words(found[1] or 'duration')} [h]", values / 3600
    return _words(name), values


def _words(name: str) -> str:
    return name.replace("_", " ").strip()


def invoice_lines(result: Any) -> pd.DataFrame | None:
    """Charge lines as quantity, rate and billed amount, for live arithmetic."""
    pricing = getattr(result, "pricing", None)
    if pricing is None:
        return None
    lines = pricing.lines[pricing.lines["line"] != "total"]
    found = lines.rename(columns={"invoiced": "billed"})[list(LINE_COLUMNS)]
    bills = {bill.invoice: bill for bill in pricing.bills}
    priced = dict(zip(bills, pricing.stated, strict=True))
    work = [
        work_of([x for x in priced[str(row.invoice)].lines if x.column == row.line])
        for row in lines.itertuples()
    ]
    found = found.assign(computed=lines["on_stated_volume"], work=work, total=None)
    for name, rows in found.groupby("invoice", sort=False):
        whole = sum(filter(None, rows["computed"]), Decimal(0)) == priced[str(name)].total
        if whole:  # as printed, not the sum of printed lines, which may be added wrongly
            found.loc[rows.index, "total"] = bills[str(name)].total
    return found


def write_tables(result: Any, path: Path) -> None:
    """Write every table of a result to one workbook.

    Units: result [SI].
    """
    case = getattr(result, "case", None)
    volume, money, zone = "m3", "USD", None
    if case is not None:
        volume, money, zone = case.data.display.volume, case.data.display.money, case.zone
    tables = {name: with_units(table, volume, money) for name, table in result.tables().items()}
    live = None
    if hasattr(result, "ledger") and hasattr(result, "evidence"):
        live = partial(live_sheets, result=result, money=money)
    write_workbook(path, tables, invoice_lines(result), zone, money, live)
