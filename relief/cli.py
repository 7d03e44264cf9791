"""Words on a terminal: parse, one call, print."""

from __future__ import annotations

import contextlib
import shlex
import signal
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from relief import __version__
from relief.endings import SHORT, leave, say, told_in_one_line

# Options of carve that are job keys under a shorter name; their help comes from the key itself.
SHORT_NAMES = {
    "--width": "relief.width",
    "--depth": "relief.depth",
    "--thickness": "stock.thickness",
    "--material": "material",
    "--machine": "machine",
    "--shop": "shop",
    "--rough": "roughing.cutter",
    "--finish": "finishing.cutter",
    "--scallop": "finishing.scallop",
    "--pitch": "output.pitch",
    "--mesh": "output.mesh",
}
# The one that may be given more than once, and the key that it is then.
FINISH, PASSES = "--finish", "finishing.passes"


class Commands(click.Group):
    """The commands of `relief`; each is built only when it is asked for, so that help answers at once."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of the commands."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return a command by name."""
        build = COMMANDS.get(cmd_name)
        return build() if build else None

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Return the command that the first word names, or say which one it may have meant."""
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            from relief.tables import nearest

            ctx.fail(f'No such command "{args[0]}"; {nearest(args[0], list(COMMANDS))}')
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write a line for each command."""
        with formatter.section("Commands"):
            formatter.write_dl(list(SUMMARIES.items()))


class Command(click.Command):
    """A command that answers a misspelt option with the nearest one."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Parse the command line's words."""
        try:
            return super().parse_args(ctx, args)
        except click.NoSuchOption as error:
            from relief.tables import nearest

            known = [name for option in self.params for name in option.opts if name.startswith("--")]
            message = f'No such option "{error.option_name}"; {nearest(error.option_name, known)}'
            raise click.UsageError(message, ctx) from None


@click.group(
    cls=Commands,
    epilog="Example: relief carve sign.png --width 200 --depth 8 --thickness 20",
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, message="relief %(version)s")
def relief() -> None:
    """From a picture to a carved relief on a three-axis router, with nothing left to luck."""


SUMMARIES = {
    "carve": "Make the job folder of a picture, a height file or a job file.",
    "check": "Read programs again, carve them in the computer and print every check.",
    "compare": "Hold every cutter of the rack against one relief: detail lost, and time.",
    "looks": "Show one picture shaped several ways, with a job file for each.",
    "new": "Write a job file to edit, every key with its default and meaning.",
    "resume": "Write a program that takes up an interrupted one safely.",
    "shop": "Show the cutters, materials and machines in force.",
}


def _key_options() -> list[click.Parameter]:
    """Return the options that are job keys: those with a name of their own, and one for all others."""
    from relief.job import job_keys

    meanings = {key.name: key for key in job_keys()}
    short: list[click.Parameter] = []
    for option, name in SHORT_NAMES.items():
        key = meanings[name]
        default = f" [default: {key.default}]" if key.default is not None else ""
        unit = f" ({key.unit})" if key.unit else ""
        metavar = "FILE" if name == "shop" else "LENGTH" if key.unit == "mm" else "NAME"
        more = "; given more than once: several, coarse to fine" if option == FINISH else ""
        text = f"{key.meaning}{more}{unit}{default}"
        short.append(click.Option([option], metavar=metavar, help=text, multiple=option == FINISH))
    other = click.Option(
        ["--set", "settings"], multiple=True, metavar="KEY=VALUE",
        help="Any other job key, e.g. --set relief.edge=walled; may be given more than once.",
    )  # fmt: skip
    return [*short, other]


def _carve_command() -> click.Command:
    return Command(
        "carve",
        callback=_carve,
        params=[
            click.Argument(["source"], type=click.Path(path_type=Path)),
            click.Option(
                ["-o", "--out"], type=click.Path(path_type=Path), metavar="FOLDER",
                help="The job folder to make. [default: <name> job]",
            ),
            click.Option(["--replace"], is_flag=True, help="Replace an earlier job folder."),
            *_key_options(),
            click.Option(
                ["--heights"], type=click.Path(path_type=Path), metavar="FILE",
                help="Also save the target as .npy float32, mm.",
            ),
            click.Option(["--quiet"], is_flag=True, help="Say only what went wrong."),
        ],
        short_help=SUMMARIES["carve"],
        help=(
            "Make the job folder of SOURCE: a picture, a height file (.npy), a mesh seen from above (.stl,"
            " .obj, .ply, .off), a job file (.toml) or an earlier job's folder, to be carved again as the"
            " options say.\n\n"
            'Lengths take a unit ("1/8 in", "3 mm"); a bare number is millimetres.'
        ),
        epilog='Example: relief carve sign.png --width "8 in" --depth 8 --thickness 20 --material hardwood',
    )  # fmt: skip


