"""From a rough pose to a fine one: on grey values around the bone surface, and on the surfaces themselves.

Grey values: Gauss-Newton on samples along the normals of the fixed bone surface, both scans blurred to the same
resolution, gain and offset free, robust weights. The gradient is taken in the fixed scan, so that it is
computed once (inverse compositional form: Baker 2004, 10.1023/B:VISI.0000011205.11775.fd). Surfaces: trimmed
symmetric point-to-plane fit (Chen 1992, 10.1016/0262-8856(92)90066-C; trimming: Chetverikov 2005,
10.1016/j.imavis.2004.05.007). The two share no data but the scans, so their difference tells something.

Poses map LPS mm of the *fixed* scan to LPS mm of the *moving* scan.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from ..base import MAD_TO_SD, Floats, Grid, Rigid, Volume, gaussian_smoothed
from ..bones import METAL_HU
from .kernels import look_up, pull_of_greys

OFFSETS_MM = np.arange(-4.0, 3.01, 1.0)
"""Where along the outward normal grey values are compared: cortex and a little of both sides."""
PLANE_BLUR_MM = 0.5
"""Taken as the standard deviation of a scan's own blur in its plane; common practice, no source."""
LEAST_SAMPLES = 200
"""Samples inside the moving scan below which a pose is given up."""
BIWEIGHT = 4.0
"""Residuals of more scales than this count nothing (4.685 loses 5 % of efficiency: Holland and Welsch 1977)."""
FINEST_SCALE = 0.03
"""The scale of residuals is at least this share of the spread of the values: identical scans leave none."""
LARGEST_TURN, LARGEST_SHIFT_MM = 0.08, 2.0
"""Radians and mm of one step at most: further out the values are no longer straight lines."""
TRUNCATED = 0.6
"""Residuals count up to this share of the spread of the values in the cost that poses are compared by."""
NO_FIT = 9.9
"""Cost of a pose at which nothing is compared: above any that is."""
GRADIENT_BLUR_MM = 1.2
"""Further blur of the image the gradient is taken from: noisy gradients shrink the steps and stall the slide."""
STILL_MM, STILL_RAD = 0.003, 3e-5
"""A surface fit ends where its step is smaller along and about every axis."""
SPOILT_MM = (4.0, 40.0)
"""How far from metal, along the scan and within its slices, grey values are not compared (own phantoms): its streaks
run within the slices. Further out the robust weights do."""


@dataclass(frozen=True, eq=False)
class Blurred:
    """A box of a scan at a known resolution; NaN near metal."""

    hu: NDArray[np.float32]
    grid: Grid

    @classmethod
    def around(cls, volume: Volume, points: Floats, margin_mm: float, sigma_mm: float) -> Blurred:
        """Blur the box of LPS points to a total standard deviation ``sigma_mm`` along every axis."""
        part = volume.around(points, margin_mm)
        own = np.array([part.grid.spacing[0] / np.sqrt(12), PLANE_BLUR_MM, PLANE_BLUR_MM])
        add = np.sqrt(np.maximum(sigma_mm**2 - own**2, 0.0)) / part.grid.spacing
        blurred = gaussian_smoothed(part.hu, add, truncate=3.0, mode="nearest")
        metal = part.hu >= METAL_HU
        if metal.any():
            reach = np.array([SPOILT_MM[0], SPOILT_MM[1], SPOILT_MM[1]])
            blurred[ndimage.distance_transform_edt(~metal, sampling=part.grid.spacing / reach) <= 1.0] = np.nan
        return cls(blurred, part.grid)

    def further(self, sigma_mm: float) -> Blurred:
        return replace(self, hu=gaussian_smoothed(self.hu, sigma_mm / self.grid.spacing, truncate=3.0, mode="nearest"))

    def at(self, world: Floats) -> Floats:
        seen, inside = np.empty(len(world)), np.empty(len(world), bool)
        look_up(world, self.grid.inverse[:3, :3], self.grid.inverse[:3, 3], self.hu, seen, inside)
        return seen

    def gradient_at(self, world: Floats, step_mm: float = 0.8) -> Floats:
        """(N, 3) LPS gradient, HU per mm."""
        result = np.empty(world.shape)
        for axis in range(3):
            shift = np.zeros(3)
            shift[axis] = step_mm
            result[:, axis] = (self.at(world + shift) - self.at(world - shift)) / (2 * step_mm)
        return result


def common_sigma(first: Grid, second: Grid, wanted_mm: float) -> float:
    """The wanted resolution, or the coarser one that the thicker slices allow."""
    return float(max(wanted_mm, first.spacing[0] / np.sqrt(12), second.spacing[0] / np.sqrt(12)))


