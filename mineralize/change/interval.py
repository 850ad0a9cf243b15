"""How far a difference between two scans is known: what is common to both does not count twice.

Each scan's value carries the half-widths of what could move it, by name (`Measurement.parts`). What moves both scans
alike, such as a slope from the same table at the same tube voltage, moves the difference only by as much as it moves
one value more than the other. With a share r of a perturbation common to both, the variance of a difference is
a^2 + b^2 - 2 r a b (propagation of correlated input quantities, JCGM 100:2008, 5.2.2); here it is written for
half-widths that differ up and down.
"""

from __future__ import annotations

import math

from ..measure import Measurement

COMMON: dict[str, tuple[float, frozenset[str]]] = {
    "calibration": (1.0, frozenset({"kvp", "maker", "calibration"})),
    "limb size": (1.0, frozenset({"maker", "calibration"})),
    "tube voltage": (1.0, frozenset({"kvp"})),
    "background": (0.8, frozenset({"contrast"})),
    "mineral below the threshold": (0.8, frozenset({"slice", "kernel", "pixel"})),
    "depth of the zones": (0.8, frozenset()),
    "threshold": (0.8, frozenset({"slice", "kernel", "pixel", "kvp"})),
    "band limits": (0.8, frozenset({"slice", "kernel", "contrast"})),
    "blur": (0.8, frozenset({"slice", "kernel", "pixel"})),
    "bridged gaps": (0.5, frozenset({"slice", "kernel", "pixel"})),
    "hidden by bone": (0.8, frozenset({"slice", "kernel", "pixel"})),
    "beside the shell": (0.8, frozenset({"slice", "kernel", "pixel"})),
    "patchy mineral": (0.8, frozenset()),
    "unresolved shell": (0.8, frozenset({"slice", "kernel", "pixel"})),
    "what counts as muscle": (0.8, frozenset({"kvp", "contrast"})),
    "soft margin": (1.0, frozenset({"slice", "kernel", "kvp", "contrast"})),
    "skin and fascia": (0.8, frozenset({"kvp"})),
}
"""Perturbation to (share that two scans have in common, differences between scans that end this).

A table's slope at one voltage is one number for both scans. The rest are rules applied alike to the same lesion, whose
effect still follows the lesion as it changes: four fifths, own judgement; half for the crossing of a gap, which may
itself have changed. Noise, and where the outline lies, are each
scan's own; a soft margin that was drawn together in several scans is one surface in all of them.
"""


def half_widths(a: Measurement, b: Measurement, unlike: frozenset[str]) -> tuple[float, float]:
    """(down, up) of the difference ``b - a``, 95 %; without parts the two intervals are added in quadrature.

    Neither is larger than what the two intervals allow together.
    """
    assert a.value is not None
    assert a.low is not None
    assert a.high is not None
    assert b.value is not None
    assert b.low is not None
    assert b.high is not None
    a_down, a_up = a.value - a.low, a.high - a.value
    b_down, b_up = b.value - b.low, b.high - b.value
    if a.parts is None or b.parts is None:
        return math.hypot(b_down, a_up), math.hypot(b_up, a_down)
    down = up = 0.0
    for name in {**a.parts, **b.parts}:
        share, ends = COMMON.get(name, (0.0, frozenset()))
        if ends & unlike:
            share = 0.0
        d1, u1 = a.parts.get(name, (0.0, 0.0))
        d2, u2 = b.parts.get(name, (0.0, 0.0))
        down += share * max(u1 - u2, d2 - d1, 0.0) ** 2 + (1 - share) * (d2**2 + u1**2)
        up += share * max(u2 - u1, d1 - d2, 0.0) ** 2 + (1 - share) * (u2**2 + d1**2)
    return min(math.sqrt(down), b_down + a_up), min(math.sqrt(up), b_up + a_down)
