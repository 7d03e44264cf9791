"""One main job on terrain, timed stage by stage in a process of its own.

    python -m tests.benchmarks.main_job 1000

prints seconds per stage and the peak memory of the process, as JSON.
"""

from __future__ import annotations

import json
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from relief.firstrun import compile_kernels
from relief.heightfield import Heightfield
from relief.job import Job
from relief.jobfolder import write_folder
from relief.progress import Silent
from relief.sections import Finishing, Relief
from relief.setup import lay_out
from relief.shop.load import Shop
from relief.workflow import make
from tests import fields

# The job of the promise: 0.1 mm between nodes, flat 1/4 in, ball 1/8 in, scallop 0.025 mm.
PITCH, SCALLOP, DEPTH = 0.1, 0.025, 8.0


class Stopwatch(Silent):
    """A Progress that keeps the seconds of each stage."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._name, self._since = "", time.perf_counter()

    def stage(self, name: str) -> None:
        """End the last stage and begin the next."""
        now = time.perf_counter()
        if self._name:
            self.seconds[self._name] = round(now - self._since, 3)
        self._name, self._since = name, now


def terrain(nodes: int) -> Heightfield:
    """Return a square piece of terrain of `nodes` × `nodes`, mirrored where the data end."""
    field = fields.terrain((nodes - 1) * PITCH, DEPTH, PITCH)
    short = max(nodes - field.rows, 0)
    heights = np.pad(field.heights, ((0, short), (0, 0)), mode="symmetric")[:nodes, :nodes]
    return Heightfield(heights, PITCH)


def run(nodes: int) -> dict[str, object]:
    """Carve and write one job; return its figures."""
    shop, watch = Shop.read(None), Stopwatch()
    compile_kernels(Silent())
    job = Job("terrain", relief=Relief(margin=10.0), finishing=Finishing(scallop=SCALLOP))
    setup = lay_out(job, shop, terrain(nodes))
    started = time.perf_counter()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "job"
        report, files = make(setup, folder, watch)
        watch.stage("writing the job folder")
        write_folder(folder, files, replace=False)
        watch.stage("end")
    return {
        "nodes": nodes,
        "seconds": round(time.perf_counter() - started, 2),
        "peak_gib": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20, 3),
        "stages": watch.seconds,
        "ready": report.ready,
        "within": report.scallop.within,
        "blocks": sum(program.blocks for program in report.programs),
        "path_ratio": report.path_ratio,
    }


if __name__ == "__main__":
    print(json.dumps(run(int(sys.argv[1]))))
