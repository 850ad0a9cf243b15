"""The margin of a lesion by its soft tissue alone: searched from a point, several times over, and believed if seen.

Inside is what lies around the point; outside is whatever plainly differs from it on either side (muscle, fat, bone),
so that a dark mass in muscle, a mass like muscle in fat and one that touches both are sought alike.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..base import MAD_TO_SD, Floats, caution, gaussian_smoothed, grown, sample
from ..reference import Reference
from ..surface import (
    RayMesh,
    bending,
    mean_curvature,
    mesh_volume,
    optimal_levels,
    solve_radius,
    sphere_directions,
    vertex_normals,
)
from .margin import SOFT_SUPPORT, margin_outline
from .near import SMOOTH_MM, Neighbourhood, smoothed_over
from .outline import Outline
from .region import left_behind
from .regional import Regions, learn
from .soft_edge import WITHIN, WITHIN_AROUND_MINERAL, Lines, Tissues, averaged, first_bone, shift_to_edge
from .start import BODY_MM, Ellipsoid

AROUND_SEED_MM = 3.0
"""Radius of the ball around a start whose tissue counts as the lesion's."""
DISTINCT = 2.5
"""Standard deviations of the smoothed image from which muscle counts as unlike the lesion."""
DIFFERENT = 8.0
"""Standard deviations at which tissue that is neither muscle nor fat is taken for the outside."""
FIRST_RING_MM, RING_MM = (20.0, 70.0), (2.0, 18.0)
"""Where the outside is learned: at first about the start, then beyond what was found."""
INNER = np.array([0.15, 0.3, 0.4, 0.5, 0.6])
"""Relative radii at which the inside is learned: clear of a margin that is not yet right."""
AROUND_MINERAL = np.array([0.6, 0.65, 0.7, 0.75])
"""... where the point lies in mineral, whose faint outer part reaches far: as much clear of that as of the margin."""
LOOKS = 5
COARSE_RAYS, FINE_RAYS = 400, 1000
SEARCHED_MM = 62.0
"""Largest radius that is searched from a start."""
STIFF = 2.0
"""Resistance to bending of the surface (see ``bending``)."""
SPUR_MM = 1.0
"""A place that stands out of the smooth surface by more is a spur along a fat plane rather than the lesion."""
SPUR = 1.3
"""Relative radius beyond which nothing moves the ellipsoid."""
PLANE_MM = 4.5
"""Dark structures thinner than this are fat planes, not part of a lesion."""
DRIFT_MM = 2.0
"""The edge is sought so far from the surface that encloses the lesion's tissue."""
LEAST_SEEN, LEAST_SEEN_LIKE_MUSCLE = 0.55, 0.8
"""Share of the surface that has to show (own phantoms)."""
LEAST_SEEN_AROUND_MINERAL = 0.35
"""... where mineral shows that there is a lesion, and only its size is asked."""
LARGEST_LEAK = 0.02
"""Share of rays that may leave without meeting a margin."""
LARGEST_DISAGREEMENT = 0.15
"""Of the volumes from two starts."""
MOST_SEARCHES = 4
MINERAL_HU120 = 130.0
"""What is denser where it is smoothed is no soft tissue."""
NOISES, LEAST_SPREAD_HU, THIN_STEP = 1.2, 2.5, 4.0
"""No tissue varies by less than so many times the noise over 4 mm, nor than this; a thin dark structure lies so many
of these spreads below its surroundings (own judgement)."""
LOST, LEAST_RADIUS_MM = 0.25, 2.5
"""Share of rays without a margin from which nothing was found, and radius of what is none."""
LEFT_COST, BONE_COST, MOST_COST = 0.3, 0.9, 12.0
"""Least evidence per mm after a ray has left the lesion, and within bone; most that a place costs (own judgement)."""
MOST_BENT_PER_MM, LEAST_ACROSS = 0.2, 0.4
"""Largest curvature that blur is taken off for, and least cosine between ray and normal along which a place moves."""


@dataclass(frozen=True, eq=False)
class SoftSurface:
    """A surface found by soft tissue.

    ``vertices`` (V, 3) LPS mm on the rays of ``mesh``; ``body`` the ellipsoid they leave; ``seen`` (V,) whether a step
    is to be seen across each, bone and mineral counting as seen; ``inside_hu`` and ``spread_hu`` of the smoothed
    image; ``like_muscle`` whether muscle cannot be told from it; ``leaked`` the share of rays that never left.
    """

    vertices: Floats
    mesh: RayMesh
    body: Ellipsoid
    seen: NDArray[np.bool_]
    inside_hu: float
    spread_hu: float
    like_muscle: bool
    leaked: float

    @property
    def volume_mm3(self) -> float:
        return mesh_volume(self.vertices, self.mesh.faces)

    @property
    def radius_mm(self) -> float:
        """Radius of a ball of that volume."""
        return float(np.cbrt(3 * self.volume_mm3 / (4 * np.pi)))


