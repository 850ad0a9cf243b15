"""Where along the normals of a soft surface its edge shows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..base import MAD_TO_SD, Floats, sample
from ..surface import (
    RayMesh,
    smoothing_matrix,
)
from .near import Neighbourhood
from .region import MOST_SQUARES

Lines = tuple[tuple[float, slice], ...]
"""Shares of the way from the middle to the surface, and columns of ``OFFSETS`` from there."""
VISIBLE = 4.0
"""A step across the surface counts as seen from so many standard deviations of the steps met within the lesion: the
lower part of the range of 3 to 7 of Rose 1948 (J Opt Soc Am 38:196), common practice for one place of many."""
PATCH_MM = 2.0
"""Profiles are averaged over about this far on each side along the surface."""
OFFSETS = np.arange(-5.0, 5.01, 0.5)
WITHIN: Lines = ((0.4, slice(4, 9)), (0.5, slice(8, 13)))
"""Where steps are met within the lesion, however small: shares of the way to its surface, and columns of ``OFFSETS``
from there (-3 to -1 mm, and -1 to 1 mm). The first lines meet in the middle, where what noise does counts as often as
there are lines; the second may run along the blur of mineral. Noise itself shows in both, so the quieter counts."""
WITHIN_AROUND_MINERAL: Lines = ((0.7, slice(6, 11)), (1.4, slice(8, 13)), (1.6, slice(8, 13)))
"""... where the middle is mineral, whose blur and faint outer part would pass for noise: beyond the mass as well."""
LEAST_NOISE_HU = 0.3
"""What a noiseless scan lacks of it."""
FADES_MM, MEETS_MM, BONE_AHEAD_MM, LEAST_KNOWN = 4.0, 1.5, 1.5, 0.2
"""Distance from the surface at which a step counts nothing; half height is taken for the edge where it lies so near to
the step; bone so far ahead is the edge; and least share of known values that an average is made of (own judgement)."""
INSIDE_OFFSETS = slice(4, 8)
"""-3 to -1.5 mm."""
JUST_OUTSIDE = slice(12, 17)
"""1 to 3.5 mm: a fat plane with muscle behind it may be no step on average, but differs."""


@dataclass(frozen=True)
class Tissues:
    """Smoothed HU of the lesion, what differs from it above and below, and the standard deviation of all three."""

    inside_hu: float
    brighter_hu: float
    darker_hu: float
    spread_hu: float
    like_muscle: bool

    def evidence(self, soft: Floats) -> Floats:
        """Positive where a value looks more like the outside: truncated squared distances (Chan and Vese 2001)."""
        within = np.minimum(((soft - self.inside_hu) / self.spread_hu) ** 2, MOST_SQUARES)
        away = np.minimum(
            (np.minimum(np.maximum(self.brighter_hu - soft, 0.0), np.maximum(soft - self.darker_hu, 0.0))) ** 2
            / self.spread_hu**2,
            MOST_SQUARES,
        )
        return np.asarray(np.where(np.isfinite(soft), within - away, 0.0))


def first_bone(near: Neighbourhood, centre: Floats, stretch: Floats) -> Floats:
    """(N,) relative radius at which each ray meets bone; inf where it does not."""
    levels = np.linspace(0.3, 1.8, 150)
    inside = near.bone_at(centre + levels[None, :, None] * stretch[:, None, :]) < 0.0
    return np.asarray(np.where(inside.any(axis=1), levels[inside.argmax(axis=1)], np.inf))


def shift_to_edge(
    near: Neighbourhood,
    soft: NDArray[Any],
    tissues: Tissues,
    vertices: Floats,
    normals: Floats,
    *,
    mesh: RayMesh,
    centre: Floats,
    within: Lines = WITHIN,
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """(V,) mm outward to the edge, weight of that, and whether a step is seen."""
    values = _profiles(near, soft, vertices, normals, mesh, fill=tissues.inside_hu)
    steps = _steps(values)
    noise = min(
        _noise_within(near, soft, tissues, centre + share * (vertices - centre), normals, mesh=mesh, columns=columns)
        for share, columns in within
    )
    window = np.abs(OFFSETS) <= 2.0
    size = np.where(window[None, :], np.abs(steps) * (1.0 - np.abs(OFFSETS) / FADES_MM), 0.0)
    best = size.argmax(axis=1)
    rows = np.arange(len(vertices))
    apart = values - np.median(values[:, INSIDE_OFFSETS], axis=1)[:, None]
    beyond = np.abs(0.5 * (apart[:, :-1] + apart[:, 1:]))[:, JUST_OUTSIDE].max(axis=1)
    seen = (size[rows, best] > VISIBLE * noise) | (beyond > (VISIBLE + 1.0) * noise)
    outer = values[rows[:, None], np.minimum(best[:, None] + np.array([4, 5]), len(OFFSETS) - 1)].mean(axis=1)
    inner = values[rows[:, None], np.maximum(best[:, None] - np.array([4, 5]), 0)].mean(axis=1)
    half = 0.5 * (inner + outer)
    side = np.sign(outer - inner)[:, None] * (values - half[:, None])
    crossing = (side[:, :-1] < 0) & (side[:, 1:] >= 0)
    middle = 0.5 * (OFFSETS[:-1] + OFFSETS[1:])
    far = np.where(crossing, np.abs(middle[None, :] - OFFSETS[best][:, None]), np.inf)
    at = far.argmin(axis=1)
    low, high = side[rows, at], side[rows, at + 1]
    exact = OFFSETS[at] + 0.5 * np.clip(-low / np.maximum(high - low, 1e-6), 0.0, 1.0)
    shift = np.where(far[rows, at] < MEETS_MM, exact, OFFSETS[best])
    bone = near.bone_at(vertices + BONE_AHEAD_MM * normals) < 0.5
    weight = np.where(seen & ~bone, np.minimum(size[rows, best] / (10.0 * noise), 1.0), 0.0)
    return shift, weight, seen | bone


def _noise_within(
    near: Neighbourhood,
    soft: NDArray[Any],
    tissues: Tissues,
    places: Floats,
    normals: Floats,
    *,
    mesh: RayMesh,
    columns: slice,
) -> float:
    """Standard deviation (HU) of the steps met from places within the lesion (V, 3)."""
    within = _steps(_profiles(near, soft, places, normals, mesh, fill=tissues.inside_hu))
    return MAD_TO_SD * float(np.median(np.abs(within[:, columns]))) + LEAST_NOISE_HU


def averaged(values: Floats, mesh: RayMesh, passes: int) -> Floats:
    step = smoothing_matrix(len(values), mesh.edges)
    for _ in range(passes):
        values = step @ values
    return values


def _profiles(
    near: Neighbourhood, soft: NDArray[Any], vertices: Floats, normals: Floats, mesh: RayMesh, *, fill: float
) -> Floats:
    """(V, offsets) smoothed HU along the outward normals, averaged over some ``PATCH_MM`` where known."""
    a, b = vertices[mesh.edges[:, 0]], vertices[mesh.edges[:, 1]]
    apart = float(np.median(np.linalg.norm(a - b, axis=1)))
    passes = int(np.clip(round((PATCH_MM / apart) ** 2), 1, 40))
    values = sample(soft, near.grid, vertices[:, None, :] + OFFSETS[None, :, None] * normals[:, None, :])
    known = np.isfinite(values)
    total = averaged(np.where(known, values, 0.0), mesh, passes)
    share = averaged(known.astype(float), mesh, passes)
    return np.asarray(np.where(share > LEAST_KNOWN, total / np.maximum(share, LEAST_KNOWN), fill))


def _steps(values: Floats) -> Floats:
    """(V, offsets) mean of 0.5-2 mm beyond less that of 0.5-2 mm before each offset; 0 where either is not covered."""
    summed = np.cumsum(np.pad(values, ((0, 0), (1, 0))), axis=1)
    mean = (summed[:, 4:] - summed[:, :-4]) / 4.0
    steps = np.zeros_like(values)
    steps[:, 4:-4] = mean[:, 5:] - mean[:, :-5]
    return steps
