"""Whether an alignment may be relied upon at the lesion, and why.

Residuals do not see the error that matters: a shaft slides along and turns about its axis at hardly any cost. What
does see it is how far the solution moves *at the lesion* when the data change a little: the covariance of the
fit projected on the lesion, and refits that leave out parts of the bone (delete-a-group jackknife: Kott 2001,
Journal of Official Statistics 17:521; from memory). Limits were calibrated on simulated pairs; see
``scripts/bench_alignment``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..base import AlignSettings, Floats, Verdict, caution, withhold, worst
from .refine import Blurred, GreyFit, Samples, fit_grey

MODEL_SD_MM, MODEL_SD_PER_SLICE = 0.04, 0.02
"""Errors found on simulated pairs that the fit cannot see: a floor, and a share of the thicker slice spacing."""
HALVES_MM = (0.8, 1.6)
"""Disagreement at the lesion of refits on two halves of the bone: cautioned, withheld. These limits and those below
were calibrated on simulated pairs (`scripts/bench_alignment`)."""
SURFACE_GAP_MM = (1.0, 2.5)
"""Surface fit against grey-value fit."""
PATCH_LIMITS_MM = (0.25, 0.45)
"""Spread of the surface mismatch over patches of bone."""
UNCORRELATED = (0.06, 0.15)
"""One minus the correlation of grey values around the bone."""
OVERLAP_MM = (-40.0, -25.0)
"""Length of bone in both scans below which the fit is cautioned, withheld (negative: less is worse)."""
RUNNER_UP = (-4.0, -2.5)
"""Cost of the next distinct pose over that of the best, negative likewise."""
SCALE_OFF = (0.01, 0.025)
"""Difference in size beyond two standard errors."""
SOFT_TISSUE = (-0.55, -0.3)
"""Correlation of fat and muscle around the bone, negative likewise."""
UPSIDE_DOWN, UPSIDE_DOWN_OVERLAP = -0.5, 0.65
"""Cosine between the bone's axes below which the fit is upside down, and the overlap below which that is no fit."""
SECOND_BONE_MM, SECOND_BONE_NEAR_MM = 1.0, 40.0
"""How far another bone must have moved, and how near to the lesion it must lie, to be told."""
THICK_SLICES_MM = 2.0
"""Slices further apart than this change the look of thin bone by themselves."""
SLAB_MM = 10.0
GROUPS = 8
CORRELATED_SAMPLES = 3.0
"""Neighbouring samples share noise and model error: the standard error of independent samples times this."""


@dataclass(frozen=True)
class Evidence:
    """Everything the verdict rests on. Lengths are mm at the lesion unless said otherwise.

    Attributes
    ----------
    fit_sd : standard error from the covariance of the grey-value fit.
    jackknife_sd : the same from refits without parts of the bone.
    turn_sd, slide_sd : the larger of both, about and along the bone axis.
    halves : disagreement of refits on alternate slabs.
    surface_gap : surface fit against grey-value fit.
    patch : standard deviation of the smoothed surface mismatch, mm at the bone.
    correlation, unexplained : of grey values; share of their variance left over.
    overlap_mm, overlap : length of bone in both scans; share of bone samples in both.
    runner_up : cost of the next distinct pose over the cost of the best.
    scale, scale_sd : fitted size ratio minus 1.
    second_bone, second_bone_gap : how far another bone near the lesion moved; its distance from the lesion.
    excluded_mm : radius left out around the lesion.
    soft_tissue : correlation of fat and muscle around the bone.
    upside_down : cosine between the bone's axis in both scans.
    model_sd : error shared by all parts of the bone, which no refit shows (interpolation, slices).
    slice_mm : distance of slices in the scan where they lie further apart.
    """

    fit_sd: float = float("nan")
    jackknife_sd: float = float("nan")
    turn_sd: float = float("nan")
    slide_sd: float = float("nan")
    halves: float = float("nan")
    surface_gap: float = float("nan")
    patch: float = float("nan")
    correlation: float = float("nan")
    unexplained: float = float("nan")
    overlap_mm: float = float("nan")
    overlap: float = float("nan")
    runner_up: float = float("inf")
    scale: float = float("nan")
    scale_sd: float = float("nan")
    second_bone: float = 0.0
    second_bone_gap: float = float("inf")
    excluded_mm: float = 0.0
    soft_tissue: float = float("nan")
    upside_down: float = 1.0
    model_sd: float = 0.0
    slice_mm: float = 0.0

    @property
    def predicted_sd(self) -> float:
        """Standard error at the lesion, mm: the larger of both estimates, and what neither can see."""
        return float(np.hypot(np.fmax(self.fit_sd, self.jackknife_sd), self.model_sd))


