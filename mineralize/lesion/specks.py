"""Which pieces over a threshold noise alone would make: one test for outlines and for what is counted as mineral.

A piece counts where the mean of its excess is more than noise makes in a mean over as much volume, anywhere in what was
searched. Noise of a mean falls with volume as it does between a voxel and a cube of 4 mm, measured around the lesion.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, special

from ..base import MAD_TO_SD, Grid, all_around
from ..reference import CUBE_MM3, Reference

SCALES_MM = (0.0, 1.2, 2.0, 4.0)
"""Edges of the cubes over which noise is read; 0 for single voxels. Smoothed noise does not fall at once."""
APART_MM, LARGER = 4.0, 1.5
"""Places are compared so far apart, where noise no longer hangs together; and a cube is so many voxels at least."""
LEAST_PAIRS = 60
"""Fewer pairs of places in plain tissue say less of the noise than the whole scan does."""
FALSE_CHANCE = 0.01
"""Chance that noise makes any piece at all in what was searched: one lesion in a hundred."""
CHOSEN = 1.2
"""How much higher than a compact cube the mean of a piece reads whose shape the noise itself chose (99 % of the highest
of 64 fields of noise, white and of filtered back projection, voxels of 0.4 to 3 mm3)."""


@dataclass(frozen=True)
class Noise:
    """Standard deviation ``hu`` of means over volumes ``mm3``, both rising in volume; the first is a voxel."""

    mm3: tuple[float, ...]
    hu: tuple[float, ...]

    @property
    def voxel_mm3(self) -> float:
        return self.mm3[0]

    @property
    def cube_hu(self) -> float:
        """Over 4 mm."""
        return self.hu[-1]

    def of_mean(self, volume_mm3: NDArray[Any]) -> NDArray[np.float64]:
        """Standard deviation (N,) HU of means over compact pieces of those volumes (N,) mm3; beyond 4 mm as independent
        cubes."""
        volume = np.asarray(volume_mm3, float)
        within = np.exp(np.interp(np.log(volume), np.log(self.mm3), np.log(self.hu)))
        return np.asarray(within * np.sqrt(np.minimum(self.mm3[-1] / volume, 1.0)))


def noise_of(reference: Reference, grid: Grid) -> Noise:
    """What the whole scan says: of voxels and of means over 4 mm."""
    cube = max(reference.noise_4mm_hu, 1e-3)
    return Noise(
        (grid.voxel_volume_mm3, max(CUBE_MM3, LARGER * grid.voxel_volume_mm3)), (max(reference.noise_hu, cube), cube)
    )


def noise_around(hu: NDArray[Any], plain: NDArray[np.bool_], grid: Grid, reference: Reference) -> Noise:
    """Noise where the lesion lies, never below that of the whole scan: a trunk is noisier in its middle.

    Half the mean square of differences between places about 4 mm apart, by their median: edges between tissues and
    slow changes are not noise.

    Parameters
    ----------
    hu, plain : (slices, rows, columns) HU, and which voxels are tissue that is neither mineral nor bone nor air.
    """
    whole = noise_of(reference, grid)
    found: dict[float, float] = {}
    values = np.asarray(hu, np.float32)
    for edge in SCALES_MM:
        size = np.maximum(np.rint(edge / grid.spacing).astype(int), 1)
        volume = float(np.prod(size)) * grid.voxel_volume_mm3
        mean = ndimage.uniform_filter(values, size) if size.max() > 1 else values
        good = all_around(plain, size) if size.max() > 1 else plain
        apart = np.maximum(np.ceil(APART_MM / grid.spacing).astype(int), size)
        steps = np.concatenate([_steps(mean, good, axis, int(apart[axis])) for axis in range(3)])
        if len(steps) < LEAST_PAIRS:
            break
        found[volume] = MAD_TO_SD * float(np.median(np.abs(steps))) / float(np.sqrt(2.0))
    if len(found) < 2:
        return whole
    mm3 = tuple(sorted(found))
    usual = whole.of_mean(np.array(mm3))
    return Noise(mm3, tuple(max(found[v], float(u), 1e-3) for v, u in zip(mm3, usual, strict=True)))


def _steps(mean: NDArray[Any], good: NDArray[np.bool_], axis: int, apart: int) -> NDArray[Any]:
    """Differences between places so many voxels apart along an axis, where both are good."""
    size = mean.shape[axis]
    if size <= apart:
        return np.zeros(0, mean.dtype)
    near, far = range(size - apart), range(apart, size)
    both = good.take(near, axis=axis) & good.take(far, axis=axis)
    return np.asarray((mean.take(far, axis=axis) - mean.take(near, axis=axis))[both])


def beyond_noise(
    hu120: NDArray[Any],
    labels: NDArray[Any],
    count: int,
    *,
    base_hu: float,
    noise: Noise,
    scale: float,
    searched_mm3: float,
) -> NDArray[np.bool_]:
    """(count + 1,) whether each labelled piece is more than noise makes; False for label 0.

    Parameters
    ----------
    hu120, labels : (slices, rows, columns) HU at 120 kVp, and the number of the piece that a voxel belongs to, or 0.
    base_hu : what the tissue would read without mineral, HU at 120 kVp.
    scale : HU at 120 kVp per HU of the scan, for mineral.
    searched_mm3 : volume in which pieces were looked for.
    """
    over = labels > 0
    sizes = np.bincount(labels[over], minlength=count + 1)
    total = np.bincount(labels[over], weights=hu120[over] - base_hu, minlength=count + 1)
    volume = np.maximum(sizes, 1) * noise.voxel_mm3
    needed = -CHOSEN * special.ndtri(FALSE_CHANCE / np.maximum(searched_mm3 / volume, 1.0))
    keep = total / np.maximum(sizes, 1) >= needed * noise.of_mean(volume) * scale
    keep[0] = False
    return np.asarray(keep)
