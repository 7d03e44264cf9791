"""Options that several commands share, and what they mean as job keys."""

from __future__ import annotations

import contextlib
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from relief.progress import Progress

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


def path_option(names: list[str], metavar: str, text: str) -> click.Option:
    """Return an option that names a file or a folder."""
    return click.Option(names, type=click.Path(path_type=Path), metavar=metavar, help=text)


def path_argument(name: str, **more: Any) -> click.Argument:
    """Return an argument that names a file or a folder."""
    return click.Argument([name], type=click.Path(path_type=Path), **more)


def quiet_option(text: str = "Say only what went wrong.") -> click.Option:
    """Return the option that keeps progress to itself."""
    return click.Option(["--quiet"], is_flag=True, help=text)


def watched(quiet: bool) -> contextlib.AbstractContextManager[Progress]:
    """Return where progress is told for the time of a call: on the terminal, or nowhere."""
    from relief.progress import Silent
    from relief.terminal import watching

    return contextlib.nullcontext(Silent()) if quiet else watching()


def key_options() -> list[click.Parameter]:
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
        only = None if option == FINISH else _once
        short.append(click.Option([option], metavar=metavar, help=text, multiple=True, callback=only))
    other = click.Option(
        ["--set", "settings"], multiple=True, metavar="KEY=VALUE",
        help="Any other job key, e.g. --set relief.edge=walled; may be given more than once.",
    )  # fmt: skip
    return [*short, other]


def _once(_: click.Context, option: click.Parameter, values: tuple[str, ...]) -> str | None:
    """Return what an option was given; refuse a second one, which would win in silence."""
    if len(values) > 1:
        message = f"{option.opts[0]} is given {len(values)} times, and one is meant: leave the others out"
        raise click.UsageError(message)
    return values[0] if values else None


def asked_keys(settings: tuple[str, ...], short: dict[str, Any]) -> dict[str, Any]:
    """Return the job keys that the options of a command set."""
    cutters = short.pop("finish")
    named = {SHORT_NAMES[f"--{name}"]: value for name, value in short.items() if value is not None}
    if cutters:
        key, value = (
            ("finishing.passes", list(cutters)) if len(cutters) > 1 else (SHORT_NAMES[FINISH], cutters[0])
        )
        named[key] = value
    return named | dict(_setting(text) for text in settings)


def asked_words(source: Path, settings: tuple[str, ...], short: dict[str, Any]) -> list[str]:
    """Return the words that ask for a source with the same keys again, but for its cutters."""
    words = [str(source)]
    for name, value in short.items():
        if value is not None and name not in ("rough", "finish"):
            words += [f"--{name}", str(value)]
    for text in settings:
        if _setting(text)[0] not in (SHORT_NAMES["--rough"], SHORT_NAMES[FINISH], PASSES):
            words += ["--set", text]
    return words


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


def number_or_text(text: str) -> float | str:
    """Return a bare number as such, and all else as it is written."""
    try:
        return float(text)
    except ValueError:
        return text
