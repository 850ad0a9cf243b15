"""The outline where a reader corrected it: the same optimal surface, bound to the places that the reader gave.

Two cases. An outline that is believed is moved where the reader says so and as little as possible elsewhere; where
there is none to be believed a surface is laid through the places given, as bodies of that kind go on between them
(``surface_through``). Either is then settled within its own doubt by what the image shows there: mineral that must
lie inside, bone and fat that must lie outside, a soft edge where one is to be seen. The hand errs by some
``HAND_SD_MM``; what is left open between the places given widens the interval.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import linalg
from scipy.spatial import cKDTree

from ..base import Z95, Floats, Settings, Verdict, Verdicts, caution, withhold
from ..reference import Reference
from ..surface import (
    Drawn,
    RayMesh,
    body_between,
    subdivided,
    surface_through,
    vertex_areas,
    vertex_normals,
    with_halves,
)
from .constraints import HAND_SD_MM, Hand, evenly_along
from .doubts import CARRIED
from .drawn import outline_from_mask
from .hand_image import seen_edges
from .near import Neighbourhood
from .outline import Outline, OutlineDoubt
from .start import Ellipsoid

SUPPORT = 0.5
"""Support of a vertex whose place the reader settled."""
UNSETTLED = 0.1
"""Support of a vertex that neither the hand nor an edge settles."""
SETTLED_MM = 2.5
"""Standard deviation of its place up to which a vertex counts as settled by the hand."""
FAR_OFF_MM = 5.0
FAR_OFF_POINTS = 4
"""From so many places that lie mostly farther off, the reader means another surface than the outline found."""
REACH_SHARE, REACH_MM = 0.5, (5.0, 15.0)
"""How far a place given moves the outline around it: this share of its radius, within these limits (own judgement)."""
LEAST_PRIOR_MM = 2.0
"""Standard deviation of what an outline may be moved by, where the places given ask for less."""
NEAR_A_PLACE = 1.5
"""Within so many reaches of a place given an edge may give way to it."""
EDGE_SD_MM, LEAST_SUPPORT = 0.6, 0.1
"""Standard deviation of a vertex that an edge of full support holds, more with less support, which counts as this at
least (own judgement)."""
SPACING_MM, SPACING_STEPS = (0.8, 2.0), 60.0
"""Voxels in which a body between curves is built: so many over its length, within these limits."""
PLACES_PER_STROKE = 30.0
"""Places of a curve, 1 mm apart, over which the hand errs alike (own judgement)."""
LEAST_SLICES = 3.0
"""A body of less slices has no volume (`measurements.md` of the definitions)."""
GIVES_WAY = 2.0
"""An edge in the image gives way to a place that lies farther off than so many millimetres."""
WIDEST_OPEN = 0.5
"""95 % half-width of the logarithm of the volume from which the places given do not settle it."""
READERS_VOLUME = 0.097
"""95 % half-width of a volume between two drawings of one scan (Hein 2010: -9.7 to +8.3 %)."""
READERS_LENGTH = ((10.0, 0.116), (20.0, 0.062))
"""The same of a diameter, for diameters in mm (McErlean 2013: -11.6 to +6.7 % below 10 mm, -6.2 to +4.7 % from 20)."""
MISFIT_MM = 3.0
MISFIT_SHARE = 0.1
"""Curves of which more than this share lies farther off than this are no shape that rays from inside can hold."""
OPEN_PER_MM = 0.15
"""How fast (mm per mm) a surface between drawn curves may leave the one that bends least (own judgement)."""
MOVED_MM = 0.5
"""A vertex moved farther counts as drawn by the reader."""
LARGEST_CUT = 0.002
"""Share of an outline that may lie outside the scan by rounding."""


@dataclass(frozen=True, eq=False)
class _Moved:
    """A surface with the standard deviation of its place at every vertex, and that of the logarithm of its volume."""

    vertices: Floats
    faces: NDArray[np.int_]
    sd_mm: Floats
    volume_sd: float
    support: Floats
    body: Ellipsoid | None


def corrected(
    near: Neighbourhood,
    reference: Reference,
    hand: Hand,
    settings: Settings,
    *,
    scan: int,
    found: Outline | None,
    seed: Floats,
) -> Outline | None:
    """The outline bound to what the reader drew; ``found`` unchanged where nothing was said about the margin.

    Parameters
    ----------
    near : surroundings that reach beyond all that was drawn.
    found : what was outlined without help, if anything.
    seed : (3,) LPS mm in the lesion.
    """
    if not hand.of_the_margin:
        return found
    points, sd = hand.on_margin()
    moved: _Moved | None
    if found is not None and _is_meant(found, points):
        moved = _pushed(found, points, sd)
        own = found
    else:
        moved = _through(near, reference, hand, points, sd, seed=seed, settings=settings)
        own = None
    if moved is None:
        return found
    return _judged(near, hand, moved, own, scan)


def _is_meant(found: Outline, points: Floats) -> bool:
    """Whether the reader corrects this outline, rather than draws another."""
    if found.trust == "withheld" or found.method == "carried over":
        return False
    off = np.abs(_off(found.vertices, found.faces, points))
    return len(points) < FAR_OFF_POINTS or float(np.median(off)) <= FAR_OFF_MM


def _off(vertices: Floats, faces: NDArray[np.int_], points: Floats) -> Floats:
    """(M,) mm by which points lie outside a surface, along the normal of the nearest vertex."""
    _, nearest = cKDTree(vertices).query(points)
    normals = vertex_normals(vertices, faces)
    return np.asarray(np.einsum("ij,ij->i", points - vertices[nearest], normals[nearest]))


def _pushed(found: Outline, points: Floats, sd: Floats) -> _Moved:
    """A believed outline moved through the places given: a smooth field of shifts that is nil where edges carry it."""
    vertices, faces = found.vertices, found.faces
    normals = vertex_normals(vertices, faces)
    radius = float(np.cbrt(3 * found.volume_mm3 / (4 * np.pi)))
    off = _off(vertices, faces, points)
    reach = float(np.clip(REACH_SHARE * radius, *REACH_MM))
    prior = max(LEAST_PRIOR_MM, float(np.sqrt(np.mean(off**2))))
    _, nearest = cKDTree(vertices).query(points)
    touched = vertices[nearest]
    step = max(len(vertices) // 700, 1)
    some = np.arange(0, len(vertices), step)
    away, which = cKDTree(touched).query(vertices[some])
    bound = (found.supported[some] > CARRIED) & ~((away < NEAR_A_PLACE * reach) & (np.abs(off[which]) > GIVES_WAY))
    held = some[bound]
    at = np.vstack([touched, vertices[held]])
    shift = np.concatenate([off, np.zeros(len(held))])
    error = np.concatenate([sd, EDGE_SD_MM / np.sqrt(np.clip(found.supported[held], LEAST_SUPPORT, 1.0))])

    def kernel(one: Floats, other: Floats) -> Floats:
        apart = np.linalg.norm(one[:, None, :] - other[None, :, :], axis=2) / reach
        return np.asarray(prior**2 * np.exp(-0.5 * apart**2))

    system = linalg.cho_factor(kernel(at, at) + np.diag(error**2))
    across = kernel(vertices, at)
    move = across @ linalg.cho_solve(system, shift)
    variance = prior**2 - np.einsum("ij,ji->i", across, linalg.cho_solve(system, across.T))
    spread = np.sqrt(np.maximum(variance, 0.0))
    spread = np.where(np.abs(move) > 0.5 * found.spread_mm, np.hypot(spread, 0.5 * found.spread_mm), spread)
    area = vertex_areas(vertices, faces)
    new = vertices + move[:, None] * normals
    # Shifts hang together over the reach of the field: so many patches err independently.
    patches = max(float(area.sum()) / (2 * np.pi * reach**2), 1.0)
    doubt = float((area * spread).sum() / np.sqrt(patches) / found.volume_mm3)
    support = np.where(np.abs(move) > 1.0, np.maximum(found.supported, SUPPORT), found.supported)
    return _Moved(new, faces, np.maximum(spread, 0.5 * found.spread_mm / Z95), doubt, support, found.ellipsoid)


def _through(
    near: Neighbourhood,
    reference: Reference,
    hand: Hand,
    points: Floats,
    sd: Floats,
    *,
    seed: Floats,
    settings: Settings,
) -> _Moved | None:
    """A new surface through the places given, with what the image shows between them."""
    mesh = RayMesh.of(settings.outline.rays)
    inside = points if len(points) >= FAR_OFF_POINTS else np.vstack([points, seed[None]])
    drawn = surface_through(points, sd, mesh, inside.mean(axis=0))
    if len(hand.contours) > 1 and _misfit(drawn, points) > MISFIT_SHARE:
        between = _between(hand)
        if between is not None:
            return between
    edges, errors = seen_edges(near, reference, drawn)
    if len(edges):
        drawn = surface_through(np.vstack([points, edges]), np.concatenate([sd, errors]), mesh, seen_from=drawn)
    vertices = drawn.vertices
    fine, faces, halved = subdivided(vertices, mesh.faces, vertex_normals(vertices, mesh.faces))
    spread = with_halves(drawn.sd_mm, halved)
    support = np.where(spread <= SETTLED_MM, SUPPORT, UNSETTLED)
    radius = float(np.cbrt(drawn.volume_mm3 * 3 / (4 * np.pi)))
    # ``frame`` has unit volume, so that ``radius`` is the mean one.
    return _Moved(fine, faces, spread, drawn.volume_sd, support, Ellipsoid(drawn.centre, radius * drawn.frame))


def _misfit(drawn: Drawn, points: Floats) -> float:
    """Share of the places given that lie far off the surface laid through them."""
    off = _off(drawn.vertices, drawn.mesh.faces, points)
    return float((np.abs(off) > MISFIT_MM).mean())


def _between(hand: Hand) -> _Moved | None:
    """The body between drawn curves of a shape that no rays can hold; ``None`` where all lie in one plane."""
    curves = [evenly_along(c, 1.0) for c in hand.contours]
    everything = np.concatenate(curves)
    if float(np.linalg.svd(everything - everything.mean(axis=0))[1][-1]) / np.sqrt(len(everything)) < 1.0:
        return None
    spacing = float(np.clip(np.ptp(everything, axis=0).max() / SPACING_STEPS, *SPACING_MM))
    mask, grid = body_between(curves, hand.points, spacing)
    raw = outline_from_mask(mask, grid, scan=0, method="by hand", verdicts=(), spread_mm=2.0 * HAND_SD_MM)
    if raw is None:
        return None
    away, _ = cKDTree(everything).query(raw.vertices)
    spread = np.hypot(HAND_SD_MM, OPEN_PER_MM * away)
    area = vertex_areas(raw.vertices, raw.faces)
    strokes = max(sum(len(c) for c in curves) / PLACES_PER_STROKE, 1.0)
    open_mm = float(np.average(OPEN_PER_MM * away, weights=area)) / np.sqrt(max(len(curves) - 1, 1))
    doubt = float(area.sum() * np.hypot(HAND_SD_MM / np.sqrt(strokes), open_mm) / raw.volume_mm3)
    support = np.where(spread <= SETTLED_MM, SUPPORT, UNSETTLED)
    return _Moved(raw.vertices, raw.faces, spread, doubt, support, raw.ellipsoid)


def _judged(near: Neighbourhood, hand: Hand, moved: _Moved, own: Outline | None, scan: int) -> Outline:
    """The corrected outline with its interval and its verdict: never better than a caution."""
    area = vertex_areas(moved.vertices, moved.faces)
    drawn = 1.0
    if own is not None:
        drawn = float(area[np.linalg.norm(moved.vertices - own.vertices, axis=1) > MOVED_MM].sum() / area.sum())
    open_half = Z95 * moved.volume_sd
    place_mm = Z95 * float(np.average(moved.sd_mm, weights=area))
    doubt = OutlineDoubt(
        volume=float(np.hypot(open_half, READERS_VOLUME * drawn)),
        length_mm=place_mm,
        readers=tuple((size, drawn * share) for size, share in READERS_LENGTH),
    )
    return Outline(
        scan,
        moved.vertices,
        moved.faces,
        moved.support,
        "by hand" if own is None else own.method,
        max(place_mm, 0.0 if own is None else own.spread_mm),
        (*_limits(near, moved, open_half), *_words(hand, drawn), *(() if own is None else own.verdicts)),
        notes=() if own is None else own.notes,
        touches_bone=None if own is None else own.touches_bone,
        ellipsoid=moved.body,
        doubt=doubt,
        left_out=0.0 if own is None else own.left_out,
    )


def _limits(near: Neighbourhood, moved: _Moved, open_half: float) -> Verdicts:
    """What bars even a drawn outline."""
    found: list[Verdict] = []
    if (~near.grid.contains(moved.vertices, margin_mm=0.0)).mean() > LARGEST_CUT:
        found.append(withhold("cut-by-scan"))
    if open_half > WIDEST_OPEN:
        found.append(withhold("by-hand-open", share=float(np.expm1(open_half))))
    spacing = float(near.grid.spacing[0])
    extent = float(np.ptp(moved.vertices @ near.grid.directions, axis=0).min())
    if extent < LEAST_SLICES * spacing:
        found.append(withhold("slices-third", spacing_mm=spacing, extent_mm=extent))
    return tuple(found)


def _words(hand: Hand, drawn: float) -> Verdicts:
    found = [caution("by-hand", share=drawn, count=float(len(hand.points) + len(hand.contours)))]
    if hand.carried_from:
        found.append(caution("by-hand-carried", scans=", ".join(str(n) for n in hand.carried_from)))
    return tuple(found)


def with_hand(outline: Outline, hand: Hand) -> Outline:
    """An outline whose mineral a reader corrected: cautioned at least."""
    if not hand.of_the_mineral:
        return outline
    said = caution("by-hand-mineral", added=float(len(hand.added)), taken=float(len(hand.taken)))
    return replace(outline, verdicts=(*outline.verdicts, said))
