"""HU per mg/cm3 of one scan from calibration rods that lie in it.

A straight line is laid through the rods' HU over their hydroxyapatite density, weighted by their standard errors
(as quantitative CT does with its rods: Cann 1988, Radiology 166:509; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..base import MAD_TO_SD, CaseFileError, Floats, Rod, Volume
from .cubes import CUBE_MM3, LEAST_MM3

INNER_MM = 1.5
"""So much of a rod's edge is left out, and at its ends at least a slice: blur mixes it with what lies around."""
PLACE_DOUBT = 0.03
"""Relative 95 % half-width of what a rod says about a lesion elsewhere in the field: beam hardening differs with place
and thickness, and rods are made to about 1 % (common practice, no source)."""
LEAST_VOXELS = 30
"""Fewer voxels clear of a rod's edge make no reading."""
SPREAD_PER_NOISE, SPREAD_PER_SPAN = 1.5, 0.02
"""A rod whose voxels vary by more than so many times the noise and such a share of the rods' range holds something else
(own judgement)."""
UNEVEN_SHARE, LEAST_UNEVEN_HU = 0.04, 8.0
"""... and one whose ends or sides differ by more than this share of the range, and so much (own judgement)."""
OFF_ERRORS, OFF_SHARE = 3.0, 0.03
"""A rod lies off the line from so many standard errors and such a share of the range on (own judgement)."""
OUTLIER = 3.0
"""Robust standard deviations beyond which a voxel does not count."""
LEAST_ERROR_HU = 0.5
"""No mean counts as known better."""


@dataclass(frozen=True)
class RodReading:
    """Robust mean HU of a rod's inner part, its standard error, the spread of single voxels and of its parts."""

    mean_hu: float
    standard_error_hu: float
    spread_hu: float
    uneven_hu: float


@dataclass(frozen=True)
class RodFit:
    """``slope`` HU per mg/cm3, its relative 95 % half-width, and what speaks against it, in words."""

    slope: float
    uncertainty: float
    water_hu: float
    readings: tuple[RodReading, ...]
    doubts: tuple[str, ...]


def fit_rods(
    volume: Volume, rods: Sequence[Rod], *, slice_mm: float, noise_hu: float, noise_4mm_hu: float, where: str
) -> RodFit:
    """Slope of a scan from two or more rods of different density.

    Parameters
    ----------
    slice_mm : slice thickness, so much of a rod's end is left out where it points along the slices.
    noise_hu, noise_4mm_hu : standard deviation of single voxels and of means over 4 mm cubes.
    where : what to call the place in messages, such as ``calibration of scan 2``.

    Raises
    ------
    CaseFileError
        when a rod's inner part holds too few voxels.
    """
    readings: list[RodReading] = []
    for number, rod in enumerate(rods, 1):
        values, along, across = _inner(volume, rod, slice_mm)
        if len(values) < LEAST_VOXELS:
            raise CaseFileError(
                f"{where}: rod {number} holds too few voxels clear of its edge; give length_mm and radius_mm of the "
                "rod itself, or leave the rods out"
            )
        readings.append(_read(values, along, across, volume.grid.voxel_volume_mm3, noise_4mm_hu))
    density = np.array([rod.mg_cm3 for rod in rods])
    hu = np.array([r.mean_hu for r in readings])
    error = np.array([r.standard_error_hu for r in readings])
    slope, water, slope_error = _line(density, hu, error)
    residual = hu - (water + slope * density)
    span = float(np.ptp(hu))
    doubts: list[str] = []
    for number, (reading, off) in enumerate(zip(readings, residual, strict=True), 1):
        if reading.spread_hu > SPREAD_PER_NOISE * noise_hu + SPREAD_PER_SPAN * span:
            doubts.append(f"rod {number} varies by {reading.spread_hu:.0f} HU where noise makes {noise_hu:.0f}")
        elif reading.uneven_hu > max(UNEVEN_SHARE * span, LEAST_UNEVEN_HU):
            doubts.append(f"the ends or sides of rod {number} differ by {reading.uneven_hu:.0f} HU")
        if len(rods) > 2 and abs(off) > max(OFF_ERRORS * reading.standard_error_hu, OFF_SHARE * span):
            doubts.append(f"rod {number} lies {off:+.0f} HU off the line through the rods")
    relative = 2.0 * slope_error / abs(slope) if slope else float("inf")
    return RodFit(slope, float(np.hypot(relative, PLACE_DOUBT)), water, tuple(readings), tuple(doubts))


def _inner(volume: Volume, rod: Rod, slice_mm: float) -> tuple[Floats, Floats, Floats]:
    """HU (N,) of the voxels inside a rod and clear of its edge, their place along it (N,) and across it (N,), mm."""
    axis, centre = np.asarray(rod.axis), np.asarray(rod.centre)
    upright = abs(float(axis @ volume.grid.directions[:, 0]))
    end = max(INNER_MM, upright * slice_mm)
    edge = max(INNER_MM, float(np.sqrt(max(1.0 - upright**2, 0.0))) * slice_mm)
    ends = centre + np.array([[-0.5], [0.5]]) * rod.length_mm * axis
    part = volume.around(ends, rod.radius_mm + 1.0)
    offset = part.grid.world_of_all() - centre
    along = offset @ axis
    beside = offset - along[..., None] * axis
    distance = np.linalg.norm(beside, axis=-1)
    inside: NDArray[np.bool_] = (distance <= rod.radius_mm - edge) & (np.abs(along) <= 0.5 * rod.length_mm - end)
    sideways = np.cross(axis, volume.grid.directions[:, int(np.argmin(np.abs(axis @ volume.grid.directions)))])
    return np.asarray(part.hu[inside], float), along[inside], (beside @ sideways)[inside]


def _read(values: Floats, along: Floats, across: Floats, voxel_mm3: float, noise_4mm_hu: float) -> RodReading:
    middle = float(np.median(values))
    width = MAD_TO_SD * float(np.median(np.abs(values - middle)))
    kept = np.abs(values - middle) <= max(OUTLIER * width, 1.0)
    mean = float(values[kept].mean())
    volume_mm3 = float(kept.sum()) * voxel_mm3
    error = float(np.hypot(noise_4mm_hu * np.sqrt(CUBE_MM3 / max(volume_mm3, LEAST_MM3)), LEAST_ERROR_HU))
    uneven = 0.0
    for place in (along, across):
        low, high = place < np.percentile(place, 34), place > np.percentile(place, 66)
        if low.sum() >= 10 and high.sum() >= 10:
            expected = (
                3.0
                * noise_4mm_hu
                * float(np.sqrt(CUBE_MM3 / max(float(min(low.sum(), high.sum())) * voxel_mm3, LEAST_MM3)))
            )
            uneven = max(uneven, abs(float(np.median(values[high]) - np.median(values[low]))) - expected)
    return RodReading(mean, error, float(values.std()), uneven)


def _line(density: Floats, hu: Floats, error: Floats) -> tuple[float, float, float]:
    """(slope, intercept, standard error of the slope) of weighted least squares; widened where the rods scatter."""
    design = np.stack([density, np.ones_like(density)], axis=1) / error[:, None]
    covariance = np.linalg.inv(design.T @ design)
    slope, water = covariance @ design.T @ (hu / error)
    free = len(hu) - 2
    scatter = float((((hu - water - slope * density) / error) ** 2).sum()) / free if free > 0 else 1.0
    return float(slope), float(water), float(np.sqrt(covariance[0, 0] * max(scatter, 1.0)))
