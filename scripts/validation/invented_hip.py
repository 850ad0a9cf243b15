"""A scan of an invented hip, made of analytic solids: a bone whose sections are no ring around a line.

The wing is a plate of 6 to 14 mm, bent both ways; below it lie the socket, the head of the femur within it, and a seat
bone that runs down and back. Cortex 1.5 mm, trabecular bone within. Sizes are those of an adult's, from memory.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import ndimage

Floats = Any
SHAPE, SPACING = (64, 180, 180), (3.27, 0.977, 0.977)
KVP = 140.0
MUSCLE_HU, FAT_HU, CORTEX_HU, MARROW_HU = 55.0, -100.0, 1150.0, 260.0
CORTEX_MM = 1.5
BLUR_MM = 0.8
NOISE_HU = 14.0
PARTS = (3, 2, 2)
"""Samples of a slice and of a pixel's sides."""


def invented_hip(seed: int = 0) -> Floats:
    """int16 HU (slices, rows, columns) at `SPACING`, slices from below upwards."""
    rng = np.random.default_rng(seed)
    axes = [
        ((np.arange(n * p) + 0.5) / p - 0.5 - (n - 1) / 2) * s for n, p, s in zip(SHAPE, PARTS, SPACING, strict=True)
    ]
    y, x = np.meshgrid(axes[1], axes[2], indexing="ij")
    sigma = BLUR_MM * np.array(PARTS[1:]) / np.array(SPACING[1:])
    hu = np.zeros(SHAPE, np.float32)
    for k, z in enumerate(axes[0]):
        layer = np.where((x / 95) ** 2 + (y / 88) ** 2 < 1, FAT_HU, -1000.0)
        layer = np.where((x / 80) ** 2 + (y / 72) ** 2 < 1, MUSCLE_HU, layer)
        plane = np.abs(x - 22 - 6 * np.sin(y / 17) - 0.1 * z) < 0.7  # a plane of fat between the muscles of the buttock
        layer = np.where(plane & (layer == MUSCLE_HU), FAT_HU, layer)
        deep = bone_depth(x, y, np.full_like(x, z))
        layer = np.where(deep > 0, CORTEX_HU, layer)
        layer = np.where(deep > CORTEX_MM, MARROW_HU, layer)
        hu[k // PARTS[0]] += ndimage.gaussian_filter(layer, sigma)[::2, ::2] / PARTS[0]
    noise = ndimage.gaussian_filter(rng.normal(size=SHAPE), (0.3, 0.7, 0.7))
    return np.rint(np.clip(hu + NOISE_HU * noise / noise.std(), -1024, 3071)).astype(np.int16)


def bone_depth(x: Floats, y: Floats, z: Floats) -> Floats:
    """About how deep (mm) places lie in bone, negative outside; x outward, y backward, z up."""
    middle = -8.0 + 0.006 * (y - 5) ** 2 + 0.003 * (z - 20) ** 2 + 0.12 * (z - 20)
    steep = np.sqrt(1 + (0.012 * (y - 5)) ** 2 + (0.006 * (z - 20) + 0.12) ** 2)
    half = 3.0 + 4.0 / (1 + np.exp((z + 8) / 6))
    wing = half - np.abs(x - middle) / steep
    border = 1 - np.sqrt(((y - 5) / 50) ** 2 + ((z - 20) / 62) ** 2)
    wing = np.minimum(wing, 50 * border)
    head = np.array([8.0, -8.0, -48.0])
    off = np.sqrt((x - head[0]) ** 2 + (y - head[1]) ** 2 + (z - head[2]) ** 2)
    cup = np.minimum(np.minimum(off - 25.5, 33.0 - off), head[0] + 10 - x)
    seat = _rod(x, y, z, (-6.0, 14.0, -40.0), (-10.0, 34.0, -100.0), 11.0)
    femur = np.maximum(23.0 - off, _rod(x, y, z, (8, -8, -48), (46, 0, -66), 13.0))
    femur = np.maximum(femur, _rod(x, y, z, (46, 0, -60), (44, 0, -140), 15.0))
    return np.maximum.reduce([wing, cup, seat, femur])


def _rod(x: Floats, y: Floats, z: Floats, start: Any, end: Any, radius: float) -> Floats:
    a, b = np.asarray(start, float), np.asarray(end, float)
    way = b - a
    at = np.stack([x - a[0], y - a[1], z - a[2]], axis=-1)
    share = np.clip(at @ way / (way @ way), 0, 1)
    return radius - np.linalg.norm(at - share[..., None] * way, axis=-1)
