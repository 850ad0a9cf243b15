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
