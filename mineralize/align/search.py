"""Where to start: rough poses of one skeleton on another, from bone surfaces alone.

The start decides: an intensity registration that begins at a bad pose ends at a bad pose. So poses are tried over
the whole range a patient can be laid down in, on a distance field (a look-up a point), many are fitted for a
few steps, and distinct ones are handed on. Point-to-surface fitting on a distance field: Fitzgibbon 2003,
10.1016/j.imavis.2003.09.004.

Poses here map LPS mm of the *fixed* scan to LPS mm of the *moving* scan.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..base import Floats, Grid, Rigid
from ..bones import Bone, Skeleton, sub_voxel_field
from .kernels import pull_of_surface, score_shifts

SEARCH_POINTS = 220
CLIP_MM = 8.0
ANGLE_STEP_DEG = 10.0
SLIDE_STEP_MM = 8.0
CROSS_SHIFT_MM = 8.0
SHORT_FITS = 260
SLIDE_FITS = 160
"""Short fits kept for the best pose of every slide: little overlap scores badly before it is fitted."""
MIDDLE_FITS = 40
LEAST_OVERLAP = 0.22
LARGEST_TURN, LARGEST_SHIFT_MM = 0.3, 10
"""Radians and mm of one step of a short fit at most: farther out the distances are no longer straight lines."""
LEAST_COUNTERPART = 0.3
"""Share of the fixed bone's length that a bone must have to be its counterpart."""
LEAST_ALONG = 0.25
"""Share of the shorter bone's length that every slide leaves overlapping."""
OVERLAP_PENALTY_MM = 0.4
"""Added at no overlap at all: poses with little overlap have small residuals."""


@dataclass(frozen=True, eq=False)
class Field:
    """Signed distance to all bones of a scan on a coarse grid around them, clipped; negative inside.

    ``slope`` (voxels, 3) is its gradient in mm per voxel step, so that one look-up gives value and direction.
    """

    distance: NDArray[np.float32]
    slope: NDArray[np.float32]
    grid: Grid
    scan_grid: Grid

    @classmethod
    def of(cls, skeleton: Skeleton, clip_mm: float = 12.0) -> Field:
        mask = skeleton.mask
        margin = int(np.ceil(clip_mm / skeleton.grid.spacing.min()))
        spans = []
        for axis in range(3):
            hit = np.flatnonzero(mask.any(axis=tuple(a for a in range(3) if a != axis)))
            spans.append((max(int(hit[0]) - margin, 0), min(int(hit[-1]) + margin + 1, mask.shape[axis])))
        (a, b), (c, d), (e, f) = spans
        grid = skeleton.grid.cropped(spans)
        distance = sub_voxel_field(mask[a:b, c:d, e:f], grid, skeleton.points)
        distance = np.clip(distance, -clip_mm, clip_mm)
        slope = np.stack([np.gradient(distance, axis=k).astype(np.float16).reshape(-1) for k in range(3)], axis=-1)
        return cls(distance, slope.astype(np.float32), grid, skeleton.scan_grid)

    def exact(self, world: Floats) -> tuple[Floats, Floats]:
        """Distance at ``(..., 3)`` LPS points, to first order from the nearest voxel, and its LPS gradient."""
        index = self.grid.to_index(world).astype(np.float32)
        last = np.asarray(self.grid.shape, np.float32) - 1
        index = np.clip(index, 0, last)
        cell = np.rint(index)
        whole = cell.astype(np.int32)
        flat = (whole[..., 0] * self.grid.shape[1] + whole[..., 1]) * self.grid.shape[2] + whole[..., 2]
        slope = self.slope[flat]
        value = self.distance.reshape(-1)[flat] + ((index - cell) * slope).sum(axis=-1)
        turn = (self.grid.directions / self.grid.spacing).T.astype(np.float32)
        return value, slope @ turn


