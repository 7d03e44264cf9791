"""What the sheet's 3-D view shows: the stock after each program, small enough to travel inside the page."""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image
from scipy import ndimage

from relief import colours
from relief.heightfield import Heightfield
from relief.lighting import open_sky
from relief.pictures import deviation_limit
from relief.setup import Setup

# Nodes along the view's longer side: a phone turns that many without effort, and no finer ones would be seen.
LONGEST = 400
# Colours of the scale of deviations; the number after the last stands for what was not judged.
COLOURS = 239


@dataclass(frozen=True, eq=False)
class Stage:
    """The stock after a program.

    Parameters
    ----------
    name : what the page calls it
    surface : Heightfield over the whole stock
    """

    name: str
    surface: Heightfield


def scene_json(stages: Sequence[Stage], finished: Heightfield, setup: Setup) -> str:
    """Return the view's surfaces as JSON that may stand inside a script element.

    Parameters
    ----------
    stages : in running order, all on one grid
    finished : the carved surface that is compared with the target, on the same grid
    setup : Setup

    Returns
    -------
    JSON: columns, rows, step (mm between nodes along x and y), low and high (mm, what 0 and 65535 of a height
    stand for), bottom (mm), stages [{name, heights, sky}], deviation, palette. Arrays are base64 of bytes,
    row 0 near: heights uint16 little-endian; sky uint8, the share of the sky that a node sees; deviation
    uint8, the number of a colour; palette 3 bytes a colour.
    """
    low = -setup.job.stock.thickness
    shown = [_thinned(np.maximum(stage.surface.heights, low)) for stage in stages]
    high = max(0.0, max(float(heights.max()) for heights in shown))
    rows, columns = shown[-1].shape
    step = (finished.width / (columns - 1), finished.length / (rows - 1))
    table = {
        "columns": columns,
        "rows": rows,
        "step": step,
        "low": low,
        "high": high,
        "bottom": low,
        "stages": [
            {"name": stage.name, **_arrays(heights, low, high, step[0])}
            for stage, heights in zip(stages, shown, strict=True)
        ],
        "deviation": _text(_deviation(finished, setup)),
        "palette": _text(colours.diverging(COLOURS)),
    }
    # "<" could end the script element that holds the table
    return json.dumps(table, sort_keys=True).replace("<", "\\u003c")


def final_deviation(surface: Heightfield, setup: Setup) -> npt.NDArray[np.float64]:
    """Return carved minus target at the relief's nodes, mm."""
    return np.asarray(surface.cropped(setup.region).heights.astype(np.float64) - setup.relief.heights)


def _arrays(heights: npt.NDArray[np.float32], low: float, high: float, step: float) -> dict[str, str]:
    scaled = np.round((heights.astype(np.float64) - low) * (65535 / (high - low)))
    sky = np.round(255 * np.clip(open_sky(heights.astype(np.float64), step), 0, 1))
    return {"heights": _text(scaled.astype("<u2")), "sky": _text(sky.astype(np.uint8))}


def _thinned(values: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Return a grid of at most LONGEST nodes a side over the same area, each a mean of those around it."""
    rows, columns = values.shape
    scale = min(1.0, LONGEST / max(rows, columns))
    size = (max(2, round(columns * scale)), max(2, round(rows * scale)))
    return np.asarray(Image.fromarray(values).resize(size, Image.Resampling.BILINEAR), dtype=np.float32)


def _deviation(surface: Heightfield, setup: Setup) -> npt.NDArray[np.uint8]:
    """Return the colour number of carved minus target at the nodes of the view, outside too."""
    deviation = final_deviation(surface, setup)
    limit = deviation_limit(deviation, setup.job.output.units)
    deviation = _worst_around(deviation, -(-max(surface.rows, surface.columns) // LONGEST))
    number = np.clip((deviation / limit / 2 + 0.5) * COLOURS, 0, COLOURS - 1)
    whole = np.full(surface.heights.shape, COLOURS, dtype=np.uint8)
    whole[surface.window(setup.region)] = number
    if setup.part is not None:
        whole[~setup.part.nodes] = COLOURS
    rows, columns = _thinned(surface.heights).shape
    return whole[np.ix_(_nodes(surface.rows, rows), _nodes(surface.columns, columns))]


def _worst_around(values: npt.NDArray[np.float64], size: int) -> npt.NDArray[np.float64]:
    """Return at each node the value largest in size among those around it, so that thinning hides nothing."""
    high, low = ndimage.maximum_filter(values, size), ndimage.minimum_filter(values, size)
    return np.asarray(np.where(high >= -low, high, low))


def _nodes(many: int, few: int) -> npt.NDArray[np.int64]:
    """Return which of many nodes stand for the few."""
    return ((np.arange(few) + 0.5) * many / few).astype(np.int64)


def _text(array: npt.NDArray[Any]) -> str:
    return base64.b64encode(np.ascontiguousarray(array).tobytes()).decode("ascii")
