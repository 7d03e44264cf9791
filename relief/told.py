"""What a job folder's report tells of its programs, and their bytes."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path
from typing import Any

from relief.errors import FolderError, ProgramError, ReliefError
from relief.files import whole_file
from relief.shop.records import Cutter
from relief.tables import read_record

# What lies beside the programs in a job folder, and pictures: given in a program's place by mistake.
NO_PROGRAMS = (".html", ".json", ".toml", ".png", ".jpg", ".jpeg", ".stl", ".ply", ".glb", ".pdf")
# Larger files are no programs of the trade.
LARGEST_FILE = 256 * 1024 * 1024


@dataclass(frozen=True)
class Told:
    """What a job folder's report says of a program.

    Parameters
    ----------
    file, operation : its name and what it is for
    cutter : None for the trace
    rpm : spindle speed, rev/min; 0 = it stands
    feed : the chosen feed, mm/min
    plunge : feed straight down, mm/min
    sha256 : digest of its text; empty where the folder holds none
    more : what further cutters do in the same file
    """

    file: str
    operation: str
    cutter: Cutter | None
    rpm: float
    feed: float
    plunge: float
    sha256: str
    more: tuple[Told, ...] = ()


def told_by_report(folder: Path) -> dict[str, Told]:
    """Return, by file name and in running order, what a job folder's report says of its programs.

    Raises
    ------
    FolderError
        There is no report, or it is none of ours.
    """
    path = folder / "report.json"
    try:
        report: dict[str, Any] = json.loads(whole_file(path, LARGEST_FILE))
        rows = [_told(row, report["sha256"], path) for row in report["programs"]]
    except OSError as error:
        message = f"{path}: {(error.strerror or str(error)).lower()}; give a job folder or a job file"
        raise FolderError(message) from None
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError, ReliefError):
        message = f"{path}: is no report of relief; give a job folder that is whole, or its job.toml"
        raise FolderError(message) from None
    files = {file: list(parts) for file, parts in groupby(rows, key=lambda row: row.file)}
    return {file: replace(parts[0], more=tuple(parts[1:])) for file, parts in files.items()}


def _told(row: dict[str, Any], digests: dict[str, str], path: Path) -> Told:
    cutter = read_record(Cutter, row["cutter"], str(path)) if row["cutter"] else None
    speeds = float(row["spindle_rpm"]), float(row["feed"]), float(row["plunge"])
    return Told(str(row["file"]), str(row["operation"]), cutter, *speeds, str(digests.get(row["file"], "")))


def program_bytes(path: Path) -> bytes:
    """Return the text of a program file.

    Raises
    ------
    ProgramError
        It is not there, plainly something else, or too large to be one.
    """
    try:
        text = whole_file(path, LARGEST_FILE)
    except OSError as error:
        message = f"{path}: {(error.strerror or str(error)).lower()}; give the path of a program"
        raise ProgramError(message) from None
    if b"\0" in text or path.suffix.lower() in NO_PROGRAMS:
        message = f"{path}: is no program; give the .nc files, in the order that you will run them"
        raise ProgramError(message)
    return text
