"""What one invoice is priced from: period, reads, volumes, meter, class, strengths."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from typing import Any

from sewer_audit.errors import InputRefused, Problem


@dataclass(frozen=True)
class Sample:
    """One laboratory result of one parameter.

    Parameters
    ----------
    taken : date
        Day of sampling [-].
    parameter : str
        Such as "BOD", "COD", "TSS" [text].
    value : Decimal
        Concentration; of a result below a limit, the limit [mg/L].
    below_limit : bool
        Whether the laboratory reported less than `value` [-].
    flow : Decimal, optional
        Volume the sample stands for, for a flow-weighted mean [any one unit].
    """

    taken: date
    parameter: str
    value: Decimal
    below_limit: bool = False
    flow: Decimal | None = None


@dataclass(frozen=True)
class UsePeriod:
    """The use of one earlier period, for a winter average.

    Parameters
    ----------
    volume : Decimal
        Metered use [`unit`].
    start, end : date, optional
        From read to read [-].
    unit : str, optional
        Unit of the volume; that of the facts if None [text].
    """

    volume: Decimal
    start: date | None = None
    end: date | None = None
    unit: str | None = None


@dataclass(frozen=True)
class InvoiceFacts:
    """Everything about one invoice that its price may depend on.

    Parameters
    ----------
    invoice : str
        Number of the invoice [text].
    start, end : date
        Read dates as printed, in local time; not the UTC instants of a record [-].
    volume_unit : str
        Unit of every volume here [text].
    volumes : mapping
        Metered volumes by name: "intake", "deduct", "discharge", ... [`volume_unit`].
    billed_volume : Decimal, optional
        What the invoice states as charged; None to go from the volumes [`volume_unit`].
    reads : mapping
        Volume name to (previous, current) register reads, used where the schedule rounds reads
        before the difference [`volume_unit`].
    bill_date : date, optional
        Day the bill was rendered [-].
    months : Decimal, optional
        Months the bill stands for; None to tell from the days [-].
    meter_size : str, optional
        As the rate table writes it, such as "2 in" [text].
    customer_class : str, optional
        As the rate table writes it [text].
    counts : mapping
        Further figures: "equivalent units", "impervious area", ... [as the schedule].
    strengths : mapping
        Parameter to the concentration to use as it is [mg/L].
    samples : tuple of Sample
        Laboratory results, averaged by the rule of the schedule [-].
    winter : tuple of UsePeriod
        Earlier periods a winter average is taken from [-].
    history : tuple of UsePeriod
        Periods of the invoices of the series, from which it is taken where `winter` does not
        reach [-].
    file, line : str, int, optional
        Where the invoice stands, for messages [text].
    """

    invoice: str
    start: date
    end: date
    volume_unit: str
    volumes: Mapping[str, Decimal] = field(default_factory=dict)
    billed_volume: Decimal | None = None
    reads: Mapping[str, tuple[Decimal, Decimal]] = field(default_factory=dict)
    bill_date: date | None = None
    months: Decimal | None = None
    meter_size: str | None = None
    customer_class: str | None = None
    counts: Mapping[str, Decimal] = field(default_factory=dict)
    strengths: Mapping[str, Decimal] = field(default_factory=dict)
    samples: tuple[Sample, ...] = ()
    winter: tuple[UsePeriod, ...] = ()
    history: tuple[UsePeriod, ...] = ()
    file: str = "invoices"
    line: int | None = None

    def __post_init__(self) -> None:
        for name in ("start", "end", "bill_date"):
            moment = getattr(self, name)
            if moment is not None and type(moment) is not date:
                object.__setattr__(self, name, date(moment.year, moment.month, moment.day))

    def but(self, **changes: Any) -> InvoiceFacts:
        """The same invoice with some facts changed. Units: **changes [as the field]."""
        return replace(self, **changes)


def missing(facts: InvoiceFacts, what: str, remedy: str, column: str) -> InputRefused:
    """The refusal for a fact an invoice lacks."""
    return InputRefused(
        Problem(
            facts.file,
            f"invoice {facts.invoice} has no {what}, which the rate schedule needs",
            remedy,
            facts.line,
            column=column,
            code="fact-missing",
        )
    )
