"""relief looks: one picture, shaped a dozen ways."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from relief.commands.options import (
    Command,
    asked_keys,
    key_options,
    path_argument,
    path_option,
    quiet_option,
    watched,
)
from relief.endings import say, told_in_one_line


def command(summary: str) -> click.Command:
    """Return the command."""
    return Command(
        "looks",
        callback=_run,
        params=[
            path_argument("picture"),
            path_option(["-o", "--out"], "FOLDER", "The folder to make. [default: <name> looks]"),
            *key_options(),
            quiet_option(),
        ],
        short_help=summary,
        help=(
            "Make a folder with looks.png, a sheet on which PICTURE is shaped a dozen ways, each with its"
            " keys and what the finishing cutter loses of it, and with a job file for each, ready to carve."
        ),
        epilog="Example: relief looks sign.png --width 200 --depth 8 --thickness 20",
    )  # fmt: skip


def _run(picture: Path, out: Path | None, settings: tuple[str, ...], quiet: bool, **short: Any) -> None:
    with told_in_one_line() as result:
        from relief.errors import FolderError
        from relief.job import job_from_source
        from relief.jobfolder import check_folder, write_folder
        from relief.looks import draw_looks
        from relief.shop.load import Shop

        folder = out if out is not None else Path(f"{picture.stem} looks")
        if folder.exists():
            message = f"{folder}: already there; name another folder with --out"
            raise FolderError(message)
        check_folder(folder, replace=False)
        result.goes_to(folder)
        job = job_from_source(picture, asked_keys(settings, short))
        shop = Shop.read(job.shop)
        with watched(quiet) as progress:
            files = draw_looks(job, shop, folder, progress)
        write_folder(folder, files, replace=False)
        if not quiet:
            sheet = folder / "looks.png"
            say(f"Wrote {folder}. Look at {sheet}, then carve the job file that you like best.")
