"""Where the lesion could be: mineral that is not skeleton, or that stands out from it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..base import COMMON_KVP, Floats, Grid, Volume, slope
from ..bones import Skeleton, block_mean, bounding_box
from ..reference import CUBE_MM3, Reference
from .attached import beyond_shaft

LINK_MM = 6.0
"""Pieces closer than this are one candidate."""
LEAST_MASS_MG = 20.0
LEAST_EXTENT_MM = 6.0
LEAST_HU120, LEAST_NOISES = 120.0, 5.0
"""Mineral is looked for from here on, and from so many standard deviations of noise over muscle (own judgement)."""
LEAST_VARIANCE_MM2 = 0.1
"""Variance along an axis that no candidate is without: voxels have an extent."""
SLIM, SLIM_SCORE, LEAVING_SCORE = 4.0, 0.2, 0.5
"""Length over width from which a structure is slim like a vessel, and what is left of its score then, and where it
leaves the scan (own judgement)."""
CLEAR_LEAD = 4.0
"""A winner scores at least this many times the next."""
CLEAR_MASS_MG = 60.0
"""A winner holds at least this much mineral: vessel walls and phleboliths hold less."""
OFF_BONE_MM = 3.5
"""Mineral nearer to bone than this may be the blur of cortex."""
OFF_SHAFT_MM = 2.5
"""Mineral on a bone counts from this far outside the shaft as it would be without it ..."""
STANDS_OUT_MM = 5.0
"""... and only where it reaches this far out at its highest."""
ATTACHED_SHARE = 0.3
"""From this share of its mineral inside the mask of a bone a candidate is attached to it."""
BONE_SHARE = 0.25
"""Score of what hangs on a bone, against a free structure: ridges and processes of the bone look the same."""
ATTACHED = "attached to bone: a process of the bone itself looks the same"


@dataclass(frozen=True)
class Candidate:
    """One structure that could be the lesion; ``point`` is LPS mm in scan ``scan``, inside or on it.

    ``attached`` ones hang on a bone; they are offered, never taken unasked.
    """

    number: int
    scan: int
    point: tuple[float, float, float]
    volume_mm3: float
    mass_mg: float
    extent_mm: float
    bone_distance_mm: float
    score: float
    why: str
    attached: bool = False


def find_candidates(scan: int, volume: Volume, skeleton: Skeleton, reference: Reference) -> tuple[Candidate, ...]:
    """Mineralised structures outside the skeleton or standing out from it, most lesion-like first, at most nine.

    The score is the mass of mineral, less for structures that are long and thin (vessels), for those that leave the
    scan, and for those that hang on a bone.
    """
    coarse, grid = block_mean(volume)
    hu120 = reference.hu120(coarse)
    bone = skeleton.mask
    dense = (hu120 >= _least_hu120(reference, grid)) & skeleton.body
    distance = _distance_to(bone, dense, grid) if bone.any() else None
    free = dense if distance is None else dense & (distance > OFF_BONE_MM)
    standing = np.zeros_like(free) if distance is None else _standing_out(dense & ~free, hu120, skeleton, reference)
    mineral = free | standing
    around = bounding_box(mineral, margin=int(np.ceil(LINK_MM / float(grid.spacing.min()))))
    if around is None:
        return ()
    gap = ndimage.distance_transform_edt(~mineral[around], sampling=grid.spacing)
    near, count = ndimage.label(gap <= LINK_MM / 2, np.ones((3, 3, 3)))
    groups = np.zeros(grid.shape, near.dtype)
    groups[around] = np.where(mineral[around], near, 0)
    found: list[Candidate] = []
    boxes = ndimage.find_objects(groups)
    for label in range(1, count + 1):
        box = boxes[label - 1]
        if box is None:
            continue
        own = groups[box] == label
        index = np.argwhere(own) + np.array([s.start for s in box])
        excess = hu120[box][own] - reference.muscle.mean_hu
        attached = float(excess[bone[box][own]].sum()) > ATTACHED_SHARE * float(excess.sum())
        mass = float(excess.sum()) * grid.voxel_volume_mm3 / slope(120.0) / 1000
        points = grid.to_world(index)
        extent = float(np.linalg.norm(np.ptp(points, axis=0)))
        if mass < LEAST_MASS_MG or extent < LEAST_EXTENT_MM:
            continue
        found.append(_describe(scan, index, points, mass, extent, grid=grid, bone_distance=distance, attached=attached))
    found.sort(key=lambda c: -c.score)
    return tuple(replace(c, number=i + 1) for i, c in enumerate(found[:9]))


def _distance_to(bone: NDArray[np.bool_], wanted: NDArray[np.bool_], grid: Grid) -> NDArray[np.float64]:
    """mm from bone, known wherever ``wanted`` is; looked for in a box that holds both, 0 elsewhere."""
    box = bounding_box(bone | wanted, margin=0)
    distance = np.zeros(grid.shape)
    if box is not None:
        distance[box] = ndimage.distance_transform_edt(~bone[box], sampling=grid.spacing)
    return distance


def _least_hu120(reference: Reference, grid: Grid) -> float:
    """HU120 that stands five standard deviations above muscle in the means over the cells of ``grid``.

    Noise was measured in voxels and in 4 mm cubes; between the two it falls at most as in uncorrelated noise.
    """
    noise = min(reference.noise_hu, reference.noise_4mm_hu * float(np.sqrt(max(CUBE_MM3 / grid.voxel_volume_mm3, 1.0))))
    return max(
        LEAST_HU120, reference.muscle.mean_hu + LEAST_NOISES * noise * max(slope(COMMON_KVP) / reference.slope, 1.0)
    )


def _standing_out(
    near_bone: NDArray[np.bool_], hu120: NDArray[Any], skeleton: Skeleton, reference: Reference
) -> NDArray[np.bool_]:
    """Mineral in and on the masks of long bones that stands out from their shafts."""
    beyond = beyond_shaft(skeleton)
    out = near_bone & (beyond > OFF_SHAFT_MM)
    result = np.zeros_like(near_bone)
    box = bounding_box(out, margin=0)
    if box is None:
        return result
    pieces, count = ndimage.label(out[box], np.ones((3, 3, 3)))
    numbers = np.arange(count + 1)
    highest = ndimage.maximum(beyond[box], pieces, numbers)
    excess = ndimage.sum_labels(hu120[box] - reference.muscle.mean_hu, pieces, numbers)
    mass = np.asarray(excess) * skeleton.grid.voxel_volume_mm3 / slope(120.0) / 1000
    keep = (np.asarray(highest) > STANDS_OUT_MM) & (mass > LEAST_MASS_MG)
    keep[0] = False
    result[box] = keep[pieces]
    return result


def _describe(
    scan: int,
    index: NDArray[Any],
    points: Floats,
    mass: float,
    extent: float,
    *,
    grid: Grid,
    bone_distance: NDArray[Any] | None,
    attached: bool,
) -> Candidate:
    spread = (
        np.sqrt(np.maximum(np.linalg.eigvalsh(np.cov(points.T)), LEAST_VARIANCE_MM2)) if len(points) > 3 else np.ones(3)
    )
    slim = float(spread[-1] / max(spread[-2], 0.5))
    leaves = bool((index[:, 0] == 0).any() or (index[:, 0] == grid.shape[0] - 1).any())
    reasons = [f"{mass:.0f} mg of mineral over {extent:.0f} mm"]
    score = mass
    if slim > SLIM:
        score *= SLIM_SCORE
        reasons.append("long and thin like a vessel")
    if leaves:
        score *= LEAVING_SCORE
        reasons.append("leaves the scan")
    if attached:
        score *= BONE_SHARE
        reasons.append(ATTACHED)
    distance = float(bone_distance[tuple(index.T)].min()) if bone_distance is not None else float("nan")
    x, y, z = (float(round(v, 1)) for v in points.mean(axis=0))
    size = len(points) * grid.voxel_volume_mm3
    return Candidate(0, scan, (x, y, z), size, mass, extent, distance, score, "; ".join(reasons), attached)


def clear_winner(candidates: tuple[Candidate, ...]) -> Candidate | None:
    """The first candidate when it leads by far, is free of bone and holds enough mineral; else ``None``."""
    return candidates[0] if candidates and not _doubts(candidates) else None


def _doubts(candidates: tuple[Candidate, ...]) -> str:
    """Why the first candidate is not taken, in words; empty where it is."""
    first = candidates[0]
    if len(candidates) > 1 and first.score < CLEAR_LEAD * candidates[1].score:
        return "several structures could be the lesion"
    if first.attached:
        return "the strongest candidate is attached to bone and may be a process of the bone"
    if "leaves the scan" in first.why:
        return "the strongest candidate leaves the scan"
    if "vessel" in first.why:
        return "the strongest candidate is long and thin like a vessel"
    if first.mass_mg < CLEAR_MASS_MG:
        return f"the strongest candidate holds only {first.mass_mg:.0f} mg of mineral, as a vessel wall may"
    return ""


def why_none(candidates: tuple[Candidate, ...]) -> str:
    """Why no candidate of one scan was taken, in words for a reader."""
    if not candidates:
        return "no mineral outside the skeleton was found"
    return _doubts(candidates) or "no structure clearly is the lesion"


def nearest_words(candidates: tuple[Candidate, ...], point: Floats) -> str:
    """Where the mineral nearest to a fruitless point (3,), LPS mm, lies, in words for a reason; empty without any."""
    if not candidates:
        return ""
    nearest = min(candidates, key=lambda c: float(np.linalg.norm(np.subtract(c.point, point))))
    away = float(np.linalg.norm(np.subtract(nearest.point, point)))
    x, y, z = nearest.point
    hangs = "on bone" if nearest.attached else "outside bone"
    return f"; the nearest mineral {hangs} lies {away:.0f} mm away at {x:.0f},{y:.0f},{z:.0f}"
