"""Many small bones beside a shell, and the sparse end of a bone: closed forms, nothing of the program."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from mineralize.base import AlignSettings, Grid, Volume, even_directions
from mineralize.bones import Bone, Skeleton, bone_near, find_skeleton
from mineralize.bones.around import DIRECTIONS, shares_around
from mineralize.bones.parts import MANY_SMALL, filled_bone, many_small
from mineralize.bones.sparse import with_sparse_bone
from mineralize.bones.zone import LesionZone

Array = NDArray[np.float64]
SPACING = (1.6, 1.0, 1.0)
SHAPE = (70, 110, 110)
SHELL_RADIUS = 9.0


def grid_of(shape: tuple[int, int, int] = SHAPE) -> Grid:
    """The middle of the scan at the origin."""
    return Grid.from_parts(shape, SPACING, [-(n - 1) * s / 2 for n, s in zip(shape[::-1], SPACING[::-1], strict=True)])


def capsule(p: NDArray[Any], middle: Array, half_length: float, radius: float) -> Array:
    """mm outside a rod with round ends along z."""
    off = p - middle
    off[..., 2] -= np.clip(off[..., 2], -half_length, half_length)
    return np.asarray(np.linalg.norm(off, axis=-1) - radius)


def hand(bones: int, shell_at: Array) -> Volume:
    """A mitten of soft tissue with small bones (12 mm thick, 28 mm long) in two rows, and a free shell."""
    grid = grid_of()
    p = grid.world_of_all()
    hu = np.where(np.hypot(p[..., 0], p[..., 1]) < 50, 55.0, -1000.0)
    for k in range(bones):
        out = capsule(p.copy(), np.array([-36.0 + 18.0 * (k // 2), 20.0, 20.0 - 40.0 * (k % 2)]), 8.0, 6.0)
        hu = np.where(out < 0, np.where(out > -2.0, 900.0, 150.0), hu)
    away = np.linalg.norm(p - shell_at, axis=-1)
    hu = np.where(away < SHELL_RADIUS, np.where(away > SHELL_RADIUS - 2.5, 500.0, 40.0), hu)
    return Volume(np.rint(hu + np.random.default_rng(5).normal(0, 10, SHAPE)).astype(np.int16), grid)


@pytest.mark.parametrize(("bones", "many"), [(10, True), (MANY_SMALL - 3, False)])
def test_compact_parts_are_bones_where_there_are_many_of_them(bones: int, many: bool) -> None:
    """A hand holds 27 bones, most of them compact (any textbook of anatomy); what lies beside one is not part of it."""
    shell_at = np.array([-36.0, 20.0 - 6.0 - 4.0 - SHELL_RADIUS, 20.0])
    volume = hand(bones, shell_at)
    skeleton = find_skeleton(volume, AlignSettings())
    assert skeleton.many_small is many
    near = bone_near(volume, shell_at, 30.0, skeleton, lesion_point=shell_at, lesion_radius_mm=18.0)
    world = near.volume.grid.world_of_all()
    shell = np.linalg.norm(world - shell_at, axis=-1) < SHELL_RADIUS
    neighbour = capsule(world.copy(), np.array([-36.0, 20.0, 20.0]), 8.0, 6.0) < -1.0
    assert near.mask[shell].mean() < 0.02
    assert bool(near.mask[neighbour].mean() > 0.95) is many


def test_a_skull_in_pieces_is_no_hand() -> None:
    """A scan with a large part that is no long bone shows no hand, however many compact parts it has."""
    compact = SimpleNamespace(volume_mm3=3000.0, depth_mm=5.0, long=False)
    shaft = SimpleNamespace(volume_mm3=240_000.0, depth_mm=np.inf, long=True)
    vault = SimpleNamespace(volume_mm3=160_000.0, depth_mm=np.inf, long=False)
    assert many_small(cast(list[Bone], [shaft, *[compact] * MANY_SMALL]))
    assert not many_small(cast(list[Bone], [vault, *[compact] * MANY_SMALL]))
    assert not many_small(cast(list[Bone], [shaft, *[compact] * (MANY_SMALL - 1)]))


def part_seen(skeleton_labels: NDArray[np.int16], grid: Grid) -> Skeleton:
    empty = np.zeros((0, 3))
    none = np.zeros(0)
    return Skeleton(grid, skeleton_labels, skeleton_labels > 0, (), (), empty, empty, none.astype(np.int16), none, grid)


@given(distance=st.floats(14.0, 40.0), radius=st.floats(6.0, 12.0))
@settings(max_examples=15, deadline=None)
def test_a_ball_takes_up_its_cap_of_the_directions(distance: float, radius: float) -> None:
    """Solid angle of a ball: (1 - cos a) / 2 of all directions with sin a = radius / distance (elementary geometry)."""
    grid = Grid.from_parts((100, 100, 100), [1.0, 1.0, 1.0], [-49.5] * 3)
    ball = np.linalg.norm(grid.world_of_all() - [0.0, 0.0, distance - 30.0], axis=-1) < radius
    share = shares_around(part_seen(ball.astype(np.int16), grid), np.array([0.0, 0.0, -30.0]))[1]
    assert share == pytest.approx((1 - np.sqrt(1 - (radius / distance) ** 2)) / 2, rel=0.15, abs=0.004)


def test_directions_favour_none() -> None:
    """The second moment of an even spread over the sphere is a third in every direction."""
    u = even_directions(DIRECTIONS)
    np.testing.assert_allclose(np.linalg.norm(u, axis=1), 1.0)
    np.testing.assert_allclose(u.T @ u / len(u), np.eye(3) / 3, atol=0.002)


def bone_with_sparse_end(shell_hu: float) -> tuple[Array, Grid, NDArray[np.bool_], NDArray[np.float32], Array, Array]:
    """A rod of dense bone up to z = -10, its end of thin cortex (200 HU) beyond, and a shell that touches the rod."""
    grid = grid_of()
    p = grid.world_of_all()
    rod = capsule(p.copy(), np.array([0.0, 20.0, -40.0]), 30.0, 9.0)
    end = capsule(p.copy(), np.array([0.0, 20.0, 5.0]), 15.0, 9.0)
    middle = np.array([0.0, 20.0 - 9.0 - SHELL_RADIUS, -30.0])
    away = np.linalg.norm(p - middle, axis=-1)
    hu = np.full(SHAPE, 55.0)
    hu[(end < 0) & (end > -2.0)] = 220.0
    hu[(away < SHELL_RADIUS) & (away > SHELL_RADIUS - 2.5)] = shell_hu
    hu[(away <= SHELL_RADIUS - 2.5)] = 40.0
    hu[rod < 0] = 900.0
    return hu, grid, rod < 0, rod.astype(np.float32), end, away


def test_the_sparse_end_goes_on_from_bone_and_the_shell_does_not() -> None:
    hu, grid, mask, distance, end, away = bone_with_sparse_end(400.0)
    zone = LesionZone(np.array([0.0, 20.0 - 9.0 - SHELL_RADIUS, -30.0]), 18.0)
    more, field = with_sparse_bone(Volume(hu.astype(np.float32), grid), mask, distance, zone)
    cortex = (end < -0.5) & (end > -1.5)
    assert more[cortex].mean() > 0.95
    assert more[(end < -3.0)].mean() > 0.9, "its marrow is filled"
    assert more[(away < SHELL_RADIUS) & ~mask].mean() < 0.02
    np.testing.assert_array_equal(more[mask], True)
    assert (field <= distance).all()
    assert np.abs(field - np.minimum(distance, end))[(end > 1) & (end < 5) & (distance > 3)].mean() < 1.0


def test_a_skirt_of_blur_and_noise_is_no_bone() -> None:
    """Within 3 mm of the rod the scan is bright, and noise of 35 HU lies over all of it."""
    hu, grid, mask, distance, end, away = bone_with_sparse_end(400.0)
    hu[(end < 0) & ~mask & (away > SHELL_RADIUS)] = 55.0
    hu[(distance > 0) & (distance < 3.0) & (away > SHELL_RADIUS)] = 190.0
    hu += np.random.default_rng(2).normal(0, 35.0, SHAPE)
    zone = LesionZone(np.array([0.0, 20.0 - 9.0 - SHELL_RADIUS, -30.0]), 18.0)
    more, field = with_sparse_bone(Volume(hu.astype(np.float32), grid), mask, distance, zone)
    np.testing.assert_array_equal(more, mask)
    np.testing.assert_array_equal(field, distance)


def test_without_a_wall_to_be_seen_nothing_is_taken() -> None:
    hu, grid, mask, distance, _, away = bone_with_sparse_end(400.0)
    hu[(away < SHELL_RADIUS) & ~mask] = 40.0
    more, _ = with_sparse_bone(
        Volume(hu.astype(np.float32), grid), mask, distance, LesionZone(np.array([0.0, -45.0, -30.0]), 6.0)
    )
    np.testing.assert_array_equal(more, mask)


@pytest.mark.parametrize("radius", [45.0, 60.0])
@pytest.mark.parametrize("axis", [0, 1, 2])
def test_the_hollow_of_a_bowl_is_no_marrow(radius: float, axis: int) -> None:
    """A plane across the axis of a bowl cuts a ring out of it, which a shaft does too; only the shaft is filled."""
    grid = Grid.from_parts((50, 50, 50), [2.0, 2.0, 2.0], [-49.0, -49.0, -49.0])
    p = np.moveaxis(grid.world_of_all()[..., ::-1], -1, 0)
    along, across = p[axis], np.sqrt(sum(p[a] ** 2 for a in range(3) if a != axis))
    from_centre = np.sqrt(across**2 + (along + radius - 10.0) ** 2)
    bowl = (np.abs(from_centre - radius) < 2.5) & (along > -20.0)
    hollow = (from_centre < radius - 3.0) & (along > -20.0)
    assert filled_bone(bowl, grid)[hollow].mean() < 0.02
    tube = (across < 14.0) & (across > 10.0)
    assert filled_bone(tube, grid)[across < 9.0].all()


@pytest.mark.parametrize("gap", [1.0, 2.5])
def test_a_dense_shell_that_is_one_part_with_a_small_bone_is_cut_out_of_it(gap: float) -> None:
    """The coarse voxels close a gap of 1 mm; with the shell's outline known, the bone keeps its own shape."""
    shell_at = np.array([-36.0, 20.0 - 6.0 - gap - SHELL_RADIUS, 20.0])
    volume = hand(10, shell_at)
    skeleton = find_skeleton(volume, AlignSettings())
    surface = shell_at + SHELL_RADIUS * even_directions(DIRECTIONS)
    near = bone_near(
        volume, shell_at, 30.0, skeleton, lesion_point=shell_at, lesion_radius_mm=SHELL_RADIUS, lesion_surface=surface
    )
    world = near.volume.grid.world_of_all()
    shell = np.linalg.norm(world - shell_at, axis=-1) < SHELL_RADIUS - 0.5
    neighbour = capsule(world.copy(), np.array([-36.0, 20.0, 20.0]), 8.0, 6.0)
    assert near.mask[shell].mean() < 0.02
    assert near.mask[neighbour < -1.5].mean() > 0.9
