"""Whether metal spoils the lesion: by what its streaks do to the tissue around it, not by how near it lies.

Streaks run within the slices that hold the metal, along the rays through it, and differ by direction more than by
distance (common practice, no source). So only metal in the lesion's own slices counts, and what it does there is read
from soft tissue around the lesion: how far that strays from muscle and fat, against the slices without metal. The same
for a scale that ends below what it should read: metal, or cut-off mineral.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import ConvexHull, cKDTree
from skimage import draw

from ..base import KNOWN_KVP, Floats, Verdict, Volume, caution, gaussian_smoothed, slope, withhold
from ..bones import LesionZone
from ..reference import Reference

TOUCHES_MM = 8.0
"""Metal this near to the outline spoils it by its own blur and overshoot, whatever its streaks do."""
BESIDE_SLICES_MM = 3.0
"""How far along the scan from the slices that hold metal its streaks reach: about the width of a beam (common practice,
no source)."""
UPRIGHT = 0.9
"""Cosine between the slices' normal and the axis of the scanner below which slices were cut from others: streaks then
cross them, and all metal within ``ACROSS_MM`` counts as in the slice."""
ACROSS_MM = 60.0
RING_MM = (2.0, 12.0)
"""Where around the outline soft tissue is read."""
STEADY_MM = 1.0
"""Gaussian (standard deviation) in the slice that takes noise off before it is read."""
CLEAR_MM = 4.0
"""Tissue nearer to bone, mineral or air is not read: its blur looks like a streak."""
AIR_HU, DENSE_HU = -350.0, 200.0
STRAYS_MOST_HU = 60.0
"""Halfway between muscle and fat: what strays further counts as this."""
FREE_SLICES, LEAST_READ = 10, 40
"""So many slices without metal are compared; fewer places than that say nothing."""
QUIET_HU = 12.0
"""How far tissue strays by its own texture where no slice without metal is in view (own phantoms)."""
SEEN_HU, SPOILT_HU = 6.0, 25.0
"""Streaks from which values are cautioned, and withheld: 25 HU are 5 % of a rim of 400 mg/cm3 at 120 kVp, and what
parts muscle from fluid."""
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
    per_mg = slope(float(np.clip(reference.kvp, *KNOWN_KVP)))
    return reference.muscle.mean_hu + OVERSHOOT * DENSEST_MG_CM3 * per_mg + NOISE_SD * reference.noise_hu


def too_bright(volume: Volume, reference: Reference, vertices: Floats) -> Verdict | None:
    """Why values within an outline (V, 3) LPS mm cannot be relied on; ``None`` where no metal spoils them."""
    grid = volume.grid
    found = _brighter(volume.hu, reference, grid.voxel_volume_mm3)
    if found is None:
        return None
    places, verdict = found
    levels = grid.to_index(vertices)[:, 0]
    upright = abs(float(grid.directions[2, 0])) >= UPRIGHT
    apart, _ = cKDTree(vertices).query(grid.to_world(places), distance_upper_bound=ACROSS_MM)
    zone = LesionZone(vertices.mean(axis=0), float(np.ptp(vertices, axis=0).max()), np.asarray(vertices, float))
    inside = len(vertices) > 3 and bool((zone.apart(grid.to_world(places)) < 0.0).any())
    if inside or float(apart.min()) <= TOUCHES_MM:
        return verdict
    if not upright:
        return verdict if np.isfinite(apart).any() else None
    beside = BESIDE_SLICES_MM / float(grid.spacing[0])
    holds = np.unique(places[:, 0])
    from_metal = np.abs(np.arange(grid.shape[0])[:, None] - holds[None, :]).min(axis=1)
    own = np.arange(max(int(np.floor(levels.min())), 0), min(int(np.ceil(levels.max())) + 1, grid.shape[0]))
    reached = own[from_metal[own] <= beside]
    if not len(reached):
        return None
    share = len(reached) / len(own)
    free = np.flatnonzero(from_metal > beside + 2.0 / float(grid.spacing[0]))
    strays = streaks_hu(volume, reference, vertices, reached, free) * float(np.sqrt(share))
    if strays >= SPOILT_HU:
        return verdict
    return caution("metal-streaks", hu=strays, share=share) if strays >= SEEN_HU else None


def _brighter(hu: NDArray[Any], reference: Reference, voxel_mm3: float) -> tuple[NDArray[Any], Verdict] | None:
    """Indices (N, 3) of what is brighter than mineral, or at the end of the scan's scale, and what that means."""
    top = float(hu.max(initial=-1000))
    least = brightest_mineral_hu(reference)
    if top >= least:
        metal = np.argwhere(hu >= least)
        if len(metal) * voxel_mm3 > LEAST_MM3:
            return metal, withhold("metal-near")
    if top >= ENDS_ABOVE_HU:
        at_end = np.argwhere(hu == top)
        if len(at_end) >= LEAST_AT_END and len(at_end) * voxel_mm3 > LEAST_MM3:
            return at_end, withhold("scale-ends", hu=top)
    return None


