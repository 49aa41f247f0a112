"""Sheets that compute: from reads and hourly volumes to the volume and to the net claim."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any

import pandas as pd

from sewer_audit.auditing.invoices.looks import Looks
from sewer_audit.effluent.steps import hourly_volumes
from sewer_audit.report.charged import Charged, charged_rows
from sewer_audit.report.folder.by_hand import hand_steps, steps_table
from sewer_audit.report.folder.workbook import Draft, work_of
from sewer_audit.units import from_si
from sewer_audit.wording import Words, template

__all__ = ["live_sheets"]

READS, RULES, NET = "reads and volumes", "by the rules", "net claim"
DEDUCT = "deduct reads"
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
        (
            f"[{words.volume_unit}]",
            template("grammar.units").get(words.volume_unit, "as the case states it"),
        ),
        (f"[{money}]", "the currency of the schedule; amounts are rounded as it says"),
        ("[%], [-]", "hundredths; a plain number"),
        ("times", f"the clock of {result.case.zone.key}; the offset from UTC stands in the format"),
    ]
    if result.pricing is not None:
        net = f"{READS} -> {RULES} -> {NET}: change a read and the last row of {NET} follows"
        rows.append(("sheets that compute", net))
    if hand_steps(result) is not None:
        rows.append(("sheets that compute", f"{HOURS} -> {VOLUMES}: readings to volumes"))
        rows.append((HOURS, "24 hours a row, counted from the first read of the period"))
    rows.append(
        ("all other sheets", "hold figures of findings.json, with their units in the heads")
    )
    draft.table("about", pd.DataFrame(rows, columns=["what", "meaning"]))
    return draft.book.worksheets[-1]


def _figures(draft: Draft, about: Any, result: Any, stands: list[str]) -> None:
    """What stands as a figure among the sheets that compute, and what sums leave out."""
    off = "a figure, no formula"
    if DEDUCT in draft.book.sheetnames:
        off = f"from {DEDUCT}; between two reads by the share of time"
    rows = [(READS, f"taken off: the deduct meter between its own reads, {off}")]
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
    rows = list(charged_rows(result))
    off = _deduct(draft, result, rows)
    for row, each in enumerate(rows, start=2):
        bill, due, billed = each.bill, each.due, each.bill.facts.billed_volume
        draft.text(sheet.cell(row, 1), bill.invoice)
        for place, value in enumerate((*(each.reads or (None, None)), None, each.deduct), start=2):
            draft.put(sheet.cell(row, place), value)
        if each.reads and each.reads[1] - each.reads[0] == each.registered:
            draft.formula(sheet.cell(row, 4), f"=C{row}-B{row}", each.registered)
        else:
            draft.put(sheet.cell(row, 4), each.registered)
        if formula := off.get(bill.invoice):
            draft.formula(sheet.cell(row, 5), formula, each.deduct)
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


def _deduct(draft: Draft, result: Any, rows: Sequence[Charged]) -> dict[str, str]:
    """Reads of the deduct meter, where it is one register; what is taken off as formulas."""
    looks, rows = Looks(result.case, result.inputs), [each for each in rows if each.deduct]
    names = [
        name
        for name in looks.tables
        if rows and all(each.bill.facts.volumes.get(name) == each.deduct for each in rows)
    ]
    if not names or len(looks.registers(names[0])) != 1:
        return {}
    (register,) = looks.registers(names[0])
    known = register.record.frame.dropna(subset="volume_m3")
    total = (known["volume_m3"] / register.record.count_m3).round(4).tolist()
    heads = [f"{names[0]}: read at", "register [counts]", "since the first read [counts]"]
    sheet = draft.sheet(DEDUCT, heads)
    counts = known["register"].astype(float).tolist()
    for row, (time, count, since) in enumerate(zip(known["time"], counts, total, strict=True), 2):
        draft.put(sheet.cell(row, 1), time)
        draft.put(sheet.cell(row, 2), count)
        if row == 2:
            draft.put(sheet.cell(row, 3), since)
            continue
        turned = since - total[row - 3] - count + counts[row - 3]
        over = f"+{turned:.10g}" if abs(turned) > 1e-3 else ""  # over a rollover or a new meter
        draft.formula(sheet.cell(row, 3), f"=C{row - 1}+B{row}-B{row - 1}{over}", since)
    draft.widths(sheet)
    first, found, one = known["time"].iloc[0], {}, None
    seconds = (known["time"] - first).dt.total_seconds().tolist()
    deducts = {each.bill.invoice: each.deduct for each in rows}
    for name, *ends in looks.frame[["invoice", "start", "end"]].itertuples(index=False):
        parts, values = [], []
        for moment in ends:
            after = (moment - first).total_seconds()
            at = min(max(bisect_right(seconds, after) - 1, 0), len(seconds) - 2)
            share = (after - seconds[at]) / (seconds[at + 1] - seconds[at])
            cells = [f"'{DEDUCT}'!C{at + 2}", f"'{DEDUCT}'!C{at + 3}"]
            parts.append(f"({cells[0]}+({cells[1]}-{cells[0]})*{share:.12g})")
            values.append(total[at] + (total[at + 1] - total[at]) * share)
        counts, deduct = round(values[1] - values[0], 4), float(deducts.get(str(name)) or 0)
        one = one or (deduct / counts if counts else None)  # volume of a count
        if one and deduct and abs(counts * one - deduct) < 1e-6 * deduct:
            found[str(name)] = f"=ROUND({parts[1]}-{parts[0]},4)*{one:.15g}"
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
    """Volume of every hour of every period from the readings as recorded, 24 a row."""
    evidence, unit = result.evidence, Words.of(result).volume_unit
    bridge = result.case.data.effluent.longest_bridge
    hours = hourly_volumes(evidence.series, evidence.periods, bridge)
    heads = [f"hour {number} [{unit}]" for number in range(1, 25)]
    sheet = draft.sheet(HOURS, ["invoice", "from", f"as recorded [{unit}]", *heads])
    row = 1
    for invoice, period in hours.groupby("invoice", sort=False):
        volumes = from_si(period["volume_m3"].to_numpy(), unit, "volume")
        for first in range(0, len(volumes), 24):
            row, day = row + 1, volumes[first : first + 24]
            draft.text(sheet.cell(row, 1), invoice)
            draft.put(sheet.cell(row, 2), period["start"].iloc[first])
            draft.formula(sheet.cell(row, 3), f"=SUM(D{row}:AA{row})", float(day.sum()))
            for place, volume in enumerate(day, start=4):
                draft.put(sheet.cell(row, place), volume)
    draft.widths(sheet)


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
    draft.widths(sheet)
