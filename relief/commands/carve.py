"""relief carve: from a picture to a job folder."""

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
from relief.endings import SHORT, leave, say, told_in_one_line


def command(summary: str) -> click.Command:
    """Return the command."""
    return Command(
        "carve",
        callback=_run,
        params=[
            path_argument("source"),
            path_option(["-o", "--out"], "FOLDER", "The job folder to make. [default: <name> job]"),
            click.Option(
                ["--replace"], is_flag=True,
                help="Replace an earlier job folder, programs and all, even if a new check falls short.",
            ),
            *key_options(),
            path_option(["--heights"], "FILE", "Also save the target as .npy float32, mm."),
            quiet_option(),
        ],
        short_help=summary,
        help=(
            "Make the job folder of SOURCE: a picture, a height file (.npy), a mesh seen from above (.stl,"
            " .obj, .ply, .off), a job file (.toml) or an earlier job's folder, to be carved again as the"
            " options say.\n\n"
            'Lengths take a unit ("1/8 in", "3 mm"); a bare number is millimetres.'
        ),
        epilog='Example: relief carve sign.png --width "8 in" --depth 8 --thickness 20 --material hardwood',
    )  # fmt: skip


def usual_folder(source: Path, picture: str) -> str:
    """Return what the job folder of a source is called where nobody names it.

    Parameters
    ----------
    source : a picture, a job file or an earlier job's folder
    picture : what the job carves; a job file that is just called job.toml is told by it
    """
    place = source.resolve()
    if place.is_file() and place.name == "job.toml":
        made = (place.parent / "report.json").is_file()  # beside it in a job folder, and nowhere else
        return f"{place.parent.name} again" if made else f"{Path(picture).stem} job"
    return f"{place.name} again" if place.is_dir() else f"{source.stem} job"


def _run(
    source: Path, out: Path | None, replace: bool, settings: tuple[str, ...], heights: Path | None,
    quiet: bool, **short: Any,
) -> None:  # fmt: skip
    with told_in_one_line() as result:
        from relief.job import job_from_source
        from relief.shop.load import Shop
        from relief.workflow import carve

        job = job_from_source(source, asked_keys(settings, short))
        shop = Shop.read(job.shop)
        folder = out if out is not None else Path(usual_folder(source, job.picture))
        result.goes_to(folder)
        with watched(quiet) as progress:
            report = carve(job, shop, folder, replace=replace, heights=heights, progress=progress)
        if not quiet:
            say("\n".join(report.summary_lines(folder)))
        if not report.ready:
            faults = "; ".join(f"{check.name}: {check.message}" for check in report.stops)
            leave(f"no program was written: {faults}; see {folder / 'sheet.html'}", SHORT)
