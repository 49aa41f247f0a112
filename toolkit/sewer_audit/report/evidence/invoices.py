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
from sewer_audit.wording import Words, template

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
PRINTED = {"previous": "previous_read", "current": "current_read", "billed": "billed_volume"}
"""Steps that a bill prints, with the column each stands in [text]."""
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
    return words("bills.work.period", first=first, last=last, days=days)


def volume_steps(result: Any, invoice: str) -> pd.DataFrame:
    """From the printed reads to the volume that should have been charged.

    Units: returns [billing unit].
    """
    if result.pricing is None:
        return pd.DataFrame()
    place, words = _place(result, invoice), Words.of(result)
    bill, due = result.pricing.bills[place], result.pricing.due[place]
    facts, unit, counts = bill.facts, bill.facts.volume_unit, words("bills.work.counts")

    def metered(label: str, volumes: dict[str, Decimal], how: str) -> list[tuple[Any, ...]]:
        kept = {n: v for n, v in volumes.items() if n in ("intake", "discharge")}
        kept |= {n: v for n, v in volumes.items() if n == "deduct" and v}
        names = [name for name in volumes if name in kept]
        return [(label, words(f"bills.work.{label}", name=n), kept[n], unit, how) for n in names]

    def step(name: str, figure: Any, unit: str, how: str) -> tuple[Any, ...]:
        return name, words(f"bills.work.{name}"), figure, unit, how

    rows = [
        step("previous", bill.previous_read, counts, bill.read_type),
        step("current", bill.current_read, counts, bill.read_type),
    ]
    if bill.own_reads is not None:
        how = words("bills.work.same_instant")
        for name, read in zip(("own_previous", "own_current"), bill.own_reads, strict=True):
            rows.append(step(name, read, counts, how))
    if bill.exchange is not None and bill.exchange.inside:
        how = words("bills.work.exchanged")
        for name in ("final_read", "first_read"):
            rows.append(step(name, getattr(bill.exchange, name), counts, how))
    rows += metered("metered", facts.volumes, _how_known(bill, words))
    if bill.shares_with:
        how = words("bills.work.without_shared", invoice=bill.shares_with)
        rows += metered("metered_own", bill.own.volumes if bill.own else {}, how)
    rows.append(step("due", due, unit, _how_due(result, place, words)))
    rows.append(step("billed", facts.billed_volume, unit, words("bills.work.as_printed")))
    if due and facts.billed_volume is not None:
        share = round(facts.billed_volume / due, 5)
        rows.append(step("over_due", share, "1", words("bills.work.one_if_right")))
    kept = [(name, (said, _exact(v), *rest)) for name, said, v, *rest in rows if v is not None]
    figure = words("bills.steps.figure")
    fields = {(row, figure): (invoice, PRINTED[name])
              for row, (name, _) in enumerate(kept) if name in PRINTED}  # fmt: skip
    frame = pd.DataFrame([row for _, row in kept], columns=["step", "figure", "unit", "how"])
    return with_links(result, words.frame("bills.steps", frame), fields)


def _how_known(bill: Any, words: Words) -> str:
    if bill.tolerance == 0:
        return words("bills.work.at_instants")
    return words("bills.work.interpolated", tolerance=_exact(bill.tolerance))


def _how_due(result: Any, place: int, words: Words) -> str:
    priced = result.pricing.by_rules[place]
    if priced is None:
        return words("bills.work.no_reads")
    shares = result.pricing.bills[place].shares_with
    if shares and not priced.volumes:
        return words("bills.work.all_shared", invoice=shares)
    return "; ".join(dict.fromkeys(volume.how for volume in priced.volumes))


def rates_table(result: Any, invoice: str) -> pd.DataFrame:
    """The charges of every edition of the rates that prices an invoice, in words."""
    if result.pricing is None:
        return pd.DataFrame()
    priced = result.pricing.recomputed[_place(result, invoice)]
    rows = [
        {
            "edition": part.version.name or part.version.effective.isoformat(),
            "from": part.version.effective.isoformat(),
            "days": part.days,
            "charge": charge.name,
            "rule": rates_of(charge, part.version, result.pricing.schedule.currency),
        }
        for part in priced.parts
        for charge in part.version.charge
    ]
    return Words.of(result).frame("bills.rates", rows)


