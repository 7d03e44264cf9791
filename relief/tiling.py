"""How a job that is longer than the machine's travel is divided: the board is moved along, pin by pin."""

from __future__ import annotations

import math
from dataclasses import dataclass

from relief.errors import JobError
from relief.heightfield import Region
from relief.shop.records import Cutter
from relief.units import format_length

# How far a pin stands in the bed, and what is left round its hole, mm: common practice, no source.
PIN_DEPTH = 6.0
HOLE_RIM = 3.0
# Finishing passes of neighbouring tiles overlap by this much on either side of their seam, mm.
SEAM = 1.0
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
    """

    number: int
    region: Region
    shift: tuple[float, float]


@dataclass(frozen=True)
class Tiling:
    """All tiles of a job, and the pins that locate the board.

    Parameters
    ----------
    tiles : in running order
    axis : 0, the board is moved along X, or 1, along Y
    step : mm, how far it is moved each time
    pins : (x, y) of the pair in the relief's coordinates while the first tile is cut
    """

    tiles: tuple[Tile, ...]
    axis: int
    step: float
    pins: tuple[tuple[float, float], tuple[float, float]]

    def holes(self, tile: Tile) -> tuple[tuple[float, float], ...]:
        """Return the holes that are drilled with a tile: for the pins, and for the board's next position."""
        if tile.number == len(self.tiles):
            return ()
        ahead = tile.number * self.step
        following = tuple((x + ahead * (self.axis == 0), y + ahead * (self.axis == 1)) for x, y in self.pins)
        return (*self.pins, *following) if tile.number == 1 else following

    @property
    def all_holes(self) -> tuple[tuple[float, float], ...]:
        """Every hole of the board."""
        return tuple(hole for tile in self.tiles for hole in self.holes(tile))


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
    def margin(self) -> float:
        """Stock that has to stand beside the relief for the holes."""
        return self.hole_offset + self.drill.diameter / 2 + HOLE_RIM


def lay_out_tiles(
    relief: Region,
    travel: tuple[float, float, float],
    needs: Needs,
    margins: tuple[float, float],
    step: float,
) -> Tiling | None:
    """Divide a relief along the side that is longer than the travel; None where it fits as it is.

    Parameters
    ----------
    relief : its box
    travel : of the machine along X, Y, Z
    needs : room for cutters and holes
    margins : stock beside the relief along X and Y
    step : mm, the lattice that the program text can express

    Raises
    ------
    JobError
        Neither side fits, or there is no room for a tile or for the holes.
    """
    sizes = (relief.width, relief.length)
    spans = [size + 2 * needs.beyond for size in sizes]
    if all(span <= most for span, most in zip(spans, travel, strict=False)):
        return None
    axis = 0 if spans[0] > travel[0] else 1
    across = sizes[1 - axis] + 2 * needs.hole_offset + needs.drill.diameter
    if across > travel[1 - axis]:
        message = (
            f"tiles: the board is moved along {'XY'[axis]} alone, and with the holes for its pins"
            f" the job needs {format_length(round(across, 2))} along {'YX'[axis]}, where the machine travels"
            f" {format_length(travel[1 - axis])}; make the relief smaller"
        )
        raise JobError(message)
    if margins[1 - axis] < needs.margin - 1e-6:
        message = (
            f"tiles: the holes for the pins need {format_length(round(needs.margin, 2))} of stock beside the"
            f" relief along {'YX'[axis]}, and there are {format_length(round(margins[1 - axis], 2))};"
            " raise relief.margin or use larger stock"
        )
        raise JobError(message)
    room = travel[axis] - 2 * (needs.beyond + needs.overlap)
    if room < LEAST_TILE:
        message = (
            f"tiles: of the {format_length(travel[axis])} that the machine travels along {'XY'[axis]}"
            f" the cutters need {format_length(round(travel[axis] - room, 2))} beside each tile;"
            " use smaller cutters"
        )
        raise JobError(message)
    count = math.ceil(sizes[axis] / room - 1e-9)
    return _divided(
        relief, axis, count, math.ceil(sizes[axis] / count / step - 1e-6) * step, needs.hole_offset
    )


def _divided(relief: Region, axis: int, count: int, step: float, offset: float) -> Tiling:
    tiles = []
    for k in range(count):
        first, shift = k * step, (k * step * (axis == 0), k * step * (axis == 1))
        if axis == 0:
            right = min(relief.left + first + step, relief.right)
            region = Region(relief.left + first, relief.near, right, relief.far)
        else:
            far = min(relief.near + first + step, relief.far)
            region = Region(relief.left, relief.near + first, relief.right, far)
        tiles.append(Tile(k + 1, region, shift))
    if axis == 0:
        pins = ((relief.left, relief.near - offset), (relief.left, relief.far + offset))
    else:
        pins = ((relief.left - offset, relief.near), (relief.right + offset, relief.near))
    return Tiling(tuple(tiles), axis, step, pins)
