"""Bone surfaces at sub-voxel position.

Coarse surface points are moved to the half maximum of the cortex on the full-resolution voxels. A half maximum between
the local cortex and the local tissue outside does not depend on the tube voltage, which a fixed threshold does
(Prevrhal 1999, 10.1088/0031-9155/44/3/017: the half maximum places an edge without bias while the cortex is
wider than the blur).

Numbers below without another source are own judgement, held against truth by ``scripts/validate``.
"""

from __future__ import annotations

import numpy as np
import SimpleITK as sitk
from numpy.typing import NDArray
from scipy import ndimage

from ..base import Floats, Grid, Volume, frozen, gaussian_smoothed, to_sitk

MOST_POINTS = 40_000
"""Surface points kept per scan."""
METAL_HU = 3000.0
"""Above what cortex reads at any tube voltage (2200 at 80 kVp, ICRU-44), kernels that sharpen included: metal; a step
as high is its surface."""
PEAK_WITHIN_MM = (-3.0, 1.5)
"""Where along the outward normal the peak of cortex may lie."""
BAND = 0.55
"""Voxels whose middle lies within this share of a voxel of the smoothed surface are on it, hardly a layer more."""
PADDING_HU = -1015.0
"""What is no higher is padding outside the reconstruction circle, which makes a false edge."""
LARGEST_SHIFT_MM = 3.5
"""An edge farther than this from the coarse surface is not that surface's."""
LEAST_CONTRAST_HU = 150.0
"""Cortex minus tissue outside that a surface point needs."""


def bounding_box(mask: NDArray[np.bool_], margin: int) -> tuple[slice, slice, slice] | None:
    """Box around a mask (slices, rows, columns), ``margin`` voxels wider on every side; ``None`` where it is empty."""
    if not mask.any():
        return None
    spans = []
    for axis in range(3):
        others = tuple(a for a in range(3) if a != axis)
        hit = np.flatnonzero(mask.any(axis=others))
        spans.append(slice(max(int(hit[0]) - margin, 0), min(int(hit[-1]) + margin + 1, mask.shape[axis])))
    return spans[0], spans[1], spans[2]


def surface_points(
    volume: Volume, labels: NDArray[np.int16], grid: Grid, wanted: list[int]
) -> tuple[Floats, Floats, NDArray[np.int16], Floats]:
    """Points at the outer half maximum, outward normals, labels and contrast of the wanted parts."""
    empty = np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0, np.int16), np.zeros(0)
    mask = np.isin(labels, wanted) & (labels > 0)
    box = bounding_box(mask, margin=4)
    if box is None:
        return empty
    part_grid = grid.cropped([(s.start, s.stop) for s in box])
    distance = signed_distance(mask[box], part_grid)
    smooth = gaussian_smoothed(distance, 0.8)
    step = float(grid.spacing.mean())
    band = np.abs(smooth) < BAND * step
    index = np.argwhere(band)
    if len(index) > MOST_POINTS:
        index = index[np.random.default_rng(7).permutation(len(index))[:MOST_POINTS]]
    points = part_grid.to_world(index)
    for _ in range(2):
        value, normals = field_and_normal(smooth, part_grid, points)
        points = points - value[:, None] * normals
    _, normals = field_and_normal(smooth, part_grid, points)
    shift, contrast = half_maximum(volume, points, normals)
    keep = np.isfinite(shift) & (contrast < METAL_HU)
    moved = points[keep] + shift[keep, None] * normals[keep]
    inward = points[keep] - step * normals[keep]
    nearest = np.clip(np.rint(part_grid.to_index(inward)).astype(int), 0, np.asarray(part_grid.shape) - 1)
    local = ndimage.maximum_filter(np.where(mask[box], labels[box], 0), size=3)
    owner = local[tuple(nearest.T)]
    sure = owner > 0
    return frozen(moved[sure]), frozen(normals[keep][sure]), frozen(owner[sure]), frozen(contrast[keep][sure])


def signed_distance(mask: NDArray[np.bool_], grid: Grid) -> NDArray[np.float32]:
    """Signed mm to the border of a mask (slices, rows, columns), negative inside, in the shape of the mask.

    Maurer 2003, 10.1109/TPAMI.2003.1177156.
    """
    result = sitk.SignedMaurerDistanceMap(to_sitk(mask, grid), False, False, True)
    return np.asarray(sitk.GetArrayFromImage(result), np.float32)


