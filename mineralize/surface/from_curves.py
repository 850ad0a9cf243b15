"""A body from closed curves drawn in any planes: a smooth function that is zero on the curves and positive within.

Shape-based interpolation (Raya and Udupa 1990, IEEE TMI 9:32: distance from the curve within each drawn plane), carried
between planes of any direction by a function that bends least (variational implicit surfaces: Turk and O'Brien 1999,
Proc SIGGRAPH 335), which also rounds off the ends.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RBFInterpolator
from scipy.spatial import cKDTree
from skimage.measure import points_in_poly

from ..base import Floats, Grid

MOST_PLACES = 1500
"""Places in the drawn planes at which the distance is taken; the system grows with their square."""
AREA_ROOM = 1.1
"""Places are also taken around the curves: so much more of their area."""
ROOM = 0.35
"""So much of the extent of the curves is looked at beyond them."""


def distance_in_plane(curve: Floats, step_mm: float) -> tuple[Floats, Floats]:
    """Places (N, 3) in the plane of a curve (K, 3), on it, within and around it, and their distance (N,) from it.

    The distance is in mm, positive within.
    """
    centre = curve.mean(axis=0)
    frame = np.linalg.svd(curve - centre)[2][:2]
    flat = (curve - centre) @ frame.T
    low, high = flat.min(axis=0), flat.max(axis=0)
    reach = 0.25 * float((high - low).max())
    axes = [np.arange(a - reach, b + reach + step_mm, step_mm) for a, b in zip(low, high, strict=True)]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 2)
    away, _ = cKDTree(flat).query(grid)
    away = np.where(points_in_poly(grid, flat), away, -away)
    kept = away > -reach
    places = np.vstack([flat, grid[kept]])
    return centre + places @ frame, np.concatenate([np.zeros(len(flat)), away[kept]])


def body_between(curves: Sequence[Floats], points: Floats, spacing_mm: float) -> tuple[NDArray[np.bool_], Grid]:
    """Voxels (slices, rows, columns) of the body on an even grid; ``curves`` and ``points`` (M, 3) LPS mm on it.

    At least one curve. With a single one, or all in one plane, the body is as thick as its shape in the plane bids.
    """
    extent = float(np.ptp(np.concatenate(curves), axis=0).max())
    total = sum(float(np.linalg.norm(np.ptp(c, axis=0))) ** 2 for c in curves)
    step = max(2.0, float(np.sqrt(AREA_ROOM * total / MOST_PLACES)))
    parts = [distance_in_plane(c[:: max(round(step / 2), 1)], step) for c in curves]
    places = np.vstack([*(p for p, _ in parts), points])
    values = np.concatenate([*(v for _, v in parts), np.zeros(len(points))])
    places, first = np.unique(np.round(places, 2), axis=0, return_index=True)
    function = RBFInterpolator(places, values[first], kernel="cubic", degree=1, smoothing=1e-3 * extent**3)
    corner = np.concatenate(curves).min(axis=0) - ROOM * extent
    counts = np.ceil((np.ptp(np.concatenate(curves), axis=0) + 2 * ROOM * extent) / spacing_mm).astype(int) + 1
    shape = (int(counts[2]), int(counts[1]), int(counts[0]))
    grid = Grid.from_parts(shape, (spacing_mm,) * 3, tuple(float(v) for v in corner))
    world = grid.world_of_all().reshape(-1, 3)
    inside = np.concatenate([function(world[k : k + 20_000]) for k in range(0, len(world), 20_000)])
    return np.asarray(inside.reshape(shape) > 0.0), grid