@dataclass(frozen=True, eq=False)
class Samples:
    """Where grey values of the fixed scan are compared: (N, 3) positions, values, gradients, surface point of each."""

    world: Floats
    value: Floats
    gradient: Floats
    surface: NDArray[np.intp]

    @classmethod
    def along_normals(cls, fixed: Blurred, points: Floats, normals: Floats) -> Samples:
        world = (points[:, None, :] + OFFSETS_MM[:, None] * normals[:, None, :]).reshape(-1, 3)
        surface = np.repeat(np.arange(len(points)), len(OFFSETS_MM))
        inside = fixed.grid.contains(world)
        world, surface = world[inside], surface[inside]
        value, gradient = fixed.at(world), fixed.further(GRADIENT_BLUR_MM).gradient_at(world)
        clear = np.isfinite(value) & np.isfinite(gradient).all(axis=1)
        return cls(world[clear], value[clear], gradient[clear], surface[clear])

    def take(self, keep: NDArray[Any]) -> Samples:
        return Samples(self.world[keep], self.value[keep], self.gradient[keep], self.surface[keep])


@dataclass(frozen=True, eq=False)
class GreyFit:
    """A pose fitted on grey values.

    ``cost`` is the share of the samples' variance left unexplained, truncated; ``gain`` maps moving to fixed HU;
    ``covariance`` (6, 6) of a small turn (rad, about ``pivot``, fixed LPS) and shift (mm, fixed LPS), as if all samples
    were independent; ``residual`` (N,) HU, NaN outside the moving scan; ``weight`` (N,).
    """

    pose: Rigid
    cost: float
    gain: float
    correlation: float
    overlap: float
    covariance: Floats
    pivot: Floats
    residual: Floats
    weight: Floats
    settled: bool


def fit_grey(
    samples: Samples, moving: Blurred, pose: Rigid, *, steps: int = 12, tolerance_mm: float = 0.004
) -> GreyFit:
    """Gauss-Newton on grey values from a pose within about 3 mm."""
    pivot = samples.world.mean(axis=0)
    arm = samples.world - pivot
    jacobian = np.concatenate([np.cross(arm, samples.gradient), samples.gradient], axis=1)
    radius = float(np.sqrt((arm**2).sum(axis=1).mean()))
    spread = max(float(samples.value.std()), 1.0)
    matrix = pose.matrix.copy()
    settled = False
    gain, offset = 1.0, 0.0
    inside = np.zeros(len(samples.world), bool)
    nothing: Floats = np.zeros(len(samples.world))
    residual = weight = nothing
    seen: Floats = np.zeros(len(samples.world))
    normal, side = np.empty((8, 8)), np.empty(8)
    for step in range(steps + 1):
        index = moving.grid.inverse @ matrix
        look_up(samples.world, index[:3, :3], index[:3, 3], moving.hu, seen, inside)
        inside &= np.isfinite(seen)
        seen[~inside] = 0.0
        if inside.sum() < LEAST_SAMPLES:
            # The pose left the scan: no overlap, so that no caller keeps it.
            inside = np.zeros(len(samples.world), bool)
            weight = nothing
            break
        if step == 0:
            gain, offset = _line(seen[inside], samples.value[inside])
        residual = gain * seen + offset - samples.value
        weight = inside * _robust(residual, inside, spread)
        if step == steps or settled:
            break
        # Unknowns: motion of the fixed frame, then gain and offset of the moving values.
        pull_of_greys(jacobian, seen, residual, weight, spread, normal, side)
        update = _solved(normal, side)
        gain, offset = gain + update[6] / spread, offset + update[7]
        turn, shift = _no_longer_than(update[:3], LARGEST_TURN), _no_longer_than(update[3:6], LARGEST_SHIFT_MM)
        # The fixed frame moves by -update; the pose takes up the opposite.
        small = Rigid.from_vectors(turn.tolist(), shift.tolist(), pivot.tolist())
        matrix = matrix @ small.inverse().matrix
        settled = float(np.linalg.norm(turn)) * radius + float(np.linalg.norm(shift)) < tolerance_mm
    kept = weight > 0
    u, _, vt = np.linalg.svd(matrix[:3, :3])
    matrix[:3, :3] = u @ vt
    return GreyFit(
        pose=Rigid(matrix),
        cost=_cost(residual[inside & np.isfinite(residual)], spread),
        gain=float(gain),
        correlation=float(np.corrcoef(seen[kept], samples.value[kept])[0, 1]) if kept.sum() > 10 else 0.0,
        overlap=float(inside.mean()),
        covariance=_covariance(jacobian, residual, weight),
        pivot=pivot,
        residual=np.where(inside, residual, np.nan),
        weight=weight,
        settled=settled,
    )


