"""General tools of geometry: triangle meshes (V, 3), (F, 3), optimal surfaces over rays, layers seen through blur.

Lengths mm. :func:`optimal_levels` finds one closed surface as a global optimum over all rays; :func:`find_edges` fits
layers to profiles along rays; the mesh functions give volume, area, normals and curvature. Nothing here knows what a
lesion is. Each function names shapes, units, what it raises and the source of its method.
"""

from __future__ import annotations

from .edges import Edges, find_edges, peak_recovery, profile_depths, smoothing_matrix
from .from_curves import body_between
from .from_points import Drawn, surface_through
from .mesh import (
    RayMesh,
    bending,
    dents,
    highest_within,
    in_band,
    mean_curvature,
    mesh_area,
    mesh_volume,
    solve_radius,
    sphere_directions,
    subdivided,
    vertex_areas,
    vertex_normals,
    with_halves,
)
from .optimal import mesh_edges, optimal_levels

__all__ = [
    "Drawn",
    "Edges",
    "RayMesh",
    "bending",
    "body_between",
    "dents",
    "find_edges",
    "highest_within",
    "in_band",
    "mean_curvature",
    "mesh_area",
    "mesh_edges",
    "mesh_volume",
    "optimal_levels",
    "peak_recovery",
    "profile_depths",
    "smoothing_matrix",
    "solve_radius",
    "sphere_directions",
    "subdivided",
    "surface_through",
    "vertex_areas",
    "vertex_normals",
    "with_halves",
]
