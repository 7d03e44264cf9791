"""A second opinion that shares nothing with `relief`: a plain reader of program text, and carving by scipy.

The reader knows just what our programs may hold (G0 and G1 in absolute millimetres or inches); the carving
places dense samples of each move and takes, for every node, the lowest underside of the cutter over it.
"""

from __future__ import annotations

import re
from collections.abc import Callable

import numpy as np
from scipy.spatial import cKDTree

WORD = re.compile(r"([A-Z])([+-]?(?:\d+\.?\d*|\.\d+))")


def positions(text: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return (n, 3) positions in mm (NaN where unknown), (n,) whether a rapid leads there, (n,) its feed."""
    scale, rapid, feed, ended = 1.0, True, 0.0, False
    here = [np.nan, np.nan, np.nan]
    found = []
    for line in text.upper().splitlines():
        words = WORD.findall(re.sub(r"\(.*?\)", "", line).replace(" ", ""))
        moved = False
        for letter, number in words:
            value = float(number)
            if letter == "G" and value == 20:
                scale = 25.4
            elif letter == "G" and value in (0, 1):
                rapid = value == 0
            elif letter == "F":
                feed = value * scale
            elif letter in "XYZ":
                here["XYZ".index(letter)] = value * scale
                moved = True
            ended |= letter == "M" and value in (2, 30)  # RS274/NGC s3.1: nothing after it is read
        if moved:
            found.append((*here, rapid, feed))
        if ended:
            break
    table = np.array(found, dtype=float).reshape(-1, 5)
    return table[:, :3], table[:, 3].astype(bool), table[:, 4]


def carved(
    shape: tuple[int, int],
    pitch: float,
    points: np.ndarray,
    underside: Callable[[np.ndarray], np.ndarray],
    radius: float,
    spacing: float,
    chunk: int = 4000,
) -> np.ndarray:
    """Return the surface that the moves leave of flat stock at z = 0.

    Parameters
    ----------
    shape : (rows, columns) of the grid whose node (0, 0) is the origin
    points : (n, 3) mm, positions on the way
    underside : s(r), height of the cutter's underside above its tip
    spacing : mm between samples of a move
    """
    rows, columns = shape
    y, x = np.mgrid[0:rows, 0:columns] * pitch
    nodes = cKDTree(np.column_stack([x.ravel(), y.ravel()]))
    surface = np.zeros(rows * columns)
    places = samples(points, spacing)
    near = (
        (places[:, 0] > -radius)
        & (places[:, 0] < x.max() + radius)
        & (places[:, 1] > -radius)
        & (places[:, 1] < y.max() + radius)
        & (places[:, 2] < 0)
    )
    places = places[near]
    for start in range(0, len(places), chunk):
        part = places[start : start + chunk]
        pairs = cKDTree(part[:, :2]).sparse_distance_matrix(nodes, radius, output_type="ndarray")
        np.minimum.at(surface, pairs["j"], part[pairs["i"], 2] + underside(pairs["v"]))
    return surface.reshape(shape)


def samples(points: np.ndarray, spacing: float) -> np.ndarray:
    """Return positions no further apart than `spacing`, both ends of every move among them."""
    known = points[np.isfinite(points).all(axis=1)]
    steps = np.diff(known, axis=0)
    pieces = np.maximum(np.ceil(np.linalg.norm(steps, axis=1) / spacing).astype(int), 1)
    at = np.concatenate([np.arange(1, n + 1) / n for n in pieces]) if len(pieces) else np.zeros(0)
    move = np.repeat(np.arange(len(pieces)), pieces)
    return np.concatenate([known[:1], known[move] + at[:, None] * steps[move]])
