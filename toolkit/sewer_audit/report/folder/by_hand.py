"""What a stranger needs to recompute the folder by hand: plain tables and a short script."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import ROUND_HALF_UP, Decimal
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.charges import price
from sewer_audit.charges.chain.estimates import run_volumes
from sewer_audit.effluent.steps import AS_READ, DRAWS, FILLED, NOISE, ZERO, volume_steps
from sewer_audit.units import from_si
from sewer_audit.wording import Words

__all__ = ["hand_steps", "steps_table", "write_by_hand", "zero_nodes"]

SCRIPT = Path(__file__).parent / "by_hand_script.txt"
ABOUT = Path(__file__).parent / "by_hand_about.txt"
CENT = Decimal("0.01")
MOST = 2_000
"""Points of the rating curve [-]."""


def hand_steps(result: Any) -> pd.DataFrame | None:
    """Volume of every period after each correction; None where no record is integrated.

    Units: result [SI]; returns [m3].
    """
    evidence, table = result.evidence, result.case.data.effluent
    if evidence.effluent is None or table is None or table.form == "hand readings":
        return None
    bridge = table.longest_bridge
    return volume_steps(evidence.effluent, evidence.series, evidence.periods, bridge)


def steps_table(result: Any, spread: bool = False) -> pd.DataFrame:
    """What each correction adds, invoice by invoice, in the unit people read.

    Units: result [SI].

    spread: Whether the standard uncertainty of the volume stands beside it, as on the page.
    """
    found = hand_steps(result)
    if found is None:
        return pd.DataFrame()
    unit = Words.of(result).volume_unit
    parts = {AS_READ: found[AS_READ]}
    names = list(found.columns)
    for before, name in pairwise(names):
        word = "curve of the draws" if name == DRAWS else name
        parts[f"{word}, adds"] = found[name] - found[before]
    parts["volume reported"] = found[DRAWS]
    if spread:
        parts["its u"] = result.evidence.effluent.volumes.std(axis=0, ddof=1)
    shown = {f"{name} [{unit}]": from_si(each, unit, "volume") for name, each in parts.items()}
    return pd.DataFrame({"invoice": found.index, **{k: np.asarray(v) for k, v in shown.items()}})


def zero_nodes(result: Any) -> pd.DataFrame:
    """Zero offset at every visit and read, twice where it steps, as the page shows it.

    Units: result [SI].
    """
    effluent = result.evidence.effluent
    if hand_steps(result) is None or effluent.zero is None:
        return pd.DataFrame()
    unit, zero = Words.of(result).head_unit, effluent.zero
    ends = result.evidence.series.epoch + pd.to_timedelta(np.repeat(zero.edges, 2)[1:-1], unit="s")
    spread = np.sqrt(np.diag(zero.offset.covariance))
    spread[2::2] = spread[1:-1:2] = np.maximum(spread[2::2], spread[1:-1:2])
    nodes = pd.DataFrame(
        {
            "local time": ends.tz_convert(result.case.zone),
            f"added to the level [{unit}]": from_si(zero.offset.mean, unit, "length"),
            f"standard uncertainty [{unit}]": from_si(spread, unit, "length"),
        }
    )
    mean = zero.offset.mean
    kept = np.ones(len(mean), dtype=bool)
    kept[2::2] = ~np.isclose(mean[2::2], mean[1:-1:2], atol=1e-9)
    return nodes[kept].reset_index(drop=True)


def write_by_hand(result: Any, folder: Path) -> None:
    """Write the tables and the script.

    Units: result [SI].
    """
    folder.mkdir()
    (folder / "recompute.py").write_text(SCRIPT.read_text("utf-8"), "utf-8")
    (folder / "READ_ME.txt").write_text(ABOUT.read_text("utf-8"), "utf-8")
    found = hand_steps(result)
    if found is not None:
        _volumes(result, found, folder)
    if result.pricing is not None:
        lines = pd.DataFrame(_lines(result.pricing))
        lines.to_csv(folder / "lines.csv", index=False, lineterminator="\n")


def _volumes(result: Any, found: pd.DataFrame, folder: Path) -> None:
    evidence, bridge = result.evidence, result.case.data.effluent.longest_bridge
    series, effluent = evidence.series, evidence.effluent
    readings = {"time_s": series.time, "level_m": series.level, "carrier": series.carrier}
    width = {} if series.width is None else {"mean_over_s": series.width}
    _write(folder / "readings.csv", pd.DataFrame({**readings, **width}))
    frame = result.inputs.logger.frame
    rejected = frame[frame["status"] == "rejected"].drop(columns="status")
    local = rejected["time"].dt.tz_convert(result.case.zone).rename("local time")
    _write(folder / "rejected.csv", pd.concat([local, rejected.drop(columns="time")], axis=1))
    nodes = pd.DataFrame({"time_s": series.time[[0, -1]], "offset_m": 0.0})
    if effluent.zero is not None:
        ends = np.repeat(effluent.zero.edges, 2)[1:-1]
        nodes = pd.DataFrame({"time_s": ends, "offset_m": effluent.zero.offset.mean})
    _write(folder / "zero.csv", nodes)
    reach = float(np.abs(nodes["offset_m"]).max()) + 0.01
    low, high = float(series.level.min()) - reach, float(series.level.max()) + reach
    step = max(1e-3, (high - low) / MOST)
    levels = low + step * np.arange(int((high - low) / step) + 2)
    rating = result.case.device.rating(levels)
    _write(folder / "rating.csv", pd.DataFrame({"level_m": levels, "value": rating}))
    spans = evidence.periods.seconds(series.epoch)
    periods = pd.DataFrame(
        {
            "invoice": evidence.periods.names,
            "start_s": spans[:, 0],
            "end_s": spans[:, 1],
            "bridge_s": bridge,
            "noise_m": effluent.model.noise_variance**0.5,
            "reported_m3": effluent.volumes.mean(axis=0),
            "u_m3": effluent.volumes.std(axis=0, ddof=1),
        }
    )
    _write(folder / "periods.csv", periods)
    _write(folder / "corrections.csv", pd.DataFrame(_corrections(found, effluent.model)))
    budget = result.budget[result.budget["estimate"] == "effluent"].dropna(
        subset="standard_uncertainty_m3"
    )
    causes = budget[budget["invoice"] != "total"]
    named = causes[["invoice", "cause", "standard_uncertainty_m3"]]
    _write(folder / "causes.csv", named.rename(columns={"standard_uncertainty_m3": "u_m3"}))


def _corrections(found: pd.DataFrame, model: Any) -> Iterator[dict[str, Any]]:
    """Every further step as a factor and a volume to add; zero and noise the script works out."""
    names = list(found.columns)
    for place, invoice in enumerate(found.index):
        for before, name in pairwise(names):
            old, new = float(found[before].iloc[place]), float(found[name].iloc[place])
            if name in (ZERO, NOISE):
                continue
            factor, more = (new / old if old else 1.0), 0.0
            if name == DRAWS or not old:
                factor, more = 1.0, new - old
            elif name == FILLED:
                factor = 1 + float(model.fill[place])
                more = new - old * factor
            yield {"invoice": invoice, "correction": name, "times": factor, "plus_m3": more}


def _lines(pricing: Any) -> Iterator[dict[str, Any]]:
    """Every charge of every invoice on both volumes, and of every run of estimates."""
    for basis, bills in (("on the stated volume", pricing.stated), ("by rules", pricing.by_rules)):
        for bill, priced in zip(pricing.bills, bills, strict=True):
            if priced is not None:
                given = {"invoice": bill.invoice, "basis": basis, "total": priced.total}
                for row in _products(priced):
                    yield {**given, **row}
    yield from _runs(pricing)


def _products(priced: Any) -> Iterator[dict[str, str]]:
    """Products whose sum, rounded half up to the cent, is a line; else the amount itself."""
    left = priced.total
    for number, line in enumerate(each for each in priced.lines if each.in_total):
        products = [(term.quantity, term.rate) for term in line.terms]
        whole = sum((q * r for q, r in products), Decimal(0))
        if not products or whole.quantize(CENT, ROUND_HALF_UP) != line.amount:
            products = [(Decimal(1), line.amount)]
        left -= line.amount
        for quantity, rate in products:
            name = f"{number + 1} {line.name}"
            yield {"line": name, "quantity": f"{quantity:f}", "rate": f"{rate:f}"}
    if left or not priced.lines:
        name = "rounding of the total" if left else "nothing"
        yield {"line": name, "quantity": "1", "rate": f"{left:f}"}


def _runs(pricing: Any) -> Iterator[dict[str, Any]]:
    """What the estimates of a run cost: as billed less on the volume of each period."""
    for last in (each for each in pricing.series if each.run_costs):
        members = [each for each in pricing.series if each.run == last.run]
        stated = [each.billed if each.stands else each.due for each in members]
        dues, _ = run_volumes(pricing.schedule, members, stated)
        given = {"invoice": " + ".join(last.run), "basis": "run of estimates"}
        given["total"] = last.run_costs
        for each, now, due in zip(members, stated, dues, strict=True):
            for sign, volume in ((1, now), (-1, due)):
                facts = each.bill.facts.but(billed_volume=volume)
                said = f"on {due:.1f}" if sign < 0 else "as billed" if each.stands else "by reads"
                for row in _products(price(pricing.schedule, facts)):
                    line = f"{each.bill.invoice} {said}: {row['line']}"
                    yield {**given, **row, "line": line, "rate": f"{sign * Decimal(row['rate']):f}"}


def _write(file: Path, table: pd.DataFrame) -> None:
    if len(table) > MOST and all(kind.kind in "if" for kind in table.dtypes):  # long: row by row
        form = ",".join(["%.12g"] * len(table.columns))
        rows = map(form.__mod__, zip(*(table[name] for name in table), strict=True))
        file.write_text("\n".join([",".join(table.columns), *rows, ""]), "utf-8", newline="\n")
        return
    table.to_csv(file, index=False, float_format="%.12g", lineterminator="\n")
