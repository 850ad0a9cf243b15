"""Bones with edges and bones side by side, beside a shell: closed forms of the sections, nothing of the program."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from mineralize.base import AlignSettings, Grid, Volume
from mineralize.bones import BoneNear, bone_near, find_skeleton
from mineralize.bones.beneath import ADDED_MM, replaced, still_bone
from mineralize.bones.bridge import ANGLES, LEVEL_MM, Bridge
from mineralize.bones.height_map import bend, carried_along
from mineralize.bones.zone import LesionZone

Array = NDArray[np.float64]
SPACING = (2.0, 0.9, 0.9)
SHAPE = (80, 130, 130)
SHELL_RADIUS = 11.0


def volume_of(section: Callable[[Array], Array], lesion: Array, shell_hu: float) -> Volume:
    """Bone where ``section`` (mm outside, at (..., 3) places) is negative, its cortex 4 mm thick, and a shell."""
    origin = [-(n - 1) * s / 2 for n, s in zip(SHAPE[::-1], SPACING[::-1], strict=True)]
    grid = Grid.from_parts(SHAPE, SPACING, origin)
    hu = np.zeros(SHAPE, np.float32)
    index = np.stack(np.meshgrid(*[np.arange(n, dtype=float) for n in SHAPE], indexing="ij"), axis=-1)
    steps = (-1 / 3, 0.0, 1 / 3)
    for shift in [(0.0, a, b) for a in steps for b in steps]:
        p = grid.to_world(index + shift)
        away = np.linalg.norm(p - lesion, axis=-1)
        part = np.where(np.hypot(p[..., 0], p[..., 1]) < 52, 55.0, -1000.0)
        part = np.where(away < SHELL_RADIUS, np.where(away > SHELL_RADIUS - 2.5, shell_hu, 40.0), part)
        out = section(p)
        hu += np.where(out < 0, np.where(out > -4.0, 1400.0, -60.0), part) / 9
    hu += np.random.default_rng(3).normal(0, 10, SHAPE)
    return Volume(np.rint(hu).astype(np.int16), grid)


def edged(p: Array) -> Array:
    """A section of three rounded edges, 1.5 mm round, as a shin bone has."""
    turn = np.radians([90.0, 210.0, 330.0])
    sides = np.stack([p[..., 0] * np.cos(a) + p[..., 1] * np.sin(a) - 7.5 for a in turn], axis=-1)
    # a soft maximum of the distances from the three sides rounds the edges
    return np.asarray(np.logaddexp.reduce(sides / 0.6, axis=-1) * 0.6)


def beside(volume: Volume, lesion: Array) -> BoneNear:
    skeleton = find_skeleton(volume, AlignSettings())
    return bone_near(volume, lesion, 24.0, skeleton, lesion_point=lesion, lesion_radius_mm=SHELL_RADIUS)


def test_an_edge_of_the_bone_stays_bone_beside_a_shell() -> None:
    """The shell lies 1 mm off the edge that points down (-y); smoothing around the bone would cut the edge off."""
    edge = next(y for y in np.arange(-10, -25, -0.02) if edged(np.array([0.0, y, 0.0])) > 0)
    lesion = np.array([0.0, edge - 1.0 - SHELL_RADIUS, 0.0])
    near = beside(volume_of(edged, lesion, 450.0), lesion)
    world = near.volume.grid.world_of_all()
    corner = (edged(world) < -0.5) & (world[..., 1] < edge + 5.0)
    shell = np.linalg.norm(world - lesion, axis=-1) < SHELL_RADIUS
    assert near.mask[corner].mean() > 0.9
    assert near.mask[shell].mean() < 0.02


def test_a_ridge_is_carried_along_the_shaft() -> None:
    """A ridge of three cells goes on under a gap as wide as a lesion; bending alone, without it, cuts it off."""
    level, angle = np.mgrid[0:60, 0:72]
    ridge = 12.0 + 0.02 * level + 4.0 * np.exp(-(((angle - 30.0) / 1.5) ** 2))
    weight = np.ones(ridge.shape)
    weight[18:44, 15:48] = 0.0
    hidden = weight == 0
    section = carried_along(ridge, weight)
    kept = section + bend(ridge - section, weight)
    assert np.abs(kept - ridge)[hidden].max() < 0.3
    assert np.abs(bend(ridge, weight) - ridge)[hidden].max() > 1.0


def test_an_angle_without_a_free_level_is_filled_from_its_neighbours() -> None:
    weight = np.ones((40, 72))
    weight[:, 20:30] = 0.0
    assert np.allclose(carried_along(np.full((40, 72), 13.0), weight), 13.0, atol=0.02)


def test_a_slim_bone_that_hangs_together_with_its_neighbour_elsewhere_stays_bone() -> None:
    """Two shafts that join at the lower end of the scan, as at an ankle; the shell lies on the slim one."""
    slim = np.array([27.0, 0.0])

    def pair(p: Array) -> Array:
        one = np.hypot(p[..., 0] + 6.0, p[..., 1]) - 11.0
        two = np.hypot(p[..., 0] - slim[0], p[..., 1] - slim[1]) - 5.5
        bar = np.maximum(np.abs(p[..., 2] + 72.0) - 8.0, np.hypot((p[..., 0] - 10.0) / 2.2, p[..., 1]) - 10.0)
        return np.asarray(np.minimum(np.minimum(one, two), bar))

    lesion = np.array([slim[0], -5.5 - SHELL_RADIUS + 2.0, 10.0])
    volume = volume_of(pair, lesion, 450.0)
    skeleton = find_skeleton(volume, AlignSettings())
    assert skeleton.label_at((slim[0], 0.0, 40.0)) == skeleton.label_at((-6.0, 10.0, 40.0))
    near = beside(volume, lesion)
    world = near.volume.grid.world_of_all()
    own = (np.hypot(world[..., 0] - slim[0], world[..., 1]) < 4.8) & (np.abs(world[..., 2] - 10.0) < 14.0)
    shell = (np.linalg.norm(world - lesion, axis=-1) < SHELL_RADIUS) & (pair(world) > 0)
    assert near.mask[own].mean() > 0.97
    assert near.mask[shell].mean() < 0.03


def tube(zone: LesionZone) -> Bridge:
    """The contour of a shaft of 9 mm radius along z, all of it hidden."""
    levels = np.arange(-45.0, 45.0, LEVEL_MM)
    hidden = np.ones((len(levels), ANGLES), bool)
    centre = np.stack([np.zeros(len(levels)), np.zeros(len(levels)), levels], axis=1)
    return Bridge(centre, np.eye(3), np.full(hidden.shape, 9.0), hidden, ~hidden, -45.0, False, zone)


def test_a_contour_takes_nothing_from_the_bone_beyond_the_lesion() -> None:
    """A second limb 40 mm away lies outside the contour of the shaft too, and is no part of the lesion."""
    made = tube(LesionZone(np.array([18.0, 0.0, 0.0]), 8.0))
    distance, applies = made.distance(np.array([[18.0, 0.0, 0.0], [40.0, 0.0, 0.0], [5.0, 0.0, 20.0]]))
    assert applies.tolist() == [True, False, True]
    assert np.allclose(distance[[0, 2]], [9.0, -4.0], atol=0.05)


def test_a_contour_adds_no_bone_where_none_is_bright() -> None:
    """The scan shows a shaft of 6 mm; a contour of 9 mm, gone astray, may add about a voxel and no more."""
    grid = Grid.from_parts((41, 51, 51), [1.0, 1.0, 1.0], [-25.0, -25.0, -20.0], np.eye(3))
    world = grid.world_of_all()
    seen = (np.hypot(world[..., 0], world[..., 1]) - 6.0).astype(np.float32)
    zone = LesionZone(np.array([14.0, 0.0, 0.0]), 6.0)
    now = replaced(seen, Volume(np.zeros(grid.shape, np.int16), grid), tube(zone), zone)
    assert np.abs(now - seen).max() > 0.9 * ADDED_MM
    assert (now >= seen - ADDED_MM - 1e-5).all()


def outside(bone: NDArray[np.bool_]) -> NDArray[np.float32]:
    return np.where(bone, -1.0, 1.0).astype(np.float32)


def test_what_goes_on_beyond_the_lesion_is_bone() -> None:
    """A plate through the zone, of which the continued contour takes a stretch off, and a lump that ends within it."""
    before = np.zeros((20, 30, 30), bool)
    before[8:12] = True  # a plate over the whole box
    lump = np.zeros_like(before)
    lump[12:16, 12:18, 12:18] = True
    changed = np.zeros_like(before)
    changed[:, 8:22, 8:22] = True
    after = before & ~changed
    alike = np.full(before.shape, 1000.0)
    assert np.array_equal(still_bone(outside(before), after, changed, alike), before & changed)
    assert not still_bone(outside(before | lump), before, changed, alike).any()


@pytest.mark.parametrize(("hu", "kept"), [(900.0, True), (600.0, True), (400.0, False)])
def test_what_goes_on_and_is_far_paler_than_cortex_is_no_bone(hu: float, kept: bool) -> None:
    """A shell broadly on bone of 1000 HU also goes on where the contour is not continued."""
    before = np.zeros((20, 30, 30), bool)
    before[8:12] = True
    changed = np.zeros_like(before)
    changed[:, 8:22, 8:22] = True
    scan = np.where(changed, hu, 1000.0)
    assert still_bone(outside(before), before & ~changed, changed, scan).any() == kept
    assert still_bone(outside(before), before & ~changed, changed, scan, edges_cut=True).any() == kept


def test_what_is_as_dense_as_free_cortex_is_bone() -> None:
    """A block with a cortex of 3 mm at 1000 HU: a corner of it taken off stays bone, a lump of 400 HU does not."""
    z, y, x = np.meshgrid(*(np.arange(n, dtype=float) for n in (30, 40, 40)), indexing="ij")
    bone = np.maximum(np.maximum(5.0 - z, z - 20.0), np.maximum(np.abs(y - 20.0), np.abs(x - 20.0)) - 15.0)
    lump = np.maximum(np.hypot(y - 20.0, x - 20.0) - 6.0, np.abs(z - 23.0) - 3.0)
    hu = np.where(bone < 0, np.where(bone > -3.0, 1000.0, 300.0), np.where(lump < 0, 400.0, 50.0))
    native = np.minimum(bone, lump).astype(np.float32)
    corner = (bone < 0) & (x > 28.0) & (y > 28.0)
    after = (bone < 0) & ~corner
    near_either = (np.hypot(y - 20.0, x - 20.0) < 8.0) & (z > 18.0) | (x > 26.0) & (y > 26.0)
    assert not still_bone(native, after, near_either, hu)[corner].all()
    alike = still_bone(native, after, near_either, hu, edges_cut=True)
    assert alike[corner].all()
    assert not alike[(lump < 0) & (bone >= 0)].any()
