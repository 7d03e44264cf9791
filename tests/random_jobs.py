"""Random small jobs: pictures and height files, sizes, cutters, materials, machines, zeros, cutouts."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
from PIL import Image

from relief.shop.load import Shop

SHOP = Shop.read(None)
FLATS = [c.name for c in SHOP.cutters.values() if c.kind == "flat" and c.diameter <= 6.4]
ROUNDS = [c.name for c in SHOP.cutters.values() if c.kind in ("ball", "taper")]
# Machines besides the starter shop's: few decimals, no comments, no dwell, slow axes.
MORE = """
[[machine]]
name = "plain controller"
decimals = 2
comments = false
percent_lines = true
dwell = 0
max_feed = [1200, 900, 300]
travel = [300, 180, 45]
rpm = [5000, 12000]

[[machine]]
name = "fine controller"
decimals = 4
clearance = 2.5
corner_tolerance = 0.05

[[cutter]]
name = "bull 6 mm"
kind = "bull"
diameter = 6
tip_radius = 1.5
cutting_length = 22
reach = 35
"""
MACHINES = [*SHOP.machines, "plain controller", "fine controller"]


def surface(rng: random.Random, width: float, length: float, depth: float, pitch: float) -> np.ndarray:
    """Return the heights of some surface, from gentle to cruel, 0 to -depth."""
    kind = rng.choice(["smooth", "rough", "steps", "spikes", "walls", "slope", "flat", "noise"])
    rows, columns = round(length / pitch) + 1, round(width / pitch) + 1
    j, i = np.mgrid[0:rows, 0:columns] * pitch
    dice = np.random.default_rng(rng.randrange(2**32))
    if kind in ("smooth", "rough"):
        waves = dice.uniform(0.1 if kind == "smooth" else 0.5, 0.8 if kind == "smooth" else 4.0, (6, 2))
        z = sum(np.sin(a * i + b * j + 7 * a) for a, b in waves)
    elif kind == "steps":
        z = np.floor(i * rng.uniform(0.1, 0.6) + j * rng.uniform(0.0, 0.6))
    elif kind == "spikes":
        z = (dice.random((rows, columns)) > 0.98).astype(float) + 0.05 * dice.random((rows, columns))
    elif kind == "walls":
        z = ((i // rng.uniform(2, 6)) + (j // rng.uniform(2, 6))) % 2
    elif kind == "slope":
        z = i * rng.uniform(-1, 1) + j
    elif kind == "flat":
        z = np.zeros((rows, columns)) - rng.choice([0.0, 1.0])
        return np.clip(z * depth, -depth, 0.0)
    else:
        z = dice.random((rows, columns))
    z = np.asarray(z, dtype=float) - np.max(z)
    return z * (depth / max(-z.min(), 1e-9))


def _picture(rng: random.Random, path: Path, heights: np.ndarray) -> None:
    tone = (heights - heights.min()) / max(np.ptp(heights), 1e-9)
    if rng.random() < 0.5:
        Image.fromarray((tone[::-1] * 65535).astype(np.uint16)).save(path)
        return
    grey = (tone[::-1] * 255).astype(np.uint8)
    rows, columns = grey.shape
    j, i = np.indices(grey.shape)
    round_off = np.hypot(2 * j / (rows - 1) - 1, 2 * i / (columns - 1) - 1) < 0.95
    alpha = np.where(round_off | (rng.random() < 0.5), 255, 0).astype(np.uint8)
    Image.fromarray(np.dstack([grey, grey, grey, alpha]), "RGBA").save(path)


def random_job(rng: random.Random, folder: Path) -> tuple[Path, dict[str, object]]:
    """Write a job's source into a folder; return it with the job's settings."""
    (folder / "shop.toml").write_text(MORE, encoding="utf-8")
    pitch = rng.choice([0.3, 0.4, 0.5])
    width, length = (round(rng.uniform(6, 18) / pitch) * pitch for _ in range(2))
    depth, thickness = rng.uniform(0.3, 8.0), rng.choice([6.0, 12.0, 18.0, 25.4])
    depth = min(depth, 0.7 * thickness)
    heights = surface(rng, width, length, depth, pitch)
    scallop = rng.choice([0.1, 0.15, 0.25])
    settings: dict[str, object] = {
        "shop": str(folder / "shop.toml"), "output.pitch": pitch, "finishing.scallop": scallop,
        "stock.thickness": thickness, "material": rng.choice(list(SHOP.materials)),
        "machine": rng.choice(MACHINES), "roughing.cutter": rng.choice(FLATS),
        "finishing.cutter": rng.choice([*ROUNDS, "bull 6 mm"]), "relief.edge": rng.choice(["open", "walled"]),
        "zero.xy": rng.choice(["corner", "centre"]), "zero.z": rng.choice(["stock top", "bed"]),
        "output.units": rng.choice(["mm", "in"]), "roughing.allowance": rng.choice([0.0, 0.2, 0.4, 1.0]),
        "roughing.cut": rng.choice(["both ways", "climb", "conventional"]),
        "finishing.cut": rng.choice(["both ways", "climb", "conventional"]),
    }  # fmt: skip
    if rng.random() < 0.3:
        settings["finishing.angle"] = rng.choice([0, 90])
    if rng.random() < 0.3:
        settings["roughing.stepdown"] = rng.uniform(0.5, 4.0)
    if rng.random() < 0.25:
        settings["cutout.shape"] = rng.choice(["rectangle", "ellipse", "silhouette"])
        settings["cutout.tabs"] = rng.choice([0, 2, 3, 4])
        settings["relief.edge"] = "open"
    if rng.random() < 0.5:
        np.save(folder / "target.npy", heights.astype(np.float32))
        return folder / "target.npy", settings
    _picture(rng, folder / "picture.png", heights)
    settings |= {"relief.width": width, "relief.depth": depth, "relief.style": rng.choice(["raised", "sunk"])}
    settings |= {"relief.invert": rng.random() < 0.3, "relief.mirror": rng.random() < 0.3}
    return folder / "picture.png", settings
