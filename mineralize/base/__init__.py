"""Ground that every package stands on: errors, geometry in LPS millimetres, one CT scan, settings, the voltage scale.

:class:`Grid` and :class:`Rigid` are the only conversion between index and patient coordinates and to SimpleITK;
:class:`Volume` is HU ``(slices, rows, columns)`` on a grid; errors form a tree below ``MineralizeError``.
"""

from __future__ import annotations

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
from .quantities import QUANTITIES, UNITS, Limit, Quantity, limit_for, quantity
from .scan import Acquisition, Calibration, InMemory, Note, Rod, Scan, SeriesRow, Volume
from .settings import AlignSettings, MineralSettings, Settings, ZoneSettings
from .verdicts import KINDS, Kind, Trust, Verdict, Verdicts, caution, reason_of, trust_of, withhold, worst
from .voltage import KNOWN_KVP, SLOPE_TABLE, known_voltage, slope, to_hu120

__all__ = [
    "KINDS",
    "KNOWN_KVP",
    "QUANTITIES",
    "SLOPE_TABLE",
    "UNITS",
    "Acquisition",
    "AlignSettings",
    "Calibration",
    "CaseFileError",
    "Floats",
    "Grid",
    "InMemory",
    "InputError",
    "Kind",
    "LesionNeeded",
    "Limit",
    "MineralSettings",
    "MineralizeError",
    "Note",
    "OutputError",
    "PatientsMixedError",
    "Quantity",
    "Rigid",
    "Rod",
    "Scan",
    "SeriesError",
    "SeriesRow",
    "Settings",
    "Trust",
    "UsageError",
    "Verdict",
    "Verdicts",
    "Volume",
    "ZoneSettings",
    "anatomical_words",
    "caution",
    "frozen",
    "known_voltage",
    "lazy",
    "limit_for",
    "quantity",
    "reason_of",
    "sample",
    "slope",
    "to_hu120",
    "to_sitk",
    "trust_of",
    "withhold",
    "worst",
]
