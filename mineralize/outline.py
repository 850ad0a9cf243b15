"""The closed outer surface of the lesion in one scan.

Rays leave an ellipsoid laid through the lesion's mineral; one surface that crosses each ray once is found as the
global optimum of edges, enclosed mineral and smoothness (``outline_graph``), then moved to the sub-voxel edge
along its normals (``outline_edge``) under a bending penalty that carries it across gaps in the shell.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, special
from scipy.sparse import csc_matrix, diags_array
from scipy.sparse.linalg import spsolve
from scipy.spatial import ConvexHull, cKDTree

from .geometry import Floats, Grid, sample
from .geometry_lazy import lazy
from .outline_edge import Edges, find_edges, profile_depths, smoothing_matrix
from .outline_graph import mesh_edges, optimal_levels
from .outline_start import Ellipsoid, fit_ellipsoid, lesion_mineral, outermost_points, sphere_directions
from .reference import Reference
from .scan import Note, Trust, Volume, worst
from .settings import Settings

SHORT_SKIRTS = 0.07
"""A slice's box profile has shorter skirts than the Gaussian of the same variance that the layer fit assumes, which
sets edges across slices outward by about this share of the blur (own phantoms, slices of 1.5-3 mm)."""
FAR_MM = 1000.0
"""Distance to bone where there is none in view."""
WELL_COVERED = 0.35
"""Share of directions with mineral from which the ellipsoid goes by it alone."""
MOSTLY_UNSEEN = 0.72
"""Share of an outline that no edge carries from which it is not stated."""
DENTED = 0.2
"""Depth of a dent, as a share of the radius, beyond which a lobed surface is unlikely."""
LEFT_OUT = 0.1
"""Share of the mineral outside an outline from which its shape counts as misjudged."""


@dataclass(frozen=True, eq=False)
class Neighbourhood:
    """The part of a scan around the lesion, (slices, rows, columns) on ``grid``.

    ``hu`` as scanned; ``spill`` the HU that the blur of cortex adds outside bone; ``hu120`` HU at 120 kVp with the
    spill taken off; ``bone_distance`` mm outside bone, negative inside.
    """

    hu: NDArray[Any]
    hu120: NDArray[Any]
    bone_distance: NDArray[Any]
    grid: Grid
    spill: NDArray[Any]

    def at(self, points: Any) -> Floats:
        """HU120 at LPS points; NaN outside."""
        return sample(self.hu120, self.grid, points)

    @lazy
    def soft(self) -> NDArray[Any]:
        """HU smoothed over soft tissue alone; NaN near mineral and bone."""
        return _soft_without_mineral(self)

    def bone_at(self, points: Any) -> Floats:
        """mm outside bone at LPS points (negative inside bone); far where outside the crop."""
        return sample(self.bone_distance, self.grid, points, outside=FAR_MM)


def neighbourhood(volume: Volume, bone_distance: NDArray[Any] | None, reference: Reference) -> Neighbourhood:
    """Prepare a cropped volume; ``bone_distance`` lies on its grid, ``None`` means no bone in view."""
    distance = np.full(volume.grid.shape, FAR_MM, np.float32) if bone_distance is None else bone_distance
    distance = distance.astype(np.float32)
    spill = bone_spill(distance, reference)
    return Neighbourhood(volume.hu, reference.hu120(volume.hu - spill), distance, volume.grid, spill)


def bone_spill(distance: NDArray[Any], reference: Reference) -> NDArray[np.float32]:
    """HU of the scan that the blur of cortex adds outside bone, from the distance (mm) and the scan's blur."""
    spill = np.zeros(distance.shape, np.float32)
    close = (distance > 0) & (distance < 5.0 * reference.blur_sd_mm)
    if close.any():
        cortex = reference.cortex.mean_hu if reference.cortex else 1200.0
        spill[close] = (cortex - reference.muscle.mean_hu) * special.ndtr(-distance[close] / reference.blur_sd_mm)
    return spill


