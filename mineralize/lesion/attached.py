"""Mineral that hangs on a bone: what stands out from where the shaft would be without it.

A lesion fused with bone is part of the skeleton's own mask and would never be offered. Along the axis of a long bone
its contour changes little within a few centimetres: at every place across, the median of the distance to bone over a
stretch of the shaft is what the shaft alone would give, as long as the lesion is shorter than half the stretch
(running median, Tukey 1977, Exploratory Data Analysis). Flares that only widen pass through it unchanged.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..base import Floats, Grid, sample
from ..bones import Bone, Skeleton, signed_distance

STRETCH_MM = 132.0
"""Length of shaft over which the median is taken: lesions up to half of it stand out."""
NEED_MM = 33.0
"""So much of the bone must be in view on either side; nearer to its end a flare cannot be told from a bulge."""
LEVEL_MM, ACROSS_MM = 3.0, 1.5
MARGIN_MM = 8.0
FAR_MM = 60.0


def beyond_shaft(skeleton: Skeleton) -> NDArray[np.float32]:
    """mm outside the shafts as they would be without a lesion, on the skeleton's grid.

    -60 wherever nothing can be said: away from long bones and near their ends.
    """
    result = np.full(skeleton.grid.shape, -FAR_MM, np.float32)
    for bone in skeleton.bones:
        if bone.tubular:
            _lay_in(result, skeleton, bone)
    return result


def _lay_in(result: NDArray[np.float32], skeleton: Skeleton, bone: Bone) -> None:
    own = skeleton.labels == bone.label
    grid = skeleton.grid
    corner = np.argwhere(own)
    low, high = corner.min(axis=0), corner.max(axis=0) + 1
    pad = np.ceil(MARGIN_MM / grid.spacing).astype(int)
    box = [(max(int(a - p), 0), min(int(b + p), n)) for a, b, p, n in zip(low, high, pad, grid.shape, strict=True)]
    cut = tuple(slice(a, b) for a, b in box)
    part = grid.cropped(box)
    field = signed_distance(own[cut], part)
    frame = np.vstack([bone.across, bone.axis])
    seen = (grid.to_world(corner) - bone.centre) @ frame.T
    margin = np.array([MARGIN_MM, MARGIN_MM, 0.0])
    first, last = seen.min(axis=0) - margin, seen.max(axis=0) + margin
    step = np.array([ACROSS_MM, ACROSS_MM, LEVEL_MM])
    counts = np.maximum(np.floor((last - first) / step).astype(int) + 1, 1)
    x, y, z = (first[k] + step[k] * np.arange(counts[k]) for k in range(3))
    local = np.stack(np.meshgrid(z, y, x, indexing="ij"), axis=-1)
    world = bone.centre + local[..., ::-1] @ frame
    expected = _running_median(sample(field, part, world, outside=FAR_MM), round(STRETCH_MM / 2 / LEVEL_MM))
    # Where too little of the shaft is in view on one side nothing is claimed.
    known = (z - z[0] >= NEED_MM) & (z[-1] - z >= NEED_MM)
    expected[~known] = -FAR_MM
    axes = np.stack([bone.axis * LEVEL_MM, bone.across[1] * ACROSS_MM, bone.across[0] * ACROSS_MM], axis=1)
    affine = np.eye(4)
    affine[:3, :3] = axes
    affine[:3, 3] = bone.centre + np.array([x[0], y[0], z[0]]) @ frame
    levels, rows, columns = (int(n) for n in expected.shape)
    back = Grid((levels, rows, columns), affine)
    index = np.argwhere(np.ones(part.shape, bool)) + [a for a, _ in box]
    value = sample(expected.astype(np.float32), back, grid.to_world(index), outside=-FAR_MM)
    at = tuple(index.T)
    # Where two bones have a say the nearer one counts, unless it has none.
    before = result[at]
    silent = before <= -FAR_MM + 1
    result[at] = np.where(silent, value, np.where(value <= -FAR_MM + 1, before, np.minimum(before, value)))


def _running_median(field: Floats, half: int) -> Floats:
    """Median over ``half`` levels to either side along the first axis, fewer at the ends."""
    result: Any = np.empty_like(field)
    for k in range(len(field)):
        window = field[max(k - half, 0) : k + half + 1]
        result[k] = np.median(window, axis=0)
    return np.asarray(result)
