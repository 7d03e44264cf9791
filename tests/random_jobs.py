"""Random small jobs: pictures and height files, sizes, cutters, materials, machines, zeros, cutouts."""

from __future__ import annotations

import random
from collections.abc import Callable
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
number = 51

[[cutter]]
name = "round vee 60"
kind = "vee"
diameter = "1/2 in"
tip_radius = 0.8
angle = 60
cutting_length = 12
reach = 32
number = 52

[[machine]]
name = "changing controller"
tool_change = "M6"
percent_lines = true
max_feed = [4000, 2500, 900]

[[machine]]
name = "short controller"
travel = [62, 90, 60]

[[machine]]
name = "shallow controller"
travel = [90, 62, 60]
decimals = 4
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


# Finishing cutters of which each fits wherever the one before it does.
PASSES = [
    ["ball 1/4 in", "ball 1/8 in"], ["bull 6 mm", "ball 1/8 in"], ["ball 1/4 in", "taper 1/16 in"],
    ["ball 3/8 in", "ball 1/4 in", "taper 1/8 in"],
]  # fmt: skip
# Room to the relief, mm, that no cutter of these jobs reaches into with its holder.
CLEAR_OF_ALL = 19.0


def wide_job(rng: random.Random, folder: Path) -> tuple[Path, dict[str, object], tuple[str, ...]]:
    """Write a random job with whatever else a job may ask for; return its source, settings and features."""
    source, settings = random_job(rng, folder)
    while _is_blank(source):  # would be refused
        source, settings = random_job(rng, folder)
    if "cutout.shape" in settings:
        settings["cutout.shape"] = rng.choice(["rectangle", "ellipse"])
        _hold(rng, settings)
    if rng.random() < 0.3:
        settings["finishing.cutter"] = rng.choice(["taper 1/8 in", "bull 6 mm", "round vee 60"])
    features = rng.sample(list(FEATURES), rng.choice([1, 1, 2, 3]))
    if "tiles" in features:
        features = [feature for feature in features if feature in ("asked", "passes", "rest", "tiles")]
    if "opening" in features:
        features = [feature for feature in features if feature not in ("skin", "lettering")]
    for feature in sorted(features):
        source = FEATURES[feature](rng, folder, settings) or source
    return source, settings, tuple(sorted(features))


def _is_blank(source: Path) -> bool:
    """Return whether a picture has one brightness only."""
    if source.suffix != ".png":
        return False
    with Image.open(source) as picture:
        return bool(
            np.ptp(np.asarray(picture)[..., :3] if picture.mode == "RGBA" else np.asarray(picture)) == 0
        )


def _hold(rng: random.Random, settings: dict[str, object]) -> None:
    """See that a part can be cut out: edges that are long enough, and tabs where they find room."""
    settings["stock.thickness"] = min(float(str(settings["stock.thickness"])), 18.0)
    settings |= {"cutout.cutter": "flat 1/4 in", "relief.edge": "open", "cutout.tab_height": 1.5}
    settings |= {"cutout.tab_width": rng.choice([2.5, 4.0])}
    settings.setdefault("cutout.tabs", 2)


def _passes(rng: random.Random, folder: Path, settings: dict[str, object]) -> None:
    settings.pop("finishing.cutter", None)
    settings["finishing.passes"] = rng.choice(PASSES)


def _rest(rng: random.Random, folder: Path, settings: dict[str, object]) -> None:
    settings["roughing.cutter"] = rng.choice(["flat 1/4 in", "flat 6 mm"])
    settings["roughing.rest"] = rng.choice(["flat 1/8 in", "flat 3 mm"])


def _one_program(rng: random.Random, folder: Path, settings: dict[str, object]) -> None:
    settings |= {"output.programs": "one", "machine": "changing controller"}


def _scored(rng: random.Random, folder: Path, settings: dict[str, object]) -> None:
    settings |= {"outline.cutter": "drag point", "outline.lines": rng.choice([0, 2, 5])}
    settings["outline.depth"] = rng.choice([0.2, 0.4])


def _clamps(rng: random.Random, folder: Path, settings: dict[str, object]) -> None:
    settings["clamps"] = [
        {
            "x": rng.uniform(-10, 10) if beside else -CLEAR_OF_ALL - 8 - rng.uniform(0, 6),
            "y": -CLEAR_OF_ALL - 8 - rng.uniform(0, 6) if beside else rng.uniform(-10, 10),
            "width": 8.0, "length": 8.0, "height": rng.uniform(1, 15),
        }
        for beside in rng.sample([True, False], rng.choice([1, 2]))
    ]  # fmt: skip


def _skin(rng: random.Random, folder: Path, settings: dict[str, object]) -> None:
    settings |= {"cutout.shape": rng.choice(["rectangle", "ellipse"]), "cutout.tabs": 0}
    settings["cutout.skin"] = rng.choice([0.4, 0.8])
    _hold(rng, settings)


