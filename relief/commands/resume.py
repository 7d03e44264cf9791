"""relief resume: a program that takes up an interrupted one."""

from __future__ import annotations

from pathlib import Path

import click

from relief.commands.options import Command, number_or_text, path_argument, path_option, quiet_option, watched
from relief.endings import SHORT, leave, say, told_in_one_line


def command(summary: str) -> click.Command:
    """Return the command."""
    return Command(
        "resume",
        callback=_run,
        params=[
            path_argument("program"),
            click.Option(
                ["--at", "line"], type=int, metavar="LINE",
                help="The line that was being run, counted from 1 as an editor counts.",
            ),
            click.Option(
                ["--at-position", "position"], nargs=3, metavar="X Y Z",
                help="Instead: where the cutter stopped, seen from zero; a bare number is millimetres.",
            ),
            path_option(["-o", "--out"], "FILE", "The program to write. [default: <name> resumed.nc]"),
            path_option(
                ["--job"], "FOLDER",
                "The job folder that PROGRAM belongs to. [default: where PROGRAM lies]",
            ),
            quiet_option(),
        ],
        short_help=summary,
        help=(
            "Write a program that takes up PROGRAM where a broken cutter or a power cut ended it.\n\n"
            "It starts the spindle, goes down through what was cut already, cuts the last centimetre again"
            " and goes on. Controllers read ahead of the cutter: name the line that was being cut, or an"
            " earlier one, or better the position where it stopped."
        ),
        epilog='Example: relief resume "sign job/2-finishing.nc" --at 5120 -o rest.nc',
    )  # fmt: skip


def _run(
    program: Path, line: int | None, position: tuple[str, str, str] | None, out: Path | None,
    job: Path | None, quiet: bool,
) -> None:  # fmt: skip
    if (line is None) == (position is None):
        message = "tell where it stopped: with --at LINE, or with --at-position X Y Z"
        raise click.UsageError(message)
    with told_in_one_line() as result:
        from relief.jobfolder import check_file, write_file
        from relief.resume import resume
        from relief.units import parse_length

        path = out or Path(f"{program.stem} resumed.nc")
        check_file(path)
        result.goes_to(path)
        place = None
        if position:
            x, y, z = (parse_length(number_or_text(text)) for text in position)
            place = (x, y, z)
        with watched(quiet) as progress:
            made = resume(
                program, job or program.parent, path.name, line=line, position=place, progress=progress
            )
        if made.stops:
            faults = "; ".join(f"{check.name}: {check.message}" for check in made.stops)
            leave(f"no program was written: {faults}", SHORT)
        write_file(path, made.text)
        if not quiet:
            say("\n".join((f"Wrote {path}.", *made.lines())))
