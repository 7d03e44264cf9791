"""Tip and reachable surfaces against scipy's grey morphology, every offset tried, closed forms and laws.

Closed forms on planes, a spike and a step are plain geometry: the ball's centre stays R from the plane, the
flat's edge touches it (checked numerically against a naive dilation as described in ISO 16610-85).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import ndimage

from relief.cutters import Profile, profile_table
from relief.kernels import bands
from relief.kernels.sweep import sweep
from relief.kernels.tip import reach_grid, reach_grid_source, tip_at, tip_grid
from tests.fields import every_field
from tests.oracles import reach_by_offsets, tip_at_by_nodes, tip_by_offsets

INF = math.inf
PITCH = 0.25
SHAPES = {
    "flat": Profile(1.5, 0.0, INF, 1.5),
    "ball": Profile(0.0, 1.5, INF, 1.5),
    "bull": Profile(1.0, 0.5, INF, 1.5),
    "vee": Profile(0.0, 0.0, 1 / math.tan(math.radians(45)), 1.5),
    "rounded vee": Profile(0.0, 0.2, 1 / math.tan(math.radians(30)), 1.5),
    "taper": Profile(0.0, 0.5, 1 / math.tan(math.radians(7)), 1.5),
}
WIDE = Profile(0.0, 12.0, INF, 12.0)  # 97 nodes: several groups of blocks in all directions
ROUNDING = 1e-5  # mm, of float32 heights of some 10 mm added twice
kinds = st.sampled_from(sorted(SHAPES))
FIELDS = every_field(PITCH)


def morphology(operation: object, z: np.ndarray, table: np.ndarray, outside: float) -> np.ndarray:
    """Return scipy.ndimage's grey dilation or erosion by the inverted cutter."""
    inside = np.isfinite(table)
    below = np.where(inside, -table, 0.0)
    return operation(z, footprint=inside, structure=below, mode="constant", cval=outside)


def noise(rows: int, columns: int, seed: int = 1) -> np.ndarray:
    """Return unconnected heights from −5 to 0."""
    return np.random.default_rng(seed).uniform(-5, 0, (rows, columns)).astype(np.float32)


def lopsided(k: int, seed: int) -> np.ndarray:
    """Return a table that is no turning cutter: s and the set of offsets have no symmetry; 0 at the tip."""
    rng = np.random.default_rng(seed)
    table = rng.uniform(0, 3, (2 * k + 1, 2 * k + 1)).astype(np.float32)
    table[rng.random(table.shape) < 0.4] = np.inf
    table[k, k] = 0.0
    return table


@st.composite
def small_fields(draw: st.DrawFn) -> np.ndarray:
    """Draw grids of any proportions, 1 × N and N × 1 included, of steps, plateaus and noise."""
    shape = draw(st.tuples(st.integers(1, 24), st.integers(1, 24)))
    tenths = draw(arrays(np.int16, shape, elements=st.integers(-50, 0)))
    return (tenths / 10).astype(np.float32)


@pytest.mark.jitless
@pytest.mark.parametrize("kind", SHAPES)
def test_tip_equals_scipy_dilation(kind: str) -> None:
    """To the last bit: scipy.ndimage.grey_dilation(structure = −s) in float64, rounded once."""
    z, table = noise(9, 13), profile_table(SHAPES[kind], 0.6)
    assert np.array_equal(tip_grid(z, table), morphology(ndimage.grey_dilation, z, table, -1e30))


@pytest.mark.jitless
@pytest.mark.parametrize("kind", SHAPES)
def test_reach_equals_scipy_erosion(kind: str) -> None:
    """To the last bit: scipy.ndimage.grey_erosion(structure = −s) in float64, rounded once."""
    t, table = noise(9, 13), profile_table(SHAPES[kind], 0.6)
    assert np.array_equal(reach_grid(t, table), morphology(ndimage.grey_erosion, t, table, 1e30))