@dataclass(frozen=True, eq=False)
class Outline:
    """A closed triangle surface in LPS mm of its scan.

    ``vertices`` (V, 3); ``faces`` (F, 3) int, normals outward; ``supported`` (V,) in 0..1 says how far an edge in
    the image carried each vertex (0: bridged by its neighbours); ``method`` names what drew it
    (``"mineral shell"``, ``"mass margin"``, ``"carried over"``, ``"mask"``); ``spread_mm`` is the 95 % half-width
    of its position. ``touches_bone`` (V,) marks vertices drawn on bone with no darker line between; ``left_out`` is the
    share of the mineral nearby that the outline does not enclose; ``doubt_is_local`` says that the caution concerns
    only where the outline bridges a gap or lies on bone, which the middle of the lesion does not feel.
    """

    scan: int
    vertices: Floats
    faces: NDArray[Any]
    supported: Floats
    method: str
    spread_mm: float
    trust: Trust
    reason: str
    notes: tuple[Note, ...] = ()
    touches_bone: NDArray[np.bool_] | None = None
    ellipsoid: Ellipsoid | None = None
    left_out: float = 0.0
    doubt_is_local: bool = False

    @property
    def volume_mm3(self) -> float:
        """Enclosed volume."""
        return mesh_volume(self.vertices, self.faces)

    @property
    def centroid(self) -> Floats:
        """LPS mm of the centre of the enclosed volume."""
        base = self.vertices.mean(axis=0)
        a, b, c = (self.vertices[self.faces[:, k]] - base for k in range(3))
        parts = np.einsum("ij,ij->i", a, np.cross(b, c))
        return np.asarray(base + ((a + b + c) * parts[:, None]).sum(axis=0) / (4 * parts.sum()))


def mesh_volume(vertices: Floats, faces: NDArray[Any]) -> float:
    """Volume in mm3 enclosed by a closed triangle mesh (V, 3), (F, 3): divergence theorem."""
    base = vertices.mean(axis=0)
    a, b, c = (vertices[faces[:, k]] - base for k in range(3))
    return float(abs(np.einsum("ij,ij->", a, np.cross(b, c))) / 6)


