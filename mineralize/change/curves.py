"""One case's curve over time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from ..base import UNITS
from ..measure import Measurement
from ..timeline import Timeline
from .verdict import Change


@dataclass(frozen=True)
class CurvePoint:
    """One quantity at one time."""

    scan: int
    day: int
    value: float | None
    low: float | None
    high: float | None
    trust: str


@dataclass(frozen=True)
class Curve:
    """One quantity over the scans, with a plain statement of its course and what carries it."""

    quantity: str
    unit: str
    points: tuple[CurvePoint, ...]
    statement: str


CURVES = (
    "mineral_mass",
    "lesion_volume",
    "mineral_volume",
    "rim_completeness",
    "rim_core_ratio",
    "zonal_contrast",
    "core_attenuation",
    "cortex_gap",
    "perilesional_deficit",
)
"""Quantities shown as curves."""


def find_curves(
    timeline: Timeline, measurements: Sequence[Measurement], changes: Sequence[Change]
) -> tuple[Curve, ...]:
    """The course of the quantities in ``CURVES``; no model is fitted to fewer points than it has freedom for."""
    table = {(row.scan, row.quantity): row for row in measurements}
    curves = []
    for quantity in CURVES:
        points = []
        for scan in timeline.scans:
            row = table.get((scan.number, quantity))
            if row is None:
                points.append(CurvePoint(scan.number, scan.day, None, None, None, "withheld"))
            else:
                points.append(CurvePoint(scan.number, scan.day, row.value, row.low, row.high, row.trust))
        curves.append(Curve(quantity, UNITS[quantity], tuple(points), _statement(quantity, points, changes)))
    return tuple(curves)


def _statement(quantity: str, points: Sequence[CurvePoint], changes: Sequence[Change]) -> str:
    known = [p for p in points if p.value is not None]
    if len(known) < 2:
        return f"fewer than two scans give a value ({len(known)} of {len(points)})"
    steps = {(c.from_scan, c.to_scan): c for c in changes if c.quantity == quantity}
    words = []
    for first, second in pairwise(known):
        change = steps.get((first.scan, second.scan))
        if change is None or change.difference is None:
            continue
        span = f"day {first.day} to {second.day}"
        if change.real == "yes":
            words.append(f"{'rose' if change.difference > 0 else 'fell'} from {span}")
        elif change.real == "no":
            words.append(f"no change beyond the limit from {span}")
        else:
            words.append(f"unsure from {span}")
    return "; ".join(words)
