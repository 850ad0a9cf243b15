"""Lining up one scan on another by the bone beside the lesion.

Search over poses on bone surfaces, then least squares on the grey values around them, then a verdict. Soft tissue
deforms, the lesion grows and the table stays: only bone is used, and none of it close to the lesion.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np

from ..base import AlignSettings, Floats, Rigid, Trust, Verdicts, Volume, caution, withhold
from ..bones import Bone, LesionZone, Skeleton
from .checks import champion, distinct, grown_exclusion, moved_bone, soft_tissue_agreement
from .refine import Blurred, GreyFit, Samples, SurfaceFit, common_sigma, fit_grey, fit_surface
from .search import Field, search, spread_out
from .trust import (
    MODEL_SD_MM,
    MODEL_SD_PER_SLICE,
    Evidence,
    as_pairs,
    fit_sd_at,
    free_scale,
    judge,
    patch_mismatch,
    refits,
)

LEVER_MM = 160.0
"""Bone further from the lesion than this is left out: it adds little, and long bones do bend."""
EXCLUSION_MARGIN_MM = 6.0
COARSE_POINTS, FINE_POINTS = 600, 2500
COARSE_SIGMA_MM, FINE_SIGMA_MM = 2.0, 0.9
NEIGHBOUR_MM = 60.0
"""Bones up to this much further from the lesion than the nearest may help to pin it."""
LEAST_FREE, LEAST_FREE_POINTS = 0.2, 200
"""Share of a bone's surface, and points of it, that must lie clear of the lesion for the bone to be lined up on."""
LEAST_OVERLAP, OVERLAP_COST = 0.2, 0.02
"""A pose that sees less of the bone than this share is none; what it does not see costs it so much."""
KEPT_POSES = 14
GREY_POSES = 8


@dataclass(frozen=True)
class Alignment:
    """Where one scan lies on the reference scan.

    ``transform`` maps LPS mm of ``scan`` to LPS mm of ``reference_scan``. ``residual_mm`` is the trimmed
    root-mean-square distance of bone surfaces, ``overlap`` the share (0..1) of the moving bone surface that lies
    inside the reference scan. ``predicted_sd_mm`` is the standard error at the lesion from the fit itself,
    ``turn_sd_mm`` and ``slide_sd_mm`` its parts about and along the bone axis, at the lesion. ``evidence`` holds
    every figure the verdict rests on, ``verdicts`` what speaks against relying on it.
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
    verdicts: Verdicts = ()


def align(
    moving_scan_no: int,
    moving: Volume,
    moving_skeleton: Skeleton,
    fixed_scan_no: int,
    fixed: Volume,
    *,
    fixed_skeleton: Skeleton,
    lesion_point: Any,
    lesion_radius_mm: float,
    settings: AlignSettings,
    lesion_surface: Any = None,
) -> Alignment:
    """Line up ``moving`` on ``fixed`` by the bone nearest the lesion.

    Where that bone alone does not pin the position, it is tried again together with the bones beside it, and the
    result is then never better than ``caution``.

    Parameters
    ----------
    lesion_point : LPS mm in ``fixed``.
    lesion_radius_mm : bone within this and a margin of the point is left out.
    lesion_surface : (N, 3) LPS mm of its outline; when given, only bone within the margin of it is left out.

    Returns
    -------
    Alignment
        its transform maps LPS mm of ``moving`` to LPS mm of ``fixed``; never raises for poor data, says ``withheld``.
    """
    if moving_scan_no == fixed_scan_no:
        return Alignment(moving_scan_no, fixed_scan_no, Rigid.identity(), 0.0, 1.0, "ok", "the reference scan itself")
    surface = None if lesion_surface is None else np.asarray(lesion_surface, float)
    zone = LesionZone(np.asarray(lesion_point, float), lesion_radius_mm, surface)
    pair = _Pair(moving_scan_no, moving, moving_skeleton, fixed_scan_no, fixed, fixed_skeleton, zone)
    if not len(fixed_skeleton.points):
        return pair.nothing("bone-none-reference")
    if not len(moving_skeleton.points):
        return pair.nothing("bone-none-here")
    field = _field_of(moving_skeleton)
    bones = _bones_by_distance(pair)
    if not bones:
        return pair.nothing("bone-none-near")
    first = _line_up(pair, field, bones[:1], settings)
    if first.trust != "withheld":
        return first
    beside = [bone for bone in bones[1:] if bone[1] < bones[0][1] + NEIGHBOUR_MM]
    if not beside:
        return first
    second = _line_up(pair, field, [bones[0], *beside], settings)
    if second.trust == "withheld":
        return first
    found = caution("with-neighbours", why=second.reason)
    return replace(second, trust="caution", reason=found.text, verdicts=(found, *second.verdicts))


_FIELDS: WeakKeyDictionary[Skeleton, Field] = WeakKeyDictionary()


def _field_of(skeleton: Skeleton) -> Field:
    """The field of a skeleton, made once: a pair may be tried several times."""
    field = _FIELDS.get(skeleton)
    if field is None:
        field = _FIELDS[skeleton] = Field.of(skeleton)
    return field


@dataclass(frozen=True, eq=False)
class _Pair:
    """Two scans and the lesion in the fixed one."""

    moving_no: int
    moving: Volume
    moving_skeleton: Skeleton
    fixed_no: int
    fixed: Volume
    fixed_skeleton: Skeleton
    zone: LesionZone

    @property
    def lesion(self) -> Floats:
        """The point (3,) LPS mm at which errors are judged."""
        return self.zone.centre

    def nothing(self, code: str) -> Alignment:
        """No transform could be found."""
        lost, why = float("inf"), withhold(code)
        return Alignment(
            scan=self.moving_no,
            reference_scan=self.fixed_no,
            transform=Rigid.identity(),
            residual_mm=float("nan"),
            overlap=0.0,
            trust="withheld",
            reason=why.text,
            predicted_sd_mm=lost,
            turn_sd_mm=lost,
            slide_sd_mm=lost,
            verdicts=(why,),
        )


@dataclass(frozen=True, eq=False)
class _Side:
    """The fixed side: bone points beside the lesion."""

    points: Floats
    normals: Floats
    axis: Floats

    def beyond(self, zone: LesionZone, margin: float) -> _Side:
        keep = zone.apart(self.points, margin) > margin
        return _Side(self.points[keep], self.normals[keep], self.axis)


def _bones_by_distance(pair: _Pair) -> list[tuple[Bone, float]]:
    """Fixed bones with enough surface outside the lesion's neighbourhood, nearest first, with their gap in mm."""
    skeleton = pair.fixed_skeleton
    apart = pair.zone.apart(skeleton.points)
    found = []
    for bone in skeleton.bones:
        own = skeleton.point_labels == bone.label
        free = own & (apart > EXCLUSION_MARGIN_MM)
        if free.sum() >= max(LEAST_FREE_POINTS, LEAST_FREE * own.sum()):
            found.append((bone, float(apart[own].min())))
    return sorted(found, key=lambda entry: entry[1])


