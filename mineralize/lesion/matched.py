"""How far the soft margin of one mass moved between two scans, read from both at once.

Where a soft margin lies is a matter of convention, of blur and of what is beside it, which a mass brings along into
every scan. Here one surface is laid into two scans, and how far its edge moved along each normal is found by laying the
profiles of both over each other, which needs no convention of where in a profile the edge is.

The shift is the least-squares match of profiles (Lucas and Kanade 1981, IJCAI 674, in one dimension), with a level and
a height of its own at every place, so that tissue that became darker or brighter beside an edge that stays moves
nothing. Ties between neighbours carry it past places where no edge shows, and the surface may slide as a whole;
the variance of the weighted solution says how well the change of volume is known.

Numbers below without another source are own judgement, held against truth by ``scripts/validate_soft``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.linalg import splu

from ..base import Floats, Grid, Rigid, sample
from ..surface import mesh_edges, smoothing_matrix, vertex_areas, vertex_normals
from .near import SMOOTH_MM

STEP_MM, WINDOW_MM, REACH_MM = 0.5, 4.0, 14.0
"""Profiles are compared over this far on both sides of the surface, in such steps, and known over the last."""
OFFSETS = np.arange(-WINDOW_MM, WINDOW_MM + 0.01, STEP_MM)
FAR = np.arange(-REACH_MM, REACH_MM + 0.01, STEP_MM)
WINDOW = np.cos(0.5 * np.pi * OFFSETS / (WINDOW_MM + STEP_MM)) ** 2
PATCH_MM, PATCH_VARIANCE = 2.0, 0.375
"""Profiles are averaged over about this far on each side along the surface; variance along either axis that an
averaging adds, in squares of the distance of neighbours (six of them, and twice the own value)."""
MOST_SHIFT_MM = REACH_MM - WINDOW_MM - 1.0
ROUNDS, SETTLED_MM, MOST_STEP_MM = 12, 0.01, 1.0
LOOSE_MM = 0.15
"""How far neighbours on the mesh may move apart, one standard deviation: growth is smooth."""
STRAY_MM = 0.5
"""A place that would move so much farther than its surroundings counts for less: a vessel, a fat plane that slid."""
PLACE_SD_MM = 0.6
"""What an edge moves by other than growth: tissue beside the mass is displaced from scan to scan (own phantoms)."""
LEAST_PLACES = 50
CALM_HALF = 1.6
"""Mean square of a match's misfit over that of the calmer half of places."""
LEAST_SIGNAL = 0.1
"""Share of the slope's energy that noise must leave for an edge to count."""
SEEN_SD_MM = 1.5
"""An edge is seen in both scans where a place by itself tells its shift so well."""
LEAST_AVERAGED = 0.5
"""Share of a patch that must be known."""


@dataclass(frozen=True, eq=False)
class View:
    """One scan as its soft tissue shows: ``likeness`` (slices, rows, columns) on ``grid``, NaN where nothing is known;
    the ``motion`` that takes LPS mm of the surface to LPS mm of this scan; and the blur of the scan (sd, mm)."""

    likeness: NDArray[Any]
    grid: Grid
    motion: Rigid
    blur_mm: float


@dataclass(frozen=True, eq=False)
class Shift:
    """How far the edge moved outward, (V,) mm along the normals; the standard error (mm3) of the volume that this adds;
    and the share of the area along which an edge is seen in both scans."""

    mm: Floats
    volume_sd_mm3: float
    seen: float


def likeness(soft: NDArray[Any], inside_hu: float, outside_hu: float) -> NDArray[Any]:
    """How far smoothed HU are from the inside of a mass: 0 there, 1 for what surrounds it.

    What is as unlike on the other side is folded over and nothing counts for more than 1: a fat plane beside a mass a
    little darker than muscle is no more outside than the muscle.
    """
    apart = (soft - inside_hu) / (outside_hu - inside_hu)
    return np.asarray(np.where(apart < -1.0, np.minimum(-2.0 - apart, 1.0), np.minimum(apart, 1.0)), np.float32)


