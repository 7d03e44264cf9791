"""What a coarse and then a finer cutter leave together, judged by scipy from the points alone."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from relief.carving import carve_stock, deepest_cut, rapid_contact
from relief.cutters import profile, profile_height
from relief.heightfield import Heightfield
from relief.planning.finishing import FinishingPlan, plan_finishing
from relief.planning.rest import plan_rest
from relief.program.read import read_program
from relief.program.write import ProgramHead, write_program
from relief.shop.load import Shop
from relief.shop.records import Cutter
from relief.toolpath import CUT, PLUNGE, RAPID
from tests import fields, independent
from tests.planning.test_finishing import closing

PITCH, SCALLOP, TOP, CLEARANCE = 0.1, 0.05, 1.0, 5.0
COARSE = Cutter("ball", 6.35)
MIDDLE = Cutter("ball", 3.175)
FINE = Cutter("taper", 6.35, tip_radius=0.79375, angle=10.8)
MACHINE = Shop.read(None).machine("benchtop router")
FIELDS = {
    "dome": lambda: fields.dome(3.0, width=9.0, length=8.0, pitch=PITCH),
    "plaque": lambda: fields.plaque((-2.0, -1.0, 0.0), 10.0, 8.0, PITCH),
    "waves": lambda: fields.band_limited(5, 9.0, 8.0, PITCH, depth=1.2, shortest=2.0),
}


def after(left: np.ndarray, plan: FinishingPlan, cutter: Cutter) -> np.ndarray:
    """Return what a plan's moves, rapids too, leave of a surface; dense samples of each."""
    shape = profile(cutter)
    points = plan.toolpath.points - (0.0, 0.0, TOP)
    # the cone clears all that is higher than the fields are deep
    radius = min(shape.radius, 1.5) if cutter.kind == "taper" else shape.radius
    moved = independent.carved(left.shape, PITCH, points, lambda r: profile_height(shape, r), radius, 0.04)
    return np.minimum(left, moved + TOP)


@cache
def finished(name: str, *cutters: Cutter) -> tuple[Heightfield, list[FinishingPlan], list[np.ndarray]]:
    """Return a field, the plans of the cutters one after the other, and the surface after each."""
    field = FIELDS[name]()
    finest, stands = cutters[-1], np.full(field.heights.shape, TOP)
    plans, surfaces = [], []
    for number, cutter in enumerate(cutters):
        later = None if cutter == finest else finest
        task = (field, field.region, cutter, SCALLOP)
        if number:
            plan = plan_rest(*task, field.with_heights(stands), finest=later)
        else:
            plan = plan_finishing(*task, finest=later)
        stands = after(stands, plan, cutter)
        plans.append(plan)
        surfaces.append(stands)
    return field, plans, surfaces


def ridges(field: Heightfield, surface: np.ndarray, cutter: Cutter) -> np.ndarray:
    """Return how far a surface stands above what a cutter can reach, normal to that."""
    best = closing(field, cutter)
    return (surface - best) / np.sqrt(1 + np.hypot(*np.gradient(best, PITCH)) ** 2)


@pytest.mark.parametrize("name", FIELDS)
def test_together_they_finish_as_the_fine_one_alone_could(name):
    """Every node is left within the scallop of the fine cutter's closing (samples 0.04 mm apart: +0.3 µm)."""
    field, _, surfaces = finished(name, COARSE, FINE)

    assert ridges(field, surfaces[-1], FINE).max() <= SCALLOP + 0.001
    assert ridges(field, surfaces[0], FINE).max() > 2 * SCALLOP


@pytest.mark.parametrize("name", FIELDS)
def test_nothing_gouges(name):
    """No node is cut deeper than 1 µm, rapids between the places included."""
    field, _, surfaces = finished(name, COARSE, FINE)

    assert (field.heights - surfaces[-1]).max() <= 0.0011


def test_three_cutters():
    """The one in the middle does what it can; the last leaves nothing over the scallop."""
    field, plans, surfaces = finished("dome", COARSE, MIDDLE, FINE)

    assert ridges(field, surfaces[-1], FINE).max() <= SCALLOP + 0.001
    assert plans[2].length < finished("dome", COARSE, FINE)[1][1].length


def test_the_fine_cutter_cuts_only_what_was_left():
    """On a dome on wide ground that is the crease at its foot: a small part of what it would cut alone."""
    field = fields.dome(4.0, width=24.0, length=20.0, pitch=PITCH)
    left = closing(field, COARSE)
    plan = plan_rest(field, field.region, FINE, SCALLOP, field.with_heights(left))
    alone = plan_finishing(field, field.region, FINE, SCALLOP)
    short = (ridges(field, left, FINE) > SCALLOP).mean()

    assert 0.02 < short < 0.2
    assert plan.length < 1.6 * plan.yardstick
    assert plan.yardstick < 2 * short * alone.yardstick
    assert plan.length < 0.3 * alone.length


