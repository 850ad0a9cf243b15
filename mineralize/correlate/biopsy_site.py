"""Geometry of one biopsy site in one scan: depth, zone, direction, attenuation, rim there, path, track."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..base import Floats, Volume, ZoneSettings
from ..lesion import Outline, signed_depth
from ..measure import RimMap
from .statements import RimState, Zone
from .states import NO_RIM

BALL_RADIUS_MM = 2.5
"""Attenuation is read in a ball of 5 mm diameter."""
FEWEST_VOXELS = 5
"""Below this number of native voxels in the ball its attenuation is interpolated."""
PATH_STEP_MM = 0.25
RIM_REACH_MM = 3.0
"""The rim is judged over the outline within this distance of where the path enters."""
CLEAR_SHARE = 0.6
"""Share of that area from which one state of the rim is said to hold there."""
MINERAL_HU = 150.0
"""A target reads as mineral from here, the threshold of the measurements (the scan's own voltage; a working limit)."""
EDGE_SHARE = 0.2
"""Share of that area from which rim and gap both lie there, at the edge of a gap."""
FINEST_MM = 0.05
"""Step at which the search for the deepest place ends."""
TRACK_REACH_MM, TRACK_STEP_MM = 6.0, 0.75
"""How far off the path gas is looked for at most, whatever the position's error, and the rings in which it is."""
GAS_HU = -300.0
"""Gas with partial volume; fat ends at -190 HU (Aubrey 2014)."""
BODY_HU = -200.0
"""All round a point well inside the body, 10 mm away, tissue is denser than this."""


@dataclass(frozen=True, eq=False)
class Inside:
    """A lesion sampled for depths: inradius, centroid and the share of the volume in each zone."""

    outline: Outline
    inradius_mm: float
    rim_mm: float
    core_mm: float
    centroid: Floats
    shares: tuple[tuple[Zone, float], ...]

    def zone(self, depth_mm: float) -> Zone:
        """The zone of a depth; rim and core as defined for the measurements."""
        if depth_mm < 0:
            return "outside"
        if depth_mm <= self.rim_mm:
            return "rim"
        return "core" if depth_mm > self.core_mm else "middle"


def depths(outline: Outline, points: Any) -> Floats:
    """(N,) mm below the outline of (N, 3) LPS points; negative outside."""
    return np.asarray(signed_depth(outline, points), float)


def look_inside(outline: Outline, settings: ZoneSettings, *, across: int = 26) -> Inside:
    """Depths sampled on a lattice of about ``across`` points over the longest side, refined at the deepest point."""
    low, high = outline.vertices.min(axis=0), outline.vertices.max(axis=0)
    step = float((high - low).max()) / across
    axes = [np.arange(a + step / 2, b, step) for a, b in zip(low, high, strict=True)]
    points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    depth = depths(outline, points)
    inside = depth > 0
    if not inside.any():
        raise ValueError("expected an outline with an inside")
    deepest, best = points[int(depth.argmax())], float(depth.max())
    while step > FINEST_MM:
        step /= 2
        around = deepest + step * (np.indices((3, 3, 3)).reshape(3, -1).T - 1.0)
        near = depths(outline, around)
        if near.max() > best:
            best, deepest = float(near.max()), around[int(near.argmax())]
    rim, core = min(settings.rim_depth_mm, best / 3), settings.core_depth_fraction * best
    held = depth[inside]
    shares: tuple[tuple[Zone, float], ...] = (
        ("rim", float((held <= rim).mean())),
        ("middle", float(((held > rim) & (held <= core)).mean())),
        ("core", float((held > core).mean())),
    )
    return Inside(outline, best, rim, core, points[inside].mean(axis=0), shares)


def path_through(
    inside: Inside, entry: Any, target: Any
) -> tuple[tuple[tuple[Zone, float], ...], Floats | None, tuple[tuple[Zone, float, float], ...]]:
    """The straight path through the zones.

    Returns the length (mm) in each zone from the outside in, the point where the path enters the outline, and its
    stretches in order: zone, where it begins and where it ends, in mm from the entry.
    """
    a, b = np.asarray(entry, float), np.asarray(target, float)
    length = float(np.linalg.norm(b - a))
    count = max(int(np.ceil(length / PATH_STEP_MM)), 1)
    middles = (np.arange(count) + 0.5) / count
    points = a + middles[:, None] * (b - a)
    depth = depths(inside.outline, points)
    names = [inside.zone(float(d)) for d in depth]
    starts = [k for k in range(count) if k == 0 or names[k] != names[k - 1]]
    stops = [*starts[1:], count]
    runs = tuple((names[k], k * length / count, stop * length / count) for k, stop in zip(starts, stops, strict=True))
    order: tuple[Zone, ...] = ("rim", "middle", "core")
    lengths = tuple((zone, names.count(zone) * length / count) for zone in order if zone in names)
    if not lengths:
        return (), None, runs
    return lengths, points[int(np.argmax(depth >= 0))], runs


def ball(volume: Volume, point: Any) -> tuple[float, float] | None:
    """Mean and spread of HU within 2.5 mm of a point, over native voxels; ``None`` where the scan does not reach."""
    centre = np.asarray(point, float)
    if not volume.grid.contains(centre, BALL_RADIUS_MM):
        return None
    part = volume.around(centre[None], BALL_RADIUS_MM)
    near = np.linalg.norm(part.grid.world_of_all() - centre, axis=-1) <= BALL_RADIUS_MM
    if near.sum() >= FEWEST_VOXELS:
        values = part.hu[near].astype(float)
    else:
        steps = np.arange(-BALL_RADIUS_MM, BALL_RADIUS_MM + 0.1, 0.5)
        offsets = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
        values = volume.sample(centre + offsets[np.linalg.norm(offsets, axis=1) <= BALL_RADIUS_MM]).astype(float)
    return float(values.mean()), float(values.std())


def no_shell(rim_map: RimMap | None) -> bool:
    """Whether the whole outline is seen to be free of a shell: hardly any of it is mineral or unresolved."""
    if rim_map is None:
        return False
    held = rim_map.area_mm2[(rim_map.state == 1) | (rim_map.state == 2)].sum()
    return float(held) < NO_RIM * float(rim_map.area_mm2.sum())


def rim_there(outline: Outline, rim_map: RimMap | None, place: Any) -> RimState:
    """State of the rim over the outline within 3 mm of a point on or near it."""
    if rim_map is None or len(rim_map.state) != len(outline.vertices):
        return "not assessed"
    away = np.linalg.norm(outline.vertices - np.asarray(place, float), axis=1)
    reach = max(RIM_REACH_MM, float(away.min()) + 1.0)
    near = away <= reach
    area = rim_map.area_mm2[near]
    share = {s: float(area[rim_map.state[near] == s].sum() / area.sum()) for s in (0, 1, 2, 3)}
    if no_shell(rim_map) and share[3] < CLEAR_SHARE:
        return "gap"
    names: dict[int, RimState] = {0: "gap", 1: "present", 2: "unresolved", 3: "bone contact"}
    top = max(share, key=lambda s: share[s])
    if share[top] >= CLEAR_SHARE:
        return names[top]
    return "edge of a gap" if min(share[0], share[1]) >= EDGE_SHARE else names[top]


def nearest_on(outline: Outline, point: Any) -> Floats:
    """The outline vertex nearest to a point."""
    away = np.linalg.norm(outline.vertices - np.asarray(point, float), axis=1)
    return np.asarray(outline.vertices[int(away.argmin())])


def gas_along(volume: Volume, entry: Any, target: Any, error_mm: float) -> float:
    """Length (mm) of the path that has gas near it, inside the body, within 2.5 mm or the position's error."""
    a, b = np.asarray(entry, float), np.asarray(target, float)
    length = float(np.linalg.norm(b - a))
    count = max(int(np.ceil(length)), 1)
    points = a + ((np.arange(count) + 0.5) / count)[:, None] * (b - a)
    along = (b - a) / max(length, 1e-9)
    first = np.cross(along, np.eye(3)[int(np.abs(along).argmin())])
    first /= np.linalg.norm(first)
    second = np.cross(along, first)
    turn = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    circle = np.cos(turn)[:, None] * first + np.sin(turn)[:, None] * second
    radii = np.arange(0, max(BALL_RADIUS_MM, min(error_mm, TRACK_REACH_MM)) + 0.1, TRACK_STEP_MM)
    near = volume.sample(points[:, None, None] + radii[None, :, None, None] * circle[None, None])
    around = volume.sample(points[:, None] + 10.0 * circle[None])
    lowest = np.nanmin(np.where(np.isnan(near), np.inf, near), axis=(1, 2))
    # all round, not on average: under the skin half of the surroundings is air
    inside = np.where(np.isnan(around), -1000.0, around).min(axis=1) > BODY_HU
    return float(((lowest < GAS_HU) & inside).sum() * length / count)
