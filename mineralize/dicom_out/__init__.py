"""DICOM objects of the results: segmentations, a structured report, the encapsulated PDF, and who they say they are.

In: a ``Study``, an :class:`Identity` (new or kept identifiers, dates), and a :class:`Slab` of masks
(slices, rows, columns) per scan (:func:`slabs`); ``pseudonym`` names a case that nobody named. Out: files in a folder,
positions in LPS mm, days as dates, units in UCUM. ``OutputError`` where nothing can refer to the images of a scan under
that identity, or where the PDF is none; ``ValueError`` for masks that are empty or do not fit and for a report without
a segmentation; what the DICOM libraries and the disk refuse passes as it is. Source: PS3.3 A.51 (segmentation) and
A.45.1 (PDF), PS3.16 TID 1500 and its codes (report), PS3.15 Annex E (identity), PS3.10 (file).
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from .identity import NOBODY, Identity, pseudonym
from .slab import Slab, slabs
from .sr_pdf import write as write_pdf_object

if TYPE_CHECKING:
    from . import seg, sr

__all__ = [
    "NOBODY",
    "Identity",
    "Slab",
    "pseudonym",
    "seg",
    "slabs",
    "sr",
    "write_pdf_object",
]


def __getattr__(name: str) -> Any:
    """What writes objects is loaded when it is first used: most often by another process alone."""
    if name in ("seg", "sr"):
        return import_module(f".{name}", __name__)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
