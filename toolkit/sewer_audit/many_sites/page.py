"""The summary of many sites as one page that stands alone; every name from a case is escaped."""

from __future__ import annotations

import html
from importlib import resources
from string import Template
from typing import Any

import pandas as pd

HEADS = (
    ("rank", "number"),
    ("site", ""),
    ("expected recovery", "number"),
    ("interval", "number"),
    ("by the rules", "number"),
    ("invoiced", "number"),
    ("finding of the sum", ""),
    ("invoices", "number"),
    ("too high", "number"),
    ("too low", "number"),
    ("first to pursue", ""),
)


def summary_page(table: pd.DataFrame, quarter: str | None, draws: int | str, seed: int) -> str:
    """One page over many sites."""
    reviewed = table[table["status"] == "reviewed"]
    what = f"Quarter {html.escape(quarter)}" if quarter else "Every invoice of each case"
    told = (
        f"<p>{what}: {len(reviewed)} of {len(table)} sites reviewed, "
        f"{len(table) - len(reviewed)} not. {_drawn(draws)}, seed {seed}.</p>"
    )
    parts = []
    for currency, sites in reviewed.groupby("currency", sort=True):
        parts.append(f"<h2>Accounts in {html.escape(str(currency))}</h2>")
        parts.append(_table(sites, str(currency)))
    lost = table[table["status"] != "reviewed"]
    if len(lost):
        parts.append("<h2>Without a result</h2>" + _lost(lost))
    page = resources.files("sewer_audit.many_sites").joinpath("page.html").read_text("utf-8")
    return Template(page).substitute(told=told, tables="\n".join(parts))


def _drawn(draws: int | str) -> str:
    if draws == "adaptive":
        return "As many draws as the figures of each site need"
    return f"{draws:,} draws"


def _table(sites: pd.DataFrame, currency: str) -> str:
    amounts = pd.to_numeric(sites["expected_recovery"])
    largest = float(amounts.abs().max()) if amounts.notna().any() else 0.0
    head = "".join(
        f'<th scope="col"{f" class={kind!r}" if kind else ""}>{html.escape(name)}</th>'
        for name, kind in HEADS
    )
    rows = "".join(_row(site, largest) for site in sites.to_dict("records"))
    caption = (
        f"Amounts in {html.escape(currency)}; intervals at the coverage of each case; "
        "the hatched bar stands for an undercharge."
    )
    return (
        f"<table><caption>{caption}</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{rows}</tbody></table>"
    )


def _row(site: dict[str, Any], largest: float) -> str:
    amount = _number(site["expected_recovery"])
    share = 0.0 if amount is None or largest == 0 else 100 * abs(amount) / largest
    kind = "bar owed" if amount is not None and amount < 0 else "bar"
    bar = "" if amount is None else f'<span class="{kind}" style="width:{share:.1f}%"></span>'
    low, high = _number(site["recovery_low"]), _number(site["recovery_high"])
    span = "rules only" if low is None and amount is not None else _span(low, high)
    warned = str(site["problems"] or "")
    note = f"<br>Stops a verdict: {html.escape(warned)}" if warned else ""
    rank = "–" if pd.isna(site["rank"]) else f"{int(site['rank'])}"
    cells = (
        (rank, "number"),
        (f"{_link(site)}{note}", ""),
        (f"{_money(amount)}{bar}", "number"),
        (span, "number"),
        (_money(_number(site["by_the_rules"])), "number"),
        (_money(_number(site["invoiced_total"])), "number"),
        (html.escape(str(site["finding"] or "–")), ""),
        (_count(site["invoices"]), "number"),
        (_count(site["too_high"]), "number"),
        (_count(site["too_low"]), "number"),
        (html.escape(str(site["first_to_pursue"] or "")), ""),
    )
    return f"<tr>{''.join(_cell(text, kind) for text, kind in cells)}</tr>"


def _link(site: dict[str, Any]) -> str:
    place = html.escape(f"{site['site']}/{site['file']}", quote=True)
    return f'<a href="{place}">{html.escape(str(site["title"]))}</a>'


def _cell(text: str, kind: str) -> str:
    return f'<td class="{kind}">{text}</td>' if kind else f"<td>{text}</td>"


def _number(value: Any) -> float | None:
    return None if value is None or pd.isna(value) else float(value)


def _money(value: float | None) -> str:
    return "–" if value is None else f"{value:,.2f}"


def _span(low: float | None, high: float | None) -> str:
    return "–" if low is None or high is None else f"{low:,.0f} to {high:,.0f}"


def _count(value: Any) -> str:
    return "–" if value is None or pd.isna(value) else f"{int(value)}"


def _lost(lost: pd.DataFrame) -> str:
    rows = "".join(
        f"<tr><td>{html.escape(str(site['site']))}</td><td>{html.escape(str(site['status']))}</td>"
        f"<td>{html.escape(str(site['problems']))}</td></tr>"
        for site in lost.to_dict("records")
    )
    return (
        "<table><caption>These cases stopped; the others did not wait for them.</caption>"
        '<thead><tr><th scope="col">case</th><th scope="col">status</th>'
        f'<th scope="col">why</th></tr></thead><tbody>{rows}</tbody></table>'
    )
