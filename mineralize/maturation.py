"""One case's curve over time."""

from __future__ import annotations

from dataclasses import dataclass


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
