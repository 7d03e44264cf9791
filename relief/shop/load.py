"""The shop in force: the starter shop, overridden and extended by name from the user's file."""

from __future__ import annotations

import json
import math
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, replace
from importlib import resources
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar

from relief.errors import LengthError, ShopError, TableError, brief
from relief.shop.records import Cutter, Machine, Material
from relief.tables import keys_of, nearest, read_record, read_toml
from relief.units import format_length, parse_length

R = TypeVar("R", Cutter, Material, Machine)

STARTER = "starter shop"
NO_SOURCE = "common practice, no source"

# Words by which a kind of cutter is asked for; the other words of trade names say nothing more.
_KINDS = {
    "flat": "flat", "ball": "ball", "bull": "bull", "vee": "vee", "v": "vee",
    "taper": "taper", "tapered": "taper", "drag": "drag",
}  # fmt: skip
_FILLERS = {"nose", "end", "mill", "cutter", "point", "tip"}
# Two sizes closer than this, in mm or degrees, are the same cutter: 1/8 in is often sold as 3.18 mm.
_SAME = 0.01


@dataclass(frozen=True)
class Shop:
    """Everything that stands in the shop, by name, in the order it was written.

    Parameters
    ----------
    cutters, materials, machines : read-only mappings from name to record
    """

    cutters: Mapping[str, Cutter]
    materials: Mapping[str, Material]
    machines: Mapping[str, Machine]

    def __post_init__(self) -> None:
        for field in fields(self):
            object.__setattr__(self, field.name, MappingProxyType(dict(getattr(self, field.name))))

    @classmethod
    def read(cls, path: Path | str | None = None) -> Shop:
        """Read the shop in force.

        Parameters
        ----------
        path : the user's shop file, or None for the starter shop alone
            Its tables override those of the starter shop that have the same name, key by key, and add the
            others. `starter = false` on its first lines leaves the starter shop out.

        Raises
        ------
        ShopError
            A fault in the file; the message names the file, the table and the key.
        """
        starter = tomllib.loads(resources.files("relief.shop").joinpath("starter.toml").read_text("utf-8"))
        if path is None:
            return _shop(starter, STARTER, {})
        return _shop(_toml(Path(path)), Path(path).name, starter)

    def cutter(self, wanted: str | int) -> Cutter:
        """Return the cutter of this name, number or description.

        Parameters
        ----------
        wanted : "flat 1/4 in", 2, "2", "1/8 in ball", "ball 3.175 mm", "vee 60"
            A taper is described by the diameter of its tip, a vee by its diameter or its angle.

        Raises
        ------
        ShopError
            No such cutter (the nearest is named), or more than one.
        """
        text = " ".join(str(wanted).split())
        for found in (
            [c for name, c in self.cutters.items() if name.lower() == text.lower()],
            [c for c in self.cutters.values() if c.number and text == str(c.number)],
            [c for c in self.cutters.values() if _is_described(c, text)],
        ):
            if len(found) == 1:
                return found[0]
            if found:
                names = ", ".join(f'"{c.name}"' for c in found)
                message = f'cutter "{text}" may be any of {names}; give one of these names'
                raise ShopError(message)
        message = f'no cutter "{text}" in the shop; {_nearest_cutter(text, self.cutters)}'
        raise ShopError(message)

    def material(self, name: str) -> Material:
        """Return the material of this name.

        Raises
        ------
        ShopError
            No such material; the nearest is named.
        """
        return _named("material", name, self.materials)

    def machine(self, name: str) -> Machine:
        """Return the machine of this name.

        Raises
        ------
        ShopError
            No such machine; the nearest is named.
        """
        return _named("machine", name, self.machines)

    def text(self) -> str:
        """Return the shop as TOML to edit: every key with its unit, meaning and source.

        Read back, it gives the same shop.
        """
        return "\n".join(_text_lines(self)) + "\n"


def _toml(path: Path) -> dict[str, Any]:
    try:
        return read_toml(path)
    except TableError as error:
        raise ShopError(str(error)) from None


