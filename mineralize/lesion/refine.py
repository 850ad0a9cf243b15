"""From the first surface to the sub-voxel edge along normals, and the shell's own course across gaps.

Numbers below without another source are own judgement, held against truth by ``scripts/validate``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..base import Floats, Settings, sample
from ..reference import Reference
from ..surface import (
    Edges,
    RayMesh,
    bending,
    dents,
    find_edges,
    highest_within,
    in_band,
    mean_curvature,
    profile_depths,
    smoothing_matrix,
    solve_radius,
    vertex_normals,
)
from .near import Neighbourhood
from .region import Margin
from .start import Ellipsoid

SHORT_SKIRTS = 0.07
"""A slice's box profile has shorter skirts than the Gaussian of the same variance that the layer fit assumes, which
sets edges across slices outward by about this share of the blur (own phantoms, slices of 1.5-3 mm)."""
ENDED_BY_BONE = 0.99
"""Share of its length at which a ray must meet bone for its vertex to count as lying on bone."""
SEARCHES_MM = (6.0, 4.0, 3.0, 3.0)
"""How far inward of the surface the shell is looked for, look after look."""
DEEPEST = 0.35
"""... but no deeper than this share of the mean radius: a look from a gap would meet the opposite side of the shell."""
BESIDE_BONE_MM, OVER_MM = 0.5, 1.5
"""Distance to bone at which an edge counts least, cortex blurring into it, and over which it comes to count whole."""
LEAST_BESIDE_BONE = 0.1
CARRIES = 0.1
"""Weight of an edge (0..1) from which it carries a vertex, rather than the soft margin."""
BENT_PER_MM = (-0.05, 0.3)
"""Mean curvature (1/mm) that is believed when blur's pull on an edge is undone: from flat to a ball of 3 mm."""
LEAST_BLUR_MM = 0.1
"""No blur counts as less."""
RESOLVED_MM = 0.8
"""Blur along the normal up to which an edge counts whole."""
DEEPEST_DENT, DENT_OVER = 0.25, 0.1
"""Depth of a dent (share of the radius) in which an edge counts nothing, and above which over so much it comes to."""
TURNED, TURNED_OVER = 0.7, 0.15
"""Cosine between surface and ellipsoid at which an edge counts nothing, and over which it comes to count whole."""
STEEPEST = 0.3
"""A ray that meets the surface at less than this cosine is moved as if it met it at this one."""
OUTLIER_MM = (0.8, 1.6)
"""Off the course by so much an edge of mineral, of a soft margin, counts half."""
RADIUS = (0.15, 2.5)
"""Least and largest radius over that of the ellipsoid."""
LEEWAY_MM = 0.4
"""How far a vertex in a gap may lie off the shell's own continuation at the gap's border..."""
LEEWAY_SOFT, LEEWAY_BORDER = 0.2, 0.15
"""... and how much more per mm from it: where a soft margin is seen, and where the end of the wall is."""
LEAST_CARRIED = 20
"""Vertices on edges without which the shell has no course."""
LEAST_SECURE = 0.2
"""... and the share of them away from any gap."""
OWN_PEAK, PEAK_OVER = 0.45, 0.3
"""Share of the highest peak nearby up to which a peak is that one's blur, and over which it becomes one of its own."""
MARGIN_MM = 4.0
"""How far to both sides of the surface a soft margin is looked for."""
SOFT_EDGE_MM = 2.0
"""How far a soft margin moves the surface in one look, and beyond which its sides are compared."""
SHARP, SHARP_OVER = 0.3, 0.5
"""Share of the step between inside and outside that a soft margin must show, and over which it comes to count most."""
SOFT_WEIGHT = 0.12
"""Weight of a clear soft margin, a clear edge of mineral having weight one."""
BORDER_RINGS = 3
"""Vertices so many steps from a gap may look at the end of the wall rather than at its outer face."""


@dataclass(frozen=True, eq=False)
class Refined:
    """A surface on its edges: ``vertices`` (N, 3) LPS mm, how far an edge carried each (N,), and the edges found."""

    vertices: Floats
    weight: Floats
    edges: Edges