def _robust(residual: Floats, inside: NDArray[np.bool_], spread: float) -> Floats:
    """Tukey's biweight (N,) of residuals, on their own scale but no finer than a share of the spread of the values."""
    scale = max(MAD_TO_SD * float(np.median(np.abs(residual[inside]))), FINEST_SCALE * spread)
    return np.asarray(np.clip(1 - (residual / (BIWEIGHT * scale)) ** 2, 0, None) ** 2)


def _solved(normal: Floats, side: Floats) -> Floats:
    """The step (8,) of the normal equations, scaled so that turns, shifts and greys weigh alike."""
    scale = np.sqrt(np.diag(normal)) + 1e-9
    return np.asarray(np.linalg.solve(normal / np.outer(scale, scale) + 1e-7 * np.eye(8), side / scale) / scale)


def _no_longer_than(vector: Floats, length: float) -> Floats:
    return np.asarray(vector * min(1.0, length / max(float(np.linalg.norm(vector)), 1e-9)))


def _cost(residual: Floats, spread: float) -> float:
    """Mean square of residuals over that of the values, what fits nowhere counting no more than a limit."""
    truncated = np.minimum(residual**2, (TRUNCATED * spread) ** 2)
    return float(truncated.mean() / spread**2) if len(residual) else NO_FIT


def _covariance(jacobian: Floats, residual: Floats, weight: Floats) -> Floats:
    """(6, 6) covariance of turn and shift by the weighted residuals."""
    kept = weight > 0
    normal = (jacobian[kept] * weight[kept, None]).T @ jacobian[kept]
    degrees = max(float(weight.sum()) - 8, 1.0)
    variance = float((weight * residual**2).sum()) / degrees
    return np.asarray(np.linalg.pinv(normal, rcond=1e-12, hermitian=True) * variance)


def _line(x: Floats, y: Floats) -> tuple[float, float]:
    """Gain and offset that make the middle and spread of x those of y, gain kept plausible."""
    gain = float(np.clip(y.std() / max(float(x.std()), 1e-6), 0.5, 2.0))
    return gain, float(np.median(y) - gain * np.median(x))


@dataclass(frozen=True, eq=False)
class SurfaceFit:
    """A pose fitted on surface points: ``rms_mm`` of the trimmed distances; ``distance`` (N,) signed mm of every fixed
    point to the moving surface, NaN without a partner."""

    pose: Rigid
    rms_mm: float
    distance: Floats


def fit_surface(
    points: Floats,
    normals: Floats,
    moving_points: Floats,
    moving_normals: Floats,
    moving_grid: Grid,
    *,
    pose: Rigid,
    steps: int = 12,
    trim: float = 0.8,
    reach_mm: float = 6.0,
) -> SurfaceFit:
    """Trimmed point-to-plane fit along the sum of both normals (Rusinkiewicz 2019, 10.1145/3306346.3323037)."""
    tree = cKDTree(moving_points)
    distance = np.full(len(points), np.nan)
    rms = float("nan")
    for step in range(steps):
        world = pose.apply(points)
        gap, nearest = tree.query(world, distance_upper_bound=reach_mm)
        found = np.isfinite(gap) & moving_grid.contains(world, 1.0)
        nearest = np.where(found, nearest, 0)
        turned = pose.turn(normals)
        found &= (turned * moving_normals[nearest]).sum(axis=1) > 0.5
        if found.sum() < 30:
            break
        both = turned + moving_normals[nearest]
        both /= np.linalg.norm(both, axis=1, keepdims=True)
        value = ((world - moving_points[nearest]) * both).sum(axis=1)
        distance = np.where(found, value, np.nan)
        limit = np.quantile(np.abs(value[found]), trim)
        keep = found & (np.abs(value) <= limit)
        rms = float(np.sqrt((value[keep] ** 2).mean()))
        if step == steps - 1:
            break
        pivot = world[keep].mean(axis=0)
        jacobian = np.concatenate([np.cross(world[keep] - pivot, both[keep]), both[keep]], axis=1)
        update = np.linalg.lstsq(jacobian, -value[keep], rcond=1e-6)[0]
        pose = Rigid.from_vectors(update[:3].tolist(), update[3:].tolist(), pivot.tolist()) @ pose
        if np.abs(update[3:]).max() < STILL_MM and np.abs(update[:3]).max() < STILL_RAD:
            break
    return SurfaceFit(pose, rms, distance)
