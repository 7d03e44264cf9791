"""The job: what to carve, from what, with what; how it is read from its file, from a table or a folder."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import Annotated, Any

import tomli_w

from relief.errors import JobError, TableError, brief
from relief.sections import (
    Clamp,
    Cutout,
    Finishing,
    Lettering,
    Outline,
    Output,
    Relief,
    Roughing,
    Shaping,
    Stock,
    Terrain,
    Zero,
)
from relief.tables import (
    Flag,
    Key,
    Text,
    key,
    keys_of,
    nearest,
    read_record,
    read_toml,
    record,
)
from relief.units import format_length


@record
class Job:
    """A whole job.

    Raises
    ------
    TableError
        A key that is unknown or out of its limits.
    """

    picture: Annotated[
        Text,
        key(
            "picture, height file or mesh (.stl, .obj, .ply, .off), as seen from the job file's folder",
            min_length=1,
        ),
    ]
    material: Annotated[Text, key("material of the stock, from the shop")] = "softwood"
    machine: Annotated[Text, key("machine, from the shop")] = "benchtop router"
    shop: Annotated[Text | None, key("your own shop file, as seen from the job file's folder")] = None
    lettering: Annotated[
        tuple[Lettering, ...],
        key("texts on the relief, each with text, height and, if need be, x, y, relief, depth, draft, font"),
    ] = ()
    clamps: Annotated[
        tuple[Clamp, ...],
        key(
            "what stands in the way, each with x, y (its near left corner, from the relief's), width, length,"
            " height above the stock top and, if you like, a name"
        ),
    ] = ()
    tiles: Annotated[
        Flag, key("divide what is longer than the machine's travel; pins locate the board as it is moved on")
    ] = False
    stock: Annotated[Stock, key("the board")] = Stock()
    relief: Annotated[Relief, key("the carved picture")] = Relief()
    shaping: Annotated[Shaping, key("how brightness becomes height")] = Shaping()
    terrain: Annotated[Terrain, key("ground heights in the file")] = Terrain()
    zero: Annotated[Zero, key("where the program's zero lies")] = Zero()
    roughing: Annotated[Roughing, key("clearing most of the waste")] = Roughing()
    finishing: Annotated[Finishing, key("cutting the surface itself")] = Finishing()
    cutout: Annotated[Cutout, key("cutting the part free")] = Cutout()
    outline: Annotated[Outline, key("scoring silhouette and level lines with a dragged point")] = Outline()
    output: Annotated[Output, key("programs, grid and mesh")] = Output()

    def told(self, length: float) -> str:
        """Return a length, mm, as the user reads it: in the unit of the job's programs."""
        return format_length(length, self.output.units)

    @classmethod
    def read(cls, path: Path | str) -> Job:
        """Read a job file; paths in it count from its own folder.

        Raises
        ------
        JobError
            The file cannot be read, or a key is wrong; one line names file, key and mend.
        """
        return job_from_source(Path(path), {})

    @classmethod
    def from_table(cls, table: Mapping[str, Any], where: str) -> Job:
        """Make a job from a table of keys.

        Raises
        ------
        JobError
            A key is unknown, missing or out of its limits.
        """
        try:
            return read_record(cls, _with_last_pass(table, where), where)
        except TableError as error:
            raise JobError(str(error)) from None

    def to_table(self) -> dict[str, Any]:
        """Return every key that has a value, as a table of TOML values."""
        return _without_none(asdict(self))

    def seen_from(self, folder: Path) -> Job:
        """Return the job with its paths as a file in `folder` has to name them."""
        shop = None if self.shop is None else _path_from(folder, self.shop)
        mask = None if self.shaping.mask is None else _path_from(folder, self.shaping.mask)
        shaping = replace(self.shaping, mask=mask)
        texts = tuple(
            text if text.font is None else replace(text, font=_path_from(folder, text.font))
            for text in self.lettering
        )
        picture = _path_from(folder, self.picture)
        return replace(self, picture=picture, shop=shop, shaping=shaping, lettering=texts)

    def to_toml(self) -> str:
        """Return the complete job as a job file."""
        return tomli_w.dumps(self.to_table())


def job_from_source(source: Path, settings: Mapping[str, Any]) -> Job:
    """Make the job that a source and the settings of a command line ask for.

    Parameters
    ----------
    source : a picture, a height file, a job file (.toml) or a finished job's folder
    settings : dotted job key → value; they win over the job file

    Raises
    ------
    JobError
        The job file cannot be read, or a key is wrong; one line names where, key and mend.
    """
    if source.is_dir():
        source = _job_of_folder(source)
    if source.suffix.lower() == ".toml":
        table, where = _rooted_table(source), str(source)
    else:
        table, where = {"picture": str(source)}, "command line"
    _make_way(table, settings)
    for name, value in settings.items():
        set_key(table, name, value, "command line")
    return Job.from_table(table, where)


