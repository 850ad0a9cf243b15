"""True quantities along the outline and around it: rim profiles, gaps, cortex, muscle, fat."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from .limb import FAT, MUSCLE
from .outline_truth import Surface, apply, mean
from .physics import Array, at_120
from .scene import Scene


def rays(
    out: dict[str, float], scene: Scene, to_body: Array, surface: Surface, rim_depth: float, deepest: float
) -> None:
    """Peaks, completeness, gaps and thickness from profiles along the inward normal."""
    pick = np.arange(0, len(surface.area), 3)
    points, area = surface.world[pick], surface.area[pick]
    inward = -surface.normals[pick]
    step = 0.08
    t = np.arange(-1.0, max(rim_depth, min(deepest, 12.0)) + step / 2, step)
    line = (points[:, None] + inward[:, None] * t[None, :, None]).reshape(-1, 3)
    part = scene.evaluate(apply(to_body, line).astype(np.float32))
    hu = part.hu.reshape(len(points), -1)
    mineral = part.mineral.reshape(len(points), -1)
    peak = hu[:, t <= rim_depth + 1e-6].max(axis=1)
    peak120 = at_120(peak, scene.kvp, scene.muscle_hu)
    total = float(area.sum())
    for level in (100, 150, 200, 300):
        name = "rim_completeness" if level == 150 else f"rim_completeness_{level}"
        out[name] = float(area[peak120 >= level].sum()) / total
    mineralised = (mineral > 0) & (t <= rim_depth + 1e-6)
    own = at_120(np.where(mineralised, hu, -1000).max(axis=1), scene.kvp, scene.muscle_hu)
    out["rim_completeness_without_bone"] = float(area[own >= 150].sum()) / total
    bony = peak120 >= 150
    out["rim_peak_attenuation"] = float(np.average(peak[bony], weights=area[bony])) if bony.any() else float("nan")
    out["rim_thickness"] = _thickness(mineral[bony], t, rim_depth, step) if bony.any() else float("nan")
    out["largest_gap"] = 0.0
    gap = np.flatnonzero(~bony)
    if len(gap):
        reach = 2.0 * float(np.sqrt(3.0 * area.mean()))
        group = _connected(points[gap], reach)
        sizes = np.bincount(group, weights=area[gap])
        largest = int(sizes.argmax())
        out["largest_gap"] = float(sizes[largest]) / total
        members = gap[group == largest]
        centre = np.average(points[members], axis=0, weights=area[members])
        out["_gap_l"], out["_gap_p"], out["_gap_s"] = (float(v) for v in centre)


def _connected(points: Array, reach: float) -> Array:
    pairs = cKDTree(points).query_pairs(reach, output_type="ndarray")
    n = len(points)
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    return np.asarray(connected_components(graph, directed=False)[1])


def _thickness(mineral: Array, t: Array, rim_depth: float, step: float) -> float:
    """Median width of the run of mineral at or above half of the peak, around the peak in the rim."""
    in_rim = t <= rim_depth + 1e-6
    every = np.arange(len(mineral))
    at = np.where(in_rim, mineral, -1).argmax(axis=1)
    half = mineral[every, at] / 2
    below = (mineral < half[:, None]) & (half > 0)[:, None]
    place = np.arange(mineral.shape[1])
    # the samples next to the run, on the skin's and on the centre's side; -1 and the length where the run has no end
    before = np.where(below & (place < at[:, None]), place, -1).max(axis=1)
    behind = np.where(below & (place > at[:, None]), place, len(place)).min(axis=1)
    width = (behind - before - 1.5) * step
    open_end = np.flatnonzero(behind < len(place))
    last, beyond = mineral[open_end, behind[open_end] - 1], mineral[open_end, behind[open_end]]
    width[open_end] += step * (last - half[open_end]) / np.maximum(last - beyond, 1e-9)
    return float(np.median(width[half > 0])) if (half > 0).any() else float("nan")


def cortex(out: dict[str, float], scene: Scene, to_body: Array, surface: Surface, rim_depth: float) -> None:
    """Gap, contact and cleft between S and the nearest bone's outer surface."""
    names = ("cortex_gap", "cortex_contact_area", "cleft_fraction", "cortex_reference")
    for name in names:
        out[name] = float("nan")
    if not scene.bones:
        return
    z = surface.body[:, 2]
    reach = (float(z.min()) - 40, float(z.max()) + 40)
    nearest = None
    for placed in scene.bones:
        points, _, _ = placed.bone.surface(reach, 0.5)
        there = apply(np.linalg.inv(placed.from_body), points)
        tree = cKDTree(there)
        distance, index = tree.query(surface.body)
        if nearest is None or distance.min() < nearest[0].min():
            nearest = (distance, there[index], placed)
    assert nearest is not None
    distance, foot, placed = nearest
    own = placed.own(surface.body)
    touching = placed.bone.evaluate(own)[0] > -0.05
    distance = np.where(touching, 0.0, distance)
    out["cortex_gap"] = float(distance.min())
    out["cortex_reference"] = mean(scene.hu(apply(np.linalg.inv(placed.from_body), placed.bone.mid_cortex(reach))))

    # profile from the mineral of the rim to just inside the cortex
    normals = surface.normals @ to_body[:3, :3].T
    towards = foot - surface.body
    length = np.linalg.norm(towards, axis=1)
    unit = towards / np.maximum(length, 1e-6)[:, None]
    facing = touching | ((distance <= 5.0) & ((unit * normals).sum(axis=1) > 0.5))
    index = np.flatnonzero(facing | (distance <= 0.5))
    if not len(index):
        out["cortex_contact_area"] = 0.0
        return
    dark = np.zeros(len(surface.area), bool)
    dark[index] = _dips(scene, surface.body[index], foot[index], normals[index], distance[index], rim_depth)
    near = distance <= 0.5
    out["cortex_contact_area"] = float(surface.area[near & ~dark].sum())
    if facing.any():
        out["cleft_fraction"] = float(surface.area[facing & dark].sum() / surface.area[facing].sum())


