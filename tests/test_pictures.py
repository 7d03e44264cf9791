"""Pictures of surfaces: right way up, light from the upper left, nothing hidden, of a bearable size."""

from __future__ import annotations

import io
import itertools

import numpy as np
import pytest
from PIL import Image

from relief import colours, legends, pictures
from relief.heightfield import Heightfield
from relief.legends import Legend
from relief.pictures import deviation_png, lost_png, scallop_png, shaded_png, stage_png
from tests import fields


def pixels(png: bytes) -> np.ndarray:
    """Return a picture as (rows, columns, 3)."""
    with Image.open(io.BytesIO(png)) as picture:
        return np.asarray(picture.convert("RGB")).astype(int)


def body(png: bytes, field: Heightfield) -> np.ndarray:
    """Return the surface's own part of a picture: what lies inside its frame."""
    image = pixels(png)
    rows, columns = (size * factor(field) for size in (field.rows, field.columns))
    left = (image.shape[1] - columns) // 2
    return image[24 : 24 + rows, left : left + columns]


def factor(field: Heightfield) -> int:
    """Return how many pixels show a node of a small field."""
    return -pictures._factor(field)


def test_light_comes_from_the_upper_left() -> None:
    """The upper left flank of a dome is lighter than the lower right one; a hollow's is darker."""
    dome = fields.dome()
    image = pixels(shaded_png(dome)).sum(axis=2)
    rows, columns = (round(image.shape[1] * share) for share in (0.5, 0.5))
    size = image.shape[1]
    upper_left = image[round(size * 0.36), round(size * 0.36)]
    lower_right = image[round(size * 0.64), round(size * 0.64)]
    assert upper_left > lower_right + 60
    assert rows == columns


def test_far_side_is_on_top() -> None:
    """A wall on the far side of the table shows at the top of every picture."""
    heights = np.zeros((50, 50))
    target = Heightfield(heights, 1.0)
    heights[45:] = 0.2
    image = body(deviation_png(Heightfield(heights, 1.0), target), target)
    assert (image[10, 500] != image[-10, 500]).any()
    assert image[10].sum() < image[-10].sum()


def test_flat_surface_stays_calm() -> None:
    """Rounding errors of a flat surface are not blown up into a pattern."""
    rough = np.random.default_rng(1).normal(0, 1e-6, (60, 60))
    image = body(shaded_png(Heightfield(rough, 0.1)), Heightfield(rough, 0.1))
    assert np.ptp(image[40:-40, 40:-40, 1]) < 6


def test_hollows_are_darker() -> None:
    """The floor of a narrow trench sees less sky than open ground."""
    heights = np.zeros((200, 200))
    heights[:, 95:105] = -3.0
    image = body(shaded_png(Heightfield(heights, 0.2)), Heightfield(heights, 0.2))
    middle, open_ground = image[500, 500].sum(), image[500, 100].sum()
    assert middle < open_ground - 60


@pytest.mark.parametrize("sign", [1, -1])
def test_a_single_node_is_never_hidden(sign: int) -> None:
    """One bad node among millions still shows in the map, though a pixel covers several nodes."""
    target = Heightfield(np.zeros((3000, 2500)), 0.1)
    heights = np.zeros((3000, 2500))
    heights[1234, 1111] = sign * 0.5
    image = pixels(deviation_png(Heightfield(heights, 0.1), target))
    plain = pixels(deviation_png(target, target))
    changed = (image[24:1000] != plain[24:1000]).any(axis=2)
    assert changed.any()


def test_deviation_colours() -> None:
    """The middle colour stands for 0 and the ends for the ends of the scale, blue for too deep."""
    heights = np.zeros((40, 40))
    heights[:, :10], heights[:, 30:] = -0.02, 0.02
    field = Heightfield(heights, 1.0)
    image = body(deviation_png(field, field.with_heights(0 * heights)), field)
    scale = colours.diverging(239).astype(int)
    assert image[500, 500].tolist() == scale[119].tolist()
    assert image[500, 10].tolist() == scale[0].tolist()
    assert image[500, -10].tolist() == scale[238].tolist()
    assert image[500, 10, 2] > image[500, 10, 0]


def test_scallop_limit_is_a_step() -> None:
    """At the height asked for a ridge is pale; just above it is dark; walls are hatched."""
    heights = np.full((40, 40), 0.05)
    heights[:, 20:] = 0.0525
    heights[30:] = np.nan
    image = body(scallop_png(heights, 0.05, 1.0), Heightfield(np.zeros((40, 40)), 1.0))
    assert image[-100, 100].sum() > image[-100, -100].sum() + 150
    hatched = image[20:200, 20:200]
    assert np.ptp(hatched, axis=2).max() == 0
    assert len(np.unique(hatched)) == 2


def test_lost_detail_has_its_own_scale() -> None:
    """What would not show is pale, what is lost is dark, and a node of great loss is never hidden."""
    lost = np.full((40, 40), 0.04)
    lost[:, 20:] = 0.06
    image = body(lost_png(lost, 0.05, 1.0), Heightfield(np.zeros((40, 40)), 1.0))
    assert image[500, 100].sum() > image[500, -100].sum() + 150
    lost[30:] = np.nan
    outside = body(lost_png(lost, 0.05, 1.0), Heightfield(np.zeros((40, 40)), 1.0))[20:200, 20:200]
    assert np.ptp(outside, axis=2).max() == 0  # hatched in grey
    lost = np.zeros((3000, 2500))
    plain = pixels(lost_png(lost, 0.05, 0.1))
    lost[1234, 1111] = 2.0
    assert (pixels(lost_png(lost, 0.05, 0.1))[24:1000] != plain[24:1000]).any()


