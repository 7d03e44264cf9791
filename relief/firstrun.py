"""The first run on a machine: every kernel compiled before the real work, on two cores, and the user told.

Two tiny jobs are run side by side: this process plans the finishing of one, another does all the rest on a
path drawn by hand. What they compile is kept on disk, so that neither this run nor any later one waits again;
and each leaves to the other what that comes to first: the order below is chosen so that both end together.
"""

from __future__ import annotations

import subprocess
import sys

import numpy as np

from relief.cutters import profile
from relief.engagement import engagement
from relief.feeds import choose_feeds
from relief.heightfield import Heightfield
from relief.job import Job
from relief.kernels.cache import kernels_compiled, mark_compiled
from relief.mesh import reduced_solid, stl_bytes
from relief.operations import job_operations
from relief.planning.repairs import shortened
from relief.planning.task import finishing_task
from relief.plans import Plan, finishing_plan, roughing_plan
from relief.progress import Progress, Silent
from relief.proof import prove
from relief.sections import Finishing, Output
from relief.setup import Setup, lay_out
from relief.shop.load import Shop
from relief.texts import write_programs
from relief.toolpath import CUT, PLUNGE, RAPID, Toolpath

_OTHER_HALF = "from relief.firstrun import compile_proof; compile_proof()"


def compile_kernels(progress: Progress) -> None:
    """Compile every kernel, unless that was done before; say so, for it takes a while."""
    if kernels_compiled():
        return
    progress.stage("compiling, this first time only")
    other = subprocess.Popen(
        [sys.executable, "-c", _OTHER_HALF],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        setup = _tiny_setup()
        finishing_plan(job_operations(setup)[1], setup, (), Silent())
        _feel(setup)
        other.wait()
    finally:
        other.kill()
        other.wait()
    if other.returncode != 0:  # no second process to be had here: do its half too
        compile_proof()
    mark_compiled()


def compile_proof() -> None:
    """Write, read, carve and mesh, on a path drawn by hand; the last step of the finishing; then rough."""
    setup = _tiny_setup()
    cut = _cut(setup)
    texts = write_programs((_walk(setup), cut), setup, Silent())
    prove(texts, setup, Silent())
    stl_bytes(reduced_solid(setup.target, -setup.job.stock.thickness, 0.01))
    task = finishing_task(setup.target, setup.region, profile(setup.finishing_cutter), 0.2, 0.02, setup.step)
    path = cut.toolpath.points[1:4]
    shortened(task, path, np.ones(len(path), dtype=np.bool_), 1.0)
    roughing_plan(job_operations(setup)[0], setup, (), Silent())


def _feel(setup: Setup) -> None:
    """Find how hard the path drawn by hand cuts, which the other half needs last."""
    cut = _cut(setup).toolpath
    engagement(setup.target, cut.points, cut.kinds[1:] == RAPID, setup.finishing_cutter)


def _tiny_setup() -> Setup:
    j, i = np.mgrid[0:41, 0:41] * 0.5
    bumps = Heightfield(-4.0 + 3.0 * np.sin(i / 3.0) * np.cos(j / 4.0), 0.5)
    job = Job("none", finishing=Finishing(scallop=0.2), output=Output(pitch=0.5))
    return lay_out(job, Shop.read(None), bumps)


def _walk(setup: Setup) -> Plan:
    points = np.array([(0.0, 0.0, setup.clearance), (20.0, 0.0, setup.clearance)])
    return Plan("trace", Toolpath(points, np.full(2, RAPID, np.uint8)), np.zeros(2))


def _cut(setup: Setup) -> Plan:
    """Return a descent, two cuts, a low rapid and a retract."""
    up = setup.clearance
    points = np.array(
        [(0, 0, up), (0, 0, -1), (9, 0.5, -1.5), (9, 3, -1), (2, 1, -1), (2, 1, up)], dtype=np.float64
    )
    kinds = np.array([RAPID, PLUNGE, CUT, CUT, RAPID, RAPID], np.uint8)
    cutter = setup.finishing_cutter
    feeds = choose_feeds(cutter, setup.material, setup.machine, 1.0, 0.5)
    feed = np.array([0, feeds.plunge, feeds.cut, feeds.cut, 0, 0], dtype=np.float64)
    return Plan("finishing", Toolpath(points, kinds), feed, cutter, feeds)
