"""Truth of one scan, integrated from the scene itself: no blur, no noise, no voxels of the scan.

Every formula is written from its definition. Lengths mm, areas mm2, volumes mm3, mass mg, HU of the scan unless
said otherwise. A quantity that does not exist (nothing mineralised, no muscle far enough away) is NaN.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import SimpleITK as sitk
from scipy import ndimage
from scipy.spatial import ConvexHull, cKDTree

from .limb import FAT, LESION, MUSCLE
from .physics import Array, at_120
from .scene import Scene

THRESHOLDS = (100, 130, 150, 200, 300)
LARGEST_GRID = 24_000_000
"""Cells; only lesions beyond about 70 mm need cells wider than 0.25 mm for it."""
COARSEST_MM = 0.25


@dataclass(frozen=True)
class Surface:
    """S: points (N, 3) in LPS mm and in body mm, outward normals in LPS, mm2 each."""

    world: Array
    body: Array
    normals: Array
    area: Array


def _apply(matrix: Array, points: Array) -> Array:
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
            there = _apply(back, bone_points)
            hit = lesion.contains(there)
            # seen from the lesion the outward direction points into the bone
            pieces.append((there[hit], -(bone_normals[hit] @ back[:3, :3].T), bone_area[hit]))
        points, normals, area = (np.concatenate(v) for v in zip(*pieces, strict=True))
    to_world = np.linalg.inv(to_body)
    return Surface(_apply(to_world, points), points, normals @ to_world[:3, :3].T, area)


def distance_to(surface: Surface, points: Array) -> Array:
    """Distance from (N, 3) LPS points to S, negative on its outer side."""
    distance, nearest = cKDTree(surface.world).query(points)
    side = ((points - surface.world[nearest]) * surface.normals[nearest]).sum(axis=1)
    # close to S the tangent plane is better than the sampled point; far away the point is enough
    spread = 1.2 * float(np.sqrt(surface.area.mean()))
    beside = np.sqrt(np.maximum(distance**2 - side**2, 0))
    return np.where(side < 0, 1, -1) * np.where(beside < spread, np.abs(side), distance)


@dataclass(frozen=True)
class FineGrid:
    """The lesion's box in LPS: inside mask, depth d, HU, mineral; all (z, y, x) arrays."""

    step: float
    origin: Array
    inside: Array
    depth: Array
    hu: Array
    mineral: Array

    @property
    def cell(self) -> float:
        return self.step**3

    def world(self, index: Array) -> Array:
        return np.asarray(self.origin + np.asarray(index)[:, ::-1] * self.step)


def fine_grid(scene: Scene, to_body: Array, surface: Surface) -> FineGrid:
    """Scene (inside the lesion only) and depth on a grid over the lesion's box plus 0.5 mm."""
    lo, hi = surface.world.min(axis=0) - 0.5, surface.world.max(axis=0) + 0.5
    box = float(np.prod(hi - lo))
    step = max(min(COARSEST_MM, (box / 3e6) ** (1 / 3)), 0.1, (box / LARGEST_GRID) ** (1 / 3))
    shape = np.ceil((hi - lo) / step).astype(int)[::-1] + 1
    inside = np.zeros(shape, bool)
    hu = np.zeros(shape, np.float32)
    mineral = np.zeros(shape, np.float32)
    y, x = (v.ravel() for v in np.meshgrid(np.arange(shape[1]), np.arange(shape[2]), indexing="ij"))
    for k in range(shape[0]):
        points = np.stack([lo[0] + x * step, lo[1] + y * step, np.full(x.shape, lo[2] + k * step)], axis=1)
        body = _apply(to_body, points).astype(np.float32)
        within = np.flatnonzero(scene.lesions[0].contains(body))
        part = scene.evaluate_within(body[within])
        lesion = within[part.label == LESION]
        inside[k].ravel()[lesion] = True
        hu[k].ravel()[within] = part.hu
        mineral[k].ravel()[within] = part.mineral
    depth = _coarse_depth(surface, lo, hi, step, shape)
    return FineGrid(step, lo, inside, np.where(inside, depth, -depth), hu, mineral)


