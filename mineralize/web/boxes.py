"""Volumes made small enough to send: the native voxels around the lesion, and the whole scan coarsely.

For looking at, never for measuring. A box is raw little-endian int16 HU, ``[slice, row, column]``; its shape and the
affine that maps indices to LPS mm of the scan are told beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..base import Floats, Grid, Volume
from .shelf import write_whole

AROUND_MM = 38.0
"""How much of the scan around the outline is sent in native voxels: the neighbourhood that a reader looks at."""
LEAST_HALF_MM = 62.0
"""Half the side of the box where only a point is known."""
MOST_NATIVE = 14_000_000
"""Voxels of a native box (28 MB); a larger one is halved in its planes."""
WHOLE_MM = 1.6
"""Wanted spacing of the coarse scan, and ..."""
MOST_WHOLE = 9_000_000
"""... its largest number of voxels."""
BODY_HU = -400
LEAST_HU, MOST_HU = -1100, 32767


@dataclass(frozen=True)
class Box:
    """What the page is told of a box."""

    name: str
    shape: tuple[int, int, int]
    affine: tuple[float, ...]

    def told(self) -> dict[str, Any]:
        return {"name": self.name, "shape": list(self.shape), "affine": list(self.affine)}


def near(volume: Volume, points: Floats, margin_mm: float, place: Path, name: str) -> Box:
    """Write the native voxels around LPS points (N, 3)."""
    bounds = volume.grid.bounds_around(points, margin_mm)
    (a, b), (c, d), (e, f) = bounds
    part, grid = volume.hu[a:b, c:d, e:f], volume.grid.cropped(bounds)
    if part.size > MOST_NATIVE:
        part, grid = _coarser(part, grid, (1, 2, 2))
    return _written(part, grid, place, name)


def around_point(volume: Volume, point: Floats, place: Path, name: str) -> Box:
    """Write the native voxels around one LPS point."""
    return near(volume, np.asarray(point, float)[None], LEAST_HALF_MM, place, name)


def whole(volume: Volume, place: Path, name: str) -> Box:
    """Write the whole body of a scan as block means."""
    hu, grid = volume.hu, volume.grid
    bounds = _body(hu)
    (a, b), (c, d), (e, f) = bounds
    hu, grid = hu[a:b, c:d, e:f], grid.cropped(bounds)
    steps = [max(1, round(WHOLE_MM / s)) for s in grid.spacing.tolist()]
    while np.prod([max(n // s, 1) for n, s in zip(hu.shape, steps, strict=True)]) > MOST_WHOLE:
        steps[int(np.argmin([s * w for s, w in zip(steps, grid.spacing.tolist(), strict=True)]))] += 1
    coarse, grid = _coarser(hu, grid, (steps[0], steps[1], steps[2]))
    return _written(coarse, grid, place, name)


def _body(hu: NDArray[Any]) -> tuple[tuple[int, int], tuple[int, int], tuple[int, int]]:
    """Rows and columns that hold more than air; every slice."""
    seen = np.any(hu[:: max(hu.shape[0] // 24, 1)] > BODY_HU, axis=0)
    rows, columns = np.flatnonzero(seen.any(axis=1)), np.flatnonzero(seen.any(axis=0))
    if not len(rows):
        return (0, hu.shape[0]), (0, hu.shape[1]), (0, hu.shape[2])
    return (
        (0, hu.shape[0]),
        (int(max(rows[0] - 2, 0)), int(min(rows[-1] + 3, hu.shape[1]))),
        (int(max(columns[0] - 2, 0)), int(min(columns[-1] + 3, hu.shape[2]))),
    )


def _coarser(hu: NDArray[Any], grid: Grid, steps: tuple[int, int, int]) -> tuple[NDArray[Any], Grid]:
    """Block means; voxels that do not fill a block at the far ends are left out."""
    p, q, r = (min(s, n) for s, n in zip(steps, hu.shape, strict=True))
    if (p, q, r) == (1, 1, 1):
        return hu, grid
    i, j, k = hu.shape[0] // p, hu.shape[1] // q, hu.shape[2] // r
    fresh = np.empty((i, j, k), np.float32)
    for number in range(i):  # slice by slice: the mean of a whole scan at once would hold it four times over
        block = hu[number * p : (number + 1) * p, : j * q, : k * r]
        fresh[number] = block.reshape(p, j, q, k, r).mean(axis=(0, 2, 4), dtype=np.float32)
    affine = grid.affine.copy()
    affine[:3, :3] = grid.affine[:3, :3] * np.asarray((p, q, r), float)
    affine[:3, 3] = grid.to_world((np.asarray((p, q, r), float) - 1) / 2)
    return fresh, Grid((i, j, k), affine)


def _written(hu: NDArray[Any], grid: Grid, place: Path, name: str) -> Box:
    values = np.clip(np.rint(hu) if hu.dtype.kind == "f" else hu, LEAST_HU, MOST_HU)
    write_whole(place / f"{name}.i16", values.astype("<i2").tobytes())
    affine = tuple(round(float(v), 6) for v in grid.affine.ravel())
    return Box(name, (grid.shape[0], grid.shape[1], grid.shape[2]), affine)
