"""A solid seen from above: its highest point over each node, triangle by triangle."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from relief.kernels.bands import in_bands
from relief.kernels.compiled import kernel

Doubles = npt.NDArray[np.float64]

# A node this close to an edge, as a share of the triangle, counts as inside: neighbours leave no crack.
NEAR = 1e-9


def seen_from_above(triangles: Doubles, top: Doubles, under: Doubles) -> None:
    """Write the highest surface over each node, and the highest one that faces down.

    Parameters
    ----------
    triangles : (n, 3, 3) corners, counter-clockwise from outside; x counted in columns, y in rows, z any
    top, under : (rows, columns) written; −inf where there is nothing

    Notes
    -----
    Where node (j, i) lies inside a triangle's outline, z is that of its plane there: exact for the facets.
    Upright triangles cover no area; their edges belong to their neighbours too. Cost: the nodes inside the
    triangles' boxes, and one look at each triangle for each band of rows.
    """
    in_bands(lambda first, last: _band(triangles, first, last, top, under), top.shape[0])


@kernel
def _band(triangles: Any, first: int, last: int, top: Any, under: Any) -> None:
    """Do the rows first ≤ j < last."""
    top[first:last], under[first:last] = -np.inf, -np.inf
    columns = top.shape[1]
    for n in range(triangles.shape[0]):
        ax, ay, az = triangles[n, 0, 0], triangles[n, 0, 1], triangles[n, 0, 2]
        bx, by, bz = triangles[n, 1, 0], triangles[n, 1, 1], triangles[n, 1, 2]
        cx, cy, cz = triangles[n, 2, 0], triangles[n, 2, 1], triangles[n, 2, 2]
        low, high = (
            max(first, int(np.ceil(min(ay, by, cy) - NEAR))),
            min(last - 1, int(max(ay, by, cy) + NEAR)),
        )
        area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if low > high or area == 0.0:
            continue
        left, right = (
            max(0, int(np.ceil(min(ax, bx, cx) - NEAR))),
            min(columns - 1, int(max(ax, bx, cx) + NEAR)),
        )
        for j in range(low, high + 1):
            for i in range(left, right + 1):
                of_b = ((i - ax) * (cy - ay) - (j - ay) * (cx - ax)) / area
                of_c = ((bx - ax) * (j - ay) - (by - ay) * (i - ax)) / area
                if of_b < -NEAR or of_c < -NEAR or of_b + of_c > 1.0 + NEAR:
                    continue
                # on slivers rounding could leave the plane: never leave the corners' range
                z = min(max(az + of_b * (bz - az) + of_c * (cz - az), min(az, bz, cz)), max(az, bz, cz))
                top[j, i] = max(top[j, i], z)
                if area < 0.0:
                    under[j, i] = max(under[j, i], z)
