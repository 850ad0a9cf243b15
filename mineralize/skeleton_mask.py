"""Filled bone at full resolution near a point, parted from a lesion that touches it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .geometry import Floats, sample
from .scan import Volume
from .skeleton import Skeleton, signed_distance


def bone_mask_near(
    volume: Volume,
    centre_lps: Any,
    radius_mm: float,
    skeleton: Skeleton,
    *,
    lesion_point: Any = None,
    lesion_radius_mm: float = 0.0,
) -> tuple[Volume, NDArray[np.bool_]]:
    """Filled bone (cortex and marrow) on the native voxels near a point.

    Returns
    -------
    crop : float32 box around the point.
    mask : bool, same shape as ``crop``.
    """
    crop = volume.around(np.asarray(centre_lps, float)[None], radius_mm)
    distance = signed_distance(skeleton.mask, skeleton.grid)
    return crop, np.asarray(sample(distance, skeleton.grid, crop.grid.world_of_all(), outside=99.0) < 0)


def bone_surface_near(skeleton: Skeleton, centre_lps: Any, radius_mm: float) -> tuple[Floats, Floats]:
    """Sub-voxel points (N, 3) LPS mm on bone surfaces within a radius of a point, and outward unit normals."""
    near = np.linalg.norm(skeleton.points - np.asarray(centre_lps, float), axis=1) <= radius_mm
    return skeleton.points[near], skeleton.normals[near]
