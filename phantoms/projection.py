"""A scan from its projections: path lengths, a polychromatic beam, noise, and filtered back projection.

Parallel rays over half a turn. Not modelled: scatter, the fan and the helix, dose that follows the patient,
corrections for bone. Path lengths are exact for squares of uniform tissue.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage, sparse
from skimage import transform

from .physics import Array
from .spectrum import Beam, Scale

FINE = 2
"""Squares of tissue and rays per pixel and per detector cell, along each axis."""


@dataclass(frozen=True)
class Machine:
    """A field of ``pixels`` x ``pixels`` of ``pixel_mm``; as many detector cells, which are as wide.

    ``focus_sd_mm`` is the standard deviation of the focal spot seen at the axis; ``photons`` are sent per cell and
    view through air. The cell's width is an aperture of its own.
    """

    pixels: int = 192
    pixel_mm: float = 0.75
    views: int = 320
    focus_sd_mm: float = 0.3
    photons: float = 1.0e5

    @property
    def angles(self) -> Array:
        """Degrees."""
        return np.arange(self.views) * (180.0 / self.views)

    def fine_mm(self) -> Array:
        """(FINE * pixels,) place in mm of fine squares, or fine rays, from the axis (centre of pixel n // 2)."""
        n = self.pixels
        return ((np.arange(n * FINE) + 0.5) / FINE - 0.5 - n // 2) * self.pixel_mm


def _below(t: Array, flat: float, foot: float) -> Array:
    """Share of a square's projection below ``t``: a trapezoid, flat to +-``flat`` and 0 beyond +-``foot``."""
    a = np.minimum(np.abs(t), foot)
    area = flat + foot
    rest = foot - a
    tail = np.where(a > flat, rest * rest / max(2 * (foot - flat), 1e-9), (foot - flat) / 2 + flat - a)
    return np.asarray(np.where(t < 0, tail, area - tail) / area)


def path_lengths(machine: Machine, squares: Array, maps: Array) -> Array:
    """Path lengths in cm of (views, fine rays, columns).

    Parameters
    ----------
    squares : (N,) flat indices (row-major) of fine squares.
    maps : (N, columns) share of each square that is of a material; columns are materials and slices.
    """
    size = machine.pixels * FINE
    step = machine.pixel_mm / FINE
    at = machine.fine_mm()
    row, column = at[squares // size], at[squares % size]
    out = np.zeros((machine.views, size, maps.shape[1]), np.float32)
    starts = np.arange(0, 3 * len(squares) + 1, 3)
    for view, angle in enumerate(np.radians(machine.angles)):
        c, s = abs(np.cos(angle)), abs(np.sin(angle))
        flat, foot = step * abs(c - s) / 2, step * (c + s) / 2
        place = column * np.cos(angle) - row * np.sin(angle)
        first = np.floor((place - foot - at[0]) / step + 0.5).astype(np.int32)
        edge = at[0] + (first - 0.5) * step - place
        one, two = _below(edge + step, flat, foot), _below(edge + 2 * step, flat, foot)
        # a square of side h spread over rays of width h: its mean path is h times the share of its area
        weight = (np.stack([one, two - one, 1 - two], axis=1) * (step / 10)).astype(np.float32)
        rays = first[:, None] + np.arange(3, dtype=np.int32)
        weight[(rays < 0) | (rays >= size)] = 0
        spread = sparse.csc_matrix(
            (weight.ravel(), np.clip(rays, 0, size - 1).ravel(), starts), shape=(size, len(squares))
        )
        out[view] = spread @ maps
    return out


def measured(
    machine: Machine, source: Beam, optical_depth: Array, lengths: Array, rng: np.random.Generator | None
) -> Array:
    """Path integrals (views, cells, slices) as a detector that integrates energy reports them.

    Intensities, not path lengths, are averaged over the focal spot, the cell's width and the parts of a slice.

    Parameters
    ----------
    optical_depth : (materials, energies) 1/cm.
    lengths : (views, fine rays, materials, slices, parts) cm.
    rng : for photon noise; without it there is none.
    """
    views, rays, _, slices, parts = lengths.shape
    open_energy = float(source.photons @ source.kev)
    sd = machine.focus_sd_mm * FINE / machine.pixel_mm
    depth = optical_depth.astype(np.float32)
    photons = source.photons.astype(np.float32)
    weights = np.stack([photons * source.kev, photons * source.kev**2], axis=1).astype(np.float32)
    out = np.empty((views, rays // FINE, slices), np.float32)
    for view in range(views):
        cut = np.moveaxis(lengths[view], 1, -1).reshape(rays * slices * parts, -1)
        seen = np.empty((len(cut), 2), np.float32)
        seen[:] = weights.sum(axis=0)
        hit = np.flatnonzero(cut.any(axis=1))
        seen[hit] = np.exp(-(cut[hit] @ depth)) @ weights
        both = seen.reshape(rays, slices, parts, 2).mean(axis=2)
        both = ndimage.gaussian_filter1d(both, sd, axis=0, mode="nearest")
        both = both.reshape(rays // FINE, FINE, slices, 2).mean(axis=1)
        energy, square = both[..., 0], both[..., 1]
        if rng is not None:
            # a compound Poisson sum over the energies: photons are many, so its normal limit
            energy = energy + rng.standard_normal(energy.shape, dtype=np.float32) * np.sqrt(square / machine.photons)
        out[view] = np.log(open_energy) - np.log(np.maximum(energy, 1e-4 * open_energy))
    return out


def reconstructed(machine: Machine, path: Array, scale: Scale, window: str) -> Array:
    """float32 HU [slice, row, column], water being 0, from path integrals (views, cells, slices).

    ``window`` is the apodisation of the ramp by the name it has in ``skimage.transform.iradon``.
    """
    water = scale.water_cm(path.astype(float))
    out = np.empty((path.shape[2], machine.pixels, machine.pixels), np.float32)
    for k in range(path.shape[2]):
        share = transform.iradon(water[..., k].T, machine.angles, filter_name=window, circle=True)
        out[k] = (share / (machine.pixel_mm / 10) - 1) * 1000
    return out


def disc_chords(machine: Machine, centre: tuple[float, float], radius: float) -> Array:
    """(views, fine rays) cm through a disc in closed form; ``centre`` is (row, column) mm from the axis."""
    angle = np.radians(machine.angles)[:, None]
    off = machine.fine_mm() - (centre[1] * np.cos(angle) - centre[0] * np.sin(angle))
    return np.asarray(2 * np.sqrt(np.maximum(radius**2 - off**2, 0)) / 10)
