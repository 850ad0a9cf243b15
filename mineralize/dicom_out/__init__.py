"""DICOM objects of the results: segmentations, a structured report, the encapsulated PDF, and who they say they are.

In: a ``Study`` and an :class:`Identity` (new or kept identifiers, dates);
``pseudonym`` names a case that nobody named. Out: files in a folder. Refusals of the
DICOM libraries are raised as ``OutputError``.
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
