"""Rough-edged sewer bills of our own with the truth planted.

Written from words of the trade by somebody who had not read `toolkit/`.

A case is a folder as the installed program reads it, and truth.json.  The generator prices by its own
Decimal arithmetic and never imports the program; only the runner at the end calls it.

    --list                              names of the kinds
    --write DIR --kind NAME --seed N    one case
    --right N --wrong N --seed S        N cases of each kind (seeds S to S + N - 1), through the program
    --kind NAME (repeated), --keep DIR, --quiet limit a run, keep its cases, print the sums only
All names, places and rates are invented.
"""
# ruff: noqa: E501, E741

import argparse
import datetime as dt
import json
import math
import os
import re
import shutil
import tempfile
import zlib
from decimal import ROUND_DOWN, ROUND_HALF_EVEN, ROUND_HALF_UP, ROUND_UP, getcontext
from decimal import Decimal as D

import numpy as np

getcontext().prec = 40
RULES = {"half up": ROUND_HALF_UP, "half even": ROUND_HALF_EVEN, "down": ROUND_DOWN, "up": ROUND_UP}
CENT = {"to": D("0.01"), "rule": "half up"}
DAY = dt.timedelta(days=1)
KINDS = {}
UNSTATED = set()


def q(x, r):
    if not r or r.get("rule") == "none":
        return x
    return (x / r["to"]).quantize(D(1), RULES[r.get("rule", "half up")]) * r["to"]


def kind(is_right, *words):
    def put(f):
        KINDS[f.__name__] = (is_right, list(words), f)
        return f

    return put


right = kind(True)


def unstated(f):
    """What the documented keys cannot express: neither right nor wrong; run only when named by --kind."""
    UNSTATED.add(f.__name__)
    return right(f)


def wrong(*words):
    return kind(False, *words)


# ---------------------------------------------------------------- TOML
def tv(v):
    if isinstance(v, bool):
        return "true" if v else "false"
    if isinstance(v, D):
        return format(v, "f")
    if isinstance(v, (int, float)):
        return repr(v)
    if isinstance(v, dt.date):
        return v.isoformat()
    if isinstance(v, dict):
        return "{ " + ", ".join(f"{tk(k)} = {tv(x)}" for k, x in v.items()) + " }"
    if isinstance(v, (list, tuple)):
        return "[" + ", ".join(tv(x) for x in v) + "]"
    return '"' + str(v) + '"'


def tk(k):
    k = str(k)
    return k if re.fullmatch(r"[A-Za-z0-9_-]+", k) else '"' + k + '"'


def tt(head, d):
    out = [head]
    sub = []
    for k, v in d.items():
        if k in ("winter", "samples") and isinstance(v, dict):
            sub.append((k, v))
        elif not k.startswith("_"):
            out.append(f"{tk(k)} = {tv(v)}")
    text = "\n".join(out) + "\n"
    name = head.strip("[]")
    for k, v in sub:
        text += tt(f"[{name}.{k}]", v)
    return text


# ---------------------------------------------------------------- regions and registers
REG = {
    "US": dict(cur="USD", tz=["America/Chicago", "America/New_York", "America/Denver"], sym="$"),
    "UK": dict(cur="GBP", tz=["Europe/London"], sym="£"),
    "DE": dict(cur="EUR", tz=["Europe/Berlin"], sym="€"),
    "AU": dict(cur="AUD", tz=["Australia/Sydney"], sym="$"),
}
# register unit, multiplier, unit of the bill, units of the bill per count
METERS = {
    "US": [
        ("gal", 100, "kgal", D("0.1")),
        ("gal", 1000, "kgal", D(1)),
        ("gal", 10, "kgal", D("0.01")),
        ("cf", 100, "CCF", D(1)),
        ("cf", 10, "CCF", D("0.1")),
    ],
    "UK": [("m3", 1, "m3", D(1)), ("m3", D("0.1"), "m3", D("0.1"))],
    "DE": [("m3", 1, "m3", D(1)), ("m3", 10, "m3", D(10))],
    "AU": [("kL", 1, "kL", D(1)), ("kL", D("0.1"), "kL", D("0.1"))],
}
SITES = [
    "Alder Row pickling hall",
    "Cobble Quay dye house",
    "Weavers Lock laundry",
    "Tarn Street cannery",
    "Hopper Lane malt house",
    "Siding Four dairy",
    "Glebe Yard plating shop",
    "Marl Pit ice works",
]
TOWNS = ["Oxter Falls", "Quillport", "Dunmarrow", "Saltbeck", "Neuhelm", "Wirrabong", "Pell Creek"]
NAMES = {
    "US": ("Service charge", "Sewer usage", "Utility tax"),
    "UK": ("Standing charge", "Used water", "Levy"),
    "DE": ("Grundpreis", "Schmutzwasser", "Abgabe"),
    "AU": ("Access fee", "Sewer usage", "Levy"),
}