@dataclass(frozen=True, eq=False)
class _Course:
    """What stays the same from look to look.

    ``stretch``, ``outward`` (N, 3): the way from the middle to each vertex at radius 1, and the unit normal of the
    ellipsoid there; ``blend`` averages neighbours; ``penalty`` and ``pull`` as :func:`solve_radius` wants them.
    """

    near: Neighbourhood
    reference: Reference
    margin: Margin
    settings: Settings
    centre: Floats
    mesh: RayMesh
    stretch: Floats
    outward: Floats
    blend: Any
    penalty: Any
    pull: Any


@dataclass(frozen=True, eq=False)
class _Wish:
    """Where a look wants the surface: ``radius`` (N,), how much it is ``trusted`` (N,), and ``carried`` (N,) whether by
    an edge of mineral rather than a soft margin; ``edges`` as they were found."""

    radius: Floats
    trusted: Floats
    carried: NDArray[np.bool_]
    edges: Edges


def refined(
    near: Neighbourhood,
    reference: Reference,
    body: Ellipsoid,
    radius: Floats,
    mesh: RayMesh,
    *,
    margin: Margin,
    settings: Settings,
) -> Refined:
    """Move the radii (N,) of the first surface to the edge of the mineral, and across gaps along the shell's course."""
    count = len(mesh.directions)
    stretch = mesh.directions @ body.shape.T
    outward = mesh.directions @ np.linalg.inv(body.shape)
    outward /= np.linalg.norm(outward, axis=1)[:, None]
    blend = smoothing_matrix(count, mesh.edges, passes=2)
    stiff, pull = bending(mesh)
    penalty = in_band(stiff)
    course = _Course(near, reference, margin, settings, body.centre, mesh, stretch, outward, blend, penalty, pull)
    radius = solve_radius(radius, np.ones(count), penalty, pull)
    deepest = DEEPEST * float(np.cbrt(np.prod(body.radii)))
    for search in SEARCHES_MM:
        wish = _wished(course, radius, min(search, deepest))
        radius, weight = _given(course, radius, wish)
    free = _free_of_bone(near, body.centre, radius[:, None] * stretch)
    # What bone ends is as well known as bone is, whatever the shell does there.
    ended = free < ENDED_BY_BONE
    weight = np.where(ended, np.maximum(weight, 0.5), weight)
    found = replace(wish.edges, contact=wish.edges.contact | ended)
    return Refined(body.centre + (free * radius)[:, None] * stretch, weight, found)


def _wished(course: _Course, radius: Floats, search_mm: float) -> _Wish:
    """Where the edges along the normals of the present surface want it, corrected for what blur does to them."""
    near, reference, mesh, blend = course.near, course.reference, course.mesh, course.blend
    vertices = course.centre + radius[:, None] * course.stretch
    found = edges_along_normals(
        near, reference, vertices, mesh.faces, blend, settings=course.settings, search_mm=search_mm
    )
    normals = vertex_normals(vertices, mesh.faces)
    soft_depth, soft_weight = _margin_edges(near, course.margin, vertices, normals, blend)
    # Beside bone, but not on it, what the blur of cortex leaves over is no edge of the lesion.
    beside = np.clip((near.bone_at(vertices) - BESIDE_BONE_MM) / OVER_MM, LEAST_BESIDE_BONE, 1.0)
    beside = np.where(found.contact, 1.0, beside)
    lateral = beside * _border_doubt(found.peak_hu120, reference.muscle.mean_hu, mesh.edges)
    carried = found.weight * lateral > CARRIES
    axial = normals @ near.grid.directions[:, 0]
    blur = np.asarray(reference.blur_along(axial))
    # Blur along a curved surface moves its edge inward by that blur's variance times the mean curvature.
    bent = np.clip(blend @ mean_curvature(vertices, normals, mesh.edges), *BENT_PER_MM)
    inward = reference.blur_sd_mm**2 * bent - SHORT_SKIRTS * blur * axial**2
    depth = np.where(carried, np.where(found.contact, found.depth_mm, found.depth_mm - inward), soft_depth)
    resolved = np.minimum((RESOLVED_MM / np.maximum(blur, LEAST_BLUR_MM)) ** 2, 1.0)
    trust = np.where(carried, found.weight * lateral * resolved, soft_weight)
    # The end of a bowl's wall and its inner face, seen through the opening, are no part of the outer surface.
    trust = trust * np.clip((DEEPEST_DENT - dents(vertices)) / DENT_OVER, 0.0, 1.0)
    aligned = np.einsum("ij,ij->i", normals, course.outward)
    trust = trust * np.clip((aligned - TURNED) / TURNED_OVER, 0.0, 1.0)
    forward = np.einsum("ij,ij->i", normals, course.stretch)
    target = radius - depth / np.maximum(forward, STEEPEST * np.linalg.norm(course.stretch, axis=1))
    return _Wish(target, trust, carried, found)


