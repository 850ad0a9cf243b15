"""Whether something near the lesion is too bright to be mineral: metal, or a scale that ends below what it reads."""

from __future__ import annotations

import numpy as np

from ..base import Floats, Verdict, Volume, slope, withhold
from ..reference import Reference

NEAR_MM = 60.0
"""How far around the outline metal counts; its streaks cross the slice."""
DENSEST_MG_CM3 = 2000.0
"""Mineral per volume that nothing in bone or soft tissue reaches: bone 570 to 1415 mg/cm3, dental calculus, which forms
outside bone, 1290 to 1770 (Djomehri 2015, PLoS ONE 10:e0121611); only the crowns of teeth are denser."""
OVERSHOOT = 1.15
"""How far a sharp kernel may lift the edge of something dense (own phantoms: 12 %)."""
NOISE_SD = 4.0
"""Standard deviations of noise on top."""
LEAST_MM3 = 3.0
"""Volume of brighter voxels from which it is metal: less than a clip of 1.2 mm wire leaves after blur."""
ENDS_ABOVE_HU = 2000.0
"""Above this, many voxels of exactly the scan's highest value are the end of its scale (3071 HU with 12 bits)."""
LEAST_AT_END = 8


def brightest_mineral_hu(reference: Reference) -> float:
    """HU that the densest mineral can read at the scan's tube voltage, with noise and kernel: 3250 at 120, 4460 at 80.

    By the table, whatever rods say. Titanium would read 8900 and more, steel 24 000 (mass attenuation of NIST XCOM).
    """
    per_mg = slope(float(np.clip(reference.kvp, 70.0, 150.0)))
    return reference.muscle.mean_hu + OVERSHOOT * DENSEST_MG_CM3 * per_mg + NOISE_SD * reference.noise_hu


def too_bright(volume: Volume, reference: Reference, vertices: Floats) -> Verdict | None:
    """Why values near an outline (V, 3) LPS mm cannot be relied on; ``None`` where nothing is too bright."""
    hu = volume.crop(volume.grid.bounds_around(vertices, NEAR_MM)).hu
    voxel = volume.grid.voxel_volume_mm3
    if float((hu >= brightest_mineral_hu(reference)).sum()) * voxel > LEAST_MM3:
        return withhold("metal-near")
    top = hu.max(initial=-1000)
    at_end = int((hu == top).sum()) if top >= ENDS_ABOVE_HU else 0
    if at_end >= LEAST_AT_END and at_end * voxel > LEAST_MM3:
        return withhold("scale-ends", hu=float(top))
    return None