def vertex_normals(vertices: Floats, faces: NDArray[Any]) -> Floats:
    """(V, 3) outward unit normals, area weighted."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    face = np.cross(b - a, c - a)
    normals = np.zeros_like(vertices)
    for k in range(3):
        np.add.at(normals, faces[:, k], face)
    return np.asarray(normals / np.maximum(np.linalg.norm(normals, axis=1), 1e-12)[:, None])


def mean_curvature(vertices: Floats, normals: Floats, edges: NDArray[Any]) -> Floats:
    """(V,) mean curvature in 1/mm, positive where convex: the normal curvature averaged over the edges of a vertex."""
    along = vertices[edges[:, 1]] - vertices[edges[:, 0]]
    turned = normals[edges[:, 1]] - normals[edges[:, 0]]
    curvature = np.einsum("ij,ij->i", turned, along) / np.maximum(np.einsum("ij,ij->i", along, along), 1e-9)
    total = np.zeros(len(vertices))
    number = np.zeros(len(vertices))
    for k in (0, 1):
        np.add.at(total, edges[:, k], curvature)
        np.add.at(number, edges[:, k], 1.0)
    return np.asarray(total / np.maximum(number, 1.0))


def dents(vertices: Floats) -> Floats:
    """(V,) depth of each vertex below the convex hull of all, as a share of the radius of a ball of that volume."""
    hull = ConvexHull(vertices)
    depth = -(vertices @ hull.equations[:, :3].T + hull.equations[:, 3]).max(axis=1)
    return np.asarray(depth / np.cbrt(3 * hull.volume / (4 * np.pi)))


def subdivided(vertices: Floats, faces: NDArray[Any], normals: Floats) -> tuple[Floats, NDArray[Any], NDArray[Any]]:
    """Four triangles for each, the new vertices lifted onto the curved surface.

    Edge midpoints follow the curved edges of Vlachos 2001 (curved PN triangles), so that the enclosed volume is
    that of the smooth surface. Returns vertices, faces and the edges (E, 2) that the new vertices halve.
    """
    edges = mesh_edges(faces)
    a, b = vertices[edges[:, 0]], vertices[edges[:, 1]]
    na, nb = normals[edges[:, 0]], normals[edges[:, 1]]
    lift = np.einsum("ij,ij->i", b - a, na)[:, None] * na + np.einsum("ij,ij->i", a - b, nb)[:, None] * nb
    middle = 0.5 * (a + b) - lift / 8.0
    number = {(int(p), int(q)): len(vertices) + i for i, (p, q) in enumerate(edges)}
    between = np.array(
        [[number[min(p, q), max(p, q)] for p, q in ((f[0], f[1]), (f[1], f[2]), (f[2], f[0]))] for f in faces.tolist()]
    )
    ab, bc, ca = between.T
    i, j, k = faces.T
    parts = [np.stack(t, axis=1) for t in ((i, ab, ca), (j, bc, ab), (k, ca, bc), (ab, bc, ca))]
    return np.vstack([vertices, middle]), np.concatenate(parts), edges


def find_outline(
    near: Neighbourhood,
    reference: Reference,
    seed: Floats,
    settings: Settings,
    *,
    scan: int,
    expected: Ellipsoid | None = None,
) -> Outline | None:
    """Outline the mineralised lesion at ``seed``; ``None`` where there is no mineral to outline.

    Parameters
    ----------
    near : what surrounds the lesion.
    seed : (3,) LPS mm in or on the lesion.
    expected : its place and size by another scan, if known.
    """
    seed = np.asarray(seed, float)
    mineral = lesion_mineral(
        near.hu120,
        near.grid,
        near.bone_distance,
        seed,
        threshold_hu120=settings.mineral.threshold_hu120,
        noise_hu=reference.noise_hu,
        blur_mm=reference.blur_sd_mm,
        expected=expected,
    )
    if mineral.sum() * near.grid.voxel_volume_mm3 < 15.0:
        return None
    points = near.grid.to_world(np.argwhere(mineral))
    mesh = RayMesh.of(settings.outline.rays)
    body, coverage = _ellipsoid_of(points, seed, mesh.directions, expected)
    margin = mass_margin(near, reference, body)
    for _ in range(2):
        radius = _first_surface(near, mineral, body, mesh, settings, margin)
        surface = body.centre + radius[:, None] * (mesh.directions @ body.shape.T)
        if coverage >= WELL_COVERED:
            # Only where the surface lies on mineral may it move the ellipsoid; across gaps it follows the ellipsoid.
            free = ~_on_mineral(near, mineral, body, mesh, radius)
            surface[free] = body.centre + mesh.directions[free] @ body.shape.T
        body = fit_ellipsoid(surface[:: max(len(surface) // 300, 1)], body.centre, start=body)
        margin = mass_margin(near, reference, body)
    radius = _first_surface(near, mineral, body, mesh, settings, margin)
    return _refined(near, reference, body, radius, mesh, margin, mineral, settings, scan)


@dataclass(frozen=True, eq=False)
class RayMesh:
    """Directions of the rays (N, 3), triangles (F, 3) and edges (E, 2) between them."""

    directions: Floats
    faces: NDArray[Any]
    edges: NDArray[Any]

    @classmethod
    def of(cls, count: int) -> RayMesh:
        directions, faces = sphere_directions(count)
        return cls(directions, faces, mesh_edges(faces))


@dataclass(frozen=True, eq=False)
class Margin:
    """How the lesion's soft part stands out from the tissue around it.

    ``soft`` is HU smoothed by 1 mm on the grid of the neighbourhood; ``inside_hu`` and ``outside_hu`` are typical,
    ``spread_hu`` the standard deviation of ``soft`` in either; ``contrast`` their distance in spreads.
    """

    soft: NDArray[Any]
    inside_hu: float
    outside_hu: float
    spread_hu: float

    @property
    def contrast(self) -> float:
        return abs(self.inside_hu - self.outside_hu) / max(self.spread_hu, 1e-3)

    @property
    def inner_only(self) -> bool:
        """Whether the middle is fat or fluid, which need not reach the margin: the outline then only encloses it."""
        return self.inside_hu < FAT_OR_FLUID_HU


FAT_OR_FLUID_HU = 15.0
"""Below it the middle of a lesion is fat or fluid rather than the tissue that makes its margin."""
SMOOTH_MM = 1.0
"""Gaussian that steadies soft tissue before its margin is sought."""


def mass_margin(near: Neighbourhood, reference: Reference, body: Ellipsoid) -> Margin:
    """Typical HU of the soft tissue in the middle of ``body`` and 3-10 mm outside it."""
    soft = near.soft
    box = near.grid.bounds_around(_corners(body, 10.0), 1.0)
    part = tuple(slice(lo, hi) for lo, hi in box)
    values = soft[part]
    relative = body.relative_radius(near.grid.cropped(box).world_of_all())
    plain = np.isfinite(values)
    mean_radius = float(np.cbrt(np.prod(body.radii)))
    inner = plain & (relative < 0.6)
    outer = plain & (relative > 1.0 + 3.0 / mean_radius) & (relative < 1.0 + 10.0 / mean_radius) & (values > -20.0)
    inside = float(np.median(values[inner])) if inner.sum() >= 30 else reference.muscle.mean_hu
    outside = float(np.median(values[outer])) if outer.sum() >= 30 else reference.muscle.mean_hu
    spread = max(
        1.4826 * float(np.median(np.abs(values[inner] - inside))) if inner.sum() >= 30 else 0.0,
        1.4826 * float(np.median(np.abs(values[outer] - outside))) if outer.sum() >= 30 else 0.0,
        2.0,
    )
    return Margin(soft, inside, outside, spread)


def _soft_without_mineral(near: Neighbourhood) -> NDArray[Any]:
    """HU smoothed by ``SMOOTH_MM`` over soft tissue alone (normalised convolution); NaN near mineral and bone."""
    sigma = SMOOTH_MM / near.grid.spacing
    dense = ndimage.gaussian_filter(near.hu120, sigma * 0.6) >= 110.0
    reach = ndimage.distance_transform_edt(~dense, sampling=near.grid.spacing) if dense.any() else None
    usable = near.bone_distance > 2.0
    if reach is not None:
        usable &= reach > 1.5
    share = ndimage.gaussian_filter(usable.astype(np.float32), sigma)
    soft = ndimage.gaussian_filter(np.where(usable, near.hu, 0.0).astype(np.float32), sigma)
    return np.where(share > 0.3, soft / np.maximum(share, 0.3), np.nan).astype(np.float32)


def _corners(body: Ellipsoid, margin_mm: float) -> Floats:
    reach = np.abs(body.shape).sum(axis=1) + margin_mm
    return np.stack([body.centre - reach, body.centre + reach])


def _ellipsoid_of(
    points: Floats, seed: Floats, directions: Floats, expected: Ellipsoid | None
) -> tuple[Ellipsoid, float]:
    """The ellipsoid through the outermost mineral, and the share of directions that hold some."""
    coarse = directions[:: max(len(directions) // 300, 1)]
    inner = seed if expected is None else expected.centre
    body: Ellipsoid | None = None
    centre = points.mean(axis=0) * 0.7 + inner * 0.3
    coverage = 0.0
    for _ in range(3):
        shell = outermost_points(points, centre, coarse)
        coverage = len(shell) / len(coarse)
        body = fit_ellipsoid(shell, inner, start=body, coverage=coverage)
        centre = body.centre
    assert body is not None
    return body, coverage


def _first_surface(
    near: Neighbourhood,
    mineral: NDArray[np.bool_],
    body: Ellipsoid,
    mesh: RayMesh,
    settings: Settings,
    margin: Margin,
) -> Floats:
    """(N,) relative radius of the globally best surface on a coarse scale."""
    largest = float(body.radii.max())
    count = int(np.clip(1.5 * largest / 0.5, 40, 160))
    levels = np.linspace(0.3, 1.8, count)
    stretch = mesh.directions @ body.shape.T
    spots = body.centre + levels[None, :, None] * stretch[:, None, :]
    step = (levels[1] - levels[0]) * np.linalg.norm(stretch, axis=1)
    typical = float(np.median(step))
    raw = near.at(spots)
    hu = np.where(np.isfinite(raw), raw, 0.0)
    bone = near.bone_at(spots)
    belongs = sample(mineral.astype(np.float32), near.grid, spots, outside=0.0)
    hu = ndimage.gaussian_filter1d(hu, 0.5 / typical, axis=1)
    fall = np.zeros_like(hu)
    fall[:, 1:-1] = hu[:, :-2] - hu[:, 2:]
    reach = ndimage.maximum_filter1d(belongs, max(int(2.5 / typical) * 2 + 1, 3), axis=1)
    edge = np.clip(fall / 150.0, 0.0, 1.0) * (reach > 0.3)
    outside_mineral = np.cumsum((belongs * step[:, None])[:, ::-1], axis=1)[:, ::-1]
    # Rays are charged for mineral left outside, for running into bone, and weakly for leaving the ellipsoid.
    cost = -2.0 * edge + 3.0 * outside_mineral + 2.0 * (levels[None, :] - 1.0) ** 2
    cost = cost + 30.0 * np.maximum.accumulate(bone < 0.0, axis=1)
    sure = float(np.clip((margin.contrast - 1.0) / 2.0, 0.0, 1.0))
    within = int(np.searchsorted(levels, WITHIN_SHELL))
    cost = cost + sure * np.clip(region_cost(near, margin, spots, step, within=within), -4.0, 4.0)
    smooth = settings.outline.smoothness * 0.25 * typical / 0.5
    return np.asarray(levels[optimal_levels(cost, mesh.edges, smooth)])


def _on_mineral(
    near: Neighbourhood, mineral: NDArray[np.bool_], body: Ellipsoid, mesh: RayMesh, radius: Floats
) -> NDArray[np.bool_]:
    """(N,) whether a ray meets mineral of the lesion and the surface lies within 2 mm of where it last does."""
    levels = np.linspace(0.3, 1.8, 160)
    stretch = mesh.directions @ body.shape.T
    spots = body.centre + levels[None, :, None] * stretch[:, None, :]
    inside = sample(mineral.astype(np.float32), near.grid, spots, outside=0.0) > 0.5
    last = levels[len(levels) - 1 - inside[:, ::-1].argmax(axis=1)]
    away = np.abs(last - radius) * np.linalg.norm(stretch, axis=1)
    return np.asarray(inside.any(axis=1) & (away < 2.0))


WITHIN_SHELL = 0.85
"""Share of the radius of the ellipsoid through the mineral below which everything is lesion, whatever it looks like."""


def region_cost(near: Neighbourhood, margin: Margin, spots: Floats, step: Floats, *, within: int = 0) -> Floats:
    """(N, L) cost of enclosing the soft tissue up to each level; 0 where inside and outside look alike.

    Levels before ``within`` belong to the lesion for certain.

    Truncated squared distances to the typical inside and outside (a piecewise constant two-region model,
    Chan and Vese 2001, IEEE TIP 10:266), so that fat planes and mineral have no say.
    """
    if margin.contrast < 1.0:
        return np.zeros(spots.shape[:2])
    soft = sample(margin.soft, near.grid, spots)
    silent = ~np.isfinite(soft)
    soft = np.where(silent, margin.inside_hu, soft)
    to_inside = np.minimum(((soft - margin.inside_hu) / margin.spread_hu) ** 2, 9.0)
    to_outside = np.minimum(((soft - margin.outside_hu) / margin.spread_hu) ** 2, 9.0)
    evidence = np.where(silent, 0.0, to_inside - to_outside) * step[:, None] / 10.0
    evidence[:, :within] = np.minimum(evidence[:, :within], 0.0)
    evidence = np.where(left_behind(evidence), np.maximum(evidence, 0.0), evidence)
    if margin.inner_only:
        evidence = np.minimum(evidence, 0.0)
    summed = np.cumsum(evidence, axis=1)
    return np.asarray(summed - summed.min(axis=1, keepdims=True))


CLEARLY_OUTSIDE = 2.0
"""Evidence after which a ray has left the lesion: some 2 mm of tissue that looks wholly like the outside."""


def left_behind(evidence: Floats) -> NDArray[np.bool_]:
    """(N, L) whether a ray has crossed a stretch of the outside by then: fat planes beyond it are no lesion.

    The running sum that never falls below zero (CUSUM, Page 1954, Biometrika 41:100) finds the stretch.
    """
    run = np.zeros(len(evidence))
    left = np.zeros(len(evidence), bool)
    result = np.zeros(evidence.shape, bool)
    for level in range(evidence.shape[1]):
        result[:, level] = left
        run = np.maximum(run + evidence[:, level], 0.0)
        left = left | (run > CLEARLY_OUTSIDE)
    return result


def _refined(
    near: Neighbourhood,
    reference: Reference,
    body: Ellipsoid,
    radius: Floats,
    mesh: RayMesh,
    margin: Margin,
    mineral: NDArray[np.bool_],
    settings: Settings,
    scan: int,
) -> Outline:
    count = len(mesh.directions)
    faces = mesh.faces
    stretch = mesh.directions @ body.shape.T
    outward = mesh.directions @ np.linalg.inv(body.shape)
    outward /= np.linalg.norm(outward, axis=1)[:, None]
    blend = smoothing_matrix(count, mesh.edges, passes=2)
    penalty, pull = bending(mesh)
    radius = solve_radius(radius, np.ones(count), penalty, pull)
    found: Edges | None = None
    weight: Floats = np.ones(count)
    # In a small lesion a deep look from a gap would meet the opposite side of the shell.
    deepest = 0.35 * float(np.cbrt(np.prod(body.radii)))
    for search in (min(6.0, deepest), min(4.0, deepest), min(3.0, deepest), min(3.0, deepest)):
        vertices = body.centre + radius[:, None] * stretch
        found = edges_along_normals(near, reference, vertices, faces, blend, settings, search_mm=search)
        normals = vertex_normals(vertices, faces)
        forward = np.einsum("ij,ij->i", normals, stretch)
        soft_depth, soft_weight = _margin_edges(near, margin, vertices, normals, blend)
        # Beside bone, but not on it, what the blur of cortex leaves over is no edge of the lesion.
        beside = np.clip((near.bone_at(vertices) - 0.5) / 1.5, 0.1, 1.0)
        beside = np.where(found.contact, 1.0, beside)
        lateral = beside * _border_doubt(found.peak_hu120, reference.muscle.mean_hu, mesh.edges)
        carried = found.weight * lateral > 0.1
        axial = normals @ near.grid.directions[:, 0]
        blur = np.asarray(reference.blur_along(axial))
        # Blur along a curved surface moves its edge inward by that blur's variance times the mean curvature.
        bent = np.clip(blend @ mean_curvature(vertices, normals, mesh.edges), -0.05, 0.3)
        inward = reference.blur_sd_mm**2 * bent - SHORT_SKIRTS * blur * axial**2
        depth = np.where(carried, np.where(found.contact, found.depth_mm, found.depth_mm - inward), soft_depth)
        resolved = np.minimum((0.8 / np.maximum(blur, 0.1)) ** 2, 1.0)
        trust = np.where(carried, found.weight * lateral * resolved, soft_weight)
        # The end of a bowl's wall and its inner face, seen through the opening, are no part of the outer surface.
        trust = trust * np.clip((0.25 - dents(vertices)) / 0.1, 0.0, 1.0)
        trust = trust * np.clip((np.einsum("ij,ij->i", normals, outward) - 0.7) / 0.15, 0.0, 1.0)
        target = radius - depth / np.maximum(forward, 0.3 * np.linalg.norm(stretch, axis=1))
        target = _no_way_in(target, radius, trust, carried, mesh, vertices, stretch, penalty, pull)
        target = _near_the_shell(target, radius, trust, carried, vertices, stretch, penalty, pull)
        weight = trust
        solved = radius
        for _ in range(3):
            solved = solve_radius(target, weight, penalty, pull)
            off = (target - solved) * np.linalg.norm(stretch, axis=1)
            weight = trust / (1.0 + (off / np.where(carried, 0.8, 1.6)) ** 2)
        radius = np.clip(solved, 0.15, 2.5)
    assert found is not None
    vertices = body.centre + radius[:, None] * stretch
    soft_seen = margin.contrast >= 1.5 and not margin.inner_only
    return _judged(near, reference, body, vertices, faces, weight, found, mineral, scan, soft_seen)


def _near_the_shell(
    target: Floats,
    radius: Floats,
    trust: Floats,
    carried: NDArray[np.bool_],
    vertices: Floats,
    stretch: Floats,
    penalty: Any,
    pull: Any,
) -> Floats:
    """Keep what a soft margin says close to the shell's own continuation, the closer the narrower the gap."""
    if carried.sum() < 20 or carried.all():
        return target
    alone = solve_radius(np.where(carried, target, radius), np.where(carried, trust, 0.0), penalty, pull)
    away, _ = cKDTree(vertices[carried]).query(vertices[~carried])
    allowed = (0.4 + 0.2 * away) / np.linalg.norm(stretch[~carried], axis=1)
    kept = target.copy()
    kept[~carried] = np.clip(target[~carried], alone[~carried] - allowed, alone[~carried] + allowed)
    return kept


