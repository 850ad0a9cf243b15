"""Bone too sparse for the coarse mask: the end of a bone, whose thin cortex and few trabeculae average to soft tissue.

What is dense and hangs together with bone is bone or lesion. Whoever is nearer, through what is dense, has it: the bone
in view, or the wall that is seen from the lesion's point.

Numbers below without another source are own judgement, held against truth by ``scripts/validate_semireal``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.graph import MCP_Geometric

from ..base import Floats, Grid, Volume, all_around, even_directions, gaussian_smoothed, sample, within_reach
from .around import DIRECTIONS
from .field import bounding_box, signed_distance, sub_voxel_field, surface_points
from .parts import filled_bone
from .zone import LesionZone

DENSE_HU = 150.0
"""Above muscle, vessels with contrast agent apart, and below cortex that the voxels average."""
STEADIED_MM, STEADIED_UP_TO_MM = 0.6, 1.5
"""Gaussian that keeps noise from bridging, along axes whose voxels are smaller than this: larger ones average it."""
BONE_WITHIN_MM = 1.0
"""Dense voxels so near to bone in view belong to it."""
WALL_WITHIN_MM = 2.0
"""Dense voxels so near to a known outline belong to the lesion."""
WALL_REACH = 2.0
"""The wall that is seen from a point lies within so many times its middle distance (an ellipsoid of 1 to 2.5)."""
LEAST_WALL_MM = 3.0
"""Mineral nearer to the point than this on most sides is no wall that something can lie beyond."""
LEAST_SEEN = 0.3
"""Share of directions in which a wall must be seen."""
BEYOND_MM, BEYOND = 4.0, 0.5
"""What bone takes lies so far from the wall through what is dense, or by this share of the wall's distance: a rim is
thinner."""

SKIRT_MM, STANDS_MM = 3.0, 6.5
"""So near to bone lies its skirt of blur and noise; what stands nowhere farther off than the second is a scrap (as
`lesion.start` has it)."""
LEAST_BODY_MM3 = 100.0
"""Less than this is a scrap."""

SURROUND_VOXELS = 4
"""Voxels around sparse bone in which its surface is sought."""
SUB_VOXEL_MM = 2.0
"""Within this of the surface the distance is the sub-voxel one, beyond it counts voxels (as of other bone)."""


@dataclass(frozen=True, eq=False)
class _Wall:
    """The dense voxels that the lesion has for sure, and how far (mm) bone's may not come near."""

    voxels: NDArray[np.bool_]
    beyond_mm: float


def with_sparse_bone(
    volume: Volume, mask: NDArray[np.bool_], distance: NDArray[np.float32], zone: LesionZone
) -> tuple[NDArray[np.bool_], NDArray[np.float32]]:
    """Mask and distance (mm outside) of bone, with the sparse bone that goes on from it away from the lesion.

    All arrays are (slices, rows, columns) on the grid of ``volume``; the same where there is none, or no wall to be
    seen.
    """
    grid = volume.grid
    smooth = gaussian_smoothed(volume.hu, np.where(grid.spacing < STEADIED_UP_TO_MM, STEADIED_MM / grid.spacing, 0.0))
    dense = smooth >= DENSE_HU
    free = dense & (distance > BONE_WITHIN_MM)
    own = dense & (np.abs(distance) <= BONE_WITHIN_MM)
    if not free.any() or not own.any():
        return mask, distance
    wall = _wall(free, mask, grid, zone)
    if wall is None:
        return mask, distance
    # Ways take long to find: first without them, then without those from bone, whether there is a body to be had.
    labels, count = ndimage.label(dense, np.ones((3, 3, 3)))
    with_bone = np.zeros(count + 1, bool)
    with_bone[labels[own]] = True
    if not _bodies(free & ~wall.voxels & with_bone[labels], distance, grid).any():
        return mask, distance
    to_wall = _through(dense, wall.voxels, grid)
    beyond = free & with_bone[labels] & (to_wall > wall.beyond_mm)
    if not _bodies(beyond, distance, grid).any():
        return mask, distance
    taken = _bodies(beyond & (_through(dense, own, grid) < to_wall), distance, grid)
    if not taken.any():
        return mask, distance
    more = filled_bone(mask | taken, grid)
    lesion = free & (to_wall <= wall.beyond_mm)
    more = mask | (more & ~within_reach(lesion, grid.spacing, BONE_WITHIN_MM))
    near = _at_half_maximum(volume, more, more & ~mask)
    more = mask | (more & (near < 0))
    counted = signed_distance(more, grid)
    fine = (np.abs(near) < SUB_VOXEL_MM) & (np.abs(counted) < SUB_VOXEL_MM)
    return more, np.minimum(distance, np.where(fine, near, counted)).astype(np.float32)


