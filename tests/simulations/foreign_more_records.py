# ruff: noqa: B905, E501, E731, RUF005, RUF059, UP031
"""Records of flow in a sewer as loggers, historians and services write them, and as sick sensors spoil them.

Everything here is invented; the physics is plain and of its own (thin-plate and flume formulas, geometry of a
part-full pipe). The generator part imports no audit program. Two families:

  formats   how a file may be written. The truth is either "readable" with the volume of each invoice (0.5 %), or
            "ask": the file cannot be read safely with what the case says, so it must be refused, or warned of, in
            words that help; or "either": the right volume and a clear refusal are both good.
  sick      what may be wrong at sensor or site. The truth is the volume of each invoice and whether the site is sound.

  --list                                   kinds
  --write DIR --kind NAME --seed N         one case folder with truth.json
  --formats N --sick N --seed S            N worlds of each kind from seed S on, through the installed program
  --only WORD                              only the kinds whose name holds WORD;   --verbose  prints messages
"""

import argparse
import io
import json
import math
import re
import shutil
import sys
import tempfile
import zlib
from pathlib import Path

import numpy as np
import pandas as pd

ZONE = "America/Chicago"
FORMATS, SICK = {}, {}
SALT = [0]


def fmt(function):
    FORMATS[function.__name__] = function
    return function


def sick(function):
    SICK[function.__name__] = function
    return function


# ---------------------------------------------------------------- plain physics


def notch(h):  # 90 degree sharp notch, m and m3/s
    return 8 / 15 * math.sqrt(2 * 9.81) * 0.578 * np.maximum(h + 0.00088, 0) ** 2.5 * (h > 0)


def parshall6(h):  # 6 in Parshall flume, free flow
    return 0.3812 * np.maximum(h, 0) ** 1.58


def parshall9(h):
    return 0.5354 * np.maximum(h, 0) ** 1.53


def cipolletti(h, length=0.5):
    return 1.86 * length * np.maximum(h, 0) ** 1.5


def fullwidth(h, width=0.6, p=0.5):  # suppressed rectangular weir, effective width and head
    return (
        2
        / 3
        * math.sqrt(2 * 9.81)
        * (0.602 + 0.075 * h / p)
        * (width - 0.0009)
        * np.maximum(h + 0.0009, 0) ** 1.5
    )


def segment(y, d):  # wetted area of a circular pipe
    y = np.clip(y, 0, d)
    a = 2 * np.arccos(np.clip(1 - 2 * y / d, -1, 1))
    return d * d / 8 * (a - np.sin(a))


def inverse(rating, q, top=1.0):
    grid = np.linspace(0, top, 20001)
    return np.interp(q, rating(grid), grid)


def manning_depth(q, d=0.45, s=0.003, n=0.013):
    y = np.linspace(1e-4, 0.93 * d, 8000)
    a = 2 * np.arccos(1 - 2 * y / d)
    area, peri = segment(y, d), d * a / 2
    return np.interp(q, area * (area / peri) ** (2 / 3) * math.sqrt(s) / n, y)


# ---------------------------------------------------------------- worlds


class World:
    """Local wall-clock grid, true discharge in m3/s, and the invoices."""

    def __init__(
        self,
        seed,
        start="2026-01-10",
        end="2026-03-06",
        cuts=("2026-01-12", "2026-02-09", "2026-03-05"),
        step=15,
        mean=0.012,
        utc=False,
    ):
        self.rng = np.random.default_rng([seed, SALT[0]])  # every kind has worlds of its own
        self.seed = seed
        if utc:  # a span that crosses a change of the clock: the grid is uniform in UTC
            a, b = (pd.Timestamp(x, tz=ZONE) for x in (start, end))
            self.moment = pd.date_range(a.tz_convert("UTC"), b.tz_convert("UTC"), freq=f"{step}min")
        else:
            local = pd.date_range(start, end, freq=f"{step}min")
            self.moment = local.tz_localize(ZONE).tz_convert("UTC")
        self.local = self.moment.tz_convert(ZONE)
        self.t = self.local.tz_localize(None)
        self.cuts = [pd.Timestamp(c, tz=ZONE) for c in cuts]
        self.step = step
        hour = np.asarray(self.t.hour + self.t.minute / 60)
        week = np.asarray(self.t.day_of_week)
        slow = np.zeros(len(self.t))
        e = self.rng.normal(0, 0.02, len(self.t))
        for i in range(1, len(slow)):
            slow[i] = 0.97 * slow[i - 1] + e[i]
        phase = self.rng.uniform(0, 3)
        self.q = mean * (
            1
            + 0.35 * np.sin((hour - 8 - phase) * 2 * np.pi / 24)
            + 0.12 * np.sin((hour - phase) * 4 * np.pi / 24)
        )
        self.q *= np.where(week >= 5, 0.6, 1.0) * np.exp(np.clip(slow, -0.3, 0.3))

    def volumes(self, q=None, hold=False, moment=None):
        q = self.q if q is None else q
        m = (self.moment if moment is None else moment).as_unit("ns").asi8 / 1e9
        out = []
        for a, b in zip(self.cuts, self.cuts[1:]):
            x = [c.timestamp() for c in (a, b)]
            if hold:  # a value holds until the next
                grid = np.unique(np.concatenate([m[(m > x[0]) & (m < x[1])], x]))
                v = q[np.searchsorted(m, grid[:-1], side="right") - 1]
                out.append(float((v * np.diff(grid)).sum()))
            else:
                grid = np.unique(np.concatenate([m[(m > x[0]) & (m < x[1])], x]))
                v = np.interp(grid, m, q)
                out.append(float(((v[1:] + v[:-1]) / 2 * np.diff(grid)).sum()))
        return out


