"""A bone's surface as a map of heights over level and angle, filled where it is not seen.

Two ways: every angle carried along the shaft for itself, and the map that bends least (the smoothing of Whittaker 1923,
10.1017/S0013091500077853, in two directions). Maps are (L, A): level along the shaft, angle around it, the last angle
next to the first; weights, of the same shape, are 0 where nothing is known.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.linalg import solveh_banded

from ..base import Floats, frozen

STIFF_ALONG, STIFF_ACROSS = 60.0, 0.6
"""Bending stiffness along the shaft and around it: ridges run along the shaft."""
CARRIED_CELLS = 3.0
"""Levels over which the section of a shaft is averaged before it is carried along it."""


def carried_along(value: Floats, weight: Floats) -> Floats:
    """The map with every angle for itself: weighted values kept, steps between levels least.

    Between free levels it runs straight, beyond the last one it stays as it is there.
    """
    levels, angles = value.shape
    step = CARRIED_CELLS**2
    band = np.zeros((2, angles, levels))
    band[0] = weight.T + 1e-9 + 2 * step
    band[0, :, [0, -1]] -= step
    band[1, :, :-1] = -step
    found = solveh_banded(
        band.reshape(2, -1), (weight * value).T.ravel(), overwrite_ab=True, lower=True, check_finite=False
    )
    result = found.reshape(angles, levels).T
    # An angle without a single free level knows nothing of its own.
    known = weight.sum(axis=0) > 0.5
    result[:, ~known] = 0.0
    return np.asarray(result if known.all() else np.where(known, result, bend(result, weight)))


def bend(value: Floats, weight: Floats) -> Floats:
    """The map that keeps the weighted values and bends least."""
    stiffness, place = _stiffness(*value.shape)
    system = stiffness.copy()
    system[0, place] += weight.ravel() + 1e-9
    right = np.empty(value.size)
    right[place] = (weight * value).ravel()
    found = solveh_banded(system, right, overwrite_ab=True, overwrite_b=True, lower=True, check_finite=False)
    return np.asarray(found[place].reshape(value.shape))


@lru_cache(maxsize=4)
def _stiffness(levels: int, angles: int) -> tuple[Floats, NDArray[np.intp]]:
    """What bending along the shaft and around it costs, over all cells of a map of that size.

    A symmetric matrix as its lower band, and the place in it of every cell: levels one after the other, and within a
    level angles of either turn side by side, so that the first and the last lie close together too.
    """
    across = sparse.eye(angles) * -2 + sparse.eye(angles, k=1) + sparse.eye(angles, k=-1)
    across = sparse.lil_matrix(across)
    across[0, angles - 1] = across[angles - 1, 0] = 1
    along = sparse.diags([1.0, -2.0, 1.0], [0, 1, 2], shape=(levels - 2, levels))
    bend_along = sparse.kron(along, sparse.eye(angles))
    bend_across = sparse.kron(sparse.eye(levels), across.tocsr())
    whole = STIFF_ALONG * (bend_along.T @ bend_along) + STIFF_ACROSS * (bend_across.T @ bend_across)
    turn = np.arange(angles)
    folded = np.where(2 * turn < angles, 2 * turn, 2 * (angles - turn) - 1)
    place = (np.arange(levels)[:, None] * angles + folded).ravel()
    cells = whole.tocoo()
    row, column = place[cells.row], place[cells.col]
    lower = row >= column
    row, column = row[lower], column[lower]
    band = np.zeros((int((row - column).max()) + 1, len(place)))
    np.add.at(band, (row - column, column), cells.data[lower])
    return frozen(band), frozen(place)
