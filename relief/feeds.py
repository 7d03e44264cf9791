"""Spindle speeds and feeds that suit cutter, material and machine, and what there is to tell of them.

Textbook formula: feed = n · flutes · feed per edge; what the cut asks for stands in `cutting`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from relief.cutting import (
    chip_range,
    chip_thinning,
    cutting_power,
    effective_diameter,
    nominal_diameter,
    removal_rate,
    surface_speed,
)
from relief.errors import ShopError
from relief.shop.records import Cutter, Machine, Material
from relief.units import Units, figures, format_feed, format_surface_speed

Doubles = npt.NDArray[np.float64]

# A light stepover thins the chip; the feed makes up for it at most this many times over, because the full
# width comes back in every inside corner. Common practice, no source.
_MOST_MAKE_UP = 2.0
# Where a cut is light the feed goes up to so many times the chosen one, at most: the stock may stand
# otherwise than it is reckoned to. Common practice, no source.
MOST_FASTER = 2.0
# Feed of a point that is dragged, mm/min. Common practice, no source.
_DRAG_FEED = 1000.0


@dataclass(frozen=True)
class Feeds:
    """Spindle speed and feeds of one operation, and how they sit in their ranges.

    Parameters
    ----------
    rpm : rev/min; 0 for a drag point, which does not turn
    cut, plunge : mm/min
    chip_load : mm, thickest chip that each edge takes at `cut`, thinning by a light stepover included
    chip_low, chip_high : mm, the range that suits material, cutter and depth
    surface_speed : m/min, of the cutting edge where it is deepest engaged (not at the cutter's full diameter)
    power : W, asked from the spindle
    sentences : where the chip load lies, and then what else to know: limits that held a value back, ...
    section : mm², depth times width of the cut that all this was chosen for
    flutes : of the cutter
    hurry : so many times `cut` at most where a cut is light
    """

    rpm: float
    cut: float
    plunge: float
    chip_load: float
    chip_low: float
    chip_high: float
    surface_speed: float
    power: float
    sentences: tuple[str, ...]
    section: float = 0.0
    flutes: int = 1
    hurry: float = MOST_FASTER

    def most(self, section: Doubles, chip: Doubles) -> Doubles:
        """Return the most feed, mm/min, for cuts that take more or less than what `cut` was chosen for.

        Parameters
        ----------
        section : mm², volume that a cut takes over its length
        chip : its thickest chip as a share of the feed per edge; NaN where it is as was reckoned with

        Notes
        -----
        Three bounds: section · feed (with it the power, Q = a_p a_e v_f, textbook) stays at what was chosen;
        feed per edge · chip stays in the material's range; and never more than `hurry` times the feed.
        """
        edges = self.rpm * self.flutes
        if not edges or not self.section:
            return np.full(len(section), self.cut)
        reckoned = self.chip_load * edges / self.cut
        chip = np.where(np.isnan(chip), reckoned, chip)
        with np.errstate(divide="ignore"):
            by_load = self.cut * self.section / section
            by_chip = max(self.chip_high, self.chip_load) * edges / chip
        return np.asarray(np.minimum(np.minimum(by_load, by_chip), self.hurry * self.cut))

    @property
    def chip_load_holds(self) -> bool:
        """Whether the chip load lies in its range (to 1 %, for speeds are rounded)."""
        return self.rpm == 0 or self.chip_low * 0.99 <= self.chip_load <= self.chip_high * 1.01

    @property
    def sentence(self) -> str:
        """All sentences as one text."""
        return " ".join(self.sentences)


class Speeds(NamedTuple):
    """Spindle speed, rev/min, and feeds, mm/min, that are asked for, or found in a text.

    What is None, a rule has to tell.
    """

    rpm: float | None = None
    feed: float | None = None
    plunge: float | None = None


# Nothing is asked for.
BY_RULE = Speeds()


def choose_feeds(
    cutter: Cutter,
    material: Material,
    machine: Machine,
    stepdown: float,
    stepover: float,
    asked: Speeds = BY_RULE,
    units: Units = "mm",
) -> Feeds:
    """Choose spindle speed and feeds, inside every limit of cutter, material and machine.

    Parameters
    ----------
    cutter, material, machine : records of the shop
    stepdown, stepover : mm, depth and width of the cut
    asked : what the user asks for; held to the limits, and told when held
    units : in which the sentences tell it

    Returns
    -------
    Feeds

    Raises
    ------
    ShopError
        The spindle cannot turn slowly enough for the cutter.
    """
    if not cutter.turns:
        return _drag_feeds(cutter, machine, asked, units)
    choice = _Choice(cutter, material, machine, stepdown, stepover, units)
    choice.choose_rpm(asked.rpm, asked.feed)
    choice.choose_cut(asked.feed)
    choice.choose_plunge(asked.plunge)
    choice.judge()
    return choice.feeds()


def _drag_feeds(cutter: Cutter, machine: Machine, asked: Speeds, units: Units) -> Feeds:
    sentences = [f'"{cutter.name}" does not turn: the spindle stays off.']
    cut = _Wish("Feed", asked.feed, _DRAG_FEED).held(
        min(machine.max_feed[:2]), "X and Y axes", units, sentences
    )
    down = _Wish("Plunge feed", asked.plunge, cut / 2.0).held(machine.max_feed[2], "Z axis", units, sentences)
    return Feeds(0.0, cut, down, 0.0, 0.0, 0.0, 0.0, 0.0, tuple(sentences))


class _Wish(NamedTuple):
    """A feed, mm/min, as it is asked for (None: nobody asked), and as the rule would have it."""

    what: str
    asked: float | None
    rule: float

    def held(self, limit: float, axes: str, units: Units, sentences: list[str]) -> float:
        """Return what is asked for, or else the rule's, held to the limit of axes; say so when it was."""
        wanted = self.rule if self.asked is None else self.asked
        if wanted <= limit * (1 + 1e-9):
            return min(wanted, limit)
        told, most = format_feed(wanted, units), format_feed(limit, units)
        began = f"{self.what} {told} would suit" if self.asked is None else _asked(self.what, told)
        sentences.append(f"{began}; the machine does {most}, the most that its {axes} can.")
        return limit


def _asked(what: str, told: str) -> str:
    return f"{what}: you asked for {told}"


def round_down(value: float) -> float:
    """Return a feed rounded down to a figure that is easy to read: tens above 100 mm/min, else whole ones."""
    step = 10.0 if value >= 100.0 else 1.0 if value >= 10.0 else 0.1
    return math.floor(value / step + 1e-9) * step if value >= 0.1 else value


class _Choice:
    """One choice of feeds, step by step; collects the sentences on the way."""

    def __init__(
        self,
        cutter: Cutter,
        material: Material,
        machine: Machine,
        stepdown: float,
        stepover: float,
        units: Units,
    ) -> None:
        self.cutter, self.material, self.machine, self.units = cutter, material, machine, units
        self.stepdown, self.stepover = stepdown, min(stepover, cutter.diameter)
        self.working = effective_diameter(cutter, stepdown)
        self.low, self.high = chip_range(material, nominal_diameter(cutter), stepdown)
        self.thinning = chip_thinning(stepover, self.working)
        # the feed per edge at which the chip is in the middle of its range
        middle = (self.low + self.high) / 2.0
        self.per_edge = middle * min(1.0 / max(self.thinning, 1e-9), _MOST_MAKE_UP)
        self.sentences: list[str] = []
        self.rpm = self.cut = self.plunge = 0.0

    @property
    def axis_feed(self) -> float:
        """The feed, mm/min, that the slower of the X and Y axes can do."""
        return min(self.machine.max_feed[:2])

    def choose_rpm(self, asked: float | None, feed: float | None) -> None:
        """Take the fastest speed that edge, spindle and cutter bear, slower where the feed cannot keep up."""
        slowest, fastest = self.machine.rpm[0], min(self.machine.rpm[1], self.cutter.max_rpm)
        if fastest < slowest:
            message = (
                f'"{self.cutter.name}" may turn at most {fastest:.0f} rev/min but the spindle of '
                f'"{self.machine.name}" turns at least {slowest:.0f}; choose another cutter or machine'
            )
            raise ShopError(message)
        if asked is not None:
            self.rpm = self._on_dial(min(max(asked, slowest), fastest))
            if self.rpm != asked:
                self.sentences.append(
                    f"{_asked('Spindle speed', f'{asked:.0f} rev/min')}; it turns at {self.rpm:.0f} rev/min "
                    f"({slowest:.0f} to {fastest:.0f} is what spindle and cutter allow{self._dial()})."
                )
        else:
            self.rpm, usual = (self._rpm_by_rule(wanted, slowest, fastest) for wanted in (feed, None))
            if feed is not None and self.rpm != usual:
                self.sentences.append(
                    f"Spindle speed: for the feed that you asked for, {self._told(feed)}, it turns at"
                    f" {self.rpm:.0f} rev/min instead of {usual:.0f}, so that the chip is not too thin."
                )
        self._judge_surface_speed()

    def _rpm_by_rule(self, feed: float | None, slowest: float, fastest: float) -> float:
        best = min(self._rpm_of_material(), self._rpm_of_feed(feed))
        hundreds = max(math.floor(best / 100.0 + 1e-9) * 100.0, slowest)
        return self._on_dial(min(hundreds, fastest))

    def _rpm_of_material(self) -> float:
        widest = max(nominal_diameter(self.cutter), self.working)
        return self.material.max_surface_speed * 1000.0 / (math.pi * widest)

    def _rpm_of_feed(self, feed: float | None) -> float:
        """Return the speed at which the feed that can be had gives the chip its middle thickness."""
        return min(feed or math.inf, self.axis_feed) / (self.cutter.flutes * self.per_edge)

    @property
    def _dial_steps(self) -> tuple[float, ...]:
        """The speeds to which a hand-set spindle's dial can be set and that the cutter bears."""
        if self.machine.spindle != "by hand":
            return ()
        return tuple(sorted(step for step in self.machine.rpm_steps if step <= self.cutter.max_rpm))

    def _on_dial(self, rpm: float) -> float:
        """Return the fastest step of the dial at or below `rpm`, or its slowest; any speed without a dial."""
        steps = self._dial_steps
        return max((step for step in steps if step <= rpm), default=min(steps, default=rpm))

    def _dial(self) -> str:
        steps = ", ".join(f"{step:.0f}" for step in self._dial_steps)
        return f"; the dial has {steps}" if steps else ""

    def _judge_surface_speed(self) -> None:
        speed, limit = surface_speed(self.working, self.rpm), self.material.max_surface_speed
        if speed > limit * 1.001:
            self.sentences.append(
                f"The cutting edge runs at {format_surface_speed(speed, self.units)}, above the"
                f" {format_surface_speed(limit, self.units)} that suits {self.material.name}: it may burn or"
                " melt; take a thinner cutter or a slower spindle."
            )

    def choose_cut(self, asked: float | None) -> None:
        """Feed so that the chip is in the middle of its range, as far as the axes can."""
        rule = round_down(self.rpm * self.cutter.flutes * self.per_edge)
        self.cut = _Wish("Feed", asked, rule).held(self.axis_feed, "X and Y axes", self.units, self.sentences)

    def choose_plunge(self, asked: float | None) -> None:
        """Plunge at the material's share of the feed, as far as the Z axis can."""
        rule = round_down(self.cut * self.material.plunge)
        self.plunge = _Wish("Plunge feed", asked, rule).held(
            self.machine.max_feed[2], "Z axis", self.units, self.sentences
        )

    @property
    def chip_load(self) -> float:
        """The thickest chip of an edge, mm, at the chosen feed."""
        return self.cut / (self.rpm * self.cutter.flutes) * self.thinning

    @property
    def power(self) -> float:
        """The power, W, that the cut asks for."""
        rate = removal_rate(self.stepdown, self.stepover, self.cut)
        return cutting_power(self.material.cutting_force, rate)

    def judge(self) -> None:
        """Say, first of all, where the chip load lies in its range, and last whether the power suffices."""
        self.sentences.insert(0, self._verdict())
        if self.power > self.machine.spindle_power:
            slower = self.cut * self.machine.spindle_power / self.power
            self.sentences.append(
                f"The cut asks for {self.power:.0f} W, more than the {self.machine.spindle_power:.0f} W of "
                f"the spindle: cut less deep or feed at {self._told(round_down(slower))}."
            )

    def _verdict(self) -> str:
        load, low, high = (figures(chip, self.units) for chip in (self.chip_load, self.low, self.high))
        chip, within = f"Chip load {load} {self.units}", f"the range {low} to {high} {self.units}"
        if self.chip_load < self.low * 0.99:
            return f"{chip} is below {within}: it will rub and burn; {self._thicker()}."
        if self.chip_load > self.high * 1.01:
            return f"{chip} is above {within}: it may break the cutter; {self._thinner()}."
        return f"{chip} lies in {within}."

    def _thicker(self) -> str:
        """Return how the chip could be brought up to the range."""
        ways = []
        slower = self.cut * self.thinning / (self.cutter.flutes * self.low)
        faster = self.low * self.rpm * self.cutter.flutes / max(self.thinning, 1e-9)
        if slower >= self.machine.rpm[0]:
            ways.append(f"slow the spindle to {math.floor(slower / 100) * 100:.0f} rev/min")
        if faster <= self.axis_feed:
            ways.append(f"feed at {self._told(math.ceil(faster / 10) * 10)}")
        if self.thinning < 1.0 / _MOST_MAKE_UP:
            ways.append("take a wider stepover")
        return " or ".join(ways or ["take a cutter with fewer flutes"])

    def _thinner(self) -> str:
        """Return how the chip could be brought down to the range."""
        slower = self.high * self.rpm * self.cutter.flutes / self.thinning
        faster = self.cut * self.thinning / (self.cutter.flutes * self.high)
        ways = [f"feed at {self._told(round_down(slower))}"]
        if faster <= min(self.machine.rpm[1], self.cutter.max_rpm):
            ways.append(f"speed the spindle up to {math.ceil(faster / 100) * 100:.0f} rev/min")
        return " or ".join(ways)

    def _told(self, feed: float) -> str:
        return format_feed(feed, self.units)

    def feeds(self) -> Feeds:
        """Return what was chosen."""
        speed = surface_speed(self.working, self.rpm)
        return Feeds(
            self.rpm, self.cut, self.plunge, self.chip_load, self.low, self.high, speed, self.power,
            tuple(self.sentences), self.stepdown * self.stepover, self.cutter.flutes,
        )  # fmt: skip