def _coarse_depth(surface: Surface, lo: Array, hi: Array, step: float, shape: Array) -> Array:
    """Distance to S from a coarse lattice, interpolated to the grid."""
    pitch = max(2 * step, float(np.prod(hi - lo) / 120_000) ** (1 / 3))
    counts = np.ceil((hi - lo) / pitch).astype(int) + 2
    axes = [lo[a] + np.arange(counts[a]) * pitch for a in range(3)]
    z, y, x = np.meshgrid(axes[2], axes[1], axes[0], indexing="ij")
    points = np.stack([x.ravel(), y.ravel(), z.ravel()], axis=1)
    signed = distance_to(surface, points).reshape(z.shape).astype(np.float32)
    where = [np.arange(n) * (step / pitch) for n in shape]
    out = np.empty(tuple(shape), np.float32)
    grid = np.meshgrid(where[1], where[2], indexing="ij")
    for k in range(shape[0]):
        at = np.stack([np.full(grid[0].shape, where[0][k]), grid[0], grid[1]])
        out[k] = np.abs(ndimage.map_coordinates(signed, at, order=1, mode="nearest"))
    return out


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
    distance = np.linalg.norm(thin[:, None] - thin[None], axis=-1)
    i, j = np.unravel_index(int(distance.argmax()), distance.shape)
    near = 0.12 * float(distance[i, j])
    one = points[np.linalg.norm(points - thin[i], axis=1) <= near]
    two = points[np.linalg.norm(points - thin[j], axis=1) <= near]
    one, two = one[:: max(1, len(one) // 1500)], two[:: max(1, len(two) // 1500)]
    distance = np.linalg.norm(one[:, None] - two[None], axis=-1)
    i, j = np.unravel_index(int(distance.argmax()), distance.shape)
    length = float(distance[i, j])
    return length, (two[j] - one[i]) / max(length, 1e-9)


def distance_from(mask: Array, step: float) -> Array:
    """Distance (mm) of every cell to the nearest cell of ``mask``."""
    image = sitk.GetImageFromArray(mask.astype(np.uint8))
    image.SetSpacing([step] * 3)
    distance = sitk.SignedMaurerDistanceMap(image, insideIsPositive=False, squaredDistance=False, useImageSpacing=True)
    return np.maximum(sitk.GetArrayFromImage(distance), 0)


def _mean(values: Array) -> float:
    return float(values.mean(dtype=np.float64)) if values.size else float("nan")


def truth(scene: Scene, to_body: Array, blur_mm: float) -> dict[str, float]:
    """Every quantity of one scan. ``to_body`` (4, 4) maps LPS mm to body mm; ``blur_mm`` its in-plane blur."""
    surface = outline_surface(scene, to_body)
    grid = fine_grid(scene, to_body, surface)
    soft, kvp = scene.muscle_hu, scene.kvp
    inside, cell = grid.inside, grid.cell
    hu120 = at_120(grid.hu, kvp, soft).astype(np.float32)
    deepest = float(grid.depth[inside].max())
    rim_depth = min(4.0, deepest / 3)
    rim = inside & (grid.depth <= rim_depth)
    core = inside & (grid.depth > deepest / 2)

    out: dict[str, float] = {"lesion_volume": float(inside.sum()) * cell, "inradius": deepest, "rim_depth": rim_depth}
    out["longest_diameter"], out["axial_diameter"], out["axial_perpendicular"] = diameters(surface)
    for level in THRESHOLDS:
        name = "mineral_volume" if level == 150 else f"mineral_volume_{level}"
        out[name] = float((inside & (hu120 >= level)).sum()) * cell
    dense = inside & (hu120 >= 150)
    zone = distance_from(dense, grid.step) <= 1.5 if dense.any() else dense
    out["mineral_mass"] = float(grid.mineral[zone].sum(dtype=np.float64)) * cell / 1000
    out["mineral_mass_all"] = float(grid.mineral[inside].sum(dtype=np.float64)) * cell / 1000
    out["mineral_fraction"] = out["mineral_volume"] / out["lesion_volume"]
    out["rim_attenuation"], out["core_attenuation"] = _mean(grid.hu[rim]), _mean(grid.hu[core])
    rim120, core120 = _mean(hu120[rim]), _mean(hu120[core])
    out["rim_core_ratio"] = (1000 + rim120) / (1000 + core120)
    out["rim_core_difference"] = rim120 - core120
    m_rim, m_core = _mean(grid.mineral[rim]), _mean(grid.mineral[core])
    out["zonal_contrast"] = (m_rim - m_core) / (m_rim + m_core) if m_rim + m_core > 1e-6 else float("nan")
    _core_shares(out, grid, hu120, rim, core, blur_mm)
    _rays(out, scene, to_body, surface, rim_depth, deepest)
    _cortex(out, scene, to_body, surface, rim_depth)
    _muscle(out, scene, to_body, surface)
    middle = np.argwhere(inside).mean(axis=0)
    centroid = grid.world(middle[None])[0]
    out["centroid_l"], out["centroid_p"], out["centroid_s"] = (float(v) for v in centroid)
    if out["largest_gap"] > 0:
        direction = np.array([out.pop("_gap_l"), out.pop("_gap_p"), out.pop("_gap_s")]) - centroid
        direction /= max(float(np.linalg.norm(direction)), 1e-9)
        out["largest_gap_l"], out["largest_gap_p"], out["largest_gap_s"] = (float(v) for v in direction)
    return out


def _core_shares(out: dict[str, float], grid: FineGrid, hu120: Array, rim: Array, core: Array, blur_mm: float) -> None:
    """Shares of the core at least one blur width away from rim mineral."""
    rim_mineral = rim & (hu120 >= 150)
    kept = core
    if rim_mineral.any():
        kept = core & (distance_from(rim_mineral, grid.step) >= blur_mm)
    hu, high = grid.hu[kept], hu120[kept]
    count = max(len(hu), 1)
    out["core_fat_fraction"] = float((hu <= -30).sum()) / count
    out["core_fluid_fraction"] = float(((hu >= -10) & (hu < 20)).sum()) / count
    out["core_soft_fraction"] = float(((hu >= 20) & (hu <= 80) & (high < 80)).sum()) / count
    out["core_haze_fraction"] = float(((high >= 80) & (high < 150)).sum()) / count
    out["core_mineral_fraction"] = float((high >= 150).sum()) / count


def _rays(
    out: dict[str, float], scene: Scene, to_body: Array, surface: Surface, rim_depth: float, deepest: float
) -> None:
    """Peaks, completeness, gaps and thickness from profiles along the inward normal."""
    pick = np.arange(0, len(surface.area), 3)
    points, area = surface.world[pick], surface.area[pick]
    inward = -surface.normals[pick]
    step = 0.08
    t = np.arange(-1.0, max(rim_depth, min(deepest, 12.0)) + step / 2, step)
    line = (points[:, None] + inward[:, None] * t[None, :, None]).reshape(-1, 3)
    part = scene.evaluate(_apply(to_body, line).astype(np.float32))
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
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    pairs = cKDTree(points).query_pairs(reach, output_type="ndarray")
    n = len(points)
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    return np.asarray(connected_components(graph, directed=False)[1])


def _thickness(mineral: Array, t: Array, rim_depth: float, step: float) -> float:
    """Median width of the run of mineral at or above half of the peak, around the peak in the rim."""
    widths = []
    in_rim = t <= rim_depth + 1e-6
    for profile in mineral:
        at = int(np.argmax(np.where(in_rim, profile, -1)))
        half = profile[at] / 2
        if half <= 0:
            continue
        above = profile >= half
        first, last = at, at
        while first > 0 and above[first - 1]:
            first -= 1
        while last + 1 < len(above) and above[last + 1]:
            last += 1
        width = (last - first + 0.5) * step
        if last + 1 < len(profile):
            width += step * (profile[last] - half) / max(profile[last] - profile[last + 1], 1e-9)
        widths.append(width)
    return float(np.median(widths)) if widths else float("nan")


def _cortex(out: dict[str, float], scene: Scene, to_body: Array, surface: Surface, rim_depth: float) -> None:
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
        there = _apply(np.linalg.inv(placed.from_body), points)
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
    out["cortex_reference"] = _mean(scene.hu(_apply(np.linalg.inv(placed.from_body), placed.bone.mid_cortex(reach))))

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


def _muscle(out: dict[str, float], scene: Scene, to_body: Array, surface: Surface) -> None:
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
        body = _apply(to_body, world).astype(np.float32)
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
    out["perilesional_muscle"] = _mean(np.concatenate(near_values))
    out["reference_muscle"] = _mean(np.concatenate(far_values)) if far_values else float("nan")
    out["perilesional_deficit"] = out["reference_muscle"] - out["perilesional_muscle"]
    out["fat_reference"] = _mean(np.concatenate(fat_values)) if fat_values else float("nan")
