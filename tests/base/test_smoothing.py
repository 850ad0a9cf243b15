"""Gaussian smoothing against the reference library, digit for digit."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from mineralize.base import gaussian_smoothed


@pytest.mark.parametrize(
    ("shape", "sigma"),
    [
        ((9, 11, 13), 1.3),
        ((4, 21, 1100), (0.8, 2.0, 3.0)),  # rows longer than what is added up at a time
        ((1, 12, 12), (1.0, 1.6, 1.6)),  # one slice
        ((3, 4, 5), 6.0),  # a kernel longer than the array, which is mirrored more than once
        ((7, 8, 9), (0.0, 0.4, 0.1)),  # an axis left alone, and a kernel of one voxel
        ((14, 15), 0.9),
        ((40,), 2.5),
    ],
)
@pytest.mark.parametrize(("mode", "truncate"), [("reflect", 4.0), ("reflect", 3.5), ("nearest", 3.0)])
def test_same_digits_as_the_reference_library(
    shape: tuple[int, ...], sigma: float | tuple[float, ...], mode: str, truncate: float
) -> None:
    array = np.random.default_rng(3).normal(40.0, 300.0, shape).astype(np.float32)
    before = array.copy()
    mine = gaussian_smoothed(array, sigma, truncate=truncate, mode=mode)  # type: ignore[arg-type]
    theirs = ndimage.gaussian_filter(array, sigma, truncate=truncate, mode=mode)
    assert mine.dtype == theirs.dtype == np.float32
    # A library built to fuse products and sums may round the last digit otherwise.
    np.testing.assert_allclose(mine, theirs, rtol=3e-7, atol=1e-4)
    assert (array == before).all()
    assert not np.shares_memory(mine, array)


def test_any_strides_and_values_that_are_not_numbers() -> None:
    array = np.random.default_rng(4).normal(size=(12, 10, 8)).astype(np.float32)
    array[6, 5, 4] = np.nan
    turned = array.transpose(2, 0, 1)[:, ::-1]
    turned.flags.writeable = False
    mine, theirs = gaussian_smoothed(turned, 1.0), ndimage.gaussian_filter(turned, 1.0)
    np.testing.assert_allclose(mine, theirs, rtol=3e-7, atol=1e-6)
    assert np.isnan(mine).any()


def test_nothing_to_smooth() -> None:
    assert gaussian_smoothed(np.zeros((0, 3, 3), np.float32), 1.0).shape == (0, 3, 3)
