"""A case read and screened as the report would, and everything told that the report would tell."""

from __future__ import annotations

import os
from pathlib import Path

from sewer_audit.auditing.invoices.alike import alike_flags
from sewer_audit.auditing.invoices.pricing import price_invoices, winter_open
from sewer_audit.auditing.reading.inputs import Inputs, Inspection, Reader, read_all
from sewer_audit.auditing.volumes.evidence import gather
from sewer_audit.case import Case, open_case
from sewer_audit.charges import ledger_of
from sewer_audit.errors import AuditError, Flag, InputRefused, Problem, Subject
from sewer_audit.spoken import speaking
from sewer_audit.uncertainty import Draws

FORESEEN = 400
"""Draws that find what an inspection tells of the evidence; no figure of them is shown [-]."""


def inspect_inputs(case: Case) -> Inspection:
    """Read and screen every input of a case; say what the report would, and conclude nothing."""
    return _inspected(case, [])


def inspect_file(file: str | Path) -> Inspection:
    """Read a case file and every input it names, going on past whatever is refused.

    Parameters
    ----------
    file : str or Path
        The case file, or the folder that holds a ``case.toml`` [-].

    Raises
    ------
    InputRefused
        If nothing of the case can be read: no file, no TOML, or no table of invoices.
    """
    case, problems = open_case(file)
    if case is None:
        raise InputRefused(problems)
    return _inspected(case, problems)


def _inspected(case: Case, problems: list[Problem]) -> Inspection:
    with speaking(case.spoken):
        reader, inputs = read_all(case)
        if inputs is not None:
            _foresee(reader, case, inputs)
    inspection = reader.inspection
    missing = {file for _, file in case.named_files if not os.path.isfile(case.path(file))}
    read = [p for p in inspection.problems if not (p.file in missing and p.line is None)]
    inspection.problems = [*problems, *read]
    inspection.problems = list(dict.fromkeys(inspection.problems))
    inspection.flags = _once(inspection)
    inspection.zone = str(case.zone)
    return inspection


def _foresee(reader: Reader, case: Case, inputs: Inputs) -> None:
    """What the report will say of the evidence, told before anything is concluded from it."""
    try:
        evidence = gather(case, inputs, Draws(FORESEEN, 1))
        priced = price_invoices(case, inputs, evidence)
        if priced is not None:
            ledger = ledger_of(priced.schedule, priced.series, ())  # no error is named yet
            found = [*priced.flags, *winter_open(case, priced), *alike_flags(case, priced, ledger)]
            reader.inspection.flags += found
    except InputRefused as error:
        reader.inspection.problems += error.problems
        return
    except AuditError as error:
        problem = Problem(case.file.name, str(error), "Correct the case or the file")
        reader.inspection.problems.append(problem)
        return
    record = ", ".join(case.data.effluent.files) if case.data.effluent is not None else "case"
    for flag in evidence.flags:
        reader.inspection.flags.append(flag)
        if flag.subject is Subject.RECORD:
            reader.inspection.places.setdefault(flag.message, record)


def _once(inspection: Inspection) -> list[Flag]:
    """Every note once; of the gaps of a file those that are left after the screening."""
    last = {
        inspection.places.get(flag.message): flag.message
        for flag in inspection.flags
        if flag.code == "gaps"
    }
    told = {flag.message: flag for flag in inspection.flags}
    gone = {m for m, flag in told.items() if flag.code == "gaps"} - set(last.values())
    return [flag for message, flag in told.items() if message not in gone]
