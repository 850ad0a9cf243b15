"""Voxels of large scans in a file without a name, from which the system maps what is looked at.

Five scans of 512 x 512 x 300 are 750 MiB, and most of them are looked at by one stage after the other only. The file
has no name from the start and is this user's alone: whatever ends this process, no file stays behind. The blocks that
it took on the drive are free then, not erased.
"""

from __future__ import annotations

import contextlib
import mmap
import os
import shutil
import tempfile
from typing import Any

import numpy as np
from numpy.typing import NDArray

FROM_BYTES = 32 * 2**20
"""Smaller scans stay in memory: ten of them take what the libraries do (own judgement, as the next)."""
LEFT_FREE = 4
"""So many times the voxels must be free on the drive, so that results find room beside those of a few scans."""
ON_DISK = "/var/tmp"
"""Rather than the folder for short-lived files, which may itself lie in memory (Filesystem Hierarchy Standard 5.15)."""


def kept_in_memory(size: int) -> bool:
    """Whether voxels of so many bytes stay in memory: they are few, or the drive has no room."""
    # Elsewhere an open file keeps its name, and one that is killed leaves it.
    if size < FROM_BYTES or os.name != "posix":
        return True
    try:
        return shutil.disk_usage(_folder()).free < LEFT_FREE * size
    except OSError:
        return True


def laid_down(voxels: NDArray[Any]) -> NDArray[Any]:
    """The same values (slices, rows, columns), read-only, of which only what is looked at takes memory; the array
    itself where it is kept in memory."""
    if kept_in_memory(voxels.nbytes):
        return voxels
    with contextlib.suppress(OSError, ValueError):
        folder = _folder()
        with tempfile.TemporaryFile(dir=folder, buffering=0) as file:
            left = memoryview(np.ascontiguousarray(voxels).data).cast("B")
            while left:
                left = left[file.write(left) :]
            held = mmap.mmap(file.fileno(), voxels.nbytes, access=mmap.ACCESS_READ)
        return np.frombuffer(held, voxels.dtype).reshape(voxels.shape)
    return voxels


def rest(voxels: NDArray[Any]) -> None:
    """Let go of the memory in which a mapped array (of any shape) lies, until it is looked at again."""
    held: object = voxels
    while isinstance(held, np.ndarray):
        held = held.base
    if isinstance(held, memoryview):
        held = held.obj
    if isinstance(held, mmap.mmap) and hasattr(held, "madvise"):
        held.madvise(mmap.MADV_DONTNEED)


def _folder() -> str:
    asked = os.environ.get("TMPDIR", "")
    if not asked and os.path.isdir(ON_DISK) and os.access(ON_DISK, os.W_OK):
        return ON_DISK
    return tempfile.gettempdir()
