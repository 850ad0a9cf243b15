"""Whose results a folder holds, so that one patient's impression never stands on another's page.

For every scan the folder keeps a hash of the patient's identifiers, keyed with the scan's study UID. A case is the
same one where any of these hashes is the same: scans may be added or taken away. The key stays with the scans: who has
the folder alone cannot try names or numbers against it, as they could if the key lay beside the hash.
"""

from __future__ import annotations

import hashlib
import hmac
from pathlib import Path

from ..base import OutputError
from ..results import texts
from ..timeline import Timeline
from .folder import failed
from .marker import kept

DIGITS = 32
"""Hexadecimal digits of a hash: 128 bits."""


def tags(case: Timeline) -> tuple[str, ...]:
    """A keyed hash of the patient per scan; none for scans that were not read from files."""
    found = set()
    for scan in case.scans:
        images = getattr(getattr(scan.source, "stack", None), "images", ())
        if images and images[0].ids.study:
            ids = images[0].ids
            whom = "\x1f".join((ids.patient.identity, ids.patient.name, ids.patient.birth))
            found.add(hmac.new(ids.study.encode(), whom.encode(), hashlib.sha256).hexdigest()[:DIGITS])
    return tuple(sorted(found))


def check_bound(out: Path, case: Timeline) -> None:
    """Refuse a folder that holds the results of another case.

    Raises
    ------
    OutputError
        where it is known that no scan of this patient is in both.
    """
    try:
        there = kept(out).bound
    except OSError as error:
        raise failed(error) from error
    here = tags(case)
    if there and here and not set(there) & set(here):
        raise OutputError(texts.OUT_OTHER_CASE)