def test_where_nothing_is_left_there_is_nothing_to_do():
    """The second cutter has no path on a plane, nor after a first one that reaches all of a bowl."""
    for field in (fields.plane(6.0, 5.0, PITCH), fields.bowl(8.0, 0.5, 6.0, 5.0, PITCH)):
        first = plan_finishing(field, field.region, COARSE, SCALLOP, finest=FINE)
        left = after(np.full(field.heights.shape, TOP), first, COARSE)
        plan = plan_rest(field, field.region, FINE, SCALLOP, field.with_heights(left))

        assert len(plan.toolpath.points) == 0
        assert plan.yardstick == 0


def test_the_path_is_whole():
    """It starts and ends at clearance and comes down to each cut at plunge feed, ABOVE what stands there."""
    _, plans, surfaces = finished("waves", COARSE, FINE)
    points, kinds = plans[1].toolpath.points, plans[1].toolpath.kinds
    entries = np.flatnonzero((kinds[1:] != RAPID) & (kinds[:-1] == RAPID))
    falls = (np.diff(points[:, :2], axis=0) == 0).all(axis=1) & (np.diff(points[:, 2]) < 0)

    assert kinds[0] == RAPID
    assert points[[0, -1], 2].tolist() == [CLEARANCE, CLEARANCE]
    assert (kinds[entries + 1] == PLUNGE).all()
    assert (kinds[1:][falls] != CUT).all()
    i, j = np.rint(points[entries, :2].T / PITCH).astype(int)
    assert (points[entries, 2] >= surfaces[0][j, i] + 0.5).all()


def test_rapids_are_low_and_run_through_air():
    """Two pits far apart: the way between stays under the clearance and above what stands."""
    field = fields.plane(60.0, 5.0, PITCH, at=-1.0)
    pits = field.heights.copy()
    pits[20:31, 20:31] = pits[20:31, -31:-20] = -2.0
    field = field.with_heights(pits)
    left = field.with_heights(np.full_like(pits, -1.0))
    path = plan_rest(field, field.region, FINE, SCALLOP, left).toolpath
    inner = np.flatnonzero(path.kinds == RAPID)[2:-1]
    low = path.points[inner - 1].min(axis=0)[2], path.points[inner].max(axis=0)[2]

    assert len(inner)
    assert low[1] < CLEARANCE
    rapids = np.flatnonzero(path.kinds[1:] == RAPID)
    for start, end in zip(path.points[rapids], path.points[rapids + 1], strict=True):
        if (start[:2] != end[:2]).any():
            assert min(start[2], end[2]) >= -1.0 + 0.5


def test_thick_places_are_cut_in_layers():
    """A slot 3 mm deep that the coarse cutter could not enter: no cut takes off more than the stepdown.

    Judged move by move, from the program's text; in one go a cut would take more than 2 mm.
    """
    field = fields.plane(12.0, 8.0, PITCH, at=-1.0)
    slot = field.heights.copy()
    slot[20:60, 50:72] = -4.0
    field = field.with_heights(slot)
    left = field.with_heights(np.full_like(slot, -1.0))
    deepest = {}
    for stepdown in (0.8, np.inf):
        plan = plan_rest(field, field.region, FINE, SCALLOP, left, stepdown=stepdown)
        feed = np.where(plan.toolpath.kinds == RAPID, 0.0, 1000.0)
        head = ProgramHead("test", "rest finishing", "taper", "-", "-", 10000.0)
        moves = read_program(write_program(plan.toolpath, feed, head, MACHINE))
        deepest[stepdown] = deepest_cut(left, moves, FINE).depth
        carved = carve_stock(left, moves, FINE).heights
        assert ridges(field, carved, FINE).max() <= SCALLOP + 0.001
        assert (field.heights - carved).max() <= 0.0011
        assert rapid_contact(left, moves, FINE).depth == 0

    assert deepest[np.inf] > 2.0
    assert deepest[0.8] <= 0.8 + 0.1


def test_same_job_same_path():
    """Two runs give the same points, bit for bit."""
    field = FIELDS["waves"]()
    left = field.with_heights(field.heights + np.float32(0.3))
    once, again = (plan_rest(field, field.region, FINE, SCALLOP, left).toolpath.points for _ in range(2))

    assert np.array_equal(once, again)
