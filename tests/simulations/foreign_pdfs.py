"""Invented PDF bills in ten layouts, with the truth of every figure they print.

Everything here is made up: towns, accounts, tariffs, layouts. Nothing imitates the bill of a real
utility. Each layout prints a run of 3 to 12 consecutive bills of one account in one of three
variants: "plain"; "moved" (from the middle of the run on the whole page is shifted by some points,
as after a change of the printing house); "reset" (from there on another font size). A hostile set
adds an encrypted file, a page that is only a picture, a bill of another account, two bills in one
file and a bill with one figure printed wrong, which must be read as printed and flagged.

Deterministic by (layout, variant, seed). Seeds 1 to 999 are for mending, 5000 on for the record.

    python foreign_pdfs.py FOLDER [SEED]     writes every layout and variant and the truth as JSON

In Python: `truth = make_bills("history", "moved", 7, folder)` and `score(read, flagged, truth)`.

The truth: {"layout", "variant", "seed", "account", "files": {name: entry}} with entry =
{"state", "fields": {field: value}, "places": {field: [page, x0, y0, x1, y1]}, "printed_so": [...]}.
Values are canonical text: decimals with a point, dates as 2026-03-31. Pages count from 1; boxes are
PDF points from the lower left corner. `state` is "bill", or "encrypted", "picture only",
"other account", "two bills" for what has to be told by file and page; the second bill of a file
with two stands under the name with "#2" behind it. `printed_so` names fields of which at least one
must be flagged, because the figures of the page contradict each other there.
"""

from __future__ import annotations

import io
import json
import random
import sys
from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path

from reportlab.lib.pagesizes import A4, landscape, letter
from reportlab.lib.pdfencrypt import StandardEncryption
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

VARIANTS = ("plain", "moved", "reset")
CENT = Decimal("0.01")


def cents(value: Decimal) -> Decimal:
    """Round to the cent, half up."""
    return value.quantize(CENT, ROUND_HALF_UP)


# --- the content of a bill ------------------------------------------------------------------------


@dataclass
class Meter:
    """One row of reads as printed: usage = (current - previous) x multiplier / per_unit."""

    number: str
    previous: int
    current: int
    multiplier: int
    usage: Decimal


@dataclass
class Bill:
    """One bill; figures are those printed, so a misprint changes them here."""

    town: str
    customer: str
    account: str
    invoice: str
    bill_date: date
    due_date: date
    start: date
    end: date
    unit: str
    meters: list[Meter]
    volume: Decimal
    rate: Decimal
    lines: list[tuple[str, Decimal]]
    previous_balance: Decimal
    payments: Decimal
    total: Decimal
    amount_due: Decimal
    history: list[tuple[date, Decimal, Decimal]] = field(default_factory=list)

    @property
    def days(self) -> int:
        """End date less start date."""
        return (self.end - self.start).days


TOWNS = (
    ("Town of Hollin Marsh", "Wetherlam Pickle Works"),
    ("City of Ulverbrook", "Skerry Lane Laundry"),
    ("Borough of Quillham", "Bramblecote Dyers"),
    ("Tarn Fell Service District", "Oxenrig Malting"),
)
WORDS = {
    "en": {
        "base": "Base charge",
        "volume": "Sewer volume charge",
        "fee": "Franchise fee",
        "credit": "Adjustment",
    },
    "de": {
        "base": "Grundgebühr",
        "volume": "Mengengebühr Schmutzwasser",
        "fee": "Verwaltungsaufschlag",
        "credit": "Gutschrift",
    },
}


def invent_bills(
    rng: random.Random,
    *,
    metric: bool = False,
    meters: int = 1,
    credits: bool = False,
    count: int | None = None,
) -> list[Bill]:
    """A run of consecutive bills of one account, every figure consistent with every other."""
    town, customer = rng.choice(TOWNS)
    words = WORDS["de" if metric else "en"]
    count = count or rng.randint(3, 12)
    account = f"{rng.randint(10, 99)}-{rng.randint(1000, 9999)}-{rng.randint(0, 9)}"
    per_unit = 1 if metric else 1000
    states = []
    for _ in range(meters):
        multiplier = 1 if metric else rng.choice((10, 100, 1000))
        monthly = rng.randint(400, 4000) if metric else rng.randint(300, 2500) * 1000
        states.append(
            [
                f"{rng.choice('ABKRT')}{rng.randint(100000, 999999)}",
                multiplier,
                monthly,
                rng.randint(1000, 700000),
            ]
        )
    rate = (
        Decimal(rng.randint(180, 990)) / 100
        if not metric
        else Decimal(rng.randint(1900, 3900)) / 1000
    )
    base, fee = Decimal(rng.randint(1500, 21000)) / 100, Decimal(rng.choice((3, 4, 5))) / 100
    start = date(2024, rng.randint(1, 12), rng.randint(2, 27))
    number = rng.randint(10000, 80000)
    history: list[tuple[date, Decimal, Decimal]] = []
    for back in range(12, 0, -1):
        used = Decimal(rng.randint(200, 3000)) / (1 if metric else 10)
        history.append((start - timedelta(days=30 * back), used, cents(used * rate + base)))
    balance = Decimal(0)
    bills = []
    for _ in range(count):
        end = start + timedelta(days=rng.randint(27, 34))
        rows = []
        for state in states:
            counts = max(1, round(state[2] * rng.uniform(0.75, 1.3) / state[1]))
            rows.append(
                Meter(
                    state[0],
                    state[3],
                    state[3] + counts,
                    state[1],
                    Decimal(counts * state[1]) / per_unit,
                )
            )
            state[3] += counts
        volume = sum((row.usage for row in rows), Decimal(0))
        lines = [(words["base"], base), (words["volume"], cents(volume * rate))]
        lines.append((words["fee"], cents(fee * (lines[0][1] + lines[1][1]))))
        if credits and rng.random() < 0.5:
            lines.append((words["credit"], -Decimal(rng.randint(500, 90000)) / 100))
        total = sum((amount for _, amount in lines), Decimal(0))
        paid = balance if rng.random() < 0.75 else cents(balance / 2)
        issued = end + timedelta(days=rng.randint(2, 9))
        bills.append(
            Bill(
                town,
                customer,
                account,
                str(number),
                issued,
                issued + timedelta(days=21),
                start,
                end,
                "m³" if metric else "kgal",
                rows,
                volume,
                rate,
                lines,
                balance,
                paid,
                total,
                balance - paid + total,
                list(history[-12:]),
            )
        )
        history.append((end, volume, total))
        balance, start = bills[-1].amount_due, end
        number += rng.randint(3, 400)
    return bills