def _no_way_in(
    target: Floats,
    radius: Floats,
    trust: Floats,
    carried: NDArray[np.bool_],
    mesh: RayMesh,
    vertices: Floats,
    stretch: Floats,
    penalty: Any,
    pull: Any,
) -> Floats:
    """Keep edges seen at the border of a gap from turning inward, along the end of the shell's wall."""
    open_ = ~carried
    for _ in range(BORDER_RINGS):
        wider = open_.copy()
        np.logical_or.at(wider, mesh.edges[:, 0], open_[mesh.edges[:, 1]])
        np.logical_or.at(wider, mesh.edges[:, 1], open_[mesh.edges[:, 0]])
        open_ = wider
    secure, border = carried & ~open_, carried & open_
    if secure.mean() < 0.2 or not border.any():
        return target
    alone = solve_radius(np.where(secure, target, radius), np.where(secure, trust, 0.0), penalty, pull)
    away, _ = cKDTree(vertices[secure]).query(vertices[border])
    allowed = (0.4 + 0.15 * away) / np.linalg.norm(stretch[border], axis=1)
    kept = target.copy()
    kept[border] = np.maximum(target[border], alone[border] - allowed)
    return kept


BORDER_RINGS = 3
"""Vertices so many steps from a gap may look at the end of the wall rather than at its outer face."""


