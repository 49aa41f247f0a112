"""A copy of a case and its files, laid out so that the copied case file finds them unchanged."""

from __future__ import annotations

import os
import shutil
from pathlib import Path, PurePosixPath

from sewer_audit.case import Case
from sewer_audit.errors import ReportFailed


def pack_inputs(case: Case, folder: Path) -> Path:
    """Copy a case into a folder, byte for byte.

    Notes
    -----
    Names that climb ("../logs/a.csv") stay as they are: the case file is put as many folders deep
    as they climb, under folders of a neutral name, so that no folder of the machine is revealed.
    """
    names = [name.replace("\\", "/") for _, name in case.named_files]
    crops = {row["crop"] for row in case.printed_figures if row["crop"]}
    names += sorted(crop for crop in crops if os.path.isfile(case.path(crop)))
    climbs = max((_climb(name) for name in names), default=0)
    for word in ("case", "case-folder", "folder-of-the-case"):
        place = PurePosixPath(*[word] * climbs)
        targets = {str(place / "case.toml"): case.file.resolve()}
        if all(_place(targets, place, name, case.path(name)) for name in names):
            break
    else:
        raise ReportFailed("two files of the case would take the same place; rename one of them")
    try:
        for target, source in targets.items():
            copy = folder / target
            copy.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source, copy)
    except OSError as error:
        raise ReportFailed(f"{Path(target).name} cannot be copied: {error.strerror}") from None
    return folder / place / "case.toml"


def _climb(name: str) -> int:
    parts = PurePosixPath(os.path.normpath(name).replace("\\", "/")).parts
    return sum(part == ".." for part in parts)


def _place(targets: dict[str, Path], start: PurePosixPath, name: str, source: Path) -> bool:
    target = os.path.normpath(str(start / name)).replace("\\", "/")
    return targets.setdefault(target, source) == source
