"""Numbers as a reader sees them: as many digits as their interval carries, shares in percent."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from . import texts

MINUS = "\N{MINUS SIGN}"
THIN = "\N{NARROW NO-BREAK SPACE}"
SHARES = (
    "mineral_fraction",
    "rim_completeness",
    "rim_unresolved",
    "largest_gap",
    "cleft_fraction",
    "core_fat_fraction",
    "core_fluid_fraction",
    "core_soft_fraction",
    "core_haze_fraction",
    "core_mineral_fraction",
)
"""Quantities without unit that are a share of something, by the start of their name."""


def is_share(quantity: str) -> bool:
    """Whether a quantity is shown in percent."""
    return quantity.startswith(SHARES)


def decimals_for(half_width: float) -> int:
    """Decimals that keep two digits of an interval that begins with 1 or 2, else one; negative rounds to tens."""
    if not math.isfinite(half_width) or half_width <= 0:
        return 2
    power = math.floor(math.log10(half_width))
    lead = half_width / 10**power
    return min(3, (1 if lead < 3 else 0) - power)


MOST_DECIMALS = {"HU": 0, "mm3": 0, "mm2": 0, "mg": 1, "mm": 1}


def rounded(quantity: str, unit: str, half_width: float, value: float, *, sign: bool = False) -> str:
    """A number of a quantity with the digits that its interval carries, but never fewer than two of its own.

    ``half_width`` and ``value`` are as in the record; shares come out in percent.
    """
    share = is_share(quantity)
    factor = 100.0 if share else 1.0
    decimals = decimals_for(factor * half_width)
    if value:
        decimals = max(decimals, 1 - math.floor(math.log10(abs(factor * value))))
    return number(factor * value, min(decimals, MOST_DECIMALS.get(unit, 0 if share else 2)), sign=sign)


def number(value: float, decimals: int = 1, *, sign: bool = False) -> str:
    """A number with a true minus and thin spaces between thousands; ``sign`` writes the plus too."""
    rounded = round(value, decimals) + 0.0
    text = f"{abs(rounded):,.{max(decimals, 0)}f}".replace(",", THIN)
    if rounded < 0:
        return MINUS + text
    return f"+{text}" if sign and rounded > 0 else text


def value(row: Mapping[str, Any], key: str = "value") -> str:
    """A number of a measurement row without its unit; empty where it is withheld."""
    held = row[key]
    if held is None:
        return ""
    known = row["low"] is not None and row["high"] is not None
    half = (row["high"] - row["low"]) / 2 if known else abs(held) * 0.05
    return rounded(row["quantity"], row["unit"], half, held)


def unit(row: Mapping[str, Any]) -> str:
    """The unit of a measurement row with the blank before it; empty where there is none."""
    words = "%" if is_share(row["quantity"]) else texts.unit_words(row["unit"])
    return f"{THIN}{words}" if words else ""


def interval(row: Mapping[str, Any]) -> str:
    """``low to high`` of a measurement row, without unit."""
    if row["low"] is None or row["high"] is None:
        return ""
    return f"{value(row, 'low')} to {value(row, 'high')}"
