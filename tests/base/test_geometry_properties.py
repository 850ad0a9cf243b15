"""What holds for every grid and every rigid motion: definitions and group laws."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from mineralize.base import Grid, Rigid

SMALL = st.floats(-300.0, 300.0)
ANGLE = st.floats(-3.0, 3.0)
TRIPLE = st.tuples(SMALL, SMALL, SMALL)
TURN = st.tuples(ANGLE, ANGLE, ANGLE)
SPACING = st.tuples(*(st.floats(0.2, 8.0) for _ in range(3)))
SHAPE = st.tuples(*(st.integers(2, 40) for _ in range(3)))


@st.composite
def grids(draw: st.DrawFn) -> Grid:
    axes = Rotation.from_rotvec(draw(TURN)).as_matrix()
    if draw(st.booleans()):
        axes = axes * [-1.0, 1.0, 1.0]
    return Grid.from_parts(draw(SHAPE), draw(SPACING), draw(TRIPLE), axes, "1.2.3")


@st.composite
def motions(draw: st.DrawFn) -> Rigid:
    return Rigid.from_vectors(draw(TURN), draw(TRIPLE), draw(TRIPLE))


@settings(deadline=None)
@given(grids(), TRIPLE)
def test_index_and_place_are_each_others_inverse(grid: Grid, point: tuple[float, float, float]) -> None:
    np.testing.assert_allclose(grid.to_world(grid.to_index(point)), point, atol=1e-6)


@settings(deadline=None)
@given(grids(), TRIPLE, TRIPLE)
def test_places_are_linear_in_the_index(grid: Grid, one: tuple[float, ...], other: tuple[float, ...]) -> None:
    """PS3.3 C.7.6.2.1.1, equation C.7.6.2.1-1: an affine map."""
    between = grid.to_world(0.5 * (np.array(one) + np.array(other)))
    np.testing.assert_allclose(between, 0.5 * (grid.to_world(one) + grid.to_world(other)), atol=1e-6)


@settings(deadline=None)
@given(grids())
def test_one_step_of_an_axis_is_its_spacing(grid: Grid) -> None:
    steps = grid.to_world(np.eye(3)) - grid.to_world([0, 0, 0])
    np.testing.assert_allclose(np.linalg.norm(steps, axis=1), grid.spacing, rtol=1e-9)
    assert np.isclose(grid.voxel_volume_mm3, np.prod(grid.spacing))


@settings(deadline=None)
@given(grids(), st.data())
def test_a_crop_leaves_places_where_they_are(grid: Grid, data: st.DataObject) -> None:
    low = [data.draw(st.integers(0, n - 1)) for n in grid.shape]
    high = [data.draw(st.integers(a + 1, n)) for a, n in zip(low, grid.shape, strict=True)]
    part = grid.cropped(tuple(zip(low, high, strict=True)))
    index = np.array([data.draw(st.floats(0, 30)) for _ in range(3)])
    np.testing.assert_allclose(part.to_world(index), grid.to_world(index + low), atol=1e-6)


@settings(deadline=None)
@given(grids(), st.data())
def test_the_box_around_points_holds_them(grid: Grid, data: st.DataObject) -> None:
    shares = np.array([[data.draw(st.floats(0, 1)) for _ in range(3)] for _ in range(3)])
    points = grid.to_world(shares * (np.array(grid.shape) - 1))
    bounds = grid.bounds_around(points, 0.0)
    index = grid.to_index(points)
    for axis, (low, high) in enumerate(bounds):
        assert 0 <= low < high <= grid.shape[axis]
        assert low <= index[:, axis].min() + 1e-6
        assert index[:, axis].max() - 1e-6 <= high - 1
    assert grid.contains(points, -1e-6).all()


@settings(deadline=None)
@given(motions(), TRIPLE, TRIPLE)
def test_a_motion_keeps_lengths(motion: Rigid, one: tuple[float, ...], other: tuple[float, ...]) -> None:
    moved = motion.apply(np.array([one, other]))
    assert np.isclose(
        np.linalg.norm(moved[0] - moved[1]), np.linalg.norm(np.subtract(one, other)), rtol=1e-9, atol=1e-6
    )
    np.testing.assert_allclose(motion.turn(np.subtract(one, other)), moved[0] - moved[1], atol=1e-6)


@settings(deadline=None)
@given(motions(), motions(), motions(), TRIPLE)
def test_motions_are_a_group(a: Rigid, b: Rigid, c: Rigid, point: tuple[float, ...]) -> None:
    np.testing.assert_allclose(((a @ b) @ c).apply(point), (a @ (b @ c)).apply(point), atol=1e-5)
    np.testing.assert_allclose((a @ a.inverse()).apply(point), point, atol=1e-5)
    np.testing.assert_allclose((a.inverse() @ a).apply(point), point, atol=1e-5)
    np.testing.assert_allclose((Rigid.identity() @ a).apply(point), a.apply(point), atol=1e-9)
    np.testing.assert_allclose((a @ b).apply(point), a.apply(b.apply(point)), atol=1e-5)


@settings(deadline=None)
@given(TURN, TRIPLE)
def test_a_turn_about_a_centre_leaves_it(turn: tuple[float, ...], centre: tuple[float, ...]) -> None:
    motion = Rigid.from_vectors(turn, (0.0, 0.0, 0.0), centre)
    np.testing.assert_allclose(motion.apply(centre), centre, atol=1e-6)
    angle = np.degrees(np.linalg.norm(Rotation.from_rotvec(turn).as_rotvec()))
    assert np.isclose(motion.angle_deg, angle, atol=1e-3)