@dataclass(frozen=True, eq=False)
class Poses:
    """K rigid maps from fixed to moving: ``rotation`` (K, 3, 3), ``shift`` (K, 3), ``score`` (K,) mm, low is good."""

    rotation: Floats
    shift: Floats
    score: Floats

    def take(self, which: Any) -> Poses:
        return Poses(self.rotation[which], self.shift[which], self.score[which])

    def rigid(self, k: int) -> Rigid:
        """Pose ``k`` as a motion from fixed to moving."""
        matrix = np.eye(4)
        u, _, vt = np.linalg.svd(self.rotation[k])
        matrix[:3, :3] = u @ vt
        matrix[:3, 3] = self.shift[k]
        return Rigid(matrix)

    def apply(self, points: Floats) -> Floats:
        """(K, N, 3) moved points."""
        return np.asarray(points @ np.swapaxes(self.rotation, 1, 2) + self.shift[:, None, :])

    @classmethod
    def joined(cls, parts: list[Poses]) -> Poses:
        return cls(
            np.concatenate([p.rotation for p in parts]),
            np.concatenate([p.shift for p in parts]),
            np.concatenate([p.score for p in parts]),
        )


def spread_out(points: NDArray[Any], count: int, seed: int = 3) -> NDArray[np.intp]:
    """Indices of at most ``count`` points, drawn without replacement, the same every time."""
    if len(points) <= count:
        return np.arange(len(points))
    return np.sort(np.random.default_rng(seed).permutation(len(points))[:count])


def search(fixed_points: Floats, moving: Skeleton, field: Field, about: Floats, keep: int) -> Poses:
    """Distinct rough poses, best first.

    Parameters
    ----------
    fixed_points : (N, 3) LPS mm on the bone beside the lesion, the lesion's neighbourhood left out.
    moving : the moving skeleton; every bone long enough is tried as the counterpart.
    about : LPS mm in the fixed scan; poses are distinct by where they take this point.
    """
    few = fixed_points[spread_out(fixed_points, SEARCH_POINTS)]
    centre = fixed_points.mean(axis=0)
    axis = _main_axis(fixed_points)
    length = float(np.ptp((fixed_points - centre) @ axis))
    along = [_along_bone(few, centre, axis, length, bone, field=field) for bone in _counterparts(moving, length)]
    every = Poses.joined([best for best, _ in along] + [_as_laid(few, centre, moving, field)])
    order = np.argsort(every.score, kind="stable")
    chosen = every.take(_distinct(every.take(order), about, centre, order, 9.0, mm=5.0, keep=SHORT_FITS))
    slid = Poses.joined([slides for _, slides in along])
    slid = slid.take(np.argsort(slid.score, kind="stable")[:SLIDE_FITS])
    slid = slid.take(slid.score < 1e3)
    poses = short_fits(few, field, Poses.joined([chosen, slid]), steps=9)
    order = np.argsort(poses.score, kind="stable")
    poses = poses.take(_distinct(poses.take(order), about, centre, order, 6.0, mm=3.0, keep=MIDDLE_FITS))
    more = fixed_points[spread_out(fixed_points, 2 * SEARCH_POINTS, seed=5)]
    poses = short_fits(more, field, poses, steps=8, last_scale_mm=0.6)
    order = np.argsort(poses.score, kind="stable")
    return poses.take(_distinct(poses.take(order), about, centre, order, 4.0, mm=3.0, keep=keep))


def _main_axis(points: Floats) -> Floats:
    _, vectors = np.linalg.eigh(np.cov((points - points.mean(axis=0)).T))
    return np.asarray(vectors[:, 2])


def _counterparts(moving: Skeleton, length: float) -> list[Bone]:
    """Moving bones that could be the one beside the lesion: at least 30 % of its length, at most five."""
    fitting = [bone for bone in moving.bones if bone.extent_mm >= LEAST_COUNTERPART * length]
    return (fitting or list(moving.bones))[:5]


def _basis(axis: Floats) -> Floats:
    """(3, 3) rows: two unit vectors across, then the axis."""
    helper = np.eye(3)[int(np.argmin(np.abs(axis)))]
    first = np.cross(axis, helper)
    first /= np.linalg.norm(first)
    return np.stack([first, np.cross(axis, first), axis])


def _half_widths(points: Floats, axis: Floats) -> Floats:
    """Half of the extent across an axis in the wider and the narrower direction."""
    flat = points - np.outer(points @ axis, axis)
    flat = flat - flat.mean(axis=0)
    _, vectors = np.linalg.eigh(np.cov(flat.T))
    return np.asarray(np.ptp(flat @ vectors[:, [2, 1]], axis=0) / 2)


