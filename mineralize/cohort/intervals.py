"""Which quantiles of draws an interval ends at."""

from __future__ import annotations

LOW, MIDDLE, HIGH = 0.025, 0.5, 0.975
"""Ends and middle of a 95 % interval, as everywhere in this project."""
ENDS = (LOW, HIGH)
