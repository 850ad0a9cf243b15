"""The inner loops of alignment: many points, looked up under many poses."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..base import compiled

Array = NDArray[Any]


@compiled("f4[3] f8[2] f8[2] f8[2] f8[2] f8[1] f8 f8 f8 f8[1]!")
def score_shifts(
    distance: Array,
    cells: Array,
    cell_shifts: Array,
    places: Array,
    place_shifts: Array,
    last: Array,
    clip: float,
    penalty: float,
    least_overlap: float,
    scores: Array,
) -> None:
    """``scores`` (K,) mm of points under K shifts: the mean distance to bone of those in the scan, and a penalty.

    ``cells`` (N, 3) and ``cell_shifts`` (K, 3) add to indices in ``distance``, beyond which there is no bone;
    ``places`` and ``place_shifts`` to indices in the scan, which ends at ``last`` (3,).
    """
    slices, rows, columns = distance.shape
    count = cells.shape[0]
    for k in range(cell_shifts.shape[0]):
        total, inside = 0.0, 0
        for n in range(count):
            x = places[n, 0] + place_shifts[k, 0]
            y = places[n, 1] + place_shifts[k, 1]
            z = places[n, 2] + place_shifts[k, 2]
            if not (-1e-6 <= x <= last[0] + 1e-6 and -1e-6 <= y <= last[1] + 1e-6 and -1e-6 <= z <= last[2] + 1e-6):
                continue
            inside += 1
            a = math.floor(cells[n, 0] + cell_shifts[k, 0] + 0.5)
            b = math.floor(cells[n, 1] + cell_shifts[k, 1] + 0.5)
            c = math.floor(cells[n, 2] + cell_shifts[k, 2] + 0.5)
            if 0 <= a < slices and 0 <= b < rows and 0 <= c < columns:
                total += min(abs(distance[a, b, c]), clip)
            else:
                total += clip
        overlap = inside / count
        scores[k] = total / max(inside, 1) + penalty * (1.0 - overlap) if overlap >= least_overlap else 1e3


@compiled("f8[2] f4[3] f4[2] f8[2] f8[1] f8[2] f8[2] f8[1] f8[1] f8 f8[3] f8[2] f8[3]! f8[2]! f8[2]! f8[1]!")
def pull_of_surface(
    points: Array,
    distance: Array,
    slope: Array,
    to_cell: Array,
    cell_shift: Array,
    turn: Array,
    to_place: Array,
    place_shift: Array,
    last: Array,
    scale: float,
    rotations: Array,
    shifts: Array,
    normals: Array,
    sides: Array,
    middles: Array,
    arms: Array,
) -> None:
    """Normal equations of robust point-to-surface distance for every pose.

    ``points`` (N, 3) LPS mm; ``distance`` and, a row a voxel, its ``slope`` (M, 3), indexed by ``to_cell @ x +
    cell_shift``; ``turn`` (3, 3) takes slopes to LPS mm; ``to_place @ x + place_shift`` are indices in the scan, which
    ends at ``last``; ``scale`` mm of the robust weight; ``rotations`` (K, 3, 3), ``shifts`` (K, 3).

    Filled: ``normals`` (K, 6, 6), lower half, and ``sides`` (K, 6) of a turn about ``middles`` (K, 3), the mean of the
    moved points, and a shift; ``arms`` (K,) mm2, the mean squared arm of the points along one axis.
    """
    slices, rows, columns = distance.shape
    count = points.shape[0]
    moved, row = np.empty((count, 3)), np.empty(6)
    normals[:], sides[:], middles[:], arms[:] = 0.0, 0.0, 0.0, 0.0
    for pose in range(rotations.shape[0]):
        turned, shift = rotations[pose], shifts[pose]
        normal, side, middle = normals[pose], sides[pose], middles[pose]
        for n in range(count):
            for i in range(3):
                along = turned[i, 0] * points[n, 0] + turned[i, 1] * points[n, 1] + turned[i, 2] * points[n, 2]
                moved[n, i] = along + shift[i]
                middle[i] += moved[n, i] / count
        for n in range(count):
            x, y, z = moved[n, 0], moved[n, 1], moved[n, 2]
            p, q, r = x - middle[0], y - middle[1], z - middle[2]
            arms[pose] += (p * p + q * q + r * r) / (3.0 * count)
            inside = True
            for i in range(3):
                place = to_place[i, 0] * x + to_place[i, 1] * y + to_place[i, 2] * z + place_shift[i]
                inside = inside and -1e-6 <= place <= last[i] + 1e-6
            if not inside:
                continue
            u = to_cell[0, 0] * x + to_cell[0, 1] * y + to_cell[0, 2] * z + cell_shift[0]
            v = to_cell[1, 0] * x + to_cell[1, 1] * y + to_cell[1, 2] * z + cell_shift[1]
            w = to_cell[2, 0] * x + to_cell[2, 1] * y + to_cell[2, 2] * z + cell_shift[2]
            u, v, w = min(max(u, 0.0), slices - 1.0), min(max(v, 0.0), rows - 1.0), min(max(w, 0.0), columns - 1.0)
            a, b, c = math.floor(u + 0.5), math.floor(v + 0.5), math.floor(w + 0.5)
            flat = (a * rows + b) * columns + c
            f, g, h = slope[flat, 0], slope[flat, 1], slope[flat, 2]
            value = distance[a, b, c] + (u - a) * f + (v - b) * g + (w - c) * h
            for i in range(3):
                row[3 + i] = f * turn[0, i] + g * turn[1, i] + h * turn[2, i]
            row[0], row[1], row[2] = q * row[5] - r * row[4], r * row[3] - p * row[5], p * row[4] - q * row[3]
            weight = 1.0 / (1.0 + (value / scale) ** 2) ** 2
            for i in range(6):
                side[i] += weight * row[i] * value
                for j in range(i + 1):
                    normal[i, j] += weight * row[i] * row[j]


@compiled("f8[2] f8[2] f8[1] f4[3] f8[1]! b1[1]!")
def look_up(points: Array, turn: Array, shift: Array, hu: Array, seen: Array, inside: Array) -> None:
    """Trilinear HU ``seen`` (N,) at the indices ``turn @ point + shift``, and whether they lie ``inside``.

    Beyond the outermost voxel centres the nearest value counts.
    """
    slices, rows, columns = hu.shape
    slack = 1e-6
    for n in range(points.shape[0]):
        x, y, z = points[n, 0], points[n, 1], points[n, 2]
        i = turn[0, 0] * x + turn[0, 1] * y + turn[0, 2] * z + shift[0]
        j = turn[1, 0] * x + turn[1, 1] * y + turn[1, 2] * z + shift[1]
        k = turn[2, 0] * x + turn[2, 1] * y + turn[2, 2] * z + shift[2]
        within = -slack <= i <= slices - 1 + slack and -slack <= j <= rows - 1 + slack
        inside[n] = within and -slack <= k <= columns - 1 + slack
        i, j, k = min(max(i, 0.0), slices - 1.0), min(max(j, 0.0), rows - 1.0), min(max(k, 0.0), columns - 1.0)
        a, b, c = math.floor(i), math.floor(j), math.floor(k)
        d, e, f = min(a + 1, slices - 1), min(b + 1, rows - 1), min(c + 1, columns - 1)
        u, v, w = i - a, j - b, k - c
        near = (1.0 - v) * ((1.0 - w) * hu[a, b, c] + w * hu[a, b, f])
        near += v * ((1.0 - w) * hu[a, e, c] + w * hu[a, e, f])
        far = (1.0 - v) * ((1.0 - w) * hu[d, b, c] + w * hu[d, b, f])
        far += v * ((1.0 - w) * hu[d, e, c] + w * hu[d, e, f])
        seen[n] = (1.0 - u) * near + u * far


@compiled("f8[2] f8[1] f8[1] f8[1] f8 f8[2]! f8[1]!")
def pull_of_greys(
    jacobian: Array, seen: Array, residual: Array, weight: Array, spread: float, normal: Array, side: Array
) -> None:
    """Normal equations (8, 8), (8,) of weighted residuals (N,) for a motion (``jacobian`` (N, 6)), gain and offset."""
    row = np.empty(8)
    row[7] = -1.0
    normal[:], side[:] = 0.0, 0.0
    for n in range(jacobian.shape[0]):
        if weight[n] == 0.0:
            continue
        row[:6] = jacobian[n]
        row[6] = -seen[n] / spread
        for i in range(8):
            weighted = weight[n] * row[i]
            side[i] += weighted * residual[n]
            for j in range(i + 1):
                normal[i, j] += weighted * row[j]
    for i in range(8):
        for j in range(i):
            normal[j, i] = normal[i, j]
