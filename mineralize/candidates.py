"""Where the lesion could be: mineral that is not skeleton."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from .geometry import Floats
from .reference import Reference, slope
from .scan import Volume
from .skeleton import Skeleton, block_mean

LINK_MM = 6.0
"""Pieces closer than this are one candidate."""
LEAST_MASS_MG = 20.0
LEAST_EXTENT_MM = 6.0
CLEAR_LEAD = 4.0
"""A winner scores at least this many times the next."""
CLEAR_MASS_MG = 60.0
"""A winner holds at least this much mineral: vessel walls and phleboliths hold less."""


@dataclass(frozen=True)
class Candidate:
    """One structure that could be the lesion; ``point`` is LPS mm in scan ``scan``, inside or on it."""

    number: int
    scan: int
    point: tuple[float, float, float]
    volume_mm3: float
    mass_mg: float
    extent_mm: float
    bone_distance_mm: float
    score: float
    why: str


def find_candidates(scan: int, volume: Volume, skeleton: Skeleton, reference: Reference) -> tuple[Candidate, ...]:
    """Mineralised structures outside the skeleton, most lesion-like first, at most nine.

    The score is the mass of mineral, less for structures that are long and thin (vessels) and for those that
    leave the scan.
    """
    coarse, grid = block_mean(volume)
    hu120 = reference.hu120(coarse)
    noise = reference.noise_4mm_hu * 4.0
    bone = skeleton.mask
    bone_distance = ndimage.distance_transform_edt(~bone, sampling=grid.spacing) if bone.any() else None
    mineral = (hu120 >= max(120.0, reference.muscle.mean_hu + 5.0 * noise)) & skeleton.body
    if bone_distance is not None:
        mineral &= bone_distance > 3.5
    if not mineral.any():
        return ()
    gap = ndimage.distance_transform_edt(~mineral, sampling=grid.spacing)
    groups, count = ndimage.label(gap <= LINK_MM / 2, np.ones((3, 3, 3)))
    groups = np.where(mineral, groups, 0)
    found: list[Candidate] = []
    boxes = ndimage.find_objects(groups)
    cell = grid.voxel_volume_mm3
    for label in range(1, count + 1):
        box = boxes[label - 1]
        if box is None:
            continue
        own = groups[box] == label
        corner = np.array([s.start for s in box])
        index = np.argwhere(own) + corner
        excess = float((hu120[box][own] - reference.muscle.mean_hu).sum())
        mass = excess * cell / slope(120.0) / 1000
        points = grid.to_world(index)
        extent = float(np.linalg.norm(np.ptp(points, axis=0)))
        if mass < LEAST_MASS_MG or extent < LEAST_EXTENT_MM:
            continue
        found.append(_describe(scan, index, points, mass, extent, cell, grid.shape, bone_distance))
    found.sort(key=lambda c: -c.score)
    return tuple(_numbered(c, i + 1) for i, c in enumerate(found[:9]))


def _describe(
    scan: int,
    index: NDArray[Any],
    points: Floats,
    mass: float,
    extent: float,
    cell: float,
    shape: tuple[int, int, int],
    bone_distance: NDArray[Any] | None,
) -> Candidate:
    spread = np.sqrt(np.maximum(np.linalg.eigvalsh(np.cov(points.T)), 0.1)) if len(points) > 3 else np.ones(3)
    slim = float(spread[-1] / max(spread[-2], 0.5))
    leaves = bool((index[:, 0] == 0).any() or (index[:, 0] == shape[0] - 1).any())
    reasons = [f"{mass:.0f} mg of mineral over {extent:.0f} mm"]
    score = mass
    if slim > 4.0:
        score *= 0.2
        reasons.append("long and thin like a vessel")
    if leaves:
        score *= 0.5
        reasons.append("leaves the scan")
    distance = float(bone_distance[tuple(index.T)].min()) if bone_distance is not None else float("nan")
    middle = points.mean(axis=0)
    point = tuple(float(round(v, 1)) for v in middle)
    return Candidate(
        0,
        scan,
        (point[0], point[1], point[2]),
        len(points) * cell,
        mass,
        extent,
        distance,
        score,
        "; ".join(reasons),
    )


def _numbered(c: Candidate, number: int) -> Candidate:
    return Candidate(number, c.scan, c.point, c.volume_mm3, c.mass_mg, c.extent_mm, c.bone_distance_mm, c.score, c.why)


def clear_winner(candidates: tuple[Candidate, ...]) -> Candidate | None:
    """The first candidate when it leads by far and holds enough mineral; else ``None``."""
    if not candidates or candidates[0].mass_mg < CLEAR_MASS_MG:
        return None
    if len(candidates) > 1 and candidates[0].score < CLEAR_LEAD * candidates[1].score:
        return None
    if "leaves the scan" in candidates[0].why or "vessel" in candidates[0].why:
        return None
    return candidates[0]