def sub_voxel_field(inside: NDArray[np.bool_], grid: Grid, points: Floats) -> NDArray[np.float32]:
    """Signed mm to the border of a mask (slices, rows, columns), its zero moved through the half-maximum points.

    ``points`` (N, 3) LPS mm.
    """
    field = gaussian_smoothed(signed_distance(inside, grid), 0.6)
    for _ in range(2):
        index = grid.to_index(points)
        keep = ((index > 0) & (index < np.asarray(grid.shape) - 1)).all(axis=1)
        error = ndimage.map_coordinates(field, index[keep].T, order=1)
        good = np.abs(error) < LARGEST_SHIFT_MM
        cell = np.rint(index[keep][good]).astype(int)
        flat = np.ravel_multi_index(tuple(cell.T), grid.shape)
        size = int(np.prod(grid.shape))
        total = np.bincount(flat, weights=error[good], minlength=size).reshape(grid.shape).astype(np.float32)
        count = np.bincount(flat, minlength=size).reshape(grid.shape).astype(np.float32)
        top = gaussian_smoothed(total, 0.9, truncate=3.5)
        bottom = gaussian_smoothed(count, 0.9, truncate=3.5)
        field = field - np.where(bottom > 1e-3, top / np.maximum(bottom, 1e-3), 0.0).astype(np.float32)
    return np.asarray(field, np.float32)


def field_and_normal(field: NDArray[np.float32], grid: Grid, points: Floats) -> tuple[Floats, Floats]:
    """Value of a distance field at LPS points and the unit vector of its gradient, outward."""
    index = grid.to_index(points).T
    value = ndimage.map_coordinates(field, index, order=1, mode="nearest")
    gradient = np.empty_like(points)
    for axis in range(3):
        ahead, behind = index.copy(), index.copy()
        ahead[axis] += 0.75
        behind[axis] -= 0.75
        rise = ndimage.map_coordinates(field, ahead, order=1, mode="nearest")
        rise -= ndimage.map_coordinates(field, behind, order=1, mode="nearest")
        gradient[:, axis] = rise / (1.5 * grid.spacing[axis])
    length = np.linalg.norm(gradient, axis=1, keepdims=True)
    return value, (gradient / np.maximum(length, 1e-6)) @ grid.directions.T


def half_maximum(
    volume: Volume, points: Floats, normals: Floats, reach_mm: float = 4.5, step_mm: float = 0.5
) -> tuple[Floats, Floats]:
    """Where the profile along the outward normal falls to half between cortex and the tissue outside.

    Returns
    -------
    shift : (N,) mm along the normal, NaN where there is no clear edge.
    contrast : (N,) HU, cortex peak minus the lowest value outside it.
    """
    offsets = np.arange(-reach_mm, reach_mm + 1e-6, step_mm)
    world = points[:, None, :] + offsets[:, None] * normals[:, None, :]
    index = volume.grid.to_index(world.reshape(-1, 3))
    last = np.asarray(volume.grid.shape, float) - 1
    inside = ((index >= -0.5) & (index <= last + 0.5)).all(axis=1).reshape(len(points), -1)
    values = ndimage.map_coordinates(volume.hu, index.T, order=1, mode="nearest", output=np.float32)
    values = values.reshape(len(points), -1)
    row = np.arange(len(points))
    near = (offsets >= PEAK_WITHIN_MM[0]) & (offsets <= PEAK_WITHIN_MM[1])
    top = np.argmax(np.where(near, values, -np.inf), axis=1)
    peak = values[row, top]
    beyond = np.arange(len(offsets)) >= top[:, None]
    gentle = values.copy()
    gentle[:, 1:-1] = (values[:, :-2] + 2 * values[:, 1:-1] + values[:, 2:]) / 4
    low = np.where(beyond, gentle, np.inf).min(axis=1)
    half = (peak + low) / 2
    below = beyond & (values < half[:, None])
    first = np.argmax(below, axis=1)
    found = below.any(axis=1) & (first > 0) & inside.all(axis=1) & (peak - low >= LEAST_CONTRAST_HU)
    found &= values.min(axis=1) > PADDING_HU
    before = np.maximum(first - 1, 0)
    a, b = values[row, before], values[row, first]
    part = np.clip((a - half) / np.where(a > b, a - b, 1.0), 0, 1)
    shift = offsets[before] + part * step_mm
    found &= np.abs(shift) <= LARGEST_SHIFT_MM
    return np.where(found, shift, np.nan), peak - low
