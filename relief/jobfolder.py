"""The job folder on disk: it appears whole or not at all; the only module that makes a job's files appear."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import uuid
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from relief.errors import FolderError
from relief.files import whole_file
from relief.tables import one_line

# Files that file browsers drop into any folder; nobody misses them.
_LITTER = frozenset({".DS_Store", "Thumbs.db", "desktop.ini"})

# A folder being made is written in seconds; one this much older than ours was left by a run that was killed.
_STALE_SECONDS = 600.0

# A larger file is no report of ours.
LARGEST_REPORT = 2**28


def check_folder(folder: Path, replace: bool) -> None:
    """Refuse, before the long work, a folder that could not be written after it.

    Parameters
    ----------
    folder : Path of the job folder
    replace : whether an earlier job folder of that name may be replaced

    Raises
    ------
    FolderError
        The folder exists (and may not be replaced, or is no job folder of ours), its parent is missing or
        nothing can be written there.
    """
    folder = _resolved(folder)
    _put_back(folder)
    _refuse_existing(folder, replace)
    trial = _beside(folder, "making")
    with _told(folder):
        try:
            trial.mkdir()
        finally:
            with suppress(FileNotFoundError):
                trial.rmdir()


def write_folder(folder: Path, files: Mapping[str, bytes], replace: bool) -> None:
    """Write a job folder: all files beside it, flushed to disk, then renamed into place at the end.

    Parameters
    ----------
    folder : Path of the job folder
    files : contents by plain file name
    replace : whether an earlier job folder of that name may be replaced

    Raises
    ------
    FolderError
        As `check_folder`, or the disk refuses. Nothing is left then, and an earlier folder is untouched.

    Notes
    -----
    A run that is killed leaves at most a hidden folder beside; the next run into the same folder removes it,
    and puts back an earlier folder that was caught between the two renames of a replacement.
    """
    folder = _resolved(folder)
    _put_back(folder)
    _refuse_existing(folder, replace)
    staging = _beside(folder, "making")
    with _told(folder):
        try:
            staging.mkdir()
            _sweep(folder, staging)
            for name, content in files.items():
                _write_file(staging / _plain(name), content)
            _flush_folder(staging)
            earlier = _move_in(staging, folder)
        except BaseException:
            shutil.rmtree(staging, ignore_errors=True)
            raise
    try:
        with suppress(OSError):  # the new folder stands; some disks cannot be told to flush its name
            _flush_folder(folder.parent)
    finally:
        if earlier is not None:
            _remove(earlier)


def check_file(path: Path, replace: bool = False) -> None:
    """Refuse, before the long work, a single file that could not be written after it.

    Raises
    ------
    FolderError
        The path is a folder or a file that may not be replaced, its parent is missing or nothing can be
        written there.
    """
    path = _resolved(path)
    _refuse_parent(path)
    trial = _beside(path, "making")
    with _told(path):
        if path.is_dir():
            message = f"{_shown(path)}: is a folder; name a file"
            raise FolderError(message)
        if path.is_file() and not replace:
            message = f"{_shown(path)}: already there; name another file"
            raise FolderError(message)
        try:
            _write_file(trial, b"")
        finally:
            trial.unlink(missing_ok=True)


def write_file(path: Path, content: bytes) -> None:
    """Write a single file beside its place, flush it and rename it there, over an earlier one.

    Raises
    ------
    FolderError
        As `check_file`, or the disk refuses. Nothing is left then, and an earlier file is untouched.
    """
    path = _resolved(path)
    check_file(path, replace=True)
    staging = _beside(path, "making")
    with _told(path):
        try:
            _write_file(staging, content)
            staging.replace(path)
        finally:
            staging.unlink(missing_ok=True)
        with suppress(OSError):
            _flush_folder(path.parent)


def _resolved(folder: Path) -> Path:
    """Return the folder as an absolute path, links followed, so that every rename stays on its own disk."""
    try:
        resolved = folder.expanduser().resolve()
    except (OSError, RuntimeError, ValueError) as error:
        message = f"{_shown(folder)}: {one_line(str(error))}; choose another folder with --out"
        raise FolderError(message) from None
    if resolved.parent == resolved:
        message = f"{_shown(folder)}: that is the whole disk; name a folder on it with --out"
        raise FolderError(message)
    return resolved


def _refuse_existing(folder: Path, replace: bool) -> None:
    _refuse_parent(folder)
    with _told(folder):
        if not folder.exists():
            return
        if not folder.is_dir():
            message = f"{_shown(folder)}: is a file; choose another folder with --out"
            raise FolderError(message)
        if not replace:
            message = f"{_shown(folder)}: already there; add --replace, or choose another with --out"
            raise FolderError(message)
        stranger = _stranger(folder)
        if stranger:
            message = f"{_shown(folder)}: will not be replaced: {stranger}; choose another folder with --out"
            raise FolderError(message)


def _refuse_parent(path: Path) -> None:
    with _told(path):
        if not path.parent.is_dir():
            fault = "is a file" if path.parent.exists() else "does not exist"
            message = f"{_shown(path.parent)}: {fault}; make that folder, or choose another"
            raise FolderError(message)


def _stranger(folder: Path) -> str:
    """Return why a folder may hold something that is not ours to delete, or an empty text."""
    names = sorted(entry.name for entry in folder.iterdir())
    if not names:
        return ""
    ours = _names_in_report(folder / "report.json")
    if "job.toml" not in names or not ours:
        return "it is no job folder made by relief"
    strange = [name for name in names if name not in ours and name not in _LITTER]
    linked = [name for name in names if (folder / name).is_dir()]
    if strange or linked:
        return f'it holds "{one_line((strange or linked)[0])}", which relief did not make; move that away'
    return ""


def _names_in_report(path: Path) -> set[str]:
    """Return the names of the files that a job's report answers for; none when it is no such report."""
    try:
        report = json.loads(whole_file(path, LARGEST_REPORT))
        return {*report["sha256"], path.name} if "relief_version" in report else set()
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return set()


