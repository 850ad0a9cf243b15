"""Factors between measures of spread."""

from __future__ import annotations

MAD_TO_SD = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation (1 / 0.6745, closed form)."""
Z95 = 1.96
"""95 % half-width over standard deviation of a normal distribution."""
