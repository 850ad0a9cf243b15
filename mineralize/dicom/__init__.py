"""Folder to checked CT series: files, headers, rules, series choice, pixels.

In: paths. Out: headers and series that passed the rules (:func:`gather`, :func:`read_ct`), the chosen one of each
study (``choose``), its voxels (:class:`DicomSource`: HU, (slices, rows, columns), on a ``Grid`` in LPS mm), what was
drawn elsewhere (:func:`read_drawn`: masks (slices, rows, columns), polygons (n, 3) and points, LPS mm), and a ``Note``
for all that was set aside. ``SeriesError``, with rule and remedy, for a series that cannot be trusted or decoded,
``PatientsMixedError`` for images of two patients, ``InputError`` where nothing can be read, an archive is damaged or
too large, or a series asked for cannot be had: in one sentence, without identifiers. Source: PS3.3 for the rules, PS3.5
for encodings, PS3.10 for files; ``README.md`` has the section of each rule. The score of a series is our own.

Names are loaded on first use, so that the child processes that decode pixels start fast.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from . import choose
    from .archives import is_archive, unpack
    from .choose import Choice, Judged
    from .drawn import Drawn, deepest, read_drawn, region_on
    from .files import OWN_FOLDER, gather
    from .grouping import earliest
    from .image import When, state_of
    from .pixels import DicomSource
    from .reading import CtReading, input_hash, read_ct
    from .times import moment

__all__ = [
    "OWN_FOLDER",
    "Choice",
    "CtReading",
    "DicomSource",
    "Drawn",
    "Judged",
    "When",
    "choose",
    "deepest",
    "earliest",
    "gather",
    "input_hash",
    "is_archive",
    "moment",
    "read_ct",
    "read_drawn",
    "region_on",
    "state_of",
    "unpack",
]

_HOMES = {
    "OWN_FOLDER": "files",
    "Choice": "choose",
    "CtReading": "reading",
    "DicomSource": "pixels",
    "Drawn": "drawn",
    "Judged": "choose",
    "When": "image",
    "deepest": "drawn",
    "earliest": "grouping",
    "gather": "files",
    "input_hash": "reading",
    "is_archive": "archives",
    "moment": "times",
    "read_ct": "reading",
    "read_drawn": "drawn",
    "region_on": "drawn",
    "state_of": "image",
    "unpack": "archives",
}


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(f".{_HOMES[name]}", __name__), name)
    if name in __all__:
        return import_module(f".{name}", __name__)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
