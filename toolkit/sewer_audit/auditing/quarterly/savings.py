"""What is worth pursuing, what is new, and what to do: the lists that end a review."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.result import Audit
from sewer_audit.auditing.volumes.evidence import credited
from sewer_audit.charges import BRIEFLY
from sewer_audit.uncertainty import SUPPORTED, UNDECIDED, summarise

CENT = 0.005
YEAR_DAYS = 365.25
TOGETHER = {"true-up": "estimated-read"}  # an estimate and the invoice that makes up for it
NAMES = {
    "estimated-read": "estimated read and the invoice that makes up for it",
    "not recognised": "difference from the schedule, no known pattern",
}
EXACT = "exact to the cent, if reads and schedule are as the case states"
INTERVAL = "within the interval of the right volume, if reads and schedule are as the case states"
BASIS = "Billing on the discharge instead of a share of the intake"


def saving_table(result: Audit, places: Sequence[int]) -> pd.DataFrame:
    """Amounts worth pursuing, in order of their cautious figure."""
    rows = [*_errors(result, places), *_basis(result, places), *_credits(result, places)]
    columns = ["what", "invoices", "kind", "amount_mean", "amount_low", "amount_high"]
    frame = pd.DataFrame(rows, columns=[*columns, "probability", "certainty", "note"])
    return frame.sort_values(
        ["amount_low", "amount_mean"], ascending=False, kind="stable"
    ).reset_index(drop=True)


def _codes(result: Audit) -> dict[str, str]:
    """Invoice to the pattern its error fits."""
    found: dict[str, str] = {}
    for row in result.signatures.itertuples():
        for invoice in row.invoices:
            found.setdefault(str(invoice), str(row.code))
    return found


def _errors(result: Audit, places: Sequence[int]) -> list[dict[str, Any]]:
    if result.claim.empty:
        return []
    codes, claim = _codes(result), result.claim.iloc[list(places)]
    wrong = claim[claim["by_the_rules"].abs() > CENT]
    groups: dict[str, list[Any]] = {}
    for row in wrong.itertuples():
        code = codes.get(str(row.invoice), "not recognised")
        groups.setdefault(TOGETHER.get(code, code), []).append(row)
    rows = []
    for code, members in groups.items():
        names = {str(row.invoice) for row in members}
        entries = [each for each in result.ledger.entries if each.invoice in names]
        amount, low, high = (
            round(float(sum(getattr(each, end) for each in entries)), 2)
            for end in ("amount", "low", "high")
        )
        exact = all(each.exactness == "exact" for each in entries)
        named = NAMES.get(code) or BRIEFLY.get(code, code.replace("-", " "))
        rows.append(
            {
                "what": f"Correction: {named}",
                "invoices": ", ".join(str(row.invoice) for row in members),
                "kind": "once",
                "amount_mean": amount,
                "amount_low": low,
                "amount_high": high,
                "probability": _sign(low, high),
                "certainty": EXACT if exact else INTERVAL,
                "note": _window(members, amount),
            }
        )
    return rows


def _sign(low: float, high: float) -> float:
    """Chance of a gain: certain where the whole interval lies on one side, else not known."""
    return 1.0 if low > 0 else 0.0 if high <= 0 else np.nan


def _window(members: Sequence[Any], amount: float) -> str:
    """What the windows of the case say, and the warning where the bill would rise."""
    if amount < 0:
        return "in the site's favour: a correction raises the bill"
    open_until = [row.dispute_until for row in members if row.open is True]
    closed = [row for row in members if row.open is False]
    back = {state: [r for r in members if r.in_look_back is state] for state in (True, False)}
    parts = [f"dispute until {min(open_until)}"] if open_until else []
    if closed:
        parts.append("dispute window over" + ("" if len(closed) == len(members) else " for some"))
    if back[True]:
        parts.append("within the look-back" + ("" if not back[False] else " for some"))
    if back[False]:
        parts.append(f"outside the look-back: {', '.join(str(r.invoice) for r in back[False])}")
    return "; ".join(parts) or "no window stated in the case"


def _year(result: Audit, places: Sequence[int]) -> list[int]:
    """The latest of the invoices that together reach back a year at most."""
    table = result.invoices
    end = table["end"].iloc[list(places)].max()
    first = end - pd.Timedelta(days=YEAR_DAYS + 10)
    return [place for place in places if table["start"].iloc[place] >= first]


def _a_year(result: Audit, saved: np.ndarray, rows: Sequence[int]) -> np.ndarray:
    days = float(result.evidence.periods.days[list(rows)].sum())  # each day once
    return saved[:, list(rows)].sum(axis=1) * YEAR_DAYS / days


def _row(result: Audit, what: str, draws: np.ndarray, note: str) -> dict[str, Any]:
    found = summarise(draws, result.rule.coverage)
    return {
        "what": what,
        "invoices": "",
        "kind": "a year",
        "amount_mean": float(found.mean),
        "amount_low": float(found.low),
        "amount_high": float(found.high),
        "probability": float((draws > 0).mean()),
        "certainty": f"{100 * result.rule.coverage:.4g} % interval of the evidence",
        "note": note,
    }


def _basis(result: Audit, places: Sequence[int]) -> list[dict[str, Any]]:
    audited, basis = result.evidence.audited, result.evidence.basis
    rows = _year(result, places)
    known = audited is not None and basis is not None and result.pricing is not None
    if not rows or not known or result.case.data.case.basis != "intake":
        return []
    if not (np.isfinite(audited).all() and np.isfinite(basis).all()):
        return []
    saved = result.pricing.amounts(basis) - result.pricing.amounts(audited)
    note = "needs another basis, a credit or a deduct meter; no error of an invoice"
    found = _row(result, BASIS, _a_year(result, saved, rows), note)
    return [found] if found["amount_low"] > 0 else []  # else it may cost: no saving is shown


def _credits(result: Audit, places: Sequence[int]) -> list[dict[str, Any]]:
    """Each use that never reaches the sewer and that the schedule does not take off.

    Only where all of the intake is billed: a return factor below one may already stand for the
    use, and taking it off twice would bill less than what left the site.
    """
    basis, balance, rows = result.evidence.basis, result.evidence.balance, _year(result, places)
    if not rows or basis is None or balance is None or result.pricing is None:
        return []
    stated, found = result.case.data.case, []
    if stated.basis != "intake" or stated.return_factor != 1 or not np.isfinite(basis).all():
        return []
    for use in result.case.data.use:
        volume = balance.components.get(use.name)
        if credited(use) or volume is None or not np.isfinite(volume).all():
            continue
        less = result.pricing.amounts(basis - volume)
        draws = _a_year(result, result.pricing.amounts(basis) - less, rows)
        note = "an alternative to billing on the discharge, not on top of it"
        found.append(_row(result, f"Credit for {use.name}", draws, note))
    return found


def news_table(result: Audit, this: Sequence[int], ratios: pd.DataFrame) -> pd.DataFrame:
    """What the invoices of this quarter brought."""
    table = result.invoices
    names = [str(table["invoice"].iloc[place]) for place in this]
    earlier = [str(name) for name in table["invoice"].iloc[: min(this)]]
    outside = set(ratios.loc[ratios["outside"], "invoice"])
    rows = [*_news_signatures(result, names, earlier), *_news_findings(result, names, earlier)]
    for name in names:
        if name in outside:
            what = "billed over audited volume lies outside the control limits"
            rows.append((name, what, _before([n for n in earlier if n in outside])))
    rows += _news_flags(result, names, earlier)
    order = {name: place for place, name in enumerate(names)}
    order |= {r.invoice: order.get(r.invoices[-1], -1) for r in result.judged.itertuples()}
    rows.sort(key=lambda row: order[row[0]])
    return pd.DataFrame(rows, columns=["invoice", "what", "before"])


def _before(names: Sequence[str]) -> str:
    return f"also in {', '.join(names)}" if names else "first time"


def _news_signatures(result: Audit, names: list[str], earlier: list[str]) -> list[tuple]:
    rows = []
    for row in result.signatures.itertuples():
        again = [
            str(name)
            for other in result.signatures.itertuples()
            for name in other.invoices
            if other.code == row.code and str(name) in earlier
        ]
        for name in map(str, row.invoices):
            if name in names:
                text = str(row.sentence).removeprefix(f"{name}: ").rstrip(".")
                rows.append((name, text, _before(again)))
    return rows


def _news_findings(result: Audit, names: list[str], earlier: list[str]) -> list[tuple]:
    findings = {r.invoice: (r.invoices[-1], str(r.finding)) for r in result.judged.itertuples()}
    rows = []
    for name, (last, finding) in findings.items():
        if last not in names or finding in (SUPPORTED, UNDECIDED):
            continue
        again = [
            each for each, (end, same) in findings.items() if same == finding and end in earlier
        ]
        rows.append((name, finding, _before(again)))
    return rows


def _named(flag: Any) -> list[str]:
    named = flag.data.get("invoices", flag.data.get("invoice", []))
    if isinstance(named, str):
        return [named]
    return [str(name) for name in named] if isinstance(named, Iterable) else []  # or a count


def _news_flags(result: Audit, names: list[str], earlier: list[str]) -> list[tuple]:
    """Flags that name an invoice of this quarter, but those the lists above repeat."""
    said = {"billed-too-low", "under-invoiced-by-the-rules", "estimated read", "true-up"}
    said |= {"gap-estimated"}  # the quality of the record stands in the evidence report
    rows = []
    for flag in result.flags:
        if flag.code in said:
            continue
        for name in _named(flag):
            if name in names:
                again = [
                    each
                    for other in result.flags
                    if other.code == flag.code
                    for each in _named(other)
                    if each in earlier
                ]
                rows.append((name, flag.code.replace("-", " "), _before(again)))
    return rows


def action_table(
    result: Audit, savings: pd.DataFrame, corrected: Collection[str] = ()
) -> pd.DataFrame:
    """What to do next; owner and date are for people to fill in.

    corrected: Invoices known to have been corrected since; no correction of them is asked for.
    """
    rows = []
    for row in savings.itertuples():
        if row.amount_mean <= 0 or row.kind != "once":
            continue
        if set(row.invoices.split(", ")) & set(corrected):
            continue
        note = row.note if row.note.startswith("dispute until") else ""
        rows.append((f"Ask for the correction of {row.invoices}", note))
    if (savings["what"] == BASIS).any():
        rows.append(("Ask which credit, deduct meter or other basis the code provides", ""))
    if result.invoices["read_type"].iloc[-1] == "estimated":
        last = result.invoices["invoice"].iloc[-1]
        rows.append((f"See that the estimated read of {last} is followed by an actual one", ""))
    rows += [(text, "") for text in result.next_proof]
    return pd.DataFrame(
        [(action, day, "", "") for action, day in dict(reversed(rows)).items()][::-1],
        columns=["action", "last_day", "owner", "date"],
    )
