"""Letters on the relief: where they stand, how tall, how steep, and when a cutter cannot show them."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import pytest
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath

from relief.errors import JobError, TableError
from relief.heightfield import Heightfield
from relief.job import Job, job_from_source
from relief.lettering import lettered
from relief.newjob import job_text
from relief.sections import Lettering
from relief.setup import set_up
from relief.shop.load import Shop

PITCH = 0.1
DEJAVU = Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"


def plate(at: float = -3.0, width: float = 60.0, length: float = 30.0) -> Heightfield:
    """Return a level relief."""
    return Heightfield(np.full((round(length / PITCH) + 1, round(width / PITCH) + 1), at), PITCH)


def laid(ball: float = 0.1, at: float = -3.0, **keys: Any) -> tuple[Any, tuple[str, ...]]:
    """Return heights of a plate with one text on it, and the notes."""
    field, notes = lettered(plate(at), (Lettering(**keys),), ball)
    return field.heights.astype(np.float64), notes


def extent(marked: Any) -> tuple[float, float, float, float]:
    """Return left, right, near and far of the marked nodes, mm."""
    j, i = np.nonzero(marked)
    return tuple(float(edge) * PITCH for edge in (i.min(), i.max(), j.min(), j.max()))


@pytest.mark.parametrize("font", [None, str(DEJAVU)])
def test_a_capital_is_as_tall_as_asked(font: str | None) -> None:
    """H of 12 mm spans 12 mm and stands in the middle, within two nodes; both fonts."""
    heights, _ = laid(text="H", height=12.0, draft=0.0, font=font)
    left, right, near, far = extent(heights < -3.5)
    assert far - near == pytest.approx(12, abs=0.2)
    assert ((left + right) / 2, (near + far) / 2) == pytest.approx((30, 15), abs=0.1)


def test_the_default_font_knows_the_letters_of_many_languages() -> None:
    """Accents, ligatures, signs, Greek and Cyrillic are drawn, each as itself and not as an empty box."""
    for word in ("Äpfel süß", "Ø Å æ ñ ç é ő ș ž Ł", "ΑΩ λ", "Жюй", "№ 7½ × 12 °C €"):
        assert (laid(text=word, height=4.0)[0] < -3.5).any()


def test_letters_read_from_the_near_side() -> None:
    """An L has its bar near and its stem on the left: seen from above, +Y away, it is not mirrored."""
    heights, _ = laid(text="L", height=12.0, draft=0.0)
    marked = heights < -3.5
    left, right, near, far = extent(marked)
    rows, columns = (slice(round(a / PITCH), round(b / PITCH)) for a, b in ((near, far), (left, right)))
    letter = marked[rows, columns]
    middle_j, middle_i = (size // 2 for size in letter.shape)
    assert letter[:middle_j, middle_i:].any()
    assert not letter[middle_j:, middle_i:].any()


def test_text_is_as_wide_as_the_font_says() -> None:
    """DejaVu Sans at a capital of 8 mm: as wide as matplotlib's outlines of the same text, within 1 %."""
    heights, _ = laid(text="Plot 7", height=8.0, draft=0.0, font=str(DEJAVU))
    left, right, _, _ = extent(heights < -3.5)
    properties = FontProperties(fname=str(DEJAVU))
    box, capital = (
        TextPath((0, 0), word, size=100, prop=properties).get_extents() for word in ("Plot 7", "H")
    )
    assert right - left == pytest.approx(8 * box.width / capital.height, rel=0.01)


@pytest.mark.parametrize("draft", [10.0, 30.0, 45.0])
@pytest.mark.parametrize("style", ["raised", "sunk"])
def test_walls_lean_by_the_draft(style: str, draft: float) -> None:
    """Along the row through an I's straight wall the slope is cot(draft), and the depth is reached."""
    heights, _ = laid(text="I", height=20.0, relief=style, depth=1.0, draft=draft, at=-3.0)
    row = heights[150] + 3
    assert np.abs(row).max() == pytest.approx(1.0, abs=0.02)
    slopes = np.abs(np.diff(row)) / PITCH
    if draft >= 30:  # at least five nodes on the wall
        on_wall = (np.abs(row[:-1]) > 0.1) & (np.abs(row[1:]) > 0.1) & (np.abs(row[:-1]) < 0.9)
        on_wall &= np.abs(row[1:]) < 0.9
        assert on_wall.sum() >= 2
        assert slopes[on_wall] == pytest.approx(1 / math.tan(math.radians(draft)), rel=0.03)


