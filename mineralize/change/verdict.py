"""What changed between two scans, and whether the change is real."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from ..measure import Measurement
from ..timeline import Timeline
from .caution import kinds, moved_by_caution
from .interval import half_widths, unlike_in_scale

Real = Literal["yes", "no", "unsure"]


@dataclass(frozen=True)
class Change:
    """One row of ``changes.csv``; numbers are ``None`` where a side is withheld or the value has no meaning."""

    from_scan: int
    to_scan: int
    days: int
    quantity: str
    difference: float | None
    percent: float | None
    low: float | None
    high: float | None
    per_30_days: float | None
    doubling_days: float | None
    real: Real
    reason: str
    unit: str = ""


VOLUME_LIMITS: tuple[tuple[float, float], ...] = ((35.0, 0.39), (50.0, 0.29), (math.inf, 0.24))
"""(diameter below mm, relative limit): borrowed from tumour volumetry (CT volume claims quoted from memory)."""


@dataclass(frozen=True)
class Limit:
    """Smallest change that counts: ``relative`` to the first value, and at least ``absolute``; ``source`` in words."""

    relative: float
    absolute: float
    source: str


_OWN = "own judgement until a test-retest study exists"
LIMITS: dict[str, Limit] = {
    "longest_diameter": Limit(0.10, 2.0, "re-scan study of diameters (Oxnard 2011)"),
    "axial_diameter": Limit(0.10, 2.0, "re-scan study of diameters (Oxnard 2011)"),
    "axial_perpendicular": Limit(0.10, 2.0, "re-scan study of diameters (Oxnard 2011)"),
    "mineral_mass": Limit(0.15, 5.0, _OWN),
    "mineral_volume": Limit(0.40, 20.0, _OWN),
    "mineral_fraction": Limit(0.40, 0.05, _OWN),
    "rim_attenuation": Limit(0.15, 30.0, _OWN),
    "core_attenuation": Limit(0.0, 12.0, "+-10 HU between scanners (Lamba 2014)"),
    "rim_core_ratio": Limit(0.10, 0.0, _OWN),
    "rim_core_difference": Limit(0.15, 30.0, _OWN),
    "rim_peak_attenuation": Limit(0.20, 60.0, _OWN),
    "rim_completeness": Limit(0.0, 0.10, _OWN),
    "rim_unresolved": Limit(0.0, 0.15, _OWN),
    "largest_gap": Limit(0.0, 0.10, _OWN),
    "rim_thickness": Limit(0.25, 0.8, _OWN),
    "zonal_contrast": Limit(0.0, 0.20, _OWN),
    "cortex_gap": Limit(0.0, 1.5, _OWN),
    "cortex_contact_area": Limit(0.5, 30.0, _OWN),
    "cleft_fraction": Limit(0.0, 0.25, _OWN),
    "perilesional_muscle": Limit(0.0, 10.0, "+-10 HU between scanners (Lamba 2014)"),
    "reference_muscle": Limit(0.0, 10.0, "+-10 HU between scanners (Lamba 2014)"),
    "perilesional_deficit": Limit(0.0, 6.0, _OWN),
    "oedema_extent": Limit(0.0, 4.0, _OWN),
    "fat_reference": Limit(0.0, 12.0, "+-10 HU between scanners (Lamba 2014)"),
    "cortex_reference": Limit(0.10, 0.0, _OWN),
}
FRACTION = Limit(0.0, 0.15, _OWN)

OWN_SCALE = frozenset({"rim_attenuation", "rim_peak_attenuation", "cortex_reference"})
"""Attenuations in the scan's own HU that rise and fall with tube voltage."""
FATTY = frozenset({"fat_reference", "core_attenuation"})
FAT_BY_VOLTAGE = 0.35
"""Adipose tissue reads -98 HU at 80 kVp, -79 at 120 and -74 at 140 (ICRU-44, same tables as the slopes): a third."""
THRESHOLDED = ("mineral_volume", "mineral_fraction", "rim_unresolved", "rim_completeness_300", "rim_peak")
"""Quantities that slice thickness and kernel alone can move a good deal."""
GROWING = ("lesion_volume", "mineral_volume", "mineral_mass")

CAUTION_FACTOR = 2.0
"""How much wider an interval is taken where a value is given with caution: 2 held truth in 93 % of the masses with
caution of random phantoms, and in 70 % of the volumes, which is why volumes stay unsure."""


def limit_for(quantity: str, diameter_mm: float | None) -> Limit:
    """The smallest change that counts for a quantity; for lesion volume it depends on the longest diameter."""
    if quantity == "lesion_volume":
        size = diameter_mm if diameter_mm is not None else 0.0
        share = next(value for below, value in VOLUME_LIMITS if size < below)
        return Limit(share, 0.0, "borrowed from tumour volumetry")
    if quantity.startswith("mineral_volume"):
        return LIMITS["mineral_volume"]
    if quantity.startswith("rim_completeness"):
        return LIMITS["rim_completeness"]
    return LIMITS.get(quantity, FRACTION)


def find_changes(timeline: Timeline, measurements: Sequence[Measurement]) -> tuple[Change, ...]:
    """Changes of every quantity between every two scans, earlier first."""
    table = {(row.scan, row.quantity): row for row in measurements}
    scans = timeline.scans
    changes = []
    for i, first in enumerate(scans):
        for second in scans[i + 1 :]:
            unlike = comparability(timeline, first.number, second.number)
            scale = frozenset(unlike) | unlike_in_scale(first, second)
            size = table.get((first.number, "longest_diameter"))
            diameter = size.value if size is not None else None
            for quantity in dict.fromkeys(row.quantity for row in measurements):
                a, b = table.get((first.number, quantity)), table.get((second.number, quantity))
                if a is not None and b is not None:
                    changes.append(_change(a, b, second.day - first.day, diameter, unlike, scale))
    return tuple(changes)