@dataclass(frozen=True, eq=False)
class Surface:
    """A closed surface with what matching along its normals needs again and again."""

    vertices: Floats
    normals: Floats
    edges: NDArray[Any]
    areas: Floats
    averaging: Any
    passes: int

    @classmethod
    def of(cls, vertices: Floats, faces: NDArray[Any]) -> Surface:
        """Of a mesh (V, 3), (F, 3)."""
        edges = mesh_edges(faces)
        apart = float(np.median(np.linalg.norm(vertices[edges[:, 0]] - vertices[edges[:, 1]], axis=1)))
        passes = int(np.clip(round((PATCH_MM / apart) ** 2), 1, 40))
        step = smoothing_matrix(len(vertices), edges)
        return cls(vertices, vertex_normals(vertices, faces), edges, vertex_areas(vertices, faces), step, passes)

    def averaged(self, values: Floats, passes: int) -> Floats:
        """``values`` (V, ...) averaged with the neighbours so many times."""
        for _ in range(passes):
            values = self.averaging @ values
        return values

    def profiles(self, view: View, offsets: Floats) -> Floats:
        """(V, offsets) likeness along the normals, averaged along the surface where known; NaN where mostly unknown."""
        spots = self.vertices[:, None, :] + offsets[None, :, None] * self.normals[:, None, :]
        values = sample(view.likeness, view.grid, view.motion.apply(spots.reshape(-1, 3)).reshape(spots.shape))
        known = np.isfinite(values)
        total = self.averaged(np.where(known, values, 0.0), self.passes)
        share = self.averaged(known.astype(float), self.passes)
        return np.asarray(np.where(share > LEAST_AVERAGED, total / np.maximum(share, LEAST_AVERAGED), np.nan))


def edge_shift(surface: Surface, one: View, other: View, start: Floats) -> Shift | None:
    """How far the edge in ``one`` has moved in ``other``; ``None`` where the two have no edge in common.

    Parameters
    ----------
    start : (V,) mm outward, a first guess.
    """
    first, far = surface.profiles(one, OFFSETS), surface.profiles(other, FAR)
    blur2 = SMOOTH_MM**2 + 0.5 * (one.blur_mm**2 + other.blur_mm**2)
    # Noise is one and the same over so large a patch of the surface (the area under its autocorrelation).
    patch_mm2 = 4.0 * np.pi * (PATCH_VARIANCE * PATCH_MM**2 + blur2)
    own = np.minimum(surface.areas / patch_mm2, 1.0)
    found = np.clip(surface.averaged(start, surface.passes), -MOST_SHIFT_MM, MOST_SHIFT_MM)
    for _ in range(ROUNDS):
        moved, precision = _matched(first, _shifted(far, found))
        target = found + np.clip(moved, -MOST_STEP_MM, MOST_STEP_MM)
        weight = precision * own / (1.0 + ((target - found) / STRAY_MM) ** 2) ** 2
        if float(weight.sum()) < 1.0:
            return None
        system = _Tied(surface, weight)
        before, found = found, np.clip(system.solve(weight * target), -MOST_SHIFT_MM, MOST_SHIFT_MM)
        if float(np.abs(found - before).max()) < SETTLED_MM:
            break
    seen = float(surface.areas[precision > SEEN_SD_MM**-2].sum() / surface.areas.sum())
    return Shift(found, system.sd(surface.areas), seen)


def _shifted(far: Floats, by: Floats) -> Floats:
    """(V, offsets) profiles read ``by`` (V,) mm farther out."""
    at = (OFFSETS[None, :] + by[:, None] - FAR[0]) / STEP_MM
    low = np.clip(np.floor(at).astype(int), 0, len(FAR) - 2)
    share = at - low
    rows = np.arange(len(far))[:, None]
    return np.asarray((1.0 - share) * far[rows, low] + share * far[rows, low + 1])