def _shop(tables: dict[str, Any], where: str, starter: dict[str, Any]) -> Shop:
    known = ("starter", "cutter", "material", "machine")
    for key in tables:
        if key not in known:
            message = f'{where}: unknown key "{brief(key)}"; {nearest(key, known)}'
            raise ShopError(message)
    wants_starter = tables.get("starter", True)
    if not isinstance(wants_starter, bool):
        message = f"{where}: starter = {wants_starter!r}: write true or false"
        raise ShopError(message)
    base = starter if wants_starter else {}
    cutters = _merged(Cutter, "cutter", tables, where, base)
    _check_numbers(cutters, tables, where)
    return Shop(
        cutters=_without_taken_numbers(cutters, _own_names(tables)),
        materials=_merged(Material, "material", tables, where, base),
        machines=_merged(Machine, "machine", tables, where, base),
    )


def _merged(
    cls: type[R], kind: str, tables: dict[str, Any], where: str, starter: dict[str, Any]
) -> dict[str, R]:
    """Return the starter's records of a kind with those of the user's file laid over them, by name."""
    raw = {str(table["name"]): table for table in starter.get(kind, [])}
    records = {name: _record(cls, table, STARTER) for name, table in raw.items()}
    own: set[str] = set()
    for count, table in enumerate(_list_of_tables(tables, kind, where), start=1):
        name = table.get("name")
        place = f"{where} [[{kind}]] {count}" + (f' "{name}"' if isinstance(name, str) else "")
        made = _record(cls, _laid_over(raw.get(name) if isinstance(name, str) else None, table), place)
        if made.name in own:
            message = f'{place}: a second {kind} named "{made.name}"; give it another name'
            raise ShopError(message)
        own.add(made.name)
        records[made.name] = made
    return records


def _list_of_tables(tables: dict[str, Any], kind: str, where: str) -> list[dict[str, Any]]:
    found = tables.get(kind, [])
    if not isinstance(found, list) or not all(isinstance(table, dict) for table in found):
        message = f"{where}: {kind} must be a list of tables; begin each with a line [[{kind}]]"
        raise ShopError(message)
    return found


def _laid_over(base: dict[str, Any] | None, table: dict[str, Any]) -> dict[str, Any]:
    """Return `table` with the keys it leaves out taken from `base`, unless it is another kind of cutter."""
    if base is None or table.get("kind", base.get("kind")) != base.get("kind"):
        return table
    return {**base, **table}


def _record(cls: type[R], table: dict[str, Any], where: str) -> R:
    try:
        return read_record(cls, table, where)
    except TableError as error:
        raise ShopError(str(error)) from None


def _own_names(tables: dict[str, Any]) -> set[str]:
    """Return the names of the cutters that the user's own file numbers."""
    return {str(t["name"]) for t in tables.get("cutter", []) if "name" in t and "number" in t}


def _check_numbers(cutters: dict[str, Cutter], tables: dict[str, Any], where: str) -> None:
    seen: dict[int, str] = {}
    for name in sorted(_own_names(tables)):
        number = cutters[name].number
        if number and number in seen:
            message = f'{where}: cutters "{seen[number]}" and "{name}" both have number {number}; change one'
            raise ShopError(message)
        seen[number] = name


def _without_taken_numbers(cutters: dict[str, Cutter], own: set[str]) -> dict[str, Cutter]:
    """Take the number from a starter cutter when the user's file gives it to another."""
    taken = {cutters[name].number for name in own}
    return {
        name: replace(cutter, number=0) if name not in own and cutter.number in taken else cutter
        for name, cutter in cutters.items()
    }


def _named(kind: str, name: str, records: Mapping[str, R]) -> R:
    text = " ".join(name.split()).lower()
    for known, record in records.items():
        if known.lower() == text:
            return record
    message = f'no {kind} "{brief(name)}" in the shop; {nearest(name, tuple(records))}'
    raise ShopError(message)


def _kind_and_size(text: str) -> tuple[str, str] | None:
    """Return the kind of cutter and the rest of a description such as "1/8 in ball nose"."""
    words = re.sub(r"(?<=\w)-(?=\w)", " ", text.lower()).split()  # ball-nose, 1/4-in
    kinds = {_KINDS[word] for word in words if word in _KINDS}
    kinds -= {"ball"} if "taper" in kinds else set()
    if len(kinds) != 1:
        return None
    return kinds.pop(), " ".join(word for word in words if word not in _KINDS and word not in _FILLERS)


