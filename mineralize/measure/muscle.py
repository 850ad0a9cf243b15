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
"""Ring outside the lesion in which muscle is read, and (`FAR_FROM_MM`) how far off it is taken for untouched
(`measurements.md` of the definitions)."""
FAR_FROM_MM = 30.0
STEP_MM, EXTENT_MM = 2.0, 12.0
"""Rings in which the extent of oedema is looked for, from `NEAR_MM` to this far outside: all that the surroundings of
a lesion hold in every scan."""
MUSCLE_HU = (-5.0, 95.0)
"""What smoothed muscle reads: above fat between its fibres, below vessels with contrast (own judgement)."""
WIDER_BY_NOISE, LEAST_WIDER_HU = 0.35, 4.0
"""Both limits lie farther out by this share of a voxel's noise, which smoothing leaves of it, and by this much at least
(own judgement)."""
SMOOTHED_MM, CLEAR_MM, CLEAR_OF_BONE_MM = 1.0, 1.5, 3.0
"""Standard deviation of the smoothing; how far muscle lies from anything else, and from bone, whose blur it must not
hold (own judgement)."""
LEAST_RING_MM3, LEAST_FAR_MM3, LEAST_STEP_MM3 = 100.0, 500.0, 60.0
"""Muscle in the ring, far away, and in one step of the extent, below which no mean is stated (own judgement)."""
WHAT_COUNTS_HU = 1.1
"""95 % half-width of a mean of muscle by what counts as muscle: limits, smoothing and clearance (own phantoms)."""
LEAST_ERROR_HU, LEAST_EXTENT_ERROR_HU = 0.5, 1.0
"""Standard error that no mean of muscle, and no difference that ends an extent, is without: muscles differ (own
judgement)."""
LEVELS, EVERY = 12, 7
"""Slices in which far muscle is read, and of whose voxels every so many: enough for its mean."""
THIN_FAT = 0.85
"""Share of what adipose tissue reads above which a layer of fat is thin (own judgement)."""
SKIN_HU, CORTEX_BLUR = 3.0, 0.02
"""95 % half-widths: of fat by what of skin and fascia is in it; of cortex by what blur leaves, as a share (own
phantoms)."""


def _muscle_voxels(volume: Volume, bone_distance: NDArray[np.floating] | None, noise_hu: float) -> NDArray[np.bool_]:
    """Muscle: between the fat planes and anything bright (vessels with contrast, mineral), on smoothed HU."""
    smooth = gaussian_smoothed(volume.hu, SMOOTHED_MM / volume.grid.spacing)
    spread = max(WIDER_BY_NOISE * noise_hu, LEAST_WIDER_HU)
    muscle = (smooth > MUSCLE_HU[0] - spread) & (smooth < MUSCLE_HU[1] + spread)
    if bone_distance is not None:
        muscle &= bone_distance > CLEAR_OF_BONE_MM
    reach = np.maximum(np.round(CLEAR_MM / volume.grid.spacing).astype(int), 1)
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
    ring_mean, ring_se = float("nan"), float("nan")
    if ring_mm3 < LEAST_RING_MM3:
        rows.append(withheld(names[0], "HU", withhold("muscle-little-near")))
    else:
        ring_mean = float(site.hu[ring].mean())
        ring_se = float(np.hypot(site.reference.mean_error(ring_mm3), LEAST_ERROR_HU))
        rows.append(
            symmetric(names[0], "HU", ring_mean, {"noise": 2 * ring_se, "what counts as muscle": WHAT_COUNTS_HU})
        )
    if far_mm3 < LEAST_FAR_MM3:
        rows.append(withheld(names[1], "HU", withhold("muscle-little-far")))
    else:
        rows.append(symmetric(names[1], "HU", far_mean, {"noise": 2 * far_se, "what counts as muscle": WHAT_COUNTS_HU}))
    if np.isfinite(ring_mean) and far_mm3 >= LEAST_FAR_MM3:
        parts = {"noise": 2 * float(np.hypot(ring_se, far_se)), "what counts as muscle": WHAT_COUNTS_HU}
        rows.append(symmetric(names[2], "HU", far_mean - ring_mean, parts))
        rows.append(_extent(site, near & clear_of_mineral, outside, far_mean, far_se))
    else:
        rows.append(withheld(names[2], "HU", withhold("muscle-not-compared")))
        rows.append(withheld("oedema_extent", "mm", withhold("muscle-not-compared")))
    return rows + steady_tissues(site.reference)


def _mixed_fat(mean_hu: float, kvp: float) -> Verdicts:
    """Cautioned where it reads well above adipose tissue: a thin layer of fat is mixed with skin and muscle."""
    expected = float(np.interp(kvp, (80.0, 120.0, 140.0), ADIPOSE_HU))
    if mean_hu <= THIN_FAT * expected:
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
                {"noise": 2 * fat.standard_error_hu, "skin and fascia": SKIN_HU},
                verdicts=_mixed_fat(fat.mean_hu, reference.kvp),
            )
        )
    if cortex is None:
        rows.append(withheld("cortex_reference", "HU", withhold("cortex-none")))
    else:
        parts = {"noise": 2 * cortex.standard_error_hu, "blur": CORTEX_BLUR * cortex.mean_hu}
        rows.append(symmetric("cortex_reference", "HU", cortex.mean_hu, parts))
    return rows


def _reference_far(site: Site, volume: Volume, skeleton: Skeleton | None) -> tuple[float, float, float]:
    """Mean muscle HU, its standard error and volume, more than 30 mm from the lesion at the same levels."""
    grid = volume.grid
    levels = grid.to_index(site.outline.vertices)[:, 0]
    low, high = int(max(np.floor(levels.min()), 0)), int(min(np.ceil(levels.max()) + 1, grid.shape[0]))
    step = max((high - low) // LEVELS, 1)
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
        index = np.argwhere(muscle)[::EVERY]
        if not len(index):
            continue
        world = part.grid.to_world(index)
        far = np.linalg.norm(world - centre, axis=1) > radius + FAR_FROM_MM
        if not far.all():
            doubtful = np.flatnonzero(~far)
            far[doubtful] = signed_depth(site.outline, world[doubtful]) < -FAR_FROM_MM
        values.append(part.hu[tuple(index[far].T)])
        total += float(far.sum()) * EVERY * step * grid.voxel_volume_mm3
    if not values or not sum(len(v) for v in values):
        return float("nan"), float("nan"), 0.0
    everything = np.concatenate(values)
    return float(everything.mean()), float(np.hypot(site.reference.mean_error(total), LEAST_ERROR_HU)), total


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
    for low in np.arange(NEAR_MM[0], EXTENT_MM, STEP_MM):
        ring = muscle & (outside >= low) & (outside < low + STEP_MM)
        mm3 = float(ring.sum() * site.voxel_mm3)
        if mm3 < LEAST_STEP_MM3:
            break
        seen = low + STEP_MM
        error = 2.0 * float(np.hypot(np.hypot(site.reference.mean_error(mm3), far_se), LEAST_EXTENT_ERROR_HU))
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
