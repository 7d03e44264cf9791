"""Make the pictures of README.md anew, with relief itself, from the demo pictures.

Run `python shared/make_readme_pictures.py`; it carves two jobs in some minutes and writes into the folder
`pictures` beside this script. The page of the job sheet is photographed where Chromium is installed.
"""

from __future__ import annotations

import io
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image

from relief.job import job_from_source
from relief.looks import draw_looks
from relief.progress import Silent
from relief.shop.load import Shop
from relief.workflow import carve

HERE = Path(__file__).parent
DEMO = HERE.parent / "demo_images"
WIDE, COLOURS = 720, 64  # pixels and colours: small enough to be read over a slow line
PAGE = (1000, 1460)  # of the job sheet, pixels

# Name of a picture, and what is carved for it.
JOBS = {
    "harvest-carved.png": (
        DEMO / "harvest.jpg",
        {
            "relief.width": 180.0,
            "relief.depth": 8.0,
            "shaping.levels": ["1 %", "99 %"],
            "shaping.unstep": True,
            "shaping.smooth": 1.4,
            "shaping.detail": 0.5,
            "shaping.border": "bead",
        },
    ),
    "gate-sign.png": (HERE / "gate-sign.toml", {}),
}
LOOKS, SHEET = "harvest-looks.png", "job-sheet.png"
NAMES = (*JOBS, LOOKS, SHEET)


def main(folder: Path) -> None:
    """Write every picture into `folder`."""
    folder.mkdir(exist_ok=True)
    shop = Shop.read(None)
    job = job_from_source(DEMO / "harvest.jpg", {"relief.width": 180.0, "relief.depth": 8.0})
    looks = draw_looks(job, shop, folder, Silent())["looks.png"]
    (folder / LOOKS).write_bytes(small(Image.open(io.BytesIO(looks))))
    with tempfile.TemporaryDirectory() as work:
        for name, (source, keys) in JOBS.items():
            made = Path(work) / name
            carve(job_from_source(source, keys), shop, made)
            (folder / name).write_bytes(small(Image.open(made / "carved.png")))
        browser = shutil.which("chromium")
        if browser is not None:
            (folder / SHEET).write_bytes(small(photographed(browser, Path(work) / "gate-sign.png")))


def small(picture: Image.Image) -> bytes:
    """Return a picture as a PNG that is no wider than WIDE."""
    picture = picture.convert("RGB")
    if picture.width > WIDE:
        tall = round(picture.height * WIDE / picture.width)
        picture = picture.resize((WIDE, tall), Image.Resampling.LANCZOS)
    file = io.BytesIO()
    picture.quantize(COLOURS, dither=Image.Dither.NONE).save(file, "PNG", optimize=True)
    return file.getvalue()


def photographed(browser: str, folder: Path) -> Image.Image:
    """Return the top of a job's sheet as a browser shows it."""
    shot = folder / "shot.png"
    size = f"--window-size={PAGE[0]},{PAGE[1]}"
    graphics = ["--use-angle=swiftshader", "--enable-unsafe-swiftshader"]
    command = [browser, "--headless", "--no-sandbox", *graphics, size, f"--screenshot={shot}"]
    subprocess.run([*command, (folder / "sheet.html").as_uri()], check=True, capture_output=True)
    return Image.open(shot)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "pictures")
