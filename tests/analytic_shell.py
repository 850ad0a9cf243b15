"""Blurred spheres and shells with closed forms, rendered from their definition; shares no code with what it judges."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import ndimage

from mineralize.base import Grid, Volume, slope
from mineralize.lesion import Neighbourhood, Outline, neighbourhood
from mineralize.reference import Reference
from mineralize.reference.tissues import Tissue
from mineralize.surface import sphere_directions

SOFT_HU = 50.0


@dataclass(frozen=True)
class Shell:
    """An ellipsoidal shell in soft tissue; ``open_deg`` is the half angle of a spherical cap left out at +S."""

    radii: tuple[float, float, float] = (15.0, 15.0, 15.0)
    thickness: float = 2.0
    shell_hu: float = 600.0
    core_hu: float = SOFT_HU
    outside_hu: float = SOFT_HU
    open_deg: float = 0.0

    @property
    def volume_mm3(self) -> float:
        return float(4 / 3 * np.pi * np.prod(self.radii))

    @property
    def hollow_mm3(self) -> float:
        """Volume of the shell itself (the inner border is the ellipsoid with every semi-axis less the thickness)."""
        return self.volume_mm3 - float(4 / 3 * np.pi * np.prod(np.array(self.radii) - self.thickness))

    def hu(self, points: Any) -> Any:
        outer = np.linalg.norm(points / np.array(self.radii), axis=-1)
        inner = np.linalg.norm(points / np.maximum(np.array(self.radii) - self.thickness, 1e-6), axis=-1)
        values = np.where(outer > 1, self.outside_hu, np.where(inner > 1, self.shell_hu, self.core_hu))
        if self.open_deg:
            polar = np.degrees(np.arccos(points[..., 2] / np.maximum(np.linalg.norm(points, axis=-1), 1e-9)))
            values = np.where((polar < self.open_deg) & (outer <= 1) & (inner > 1), self.core_hu, values)
        return values.astype(np.float32)


def rendered(
    shell: Shell,
    *,
    fwhm: float = 1.0,
    pixel: float = 0.75,
    slice_mm: float = 1.5,
    margin: float = 16.0,
    noise: float = 0.0,
    offset: tuple[float, float, float] = (0.21, -0.33, 0.4),
) -> Volume:
    """In-plane Gaussian of ``fwhm`` mm sampled at pixel centres, box of the slice; the centre lies at LPS (0, 0, 0)."""
    deep, fine = max(int(np.ceil(slice_mm / 0.3)), 3), 3
    half = max(shell.radii) + margin
    count = int(np.ceil(2 * half / pixel))
    slices = int(np.ceil(2 * half / slice_mm))
    across = ((np.arange(count * fine) + 0.5) / fine - 0.5 - (count - 1) / 2) * pixel
    x, y = across + offset[0], across + offset[1]
    heights = (np.arange(slices) - (slices - 1) / 2) * slice_mm + offset[2]
    hu = np.empty((slices, count, count), np.float32)
    flat = np.stack(np.broadcast_arrays(x[None, :], y[:, None]), axis=-1)
    for k, z in enumerate(heights):
        total = np.zeros((count * fine, count * fine), np.float32)
        for step in ((np.arange(deep) + 0.5) / deep - 0.5) * slice_mm:
            points = np.concatenate([flat, np.full((*flat.shape[:2], 1), z + step)], axis=-1)
            total += shell.hu(points)
        blurred = ndimage.gaussian_filter(total / deep, fwhm / 2.3548 / (pixel / fine))
        hu[k] = blurred[fine // 2 :: fine, fine // 2 :: fine]
    if noise:
        hu += np.random.default_rng(7).normal(scale=noise, size=hu.shape).astype(np.float32)
    origin = (float(x[fine // 2]), float(y[fine // 2]), float(heights[0]))
    return Volume(hu, Grid.from_parts(hu.shape, (slice_mm, pixel, pixel), origin))


def reference(volume: Volume, *, fwhm: float = 1.0, kvp: float = 120.0, noise: float = 5.0) -> Reference:
    """What a scan with that blur would say about itself."""
    spacing = float(volume.grid.spacing[0])
    blur = float(np.hypot(fwhm / 2.3548, float(volume.grid.spacing[2]) / 3.5))
    muscle = Tissue(SOFT_HU, 0.5, 1e5)
    return Reference(kvp, slope(kvp), muscle, None, None, noise, noise / 5, blur, spacing, spacing)


def around(volume: Volume, ref: Reference) -> Neighbourhood:
    return neighbourhood(volume, None, ref)


def ellipsoid_outline(radii: Any, count: int = 4000, centre: Any = (0.0, 0.0, 0.0)) -> Outline:
    """The true outline as a mesh."""
    directions, faces = sphere_directions(count)
    vertices = directions * np.asarray(radii, float) + np.asarray(centre, float)
    return Outline(1, vertices, faces, np.ones(len(vertices)), "mineral shell", 0.2)
