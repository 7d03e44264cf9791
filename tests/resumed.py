"""Interrupted programs taken up again, and a judgement of it that shares nothing with `relief`."""

from __future__ import annotations

import dataclasses
import random

import numpy as np

from relief.resume import Resumed, resume
from tests import independent
from tests.judge import CONTACT, OPEN, Made, by_cutter, carved, changes, danger
from tests.program.standard import violations

NAME = "resumed.nc"


def interrupted_at(rng: random.Random, text: str) -> tuple[int, np.ndarray, np.ndarray]:
    """Choose where a program is ended: the line, the position in it, and all positions up to there."""
    points, rapid, _ = independent.positions(text)
    stop = rng.choice([k for k in range(1, len(points)) if not rapid[k]])
    place = points[stop - 1] + rng.uniform(0.05, 0.95) * (points[stop] - points[stop - 1])
    return moving_lines(text)[stop], place, np.vstack([points[:stop], place])


def moving_lines(text: str) -> list[int]:
    """Return the numbers of the lines that `tests.independent` takes for moves."""
    lines = text.splitlines()
    return [n for n, line in enumerate(lines, 1) if line[:1] != "(" and set(line.upper()) & set("XYZ")]


def taken_up(rng: random.Random, job: Made, *, by_position: bool) -> tuple[str, dict[str, float], str]:
    """End one of a job's programs and take it up; return what is wrong, figures, and what was done."""
    file = rng.choice([name for name, cutter in job.cutters.items() if cutter and cutter.turns])
    line, place, done = interrupted_at(rng, job.texts[file])
    path, _, number = file.partition(" ")
    whole = (job.folder / path).read_text("ascii")
    begins = changes(whole)[int(number)] if number else 0
    if number:
        line += begins - changes(job.texts[file])[0]
    told = {"position": tuple(place)} if by_position else {"line": line}
    made = resume(job.folder / path, job.folder, NAME, **told)  # type: ignore[arg-type]
    what = (
        f"{job.name}, {file}, line {line}{' by its position' if by_position else ''}, from {made.begins} on"
    )
    if made.line < begins:  # a cutter before this one came by there, too: all of it is run again
        return "" if by_position else f"takes line {made.line} for the place", {}, what
    fault, figures = judged(job, file, done, made, whole)
    if made.line > line:
        fault = fault or f"takes line {made.line} for the place"
    return fault, figures, what


def judged(
    job: Made, file: str, done: np.ndarray, made: Resumed, whole_text: str
) -> tuple[str, dict[str, float]]:
    """Hold a resumed program to what the uninterrupted one leaves.

    Of several cutters in one text the interrupted one is judged; the others' lines follow as they were.
    """
    everything, lines = made.text.decode("ascii"), whole_text.splitlines()
    rest = "\n".join(lines[made.begins - 1 :]) + "\n"
    text = by_cutter(everything)[0]
    before, after = f"{file} before", f"{file} then"
    # file names in running order; only what came before counts
    texts = {name: job.texts[name] for name in job.texts if name < file}
    left = {name: job.left[name] for name in texts} | {before: carved(job, file, done)}
    cutters = job.cutters | {before: job.cutters[file], after: job.cutters[file]}
    operations = job.operations | {before: job.operations[file], after: job.operations[file]}
    here = dataclasses.replace(
        job, texts=texts | {before: job.texts[file], after: text}, left=left, cutters=cutters,
        operations=operations,
    )  # fmt: skip
    points = independent.positions(text)[0]
    left[after] = carved(here, after, points)
    stock = np.min([np.zeros_like(job.target), *(left[name] for name in (*texts, before))], axis=0)
    # the judge carves at places along each move; those up to the interruption are places of the whole, too
    whole = np.minimum(stock, job.left[file])
    way = independent.positions(everything.removesuffix(rest))[0]
    touch = stock - carved(here, after, way)
    figures = {
        "differs from the uninterrupted, mm": float(np.abs(np.minimum(stock, left[after]) - whole).max()),
        "the way in cuts, mm": max(0.0, float(touch.max())),
        "cut again, mm": made.again,
    }
    fault = danger(here, after, text)
    if violations(everything):
        fault = f"standard: {violations(everything)[0]}"
    if not everything.endswith(rest):
        fault = "the rest is not what it was"
    if figures["differs from the uninterrupted, mm"] > 0.01:
        fault = f"differs by {figures['differs from the uninterrupted, mm']:.4f} mm"
    if figures["the way in cuts, mm"] > CONTACT + OPEN:
        fault = f"the way in cuts {figures['the way in cuts, mm']:.4f} mm"
    return fault, figures