@pytest.mark.parametrize("name", FIELDS)
@pytest.mark.parametrize("kind", SHAPES)
def test_every_kind_on_every_field_equals_scipy(kind: str, name: str) -> None:
    """Tip and reachable surface equal scipy's dilation and its erosion on each shared test surface."""
    z, table = FIELDS[name].heights, profile_table(SHAPES[kind], PITCH)
    tip = tip_grid(z, table)
    assert np.array_equal(tip, morphology(ndimage.grey_dilation, z, table, -1e30))
    assert np.array_equal(reach_grid(tip, table), morphology(ndimage.grey_erosion, tip, table, 1e30))


@pytest.mark.parametrize("name", ["terrain", "spike", "slanted ramp", "waves", "plaque"])
@pytest.mark.parametrize(
    "shape", [WIDE, Profile(12.0, 0.0, INF, 12.0), Profile(0.0, 0.2, 1.2, 12.0)], ids=["ball", "flat", "vee"]
)
def test_a_cutter_of_many_blocks_equals_trying_every_offset(shape: Profile, name: str) -> None:
    """Nothing is lost to pruning where groups and blocks of offsets are passed over."""
    z, table = FIELDS[name].heights, profile_table(shape, PITCH)
    tip = tip_grid(z, table)
    assert np.array_equal(tip, tip_by_offsets(z, table))
    assert np.array_equal(reach_grid(tip, table), reach_by_offsets(tip, table))


@pytest.mark.jitless
@pytest.mark.parametrize("size", [(1, 1), (1, 9), (9, 1), (2, 3), (5, 6)])
@pytest.mark.parametrize("k", [0, 1, 4, 11])
def test_thin_grids_and_cutters_wider_than_the_grid(size: tuple[int, int], k: int) -> None:
    """1 × N, N × 1 and tables far wider than the grid, without any symmetry."""
    z, table = noise(*size), lopsided(k, seed=k)
    assert np.array_equal(tip_grid(z, table), tip_by_offsets(z, table))
    assert np.array_equal(reach_grid(z, table), reach_by_offsets(z, table))


@pytest.mark.parametrize(
    "size", [(1, 300), (300, 1), (3, 129), (70, 65), (131, 63), (64, 128), (200, 150), (65, 257)]
)
def test_tiles_and_bands_that_do_not_divide_the_grid(size: tuple[int, int]) -> None:
    """Sizes about those of tiles and bands, with a lopsided cutter that spans several groups of blocks."""
    z, table = noise(*size), lopsided(29, seed=3)
    assert np.array_equal(tip_grid(z, table), tip_by_offsets(z, table))
    reach, source = reach_grid_source(z, table)
    assert np.array_equal(reach, reach_by_offsets(z, table))
    assert np.array_equal(left_by(z, table, source), reach)


@settings(max_examples=60, deadline=None)
@given(z=small_fields(), k=st.integers(0, 30), seed=st.integers(0, 9))
def test_any_table_equals_trying_every_offset(z: np.ndarray, k: int, seed: int) -> None:
    """Both surfaces, to the last bit, for any field and any table."""
    table = lopsided(k, seed)
    assert np.array_equal(tip_grid(z, table), tip_by_offsets(z, table))
    assert np.array_equal(reach_grid(z, table), reach_by_offsets(z, table))


def left_by(t: np.ndarray, table: np.ndarray, source: np.ndarray) -> np.ndarray:
    """Return what the cutter at each node's source leaves at the node."""
    k = table.shape[0] // 2
    j, i = np.divmod(source, t.shape[1])
    rows, columns = np.indices(t.shape)
    return t.ravel()[source] + table[rows - j + k, columns - i + k]


@pytest.mark.jitless
@pytest.mark.parametrize("kind", SHAPES)
def test_the_source_leaves_the_node(kind: str) -> None:
    """t[source] + s there is the reachable height itself, to the last bit."""
    t, table = noise(7, 9), profile_table(SHAPES[kind], 0.6)
    reach, source = reach_grid_source(t, table)
    assert source.dtype == np.int32
    assert np.array_equal(reach, reach_grid(t, table))
    assert np.array_equal(left_by(t, table, source), reach)