def find_soft_margin(
    near: Neighbourhood, seed: Floats, reference: Reference, *, scan: int, tissue_at: Floats | None = None
) -> Outline | None:
    """Outline a lesion by its soft margin from a point in it; ``None`` where that does not show.

    The search is repeated from the middle of what it found until two in a row agree; a start off the middle may leave
    part out. Tissue like muscle is believed only where nearly all of its surface shows, as in fat.

    Parameters
    ----------
    near : surroundings; a lesion that reaches to their edge is not outlined.
    seed : (3,) LPS mm in the lesion.
    tissue_at : (N, 3) LPS mm of places known to be its soft tissue, where the point itself lies in mineral.
    """
    soft = soft_tissue(near)
    marked = planes_marked(soft, near, reference)
    found, before = None, 0.0
    start = np.asarray(seed, float)
    for _ in range(MOST_SEARCHES):
        found = search_from(near, soft, marked, start, reference, tissue_at=tissue_at)
        if found is None or not _believed(found, LEAST_SEEN if tissue_at is None else LEAST_SEEN_AROUND_MINERAL):
            return None
        if abs(found.volume_mm3 - before) <= LARGEST_DISAGREEMENT * before:
            break
        before, start = found.volume_mm3, found.body.centre
    else:
        return None
    support = np.where(found.seen, SOFT_SUPPORT, 0.0)
    share = float(found.seen.mean())
    outline = margin_outline(scan, found.vertices, found.mesh.faces, support, share, body=found.body)
    if not found.like_muscle:
        return outline
    return replace(outline, verdicts=(*outline.verdicts, caution("like-muscle")))


def _believed(found: SoftSurface, least_seen: float) -> bool:
    least = LEAST_SEEN_LIKE_MUSCLE if found.like_muscle else least_seen
    return found.leaked < LARGEST_LEAK and float(found.seen.mean()) >= least


def soft_tissue(near: Neighbourhood) -> NDArray[Any]:
    """HU smoothed by ``SMOOTH_MM`` over soft tissue, up to bone whose blur is taken off; NaN in bone and mineral."""
    sigma = SMOOTH_MM / near.grid.spacing
    dense = gaussian_smoothed(near.hu120, sigma) >= MINERAL_HU120
    usable = (near.bone_distance > 1.0) & ~grown(dense, 1)
    return smoothed_over(near.hu - near.spill, usable, near.grid)


def planes_marked(soft: NDArray[Any], near: Neighbourhood, reference: Reference) -> NDArray[Any]:
    """``soft`` with thin dark structures (fat planes, whose blurred flanks look like a lesion) set to fat.

    Thin is what a box of ``PLANE_MM`` does not fit into: the black top-hat of mathematical morphology (Serra 1982).
    """
    size = np.maximum(np.rint(PLANE_MM / near.grid.spacing).astype(int), 1) | 1
    filled = np.where(np.isfinite(soft), soft, reference.muscle.mean_hu)
    hat = ndimage.grey_closing(filled, size=tuple(size)) - filled
    fat = reference.fat_hu
    return np.where(hat > THIN_STEP * _least_spread(reference), np.minimum(soft, fat), soft).astype(np.float32)


def _least_spread(reference: Reference) -> float:
    return max(NOISES * reference.noise_4mm_hu, LEAST_SPREAD_HU)


def tissues_of(values: Floats, reference: Reference) -> Tissues | None:
    """What a sample of the smoothed inside says; ``None`` where there is too little of it."""
    values = values[np.isfinite(values)]
    if len(values) < 20:
        return None
    inside = float(np.median(values))
    # The noise over 4 mm bounds that of the smoothed image from below; a small sample would say less.
    spread = max(MAD_TO_SD * float(np.median(np.abs(values - inside))), _least_spread(reference))
    muscle = reference.muscle.mean_hu
    fat = reference.fat_hu
    like = abs(muscle - inside) < DISTINCT * spread
    brighter, darker = inside + DIFFERENT * spread, inside - DIFFERENT * spread
    if not like and muscle > inside:
        brighter = min(brighter, muscle)
    elif not like:
        darker = max(darker, muscle)
    if fat > inside + DISTINCT * spread:
        brighter = min(brighter, fat)
    elif fat < inside - DISTINCT * spread:
        darker = max(darker, fat)
    return Tissues(inside, brighter, darker, spread, like)


