"""How wrong the outline may be where it crosses a gap of the shell without any visible edge.

The most that can be missed by a surface that crosses the opening of a ball straight is the cap beyond it. With the
opening's share ``g`` of the ball's area, the cap holds ``g^2 (3 - 2g)`` of its volume, and a straight cover makes up
``w = g / (1 + g)`` of the area drawn (from the closed forms of the spherical cap: area ``2 pi r h``, volume
``pi h^2 (3 r - h) / 3``). Every opening has its own cap: as caps grow with the square of the opening, two openings hide
about half of what one of their size would. How much of that is to be feared follows from the shell: a regular one shows
how it goes on, an irregular one does not.

Blur carries the picture of a wall beyond its end, so that an opening is wider than what no edge carries: it counts with
a border of :data:`HIDDEN_BORDER` standard deviations of blur all round, which is much of a small lesion and little of a
large one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from ..base import Floats
from ..lesion import Outline
from ..surface import mesh_edges, vertex_areas

UNSUPPORTED = 0.03
"""Support of an outline vertex up to which no edge carried it."""
IRREGULAR = 0.04
"""Standard deviation of a shell's distance from its ellipsoid, as a share of it, from which nothing can be foretold."""
LARGEST_OPENING = 0.35
"""A wider one is not crossed straight: the outline follows the ellipsoid there."""
HIDDEN_BORDER = 2.0
"""... standard deviations of blur by which an opening is wider, all round, than what no edge carries: dense mineral
(1500 HU) is above the threshold (150 HU) up to 1.3 beyond its end, and the smoothed surface gives way before."""
MOST_OF_CAP = 0.65
"""Part of the caps that an irregular shell leaves open (95 %): no outline crosses an opening quite straight. With all
of them the volume was off by 0.6 of its half-width at worst but one in 20 (random seeds 7220-7235, lesions in real
limbs, seeds 61-63)."""
REGULAR_PART = 0.2
"""Part of the cap that is to be feared even where the shell is an ellipsoid."""


@dataclass(frozen=True)
class Bridged:
    """The uncertain part of the outline.

    ``share`` of its area that no edge carries and that does not lie on bone; ``volume`` and ``area``, the shares of
    the lesion's volume and of its area by which the crossing may be wrong (95 %), all openings together; ``height``,
    how far in radii at the widest; ``hidden``, what of ``volume`` the border adds that blur hides.
    """

    share: float
    volume: float
    area: float
    height: float
    hidden: float


def cap_volume(opening: float) -> float:
    """Share (0..1) of a ball's volume in the cap over an opening of that share (0..1) of its area."""
    return opening**2 * (3.0 - 2.0 * opening)


def with_hidden_border(opening: float, border: float) -> float:
    """Share of a ball's area in a round opening of share ``opening`` (0..1) with a border of ``border`` radians."""
    if opening <= 0.0:
        return 0.0
    half_angle = np.arccos(1.0 - 2.0 * min(opening, 1.0))
    return float(0.5 * (1.0 - np.cos(min(half_angle + border, np.pi))))


def openings(outline: Outline, free: NDArray[np.bool_], border_mm: float) -> Floats:
    """Shares (K,) of the outline's area in each opening: vertices (V,) ``free`` of edges that hang together.

    Two with less than a border between them on either side are one: blur would show a wall between them in any case.
    """
    area = vertex_areas(outline.vertices, outline.faces)
    within = free.copy()
    if border_mm > 0.0 and free.any() and not free.all():
        near, _ = cKDTree(outline.vertices[free]).query(outline.vertices[~free], distance_upper_bound=border_mm)
        within[~free] = np.isfinite(near)
    edges = mesh_edges(outline.faces)
    inside = edges[within[edges].all(axis=1)]
    size = len(within)
    joined = csr_matrix((np.ones(len(inside), np.int8), (inside[:, 0], inside[:, 1])), shape=(size, size))
    count, label = connected_components(joined, directed=False)
    found = np.bincount(label[free], weights=area[free], minlength=count) / area.sum()
    return np.asarray(found[found > 0.0])


def bridged(outline: Outline, blur_sd_mm: float = 0.0) -> Bridged:
    """What of the outline crosses gaps, and how wrong that may be in a picture blurred by ``blur_sd_mm`` (mm)."""
    free = outline.supported <= UNSUPPORTED
    if outline.touches_bone is not None:
        free = free & ~outline.touches_bone
    border = HIDDEN_BORDER * blur_sd_mm
    shares, part = openings(outline, free, border), MOST_OF_CAP
    if not outline.is_free_shell:
        # A margin that is lost here and there is no wall with openings, and a wall on bone may end there.
        shares, part = shares.sum(keepdims=True), 1.0
    wobble = 1.0
    if outline.ellipsoid is not None and (~free).sum() >= 10:
        relative = outline.ellipsoid.relative_radius(outline.vertices[~free])
        wobble = float(np.clip(relative.std() / relative.mean() / IRREGULAR, REGULAR_PART, 1.0))
    radius = float(np.cbrt(0.75 * outline.volume_mm3 / np.pi))
    seen = [min(float(share) / max(1.0 - float(share), 1e-9), LARGEST_OPENING) for share in shares]
    wider = [min(with_hidden_border(opening, border / radius), LARGEST_OPENING) for opening in seen]
    volume = part * sum(cap_volume(opening) for opening in wider)
    hidden = volume - part * sum(cap_volume(opening) for opening in seen)
    # What the shell's faces leave open of the volume goes with two thirds of it into the area (a ball's goes with the
    # square of its radius), and twice a share of the area is what that share of it may be worth (``measure/rim.py``).
    least, least_area = outline.lid_width, outline.lid_width / 3.0
    share = float(shares.sum())
    return Bridged(
        share,
        max(wobble * volume, least),
        max(part * wobble * (sum(wider) - share), least_area),
        wobble * max(wider, default=0.0),
        wobble * hidden,
    )
