"""Read bills checked by their own arithmetic and by the run of bills; what fails is asked."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from functools import partial
from itertools import pairwise

from sewer_audit.drafting.bills import Figure, Layout, ReadBill, stem


@dataclass(frozen=True)
class Relation:
    """Figures of a page that hold together, and what to say where they do not."""

    fields: tuple[str, ...]
    holds: Callable[[ReadBill], bool | None]
    words: str


def _cent(value: Decimal) -> Decimal:
    return value.quantize(Decimal("0.01"), ROUND_HALF_UP)


def relations_of(fields: Sequence[str], lines: Sequence[str]) -> list[Relation]:
    """What figures of a bill may hold together; `settle_run` keeps what most bills obey."""
    tails = [name[len("usage") :] for name in fields if stem(name) == "usage"]
    tried = [
        _of_numbers(
            [f"{name}{tail}" for name in ("previous_read", "current_read", "multiplier", "usage")],
            lambda one, two, many, usage, f=Decimal(factor): (two - one) * many * f == usage,
            "reads x multiplier is not the usage",
        )
        for tail in tails
        for factor in ("1", "0.001", "0.01", "0.1", "0.0001")
    ]
    if tails:
        names = [*(f"usage{tail}" for tail in tails), "billed_volume"]
        words = "the usage is not the billed volume"
        tried.append(_of_numbers(names, lambda *uses: sum(uses[:-1]) == uses[-1], words))
    tried.append(Relation(("line:", "total"), _lines_add, "the lines do not add up to the total"))
    tried.append(
        _of_numbers(
            ["previous_balance", "payments", "total", "amount_due"],
            lambda before, paid, total, due: before - paid + total == due,
            "balance - payments + total is not the amount due",
        )
    )
    words = "the days are not those of the period"
    tried += [Relation(("start", "end", "days"), partial(_days, more=n), words) for n in (0, 1)]
    return tried + [
        _of_numbers(
            ["billed_volume", "rate", line],
            lambda volume, rate, amount: _cent(volume * rate) == amount,
            "volume x rate is not the line",
        )
        for line in lines
    ]


def _of_numbers(names: Sequence[str], test: Callable[..., bool], words: str) -> Relation:
    """A relation of figures that can be told where the bill has all of them."""

    def holds(bill: ReadBill) -> bool | None:
        values = [bill.number(name) for name in names]
        return None if None in values else test(*values)

    return Relation(tuple(names), holds, words)


def _lines_add(bill: ReadBill) -> bool | None:
    lines = [bill.number(name) for name in bill.figures if name.startswith("line:")]
    total = bill.number("total")
    return None if not lines or total is None else sum(lines) == total  # type: ignore[arg-type]


def _days(bill: ReadBill, more: int) -> bool | None:
    start, end, days = (bill.value(name) for name in ("start", "end", "days"))
    if not (start and end and days):
        return None
    return (dt.date.fromisoformat(end) - dt.date.fromisoformat(start)).days + more == Decimal(days)


def _kept(relations: Sequence[Relation], bills: Sequence[ReadBill]) -> list[Relation]:
    """Relations that at least half of the bills obey: one wrong bill, typed or not, hides none."""
    kept = []
    for relation in relations:
        told = [answer for answer in map(relation.holds, bills) if answer is not None]
        if told and 2 * sum(told) >= len(told):
            kept.append(relation)
    return kept


def settle_run(pairs: Sequence[tuple[Layout, ReadBill]], account: str) -> None:
    """Check every bill by its layout and the run of bills; write doubts beside the figures.

    account: that of the first typed bill; a bill of another is left out.
    """
    bills = [bill for _, bill in pairs]
    kept: dict[int, list[Relation]] = {}
    for layout in {id(layout): layout for layout, _ in pairs}.values():
        of = [bill for one, bill in pairs if one is layout]
        kept[id(layout)] = _kept(relations_of([*layout.typed], layout.lines), of)
    for layout, bill in pairs:
        if not bill.scanned:  # what a picture seems to say is asked first
            refuse_account(bill, account)
        _check_one(layout, bill, kept[id(layout)])
    own = sorted((b for b in bills if not b.faults and b.value("start")),
                 key=lambda b: (str(b.value("start")), b.file))  # fmt: skip
    for before, after in pairwise(own):
        _check_pair(before, after)
    for layout, bill in pairs:
        if bill.scanned:
            _ask_everything(layout, bill)


def refuse_account(bill: ReadBill, account: str) -> None:
    """Leave out a bill of another account than the typed one."""
    if account and bill.value("account") not in (None, account):
        bill.faults.append(f"account {bill.value('account')}, the typed bill has {account}")


def _ask_everything(layout: Layout, bill: ReadBill) -> None:
    """Of a picture no figure counts unconfirmed; what the person typed of it is confirmed so."""
    for figure in bill.figures.values():
        figure.doubt = figure.doubt or "read from a picture; printed so?"
        figure.confirmed = False
    for name in layout.missing:
        bill.doubts[name] = "not found in the picture of the typed bill; type it"
    if bill.file == layout.name and len(bill.pages) == len(layout.sheets):
        for name, value in layout.typed.items():
            figure = bill.figures.get(name)
            if figure is None or figure.value != value:
                figure = Figure(name, value, value, bill.pages[0], (0.0, 0.0, 0.0, 0.0))
            figure.doubt, figure.by = "", "person"
            bill.figures[name] = figure
            bill.doubts.pop(name, None)


def _check_one(layout: Layout, bill: ReadBill, relations: Sequence[Relation]) -> None:
    """What the arithmetic confirms is sure; where it contradicts, the figures left are asked."""
    failed: list[tuple[list[str], str]] = []
    for relation in relations:
        fields = [name for name in bill.figures if name in relation.fields
                  or ("line:" in relation.fields and name.startswith("line:"))]  # fmt: skip
        answer = relation.holds(bill)
        if answer is False:
            failed.append((fields, f"{relation.words}; printed so?"))
        for name in fields if answer else ():
            bill.figures[name].confirmed = True
            if name == "total" and "line:" in relation.fields:
                for line in layout.lines:  # this bill does not have the line, and adds up
                    bill.doubts.pop(line, None)
    for figure in bill.figures.values():
        figure.doubt = "" if figure.confirmed else figure.doubt
    for fields, words in failed:
        open_ = [name for name in fields if not bill.figures[name].confirmed]
        for name in open_ or fields:
            bill.figures[name].doubt = words


def _check_pair(before: ReadBill, after: ReadBill) -> None:
    """Periods meet, reads go on."""
    if before.value("invoice") and before.value("invoice") == after.value("invoice"):
        after.faults.append(f"invoice {after.value('invoice')} is read from {before.file} already")
        return
    end, start = str(before.value("end")), str(after.value("start"))
    days = [dt.date.fromisoformat(day) for day in (str(before.value("start")), end, start)
            if day != "None"]  # fmt: skip
    gap = (days[2] - days[1]).days if len(days) == 3 else 0
    if gap > 1 and 2 * gap > (days[1] - days[0]).days:
        after.notes.append(f"no bill was read for {end} to {start}")
    elif abs(gap) > 1:
        words = f"the period before ends {end}, this one begins {start}; printed so?"
        after.figures["start"].doubt = words
        before.figures["end"].doubt = before.figures["end"].doubt or words
    for name in [n for n in after.figures if stem(n) == "previous_read"]:
        last, tail = before.number(f"current_read{name[13:]}"), name[13:]
        same = before.value(f"meter{tail}") == after.value(f"meter{tail}")
        if gap <= 1 and same and last is not None and last != after.number(name):
            after.figures[name].doubt = (
                f"the bill before ends with the read {last}, this one begins with "
                f"{after.value(name)}; printed so?"
            )
