"""What the main job promises, judged from the files it leaves and by means that are not its own."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import trimesh
from scipy import integrate, ndimage

from relief.job import job_from_source
from relief.report import Report
from relief.shop.load import Shop
from relief.workflow import carve
from tests import fields, independent
from tests.program.standard import violations

# Files of a job folder: the contract of the design.
FILES = {
    "0-trace.nc", "1-roughing.nc", "2-finishing.nc", "carved.stl", "carved.png", "deviation.png",
    "sheet.html", "report.json", "job.toml",
}  # fmt: skip
PITCH, BALL, FLAT = 0.2, 3.175 / 2, 6.35 / 2


@dataclass(frozen=True)
class Made:
    """A job folder and what was asked of it."""

    target: np.ndarray
    folder: Path
    report: Report

    def text(self, name: str) -> str:
        """Return the text of a program."""
        return (self.folder / name).read_text("ascii")

    @property
    def programs(self) -> list[Path]:
        """Return the programs in running order."""
        return sorted(self.folder.glob("*.nc"))


def made(folder: Path, target: np.ndarray, pitch: float = PITCH, **settings: object) -> Made:
    """Carve a height file with the defaults and a coarse scallop."""
    heights = folder / "target.npy"
    np.save(heights, target.astype(np.float32))
    job = job_from_source(heights, {"output.pitch": pitch, "finishing.scallop": 0.1} | settings)
    report = carve(job, Shop.read(None), folder / "job")
    return Made(target, folder / "job", report)


TARGETS = {
    "hemisphere": lambda: fields.dome(pitch=PITCH).heights,
    "ramp 15": lambda: fields.ramp(15, 16, 12, PITCH).heights,
    "ramp 45 askew": lambda: fields.ramp(45, 10, 8, PITCH, turn_deg=30).heights,
    "plaque": lambda: fields.plaque(pitch=PITCH).heights,
    "terrain": lambda: fields.terrain(30.0, 6.0, PITCH).heights,
}


@pytest.fixture(scope="module", params=TARGETS)
def one(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Return the job folder of one test surface."""
    return made(tmp_path_factory.mktemp("made"), TARGETS[request.param]())


def ball(r: np.ndarray) -> np.ndarray:
    """Return the underside of the finishing ball (plane geometry of a circle)."""
    return BALL - np.sqrt(np.maximum(BALL**2 - r**2, 0))


def flat(r: np.ndarray) -> np.ndarray:
    """Return the underside of the roughing cutter."""
    return np.zeros_like(r)


def recarved(job: Made, spacing: float = 0.05, beside: int = 0) -> np.ndarray:
    """Return what roughing and finishing leave, by the second opinion, with so many nodes of stock beside."""
    rows, columns = job.target.shape
    shape, corner = (rows + 2 * beside, columns + 2 * beside), beside * PITCH
    rough, finish = (
        independent.positions(job.text(name))[0] + (corner, corner, 0.0)
        for name in ("1-roughing.nc", "2-finishing.nc")
    )
    return np.minimum(
        independent.carved(shape, PITCH, rough, flat, FLAT, spacing),
        independent.carved(shape, PITCH, finish, ball, BALL, spacing),
    )


def test_the_folder_holds_every_file_and_its_digest(one):
    """Nothing is missing, nothing strange is there, and report.json answers for each file."""
    names = {path.name for path in one.folder.iterdir()}
    report = json.loads((one.folder / "report.json").read_bytes())

    assert FILES == names
    assert names - {"report.json"} == set(report["sha256"])
    for name, digest in report["sha256"].items():
        assert hashlib.sha256((one.folder / name).read_bytes()).hexdigest() == digest
    assert one.report.ready


def test_nothing_gouges(one):
    """The second opinion finds no node more than 5 µm below the target."""
    assert (one.target - recarved(one)).max() <= 0.005


def reachable(target: np.ndarray) -> np.ndarray:
    """Return the closing of the target by the ball, by scipy."""
    reach = math.floor(BALL / PITCH)
    steps = np.arange(-reach, reach + 1) * PITCH
    distance = np.hypot(steps[:, None], steps[None, :])
    footprint, underside = distance <= BALL, ball(distance)
    tip = ndimage.grey_dilation(target, footprint=footprint, structure=-underside, mode="constant", cval=-1e9)
    return ndimage.grey_erosion(tip, footprint=footprint, structure=-underside, mode="constant", cval=1e9)


def test_the_report_agrees_with_a_recomputation(one):
    """Scallop and lost detail agree with scipy's figures from the text to 1 %."""
    carved, best = recarved(one, spacing=0.03), reachable(one.target.astype(np.float64))
    slope = np.hypot(*np.gradient(best, PITCH))
    ridges = (np.maximum(carved - best, 0) / np.sqrt(1 + slope**2))[slope <= math.tan(math.radians(75))]
    told = one.report

    assert told.scallop.max == pytest.approx(ridges.max(), rel=0.01, abs=5e-4)
    assert told.scallop.p99 == pytest.approx(np.percentile(ridges, 99), rel=0.01, abs=5e-4)
    assert told.scallop.within == pytest.approx((ridges <= 0.1).mean(), abs=0.01)
    lost = best - one.target
    assert told.lost_detail.max == pytest.approx(lost.max(), rel=0.01, abs=1e-4)
    assert told.lost_detail.p99 == pytest.approx(np.percentile(lost, 99), rel=0.01, abs=1e-4)
    assert told.lost_detail.rms == pytest.approx(np.sqrt((lost**2).mean()), rel=0.01, abs=1e-4)
    assert told.lost_detail.share == pytest.approx((lost > 0.1).mean(), abs=0.01)
    assert told.gouge == pytest.approx(max((one.target - carved).max(), 0), abs=1e-3)


