"""Volume and diameters of the outline."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, QhullError
from scipy.spatial.distance import pdist

from ..base import Floats
from ..lesion import OutlineDoubt
from ..surface import mesh_area
from .estimate import Estimate, symmetric
from .needed import slices_mm
from .site import Site


def longest_pair(points: Floats) -> tuple[Floats, Floats]:
    """The two points (D,) of (N, D) that lie furthest apart; one point twice where there is only one."""
    if len(points) > 30:
        try:
            points = points[ConvexHull(points).vertices]
        except QhullError:
            points = points[:: max(len(points) // 2000, 1)]
    if len(points) < 2:
        return points[0], points[0]
    points = _outlying(points)
    i, j = np.triu_indices(len(points), 1)
    best = int(pdist(points).argmax())
    return points[i[best]], points[j[best]]


def _outlying(points: Floats) -> Floats:
    """Those of the points (N, D), in order, among which the two furthest apart must be.

    From a distance L found by going to the furthest point three times: by the triangle inequality neither end of a
    longer one lies closer to the middle than L less the largest distance from it.
    """
    away = np.linalg.norm(points - points.mean(axis=0), axis=1)
    longest, end = 0.0, int(away.argmax())
    for _ in range(3):
        apart = np.linalg.norm(points - points[end], axis=1)
        end = int(apart.argmax())
        longest = max(longest, float(apart[end]))
    slack = 1e-9 * longest
    kept = points[away >= longest - float(away.max()) - slack]
    return kept if len(kept) >= 2 else points


def longest_distance(points: Floats) -> float:
    """Largest distance in mm between any two of the points (N, D); 0 for fewer than two."""
    return float(np.linalg.norm(np.subtract(*longest_pair(points)))) if len(points) else 0.0


def section(vertices: Floats, faces: NDArray[Any], height: Floats, level: float) -> Floats:
    """(S, 2, 3) segments in which a mesh cuts the plane ``height == level``; ``height`` (V,) is per vertex."""
    above = height[faces] > level
    crossing = faces[(above.any(axis=1)) & (~above.all(axis=1))]
    if not len(crossing):
        return np.zeros((0, 2, 3))
    ends = []
    for i, j in ((0, 1), (1, 2), (2, 0)):
        hi, hj = height[crossing[:, i]], height[crossing[:, j]]
        cut = (hi > level) != (hj > level)
        share = np.where(cut, (level - hi) / np.where(hi == hj, 1.0, hj - hi), np.nan)
        point = vertices[crossing[:, i]] + share[:, None] * (vertices[crossing[:, j]] - vertices[crossing[:, i]])
        ends.append(point)
    stacked = np.stack(ends, axis=1)
    valid = np.isfinite(stacked[:, :, 0])
    two = valid.sum(axis=1) == 2
    return np.asarray(stacked[two][valid[two]].reshape(-1, 2, 3))


def longest_chord(segments: Floats, along: Floats, across: Floats) -> float:
    """Longest extent in direction ``along`` over lines at any offset ``across`` of a closed polygon of segments.

    Parameters
    ----------
    segments : (S, 2, 3); along, across : unit vectors in the plane.
    """
    u, v = segments @ along, segments @ across
    low, high = float(v.min()), float(v.max())
    best = 0.0
    for offset in np.linspace(low, high, 81)[1:-1]:
        hit = (v[:, 0] > offset) != (v[:, 1] > offset)
        if hit.sum() < 2:
            continue
        share = (offset - v[hit, 0]) / (v[hit, 1] - v[hit, 0])
        cut = u[hit, 0] + share * (u[hit, 1] - u[hit, 0])
        best = max(best, float(np.ptp(cut)))
    return best


def axial_diameters(vertices: Floats, faces: NDArray[Any], normal: Floats, step_mm: float) -> tuple[float, float]:
    """Longest diameter in any plane across ``normal``, and the longest perpendicular to it in that plane (mm)."""
    height = vertices @ normal
    best = 0.0
    pair: Floats = np.zeros((2, 3))
    cut: Floats = np.zeros((0, 2, 3))
    for level in np.arange(height.min() + step_mm / 2, height.max(), step_mm):
        segments = section(vertices, faces, height, float(level))
        if len(segments) < 3:
            continue
        points = segments.reshape(-1, 3)
        frame = np.linalg.svd(normal[None])[2][1:]
        try:
            hull = points[ConvexHull(points @ frame.T).vertices]
        except QhullError:
            continue
        gaps = pdist(hull)
        if gaps.max() > best:
            best = float(gaps.max())
            i, j = (side[int(gaps.argmax())] for side in np.triu_indices(len(hull), 1))
            pair, cut = np.stack([hull[i], hull[j]]), segments
    if best == 0.0:
        return 0.0, 0.0
    along = (pair[1] - pair[0]) / best
    across = np.cross(normal, along)
    return best, longest_chord(cut, across, along)


def measure_shape(site: Site) -> list[Estimate]:
    """``lesion_volume``, ``longest_diameter``, ``axial_diameter``, ``axial_perpendicular``."""
    outline = site.outline
    volume = outline.volume_mm3
    area = mesh_area(outline.vertices, outline.faces)
    shift = outline.spread_mm
    normal = site.near.grid.directions[:, 0]
    axial, across = axial_diameters(outline.vertices, outline.faces, normal, 1.0)
    ends = np.subtract(*longest_pair(outline.vertices))
    longest = float(np.linalg.norm(ends))
    crossing, hidden = site.bridged.volume, site.bridged.hidden
    per_volume, per_length = PER_SHIFT if outline.is_free_shell else PER_SHIFT_OTHERWISE
    width = {"outline": per_volume * area * shift, "bridged gaps": crossing * volume}
    if outline.own_width is not None:
        # Where the one surface lies, seen or crossing gaps, is the same question in all scans it was drawn in.
        width = {"soft margin": math.hypot(*width.values()), "outline": outline.own_width * volume}
    across_mm = {"outline": per_length * shift, "bridged gaps": LENGTH_PER_CAP[1] * crossing * axial}
    # The outline's position along the scan axis is worse, and a largest distance gathers what errs outward.
    upright = abs(float(ends @ normal)) / max(longest, 1e-9)
    longest_mm = {
        **across_mm,
        "bridged gaps": (LENGTH_PER_CAP[0] * (crossing - hidden) + hidden) * longest,
        "slice thickness": LENGTH_PER_SLICE * upright * slices_mm(site),
    }
    if outline.doubt is not None:
        # What a reader drew is as uncertain as the places given leave it and as readers differ.
        width = {"outline": outline.doubt.volume * volume}
        across_mm = {"outline": float(np.hypot(1.4 * outline.doubt.length_mm, between_readers(outline.doubt, axial)))}
        longest_mm = {
            "outline": float(np.hypot(1.4 * outline.doubt.length_mm, between_readers(outline.doubt, longest)))
        }
    # Where in the plane the perpendicular lies turns with the longest diameter.
    breadth_mm = {"outline": 1.4 * across_mm["outline"], "bridged gaps": LENGTH_PER_CAP[2] * crossing * across}
    positive = (0.0, np.inf)
    return [
        symmetric("lesion_volume", "mm3", volume, width, bounds=positive),
        symmetric("longest_diameter", "mm", longest, longest_mm, bounds=positive),
        symmetric("axial_diameter", "mm", axial, across_mm, bounds=positive),
        symmetric("axial_perpendicular", "mm", across, breadth_mm, bounds=positive),
    ]


PER_SHIFT, PER_SHIFT_OTHERWISE = (0.42, 2.0), (0.6, 2.2)
"""What a volume (of the area times the shift) and a length move by where the outline's places move by a shift (95 %
each): places err together in part only. Of a shell clear of bone, and of any other outline, as of a soft margin. With
the second all errors of shells but one in 20 were 0.6 of the half-width at most (random seeds 7220-7235)."""
LENGTH_PER_CAP = (0.45, 0.6, 1.0)
"""Relative 95 % half-width of the longest diameter, the axial one and the one across it per share of the volume that
may be missing: a gap shortens the shorter ones more (own phantoms). What blur hides of an opening counts in full for
the longest: in a small shell it may be its end (random history 7212)."""
LENGTH_PER_SLICE = 0.75
"""95 % half-width of a length along the scan axis, in slices: a thin shell that ends within a slice at both poles reads
half a slice longer at each (own phantoms)."""


def between_readers(doubt: OutlineDoubt, length: float) -> float:
    """mm by which two readers differ in a diameter (95 % half-width)."""
    if not doubt.readers:
        return 0.0
    sizes, shares = zip(*doubt.readers, strict=True)
    return float(np.interp(length, sizes, shares)) * length
