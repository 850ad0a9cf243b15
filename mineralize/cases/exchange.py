"""What the file system must do for results to be whole or absent: exchange, lock, and bring to disk."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
from collections.abc import Iterator
from pathlib import Path

try:
    import fcntl
except ImportError:  # not on this system
    fcntl = None  # type: ignore[assignment]

_RENAME_EXCHANGE = 2
"""linux/fs.h; renameat2(2)."""
_AT_FDCWD = -100
_NOT_HERE = {errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP, errno.EPERM, errno.EXDEV}
"""Answers of a kernel or file system that cannot exchange two folders."""


def exchange(one: Path, other: Path) -> bool:
    """Let two folders of one file system change places in one step; ``False`` where that cannot be had.

    Raises
    ------
    OSError
        where it could be had and failed.
    """
    try:
        call = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError, TypeError):
        return False
    call.argtypes = [ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_uint]
    if call(_AT_FDCWD, os.fsencode(one), _AT_FDCWD, os.fsencode(other), _RENAME_EXCHANGE) == 0:
        return True
    number = ctypes.get_errno()
    if number in _NOT_HERE:
        return False
    raise OSError(number, os.strerror(number))


def to_disk(path: Path) -> None:
    """Bring a file, or the names in a folder, to disk; where the file system cannot, nothing is done.

    Raises
    ------
    OSError
        where the system says only now that there was no room, or that the disk is broken.
    """
    try:
        handle = os.open(path, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EIO):
            raise
    finally:
        os.close(handle)


def all_to_disk(folder: Path) -> None:
    """:func:`to_disk` for a folder with everything in it."""
    for where, _, files in os.walk(folder, topdown=False):
        for name in files:
            path = Path(where, name)
            if path.is_file() and not path.is_symlink():
                to_disk(path)
        to_disk(Path(where))


@contextlib.contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold a folder against other runs for a moment; it ends with the process, however that ends.

    Where the file system knows no locks this holds nothing.
    """
    handle = _held(folder, wait=True)
    try:
        yield
    finally:
        if handle is not None:
            os.close(handle)


def hold(folder: Path) -> int | None:
    """Hold a folder as long as the process lives; the handle to close, ``None`` where there are no locks.

    Raises
    ------
    BlockingIOError
        where another process holds it.
    """
    return _held(folder, wait=False)


def _held(folder: Path, *, wait: bool) -> int | None:
    if fcntl is None:
        return None
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except BlockingIOError:
        os.close(handle)
        raise
    except OSError:  # such as a network drive without locks
        os.close(handle)
        return None
    return handle
