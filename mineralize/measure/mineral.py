"""Mineral volume, mass and where it sits.

Numbers below without another source are own judgement, held against truth by ``scripts/validate``.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ..base import Floats, Verdicts, caution, withhold
from ..reference import TABLE
from ..surface import mesh_area
from .estimate import Estimate, symmetric, withheld
from .rim import UNBLURRED, Blurred
from .site import Site

HIDDEN = 0.02
"""Share of the lesion in the blur of bone from which its mass is cautioned."""
SEARCHED_MM3 = 500.0
"""Largest mineral zone that noise is asked about where there is none: speckled over more, it would be seen."""
BESIDE_MM = 1.5
"""Width of the layers inside and outside an outline that are asked whether it cuts through mineral."""
SHOWN_IN_FULL = 0.95
"""Share of its height from which a layer is as good as not blurred."""
FAINT_FROM_HU120, FAINT_PER_HU120 = 150.0, 600
"""Of a volume over a threshold above the first, one part in so many may be missing per HU120 more (own phantoms)."""
CUT = 0.2
"""Mineral outside over that inside from which an outline cuts through it."""


def mass_mg(site: Site, background: Any) -> float:
    """Hydroxyapatite equivalent in mg over the mineral zone: excess over the background, nothing clipped."""
    zone = site.mineral_zone
    excess = site.hu[zone] - background[zone]
    return float(excess.sum(dtype=np.float64) * site.voxel_mm3 / site.reference.slope / 1000)


def noise_mass_mg(site: Site, volume_mm3: float) -> float:
    """Standard error in mg that image noise makes in a sum over ``volume_mm3``."""
    louder = max(site.noise.cube_hu / max(site.reference.noise_4mm_hu, 1e-3), 1.0)
    return louder * site.reference.mean_error(volume_mm3) * volume_mm3 / site.reference.slope / 1000


def slope_parts(site: Site, mass: float) -> dict[str, float]:
    """Doubt about HU per mg/cm3: from the table or the rods, and for the table from the size of the limb."""
    parts = {"calibration": abs(mass) * site.reference.slope_uncertainty}
    if site.reference.slope_source == TABLE:
        parts["limb size"] = abs(mass) * site.settings.mineral.limb_size_uncertainty
    return parts


def measure_mineral(site: Site, blurred: Blurred = UNBLURRED) -> list[Estimate]:
    """``mineral_mass``, ``mineral_volume`` at every threshold, ``mineral_fraction``, ``zonal_contrast``.

    ``blurred`` says what blur does to the rim: a volume over a threshold may be that over a threshold as much closer to
    muscle as blur lowers it, and what blur adds to layers may not be there.
    """
    settings = site.settings.mineral
    lesion_mm3 = site.outline.volume_mm3
    verdict = (*_cut_through(site), *_of_the_scale(site))
    rows = [_mass(site, verdict)]
    named = {"mineral_volume": settings.threshold_hu120}
    named |= {f"mineral_volume_{t:g}": t for t in settings.other_thresholds_hu120}
    shift = site.outline.spread_mm
    for name, threshold in named.items():
        volume = _volume_over(site, threshold)
        low, high = _volume_over(site, threshold * 1.2), _volume_over(site, threshold * 0.8)
        edge = min(shift * mesh_area(site.outline.vertices, site.outline.faces), volume) * 0.3
        muscle = site.reference.muscle.mean_hu
        shown = blurred.shown
        unblurred = _volume_over(site, muscle + shown * (threshold - muscle)) if shown < SHOWN_IN_FULL else volume
        # All of what blur adds to layers with sharp borders, less where the inner one fades (own phantoms).
        swollen = blurred.swollen.get(threshold, 0.0)
        added = max(_rounded_up(threshold), swollen / (1.0 + swollen)) * volume
        rows.append(
            Estimate(
                name,
                "mm3",
                volume,
                {"threshold": 0.5 * (volume - low), "blur": added, "outline": edge},
                {
                    "threshold": 0.5 * (high - volume),
                    "blur": max(threshold - FAINT_FROM_HU120, 0.0) / FAINT_PER_HU120 * volume,
                    "outline": edge,
                    "thin layer": max(unblurred - volume, 0.0),
                },
                verdict,
                (0.0, np.inf),
            )
        )
    main_row = next(r for r in rows if r.quantity == "mineral_volume")
    volume = _volume_over(site, settings.threshold_hu120)
    scale = 1.0 / max(lesion_mm3, 1e-9)
    crossing = site.bridged.volume * volume * scale
    rows.append(
        Estimate(
            "mineral_fraction",
            "1",
            volume * scale,
            {**{k: v * scale for k, v in main_row.down.items()}, "bridged gaps": crossing},
            {**{k: v * scale for k, v in main_row.up.items()}, "bridged gaps": crossing},
            verdict,
            (0.0, 1.0),
        )
    )
    rows.append(_contrast(site))
    return rows


def _of_the_scale(site: Site) -> Verdicts:
    """Cautioned where the scan's own tissues say that the mineral scale does not hold."""
    fall = site.reference.hardening_hu
    return (caution("hardening", hu=fall),) if fall else ()