def streaks_hu(
    volume: Volume, reference: Reference, vertices: Floats, reached: NDArray[Any], free: NDArray[Any]
) -> float:
    """Root mean square (HU) of what streaks add to soft tissue around the lesion in the slices that they reach.

    ``reached`` and ``free`` are slices with streaks and without. What strays from muscle and fat around the lesion is
    held, in squares, against what does so at the same place across in the nearest of the free slices.
    """
    ring = _ring(volume, vertices)
    seen = np.concatenate([_stray(volume, reference, ring, int(k)) for k in reached])
    if len(seen) < LEAST_READ:
        return STRAYS_MOST_HU
    nearest = free[np.argsort(np.abs(free - float(reached.mean())), kind="stable")[:FREE_SLICES]]
    quiet = np.concatenate([_stray(volume, reference, ring, int(k)) for k in nearest] or [np.zeros(0)])
    usual = float((quiet**2).mean()) if len(quiet) >= LEAST_READ else QUIET_HU**2
    return float(np.sqrt(max(float((seen**2).mean()) - usual, 0.0)))


def _ring(volume: Volume, vertices: Floats) -> tuple[slice, slice, NDArray[np.bool_]]:
    """A box of rows and columns around the lesion, and where in it lies the ring about all that it covers across."""
    grid = volume.grid
    _, rows, columns = grid.bounds_around(vertices, RING_MM[1])
    across = grid.to_index(vertices)[:, 1:] - [rows[0], columns[0]]
    shape = (rows[1] - rows[0], columns[1] - columns[0])
    covered = draw.polygon2mask(shape, across[ConvexHull(across).vertices])
    apart = ndimage.distance_transform_edt(~covered, sampling=grid.spacing[1:])
    return slice(*rows), slice(*columns), np.asarray((apart > RING_MM[0]) & (apart < RING_MM[1]))


def _stray(
    volume: Volume, reference: Reference, ring: tuple[slice, slice, NDArray[np.bool_]], level: int
) -> NDArray[np.float64]:
    """How far (HU) soft tissue of one slice strays from muscle and fat, at places about 2 mm apart in the ring."""
    rows, columns, wanted = ring
    pixel = volume.grid.spacing[1:]
    steady = gaussian_smoothed(volume.hu[level, rows, columns].astype(np.float32), STEADY_MM / pixel)
    foreign = (steady > DENSE_HU) | (steady < AIR_HU)
    if foreign.any():
        wanted = wanted & (ndimage.distance_transform_edt(~foreign, sampling=pixel) > CLEAR_MM)
    down, right = (max(int(np.rint(2.0 / h)), 1) for h in pixel)
    values = steady[::down, ::right][wanted[::down, ::right]].astype(float)
    fat = -90.0 if reference.fat is None else reference.fat.mean_hu
    off = np.minimum(np.abs(values - reference.muscle.mean_hu), np.abs(values - fat))
    return np.asarray(np.minimum(off, STRAYS_MOST_HU))