def test_the_removed_volume_is_that_of_the_text(one):
    """All that roughing and finishing take off the board, by the trapezoid rule (scipy), to 1 %."""
    stock = one.report.job["stock"]
    beside = round((stock["width"] / PITCH + 1 - one.target.shape[1]) / 2)
    gone = -recarved(one, beside=beside)
    volume = integrate.trapezoid(integrate.trapezoid(gone, dx=PITCH, axis=1), dx=PITCH)

    assert gone.shape[0] == round(stock["length"] / PITCH) + 1
    assert one.report.removed_volume == pytest.approx(volume, rel=0.01)


def test_programs_keep_to_the_standard(one):
    """Every line obeys NISTIR 6556 as the checker in these tests reads it."""
    for path in one.programs:
        assert violations(path.read_text("ascii")) == []


def test_the_trace_leaves_the_spindle_off(one):
    """0-trace.nc has no S and no M3, stays above the stock, and goes round everything that is cut."""
    text = one.text("0-trace.nc")
    traced, _, _ = independent.positions(text)
    cut = np.concatenate([independent.positions(one.text(f))[0] for f in ("1-roughing.nc", "2-finishing.nc")])
    code = "\n".join(line.split("(")[0] for line in text.splitlines())

    assert "S" not in code
    assert "M3" not in code
    assert np.nanmin(traced[:, 2]) > 0
    assert (np.nanmin(traced[:, :2], axis=0) <= np.nanmin(cut[:, :2], axis=0)).all()
    assert (np.nanmax(traced[:, :2], axis=0) >= np.nanmax(cut[:, :2], axis=0)).all()


def test_the_mesh_is_the_carved_stock(one):
    """carved.stl is closed, of 84 + 50 n bytes, and as large as the stock less what was removed (0.5 %)."""
    content = (one.folder / "carved.stl").read_bytes()
    mesh = trimesh.load(one.folder / "carved.stl")
    job = json.loads((one.folder / "report.json").read_bytes())["job"]["stock"]
    stock = job["width"] * job["length"] * job["thickness"]

    assert len(content) == 84 + 50 * len(mesh.faces)
    assert mesh.is_watertight
    assert mesh.volume > 0
    assert mesh.volume == pytest.approx(stock - one.report.removed_volume, rel=0.005)


def test_lengths_blocks_and_lines_agree_with_a_recount(one):
    """The report's figures of each program agree with the second opinion to 1 %."""
    for run in one.report.programs:
        points, rapid, _ = independent.positions(one.text(run.file))
        length = np.nan_to_num(np.linalg.norm(np.diff(points, axis=0), axis=1))
        assert run.cutting_length == pytest.approx(length[~rapid[1:]].sum(), rel=0.01, abs=0.01)
        assert run.rapid_length == pytest.approx(length[rapid[1:]].sum(), rel=0.01, abs=6)
        coded = [t for t in one.text(run.file).splitlines() if t.split("(")[0].strip(" %")]
        assert run.blocks == pytest.approx(len(coded), rel=0.01)
        assert run.lines == len(one.text(run.file).splitlines())


@pytest.mark.parametrize("seed", range(20))
def test_nothing_gouges_on_band_limited_surfaces(tmp_path, seed):
    """20 random smooth surfaces, each with its own wavelength: no node more than 5 µm below the target."""
    target = fields.band_limited(seed, 12.0, 10.0, PITCH).heights

    assert (target - recarved(made(tmp_path, target))).max() <= 0.005


def test_same_job_same_bytes(tmp_path):
    """Two runs of one job leave the same programs, report and sheet."""
    target = fields.band_limited(3, 12.0, 10.0, PITCH).heights
    folders = []
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        folders.append(made(tmp_path / name, target).folder)
    for path in folders[0].iterdir():
        assert path.read_bytes() == (folders[1] / path.name).read_bytes(), path.name


@pytest.mark.parametrize("settings", [{"output.units": "in"}, {"zero.xy": "centre", "zero.z": "bed"}])
def test_units_and_zero_do_not_change_the_surface(tmp_path, settings):
    """The same job in inches, or from another zero, carves the same surface to 2 µm."""
    target = fields.band_limited(5, 12.0, 10.0, PITCH).heights
    surfaces = []
    for name, more in (("plain", {}), ("other", settings)):
        (tmp_path / name).mkdir()
        job = made(tmp_path / name, target, **more)
        mesh = trimesh.load(job.folder / "carved.stl")
        surfaces.append((mesh.volume, job.report.removed_volume))
    assert surfaces[0] == pytest.approx(surfaces[1], rel=1e-3)


def test_a_walled_edge_stays_standing(tmp_path):
    """With edge = "walled" nothing outside the relief is cut."""
    target = np.full((41, 51), -3.0)
    job = made(tmp_path, target, **{"relief.edge": "walled"})
    finish, _, _ = independent.positions(job.text("2-finishing.nc"))
    # at the very edge the ball may stand as deep as the wall one node away allows: 0.2²/2R = 0.013 mm
    deep = finish[finish[:, 2] < -0.02]

    assert job.report.ready
    assert deep[:, 0].min() > 0
    assert deep[:, 0].max() < 10
    assert math.isclose(job.report.gouge, 0.0, abs_tol=0.005)
    assert job.report.scallop.within > 0.999
    assert job.report.lost_detail.max > 1  # the ball cannot reach into the corner at the foot of the wall