def _cut_through(site: Site) -> Verdicts:
    """Withheld where an outline that mineral did not draw runs through mineral: it may take in parts of bones that the
    scan does not show whole, as at a joint or beside a shoulder blade."""
    if site.outline.method not in ("drawn", "mass margin"):
        return ()
    # Smoothed, or noise along the outline would pass for mineral.
    over = (site.calm >= site.settings.mineral.threshold_hu120) & site.usable
    depth = site.zones.depth
    outside = int((over & (depth < -BESIDE_MM) & (depth >= -2 * BESIDE_MM)).sum())
    inside = int((over & (depth > 0.0) & (depth <= BESIDE_MM)).sum())
    if outside * site.voxel_mm3 < CUT_MM3 or outside < CUT * inside:
        return ()
    return (withhold("drawn-cuts-mineral"),)


CUT_MM3 = 50.0
"""Mineral just outside an outline below which it counts as specks."""


def _rounded_up(threshold_hu120: float) -> float:
    """Least share of a volume over a threshold that blur may have added, as to thick rims; more near soft tissue (95 %
    of rims over 2.5 mm: 0.11 and 0.07, own phantoms, random seeds 3000-3199)."""
    return float(np.interp(threshold_hu120, (100.0, 150.0), (0.12, 0.09)))


def _volume_over(site: Site, threshold_hu120: float) -> float:
    """mm3 over a threshold in the lesion; with all that is near where only its margin is unknown, for the outline then
    runs along the mineral itself."""
    over = site.mineral_over(threshold_hu120)
    if site.outline.trust == "withheld" and site.outline.holds_mineral:
        return float(over.sum() * site.voxel_mm3)
    return float(site.zones.lesion[over].sum(dtype=np.float64) * site.voxel_mm3)


def _mass(site: Site, verdict: Verdicts) -> Estimate:
    zone_mm3 = float(site.mineral_zone.sum() * site.voxel_mm3)
    reference = site.reference
    detail: dict[str, object] = {
        "zone_mm3": zone_mm3,
        "slope_hu_per_mg_cm3": reference.slope,
        "slope_from": reference.slope_source,
    }
    if zone_mm3 == 0.0:
        lesion_mm3 = site.outline.volume_mm3
        limit = 2.0 * noise_mass_mg(site, min(lesion_mm3, SEARCHED_MM3))
        return Estimate(
            "mineral_mass",
            "mg",
            0.0,
            {},
            {"noise": limit},
            (*verdict, caution("noise-alone")),
            (0.0, np.inf),
            detail | {"detection_limit_mg": limit},
        )
    mass = mass_mg(site, site.background)
    around, within = site.background_alternatives
    outside, inside = mass_mg(site, around), mass_mg(site, within)
    noise = 2.0 * noise_mass_mg(site, zone_mm3)
    parts_down = {
        "noise": noise,
        **slope_parts(site, mass),
        "background": max(0.5 * (mass - min(outside, inside)), 0.0),
    }
    parts_up = {"noise": noise, **slope_parts(site, mass), "background": max(0.5 * (max(outside, inside) - mass), 0.0)}
    parts_up["beam hardening"] = HARDENING_SHARE * reference.hardening_hu * max(mass, 0.0)
    parts_up["mineral below the threshold"] = FAINT_SHARE * _faintness(site) * max(mass, 0.0)
    if within is around:
        parts_up["background"] = max(parts_up["background"], _unseen_marrow(site, mass))
    by_hand = HAND_SHARE * site.near.hand_excess / reference.slope / 1000
    if by_hand > 0.0:
        parts_down["parts counted by hand"] = parts_up["parts counted by hand"] = by_hand
    hidden = site.hidden_mm3
    parts_up["hidden by bone"] = max(mass, 0.0) * hidden / max(zone_mm3, 1e-9)
    if hidden > HIDDEN * float(site.zones.lesion.sum() * site.voxel_mm3):
        verdict = (*verdict, caution("in-bone-blur"))
    if mass < noise:
        verdict = (*verdict, caution("noise-alone"))
    return Estimate("mineral_mass", "mg", mass, parts_down, parts_up, verdict, (0.0, np.inf), detail)


