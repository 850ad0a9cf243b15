"""What the image shows of the margin within the doubt of a surface that a reader's places leave open."""

from __future__ import annotations

import numpy as np

from ..base import Floats, sample
from ..reference import Reference
from ..surface import Drawn, optimal_levels, vertex_normals
from .near import Neighbourhood
from .region import left_behind
from .soft import planes_marked, soft_tissue, tissues_of
from .soft_edge import shift_to_edge

REACH = 2.0
"""The image is asked within so many standard deviations of the surface."""
EDGE_SD_MM = 1.5
"""Standard deviation of a soft edge (own phantoms: a few tenths where it is an edge of the lesion; some are not)."""
EVERY_MM = 6.0
"""Edges closer than this err together and are taken once."""
BOUND_MM = 1.0
"""A surface that runs less far into fat or bone is left where it is."""
ASKED_MM = (2.0, 12.0)
"""Least and largest distance from the surface at which the image is asked."""
EVIDENCE, LEFT_BEHIND, IN_BONE = 0.05, 0.15, 0.45
"""Cost of half a millimetre of tissue outside the lesion: per unit of its evidence, at least where the lesion was left
behind, and in bone; set against half the squared standard deviations from the surface (own judgement)."""
MOST_COST = 12.0
"""No tissue costs more than lying five standard deviations off."""
MOST_SHIFT_MM = 1.5
"""An edge that lies farther from where the surface settled is another one."""
LEAST_OPEN_MM = 1.5
"""Where the hand settles the surface better than this the image is not asked."""


def seen_edges(near: Neighbourhood, reference: Reference, drawn: Drawn) -> tuple[Floats, Floats]:
    """Places (K, 3) at which the image shows the margin, and their standard deviations (K,); none where it shows none.

    Where the lesion cannot be told from muscle only what it cannot run into counts, fat and bone.

    The surface within its doubt is the optimum of what soft tissue says along every normal and of the doubt itself.
    """
    none = np.zeros((0, 3)), np.zeros(0)
    soft = soft_tissue(near)
    vertices = drawn.vertices
    normals = vertex_normals(vertices, drawn.mesh.faces)
    inner = drawn.centre + np.linspace(0.1, 0.75, 6)[:, None, None] * (vertices - drawn.centre)[None, ::3]
    tissues = tissues_of(sample(soft, near.grid, inner).ravel(), reference)
    if tissues is None:
        return none
    sd = drawn.sd_mm
    half = float(np.clip(REACH * np.percentile(sd, 95), *ASKED_MM))
    offsets = np.arange(-half, half + 0.25, 0.5)
    spots = vertices[:, None, :] + offsets[None, :, None] * normals[:, None, :]
    marked = planes_marked(soft, near, reference)
    evidence = tissues.evidence(sample(marked, near.grid, spots)) * EVIDENCE
    evidence = np.where(left_behind(evidence), np.maximum(evidence, LEFT_BEHIND), evidence)
    evidence = np.where(np.maximum.accumulate(near.bone_at(spots) < 0.5, axis=1), IN_BONE, evidence)
    summed = np.cumsum(evidence, axis=1)
    image = np.clip(summed - summed.min(axis=1, keepdims=True), 0.0, MOST_COST)
    cost = image + 0.5 * (offsets[None, :] / np.maximum(sd, 1.0)[:, None]) ** 2
    chosen = offsets[optimal_levels(cost, drawn.mesh.edges, 0.25)]
    settled = vertices + chosen[:, None] * normals
    shift, weight, _ = shift_to_edge(near, soft, tissues, settled, normals, mesh=drawn.mesh, centre=drawn.centre)
    at = settled + np.clip(shift, -MOST_SHIFT_MM, MOST_SHIFT_MM)[:, None] * normals
    total = chosen + np.clip(shift, -MOST_SHIFT_MM, MOST_SHIFT_MM)
    usable = (weight > 0) & (sd > LEAST_OPEN_MM) & (np.abs(total) < REACH * sd)
    if tissues.like_muscle:
        # Fat beyond muscle ends muscle, not the lesion: it only bounds a surface that would run into it.
        usable &= chosen < -BOUND_MM
    kept = _apart(at, np.flatnonzero(usable), weight)
    return at[kept], np.full(len(kept), EDGE_SD_MM)


def _apart(places: Floats, candidates: object, weight: Floats) -> list[int]:
    """Of the candidates, strongest first, those that lie ``EVERY_MM`` from all taken before."""
    order = sorted(np.asarray(candidates).tolist(), key=lambda i: (-round(float(weight[i]), 6), i))
    kept: list[int] = []
    for i in order:
        if not kept or float(np.linalg.norm(places[kept] - places[i], axis=1).min()) >= EVERY_MM:
            kept.append(i)
    return kept