def _opening(rng: random.Random, folder: Path, settings: dict[str, object]) -> Path:
    """Write a picture that is opaque but for its corners and a hole in its middle."""
    pitch, size, depth = 0.5, rng.choice([24.0, 28.0]), rng.uniform(0.5, 3.0)
    heights = surface(rng, size, size, depth, pitch)
    heights[len(heights) // 2, 2:9] = heights.min() - 0.1  # a picture of one brightness would be refused
    tone = 255 * (heights - heights.min()) / max(float(np.ptp(heights)), 1e-9)
    away = np.hypot(*(np.indices(heights.shape) * pitch - size / 2))
    opaque = np.where((away < 0.48 * size) & (away > 5.0), 255, 0)
    path = folder / "ring.png"
    Image.fromarray(np.dstack([tone, tone, tone, opaque]).astype(np.uint8)[::-1], "RGBA").save(path)
    settings |= {"cutout.shape": "silhouette", "cutout.tabs": 3, "output.pitch": pitch}
    settings |= {"relief.width": size, "relief.depth": depth}
    _hold(rng, settings)
    settings["stock.thickness"] = 6.0
    settings["cutout.cutter"] = rng.choice(["flat 1/8 in", "flat 3 mm"])
    return path


def _tiles(rng: random.Random, folder: Path, settings: dict[str, object]) -> Path:
    """Write a height file that is longer than its machine travels."""
    for name in [name for name in settings if name.startswith(("cutout.", "relief."))]:
        del settings[name]
    pitch, sizes = 0.5, (rng.choice([65.0, 75.0]), rng.uniform(7, 11))
    along_x = rng.random() < 0.5
    width, length = sizes if along_x else sizes[::-1]
    heights = surface(rng, width, length, rng.uniform(0.5, 4.0), pitch)
    np.save(folder / "long.npy", heights.astype(np.float32))
    settings |= {"tiles": True, "output.pitch": pitch, "stock.thickness": rng.choice([8.0, 12.0])}
    settings |= {"machine": "short controller" if along_x else "shallow controller"}
    settings |= {"roughing.cutter": rng.choice(["flat 1/4 in", "flat 6 mm"]), "finishing.scallop": 0.25}
    settings |= {"relief.edge": rng.choice(["open", "walled"])}
    if rng.random() < 0.6:
        settings |= {"cutout.shape": rng.choice(["rectangle", "ellipse"])}
        settings |= {"cutout.tabs": rng.choice([2, 3, 4])}
        _hold(rng, settings)
    if rng.random() < 0.3:
        settings |= {"output.units": "in", "zero.xy": "centre"}
    return folder / "long.npy"


def _lettering(rng: random.Random, folder: Path, settings: dict[str, object]) -> None:
    text = {"text": rng.choice(["Ab", "7", "&Q"]), "height": 3.0, "depth": rng.choice([0.4, 1.0])}
    settings["lettering"] = [text | {"relief": rng.choice(["raised", "sunk"])}]


def _shaping(rng: random.Random, folder: Path, settings: dict[str, object]) -> None:
    chosen = {
        "shaping.gamma": rng.choice([0.6, 1.8]), "shaping.tone": rng.choice(["lightness", "light"]),
        "shaping.smooth": 1.0, "shaping.detail": 0.5, "shaping.flatten": 0.3, "shaping.feather": 2.0,
        "shaping.vignette": 1.5, "shaping.border": rng.choice(["flat", "bead", "cove"]),
        "shaping.levels": [0.1, 0.8],
    }  # fmt: skip
    settings |= {name: chosen[name] for name in rng.sample(list(chosen), 2)}
    settings["shaping.border_width"] = 2.0


def _asked(rng: random.Random, folder: Path, settings: dict[str, object]) -> None:
    """Ask for what is a rule otherwise: bearing, stepover, ramps, speeds."""
    chosen = {
        "finishing.angle": rng.uniform(-180, 180), "roughing.stepover": rng.uniform(0.5, 2.5),
        "roughing.entry_angle": rng.uniform(1, 20), "roughing.feed": rng.uniform(200, 900),
        "finishing.feed": rng.uniform(200, 900), "finishing.plunge": rng.uniform(50, 300),
        "finishing.rpm": 11000.0, "relief.margin": rng.uniform(9, 16), "output.ease": True,
    }  # fmt: skip
    settings |= {name: chosen[name] for name in rng.sample(list(chosen), 4)}


FEATURES: dict[str, Callable[[random.Random, Path, dict[str, object]], Path | None]] = {
    "passes": _passes,
    "rest": _rest,
    "one program": _one_program,
    "scored": _scored,
    "clamps": _clamps,
    "skin": _skin,
    "opening": _opening,
    "tiles": _tiles,
    "lettering": _lettering,
    "shaping": _shaping,
    "asked": _asked,
}
