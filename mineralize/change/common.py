"""The covariance of one quantity's log values over the scans of a case: what two scans have in common is in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np

from ..base import Floats
from ..measure import Measurement
from ..timeline import Timeline, differences
from .interval import half_widths
from .verdict import CAUTION_FACTOR

Z95 = 1.959964
LEAST_LOG_SD = 0.01
"""No value counts as known better than to one percent on the log scale."""


def log_covariance(timeline: Timeline, rows: Sequence[Measurement]) -> Floats:
    """``(scans, scans)`` covariance of the log values of rows that all have a value above zero.

    The variance of a difference of logs is that of the relative difference (``half_widths`` of the rows, each divided
    by its own value); the covariance follows from it and the variances of the two. A value given with caution counts
    with an interval twice as wide.
    """
    shares = [_divided(row) for row in rows]
    size = len(rows)
    sd = np.array(
        [max((s.high - s.low) / (2 * Z95), LEAST_LOG_SD) for s in shares if s.high is not None and s.low is not None]
    )
    held = np.diag(sd**2)
    for i, j in combinations(range(size), 2):
        unlike = frozenset(differences(timeline.scan(rows[i].scan), timeline.scan(rows[j].scan)))
        down, up = half_widths(shares[i], shares[j], unlike)
        apart = ((down + up) / (2 * Z95)) ** 2
        most = 0.98 * sd[i] * sd[j]
        held[i, j] = held[j, i] = float(np.clip(0.5 * (sd[i] ** 2 + sd[j] ** 2 - apart), 0.0, most))
    wider = np.array([CAUTION_FACTOR if row.trust == "caution" else 1.0 for row in rows])
    held *= wider[:, None] * wider[None, :]
    # Pairs are judged one by one; together they may ask for more in common than there is.
    values, vectors = np.linalg.eigh(held)
    floor = 0.02 * float(values.max())
    mended: Floats = (vectors * np.maximum(values, floor)) @ vectors.T
    return mended


def _divided(row: Measurement) -> Measurement:
    """The row with everything in shares of its value."""
    v = row.value
    assert v is not None
    assert v > 0
    low = v if row.low is None else row.low
    high = v if row.high is None else row.high
    parts = None if row.parts is None else {name: (d / v, u / v) for name, (d, u) in row.parts.items()}
    return replace(row, value=1.0, low=low / v, high=high / v, parts=parts)