def misprint(bill: Bill, rng: random.Random, what: str = "usage") -> list[str]:
    """Print one figure wrong; return the fields one of which has to be flagged."""
    if what == "usage":
        row = bill.meters[0]
        row.usage += (
            rng.choice((-9, 9, 90)) * Decimal(row.multiplier) / (1 if bill.unit == "m³" else 1000)
        )
        return ["previous_read", "current_read", "multiplier", "usage", "billed_volume"]
    if what == "line":
        name, amount = bill.lines[1]
        bill.lines[1] = (name, amount + rng.choice((9, 90, 900)))
        return ["billed_volume", "rate", f"line:{name}", "total"]
    if what == "total":
        bill.total += rng.choice((9, 90, Decimal("0.90")))
        return ["total", "amount_due"] + [f"line:{name}" for name, _ in bill.lines]
    raise ValueError(f"no misprint called {what!r}")


# --- the pen --------------------------------------------------------------------------------------


class Pen:
    """A canvas that remembers where each figure was printed."""

    def __init__(self, target, size, *, shift=(0.0, 0.0), factor=1.0, password=None):
        encrypt = StandardEncryption(password, ownerPassword=password + "-o") if password else None
        self.canvas = Canvas(target, pagesize=size, invariant=1, encrypt=encrypt)
        self.width, self.height = size
        self.shift, self.factor, self.page = shift, factor, 1
        self.fields: dict[str, str] = {}
        self.places: dict[str, list[float]] = {}

    def put(self, x, y, text, key=None, value=None, *, size=10, align="left", font="Helvetica"):
        """Print text at x from the left, y from the top; the first place of a field counts."""
        size *= self.factor
        x, y = x + self.shift[0], self.height - y + self.shift[1]
        width = stringWidth(text, font, size)
        x -= {"left": 0.0, "right": width, "centre": width / 2}[align]
        self.canvas.setFont(font, size)
        self.canvas.drawString(x, y, text)
        if key is not None:
            self.note(key, text if value is None else value, x, y, width, size)

    def note(self, key, value, x, y, width, size):
        """Remember a figure and its box (descent and ascent of about a quarter and the whole)."""
        self.fields.setdefault(key, str(value))
        box = [self.page, x, y - 0.22 * size, x + width, y + 0.8 * size]
        self.places.setdefault(key, [round(entry, 1) for entry in box])

    def box(self, x, y, width, height):
        """An outlined box whose upper left corner is x, y."""
        self.canvas.rect(x + self.shift[0], self.height - y - height + self.shift[1], width, height)

    def rule(self, x0, x1, y):
        """A horizontal line."""
        y = self.height - y + self.shift[1]
        self.canvas.line(x0 + self.shift[0], y, x1 + self.shift[0], y)

    def next_page(self):
        """Go on with the next page."""
        self.canvas.showPage()
        self.page += 1

    def take(self):
        """The figures since the last call."""
        taken = (self.fields, self.places)
        self.fields, self.places = {}, {}
        return taken


def number(value, places=2, style="us") -> str:
    """A number as people print it: 1,234.50 (us), 1.234,50 (de), 1234.50 (bare)."""
    text = f"{value:,.{places}f}"
    if style == "de":
        text = text.replace(",", " ").replace(".", ",").replace(" ", ".")
    return text.replace(",", "") if style == "bare" else text


def canonical(value) -> str:
    """The text a figure has in the truth."""
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Decimal):
        return format(value.normalize(), "f")
    return str(value)


US, DE, NAMED = "%m/%d/%Y", "%d.%m.%Y", "%b %d, %Y"


# --- ten layouts ----------------------------------------------------------------------------------
# Each takes the pen and a bill. `show` prints a figure and keeps its canonical value.


def show(pen, x, y, key, value, text=None, **how):
    """Print a figure that belongs to the truth."""
    pen.put(x, y, canonical(value) if text is None else text, key, canonical(value), **how)


def _head(pen, bill, size=15):
    pen.put(48, 50, bill.town, size=size, font="Helvetica-Bold")
    pen.put(48, 66, "Sewer and drainage account", size=9)


