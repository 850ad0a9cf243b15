"""The scans of one case on a time line, with what ``case.toml`` says about it."""

from __future__ import annotations

import os
from collections.abc import Callable

from .timeline_model import BiopsySite, Event, EventKind, Offered, Seed, Timeline

__all__ = ["BiopsySite", "Event", "EventKind", "Offered", "Seed", "Timeline", "read"]


def read(path: str | os.PathLike[str], *, on_step: Callable[[str, int, int], None] | None = None) -> Timeline:
    """A case on disk (folder, archive or DICOMDIR, optionally with ``case.toml``) to its time line.

    Headers are read and checked now, voxels on first use of ``scan.volume``.

    Raises
    ------
    InputError, CaseFileError, SeriesError, PatientsMixedError
        in one sentence, without identifiers.
    """
    from .timeline_read import read_case  # only who reads files needs the DICOM library

    return read_case(path, on_step)