def _is_described(cutter: Cutter, text: str) -> bool:
    asked = _kind_and_size(text)
    if asked is None or asked[0] != cutter.kind:
        return False
    if not asked[1]:
        return True
    angle = re.fullmatch(r"(\d+(?:\.\d+)?) ?(°|deg|degrees?)?", asked[1])
    if cutter.kind in ("vee", "drag") and angle and (angle[2] or float(angle[1]) == cutter.angle):
        return math.isclose(float(angle[1]), cutter.angle, abs_tol=_SAME)
    try:
        size = parse_length(asked[1])
    except LengthError:
        return False
    return abs(size - _size(cutter)) <= _SAME


def _size(cutter: Cutter) -> float:
    """Return the diameter, mm, by which people call a cutter: a taper's is that of its tip."""
    return 2 * cutter.tip_radius if cutter.kind == "taper" else cutter.diameter


def _nearest_cutter(text: str, cutters: Mapping[str, Cutter]) -> str:
    """Name the cutter of the asked kind that is nearest in size, or the nearest name."""
    asked = _kind_and_size(text)
    same_kind = [c for c in cutters.values() if asked and c.kind == asked[0]]
    try:
        size = parse_length(asked[1]) if asked else 0.0
    except LengthError:
        same_kind = []
        size = 0.0
    if not same_kind:
        return nearest(text, tuple(cutters))
    best = min(same_kind, key=lambda c: abs(_size(c) - size))
    return f'the nearest is "{best.name}" ({format_length(_size(best))})'


def _text_lines(shop: Shop) -> Iterator[str]:
    yield '# The shop in force. Lengths are millimetres, or text with a unit ("1/8 in").'
    yield "# Beside each value: its unit, its meaning and where the value comes from."
    yield ""
    yield "starter = false  # this file is the whole shop; true adds the starter shop to it"
    for kind, records in (
        ("cutter", shop.cutters.values()),
        ("material", shop.materials.values()),
        ("machine", shop.machines.values()),
    ):
        for record in records:
            yield ""
            yield f"[[{kind}]]"
            yield from _record_lines(record)


def _record_lines(record: Cutter | Material | Machine) -> Iterator[str]:
    sources = value_sources(record) if isinstance(record, Material) else {}
    for key in keys_of(type(record)):
        value = _toml_value(getattr(record, key.name))
        about = f"{key.unit}; {key.meaning}" if key.unit else key.meaning
        if key.name not in ("name", "number", "source", "kind", "cautions"):
            about += f"; {sources.get(key.name, NO_SOURCE)}"
        if "\n" in value:
            yield f"# {about}"
            yield f"{key.name} = {value}"
        else:
            yield f"{key.name} = {value}  # {about}"


def value_sources(material: Material) -> dict[str, str]:
    """Return where the values of a material come from, by key.

    `source` reads "key, key: where from; key: where from"; text that names no key speaks for all values.
    """
    names = {key.name for key in keys_of(Material)}
    sources: dict[str, str] = {}
    for part in " ".join(material.source.split()).split("; "):
        keys, colon, where = part.partition(": ")
        told = [key.strip() for key in keys.split(",")]
        if not colon or not names.issuperset(told):
            return dict.fromkeys(names, " ".join(material.source.split()) or NO_SOURCE)
        sources.update(dict.fromkeys(told, where))
    return sources


def _toml_value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        # JSON's escapes are TOML's, but for the delete character
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, tuple) and value and isinstance(value[0], (int, float)):
        return "[" + ", ".join(_toml_value(part) for part in value) + "]"
    if isinstance(value, tuple):
        return "[\n" + "".join(f"    {_toml_value(part)},\n" for part in value) + "]" if value else "[]"
    if isinstance(value, (int, float)):
        return repr(int(value)) if float(value).is_integer() and abs(value) < 1e15 else repr(value)
    return "{ " + ", ".join(f"{f.name} = {_toml_value(getattr(value, f.name))}" for f in fields(value)) + " }"
