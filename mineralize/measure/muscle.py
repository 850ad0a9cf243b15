"""Muscle around the lesion against muscle far from it, and the steady tissues of the scan."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..base import Floats, Verdicts, Volume, all_around, caution, gaussian_smoothed, grown, withhold
from ..bones import Skeleton
from ..lesion import signed_depth
from ..reference import Reference
from .estimate import Estimate, symmetric, withheld
from .site import Site

NEAR_MM = (2.0, 10.0)
FAR_FROM_MM = 30.0
STEP_MM = 2.0
FARTHEST_MM = 40.0


def _muscle_voxels(volume: Volume, bone_distance: NDArray[np.floating] | None, noise_hu: float) -> NDArray[np.bool_]:
    """Muscle: between the fat planes and anything bright (vessels with contrast, mineral), on smoothed HU."""
    smooth = gaussian_smoothed(volume.hu, 1.0 / volume.grid.spacing)
    spread = max(0.35 * noise_hu, 4.0)
    muscle = (smooth > -5.0 - spread) & (smooth < 95.0 + spread)
    if bone_distance is not None:
        muscle &= bone_distance > 3.0
    reach = np.maximum(np.round(1.5 / volume.grid.spacing).astype(int), 1)
    shape = tuple(2 * int(r) + 1 for r in reach)
    return all_around(muscle, shape)


def measure_muscle(site: Site, volume: Volume, skeleton: Skeleton | None) -> list[Estimate]:
    """``perilesional_muscle``, ``reference_muscle``, ``perilesional_deficit``, ``oedema_extent``, ``fat_reference``,
    ``cortex_reference``.

    Parameters
    ----------
    volume : the whole scan, for muscle far away at the same levels.
    """
    noise = site.reference.noise_hu
    near = _muscle_voxels(Volume(site.near.hu, site.near.grid), site.near.bone_distance, noise)
    outside = -site.zones.depth
    clear_of_mineral = ~grown(site.mineral, 2)
    ring = near & (outside >= NEAR_MM[0]) & (outside <= NEAR_MM[1]) & clear_of_mineral
    far_mean, far_se, far_mm3 = _reference_far(site, volume, skeleton)
    rows: list[Estimate] = []
    names = ("perilesional_muscle", "reference_muscle", "perilesional_deficit")
    ring_mm3 = float(ring.sum() * site.voxel_mm3)
    bias = 1.1
    ring_mean, ring_se = float("nan"), float("nan")
    if ring_mm3 < 100.0:
        rows.append(withheld(names[0], "HU", withhold("muscle-little-near")))
    else:
        ring_mean = float(site.hu[ring].mean())
        ring_se = float(np.hypot(site.reference.mean_error(ring_mm3), 0.5))
        rows.append(symmetric(names[0], "HU", ring_mean, {"noise": 2 * ring_se, "what counts as muscle": bias}))
    if far_mm3 < 500.0:
        rows.append(withheld(names[1], "HU", withhold("muscle-little-far")))
    else:
        rows.append(symmetric(names[1], "HU", far_mean, {"noise": 2 * far_se, "what counts as muscle": bias}))
    if np.isfinite(ring_mean) and far_mm3 >= 500.0:
        parts = {"noise": 2 * float(np.hypot(ring_se, far_se)), "what counts as muscle": bias}
        rows.append(symmetric(names[2], "HU", far_mean - ring_mean, parts))
        rows.append(_extent(site, near & clear_of_mineral, outside, far_mean, far_se))
    else:
        rows.append(withheld(names[2], "HU", withhold("muscle-not-compared")))
        rows.append(withheld("oedema_extent", "mm", withhold("muscle-not-compared")))
    return rows + steady_tissues(site.reference)


def _mixed_fat(mean_hu: float, kvp: float) -> Verdicts:
    """Cautioned where it reads well above adipose tissue: a thin layer of fat is mixed with skin and muscle."""
    expected = float(np.interp(kvp, (80.0, 120.0, 140.0), ADIPOSE_HU))
    if mean_hu <= 0.85 * expected:
        return ()
    return (caution("fat-thin", kvp=kvp, hu=expected),)


ADIPOSE_HU = (-98.0, -79.0, -74.0)
"""Adipose tissue at 80, 120 and 140 kVp (ICRU-44, same tables as the slopes)."""


def steady_tissues(reference: Reference) -> list[Estimate]:
    """``fat_reference`` and ``cortex_reference``, which need no lesion."""
    rows: list[Estimate] = []
    fat, cortex = reference.fat, reference.cortex
    if fat is None:
        rows.append(withheld("fat_reference", "HU", withhold("fat-little")))
    else:
        rows.append(
            symmetric(
                "fat_reference",
                "HU",
                fat.mean_hu,
                {"noise": 2 * fat.standard_error_hu, "skin and fascia": 3.0},
                verdicts=_mixed_fat(fat.mean_hu, reference.kvp),
            )
        )
    if cortex is None:
        rows.append(withheld("cortex_reference", "HU", withhold("cortex-none")))
    else:
        parts = {"noise": 2 * cortex.standard_error_hu, "blur": 0.02 * cortex.mean_hu}
        rows.append(symmetric("cortex_reference", "HU", cortex.mean_hu, parts))
    return rows


def _reference_far(site: Site, volume: Volume, skeleton: Skeleton | None) -> tuple[float, float, float]:
    """Mean muscle HU, its standard error and volume, more than 30 mm from the lesion at the same levels."""
    grid = volume.grid
    levels = grid.to_index(site.outline.vertices)[:, 0]
    low, high = int(max(np.floor(levels.min()), 0)), int(min(np.ceil(levels.max()) + 1, grid.shape[0]))
    step = max((high - low) // 12, 1)
    values: list[Floats] = []
    total = 0.0
    centre = site.outline.centroid
    radius = float(np.linalg.norm(site.outline.vertices - centre, axis=1).max())
    for k in range(low, high, step):
        bounds = ((k, k + 1), (0, grid.shape[1]), (0, grid.shape[2]))
        part = volume.crop(bounds)
        muscle = _muscle_voxels(part, None, site.reference.noise_hu)
        if skeleton is not None:
            muscle &= ~_coarse_bone(skeleton, part)
        index = np.argwhere(muscle)[::7]
        if not len(index):
            continue
        world = part.grid.to_world(index)
        far = np.linalg.norm(world - centre, axis=1) > radius + FAR_FROM_MM
        if not far.all():
            doubtful = np.flatnonzero(~far)
            far[doubtful] = signed_depth(site.outline, world[doubtful]) < -FAR_FROM_MM
        values.append(part.hu[tuple(index[far].T)])
        total += float(far.sum()) * 7 * step * grid.voxel_volume_mm3
    if not values or not sum(len(v) for v in values):
        return float("nan"), float("nan"), 0.0
    everything = np.concatenate(values)
    return float(everything.mean()), float(np.hypot(site.reference.mean_error(total), 0.5)), total


def _coarse_bone(skeleton: Skeleton, part: Volume) -> NDArray[np.bool_]:
    """Coarse bone, body left out, on one slice."""
    # Both grids have the same axes: the coarse index along one of them does not depend on the others.
    places, inside = [], np.ones(part.grid.shape, bool)
    for axis, (fine, coarse) in enumerate(zip(part.grid.shape, skeleton.grid.shape, strict=True)):
        along = np.zeros((fine, 3))
        along[:, axis] = np.arange(fine)
        index = np.rint(skeleton.grid.to_index(part.grid.to_world(along))[:, axis]).astype(int)
        within = (index >= 0) & (index < coarse)
        inside &= within.reshape([-1 if a == axis else 1 for a in range(3)])
        places.append(np.clip(index, 0, coarse - 1))
    levels, rows, columns = places
    coarse_blocked = skeleton.mask[levels] | ~skeleton.body[levels]
    blocked = coarse_blocked.take(rows, axis=1).take(columns, axis=2) | ~inside
    return grown(blocked, 3)


def _extent(
    site: Site, muscle: NDArray[np.bool_], outside: NDArray[np.floating], far_mean: float, far_se: float
) -> Estimate:
    """How far outside the muscle stays more than 2 standard errors below the reference, in steps of 2 mm."""
    reached, seen = 0.0, 0.0
    for low in np.arange(NEAR_MM[0], 12.0, STEP_MM):
        ring = muscle & (outside >= low) & (outside < low + STEP_MM)
        mm3 = float(ring.sum() * site.voxel_mm3)
        if mm3 < 60.0:
            break
        seen = low + STEP_MM
        error = 2.0 * float(np.hypot(np.hypot(site.reference.mean_error(mm3), far_se), 1.0))
        if far_mean - float(site.hu[ring].mean()) <= error:
            break
        reached = low + STEP_MM
    verdicts: Verdicts = ()
    if reached and reached >= seen:
        verdicts = (caution("oedema-beyond", mm=seen),)
    return Estimate(
        "oedema_extent",
        "mm",
        reached,
        {"step": STEP_MM},
        {"step": STEP_MM},
        verdicts,
        (0.0, np.inf),
    )
