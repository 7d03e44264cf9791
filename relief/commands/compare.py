"""relief compare: every cutter of the rack against one relief."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from relief.commands.options import (
    Command,
    asked_keys,
    asked_words,
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
        "compare",
        callback=_run,
        params=[
            path_argument("source"),
            path_option(
                ["-o", "--out"], "FOLDER",
                "Also make a folder with the table, its figures (compare.json) and pictures.",
            ),
            *key_options(),
            quiet_option("Show the table, and nothing before it."),
        ],
        short_help=summary,
        help=(
            "Hold every cutter of the rack against SOURCE, a picture, a height file, a mesh or a job file:"
            " the detail that each loses, the time that it takes, the best pairs, and what we would choose."
        ),
        epilog="Example: relief compare sign.png --width 200 --depth 8 --thickness 20",
    )  # fmt: skip


def _run(source: Path, out: Path | None, settings: tuple[str, ...], quiet: bool, **short: Any) -> None:
    with told_in_one_line() as result:
        from relief.compare import compare
        from relief.job import job_from_source
        from relief.jobfolder import check_folder, write_folder
        from relief.shop.load import Shop

        if out is not None:
            check_folder(out, replace=False)
            result.goes_to(out)
        job = job_from_source(source, asked_keys(settings, short))
        shop = Shop.read(job.shop)
        with watched(quiet) as progress:
            comparison = compare(job, shop, progress, asked_words(source, settings, short))
        if out is not None:
            write_folder(out, comparison.files(), replace=False)
        say("\n".join(comparison.lines()))
        if out is not None:
            say(f"\nWrote {out}: {out / 'compare.png'} shows what each cutter would leave.")
