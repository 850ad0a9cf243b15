"""The wall of mineral that is seen from a point, before anything is known of bone.

A dense shell that touches a small bone is one part with it; from a point within, its wall tells the two apart.
"""

from __future__ import annotations

import numpy as np

from ..base import Floats, Volume
from ..reference import Reference
from ..surface import sphere_directions
from .start import fit_ellipsoid

DIRECTIONS = 600
STEP_MM, REACH_MM = 0.5, 45.0
"""Steps along a ray, and how far it is followed: a larger lesion is no small bone's neighbour."""
THICKEST_MM = 8.0
"""A wall thicker than this along a ray goes on into something else."""
WALL_REACH = 2.2
"""The wall lies within so many times its middle distance, and beyond the same share of it."""
LEAST_SEEN = 0.4
"""Share of all directions in which both sides of the wall must show."""
WITHIN, FITTING = 0.25, 0.75
"""A place of the wall fits its ellipsoid within this share of its distance; so many must (own judgement, as all)."""


def seen_wall(volume: Volume, reference: Reference, point: Floats, threshold_hu120: float) -> Floats | None:
    """Points (N, 3) LPS mm of the ellipsoid through the outside of the wall around a point (3,); ``None`` without one.

    Walls of soft tissue on both sides count alone, so that the side that touches bone is completed by the others.
    """
    directions, _ = sphere_directions(DIRECTIONS)
    steps = np.arange(0.0, REACH_MM, STEP_MM)
    hu = volume.sample(point + steps[:, None, None] * directions)
    dense = reference.hu120(hu) >= threshold_hu120
    if dense[0].any():
        return None
    inner = np.argmax(dense, axis=0)
    outer = np.argmax(~dense & (np.arange(len(steps))[:, None] > inner), axis=0)
    wall = dense.any(axis=0) & (outer > inner) & ((outer - inner) * STEP_MM <= THICKEST_MM)
    # Where the scan ends is no outside of a wall.
    wall &= np.isfinite(hu[outer, np.arange(len(directions))])
    if wall.mean() < LEAST_SEEN:
        return None
    far = (outer - 0.5) * STEP_MM
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
    return np.asarray(body.centre + directions @ body.shape.T)
