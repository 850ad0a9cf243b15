"""How wrong the outline may be where it crosses a gap of the shell without any visible edge.

The most that can be missed by a surface that crosses the opening of a ball straight is the cap beyond it. With the
opening's share ``g`` of the ball's area, the cap holds ``g^2 (3 - 2g)`` of its volume, and a straight cover makes up
``w = g / (1 + g)`` of the area drawn (from the closed forms of the spherical cap: area ``2 pi r h``, volume
``pi h^2 (3 r - h) / 3``). How much of that is to be feared follows from the shell: a regular one shows how it goes on,
an irregular one does not.

Blur carries the picture of a wall beyond its end, so that an opening is wider than what no edge carries: it counts with
a border of :data:`HIDDEN_BORDER` standard deviations of blur all round, which is much of a small lesion and little of a
large one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..lesion import Outline
from ..surface import vertex_areas

UNSUPPORTED = 0.03
"""Support of an outline vertex up to which no edge carried it."""
IRREGULAR = 0.04
"""Standard deviation of a shell's distance from its ellipsoid, as a share of it, from which nothing can be foretold."""
LARGEST_OPENING = 0.35
"""A wider one is not crossed straight: the outline follows the ellipsoid there."""
HIDDEN_BORDER = 2.0
"""... standard deviations of blur by which an opening is wider, all round, than what no edge carries: dense mineral
(1500 HU) is above the threshold (150 HU) up to 1.3 beyond its end, and the smoothed surface gives way before."""
REGULAR_PART = 0.2
"""Part of the cap that is to be feared even where the shell is an ellipsoid."""


@dataclass(frozen=True)
class Bridged:
    """The uncertain part of the outline.

    ``share`` of its area that no edge carries and that does not lie on bone; ``volume`` and ``area``, the shares of
    the lesion's volume and of its area by which the crossing may be wrong (95 %); ``height``, how far in radii;
    ``hidden``, what of ``volume`` the border adds that blur hides.
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


def bridged(outline: Outline, blur_sd_mm: float = 0.0) -> Bridged:
    """What of the outline crosses gaps, and how wrong that may be in a picture blurred by ``blur_sd_mm`` (mm)."""
    area = vertex_areas(outline.vertices, outline.faces)
    free = outline.supported <= UNSUPPORTED
    if outline.touches_bone is not None:
        free = free & ~outline.touches_bone
    share = float(area[free].sum() / area.sum())
    opening = min(share / max(1.0 - share, 1e-9), LARGEST_OPENING)
    wobble = 1.0
    if outline.ellipsoid is not None and (~free).sum() >= 10:
        relative = outline.ellipsoid.relative_radius(outline.vertices[~free])
        wobble = float(np.clip(relative.std() / relative.mean() / IRREGULAR, REGULAR_PART, 1.0))
    radius = float(np.cbrt(0.75 * outline.volume_mm3 / np.pi))
    wider = min(with_hidden_border(opening, HIDDEN_BORDER * blur_sd_mm / radius), LARGEST_OPENING)
    volume = cap_volume(wider)
    hidden = volume - cap_volume(opening)
    # What the shell's faces leave open of the volume goes with two thirds of it into the area (a ball's goes with the
    # square of its radius), and twice a share of the area is what that share of it may be worth (``measure/rim.py``).
    least, least_area = outline.lid_width, outline.lid_width / 3.0
    return Bridged(
        share, max(wobble * volume, least), max(wobble * (wider - share), least_area), wobble * wider, wobble * hidden
    )
