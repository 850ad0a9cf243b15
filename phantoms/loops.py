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


def limb_labels(points: Array, *, loose: Array, firm: Array, lines: Array, apart: Array, vessels: Array) -> Array:
    """uint8 labels of (N, 3) points: 0 air, 1 skin, 2 fat, 3 muscle, 4 vessel.

    ``loose`` take the precision of the points: the axis (x, y), the least radius, lobe, taper, and half of the fat
    in the plane between two bellies. ``firm`` ones stay double: cosine and sine of the oval, oval, radius, cosine and
    sine of the fat, its unevenness and thickness, skin. ``lines`` (L, 4) are the bellies, x and y at z = 0 and their
    slopes; ``apart`` (L, L) how far they are from each other. ``vessels`` (V, 6) are like them, with the squares of the
    radius with the fat around it and without.
    """
    number = points.dtype.type
    whole = np.arange(101).astype(number)
    out = np.zeros(len(points), np.uint8)
    _compiled(_limb_labels)(
        points,
        loose.astype(number),
        firm,
        lines.astype(number),
        apart.astype(number),
        vessels.astype(number),
        whole,
        out,
    )
    return out


def _limb_labels(
    points: Any, loose: Any, firm: Any, lines: Any, apart: Any, vessels: Any, whole: Any, out: Any
) -> None:
    one, two, three, four, hundred = whole[1], whole[2], whole[3], whole[4], whole[100]
    for n in range(len(points)):
        x, y, z = points[n, 0], points[n, 1], points[n, 2]
        dx, dy = x - loose[0], y - loose[1]
        rho = np.sqrt(dx * dx + dy * dy) + loose[2]
        cosine, sine = dx / rho, dy / rho
        double_cos, double_sin = two * cosine * cosine - one, two * sine * cosine
        triple = cosine * (four * cosine * cosine - three)
        shape = 1.0 + firm[2] * (double_cos * firm[0] + double_sin * firm[1]) + loose[3] * triple
        depth = firm[3] * shape * (one + loose[4] * z / hundred) - rho
        if depth > 0:
            out[n] = 1
        if depth > firm[8]:
            out[n] = 2
        if not depth > firm[8] + firm[7] * (1.0 + firm[6] * (cosine * firm[4] + sine * firm[5])):
            continue
        out[n] = 3
        if len(lines) > 1:
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
            if (second - best) / (two * apart[first_of, second_of]) < loose[5]:
                out[n] = 2
        for i in range(len(vessels)):
            dx = x - vessels[i, 0] - vessels[i, 2] * z
            dy = y - vessels[i, 1] - vessels[i, 3] * z
            square = dx * dx + dy * dy
            if square < vessels[i, 4]:
                out[n] = 2
            if square < vessels[i, 5]:
                out[n] = 4


def near_line(points: Array, line: Array, reach: float) -> Array:
    """Which of (N, 3) points lie within ``reach`` of a bowed line at their own level.

    ``line``: x and y at z = 0, their slopes, the bow in x and y, its twist, its length.
    """
    number = points.dtype.type
    out = np.empty(len(points), np.bool_)
    _compiled(_near_line)(points, line.astype(number), number(reach**2), out)
    return out


def _near_line(points: Any, line: Any, square: Any, out: Any) -> None:
    for n in range(len(points)):
        z = points[n, 2]
        t = z / line[7]
        dx = points[n, 0] - (line[0] + line[2] * z + line[4] * t * t + line[6] * t * t * t)
        dy = points[n, 1] - (line[1] + line[3] * z + line[5] * t * t)
        out[n] = dx * dx + dy * dy < square
