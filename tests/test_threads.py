"""The same job gives the same bytes, however many processors there are."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from tests import fields

ROOT = Path(__file__).parent.parent
# bands of rows and of tiles need more than one band to go round
WIDTH, PITCH = 40.0, 0.2


def carved(folder: Path, name: str, processors: set[int]) -> dict[str, bytes]:
    """Carve in a fresh interpreter that may use these processors; return the files of the job folder."""
    code = f"import os; os.sched_setaffinity(0, {processors!r})\nfrom relief.cli import main; main()"
    options = ["--pitch", str(PITCH), "--scallop", "0.1", "--quiet"]
    subprocess.run(
        [sys.executable, "-c", code, "carve", "target.npy", "-o", name, *options],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        check=True,
    )
    return {path.name: path.read_bytes() for path in sorted((folder / name).iterdir())}


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="processors cannot be chosen here")
def test_one_processor_and_all_of_them_leave_the_same_bytes(tmp_path: Path) -> None:
    """Every file of the folder is the same, programs, mesh, pictures, sheet and report alike."""
    np.save(tmp_path / "target.npy", fields.terrain(WIDTH, 5.0, PITCH).heights)
    everything = os.sched_getaffinity(0)
    alone, together = (
        carved(tmp_path, name, processors)
        for name, processors in (("alone", {min(everything)}), ("together", everything))
    )

    assert alone.keys() == together.keys()
    assert [name for name in alone if alone[name] != together[name]] == []
