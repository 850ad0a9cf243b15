"""Grids, rigid motions and sampling against SimpleITK and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import SimpleITK as sitk
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from mineralize.base import Grid, Rigid, anatomical_words, sample, to_sitk
from mineralize.base.geometry import from_sitk
from mineralize.bones import LesionZone
from mineralize.surface import sphere_directions

SHAPE, SPACING, ORIGIN = (5, 7, 11), (2.5, 0.8, 0.6), (-31.0, 12.5, 140.0)


def asymmetric(*, left_handed: bool = False, turn: tuple[float, float, float] = (0.3, -0.5, 0.9)) -> Grid:
    """A turned grid whose three axes all differ; the left-handed one counts slices the other way."""
    axes = Rotation.from_rotvec(turn).as_matrix() @ np.array([[0.0, 0, 1], [0, 1, 0], [1, 0, 0]])
    if left_handed:
        axes = axes * [-1.0, 1.0, 1.0]
    return Grid.from_parts(SHAPE, SPACING, ORIGIN, axes, "1.2.3")


@pytest.mark.parametrize("left_handed", [False, True])
def test_simpleitk_agrees_about_every_voxel(left_handed: bool) -> None:
    """Reference: SimpleITK's own index-to-physical-point map (LPS, x fastest)."""
    grid = asymmetric(left_handed=left_handed)
    array = np.random.default_rng(0).normal(size=SHAPE).astype(np.float32)
    image = to_sitk(array, grid)
    for index in [(0, 0, 0), (4, 6, 10), (1, 5, 3), (3, 0, 9)]:
        point = image.TransformIndexToPhysicalPoint([int(v) for v in index[::-1]])
        np.testing.assert_allclose(grid.to_world(index), point, atol=1e-9)
        assert image[index[::-1]] == pytest.approx(float(array[index]))
    back, same = from_sitk(image, "1.2.3")
    np.testing.assert_array_equal(back, array)
    assert same.same_as(grid)
    assert np.sign(np.linalg.det(grid.directions)) == (1 if left_handed else -1)


@pytest.mark.parametrize("left_handed", [False, True])
def test_sample_equals_simpleitk_linear_interpolation(left_handed: bool) -> None:
    grid = asymmetric(left_handed=left_handed)
    array = np.random.default_rng(1).normal(size=SHAPE).astype(np.float32)
    rng = np.random.default_rng(2)
    points = grid.to_world(rng.uniform(0.05, np.array(SHAPE) - 1.05, size=(40, 3)))
    image = to_sitk(array, grid)
    expected = [image.EvaluateAtPhysicalPoint([float(v) for v in p], sitk.sitkLinear) for p in points]
    np.testing.assert_allclose(sample(array, grid, points), expected, atol=2e-5)


def test_sample_is_exact_for_a_linear_field_and_nan_outside() -> None:
    grid = asymmetric()
    world = grid.world_of_all()
    field = (2.0 * world[..., 0] - 3.0 * world[..., 1] + 0.5 * world[..., 2]).astype(np.float32)
    inside = grid.to_world([[1.3, 4.7, 2.2], [3.9, 0.4, 9.1]])
    np.testing.assert_allclose(sample(field, grid, inside), inside @ [2.0, -3.0, 0.5], rtol=1e-4)
    assert np.isnan(sample(field, grid, grid.to_world([-0.5, 3, 3])))
    assert sample(field, grid, grid.to_world([5.0, 3, 3]), outside=7.0) == 7.0


def test_cropping_keeps_voxels_where_they_are() -> None:
    grid = asymmetric(left_handed=True)
    part = grid.cropped(((1, 4), (2, 7), (3, 9)))
    assert part.shape == (3, 5, 6)
    np.testing.assert_allclose(part.to_world([0, 0, 0]), grid.to_world([1, 2, 3]))
    np.testing.assert_allclose(part.to_world([2, 4, 5]), grid.to_world([3, 6, 8]))
    box = grid.bounds_around(grid.to_world([[2, 3, 4]]), 0.0)
    assert all(lo <= i < hi for (lo, hi), i in zip(box, (2, 3, 4), strict=True))