def side_by_side(pen, bill):
    """One page, label left and value right of it; reads in a small table."""
    _head(pen, bill)
    y = 110
    for label, key, value, text in (
        ("Account number", "account", bill.account, None),
        ("Bill number", "invoice", bill.invoice, None),
        ("Date of bill", "bill_date", bill.bill_date, bill.bill_date.strftime(US)),
        ("Service from", "start", bill.start, bill.start.strftime(US)),
        ("Service to", "end", bill.end, bill.end.strftime(US)),
        ("Days", "days", bill.days, None),
        ("Please pay by", "due_date", bill.due_date, bill.due_date.strftime(US)),
    ):
        pen.put(48, y, label)
        show(pen, 190, y, key, value, text)
        y += 17
    pen.put(330, 110, bill.customer)
    pen.put(330, 124, "14 Millrace Yard")
    _reads(pen, bill, 260)
    _charges(pen, bill, 350, 48, 400, rate_in_line=True)


def _reads(
    pen, bill, y, columns=(48, 150, 240, 330, 400), date_style=None, labels=None, style="us"
):
    """A table of reads; numbers right-aligned under their heads."""
    labels = labels or ("Meter", "Previous", "Present", "Multiplier", f"Usage {bill.unit}")
    widths = (0, 50, 50, 50, 62)
    for x, width, label in zip(columns, widths, labels, strict=True):
        pen.put(
            x + width, y, label, size=9, align="right" if width else "left", font="Helvetica-Bold"
        )
    pen.rule(columns[0], columns[-1] + 66, y + 4)
    for place, meter in enumerate(bill.meters, 1):
        y += 16
        tail = "" if place == 1 else f".{place}"
        show(pen, columns[0], y, "meter" + tail, meter.number)
        how = {"align": "right"}
        show(pen, columns[1] + 50, y, "previous_read" + tail, meter.previous, **how)
        show(pen, columns[2] + 50, y, "current_read" + tail, meter.current, **how)
        show(pen, columns[3] + 50, y, "multiplier" + tail, meter.multiplier, **how)
        places = 0 if bill.unit == "m³" else 2
        show(
            pen,
            columns[4] + 62,
            y,
            "usage" + tail,
            meter.usage,
            number(meter.usage, places, style),
            **how,
        )
    return y


def _charges(
    pen,
    bill,
    y,
    left,
    right,
    *,
    rate_in_line=False,
    style="us",
    sign="$ ",
    credit="minus",
    total_label="Total of this bill",
    due_label="Amount due",
):
    """Charge lines with right-aligned amounts; balance, payments, total, amount due."""
    places = 0 if bill.unit == "m³" else 2
    for place, (name, amount) in enumerate(bill.lines):
        pen.put(left, y, name)
        if place == 1 and rate_in_line:
            text = number(bill.volume, places, style)
            show(pen, left + 175, y, "billed_volume", bill.volume, text)
            after = left + 175 + stringWidth(text, "Helvetica", 10 * pen.factor) + 4
            pen.put(after, y, f"{bill.unit} at")
            after += stringWidth(f"{bill.unit} at ", "Helvetica", 10 * pen.factor)
            show(
                pen, after, y, "rate", bill.rate, number(bill.rate, 3 if places == 0 else 2, style)
            )
        show(
            pen, right, y, f"line:{name}", amount, money(amount, style, sign, credit), align="right"
        )
        y += 16
    pen.rule(left, right, y - 11)
    show_line(pen, bill, total_label, "total", bill.total, y, left, right, style, sign, credit)
    show_line(
        pen,
        bill,
        "Balance before" if style == "us" else "Saldo vorher",
        "previous_balance",
        bill.previous_balance,
        y + 22,
        left,
        right,
        style,
        sign,
        credit,
    )
    show_line(
        pen,
        bill,
        "Paid, thank you" if style == "us" else "Gezahlt",
        "payments",
        bill.payments,
        y + 38,
        left,
        right,
        style,
        sign,
        credit,
    )
    show_line(
        pen,
        bill,
        due_label,
        "amount_due",
        bill.amount_due,
        y + 54,
        left,
        right,
        style,
        sign,
        credit,
    )
    return y + 54


def show_line(pen, bill, label, key, value, y, left, right, style, sign, credit):
    """One line of label and amount."""
    pen.put(left, y, label)
    show(pen, right, y, key, value, money(value, style, sign, credit), align="right")


def money(amount, style="us", sign="$ ", credit="minus") -> str:
    """An amount as printed; credits as -5.00, (5.00), 5.00 CR or 5.00-."""
    text = number(abs(amount), 2, style)
    text = f"{text} EUR" if style == "de" else f"{sign}{text}"
    if amount >= 0:
        return text
    return {
        "minus": f"-{text}",
        "brackets": f"({text})",
        "CR": f"{text} CR",
        "trailing": f"{text}-",
    }[credit]


