"""How a job that is longer than the machine's travel is divided: the board is moved along, pin by pin.

Along one side it is moved on two pins, one in the waste on either side. Where both sides are too long, tiles
lie in two rows: along the first, on to the second, and back; each time both pins stand in the waste that the
row has at its one outer edge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from relief.errors import JobError
from relief.heightfield import Region
from relief.shop.records import Cutter
from relief.units import Units, format_length

Place = tuple[float, float]

# How far a pin stands in the bed, and what is left round its hole, mm: common practice, no source.
PIN_DEPTH = 6.0
HOLE_RIM = 3.0
# Finishing passes of neighbouring tiles overlap by this much on either side of their seam, mm.
SEAM = 1.0
# Two pins on one edge of the board stand at least so far apart, mm, and further where there is travel to
# spare: the further, the less does a pin's play turn the board. Common practice, no source.
BASE = 40.0
# A tile that is shorter is not worth moving the board for, mm.
LEAST_TILE = 10.0


@dataclass(frozen=True)
class Tile:
    """A share of the relief that is cut from one position of the board.

    Parameters
    ----------
    number : from 1
    region : its share of the relief
    shift : (x, y) mm by which the board was moved back, so that this share lies where the first one lay
    pins : (x, y) of the pair of holes drilled with it that goes on into the bed, for pins; mostly none
    following : (x, y) of the pair drilled with it that stands on pins when the next tile is cut
    """

    number: int
    region: Region
    shift: tuple[float, float]
    pins: tuple[Place, ...] = ()
    following: tuple[Place, ...] = ()

    @property
    def holes(self) -> tuple[Place, ...]:
        """All holes that are drilled with it."""
        return (*self.pins, *self.following)


@dataclass(frozen=True)
class Leg:
    """Moves of the board on one pair of pins.

    Parameters
    ----------
    first, last : numbers of the tiles after which it is moved
    axis : 0, along X, or 1, along Y
    step : mm, how far it is moved back each time; below 0 it is moved the other way
    """

    first: int
    last: int
    axis: int
    step: float


@dataclass(frozen=True)
class Tiling:
    """All tiles of a job.

    Parameters
    ----------
    tiles : in running order
    legs : how the board is moved between them
    """

    tiles: tuple[Tile, ...]
    legs: tuple[Leg, ...]

    @property
    def axes(self) -> tuple[int, ...]:
        """The axes along which it is moved."""
        return tuple(sorted({leg.axis for leg in self.legs}))

    @property
    def seams(self) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Where tiles meet, mm: places along X, and along Y, rising."""
        rights, fars = ({tile.region.right for tile in self.tiles}, {tile.region.far for tile in self.tiles})
        return tuple(sorted(rights)[:-1]), tuple(sorted(fars)[:-1])

    def cell(self, tile: Tile) -> tuple[int, int]:
        """Return column and row of a tile."""
        x, y = self.seams
        return sum(seam <= tile.region.left for seam in x), sum(seam <= tile.region.near for seam in y)

    @property
    def holes(self) -> tuple[Place, ...]:
        """Every hole of the board."""
        return tuple(hole for tile in self.tiles for hole in tile.holes)


@dataclass(frozen=True)
class Needs:
    """What a tile needs besides its own share, mm.

    Parameters
    ----------
    beyond : how far roughing sweeps past an edge
    overlap : how much more than its share a tile is roughed
    drill : what drills the holes
    """

    beyond: float
    overlap: float
    drill: Cutter

    @property
    def hole_offset(self) -> float:
        """From the relief's edge to the middle of a hole."""
        return self.beyond + self.drill.diameter / 2 + HOLE_RIM

    @property
    def row_margin(self) -> float:
        """Stock that has to stand beside one row of tiles for the holes."""
        return self.hole_offset + self.drill.diameter / 2 + HOLE_RIM

    @property
    def margin(self) -> float:
        """Stock beside the relief that does for two rows as well."""
        return max(self.row_margin, BASE / 2 + self.drill.diameter / 2 + HOLE_RIM)

    @property
    def around(self) -> float:
        """Room that a tile with holes at its edges needs on every side of its share."""
        return max(self.beyond + self.overlap, max(self.hole_offset, BASE / 2) + self.drill.diameter / 2)


