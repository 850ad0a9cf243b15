"""What lies within a few millimetres of marked voxels, without a distance map over the whole box."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .compiled import compiled


@compiled("b1[3]! i8[2] b1[3]!")
def _mark(mask: NDArray[Any], offsets: NDArray[Any], reached: NDArray[Any]) -> None:
    """Set ``reached`` at all ``offsets`` (N, 3) from voxels on the border of a mask; what is nearest to a voxel outside
    has a neighbour outside."""
    slices, rows, columns = mask.shape
    for i in range(slices):
        for j in range(rows):
            for k in range(columns):
                if not mask[i, j, k]:
                    continue
                inner = (i == 0 or mask[i - 1, j, k]) and (i == slices - 1 or mask[i + 1, j, k])
                inner = inner and (j == 0 or mask[i, j - 1, k]) and (j == rows - 1 or mask[i, j + 1, k])
                inner = inner and (k == 0 or mask[i, j, k - 1]) and (k == columns - 1 or mask[i, j, k + 1])
                if inner:
                    continue
                for n in range(offsets.shape[0]):
                    a, b, c = i + offsets[n, 0], j + offsets[n, 1], k + offsets[n, 2]
                    if 0 <= a < slices and 0 <= b < rows and 0 <= c < columns:
                        reached[a, b, c] = True


def within_reach(mask: NDArray[np.bool_], spacing: Any, reach_mm: float) -> NDArray[np.bool_]:
    """Voxels whose middle lies within ``reach_mm`` of that of a voxel of ``mask`` (slices, rows, columns); a new array.

    The same as a distance map held against the reach, and faster where the reach is a few voxels.
    """
    size = np.asarray(spacing, float)
    half = np.floor(reach_mm / size + 1e-9).astype(int)
    steps = np.stack(np.meshgrid(*[np.arange(-n, n + 1) for n in half], indexing="ij")).reshape(3, -1)
    apart = np.sqrt(((steps * size[:, None]) ** 2).sum(axis=0))
    return dilated(mask, steps[:, apart <= reach_mm].T)


def dilated(mask: NDArray[np.bool_], offsets: NDArray[Any]) -> NDArray[np.bool_]:
    """``mask`` (slices, rows, columns) and all voxels at one of ``offsets`` (N, 3) from one of it; a new array.

    With every offset those shorter along any axis must be among them, as in a ball, a box or a cross.
    """
    reached = np.array(mask, bool, order="C")
    _mark(reached.copy(), np.ascontiguousarray(offsets, np.int64), reached)
    return reached


def grown(mask: NDArray[np.bool_], steps: int) -> NDArray[np.bool_]:
    """A mask (slices, rows, columns) widened by so many steps to neighbours that share a face: arrays are shifted."""
    result = np.array(mask, bool, order="C")
    for _ in range(steps):
        before = result.copy()
        for axis in range(mask.ndim):
            low, high = _sides(mask.ndim, axis, 1)
            result[high] |= before[low]
            result[low] |= before[high]
    return result


def all_around(mask: NDArray[np.bool_], size: Any) -> NDArray[np.bool_]:
    """Where a mask (slices, rows, columns) is true in the whole box of ``size`` voxels (of each axis) around a voxel.

    The box ends where the array does; one of even size reaches one voxel farther towards the first.
    """
    result = np.array(mask, bool, order="C")
    for axis, length in enumerate(np.broadcast_to(size, (mask.ndim,)).tolist()):
        before = result.copy()
        for step in range(1, int(length) // 2 + 1):
            low, high = _sides(mask.ndim, axis, step)
            result[high] &= before[low]
            if step < int(length) - int(length) // 2:
                result[low] &= before[high]
    return result


def _sides(axes: int, axis: int, step: int) -> tuple[tuple[slice, ...], tuple[slice, ...]]:
    """All but the last and all but the first ``step`` of an axis."""
    low, high = [slice(None)] * axes, [slice(None)] * axes
    low[axis], high[axis] = slice(None, -step), slice(step, None)
    return tuple(low), tuple(high)
