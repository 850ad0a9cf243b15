"""Parts of the mineral that a reader counted in or out.

A part is the mineral that hangs together around the place given; where it runs into bone or on and on, only as far as
the next neck (watershed of the distance to its border: Beucher and Lantuejoul 1979; from memory). What is taken out is
filled with the tissue around it, blur included, so that no quantity sees it; what is added counts as the lesion's own
mineral and not as bone.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..base import Floats, Note, Volume
from ..bones import Skeleton
from ..reference import Reference
from .near import FAR_MM, Neighbourhood, neighbourhood

LOOKED_MM = 45.0
"""A part is looked for in a box so far around the place given."""
BESIDE_MM = 3.0
"""Mineral may lie so far from the place given."""
CLEAR_OF_ADDED_MM = 3.0
"""So far from what was counted in, and from bone, the border of bone keeps its place between voxels."""
NECK_MM = 4.0
"""Middles of two parts lie at least so far apart."""
BLUR_MM = 1.5
"""Around a part that is taken out its blur goes too: the reach of the mineral zone."""
RING_MM = 4.0
PLAIN_HU120 = 110.0
"""Tissue below it around a part fills its place."""
LARGE_MM = 60.0
"""A part of which any extent is larger is cut at necks."""


@dataclass(frozen=True, eq=False)
class Part:
    """Voxels (K, 3) of the whole scan's grid; ``added`` to the lesion's mineral, or taken from it.

    ``excess`` is HU times mm3 over muscle, the measure of how much of the mineral the reader decided.
    """

    voxels: NDArray[np.int_]
    added: bool
    excess: float


def parts_at(
    volume: Volume,
    skeleton: Skeleton,
    reference: Reference,
    places: Iterable[Floats],
    *,
    added: bool,
    threshold_hu120: float,
    subject: str,
) -> tuple[tuple[Part, ...], tuple[Note, ...]]:
    """The part at every place (3,) LPS mm, and a note for each place at which there is none."""
    found: list[Part] = []
    notes: list[Note] = []
    for place in places:
        voxels = _part(volume, skeleton, reference, np.asarray(place, float), threshold_hu120)
        if voxels is None:
            what = "add" if added else "take"
            text = f"there is no mineral to {what} within {BESIDE_MM:.0f} mm of a place given by hand"
            notes.append(Note("hand-no-mineral", text, "caution", subject))
            continue
        over = volume.hu[tuple(voxels.T)].astype(float) - reference.muscle.mean_hu
        found.append(Part(voxels, added, float(over.sum()) * volume.grid.voxel_volume_mm3))
    return tuple(found), tuple(notes)


def _part(
    volume: Volume, skeleton: Skeleton, reference: Reference, place: Floats, threshold_hu120: float
) -> NDArray[np.int_] | None:
    """Voxels (K, 3) of the part of mineral at a place; ``None`` where there is none."""
    box = volume.grid.bounds_around(place[None], LOOKED_MM)
    near = volume.crop(box)
    over = reference.hu120(near.hu) >= threshold_hu120
    if not over.any():
        return None
    spacing = near.grid.spacing
    labels, _ = ndimage.label(over)
    index = np.argwhere(over)
    away = np.linalg.norm(near.grid.to_world(index) - place, axis=1)
    closest = int(away.argmin())
    if away[closest] > BESIDE_MM:
        return None
    label = int(labels[tuple(index[closest])])
    part = np.asarray(labels == label)
    own = np.argwhere(part)
    extent = float((np.ptp(own, axis=0) * spacing).max())
    in_bone = bool(skeleton.labels_at(near.grid.to_world(own[:: max(len(own) // 200, 1)])).any())
    if in_bone or extent > LARGE_MM:
        part = _up_to_the_neck(part, spacing, index[closest])
    return np.asarray(np.argwhere(part) + [low for low, _ in box])


def _up_to_the_neck(part: NDArray[np.bool_], spacing: Floats, at: NDArray[np.int_]) -> NDArray[np.bool_]:
    """The basin of a voxel in the distance of a body to its border."""
    inner = ndimage.gaussian_filter(ndimage.distance_transform_edt(part, sampling=spacing), 1.0 / spacing)
    size = tuple(2 * int(np.ceil(NECK_MM / s)) + 1 for s in spacing)
    tops = (inner == ndimage.maximum_filter(inner, size=size)) & part
    markers, _ = ndimage.label(tops, np.ones((3, 3, 3)))
    from skimage.segmentation import watershed  # rarely needed, and long to load

    basins = watershed(-inner, markers, mask=part)
    return np.asarray(basins == basins[tuple(at)])


def with_parts(
    near: Neighbourhood, scan_grid_origin: NDArray[np.int_], parts: Iterable[Part], reference: Reference
) -> Neighbourhood:
    """The neighbourhood as the reader sees its mineral.

    ``scan_grid_origin`` (3,) is the index in the scan of the first voxel of ``near``.
    """
    parts = list(parts)
    added = _mask(near.grid.shape, scan_grid_origin, [p for p in parts if p.added])
    taken = _mask(near.grid.shape, scan_grid_origin, [p for p in parts if not p.added])
    if not added.any() and not taken.any():
        return near
    hu = near.hu
    spacing = near.grid.spacing
    distance = near.bone_distance
    if added.any():
        bone = (distance < 0.0) & ~added
        distance = np.full(distance.shape, FAR_MM, np.float32)
        if bone.any():
            distance = (
                ndimage.distance_transform_edt(~bone, sampling=spacing)
                - ndimage.distance_transform_edt(bone, sampling=spacing)
            ).astype(np.float32)
            # Where bone was only cut back the border keeps its place between voxels.
            same = ndimage.distance_transform_edt(~added, sampling=spacing) > CLEAR_OF_ADDED_MM
            distance = np.where(same & (np.abs(near.bone_distance) < CLEAR_OF_ADDED_MM), near.bone_distance, distance)
            distance = np.where(added, np.maximum(distance, 2.0), distance)
    if taken.any():
        hu = _filled(hu, near.hu120, taken, distance, spacing, reference=reference)
    anew = neighbourhood(Volume(np.asarray(hu, np.float32), near.grid), distance, reference)
    excess = sum(abs(p.excess) for p in parts if _within(p, scan_grid_origin, near.grid.shape))
    return replace(anew, added=added if added.any() else None, hand_excess=excess)


def _within(part: Part, origin: NDArray[np.int_], shape: tuple[int, ...]) -> bool:
    local = part.voxels - origin
    return bool(((local >= 0) & (local < shape)).all(axis=1).any())


def _mask(shape: tuple[int, ...], origin: NDArray[np.int_], parts: list[Part]) -> NDArray[np.bool_]:
    mask = np.zeros(shape, bool)
    for part in parts:
        local = part.voxels - origin
        local = local[((local >= 0) & (local < shape)).all(axis=1)]
        mask[tuple(local.T)] = True
    return mask


def _filled(
    hu: NDArray[np.float32],
    hu120: NDArray[np.float32],
    taken: NDArray[np.bool_],
    distance: NDArray[np.float32],
    spacing: Floats,
    *,
    reference: Reference,
) -> NDArray[np.float32]:
    """HU with parts filled by the median of the plain tissue around each."""
    result = np.array(hu, np.float32)
    away = ndimage.distance_transform_edt(~taken, sampling=spacing)
    labels, count = ndimage.label(away <= BLUR_MM)
    plain = (hu120 < PLAIN_HU120) & (distance > 1.0)
    for label in range(1, count + 1):
        blob = np.asarray(labels == label)
        ring = (ndimage.distance_transform_edt(~blob, sampling=spacing) <= RING_MM) & ~blob & plain
        value = float(np.median(hu[ring])) if ring.sum() >= 20 else reference.muscle.mean_hu
        result[blob & (distance > 0.0) & ((hu120 >= PLAIN_HU120) | taken)] = value
    return result
