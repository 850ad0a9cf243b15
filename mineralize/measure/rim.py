"""The rim seen from outside: peak, completeness, gaps, thickness, over the area of the outline.

Numbers below without another source are own judgement, held against truth by ``scripts/validate``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import special
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components

from ..base import Verdicts, anatomical_words, caution, sample, withhold
from ..surface import (
    find_edges,
    mesh_edges,
    peak_recovery,
    profile_depths,
    smoothing_matrix,
    vertex_areas,
)
from .estimate import Estimate, symmetric, withheld
from .rim_layer import Rim, measure_layer, share_of
from .rim_map import CONTACT, GAP, MINERAL, UNRESOLVED, RimMap
from .site import Site

CLEAR_OF_BONE_MM = 0.3
"""Nearer to bone than this a sample is bone's."""
THICKNESS_FROM = 0.85
"""Share of the threshold from which a profile has a layer to be measured: averaging lowers a thin one's peak."""
SHARPEST = 1.3
"""Profiles along which the blur is no more than so many times the least tell the typical thickness."""
TOO_FAR_OUT_MM = 1.5
"""A layer whose edge lies farther outside the outline is another structure's."""
LEAST_TYPICAL = 10
"""Profiles that make a thickness typical."""
THINNEST_MM, LEAST_RECOVERY = 0.3, 0.35
"""Thinnest rim and least share of its height for which blur is undone: beyond, noise would be multiplied."""
MUCH_UNRESOLVED = 0.1
"""Share of the outline from which an unresolved rim cautions what is said of its gaps."""


def look_at_rim(site: Site) -> Rim:
    """Profiles along the inward normal of every vertex, averaged over direct neighbours, and layers fitted to them."""
    outline = site.outline
    normals = outline.normals
    edges = mesh_edges(outline.faces)
    blend = smoothing_matrix(len(outline.vertices), edges)
    at = profile_depths()
    spots = outline.vertices[:, None, :] - at[None, :, None] * normals[:, None, :]
    muscle = site.reference.muscle.mean_hu
    bone = site.near.bone_at(spots)
    raw = sample(site.hu120, site.near.grid, spots)
    profiles = blend @ np.where(np.isfinite(raw) & (bone > CLEAR_OF_BONE_MM), raw, muscle)
    reach = (at >= -1.0) & (at <= site.zones.rim_depth_mm)
    seen = np.where(reach, profiles, -np.inf).max(axis=1)
    blur = np.asarray(site.reference.blur_along(normals @ site.near.grid.directions[:, 0]))
    threshold = site.settings.mineral.threshold_hu120
    noise = site.reference.noise_hu120
    found = find_edges(profiles, bone, blur, muscle_hu=muscle, threshold_hu120=threshold, noise_hu=noise)
    thickness = np.where(seen >= THICKNESS_FROM * threshold, found.thickness_mm, np.nan)
    known = np.isfinite(thickness) & (blur <= SHARPEST * np.percentile(blur, 10)) & (found.depth_mm > -TOO_FAR_OUT_MM)
    typical = float(np.median(thickness[known])) if known.sum() >= LEAST_TYPICAL else float("nan")
    recovery = np.ones(len(blur))
    if np.isfinite(typical):
        recovery = np.clip(peak_recovery(max(typical, THINNEST_MM), blur), LEAST_RECOVERY, 1.0)
    peak = muscle + np.where(seen > muscle, (seen - muscle) / recovery, seen - muscle)
    area = vertex_areas(outline.vertices, outline.faces)
    beside = outline.places.query_pairs(2.0 * float(np.median(blur)), output_type="ndarray")
    return Rim(area, seen, peak, thickness, blur, recovery, found.height_hu120, edges, beside)


def mineralised(site: Site, rim: Rim, threshold_hu120: float) -> NDArray[np.bool_]:
    """Vertices (V,) over a threshold; the blurred border of a denser neighbour counts from its half height on."""
    over = rim.peak_hu120 >= threshold_hu120
    muscle = site.reference.muscle.mean_hu
    dense = over & (rim.peak_hu120 > 2.0 * threshold_hu120 - muscle)
    if not dense.any() or over.all():
        return np.asarray(over)
    doubtful = np.flatnonzero(over)
    highest = np.zeros(len(over))
    highest[dense] = rim.peak_hu120[dense]
    own = highest.copy()
    one, other = rim.beside.T
    np.maximum.at(highest, one, own[other])
    np.maximum.at(highest, other, own[one])
    highest = highest[doubtful]
    fails = rim.peak_hu120[doubtful] - muscle < 0.5 * (highest - muscle)
    over = over.copy()
    over[doubtful[fails]] = False
    return np.asarray(over)


