"""What readers corrected by hand, laid from the scan where it was done into the others that ask for it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from ..align import Alignment
from ..base import Note, Rigid
from ..lesion import Carrier, SeenScan, hand_of
from ..timeline import HandActs


def same_scan(number: int) -> Alignment:
    """A scan on itself."""
    return Alignment(number, number, Rigid.identity(), 0.0, 1.0, "ok", "this is the reference scan")


def carries(acts: HandActs, scan: int) -> bool:
    """Whether something done in that scan is to be carried to the others."""
    return bool(acts.of(scan, carried_only=True))


def carried_into(acts: HandActs, seen: SeenScan, links: Mapping[int, Alignment]) -> SeenScan:
    """A scan with its own corrections and all that is carried to it; ``links`` align scans on the reference scan.

    Nothing is carried over an alignment that is withheld.
    """
    number = seen.scan.number

    def carrier(other: int) -> Carrier | None:
        out, back = links.get(other), links.get(number)
        if out is None or back is None or "withheld" in (out.trust, back.trust):
            return None
        motion = back.transform.inverse() @ out.transform
        return Carrier(motion, float(np.hypot(out.predicted_sd_mm, back.predicted_sd_mm)))

    if not any(carries(acts, other) for other in acts.scans if other != number):
        return seen
    return replace(seen, hand=hand_of(acts, number, carrier))


def not_carried(acts: HandActs, seen: SeenScan, links: Sequence[Alignment]) -> list[Note]:
    """A note for each scan whose corrections were to be carried to this one and could not be."""
    number = seen.scan.number
    missing = [n for n in sorted(acts.scans - {number}) if carries(acts, n) and n not in seen.hand.carried_from]
    if not missing:
        return []
    untrusted = ", ".join(f"scan {a.scan}" for a in links if a.trust == "withheld")
    text = (
        f"what was corrected by hand in scan {', '.join(map(str, missing))} was not carried here: "
        f"the alignment is not trusted ({untrusted})"
    )
    return [Note("hand-not-carried", text, "caution", f"scan {number}")]


def drawn_middle(acts: HandActs) -> tuple[int, tuple[float, float, float]] | None:
    """(scan, point): the middle of what was drawn on the margin, in the scan with the most of it, if any."""
    places: dict[int, list[tuple[float, float, float]]] = {}
    for point in acts.margin:
        places.setdefault(point.scan, []).append(point.at)
    for curve in acts.contours:
        places.setdefault(curve.scan, []).extend(curve.points)
    if not places:
        return None
    scan = max(sorted(places), key=lambda n: len(places[n]))
    x, y, z = (float(v) for v in np.mean(places[scan], axis=0))
    return scan, (x, y, z)
