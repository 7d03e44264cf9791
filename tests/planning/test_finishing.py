"""What a finishing path leaves, judged by scipy from its points alone."""

from __future__ import annotations

import math
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from scipy import ndimage

from relief.cutters import profile, profile_height
from relief.errors import PlanError
from relief.heightfield import Heightfield, Region
from relief.kernels.sweep import sweep
from relief.planning.finishing import FinishingPlan, plan_finishing
from relief.planning.spacing import stepover
from relief.shop.records import Cutter
from relief.surfaces import surround
from relief.toolpath import CUT, PLUNGE, RAPID
from tests import fields, independent

PITCH, SCALLOP = 0.1, 0.05
BALL = Cutter("ball", 3.175)
CUTTERS = {
    "ball": BALL,
    "bull": Cutter("bull", 4.0, tip_radius=1.2),
    "taper": Cutter("taper", 3.0, tip_radius=1.0, angle=20.0),
}
FIELDS = {
    "plane": lambda: fields.plane(9.0, 7.0, PITCH),
    "ramp": lambda: fields.ramp(40.0, 7.0, 6.0, PITCH, turn_deg=33.0),
    "dome": lambda: fields.dome(3.0, width=8.0, length=8.0, pitch=PITCH),
    "bowl": lambda: fields.bowl(6.0, 2.0, 8.0, 8.0, PITCH),
    "step": lambda: fields.step(3.0, 8.0, 6.0, PITCH),
    "spike": lambda: fields.spike(2.0, 6.0, 6.0, PITCH),
    "plaque": lambda: fields.plaque((-2.0, -1.0, 0.0), 10.0, 8.0, PITCH),
    "terrain": lambda: fields.terrain(12.0, 2.0, PITCH),
    "small waves": lambda: fields.band_limited(3, 5.0, 4.0, PITCH, depth=1.5, shortest=2.0),
    "waves": lambda: fields.band_limited(5, 9.0, 8.0, PITCH, depth=2.0, shortest=2.5),
}


@cache
def planned(name: str, cutter: str = "ball") -> tuple[Heightfield, FinishingPlan]:
    """Return a field and its plan."""
    field = FIELDS[name]()
    return field, plan_finishing(field, field.region, CUTTERS[cutter], SCALLOP)


@cache
def carved(field: Heightfield, plan: FinishingPlan, cutter: Cutter, spacing: float = 0.02) -> np.ndarray:
    """Return what the cuts leave of stock 4 mm above the target's highest node, by dense samples."""
    shape, top = profile(cutter), float(field.heights.max()) + 4.0
    points = plan.toolpath.points - [*field.origin, top]
    moves = independent.carved(
        field.heights.shape, field.pitch, points, lambda r: profile_height(shape, r), shape.radius, spacing
    )
    return moves + top


def closing(field: Heightfield, cutter: Cutter) -> np.ndarray:
    """Return the best surface that the cutter can leave with its axis over the field, by scipy."""
    shape = profile(cutter)
    steps = np.arange(-math.floor(shape.radius / field.pitch), math.floor(shape.radius / field.pitch) + 1)
    distance = np.hypot(steps[:, None], steps[None, :]) * field.pitch
    inside = distance <= shape.radius
    under = -profile_height(shape, np.minimum(distance, shape.radius))
    z = field.heights.astype(float)
    tip = ndimage.grey_dilation(z, footprint=inside, structure=under, mode="constant", cval=-1e9)
    return ndimage.grey_erosion(tip, footprint=inside, structure=under, mode="constant", cval=1e9)


def ridges(field: Heightfield, plan: FinishingPlan, cutter: Cutter) -> np.ndarray:
    """Return the scallop of every node, normal to the reachable surface."""
    best = closing(field, cutter)
    slope = np.hypot(*np.gradient(best, field.pitch))
    return (carved(field, plan, cutter) - best) / np.sqrt(1 + slope**2)


@pytest.mark.parametrize("name", FIELDS)
def test_no_ridge_stands_higher_than_the_scallop(name):
    """Every node, walls too, is left within the scallop of the closing (samples 0.02 mm apart: +0.5 µm)."""
    field, plan = planned(name)
    assert ridges(field, plan, BALL).max() <= SCALLOP + 0.001


@pytest.mark.parametrize("name", FIELDS)
def test_nothing_gouges(name):
    """No node is cut deeper than 1 µm, at vertical walls too."""
    field, plan = planned(name)
    assert (field.heights - carved(field, plan, BALL)).max() <= 0.0011