def motion_at(point: Floats, pivot: Floats) -> Floats:
    """(3, 6) displacement of a point for a small turn about a pivot and a shift."""
    x, y, z = np.asarray(point, float) - pivot
    cross = np.array([[0, z, -y], [-z, 0, x], [y, -x, 0]])
    return np.hstack([cross, np.eye(3)])


def fit_sd_at(fit: GreyFit, lesion: Floats, axis: Floats) -> tuple[float, float, float]:
    """Standard error (mm) at the lesion: in all, by turning about the bone axis, by sliding along it."""
    covariance = fit.covariance * CORRELATED_SAMPLES**2
    reach = motion_at(lesion, fit.pivot)
    total = float(np.sqrt(max(float(np.trace(reach @ covariance @ reach.T)), 0.0)))
    arm = np.asarray(lesion, float) - fit.pivot
    lever = float(np.linalg.norm(arm - (arm @ axis) * axis))
    turn = float(np.sqrt(max(float(axis @ covariance[:3, :3] @ axis), 0.0))) * lever
    slide = float(np.sqrt(max(float(axis @ covariance[3:, 3:] @ axis), 0.0)))
    return total, turn, slide


def refits(
    samples: Samples, moving: Blurred, fit: GreyFit, lesion: Floats, axis: Floats
) -> tuple[float, float, float, float]:
    """Delete-a-group jackknife over slabs of bone, and the disagreement of alternate slabs.

    Returns
    -------
    jackknife_sd, turn_sd, slide_sd, halves : mm at the lesion.
    """
    along = (samples.world - samples.world.mean(axis=0)) @ axis
    slab = np.floor((along - along.min()) / SLAB_MM).astype(int)
    groups = min(GROUPS, int(slab.max()) + 1)
    if groups < 3:
        return float("nan"), float("nan"), float("nan"), float("nan")
    found = []
    for group in range(groups):
        again = fit_grey(samples.take(slab % groups != group), moving, fit.pose, steps=6, tolerance_mm=0.01)
        if again.overlap == 0:
            return float("nan"), float("nan"), float("nan"), float("nan")
        found.append(fit.pose.inverse() @ again.pose)
    moved = np.array([motion.apply(lesion) - lesion for motion in found])
    scale = (groups - 1) / groups
    deviation = moved - moved.mean(axis=0)
    sd = float(np.sqrt(scale * (deviation**2).sum()))
    arm = np.asarray(lesion, float) - fit.pivot
    lever = float(np.linalg.norm(arm - (arm @ axis) * axis))
    turns = np.array([_turn_about(motion.matrix[:3, :3], axis) for motion in found])
    slides = np.array([(motion.apply(fit.pivot) - fit.pivot) @ axis for motion in found])
    turn_sd = float(np.sqrt(scale * ((turns - turns.mean()) ** 2).sum())) * lever
    slide_sd = float(np.sqrt(scale * ((slides - slides.mean()) ** 2).sum()))
    halves = [
        fit_grey(samples.take(slab % 2 == side), moving, fit.pose, steps=8, tolerance_mm=0.01).pose for side in (0, 1)
    ]
    apart = np.linalg.norm(halves[0].apply(lesion) - halves[1].apply(lesion))
    return sd, turn_sd, slide_sd, float(apart)


def _turn_about(rotation: Floats, axis: Floats) -> float:
    skew = rotation - rotation.T
    vector = np.array([skew[2, 1], skew[0, 2], skew[1, 0]]) / 2
    return float(vector @ axis)


