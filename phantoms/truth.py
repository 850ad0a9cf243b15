"""Truth of one scan, integrated from the scene itself: no blur, no noise, no voxels of the scan.

Every formula is written from its definition. Lengths mm, areas mm2, volumes mm3, mass mg, HU of the scan unless
said otherwise. A quantity that does not exist (nothing mineralised, no muscle far enough away) is NaN.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import SimpleITK as sitk
from scipy import ndimage

from .around_truth import cortex, muscle, rays
from .limb import LESION
from .outline_truth import Surface, apply, diameters, distance_to, mean, outline_surface
from .physics import Array, at_120
from .scene import Scene

THRESHOLDS = (100, 130, 150, 200, 300)
LARGEST_GRID = 24_000_000
"""Cells; only lesions beyond about 70 mm need cells wider than 0.25 mm for it."""
COARSEST_MM = 0.25


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
        body = apply(to_body, points).astype(np.float32)
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
    pitch = max(2 * step, float(np.prod(hi - lo) / 80_000) ** (1 / 3))
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


def inradius(grid: FineGrid, surface: Surface) -> float:
    """Largest distance of an inside point to S, exact where the interpolated depth has its top."""
    depth = np.where(grid.inside, grid.depth, 0)
    # interpolation cuts a peak by less than the lattice pitch, which is below 4 % of the box
    top = np.argwhere(depth > float(depth.max()) - 0.04 * max(depth.shape) * grid.step)
    top = top[:: max(1, len(top) // 4_000)]
    return float(distance_to(surface, grid.world(top)).max())


def distance_from(mask: Array, step: float) -> Array:
    """Distance (mm) of every cell to the nearest cell of ``mask``."""
    image = sitk.GetImageFromArray(mask.astype(np.uint8))
    image.SetSpacing([step] * 3)
    distance = sitk.SignedMaurerDistanceMap(image, insideIsPositive=False, squaredDistance=False, useImageSpacing=True)
    return np.asarray(np.maximum(sitk.GetArrayFromImage(distance), 0))


def truth(scene: Scene, to_body: Array, blur_mm: float) -> dict[str, float]:
    """Every quantity of one scan. ``to_body`` (4, 4) maps LPS mm to body mm; ``blur_mm`` its in-plane blur."""
    surface = outline_surface(scene, to_body)
    grid = fine_grid(scene, to_body, surface)
    soft, kvp = scene.muscle_hu, scene.kvp
    inside, cell = grid.inside, grid.cell
    hu120 = at_120(grid.hu, kvp, soft).astype(np.float32)
    deepest = inradius(grid, surface)
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
    out["rim_attenuation"], out["core_attenuation"] = mean(grid.hu[rim]), mean(grid.hu[core])
    rim120, core120 = mean(hu120[rim]), mean(hu120[core])
    out["rim_core_ratio"] = (1000 + rim120) / (1000 + core120)
    out["rim_core_difference"] = rim120 - core120
    m_rim, m_core = mean(grid.mineral[rim]), mean(grid.mineral[core])
    out["zonal_contrast"] = (m_rim - m_core) / (m_rim + m_core) if m_rim + m_core > 1e-6 else float("nan")
    _core_shares(out, grid, hu120, rim, core, blur_mm)
    rays(out, scene, to_body, surface, rim_depth, deepest)
    cortex(out, scene, to_body, surface, rim_depth)
    muscle(out, scene, to_body, surface)
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
