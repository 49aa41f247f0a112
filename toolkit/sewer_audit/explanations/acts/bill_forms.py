"""Forms an error of the bill can take: units, factors, runs, invoices, dates.

Each function takes the observations and returns the forms with their prior weights; none where the
observations cannot show the error.
"""

from __future__ import annotations

import numpy as np

from sewer_audit.explanations.model import Variant
from sewer_audit.explanations.observations import Observations

# mistaken unit: billed over right volume, from exact unit definitions
UNITS = {
    "kgal billed as CCF, or CCF read as kgal": (0.748051948, 1.336805556),
    "cubic feet taken for gallons, or gallons for cubic feet": (0.133680556, 7.480519481),
    "imperial for US gallons, or the reverse": (1.200949926, 0.832674185),
    "m3 taken for CCF, or the reverse": (0.353146667, 2.831684659),
    "m3 taken for kgal, or the reverse": (0.264172052, 3.785411784),
    "m3 taken for cubic feet, or the reverse": (0.028316847, 35.314666721),
}
MULTIPLIERS = (0.001, 0.01, 0.1, 10.0, 100.0, 1000.0)
LONGEST_RUN = 12
"""Most invoices in a row taken as estimated [-]."""


def _onsets(label: str, factor: float, observed: Observations, share: float) -> list[Variant]:
    """The factor on every invoice (half the weight), or from any later one on."""
    count = observed.count
    found = [Variant(label, share / 2, (factor, 0))]
    for onset in range(1, count):
        name = f"{label}, from invoice {onset + 1} on"
        found.append(Variant(name, share / 2 / (count - 1), (factor, onset), False))
    return found


def always(observed: Observations) -> list[Variant]:
    """One form only."""
    return [Variant("", 1.0)]


def mistaken_units(observed: Observations) -> list[Variant]:
    """Every unit taken for another."""
    share = 1 / (2 * len(UNITS))
    return [
        variant
        for label, factors in UNITS.items()
        for factor in factors
        for variant in _onsets(f"{label} (x {factor:.5g})", factor, observed, share)
    ]


def wrong_multipliers(observed: Observations) -> list[Variant]:
    """Every power of ten of the register."""
    share = 1 / len(MULTIPLIERS)
    return [
        variant
        for factor in MULTIPLIERS
        for variant in _onsets(f"register multiplier x {factor:g}", factor, observed, share)
    ]


def wrong_shares(observed: Observations) -> list[Variant]:
    """The billed share left out or applied twice, where the schedule has one."""
    if abs(observed.return_factor - 1) < 1e-6:
        return []
    factor = 1 / observed.return_factor
    return _onsets(f"billed share left out (x {factor:.5g})", factor, observed, 0.8) + _onsets(
        f"billed share applied twice (x {1 / factor:.5g})", 1 / factor, observed, 0.2
    )


def fixed_volumes(observed: Observations) -> list[Variant]:
    """The same volume added or taken off, on every invoice or from a later one on."""
    return [
        variant
        for label, sign in (("added", 1.0), ("taken off", -1.0))
        for variant in _onsets(f"a fixed volume {label}", sign, observed, 0.5)
    ]


def two_meters(observed: Observations) -> list[Variant]:
    """The same water counted by two meters."""
    return _onsets("the same water through two meters (x 2)", 2.0, observed, 1.0)


def missing_credits(observed: Observations) -> list[Variant]:
    """The deduct credit left out, or added instead of subtracted."""
    deducts = observed.deducts_m3
    if deducts is None or not np.nansum(np.abs(deducts)) > 0:
        return []
    found = []
    for label, times in (("credit left out", 1.0), ("deduct meter added instead", 2.0)):
        found += _onsets(label, times, observed, 0.5)
    return found


def deduct_meter(observed: Observations) -> list[Variant]:
    """The deduct meter's volume billed, where there is one."""
    return [Variant("the deduct meter's volume billed", 1.0)] if missing_credits(observed) else []


def estimated_runs(observed: Observations) -> list[Variant]:
    """Runs of two and more estimated invoices, ended by a catch-up or by the end of the series."""
    count = observed.count
    runs = [
        (start, length)
        for start in range(count)
        for length in range(2, min(LONGEST_RUN, count - start) + 1)
    ]
    share = 1 / max(2 * len(runs), 1)
    return [
        Variant(
            f"invoices {start + 1} to {start + length} estimated ({how})",
            share,
            (start, length, flat),
            False,
        )
        for start, length in runs
        for how, flat in (("the same per day", False), ("the same volume", True))
    ]


def periods_twice(observed: Observations) -> list[Variant]:
    """Each invoice counted twice, overlapping or repeating the one before."""
    count = observed.count
    found = []
    for invoice in range(count):
        found.append(
            Variant(f"invoice {invoice + 1} counted twice", 1.0, ("double", invoice), False)
        )
        if invoice:
            label = f"invoice {invoice + 1} covers the one before again"
            found.append(Variant(label, 1.0, ("overlap", invoice), False))
            label = f"invoice {invoice + 1} repeats the one before"
            found.append(Variant(label, 1.0, ("repeat", invoice), False))
    return found


def wrong_reads(observed: Observations) -> list[Variant]:
    """A wrong read at the end of each invoice, in three orders of size."""
    return [
        Variant(f"read at the end of invoice {invoice + 1} wrong", 1.0, (invoice, size), False)
        for invoice in range(observed.count)
        for size in (0.3, 1.5, 8.0)
    ]


def other_dates(observed: Observations) -> list[Variant]:
    """Reads later or earlier than stated, or one whole period late."""
    if observed.count < 3:
        return []
    return [
        Variant("reads later than stated", 0.4, 1.0),
        Variant("reads earlier than stated", 0.4, -1.0),
        Variant("one whole period late", 0.2, None, False),
    ]


def day_counts(observed: Observations) -> list[Variant]:
    """Conventions for the length of a period that differ from the true one."""
    days = observed.lengths
    kinds = {
        "365 days over 360": np.full(observed.count, 365 / 360),
        "a mean month of 30.42 days over 30": np.full(observed.count, 30.42 / 30),
        "first and last day both counted": (days + 1) / days,
        "scaled to 30 days": 30 / days,
        "scaled from 30 days": days / 30,
    }
    return [
        Variant(label, 1.0, factor) for label, factor in kinds.items() if np.ptp(factor) + abs(
            factor[0] - 1) > 1e-9
    ]  # fmt: skip


def other_accounts(observed: Observations) -> list[Variant]:
    """Another account's reads, steady to unsteady."""
    if observed.count < 4:
        return []
    return [Variant("another account's reads", 1.0, own) for own in (0.04, 0.08, 0.15, 0.3)]


def roll_overs(observed: Observations) -> list[Variant]:
    """The register's roll-over before each invoice, for five numbers of digits."""
    step = observed.billed_step_m3
    if not step > 0:
        return []
    return [
        Variant(f"register roll-over before invoice {invoice + 1} mishandled", 1.0, (
            invoice, sign, step * 10.0**digits), False)
        for invoice in range(observed.count)
        for digits in (3, 4, 5, 6, 7)
        for sign in (1.0, -1.0)
    ]  # fmt: skip


def any_bill(observed: Observations) -> list[Variant]:
    """Anything else, in six degrees of disorder."""
    return [Variant("", 1.0, own) for own in (0.02, 0.05, 0.1, 0.2, 0.4, 0.8)]
