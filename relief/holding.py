"""What joins a part to its board after all programs: measured on the carved stock, knowing of no plan."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from relief.heightfield import Heightfield

Mask = npt.NDArray[np.bool_]
Labels = npt.NDArray[np.int32]

# Stock thinner than this is cut through, mm: the lattice of the text and float32 heights explain it.
PAPER = 0.01
# How far across the cut a bridge must reach, as a share of the cut's width.
FAR_BANK = 0.9
# It is measured in so many bands from bank to bank, each reaching this share of the cut's width either way.
BANDS = 13
HALF_BAND = 0.1


@dataclass(frozen=True)
class Bridge:
    """Stock left standing across the cut beside a part: a tab, or something that was missed.

    Parameters
    ----------
    x, y : mm, its middle
    width : mm, of its narrowest place, along the outline
    height : mm, the mean there, above the bottom
    section : mm², width × height
    to_frame : whether it leads to the board's rim; if not, to waste inside the part
    """

    x: float
    y: float
    width: float
    height: float
    section: float
    to_frame: bool


@dataclass(frozen=True)
class Holding:
    """What holds the part, or the parts.

    Parameters
    ----------
    parts : number of separate parts
    loose_parts : how many of them nothing joins to the board's rim
    bridges : everything that leads from a part across the cut
    loose_waste : mm², area of waste that nothing holds
    """

    parts: int
    loose_parts: int
    bridges: tuple[Bridge, ...]
    loose_waste: float

    @property
    def section(self) -> float:
        """Area of all bridges to the board's rim, mm²."""
        return sum(bridge.section for bridge in self.bridges if bridge.to_frame)


def holding(carved: Heightfield, part: Mask, thickness: float, cut_width: float) -> Holding:
    """Find what is left standing between part and board.

    Parameters
    ----------
    carved : the whole stock after the last program, down to below its bottom
    part : (rows, columns) the nodes that belong to the part
    thickness : mm, of the stock
    cut_width : mm, diameter of the cutter that went round the part

    Returns
    -------
    Holding

    Notes
    -----
    Stock above the bottom is sorted into connected pieces (neighbours along x and y). Stock beside the part
    that reaches from it to the far side of the cut is a bridge. Its section at a distance d from the part is
    the volume between d ± Δ divided by 2 Δ; the least of these is the bridge's.
    """
    standing = carved.heights > PAPER - thickness
    labels = _labels(standing)
    rim = _on_rim(labels)
    parts = _labels(part & standing)
    beside = standing & ~part
    waste = standing & ~np.isin(labels, [*rim, *np.unique(labels[part])])
    return Holding(
        parts=int(parts.max()),
        loose_parts=sum(int(labels[parts == k][0]) not in rim for k in range(1, int(parts.max()) + 1)),
        bridges=tuple(_bridges(carved, part, beside, thickness, cut_width)),
        loose_waste=float(waste.sum() * carved.pitch**2),
    )


def _labels(mask: Mask) -> Labels:
    """Return the number of each node's connected piece, from 1; 0 outside the mask."""
    return np.asarray(ndimage.label(mask)[0], dtype=np.int32)


def _on_rim(labels: Labels) -> set[int]:
    """Return the pieces that reach the grid's rim."""
    rim = np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])
    return {int(label) for label in np.unique(rim) if label}


def _bridges(
    carved: Heightfield, part: Mask, beside: Mask, thickness: float, cut_width: float
) -> Iterator[Bridge]:
    """Yield what stands across the cut, in the order of the grid."""
    if not part.any():
        return
    pitch = carved.pitch
    away = np.asarray(ndimage.distance_transform_edt(~part)) * pitch
    outer = _labels(beside)
    rim = np.array(sorted(_on_rim(outer)))
    across = _labels(beside & (away < FAR_BANK * cut_width))
    for label, where in enumerate(ndimage.find_objects(across), start=1):
        mine = across[where] == label
        reach = away[where][mine]
        if reach.min() > 2 * pitch or reach.max() < FAR_BANK * cut_width - 2 * pitch:
            continue
        heights = carved.heights[where][mine].astype(np.float64) + thickness
        width, height = _narrowest(reach, heights, pitch, cut_width)
        rows, columns = np.nonzero(mine)
        yield Bridge(
            x=float(carved.x[where[1]][columns].mean()),
            y=float(carved.y[where[0]][rows].mean()),
            width=width,
            height=height,
            section=width * height,
            to_frame=bool(np.isin(outer[where][mine], rim).any()),
        )


def _narrowest(
    away: npt.NDArray[np.float64], heights: npt.NDArray[np.float64], pitch: float, cut_width: float
) -> tuple[float, float]:
    """Return width and mean height where a bridge's section is least.

    Sections are means over bands, several nodes wide, that lie one behind the other from bank to bank. A
    band counts a node the less the further it lies from the band's middle, in whole nodes' distances, so
    that a straight bridge along the grid is measured without loss.
    """
    half = pitch * max(round(HALF_BAND * cut_width / pitch), 2)
    middles = np.linspace(half + pitch, max(FAR_BANK * cut_width - half, half + pitch), BANDS)
    share = np.maximum(1 - np.abs(away[None, :] - middles[:, None]) / half, 0.0)
    count, volume = share.sum(axis=1), share @ heights
    least = int(np.argmin(volume))
    if not count[least]:
        return 0.0, 0.0
    return float(count[least] * pitch**2 / half), float(volume[least] / count[least])
