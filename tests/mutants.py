"""Random edits of good programs."""

from __future__ import annotations

import random
import re
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np

from relief.job import job_from_source
from relief.shop.load import Shop
from relief.workflow import carve
from tests import fields
from tests.judge import Made, made

PITCH = 0.4
NUMBER = re.compile(r"([XYZFSGMP])(-?)(\d+\.?\d*)")

JOBS: dict[str, tuple[Callable[[], np.ndarray], dict[str, object]]] = {
    "terrain": (lambda: fields.terrain(14.0, 5.0, PITCH).heights, {}),
    "dome in inches": (
        lambda: fields.dome(pitch=PITCH).heights,
        {"output.units": "in", "zero.xy": "centre", "zero.z": "bed"},
    ),
    "walled": (lambda: fields.band_limited(4, 12.0, 10.0, PITCH).heights, {"relief.edge": "walled"}),
    "ramp": (lambda: fields.ramp(30, 12, 8, PITCH, turn_deg=20).heights, {"zero.z": "bed"}),
    "cut out": (
        lambda: fields.band_limited(9, 28.0, 24.0, PITCH).heights,
        {"cutout.shape": "rectangle", "cutout.tabs": 2},
    ),
}

# Jobs of which one program holds the cuts of several cutters.
SHARED: dict[str, tuple[Callable[[], np.ndarray], dict[str, object]]] = {
    "one program": (
        lambda: fields.band_limited(9, 28.0, 24.0, PITCH).heights,
        {
            "cutout.shape": "ellipse", "cutout.tabs": 2, "output.programs": "one",
            "machine": "full-sheet router", "finishing.passes": ["ball 1/4 in", "ball 1/8 in"],
            "outline.cutter": "drag point",
        },
    ),
}  # fmt: skip


def good(name: str, folder: Path) -> Made:
    """Carve one of the jobs."""
    make, settings = (JOBS | SHARED)[name]
    heights = make()
    np.save(folder / "target.npy", heights)
    asked = {"output.pitch": PITCH, "finishing.scallop": 0.2} | settings
    job, shop = job_from_source(folder / "target.npy", asked), Shop.read(None)
    report = carve(job, shop, folder / "job")
    assert report.ready, report.stops
    return made(name, folder / "job", heights, report, shop.machine(job.machine))


def mutated(rng: random.Random, text: str) -> tuple[str, str]:
    """Return what was done to a program, and the text; comments are left as they are."""
    while True:
        kind = rng.choice(list(EDITS))
        lines = text.splitlines()
        code = [k for k, line in enumerate(lines) if not line.startswith(("(", "%")) and line.strip()]
        rare = [k for k in code if not re.fullmatch(r"[XYZ0-9.\- ]*", lines[k])]
        k = rng.choice(rare if rng.random() < 0.5 else code)
        done = EDITS[kind](rng, lines, k)
        after = "\n".join(lines) + "\n"
        if done and after != text:
            return f"{kind}, line {k + 1}: {done}", after


def _digit(rng: random.Random, lines: list[str], k: int) -> str:
    places = [i for i, c in enumerate(lines[k]) if c.isdigit()]
    i, before = rng.choice(places), lines[k]
    lines[k] = before[:i] + rng.choice("0123456789") + before[i + 1 :]
    return f"{before} -> {lines[k]}"


def _drop(rng: random.Random, lines: list[str], k: int) -> str:
    return lines.pop(k)


def _swap(rng: random.Random, lines: list[str], k: int) -> str:
    other = k + 1 if rng.random() < 0.5 else rng.randrange(len(lines))
    if other >= len(lines):
        return ""
    lines[k], lines[other] = lines[other], lines[k]
    return f"{lines[other]} <-> {lines[k]} (line {other + 1})"


def _sign(rng: random.Random, lines: list[str], k: int) -> str:
    found = [m for m in NUMBER.finditer(lines[k]) if m[1] in "XYZ"]
    if not found:
        return ""
    m, before = rng.choice(found), lines[k]
    flipped = f"{m[1]}{'' if m[2] else '-'}{m[3]}"
    lines[k] = before[: m.start()] + flipped + before[m.end() :]
    return f"{before} -> {lines[k]}"


def _word(rng: random.Random, lines: list[str], k: int) -> str:
    words, before = lines[k].split(), lines[k]
    words.pop(rng.randrange(len(words)))
    lines[k] = " ".join(words)
    return f"{before} -> {lines[k]}"


def _unit(rng: random.Random, lines: list[str], k: int) -> str:
    for number, line in enumerate(lines):
        found = re.search(r"G2[01]", line)
        if found and not line.startswith("("):
            other = rng.choice(["", "G20", "G21"])
            lines[number] = line.replace(found[0], other)
            return f"{line} -> {lines[number]}"
    return ""


def _point(rng: random.Random, lines: list[str], k: int) -> str:
    found = [m for m in NUMBER.finditer(lines[k]) if "." in m[3]]
    if not found:
        return ""
    m, before = rng.choice(found), lines[k]
    lines[k] = before[: m.start()] + m[0].replace(".", "") + before[m.end() :]
    return f"{before} -> {lines[k]}"


EDITS: dict[str, Callable[[random.Random, list[str], int], str]] = {
    "digit": _digit,
    "drop": _drop,
    "swap": _swap,
    "sign": _sign,
    "word": _word,
    "unit": _unit,
    "point": _point,
}


def seed_of(text: str) -> int:
    """Return a number that is the same for the same text in every run."""
    return zlib.crc32(text.encode())
