"""Do the patient's own steady tissues read alike in all scans? Cortex of the bone tells of the mineral scale.

The disagreement is stated and, where it is more than noise, blur and place explain, cautioned and put into the
doubt of the scan's slope. Slopes are never moved by it: on phantoms whose scanners follow the table that made masses
worse, and a real change of the bone would pass for one of the scanner.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from ..base import KNOWN_KVP, Note, slope
from .tissues import Reference

CORTEX_CONTRAST_HU: tuple[tuple[float, float], ...] = (
    (80.0, 2145.8),
    (100.0, 1790.9),
    (120.0, 1582.5),
    (140.0, 1438.8),
)
"""(tube voltage in kVp, HU of cortical bone over muscle), ICRU-44 compositions, tables and filtration as the slopes'.
Cortex holds organic matrix beside mineral, so its ratios are not quite those of the slopes (2 % from 80 to 120 kVp)."""
CORTEX_DOUBT = 0.03
"""Relative 95 % half-width of a scan's cortex besides noise: 0.02 that blur leaves (own phantoms) and 0.02 because
scans do not show the same length of bone (own judgement)."""
MUSCLE_DOUBT_HU = 10.0
"""Soft tissue shifts by up to 10 HU between makers (common practice, no source)."""


def compared(references: Mapping[int, Reference]) -> dict[int, Reference]:
    """The references of a case's scans, by scan number, each held against the others.

    Adds ``cortex_off`` (relative disagreement of cortex with the median of the other scans, on the common scale),
    notes, and where it disagrees more than can be explained a larger ``slope_uncertainty``.
    """
    factors = {n: f for n, r in references.items() if (f := _factor(r)) is not None}
    muscles = {n: r.muscle.mean_hu for n, r in references.items() if r.muscle.volume_mm3 > 0.0}
    found: dict[int, Reference] = {}
    for number, own in references.items():
        notes: list[Note] = []
        off, doubt = None, own.slope_uncertainty
        others = [n for n in factors if n != number]
        if number in factors and others:
            middle = float(np.median([factors[n][0] for n in others]))
            off = factors[number][0] / middle - 1.0
            explained = float(np.hypot(factors[number][1], np.median([factors[n][1] for n in others])))
            if abs(off) > explained:
                doubt = max(doubt, abs(off))
                notes.append(_cortex_note(number, off, explained, doubt))
        rest = [hu for n, hu in muscles.items() if n != number]
        if number in muscles and rest:
            shift = muscles[number] - float(np.median(rest))
            if abs(shift) > MUSCLE_DOUBT_HU:
                notes.append(_muscle_note(number, shift))
        found[number] = replace(own, cortex_off=off, slope_uncertainty=doubt, notes=(*own.notes, *notes))
    return found


def _factor(own: Reference) -> tuple[float, float] | None:
    """Cortex over muscle as a share of what the scan's slope lets expect, and its relative 95 % half-width."""
    if own.cortex is None or own.muscle.volume_mm3 == 0.0:
        return None
    contrast = own.cortex.mean_hu - own.muscle.mean_hu
    if contrast <= 0.0:
        return None
    kvp = float(np.clip(own.kvp, *KNOWN_KVP))
    expected = _expected(kvp) * own.slope / slope(kvp)
    noise = 2.0 * float(np.hypot(own.cortex.standard_error_hu, own.muscle.standard_error_hu)) / contrast
    return contrast / expected, float(np.hypot(noise, CORTEX_DOUBT))


def _expected(kvp: float) -> float:
    """HU of cortex over muscle: the slope times what joins the tabulated cortex to it, level beyond the table."""
    volts = [v for v, _ in CORTEX_CONTRAST_HU]
    shares = [hu / slope(v) for v, hu in CORTEX_CONTRAST_HU]
    return slope(kvp) * float(np.interp(kvp, volts, shares))


def _cortex_note(number: int, off: float, explained: float, doubt: float) -> Note:
    text = (
        f"Cortex of the bone reads {abs(100 * off):.0f} % {'higher' if off > 0 else 'lower'} than in the other scans "
        f"once tube voltage is taken out; noise, blur and place explain {100 * explained:.0f} %. The mineral scale of "
        f"a scan may be off or the bone itself changed: mineral here is known to +-{100 * doubt:.0f} % at best."
    )
    return Note("cortex-disagrees", text, "caution", f"scan {number}")


def _muscle_note(number: int, shift: float) -> Note:
    text = (
        f"Muscle reads {abs(shift):.0f} HU {'higher' if shift > 0 else 'lower'} than in the other scans (contrast "
        "agent, another scanner or other muscle in view): values of soft tissue are not comparable."
    )
    return Note("muscle-disagrees", text, "caution", f"scan {number}")
