"""The wall of mineral that is seen from a point, before anything is known of bone.

A dense shell that touches a small bone is one part with it; from a point within, its wall tells the two apart.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..base import Floats, Volume
from ..reference import Reference
from ..surface import sphere_directions
from .start import fit_ellipsoid

DIRECTIONS = 600
STEP_MM, REACH_MM = 0.5, 45.0
"""Steps along a ray, and how far it is followed: a larger lesion is no small bone's neighbour."""
THICKEST_MM = 8.0
"""A wall thicker than this along a ray goes on into something else."""
BEHIND_MM = 2.5
"""So far behind a wall, more than a cell of the skeleton's grid, bone shows that the wall is its cortex."""
DENSER = 1.3
"""Times the highest HU of the walls that are seen, from which a place is no longer wall."""
WALL_REACH = 2.2
"""The wall lies within so many times its middle distance, and beyond the same share of it."""
LEAST_SEEN = 0.4
"""Share of all directions in which both sides of the wall must show."""
WITHIN, FITTING = 0.25, 0.75
"""A place of the wall fits its ellipsoid within this share of its distance; so many must (own judgement, as all)."""


def seen_wall(
    volume: Volume,
    reference: Reference,
    point: Floats,
    threshold_hu120: float,
    in_bone: Callable[[Floats], NDArray[np.bool_]] | None = None,
) -> Floats | None:
    """Points (N, 3) LPS mm on rays from a point (3,), on the ellipsoid through the outside of the wall around it;
    ``None`` without one.

    Walls of soft tissue on both sides count alone, so that the side that touches bone is completed by the others.
    ``in_bone`` tells of places (K, 3) whether they lie in what the skeleton has for bone: marrow is soft, but what lies
    before it is cortex, and cuts the ellipsoid off.
    """
    directions, _ = sphere_directions(DIRECTIONS)
    steps = np.arange(0.0, REACH_MM, STEP_MM)
    hu = volume.sample(point + steps[:, None, None] * directions)
    dense = reference.hu120(hu) >= threshold_hu120
    if dense[0].any():
        return None
    inner = np.argmax(dense, axis=0)
    outer = np.argmax(~dense & (np.arange(len(steps))[:, None] > inner), axis=0)
    met = dense.any(axis=0) & (outer > inner)
    wall = met & ((outer - inner) * STEP_MM <= THICKEST_MM)
    # Where the scan ends is no outside of a wall.
    wall &= np.isfinite(hu[outer, np.arange(len(directions))])
    far = (outer - 0.5) * STEP_MM
    cortex = np.zeros(len(directions), bool)
    if in_bone is not None:
        behind = np.minimum(far, (inner + 0.5) * STEP_MM + THICKEST_MM) + BEHIND_MM
        cortex[met] = in_bone(point + behind[met, None] * directions[met])
        wall &= ~cortex
    if wall.mean() < LEAST_SEEN:
        return None
    middle = float(np.median(far[wall]))
    wall &= (far < WALL_REACH * middle) & (far > middle / WALL_REACH)
    covered = float(wall.mean())
    if covered < LEAST_SEEN:
        return None
    places = point + far[wall, None] * directions[wall]
    body = fit_ellipsoid(places, point, coverage=covered)
    fits = np.abs(body.relative_radius(places) - 1.0) < WITHIN
    if fits.mean() < FITTING:
        return None
    body = fit_ellipsoid(places[fits], point, start=body, coverage=covered)
    reach = body.reach(point, directions)
    if cortex.any():
        before = _before_cortex(hu, inner, outer, wall)
        reach[cortex] = np.minimum(reach[cortex], before[cortex])
    return np.asarray(point + reach[:, None] * directions) if np.isfinite(reach).all() else None


def _before_cortex(hu: Floats, inner: NDArray[Any], outer: NDArray[Any], wall: NDArray[np.bool_]) -> Floats:
    """(N,) mm at which the lesion ends on rays that lead on into bone: where it is denser than the ``wall`` of others,
    or at their thickness; ``hu`` (S, N) along the rays, dense from step ``inner`` to ``outer``."""
    along = np.arange(len(hu))[:, None]
    within = (along >= inner) & (along < outer)
    highest = np.where(within, hu, -np.inf).max(axis=0)
    denser = within & (hu > DENSER * float(np.median(highest[wall])))
    end = np.where(denser.any(axis=0), np.argmax(denser, axis=0), outer)
    thickness = int(np.median((outer - inner)[wall]))
    return np.asarray((np.minimum(end, inner + thickness) - 0.5) * STEP_MM)