def _matched(first: Floats, second: Floats) -> tuple[Floats, Floats]:
    """Per place: how far ``second`` has yet to move outward (mm) and the precision of that (1/mm2, 0 without an edge).

    The mean of both profiles is the edge; its slope is what a shift looks like. A level and a height of its own are
    taken out of slope and difference alike (they are even and odd about an edge, so that little is lost).
    """
    known = np.isfinite(first) & np.isfinite(second)
    one, two = np.where(known, first, 0.0), np.where(known, second, 0.0)
    known[:, 1:-1] &= known[:, :-2] & known[:, 2:]  # of a slope both sides must be known
    weight = np.where(known, WINDOW[None, :], 0.0)
    usable = weight.sum(axis=1) > 0.5 * WINDOW.sum()
    if usable.sum() < LEAST_PLACES:
        return np.zeros(len(first)), np.zeros(len(first))
    mean = 0.5 * (one + two)
    slope = _without(mean, np.gradient(mean, STEP_MM, axis=1), weight)
    difference = _without(mean, one - two, weight)
    filtered = weight * slope
    energy, match = (filtered * slope).sum(axis=1), (filtered * difference).sum(axis=1)
    left = difference - np.clip(match / np.maximum(energy, 1e-9), -MOST_STEP_MM, MOST_STEP_MM)[:, None] * slope
    # What does not match at some places (a vessel, a fat plane that moved) is no noise of all the others.
    misfit = (weight * left**2).sum(axis=1)
    typical = max(float(np.median(misfit[usable])), 1e-12)
    calm = left[usable & (misfit <= typical)]
    covariance = CALM_HALF * calm.T @ calm / len(calm)
    variance = np.einsum("vi,ij,vj->v", filtered, covariance, filtered) * np.maximum(misfit / typical, 1.0)
    # Noise has slopes of its own, the mean of two scans half as much; they would pass for edges, and shorten the shift.
    signal = energy - 0.25 * _slope_energy(covariance)
    clear = usable & (signal > LEAST_SIGNAL * energy) & (energy > 1e-9)
    signal = np.where(clear, signal, 1.0)
    precision = np.where(clear, 1.0 / (variance / signal**2 + PLACE_SD_MM**2), 0.0)
    return np.where(clear, match / signal, 0.0), precision


def _slope_energy(covariance: Floats) -> float:
    """Expected weighted square of the slope of what has that covariance (offsets, offsets)."""
    slope: Floats = np.asarray(np.gradient(np.eye(len(covariance)), STEP_MM, axis=0))
    return float((WINDOW * np.diag(slope @ covariance @ slope.T)).sum())


def _without(mean: Floats, values: Floats, weight: Floats) -> Floats:
    """``values`` (V, offsets) less what of them is a constant or a multiple of ``mean``."""
    total = np.maximum(weight.sum(axis=1, keepdims=True), 1e-9)

    def centred(x: Floats) -> Floats:
        return np.asarray(x - (weight * x).sum(axis=1, keepdims=True) / total)

    step, rest = centred(mean), centred(values)
    size = (weight * step**2).sum(axis=1, keepdims=True)
    return np.asarray(rest - (weight * step * rest).sum(axis=1, keepdims=True) / np.maximum(size, 1e-6) * step)


class _Tied:
    """Weighted shifts on a mesh whose neighbours move alike, with a slide of the whole that costs nothing."""

    def __init__(self, surface: Surface, weight: Floats) -> None:
        count = len(weight)
        i, j = surface.edges[:, 0], surface.edges[:, 1]
        ties = sparse.csr_matrix((np.full(len(i), LOOSE_MM**-2), (i, j)), shape=(count, count))
        ties = ties + ties.T
        stiff = sparse.diags_array(np.asarray(ties.sum(axis=1)).ravel() + weight) - ties
        slide = sparse.csr_matrix(weight[:, None] * surface.normals)
        inner = surface.normals.T @ (weight[:, None] * surface.normals) + 1e-6 * np.eye(3)
        self._factors = splu(sparse.csc_matrix(sparse.block_array([[stiff, slide], [slide.transpose(), inner]])))
        self._normals = surface.normals

    def solve(self, right: Floats) -> Floats:
        """(V,) shifts for (V,) weighted targets."""
        both = self._factors.solve(np.concatenate([right, self._normals.T @ right]))
        return np.asarray(both[:-3] + self._normals @ both[-3:])

    def sd(self, areas: Floats) -> float:
        """Standard error of the volume that the shifts add."""
        return float(np.sqrt(max(float(areas @ self.solve(areas)), 0.0)))
