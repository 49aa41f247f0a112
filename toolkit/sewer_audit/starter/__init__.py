"""What a newcomer starts from: a short case with the headers of its files, and a questionnaire.

The templates hold keys and values; what each key means is written behind it from the descriptions
in ``keys.csv``, so that the starter says what ``sewer-audit explain`` says.
"""

from __future__ import annotations

import re
import shutil
import tempfile
from importlib import resources
from pathlib import Path

from pydantic import BaseModel

from sewer_audit.case.keys import fields_of, means, models_at
from sewer_audit.case.models import CaseFile
from sewer_audit.charges.schedule.versions import Schedule
from sewer_audit.errors import InputRefused, Problem
from sewer_audit.reference import schema_of

__all__ = ["HEADERS", "starter_text", "write_starter"]

HEADERS = {
    "invoices.csv": "invoice,start,end,previous_read,current_read,read_type,billed_volume,"
    "fixed charge,volume charge,total\n",
    "main_meter.csv": "time,register\n",
    "effluent_log.csv": "time,distance\n",
}
WIDTH = 100


def starter_text(file: str) -> str:
    """A template with the meaning of each key beside it."""
    text = resources.files("sewer_audit.starter").joinpath(f"{file}.toml").read_text("utf-8")
    root: type[BaseModel] = CaseFile if file == "case" else Schedule
    lines, place, told = [f"#:schema {file}.schema.json"], [], set()
    for line in text.splitlines():
        header = re.match(r"(?:# )?\[\[?([a-z_.]+)\]\]?$", line)
        key = re.match(r"(?:# )?([a-z_]+) = ", line)
        if header:
            place = header[1].split(".")
        owners = [model for model in models_at(root, place) if key and key[1] in fields_of(model)]
        if owners and (owners[0], key[1]) not in told:
            told.add((owners[0], key[1]))
            meaning = means(owners[0], key[1])
            beside = f"{line:<34} # {meaning}"
            lines += [beside] if len(beside) <= WIDTH else [*_wrapped(meaning), line]
        else:
            lines.append(line)
    return "\n".join(lines) + "\n"


def _wrapped(meaning: str) -> list[str]:
    """A meaning too long to stand beside its key: above it, marked as prose."""
    rows, row = [], "#"
    for word in meaning.split():
        if len(row) + len(word) + 1 > WIDTH:
            rows.append(row)
            row = "#"
        row += f" {word}"
    return [*rows, row]


def write_starter(folder: str | Path) -> Path:
    """Write a starter case into a new folder.

    Raises
    ------
    InputRefused
        If the folder holds anything already, or cannot be made.
    """
    target = Path(folder)
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise InputRefused(
            Problem(target.name, "the folder exists and is not empty", "Name a new folder")
        )
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=target.parent, prefix=".starter-") as made:
            draft = Path(made) / "case"
            draft.mkdir()
            for file in ("case", "rates"):
                (draft / f"{file}.toml").write_text(starter_text(file), encoding="utf-8")
                (draft / f"{file}.schema.json").write_text(schema_of(file), encoding="utf-8")
            for name, header in HEADERS.items():
                (draft / name).write_text(header, encoding="utf-8")
            if target.exists():
                target.rmdir()
            shutil.move(draft, target)
    except OSError as error:
        raise InputRefused(
            Problem(target.name, f"cannot be written ({error.strerror})", "Name another folder")
        ) from None
    return target
