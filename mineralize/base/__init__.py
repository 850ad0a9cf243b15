"""Ground that every package stands on: errors, geometry in LPS millimetres, one CT scan, settings, the voltage scale,
typed text made harmless, typed files read within limits.

:class:`Grid` and :class:`Rigid` are the only conversion between index and patient coordinates and to SimpleITK;
:class:`Volume` is HU ``(slices, rows, columns)`` on a grid; errors form a tree below ``MineralizeError``,
of which ``UsageError`` and ``CaseFileError`` come from settings that cannot be, ``InputError`` from files that cannot
be read. Source: PS3.3 for coordinates, UCUM for units.
"""

from __future__ import annotations

from . import terms
from .aide import Aide, AideError, answer_calls
from .child import isolated_python
from .compiled import compiled, load_compiled
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
from .geometry import Floats, Grid, Rigid, anatomical_words, even_directions, frozen, sample, to_sitk
from .granted import at_most, cores
from .heap import collect_seldom, give_back, keep_freed
from .lazily import lazy
from .mapped import kept_in_memory, laid_down
from .numbers import MINUS, THIN, decimals_for, neat, number, places, shown_as, value_text
from .parent import receive, send, serve
from .quantities import (
    GROUPS,
    MAIN,
    QUANTITIES,
    UNITS,
    family_of,
    is_share,
    limit_for,
    named,
    quantities_of,
    quantity,
    title_of,
)
from .quantity import Limit, Quantity, Region, Report
from .reach import all_around, dilated, grown, within_reach
from .robust import MAD_TO_SD, Z95
from .scan import Acquisition, Calibration, InMemory, Note, Rod, Scan, SeriesRow, Volume
from .settings import AlignSettings, MineralSettings, OutlineSettings, Settings, ZoneSettings
from .smoothing import gaussian_smoothed
from .terms import PRIVATE_SCHEME, Term, private
from .verdicts import KINDS, Kind, Trust, Verdict, Verdicts, caution, reason_of, trust_of, withhold, worst
from .voltage import COMMON_KVP, KNOWN_KVP, SLOPE_TABLE, known_voltage, slope, to_hu120
from .words import cell_text, plain_text, unknown_key

__all__ = [
    "COMMON_KVP",
    "GROUPS",
    "KINDS",
    "KNOWN_KVP",
    "MAD_TO_SD",
    "MAIN",
    "MINUS",
    "PRIVATE_SCHEME",
    "QUANTITIES",
    "SLOPE_TABLE",
    "THIN",
    "UNITS",
    "Z95",
    "Acquisition",
    "Aide",
    "AideError",
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
    "OutlineSettings",
    "OutputError",
    "PatientsMixedError",
    "Quantity",
    "Region",
    "Report",
    "Rigid",
    "Rod",
    "Scan",
    "SeriesError",
    "SeriesRow",
    "Settings",
    "Term",
    "Trust",
    "UsageError",
    "Verdict",
    "Verdicts",
    "Volume",
    "ZoneSettings",
    "all_around",
    "anatomical_words",
    "answer_calls",
    "at_most",
    "caution",
    "cell_text",
    "collect_seldom",
    "compiled",
    "cores",
    "decimals_for",
    "dilated",
    "even_directions",
    "family_of",
    "frozen",
    "gaussian_smoothed",
    "give_back",
    "grown",
    "is_share",
    "isolated_python",
    "keep_freed",
    "kept_in_memory",
    "known_voltage",
    "laid_down",
    "lazy",
    "limit_for",
    "load_compiled",
    "named",
    "neat",
    "number",
    "places",
    "plain_text",
    "private",
    "quantities_of",
    "quantity",
    "read_json",
    "read_toml",
    "reason_of",
    "receive",
    "sample",
    "send",
    "serve",
    "shown_as",
    "slope",
    "terms",
    "title_of",
    "to_hu120",
    "to_sitk",
    "trust_of",
    "unknown_key",
    "value_text",
    "withhold",
    "within_reach",
    "worst",
]
