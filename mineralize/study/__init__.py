"""The whole main job in order, and the workers that do it; no files are touched.

In: a ``Timeline``. Out: a :class:`Study` (:func:`analyse`) that holds everything found out about one case.
``LesionNeeded`` where no candidate clearly wins.
"""

from __future__ import annotations

from .crew import WORKING_MIB, WORKING_SHARE, cores, crew, free_mib, scans_at_a_time
from .order import Study, analyse

__all__ = [
    "WORKING_MIB",
    "WORKING_SHARE",
    "Study",
    "analyse",
    "cores",
    "crew",
    "free_mib",
    "scans_at_a_time",
]
