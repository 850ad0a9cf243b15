"""Closed triangle meshes whose vertices lie on rays: volume, normals, curvature, dents, and radii that bend little."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solveh_banded
from scipy.sparse import csc_matrix, csr_matrix, diags_array
from scipy.sparse.csgraph import reverse_cuthill_mckee
from scipy.sparse.linalg import spsolve
from scipy.spatial import ConvexHull

from ..base import Floats, even_directions, frozen
from .edges import smoothing_matrix
from .optimal import mesh_edges


def sphere_directions(count: int) -> tuple[Floats, NDArray[Any]]:
    """Nearly even unit directions (count, 3) (golden spiral) and their triangles (F, 3), facing outward."""
    directions = even_directions(count)
    faces = ConvexHull(directions).simplices
    a, b, c = (directions[faces[:, k]] for k in range(3))
    inward = np.einsum("ij,ij->i", np.cross(b - a, c - a), a + b + c) < 0
    faces[inward] = faces[inward][:, ::-1]
    return directions, faces


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


def highest_within(values: NDArray[Any], edges: NDArray[Any], steps: int) -> NDArray[Any]:
    """Largest of ``values`` (V,) within so many edges of each vertex; of booleans, whether any is true."""
    highest = values
    for _ in range(steps):
        wider = highest.copy()
        np.maximum.at(wider, edges[:, 0], highest[edges[:, 1]])
        np.maximum.at(wider, edges[:, 1], highest[edges[:, 0]])
        highest = wider
    return highest


def dents(vertices: Floats) -> Floats:
    """(V,) depth of each vertex below the convex hull of all, as a share of the radius of a ball of that volume."""
    hull = ConvexHull(vertices)
    depth = -(vertices @ hull.equations[:, :3].T + hull.equations[:, 3]).max(axis=1)
    return np.asarray(depth / np.cbrt(3 * hull.volume / (4 * np.pi)))


def subdivided(vertices: Floats, faces: NDArray[Any], normals: Floats) -> tuple[Floats, NDArray[Any], NDArray[Any]]:
    """Four triangles for each, the new vertices lifted onto the curved surface. Vertices (N, 3), faces (F, 3).

    Edge midpoints follow the curved edges of Vlachos 2001 (curved PN triangles), so that the enclosed volume is
    that of the smooth surface. Returns vertices, faces and the edges (E, 2) that the new vertices halve.
    """
    edges = mesh_edges(faces)
    a, b = vertices[edges[:, 0]], vertices[edges[:, 1]]
    na, nb = normals[edges[:, 0]], normals[edges[:, 1]]
    lift = np.einsum("ij,ij->i", b - a, na)[:, None] * na + np.einsum("ij,ij->i", a - b, nb)[:, None] * nb
    middle = 0.5 * (a + b) - lift / 8.0
    count = len(vertices)
    code = edges[:, 0].astype(np.int64) * count + edges[:, 1]  # rising, as the edges are in order

    def halving(p: NDArray[Any], q: NDArray[Any]) -> NDArray[Any]:
        return np.asarray(count + np.searchsorted(code, np.minimum(p, q).astype(np.int64) * count + np.maximum(p, q)))

    i, j, k = faces.T
    ab, bc, ca = halving(i, j), halving(j, k), halving(k, i)
    parts = [np.stack(t, axis=1) for t in ((i, ab, ca), (j, bc, ab), (k, ca, bc), (ab, bc, ca))]
    return np.vstack([vertices, middle]), np.concatenate(parts), edges


def with_halves(values: Floats, halved: NDArray[Any]) -> Floats:
    """``values`` (V,) on a mesh that was subdivided: a vertex that halves an edge has the mean of its ends."""
    return np.concatenate([values, values[halved].mean(axis=1)])


@dataclass(frozen=True, eq=False)
class RayMesh:
    """Directions of the rays (N, 3), triangles (F, 3) and edges (E, 2) between them."""

    directions: Floats
    faces: NDArray[Any]
    edges: NDArray[Any]

    @classmethod
    def of(cls, count: int) -> RayMesh:
        """So many nearly even directions; made once, read-only."""
        return _ray_mesh(count)


@lru_cache(maxsize=8)
def _ray_mesh(count: int) -> RayMesh:
    directions, faces = sphere_directions(count)
    return RayMesh(frozen(directions), frozen(faces), frozen(mesh_edges(faces)))


@dataclass(frozen=True, eq=False)
class Band:
    """A symmetric matrix of rays in ``order`` (N,), as its lower ``band`` (B + 1, N)."""

    order: NDArray[np.intp]
    band: Floats


def bending(mesh: RayMesh, stiffness: float = 0.6) -> tuple[Any, Floats]:
    """Penalty matrix on the bending of the radius over the mesh, and a weak pull (N,) of every radius to 1."""
    count = len(mesh.directions)
    spacing_angle = np.sqrt(4 * np.pi / count)
    bend = csc_matrix(smoothing_matrix(count, mesh.edges) - diags_array(np.ones(count)))
    return (bend.T @ bend) * (stiffness * (0.112 / spacing_angle) ** 4), np.full(count, 1e-3)


def in_band(penalty: Any) -> Band:
    """The penalty of :func:`bending` for many solutions, each some eight times as fast.

    Rays are put in an order that keeps neighbours close (Cuthill and McKee 1969, Proc 24th ACM Nat Conf 157).
    """
    matrix = csr_matrix(penalty)
    order = reverse_cuthill_mckee(matrix, symmetric_mode=True).astype(np.intp)
    ordered = matrix[order][:, order].tocoo()
    below = ordered.row - ordered.col
    band = np.zeros((int(below.max()) + 1, matrix.shape[0]))
    lower = below >= 0
    band[below[lower], ordered.col[lower]] = ordered.data[lower]
    return Band(order, band)


def solve_radius(target: Floats, weight: Floats, penalty: Any, pull: Floats) -> Floats:
    """Radius (N,) that follows ``target`` where weighted and bends as little as possible elsewhere.

    ``penalty`` and ``pull`` are those of :func:`bending`, the former perhaps :func:`in_band`.
    """
    if not isinstance(penalty, Band):
        matrix = csc_matrix(diags_array(weight) + penalty + diags_array(pull))
        return np.asarray(spsolve(matrix, weight * target + pull, permc_spec="MMD_AT_PLUS_A"))
    system = penalty.band.copy()
    system[0] += (weight + pull)[penalty.order]
    right = (weight * target + pull)[penalty.order]
    found = solveh_banded(system, right, overwrite_ab=True, overwrite_b=True, lower=True, check_finite=False)
    radius = np.empty(len(found))
    radius[penalty.order] = found
    return radius


def mesh_area(vertices: Floats, faces: NDArray[Any]) -> float:
    """Area in mm2 of a triangle mesh: vertices (N, 3) mm, faces (F, 3)."""
    return float(face_areas(vertices, faces).sum())


def face_areas(vertices: Floats, faces: NDArray[Any]) -> Floats:
    """(F,) areas in mm2."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return np.asarray(np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2)


def vertex_areas(vertices: Floats, faces: NDArray[Any]) -> Floats:
    """(V,) mm2, each triangle shared evenly among its corners."""
    third = face_areas(vertices, faces) / 3
    area = np.zeros(len(vertices))
    for k in range(3):
        np.add.at(area, faces[:, k], third)
    return area
