"""One case's curve over time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..base import UNITS
from ..measure import Measurement
from ..timeline import Timeline
from .common import log_covariance
from .course import SHAPES, Course, fit_course
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
    """One quantity over the scans, with a plain statement of its course and what carries it.

    ``course`` is the curve fitted to it, or why there is none; ``None`` for quantities that no curve is fitted to.
    """

    quantity: str
    unit: str
    points: tuple[CurvePoint, ...]
    statement: str
    course: Course | None = None


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
OWN_WAY_LOG_SD = 0.05
"""How far a lesion is let stray from a formula at each scan, on the log scale: own judgement, no tissue follows one."""


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
        said = _statement(quantity, points, changes)
        course = _course(timeline, quantity, [table.get((scan.number, quantity)) for scan in timeline.scans])
        curves.append(Curve(quantity, UNITS[quantity], tuple(points), said, course))
    return tuple(curves)


def _course(timeline: Timeline, quantity: str, rows: Sequence[Measurement | None]) -> Course | None:
    """The fitted course of mass and volume; scans after an excision, and values of zero, are left out."""
    if quantity not in SHAPES:
        return None
    ends = min((event.day for event in timeline.events if event.kind == "excision"), default=None)
    held = [
        row
        for row in rows
        if row is not None
        and row.value is not None
        and row.value > 0
        and row.trust != "withheld"
        and (ends is None or timeline.scan(row.scan).day <= ends)
    ]
    days = np.array([timeline.scan(row.scan).day for row in held], float)
    values = np.array([row.value for row in held], float)
    covariance = log_covariance(timeline, held) if held else np.zeros((0, 0))
    covariance = covariance + OWN_WAY_LOG_SD**2 * np.eye(len(held))
    return fit_course(quantity, UNITS[quantity], days, values, covariance)


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
