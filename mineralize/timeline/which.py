"""Which scan or drawn place an entry of ``case.toml`` means: by number, by date, or by what it is itself.

A number counts in time order, so an earlier scan that comes in later moves it. What a program writes therefore names
the series too, by a tag made of its UID; the tag goes before the number, and stays right whatever joins the case.
"""

from __future__ import annotations

import datetime
import hashlib
import re
from collections.abc import Sequence
from typing import Any, TypeGuard

from ..base import Scan

ScanRef = int | datetime.date | str
"""A scan by its number in time order, by its date, or by its tag (:func:`scan_tag`)."""
TAG = re.compile(r"[0-9a-f]{12}")


def is_tag(value: Any) -> TypeGuard[str]:
    """Whether a value read from a file has the form of a tag."""
    return isinstance(value, str) and TAG.fullmatch(value) is not None


def scan_tag(scan: Scan) -> str:
    """The first twelve hexadecimal digits of the SHA-256 of its SeriesInstanceUID; ``""`` where it has none."""
    uid = scan.identifiers.get("SeriesInstanceUID", "")
    return hashlib.sha256(uid.encode()).hexdigest()[:12] if uid else ""


def place_tag(scan: Scan, kind: str, point: tuple[float, float, float], volume_mm3: float | None) -> str:
    """Twelve hexadecimal digits for a place drawn in a scan, by its series, kind, point (LPS mm) and volume (mm3).

    Its number counts among all that was drawn, so one drawn or found later moves it; the tag stays.
    """
    where = " ".join(f"{value:.3f}" for value in (*point, volume_mm3 or 0.0))
    return hashlib.sha256(f"{scan_tag(scan)} {kind} {where}".encode()).hexdigest()[:12]


def number_of(ref: ScanRef, scans: Sequence[Scan], where: str, faults: list[str]) -> int | None:
    """The number (from 1) of the scan that is meant; ``None`` with a fault under ``where`` if it is not just one."""
    if isinstance(ref, int):
        if ref <= len(scans):
            return ref
        faults.append(f"{where}: there is no scan {ref}; the case has {len(scans)}")
        return None
    if isinstance(ref, str):
        hits = [n for n, scan in enumerate(scans, 1) if scan_tag(scan) == ref]
        missing = "the series that it names is not among the scans in use; put it back, or take series out of the entry"
    else:
        hits = [n for n, scan in enumerate(scans, 1) if scan.date == ref.isoformat()]
        missing = "no scan is of that date; give the scan's number"
    if len(hits) == 1:
        return hits[0]
    faults.append(f"{where}: {missing if not hits else f'{len(hits)} scans are of that date; give its number'}")
    return None
