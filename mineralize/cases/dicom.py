"""The DICOM objects of a case, written by another process of ours while this one draws the pictures.

Both are work of the interpreter itself, so that threads would gain nothing. Where the other process cannot be started,
or fails, the work is done here, and what is wrong is then said here.
"""

from __future__ import annotations

import contextlib
import copy
import hashlib
import shutil
from collections.abc import Iterator, Mapping
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path

import numpy as np

from ..base import Aide, AideError
from ..dicom_out import Identity, Slab, slabs
from ..results import Options
from ..study import Study

KEY_SLICES = 8
"""About how many slices of each scan enter the key of an export."""


@contextlib.contextmanager
def writing(study: Study, folder: Path, options: Options, aide: Aide | None = None) -> Iterator[Identity]:
    """Write segmentations and structured report into ``folder``; they are there, whole, when the block ends well.

    The block is handed the identity that the objects carry. Without an ``aide`` all is done here.
    """
    folder.mkdir()
    identity = Identity(
        study.timeline, options.keep_identifiers, options.keep_dates, key=export_key(study), settings=study.settings
    )
    asked = _asked(study, folder, identity, aide) if aide is not None and _light(study) else None
    try:
        yield identity
    except BaseException:
        if asked is not None and aide is not None:
            aide.stop()  # the folder goes, and nothing may be written into it any more
        raise
    try:
        if asked is not None:
            asked.result()
            return
    except AideError:
        pass
    shutil.rmtree(folder)
    folder.mkdir()
    write(study, folder, identity)


def write(study: Study, folder: Path, identity: Identity, parts: Mapping[int, Slab] | None = None) -> None:
    """Segmentations and structured report, by this process."""
    from ..dicom_out import seg, sr  # most often another process does it

    sr.write(study, seg.write(study, folder, identity, parts), folder, identity)


def export_key(study: Study) -> bytes:
    """The secret under which UIDs are replaced: the same on every run, known only to who has the scans.

    It is drawn from voxels, of which no output holds enough to draw it again.
    """
    digest = hashlib.sha256(b"mineralize export")
    for scan in study.timeline.scans:
        slices = scan.volume.hu[:: max(scan.grid.shape[0] // KEY_SLICES, 1)]
        digest.update(np.ascontiguousarray(slices, dtype="<f4").tobytes())
        scan.volume.rest()
    return digest.digest()


def _light(study: Study) -> bool:
    """Whether a study can be handed over at little cost: of scans in files it goes without their voxels."""
    images = [getattr(getattr(scan.source, "stack", None), "images", ()) for scan in study.timeline.scans]
    return all(images)


def _asked(study: Study, folder: Path, identity: Identity, aide: Aide) -> Future[None]:
    scans = []
    for scan in study.timeline.scans:
        bare = copy.copy(scan)
        bare.forget()  # of the copy alone
        scans.append(bare)
    timeline = replace(study.timeline, scans=tuple(scans), offered=(), hasher=None)
    parts = slabs(study, identity)
    light, own = replace(study, timeline=timeline), replace(identity, timeline=timeline)
    return aide.ask(write, light, folder, own, parts)
