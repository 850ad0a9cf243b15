"""The DICOM objects of a case, written by a process of its own while this one draws the pictures.

Both are work of the interpreter itself, so that threads would gain nothing. The child is a plain one that is handed its
job on standard input, as for compressed slices: it never runs the user's own script again. Where it cannot be started,
or fails, the work is done here, and what is wrong is then said here.
"""

from __future__ import annotations

import contextlib
import copy
import hashlib
import logging
import pickle
import shutil
import subprocess
import sys
import threading
import warnings
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import IO

import numpy as np

from ..base import end_with_parent, isolated_python, receive, send
from ..dicom_out import Identity, seg, sr
from ..results import Options
from ..study import Study, cores

KEY_SLICES = 8
"""About how many slices of each scan enter the key of an export."""


@contextlib.contextmanager
def writing(study: Study, folder: Path, options: Options, jobs: int | None = None) -> Iterator[Identity]:
    """Write segmentations and structured report into ``folder``; they are there, whole, when the block ends well.

    The block is handed the identity that the objects carry.
    """
    folder.mkdir()
    identity = Identity(
        study.timeline, options.keep_identifiers, options.keep_dates, key=export_key(study), settings=study.settings
    )
    child = _start(study, folder, identity) if (jobs or cores()) > 1 and _light(study) else None
    try:
        yield identity
        if child is None or child.wait() != 0:
            shutil.rmtree(folder)
            folder.mkdir()
            write(study, folder, identity)
    finally:
        if child is not None:
            child.kill()
            child.wait()
            assert child.stdin is not None
            with contextlib.suppress(BrokenPipeError):
                child.stdin.close()


def write(study: Study, folder: Path, identity: Identity, parts: Mapping[int, seg.Slab] | None = None) -> None:
    """Segmentations and structured report, by this process."""
    sr.write(study, seg.write(study, folder, identity, parts), folder, identity)


def export_key(study: Study) -> bytes:
    """The secret under which UIDs are replaced: the same on every run, known only to who has the scans.

    It is drawn from voxels, of which no output holds enough to draw it again.
    """
    digest = hashlib.sha256(b"mineralize export")
    for scan in study.timeline.scans:
        slices = scan.volume.hu[:: max(scan.grid.shape[0] // KEY_SLICES, 1)]
        digest.update(np.ascontiguousarray(slices, dtype="<f4").tobytes())
    return digest.digest()


def _light(study: Study) -> bool:
    """Whether a study can be handed over at little cost: of scans in files it goes without their voxels."""
    images = [getattr(getattr(scan.source, "stack", None), "images", ()) for scan in study.timeline.scans]
    return all(images)


def _start(study: Study, folder: Path, identity: Identity) -> subprocess.Popen[bytes] | None:
    scans = []
    for scan in study.timeline.scans:
        bare = copy.copy(scan)
        bare.forget()  # of the copy alone
        scans.append(bare)
    timeline = replace(study.timeline, scans=tuple(scans), offered=(), hasher=None)
    parts = seg.slabs(study, identity)
    job = pickle.dumps((replace(study, timeline=timeline), folder, replace(identity, timeline=timeline), parts))
    command = isolated_python("mineralize.cases.dicom")
    try:
        child = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    except OSError:
        return None
    assert child.stdin is not None
    # The child takes the job in when it has loaded what it needs; meanwhile pictures are drawn here.
    threading.Thread(target=_hand_over, args=(child.stdin, job), name="job", daemon=True).start()
    return child


def _hand_over(stream: IO[bytes], job: bytes) -> None:
    with contextlib.suppress(OSError, ValueError):  # the child is gone, and the work will be done here
        send(stream, job)  # it stays open: by its end the child knows that this process is gone


def main() -> None:
    """What the child runs."""
    warnings.simplefilter("ignore")
    logging.getLogger("pydicom").setLevel(logging.CRITICAL + 1)
    study, folder, identity, parts = pickle.loads(receive(sys.stdin.buffer))
    end_with_parent(sys.stdin.buffer)
    write(study, folder, identity, parts)
