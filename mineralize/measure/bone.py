"""The lesion's relation to the nearest bone: gap, contact, cleft."""

from __future__ import annotations

import numpy as np

from ..base import QUANTITIES, Floats, Verdicts, caution, sample, withhold
from ..lesion import FAR_MM
from ..surface import mesh_edges, smoothing_matrix, vertex_areas, vertex_normals
from .bridged import UNSUPPORTED
from .estimate import Estimate, withheld
from .needed import allowed
from .site import Site

CONTACT_MM = 0.5
FACING_MM = 5.0
CLEFT_HU120 = 100.0
FILLED = 1.25
"""A line so much wider than what is resolved may still be filled in part by the blur of what lies on both sides."""
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
    darkest = _darkest_towards_bone(site)
    touching = distance <= CONTACT_MM
    open_line = darkest < CLEFT_HU120
    contact_here = touching & ~open_line
    if outline.touches_bone is not None:
        contact_here |= outline.touches_bone & (distance <= 1.0)
    contact = float(area[contact_here].sum())
    if contact > 0 and gap <= CONTACT_MM:
        gap = 0.0
    rows = [
        Estimate(
            "cortex_gap",
            "mm",
            gap,
            {"outline and cortex": position, "bridged gaps": crossing},
            {"outline and cortex": position, "blur": hidden, "bridged gaps": 0.5 * crossing},
            near_bone,
            (0.0, np.inf),
        )
    ]
    wider = float(area[(distance <= CONTACT_MM + 0.5) & ~open_line].sum())
    narrower = float(area[(distance <= 0.0) & ~open_line].sum())
    down = {"outline and cortex": max(contact - narrower, 0.2 * contact)}
    up = {"outline and cortex": max(wider - contact, 0.2 * contact)}
    known = allowed(site, QUANTITIES["cortex_contact_area"])
    more = (caution("drawn-at-bone"),) if contact > 0 and not known else ()
    rows.append(Estimate("cortex_contact_area", "mm2", contact, down, up, more, (0.0, np.inf)))
    facing = (distance <= FACING_MM) & np.isfinite(darkest)
    if area[facing].sum() < 5.0:
        rows.append(withheld("cleft_fraction", "1", withhold("nothing-faces-bone")))
    else:
        total = float(area[facing].sum())
        value = float(area[facing & open_line].sum() / total)
        others = [float(area[facing & (darkest < t)].sum() / total) for t in (CLEFT_HU120 - 40, CLEFT_HU120 + 60)]
        # The line reads as dark as it is only where it is clearly wider than the blur.
        axial = vertex_normals(outline.vertices, outline.faces)[facing] @ site.near.grid.directions[:, 0]
        unsafe = 1.6 * 2.355 * float(np.percentile(site.reference.blur_along(axial), 80))
        narrow = float(area[facing & (distance < unsafe)].sum() / total)
        filled = float(area[facing & ~open_line & (distance < FILLED * unsafe)].sum() / total)
        note: Verdicts = ()
        if narrow > 0.3:
            note = (caution("cleft-unresolved", mm=unsafe),)
        down = {"threshold": max(value - min(others), 0.0)}
        up = {"threshold": max(max(others) - value, 0.0), "blur": filled}
        rows.append(Estimate("cleft_fraction", "1", value, down, up, note, (0.0, 1.0)))
    return rows


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
    normals = vertex_normals(outline.vertices, outline.faces)
    blend = smoothing_matrix(len(outline.vertices), mesh_edges(outline.faces))
    at = np.arange(-0.5, FACING_MM + 1.5, 0.25)
    spots = outline.vertices[:, None, :] + at[None, :, None] * normals[:, None, :]
    bone = site.near.bone_at(spots)
    raw = site.reference.hu120(sample(site.near.hu, site.near.grid, spots))
    raw = np.where(np.isfinite(raw), raw, site.reference.muscle.mean_hu)
    profile = blend @ raw
    before = np.cumsum(bone <= 0.3, axis=1) == 0
    ahead = (bone <= 0.3).any(axis=1)
    darkest = np.where(before, profile, np.inf).min(axis=1)
    # Where not even one sample lies before the bone there is no room for a darker line.
    darkest = np.where(before.any(axis=1), darkest, profile[:, 0])
    return np.where(ahead, darkest, np.nan)