def over_or_contact(site: Site, rim: Rim, threshold_hu120: float) -> NDArray[np.bool_]:
    """Mineralised vertices; where the outline lies on bone the bone closes the rim."""
    over = mineralised(site, rim, threshold_hu120)
    if site.outline.touches_bone is not None:
        over = over | site.outline.touches_bone
    return np.asarray(over)


def hidden_by_blur(site: Site, rim: Rim, mineral: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Gap vertices (V,) at which a shell like its mineralised neighbours, blurred, would stay below the threshold."""
    muscle = site.reference.muscle.mean_hu
    if mineral.sum() < 10:
        return np.zeros(len(mineral), bool)
    height = float(np.median(rim.peak_hu120[mineral])) - muscle
    noise = 2.0 * site.reference.noise_4mm_hu * site.slope_ratio
    shown = muscle + height * rim.recovery
    return np.asarray(~mineral & (shown < site.settings.mineral.threshold_hu120 + noise))


@dataclass(frozen=True)
class Blurred:
    """What blur does to the mineral of the rim: ``shown``, the share of its height that the scan shows, and
    ``swollen``, by which share its volume over a threshold (HU120) grows."""

    shown: float = 1.0
    swollen: Mapping[float, float] = field(default_factory=dict)


UNBLURRED = Blurred()


def measure_rim(site: Site, *, has_mineral: bool) -> tuple[list[Estimate], RimMap, Blurred]:
    """All quantities of the rim, the unwrapped map, and what blur does to the mineral."""
    rim = look_at_rim(site)
    threshold = site.settings.mineral.threshold_hu120
    mineral = over_or_contact(site, rim, threshold)
    hidden = hidden_by_blur(site, rim, mineral)
    contact = site.outline.touches_bone
    state = np.where(mineral, MINERAL, np.where(hidden, UNRESOLVED, GAP))
    if contact is not None:
        state = np.where(contact, CONTACT, state)
    away = site.outline.vertices - site.outline.centroid
    direction = away / np.maximum(np.linalg.norm(away, axis=1), 1e-9)[:, None]
    picture = RimMap(site.scan, direction, rim.area, rim.peak_hu120, rim.thickness, state.astype(np.int8))
    if not has_mineral:
        units = {"rim_peak_attenuation": "HU", "rim_thickness": "mm"}
        names = ["rim_peak_attenuation", "rim_completeness", *_other_names(site), "rim_unresolved", "largest_gap"]
        names.append("rim_thickness")
        return [withheld(n, units.get(n, "1"), withhold("no-mineral")) for n in names], picture, UNBLURRED
    rows = [*_completeness(site, rim, mineral, hidden), *_gap(site, rim, mineral), *measure_layer(site, rim, mineral)]
    shown = float(np.median(rim.recovery[mineral])) if mineral.any() else 1.0
    thresholds = (threshold, *site.settings.mineral.other_thresholds_hu120)
    return rows, picture, Blurred(shown, _swelling(site, rim, mineral, thresholds))


def _swelling(
    site: Site, rim: Rim, mineral: NDArray[np.bool_], thresholds_hu120: tuple[float, ...]
) -> dict[float, float]:
    """By which share the fitted layers, blurred, read wider over each threshold within the outline than they are."""
    chosen = np.flatnonzero(mineral & np.isfinite(rim.thickness))
    if len(chosen) < 10:
        return dict.fromkeys(thresholds_hu120, 0.0)
    depth = np.arange(0.0, 10.0, 0.1)
    width, blur = rim.thickness[chosen, None], rim.blur[chosen, None]
    muscle = site.reference.muscle.mean_hu
    height = rim.height_hu120[chosen] - muscle
    seen = height[:, None] * (special.ndtr(depth / blur) - special.ndtr((depth - width) / blur))
    found = {}
    for threshold in thresholds_hu120:
        over = threshold - muscle
        true = float((rim.area[chosen] * np.where(height > over, width[:, 0], 0.0)).sum())
        wide = float((rim.area[chosen] * (seen > over).sum(axis=1) * 0.1).sum())
        found[threshold] = max(wide / true - 1.0, 0.0) if true > 0.0 else 0.0
    return found


def _other_names(site: Site) -> list[str]:
    return [f"rim_completeness_{t:g}" for t in site.settings.mineral.rim_thresholds_hu120]


def _completeness(site: Site, rim: Rim, mineral: NDArray[np.bool_], hidden: NDArray[np.bool_]) -> list[Estimate]:
    # A share of the whole surface: how the outline goes on where no edge shows decides it, as it does a volume.
    verdict: Verdicts = ()
    settings = site.settings.mineral
    unresolved = share_of(rim, hidden)
    if unresolved > MUCH_UNRESOLVED:
        verdict = (caution("rim-unresolved", share=unresolved),)
    rows = []
    named = {"rim_completeness": settings.threshold_hu120}
    named |= {f"rim_completeness_{t:g}": t for t in settings.rim_thresholds_hu120}
    for name, threshold in named.items():
        main = threshold == settings.threshold_hu120
        chosen = mineral if main else over_or_contact(site, rim, threshold)
        value = share_of(rim, chosen)
        low, high = (share_of(rim, over_or_contact(site, rim, threshold * f)) for f in (1.2, 0.8))
        border = 1.4 * _border_share(rim, chosen, site) + 0.02
        crossing = 2.0 * site.bridged.area
        faint = share_of(rim, chosen) - share_of(rim, chosen & (rim.seen_hu120 >= threshold))
        down = {
            "threshold": 0.7 * (value - low),
            "border of the gap": border,
            "blur": 0.5 * faint,
            "bridged gaps": crossing,
        }
        up = {"threshold": 0.7 * (high - value), "border of the gap": border, "unresolved shell": unresolved}
        up["blur"], up["bridged gaps"] = 0.5 * faint, 0.5 * crossing
        rows.append(Estimate(name, "1", value, down, up, verdict, (0.0, 1.0)))
    rows.append(
        symmetric(
            "rim_unresolved",
            "1",
            unresolved,
            {"blur": 0.25 * unresolved + 0.01},
            bounds=(0.0, 1.0),
        )
    )
    return rows


def _border_share(rim: Rim, chosen: NDArray[np.bool_], site: Site) -> float:
    """Share of the area within 0.7 mm of a border between rim and gap."""
    crossing = rim.edges[chosen[rim.edges[:, 0]] != chosen[rim.edges[:, 1]]]
    if not len(crossing):
        return 0.0
    # Every border edge stands for a strip about as long as the mesh is wide.
    pitch = float(np.sqrt(rim.area.mean() * 2 / np.sqrt(3)))
    length = len(crossing) * pitch / 2.0
    return float(0.7 * length / rim.area.sum())


def _gap(site: Site, rim: Rim, mineral: NDArray[np.bool_]) -> list[Estimate]:
    open_ = ~mineral
    if not open_.any():
        return [symmetric("largest_gap", "1", 0.0, {"border of the gap": 0.003}, bounds=(0.0, 1.0))]

    def largest(gap: NDArray[np.bool_]) -> tuple[float, NDArray[np.bool_]]:
        inner = rim.edges[gap[rim.edges].all(axis=1)]
        n = len(gap)
        graph = csr_matrix((np.ones(len(inner)), (inner[:, 0], inner[:, 1])), shape=(n, n))
        _, label = connected_components(graph, directed=False)
        sizes = np.bincount(label, weights=np.where(gap, rim.area, 0.0), minlength=n)
        chosen = (label == int(sizes.argmax())) & gap
        return share_of(rim, chosen), chosen

    value, where = largest(open_)
    threshold = site.settings.mineral.threshold_hu120
    others = [largest(~over_or_contact(site, rim, threshold * f))[0] for f in (0.8, 1.2)]
    away = site.outline.vertices - site.outline.centroid
    facing = (away[where] * rim.area[where, None]).sum(axis=0)
    facing = facing / max(float(np.linalg.norm(facing)), 1e-9)
    parts_down = {
        "threshold": max(0.5 * (value - min(others)), 0.0),
        "border of the gap": _border_share(rim, where, site) + 0.003,
        "bridged gaps": site.bridged.area,
    }
    parts_up = {
        "threshold": max(0.5 * (max(others) - value), 0.0),
        "border of the gap": _border_share(rim, where, site) + 0.003,
        "bridged gaps": 2.0 * site.bridged.area,
    }
    detail: dict[str, object] = {
        "largest_gap_direction": anatomical_words(facing),
        "largest_gap_unit_vector": [round(float(v), 4) for v in facing],
    }
    return [Estimate("largest_gap", "1", value, parts_down, parts_up, (), (0.0, 1.0), detail)]
