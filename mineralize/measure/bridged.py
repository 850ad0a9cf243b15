"""How wrong the outline may be where it crosses a gap of the shell without any visible edge.

The most that can be missed by a surface that crosses the opening of a ball straight is the cap beyond it. With the
opening's share ``g`` of the ball's area, the cap holds ``g^2 (3 - 2g)`` of its volume, and a straight cover makes up
``w = g / (1 + g)`` of the area drawn (from the closed forms of the spherical cap: area ``2 pi r h``, volume
``pi h^2 (3 r - h) / 3``). How much of that is to be feared follows from the shell: a regular one shows how it goes on,
an irregular one does not.
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
REGULAR_PART = 0.2
"""Part of the cap that is to be feared even where the shell is an ellipsoid."""


@dataclass(frozen=True)
class Bridged:
    """The uncertain part of the outline.

    ``share`` of its area that no edge carries and that does not lie on bone; ``volume`` and ``area``, the shares of
    the lesion's volume and of its area by which the crossing may be wrong (95 %); ``height``, how far in radii.
    """

    share: float
    volume: float
    area: float
    height: float


def cap_volume(opening: float) -> float:
    """Share (0..1) of a ball's volume in the cap over an opening of that share (0..1) of its area."""
    return opening**2 * (3.0 - 2.0 * opening)


def bridged(outline: Outline) -> Bridged:
    """What of the outline crosses gaps, and how wrong that may be."""
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
    return Bridged(share, wobble * cap_volume(opening), wobble * (opening - share), wobble * opening)
