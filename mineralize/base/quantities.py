"""Quantities by name: the table (``quantity_table``) as measuring, changes, tables and reports look into it."""

from __future__ import annotations

from .quantity import Limit, Quantity
from .quantity_table import OTHER_THRESHOLDS, ROWS, TOGETHER, TOGETHER_LIMIT, VOLUME_LIMITS, at_threshold
from .settings import MineralSettings

QUANTITIES: dict[str, Quantity] = {row.name: row for row in ROWS}
"""Every quantity in the order of the tables."""
GROUPS: dict[str, tuple[str, ...]] = {
    group: tuple(row.name for row in ROWS if row.group == group and row.title)
    for group in dict.fromkeys(row.group for row in ROWS)
}
"""Group of quantities: those that tables list in it; rows at other thresholds stand apart."""
MAIN = frozenset(name for group in GROUPS.values() for name in group)
"""Quantities at the main threshold, or at none: those that have words and a group of their own."""
UNITS: dict[str, str] = {row.name: row.unit for row in ROWS}
"""Unit of every quantity in the order of the tables (UCUM)."""


def family_of(name: str) -> tuple[str, str]:
    """The quantity that a name is at another threshold of, and that threshold (HU); the name and "" for every other."""
    family, _, threshold = name.rpartition("_")
    asked = family in OTHER_THRESHOLDS and threshold.replace(".", "", 1).isdigit()
    return (family, threshold) if asked else (name, "")


def quantity(name: str) -> Quantity:
    """The row of a quantity; a threshold that a person asked for is a row like that of its family.

    Raises
    ------
    KeyError
        for a name of no family.
    """
    if name in QUANTITIES:
        return QUANTITIES[name]
    return at_threshold(QUANTITIES[family_of(name)[0]], name)


def is_share(name: str) -> bool:
    """Whether a quantity is read in percent; no for a name of no family."""
    try:
        return quantity(name).share
    except KeyError:
        return False


def _in_words(name: str, words: str) -> str:
    _, threshold = family_of(name)
    return f"{words} at {threshold} HU" if threshold else words


def title_of(name: str) -> str:
    """The reader's name of a quantity; an unknown one keeps its own name with blanks."""
    row = QUANTITIES.get(family_of(name)[0])
    return _in_words(name, row.title) if row is not None else name.replace("_", " ").capitalize()


def named(name: str) -> str:
    """A quantity as it stands in sentences; an unknown one keeps its own name with blanks."""
    row = QUANTITIES.get(family_of(name)[0])
    return _in_words(name, row.named) if row is not None else name.replace("_", " ")


def quantities_of(settings: MineralSettings) -> dict[str, str]:
    """Names and units of all that is measured under these settings, in the order of the tables: as :data:`UNITS`, with
    a row for each threshold that was asked for."""
    asked = {"mineral_volume": settings.other_thresholds_hu120, "rim_completeness": settings.rim_thresholds_hu120}
    found: dict[str, str] = {}
    for name, unit in UNITS.items():
        if not family_of(name)[1]:
            found[name] = unit
            found |= {f"{name}_{t:g}": unit for t in asked.get(name, ())}
    return found


def limit_for(name: str, diameter_mm: float | None = None, *, together: bool = False) -> Limit:
    """The smallest change that counts; for the volume of the lesion it depends on its longest diameter (mm).

    ``together``: both outlines were drawn together, as growth is read from two scans at once in screening.
    """
    found = quantity(name).limit
    if name != "lesion_volume":
        return found
    size = diameter_mm if diameter_mm is not None else 0.0
    share = next(share for below, share in VOLUME_LIMITS if size < below)
    if together and share > TOGETHER_LIMIT:
        return Limit(TOGETHER_LIMIT, 0.0, TOGETHER)
    return Limit(share, 0.0, found.source)