def lay_out_tiles(
    relief: Region,
    travel: tuple[float, float, float],
    needs: Needs,
    margins: tuple[float, float],
    step: float,
    units: Units = "mm",
) -> Tiling | None:
    """Divide a relief along each side that is longer than the travel; None where it fits as it is.

    Where the pins of one row would stand outside the travel, there are two rows.

    Parameters
    ----------
    relief : its box
    travel : of the machine along X, Y, Z
    needs : room for cutters and holes
    margins : stock beside the relief along X and Y
    step : mm, the lattice that the program text can express
    units : in which a refusal tells lengths

    Raises
    ------
    JobError
        There is no room for a tile or for the holes, or three rows of tiles would be needed.
    """
    sizes = (relief.width, relief.length)
    long = [axis for axis in (0, 1) if sizes[axis] + 2 * needs.beyond > travel[axis]]
    if not long:
        return None
    axis = long[0]
    across = sizes[1 - axis] + 2 * needs.hole_offset + needs.drill.diameter
    if len(long) == 2 or across > travel[1 - axis]:
        return _in_two_rows(relief, travel, needs, margins, step, units)
    _check_margin(1 - axis, margins, needs.row_margin, units)
    room = _room(axis, travel, needs.beyond + needs.overlap, units)
    count = math.ceil(sizes[axis] / room - 1e-9)
    return _in_one_row(relief, axis, count, _step(sizes[axis], count, step), needs.hole_offset)


def _check_margin(axis: int, margins: tuple[float, float], least: float, units: Units) -> None:
    if margins[axis] < least - 1e-6:
        message = (
            f"tiles: the holes for the pins need {format_length(round(least, 2), units)} of stock beside the"
            f" relief along {'XY'[axis]}, and there are {format_length(round(margins[axis], 2), units)};"
            " raise relief.margin or use larger stock"
        )
        raise JobError(message)


def _room(axis: int, travel: tuple[float, float, float], around: float, units: Units) -> float:
    """Return how long a tile may be that needs so much on either side."""
    room = travel[axis] - 2 * around
    if room < LEAST_TILE:
        message = (
            f"tiles: of the {format_length(travel[axis], units)} that the machine travels along {'XY'[axis]}"
            f" the cutters need {format_length(round(travel[axis] - room, 2), units)} beside each tile;"
            " use smaller cutters"
        )
        raise JobError(message)
    return room


def _step(size: float, count: int, lattice: float) -> float:
    return math.ceil(size / count / lattice - 1e-6) * lattice


def _share(relief: Region, steps: tuple[float, float], at: tuple[int, int]) -> Region:
    """Return the region of a tile, in so manieth column and row; a step of 0 does not divide."""
    left, near = relief.left + at[0] * steps[0], relief.near + at[1] * steps[1]
    right = min(left + steps[0], relief.right) if steps[0] else relief.right
    far = min(near + steps[1], relief.far) if steps[1] else relief.far
    return Region(left, near, right, far)


def _in_one_row(relief: Region, axis: int, count: int, step: float, offset: float) -> Tiling:
    """Return tiles along an axis; the pins stand on both sides of it."""
    steps = (step, 0.0) if axis == 0 else (0.0, step)
    if axis == 0:
        pins = ((relief.left, relief.near - offset), (relief.left, relief.far + offset))
    else:
        pins = ((relief.left - offset, relief.near), (relief.right + offset, relief.near))
    tiles = []
    for k in range(count):
        at = (k, 0) if axis == 0 else (0, k)
        ahead = tuple((x + (k + 1) * steps[0], y + (k + 1) * steps[1]) for x, y in pins)
        tiles.append(
            Tile(
                k + 1, _share(relief, steps, at), (k * steps[0], k * steps[1]),
                pins if k == 0 < count - 1 else (), ahead if k < count - 1 else (),
            )
        )  # fmt: skip
    return Tiling(tuple(tiles), (Leg(1, count - 1, axis, step),) if count > 1 else ())


