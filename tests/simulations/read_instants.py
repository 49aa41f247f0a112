"""How often right invoices are accused because the site reads its meter at other instants.

    python tests/simulations/read_instants.py --cases 100 --every 7
    python tests/simulations/read_instants.py --kind right --cases 1000 --seed 9000

Invented accounts with a week and a day in their use. Without printed reads ("volumes") a site that
reads once a week or once a month knows the volume of an invoice by interpolation only. With them
the site's own read is a second opinion, up to three hours beside the city's, weekly or on the day
of the bill: "right" series accuse nobody; of "wrong" ones a misread, two digits exchanged or the
reads of another meter are named; "runs" of estimates that an actual read makes good claim nothing,
and where blocks make them dearer just that.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from datetime import datetime, timedelta
from decimal import ROUND_HALF_UP, Decimal
from itertools import pairwise
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from sewer_audit import load_case
from sewer_audit.auditing.invoices.claim import claim_of
from sewer_audit.auditing.invoices.pricing import price_invoices
from sewer_audit.auditing.invoices.signatures import signatures_of
from sewer_audit.auditing.reading.inputs import read_inputs
from sewer_audit.auditing.volumes.evidence import gather
from sewer_audit.uncertainty import Draws

START = datetime(2025, 1, 6)
INVOICES = 12
HEAD = "invoice,start,end,billed_volume,volume,total"
CASE = """
[case]
title = "invented account"
time_zone = "Etc/UTC"
basis = "intake"
return_factor = 0.90
[invoices]
file = "invoices.csv"
volume_unit = "kgal"
read_hour = "08:00"
end_day_counts = false
[rates]
file = "rates.toml"
[[intake]]
meter = "main"
file = "main.csv"
unit = "gal"
multiplier = 100
digits = 6
"""
RATES = """
[schedule]
name = "invented"
currency = "USD"
rate_change = "by end"
end_day_counts = false
line_rounding = { to = 0.01 }
total_rounding = { to = 0.01 }
[[version]]
effective = 2020-01-01
[[version.volume]]
name = "sewer"
unit = "kgal"
basis = "intake"
return_factor = 0.90
rounding = { to = 0.1 }
[[version.charge]]
name = "volume"
kind = "volume"
rate = 6.40
"""


def register(rng: np.random.Generator) -> np.ndarray:
    """Counts of the register at every hour: weekends, a daily cycle, and days that vary."""
    hours = np.arange(24 * 420)
    working = (hours // 24) % 7 < 5
    week = np.where(working, 1.0, rng.uniform(0.2, 0.9))
    day = 1 + 0.6 * np.sin(2 * np.pi * ((hours % 24) - 6) / 24)
    varying = np.repeat(rng.lognormal(0, rng.uniform(0.05, 0.4), 420), 24)
    return 50_000 + np.concatenate([[0], np.cumsum(week * day * varying * rng.uniform(5, 60))])


def written(folder: Path, rows: list[str], reads: list[str], rates: str = RATES) -> Path:
    """A case folder of these invoices and reads."""
    texts = {"case.toml": CASE, "rates.toml": rates}
    texts |= {"invoices.csv": "\n".join(rows) + "\n", "main.csv": "\n".join(reads) + "\n"}
    for name, text in texts.items():
        (folder / name).write_text(text)
    return folder


def judged(folder: Path):
    """The ledger and the named errors of a case, without explanations."""
    case = load_case(folder)
    inputs = read_inputs(case)
    pricing = price_invoices(case, inputs, gather(case, inputs, Draws(50, 1)))
    named = signatures_of(case, inputs, pricing)
    return claim_of(case, inputs, pricing, named)[0], named


def periods(rng: np.random.Generator) -> list[datetime]:
    """Instants of the city's reads, at 8:00 of their days."""
    ends = [START + timedelta(days=3, hours=8)]
    for _ in range(INVOICES):
        ends.append(ends[-1] + timedelta(days=int(rng.integers(28, 34))))
    return ends