class Case:
    """Everything that is printed, and what is due."""

    def __init__(
        s,
        rng,
        region=None,
        n=None,
        lens=(28, 35),
        meter=None,
        mean=None,
        start=None,
        pct=True,
        vround=None,
        blocks=None,
    ):
        s.rng = rng
        s.region = region or ["US", "US", "UK", "DE", "AU"][rng.integers(5)]
        R = REG[s.region]
        s.cur, s.sym = R["cur"], R["sym"]
        s.tz = R["tz"][rng.integers(len(R["tz"]))]
        s.site = SITES[rng.integers(len(SITES))]
        ms = METERS[s.region]
        s.runit, s.mult, s.unit, s.per = meter or ms[rng.integers(len(ms))]
        s.n = n or int(rng.integers(6, 15))
        s.digits = 7
        s.end_day = False
        big = {"kgal": 300, "CCF": 400, "m3": 900, "kL": 900}[s.unit]
        s.mean = mean or float(big * np.exp(rng.normal(0, 0.5)))
        s.step = max(s.per, D("0.01"))
        fx, vl, tx = NAMES[s.region]
        s.fx, s.vl, s.tx = fx, vl, tx
        s.rate = s.dec(2, 9, 4 if s.region in ("UK", "AU") else 2)
        s.fixed = s.dec(20, 160, 2)
        s.pct = s.dec(2, 9, 1)
        s.sched = dict(
            name=f"Sewer rates of {TOWNS[rng.integers(len(TOWNS))]}",
            currency=s.cur,
            source="bylaw 12, table 2",
            rate_change="by end",
            end_day_counts=False,
            line_rounding=CENT,
            total_rounding=CENT,
        )
        s.vol = dict(name="sewer", unit=s.unit, basis="intake")
        if vround:
            s.vol["rounding"] = vround
        ch = [dict(name=fx, kind="fixed", amount=s.fixed, per="bill")]
        vc = dict(name=vl, kind="volume", volume="sewer")
        if blocks:
            m = int(s.mean)
            a, b = D(max(1, m // 3)), D(max(2, m * 4 // 5))
            r = s.rate
            up = rng.random() < 0.5
            f = (D("1.35"), D("1.7")) if up else (D("0.85"), D("0.7"))
            s.edges = (a, b)
            vc["blocks"] = [
                dict(to=a, rate=r),
                dict(to=b, rate=q(r * f[0], CENT)),
                dict(rate=q(r * f[1], CENT)),
            ]
        else:
            vc["rate"] = s.rate
        ch.append(vc)
        if pct:
            ch.append(dict(name=tx, kind="percent", rate=f"{s.pct} %", of=[fx, vl]))
        s.versions = [dict(effective=dt.date(2019, 1, 1), name="first", _vol=[s.vol], _ch=ch)]
        s.invoices_extra, s.account, s.case_extra, s.tail = {}, {}, {}, ""
        s.reads = dict(unit=s.runit, multiplier=s.mult)
        s.files = {}
        s.cols = {}
        s.show = dict(reads=True, lines=True, days=bool(rng.random() < 0.5))
        s.files_bin = {}
        s.notch = ["Days"]
        s.sizes, s.cls, s.counts = None, None, {}
        s.links, s.words = [], []
        s.extra_cols = []
        s.format = "iso"
        s.decimal = "."
        s.money_style = "plain"
        s.vplaces = max(0, -int(s.per.normalize().as_tuple().exponent)) if s.per < 1 else 0
        t = start or dt.date(2024, 1, 1) + DAY * int(rng.integers(0, 120))
        r = int(rng.integers(1000, 400000))
        s.inv = []
        pre = ["", "A-", "24/", "R", "SW"][rng.integers(5)]
        num = int(rng.integers(1000, 9000))
        for i in range(s.n):
            k = int(rng.integers(lens[0], lens[1] + 1))
            c = int(max(3, float(s.mean) / float(s.per) * (1 + 0.18 * rng.normal()) * k / 30.4))
            s.inv.append(
                dict(
                    no=f"{pre}{num + i}",
                    start=t,
                    end=t + DAY * k,
                    counts=c,
                    prev=r,
                    cur=r + c,
                    rt="actual",
                    mult=None,
                    deduct=None,
                    kind="",
                    replaces="",
                    more={},
                    lines=None,
                    pv=None,
                    hide=False,
                )
            )
            t += DAY * k
            r += c

    @property
    def ch(s):
        return s.versions[0]["_ch"]

    def charge(s, name, v=0):
        return next(c for c in s.versions[v]["_ch"] if c["name"] == name)

    def dec(s, lo, hi, places):
        return D(str(round(float(s.rng.uniform(lo, hi)), places))).quantize(D(1).scaleb(-places))

    def pick(s, lo=1, hi=None):
        return int(s.rng.integers(lo, (hi if hi is not None else s.n - 1)))

    def days(s, i, x=None):
        v = s.inv[i] if isinstance(i, int) else i
        return (v["end"] - v["start"]).days + (1 if s.sched["end_day_counts"] else 0)

    # -- volumes
    def metered(s, v):
        return D(v["counts"]) * s.per

    def charged(s, v, **o):
        """By the rule of the schedule; o replaces a key of it."""
        rule = {**s.vol, **o}
        m = o.get("intake", s.metered(v))
        if rule.get("read_rounding"):
            m = q(D(v["cur"]) * s.per, rule["read_rounding"]) - q(
                D(v["prev"]) * s.per, rule["read_rounding"]
            )
        if rule.get("basis") == "intake less deduct":
            m = m - v["deduct"] if not o.get("no_deduct") else m
            m = max(m, D(0))
        if "_fn" in rule:
            m = rule["_fn"](m, v)
        f = rule.get("return_factor")
        if f:
            m = m * D(str(f).split()[0]) / 100
        if rule.get("return_factor_by_month") and not f:
            mo = v["end"].month
            if mo in rule["return_factor_by_month"]:
                m = m * D(rule["return_factor_by_month"][mo].split()[0]) / 100
        if rule.get("allowance"):
            m = max(D(0), m - rule["_allow"])
        return q(m, rule.get("rounding"))

    # -- prices
    def shares(s, v):
        vs = s.versions
        how = s.sched["rate_change"]
        if how == "split by days":
            n = s.days(v)
            out = []
            for k, e in enumerate(vs):
                a = max(v["start"], e["effective"])
                b = min(
                    v["end"] + (DAY if s.sched["end_day_counts"] else 0 * DAY),
                    vs[k + 1]["effective"] if k + 1 < len(vs) else dt.date(2999, 1, 1),
                )
                if b > a:
                    out.append((k, D((b - a).days) / D(n)))
            return out
        d = (
            v["end"]
            if how == "by end"
            else v["start"]
            if how == "by start"
            else v["more"]["bill_date"]
        )
        return [(max(k for k, e in enumerate(vs) if e["effective"] <= d), D(1))]

    def periods(s, c, v, days):
        per = c.get("per", "bill")
        if per == "day":
            return D(days)
        if c.get("proration") == "standard days":
            a, b = c.get("normal_days", (10**6, 0))
            return D(1) if a <= days <= b else D(days) / c["standard_days"]
        return D(v.get("months", 1)) if per == "month" else D(1)

    def amount(s, c, v):
        if "by_meter_size" in c:
            return c["by_meter_size"][v.get("size", s.sizes)]
        if "by_class" in c:
            return c["by_class"][v.get("cls", s.cls)]
        return c["amount"]

    def ev(s, c, v, vols, lines, days):
        k = c["kind"]
        m = D(str(c.get("multiplier", 1)))
        if k in ("fixed", "minimum", "maximum"):
            a = s.amount(c, v)
            if c.get("daily_rounding"):
                a = q(a / c["_month"], c["daily_rounding"])
            a = a * s.periods(c, v, days) * m
            if c.get("count"):
                a = a * D(v.get("counts_of", s.counts)[c["count"]])
            if k == "fixed":
                return a
            t = sum(lines[x] for x in c["of"])
            return max(D(0), a - t) if k == "minimum" else min(D(0), a - t)
        if k == "volume":
            x = vols[c["volume"]]
            if c.get("_conv"):
                x = x * c["_conv"]
            if "allowance" in c:
                x = max(D(0), x - c["_allow"])
            if "rate_by_class" in c:
                return x * c["rate_by_class"][v.get("cls", s.cls)] * m
            if "rate" in c:
                return x * c["rate"] * m
            f = {
                "bill": D(1),
                "day": D(days),
                "30 days": D(days) / 30,
                "month": D(v.get("months", 1)),
            }[c.get("blocks_per", "bill")]
            es = [
                (q(b["to"] * f, c.get("edge_rounding")) if "to" in b else None, b["rate"])
                for b in c["blocks"]
            ]
            if c.get("blocks_on") == "whole volume":
                return next(r for e, r in es if e is None or x <= e) * x * m
            out, lo = D(0), D(0)
            for e, r in es:
                hi = x if e is None else min(x, e)
                if hi > lo:
                    out += (hi - lo) * r
                    lo = hi
            return out * m
        if k == "percent":
            of = c["of"]
            t = sum(lines[z] for z in lines) if of == "all" else sum(lines[z] for z in of)
            t = t * D(c["rate"].split()[0]) / 100
            return t * D(v.get("counts_of", s.counts)[c["count"]]) if c.get("count") else t
        if k == "strength":
            w = v["strength"][c["parameter"]]
            w = max(D(0), w - D(c.get("threshold", 0)))
            x = vols[c["volume"]] * c["_to_load"]
            return q(D(str(c["load"]["constant"])) * x * w, c.get("load_rounding")) * c["rate"]
        if k == "trade effluent":
            w = v["strength"]
            u = (
                c["conveyance"]
                + c["treatment"]
                + c["biological"] * w["COD"] / c["standard_oxygen_demand"]
                + c["solids"] * w["TSS"] / c["standard_solids"]
            )
            return vols[c["volume"]] * q(u, c.get("unit_rate_rounding"))
        raise ValueError(k)

    def price(s, v, vols=None, days=None, alter=None, shares=None):
        """Lines by name and total; alter: name -> dict of keys that replace those of the charge."""
        vols = vols if isinstance(vols, dict) else {"sewer": s.charged(v) if vols is None else vols}
        days = s.days(v) if days is None else days
        lines, parts = {}, shares or s.shares(v)
        for c0 in s.versions[parts[0][0]]["_ch"]:
            name = c0["name"]
            alt = (alter or {}).get(name, {})
            if c0["kind"] in ("percent", "minimum", "maximum"):
                x = s.ev({**c0, **alt}, v, vols, lines, days)
            else:
                x = sum(
                    f * s.ev({**s.charge(name, k), **alt}, v, vols, lines, days) for k, f in parts
                )
            lines[name] = q(x, c0.get("rounding") or s.sched["line_rounding"])
        return lines

    def total(s, lines):
        skip = {c["name"] for c in s.ch if c.get("in_total") is False}
        return q(sum(x for k, x in lines.items() if k not in skip), s.sched["total_rounding"])

    def bill(s):
        """Prices every invoice that has no lines yet, as is due."""
        for v in s.inv:
            if v["lines"] is None:
                vol = s.charged(v)
                v["lines"] = s.price(v, vol)
                v["pv"] = vol if v["pv"] is None else v["pv"]
            v.setdefault("due", s.total(v["lines"]))
            v.setdefault("total", v["due"])

    def misbill(
        s, i, what, vol=None, alter=None, days=None, shares=None, lines=None, keep_pv=False, by=None
    ):
        """Prints a wrong bill i; the truth is that of bill()."""
        v = s.inv[i]
        r = s.total(s.price(v))
        v["due"] = r
        w = lines or s.price(v, vol, days=days, alter=alter, shares=shares)
        v["lines"] = w
        v["pv"] = (
            (s.charged(v) if keep_pv or vol is None else vol)
            if not isinstance(vol, dict)
            else s.charged(v)
        )
        v["total"] = s.total(w)
        if by is None:
            by = v["total"] - r
        if by:
            s.links.append(dict(invoice=v["no"], amount_over=str(q(by, CENT)), what=what))
        return by

    # -- own reads beside
    def own_reads(
        s, hours=(0, 0), name="meter.csv", weekly=False, meter="main", counts="counts", extra=""
    ):
        rows = ["time,register"]
        v0 = s.inv[0]
        v0["prev"]

        def put(t, r, dc):
            h = float(s.rng.uniform(*hours)) if hours[1] > hours[0] else 0.0
            rr = r + dc * h / 24
            tm = dt.datetime.combine(t, dt.time(8)) + dt.timedelta(minutes=round(60 * h))
            rows.append(f"{tm:%Y-%m-%d %H:%M},{int(rr)}")

        for v in s.inv:
            n = (v["end"] - v["start"]).days
            pd = v["counts"] / n
            put(v["start"], v["cur"] - v["counts"], pd)
            if weekly:
                for k in range(7, n - 3, 7):
                    put(v["start"] + DAY * k, v["cur"] - v["counts"] + pd * k, pd)
        v = s.inv[-1]
        put(v["end"], v["cur"], v["counts"] / (v["end"] - v["start"]).days)
        s.files[name] = "\n".join(rows) + "\n"
        s.reads = None
        s.invoices_extra["read_hour"] = "08:00"
        s.tail += (
            tt(
                "[[intake]]",
                dict(meter=meter, file=name, unit=s.runit, multiplier=s.mult, digits=s.digits),
            )
            + extra
        )

    # -- writing
    def num(s, x, money=False):
        t = format(x, "f")
        if s.money_style != "plain" and money:
            t = f"{x:,.2f}"
        if s.decimal == ",":
            t = t.replace(",", "_").replace(".", ",").replace("_", ".")
        if money and s.money_style == "symbol":
            t = (
                f"{t} {s.sym}"
                if s.decimal == ","
                else (f"-{s.sym}{t[1:]}" if t[0] == "-" else s.sym + t)
            )
        return t

    def date(s, d):
        return {"iso": "%Y-%m-%d", "us": "%m/%d/%Y", "eu": "%d.%m.%Y", "uk": "%d/%m/%Y"}[
            s.format
        ] and d.strftime(
            {"iso": "%Y-%m-%d", "us": "%m/%d/%Y", "eu": "%d.%m.%Y", "uk": "%d/%m/%Y"}[s.format]
        )

    def table(s):
        names = [c["name"] for c in s.ch]
        head = ["invoice", "start", "end"]
        kinds = any(v["kind"] for v in s.inv)
        if kinds:
            head += ["kind", "replaces"]
        if s.show["days"]:
            head.append("Days")
        if s.show["reads"]:
            head += ["previous_read", "current_read", "read_type"]
        head += s.extra_cols
        head += ["billed_volume"] + (names if s.show["lines"] else []) + ["total"]
        rows = []
        for v in s.inv:
            d = dict(
                invoice=v["no"],
                start=s.date(v["start"]),
                end=s.date(v["end"]),
                kind=v["kind"],
                replaces=v["replaces"],
                Days=str((v["end"] - v["start"]).days),
                previous_read=str(v["prev"]),
                current_read=str(v["cur"]),
                read_type=v["rt"],
                billed_volume=""
                if v["pv"] is None
                else s.num(q(v["pv"], dict(to=D(1).scaleb(-s.vplaces)))),
                total=s.num(q(v["total"], CENT), True),
            )
            if v["hide"] == "reads":
                d.update(previous_read="", current_read="", read_type="")
            for k, x in v["lines"].items():
                d[k] = "" if v["hide"] == "lines" else s.num(q(x, CENT), True)
            for k, x in v["more"].items():
                d[k] = (
                    x
                    if isinstance(x, str)
                    else s.date(x)
                    if isinstance(x, dt.date)
                    else s.num(x, True)
                )
            rows.append([d.get(h, "") for h in head])
        if s.show.get("thousands"):
            k = head.index("billed_volume")
            for r in rows:
                r[k] = f"{D(r[k]):,}"
        if s.show.get("sum"):
            r = [""] * len(head)
            r[0] = "Sum"
            for h in [*names, "total"]:
                if h in head:
                    r[head.index(h)] = str(
                        sum((v["lines"][h] if h != "total" else v["total"]) for v in s.inv)
                    )
            rows.append(r)
        return [s.cols.get(h, h) for h in head], head, rows

    def write(s, folder, name, seed, is_right, words):
        os.makedirs(folder, exist_ok=True)
        s.bill()
        shown, head, rows = s.table()
        sep = ";" if s.decimal == "," else ","

        def cell(x):
            return '"' + x + '"' if sep in x else x

        inv = dict(
            file="invoices.csv", volume_unit=s.unit, end_day_counts=s.end_day, **s.invoices_extra
        )
        if s.format in ("us", "eu", "uk"):
            inv["day_first"] = s.format != "us"
        if s.decimal == ",":
            inv["decimal"] = ","
        nc = [x for x in s.notch if x in head]
        if nc:
            inv["not_charges"] = nc
        if s.cols:
            inv["columns"] = {h: n for h, n in s.cols.items() if h in head}
        if s.show.get("xlsx"):
            import openpyxl

            wb = openpyxl.Workbook()
            ws = wb.active
            ws.title = "Bills"
            ws.append(shown)
            for r in rows:
                ws.append(
                    [
                        dt.date.fromisoformat(c)
                        if re.fullmatch(r"\d{4}-\d\d-\d\d", c)
                        else float(c)
                        if re.fullmatch(r"-?\d+(\.\d+)?", c) and h != "invoice"
                        else c or None
                        for h, c in zip(head, r, strict=False)
                    ]
                )
            wb.save(os.path.join(folder, "invoices.xlsx"))
            inv["file"] = "invoices.xlsx"
        else:
            s.files["invoices.csv"] = (
                "\n".join(sep.join(cell(c) for c in r) for r in [shown, *rows]) + "\n"
            )
        money = s.cur
        text = tt(
            "[case]",
            dict(title=f"{s.site}, sewer bills", time_zone=s.tz, basis="intake", **s.case_extra),
        )
        text += tt("[display]", dict(volume=s.unit, money=money))
        text += tt("[invoices]", inv) + tt("[rates]", dict(file="rates.toml"))
        acc = dict(s.account)
        if s.sizes:
            acc["meter_size"] = s.sizes
        if s.cls:
            acc["customer_class"] = s.cls
        if s.counts and any(c.get("count") for v in s.versions for c in v["_ch"]):
            acc["counts"] = s.counts
        if acc or s.reads:
            text += tt("[account]", acc)
        if s.reads and s.show["reads"]:
            text += tt("[account.reads]", {k: v for k, v in s.reads.items() if k != "change"})
            for c in s.reads.get("change", []):
                text += tt("[[account.reads.change]]", c)
        text += tt("[rule]", dict(tolerance="5 %", coverage=D("0.95"))) + s.tail
        rates = tt("[schedule]", s.sched)
        for e in s.versions:
            rates += tt("[[version]]", {k: x for k, x in e.items() if k != "samples"})
            for x in e["_vol"] if "_toml" not in e else []:
                rates += tt("[[version.volume]]", x)
            for c in e["_ch"] if "_toml" not in e else []:
                rates += tt("[[version.charge]]", c)
            rates += e.get("_toml", "")
            if "samples" in e:
                rates += tt("[version.samples]", e["samples"])
        s.files["case.toml"], s.files["rates.toml"] = text, rates
        if s.show.get("crlf"):
            s.files["invoices.csv"] = (
                "\ufeff" + s.files["invoices.csv"].replace("\n", "\r\n") + ",,,\r\n\r\n"
            )
        for n, t in s.files.items():
            with open(os.path.join(folder, n), "w", encoding="utf-8", newline="") as f:
                f.write(t)
        truth = dict(
            kind=name,
            seed=seed,
            right=is_right,
            wrong_links=s.links,
            words=s.words or words,
            amounts={v["no"]: str(q(v["total"] - v["due"], CENT)) for v in s.inv},
        )
        with open(os.path.join(folder, "truth.json"), "w") as f:
            json.dump(truth, f, indent=1)
        return truth


def add_tier(s, name="Surcharge", params=("BOD",), thr=(250,), rounding=None):
    """Strength charges on the sewer volume, with samples twice a period."""
    us = s.unit in ("kgal", "CCF")
    rows = ["date,parameter,value,unit"]
    ins = len(s.ch) - (1 if s.ch[-1]["kind"] == "percent" else 0)
    for p, t in zip(params, thr, strict=False):
        c = dict(
            name=f"{p} {name.lower()}",
            kind="strength",
            parameter=p,
            threshold=t,
            volume="sewer",
            rate=s.dec(0.2, 0.9, 4),
            rate_per="lb" if us else "kg",
            load=dict(constant=D("8.34"), volume="MG", mass="lb")
            if us
            else dict(constant=D("0.001"), volume="m3", mass="kg"),
        )
        c["_to_load"] = {"kgal": D("0.001"), "CCF": D(1728) / 231 / 10000, "m3": D(1), "kL": D(1)}[
            s.unit
        ]
        if rounding:
            c["load_rounding"] = rounding
        s.ch.insert(ins, c)
        ins += 1
    for v in s.inv:
        v["samples"] = {}
        v["strength"] = {}
        for p, t in zip(params, thr, strict=False):
            xs = [D(int(s.rng.integers(int(t * 0.9), int(t * 2.2)))) for _ in range(2)]
            n = (v["end"] - v["start"]).days
            for x, k in zip(xs, (n // 4, 3 * n // 4), strict=False):
                rows.append(f"{v['start'] + DAY * k},{p},{x},mg/L")
            v["samples"][p] = xs
            v["strength"][p] = sum(xs) / 2
    s.files["samples.csv"] = "\n".join(rows) + "\n"
    s.account["samples"] = "samples.csv"
    s.versions[0]["samples"] = dict(method="mean", window="in period")


def add_deduct(s, factor=None, season=None, order="deduct first", printed=False):
    """A deduct meter of the site, printed on the bill, in units of the bill."""
    rows = ["time,register"]
    r = int(s.rng.integers(100, 9000))
    for v in s.inv:
        share = float(s.rng.uniform(0.1, 0.3))
        if season:
            share = 0.0 if v["end"].month not in season else share * 1.5
        c = int(v["counts"] * share)
        v["deduct"] = D(c) * s.per
        rows.append(f"{v['start']} 08:00,{r}")
        r += c
    rows.append(f"{s.inv[-1]['end']} 08:00,{r}")
    s.invoices_extra["read_hour"] = "08:00"
    s.files["deduct.csv"] = "\n".join(rows) + "\n"
    s.tail += tt(
        "[[use]]",
        dict(
            name="deduct",
            kind="deduct meter",
            file="deduct.csv",
            unit=s.runit,
            multiplier=s.mult,
            credited=True,
        ),
    )
    if order == "deduct first":
        s.vol["basis"] = "intake less deduct"
        if factor:
            s.vol["return_factor"] = f"{factor} %"
            s.case_extra["return_factor"] = D(factor) / 100
    else:
        s.vol.pop("basis", None)
        s.vol["rule"] = f"{D(factor) / 100} * intake - deduct"
        s.vol["_fn"] = lambda m, v: m * D(factor) / 100 - v["deduct"]
        s.vplaces = max(s.vplaces, s.vplaces + 2)
    if factor:
        s.vplaces += 2
    if printed:
        s.extra_cols = ["water_used", "deduct"]
        for v in s.inv:
            v["more"] = dict(water_used=format(s.metered(v), "f"), deduct=format(v["deduct"], "f"))


def second_edition(s, at=None, ratio=None, inherit=True):
    """Rates that change in the middle of the series."""
    i = at if at is not None else s.n // 2
    v = s.inv[i]
    eff = v["start"] + DAY * int(s.rng.integers(5, (v["end"] - v["start"]).days - 4))
    f = D(str(ratio or round(float(s.rng.uniform(1.04, 1.15)), 3)))
    ch = []
    for c in s.ch:
        c = {k: x for k, x in c.items()}
        if "amount" in c:
            c["amount"] = q(c["amount"] * f, CENT)
        if "rate" in c and c["kind"] == "volume":
            c["rate"] = q(
                c["rate"] * f, dict(to=D("0.0001") if s.region in ("UK", "AU") else D("0.01"))
            )
        if "blocks" in c:
            c["blocks"] = [{**b, "rate": q(b["rate"] * f, CENT)} for b in c["blocks"]]
        ch.append(c)
    e = dict(effective=eff, name="second", _vol=s.versions[0]["_vol"], _ch=ch)
    if inherit:
        e["inherits"] = "first"
        same = [c for c in ch if c != next(o for o in s.ch if o["name"] == c["name"])]
        e["_toml"] = "".join(tt("[[version.charge]]", c) for c in same)
    s.versions.append(e)
    return i


def estimate_run(s, i, k, low=None):
    """k estimated bills from i on and a true-up at i + k; volumes of estimates are of the last actual bill."""
    f = low or float(s.rng.uniform(0.7, 1.3))
    end = s.inv[i + k]["cur"]
    r = s.inv[i]["prev"]
    for j in range(i, i + k):
        v = s.inv[j]
        c = int(s.inv[i - 1]["counts"] * f)
        v.update(prev=r, counts=c, cur=r + c, rt="estimated")
        r += c
    v = s.inv[i + k]
    v.update(prev=r, cur=end, counts=end - r)


# ================================================================ RIGHT
def plain(rng, **k):
    return Case(rng, **k)


@right
def r_zero_use_minimum(rng):
    s = Case(rng, pct=False)
    for i in {s.pick(), s.pick(), s.n - 1}:
        s.inv[i]["counts"] = 0
    r = s.inv[0]["prev"]
    for v in s.inv:
        v.update(prev=r, cur=r + v["counts"])
        r = v["cur"]
    s.ch.append(
        dict(
            name="Minimum top-up",
            kind="minimum",
            amount=q(s.fixed * 2, CENT),
            per="bill",
            of=[s.fx, s.vl],
        )
    )
    return s


def _change(s, mult=None):
    i = s.pick(1, s.n - 1)
    v = s.inv[i]
    a = int(v["counts"] * float(s.rng.uniform(0.2, 0.8)))
    b = v["counts"] - a
    first = int(s.rng.integers(0, 60))
    d = v["start"] + DAY * int(s.rng.integers(5, 20))
    ch = dict(date=d, final_read=v["prev"] + a, first_read=first)
    if mult:
        ch["multiplier"] = s.mult * mult
        b = b // mult
        v["counts"] = a + b * mult
        v["cur"] = first + b
    else:
        v["cur"] = first + b
    s.reads["change"] = [ch]
    r = v["cur"]
    for w in s.inv[i + 1 :]:
        c = w["counts"] // (mult or 1)
        w["counts"] = c * (mult or 1)
        w.update(prev=r, cur=r + c)
        r += c
    return i, a


@right
def r_meter_change(rng):
    s = Case(rng)
    _change(s)
    return s


@right
def r_meter_change_multiplier(rng):
    s = Case(rng, region="US", meter=("gal", 100, "kgal", D("0.1")))
    _change(s, 10)
    return s


@right
def r_first_final_prorated(rng):
    s = Case(rng, lens=(28, 33))
    s.charge(s.fx).update(
        per="month", proration="standard days", standard_days=30, normal_days=[27, 34]
    )
    v = s.inv[-1]
    k = int(rng.integers(4, 20))
    v["counts"] = max(1, v["counts"] * k // 30)
    v.update(end=v["start"] + DAY * k, cur=v["prev"] + v["counts"])
    v = s.inv[0]
    k = int(rng.integers(4, 20))
    v["counts"] = max(1, v["counts"] * k // 30)
    v.update(start=v["end"] - DAY * k, prev=v["cur"] - v["counts"])
    return s


@right
def r_rate_split_by_days(rng):
    s = Case(rng, lens=(28, 35))
    s.sched["rate_change"] = "split by days"
    second_edition(s, inherit=False)
    return s


@right
def r_rate_split_each_part(rng):
    s = Case(rng, pct=False)
    s.sched.update(rate_change="split by days", split_rounding="each part")
    i = second_edition(s)
    v = s.inv[i]
    vol = s.charged(v)
    lines = {}
    for name in (s.fx, s.vl):
        lines[name] = sum(
            q(f * s.ev(s.charge(name, k), v, {"sewer": vol}, {}, s.days(v)), CENT)
            for k, f in s.shares(v)
        )
    v.update(lines=lines, pv=vol)
    return s


@right
def r_rate_by_bill_date(rng):
    s = Case(rng)
    s.sched["rate_change"] = "by bill date"
    i = second_edition(s)
    s.extra_cols = ["bill_date", "due_date"]
    for v in s.inv:
        b = v["end"] + DAY * int(rng.integers(3, 18))
        v["more"] = dict(bill_date=b, due_date=b + DAY * 21)
    s.versions[1]["effective"] = s.inv[i]["end"] + DAY * int(rng.integers(1, 16))
    return s


@right
def r_rate_by_start_inherited(rng):
    s = Case(rng)
    s.sched["rate_change"] = "by start"
    second_edition(s, inherit=True)
    return s


@right
def r_half_even(rng):
    s = Case(rng, meter=("gal", 100, "kgal", D("0.1")), region="US")
    s.sched["line_rounding"] = dict(to=D("0.01"), rule="half even")
    s.charge(s.vl)["rate"] = q(s.rate, dict(to=D("0.1"))) + D("0.05")
    return s


@right
def r_lines_down(rng):
    s = Case(rng)
    s.sched["line_rounding"] = dict(to=D("0.01"), rule="down")
    s.charge(s.vl)["rate"] = s.rate + D("0.0037")
    return s


@right
def r_only_total_rounded(rng):
    s = Case(rng)
    s.sched["line_rounding"] = dict(rule="none")
    s.charge(s.vl)["rate"] = s.rate + D("0.0041")
    return s


@right
def r_total_to_five_cents(rng):
    s = Case(rng)
    s.sched["total_rounding"] = dict(to=D("0.05"), rule="half up")
    return s


@right
def r_ccf_priced_per_kgal(rng):
    s = Case(rng, region="US", meter=("cf", 100, "CCF", D(1)))
    s.sched["conversions"] = {"CCF": "748 gal"}
    s.charge(s.vl).update(unit="kgal", _conv=D("0.748"))
    return s


@right
def r_ccf_reads_in_ccf_priced_per_kgal(rng):
    s = r_ccf_priced_per_kgal(rng)
    s.reads.update(unit="CCF", multiplier=1)
    return s


@right
def r_ccf_reads_kgal_truncated(rng):
    s = Case(rng, region="US", meter=("cf", 100, "CCF", D(1)))
    s.sched["conversions"] = {"CCF": "748 gal"}
    s.vol.update(unit="kgal", rounding=dict(to=D(1), rule="down"))
    s.vol["_fn"] = lambda m, v: m * D("0.748")
    s.unit = "kgal"
    return s


@right
def r_truncated_reads_carry_over(rng):
    s = Case(rng, region="US", meter=("gal", 10, "kgal", D("0.01")), mean=float(rng.uniform(6, 40)))
    s.vol["read_rounding"] = dict(to=D(1), rule="down")
    s.vplaces = 0
    return s


@right
def r_usage_rounded_half_up(rng):
    s = Case(
        rng,
        region="US",
        meter=("gal", 10, "kgal", D("0.01")),
        mean=float(rng.uniform(6, 40)),
        vround=dict(to=D(1), rule="half up"),
    )
    s.vplaces = 0
    return s


@right
def r_printed_whole_charged_exact(rng):
    s = Case(
        rng, region="US", meter=("gal", 10, "kgal", D("0.01")), mean=float(rng.uniform(15, 90))
    )
    s.vplaces = 0
    return s


@right
def r_fixed_by_day_daily_rounded(rng):
    s = Case(rng)
    s.charge(s.fx).update(amount=s.dec(0.5, 5, 4), per="day")
    return s


@right
def r_blocks_scaled_by_days(rng):
    s = Case(rng, blocks=True, lens=(25, 38))
    s.charge(s.vl)["blocks_per"] = "30 days"
    return s


@right
def r_blocks_per_day_edges_rounded(rng):
    s = Case(rng, blocks=True, lens=(25, 38), meter=("m3", 1, "m3", D(1)), region="DE")
    c = s.charge(s.vl)
    c["blocks"][0]["to"], c["blocks"][1]["to"] = (
        q(s.edges[0] / 30, dict(to=D("0.1"))),
        q(s.edges[1] / 30, dict(to=D("0.1"))),
    )
    c.update(blocks_per="day", edge_rounding=dict(to=D(1), rule="half up"))
    return s


@right
def r_whole_volume_blocks(rng):
    s = Case(rng, blocks=True)
    s.charge(s.vl)["blocks_on"] = "whole volume"
    return s


def winter(s, vacancy=False, years=1, method="mean of bills"):
    """Earlier use with the winter before the invoices; all invoices April to October."""
    y = s.inv[0]["start"].year
    t, rows, use = dt.date(y - years, 10, s.inv[0]["start"].day), ["start,end,volume"], []
    while t < s.inv[0]["start"]:
        e = t.replace(year=t.year + t.month // 12, month=t.month % 12 + 1)
        x = D(int(s.mean * float(s.rng.uniform(0.4, 0.8))))
        if vacancy and e.month == 1 and e.year == y:
            x = D(0)
        use.append((t, e, x))
        rows.append(f"{t},{e},{x}")
        t = e
    s.files["earlier.csv"] = "\n".join(rows) + "\n"
    s.account["earlier_use"] = dict(file="earlier.csv", unit=s.unit)
    return use


def winter_case(rng, **k):
    s = Case(
        rng,
        start=dt.date(2025, 4, 2) + DAY * int(rng.integers(0, 9)),
        n=6,
        lens=(28, 31),
        region=k.pop("region", None),
        **({"meter": k["meter"]} if "meter" in k else {}),
    )
    return s


@right
def r_winter_average_vacancy_floor(rng):
    s = winter_case(rng)
    use = winter(s, vacancy=True)
    fl = D(int(s.mean * 0.3) or 1)
    ws = [max(x, fl) for a, e, x in use if e.month in (12, 1, 2)]
    s.vol.update(
        basis="winter average",
        winter=dict(
            method="mean of bills",
            months=[12, 1, 2],
            month_of="end date",
            floor=fl,
            floor_of="each month",
            rounding=dict(to=D("0.01"), rule="half up"),
        ),
    )
    avg = q(sum(ws) / len(ws), dict(to=D("0.01")))
    s.vol["_fn"] = lambda m, v: avg
    s.vplaces = 2
    return s


@right
def r_winter_cap_lower_of(rng):
    s = winter_case(rng)
    use = winter(s)
    ws = sorted(x for a, e, x in use if e.month in (11, 12, 1, 2, 3))[:3]
    s.vol.update(
        basis="lower of actual and winter average",
        winter=dict(
            method="lowest bills",
            bills=3,
            months=[11, 12, 1, 2, 3],
            month_of="end date",
            rounding=dict(to=D(1), rule="half up"),
        ),
    )
    avg = q(sum(ws) / 3, dict(to=D(1)))
    s.vol["_fn"] = lambda m, v: min(m, avg)
    s.inv[s.pick(0, 6)]
    s.show["reads"] = True
    return s


@right
def r_cancelled_and_reissued(rng):
    s = Case(rng)
    i = s.pick(1, s.n - 1)
    v = s.inv[i]
    bad = dict(v, more={}, no=v["no"] + "X", cur=v["cur"] + 900, due=None)
    bad["lines"] = s.price(v, s.charged(v, intake=s.metered(v) + 900 * s.per))
    bad["pv"] = s.metered(v) + 900 * s.per
    bad["total"] = bad["due"] = s.total(bad["lines"])
    v.update(kind="corrected", replaces=bad["no"])
    s.inv.insert(i, bad)
    return s


@right
def r_overbilled_then_credit_note(rng):
    """A wrong multiplier on one bill, and a credit note of the whole difference: net right."""
    s = Case(rng)
    i = s.pick(1, s.n - 1)
    v = s.inv[i]
    x = s.charged(v)
    hi = x + q(x / 4, dict(to=s.step))
    good = s.price(v, x)
    v.update(lines=s.price(v, hi), pv=hi)
    v["due"] = v["total"] = s.total(v["lines"])
    cr = dict(
        v,
        no=v["no"] + "C",
        kind="credit",
        replaces=v["no"],
        hide="reads",
        more={},
        pv=x - hi,
        lines={k: good[k] - v["lines"][k] for k in good},
    )
    cr["total"] = cr["due"] = sum(cr["lines"].values())
    s.inv.insert(i + 1, cr)
    return s


@right
def r_leak_credit_in_money(rng):
    """A leak through the meter; half of the excess credited as a goodwill note with its own line of the schedule's leak rule."""
    s = Case(rng)
    i = s.pick(2, s.n - 1)
    v = s.inv[i]
    extra = v["counts"] * 2
    v["counts"] += extra
    for w in s.inv[i:]:
        w["cur"] += extra
        if w is not v:
            w["prev"] += extra
    amt = q(s.rate * D(extra) * s.per / 2, CENT)
    s.ch.append(
        dict(
            name="Leak adjustment", kind="fixed", amount=-amt, per="bill", count="leak adjustments"
        )
    )
    s.counts = {"leak adjustments": 0}
    for w in s.inv:
        w["counts_of"] = {"leak adjustments": 1 if w is v else 0}
    s.files["by_invoice.csv"] = "invoice,leak adjustments\n" + "".join(
        f"{w['no']},{w['counts_of']['leak adjustments']}\n" for w in s.inv
    )
    s.account["by_invoice"] = "by_invoice.csv"
    return s


@unstated
def r_leak_credit_note(rng):
    """A leak credit in volume as a credit note, on a bill that follows from its reads (the program has no words for goodwill)."""
    s = Case(rng, pct=False)
    i = s.pick(2, s.n - 1)
    v = s.inv[i]
    back = q(s.metered(v) / 3, dict(to=s.step))
    cr = dict(
        v,
        no=v["no"] + "C",
        kind="credit",
        replaces=v["no"],
        hide="reads",
        more={},
        pv=-back,
        lines={s.vl: q(-back * s.rate, CENT)},
    )
    cr["total"] = cr["due"] = sum(cr["lines"].values())
    s.inv.insert(i + 1, cr)
    return s


@right
def r_one_estimate_then_trueup(rng):
    s = Case(rng)
    estimate_run(s, s.pick(1, s.n - 2), 1)
    return s


@right
def r_estimates_negative_trueup(rng):
    s = Case(rng, n=10, pct=False)
    estimate_run(s, s.pick(1, 6), 3, low=1.6)
    return s


@right
def r_estimates_beside_own_reads(rng):
    s = Case(rng, n=9)
    [dict(v) for v in s.inv]
    s.own_reads((-2.5, 2.5), weekly=True)
    estimate_run(s, s.pick(1, 5), 2)
    return s


@right
def r_levelled_budget_plan(rng):
    s = Case(rng)
    s.extra_cols = ["Budget instalment", "Budget balance"]
    s.notch += s.extra_cols
    s.bill()
    b = q(sum(v["total"] for v in s.inv) / s.n * D("1.02"), dict(to=D(5)))
    bal = D(0)
    for v in s.inv:
        bal += v["total"] - b
        v["more"] = {"Budget instalment": b, "Budget balance": bal}
    return s


@right
def r_two_meters_summed(rng):
    s = Case(rng)
    v0 = s.inv[0]
    rows2, r2 = ["time,register"], int(rng.integers(100, 9000))
    rows1, r1 = ["time,register"], v0["prev"]
    for v in s.inv:
        a = int(v["counts"] * float(rng.uniform(0.5, 0.8)))
        rows1.append(f"{v['start']} 08:00,{r1}")
        rows2.append(f"{v['start']} 08:00,{r2}")
        r1 += a
        r2 += v["counts"] - a
    rows1.append(f"{s.inv[-1]['end']} 08:00,{r1}")
    rows2.append(f"{s.inv[-1]['end']} 08:00,{r2}")
    s.show["reads"] = False
    s.invoices_extra["read_hour"] = "08:00"
    s.reads = None
    s.files["north.csv"], s.files["south.csv"] = "\n".join(rows1) + "\n", "\n".join(rows2) + "\n"
    for m in ("north", "south"):
        s.tail += tt("[[intake]]", dict(meter=m, file=f"{m}.csv", unit=s.runit, multiplier=s.mult))
    return s


@right
def r_compound_meter(rng):
    s = r_two_meters_summed(rng)
    s.tail = tt(
        "[[intake]]", dict(meter="compound", file="north.csv", unit=s.runit, multiplier=s.mult)
    ) + tt(
        "[[intake.further_register]]",
        dict(name="low flow", file="south.csv", unit=s.runit, multiplier=s.mult, sign="add"),
    )
    return s


@right
def r_deduct_meter(rng):
    s = Case(rng)
    s.own_reads()
    add_deduct(s)
    return s


@right
def r_deduct_printed_zero_in_winter(rng):
    s = Case(rng, n=12, start=dt.date(2024, 10, 3))
    s.own_reads()
    add_deduct(s, season=(5, 6, 7, 8, 9), printed=True)
    return s


@right
def r_factor_before_deduct(rng):
    s = Case(rng)
    s.own_reads()
    add_deduct(s, factor=95, order="factor first")
    return s


@right
def r_deduct_before_factor(rng):
    s = Case(rng)
    s.own_reads()
    add_deduct(s, factor=int(rng.integers(80, 97)))
    return s


@right
def r_factor_stated_in_the_schedule_only(rng):
    """As above; the case file leaves [case] return_factor to the schedule, which states it."""
    s = Case(rng)
    s.own_reads()
    add_deduct(s, factor=int(rng.integers(78, 89)))
    s.case_extra.pop("return_factor")
    return s


@right
def r_deduct_more_than_intake(rng):
    s = Case(rng)
    s.own_reads()
    add_deduct(s)
    s.vol.pop("basis")
    s.vol["rule"] = "max(intake - deduct, 0)"
    s.vol["_fn"] = lambda m, v: max(m - v["deduct"], D(0))
    i = s.pick()
    rows = s.files["deduct.csv"].split("\n")
    v = s.inv[i]
    more = v["counts"] + 7 - int(v["deduct"] / s.per)
    v["deduct"] += more * s.per
    for j in range(i + 2, len(rows)):
        if rows[j]:
            a, b = rows[j].split(",")
            rows[j] = f"{a},{int(b) + more}"
    s.files["deduct.csv"] = "\n".join(rows)
    return s


@right
def r_sewer_only_flat_well(rng):
    s = Case(rng)
    am = D(int(s.mean * 0.7))
    s.vol.clear()
    s.vol.update(
        name="sewer", unit=s.unit, basis="flat", amount=am, amount_per="bill", _fn=lambda m, v: am
    )
    s.show["reads"] = False
    return s


@right
def r_equivalent_units(rng):
    s = Case(rng)
    k = int(rng.integers(4, 40))
    am = D(int(rng.integers(5, 12)))
    s.vol.clear()
    s.vol.update(
        name="sewer",
        unit=s.unit,
        basis="equivalent units",
        amount=am,
        amount_per="bill",
        _fn=lambda m, v: am * k,
    )
    s.counts = {"equivalent units": k}
    s.account["counts"] = s.counts
    s.charge(s.fx).update(count="equivalent units", amount=s.dec(3, 12, 2))
    s.show["reads"] = False
    return s


@right
def r_seasonal_return_factor(rng):
    s = Case(rng, n=12, start=dt.date(2024, 2, 5))
    f = {m: f"{int(rng.integers(55, 80))} %" for m in (6, 7, 8, 9)}
    s.vol.update(return_factor_by_month=f, month_of="end date")
    s.vplaces += 2
    return s


@right
def r_bod_tss_samples_averaged(rng):
    s = Case(rng)
    add_tier(s, params=("BOD", "TSS"), thr=(250, 300))
    return s


@right
def r_strength_load_rounded(rng):
    s = Case(rng)
    add_tier(s, rounding=dict(to=D(1), rule="half up"))
    return s


@right
def r_below_limit_half(rng):
    s = Case(rng)
    add_tier(s, params=("BOD", "oil and grease"), thr=(250, 20))
    rows = s.files["samples.csv"].split("\n")
    out, seen = [], {}
    for r in rows:
        if ",oil and grease," in r and rng.random() < 0.4:
            d = dt.date.fromisoformat(r[:10])
            v = next(w for w in s.inv if w["start"] <= d < w["end"])
            xs = v["samples"]["oil and grease"]
            seen.get(v["no"], 0)
            out.append(f"{d},oil and grease,<50,mg/L")
            j = next(i for i, x in enumerate(xs) if r.split(",")[2] == str(x))
            xs[j] = D(25)
            v["strength"]["oil and grease"] = sum(xs) / 2
        else:
            out.append(r)
    s.files["samples.csv"] = "\n".join(out)
    s.versions[0]["samples"]["below_limit"] = "half"
    return s


@right
def r_fee_on_volume_only(rng):
    s = Case(rng)
    s.ch[-1]["of"] = [s.vl]
    return s


@right
def r_tax_on_fee_by_ordinance(rng):
    s = Case(rng)
    s.ch.append(
        dict(name="State tax", kind="percent", rate=f"{s.dec(1, 5, 2)} %", of=[s.fx, s.vl, s.tx])
    )
    return s


@right
def r_late_fee_due(rng):
    s = Case(rng)
    s.ch.append(
        dict(
            name="Late charge",
            kind="percent",
            rate="1.5 %",
            of=[s.fx, s.vl],
            count="months overdue",
        )
    )
    s.counts = {"months overdue": 0}
    for v in s.inv:
        v["counts_of"] = {"months overdue": int(rng.random() < 0.3)}
    s.inv[s.pick()]["counts_of"] = {"months overdue": 1}
    s.files["by_invoice.csv"] = "invoice,months overdue\n" + "".join(
        f"{v['no']},{v['counts_of']['months overdue']}\n" for v in s.inv
    )
    s.account["by_invoice"] = "by_invoice.csv"
    return s


def balances(s, style="minus", partial=False, over=False):
    """Printed balance carried, payment and amount due; total = amount due."""
    s.bill()
    s.extra_cols = ["previous_balance", "payment"]
    prev = D(0)
    pays = ["invoice,paid_on,amount"]
    for i, v in enumerate(s.inv):
        pay = prev
        if partial and i and s.rng.random() < 0.4:
            pay = q(prev * D("0.6"), dict(to=D(10)))
        if over and i and s.rng.random() < 0.4:
            pay = prev + D(50) if prev > 0 else D(0)
        if prev < 0:
            pay = D(0)
        p = {
            "minus": s.num(-pay, True) if pay else "0.00",
            "cr": f"{pay:.2f} CR" if pay else "",
            "brackets": f"({pay:.2f})" if pay else "",
        }[style]
        pb = (
            f"{prev:.2f}"
            if prev >= 0 or style == "minus"
            else (f"{-prev:.2f} CR" if style == "cr" else f"({-prev:.2f})")
        )
        v["more"] = dict(previous_balance=pb, payment=p)
        v["pay"], v["pb"] = pay, prev
        v["due"] = v["total"] = v["total"] + prev - pay
        if i and pay:
            pays.append(f"{s.inv[i - 1]['no']},{v['end'] - DAY * 4},{pay}")
        prev = v["total"]
    return pays


@right
def r_balance_paid_cr(rng):
    s = Case(rng)
    balances(s, "cr")
    return s


@right
def r_partial_payments_brackets(rng):
    s = Case(rng)
    balances(s, "brackets", partial=True)
    return s


@right
def r_credit_balance_forward(rng):
    s = Case(rng)
    balances(s, "minus", over=True)
    return s


@right
def r_inclusive_end_dates(rng):
    s = Case(rng)
    s.sched["end_day_counts"] = True
    s.end_day = True
    for v in s.inv:
        v["end"] -= DAY
    s.charge(s.fx).update(amount=s.dec(0.5, 5, 2), per="day")
    s.show["days"] = False
    return s


@right
def r_own_reads_other_day(rng):
    s = Case(rng, n=12)
    s.own_reads((-30, 30))
    return s


@right
def r_own_reads_hours_off(rng):
    s = Case(rng, n=12)
    s.own_reads((-3, 3), weekly=True)
    return s


@right
def r_multiplier_ten(rng):
    s = Case(rng, region="DE", meter=("m3", 10, "m3", D(10)))
    s.own_reads((-1, 1))
    s.extra_cols = ["multiplier"]
    for v in s.inv:
        v["more"] = dict(multiplier="10")
    return s


@right
def r_rollover_9999(rng):
    s = Case(rng, meter=("m3", 1, "m3", D(1)), region="UK", mean=float(rng.uniform(300, 900)), n=10)
    s.digits = 4
    s.reads["digits"] = 4
    r = 9999 - int(s.mean * rng.uniform(1.2, 6))
    for v in s.inv:
        v.update(prev=r, cur=(r + v["counts"]) % 10000)
        r = v["cur"]
    return s


@right
def r_comma_decimals_symbols(rng):
    s = Case(rng, region="DE")
    s.decimal, s.money_style, s.format = ",", "symbol", "eu"
    s.cols = dict(
        invoice="Rechnung",
        start="von",
        end="bis",
        previous_read="Stand alt",
        current_read="Stand neu",
        read_type="Art",
        billed_volume="Menge",
        total="Betrag",
    )
    return s


@right
def r_dollar_signs_us_dates(rng):
    s = Case(rng, region="US")
    s.money_style, s.format = "symbol", "us"
    s.cols = dict(
        invoice="Bill #",
        start="Service from",
        end="Service to",
        previous_read="Prior",
        current_read="Present",
        read_type="Read code",
        billed_volume="Usage",
        total="Amount due",
    )
    return s


@right
def r_some_bills_only_total(rng):
    s = Case(rng)
    for v in s.inv:
        if rng.random() < 0.4:
            v["hide"] = "lines"
    s.inv[s.pick()]["hide"] = "lines"
    return s


@right
def r_totals_only(rng):
    s = Case(rng)
    s.show["lines"] = False
    return s


@right
def r_no_reads_no_evidence(rng):
    s = Case(rng, blocks=True)
    s.show["reads"] = False
    return s


@right
def r_production_peak(rng):
    s = Case(rng, n=10)
    i = s.pick()
    s.inv[i]["counts"] *= 9
    s.inv[i - 1]["counts"] = max(1, s.inv[i - 1]["counts"] // 8)
    r = s.inv[0]["prev"]
    for v in s.inv:
        v.update(prev=r, cur=r + v["counts"])
        r = v["cur"]
    if rng.random() < 0.5:
        s.own_reads((-2, 2))
    return s


@right
def r_meter_size_changed(rng):
    s = Case(rng)
    c = s.charge(s.fx)
    c.pop("amount")
    c["by_meter_size"] = {"1 in": s.fixed, "2 in": q(s.fixed * 3, CENT)}
    k = s.pick()
    for j, v in enumerate(s.inv):
        v["size"] = "2 in" if j < k else "1 in"
    s.sizes = "2 in"
    s.files["by_invoice.csv"] = "invoice,meter_size\n" + "".join(
        f"{v['no']},{v['size']}\n" for v in s.inv
    )
    s.account["by_invoice"] = "by_invoice.csv"
    return s


@right
def r_quarterly_months(rng):
    s = Case(rng, n=6, lens=(89, 93))
    for v in s.inv:
        v["months"] = 3
    s.account["months"] = 3
    s.charge(s.fx)["per"] = "month"
    return s


@right
def r_trade_effluent_formula(rng):
    s = Case(rng, region="UK", pct=False)
    add_tier(s, params=("COD", "TSS"), thr=(400, 300))
    s.ch[:] = [
        s.ch[0],
        dict(
            name="Trade effluent",
            kind="trade effluent",
            volume="sewer",
            unit="m3",
            conveyance=s.dec(0.2, 0.4, 4),
            treatment=s.dec(0.2, 0.5, 4),
            biological=s.dec(0.3, 0.6, 4),
            solids=s.dec(0.1, 0.4, 4),
            standard_oxygen_demand=480,
            standard_solids=350,
            unit_rate_rounding=dict(to=D("0.0001"), rule="half up"),
        ),
    ]
    return s


@right
def r_workbook(rng):
    s = Case(rng)
    s.show["xlsx"] = True
    return s


@right
def r_outside_city_multiplier(rng):
    s = Case(rng, blocks=True)
    for n in (s.fx, s.vl):
        s.charge(n)["multiplier"] = D("1.25")
    return s


@right
def r_day_45_bill_after_route_change(rng):
    s = Case(rng, lens=(29, 31))
    s.charge(s.fx).update(
        per="month", proration="standard days", standard_days=30, normal_days=[25, 35]
    )
    i = s.pick()
    for w in s.inv[i:]:
        if w is not s.inv[i]:
            w["start"] += DAY * 15
        w["end"] += DAY * 15
    return s


@right
def r_free_allowance(rng):
    s = Case(rng)
    a = D(int(s.mean * 0.2) or 1)
    s.charge(s.vl).update(allowance=f"{a} {s.unit}", allowance_per="bill", _allow=a)
    return s


@right
def r_monthly_maximum(rng):
    s = Case(rng, pct=False)
    s.ch.append(
        dict(
            name="Cap",
            kind="maximum",
            amount=q(s.fixed + s.rate * D(int(s.mean)), CENT),
            per="bill",
            of=[s.fx, s.vl],
        )
    )
    return s


@right
def r_same_bill_twice_credited(rng):
    s = Case(rng)
    i = s.pick()
    s.bill()
    v = s.inv[i]
    w = dict(v, no=v["no"] + "b", more={})
    cr = dict(
        w,
        no=v["no"] + "C",
        kind="credit",
        replaces=w["no"],
        hide="reads",
        pv=-v["pv"],
        more={},
        lines={k: -x for k, x in v["lines"].items()},
    )
    cr["due"] = cr["total"] = -v["total"]
    s.inv[i + 1 : i + 1] = [w, cr]
    s.invoices_extra["overlapping_days"] = "examine"
    return s


def logger(s, err):
    """Weir record of the metered water, off by err."""
    rows = ["time,head_mm"]
    for v in s.inv:
        n = (v["end"] - v["start"]).days
        m3 = (
            float(s.metered(v))
            * {"kgal": 3.785411784, "CCF": 2.8316846592, "m3": 1, "kL": 1}[s.unit]
        )
        f = np.array([1 + 0.4 * math.sin(2 * math.pi * (h - 9) / 24) for h in range(24)])
        f /= f.mean()
        for d in range(n):
            for h in range(24):
                Q = m3 / n / 86400 * f[h] * (1 + err)
                t = dt.datetime.combine(v["start"] + DAY * d, dt.time(h))
                rows.append(f"{t:%Y-%m-%d %H:%M},{1000 * ((Q / 1.366) ** 0.4 - 0.0008):.1f}")
    rows.append(f"{s.inv[-1]['end']} 00:00,{rows[-1].split(',')[1]}")
    s.files["record.csv"] = "\n".join(rows) + "\n"
    off = {"US": -6, "UK": 0, "DE": 1, "AU": 10}[s.region]
    s.tail += tt(
        "[effluent]",
        dict(
            file="record.csv",
            method="v-notch weir",
            angle="90 deg",
            longest_bridge="2 h",
            time_zone="UTC" if not off else f"UTC{off:+03d}:00",
            columns=dict(time="time", head=dict(name="head_mm", unit="mm")),
        ),
    )


@right
def r_logger_five_percent_low(rng):
    s = Case(rng, n=6)
    s.own_reads((-1, 1))
    logger(s, float(rng.uniform(-0.05, -0.03)))
    return s


@right
def r_logger_high_no_reads(rng):
    s = Case(rng, n=6)
    s.show["reads"] = False
    logger(s, float(rng.uniform(0.02, 0.05)))
    return s


@right
def r_usage_is_water_not_charged(rng):
    s = Case(rng)
    s.vol["return_factor"] = "90 %"
    s.invoices_extra["usage_means"] = "water"
    for v in s.inv:
        v["pv"] = s.metered(v)
    return s


@right
def r_everything_at_once(rng):
    """Deduct, factor, blocks by days, strength, fee on all, carried balances, bill dates, printed chain."""
    s = Case(rng, blocks=True, n=9)
    s.own_reads((-2, 2))
    add_deduct(s, factor=90)
    s.charge(s.vl)["blocks_per"] = "30 days"
    add_tier(s, params=("BOD", "TSS"), thr=(250, 300))
    balances(s, ["minus", "cr", "brackets"][rng.integers(3)], partial=True)
    s.extra_cols += ["bill_date", "due_date", "factor", "water_used", "deduct"]
    for v in s.inv:
        b = v["end"] + DAY * 5
        v["more"].update(
            bill_date=b,
            due_date=b + DAY * 20,
            factor="0.90",
            water_used=format(s.metered(v), "f"),
            deduct=format(v["deduct"], "f"),
        )
    return s


@right
def r_trueup_priced_as_one_bill(rng):
    """By the schedule as written blocks are for the bill, so a true-up falls into other blocks: right, if dear."""
    s = Case(rng, blocks=True, n=9)
    estimate_run(s, s.pick(1, 5), 2, low=0.7)
    return s


@right
def r_read_codes_a_e(rng):
    s = Case(rng, n=9)
    estimate_run(s, s.pick(1, 6), 1)
    for v in s.inv:
        v["rt"] = {"actual": "A", "estimated": "E"}[v["rt"]]
    return s


@right
def r_thousands_in_usage(rng):
    s = Case(rng, region="US", mean=2400.0, meter=("gal", 100, "kgal", D("0.1")))
    s.money_style = "comma"
    s.show["thousands"] = True
    return s


@right
def r_newest_bill_first(rng):
    s = Case(rng)
    s.bill()
    s.inv = s.inv[::-1]
    return s


@right
def r_sum_row_at_the_end(rng):
    s = Case(rng)
    s.show["sum"] = True
    return s


@right
def r_windows_text_blank_lines(rng):
    s = Case(rng)
    s.show["crlf"] = True
    return s


@right
def r_remarks_with_commas(rng):
    s = Case(rng)
    s.extra_cols = ["remark"]
    for v in s.inv:
        v["more"] = dict(
            remark=["", "read by card, see desk", "dog in yard", "meter pit flooded, 2nd visit"][
                rng.integers(4)
            ]
        )
    return s


@right
def r_months_without_a_bill(rng):
    """Two months the works stood still and nothing was billed; the meter did not move."""
    s = Case(rng, n=10)
    i = s.pick(2, 7)
    del s.inv[i : i + 2]
    d = s.inv[i]["prev"] - s.inv[i - 1]["cur"]
    for v in s.inv[i:]:
        v["prev"] -= d
        v["cur"] -= d
    s.n = len(s.inv)
    return s


@right
def r_rates_change_twice_in_a_bill(rng):
    s = Case(rng)
    s.sched["rate_change"] = "split by days"
    i = second_edition(s, inherit=False)
    v = s.inv[i]
    a = v["start"] + DAY * 6
    s.versions[1]["effective"] = a
    ch = []
    for c in s.versions[1]["_ch"]:
        c = dict(c)
        if "rate" in c and c["kind"] == "volume":
            c["rate"] = q(c["rate"] * D("1.03"), CENT)
        ch.append(c)
    s.versions.append(
        dict(effective=a + DAY * 11, name="third", _vol=s.versions[0]["_vol"], _ch=ch)
    )
    return s


@right
def r_tax_base_and_subtotal_printed(rng):
    s = Case(rng)
    s.bill()
    s.extra_cols = ["subtotal", "tax_base"]
    for v in s.inv:
        b = v["lines"][s.fx] + v["lines"][s.vl]
        v["more"] = dict(subtotal=b, tax_base=b)
    return s


@right
def r_prompt_payment_discount(rng):
    s = Case(rng)
    s.ch.append(dict(name="Discount", kind="percent", rate="-2 %", of=[s.fx, s.vl]))
    return s


@right
def r_latest_sample(rng):
    s = Case(rng)
    add_tier(s)
    s.versions[0]["samples"] = dict(method="latest", window="up to end")
    for v in s.inv:
        v["strength"] = dict(BOD=v["samples"]["BOD"][-1])
    return s


@right
def r_day_rate_for_the_fixed_charge_rounded(rng):
    s = Case(rng)
    s.charge(s.fx).update(per="month", proration="standard days", standard_days=30)
    return s


@right
def r_water_deduct_factor_columns(rng):
    s = Case(rng)
    s.vol["return_factor"] = "85 %"
    s.vplaces += 2
    s.extra_cols = ["water_used", "factor"]
    for v in s.inv:
        v["more"] = dict(water_used=format(s.metered(v), "f"), factor="85 %")
    return s


@right
def r_meter_change_on_read_day(rng):
    s = Case(rng)
    i = s.pick(2)
    v = s.inv[i]
    d = v["prev"] - 12
    s.reads["change"] = [dict(date=v["start"], final_read=v["prev"], first_read=12)]
    for w in s.inv[i:]:
        w["prev"] -= d
        w["cur"] -= d
    return s


@right
def r_meter_change_while_estimated(rng):
    """The read of the new meter comes two bills later; both estimates are of the last actual bill."""
    s = Case(rng, n=9)
    i = s.pick(2, 5)
    estimate_run(s, i, 1, low=0.9)
    v = s.inv[i + 1]
    a = v["counts"] // 2
    first = int(rng.integers(0, 30))
    s.reads["change"] = [
        dict(date=v["start"] + DAY * 9, final_read=v["prev"] + a, first_read=first)
    ]
    d = v["cur"] - (first + v["counts"] - a)
    v["cur"] -= d
    for w in s.inv[i + 2 :]:
        w["prev"] -= d
        w["cur"] -= d
    return s


@right
def r_own_reads_rounded_to_tens(rng):
    """The site notes its register without the last wheel."""
    s = Case(rng, n=10)
    s.own_reads((-2, 2), weekly=True)
    rows = s.files["meter.csv"].split("\n")
    s.files["meter.csv"] = "\n".join(r if not r or r[0] == "t" else r[:-1] + "0" for r in rows)
    return s


@right
def r_winter_charged_months(rng):
    """Average in the warm months, actual use in the others."""
    s = winter_case(rng)
    s.inv = s.inv
    use = winter(s)
    ws = [x for a, e, x in use if e.month in (12, 1, 2)]
    avg = q(sum(ws) / len(ws), dict(to=D(1)))
    cm = [6, 7, 8, 9]
    s.vol.update(
        basis="winter average",
        winter=dict(
            method="mean of bills",
            months=[12, 1, 2],
            month_of="end date",
            charged_months=cm,
            rounding=dict(to=D(1), rule="half up"),
        ),
    )
    s.vol["_fn"] = lambda m, v: avg if v["end"].month in cm else m
    return s


@right
def r_zero_lines_left_blank(rng):
    """A surcharge that is nothing is not printed."""
    s = Case(rng)
    add_tier(s, thr=(400,))
    s.bill()
    for v in s.inv:
        if v["lines"]["BOD surcharge"] == 0:
            v["more"] = {"BOD surcharge": ""}
    return s


@right
def r_reads_on_some_bills_only(rng):
    s = Case(rng)
    for v in s.inv:
        if rng.random() < 0.4:
            v["hide"] = "reads"
    return s


@right
def r_own_register_behind_by_a_few_counts(rng):
    """The city reads a transmitter that runs a constant few counts ahead of the dial the site reads."""
    s = Case(rng, n=10)
    s.own_reads((-2, 2))
    lag = int(rng.integers(2, 9))
    rows = s.files["meter.csv"].strip().split("\n")
    s.files["meter.csv"] = (
        rows[0]
        + "\n"
        + "".join(f"{a},{int(b) - lag}\n" for a, b in (r.split(",") for r in rows[1:]))
    )
    return s


@right
def r_own_read_a_slip_of_the_site(rng):
    """One read of the site's own book has two digits exchanged; the bills are right."""
    s = Case(rng, n=10)
    s.own_reads((-2, 2), weekly=True)
    rows = s.files["meter.csv"].strip().split("\n")
    for k in rng.permutation(np.arange(3, len(rows) - 2)):
        a, b = rows[k].split(",")
        lo, hi = (int(rows[j].split(",")[1]) for j in (k - 1, k + 1))
        u = list(b)
        u[-2], u[-3] = u[-3], u[-2]
        if lo < int("".join(u)) < hi and "".join(u) != b:
            rows[k] = f"{a},{''.join(u)}"
            break
    s.files["meter.csv"] = "\n".join(rows) + "\n"
    return s


@right
def r_total_is_current_charges_balance_beside(rng):
    """The balance is printed, the total holds the current charges only."""
    s = Case(rng)
    s.bill()
    cur = [v["total"] for v in s.inv]
    balances(s, "cr", partial=True)
    for v, c in zip(s.inv, cur, strict=False):
        v["due"] = v["total"] = c
    return s


@right
def r_credit_row_without_volume(rng):
    """A bill printed with a wrong fee, made good by a credit note in money."""
    s = Case(rng, pct=False)
    s.bill()
    i = s.pick()
    v = s.inv[i]
    off = s.dec(10, 60, 2)
    v["lines"] = dict(v["lines"])
    v["lines"][s.fx] += off
    v["due"] = v["total"] = v["total"] + off
    s.inv.insert(
        i + 1,
        dict(
            v,
            no=v["no"] + "C",
            kind="credit",
            replaces=v["no"],
            hide="reads",
            more={},
            pv=None,
            lines={s.fx: -off},
            due=-off,
            total=-off,
        ),
    )
    return s


@right
def r_deduct_read_some_days_off(rng):
    """The deduct meter is of another account, read two to four days from the bill; the bill uses the printed deduct."""
    s = Case(rng, n=10)
    s.own_reads((-1, 1))
    add_deduct(s, printed=True)
    rows = s.files["deduct.csv"].strip().split("\n")
    out = [rows[0]]
    per_day = [float(v["deduct"] / s.per) / s.days(v) for v in s.inv]
    for j, r in enumerate(rows[1:]):
        a, b = r.split(",")
        k = int(rng.integers(-3, 4)) if 0 < j < len(rows) - 2 else 0
        d = dt.date.fromisoformat(a[:10]) + DAY * k
        f = per_day[min(j, s.n - 1)] if k > 0 else per_day[max(j - 1, 0)]
        out.append(f"{d} 08:00,{int(int(b) + k * f)}")
    s.files["deduct.csv"] = "\n".join(out) + "\n"
    return s


# ================================================================ WRONG
def some(s, k=1, lo=1):
    return sorted(
        set(int(x) for x in s.rng.choice(np.arange(lo, s.n), size=min(k, s.n - lo), replace=False))
    )


@wrong("multiplier", "factor 10", "ten times", "10 times")
def w_multiplier_on_one_bill(rng):
    s = Case(rng)
    i = s.pick()
    s.misbill(i, "multiplier of ten more", vol=s.charged(s.inv[i]) * 10)
    return s


@wrong("block", "tier", "rate")
def w_top_block_for_all(rng):
    s = Case(rng, blocks=True)
    r = s.charge(s.vl)["blocks"][-1]["rate"]
    for i in some(s, 2):
        s.misbill(i, "all at the last block's rate", alter={s.vl: dict(blocks=[dict(rate=r)])})
    return s


@wrong("edition", "old rate", "before", "earlier", "rates of", "version")
def w_old_rate_kept(rng):
    s = Case(rng)
    i = second_edition(s, ratio=round(float(rng.uniform(0.8, 0.95)), 3))
    for j in range(i, min(s.n, i + 3)):
        s.misbill(j, "old rate kept though a lower one is in force", shares=[(0, D(1))])
    return s


@wrong("edition", "new rate", "not yet", "later", "rates of", "version")
def w_new_rate_early(rng):
    s = Case(rng)
    i = second_edition(s)
    for j in range(i - 2, i):
        s.misbill(j, "new rate before it was in force", shares=[(1, D(1))])
    return s


@wrong("meter size", "size")
def w_base_of_bigger_meter(rng):
    s = Case(rng)
    c = s.charge(s.fx)
    c.pop("amount")
    c["by_meter_size"] = {
        "1 in": s.fixed,
        "1.5 in": q(s.fixed * D("1.7"), CENT),
        "2 in": q(s.fixed * 3, CENT),
        "3 in": q(s.fixed * D("5.5"), CENT),
    }
    s.sizes = "1.5 in"
    for i in some(s, 3):
        s.misbill(
            i,
            "base charge of a 3 in meter",
            alter={s.fx: dict(by_meter_size={"1.5 in": c["by_meter_size"]["3 in"]})},
        )
    return s


@wrong("deduct")
def w_deduct_forgotten(rng):
    s = Case(rng)
    s.own_reads()
    add_deduct(s)
    for i in some(s, 2):
        s.misbill(i, "deduct not taken off", vol=s.metered(s.inv[i]))
    return s


@wrong("deduct")
def w_deduct_added(rng):
    s = Case(rng)
    s.own_reads()
    add_deduct(s)
    for i in some(s, 2):
        s.misbill(i, "deduct added", vol=s.metered(s.inv[i]) + s.inv[i]["deduct"])
    return s


def _winter_wrong(rng, which):
    s = winter_case(rng)
    use = winter(s, years=2)
    cut = dt.date(s.inv[0]["start"].year - 1, 7, 1)
    mine = [x for a, e, x in use if e.month in (12, 1, 2) and e > cut]
    old = [x for a, e, x in use if e.month in (12, 1, 2) and e <= cut]
    r = dict(to=D("0.01"), rule="half up")
    if which == "stale":
        good, bad = sum(mine) / len(mine), sum(old) / len(old)
        w = dict(method="mean of bills", months=[12, 1, 2], month_of="end date", rounding=r)
    else:
        m5 = sorted(x for a, e, x in use if e.month in (11, 12, 1, 2, 3) and e > cut)
        good, bad = sum(m5[:3]) / 3, sum(m5[-3:]) / 3
        w = dict(
            method="lowest bills",
            bills=3,
            months=[11, 12, 1, 2, 3],
            month_of="end date",
            rounding=r,
        )
    s.vol.update(basis="winter average", winter=w)
    s.vol["_fn"] = lambda m, v: q(good, r)
    s.vplaces = 2
    for i in range(s.n):
        s.misbill(i, f"winter average: {which}", vol=q(bad, r))
    return s


@wrong("winter")
def w_winter_of_year_before(rng):
    return _winter_wrong(rng, "stale")


@wrong("winter+highest", "highest", "winter")
def w_winter_three_highest(rng):
    return _winter_wrong(rng, "three highest")


@wrong("minimum")
def w_minimum_on_top(rng):
    s = Case(rng, pct=False)
    a = q(s.fixed * 2, CENT)
    s.ch.append(dict(name="Minimum top-up", kind="minimum", amount=a, per="bill", of=[s.fx, s.vl]))
    for i in some(s, 2):
        ln = s.price(s.inv[i])
        ln["Minimum top-up"] = a
        s.misbill(i, "whole minimum added on top", lines=ln)
    return s


@wrong("volume", "water", "deduct", "intake")
def w_surcharge_on_water(rng):
    s = Case(rng)
    s.own_reads()
    add_deduct(s)
    add_tier(s)
    for i in some(s, 2):
        v = s.inv[i]
        ln = s.price(v)
        ln["BOD surcharge"] = s.price(v, s.metered(v))["BOD surcharge"]
        t = s.ch[-1]
        if t["kind"] == "percent":
            ln[t["name"]] = q(s.ev(t, v, {}, ln, 30), CENT)
        s.misbill(i, "surcharge on water used", lines=ln)
    return s


@wrong("threshold")
def w_threshold_left_out(rng):
    s = Case(rng)
    add_tier(s)
    for i in some(s, 2):
        s.misbill(i, "threshold not taken off", alter={"BOD surcharge": dict(threshold=0)})
    return s


@wrong("sample", "strength", "earlier", "period")
def w_strength_of_other_period(rng):
    s = Case(rng)
    add_tier(s)
    i = s.pick(2)
    v = s.inv[i]
    keep = v["strength"]
    v["strength"] = s.inv[i - 1]["strength"]
    if v["strength"]["BOD"] == keep["BOD"] or max(v["strength"]["BOD"], keep["BOD"]) <= 250:
        k = next(
            j
            for j in range(s.n)
            if s.inv[j]["samples"]
            and j != i
            and s.inv[j]["strength"]["BOD"] > max(260, 0)
            and s.inv[j]["strength"] != keep
        )
        v["strength"] = s.inv[k]["strength"]
    ln = s.price(v)
    v["strength"] = keep
    s.misbill(i, "strength of the period before", lines=ln)
    return s


@wrong("sample", "maximum", "highest", "mean", "result")
def w_strength_highest_not_mean(rng):
    s = Case(rng)
    add_tier(s, params=("TSS",), thr=(300,))
    for i in some(s, 3):
        v = s.inv[i]
        keep = v["strength"]
        v["strength"] = dict(TSS=max(v["samples"]["TSS"]))
        ln = s.price(v)
        v["strength"] = keep
        s.misbill(i, "highest sample in place of the mean", lines=ln)
    return s


@wrong("tax on", "on the tax", "percent", "base", "on itself", "of lines")
def w_tax_on_tax(rng):
    s = Case(rng)
    s.ch.append(dict(name="State tax", kind="percent", rate=f"{s.dec(2, 6, 2)} %", of=[s.fx, s.vl]))
    for i in some(s, 3):
        s.misbill(i, "tax on tax", alter={"State tax": dict(of=[s.fx, s.vl, s.tx])})
    return s


@wrong("tax on", "percent", "base", "exempt", "of lines")
def w_tax_on_exempt_line(rng):
    s = Case(rng)
    s.ch[-1]["of"] = [s.vl]
    for i in some(s, 3):
        s.misbill(i, "tax on the exempt fixed charge", alter={s.tx: dict(of=[s.fx, s.vl])})
    return s


@wrong("tax on", "percent", "base", "of lines")
def w_tax_base_subset(rng):
    s = Case(rng)
    for i in some(s, 3):
        s.misbill(i, "tax leaves out the fixed charge", alter={s.tx: dict(of=[s.vl])})
    return s


@wrong("late", "overdue")
def w_late_fee_though_paid(rng):
    s = r_late_fee_due(rng)
    for v in s.inv:
        v["counts_of"] = {"months overdue": 0}
    s.files["by_invoice.csv"] = "invoice,months overdue\n" + "".join(
        f"{v['no']},0\n" for v in s.inv
    )
    i = s.pick()
    s.inv[i]["counts_of"] = {"months overdue": 1}
    ln = s.price(s.inv[i])
    s.inv[i]["counts_of"] = {"months overdue": 0}
    s.misbill(i, "late fee though not overdue", lines=ln)
    return s


@wrong("balance", "carried", "payment")
def w_balance_carried_twice(rng):
    s = Case(rng)
    balances(s, "minus", partial=True)
    i = s.pick(2)
    v = s.inv[i]
    d = s.inv[i - 1]["total"]
    # the unpaid rest is on the bill twice: the total holds the carried balance a second time
    v["total"] += d
    s.links.append(
        dict(invoice=v["no"], amount_over=str(d), what="carried balance added twice to the total")
    )
    for j in range(i + 1, s.n):
        w = s.inv[j]
        s.inv[j - 1]["total"] - (d if j == i + 1 else 0) if False else w["pb"]
    # later bills carry the right balance again, so that the slip stands on one bill
    return s


@wrong("balance", "carried", "payment")
def w_balance_billed_though_paid(rng):
    s = Case(rng)
    pays = balances(s, "minus")
    i = s.pick(2)
    v = s.inv[i]
    d = v["pay"]
    v["more"]["payment"] = "0.00"
    v["total"] += d
    s.files["payments.csv"] = "\n".join(pays) + "\n"
    s.tail += tt("[claim]", dict(payments="payments.csv"))
    s.links.append(
        dict(invoice=v["no"], amount_over=str(d), what="payment of the bill before not credited")
    )
    return s


@wrong("credit")
def w_credit_note_too_small(rng):
    s = r_overbilled_then_credit_note(rng)
    cr = next(v for v in s.inv if v["kind"] == "credit")
    v = next(w for w in s.inv if w["no"] == cr["replaces"])
    full = cr["total"]
    cr["pv"] = q(cr["pv"] / 2, dict(to=s.step))
    hi = v["pv"]
    back = s.price(v, hi + cr["pv"])
    cr["lines"] = {k: back[k] - v["lines"][k] for k in back}
    cr["total"] = sum(cr["lines"].values())
    s.links.append(
        dict(
            invoice=v["no"],
            amount_over=str(cr["total"] - full),
            what="only half of the error credited",
        )
    )
    return s


@wrong("credit")
def w_credit_given_twice(rng):
    s = r_overbilled_then_credit_note(rng)
    k = next(j for j, v in enumerate(s.inv) if v["kind"] == "credit")
    cr = s.inv[k]
    s.inv.insert(k + 1, dict(cr, no=cr["no"] + "2", due=D(0)))
    s.links.append(dict(invoice=cr["replaces"], amount_over=str(cr["total"]), what="credit twice"))
    return s


@wrong("twice", "double", "same days", "again", "duplicate")
def w_period_billed_twice(rng):
    s = Case(rng)
    s.bill()
    i = s.pick()
    v = s.inv[i]
    s.inv.insert(i + 1, dict(v, no=v["no"] + "b", due=D(0)))
    s.invoices_extra["overlapping_days"] = "examine"
    s.links.append(
        dict(
            invoice=v["no"] + "b", amount_over=str(v["total"]), what="the same period billed again"
        )
    )
    return s


@wrong("overlap", "same days", "twice", "shares", "double")
def w_overlapping_days(rng):
    s = Case(rng, lens=(29, 32))
    s.charge(s.fx).update(amount=s.dec(1, 5, 2), per="day")
    s.invoices_extra["overlapping_days"] = "examine"
    i = s.pick()
    k = int(rng.integers(2, 6))
    v = s.inv[i]
    right_total = s.total(s.price(v))
    s.days(v)
    v["start"] -= DAY * k
    back = int(s.inv[i - 1]["counts"] * k / s.days(i - 1))
    v["prev"] -= back
    v["counts"]
    v["counts"] += back
    v["lines"] = s.price(v)
    v["pv"] = s.charged(v)
    v["total"] = s.total(v["lines"])
    v["due"] = right_total
    s.links.append(
        dict(
            invoice=v["no"],
            amount_over=str(v["total"] - right_total),
            what=f"{k} days and their use on two bills",
        )
    )
    return s


@wrong("prorat", "days", "whole month", "whole period", "not shared")
def w_fixed_not_prorated(rng):
    s = r_first_final_prorated(rng)
    for i in (0, s.n - 1):
        s.misbill(i, "whole month for part of one", alter={s.fx: dict(proration="none")})
    return s


@wrong("day")
def w_days_31_for_28(rng):
    s = Case(rng, lens=(28, 30))
    s.charge(s.fx).update(amount=s.dec(2, 9, 2), per="day")
    for i in some(s, 3):
        s.misbill(i, "31 days charged", days=31)
    return s


@wrong("read", "estimate", "true", "begins", "previous")
def w_estimate_never_trued_up(rng):
    s = Case(rng)
    i = s.pick(1, s.n - 2)
    v, w = s.inv[i], s.inv[i + 1]
    extra = int(v["counts"] * 0.4)
    good = s.total(s.price(v))
    v["counts"] += extra
    v["cur"] += extra
    v["rt"] = "estimated"
    v["lines"] = s.price(v)
    v["pv"] = s.charged(v)
    v["due"] = v["total"] = s.total(v["lines"])
    there = v["total"] - good
    # the next bill begins at the true read, not at the billed one: the extra counts are billed twice
    g = s.price({**w, "counts": w["counts"] - extra, "prev": w["prev"] + extra})
    w["lines"] = s.price(w)
    w["pv"] = s.charged(w)
    w["total"] = s.total(w["lines"])
    w["due"] = s.total(g)
    s.links.append(
        dict(
            invoice=w["no"],
            amount_over=str(w["total"] - w["due"]),
            what="counts of the estimate billed again",
            either={v["no"]: str(there)},
        )
    )
    return s


@wrong("block", "tier", "rate")
def w_trueup_wrong_block(rng):
    s = Case(rng, n=9, blocks=True)
    i = s.pick(1, 5)
    estimate_run(s, i, 2, low=0.6)
    s.misbill(
        i + 2,
        "true-up at the last block's rate",
        alter={s.vl: dict(blocks=[dict(rate=s.charge(s.vl)["blocks"][-1]["rate"])])},
    )
    return s


@wrong("neighbour", "another account", "other account", "0777", "another meter", "other meter")
def w_another_accounts_reads(rng):
    s = Case(rng)
    r = int(rng.integers(500000, 900000))
    rows = ["time,register"]
    nb = []
    for v in s.inv:
        c = int(v["counts"] * float(rng.uniform(1.2, 2.2)))
        nb.append((r, r + c, c))
        rows.append(f"{v['start']} 08:00,{r}")
        r += c
    rows.append(f"{s.inv[-1]['end']} 08:00,{r}")
    s.own_reads((-1, 1))
    s.files["neighbour.csv"] = "\n".join(rows) + "\n"
    s.tail += tt(
        "[[neighbour]]", dict(account="0777", file="neighbour.csv", unit=s.runit, multiplier=s.mult)
    )
    i = s.pick()
    v = s.inv[i]
    a, b, c = nb[i]
    s.misbill(i, "reads of account 0777", vol=s.charged(v, intake=D(c) * s.per))
    v.update(prev=a, cur=b)
    return s


@wrong("digit", "transpos", "swap", "exchang", "misread")
def w_read_transposed(rng):
    s = Case(rng, n=9)
    s.own_reads((-1, 1))
    for i in list(range(1, s.n - 1)) * 2:
        v, w = s.inv[i], s.inv[i + 1]
        t = list(str(v["cur"]))
        ok = False
        for k in range(len(t) - 2, 0, -1):
            u = t[:]
            u[k], u[k - 1] = u[k - 1], u[k]
            x = int("".join(u))
            if v["prev"] < x < w["cur"] and abs(x - v["cur"]) > max(20, v["counts"] * 0.05):
                ok = True
                break
        if ok:
            break
    else:
        x = v["cur"] + 90
    d = x - v["cur"]
    # both bills are off, by the same counts and opposite sign
    for z, _e in ((v, d), (w, -d)):
        z["due"] = s.total(s.price(z))
    v["due"] + w["due"]
    v["cur"] = x
    v["counts"] += d
    w["prev"] = x
    w["counts"] -= d
    for z in (v, w):
        z["lines"] = s.price(z)
        z["pv"] = s.charged(z)
        z["total"] = s.total(z["lines"])
        s.links.append(
            dict(
                invoice=z["no"],
                amount_over=str(z["total"] - z["due"]),
                what="digits of a read exchanged",
            )
        )
    return s


@wrong("round")
def w_rounded_up_every_month(rng):
    s = Case(
        rng,
        region="US",
        meter=("gal", 10, "kgal", D("0.01")),
        mean=float(rng.uniform(6, 40)),
        vround=dict(to=D(1), rule="down"),
    )
    s.vplaces = 0
    for i in range(s.n):
        s.misbill(i, "rounded up", vol=s.charged(s.inv[i], rounding=dict(to=D(1), rule="up")))
    return s


@wrong("unit", "7.48", "conversion")
def w_gallons_for_cubic_feet(rng):
    s = Case(rng, region="US", meter=("gal", 100, "kgal", D("0.1")))
    for i in some(s, 2):
        s.misbill(
            i,
            "counts taken as cubic feet",
            vol=q(s.charged(s.inv[i]) * D("7.48"), dict(to=D("0.1"))),
        )
    return s


@wrong("return factor", "factor")
def w_factor_left_out(rng):
    s = Case(rng)
    s.vol["return_factor"] = "95 %"
    s.vplaces += 2
    for i in some(s, 3):
        s.misbill(i, "return factor left out", vol=s.metered(s.inv[i]))
    return s


@wrong("return factor", "factor", "twice")
def w_factor_twice(rng):
    s = Case(rng)
    s.vol["return_factor"] = "85 %"
    s.vplaces += 4
    for i in some(s, 3):
        s.misbill(i, "return factor twice", vol=s.charged(s.inv[i]) * D("0.85"))
    return s


@wrong("factor", "order", "deduct")
def w_deduct_after_factor(rng):
    s = Case(rng)
    s.own_reads()
    add_deduct(s, factor=85, order="factor first")
    for i in some(s, 2):
        v = s.inv[i]
        s.misbill(
            i,
            "deduct before the factor in place of after",
            vol=(s.metered(v) - v["deduct"]) * D("0.85"),
        )
    return s


@wrong("cap", "maximum")
def w_cap_ignored(rng):
    s = Case(rng, pct=False)
    s.ch.append(
        dict(
            name="Cap",
            kind="maximum",
            amount=q(s.fixed + s.rate * D(int(s.mean * 0.7)), CENT),
            per="bill",
            of=[s.fx, s.vl],
        )
    )
    k = 0
    for i in some(s, 4):
        ln = s.price(s.inv[i])
        if ln["Cap"] < 0:
            ln["Cap"] = D(0)
            s.misbill(i, "cap not applied", lines=ln)
            k += 1
    return s


@wrong("roll")
def w_rollover_charged(rng):
    s = Case(rng, meter=("m3", 1, "m3", D(1)), region="UK", mean=float(rng.uniform(900, 3000)), n=8)
    s.digits = 5
    s.reads["digits"] = 5
    r = 99999 - int(s.mean * rng.uniform(1.5, 5))
    for i, v in enumerate(s.inv):
        v.update(prev=r, cur=(r + v["counts"]) % 100000)
        if v["cur"] < v["prev"]:
            j = i
        r = v["cur"]
    v = s.inv[j]
    s.misbill(j, "difference of the reads taken without the roll-over", vol=D(v["prev"] - v["cur"]))
    return s


@wrong("change", "new meter", "old meter", "twice")
def w_meter_change_counted_twice(rng):
    s = Case(rng)
    i, a = _change(s)
    s.misbill(i, "use of the old meter counted twice", vol=s.charged(s.inv[i]) + a * s.per)
    return s


@wrong("edition", "rate")
def w_wrong_rate_after_change(rng):
    """The new edition raises the fixed charge only; the bill raises the volume rate by the same per cent."""
    s = Case(rng)
    i = second_edition(s)
    f = s.charge(s.fx, 1)["amount"] / s.fixed
    nr = q(s.rate * f, dict(to=D("0.01")))
    if nr == s.rate:
        nr += D("0.02")
    s.charge(s.vl, 1)["rate"] = s.rate
    s.versions[1]["_toml"] = tt("[[version.charge]]", s.charge(s.fx, 1))
    for j in range(i, s.n):
        s.misbill(j, "volume rate raised though the edition leaves it", alter={s.vl: dict(rate=nr)})
    return s


@wrong("percent", "ten times", "rate", "decimal", "10")
def w_percent_tenfold(rng):
    s = Case(rng)
    for i in some(s, 1):
        s.misbill(i, "ten times the per cent", alter={s.tx: dict(rate=f"{s.pct * 10} %")})
    return s


@wrong("season", "month", "factor", "winter", "summer")
def w_wrong_season(rng):
    s = r_seasonal_return_factor(rng)
    for i, v in enumerate(s.inv):
        if v["end"].month in (8, 9):
            s.misbill(i, "factor of the cold months in a warm one", vol=s.metered(v))
    return s


@wrong("payment", "balance")
def w_payment_partly_credited(rng):
    s = Case(rng)
    pays = balances(s, "minus")
    i = s.pick(2)
    v = s.inv[i]
    d = q(v["pay"] / 3, CENT)
    v["more"]["payment"] = f"-{v['pay'] - d}"
    v["total"] += d
    s.files["payments.csv"] = "\n".join(pays) + "\n"
    s.tail += tt("[claim]", dict(payments="payments.csv"))
    s.links.append(dict(invoice=v["no"], amount_over=str(d), what="part of a payment not credited"))
    return s


@wrong("rate", "swap", "exchang", "TSS", "BOD")
def w_parameter_rates_exchanged(rng):
    s = Case(rng)
    add_tier(s, params=("BOD", "TSS"), thr=(250, 300))
    a, b = s.charge("BOD surcharge")["rate"], s.charge("TSS surcharge")["rate"]
    for i in some(s, 2):
        s.misbill(
            i,
            "rates of two parameters exchanged",
            alter={"BOD surcharge": dict(rate=b), "TSS surcharge": dict(rate=a)},
        )
    return s


@wrong("allowance", "free", "includes")
def w_allowance_not_given(rng):
    s = r_free_allowance(rng)
    for i in some(s, 2):
        s.misbill(i, "free volume charged", alter={s.vl: dict(_allow=D(0))})
    return s


@wrong("block", "edge", "days", "tier", "30 days")
def w_blocks_not_scaled(rng):
    s = Case(rng, blocks=True, lens=(29, 31))
    s.charge(s.vl)["blocks_per"] = "30 days"
    i = s.pick()
    v = s.inv[i]
    for w in s.inv[i:]:
        if w is not v:
            w["start"] += DAY * 14
        w["end"] += DAY * 14
    extra = v["counts"] // 2
    v["counts"] += extra
    for w in s.inv[i:]:
        w["cur"] += extra
        if w is not v:
            w["prev"] += extra
    s.misbill(i, "edges of a month for 45 days", alter={s.vl: dict(blocks_per="bill")})
    return s


@wrong("total", "sum", "add")
def w_total_transposed(rng):
    s = Case(rng)
    i = s.pick()
    s.bill()
    v = s.inv[i]
    t = list(str(v["total"]))
    for k in range(len(t) - 1):
        if t[k].isdigit() and t[k + 1].isdigit() and t[k] < t[k + 1]:
            t[k], t[k + 1] = t[k + 1], t[k]
            break
    v["total"] = D("".join(t))
    s.links.append(
        dict(
            invoice=v["no"],
            amount_over=str(v["total"] - v["due"]),
            what="digits of the total exchanged",
        )
    )
    return s


@wrong("class")
def w_wrong_class_rate(rng):
    s = Case(rng)
    c = s.charge(s.vl)
    c.pop("rate")
    c["rate_by_class"] = {
        "residential": s.rate,
        "commercial": q(s.rate * D("1.2"), CENT),
        "industrial": q(s.rate * D("1.37"), CENT),
    }
    s.cls = "commercial"
    for i in some(s, 3):
        s.misbill(
            i,
            "industrial rate",
            alter={s.vl: dict(rate_by_class={"commercial": c["rate_by_class"]["industrial"]})},
        )
    return s


@wrong("outside", "1.25", "1.5", "multiplier", "factor", "rate")
def w_outside_city_rate(rng):
    s = Case(rng)
    for i in some(s, 3):
        s.misbill(
            i,
            "outside rate of 1.5",
            alter={s.fx: dict(multiplier=D("1.5")), s.vl: dict(multiplier=D("1.5"))},
        )
    return s


@wrong("day")
def w_both_end_days_charged(rng):
    s = Case(rng)
    s.charge(s.fx).update(amount=s.dec(2, 9, 2), per="day")
    for i in range(s.n):
        s.misbill(i, "both end days counted", days=s.days(i) + 1)
    return s


@wrong("rate", "digit")
def w_rate_digits_exchanged(rng):
    s = Case(rng, region="US")
    s.rate = D("4.59") + D(int(rng.integers(0, 4)))
    s.charge(s.vl)["rate"] = s.rate
    t = str(s.rate)
    i = s.pick()
    s.misbill(
        i, "digits of the rate exchanged", alter={s.vl: dict(rate=D(t[0] + "." + t[3] + t[2]))}
    )
    return s


@wrong("twice", "total", "sum", "double", "add")
def w_line_twice_in_total(rng):
    s = Case(rng)
    s.bill()
    i = s.pick()
    v = s.inv[i]
    v["total"] += v["lines"][s.tx]
    s.links.append(
        dict(invoice=v["no"], amount_over=str(v["lines"][s.tx]), what="a line twice in the total")
    )
    return s


@wrong("equivalent", "units", "count")
def w_equivalent_units_too_many(rng):
    s = r_equivalent_units(rng)
    k = s.counts["equivalent units"]
    am = s.vol["amount"]
    for i in some(s, 3):
        v = s.inv[i]
        v["counts_of"] = {"equivalent units": k + 2}
        ln = s.price(v, am * (k + 2))
        v.pop("counts_of")
        s.misbill(i, "two equivalent units too many", lines=ln)
        v["pv"] = am * (k + 2)
    return s


@wrong("below", "limit", "half", "sample", "detection")
def w_below_limit_counted_whole(rng):
    s = Case(rng)
    add_tier(s, params=("oil and grease",), thr=(20,))
    rows = [r for r in s.files["samples.csv"].split("\n")]
    for i in some(s, 2):
        v = s.inv[i]
        lim = [60, 100][i % 2] + 4 * (i % 5)
        j = next(
            k
            for k, r in enumerate(rows)
            if r and r[0] == "2" and v["start"] <= dt.date.fromisoformat(r[:10]) < v["end"]
        )
        rows[j] = f"{rows[j][:10]},oil and grease,<{lim},mg/L"
        xs = [D(lim) / 2, v["samples"]["oil and grease"][1]]
        v["strength"] = {"oil and grease": D(lim + xs[1]) / 2}
        ln = s.price(v)
        v["strength"] = {"oil and grease": sum(xs) / 2}
        s.misbill(i, "result below a limit counted as the limit", lines=ln)
    s.files["samples.csv"] = "\n".join(rows)
    s.versions[0]["samples"]["below_limit"] = "half"
    return s


@wrong("whole volume", "block", "tier")
def w_whole_volume_at_reached_block(rng):
    s = Case(rng, blocks=True)
    for i in some(s, 2):
        s.misbill(
            i, "whole volume at the rate reached", alter={s.vl: dict(blocks_on="whole volume")}
        )
    return s


@wrong("last bill", "repeat", "before", "previous bill", "estimate", "same")
def w_last_bill_repeated_as_actual(rng):
    s = Case(rng, n=9)
    s.own_reads((-1, 1))
    i = s.pick(2)
    v, u = s.inv[i], s.inv[i - 1]
    s.misbill(i, "volume of the bill before repeated", vol=s.charged(u))
    if s.charged(u) == s.charged(v):
        s.misbill(i, "volume of the bill before plus one", vol=s.charged(u) + s.per)
    return s


@wrong("usage", "volume", "digit", "transpos")
def w_usage_digits_exchanged(rng):
    s = Case(rng)
    for i in list(range(1, s.n)):
        v = s.inv[i]
        t = list(str(s.charged(v)))
        ks = [
            k
            for k in range(len(t) - 1)
            if t[k].isdigit() and t[k + 1].isdigit() and t[k] < t[k + 1]
        ]
        if ks:
            k = ks[0]
            t[k], t[k + 1] = t[k + 1], t[k]
            s.misbill(i, "digits of the usage exchanged", vol=D("".join(t)))
            break
    return s


@wrong("split", "days", "edition", "rate", "prorat")
def w_new_rate_on_whole_bill(rng):
    s = Case(rng)
    s.sched["rate_change"] = "split by days"
    i = second_edition(s, inherit=False)
    s.misbill(i, "new rate on the whole bill, not by days", shares=[(1, D(1))])
    return s


@wrong("round", "up")
def w_lines_rounded_up(rng):
    """A cent too much here and there: too small to be named for sure, but the sum does not agree."""
    s = Case(rng)
    s.charge(s.vl)["rate"] = s.rate + D("0.0033")
    s.sched["line_rounding"] = dict(to=D("0.01"), rule="down")
    for i in range(s.n):
        v = s.inv[i]
        ln = {}
        vol = {"sewer": s.charged(v)}
        for c in s.ch:
            ln[c["name"]] = q(s.ev(c, v, vol, ln, s.days(i)), dict(to=D("0.01"), rule="up"))
        s.misbill(i, "each line rounded up", lines=ln)
    return s


@wrong("line", "not in the schedule", "no charge", "not of the schedule", "unknown")
def w_fee_not_in_schedule(rng):
    s = Case(rng)
    s.bill()
    fee = s.dec(5, 30, 2)
    for v in s.inv:
        v["more"]["Infrastructure fee"] = format(fee, "f")
        v["total"] += fee
        s.links.append(
            dict(invoice=v["no"], amount_over=str(fee), what="a fee the schedule does not know")
        )
    s.extra_cols = ["Infrastructure fee"]
    return s


@wrong(
    "last but one",
    "two",
    "earlier read",
    "previous read",
    "already billed",
    "twice",
    "begins",
    "overlap",
    "double",
)
def w_previous_read_two_back(rng):
    """The previous read printed is that of two bills before: a month's use is charged twice."""
    s = Case(rng)
    i = s.pick(2)
    v, u = s.inv[i], s.inv[i - 1]
    s.misbill(
        i,
        "use of the bill before charged again",
        vol=s.charged(v, intake=s.metered(v) + s.metered(u)),
    )
    v["prev"] = u["prev"]
    return s


@wrong("round")
def w_rounded_to_nearest_not_down(rng):
    s = Case(
        rng,
        region="US",
        meter=("gal", 10, "kgal", D("0.01")),
        mean=float(rng.uniform(6, 40)),
        vround=dict(to=D(1), rule="down"),
    )
    s.vplaces = 0
    for i in range(s.n):
        s.misbill(
            i, "rounded half up", vol=s.charged(s.inv[i], rounding=dict(to=D(1), rule="half up"))
        )
    return s


@wrong("unit", "conversion", "0.748", "7.48", "kgal")
def w_ccf_billed_as_kgal(rng):
    s = Case(rng, region="US", meter=("cf", 100, "CCF", D(1)))
    s.charge(s.vl).update(unit="kgal", _conv=D(1728) / 231 / 10)
    for i in some(s, 2):
        s.misbill(i, "CCF taken as thousand gallons", alter={s.vl: dict(_conv=D(1))})
    return s


@wrong("threshold")
def w_threshold_of_other_parameter(rng):
    s = Case(rng)
    add_tier(s, params=("BOD", "TSS"), thr=(300, 250))
    for i in some(s, 3):
        s.misbill(i, "threshold of TSS for BOD", alter={"BOD surcharge": dict(threshold=250)})
    return s


@wrong("discount", "credit", "left out", "not applied", "missing")
def w_discount_left_out(rng):
    s = r_prompt_payment_discount(rng)
    i = s.pick()
    ln = s.price(s.inv[i])
    ln["Discount"] = D(0)
    s.misbill(i, "discount not given", lines=ln)
    return s


@wrong("edition", "by start", "by end", "in force", "rates of", "version")
def w_edition_by_end_where_start_holds(rng):
    s = Case(rng)
    s.sched["rate_change"] = "by start"
    i = second_edition(s)
    s.misbill(i, "edition of the end date", shares=[(1, D(1))])
    return s


@wrong("size")
def w_old_meter_size_kept(rng):
    s = r_meter_size_changed(rng)
    k = next(j for j, v in enumerate(s.inv) if v["size"] == "1 in")
    for j in range(k, min(s.n, k + 2)):
        s.misbill(
            j,
            "size of the old meter",
            alter={s.fx: dict(by_meter_size={"1 in": s.charge(s.fx)["by_meter_size"]["2 in"]})},
        )
    return s


@wrong("strength", "sample", "pounds", "mass", "8.34", "load", "unit", "constant", "factor")
def w_load_without_8_34(rng):
    s = Case(rng, region="US")
    add_tier(s)
    i = s.pick()
    s.misbill(
        i,
        "8.34 taken as 10",
        alter={"BOD surcharge": dict(load=dict(constant=10, volume="MG", mass="lb"))},
    )
    return s


@wrong("multiplier", "factor 10", "ten times", "new meter", "change")
def w_new_meters_multiplier_kept_old(rng):
    """The new meter counts in hundreds as stated; billed with the multiplier of the old one from the next bill on."""
    s = Case(rng, region="US", meter=("gal", 1000, "kgal", D(1)), n=8)
    i, a = _change(s)
    s.reads["change"][0]["multiplier"] = 100
    v = s.inv[i]
    for w in s.inv[i + 1 :]:
        w["new"] = True
    b = v["cur"] - s.reads["change"][0]["first_read"]
    s.vplaces = 1
    s.vol["_fn"] = lambda m, w: m / 10 if w.get("new") else (D(a) + D(b) / 10 if w is v else m)
    s.misbill(i + 1, "multiplier of the old meter", vol=D(s.inv[i + 1]["counts"]))
    return s


@wrong("prorat", "days", "whole")
def w_prorated_though_normal(rng):
    """Bills of 28 to 32 days are a whole month by the schedule; one was charged by its days."""
    s = Case(rng, lens=(31, 32))
    s.charge(s.fx).update(
        per="month", proration="standard days", standard_days=30, normal_days=[27, 33]
    )
    for i in some(s, 3):
        s.misbill(
            i,
            "charged by days though within the normal ones",
            alter={s.fx: dict(normal_days=[1, 1])},
        )
    return s


@wrong("block", "tier", "order", "edge", "rate")
def w_block_edge_wrong(rng):
    s = Case(rng, blocks=True)
    bs = [dict(b) for b in s.charge(s.vl)["blocks"]]
    bs[0]["to"] = q(bs[0]["to"] / 2, dict(to=D(1)))
    for i in some(s, 3):
        s.misbill(i, "first block half as wide", alter={s.vl: dict(blocks=bs)})
    return s


@wrong("winter", "actual", "cap", "average")
def w_actual_above_winter_cap(rng):
    s = r_winter_cap_lower_of(rng)
    for i in (0, 1):
        v = s.inv[i]
        if s.metered(v) > s.charged(v):
            s.misbill(i, "actual use though above the winter average", vol=s.metered(v))
    return s


@wrong("overdue", "late", "months")
def w_late_fee_two_months_for_one(rng):
    s = r_late_fee_due(rng)
    i = next(j for j, v in enumerate(s.inv) if v["counts_of"]["months overdue"] == 1)
    v = s.inv[i]
    v["counts_of"] = {"months overdue": 2}
    ln = s.price(v)
    v["counts_of"] = {"months overdue": 1}
    s.misbill(i, "two months overdue for one", lines=ln)
    return s


@wrong("exchang", "swap", "bill of", "another invoice", "other invoice", "repeated")
def w_usages_of_two_bills_exchanged(rng):
    s = Case(rng, n=9)
    i = s.pick(1, 7)
    a, b = s.charged(s.inv[i]), s.charged(s.inv[i + 1])
    s.misbill(i, "volume of the next bill", vol=b)
    s.misbill(i + 1, "volume of the bill before", vol=a)
    return s


# ---------------------------------------------------------------- making
def make(name, seed, folder):
    is_right, words, f = KINDS[name]
    rng = np.random.default_rng([seed, zlib.crc32(name.encode())])
    s = f(rng)
    t = s.write(folder, name, seed, is_right, words)
    if is_right:
        assert not t["wrong_links"] and all(D(x) == 0 for x in t["amounts"].values()), name
    return t


# ---------------------------------------------------------------- running
def judge(folder, truth):
    from sewer_audit import audit, load_case

    try:
        r = audit(load_case(folder), draws=500, seed=1)
        f = r.findings()
        text = str(r)
    except Exception as e:  # refused, or a crash, which the table tells apart
        return dict(
            state="refused"
            if type(e).__name__
            not in (
                "KeyError",
                "TypeError",
                "ValueError",
                "IndexError",
                "ZeroDivisionError",
                "AttributeError",
                "AssertionError",
                "InvalidOperation",
            )
            else "CRASH",
            why=f"{type(e).__name__}: {e}"[:400],
        )
    head = text.split("\n")[1:4]
    cl = (
        {
            c["invoice"]: (D(str(c["by_the_rules"])) if c["by_the_rules"] is not None else None)
            for c in f["claim"]["invoices"]
        }
        if f["claim"]
        else {}
    )
    nz = {k: v for k, v in cl.items() if v}
    sig = f["signatures"]
    broken = [(c["invoice"], c["broken"]) for c in f["chain"] if c["broken"]]
    why = "; ".join(f"{s['code']} {s['invoices']} {s['exactness']} {s['difference']}" for s in sig)[
        :300
    ]
    why += (
        (" | claim " + ", ".join(f"{k} {v}" for k, v in list(nz.items())[:4]) if nz else "")
        + (" | chain " + ", ".join(f"{a}: {b}" for a, b in broken[:4]) if broken else "")
        + " | "
        + " / ".join(head[:2])
    )
    out = dict(why=why, head=head, codes=[s["code"] for s in sig])
    if truth["right"]:
        said = bool(
            re.search(
                r"billed too (high|low) by|does not follow|do not follow|overcharged",
                " ".join(head),
                re.I,
            )
        )
        vol = any(
            i["finding"]
            not in ("cannot be decided from this evidence", "supported by the evidence")
            and re.search(r"too high|too low|over|under", i["finding"])
            for i in f["invoices"]
        )
        named = [s for s in sig if s["invoices"]]
        acc = bool(nz) or bool(named) or said or vol
        out["state"] = "accused" if acc else "clean"
        if not acc and broken:
            out["state"] = "clean*"
        return out
    amt = {}
    for l in truth["wrong_links"]:
        amt[l["invoice"]] = amt.get(l["invoice"], D(0)) + D(l["amount_over"])
    alt = {a for l in truth["wrong_links"] for a in l.get("either", [])}
    bad = set(amt) | alt
    by_alt = {a: D(x) for l in truth["wrong_links"] for a, x in l.get("either", {}).items()}
    mine = [s for s in sig if set(s["invoices"]) & bad]
    led = [l for l in f["ledger"] if l["invoice"] in bad]
    flagged = (
        bool(mine) or any(k in bad for k in nz) or any(a in bad for a, b in broken) or bool(led)
    )

    def fits(t):
        t = t.lower()
        return any(all(p.lower() in t for p in w.split("+")) for w in truth["words"])

    def told(s):
        return (not s["code"].startswith("unexplained") and fits(of(s))) or fits(
            json.dumps(s["look_alikes"])
        )

    def of(s):
        return s["code"].replace("-", " ") + " " + s["sentence"]

    order = [s for s in mine if not s["code"].startswith("unexplained")]
    first = bool(order) and fits(of(order[0]))
    listed = any(told(s) for s in mine)
    falsely = [s["code"] for s in mine if s["exactness"] == "exact" and not fits(of(s))]
    others = [s["code"] for s in sig if not set(s["invoices"]) & bad]
    money = all(
        cl.get(k) is not None and abs(cl[k] - v) < D("0.005") for k, v in amt.items()
    ) and all(k in bad for k in nz)
    within = {}
    for l in f["ledger"]:
        a = within.setdefault(l["invoice"], [D(0), D(0)])
        a[0] += D(str(l["amount_low"]))
        a[1] += D(str(l["amount_high"]))
    inside = all(
        k in within and min(within[k]) - D("0.005") <= v <= max(within[k]) + D("0.005")
        for k, v in amt.items()
    )
    net_ok = f["claim"] is not None and abs(D(str(f["claim"]["net"])) - sum(amt.values())) < D(
        "0.005"
    )
    out.update(
        state="flagged" if flagged else "ACQUITTED",
        named="first" if first else "listed" if listed else "no",
        money="yes"
        if money
        or (by_alt and nz and all(abs(by_alt.get(k, D(0)) - x) < D("0.005") for k, x in nz.items()))
        else "interval"
        if inside
        else "net"
        if net_ok
        else "no",
        false_exact=falsely,
        others=others,
        truth=", ".join(f"{k} {v}" for k, v in list(amt.items())[:4]),
        net=str(f["claim"]["net"]) if f["claim"] else None,
        due_net=str(sum(amt.values())),
    )
    return out


def run(names, seeds, keep=None, quiet=False):
    res = []
    for n in names:
        for sd in seeds:
            d = os.path.join(keep, f"{n}_{sd}") if keep else tempfile.mkdtemp()
            shutil.rmtree(d, ignore_errors=True)
            try:
                t = make(n, sd, d)
            except Exception as e:
                res.append(
                    (n, sd, KINDS[n][0], dict(state="GENERATOR", why=f"{type(e).__name__} {e}"))
                )
                if not quiet:
                    print(n, sd, res[-1][3])
                continue
            if not t["right"] and not t["wrong_links"]:
                j = dict(state="nothing planted", why="this seed planted nothing")
            else:
                j = judge(d, t)
            res.append((n, sd, t["right"], j))
            if not keep:
                shutil.rmtree(d)
            if not quiet:
                x = f"{n:36s} {sd:3d} {j['state']:9s}"
                if not t["right"] and "named" in j:
                    x += (
                        f" named {j['named']:6s} money {j['money']:4s}"
                        + (f" FALSE EXACT {j['false_exact']}" if j["false_exact"] else "")
                        + (f" others {j['others']}" if j["others"] else "")
                    )
                print(x)
                bad = j["state"] not in ("clean", "flagged") or (
                    not t["right"]
                    and (
                        j.get("named") == "no"
                        or j.get("money") not in ("yes", "interval")
                        or j.get("false_exact")
                        or j.get("others")
                    )
                )
                if bad:
                    print(
                        "      ",
                        j["why"],
                        "| truth",
                        j.get("truth"),
                        "net",
                        j.get("due_net"),
                        "got",
                        j.get("net"),
                    )
    rs = [x for x in res if x[2]]
    ws = [x for x in res if not x[2] and x[3]["state"] != "nothing planted"]

    def cnt(xs, f):
        return sum(1 for x in xs if f(x[3]))

    if rs:
        print(
            f"\nright {len(rs)}: accused {cnt(rs, lambda j: j['state'] == 'accused')}, refused {cnt(rs, lambda j: j['state'] == 'refused')}, "
            f"clean {cnt(rs, lambda j: j['state'].startswith('clean'))}, crash {cnt(rs, lambda j: j['state'] in ('CRASH', 'GENERATOR'))}"
        )
    if ws:
        print(
            f"wrong {len(ws)}: flagged {cnt(ws, lambda j: j['state'] == 'flagged')}, acquitted {cnt(ws, lambda j: j['state'] == 'ACQUITTED')}, "
            f"refused {cnt(ws, lambda j: j['state'] == 'refused')}, crash {cnt(ws, lambda j: j['state'] in ('CRASH', 'GENERATOR'))}; "
            f"named first {cnt(ws, lambda j: j.get('named') == 'first')}, listed {cnt(ws, lambda j: j.get('named') == 'listed')}, "
            f"not {cnt(ws, lambda j: j.get('named') == 'no')}; money to the cent {cnt(ws, lambda j: j.get('money') == 'yes')}, inside its interval {cnt(ws, lambda j: j.get('money') == 'interval')}, "
            f"net only {cnt(ws, lambda j: j.get('money') == 'net')}; exact of another class {cnt(ws, lambda j: bool(j.get('false_exact')))}; "
            f"right bills accused beside {cnt(ws, lambda j: bool(j.get('others')))}"
        )
    return res


def main():
    p = argparse.ArgumentParser()
    p.add_argument("--list", action="store_true")
    p.add_argument("--write")
    p.add_argument("--kind", action="append")
    p.add_argument("--seed", type=int, default=1)
    p.add_argument(
        "--right", type=int, default=0, help="cases of each right kind, seeds from --seed on"
    )
    p.add_argument(
        "--wrong", type=int, default=0, help="cases of each wrong kind, seeds from --seed on"
    )
    p.add_argument(
        "--jobs", type=int, default=1, choices=[1], help="one only: the machine is shared"
    )
    p.add_argument("--keep", help="folder in which the cases stay")
    p.add_argument("--quiet", action="store_true")
    a = p.parse_args()
    if a.list:
        for n, (r, w, _f) in KINDS.items():
            print("unstated" if n in UNSTATED else "right" if r else "wrong", n, "" if r else w)
        return
    if a.write:
        print(json.dumps(make(a.kind[0], a.seed, a.write), indent=1))
        return
    R = [n for n, k in KINDS.items() if k[0] and (n in a.kind if a.kind else n not in UNSTATED)]
    W = [n for n, k in KINDS.items() if not k[0] and (not a.kind or n in a.kind)]
    jobs = [(n, range(a.seed, a.seed + a.right)) for n in R if a.right] + [
        (n, range(a.seed, a.seed + a.wrong)) for n in W if a.wrong
    ]
    names = [n for n, _ in jobs]
    if a.right and a.wrong and a.right != a.wrong:
        run(R, range(a.seed, a.seed + a.right), a.keep, a.quiet)
        run(W, range(a.seed, a.seed + a.wrong), a.keep, a.quiet)
    elif names:
        run(names, range(a.seed, a.seed + (a.right or a.wrong)), a.keep, a.quiet)


if __name__ == "__main__":
    main()
