"""What one scan shows, in one word each: how mineral is laid, how far a shell runs round, and the picture of both."""

from __future__ import annotations

from .evidence import Evidence

CENTRE_ONLY = -0.9
"""Zonal contrast at and below which practically all mineral lies in the centre (95 : 5 by mean density)."""
NO_RIM = 0.05
"""Completeness below which there is no rim; a working limit, none was published."""
ALL_ROUND = 0.95
"""Completeness, with the unresolved part allowed for, from which the rim runs all round; a working limit."""
FATTY_CORE = 0.25
"""Share of the core at -30 HU and below from which the centre is called fatty; a working limit."""


def zoning_state(evidence: Evidence, scan: int) -> str | None:
    """``none``, ``periphery``, ``reversed``, ``centre`` or ``even``; ``None`` where it was not assessed."""
    if evidence.no_mineral(scan):
        return "none"
    row = evidence.row(scan, "zonal_contrast")
    if row is None or row.value is None:
        return None
    low, high = (row.value if v is None else v for v in (row.low, row.high))
    if low > 0:
        return "periphery"
    if high < 0:
        return "centre" if row.value <= CENTRE_ONLY else "reversed"
    return "even"


def rim_state(evidence: Evidence, scan: int) -> str | None:
    """``none``, ``solid``, ``part``, ``most``, ``complete`` or ``open`` (not settled); ``None`` where not assessed."""
    row = evidence.row(scan, "rim_completeness")
    if row is None or row.value is None:
        return "none" if evidence.no_mineral(scan) else None
    hidden = evidence.value(scan, "rim_unresolved") or 0.0
    low, high = (row.value if v is None else v for v in (row.low, row.high))
    if high < NO_RIM or evidence.no_mineral(scan):
        return "none"
    if evidence.solid(scan):
        return "solid"
    if low + hidden >= ALL_ROUND:
        return "complete"
    if high + hidden >= ALL_ROUND:
        return "complete" if row.value + hidden >= ALL_ROUND else "open"
    return "part" if row.value < 0.5 else "most"


def maturity_of(evidence: Evidence, scan: int) -> str:
    """The measured picture of one scan: ``none``, ``incomplete``, ``shell`` or ``fatty``; else why there is none.

    ``other`` where mineral is not at the periphery, empty where it was not assessed. Days play no part.
    """
    zone, round_ = zoning_state(evidence, scan), rim_state(evidence, scan)
    if zone in ("reversed", "centre", "even") or round_ == "solid":
        return "other"
    if zone == "none" or round_ == "none":
        return "none"
    if zone is None or round_ is None:
        return ""
    if round_ != "complete":
        return "incomplete"
    fat = evidence.row(scan, "core_fat_fraction")
    return "fatty" if fat is not None and (fat.value or 0) >= FATTY_CORE else "shell"