def test_contains_and_margin() -> None:
    grid = asymmetric()
    assert grid.contains(grid.to_world([1e-6, 1e-6, 1e-6]))
    assert not grid.contains(grid.to_world([0.0, 3, 5]), margin_mm=0.1)
    assert not grid.contains(grid.to_world([-0.01, 0, 0]))
    assert grid.voxel_volume_mm3 == pytest.approx(2.5 * 0.8 * 0.6)
    fine = grid.with_spacing((1.25, 0.4, 0.3))
    assert fine.shape == (9, 13, 21)
    np.testing.assert_allclose(fine.to_world([8, 12, 20]), grid.to_world([4, 6, 10]), atol=1e-9)


def test_bad_grids_are_refused() -> None:
    sheared = np.diag([2.5, 0.8, 0.6, 1.0])
    sheared[0, 1] = 0.1
    for affine in (np.zeros((4, 4)), np.full((4, 4), np.nan), sheared, np.eye(3)):
        with pytest.raises(ValueError, match=r"affine|axes"):
            Grid(SHAPE, affine)
    with pytest.raises(ValueError, match="sizes"):
        Grid((0, 3, 3), np.eye(4))
    with pytest.raises(ValueError, match="fit"):
        to_sitk(np.zeros((2, 2, 2)), asymmetric())


small = st.floats(-2.5, 2.5)


@settings(max_examples=25, deadline=None)
@given(st.tuples(small, small, small), st.tuples(small, small, small), st.tuples(small, small, small))
def test_rigid_motions_against_scipy(
    v: tuple[float, float, float], shift: tuple[float, float, float], centre: tuple[float, float, float]
) -> None:
    """Reference: scipy's rotation vectors."""
    motion = Rigid.from_vectors(v, shift, centre)
    points = np.array([[1.0, 2, 3], [-4, 5, 0.5]])
    expected = Rotation.from_rotvec(v).apply(points - np.array(centre)) + centre + np.array(shift)
    np.testing.assert_allclose(motion.apply(points), expected, atol=1e-9)
    np.testing.assert_allclose(motion.inverse().apply(motion.apply(points)), points, atol=1e-9)
    np.testing.assert_allclose((motion @ motion).apply(points), motion.apply(motion.apply(points)), atol=1e-9)
    angle = np.degrees(np.linalg.norm(v)) % 360
    assert motion.angle_deg == pytest.approx(min(angle, 360 - angle), abs=1e-4)


def test_reflections_and_shears_are_no_rigid_motions() -> None:
    with pytest.raises(ValueError, match="reflection"):
        Rigid(np.diag([-1.0, 1, 1, 1]))
    with pytest.raises(ValueError, match="rigid"):
        Rigid(np.diag([1.1, 1, 1, 1]))


radii = st.floats(5.0, 60.0)


@settings(max_examples=25, deadline=None)
@given(radii, radii, radii, st.integers(0, 10_000))
def test_a_zone_of_a_surface_lies_inside_its_ball(a: float, b: float, c: float, seed: int) -> None:
    """Signs by the equation of the ellipsoid; for a ball both ways give the distance itself."""
    directions, _ = sphere_directions(1500)
    surface = directions * [a, b, c] + 3.0
    zone = LesionZone(np.full(3, 3.0), max(a, b, c), surface)
    points = 3.0 + np.random.default_rng(seed).normal(size=(200, 3)) * 40.0
    level = np.linalg.norm((points - 3.0) / [a, b, c], axis=1)
    clear = np.abs(level - 1.0) > 0.2
    assert ((zone.apart(points) < 0) == (level < 1.0))[clear].all()
    ball = LesionZone(zone.centre, zone.radius)
    assert (ball.apart(points) <= zone.apart(points) + 1e-9)[level > 1.2].all()
    same = LesionZone(zone.centre, a, directions * a + 3.0)
    far = np.abs(np.linalg.norm(points - 3.0, axis=1) - a)
    np.testing.assert_allclose(np.abs(same.apart(points)), far, atol=0.1 * a)
    assert zone.half_length(np.array([0.0, 0.0, 1.0])) == pytest.approx(c, rel=0.01)


def test_words_for_directions() -> None:
    """LPS: +x left, +y posterior, +z superior (PS3.3 C.7.6.2.1.1)."""
    assert anatomical_words((1, 0, 0)) == "left"
    assert anatomical_words((0, -2, 0)) == "anterior"
    assert anatomical_words((-1, 0.8, 0)) == "right-posterior"
    assert anatomical_words((0.1, 0.2, -1)) == "inferior"
    assert anatomical_words((0, 0, 0)) == "none"
