"""Lengths as people write them; the only module that knows inches."""

from __future__ import annotations

import functools
import math
import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import pint

from relief.errors import BRIEF, LengthError, brief

Units = Literal["mm", "in"]

# 25.4 mm by definition: international yard and pound agreement of 1959; ISO 80000-3.
MM_PER_INCH = 25.4
# No length that anybody means is as large; mm.
MOST = 1e12

_LENGTH = re.compile(
    r"""^\s*(?P<sign>[+-]?)\s*
    (?:(?P<whole>\d+)[ ]+)?                               # 1 1/8
    (?P<number>\d+\s*/\s*\d+|\d+\.?\d*(?:[eE][+-]?\d{1,3})?|\.\d+)
    \s*(?P<unit>[A-Za-zµμ"″'′]*)\s*$""",
    re.VERBOSE,
)
_MARKS = {'"': "inch", "″": "inch", "'": "foot", "′": "foot", "": "millimeter"}


@functools.cache
def _registry() -> pint.UnitRegistry[float]:
    return pint.UnitRegistry(cache_folder=None)


def parse_length(value: float | str) -> float:
    """Read a length.

    Parameters
    ----------
    value : number or text
        A bare number is millimetres; text may carry a unit: "1/8 in", "1 1/4 in", "3 mm", "2.5cm". A
        fraction needs one: whoever writes 3/4 means inches, and would get less than a millimetre.

    Returns
    -------
    float, mm

    Raises
    ------
    LengthError
        The text is no length, a fraction without a unit, or not a finite one.

    Examples
    --------
    >>> parse_length("1/8 in"), parse_length(3), parse_length("2.5 cm")
    (3.175, 3.0, 25.0)
    """
    if isinstance(value, bool) or not isinstance(value, (int, float, str)):
        message = f'{value!r} is no length; write a number of millimetres or text like "1/8 in"'
        raise LengthError(message)
    if isinstance(value, str):
        return _from_text(value)
    if not -MOST < value < MOST:  # also catches NaN, and whole numbers too large for a float
        message = "that is no length; write a finite number of millimetres"
        raise LengthError(message)
    return float(value)


def _from_text(text: str) -> float:
    found = _LENGTH.match(text) if len(text) <= BRIEF else None
    if found is None:
        message = f'"{brief(text)}" is no length; write it like "1/8 in", "3 mm" or 3'
        raise LengthError(message)
    if "/" in found["number"] and not found["unit"]:
        message = (
            f'"{text.strip()}" has no unit; write "{text.strip()} in", or millimetres as a decimal number'
        )
        raise LengthError(message)
    try:
        number = Fraction(found["number"].replace(" ", "")) + int(found["whole"] or 0)
        unit = _MARKS.get(found["unit"], found["unit"])
        scale = _registry().Quantity(1.0, unit).to("millimeter").magnitude
        length = float(number * Fraction(f"{scale:.12g}"))  # exact for 3/8 in and the like
    except (pint.PintError, ZeroDivisionError, OverflowError, AttributeError):
        message = f'"{text}" is no length; write it like "1/8 in", "3 mm" or 3'
        raise LengthError(message) from None
    if not math.isfinite(length):
        message = f'"{text}" is no finite length'
        raise LengthError(message)
    return -length if found["sign"] == "-" else length


def parse_feed(value: float | str) -> float:
    """Read a feed.

    Parameters
    ----------
    value : number or text
        A bare number is mm/min; text is a length a minute: "80 in/min", "2 m/min".

    Returns
    -------
    float, mm/min

    Raises
    ------
    LengthError
        The text is no feed, or not a finite one.

    Examples
    --------
    >>> parse_feed("80 in/min"), parse_feed(1500)
    (2032.0, 1500.0)
    """
    if not isinstance(value, str):
        return parse_length(value)
    length, _, minute = value.rpartition("/")
    if minute.strip() != "min":
        message = f'"{brief(value)}" is no feed; write it like "80 in/min", or 2000 for mm/min'
        raise LengthError(message)
    return parse_length(length)


def format_length(length: float, units: Units = "mm") -> str:
    """Write a length for people, in millimetres or inches.

    Examples
    --------
    >>> format_length(3.175), format_length(3.175, "in")
    ('3.175 mm', '0.125 in')
    """
    text = figures(length, units)
    return f"{text.rstrip('0').rstrip('.') or '0'} {units}".replace("-0 ", "0 ")


def figures(length: float, units: Units) -> str:
    """Write a length, mm, without its unit: to a thousandth of it, or a ten-thousandth of an inch."""
    return f"{length:.3f}" if units == "mm" else f"{length / MM_PER_INCH:.4f}"


def rounded_up(length: float, units: Units) -> float:
    """Return the least length, mm, from `length` on that `format_length` tells as it is.

    Examples
    --------
    >>> format_length(0.01501), format_length(rounded_up(0.01501, "mm"))
    ('0.015 mm', '0.016 mm')
    """
    step = 1e-3 if units == "mm" else 1e-4 * MM_PER_INCH
    return math.ceil(length / step - 1e-9) * step


def format_feed(feed: float, units: Units) -> str:
    """Write a feed, mm/min, for people.

    Examples
    --------
    >>> format_feed(2032, "mm"), format_feed(2032, "in")
    ('2032 mm/min', '80.0 in/min')
    """
    return f"{feed:.0f} mm/min" if units == "mm" else f"{feed / MM_PER_INCH:.1f} in/min"


def format_area(area: float, units: Units) -> str:
    """Write an area, mm², for people.

    Examples
    --------
    >>> format_area(72, "mm"), format_area(72, "in")
    ('72 mm²', '0.112 in²')
    """
    return f"{area:.0f} mm²" if units == "mm" else f"{area / MM_PER_INCH**2:.3f} in²"


def format_surface_speed(speed: float, units: Units) -> str:
    """Write the speed of a cutting edge, m/min, for people: in feet where lengths are in inches.

    Examples
    --------
    >>> format_surface_speed(300, "mm"), format_surface_speed(300, "in")
    ('300 m/min', '984 ft/min')
    """
    return f"{speed:.0f} m/min" if units == "mm" else f"{speed * 1000 / (12 * MM_PER_INCH):.0f} ft/min"


@dataclass(frozen=True)
class Wording:
    """How sizes and places of a job are told: in the user's unit, counted as its programs count.

    Parameters
    ----------
    units : that unit
    zero : (x, y) mm, what the programs' coordinates are ahead of the relief's

    Examples
    --------
    >>> Wording("in", (-25.4, 0.0)).place(50.8, 12.7)
    'X 1 in Y 0.5 in'
    """

    units: Units = "mm"
    zero: tuple[float, float] = (0.0, 0.0)

    def length(self, length: float) -> str:
        """Tell a length, mm."""
        return format_length(length, self.units)

    def area(self, area: float) -> str:
        """Tell an area, mm²."""
        return format_area(area, self.units)

    def place(self, x: float, y: float) -> str:
        """Tell a place, mm from the relief's near left corner, to 0.1 mm or 0.01 in."""
        places, unit = (1, 1.0) if self.units == "mm" else (2, MM_PER_INCH)
        x, y = (
            round((at + ahead) / unit, places) * unit for at, ahead in zip((x, y), self.zero, strict=True)
        )
        return f"X {self.length(x)} Y {self.length(y)}"
