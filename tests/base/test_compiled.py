"""Compiled loops: the same as plain ones and as the reference library, wherever they are kept."""

from __future__ import annotations

import threading

import numpy as np
import pytest
from scipy import ndimage

from mineralize.base import Grid, Volume, compiled, load_compiled, sample


@compiled()
def _squared(value: float) -> float:
    return value * value


@compiled("f8[2] f8 f8[1]!", "f4[2] f8 f8[1]!")
def _sums(table: np.ndarray, power: float, result: np.ndarray) -> None:
    for n in range(table.shape[0]):
        result[n] = 0.0
        for value in table[n]:
            result[n] += _squared(value) * power


@pytest.mark.parametrize("kind", [np.float64, np.float32])
def test_any_strides_and_read_only_arrays_are_taken(kind: type) -> None:
    table = np.arange(12, dtype=kind).reshape(3, 4)
    table.flags.writeable = False
    for given in (table, table.T, table[:, ::2]):
        result = np.empty(len(given))
        _sums(given, 2.0, result)
        assert result == pytest.approx(2.0 * (given.astype(float) ** 2).sum(axis=1))


def test_loops_can_be_made_ready_before_they_are_called() -> None:
    @compiled("f8 f8[1]!")
    def doubled(value: float, result: np.ndarray) -> None:
        result[0] = 2.0 * value

    assert doubled._made is None  # type: ignore[attr-defined]
    load_compiled()
    made = doubled._made  # type: ignore[attr-defined]
    result = np.zeros(1)
    doubled(3.0, result)
    assert made is not None
    assert doubled._made is made  # type: ignore[attr-defined]
    assert result[0] == 6.0


def test_the_wrong_kind_of_argument_is_refused() -> None:
    with pytest.raises(TypeError):
        _sums(np.zeros((2, 2), np.int8), 1.0, np.empty(2))


def test_threads_that_call_first_at_once_get_the_same() -> None:
    found = [np.empty(3) for _ in range(4)]
    threads = [threading.Thread(target=_sums, args=(np.ones((3, 2)), 1.0, one)) for one in found]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert all((one == 2.0).all() for one in found)


@pytest.mark.parametrize("kind", [np.float32, np.int16])
def test_sampling_agrees_with_the_reference_library(kind: type) -> None:
    """Against scipy.ndimage.map_coordinates of order 1, on a turned grid, with points outside and not numbers."""
    rng = np.random.default_rng(5)
    turn, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    grid = Grid.from_parts((7, 9, 11), (1.5, 0.7, 0.6), (3.0, -4.0, 5.0), turn * np.sign(np.linalg.det(turn)))
    array = rng.normal(0.0, 300.0, grid.shape).astype(kind)
    index = rng.uniform(-1.0, 11.0, (4000, 3))
    index[:3] = [[0, 0, 0], [6, 8, 10], [6, 8, 10.0001]]
    points = grid.to_world(index)
    points[3] = np.nan
    last = np.asarray(grid.shape) - 1
    inside = ((index >= 0) & (index <= last)).all(axis=1)
    inside[3] = False
    expected = ndimage.map_coordinates(array.astype(np.float32), index.T, order=1, mode="nearest", output=np.float32)
    found = sample(array, grid, points, outside=-7.0)
    assert found.dtype == np.float32
    assert found[inside] == pytest.approx(expected[inside], abs=1e-3)
    assert (found[~inside] == -7.0).all()
    assert np.isnan(Volume(array, grid).sample(points)[~inside]).all()
