"""Muscle against depth: discs whose cupping is given in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from mineralize.base import Acquisition, Grid, MineralSettings, Volume
from mineralize.reference import measure_reference
from mineralize.reference.cubes import cubes_of
from mineralize.reference.depth import DepthTrend, muscle_by_depth

MUSCLE_HU = 50.0
RADIUS_MM = 60.0
BONE_MM = 12.0


def limb(cupping_hu: float, noise_hu: float = 8.0, bent: bool = False) -> Volume:
    """A bone in muscle whose HU fall by ``cupping_hu`` from the rim to the axis with the square of the radius."""
    grid = Grid.from_parts((48, 140, 140), (1.5, 1.0, 1.0), (-69.5, -69.5, 0.0))
    axis = np.arange(140) - 69.5
    squared = axis[:, None] ** 2 + axis[None, :] ** 2
    muscle = MUSCLE_HU - cupping_hu * (1.0 - squared / RADIUS_MM**2)
    plane = np.select([squared < BONE_MM**2, squared < RADIUS_MM**2], [900.0, muscle], -1000.0)
    hu = plane + np.random.default_rng(5).normal(scale=noise_hu, size=grid.shape)
    if bent:
        hu[:24] = np.where(squared < (0.6 * RADIUS_MM) ** 2, hu[:24] - 15.0, hu[:24])
    return Volume(hu.astype(np.float32), grid)


@pytest.mark.parametrize("cupping", [-10.0, 0.0, 9.0, 14.0])
def test_fall_of_a_cupped_limb(cupping: float) -> None:
    """The radius squared is uniform over a disc: medians of its outer quarters lie at 1/8 and 7/8 of its range."""
    inner = (BONE_MM + 10.0) ** 2  # bone and what is kept clear of it
    expected = -cupping * 0.75 * (1.0 - inner / RADIUS_MM**2)
    found = muscle_by_depth(cubes_of(limb(cupping)), MUSCLE_HU - 0.5 * cupping)
    assert found is not None
    assert found.deep_less_outer_hu == pytest.approx(expected, abs=0.8)
    assert (found.uncorrected_hu > 0.0) == (cupping > 8.0)


def test_a_muscle_that_differs_in_half_of_the_slabs_is_no_hardening() -> None:
    found = muscle_by_depth(cubes_of(limb(0.0, bent=True)), MUSCLE_HU)
    assert found is not None
    assert found.deep_less_outer_hu < -3.0
    assert found.uncorrected_hu == 0.0


def test_air_and_a_plain_block_tell_nothing() -> None:
    grid = Grid.from_parts((20, 40, 40), (2.0, 1.0, 1.0), (0.0, 0.0, 0.0))
    assert muscle_by_depth(cubes_of(Volume(np.full(grid.shape, -1000.0, np.float32), grid)), MUSCLE_HU) is None
    assert muscle_by_depth(cubes_of(Volume(np.full(grid.shape, 50.0, np.float32), grid)), MUSCLE_HU) is None


def test_hardening_is_noted() -> None:
    found = measure_reference(limb(14.0), Acquisition(kvp=80.0), MineralSettings())
    assert [n.kind for n in found.notes] == ["beam-hardening"]
    assert measure_reference(limb(0.0), Acquisition(kvp=80.0), MineralSettings()).hardening_hu == 0.0


@pytest.mark.parametrize("shape", [(1, 40, 40), (20, 3, 40)])
def test_a_scan_thinner_than_a_cube_tells_nothing(shape: tuple[int, int, int]) -> None:
    volume = Volume(np.zeros(shape, np.float32), Grid.from_parts(shape, (1.0, 1.0, 1.0), (0.0, 0.0, 0.0)))
    assert muscle_by_depth(cubes_of(volume), MUSCLE_HU) is None


def test_few_slabs_that_vary_are_no_proof() -> None:
    assert DepthTrend(-8.0, 2.0, 5).uncorrected_hu == 0.0
    assert DepthTrend(-8.0, 1.0, 5).uncorrected_hu == 8.0