def accused(seed: int, every: int) -> list[str]:
    """Right invoices that are found wrong, of one account read about every so many days."""
    rng = np.random.default_rng([seed, every])
    counts = register(rng)

    def at(moment: datetime) -> int:
        hour = (moment - START) / timedelta(hours=1)
        return int(np.interp(hour, np.arange(len(counts)), counts))

    ends, rows = periods(rng), [HEAD]
    for number, (start, end) in enumerate(pairwise(ends)):
        volume = int((at(end) - at(start)) * 0.9 + 0.5) / 10  # one count is 100 gallons
        amount = f"{volume * 6.40 + 1e-9:.2f}"
        rows.append(f"A{number},{start:%Y-%m-%d},{end:%Y-%m-%d},{volume:.1f},{amount},{amount}")
    reads, moment = ["time,register"], START + timedelta(hours=float(rng.uniform(2, 70)))
    while moment < ends[-1] + timedelta(days=9):
        reads.append(f"{moment:%Y-%m-%d %H:%M},{at(moment) % 10**6}")
        moment += timedelta(days=every, hours=float(rng.uniform(-30, 30)))
    with tempfile.TemporaryDirectory() as folder:
        ledger, _ = judged(written(Path(folder), rows, reads))
    return [each.invoice for each in ledger.entries if abs(each.amount) > Decimal("0.005")]


BLOCKS = 'blocks = [{{ to = "{edge} kgal", rate = 6.40 }}, {{ rate = {beyond} }}]'
CENT, TENTH = Decimal("0.01"), Decimal("0.1")


def priced(volume: Decimal, edge: int, beyond: Decimal) -> Decimal:
    """Of one block up to an edge and one beyond, none where the edge is nothing [USD]."""
    above = max(volume - edge, Decimal(0)) if edge else Decimal(0)
    amount = (volume - above) * Decimal("6.40") + above * beyond
    return amount.quantize(CENT, ROUND_HALF_UP)


def beside(seed: int, kind: str) -> str:
    """What is made of one account whose bills print reads: "right", or what went wrong."""
    rng = np.random.default_rng([seed, len(kind)])
    counts, ends = register(rng), periods(rng)

    def at(moment: datetime) -> int:
        hour = (moment - START) / timedelta(hours=1)
        return int(np.interp(hour, np.arange(len(counts)), counts))

    weekly, stamped = rng.random() < 0.5, rng.random() < 0.5
    city = [end + timedelta(hours=float(rng.uniform(-1, 1))) for end in ends]
    own = {
        (at_end if stamped else at_end.replace(hour=8, minute=0)): at(at_end)
        for at_end in (each + timedelta(hours=float(rng.uniform(-2, 2))) for each in city)
    }
    if weekly:
        for start, end in pairwise(ends):
            days = range(7, (end - start).days - 3, 7)
            looks = (start + timedelta(days=d, hours=float(rng.uniform(-3, 3))) for d in days)
            own |= {look: at(look) for look in looks}
    bills = [[at(a), at(b), "actual"] for a, b in pairwise(city)]
    wrong = plant(rng, bills) if kind == "wrong" else []
    edge, beyond = 0, Decimal("6.40")
    run = estimates(rng, bills) if kind == "runs" else []
    true = [at(b) - at(a) for a, b in pairwise(city)]
    if run and rng.random() < 0.5:
        edge, beyond = int(np.median(true) * 0.09 * rng.uniform(0.8, 1.3)), Decimal("9.60")
    rows = ["invoice,start,end,previous_read,current_read,read_type,billed_volume,volume,total"]
    asked = right = Decimal(0)
    for number, ((start, end), bill) in enumerate(zip(pairwise(ends), bills, strict=True)):
        volumes = [
            (Decimal(used) * Decimal("0.09")).quantize(TENTH, ROUND_HALF_UP)
            for used in (bill[1] - bill[0], true[number])
        ]
        amount, other = (priced(each, edge, beyond) for each in volumes)
        asked, right = asked + amount, right + other
        cells = f"{bill[0]},{bill[1]},{bill[2]},{volumes[0]},{amount},{amount}"
        rows.append(f"A{number},{start:%Y-%m-%d},{end:%Y-%m-%d},{cells}")
    reads = [f"{moment:%Y-%m-%d %H:%M},{own[moment] % 10**6}" for moment in sorted(own)]
    rates = RATES.replace(
        "rate = 6.40", BLOCKS.format(edge=edge, beyond=beyond) if edge else "rate = 6.40"
    )
    with tempfile.TemporaryDirectory() as folder:
        ledger, named = judged(written(Path(folder), rows, ["time,register", *reads], rates))
    return told(kind, ledger, named, wrong, edge, asked - right)