def label_above(pen, bill):
    """Boxes with the label in small print above the value."""
    _head(pen, bill)
    meter = bill.meters[0]
    rows = (
        (
            ("Account", "account", bill.account, None),
            ("Invoice", "invoice", bill.invoice, None),
            ("Issued", "bill_date", bill.bill_date, bill.bill_date.strftime(NAMED)),
            ("Payable until", "due_date", bill.due_date, bill.due_date.strftime(NAMED)),
        ),
        (
            ("From", "start", bill.start, bill.start.strftime(NAMED)),
            ("To", "end", bill.end, bill.end.strftime(NAMED)),
            ("Days of service", "days", bill.days, None),
            ("Meter", "meter", meter.number, None),
        ),
        (
            ("Read before", "previous_read", meter.previous, number(meter.previous, 0)),
            ("Read now", "current_read", meter.current, number(meter.current, 0)),
            ("Counts of (gal)", "multiplier", meter.multiplier, number(meter.multiplier, 0)),
            ("Used (kgal)", "usage", meter.usage, number(meter.usage)),
        ),
    )
    for line, row in enumerate(rows):
        for column, (label, key, value, text) in enumerate(row):
            x, y = 48 + 130 * column, 100 + 48 * line
            pen.box(x, y, 124, 40)
            pen.put(x + 5, y + 12, label, size=7)
            show(pen, x + 5, y + 30, key, value, text, size=11)
    _charges(pen, bill, 290, 48, 430, rate_in_line=True)


def two_pages(pen, bill):
    """A summary with the address on page one, the workings on page two."""
    _head(pen, bill)
    pen.put(48, 130, bill.customer)
    pen.put(48, 144, "Accounts payable")
    pen.put(330, 110, "Account")
    show(pen, 520, 110, "account", bill.account, align="right")
    pen.put(330, 126, "Bill no.")
    show(pen, 520, 126, "invoice", bill.invoice, align="right")
    pen.put(330, 142, "Bill date")
    show(pen, 520, 142, "bill_date", bill.bill_date, bill.bill_date.strftime(US), align="right")
    pen.put(330, 158, "Due")
    show(pen, 520, 158, "due_date", bill.due_date, bill.due_date.strftime(US), align="right")
    for at, (label, key, value) in enumerate(
        (
            ("Balance of the bill before", "previous_balance", bill.previous_balance),
            ("Payments received", "payments", bill.payments),
            ("New charges (see overleaf)", "total", bill.total),
            ("To pay", "amount_due", bill.amount_due),
        )
    ):
        show_line(pen, bill, label, key, value, 240 + 18 * at, 48, 400, "us", "$", "minus")
    pen.put(48, 700, "Cut here and send with your payment", size=8)
    pen.put(48, 716, f"{bill.account}   {money(bill.amount_due, sign='$')}", size=9)
    pen.next_page()
    pen.put(48, 50, f"Page 2 of 2, account {bill.account}", size=8)
    pen.put(48, 84, "Days of service:")
    text = bill.start.strftime(US)
    show(pen, 140, 84, "start", bill.start, text)
    pen.put(212, 84, "through")
    show(pen, 262, 84, "end", bill.end, bill.end.strftime(US))
    pen.put(340, 84, "days")
    show(pen, 372, 84, "days", bill.days)
    _reads(pen, bill, 130)
    y = 220
    for place, (name, amount) in enumerate(bill.lines):
        pen.put(48, y, name)
        if place == 1:
            show(pen, 260, y, "billed_volume", bill.volume, number(bill.volume), align="right")
            pen.put(268, y, "kgal  x")
            show(pen, 340, y, "rate", bill.rate, number(bill.rate), align="right")
        show(pen, 480, y, f"line:{name}", amount, money(amount, sign="$"), align="right")
        y += 16
    pen.put(48, y + 6, "New charges")
    pen.put(480, y + 6, money(bill.total, sign="$"), align="right")


def two_meters(pen, bill):
    """Two meters in one table of reads; the billed volume is their sum."""
    _head(pen, bill)
    pen.put(48, 100, "Account no.")
    show(pen, 120, 100, "account", bill.account)
    pen.put(250, 100, "Invoice no.")
    show(pen, 320, 100, "invoice", bill.invoice)
    pen.put(48, 116, "Invoice date")
    show(pen, 120, 116, "bill_date", bill.bill_date, bill.bill_date.strftime(US))
    pen.put(250, 116, "Pay by")
    show(pen, 320, 116, "due_date", bill.due_date, bill.due_date.strftime(US))
    pen.put(48, 132, "Read dates")
    show(pen, 120, 132, "start", bill.start, bill.start.strftime(US))
    show(pen, 190, 132, "end", bill.end, bill.end.strftime(US))
    pen.put(250, 132, "Days")
    show(pen, 320, 132, "days", bill.days)
    y = _reads(pen, bill, 180)
    pen.put(48, y + 20, "Both meters")
    pen.put(462, y + 20, number(bill.volume), align="right")
    _charges(pen, bill, 300, 48, 462, rate_in_line=True)