def _side(pair: _Pair, labels: list[int]) -> _Side:
    skeleton = pair.fixed_skeleton
    apart = pair.zone.apart(skeleton.points, EXCLUSION_MARGIN_MM)
    chosen = np.isin(skeleton.point_labels, labels) & (apart > EXCLUSION_MARGIN_MM)
    near = chosen & (np.linalg.norm(skeleton.points - pair.lesion, axis=1) <= LEVER_MM)
    chosen = near if near.sum() >= 500 else chosen
    points = skeleton.points[chosen]
    _, vectors = np.linalg.eigh(np.cov((points - points.mean(axis=0)).T))
    return _Side(points, skeleton.normals[chosen], vectors[:, 2])


def _line_up(pair: _Pair, field: Field, bones: list[tuple[Bone, float]], settings: AlignSettings) -> Alignment:
    """Search, fit and judge with the given fixed bones."""
    labels = [bone.label for bone, _ in bones]
    side = _side(pair, labels)
    poses = search(side.points, pair.moving_skeleton, field, pair.lesion, KEPT_POSES)
    if not len(poses.score):
        return pair.nothing("bone-apart")
    coarse = _coarse_grey(side, pair, [poses.rigid(k) for k in range(len(poses.score))])
    if coarse is None:
        return pair.nothing("bone-apart")
    ranked, samples, blurred = coarse
    margin = grown_exclusion(side.points, field, ranked[0].pose, pair.zone, EXCLUSION_MARGIN_MM)
    if margin > EXCLUSION_MARGIN_MM:
        shorter = side.beyond(pair.zone, margin)
        if len(shorter.points) >= 300:
            again = _coarse_grey(shorter, pair, [fit.pose for fit in ranked])
            if again is not None:
                side, (ranked, samples, blurred) = shorter, again
    best, runner_up = champion(ranked, samples, blurred, side.axis, pair.lesion)
    fit, samples, blurred = _fine_grey(side, pair, best.pose)
    few = spread_out(side.points, 3000, seed=17)
    others = pair.moving_skeleton
    surface = fit_surface(
        side.points[few], side.normals[few], others.points, others.normals, others.scan_grid, pose=fit.pose
    )
    slices = float(max(pair.fixed.grid.spacing[0], pair.moving.grid.spacing[0]))
    moved, gap = moved_bone(pair.fixed_skeleton, tuple(labels), field, fit.pose, pair.zone)
    evidence = replace(
        _evidence(side.axis, fit, samples, blurred, surface, lesion=pair.lesion),
        patch=patch_mismatch(side.points[few], surface.distance),
        runner_up=runner_up,
        second_bone=moved,
        second_bone_gap=gap,
        soft_tissue=soft_tissue_agreement(
            pair.fixed, pair.fixed_skeleton, pair.moving, fit.pose, side.points, zone=pair.zone, margin_mm=margin
        ),
        model_sd=MODEL_SD_MM + MODEL_SD_PER_SLICE * slices,
        slice_mm=slices,
        upside_down=float(fit.pose.turn(side.axis) @ side.axis),
        excluded_mm=margin + (pair.zone.radius if pair.zone.surface is None else 0.0),
    )
    objection = judge(evidence, settings)
    fine = f"standard error {evidence.predicted_sd:.2f} mm at the lesion"
    inside = pair.fixed_skeleton.scan_grid.contains(fit.pose.inverse().apply(others.points))
    return Alignment(
        scan=pair.moving_no,
        reference_scan=pair.fixed_no,
        transform=fit.pose.inverse(),
        residual_mm=surface.rms_mm,
        overlap=float(inside.mean()),
        trust="ok" if objection is None else objection.trust,
        reason=fine if objection is None else objection.text,
        verdicts=() if objection is None else (objection,),
        predicted_sd_mm=evidence.predicted_sd,
        turn_sd_mm=evidence.turn_sd,
        slide_sd_mm=evidence.slide_sd,
        bone_used=_words(bones),
        evidence=as_pairs(evidence),
    )


