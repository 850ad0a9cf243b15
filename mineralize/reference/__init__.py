"""The mineral scale and the steady tissues of each scan.

In: a ``Volume``, its ``Acquisition``, settings, and calibration where given. Out: a :class:`Reference` (muscle, fat
and cortex in HU, noise, HU per mg/cm3 hydroxyapatite with its relative 95 % half-width, blur in mm); :func:`compared`
holds the scans of one history against each other. ``CaseFileError`` for rods that cannot be.
Modules name the sources of their methods.
"""

from __future__ import annotations

from .cubes import CUBE_MM3
from .slopes import TABLE, table_slope
from .steady import compared
from .tissues import Reference, measure_reference

__all__ = [
    "CUBE_MM3",
    "TABLE",
    "Reference",
    "compared",
    "measure_reference",
    "table_slope",
]
