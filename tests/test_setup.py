"""Picture, stock, cutters and machine brought together."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from relief.chosen import check_depths, chosen_cutters
from relief.errors import JobError
from relief.heightfield import Heightfield
from relief.job import Job, job_from_source
from relief.sections import Finishing, Output, Relief, Stock, Zero
from relief.setup import lay_out, set_up
from relief.shop.load import Shop
from relief.shop.records import Cutter
from relief.sources import default_pitch

SHOP = Shop.read(None)
FIELD = Heightfield(np.linspace(-4, 0, 21 * 41).reshape(21, 41), 1.0)


def test_stock_lies_round_the_relief():
    """With no stock given there is a margin on every side, in whole nodes."""
    setup = lay_out(Job("a.png"), SHOP, FIELD)

    assert (setup.target.region.left, setup.target.region.near) == (-10.0, -10.0)
    assert (60.0, 40.0) == (setup.job.stock.width, setup.job.stock.length)
    assert setup.target.cropped(setup.region).heights == pytest.approx(FIELD.heights)
    assert setup.target.heights[0, 0] == setup.relief.heights.min()


def test_roughing_clears_room_for_the_ball_to_stand_half_outside_an_open_edge():
    """The ball's radius, and a little; a walled relief is roughed no further than its edge."""
    open_edge, walled = (
        lay_out(Job("a.png", relief=Relief(edge=e)), SHOP, FIELD) for e in ("open", "walled")
    )

    assert open_edge.finishing_cutter.diameter == 3.175
    assert 3.175 / 2 < open_edge.overrun <= 3.175 / 2 + 1
    assert walled.overrun == 0


def test_given_stock_is_shared_out_evenly():
    """A stock of 50 × 30 leaves 5 mm round a relief of 40 × 20."""
    setup = lay_out(Job("a.png", stock=Stock(width=50.0, length=30.0)), SHOP, FIELD)

    assert (-5.0, -5.0) == (setup.target.region.left, setup.target.region.near)


@pytest.mark.parametrize(
    "stock", [Stock(), Stock(width=43.0), Stock(length=24.5), Stock(width=50.0, length=30.0)]
)
def test_a_job_as_run_makes_the_same_board(stock):
    """What its folder keeps of it gives the same stock and the same zero when it is carved again."""
    first = lay_out(Job("a.png", stock=stock), SHOP, FIELD)
    again = lay_out(first.asked, SHOP, FIELD)

    assert (again.job.stock, again.job.relief) == (first.job.stock, first.job.relief)
    assert again.target.region == first.target.region


def test_walled_surround_stays_at_the_stock_top():
    """Nothing outside the relief may be cut."""
    setup = lay_out(Job("a.png", relief=Relief(edge="walled")), SHOP, FIELD)

    assert 0.0 == setup.target.heights[0, 0]


@pytest.mark.parametrize(
    ("zero", "offset"),
    [
        (Zero(), (0.0, 0.0, 0.0)),
        (Zero(xy="centre"), (-20.0, -10.0, 0.0)),
        (Zero(z="bed"), (0.0, 0.0, 18.0)),
    ],
)
def test_zero_is_an_offset_of_the_text(zero, offset):
    """The plan does not move; only what is written does."""
    assert offset == pytest.approx(lay_out(Job("a.png", zero=zero), SHOP, FIELD).zero)


def test_the_lattice_is_the_same_in_both_units():
    """Millimetres with three decimals, whatever the text is in: so both carve the same surface."""
    assert lay_out(Job("a.png"), SHOP, FIELD).step == pytest.approx(0.001)
    inch = lay_out(Job("a.png", output=Output(units="in")), SHOP, FIELD)
    assert inch.step == pytest.approx(0.001)


@pytest.mark.parametrize(
    ("job", "said"),
    [
        (Job("a.png", stock=Stock(width=30.0)), r"stock\.width"),
        (Job("a.png", machine="benchtop ruter"), "benchtop router"),
        (replace(Job("a.png"), relief=Relief(depth=95.5)), "along Z"),
    ],
)
def test_what_cannot_fit_is_refused(job, said):
    """Stock smaller than the relief, machines that do not exist, too little travel."""
    with pytest.raises(JobError if "ruter" not in job.machine else Exception, match=said):
        lay_out(job, SHOP, FIELD)


def test_the_size_that_a_scan_gives_itself_is_told(tmp_path):
    """200 dots an inch over 401 columns are 50.8 mm (arithmetic); no word where a width is asked for."""
    codes = np.tile(np.linspace(0, 255, 401).astype(np.uint8), (101, 1))
    Image.fromarray(codes).save(tmp_path / "scan.png", dpi=(200, 200))
    told = set_up(job_from_source(tmp_path / "scan.png", {"output.pitch": 1.0}), SHOP).notes
    assert (
        "the file says that the picture is 50.8 mm wide; set relief.width for that instead of 120 mm" in told
    )
    asked = set_up(job_from_source(tmp_path / "scan.png", {"output.pitch": 1.0, "relief.width": 80.0}), SHOP)
    assert not any("file says" in note for note in asked.notes)
    Image.fromarray(codes).save(tmp_path / "scan.png", dpi=(72, 72))
    plain = set_up(job_from_source(tmp_path / "scan.png", {"output.pitch": 1.0}), SHOP).notes
    assert not any("file says" in note for note in plain)