@pytest.mark.parametrize("kind", SHAPES)
@pytest.mark.parametrize("name", FIELDS)
def test_the_source_on_every_field(kind: str, name: str) -> None:
    """The same on the shared test surfaces, where many tip positions leave a node at the same height."""
    z, table = FIELDS[name].heights, profile_table(SHAPES[kind], PITCH)
    tip = tip_grid(z, table)
    reach, source = reach_grid_source(tip, table)
    assert np.array_equal(reach, reach_grid(tip, table))
    assert np.array_equal(left_by(tip, table, source), reach)


def test_on_a_level_floor_each_node_is_its_own_source() -> None:
    """Of tip positions that leave the same height the one over the node is taken."""
    t = np.full((20, 90), -1.0, dtype=np.float32)
    _, source = reach_grid_source(t, profile_table(SHAPES["flat"], PITCH))
    assert np.array_equal(source.ravel(), np.arange(t.size))


def test_results_do_not_depend_on_the_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    """One core gives the same surface, sources and tip heights, ties included."""
    z, shape = FIELDS["plaque"].heights, SHAPES["flat"]
    table = profile_table(shape, PITCH)
    x, y = np.random.default_rng(5).uniform(0, 30, (2, 9000))

    def all_of_it() -> tuple[np.ndarray, ...]:
        tip = tip_grid(z, table)
        return tip, *reach_grid_source(tip, table), tip_at(z, PITCH, np.array(shape), x, y)

    several = all_of_it()
    monkeypatch.setattr(bands, "core_count", lambda: 1)
    assert all(np.array_equal(a, b) for a, b in zip(several, all_of_it(), strict=True))


def test_no_tip_position_leaves_nothing() -> None:
    """Where the tip does not go (+∞) it leaves nothing, and the rest is as if those nodes were not there."""
    t, table = noise(30, 40), profile_table(SHAPES["ball"], PITCH)
    t[:, 12:] = np.inf
    reach, source = reach_grid_source(t, table)
    assert np.array_equal(reach, reach_by_offsets(t, table))
    assert np.isinf(reach[:, 18:]).all()
    assert (source[np.isfinite(reach)] % 40 < 12).all()


@pytest.mark.parametrize("kind", sorted(set(SHAPES) - {"flat"}))  # a flat's table is rounded outward
def test_lattice_points_are_carved_as_moves_of_no_length(kind: str) -> None:
    """Tips that stand on nodes, +∞ elsewhere: what they leave is what the exact sweep leaves."""
    tips = np.full((40, 50), np.inf, dtype=np.float32)
    tips[::3, ::2] = noise(14, 25, seed=3)
    j, i = np.nonzero(np.isfinite(tips))
    points = np.column_stack([i * PITCH, j * PITCH, tips[j, i].astype(np.float64)])
    shape = SHAPES[kind]
    swept = np.full(tips.shape, np.inf, dtype=np.float32)
    sweep(swept, PITCH, np.array(shape), points, points)
    reach = reach_grid(tips, profile_table(shape, PITCH))
    assert np.array_equal(np.isfinite(reach), np.isfinite(swept))
    finite = np.isfinite(reach)
    np.testing.assert_allclose(reach[finite], swept[finite], rtol=0, atol=ROUNDING)


def test_heights_may_be_read_only_and_cut_out_of_a_larger_grid() -> None:
    """The input's layout does not matter, and it is left as it was."""
    whole = noise(40, 60)
    part = whole[5:25, 7:57:2]
    part.flags.writeable = False
    table = profile_table(SHAPES["ball"], PITCH)
    assert np.array_equal(tip_grid(part, table), tip_by_offsets(part.copy(), table))
    assert np.array_equal(whole, noise(40, 60))


# Laws of a closing (Serra 1982, from memory; ISO 16610-85 names the filter)


