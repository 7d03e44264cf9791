"""A cutout shared out among tiles: together they leave what the whole leaves, each within its own reach."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from relief.heightfield import Region
from relief.planning.cutout import plan_cutout
from relief.planning.layers import flare
from relief.planning.outline import ellipse, rectangle
from relief.planning.shares import Cell, reach
from relief.sections import Cutout
from relief.shop.records import Cutter
from relief.toolpath import CUT, PLUNGE, RAPID, Toolpath
from tests import independent

CUTTER = Cutter("flat", 6.0, cutting_length=30.0)
SECTION = Cutout(shape="rectangle", stepdown=3.0, entry_angle=5.0)
THICKNESS, MARGIN, PITCH = 12.0, 14.0, 0.8
# The lattice of the text moves an outline by less than this, mm.
SHIFT = 0.002
BOX = Region(0.0, 0.0, 70.0, 50.0)


def holed() -> shapely.Polygon:
    """Return an oval with a hole, large enough for waste that tabs have to hold."""
    return ellipse(BOX) - ellipse(Region(20.0, 10.0, 52.0, 40.0))


def comb() -> shapely.Polygon:
    """Return a shape whose outline goes over one line many times."""
    teeth = [shapely.box(4 + 22 * k, 0, 12 + 22 * k, 50 - 9 * k) for k in range(3)]
    return shapely.union_all([shapely.box(0, 0, 60, 14), *teeth])


SHAPES = {"rectangle": rectangle(BOX), "ellipse": ellipse(BOX), "holed": holed(), "comb": comb()}


def planned(shape, section, cutter, cell=None):
    """Plan a cutout, or a tile's share of it."""
    board = Region(*shape.bounds).grown(MARGIN)
    return plan_cutout(
        shape, cutter, section, thickness=THICKNESS, clearance=5.0, stock=board, cell=cell
    )  # fmt: skip


def left(paths: list[Toolpath], shape, radius: float) -> np.ndarray:
    """Return what flat-ended cuts leave of the board, by scipy."""
    board = Region(*shape.bounds).grown(MARGIN)
    grid = (round(board.length / PITCH) + 1, round(board.width / PITCH) + 1)
    found = [np.zeros(grid)]
    for path in paths:
        points = path.points - (board.left, board.near, 0.0)
        found.append(independent.carved(grid, PITCH, points, np.zeros_like, radius, 0.1))
    return np.min(found, axis=0)


def check_shares(shape, section, cutter, seams) -> list[Toolpath]:
    """Hold the shares of all tiles against the whole."""
    whole = planned(shape, section, cutter)
    shares, radius = [], cutter.diameter / 2
    far = reach(radius, flare(radius, section.allowance), section.tab_width if section.tabs else 0.0)
    for column in range(len(seams[0]) + 1):
        for row in range(len(seams[1]) + 1):
            plan = planned(shape, section, cutter, Cell(seams, (column, row)))
            assert plan.tabs == whole.tabs
            assert plan.warnings == whole.warnings
            path = plan.toolpath
            if not len(path.points):
                continue
            shares.append(path)
            for axis, number in ((0, column), (1, row)):
                edges = (-math.inf, *seams[axis], math.inf)
                assert path.points[:, axis].min() >= edges[number] - far - 1e-3
                assert path.points[:, axis].max() <= edges[number + 1] + far + 1e-3
            check_moves(path, section)
    together = left(shares, shape, radius)
    # a grid's node on the very rim of a cut falls to either side of it by the lattice
    assert (together <= left([whole.toolpath], shape, radius - SHIFT) + 1e-9).all()
    assert (together >= left([whole.toolpath], shape, radius + SHIFT) - 1e-9).all()
    return shares


