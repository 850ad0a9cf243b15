"""Pieces over the threshold that noise alone makes: fields of noise of known spectrum, and balls of known mineral."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from analytic_shell import SOFT_HU, ellipsoid_outline, reference
from scipy import ndimage

from mineralize.base import Grid, Settings, Volume
from mineralize.lesion import neighbourhood
from mineralize.lesion.specks import beyond_noise, noise_around
from mineralize.measure import measure_scan

SLOPE_120 = 1.369
"""HU per mg/cm3 at 120 kVp (ICRU-44 tissues, xraylib and spekpy, 2.5 + 6 mm Al)."""
RADII = (20.0, 20.0, 22.0)
VOXELS = {"coarse": (3.27, 0.98, 0.98), "fine": (1.0, 0.6, 0.6)}


def noise_field(seed: int, sd: float, spacing: Any, ramp: bool) -> Any:
    """Noise of ``sd`` HU: white in plane blurred over a pixel, or with the ramp of filtered back projection
    (power rising with frequency before the kernel's fall; Riederer 1978, Phys Med Biol 23:446, from memory)."""
    shape = tuple(int(np.ceil(70.0 / h)) for h in spacing)
    made = np.random.default_rng(seed).normal(size=shape)
    if ramp:
        fy, fx = np.fft.fftfreq(shape[1], spacing[1])[:, None], np.fft.rfftfreq(shape[2], spacing[2])[None, :]
        f = np.hypot(fy, fx)
        weight = np.sqrt(f + 0.02) * np.exp(-((np.pi * f * 0.55) ** 2))
        made = np.fft.irfft2(np.fft.rfft2(made) * weight, s=shape[1:])
    else:
        made = ndimage.gaussian_filter(made, (0.0, 0.7, 0.7))
    return made * sd / made.std()


def scan(hu: Any, spacing: Any) -> Volume:
    origin = tuple(-0.5 * (n - 1) * h for n, h in zip(hu.shape[::-1], spacing[::-1], strict=True))
    return Volume(np.asarray(hu, np.float32), Grid.from_parts(hu.shape, spacing, origin))


def rows_of(hu: Any, spacing: Any, told_sd: float) -> dict[str, Any]:
    """What is measured in an outline given, where the scan as a whole is said to have noise of ``told_sd``."""
    volume = scan(hu, spacing)
    ref = replace(reference(volume, noise=told_sd), noise_4mm_hu=told_sd / 4.0)
    near = neighbourhood(volume, None, ref)
    return {r.quantity: r for r in measure_scan(near, ref, ellipsoid_outline(RADII), Settings(), volume).rows}


@pytest.mark.parametrize("spacing", VOXELS.values(), ids=VOXELS)
@pytest.mark.parametrize("ramp", [True, False])
def test_noise_alone_makes_no_mineral(spacing: Any, ramp: bool) -> None:
    """30 HU of noise around muscle: a mass of zero, said so, with an interval from 0; the scan as a whole may be
    quieter than where the lesion lies."""
    for seed in (1, 2, 3):
        found = rows_of(SOFT_HU + noise_field(seed, 30.0, spacing, ramp), spacing, told_sd=18.0)
        mass, volume = found["mineral_mass"], found["mineral_volume"]
        assert (mass.value, mass.low, volume.value) == (0.0, 0.0, 0.0), seed
        assert mass.trust != "withheld"
        assert "no mineral beyond noise" in mass.reason
        assert mass.high is not None
        assert 0.0 < mass.high < 60.0


@pytest.mark.parametrize("spacing", VOXELS.values(), ids=VOXELS)
def test_false_pieces_are_rare_and_true_ones_stay(spacing: Any) -> None:
    """Of 16 fields of 30 HU hardly any holds a piece; a ball of 5 mm with 300 mg/cm3, 20 mg, is always one."""
    voxel = float(np.prod(spacing))
    false = 0
    for seed in range(16):
        hu = SOFT_HU + noise_field(100 + seed, 30.0, spacing, ramp=bool(seed % 2))
        volume = scan(hu, spacing)
        noise = noise_around(hu, np.ones(hu.shape, bool), volume.grid, reference(volume, noise=10.0))
        world = volume.grid.world_of_all()
        ball = np.linalg.norm(world - np.array([3.1, -2.2, 1.3]), axis=-1) < 2.5
        share = ndimage.gaussian_filter(ball.astype(float), (0.0, 0.5 / spacing[1], 0.5 / spacing[2]))
        for mineral in (False, True):
            seen = hu + share * SLOPE_120 * 300.0 if mineral else hu
            labels, count = ndimage.label(seen >= 150.0, np.ones((3, 3, 3)))
            kept = beyond_noise(
                seen, labels, count, base_hu=SOFT_HU, noise=noise, scale=1.0, searched_mm3=hu.size * voxel
            )
            if mineral:
                assert kept[np.unique(labels[ball & (labels > 0)])].any(), seed
            else:
                false += bool(kept.any())
    assert false <= 1