def _dips(scene: Scene, body: Array, foot: Array, normals: Array, distance: Array, rim_depth: float) -> Array:
    """Whether the profile from the rim's densest point over S to the cortex falls below 100 HU120."""
    depth = np.arange(0.1, rim_depth + 0.05, 0.1)
    inner = (body[:, None] - normals[:, None] * depth[None, :, None]).reshape(-1, 3).astype(np.float32)
    within = at_120(scene.hu(inner), scene.kvp, scene.muscle_hu).reshape(len(body), -1)
    best = within.argmax(axis=1)
    lowest = np.array([row[: k + 1].min() for row, k in zip(within, best, strict=True)])
    share = np.linspace(0.02, 0.98, 40)
    across = (body[:, None] + (foot - body)[:, None] * share[None, :, None]).reshape(-1, 3).astype(np.float32)
    between = at_120(scene.hu(across), scene.kvp, scene.muscle_hu).reshape(len(body), -1).min(axis=1)
    between = np.where(distance < 0.05, 1e4, between)
    return np.asarray(np.minimum(lowest, between) < 100)


def muscle(out: dict[str, float], scene: Scene, to_body: Array, surface: Surface) -> None:
    """Muscle near and far, and subcutaneous fat, on a 2 mm lattice at the lesion's levels."""
    to_world = np.linalg.inv(to_body)
    z0, z1 = float(surface.world[:, 2].min()), float(surface.world[:, 2].max())
    middle = to_world[:3, :3] @ np.array([*scene.limb.centre, surface.body[:, 2].mean()]) + to_world[:3, 3]
    half = 1.35 * scene.limb.radius
    axis = np.arange(-half, half, 2.0)
    y, x = np.meshgrid(axis, axis, indexing="ij")
    near_values, far_values, fat_values = [], [], []
    tree = cKDTree(surface.world)
    for z in np.arange(z0 - 9, z1 + 9.1, 2.0):
        world = np.stack([middle[0] + x.ravel(), middle[1] + y.ravel(), np.full(x.size, z)], axis=1)
        body = apply(to_body, world).astype(np.float32)
        part = scene.evaluate(body)
        muscle = part.label == MUSCLE
        distance, _ = tree.query(world[muscle], distance_upper_bound=31.0)
        values = part.hu[muscle]
        near_values.append(values[(distance >= 2) & (distance <= 10)])
        if z0 <= z <= z1:
            far_values.append(values[distance > 30])
            depth, cosine, sine = scene.limb.depth(body)
            sub = (part.label == FAT) & (depth < scene.limb.skin + scene.limb.fat_thickness(cosine, sine))
            fat_values.append(part.hu[sub])
    out["perilesional_muscle"] = mean(np.concatenate(near_values))
    out["reference_muscle"] = mean(np.concatenate(far_values)) if far_values else float("nan")
    out["perilesional_deficit"] = out["reference_muscle"] - out["perilesional_muscle"]
    out["fat_reference"] = mean(np.concatenate(fat_values)) if fat_values else float("nan")
