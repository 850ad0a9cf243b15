"""Whether the files of a case stayed as they were while they were read and measured.

Headers, voxels and the hash of the input are read at different times; were a file replaced in between, old voxels
would be reported under the hash of new ones, or new voxels at the place of old ones.
"""

from __future__ import annotations

import os

from ..base import InputError
from ..dicom import state_of
from ..results import texts
from ..timeline import Timeline


class Watch:
    """Knows size, times and identity that every file of a case had when its header was read."""

    def __init__(self, case: Timeline) -> None:
        images = [image for scan in case.scans for image in getattr(getattr(scan.source, "stack", None), "images", ())]
        self._seen = {str(image.where.path): image.where.state for image in images if image.where.state}

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
        return state_of(os.stat(path))
    except OSError:
        return ()
