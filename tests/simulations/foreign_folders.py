"""Ten kinds of raw folders as an engineer has them lying about, with the truth beside them.

Everything is invented: sites, towns, tariffs, loggers, column heads. Nothing imitates the export of
a real product. Each folder holds a record of the sewer (or none), a meter book, bills, an ordinance
in prose, notes, pictures and junk; the kinds differ in clocks, languages, units and layouts:

    echo daylight     distance in inches, local clock with daylight saving, two exports that overlap
    german winter     head in mm, ; and decimal comma, standard time, unit row, bills as XLSX
    spanish utc       flow in L/s, stamps in UTC, day first, Spanish heads, bills as CSV
    epoch pulse       epoch seconds, echo time there and back in microseconds, bills as text PDF
    interval xml      hourly intake as interval XML, flow in gpm, bills as CSV in CCF
    depth velocity    depth and velocity, four exports, one in cm, means stamped at interval end
    scanned bills     bills only as pictures, meter book as CSV
    meter book        a wide XLSX: two registers of one meter, sub-meters, a change of meter, notes
    date time apart   date and time in two columns, AM and PM, unquoted 1,008, words for no echo
    shoebox           no record; PDF bills in two layouts, another account, copies, locked, empty

The truth is made first: water per time step, drawn by weekday and hour, less what is deducted and
what leaves in the product; registers count it, the record measures the rest with a zero error of
some millimetres and noise; bills are priced in decimal arithmetic and one billing error (or none)
is planted. What the tool should say on the bill side is in `truth["verdict"]`, invoice by invoice.

Deterministic by (kind, seed). Seeds 1 to 999 are for mending, 5000 on for the record.

    python foreign_folders.py FOLDER [SEED]    writes all ten and, beside them, KIND.truth.json

In Python: `truth = make_folder("german winter", 7, folder)`; `answer(truth, "day order", file)`.
"""

from __future__ import annotations

import csv
import io
import json
import random
import sys
import zipfile
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import openpyxl
import pandas as pd
from PIL import Image

if __package__:
    from . import foreign_pdfs as pdfs
else:
    import foreign_pdfs as pdfs

D = Decimal
UNITS = {"gal": 0.003785411784, "cf": 0.028316846592, "m3": 1.0}  # m3, exact by definition
LARGE = {"gal": ("kgal", 1000), "cf": ("CCF", 100), "m3": ("m3", 1)}
ERRORS: tuple[str, ...] = (
    "none",
    "multiplier ten times",
    "digits swapped",
    "new rate too early",
    "return factor left out",
    "deduct left out",
    "sum does not add",
    "billed twice",
    "estimated, settled by the next",
)
PRINTED = ERRORS[:-1]  # the PDF layouts print no kind of read


def half_up(value: Decimal, to: str = "0.01") -> Decimal:
    """Round half up to a step."""
    return (value / D(to)).quantize(D(1), ROUND_HALF_UP) * D(to)


# --- the water ------------------------------------------------------------------------------------


@dataclass
class Site:
    """The true water of a site, in m3 per step, and what its registers showed."""

    zone: str
    stamps: pd.DatetimeIndex  # start of each step, UTC
    step: int  # minutes
    intake: np.ndarray
    deduct: np.ndarray
    sewer: np.ndarray

    def total(self, what: str, moment: pd.Timestamp) -> float:
        """Cumulative m3 until a moment, by steps and a part of a step."""
        sums = np.concatenate(([0.0], np.cumsum(getattr(self, what))))
        at = (moment - self.stamps[0]) / pd.Timedelta(minutes=self.step)
        return float(np.interp(at, np.arange(sums.size), sums))

    def local(self, day: date, hour: float = 8.0) -> pd.Timestamp:
        """The moment of an hour of a day by the clock of the site."""
        clock = datetime(day.year, day.month, day.day) + timedelta(hours=hour)
        return pd.Timestamp(clock, tz=ZoneInfo(self.zone)).tz_convert("UTC")


@dataclass
class Register:
    """A register: counts of `multiplier` units, whole counts shown."""

    what: str
    unit: str
    multiplier: int
    first: int

    def shows(self, site: Site, moment: pd.Timestamp) -> int:
        """What stands on the dial."""
        return self.first + int(site.total(self.what, moment) / UNITS[self.unit] / self.multiplier)


