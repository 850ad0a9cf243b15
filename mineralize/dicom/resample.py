"""The one place where voxels are moved on reading: gantry tilt and unequal slice distances.

Interpolation is by the four-point cubic convolution of Keys (1981, 10.1109/TASSP.1981.1163711, a = -0.5) within a
slice and linear between slices. A value that any padded or never scanned pixel would contribute to is padding.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .stack import Stack


def upright(plane: Callable[[int], NDArray[np.float32]], stack: Stack, padded: float) -> NDArray[np.float32]:
    """Slices as stored to the stack's even, upright grid; holds two slices at a time beside the result.

    Parameters
    ----------
    plane : gives slice k as stored, (rows, columns).
    padded : the value of voxels without data.
    """
    shape = (stack.grid.shape[1], stack.grid.shape[2])
    held: dict[int, NDArray[np.float32]] = {}

    def straight(k: int) -> NDArray[np.float32]:
        if k not in held:
            for old in [j for j in held if j < k - 1]:
                del held[old]
            found = plane(k)
            if stack.shear is not None:
                found = shifted(found, float(stack.shear.rows[k]), float(stack.shear.columns[k]), shape, padded)
            held[k] = found
        return held[k]

    out = np.empty(stack.grid.shape, np.float32)
    for k in range(len(out)):
        out[k] = straight(k) if stack.heights is None else between(straight, stack.heights, k, padded)
    return out


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


def between(
    plane: Callable[[int], NDArray[np.float32]], heights: NDArray[Any], k: int, padded: float
) -> NDArray[np.float32]:
    """The slice at height ``k`` (in slice spacings), linear between its neighbours at ``heights``."""
    above = int(np.clip(np.searchsorted(heights, k), 1, len(heights) - 1))
    share = float(np.clip((k - heights[above - 1]) / (heights[above] - heights[above - 1]), 0, 1))
    low, high = plane(above - 1), plane(above)
    mixed = low * np.float32(1 - share) + high * np.float32(share)
    return np.where((low == padded) | (high == padded), np.float32(padded), mixed)
