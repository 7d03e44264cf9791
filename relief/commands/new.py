"""relief new: a job file to edit."""

from __future__ import annotations

import shlex
from pathlib import Path

import click

from relief.commands.options import Command, path_argument, path_option
from relief.endings import say, told_in_one_line


def command(summary: str) -> click.Command:
    """Return the command."""
    return Command(
        "new",
        callback=_run,
        params=[
            path_argument("picture"),
            path_option(["-o", "--out"], "FILE", "The job file to write. [default: <name>.toml]"),
            path_option(["--like"], "FOLDER", "Take over the values of an earlier job folder or job file."),
        ],
        short_help=summary,
        help="Write a job file for PICTURE: every key with its default, its unit and its meaning.",
        epilog="Example: relief new sign.png -o sign.toml",
    )  # fmt: skip


def _run(picture: Path, out: Path | None, like: Path | None) -> None:
    with told_in_one_line():
        from relief.errors import PictureError
        from relief.job import job_from_source
        from relief.jobfolder import check_file, write_file
        from relief.newjob import job_text

        path = out or Path(f"{picture.stem}.toml")
        if not picture.is_file():
            message = f"{picture}: there is no such picture; check its name and folder"
            raise PictureError(message)
        check_file(path)
        named = job_from_source(picture, {}).seen_from(path.parent).picture
        write_file(path, job_text(named, like).encode())
        say(f"Wrote {path}. Edit it, then: relief carve {shlex.quote(str(path))}")
