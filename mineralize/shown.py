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


def number(value: float, decimals: int = 1, *, sign: bool = False) -> str:
    """A number with a true minus and thin spaces between thousands; ``sign`` writes the plus too."""
    rounded = round(value, decimals) + 0.0
    text = f"{abs(rounded):,.{max(decimals, 0)}f}".replace(",", THIN)
    if rounded < 0:
        return MINUS + text
    return f"+{text}" if sign and rounded > 0 else text


def decimals_of(row: Mapping[str, Any]) -> int:
    """Decimals for the value and interval of a measurement row of the record."""
    factor = 100 if is_share(row["quantity"]) else 1
    if row["low"] is None or row["high"] is None:
        return 1
    most = {"HU": 0, "mm3": 0, "mm2": 0, "mg": 1, "mm": 1}.get(row["unit"], 0 if factor == 100 else 2)
    return min(most, decimals_for(factor * (row["high"] - row["low"]) / 2))


def value(row: Mapping[str, Any], key: str = "value") -> str:
    """A number of a measurement row without its unit; empty where it is withheld."""
    held = row[key]
    if held is None:
        return ""
    return number(held * 100 if is_share(row["quantity"]) else held, decimals_of(row))


def unit(row: Mapping[str, Any]) -> str:
    """The unit of a measurement row with the blank before it; empty where there is none."""
    words = "%" if is_share(row["quantity"]) else texts.unit_words(row["unit"])
    return f"{THIN}{words}" if words else ""


def interval(row: Mapping[str, Any]) -> str:
    """``low to high`` of a measurement row, without unit."""
    if row["low"] is None or row["high"] is None:
        return ""
    return f"{value(row, 'low')} to {value(row, 'high')}"