def _given(course: _Course, radius: Floats, wish: _Wish) -> tuple[Floats, Floats]:
    """Radii (N,) that bend least on the way through what a look wants, and how far an edge carried each (N,)."""
    penalty, pull, stretch = course.penalty, course.pull, course.stretch
    vertices = course.centre + radius[:, None] * stretch
    trust, carried = wish.trusted, wish.carried
    target = _no_way_in(
        wish.radius, radius, trust, carried, course.mesh, vertices=vertices, stretch=stretch, penalty=penalty, pull=pull
    )
    target = _near_the_shell(target, radius, trust, carried, vertices, stretch=stretch, penalty=penalty, pull=pull)
    weight, solved = trust, radius
    for _ in range(3):
        solved = solve_radius(target, weight, penalty, pull)
        off = (target - solved) * np.linalg.norm(stretch, axis=1)
        weight = trust / (1.0 + (off / np.where(carried, *OUTLIER_MM)) ** 2)
    return np.clip(solved, *RADIUS), weight


def outside_bone(near: Neighbourhood, centre: Floats, vertices: Floats) -> Floats:
    """Vertices (N, 3) LPS mm drawn back towards the centre (3,) to where bone begins on the way to them."""
    arms = vertices - centre
    return np.asarray(centre + _free_of_bone(near, centre, arms)[:, None] * arms)


def _free_of_bone(near: Neighbourhood, centre: Floats, arms: Floats) -> Floats:
    """Share (N,) of the way from the centre to every vertex after which bone begins, which is no part of a lesion.

    A surface that bends little cannot follow a slim bone into the lesion by itself. 1 where no bone lies in the way, or
    where the centre itself would have to be bone.
    """
    share = np.linspace(0.2, 1.0, 65)
    bone = near.bone_at(centre + share[None, :, None] * arms[:, None, :])
    inside = bone < 0.0
    first = inside.argmax(axis=1)
    rows = np.arange(len(arms))
    met = inside.any(axis=1) & (first > 0)
    before = np.maximum(first - 1, 0)
    a, b = bone[rows, before], bone[rows, first]
    at = share[before] + np.clip(a / np.maximum(a - b, 1e-6), 0.0, 1.0) * (share[1] - share[0])
    return np.where(met, at, 1.0)


def _near_the_shell(
    target: Floats,
    radius: Floats,
    trust: Floats,
    carried: NDArray[np.bool_],
    vertices: Floats,
    *,
    stretch: Floats,
    penalty: Any,
    pull: Any,
) -> Floats:
    """Keep what a soft margin says close to the shell's own continuation, the closer the narrower the gap."""
    if carried.sum() < LEAST_CARRIED or carried.all():
        return target
    alone = solve_radius(np.where(carried, target, radius), np.where(carried, trust, 0.0), penalty, pull)
    away, _ = cKDTree(vertices[carried]).query(vertices[~carried])
    allowed = (LEEWAY_MM + LEEWAY_SOFT * away) / np.linalg.norm(stretch[~carried], axis=1)
    kept = target.copy()
    kept[~carried] = np.clip(target[~carried], alone[~carried] - allowed, alone[~carried] + allowed)
    return kept


