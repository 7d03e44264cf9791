"""Windows of a relief on a finer grid against scipy on the whole of it, and the noise of a grid."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import ndimage
from scipy.interpolate import RegularGridInterpolator

from relief.cutters import profile, profile_height
from relief.finer import Lens, Window, halved, noise_floor, spread_out
from relief.heightfield import Heightfield
from relief.shop.records import Cutter
from relief.surfaces import surround
from tests import fields

BALL = Cutter("ball", 3.175)
CUTTERS = {
    "ball": BALL,
    "bull": Cutter("bull", 3.0, tip_radius=0.5),
    "taper": Cutter("taper", 6.0, tip_radius=0.5, angle=15.0),
    "vee": Cutter("vee", 6.0, angle=90.0),
}


def closed(heights: np.ndarray, pitch: float, cutter: Cutter) -> np.ndarray:
    """Return the closing of a field by a cutter, by scipy."""
    shape = profile(cutter)
    k = math.floor(shape.radius / pitch + 1e-9)
    steps = np.arange(-k, k + 1) * pitch
    distance = np.hypot(steps[:, None], steps[None, :])
    footprint = distance <= shape.radius + 1e-9
    under = np.where(footprint, profile_height(shape, np.minimum(distance, shape.radius)), 0)
    edge = {"footprint": footprint, "structure": -under, "mode": "constant"}
    tip = ndimage.grey_dilation(heights, **edge, cval=-1e9)
    return ndimage.grey_erosion(tip, **edge, cval=1e9)


@pytest.mark.parametrize("size", [(2, 2), (3, 5), (7, 4)])
def test_halved_is_linear_between_nodes(size):
    """The same as scipy's linear interpolator on the nodes and half-way between them."""
    values = np.random.default_rng(1).normal(size=size).astype(np.float32)
    linear = RegularGridInterpolator([np.arange(n) for n in size], values)
    at = np.meshgrid(*(np.arange(2 * n - 1) / 2 for n in size), indexing="ij")

    assert halved(values) == pytest.approx(linear(tuple(at)), abs=1e-6)


@pytest.mark.parametrize("kind", CUTTERS)
def test_windows_together_are_the_whole(kind, monkeypatch):
    """Each node of the finer grid is in one window, with the height that scipy finds on all of the grid."""
    monkeypatch.setattr("relief.finer.WINDOW", 20)
    field, cutter = fields.terrain(12.0, 3.0, 0.2), CUTTERS[kind]
    lens = Lens.over(field, field.region, cutter)
    best = closed(halved(field.heights).astype(np.float64), 0.1, cutter)
    found, count = np.full(best.shape, np.nan), 0
    for seen in lens.look(lens.windows()):
        j, i = (round(at / 0.1) for at in seen.reach.origin[::-1])
        found[j : j + seen.reach.rows, i : i + seen.reach.columns] = seen.reach.heights
        count += seen.reach.heights.size

    assert best.size == count
    assert found == pytest.approx(best, abs=2e-6)


def test_the_stock_around_keeps_the_cutter_away():
    """A relief inside a wall loses the same foot at its edge, seen in windows or as a whole."""
    relief = Heightfield(np.full((31, 41), -2.0), 0.2)
    walled = surround(relief, (4.0, 4.0), "walled")
    lens = Lens.over(walled, relief.region, BALL)
    (seen,) = lens.look(lens.windows())
    # half-way up the wall, 1 mm above the floor and 0.1 mm outside, a node holds the ball's middle off
    radius, a = BALL.diameter / 2, seen.reach.x[1:10]
    middle = math.sqrt(radius**2 - (radius - 1) ** 2) - 0.1
    foot = radius - np.sqrt(radius**2 - (middle - a) ** 2)

    assert seen.reach.heights[30, 1:10] + 2 == pytest.approx(foot, abs=0.06)


def noise(field: Heightfield, cutter: Cutter = BALL) -> float:
    """Return the noise of all of a field."""
    lens = Lens.over(field, field.region, cutter)
    return noise_floor(lens.look(lens.windows())).p999


@pytest.mark.parametrize("angle", [0.0, 20.0, 45.0])
def test_a_plane_has_hardly_any_noise(angle):
    """Passes p apart leave p²/8R·(1 + slope²) on a plane: 0.0016 mm for p = 0.2 mm, level."""
    p, radius = 0.2, BALL.diameter / 2
    across = p / math.cos(math.radians(angle))

    assert noise(fields.ramp(angle, 10, 8, p)) <= radius - math.sqrt(radius**2 - across**2 / 4) + 1e-4


@pytest.mark.parametrize("slope", [0.5, 1.0])
def test_noise_of_a_crease_between_nodes(slope):
    """In a valley whose bottom lies half-way between two rows, the ball stays p/2 · slope too high there."""
    p = 0.1
    _, y = fields.grid(10.0, 10.0, p)
    valley = Heightfield(slope * np.abs(y - 5.05) - 6.0, p)
    # rows at 5.0 and 5.1 are as near as passes come to the bottom at 5.05 mm; the tip's valley is as sharp
    assert noise(valley) == pytest.approx(slope * p / 2, rel=0.05)


def test_noise_goes_with_the_pitch():
    """Half the pitch, half the noise: first order, for it comes from creases."""
    coarse, fine = (noise(fields.terrain(20.0, 4.0, pitch)) for pitch in (0.2, 0.1))

    assert fine == pytest.approx(coarse / 2, rel=0.35)


def test_spread_out():
    """A few windows of many are the same each time, all different, and lie in every corner of the relief."""
    windows = [Window(j, j + 1, i, i + 1) for j in range(20) for i in range(30)]
    some = spread_out(windows, 24)

    assert some == spread_out(windows, 24)
    assert len(set(some)) == 24
    for tall in (0, 10):
        for wide in (0, 15):
            near = [w for w in some if tall <= w.near < tall + 10 and wide <= w.left < wide + 15]
            assert 4 <= len(near) <= 8
    assert windows == spread_out(windows, 600)