def _carve(
    source: Path, out: Path | None, replace: bool, settings: tuple[str, ...], heights: Path | None,
    quiet: bool, **short: Any,
) -> None:  # fmt: skip
    with told_in_one_line() as result:
        from relief.job import job_from_source
        from relief.progress import Silent
        from relief.shop.load import Shop
        from relief.terminal import watching
        from relief.workflow import carve

        job = job_from_source(source, _asked(settings, short))
        shop = Shop.read(None if job.shop is None else Path(job.shop))
        usual = f"{source.name} again" if source.is_dir() else f"{source.stem} job"
        folder = out if out is not None else Path(usual)
        result.goes_to(folder)
        with contextlib.nullcontext(Silent()) if quiet else watching() as progress:
            report = carve(job, shop, folder, replace=replace, heights=heights, progress=progress)
        if not quiet:
            say("\n".join(report.summary_lines(folder)))
        if not report.ready:
            faults = "; ".join(f"{check.name}: {check.message}" for check in report.stops)
            leave(f"no program was written: {faults}; see {folder / 'sheet.html'}", SHORT)


def _looks_command() -> click.Command:
    return Command(
        "looks",
        callback=_looks,
        params=[
            click.Argument(["picture"], type=click.Path(path_type=Path)),
            click.Option(
                ["-o", "--out"], type=click.Path(path_type=Path), metavar="FOLDER",
                help="The folder to make. [default: <name> looks]",
            ),
            *_key_options(),
            click.Option(["--quiet"], is_flag=True, help="Say only what went wrong."),
        ],
        short_help=SUMMARIES["looks"],
        help=(
            "Make a folder with looks.png, a sheet on which PICTURE is shaped a dozen ways, each with its"
            " keys and what the finishing cutter loses of it, and with a job file for each, ready to carve."
        ),
        epilog="Example: relief looks sign.png --width 200 --depth 8 --thickness 20",
    )  # fmt: skip


def _looks(picture: Path, out: Path | None, settings: tuple[str, ...], quiet: bool, **short: Any) -> None:
    with told_in_one_line() as result:
        from relief.errors import FolderError
        from relief.job import job_from_source
        from relief.jobfolder import check_folder, write_folder
        from relief.looks import draw_looks
        from relief.progress import Silent
        from relief.shop.load import Shop
        from relief.terminal import watching

        folder = out if out is not None else Path(f"{picture.stem} looks")
        if folder.exists():
            message = f"{folder}: already there; name another folder with --out"
            raise FolderError(message)
        check_folder(folder, replace=False)
        result.goes_to(folder)
        job = job_from_source(picture, _asked(settings, short))
        shop = Shop.read(None if job.shop is None else Path(job.shop))
        with contextlib.nullcontext(Silent()) if quiet else watching() as progress:
            files = draw_looks(job, shop, folder, progress)
        write_folder(folder, files, replace=False)
        if not quiet:
            sheet = folder / "looks.png"
            say(f"Wrote {folder}. Look at {sheet}, then carve the job file that you like best.")


def _compare_command() -> click.Command:
    return Command(
        "compare",
        callback=_compare,
        params=[
            click.Argument(["source"], type=click.Path(path_type=Path)),
            click.Option(
                ["-o", "--out"], type=click.Path(path_type=Path), metavar="FOLDER",
                help="Also make a folder with the table, its figures (compare.json) and pictures.",
            ),
            *_key_options(),
            click.Option(["--quiet"], is_flag=True, help="Show the table, and nothing before it."),
        ],
        short_help=SUMMARIES["compare"],
        help=(
            "Hold every cutter of the rack against SOURCE, a picture, a height file, a mesh or a job file:"
            " the detail that each loses, the time that it takes, the best pairs, and what we would choose."
        ),
        epilog="Example: relief compare sign.png --width 200 --depth 8 --thickness 20",
    )  # fmt: skip