def test_default_pitch_proves_the_scallop_and_divides_the_width():
    """At most twice the scallop, at most a sixteenth of the ball, never more than four million nodes."""
    ball = Cutter("ball", 3.175)

    assert default_pitch(0.05, ball, 120.0, 90.0) == pytest.approx(0.1)
    assert default_pitch(0.5, ball, 120.0, 90.0) <= 3.175 / 16
    taper = Cutter("taper", 6.35, tip_radius=0.8, angle=12.0)
    assert default_pitch(0.5, taper, 120.0, 90.0) <= 1.6 / 16
    assert (300 / default_pitch(0.01, ball, 300.0, 300.0)) ** 2 <= 4_010_000
    assert (120 / default_pitch(0.03, ball, 120.0, 90.0)) % 1 == pytest.approx(0, abs=1e-6)


def test_a_scallop_too_fine_for_the_grid_is_told(tmp_path: Path):
    """When the default grid cannot resolve the scallop, a note says which pitch could."""
    from PIL import Image

    Image.fromarray(np.linspace(0, 65535, 40 * 30).reshape(30, 40).astype(np.uint16)).save(tmp_path / "a.png")
    job = job_from_source(tmp_path / "a.png", {"relief.width": 500, "finishing.scallop": 0.01})
    setup = set_up(job, SHOP)

    assert any("not be resolved" in note or "cannot be resolved" in note for note in setup.notes)


def test_a_picture_too_coarse_for_the_cutter_is_told(tmp_path: Path):
    """Pixels wider than the mark of an 1/8 in ball at 0.05 mm, 2√(2Rh − h²) = 0.7906 mm, are told."""
    from PIL import Image

    def notes(columns: int) -> tuple[str, ...]:
        codes = np.linspace(0, 65535, columns * 20).reshape(20, columns).astype(np.uint16)
        Image.fromarray(codes).save(tmp_path / f"{columns}.png")
        return set_up(job_from_source(tmp_path / f"{columns}.png", {}), SHOP).notes

    assert any("fewer pixels" in note and "4 mm wide" in note for note in notes(31))
    assert not any("fewer pixels" in note for note in notes(154))
    assert any("153 columns or more" in note for note in notes(31))


def test_crop_and_mask_come_before_the_sizes(tmp_path: Path):
    """A crop makes the relief's shape that of the part; a mask named in a job file counts from its folder."""
    from PIL import Image

    (tmp_path / "pictures").mkdir()
    Image.fromarray(np.full((41, 101), 60000, dtype=np.uint16)).save(tmp_path / "pictures/a.png")
    half = np.zeros((41, 101), dtype=np.uint8)
    half[:, 50:] = 255
    Image.fromarray(half).save(tmp_path / "pictures/m.png")
    (tmp_path / "pictures/a.toml").write_text(
        'picture = "a.png"\n[shaping]\nmask = "m.png"\ncrop = [20, 20, 0, 0]\n[output]\npitch = 1\n'
    )
    setup = set_up(job_from_source(tmp_path / "pictures/a.toml", {"relief.width": 60}), SHOP)

    assert (setup.relief.width, setup.relief.length) == pytest.approx((60, 40))
    assert setup.relief.heights[20, 5] == -6
    assert setup.relief.heights[20, 55] == pytest.approx(-6 * (1 - 60000 / 65535), abs=1e-5)
    assert "m.png" in setup.job.seen_from(tmp_path).to_table()["shaping"]["mask"]


@pytest.mark.parametrize(("deep", "taken"), [(6.0, True), (14.0, False)])
def test_a_finer_cutter_is_finer_as_far_up_as_the_relief_is_deep(deep, taken):
    """A taper of 12° and a tip of 1/64 in is wider than a 1/8 in ball from 11.7 mm up (plane geometry).

    Its side stands at r = R / cos 6° + (z − R) tan 6°, with R = 25.4 / 64.
    """
    radius, half = 25.4 / 64, np.radians(6.0)
    assert (3.175 / 2 - radius / np.cos(half)) / np.tan(half) + radius == pytest.approx(11.7, abs=0.1)
    passes = ("ball 1/8 in", "taper 1/32 in")
    job = Job("a.png", finishing=Finishing(passes=passes, cutter=passes[-1]), stock=Stock(thickness=30.0))
    chosen, field = chosen_cutters(job, SHOP), FIELD.with_heights(FIELD.heights * deep / 4)
    if taken:
        check_depths(chosen, job, field)
        return
    with pytest.raises(JobError, match="is not the finer of the two all over"):
        check_depths(chosen, job, field)
