"""Real trabeculae, scanned so finely that their mass is known, seen through clinical voxels.

A human trabecular block of 3.1 mm at 19.5 um (LHDL collection, via github.com/gianthk/ciclope, MIT; bone over grey
value 63 as that repository takes it) is mirrored side by side to a larger cube, given the density of bone tissue and
laid into muscle. Blur, slices and pixels are integrals over the fine block, so the truth is a count of fine voxels.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import SimpleITK as sitk
from numpy.typing import NDArray
from scipy import ndimage, special

from mineralize.base import Acquisition, Grid, Settings, Volume, slope
from mineralize.lesion import find_zones, neighbourhood, outline_from_mask
from mineralize.measure import Estimate, Site, measure_mineral
from mineralize.reference import measure_reference

FILE = Path("trabecular-microct") / "LHDL_3155_D_4_bc_160.nrrd"
FINE_MM = 0.0195
BONE_GREY = 63
GROUP = 8
"""Fine voxels averaged before blurring: 0.156 mm, a third of the finest pixel."""
COPIES = 4
TISSUE_MG_CM3 = 1000.0
"""Mineral density of the trabeculae's own material (from memory: about 900 to 1200)."""
HYDROXYAPATITE_MG_CM3 = 3156.0
"""Crystallographic (from memory): mineral takes the place of soft tissue."""
MUSCLE_HU = 50.0
SETTINGS = Settings()
Array = NDArray[Any]


@dataclass(frozen=True)
class Through:
    """What it is seen through (blur: full width at half maximum) and what fills the spaces between trabeculae."""

    pixel_mm: float = 0.7
    slice_mm: float = 1.0
    fwhm_mm: float = 1.2
    noise_hu: float = 12.0
    kvp: float = 120.0
    marrow_hu: float = MUSCLE_HU


@cache
def block(data: Path) -> Array:
    """Share of bone (n, n, n) in voxels of GROUP fine ones, mirrored side by side."""
    grey = sitk.GetArrayFromImage(sitk.ReadImage(str(data / FILE)))
    bone = (grey >= BONE_GREY).astype(np.float32)
    n = bone.shape[0] // GROUP
    share = bone[: n * GROUP, : n * GROUP, : n * GROUP].reshape(n, GROUP, n, GROUP, n, GROUP).mean(axis=(1, 3, 5))
    for axis in range(3):
        row = [share if i % 2 == 0 else np.flip(share, axis) for i in range(COPIES)]
        share = np.concatenate(row, axis)
    return np.asarray(share)


def true_mass_mg(data: Path) -> float:
    return float(block(data).sum()) * (GROUP * FINE_MM) ** 3 * TISSUE_MG_CM3 / 1000


def bone_volume_mm3(data: Path) -> float:
    return float(block(data).sum()) * (GROUP * FINE_MM) ** 3


def _weights(centres: Array, fine: Array, width: float, blur_sd: float, box: float) -> Array:
    """How much of each fine voxel (columns) a coarse one (rows) sees: a box, a Gaussian, or a Gaussian over a box."""
    edge_low, edge_high = fine - 0.5 * width, fine + 0.5 * width
    if box > 0:
        low = np.maximum(edge_low[None, :], centres[:, None] - 0.5 * box)
        high = np.minimum(edge_high[None, :], centres[:, None] + 0.5 * box)
        return np.asarray(np.clip(high - low, 0.0, None) / box)
    return np.asarray(
        special.ndtr((edge_high[None, :] - centres[:, None]) / blur_sd)
        - special.ndtr((edge_low[None, :] - centres[:, None]) / blur_sd)
    )


def rendered(data: Path, how: Through, seed: int = 0) -> tuple[Volume, Array]:
    """The cube in muscle as a scan, and the mask (slices, rows, columns) that a reader would draw around it."""
    share = block(data)
    width = GROUP * FINE_MM
    side = share.shape[0] * width
    fine = (np.arange(share.shape[0]) + 0.5) * width - 0.5 * side
    rng = np.random.default_rng(seed)
    reach = 0.5 * side + 16.0
    spacing = (how.slice_mm, how.pixel_mm, how.pixel_mm)
    shape = tuple(int(2 * reach / h) for h in spacing)
    shift = rng.uniform(-0.5, 0.5, 3) * spacing
    axes = [(np.arange(n) - 0.5 * (n - 1)) * h + s for n, h, s in zip(shape, spacing, shift, strict=True)]
    sd = how.fwhm_mm / np.sqrt(8 * np.log(2))
    maps = [
        _weights(axes[0], fine, width, 0.0, how.slice_mm),
        _weights(axes[1], fine, width, sd, 0.0),
        _weights(axes[2], fine, width, sd, 0.0),
    ]
    bone = np.einsum("zk,yj,xi,kji->zyx", *maps, share, optimize=True)
    inside = _outer([m.sum(axis=1) for m in maps])
    soft = MUSCLE_HU + (how.marrow_hu - MUSCLE_HU) * (inside - bone)
    mineral = TISSUE_MG_CM3 * bone
    hu = soft * (1 - mineral / HYDROXYAPATITE_MG_CM3) + slope(how.kvp) * mineral
    noise = ndimage.gaussian_filter(rng.normal(size=shape), (0.0, 0.6 / how.pixel_mm, 0.6 / how.pixel_mm))
    hu += noise / noise.std() * how.noise_hu
    grid = Grid.from_parts(shape, spacing, (float(axes[2][0]), float(axes[1][0]), float(axes[0][0])))
    drawn = (
        _outer([(np.abs(a) <= 0.5 * side + 0.5 * h).astype(float) for a, h in zip(axes, spacing, strict=True)]) > 0.5
    )
    return Volume(hu.astype(np.float32), grid), drawn


def _outer(parts: list[Array]) -> Array:
    return np.asarray(np.einsum("z,y,x->zyx", *parts))


def measured(data: Path, how: Through, seed: int = 0) -> dict[str, Estimate]:
    """The program's mineral quantities of the cube seen so, from a drawn outline."""
    volume, drawn = rendered(data, how, seed)
    own = measure_reference(volume, Acquisition(kvp=how.kvp, slice_thickness_mm=how.slice_mm), SETTINGS.mineral)
    outline = outline_from_mask(drawn, volume.grid, scan=1, method="drawn", verdicts=(), spread_mm=0.5 * how.pixel_mm)
    assert outline is not None
    near = neighbourhood(volume, None, own)
    site = Site(1, near, own, outline, find_zones(outline, near.grid, SETTINGS.zones), SETTINGS)
    return {e.quantity: e for e in measure_mineral(site)}
