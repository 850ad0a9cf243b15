"""The whole main job in order, and the workers that do it; no files are touched but those of voxels.

In: a ``Timeline``. Out: a :class:`Study` (:func:`analyse`) that holds everything found out about one case (centroids
(3,) LPS mm, times of stages in seconds); one outline from one point in LPS mm (:func:`outline_from_point`).
:class:`Kept` makes a second analysis redo only what follows from a change. Memory is MiB. ``LesionNeeded`` where no
candidate clearly wins, ``SeriesError`` where voxels cannot be read, ``CaseFileError`` for calibration that cannot be,
``KeyError`` for a scan that is not there. Source: each package that a step comes from names its own; the order, and
what a scan takes of the memory (``WORKING_MIB``), are our own.
"""

from __future__ import annotations

from .crew import WORKING_MIB, WORKING_SHARE, crew, free_mib, need_mib, scans_at_a_time
from .kept import Kept
from .order import Study, analyse, looked_at, outline_from_point

__all__ = [
    "WORKING_MIB",
    "WORKING_SHARE",
    "Kept",
    "Study",
    "analyse",
    "crew",
    "free_mib",
    "looked_at",
    "need_mib",
    "outline_from_point",
    "scans_at_a_time",
]
