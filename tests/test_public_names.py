"""The names that `from relief import …` promises: all there, no others, and none of them loaded too early."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import relief

PROMISED = {
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
}


def test_the_promised_names_are_the_public_ones() -> None:
    """`__all__`, `dir()` and the promise agree."""
    assert set(relief.__all__) == PROMISED
    assert set(dir(relief)) == PROMISED


@pytest.mark.parametrize("name", sorted(PROMISED))
def test_a_public_name_can_be_had(name: str) -> None:
    """Each name leads to a thing that calls itself so."""
    thing = getattr(relief, name)
    assert name == "__version__" or thing.__name__ == name
    assert name == "__version__" or thing.__doc__


def test_an_unknown_name_is_refused() -> None:
    """A name that is not public raises AttributeError, as any module's would."""
    with pytest.raises(AttributeError, match="module 'relief' has no attribute 'carv'"):
        relief.carv  # noqa: B018  the access is what is tested


def test_the_version_is_the_projects() -> None:
    """The version is stated in the project file and in the package, and agrees."""
    project = tomllib.loads((Path(__file__).parent.parent / "pyproject.toml").read_text(encoding="utf-8"))
    assert relief.__version__ == project["project"]["version"]


def test_the_package_is_light_until_a_name_is_asked_for() -> None:
    """`import relief` loads neither arrays nor compilers, so that help answers at once."""
    code = "import sys, relief; print(*sorted({m.split('.')[0] for m in sys.modules}))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert {"numpy", "numba", "scipy", "PIL"} & set(loaded.split()) == set()