def _compare(source: Path, out: Path | None, settings: tuple[str, ...], quiet: bool, **short: Any) -> None:
    with told_in_one_line() as result:
        from relief.compare import compare
        from relief.job import job_from_source
        from relief.jobfolder import check_folder, write_folder
        from relief.progress import Silent
        from relief.shop.load import Shop
        from relief.terminal import watching

        if out is not None:
            check_folder(out, replace=False)
            result.goes_to(out)
        job = job_from_source(source, _asked(settings, short))
        shop = Shop.read(None if job.shop is None else Path(job.shop))
        with contextlib.nullcontext(Silent()) if quiet else watching() as progress:
            comparison = compare(job, shop, progress)
        if out is not None:
            write_folder(out, comparison.files(), replace=False)
        say("\n".join(comparison.lines()))
        if out is not None:
            say(f"\nWrote {out}: {out / 'compare.png'} shows what each cutter would leave.")


def _asked(settings: tuple[str, ...], short: dict[str, Any]) -> dict[str, Any]:
    """Return the job keys that the options of a command set."""
    cutters = short.pop("finish")
    named = {SHORT_NAMES[f"--{name}"]: value for name, value in short.items() if value is not None}
    if cutters:
        key, value = (
            ("finishing.passes", list(cutters)) if len(cutters) > 1 else (SHORT_NAMES[FINISH], cutters[0])
        )
        named[key] = value
    return named | dict(_setting(text) for text in settings)


def _setting(text: str) -> tuple[str, Any]:
    """Split KEY=VALUE; the value is read as TOML where it is TOML, else as plain text."""
    name, found, value = text.partition("=")
    if not found or not name.strip():
        message = f'"{text}" is not KEY=VALUE; write for example --set relief.edge=walled'
        raise click.BadParameter(message, param_hint="--set")
    try:
        return name.strip(), tomllib.loads(f"value = {value}")["value"]
    except tomllib.TOMLDecodeError:
        return name.strip(), value.strip()


def _shop_command() -> click.Command:
    return Command(
        "shop",
        callback=_shop,
        params=[
            click.Option(
                ["--shop"], type=click.Path(path_type=Path), metavar="FILE", help="Your own shop file."
            ),
            click.Option(
                ["--write"],
                type=click.Path(path_type=Path),
                metavar="FILE",
                help="Write it to a file to edit.",
            ),
        ],
        short_help=SUMMARIES["shop"],
        help="Show the cutters, materials and machines in force, with the source of each value.",
        epilog="Example: relief shop --write my-shop.toml",
    )


def _shop(shop: Path | None, write: Path | None) -> None:
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


def _new_command() -> click.Command:
    return Command(
        "new",
        callback=_new,
        params=[
            click.Argument(["picture"], type=click.Path(path_type=Path)),
            click.Option(
                ["-o", "--out"], type=click.Path(path_type=Path), metavar="FILE",
                help="The job file to write. [default: <name>.toml]",
            ),
            click.Option(
                ["--like"], type=click.Path(path_type=Path), metavar="FOLDER",
                help="Take over the values of an earlier job folder or job file.",
            ),
        ],
        short_help=SUMMARIES["new"],
        help="Write a job file for PICTURE: every key with its default, its unit and its meaning.",
        epilog="Example: relief new sign.png -o sign.toml",
    )  # fmt: skip


def _new(picture: Path, out: Path | None, like: Path | None) -> None:
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


def _check_command() -> click.Command:
    return Command(
        "check",
        callback=_check,
        params=[
            click.Argument(["programs"], type=click.Path(path_type=Path), nargs=-1, required=True),
            click.Option(
                ["--job"], type=click.Path(path_type=Path), metavar="FOLDER",
                help="The job folder, or the job file, that the programs are for.",
            ),
            click.Option(["--thickness"], metavar="LENGTH", help="With no --job: how thick the stock is."),
            click.Option(
                ["--cutter"], metavar="NAME",
                help="What turns where neither job nor file name tells it: its name, number or description.",
            ),
            click.Option(["--machine"], metavar="NAME", help="The machine. [default: the job's]"),
            click.Option(
                ["--shop"], type=click.Path(path_type=Path), metavar="FILE",
                help="With no --job: your own shop file.",
            ),
            click.Option(["--quiet"], is_flag=True, help="Say only what went wrong."),
        ],
        short_help=SUMMARIES["check"],
        help=(
            "Read PROGRAMS again, ours or edited by hand, carve them in the computer, print every check.\n\n"
            "Give them in running order: the stock goes from one to the next. With no --job, only stock,"
            " cutter and machine are known: Z0 is the stock top, and no picture is held against the surface."
        ),
        epilog='Example: relief check "sign job/1-roughing.nc" "sign job/2-finishing.nc" --job "sign job"',
    )  # fmt: skip


