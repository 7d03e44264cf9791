"""The part in its stock: room round it, depth below it, outline and nodes."""

import math

import numpy as np
import pytest
from PIL import Image

from relief.errors import JobError, PlanError
from relief.heightfield import Heightfield
from relief.job import Job, job_from_source
from relief.sections import Cutout, Relief, Roughing, Stock
from relief.setup import lay_out, set_up
from relief.shop.load import Shop

SHOP = Shop.read(None)
FIELD = Heightfield(np.linspace(-4, 0, 61 * 81).reshape(61, 81), 0.5)
RECTANGLE = Cutout(shape="rectangle")


def test_no_part_unless_asked_for():
    """By default the relief stays in its board."""
    assert lay_out(Job("a.png"), SHOP, FIELD).part is None


def test_the_board_is_wide_enough_to_carry_tabs():
    """The default margin is the cut, allowance included, and 10 mm of frame."""
    setup = lay_out(Job("a.png", cutout=RECTANGLE), SHOP, FIELD)

    assert setup.target.region.left == pytest.approx(-(6.35 + 0.2 + 10.0), abs=0.5)


def test_rules_of_the_material_fill_what_is_left_open():
    """Stepdown and entry angle are the material's; the cutter is the roughing's."""
    setup = lay_out(Job("a.png", cutout=RECTANGLE), SHOP, FIELD)

    assert setup.part.cutter == setup.roughing_cutter
    assert setup.part.section.stepdown == setup.material.stepdown * setup.part.cutter.diameter
    assert setup.part.section.entry_angle == setup.material.entry_angle


@pytest.mark.parametrize(("shape", "share"), [("rectangle", 1.0), ("ellipse", math.pi / 4)])
def test_nodes_of_the_part(shape, share):
    """A rectangle holds every node of the relief, an ellipse π/4 of its area."""
    setup = lay_out(Job("a.png", cutout=Cutout(shape=shape)), SHOP, FIELD)

    assert setup.part.nodes.sum() * 0.25 == pytest.approx(share * 40.0 * 30.0, rel=0.05)
    assert setup.part.outline.area == pytest.approx(share * 40.0 * 30.0, rel=1e-3)
    assert setup.part.nodes[setup.target.window(setup.region)].sum() == setup.part.nodes.sum()


def picture(folder, opacity):
    """Save a grey picture with the given opacity, top row first; return its name."""
    codes = np.dstack([np.full(opacity.shape, 128.0)] * 3 + [opacity * 255.0]).astype(np.uint8)
    Image.fromarray(codes, "RGBA").save(folder / "soft.png")
    return folder / "soft.png"


@pytest.mark.parametrize("mirror", [False, True])
def test_a_silhouette_is_mirrored_with_the_picture(tmp_path, mirror):
    """The opaque left of a picture comes out at the right of a mirrored relief."""
    opacity = np.zeros((61, 81))
    opacity[10:50, 5:35] = 1.0
    settings = {"cutout.shape": "silhouette", "relief.width": 80.0, "relief.mirror": mirror}
    setup = set_up(job_from_source(picture(tmp_path, opacity), settings), SHOP)

    left, near, right, far = setup.part.outline.bounds
    assert (near, far) == pytest.approx((10.5, 50.5))
    assert (left, right) == pytest.approx((45.5, 75.5) if mirror else (4.5, 34.5))


def test_specks_are_left_out_and_told(tmp_path):
    """What is smaller than the cutter is not cut out."""
    opacity = np.zeros((61, 81))
    opacity[10:50, 5:35] = 1.0
    opacity[30:32, 60:62] = 1.0
    settings = {"cutout.shape": "silhouette", "relief.width": 80.0}
    setup = set_up(job_from_source(picture(tmp_path, opacity), settings), SHOP)

    assert setup.part.outline.bounds[2] < 40.0
    assert any("1 specks smaller" in note for note in setup.notes)


@pytest.mark.parametrize(
    ("job", "said"),
    [
        (Job("a.png", cutout=Cutout(shape="rectangle", cutter="ball 1/8 in")), "needs a flat end mill"),
        (Job("a.png", cutout=RECTANGLE, relief=Relief(margin=8.0)), "raise relief.margin"),
        (Job("a.png", cutout=RECTANGLE, stock=Stock(width=50.0)), "stock is 5 mm wider than the relief"),
        (Job("a.png", cutout=RECTANGLE, stock=Stock(thickness=40.0)), "name a longer cutout.cutter"),
        # the cutting edges are 25.4 mm long, and the cut goes 0.3 mm through
        (Job("a.png", cutout=RECTANGLE, stock=Stock(thickness=25.2)), "goes 25.5 mm deep"),
        (Job("a.png", cutout=RECTANGLE, stock=Stock(thickness=6.0)), "cutout.tab_height = 3 mm is more than"),
        (
            Job("a.png", cutout=Cutout(shape="ellipse", skin=3.0), stock=Stock(thickness=6.0)),
            "cutout.skin = 3 mm is more than the 2 mm",
        ),
        (Job("a.png", cutout=Cutout(shape="silhouette")), "needs a picture with transparent parts"),
        (
            Job("a.png", cutout=Cutout(shape="rectangle"), roughing=Roughing(cutter="flat 1/8 in")),
            "cutting edges of .flat 1/8 in. are 12.7 mm",
        ),
    ],
)
def test_what_cannot_be_cut_out_is_refused_in_one_line(job, said):
    """The line says what, by how much, and what to change."""
    with pytest.raises(JobError, match=said) as refused:
        lay_out(job, SHOP, FIELD)

    assert "\n" not in str(refused.value)


def test_nothing_opaque_is_refused(tmp_path):
    """A picture that is clear all over has no silhouette."""
    path = picture(tmp_path, np.zeros((41, 41)))
    with pytest.raises(PlanError, match="no opaque part"):
        set_up(job_from_source(path, {"cutout.shape": "silhouette"}), SHOP)


def test_opaque_dots_alone_are_refused(tmp_path):
    """Dots smaller than the cutter are no part."""
    opacity = np.zeros((61, 81))
    opacity[30:32, 60:62] = 1.0
    with pytest.raises(JobError, match="all smaller than the cutout cutter"):
        set_up(job_from_source(picture(tmp_path, opacity), {"cutout.shape": "silhouette"}), SHOP)