def _unseen_marrow(site: Site, mass: float) -> float:
    """mg that would be missed if what lies between the mineral, of which nothing is seen alone, were fatty marrow."""
    zone = site.mineral_zone
    lesion_mm3 = float(site.zones.lesion[zone].sum(dtype=np.float64) * site.voxel_mm3)
    spaces = float(np.clip(1.0 - mass / max(lesion_mm3 * BONE_MG_MM3, 1e-9), 0.0, 1.0))
    below = max(float(site.background[zone].mean()) - site.reference.fat_hu, 0.0)
    return below * spaces * lesion_mm3 / site.reference.slope / 1000


HAND_SHARE = 0.25
"""95 % half-width between readers of a mass, as a share of the part they decide on (no published repeat drawings of
mineral parts were found; own judgement until there are)."""
BONE_MG_MM3 = 1.0
"""Mineral in the material of bone itself (from memory: 0.9 to 1.2 mg/mm3); what is left of the volume is marrow."""
HARDENING_SHARE = 0.01
"""Share of the mass lost for every HU that muscle falls towards the middle; 0.004 to 0.006 without the water correction
(`scripts/validate_projection`), taken twice as a 95 % half-width."""
FAINT_SHARE = 0.35
"""Share of the mass of a very faint rim that blur keeps below the threshold, out of the zone (own phantoms)."""


def _faintness(site: Site) -> float:
    """0 where most mineral reads over twice the threshold, 1 where it hardly reaches it."""
    threshold = site.settings.mineral.threshold_hu120
    middle = float(np.median(site.hu120[site.mineral]))
    return float(np.clip((2.0 * threshold - middle) / threshold, 0.0, 1.0))


def zone_density(site: Site) -> tuple[Floats, Floats]:
    """Mean mineral density (L,) mg/cm3 of each depth layer, blur undone, and the layers' volumes (L,) mm3."""
    layers = site.layers
    under = np.empty(len(layers.hu))
    for i, (a, b) in enumerate(zip(layers.edges[:-1], layers.edges[1:], strict=True)):
        share = site.zones.share_between(float(a), float(b)) * site.usable
        under[i] = float((share * site.background).sum() / max(float(share.sum()), 1e-6))
    return (layers.hu - under) / site.reference.slope, layers.volume_mm3


def _contrast(site: Site) -> Estimate:
    name = "zonal_contrast"
    if not site.mineral.any():
        return withheld(name, "1", withhold("no-mineral-contrast"))
    mass = mass_mg(site, site.background)
    zone_mm3 = float(site.mineral_zone.sum() * site.voxel_mm3)
    floor = 3.0 * noise_mass_mg(site, zone_mm3)
    if mass < floor:
        return withheld(name, "1", withhold("mass-within-noise", mg=mass, floor_mg=floor))
    zones = site.zones
    density, volume = zone_density(site)
    rim, core = (_density_between(site, density, volume, a, b) for a, b in _zone_depths(site))
    if rim + core <= 0:
        return withheld(name, "1", withhold("no-mineral-in-zones"))
    value = float(np.clip((rim - core) / (rim + core), -1.0, 1.0))
    error = 2.0 * site.reference.mean_error(float(zones.core.sum()) * site.voxel_mm3) / site.reference.slope
    error = float(np.hypot(error, 8.0 / site.reference.slope))
    rim_floor, core_floor = max(rim, 0.0), max(core, 0.0)
    noise = 2.0 * error * max(rim_floor, core_floor) / max(rim_floor + core_floor, 1e-6) ** 2
    shift = site.outline.spread_mm
    moved = []
    for offset in (-shift, shift):
        r, c = (_density_between(site, density, volume, a + offset, b + offset) for a, b in _zone_depths(site))
        moved.append(float(np.clip((r - c) / (r + c), -1.0, 1.0)) if r + c > 0 else value)
    parts = {"noise": noise, "outline": max(abs(m - value) for m in moved)}
    return symmetric(name, "1", value, parts, bounds=(-1.0, 1.0))


def _zone_depths(site: Site) -> tuple[tuple[float, float], tuple[float, float]]:
    zones = site.zones
    return (0.0, zones.rim_depth_mm), (zones.core_depth_mm, zones.inradius_mm)


def _density_between(site: Site, density: Floats, volume: Floats, low_mm: float, high_mm: float) -> float:
    edges = site.layers.edges
    share = np.clip(np.minimum(edges[1:], high_mm) - np.maximum(edges[:-1], low_mm), 0.0, None) / np.diff(edges)
    weight = share * volume
    known = (weight > 0) & np.isfinite(density)
    return float((weight[known] * density[known]).sum() / weight[known].sum()) if known.any() else 0.0
