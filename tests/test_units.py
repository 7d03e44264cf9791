"""Lengths as people write them."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from relief.errors import LengthError
from relief.units import format_length, parse_feed, parse_length

# 1 in = 25.4 mm, 1 ft = 304.8 mm: international yard and pound agreement, 1959.
WRITTEN = [
    (3, 3.0),
    (3.5, 3.5),
    ("3", 3.0),
    ("3 mm", 3.0),
    ("3mm", 3.0),
    (".5 mm", 0.5),
    ("2.5 cm", 25.0),
    ("0.2 m", 200.0),
    ("1/8 in", 3.175),
    ('1/8"', 3.175),
    ("1 1/4 in", 31.75),
    ("8 inches", 203.2),
    ("1 ft", 304.8),
    ("-2 mm", -2.0),
    ("1e2 mm", 100.0),
]


@pytest.mark.parametrize(("written", "length"), WRITTEN)
def test_lengths_are_read(written, length):
    """Numbers are millimetres; text may carry a fraction and a unit."""
    assert parse_length(written) == pytest.approx(length, abs=1e-12)


@pytest.mark.parametrize(
    "written",
    [
        "",
        "abc",
        "3 parsecs of",
        "1/0 in",
        "3 kg",
        "1 2 3",
        "nan",
        "inf",
        "3 mm mm",
        "__import__('os')",
        "1e999",
    ],
)
def test_other_text_is_refused(written):
    """What is no length is refused with an example of one."""
    with pytest.raises(LengthError, match=r"1/8 in|finite"):
        parse_length(written)


@pytest.mark.parametrize("written", ["3/4", " 1 1/4", "-1/8"])
def test_a_fraction_needs_its_unit(written):
    """3/4 without one is an inch's in every shop, and would be carved as 0.75 mm: it is asked for."""
    with pytest.raises(LengthError, match=f'has no unit; write "{written.strip()} in"'):
        parse_length(written)


@pytest.mark.parametrize("value", [math.nan, math.inf, 10**400, -(10**13), True, None, [3]])
def test_other_values_are_refused(value):
    """Only finite numbers are lengths."""
    with pytest.raises(LengthError, match="no length"):
        parse_length(value)


@pytest.mark.parametrize(
    ("written", "feed"), [(1500, 1500.0), ("80 in/min", 2032.0), ("2 m / min", 2000.0), ("900mm/min", 900.0)]
)
def test_feeds_are_read(written, feed):
    """Numbers are mm/min; text is a length a minute (1 in = 25.4 mm, 1959 agreement)."""
    assert parse_feed(written) == pytest.approx(feed, abs=1e-12)


@pytest.mark.parametrize("written", ["80", "80 in", "80 in/s", "/min", "80 in/min/min", "fast", ""])
def test_other_text_is_no_feed(written):
    """A text without its length and its minute is refused with an example, never taken for mm/min."""
    with pytest.raises(LengthError, match=r"in/min|1/8 in"):
        parse_feed(written)


@given(st.integers(-(10**6), 10**6))
def test_what_is_written_is_read_back(microns):
    """Writing a length and reading it returns the length, in both units."""
    length = microns / 1000

    assert parse_length(format_length(length)) == pytest.approx(length, abs=5e-4)
    assert parse_length(format_length(length, "in")) == pytest.approx(length, abs=2e-3)