def _border_doubt(peak: Floats, base_hu: float, edges: NDArray[Any]) -> Floats:
    """0..1 per vertex: low where the peak is only the blur of a neighbour's mineral, past the border of a shell."""
    excess = np.maximum(peak - base_hu, 0.0)
    highest = excess.copy()
    for _ in range(2):
        wider = highest.copy()
        np.maximum.at(wider, edges[:, 0], highest[edges[:, 1]])
        np.maximum.at(wider, edges[:, 1], highest[edges[:, 0]])
        highest = wider
    return np.asarray(np.clip((excess / np.maximum(highest, 1.0) - 0.45) / 0.3, 0.0, 1.0))


def _margin_edges(
    near: Neighbourhood, margin: Margin, vertices: Floats, normals: Floats, blend: Any
) -> tuple[Floats, Floats]:
    """Depth (N,) of the soft margin along inward normals and its small weight (N,); weight 0 where unseen."""
    count = len(vertices)
    if margin.contrast < 1.5 or margin.inner_only:
        return np.zeros(count), np.zeros(count)
    at = profile_depths()
    at = at[(at >= -4.0) & (at <= 4.0)]
    spots = vertices[:, None, :] - at[None, :, None] * normals[:, None, :]
    soft = sample(margin.soft, near.grid, spots)
    clear = np.isfinite(soft)
    values = blend @ np.where(clear, soft, 0.5 * (margin.inside_hu + margin.outside_hu))
    towards = np.clip((values - margin.outside_hu) / (margin.inside_hu - margin.outside_hu), 0.0, 1.0)
    # The margin lies where as much 'inside' is missing on the inner side as is present on the outer side.
    outward = (towards * (at < 0)).sum(axis=1) * 0.25
    inward = ((1.0 - towards) * (at >= 0)).sum(axis=1) * 0.25
    depth = inward - outward
    sharp = np.abs(towards[:, at >= 2.0].mean(axis=1) - towards[:, at <= -2.0].mean(axis=1))
    weight = 0.12 * np.clip(sharp - 0.3, 0.0, 0.5) / 0.5 * clear.all(axis=1)
    return np.asarray(np.clip(depth, -2.0, 2.0)), np.asarray(weight)


