"""The closed outer surface of the lesion in one scan.

Rays leave an ellipsoid laid through the lesion's mineral; one surface that crosses each ray once is found as the
global optimum of edges, enclosed mineral and smoothness (``outline_graph``), then moved to the sub-voxel edge
along its normals (``outline_edge``) under a bending penalty that carries it across gaps in the shell.

Numbers below without another source are own judgement, held against truth by ``scripts/validate``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from ..base import Floats, Note, Settings, Trust, Verdicts, lazy, reason_of, sample, trust_of
from ..reference import Reference
from ..surface import (
    RayMesh,
    mesh_volume,
    optimal_levels,
    subdivided,
    vertex_normals,
    with_halves,
)
from .doubts import (
    CARRIED,
    LEFT_OUT,
    doubt_of_dents,
    doubt_of_edges,
    doubt_of_mineral,
    doubt_of_slices,
    doubt_on_bone,
)
from .lid import drawn_on, with_lid
from .near import Neighbourhood
from .refine import Refined, outside_bone, refined
from .region import WITHIN_SHELL, Margin, mass_margin, region_cost
from .specks import noise_of
from .start import Ellipsoid, fit_ellipsoid, lesion_mineral, outermost_points

WELL_COVERED = 0.35
"""Share of directions with mineral from which the ellipsoid goes by it alone."""
LEAST_MINERAL_MM3 = 15.0
"""Less mineral than this is nothing to outline."""
FIRST_RADII = (0.3, 1.8)
"""Relative radii of the ellipsoid between which the first surface is looked for."""
LEVELS_PER_MM, REACHED_MM, REACHED = 3.0, 2.5, 0.3
"""Levels of the first search by the largest radius; an edge belongs to mineral that reaches to so far from it, by at
least this share of a voxel."""
SURE_FALL_HU = 150.0
"""A fall of HU120 over two steps outward that is an edge for certain."""
EDGE_COST, OUTSIDE_COST, ELLIPSOID_COST, BONE_COST = -2.0, 3.0, 2.0, 30.0
"""What the first surface pays: an edge is worth as much as 2/3 mm of mineral left outside; to leave the ellipsoid costs
by the squared relative distance; into bone it does not go."""
MOST_EVIDENCE = 4.0
"""What the look of soft tissue may say for or against a place, at most."""
NEAR_MINERAL_MM = 2.0
"""The surface lies on the mineral of a ray where it is no farther from its end."""
SPREAD_MM, SPREAD_PER_SLICE, SPREAD_UNSEEN = 0.15, 0.12, 1.5
"""95 % half-width of the outline's place: a floor, a share of the slice thickness, and how many times that where edges
carry less than ``WELL_SEEN`` of it (own phantoms)."""
WELL_SEEN = 0.6
SPILL_DOUBT = 1.0
"""Share of what cortex spills into a voxel by which it may be more: a surface 0.3 mm farther out adds as much 0.7 mm
from bone (blur 0.6 mm), and more beyond; without it scraps along a real hip led its outline astray."""


@dataclass(frozen=True)
class OutlineDoubt:
    """How far sizes may be off where the outline says more of that than one distance: 95 % half-widths.

    ``volume`` relative; ``length_mm`` of a place on the outline; ``readers`` the relative half-width of a diameter
    between readers, for diameters in mm (interpolated between).
    """

    volume: float
    length_mm: float
    readers: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, eq=False)
class Outline:
    """A closed triangle surface in LPS mm of its scan.

    ``vertices`` (V, 3); ``faces`` (F, 3) int, normals outward; ``supported`` (V,) in 0..1 says how far an edge in
    the image carried each vertex (0: bridged by its neighbours); ``method`` names what drew it
    (``"mineral shell"``, ``"mass margin"``, ``"carried over"``, ``"mask"``); ``spread_mm`` is the 95 % half-width
    of its position. ``touches_bone`` (V,) marks vertices drawn on bone with no darker line between; ``left_out`` is the
    share of the mineral nearby that the outline does not enclose; ``verdicts`` what limits it; ``doubt`` is set where a
    reader drew part of it; ``lid_width`` is the relative 95 % half-width of the volume that its faces leave open;
    ``own_width`` that of the volume which other scans do not share, where a soft margin was drawn together with theirs.
    """

    scan: int
    vertices: Floats
    faces: NDArray[Any]
    supported: Floats
    method: str
    spread_mm: float
    verdicts: Verdicts = ()
    notes: tuple[Note, ...] = ()
    touches_bone: NDArray[np.bool_] | None = None
    ellipsoid: Ellipsoid | None = None
    left_out: float = 0.0
    doubt: OutlineDoubt | None = None
    lid_width: float = 0.0
    own_width: float | None = None

    @property
    def trust(self) -> Trust:
        """How far the outline can be relied upon."""
        return trust_of(self.verdicts)

    @property
    def reason(self) -> str:
        """What limits it, in words."""
        return reason_of(self.verdicts)

    @property
    def doubt_is_local(self) -> bool:
        """Whether what is doubtful is not felt by the middle of the lesion."""
        return self.trust == "caution" and all(verdict.kind.local for verdict in self.verdicts)

    @property
    def holds_mineral(self) -> bool:
        """Whether all the mineral of the lesion is inside or on it, even where its margin is unknown."""
        barred = [verdict for verdict in self.verdicts if verdict.trust == "withheld"]
        return self.left_out <= LEFT_OUT and all(verdict.kind.margin_only for verdict in barred)

    @property
    def is_free_shell(self) -> bool:
        """Whether its own mineral drew all of it, and bone none."""
        return self.method == "mineral shell" and (self.touches_bone is None or not self.touches_bone.any())

    @lazy
    def normals(self) -> Floats:
        """(V, 3) outward unit normals."""
        return vertex_normals(self.vertices, self.faces)

    @lazy
    def places(self) -> cKDTree:
        """The vertices, to be asked which is nearest."""
        return cKDTree(self.vertices)

    @lazy
    def volume_mm3(self) -> float:
        """Enclosed volume."""
        return mesh_volume(self.vertices, self.faces)

    @lazy
    def centroid(self) -> Floats:
        """LPS mm of the centre of the enclosed volume."""
        base = self.vertices.mean(axis=0)
        a, b, c = (self.vertices[self.faces[:, k]] - base for k in range(3))
        parts = np.einsum("ij,ij->i", a, np.cross(b, c))
        return np.asarray(base + ((a + b + c) * parts[:, None]).sum(axis=0) / (4 * parts.sum()))


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
    mineral = mineral_at(near, reference, seed, settings, expected=expected)
    if mineral.sum() * near.grid.voxel_volume_mm3 < LEAST_MINERAL_MM3:
        return None
    points = near.grid.to_world(np.argwhere(mineral))
    mesh = RayMesh.of(settings.outline.rays)
    body, coverage = _ellipsoid_of(points, seed, mesh.directions, expected)
    margin = mass_margin(near, reference, body)
    for _ in range(2):
        radius = _first_surface(near, mineral, body, mesh, settings, margin=margin)
        surface = body.centre + radius[:, None] * (mesh.directions @ body.shape.T)
        if coverage >= WELL_COVERED:
            # Only where the surface lies on mineral may it move the ellipsoid; across gaps it follows the ellipsoid.
            free = ~_on_mineral(near, mineral, body, mesh, radius)
            surface[free] = body.centre + mesh.directions[free] @ body.shape.T
        body = fit_ellipsoid(surface[:: max(len(surface) // 300, 1)], body.centre, start=body)
        margin = mass_margin(near, reference, body)
    radius = _first_surface(near, mineral, body, mesh, settings, margin=margin)
    edged = refined(near, reference, body, radius, mesh, margin=margin, settings=settings)
    contact, blur = edged.edges.contact, reference.blur_sd_mm
    lid = drawn_on(edged.vertices, edged.weight, contact, mesh, body.centre, blur_mm=blur)
    edged = replace(edged, vertices=outside_bone(near, body.centre, lid.vertices))
    found = _judged(near, reference, body, edged, mesh.faces, mineral=mineral, scan=scan, soft_seen=margin.visible)
    return replace(found, verdicts=with_lid(found.verdicts, lid), lid_width=lid.volume_width)


def mineral_at(
    near: Neighbourhood, reference: Reference, seed: Floats, settings: Settings, *, expected: Ellipsoid | None = None
) -> NDArray[np.bool_]:
    """The mineral (slices, rows, columns) that belongs to the lesion at a seed (3,), with what a reader counted in."""
    # What leads to an outline has to stand out of bone's blur though its surface lie a third of a voxel farther out.
    mineral = lesion_mineral(
        near.hu120 - SPILL_DOUBT * near.spill,
        near.grid,
        near.bone_distance,
        seed,
        threshold_hu120=settings.outline.mineral_hu120,
        noise=noise_of(reference, near.grid),
        blur_mm=near.bone_blur,
        expected=expected,
    )
    return mineral if near.added is None else mineral | near.added


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
    *,
    margin: Margin,
) -> Floats:
    """(N,) relative radius of the globally best surface on a coarse scale."""
    largest = float(body.radii.max())
    count = int(np.clip(LEVELS_PER_MM * largest, 40, 160))
    levels = np.linspace(*FIRST_RADII, count)
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
    reach = ndimage.maximum_filter1d(belongs, max(int(REACHED_MM / typical) * 2 + 1, 3), axis=1)
    edge = np.clip(fall / SURE_FALL_HU, 0.0, 1.0) * (reach > REACHED)
    outside_mineral = np.cumsum((belongs * step[:, None])[:, ::-1], axis=1)[:, ::-1]
    # Rays are charged for mineral left outside, for running into bone, and weakly for leaving the ellipsoid.
    cost = EDGE_COST * edge + OUTSIDE_COST * outside_mineral + ELLIPSOID_COST * (levels[None, :] - 1.0) ** 2
    cost = cost + BONE_COST * np.maximum.accumulate(bone < 0.0, axis=1)
    sure = float(np.clip((margin.contrast - 1.0) / 2.0, 0.0, 1.0))
    within = int(np.searchsorted(levels, WITHIN_SHELL))
    cost = cost + sure * np.clip(region_cost(near, margin, spots, step, within=within), -MOST_EVIDENCE, MOST_EVIDENCE)
    smooth = settings.outline.smoothness * 0.25 * typical / 0.5
    return np.asarray(levels[optimal_levels(cost, mesh.edges, smooth)])


def _on_mineral(
    near: Neighbourhood, mineral: NDArray[np.bool_], body: Ellipsoid, mesh: RayMesh, radius: Floats
) -> NDArray[np.bool_]:
    """(N,) whether a ray meets mineral of the lesion and the surface lies within 2 mm of where it last does."""
    levels = np.linspace(*FIRST_RADII, 160)
    stretch = mesh.directions @ body.shape.T
    spots = body.centre + levels[None, :, None] * stretch[:, None, :]
    inside = sample(mineral.astype(np.float32), near.grid, spots, outside=0.0) > 0.5
    last = levels[len(levels) - 1 - inside[:, ::-1].argmax(axis=1)]
    away = np.abs(last - radius) * np.linalg.norm(stretch, axis=1)
    return np.asarray(inside.any(axis=1) & (away < NEAR_MINERAL_MM))


def _judged(
    near: Neighbourhood,
    reference: Reference,
    body: Ellipsoid,
    surface: Refined,
    faces: NDArray[Any],
    *,
    mineral: NDArray[np.bool_],
    scan: int,
    soft_seen: bool,
) -> Outline:
    """The outline with a verdict on how far it can be trusted."""
    vertices, weight, found = surface.vertices, surface.weight, surface.edges
    seen = float((weight > CARRIED).mean())
    points = near.grid.to_world(np.argwhere(mineral))
    left_out, one_sided = doubt_of_mineral(points, vertices, body.centre, 1.0 - seen)
    verdicts = (
        *doubt_of_edges(near.grid, vertices, 1.0 - seen, soft_seen=soft_seen),
        *doubt_on_bone(found.contact),
        *one_sided,
        *doubt_of_dents(vertices, found.contact),
        *doubt_of_slices(near.grid, vertices, reference.slice_mm),
    )
    fine, fine_faces, halved = subdivided(vertices, faces, vertex_normals(vertices, faces))
    spread = float(
        np.hypot(SPREAD_MM, SPREAD_PER_SLICE * reference.slice_mm * (1.0 if seen > WELL_SEEN else SPREAD_UNSEEN))
    )
    return Outline(
        scan,
        fine,
        fine_faces,
        with_halves(weight, halved),
        "mineral shell",
        spread,
        verdicts,
        touches_bone=np.concatenate([found.contact, found.contact[halved].all(axis=1)]),
        ellipsoid=body,
        left_out=left_out,
    )
