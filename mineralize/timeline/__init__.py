"""The scans of one case on a time line, with what ``case.toml`` says about it.

In: a folder, archive or DICOMDIR (:func:`read`). Out: a :class:`Timeline` of :class:`mineralize.base.Scan` in time
order with days, seeds, events, biopsies and outlines drawn elsewhere (masks (slices, rows, columns));
:func:`comparability_notes` and :func:`comparability` say what makes two scans unlike; :func:`inspection` puts a case
into words. Days are whole days from day zero, points LPS mm, volumes mm3. ``CaseFileError`` lists every fault of
``case.toml``; ``InputError``, ``SeriesError`` and ``PatientsMixedError`` tell in one sentence of files that cannot be
used; ``KeyError`` is for a scan that is not there. Source: dates by PS3.3 (:mod:`mineralize.dicom`); ``case.toml`` is
TOML 1.0 with keys of our own; what a difference can do to numbers names its source where it is said.
"""

from __future__ import annotations

import os
from collections.abc import Callable

from . import inspection
from .case_file import alias_of
from .case_file import parse as parse_case_file
from .comparable import Difference, comparability, differences, value_words
from .comparable import notes as comparability_notes
from .model import (
    BiopsySite,
    Contour,
    Event,
    EventKind,
    HandActs,
    MarginPoint,
    MineralPart,
    Offered,
    Seed,
    Timeline,
)
from .which import scan_tag

__all__ = [
    "BiopsySite",
    "Contour",
    "Difference",
    "Event",
    "EventKind",
    "HandActs",
    "MarginPoint",
    "MineralPart",
    "Offered",
    "Seed",
    "Timeline",
    "alias_of",
    "comparability",
    "comparability_notes",
    "differences",
    "inspection",
    "parse_case_file",
    "read",
    "scan_tag",
    "value_words",
]


def read(path: str | os.PathLike[str], *, on_step: Callable[[str, int, int], None] | None = None) -> Timeline:
    """A case on disk (folder, archive or DICOMDIR, optionally with ``case.toml``) to its time line.

    Headers are read and checked now, voxels on first use of ``scan.volume``.

    Raises
    ------
    InputError, CaseFileError, SeriesError, PatientsMixedError
        in one sentence, without identifiers.
    """
    from .read_case import read_case  # only who reads files needs the DICOM library

    return read_case(path, on_step)
