"""Does muscle read alike at every depth? Where beam hardening was not corrected it reads lower towards the middle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from ..base import Floats
from .cubes import Cubes

AIR_HU = -300.0
DENSE_HU = 130.0
CLEAR_OF_DENSE_MM = 8.0
NEAR_MUSCLE_HU = 25.0
LEAST_CUBES = 10
"""In the deep and in the outer quarter of a slab; slabs with fewer tell nothing."""
LEAST_APART_MM = 8.0
"""Between the depths of both quarters: in less, hardening does not show."""
LEAST_SLABS = 4
QUARTERS = [0.25, 0.75]
"""Muscle up to the first of these shares of depth is the outer part, from the second on the deep one."""
LARGEST_FALL_HU = 5.0
"""Medians of real scans, corrected for water by their scanners, lie within 1.5 HU of zero, though single slabs reach 22
(soft-tissue sarcoma CT, Vallieres 2015; `tests/test_ctdata_alignment.py`). Scenes of `scripts/validate_projection` lay,
corrected, within 1.4, uncorrected between -8.6 and -13.7 (looked at once)."""


@dataclass(frozen=True)
class DepthTrend:
    """HU of the deepest quarter of muscle less the outermost, median over slabs, and its standard error over slabs."""

    deep_less_outer_hu: float
    standard_error_hu: float
    slabs: int

    @property
    def uncorrected_hu(self) -> float:
        """How far muscle falls towards the middle where muscles' own differences do not explain it, else 0."""
        fall = -self.deep_less_outer_hu
        return fall if fall - 2.0 * self.standard_error_hu > LARGEST_FALL_HU else 0.0


def muscle_by_depth(cubes: Cubes, muscle_hu: float) -> DepthTrend | None:
    """How muscle's HU change from skin to middle, slab by slab.

    Muscle is what reads within 25 HU of ``muscle_hu``, is as homogeneous as most of it and lies 8 mm clear of bone and
    mineral. Depth is the distance to air in the slab. ``None`` where fewer than four slabs show muscle at both depths.
    """
    found = (_trend(mean, spread, cubes.size[1:], muscle_hu) for mean, spread in cubes.slabs)
    trends = [trend for trend in found if trend is not None]
    if len(trends) < LEAST_SLABS:
        return None
    return DepthTrend(float(np.median(trends)), float(np.std(trends, ddof=1) / np.sqrt(len(trends))), len(trends))


def _trend(mean: Floats, spread: Floats, size: Floats, muscle_hu: float) -> float | None:
    # Where the body goes on beyond the field of view, its end is no skin: hence the padding.
    opened = ndimage.binary_opening(np.pad(mean > AIR_HU, 2, "edge"), np.ones((3, 3)))
    body = ndimage.binary_fill_holes(opened)[2:-2, 2:-2]
    if body.all():
        return None
    depth = ndimage.distance_transform_edt(body, sampling=size)
    muscle = body & (np.abs(mean - muscle_hu) <= NEAR_MUSCLE_HU)
    dense = mean >= DENSE_HU
    if dense.any():
        muscle &= ndimage.distance_transform_edt(~dense, sampling=size) > CLEAR_OF_DENSE_MM
    if muscle.sum() < 4 * LEAST_CUBES:
        return None
    muscle &= spread <= np.percentile(spread[muscle], 70)
    near, far = np.quantile(depth[muscle], QUARTERS)
    outer, deep = muscle & (depth <= near), muscle & (depth >= far)
    if min(outer.sum(), deep.sum()) < LEAST_CUBES or far - near < LEAST_APART_MM:
        return None
    return float(np.median(mean[deep]) - np.median(mean[outer]))