def comma_decimals(pen, bill):
    """German labels, 1.234,56 EUR, 31.03.2026, cubic metres, A4."""
    pen.put(56, 60, "Stadtentwässerung Quellhausen", size=14, font="Helvetica-Bold")
    pen.put(56, 120, bill.customer)
    for at, (label, key, value, text) in enumerate(
        (
            ("Kundennummer", "account", bill.account, None),
            ("Rechnungsnummer", "invoice", bill.invoice, None),
            ("Rechnungsdatum", "bill_date", bill.bill_date, bill.bill_date.strftime(DE)),
            ("Fällig am", "due_date", bill.due_date, bill.due_date.strftime(DE)),
        )
    ):
        pen.put(330, 110 + 15 * at, label)
        show(pen, 540, 110 + 15 * at, key, value, text, align="right")
    pen.put(56, 210, "Abrechnungszeitraum")
    show(pen, 170, 210, "start", bill.start, bill.start.strftime(DE))
    pen.put(232, 210, "bis")
    show(pen, 254, 210, "end", bill.end, bill.end.strftime(DE))
    pen.put(330, 210, "Tage")
    show(pen, 362, 210, "days", bill.days)
    _reads(
        pen,
        bill,
        250,
        labels=("Zähler", "Stand alt", "Stand neu", "Faktor", "Verbrauch m³"),
        style="de",
    )
    _charges(
        pen,
        bill,
        330,
        56,
        480,
        rate_in_line=True,
        style="de",
        credit="minus",
        total_label="Rechnungsbetrag",
        due_label="Zu zahlen",
    )


def with_credits(pen, bill):
    """Credits in brackets or with CR behind them; lines move when a credit stands among them."""
    _head(pen, bill)
    pen.put(48, 96, "ACCOUNT", size=8)
    show(pen, 110, 96, "account", bill.account, size=9)
    pen.put(220, 96, "BILL", size=8)
    show(pen, 262, 96, "invoice", bill.invoice, size=9)
    pen.put(350, 96, "DATED", size=8)
    show(pen, 400, 96, "bill_date", bill.bill_date, bill.bill_date.strftime("%m/%d/%y"), size=9)
    pen.put(48, 112, "SERVED", size=8)
    show(pen, 110, 112, "start", bill.start, bill.start.strftime("%m/%d/%y"), size=9)
    pen.put(158, 112, "-", size=9)
    show(pen, 170, 112, "end", bill.end, bill.end.strftime("%m/%d/%y"), size=9)
    pen.put(220, 112, "DAYS", size=8)
    show(pen, 262, 112, "days", bill.days, size=9)
    pen.put(350, 112, "DUE", size=8)
    show(pen, 400, 112, "due_date", bill.due_date, bill.due_date.strftime("%m/%d/%y"), size=9)
    _reads(pen, bill, 150)
    style = "brackets" if int(bill.account[0]) % 2 else "CR"
    _charges(pen, bill, 220, 48, 420, rate_in_line=True, credit=style, sign="$")


def history(pen, bill):
    """A table of the twelve months before stands between the reads and the charges."""
    side = 330
    _head(pen, bill)
    for at, (label, key, value, text) in enumerate(
        (
            ("Account", "account", bill.account, None),
            ("Bill", "invoice", bill.invoice, None),
            ("Printed", "bill_date", bill.bill_date, bill.bill_date.strftime(US)),
            ("Due", "due_date", bill.due_date, bill.due_date.strftime(US)),
            ("First day", "start", bill.start, bill.start.strftime(US)),
            ("Last read", "end", bill.end, bill.end.strftime(US)),
            ("Days", "days", bill.days, None),
        )
    ):
        pen.put(48, 100 + 14 * at, label, size=9)
        show(pen, 120, 100 + 14 * at, key, value, text, size=9)
    pen.put(side, 100, "Your last twelve periods", size=9, font="Helvetica-Bold")
    pen.put(side + 110, 114, "Usage kgal", size=8, align="right")
    pen.put(side + 200, 114, "Amount", size=8, align="right")
    for at, (day, used, amount) in enumerate(reversed(bill.history)):
        pen.put(side, 128 + 13 * at, day.strftime(US), size=8)
        pen.put(side + 110, 128 + 13 * at, number(used), size=8, align="right")
        pen.put(side + 200, 128 + 13 * at, number(amount), size=8, align="right")
        pen.canvas.rect(
            side + 205 + pen.shift[0],
            pen.height - 128 - 13 * at + pen.shift[1],
            float(used) / 80,
            6,
            fill=1,
        )
    _reads(pen, bill, 320)
    _charges(pen, bill, 390, 48, 420, rate_in_line=True, sign="")


def summary_box(pen, bill):
    """A box with the amount at the upper right; all columns right-aligned, also the labels."""
    pen.put(560, 50, bill.town, size=14, align="right", font="Helvetica-Bold")
    pen.box(380, 66, 184, 92)
    for at, (label, key, value, text) in enumerate(
        (
            ("Pay this amount", "amount_due", bill.amount_due, money(bill.amount_due, sign="$")),
            ("on or before", "due_date", bill.due_date, bill.due_date.strftime(NAMED)),
            ("account", "account", bill.account, None),
            ("bill", "invoice", bill.invoice, None),
            ("of", "bill_date", bill.bill_date, bill.bill_date.strftime(NAMED)),
        )
    ):
        pen.put(465, 84 + 16 * at, label, size=9, align="right")
        show(pen, 556, 84 + 16 * at, key, value, text, size=9, align="right")
    pen.put(150, 200, "period", align="right")
    show(pen, 240, 200, "start", bill.start, bill.start.strftime(NAMED), align="right")
    show(pen, 330, 200, "end", bill.end, bill.end.strftime(NAMED), align="right")
    show(pen, 380, 200, "days", bill.days, align="right")
    pen.put(412, 200, "days", align="right")
    _reads(pen, bill, 240)
    columns = (170, 290, 370, 500)
    for x, label in zip(columns, ("charge", "volume kgal", "rate", "amount $"), strict=True):
        pen.put(x, 310, label, size=9, align="right", font="Helvetica-Bold")
    y = 328
    for place, (name, amount) in enumerate(bill.lines):
        pen.put(columns[0], y, name, align="right")
        if place == 1:
            show(
                pen, columns[1], y, "billed_volume", bill.volume, number(bill.volume), align="right"
            )
            show(pen, columns[2], y, "rate", bill.rate, number(bill.rate), align="right")
        show(pen, columns[3], y, f"line:{name}", amount, number(amount), align="right")
        y += 15
    for label, key, value in (
        ("this period", "total", bill.total),
        ("brought forward", "previous_balance", bill.previous_balance),
        ("paid", "payments", bill.payments),
    ):
        pen.put(columns[0], y + 8, label, align="right")
        show(pen, columns[3], y + 8, key, value, number(value), align="right")
        y += 15