@settings(max_examples=40, deadline=None)
@given(z=small_fields(), kind=kinds)
def test_the_reachable_surface_is_a_closing(z: np.ndarray, kind: str) -> None:
    """Nowhere below the target, and its own reachable surface."""
    table = profile_table(SHAPES[kind], PITCH)
    reach = reach_grid(tip_grid(z, table), table)
    again = reach_grid(tip_grid(reach, table), table)
    assert (reach >= z - ROUNDING).all()
    assert np.abs(again - reach).max() <= ROUNDING


@settings(max_examples=40, deadline=None)
@given(z=small_fields(), kind=kinds, seed=st.integers(0, 99))
def test_a_higher_target_is_nowhere_lower(z: np.ndarray, kind: str, seed: int) -> None:
    """If z ≤ z′ then t ≤ t′ and r ≤ r′: rounding is monotone, so this holds to the last bit."""
    table = profile_table(SHAPES[kind], PITCH)
    higher = z + np.random.default_rng(seed).integers(0, 3, z.shape).astype(np.float32)
    tip, tip_of_higher = tip_grid(z, table), tip_grid(higher, table)
    assert (tip <= tip_of_higher).all()
    assert (reach_grid(tip, table) <= reach_grid(tip_of_higher, table)).all()


@settings(max_examples=30, deadline=None)
@given(z=small_fields(), kind=kinds)
def test_turning_the_target_turns_the_tip(z: np.ndarray, kind: str) -> None:
    """A turning cutter has no sides: the grid may be mirrored or transposed."""
    table = profile_table(SHAPES[kind], PITCH)
    tip = tip_grid(z, table)
    assert np.array_equal(tip_grid(z[::-1], table), tip[::-1])
    assert np.array_equal(tip_grid(z[:, ::-1], table), tip[:, ::-1])
    assert np.array_equal(tip_grid(z.T, table), tip.T)


# Closed forms


SLOPES = [(0.5, 0.0, 0.1770510), (0.3, 0.4, 0.1770510), (1.0, 1.0, 1.0980762), (0.0, 0.0, 0.0)]


@pytest.mark.parametrize(("p", "q", "rise"), SLOPES)
def test_ball_over_a_plane(p: float, q: float, rise: float) -> None:
    """R(√(1 + p² + q²) − 1) above the plane, less at most g²(1 + m²)^1.5/(4R) that sampling hides."""
    radius, pitch = 1.5, 0.1
    y, x = np.mgrid[0:61, 0:61] * pitch
    z = (p * x + q * y).astype(np.float32)
    tip = tip_grid(z, profile_table(Profile(0.0, radius, INF, radius), pitch))
    low = rise - (tip - z)[20:41, 20:41]
    hidden = pitch**2 * (1 + p * p + q * q) ** 1.5 / (4 * radius)
    assert rise == pytest.approx(radius * (math.sqrt(1 + p * p + q * q) - 1), abs=1e-7)
    assert (low >= -ROUNDING).all()
    assert (low <= hidden + ROUNDING).all()


def test_flat_over_a_plane() -> None:
    """r√(p² + q²) above the plane: 0.75 for r = 1.5 and (0.3, 0.4), never less, one diagonal more at most."""
    pitch = 0.1
    y, x = np.mgrid[0:61, 0:61] * pitch
    z = (0.3 * x + 0.4 * y).astype(np.float32)
    rise = (tip_grid(z, profile_table(SHAPES["flat"], pitch)) - z)[20:41, 20:41]
    assert (rise >= 0.75 - ROUNDING).all()
    assert (rise <= 0.75 + 0.5 * pitch * math.sqrt(2)).all()


def test_ball_over_a_spike_and_beside_a_step() -> None:
    """H − R + √(R² − d²): 4.8284271 for R 3, H 5, d 1; beside a wall 5 high at distance 2, 4.2360680."""
    table = profile_table(Profile(0.0, 3.0, INF, 3.0), 0.25)
    z = np.zeros((41, 41), dtype=np.float32)
    z[20, 20] = 5.0
    assert tip_grid(z, table)[20, 24] == pytest.approx(4.8284271, abs=1e-6)
    assert tip_grid(z, table)[20, 33] == 0.0
    z[:, :21] = 5.0
    assert tip_grid(z, table)[20, 28] == pytest.approx(4.2360680, abs=1e-6)


