"""Random shops and jobs stay inside their machine's limits; `python -m tests.soak shops` tries 200."""

from __future__ import annotations

import pytest

from tests.soak.shops import shops


@pytest.mark.parametrize("seed", [1, 2])
def test_no_program_asks_for_more_than_the_machine_has(seed: int) -> None:
    """Speeds, feeds along each axis and travel, from the text; a drag point's program starts no spindle."""
    assert shops(4, seed) == 0