def across(pen, bill):
    """Landscape: one row across the sheet, headed by two-line labels, narrow gaps."""
    _head(pen, bill)
    meter = bill.meters[0]
    cells = (
        ("Account", "", "account", bill.account, None),
        ("Bill", "number", "invoice", bill.invoice, None),
        ("Date", "of bill", "bill_date", bill.bill_date, bill.bill_date.strftime(US)),
        ("Read", "from", "start", bill.start, bill.start.strftime(US)),
        ("Read", "to", "end", bill.end, bill.end.strftime(US)),
        ("", "Days", "days", bill.days, None),
        ("", "Meter", "meter", meter.number, None),
        ("Read", "before", "previous_read", meter.previous, None),
        ("Read", "after", "current_read", meter.current, None),
        ("Gal per", "count", "multiplier", meter.multiplier, None),
        ("Used", "kgal", "usage", meter.usage, number(meter.usage)),
        ("Billed", "kgal", "billed_volume", bill.volume, number(bill.volume)),
        ("$ per", "kgal", "rate", bill.rate, number(bill.rate)),
    )
    edges = (100, 150, 206, 262, 318, 346, 396, 446, 496, 540, 596, 652, 690)
    for right, (upper, lower, key, value, text) in zip(edges, cells, strict=True):
        pen.put(right, 120, upper, size=7, align="right")
        pen.put(right, 129, lower, size=7, align="right")
        show(pen, right, 146, key, value, text, size=8.5, align="right")
    y = 190
    for name, amount in bill.lines:
        pen.put(400, y, name, size=9)
        show(pen, 690, y, f"line:{name}", amount, number(amount), size=9, align="right")
        y += 14
    for label, key, value in (
        ("Total", "total", bill.total),
        ("Open from before", "previous_balance", bill.previous_balance),
        ("Received", "payments", bill.payments),
        ("Due", "amount_due", bill.amount_due),
    ):
        pen.put(400, y + 6, label, size=9)
        show(pen, 690, y + 6, key, value, number(value), size=9, align="right")
        y += 14
    pen.put(400, y + 6, "Payable until", size=9)
    show(
        pen,
        690,
        y + 6,
        "due_date",
        bill.due_date,
        bill.due_date.strftime(US),
        size=9,
        align="right",
    )


def line_printer(pen, bill):
    """Fixed pitch, each printed line one piece of text; credits with the minus behind."""
    meter = bill.meters[0]
    rows: list[list[tuple[int, str, str | None, object]]] = [
        [(0, bill.town.upper(), None, None), (50, "SEWER BILL", None, None)],
        [],
        [
            (0, "ACCT", None, None),
            (6, bill.account, "account", bill.account),
            (22, "BILL NO", None, None),
            (30, bill.invoice, "invoice", bill.invoice),
            (40, "BILLED", None, None),
            (48, bill.bill_date.strftime(US), "bill_date", bill.bill_date),
        ],
        [
            (0, "FROM", None, None),
            (6, bill.start.strftime(US), "start", bill.start),
            (22, "TO", None, None),
            (26, bill.end.strftime(US), "end", bill.end),
            (40, "DAYS", None, None),
            (48, str(bill.days), "days", bill.days),
        ],
        [],
        [
            (0, "METER", None, None),
            (14, "PREV", None, None),
            (26, "PRES", None, None),
            (38, "MULT", None, None),
            (48, "KGAL", None, None),
        ],
        [
            (0, meter.number, "meter", meter.number),
            (14, str(meter.previous), "previous_read", meter.previous),
            (26, str(meter.current), "current_read", meter.current),
            (38, str(meter.multiplier), "multiplier", meter.multiplier),
            (48, number(meter.usage, 2, "bare"), "usage", meter.usage),
        ],
        [],
    ]
    for place, (name, amount) in enumerate(bill.lines):
        row = [(0, name.upper(), None, None)]
        if place == 1:
            row += [
                (22, number(bill.volume, 2, "bare"), "billed_volume", bill.volume),
                (34, "@", None, None),
                (36, number(bill.rate, 2, "bare"), "rate", bill.rate),
            ]
        rows.append([*row, _amount(amount, f"line:{name}")])
    for label, key, value in (
        ("CURRENT CHARGES", "total", bill.total),
        ("PREVIOUS BALANCE", "previous_balance", bill.previous_balance),
        ("PAYMENTS", "payments", bill.payments),
        ("AMOUNT NOW DUE", "amount_due", bill.amount_due),
    ):
        rows.append([(0, label, None, None), _amount(value, key)])
    rows.append(
        [(0, "DUE BY", None, None), (48, bill.due_date.strftime(US), "due_date", bill.due_date)]
    )
    size = 10
    pitch = 0.6 * size * pen.factor
    for line, row in enumerate(rows):
        text = ""
        for column, piece, _, _ in row:
            text = text.ljust(column) + piece
        y = 72 + 14 * line * pen.factor
        pen.put(40, y, text, size=size, font="Courier")
        for column, piece, key, value in row:
            if key:
                pen.note(
                    key,
                    canonical(value),
                    40 + pen.shift[0] + column * pitch,
                    pen.height - y + pen.shift[1],
                    len(piece) * pitch,
                    size * pen.factor,
                )