def _job_of_folder(folder: Path) -> Path:
    """Return the job file of a job folder.

    Raises
    ------
    JobError
        There is none in it.
    """
    path = folder / "job.toml"
    if not path.is_file():
        message = f"{folder}: a folder without job.toml is no job folder; name a picture, or a job's folder"
        raise JobError(message)
    return path


def _make_way(table: dict[str, Any], settings: Mapping[str, Any]) -> None:
    """Drop one of finishing's cutter and passes from a table where the settings give the other alone."""
    finishing = table.get("finishing")
    for given, other in (("cutter", "passes"), ("passes", "cutter")):
        if f"finishing.{given}" in settings and isinstance(finishing, dict):
            finishing.pop(other, None)


def _with_last_pass(table: Mapping[str, Any], where: str) -> Mapping[str, Any]:
    """Return the table with the last of finishing's passes as its cutter, which decides what can be reached.

    Raises
    ------
    JobError
        The table gives another cutter beside the passes.
    """
    finishing = table.get("finishing")
    passes = finishing.get("passes") if isinstance(finishing, Mapping) else None
    if not isinstance(finishing, Mapping) or not isinstance(passes, list | tuple) or not passes:
        return table
    cutter = finishing.get("cutter", passes[-1])
    if cutter != passes[-1]:
        message = (
            f'{where}: finishing.cutter = "{cutter}" is not the last of finishing.passes, "{passes[-1]}";'
            " leave one of the two keys out"
        )
        raise JobError(message)
    return {**table, "finishing": {**finishing, "cutter": cutter}}


def _rooted_table(path: Path) -> dict[str, Any]:
    """Read a job file's table; its paths count from its own folder."""
    try:
        table = read_toml(path)
    except TableError as error:
        raise JobError(str(error)) from None
    for name in ("picture", "shop"):
        if isinstance(table.get(name), str):
            table[name] = str(path.parent / table[name])
    shaping = table.get("shaping")
    if isinstance(shaping, dict) and isinstance(shaping.get("mask"), str):
        shaping["mask"] = str(path.parent / shaping["mask"])
    texts = table.get("lettering")
    for text in texts if isinstance(texts, list) else []:
        if isinstance(text, dict) and isinstance(text.get("font"), str):
            text["font"] = str(path.parent / text["font"])
    return table


def job_keys() -> list[Key]:
    """Return every key of a job file, in order."""
    return list(keys_of(Job))


def set_key(table: dict[str, Any], name: str, value: Any, where: str) -> None:
    """Set a dotted key in a table of job keys, making its section where there is none.

    Raises
    ------
    JobError
        The name is no job key.
    """
    known = [k.name for k in job_keys()]
    if name not in known:
        message = f"{where}: {_unknown(name, known)}"
        raise JobError(message)
    section, _, last = name.rpartition(".")
    home = table
    for part in section.split(".") if section else []:
        home = home.setdefault(part, {})
        if not isinstance(home, dict):
            message = f'{where}: "{section}" is no table'
            raise JobError(message)
    home[last] = value


def _unknown(name: str, known: list[str]) -> str:
    """Return what is told of a name that is no key: the keys of a section, or where one of that name is."""
    inside = [key for key in known if key.startswith(f"{name}.")]
    if inside:
        return f'"{name}" is a section; name one of its keys: {", ".join(inside)}'
    same = [f'"{key}"' for key in known if key.endswith(f".{name}")]
    meant = f"did you mean {' or '.join(same)}?" if same else nearest(name, known)
    return f'unknown key "{brief(name)}"; {meant}'


def _without_none(table: Mapping[str, Any]) -> dict[str, Any]:
    return {name: _plain(value) for name, value in table.items() if value is not None}


def _plain(value: Any) -> Any:
    """Return a value as TOML can hold it: tables without empty keys, inside arrays too."""
    if isinstance(value, Mapping):
        return _without_none(value)
    return [_plain(item) for item in value] if isinstance(value, tuple | list) else value


def _path_from(folder: Path, path: str) -> str:
    try:
        return Path(os.path.relpath(path, folder)).as_posix()
    except ValueError:  # another drive: no relative path exists
        return Path(path).resolve().as_posix()
