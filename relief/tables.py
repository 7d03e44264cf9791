"""Strict TOML tables turned into records; used by the job and by the shop.

A record is a frozen dataclass whose fields say name, unit, limits and meaning once; reading, refusing,
command-line options and reference pages all come from there.
"""

from __future__ import annotations

import difflib
import re
import tomllib
import types
import typing
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, TypeVar, dataclass_transform

import pydantic
from pydantic import BeforeValidator, ConfigDict, Field, ValidationError

from relief.errors import LengthError, TableError, brief
from relief.files import whole_file
from relief.units import parse_feed, parse_length

T = TypeVar("T")

# What pydantic calls a key that no field answers to.
UNKNOWN_KEY = ("unexpected_keyword_argument", "extra_forbidden")
# A job or shop file is a page of text; anything larger is some other file.
LARGEST_FILE = 4 * 1024 * 1024
# Tables inside tables; ours are three deep.
DEEPEST = 30
_DOTTED = re.compile(
    rf"""(?:\.[ \t]*[\w"'-]+[ \t]*){{{DEEPEST}}}"""
)  # takes a parser the square of its length
_TOO_DEEP = f"tables inside tables, more than {DEEPEST} deep, which no job or shop needs"


def key(meaning: str, unit: str = "", **limits: Any) -> Any:
    """Describe a key of a table: its meaning, its unit and its limits (as pydantic names them)."""
    return Field(description=meaning, json_schema_extra={"unit": unit}, **limits)


def _read_by(read: Callable[[Any], float]) -> BeforeValidator:
    """Return what reads a value with its unit, and refuses it in pydantic's way."""

    def checked(value: Any) -> float:
        try:
            return read(value)
        except LengthError as error:
            raise ValueError(str(error)) from None

    return BeforeValidator(checked)


Length = Annotated[float, _read_by(parse_length)]
Feed = Annotated[float, _read_by(parse_feed)]
Number = Annotated[float, Field(strict=True)]
Count = Annotated[int, Field(strict=True)]
Flag = Annotated[bool, Field(strict=True)]
Text = Annotated[str, Field(strict=True)]


@dataclass_transform(frozen_default=True)
def record(cls: type[T]) -> type[T]:
    """Make a class a record: frozen, checked when made, no unknown keys.

    A record that breaks its rules raises `TableError` with one line, from Python and from TOML alike.
    """
    made = pydantic.dataclasses.dataclass(
        frozen=True, config=ConfigDict(extra="forbid", allow_inf_nan=False, arbitrary_types_allowed=False)
    )(cls)
    checked = made.__init__

    def __init__(self: Any, *args: Any, **kwargs: Any) -> None:
        try:
            checked(self, *args, **kwargs)
        except ValidationError as error:
            raise TableError(explain(error, made)) from None

    made.__init__ = __init__  # type: ignore[method-assign]
    return made  # type: ignore[return-value]


@dataclass(frozen=True)
class Key:
    """One key of a record, as its documentation shows it.

    Parameters
    ----------
    name : dotted name, e.g. "finishing.scallop"
    unit, meaning : text
    default : the value when the key is left out; `...` when it must be given
    choices : the words it may hold, if it is a choice
    """

    name: str
    unit: str
    meaning: str
    default: Any
    choices: tuple[str, ...]


def keys_of(cls: type[Any], prefix: str = "") -> Iterator[Key]:
    """Yield every key of a record and of the records inside it, in the order they are written."""
    hints = typing.get_type_hints(cls)
    for name, info in cls.__pydantic_fields__.items():
        if is_record(hints[name]):
            yield from keys_of(hints[name], f"{prefix}{name}.")
            continue
        extra = info.json_schema_extra or {}
        unit = str(extra.get("unit", "")) if isinstance(extra, dict) else ""
        default = ... if info.is_required() else info.get_default(call_default_factory=True)
        yield Key(f"{prefix}{name}", unit, info.description or "", default, choices_of(hints[name]))


def is_record(hint: Any) -> bool:
    """Return whether a type is one of our records."""
    return hasattr(hint, "__pydantic_fields__")