def _cross_shifts(spare: Floats) -> Floats:
    """(K, 2) shifts across: a cross of one step, or as far as a wider part (two bones that touch) leaves room."""
    steps = [np.arange(-n, n + 1) * CROSS_SHIFT_MM for n in np.clip(np.ceil(spare / CROSS_SHIFT_MM), 1, 4).astype(int)]
    grid = np.stack(np.meshgrid(*steps, indexing="ij"), axis=-1).reshape(-1, 2)
    corner = (np.abs(grid) == CROSS_SHIFT_MM).all(axis=1)
    return grid[~corner] if len(grid) == 9 else grid


def _score_shifts(turned: Floats, shifts: Floats, field: Field) -> Floats:
    """(K,) scores of one rotation with many shifts. ``turned`` (N, 3) are rotated points, ``shifts`` (K, 3)."""
    cell, place = field.grid.inverse[:3, :3].T, field.scan_grid.inverse[:3, :3].T
    last = np.asarray(field.scan_grid.shape, float) - 1
    score = np.empty(len(shifts))
    score_shifts(
        field.distance,
        field.grid.to_index(turned),
        shifts @ cell,
        field.scan_grid.to_index(turned),
        shifts @ place,
        last,
        CLIP_MM,
        OVERLAP_PENALTY_MM,
        LEAST_OVERLAP,
        score,
    )
    return score


def _best(rotation: Floats, shifts: Floats, score: Floats, keep: int) -> Poses:
    best = np.argsort(score)[:keep]
    return Poses(np.repeat(rotation[None], len(best), axis=0), shifts[best], score[best])


def _along_bone(
    few: Floats, centre: Floats, axis: Floats, length: float, bone: Bone, *, field: Field
) -> tuple[Poses, Poses]:
    """Both directions of the bone's axis, all turns about it, slides along it and shifts across.

    Returns the best of all, and the best two of every slide and direction.
    """
    source = _basis(axis)
    reach = max((length + bone.extent_mm) / 2 - LEAST_ALONG * min(length, bone.extent_mm), SLIDE_STEP_MM)
    slides = np.arange(-reach, reach + SLIDE_STEP_MM, SLIDE_STEP_MM)
    spare = np.array(bone.half_widths) - _half_widths(few, axis)
    cross = _cross_shifts(spare)
    found, by_slide = [], []
    for direction in (1.0, -1.0):
        target = _basis(direction * bone.axis)
        shifts = (cross[None] @ bone.across + slides[:, None, None] * target[2]).reshape(-1, 3)
        turns = []
        for degrees in np.arange(0.0, 360.0, ANGLE_STEP_DEG):
            c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
            rotation = target.T @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ source
            moved = bone.centre - rotation @ centre + shifts
            score = _score_shifts(few @ rotation.T, moved, field)
            found.append(_best(rotation, moved, score, 12))
            table = score.reshape(len(slides), -1)
            first = table.argmin(axis=1) + np.arange(len(slides)) * table.shape[1]
            turns.append(Poses(np.repeat(rotation[None], len(slides), axis=0), moved[first], score[first]))
        ranks = np.argsort(np.stack([turn.score for turn in turns]), axis=0)[:2]
        by_slide += [turns[ranks[r, k]].take([k]) for r in range(2) for k in range(len(slides))]
    return Poses.joined(found), Poses.joined(by_slide)


