"""How far things lie from the lesion when bone is looked at: from a ball around it, or from its own shape."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from ..base import Floats, lazy


@dataclass(frozen=True, eq=False)
class LesionZone:
    """Where the lesion lies in the fixed scan.

    ``centre`` (3,) is LPS mm, ``radius`` mm reaches to its furthest point. ``surface`` (N, 3) LPS mm, where given, are
    points of its outline, seen from ``centre`` without folds; a long lesion then hides only the bone beside it, where
    a ball would hide all bone at the same level.
    """

    centre: Floats
    radius: float
    surface: Floats | None = None

    @lazy
    def _seen(self) -> tuple[cKDTree, cKDTree, Floats] | None:
        """The surface as places, as directions from the centre, and how far (mm) it lies in each; asked many times."""
        if self.surface is None:
            return None
        arms = self.surface - self.centre
        lengths = np.linalg.norm(arms, axis=1)
        return cKDTree(self.surface), cKDTree(arms / lengths[:, None]), lengths

    def half_length(self, axis: Floats) -> float:
        """How far (mm) the lesion reaches from its centre along a unit vector (3,), to either side."""
        if self.surface is None:
            return self.radius
        return float(np.abs((self.surface - self.centre) @ axis).max())

    def apart(self, points: Floats, within: float = np.inf) -> Floats:
        """(M,) mm from the lesion's surface to (M, 3) LPS mm points, negative inside.

        Farther off than ``within`` infinity may stand, and deeper inside than that infinity below zero.
        """
        off = np.asarray(points, float) - self.centre
        far = np.linalg.norm(off, axis=1)
        if self._seen is None:
            return np.asarray(far - self.radius)
        places, directions, lengths = self._seen
        result = np.full(len(far), np.inf)
        # Nothing lies closer to the surface than it lies farther out than the farthest point of it.
        asked = np.flatnonzero(far <= lengths.max() + within)
        off, far = off[asked], far[asked]
        # What the search leaves out lies at its bound or beyond; no distance is exactly so much more.
        gap, _ = places.query(np.asarray(points, float)[asked], distance_upper_bound=within * (1 + 1e-9) + 1e-9)
        doubtful = np.flatnonzero((far >= lengths.min()) & (far < lengths.max()))
        inside = far < lengths.min()
        _, ahead = directions.query(off[doubtful] / np.maximum(far[doubtful], 1e-9)[:, None])
        inside[doubtful] = far[doubtful] < lengths[ahead]
        result[asked] = np.where(inside, -gap, gap)
        return result