def comparability(timeline: Timeline, first: int, second: int) -> dict[str, str]:
    """What differs between two scans and could itself move numbers: short code to words."""
    a, b = timeline.scan(first).acquisition, timeline.scan(second).acquisition
    unlike: dict[str, str] = {}
    if a.kvp is not None and b.kvp is not None and abs(a.kvp - b.kvp) > 1.0:
        unlike["kvp"] = f"tube voltage {a.kvp:g} against {b.kvp:g} kVp"
    if a.kernel_class != b.kernel_class and "unknown" not in (a.kernel_class, b.kernel_class):
        unlike["kernel"] = f"kernel {a.kernel_class} against {b.kernel_class}"
    ta = a.slice_thickness_mm or a.slice_spacing_mm
    tb = b.slice_thickness_mm or b.slice_spacing_mm
    if ta and tb and max(ta, tb) > 1.3 * min(ta, tb):
        unlike["slice"] = f"slices of {ta:g} against {tb:g} mm"
    if a.contrast_agent is not None and b.contrast_agent is not None and a.contrast_agent != b.contrast_agent:
        unlike["contrast"] = "contrast agent in one scan only"
    return unlike


def _change(
    a: Measurement,
    b: Measurement,
    days: int,
    diameter: float | None,
    unlike: dict[str, str],
    scale: frozenset[str],
) -> Change:
    if a.value is None or b.value is None:
        missing = a if a.value is None else b
        reason = f"withheld in scan {missing.scan}: {missing.reason}"
        return Change(a.scan, b.scan, days, a.quantity, None, None, None, None, None, None, "unsure", reason, a.unit)
    difference = b.value - a.value
    down, up = half_widths(a, b, scale)
    low, high = difference - down, difference + up
    percent = 100.0 * difference / a.value if a.value > 0 and _has_percent(a) else None
    rate = 30.0 * difference / days if days > 0 else None
    doubling = None
    if a.quantity in GROWING and a.value > 0 and b.value > 0 and days > 0 and abs(b.value / a.value - 1) > 1e-6:
        doubling = days * math.log(2) / math.log(b.value / a.value)
    real, reason = _verdict(a, b, difference, low, high, diameter, unlike)
    return Change(
        a.scan, b.scan, days, a.quantity, difference, percent, low, high, rate, doubling, real, reason, a.unit
    )


def _has_percent(row: Measurement) -> bool:
    """Percent has meaning for sizes and masses, not for HU or shares."""
    return row.unit in {"mm", "mm2", "mm3", "mg"} or row.quantity == "rim_core_ratio"


def _verdict(
    a: Measurement,
    b: Measurement,
    difference: float,
    low: float,
    high: float,
    diameter: float | None,
    unlike: dict[str, str],
) -> tuple[Real, str]:
    limit = limit_for(a.quantity, diameter)
    assert a.value is not None
    needed = max(limit.relative * abs(a.value), limit.absolute)
    words = f"{_plain(needed)} {a.unit if a.unit != '1' else ''}".strip() + f" ({limit.source})"
    excludes_zero = low > 0 or high < 0
    if not excludes_zero and abs(difference) <= needed:
        return "no", f"the interval includes zero and the change is within {words}"
    if not excludes_zero:
        return "unsure", "the interval of the change includes zero"
    if abs(difference) <= needed:
        return "no", f"within the limit of {words}"
    if a.quantity in OWN_SCALE and "kvp" in unlike:
        return "unsure", f"{unlike['kvp']}: the attenuation of mineral itself differs by up to 40%"
    if a.quantity in FATTY and "kvp" in unlike and b.value is not None:
        fatty = max(-min(a.value, b.value), 0.0)
        if fatty > 0 and abs(difference) <= limit.absolute + FAT_BY_VOLTAGE * fatty:
            return "unsure", f"{unlike['kvp']}: the attenuation of fat itself differs by up to a third"
    if a.quantity.startswith(THRESHOLDED) and ({"slice", "kernel"} & set(unlike)):
        which = unlike.get("slice") or unlike["kernel"]
        return "unsure", f"{which} alone can move this by 35%"
    if "contrast" in unlike and a.unit in {"HU", "1", "mm3", "mg"} and a.quantity != "lesion_volume":
        return "unsure", unlike["contrast"]
    doubtful = [row for row in (a, b) if row.trust == "caution"]
    if not doubtful:
        return "yes", f"the interval excludes zero and the change exceeds {words}"
    caution = "; ".join(f"scan {row.scan}: {row.reason}" for row in doubtful)
    if len(doubtful) == 2 and kinds(a) and kinds(a) == kinds(b):
        caution = f"both scans: {b.reason}"
    by = moved_by_caution(a, b, alike=not unlike)
    if by is None:
        return "unsure", caution
    nearer = (
        difference - CAUTION_FACTOR * (difference - low)
        if difference > 0
        else (-difference - CAUTION_FACTOR * (high - difference))
    )
    if nearer - by <= 0:
        return "unsure", f"{caution}; this could make the change"
    how = f"twice as wide an interval and {_plain(by)} {a.unit} of doubt" if by else "twice as wide an interval"
    return "yes", f"with caution ({caution}); the change exceeds {words}, and zero lies outside {how} as well"


def _plain(value: float) -> str:
    """Three significant digits without an exponent: 2410, 28.9, 0.15."""
    return f"{float(f'{value:.3g}'):.12g}"