def terms_table(result: Any, invoice: str) -> pd.DataFrame:
    """Every product an invoice is the sum of, by the rules."""
    if result.pricing is None:
        return pd.DataFrame()
    priced = result.pricing.recomputed[_place(result, invoice)]
    rows = [
        {
            "line": line.name,
            "term": term.name,
            "quantity": _exact(term.quantity),
            "unit": term.unit,
            "rate": _exact(term.rate, 2),
            "product": _exact(term.amount, 2),
            "rounded": f"{line.amount:,.2f} ({line.rounding})" if not number else "",
        }
        for line in priced.lines
        for number, term in enumerate(line.terms)
    ]
    return Words.of(result).frame("bills.terms", rows)


def line_steps(result: Any, invoice: str) -> pd.DataFrame:
    """Each line as printed, at the printed volume, and by the rules."""
    if result.pricing is None:
        return pd.DataFrame()
    lines, words = result.pricing.lines, Words.of(result)
    rows = lines[lines["invoice"].astype(str) == invoice]
    printed, stated = _floats(rows["invoiced"]), _floats(rows["on_stated_volume"])
    ruled = _floats(rows["by_the_rules"]).fillna(stated)
    columns = {
        "line": rows["line"],
        "printed": printed,
        "recomputed": stated,
        "by_rules": ruled,
        "rates": printed - stated,
        "volume": stated - ruled,
    }
    frame, head = words.frame("bills.lines", columns), words("bills.lines.printed")
    named = enumerate(rows["line"])
    fields = {(row, head): (invoice, line_field(line)) for row, line in named}
    return with_links(result, frame.reset_index(drop=True), fields)


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
    unnamed = template("bills.work.not_named")
    for bill, due in zip(result.pricing.bills, result.pricing.due, strict=True):
        billed = bill.facts.billed_volume
        if not due or not billed:
            continue
        ends = [float(billed / max(due + s * bill.tolerance, due / 1000)) for s in (1, -1)]
        ratio = float(billed / due)
        code = "" if abs(ratio - 1) < 1e-9 else named.get(bill.invoice, unnamed)
        rows.append((bill.invoice, ratio, *ends, code))
    return pd.DataFrame(rows, columns=["invoice", "ratio", "low", "high", "named"])


def known_ratios(result: Any) -> dict[str, float]:
    """Ratios of billed to due volume that known errors leave in this schedule."""
    words, found = Words.of(result), {name: float(ratio) for name, ratio in UNIT_RATIOS.items()}
    tens = [10.0**n for n in (-3, -2, -1, 1, 2, 3)]
    found |= {words("bills.work.factor", factor=factor): factor for factor in tens}
    for version in result.pricing.schedule.version:
        rule = version.invoiced_volume
        if rule is not None and rule.return_factor != 1:
            said = words("bills.work.return_factor", factor=plain(rule.return_factor))
            found[said] = float(1 / rule.return_factor)
    return found


def difference_table(result: Any) -> pd.DataFrame:
    """Every invoice that differs, with where the difference comes from and what it was named."""
    if result.pricing is None:
        return pd.DataFrame()
    parts, words = origins(result), Words.of(result)
    parts = parts[(parts.abs() > CENT).any(axis=1)]
    if parts.empty:
        return pd.DataFrame()
    codes: dict[str, list[str]] = {name: [] for name in parts.index}
    for row in result.signatures.itertuples():
        for name in row.invoices:
            codes.setdefault(str(name), []).append(row.code.replace("-", " "))
    table = parts.set_axis(["volume", "rates", "sum"], axis=1)
    table.insert(0, "invoice", table.index)
    table["together"] = parts.sum(axis=1)
    none = words("bills.work.not_named")
    table["named"] = [", ".join(codes[name]) or none for name in parts.index]
    total = {"invoice": words("bills.work.sum"), "named": ""}
    total |= {name: table[name].sum() for name in table if name not in total}
    table = pd.concat([table, pd.DataFrame([total])], ignore_index=True)
    return words.frame("bills.differences", table)
