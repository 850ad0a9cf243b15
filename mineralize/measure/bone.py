"""The lesion's relation to the nearest bone: gap, contact, cleft."""

from __future__ import annotations

import numpy as np

from ..base import QUANTITIES, Floats, Verdict, Verdicts, caution, sample, withhold
from ..lesion import FAR_MM
from ..surface import mesh_edges, smoothing_matrix, vertex_areas
from .bridged import UNSUPPORTED
from .estimate import Estimate, withheld
from .joined import JOINED, PERHAPS, SURELY, Beside, Rule, look_beside_bone
from .needed import allowed
from .site import Site

CONTACT_MM = 0.5
FACING_MM = 5.0
CLEFT_HU120 = 100.0
"""A line that reads less is dark (`measurements.md` of the definitions)."""
DARKER_HU120, BRIGHTER_HU120 = 40.0, 60.0
"""How far that limit is moved for the interval (own phantoms)."""
BONE_EDGE_MM = 0.3
"""Nearer to bone than this a sample is bone's."""
FILLED = 1.25
"""A line so much wider than what is resolved may still be filled in part by the blur of what lies on both sides."""
SPOT_MM2 = 60.0
"""Contact so small may as well be none: surfaces that nearly touch lie within a gap too narrow to see over as much."""
LEAST_SHARE = 0.8
"""Of the narrowest reading of the contact, what is held to be certain (own phantoms)."""
LEAST_FACING_MM2 = 5.0
"""Area facing bone below which nothing is said of a line."""
CONTACT_BORDER = 0.10
"""Share of what faces bone by which the border of a contact may be misplaced (own phantoms)."""
NARROW_SHARE = 0.3
"""Share of it nearer to bone than a line can be seen in full from which the cleft is cautioned."""
BESIDE_MM = 1.5
"""Parts of the outline that lie this much further from bone than the nearest decide how wide the gap is."""


