"""Compiled kernels are kept or dropped all together."""

from __future__ import annotations

from pathlib import Path

import pytest

from relief.kernels import cache


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a folder with what an earlier run has left in it, and its fingerprint."""
    monkeypatch.setattr(cache, "_folder", lambda: tmp_path)
    monkeypatch.setattr(cache, "swept_height", cache.kernels_compiled, raising=True)
    monkeypatch.setattr(cache.swept_height, "stats", None, raising=False)
    cache.forget_stale()
    for name in ("sweep.sweep_tile-1.py311.nbi", "sweep.sweep_tile-1.py311.1.nbc", "sweep.cpython-311.pyc"):
        (tmp_path / name).touch()
    cache.mark_compiled()
    return tmp_path


def test_what_was_compiled_from_these_sources_is_kept(kept: Path) -> None:
    """A second run finds all that the first has left."""
    before = sorted(kept.iterdir())
    cache.forget_stale()
    assert sorted(kept.iterdir()) == before
    assert cache.kernels_compiled()


def test_another_source_drops_every_kernel(kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A kernel holds what it calls in other files, so none outlives a change of any."""
    monkeypatch.setattr(cache, "_fingerprint", lambda: "another")
    cache.forget_stale()
    assert [path.name for path in sorted(kept.iterdir())] == [cache.PRINT, "sweep.cpython-311.pyc"]
    assert not cache.kernels_compiled()
