"""The whole main job in order, and the workers that do it; no files are touched.

In: a ``Timeline``. Out: a :class:`Study` (:func:`analyse`) that holds everything found out about one case; one outline
from one point (:func:`outline_from_point`). :class:`Kept` makes a second analysis redo only what follows from a change.
``LesionNeeded`` where no candidate clearly wins.
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
