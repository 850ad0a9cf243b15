"""First guess of the outline: which mineral belongs to the lesion, and the ellipsoid it lies on.

Numbers below without another source are own judgement, held against truth by ``scripts/validate``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, optimize
from scipy.spatial import ConvexHull, Delaunay, QhullError

from ..base import Floats, Grid, compiled, gaussian_smoothed, within_reach
from .specks import Noise, beyond_noise

FARTHEST_WALL_MM = 45.0
"""How far from the seed the nearest mineral of a lesion may lie: large shells have far walls."""
LINK_MM = 5.0
"""Mineral pieces closer than this are taken as one structure."""
SCRAP_MM = 6.5
"""A piece of mineral that nowhere lies so far from bone is a scrap of it unless the lesion's own mineral is around it:
spurs, partial volume of a flat bone in thick slices (real hip, slices of 3.3 mm: up to 6.4)."""
FLECK = 0.1
"""Pieces smaller than this share of the largest do not say how far the lesion reaches; own judgement."""
MUSCLE_HU = 60.0
"""HU that muscle hardly exceeds (ICRU-44 at 80 kVp: 45), over which noise is judged."""
SMOOTHED_MM = 0.6
"""Standard deviation of the smoothing before the threshold, across voxels no longer than ``SMOOTHED_UP_TO_MM``."""
SMOOTHED_UP_TO_MM = 1.6
OVER_NOISE = 1.5
"""Standard deviations of voxel noise over muscle below which nothing is looked at."""
LEAST_PIECE_MM3 = 4.0
"""A piece of mineral smaller than this is no part of a first guess."""
EXPECTED_REACH = 1.15
"""Relative radius of the lesion in another scan within which a piece that lies mostly there belongs to it."""
HULL_MM = 2.0
"""A point so far outside the hull of mineral still lies in it."""
BODY_MM = (2.0, 80.0)
"""Least and largest semi-axis of a lesion (own judgement)."""
FEW_MM = 3.0
"""So much wider is the ball around the middle of points that are too few, or too flat, to have a hull."""
NEAREST = 0.2
"""A point counts as lying at least at this share of the radius: nearer the middle no direction is told."""
LONE_MM, LONE = 12.0, 0.7
"""A lone piece farther from the seed than this (mm, or share of its own size) is another structure."""
ACROSS, LEAST_SIZE_MM = 2.0, 8.0
"""Mineral on the far side of the seed belongs to the same shell up to a gap of so many sizes, at least this one."""
FLANK_MM, FLANK, FLANK_SIZE = 6.0, 0.35, 1.5
"""... beside it up to this gap (mm, or share of the size), where it is not so many times as much."""
WALL = 1.4
"""... and no farther from the seed than so many times the wall known so far."""


SYMMETRIC = ([0, 1, 2, 0, 0, 1], [0, 1, 2, 1, 2, 2])
"""Where the six numbers of a symmetric matrix stand: its diagonal, then what is beside it."""


@dataclass(frozen=True, eq=False)
class Ellipsoid:
    """``centre + shape @ u`` for unit u; ``shape`` (3, 3) in mm."""

    centre: Floats
    shape: Floats

    @property
    def radii(self) -> Floats:
        """Semi-axes in mm, the longest first."""
        return np.asarray(np.linalg.svd(self.shape, compute_uv=False))

    def relative_radius(self, points: Any) -> Floats:
        """1 on the surface, 0 at the centre; shape (...)."""
        local = np.asarray(points, float) - self.centre
        return np.asarray(np.linalg.norm(local @ np.linalg.inv(self.shape).T, axis=-1))

    def reach(self, origin: Floats, directions: Floats) -> Floats:
        """(N,) mm from a point (3,) to the surface along unit directions (N, 3), the far crossing; NaN where there is
        none."""
        inverse = np.linalg.inv(self.shape)
        at, along = inverse @ (origin - self.centre), directions @ inverse.T
        a, b, c = (along**2).sum(axis=1), along @ at, float(at @ at) - 1.0
        inside = b**2 - a * c
        reach = (np.sqrt(np.maximum(inside, 0.0)) - b) / a
        return np.asarray(np.where((inside > 0.0) & (reach > 0.0), reach, np.nan))

    def relative_radius_over(self, grid: Grid) -> Floats:
        """The same at every voxel of a grid; (slices, rows, columns)."""
        into = np.linalg.inv(self.shape)
        result = np.empty(grid.shape)
        _relative_radius(into @ grid.affine[:3, :3], into @ (grid.origin - self.centre), result)
        return result


@compiled("f8[2] f8[1] f8[3]!")
def _relative_radius(turn: Floats, shift: Floats, result: Floats) -> None:
    """Length of ``turn @ index + shift`` at every index."""
    slices, rows, columns = result.shape
    for i in range(slices):
        for j in range(rows):
            x = turn[0, 0] * i + turn[0, 1] * j + shift[0]
            y = turn[1, 0] * i + turn[1, 1] * j + shift[1]
            z = turn[2, 0] * i + turn[2, 1] * j + shift[2]
            for k in range(columns):
                a, b, c = x + turn[0, 2] * k, y + turn[1, 2] * k, z + turn[2, 2] * k
                result[i, j, k] = math.sqrt(a * a + b * b + c * c)


def lesion_mineral(
    hu120: NDArray[Any],
    grid: Grid,
    bone_distance: NDArray[Any],
    seed: Floats,
    *,
    threshold_hu120: float,
    noise: Noise,
    blur_mm: Any,
    expected: Ellipsoid | None = None,
) -> NDArray[np.bool_]:
    """Voxels of mineral that belong to the lesion at ``seed``; all False where there is none.

    Parameters
    ----------
    hu120, bone_distance : (slices, rows, columns) HU at 120 kVp and mm outside bone, on ``grid``.
    seed : (3,) LPS mm.
    noise : of the scan.
    blur_mm : standard deviation of the blur beside bone, one or per voxel; cortex spills about twice that far.
    expected : where the lesion lies by another scan; pieces inside it (a tenth larger) belong to it.
    """
    sigma = SMOOTHED_MM / grid.spacing
    smooth = gaussian_smoothed(hu120, np.where(grid.spacing < SMOOTHED_UP_TO_MM, sigma, 0.0))
    level = max(threshold_hu120, MUSCLE_HU + OVER_NOISE * noise.hu[0])
    spill = np.maximum(1.0, 2.0 * np.hypot(blur_mm, SMOOTHED_MM))
    mineral = (smooth >= level) & (bone_distance > spill)
    labels, count = ndimage.label(mineral, np.ones((3, 3, 3)))
    if count == 0:
        return np.zeros(grid.shape, bool)
    sizes = np.bincount(labels.ravel())
    keep = sizes * grid.voxel_volume_mm3 >= LEAST_PIECE_MM3
    keep &= beyond_noise(
        hu120,
        labels,
        count,
        base_hu=MUSCLE_HU,
        noise=noise,
        scale=1.0,
        searched_mm3=float(labels.size * grid.voxel_volume_mm3),
    )
    mineral = np.asarray(keep[labels], dtype=bool)
    if not mineral.any():
        return mineral
    highest = np.full(count + 1, -np.inf)
    np.maximum.at(highest, labels[mineral], bone_distance[mineral])
    standing = mineral & (highest > SCRAP_MM)[labels]
    result = _of_lesion(standing, grid, seed, expected) if standing.any() else standing
    if not result.any():
        return _of_lesion(mineral, grid, seed, expected)
    own = grid.to_world(np.argwhere(result))
    scraps = np.argwhere(mineral & ~standing)
    if len(scraps):
        around = _inside_hull(np.vstack([own, seed[None]]), grid.to_world(scraps), HULL_MM)
        result[tuple(scraps[around].T)] = True
    return result


def _of_lesion(mineral: NDArray[np.bool_], grid: Grid, seed: Floats, expected: Ellipsoid | None) -> NDArray[np.bool_]:
    """The mineral of the groups that make up the lesion at the seed."""
    index = np.argwhere(mineral)
    points = grid.to_world(index)
    group = _linked(mineral, grid)[tuple(index.T)]
    chosen = _groups_of_lesion(points, group, seed, expected)
    result = np.zeros(grid.shape, bool)
    result[tuple(index[np.isin(group, chosen)].T)] = True
    return result


def _linked(mineral: NDArray[np.bool_], grid: Grid) -> NDArray[Any]:
    """Labels of mineral pieces, those within ``LINK_MM`` of each other sharing one."""
    labels, _ = ndimage.label(within_reach(mineral, grid.spacing, LINK_MM / 2), np.ones((3, 3, 3)))
    return np.asarray(labels)


def _inside_hull(points: Floats, tests: Floats, margin_mm: float) -> NDArray[np.bool_]:
    """Which of the test points lie within ``margin_mm`` of the convex hull of ``points``."""
    if len(points) < 5:
        return np.asarray(np.linalg.norm(tests - points.mean(axis=0), axis=1) <= margin_mm + FEW_MM)
    try:
        hull = ConvexHull(points + np.random.default_rng(0).normal(scale=1e-3, size=points.shape))
    except QhullError:
        return np.asarray(np.linalg.norm(tests - points.mean(axis=0), axis=1) <= margin_mm + FEW_MM)
    planes = hull.equations
    return np.asarray((tests @ planes[:, :3].T + planes[:, 3] <= margin_mm).all(axis=1))


def _groups_of_lesion(points: Floats, group: NDArray[Any], seed: Floats, expected: Ellipsoid | None) -> list[int]:
    """Groups that make up the lesion at the seed: those around it, then those close to what is already taken."""
    names = np.unique(group)
    if expected is not None:
        near = expected.relative_radius(points) <= EXPECTED_REACH
        shares = {int(g): float(near[group == g].mean()) for g in names}
        chosen = [g for g, share in shares.items() if share >= 0.5]
        if chosen:
            return chosen
    reach: list[tuple[float, int]] = []
    for g in names:
        own = points[group == g]
        if _inside_hull(own, seed[None], HULL_MM)[0]:
            reach.append((-float(len(own)), int(g)))
        else:
            nearest = float(np.linalg.norm(own - seed, axis=1).min())
            if nearest <= FARTHEST_WALL_MM:
                reach.append((nearest, int(g)))
    if not reach:
        return []
    chosen = [min(reach)[1]]
    # A lone piece far from the seed is another structure, unless it is wide enough to be the wall around it.
    alone = points[group == chosen[0]]
    if min(reach)[0] > max(LONE_MM, LONE * float(np.ptp(alone, axis=0).max())) and len(reach) < 2:
        return []
    others = [int(g) for g in names if g not in chosen]
    voxels = {int(g): int((group == g).sum()) for g in names}
    for _ in range(6):
        # Flecks do not make a lesion wider, or one would lead to the next along a bone.
        counted = [g for g in chosen if voxels[g] >= FLECK * max(voxels[c] for c in chosen)]
        own = points[np.isin(group, counted)]
        size = float(np.ptp(own, axis=0).max())
        known = np.vstack([own, seed[None]])
        joined = []
        for g in others:
            theirs = points[group == g]
            centre = theirs.mean(axis=0)
            gap = float(np.linalg.norm(own - centre, axis=1).min())
            within = bool(_inside_hull(known, centre[None], HULL_MM)[0])
            across = float(np.dot(centre - seed, own.mean(axis=0) - seed)) < 0 and gap < ACROSS * max(
                size, LEAST_SIZE_MM
            )
            flank = gap <= max(FLANK_MM, FLANK * size) and len(theirs) <= FLANK_SIZE * len(own)
            distance = float(np.linalg.norm(centre - seed))
            widest = float(np.linalg.norm(own - seed, axis=1).max())
            if within or ((flank or across) and distance <= max(WALL * widest, LEAST_SIZE_MM)):
                joined.append(g)
        if not joined:
            break
        chosen += joined
        others = [g for g in others if g not in joined]
    return chosen


def outermost_points(points: Floats, centre: Floats, directions: Floats) -> Floats:
    """For every direction that meets mineral, the outermost point there; (M, 3), M <= number of directions."""
    local = points - centre
    radius = np.linalg.norm(local, axis=1)
    unit = local / np.maximum(radius, 1e-9)[:, None]
    nearest = np.empty(len(unit), int)
    for start in range(0, len(unit), 4096):
        nearest[start : start + 4096] = (unit[start : start + 4096] @ directions.T).argmax(axis=1)
    order = np.lexsort((radius, nearest))
    last = np.flatnonzero(np.append(np.diff(nearest[order]) > 0, True))
    return np.asarray(points[order[last]])


def fit_ellipsoid(points: Floats, seed: Floats, *, start: Ellipsoid | None = None, coverage: float = 1.0) -> Ellipsoid:
    """Ellipsoid through outermost mineral points, kept round and near the seed where points do not say.

    Robust least squares on radial distance with a weak pull of the axes towards each other, so that a bowl
    of mineral is completed to a ball rather than to a cigar. The nine unknowns are the centre and the symmetric
    logarithm of the shape: where axes are alike, directions of theirs would be anything, and where the search ends hung
    on the last digit.

    Parameters
    ----------
    points : (N, 3) LPS mm on the surface.
    seed : (3,) LPS mm, a point known to be inside or on the lesion.
    coverage : share of directions in which there is a point; the less, the stronger the pull towards a ball.
    """
    if start is None:
        centre = _middle(points, seed)
        radius = max(float(np.median(np.linalg.norm(points - centre, axis=1))), 2.0)
        start_values = np.array([*centre, *np.log([radius] * 3), 0.0, 0.0, 0.0])
    else:
        axes, radii, _ = np.linalg.svd(start.shape)
        start_values = np.concatenate([start.centre, ((axes * np.log(radii)) @ axes.T)[SYMMETRIC]])
    weak = np.sqrt(len(points))
    roundness = 0.015 + 0.8 * max(1.0 - coverage, 0.0) ** 2

    def residuals(v: Floats) -> Floats:
        return np.asarray(many(v[None])[0])

    def many(v: Floats) -> Floats:
        """Residuals (K, N + 7) of (K, 9) parameters."""
        log_radii, axes = _log_axes(v)
        inverse = (axes * np.exp(-log_radii)[:, None, :]) @ axes.transpose(0, 2, 1)
        local = points - v[:, None, :3]
        relative = np.linalg.norm(local @ inverse, axis=-1)
        mean = log_radii.mean(axis=1)
        size = np.exp(mean)
        radial = (relative - 1.0) * np.linalg.norm(local, axis=-1) / np.maximum(relative, NEAREST)
        apart = np.concatenate([v[:, 3:6] - mean[:, None], np.sqrt(2.0) * v[:, 6:9]], axis=1)
        round_pull = (roundness * weak * size)[:, None] * apart
        off = np.linalg.norm(((seed - v[:, :3])[:, None, :] @ inverse)[:, 0], axis=-1)
        beyond = np.maximum(off - 1.0, 0.0) * size * 0.3 * weak
        return np.concatenate([np.clip(radial, -30, 30), round_pull, beyond[:, None]], axis=1)

    def slopes(v: Floats) -> Floats:
        """(N + 7, 9) by forward differences, all at once: what the library would do one after the other."""
        steps = np.sqrt(np.finfo(float).eps) * np.where(v >= 0, 1.0, -1.0) * np.maximum(1.0, np.abs(v))
        tried = v + np.diag(steps)
        change = tried.diagonal() - v
        found = many(np.vstack([v, tried]))
        return np.asarray((found[1:] - found[0]).T / change)

    solution = optimize.least_squares(residuals, start_values, slopes, loss="soft_l1", f_scale=1.0, max_nfev=60)
    log_radii, axes = (one[0] for one in _log_axes(solution.x[None]))
    # The symmetric shape: rays of a mesh keep their places, whichever axis comes first.
    return Ellipsoid(solution.x[:3].copy(), (axes * np.clip(np.exp(log_radii), *BODY_MM)) @ axes.T)


def _log_axes(v: Floats) -> tuple[Floats, Floats]:
    """Logarithms of the semi-axes (K, 3) of ellipsoids (K, 9), and their directions (K, 3, 3) as columns."""
    symmetric = np.empty((len(v), 3, 3))
    symmetric[:, SYMMETRIC[0], SYMMETRIC[1]] = symmetric[:, SYMMETRIC[1], SYMMETRIC[0]] = v[:, 3:]
    found = np.linalg.eigh(symmetric)
    return np.asarray(found.eigenvalues), np.asarray(found.eigenvectors)


def _middle(points: Floats, seed: Floats) -> Floats:
    """Centroid of the volume of the convex hull of the points and the seed."""
    everything = np.vstack([points, seed[None]])
    try:
        mesh = Delaunay(everything + np.random.default_rng(0).normal(scale=1e-3, size=everything.shape))
    except QhullError:
        return np.asarray(everything.mean(axis=0))
    corners = everything[mesh.simplices]
    volume = np.abs(np.linalg.det(corners[:, 1:] - corners[:, :1]))
    if not volume.sum() > 0.0:
        return np.asarray(everything.mean(axis=0))
    return np.asarray((corners.mean(axis=1) * volume[:, None]).sum(axis=0) / volume.sum())
