"""The bone's own contour where a lesion touches it or is fused with it.

Around the bone's centre line its surface is a height map: radius over level and angle. A lesion in contact is a bump
on that map. The section of a shaft changes slowly along it, edges and ridges included: at every angle the map is
carried from the free levels above and below. What the free places beside the lesion show besides is continued beneath
it as smoothly as the shaft allows (minimal bending: the smoothing of Whittaker 1923, 10.1017/S0013091500077853, in two
directions), and pulled to the cortex edge wherever one is still visible through the lesion.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from ..base import Floats
from .height_map import bend, carried_along
from .zone import LesionZone

LEVEL_MM = 1.5
ANGLES = 72
DEPTH_MM = 0.75
LARGEST_RADIUS_MM = 55.0
WINDOW_MM = 60.0
"""Length of free bone looked at above and below the lesion."""
CONTACT_MARGIN_MM = 4.0
PASSING_MM = 2.5
SECTION_MM = 5.0
"""Length of bone whose middle is one point of its centre line."""
LEAST_FREE = 60
"""Surface points that make free bone on one side of the lesion."""
LEAST_LEVELS = 10
"""Levels that make a shaft."""
LEAST_SEEN = 0.15
"""Share of the map that must be seen free of the lesion."""
UNSEEN_MM = 99.0
"""Stands for the radius of a ray that met no surface: beyond any bone."""
CARRIED_WEIGHT, OUTLINE_WEIGHT, EDGE_WEIGHT = 0.3, 0.4, 0.6
"""What counts beneath the lesion, free bone having weight one: the contour of another scan, the surface found there
where it agrees with the course, an edge of cortex that does (own phantoms)."""
LEAST_STEP_HU, LEAST_CORTEX_HU = 250.0, 500.0
"""An edge of cortex falls by at least so much from at least so much (own judgement)."""
BELIEVED_MM = 1.2
"""An edge this close to the continued contour is taken for the bone's own."""


class DistanceAt(Protocol):
    """Signed distance in mm to a bone at ``(..., 3)`` LPS points, negative inside."""

    def __call__(self, world: Floats) -> Floats: ...


