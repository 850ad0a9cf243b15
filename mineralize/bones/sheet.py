"""The bone's own contour beneath a lesion where the bone is no shaft: a hip bone, a shoulder blade, the end of a bone.

Looked at across the bone's surface where the lesion lies, that surface is a height map over a plane. Beside the lesion
it is seen; beneath it, it is continued as smoothly as it bends there (thin plate, Duchon 1977, from memory). The far
face of a plate is not hidden by a lesion on the near one: it says how the plate runs on and where it ends, and its
thickness changes slowly, so that the far face with the thickness carried beneath the lesion is the near one.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, sparse
from scipy.sparse.linalg import spsolve

from ..base import Floats, Grid
from .bridge import (
    BELIEVED_MM,
    CONTACT_MARGIN_MM,
    EDGE_WEIGHT,
    LEAST_FREE,
    OUTLINE_WEIGHT,
    PASSING_MM,
    Bridge,
    DistanceAt,
    edge_near,
    frame_of,
    within,
)
from .field import field_and_normal
from .zone import LesionZone

CELL_MM = 1.5
STEP_MM = 0.75
BESIDE_MM = 18.0
"""So far around what the lesion may hide the surface is looked at."""
DEEP_MM, HIGH_MM = 36.0, 18.0
"""Heights below and above the middle of the surface within which bone is looked for."""
FACING = 0.3
"""Least cosine between a surface and the lesion's direction for the surface to lie beside it."""
LEAST_AGREED = 0.4
"""Length of the mean of the normals there from which they have a direction in common."""
HIDDEN_WEIGHT, HALVED_MM = 0.3, 8.0
"""What a normal so near that it may be the lesion's counts, and how far off one counts half (own judgement)."""
STEEPEST = 0.45
"""Least cosine between the plane's normal and the surface's where the height map holds."""
PLATE_MM = 22.0
"""A bone no thicker than this is a plate, whose far face says how the near one runs on."""
STIFF = 0.3
"""Bending stiffness (cells) of the surface, free places having weight one."""
ASTRAY_MM = 2.5
"""A free place so far off the course of the others counts half."""
LEEWAY = 0.15
"""So much more per mm from what is free it may be astray before the far face is no longer that of the same plate."""
INNER_MM = 8.0
"""Below the near face by more than this, or than half a plate, nothing is changed."""
LOOKS = 12
"""Times that edges are looked for at most, the surface running on from those found."""
LEAST_KNOWN = 0.15
"""Share of the map that must be seen."""


