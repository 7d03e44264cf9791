"""Clamps: what turns stays clear of them, in the plan and in the text."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relief.clamps import FAR, LEAST_ROOM, ROOM, spare_room, turning_parts
from relief.errors import JobError, PlanError, ReliefError
from relief.job import job_from_source
from relief.planning.linking import lifted
from relief.sections import Clamp
from relief.shop.load import Shop
from relief.shop.records import Cutter
from relief.toolpath import CUT, RAPID, Toolpath
from relief.workflow import carve
from tests import fields, independent

CLAMP = Clamp(x=10, y=-5, width=6, length=10, height=8, name="clamp 1")
STUB = Cutter("flat", 6, cutting_length=10, reach=14, shank=8, holder_diameter=20)
PITCH = 0.4
# on the lattice of a program's text
places = st.tuples(*(st.integers(-n, n).map(lambda k: k / 1000) for n in (30_000, 30_000, 12_000)))


def sampled_spare(at: np.ndarray, cutter: Cutter, clamp: Clamp, above: float) -> float:
    """Return the least distance to a clamp at many places of the tip, part by part of what turns."""
    across = np.maximum(np.maximum(clamp.x - at[:, 0], at[:, 0] - clamp.x - clamp.width), 0)
    along = np.maximum(np.maximum(clamp.y - at[:, 1], at[:, 1] - clamp.y - clamp.length), 0)
    away = np.sqrt(across**2 + along**2)
    radii = [(cutter.diameter / 2, 0.0), (cutter.shank / 2, cutter.cutting_length)]
    radii.append((cutter.holder_diameter / 2, cutter.reach))
    found = [away[at[:, 2] + rise < clamp.height + above] - radius for radius, rise in radii]
    return min([FAR, *(part.min() for part in found if part.size)])


@settings(deadline=None)
@given(start=places, end=places)
def test_the_room_beside_a_clamp_is_that_of_dense_samples(start, end):
    """Cutter, shank and holder count from their own height above the tip, over the whole of a move."""
    spare = spare_room(np.array([start, end]), (STUB,), CLAMP, 1.0)[0]

    # the samples lie up to 0.03 mm apart along the move, and know nothing of what lies between them
    at = np.linspace(start, end, 4001)
    assert sampled_spare(at, STUB, CLAMP, 1.03) - 0.03 <= spare + 1e-9
    assert spare - 1e-9 <= sampled_spare(at, STUB, CLAMP, 1.0)


def test_a_move_from_an_untold_place_counts_as_a_hit():
    """Where it comes from may be behind the clamp."""
    points = np.array([(np.nan, np.nan, 5.0), (30.0, 0.0, 5.0)])

    assert spare_room(points, (STUB,), CLAMP, 1.0)[0] < 0
    assert spare_room(points + np.array([0, 0, 5]), (STUB,), CLAMP, 1.0)[0] == FAR


def test_a_holder_of_unknown_size_counts_as_a_large_one():
    """60 mm across: common practice, no source."""
    holder = turning_parts(Cutter("flat", 6))[-1]

    assert (30.0, 34.0) == (holder.radius, holder.rise)


def test_rapids_through_a_clamp_go_over_it():
    """Up where they begin, across, and down where they end; a cut through it is refused with its name."""
    points = [(0, 0, 20), (0, 0, 1), (0, 0, -1), (0, 0, 1), (26, 0, 1), (26, 0, -1), (26, 0, 20)]
    path = Toolpath(np.array(points, dtype=float), np.array([RAPID, RAPID, CUT, RAPID, RAPID, CUT, RAPID]))
    over, fresh = lifted(path, Cutter("flat", 6), (CLAMP,), 20.0, "roughing")

    assert [[0, 0, 20], [26, 0, 20]] == over.points[fresh].tolist()
    assert points == [tuple(p) for p in over.points[~fresh]]
    cut = replace(path, kinds=np.array([0, 0, 1, 1, 1, 1, 0]))
    with pytest.raises(PlanError, match="clamp 1 stands in the way of the roughing"):
        lifted(cut, Cutter("flat", 6), (CLAMP,), 20.0, "roughing")


def source(folder: Path, depth: float = 3.0) -> Path:
    """Save a small hilly target, 20 mm square."""
    np.save(folder / "target.npy", fields.terrain(20.0, depth, PITCH).heights)
    return folder / "target.npy"


def carved(folder: Path, clamps: list[dict[str, object]], **settings: object):
    """Carve it among clamps."""
    asked = {
        "output.pitch": PITCH,
        "finishing.scallop": 0.2,
        "relief.margin": 14,
        "clamps": clamps,
    } | settings
    return carve(job_from_source(source(folder), asked), Shop.read(None), folder / "job")


AROUND = [
    {"x": -15, "y": 4, "width": 6, "length": 9, "height": 12, "name": "left one"},
    {"x": 29, "y": -20, "width": 10, "length": 60, "height": 6},
]


@pytest.mark.parametrize(("zero", "units"), [("corner", "mm"), ("centre", "in")])
def test_no_program_comes_near_a_clamp(tmp_path, zero, units):
    """Judged from the text by a plain reader and dense samples; the trace may be run with any cutter in."""
    report = carved(tmp_path, AROUND, **{"zero.xy": zero, "output.units": units, "cutout.shape": "rectangle"})
    assert report.ready, report.stops

    corner = np.array([10, 10, 0]) if zero == "centre" else np.zeros(3)
    every = [run.cutter for run in report.programs if run.cutter]
    for run in report.programs:
        points = independent.positions((tmp_path / "job" / run.file).read_text("ascii"))[0]
        at = independent.samples(points, 0.05) + corner
        for cutter in [run.cutter] if run.cutter else every:
            known = cutter if cutter.holder_diameter else replace(cutter, holder_diameter=60.0)
            for row in AROUND:
                assert sampled_spare(at, known, Clamp(**row), 1.0) >= LEAST_ROOM, (run.file, cutter.name, row)


def test_roughing_goes_round_a_clamp_and_leaves_no_more_for_that(tmp_path):
    """A clamp that stands in the overrun alone costs nothing on the relief."""
    near = [{"x": 25.5, "y": 5, "width": 5, "length": 6, "height": 10}]
    report = carved(tmp_path, near, **{"relief.margin": 12})

    assert report.ready, report.stops
    check = next(check for check in report.checks if check.name == "clear of clamps")
    assert LEAST_ROOM <= check.measured < ROOM + 1


REFUSED = {
    "on the relief": ({"x": 19}, {}, ("clamp 1 stands on the relief",)),
    "at its edge": ({"x": 20}, {}, ("stands 0 mm from the relief", "3.59 mm further")),
    "too near for the finishing": ({"x": 21}, {}, ("stands 1 mm", '"ball 1/8 in"', "2.59 mm further")),
    "its holder": ({"x": 24, "height": 40}, {}, ("the holder of", "further away")),
    "too near for the cutout": ({"x": 28}, {"cutout.shape": "rectangle"}, ("from the part", '"flat 1/4 in"')),
    # 18.3 mm down the holder is 38 − 18.3 mm up: lower than the clamp's top and the 2 mm above it
    "too near for the holder over the cutout": (
        {"x": 30, "height": 17.9}, {"cutout.shape": "rectangle"}, ('the holder of "flat 1/4 in"', "further"),
    ),
    "higher than the travel": (
        {"x": -13, "height": 120}, {}, ("along Z (rapids go over a clamp that stands 120 mm up)", "100 mm"),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_a_clamp_without_room_is_refused_with_numbers(tmp_path, name):
    """One line names the clamp, the room it leaves, and what is needed."""
    changes, settings, words = REFUSED[name]
    clamp = {"x": 40.0, "y": 5.0, "width": 5.0, "length": 6.0, "height": 10.0} | changes
    with pytest.raises(JobError) as refused:
        carved(tmp_path, [clamp], **settings)

    for word in words:
        assert word in str(refused.value)
    assert not (tmp_path / "job").exists()


def test_a_clamp_that_keeps_the_roughing_from_the_edge_is_refused(tmp_path):
    """A thick cutter cannot clear an edge that falls outward beside a clamp that a thin ball has room for."""
    np.save(tmp_path / "target.npy", fields.ramp(45, 12, 20, PITCH).heights - 0.5)
    job = job_from_source(
        tmp_path / "target.npy",
        {
            "output.pitch": PITCH, "finishing.scallop": 0.2, "relief.margin": 16, "stock.thickness": 30,
            "roughing.cutter": "flat 1/2 in", "relief.edge": "open",
            "clamps": [{"x": side, "y": 5, "width": 5, "length": 6, "height": 8} for side in (-9, 16)],
        },
    )  # fmt: skip
    with pytest.raises(ReliefError, match=r"clamp \d stands in the way of the roughing, .* further away"):
        carve(job, Shop.read(None), tmp_path / "job")
