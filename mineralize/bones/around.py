"""How much of what is seen from a point is one part of the skeleton."""

from __future__ import annotations

from functools import cache

import numpy as np

from ..base import Floats
from .parts import Bone
from .skeleton import Skeleton

DIRECTIONS = 800
STEP_MM, REACH_MM = 1.0, 60.0
"""Steps along a ray, finer than the coarse voxels, and how far it is followed: half of the largest lesion."""


def share_around(skeleton: Skeleton, part: Bone, point: Floats) -> float:
    """Share (0..1) of all directions from a point (3,) LPS mm in which a part lies within ``REACH_MM``."""
    steps = np.arange(STEP_MM, REACH_MM, STEP_MM)
    world = np.asarray(point, float) + steps[:, None, None] * even_directions()
    index = np.rint(skeleton.grid.to_index(world.reshape(-1, 3))).astype(int)
    inside = ((index >= 0) & (index < skeleton.grid.shape)).all(axis=1)
    met = np.zeros(len(index), bool)
    met[inside] = skeleton.labels[tuple(index[inside].T)] == part.label
    return float(met.reshape(len(steps), -1).any(axis=0).mean())


@cache
def even_directions() -> Floats:
    """(N, 3) unit vectors spread evenly over the sphere: a Fibonacci lattice.

    Gonzalez 2010, 10.1007/s11004-009-9257-x.
    """
    step = np.arange(DIRECTIONS) + 0.5
    height = 1 - 2 * step / DIRECTIONS
    turn = np.pi * (1 + 5**0.5) * step
    across = np.sqrt(1 - height**2)
    return np.stack([across * np.cos(turn), across * np.sin(turn), height], axis=1)