def _words(bones: list[tuple[Bone, float]]) -> str:
    bone, gap = bones[0]
    kind = "long bone" if bone.tubular else "bone"
    text = f"the {kind} nearest the lesion ({max(gap, 0.0):.0f} mm away, {bone.extent_mm:.0f} mm in view)"
    return text if len(bones) == 1 else f"{text} with {len(bones) - 1} beside it"


def _coarse_grey(side: _Side, pair: _Pair, poses: list[Rigid]) -> tuple[list[GreyFit], Samples, Blurred] | None:
    """Grey-value fits at low resolution from the best distinct poses, best first."""
    few = spread_out(side.points, COARSE_POINTS, seed=11)
    points, normals = side.points[few], side.normals[few]
    sigma = common_sigma(pair.fixed.grid, pair.moving.grid, COARSE_SIGMA_MM)
    samples = Samples.along_normals(Blurred.around(pair.fixed, points, 8.0, sigma), points, normals)
    chosen: list[Rigid] = []
    for pose in poses:
        if all(distinct(pose, other, pair.lesion) for other in chosen):
            chosen.append(pose)
        if len(chosen) == GREY_POSES:
            break
    everywhere = np.concatenate([pose.apply(points) for pose in chosen])
    blurred = Blurred.around(pair.moving, everywhere, 12.0, sigma)
    fits = [fit_grey(samples, blurred, pose, steps=15, tolerance_mm=0.02) for pose in chosen]
    fits = sorted(
        (f for f in fits if f.overlap >= LEAST_OVERLAP), key=lambda f: f.cost + OVERLAP_COST * (1 - f.overlap)
    )
    return (fits, samples, blurred) if fits else None


def _fine_grey(side: _Side, pair: _Pair, pose: Rigid) -> tuple[GreyFit, Samples, Blurred]:
    few = spread_out(side.points, FINE_POINTS, seed=13)
    points, normals = side.points[few], side.normals[few]
    sigma = common_sigma(pair.fixed.grid, pair.moving.grid, FINE_SIGMA_MM)
    samples = Samples.along_normals(Blurred.around(pair.fixed, points, 7.0, sigma), points, normals)
    blurred = Blurred.around(pair.moving, pose.apply(points), 8.0, sigma)
    return fit_grey(samples, blurred, pose, steps=25), samples, blurred


def _evidence(
    axis: Floats, fit: GreyFit, samples: Samples, blurred: Blurred, surface: SurfaceFit, *, lesion: Floats
) -> Evidence:
    total, turn, slide = fit_sd_at(fit, lesion, axis)
    jack, jack_turn, jack_slide, halves = refits(samples, blurred, fit, lesion, axis)
    scale, scale_sd = free_scale(samples, fit)
    seen = np.isfinite(fit.residual)
    along = samples.world[seen] @ axis
    return Evidence(
        fit_sd=total,
        jackknife_sd=jack,
        turn_sd=float(np.fmax(turn, jack_turn)),
        slide_sd=float(np.fmax(slide, jack_slide)),
        halves=halves,
        surface_gap=float(np.linalg.norm(fit.pose.apply(lesion) - surface.pose.apply(lesion))),
        correlation=fit.correlation,
        unexplained=fit.cost,
        overlap_mm=float(np.ptp(along)) if seen.any() else 0.0,
        overlap=fit.overlap,
        scale=scale,
        scale_sd=scale_sd,
    )
