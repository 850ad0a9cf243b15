"""Whether the mineral of the rim goes over into cortex, or a darker line lies between them, place by place.

Both borders are known: the outline, and the surface of the bone. What the blur of cortex adds is taken off the lesion's
surroundings before, so that the profile from the bone inward is that of the lesion alone, blurred: a rim that begins at
the bone reads ``ndtr(b / blur)`` of its height at a distance ``b`` from it, one that begins a gap ``w`` away
``ndtr((b - w) / blur)`` (an edge seen through a Gaussian point spread; the same model as of thin cortices, Treece 2010,
Med Image Anal 14:276). At one and a half blurs that is 0.93 without a gap, half where the gap is as wide; soft tissue
of the lesion itself on bone has no height at all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from ..base import Floats
from ..surface import mesh_edges, smoothing_matrix
from .site import Site

AT_BLURS = 1.5
"""Distance from bone, in blurs (sd), at which the lesion's own mineral is read: nearer, an error of 0.1 mm in the place
of the cortex is worth 100 HU and more."""
STEP_MM = 0.2
"""Spacing of the samples along the inward normal."""


@dataclass(frozen=True)
class Rule:
    """What counts as joined: outline within ``apart_mm`` of bone, mineral ``height_hu`` over muscle beside the bone,
    and that as high, of the highest behind it, as a rim reads that begins ``apart_mm`` away."""

    apart_mm: float
    height_hu: float

    def share(self, blur_mm: Floats) -> Floats:
        """Of the highest behind, what a rim so far apart reads at :data:`AT_BLURS` from bone, blurred by (V,) mm."""
        return np.asarray(special.ndtr(AT_BLURS - self.apart_mm / blur_mm))


JOINED = Rule(0.5, 50.0)
"""Contact by definition: half a millimetre, and no line below 100 HU120, 50 over muscle (`measurements.md` of the
definitions)."""
SURELY = Rule(0.1, 100.0)
PERHAPS = Rule(1.0, 30.0)
"""The narrowest and the widest reading, for the interval."""


@dataclass(frozen=True, eq=False)
class Beside:
    """Per vertex of the outline (V,): distance to bone (mm), height of mineral over muscle beside the bone and the
    highest behind it (HU120), whether the inward line leaves the bone at all, and the blur (sd, mm) along it."""

    distance_mm: Floats
    height_hu: Floats
    highest_hu: Floats
    leaves: NDArray[np.bool_]
    blur_mm: Floats

    def joined(self, rule: Rule) -> NDArray[np.bool_]:
        """Vertices (V,) at which rim and cortex are one by a rule."""
        mineral = (self.height_hu >= rule.height_hu) & (self.height_hu >= rule.share(self.blur_mm) * self.highest_hu)
        return np.asarray((self.distance_mm <= rule.apart_mm) & self.leaves & mineral)


def look_beside_bone(site: Site) -> Beside:
    """Profiles along the inward normal of every vertex, averaged over direct neighbours, read from the bone on."""
    outline, near = site.outline, site.near
    reach = site.zones.rim_depth_mm + 3.0
    at = np.arange(0.0, reach, STEP_MM)
    spots = outline.vertices[:, None, :] - at[None, :, None] * outline.normals[:, None, :]
    blend = smoothing_matrix(len(outline.vertices), mesh_edges(outline.faces))
    muscle = site.reference.muscle.mean_hu
    raw = near.at(spots)
    height = blend @ np.where(np.isfinite(raw), raw - muscle, 0.0)
    bone = blend @ near.bone_at(spots)
    blur = np.asarray(site.reference.blur_along(outline.normals @ near.grid.directions[:, 0]))
    wanted = (AT_BLURS * blur)[:, None]
    clear = bone >= wanted
    rows = np.arange(len(height))
    leaves = clear.any(axis=1)
    last = np.where(leaves, clear.argmax(axis=1), len(at) - 1)
    before = np.maximum(last - 1, 0)
    rise = np.maximum(bone[rows, last] - bone[rows, before], 1e-6)
    share = np.clip((wanted[:, 0] - bone[rows, before]) / rise, 0.0, 1.0)
    beside = height[rows, before] + share * (height[rows, last] - height[rows, before])
    behind = (np.arange(len(at))[None, :] >= last[:, None]) & (bone <= wanted + site.zones.rim_depth_mm)
    highest = np.where(behind, height, -np.inf).max(axis=1)
    return Beside(near.bone_at(outline.vertices), beside, highest, leaves, blur)