@pytest.mark.parametrize(
    ("name", "cutter"),
    [("step", "bull"), ("small waves", "bull"), ("spike", "taper"), ("small waves", "taper")],
)
def test_other_round_ends(name, cutter):
    """A bull's corner and a taper's ball keep the same two promises."""
    field, plan = planned(name, cutter)
    assert ridges(field, plan, CUTTERS[cutter]).max() <= SCALLOP + 0.001
    assert (field.heights - carved(field, plan, CUTTERS[cutter])).max() <= 0.0011


@pytest.mark.parametrize("name", FIELDS)
def test_the_path_is_whole(name):
    """It starts and ends at clearance, plunges down, and no rapid runs below the clearance."""
    _, plan = planned(name)
    points, kinds = plan.toolpath.points, plan.toolpath.kinds

    assert kinds[0] == RAPID
    assert kinds[1] == PLUNGE
    assert kinds[-1] == RAPID
    assert points[[0, -1], 2].tolist() == [5.0, 5.0]
    assert (points[kinds == RAPID, 2] == 5.0).all()
    falls = (np.diff(points[:, :2], axis=0) == 0).all(axis=1) & (np.diff(points[:, 2]) < 0)
    assert (kinds[1:][falls] == PLUNGE).all()
    assert np.isfinite(points).all()


@pytest.mark.parametrize("height", [0.01, 0.025, 0.05])
def test_grain_is_finished_by_closer_passes(height):
    """White noise lower than the scallop: held at every node, said, and in less than twice the plain length.

    The yardstick is about the length of plain passes; visits alone would bring the time to 2.2 times theirs.
    """
    grain = np.random.default_rng(5).standard_normal((91, 101)) * height
    field = Heightfield(grain - grain.max(), PITCH)
    plan = plan_finishing(field, field.region, BALL, SCALLOP)
    assert len(plan.notes) == 1
    assert "% closer" in plan.notes[0]
    assert "shaping.smooth" in plan.notes[0]
    assert ridges(field, plan, BALL).max() <= SCALLOP + 0.001
    assert (field.heights - carved(field, plan, BALL)).max() <= 0.0011
    assert plan.length <= 1.7 * plan.yardstick


@pytest.mark.parametrize("name", FIELDS)
def test_no_smooth_relief_is_called_grainy(name):
    """Walls, spikes and creases ask for some visits, not for closer passes."""
    assert planned(name)[1].notes == ()


def test_few_retracts():
    """Passes both ways are one cut: no more than 35 retracts in 120 × 120 mm."""
    _, plan = planned("terrain")
    assert (plan.toolpath.kinds == RAPID).sum() == 2


@pytest.mark.parametrize("step", [0.001, 0.000254])
def test_points_lie_on_the_lattice_of_the_text(step):
    """Coordinates are whole steps, so that the text says exactly what was simulated."""
    for field in (FIELDS["waves"](), fields.plaque((-2.00004, -1.0, 0.0), 20.0, 3.0, PITCH)):
        points = plan_finishing(field, field.region, BALL, SCALLOP, step=step).toolpath.points
        whole = points[1:-1] / step
        assert np.abs(whole - np.round(whole)).max() < 1e-6


@pytest.mark.parametrize("step", [0.001, 0.01])
def test_rounding_to_inches_cuts_no_node_at_the_rim(step):
    """Text in inches has three decimals more: so it lies up to half of 0.0254 steps off the lattice."""
    field, bull = fields.plaque((-3.0, -1.5, 0.0), 14.0, 11.0, 0.25), Cutter("bull", 6.0, tip_radius=1.5)
    plan = plan_finishing(field, field.region, bull, SCALLOP, step=step)
    for way in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
        points = np.add(plan.toolpath.points, (0.0127 * step * way[0], 0.0127 * step * way[1], 0.0))
        left = np.zeros_like(field.heights)
        sweep(left, field.pitch, np.array(profile(bull)), points[:-1], points[1:])
        assert (field.heights - left).max() <= 0.0011


def test_edges_are_finished():
    """The cutter's axis goes no further than the relief's edges, and no less than half a stepover short."""
    field, plan = planned("plane")
    box, half = field.region, stepover(BALL.diameter / 2, SCALLOP) / 2
    xy = plan.toolpath.points[:, :2]
    for reached, edge, way in zip(
        (*xy.min(axis=0), *xy.max(axis=0)), (box.left, box.near, box.right, box.far), (1, 1, -1, -1),
        strict=True,
    ):  # fmt: skip
        assert -1e-9 <= way * (reached - edge) <= half


