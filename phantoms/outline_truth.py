"""The true outline as points, normals and areas, and what follows from them alone: distances and diameters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.spatial import ConvexHull, cKDTree

from .loops import farthest_pair, squared_distance
from .physics import Array
from .scene import Scene


@dataclass(frozen=True)
class Surface:
    """S: points (N, 3) in LPS mm and in body mm, outward normals in LPS, mm2 each."""

    world: Array
    body: Array
    normals: Array
    area: Array


def apply(matrix: Array, points: Array) -> Array:
    return np.asarray(points @ matrix[:3, :3].T + matrix[:3, 3])


def outline_surface(scene: Scene, to_body: Array, count: int = 24_000) -> Surface:
    """S of the measured lesion: its outline outside the skeleton, and the skeleton's surface inside it."""
    lesion = scene.lesions[0]
    points, normals, area = lesion.surface(count)
    if not scene.through_bone:
        out = ~scene.in_bone(points)
        pieces = [(points[out], normals[out], area[out])]
        step = float(np.sqrt(area.mean()))
        z_range = (lesion.centre[2] - lesion.reach - 2, lesion.centre[2] + lesion.reach + 2)
        for placed in scene.bones:
            bone_points, bone_normals, bone_area = placed.bone.surface(z_range, step)
            back = np.linalg.inv(placed.from_body)
            there = apply(back, bone_points)
            hit = lesion.contains(there)
            # seen from the lesion the outward direction points into the bone
            pieces.append((there[hit], -(bone_normals[hit] @ back[:3, :3].T), bone_area[hit]))
        points, normals, area = (np.concatenate(v) for v in zip(*pieces, strict=True))
    to_world = np.linalg.inv(to_body)
    return Surface(apply(to_world, points), points, normals @ to_world[:3, :3].T, area)


def distance_to(surface: Surface, points: Array) -> Array:
    """Distance from (N, 3) LPS points to S, negative on its outer side.

    Far from S a thinned set of its points is enough (too far by less than spacing squared over eight distances);
    near it the tangent plane of the nearest point is used, which is exact to second order.
    """
    spacing = float(np.sqrt(surface.area.mean()))
    every = max(1, len(surface.area) // 3000)
    distance, nearest = cKDTree(surface.world[::every]).query(points)
    nearest = nearest * every
    close = np.flatnonzero(distance < 4 * spacing * np.sqrt(every))
    distance[close], nearest[close] = cKDTree(surface.world).query(points[close])
    side = ((points - surface.world[nearest]) * surface.normals[nearest]).sum(axis=1)
    beside = np.sqrt(np.maximum(distance**2 - side**2, 0))
    return np.asarray(np.where(side < 0, 1, -1) * np.where(beside < 1.2 * spacing, np.abs(side), distance))


def mean(values: Array) -> float:
    return float(values.mean(dtype=np.float64)) if values.size else float("nan")


def diameters(surface: Surface) -> tuple[float, float, float]:
    """Longest diameter; longest diameter in an axial plane; the longest chord perpendicular to it there."""
    longest = _span(surface.world)[0]
    z = surface.world[:, 2]
    half = 0.8 * float(np.sqrt(surface.area.mean()))
    best: tuple[float, Any] = (0.0, None)
    for level in np.arange(z.min() + 1.0, z.max() - 1.0, 0.5):
        near = surface.world[np.abs(z - level) < half]
        flat = near[:, :2] + _slide(surface.normals[np.abs(z - level) < half], near[:, 2] - level)
        if len(flat) < 8:
            continue
        length, axis = _span(flat[ConvexHull(flat).vertices])
        if length > best[0]:
            best = (length, (flat, axis))
    if best[1] is None:
        return longest, float("nan"), float("nan")
    flat, axis = best[1]
    across = np.array([-axis[1], axis[0]])
    along, beside = flat @ axis, flat @ across
    chord = 0.0
    width = 2 * half
    for level in np.arange(along.min(), along.max(), width / 2):
        near_line = np.abs(along - level) < width / 2
        if near_line.sum() > 1:
            chord = max(chord, float(np.ptp(beside[near_line])))
    return longest, best[0], chord


def _slide(normals: Array, height: Array) -> Array:
    """In-plane shift that moves surface points at ``height`` above a plane along the surface into it."""
    flat = normals[:, :2]
    square = np.maximum((flat**2).sum(axis=1), 0.05)
    return np.asarray(flat * (normals[:, 2] * height / square)[:, None])


def _span(points: Array) -> tuple[float, Array]:
    """Largest distance between two points and its direction; a thinned set first, then the ends' neighbours."""
    thin = points[:: max(1, len(points) // 1500)]
    i, j, reach = farthest_pair(thin, thin)
    near = (0.12 * reach) ** 2
    one, two = (points[squared_distance(points, thin[k]) <= near] for k in (i, j))
    one, two = one[:: max(1, len(one) // 1500)], two[:: max(1, len(two) // 1500)]
    i, j, length = farthest_pair(one, two)
    return length, (two[j] - one[i]) / max(length, 1e-9)