def told(kind: str, ledger, named, wrong: list[int], edge: int, cost: Decimal) -> str:
    """One word for what came of an account."""
    if kind == "wrong":
        names = {f"A{place}" for place in wrong}
        codes = {each.code for each in named if names & set(each.invoices)}
        beyond = any(not names & set(each.invoices) for each in named)
        fits = codes & {"misread", "another-account"}
        return ("named" if fits else "as another" if codes else "missed") + beyond * ", others too"
    if not named and not ledger.entries:
        return "nothing claimed" if abs(cost) < 100 or kind == "right" else "a cost not claimed"
    if kind == "runs" and edge and ledger.low - 5 <= cost <= ledger.high + 5:
        return "its cost within the interval"
    return "accused" if kind == "right" else "claimed wrongly"


def plant(rng: np.random.Generator, bills: list[list]) -> list[int]:
    """A misread, two digits exchanged, or the reads of another meter, on one bill."""
    place = int(rng.integers(1, len(bills) - 1))
    used = bills[place][1] - bills[place][0]
    if rng.random() < 0.33:
        other = int(rng.integers(10_000, 900_000))
        bills[place][:2] = [other, other + int(used * rng.uniform(0.6, 1.6))]
        return [place]
    digits, slips = str(bills[place][1]), []
    for k in range(len(digits) - 1):
        swapped = digits[:k] + digits[k + 1] + digits[k] + digits[k + 2 :]
        slips += [int(swapped)] + [int(digits[:k] + d + digits[k + 1 :]) for d in "0123456789"]
    slips = [s for s in slips if 0.1 * used < abs(s - bills[place][1]) < 0.9 * used]
    if not slips:
        slips = [bills[place][1] + int(0.3 * used)]
    bills[place][1] = int(rng.choice(slips))
    return [place]


def estimates(rng: np.random.Generator, bills: list[list]) -> list[int]:
    """One to three estimates and the bill on an actual read after them."""
    first, length = int(rng.integers(1, 7)), int(rng.integers(1, 4))
    share, stood = float(rng.uniform(0.5, 1.4)), bills[first][0]
    for bill in bills[first : first + length]:
        used = int((bill[1] - bill[0]) * share)
        bill[:] = [stood, stood + used, "estimated"]
        stood += used
    bills[first + length][0] = stood
    return list(range(first, first + length + 1))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1, help="first seed")
    parser.add_argument("--every", type=int, default=7, help="days between reads of the site")
    parser.add_argument("--kind", default="volumes", choices=["volumes", "right", "wrong", "runs"])
    given = parser.parse_args()
    seeds = range(given.seed, given.seed + given.cases)
    if given.kind == "volumes":
        wrong = sum(bool(accused(seed, given.every)) for seed in seeds)
        print(f"{wrong} of {given.cases} right accounts accused, reads every {given.every} days")
        return
    found = {seed: beside(seed, given.kind) for seed in seeds}
    print(f"{given.kind}, seeds {given.seed} on: {dict(Counter(found.values()))}")
    odd = {"accused", "claimed wrongly", "a cost not claimed", "missed", "as another"}
    print({seed: what for seed, what in found.items() if what.split(",")[0] in odd})


if __name__ == "__main__":
    main()
