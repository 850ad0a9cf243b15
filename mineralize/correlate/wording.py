"""Sentences with their blanks filled, and numbers as the trade reads them.

The words themselves are in ``wording_sentences`` and ``wording_tables``.
"""

from __future__ import annotations

from collections.abc import Sequence

from ..measure import Measurement
from .sentences import SENTENCES
from .word_tables import (
    CONCORDANCE,
    CONCORDANCE_OPTIONS,
    CONCORDANCE_REASONS,
    QUANTITIES,
    TEST_CAVEATS,
    TISSUE,
    TISSUE_DAYS,
    TOPICS,
    ZONE_WORDS,
)

__all__ = [
    "CONCORDANCE",
    "CONCORDANCE_OPTIONS",
    "CONCORDANCE_REASONS",
    "QUANTITIES",
    "SENTENCES",
    "TEST_CAVEATS",
    "TISSUE",
    "TISSUE_DAYS",
    "TOPICS",
    "ZONE_WORDS",
    "amount",
    "listed",
    "named",
    "say",
    "scan_numbers",
    "signed_change",
    "with_interval",
]

NARROW = 2.0
"""Where an interval is narrower than this, whole numbers keep a decimal."""


def say(key: str, **parts: object) -> str:
    """The sentence ``key`` with its blanks filled. KeyError for an unknown key or a blank left open."""
    return SENTENCES[key].format(**parts)


def named(quantity: str) -> str:
    """A quantity in words."""
    return QUANTITIES.get(quantity, quantity.replace("_", " "))


def listed(items: list[str] | tuple[str, ...]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    if len(items) < 2:
        return "".join(items)
    return ", ".join(items[:-1]) + " and " + items[-1]


def amount(value: float, unit: str, *, signed: bool = False, more: bool = False) -> str:
    """A number with its unit, at the precision that the trade reads.

    Volumes of 1 cm³ and more are shown in cm³; dimensionless values keep two decimals; ``more`` keeps one decimal
    of what is otherwise whole.
    """
    scale, shown, digits = 1.0, unit, 1
    if unit == "mm3":
        shown, digits = ("cm³", 1) if abs(value) >= 1000 else ("mm³", 0)
        scale = 1e-3 if abs(value) >= 1000 else 1.0
    elif unit == "cm3":
        shown = "cm³"
    elif unit == "mm2":
        shown, digits = "mm²", 0
    elif unit in ("HU", "mg") or unit == "%":
        digits = 0
    elif unit in ("1", ""):
        shown, digits = "", 2
    if more and digits == 0:
        digits = 1
    text = f"{value * scale:{'+' if signed else ''}.{digits}f}"
    if float(text) == 0:
        text = f"{0.0:.{digits}f}"
    return f"{text} {shown}".strip()


def signed_change(difference: float, low: float | None, high: float | None, unit: str) -> str:
    """``+1.5 cm³ (+0.1 to +2.9)``: all numbers on the scale of the largest."""
    bounds = [v for v in (low, high) if v is not None]
    scale, shown = 1.0, unit
    if unit == "mm3":
        large = max(abs(v) for v in (difference, *bounds)) >= 1000
        scale, shown = (1e-3, "cm3") if large else (1.0, "mm3")
    text = amount(difference * scale, shown, signed=True)
    if low is None or high is None:
        return text
    suffix = text.partition(" ")[2]
    ends = [amount(v * scale, shown, signed=True).removesuffix(suffix).strip() for v in (low, high)]
    return f"{text} ({ends[0]} to {ends[1]})"


def scan_numbers(numbers: Sequence[int]) -> str:
    """``scan 2`` or ``scans 2, 3 and 5``."""
    return ("scan " if len(numbers) == 1 else "scans ") + listed([str(n) for n in numbers])


def with_interval(row: Measurement, *, percent: bool = False) -> str:
    """``12.3 mm (11.9 to 12.7)`` of a row that has a value; fractions as percent on request."""
    if row.value is None:
        raise ValueError("expected a row with a value")
    factor, unit = (100.0, "%") if percent else (1.0, row.unit)
    if row.low is None or row.high is None:
        return amount(row.value * factor, unit)
    if unit == "mm3" and abs(row.value) >= 1000:
        factor, unit = 1e-3, "cm3"
    narrow = 0.05 <= (row.high - row.low) * factor < NARROW
    text, low, high = (amount(v * factor, unit, more=narrow) for v in (row.value, row.low, row.high))
    suffix = text.partition(" ")[2]
    return f"{text} ({low.removesuffix(suffix).strip()} to {high.removesuffix(suffix).strip()})"
