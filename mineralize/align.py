"""Lining up one scan on another by the bone beside the lesion.

Search over poses on bone surfaces, then least squares on the grey values around them, then a verdict. Soft tissue
deforms, the lesion grows and the table stays: only bone is used, and none of it close to the lesion.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from .align_refine import Blurred, GreyFit, Samples, SurfaceFit, common_sigma, fit_grey, fit_surface
from .align_search import Field, Poses, search, short_fits, spread_out, trimmed_score
from .align_trust import Evidence, as_pairs, fit_sd_at, free_scale, patch_mismatch, refits, verdict
from .geometry import Floats, Rigid
from .scan import Trust, Volume
from .settings import AlignSettings
from .skeleton import Bone, Skeleton

LEVER_MM = 160.0
"""Bone further from the lesion than this is left out: it adds little, and long bones do bend."""
EXCLUSION_MARGIN_MM = 6.0
COARSE_POINTS, FINE_POINTS = 600, 2500
COARSE_SIGMA_MM, FINE_SIGMA_MM = 2.0, 0.9
KEPT_POSES = 14
GREY_POSES = 6


@dataclass(frozen=True)
class Alignment:
    """Where one scan lies on the reference scan.

    ``transform`` maps LPS mm of ``scan`` to LPS mm of ``reference_scan``. ``residual_mm`` is the trimmed
    root-mean-square distance of bone surfaces, ``overlap`` the share (0..1) of the moving bone surface that lies
    inside the reference scan. ``predicted_sd_mm`` is the standard error at the lesion from the fit itself,
    ``turn_sd_mm`` and ``slide_sd_mm`` its parts about and along the bone axis, at the lesion. ``evidence`` holds
    every figure the verdict rests on.
    """

    scan: int
    reference_scan: int
    transform: Rigid
    residual_mm: float
    overlap: float
    trust: Trust
    reason: str
    predicted_sd_mm: float = 0.0
    turn_sd_mm: float = 0.0
    slide_sd_mm: float = 0.0
    bone_used: str = ""
    evidence: tuple[tuple[str, float], ...] = field(default=(), repr=False)


@dataclass(frozen=True, eq=False)
class _Side:
    """The fixed side: bone points beside the lesion."""

    bone: Bone
    gap_mm: float
    points: Floats
    normals: Floats
    axis: Floats


def align(
    moving_scan_no: int,
    moving: Volume,
    moving_skeleton: Skeleton,
    fixed_scan_no: int,
    fixed: Volume,
    fixed_skeleton: Skeleton,
    *,
    lesion_point: Any,
    lesion_radius_mm: float,
    settings: AlignSettings,
) -> Alignment:
    """Line up ``moving`` on ``fixed`` by the bone nearest the lesion.

    Parameters
    ----------
    lesion_point : LPS mm in ``fixed``.
    lesion_radius_mm : bone within this and a margin of the point is left out.

    Returns
    -------
    Alignment
        its transform maps LPS mm of ``moving`` to LPS mm of ``fixed``; never raises for poor data, says ``withheld``.
    """
    lesion = np.asarray(lesion_point, float)

    def nothing(reason: str) -> Alignment:
        return Alignment(
            moving_scan_no, fixed_scan_no, Rigid.identity(), float("nan"), 0.0, "withheld", reason,
            *(float("inf"),) * 3,
        )  # fmt: skip

    if moving_scan_no == fixed_scan_no:
        return Alignment(moving_scan_no, fixed_scan_no, Rigid.identity(), 0.0, 1.0, "ok", "the reference scan itself")
    side = _fixed_side(fixed_skeleton, lesion, lesion_radius_mm + EXCLUSION_MARGIN_MM)
    if side is None:
        return nothing("no bone near the lesion in the reference scan")
    if not len(moving_skeleton.points):
        return nothing("no bone in this scan")
    moving_field = Field.of(moving_skeleton)
    poses = _rough_poses(side, moving_skeleton, moving_field, lesion)
    if not len(poses.score):
        return nothing("no position of this scan puts enough bone on the reference scan")
    ranked = _coarse_grey(side, fixed, moving, poses, lesion)
    if not ranked:
        return nothing("no position of this scan puts enough bone on the reference scan")
    fit, samples, blurred = _fine_grey(side, fixed, moving, ranked[0].pose)
    surface = _surface(side, moving_skeleton, fit.pose)
    evidence = _evidence(side, fit, samples, blurred, surface, ranked, lesion)
    trust, reason = verdict(evidence, settings)
    return Alignment(
        scan=moving_scan_no,
        reference_scan=fixed_scan_no,
        transform=fit.pose.inverse(),
        residual_mm=surface.rms_mm,
        overlap=_overlap(moving_skeleton, fixed_skeleton, fit.pose),
        trust=trust,
        reason=reason,
        predicted_sd_mm=evidence.predicted_sd,
        turn_sd_mm=evidence.turn_sd,
        slide_sd_mm=evidence.slide_sd,
        bone_used=f"bone {side.bone.label}, {side.gap_mm:.0f} mm from the lesion's centre",
        evidence=as_pairs(evidence),
    )


def _fixed_side(skeleton: Skeleton, lesion: Floats, exclusion_mm: float) -> _Side | None:
    """Points of the bone nearest the lesion that has enough surface outside the lesion's neighbourhood."""
    apart = np.linalg.norm(skeleton.points - lesion, axis=1)
    best: tuple[float, Bone] | None = None
    for bone in skeleton.bones:
        own = skeleton.point_labels == bone.label
        free = own & (apart > exclusion_mm)
        if free.sum() < max(200, 0.2 * own.sum()):
            continue
        gap = float(apart[own].min())
        if best is None or gap < best[0]:
            best = gap, bone
    if best is None:
        return None
    gap, bone = best
    chosen = (skeleton.point_labels == bone.label) & (apart > exclusion_mm)
    near = chosen & (apart <= LEVER_MM)
    chosen = near if near.sum() >= 500 else chosen
    points = skeleton.points[chosen]
    _, vectors = np.linalg.eigh(np.cov((points - points.mean(axis=0)).T))
    return _Side(bone, gap, points, skeleton.normals[chosen], vectors[:, 2])