def free_scale(samples: Samples, fit: GreyFit) -> tuple[float, float]:
    """Size ratio minus 1 that grey values ask for beside the rigid motion, and its standard error; one linear step."""
    arm = samples.world - fit.pivot
    columns = [
        np.cross(arm, samples.gradient),
        samples.gradient,
        (arm * samples.gradient).sum(axis=1)[:, None] / 100.0,
        samples.value[:, None] / max(float(samples.value.std()), 1.0),
        np.ones((len(arm), 1)),
    ]
    jacobian = np.hstack(columns)
    used = np.isfinite(fit.residual) & (fit.weight > 0)
    jacobian, weight, residual = jacobian[used], fit.weight[used], fit.residual[used]
    if used.sum() < 50:
        return float("nan"), float("nan")
    normal = (jacobian * weight[:, None]).T @ jacobian
    inverse = np.linalg.pinv(normal, rcond=1e-12, hermitian=True)
    update = inverse @ ((jacobian * weight[:, None]).T @ residual)
    variance = float((weight * residual**2).sum() / max(float(weight.sum()) - 9, 1.0))
    return float(update[6] / 100.0), float(np.sqrt(inverse[6, 6] * variance) * CORRELATED_SAMPLES / 100.0)


def patch_mismatch(points: Floats, distance: Floats, size_mm: float = 12.0) -> float:
    """Standard deviation over patches of the mean surface mismatch, in mm.

    Noise averages out within a patch; another bone's shape does not. The overall mean is taken off: two scanners
    that blur differently put the whole surface a little further in or out.
    """
    found = np.isfinite(distance)
    if found.sum() < 50:
        return float("nan")
    cell = np.floor(points[found] / size_mm).astype(int)
    _, which, counts = np.unique(cell, axis=0, return_inverse=True, return_counts=True)
    means = np.bincount(which.ravel(), weights=distance[found]) / counts
    means = means[counts >= 8]
    return float(np.std(means)) if len(means) >= 4 else float("nan")


def judge(evidence: Evidence, settings: AlignSettings) -> Verdict | None:
    """The strongest objection to relying on a pose at the lesion; ``None`` where there is none."""
    e = evidence
    objections: list[tuple[Verdict, float]] = []

    def limit(value: float, cautioned: float, withheld: float, found: Verdict) -> None:
        if value != value:
            objections.append((withhold("bone-scarce"), 0.0))
        elif value > withheld:
            objections.append((found.at("withheld"), value / withheld))
        elif value > cautioned:
            objections.append((found, value / cautioned))

    pinned = caution("bone-not-pinned", sd_mm=e.predicted_sd, turn_mm=e.turn_sd, slide_mm=e.slide_sd)
    limit(e.predicted_sd, settings.trusted_sd_mm, settings.cautioned_sd_mm, pinned)
    limit(e.halves, *HALVES_MM, caution("halves-disagree", mm=e.halves))
    limit(e.surface_gap, *SURFACE_GAP_MM, caution("surface-against-grey", mm=e.surface_gap))
    thick = e.slice_mm > THICK_SLICES_MM
    differs = caution("shape-differs-thick" if thick else "shape-differs", mm=e.patch, slice_mm=e.slice_mm)
    limit(e.patch, *PATCH_LIMITS_MM, differs)
    limit(1 - e.correlation, *UNCORRELATED, caution("grey-disagrees", correlation=e.correlation))
    limit(-e.overlap_mm, *OVERLAP_MM, caution("overlap-short", mm=e.overlap_mm))
    limit(-e.runner_up, *RUNNER_UP, caution("rival-pose"))
    scale = max(abs(e.scale) - 2 * e.scale_sd, 0.0) if e.scale == e.scale else 0.0
    limit(scale, *SCALE_OFF, caution("size-differs", percent=100 * e.scale))
    soft = -e.soft_tissue if e.soft_tissue == e.soft_tissue else -1.0
    limit(soft, *SOFT_TISSUE, caution("soft-tissue-differs", correlation=e.soft_tissue))
    if e.upside_down < UPSIDE_DOWN:
        turned = caution("upside-down")
        objections.append((turned.at("withheld") if e.overlap < UPSIDE_DOWN_OVERLAP else turned, 1.5))
    if e.second_bone > SECOND_BONE_MM and e.second_bone_gap < SECOND_BONE_NEAR_MM:
        objections.append((caution("second-bone", gap_mm=e.second_bone_gap, mm=e.second_bone), e.second_bone))
    if not objections:
        return None
    final = worst(*(found.trust for found, _ in objections))
    return max((o for o in objections if o[0].trust == final), key=lambda o: o[1])[0]


def as_pairs(evidence: Evidence) -> tuple[tuple[str, float], ...]:
    """Name and value of every part, for records and benchmarks."""
    names: list[Any] = list(evidence.__dataclass_fields__)
    return tuple((name, float(getattr(evidence, name))) for name in names)
