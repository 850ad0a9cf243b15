"""DICOM objects of the results: segmentations, a structured report, the encapsulated PDF, and who they say they are.

In: a ``Study`` and an :class:`Identity` (new or kept identifiers, dates);
``pseudonym`` names a case that nobody named. Out: files in a folder. Refusals of the
DICOM libraries are raised as ``OutputError``.
"""

from __future__ import annotations

from . import seg, sr
from .identity import NOBODY, Identity, pseudonym
from .sr_pdf import write as write_pdf_object

__all__ = [
    "NOBODY",
    "Identity",
    "pseudonym",
    "seg",
    "sr",
    "write_pdf_object",
]
