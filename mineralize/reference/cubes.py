"""Cubes of 4 mm in slabs spread over a scan: what noise, steady tissues and their trend with depth are read from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base import Floats, Volume

CUBE_MM = 4.0
CUBE_MM3, LEAST_MM3 = CUBE_MM**3, 16.0
"""Volume to which noise is carried, and the least that a mean counts as: noise of neighbours hangs together."""
MOST_SLABS = 16


@dataclass(frozen=True, eq=False)
class Cubes:
    """``size`` (3,) mm of a cube; of each slab the mean and standard deviation (rows, columns) of its cubes, HU."""

    size: Floats
    slabs: tuple[tuple[Floats, Floats], ...]


def cubes_of(volume: Volume) -> Cubes:
    """The cubes of up to 16 evenly spread slabs; of none where a slice is smaller than a cube."""
    grid = volume.grid
    block = np.maximum(np.round(CUBE_MM / grid.spacing).astype(int), 1)
    thick = int(block[0])
    count = max(grid.shape[0] // thick, 1)
    found = []
    for slab in np.unique(np.linspace(0, count - 1, min(count, MOST_SLABS)).astype(int)):
        part = volume.hu[slab * thick : (slab + 1) * thick]
        rows, columns = part.shape[1] // block[1], part.shape[2] // block[2]
        if not len(part) or not rows or not columns:
            continue
        whole = part[:, : rows * block[1], : columns * block[2]].astype(np.float32)
        cubes = whole.reshape(len(part), rows, block[1], columns, block[2])
        cubes = cubes.transpose(1, 3, 0, 2, 4).reshape(rows, columns, -1)
        found.append((cubes.mean(axis=-1), cubes.std(axis=-1, ddof=1)))
    return Cubes(block * grid.spacing, tuple(found))