@pytest.mark.parametrize("high", [0.04, 0.09, 0.19, 0.39, 2.0])
def test_words_of_a_limit_never_meet(high: float) -> None:
    """However far the scale of a map reaches above its limit, its marks stand apart and in order."""
    top = next(top for top in (2.0, 4.0, 8.0, 16.0) if high / 0.05 <= top or top == 16.0)
    share = max(1 / top, 0.3)
    places = [pictures._along(value, top, share) for value in (0.0, 1.0, top / 2, top)]
    assert places[0] == 0.0
    assert places[-1] == pytest.approx(1.0)
    assert places[1] == pytest.approx(share)
    assert (np.diff(places) >= 0).all()


def test_small_pictures_of_stages() -> None:
    """A stage's picture is small, without margin, far side on top, and in the same light."""
    dome = fields.dome()
    image = pixels(stage_png(dome)).sum(axis=2)
    assert max(image.shape) <= 520
    rows, columns = image.shape
    assert image[rows * 36 // 100, columns * 36 // 100] > image[rows * 64 // 100, columns * 64 // 100] + 60
    heights = np.zeros((900, 600))
    heights[800:] = -2.0
    image = pixels(stage_png(Heightfield(heights, 0.1)))
    assert image.shape[:2] == (520, 347)
    assert image[55].sum() < image[-100].sum()


@pytest.mark.parametrize("shape", [(2, 2), (3, 400), (400, 3), (1600, 900), (30, 30)])
@pytest.mark.parametrize("units", ["mm", "in"])
def test_sizes(shape: tuple[int, int], units: str) -> None:
    """Whatever the surface's shape, each picture has a scale and fits a page: at most about 1600 pixels."""
    field = Heightfield(np.zeros(shape), 0.3)
    for png in (
        shaded_png(field, units),
        deviation_png(field, field, units),
        scallop_png(np.zeros(shape), 0.05, 0.3, units),
        lost_png(np.full(shape, 0.3), 0.05, 0.3, units),
    ):
        image = pixels(png)
        assert max(image.shape) <= 1700
        assert (image[-120:] < 100).any()
        assert len(png) < 1_000_000


def test_a_ring_stands_where_it_is_told() -> None:
    """30 mm from the left and 90 mm from the near edge of 120: in the upper left, about that very place."""
    flat = np.zeros((401, 401))
    field = Heightfield(flat, 0.3)
    plain, ringed = (
        body(scallop_png(flat, 0.05, 0.3, places=places), field) for places in ((), ((30.0, 90.0),))
    )
    rows, columns = np.nonzero((plain != ringed).any(axis=2))
    size = factor(field)
    assert columns.mean() / size == pytest.approx(100, abs=1)
    assert rows.mean() / size == pytest.approx(100, abs=1)
    assert np.ptp(rows) > 30


def test_same_surface_same_bytes() -> None:
    """Pictures hold no date: the same surface gives the same file."""
    field = fields.terrain()
    assert shaded_png(field) == shaded_png(field)


@pytest.mark.parametrize(
    ("value", "units", "limit"),
    [(0.013, "mm", 0.02), (0.05, "mm", 0.05), (2.1, "mm", 5.0), (0.3, "in", 0.02 * 25.4)],
)
def test_scales_end_at_round_numbers(value: float, units: str, limit: float) -> None:
    """A scale ends at 1, 2 or 5 × a power of ten of the user's unit."""
    assert pictures._round_limit(value, units) == pytest.approx(limit)


@pytest.mark.parametrize("width", [652.0, 852.0])
@pytest.mark.parametrize("high", ["+0.5 mm or more", "+0.5 mm"])
def test_marks_of_a_scale_never_touch(width: float, high: str) -> None:
    """The ends are always told; what stands between only where it has room."""
    texts = ((0.0, "-0.5 mm or more"), (0.25, "-0.25 mm"), (0.5, "0 mm"), (0.75, "+0.25 mm"), (1.0, high))
    placed = sorted(legends._apart(texts, 24.0, 24.0 + width))
    spans = [(start, start + legends._wide(text)) for start, text in placed]
    assert all(end + 10 < start for (_, end), (start, _) in itertools.pairwise(spans))
    assert spans[0][0] >= 24
    assert spans[-1][1] <= 24 + width + 1e-6
    assert {placed[0][1], placed[-1][1]} == {texts[0][1], high}


def test_the_caption_of_a_part_tells_the_depth_of_its_relief(monkeypatch: pytest.MonkeyPatch) -> None:
    """A board that is cut through is not told as a relief as deep as the board."""
    told: list[str] = []
    monkeypatch.setattr(
        pictures,
        "framed_png",
        lambda *args: told.append(next(a for a in args if isinstance(a, Legend)).caption),
    )
    board = Heightfield(np.linspace(-18, 0, 41 * 31).reshape(31, 41), 1.0)
    shaded_png(board, "mm", Heightfield(np.linspace(-4, 0, 21 * 11).reshape(11, 21), 1.0))
    shaded_png(board, "mm")
    assert told == [
        "the board, 40 by 30 mm, its relief 4 mm from highest to lowest",
        "40 by 30 mm, 18 mm from highest to lowest",
    ]