def _plain(name: str) -> str:
    if not name or name in (".", "..") or Path(name).name != name or "\0" in name:
        message = f"{name!r} is no plain file name for a job folder"
        raise FolderError(message)
    return name


def _write_file(path: Path, content: bytes) -> None:
    with path.open("xb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _flush_folder(folder: Path) -> None:
    """Make the names in a folder safe on disk, where the system can."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _move_in(staging: Path, folder: Path) -> Path | None:
    """Rename the finished folder into place; return where an earlier one now stands aside."""
    if not folder.exists():
        staging.rename(folder)
        return None
    aside = _beside(folder, "before")
    try:
        folder.rename(aside)
        staging.rename(folder)
    except BaseException:
        if aside.exists() and not folder.exists():
            aside.rename(folder)
        raise
    return aside


def _remove(earlier: Path) -> None:
    """Remove a replaced folder; the new one stands already, so an interrupt must not stop half-way."""
    try:
        shutil.rmtree(earlier)
    except OSError as error:
        message = (
            f"{_shown(earlier)}: the new job folder is in place, but this earlier one could not be removed"
            f" ({_reason(error)}); delete it by hand"
        )
        raise FolderError(message) from None
    except BaseException:
        shutil.rmtree(earlier, ignore_errors=True)
        raise


def _put_back(folder: Path) -> None:
    """Put back an earlier folder that a killed run left aside between its two renames."""
    with _told(folder):
        if folder.exists() or not folder.parent.is_dir():
            return
        for aside in _ours(folder, "before"):
            aside.rename(folder)
            return


def _sweep(folder: Path, staging: Path) -> None:
    """Remove what killed runs left beside: replaced folders, and folders begun long before ours."""
    now = staging.stat().st_mtime
    for old in _ours(folder, "making"):
        with suppress(OSError):
            if now - old.stat().st_mtime > _STALE_SECONDS:
                shutil.rmtree(old)
    if folder.exists():
        for old in _ours(folder, "before"):
            shutil.rmtree(old, ignore_errors=True)


def _beside(folder: Path, purpose: str) -> Path:
    return folder.parent / f"{_mark(folder)}{uuid.uuid4().hex[:12]}.{purpose}"


def _ours(folder: Path, purpose: str) -> list[Path]:
    return sorted(folder.parent.glob(f"{_mark(folder)}*.{purpose}"))


def _mark(folder: Path) -> str:
    """Return how the hidden folders beside this one begin; a digest, as a long name would grow too long."""
    return f".relief-{hashlib.sha256(os.fsencode(folder.name)).hexdigest()[:16]}-"


@contextmanager
def _told(folder: Path) -> Iterator[None]:
    """Turn what the system says into one line for the user."""
    try:
        yield
    except OSError as error:
        message = f"{_shown(folder)}: cannot be written ({_reason(error)}); make room or choose another place"
        raise FolderError(message) from None


def _reason(error: OSError) -> str:
    return one_line((error.strerror or str(error)).lower())


def _shown(path: Path) -> str:
    return one_line(str(path))
