"""Whether a unit or a multiplier of the case itself is likelier than an error of every bill.

A bill that is ten times too high is noticed by whoever pays it; a multiplier of ten in a case file
is not. Where the billed volume of every invoice stands in one ratio to an estimate, and the ratio
is that of two units or a power of ten, the case is asked before anybody is accused.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from decimal import Decimal

import numpy as np

from sewer_audit.case import Case
from sewer_audit.charges import Recomputed, Schedule
from sewer_audit.charges.chain.volume_guesses import fits_ratio
from sewer_audit.errors import Flag, InputRefused, Problem
from sewer_audit.units import exact

__all__ = ["dial_question", "meters_question", "registers_question", "unit_questions"]

_PAIRS = (
    ("cf", "gal"),
    ("CCF", "gal"),
    ("m3", "kgal"),
    ("gal", "L"),
    ("m3", "gal"),
    ("cf", "L"),
    ("m3", "cf"),
    ("impgal", "L"),
    ("CCF", "kgal"),
    ("m3", "CCF"),
    ("impgal", "gal"),
)
_STOPS = {"effluent": "unit-of-the-record", "balance": "unit-of-the-registers"}
FAR = 3.0
"""Ratio beyond which units that differ by less are not asked about where volumes are loose [-]."""
BELOW = (
    "In all invoices what is taken off may exceed what the meters counted. Are the units and "
    "multipliers of the case, of the uses too, those on the registers? If so, say under [case] who "
    "saw them: units_confirmed = '...'."
)
FEWEST = 3
"""Invoices that must share a ratio, for one or two may well be wrong by it [-]."""
MOST, FEW = 0.8, 0.1
"""Share of the bills one ratio must set right, and that may be right without: an error of the city
begins somewhere, one of the case is everywhere (judgement) [-]."""


def _ratios() -> dict[float, str]:
    found = {10.0**power: f"a factor of {10 ** abs(power)}" for power in (1, 2, 3, -1, -2, -3)}
    pairs = [pair for one, other in _PAIRS for pair in ((one, other), (other, one))]
    for one, other in pairs:
        ratio = float(exact(one, "volume") / exact(other, "volume"))
        same = next((each for each in found if math.isclose(each, ratio)), None)
        words = f"{one} for {other}"
        found[same or ratio] = words if same is None else f"{found[same]} or of {words}"
    return found


RATIOS: Mapping[float, str] = _ratios()
"""Ratios of two volumes that a unit or a multiplier makes, and of what [-]."""


def likely_unit(ratios: np.ndarray, near: float, apart: float) -> tuple[float, str] | None:
    """The ratio of units that a series shares: its middle this near, each invoice not far off.

    Units: ratios [-]; near [-]; apart [-]; returns [-].
    """
    logs = np.log(ratios[np.isfinite(ratios) & (ratios > 0)])
    if len(logs) < FEWEST or len(logs) < 0.9 * len(ratios):
        return None
    middle = float(np.median(logs))
    found = min(RATIOS, key=lambda ratio: abs(math.log(ratio) - middle))
    if abs(math.log(found) - middle) > near or (np.abs(logs - middle) > apart).mean() > 0.1:
        return None
    return found, RATIOS[found]


def unit_questions(
    case: Case, names: Sequence[str], billed: np.ndarray, estimates: Mapping[str, np.ndarray]
) -> list[Flag]:
    """What to ask of the case where all bills stand in the ratio of two units to an estimate.

    Units: billed [m3]; estimates [m3].
    """
    flags = []
    for name, middle in estimates.items():
        with np.errstate(divide="ignore", invalid="ignore"):
            ratios = billed / middle
        found = likely_unit(ratios, 0.35, 0.35)  # a return factor may lie between
        if found is None or not (found[0] > FAR or found[0] < 1 / FAR):
            found = likely_unit(ratios, 0.01, 0.05)
        if found is None:
            continue
        ratio, words = found
        far = not 1 / FAR < ratio < FAR
        said = case.data.case.units_confirmed
        code = _STOPS[name] if far and not said else "unit-ratio"
        told = (
            f"In all {len(names)} invoices the billed volume is about "
            f"{float(np.nanmedian(ratios)):.3g} times the "
            f"{'measured effluent' if name == 'effluent' else 'balance'}, near the ratio of "
            f"{words}, {ratio:.4g}. "
        )
        told += (
            f"The units of the case were confirmed: {said}."
            if said
            else "Are the units and multipliers of the case those on the register, in the logger "
            "and on the bill? If so, say under [case] who saw them: units_confirmed = '...'."
        )
        flags.append(Flag(code, told, {"estimate": name, "ratio": ratio, "words": words}))
    return flags


def registers_question(case: Case, flags: Sequence[Flag], count: int) -> Flag | None:
    """The question about registers whose volumes stand in the ratio of two units to all bills, or
    whose uses exceed what they are taken off in all of so many invoices.

    What the record is asked touches no figure that is worked out from registers.
    """
    asked = [f for f in flags if f.code in ("unit-of-the-registers", "unit-ratio")]
    asked = [f for f in asked if f.data["estimate"] == "balance"]
    below = [f for f in flags if f.code == "balance-below-zero" and len(f.data["periods"]) == count]
    if case.data.case.units_confirmed or not (asked or below):
        return None
    words = asked[0].message if asked else BELOW
    words += " Nothing is claimed on volumes before that is answered."
    return Flag("unit-of-the-dial", words, (asked or below)[0].data)


def dial_question(case: Case, schedule: Schedule, series: Sequence[Recomputed]) -> Flag | None:
    """What to ask where one other unit or multiplier of the dial makes nearly every bill right.

    Where the amounts follow from the reads and only the printed volumes are off by it, the unit the
    case states for them is wrong, and the case is refused.
    """
    known = [each for each in series if each.due and each.billed and each.due > 0]
    if case.data.case.units_confirmed:
        return None
    wrong = [each for each in known if not each.volume_agrees or each.bill.usage is not None]
    if len(known) - len(wrong) > FEW * len(known):
        return None
    for ratio, words in RATIOS.items():
        fits = [(each, fits_ratio(schedule, each.bill, Decimal(repr(ratio)))) for each in wrong]
        right = [each for each, names in fits if names]
        if len(right) < max(FEWEST, MOST * len(known)):
            continue
        which = max((names for _, names in fits if names), key=[n for _, n in fits].count)
        by_amount = sum(each.bill.usage is not None for each in right)
        if by_amount >= MOST * len(right):
            raise InputRefused(_wrong_unit(case, ratio, words, by_amount, len(known)))
        return Flag(
            "unit-of-the-dial",
            f"{len(right)} of {len(known)} bills are right within what is known if what "
            f"{_registers(which)} counted is {ratio:.4g} times what unit and multiplier of the "
            f"case make of it, the ratio of {words}. Are they, and the unit of the invoices, as "
            "on the register's face and on the bill? Nothing is claimed on volumes before that is "
            "answered. If they are, say under [case] who saw them: units_confirmed = '...'.",
            {
                "invoices": [each.bill.invoice for each in series],
                "ratio": ratio,
                "words": words,
                "volumes": list(which),
            },
        )
    return None


def meters_question(case: Case, series: Sequence[Recomputed]) -> Flag | None:
    """What to ask where every bill charges more than the meters of the case have counted.

    Notes
    -----
    Bills that print no reads do not say which meters they rest on. A meter of the account that the
    case leaves out makes all of them too high alike, and nothing in the figures can tell.
    """
    known = [each for each in series if each.due is not None and each.billed is not None]
    more = [each for each in known if not each.volume_agrees and each.billed > each.due]
    printed = any(each.bill.current_read is not None for each in known)
    if case.data.case.units_confirmed or printed or len(more) < max(FEWEST, len(known)):
        return None
    return Flag(
        "meters-of-the-case",
        f"All {len(known)} bills charge more than the meters of the case have counted, and none "
        "prints a read. Does the account hold another meter, or another supply? Nothing is claimed "
        "on volumes before that is answered. If all are listed, say under [case] who saw the list "
        "of the account's meters: units_confirmed = '...'.",
        {"invoices": [each.bill.invoice for each in series]},
    )


def _registers(volumes: Sequence[str]) -> str:
    return f"the register of {volumes[0]!r}" if len(volumes) == 1 else "the registers"


def _wrong_unit(case: Case, ratio: float, words: str, count: int, known: int) -> Problem:
    return Problem(
        case.file.name,
        f"the amounts of {count} of {known} invoices follow from the reads, and their printed "
        f"volumes are {ratio:.4g} times what the reads give in "
        f"{case.data.invoices.volume_unit}, the ratio of {words}; is that the unit printed?",
        "State the unit of the bill, or under [case] who saw it: units_confirmed = '...'",
        column="invoices.volume_unit",
    )