def bending(mesh: RayMesh, stiffness: float = 0.6) -> tuple[Any, Any]:
    """Penalty matrix on the bending of the radius over the mesh, and a weak pull of every radius to 1."""
    count = len(mesh.directions)
    spacing_angle = np.sqrt(4 * np.pi / count)
    bend = csc_matrix(smoothing_matrix(count, mesh.edges) - diags_array(np.ones(count)))
    return (bend.T @ bend) * (stiffness * (0.112 / spacing_angle) ** 4), diags_array(np.full(count, 1e-3))


def solve_radius(target: Floats, weight: Floats, penalty: Any, pull: Any) -> Floats:
    """Radius that follows ``target`` where weighted and bends as little as possible elsewhere."""
    weighted = diags_array(weight)
    matrix = csc_matrix(weighted + penalty + pull)
    return np.asarray(spsolve(matrix, weight * target + pull.diagonal(), permc_spec="MMD_AT_PLUS_A"))


def edges_along_normals(
    near: Neighbourhood,
    reference: Reference,
    vertices: Floats,
    faces: NDArray[Any],
    blend: Any,
    settings: Settings,
    *,
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
        threshold_hu120=settings.mineral.threshold_hu120,
        search_mm=search_mm,
    )


def _judged(
    near: Neighbourhood,
    reference: Reference,
    body: Ellipsoid,
    vertices: Floats,
    faces: NDArray[Any],
    weight: Floats,
    found: Edges,
    mineral: NDArray[np.bool_],
    scan: int,
    soft_seen: bool,
) -> Outline:
    """The outline with a verdict on how far it can be trusted."""
    verdicts: list[tuple[Trust, str]] = []
    seen = float((weight > 0.03).mean())
    unseen = ~near.grid.contains(vertices, margin_mm=0.0)
    if unseen.mean() > 0.002:
        verdicts.append(("withheld", "the lesion is cut by the edge of the scan"))
    unseen_share = 1.0 - seen
    if unseen_share > MOSTLY_UNSEEN:
        verdicts.append(("withheld", f"no edge is visible along {unseen_share:.0%} of the outline"))
    elif unseen_share > (0.4 if soft_seen else 0.25):
        verdicts.append(("caution", f"no edge is visible along {unseen_share:.0%} of the outline"))
    contact = float(found.contact.mean())
    if contact > 0.003:
        verdicts.append(("caution", f"{contact:.0%} of the outline is drawn where the lesion meets bone"))
    points = near.grid.to_world(np.argwhere(mineral))
    relative = np.linalg.norm(points - body.centre, axis=1)
    direction = (points - body.centre) / np.maximum(relative, 1e-9)[:, None]
    own = np.linalg.norm(vertices - body.centre, axis=1)
    own_direction = (vertices - body.centre) / own[:, None]
    nearest = np.concatenate(
        [(direction[s : s + 4096] @ own_direction.T).argmax(axis=1) for s in range(0, len(direction), 4096)]
    )
    left_out = float((relative > own[nearest] + 2.0).mean())
    coarse, _ = sphere_directions(150)
    facing = (direction[relative > 0.6 * own[nearest]] @ coarse.T).argmax(axis=1)
    covered = len(np.unique(facing)) / len(coarse)
    if covered < 0.6 and not soft_seen:
        verdicts.append(("caution", f"mineral lies in {covered:.0%} of directions only; the rest continues its curve"))
    if left_out > LEFT_OUT:
        level: Trust = "withheld" if left_out > 0.5 else "caution"
        verdicts.append((level, f"{left_out:.0%} of the mineral nearby lies outside the outline"))
    dented = float((dents(vertices) > DENTED).mean())
    if dented > 0.02:
        verdicts.append(("caution", f"the outline dips inward over {dented:.0%} of its surface, at a gap or a cleft"))
    # Across slices the outline of a small lesion is wider than the lesion by up to a slice.
    extents = np.ptp(vertices @ near.grid.directions, axis=0) - (1.5 * reference.slice_mm, 0.0, 0.0)
    slices = float(extents.min()) / float(near.grid.spacing[0])
    if slices < 3.0:
        verdicts.append(("withheld", "fewer than three slices cross the lesion"))
    elif slices < 5.0:
        verdicts.append(("caution", "fewer than five slices cross the least extent of the lesion"))
    trust = worst(*(level for level, _ in verdicts)) if verdicts else "ok"
    reason = "; ".join(text for _, text in verdicts)
    local = trust == "caution" and left_out <= LEFT_OUT and slices >= 5.0 and (unseen_share <= 0.25 or soft_seen)
    fine, fine_faces, halved = subdivided(vertices, faces, vertex_normals(vertices, faces))
    spread = float(np.hypot(0.15, 0.12 * reference.slice_mm * (1.0 if seen > 0.6 else 1.5)))
    return Outline(
        scan,
        fine,
        fine_faces,
        np.concatenate([weight, weight[halved].mean(axis=1)]),
        "mineral shell",
        spread,
        trust,
        reason,
        touches_bone=np.concatenate([found.contact, found.contact[halved].all(axis=1)]),
        ellipsoid=body,
        left_out=left_out,
        doubt_is_local=local,
    )
