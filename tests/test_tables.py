"""Strict tables: what is refused, and with which words."""

from typing import Annotated

import pytest

from relief.errors import TableError
from relief.tables import Length, Number, Text, dotted, key, keys_of, nearest, read_record, read_toml, record


@record
class Inner:
    """A record inside another."""

    size: Annotated[Length, key("a size", "mm", gt=0)] = 2.0


@record
class Outer:
    """A record for these tests."""

    name: Annotated[Text, key("a name")]
    weight: Annotated[Number, key("a weight", "kg", le=9)] = 1.0
    inner: Annotated[Inner, key("inside")] = Inner()


def test_a_table_becomes_a_record():
    """Lengths are read, tables become records, defaults fill the rest."""
    made = read_record(Outer, {"name": "a", "inner": {"size": "1 in"}}, "x.toml")

    assert (25.4, 1.0) == (made.inner.size, made.weight)


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({}, 'x.toml: key "name" is missing'),
        ({"name": 3}, "x.toml: name = 3: should be a valid string"),
        ({"name": "a", "wieght": 3}, 'x.toml: unknown key "wieght"; did you mean "weight"?'),
        ({"name": "a", "weight": 10}, "x.toml: weight = 10: should be less than or equal to 9"),
        ({"name": "a", "weight": "2"}, 'x.toml: weight = "2": should be a valid number'),
        ({"name": "a", "inner": {"size": -1}}, "x.toml: inner.size = -1: should be greater than 0"),
        ({"name": "a", "inner": {"sise": 1}}, 'x.toml: unknown key "inner.sise"; did you mean "size"?'),
        ({"name": "a", "inner": {"size": "wide"}}, "x.toml: inner.size"),
        ({"name": "a", "inner": 5}, "x.toml: inner = 5"),
        ({"name": "a", "weight": float("nan")}, "x.toml: weight = nan"),
    ],
)
def test_a_fault_is_told_in_one_line(table, said):
    """The line names the file, the key, what came and what was expected."""
    with pytest.raises(TableError) as refused:
        read_record(Outer, table, "x.toml")

    assert str(refused.value).startswith(said)
    assert "\n" not in str(refused.value)


def test_records_refuse_from_python_as_from_toml():
    """Making a record by hand keeps the same rules; an argument by position is called by its key."""
    with pytest.raises(TableError, match="weight = 99"):
        Outer("a", 99)


def test_keys_tell_their_story():
    """Documentation and options come from the fields themselves."""
    told = {k.name: k for k in keys_of(Outer)}

    assert ["name", "weight", "inner.size"] == list(told)
    assert ("mm", "a size", 2.0) == (
        told["inner.size"].unit,
        told["inner.size"].meaning,
        told["inner.size"].default,
    )
    assert told["name"].default is ...


def test_words_near_and_far():
    """A near miss is answered with one word, a far one with all of them."""
    assert 'did you mean "scallop"?' == nearest("scalop", ["scallop", "stepover"])
    assert "known: scallop, stepover" == nearest("xyzzy", ["scallop", "stepover"])
    assert "chip_load[2].low" == dotted(["chip_load", 2, "low"])


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"a = ", "not valid TOML"),
        (b"\xff\xfe", "UTF-8"),
        (b"a=1\na=2", "not valid TOML"),
        (None, "no such file"),
    ],
)
def test_broken_files_are_refused(tmp_path, content, said):
    """A file that is missing, not text or not TOML is refused by name."""
    path = tmp_path / "broken.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(TableError, match=said) as refused:
        read_toml(path)

    assert str(path) in str(refused.value)
    assert "\n" not in str(refused.value)
