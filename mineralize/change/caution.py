"""How far what limits two values, or parts their scans, could itself have made a change between them."""

from __future__ import annotations

import math
from collections.abc import Collection

from ..base import Verdict, Verdicts, quantity
from ..measure import Measurement

ALIKE_SHARE = 0.5
"""What a caution may do to one of two like scans and not the other, as a share of what it may do between unlike ones: a
mass with an edge unseen along 25 and 24 % of the outline moved by 15 % where 30 % are feared."""
CAUTIONED_WIDTHS = 3.0
"""A value with caution is within three times the half-width from which it is cautioned, where nothing else is known."""
MOVED_BY_VOLTAGE = 0.40
"""Share by which mineral in a scan's own HU differs over 80 to 140 kVp: slopes 1.897 and 1.369 (`SLOPE_TABLE`)."""
MOVED_BY_SLICES = 0.35
"""Share by which slices or kernel alone move a volume over a threshold: 1.5 to 5 mm (derived, 2 mm shell of 600 HU)."""
MOVED_BY_AGENT = 0.40
"""Share of a mineral mass or volume that contrast agent alone may move: an unchanged phantom shell read 31 % off."""
MOSTLY_SEEN = 0.3
"""Unseen share of a soft margin from which its volume may be off by all that such a caution allows; less in proportion:
what is seen is right within the interval (own phantoms: 5 to 7 % at 90 % seen)."""
AGENT_HU = 100.0
"""HU that contrast agent may add to the soft tissue of a lesion (common practice, no source: 10 to 100)."""
FAT_BY_VOLTAGE = 0.35
"""Adipose tissue reads -98 HU at 80 kVp, -79 at 120 and -74 at 140 (ICRU-44, same tables as the slopes): a third."""


def doubts(row: Measurement) -> Verdicts:
    """The cautions of a row but for those that its interval holds already."""
    return tuple(v for v in row.verdicts if v.trust == "caution" and not v.kind.in_interval)


def codes(row: Measurement) -> frozenset[str]:
    """The codes of the doubts of a row."""
    return frozenset(verdict.code for verdict in doubts(row))


def drawn_together(a: Measurement, b: Measurement) -> bool:
    """Whether the soft margins of two scans were drawn together: what is unseen of them moves both alike, and their
    change was read from scan to scan."""
    return all(any(v.code == "drawn-together" for v in row.verdicts) for row in (a, b))


def moved_by_caution(a: Measurement, b: Measurement, *, alike: bool) -> float | None:
    """How far cautions could have moved the difference of two rows, in its unit; ``None`` where nobody can say.

    Like cautions of like scans do to one mass what they do to the other; to other quantities half of it is feared.
    """
    one, two = codes(a), codes(b)
    if not one and not two:
        return 0.0
    found = [[_moved(v, row) for v in doubts(row)] for row in (a, b)]
    if any(m is None for moved in found for m in moved):
        return None
    own = {v.code for row in (a, b) for v in doubts(row) if v.kind.each_its_own}
    if quantity(a.quantity).doubt == "mass" and one == two and alike and not own:
        return 0.0
    together = drawn_together(a, b) and alike
    amounts = []
    for row, moved in zip((a, b), found, strict=True):
        shares = [
            0.0
            if together and v.code == "soft-margin"
            else (m or 0.0) * (ALIKE_SHARE if alike and not v.kind.each_its_own else 1.0)
            for v, m in zip(doubts(row), moved, strict=True)
        ]
        amounts.append(max(shares, default=0.0))
    return math.hypot(*amounts)


def _moved(verdict: Verdict, row: Measurement) -> float | None:
    """How far one caution may have moved one value, in its unit."""
    kind, about, value = verdict.kind, quantity(row.quantity), abs(row.value or 0.0)
    if kind.nothing_there:
        return 0.0 if value == 0.0 else None
    if kind.concerns == "identity":
        return None
    if about.doubt == "width":
        return CAUTIONED_WIDTHS * about.widest.most * (value if about.widest.relative else 1.0)
    share = kind.mass if about.doubt == "mass" else kind.size
    if verdict.code == "soft-margin" and about.doubt == "size" and share is not None:
        share *= min((1.0 - verdict.number("share")) / MOSTLY_SEEN, 1.0)
    return None if share is None else share * value


def moved_by_unlike(a: Measurement, b: Measurement, unlike: Collection[str]) -> tuple[float, str]:
    """How far what parts two scans could alone have moved a quantity, in its unit, and the code of what does most."""
    about = quantity(a.quantity)
    largest = max(abs(a.value or 0.0), abs(b.value or 0.0))
    found: dict[str, float] = {}
    if "kvp" in about.moved_by and "kvp" in unlike:
        found["kvp"] = MOVED_BY_VOLTAGE * largest
    if "fat by kvp" in about.moved_by and "kvp" in unlike:
        found["kvp"] = FAT_BY_VOLTAGE * max(-min(a.value or 0.0, b.value or 0.0), 0.0)
    for code in ("slice", "kernel"):
        if code in about.moved_by and code in unlike:
            found[code] = MOVED_BY_SLICES * (1.0 if about.unit == "1" else largest)
    if "contrast" in about.moved_by and "contrast" in unlike:
        by_unit = {"HU": AGENT_HU, "1": AGENT_HU / 1000.0 if a.quantity == "rim_core_ratio" else MOVED_BY_AGENT}
        found["contrast"] = by_unit.get(about.unit, MOVED_BY_AGENT * largest)
    if not found:
        return 0.0, ""
    most = max(sorted(found), key=lambda code: found[code])
    return found[most], most
