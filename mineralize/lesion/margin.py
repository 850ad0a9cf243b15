"""The outline of a lesion that holds no mineral: its mass margin where it can be seen, else one carried over.

Numbers below without another source are own judgement, held against truth by ``scripts/validate``.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..base import MAD_TO_SD, Floats, Rigid, Settings, caution, sample, withhold
from ..reference import Reference
from ..surface import RayMesh, bending, optimal_levels, solve_radius, subdivided, vertex_normals, with_halves
from .near import Neighbourhood
from .outline import Outline
from .region import LEAST_CONTRAST, LEAST_SPREAD_HU, Margin, mass_margin, region_cost
from .start import Ellipsoid, fit_ellipsoid

SOFT_SUPPORT = 0.1
"""Support of a vertex that a soft margin carries."""
MOST_EVIDENCE = 8.0
"""What the look of soft tissue may say for or against a place, at most."""
LEAST_SEEN = 0.6
"""Share of a surface along which a margin must show."""
ACROSS_MM = 2.5
"""How far to both sides of a surface its tissue is compared."""
LEAST_STEP = 0.4
"""Share of the step between inside and outside that counts as seen."""
SHELL_DENSER, CENTRE_DENSER = 1.1, 1.15
"""Mineral is a shell where its outer part is so many times the inner over muscle, and central where the inner is."""
OUTER_RADII, INNER_RADII = (0.72, 0.93), (0.0, 0.5)
"""Relative radii of both parts."""
LARGER = 1.3
"""A mass around central mineral is told from it when it is so many times larger."""


def find_mass_margin(
    near: Neighbourhood,
    reference: Reference,
    settings: Settings,
    *,
    scan: int,
    expected: Ellipsoid,
    margin: Margin | None = None,
    largest: float = 1.8,
) -> Outline | None:
    """Outline by the difference of soft tissue; ``None`` where it does not stand out.

    Parameters
    ----------
    expected : place and size by another scan, or a ball around the seed.
    margin : how inside and outside look; found from ``expected`` when not given.
    largest : relative radius of ``expected`` up to which the margin is sought.
    """
    margin = margin or mass_margin(near, reference, expected)
    if margin.contrast < LEAST_CONTRAST:
        return None
    mesh = RayMesh.of(settings.outline.rays)
    stretch = mesh.directions @ expected.shape.T
    length = np.linalg.norm(stretch, axis=1)
    levels = np.linspace(0.3, largest, 70)
    step = (levels[1] - levels[0]) * length
    spots = expected.centre + levels[None, :, None] * stretch[:, None, :]
    bone = near.bone_at(spots)
    outside = ~np.isfinite(sample(margin.soft, near.grid, spots))
    cost = (
        np.clip(region_cost(near, margin, spots, step), -MOST_EVIDENCE, MOST_EVIDENCE)
        + 0.5 * (levels[None, :] - 1.0) ** 2
    )
    cost = cost + 30.0 * np.maximum.accumulate(bone < 0.0, axis=1) + 0.1 * outside
    chosen = optimal_levels(cost, mesh.edges, 0.4 * float(np.median(step)) / 0.5)
    radius = levels[chosen]
    penalty, pull = bending(mesh, stiffness=12.0)
    radius = solve_radius(radius, np.ones(len(radius)), penalty, pull)
    vertices = expected.centre + radius[:, None] * stretch
    seen = _seen(near, margin, vertices, vertex_normals(vertices, mesh.faces))
    if seen < LEAST_SEEN:
        return None
    return margin_outline(scan, vertices, mesh.faces, np.full(len(vertices), SOFT_SUPPORT), seen, body=expected)


def margin_outline(
    scan: int, vertices: Floats, faces: NDArray[Any], support: Floats, seen: float, *, body: Ellipsoid
) -> Outline:
    """The outline of a surface drawn by soft tissue, always cautioned.

    ``support`` (V,) as in :class:`Outline`; ``seen`` the share (0..1) of the surface along which the margin shows.
    """
    fine, fine_faces, halved = subdivided(vertices, faces, vertex_normals(vertices, faces))
    return Outline(
        scan,
        fine,
        fine_faces,
        with_halves(support, halved),
        "mass margin",
        1.0,
        (caution("no-shell"), caution("soft-margin", share=seen)),
        ellipsoid=body,
    )


def _seen(near: Neighbourhood, margin: Margin, vertices: Floats, normals: Floats) -> float:
    """Share of the surface across which the smoothed HU moves from inside to outside."""
    inner = sample(margin.soft, near.grid, vertices - ACROSS_MM * normals)
    outer = sample(margin.soft, near.grid, vertices + ACROSS_MM * normals)
    step = (outer - inner) * np.sign(margin.outside_hu - margin.inside_hu)
    known = np.isfinite(step)
    if not known.any():
        return 0.0
    return float((step[known] > LEAST_STEP * abs(margin.outside_hu - margin.inside_hu)).sum() / len(step))


def is_shell(near: Neighbourhood, reference: Reference, settings: Settings, outline: Outline) -> bool:
    """Whether the mineral is denser towards the outline than in its middle."""
    outer, inner = _outer_and_inner(near, outline)
    muscle = reference.muscle.mean_hu
    return inner < settings.outline.mineral_hu120 or outer - muscle > SHELL_DENSER * (inner - muscle)


def _outer_and_inner(near: Neighbourhood, outline: Outline) -> tuple[float, float]:
    centre = outline.centroid
    return _mean_at(near, outline, centre, *OUTER_RADII), _mean_at(near, outline, centre, *INNER_RADII)


def beyond_mineral(near: Neighbourhood, reference: Reference, settings: Settings, outline: Outline) -> Outline:
    """The outline of the whole lesion where its mineral is no shell but lies in the middle of a soft mass.

    The margin of the soft tissue beyond the mineral is sought; where it cannot be seen nothing is claimed about the
    size of the lesion.
    """
    body = outline.ellipsoid
    if body is None:
        return outline
    outer, inner = _outer_and_inner(near, outline)
    muscle = reference.muscle.mean_hu
    radius = float(np.cbrt(np.prod(body.radii)))
    wide = Ellipsoid(body.centre, body.shape * (1.0 + 5.0 / radius))
    margin = _ring_margin(near, reference, outline, mass_margin(near, reference, wide))
    found = None
    if margin is not None and margin.contrast >= LEAST_CONTRAST:
        for largest in (3.2, 1.8):
            found = find_mass_margin(
                near, reference, settings, scan=outline.scan, expected=wide, margin=margin, largest=largest
            )
            if found is None:
                break
            wide = fit_ellipsoid(found.vertices[::8], found.centroid, start=wide)
    if found is not None and found.volume_mm3 > LARGER * outline.volume_mm3:
        return replace(
            found, verdicts=(caution("mineral-no-shell"), *(v for v in found.verdicts if v.code != "no-shell"))
        )
    if inner - muscle > CENTRE_DENSER * (outer - muscle):
        return replace(outline, verdicts=(withhold("central-mineral"),))
    # Solid mineral may be all of the lesion, or lie in the middle of a mass as bright as muscle: what would then read
    # as a complete rim is none.
    return replace(outline, verdicts=(withhold("solid-mineral"),))


def _mean_at(near: Neighbourhood, outline: Outline, centre: Floats, low: float, high: float) -> float:
    """Mean HU120 between two relative radii of the outline, by volume, of its own mineralised directions."""
    shares = np.linspace(low, high, 6) if low > 0 else np.linspace(0.1, high, 6)
    spots = centre + shares[None, :, None] * (outline.vertices[::4] - centre)[:, None, :]
    values = near.at(spots)
    weight = np.broadcast_to(shares**2, values.shape)
    known = np.isfinite(values) & (near.bone_at(spots) > 1.0)
    return float((values[known] * weight[known]).sum() / max(weight[known].sum(), 1e-9))


def _ring_margin(near: Neighbourhood, reference: Reference, outline: Outline, margin: Margin) -> Margin | None:
    """Inside: what lies 2-5 mm beyond the mineral; outside: muscle of this scan. ``None`` where nothing is seen."""
    normals = outline.normals
    reach = np.array([2.0, 3.0, 4.0])
    ring = sample(margin.soft, near.grid, outline.vertices[:, None, :] + reach[None, :, None] * normals[:, None, :])
    ring = ring[np.isfinite(ring)]
    if len(ring) < 100:
        return None
    inside = float(np.median(ring))
    spread = max(MAD_TO_SD * float(np.median(np.abs(ring - inside))), LEAST_SPREAD_HU)
    return Margin(margin.soft, inside, reference.muscle.mean_hu, spread)


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
        verdicts=(caution("carried-over", scan=source.scan),),
        notes=(),
        touches_bone=None,
        ellipsoid=moved,
    )
