"""The error classes that the figures of the invoices fit, as the audit hands them on."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal

import numpy as np
import pandas as pd

from sewer_audit.auditing.invoices.facts import printed_face
from sewer_audit.auditing.invoices.pricing import Pricing, charged_by_rules
from sewer_audit.auditing.reading.inputs import Inputs
from sewer_audit.case import Case
from sewer_audit.charges import OF_LINES, Signature, find_signatures
from sewer_audit.charges.chain.estimates import of_shared_read
from sewer_audit.charges.chain.ledger import CARRIED
from sewer_audit.charges.chain.volume_guesses import due_volume
from sewer_audit.errors import Flag
from sewer_audit.units import to_si

COLUMNS = (
    "code",
    "invoices",
    "sentence",
    "evidence",
    "invoiced_total",
    "corrected_total",
    "difference",
    "exactness",
    "look_alikes",
    "evidence_needed",
    "chances",
)
UNEXPLAINED = "not explained"


def signatures_of(case: Case, inputs: Inputs, pricing: Pricing | None) -> tuple[Signature, ...]:
    """The error classes that the figures of the invoices fit.

    Notes
    -----
    A volume is held against reads of a register, never against an estimate of the discharge: the
    ratio to an estimate known to a few per cent fits some confusion of units by chance, and an
    outlet meter that reads too high would be taken for one.
    """
    if pricing is None:
        return ()
    others, face = _neighbour_reads(inputs), printed_face(case, inputs)
    return find_signatures(pricing.schedule, pricing.series, face, others)


def carried_flags(found: Iterable[Signature]) -> list[Flag]:
    """Amounts due that are too high by what is carried over: no charge, and no less to be told."""
    return [
        Flag("amount-due-too-high", each.sentence, {"invoices": list(each.invoices)})
        for each in found
        if each.code in CARRIED and not each.difference
    ]


def signature_table(found: Iterable[Signature]) -> pd.DataFrame:
    """Invoices that differ from the rules, with the error class their figures fit."""
    return pd.DataFrame([_row(each) for each in found], columns=list(COLUMNS))


def _row(found: Signature) -> list[object]:
    return [
        found.code,
        list(found.invoices),
        found.sentence,
        dict(found.evidence),
        float(found.invoiced_amount),
        float(found.corrected_amount),
        float(found.difference),
        found.exactness,
        list(found.look_alikes),
        found.evidence_that_separates,
        dict(found.chances),
    ]


def _neighbour_reads(inputs: Inputs) -> dict[str, list[tuple[Decimal | None, Decimal | None]]]:
    """Reads of the other accounts at the ends of every period, to the nearest read of that day."""
    frame = inputs.invoices.frame
    return {
        account: [
            (_read_near(record.frame, row.start), _read_near(record.frame, row.end))
            for row in frame.itertuples()
        ]
        for account, record in inputs.account.neighbours.items()
    }


def _read_near(frame: pd.DataFrame, moment: pd.Timestamp) -> Decimal | None:
    away = (frame["time"] - moment).abs()
    if away.empty or away.min() > pd.Timedelta(hours=24):
        return None
    return Decimal(repr(float(frame.loc[away.idxmin(), "register"])))


def signature_sheet(signatures: pd.DataFrame) -> pd.DataFrame:
    """Signatures with lists and figures as text, one cell each."""
    sheet = signatures.copy()
    for name in ("invoices", "look_alikes"):
        sheet[name] = [", ".join(each) for each in signatures[name]]
    sheet["chances"] = [
        ", ".join(f"{code} {chance:.3g}" for code, chance in each.items())
        for each in signatures["chances"]
    ]
    sheet["evidence"] = [
        "; ".join(f"{invoice}: {_figures(figures)}" for invoice, figures in each.items())
        for each in signatures["evidence"]
    ]
    return sheet


def _figures(figures: dict[str, object]) -> str:
    return ", ".join(
        f"{name} ({_figures(value)})" if isinstance(value, dict) else f"{name} {value}"
        for name, value in figures.items()
    )


def corrected_volumes(
    signatures: pd.DataFrame, pricing: Pricing | None, billed_m3: np.ndarray, unit: str
) -> np.ndarray:
    """Billed volumes with every volume error that a signature explains put right.

    Units: pricing [billing unit]; billed_m3 [m3]; returns [m3].
    """
    corrected = np.array(billed_m3, dtype=float)
    if pricing is None or signatures.empty:
        return corrected
    rules = charged_by_rules(pricing, unit)
    places = {facts.invoice: place for place, facts in enumerate(pricing.facts)}
    for place in _named(signatures, places):
        each = pricing.series[place]
        if of_shared_read(each, pricing.series):  # it stands as billed, and its volume is known
            due = due_volume(pricing.schedule, each.bill)
            corrected[place] = float(to_si(float(due), unit, "volume"))  # type: ignore[arg-type]
        elif np.isfinite(rules[place]):
            corrected[place] = rules[place]
    return corrected


def _named(signatures: pd.DataFrame, places: dict[str, int]) -> Iterable[int]:
    for row in signatures.itertuples():
        if row.code not in OF_LINES and row.exactness != UNEXPLAINED:
            yield from (places[name] for name in row.invoices)