def search_from(
    near: Neighbourhood,
    soft: NDArray[Any],
    marked: NDArray[Any],
    start: Floats,
    reference: Reference,
    *,
    tissue_at: Floats | None = None,
) -> SoftSurface | None:
    """The surface around one start: a ball of rays first, then an ellipsoid laid through what was found.

    ``soft`` as of :func:`soft_tissue`, ``marked`` the same as of :func:`planes_marked`.
    """
    ball, _ = sphere_directions(60)
    spots = start + np.linspace(0.3, 1.0, 4)[:, None, None] * AROUND_SEED_MM * ball[None]
    own = sample(soft, near.grid, spots if tissue_at is None else tissue_at).ravel()
    tissues = tissues_of(own, reference)
    if tissues is None:
        return None
    away = start + np.linspace(*FIRST_RING_MM, 12)[:, None, None] * ball[None]
    regions = learn(own, sample(soft, near.grid, away).ravel(), reference, _least_spread(reference), None)
    mesh = RayMesh.of(COARSE_RAYS)
    body = Ellipsoid(np.asarray(start, float), np.eye(3))
    levels = np.arange(1.5, SEARCHED_MM, 1.0)
    radius, leaked = _cut(near, marked, regions, body, mesh, levels=levels)
    for look in range(LOOKS):
        vertices = body.centre + radius[:, None] * (mesh.directions @ body.shape.T)
        if leaked > LOST or np.median(np.linalg.norm(vertices - body.centre, axis=1)) < LEAST_RADIUS_MM:
            return None
        body = body_of(vertices, mesh.faces)
        rays = mesh.directions[::4] @ body.shape.T
        length = np.linalg.norm(rays, axis=1)[:, None]
        shares = INNER if tissue_at is None else AROUND_MINERAL
        inner = sample(soft, near.grid, body.centre + shares[:, None, None] * rays[None])
        beyond = 1.0 + np.linspace(*RING_MM, 9)[:, None, None] / length[None]
        ring = sample(soft, near.grid, body.centre + beyond * rays[None])
        regions = learn(inner.ravel(), ring.ravel(), reference, _least_spread(reference), regions)
        tissues = tissues_of(inner.ravel(), reference) or tissues
        if look == LOOKS - 1:
            mesh = RayMesh.of(FINE_RAYS)
        radius, leaked = _cut(near, marked, regions, body, mesh, levels=np.linspace(0.3, 1.8, 60))
    within = WITHIN if tissue_at is None else WITHIN_AROUND_MINERAL
    return _edged(near, soft, tissues, body, mesh, radius=radius, leaked=leaked, reference=reference, within=within)


def body_of(vertices: Floats, faces: NDArray[Any]) -> Ellipsoid:
    """The ellipsoid with the volume and the second moments of what a closed surface (V, 3), (F, 3) encloses.

    It follows from the surface in closed form and moves no more than that does; a fit by steps stops, on a nearly
    round body, where the last digit of the data sends it. Its axes are in none's favour (the symmetric root), or rays
    laid through it would turn by any angle where two of them are alike. What stands out of the body by ``SPUR`` is
    left out of the second reckoning: the moments of spurs along fat planes grow with the fifth power of their length.
    """
    body = _moments(vertices, faces)
    relative = body.relative_radius(vertices)
    held = np.minimum(relative, SPUR) / np.maximum(relative, 1e-9)
    return _moments(body.centre + held[:, None] * (vertices - body.centre), faces)


def _moments(vertices: Floats, faces: NDArray[Any]) -> Ellipsoid:
    """Of tetrahedra from the middle of the vertices: a solid ellipsoid has the second moments V / 5 times A A'."""
    base = vertices.mean(axis=0)
    corners = (vertices - base)[faces]
    volumes = np.linalg.det(corners) / 6.0
    summed = corners.sum(axis=1)
    total = max(float(volumes.sum()), 1e-6)
    off = (volumes[:, None] * summed).sum(axis=0) / (4.0 * total)
    second = np.einsum("t,ti,tj->ij", volumes, summed, summed) + np.einsum("t,tki,tkj->ij", volumes, corners, corners)
    size, axes = np.linalg.eigh(5.0 * (second / (20.0 * total) - np.outer(off, off)))
    shape = (axes * np.clip(np.sqrt(np.maximum(size, 0.0)), *BODY_MM)) @ axes.T
    return Ellipsoid(base + off, shape)