@dataclass(frozen=True, eq=False)
class Bridge:
    """Radius of the bone over level and angle.

    ``centre`` (L, 3) LPS mm of the centre line, ``frame`` (3, 3) rows: two directions across, then the axis;
    ``radius`` (L, A) mm; ``suspect`` (L, A) bool: where the lesion may hide the contour; ``seen`` (L, A) bool: where an
    edge carried the radius; ``first`` the axial coordinate of level 0. ``one_sided``: free bone on one side only;
    ``zone``: where the lesion lies, beyond which nothing is taken from the bone.
    """

    centre: Floats
    frame: Floats
    radius: Floats
    suspect: NDArray[np.bool_]
    seen: NDArray[np.bool_]
    first: float
    one_sided: bool
    zone: LesionZone

    def line_within(self) -> tuple[Floats, float]:
        """(N, 3) LPS mm of the centre line at the suspect levels, and how far the contour lies from it at most."""
        rows = np.flatnonzero(self.suspect.any(axis=1))
        return self.centre[max(int(rows[0]) - 1, 0) : int(rows[-1]) + 2], float(self.radius.max()) + LEVEL_MM

    def spots(self) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """Points (N, 3) of the continued surface, outward directions, and whether each was seen."""
        level, angle = np.nonzero(self.suspect)
        turn = angle * 2 * np.pi / self.suspect.shape[1]
        ray = np.cos(turn)[:, None] * self.frame[0] + np.sin(turn)[:, None] * self.frame[1]
        return self.centre[level] + self.radius[level, angle][:, None] * ray, ray, self.seen[level, angle]

    def locate(self, world: Floats) -> tuple[Floats, Floats, Floats]:
        """Fractional level, fractional angle cell and distance from the centre line of ``(N, 3)`` points."""
        level = (world @ self.frame[2] - self.first) / LEVEL_MM
        inside = np.clip(level, 0, len(self.centre) - 1)
        low = np.minimum(inside.astype(int), len(self.centre) - 2)
        part = (inside - low)[:, None]
        middle = self.centre[low] * (1 - part) + self.centre[low + 1] * part
        x, y = (world - middle) @ self.frame[0], (world - middle) @ self.frame[1]
        angle = (np.arctan2(y, x) / (2 * np.pi) * ANGLES) % ANGLES
        return level, angle, np.hypot(x, y)

    def astray(self, world: Floats) -> Floats:
        """mm (N,) by which points of the bone's surface lie off the contour: much where the bone is no shaft."""
        level, angle, radial = self.locate(world)
        at = np.stack([np.clip(level, 0, len(self.centre) - 1), angle])
        wrapped = np.concatenate([self.radius, self.radius[:, :1]], axis=1)
        return np.asarray(np.abs(radial - map_coordinates(wrapped, at, order=1, mode="nearest")))

    def distance(self, world: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        """Signed mm outside the continued contour at ``(N, 3)`` points, and where it applies; infinite elsewhere."""
        last = len(self.centre) - 1
        level = (world @ self.frame[2] - self.first) / LEVEL_MM
        row = np.clip(np.rint(np.clip(level, 0, last)).astype(int), 0, last)
        chosen = np.flatnonzero(np.asarray(self.suspect.any(axis=1))[row])
        distance, applies = np.full(len(world), np.inf), np.zeros(len(world), bool)
        distance[chosen], applies[chosen] = self._distance(world[chosen])
        return distance, applies

    def _distance(self, world: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        level, angle, radial = self.locate(world)
        applies = (level >= 0) & (level <= len(self.centre) - 1)
        at = np.stack([np.clip(level, 0, len(self.centre) - 1), angle])
        wrapped = np.concatenate([self.radius, self.radius[:, :1]], axis=1)
        radius = map_coordinates(wrapped, at, order=1, mode="nearest")
        row = np.clip(np.rint(at[0]).astype(int), 0, len(self.centre) - 1)
        applies &= self.suspect[row, np.rint(angle).astype(int) % ANGLES]
        distance = radial - radius
        # A bone with a second limb, as a hip has, goes on beyond its contour and beyond the lesion.
        taken = applies & (distance >= 0)
        applies[taken] = within(self.zone, world[taken], CONTACT_MARGIN_MM)
        return distance, applies


def bridge(
    distance_at: DistanceAt,
    hu_at: Any,
    points: Floats,
    axis: Floats,
    zone: LesionZone,
    *,
    carried_at: DistanceAt | None = None,
) -> Bridge | None:
    """Continue the bone's contour beneath a lesion.

    Parameters
    ----------
    distance_at : signed distance to bone and whatever is fused with it.
    hu_at : HU at ``(..., 3)`` LPS points.
    points : (N, 3) LPS mm on the surface of that bone.
    axis : its LPS unit vector.
    zone : where the lesion lies.
    carried_at : signed distance to the same bone as seen in another scan without contact, already lined up.

    Returns
    -------
    Bridge or None
        None where too little free bone is in view or the bone has no centre line.
    """
    free = _free_bone(points, axis, zone)
    if free is None:
        return None
    levels, centre = free.levels, free.centre
    if len(levels) < LEAST_LEVELS:
        return None
    angles = np.arange(ANGLES) * 2 * np.pi / ANGLES
    rays = np.cos(angles)[:, None] * free.frame[0] + np.sin(angles)[:, None] * free.frame[1]
    depths = np.arange(0.0, LARGEST_RADIUS_MM, DEPTH_MM)
    world = centre[:, None, None, :] + depths[:, None] * rays[None, :, None, :]
    radius = _first_crossing(distance_at(world), depths)
    suspect = within(zone, _spots(centre, rays, radius), CONTACT_MARGIN_MM)
    # Rays that pass the lesion are suspect whatever radius they found.
    passing = within(zone, world, PASSING_MM).any(axis=2)
    suspect |= passing & (np.nan_to_num(radius, nan=UNSEEN_MM) > 0)
    weight = np.where(np.isfinite(radius) & ~suspect, 1.0, 0.0)
    if weight.sum() < LEAST_SEEN * weight.size:
        return None
    if carried_at is not None:
        start = _first_crossing(carried_at(world), depths)
        known = np.isfinite(start)
        radius = np.where(suspect & known, start, radius)
        weight = np.where(suspect & known, CARRIED_WEIGHT, weight)
    smooth, seen = _continued(hu_at, centre, rays, radius, weight, suspect=suspect)
    return Bridge(centre, free.frame, smooth, suspect, seen, float(levels[0]), free.one_sided, zone)


@dataclass(frozen=True, eq=False)
class _Free:
    """Where a bone runs: coordinates along the axis of its ``levels`` (L,), their middles ``centre`` (L, 3) LPS mm, the
    ``frame`` of the axis, and whether free bone lies on one side of the lesion only."""

    levels: Floats
    centre: Floats
    frame: Floats
    one_sided: bool


def _free_bone(points: Floats, axis: Floats, zone: LesionZone) -> _Free | None:
    """The centre line of a bone by its surface above and below the lesion; ``None`` where too little is in view."""
    lesion = zone.centre
    free = zone.apart(points, CONTACT_MARGIN_MM) > CONTACT_MARGIN_MM
    for _ in range(2):
        reach = zone.half_length(axis) + CONTACT_MARGIN_MM
        along = (points - lesion) @ axis
        window = np.abs(along) < reach + WINDOW_MM
        aside = window & (np.abs(along) > reach)
        if aside.sum() < LEAST_FREE:
            return None
        bent = min((along[aside] < 0).sum(), (along[aside] > 0).sum()) >= LEAST_FREE
        centre_line, axis = _centre_line(points[aside], points[window & free], axis, bent)
    along = (points[window] - lesion) @ axis
    base = float(lesion @ axis)
    levels = np.arange(base + along.min() + 2, base + along.max() - 2, LEVEL_MM)
    one_sided = bool(min((along < -reach).sum(), (along > reach).sum()) < LEAST_FREE)
    return _Free(levels, centre_line(levels), frame_of(axis), one_sided)


def _continued(
    hu_at: Any, centre: Floats, rays: Floats, radius: Floats, weight: Floats, *, suspect: NDArray[np.bool_]
) -> tuple[Floats, NDArray[np.bool_]]:
    """Radius (L, A) continued beneath the lesion and pulled to the edges believed there, and where one was."""
    section = carried_along(np.nan_to_num(radius), weight)
    smooth = section + bend(np.nan_to_num(radius) - section, weight)
    seen = np.zeros_like(suspect)
    for _ in range(3):
        edge = edge_near(hu_at, centre, rays, smooth)
        own = suspect & (np.abs(edge - smooth) < BELIEVED_MM)
        outline = suspect & ~own & (np.abs(np.nan_to_num(radius, nan=UNSEEN_MM) - smooth) < BELIEVED_MM)
        seen = own | outline
        value = np.where(own, edge, np.nan_to_num(radius))
        weight_now = np.where(own, EDGE_WEIGHT, np.where(outline, OUTLINE_WEIGHT, weight))
        smooth = section + bend(value - section, weight_now)
    return smooth, seen


def within(zone: LesionZone, world: Floats, margin: float) -> NDArray[np.bool_]:
    """Whether ``(..., 3)`` LPS points lie in the lesion or within a margin of it."""
    inside = np.asarray(np.linalg.norm(world - zone.centre, axis=-1) < zone.radius + margin)
    if zone.surface is not None:
        inside[inside] = zone.apart(world[inside], margin) < margin
    return inside


def frame_of(axis: Floats) -> Floats:
    helper = np.eye(3)[int(np.argmin(np.abs(axis)))]
    first = np.cross(axis, helper)
    first /= np.linalg.norm(first)
    return np.stack([first, np.cross(axis, first), axis])


def _centre_line(aside: Floats, free: Floats, axis: Floats, bent: bool) -> tuple[Any, Floats]:
    """A curve through the middles of sections above and below the lesion, and its mean direction.

    It is quadratic where ``bent``; with free bone on one side only, a straight line goes less astray.
    """
    along = aside @ axis
    middles, where = [], []
    for start in np.arange(along.min(), along.max(), SECTION_MM):
        ring = aside[(along >= start) & (along < start + SECTION_MM)]
        if len(ring) >= 12:
            across = ring - np.outer(ring @ axis, axis)
            middles.append((across.min(axis=0) + across.max(axis=0)) / 2)
            where.append(start + SECTION_MM / 2)
    if len(where) < 4:
        across = free - np.outer(free @ axis, axis)
        middle = np.median(across, axis=0)
        return (lambda levels: middle + np.outer(levels, axis)), axis
    place, middle_of = np.array(where), np.array(middles)
    mean, span = float(place.mean()), max(float(np.ptp(place)), 1.0)
    degree = 2 if bent and len(where) >= 8 else 1
    table = np.vander((place - mean) / span, degree + 1)
    weight = np.ones(len(place))
    for _ in range(4):
        found = np.linalg.lstsq(table * weight[:, None], middle_of * weight[:, None], rcond=None)[0]
        off = np.linalg.norm(middle_of - table @ found, axis=1)
        weight = 1 / (1 + (off / max(float(np.median(off)) * 2, 0.5)) ** 2)
    slope = found[-2] / span
    turned = axis + slope - (slope @ axis) * axis
    turned /= np.linalg.norm(turned)

    def line(levels: Floats) -> Floats:
        at = np.vander((levels - mean) / span, degree + 1) @ found
        spots = at + np.outer(levels, axis)
        # Slide every spot along the curve onto the plane of its level in the turned frame.
        return np.asarray(spots + np.outer(levels - spots @ turned, turned))

    return line, turned


def _spots(centre: Floats, rays: Floats, radius: Floats) -> Floats:
    return np.asarray(centre[:, None, :] + np.nan_to_num(radius, nan=1e3)[..., None] * rays[None])


def _first_crossing(field: Floats, depths: Floats) -> Floats:
    """Radius where the field first turns positive from inside, per ray; NaN where it never does or starts outside."""
    outside = field > 0
    started = ~outside[..., :4].all(axis=-1)
    first = np.argmax(outside & (np.cumsum(~outside, axis=-1) > 0), axis=-1)
    found = started & (first > 0)
    before = np.maximum(first - 1, 0)
    a = np.take_along_axis(field, before[..., None], axis=-1)[..., 0]
    b = np.take_along_axis(field, first[..., None], axis=-1)[..., 0]
    part = np.clip(-a / np.where(b > a, b - a, 1.0), 0, 1)
    return np.where(found, depths[before] + part * DEPTH_MM, np.nan)


def edge_near(hu_at: Any, centre: Floats, rays: Floats, radius: Floats) -> Floats:
    """Radius of the cortex edge next to a contour: half way from the cortex to what lies outside, NaN if unclear."""
    offsets = np.arange(-4.0, 3.01, 0.5)
    at = radius[..., None] + offsets
    world = centre[:, None, None, :] + at[..., None] * rays[None, :, None, :]
    values = np.nan_to_num(hu_at(world), nan=-1000.0)
    top = np.argmax(np.where(offsets <= 1.0, values, -np.inf), axis=-1)
    peak = np.take_along_axis(values, top[..., None], axis=-1)[..., 0]
    beyond = np.arange(len(offsets)) >= top[..., None]
    low = np.where(beyond, values, np.inf).min(axis=-1)
    half = (peak + low) / 2
    below = beyond & (values < half[..., None])
    first = np.argmax(below, axis=-1)
    before = np.maximum(first - 1, 0)
    a = np.take_along_axis(values, before[..., None], axis=-1)[..., 0]
    b = np.take_along_axis(values, first[..., None], axis=-1)[..., 0]
    part = np.clip((a - half) / np.where(a > b, a - b, 1.0), 0, 1)
    edge = radius + offsets[before] + part * 0.5
    clear = below.any(axis=-1) & (first > 0) & (peak - low > LEAST_STEP_HU) & (peak > LEAST_CORTEX_HU)
    return np.where(clear, edge, np.nan)