def _in_two_rows(
    relief: Region,
    travel: tuple[float, float, float],
    needs: Needs,
    margins: tuple[float, float],
    lattice: float,
    units: Units,
) -> Tiling:
    """Return tiles in two rows, there and back."""
    sizes = (relief.width, relief.length)
    counts = [math.ceil(sizes[axis] / _room(axis, travel, needs.around, units) - 1e-9) for axis in (0, 1)]
    counts = [max(count, 2) for count in counts]
    if min(counts) > 2:
        message = (
            f"tiles: along X and along Y {counts[0]} by {counts[1]} tiles would be needed, and those in the"
            " middle have no waste for pins; make the relief smaller, so that two rows do"
        )
        raise JobError(message)
    for axis in (0, 1):
        _check_margin(axis, margins, needs.margin, units)
    steps = (_step(sizes[0], counts[0], lattice), _step(sizes[1], counts[1], lattice))
    along = 0 if counts[1] == 2 else 1
    onward = _onward(steps[0], travel[0], needs), _onward(steps[1], travel[1], needs)
    return _there_and_back(relief, along, counts[along], steps, needs.hole_offset, onward)


def _onward(step: float, travel: float, needs: Needs) -> float:
    """Return how far the second pin stands past a seam, mm: in the next tile, within the travel of this one.

    Half of what the travel has to spare is left, to lay the board in.
    """
    spare = travel - step - needs.around - needs.drill.diameter / 2 - BASE / 2
    return BASE / 2 + max(0.0, math.floor(min(spare / 2, step - BASE)))


def _there_and_back(
    relief: Region,
    along: int,
    count: int,
    steps: tuple[float, float],
    offset: float,
    onward: tuple[float, float],
) -> Tiling:
    """Return two rows of tiles along an axis: the first run forth, the second back."""
    cells = [(k, 0) for k in range(count)] + [(k, 1) for k in reversed(range(count))]
    last = len(cells) - 1
    moves = [(b[0] - a[0], b[1] - a[1]) for a, b in pairwise(cells)]
    tiles = []
    for number, cell in enumerate(cells):
        at = cell if along == 0 else (cell[1], cell[0])
        pins: tuple[Place, ...] = ()
        ahead: tuple[Place, ...] = ()
        if number < last:
            ahead = _pair(relief, along, cell, moves[number], steps, offset, onward, 1)
            if number == 0 or moves[number] != moves[number - 1]:
                pins = _pair(relief, along, cell, moves[number], steps, offset, onward, 0)
        shift = (at[0] * steps[0], at[1] * steps[1])
        tiles.append(Tile(number + 1, _share(relief, steps, at), shift, pins, ahead))
    legs = (
        Leg(1, count - 1, along, steps[along]),
        Leg(count, count, 1 - along, steps[1 - along]),
        Leg(count + 1, last, along, -steps[along]),
    )
    return Tiling(tuple(tiles), legs)


def _pair(
    relief: Region,
    along: int,
    cell: tuple[int, int],
    move: tuple[int, int],
    steps: tuple[float, float],
    offset: float,
    onward: tuple[float, float],
    ahead: int,
) -> tuple[Place, ...]:
    """Return the holes on whose pins a board stands before it is moved on (ahead 0), or after that (1).

    They lie on either side of the line between the two positions, in the waste beside the row, or at its end,
    the second `onward` from it along the way of the work.
    """
    low, high = (relief.left, relief.near), (relief.right, relief.far)
    moved = along if move[0] else 1 - along
    # the board moves back by as much as the work goes on: the pins stand still, the holes come to them
    index = (cell[0] if move[0] else cell[1]) + (ahead if sum(move) > 0 else 1 - ahead)
    seam = low[moved] + index * steps[moved]
    beside = high[1 - moved] + offset
    if move[0] and cell[1] == 0:
        beside = low[1 - moved] - offset
    way = 1 if sum(move) > 0 else -1
    ends = sorted((seam - way * BASE / 2, seam + way * onward[moved]))
    return tuple((end, beside) if moved == 0 else (beside, end) for end in ends)
