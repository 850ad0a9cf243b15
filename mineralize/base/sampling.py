"""Looking up an array between its voxels, for many points at once."""

from __future__ import annotations

import math
from typing import Any

from numpy.typing import NDArray

from .compiled import compiled


@compiled("f4[3] f8[2] f8[1] f8[2] f8 f4[1]!", "i2[3] f8[2] f8[1] f8[2] f8 f4[1]!")
def interpolate(
    array: NDArray[Any],
    turn: NDArray[Any],
    shift: NDArray[Any],
    points: NDArray[Any],
    outside: float,
    values: NDArray[Any],
) -> None:
    """Trilinear ``values`` (N,) of ``array`` at ``points`` (N, 3), whose indices are ``turn @ point + shift``.

    Points beyond the outermost voxel centres, by more than rounding, give ``outside``.
    """
    slices, rows, columns = array.shape
    slack = 1e-6
    for n in range(points.shape[0]):
        x, y, z = points[n, 0], points[n, 1], points[n, 2]
        i = turn[0, 0] * x + turn[0, 1] * y + turn[0, 2] * z + shift[0]
        j = turn[1, 0] * x + turn[1, 1] * y + turn[1, 2] * z + shift[1]
        k = turn[2, 0] * x + turn[2, 1] * y + turn[2, 2] * z + shift[2]
        within = -slack <= i <= slices - 1 + slack and -slack <= j <= rows - 1 + slack
        if not (within and -slack <= k <= columns - 1 + slack):
            values[n] = outside
            continue
        i, j, k = min(max(i, 0.0), slices - 1.0), min(max(j, 0.0), rows - 1.0), min(max(k, 0.0), columns - 1.0)
        a, b, c = math.floor(i), math.floor(j), math.floor(k)
        d, e, f = min(a + 1, slices - 1), min(b + 1, rows - 1), min(c + 1, columns - 1)
        u, v, w = i - a, j - b, k - c
        near = (1.0 - v) * ((1.0 - w) * array[a, b, c] + w * array[a, b, f])
        near += v * ((1.0 - w) * array[a, e, c] + w * array[a, e, f])
        far = (1.0 - v) * ((1.0 - w) * array[d, b, c] + w * array[d, b, f])
        far += v * ((1.0 - w) * array[d, e, c] + w * array[d, e, f])
        values[n] = (1.0 - u) * near + u * far
