"""Corrected and credit invoices: which invoices are in force, and what became of the others."""

from __future__ import annotations

from datetime import date

import pandas as pd

from sewer_audit.records.bills.checks import in_order_of_issue
from sewer_audit.records.model import Findings

KINDS = ("", "original", "corrected", "credit")


def settle_replacements(
    frame: pd.DataFrame, lines: pd.DataFrame, findings: Findings
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Separate the invoices in force from those replaced, cancelled or netted.

    Notes
    -----
    A corrected invoice names in `replaces` the one it stands for. A credit names the one it
    credits: of the whole amount it cancels it, of a part it is added to it line by line. What a
    credit leaves of an invoice that was billed anew stands as `uncredited` with the correction.
    """
    frame, lines = _same_rows_once(frame, lines, findings)
    _check_words(frame, findings)
    fate: dict[int, str] = {}
    netted: dict[int, int] = {}  # credit of a part to what it credits
    anew: dict[int, int] = {}  # invoice to the one that replaces it
    number = {name: place for place, name in frame["invoice"].items()}
    frame, lines = frame.assign(uncredited=None, credit_note=None), lines.copy()
    for place, row in frame[frame["replaces"] != ""].iterrows():
        target = number.get(row["replaces"])
        if target is None or target == place:
            if target == place:
                findings.add(
                    "the invoice replaces itself",
                    "Name the invoice it stands for",
                    line=int(row["line"]),
                    column="replaces",
                    code="replaces",
                )
                continue
            findings.warn(
                f"the invoice {row['replaces']!r} it replaces is not in the file",
                "Add that invoice, so that the correction can be shown",
                line=int(row["line"]),
                column="replaces",
                code="replaces",
            )
            if _is_credit(row):
                fate[int(place)] = f"credit of {row['replaces']}, which is not in the file"
        elif _is_credit(row) and _bills_reads_of_its_own(row, frame.loc[target]):
            continue  # a negative month: it sets estimates right and is a bill like others
        elif _is_credit(row):
            if _credit(frame, lines, int(place), int(target), fate, findings):
                netted[int(place)] = int(target)
        else:
            anew[int(target)] = int(place)
            fate[int(target)] = f"replaced by {row['invoice']}"
            findings.flag(
                "invoice replaced",
                f"invoice {row['replaces']} was replaced by {row['invoice']}",
                invoice=row["replaces"],
                by=row["invoice"],
            )
    _uncredited(frame, netted, anew)
    return _split(frame, lines, fate)


def _uncredited(frame: pd.DataFrame, netted: dict[int, int], anew: dict[int, int]) -> None:
    """Rests of invoices that were credited in part and billed anew, told with the correction."""
    for credit, target in netted.items():
        if target in anew:
            frame.at[anew[target], "uncredited"] = frame.at[target, "total"]
            frame.at[anew[target], "credit_note"] = frame.at[credit, "invoice"]


def without_later(
    frame: pd.DataFrame, lines: pd.DataFrame, day: date
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Invoices without the corrections and credits billed after a day; undated ones stay."""
    if "bill_date" not in frame:
        return frame, lines
    number = {name: place for place, name in frame["invoice"].items()}
    late = []
    for place, row in frame[frame["replaces"] != ""].iterrows():
        target, billed = number.get(row["replaces"]), row["bill_date"]
        own = target is not None and _is_credit(row)
        own = own and _bills_reads_of_its_own(row, frame.loc[target])
        if isinstance(billed, date) and not pd.isna(billed) and billed > day and not own:
            late.append(place)
    return frame.drop(index=late), lines.drop(index=late)


def _split(
    frame: pd.DataFrame, lines: pd.DataFrame, fate: dict[int, str]
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    superseded = frame.loc[sorted(fate)].copy()
    superseded["fate"] = pd.Series(fate, dtype="str").reindex(superseded.index)
    force = in_order_of_issue(frame.drop(index=list(fate)))
    lines = lines.loc[force.index].reset_index(drop=True)
    return force.reset_index(drop=True), lines, superseded.reset_index(drop=True)


def _is_credit(row: pd.Series) -> bool:
    return row["kind"] == "credit" or (row["kind"] == "" and row["total"] < 0)


def _bills_reads_of_its_own(row: pd.Series, target: pd.Series) -> bool:
    """Whether a credit goes from read to read over days that the invoice it names does not hold."""
    read = not pd.isna(row["previous_read"]) and not pd.isna(row["current_read"])
    return bool(read and row["start"] >= target["end"])


def _check_words(frame: pd.DataFrame, findings: Findings) -> None:
    for _, row in frame.iterrows():
        if row["kind"] not in KINDS:
            findings.add(
                f"{row['kind']!r} is no kind of invoice",
                "Write original, corrected or credit",
                line=int(row["line"]),
                column="kind",
                code="kind",
            )
        elif row["kind"] in ("corrected", "credit") and not row["replaces"]:
            findings.add(
                f"a {row['kind']} invoice names no invoice it stands against",
                "Name that invoice in a column replaces",
                line=int(row["line"]),
                column="replaces",
                code="replaces",
            )


def _same_rows_once(
    frame: pd.DataFrame, lines: pd.DataFrame, findings: Findings
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """A row that stands twice is read once; a number used for two different rows is refused."""
    drop = []
    for number, group in frame.groupby("invoice", sort=False):
        if len(group) < 2 or not number:
            continue
        first = group.index[0]
        for place in group.index[1:]:
            facts = [name for name in frame.columns if name != "line"]
            same = all(_equal(frame.at[first, name], frame.at[place, name]) for name in facts)
            same = same and list(lines.loc[first]) == list(lines.loc[place])
            line = int(frame.at[place, "line"])
            if same:
                drop.append(place)
                findings.warn(
                    f"invoice {number!r} stands twice with the same figures; it is read once",
                    "Remove one of the two rows; if it was billed twice under one number, give the "
                    "second a mark, such as a final b",
                    line=line,
                    code="duplicate invoice",
                )
            else:
                findings.add(
                    f"invoice {number!r} already stands in "
                    f"{findings.place(int(frame.at[first, 'line']))} with other figures",
                    "Give the correction a number of its own and name the first in replaces",
                    line=line,
                    code="duplicate invoice",
                )
    return frame.drop(index=drop), lines.drop(index=drop)


def _equal(one: object, other: object) -> bool:
    return bool(one == other) or bool(pd.isna(one) and pd.isna(other))  # type: ignore[call-overload]


def _credit(
    frame: pd.DataFrame,
    lines: pd.DataFrame,
    credit: int,
    target: int,
    fate: dict[int, str],
    findings: Findings,
) -> bool:
    """A credit taken off what it credits; whether something is left."""
    name, against = frame.at[credit, "invoice"], frame.at[target, "invoice"]
    rest = frame.at[target, "total"] + frame.at[credit, "total"]
    if rest == 0:
        fate[credit], fate[target] = f"cancels {against}", f"cancelled by {name}"
        message = f"invoice {against} was cancelled by credit {name}"
    else:
        for column in ("total", "billed_volume"):
            frame.at[target, column] = frame.at[target, column] + frame.at[credit, column]
        for column in lines.columns:
            lines.at[target, column] = lines.at[target, column] + lines.at[credit, column]
        frame.at[target, "amount_due"] = frame.at[target, "total"]  # that of the bill alone
        frame.at[target, "credit_note"] = name
        if "billed_m3" in frame:
            frame.at[target, "billed_m3"] += frame.at[credit, "billed_m3"]
        for column in ("subtotal", "tax_base", "water_used", "deduct"):  # of one of the two
            if column in frame:
                frame.at[target, column] = None
        fate[credit] = f"netted into {against}"
        message = f"credit {name} was added to invoice {against}, line by line"
    findings.flag("invoice credited", message, invoice=against, by=name)
    return bool(rest)
