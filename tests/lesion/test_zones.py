"""Depth and zones against closed forms of spheres and ellipsoids, and against SimpleITK."""

from __future__ import annotations

import numpy as np
import pytest
import SimpleITK as sitk
from analytic_shell import ellipsoid_outline
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage
from skimage.measure import marching_cubes

from mineralize.base import Grid, ZoneSettings, to_sitk
from mineralize.lesion import find_zones, signed_depth, voxel_masks
from mineralize.measure.shape import longest_distance
from mineralize.surface import mesh_volume

PLAIN = ZoneSettings()


def grid_around(reach: float, spacing: tuple[float, float, float] = (1.5, 0.8, 0.7)) -> Grid:
    shape = [int(2 * reach / s) for s in spacing]
    axes = np.array([[0.0, 0, 1], [0, 1, 0], [1, 0, 0]]) * [-1.0, 1.0, 1.0]
    corner = -axes @ (np.array(spacing) * (np.array(shape) - 1) / 2) + [0.1, -0.2, 0.3]
    return Grid.from_parts(shape, spacing, corner, axes)


def test_depth_in_a_sphere() -> None:
    """d = R - |x| (geometry)."""
    outline = ellipsoid_outline((15.0,) * 3)
    rng = np.random.default_rng(0)
    points = rng.normal(size=(300, 3))
    points *= (rng.uniform(1, 20, 300) / np.linalg.norm(points, axis=1))[:, None]
    np.testing.assert_allclose(signed_depth(outline, points), 15 - np.linalg.norm(points, axis=1), atol=0.12)


def test_zone_borders_and_shell_volumes() -> None:
    """Sphere R = 15: rim depth min(4, R/3) = 4, core deeper than R/2; volumes 4/3 pi (R^3 - 11^3) and 4/3 pi 7.5^3."""
    zones = find_zones(ellipsoid_outline((15.0,) * 3), grid_around(30), PLAIN)
    assert zones.inradius_mm == pytest.approx(15.0, abs=0.15)
    assert zones.rim_depth_mm == 4.0
    assert zones.core_depth_mm == pytest.approx(7.5, abs=0.08)
    cell = zones.grid.voxel_volume_mm3
    # the core hangs on D, which voxels of 1.5 mm give to 0.1 mm: 0.05 mm of its radius, 2 %
    for share, expected, limit in (
        (zones.lesion, 15**3, 0.01),
        (zones.rim, 15**3 - 11**3, 0.015),
        (zones.core, 7.5**3, 0.04),
        (zones.share_between(4.0, 7.5), 11**3 - 7.5**3, 0.015),
    ):
        assert float(share.sum()) * cell == pytest.approx(4 / 3 * np.pi * expected, rel=limit)


def test_small_lesion_has_a_thinner_rim() -> None:
    zones = find_zones(ellipsoid_outline((6.0, 7.0, 9.0)), grid_around(22), PLAIN)
    assert zones.inradius_mm == pytest.approx(6.0, abs=0.1)
    assert zones.rim_depth_mm == pytest.approx(2.0, abs=0.04)


def test_masks_part_the_lesion() -> None:
    outline = ellipsoid_outline((10.0, 12.0, 16.0))
    masks = voxel_masks(outline, grid_around(34))
    assert not (masks["rim"] & masks["core"]).any()
    np.testing.assert_array_equal(masks["rim"] | masks["middle"] | masks["core"], masks["lesion"])
    cell = grid_around(34).voxel_volume_mm3
    assert masks["lesion"].sum() * cell == pytest.approx(4 / 3 * np.pi * 10 * 12 * 16, rel=0.02)


@settings(max_examples=4, deadline=None)
@given(st.floats(8.0, 13.0), st.floats(8.0, 13.0), st.floats(9.0, 16.0))
def test_simpleitk_agrees_about_volume_and_depth(a: float, b: float, c: float) -> None:
    """Independent: label statistics and the signed Maurer distance of a finely voxelised ellipsoid."""
    outline = ellipsoid_outline((a, b, c))
    grid = grid_around(max(a, b, c) + 2, (0.5, 0.5, 0.5))
    world = grid.world_of_all()
    mask = np.linalg.norm(world / [a, b, c], axis=-1) <= 1
    image = to_sitk(mask, grid)
    statistics = sitk.LabelShapeStatisticsImageFilter()
    statistics.Execute(image)
    assert mesh_volume(outline.vertices, outline.faces) == pytest.approx(statistics.GetPhysicalSize(1), rel=0.01)
    np.testing.assert_allclose(outline.centroid, statistics.GetCentroid(1), atol=0.1)
    maurer = sitk.GetArrayFromImage(
        sitk.SignedMaurerDistanceMap(image, insideIsPositive=True, squaredDistance=False, useImageSpacing=True)
    )
    pick = np.random.default_rng(1).integers(0, mask.size, 400)
    # Maurer measures to centres of border voxels: off by up to half a voxel diagonal on either side of the border
    off = np.abs(signed_depth(outline, world.reshape(-1, 3)[pick]) - maurer.ravel()[pick])
    assert off.max() < np.sqrt(3) * 0.5
    assert np.percentile(off, 90) < 0.7
    assert np.median(off) < 0.25


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 10_000))
def test_simpleitk_agrees_about_random_masks(seed: int) -> None:
    """Independent: label statistics of a random blob, against the mesh of the same mask (marching cubes)."""
    rng = np.random.default_rng(seed)
    field = ndimage.gaussian_filter(rng.normal(size=(24, 26, 28)), 3.0)
    field = field / field.std() + 2.5 - np.linalg.norm(np.indices(field.shape).T - [12, 13, 14], axis=-1).T / 4
    labels, _ = ndimage.label(field > 0)
    mask = ndimage.binary_fill_holes(labels == labels[12, 13, 14]) if labels[12, 13, 14] else field > 0
    grid = Grid.from_parts(mask.shape, (1.5, 0.8, 0.7), (5.0, -3.0, 2.0))
    image = to_sitk(np.pad(mask, 0), grid)
    statistics = sitk.LabelShapeStatisticsImageFilter()
    statistics.Execute(image)
    index, faces, _, _ = marching_cubes(np.pad(mask, 1).astype(float), 0.5)
    vertices = grid.to_world(index - 1)
    expected = statistics.GetPhysicalSize(1)
    # marching cubes cuts half a voxel off corners: less than the count, by no more than the border's share
    border = mask & ~ndimage.binary_erosion(mask)
    found = mesh_volume(vertices, faces)
    assert expected - 0.5 * border.sum() * grid.voxel_volume_mm3 <= found <= expected * 1.001
    far = longest_distance(vertices)
    assert far >= longest_distance(grid.to_world(np.argwhere(mask))) - 1e-6
    # Feret of SimpleITK goes between voxel corners or centres, by version: within one voxel diagonal
    statistics.ComputeFeretDiameterOn()
    statistics.Execute(image)
    assert far == pytest.approx(statistics.GetFeretDiameter(1), abs=float(np.linalg.norm(grid.spacing)))
