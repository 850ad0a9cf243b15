"""Contrast agent that no header tells of, by the scans' own muscle and fat."""

from __future__ import annotations

import math
from collections.abc import Mapping

from ..base import Scan
from ..measure import Measurement
from ..timeline import Difference

LEAST_RISE_HU = 6.0
"""Muscle reads 10 to 30 HU more after contrast agent (common practice, no source); fat hardly changes. Six is clear of
what muscle less fat varies by between like scans."""


def hidden_agent(first: Scan, second: Scan, table: Mapping[tuple[int, str], Measurement]) -> Difference | None:
    """What parts two scans where agent may have been given in one and its header does not say whether.

    Muscle is held against fat of the same scan, so that an offset of the scanner cancels.
    """
    a, b = first.acquisition, second.acquisition
    if a.kvp != b.kvp or (a.contrast_agent is not None and b.contrast_agent is not None):
        return None
    muscle, doubt = _difference(first, second, "reference_muscle", table)
    fat, more = _difference(first, second, "fat_reference", table)
    rise = muscle - fat
    if not abs(rise) > max(LEAST_RISE_HU, math.hypot(doubt, more)):
        return None
    brighter = second if rise > 0 else first
    words = f"contrast agent (muscle reads {abs(rise):.0f} HU more in scan {brighter.number}, fat does not)"
    return Difference("contrast", words)


def _difference(
    first: Scan, second: Scan, name: str, table: Mapping[tuple[int, str], Measurement]
) -> tuple[float, float]:
    """Difference of a steady tissue and its 95 % half-width; NaN where either is not known."""
    rows = [table.get((scan.number, name)) for scan in (first, second)]
    values: list[float] = []
    halves: list[float] = []
    for row in rows:
        if row is None or row.value is None or row.low is None or row.high is None:
            return math.nan, math.nan
        values.append(row.value)
        halves.append(0.5 * (row.high - row.low))
    return values[1] - values[0], math.hypot(*halves)
