"""The shortest way through what is dense: held against skimage's from every start voxel."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage
from skimage.graph import MCP_Geometric

from mineralize.base import Grid
from mineralize.bones.sparse import _through

SPACING = (1.6, 0.7, 0.9)


@pytest.mark.parametrize("seed", range(12))
def test_starts_within_others_are_not_needed(seed: int) -> None:
    """Blobs of noise as what is dense, some of them and voxels beside them as starts; to the last digit."""
    rng = np.random.default_rng(seed)
    shape = (14, 25, 22)
    dense = ndimage.gaussian_filter(rng.normal(size=shape), 1.2) > 0.02
    start = dense & (ndimage.gaussian_filter(rng.normal(size=shape), 2.5) > 0.03)
    start[0, 0, 0] = True
    cost = np.where(dense | start, 1.0, -1.0)
    plain, _ = MCP_Geometric(cost, sampling=SPACING).find_costs(np.argwhere(start))
    found = _through(dense, start, Grid.from_parts(shape, SPACING, (0.0, 0.0, 0.0)))
    np.testing.assert_array_equal(found, plain)
    assert np.isfinite(found[dense & ~start]).any()


def test_starts_with_nothing_around_lead_nowhere() -> None:
    start = np.zeros((5, 5, 5), bool)
    start[2, 2, 2] = True
    found = _through(np.zeros_like(start), start, Grid.from_parts((5, 5, 5), SPACING, (0.0, 0.0, 0.0)))
    assert found[2, 2, 2] == 0.0
    assert np.isinf(found[~start]).all()
