"""What pictures need of one lesion: the profile by depth and the rim unwrapped."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from numpy.typing import NDArray

from ..base import Floats

GAP, MINERAL, UNRESOLVED, CONTACT = 0, 1, 2, 3


@dataclass(frozen=True, eq=False)
class DepthProfile:
    """Mean HU120 by depth below the outline: ``depth_mm`` (N,) bin centres, negative outside; NaN where empty."""

    scan: int
    depth_mm: Floats
    hu120_mean: Floats
    hu120_low: Floats
    hu120_high: Floats
    inradius_mm: float


@dataclass(frozen=True, eq=False)
class RimMap:
    """The rim unwrapped: per outline vertex (V,), direction (V, 3) unit LPS from the centroid, area in mm2.

    ``peak_hu120``: highest HU120 along the inward normal; ``thickness_mm``: NaN where not mineralised;
    ``state``: 0 gap, 1 mineral, 2 unresolved, 3 facing bone contact.
    """

    scan: int
    direction: Floats
    area_mm2: Floats
    peak_hu120: Floats
    thickness_mm: Floats
    state: NDArray[Any]
