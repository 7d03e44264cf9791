"""Digests of the programs of the demo jobs: they change only on purpose.

`python -m tests.golden` writes them anew, and says which programs are other ones than before.

They guard against changes that nobody meant: a kernel that rounds another way, an order that hangs on a
dictionary, a default that moved. Digests are held only where they were made: machine kind, Python, NumPy (and
the vector instructions it found), SciPy, Numba, Pillow and Shapely may each change the last bit of a
number. Elsewhere the length of the cuts and the number of lines is held to 2 %.
"""

from __future__ import annotations

import hashlib
import json
import platform
from importlib import metadata
from pathlib import Path
from typing import Any

import numpy as np

from relief.job import job_from_source
from relief.plans import plan_operations
from relief.program.read import read_program
from relief.progress import Silent
from relief.setup import set_up
from relief.shop.load import Shop
from relief.texts import write_programs

ROOT = Path(__file__).parent.parent
TABLE = Path(__file__).parent / "golden.json"
PARTS = ("numpy", "scipy", "numba", "llvmlite", "pillow", "shapely", "contourpy")

SMALL = {"relief.width": 36, "relief.depth": 4, "output.pitch": 0.3, "finishing.scallop": 0.12}
JOBS: dict[str, tuple[str, dict[str, Any]]] = {
    "sunflower": ("sunflower.png", {}),
    "garden rows in inches, from the bed": (
        "garden_rows.png", {"output.units": "in", "zero.z": "bed", "zero.xy": "centre"},
    ),
    "gate sign cut out": ("gate_sign.png", {"cutout.shape": "rectangle", "cutout.tabs": 4}),
    "scallop shell, walled, by climb": (
        "scallop_shell.png", {"relief.edge": "walled", "roughing.cut": "climb", "finishing.cut": "climb"},
    ),
    "harvest with two cutters": (
        "harvest.jpg", {"finishing.passes": ["ball 1/4 in", "taper 1/16 in"], "shaping.detail": 0.5},
    ),
}  # fmt: skip


def environment() -> dict[str, str]:
    """Return what the last bit of a number may hang on."""
    vectors = np.show_config(mode="dicts")["SIMD Extensions"]  # type: ignore[index]
    found = {name: metadata.version(name) for name in PARTS}
    return found | {
        "python": platform.python_version(),
        "machine": platform.machine(),
        "vectors": " ".join(vectors.get("found", ())),
    }


def programs(name: str) -> dict[str, dict[str, Any]]:
    """Return digest, lines and length of the cuts, mm, of a demo job's programs."""
    picture, asked = JOBS[name]
    setup = set_up(job_from_source(ROOT / "demo_images" / picture, SMALL | asked), Shop.read(None))
    made = write_programs(plan_operations(setup, Silent()), setup, Silent())
    return {
        program.file: {
            "sha256": hashlib.sha256(program.text).hexdigest(),
            "lines": program.text.count(b"\n"),
            "cuts": round(read_program(program.text).cutting_length(), 1),
        }
        for program in made
    }


def table() -> dict[str, Any]:
    """Return the table as it stands."""
    return json.loads(TABLE.read_text("utf-8")) if TABLE.exists() else {"made with": {}, "programs": {}}


def main() -> None:
    """Write the table anew."""
    before, now = table(), {name: programs(name) for name in JOBS}
    for name, files in now.items():
        old = before["programs"].get(name, {})
        other = [f for f in sorted(files.keys() | old.keys()) if files.get(f) != old.get(f)]
        print(f"{name}: {', '.join(other) if other else 'as before'}")
    content = json.dumps({"made with": environment(), "programs": now}, indent=1)
    TABLE.write_text(content + "\n", "utf-8")


if __name__ == "__main__":
    main()
