"""Two finishing cutters beside the fine one alone: time, lost detail and ridges, from text read back.

`pytest tests/benchmarks/test_passes.py --benchmark-only -s` carves one demo picture; RELIEF_FULL=1 all of
them and two photographs, at the scallop and the pitch that a job has by default (some minutes each). The
cutters are the starter shop's 1/4 in ball and 1/16 in tapered ball, the machine its benchtop router, the
size that of a gate sign. Times are of the finishing programs (and of all programs), cutter changes not
counted; `lost` is the share of the area that stands more than the scallop above the picture.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from relief.evidence import Evidence
from relief.heightfield import Heightfield
from relief.job import Job, job_from_source
from relief.plans import plan_operations
from relief.progress import Silent
from relief.proof import prove
from relief.sections import Finishing, Output
from relief.setup import Setup, lay_out, set_up
from relief.shop.load import Shop
from relief.texts import write_programs
from tests import fields

FULL = bool(os.environ.get("RELIEF_FULL"))
SCALLOP, PITCH = (0.05, None) if FULL else (0.1, 0.2)
PASSES = ("ball 1/4 in", "taper 1/16 in")
DEMO = Path(__file__).parents[2] / "demo_images"
WIDTH = 300.0
# Most of the fine cutter's time: where fine forms are few, and where they lie all over the picture.
FEW, ALL_OVER = 0.6, 0.85
MOST = {"scallop_shell": FEW, "garden_rows": ALL_OVER, "sunflower": ALL_OVER, "camera": 1.0, "coins": 1.0}
PICTURES = tuple(MOST) if FULL else ("scallop_shell",)


@dataclass(frozen=True)
class Timed:
    """What the programs of a job take, and what they leave."""

    finishing: float
    whole: float
    evidence: Evidence


def set_up_with(name: str, passes: tuple[str, ...]) -> Setup:
    """Return a job with one or several finishing cutters."""
    shop = Shop.read(None)
    if (DEMO / f"{name}.png").is_file():
        keys = {"relief.width": WIDTH, "relief.depth": 10.0, "finishing.scallop": SCALLOP}
        keys |= {"finishing.passes": list(passes)} | ({"output.pitch": PITCH} if PITCH else {})
        return set_up(job_from_source(DEMO / f"{name}.png", keys), shop)
    pitch = PITCH or 0.15
    finishing = Finishing(cutter=passes[-1], passes=passes, scallop=SCALLOP)
    return lay_out(
        Job("none", finishing=finishing, output=Output(pitch=pitch)), shop, photograph(name, pitch)
    )


def photograph(name: str, pitch: float) -> Heightfield:
    """Return a photograph of scikit-image's wheel as a relief, smoothed as one has to before it is carved."""
    return fields.photograph(name, WIDTH, 10.0, pitch, smooth=1.0)


def timed(setup: Setup) -> Timed:
    """Plan a job, write its programs, read them back and measure."""
    texts = write_programs(plan_operations(setup, Silent()), setup, Silent())
    evidence = prove(texts, setup, Silent()).evidence
    finishing = sum(p.seconds for p in evidence.programs if "finishing" in p.operation)
    return Timed(finishing, sum(p.seconds for p in evidence.programs), evidence)


@pytest.mark.parametrize("name", PICTURES)
def test_two_cutters_beside_the_fine_one(benchmark: BenchmarkFixture, name: str) -> None:
    """The same lost detail and scallop, in less time; how much less hangs on how much fine form there is."""
    both = benchmark.pedantic(timed, (set_up_with(name, PASSES),), rounds=1)
    alone = timed(set_up_with(name, PASSES[-1:]))
    ratio = both.finishing / alone.finishing
    grid = both.evidence.programs[0].before
    print(f"\n{name}, {WIDTH:.0f} mm wide, scallop {SCALLOP} mm, pitch {grid.pitch:.3f} mm:", end=" ")
    print(f"finishing {ratio:.2f}, all programs {both.whole / alone.whole:.2f} of the fine cutter's time")
    for label, of in (("both", both), ("alone", alone)):
        told = [f"{p.operation} {p.seconds / 60:.1f}" for p in of.evidence.cuts]
        lost, ridges, fine = of.evidence.lost_detail, of.evidence.scallop, of.evidence.scallop_fine
        print(
            f"  {label:6} {', '.join(told)} min; lost {lost.share:.2%}, {lost.max:.3f} mm at most;"
            f" ridges {ridges.max:.4f} mm, {fine.within:.2%} within between nodes;"
            f" gouge {of.evidence.gouge:.4f} mm"
        )
    benchmark.extra_info["ratio"] = ratio

    assert both.evidence.lost_detail == alone.evidence.lost_detail
    assert both.evidence.scallop.max <= SCALLOP
    assert both.evidence.gouge <= 0.005
    assert ratio <= MOST[name]