def make_site(rng: np.random.Generator, zone: str, first: date, days: int, step: int) -> Site:
    """Draw the water of a site."""
    start = pd.Timestamp(first.isoformat(), tz=zone).tz_convert("UTC")
    stamps = pd.date_range(start, periods=days * 24 * 60 // step, freq=f"{step}min")
    local = stamps.tz_convert(zone)
    mean = rng.uniform(600, 1400)
    week = np.array([1.05, 1.1, 1.08, 1.06, 1.0, 0.6, 0.35])[local.day_of_week]
    hour = np.asarray(local.hour + local.minute / 60)
    shift = (
        0.35
        + 0.9 * np.exp(-(((hour - 10.5) / 3.5) ** 2))
        + 0.6 * np.exp(-(((hour - 19) / 2.2) ** 2))
    )
    day_of_record = (np.arange(stamps.size) * step) // 1440
    of_day = np.exp(rng.normal(0, 0.12, days + 1))[day_of_record]
    rough = np.exp(rng.normal(0, 0.18, stamps.size))
    intake = mean * step / 1440 * week * shift / 0.72 * of_day * rough
    warm = 0.5 - 0.5 * np.cos(2 * np.pi * (local.day_of_year - 20) / 365)
    deduct = intake * rng.uniform(0.05, 0.12) * (0.4 + 1.2 * np.asarray(warm))
    product = intake * rng.uniform(0.04, 0.12)
    rest = intake - deduct - product
    window = max(1, 30 // step)
    sewer = np.convolve(rest, np.ones(window) / window, mode="full")[: rest.size]
    return Site(zone, stamps, step, intake, deduct, sewer)


def parshall_6_inch_head(flow: np.ndarray) -> np.ndarray:
    """Head in m for m3/s; Q = 2.06 H^1.58 in ft (USBR Water Measurement Manual, from memory)."""
    return (flow / 0.028316846592 / 2.06) ** (1 / 1.58) * 0.3048


def v_notch_90_head(flow: np.ndarray) -> np.ndarray:
    """Head in m for m3/s; Q = 1.38 h^2.5 (common practice, no source)."""
    return (flow / 1.38) ** 0.4


def pipe(flow: np.ndarray, diameter=0.305, slope=0.004, rough=0.013):
    """Depth in m and mean velocity in m/s in a part-full pipe, by Manning (Chow 1959, memory)."""
    angle = np.linspace(0.05, 5.2, 3000)
    area = diameter**2 / 8 * (angle - np.sin(angle))
    radius = area / (diameter * angle / 2)
    discharge = area * radius ** (2 / 3) * slope**0.5 / rough
    at = np.interp(flow, discharge, angle)
    area = diameter**2 / 8 * (at - np.sin(at))
    return diameter / 2 * (1 - np.cos(at / 2)), flow / area


# --- the bills ------------------------------------------------------------------------------------


@dataclass
class Tariff:
    """Two editions of one schedule; the edition of a bill is that of its start."""

    change: date
    fixed: tuple[Decimal, Decimal]
    rate: tuple[Decimal, Decimal]
    fee: Decimal
    factor: Decimal

    def price(self, volume: Decimal, start: date, edition: int | None = None) -> list[Decimal]:
        """Fixed charge, volume charge, fee."""
        at = int(start >= self.change) if edition is None else edition
        use = half_up(volume * self.rate[at])
        return [self.fixed[at], use, half_up((self.fixed[at] + use) * self.fee)]


@dataclass
class Bill:
    """A bill as printed."""

    number: str
    start: date
    end: date
    previous: int
    current: int
    deducted: Decimal
    volume: Decimal
    lines: list[Decimal]
    total: Decimal
    rate: Decimal
    kind: str = "actual"

    @property
    def issued(self) -> date:
        """Date of the bill."""
        return self.end + timedelta(days=5)


@dataclass
class Books:
    """What the bills of a site follow from."""

    site: Site
    main: Register
    side: Register | None
    tariff: Tariff
    days: list[date]

    @property
    def large(self) -> tuple[str, int]:
        """The unit bills are printed in and how many units of the register it holds."""
        return LARGE[self.main.unit]

    def usage(self, register: Register, start: int, end: int) -> Decimal:
        """Volume between two dial readings, in the unit of the bills."""
        exact = D(str(UNITS[register.unit])) / D(str(UNITS[self.main.unit]))
        same = D(1) if register.unit == self.main.unit else exact
        return D(end - start) * register.multiplier * same / self.large[1]

    def bill(self, number: str, start: date, end: date, previous: int, current: int, **odd) -> Bill:
        """A bill by the rules; `odd` bends one of them."""
        site, multiplied = self.site, odd.get("times", 1)
        used = self.usage(self.main, previous, current) * multiplied
        off = D(0)
        if self.side is not None and not odd.get("no_deduct"):
            dials = [self.side.shows(site, site.local(day)) for day in (start, end)]
            off = self.usage(self.side, *dials)
        factor = D(1) if odd.get("no_factor") else self.tariff.factor
        volume = half_up((used - off) * factor, "0.1")
        edition = odd.get("edition")
        lines = self.tariff.price(volume, start, edition)
        rate = self.tariff.rate[int(start >= self.tariff.change) if edition is None else edition]
        return Bill(
            number, start, end, previous, current, off, volume, lines, sum(lines, D(0)), rate
        )


def make_bills(books: Books, error: str, rng: random.Random) -> tuple[list[Bill], list[dict], str]:
    """The printed bills with one error, the verdict due on each, and the error planted.

    Where no swap of digits fits, the error is "none".
    """
    dials = [books.main.shows(books.site, books.site.local(day)) for day in books.days]
    first = rng.randint(1100, 8800)
    spans = list(zip(books.days, books.days[1:], dials, dials[1:], strict=False))
    due = [books.bill(str(first + 7 * at), *span) for at, span in enumerate(spans)]
    bills = [books.bill(str(first + 7 * at), *span) for at, span in enumerate(spans)]
    at, verdicts = rng.randrange(1, len(bills) - 1), ["right"] * len(bills)
    one = bills[at]
    again = (one.number, one.start, one.end, one.previous, one.current)
    bends = {
        "multiplier ten times": {"times": 10},
        "return factor left out": {"no_factor": True},
        "deduct left out": {"no_deduct": True},
    }
    if error in bends:
        bills[at], verdicts[at] = books.bill(*again, **bends[error]), error
    elif error == "new rate too early":
        at = max(place for place, bill in enumerate(bills) if bill.start < books.tariff.change)
        one = bills[at]
        again = (one.number, one.start, one.end, one.previous, one.current)
        bills[at], verdicts[at] = books.bill(*again, edition=1), error
    elif error in ("digits swapped", "estimated, settled by the next"):
        wrong = _swapped(one.current, bills[at + 1].current) if error == "digits swapped" else None
        if wrong is None and error == "digits swapped":
            return bills, _verdict(books, bills, due, verdicts), "none"
        if wrong is None:
            wrong = one.current + (bills[at + 1].current - one.current) // 5
        bills[at] = books.bill(*again[:4], wrong)
        after = bills[at + 1]
        bills[at + 1] = books.bill(after.number, after.start, after.end, wrong, after.current)
        if error == "digits swapped":
            verdicts[at], verdicts[at + 1] = error, "starts from the misread dial"
        else:
            bills[at].kind = "estimated"
            verdicts[at], verdicts[at + 1] = error, "settles the estimate before"
    elif error == "sum does not add":
        one.total += rng.choice((D("100.00"), D("90.00"), D("9.00")))
        verdicts[at] = error
    elif error == "billed twice":
        number = str(int(one.number) + 3)
        bills.insert(at + 1, books.bill(number, *again[1:]))
        due.insert(at + 1, None)
        verdicts.insert(at + 1, error)
    return bills, _verdict(books, bills, due, verdicts), error


def _verdict(
    books: Books, bills: list[Bill], due: list[Bill | None], words: list[str]
) -> list[dict]:
    """What the bill side should say of each invoice, and the true water of its days."""
    verdict = []
    for bill, right, word in zip(bills, due, words, strict=True):
        begin, end = books.site.local(bill.start), books.site.local(bill.end)
        waters = {
            what: round(books.site.total(what, end) - books.site.total(what, begin), 1)
            for what in ("intake", "sewer")
        }
        verdict.append(
            {
                "invoice": bill.number,
                "verdict": word,
                "billed_volume": str(bill.volume),
                "due_volume": str(right.volume) if right else "0",
                "billed_total": str(bill.total),
                "due_total": str(right.total) if right else "0.00",
                "true_intake_m3": waters["intake"],
                "true_sewer_m3": waters["sewer"],
            }
        )
    return verdict


def _swapped(read: int, limit: int) -> int | None:
    """The read with two neighbouring digits swapped, if it lies between read and limit."""
    text = str(read)
    for at in range(len(text) - 1):
        other = int(text[:at] + text[at + 1] + text[at] + text[at + 2 :])
        if read < other < limit:
            return other
    return None


# --- the folder -----------------------------------------------------------------------------------


@dataclass
class Folder:
    """Writes files and remembers what each is and which questions have which answer."""

    place: Path
    kind: str
    seed: int
    files: dict[str, dict] = field(default_factory=dict)
    questions: list[dict] = field(default_factory=list)

    def put(self, name: str, content: bytes | str, what: str, encoding="utf-8", **facts) -> None:
        """Write a file; `facts` are the right answers about it."""
        data = content.encode(encoding) if isinstance(content, str) else content
        (self.place / name).parent.mkdir(parents=True, exist_ok=True)
        (self.place / name).write_bytes(data)
        self.files[name] = {"what": what, **facts}
        for key, value in facts.items():
            self.ask(key.replace("_", " "), value, name, "file")

    def ask(self, question: str, answer, file: str | None = None, known_by="person") -> None:
        """A question with its right answer; known by the file, by a note, or by a person alone."""
        self.questions.append(
            {"question": question, "file": file, "answer": answer, "known_by": known_by}
        )


def table(rows, separator=",", quote_all=False) -> str:
    """Rows as delimited text."""
    stream = io.StringIO()
    quoting = csv.QUOTE_ALL if quote_all else csv.QUOTE_MINIMAL
    csv.writer(stream, delimiter=separator, lineterminator="\r\n", quoting=quoting).writerows(rows)
    return stream.getvalue()


def workbook(sheets: dict[str, list[list]]) -> bytes:
    """An XLSX file, the same bytes each time."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    raw, out = io.BytesIO(), io.BytesIO()
    book.save(raw)
    with zipfile.ZipFile(raw) as source, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        for name in source.namelist():
            data = source.read(name)
            if name == "docProps/core.xml":
                start, end = data.index(b"<dcterms:created"), data.index(b"</dcterms:modified>")
                data = data[:start] + data[end + len(b"</dcterms:modified>") :]
            target.writestr(zipfile.ZipInfo(name, (2026, 1, 1, 0, 0, 0)), data)
    return out.getvalue()


def photo(rng: random.Random) -> bytes:
    """A picture that shows nothing: soft blobs."""
    noise = np.random.default_rng(rng.randrange(2**32)).integers(
        0, 255, (12, 16, 3), dtype=np.uint8
    )
    stream = io.BytesIO()
    Image.fromarray(noise).resize((640, 480), Image.Resampling.BICUBIC).save(stream, "PNG")
    return stream.getvalue()


def comma(value, places: int) -> str:
    """A number with a decimal comma and no separator of thousands."""
    return f"{value:.{places}f}".replace(".", ",")


def junk(folder: Folder, rng: random.Random) -> None:
    """What lies in every folder."""
    folder.put("IMG_2041.png", photo(rng), "photo")
    folder.put("New Text Document.txt", "", "empty")
    folder.put("Thumbs.db", bytes(range(256)) * 4, "junk")
    folder.put("~$meter book.xlsx", b"\x05owner" + b" " * 48, "junk")


ORDINANCE = {
    "en": """{town}
Sewer rates (invented)

1. The volume billed is {percent} per cent of the metered water{less}, in {unit},
   rounded to the nearest tenth, half a tenth up.
2. Service charge per bill: {f0} until {before}, {f1} from {change} on.
3. Volume charge per {unit}: {r0} until {before}, {r1} from {change} on.
4. Plant fee: {fee} per cent of 2 and 3.
5. The rates at the first day of a period hold for the whole period. The day of the
   read that ends a period belongs to the next one.
6. Each line is rounded to the cent, half a cent up; the bill is their sum.
""",
    "de": """{town}
Gebührensatzung Schmutzwasser (erfunden)

§ 1 Schmutzwassermenge sind {percent} vom Hundert des bezogenen Wassers{less} in {unit},
    kaufmännisch auf eine Stelle nach dem Komma gerundet.
§ 2 Grundgebühr je Rechnung: {f0} EUR bis {before}, {f1} EUR ab {change}.
§ 3 Mengengebühr je {unit}: {r0} EUR bis {before}, {r1} EUR ab {change}.
§ 4 Anlagenzuschlag: {fee} vom Hundert der Gebühren nach § 2 und § 3.
§ 5 Maßgebend ist der Satz am ersten Tag des Zeitraums. Der Tag der Ablesung am Ende
    zählt zum folgenden Zeitraum.
§ 6 Jede Zeile wird kaufmännisch auf Cent gerundet; die Rechnung ist ihre Summe.
""",
    "es": """{town}
Ordenanza de alcantarillado (inventada)

Art. 1. El volumen facturado es el {percent} por ciento del agua medida{less}, en {unit},
   redondeado a un decimal (mitad hacia arriba).
Art. 2. Cuota fija por factura: {f0} hasta {before}; {f1} desde {change}.
Art. 3. Cuota por {unit}: {r0} hasta {before}; {r1} desde {change}.
Art. 4. Recargo de planta: {fee} por ciento de los art. 2 y 3.
Art. 5. Rige la tarifa del primer día del periodo. El día de la lectura final
   pertenece al periodo siguiente.
Art. 6. Cada línea se redondea al céntimo, mitad hacia arriba; la factura es su suma.
""",
}
LESS = {
    "en": " less what the deduct meter counted",
    "de": " abzüglich des Abzugszählers",
    "es": " menos el contador de descuento",
}
HEADS = {
    "en": (
        "Bill",
        "From",
        "To",
        "Read 1",
        "Read 2",
        "Read kind",
        "Deducted",
        "Billed {u}",
        "service charge",
        "volume charge",
        "plant fee",
        "Total",
    ),
    "de": (
        "Rechnung",
        "von",
        "bis",
        "Stand alt",
        "Stand neu",
        "Ableseart",
        "Abzug",
        "Menge {u}",
        "Grundgebühr",
        "Mengengebühr",
        "Anlagenzuschlag",
        "Summe",
    ),
    "es": (
        "Factura",
        "Desde",
        "Hasta",
        "Lectura anterior",
        "Lectura actual",
        "Tipo",
        "Descuento",
        "Volumen {u}",
        "Cuota fija",
        "Cuota por volumen",
        "Recargo de planta",
        "Importe total",
    ),
}
ROLES = (
    "invoice",
    "start",
    "end",
    "previous_read",
    "current_read",
    "read_type",
    "deducted",
    "billed_volume",
    "charge",
    "charge",
    "charge",
    "total",
)
READ_KIND = {
    "en": {"actual": "A", "estimated": "E"},
    "de": {"actual": "abgelesen", "estimated": "geschätzt"},
    "es": {"actual": "real", "estimated": "estimada"},
}


def ordinance(folder: Folder, name: str, books: Books, town: str, language="en") -> None:
    """The schedule in prose, and the facts in it."""
    tariff, style = books.tariff, "%m/%d/%Y" if language == "en" else "%d.%m.%Y"
    show = str if language == "en" else lambda value: str(value).replace(".", ",")
    text = ORDINANCE[language].format(
        town=town,
        percent=show((tariff.factor * 100).normalize()),
        less=LESS[language] if books.side is not None else "",
        unit=books.large[0],
        f0=show(tariff.fixed[0]),
        f1=show(tariff.fixed[1]),
        r0=show(tariff.rate[0]),
        r1=show(tariff.rate[1]),
        before=(tariff.change - timedelta(days=1)).strftime(style),
        change=tariff.change.strftime(style),
        fee=show((tariff.fee * 100).normalize()),
    )
    folder.put(name, text, "ordinance", language=language)
    for question, answer in (
        ("basis", "intake less deduct" if books.side is not None else "intake"),
        ("return factor", str(tariff.factor)),
        ("rate change", "by start"),
        ("end day counts", False),
        ("effective from", tariff.change.isoformat()),
        ("fixed charges", [str(each) for each in tariff.fixed]),
        ("rates", [str(each) for each in tariff.rate]),
        ("fee", str(tariff.fee)),
        ("volume rounding", "0.1 half up"),
    ):
        folder.ask(question, answer, name, "note")


def bill_rows(
    bills, unit, language="en", day="%m/%d/%Y", show=str, cells=False, sign=""
) -> list[list]:
    """Bills as a table; `cells` keeps dates and numbers as such, for a workbook."""
    rows = [[head.format(u=unit) for head in HEADS[language]]]
    for bill in bills:
        dates = [bill.start, bill.end]
        if not cells:
            dates = [each.strftime(day) for each in dates]
        volumes, money = [half_up(bill.deducted, "0.001"), bill.volume], [*bill.lines, bill.total]
        if cells:
            figures = [float(each) for each in volumes + money]
        else:
            figures = [show(each) for each in volumes] + [sign + show(each) for each in money]
        rows.append(
            [
                bill.number,
                *dates,
                bill.previous,
                bill.current,
                READ_KIND[language][bill.kind],
                *figures,
            ]
        )
    return rows


def bill_facts(rows, unit, day_order) -> dict:
    """The right answers about a table of bills."""
    return {
        "columns": dict(zip(rows[0], ROLES, strict=True)),
        "volume_unit": unit,
        "day_order": day_order,
    }


def as_printed(bill: Bill, books: Books, customer: str, town: str, account: str) -> pdfs.Bill:
    """A bill as the PDF layouts take it, with nothing left from before."""
    used = books.usage(books.main, bill.previous, bill.current)
    if bill.volume > 2 * used:  # the page prints the usage by the wrong multiplier
        used *= 10
    names = ("Service charge", "Sewer volume charge", "Plant fee")
    return pdfs.Bill(
        town,
        customer,
        account,
        bill.number,
        bill.issued,
        bill.issued + timedelta(days=21),
        bill.start,
        bill.end,
        {"m3": "m³"}.get(books.large[0], books.large[0]),
        [pdfs.Meter("M48213", bill.previous, bill.current, books.main.multiplier, used)],
        bill.volume,
        bill.rate,
        list(zip(names, bill.lines, strict=True)),
        D(0),
        D(0),
        bill.total,
        bill.total,
    )


def draw_pdf(bills: list[pdfs.Bill], layout: str) -> bytes:
    """Printed bills as one PDF."""
    stream = io.BytesIO()
    pdfs.write_file(stream, layout, bills)
    return stream.getvalue()


# --- what the kinds have in common ----------------------------------------------------------------

TOWN = {
    "en": "Town of Hollin Marsh",
    "de": "Stadt Quellhausen",
    "es": "Villa de Pedralba del Prado",
}
CUSTOMER = {"en": "Wetherlam Pickle Works", "de": "Brauhaus Sonnrain", "es": "Conservas Valdeluna"}


@dataclass
class World:
    """A site with its books and bills, about to be written down."""

    rng: random.Random
    noise: np.random.Generator
    site: Site
    books: Books
    bills: list[Bill]
    verdict: list[dict]
    error: str

    def flow(self) -> np.ndarray:
        """m3/s of each step."""
        return self.site.sewer / (self.site.step * 60)


def make_world(
    kind: str,
    seed: int,
    *,
    zone: str,
    unit: str,
    multiplier: int,
    first: date,
    step=15,
    months=8,
    side: tuple[str, int] | None = None,
    errors=ERRORS,
) -> World:
    """Draw water, tariff and bills."""
    rng = random.Random(f"{kind}/{seed}")
    noise = np.random.default_rng(rng.randrange(2**32))
    site = make_site(noise, zone, first, months * 32 + 12, step)
    days = [first + timedelta(days=rng.randint(2, 5))]
    for _ in range(months):
        days.append(days[-1] + timedelta(days=rng.randint(28, 32)))
    large = D(str(UNITS[unit])) * LARGE[unit][1]
    rate = half_up(D(rng.randint(150, 320)) / 100 * large, "0.001" if unit == "m3" else "0.01")
    fixed = D(rng.randint(3000, 22000)) / 100
    tariff = Tariff(
        days[months // 2] + timedelta(days=rng.randint(5, 20)),
        (fixed, half_up(fixed * D("1.04"))),
        (rate, half_up(rate * D("1.06"), "0.001" if unit == "m3" else "0.01")),
        D(rng.choice((3, 4, 5))) / 100,
        D(rng.choice(("0.85", "0.90", "0.95"))),
    )
    main = Register("intake", unit, multiplier, rng.randint(100_000, 450_000))
    extra = Register("deduct", side[0], side[1], rng.randint(1000, 90_000)) if side else None
    books = Books(site, main, extra, tariff, days)
    choice = [each for each in errors if side or each != "deduct left out"]
    error = rng.choice(choice)
    bills, verdict, error = make_bills(books, error, rng)
    return World(rng, noise, site, books, bills, verdict, error)


def read_moments(world: World, every=7) -> list[pd.Timestamp]:
    """When the meters were read: the days of the bills at eight, and about weekly between."""
    site, days = world.site, set(world.books.days)
    day = world.books.days[0]
    while day < world.books.days[-1]:
        day += timedelta(days=world.rng.randint(every - 2, every + 2))
        days.add(day)
    last = site.stamps[-1]
    moments = []
    for each in sorted(days):
        hour = 8.0 if each in world.books.days else world.rng.randint(24, 68) / 4
        moment = site.local(each, hour)
        if moment < last:
            moments.append(moment)
    return moments


def register_rows(world: World, register: Register, day="%Y-%m-%d %H:%M") -> list[list]:
    """Times by the clock of the site, and dial readings."""
    return [
        [moment.tz_convert(world.site.zone).strftime(day), register.shows(world.site, moment)]
        for moment in read_moments(world)
    ]


def place_facts(folder: Folder, world: World) -> None:
    """Questions that belong to the case as a whole."""
    main, side = world.books.main, world.books.side
    folder.ask("time zone of the site", world.site.zone)
    folder.ask("read hour", "08:00", None, "note")
    folder.ask("unit of main register", main.unit, None, "note")
    folder.ask("multiplier of main register", main.multiplier, None, "note")
    if side:
        folder.ask("unit of deduct register", side.unit, None, "note")
        folder.ask("multiplier of deduct register", side.multiplier, None, "note")
    folder.ask("water in product", "4 to 12 % of the intake, not metered")


def split_exports(rows: list, parts: int, overlap: int) -> list[list]:
    """Consecutive exports, each reaching back over the end of the one before."""
    size = len(rows) // parts
    return [
        rows[max(0, at * size - overlap) : len(rows) if at == parts - 1 else (at + 1) * size]
        for at in range(parts)
    ]


def gaps(world: World, count: int, chance=0.002) -> tuple[np.ndarray, np.ndarray]:
    """Which steps have no row at all (a few long gaps), and which have no echo."""
    missing = np.zeros(count, bool)
    for _ in range(world.rng.randint(1, 3)):
        at = world.rng.randrange(count - 400)
        missing[at : at + world.rng.randint(20, 300)] = True
    return missing, world.noise.random(count) < chance


# --- ten kinds ------------------------------------------------------------------------------------


def echo_daylight(folder: Folder) -> World:
    """Distance to the water, local clock with daylight saving, month first, two exports."""
    world = make_world(
        folder.kind,
        folder.seed,
        zone="America/Chicago",
        unit="gal",
        multiplier=100,
        first=date(2025, 8, 25),
        step=5,
        months=7,
        side=("cf", 10),
    )
    head = parshall_6_inch_head(world.flow()) / 0.0254
    zero = world.rng.uniform(-0.06, 0.06)
    distance = 36.10 - head + zero + world.noise.normal(0, 0.04, head.size)
    missing, lost = gaps(world, head.size)
    stamps = world.site.stamps.tz_convert(world.site.zone).strftime("%m/%d/%Y %H:%M")
    air = (
        55
        + 15 * np.sin(np.arange(head.size) / 288 * 2 * np.pi)
        + world.noise.normal(0, 1, head.size)
    )
    rows = [
        [stamp, "LOE" if gone else f"{value:.2f}", f"{warm:.1f}"]
        for stamp, value, warm, gone, no in zip(stamps, distance, air, lost, missing, strict=True)
        if not no
    ]
    top = [["Station", "outfall manhole 3"], ["Serial", "0-4471"], []]
    for at, part in enumerate(split_exports(rows, 2, 2880), 1):
        folder.put(
            f"outfall_{at}.csv",
            table([*top, ["Logged at", "Water below face in", "Air F"], *part]),
            "effluent record",
            columns={
                "Logged at": "time",
                "Water below face in": "distance",
                "Air F": "air_temperature",
            },
            unit="in",
            day_order="month first",
            clock="daylight saving",
            stamp="instant",
            decimal=".",
            separator=",",
            missing_marks=["LOE"],
            header_line=4,
            echo_way="one way",
            overlaps_with_other=True,
        )
    sheets = {}
    for title, register in (("Main", world.books.main), ("Cooling", world.books.side)):
        sheet = [
            [f"{title} meter, x {register.multiplier} {register.unit}"],
            ["Read at", "Dial", "By"],
        ]
        for at, moment in enumerate(read_moments(world)):
            local = moment.tz_convert(world.site.zone).to_pydatetime().replace(tzinfo=None)
            sheet.append(
                [local, register.shows(world.site, moment), world.rng.choice(("RB", "TK"))]
            )
            if at in (9, 20):
                sheet.append(["gauge glass cleaned, no read"])
        sheets[title] = sheet
    sheets["phone list"] = [["Town reader", "555-0147"], ["Plant", "555-0112"]]
    folder.put(
        "meter book.xlsx",
        workbook(sheets),
        "meter book",
        sheets={"Main": "main register", "Cooling": "deduct register", "phone list": "nothing"},
        main_register="Main",
        columns={"Read at": "time", "Dial": "register", "By": "nothing"},
    )
    rows = bill_rows(world.bills, "kgal", show=lambda value: f"{value:,}")
    folder.put("bills typed.csv", table(rows), "bills", **bill_facts(rows, "kgal", "month first"))
    head_shown = 36.10 - distance[40_000]
    when = world.site.stamps[40_000].tz_convert(world.site.zone)
    folder.put(
        "visit.txt",
        f"6 in flume. sensor face to crest 36.10 in (rule).\n{when:%m/%d/%Y %H:%M} stick gauge "
        f"{head_shown - zero:.1f} in, display {head_shown:.2f} in, not moved.\n",
        "note",
    )
    folder.ask("method", "parshall flume, throat 6 in", "visit.txt", "note")
    folder.ask("reference distance", "36.10 in", "visit.txt", "note")
    ordinance(folder, "sewer rates.txt", world.books, TOWN["en"])
    return world


def german_winter(folder: Folder) -> World:
    """Head in mm, semicolons, decimal comma, a row of units, standard time all year."""
    world = make_world(
        folder.kind,
        folder.seed,
        zone="Europe/Berlin",
        unit="m3",
        multiplier=1,
        first=date(2025, 2, 10),
        months=9,
        side=("m3", 1),
    )
    head = v_notch_90_head(world.flow()) * 1000
    shown = head + world.rng.uniform(-1.5, 1.5) + world.noise.normal(0, 0.7, head.size)
    missing, lost = gaps(world, head.size)
    stamps = (world.site.stamps + pd.Timedelta(hours=1)).strftime("%d.%m.%Y %H:%M:%S")
    rows = [
        [stamp, "" if gone else comma(value, 1), comma(12.3 + value / 900, 2)]
        for stamp, value, gone, no in zip(stamps, shown, lost, missing, strict=True)
        if not no
    ]
    heads = [["Zeitpunkt", "Überfallhöhe", "Batterie"], ["MEZ", "mm", "V"]]
    folder.put(
        "Ablauf_Schacht.csv",
        table([*heads, *rows], ";"),
        "effluent record",
        encoding="cp1252",
        columns={"Zeitpunkt": "time", "Überfallhöhe": "head", "Batterie": "nothing"},
        unit="mm",
        day_order="day first",
        clock="UTC+01:00",
        stamp="instant",
        decimal=",",
        separator=";",
        header_line=1,
        unit_row=2,
    )
    sheets = {"Zähler": [["Tag", "Hauptzähler", "Kühlturm (Abzug)", "Bemerkung"]]}
    for at, moment in enumerate(read_moments(world)):
        local = moment.tz_convert(world.site.zone).to_pydatetime().replace(tzinfo=None)
        dials = [
            register.shows(world.site, moment) for register in (world.books.main, world.books.side)
        ]
        sheets["Zähler"].append([local, *dials, "Urlaubsvertretung" if at == 7 else None])
    folder.put(
        "Zählerbuch.xlsx",
        workbook(sheets),
        "meter book",
        main_register="Hauptzähler",
        columns={
            "Tag": "time",
            "Hauptzähler": "register",
            "Kühlturm (Abzug)": "register",
            "Bemerkung": "nothing",
        },
    )
    rows = bill_rows(world.bills, "m3", "de", cells=True)
    folder.put(
        "Rechnungen.xlsx",
        workbook({"Abwasser": rows, "Strom": [["Monat", "kWh"], ["März", 41200]]}),
        "bills",
        **bill_facts(rows, "m3", "date cells"),
    )
    folder.put(
        "Notiz.txt",
        "Dreieckswehr 90 Grad, Kerbe geeicht. Logger läuft immer auf Winterzeit.\n"
        "Ablesung Stadtwerke um acht Uhr. Zähler zählen ganze Kubikmeter.\n",
        "note",
    )
    folder.ask("method", "v-notch weir, 90 degrees", "Notiz.txt", "note")
    ordinance(folder, "Satzung.txt", world.books, TOWN["de"], "de")
    return world


def spanish_utc(folder: Folder) -> World:
    """Flow in L/s with stamps in UTC; Spanish heads, day first, decimal comma."""
    world = make_world(
        folder.kind,
        folder.seed,
        zone="Europe/Madrid",
        unit="m3",
        multiplier=10,
        first=date(2025, 1, 7),
        months=8,
    )
    bias = 1 + world.rng.uniform(-0.015, 0.015)
    flow = world.flow() * 1000 * bias + world.noise.normal(0, 0.05, world.site.stamps.size)
    missing, lost = gaps(world, flow.size)
    stamps = world.site.stamps.strftime("%d/%m/%Y %H:%M")
    rows = [
        [stamp, "s/d" if gone else comma(max(value, 0), 2), "OK" if not gone else "FALLO"]
        for stamp, value, gone, no in zip(stamps, flow, lost, missing, strict=True)
        if not no
    ]
    parts = split_exports(rows, 3, 96)
    for at, part in enumerate(parts, 1):
        folder.put(
            f"caudal {at}.csv",
            table([["Fecha y hora UTC", "Caudal (l/s)", "Estado"], *part], ";"),
            "effluent record",
            columns={"Fecha y hora UTC": "time", "Caudal (l/s)": "flow", "Estado": "nothing"},
            unit="L/s",
            day_order="day first",
            clock="UTC",
            stamp="instant",
            decimal=",",
            separator=";",
            missing_marks=["s/d"],
            overlaps_with_other=True,
        )
    rows = [["Fecha", "Lectura x10 m3"], *register_rows(world, world.books.main, "%d/%m/%Y %H:%M")]
    folder.put(
        "contador.csv",
        table(rows, ";"),
        "meter book",
        columns={"Fecha": "time", "Lectura x10 m3": "register"},
        unit="m3",
        multiplier=10,
        day_order="day first",
        clock="daylight saving",
        separator=";",
    )
    rows = bill_rows(
        world.bills, "m3", "es", "%d/%m/%Y", lambda value: str(value).replace(".", ",")
    )
    folder.put(
        "facturas.csv",
        table(rows, ";"),
        "bills",
        **bill_facts(rows, "m3", "day first"),
        decimal=",",
        separator=";",
    )
    ordinance(folder, "ordenanza.txt", world.books, TOWN["es"], "es")
    folder.put(
        "leer.txt", "El caudalímetro marca hora UTC. Lectura del ayuntamiento a las ocho.\n", "note"
    )
    return world


def epoch_pulse(folder: Folder) -> World:
    """Epoch seconds and the time of an echo there and back; bills as text PDFs."""
    world = make_world(
        folder.kind,
        folder.seed,
        zone="America/Denver",
        unit="gal",
        multiplier=1000,
        first=date(2025, 9, 15),
        months=7,
        errors=PRINTED,
    )
    head = parshall_6_inch_head(world.flow())
    steps = np.arange(head.size)
    air = 11 + 5 * np.sin(steps / 96 * 2 * np.pi) + world.noise.normal(0, 0.2, head.size)
    sound = 331.3 * np.sqrt(1 + air / 273.15)  # m/s, ideal gas; from memory
    distance = (
        0.9144
        - head
        + world.rng.uniform(-0.0015, 0.0015)
        + world.noise.normal(0, 0.0008, head.size)
    )
    pulse = 2 * distance / sound * 1e6
    missing, lost = gaps(world, head.size)
    seconds = world.site.stamps.as_unit("s").asi8
    rows = [
        [stamp, 0 if gone else round(value), f"{warm * 1.8 + 32:.1f}"]
        for stamp, value, warm, gone, no in zip(seconds, pulse, air, lost, missing, strict=True)
        if not no
    ]
    folder.put(
        "dump0.csv",
        table([["t", "pulse_us", "amb_F"], *rows]),
        "effluent record",
        columns={"t": "time", "pulse_us": "echo_time", "amb_F": "air_temperature"},
        unit="us",
        clock="epoch seconds, UTC",
        stamp="instant",
        missing_marks=["0"],
        echo_way="there and back",
        separator=",",
        decimal=".",
    )
    rows = [["when", "reading (kgal)"], *register_rows(world, world.books.main, "%Y-%m-%dT%H:%M")]
    folder.put(
        "water_meter.csv",
        table(rows),
        "meter book",
        columns={"when": "time", "reading (kgal)": "register"},
        unit="gal",
        multiplier=1000,
        clock="daylight saving",
        day_order="year first",
    )
    layout = world.rng.choice(
        ("side by side", "label above", "history", "summary box", "landscape")
    )
    for bill in world.bills:
        printed = as_printed(bill, world.books, CUSTOMER["en"], TOWN["en"], "31-4477-2")
        folder.put(f"bills/{bill.number}.pdf", draw_pdf([printed], layout), "bill", layout=layout)
    folder.put(
        "readme.md",
        "flume 6 in, sensor face 36 in over the crest. Bill reads are taken at 8 in the morning.\n",
        "note",
    )
    folder.ask("method", "parshall flume, throat 6 in", "readme.md", "note")
    folder.ask("reference distance", "36 in", "readme.md", "note")
    ordinance(folder, "rates.txt", world.books, TOWN["en"])
    return world


def interval_xml(folder: Folder) -> World:
    """Hourly intake as interval XML (ESPI form, from memory); flow in gpm; bills in CCF."""
    world = make_world(
        folder.kind,
        folder.seed,
        zone="America/New_York",
        unit="cf",
        multiplier=10,
        first=date(2025, 6, 2),
        months=6,
        side=("cf", 1),
    )
    site = world.site
    hourly = site.intake.reshape(-1, 60 // site.step).sum(axis=1) / UNITS["gal"]
    starts = site.stamps[:: 60 // site.step].as_unit("s").asi8
    counted = np.diff(np.floor(np.concatenate(([0.0], np.cumsum(hourly))))).astype(int)
    readings = "".join(
        f"<IntervalReading><timePeriod><duration>3600</duration><start>{start}</start></timePeriod>"
        f"<value>{value}</value></IntervalReading>\n"
        for start, value in zip(starts, counted, strict=True)
    )
    xml = (
        '<?xml version="1.0" encoding="UTF-8"?>\n<feed xmlns="http://www.w3.org/2005/Atom">\n'
        '<title>Water use</title>\n<entry><content><ReadingType xmlns="http://naesb.org/espi">'
        "<accumulationBehaviour>4</accumulationBehaviour><commodity>9</commodity>"
        "<intervalLength>3600</intervalLength><powerOfTenMultiplier>0</powerOfTenMultiplier>"
        "<uom>128</uom></ReadingType></content></entry>\n"
        '<entry><content><IntervalBlock xmlns="http://naesb.org/espi"><interval>'
        f"<duration>{3600 * counted.size}</duration><start>{starts[0]}</start></interval>\n"
        f"{readings}"
        "</IntervalBlock></content></entry>\n</feed>\n"
    )
    folder.put(
        "download.xml",
        xml,
        "interval data of the intake",
        unit="gal",
        clock="epoch seconds, UTC",
        stamp="interval start",
    )
    flow = world.flow() / UNITS["gal"] * 60 * (1 + world.rng.uniform(-0.02, 0.02))
    flow = flow + world.noise.normal(0, 1.0, flow.size)
    missing, _ = gaps(world, flow.size)
    stamps = (
        (site.stamps + pd.Timedelta(minutes=site.step))
        .tz_convert("Etc/GMT+5")
        .strftime("%Y/%m/%d %H:%M")
    )
    rows = [
        [stamp, f"{value:.1f}"]
        for stamp, value, no in zip(stamps, flow, missing, strict=True)
        if not no
    ]
    folder.put(
        "effluent.csv",
        table([["End of mean (EST)", "Q gpm"], *rows]),
        "effluent record",
        columns={"End of mean (EST)": "time", "Q gpm": "flow"},
        unit="gpm",
        clock="UTC-05:00",
        stamp="interval end",
        day_order="year first",
    )
    rows = [["date", "cooling cf"], *register_rows(world, world.books.side, "%m/%d/%Y %I:%M %p")]
    folder.put(
        "cooling.csv",
        table(rows),
        "meter book",
        columns={"date": "time", "cooling cf": "register"},
        unit="cf",
        multiplier=1,
        day_order="month first",
        clock="daylight saving",
    )
    rows = bill_rows(world.bills, "CCF", day="%b %d, %Y")
    folder.put(
        "sewer bills.csv",
        table(rows, quote_all=True),
        "bills",
        **bill_facts(rows, "CCF", "month named"),
    )
    ordinance(folder, "code_excerpt.txt", world.books, TOWN["en"])
    return world


def depth_velocity(folder: Folder) -> World:
    """Depth and velocity means stamped at interval end, standard time, four exports, one metric."""
    world = make_world(
        folder.kind,
        folder.seed,
        zone="America/Chicago",
        unit="gal",
        multiplier=10,
        first=date(2025, 3, 3),
        months=8,
    )
    depth, speed = pipe(world.flow())
    depth = depth + world.rng.uniform(-0.001, 0.001) + world.noise.normal(0, 0.001, depth.size)
    speed = speed * (1 + world.rng.uniform(-0.02, 0.02)) + world.noise.normal(0, 0.01, speed.size)
    missing, lost = gaps(world, depth.size)
    stamps = (
        (world.site.stamps + pd.Timedelta(minutes=15))
        .tz_convert("Etc/GMT+6")
        .strftime("%Y-%m-%d %H:%M")
    )
    rows = [
        (stamp, None if gone else level, fast)
        for stamp, level, fast, gone, no in zip(stamps, depth, speed, lost, missing, strict=True)
        if not no
    ]
    for at, part in enumerate(split_exports(rows, 4, 200), 1):
        metric = at == 3
        heads = [
            "Interval to",
            "Level cm" if metric else "Level in",
            "Speed m/s" if metric else "Speed ft/s",
        ]
        lines = [
            [
                stamp,
                "-99" if level is None else f"{level * (100 if metric else 1 / 0.0254):.2f}",
                f"{fast * (1 if metric else 1 / 0.3048):.3f}",
            ]
            for stamp, level, fast in part
        ]
        folder.put(
            f"Q{at}.csv",
            table([heads, *lines]),
            "effluent record",
            columns=dict(zip(heads, ("time", "depth", "velocity"), strict=True)),
            unit="cm and m/s" if metric else "in and ft/s",
            clock="UTC-06:00",
            stamp="interval end",
            missing_marks=["-99"],
            overlaps_with_other=True,
            day_order="year first",
        )
    rows = [["Date", "Reading x10 gal", "Initials"]]
    rows += [[*row, "JB"] for row in register_rows(world, world.books.main, "%d-%b-%Y %H:%M")]
    folder.put(
        "intake reads.csv",
        table(rows),
        "meter book",
        columns={"Date": "time", "Reading x10 gal": "register", "Initials": "nothing"},
        unit="gal",
        multiplier=10,
        clock="daylight saving",
        day_order="month named",
    )
    rows = bill_rows(world.bills, "kgal")
    folder.put("bills.csv", table(rows), "bills", **bill_facts(rows, "kgal", "month first"))
    folder.put(
        "site.txt",
        "12 in pipe (inside 12.0 in). Logger stays on standard time. Town reads at 8 am.\n",
        "note",
    )
    folder.ask("method", "area velocity, pipe of 12 in", "site.txt", "note")
    ordinance(folder, "resolution.txt", world.books, TOWN["en"])
    return world


def scanned_bills(folder: Folder) -> World:
    """The bills are pictures, slightly askew; level in cm, tab between columns, AM and PM."""
    world = make_world(
        folder.kind,
        folder.seed,
        zone="America/Los_Angeles",
        unit="gal",
        multiplier=100,
        first=date(2025, 4, 7),
        months=5,
        errors=PRINTED,
    )
    layout = world.rng.choice(("side by side", "credits", "two pages", "line printer"))
    for at, bill in enumerate(world.bills):
        printed = as_printed(bill, world.books, CUSTOMER["en"], TOWN["en"], "60-2210-5")
        picture = pdfs.picture_of(draw_pdf([printed], layout), world.rng)
        stream = io.BytesIO()
        picture.save(stream, "PNG")
        folder.put(
            f"scan{at:04d}.png",
            stream.getvalue(),
            "scan of a bill",
            layout=layout,
            invoice=bill.number,
        )
    head = parshall_6_inch_head(world.flow()) * 100 + world.noise.normal(
        0, 0.06, world.site.stamps.size
    )
    missing, lost = gaps(world, head.size)
    local = world.site.stamps.tz_convert(world.site.zone)
    rows = [
        [stamp, "" if gone else f"{value:.2f}"]
        for stamp, value, gone, no in zip(
            local.strftime("%m/%d/%y %I:%M:%S %p"), head, lost, missing, strict=True
        )
        if not no
    ]
    folder.put(
        "flume level.txt",
        table([["Time of reading", "Level (cm)"], *rows], "\t"),
        "effluent record",
        columns={"Time of reading": "time", "Level (cm)": "head"},
        unit="cm",
        day_order="month first",
        clock="daylight saving",
        stamp="instant",
        separator="tab",
    )
    rows = [
        ["Read", "Dial (hundreds of gal)"],
        *register_rows(world, world.books.main, "%m/%d/%y %H:%M"),
    ]
    folder.put(
        "dial.csv",
        table(rows),
        "meter book",
        columns={"Read": "time", "Dial (hundreds of gal)": "register"},
        unit="gal",
        multiplier=100,
        day_order="month first",
        clock="daylight saving",
    )
    folder.put("flume.txt", "Throat 6 inches, level zero = crest. Town comes at 8.\n", "note")
    folder.ask("method", "parshall flume, throat 6 in", "flume.txt", "note")
    ordinance(folder, "rates.txt", world.books, TOWN["en"])
    return world


def meter_book(folder: Folder) -> World:
    """A wide workbook: which register is the main one, a change of meter, notes between."""
    world = make_world(
        folder.kind,
        folder.seed,
        zone="America/Chicago",
        unit="gal",
        multiplier=100,
        first=date(2025, 1, 6),
        months=10,
        side=("gal", 10),
        errors=[each for each in ERRORS if each not in ("digits swapped",)],
    )
    site, main, side = world.site, world.books.main, world.books.side
    low = Register("intake", "gal", 1, 50_000)
    sewer = Register("sewer", "gal", 10, 700_000)
    moments = read_moments(world)
    change = moments[len(moments) // 2] + pd.Timedelta(hours=3)
    rows = [
        ["Plant water, read by shift lead", None, None, None, None, None],
        [],
        ["Date", "Main", "Boiler feed", "Tower (deduct)", "Outfall totaliser", "Remarks"],
        [None, "x100 gal", "x1 gal", "x10 gal", "x10 gal", None],
    ]
    final, stood = side.shows(site, change), None
    for at, moment in enumerate(moments):
        if stood is None and moment > change:
            stood = final
            day = change.tz_convert(site.zone).to_pydatetime().replace(tzinfo=None)
            rows.append([day, None, None, final, None, "old tower meter out, final read"])
            rows.append([day, None, None, 0, None, "new tower meter in"])
        local = moment.tz_convert(site.zone).to_pydatetime().replace(tzinfo=None)
        boiler = low.first + int(site.total("intake", moment) * 0.06 / UNITS["gal"])
        rows.append(
            [
                local,
                main.shows(site, moment),
                boiler,
                side.shows(site, moment) - (stood or 0),
                sewer.shows(site, moment),
                "read late" if at % 11 == 5 else None,
            ]
        )
        if at % 13 == 6:
            rows.append(["next page", None, None, None, None, None])
    year_2024 = [
        ["Date", "Main"],
        [datetime(2024, 12, 2, 8), main.first - 9000],
        [datetime(2024, 12, 30, 8), main.first - 800],
    ]
    folder.put(
        "water book.xlsx",
        workbook({"2025": rows, "2024": year_2024, "Sheet3": []}),
        "meter book",
        main_register="Main",
        header_row=3,
        unit_row=4,
        columns={
            "Date": "time",
            "Main": "main register",
            "Boiler feed": "sub-meter, stays in the sewer balance",
            "Tower (deduct)": "deduct register",
            "Outfall totaliser": "effluent totaliser",
            "Remarks": "event",
        },
        multipliers={"Main": 100, "Boiler feed": 1, "Tower (deduct)": 10, "Outfall totaliser": 10},
        change_of_meter={
            "register": "Tower (deduct)",
            "final_read": final,
            "first_read": 0,
            "time": change.tz_convert(site.zone).strftime("%Y-%m-%d %H:%M"),
        },
    )
    half = len(world.bills) // 2
    table_rows = bill_rows(world.bills, "kgal", cells=True)
    parts = {
        "first half": table_rows[: half + 1],
        "second half": [table_rows[0], *table_rows[half + 1 :]],
    }
    folder.put(
        "sewer bills.xlsx",
        workbook(parts),
        "bills",
        **bill_facts(table_rows, "kgal", "date cells"),
        sheets={"first half": "bills", "second half": "bills"},
    )
    ordinance(folder, "rates 2025.txt", world.books, TOWN["en"])
    return world


def date_time_apart(folder: Folder) -> World:
    """Date and time in two columns; AM and PM; thousands unquoted; words where no echo came."""
    world = make_world(
        folder.kind,
        folder.seed,
        zone="America/Chicago",
        unit="gal",
        multiplier=100,
        first=date(2025, 5, 5),
        months=6,
    )
    head = parshall_6_inch_head(world.flow()) * 1000
    distance = 1100 - head + world.rng.uniform(-2, 2) + world.noise.normal(0, 0.8, head.size)
    missing, lost = gaps(world, head.size)
    local = world.site.stamps.tz_convert(world.site.zone)
    days, hours = local.strftime("%m/%d/%Y"), local.strftime("%I:%M %p")
    lines = ["Day,Clock,Gap below probe mm,Remark"]
    wide = 0
    for day, hour, value, gone, no in zip(days, hours, distance, lost, missing, strict=True):
        if no:
            continue
        shown = "*** NO ECHO" if gone else f"{value:,.0f}"
        wide += "," in shown
        lines.append(f"{day},{hour},{shown},")
    cut = len(lines) // 2
    for at, part in enumerate((lines[: cut + 300], [lines[0], *lines[cut:]]), 1):
        folder.put(
            f"probe_{at}.csv",
            "\r\n".join(part) + "\r\n",
            "effluent record",
            columns={
                "Day": "date",
                "Clock": "time",
                "Gap below probe mm": "distance",
                "Remark": "event",
            },
            unit="mm",
            day_order="month first",
            clock="daylight saving",
            stamp="instant",
            missing_marks=["*** NO ECHO"],
            overlaps_with_other=True,
            rows_wider_than_header=sum(line.count(",") > 3 for line in part),
        )
    rows = [["Day", "Hour", "Count"]]
    rows += [
        [*row[0].split(" ", 1), row[1]]
        for row in register_rows(world, world.books.main, "%m/%d/%Y %I:%M %p")
    ]
    folder.put(
        "counter.csv",
        table(rows),
        "meter book",
        columns={"Day": "date", "Hour": "time", "Count": "register"},
        unit="gal",
        multiplier=100,
        day_order="month first",
        clock="daylight saving",
    )
    rows = bill_rows(
        world.bills,
        "kgal",
        day="%m/%d/%Y",
        show=lambda value: f"{value:,}",
        sign="$ ",
    )
    folder.put("invoice list.csv", table(rows), "bills", **bill_facts(rows, "kgal", "month first"))
    folder.put(
        "flume card.txt",
        "six inch flume; probe face 1100 mm above crest; counter x 100 gal; town reads at 8\n",
        "note",
    )
    folder.ask("method", "parshall flume, throat 6 in", "flume card.txt", "note")
    folder.ask("reference distance", "1100 mm", "flume card.txt", "note")
    ordinance(folder, "rates.txt", world.books, TOWN["en"])
    folder.ask("rows of 1,008 that were not quoted", wide, None, "file")
    return world


def shoebox(folder: Folder) -> World:
    """No record of the sewer; PDF bills in two layouts among copies, strangers and empty files."""
    world = make_world(
        folder.kind,
        folder.seed,
        zone="America/New_York",
        unit="gal",
        multiplier=1000,
        first=date(2025, 2, 3),
        months=9,
        errors=PRINTED,
    )
    layouts = world.rng.sample(
        ("side by side", "label above", "history", "two pages", "line printer"), 2
    )
    for at, bill in enumerate(world.bills):
        layout = layouts[2 * at >= len(world.bills)]
        data = draw_pdf(
            [as_printed(bill, world.books, CUSTOMER["en"], TOWN["en"], "22-9041-7")], layout
        )
        name = f"{bill.issued:%Y-%m} sewer.pdf"
        taken = at % 3 == 0 or name in folder.files  # two bills of a month: no file is lost
        folder.put(
            f"doc{bill.number}.pdf" if taken else name,
            data,
            "bill",
            layout=layout,
            invoice=bill.number,
        )
        if at == 2:
            folder.put("doc (copy).pdf", data, "copy of a bill", copy_of=bill.number)
    other = pdfs.invent_bills(world.rng, count=1)[0]
    folder.put(
        "neighbour.pdf",
        draw_pdf([other], layouts[0]),
        "bill of another account",
        account=other.account,
    )
    stream = io.BytesIO()
    pdfs.write_file(stream, layouts[0], [other], password="unknown")
    folder.put("locked.pdf", stream.getvalue(), "encrypted")
    folder.put("broken.pdf", b"%PDF-1.4\n", "damaged")
    rows = [["Date", "Thousands"], *register_rows(world, world.books.main, "%m/%d/%Y")[::4]]
    folder.put(
        "old/reads.csv",
        table(rows),
        "meter book",
        columns={"Date": "time", "Thousands": "register"},
        unit="gal",
        multiplier=1000,
        day_order="month first",
    )
    folder.put("page.html", "<html><body><p>Canteen menu, week 14</p></body></html>", "junk")
    folder.put("old/notes.txt", "Bill reads at 8 in the morning. Account 22-9041-7.\n", "note")
    folder.ask("account", "22-9041-7", "old/notes.txt", "note")
    ordinance(folder, "rates.txt", world.books, TOWN["en"])
    return world


KINDS = {
    "echo daylight": echo_daylight,
    "german winter": german_winter,
    "spanish utc": spanish_utc,
    "epoch pulse": epoch_pulse,
    "interval xml": interval_xml,
    "depth velocity": depth_velocity,
    "scanned bills": scanned_bills,
    "meter book": meter_book,
    "date time apart": date_time_apart,
    "shoebox": shoebox,
}


def make_folder(kind: str, seed: int, folder) -> dict:
    """Write one raw folder and return its truth; nothing of the truth lies in the folder."""
    place = Path(folder)
    place.mkdir(parents=True, exist_ok=True)
    out = Folder(place, kind, seed)
    world = KINDS[kind](out)
    junk(out, world.rng)
    place_facts(out, world)
    return {
        "kind": kind,
        "seed": seed,
        "error": world.error,
        "files": out.files,
        "questions": out.questions,
        "verdict": world.verdict,
    }


def answer(truth: dict, question: str, file: str | None = None):
    """The right answer to a question about a file, or about the case; KeyError if there is none."""
    for entry in truth["questions"]:
        if entry["question"] == question and (file is None or entry["file"] == file):
            return entry["answer"]
    raise KeyError(f"no answer to {question!r}" + (f" for {file}" if file else ""))


def main(folder: str, seed: int = 1) -> None:
    """Write all ten kinds and the truth beside each."""
    root = Path(folder)
    for kind in KINDS:
        slug = kind.replace(" ", "_")
        truth = make_folder(kind, seed, root / slug)
        text = json.dumps(truth, indent=1, ensure_ascii=False, default=str)
        (root / f"{slug}.truth.json").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    if len(sys.argv) not in (2, 3):
        sys.exit("usage: python foreign_folders.py FOLDER [SEED]")
    main(sys.argv[1], int(sys.argv[2]) if len(sys.argv) == 3 else 1)
