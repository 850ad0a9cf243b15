"""Numbers as a reader sees them: rows of the record by the one formatter (``base.numbers``)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from ..base import GROUPS, MAIN, MINUS, THIN, decimals_for, number, places, shown_as
from ..correlate import ZONE_WORDS
from . import texts

__all__ = [
    "MINUS",
    "THIN",
    "decimals_for",
    "in_groups",
    "interval",
    "number",
    "places",
    "rounded",
    "scaled",
    "shown_as",
    "unit",
    "unit_words",
    "value",
    "zones",
]


def in_groups(rows: Iterable[Mapping[str, Any]]) -> list[tuple[str, list[str]]]:
    """The quantities of measurement rows by group as tables list them, those at other thresholds last."""
    found = list(dict.fromkeys(row["quantity"] for row in rows))
    rest = [name for name in found if name not in MAIN]
    groups = [(title, [name for name in group if name in found]) for title, group in GROUPS.items()]
    return [(title, group) for title, group in (*groups, (texts.OTHERS, rest)) if group]


def value(row: Mapping[str, Any], key: str = "value", *, sign: bool = False) -> str:
    """One number of a measurement row without its unit, rounded like its interval; empty where it is withheld."""
    if row[key] is None:
        return ""
    decimals = places(row["quantity"], row["unit"], row["value"], row["low"], row["high"])
    return scaled(row["quantity"], row["unit"], row[key], decimals, sign=sign)


def scaled(quantity: str, unit: str, value: float, decimals: int, *, sign: bool = False) -> str:
    """A number of the record on the scale that is read: shares in percent, volumes in cm³."""
    factor, _, _ = shown_as(quantity, unit)
    return number(factor * value, decimals, sign=sign)


def unit_words(quantity: str, unit: str) -> str:
    """The unit that is read; empty for a plain ratio."""
    return shown_as(quantity, unit)[1]


def unit(row: Mapping[str, Any]) -> str:
    """The unit of a measurement row with the blank before it; empty where there is none."""
    words = unit_words(row["quantity"], row["unit"])
    return f"{THIN}{words}" if words else ""


def interval(row: Mapping[str, Any]) -> str:
    """``low to high`` of a measurement row, without unit."""
    if row["low"] is None or row["high"] is None:
        return ""
    return f"{value(row, 'low')} to {value(row, 'high')}"


def zones(names: Iterable[str]) -> str:
    """``outer zone, central zone`` for keys of zones."""
    return ", ".join(ZONE_WORDS[name] for name in names)


def rounded(quantity: str, unit: str, half_width: float, value: float, *, sign: bool = False) -> str:
    """A number with the digits that an interval of so many either way carries, on the scale that is read."""
    return scaled(
        quantity, unit, value, places(quantity, unit, value, value - half_width, value + half_width), sign=sign
    )
