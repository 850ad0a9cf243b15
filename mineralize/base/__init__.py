"""Ground that every package stands on: errors, geometry in LPS millimetres, one CT scan, settings, the voltage scale,
typed text made harmless, typed files read within limits.

:class:`Grid` and :class:`Rigid` are the only conversion between index and patient coordinates and to SimpleITK;
:class:`Volume` is HU ``(slices, rows, columns)`` on a grid; errors form a tree below ``MineralizeError``.
"""

from __future__ import annotations

from .documents import read_json, read_toml
from .errors import (
    CaseFileError,
    InputError,
    LesionNeeded,
    MineralizeError,
    OutputError,
    PatientsMixedError,
    SeriesError,
    UsageError,
)
from .geometry import Floats, Grid, Rigid, anatomical_words, frozen, sample, to_sitk
from .lazily import lazy
from .scan import Acquisition, Calibration, InMemory, Note, Rod, Scan, SeriesRow, Trust, Volume, worst
from .settings import AlignSettings, MineralSettings, OutlineSettings, Settings, ZoneSettings
from .voltage import KNOWN_KVP, SLOPE_TABLE, known_voltage, slope, to_hu120
from .words import cell_text, plain_text, unknown_key

__all__ = [
    "KNOWN_KVP",
    "SLOPE_TABLE",
    "Acquisition",
    "AlignSettings",
    "Calibration",
    "CaseFileError",
    "Floats",
    "Grid",
    "InMemory",
    "InputError",
    "LesionNeeded",
    "MineralSettings",
    "MineralizeError",
    "Note",
    "OutlineSettings",
    "OutputError",
    "PatientsMixedError",
    "Rigid",
    "Rod",
    "Scan",
    "SeriesError",
    "SeriesRow",
    "Settings",
    "Trust",
    "UsageError",
    "Volume",
    "ZoneSettings",
    "anatomical_words",
    "cell_text",
    "frozen",
    "known_voltage",
    "lazy",
    "plain_text",
    "read_json",
    "read_toml",
    "sample",
    "slope",
    "to_hu120",
    "to_sitk",
    "unknown_key",
    "worst",
]