@dataclass(frozen=True, eq=False)
class Sheet:
    """Height of a bone's surface over a plane.

    ``frame`` (3, 3) rows: two directions in the plane, then outward; ``corner`` (3,) LPS mm of cell (0, 0) of the
    plane; ``height`` (U, V) mm, ``floor`` (U, V) mm above which it applies, ``slope`` (U, V) cosine of the surface with
    the plane; ``suspect`` (U, V) bool: where the lesion may hide the surface; ``seen`` (U, V) bool: where an edge
    carried it; ``absent`` (U, V) bool: where no bone lies beneath. ``one_sided`` is never known of it.
    """

    frame: Floats
    corner: Floats
    height: Floats
    floor: Floats
    slope: Floats
    suspect: NDArray[np.bool_]
    seen: NDArray[np.bool_]
    absent: NDArray[np.bool_]
    zone: LesionZone
    one_sided: bool = False

    def line_within(self) -> tuple[Floats, float]:
        """(N, 3) LPS mm of the surface at the suspect cells, and how far around them it counts."""
        return self.spots()[0] if (self.suspect & ~self.absent).any() else self.zone.centre[None], CELL_MM

    def spots(self) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """Points (N, 3) of the continued surface, outward directions, and whether each was seen."""
        u, v = np.nonzero(self.suspect & ~self.absent)
        points = (
            self.corner
            + CELL_MM * (u[:, None] * self.frame[0] + v[:, None] * self.frame[1])
            + self.height[u, v][:, None] * self.frame[2]
        )
        return points, np.broadcast_to(self.frame[2], points.shape), self.seen[u, v]

    def distance(self, world: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        """Signed mm outside the continued contour at ``(N, 3)`` points, and where it applies; infinite elsewhere."""
        local = (world - self.corner) @ self.frame.T
        at = local[:, :2].T / CELL_MM
        limit = np.asarray(self.height.shape)[:, None] - 1
        inside = ((at >= 0) & (at <= limit)).all(axis=0)
        cell = tuple(np.clip(np.rint(at).astype(int), 0, limit))
        height = ndimage.map_coordinates(self.height, at, order=1, mode="nearest")
        distance = (local[:, 2] - height) * self.slope[cell]
        absent = self.absent[cell]
        distance = np.where(absent, np.maximum(distance, CELL_MM), distance)
        applies = inside & self.suspect[cell] & (local[:, 2] > self.floor[cell])
        applies[applies] = self.zone.apart(world[applies], CONTACT_MARGIN_MM) < CONTACT_MARGIN_MM
        applies |= inside & self.suspect[cell] & ~absent & (local[:, 2] > self.floor[cell]) & (distance < 0)
        return np.where(applies, distance, np.inf), applies


Continued = Bridge | Sheet
"""A bone's own contour beneath a lesion, along its shaft or across its surface."""


@dataclass(frozen=True, eq=False)
class _Map:
    """What is seen over the plane: ``foot`` (U, V, 3) LPS mm of the cells, heights (U, V) mm at which bone is left last
    (``near``) and met first (``far``), whether the lesion may hide the near face, and whether it is free."""

    foot: Floats
    outward: Floats
    near: Floats
    far: Floats
    suspect: NDArray[np.bool_]
    free: NDArray[np.bool_]


def sheet(
    field: NDArray[np.float32], grid: Grid, distance_at: DistanceAt, hu_at: Any, points: Floats, *, zone: LesionZone
) -> Sheet | None:
    """Continue a bone's surface beneath a lesion.

    Parameters
    ----------
    field, grid : signed distance to bone and whatever is fused with it.
    distance_at : the same at ``(..., 3)`` LPS points.
    hu_at : HU at ``(..., 3)`` LPS points.
    points : (N, 3) LPS mm on the surface of that bone.
    zone : where the lesion lies.

    Returns
    -------
    Sheet or None
        None where too little of the surface is seen beside the lesion.
    """
    plane = _plane(field, grid, points, zone)
    if plane is None:
        return None
    outward, middle = plane
    seen_here = _looked_at(field, grid, distance_at, zone, outward, middle=middle)
    if seen_here is None:
        return None
    height, base, sure, thick = _first_course(seen_here)
    far = np.nan_to_num(seen_here.far, nan=1e3, neginf=-1e3)
    # What is met first above the middle of the plate is the lesion, and no plate lies there.
    absent = seen_here.suspect & (far > height - 0.5 * thick)
    height, seen = _with_edges(seen_here, hu_at, height, base, sure, absent=absent)
    rise = np.gradient(height, CELL_MM)
    slope = 1.0 / np.sqrt(1.0 + rise[0] ** 2 + rise[1] ** 2)
    floor = np.where(far < height, np.maximum((height + far) / 2, height - INNER_MM), height - INNER_MM)
    floor = np.where(absent, height - INNER_MM, floor)
    frame = frame_of(seen_here.outward)
    return Sheet(frame, seen_here.foot[0, 0], height, floor, slope, seen_here.suspect, seen, absent, zone)


def _looked_at(
    field: NDArray[np.float32],
    grid: Grid,
    distance_at: DistanceAt,
    zone: LesionZone,
    outward: Floats,
    *,
    middle: Floats,
) -> _Map | None:
    """Both faces over the plane through ``middle``; ``None`` where too little is free."""
    frame = frame_of(outward)
    half = int(np.ceil((zone.radius + CONTACT_MARGIN_MM + BESIDE_MM) / CELL_MM))
    side = (np.arange(2 * half + 1) - half) * CELL_MM
    at = np.arange(-DEEP_MM, HIGH_MM + 1e-6, STEP_MM)
    foot = middle + side[:, None, None] * frame[0] + side[None, :, None] * frame[1]
    world = foot[:, :, None, :] + at[:, None] * outward
    values = np.asarray(distance_at(world))
    near, far = _last_leaving(values, at), _first_entering(values, at)
    found = np.isfinite(near)
    surface = foot + np.nan_to_num(near)[..., None] * outward
    suspect = within(zone, world, PASSING_MM).any(axis=2) | (found & within(zone, surface, CONTACT_MARGIN_MM))
    if not suspect.any():
        return None
    beside = ndimage.distance_transform_edt(~suspect) * CELL_MM <= BESIDE_MM
    free = found & ~suspect & beside
    if free.sum() < max(LEAST_FREE, LEAST_KNOWN * (beside & ~suspect).sum()):
        return None
    _, normals = field_and_normal(field, grid, surface[free])
    free[free] = normals @ outward > STEEPEST
    return _Map(foot, outward, near, far, suspect, free) if free.sum() >= LEAST_FREE else None


def _first_course(seen: _Map) -> tuple[Floats, Floats, Floats, Floats]:
    """The near face from its free places and the far face of a plate: heights, values and weights; then the
    thickness of the plate, 0 where it is none."""
    near = np.nan_to_num(seen.near)
    height, weight = _course(near, seen.free)
    thick = seen.near - seen.far
    plate = seen.free & np.isfinite(thick) & (thick < PLATE_MM) & (weight > 0.5)
    if plate.sum() <= 0.5 * seen.free.sum():
        return height, near, np.where(seen.free, 1.0, 0.0), np.zeros_like(height)
    usual = _bend(np.where(plate, thick, 0.0), np.where(plate, weight, 0.0))
    far = np.nan_to_num(seen.far, nan=-1e3, neginf=-1e3)
    # The far face is believed where it lies about as deep as the plate is thick.
    away = ndimage.distance_transform_edt(~seen.free) * CELL_MM
    beneath = seen.suspect & (np.abs(height - usual - far) < ASTRAY_MM + LEEWAY * away)
    value, sure = np.where(beneath, far + usual, near), np.where(beneath, 0.5, 1.0)
    height, _ = _course(value, seen.free | beneath, sure)
    return height, value, np.where(seen.free | beneath, sure, 0.0), np.maximum(usual, 0.0)


def _with_edges(
    seen: _Map, hu_at: Any, height: Floats, base: Floats, sure: Floats, *, absent: NDArray[np.bool_]
) -> tuple[Floats, NDArray[np.bool_]]:
    """The surface pulled to the edges of cortex that are seen beneath the lesion, and where one was.

    What is believed at the border of what is hidden shows how the surface runs on farther in.
    """
    there = seen.suspect & ~absent
    believed = np.zeros_like(there)
    near = np.nan_to_num(seen.near, nan=99.0)
    for _ in range(LOOKS):
        edge = edge_near(hu_at, seen.foot.reshape(-1, 3), seen.outward[None], height.reshape(-1, 1))
        edge = edge.reshape(height.shape)
        own = there & (np.abs(edge - height) < BELIEVED_MM)
        outline = there & ~own & (np.abs(near - height) < BELIEVED_MM)
        settled = bool(((own | outline) == believed).all())
        believed = own | outline
        value = np.where(own, edge, np.where(outline, near, base))
        weight = np.where(own, EDGE_WEIGHT, np.where(outline, OUTLINE_WEIGHT, sure))
        height = _bend(value, weight / (1.0 + ((value - height) / ASTRAY_MM) ** 2))
        if settled:
            break
    return height, believed


def _plane(field: NDArray[np.float32], grid: Grid, points: Floats, zone: LesionZone) -> tuple[Floats, Floats] | None:
    """Outward direction and middle of the surface that the lesion lies beside."""
    apart = zone.apart(points)
    close = apart < CONTACT_MARGIN_MM + BESIDE_MM
    near, apart = points[close], apart[close]
    if len(near) < LEAST_FREE:
        return None
    _, normals = field_and_normal(field, grid, near)
    off = zone.centre - near
    facing = np.einsum("ij,ij->i", normals, off) > FACING * np.linalg.norm(off, axis=1)
    if facing.sum() < LEAST_FREE:
        return None
    # What is hidden may be the lesion's own surface; what is far says little.
    weight = (
        facing
        * np.where(apart > CONTACT_MARGIN_MM, 1.0, HIDDEN_WEIGHT)
        / (1.0 + (np.maximum(apart, 0.0) / HALVED_MM) ** 2)
    )
    outward = (normals * weight[:, None]).sum(axis=0)
    size = float(np.linalg.norm(outward))
    if size < LEAST_AGREED * weight.sum():
        return None
    outward /= size
    height = np.average((near - zone.centre) @ outward, weights=weight)
    return outward, np.asarray(zone.centre + height * outward)


def _last_leaving(values: Floats, at: Floats) -> Floats:
    """Height of the last passage from bone to outside along every ray; NaN where there is none."""
    passes = (values[..., :-1] < 0) & (values[..., 1:] >= 0)
    last = passes.shape[-1] - 1 - np.argmax(passes[..., ::-1], axis=-1)
    return np.where(passes.any(axis=-1), _crossing(values, at, last), np.nan)


def _first_entering(values: Floats, at: Floats) -> Floats:
    """Height of the first passage from outside into bone, -inf where the ray begins in bone, NaN where none is met."""
    passes = (values[..., :-1] >= 0) & (values[..., 1:] < 0)
    first = np.argmax(passes, axis=-1)
    found = np.where(passes.any(axis=-1), _crossing(values, at, first), np.nan)
    return np.where(values[..., 0] < 0, -np.inf, found)


def _crossing(values: Floats, at: Floats, index: NDArray[np.intp]) -> Floats:
    a = np.take_along_axis(values, index[..., None], axis=-1)[..., 0]
    b = np.take_along_axis(values, index[..., None] + 1, axis=-1)[..., 0]
    return at[index] + a / np.where(a != b, a - b, 1.0) * STEP_MM


def _course(value: Floats, free: NDArray[np.bool_], base: Any = 1.0) -> tuple[Floats, Floats]:
    """The surface through the free places, those astray from it counting less, and their weights."""
    weight = np.where(free, base, 0.0)
    known = np.where(free, value, 0.0)
    level = float(np.median(value[free]))
    height = value
    for _ in range(4):
        height = level + _bend(known - level, weight)
        weight = np.where(free, base / (1.0 + ((known - height) / ASTRAY_MM) ** 2), 0.0)
    return height, weight


def _bend(value: Floats, weight: Floats) -> Floats:
    """The map that keeps the weighted values and bends least."""
    stiff = _stiffness(*value.shape)
    found = spsolve((stiff + sparse.diags(weight.ravel() + 1e-9)).tocsc(), (weight * value).ravel())
    return np.asarray(found.reshape(value.shape))


@lru_cache(maxsize=4)
def _stiffness(rows: int, columns: int) -> Any:
    """What bending costs over all cells of a map of that size, free at its edges (sparse)."""

    def second(n: int) -> Any:
        return sparse.diags([1.0, -2.0, 1.0], [0, 1, 2], shape=(n - 2, n))

    def first(n: int) -> Any:
        return sparse.diags([-1.0, 1.0], [0, 1], shape=(n - 1, n))

    along = sparse.kron(second(rows), sparse.eye(columns))
    across = sparse.kron(sparse.eye(rows), second(columns))
    twist = sparse.kron(first(rows), first(columns))
    return STIFF * (along.T @ along + across.T @ across + 2.0 * (twist.T @ twist))
