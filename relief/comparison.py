"""The rack held against one relief, as tables, figures and pictures."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path

from relief import __version__
from relief.heightfield import Heightfield
from relief.job import Job
from relief.kernels.bands import core_count
from relief.measures import LostDetail, percent
from relief.pictures import stage_png
from relief.tiles import tile_sheet
from relief.times import format_time
from relief.units import Units, format_length

# Changing a cutter and touching off the new one, s. Common practice, no source.
CHANGE = 180.0


@dataclass(frozen=True)
class Choice:
    """One cutter, or a coarse and a fine one.

    Parameters
    ----------
    cutters : names, coarse to fine
    seconds : s at the machine, a change of cutters included; None where it is not for this relief
    lost : what the finest cannot reach; for roughing, what stands above the picture after it
    planned : share of the relief that was planned for it
    note : why it is not for this relief, or what else to know
    fits : whether it can be recommended
    """

    cutters: tuple[str, ...]
    seconds: float | None
    lost: LostDetail | None = None
    planned: float = 0.0
    note: str = ""
    fits: bool = True

    @property
    def able(self) -> bool:
        """Whether it is for this relief and its time is known."""
        return self.fits and self.seconds is not None

    @property
    def time(self) -> float:
        """The seconds; endless where they are not known."""
        return math.inf if self.seconds is None else self.seconds

    @property
    def share(self) -> float:
        """Share of the area that loses more than the scallop; all of it where that is not known."""
        return self.lost.share if self.lost else 1.0

    @property
    def name(self) -> str:
        """The names in one."""
        return " + ".join(self.cutters)


@dataclass(frozen=True, eq=False)
class Comparison:
    """The rack beside one relief.

    Parameters
    ----------
    job : as asked, its sizes filled in
    finishing, pairs, roughing : sorted by time
    advice : what we would choose, and why; one line each
    surfaces : the best that each finishing cutter can leave, by its name
    """

    job: Job
    finishing: tuple[Choice, ...]
    pairs: tuple[Choice, ...]
    roughing: tuple[Choice, ...]
    advice: tuple[str, ...]
    surfaces: dict[str, Heightfield]

    def lines(self) -> list[str]:
        """Return the tables and the advice as lines of text."""
        units, scallop = self.job.output.units, self.job.finishing.scallop
        beyond = f"over {format_length(scallop, units)}"
        head: tuple[str, ...] = ("finishing", "time", "lost at most", "on 99 % of it", beyond, "")
        lines = [self.title, "", *_table(head, [_finishing_row(c, units) for c in self.finishing])]
        if self.pairs:
            head = ("coarse, then fine where it is needed", *head[1:])
            lines += ["", *_table(head, [_finishing_row(c, units) for c in self.pairs])]
        head = ("roughing", "time", "leaves at most", "on 99 % of it", "")
        rows = [_finishing_row(c, units) for c in self.roughing]
        lines += ["", *_table(head, [(*row[:4], row[5]) for row in rows])]
        return [*lines, "", *self.how, "", *self.advice]

    @property
    def title(self) -> str:
        """What is compared."""
        job, units = self.job, self.job.output.units
        size = " by ".join(
            format_length(side or 0.0, units) for side in (job.relief.width, job.relief.length)
        )
        depth = format_length(job.relief.depth or 0.0, units)
        return (
            f"{Path(job.picture).name}, {size}, {depth} deep, in {job.material} on the {job.machine};"
            f" scallop {format_length(job.finishing.scallop, units)}"
        )

    @property
    def how(self) -> tuple[str, ...]:
        """How the times were found."""
        least = min((c.planned for c in self.finishing if c.planned), default=1.0)
        if least == 1.0:
            planned = "The time of one finishing cutter is that of a full plan"
        else:
            planned = (
                f"Times of finishing are from plans of strips, {100 * least:.0f} % of the relief or more"
            )
        coarsely = ", ".join(c.name for c in self.roughing if 0 < c.planned < 1)
        return (
            f"{planned}; a taper whose flank touches little runs the path of its tip's ball.",
            *([f"Roughing with {coarsely} is planned on points further apart."] if coarsely else []),
            f"Pairs are planned from the best that the coarse cutter can leave, with {format_time(CHANGE)} to"
            " change cutters.",
        )

    def to_json(self) -> bytes:
        """Return all figures for other programs to read."""
        table = {
            "relief_version": __version__,
            "job": self.job.to_table(),
            **{name: [asdict(c) for c in getattr(self, name)] for name in ("finishing", "pairs", "roughing")},
            "advice": list(self.advice),
        }
        return (json.dumps(table, indent=2, ensure_ascii=False, allow_nan=False) + "\n").encode()

    def sheet(self) -> bytes:
        """Return a picture of what each cutter would leave, from the one that loses least on."""
        units, scallop = self.job.output.units, self.job.finishing.scallop
        shown = [choice for choice in self.finishing if choice.name in self.surfaces]
        texts = [(c.name, *_tile_lines(c, scallop, units)) for c in shown]
        with ThreadPoolExecutor(core_count()) as pool:
            tiles = list(pool.map(stage_png, (self.surfaces[c.name] for c in shown)))
        return tile_sheet(self.title, tiles, texts)

    def files(self) -> dict[str, bytes]:
        """Return what a folder holds: the tables, the figures and the pictures."""
        text = "\n".join(self.lines()) + "\n"
        return {"compare.txt": text.encode(), "compare.json": self.to_json(), "compare.png": self.sheet()}


def time_text(choice: Choice) -> str:
    """Write the time of a choice for people."""
    return "-" if choice.seconds is None else format_time(choice.seconds)


def _finishing_row(choice: Choice, units: Units) -> tuple[str, ...]:
    lost = choice.lost
    if lost is None:
        return (choice.name, time_text(choice), "", "", "", choice.note)
    most, usual = (format_length(round(value, 3), units) for value in (lost.max, lost.p99))
    return (choice.name, time_text(choice), most, usual, percent(lost.share), choice.note)


def _tile_lines(choice: Choice, scallop: float, units: Units) -> Iterator[str]:
    lost = choice.lost
    if choice.seconds is not None:
        yield f"{time_text(choice)} of finishing"
    if lost:
        most = format_length(round(lost.max, 2), units)
        limit = format_length(scallop, units)
        yield f"loses more than {limit} on {percent(lost.share)} of it, {most} at most"
    if choice.note:
        yield choice.note


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Return lines in columns: the first and the last to the left, those between to the right."""
    wide = [max(len(row[k]) for row in (head, *rows)) for k in range(len(head))]
    last = len(head) - 1
    return [
        "  ".join(
            text.ljust(wide[k]) if k in (0, last) else text.rjust(wide[k]) for k, text in enumerate(row)
        ).rstrip()
        for row in (head, *rows)
    ]
