"""Further balances of a case: all streams tested jointly, and which measurement is suspect."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.auditing.volumes.terms import Grounds, further_terms, instants_of
from sewer_audit.balance import (
    Balance,
    Network,
    Term,
    further_volumes,
    reading_effects,
    reconcile_network,
    sidak_critical,
)
from sewer_audit.case import Case
from sewer_audit.case.models_further import EFFLUENT
from sewer_audit.errors import Flag
from sewer_audit.uncertainty import Draws, p_value_words

MAIN_BALANCE = "balance of the site"
FURTHER_OPEN = "further-balances-open"
"""Code of the flag raised where the balances do not close."""


def further_network(
    grounds: Grounds,
    terms: Mapping[str, Sequence[Term]],
    balance: Balance | None,
    effluent: np.ndarray | None,
    draws: Draws,
) -> Network | None:
    """Reconcile every stream of the further balances and of the site's own.

    Units: terms [m3]; returns [m3].
    """
    stated = grounds.case.data.further_balance
    if not stated:
        return None
    own = [term for group in terms.values() for term in group]
    further = further_terms(grounds)
    spans = instants_of(grounds.periods)
    known = {} if balance is None else dict(balance.components)
    new = further if balance is not None else [*own, *further]
    volumes, flags = further_volumes(new, known, spans, draws)
    effects = reading_effects([*own, *further], spans)
    balances = {each.name: each.signs for each in stated}
    if effluent is not None:
        volumes[EFFLUENT] = effluent
        effects[EFFLUENT] = {EFFLUENT: effluent.mean(axis=0)}
        if balance is not None:
            signs = {"intake": 1, "use": -1, "inflow": 1}
            main = {name: signs[role] for name, role in balance.roles.items()}
            balances = {MAIN_BALANCE: main | {EFFLUENT: -1}, **balances}
    used = {name for signs in balances.values() for name in signs}
    lasting = grounds.periods.lasting  # an invoice without days of its own tests nothing
    streams = {n: np.where(lasting, each, np.nan) for n, each in volumes.items() if n in used}
    grounds.flags.extend(replace(flag, lowered=True) for flag in flags)
    have = np.isfinite(np.stack([each.mean(axis=0) for each in streams.values()])).all(axis=0)
    grounds.flags.extend(_left_out(grounds, have | ~lasting))
    if not have.any():
        return None
    found = reconcile_network(streams, balances, effects, grounds.case.data.rule.coverage)
    grounds.flags.append(_told(found, grounds.case, grounds.periods.names))
    return found


def _left_out(grounds: Grounds, have: np.ndarray) -> list[Flag]:
    if have.all():
        return []
    names = [n for n, there in zip(grounds.periods.names, have, strict=True) if not there]
    message = (
        f"the further balances leave out {', '.join(names)}: a stream has no volume there"
        if have.any()
        else "the further balances test nothing: no invoice has a volume of every stream"
    )
    return [Flag("further-balances-left-out", message, {"invoices": names})]


def _told(found: Network, case: Case, invoices: Sequence[str]) -> Flag:
    """What the balances say, and whether a verdict may rest on the measurements."""
    p = min(found.p_value, found.total_p_value)
    data = {"p_value": p, "possible": list(found.possible)}
    if found.agree:
        message = f"all balances of the case close within the uncertainties ({p_value_words(p)})"
        return Flag("further-balances-close", message, data)
    message = f"the balances do not close within the uncertainties ({p_value_words(p)}); "
    if found.named is not None:
        best = next(each for each in found.suspects if each.name == found.named)
        way = "much" if best.error > 0 else "little"
        message += (
            f"they point at {found.named!r}, which would read "
            f"{spoken.percent(abs(best.error))} too {way}; a test of it settles that"
        )
    elif found.possible:
        names = ", ".join(repr(name) for name in found.possible)
        message += (
            f"the wrong measurement is among {names}, and these balances cannot tell which, for "
            "each explains them alike or nearly so"
        )
    else:
        message += _unexplained(found, case, invoices)
    others = {each.name for each in case.data.further_measurement}
    others |= {f"{name}: drain" for name in others}
    spared = bool(found.possible) and set(found.possible) <= others
    spared |= _only_jointly(found, case)
    if not spared:
        message += "; no verdict is drawn while it may rest on the wrong one"
    return Flag(FURTHER_OPEN, message, data, lowered=spared)


def _only_jointly(found: Network, case: Case) -> bool:
    """Whether sums and single invoices all close, and only their course contradicts."""
    coverage = case.data.rule.coverage
    largest = sidak_critical(int(np.isfinite(found.invoice_z).sum()), coverage)
    closes = found.total_p_value >= 1 - np.sqrt(coverage)
    return bool(closes and np.nanmax(found.invoice_z) <= largest)


def _unexplained(found: Network, case: Case, invoices: Sequence[str]) -> str:
    """Where no measurement explains it: the sums do not close, or the course does not."""
    if found.total_p_value < 1 - np.sqrt(case.data.rule.coverage):
        return "no single measurement explains that by an error it always has"
    row, column = np.unravel_index(np.nanargmax(found.invoice_z), found.invoice_z.shape)
    text = (
        f"the sums over all invoices do ({p_value_words(found.total_p_value)}), so some error "
        f"changes from invoice to invoice more than is stated; the widest gap is that of "
        f"{found.balances[row]!r} in invoice {invoices[column]}, "
        f"{found.invoice_z[row, column]:.1f} standard uncertainties"
    )
    if _only_jointly(found, case):
        text += ", and none lies beyond its own interval"
    return text + "; an error that differs from month to month has the persistence 'each reading'"


def network_table(found: Network, case: Case) -> pd.DataFrame:
    """Every stream with its adjustment and tests, one row each.

    Parameters
    ----------
    found : Network
        The reconciled streams [m3].

    Returns
    -------
    DataFrame
        stream, role, volume_m3, standard_uncertainty_m3, adjusted_m3,
        adjusted_standard_uncertainty_m3 (NaN where the balances do not close), adjustment_z,
        error_if_wrong_share, error_standard_uncertainty_share, likelihood_ratio,
        factor_below_best, possible [m3, -].
    """
    of = {each.name: each for each in found.suspects}
    nothing = np.full(len(found.streams), np.nan)
    adjusted = nothing if found.adjusted is None else found.adjusted
    spread = nothing if found.adjusted_standard is None else found.adjusted_standard
    rows = []
    for k, name in enumerate(found.streams):
        rows.append(
            {
                "stream": name,
                "role": _role(name, case),
                "volume_m3": found.measured[k],
                "standard_uncertainty_m3": found.standard[k],
                "adjusted_m3": adjusted[k],
                "adjusted_standard_uncertainty_m3": spread[k],
                "adjustment_z": found.stream_z[k],
                **_suspicion(of.pop(name, None), found),
            }
        )
    empty = dict.fromkeys(list(rows[0])[2:7], np.nan)
    for name, suspect in of.items():
        rows.append({"stream": name, "role": "meter", **empty, **_suspicion(suspect, found)})
    return pd.DataFrame(rows)


def _suspicion(suspect: Any, found: Network) -> dict[str, Any]:
    names = ("error", "standard", "statistic", "factor_below_best")
    values = [np.nan if suspect is None else getattr(suspect, name) for name in names]
    heads = ("error_if_wrong_share", "error_standard_uncertainty_share", "likelihood_ratio",
             "factor_below_best")  # fmt: skip
    possible = suspect is not None and suspect.name in found.possible
    return {**dict(zip(heads, values, strict=True)), "possible": possible}


def _role(name: str, case: Case) -> str:
    if name == EFFLUENT:
        return "record in the sewer"
    if any(intake.meter == name for intake in case.data.intake):
        return "intake"
    table = next(each for each in case.data.quantified if each.name == name)
    return "further" if table.ROOM == "further_measurement" else table.ROOM
