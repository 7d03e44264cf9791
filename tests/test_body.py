"""Cushions over silhouettes, against closed forms of the membrane."""

from __future__ import annotations

import numpy as np
import pytest
import skimage.data

from relief.body import cushion, lifted, membrane

ROW, COLUMN = np.mgrid[0:501, 0:501] - 250.0


@pytest.mark.parametrize("radius", [60.5, 130.5, 240.5])
def test_a_disc_becomes_a_paraboloid(radius: float) -> None:
    """−Δh = 1 on a disc has h = (R² − r²) / 4; within 4 % of its top."""
    expected = np.maximum(radius**2 - COLUMN**2 - ROW**2, 0) / 4
    assert membrane(expected > 0) == pytest.approx(expected, abs=0.04 * expected.max())


def test_a_small_disc_is_solved_exactly() -> None:
    """On a coarse grid the five-point equation holds to rounding: the stencil of the result is 1 inside."""
    inside = (COLUMN**2 + ROW**2 < 60**2)[175:326, 175:326]
    h = np.pad(membrane(inside), 1)
    stencil = 4 * h[1:-1, 1:-1] - h[:-2, 1:-1] - h[2:, 1:-1] - h[1:-1, :-2] - h[1:-1, 2:]
    assert stencil[inside] == pytest.approx(1, abs=1e-9)
    assert (h[1:-1, 1:-1][~inside] == 0).all()


def test_a_square_has_the_height_of_a_twisted_bar() -> None:
    """The same equation is that of Saint-Venant's torsion: a square of side a has its top at 0.07367 a².

    S. Timoshenko, J. N. Goodier, "Theory of Elasticity", torsion of a rectangular bar (from memory).
    """
    square = (np.abs(COLUMN) < 200) & (np.abs(ROW) < 200)
    assert membrane(square).max() == pytest.approx(0.07367 * 400**2, rel=0.05)


def test_a_disc_becomes_half_a_ball() -> None:
    """The square root of the disc's membrane is √(1 − (r/R)²), a half ellipsoid."""
    q = (COLUMN**2 + ROW**2) / 200.5**2
    body = cushion(q < 1)
    inner = q < 0.9
    assert body[inner] == pytest.approx(np.sqrt(1 - q[inner]), abs=0.03)


def test_a_lifted_shape_stands_on_the_ground_and_reaches_the_top() -> None:
    """Outside the silhouette (a horse, CC0, scikit-image) is ground; inside, the range is the whole depth."""
    inside = ~skimage.data.horse()
    detail = np.random.default_rng(2).random(inside.shape)
    body = lifted(detail, inside, 0.7)
    assert (body[~inside] == 0).all()
    assert body.max() == 1.0
    assert body[inside].min() >= 0


def test_nothing_inside_gives_ground() -> None:
    """An empty silhouette lifts nothing."""
    assert (lifted(np.ones((30, 30)), np.zeros((30, 30), dtype=bool), 0.5) == 0).all()


def test_no_share_is_the_relief_itself() -> None:
    """A share of 0 leaves what lies inside as it is."""
    amount = np.linspace(0, 1, 900).reshape(30, 30)
    assert np.array_equal(lifted(amount, np.ones((30, 30), dtype=bool), 0.0), amount)