def _amount(value: Decimal, key: str) -> tuple[int, str, str, Decimal]:
    """An amount whose last digit stands in column 62, a minus behind it if it is a credit."""
    text = number(abs(value), 2, "us")
    return (62 - len(text), text + ("-" if value < 0 else ""), key, value)


@dataclass(frozen=True)
class Layout:
    """How a layout is drawn, on which paper, and what its bills hold."""

    draw: Callable[[Pen, Bill], None]
    paper: tuple[float, float] = letter
    metric: bool = False
    meters: int = 1
    credits: bool = False


LAYOUTS: dict[str, Layout] = {
    "side by side": Layout(side_by_side),
    "label above": Layout(label_above),
    "two pages": Layout(two_pages),
    "two meters": Layout(two_meters, meters=2),
    "comma decimals": Layout(comma_decimals, A4, metric=True, credits=True),
    "credits": Layout(with_credits, credits=True),
    "history": Layout(history),
    "summary box": Layout(summary_box),
    "landscape": Layout(across, landscape(letter)),
    "line printer": Layout(line_printer, credits=True),
}


# --- writing --------------------------------------------------------------------------------------


def write_file(
    target, layout: str, bills: list[Bill], *, shift=(0.0, 0.0), factor=1.0, password=None
):
    """Write the bills into one file, each from a new page on; return (fields, places) of each."""
    how = LAYOUTS[layout]
    pen = Pen(target, how.paper, shift=shift, factor=factor, password=password)
    taken = []
    for bill in bills:
        if taken:
            pen.next_page()
        how.draw(pen, bill)
        taken.append(pen.take())
    pen.canvas.showPage()
    pen.canvas.save()
    return taken


def _random(*parts) -> random.Random:
    """A generator seeded by words; the same on every machine and run."""
    return random.Random("/".join(str(part) for part in parts))


def _entry(taken, state="bill", printed_so=()):
    fields, places = taken
    return {
        "state": state,
        "fields": fields,
        "places": places,
        "printed_so": [key for key in printed_so if key in fields],
    }


def _setting(variant, rng):
    """Shift and font factor after the change in the middle of the run."""
    if variant == "moved":
        return (rng.choice((-14, -9, 7, 12)), rng.choice((-23, -11, 8, 17))), 1.0
    if variant == "reset":
        return (0.0, 0.0), rng.choice((0.86, 0.92, 1.08))
    if variant == "plain":
        return (0.0, 0.0), 1.0
    raise ValueError(f"no variant called {variant!r}; there are {', '.join(VARIANTS)}")


def _name(bill: Bill, rng: random.Random) -> str:
    return rng.choice(
        (
            f"{bill.invoice}.pdf",
            f"bill {bill.bill_date:%Y-%m-%d}.pdf",
            f"Sewer {bill.invoice} (1).pdf",
        )
    )


def make_bills(layout: str, variant: str, seed: int, folder) -> dict:
    """Write one run of bills into the folder and return its truth."""
    rng, folder = _random(layout, variant, seed), Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    how = LAYOUTS[layout]
    bills = invent_bills(rng, metric=how.metric, meters=how.meters, credits=how.credits)
    late = _setting(variant, rng)
    files = {}
    for place, bill in enumerate(bills):
        shift, factor = late if 2 * place >= len(bills) else ((0.0, 0.0), 1.0)
        name = _name(bill, rng)
        taken = write_file(str(folder / name), layout, [bill], shift=shift, factor=factor)
        files[name] = _entry(taken[0])
    return {
        "layout": layout,
        "variant": variant,
        "seed": seed,
        "account": bills[0].account,
        "files": files,
    }


def picture_of(pdf: bytes, rng: random.Random | None = None, scale=1.6):
    """The first page of a PDF as a grey picture; with a generator slightly askew and speckled."""
    import pypdfium2
    from PIL import Image

    document = pypdfium2.PdfDocument(pdf)
    picture = document[0].render(scale=scale).to_pil().convert("L")
    document.close()
    if rng is not None:
        picture = picture.rotate(rng.uniform(-0.8, 0.8), Image.Resampling.BICUBIC, fillcolor=255)
        for _ in range(300):
            picture.putpixel(
                (rng.randrange(picture.width), rng.randrange(picture.height)), rng.randrange(120)
            )
    return picture


