"""Body for flat shapes: a silhouette blown up like a cushion."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
import scipy.sparse.linalg
from scipy import sparse

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

# Nodes along a side: up to the first a grid is solved directly, beyond the second a coarser one is enough.
DIRECT, ENOUGH = 160, 1000
SWEEPS, TURNS = 4, 2


def lifted(amount: Floats, inside: Mask, share: float) -> Floats:
    """Return the relief laid on a cushion.

    Parameters
    ----------
    amount : (rows, columns), 0 to 1
    inside : (rows, columns), the silhouette
    share : float, 0 to 1: how much of the depth the cushion takes; the relief keeps the rest

    Returns
    -------
    (rows, columns): share·cushion + (1 − share)·amount inside, 0 outside, stretched so that the highest is 1.
    """
    body = np.where(inside, share * cushion(inside) + (1 - share) * amount, 0.0)
    top = float(body.max())
    return body / top if top > 0 else body


def cushion(inside: Mask) -> Floats:
    """Return a round body over the silhouette: 1 at its highest, 0 at its rim.

    The square root of the membrane's height makes a disc half a sphere, and rims everywhere upright.
    """
    height = membrane(inside)
    top = float(height.max())
    return np.sqrt(height / top) if top > 0 else height


def membrane(inside: Mask) -> Floats:
    """Return the height of a membrane blown up over the silhouette: −Δh = 1 inside, 0 outside, in nodes².

    Notes
    -----
    Poisson's equation on the five-point stencil by multigrid (W. L. Briggs, V. E. Henson, S. F. McCormick, "A
    Multigrid Tutorial", SIAM 2000): smooth faults are mended on grids of half as many nodes, rough ones by
    relaxing, the coarsest grid is solved directly. Two turns leave about 3 % of the height on a disc of 120
    nodes and less on larger shapes, which no eye sees in a cushion.
    """
    if max(inside.shape) > ENOUGH:  # lengths there count double, so heights count four times
        height = 4 * _doubled(membrane(_halved(inside)), *inside.shape) * inside
        return np.maximum(_relaxed(height, inside.astype(np.float64), inside), 0.0)
    shapes = [inside]
    while max(shapes[-1].shape) > DIRECT:
        shapes.append(_halved(shapes[-1]))
    solve = _solver(shapes[-1])
    load = inside.astype(np.float64)
    height = np.zeros(inside.shape)
    for _ in range(TURNS if len(shapes) > 1 else 1):
        height += _mended(load - _stencil(height) * inside, shapes, solve)
    return np.maximum(height, 0.0)


def _mended(load: Floats, shapes: list[Mask], solve: Callable[[Floats], Floats]) -> Floats:
    """Return about the heights that this load makes: one turn through the coarser grids and back."""
    inside, coarser = shapes[0], shapes[1:]
    if not coarser:
        return solve(load)
    height = _relaxed(np.zeros_like(load), load, inside)
    fault = load - _stencil(height) * inside
    height += _doubled(_mended(_gathered(fault) * coarser[0], coarser, solve), *load.shape) * inside
    return _relaxed(height, load, inside)


def _stencil(height: Floats) -> Floats:
    """Return 4h − the four neighbours, with nothing beyond the border."""
    result = 4 * height
    result[1:] -= height[:-1]
    result[:-1] -= height[1:]
    result[:, 1:] -= height[:, :-1]
    result[:, :-1] -= height[:, 1:]
    return result


def _solver(inside: Mask) -> Callable[[Floats], Floats]:
    """Return what solves the equation on a coarse grid: one row of a sparse matrix for each node inside."""
    count = int(inside.sum())
    if count == 0:
        return np.zeros_like
    number = np.full((inside.shape[0] + 2, inside.shape[1] + 2), -1)
    number[1:-1, 1:-1][inside] = np.arange(count)
    pairs = []
    for one, other in ((number[:, :-1], number[:, 1:]), (number[:-1], number[1:])):
        both = (one >= 0) & (other >= 0)
        pairs.append(np.stack((one[both], other[both])))
    a, b = np.concatenate(pairs, axis=1)
    beside = sparse.coo_array((np.ones(a.size), (a, b)), shape=(count, count))
    matrix = sparse.csc_array(4 * sparse.eye_array(count) - beside - beside.T)
    factors = scipy.sparse.linalg.splu(matrix)

    def solve(load: Floats) -> Floats:
        height = np.zeros(inside.shape)
        height[inside] = factors.solve(load[inside])
        return height

    return solve


def _four(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return the sum over each four nodes that become one; beyond the border there is nothing."""
    rows, columns = values.shape
    even = np.pad(values, ((0, rows % 2), (0, columns % 2)))
    return np.asarray(even[0::2, 0::2] + even[1::2, 0::2] + even[0::2, 1::2] + even[1::2, 1::2])


def _halved(inside: Mask) -> Mask:
    """Return the silhouette on half as many nodes: inside where at least half of the four are."""
    return np.asarray(_four(inside.astype(np.int8)) >= 2)


def _gathered(load: Floats) -> Floats:
    """Return the load of each four nodes together: lengths double, so the mean load counts four times."""
    return _four(load)


def _doubled(coarse: Floats, rows: int, columns: int) -> Floats:
    """Return heights on the finer grid: each node a 9 : 3 : 3 : 1 mean of the four coarse ones around it."""
    for axis, size in ((0, rows), (1, columns)):
        padded = np.pad(coarse, [(1, 1) if a == axis else (0, 0) for a in (0, 1)])
        line = np.moveaxis(padded, axis, 0)
        finer = np.zeros((2 * coarse.shape[axis], *line.shape[1:]))
        finer[0::2] = 0.75 * line[1:-1] + 0.25 * line[:-2]
        finer[1::2] = 0.75 * line[1:-1] + 0.25 * line[2:]
        coarse = np.moveaxis(finer[:size], 0, axis)
    return np.ascontiguousarray(coarse)


def _relaxed(height: Floats, load: Floats, inside: Mask) -> Floats:
    """Relax the equation by Jacobi's sweeps, with the steps of Chebyshev's polynomial over the rough half."""
    for sweep in range(SWEEPS):
        # the coarse grid cannot see the part of the operator whose scaled eigenvalues lie in 0.5 … 2
        step = 1 / (1.25 + 0.75 * np.cos(np.pi * (2 * sweep + 1) / (2 * SWEEPS)))
        fault = load - _stencil(height)
        fault *= inside
        fault *= step / 4
        height += fault
    return height
