"""Parts of the alignment one by one, against closed forms and a second implementation (numpy, scipy)."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy import ndimage
from scipy.spatial.transform import Rotation

from mineralize.align.kernels import look_up
from mineralize.align.refine import BIWEIGHT, _robust
from mineralize.align.search import Field, Poses, _counterparts, _distinct, _half_widths, short_fits
from mineralize.base import Grid

GRADIENT = np.array([0.3, -0.2, 0.5])


def sloping() -> Field:
    """A distance that grows evenly along ``GRADIENT``, on slanting voxels: to first order it is known everywhere."""
    shape, spacing, directions = (
        (14, 20, 16),
        np.array([2.0, 1.0, 1.5]),
        Rotation.from_rotvec([0.2, 0.5, 0.3]).as_matrix(),
    )
    origin = -directions @ (spacing * (np.array(shape) - 1) / 2)
    grid = Grid.from_parts(shape, tuple(spacing), tuple(origin), directions)
    distance = (grid.world_of_all() @ GRADIENT + 0.7).astype(np.float32)
    steps = GRADIENT @ (grid.directions * grid.spacing)
    return Field(distance, np.tile(steps.astype(np.float32), (distance.size, 1)), grid, grid)


def test_one_step_of_a_short_fit_is_that_of_damped_least_squares() -> None:
    """Gauss-Newton by numpy: rows (arm x gradient, gradient), weights of Geman and McClure, 1e-3 of damping a point."""
    field = sloping()
    points = np.random.default_rng(3).uniform(-4, 4, (80, 3))
    pose = Poses(Rotation.from_rotvec([0.1, -0.05, 0.2]).as_matrix()[None], np.array([[0.4, -0.3, 0.2]]), np.zeros(1))
    moved = pose.apply(points)[0]
    value = moved @ GRADIENT + 0.7
    middle = moved.mean(axis=0)
    arm = moved - middle
    rows = np.concatenate([np.cross(arm, GRADIENT), np.tile(GRADIENT, (80, 1))], axis=1)
    weight = 1.0 / (1.0 + (value / 6.0) ** 2) ** 2
    damping = np.repeat([(arm**2).sum() / (3 * 80), 1.0], 3) * 1e-3 * 80
    update = -np.linalg.solve(rows.T @ (weight[:, None] * rows) + np.diag(damping), rows.T @ (weight * value))
    turn = Rotation.from_rotvec(update[:3]).as_matrix()
    found = short_fits(points, field, pose, steps=1)
    assert found.rotation[0] == pytest.approx(turn @ pose.rotation[0], abs=1e-5)
    assert found.shift[0] == pytest.approx(turn @ (pose.shift[0] - middle) + middle + update[3:], abs=1e-4)


def test_trilinear_look_up_is_that_of_scipy_and_ends_with_the_outermost_voxels() -> None:
    hu = np.random.default_rng(1).normal(size=(5, 6, 7)).astype(np.float32)
    inner = np.random.default_rng(2).uniform(-1.0, [5.0, 6.0, 7.0], (300, 3))
    corners = np.array([[0, 0, 0], [4, 5, 6], [0, 5, 6], [4, 0, 0], [2, 0, 3], [2, 5, 3]], float)
    beyond = np.array([[-0.01, 2, 3], [4.01, 2, 3], [2, -0.01, 3], [2, 5.01, 3], [2, 2, -0.01], [2, 2, 6.01]])
    at = np.concatenate([inner, corners, beyond])
    seen, inside = np.empty(len(at)), np.empty(len(at), bool)
    look_up(at - 0.5, np.eye(3), np.full(3, 0.5), hu, seen, inside)
    assert seen == pytest.approx(ndimage.map_coordinates(hu.astype(float), at.T, order=1, mode="nearest"), abs=1e-6)
    assert np.array_equal(inside, ((at >= 0) & (at <= [4, 5, 6])).all(axis=1))


def test_half_widths_of_a_bar() -> None:
    """A bar of 2 a x 2 b along a slanting axis is a and b wide, the wider first."""
    frame = Rotation.from_rotvec([0.4, -0.3, 0.8]).as_matrix()
    across, beside, along = (np.linspace(-half, half, 9) for half in (9.0, 4.0, 40.0))
    bar = np.stack(np.meshgrid(across, beside, along, indexing="ij"), axis=-1).reshape(-1, 3) @ frame.T
    assert _half_widths(bar + np.array([5.0, 6.0, 7.0]), frame[:, 2]) == pytest.approx([9.0, 4.0])


def test_counterparts_are_long_enough_or_all_there_are() -> None:
    def bones(*lengths: float) -> SimpleNamespace:
        return SimpleNamespace(bones=tuple(SimpleNamespace(extent_mm=length) for length in lengths))

    def tried(*lengths: float) -> list[float]:
        return [bone.extent_mm for bone in _counterparts(bones(*lengths), 100.0)]  # type: ignore[arg-type]

    assert tried(90.0, 31.0, 30.0, 29.0) == [90.0, 31.0, 30.0]
    assert tried(20.0, 10.0) == [20.0, 10.0]
    assert tried(*range(90, 20, -10)) == [90, 80, 70, 60, 50]


def test_poses_are_distinct_by_angle_or_by_place() -> None:
    """Less than 9 degrees and 5 mm away from one that is kept: the same; either alone more: another."""
    about = np.zeros(3)

    def turned(degrees: float, z: float) -> tuple[np.ndarray, np.ndarray]:
        return Rotation.from_rotvec([0.0, 0.0, np.radians(degrees)]).as_matrix(), np.array([0.0, 0.0, z])

    each = [turned(0, 0), turned(8, 4), turned(10, 0), turned(8, 6), turned(0.5, 0.5), turned(200, 0)]
    score = np.array([0.1, 0.2, 0.3, 0.4, 0.5, 1e3])
    poses = Poses(np.stack([r for r, _ in each]), np.stack([s for _, s in each]), score)
    names = np.arange(100, 106)
    assert _distinct(poses, about, about, names, 9.0, mm=5.0, keep=10).tolist() == [100, 102, 103]
    assert _distinct(poses, about, about, names, 9.0, mm=5.0, keep=2).tolist() == [100, 102]


def test_weights_are_those_of_tukeys_biweight() -> None:
    """(1 - (r / c s)^2)^2 within c robust standard deviations s, 0 beyond (Beaton and Tukey 1974)."""
    noise = np.random.default_rng(0).normal(size=20_001)
    far = np.array([0.0, 1.0, 2.0, 3.0, 6.0, -6.0])
    found = _robust(np.concatenate([noise, far]), np.arange(20_007) < 20_001, 1.0)[20_001:]
    assert found == pytest.approx(np.maximum(1 - (far / BIWEIGHT) ** 2, 0.0) ** 2, abs=0.02)
    assert found[2] == pytest.approx(0.5625, abs=0.02)  # half way to the end: (1 - 1/4)^2
