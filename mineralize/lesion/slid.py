"""A lesion that moved with its muscle: scans are lined up on bone, along which muscle slides.

Where nothing of the lesion lies where the alignment puts it, mineral within reach that is like it in mass, extent and
density is the lesion, if it is the only one.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..base import Floats
from .candidates import Candidate

SLIDES_MM = 25.0
"""How far muscle, and a lesion in it, may lie from where bone puts it in another pose of the limb (own limit; no source
for lesions was found)."""
LIKE_MASS, LIKE_EXTENT, LIKE_DENSITY = 2.0, 1.3, 1.6
"""Factors within which mass, extent and mass per volume of one mineral body agree between two scans (own limits)."""


def alike(one: Candidate, other: Candidate) -> bool:
    """Whether two mineral bodies could be one."""
    pairs = (
        (one.mass_mg, other.mass_mg, LIKE_MASS),
        (one.extent_mm, other.extent_mm, LIKE_EXTENT),
        (one.mass_mg / one.volume_mm3, other.mass_mg / other.volume_mm3, LIKE_DENSITY),
    )
    return all(max(a, b) <= factor * min(a, b) for a, b, factor in pairs)


def own_body(candidates: Sequence[Candidate], centre: Floats, radius_mm: float) -> Candidate | None:
    """The mineral body of a lesion outlined there; ``None`` where it has none that counts as a candidate."""
    inside = [c for c in candidates if np.linalg.norm(np.subtract(c.point, centre)) <= radius_mm]
    return max(inside, key=lambda c: c.mass_mg, default=None)


def within_reach(candidates: Sequence[Candidate], body: Candidate, at: Floats, slack_mm: float) -> list[Candidate]:
    """Those that could be ``body`` slid from ``at``; the middle of its mineral may lie ``slack_mm`` from there."""
    reach = SLIDES_MM + slack_mm
    near = [c for c in candidates if float(np.linalg.norm(np.subtract(c.point, at))) <= reach]
    return [c for c in near if alike(c, body)]
