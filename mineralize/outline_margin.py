"""The outline of a lesion that holds no mineral: its mass margin where it can be seen, else one carried over."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import ndimage

from .geometry import Floats, Rigid, sample
from .outline import (
    Margin,
    Neighbourhood,
    Outline,
    RayMesh,
    bending,
    mass_margin,
    region_cost,
    solve_radius,
    subdivided,
    vertex_normals,
)
from .outline_graph import optimal_levels
from .outline_start import Ellipsoid
from .reference import Reference
from .settings import Settings

LEAST_CONTRAST = 1.6
"""Distance of lesion and surroundings in standard deviations of the smoothed image that makes a margin visible."""


def find_mass_margin(
    near: Neighbourhood, reference: Reference, settings: Settings, *, scan: int, expected: Ellipsoid
) -> Outline | None:
    """Outline by the difference of soft tissue; ``None`` where it does not stand out.

    Parameters
    ----------
    expected : place and size by another scan, or a ball around the seed.
    """
    margin = mass_margin(near, reference, expected)
    if margin.contrast < LEAST_CONTRAST:
        return None
    mesh = RayMesh.of(settings.outline.rays)
    stretch = mesh.directions @ expected.shape.T
    length = np.linalg.norm(stretch, axis=1)
    levels = np.linspace(0.3, 1.8, 70)
    step = (levels[1] - levels[0]) * length
    spots = expected.centre + levels[None, :, None] * stretch[:, None, :]
    bone = near.bone_at(spots)
    outside = ~np.isfinite(sample(margin.soft, near.grid, spots))
    cost = np.clip(region_cost(near, margin, spots, step), -8.0, 8.0) + 0.5 * (levels[None, :] - 1.0) ** 2
    cost = cost + 30.0 * np.maximum.accumulate(bone < 0.0, axis=1) + 0.1 * outside
    chosen = optimal_levels(cost, mesh.edges, 0.4 * float(np.median(step)) / 0.5)
    radius = levels[chosen]
    penalty, pull = bending(mesh, stiffness=12.0)
    radius = solve_radius(radius, np.ones(len(radius)), penalty, pull)
    vertices = expected.centre + radius[:, None] * stretch
    seen = _seen(near, margin, vertices, vertex_normals(vertices, mesh.faces))
    if seen < 0.6:
        return None
    fine, faces, _ = subdivided(vertices, mesh.faces, vertex_normals(vertices, mesh.faces))
    return Outline(
        scan,
        fine,
        faces,
        np.full(len(fine), 0.1),
        "mass margin",
        1.0,
        "caution",
        f"no mineral shell; the outline follows a soft margin visible along {seen:.0%} of it",
        ellipsoid=expected,
    )


def _seen(near: Neighbourhood, margin: Margin, vertices: Floats, normals: Floats) -> float:
    """Share of the surface across which the smoothed HU moves from inside to outside."""
    inner = sample(margin.soft, near.grid, vertices - 2.5 * normals)
    outer = sample(margin.soft, near.grid, vertices + 2.5 * normals)
    step = (outer - inner) * np.sign(margin.outside_hu - margin.inside_hu)
    known = np.isfinite(step)
    if not known.any():
        return 0.0
    return float((step[known] > 0.4 * abs(margin.outside_hu - margin.inside_hu)).sum() / len(step))


def ball_around(near: Neighbourhood, seed: Floats, reference: Reference) -> Ellipsoid | None:
    """A ball around the seed where its tissue first gives way to something else; ``None`` where it never does."""
    soft = ndimage.gaussian_filter(near.hu, 1.5 / near.grid.spacing)
    radii = np.arange(1.0, 45.0, 1.0)
    directions = RayMesh.of(200).directions
    values = sample(soft, near.grid, seed + radii[None, :, None] * directions[:, None, :])
    start = float(np.nanmedian(values[:, :3]))
    spread = max(reference.noise_4mm_hu, 3.0)
    if abs(start - reference.muscle.mean_hu) < 2.0 * spread:
        return None
    halfway = 0.5 * (start + reference.muscle.mean_hu)
    beyond = (values - halfway) * np.sign(reference.muscle.mean_hu - start) > 0
    beyond |= ~np.isfinite(values)
    first = np.where(beyond.any(axis=1), radii[beyond.argmax(axis=1)], np.nan)
    if np.isfinite(first).mean() < 0.7:
        return None
    radius = float(np.nanmedian(first))
    return Ellipsoid(np.asarray(seed, float), np.eye(3) * radius)


def carried_over(source: Outline, motion: Rigid, scan: int) -> Outline:
    """The outline of another scan laid into this one; for looking at what lies there, not for sizes."""
    body = source.ellipsoid
    moved = None if body is None else Ellipsoid(motion.apply(body.centre), motion.turn(body.shape.T).T)
    return replace(
        source,
        scan=scan,
        vertices=motion.apply(source.vertices),
        supported=np.zeros(len(source.vertices)),
        method="carried over",
        spread_mm=2.0,
        trust="caution",
        reason=f"nothing here to outline; the region is that of scan {source.scan}, carried over",
        notes=(),
        touches_bone=None,
        ellipsoid=moved,
    )