def test_a_cutter_leaves_its_own_shape() -> None:
    """Standing at one node alone, it leaves its profile there and the stock elsewhere."""
    table = profile_table(SHAPES["bull"], PITCH)
    t = np.full((31, 31), np.inf, dtype=np.float32)
    t[15, 15] = 0.0
    reach = reach_grid(t, table)
    assert np.array_equal(reach[9:22, 9:22], table)
    assert np.isinf(reach[:9]).all()


# Single points


@pytest.mark.jitless
@pytest.mark.parametrize("kind", SHAPES)
def test_tip_at_points_equals_trying_every_node(kind: str) -> None:
    """In float64, on a small grid, points in and around it."""
    z = noise(9, 11)
    x, y = np.random.default_rng(2).uniform(-3, 6, (2, 40))
    tip = tip_at(z, 0.3, np.array(SHAPES[kind]), x, y)
    assert tip == pytest.approx(tip_at_by_nodes(z, 0.3, SHAPES[kind], x, y), abs=1e-12)


@pytest.mark.parametrize("kind", [*SHAPES, "wide"])
@pytest.mark.parametrize("name", ["terrain", "spike", "plaque", "ramp"])
def test_tip_at_points_of_every_field(name: str, kind: str) -> None:
    """Pruning loses nothing: scattered points and a line of neighbours in turn."""
    z, shape = FIELDS[name].heights, SHAPES.get(kind, WIDE)
    scattered = np.random.default_rng(3).uniform(-4, 44, (2, 100))
    line = np.stack([np.linspace(-2, 22, 100), np.linspace(3, 11, 100)])
    x, y = np.concatenate([scattered, line], axis=1)
    tip = tip_at(z, PITCH, np.array(shape), x, y)
    assert tip == pytest.approx(tip_at_by_nodes(z, PITCH, shape, x, y), abs=1e-12)


@pytest.mark.parametrize("kind", sorted(set(SHAPES) - {"flat"}))
def test_tip_at_nodes_is_the_tip_surface(kind: str) -> None:
    """On the nodes it is `tip_grid` (whose flat disc alone is wider), but for rounding to float32."""
    z, shape = noise(25, 30), SHAPES[kind]
    y, x = np.mgrid[0:25, 0:30] * PITCH
    tip = tip_at(z, PITCH, np.array(shape), x.ravel(), y.ravel())
    assert tip.reshape(z.shape) == pytest.approx(tip_grid(z, profile_table(shape, PITCH)), abs=ROUNDING)


def test_a_point_out_of_reach_has_no_tip_height() -> None:
    """−∞ where no node is within the radius; the rim itself counts."""
    z = np.full((3, 3), -2.0, dtype=np.float32)
    shape = np.array(SHAPES["flat"])
    x = np.array([-1.5, -1.6, 2.0, 2.1, 100.0])
    tip = tip_at(z, PITCH, shape, x, np.zeros(5))
    assert tip.tolist() == [-2.0, -INF, -2.0, -INF, -INF]
    assert tip_at(z, PITCH, shape, x[4:], np.zeros(1)).tolist() == [-INF]
    assert tip_at(z, PITCH, shape, np.empty(0), np.empty(0)).shape == (0,)


def test_points_do_not_depend_on_their_company() -> None:
    """A point alone gets to the last bit what it gets among others."""
    z = noise(60, 80)
    x, y = np.random.default_rng(4).uniform(0, 15, (2, 50))
    together = tip_at(z, PITCH, np.array(SHAPES["ball"]), x, y)
    alone = [tip_at(z, PITCH, np.array(SHAPES["ball"]), x[k : k + 1], y[k : k + 1])[0] for k in range(50)]
    assert together.tolist() == alone
