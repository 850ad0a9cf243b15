"""Sentences with their blanks filled, and numbers as the trade reads them.

The words themselves are in ``sentences`` and its two siblings, and in ``word_tables``.
"""

from __future__ import annotations

from collections.abc import Sequence

from ..base import named, number, value_text
from ..measure import Measurement
from .sentences import SENTENCES as FINDING_SENTENCES
from .sentences_brief import BRIEF_SENTENCES
from .sentences_tissue import TISSUE_SENTENCES
from .word_tables import (
    CONCORDANCE,
    CONCORDANCE_OPTIONS,
    CONCORDANCE_REASONS,
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
    "signed",
    "signed_change",
    "with_interval",
]

SENTENCES: dict[str, str] = {**FINDING_SENTENCES, **TISSUE_SENTENCES, **BRIEF_SENTENCES}
"""Every sentence of the correlation by its key."""


def say(key: str, **parts: object) -> str:
    """The sentence ``key`` with its blanks filled. KeyError for an unknown key or a blank left open."""
    return SENTENCES[key].format(**parts)


def listed(items: list[str] | tuple[str, ...]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    if len(items) < 2:
        return "".join(items)
    return ", ".join(items[:-1]) + " and " + items[-1]


def amount(value: float, unit: str, *, signed: bool = False) -> str:
    """A number without an interval, with its unit, at the precision that the trade reads."""
    return value_text("", unit, value, sign=signed)


def signed_change(difference: float, low: float | None, high: float | None, unit: str) -> str:
    """``+1.5 cm³ (+0.1 to +2.9)``."""
    return value_text("", unit, difference, low, high, sign=True)


def signed(value: float) -> str:
    """A whole number with its sign."""
    return number(value, 0, sign=True)


def scan_numbers(numbers: Sequence[int]) -> str:
    """``scan 2`` or ``scans 2, 3 and 5``."""
    return ("scan " if len(numbers) == 1 else "scans ") + listed([str(n) for n in numbers])


def with_interval(row: Measurement) -> str:
    """``12.3 mm (11.9 to 12.7)`` of a row that has a value; shares in percent."""
    if row.value is None:
        raise ValueError("expected a row with a value")
    return value_text(row.quantity, row.unit, row.value, row.low, row.high)