def _no_way_in(
    target: Floats,
    radius: Floats,
    trust: Floats,
    carried: NDArray[np.bool_],
    mesh: RayMesh,
    *,
    vertices: Floats,
    stretch: Floats,
    penalty: Any,
    pull: Any,
) -> Floats:
    """Keep edges seen at the border of a gap from turning inward, along the end of the shell's wall."""
    open_ = highest_within(~carried, mesh.edges, BORDER_RINGS)
    secure, border = carried & ~open_, carried & open_
    if secure.mean() < LEAST_SECURE or not border.any():
        return target
    alone = solve_radius(np.where(secure, target, radius), np.where(secure, trust, 0.0), penalty, pull)
    away, _ = cKDTree(vertices[secure]).query(vertices[border])
    allowed = (LEEWAY_MM + LEEWAY_BORDER * away) / np.linalg.norm(stretch[border], axis=1)
    kept = target.copy()
    kept[border] = np.maximum(target[border], alone[border] - allowed)
    return kept


def _border_doubt(peak: Floats, base_hu: float, edges: NDArray[Any]) -> Floats:
    """0..1 per vertex: low where the peak is only the blur of a neighbour's mineral, past the border of a shell."""
    excess = np.maximum(peak - base_hu, 0.0)
    highest = highest_within(excess, edges, 2)
    return np.asarray(np.clip((excess / np.maximum(highest, 1.0) - OWN_PEAK) / PEAK_OVER, 0.0, 1.0))


def _margin_edges(
    near: Neighbourhood, margin: Margin, vertices: Floats, normals: Floats, blend: Any
) -> tuple[Floats, Floats]:
    """Depth (N,) of the soft margin along inward normals and its small weight (N,); weight 0 where unseen."""
    count = len(vertices)
    if not margin.visible:
        return np.zeros(count), np.zeros(count)
    at = profile_depths()
    at = at[(at >= -MARGIN_MM) & (at <= MARGIN_MM)]
    spots = vertices[:, None, :] - at[None, :, None] * normals[:, None, :]
    soft = sample(margin.soft, near.grid, spots)
    clear = np.isfinite(soft)
    values = blend @ np.where(clear, soft, 0.5 * (margin.inside_hu + margin.outside_hu))
    towards = np.clip((values - margin.outside_hu) / (margin.inside_hu - margin.outside_hu), 0.0, 1.0)
    # The margin lies where as much 'inside' is missing on the inner side as is present on the outer side.
    outward = (towards * (at < 0)).sum(axis=1) * 0.25
    inward = ((1.0 - towards) * (at >= 0)).sum(axis=1) * 0.25
    depth = inward - outward
    sharp = np.abs(towards[:, at >= SOFT_EDGE_MM].mean(axis=1) - towards[:, at <= -SOFT_EDGE_MM].mean(axis=1))
    weight = SOFT_WEIGHT * np.clip(sharp - SHARP, 0.0, SHARP_OVER) / SHARP_OVER * clear.all(axis=1)
    return np.asarray(np.clip(depth, -SOFT_EDGE_MM, SOFT_EDGE_MM)), np.asarray(weight)


def edges_along_normals(
    near: Neighbourhood,
    reference: Reference,
    vertices: Floats,
    faces: NDArray[Any],
    blend: Any,
    *,
    settings: Settings,
    search_mm: float = 3.0,
) -> Edges:
    """Outer mineral edge along the inward normal of every vertex; ``blend`` averages neighbouring profiles."""
    normals = vertex_normals(vertices, faces)
    spots = vertices[:, None, :] - profile_depths()[None, :, None] * normals[:, None, :]
    raw = near.at(spots)
    profiles = np.where(np.isfinite(raw), raw, reference.muscle.mean_hu)
    bone = near.bone_at(spots)
    axial = normals @ near.grid.directions[:, 0]
    return find_edges(
        blend @ profiles,
        np.asarray(bone),
        np.asarray(reference.blur_along(axial)),
        muscle_hu=reference.muscle.mean_hu,
        threshold_hu120=settings.outline.mineral_hu120,
        noise_hu=reference.noise_hu120,
        search_mm=search_mm,
    )
