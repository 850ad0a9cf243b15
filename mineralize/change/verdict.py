"""What changed between two scans, and whether the change is real."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from ..base import Verdict, Verdicts, caution, is_share, limit_for, quantity, shown_as
from ..measure import Measurement
from ..timeline import Difference, Timeline, differences
from .agent import hidden_agent
from .caution import codes, doubts, drawn_together, moved_by_caution, moved_by_unlike
from .interval import half_widths

Real = Literal["yes", "no", "unsure"]


@dataclass(frozen=True)
class Change:
    """One row of ``changes.csv``; numbers are ``None`` where a side is withheld or the value has no meaning."""

    from_scan: int
    to_scan: int
    days: int
    quantity: str
    difference: float | None
    percent: float | None
    low: float | None
    high: float | None
    per_30_days: float | None
    doubling_days: float | None
    real: Real
    reason: str
    unit: str = ""
    verdicts: Verdicts = ()


CAUTION_FACTOR = 2.0
"""How much wider an interval is taken where a value is given with caution: 2 held truth in 93 % of the masses with
caution of random phantoms, and in 70 % of the volumes, for which what the caution may move is added."""


def find_changes(timeline: Timeline, measurements: Sequence[Measurement]) -> tuple[Change, ...]:
    """Changes of every quantity between every two scans, earlier first."""
    table = {(row.scan, row.quantity): row for row in measurements}
    scans = timeline.scans
    changes = []
    for i, first in enumerate(scans):
        for second in scans[i + 1 :]:
            unlike = differences(first, second)
            agent = None if "contrast" in unlike else hidden_agent(first, second, table)
            if agent is not None:
                unlike = {**unlike, agent.code: agent}
            size = table.get((first.number, "longest_diameter"))
            diameter = size.value if size is not None else None
            for name in dict.fromkeys(row.quantity for row in measurements):
                a, b = table.get((first.number, name)), table.get((second.number, name))
                if a is not None and b is not None:
                    changes.append(_change(a, b, second.day - first.day, diameter, unlike))
    return tuple(changes)


def _change(
    a: Measurement, b: Measurement, days: int, diameter: float | None, unlike: Mapping[str, Difference]
) -> Change:
    if a.value is None or b.value is None:
        missing = a if a.value is None else b
        why = caution("change-withheld", scan=missing.scan, why=missing.reason)
        said = (why, *missing.verdicts)
        return Change(
            a.scan, b.scan, days, a.quantity, None, None, None, None, None, None, "unsure", why.text, a.unit, said
        )
    about = quantity(a.quantity)
    difference = b.value - a.value
    down, up = half_widths(a, b, frozenset(unlike))
    low, high = difference - down, difference + up
    percent = 100.0 * difference / a.value if a.value > 0 and about.percent else None
    rate = 30.0 * difference / days if days > 0 else None
    doubling = None
    if about.grows and a.value > 0 and b.value > 0 and days > 0 and abs(b.value / a.value - 1) > 1e-6:
        doubling = days * math.log(2) / math.log(b.value / a.value)
    real, why = _verdict(a, b, difference, low, high, diameter=diameter, unlike=unlike)
    said = (why, *doubts(a), *(v for v in doubts(b) if v not in doubts(a)))
    return Change(
        a.scan, b.scan, days, a.quantity, difference, percent, low, high, rate, doubling, real, why.text, a.unit, said
    )


def _verdict(
    a: Measurement,
    b: Measurement,
    difference: float,
    low: float,
    high: float,
    *,
    diameter: float | None,
    unlike: Mapping[str, Difference],
) -> tuple[Real, Verdict]:
    """Whether a change is real, and why.

    It is where zero lies outside its interval, by more than anything that limits the values or parts the scans could
    itself have made, and the change exceeds what repeating the scan would show.
    """
    limit = limit_for(a.quantity, diameter, together=drawn_together(a, b) and not set(unlike) & PARTING)
    assert a.value is not None
    needed = max(limit.relative * abs(a.value), limit.absolute)
    words = f"{_plain(a, needed)} ({limit.source})"
    excludes_zero = low > 0 or high < 0
    if not excludes_zero and abs(difference) <= needed:
        return "no", caution("change-none", limit=words)
    if not excludes_zero:
        return "unsure", caution("change-not-apart")
    if abs(difference) <= needed:
        return "no", caution("change-within-limit", limit=words)
    doubtful = [row for row in (a, b) if row.trust == "caution"]
    told = "; ".join(f"scan {row.scan}: {row.reason}" for row in doubtful)
    if len(doubtful) == 2 and codes(a) and codes(a) == codes(b):
        as_in = "" if a.reason == b.reason else f" (as in scan {b.scan})"
        told = f"both scans{as_in}: {b.reason}"
    by_unlike, code = moved_by_unlike(a, b, unlike)
    part = f"{unlike[code].words} alone could move this by {_plain(a, by_unlike)}" if code else ""
    factor = CAUTION_FACTOR if doubtful else 1.0
    nearer = min(abs(difference), factor * (difference - low if difference > 0 else high - difference))
    beyond = abs(difference) - nearer
    if code and beyond <= by_unlike:
        return "unsure", caution("change-by-scanner", why=part)
    by = moved_by_caution(a, b, alike=not set(unlike) & PARTING)
    if by is None:
        return "unsure", caution("change-doubt-unknown", why=told)
    if beyond <= math.hypot(by, by_unlike):
        return "unsure", caution("change-by-doubt", why="; ".join(t for t in (told, part) if t))
    if not doubtful and not code:
        return "yes", caution("change-real", limit=words)
    how = "twice as wide an interval" if doubtful else "the interval"
    if by or by_unlike:
        how += f" and {_plain(a, math.hypot(by, by_unlike))} of doubt"
    why = "; ".join(t for t in (told, part) if t)
    return "yes", caution("change-real-doubted", why=why, limit=words, how=how)


PARTING = frozenset({"kvp", "kernel", "slice", "contrast"})
"""Differences between two scans after which like cautions need not have moved both alike."""


def _plain(row: Measurement, value: float) -> str:
    """An amount of a quantity on the scale that is read, in plain letters: 2.41 cm3, 28.9 mg, 15 points."""
    factor, _, _ = shown_as(row.quantity, row.unit)
    unit = "points" if is_share(row.quantity) else {"mm3": "cm3", "1": ""}.get(row.unit, row.unit)
    return f"{float(f'{factor * value:.3g}'):.12g} {unit}".rstrip()
