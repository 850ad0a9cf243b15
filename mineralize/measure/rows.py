"""Every quantity of one scan, with its interval and its trust."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from ..base import MineralSettings, Settings, Trust, Volume, worst
from ..bones import Skeleton
from ..lesion import Neighbourhood, Outline, find_zones
from ..reference import Reference
from .bone import measure_bone
from .estimate import Estimate
from .mineral import measure_mineral
from .muscle import measure_muscle, steady_tissues
from .rim import measure_rim
from .rim_map import DepthProfile, RimMap
from .shape import measure_shape
from .site import Site
from .zones import measure_zones

__all__ = [
    "UNITS",
    "DepthProfile",
    "Measured",
    "Measurement",
    "RimMap",
    "Rows",
    "measure_scan",
    "quantities_of",
    "rows_without_lesion",
    "withhold_all",
]


@dataclass(frozen=True)
class Measurement:
    """One row of ``measurements.csv``.

    ``value``, ``low`` and ``high`` are ``None`` when ``trust`` is ``"withheld"``; ``reason`` is plain words, empty
    only when trust is ``"ok"``. ``dominant`` names the perturbation that makes most of the interval; ``detail``
    carries extras for ``history.json`` (such as a gap's direction in words and as a unit vector). ``parts`` holds the
    95 % half-widths (down, up) of every perturbation by name, for comparing scans.
    """

    scan: int
    quantity: str
    value: float | None
    low: float | None
    high: float | None
    unit: str
    trust: Trust
    reason: str = ""
    dominant: str = ""
    detail: dict[str, object] | None = None
    parts: dict[str, tuple[float, float]] | None = None


class Rows(tuple[Measurement, ...]):
    """Rows of measurements; a tuple that can become a table."""

    def to_frame(self) -> Any:
        """A pandas DataFrame with a column per field.

        Raises
        ------
        ImportError
            where pandas, which mineralize itself does not need, is not installed.
        """
        import pandas as pd

        names = [f.name for f in fields(Measurement) if f.name != "parts"]
        return pd.DataFrame([[getattr(row, name) for name in names] for row in self], columns=names)


UNITS: dict[str, str] = {
    "lesion_volume": "mm3",
    "longest_diameter": "mm",
    "axial_diameter": "mm",
    "axial_perpendicular": "mm",
    "mineral_mass": "mg",
    "mineral_volume": "mm3",
    "mineral_volume_100": "mm3",
    "mineral_volume_130": "mm3",
    "mineral_volume_200": "mm3",
    "mineral_volume_300": "mm3",
    "mineral_fraction": "1",
    "rim_attenuation": "HU",
    "core_attenuation": "HU",
    "rim_core_ratio": "1",
    "rim_core_difference": "HU",
    "rim_peak_attenuation": "HU",
    "rim_completeness": "1",
    "rim_completeness_100": "1",
    "rim_completeness_200": "1",
    "rim_completeness_300": "1",
    "rim_unresolved": "1",
    "largest_gap": "1",
    "rim_thickness": "mm",
    "zonal_contrast": "1",
    "core_fat_fraction": "1",
    "core_fluid_fraction": "1",
    "core_soft_fraction": "1",
    "core_haze_fraction": "1",
    "core_mineral_fraction": "1",
    "cortex_gap": "mm",
    "cortex_contact_area": "mm2",
    "cleft_fraction": "1",
    "perilesional_muscle": "HU",
    "reference_muscle": "HU",
    "perilesional_deficit": "HU",
    "oedema_extent": "mm",
    "fat_reference": "HU",
    "cortex_reference": "HU",
}
"""Every quantity in the order of the tables, with its unit, at the thresholds that are looked at by default."""


def quantities_of(settings: MineralSettings) -> dict[str, str]:
    """Every quantity that is measured under these settings, as :data:`UNITS`: a row for each threshold asked for."""
    asked = {"mineral_volume": settings.other_thresholds_hu120, "rim_completeness": settings.rim_thresholds_hu120}
    found: dict[str, str] = {}
    for quantity, unit in UNITS.items():
        base, _, threshold = quantity.rpartition("_")
        if base in asked and threshold.isdigit():
            continue
        found[quantity] = unit
        found |= {f"{quantity}_{t:g}": unit for t in asked.get(quantity, ())}
    return found


OWN_TISSUE = frozenset({"reference_muscle", "fat_reference", "cortex_reference"})
"""Quantities of the scan, not of the lesion."""
OF_THE_SURFACE = frozenset({"lesion_volume", "longest_diameter", "axial_diameter", "axial_perpendicular"})
"""Quantities of the outline alone, whatever lies in it."""
MOST_IN_BONE = 0.15
"""Share of the lesion in what passes for bone from which neither is measured; contact hides a few percent."""


@dataclass(frozen=True, eq=False)
class Measured:
    """All rows of one scan, the depth profile and the unwrapped rim."""

    rows: tuple[Measurement, ...]
    profile: DepthProfile
    rim_map: RimMap


def measure_scan(
    near: Neighbourhood,
    reference: Reference,
    outline: Outline,
    settings: Settings,
    volume: Volume,
    skeleton: Skeleton | None = None,
    *,
    whole_verdicts: tuple[tuple[Trust, str], ...] = (),
) -> Measured:
    """Measure everything about one outlined lesion on the scan's own voxels.

    Parameters
    ----------
    near : surroundings, reaching at least 12 mm beyond the outline where the scan does.
    volume, skeleton : the whole scan, for muscle far away.
    whole_verdicts : what limits every quantity of this scan, such as metal or an unknown tube voltage.
    """
    zones = find_zones(outline, near.grid, settings.zones)
    site = Site(outline.scan, near, reference, outline, zones, settings)
    has_mineral = bool(site.mineral.any())
    rim_rows, rim_map, blurred = measure_rim(site, has_mineral=has_mineral)
    estimates = [
        *measure_shape(site),
        *measure_mineral(site, blurred),
        *measure_zones(site),
        *rim_rows,
        *measure_bone(site),
        *measure_muscle(site, volume, skeleton),
    ]
    found = {e.quantity: e for e in estimates}
    mixed = _mixed_with_bone(site)
    rows = []
    for quantity, unit in quantities_of(settings.mineral).items():
        estimate = found.get(quantity)
        if estimate is None:
            rows.append(_none(outline.scan, quantity, unit, "it was not measured"))
        else:
            extra = () if quantity in OWN_TISSUE else whole_verdicts
            if quantity not in OWN_TISSUE | OF_THE_SURFACE:
                extra = (*extra, *mixed)
            rows.append(as_row(outline.scan, estimate, extra))
    return Measured(tuple(rows), _profile(site), rim_map)


def _mixed_with_bone(site: Site) -> tuple[tuple[Trust, str], ...]:
    """Withheld where the outline runs through what is taken for bone: one of the two is wrong."""
    share = site.hidden_mm3 / max(float(site.zones.lesion.sum() * site.voxel_mm3), 1e-9)
    if share <= MOST_IN_BONE:
        return ()
    return (("withheld", f"{share:.0%} of the lesion could not be told from bone"),)


WIDEST: dict[str, tuple[float, bool]] = {
    "lesion_volume": (0.12, True),
    "longest_diameter": (0.065, True),
    "axial_diameter": (0.08, True),
    "axial_perpendicular": (0.10, True),
    "mineral_mass": (0.15, True),
    "mineral_volume": (0.40, True),
    "mineral_fraction": (0.15, False),
    "core_attenuation": (25.0, False),
    "rim_core_ratio": (0.10, True),
    "rim_core_difference": (0.30, True),
    "rim_peak_attenuation": (0.25, True),
    "rim_completeness": (0.10, False),
    "largest_gap": (0.10, False),
    "rim_thickness": (1.2, False),
    "zonal_contrast": (0.20, False),
    "cortex_gap": (1.5, False),
    "cleft_fraction": (0.30, False),
}
"""Half-width of the interval beyond which a value is cautioned: (limit, relative to the value). About the largest error
that would not yet mislead; own judgement."""


def widest(quantity: str) -> tuple[float, bool]:
    """The limit of :data:`WIDEST` for a quantity; a volume over a higher threshold hangs more on it."""
    base, _, threshold = quantity.rpartition("_")
    if base == "mineral_volume" and threshold.isdigit():
        return float(np.interp(float(threshold), (150.0, 200.0, 300.0), (0.40, 0.50, 0.60))), True
    if base == "rim_completeness" and threshold.isdigit():
        return WIDEST[base]
    return WIDEST.get(quantity, (np.inf, False))


def _too_wide(estimate: Estimate) -> tuple[tuple[Trust, str], ...]:
    """The caution of a value whose interval alone says that it is uncertain."""
    limit, relative = widest(estimate.quantity)
    if estimate.value is None or not np.isfinite(estimate.value):
        return ()
    if relative and estimate.value == 0.0:
        return ()  # nothing there: the interval is the limit of detection
    low, high = estimate.interval
    reach = max(estimate.value - low, high - estimate.value)
    if reach <= limit * (abs(estimate.value) if relative else 1.0):
        return ()
    return (("caution", f"its interval is wide, mostly for {estimate.dominant}"),)


def as_row(scan: int, estimate: Estimate, extra: tuple[tuple[Trust, str], ...] = ()) -> Measurement:
    """The row of an estimate; a withheld one loses its numbers, one with a wide interval is cautioned."""
    estimate = replace(estimate, verdicts=(*estimate.verdicts, *_too_wide(estimate)))
    trust = worst(estimate.trust, *(level for level, _ in extra))
    reasons = [estimate.reason] if estimate.trust == trust and estimate.reason else []
    reasons += [text for level, text in extra if level == trust]
    reason = "; ".join(dict.fromkeys(reasons)) if trust != "ok" else ""
    if trust == "withheld" or estimate.value is None:
        return _none(scan, estimate.quantity, estimate.unit, reason or "it could not be determined")
    low, high = estimate.interval
    return Measurement(
        scan,
        estimate.quantity,
        float(estimate.value),
        float(low),
        float(high),
        estimate.unit,
        trust,
        reason,
        estimate.dominant,
        estimate.detail,
        {k: (estimate.down.get(k, 0.0), estimate.up.get(k, 0.0)) for k in {**estimate.down, **estimate.up}},
    )


def _none(scan: int, quantity: str, unit: str, reason: str) -> Measurement:
    return Measurement(scan, quantity, None, None, None, unit, "withheld", reason)


def rows_without_lesion(
    scan: int, reference: Reference, reason: str, settings: MineralSettings | None = None
) -> tuple[Measurement, ...]:
    """The rows of a scan in which there is nothing to measure, for one reason; its steady tissues are still stated."""
    return withhold_all(scan, reason, tuple(as_row(scan, e) for e in steady_tissues(reference)), settings)


def withhold_all(
    scan: int, reason: str, kept: tuple[Measurement, ...] = (), settings: MineralSettings | None = None
) -> tuple[Measurement, ...]:
    """Every quantity withheld for one reason, but for those in ``kept``."""
    held = {row.quantity: row for row in kept}
    wanted = quantities_of(settings or MineralSettings())
    return tuple(held.get(q) or _none(scan, q, unit, reason) for q, unit in wanted.items())


def _profile(site: Site) -> DepthProfile:
    """Mean HU120 and its noise interval in depth bins of about 1 mm, from 6 mm outside to the centre."""
    deepest = site.zones.inradius_mm
    edges = np.arange(-6.0, deepest + 1.0, 1.0 if deepest > 4 else 0.5)
    centres = 0.5 * (edges[:-1] + edges[1:])
    means: list[float] = []
    errors: list[float] = []
    usable = site.usable
    depth, values = site.zones.depth[usable], site.hu120[usable]
    which = np.digitize(depth, edges) - 1
    for i in range(len(centres)):
        chosen: Any = values[which == i]
        enough = len(chosen) >= 3
        means.append(float(chosen.mean()) if enough else float("nan"))
        errors.append(2.0 * site.reference.mean_error(len(chosen) * site.voxel_mm3) if enough else float("nan"))
    mean, error = np.array(means), np.array(errors)
    return DepthProfile(site.scan, centres, mean, mean - error, mean + error, deepest)
