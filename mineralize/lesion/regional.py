"""What tells the inside of a soft lesion from what surrounds it, learned in turn from where either lies.

Histograms of the smoothed image inside and in a ring outside give the log likelihood that a place is one or the other
(region competition: Zhu and Yuille 1996, IEEE TPAMI 18:884). Muscle and fat of the scan always count as outside,
however little of them the ring holds, or a surface that took some muscle in would learn to take in more.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..base import Floats
from ..reference import Reference

BIN_HU = 4.0
EDGES = np.arange(-160.0, 160.0 + BIN_HU, BIN_HU)
MIDDLES = 0.5 * (EDGES[:-1] + EDGES[1:])
MUSCLE_SHARE, FAT_SHARE, RING_SHARE = 0.35, 0.20, 0.43
"""How much of the outside is muscle and fat of the scan, and what the ring holds; the rest may be anything (tuned on
two real masses, at a knee and in a buttock)."""
ANYTHING = 0.02
FAT_SPREAD_HU = 15.0
LARGEST_LOG = 2.0
"""Evidence of one place is cut off here, so that no thin structure decides."""
PER_MM = 0.48
"""Evidence of one millimetre along a ray, per unit of log likelihood: neighbouring places share noise."""
KEPT = 0.5
"""Share of what was known of the inside that stays when it is learned anew."""


@dataclass(frozen=True, eq=False)
class Regions:
    """Probabilities (B,) of the smoothed HU inside and outside, by bins of ``EDGES``."""

    inside: Floats
    outside: Floats

    def evidence(self, soft: Floats) -> Floats:
        """Per mm; positive where a value looks more like the outside; 0 where nothing is known (NaN)."""
        which = np.clip(np.digitize(np.nan_to_num(soft), EDGES) - 1, 0, len(MIDDLES) - 1)
        log = np.clip(np.log(self.outside) - np.log(self.inside), -LARGEST_LOG, LARGEST_LOG)
        return np.asarray(np.where(np.isfinite(soft), PER_MM * log[which], 0.0))

    @property
    def told_apart(self) -> float:
        """0 where inside and outside look the same, 1 where no value is met in both (total variation)."""
        return float(0.5 * np.abs(self.inside - self.outside).sum())


def learn(inside: Floats, ring: Floats, reference: Reference, spread_hu: float, before: Regions | None) -> Regions:
    """From smoothed HU inside and around; ``spread_hu`` is the least standard deviation of either."""
    found = _histogram(inside, spread_hu)
    if before is not None:
        found = KEPT * before.inside + (1.0 - KEPT) * found
    fat = -90.0 if reference.fat is None else reference.fat.mean_hu
    outside = MUSCLE_SHARE * _bell(reference.muscle.mean_hu, spread_hu) + FAT_SHARE * _bell(fat, FAT_SPREAD_HU)
    outside = outside + RING_SHARE * _histogram(ring, spread_hu) + ANYTHING / len(MIDDLES)
    return Regions(found, outside / outside.sum())


def _bell(mean_hu: float, spread_hu: float) -> Floats:
    height = np.exp(-0.5 * ((MIDDLES - mean_hu) / max(spread_hu, BIN_HU)) ** 2)
    return np.asarray(height / height.sum())


def _histogram(values: NDArray[Any], spread_hu: float) -> Floats:
    known = values[np.isfinite(values)]
    counts, _ = np.histogram(np.clip(known, EDGES[0] + 1.0, EDGES[-1] - 1.0), EDGES)
    smooth = ndimage.gaussian_filter1d(counts.astype(float), max(spread_hu, BIN_HU) / BIN_HU, mode="nearest")
    return np.asarray((1.0 - ANYTHING) * smooth / max(float(smooth.sum()), 1.0) + ANYTHING / len(MIDDLES))
