"""Rim, middle and core: depth below the outline at points and voxels, and the share of a voxel in a zone."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..base import Floats, Grid, ZoneSettings, compiled, lazy
from .outline import Outline

FULL_MM = 12.0
"""How far outside an outline depths are known."""
BLOCK = 4
"""Voxels along an edge of the blocks that are looked at first."""
BLOCKS = 2
"""Blocks along an edge of those for which vertices that lie far off are left out at once."""
LEAST_INRADIUS_MM = 0.1
"""No lesion is thinner: its zones would have no depth."""
SLACK_MM = 1e-6
"""More than rounding moves a distance by."""


def _depth_and_normal(outline: Outline, points: Floats) -> tuple[Floats, Floats]:
    """Depth (N,) below the outline, positive inside, and the outward normal (N, 3) at the nearest vertex."""
    _, nearest = outline.places.query(points, workers=1)
    return _below(outline, points, nearest)


def _below(outline: Outline, points: Floats, nearest: NDArray[Any]) -> tuple[Floats, Floats]:
    normals = outline.normals[nearest]
    depth = -np.einsum("ij,ij->i", points - outline.vertices[nearest], normals)
    return depth, normals


@compiled()
def _close(vertices: Floats, index: NDArray[Any], count: int, points: Floats, kept: Floats, named: NDArray[Any]) -> int:
    """Which of the first ``count`` vertices can be nearest to one of the points: those about as near to their middle as
    the nearest. Fills ``kept`` and ``named`` and returns how many they are."""
    many = points.shape[0]
    x, y, z = 0.0, 0.0, 0.0
    for n in range(many):
        x, y, z = x + points[n, 0], y + points[n, 1], z + points[n, 2]
    x, y, z = x / many, y / many, z / many
    half, least = 0.0, math.inf
    for n in range(many):
        half = max(half, (points[n, 0] - x) ** 2 + (points[n, 1] - y) ** 2 + (points[n, 2] - z) ** 2)
    for v in range(count):
        least = min(least, (vertices[v, 0] - x) ** 2 + (vertices[v, 1] - y) ** 2 + (vertices[v, 2] - z) ** 2)
    limit = (math.sqrt(least) + 2.0 * math.sqrt(half) + SLACK_MM) ** 2
    close = 0
    for v in range(count):
        if (vertices[v, 0] - x) ** 2 + (vertices[v, 1] - y) ** 2 + (vertices[v, 2] - z) ** 2 <= limit:
            kept[close], named[close] = vertices[v], index[v]
            close += 1
    return close


@compiled("f8[2] f8[2] i8[1] i8[1] i8[1]!")
def _nearest_in_groups(
    vertices: Floats, points: Floats, ends: NDArray[Any], outer_ends: NDArray[Any], nearest: NDArray[Any]
) -> None:
    """Index ``nearest`` (N,) of the vertex closest to every point. The points lie close together in groups that end
    before ``ends``, and these in groups that end before ``outer_ends``, some of ``ends``."""
    count = vertices.shape[0]
    every, first, second = np.arange(count), np.empty(count, np.int64), np.empty(count, np.int64)
    wide, narrow = np.empty((count, 3)), np.empty((count, 3))
    start, group = 0, 0
    for outer in outer_ends:
        some = _close(vertices, every, count, points[start:outer], wide, first)
        while start < outer:
            end = ends[group]
            few = _close(wide, first, some, points[start:end], narrow, second)
            for n in range(start, end):
                least, best = math.inf, 0
                for v in range(few):
                    apart = (narrow[v, 0] - points[n, 0]) ** 2
                    apart += (narrow[v, 1] - points[n, 1]) ** 2 + (narrow[v, 2] - points[n, 2]) ** 2
                    if apart < least:
                        least, best = apart, v
                nearest[n] = second[best]
            start, group = end, group + 1


def _nearest_of_voxels(outline: Outline, points: Floats, inside: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Nearest vertex (N,) of the voxels of a mask, given as points (N, 3) in its order, block by block."""
    at = np.argwhere(inside)
    block, outer = (_numbered(at // edge) for edge in (BLOCK, BLOCK * BLOCKS))
    order = np.lexsort((block, outer))
    last = len(order) - 1
    ends = np.append(np.flatnonzero(np.diff(block[order])), last) + 1
    outer_ends = np.append(np.flatnonzero(np.diff(outer[order])), last) + 1
    found, nearest = np.empty((2, len(order)), np.int64)
    _nearest_in_groups(outline.vertices, points[order], ends, outer_ends, found)
    nearest[order] = found
    return nearest


def _numbered(cell: NDArray[np.intp]) -> NDArray[np.intp]:
    return np.asarray(np.ravel_multi_index(tuple(cell.T), tuple(cell.max(axis=0) + 1)))


def signed_depth(outline: Outline, points: Any) -> Floats:
    """Depth in mm of LPS points (N, 3) below the outline, (N,), positive inside.

    Distance to the tangent plane at the nearest vertex: on a mesh of 1 mm that is within 0.05 mm of the
    distance to the smooth surface.
    """
    return _depth_and_normal(outline, np.asarray(points, float).reshape(-1, 3))[0]


@dataclass(frozen=True, eq=False)
class Zones:
    """Depth of every voxel around one outline.

    ``depth`` (slices, rows, columns) mm on ``grid``, positive inside; ``width`` the extent of a voxel across the
    outline there; ``inradius_mm`` the largest depth D.
    """

    grid: Grid
    depth: NDArray[np.float32]
    width: NDArray[np.float32]
    inradius_mm: float
    settings: ZoneSettings

    @property
    def rim_depth_mm(self) -> float:
        """Depth of the inner border of the rim: min(4 mm, D/3)."""
        return min(self.settings.rim_depth_mm, self.inradius_mm / 3)

    @property
    def core_depth_mm(self) -> float:
        """Depth below which the core begins: D/2."""
        return self.inradius_mm * self.settings.core_depth_fraction

    def share_below(self, depth_mm: float) -> NDArray[np.float32]:
        """Share (slices, rows, columns), 0..1, of each voxel deeper than ``depth_mm``; the border counts as a plane."""
        return np.asarray(np.clip(0.5 + (self.depth - depth_mm) / self.width, 0.0, 1.0), np.float32)

    def share_between(self, shallow_mm: float, deep_mm: float) -> NDArray[np.float32]:
        """Share (slices, rows, columns), 0..1, of each voxel between two depths."""
        return np.asarray(np.maximum(self.share_below(shallow_mm) - self.share_below(deep_mm), 0.0), np.float32)

    @lazy
    def lesion(self) -> NDArray[np.float32]:
        """Share of each voxel inside the outline."""
        return self.share_below(0.0)

    @lazy
    def rim(self) -> NDArray[np.float32]:
        """Share of each voxel in the rim."""
        return self.share_between(0.0, self.rim_depth_mm)

    @lazy
    def core(self) -> NDArray[np.float32]:
        """Share of each voxel in the core."""
        return self.share_below(self.core_depth_mm)


def find_zones(outline: Outline, grid: Grid, settings: ZoneSettings) -> Zones:
    """Depths on ``grid``, which should reach some millimetres beyond the outline.

    Only the inside and the nearest ``FULL_MM`` outside are computed in full; beyond, depth is below that.
    """
    low, high = outline.vertices.min(axis=0) - FULL_MM, outline.vertices.max(axis=0) + FULL_MM
    world = grid.world_of_all()
    box = ((world >= low) & (world <= high)).all(axis=-1)
    depth = np.full(grid.shape, -99.0, np.float32)
    width = np.full(grid.shape, float(grid.spacing.max()), np.float32)
    box &= _near_or_inside(outline, grid)
    points = world[box]
    if len(points):
        values, normals = _below(outline, points, _nearest_of_voxels(outline, points, box))
        depth[box] = values
        across = (normals @ grid.directions) * grid.spacing
        width[box] = np.sqrt((across**2).sum(axis=1))
    return Zones(grid, depth, width, inradius(outline, grid, depth), settings)


def _near_or_inside(outline: Outline, grid: Grid) -> NDArray[np.bool_]:
    """Voxels of blocks that may reach inside the outline or within ``FULL_MM`` of it, by the middles of the blocks."""
    counts = [-(-n // BLOCK) for n in grid.shape]
    middle = np.stack(np.meshgrid(*[np.arange(n) * BLOCK + (BLOCK - 1) / 2 for n in counts], indexing="ij"), axis=-1)
    points = grid.to_world(middle.reshape(-1, 3))
    distance, nearest = outline.places.query(points, workers=1)
    outward = np.einsum("ij,ij->i", points - outline.vertices[nearest], outline.normals[nearest]) > 0.0
    half = float(np.linalg.norm(grid.spacing * (BLOCK - 1) / 2))
    wanted = ~(outward & (distance > FULL_MM + half)).reshape(counts)
    for axis, n in enumerate(grid.shape):
        wanted = np.repeat(wanted, BLOCK, axis=axis).take(range(n), axis=axis)
    return np.asarray(wanted)


def inradius(outline: Outline, grid: Grid, depth: NDArray[Any]) -> float:
    """Largest depth in mm, refined around the deepest voxels."""
    inside = np.flatnonzero(depth.ravel() > 0)
    some = inside if len(inside) > 8 else np.arange(depth.size)
    deepest = some[np.argpartition(depth.ravel()[some], -8)[-8:]] if len(some) > 8 else some
    flat = deepest[np.argsort(depth.ravel()[deepest])]
    spots = grid.to_world(np.stack(np.unravel_index(flat, depth.shape), axis=1))
    steps = np.stack(np.meshgrid(*[np.linspace(-0.5, 0.5, 5)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    reach = float(grid.spacing.max())
    best = float(np.max(depth))
    for _ in range(3):
        tried = (spots[:, None, :] + reach * steps[None, :, :]).reshape(-1, 3)
        nearest = np.empty(len(tried), np.int64)
        ends = len(steps) * np.arange(1, len(spots) + 1)
        _nearest_in_groups(outline.vertices, tried, ends, ends, nearest)
        found, _ = _below(outline, tried, nearest)
        top = np.argsort(found)[-4:]
        spots, best, reach = tried[top], max(best, float(found[top[-1]])), reach / 3
    return max(best, LEAST_INRADIUS_MM)


def voxel_masks(outline: Outline, grid: Grid, settings: ZoneSettings | None = None) -> dict[str, NDArray[np.bool_]]:
    """Boolean masks ``lesion``, ``rim``, ``middle``, ``core`` (slices, rows, columns) on ``grid``.

    A voxel belongs to a zone when its centre does.
    """
    window, boxes = boxed_masks(outline, grid, settings)
    masks: dict[str, NDArray[np.bool_]] = {}
    for name, own in boxes.items():
        masks[name] = np.zeros(grid.shape, bool)
        masks[name][window] = own
    return masks


def boxed_masks(
    outline: Outline, grid: Grid, settings: ZoneSettings | None = None
) -> tuple[tuple[slice, slice, slice], dict[str, NDArray[np.bool_]]]:
    """Where in ``grid`` all lies that :func:`voxel_masks` marks, and its masks (slices, rows, columns) of that box."""
    (a, b), (c, d), (e, f) = box = grid.bounds_around(outline.vertices, 1.0)
    part = find_zones(outline, grid.cropped(box), settings or ZoneSettings())
    inside = part.depth >= 0
    rim = inside & (part.depth <= part.rim_depth_mm)
    core = part.depth > part.core_depth_mm
    masks = {"lesion": inside, "rim": rim, "middle": inside & ~rim & ~core, "core": core}
    return (slice(a, b), slice(c, d), slice(e, f)), masks
