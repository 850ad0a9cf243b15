"""The soft margin of one mass in several scans, drawn together: one surface for all, and how far it moved in each.

Each scan read for itself makes its own choices along a soft margin, and between scans these pass for growth. Drawn
together, what is not known of the surface is common to all scans, and what changed is read from scan to scan
(:mod:`.matched`).

Numbers below without another source are own judgement, held against truth by ``scripts/validate_soft``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from ..base import Z95, Floats, Rigid, caution, sample
from ..reference import Reference
from .matched import MOST_SHIFT_MM, REACH_MM, Shift, Surface, View, edge_shift, likeness
from .outline import Outline
from .seen import SeenScan, radius_about
from .soft import INNER, planes_marked, soft_tissue
from .zones import signed_depth

SOFT = "mass margin"
"""What an outline by a soft margin is drawn by (`Outline.method`)."""
LEAST_APART_HU = 5.0
"""Inside and outside closer than this are not told apart."""
MOST_UNKNOWN = 0.15
"""Standard error of the change, as a share of the volume, from which scans are not drawn together."""
LEAST_SEEN = 0.5
"""Share of the surface whose edge must show in both scans."""
SPARE_MM = 4.0


def drawn_together(
    seen: Mapping[int, SeenScan], motions: Mapping[int, Rigid], outlines: Mapping[int, Outline | None], base: int
) -> dict[int, Outline]:
    """New outlines of the scans, by number, whose soft margins can be drawn together with that of the base scan.

    Parameters
    ----------
    motions : from LPS mm of the base scan to LPS mm of each scan whose alignment is relied upon, the base included.
    outlines : as each scan shows by itself.

    Returns
    -------
    outlines : empty where no two scans can be drawn together.
    """
    first = outlines.get(base)
    if first is None or not _soft(first):
        return {}
    surface = Surface.of(first.vertices, first.faces)
    one = _view(seen[base], motions[base], first)
    if one is None:
        return {}
    shifts: dict[int, Shift] = {}
    own: dict[int, Floats] = {base: np.zeros(len(first.vertices))}
    for number, motion in motions.items():
        outline = outlines.get(number)
        if number == base or outline is None or not _soft(outline) or _by_hand(seen, number):
            continue
        start = signed_depth(outline, motion.apply(first.vertices))
        shift = _shift(surface, one, _view(seen[number], motion, first), start, first.volume_mm3)
        if shift is not None:
            shifts[number], own[number] = shift, start - shift.mm
    if not shifts or _by_hand(seen, base):
        return {}
    # What each scan by itself says of the one surface; where they differ, the middle of them.
    common = surface.averaged(np.median(np.stack(list(own.values())), axis=0), surface.passes)
    drawn = {n: _drawn(surface, first, motions[n], common + s.mm) for n, s in shifts.items()}
    drawn[base] = _drawn(surface, first, motions[base], common)
    widths = {n: _own_width(s, outlines, drawn, n, base) for n, s in shifts.items()}
    widths[base] = max(widths.values())
    return {n: _with_verdicts(outlines[n], drawn[n], widths[n], tuple(sorted(drawn))) for n in sorted(drawn)}


def _soft(outline: Outline) -> bool:
    """Whether an outline follows a soft margin that is relied upon."""
    return outline.method == SOFT and outline.trust != "withheld" and outline.doubt is None


def _by_hand(seen: Mapping[int, SeenScan], number: int) -> bool:
    return bool(seen[number].hand.of_the_margin)


def _view(seen: SeenScan, motion: Rigid, first: Outline) -> View | None:
    """How a scan shows the mass; ``None`` where its inside and what surrounds it look alike."""
    middle, reach = first.centroid, radius_about(first, first.centroid)
    near, _ = seen.near(
        motion.apply(middle[None])[0], reach + REACH_MM + SPARE_MM, reach, motion.apply(first.vertices[::4])
    )
    soft = soft_tissue(near)
    rays = first.vertices[::4] - middle
    within = sample(soft, near.grid, motion.apply((middle + INNER[:, None, None] * rays).reshape(-1, 3)))
    within = within[np.isfinite(within)]
    if not len(within):
        return None
    inside, outside = float(np.median(within)), _outside_hu(seen.reference, first)
    if abs(outside - inside) < LEAST_APART_HU:
        return None
    marked = planes_marked(soft, near, seen.reference)
    return View(likeness(marked, inside, outside), near.grid, motion, seen.reference.blur_sd_mm)


def _outside_hu(reference: Reference, first: Outline) -> float:
    if any(v.code == "like-muscle" for v in first.verdicts):
        return reference.fat_hu
    return reference.muscle.mean_hu


def _shift(surface: Surface, one: View, other: View | None, start: Floats, volume_mm3: float) -> Shift | None:
    """How far the edge moved; ``None`` where that is not known well enough."""
    if other is None or float(np.median(np.abs(start))) > MOST_SHIFT_MM:
        return None
    found = edge_shift(surface, one, other, start)
    if found is None or found.seen < LEAST_SEEN or found.volume_sd_mm3 > MOST_UNKNOWN * volume_mm3:
        return None
    return found


def _drawn(surface: Surface, first: Outline, motion: Rigid, outward: Floats) -> Outline:
    """The surface moved ``outward`` (V,) mm along its normals and laid into a scan."""
    vertices = motion.apply(surface.vertices + outward[:, None] * surface.normals)
    return replace(first, vertices=vertices)


def _own_width(
    shift: Shift, outlines: Mapping[int, Outline | None], drawn: Mapping[int, Outline], number: int, base: int
) -> float:
    """Relative 95 % half-width of a volume that is a scan's own, the half of that of the change from the base scan.

    Where scans by themselves and drawn together do not say the same of the change, that counts as well.
    """
    one, other = outlines[base], outlines[number]
    assert one is not None
    assert other is not None
    together = drawn[number].volume_mm3 / drawn[base].volume_mm3
    apart = other.volume_mm3 / one.volume_mm3 / together - 1.0
    return float(np.hypot(Z95 * shift.volume_sd_mm3 / one.volume_mm3, apart) / np.sqrt(2.0))


def _with_verdicts(alone: Outline | None, drawn: Outline, width: float, scans: tuple[int, ...]) -> Outline:
    """The outline with what limits it in its own scan."""
    assert alone is not None
    others = " and ".join(str(n) for n in scans if n != alone.scan)
    verdicts = (*alone.verdicts, caution("drawn-together", scans=others))
    return replace(
        alone,
        vertices=drawn.vertices,
        faces=drawn.faces,
        supported=drawn.supported,
        verdicts=verdicts,
        ellipsoid=alone.ellipsoid,
        own_width=width,
    )
