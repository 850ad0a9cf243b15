"""Lines of a drawing with fewer points: held against skimage's, and in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage
from skimage.measure import approximate_polygon, find_contours

from mineralize.correlate.needle import thinned


@pytest.mark.parametrize("seed", range(20))
def test_the_same_points_as_the_library(seed: int) -> None:
    """scikit-image, approximate_polygon, on contours of smoothed noise: open and closed ones."""
    rng = np.random.default_rng(seed)
    picture = ndimage.gaussian_filter(rng.normal(size=(60, 70)), rng.uniform(1, 6))
    lines = [line for line in find_contours(picture, 0.3 * picture.std()) if len(line) > 8]
    assert lines
    for line in lines:
        for tolerance in (0.05, 0.5, 3.0):
            np.testing.assert_array_equal(thinned(line, tolerance), approximate_polygon(line, tolerance))


def test_a_straight_line_keeps_its_ends_and_a_corner_stays() -> None:
    straight = np.stack([np.linspace(0, 9, 40), np.linspace(0, 3, 40)], axis=1)
    np.testing.assert_array_equal(thinned(straight, 1e-6), straight[[0, -1]])
    corner = np.concatenate([straight, straight[-1] + [[1.0, -3.0]]])
    np.testing.assert_array_equal(thinned(corner, 0.1), corner[[0, 39, 40]])
    np.testing.assert_array_equal(thinned(corner[:2], 0.1), corner[:2])
