"""``[[calibration]]`` of ``case.toml``: how many HU a mg/cm3 of hydroxyapatite makes in one scan, or rods that tell."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..base import Calibration, Rod
from .values import Values
from .which import ScanRef

SLOPES = (0.5, 4.0)
"""HU per mg/cm3 that are taken for a slope at all; the table has 1.2 to 1.9 (140 to 80 kVp)."""
LEAST_SPAN_MG_CM3 = 50.0
"""Least difference in density between the rods of a scan."""


@dataclass(frozen=True)
class GivenCalibration:
    """One ``[[calibration]]``."""

    scan: ScanRef
    calibration: Calibration


def read_calibrations(values: Values, table: Mapping[str, Any]) -> tuple[GivenCalibration, ...]:
    """All of them; faults are remembered in ``values``."""
    found: list[GivenCalibration] = []
    for where, item in values.items(table, "calibration"):
        values.known(item, where, {"scan", "series", "slope_hu_per_mg_cm3", "uncertainty", "rod"})
        if "scan" not in item:
            values.fault(where, "missing scan")
            continue
        scan = values.scan(item, where)
        if ("slope_hu_per_mg_cm3" in item) == ("rod" in item):
            values.fault(where, "expected either slope_hu_per_mg_cm3, or two or more [[calibration.rod]]")
            continue
        calibration = _slope(values, item, where) if "rod" not in item else _rods(values, item, where)
        if scan is None or calibration is None:
            continue
        if any(other.scan == scan for other in found):
            values.fault(where, "this scan is calibrated twice")
        found.append(GivenCalibration(scan, calibration))
    return tuple(found)


def _slope(values: Values, item: Mapping[str, Any], where: str) -> Calibration | None:
    slope = values.number(item["slope_hu_per_mg_cm3"], f"{where}.slope_hu_per_mg_cm3", *SLOPES, "HU per mg/cm3")
    if "uncertainty" not in item:
        return None if slope is None else Calibration(slope)
    doubt = values.number(item["uncertainty"], f"{where}.uncertainty", 0.001, 0.5, "(share of the slope, 95 %)")
    return None if slope is None or doubt is None else Calibration(slope, doubt)


def _rods(values: Values, item: Mapping[str, Any], where: str) -> Calibration | None:
    if "uncertainty" in item:
        values.fault(f"{where}.uncertainty", "goes with slope_hu_per_mg_cm3; rods bring their own")
    rods: list[Rod] = []
    listed = values.items(item, "rod", f"{where}.rod")
    for place, given in listed:
        values.known(given, place, {"at", "axis", "length_mm", "radius_mm", "mg_cm3"})
        at = values.point(given.get("at"), f"{place}.at")
        axis = _direction(values, given.get("axis", [0.0, 0.0, 1.0]), f"{place}.axis")
        length = values.number(given.get("length_mm"), f"{place}.length_mm", 3.0, 1000.0, "mm")
        radius = values.number(given.get("radius_mm"), f"{place}.radius_mm", 3.0, 100.0, "mm")
        density = values.number(given.get("mg_cm3"), f"{place}.mg_cm3", 0.0, 2000.0, "mg/cm3 (0 for water)")
        if at is not None and axis is not None and length is not None and radius is not None and density is not None:
            rods.append(Rod(at, axis, length, radius, density))
    if len(rods) < len(listed):
        return None
    densities = [rod.mg_cm3 for rod in rods]
    if len(rods) < 2 or max(densities) - min(densities) < LEAST_SPAN_MG_CM3:
        values.fault(
            f"{where}.rod", f"expected two or more rods at least {LEAST_SPAN_MG_CM3:g} mg/cm3 apart (0 for water)"
        )
        return None
    return Calibration(rods=tuple(rods))


def _direction(values: Values, value: Any, where: str) -> tuple[float, float, float] | None:
    point = values.point(value, where)
    if point is None:
        return None
    length = float(np.linalg.norm(point))
    if length < 1e-6:
        values.fault(where, "expected a direction, not three zeros")
        return None
    return point[0] / length, point[1] / length, point[2] / length
