"""Inner loops of the scene over many points, compiled on first use.

Numbers are those that the same expressions give on whole arrays, to the last bit: the order of operations is kept and
nothing is contracted. Arrays are float32 or float64 throughout; what a scene draws does not depend on who calls.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np

from .physics import Array


@cache
def _compiled(loop: Callable[..., None]) -> Callable[..., None]:
    import numba

    try:
        return numba.njit(cache=True, nogil=True)(loop)
    except RuntimeError:  # no folder can be written in which to keep it
        return numba.njit(nogil=True)(loop)


def squared_distance(points: Array, centre: Array) -> Array:
    """Squared distance (N,) of (N, D) points from ``centre``, in the points' own precision."""
    out = np.empty(len(points), points.dtype)
    _compiled(_squared_distance)(points, centre.astype(points.dtype), out)
    return out


def _squared_distance(points: Any, centre: Any, out: Any) -> None:
    for n in range(len(points)):
        square = (points[n, 0] - centre[0]) * (points[n, 0] - centre[0])
        for axis in range(1, points.shape[1]):
            square += (points[n, axis] - centre[axis]) * (points[n, axis] - centre[axis])
        out[n] = square


def farthest_pair(one: Array, two: Array) -> tuple[int, int, float]:
    """Which point of ``one`` (N, D) and of ``two`` (M, D) are farthest from each other, and how far."""
    out = np.zeros(3)
    _compiled(_farthest_pair)(one, two, out)
    return int(out[0]), int(out[1]), float(out[2])


def _farthest_pair(one: Any, two: Any, out: Any) -> None:
    for i in range(len(one)):
        for j in range(len(two)):
            square = 0.0
            for axis in range(one.shape[1]):
                square += (one[i, axis] - two[j, axis]) * (one[i, axis] - two[j, axis])
            distance = np.sqrt(square)
            if distance > out[2]:
                out[0], out[1], out[2] = i, j, distance


def interpolated(tables: Array, polar: Array, azimuth: Array) -> Array:
    """(K, N) values of (K, 181, 361) tables by degree at ``polar`` 0 to 180 and ``azimuth`` 0 to 360, bilinear."""
    out = np.empty((len(tables), len(polar)), np.float32)
    _compiled(_interpolated)(tables.reshape(len(tables), -1), polar, azimuth, out)
    return out


def _interpolated(flat: Any, polar: Any, azimuth: Any, out: Any) -> None:
    one = np.float32(1)
    for n in range(len(polar)):
        row, column = min(int(polar[n]), 179), min(int(azimuth[n]), 359)
        down, right = np.float32(polar[n] - row), np.float32(azimuth[n] - column)
        start = row * 361 + column
        for k in range(len(flat)):
            top = flat[k, start] * (one - right) + flat[k, start + 1] * right
            bottom = flat[k, start + 361] * (one - right) + flat[k, start + 362] * right
            out[k, n] = top * (one - down) + bottom * down


def beside_bisector(points: Array, lines: Array, apart: Array, half: float) -> Array:
    """Whether (N, 3) points lie within ``half`` of the plane between their two nearest lines.

    ``lines`` (L, 4) are x and y at z = 0 and their slopes, ``apart`` (L, L) how far they are from each other.
    """
    out = np.empty(len(points), np.bool_)
    number = points.dtype.type
    _compiled(_beside_bisector)(points, lines.astype(number), apart.astype(number), number(half), number(2), out)
    return out


def _beside_bisector(points: Any, lines: Any, apart: Any, half: Any, two: Any, out: Any) -> None:
    for n in range(len(points)):
        x, y, z = points[n, 0], points[n, 1], points[n, 2]
        best = second = points.dtype.type(np.inf)
        first_of = second_of = 0
        for i in range(len(lines)):
            dx = x - lines[i, 0] - lines[i, 2] * z
            dy = y - lines[i, 1] - lines[i, 3] * z
            square = dx * dx + dy * dy
            if square < best:
                best, second = square, best
                first_of, second_of = i, first_of
            elif square < second:
                second, second_of = square, i
        out[n] = (second - best) / (two * apart[first_of, second_of]) < half
