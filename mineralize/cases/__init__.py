"""One case on disk: what is to be done with it, and its results written whole or not at all.

In: a :class:`Request` (where the case lies, a point in LPS mm, settings, options); no arrays. Out: :func:`run` measures
and writes the results folder and returns an :class:`Outcome`; :func:`studied` stops at the
:class:`mineralize.study.Study`; :func:`write_study` writes one; :func:`record_impression` records what the slides show.
``UsageError`` for a point, scan or alias that cannot be and for an amendment without a reason, ``InputError`` for a
case, form or record that cannot be used, ``OutputError`` for a folder that holds another case or files of others or
cannot be written, ``LesionNeeded`` where the lesion must be pointed at: each in one sentence. Source: own definitions;
a file is known by its SHA-256 (FIPS 180-4), and folders change places by Linux' renameat2(2) where it can be had.

Names are loaded on first use, so that the child process that writes DICOM starts without what draws pictures.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .exchange import hold
    from .folder import abandon, check_output, failed, whole_folder, write_text
    from .help import aided, one_aide
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
    "aided",
    "check_output",
    "digest_of",
    "failed",
    "hold",
    "kept",
    "load",
    "one_aide",
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

_HOMES = {
    "exchange": ("hold",),
    "folder": ("abandon", "check_output", "failed", "whole_folder", "write_text"),
    "help": ("aided", "one_aide"),
    "marker": ("MARKER", "Kept", "digest_of", "kept", "secret_of"),
    "one": ("Outcome", "Request", "load", "run", "studied", "write_study"),
    "seal": ("record_answers", "record_impression", "versions"),
}


def __getattr__(name: str) -> Any:
    for home, offered in _HOMES.items():
        if name in offered:
            inside = "record" if name == "record_impression" else name
            return getattr(import_module(f".{home}", __name__), inside)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
