"""Attenuation of mineral over tube voltage: hydroxyapatite slopes, and HU as they would read at 120 kVp.

Slopes (HU per mg/cm3 hydroxyapatite displacing water; 2.5 mm Al + 6 mm Al, 20 cm water) were computed from
the xraylib attenuation tables and spekpy spectra; other filtrations and tables move them by about 5 %.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

SLOPE_TABLE: tuple[tuple[float, float], ...] = ((80.0, 1.8968), (100.0, 1.5642), (120.0, 1.3690), (140.0, 1.2343))
"""(tube voltage in kVp, HU per mg/cm3)."""

COMMON_KVP = 120.0
"""Tube voltage of the common scale, HU120."""

KNOWN_KVP = (70.0, 150.0)
"""Tube voltages that the table reaches, its end segments continued."""


def slope(kvp: float) -> float:
    """HU per mg/cm3 hydroxyapatite at a tube voltage, linear between the tabulated ones.

    Beyond the table the nearest segment is continued down to 70 and up to 150 kVp.

    Raises
    ------
    ValueError
        outside 70-150 kVp.
    """
    if not known_voltage(kvp):
        raise ValueError(f"no hydroxyapatite slope for {kvp:g} kVp; known from 70 to 150 kVp")
    volts = np.array([v for v, _ in SLOPE_TABLE])
    slopes = np.array([s for _, s in SLOPE_TABLE])
    i = int(np.clip(np.searchsorted(volts, kvp) - 1, 0, len(volts) - 2))
    share = (kvp - volts[i]) / (volts[i + 1] - volts[i])
    return float(slopes[i] + share * (slopes[i + 1] - slopes[i]))


def known_voltage(kvp: float) -> bool:
    """Whether the table of slopes reaches a tube voltage."""
    return KNOWN_KVP[0] <= kvp <= KNOWN_KVP[1]


def to_hu120(hu: Any, soft_hu: float, own_slope: float) -> NDArray[Any]:
    """HU as they would read at 120 kVp: only what stands above soft tissue is scaled. Same shape as ``hu``."""
    hu = np.asarray(hu)
    factor = slope(120.0) / own_slope
    scaled: NDArray[Any] = np.where(hu > soft_hu, soft_hu + (hu - soft_hu) * factor, hu)
    return scaled.astype(np.float32, copy=False)
