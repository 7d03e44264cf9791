"""Ground heights: scale, exaggeration, sea, gaps, and which way is north, on real terrain."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import pytest
import tifffile
from PIL import Image

from relief.heightfile import is_terrain, read_ground, read_heights
from relief.job import job_from_source
from relief.looks import draw_looks
from relief.newjob import job_text
from relief.progress import Silent
from relief.sections import Terrain
from relief.setup import set_up
from relief.shop.load import Shop

SHOP = Shop.read(None)
SPACING = 30.9  # metres between its rows, roughly; one second of arc on a great circle (from memory)


def elevation() -> Any:
    """Return the Jacksboro elevation model that comes with matplotlib: 344 × 403 heights in metres."""
    path = Path(matplotlib.get_data_path()) / "sample_data" / "jacksboro_fault_dem.npz"
    return np.load(path)["elevation"]


def target(path: Path, **keys: Any) -> Any:
    """Return the set-up of a landscape, with its grid one node a value."""
    asked = {name.replace("__", "."): value for name, value in keys.items()}
    return set_up(job_from_source(path, {"relief.width": 120.6, "output.pitch": 0.3, **asked}), SHOP)


@pytest.mark.parametrize("name", ["ground.npy", "ground.tif"])
@pytest.mark.parametrize("exaggeration", [None, 1.5])
def test_heights_are_to_scale_times_the_exaggeration(
    tmp_path: Path, name: str, exaggeration: float | None
) -> None:
    """Mm of relief = metres × 120.6 mm / (402 × spacing) × exaggeration (arithmetic), north far away."""
    metres = elevation().astype(np.float32)
    if name.endswith("npy"):
        np.save(tmp_path / name, metres)
    else:
        tifffile.imwrite(tmp_path / name, metres)
    keys = {} if exaggeration is None else {"terrain__exaggeration": exaggeration}
    setup = target(tmp_path / name, terrain__spacing=SPACING, **keys)
    scale = 120.6 / (402 * SPACING) * (exaggeration or 1)
    expected = (metres[::-1].astype(float) - metres.max()) * scale
    assert setup.relief.heights == pytest.approx(expected, abs=2e-6)
    assert f"{exaggeration or 1:g} times as high" in " ".join(setup.notes)


def test_a_depth_of_ones_own_tells_what_it_exaggerates(tmp_path: Path) -> None:
    """A depth wins over the scale, and the note says how steep that makes the land."""
    np.save(tmp_path / "ground.npy", elevation())
    setup = target(tmp_path / "ground.npy", terrain__spacing=SPACING, relief__depth=8.0)
    to_scale = float(np.ptp(elevation())) * 120.6 / (402 * SPACING)
    assert -setup.relief.heights.min() == pytest.approx(8)
    assert f"{8 / to_scale:.3g} times as much as widths" in " ".join(setup.notes)


def test_the_job_as_run_carves_the_same_again(tmp_path: Path) -> None:
    """The job with its depth filled in is one that may be carved: nothing in it contradicts itself."""
    np.save(tmp_path / "ground.npy", elevation())
    once = target(tmp_path / "ground.npy", terrain__spacing=SPACING, terrain__exaggeration=2.0)
    (tmp_path / "again.toml").write_text(once.asked.seen_from(tmp_path).to_toml())
    again = set_up(job_from_source(tmp_path / "again.toml", {}), SHOP)
    assert again.relief.heights == pytest.approx(once.relief.heights, abs=1e-6)


def test_the_sea_is_flat_ground(tmp_path: Path) -> None:
    """All at or below the sea's level is the deepest, and the land keeps its proportions."""
    np.save(tmp_path / "ground.npy", elevation())
    heights = target(tmp_path / "ground.npy", terrain__sea_level=400.0, relief__depth=6.0).relief.heights
    metres = elevation()[::-1].astype(float)
    assert (heights[metres <= 400] == -6).all()
    expected = np.maximum(metres - 400, 0) / (metres.max() - 400) * 6 - 6
    assert heights == pytest.approx(expected, abs=2e-6)


def test_marked_heights_are_missing(tmp_path: Path) -> None:
    """-9999 in a hole is filled from around it; in a corner it is ground, and both are told."""
    metres = elevation().astype(np.int16)
    metres[100:104, 200:204] = -9999
    metres[:80, :60] = -9999
    Image.fromarray(metres.astype(np.int32)).save(tmp_path / "ground.tif")
    picture, span = read_ground(tmp_path / "ground.tif", Terrain(missing=-9999))
    assert span == np.ptp(metres[metres > -9999])
    assert picture.mask is not None
    assert (~picture.mask[::-1])[:80, :60].all()
    assert (~picture.mask).sum() == 80 * 60
    around = (metres[99:105, 199:205][metres[99:105, 199:205] > -9999] - metres[metres > -9999].min()) / span
    filled = picture.brightness[::-1][100:104, 200:204]
    assert around.min() <= filled.min() <= filled.max() <= around.max()
    assert [note.partition(":")[0] for note in picture.notes[1:]] == ["warning", "warning"]


def test_heights_in_millimetres_are_filled_too(tmp_path: Path) -> None:
    """A hole in a height file is bridged, an unmeasured corner becomes its lowest height; both are told."""
    heights = np.add.outer(np.linspace(-4, -1, 40), np.linspace(0, 0.5, 60))
    holed = heights.copy()
    holed[20, 30] = np.nan
    holed[:20, :20] = np.inf
    np.save(tmp_path / "heights.npy", holed)
    read, notes = read_heights(tmp_path / "heights.npy")
    assert read[20, 30] == pytest.approx(heights[20, 30], abs=1e-6)
    assert (read[:20, :20] == np.float32(holed[np.isfinite(holed)].min())).all()
    assert len(notes) == 2


def test_a_landscape_has_looks(tmp_path: Path) -> None:
    """`looks` takes ground heights as it takes a picture; each job file may be carved."""
    np.save(tmp_path / "ground.npy", elevation())
    asked = {"terrain.spacing": SPACING, "terrain.exaggeration": 2.0, "relief.width": 60}
    files = draw_looks(job_from_source(tmp_path / "ground.npy", asked), SHOP, tmp_path, Silent())
    (tmp_path / "look.toml").write_bytes(files["04-some-detail.toml"])
    job = job_from_source(tmp_path / "look.toml", {"output.pitch": 0.5})
    assert is_terrain(job)
    assert -set_up(job, SHOP).relief.heights.min() == pytest.approx(job.relief.depth)


def test_a_new_job_file_shows_the_keys() -> None:
    """`relief new` lists [terrain] with its meanings, all left open."""
    text = job_text("ground.npy")
    assert "[terrain]" in text
    assert "# exaggeration =" in text
