"""What surrounds the lesion in one scan, with what the blur of cortex adds outside bone taken off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, special

from ..base import Floats, Grid, Volume, gaussian_smoothed, lazy, sample, within_reach
from ..reference import Reference

FAR_MM = 1000.0
"""Distance to bone where there is none in view."""
SPILL_BLURS = 5.0
"""Cortex spills so many blurs (sd) far: beyond, 3 in 10 million of its height."""
CORTEX_WITHIN_MM, CORTEX_STEP_MM = 3.0, 0.5
"""The densest place of cortex lies so deep beneath its surface at most: an edge has reached 98 % of its height two
blurs (1.5 mm) in, a thin cortex its highest before; steps in which it is looked for."""
LEAST_BLUR_MM = 0.3
"""No scanner is sharper."""
LEAST_SLOPE = 1e-3
"""Where distances to bone have less slope than this, no direction leads to it."""
DENSE_HU120, DENSE_SMOOTHED = 110.0, 0.6
"""From here on smoothed tissue is mineral, where it was smoothed by this share of `SMOOTH_MM` (own judgement)."""
CLEAR_OF_BONE_MM, CLEAR_OF_MINERAL_MM = 2.0, 1.5
"""Soft tissue lies this far from both, whose blur it must not hold (own judgement)."""
LEAST_KNOWN = 0.3
"""Share of usable voxels under the Gaussian below which nothing is known of a place."""
SMOOTH_MM = 1.0
"""Gaussian that steadies soft tissue before its margin is sought."""


@dataclass(frozen=True, eq=False)
class Neighbourhood:
    """The part of a scan around the lesion, (slices, rows, columns) on ``grid``.

    ``hu`` as scanned; ``spill`` the HU that the blur of cortex adds outside bone; ``hu120`` HU at 120 kVp with the
    spill taken off; ``bone_distance`` mm outside bone, negative inside; ``bone_blur`` mm, one or per voxel, as
    :func:`blur_beside_bone` finds it. ``added`` marks mineral that a reader counted
    in; ``hand_excess`` is HU times mm3 of all that a reader counted in or out.
    """

    hu: NDArray[Any]
    hu120: NDArray[Any]
    bone_distance: NDArray[Any]
    grid: Grid
    spill: NDArray[Any]
    bone_blur: Any
    added: NDArray[np.bool_] | None = None
    hand_excess: float = 0.0

    def at(self, points: Any) -> Floats:
        """HU120 at ``(..., 3)`` LPS mm points; NaN outside."""
        return sample(self.hu120, self.grid, points)

    def cropped(self, box: Sequence[tuple[int, int]]) -> Neighbourhood:
        """The part in a box of index ranges."""
        cut = tuple(slice(lo, hi) for lo, hi in box)
        return Neighbourhood(
            self.hu[cut],
            self.hu120[cut],
            self.bone_distance[cut],
            self.grid.cropped(box),
            self.spill[cut],
            self.bone_blur[cut] if np.ndim(self.bone_blur) else self.bone_blur,
            None if self.added is None else self.added[cut],
            self.hand_excess,
        )

    @lazy
    def soft(self) -> NDArray[Any]:
        """HU smoothed over soft tissue alone; NaN near mineral and bone."""
        return _soft_without_mineral(self)

    def bone_at(self, points: Any) -> Floats:
        """mm outside bone at ``(..., 3)`` LPS mm points, negative inside bone; far where outside the crop."""
        return sample(self.bone_distance, self.grid, points, outside=FAR_MM)


def neighbourhood(volume: Volume, bone_distance: NDArray[Any] | None, reference: Reference) -> Neighbourhood:
    """Prepare a cropped volume for looking at a lesion in it.

    ``bone_distance`` (slices, rows, columns): mm outside bone on its grid, ``None`` where no bone is in view.
    """
    distance = np.full(volume.grid.shape, FAR_MM, np.float32) if bone_distance is None else bone_distance
    distance = distance.astype(np.float32)
    blur = blur_beside_bone(distance, volume.grid, reference)
    spill = bone_spill(volume, distance, blur, reference)
    return Neighbourhood(volume.hu, reference.hu120(volume.hu - spill), distance, volume.grid, spill, blur)


def blur_beside_bone(distance: NDArray[Any], grid: Grid, reference: Reference) -> Any:
    """Standard deviation (mm) of the blur across the surface of the nearest bone: per voxel where slices are thick.

    Bone above or below is blurred by the slices, bone in the plane by the reconstruction; thin slices count as much
    as the plane.
    """
    if reference.blur_along(1.0) <= reference.blur_sd_mm or min(distance.shape) < 2:
        return reference.blur_sd_mm
    slopes = np.gradient(distance, *(float(s) for s in grid.spacing))
    size = np.sqrt(sum(slope**2 for slope in slopes))
    return reference.blur_along(np.abs(slopes[0]) / np.maximum(size, 1e-6)).astype(np.float32)


def bone_spill(volume: Volume, distance: NDArray[Any], blur_mm: Any, reference: Reference) -> NDArray[np.float32]:
    """HU of the scan that the blur of cortex adds outside bone, (slices, rows, columns) as ``volume``.

    The surface of bone is the half maximum of its own cortex, and so the tail outside is that of an edge as high as
    what the scan shows beneath the nearest surface: shafts read over 1000 HU, the thin cortex of a bone's end a third
    of that. ``distance`` is mm outside bone, ``blur_mm`` the blur (sd) beside it in profiles between voxels.
    """
    spill = np.zeros(distance.shape, np.float32)
    close = (distance > 0) & (distance < SPILL_BLURS * np.broadcast_to(blur_mm, distance.shape))
    if not close.any() or not (distance < 0).any():
        return spill
    spacing = volume.grid.spacing
    at = np.nonzero(close)
    slopes = _slopes_at(distance, at, spacing)
    inward = -slopes / np.maximum(np.linalg.norm(slopes, axis=0), LEAST_SLOPE)
    # Blur is known from looking between voxels, which adds a sixth of their squared spacing; voxels are what they are.
    between = (inward**2 * (spacing**2 / 6.0)[:, None]).sum(axis=0)
    blur = np.sqrt(np.maximum(np.broadcast_to(blur_mm, distance.shape)[at] ** 2 - between, LEAST_BLUR_MM**2))
    height = np.maximum(_cortex_beneath(volume, at, distance[at], inward) - reference.muscle.mean_hu, 0.0)
    spill[at] = height * special.ndtr(-distance[at] / blur)
    return spill


def _slopes_at(values: NDArray[Any], at: tuple[NDArray[Any], ...], spacing: Floats) -> Floats:
    """(3, K) central differences at voxels, one-sided at the borders of the array; a whole field would be large."""
    found = np.empty((3, len(at[0])), np.float32)
    for axis, mm in enumerate(spacing):
        low, high = np.maximum(at[axis] - 1, 0), np.minimum(at[axis] + 1, values.shape[axis] - 1)
        before, after = (tuple(i if k == axis else at[k] for k in range(3)) for i in (low, high))
        found[axis] = (values[after] - values[before]) / (np.maximum(high - low, 1) * mm)
    return found


def _cortex_beneath(volume: Volume, at: tuple[NDArray[Any], ...], distance: Floats, inward: Floats) -> Floats:
    """(K,) HU of the densest place beneath the bone surface that lies ``distance`` (K,) mm ``inward`` (3, K)."""
    index, steps = np.stack(at).astype(float), inward / volume.grid.spacing[:, None]
    highest = np.full(index.shape[1], -np.inf, np.float32)
    for depth in np.arange(0.0, CORTEX_WITHIN_MM + CORTEX_STEP_MM / 2, CORTEX_STEP_MM):
        spots = index + (distance + depth) * steps
        read = ndimage.map_coordinates(volume.hu, spots, np.float32, order=1, mode="nearest")
        np.maximum(highest, read, out=highest)
    return highest


def _soft_without_mineral(near: Neighbourhood) -> NDArray[Any]:
    """HU smoothed by ``SMOOTH_MM`` over soft tissue alone; NaN near mineral and bone."""
    sigma = SMOOTH_MM / near.grid.spacing
    dense = gaussian_smoothed(near.hu120, sigma * DENSE_SMOOTHED) >= DENSE_HU120
    usable = (near.bone_distance > CLEAR_OF_BONE_MM) & ~within_reach(dense, near.grid.spacing, CLEAR_OF_MINERAL_MM)
    return smoothed_over(near.hu, usable, near.grid)


def smoothed_over(values: NDArray[Any], usable: NDArray[np.bool_], grid: Grid) -> NDArray[Any]:
    """``values`` smoothed by ``SMOOTH_MM`` over the usable voxels alone; NaN where they are few.

    Normalised convolution (Knutsson and Westin 1993; from memory).
    """
    sigma = SMOOTH_MM / grid.spacing
    share = gaussian_smoothed(usable.astype(np.float32), sigma)
    soft = gaussian_smoothed(np.where(usable, values, 0.0).astype(np.float32), sigma)
    return np.where(share > LEAST_KNOWN, soft / np.maximum(share, LEAST_KNOWN), np.nan).astype(np.float32)