def _at_half_maximum(volume: Volume, bone: NDArray[np.bool_], new: NDArray[np.bool_]) -> NDArray[np.float32]:
    """mm outside bone around what is ``new`` of it, its surface moved to the half maximum; as much inside elsewhere."""
    field = np.full(bone.shape, -np.inf, np.float32)
    box = bounding_box(new, margin=SURROUND_VOXELS)
    if box is None:
        return field
    grid = volume.grid.cropped([(s.start, s.stop) for s in box])
    points, *_ = surface_points(volume, bone[box].astype(np.int16), grid, [1])
    own = sample(new[box].astype(np.float32), grid, points, outside=0.0) > 0.0
    field[box] = sub_voxel_field(bone[box], grid, points[own]) if own.any() else signed_distance(bone[box], grid)
    return field


def _bodies(taken: NDArray[np.bool_], distance: NDArray[np.float32], grid: Grid) -> NDArray[np.bool_]:
    """What of the dense voxels is a body beyond the skirt that blur and noise leave along bone, with its own skirt."""
    labels, count = ndimage.label(taken & (distance > SKIRT_MM), np.ones((3, 3, 3)))
    if not count:
        return np.zeros(taken.shape, bool)
    highest = ndimage.maximum(distance, labels, np.arange(count + 1))
    volume = np.bincount(labels.ravel(), minlength=count + 1) * grid.voxel_volume_mm3
    kept = (np.asarray(highest) > STANDS_MM) & (volume >= LEAST_BODY_MM3)
    kept[0] = False
    return np.asarray(taken & within_reach(np.asarray(kept[labels]), grid.spacing, SKIRT_MM))


def _through(dense: NDArray[np.bool_], start: NDArray[np.bool_], grid: Grid) -> Floats:
    """Shortest way (mm) through what is dense from the start voxels; infinite where there is none."""
    # From start voxels with others around that are dense: none within them begins a shorter way.
    border = start & ~all_around(start | ~dense, 3)
    way = np.full(dense.shape, np.inf)
    if border.any():
        cost = np.where(border | (dense & ~start), 1.0, -1.0)
        found, _ = MCP_Geometric(cost, sampling=tuple(float(s) for s in grid.spacing)).find_costs(np.argwhere(border))
        way = np.asarray(found)
    way[start] = 0.0
    return way


def _wall(free: NDArray[np.bool_], mask: NDArray[np.bool_], grid: Grid, zone: LesionZone) -> _Wall | None:
    """The lesion's dense voxels: within its outline, or the first that is met from its point; ``None`` without any."""
    if zone.surface is not None:
        index = np.argwhere(free)
        voxels = np.zeros(free.shape, bool)
        voxels[tuple(index[zone.apart(grid.to_world(index), WALL_WITHIN_MM) < WALL_WITHIN_MM].T)] = True
        return _Wall(voxels, BEYOND_MM) if voxels.any() else None
    step = 0.7 * float(grid.spacing.min())
    steps = np.arange(step, 2 * zone.radius, step)
    world = zone.centre + steps[:, None, None] * even_directions(DIRECTIONS)
    index = np.rint(grid.to_index(world.reshape(-1, 3))).astype(int)
    inside = np.asarray(((index >= 0) & (index < grid.shape)).all(axis=1))
    at = tuple(np.where(inside[:, None], index, 0).T)
    met_free = (inside & free[at]).reshape(len(steps), -1)
    met_bone = (inside & mask[at]).reshape(len(steps), -1)
    first = np.argmax(met_free | met_bone, axis=0)
    ray = np.arange(first.size)
    seen = np.asarray(np.take_along_axis(met_free, first[None], axis=0)[0])
    if seen.mean() < LEAST_SEEN:
        return None
    middle = float(np.median(steps[first[seen]]))
    if middle < LEAST_WALL_MM:
        return None
    seen &= steps[first] <= WALL_REACH * middle
    voxels = np.zeros(free.shape, bool)
    voxels[tuple(np.asarray(index).reshape(len(steps), -1, 3)[first[seen], ray[seen]].T)] = True
    return _Wall(voxels, max(BEYOND_MM, BEYOND * middle))
