"""What changed between two scans, and whether the change is real."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


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
    real: Literal["yes", "no", "unsure"]
    reason: str
    unit: str = ""
