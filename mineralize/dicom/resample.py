"""The one place where voxels are moved on reading: gantry tilt and unequal slice distances.

Interpolation is by the four-point cubic convolution of Keys (1981, 10.1109/TASSP.1981.1163711, a = -0.5) within a
slice and linear between slices. A value that any padded or never scanned pixel would contribute to is padding.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .stack import Stack


def upright(hu: NDArray[np.float32], stack: Stack, padded: float) -> NDArray[Any]:
    """Slices as stored to the stack's even, upright grid.

    Parameters
    ----------
    hu : (slices, rows, columns) as stored.
    padded : the value of voxels without data.
    """
    if stack.shear is not None:
        target = (len(hu), *stack.grid.shape[1:])
        moved = np.empty(target, np.float32)
        for k, (row, column) in enumerate(zip(stack.shear.rows, stack.shear.columns, strict=True)):
            moved[k] = shifted(hu[k], float(row), float(column), target[1:], padded)
        hu = moved
    if stack.heights is not None:
        hu = even(hu, stack.heights, stack.grid.shape[0], padded)
    return hu


def shifted(
    plane: NDArray[np.float32], rows: float, columns: float, shape: tuple[int, int], padded: float
) -> NDArray[np.float32]:
    """``out[r, c] = plane[r - rows, c - columns]``, ``padded`` where that lies outside."""
    return _along(_along(plane, rows, shape[0], padded).T, columns, shape[1], padded).T


def _along(plane: NDArray[np.float32], shift: float, length: int, padded: float) -> NDArray[np.float32]:
    """Shift along the first axis into an array of ``length`` rows."""
    whole = int(np.floor(shift + 1e-6))
    part = max(shift - whole, 0.0)
    out = np.full((length, plane.shape[1]), padded, np.float32)
    n = plane.shape[0]
    if part < 1e-4:
        stop = min(whole + n, length)
        out[whole:stop] = plane[: stop - whole]
        return out
    # Row r of the result lies at r - whole - part of the plane: between rows i = r - whole - 1 and i + 1.
    t = 1.0 - part
    weights = np.array(
        [
            -0.5 * t + t**2 - 0.5 * t**3,
            1 - 2.5 * t**2 + 1.5 * t**3,
            0.5 * t + 2 * t**2 - 1.5 * t**3,
            -0.5 * t**2 + 0.5 * t**3,
        ],
        np.float32,
    )
    edged = np.concatenate([plane[:1], plane, plane[-1:]])
    gone = edged == padded
    values = sum(w * edged[k : k + n - 1] for k, w in enumerate(weights))
    lost = gone[: n - 1] | gone[1:n] | gone[2 : n + 1] | gone[3 : n + 2]
    values = np.where(lost, np.float32(padded), values)
    start = whole + 1
    stop = min(start + n - 1, length)
    out[start:stop] = values[: stop - start]
    return out


def even(hu: NDArray[np.float32], heights: NDArray[Any], count: int, padded: float) -> NDArray[np.float32]:
    """Linear interpolation between slices at ``heights`` (in slice spacings) onto 0, 1, ..., count - 1."""
    out = np.empty((count, *hu.shape[1:]), np.float32)
    for k in range(count):
        above = int(np.clip(np.searchsorted(heights, k), 1, len(heights) - 1))
        share = float(np.clip((k - heights[above - 1]) / (heights[above] - heights[above - 1]), 0, 1))
        low, high = hu[above - 1], hu[above]
        out[k] = np.where(
            (low == padded) | (high == padded),
            np.float32(padded),
            low * np.float32(1 - share) + high * np.float32(share),
        )
    return out
