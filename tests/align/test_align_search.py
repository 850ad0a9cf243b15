"""Rough poses: a scene in closed form laid down anew, and every step of the search against plain numpy."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from mineralize.align import search as searching
from mineralize.align.search import (
    Field,
    Poses,
    _basis,
    _best,
    _cross_shifts,
    _main_axis,
    _score_shifts,
    search,
    short_fits,
    spread_out,
    trimmed_score,
)
from mineralize.base import AlignSettings, Grid, Rigid, Volume
from mineralize.bones import Skeleton, find_skeleton

SPACING = (2.0, 1.6, 1.6)
SHAPE = (66, 50, 50)
MIDDLE = np.array([40.0, 40.0, 65.0])


def inside_bone(world: Any) -> Any:
    """Signed mm to a shaft of 8 mm that widens to a condyle at one end and carries a knob at its side."""
    x, y, z = (world - MIDDLE).T
    along = np.clip(z, -50.0, 50.0)
    shaft = np.sqrt(x**2 + y**2 + (z - along) ** 2) - 8.0
    condyle = np.sqrt(x**2 + (y - 3.0) ** 2 + (z + 44.0) ** 2) - 14.0
    knob = np.sqrt((x - 10.0) ** 2 + (y + 6.0) ** 2 + (z - 15.0) ** 2) - 7.0
    return np.minimum(np.minimum(shaft, condyle), knob).T


@cache
def skeleton(motion: tuple[float, ...] = (0.0,) * 6) -> Skeleton:
    """Its scan; ``motion`` (turn in degrees, shift in mm) takes it from where it lies to where it is seen."""
    grid = Grid.from_parts(SHAPE, SPACING)
    back = moved_by(motion).inverse()
    away = inside_bone(back.apply(grid.world_of_all().reshape(-1, 3))).reshape(SHAPE)
    hu = np.clip(600.0 - 550.0 * away, 50.0, 1100.0)
    x, y = np.moveaxis(grid.world_of_all()[..., :2] - MIDDLE[:2], -1, 0)
    hu = np.where(np.hypot(x, y) < 37.0, hu, -1000.0)
    return find_skeleton(Volume(hu.astype(np.float32), grid), AlignSettings())


def moved_by(motion: tuple[float, ...]) -> Rigid:
    return Rigid.from_vectors(np.radians(motion[:3]).tolist(), motion[3:], MIDDLE.tolist())


@cache
def field_of(motion: tuple[float, ...] = (0.0,) * 6) -> Field:
    return Field.of(skeleton(motion))


def test_a_field_knows_the_distance_to_bone_and_where_it_lies() -> None:
    """Within the clip of 12 mm the closed form of shaft, condyle and knob, to a third of the voxels of 1.6 mm."""
    field = field_of()
    rng = np.random.default_rng(1)
    points = MIDDLE + rng.uniform(-1, 1, (4000, 3)) * [16.0, 16.0, 55.0]
    true = inside_bone(points)
    shown = (np.abs(true) < 5.0) & field.grid.contains(points)
    value, slope = field.exact(points)
    assert np.median(np.abs(value - true)[shown]) < 0.5
    step = 0.05
    for axis in range(3):
        shift = step * np.eye(3)[axis]
        rise = (inside_bone(points + shift) - inside_bone(points - shift)) / (2 * step)
        assert np.corrcoef(slope[shown, axis], rise[shown])[0, 1] > 0.9
        assert np.polyfit(rise[shown], slope[shown, axis], 1)[0] == pytest.approx(1.0, abs=0.3)
    far, _ = field.exact(MIDDLE + np.array([[400.0, 0.0, 0.0], [0.0, 400.0, 0.0]]))
    assert far.max() <= 12.0
    assert far.min() > 9.0
    room = field.grid.to_index(skeleton().points)
    clear = np.minimum(room, np.array(field.grid.shape) - 1 - room) * field.grid.spacing
    assert (clear.min(axis=0)[1:] >= 11.0).all(), "12 mm of room around the bone where the scan has them"
    assert (clear.min(axis=0)[1:] <= 17.0).all()


def test_what_lies_beyond_a_field_is_as_far_as_its_end() -> None:
    field = field_of()
    ends = field.grid.to_world(np.array([[0, 0, 0], np.array(field.grid.shape) - 1], float))
    out = field.grid.to_world(np.array([[-9.0, -9, -9], np.array(field.grid.shape) + 8.0]))
    assert field.exact(out)[0] == pytest.approx(field.exact(ends)[0])


# ---- the whole search --------------------------------------------------------------------------------

LAID = {
    "nearly as before": (4.0, -5.0, 8.0, 6.0, -5.0, 7.0),
    "turned about its axis": (0.0, 0.0, 130.0, 3.0, 4.0, -6.0),
    "tilted": (20.0, 14.0, -40.0, -4.0, 5.0, 9.0),
    "feet first": (180.0, 0.0, 0.0, 2.0, -3.0, 4.0),
}


@pytest.mark.parametrize("name", LAID)
def test_the_first_pose_is_that_in_which_the_bone_was_laid_down(name: str) -> None:
    """To within 4 mm everywhere on the bone: from there grey values find the rest."""
    motion = LAID[name]
    fixed, moving = skeleton(), skeleton(motion)
    about = MIDDLE + np.array([25.0, 0.0, 10.0])
    found = search(fixed.points, moving, field_of(motion), about, 6)
    assert 1 <= len(found.score) <= 6
    assert (np.diff(found.score) >= 0).all()
    at = np.vstack([fixed.points[::200], about])
    off = np.linalg.norm(found.rigid(0).apply(at) - moved_by(motion).apply(at), axis=1)
    assert off.max() < 4.0
    spots = found.apply(np.stack([about, fixed.points.mean(axis=0)]))
    for k in range(len(found.score)):
        for other in range(k):
            turn = Rotation.from_matrix(found.rotation[k].T @ found.rotation[other]).magnitude()
            apart = np.linalg.norm(spots[k] - spots[other], axis=1).max()
            assert np.degrees(turn) > 3.9 or apart >= 2.9


def test_a_bone_that_is_seen_in_part_is_found_by_that_part() -> None:
    """The lower half of the bone alone in the fixed scan: it lies on the lower half of the moving one."""
    motion = LAID["tilted"]
    points = skeleton().points
    lower = points[points[:, 2] < MIDDLE[2] + 5.0]
    found = search(lower, skeleton(motion), field_of(motion), MIDDLE, 6)
    off = np.linalg.norm(found.rigid(0).apply(lower[::100]) - moved_by(motion).apply(lower[::100]), axis=1)
    assert off.max() < 4.0


# ---- its parts ---------------------------------------------------------------------------------------


@given(st.integers(1, 60), st.integers(1, 60))
def test_points_are_drawn_once_each_in_order_and_alike_every_time(size: int, count: int) -> None:
    points = np.zeros((size, 3))
    found = spread_out(points, count)
    assert len(found) == min(size, count)
    assert (np.diff(found) > 0).all()
    assert found.min() >= 0
    assert found.max() < size
    assert np.array_equal(found, spread_out(points, count))
    if size <= count:
        assert np.array_equal(found, np.arange(size))


def test_points_are_spread_over_all() -> None:
    drawn = spread_out(np.zeros((1000, 3)), 200)
    assert np.histogram(drawn, bins=4, range=(0, 1000))[0] == pytest.approx([50] * 4, abs=15)
    assert not np.array_equal(drawn, spread_out(np.zeros((1000, 3)), 200, seed=4))


def test_the_main_axis_is_that_of_the_longest_spread() -> None:
    axis = np.array([0.6, 0.0, 0.8])
    rng = np.random.default_rng(1)
    points = rng.normal(size=(500, 1)) * 30.0 * axis + rng.normal(size=(500, 3)) + np.array([90.0, -50.0, 20.0])
    assert abs(_main_axis(points) @ axis) == pytest.approx(1.0, abs=1e-3)


@given(st.lists(st.floats(-1, 1), min_size=3, max_size=3).filter(lambda v: np.linalg.norm(v) > 0.1))
def test_a_basis_is_right_handed_and_ends_with_its_axis(vector: list[float]) -> None:
    axis = np.array(vector) / np.linalg.norm(vector)
    basis = _basis(axis)
    assert basis @ basis.T == pytest.approx(np.eye(3), abs=1e-9)
    assert np.linalg.det(basis) == pytest.approx(1.0)
    assert basis[2] == pytest.approx(axis)


def test_shifts_across_are_a_cross_or_as_many_as_there_is_room_for() -> None:
    """Steps of 8 mm: the middle and four beside it; in a bone 20 mm wider one way three either way there."""
    cross = _cross_shifts(np.array([-5.0, 3.0]))
    assert sorted(map(tuple, cross.tolist())) == [(-8.0, 0.0), (0.0, -8.0), (0.0, 0.0), (0.0, 8.0), (8.0, 0.0)]
    wide = _cross_shifts(np.array([20.0, 3.0]))
    assert len(wide) == 7 * 3
    assert np.abs(wide).max(axis=0).tolist() == [24.0, 8.0]
    assert np.abs(_cross_shifts(np.array([90.0, 0.0]))).max(axis=0).tolist() == [32.0, 8.0]


def flat_field() -> Field:
    """Distances that grow evenly, in a part of a larger scan, both on slanting voxels."""
    directions = Rotation.from_rotvec([0.2, 0.5, 0.3]).as_matrix()
    spacing = np.array([2.0, 1.0, 1.5])
    grid = Grid.from_parts((14, 20, 16), tuple(spacing), (-6.0, -9.0, -7.0), directions)
    scan = Grid.from_parts((30, 40, 36), (1.1, 0.9, 1.0), (-9.0, -12.0, -8.0), directions)
    distance = (grid.world_of_all() @ np.array([0.3, -0.2, 0.5])).astype(np.float32)
    return Field(distance, np.zeros((distance.size, 3), np.float32), grid, scan)


def test_shifts_are_scored_by_the_distance_of_the_points_that_the_scan_holds() -> None:
    """Plain numpy: clipped at 8 mm, 0.4 mm for all that is not seen, given up under 22 % of overlap."""
    field = flat_field()
    rng = np.random.default_rng(3)
    points, shifts = rng.uniform(-6, 9, (70, 3)), rng.uniform(-28, 28, (60, 3))
    expected = []
    for shift in shifts:
        moved = points + shift
        inside = field.scan_grid.contains(moved)
        cell = np.floor(field.grid.to_index(moved) + 0.5).astype(int)
        known = ((cell >= 0) & (cell < field.grid.shape)).all(axis=1)
        away = np.full(len(points), 8.0)
        away[known] = np.minimum(np.abs(field.distance[tuple(cell[known].T)]), 8.0)
        share = inside.mean()
        expected.append(away[inside].mean() + 0.4 * (1 - share) if share >= 0.22 else 1e3)
    assert _score_shifts(points, shifts, field) == pytest.approx(expected)
    assert (np.array(expected) == 1e3).any()
    assert (np.array(expected) < 1e3).any()


def test_a_fitted_pose_is_scored_by_the_nearer_nine_tenths() -> None:
    """Plain numpy: clipped at 4 mm, the largest tenth of those seen left out."""
    field = flat_field()
    points = np.random.default_rng(5).uniform(-6, 9, (70, 3))
    turns = Rotation.from_rotvec(np.random.default_rng(6).normal(size=(12, 3)) * 0.3).as_matrix()
    poses = Poses(turns, np.random.default_rng(7).uniform(-28, 28, (12, 3)), np.zeros(12))
    expected = []
    for moved in poses.apply(points):
        inside = field.scan_grid.contains(moved)
        away = np.sort(np.minimum(np.abs(field.exact(moved)[0]), 4.0)[inside])
        kept = away[: max(int(0.9 * len(away)), 1)]
        share = inside.mean()
        expected.append(kept.sum() / max(len(kept), 1) + 0.4 * (1 - share) if share >= 0.22 else 1e3)
    found = trimmed_score(points, field, poses)
    assert found == pytest.approx(expected)
    assert (found == 1e3).any()
    assert (found < 1e3).any()


def test_poses_can_be_picked_joined_and_applied() -> None:
    turns = Rotation.from_rotvec(np.random.default_rng(2).normal(size=(3, 3))).as_matrix()
    poses = Poses(turns * 1.0000001, np.arange(9.0).reshape(3, 3), np.array([3.0, 1.0, 2.0]))
    points = np.random.default_rng(3).normal(size=(5, 3))
    for k in range(3):
        assert poses.rigid(k).apply(points) == pytest.approx(points @ turns[k].T + poses.shift[k], abs=1e-5)
        assert poses.apply(points)[k] == pytest.approx(poses.rigid(k).apply(points), abs=1e-5)
    joined = Poses.joined([poses.take([2]), poses])
    assert joined.score.tolist() == [2.0, 3.0, 1.0, 2.0]
    assert np.array_equal(joined.rotation[0], poses.rotation[2])
    assert joined.shift[0].tolist() == [6.0, 7.0, 8.0]
    best = _best(np.eye(3), poses.shift, poses.score, 2)
    assert best.score.tolist() == [1.0, 2.0]
    assert best.shift.tolist() == [[3.0, 4.0, 5.0], [6.0, 7.0, 8.0]]
    assert best.rotation.shape == (2, 3, 3)


def test_short_fits_settle_on_the_bone_and_do_not_run_away() -> None:
    """From 6 degrees and some millimetres off they come home; from far off no step is longer than its limits."""
    field = field_of()
    points = skeleton().points[spread_out(skeleton().points, 300)]
    starts = Rotation.from_rotvec(np.radians([[6.0, 0, 0], [0, 6.0, 0], [4.0, -4.0, 10.0]])).as_matrix()
    shift = MIDDLE - starts @ MIDDLE + np.array([[3.0, -2.0, 1.0], [-3.0, 3.0, 2.0], [2.0, 3.0, -3.0]])
    before = trimmed_score(points, field, Poses(starts, shift, np.zeros(3)))
    found = short_fits(points, field, Poses(starts, shift, np.zeros(3)), steps=12, last_scale_mm=0.6)
    off = np.linalg.norm(found.apply(points) - points, axis=2)
    assert off.max() < 2.5
    assert (found.score < 0.25 * before).all()
    assert found.score == pytest.approx(trimmed_score(points, field, found))
    once = short_fits(points, field, Poses(np.eye(3)[None], np.array([[11.0, 0.0, 60.0]]), np.zeros(1)), steps=1)
    turn = Rotation.from_matrix(once.rotation[0]).as_rotvec()
    assert np.abs(turn).max() <= 0.3 + 1e-9


def test_one_step_turns_by_three_tenths_and_shifts_by_ten_millimetres_at_most() -> None:
    """An even slope asks for 60 mm at once where the scale lets it count; numpy's step, cut."""
    field = flat_field()
    slope = np.array([0.3, -0.2, 0.5])
    steps = (slope @ (field.grid.directions * field.grid.spacing)).astype(np.float32)
    far = replace(field, distance=field.distance + np.float32(30.0), slope=np.tile(steps, (field.distance.size, 1)))
    points = np.random.default_rng(3).uniform(-1, 3, (80, 3))
    found = short_fits(points, far, Poses(np.eye(3)[None], np.zeros((1, 3)), np.zeros(1)), steps=1)
    middle = points.mean(axis=0)
    shift = found.apply(middle[None])[0, 0] - middle
    assert np.abs(shift).max() == pytest.approx(10.0, abs=1e-6)
    assert shift @ slope < 0