def choices_of(hint: Any) -> tuple[str, ...]:
    """Return the words that a field of this type may hold, when it is a choice of words."""
    if typing.get_origin(hint) is typing.Literal:
        return tuple(str(word) for word in typing.get_args(hint))
    if typing.get_origin(hint) in (typing.Union, types.UnionType):
        return tuple(word for part in typing.get_args(hint) for word in choices_of(part))
    return ()


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file.

    Raises
    ------
    TableError
        No such file, not readable, too large, not UTF-8 or not TOML.
    """
    try:
        text = whole_file(path, LARGEST_FILE).decode("utf-8")
        if _DOTTED.search(text):
            raise RecursionError(_TOO_DEEP)
        table = tomllib.loads(text)
    except OSError as error:
        message = f"{path}: {(error.strerror or str(error)).lower()}; give the path of a TOML file"
        raise TableError(message) from None
    except UnicodeDecodeError:
        message = f"{path}: not UTF-8 text; save it as a plain TOML text file"
        raise TableError(message) from None
    except (ValueError, RecursionError) as error:  # a number of more digits than Python reads, too
        message = (
            f"{path}: not valid TOML: {one_line(str(error))}; mend it there (a number has a"
            ' point, 6.5; a text, or a length with its unit, stands in quotes, "5 mm")'
        )
        raise TableError(message) from None
    if _deeper(table, DEEPEST):
        message = f"{path}: not valid TOML: {_TOO_DEEP}; mend it there"
        raise TableError(message)
    return table


def _deeper(table: Mapping[str, Any], most: int) -> bool:
    """Return whether tables and lists stand more than `most` deep inside each other."""
    level: list[Any] = [table]
    for _ in range(most):
        level = [
            inner
            for outer in level
            for inner in (outer.values() if isinstance(outer, Mapping) else outer)
            if isinstance(inner, (Mapping, list))
        ]
    return bool(level)


def read_record(cls: Callable[..., T], table: Mapping[str, Any], where: str) -> T:
    """Make a record from a table.

    Parameters
    ----------
    cls : the record
    table : its keys and values
    where : named first in every complaint, e.g. "my-shop.toml [[cutter]] 3"

    Raises
    ------
    TableError
        An unknown key (the nearest known one is named), a missing one or a value that breaks its rule.
    """
    try:
        return cls(**table)
    except TableError as error:
        message = f"{where}: {error}"
        raise TableError(message) from None


def nearest(word: str, known: Iterator[str] | list[str] | tuple[str, ...]) -> str:
    """Return '; did you mean "…"?' with the nearest known word, or a list of all when none is near."""
    words = list(known)
    close = difflib.get_close_matches(word.lower(), [w.lower() for w in words], n=1, cutoff=0.5)
    if close:
        match = next(w for w in words if w.lower() == close[0])
        return f'did you mean "{match}"?'
    return f"known: {', '.join(words)}"


def explain(error: ValidationError, cls: type[Any]) -> str:
    """Return the first thing wrong with a record, in one line."""
    # a misspelt key also leaves the right one missing: tell the misspelling
    faults = sorted(error.errors(include_url=False), key=lambda fault: fault["type"] not in UNKNOWN_KEY)
    first = faults[0]
    path = _path_of(first["loc"], cls)
    name = dotted(path)
    kind = first["type"]
    if kind in UNKNOWN_KEY:
        inner = _record_at(cls, path[:-1])
        known = list(inner.__pydantic_fields__) if inner is not None else []
        return f'unknown key "{brief(name)}"; {nearest(str(path[-1]) if path else "", known)}'
    if kind in ("missing", "missing_argument"):
        return f'key "{name}" is missing'
    same_key = [fault["msg"] for fault in faults if _path_of(fault["loc"], cls) == path]
    said = " or ".join(_said(message) for message in same_key)
    if not name:
        return said
    return f"{name} = {_shown(first['input'])}: {said}"


def _said(message: str) -> str:
    text = one_line(message.removeprefix("Value error, ").removeprefix("Input "))
    text = text.replace("a valid tuple", "a list in [brackets]")
    return text[:1].lower() + text[1:]


def _path_of(loc: tuple[int | str, ...], cls: type[Any]) -> list[int | str]:
    """Return where in the table a fault lies; an argument given by position is called by its field."""
    path = [part for part in loc if not _is_type_word(part)]
    if path and isinstance(path[0], int):
        path[0] = list(cls.__pydantic_fields__)[path[0]]
    return path


def dotted(path: list[Any] | list[str | int]) -> str:
    """Return a path into a table as people write it: stock.width, chip_load[2].low."""
    name = ""
    for part in path:
        name += f"[{part}]" if isinstance(part, int) else (f".{part}" if name else str(part))
    return name


def one_line(text: str) -> str:
    """Return the text with every run of white space made one blank."""
    return " ".join(text.split())


def _is_type_word(part: Any) -> bool:
    """Return whether a part of an error's path names a branch of a union and not a key."""
    return isinstance(part, str) and (
        part.startswith(("literal[", "function-", "tuple[", "constrained", "lax-or-strict", "chain["))
        or part in ("float", "int", "str", "bool", "none")
    )


def _record_at(cls: type[Any], path: list[Any]) -> type[Any] | None:
    """Return the record that holds the key at the end of `path`."""
    here: Any = cls
    for part in path:
        if isinstance(part, int):
            continue
        hint = typing.get_type_hints(here).get(str(part))
        here = next((t for t in (hint, *_all_args(hint)) if is_record(t)), None)
        if here is None:
            return None
    return here  # type: ignore[no-any-return]


def _all_args(hint: Any) -> Iterator[Any]:
    for part in typing.get_args(hint):
        yield part
        yield from _all_args(part)


def _shown(value: Any) -> str:
    text = repr(value) if not isinstance(value, str) else f'"{value}"'
    return brief(text)
