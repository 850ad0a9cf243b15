"""How much of what is seen from a point is each part of the skeleton."""

from __future__ import annotations

import numpy as np

from ..base import Floats, even_directions
from .skeleton import Skeleton

DIRECTIONS = 800
"""Rays from a point, even over the sphere."""
STEP_MM, REACH_MM = 1.0, 60.0
"""Steps along a ray, finer than the coarse voxels, and how far it is followed: half of the largest lesion."""


def shares_around(skeleton: Skeleton, point: Floats) -> Floats:
    """Share (0..1), by label, of all directions from a point (3,) LPS mm in which a part lies within ``REACH_MM``."""
    steps = np.arange(STEP_MM, REACH_MM, STEP_MM)
    met = skeleton.labels_at(np.asarray(point, float) + steps[:, None, None] * even_directions(DIRECTIONS))
    count = int(skeleton.labels.max()) + 1
    once = np.unique(met.astype(int) + count * np.arange(DIRECTIONS))
    return np.asarray(np.bincount(once % count, minlength=count) / DIRECTIONS)
