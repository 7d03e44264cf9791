"""Reference pages of the job file and the shop file, written from the fields of the records themselves."""

from __future__ import annotations

import json
import types
import typing
from collections.abc import Iterator, Mapping
from typing import Any

from relief.job import Job
from relief.shop.records import Cutter, Machine, Material
from relief.tables import choices_of, is_record, keys_of

JOB_HEAD = """# Every key of a job file

A job file is plain text in TOML. `relief new PICTURE` writes one with every key in it, and every job
folder holds the complete one as `job.toml`. On the command line any key is set with `--set`, for
example `--set relief.edge=walled`.

A length is a number of millimetres, or text with a unit: `12`, `"3 mm"`, `"1/8 in"`; a feed is a number
of mm/min, or text: `1500`, `"60 in/min"`. A key that is left out has its default; where the default is a
dash, the meaning says what happens then. An unknown key is refused, and the nearest known one named.
"""
SHOP_HEAD = """# Every key of a shop file

A shop file tells of the cutters in your rack, the stock that you buy and your machine. `relief shop`
shows what is in force, `relief shop --write my-shop.toml` writes it to a file to edit, and
`--shop my-shop.toml` uses it. `my-shop.toml` beside this page is a short one to copy.

What your file tells is laid over the starter shop by name: a record with a known name replaces the keys
that it gives, one with a new name is added. `starter = false` on top leaves the starter shop out. A
length is a number of millimetres, or text with a unit: `12`, `"3 mm"`, `"1/8 in"`.
"""
FOOT = "This page is written from the code by `shared/make_reference.py`; a test keeps it in step.\n"
TABLE = ("| key | default | values | meaning |", "|---|---|---|---|")
SIGNS = {"gt": "above", "ge": "at least", "lt": "below", "le": "at most"}


def job_page() -> str:
    """Return the page of a job file's keys, as Markdown."""
    return "\n".join([JOB_HEAD, *_sections(Job, ""), FOOT])


def shop_page() -> str:
    """Return the page of a shop file's keys, as Markdown."""
    lines = [SHOP_HEAD]
    for record, name in ((Cutter, "cutter"), (Material, "material"), (Machine, "machine")):
        lines += _sections(record, f"[[{name}]]")
    return "\n".join([*lines, FOOT])


def _sections(record: type[Any], heading: str) -> Iterator[str]:
    """Yield the lines of a record's table, then those of the records inside it."""
    hints = typing.get_type_hints(record, include_extras=True)
    if heading:
        yield f"## `{heading}`\n"
        yield (record.__doc__ or "").partition("\n")[0] + "\n"
    else:
        yield "## On top, before any section\n"
    yield from TABLE
    for name in record.__pydantic_fields__:
        inner = _record_in(hints[name])
        if inner is None or not is_record(_bare(hints[name])):
            yield _row(record, name, hints[name], heading)
    yield ""
    for name in record.__pydantic_fields__:
        inner = _record_in(hints[name])
        if inner is not None:
            single = is_record(_bare(hints[name]))
            yield from _sections(inner, _inner_heading(heading, name, single))


def _inner_heading(heading: str, name: str, single: bool) -> str:
    outer = heading.strip("[]")
    path = f"{outer}.{name}" if outer else name
    return f"[{path}]" if single else f"[[{path}]]"


def _row(record: type[Any], name: str, hint: Any, heading: str) -> str:
    info = record.__pydantic_fields__[name]
    key = next(key for key in keys_of(record) if key.name == name)
    inner = _record_in(hint)
    default = "must be given" if key.default is ... else _shown(key.default)
    if inner is not None:
        values = f"tables `{_inner_heading(heading, name, single=False)}`, see there"
    else:
        values = ", ".join(_values(hint, info.metadata, key.unit))
    meaning = key.meaning
    if meaning.partition(":")[0] not in key.choices:
        meaning = meaning[:1].upper() + meaning[1:]
    return f"| `{name}` | {default} | {values} | {_cell(meaning)} |"


def _shown(value: Any) -> str:
    """Return a default as a job file writes it."""
    if value is None or value == ():
        return "–"
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{name} = {_shown(item)}" for name, item in value.items()) + "}"
    text = json.dumps(list(value) if isinstance(value, tuple) else value, ensure_ascii=False)
    return f"`{_cell(text)}`"


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def _values(hint: Any, metadata: Any, unit: str) -> Iterator[str]:
    """Yield what a key may hold: its words or its kind, its unit and its limits."""
    words, kind = choices_of(_bare(hint)), _kind(hint)
    if unit == "mm":
        kind = kind.replace("a number", "a length").replace("of numbers", "of lengths")
    elif unit == "mm/min":
        kind = kind.replace("a number", "a feed, mm/min")
    elif unit:
        kind = f"{kind}, {unit}"
    yield " or ".join([*(f'`"{word}"`' for word in words), *([kind] if kind else [])])
    for limit in metadata:
        for name, sign in SIGNS.items():
            bound = getattr(limit, name, None)
            if bound is not None:
                yield f"{sign} {bound:g}"


def _kind(hint: Any) -> str:
    """Return what kind of value a type takes, beside a choice of words."""
    if typing.get_origin(hint) is typing.Annotated:
        return _kind(typing.get_args(hint)[0])
    if typing.get_origin(hint) in (typing.Union, types.UnionType):
        kinds = dict.fromkeys(_kind(part) for part in typing.get_args(hint) if part is not type(None))
        return " or ".join(kind for kind in kinds if kind)
    if typing.get_origin(hint) is tuple:
        parts = typing.get_args(hint)
        inner = _kind(parts[0])
        return (
            f"a list of {inner.removeprefix('a ')}s" if parts[-1] is ... else f"{len(parts)} values: {inner}"
        )
    names = {bool: "`true` or `false`", int: "a whole number", float: "a number", str: "text"}
    return names.get(hint, "")


def _bare(hint: Any) -> Any:
    """Return a type without what is annotated to it."""
    while typing.get_origin(hint) is typing.Annotated:
        hint = typing.get_args(hint)[0]
    return hint


def _record_in(hint: Any) -> type[Any] | None:
    """Return the record that a type is, or is a list of; None where there is none."""
    hint = _bare(hint)
    if is_record(hint):
        return typing.cast(type[Any], hint)
    for part in typing.get_args(hint):
        found = _record_in(part)
        if found is not None:
            return found
    return None
