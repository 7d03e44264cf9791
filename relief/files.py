"""Reading whole files, and only such that end: a pipe or a device may go on for ever."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path


def whole_file(path: Path, most: int) -> bytes:
    """Return the content of an ordinary file.

    Parameters
    ----------
    path : of the file; links are followed
    most : bytes; a larger file is not read

    Raises
    ------
    OSError
        There is none, it is a folder, a pipe or a device, or it is larger; `strerror` says which.
    """
    status = path.stat()
    if stat.S_ISDIR(status.st_mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    if not stat.S_ISREG(status.st_mode):
        raise OSError(errno.EINVAL, "is no ordinary file", str(path))
    if status.st_size > most:
        raise OSError(errno.EFBIG, f"is larger than {most // 2**20} MiB", str(path))
    return path.read_bytes()
