"""relief check: programs read again, and every check."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from relief.commands.options import Command, number_or_text, path_argument, path_option, quiet_option, watched
from relief.endings import SHORT, say, told_in_one_line


def command(summary: str) -> click.Command:
    """Return the command."""
    return Command(
        "check",
        callback=_run,
        params=[
            path_argument("programs", nargs=-1, required=True),
            path_option(["--job"], "FOLDER", "The job folder, or the job file, that the programs are for."),
            click.Option(["--thickness"], metavar="LENGTH", help="With no --job: how thick the stock is."),
            click.Option(
                ["--cutter"], metavar="NAME",
                help="What turns where neither job nor file name tells it: its name, number or description.",
            ),
            click.Option(["--machine"], metavar="NAME", help="The machine. [default: the job's]"),
            path_option(["--shop"], "FILE", "With no --job: your own shop file."),
            quiet_option(),
        ],
        short_help=summary,
        help=(
            "Read PROGRAMS again, ours or edited by hand, carve them in the computer, print every check.\n\n"
            "Give them in running order: the stock goes from one to the next. With no --job, only stock,"
            " cutter and machine are known: Z0 is the stock top, and no picture is held against the surface."
        ),
        epilog='Example: relief check "sign job/1-roughing.nc" "sign job/2-finishing.nc" --job "sign job"',
    )  # fmt: skip


def _run(
    programs: tuple[Path, ...], job: Path | None, thickness: str | None, cutter: str | None,
    machine: str | None, shop: Path | None, quiet: bool,
) -> None:  # fmt: skip
    if job is None and thickness is None:
        message = "give the job with --job, or the stock with --thickness"
        raise click.UsageError(message)
    if job is not None and (thickness or shop):
        message = "--thickness and --shop are told by the job already; leave them out or leave --job out"
        raise click.UsageError(message)
    with told_in_one_line():
        from relief.recheck import recheck, recheck_without_job
        from relief.units import parse_length

        with watched(quiet) as progress:
            if job is not None:
                verdict = recheck(programs, job, cutter=cutter, machine=machine, progress=progress)
            else:
                thick = parse_length(number_or_text(thickness or ""))
                verdict = recheck_without_job(programs, thick, cutter, machine, shop=shop, progress=progress)
    lines = verdict.lines()
    if quiet:
        lines = tuple(line for line in lines if line.startswith("STOP"))
    for line in lines:
        say(line, err=line.startswith("STOP"))
    if not verdict.ready:
        sys.exit(SHORT)
