"""Looking for reasons to doubt a pose: rivals that fit as well, bone hidden by the lesion, another bone that moved.

Poses map LPS mm of the *fixed* scan to LPS mm of the *moving* scan.

Numbers below without another source are own judgement, held against truth by ``scripts/bench_alignment``.
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

from ..base import Floats, Rigid, Volume
from ..bones import LesionZone, Skeleton
from .refine import Blurred, GreyFit, Samples, fit_grey
from .search import Field, spread_out

RIVAL_TURNS_DEG = (-135.0, -90.0, -45.0, -20.0, 20.0, 45.0, 90.0, 135.0, 180.0)
RIVAL_SLIDES_MM = (-24.0, -12.0, 12.0, 24.0)
DISTINCT_DEG, DISTINCT_MM = 4.0, 3.0
MISSED, MISSED_OVERLAP = 0.97, 0.7
"""A rival of less than this share of the best cost, and at least this share of its overlap, is the better pose."""
RIVAL_OVERLAP = 0.5
"""A pose that sees less than this share of what the best sees is no rival."""
MOVED_MM = 0.8
"""Median misfit from which another bone counts as moved."""
STRETCH_MM, CLEAR_MM, FARTHEST_MM = 60.0, 4.0, 80.0
"""Of another bone the stretch nearest the lesion is looked at, clear of it by so much; farther bones tell nothing."""
CLEAR_OF_BONE_MM = 5.0
"""Soft tissue nearer to bone than this is blurred by it."""
SOFT_HU = (-200.0, 150.0)
"""From air in the skin's folds to contrast: beyond, values say no more of soft tissue."""
SHELL_MM = 5.0
MISFIT_MM = 1.2
MISFIT_SHARE = 0.25
LARGEST_GROWTH_MM = 60.0
SOFT_REACH_MM = 45.0
LEAST_SOFT_SPREAD_HU = 30.0


def distinct(first: Rigid, second: Rigid, point: Floats) -> bool:
    """Whether two poses differ in angle or in where they take a point."""
    apart = float(np.linalg.norm(first.apply(point) - second.apply(point)))
    return (first.inverse() @ second).angle_deg > DISTINCT_DEG or apart > DISTINCT_MM


def best_rival(samples: Samples, moving: Blurred, best: GreyFit, axis: Floats, lesion: Floats) -> GreyFit | None:
    """The best pose that settles elsewhere when turned about the bone or slid along it."""
    centre = samples.world.mean(axis=0)
    starts = [
        Rigid.from_vectors((axis * np.radians(turn)).tolist(), (0, 0, 0), centre.tolist()) for turn in RIVAL_TURNS_DEG
    ]
    starts += [Rigid.from_vectors((0, 0, 0), (axis * slide).tolist()) for slide in RIVAL_SLIDES_MM]
    found: GreyFit | None = None
    for start in starts:
        fit = fit_grey(samples, moving, best.pose @ start, steps=10, tolerance_mm=0.05)
        if fit.overlap > RIVAL_OVERLAP * best.overlap and distinct(best.pose, fit.pose, lesion):
            found = fit if found is None or fit.cost < found.cost else found
    return found


def champion(
    ranked: list[GreyFit], samples: Samples, moving: Blurred, axis: Floats, lesion: Floats
) -> tuple[GreyFit, float]:
    """The best pose of all, rivals included, and the cost of the next distinct one over its own."""
    best, others = ranked[0], list(ranked[1:])
    for _ in range(3):
        rival = best_rival(samples, moving, best, axis, lesion)
        if rival is None:
            break
        if rival.cost >= MISSED * best.cost or rival.overlap < MISSED_OVERLAP * best.overlap:
            others.append(rival)
            break
        others.append(best)
        best = rival
    costs = [fit.cost for fit in others if distinct(best.pose, fit.pose, lesion)]
    return best, min(costs, default=float("inf")) / max(best.cost, 1e-9)


def grown_exclusion(points: Floats, field: Field, pose: Rigid, zone: LesionZone, margin_mm: float) -> float:
    """How far from the lesion's surface the bone surfaces of both scans disagree without a break, mm.

    A lesion fused with bone outgrows the zone that was left out for it; its surface then poses as bone.
    """
    moved = pose.apply(points)
    distance, _ = field.exact(moved)
    inside = field.scan_grid.contains(moved)
    apart = zone.apart(points, margin_mm + LARGEST_GROWTH_MM + SHELL_MM)
    reach = margin_mm
    while reach < margin_mm + LARGEST_GROWTH_MM:
        shell = inside & (apart > reach) & (apart <= reach + SHELL_MM)
        if shell.sum() < 15 or (np.abs(distance[shell]) > MISFIT_MM).mean() < MISFIT_SHARE:
            break
        reach += SHELL_MM
    return reach


def moved_bone(
    fixed: Skeleton, used: tuple[int, ...], field: Field, pose: Rigid, zone: LesionZone
) -> tuple[float, float]:
    """How far the most displaced other bone near the lesion lies from bone in the moving scan, and its gap.

    Returns
    -------
    moved : mm, median distance of its surface; 0 where no other bone is in view.
    gap : mm from the lesion's surface; infinite where there is none.
    """
    worst, gap_of = 0.0, float("inf")
    for bone in fixed.bones:
        if bone.label in used:
            continue
        own = fixed.points[fixed.point_labels == bone.label]
        if len(own) < 150:
            continue
        apart = zone.apart(own)
        near = own[(apart < apart.min() + STRETCH_MM) & (apart > CLEAR_MM)]
        moved = pose.apply(near)
        inside = field.scan_grid.contains(moved, 2.0)
        if inside.sum() < 100 or apart.min() > FARTHEST_MM:
            continue
        distance, _ = field.exact(moved[inside])
        misfit = float(np.median(np.abs(distance)))
        if misfit > max(worst, MOVED_MM):
            worst, gap_of = misfit, max(float(apart.min()), 0.0)
    return worst, gap_of


def soft_tissue_agreement(
    fixed: Volume,
    skeleton: Skeleton,
    moving: Volume,
    pose: Rigid,
    bone_points: Floats,
    *,
    zone: LesionZone,
    margin_mm: float,
) -> float:
    """Correlation of fat, muscle and air around the bone, lesion left out; NaN where nothing contrasts.

    Soft tissue deforms, so it never moves the pose; but a bone laid on upside down or on the wrong patient finds
    fat where muscle should be.
    """
    index = np.argwhere(skeleton.body & (skeleton.labels == 0))
    index = index[spread_out(index, 40_000, seed=19)]
    world = skeleton.grid.to_world(index)
    near, _ = cKDTree(bone_points[spread_out(bone_points, 800)]).query(world, distance_upper_bound=SOFT_REACH_MM)
    world = world[np.isfinite(near) & (near > CLEAR_OF_BONE_MM)]
    world = world[zone.apart(world, margin_mm) > margin_mm]
    world = world[spread_out(world, 4000, seed=23)]
    moved = pose.apply(world)
    world = world[moving.grid.contains(moved)]
    if len(world) < 300:
        return float("nan")
    here, there = _soft(fixed, world), _soft(moving, pose.apply(world))
    if here.std() < LEAST_SOFT_SPREAD_HU or there.std() < LEAST_SOFT_SPREAD_HU:
        return float("nan")
    return float(np.corrcoef(here, there)[0, 1])


def _soft(volume: Volume, world: Floats) -> Floats:
    index = volume.grid.to_index(world).T
    values = ndimage.map_coordinates(volume.hu, index, order=1, mode="nearest", output=np.float32)
    return np.asarray(np.clip(values, *SOFT_HU))
