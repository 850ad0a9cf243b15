"""What lies within reach of marked voxels, against a distance map of the reference library."""

from __future__ import annotations

import numpy as np
import pytest
import SimpleITK as sitk
from scipy import ndimage

from mineralize.base import all_around, dilated, grown, within_reach


@pytest.mark.parametrize("spacing", [(0.7, 0.4, 0.4), (3.0, 0.5, 0.5), (0.5, 0.5, 0.5)])
@pytest.mark.parametrize("reach_mm", [0.3, 1.5, 2.5])
@pytest.mark.parametrize("share", [0.002, 0.1, 0.9])
def test_as_a_distance_map_says(spacing: tuple[float, float, float], reach_mm: float, share: float) -> None:
    mask = np.random.default_rng(5).uniform(size=(9, 17, 21)) < share
    mask[4, 8:12, 9:15] = True
    expected = ndimage.distance_transform_edt(~mask, sampling=spacing) <= reach_mm
    before = mask.copy()
    assert (within_reach(mask, spacing, reach_mm) == expected).all()
    assert (within_reach(mask[:, ::-1, 2:], spacing, 0.0) == mask[:, ::-1, 2:]).all()
    assert (mask == before).all()


def test_nothing_marked_and_everything_marked() -> None:
    assert not within_reach(np.zeros((3, 4, 5), bool), (1.0, 1.0, 1.0), 2.0).any()
    assert within_reach(np.ones((3, 4, 5), bool), (1.0, 1.0, 1.0), 2.0).all()


@pytest.mark.parametrize("shape", [(6, 9, 11), (1, 12, 7), (8, 5)])
@pytest.mark.parametrize("steps", [1, 2, 3])
def test_widened_as_the_library_does(shape: tuple[int, ...], steps: int) -> None:
    mask = np.random.default_rng(6).uniform(size=shape) < 0.05
    mask[(0,) * len(shape)] = True
    assert (grown(mask, steps) == ndimage.binary_dilation(mask, iterations=steps)).all()


@pytest.mark.parametrize("size", [1, 2, 3, (1, 5, 4), (9, 30, 2)])
def test_true_all_around_as_the_smallest_value_is(size: int | tuple[int, ...]) -> None:
    mask = np.random.default_rng(7).uniform(size=(7, 20, 15)) < 0.9
    assert (all_around(mask, size) == ndimage.minimum_filter(mask, size=size)).all()
    assert all_around(np.ones((2, 3, 4), bool), size).all()


@pytest.mark.parametrize("radius", [(1, 1, 1), (2, 3, 3)])
def test_dilated_by_a_ball_as_the_library_does(radius: tuple[int, int, int]) -> None:
    mask = np.random.default_rng(8).uniform(size=(11, 18, 20)) < 0.03
    mask[3:8, 4:12, 5:16] = True
    image = sitk.GetImageFromArray(mask.astype(np.uint8))
    expected = sitk.GetArrayFromImage(sitk.BinaryDilate(image, radius[::-1], sitk.sitkBall, 0, 1)) > 0
    spot = np.zeros([2 * r + 1 for r in radius], np.uint8)
    spot[radius] = 1
    ball = sitk.GetArrayFromImage(sitk.BinaryDilate(sitk.GetImageFromArray(spot), radius[::-1], sitk.sitkBall, 0, 1))
    assert (dilated(mask, np.argwhere(ball) - radius) == expected).all()
