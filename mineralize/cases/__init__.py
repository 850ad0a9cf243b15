"""One case on disk: what is to be done with it, and its results written whole or not at all.

In: a :class:`Request` (where the case lies, settings, options). Out: :func:`run` measures and writes the results
folder and returns an :class:`Outcome`; :func:`studied` stops at the :class:`mineralize.study.Study`;
:func:`write_study` writes one; :func:`record_impression` records what the slides show. ``InputError`` and
``OutputError`` in one sentence; ``LesionNeeded`` where the lesion must be pointed at.
"""

from __future__ import annotations

from .exchange import hold
from .folder import abandon, check_output, failed, whole_folder, write_text
from .marker import MARKER, Kept, digest_of, kept, secret_of
from .one import Outcome, Request, load, run, studied, write_study
from .seal import record as record_impression
from .seal import record_answers, versions

__all__ = [
    "MARKER",
    "Kept",
    "Outcome",
    "Request",
    "abandon",
    "check_output",
    "digest_of",
    "failed",
    "hold",
    "kept",
    "load",
    "record_answers",
    "record_impression",
    "run",
    "secret_of",
    "studied",
    "versions",
    "whole_folder",
    "write_study",
    "write_text",
]
