"""What makes the outline of a mineralised lesion doubtful, each doubt for itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..base import Floats, Grid, Verdict, Verdicts, caution, withhold
from ..surface import dents, sphere_directions

CARRIED = 0.03
"""Weight of an edge (0..1) from which it counts as having carried a vertex."""
MOSTLY_UNSEEN = 0.72
"""Share of an outline that no edge carries from which it is not stated."""
PARTLY_UNSEEN = 0.25
"""... and from which it is cautioned."""
CUT = 0.002
"""Share of an outline beyond the edge of the scan from which the lesion counts as cut by it."""
ON_BONE = 0.003
"""Share of an outline drawn on bone from which it is said."""
LEFT_OUT = 0.1
"""Share of the mineral outside an outline from which its shape counts as misjudged."""
MOSTLY_LEFT_OUT = 0.5
"""... and from which the outline is not that of the mineral."""
OUTSIDE_MM = 2.0
"""Mineral so far outside an outline is left out by it; nearer it is the blur of what the outline lies on."""
PERIPHERAL = 0.6
"""Share of the way to the outline beyond which mineral says that a direction is covered."""
WELL_FACED = 0.6
"""Share of all directions with such mineral below which it lies on one side."""
COARSE_DIRECTIONS = 150
"""Directions, even over the sphere, that are asked for mineral."""
DENTED = 0.2
"""Depth of a dent, as a share of the radius, beyond which a lobed surface is unlikely."""
OFTEN_DENTED = 0.02
"""Share of an outline so dented from which it is said."""
WIDENED_SLICES = 1.5
"""Slice thicknesses by which blur widens the outline of a small lesion across slices, at most."""
LEAST_SLICES, FEW_SLICES = 3.0, 5.0
"""Slices over the least extent of a lesion below which its outline is withheld, and cautioned
(``shared/measurements.md``: slice spacing larger than a third of the least extent)."""
CHUNK = 4096
"""Points whose directions are held against the outline's at a time."""


def doubt_of_edges(grid: Grid, vertices: Floats, unseen_share: float, *, soft_seen: bool) -> Verdicts:
    """Where an outline, (N, 3) LPS mm, leaves the scan, and how much of it no edge carried.

    ``soft_seen``: a soft margin is visible where the mineral ends.
    """
    found: list[Verdict] = []
    if (~grid.contains(vertices, margin_mm=0.0)).mean() > CUT:
        found.append(withhold("cut-by-scan"))
    code = "edge-unseen-soft" if soft_seen else "edge-unseen"
    if unseen_share > MOSTLY_UNSEEN:
        found.append(withhold(code, share=unseen_share))
    elif unseen_share > PARTLY_UNSEEN:
        found.append(caution(code, share=unseen_share))
    return tuple(found)


def doubt_on_bone(contact: NDArray[np.bool_]) -> Verdicts:
    """How much of an outline was drawn on bone with no darker line between, from a mark per vertex (N,)."""
    share = float(contact.mean())
    return (caution("on-bone", share=share),) if share > ON_BONE else ()


def doubt_of_mineral(
    points: Floats, vertices: Floats, centre: Floats, unseen_share: float = 0.0
) -> tuple[float, Verdicts]:
    """The share of the mineral, (M, 3) LPS mm, that an outline leaves outside, and what its places make doubtful.

    ``vertices`` (N, 3) LPS mm; ``centre`` (3,) from which every ray crosses the outline once. ``unseen_share`` of the
    outline no edge carried; an edge that leaves mineral outside counts the less.
    """
    relative = np.linalg.norm(points - centre, axis=1)
    direction = (points - centre) / np.maximum(relative, 1e-9)[:, None]
    own = np.linalg.norm(vertices - centre, axis=1)
    own_direction = (vertices - centre) / own[:, None]
    nearest = np.concatenate(
        [(direction[s : s + CHUNK] @ own_direction.T).argmax(axis=1) for s in range(0, len(direction), CHUNK)]
    )
    left_out = float((relative > own[nearest] + OUTSIDE_MM).mean())
    coarse, _ = sphere_directions(COARSE_DIRECTIONS)
    facing = (direction[relative > PERIPHERAL * own[nearest]] @ coarse.T).argmax(axis=1)
    covered = len(np.unique(facing)) / len(coarse)
    found: list[Verdict] = []
    if covered < WELL_FACED:
        found.append(caution("mineral-one-sided", share=covered))
    if left_out > LEFT_OUT:
        outside = caution("mineral-outside", share=left_out)
        carried = (1.0 - unseen_share) * (1.0 - left_out)
        mostly = left_out > MOSTLY_LEFT_OUT or 1.0 - carried > MOSTLY_UNSEEN
        found.append(outside.at("withheld") if mostly else outside)
    return left_out, tuple(found)


def doubt_of_dents(vertices: Floats, contact: NDArray[np.bool_]) -> Verdicts:
    """How much of an outline, (N, 3) LPS mm, dips inward; a bone in the way, (N,) ``contact``, dents any lesion."""
    share = float(((dents(vertices) > DENTED) & ~contact).mean())
    return (caution("dips-inward", share=share),) if share > OFTEN_DENTED else ()


def doubt_of_slices(grid: Grid, vertices: Floats, slice_mm: float) -> Verdicts:
    """Whether few slices meet an outline, (N, 3) LPS mm, along its least extent.

    Across slices the outline of a small lesion is wider than the lesion by up to a slice.
    """
    extents = np.ptp(vertices @ grid.directions, axis=0) - (WIDENED_SLICES * slice_mm, 0.0, 0.0)
    spacing = float(grid.spacing[0])
    slices = float(extents.min()) / spacing
    numbers = {"spacing_mm": spacing, "extent_mm": float(extents.min())}
    if slices < LEAST_SLICES:
        return (withhold("slices-third", **numbers),)
    return (caution("slices-fifth", **numbers),) if slices < FEW_SLICES else ()