def measure_bone(site: Site) -> list[Estimate]:
    """``cortex_gap``, ``cortex_contact_area``, ``cleft_fraction``."""
    outline = site.outline
    distance = site.near.bone_at(outline.vertices)
    if not (distance < FAR_MM / 20).any():
        why = withhold("no-bone-in-view")
        return [
            withheld("cortex_gap", "mm", why),
            withheld("cortex_contact_area", "mm2", why),
            withheld("cleft_fraction", "1", why),
        ]
    area = vertex_areas(outline.vertices, outline.faces)
    blur = float(site.reference.blur_sd_mm)
    # The least of many noisy distances is biased low; a few of the nearest are steadier.
    nearest = np.argsort(distance)[: max(len(distance) // 60, 30)]
    gap = max(float(np.sort(_way_to_bone(site, outline.vertices[nearest]))[:4].mean()), 0.0)
    position = float(np.hypot(1.2 * outline.spread_mm, 0.3))
    # A dark line narrower than the blur is filled by it, and the outline then runs up to the bone.
    resolved = 2.355 * blur
    hidden = max(resolved - gap, 0.0)
    near_bone: Verdicts = ()
    if hidden > 0.0:
        near_bone = (caution("gap-unresolved", mm=resolved),)
    beside = distance < max(float(distance.min()), 0.0) + BESIDE_MM
    drawn = float(area[beside & (outline.supported <= UNSUPPORTED)].sum() / area[beside].sum())
    crossing = 0.0
    if drawn > 0.5 and gap > CONTACT_MM:
        crossing = site.bridged.height * float(np.cbrt(0.75 * outline.volume_mm3 / np.pi))
        near_bone = (*near_bone, caution("bone-side-unseen"))
    beside_bone = look_beside_bone(site)
    contact = float(area[beside_bone.joined(JOINED)].sum())
    if contact > 0 and gap <= CONTACT_MM:
        gap = 0.0
    gap_row = Estimate(
        "cortex_gap",
        "mm",
        gap,
        {"outline and cortex": position, "bridged gaps": crossing},
        {"outline and cortex": position, "blur": hidden, "bridged gaps": 0.5 * crossing},
        near_bone,
        (0.0, np.inf),
    )
    return [gap_row, _contact(site, area, beside_bone, resolved), _cleft(site, area, beside_bone)]


def _contact(site: Site, area: Floats, beside: Beside, resolved_mm: float) -> Estimate:
    """Area of the outline where its mineral goes over into cortex; a small one may be a gap too narrow to see."""
    value, sure, perhaps = (float(area[beside.joined(rule)].sum()) for rule in (JOINED, SURELY, PERHAPS))
    down = value if value <= SPOT_MM2 else max(value - LEAST_SHARE * sure, (1.0 - LEAST_SHARE) * value)
    up = max(perhaps - value, (1.0 - LEAST_SHARE) * value)
    told: list[Verdict] = []
    if perhaps > 0.0:
        told.append(caution("contact-unresolved", mm=resolved_mm))
    if value > 0.0 and not allowed(site, QUANTITIES["cortex_contact_area"]):
        told.append(caution("drawn-at-bone"))
    name = "cortex_contact_area"
    return Estimate(name, "mm2", value, {"line too narrow": down}, {"line too narrow": up}, tuple(told), (0.0, np.inf))


def _cleft(site: Site, area: Floats, beside: Beside) -> Estimate:
    """Share of what faces bone where a darker line parts it from cortex, soft tissue of the lesion on bone included."""
    darkest = _darkest_towards_bone(site)
    distance = beside.distance_mm
    facing = (distance <= FACING_MM) & np.isfinite(darkest)
    total = float(area[facing].sum())
    if total < LEAST_FACING_MM2:
        return withheld("cleft_fraction", "1", withhold("nothing-faces-bone"))
    axial = site.outline.normals[facing] @ site.near.grid.directions[:, 0]
    # A line reads as dark as it is only where it is clearly wider than the blur.
    unsafe = 1.6 * 2.355 * float(np.percentile(site.reference.blur_along(axial), 80))

    def share(rule: Rule, dark_hu120: float) -> float:
        filled = (distance > FILLED * unsafe) & (darkest >= dark_hu120)
        return float(area[facing & ~beside.joined(rule) & ~filled].sum() / total)

    value = share(JOINED, CLEFT_HU120)
    least = min(share(PERHAPS, CLEFT_HU120), share(JOINED, CLEFT_HU120 - DARKER_HU120))
    most = max(share(SURELY, CLEFT_HU120), share(JOINED, CLEFT_HU120 + BRIGHTER_HU120))
    narrow = float(area[facing & (distance < unsafe)].sum() / total)
    told = (caution("cleft-unresolved", mm=unsafe),) if narrow > NARROW_SHARE else ()
    joined = float(area[beside.joined(JOINED)].sum())
    down, up = {"line too narrow": value - least}, {"line too narrow": most - value}
    if joined > 0.0:
        down["border of the contact"] = up["border of the contact"] = CONTACT_BORDER
    if joined <= SPOT_MM2:
        up["line too narrow"] = 1.0 - value
    return Estimate("cleft_fraction", "1", value, down, up, told, (0.0, 1.0))


def _way_to_bone(site: Site, points: Floats) -> Floats:
    """Distance (N,) mm from points straight to the bone surface; the field of distances is exact at its zero only."""
    step = 0.5
    offsets = np.eye(3) * step
    slope = np.stack([site.near.bone_at(points + o) - site.near.bone_at(points - o) for o in offsets], axis=1)
    towards = -slope / np.maximum(np.linalg.norm(slope, axis=1), 1e-6)[:, None]
    start = site.near.bone_at(points)
    at = np.linspace(0.0, 1.3 * float(start.max()) + 1.0, 120)
    along = site.near.bone_at(points[:, None, :] + at[None, :, None] * towards[:, None, :])
    inside = along <= 0.0
    first = np.maximum(inside.argmax(axis=1), 1)
    rows = np.arange(len(points))
    before, after = along[rows, first - 1], along[rows, first]
    share = np.clip(before / np.maximum(before - after, 1e-6), 0.0, 1.0)
    way = at[first - 1] + share * (at[first] - at[first - 1])
    return np.where(start <= 0.0, start, np.where(inside.any(axis=1), way, start))


def _darkest_towards_bone(site: Site) -> np.ndarray:
    """Lowest HU120 (V,) between the outline and the bone straight ahead; NaN where no bone lies ahead."""
    outline = site.outline
    normals = outline.normals
    blend = smoothing_matrix(len(outline.vertices), mesh_edges(outline.faces))
    at = np.arange(-0.5, FACING_MM + 1.5, 0.25)
    spots = outline.vertices[:, None, :] + at[None, :, None] * normals[:, None, :]
    bone = site.near.bone_at(spots)
    raw = site.reference.hu120(sample(site.near.hu, site.near.grid, spots))
    raw = np.where(np.isfinite(raw), raw, site.reference.muscle.mean_hu)
    profile = blend @ raw
    before = np.cumsum(bone <= BONE_EDGE_MM, axis=1) == 0
    ahead = (bone <= BONE_EDGE_MM).any(axis=1)
    darkest = np.where(before, profile, np.inf).min(axis=1)
    # Where not even one sample lies before the bone there is no room for a darker line.
    darkest = np.where(before.any(axis=1), darkest, profile[:, 0])
    return np.where(ahead, darkest, np.nan)
