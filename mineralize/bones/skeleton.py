"""The bones of one scan: where they are, what each looks like, and points on their outer surface.

Everything coarse is done on block means of about 1.5 mm, which tames noise and sharp kernels; the surface points
are then moved to the half maximum of the cortex on the full-resolution voxels.

Numbers below without another source are own judgement, held against truth by ``scripts/validate``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import SimpleITK as sitk
from numpy.typing import NDArray

from ..base import AlignSettings, Floats, Grid, Volume, dilated, lazy, to_sitk
from .field import bounding_box, surface_points
from .parts import Bone, describe, filled_bone, label_parts, many_small

COARSE_MM = 1.5
"""Wanted voxel size of the coarse images."""
ROUNDED_UP = 0.1
"""A block is a voxel larger where that is nearly as near to what was asked for: fewer blocks."""
BODY_HU = -300.0
"""Between air and fat; pads and table tops lie below it or are thin."""
SMALLEST_BODY_SHARE = 0.1
"""A second limb counts as body from this share of the largest part."""
BONE_LIKE = 0.5
"""Likeness from which a part counts as bone."""
OPENED_MM = 3.0
"""Radius of the ball that parts table shells and skin contacts from the body."""
BONE_HU, LEAST_BONE_MM3 = 200.0, 800.0
"""A part of the body with less than this volume of bone in it is none: a pad, a sheet."""


@dataclass(frozen=True, eq=False)
class Skeleton:
    """The bones of one scan.

    Attributes
    ----------
    grid : coarse grid of ``labels`` and ``body``.
    labels : int16, 0 outside, else the label of a part in ``bones`` or ``doubtful``; marrow is filled.
    body : bool, the patient without table and pad.
    bones, doubtful : parts taken for bone, largest first, and mineralised parts that are not.
    points, normals : (N, 3) LPS mm at the outer half maximum, and outward unit normals; bones only.
    point_labels : (N,) int, the bone of each point.
    contrast : (N,) HU, cortex peak minus tissue just outside.
    scan_grid : grid of the scan itself.
    """

    grid: Grid
    labels: NDArray[np.int16]
    body: NDArray[np.bool_]
    bones: tuple[Bone, ...]
    doubtful: tuple[Bone, ...]
    points: Floats
    normals: Floats
    point_labels: NDArray[np.int16]
    contrast: Floats
    scan_grid: Grid

    @lazy
    def mask(self) -> NDArray[np.bool_]:
        """Coarse mask of all bones."""
        return np.isin(self.labels, [bone.label for bone in self.bones])

    @property
    def many_small(self) -> bool:
        """Whether the scan shows a hand, a foot or a joint in pieces, where a compact part is a bone."""
        return many_small(self.bones + self.doubtful)

    def bone(self, label: int) -> Bone:
        """The part of that label."""
        return next(part for part in self.bones + self.doubtful if part.label == label)

    def label_at(self, point: Any) -> int:
        """Label at an LPS point, 0 outside."""
        return int(self.labels_at(point))

    def labels_at(self, points: Any) -> NDArray[np.int16]:
        """Labels at ``(..., 3)`` LPS points, 0 outside."""
        index = np.rint(self.grid.to_index(points)).astype(int)
        inside = np.asarray(((index >= 0) & (index < self.grid.shape)).all(axis=-1))
        at = tuple(np.moveaxis(np.where(inside[..., None], index, 0), -1, 0))
        return np.where(inside, self.labels[at], 0)

    def nearest_bone(self, point: Any, apart_mm: float = 0.0) -> tuple[Bone, float] | None:
        """The bone whose surface comes nearest to an LPS point, and that distance in mm.

        Surface points closer than ``apart_mm`` to the point are passed over.
        """
        if not len(self.points):
            return None
        distance = np.linalg.norm(self.points - np.asarray(point, float), axis=1)
        distance[distance < apart_mm] = np.inf
        nearest = int(np.argmin(distance))
        if not np.isfinite(distance[nearest]):
            return None
        return self.bone(int(self.point_labels[nearest])), float(distance[nearest])


def block_mean(volume: Volume, target_mm: float = COARSE_MM) -> tuple[NDArray[np.float32], Grid]:
    """HU (slices, rows, columns) as means over blocks of whole voxels of about ``target_mm``, and their grid.

    A last incomplete block is left out.
    """
    factors = np.maximum(1, np.rint(target_mm / volume.grid.spacing + ROUNDED_UP).astype(int))
    factors = np.minimum(factors, volume.grid.shape)
    shape = np.asarray(volume.grid.shape) // factors
    fs, fr, fc = (int(f) for f in factors)
    ns, nr, nc = (int(n) for n in shape)
    coarse = np.empty((ns, nr, nc), np.float32)
    exact = np.int32 if volume.hu.dtype == np.int16 else np.float32
    for k in range(ns):
        slab = volume.hu[k * fs : (k + 1) * fs, : nr * fr, : nc * fc].sum(axis=0, dtype=exact)
        rows = slab.reshape(nr, fr, nc * fc).sum(axis=1)
        block = rows[:, 0::fc].astype(exact)
        for c in range(1, fc):
            block += rows[:, c::fc]
        coarse[k] = block
    coarse /= fs * fr * fc
    grid = volume.grid
    origin = grid.to_world((factors - 1) / 2)
    return coarse, Grid.from_parts(
        coarse.shape, (grid.spacing * factors).tolist(), origin.tolist(), grid.directions, grid.frame_of_reference
    )


def find_skeleton(volume: Volume, settings: AlignSettings) -> Skeleton:
    """Find the bones of a scan and points on their surface.

    Parameters
    ----------
    volume : the scan, any dtype; not copied.
    settings : bone threshold and smallest part.
    """
    coarse, grid = block_mean(volume)
    body = body_mask(coarse, grid)
    bone = (coarse > settings.bone_hu) & body
    labels = np.zeros(grid.shape, np.int16)
    box = bounding_box(bone, margin=4)
    parts: list[Bone] = []
    if box is not None:
        part_grid = grid.cropped([(s.start, s.stop) for s in box])
        inner = label_parts(filled_bone(bone[box], part_grid), part_grid, settings.smallest_bone_mm3)
        labels[box] = inner
        parts = describe(inner, coarse[box], part_grid, grid, box)
    bones = tuple(part for part in parts if part.likeness >= BONE_LIKE)
    doubtful = tuple(part for part in parts if part.likeness < BONE_LIKE)
    points, normals, owner, contrast = surface_points(volume, labels, grid, [b.label for b in bones])
    labels.flags.writeable = body.flags.writeable = False
    return Skeleton(grid, labels, body, bones, doubtful, points, normals, owner, contrast, volume.grid)


def body_mask(coarse: NDArray[np.float32], grid: Grid) -> NDArray[np.bool_]:
    """The patient on a coarse grid, without table and pad.

    Above -300 HU, opened by 3 mm so that table shells and skin contacts part, then the largest part and others
    of at least a tenth of it (a second limb) that hold bone.
    """
    radius = [max(1, round(OPENED_MM / float(s))) for s in grid.spacing[::-1]]
    # Further away than the ball reaches there is nothing to open.
    box = bounding_box(coarse > BODY_HU, margin=2 * max(radius) + 1)
    if box is None:
        return np.ones(grid.shape, bool)
    found = _largest_parts(coarse[box], grid.cropped([(s.start, s.stop) for s in box]), radius)
    if found is None:
        return np.ones(grid.shape, bool)
    whole = np.zeros(grid.shape, bool)
    whole[box] = found
    return whole


def _largest_parts(coarse: NDArray[np.float32], grid: Grid, radius: list[int]) -> NDArray[np.bool_] | None:
    """The body in a box that holds all of it; ``None`` where nothing is as thick as the ball (radii in voxels)."""
    ball = _ball(tuple(radius))
    above = coarse > BODY_HU
    padded = np.pad(above, [(r, r) for r in radius[::-1]], constant_values=True)
    opened = dilated(~dilated(~padded, ball), ball)[tuple(slice(r, -r) for r in radius[::-1])]
    parts = sitk.GetArrayFromImage(sitk.ConnectedComponent(to_sitk(opened, grid)))
    sizes = np.bincount(parts.ravel())
    if len(sizes) < 2:
        return None
    sizes[0] = 0
    with_bone = np.bincount(parts[coarse > BONE_HU], minlength=len(sizes)) * grid.voxel_volume_mm3 > LEAST_BONE_MM3
    keep = (sizes >= SMALLEST_BODY_SHARE * sizes.max()) & with_bone
    keep[int(np.argmax(sizes))] = True
    # The opening rounds off what is thin, such as fingers: give back what lies next to a kept part.
    return dilated(keep[parts], ball) & above


@lru_cache(maxsize=8)
def _ball(radius: tuple[int, ...]) -> NDArray[np.int64]:
    """Offsets (N, 3) of the voxels of a ball of radii in voxels (column, row, slice)."""
    size = [2 * r + 1 for r in radius[::-1]]
    spot = np.zeros(size, np.uint8)
    spot[radius[2], radius[1], radius[0]] = 1
    ball = sitk.GetArrayFromImage(sitk.BinaryDilate(sitk.GetImageFromArray(spot), list(radius), sitk.sitkBall, 0, 1))
    return np.argwhere(ball > 0) - radius[::-1]