def _cut(
    near: Neighbourhood, soft: NDArray[Any], regions: Regions, body: Ellipsoid, mesh: RayMesh, *, levels: Floats
) -> tuple[Floats, float]:
    """(N,) best relative radius, and the share of rays that end at the last level or the edge of the view."""
    stretch = mesh.directions @ body.shape.T
    spots = body.centre + levels[None, :, None] * stretch[:, None, :]
    step = (levels[1] - levels[0]) * np.linalg.norm(stretch, axis=1)
    values = sample(soft, near.grid, spots)
    in_view = near.grid.contains(spots.reshape(-1, 3), margin_mm=0.0).reshape(values.shape)
    evidence = regions.evidence(values) * step[:, None]
    evidence = np.where(left_behind(evidence), np.maximum(evidence, LEFT_COST * step[:, None]), evidence)
    in_bone = near.bone_at(spots) < 0.5
    entered = np.maximum.accumulate(in_bone, axis=1)
    evidence = np.where(entered, np.maximum(evidence, BONE_COST * step[:, None]), evidence)
    summed = np.cumsum(evidence, axis=1)
    cost = np.clip(summed - summed.min(axis=1, keepdims=True), 0.0, MOST_COST)
    tie = 0.25 * float(np.median(step)) / 0.5
    chosen = optimal_levels(cost, mesh.edges, tie)
    each = np.arange(len(chosen))
    leaked = (chosen >= len(levels) - 2) | ~in_view[each, np.minimum(chosen + 1, len(levels) - 1)]
    return np.asarray(levels[chosen]), float(leaked.mean())


def _edged(
    near: Neighbourhood,
    soft: NDArray[Any],
    tissues: Tissues,
    body: Ellipsoid,
    mesh: RayMesh,
    *,
    radius: Floats,
    leaked: float,
    reference: Reference,
    within: Lines,
) -> SoftSurface:
    """Move the surface to the half height between inside and what lies outside each place, and see where it shows."""
    stretch = mesh.directions @ body.shape.T
    length = np.linalg.norm(stretch, axis=1)
    penalty, pull = bending(mesh, stiffness=STIFF)
    weight: Floats = np.ones(len(radius))
    bone_radius = first_bone(near, body.centre, stretch)
    smooth = solve_radius(radius, weight, penalty, pull)
    for _ in range(3):
        smooth = solve_radius(radius, weight * _near(radius - smooth, length), penalty, pull)
    radius = np.minimum(smooth, bone_radius)
    first = radius
    seen = np.zeros(len(radius), bool)
    for _ in range(4):
        vertices = body.centre + radius[:, None] * stretch
        normals = vertex_normals(vertices, mesh.faces)
        shift, weight, seen = shift_to_edge(
            near, soft, tissues, vertices, normals, mesh=mesh, centre=body.centre, within=within
        )
        curvature = np.clip(
            averaged(mean_curvature(vertices, normals, mesh.edges)[:, None], mesh, 6)[:, 0], 0.0, MOST_BENT_PER_MM
        )
        # Half height of a blurred ball lies inside its surface by the variance of the blur over the radius.
        blur2 = SMOOTH_MM**2 + reference.blur_sd_mm**2
        across = np.maximum(np.einsum("ij,ij->i", normals, mesh.directions), LEAST_ACROSS)
        moved = np.where(weight > 0, shift + blur2 * curvature, 0.0)
        target = radius + np.clip(moved, -2.0, 2.0) / across / length
        target = np.clip(target, first - DRIFT_MM / length, first + DRIFT_MM / length)
        for _ in range(2):
            smooth = solve_radius(target, (weight + 0.02) * _near(target - smooth, length), penalty, pull)
        radius = np.minimum(smooth, bone_radius)
    vertices = body.centre + radius[:, None] * stretch
    return SoftSurface(vertices, mesh, body, seen, tissues.inside_hu, tissues.spread_hu, tissues.like_muscle, leaked)


def _near(residual: Floats, length: Floats) -> Floats:
    """Weight of a ray by how far (relative radius) it stands out of its smooth surroundings: spurs along fat planes."""
    return np.asarray(1.0 / (1.0 + (residual * length / SPUR_MM) ** 2) ** 2)
