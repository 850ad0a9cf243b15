"""Whether the files of a case stayed as they were while they were measured.

Headers, voxels and the hash of the input are read at different times; were a file replaced in between, old voxels
would be reported under the hash of new ones.
"""

from __future__ import annotations

import os

from ..base import InputError
from ..results import texts
from ..timeline import Timeline


class Watch:
    """Remembers size, times and identity of every file that a case is read from."""

    def __init__(self, case: Timeline) -> None:
        images = [image for scan in case.scans for image in getattr(getattr(scan.source, "stack", None), "images", ())]
        self._seen = {path: _state(path) for path in sorted({str(image.where.path) for image in images})}

    def check(self) -> None:
        """
        Raises
        ------
        InputError
            when a file was changed, replaced or removed since.
        """
        if any(_state(path) != state for path, state in self._seen.items()):
            raise InputError(texts.INPUT_CHANGED)


def _state(path: str) -> tuple[int, ...]:
    try:
        found = os.stat(path)
    except OSError:
        return ()
    return found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino
