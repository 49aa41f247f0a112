"""The two estimates of what left the site, and what the schedule should have billed on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.auditing.reading.inputs import Inputs, humidity_of
from sewer_audit.auditing.volumes.case_device import device_question
from sewer_audit.auditing.volumes.case_units import unit_questions
from sewer_audit.auditing.volumes.credits import credit_volumes, credited
from sewer_audit.auditing.volumes.doubts import doubts
from sewer_audit.auditing.volumes.further import FURTHER_OPEN, further_network
from sewer_audit.auditing.volumes.gate import Gate, gate_of
from sewer_audit.auditing.volumes.terms import Grounds, as_cause, balance_terms, instants_of
from sewer_audit.balance import (
    Balance,
    IntakeVolumes,
    Network,
    Reconciliation,
    expected_discharge,
    intake_volumes,
    reconcile,
)
from sewer_audit.case import Case
from sewer_audit.case.models import CAUSES
from sewer_audit.case.models_uses import records_of
from sewer_audit.effluent import (
    HAND,
    OTHER_HOURS,
    STEPS,
    CauseSet,
    Checklist,
    DischargeSeries,
    EffluentVolumes,
    EffluentWay,
    Periods,
    air_shift,
    as_visited,
    assemble,
    assess_checklist,
    discharge_series,
    level_about,
    visits_look_round,
    witnessed,
    zero_path,
)
from sewer_audit.effluent.readings.fitness import Limits
from sewer_audit.errors import Flag, InputRefused, Problem
from sewer_audit.sources import cite
from sewer_audit.spoken import speaking
from sewer_audit.uncertainty import Cause, Draws, Step, Visit

__all__ = ["Evidence", "asked_of", "credited", "gather", "installation", "registers_of"]

IN_A_MINUTE = "the middle visit, with how far the level moves in a minute about it"
MUCH = 2.0
"""So many times the uncertainty of a hand reading the level may move in a minute, untold [-]."""
DISAGREEMENT = 0.006
"""A visit's instrument reading and the record's level at that time may differ by this [m]."""


@dataclass(frozen=True)
class Evidence:
    """Everything known about the volumes of the service periods, as draws.

    Parameters
    ----------
    periods : Periods
        Service periods, each without the days that an earlier invoice holds [UTC].
    series : DischargeSeries or None
        Accepted readings [SI].
    effluent : EffluentVolumes or None
        From the logger record [m3].
    balance : Balance or None
        From metered intake less uses [m3].
    balance_of : callable or None
        From the name of one cause (None for all), and other draws, to balance draws [m3].
    causes : tuple of Cause
        Uncertain inputs of the balance [SI].
    reconciliation : Reconciliation or None
        The two estimates tested against each other [m3].
    registers : mapping of str to IntakeVolumes
        Registered volume per period of every meter and metered use [m3].
    basis : array (draws, periods) or None
        What the schedule should have billed on [m3].
    flags : tuple of Flag
        What the reader must know [-].
    credits : mapping of str to array (periods,)
        Volume of every use the schedule takes off, as it takes it off [m3].
    network : Network or None
        All streams tested jointly, where the case states further balances [m3].
    printed : tuple of mapping or None
        Registers and credits over the periods as printed, where invoices share days [m3].
    gate : Gate or None
        Which of the estimates carry a verdict, invoice by invoice [-].
    averaged : array (draws, periods) or None
        The joined estimate averaged over what may be wrong with either of the two [m3].
    way : EffluentWay or None
        From draws to the volumes of the logger record [m3].
    """

    periods: Periods
    series: DischargeSeries | None
    effluent: EffluentVolumes | None
    balance: Balance | None
    balance_of: Callable[..., np.ndarray] | None
    causes: tuple[Cause, ...]
    reconciliation: Reconciliation | None
    registers: dict[str, IntakeVolumes]
    basis: np.ndarray | None
    flags: tuple[Flag, ...]
    credits: dict[str, np.ndarray] = field(default_factory=dict)
    network: Network | None = None
    printed: tuple[dict[str, IntakeVolumes], dict[str, np.ndarray]] | None = None
    gate: Gate | None = None
    averaged: np.ndarray | None = None
    way: EffluentWay | None = None

    @property
    def open(self) -> bool:
        """Whether further balances show that what the verdict rests on may be wrong [-]."""
        return any(f.code == FURTHER_OPEN and f.severity == "stops verdict" for f in self.flags)

    @property
    def as_printed(self) -> Evidence:
        """The same with registers and credits over the periods as printed, shared days in all."""
        if self.printed is None:
            return self
        return replace(self, registers=self.printed[0], credits=self.printed[1])

    @property
    def audited(self) -> np.ndarray | None:
        """The volume the billed one is judged against; None where measurements conflict [m3].

        Averaged over the explanations where two estimates allow it.
        """
        return self.as_they_stand if self.averaged is None else self.averaged

    @property
    def as_they_stand(self) -> np.ndarray | None:
        """The same if nothing of the list of explanations acts [m3].

        Invoice by invoice what carries a verdict, joined where both estimates do; where none does,
        the estimate there is, which no verdict is drawn from.
        """
        if self.open or (self.reconciliation is not None and not self.reconciliation.agree):
            return None
        effluent = None if self.effluent is None else self.effluent.volumes
        balance = None if self.balance is None else self.balance.draws
        joined = None if self.reconciliation is None else self.reconciliation.reconciled
        if joined is not None and np.isfinite(joined).all():
            return joined
        if effluent is None or balance is None or self.gate is None:
            return effluent if balance is None else balance
        found, carries = joined, self.gate.carries
        if found is None:
            found = np.full(effluent.shape, np.nan)
        use = carries["effluent"] | ~carries["balance"] & np.isfinite(effluent).all(axis=0)
        rest = np.where(use, effluent, balance)
        return np.where(np.isfinite(found).all(axis=0), found, rest)

    def again(self, case: Case, draws: Draws) -> Evidence:
        """The same from other draws, along the way these took. Units: returns [m3]."""
        effluent, balance, joined = self.effluent, self.balance, self.reconciliation
        if effluent is not None:
            effluent = replace(effluent, volumes=effluent.model.draw(draws))
        if balance is not None:
            balance = replace(balance, draws=self.balance_of(None, draws))  # type: ignore[misc]
        if joined is not None and joined.join is not None:
            both = joined.join(effluent.volumes, balance.draws)  # type: ignore[union-attr]
            joined = replace(joined, reconciled=both)
        found = replace(
            self, effluent=effluent, balance=balance, reconciliation=joined, averaged=None
        )
        return replace(found, basis=billing_basis(case, found, draws))


def asked_of(evidence: Evidence, flags: Sequence[Flag]) -> Evidence:
    """The evidence with its gate after what the bills made it necessary to ask."""
    if evidence.gate is None:
        return evidence
    return replace(evidence, gate=evidence.gate.asked(flags, evidence.periods.names))


def gather(case: Case, inputs: Inputs, draws: Draws) -> Evidence:
    """Compute both estimates, test them against each other, and the billing basis.

    Parameters
    ----------
    case : Case
        Validated case [-].
    inputs : Inputs
        Everything it names, read [SI].
    draws : Draws
        Number and seed [-].

    Returns
    -------
    Evidence
        Draws per service period [m3].

    Raises
    ------
    InputRefused
        If a service period has no record, or a meter too few reads.
    """
    periods = _periods(case, inputs, "own_start")
    flags: list[Flag] = []
    way, effluent = _effluent(case, inputs, periods, draws, flags)
    series = None if way is None else way.series
    registers = registers_of(case, inputs, periods)
    grounds = Grounds(case, inputs, periods, registers, series, flags)
    terms = balance_terms(grounds)
    balance, balance_of = None, None
    if terms["intake"]:

        def balance_of(only: str | None, columns: Draws = draws) -> np.ndarray:
            return expected_discharge(*terms.values(), instants_of(periods), columns, only).draws

        balance = expected_discharge(*terms.values(), instants_of(periods), draws)
        flags += balance.flags
    have = {
        name: np.isfinite(volumes).all(axis=0)
        for name, volumes in (
            ("effluent", None if effluent is None else effluent.volumes),
            ("balance", None if balance is None else balance.draws),
        )
        if volumes is not None
    }
    flags += unit_questions(
        case,
        periods.names,
        inputs.invoices.frame["billed_m3"].to_numpy(dtype=float),
        {
            name: each.mean(axis=0)
            for name, each in (
                ("effluent", None if effluent is None else effluent.volumes),
                ("balance", None if balance is None else balance.draws),
            )
            if each is not None
        },
    )
    if effluent is not None and balance is None and way is not None:
        bills = inputs.invoices.frame["billed_m3"].to_numpy(dtype=float)
        asked = device_question(case, series, periods, effluent, bills)
        flags += [] if asked is None else [asked]
    joined = None
    if effluent is not None and balance is not None:
        both = effluent.volumes, balance.draws
        _confirm_held(flags, inputs.flags, periods.names, have, both, case.data.rule.coverage)
        carries = gate_of([*inputs.flags, *flags], periods.names, have).carries
        if (carries["effluent"] & carries["balance"] & periods.lasting).any():
            joined = reconcile(
                np.where(carries["effluent"], effluent.volumes, np.nan),
                np.where(carries["balance"], balance.draws, np.nan),
                case.data.rule.coverage,
            )
            flags += joined.flags
    measured = None if effluent is None else effluent.volumes
    network = further_network(grounds, terms, balance, measured, draws)
    if network is not None:
        flags[:] = [flag for flag in flags if flag.code != "single-balance"]
    causes = tuple(c for group in terms.values() for term in group for c in term.causes)
    found = Evidence(
        periods, series, effluent, balance, balance_of, causes, joined, registers, None, ()
    )
    credits = credit_volumes(grounds, terms) if terms["intake"] else {}
    printed = _printed(case, inputs, series)
    told = tuple(flags)
    gate = gate_of([*inputs.flags, *told], periods.names, have)
    found = replace(
        found, way=way, credits=credits, network=network, printed=printed, flags=told, gate=gate
    )
    return replace(found, basis=billing_basis(case, found, draws))


CONFIRMED = {"held back decides": "held back", "gaps-may-hide-events": ""}
"""What stops a verdict until the balance agrees, and the code of the note that then stands."""


def _confirm_held(
    flags: list[Flag],
    others: Sequence[Flag],
    names: Sequence[str],
    have: dict[str, np.ndarray],
    both: tuple[np.ndarray, np.ndarray],
    coverage: float,
) -> None:
    """What decides a volume stands where the balance agrees with the volume it makes.

    Units: both [m3].
    """
    held = [flag for flag in flags if flag.code in CONFIRMED]
    rest = [flag for flag in flags if flag.code not in CONFIRMED]
    doubted = {name for flag in held for name in flag.data["invoices"]}
    carries = gate_of([*others, *rest], names, have).carries
    use = np.isin(names, list(doubted)) & carries["effluent"] & carries["balance"]
    if not use.any():
        return
    test = reconcile(*(np.where(use, volumes, np.nan) for volumes in both), coverage)
    if not test.agree:
        return
    agreed = [name for name, each in zip(names, use, strict=True) if each]
    flags[:] = rest
    for flag in held:
        named = flag.data["invoices"]
        stands, left = ([n for n in named if (n in agreed) == side] for side in (True, False))
        if stands and CONFIRMED[flag.code]:
            told = f"The balance agrees with the readings that were kept in {', '.join(stands)}."
            flags.append(Flag(CONFIRMED[flag.code], told, {**flag.data, "invoices": stands}))
        if left:
            said = flag.message.replace(", ".join(named), ", ".join(left))
            flags.append(replace(flag, message=said, data={**flag.data, "invoices": left}))


def _periods(case: Case, inputs: Inputs, start: str) -> Periods:
    frame = inputs.invoices.frame
    ends = (pd.DatetimeIndex(frame[name]) for name in (start, "end"))
    return Periods(tuple(frame["invoice"].astype(str)), *ends, case.data.case.time_zone)


def _printed(
    case: Case, inputs: Inputs, series: DischargeSeries | None
) -> tuple[dict[str, IntakeVolumes], dict[str, np.ndarray]] | None:
    """Registers and credits over the periods as printed; None where these share no day."""
    if not (inputs.invoices.frame["shares_with"] != "").any():
        return None
    periods = _periods(case, inputs, "start")
    registers = registers_of(case, inputs, periods)
    grounds = Grounds(case, inputs, periods, registers, series, [])
    terms = balance_terms(grounds)
    return registers, credit_volumes(grounds, terms) if terms["intake"] else {}


def _stated(case: Case) -> list[Cause]:
    return [
        as_cause(table.name, table.spread(), CAUSES[table.name], table.persistence or "")
        for table in case.data.effluent.cause  # type: ignore[union-attr]
    ]


def _effluent(
    case: Case, inputs: Inputs, periods: Periods, draws: Draws, flags: list[Flag]
) -> tuple[EffluentWay | None, EffluentVolumes | None]:
    table = case.data.effluent
    if table is None or inputs.logger is None:
        return None, None
    device = case.device
    series = discharge_series(
        inputs.logger.frame,
        inputs.level,
        device,
        reference_distance=table.reference_distance,
        name=", ".join(table.files),
        humidity=humidity_of(table),
    )
    causes = _causes(case, inputs, series, flags)
    by_hand = table.form == "hand readings"
    spans = periods.seconds(series.epoch)
    zero = None
    if not by_hand:
        visits = _visits(case, series, causes, flags)
        steps, causes = _steps(case, series, _of_visits(case, causes, visits))
        flags += _not_read(steps, visits, case)
        steps, causes = _shifted(inputs, series, steps, causes)
        causes, growth = as_visited(_other_hours(case, series, visits, causes, flags), visits)
        zero = zero_path(
            visits,
            min(series.time[0], float(spans.min())),
            max(series.time[-1], float(spans.max())),
            causes,
            case.data.rule.coverage,
            air_shift(series, causes),
            np.unique(spans),
            steps,
            growth,
        )
        causes = causes if zero is None else zero.listed(causes)
    way = EffluentWay(
        series,
        device,
        periods,
        causes,
        zero,
        table.longest_bridge,
        table.allow_missing_periods,
        _supply(inputs, series.epoch),
        Limits(
            case.data.rule.smallest_coverage_of_record,
            case.data.rule.tolerance,
            by_hand or bool({"stamp", "values"} & table.model_fields_set),
        ),
        by_hand,
    )
    volumes = way(draws)
    flags += [*series.flags, *volumes.flags, *(zero.flags if zero is not None else ())]
    if not by_hand:
        flags += doubts(case, inputs, periods, series, volumes)
    return way, volumes


def _supply(inputs: Inputs, epoch: pd.Timestamp) -> list[tuple[np.ndarray, np.ndarray]]:
    """Times and cumulative volumes of the supply meters, for gaps to follow [s, m3]."""
    second = pd.Timedelta(seconds=1)
    return [
        (
            ((record.frame["time"] - epoch) / second).to_numpy(dtype=float),
            record.frame["volume_m3"].to_numpy(dtype=float),
        )
        for record in inputs.meters.values()
    ]


def installation(case: Case, logger: Any, series: DischargeSeries) -> Checklist:
    """The checklist of the case beside what the record shows.

    Parameters
    ----------
    case : Case
        With an effluent record [-].
    logger : LoggerRecord
        Screened [SI].
    series : DischargeSeries
        Accepted readings [SI].

    Returns
    -------
    Checklist
        Points, changed figures and flags [-].
    """
    table = case.data.effluent
    echo, tail = series.reference_distance is not None, series.tail is not None
    with speaking(case.spoken):
        seen = witnessed(case.device, series, logger, table.blanking_distance)  # type: ignore[union-attr]
        return assess_checklist(case.device, table.checklist, echo, tail, seen)  # type: ignore[union-attr]


def _causes(case: Case, inputs: Inputs, series: DischargeSeries, flags: list[Flag]) -> CauseSet:
    """Defaults, what the checklist changes of them, and what the case states."""
    checked = installation(case, inputs.logger, series)
    echo, tail = series.reference_distance is not None, series.tail is not None
    flags += checked.flags
    return checked.applied(assemble(case.device, _stated(case), echo, tail))


def _of_visits(case: Case, causes: CauseSet, visits: list[Visit]) -> CauseSet:
    """Causes without what only a visit, or a re-zeroing at one, brings in."""
    idle = set() if visits else {"hand reading"}
    idle |= set() if any(visit.rezeroed for visit in visits) else {"setting of the zero"}
    shared = {name: cause for name, cause in causes.shared.items() if name not in idle}
    stated = [visit.hand_standard for visit in case.data.effluent.visit]  # type: ignore[union-attr]
    if hand := shared.get("hand reading"):
        usual = float(np.median([visit.standard for visit in visits]))
        source = f"{hand.source}; {IN_A_MINUTE}"
        hand = replace(hand, standard=usual, source=source)
        if None not in stated:
            source = f"hand_standard of each visit; {IN_A_MINUTE}"
            hand = replace(hand, source=source, default=False, grade="")
        shared["hand reading"] = hand
    return replace(causes, shared=shared)


def _steps(case: Case, series: DischargeSeries, causes: CauseSet) -> tuple[list[Step], CauseSet]:
    """What was done to the instrument unread, each listed as an input of its own."""
    steps, shared = [], dict(causes.shared)
    for event in case.data.effluent.event if causes.zero is not None else ():  # type: ignore[union-attr]
        second = _second(case, series, event.time)
        standard = STEPS[event.kind] if event.standard is None else event.standard
        name = f"{event.kind} {event.time}"
        shared[name] = Cause(
            name,
            standard,
            unit="m",
            persistence="between visits",
            source=f"{cite('judgement')}: step of unknown size, no hand reading beside it"
            if event.standard is None
            else "the case",
            default=event.standard is None,
            grade="judgement" if event.standard is None else "",
        )
        steps.append(Step(second, standard, cleaned=event.kind == "cleaning"))
    return steps, replace(causes, shared=shared)


def _shifted(
    inputs: Inputs, series: DischargeSeries, steps: list[Step], causes: CauseSet
) -> tuple[list[Step], CauseSet]:
    """Steps of the level that may be the sensor's as well as the flow's, until a reading tells."""
    more, shared = list(steps), dict(causes.shared)
    for flag in inputs.logger.flags if causes.zero is not None else ():  # type: ignore[union-attr]
        if flag.code == "step change":
            date, size = flag.data["date"], abs(flag.data["shift_m"])
            second = float((pd.Timestamp(date, tz="UTC") - series.epoch) / pd.Timedelta(seconds=1))
            name = f"{flag.code} {date}"
            source = f"{cite('judgement')}: the sensor may have moved by all of it"
            shared[name] = Cause(
                name, size, unit="m", persistence="between visits", source=source, default=True
            )
            more.append(Step(second, size))
    return sorted(more, key=lambda step: step.time), replace(causes, shared=shared)


def _not_read(steps: list[Step], visits: list[Visit], case: Case) -> list[Flag]:
    """Events after which nobody compared the instrument with a reading by hand."""
    last = max((visit.time for visit in visits), default=-np.inf)
    times = [event.time for event in case.data.effluent.event]  # type: ignore[union-attr]
    open_ = [time for time, step in zip(times, steps, strict=False) if step.time > last]
    if not open_:
        return []
    message = (
        f"{', '.join(open_)}: the instrument was touched and no hand reading follows, so its zero "
        "is open from then on. Read hand and display once, now; it settles that time as well."
    )
    return [Flag("event-not-read", message, {"events": open_})]


def _second(case: Case, series: DischargeSeries, time: str) -> float:
    stamp = pd.Timestamp(time)
    stamp = stamp if stamp.tz is not None else stamp.tz_localize(case.zone)
    return float((stamp - series.epoch) / pd.Timedelta(seconds=1))


def _other_hours(
    case: Case, series: DischargeSeries, visits: list[Visit], causes: CauseSet, flags: list[Flag]
) -> CauseSet:
    """What visits within a third of the day leave open of the air at the other hours."""
    if series.reference_distance is None or not visits:
        return causes
    seconds = pd.to_timedelta([visit.time for visit in visits], unit="s")
    local = (series.epoch + seconds).tz_convert(case.zone)
    hours = [float(stamp.hour + stamp.minute / 60) for stamp in local]
    if visits_look_round(visits, hours):
        return causes
    standard = air_shift(series, causes) / 2
    flags.append(
        Flag(
            "visits-at-one-time-of-day",
            f"All {len(visits)} visits fall between {local.strftime('%H:%M').min()} and "
            f"{local.strftime('%H:%M').max()}: they see the air of those hours only, so the level "
            f"at other hours stays uncertain by {spoken.length(standard, 2)} more. Visit early or "
            "at night once.",
            {"visits": len(visits), "hours": hours, "standard_m": standard},
        )
    )
    other = Cause(
        OTHER_HOURS,
        standard,
        unit="m",
        persistence="whole record",
        source=f"{cite('judgement')}: half of what temperature and humidity of the air leave open, "
        "because every visit was made within a third of the day",
        default=True,
        grade="judgement",
    )
    return replace(causes, shared={**causes.shared, OTHER_HOURS: other})


def _visits(
    case: Case, series: DischargeSeries, causes: CauseSet, flags: list[Flag]
) -> list[Visit]:
    visits, problems, moving = [], [], []
    usual = causes.shared["hand reading"].standard if "hand reading" in causes.shared else HAND
    for number, visit in enumerate(case.data.effluent.visit, start=1):  # type: ignore[union-attr]
        try:
            second = _second(case, series, visit.time)
        except (ValueError, TypeError) as error:
            found = f"visit time {visit.time!r} cannot be read ({error})"
            key = f"effluent.visit[{number}].time"
            remedy = "Write it as '2026-02-03 10:20', local time"
            problems.append(Problem(case.file.name, found, remedy, column=key))
            continue
        hand = usual if visit.hand_standard is None else visit.hand_standard
        moves = level_about(series, second).standard
        standard = float(np.hypot(hand, moves))
        difference = visit.hand - visit.instrument
        visits.append(Visit(second, difference, standard, visit.rezeroed, visit.time))
        if moves > MUCH * hand:
            moving.append((visit.time, moves))
        _compare_with_record(case, series, second, visit, flags)
    if problems:
        raise InputRefused(problems)
    flags += _in_moving_water(moving)
    return sorted(visits, key=lambda visit: visit.time)


def _in_moving_water(visits: list[tuple[str, float]]) -> list[Flag]:
    """That a hand reading says little where the level moved faster than it can be read."""
    if not visits:
        return []
    named = ", ".join(f"{name} ({spoken.length(moves, 2)})" for name, moves in visits)
    return [
        Flag(
            "visit-in-moving-water",
            "At these visits the level moves much further in a minute than a hand reading is "
            f"uncertain: {named}. The comparison counts with that much less weight. Read hand and "
            "display at once, while the flow stands steady.",
            {"visits": [name for name, _ in visits], "moves_m": [moves for _, moves in visits]},
        )
    ]


def _compare_with_record(
    case: Case, series: DischargeSeries, second: float, visit: Any, flags: list[Flag]
) -> None:
    near = np.abs(series.time - second) <= 900
    if not near.any():
        return
    recorded = series.level[near]
    lowest, highest = float(recorded.min()), float(recorded.max())
    away = max(lowest - visit.instrument, visit.instrument - highest, 0.0)
    if away > DISAGREEMENT:
        table = case.data.effluent
        zone = table.time_zone or case.data.case.time_zone  # type: ignore[union-attr]
        whose = f"Check the time of the visit, the time zone of the record (read in {zone})"
        by_distance = {"distance", "echo_time"} & set(table.columns)  # type: ignore[union-attr]
        flags.append(
            Flag(
                "visit-and-record-differ",
                f"Visit {visit.time}: the instrument is noted at "
                f"{spoken.length(visit.instrument)}, the record within 15 minutes lies between "
                f"{spoken.length(lowest)} and {spoken.length(highest)}. "
                + (f"{whose} and the reference distance." if by_distance else f"{whose}."),
                {"visit": visit.time, "away_m": away},
            )
        )


def registers_of(case: Case, inputs: Inputs, periods: Periods) -> dict[str, IntakeVolumes]:
    registers = {
        name: intake_volumes(
            record.frame["time"],
            record.frame["volume_m3"],
            instants_of(periods),
            resolution_m3=record.count_m3 * record.step,
            meter=name,
        )
        for name, record in {**inputs.meters, **inputs.uses}.items()
    }
    files = {intake.meter: ", ".join(intake.every_file) for intake in case.data.intake}
    tables = records_of(case.data.quantified)
    files |= {name: ", ".join(named) for name, (_, _, named) in tables.items()}
    useless = [name for name, each in registers.items() if np.isnan(each.volume_m3).all()]
    if useless:
        found = "the reads reach no service period of the invoices"
        remedy = "Add reads from before the first to after the last invoice, in order of time"
        raise InputRefused([Problem(files[name], found, remedy, column="time") for name in useless])
    return registers


def billing_basis(case: Case, found: Evidence, draws: Draws) -> np.ndarray | None:
    """Registered intake less credited uses times the return factor; or the discharge itself.

    Units: found [m3]; returns [m3].
    """
    data = case.data
    if data.case.basis == "discharge":
        audited = found.audited
        return None if audited is None else audited * data.case.return_factor
    if not data.intake or found.balance is None:
        return None
    total = np.zeros((draws.count, len(found.periods.names)))
    for intake in data.intake:
        if intake.role == "supply":
            register = found.registers[intake.meter]
            total += register.volume_m3 + register.errors(draws, f"{intake.meter}: reading dates")
    for use in data.use:
        if use.name in found.credits:
            total -= found.credits[use.name]
            if use.kind == "deduct meter":
                register = found.registers[use.name]
                total -= register.errors(draws, f"{use.name}: reading dates")
    return total * data.case.return_factor
