"""An outline from a mask: a region drawn by a reader, or a lesion whose shape rays from inside cannot hold."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage import measure

from ..base import Grid, Verdicts, caution
from .near import Neighbourhood
from .outline import Outline
from .start import Ellipsoid

MESH_MM = 1.0
"""Spacing of the grid on which the surface is traced."""
ROUNDED, LEAST_VARIANCE_MM2 = 0.7, 0.25
"""Gaussian (cells) that takes the steps off a mask, and variance along an axis that no body is without."""
CLOSE_MM = 4.0
"""Gaps in a shell up to twice this are closed before it is filled."""


def outline_from_mask(
    mask: NDArray[np.bool_], grid: Grid, *, scan: int, method: str, verdicts: Verdicts, spread_mm: float
) -> Outline | None:
    """Closed surface, LPS mm, around the largest part of a mask (slices, rows, columns); ``None`` when empty.

    The surface is the zero of the smoothed signed distance on a fine even grid (marching cubes, Lewiner 2003).
    """
    if not mask.any():
        return None
    bounds = tuple(
        (max(int(axis.min()) - 4, 0), min(int(axis.max()) + 5, n))
        for axis, n in zip(np.nonzero(mask), grid.shape, strict=True)
    )
    (a, b), (c, d), (e, f) = bounds
    part = np.pad(mask[a:b, c:d, e:f], 2)
    spacing = grid.spacing
    inside = ndimage.distance_transform_edt(part, sampling=spacing)
    outside = ndimage.distance_transform_edt(~part, sampling=spacing)
    half = 0.5 * float(spacing.min())
    signed = np.where(part, inside - half, -(outside - half))
    zoom = spacing / MESH_MM
    fine = ndimage.gaussian_filter(ndimage.zoom(signed, zoom, order=1, grid_mode=False), ROUNDED)
    labels, count = ndimage.label(fine > 0)
    if count == 0:
        return None
    sizes = np.bincount(labels.ravel())
    sizes[0] = 0
    fine = np.where((labels == int(sizes.argmax())) | (labels == 0), fine, -0.5)
    step = (np.asarray(part.shape) - 1) / np.maximum(np.asarray(fine.shape) - 1, 1)
    vertices, faces, _, _ = measure.marching_cubes(fine, 0.0)
    index = vertices * step + np.array([a, c, e]) - 2
    world = grid.to_world(index)
    faces = np.asarray(faces, int)
    outline = _outward(world, faces)
    centre = world.mean(axis=0)
    spread = np.cov((world - centre).T)
    values, axes = np.linalg.eigh(spread)
    body = Ellipsoid(centre, axes * np.sqrt(3.0 * np.maximum(values, LEAST_VARIANCE_MM2)))
    return Outline(scan, world, outline, np.full(len(world), 0.5), method, spread_mm, verdicts, ellipsoid=body)


def _outward(vertices: Any, faces: NDArray[Any]) -> NDArray[Any]:
    """Faces ordered so that normals point outward."""
    base = vertices.mean(axis=0)
    a, b, c = (vertices[faces[:, k]] - base for k in range(3))
    if float(np.einsum("ij,ij->", a, np.cross(b, c))) < 0:
        return faces[:, ::-1].copy()
    return faces


def outline_of_shape(near: Neighbourhood, mineral: NDArray[np.bool_], scan: int) -> Outline | None:
    """The closed and filled mineral as an outline, for shapes that no ray surface fits; always with caution."""
    spacing = near.grid.spacing
    grown = ndimage.distance_transform_edt(~mineral, sampling=spacing) <= CLOSE_MM
    filled = ndimage.binary_fill_holes(grown)
    closed = ndimage.distance_transform_edt(filled, sampling=spacing) > CLOSE_MM
    closed = (closed | mineral) & (near.bone_distance > 0)
    return outline_from_mask(
        np.asarray(closed),
        near.grid,
        scan=scan,
        method="mask",
        verdicts=(caution("odd-shape"),),
        spread_mm=0.6,
    )