def toml(value):
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{toml_key(k)} = {toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(toml(v) for v in value) + "]"
    return json.dumps(value, ensure_ascii=False)


def toml_key(key):
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", str(key)) else json.dumps(str(key))


def case(
    world,
    effluent,
    files,
    volumes=None,
    factor=1.0,
    basis="discharge",
    extra="",
    visits=(),
    events=(),
):
    volumes = world.volumes() if volumes is None else volumes
    rows = ["invoice,start,end,billed_volume,total"]
    for i, (a, b, v) in enumerate(zip(world.cuts, world.cuts[1:], volumes)):
        billed = round(v * factor, 1)
        rows.append(f"N{i + 1},{a:%Y-%m-%d},{b:%Y-%m-%d},{billed},{billed * 2:.2f}")
    lines = [
        "[case]",
        'title = "Invented works, outfall manhole"',
        f'time_zone = "{ZONE}"',
        f'basis = "{basis}"',
        "",
        "[display]",
        'volume = "m3"',
        'discharge = "L/s"',
        'head = "mm"',
        "",
        "[invoices]",
        'file = "bills.csv"',
        'volume_unit = "m3"',
        "end_day_counts = false",
        "",
    ]
    if effluent:
        lines.append("[effluent]")
        lines += [f"{k} = {toml(v)}" for k, v in effluent.items()]
        for v in visits:
            lines += ["[[effluent.visit]]"] + [f"{k} = {toml(x)}" for k, x in v.items()]
        for v in events:
            lines += ["[[effluent.event]]"] + [f"{k} = {toml(x)}" for k, x in v.items()]
    lines += [extra, "[rule]", 'tolerance = "5 %"', ""]
    return {"case.toml": "\n".join(lines), "bills.csv": "\n".join(rows) + "\n", **files}, volumes


PIPE = {"method": "full pipe", "accuracy": "2 %", "source": "judgement: not tested"}
COLS = {"time": "time", "flow": {"name": "flow", "unit": "L/s"}}


def pipe(name="log.csv", columns=None, **more):
    return {"file": name, **PIPE, "columns": columns or COLS, **more}


def table(t, v, head="time,flow", sep=",", form="%Y-%m-%d %H:%M", dec=".", digits=3, end="\n"):
    out = [head] if head is not None else []
    for a, b in zip(t, v):
        x = (
            ""
            if b is None or (isinstance(b, float) and math.isnan(b))
            else (b if isinstance(b, str) else f"{b:.{digits}f}".replace(".", dec))
        )
        out.append(f"{a.strftime(form)}{sep}{x}")
    return end.join(out) + end


def done(world, effluent, files, expect="readable", words=(), **more):
    files, volumes = case(world, effluent, files, **more)
    return files, {
        "family": "formats",
        "expect": expect,
        "volume_m3": volumes,
        "words": list(words),
    }


# ---------------------------------------------------------------- A: formats


def simple(seed, **kw):
    w = World(seed, **kw)
    return w, w.q * 1000


@fmt
def plain(seed):
    w, v = simple(seed)
    return done(w, pipe(), {"log.csv": table(w.t, v)})


@fmt
def header_three_rows(seed):
    w, v = simple(seed)
    return done(w, pipe(), {"log.csv": "time,flow\n,L/s\n,FT-0117\n" + table(w.t, v, head=None)})


@fmt
def header_group_above(seed):
    w, v = simple(seed)
    return done(w, pipe(), {"log.csv": "Station 4,Outfall\n" + table(w.t, v)})


@fmt
def header_name_over_two_rows(seed):
    w, v = simple(seed)
    body = "\n".join(f"{a:%Y-%m-%d %H:%M},{b:.3f},{b * 0.9:.3f}" for a, b in zip(w.t, v))
    cols = {"time": "time", "flow": {"name": "Flow mean", "unit": "L/s"}}
    return done(
        w,
        pipe(columns=cols),
        {"log.csv": ",Flow,Flow\ntime,mean,min\n" + body + "\n"},
        "either",
        ["log.csv", "column"],
    )


@fmt
def no_header(seed):
    w, v = simple(seed)
    cols = {"time": "1", "flow": {"name": "2", "unit": "L/s"}}
    return done(
        w,
        pipe(columns=cols),
        {"log.csv": table(w.t, v, head=None)},
        "either",
        ["log.csv", "column|header|heading"],
    )


@fmt
def unit_row(seed):
    w, v = simple(seed)
    return done(
        w, pipe(), {"log.csv": "time,flow\nyyyy-mm-dd hh:mm,L/s\n" + table(w.t, v, head=None)}
    )


@fmt
def unit_row_contradicts(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(),
        {"log.csv": "time,flow\n,m3/h\n" + table(w.t, v * 3.6, head=None)},
        "ask",
        ["log.csv", "unit|m3/h"],
    )


@fmt
def unit_in_title_contradicts(seed):
    w, v = simple(seed)
    cols = {"time": "time", "flow": {"name": "Flow (gpm)", "unit": "L/s"}}
    return done(
        w,
        pipe(columns=cols),
        {"log.csv": table(w.t, v * 15.850323, head="time,Flow (gpm)")},
        "ask",
        ["log.csv", "unit|gpm"],
    )


@fmt
def header_repeated_same(seed):
    w, v = simple(seed)
    n = len(v) // 2
    return done(w, pipe(), {"log.csv": table(w.t[:n], v[:n]) + table(w.t[n:], v[n:])})


@fmt
def header_repeated_other_unit(seed):
    w, v = simple(seed)
    n = len(v) // 2
    cols = {"time": "time", "flow": {"name": "Flow (L/s)", "unit": "L/s"}}
    return done(
        w,
        pipe(columns=cols),
        {
            "log.csv": table(w.t[:n], v[:n], head="time,Flow (L/s)")
            + table(w.t[n:], v[n:] * 3.6, head="time,Flow (m3/h)")
        },
        "ask",
        ["log.csv", "line", "unit|header|heading"],
    )


@fmt
def unit_row_repeated_other_unit(seed):
    w, v = simple(seed)
    n = len(v) // 2
    return done(
        w,
        pipe(),
        {
            "log.csv": "time,flow\n,L/s\n"
            + table(w.t[:n], v[:n], head=None)
            + "time,flow\n,m3/h\n"
            + table(w.t[n:], v[n:] * 3.6, head=None)
        },
        "ask",
        ["log.csv", "line", "unit|header|heading|m3/h"],
    )


@fmt
def wide_month(seed):
    w, v = simple(seed, step=60)
    f = pd.DataFrame({"d": w.t.strftime("%Y-%m-%d"), "h": w.t.strftime("%H:%M"), "v": v}).pivot(
        index="h", columns="d", values="v"
    )
    return done(
        w,
        pipe(columns={"time": "hour", "flow": {"name": "2026-01-10", "unit": "L/s"}}),
        {"log.csv": f.round(3).to_csv(index_label="hour")},
        "ask",
        ["log.csv"],
    )


@fmt
def wide_day_rows(seed):
    w, v = simple(seed)
    f = pd.DataFrame({"d": w.t.strftime("%Y-%m-%d"), "h": w.t.strftime("%H:%M"), "v": v}).pivot(
        index="d", columns="h", values="v"
    )
    return done(
        w,
        pipe(columns={"time": "date", "flow": {"name": "00:00", "unit": "L/s"}}),
        {"log.csv": f.round(3).to_csv(index_label="date")},
        "ask",
        ["log.csv|readings|day|apart|gap"],
    )


@fmt
def monthly_files_stated(seed):
    w, v = simple(seed)
    m = w.t.month
    files, names = {}, []
    for k in (1, 2, 3):
        n = f"log_{k:02d}.csv"
        names.append(n)
        s = m == k
        files[n] = table(
            w.t[s], v[s] * (3.6 if k == 2 else 1), head="time,Q_m3h" if k == 2 else "time,flow"
        )
    return done(
        w,
        pipe(names, file_columns={"log_02.csv": {"flow": {"name": "Q_m3h", "unit": "m3/h"}}}),
        files,
    )


@fmt
def monthly_files_unstated(seed):
    w, v = simple(seed)
    m = w.t.month
    files = {
        f"log_{k:02d}.csv": table(
            w.t[m == k],
            v[m == k] * (3.6 if k == 2 else 1),
            head="time,Q_m3h" if k == 2 else "time,flow",
        )
        for k in (1, 2, 3)
    }
    return done(w, pipe(list(files)), files, "ask", [r"log_02\.csv", "column"])


@fmt
def monthly_files_other_title_unit(seed):
    w, v = simple(seed)
    m = w.t.month
    files = {
        f"log_{k:02d}.csv": (f"time,flow\n,{'m3/h' if k == 2 else 'L/s'}\n")
        + table(w.t[m == k], v[m == k] * (3.6 if k == 2 else 1), head=None)
        for k in (1, 2, 3)
    }
    return done(w, pipe(list(files)), files, "ask", [r"log_02\.csv", "unit|m3/h"])


@fmt
def long_table(seed):
    w, v = simple(seed)
    rows = ["tag,value,time"]
    for a, b in zip(w.t, v):
        s = f"{a:%Y-%m-%d %H:%M}"
        rows += [f"FT117.PV,{b:.3f},{s}", f"LT118.PV,{b * 9 + 20:.2f},{s}", f"TT119.PV,14.2,{s}"]
    return done(
        w,
        pipe(columns={"time": "time", "flow": {"name": "value", "unit": "L/s"}}),
        {"log.csv": "\n".join(rows) + "\n"},
        "ask",
        ["log.csv"],
    )


@fmt
def long_table_offset_stamps(seed):
    w, v = simple(seed)
    rows = ["tag,value,time"]
    for a, b in zip(w.t, v):
        rows += [
            f"FT117.PV,{b:.3f},{a:%Y-%m-%d %H:%M:%S}",
            f"FT120.PV,{b * 0.4:.3f},{a + pd.Timedelta('7s'):%Y-%m-%d %H:%M:%S}",
        ]
    return done(
        w,
        pipe(columns={"time": "time", "flow": {"name": "value", "unit": "L/s"}}),
        {"log.csv": "\n".join(rows) + "\n"},
        "ask",
        ["log.csv"],
    )


@fmt
def long_table_one_tag(seed):
    w, v = simple(seed)
    rows = ["tag,value,time"] + [f"FT117.PV,{b:.3f},{a:%Y-%m-%d %H:%M}" for a, b in zip(w.t, v)]
    return done(
        w,
        pipe(columns={"time": "time", "flow": {"name": "value", "unit": "L/s"}}),
        {"log.csv": "\n".join(rows) + "\n"},
    )


def epoch(w, scale):
    return (w.moment.as_unit("ns").asi8 // 1_000_000_000) * scale


@fmt
def epoch_seconds(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(time_form="epoch seconds"),
        {"log.csv": "time,flow\n" + "".join(f"{a},{b:.3f}\n" for a, b in zip(epoch(w, 1), v))},
    )


@fmt
def epoch_milliseconds(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(time_form="epoch milliseconds"),
        {"log.csv": "time,flow\n" + "".join(f"{a},{b:.3f}\n" for a, b in zip(epoch(w, 1000), v))},
    )


@fmt
def epoch_unstated(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(),
        {"log.csv": "time,flow\n" + "".join(f"{a},{b:.3f}\n" for a, b in zip(epoch(w, 1), v))},
        "ask",
        ["log.csv", "time_form|epoch|time"],
    )


@fmt
def epoch_wrong_scale(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(time_form="epoch seconds"),
        {"log.csv": "time,flow\n" + "".join(f"{a},{b:.3f}\n" for a, b in zip(epoch(w, 1000), v))},
        "ask",
        ["epoch|time|stamp"],
    )


def daynumber(w, base="1899-12-30"):
    return (w.t - pd.Timestamp(base)) / pd.Timedelta("1D")


@fmt
def day_numbers(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(time_form="day numbers"),
        {"log.csv": "time,flow\n" + "".join(f"{a:.6f},{b:.3f}\n" for a, b in zip(daynumber(w), v))},
    )


@fmt
def day_numbers_comma(seed):
    w, v = simple(seed)
    s = "time;flow\n" + "".join(
        f"{a:.6f};{b:.3f}\n".replace(".", ",") for a, b in zip(daynumber(w), v)
    )
    return done(w, pipe(time_form="day numbers", decimal=","), {"log.csv": s})


@fmt
def day_numbers_1904(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(time_form="day numbers"),
        {
            "log.csv": "time,flow\n"
            + "".join(f"{a:.6f},{b:.3f}\n" for a, b in zip(daynumber(w, "1904-01-01"), v))
        },
        "ask",
        ["no reading|outside|cover|1904|missing|before"],
    )


@fmt
def day_first(seed):
    w, v = simple(seed)
    return done(w, pipe(day_first=True), {"log.csv": table(w.t, v, form="%d/%m/%Y %H:%M")})


@fmt
def month_first_ampm(seed):
    w, v = simple(seed)
    return done(w, pipe(day_first=False), {"log.csv": table(w.t, v, form="%m/%d/%Y %I:%M:%S %p")})


@fmt
def day_first_stated_wrongly(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(day_first=False),
        {"log.csv": table(w.t, v, form="%d/%m/%Y %H:%M")},
        "ask",
        ["log.csv", "day|date|time"],
    )


@fmt
def day_or_month_ambiguous(seed):
    w = World(seed, "2026-02-01", "2026-02-12 23:45", ("2026-02-02", "2026-02-12"))
    return done(
        w,
        pipe(),
        {"log.csv": table(w.t, w.q * 1000, form="%d/%m/%Y %H:%M")},
        "ask",
        ["log.csv", "day_first|day"],
    )


@fmt
def two_digit_year(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(day_first=True),
        {"log.csv": table(w.t, v, form="%d.%m.%y %H:%M")},
        "either",
        ["log.csv", "time|date|year"],
    )


@fmt
def month_names(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(),
        {"log.csv": table(w.t, v, form="%d-%b-%Y %H:%M:%S")},
        "either",
        ["log.csv", "time|date"],
    )


@fmt
def month_names_foreign(seed):
    w, v = simple(seed)
    s = (
        table(w.t, v, form="%d-%b-%Y %H:%M:%S")
        .replace("Jan", "janv.")
        .replace("Feb", "févr.")
        .replace("Mar", "mars")
    )
    return done(w, pipe(), {"log.csv": s}, "either", ["log.csv", "time|date"])


@fmt
def hour_24(seed):
    w, v = simple(seed)
    rows = []
    for a, b in zip(w.t, v):
        s = (
            f"{a - pd.Timedelta('1D'):%d/%m/%Y} 24:00"
            if a.hour == a.minute == 0
            else f"{a:%d/%m/%Y %H:%M}"
        )
        rows.append(f"{s},{b:.3f}")
    return done(w, pipe(day_first=True), {"log.csv": "time,flow\n" + "\n".join(rows) + "\n"})


@fmt
def offsets_in_stamps(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(),
        {
            "log.csv": "time,flow\n"
            + "".join(f"{a.isoformat()},{b:.3f}\n" for a, b in zip(w.local, v))
        },
    )


@fmt
def zulu(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(),
        {
            "log.csv": "time,flow\n"
            + "".join(f"{a:%Y-%m-%dT%H:%M:%S.000Z},{b:.3f}\n" for a, b in zip(w.moment, v))
        },
    )


AUTUMN = dict(
    start="2025-10-08", end="2025-12-03", cuts=("2025-10-10", "2025-11-02", "2025-12-02"), utc=True
)
SPRING = dict(
    start="2026-02-20", end="2026-04-10", cuts=("2026-02-22", "2026-03-08", "2026-04-08"), utc=True
)


@fmt
def standard_time_through_autumn(seed):
    w, v = simple(seed, **AUTUMN)
    t = w.moment.tz_convert("Etc/GMT+6").tz_localize(None)
    return done(w, pipe(time_zone="UTC-06:00"), {"log.csv": table(t, v)})


@fmt
def autumn_hour_twice(seed):
    w, v = simple(seed, **AUTUMN)
    return done(w, pipe(), {"log.csv": table(w.t, v)})


@fmt
def autumn_hour_twice_shuffled(seed):
    """The repeated hour stands interleaved, as after sorting in a spreadsheet."""
    w, v = simple(seed, **AUTUMN)
    o = np.argsort(w.t.asi8, kind="stable")
    return done(
        w, pipe(), {"log.csv": table(w.t[o], v[o])}, "either", ["log.csv", "time|hour|clock"]
    )


@fmt
def spring_wall_clock(seed):
    w, v = simple(seed, **SPRING)
    return done(w, pipe(), {"log.csv": table(w.t, v)})


@fmt
def spring_stamps_that_do_not_exist(seed):
    w, v = simple(seed, **SPRING)
    t = w.moment.tz_convert("Etc/GMT+6").tz_localize(None)
    return done(w, pipe(), {"log.csv": table(t, v)}, "ask", ["log.csv", "hour|clock|time_zone"])


@fmt
def zone_words(seed):
    w, v = simple(seed, **AUTUMN)
    s = "time,tz,flow\n" + "".join(
        f"{a:%Y-%m-%d %H:%M},{a.tzname()},{b:.3f}\n" for a, b in zip(w.local, v)
    )
    return done(
        w,
        pipe(columns={**COLS, "zone": "tz"}, zone_offsets={"CST": "UTC-06:00", "CDT": "UTC-05:00"}),
        {"log.csv": s},
    )


@fmt
def clock_set_back(seed):
    w, v = simple(seed)
    n = len(v) // 2
    t = w.t[:n].append(
        w.t[n:] - pd.Timedelta("100min")
    )  # the clock was 100 minutes fast... then set
    return done(w, pipe(), {"log.csv": table(t, v)}, "ask", ["log.csv", "line", "back"])


@fmt
def clock_to_1970(seed):
    w, v = simple(seed)
    t = list(w.t)
    n = len(t) // 2
    for i in range(n, n + 400):
        t[i] = pd.Timestamp("1970-01-01") + (w.t[i] - w.t[n])
    return done(w, pipe(), {"log.csv": table(t, v)}, "ask", ["log.csv|gap|cover", "1970|back|line"])


@fmt
def date_in_block_heading(seed):
    w, v = simple(seed)
    out = ["time,flow"]
    for a, b in zip(w.t, v):
        if a.hour == a.minute == 0:
            out.append(f"Date: {a:%Y-%m-%d},")
        out.append(f"{a:%H:%M},{b:.3f}")
    return done(
        w, pipe(), {"log.csv": "\n".join(out) + "\n"}, "ask", ["log.csv", "line", "date|time"]
    )


@fmt
def date_on_first_row_of_day(seed):
    w, v = simple(seed)
    out = ["date,time,flow"] + [
        f"{a:%Y-%m-%d}" * (a.hour == a.minute == 0) + f",{a:%H:%M},{b:.3f}" for a, b in zip(w.t, v)
    ]
    return done(
        w,
        pipe(columns={**COLS, "date": "date"}),
        {"log.csv": "\n".join(out) + "\n"},
        "either",
        ["log.csv", "line", "date"],
    )


@fmt
def date_and_time_apart(seed):
    w, v = simple(seed)
    out = ["date,time,flow"] + [f"{a:%Y-%m-%d},{a:%H:%M:%S},{b:.3f}" for a, b in zip(w.t, v)]
    return done(w, pipe(columns={**COLS, "date": "date"}), {"log.csv": "\n".join(out) + "\n"})


@fmt
def five_time_columns(seed):
    w, v = simple(seed)
    out = ["yr,mo,dy,hr,mi,flow"] + [
        f"{a.year},{a.month},{a.day},{a.hour},{a.minute},{b:.3f}" for a, b in zip(w.t, v)
    ]
    return done(
        w,
        pipe(columns={"time": ["yr", "mo", "dy", "hr", "mi"], "flow": COLS["flow"]}),
        {"log.csv": "\n".join(out) + "\n"},
    )


@fmt
def semicolon_decimal_comma(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(day_first=True),
        {
            "log.csv": table(
                w.t, v, head="time;flow", sep=";", dec=",", form="%d.%m.%Y %H:%M", digits=2
            )
        },
    )


@fmt
def semicolon_three_decimals_unstated(seed):
    """4,995 may be five or five thousand."""
    w, v = simple(seed)
    return done(
        w,
        pipe(day_first=True),
        {"log.csv": table(w.t, v, head="time;flow", sep=";", dec=",", form="%d.%m.%Y %H:%M")},
        "either",
        ["log.csv", "decimal"],
    )


@fmt
def comma_comma(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(),
        {"log.csv": table(w.t, v, dec=",")},
        "ask",
        ["log.csv", "line|column|decimal|separator"],
    )


@fmt
def thousands_quoted(seed):
    w, v = simple(seed)
    cols = {"time": "time", "flow": {"name": "flow", "unit": "L/h"}}
    return done(
        w,
        pipe(columns=cols, decimal="."),
        {
            "log.csv": "time,flow\n"
            + "".join(f'{a:%Y-%m-%d %H:%M},"{b * 3600:,.1f}"\n' for a, b in zip(w.t, v))
        },
    )


@fmt
def thousands_ambiguous(seed):
    w, v = simple(seed)
    v = np.round(v * 86.4).astype(int)  # m3/d near 1,000: 1,234 may be one and a bit
    v = np.clip(v, 1000, None)
    cols = {"time": "time", "flow": {"name": "flow", "unit": "m3/d"}}
    return done(
        w,
        pipe(columns=cols),
        {
            "log.csv": "time;flow\n"
            + "".join(f"{a:%Y-%m-%d %H:%M};{b:,d}\n" for a, b in zip(w.t, v))
        },
        "ask",
        ["log.csv", "decimal|1,"],
        volumes=w.volumes(v / 86400),
    )


@fmt
def thousands_space(seed):
    w, v = simple(seed)
    cols = {"time": "time", "flow": {"name": "flow", "unit": "L/h"}}
    s = "time;flow\n" + "".join(
        f"{a:%Y-%m-%d %H:%M};" + f"{b * 3600:,.1f}".replace(",", "\u202f").replace(".", ",") + "\n"
        for a, b in zip(w.t, v)
    )
    return done(
        w, pipe(columns=cols, decimal=","), {"log.csv": s}, "either", ["log.csv", "line|column"]
    )


@fmt
def thousands_apostrophe(seed):
    w, v = simple(seed)
    cols = {"time": "time", "flow": {"name": "flow", "unit": "L/h"}}
    s = "time;flow\n" + "".join(
        f"{a:%Y-%m-%d %H:%M};" + f"{b * 3600:,.1f}".replace(",", "'") + "\n" for a, b in zip(w.t, v)
    )
    return done(w, pipe(columns=cols), {"log.csv": s}, "either", ["log.csv", "line|column"])


@fmt
def utf16(seed):
    w, v = simple(seed)
    return done(w, pipe(), {"log.csv": table(w.t, v, head="time\tflow", sep="\t").encode("utf-16")})


@fmt
def utf16_no_mark(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(),
        {"log.csv": table(w.t, v).encode("utf-16-le")},
        "either",
        ["log.csv", "encod|UTF|NUL|zero"],
    )


@fmt
def byte_order_mark(seed):
    w, v = simple(seed)
    return done(w, pipe(), {"log.csv": b"\xef\xbb\xbf" + table(w.t, v, end="\r\n").encode()})


@fmt
def latin1_degree_sign(seed):
    w, v = simple(seed)
    s = "time,Débit (L/s),Temp (°C)\n" + "".join(
        f"{a:%Y-%m-%d %H:%M},{b:.3f},14.1\n" for a, b in zip(w.t, v)
    )
    return done(
        w,
        pipe(columns={"time": "time", "flow": {"name": "Débit (L/s)", "unit": "L/s"}}),
        {"log.csv": s.encode("latin-1")},
    )


@fmt
def nul_bytes(seed):
    w, v = simple(seed)
    s = table(w.t, v).encode()
    n = s.index(b"\n", len(s) // 2) + 1
    return done(w, pipe(), {"log.csv": s[:n] + b"\0" * 512 + b"\n" + s[n:]}, "either", ["log.csv"])


@fmt
def quoted_newlines(seed):
    w, v = simple(seed)
    s = "time,flow,remark\n" + "".join(
        f"{a:%Y-%m-%d %H:%M},{b:.3f},{chr(34) + 'cleaned' + chr(10) + 'by night shift, lamp broken' + chr(34) if i % 700 == 5 else ''}\n"
        for i, (a, b) in enumerate(zip(w.t, v))
    )
    return done(w, pipe(columns={**COLS, "remark": "remark"}), {"log.csv": s})


@fmt
def totals_row(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(),
        {"log.csv": table(w.t, v) + f"Total,{v.sum():.1f}\nMaximum,{v.max():.3f}\n"},
        "either",
        ["log.csv", "line"],
    )


@fmt
def daily_subtotals(seed):
    w, v = simple(seed)
    out = ["time,flow"]
    day = 0.0
    for a, b in zip(w.t, v):
        out.append(f"{a:%Y-%m-%d %H:%M},{b:.3f}")
        day += b
        if a.hour == 23 and a.minute == 45:
            out.append(f"{a:%Y-%m-%d},{day * 0.9:.2f}")
            day = 0
    return done(w, pipe(), {"log.csv": "\n".join(out) + "\n"}, "ask", ["log.csv", "line"])


@fmt
def footer(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(),
        {
            "log.csv": table(w.t, v)
            + f"\nEnd of report - {len(v)} records\nPrinted 2026-03-06 08:01 by shift desk\n"
        },
        "either",
        ["log.csv", "line"],
    )


@fmt
def comment_lines(seed):
    w, v = simple(seed)
    n = len(v) // 2
    return done(
        w,
        pipe(),
        {
            "log.csv": "# station 4\n# clock UTC-6\n"
            + table(w.t[:n], v[:n])
            + "# battery changed\n"
            + table(w.t[n:], v[n:], head=None)
        },
        "either",
        ["log.csv", "line"],
    )


@fmt
def blank_lines(seed):
    w, v = simple(seed)
    lines = table(w.t, v).split("\n")
    return done(
        w,
        pipe(),
        {
            "log.csv": "\n".join(
                x + ("\n\n" if i % 96 == 0 and i else "") for i, x in enumerate(lines)
            )
        },
    )


def with_marks(seed, mark, stated, runs=40, expect=None, words=(), width=2, **more):
    w, v = simple(seed)
    x = list(v)
    for i in w.rng.choice(np.arange(200, len(v) - 200, 9), runs, replace=False):
        for k in range(min(width, 1 if stated else width)):
            x[i + k] = mark
    kw = dict(missing_marks=[mark]) if stated else {}
    return done(
        w,
        pipe(**kw, **more),
        {"log.csv": table(w.t, x)},
        expect or ("readable" if stated else "ask"),
        words,
    )


@fmt
def mark_9999_stated(seed):
    return with_marks(seed, "-9999", True)


@fmt
def mark_9999_unstated(seed):
    return with_marks(seed, "-9999", False, words=["-9,?999"])


@fmt
def mark_99_99_unstated(seed):
    return with_marks(seed, "99.99", False, words=["99.99"], width=20, runs=30)


@fmt
def mark_zero_unstated(seed):
    """0.000 stands for a lost signal, in runs of five hours; nothing says so."""
    return with_marks(seed, "0.000", False, words=["0|zero"], width=20, runs=30)


@fmt
def mark_7fff(seed):
    return with_marks(seed, "7FFF", False, words=["7FFF", "log.csv", "missing_marks|line"])


@fmt
def mark_32767(seed):
    return with_marks(seed, "32767", False, words=["32,?767"], width=8)


@fmt
def mark_word_unstated(seed):
    return with_marks(seed, "Bad", False, words=["Bad", "missing_marks|line"])


@fmt
def mark_word_stated(seed):
    return with_marks(seed, "Bad", True)


@fmt
def below_detection(seed):
    return with_marks(seed, "<0.1", False, words=["<0.1", "line"])


@fmt
def dashes_stated(seed):
    return with_marks(seed, "---", True)


@fmt
def error_words_of_spreadsheet(seed):
    return with_marks(seed, "#DIV/0!", False, words=["DIV|line", "log.csv"], expect="either")


@fmt
def nan_and_null(seed):
    return with_marks(seed, "NaN", False, words=["NaN", "line"], expect="either", width=1)


def with_status(
    seed, good, bad, status, expect="readable", words=(), named=True, width=2, value="0.000"
):
    w, v = simple(seed)
    x, s = list(v), [good] * len(v)
    for i in w.rng.choice(np.arange(200, len(v) - 200, 30), 40, replace=False):
        for k in range(width):
            x[i + k], s[i + k] = value, bad
    out = "time,flow,Q\n" + "".join(
        f"{a:%Y-%m-%d %H:%M},{b if isinstance(b, str) else format(b, '.3f')},{c}\n"
        for a, b, c in zip(w.t, x, s)
    )
    cols = {**COLS, **({"status": "Q"} if named else {})}
    return done(
        w,
        pipe(columns=cols, **({"status": status} if status else {})),
        {"log.csv": out},
        expect,
        words,
    )


@fmt
def status_letters(seed):
    return with_status(seed, "G", "B", {"good": ["G"], "bad": ["B"]}, width=1)


@fmt
def status_bits(seed):
    return with_status(seed, "0", "12", {"bits": {"4": "bad", "8": "doubtful"}}, width=1)


@fmt
def status_opc_192(seed):
    return with_status(seed, "192", "0", {"good": ["192"], "bad": ["0"]}, width=1)


@fmt
def status_code_unknown(seed):
    return with_status(seed, "192", "24", {"good": ["192"], "bad": ["0"]}, "ask", ["24", "status"])


@fmt
def status_meaning_unstated(seed):
    return with_status(seed, "G", "B", None, "ask", ["status"])


@fmt
def status_column_not_named(seed):
    return with_status(
        seed, "GOOD", "BAD", None, "ask", ["Q|zero|held|reject|column"], named=False, width=25
    )


@fmt
def by_exception(seed):
    """A row only where the value left a dead band of 25 %: the last value holds until the next row."""
    w, v = simple(seed, step=5)
    keep, last = [0], v[0]
    for i in range(1, len(v)):
        if abs(v[i] - last) > 0.25 * last:
            keep.append(i)
            last = v[i]
    m, x = w.moment[keep], np.round(v[keep], 3)
    return done(
        w,
        pipe(),
        {"log.csv": table(w.t[keep], x)},
        "ask",
        ["gap|apart|change|cover|bridge"],
        volumes=w.volumes(x / 1000, hold=True, moment=m),
    )


@fmt
def by_exception_pumps(seed):
    """Rows only at pump starts and stops: 0 and 18 L/s, held between."""
    w = World(seed)
    t, v, now, on = [], [], w.moment[0], True
    while now < w.moment[-1]:
        t.append(now), v.append(18.0 if on else 0.0)
        h = now.tz_convert(ZONE).hour
        now += pd.Timedelta(
            seconds=int(
                w.rng.uniform(300, 420) if on else w.rng.uniform(600, 5000 if 7 < h < 19 else 15000)
            )
        )
        on = not on
    m = pd.DatetimeIndex(t)
    return done(
        w,
        pipe(),
        {"log.csv": table(m.tz_convert(ZONE), v, form="%Y-%m-%d %H:%M:%S", digits=1)},
        "ask",
        ["gap|apart|change|cover|bridge|regular|step"],
        volumes=w.volumes(np.array(v) / 1000, hold=True, moment=m),
    )


@fmt
def negative_zero(seed):
    w = World(seed)
    w.q = np.where((w.t.hour < 4), 0, w.q)
    return done(
        w, pipe(), {"log.csv": table(w.t, ["-0.000" if x == 0 else float(x * 1000) for x in w.q])}
    )


@fmt
def parentheses_negative(seed):
    w, v = simple(seed)
    return with_marks(seed, "(1.250)", False, words=["1.25", "line"], expect="either", width=1)


@fmt
def exponent_numbers(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(),
        {
            "log.csv": "time,flow\n"
            + "".join(f"{a:%Y-%m-%d %H:%M},{b:.5E}\n" for a, b in zip(w.t, v))
        },
    )


@fmt
def unit_inside_cells(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(),
        {
            "log.csv": "time,flow\n"
            + "".join(f"{a:%Y-%m-%d %H:%M},{b:.3f} L/s\n" for a, b in zip(w.t, v))
        },
        "either",
        ["log.csv", "line"],
    )


@fmt
def fixed_width(seed):
    w, v = simple(seed)
    s = "day         clock    flow\n" + "".join(
        f"{a:%Y-%m-%d}  {a:%H:%M}  {b:8.3f}\n" for a, b in zip(w.t, v)
    )
    return done(
        w,
        pipe(columns={"date": "day", "time": "clock", "flow": COLS["flow"]}),
        {"log.csv": s},
        "either",
        ["log.csv", "column|separator"],
    )


@fmt
def trailing_separator(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(),
        {
            "log.csv": "time,flow,\n"
            + "".join(f"{a:%Y-%m-%d %H:%M},{b:.3f},\n" for a, b in zip(w.t, v))
        },
    )


@fmt
def carriage_returns_only(seed):
    w, v = simple(seed)
    return done(w, pipe(), {"log.csv": table(w.t, v, end="\r").encode()})


@fmt
def last_line_cut(seed):
    w, v = simple(seed)
    return done(w, pipe(), {"log.csv": table(w.t, v)[:-9]}, "either", ["log.csv", "line"])


@fmt
def newest_first(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(),
        {"log.csv": table(w.t[::-1], v[::-1])},
        "either",
        ["log.csv", "back|order|sort|descend|newest"],
    )


@fmt
def one_field_too_many(seed):
    w, v = simple(seed)
    lines = table(w.t, v).split("\n")
    for i in range(500, 900):
        lines[i] = lines[i].replace(",", ",7,")
    return done(w, pipe(), {"log.csv": "\n".join(lines)}, "ask", ["log.csv", "line"])


@fmt
def columns_of_one_name(seed):
    w, v = simple(seed)
    s = "time,flow,flow\n" + "".join(
        f"{a:%Y-%m-%d %H:%M},{b * 0.3:.3f},{b:.3f}\n" for a, b in zip(w.t, v)
    )
    return done(
        w,
        pipe(),
        {"log.csv": s},
        "ask",
        ["log.csv", "flow", "twice|two|more than one|times|column"],
    )


@fmt
def identical_rows_twice(seed):
    w, v = simple(seed)
    lines = table(w.t, v).split("\n")
    return done(
        w,
        pipe(),
        {
            "log.csv": "\n".join(
                x for i, x in enumerate(lines) for _ in range(2 if i % 11 == 3 and x else 1)
            )
        },
    )


@fmt
def files_overlap_same(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(["a.csv", "b.csv"]),
        {"a.csv": table(w.t[:3000], v[:3000]), "b.csv": table(w.t[2600:], v[2600:])},
    )


@fmt
def file_twice_under_two_names(seed):
    w, v = simple(seed)
    s = table(w.t, v)
    return done(
        w, pipe(["a.csv", "copy of a.csv"]), {"a.csv": s, "copy of a.csv": s}, "either", ["a.csv"]
    )


@fmt
def files_overlap_different(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(["a.csv", "b.csv"]),
        {
            "a.csv": table(w.t[:3000], v[:3000]),
            "b.csv": table(
                w.t[1200:], v[1200:] * np.where(np.arange(len(v))[1200:] < 3000, 1.4, 1)
            ),
        },
        "ask",
        ["a.csv|b.csv|differ|conflict|reject|cover"],
    )


@fmt
def files_column_order_changes(seed):
    w, v = simple(seed)
    a = "time,flow,temp\n" + "".join(
        f"{x:%Y-%m-%d %H:%M},{y:.3f},13.5\n" for x, y in zip(w.t[:2600], v[:2600])
    )
    b = "temp,time,flow\n" + "".join(
        f"13.5,{x:%Y-%m-%d %H:%M},{y:.3f}\n" for x, y in zip(w.t[2600:], v[2600:])
    )
    return done(w, pipe(["a.csv", "b.csv"]), {"a.csv": a, "b.csv": b})


@fmt
def columns_change_in_middle(seed):
    """A second header in the middle puts the columns in another order."""
    w, v = simple(seed)
    a = "time,flow,temp\n" + "".join(
        f"{x:%Y-%m-%d %H:%M},{y:.3f},13.5\n" for x, y in zip(w.t[:2600], v[:2600])
    )
    b = "time,temp,flow\n" + "".join(
        f"{x:%Y-%m-%d %H:%M},13.5,{y:.3f}\n" for x, y in zip(w.t[2600:], v[2600:])
    )
    return done(
        w, pipe(), {"log.csv": a + b}, "either", ["log.csv", "line", "header|heading|column"]
    )


@fmt
def hourly_means_end(seed):
    w = World(seed, step=5)
    q = pd.Series(w.q, index=w.moment)
    m = q.iloc[:-1].resample("60min").mean()
    end = (m.index + pd.Timedelta("60min")).tz_convert(ZONE)
    vol = [
        float(m[(m.index >= a) & (m.index < b)].sum() * 3600) for a, b in zip(w.cuts, w.cuts[1:])
    ]
    return done(w, pipe(stamp="interval end"), {"log.csv": table(end, list(m * 1000))}, volumes=vol)


@fmt
def daily_totals(seed):
    """One volume a day; the case can only call it a mean flow in m3/d with stamps of intervals."""
    w = World(seed)
    d = pd.Series(w.q, index=w.t).iloc[:-1].resample("1D").mean() * 86400
    cols = {"time": "day", "flow": {"name": "volume", "unit": "m3/d"}}
    s = "day,volume\n" + "".join(f"{a:%Y-%m-%d},{b:.1f}\n" for a, b in d.items())
    vol = [
        float(d[(d.index >= a.tz_localize(None)) & (d.index < b.tz_localize(None))].sum())
        for a, b in zip(w.cuts, w.cuts[1:])
    ]
    return done(
        w,
        pipe(columns=cols, stamp="interval start", longest_bridge="25 h"),
        {"log.csv": s},
        "either",
        ["log.csv|day"],
        volumes=vol,
    )


@fmt
def step_changes(seed):
    w, v = simple(seed, step=5)
    k = np.r_[0:4000:3, 4000 : len(v)]
    return done(w, pipe(), {"log.csv": table(w.t[k], v[k])})


@fmt
def stamps_jitter(seed):
    w, v = simple(seed)
    t = w.t + pd.to_timedelta(w.rng.integers(-4, 5, len(v)), unit="s")
    return done(w, pipe(), {"log.csv": table(t, v, form="%Y-%m-%d %H:%M:%S")})


# totalisers, pulses, registers


@fmt
def totaliser_only(seed):
    w, v = simple(seed)
    tot = 48210 + np.concatenate([[0], np.cumsum((w.q[1:] + w.q[:-1]) / 2 * 900)])
    cols = {"time": "time", "totaliser": {"name": "total", "unit": "m3"}}
    return done(
        w,
        pipe(columns=cols),
        {"log.csv": table(w.t, tot, head="time,total", digits=2)},
        "either",
        ["flow|totaliser"],
    )


@fmt
def totaliser_taken_for_flow(seed):
    w, v = simple(seed)
    tot = 210 + np.concatenate([[0], np.cumsum((w.q[1:] + w.q[:-1]) / 2 * 900)])
    cols = {"time": "time", "flow": {"name": "total", "unit": "m3/h"}}
    return done(
        w,
        pipe(columns=cols),
        {"log.csv": table(w.t, tot, head="time,total", digits=2)},
        "ask",
        ["total|ris|never falls|register"],
    )


@fmt
def totaliser_resets_daily(seed):
    w, v = simple(seed)
    inc = np.concatenate([[0], (w.q[1:] + w.q[:-1]) / 2 * 900])
    tot, run = [], 0.0
    for a, i in zip(w.t, inc):
        run += i
        tot.append(run)
        if a.hour == 0 and a.minute == 0:
            run = 0.0
    s = "time,flow,total\n" + "".join(
        f"{a:%Y-%m-%d %H:%M},{b:.3f},{c:.2f}\n" for a, b, c in zip(w.t, v, tot)
    )
    return done(
        w,
        pipe(columns={**COLS, "totaliser": {"name": "total", "unit": "m3"}}),
        {"log.csv": s},
        "either",
        ["totaliser|reset|falls"],
    )


@fmt
def totaliser_rolls_over(seed):
    w, v = simple(seed)
    tot = (88000 + np.concatenate([[0], np.cumsum((w.q[1:] + w.q[:-1]) / 2 * 900)])) % 100000
    s = "time,flow,total\n" + "".join(
        f"{a:%Y-%m-%d %H:%M},{b:.3f},{c:.2f}\n" for a, b, c in zip(w.t, v, tot)
    )
    return done(
        w,
        pipe(columns={**COLS, "totaliser": {"name": "total", "unit": "m3"}}),
        {"log.csv": s},
        "either",
        ["totaliser|roll|falls"],
    )


@fmt
def pulses(seed):
    w, v = simple(seed)
    c = np.diff(np.floor(np.concatenate([[0], np.cumsum(w.q * 900)]) / 0.1)).astype(int)
    cols = {"time": "time", "flow": {"name": "pulses", "unit": "pulses"}}
    return done(
        w,
        pipe(columns=cols, stamp="interval end"),
        {"log.csv": "time,pulses\n" + "".join(f"{a:%Y-%m-%d %H:%M},{b}\n" for a, b in zip(w.t, c))},
        "ask",
        ["unit|pulses"],
    )


@fmt
def volume_per_interval_as_flow_unit(seed):
    """Volumes of 15 minutes in m3; the case has no role for them, the nearest is wrong by its unit."""
    w, v = simple(seed)
    cols = {"time": "time", "flow": {"name": "vol", "unit": "m3"}}
    return done(
        w,
        pipe(columns=cols, stamp="interval end"),
        {"log.csv": table(w.t, w.q * 900, head="time,vol")},
        "ask",
        ["unit|m3"],
    )


def register(seed, write, expect="readable", words=(), digits=True):
    w = World(seed, step=60)
    tot = 96000 + np.concatenate([[0], np.cumsum((w.q[1:] + w.q[:-1]) / 2 * 3600)])
    extra = (
        '[[intake]]\nmeter = "main"\nfile = "meter.csv"\nunit = "m3"\nmultiplier = 1\n'
        + ("digits = 6\n" if digits else "")
        + 'error = { expanded = "2 %", coverage_factor = 2, source = "judgement" }\n'
    )
    return done(w, None, {"meter.csv": write(w, tot)}, expect, words, basis="intake", extra=extra)


@fmt
def register_plain(seed):
    return register(seed, lambda w, r: table(w.t[::6], r[::6], head="time,register", digits=2))


@fmt
def register_two_rows_one_second(seed):
    def write(w, r):
        out = ["time,register"]
        for i in range(0, len(r), 6):
            out.append(f"{w.t[i]:%Y-%m-%d %H:%M:%S},{r[i]:.2f}")
            if i % 60 == 0:
                out.append(f"{w.t[i]:%Y-%m-%d %H:%M:%S},{r[i] + 0.01:.2f}")
        return "\n".join(out) + "\n"

    return register(seed, write)


@fmt
def register_rolls_over(seed):
    return register(
        seed,
        lambda w, r: table(w.t[::6], ((r + 895000) % 1000000)[::6], head="time,register", digits=2),
    )


@fmt
def register_reset_to_zero(seed):
    def write(w, r):
        x = r.copy()
        n = len(x) // 2
        x[n:] -= x[n]
        return table(w.t[::6], x[::6], head="time,register", digits=2)

    return register(seed, write, "ask", ["meter.csv", "fall|roll|back|change|drop|lower"])


@fmt
def register_falls_a_little(seed):
    def write(w, r):
        x = r.copy()
        x[700:706] -= 600
        return table(w.t[::6], x[::6], head="time,register", digits=2)

    return register(
        seed, write, "either", ["meter.csv", "fall|roll|back|change|drop|lower"], digits=False
    )


# WaterML 2.0


def waterml(series, uom="l/s"):
    out = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<wml2:Collection xmlns:wml2="http://www.opengis.net/waterml/2.0" xmlns:gml="http://www.opengis.net/gml/3.2" '
        'xmlns:om="http://www.opengis.net/om/2.0" xmlns:xlink="http://www.w3.org/1999/xlink" '
        'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" gml:id="c1">',
    ]
    for ident, unit, default, points, meta in series:
        out += [
            '<wml2:observationMember><om:OM_Observation gml:id="%s"><om:procedure/><om:observedProperty xlink:title="discharge"/>'
            % ident,
            f'<om:result><wml2:MeasurementTimeseries gml:id="tvp-{ident}">',
            meta,
            "<wml2:defaultPointMetadata><wml2:DefaultTVPMeasurementMetadata>",
            default,
            f'<wml2:uom code="{unit}"/>' if unit else "",
            "</wml2:DefaultTVPMeasurementMetadata></wml2:defaultPointMetadata>",
            points,
            "</wml2:MeasurementTimeseries></om:result></om:OM_Observation></wml2:observationMember>",
        ]
    return "\n".join(out + ["</wml2:Collection>"]) + "\n"


def interp(word):
    return f'<wml2:interpolationType xlink:href="http://www.opengis.net/def/waterml/2.0/interpolationType/{word}"/>'


def points(times, values, each=None):
    out = []
    for i, (a, b) in enumerate(zip(times, values)):
        val = '<wml2:value xsi:nil="true"/>' if b is None else f"<wml2:value>{b:.3f}</wml2:value>"
        tm = f"<wml2:time>{a}</wml2:time>" if a is not None else ""
        out.append(
            f"<wml2:point><wml2:MeasurementTVP>{tm}{val}{each(i) if each else ''}</wml2:MeasurementTVP></wml2:point>"
        )
    return "\n".join(out)


def wml(w, text, expect="readable", words=(), name="ts1", unit="L/s", **more):
    vol = more.pop("volumes", None)
    return done(
        w,
        {
            "file": "log.xml",
            "form": "waterml",
            **PIPE,
            "columns": {"flow": {"name": name, "unit": unit}},
            **more,
        },
        {"log.xml": text},
        expect,
        words,
        volumes=vol,
    )


def iso(w):
    return [a.isoformat() for a in w.local]


@fmt
def waterml_pairs(seed):
    w, v = simple(seed)
    return wml(w, waterml([("ts1", "L/s", interp("Continuous"), points(iso(w), v), "")]))


@fmt
def waterml_zulu(seed):
    w, v = simple(seed)
    return wml(
        w,
        waterml(
            [
                (
                    "ts1",
                    "L/s",
                    interp("Continuous"),
                    points([f"{a:%Y-%m-%dT%H:%M:%SZ}" for a in w.moment], v),
                    "",
                )
            ]
        ),
    )


@fmt
def waterml_empty_points(seed):
    w, v = simple(seed)
    x = [None if i % 53 == 7 else float(b) for i, b in enumerate(v)]
    return wml(w, waterml([("ts1", "L/s", interp("Continuous"), points(iso(w), x), "")]))


@fmt
def waterml_empty_elements(seed):
    w, v = simple(seed)
    p = points(iso(w), v).split("\n")
    p[300] = "<wml2:point/>"
    p[301] = "<wml2:point><wml2:MeasurementTVP/></wml2:point>"
    return wml(
        w, waterml([("ts1", "L/s", interp("Continuous"), "\n".join(p), "")]), "either", ["log.xml"]
    )


@fmt
def waterml_base_time_spacing(seed):
    w, v = simple(seed)
    meta = (
        "<wml2:metadata><wml2:MeasurementTimeseriesMetadata>"
        f"<wml2:baseTime>{w.local[0].isoformat()}</wml2:baseTime><wml2:spacing>PT15M</wml2:spacing>"
        "</wml2:MeasurementTimeseriesMetadata></wml2:metadata>"
    )
    return wml(
        w,
        waterml([("ts1", "L/s", interp("Continuous"), points([None] * len(v), v), meta)]),
        "either",
        ["log.xml", "time|baseTime|spacing"],
    )


def means(seed, preceding):
    w = World(seed, step=5)
    m = pd.Series(w.q, index=w.moment).iloc[:-1].resample("60min").mean()
    at = m.index + pd.Timedelta("60min") if preceding else m.index
    vol = [
        float(m[(m.index >= a) & (m.index < b)].sum() * 3600) for a, b in zip(w.cuts, w.cuts[1:])
    ]
    return w, [a.isoformat() for a in at.tz_convert(ZONE)], list(m * 1000), vol


@fmt
def waterml_average_preceding(seed):
    w, t, v, vol = means(seed, True)
    return wml(
        w,
        waterml([("ts1", "L/s", interp("AveragePrec"), points(t, v), "")]),
        "either",
        ["log.xml|stamp|interval|mean"],
        volumes=vol,
    )


@fmt
def waterml_average_succeeding(seed):
    w, t, v, vol = means(seed, False)
    return wml(
        w,
        waterml([("ts1", "L/s", interp("AverageSucc"), points(t, v), "")]),
        "either",
        ["log.xml|stamp|interval|mean"],
        volumes=vol,
    )


@fmt
def waterml_average_stated(seed):
    w, t, v, vol = means(seed, True)
    return wml(
        w,
        waterml([("ts1", "L/s", interp("AveragePrec"), points(t, v), "")]),
        "either",
        ["stamp"],
        stamp="interval end",
        volumes=vol,
    )


@fmt
def waterml_average_contradicts_case(seed):
    w, t, v, vol = means(seed, True)
    return wml(
        w,
        waterml([("ts1", "L/s", interp("AveragePrec"), points(t, v), "")]),
        "ask",
        ["log.xml|stamp"],
        stamp="interval start",
        volumes=vol,
    )


@fmt
def waterml_maximum(seed):
    w, t, v, vol = means(seed, True)
    return wml(
        w,
        waterml([("ts1", "L/s", interp("MaxPrec"), points(t, [x * 1.2 for x in v]), "")]),
        "ask",
        ["log.xml", "max"],
        volumes=vol,
    )


@fmt
def waterml_minimum_in_one_point(seed):
    w, v = simple(seed)
    each = lambda i: (
        "<wml2:metadata><wml2:TVPMeasurementMetadata>"
        + interp("MinSucc")
        + "</wml2:TVPMeasurementMetadata></wml2:metadata>"
        if 1500 < i < 3000
        else ""
    )
    x = v * np.where((np.arange(len(v)) > 1500) & (np.arange(len(v)) < 3000), 0.8, 1)
    return wml(
        w,
        waterml([("ts1", "L/s", interp("Continuous"), points(iso(w), x, each), "")]),
        "ask",
        ["log.xml", "min|interpolation"],
    )


@fmt
def waterml_total_of_interval(seed):
    w, v = simple(seed)
    return wml(
        w,
        waterml([("ts1", "L/s", interp("TotalPrec"), points(iso(w), v * 0.9), "")]),
        "ask",
        ["log.xml", "total|interpolation"],
    )


@fmt
def waterml_quality_codes(seed):
    w, v = simple(seed)
    x, bad = [float(b) for b in v], set()
    for i in w.rng.choice(np.arange(200, len(v) - 200, 40), 25, replace=False):
        for k in range(25):
            x[i + k] = 0.0
            bad.add(i + k)
    q = lambda i: (
        (
            '<wml2:metadata><wml2:TVPMeasurementMetadata><wml2:quality xlink:href="http://www.opengis.net/def/waterml/2.0/quality/%s"/>'
            "</wml2:TVPMeasurementMetadata></wml2:metadata>"
        )
        % ("poor" if i in bad else "good")
    )
    return wml(
        w,
        waterml([("ts1", "L/s", interp("Continuous"), points(iso(w), x, q), "")]),
        "ask",
        ["quality|status|poor"],
    )


@fmt
def waterml_approval_estimated(seed):
    w, v = simple(seed)
    bad = set(range(1500, 2400))
    x = [float(b * (0.3 if i in bad else 1)) for i, b in enumerate(v)]
    q = lambda i: (
        (
            '<wml2:metadata><wml2:TVPMeasurementMetadata><wml2:qualifier xlink:title="%s"/>'
            "</wml2:TVPMeasurementMetadata></wml2:metadata>"
        )
        % ("estimated" if i in bad else "approved")
    )
    return wml(
        w,
        waterml([("ts1", "L/s", interp("Continuous"), points(iso(w), x, q), "")]),
        "ask",
        ["qualif|status|estimated"],
    )


@fmt
def waterml_several_series(seed):
    w, v = simple(seed)
    return wml(
        w,
        waterml(
            [
                ("ts0", "L/s", interp("Continuous"), points(iso(w), v * 0.4), ""),
                ("ts1", "L/s", interp("Continuous"), points(iso(w), v), ""),
            ]
        ),
    )


@fmt
def waterml_series_not_there(seed):
    w, v = simple(seed)
    return wml(
        w,
        waterml(
            [
                ("ts0", "L/s", interp("Continuous"), points(iso(w), v * 0.4), ""),
                ("ts1", "L/s", interp("Continuous"), points(iso(w), v), ""),
            ]
        ),
        "ask",
        ["log.xml", "ts9|ts1"],
        name="ts9",
    )


@fmt
def waterml_other_unit(seed):
    w, v = simple(seed)
    return wml(
        w,
        waterml([("ts1", "m3/h", interp("Continuous"), points(iso(w), v * 3.6), "")]),
        "ask",
        ["log.xml", "unit|uom|m3/h"],
    )


@fmt
def waterml_unit_of_point_changes(seed):
    w, v = simple(seed)
    s = np.arange(len(v)) > 2500
    each = lambda i: (
        '<wml2:metadata><wml2:TVPMeasurementMetadata><wml2:uom code="m3/h"/></wml2:TVPMeasurementMetadata></wml2:metadata>'
        if s[i]
        else ""
    )
    return wml(
        w,
        waterml(
            [
                (
                    "ts1",
                    "L/s",
                    interp("Continuous"),
                    points(iso(w), v * np.where(s, 3.6, 1), each),
                    "",
                )
            ]
        ),
        "ask",
        ["log.xml", "unit|uom|m3/h"],
    )


@fmt
def waterml_no_offset(seed):
    w, v = simple(seed)
    return wml(
        w,
        waterml(
            [
                (
                    "ts1",
                    "L/s",
                    interp("Continuous"),
                    points([f"{a:%Y-%m-%dT%H:%M:%S}" for a in w.t], v),
                    "",
                )
            ]
        ),
        "either",
        ["log.xml", "zone|offset|time"],
    )


@fmt
def waterml_cut_off(seed):
    w, v = simple(seed)
    s = waterml([("ts1", "L/s", interp("Continuous"), points(iso(w), v), "")])
    return wml(w, s[: len(s) * 3 // 4], "ask", ["log.xml", "line|XML|end|cut"])


# workbooks


def book(sheets, merge=None, form=None):
    import openpyxl

    b = openpyxl.Workbook()
    b.remove(b.active)
    for name, rows in sheets.items():
        s = b.create_sheet(name)
        for r in rows:
            s.append(r)
        if merge:
            s.merge_cells(merge)
    out = io.BytesIO()
    b.save(out)
    return out.getvalue()


def cells(w, v):
    return [[a.to_pydatetime(), round(float(b), 3)] for a, b in zip(w.t, v)]


@fmt
def xlsx_date_cells(seed):
    w, v = simple(seed, step=30)
    return done(w, pipe("log.xlsx"), {"log.xlsx": book({"Data": [["time", "flow"]] + cells(w, v)})})


@fmt
def xlsx_sheet_stated(seed):
    w, v = simple(seed, step=30)
    return done(
        w,
        pipe("log.xlsx", sheet="Data"),
        {
            "log.xlsx": book(
                {
                    "Notes": [["time", "flow"], ["shift", 3]],
                    "Data": [["time", "flow"]] + cells(w, v),
                }
            )
        },
    )


@fmt
def xlsx_sheet_unstated(seed):
    w, v = simple(seed, step=30)
    return done(
        w,
        pipe("log.xlsx"),
        {
            "log.xlsx": book(
                {
                    "Inlet": [["time", "flow"]] + cells(w, v * 0.5),
                    "Outfall": [["time", "flow"]] + cells(w, v),
                }
            )
        },
        "ask",
        ["log.xlsx", "sheet"],
    )


@fmt
def xlsx_text_dates(seed):
    w, v = simple(seed, step=30)
    rows = [[f"{a:%Y-%m-%d %H:%M}", f"{b:.3f}"] for a, b in zip(w.t, v)]
    return done(w, pipe("log.xlsx"), {"log.xlsx": book({"Data": [["time", "flow"]] + rows})})


@fmt
def xlsx_dates_partly_swapped(seed):
    """A spreadsheet of the other habit read 03/02 as the second of March where it could and left 13/02 as text."""
    w, v = simple(seed, step=30)
    rows = []
    for a, b in zip(w.t, v):
        stamp = (
            a.to_pydatetime().replace(day=a.month, month=a.day)
            if a.day <= 12
            else f"{a:%d/%m/%Y %H:%M}"
        )
        rows.append([stamp, round(float(b), 3)])
    return done(
        w,
        pipe("log.xlsx", day_first=True),
        {"log.xlsx": book({"Data": [["time", "flow"]] + rows})},
        "ask",
        ["log.xlsx", "line|row|cell|back|date|text"],
    )


@fmt
def xlsx_formulas(seed):
    w, v = simple(seed, step=30)
    rows = [[a, f"={b}*1"] for a, b in cells(w, v)]
    return done(
        w,
        pipe("log.xlsx"),
        {"log.xlsx": book({"Data": [["time", "flow"]] + rows})},
        "ask",
        ["log.xlsx", "formula|empty|value"],
    )


@fmt
def xlsx_merged_header(seed):
    w, v = simple(seed, step=30)
    rows = [["Outfall, station 4", None], ["time", "flow"], [None, "L/s"]] + cells(w, v)
    return done(w, pipe("log.xlsx"), {"log.xlsx": book({"Data": rows}, merge="A1:B1")})


@fmt
def xlsx_totals_at_end(seed):
    w, v = simple(seed, step=30)
    rows = [["time", "flow"]] + cells(w, v) + [[None, None], ["Sum", float(v.sum())]]
    return done(
        w, pipe("log.xlsx"), {"log.xlsx": book({"Data": rows})}, "either", ["log.xlsx", "row|line"]
    )


@fmt
def xlsx_error_cells(seed):
    w, v = simple(seed, step=30)
    rows = cells(w, v)
    for i in range(500, 505):
        rows[i][1] = "#REF!"
    return done(
        w,
        pipe("log.xlsx"),
        {"log.xlsx": book({"Data": [["time", "flow"]] + rows})},
        "either",
        ["log.xlsx", "REF|line|row"],
    )


@fmt
def xlsx_named_csv(seed):
    w, v = simple(seed, step=30)
    return done(
        w,
        pipe("log.csv"),
        {"log.csv": book({"Data": [["time", "flow"]] + cells(w, v)})},
        "either",
        ["log.csv"],
    )


# further traps


@fmt
def by_exception_fine(seed):
    """Dead band of 6 % on five-minute scans: rows minutes to hours apart."""
    w, v = simple(seed, step=5)
    keep, last = [0], v[0]
    for i in range(1, len(v)):
        if abs(v[i] - last) > 0.06 * last:
            keep.append(i)
            last = v[i]
    m, x = w.moment[keep], np.round(v[keep], 3)
    return done(
        w,
        pipe(),
        {"log.csv": table(w.t[keep], x)},
        "ask",
        ["gap|apart|change|cover|bridge"],
        volumes=w.volumes(x / 1000, hold=True, moment=m),
    )


@fmt
def blank_means_unchanged(seed):
    w, v = simple(seed)
    x, held, last = [], [], None
    for b in np.round(v, 1):
        x.append("" if last is not None and abs(b - last) < 1.0 else f"{b:.1f}")
        last = last if x[-1] == "" else b
        held.append(last)
    return done(
        w,
        pipe(),
        {"log.csv": table(w.t, x)},
        "either",
        ["gap|blank|missing|cover"],
        volumes=w.volumes(np.array(held) / 1000, hold=True),
    )


@fmt
def unit_column_changes(seed):
    w, v = simple(seed)
    rows = ["time,flow,unit"]
    for i, (a, b) in enumerate(zip(w.t, v)):
        rows.append(
            f"{a:%Y-%m-%d %H:%M},{b * (60 if i > 3600 else 1):.3f},{'L/min' if i > 3600 else 'L/s'}"
        )
    return done(w, pipe(), {"log.csv": "\n".join(rows) + "\n"}, "ask", ["unit|multiple|scale"])


@fmt
def unit_column_contradicts(seed):
    w, v = simple(seed)
    rows = ["time,flow,unit"] + [f"{a:%Y-%m-%d %H:%M},{b * 60:.3f},L/min" for a, b in zip(w.t, v)]
    return done(w, pipe(), {"log.csv": "\n".join(rows) + "\n"}, "ask", ["unit"])


@fmt
def scaled_integers_in_title(seed):
    w, v = simple(seed)
    cols = {"time": "time", "flow": {"name": "flow (x0.1 L/s)", "unit": "L/s"}}
    return done(
        w,
        pipe(columns=cols),
        {"log.csv": table(w.t, np.round(v * 10), head="time,flow (x0.1 L/s)", digits=0)},
        "ask",
        ["log.csv", "unit|x0.1"],
        volumes=w.volumes(np.round(v * 10) / 10000),
    )


@fmt
def head_unit_row_contradicts(seed):
    w = World(seed)
    h = inverse(notch, w.q)
    eff = {
        "file": "log.csv",
        **NOTCH,
        "columns": {"time": "time", "head": {"name": "head", "unit": "mm"}},
    }
    return done(
        w,
        eff,
        {"log.csv": "time,head\n,cm\n" + table(w.t, h * 100, head=None)},
        "ask",
        ["log.csv", "unit|cm"],
    )


@fmt
def head_title_unit_contradicts(seed):
    w = World(seed)
    h = inverse(notch, w.q)
    eff = {
        "file": "log.csv",
        **NOTCH,
        "columns": {"time": "time", "head": {"name": "Level [in]", "unit": "cm"}},
    }
    return done(
        w,
        eff,
        {"log.csv": table(w.t, h / 0.0254, head="time,Level [in]")},
        "ask",
        ["log.csv", "unit|in"],
    )


@fmt
def depth_and_velocity_swapped(seed):
    w = World(seed, mean=0.03)
    y = manning_depth(w.q)
    v = w.q / segment(y, 0.45)
    s = "time,velocity,depth\n" + "".join(
        f"{a:%Y-%m-%d %H:%M},{b:.4f},{c:.4f}\n" for a, b, c in zip(w.t, y, v)
    )
    eff = {
        "file": "log.csv",
        "method": "area velocity",
        "diameter": "450 mm",
        "columns": {
            "time": "time",
            "depth": {"name": "depth", "unit": "m"},
            "velocity": {"name": "velocity", "unit": "m/s"},
        },
    }
    return done(w, eff, {"log.csv": s}, "ask", ["depth|pipe|full|diameter"])


@fmt
def decimal_mark_changes_in_middle(seed):
    w, v = simple(seed)
    n = len(v) // 2
    return done(
        w,
        pipe(decimal="."),
        {
            "log.csv": table(w.t[:n], v[:n], head="time;flow", sep=";", digits=2)
            + table(w.t[n:], v[n:], head=None, sep=";", dec=",", digits=2)
        },
        "ask",
        ["log.csv", "line"],
    )


@fmt
def day_numbers_unstated(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(),
        {"log.csv": "time,flow\n" + "".join(f"{a:.6f},{b:.3f}\n" for a, b in zip(daynumber(w), v))},
        "ask",
        ["log.csv", "time_form|day number|date"],
    )


@fmt
def no_year(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(day_first=True),
        {"log.csv": table(w.t, v, form="%d/%m %H:%M")},
        "ask",
        ["log.csv", "line", "date|year"],
    )


@fmt
def day_of_year(seed):
    w, v = simple(seed)
    s = "yr,doy,hhmm,flow\n" + "".join(
        f"{a.year},{a.day_of_year},{a.hour * 100 + a.minute},{b:.3f}\n" for a, b in zip(w.t, v)
    )
    return done(
        w,
        pipe(columns={"time": ["yr", "doy", "hhmm"], "flow": COLS["flow"]}),
        {"log.csv": s},
        "either",
        ["log.csv|time", "line|key|date|month"],
    )


@fmt
def rows_of_day_among_rows_of_quarter(seed):
    """A data logger's output table 102 (once a day: total in m3) stands among table 101 (every quarter hour)."""
    w, v = simple(seed)
    rows = ["table,time,flow"]
    for a, b in zip(w.t, v):
        rows.append(f"101,{a:%Y-%m-%d %H:%M},{b:.3f}")
        if a.hour == a.minute == 0:
            rows.append(f"102,{a:%Y-%m-%d %H:%M},{b * 75:.3f}")
    return done(
        w, pipe(), {"log.csv": "\n".join(rows) + "\n"}, "either", ["log.csv", "line|differ|time"]
    )


@fmt
def rows_of_hour_among_rows_of_quarter(seed):
    """The hourly maximum, one second after the hour, in the same column."""
    w, v = simple(seed)
    rows = ["table,time,flow"]
    for i, (a, b) in enumerate(zip(w.t, v)):
        rows.append(f"101,{a:%Y-%m-%d %H:%M}:00,{b:.3f}")
        if a.minute == 0 and i > 4:
            rows.append(f"103,{a:%Y-%m-%d %H:%M}:01,{max(v[i - 4 : i + 1]) * 1.5:.3f}")
    return done(
        w, pipe(), {"log.csv": "\n".join(rows) + "\n"}, "ask", ["log.csv|spike|line|rough|cover"]
    )


@fmt
def year_not_advanced(seed):
    w = World(seed, "2025-12-10", "2026-01-25", ("2025-12-12", "2026-01-05", "2026-01-24"))
    t = [a if a.year == 2025 else a.replace(year=2025) for a in w.t]
    return done(w, pipe(), {"log.csv": table(t, w.q * 1000)}, "ask", ["log.csv", "back|line"])


@fmt
def twelve_hours_without_mark(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(),
        {"log.csv": table(w.t, v, form="%Y-%m-%d %I:%M")},
        "ask",
        ["log.csv", "back|line"],
    )


@fmt
def stamps_to_the_hour(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(),
        {"log.csv": table(w.t, v, form="%Y-%m-%d %H:00")},
        "either",
        ["log.csv", "time|stamp"],
    )


@fmt
def stamps_to_the_day(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe(),
        {"log.csv": table(w.t, v, form="%Y-%m-%d")},
        "either",
        ["log.csv", "time|stamp|row"],
    )


@fmt
def sorted_as_text(seed):
    w, v = simple(seed)
    lines = table(w.t, v, form="%d/%m/%Y %H:%M").strip().split("\n")
    return done(
        w,
        pipe(day_first=True),
        {"log.csv": "\n".join(lines[:1] + sorted(lines[1:])) + "\n"},
        "either",
        ["log.csv", "back|order|sort"],
    )


@fmt
def starred_hour(seed):
    w, v = simple(seed, **AUTUMN)
    s = "time,flow\n" + "".join(
        f"{a:%Y-%m-%d %H:%M}{'*' if a.tzname() == 'CDT' and (a + pd.Timedelta('1h')).tzname() == 'CST' else ''},{b:.3f}\n"
        for a, b in zip(w.local, v)
    )
    return done(w, pipe(), {"log.csv": s}, "either", ["log.csv", "line", "date|time"])


@fmt
def printed_report_pages(seed):
    w, v = simple(seed)
    out = []
    for i, (a, b) in enumerate(zip(w.t, v)):
        if i % 48 == 0:
            out += [
                "\f" * (i > 0) + "INVENTED WORKS   OUTFALL REPORT   page %d" % (i // 48 + 1),
                "time,flow",
            ]
        out.append(f"{a:%Y-%m-%d %H:%M},{b:.3f}")
    return done(w, pipe(), {"log.csv": "\n".join(out) + "\n"}, "either", ["log.csv", "line"])


@fmt
def json_lines(seed):
    w, v = simple(seed)
    return done(
        w,
        pipe("log.json"),
        {
            "log.json": "".join(
                json.dumps({"time": f"{a:%Y-%m-%d %H:%M}", "flow": round(float(b), 3)}) + "\n"
                for a, b in zip(w.t, v)
            )
        },
        "either",
        ["log.json"],
    )


@fmt
def page_of_markup(seed):
    w, v = simple(seed)
    s = (
        "<html><table><tr><th>time</th><th>flow</th></tr>"
        + "".join(f"<tr><td>{a:%Y-%m-%d %H:%M}</td><td>{b:.3f}</td></tr>\n" for a, b in zip(w.t, v))
        + "</table></html>"
    )
    return done(w, pipe("log.xls"), {"log.xls": s}, "either", ["log.xls"])


@fmt
def squeezed_gzip(seed):
    import gzip

    w, v = simple(seed)
    return done(
        w,
        pipe("log.csv"),
        {"log.csv": gzip.compress(table(w.t, v).encode(), mtime=0)},
        "either",
        ["log.csv"],
    )


@fmt
def empty_file(seed):
    w, v = simple(seed)
    return done(w, pipe(), {"log.csv": ""}, "ask", ["log.csv", "empty|no header|nothing"])


@fmt
def trailing_minus(seed):
    return with_marks(seed, "1.250-", False, words=["1.25", "line"], expect="either", width=1)


@fmt
def bad_dash_of_typography(seed):
    """A true minus sign stands before negative values."""
    w = World(seed)
    w.q = np.where((w.t.hour >= 3) & (w.t.hour < 4), -0.002, w.q)
    return done(
        w,
        pipe(),
        {"log.csv": table(w.t, [f"{x * 1000:.3f}".replace("-", "\u2212") for x in w.q])},
        "either",
        ["log.csv|negative", "line|negative"],
    )


@fmt
def negative_flow_plain(seed):
    """The meter itself shows a return flow of 2 L/s for an hour a day."""
    w = World(seed)
    w.q = np.where((w.t.hour >= 3) & (w.t.hour < 4), -0.002, w.q)
    return done(
        w,
        pipe(),
        {"log.csv": table(w.t, w.q * 1000)},
        "either",
        ["log.csv|negative", "line|negative"],
    )


@fmt
def offset_changes_in_rows(seed):
    """Stamps with their offset, local before and UTC after an update."""
    w, v = simple(seed)
    n = len(v) // 2
    s = "time,flow\n" + "".join(
        f"{(a if i < n else b).isoformat()},{c:.3f}\n"
        for i, (a, b, c) in enumerate(zip(w.local, w.moment, v))
    )
    return done(w, pipe(), {"log.csv": s})


@fmt
def offset_in_some_rows(seed):
    """The update dropped the offset: the later stamps are UTC, and nothing says so."""
    w, v = simple(seed)
    n = len(v) // 2
    s = "time,flow\n" + "".join(
        f"{a.isoformat() if i < n else b.tz_localize(None).isoformat()},{c:.3f}\n"
        for i, (a, b, c) in enumerate(zip(w.local, w.moment, v))
    )
    return done(w, pipe(), {"log.csv": s}, "either", ["log.csv", "line|offset|zone"])


@fmt
def waterml_days(seed):
    w = World(seed)
    d = pd.Series(w.q, index=w.t).iloc[:-1].resample("1D").mean()
    vol = [
        float(d[(d.index >= a.tz_localize(None)) & (d.index < b.tz_localize(None))].sum() * 86400)
        for a, b in zip(w.cuts, w.cuts[1:])
    ]
    return wml(
        w,
        waterml(
            [
                (
                    "ts1",
                    "L/s",
                    interp("AverageSucc"),
                    points([f"{a:%Y-%m-%d}" for a in d.index], list(d * 1000)),
                    "",
                )
            ]
        ),
        "either",
        ["log.xml|day|apart|bridge"],
        volumes=vol,
        longest_bridge="25 h",
    )


@fmt
def waterml_unit_missing(seed):
    w, v = simple(seed)
    return wml(
        w,
        waterml([("ts1", "", interp("Continuous"), points(iso(w), v), "")]),
        "either",
        ["log.xml", "unit"],
    )


@fmt
def waterml_unit_in_title_only(seed):
    w, v = simple(seed)
    text = waterml([("ts1", "", interp("Continuous"), points(iso(w), v * 3.6), "")]).replace(
        "</wml2:DefaultTVPMeasurementMetadata>",
        '<wml2:uom xlink:title="m3/h" xlink:href="http://example.org/unit/7"/></wml2:DefaultTVPMeasurementMetadata>',
    )
    return wml(w, text, "ask", ["log.xml", "unit|m3/h"])


@fmt
def waterml_sentinel(seed):
    w, v = simple(seed)
    x = v.copy()
    for i in w.rng.choice(np.arange(200, len(v) - 200, 40), 25, replace=False):
        x[i : i + 6] = -999999.0
    return wml(
        w,
        waterml([("ts1", "L/s", interp("Continuous"), points(iso(w), x), "")]),
        "ask",
        ["999,?999|negative"],
    )


@fmt
def waterml_discontinuous(seed):
    """Step-wise: each value holds until the next (constant in succeeding interval), written on change only."""
    w, v = simple(seed, step=5)
    keep, last = [0], v[0]
    for i in range(1, len(v)):
        if abs(v[i] - last) > 0.2 * last:
            keep.append(i)
            last = v[i]
    m, x = w.moment[keep], np.round(v[keep], 3)
    return wml(
        w,
        waterml(
            [
                (
                    "ts1",
                    "L/s",
                    interp("ConstSucc"),
                    points([a.isoformat() for a in m.tz_convert(ZONE)], x),
                    "",
                )
            ]
        ),
        "either",
        ["log.xml|cover|gap|interval"],
        volumes=w.volumes(x / 1000, hold=True, moment=m),
    )


@fmt
def waterml_points_out_of_order(seed):
    w, v = simple(seed)
    o = np.arange(len(v))
    o[1000:3000] = o[1000:3000][::-1]
    return wml(
        w,
        waterml([("ts1", "L/s", interp("Continuous"), points(np.array(iso(w))[o], v[o]), "")]),
        "either",
        ["log.xml", "back|order"],
    )


@fmt
def waterml_old_dialect(seed):
    w, v = simple(seed)
    s = (
        '<timeSeriesResponse xmlns="http://www.cuahsi.org/waterML/1.1/"><timeSeries><values>'
        + "".join(f'<value dateTime="{a}">{b:.3f}</value>\n' for a, b in zip(iso(w), v))
        + "</values></timeSeries></timeSeriesResponse>"
    )
    return wml(w, s, "either", ["log.xml", "WaterML|series"])


@fmt
def xlsx_date_and_time_cells(seed):
    w, v = simple(seed, step=30)
    rows = [[a.date(), a.time(), round(float(b), 3)] for a, b in zip(w.t, v)]
    return done(
        w,
        pipe("log.xlsx", columns={"date": "day", "time": "clock", "flow": COLS["flow"]}),
        {"log.xlsx": book({"Data": [["day", "clock", "flow"]] + rows})},
    )


@fmt
def xlsx_sheet_for_each_month(seed):
    w, v = simple(seed, step=30)
    sheets = {
        n: [["time", "flow"]] + [r for r in cells(w, v) if r[0].month == k]
        for k, n in ((1, "Jan"), (2, "Feb"), (3, "Mar"))
    }
    return done(
        w, pipe("log.xlsx", sheet=list(sheets)), {"log.xlsx": book(sheets)}, "either", ["sheet"]
    )


@fmt
def xlsx_numbers_as_text_with_comma(seed):
    w, v = simple(seed, step=30)
    rows = [[a.to_pydatetime(), f"{b:.2f}".replace(".", ",")] for a, b in zip(w.t, v)]
    return done(
        w,
        pipe("log.xlsx"),
        {"log.xlsx": book({"Data": [["time", "flow"]] + rows})},
        "either",
        ["log.xlsx", "decimal|line|row"],
    )


@fmt
def xlsx_hidden_sheet(seed):
    import openpyxl

    w, v = simple(seed, step=30)
    b = openpyxl.load_workbook(
        io.BytesIO(
            book(
                {
                    "Outfall": [["time", "flow"]] + cells(w, v),
                    "raw": [["time", "flow"]] + cells(w, v * 0.6),
                }
            )
        )
    )
    b["raw"].sheet_state = "hidden"
    out = io.BytesIO()
    b.save(out)
    return done(w, pipe("log.xlsx"), {"log.xlsx": out.getvalue()}, "either", ["log.xlsx", "sheet"])


@fmt
def xlsx_stamps_of_float_rounding(seed):
    """Stamps made by adding 1/48 in a column of formulas: milliseconds off the grid."""
    w, v = simple(seed, step=30)
    rows = [
        [
            (a + pd.Timedelta(milliseconds=int(w.rng.integers(-3, 4)))).to_pydatetime(),
            round(float(b), 3),
        ]
        for a, b in zip(w.t, v)
    ]
    return done(w, pipe("log.xlsx"), {"log.xlsx": book({"Data": [["time", "flow"]] + rows})})


# ---------------------------------------------------------------- B: sick records

FACTORS = (1.0, 1.1, 1.3)


class Site(World):
    def __init__(self, seed, mean=0.012, **kw):
        super().__init__(seed, mean=mean, **{"step": 15, **kw})
        self.n = len(self.q)
        self.factor = FACTORS[(seed + SALT[0]) % 3]

    def instrument(self, rating, top=1.0, coefficient=0.02, zero=0.001, noise=0.001):
        """Head that the sound instrument shows: the device passes a little more or less than its formula says."""
        true = inverse(rating, self.q / (1 + self.rng.normal(0, coefficient)), top)
        return true, true + self.rng.normal(0, zero) + self.rng.normal(0, noise, self.n)

    def span(self, days, at=None):
        n = int(days * 1440 / self.step)
        a = int(self.rng.uniform(0.15, 0.55) * self.n) if at is None else int(at * self.n)
        return slice(a, a + n)

    def visits(self, true, shown, at=(0.1, 0.5, 0.93), **more):
        out = []
        for x in at:
            i = int(x * self.n)
            out.append(
                {
                    "time": f"{self.t[i]:%Y-%m-%d %H:%M}",
                    "hand": f"{(true[i] + self.rng.normal(0, 0.0015)) * 1000:.1f} mm",
                    "instrument": f"{shown[i] * 1000:.1f} mm",
                    **more,
                }
            )
        return out


NOTCH = {
    "method": "v-notch weir",
    "angle": "90 deg",
    "crest_height": "0.5 m",
    "channel_width": "1.2 m",
}
PARSHALL = {"method": "parshall flume", "throat": "6 in"}


def sickcase(
    s,
    method,
    columns,
    frame,
    sound=False,
    tellable=True,
    volumes=None,
    visits=(),
    events=(),
    note="",
    digits=4,
    **more,
):
    f = frame.copy()
    f.insert(0, "time", s.t[: len(f)] if "time" not in f else f.pop("time"))
    text = f.to_csv(index=False, float_format=f"%.{digits}f", date_format="%Y-%m-%d %H:%M:%S")
    eff = {"file": "log.csv", **method, "columns": {"time": "time", **columns}, **more}
    files, volumes = case(
        s, eff, {"log.csv": text}, volumes=volumes, factor=s.factor, visits=visits, events=events
    )
    return files, {
        "family": "sick",
        "sound": sound,
        "tellable": tellable,
        "factor": s.factor,
        "volume_m3": volumes,
        "note": note,
    }


def headcase(s, method, true, shown, visits=True, keep=None, unit="mm", **more):
    scale = {"mm": 1000, "cm": 100, "in": 1 / 0.0254}[unit]
    v = s.visits(true, shown) if visits is True else (visits or [])
    f = pd.DataFrame({"time": s.t, "head": np.asarray(shown) * scale})
    if keep is not None:
        f = f[keep]
    return sickcase(
        s, method, {"head": {"name": "head", "unit": unit}}, f, visits=v, digits=2, **more
    )


def notch_site(seed, **kw):
    s = Site(seed, **kw)
    return (s, *s.instrument(notch))


# sound sites


@sick
def sound_notch(seed):
    s, true, h = notch_site(seed)
    return headcase(s, NOTCH, true, h, sound=True)


@sick
def sound_parshall(seed):
    s = Site(seed, mean=0.02)
    true, h = s.instrument(parshall6)
    return headcase(s, PARSHALL, true, h, sound=True)


@sick
def sound_cipolletti(seed):
    s = Site(seed, mean=0.03)
    true, h = s.instrument(cipolletti)
    return headcase(
        s,
        {
            "method": "cipolletti weir",
            "crest_length": "0.5 m",
            "crest_height": "0.4 m",
            "channel_width": "1.2 m",
        },
        true,
        h,
        sound=True,
    )


@sick
def sound_rectangular(seed):
    s = Site(seed, mean=0.05)
    true, h = s.instrument(fullwidth)
    return headcase(
        s,
        {
            "method": "rectangular weir",
            "crest_length": "0.6 m",
            "channel_width": "0.6 m",
            "crest_height": "0.5 m",
            "formula": "rehbock",
        },
        true,
        h,
        sound=True,
    )


@sick
def sound_rating_table(seed):
    s = Site(seed, mean=0.015)
    rating = lambda x: 0.55 * np.maximum(x, 0) ** 1.9
    true, h = s.instrument(rating)
    tab = ", ".join(f"{x:.3f} m: {rating(x) * 1000:.3f} L/s" for x in np.linspace(0.02, 0.4, 20))
    return headcase(
        s,
        {
            "method": "rating table",
            "table": tab,
            "source": "invented works, calibration sheet 3",
            "accuracy": "3 %",
        },
        true,
        h,
        sound=True,
    )


@sick
def sound_trapezoidal(seed):
    s = Site(seed, mean=0.015)
    true, h = s.instrument(lambda x: 1.32 * np.maximum(x, 0) ** 2.58)
    return headcase(
        s,
        {
            "method": "trapezoidal flume",
            "coefficient": 1.32,
            "exponent": 2.58,
            "units": "m",
            "source": "invented works, drawing 12",
            "head_low": "0.03 m",
            "head_high": "0.5 m",
        },
        true,
        h,
        sound=True,
    )


def av(seed, mean=0.03, **kw):
    s = Site(seed, mean=mean, **kw)
    y = manning_depth(s.q)
    v = s.q / segment(y, 0.45)
    return (
        s,
        y,
        v,
        v * (1 + s.rng.normal(0, 0.03)) + s.rng.normal(0, 0.02, s.n),
        y + s.rng.normal(0, 0.002) + s.rng.normal(0, 0.001, s.n),
    )


AVM = {"method": "area velocity", "diameter": "450 mm"}
AVC = {"depth": {"name": "depth", "unit": "mm"}, "velocity": {"name": "velocity", "unit": "m/s"}}


def avcase(s, y, v, **more):
    return sickcase(s, AVM, AVC, pd.DataFrame({"depth": y * 1000, "velocity": v}), digits=3, **more)


@sick
def sound_area_velocity(seed):
    s, y, v, vm, ym = av(seed)
    return avcase(s, ym, vm, sound=True)


def flowcase(s, flow, keep=None, **more):
    f = pd.DataFrame({"time": s.t, "flow": np.asarray(flow) * 1000})
    return sickcase(
        s,
        PIPE,
        {"flow": {"name": "flow", "unit": "L/s"}},
        f if keep is None else f[keep],
        digits=3,
        **more,
    )


@sick
def sound_full_pipe(seed):
    s = Site(seed)
    return flowcase(
        s, s.q * (1 + s.rng.uniform(-0.015, 0.015)) * (1 + s.rng.normal(0, 0.01, s.n)), sound=True
    )


def distance(s, true, shown, ref=1.2, visits=True, **more):
    v = s.visits(true, shown) if visits is True else (visits or [])
    return sickcase(
        s,
        PARSHALL,
        {"distance": {"name": "distance", "unit": "mm"}},
        pd.DataFrame({"distance": (ref - shown) * 1000}),
        visits=v,
        digits=1,
        reference_distance=f"{ref * 1000:.0f} mm",
        **more,
    )


@sick
def sound_ultrasonic_distance(seed):
    s = Site(seed, mean=0.02)
    true, h = s.instrument(parshall6)
    return distance(s, true, h, sound=True)


@sick
def sound_pump_zeros(seed):
    """Real zeros: an intermittent pump behind a full pipe meter, read every 5 minutes, runs of 20 to 40 minutes."""
    s = Site(seed, step=5)
    q, i = np.zeros(s.n), 0
    while i < s.n:
        off = int(s.rng.uniform(4, 10 if 7 < s.t[i].hour < 19 else 30))
        on = int(s.rng.uniform(4, 9))
        q[i + off : i + off + on] = 0.018
        i += off + on
    s.q = q
    return flowcase(
        s, q * (1 + s.rng.uniform(-0.01, 0.01)) * (1 + s.rng.normal(0, 0.005, s.n)), sound=True
    )


@sick
def sound_isolated_zeros(seed):
    """Real zeros: a siphon stops for ten minutes every hour or two, which the record alone cannot tell from losses;
    the case says that they are readings."""
    s = Site(seed, step=5)
    z = np.zeros(s.n, bool)
    i = 0
    while i < s.n:
        i += int(s.rng.uniform(10, 26))
        z[i : i + 2] = True
    s.q = np.where(z, 0, s.q)
    return flowcase(s, s.q * (1 + s.rng.uniform(-0.01, 0.01)), sound=True, not_missing=["0"])


@sick
def sound_shut_weekends(seed):
    s = Site(seed)
    s.q = np.where(s.t.day_of_week >= 5, 0, s.q)
    true, h = s.instrument(notch)
    return headcase(s, NOTCH, true, np.where(s.q == 0, s.rng.normal(0, 0.0005, s.n), h), sound=True)


@sick
def sound_batch_peaks(seed):
    """Short real peaks: a tank is emptied in half an hour twice a day."""
    s = Site(seed)
    for d in range(0, s.n, 96):
        for k in s.rng.integers(30, 80, 2):
            s.q[d + k : d + k + 3] += 0.03
    true, h = s.instrument(notch)
    return headcase(s, NOTCH, true, h, sound=True)


@sick
def sound_backflow(seed):
    """Real negative velocities: the river pushes back for two hours a day; the volume is the net."""
    s = Site(seed, mean=0.03)
    back = (s.t.hour >= 3) & (s.t.hour < 5)
    y = manning_depth(s.q)
    y = np.where(back, 0.25, y)
    s.q = np.where(back, -0.006, s.q)
    v = s.q / segment(y, 0.45)
    return avcase(
        s,
        y + s.rng.normal(0, 0.001, s.n),
        v * (1 + s.rng.normal(0, 0.02)) + s.rng.normal(0, 0.01, s.n),
        sound=True,
    )


@sick
def sound_double_reporting(seed):
    s, true, h = notch_site(seed)
    f = pd.DataFrame({"time": s.t, "head": h * 1000})
    g = f.copy()
    g["time"] = g["time"] + pd.Timedelta("1s")
    both = pd.concat([f, g]).sort_values("time")
    return sickcase(
        s,
        NOTCH,
        {"head": {"name": "head", "unit": "mm"}},
        both,
        sound=True,
        digits=1,
        visits=s.visits(true, h),
    )


# sick sensors


@sick
def stuck_value(seed):
    s, true, h = notch_site(seed)
    k = s.span(9)
    h[k] = h[k.start]
    return headcase(s, NOTCH, true, h, visits=False)


@sick
def stuck_value_high_with_jitter(seed):
    """Stuck, but the last digit plays: a dirty membrane."""
    s, true, h = notch_site(seed)
    k = s.span(9)
    h[k] = true.max() * 0.95 + np.round(s.rng.normal(0, 0.0002, k.stop - k.start), 4)
    return headcase(s, NOTCH, true, h, visits=False)


@sick
def stuck_zero(seed):
    s, true, h = notch_site(seed)
    h[s.span(9)] = 0
    return headcase(s, NOTCH, true, h, visits=False)


@sick
def stuck_zero_flow(seed):
    s = Site(seed)
    f = s.q.copy()
    f[s.span(9)] = 0
    return flowcase(s, f)


@sick
def out_of_water(seed):
    s, true, h = notch_site(seed)
    k = s.span(11)
    h[k] = 0.002 + s.rng.normal(0, 0.0008, k.stop - k.start)
    return headcase(s, NOTCH, true, h, visits=False)


@sick
def submerged_ultrasonic(seed):
    s = Site(seed, mean=0.035)
    s.q *= np.where((s.t.hour >= 9) & (s.t.hour < 14), 1.7, 1)
    true, h = s.instrument(parshall6)
    ref, blind = 0.55, 0.30
    return distance(
        s, true, np.minimum(h, ref - blind), ref=ref, visits=False, blanking_distance="300 mm"
    )


@sick
def blind_echo_doubles(seed):
    """Inside the blind distance the second echo is taken: the distance doubles, the level falls."""
    s = Site(seed, mean=0.035)
    s.q *= np.where((s.t.hour >= 9) & (s.t.hour < 14), 1.7, 1)
    true, h = s.instrument(parshall6)
    ref = 0.55
    d = ref - h
    d = np.where(d < 0.30, np.minimum(2 * d, ref), d)
    return distance(s, true, ref - d, ref=ref, visits=False, blanking_distance="300 mm")


@sick
def foam(seed):
    s = Site(seed, mean=0.02)
    true, h = s.instrument(parshall6)
    on = (s.t.hour >= 10) & (s.t.hour < 16) & (s.t.day_of_week < 5)
    h = h + on * np.maximum(0, s.rng.normal(0.05, 0.02, s.n))
    return distance(s, true, h, visits=False)


@sick
def condensation(seed):
    """Drops on the face: a constant near echo for half the readings of cold mornings."""
    s = Site(seed, mean=0.02)
    true, h = s.instrument(parshall6)
    hit = (s.t.hour >= 4) & (s.t.hour < 9) & (s.rng.random(s.n) < 0.5)
    return distance(s, true, np.where(hit, 0.72, h), ref=1.2, visits=False)


@sick
def slow_drift_visits(seed):
    s, true, h = notch_site(seed)
    h = h + np.linspace(0, 0.025, s.n)
    return headcase(s, NOTCH, true, h, visits=s.visits(true, h, (0.05, 0.35, 0.65, 0.97)))


@sick
def slow_drift_no_visit(seed):
    s, true, h = notch_site(seed)
    return headcase(s, NOTCH, true, h + np.linspace(0, 0.015, s.n), visits=False, tellable=False)


@sick
def step_after_cleaning_event(seed):
    s, true, h = notch_site(seed)
    n = s.n // 2
    h[n:] += 0.012
    return headcase(
        s,
        NOTCH,
        true,
        h,
        visits=False,
        events=[{"time": f"{s.t[n]:%Y-%m-%d %H:%M}", "kind": "cleaning"}],
    )


@sick
def step_after_cleaning_silent(seed):
    s, true, h = notch_site(seed)
    h[s.n // 2 :] += 0.012
    return headcase(s, NOTCH, true, h, visits=s.visits(true, h, (0.1, 0.9)))


@sick
def slipped_bracket(seed):
    s, true, h = notch_site(seed)
    h[int(s.n * 0.45) :] += 0.03
    return headcase(s, NOTCH, true, h, visits=False)


@sick
def slipped_bracket_event(seed):
    s, true, h = notch_site(seed)
    n = int(s.n * 0.45)
    h[n:] += 0.015
    return headcase(
        s,
        NOTCH,
        true,
        h,
        visits=False,
        events=[{"time": f"{s.t[n]:%Y-%m-%d %H:%M}", "kind": "bracket moved", "standard": "10 mm"}],
    )


@sick
def spider_web(seed):
    """Echoes from webs near the sensor by night: short distances, in irregular runs."""
    s = Site(seed, mean=0.02)
    true, h = s.instrument(parshall6)
    hit = ((s.t.hour >= 22) | (s.t.hour < 5)) & (
        np.repeat(s.rng.random(s.n // 4 + 1), 4)[: s.n] < 0.35
    )
    return distance(s, true, np.where(hit, s.rng.uniform(0.45, 0.8, s.n), h), visits=False)


@sick
def wind(seed):
    s, true, h = notch_site(seed)
    gust = np.repeat(s.rng.random(s.n // 96 + 1) < 0.4, 96)[: s.n]
    return headcase(
        s, NOTCH, true, np.maximum(h + gust * s.rng.normal(0, 0.03, s.n), 0), visits=False
    )


@sick
def sensor_in_the_sun(seed):
    """Echo times; the air thermometer is in the sun and reads up to 18 degrees too warm by day."""
    s = Site(seed, mean=0.02)
    true, h = s.instrument(parshall6)
    air = 8 + 3 * np.sin((s.t.hour - 9) * np.pi / 12) + s.rng.normal(0, 0.2, s.n)
    c = 331.3 * np.sqrt(1 + air / 273.15) * (1 + 0.001)
    sun = air + 18 * np.clip(np.sin((s.t.hour - 7) * np.pi / 10), 0, 1) * (
        (s.t.hour > 7) & (s.t.hour < 17)
    )
    f = pd.DataFrame({"echo": 2 * (1.2 - h) / c * 1000, "air": sun})
    return sickcase(
        s,
        PARSHALL,
        {
            "echo_time": {"name": "echo", "unit": "ms"},
            "air_temperature": {"name": "air", "unit": "degC"},
        },
        f,
        digits=5,
        reference_distance="1200 mm",
    )


@sick
def lost_echo_held(seed):
    s = Site(seed, mean=0.02)
    true, h = s.instrument(parshall6)
    i = 0
    while i < s.n:
        n = int(s.rng.uniform(8, 40))
        if s.t[i].hour in range(5, 12):
            h[i : i + n] = h[i]
        i += n
    return distance(s, true, h, visits=False)


@sick
def spikes_single(seed):
    s, true, h = notch_site(seed)
    k = s.rng.choice(s.n, s.n // 40, replace=False)
    h[k] = s.rng.uniform(0.25, 0.37, len(k))
    return headcase(s, NOTCH, true, h, visits=False)


@sick
def spikes_runs(seed):
    s, true, h = notch_site(seed)
    for k in s.rng.choice(s.n - 20, s.n // 150, replace=False):
        h[k : k + int(s.rng.integers(3, 9))] = s.rng.uniform(0.25, 0.37)
    return headcase(s, NOTCH, true, h, visits=False)


@sick
def battery_fails_at_night(seed):
    s, true, h = notch_site(seed)
    return headcase(s, NOTCH, true, h, keep=(s.t.hour >= 7) & (s.t.hour < 21))


@sick
def gaps_in_peaks(seed):
    s, true, h = notch_site(seed)
    return headcase(s, NOTCH, true, h, keep=true < np.quantile(true, 0.8))


@sick
def storm_peaks_lost(seed):
    """Five discharges of eight hours at four times the mean; the logger was swamped in each."""
    s = Site(seed)
    lost = np.zeros(s.n, bool)
    for k in s.rng.choice(np.arange(300, s.n - 100, 200), 8, replace=False):
        s.q[k : k + 32] *= 4
        lost[k - 1 : k + 33] = True
    true, h = s.instrument(notch)
    return headcase(s, NOTCH, true, h, keep=~lost)


@sick
def weekends_missing(seed):
    s, true, h = notch_site(seed)
    return headcase(s, NOTCH, true, h, keep=s.t.day_of_week < 5)


@sick
def weekends_held(seed):
    s, true, h = notch_site(seed)
    last = h[0]
    for i in range(s.n):
        if s.t[i].day_of_week >= 5:
            h[i] = last
        else:
            last = h[i]
    return headcase(s, NOTCH, true, h, visits=False)


@sick
def clock_drifts(seed):
    s, true, h = notch_site(seed)
    t = s.t[0] + (s.t - s.t[0]) * (1 + 2.5 / 1440)  # gains two and a half minutes a day
    f = pd.DataFrame({"time": t.round("1s"), "head": h * 1000})
    return sickcase(
        s,
        NOTCH,
        {"head": {"name": "head", "unit": "mm"}},
        f,
        tellable=False,
        visits=s.visits(true, h),
        digits=1,
    )


@sick
def clock_days_off(seed):
    """The clock is four days slow; the works is shut at weekends, and one shut week lies at the edge of an invoice."""
    s = Site(seed)
    s.q = np.where(s.t.day_of_week >= 5, 0.1 * s.q, s.q)
    s.q = np.where(
        (s.t >= pd.Timestamp("2026-02-04")) & (s.t < pd.Timestamp("2026-02-09")), 0.1 * s.q, s.q
    )
    true, h = s.instrument(notch)
    f = pd.DataFrame({"time": s.t - pd.Timedelta("4D"), "head": h * 1000})
    return sickcase(s, NOTCH, {"head": {"name": "head", "unit": "mm"}}, f, digits=1)


@sick
def unit_of_settings_wrong(seed):
    """Inches written under a title that says nothing, stated as cm; two visits know better."""
    s, true, h = notch_site(seed)
    shown = h / 2.54
    f = pd.DataFrame({"head": h / 0.0254})
    return sickcase(
        s,
        NOTCH,
        {"head": {"name": "head", "unit": "cm"}},
        f,
        visits=s.visits(true, shown),
        digits=2,
    )


@sick
def rating_of_another_flume(seed):
    """The logger works out the flow for a 9 in flume; the flume has 6 in, and the head stands beside it."""
    s = Site(seed, mean=0.02)
    true, h = s.instrument(parshall6)
    f = pd.DataFrame({"head": h * 1000, "flow": parshall9(h) * 1000})
    return sickcase(
        s,
        PARSHALL,
        {"head": {"name": "head", "unit": "mm"}, "flow": {"name": "flow", "unit": "L/s"}},
        f,
        digits=3,
    )


@sick
def rating_of_another_flume_flow_only(seed):
    s = Site(seed, mean=0.02)
    true, h = s.instrument(parshall6)
    f = pd.DataFrame({"flow": parshall9(h) * 1000})
    return sickcase(
        s,
        {"method": "parshall flume", "throat": "6 in"},
        {"flow": {"name": "flow", "unit": "L/s"}},
        f,
        digits=3,
        tellable=False,
    )


@sick
def flow_clipped(seed):
    s = Site(seed)
    s.q *= np.where((s.t.hour >= 9) & (s.t.hour < 15), 1.6, 1)
    return flowcase(s, np.minimum(s.q, np.quantile(s.q, 0.75)))


@sick
def level_means_of_pumped_flow(seed):
    """Hourly means of level at a notch; the flow comes in pump runs of twelve minutes."""
    s = Site(seed, step=3)
    q, i = np.full(s.n, 0.001), 0
    while i < s.n:
        on, off = 4, int(s.rng.uniform(8, 24))
        q[i : i + on] = 0.03
        i += on + off
    s.q = q
    true, h = s.instrument(notch)
    m = pd.Series(h, index=s.t).iloc[:-1].resample("60min").mean()
    f = pd.DataFrame({"time": m.index + pd.Timedelta("60min"), "head": m.values * 1000})
    return sickcase(
        s, NOTCH, {"head": {"name": "head", "unit": "mm"}}, f, stamp="interval end", digits=1
    )


@sick
def instants_too_sparse(seed):
    """One instant an hour of pump runs of six minutes: single readings catch or miss a run."""
    s = Site(seed, step=3)
    q, i = np.full(s.n, 0.001), 0
    while i < s.n:
        q[i : i + 2] = 0.03
        i += 2 + int(s.rng.uniform(8, 24))
    s.q = q
    true, h = s.instrument(notch)
    return headcase(
        s, NOTCH, true, h, keep=np.arange(s.n) % 20 == 0, visits=False, longest_bridge="65 min"
    )


@sick
def backwater_hours(seed):
    s, true, h = notch_site(seed)
    on = (s.t.hour >= 6) & (s.t.hour < 11)
    return headcase(s, NOTCH, true, h + on * 0.05, visits=False)


@sick
def flume_submerged(seed):
    s = Site(seed, mean=0.03)
    true, h = s.instrument(parshall6)
    return headcase(
        s, PARSHALL, true, h * 1.15, visits=s.visits(true * 1.15, h * 1.15), tellable=False
    )


@sick
def silt_in_weir_pool(seed):
    """Silt fills the pool: the approach is fast, the notch passes up to 12 % more than the formula says."""
    s = Site(seed)
    extra = np.linspace(0, 0.12, s.n)
    true = inverse(notch, s.q / (1 + extra))
    h = true + s.rng.normal(0, 0.001, s.n)
    v = s.visits(true, h)
    v[-1]["note"] = "silt up to the vertex removed"
    return headcase(s, NOTCH, true, h, visits=v, tellable=False)


@sick
def ragging_cleaned_at_visits(seed):
    """Rags raise the head by 1.5 mm a day until they are cleaned off at visits; the hand reading agrees before cleaning."""
    s, true, h = notch_site(seed)
    every = 14 * 96
    up = (np.arange(s.n) % every) / 96 * 0.0015 * (1 + 0.2 * s.rng.random())
    h2, t2 = h + up, true + up
    v = []
    for i in range(every - 1, s.n, every):
        v.append(
            {
                "time": f"{s.t[i]:%Y-%m-%d %H:%M}",
                "hand": f"{t2[i] * 1000:.1f} mm",
                "instrument": f"{h2[i] * 1000:.1f} mm",
                "note": "rags cleaned off the crest",
            }
        )
    return headcase(s, NOTCH, true, h2, visits=v)


@sick
def av_velocity_lost_low(seed):
    s, y, v, vm, ym = av(seed, mean=0.015)
    return avcase(s, ym, np.where(y < np.quantile(y, 0.4), 0, vm))


@sick
def av_fouled(seed):
    s, y, v, vm, ym = av(seed)
    return avcase(s, ym, vm * np.linspace(1, 0.55, s.n))


@sick
def av_velocity_at_maximum(seed):
    s, y, v, vm, ym = av(seed)
    hit = np.repeat(s.rng.random(s.n // 3 + 1) < 0.06, 3)[: s.n]
    return avcase(s, ym, np.where(hit, 3.0, vm))


@sick
def av_depth_stuck(seed):
    s, y, v, vm, ym = av(seed)
    k = s.span(12)
    ym[k] = ym[k.start]
    return avcase(s, ym, vm)


@sick
def totaliser_disagrees(seed):
    s = Site(seed)
    tot = 1200 + np.concatenate([[0], np.cumsum((s.q[1:] + s.q[:-1]) / 2 * 900)])
    f = pd.DataFrame({"flow": s.q * 1000 * 0.82, "total": tot})
    return sickcase(
        s,
        PIPE,
        {"flow": {"name": "flow", "unit": "L/s"}, "totaliser": {"name": "total", "unit": "m3"}},
        f,
        digits=3,
    )


@sick
def low_flow_cut_off(seed):
    """The meter shows nothing below a cut-off that lies in the nightly flow."""
    s = Site(seed)
    return flowcase(s, np.where(s.q < np.quantile(s.q, 0.35), 0, s.q))


@sick
def frozen_at_night(seed):
    s, true, h = notch_site(seed)
    last = h[0]
    for i in range(s.n):
        if s.t[i].hour >= 21 or s.t[i].hour < 7:
            h[i] = last
        else:
            last = h[i]
    return headcase(s, NOTCH, true, h, visits=False)


@sick
def coarse_resolution(seed):
    s, true, h = notch_site(seed)
    return headcase(s, NOTCH, true, np.round(h / 0.03) * 0.03, visits=False)


@sick
def half_a_period_missing(seed):
    s, true, h = notch_site(seed)
    k = (np.arange(s.n) < int(0.2 * s.n)) | (np.arange(s.n) > int(0.55 * s.n))
    return headcase(s, NOTCH, true, h, keep=k)


@sick
def two_sites_in_one_series(seed):
    """For eleven days the historian wrote another tag of the same unit into the series."""
    s = Site(seed)
    f = s.q * (1 + s.rng.normal(0, 0.01, s.n))
    k = s.span(11)
    f[k] = f[k] * 0.3 + 0.002
    return flowcase(s, f)


@sick
def noise_rectified(seed):
    """A dry weir at night; the noise of the sensor about zero is cut at nothing and read as flow."""
    s = Site(seed)
    s.q = np.where((s.t.hour >= 20) | (s.t.hour < 6), 0, s.q)
    true, h = s.instrument(notch)
    h = np.where(s.q == 0, np.abs(s.rng.normal(0, 0.03, s.n)), h)
    return headcase(s, NOTCH, true, h, visits=False)


# ---------------------------------------------------------------- writing and running

KINDS = {**FORMATS, **SICK}


def write(folder, kind, seed):
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    SALT[0] = zlib.crc32(kind.encode())
    files, truth = KINDS[kind](seed)
    for name, content in files.items():
        (folder / name).write_bytes(
            content if isinstance(content, bytes) else content.encode("utf-8")
        )
    truth = {"kind": kind, "seed": seed, **truth}
    (folder / "truth.json").write_text(json.dumps(truth, indent=1))
    return truth


def run(folder):
    """Findings of the installed program, or the text of its refusal; (findings, refusal, crash)."""
    from sewer_audit import audit, load_case

    try:
        return audit(load_case(folder), draws=1000, seed=1).findings(), None, None
    except (
        Exception
    ) as error:  # a refusal is an exception of the program's own; anything else is a crash
        if type(error).__module__.startswith("sewer_audit"):
            return None, str(error), None
        return None, None, f"{type(error).__name__}: {error}"


def loud(findings):
    return [f for f in findings["flags"] if f["severity"] != "note"]


def volumes_of(findings):
    out = []
    for i in findings["invoices"]:
        out.append(i["effluent_m3"] or i["balance_m3"])
    return out


def judge_format(truth, findings, refusal, crash):
    if crash:
        return "crash", crash
    if refusal is not None:
        if truth["expect"] == "readable":
            return "refused", refusal
        missing = [w for w in truth["words"] if not re.search(w, refusal, re.I)]
        return (
            ("vague", f"lacks {missing}: {refusal}")
            if missing
            else ("right", "refused: " + refusal)
        )
    v = volumes_of(findings)
    text = " ".join(f"[{f['severity']}:{f['code']}] {f['message']}" for f in loud(findings))
    if all(x is None for x in v):
        if truth["expect"] == "readable":
            return "refused", "no volume: " + text
        return ("right", "no volume: " + text) if text else ("vague", "no volume and no word")
    judged = [
        i["invoice"] + " " + i["finding"]
        for i, x, t in zip(findings["invoices"], v, truth["volume_m3"])
        if re.search("too high|too low", str(i["finding"]))
        and (x is None or abs(x["mean"] / t - 1) > 0.005)
    ]
    if text and judged:  # every bill of this family is fair
        return "accused", f"{judged} in spite of: {text}"
    gap = [None if x is None else x["mean"] / t - 1 for x, t in zip(v, truth["volume_m3"])]
    shown = ", ".join("none" if g is None else f"{100 * g:+.2f} %" for g in gap)
    # Monte Carlo error of a mean of 1,000 draws is a few hundredths of a per cent and part of the half per cent
    if all(g is not None and abs(g) <= 0.005 for g in gap):
        if truth["expect"] == "readable" and any(
            f["severity"].startswith("stop") for f in findings["flags"]
        ):
            return "stopped", f"{shown} {text}"
        return "right", f"{shown} {text}"
    wrong = any(g is not None and abs(g) > 0.005 for g in gap)
    if wrong and not text:
        inside = all(x is None or x["low"] <= t <= x["high"] for x, t in zip(v, truth["volume_m3"]))
        return "silent", shown + (" (inside its interval)" if inside else "")
    if truth["expect"] == "readable":
        return "warned", f"{shown} {text}"
    missing = [
        w
        for w in truth["words"]
        if w not in ("log.csv", "line", "log.xlsx") and not re.search(w, text, re.I)
    ]
    return (
        ("vague", f"{shown}; lacks {missing}: {text}")
        if missing
        else ("right", f"{shown}; told: {text}")
    )


UNDECIDED = re.compile("cannot be decided|no verdict|not decided|none", re.I)


def judge_sick(truth, findings, refusal, crash):
    """Per invoice: covered, missed, none; false findings; whether the fault is told."""
    out = {
        "covered": 0,
        "missed": 0,
        "none": 0,
        "false": 0,
        "found": 0,
        "over": 0,
        "told": False,
        "loud": 0,
        "text": "",
    }
    n = len(truth["volume_m3"])
    if crash:
        return {**out, "text": "CRASH " + crash, "crash": True}
    if refusal is not None:
        return {**out, "none": n, "told": True, "loud": 1, "text": "refused: " + refusal}
    flags = loud(findings)
    out["told"], out["loud"] = bool(flags), len(flags)
    out["text"] = " ".join(f"[{f['severity']}:{f['code']}]" for f in flags)
    true = truth["factor"]
    for i, t in zip(findings["invoices"], truth["volume_m3"]):
        a = i["audited_m3"]
        stopped = a is None
        if stopped:
            out["none"] += 1
        elif a["low"] <= t <= a["high"]:
            out["covered"] += 1
        elif UNDECIDED.search(str(i["finding"])) and any(
            f["severity"] not in ("note", "warning") for f in flags
        ):
            out["none"] += 1
        else:
            out["missed"] += 1
            out["text"] += (
                f" missed {a['mean'] / t - 1:+.1%} [{a['low'] / t - 1:+.1%}; {a['high'] / t - 1:+.1%}] '{i['finding']}'"
            )
        high, low = "too high" in str(i["finding"]), "too low" in str(i["finding"])
        if low or (high and true < 1.05):
            out["false"] += 1
            out["text"] += f" FALSE '{i['finding']}' at factor {true}"
        if true >= 1.1:
            out["over"] += 1
            out["found"] += high
    return out


def main():
    p = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    p.add_argument("--list", action="store_true")
    p.add_argument("--write")
    p.add_argument("--kind")
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--formats", type=int, default=0)
    p.add_argument("--sick", type=int, default=0)
    p.add_argument("--only", default="")
    p.add_argument("--verbose", action="store_true")
    a = p.parse_args()
    if a.list:
        for family, kinds in (("formats", FORMATS), ("sick", SICK)):
            print(f"{family}: {len(kinds)}")
            for k, f in kinds.items():
                print(f"  {k:38s} {(f.__doc__ or '').strip()}")
        return
    if a.write:
        truth = write(a.write, a.kind, a.seed)
        print(json.dumps(truth))
        return
    base = Path(tempfile.mkdtemp(prefix="more_records_"))
    try:
        if a.formats:
            count = {}
            print(f"formats, seeds {a.seed} to {a.seed + a.formats - 1}")
            for kind in FORMATS:
                if a.only not in kind:
                    continue
                for seed in range(a.seed, a.seed + a.formats):
                    truth = write(base / f"{kind}_{seed}", kind, seed)
                    verdict, why = judge_format(truth, *run(base / f"{kind}_{seed}"))
                    count[verdict] = count.get(verdict, 0) + 1
                    shutil.rmtree(base / f"{kind}_{seed}")
                    if verdict != "right" or a.verbose:
                        print(
                            f"  {verdict.upper():8s} {kind} (seed {seed}, {truth['expect']}): {why[: 2000 if a.verbose else 420]}",
                            flush=True,
                        )
            print("  total", {k: count[k] for k in sorted(count)}, flush=True)
        if a.sick:
            print(f"sick, seeds {a.seed} to {a.seed + a.sick - 1}")
            print(f"  {'kind':36s} covered missed none | false found/over | told lines")
            total = {}
            for kind in SICK:
                if a.only not in kind:
                    continue
                got, texts = [], []
                for seed in range(a.seed, a.seed + a.sick):
                    truth = write(base / f"{kind}_{seed}", kind, seed)
                    got.append(judge_sick(truth, *run(base / f"{kind}_{seed}")))
                    texts.append(
                        f"      seed {seed}, factor {truth['factor']}: {got[-1]['text'][:900]}"
                    )
                    shutil.rmtree(base / f"{kind}_{seed}")
                s = {
                    k: sum(g[k] for g in got)
                    for k in ("covered", "missed", "none", "false", "found", "over", "told", "loud")
                }
                group = (
                    "sound"
                    if truth["sound"]
                    else "sick, tellable"
                    if truth["tellable"]
                    else "sick, hardly tellable"
                )
                t = total.setdefault(group, dict.fromkeys(s, 0) | {"worlds": 0})
                for k in s:
                    t[k] += s[k]
                t["worlds"] += len(got)
                odd = (
                    s["missed"]
                    or s["false"]
                    or any(g.get("crash") for g in got)
                    or (not truth["sound"] and truth["tellable"] and s["told"] < len(got))
                    or (truth["sound"] and (s["none"] or s["told"]))
                )
                print(
                    f"  {kind:36s} {s['covered']:7d} {s['missed']:6d} {s['none']:4d} | {s['false']:5d} {s['found']:5d}/{s['over']:<4d} | {s['told']}/{len(got)} {s['loud']:4d}"
                    + ("  <-" if odd else ""),
                    flush=True,
                )
                if odd or a.verbose:
                    print(
                        "\n".join(x for x in texts if a.verbose or not x.endswith(": ")), flush=True
                    )
            for g, t in total.items():
                print(f"  {g}: {t}")
    finally:
        shutil.rmtree(base, ignore_errors=True)


if __name__ == "__main__":
    sys.exit(main())
