"""One invoice worked through line by line, and the differences of all of them, as tables."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import pandas as pd

from sewer_audit.charges import rates_of
from sewer_audit.charges.chain.volume_guesses import UNIT_RATIOS
from sewer_audit.charges.schedule.figures import plain
from sewer_audit.errors import AuditError
from sewer_audit.report.folder.printed import line_field, with_links
from sewer_audit.report.words import Words, counted

__all__ = [
    "chosen_invoice",
    "difference_table",
    "known_ratios",
    "line_steps",
    "origins",
    "rates_table",
    "terms_table",
    "volume_ratios",
    "volume_steps",
]

CENT = 0.005
EXCHANGED = "the meter was changed in this period"
PREVIOUS, CURRENT, BILLED = "previous read, as printed", "current read, as printed", "billed"
PRINTED_STEPS = {PREVIOUS: "previous_read", CURRENT: "current_read", BILLED: "billed_volume"}
ORIGINS = ("volume", "rates and lines", "sum of the lines")


def chosen_invoice(result: Any, invoice: str = "") -> str:
    """The invoice to work through: the one named, else the one that differs most from the rules."""
    names = [str(name) for name in result.invoices["invoice"]]
    if not invoice:
        away = (result.invoices["invoiced_total"] - result.invoices["recomputed_total"]).abs()
        return names[int(away.fillna(0.0).to_numpy().argmax())]
    if invoice not in names:
        raise AuditError(f"there is no invoice {invoice!r}; the case has {', '.join(names)}")
    return invoice


def _place(result: Any, invoice: str) -> int:
    return [str(name) for name in result.invoices["invoice"]].index(invoice)


def _exact(value: Decimal | None, least: int = 0) -> Decimal | None:
    """A figure to six decimals at most, and to some at least."""
    if value is None:
        return None
    short = plain(round(value, 6))
    return short.quantize(Decimal(1).scaleb(-max(least, -short.as_tuple().exponent)))


def period(result: Any, invoice: str) -> str:
    """The service period of an invoice in words.

    str: Such as "2025-05-13 to 2025-06-12, 30 days".
    """
    row, words = result.invoices.iloc[_place(result, invoice)], Words.of(result)
    first, last = words.day(row["start"]), words.day(row["end"])
    days = (date.fromisoformat(last) - date.fromisoformat(first)).days
    return f"{first} to {last}, {counted(days, 'day')}"


def volume_steps(result: Any, invoice: str) -> pd.DataFrame:
    """From the printed reads to the volume that should have been charged.

    Units: returns [billing unit].
    """
    if result.pricing is None:
        return pd.DataFrame()
    place = _place(result, invoice)
    bill, due = result.pricing.bills[place], result.pricing.due[place]
    facts, unit = bill.facts, bill.facts.volume_unit
    rows = [
        (PREVIOUS, bill.previous_read, "counts", bill.read_type),
        (CURRENT, bill.current_read, "counts", bill.read_type),
    ]
    if bill.own_reads is not None:
        rows += [
            (f"{which} read, the site's own", read, "counts", "at the same instant")
            for which, read in zip(("previous", "current"), bill.own_reads, strict=True)
        ]
    if bill.exchange is not None and bill.exchange.inside:
        rows.append(("final read of the old meter", bill.exchange.final_read, "counts", EXCHANGED))
        rows.append(("first read of the new meter", bill.exchange.first_read, "counts", EXCHANGED))
    rows += [
        (f"metered: {name}", volume, unit, _how_known(bill))
        for name, volume in facts.volumes.items()
        if name in ("intake", "discharge") or (name == "deduct" and volume)
    ]
    if bill.shares_with:
        rows += [
            (
                f"metered, own days: {name}",
                volume,
                unit,
                f"without those that {bill.shares_with} holds",
            )
            for name, volume in (bill.own.volumes if bill.own else {}).items()
            if name in ("intake", "discharge") or (name == "deduct" and volume)
        ]
    rows.append(("should have been charged", due, unit, _how_due(result, place)))
    rows.append((BILLED, facts.billed_volume, unit, "as printed"))
    if due and facts.billed_volume is not None:
        share = facts.billed_volume / due
        rows.append(("billed over due", round(share, 5), "1", "1 if the volume is right"))
    kept = [(step, _exact(v), u, how) for step, v, u, how in rows if v is not None]
    fields = {(row, "figure"): (invoice, PRINTED_STEPS[step]) for row, (step, *_) in enumerate(kept)
              if step in PRINTED_STEPS}  # fmt: skip
    frame = pd.DataFrame(kept, columns=["step", "figure", "unit", "how"])
    return with_links(result, frame, fields)


def _how_known(bill: Any) -> str:
    if bill.tolerance == 0:
        return "from reads at the invoice's own instants"
    return f"interpolated; known to within {_exact(bill.tolerance):,f}"


def _how_due(result: Any, place: int) -> str:
    priced = result.pricing.by_rules[place]
    if priced is None:
        return "the case holds no reads that would tell"
    shares = result.pricing.bills[place].shares_with
    if shares and not priced.volumes:
        return f"{shares} holds all of its days"
    return "; ".join(dict.fromkeys(volume.how for volume in priced.volumes))


def rates_table(result: Any, invoice: str) -> pd.DataFrame:
    """The charges of every edition of the rates that prices an invoice, in words."""
    if result.pricing is None:
        return pd.DataFrame()
    priced = result.pricing.recomputed[_place(result, invoice)]
    rows = [
        {
            "edition": part.version.name or part.version.effective.isoformat(),
            "in force from": part.version.effective.isoformat(),
            "days of this invoice": part.days,
            "charge": charge.name,
            "rule": rates_of(charge, part.version, result.pricing.schedule.currency),
        }
        for part in priced.parts
        for charge in part.version.charge
    ]
    return pd.DataFrame(rows)


def terms_table(result: Any, invoice: str) -> pd.DataFrame:
    """Every product an invoice is the sum of, by the rules."""
    if result.pricing is None:
        return pd.DataFrame()
    priced, money = result.pricing.recomputed[_place(result, invoice)], Words.of(result).currency
    rows = [
        {
            "line": line.name,
            "term": term.name,
            "quantity": _exact(term.quantity),
            "unit": term.unit,
            f"rate [{money}]": _exact(term.rate, 2),
            f"product [{money}]": _exact(term.amount, 2),
            "the line, rounded": f"{line.amount:,.2f} ({line.rounding})" if not number else "",
        }
        for line in priced.lines
        for number, term in enumerate(line.terms)
    ]
    return pd.DataFrame(rows)


def line_steps(result: Any, invoice: str) -> pd.DataFrame:
    """Each line as printed, at the printed volume, and by the rules."""
    if result.pricing is None:
        return pd.DataFrame()
    lines, money = result.pricing.lines, Words.of(result).currency
    rows = lines[lines["invoice"].astype(str) == invoice]
    printed, stated = _floats(rows["invoiced"]), _floats(rows["on_stated_volume"])
    ruled = _floats(rows["by_the_rules"]).fillna(stated)
    frame = pd.DataFrame(
        {
            "line": rows["line"],
            f"printed [{money}]": printed,
            f"recomputed [{money}]": stated,
            f"by rules [{money}]": ruled,
            f"rates [{money}]": printed - stated,
            f"volume [{money}]": stated - ruled,
        }
    ).reset_index(drop=True)
    lines = enumerate(frame["line"])
    fields = {(row, f"printed [{money}]"): (invoice, line_field(line)) for row, line in lines}
    return with_links(result, frame, fields)


def _floats(values: pd.Series) -> pd.Series:
    return pd.Series([float("nan") if v is None else float(v) for v in values], values.index)


def origins(result: Any) -> pd.DataFrame:
    """What the difference of each invoice comes from."""
    rows = []
    for bill, stated, ruled in zip(
        result.pricing.bills, result.pricing.stated, result.pricing.series, strict=True
    ):
        inside = {line.column for line in stated.lines if line.in_total}
        outside = {line.column for line in stated.lines} - inside
        printed = [v for name, v in bill.lines.items() if name not in outside]
        added = sum(printed, Decimal(0)) if printed else bill.total
        rows.append((stated.total - ruled.by_rules, added - stated.total, bill.total - added))
    names = [str(name) for name in result.invoices["invoice"]]
    return pd.DataFrame(rows, index=names, columns=list(ORIGINS)).astype(float)


def volume_ratios(result: Any) -> pd.DataFrame:
    """Billed over due volume of every invoice whose due volume is known."""
    named: dict[str, str] = {}
    for row in result.signatures.itertuples():
        for name in row.invoices:
            named.setdefault(str(name), row.code)
    rows = []
    for bill, due in zip(result.pricing.bills, result.pricing.due, strict=True):
        billed = bill.facts.billed_volume
        if not due or not billed:
            continue
        ends = [float(billed / max(due + s * bill.tolerance, due / 1000)) for s in (1, -1)]
        ratio = float(billed / due)
        code = "" if abs(ratio - 1) < 1e-9 else named.get(bill.invoice, "not named")
        rows.append((bill.invoice, ratio, *ends, code))
    return pd.DataFrame(rows, columns=["invoice", "ratio", "low", "high", "named"])


def known_ratios(result: Any) -> dict[str, float]:
    """Ratios of billed to due volume that known errors leave in this schedule."""
    found = {words: float(ratio) for words, ratio in UNIT_RATIOS.items()}
    found |= {f"a factor of {10.0**n:g} was applied": 10.0**n for n in (-3, -2, -1, 1, 2, 3)}
    for version in result.pricing.schedule.version:
        rule = version.invoiced_volume
        if rule is not None and rule.return_factor != 1:
            words = f"the return factor of {plain(rule.return_factor)} was not applied"
            found[words] = float(1 / rule.return_factor)
    return found


def difference_table(result: Any) -> pd.DataFrame:
    """Every invoice that differs, with where the difference comes from and what it was named."""
    if result.pricing is None:
        return pd.DataFrame()
    parts, money = origins(result), Words.of(result).currency
    parts = parts[(parts.abs() > CENT).any(axis=1)]
    if parts.empty:
        return pd.DataFrame()
    codes: dict[str, list[str]] = {name: [] for name in parts.index}
    for row in result.signatures.itertuples():
        for name in row.invoices:
            codes.setdefault(str(name), []).append(row.code.replace("-", " "))
    heads = (f"volume [{money}]", f"rates [{money}]", f"sum [{money}]")
    table = parts.rename(columns=dict(zip(ORIGINS, heads, strict=True)))
    table.insert(0, "invoice", table.index)
    table[f"together [{money}]"] = parts.sum(axis=1)
    table["named"] = [", ".join(codes[name]) or "not named" for name in parts.index]
    total = {"invoice": "sum", "named": ""}
    total |= {name: table[name].sum() for name in table if name not in total}
    return pd.concat([table, pd.DataFrame([total])], ignore_index=True)