def make_hostile(layout: str, seed: int, folder) -> dict:
    """Write a run of bills among which five files are hostile; return the truth."""
    rng, folder = _random(layout, "hostile", seed), Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    how = LAYOUTS[layout]
    kind = {"metric": how.metric, "meters": how.meters, "credits": how.credits}
    bills = invent_bills(rng, **kind, count=9)
    files = {}
    for bill in bills[:4]:
        name = _name(bill, rng)
        files[name] = _entry(write_file(str(folder / name), layout, [bill])[0])
    taken = write_file(str(folder / "locked.pdf"), layout, [bills[4]], password=f"key{seed}")
    files["locked.pdf"] = _entry(taken[0], "encrypted")
    memory = io.BytesIO()
    taken = write_file(memory, layout, [bills[5]])
    canvas = Canvas(str(folder / "copier.pdf"), pagesize=how.paper, invariant=1)
    picture = picture_of(memory.getvalue(), rng)
    canvas.drawImage(ImageReader(picture), 0, 0, *how.paper)
    canvas.save()
    files["copier.pdf"] = _entry(taken[0], "picture only")
    other = invent_bills(rng, **kind, count=1)[0]
    if other.account == bills[0].account:
        other.account = "0" + other.account
    other.start, other.end, other.bill_date, other.due_date = (
        bills[2].start,
        bills[2].end,
        bills[2].bill_date,
        bills[2].due_date,
    )
    taken = write_file(str(folder / f"{other.invoice}.pdf"), layout, [other])
    files[f"{other.invoice}.pdf"] = _entry(taken[0], "other account")
    taken = write_file(str(folder / "both.pdf"), layout, bills[6:8])
    files["both.pdf"], files["both.pdf#2"] = (
        _entry(taken[0], "two bills"),
        _entry(taken[1], "two bills"),
    )
    wrong = deepcopy(bills[8])
    what = ("usage", "line", "total")[seed % 3] if seed % 2 else "usage"
    suspects = misprint(wrong, rng, what)
    taken = write_file(str(folder / f"{wrong.invoice}.pdf"), layout, [wrong])
    files[f"{wrong.invoice}.pdf"] = _entry(taken[0], "bill", suspects)
    return {
        "layout": layout,
        "variant": "hostile",
        "seed": seed,
        "account": bills[0].account,
        "misprint": what,
        "files": files,
    }


# --- scoring --------------------------------------------------------------------------------------


def same(printed: str, read) -> bool:
    """Whether a figure was read as printed; numbers by value, dates and words by text."""
    if read is None:
        return False
    text = canonical(read).strip()
    try:
        return Decimal(printed) == Decimal(text)
    except ArithmeticError:
        return printed == text


def score(read: dict, flagged: dict, truth: dict) -> dict:
    """Hold what was read against the truth.

    `read` is {file: {field: value}}; a field or a file that was not read is left out or None.
    `flagged` is {file: {field: reason}} (or a set of fields); the field "file" flags a whole file.
    Returned: counts `right`, `wrong_flagged`, `wrong_silent`, `missing_flagged`, `missing_silent`,
    `right_flagged` (needless questions, part of right), and lists `silent` (every wrong or missing
    figure without a flag), `not_told` (hostile files nobody was told about), `printed_so_missed`.
    `share_right` is right over all figures of ordinary bills.
    """
    result = dict.fromkeys(
        (
            "right",
            "right_flagged",
            "wrong_flagged",
            "wrong_silent",
            "missing_flagged",
            "missing_silent",
        ),
        0,
    )
    result |= {"silent": [], "not_told": [], "printed_so_missed": []}
    for file, entry in truth["files"].items():
        got, flags = read.get(file) or {}, flagged.get(file) or {}
        state = entry["state"]
        if state == "bill" or (state == "two bills" and got):
            _score_fields(file, entry, got, flags, result)
        told = "file" in flags or "file" in (flagged.get(file.split("#")[0]) or {})
        if state == "other account":
            told = told or "account" in flags
        if state not in ("bill",) and not told and not (state == "two bills" and got):
            result["not_told"].append((file, state))
        if entry["printed_so"] and not any(key in flags for key in entry["printed_so"]):
            result["printed_so_missed"].append((file, entry["printed_so"]))
    total = sum(
        result[key]
        for key in ("right", "wrong_flagged", "wrong_silent", "missing_flagged", "missing_silent")
    )
    result["share_right"] = result["right"] / total if total else None
    return result


def _score_fields(file, entry, got, flags, result):
    suspects = set(entry["printed_so"])
    for key, printed in entry["fields"].items():
        is_flagged = key in flags or "file" in flags
        value = got.get(key)
        if same(printed, value):
            result["right"] += 1
            result["right_flagged"] += is_flagged and key not in suspects
            continue
        outcome = "missing" if value is None else "wrong"
        result[f"{outcome}_{'flagged' if is_flagged else 'silent'}"] += 1
        if not is_flagged:
            result["silent"].append((file, key, printed, value))


def main(folder: str, seed: int = 1) -> None:
    """Write every layout in every variant, and the hostile sets, with the truth beside them."""
    root = Path(folder)
    for layout in LAYOUTS:
        slug = layout.replace(" ", "_")
        for variant in (*VARIANTS, "hostile"):
            place = root / f"{slug}_{variant}"
            if variant == "hostile":
                truth = make_hostile(layout, seed, place)
            else:
                truth = make_bills(layout, variant, seed, place)
            text = json.dumps(truth, indent=1, ensure_ascii=False)
            (root / f"{slug}_{variant}.truth.json").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    if len(sys.argv) not in (2, 3):
        sys.exit("usage: python foreign_pdfs.py FOLDER [SEED]")
    main(sys.argv[1], int(sys.argv[2]) if len(sys.argv) == 3 else 1)
