"""The compiled loops of alignment against plain numpy and scipy, at and beyond every border."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from scipy import ndimage
from scipy.spatial.transform import Rotation

from mineralize.align.kernels import look_up, pull_of_greys, pull_of_surface, score_shifts

Array = Any
TURN = Rotation.from_rotvec([0.3, -0.5, 0.4]).as_matrix()


def test_trilinear_look_up_under_any_linear_map_is_that_of_scipy() -> None:
    rng = np.random.default_rng(3)
    hu = rng.normal(size=(6, 7, 8)).astype(np.float32)
    points, shift = rng.uniform(-4, 4, (400, 3)), np.array([2.5, 3.0, 3.5])
    at = points @ TURN.T + shift
    seen, inside = np.empty(400), np.empty(400, bool)
    look_up(points, TURN, shift, hu, seen, inside)
    assert seen == pytest.approx(ndimage.map_coordinates(hu.astype(float), at.T, order=1, mode="nearest"), abs=1e-6)
    assert np.array_equal(inside, ((at >= 0) & (at <= [5, 6, 7])).all(axis=1))
    assert 50 < inside.sum() < 350


def test_a_point_on_the_outermost_voxels_lies_in_the_scan_whatever_rounding_does() -> None:
    hu = np.zeros((3, 4, 5), np.float32)
    ends = np.array(np.meshgrid([0.0, 2.0], [0.0, 3.0], [0.0, 4.0])).reshape(3, -1).T
    for slack, expected in ((0.0, True), (5e-7, True), (1e-3, False)):
        for axis in range(3):
            away = ends.copy()
            away[:, axis] += np.where(ends[:, axis] > 0, slack, -slack)
            seen, inside = np.empty(8), np.empty(8, bool)
            look_up(away, np.eye(3), np.zeros(3), hu, seen, inside)
            assert inside.tolist() == [expected] * 8, (slack, axis)


@pytest.fixture
def scores() -> Any:
    """A field of 5 x 6 x 7 cells, clipped at 2 mm, in a scan of which it is a part."""
    rng = np.random.default_rng(5)
    return rng.normal(scale=2.0, size=(5, 6, 7)).astype(np.float32)


def scored(field: Array, cells: Array, cell_shifts: Array, places: Array, place_shifts: Array, **how: float) -> Array:
    found = np.empty(len(cell_shifts))
    last = np.array([9.0, 9.0, 9.0])
    score_shifts(
        field, cells, cell_shifts, places, place_shifts, last, how["clip"], how["penalty"], how["least"], found
    )
    return found


def by_numpy(field: Array, cells: Array, cell_shifts: Array, places: Array, place_shifts: Array, **how: float) -> Array:
    """Clipped distances, what lies off the field as far as can be; none of what lies off the scan."""
    result = []
    for cell_shift, place_shift in zip(cell_shifts, place_shifts, strict=True):
        at = places + place_shift
        inside = ((at > -1e-6) & (at < 9.0 + 1e-6)).all(axis=1)
        cell = np.floor(cells + cell_shift + 0.5).astype(int)
        known = ((cell >= 0) & (cell < field.shape)).all(axis=1)
        away = np.full(len(cells), how["clip"])
        away[known] = np.minimum(np.abs(field[tuple(cell[known].T)]), how["clip"])
        share = inside.mean()
        result.append(away[inside].mean() + how["penalty"] * (1 - share) if share >= how["least"] else 1e3)
    return np.array(result)


def test_scores_of_shifts_are_those_of_numpy(scores: Array) -> None:
    rng = np.random.default_rng(7)
    whole = rng.integers(0, 10, (60, 3)).astype(float)  # many lie exactly on the ends of the scan
    shifts = np.concatenate([np.zeros((1, 3)), rng.uniform(-6, 6, (40, 3)), rng.integers(-3, 4, (20, 3)), [[40, 0, 0]]])
    how = {"clip": 2.0, "penalty": 0.4, "least": 0.25}
    found = scored(scores, whole - 2.0, shifts, whole, shifts, **how)
    expected = by_numpy(scores, whole - 2.0, shifts, whole, shifts, **how)
    assert found == pytest.approx(expected)
    assert (found == 1e3).any()
    assert (found < 1e3).sum() > 20


@pytest.mark.parametrize("axis", [0, 1, 2])
@pytest.mark.parametrize("end", [0.0, 9.0])
def test_points_on_the_end_of_the_scan_are_seen_and_those_beyond_are_not(scores: Array, axis: int, end: float) -> None:
    """All sixteen points on one face: overlap 1, so no penalty; half a voxel farther out all are lost."""
    places = np.full((16, 3), 4.0)
    places[:, axis] = end
    shift = np.zeros((2, 3))
    shift[1, axis] = -0.5 if end == 0.0 else 0.5
    found = scored(scores, places - 2.0, shift, places, shift, clip=2.0, penalty=0.4, least=0.25)
    assert found[0] <= 2.0
    assert found[1] == 1e3


def test_exactly_the_least_overlap_is_enough(scores: Array) -> None:
    places = np.full((4, 3), 4.0)
    places[0] = 20.0
    nothing = np.zeros((1, 3))
    how = {"clip": 2.0, "penalty": 0.4}
    found = scored(scores, places - 30.0, nothing, places, nothing, **how, least=0.75)
    assert found == pytest.approx([2.0 + 0.4 * 0.25])  # off the field: as far as the clip
    assert scored(scores, places - 30.0, nothing, places, nothing, **how, least=0.76) == pytest.approx([1e3])


@dataclass(frozen=True)
class Surface:
    """A field of distances and slopes, and where points under two poses lie in it and in the scan."""

    points: Array
    distance: Array
    slope: Array
    to_cell: Array
    cell_shift: Array
    turn: Array
    to_place: Array
    place_shift: Array
    last: Array
    rotations: Array
    shifts: Array

    @classmethod
    def drawn(cls) -> Surface:
        rng = np.random.default_rng(11)
        distance = rng.normal(size=(6, 5, 7)).astype(np.float32)
        return cls(
            points=rng.uniform(-4, 4, (50, 3)),
            distance=distance,
            slope=rng.normal(size=(distance.size, 3)).astype(np.float32),
            to_cell=Rotation.from_rotvec([0.2, 0.1, -0.4]).as_matrix() / 1.5,
            cell_shift=np.array([2.5, 2.0, 3.0]),
            turn=Rotation.from_rotvec([-0.6, 0.2, 0.3]).as_matrix() / 1.5,
            to_place=Rotation.from_rotvec([0.5, -0.3, 0.2]).as_matrix() / 0.8,
            place_shift=np.array([4.0, 5.0, 4.5]),
            last=np.array([9.0, 10.0, 8.0]),
            rotations=np.stack([np.eye(3), TURN]),
            shifts=np.array([[0.3, -0.2, 0.5], [-0.6, 0.4, 0.1]]),
        )


def test_the_pull_of_a_surface_is_that_of_numpy() -> None:
    """Rows (arm x slope, slope) of the points inside the scan, weights of Geman and McClure (1985), scale 1.7 mm."""
    s = Surface.drawn()
    normals, sides, middles, arms = np.empty((2, 6, 6)), np.empty((2, 6)), np.empty((2, 3)), np.empty(2)
    pull_of_surface(
        s.points, s.distance, s.slope, s.to_cell, s.cell_shift, s.turn, s.to_place, s.place_shift, s.last, 1.7,
        s.rotations, s.shifts, normals, sides, middles, arms,
    )  # fmt: skip
    for k in range(2):
        moved = s.points @ s.rotations[k].T + s.shifts[k]
        middle = moved.mean(axis=0)
        arm = moved - middle
        assert middles[k] == pytest.approx(middle)
        assert arms[k] == pytest.approx((arm**2).sum() / (3 * len(moved)))
        at = moved @ s.to_place.T + s.place_shift
        seen = ((at >= 0) & (at <= s.last)).all(axis=1)
        assert 5 < seen.sum() < 45
        index = np.clip(moved @ s.to_cell.T + s.cell_shift, 0, np.array(s.distance.shape) - 1)
        cell = np.floor(index + 0.5).astype(int)
        slope = s.slope.astype(float)[np.ravel_multi_index(tuple(cell.T), s.distance.shape)]
        value = s.distance[tuple(cell.T)] + ((index - cell) * slope).sum(axis=1)
        turned = slope @ s.turn
        rows = np.concatenate([np.cross(arm, turned), turned], axis=1)[seen]
        weight = (1 / (1 + (value / 1.7) ** 2) ** 2)[seen]
        expected = rows.T @ (weight[:, None] * rows)
        assert np.tril(normals[k]) == pytest.approx(np.tril(expected), rel=1e-5, abs=1e-5)
        assert sides[k] == pytest.approx(rows.T @ (weight * value[seen]), rel=1e-5, abs=1e-5)


def test_points_of_a_surface_on_the_end_of_the_scan_pull_and_those_beyond_do_not() -> None:
    field, flat = np.full((4, 4, 4), 1.0, np.float32), np.ones((64, 3), np.float32)
    for axis in range(3):
        for end, out in ((0.0, -0.01), (3.0, 3.01)):
            for place, pulls in ((end, True), (out, False)):
                points = np.full((4, 3), 1.5)
                points[:, axis] = place
                normals, sides, middles, arms = np.empty((1, 6, 6)), np.empty((1, 6)), np.empty((1, 3)), np.empty(1)
                pull_of_surface(
                    points, field, flat, np.eye(3), np.zeros(3), np.eye(3), np.eye(3), np.zeros(3), np.full(3, 3.0),
                    1.0, np.eye(3)[None], np.zeros((1, 3)), normals, sides, middles, arms,
                )  # fmt: skip
                assert (normals[0, 5, 5] > 0) == pulls, (axis, place)


def test_the_pull_of_greys_is_that_of_numpy() -> None:
    """Rows (motion, -seen / spread, -1), weighted; samples without weight are passed over, whatever they hold."""
    rng = np.random.default_rng(13)
    jacobian, seen, residual = rng.normal(size=(40, 6)), rng.normal(size=40), rng.normal(size=40)
    weight = rng.uniform(size=40) * (np.arange(40) % 4 > 0)
    rows = np.column_stack([jacobian, -seen / 30.0, -np.ones(40)])
    residual[weight == 0] = np.nan
    normal, side = np.full((8, 8), np.nan), np.full(8, np.nan)
    pull_of_greys(jacobian, seen, residual, weight, 30.0, normal, side)
    used = weight > 0
    assert normal == pytest.approx(rows[used].T @ (weight[used, None] * rows[used]))
    assert side == pytest.approx(rows[used].T @ (weight[used] * residual[used]))
