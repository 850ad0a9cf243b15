"""Attenuation of tissue and mineral at a tube voltage.

Values are those of a published-data computation (photon cross-sections from the XRayLib tables, ICRU-44
compositions, 2.5 mm Al + 6 mm Al filtration, 20 cm water); the hydroxyapatite slope is for mineral that
displaces its surroundings, density 3.156 g/cm3 (crystallographic, from memory).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]

KVP = (80.0, 100.0, 120.0, 140.0)
_SLOPE = (1.897, 1.564, 1.369, 1.234)
_TISSUE = {
    "cortex": (2191.0, 1834.8, 1625.6, 1481.4),
    "muscle": (45.2, 43.9, 43.1, 42.6),
    "blood": (60.8, 58.1, 56.5, 55.3),
    "fat": (-98.0, -86.0, -78.9, -74.0),
}
HYDROXYAPATITE_MG_CM3 = 3156.0


def slope(kvp: float) -> float:
    """HU per mg/cm3 of hydroxyapatite that displaces water."""
    return float(np.interp(kvp, KVP, _SLOPE))


def tissue_hu(tissue: str, kvp: float) -> float:
    """HU of ``"cortex"``, ``"muscle"``, ``"blood"`` or ``"fat"``."""
    return float(np.interp(kvp, KVP, _TISSUE[tissue]))


def mixed(background: Array, concentration: Array, hu_per_mg: float) -> Array:
    """HU of ``concentration`` mg/cm3 hydroxyapatite displacing a background of ``background`` HU."""
    return background * (1 - concentration / HYDROXYAPATITE_MG_CM3) + hu_per_mg * concentration


def at_120(hu: Array, kvp: float, soft: float) -> Array:
    """HU above ``soft`` carried to 120 kVp by the ratio of slopes; the rest unchanged."""
    return np.where(hu > soft, soft + (hu - soft) * (slope(120.0) / slope(kvp)), hu)