def _rough_poses(side: _Side, moving: Skeleton, moving_field: Field, lesion: Floats) -> Poses:
    poses = search(side.points, moving, moving_field, lesion, KEPT_POSES)
    if not len(poses.score):
        return poses
    more = side.points[spread_out(side.points, 700, seed=5)]
    poses = short_fits(more, moving_field, poses, steps=10, last_scale_mm=0.8)
    poses = Poses(poses.rotation, poses.shift, trimmed_score(more, moving_field, poses))
    return poses.take(np.argsort(poses.score, kind="stable"))


def _coarse_grey(side: _Side, fixed: Volume, moving: Volume, poses: Poses, lesion: Floats) -> list[GreyFit]:
    """Grey-value fits at low resolution from the best poses, best first."""
    few = spread_out(side.points, COARSE_POINTS, seed=11)
    points, normals = side.points[few], side.normals[few]
    sigma = common_sigma(fixed.grid, moving.grid, COARSE_SIGMA_MM)
    samples = Samples.along_normals(Blurred.around(fixed, points, 8.0, sigma), points, normals)
    chosen: list[Rigid] = []
    for k in range(len(poses.score)):
        pose = poses.rigid(k)
        if all(_apart(pose, other, lesion) for other in chosen):
            chosen.append(pose)
        if len(chosen) == GREY_POSES:
            break
    everywhere = np.concatenate([pose.apply(points) for pose in chosen])
    blurred = Blurred.around(moving, everywhere, 12.0, sigma)
    fits = [fit_grey(samples, blurred, pose, steps=15, tolerance_mm=0.02) for pose in chosen]
    return sorted((f for f in fits if f.overlap >= 0.2), key=lambda f: f.cost + 0.1 * (1 - f.overlap))


def _apart(first: Rigid, second: Rigid, point: Floats) -> bool:
    return bool(
        (first.inverse() @ second).angle_deg > 4.0 or np.linalg.norm(first.apply(point) - second.apply(point)) > 3.0
    )


def _fine_grey(side: _Side, fixed: Volume, moving: Volume, pose: Rigid) -> tuple[GreyFit, Samples, Blurred]:
    few = spread_out(side.points, FINE_POINTS, seed=13)
    points, normals = side.points[few], side.normals[few]
    sigma = common_sigma(fixed.grid, moving.grid, FINE_SIGMA_MM)
    samples = Samples.along_normals(Blurred.around(fixed, points, 7.0, sigma), points, normals)
    blurred = Blurred.around(moving, pose.apply(points), 8.0, sigma)
    return fit_grey(samples, blurred, pose, steps=25), samples, blurred


def _surface(side: _Side, moving: Skeleton, pose: Rigid) -> SurfaceFit:
    few = spread_out(side.points, 3000, seed=17)
    return fit_surface(side.points[few], side.normals[few], moving.points, moving.normals, moving.scan_grid, pose)


def _evidence(
    side: _Side,
    fit: GreyFit,
    samples: Samples,
    blurred: Blurred,
    surface: SurfaceFit,
    ranked: list[GreyFit],
    lesion: Floats,
) -> Evidence:
    total, turn, slide = fit_sd_at(fit, lesion, side.axis)
    jack, jack_turn, jack_slide, halves = refits(samples, blurred, fit, lesion, side.axis)
    scale, scale_sd = free_scale(samples, fit)
    few = spread_out(side.points, 3000, seed=17)
    rivals = [f for f in ranked[1:] if _apart(ranked[0].pose, f.pose, lesion)]
    seen = np.isfinite(fit.residual)
    along = samples.world[seen] @ side.axis
    return Evidence(
        fit_sd=total,
        jackknife_sd=jack,
        turn_sd=float(np.fmax(turn, jack_turn)),
        slide_sd=float(np.fmax(slide, jack_slide)),
        halves=halves,
        surface_gap=float(np.linalg.norm(fit.pose.apply(lesion) - surface.pose.apply(lesion))),
        patch=patch_mismatch(side.points[few], surface.distance),
        correlation=fit.correlation,
        unexplained=fit.cost,
        overlap_mm=float(np.ptp(along)) if seen.any() else 0.0,
        overlap=fit.overlap,
        runner_up=min((f.cost for f in rivals), default=float("inf")) / max(ranked[0].cost, 1e-9),
        scale=scale,
        scale_sd=scale_sd,
        excluded_mm=0.0,
    )


def _overlap(moving: Skeleton, fixed: Skeleton, pose: Rigid) -> float:
    """Share of the moving bone surface inside the fixed scan."""
    return float(fixed.scan_grid.contains(pose.inverse().apply(moving.points)).mean())
