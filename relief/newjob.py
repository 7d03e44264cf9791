"""A job file to edit: every key with its default, its unit and its meaning."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from itertools import groupby
from pathlib import Path
from typing import Any

from relief.errors import JobError
from relief.job import Job, job_keys
from relief.tables import Key

HEAD = (
    "# A job for relief. Carve it with:  relief carve FILE",
    "# A key that begins with # is left to its default; take the # away to set it.",
    '# Lengths take a unit ("1/8 in", "3 mm"); a bare number is millimetres; feeds: "60 in/min".',
)


def job_text(picture: str, like: Path | None = None) -> str:
    """Return a commented job file.

    Parameters
    ----------
    picture : as the job file is to name it
    like : an earlier job folder or job file whose values are taken over

    Raises
    ------
    JobError
        There is no job to take after.
    """
    taken = {} if like is None else _values(like)
    lines = [*HEAD, ""]
    for section, keys in groupby(job_keys(), key=lambda key: key.name.rpartition(".")[0]):
        if section:
            lines += ["", f"[{section}]"]
        for key in keys:
            lines += _key_lines(key, picture if key.name == "picture" else taken.get(key.name, key.default))
    return "\n".join(lines) + "\n"


def _values(like: Path) -> dict[str, Any]:
    """Return the values of an earlier job by dotted key."""
    path = like / "job.toml" if like.is_dir() else like
    if not path.is_file():
        message = f"{like}: there is no job.toml; name an earlier job folder or a job file"
        raise JobError(message)
    return dict(_leaves(Job.read(path).to_table()))


def _leaves(table: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    for name, value in table.items():
        if isinstance(value, Mapping):
            yield from _leaves(value, f"{prefix}{name}.")
        else:
            yield f"{prefix}{name}", value


def _key_lines(key: Key, value: Any) -> list[str]:
    """Return the comment of a key and the key itself."""
    facts = [key.unit] if key.unit else []
    if key.choices:
        facts.append("one of: " + ", ".join(f'"{word}"' for word in key.choices))
    comment = f"# {key.meaning}" + (f" ({'; '.join(facts)})" if facts else "")
    name = key.name.rpartition(".")[2]
    if value is None:
        return [comment, f"# {name} ="]
    return [comment, f"{name} = {_toml(value)}"]


def _toml(value: Any) -> str:
    """Return a value as TOML writes it (strings, numbers and booleans are as in JSON)."""
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{name} = {_toml(item)}" for name, item in value.items()) + "}"
    if isinstance(value, tuple | list):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return json.dumps(value, ensure_ascii=False)