def check_moves(path: Toolpath, section: Cutout) -> None:
    """Rapids run at clearance height or go up; cuts fall no steeper than the ramp; plunges go straight down.

    And a plunge goes no deeper than what the layers before it, of this path alone, have cut.
    """
    steps, kinds = np.diff(path.points, axis=0), path.kinds[1:]
    run, fall = np.hypot(steps[:, 0], steps[:, 1]), -steps[:, 2]
    level = (path.points[1:, 2] == 5.0) & (path.points[:-1, 2] == 5.0)
    assert (level | (run == 0) & (fall < 0))[kinds == RAPID].all()
    slope = math.tan(math.radians(section.entry_angle))
    assert (fall[kinds == CUT] <= slope * run[kinds == CUT] + 2e-3).all()
    deep = (kinds == PLUNGE) & (fall > 2e-3) & (path.points[1:, 2] < 0)
    assert (run[deep] == 0).all()
    cut = np.flatnonzero(kinds == CUT)
    for k in np.flatnonzero(deep):
        before = cut[cut < k]
        lines = shapely.linestrings(np.stack([path.points[before, :2], path.points[before + 1, :2]], axis=1))
        low = np.maximum(path.points[before, 2], path.points[before + 1, 2]) <= path.points[k + 1, 2] + 2e-3
        near = shapely.distance(lines[low], shapely.Point(path.points[k + 1, :2]))
        assert len(near)
        assert near.min() <= section.allowance + 2e-3


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("seams", [((35.0,), ()), ((24.0, 47.0), (25.0,))])
def test_shares_leave_what_the_whole_leaves(shape, seams):
    """Outline, tabs, holes and frame alike; and each tile has its share."""
    shares = check_shares(SHAPES[shape], SECTION, CUTTER, seams)

    assert len(shares) == (len(seams[0]) + 1) * (len(seams[1]) + 1)


@settings(max_examples=8, deadline=None)
@given(
    shape=st.sampled_from(sorted(SHAPES)),
    x=st.lists(st.floats(6.0, 64.0), max_size=2),
    y=st.lists(st.floats(6.0, 44.0), max_size=1),
    diameter=st.sampled_from([1.0, 3.0, 6.35]),
    tabs=st.integers(1, 9),
    tab_width=st.floats(2.0, 12.0),
    allowance=st.sampled_from([0.0, 0.2, 0.6]),
    skin=st.sampled_from([0.0, 0.0, 0.4]),
)
def test_any_seams_will_do(shape, x, y, diameter, tabs, tab_width, allowance, skin):
    """Wherever tiles meet, in tabs and corners, or along a side, and however many tabs there are."""
    section = Cutout(
        shape="rectangle", stepdown=3.0, entry_angle=8.0, tabs=tabs, tab_width=tab_width,
        allowance=allowance, skin=skin,
    )  # fmt: skip
    seams = (tuple(sorted({round(at, 3) for at in x})), tuple(sorted({round(at, 3) for at in y})))
    check_shares(SHAPES[shape], section, Cutter("flat", diameter, cutting_length=30.0), seams)


def test_a_tab_on_a_seam_is_cut_with_one_tile():
    """The seam runs through a tab of the whole: just one tile rises over it to its full width."""
    whole = planned(SHAPES["rectangle"], SECTION, CUTTER)
    tab = next(tab for tab in whole.tabs if tab.y < 0)
    seams = ((tab.x,), ())
    over = 0
    for path in check_shares(SHAPES["rectangle"], SECTION, CUTTER, seams):
        beside = (np.abs(path.points[:, 1] - tab.y) < 1) & (np.abs(path.points[:, 0] - tab.x) < 9)
        over += bool((beside & np.isclose(path.points[:, 2], SECTION.tab_height - THICKNESS)).any())
    assert over == 1


def test_a_line_just_over_a_seam_is_not_cut_apart():
    """A side of the outline lies a little beyond a seam: one tile cuts all of it."""
    shape = SHAPES["rectangle"]
    seams = ((BOX.right + 1.0,), ())  # the axis runs 3 mm beside the part

    assert len(check_shares(shape, SECTION, CUTTER, seams)) == 1
