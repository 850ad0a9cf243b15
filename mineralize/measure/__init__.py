"""Every quantity of one scan, with its interval and its trust.

In: the neighbourhood, reference and outline of one scan. Out: :class:`Measured`: a :class:`Measurement` per quantity
(unit in ``UNITS``, 95 % interval, trust, reason), the depth profile and the unwrapped rim. Definitions stand where
each quantity is computed. Nothing is resampled, and nothing raised: what cannot be measured is withheld, with
the reason. mm, mm2, mm3, mg and HU; methods of others are named with their source.
"""

from __future__ import annotations

from .estimate import Estimate
from .mineral import measure_mineral
from .rim_map import CONTACT, GAP, MINERAL, UNRESOLVED
from .rows import (
    DepthProfile,
    Measured,
    Measurement,
    RimMap,
    Rows,
    measure_scan,
    rows_without_lesion,
    withhold_all,
)
from .site import Site

__all__ = [
    "CONTACT",
    "GAP",
    "MINERAL",
    "UNRESOLVED",
    "DepthProfile",
    "Estimate",
    "Measured",
    "Measurement",
    "RimMap",
    "Rows",
    "Site",
    "measure_mineral",
    "measure_scan",
    "rows_without_lesion",
    "withhold_all",
]