def test_raised_and_sunk_go_their_ways_and_leave_the_rest() -> None:
    """Raised letters only rise, sunk ones only sink, by no more than the depth; far away nothing moves."""
    up, _ = laid(text="Oak", height=9.0, relief="raised", depth=1.2)
    down, _ = laid(text="Oak", height=9.0, relief="sunk", depth=1.2)
    assert (up.min(), up.max()) == pytest.approx((-3, -1.8), abs=1e-6)
    assert (down.min(), down.max()) == pytest.approx((-4.2, -3), abs=1e-6)
    assert (up[:20] == -3).all()
    assert (down[:, :20] == -3).all()
    # with upright walls both are the same letters, and nothing between them moves
    up, down = (
        laid(text="Oak", height=9.0, relief=style, depth=1.2, draft=0.0)[0] for style in ("raised", "sunk")
    )
    assert ((up > -3) == (down < -3)).all()
    assert 0.02 < (up > -3).mean() < 0.2


def test_letters_above_the_stock_top_are_cut_off_and_told() -> None:
    """No height is above 0, and a note says so."""
    heights, notes = laid(text="Oak", height=9.0, relief="raised", depth=2.0, at=-0.5)
    assert heights.max() == 0
    assert any("stock top" in note for note in notes)


def test_letters_too_fine_for_the_cutter_are_told_with_a_size_that_works() -> None:
    """An 1/8 in ball sunk 1.5 mm makes a groove of 2√(2·1.5875·1.5 − 1.5²) = 3.17 mm; the told size does."""
    _, notes = laid(ball=1.5875, text="H", height=8.0, depth=1.5, draft=0.0)
    fine = next(note for note in notes if "too fine" in note)
    assert "3.2 mm" in fine
    size = float(fine.split("a height of ")[1].split(" mm")[0])
    wider = Heightfield(np.full((601, 1201), -3.0), PITCH)
    again = lettered(wider, (Lettering(text="H", height=size * 1.05, depth=1.5, draft=0.0),), 1.5875)[1]
    assert again == ()


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"text": "far too long for it", "height": 20.0}, "leaves the relief of 60 mm × 30 mm"),
        ({"text": "A", "height": 5.0, "x": 1.0}, "move it"),
        ({"text": "   ", "height": 5.0}, "nothing to draw"),
        ({"text": "Gate ツ", "height": 5.0}, "the default font has no ツ; name another file as its font"),
        ({"text": "Gate ツ門", "height": 5.0, "font": str(DEJAVU)}, "DejaVuSans.ttf has no ツ 門"),
        ({"text": "A", "height": 5.0, "font": "none.ttf"}, "none.ttf: cannot be read as a TrueType"),
        ({"text": "A", "height": 5.0, "font": __file__}, "cannot be read as a TrueType or OpenType"),
    ],
)
def test_a_text_that_cannot_be_laid_is_refused(keys: dict[str, Any], words: str) -> None:
    """One line: what came and how to mend it."""
    with pytest.raises(JobError, match=words) as refusal:
        laid(**keys)
    assert "\n" not in str(refusal.value)


def test_a_text_needs_its_height() -> None:
    """A missing or misspelt key is named."""
    with pytest.raises(JobError, match="height"):
        Job.from_table({"picture": "a.png", "lettering": [{"text": "A"}]}, "job.toml")
    with pytest.raises(TableError, match="height"):
        Lettering(text="A", height=-2.0)


def test_a_job_file_with_letters_is_carved_and_read_back(tmp_path: Path) -> None:
    """The set-up has them, the surround stays at the relief's own floor, and the job round-trips."""
    np.save(tmp_path / "plate.npy", np.full((151, 301), -3.0, dtype=np.float32))
    (tmp_path / "sign.toml").write_text(
        'picture = "plate.npy"\n[output]\npitch = 0.2\n[[lettering]]\ntext = "Plot 7"\nheight = 10\n'
        '[[lettering]]\ntext = "beans"\nheight = "1/8 in"\ny = 5\nrelief = "raised"\ndepth = 0.5\n'
    )
    job = job_from_source(tmp_path / "sign.toml", {})
    setup = set_up(job, Shop.read(None))
    assert setup.relief.heights.min() == pytest.approx(-4.5)
    assert setup.relief.heights.max() == pytest.approx(-2.5)
    assert setup.target.heights[0, 0] == -3
    (tmp_path / "again.toml").write_text(job.seen_from(tmp_path).to_toml())
    assert Job.read(tmp_path / "again.toml").lettering == job.lettering
    (tmp_path / "like.toml").write_text(job_text("plate.npy", tmp_path / "again.toml"))
    assert Job.read(tmp_path / "like.toml").lettering == job.lettering


def test_letters_through_the_board_are_refused(tmp_path: Path) -> None:
    """Deeper than the stock is thick."""
    np.save(tmp_path / "plate.npy", np.full((151, 301), -3.0, dtype=np.float32))
    asked = {
        "output.pitch": 0.2,
        "stock.thickness": 6,
        "lettering": [{"text": "H", "height": 20, "depth": 4, "draft": 0}],
    }
    with pytest.raises(JobError, match=r"lettering goes 7 mm deep"):
        set_up(job_from_source(tmp_path / "plate.npy", asked), Shop.read(None))
