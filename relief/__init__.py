"""From a picture to a carved relief on a three-axis router.

The Python face of the same job that the command line does:

>>> from relief import Cutter, Heightfield, tip_surface
>>> field = Heightfield([[-1.0, 0.0, -1.0]], pitch=1.0)
>>> tip_surface(field, Cutter("flat", 2.0)).tolist()
[[0.0, 0.0, 0.0]]
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from relief.carving import carve_stock
    from relief.errors import ReliefError
    from relief.heightfield import Heightfield
    from relief.job import Job
    from relief.moves import Moves
    from relief.program.read import read_program
    from relief.report import Report
    from relief.shop.load import Shop
    from relief.shop.records import Cutter, Machine, Material
    from relief.surfaces import reachable_surface, tip_surface
    from relief.workflow import carve

__version__ = "0.1.0"

# Where each public name lives; imported when first asked for, so that `relief --help` answers at once.
_HOMES = {
    "Cutter": "relief.shop.records",
    "Heightfield": "relief.heightfield",
    "Job": "relief.job",
    "Machine": "relief.shop.records",
    "Material": "relief.shop.records",
    "Moves": "relief.moves",
    "ReliefError": "relief.errors",
    "Report": "relief.report",
    "Shop": "relief.shop.load",
    "carve": "relief.workflow",
    "carve_stock": "relief.carving",
    "reachable_surface": "relief.surfaces",
    "read_program": "relief.program.read",
    "tip_surface": "relief.surfaces",
}

__all__ = [
    "Cutter",
    "Heightfield",
    "Job",
    "Machine",
    "Material",
    "Moves",
    "ReliefError",
    "Report",
    "Shop",
    "__version__",
    "carve",
    "carve_stock",
    "reachable_surface",
    "read_program",
    "tip_surface",
]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        message = f"module 'relief' has no attribute {name!r}"
        raise AttributeError(message)
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return __all__