def _check(
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
        from relief.progress import Silent
        from relief.recheck import recheck, recheck_without_job
        from relief.terminal import watching
        from relief.units import parse_length

        with contextlib.nullcontext(Silent()) if quiet else watching() as progress:
            if job is not None:
                verdict = recheck(programs, job, cutter=cutter, machine=machine, progress=progress)
            else:
                thick = parse_length(_number_or_text(thickness or ""))
                verdict = recheck_without_job(programs, thick, cutter, machine, shop=shop, progress=progress)
    lines = verdict.lines()
    if quiet:
        lines = tuple(line for line in lines if line.startswith("STOP"))
    for line in lines:
        say(line, err=line.startswith("STOP"))
    if not verdict.ready:
        sys.exit(SHORT)


def _resume_command() -> click.Command:
    return Command(
        "resume",
        callback=_resume,
        params=[
            click.Argument(["program"], type=click.Path(path_type=Path)),
            click.Option(
                ["--at", "line"], type=int, metavar="LINE",
                help="The line that was being run, counted from 1 as an editor counts.",
            ),
            click.Option(
                ["--at-position", "position"], nargs=3, metavar="X Y Z",
                help="Instead: where the cutter stopped, seen from zero; a bare number is millimetres.",
            ),
            click.Option(
                ["-o", "--out"], type=click.Path(path_type=Path), metavar="FILE",
                help="The program to write. [default: <name> resumed.nc]",
            ),
            click.Option(
                ["--job"], type=click.Path(path_type=Path), metavar="FOLDER",
                help="The job folder that PROGRAM belongs to. [default: where PROGRAM lies]",
            ),
            click.Option(["--quiet"], is_flag=True, help="Say only what went wrong."),
        ],
        short_help=SUMMARIES["resume"],
        help=(
            "Write a program that takes up PROGRAM where a broken cutter or a power cut ended it.\n\n"
            "It starts the spindle, goes down through what was cut already, cuts the last centimetre again"
            " and goes on. Controllers read ahead of the cutter: name the line that was being cut, or an"
            " earlier one, or better the position where it stopped."
        ),
        epilog='Example: relief resume "sign job/2-finishing.nc" --at 5120 -o rest.nc',
    )  # fmt: skip


def _resume(
    program: Path, line: int | None, position: tuple[str, str, str] | None, out: Path | None,
    job: Path | None, quiet: bool,
) -> None:  # fmt: skip
    if (line is None) == (position is None):
        message = "tell where it stopped: with --at LINE, or with --at-position X Y Z"
        raise click.UsageError(message)
    with told_in_one_line() as result:
        from relief.jobfolder import check_file, write_file
        from relief.progress import Silent
        from relief.resume import resume
        from relief.terminal import watching
        from relief.units import parse_length

        path = out or Path(f"{program.stem} resumed.nc")
        check_file(path)
        result.goes_to(path)
        place = None
        if position:
            x, y, z = (parse_length(_number_or_text(text)) for text in position)
            place = (x, y, z)
        with contextlib.nullcontext(Silent()) if quiet else watching() as progress:
            made = resume(
                program, job or program.parent, path.name, line=line, position=place, progress=progress
            )
        if made.stops:
            faults = "; ".join(f"{check.name}: {check.message}" for check in made.stops)
            leave(f"no program was written: {faults}", SHORT)
        write_file(path, made.text)
        if not quiet:
            say("\n".join((f"Wrote {path}.", *made.lines())))


def _number_or_text(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text


COMMANDS: dict[str, Callable[[], click.Command]] = {
    "carve": _carve_command,
    "check": _check_command,
    "compare": _compare_command,
    "looks": _looks_command,
    "new": _new_command,
    "resume": _resume_command,
    "shop": _shop_command,
}


def _stop(_signal: int, _frame: object) -> None:
    raise KeyboardInterrupt


def main() -> None:
    """Run the command line; being asked to end is taken as Ctrl-C is, so that nothing is left half-made."""
    signal.signal(signal.SIGTERM, _stop)
    relief(prog_name="relief")
