"""Which cautions may hide a change, and how far the others could have moved it."""

from __future__ import annotations

import math

from ..measure import Measurement

IN_THE_INTERVAL = ("its interval is wide", "no more than noise could make")
"""Cautions that only say in words how wide an interval is: the interval of the change holds it already."""
ALIKE_SHARE = 0.15
"""Share of a mass by which a caution of only one of two like scans may have moved it, as of an edge unseen along 25 and
24 % of the outline: half of what it may do between unlike scans."""
HARMLESS: dict[str, float] = {
    "no edge is visible": 0.3,
    "of the outline is drawn where the lesion meets bone": 0.4,
    "mineral lies in": 0.3,
    "the rest continues its curve": 0.3,
    "the mineral is no shell": 0.3,
    "the mineral lies in the centre and the margin": 0.3,
    "no mineral shell": 0.3,
    "the outline follows a soft margin": 0.3,
    "blur the outline along the scan axis": 0.3,
    "fewer than five slices cross the least extent": 0.3,
    "part of the lesion lies in the blur of the bone": 0.4,
}
"""Cautions that leave the mass its bounds, and by what share of it they may have moved one of two unlike scans and not
the other: worst of random phantoms 25 %, beside cortex on scans made from projections 39 %. Any other hides a change:
another structure, mineral outside the outline, an outline drawn by hand."""
EACH_ITS_OWN: dict[str, float] = {
    "tube voltage not stated": 0.3,
    "120 kVp assumed": 0.3,
    "the mineral is solid": 0.3,
    "soft tissue beyond it, if there is any": 0.3,
    "the outline dips inward": 0.3,
}
"""The same for cautions that may have moved two scans by different shares though both carry them. Mineral scanned at
80 kVp and taken for 120 counts 39 % too high, at 140 10 % too low (`reference.SLOPE_TABLE`): 28 % of what was read."""
OF_NOTHING = ("nothing here to outline", "the region is that of scan")
"""No mineral in a region carried over from another scan: certain enough where there is none, not how much there is."""


def kinds(row: Measurement) -> frozenset[str]:
    """The cautions of a row without their numbers and without those that its interval holds.

    A caution that none of the lists above knows stands as it is.
    """
    if row.trust != "caution":
        return frozenset()
    known = (*IN_THE_INTERVAL, *HARMLESS, *EACH_ITS_OWN, *OF_NOTHING)
    found = {next((k for k in known if k in text), text) for text in row.reason.split("; ")}
    return frozenset(found) - frozenset(IN_THE_INTERVAL)


def moved_by_caution(a: Measurement, b: Measurement, *, alike: bool) -> float | None:
    """How far cautions could have moved the difference of two rows, in its unit; ``None`` where nobody can say.

    Nothing where like scans carry like cautions: what they do to one value they do to the other. Shares are known for
    mineral mass only.
    """
    one, two = kinds(a), kinds(b)
    if not one and not two:
        return 0.0
    if a.quantity != "mineral_mass" or not (_bounded(a) and _bounded(b)):
        return None
    if one == two and alike and not one & set(EACH_ITS_OWN):
        return 0.0
    return math.hypot(*(_share(found, alike) * abs(row.value or 0.0) for row, found in ((a, one), (b, two))))


def _bounded(row: Measurement) -> bool:
    known = {*HARMLESS, *EACH_ITS_OWN, *(OF_NOTHING if row.value == 0.0 else ())}
    return kinds(row) <= known


def _share(found: frozenset[str], alike: bool) -> float:
    shares = [ALIKE_SHARE if alike else HARMLESS[k] for k in found if k in HARMLESS]
    return max([*shares, *(EACH_ITS_OWN[k] for k in found if k in EACH_ITS_OWN)], default=0.0)
