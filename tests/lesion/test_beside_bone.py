"""Blur and scraps beside a bone, against planes and shells in closed form."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import analytic_shell
import numpy as np
import pytest
from scipy import special

from mineralize.base import Grid, Volume
from mineralize.lesion.near import _slopes_at, blur_beside_bone, bone_spill
from mineralize.lesion.specks import noise_of
from mineralize.lesion.start import lesion_mineral

SHAPE = (30, 60, 60)


def grid_of(slice_mm: float) -> Grid:
    return Grid.from_parts(SHAPE, [slice_mm, 1.0, 1.0], [0.0, 0.0, 0.0], np.eye(3))


def reference_of(grid: Grid, slice_mm: float) -> Any:
    made = analytic_shell.reference(Volume(np.full(SHAPE, 50, np.int16), grid), fwhm=1.8)
    return replace(made, slice_mm=slice_mm, slice_spacing_mm=slice_mm)


@pytest.mark.parametrize("slice_mm", [2.0, 3.3, 5.0])
def test_bone_above_is_blurred_by_the_slices_and_bone_beside_by_the_plane(slice_mm: float) -> None:
    """Variance of a box of the slice, width squared / 12, and of linear interpolation, spacing squared / 6."""
    grid = grid_of(slice_mm)
    reference = reference_of(grid, slice_mm)
    above, beside = (np.meshgrid(*(np.arange(n) * s for n, s in zip(SHAPE, grid.spacing, strict=True)), indexing="ij"))[
        :2
    ]
    assert np.allclose(blur_beside_bone(above - 10.0, grid, reference), slice_mm / 2, rtol=1e-4)
    assert np.allclose(blur_beside_bone(beside - 10.0, grid, reference), reference.blur_sd_mm, rtol=1e-4)


def test_thin_slices_blur_no_more_than_the_plane() -> None:
    grid = grid_of(0.8)
    reference = reference_of(grid, 0.8)
    assert blur_beside_bone(np.zeros(SHAPE), grid, reference) == reference.blur_sd_mm


def test_scraps_along_bone_are_no_part_of_the_lesion_unless_it_lies_around_them() -> None:
    """A shell of 9 mm radius over a plane of bone, and flecks 3 to 5 mm over that plane: in a row that
    leads away from the shell, and within it."""
    grid = grid_of(1.0)
    world = grid.to_world(np.argwhere(np.ones(SHAPE, bool)))
    distance = world[:, 1] - 8.0  # bone below the plane y = 8
    middle = np.array([20.0, 20.0, 15.0])
    away = np.linalg.norm(world - middle, axis=1)
    shell = (away < 9.0) & (away > 7.0)
    row = (
        (np.abs(distance - 4.0) < 1.0) & (np.abs(world[:, 2] - 15.0) < 1.5) & (world[:, 0] > 31) & (world[:, 0] % 5 < 3)
    )
    within = (np.abs(distance - 5.0) < 0.6) & (np.abs(world[:, 0] - 20.0) < 1.6) & (np.abs(world[:, 2] - 15.0) < 1.6)
    hu = np.where(shell | row | within, 500.0, 50.0).astype(np.float32).reshape(SHAPE)
    reference = reference_of(grid, 1.0)
    found = lesion_mineral(
        hu,
        grid,
        distance.reshape(SHAPE).astype(np.float32),
        middle,
        threshold_hu120=150.0,
        noise=noise_of(reference, grid),
        blur_mm=reference.blur_sd_mm,
    ).ravel()
    assert found[shell & (distance > 3.0)].mean() > 0.9
    assert found[within].any()
    assert not found[row].any()


@pytest.mark.parametrize("cortex_hu", [1200.0, 350.0])
@pytest.mark.parametrize("thick_mm", [12.0, 2.5])
@pytest.mark.parametrize("pixel_mm", [0.5, 0.9])
def test_what_cortex_spills_is_a_share_of_its_own_height(cortex_hu: float, thick_mm: float, pixel_mm: float) -> None:
    """A plate of cortex seen through a Gaussian is ``ndtr(x / sd) - ndtr((x - thickness) / sd)`` of its height, its
    surface at half of the highest; whatever the height, no more than a part in 15 of it is left beside it."""
    sd, soft = 0.75, 55.0
    grid = Grid.from_parts((12, 12, 60), [1.0, pixel_mm, pixel_mm], [0.0, 0.0, 0.0])
    x = np.broadcast_to(30.0 * pixel_mm - np.arange(60) * pixel_mm, grid.shape)
    share = special.ndtr(x / sd) - special.ndtr((x - thick_mm) / sd)
    volume = Volume((soft + (cortex_hu - soft) * share).astype(np.float32), grid)
    inside = np.linspace(0.0, thick_mm / 2, 2000)
    profile = special.ndtr(inside / sd) - special.ndtr((inside - thick_mm) / sd)
    surface = float(np.interp(profile.max() / 2, profile[: profile.argmax() + 1], inside[: profile.argmax() + 1]))
    made = analytic_shell.reference(Volume(np.full(grid.shape, 50, np.int16), grid), fwhm=1.8)
    reference = replace(made, muscle=replace(made.muscle, mean_hu=soft))
    near = (-x + surface).astype(np.float32)
    # In profiles between voxels the blur is as much wider as looking between them adds.
    seen = float(np.hypot(sd, pixel_mm / np.sqrt(6.0)))
    left = volume.hu - bone_spill(volume, near, seen, reference) - soft
    beside = (near > 0.3) & (near < 3.0)
    assert np.abs(left[beside]).max() < (cortex_hu - soft) / 15.0


def test_without_bone_nothing_spills() -> None:
    grid = grid_of(2.0)
    volume = Volume(np.full(SHAPE, 50, np.int16), grid)
    assert not bone_spill(volume, np.full(SHAPE, 40.0, np.float32), 0.8, reference_of(grid, 2.0)).any()


def test_slopes_at_voxels_are_those_of_the_whole_field() -> None:
    """Against numpy's own gradient, borders too."""
    rng = np.random.default_rng(3)
    field, spacing = rng.normal(size=(5, 6, 7)), np.array([3.0, 0.8, 0.7])
    at = np.nonzero(np.ones(field.shape, bool))
    whole = np.stack([slope[at] for slope in np.gradient(field, *spacing)])
    assert _slopes_at(field, at, spacing) == pytest.approx(whole, rel=1e-5)
