"""The report of a job: every number, and what it says in a few plain words."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, cast

import numpy as np

from relief.checks import Check
from relief.measures import FineFigures, LostDetail, ScallopFigures, percent, where_short
from relief.shop.records import Cutter
from relief.times import format_time, format_times
from relief.units import MM_PER_INCH, Units, format_length

# Digits after the point in report.json: nothing is known better than a nanometre.
_DECIMALS = 6
# Characters that a check's message may take in a summary.
BRIEF = 170


@dataclass(frozen=True)
class Grid:
    """The grid on which everything was judged.

    Parameters
    ----------
    pitch : float, mm between nodes
    columns, rows : int, nodes along x and y
    """

    pitch: float
    columns: int
    rows: int


@dataclass(frozen=True)
class ProgramRun:
    """One program of the job folder, in running order.

    Parameters
    ----------
    file, operation : its name and what it is for
    cutter : the cutter it turns; None for the trace
    spindle_rpm : rev/min; 0 = the spindle stands
    feed, plunge : mm/min, as chosen
    feed_range : mm/min, slowest and fastest of its cuts, ways down left out
    blocks : lines that hold words
    lines : all lines, as an editor counts them; of a file that several cutters share, those of its own
    cutting_length, rapid_length : mm
    seconds : time at the machine
    """

    file: str
    operation: str
    cutter: Cutter | None
    spindle_rpm: float
    feed: float
    plunge: float
    feed_range: tuple[float, float]
    blocks: int
    lines: int
    cutting_length: float
    rapid_length: float
    seconds: float

    @property
    def shaped(self) -> bool:
        """Whether it is fed faster than chosen where it cuts less, and slower where it cuts more."""
        return self.feed_range[1] > self.feed * 1.001


@dataclass(frozen=True)
class Report:
    """All that is known about a job once its programs have been re-read, carved and checked.

    Parameters
    ----------
    relief_version : text
    job : the complete job as run, as a table of its keys
    grid : Grid
    programs : in running order, the trace included
    seconds : time at the machine of all programs, cutter changes not counted
    scallop : ridges between passes, normal to the surface, at the nodes of the grid
    scallop_fine : the same seen on a grid twice as fine
    gouge : float, mm, deepest cut below the target
    lost_detail : what the finishing cutter cannot reach
    removed_volume : float, mm³
    path_ratio : float, finishing length over its yardstick; None when nothing was finished
    checks : every check, in order
    sha256 : digest of each file of the folder, by name
    notes : what was decided on the user's behalf
    deepest : mm, the lowest point of the target below the stock top; None where it is not known
    """

    relief_version: str
    job: Mapping[str, Any]
    grid: Grid
    programs: tuple[ProgramRun, ...]
    seconds: float
    scallop: ScallopFigures
    scallop_fine: FineFigures
    gouge: float
    lost_detail: LostDetail
    removed_volume: float
    path_ratio: float | None
    checks: tuple[Check, ...]
    sha256: Mapping[str, str]
    notes: tuple[str, ...] = ()
    deepest: float | None = None

    @property
    def ready(self) -> bool:
        """Whether the job may be carved: no check that stops it fell short."""
        return not self.stops

    @property
    def stops(self) -> tuple[Check, ...]:
        """Checks that fell short and forbid the programs."""
        return tuple(check for check in self.checks if check.severity == "stop" and not check.holds)

    @property
    def warnings(self) -> tuple[Check, ...]:
        """Checks that fell short and only tell."""
        return tuple(check for check in self.checks if check.severity == "warn" and not check.holds)

    @property
    def units(self) -> Units:
        """The length unit that the user reads."""
        return cast(Units, self.job.get("output", {}).get("units", "mm"))

    def to_json(self) -> bytes:
        """Return report.json: keys in a fixed order, plain ASCII, the same bytes for the same job.

        Numbers are rounded to six decimals; one that is not finite becomes null.
        """
        table = asdict(self)
        table["sha256"] = dict(sorted(self.sha256.items()))
        return (json.dumps(_rounded(table), indent=2, allow_nan=False) + "\n").encode("ascii")

    def summary_lines(self, folder: Path) -> tuple[str, ...]:
        """Return the job in plain lines for a terminal, a line a warning; `folder` is where it was left."""
        first: tuple[str, ...]
        if self.ready:
            first = (f"Ready: {self.made()}", f"At the machine: {self.time_sentence()}")
        else:
            first = (f"NOT ready: {self.made()}", *_told("Stopped by", self.stops))
        return (
            *first,
            f"Smoothness: {self.smoothness()}",
            f"Detail lost: {self.detail()}",
            *(_told("Warning", self.warnings) or ("Warnings: none",)),
            self.where_to_look(folder),
        )

    def made(self) -> str:
        """Return what was made, in one sentence."""
        name = str(self.job.get("picture", "")).replace("\\", "/").rpartition("/")[2]
        sizes = self.job.get("relief", {})
        width, length, depth = (sizes.get(side) for side in ("width", "length", "depth"))
        depth = depth if self.deepest is None else round(self.deepest, 2)
        what = f'"{name}" as a relief'
        if width is not None and length is not None:
            what += f" {self.length(width)} × {self.length(length)}"
        if depth is not None:
            what += f", {self.length(depth)} deep"
        return f"{what}, in {self.job.get('material', 'stock')}."

    def face_up(self) -> str:
        """Return which face of the stock lies up while it is carved, in one sentence."""
        asked = self.job.get("relief", {})
        tones = "white goes deepest" if asked.get("style") == "sunk" else "white stands highest"
        if asked.get("mirror"):
            return (
                "The BACK of the piece lies up: the picture is cut reversed, to be seen through the stock"
                f" from the other face; {tones}."
            )
        return f"The face that will be seen lies up; {tones}."

    @property
    def times(self) -> tuple[str, ...]:
        """The time of each program, for people; they add up to that of all."""
        return format_times([run.seconds for run in self.programs])

    def time_sentence(self) -> str:
        """Return the time at the machine, whole and by operation, in one sentence."""
        parts = [f"{run.operation} {time}" for run, time in zip(self.programs, self.times, strict=True)]
        told = f" ({', '.join(parts)})" if len(parts) > 1 else ""
        return f"about {format_time(self.seconds)}{told}, cutter changes not counted."

    def smoothness(self) -> str:
        """Return how smooth the surface is, in one sentence."""
        figures, fine = self.scallop, self.scallop_fine
        looked = "" if fine.share == 1 else f" (judged from close-ups of {percent(fine.share)} of it)"
        text = (
            f"ridges within {self.length(figures.tolerance)} on {percent(min(figures.within, fine.within))}"
            f" of the surface{looked}; the highest is {self.length(max(figures.max, fine.max))}"
        )
        if figures.walls > 0:
            most = max(figures.walls_max, fine.walls_max)
            text += f" ({self.length(most)} on the walls, {percent(figures.walls)} of it)"
        return text + "."

    def rough_places(self, zero: tuple[float, float]) -> str:
        """Return where the surface is rougher than asked, and why; empty where it is not.

        Parameters
        ----------
        zero : (x, y) mm, what the programs' coordinates are ahead of the relief's
        """
        return where_short(self.scallop_fine.short, self.length, zero)

    def detail(self) -> str:
        """Return how much of the picture the finishing cutter cannot reach, in one sentence."""
        lost = self.lost_detail
        if lost.share == 0:
            return f"none to be seen; {self.length(lost.max)} at most."
        return (
            f"{percent(lost.share)} of the surface stands more than {self.length(self.scallop.tolerance)}"
            f" above the picture, {self.length(lost.max)} at most."
        )

    def where_to_look(self, folder: Path) -> str:
        """Return what to do first, in one sentence."""
        sheet = folder / "sheet.html"
        if not self.ready:
            return f"Look first at: {sheet}, for what stopped it; no program was written."
        trace = next((run.file for run in self.programs if run.cutter is None), None)
        then = f", then run {trace} with the spindle off" if trace else ""
        return f"Look first at: {sheet}{then}."

    def length(self, millimetres: float) -> str:
        """Return a length in the user's unit, to a hundredth of a millimetre or a thousandth of an inch.

        A length too small for that keeps two significant digits.
        """
        places, unit = (3, MM_PER_INCH) if self.units == "in" else (2, 1.0)
        number = abs(millimetres) / unit
        if 0 < number < 10.0 ** (1 - places):
            places = min(max(places, 1 - math.floor(math.log10(number))), 5)
        return format_length(round(millimetres / unit, places) * unit, self.units)


def brief(message: str) -> str:
    """Return what a check says without the clauses that make it long; the sheet's table holds them all.

    Examples
    --------
    >>> brief("2 mm at once; the rule is 1 mm")
    '2 mm at once; the rule is 1 mm'
    """
    kept, *further = message.split("; ")
    while further and len(kept) + len(further[0]) < BRIEF:
        kept += f"; {further.pop(0)}"
    return kept


def _told(word: str, checks: tuple[Check, ...]) -> tuple[str, ...]:
    """Return one line for each of the checks; their messages hold semicolons of their own."""
    return tuple(f"{word}: {brief(check.message)}." for check in checks)


def _rounded(value: Any) -> Any:
    """Return a table with its numbers rounded and only what JSON knows."""
    if isinstance(value, Mapping):
        return {str(key): _rounded(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_rounded(inner) for inner in value]
    if isinstance(value, np.generic):
        value = value.item()
    if not isinstance(value, float):
        return value
    return round(value, _DECIMALS) + 0.0 if math.isfinite(value) else None