def test_the_surround_counts():
    """Stock that stays up around a walled relief is not cut: the target is the whole table's."""
    relief = fields.plane(6.0, 5.0, PITCH, at=-2.0)
    whole = surround(relief, (3.0, 3.0), "walled")
    plan = plan_finishing(whole, relief.region, BALL, SCALLOP)
    assert (whole.heights - carved(whole, plan, BALL)).max() <= 0.0011


def test_same_job_same_path():
    """Two runs give the same points, bit for bit."""
    field = FIELDS["terrain"]()
    once, again = (plan_finishing(field, field.region, BALL, SCALLOP).toolpath for _ in range(2))
    assert np.array_equal(once.points, again.points)
    assert np.array_equal(once.kinds, again.kinds)


@pytest.mark.parametrize(("cut", "sign"), [("climb", -1), ("conventional", 1)])
def test_one_way(cut, sign):
    """With a clockwise spindle the uncut side is on the right in climb, on the left in conventional milling.

    Passes at bearing 0 are laid from the near edge: what is not cut yet lies towards +Y.
    """
    field = FIELDS["plane"]()
    plan = plan_finishing(field, field.region, BALL, SCALLOP, angle=0.0, cut=cut)
    points, kinds = plan.toolpath.points, plan.toolpath.kinds
    along = np.diff(points[:, 0])[kinds[1:] == CUT]

    assert (np.sign(along[np.abs(along) > 0.2]) == sign).all()
    assert ridges(field, plan, BALL).max() <= SCALLOP + 0.001


def test_one_way_goes_back_low():
    """Rapids from cut to cut stay 1 mm above what stands, and in air: no node near them stands higher."""
    field = FIELDS["waves"]()
    left = field.with_heights(field.heights + 0.4)
    plan = plan_finishing(field, field.region, BALL, SCALLOP, cut="climb", left=left)
    points, across = plan.toolpath.points[1:-1], plan.toolpath.kinds[1:-1] == RAPID

    assert across.sum() > 10
    assert points[across, 2].max() <= left.heights.max() + 1.001
    for a, b in pairwise(points):
        if across[np.flatnonzero((points == b).all(axis=1))[0]] and math.dist(a[:2], b[:2]) > 1:
            box = Region(min(a[0], b[0]), min(a[1], b[1]), max(a[0], b[0]), max(a[1], b[1]))
            assert left.cropped(box).heights.max() < b[2]


@pytest.mark.parametrize("angle", [0.0, 90.0, 30.0, 45.0])
def test_any_bearing(angle):
    """The promise holds at any bearing, and the plan tells which it took."""
    field = FIELDS["waves"]()
    plan = plan_finishing(field, field.region, BALL, SCALLOP, angle=angle)
    assert plan.angle_deg == angle
    assert ridges(field, plan, BALL).max() <= SCALLOP + 0.001


def test_only_part_of_the_target():
    """Only the region's nodes are finished; the rest of the target bounds the cutter."""
    field = FIELDS["waves"]()
    region = Region(2.0, 2.0, 7.0, 6.0)
    plan = plan_finishing(field, region, BALL, SCALLOP)
    inside = field.cropped(region)
    left = Heightfield(carved(field, plan, BALL), PITCH, field.origin).cropped(region).heights
    assert (field.heights - carved(field, plan, BALL)).max() <= 0.0011
    assert (left - closing(inside, BALL)).max() <= 3 * SCALLOP


@pytest.mark.parametrize(
    ("cutter", "scallop"),
    [(BALL, 1.6), (BALL, 0.0), (Cutter("flat", 3.0), 0.05), (Cutter("vee", 6.0, angle=60.0), 0.05)],
)
def test_what_cannot_be_finished_is_refused(cutter, scallop):
    """A scallop no lower than the radius, and a cutter without a round end."""
    field = FIELDS["plane"]()
    with pytest.raises(PlanError):
        plan_finishing(field, field.region, cutter, scallop)


@pytest.mark.parametrize(("name", "most"), [("terrain", 1.4), ("dome", 1.4), ("waves", 1.5), ("bowl", 1.55)])
def test_the_path_is_short(name, most):
    """The length stays near its yardstick even on a few square millimetres, whose rims cost most."""
    _, plan = planned(name)
    assert plan.length <= most * plan.yardstick


def test_a_cutter_that_falls_between_the_nodes_is_refused():
    """A ball thinner than the way across a cell touches nothing in its middle."""
    field = fields.plane(20.0, 20.0, 2.5)
    with pytest.raises(PlanError, match=r"would fall between the heights, which lie 2\.5 mm apart"):
        plan_finishing(field, field.region, BALL, SCALLOP)
