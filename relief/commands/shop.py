"""relief shop: the cutters, materials and machines in force."""

from __future__ import annotations

import shlex
from pathlib import Path

import click

from relief.commands.options import Command, path_option
from relief.endings import say, told_in_one_line


def command(summary: str) -> click.Command:
    """Return the command."""
    return Command(
        "shop",
        callback=_run,
        params=[
            path_option(["--shop"], "FILE", "Your own shop file."),
            path_option(["--write"], "FILE", "Write it to a file to edit."),
        ],
        short_help=summary,
        help="Show the cutters, materials and machines in force, with the source of each value.",
        epilog="Example: relief shop --write my-shop.toml",
    )


def _run(shop: Path | None, write: Path | None) -> None:
    with told_in_one_line():
        from relief.jobfolder import check_file, write_file
        from relief.shop.load import Shop

        text = Shop.read(shop).text()
        if write is None:
            say(text, nl=False)
            return
        check_file(write)
        write_file(write, text.encode())
        say(f"Wrote {write}. Edit it, then: relief carve PICTURE --shop {shlex.quote(str(write))}")