def _as_laid(few: Floats, centre: Floats, moving: Skeleton, field: Field) -> Poses:
    """Usual ways of lying (as before, prone, feet first, turned about the table axis), on the centre of each bone."""
    found = []
    steps = np.array([-16.0, 0.0, 16.0])
    shifts = np.stack(np.meshgrid(steps * 2, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)[:, ::-1]
    for flip in (np.eye(3), np.diag([1.0, -1.0, -1.0])):
        for degrees in np.arange(0.0, 360.0, 15.0):
            turn = Rigid.from_vectors((0, 0, np.radians(degrees)), (0, 0, 0)).matrix[:3, :3]
            rotation = turn @ flip
            turned = few @ rotation.T
            for bone in moving.bones[:3]:
                moved = bone.centre - rotation @ centre + shifts
                found.append(_best(rotation, moved, _score_shifts(turned, moved, field), 12))
            if degrees in (0.0, 180.0):
                moved = np.vstack([np.zeros(3), shifts])
                found.append(_best(rotation, moved, _score_shifts(turned, moved, field), 12))
    return Poses.joined(found)


def _distinct(
    ordered: Poses, about: Floats, centre: Floats, names: NDArray[np.intp], degrees: float, *, mm: float, keep: int
) -> NDArray[np.intp]:
    """Names of the best poses that differ by an angle or by where they take two points."""
    spots = ordered.apply(np.stack([about, centre]))
    chosen: list[int] = []
    least_trace = 1 + 2 * np.cos(np.radians(degrees))
    for k in range(min(len(ordered.score), 8 * keep)):
        if ordered.score[k] >= 1e3:
            break
        if chosen:
            trace = np.einsum("kij,ij->k", ordered.rotation[chosen], ordered.rotation[k])
            apart = np.linalg.norm(spots[chosen] - spots[k], axis=2).max(axis=1)
            if ((trace > least_trace) & (apart < mm)).any():
                continue
        chosen.append(k)
        if len(chosen) >= keep:
            break
    return names[chosen]


def short_fits(points: Floats, field: Field, poses: Poses, steps: int, last_scale_mm: float = 1.5) -> Poses:
    """All poses at once, a few robust Gauss-Newton steps of point-to-surface distance each."""
    rotation, shift = poses.rotation.copy(), poses.shift.copy()
    cell, place = field.grid.inverse, field.scan_grid.inverse
    turn_of_slope = (field.grid.directions / field.grid.spacing).T
    last = np.asarray(field.scan_grid.shape, float) - 1
    count = len(shift)
    normal, side, middle, arm = np.empty((count, 6, 6)), np.empty((count, 6)), np.empty((count, 3)), np.empty(count)
    for scale in np.geomspace(6.0, last_scale_mm, steps):
        pull_of_surface(
            points, field.distance, field.slope, cell[:3, :3], cell[:3, 3], turn_of_slope,
            place[:3, :3], place[:3, 3], last, scale, rotation, shift, normal, side, middle, arm,
        )  # fmt: skip
        # Damping in mm: a turn counts by the arm of the points, so that an unpinned turn does not run away.
        damping = np.concatenate([np.repeat(arm[:, None], 3, 1), np.ones((count, 3))], axis=1)
        system = np.tril(normal) + np.swapaxes(np.tril(normal, -1), 1, 2)
        system += np.eye(6) * (1e-3 * len(points) * damping)[:, None, :]
        update = -np.linalg.solve(system, side[..., None])[..., 0]
        turn = rotations_from_vectors(np.clip(update[:, :3], -LARGEST_TURN, LARGEST_TURN))
        rotation = turn @ rotation
        shift = (
            np.einsum("kij,kj->ki", turn, shift - middle)
            + middle
            + np.clip(update[:, 3:], -LARGEST_SHIFT_MM, LARGEST_SHIFT_MM)
        )
    fitted = Poses(rotation, shift, poses.score)
    return Poses(rotation, shift, trimmed_score(points, field, fitted))


def trimmed_score(points: Floats, field: Field, poses: Poses, clip_mm: float = 4.0, trim: float = 0.9) -> Floats:
    """Mean of the smallest 90 % of clipped distances of the points inside the scan, plus the overlap penalty."""
    moved = poses.apply(points)
    value, _ = field.exact(moved)
    inside = field.scan_grid.contains(moved)
    distance = np.where(inside, np.minimum(np.abs(value), clip_mm), np.nan)
    counted = inside.sum(axis=1)
    overlap = counted / len(points)
    ordered = np.sort(distance, axis=1)
    kept = np.maximum((trim * counted).astype(int), 1)
    mask = np.arange(len(points)) < kept[:, None]
    score = np.where(mask, ordered, 0).sum(axis=1) / kept + OVERLAP_PENALTY_MM * (1 - overlap)
    return np.where(overlap < LEAST_OVERLAP, 1e3, score)


def rotations_from_vectors(vectors: Floats) -> Floats:
    """(K, 3, 3) rotation matrices of (K, 3) rotation vectors (Rodrigues)."""
    angle = np.linalg.norm(vectors, axis=1)
    unit = vectors / np.maximum(angle, 1e-12)[:, None]
    cross = np.zeros((len(vectors), 3, 3))
    cross[:, 0, 1], cross[:, 0, 2], cross[:, 1, 2] = -unit[:, 2], unit[:, 1], -unit[:, 0]
    cross[:, 1, 0], cross[:, 2, 0], cross[:, 2, 1] = unit[:, 2], -unit[:, 1], unit[:, 0]
    sine, cosine = np.sin(angle)[:, None, None], np.cos(angle)[:, None, None]
    return np.asarray(np.eye(3) + sine * cross + (1 - cosine) * (cross @ cross))
