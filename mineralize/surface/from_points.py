"""A closed surface through a few points that lie on it, and how far it may be from the true one between them.

The logarithm of its radius, seen from its middle, is a Gaussian field on the sphere (kriging: Matheron 1963, Econ Geol
58:1246; Rasmussen and Williams 2006, chapter 2). Its variance by spherical degree is that of bodies like the ones
sought: the size is unknown, the middle is a guess, ellipsoids are common, finer lobes ever rarer. The mean of the
field given the points is the surface; its spread between them is the doubt.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from ..base import Floats
from .mesh import RayMesh, mesh_volume

SIZE_SD, OFF_CENTRE_SD, ELLIPSOID_SD = 1.0, 0.2, 0.15
"""Standard deviation of the logarithm of the radius in the degrees 0, 1 and 2."""
LOBE_SD, LOBE_FALL = 0.12, 4.0
"""Standard deviation of all degrees from 3 together, and the power with which the variance of a degree falls.

Settled on lobed ellipsoids and on the drawn masses of a buttock, a hand and a knee (10 places with 1 mm of error each:
median error of the volume 7 %, interval holds in 92 %)."""
NEAREST = 0.05
"""A point is taken to lie at least so far (share of the size) from the middle: the rays through it need a direction."""
HIGHEST_DEGREE = 16
RECENTRED = 6
ROUNDED = 0.9
"""Share of the axes' differences (of logarithms) that the next frame takes over: few points do not settle them."""


def _degree_variances() -> Floats:
    degree = np.arange(HIGHEST_DEGREE + 1)
    lobes = np.where(degree >= 3, np.maximum(degree, 1.0) ** -LOBE_FALL, 0.0)
    variance = LOBE_SD**2 * lobes / lobes.sum()
    variance[:3] = SIZE_SD**2, OFF_CENTRE_SD**2, ELLIPSOID_SD**2
    return np.asarray(variance)


def covariance_of(one: Floats, other: Floats) -> Floats:
    """(N, M) covariance of the logarithm of the radius between unit directions (N, 3) and (M, 3)."""
    cosine = np.clip(one @ other.T, -1.0, 1.0)
    return np.asarray(np.polynomial.legendre.legval(cosine, _degree_variances()))


@dataclass(frozen=True, eq=False)
class Drawn:
    """A surface through points: its rays leave ``centre`` along the directions of ``mesh`` stretched by ``frame``.

    ``spread`` (N, N) is the covariance of the logarithm of the radii (N,).
    """

    centre: Floats
    frame: Floats
    radius: Floats
    mesh: RayMesh
    spread: Floats

    @property
    def vertices(self) -> Floats:
        """(N, 3) LPS mm."""
        return np.asarray(self.centre + self.radius[:, None] * (self.mesh.directions @ self.frame.T))

    @property
    def sd_mm(self) -> Floats:
        """(N,) standard deviation of each radius in mm."""
        length = np.linalg.norm(self.vertices - self.centre, axis=1)
        return np.asarray(length * np.sqrt(np.maximum(np.diag(self.spread), 0.0)))

    @property
    def volume_mm3(self) -> float:
        return mesh_volume(self.vertices, self.mesh.faces)

    @property
    def volume_sd(self) -> float:
        """Standard deviation of the logarithm of the volume, to first order in the field."""
        share = self.radius**3
        share = 3.0 * share / share.sum()
        return float(np.sqrt(max(share @ self.spread @ share, 0.0)))


def surface_through(
    points: Floats, sd_mm: Floats, mesh: RayMesh, centre: Floats | None = None, *, seen_from: Drawn | None = None
) -> Drawn:
    """The likeliest surface through points (N, 3) LPS mm, each off by a standard deviation ``sd_mm`` (N,), N >= 1.

    ``centre`` is where the first rays leave. Middle and axes of what they find make the next rays leave an ellipsoid.
    With ``seen_from`` the rays are those of an earlier surface, of which this one is a correction.
    """
    middle = points.mean(axis=0) if centre is None else np.asarray(centre, float)
    frame: Floats = np.eye(3)
    rounds = RECENTRED
    if seen_from is not None:
        middle, frame, rounds = seen_from.centre, seen_from.frame, 0
    for last in [False] * rounds + [True]:
        arms = (points - middle) @ np.linalg.inv(frame).T
        far = np.maximum(np.linalg.norm(arms, axis=1), NEAREST)
        unit = arms / far[:, None]
        size = float(np.log(far).mean())
        noise = (sd_mm / np.maximum(np.linalg.norm(points - middle, axis=1), 0.5)) ** 2
        system = linalg.cho_factor(covariance_of(unit, unit) + np.diag(noise + 1e-8))
        across = covariance_of(mesh.directions, unit)
        radius = np.exp(size + across @ linalg.cho_solve(system, np.log(far) - size))
        if not last:
            middle, frame = _next_frame(middle, frame, radius, mesh.directions)
    spread = covariance_of(mesh.directions, mesh.directions) - across @ linalg.cho_solve(system, across.T)
    return Drawn(middle, frame, radius, mesh, spread)


def _next_frame(middle: Floats, frame: Floats, radius: Floats, directions: Floats) -> tuple[Floats, Floats]:
    """Middle and axes of the body whose radii in the present frame are given; the axes drawn a little to a ball."""
    cone = radius**3 / (radius**3).sum()
    off = 0.75 * (cone * radius) @ directions
    local = radius[:, None] * directions
    second = 0.6 * (cone[:, None] * local).T @ local - np.outer(off, off)
    values, axes = np.linalg.eigh(frame @ second @ frame.T)
    lengths = np.log(np.sqrt(np.maximum(values, 1e-12)))
    lengths = ROUNDED * (lengths - lengths.mean())
    return middle + frame @ off, (axes * np.exp(lengths)) @ axes.T