def test_the_best_of_every_slide_and_direction_is_kept_beside_the_best_of_all() -> None:
    """A bone laid on itself: slides of 8 mm over where at least a quarter of the shorter one overlaps."""
    own = skeleton()
    (bone,) = own.bones
    few = own.points[spread_out(own.points, 120)]
    centre, axis = own.points.mean(axis=0), _main_axis(own.points)
    length = float(np.ptp((own.points - centre) @ axis))
    best, by_slide = searching._along_bone(few, centre, axis, length, bone, field=field_of())
    reach = (length + bone.extent_mm) / 2 - 0.25 * min(length, bone.extent_mm)
    slides = int(np.ceil((2 * reach + 8.0) / 8.0 - 1e-9))
    assert len(by_slide.score) == 2 * 2 * slides
    assert len(best.score) == 2 * 36 * 12
    along = (by_slide.apply(centre[None])[:, 0] - bone.centre) @ bone.axis
    across = by_slide.apply(centre[None])[:, 0] - bone.centre - along[:, None] * bone.axis
    assert np.abs(along).max() == pytest.approx(reach, abs=8.0)
    assert np.unique(np.round(along, 3)).size >= slides
    assert np.linalg.norm(across, axis=1).max() <= 8.0 + 1e-6
    turned = by_slide.rotation @ axis @ bone.axis
    assert np.sort(np.round(np.unique(np.round(turned, 6)), 3)).tolist() == [-1.0, 1.0]
    assert best.score.min() == pytest.approx(min(best.score.min(), by_slide.score.min()))
    assert best.score.min() < 2.0
    for k in (0, len(by_slide.score) // 2, -1):
        own_score = _score_shifts(few @ by_slide.rotation[k].T, by_slide.shift[k : k + 1 or None][:1], field_of())
        assert own_score == pytest.approx(by_slide.score[k : k + 1 or None][:1])


def test_usual_ways_of_lying_are_tried_about_the_centre_of_each_bone() -> None:
    """24 turns about the table's axis, as before and turned over, on up to three bones; as it lay as well."""
    own = skeleton()
    few = own.points[spread_out(own.points, 120)]
    centre = own.points.mean(axis=0)
    found = searching._as_laid(few, centre, own, field_of())
    assert len(found.score) == 2 * (24 + 2) * 12
    angles = np.degrees(np.arctan2(found.rotation[:, 1, 0], found.rotation[:, 0, 0])) % 360
    assert np.unique(np.round(angles) % 360).tolist() == list(np.arange(0.0, 360.0, 15.0))
    assert np.unique(np.round(found.rotation[:, 2, 2])).tolist() == [-1.0, 1.0]
    stayed = (np.abs(found.rotation - np.eye(3)).max(axis=(1, 2)) < 1e-9) & (np.abs(found.shift).max(axis=1) == 0)
    assert stayed.any()
    assert found.score[stayed].min() == found.score.min() < 0.7
    many = SimpleNamespace(bones=own.bones * 5)
    assert len(searching._as_laid(few, centre, many, field_of()).score) == 2 * (3 * 24 + 2) * 12  # type: ignore[arg-type]
    away = found.apply(centre[None])[:, 0] - own.bones[0].centre
    on_bone = np.abs(away - 16.0 * np.round(away / 16.0)).max(axis=1) < 1e-6
    assert on_bone.sum() >= 2 * 24 * 12
    assert np.abs(away[on_bone]).max(axis=0) == pytest.approx([16.0, 16.0, 32.0])  # up to 32 mm along the table
