"""Words on a terminal: which command is meant; each lives in a module of its own name in `commands`."""

from __future__ import annotations

import signal
from importlib import import_module

import click

from relief import __version__

SUMMARIES = {
    "carve": "Make the job folder of a picture, a height file or a job file.",
    "check": "Read programs again, carve them in the computer and print every check.",
    "compare": "Hold every cutter of the rack against one relief: detail lost, and time.",
    "looks": "Show one picture shaped several ways, with a job file for each.",
    "new": "Write a job file to edit, every key with its default and meaning.",
    "resume": "Write a program that takes up an interrupted one safely.",
    "shop": "Show the cutters, materials and machines in force.",
}


class Commands(click.Group):
    """The commands of `relief`; each is built only when it is asked for, so that help answers at once."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of the commands."""
        return list(SUMMARIES)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return a command by name."""
        if cmd_name not in SUMMARIES:
            return None
        made: click.Command = import_module(f"relief.commands.{cmd_name}").command(SUMMARIES[cmd_name])
        return made

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Return the command that the first word names, or say which one it may have meant."""
        if args and args[0] not in SUMMARIES and not args[0].startswith("-"):
            from relief.tables import nearest

            ctx.fail(f'No such command "{args[0]}"; {nearest(args[0], list(SUMMARIES))}')
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write a line for each command."""
        with formatter.section("Commands"):
            formatter.write_dl(list(SUMMARIES.items()))


@click.group(
    cls=Commands,
    epilog="Example: relief carve sign.png --width 200 --depth 8 --thickness 20",
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, message="relief %(version)s")
def relief() -> None:
    """From a picture to a carved relief on a three-axis router, with nothing left to luck."""


def _stop(_signal: int, _frame: object) -> None:
    raise KeyboardInterrupt


def main() -> None:
    """Run the command line; being asked to end is taken as Ctrl-C is, so that nothing is left half-made."""
    signal.signal(signal.SIGTERM, _stop)
    relief(prog_name="relief")
