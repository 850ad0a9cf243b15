"""Attenuation of rim and core, and what the core is made of.

Numbers below without another source are own judgement, held against truth by ``scripts/validate``.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ..base import COMMON_KVP, Verdicts, caution, gaussian_smoothed, withhold, within_reach
from .estimate import Estimate, symmetric, withheld
from .site import Site

CORE_CLASSES: tuple[tuple[str, float, float], ...] = (
    ("core_fat_fraction", -np.inf, -30.0),
    ("core_fluid_fraction", -10.0, 20.0),
    ("core_soft_fraction", 20.0, 80.0),
    ("core_haze_fraction", 80.0, 150.0),
    ("core_mineral_fraction", 150.0, np.inf),
)
"""Working bands in HU (the two last in HU120); what lies between is unassigned."""
CLASS_SMOOTHING_MM = 1.5
"""Gaussian that steadies the core before it is sorted into bands."""
RIM_STRETCH = (0.75, 1.25)
"""Rim depths over that of the definition that a careful reader would accept (``shared/measurements.md``: +-25 %)."""
PARTLY_FLOODED = 0.25
"""Share of what floods a core from which it is cautioned, or, where the core is small, withheld."""
LEAST_CORE_MM3 = 30.0
"""Less core than this clear of the rim is not sorted."""
LEAST_DOUBT_HU, FLOODED_DOUBT = 5.0, 0.3
"""How far band limits are moved at least, and by which share of what the blur of the rim added."""
INDEPENDENT_MM3, LEAST_VARIANCE = 200.0, 0.01
"""Volume of core that counts as one sample, and the variance of a share that even a pure core has."""
COMMON_FROM_HU = 80.0
"""Bands that begin here or above are of mineral and on the common scale (`CORE_CLASSES`)."""
VOLTAGE_SHARE, SAME_KVP = 0.03, 1.0
"""Share of what stands over muscle by which the common scale may be off at another voltage, and how near 120 kVp counts
as 120 (common practice: the slopes of two tables differ by as much)."""
FWHM = 2.355
"""Full width at half maximum of a Gaussian over its standard deviation: the width of the blur."""


def measure_zones(site: Site) -> list[Estimate]:
    """``rim_attenuation``, ``core_attenuation``, ``rim_core_ratio``, ``rim_core_difference`` and core fractions."""
    zones, layers = site.zones, site.layers
    r, c, d = zones.rim_depth_mm, zones.core_depth_mm, zones.inradius_mm
    shift = site.outline.spread_mm
    voxel = site.voxel_mm3
    rim_noise = 2.0 * site.reference.mean_error(float(zones.rim.sum()) * voxel)
    core_noise = 2.0 * site.reference.mean_error(float(zones.core.sum()) * voxel)

    def rim(kind: str, offset: float = 0.0, stretch: float = 1.0) -> float:
        return layers.mean(offset, r * stretch + offset, kind=kind)

    def core(kind: str, offset: float = 0.0) -> float:
        return layers.mean(c + offset, d, kind=kind)

    rows: list[Estimate] = []
    values: dict[str, tuple[float, dict[str, float]]] = {}
    for name, kind in (("rim", "hu"), ("rim120", "hu120")):
        value = rim(kind)
        moved = max(abs(rim(kind, o) - value) for o in (-shift, shift))
        depth = RIM_DEPTH_SHARE * max(abs(rim(kind, stretch=s) - value) for s in RIM_STRETCH)
        undone = 0.25 * abs(value - rim("plain_" + kind))
        values[name] = (
            value,
            {"outline": 0.8 * moved, "depth of the zones": depth, "blur": undone, "noise": rim_noise},
        )
    for name, kind in (("core", "hu"), ("core120", "hu120")):
        value = core(kind)
        moved = max(abs(core(kind, o) - value) for o in (-shift, shift))
        undone = 0.5 * abs(value - core("plain_" + kind))
        values[name] = (value, {"outline": moved, "blur": undone, "noise": core_noise})
    plain = {"rim": rim("plain_hu"), "core": core("plain_hu")}
    for name in ("rim", "core"):
        value, parts = values[name]
        rows.append(
            symmetric(
                f"{name}_attenuation",
                "HU",
                value,
                parts,
                detail={"plain_mean_hu": plain[name], "zone_mm3": float(getattr(zones, name).sum() * voxel)},
            )
        )
    (top, top_parts), (bottom, bottom_parts) = values["rim120"], values["core120"]
    ratio = (1000.0 + top) / (1000.0 + bottom)
    ratio_parts = {k: v / (1000.0 + bottom) for k, v in top_parts.items()}
    for k, v in bottom_parts.items():
        ratio_parts[k] = float(np.hypot(ratio_parts.get(k, 0.0), v * ratio / (1000.0 + bottom)))
    excess = max(top - site.reference.muscle.mean_hu, 0.0)
    if abs(site.reference.kvp - COMMON_KVP) > SAME_KVP:
        ratio_parts["tube voltage"] = VOLTAGE_SHARE * excess / (1000.0 + bottom)
    rows.append(symmetric("rim_core_ratio", "1", ratio, ratio_parts, bounds=(0.0, np.inf)))
    gap_parts = {k: float(np.hypot(top_parts.get(k, 0.0), bottom_parts.get(k, 0.0))) for k in top_parts}
    rows.append(symmetric("rim_core_difference", "HU", top - bottom, gap_parts))
    return rows + _core_fractions(site)


RIM_DEPTH_SHARE = 0.25
"""How much of the effect of a rim depth a quarter larger or smaller enters the interval: the depth is a convention
shared by all scans, so only the doubt about where it lies in this scan counts, not the choice itself."""


FLOODED_HU = 80.0
"""What the blur of the rim may add to the mean of the core before its contents cannot be told; a quarter of it where
the core is small."""
SMALL_CORE_MM = 3.0
"""Radius of the core below which the blur of the rim reaches its middle."""
UNSEEN_PART = 0.5
"""How differently from the rest the part of the core may be made up that lies in the blur of the rim (own phantoms)."""


def _core_fractions(site: Site) -> list[Estimate]:
    verdict: Verdicts = ()
    zones = site.zones
    away = max(FWHM * site.reference.blur_sd_mm, 0.5 * site.reference.slice_mm)
    mineral_rim = site.mineral & (zones.depth < zones.core_depth_mm)
    whole = float(zones.core.sum())
    weight = zones.core * site.usable
    if mineral_rim.any():
        weight = weight * ~within_reach(mineral_rim, site.near.grid.spacing, np.nextafter(away, 0.0))
    total = float(weight.sum())
    names = [name for name, _, _ in CORE_CLASSES]
    if total * site.voxel_mm3 < LEAST_CORE_MM3:
        return [withheld(n, "1", withhold("core-small")) for n in names]
    sigma = CLASS_SMOOTHING_MM / site.near.grid.spacing
    share = gaussian_smoothed(zones.core, sigma)
    layers = site.layers
    # What blur carries in from the rim is taken off voxel by voxel (additive form of Thomas 2011, EJNMMI 38:1104).
    freed = site.hu - layers.spill
    smooth = gaussian_smoothed(freed * zones.core, sigma) / np.maximum(share, 1e-3)
    smooth120 = site.reference.hu120(smooth)
    noise = site.reference.mean_error(CLASS_SMOOTHING_MM**3 * 20)
    reached = abs(
        layers.mean(zones.core_depth_mm, zones.inradius_mm)
        - layers.mean(zones.core_depth_mm, zones.inradius_mm, kind="plain_hu")
    )
    small = zones.inradius_mm - zones.core_depth_mm < SMALL_CORE_MM
    if reached > (PARTLY_FLOODED if small else 1.0) * FLOODED_HU:
        return [withheld(n, "1", withhold("core-flooded")) for n in names]
    if reached > PARTLY_FLOODED * FLOODED_HU:
        verdict = (caution("core-partly-flooded", hu=reached),)
    doubt = max(noise, LEAST_DOUBT_HU, FLOODED_DOUBT * reached)
    left_out = 1.0 - total / whole
    rows = []
    for name, low, high in CORE_CLASSES:
        shown = smooth120 if low >= COMMON_FROM_HU else smooth

        def fraction(offset: float, low: float = low, high: float = high, shown: Any = shown) -> float:
            inside = (shown >= low + offset) & (shown < high + offset)
            return float((weight * inside).sum() / total)

        value = fraction(0.0)
        others = [fraction(o) for o in (-doubt, doubt)]
        number = max(total * site.voxel_mm3 / INDEPENDENT_MM3, 1.0)
        counting = 2.0 * float(np.sqrt(max(value * (1 - value), LEAST_VARIANCE) / number)) * 0.5
        parts = {"band limits": max(abs(o - value) for o in others), "sampling": counting}
        beside = "beside the shell"
        down = parts | {beside: UNSEEN_PART * left_out * value}
        up = parts | {beside: UNSEEN_PART * left_out * (1.0 - value)}
        rows.append(Estimate(name, "1", value, down, up, verdict, (0.0, 1.0)))
    return rows
