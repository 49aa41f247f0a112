"""Sheets that compute: from reads and hourly volumes to the volume and to the net claim."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any

import pandas as pd

from sewer_audit.effluent.steps import hourly_volumes
from sewer_audit.report.charged import charged_rows
from sewer_audit.report.folder.by_hand import hand_steps, steps_table
from sewer_audit.report.folder.workbook import Draft, work_of
from sewer_audit.report.words import UNITS, Words
from sewer_audit.units import from_si

__all__ = ["live_sheets"]

READS, RULES, NET = "reads and volumes", "by the rules", "net claim"
HOURS, VOLUMES = "hours", "effluent volumes"


def live_sheets(draft: Draft, result: Any, money: str) -> None:
    """Reads to charged volumes, charges by the rules and the ledger; hours to volumes.

    Units: result [SI, money].
    """
    about = _about(draft, result, money)
    if result.pricing is not None:
        charged = _reads(draft, result)
        totals = draft.invoices(RULES, pd.DataFrame(_lines(result.pricing, charged)), money)
        stands = _ledger(draft, result, totals, money)
        _figures(draft, about, result, stands)
    if hand_steps(result) is not None:
        _hours(draft, result)
        _volumes(draft, result)


def _about(draft: Draft, result: Any, money: str) -> Any:
    """Units and clock of the workbook, and which sheets compute."""
    words = Words.of(result)
    rows = [
        (f"[{words.spoken.volume}]", UNITS.get(words.spoken.volume, "as the case states it")),
        (f"[{money}]", "the currency of the schedule; amounts are rounded as it says"),
        ("[%], [-]", "hundredths; a plain number"),
        ("times", f"the clock of {result.case.zone.key}; the offset from UTC stands in the format"),
    ]
    if result.pricing is not None:
        net = f"{READS} -> {RULES} -> {NET}: change a read and the last row of {NET} follows"
        rows.append(("sheets that compute", net))
    if hand_steps(result) is not None:
        rows.append(("sheets that compute", f"{HOURS} -> {VOLUMES}: readings to volumes"))
    rows.append(
        ("all other sheets", "hold figures of findings.json, with their units in the heads")
    )
    draft.table("about", pd.DataFrame(rows, columns=["what", "meaning"]))
    return draft.book.worksheets[-1]


def _figures(draft: Draft, about: Any, result: Any, stands: list[str]) -> None:
    """What stands as a figure among the sheets that compute, and what sums leave out."""
    rows = [(READS, "taken off: the deduct meter between its own reads, a figure, no formula")]
    if stands:
        rows.append((NET, f"figures, no formulas: {', '.join(dict.fromkeys(stands))}"))
    rows.append(
        ("invoice arithmetic", "at the volumes as printed: errors of volume are not in its sums")
    )
    if aside := result.explanations.attrs.get("set_aside"):
        rows.append(("explanations", f"sums of basis and bills leave out {', '.join(aside)}"))
    for row, pair in enumerate(rows, start=about.max_row + 1):
        for place, text in enumerate(pair, start=1):
            draft.text(about.cell(row, place), text)
    about.auto_filter.ref = about.dimensions


def _reads(draft: Draft, result: Any) -> dict[str, str]:
    """Where the volume that each invoice should have charged is worked out, or stands."""
    pricing, found = result.pricing, {}
    unit = pricing.bills[0].facts.volume_unit
    parts = ("previous read", "current read", "registered", "taken off")
    heads = ["invoice", *(f"{part} [{unit}]" for part in parts), "share charged [-]"]
    heads += [f"{part} [{unit}]" for part in ("to be charged", "billed", "billed beyond it")]
    sheet = draft.sheet(READS, heads)
    for row, each in enumerate(charged_rows(result), start=2):
        bill, due, billed = each.bill, each.due, each.bill.facts.billed_volume
        draft.text(sheet.cell(row, 1), bill.invoice)
        for place, value in enumerate((*(each.reads or (None, None)), None, each.deduct), start=2):
            draft.put(sheet.cell(row, place), value)
        if each.reads and each.reads[1] - each.reads[0] == each.registered:
            draft.formula(sheet.cell(row, 4), f"=C{row}-B{row}", each.registered)
        else:
            draft.put(sheet.cell(row, 4), each.registered)
        draft.put(sheet.cell(row, 6), each.share)
        if each.share is not None:
            cells = f"(D{row}-E{row})" if each.deducts else f"D{row}"
            formula = f"=ROUND({cells}*F{row},{each.places})"
            draft.formula(sheet.cell(row, 7), formula, due)
        else:
            draft.put(sheet.cell(row, 7), due)
        draft.put(sheet.cell(row, 8), billed)
        if due is not None and billed is not None:
            draft.formula(sheet.cell(row, 9), f"=H{row}-G{row}", billed - due)
            found[bill.invoice] = f"'{READS}'!G{row}"
    draft.widths(sheet)
    return found


def _lines(pricing: Any, charged: Mapping[str, str]) -> Iterator[dict[str, Any]]:
    """Lines by the rules beside the printed ones; a quantity that is the volume points to it."""
    for bill, due, priced in zip(pricing.bills, pricing.due, pricing.recomputed, strict=True):
        above, columns = Decimal(0), [each.column for each in priced.lines if each.in_total]
        alone = {each for each in columns if columns.count(each) == 1}
        for line in (each for each in priced.lines if each.in_total):
            pointed = charged.get(bill.invoice, "") if due and line.quantity == due else ""
            if above and line.quantity == above:
                pointed = "SUM(F{first}:F{before})"  # a percentage of all lines above
            above += line.amount
            yield {
                "invoice": bill.invoice,
                "line": line.name,
                "quantity": line.quantity,
                "unit": line.unit,
                "rate": line.rate,
                "billed": bill.lines.get(line.column) if line.column in alone else None,
                "computed": line.amount,
                "quantity_from": pointed,
                "work": work_of([line]),
                "total": bill.total,
            }


def _ledger(
    draft: Draft, result: Any, sums: Mapping[tuple[str, str], tuple[str, Decimal]], money: str
) -> list[str]:
    """Every amount; one that is a difference of its invoice or line points to it; their sum.

    list of str: Invoices of the amounts that stand as figures.
    """
    heads = ["invoice", "link", "class", f"billed less right [{money}]", "known"]
    sheet = draft.sheet(NET, heads)
    entries, stands = result.ledger.entries, []
    for row, each in enumerate(entries, start=2):
        for place, text in ((1, each.invoice), (2, each.link), (3, each.code), (5, each.exactness)):
            draft.text(sheet.cell(row, place), text)
        places = [sums.get((each.invoice, name), ("", None)) for name in (each.link, "sum")]
        address = next((at for at, difference in places if difference == each.amount), "")
        if address:
            draft.formula(sheet.cell(row, 4), f"={address}", each.amount)
        else:
            stands.append(f"{each.invoice} ({each.link})")
            draft.put(sheet.cell(row, 4), each.amount)
        sheet.cell(row, 4).number_format = "#,##0.00"
    last = len(entries) + 2
    draft.text(sheet.cell(last, 1), "net, billed too high if above zero")
    if entries:
        draft.formula(sheet.cell(last, 4), f"=SUM(D2:D{last - 1})", result.ledger.net)
    else:
        draft.put(sheet.cell(last, 4), Decimal("0.00"))
    draft.bold(sheet, last, (4,))
    draft.widths(sheet)
    return stands


def _hours(draft: Draft, result: Any) -> None:
    """Volume of every hour of every period, from the readings as recorded."""
    evidence, unit = result.evidence, Words.of(result).spoken.volume
    bridge = result.case.data.effluent.longest_bridge
    hours = hourly_volumes(evidence.series, evidence.periods, bridge)
    table = pd.DataFrame(
        {
            "invoice": hours["invoice"],
            "hour from": hours["start"].dt.tz_convert(result.case.zone).dt.tz_localize(None),
            f"as recorded [{unit}]": from_si(hours["volume_m3"], unit, "volume"),
        }
    )
    draft.table(HOURS, table)


def _volumes(draft: Draft, result: Any) -> None:
    """The hours of each period summed, what each correction adds, and the volume reported."""
    table = steps_table(result)
    sheet = draft.sheet(VOLUMES, list(table.columns))
    last = len(table.columns)
    for row, values in enumerate(table.itertuples(index=False, name=None), start=2):
        draft.text(sheet.cell(row, 1), values[0])
        summed = f"=SUMIF('{HOURS}'!A:A,A{row},'{HOURS}'!C:C)"
        draft.formula(sheet.cell(row, 2), summed, float(values[1]))
        for place, value in enumerate(values[2:-1], start=3):
            draft.put(sheet.cell(row, place), value)
        final = sheet.cell(row, last)
        before = sheet.cell(row, last - 1).coordinate
        draft.formula(final, f"=SUM(B{row}:{before})", float(values[-1]))
        for place in (2, last):
            sheet.cell(row, place).number_format = "#,##0.0"
    draft.widths(sheet)
