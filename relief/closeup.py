"""The verdict on the scallop from closer up: the same programs, carved again on a grid twice as fine.

What is planned on a grid holds at its nodes; whether it holds between them, only another grid can tell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from relief.carving import carve_windows
from relief.evidence import ReadProgram
from relief.finer import CloseUp, Flags, Lens, Window, halved, noise_floor, spread_out
from relief.heightfield import Heightfield, Heights, Region
from relief.measures import CAUSES, FineFigures, Shortfall, scallop_figures, scallop_heights
from relief.shop.records import Cutter

# Nodes of the finer grid that may be worked through: about a second on two cores of today.
WORK = 4e6
# One window in so many is taken for its ridges, the highest on the relief's own grid, and not to be fair.
WORST = 4
# Nodes of the relief's grid: what is no further from a wall or from the relief's edge, that explains.
NEAR = 2


@dataclass(frozen=True, eq=False)
class CloseLook:
    """What a grid twice as fine shows.

    Parameters
    ----------
    figures : FineFigures
    ridges : (rows, columns) mm, on the relief's own grid: the highest ridge about each node that was looked
        at; NaN elsewhere, and on walls
    """

    figures: FineFigures
    ridges: Heights


@dataclass(frozen=True, eq=False)
class _View:
    """A window and what the programs leave in it, on the finer grid.

    Parameters
    ----------
    window, seen : where it lies, and the surface it is compared with
    carved : what the programs leave
    ridges : mm, normal to the surface
    own : which nodes are judged
    missed : which lie beside a node of the relief's grid that stands too high itself
    """

    window: Window
    seen: CloseUp
    carved: Heightfield
    ridges: Heights
    own: Flags
    missed: Flags


def look_closely(
    programs: Sequence[ReadProgram],
    target: Heightfield,
    region: Region,
    cutter: Cutter,
    ridges: Heights,
    own: Flags,
    tolerance: float,
) -> CloseLook:
    """Carve programs again on a grid twice as fine: all of a small relief, windows of a large one.

    Parameters
    ----------
    programs : those that make the surface, in running order
    target : over the whole stock
    region : the relief's box
    cutter : the one whose best surface the ridges are counted from
    ridges : (rows, columns) mm, as the relief's own grid shows them; some windows are chosen by them
    own : (rows, columns), which nodes of the relief are judged
    tolerance : mm, the scallop asked for
    """
    lens = Lens.over(target, region, cutter)
    windows, share = _chosen(lens, ridges, own)
    seen = lens.look(windows)
    carved = [each.reach.with_heights(np.zeros_like(each.reach.heights)) for each in seen]
    for program in programs:
        if program.cutter is not None:
            carved = carve_windows(carved, program.moves, program.cutter)
    views = [_view(*each, own, ridges > tolerance) for each in zip(windows, seen, carved, strict=True)]
    short = [_explained(view, region, tolerance) for view in views]
    return CloseLook(_figures(views, short, share, tolerance), _shown(views, own.shape))


def _chosen(lens: Lens, ridges: Heights, own: Flags) -> tuple[list[Window], float]:
    """Return the windows to look at, and their share of all that is judged.

    Most are spread evenly, the rest lie where the ridges are highest.
    """
    windows = [window for window in lens.windows() if own[window.nodes].any()]
    count = lens.affordable(windows, WORK)
    chosen = spread_out(windows, count - count // WORST)
    if len(chosen) < len(windows):
        judged = np.where(own, ridges, 0)
        rest = sorted(
            set(windows) - set(chosen), key=lambda w: (-float(judged[w.nodes].max()), w.near, w.left)
        )
        chosen += rest[: count // WORST]
    areas = [sum(int(own[window.nodes].sum()) for window in some) for some in (chosen, windows)]
    return chosen, areas[0] / max(areas[1], 1)


def _view(window: Window, seen: CloseUp, carved: Heightfield, own: Flags, missed: Flags) -> _View:
    nodes = slice(window.near, window.far + 1), slice(window.left, window.right + 1)
    inside, high = (
        halved(flags[nodes].astype(np.float32))[: carved.rows, : carved.columns] for flags in (own, missed)
    )
    return _View(window, seen, carved, scallop_heights(carved, seen.reach), inside == 1, high > 0)


def _explained(view: _View, region: Region, tolerance: float) -> dict[str, Flags]:
    """Return which nodes stand higher than asked, by the cause that explains them."""
    left = view.own & (view.ridges > tolerance)
    if not left.any():
        return {}
    near, field = 2 * NEAR, view.carved
    beside = ndimage.binary_dilation(view.seen.walls, np.ones((3, 3), np.bool_), iterations=near)
    along, across = (
        np.minimum(at - low, high - at) <= near * field.pitch
        for at, low, high in ((field.y, region.near, region.far), (field.x, region.left, region.right))
    )
    found = {}
    signs = (view.seen.walls, beside, along[:, None] | across, ~view.missed, left)
    for cause, nodes in zip(CAUSES, signs, strict=True):
        found[cause] = left & nodes
        left = left & ~nodes
    return found


def _figures(
    views: Sequence[_View], short: Sequence[dict[str, Flags]], share: float, tolerance: float
) -> FineFigures:
    ridges = np.concatenate([view.ridges[view.own] for view in views])
    walls = np.concatenate([view.seen.walls[view.own] for view in views])
    figures = scallop_figures(ridges, walls, tolerance)
    found = [each for cause in CAUSES if (each := _shortfall(views, short, cause, ridges.size))]
    return FineFigures(
        **vars(figures),
        pitch=views[0].carved.pitch,
        share=share,
        floor=noise_floor([view.seen for view in views]),
        short=tuple(sorted(found, key=lambda each: -each.share)),
    )


def _shortfall(
    views: Sequence[_View], short: Sequence[dict[str, Flags]], cause: str, size: int
) -> Shortfall | None:
    """Return how much of what was looked at stands too high for one cause, and where it is worst."""
    met = [
        (view, nodes[cause]) for view, nodes in zip(views, short, strict=True) if nodes and nodes[cause].any()
    ]
    if not met:
        return None
    view, nodes = max(met, key=lambda pair: float(pair[0].ridges[pair[1]].max()))
    ridges = np.where(nodes, view.ridges, 0)
    j, i = divmod(int(ridges.argmax()), ridges.shape[1])
    return Shortfall(
        cause=cause,
        share=sum(int(nodes.sum()) for _, nodes in met) / size,
        max=float(ridges[j, i]),
        x=float(view.carved.x[i]),
        y=float(view.carved.y[j]),
    )


def _shown(views: Sequence[_View], shape: tuple[int, ...]) -> Heights:
    """Return the highest ridge about each node of the relief; NaN where it was not looked at."""
    shown = np.full(shape, np.float32(np.nan))
    for view in views:
        ridges = np.where(view.own & ~view.seen.walls, view.ridges, np.float32(np.nan))
        tall, wide = -(-ridges.shape[0] // 2), -(-ridges.shape[1] // 2)
        about = np.full((2 * tall, 2 * wide), np.float32(np.nan))
        about[: ridges.shape[0], : ridges.shape[1]] = ridges
        highest = np.fmax.reduce(about.reshape(tall, 2, wide, 2), axis=(1, 3))
        window = view.window
        shown[window.near : window.near + tall, window.left : window.left + wide] = highest
    return shown
