"""Bones of analytic scenes: closed-form cylinders, shells and tables."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from mineralize.base import AlignSettings, Grid, Volume
from mineralize.bones import Skeleton, block_mean, bone_near, find_skeleton
from mineralize.bones.mask import bone_mask_near, bone_surface_near
from mineralize.bones.skeleton import body_mask
from mineralize.surface import sphere_directions

SETTINGS = AlignSettings()
RADIUS, CORTEX = 13.0, 5.0
SPACING = (1.5, 0.8, 0.8)
SHAPE = (80, 150, 150)


def scene(
    lesion: tuple[float, float, float] | None = None,
    radius: float = 12.0,
    shell_hu: float = 450.0,
    cortex_hu: float = 1300.0,
    table: bool = False,
    long: float = 1.0,
) -> Volume:
    """A tube along z in a limb of muscle, averaged over 2 x 2 sub-voxels in the plane, with noise of 12 HU."""
    origin = (-(SHAPE[2] - 1) * SPACING[2] / 2, -(SHAPE[1] - 1) * SPACING[1] / 2, -(SHAPE[0] - 1) * SPACING[0] / 2)
    grid = Grid.from_parts(SHAPE, SPACING, origin)
    hu = np.zeros(SHAPE, np.float32)
    base = np.stack(np.meshgrid(*[np.arange(n, dtype=float) for n in SHAPE], indexing="ij"), axis=-1)
    for dr in (-0.25, 0.25):
        for dc in (-0.25, 0.25):
            hu += (
                tissue(grid.to_world(base + np.array([0, dr, dc])), lesion, radius, shell_hu, cortex_hu, table, long)
                / 4
            )
    hu += np.random.default_rng(1).normal(0, 12, SHAPE)
    return Volume(np.rint(hu).astype(np.int16), grid)


def tissue(
    p: NDArray[np.float64],
    lesion: tuple[float, float, float] | None,
    radius: float,
    shell_hu: float,
    cortex_hu: float,
    table: bool,
    long: float,
) -> NDArray[np.float32]:
    r = np.hypot(p[..., 0], p[..., 1])
    hu = np.where(r < 45, 55.0, -1000.0)
    if lesion is not None:
        d = np.linalg.norm((p - np.array(lesion)) / np.array([1.0, 1.0, long]), axis=-1)
        hu = np.where(d < radius, np.where(d > radius - 3, shell_hu, 30.0), hu)
    hu = np.where(r < RADIUS, cortex_hu, hu)
    hu = np.where(r < RADIUS - CORTEX, -60.0, hu)
    if table:
        hu = np.where((p[..., 1] > 52) & (p[..., 1] < 54), 400.0, hu)
    return hu.astype(np.float32)


def lateral(points: NDArray[np.floating]) -> NDArray[np.floating]:
    return np.hypot(points[:, 0], points[:, 1])


@pytest.fixture(scope="module")
def plain() -> Skeleton:
    return find_skeleton(scene((0.0, 32.0, 0.0), 10.0, table=True), SETTINGS)


def test_block_mean_keeps_the_mean_and_the_place() -> None:
    grid = Grid.from_parts((4, 6, 6), (1.0, 0.75, 0.75), (3.0, -2.0, 7.0))
    hu = np.arange(4 * 36, dtype=np.int16).reshape(4, 6, 6)
    coarse, there = block_mean(Volume(hu, grid), 1.5)
    assert coarse.mean() == pytest.approx(hu[: coarse.shape[0] * (4 // coarse.shape[0])].mean())
    first = grid.to_world((np.array(grid.shape) / np.array(coarse.shape) - 1) / 2)
    assert there.to_world([0, 0, 0]) == pytest.approx(first)


def test_surface_lies_on_the_radius_of_the_tube(plain: Skeleton) -> None:
    assert len(plain.bones) == 1
    error = lateral(plain.points) - RADIUS
    assert abs(np.median(error)) < 0.1
    assert np.percentile(np.abs(error), 95) < 0.3
    radial = plain.points * [1, 1, 0] / lateral(plain.points)[:, None]
    assert np.percentile((plain.normals * radial).sum(axis=1), 2) > 0.97


def test_half_maximum_does_not_move_with_the_density_of_cortex() -> None:
    faint = find_skeleton(scene(cortex_hu=900.0), SETTINGS)
    dense = find_skeleton(scene(cortex_hu=1900.0), SETTINGS)
    assert np.median(lateral(faint.points)) == pytest.approx(np.median(lateral(dense.points)), abs=0.05)


def test_table_is_not_body_and_a_free_lesion_is_not_bone(plain: Skeleton) -> None:
    rows = plain.grid.to_index(np.array([0.0, 53.0, 0.0]))[1]
    assert not plain.body[:, round(rows), :].any()
    assert plain.bones[0].tubular
    assert len(plain.doubtful) == 1
    assert "free" in plain.doubtful[0].reason


def test_the_body_does_not_depend_on_the_air_around_it() -> None:
    """Lumps and folds as thin as the ball that opens them, cut by the first and last slice only."""
    blobs = ndimage.gaussian_filter(np.random.default_rng(5).normal(size=(20, 44, 40)), (0.0, 1.5, 1.5))
    hu = np.where(blobs > 0.0, 40.0, -1000.0).astype(np.float32)
    hu[:, 15:25, 15:25] = 800.0

    def body(air: int) -> NDArray[np.bool_]:
        wide = np.pad(hu, ((0, 0), (air, air), (air, air)), constant_values=-1000.0)
        found = body_mask(wide, Grid.from_parts(wide.shape, (2.0, 1.8, 1.8)))
        inner = found[:, air:-air, air:-air]
        assert inner.sum() == found.sum()
        return inner

    assert 0 < body(8).sum() < (hu > -300).sum()
    assert (body(8) == body(40)).all()


def test_a_scan_without_bone_has_an_empty_skeleton() -> None:
    grid = Grid.from_parts((20, 40, 40), (2.0, 1.0, 1.0))
    hu = np.full(grid.shape, -1000, np.int16)
    hu[:, 8:32, 8:32] = 40
    found = find_skeleton(Volume(hu, grid), SETTINGS)
    assert found.bones == ()
    assert found.points.shape == (0, 3)
    assert found.nearest_bone((0, 0, 0)) is None


@pytest.mark.parametrize(
    ("gap", "shell_hu"), [(4.0, 450.0), (0.0, 450.0), (-2.0, 450.0), (-2.0, 900.0), (-3.0, 1100.0)]
)
def test_bone_mask_keeps_its_contour_beneath_a_lesion(gap: float, shell_hu: float) -> None:
    lesion = (0.0, RADIUS + 12.0 + gap, 0.0)
    volume = scene(lesion, 12.0, shell_hu)
    skeleton = find_skeleton(volume, SETTINGS)
    near = bone_near(volume, lesion, 26.0, skeleton, lesion_point=lesion, lesion_radius_mm=12.0)
    world = near.volume.grid.world_of_all()
    truth = np.hypot(world[..., 0], world[..., 1]) < RADIUS
    inside = (np.linalg.norm(world - np.array(lesion), axis=-1) < 12.0) & ~truth
    assert (near.mask & inside).sum() / inside.sum() < 0.02
    assert (near.mask ^ truth).sum() / truth.sum() < 0.04
    band = np.abs(np.hypot(world[..., 0], world[..., 1]) - RADIUS) < 1.0
    error = near.distance[band] - (np.hypot(world[..., 0], world[..., 1]) - RADIUS)[band]
    assert np.percentile(np.abs(error), 95) < 0.5
    assert np.abs(lateral(near.points) - RADIUS).max() < 1.0


def test_a_long_lesion_on_bone_is_parted_by_its_shape() -> None:
    """A shell of 24 x 24 x 84 mm fused with the shaft, in a field of 120 mm."""
    lesion, long = (0.0, RADIUS + 11.0, 0.0), 3.5
    volume = scene(lesion, 12.0, 900.0, long=long)
    skeleton = find_skeleton(volume, SETTINGS)
    directions, _ = sphere_directions(1500)
    surface = lesion + 12.0 * directions * [1.0, 1.0, long]
    near = bone_near(
        volume, lesion, 55.0, skeleton, lesion_point=lesion, lesion_radius_mm=12.0 * long, lesion_surface=surface
    )
    world = near.volume.grid.world_of_all()
    truth = np.hypot(world[..., 0], world[..., 1]) < RADIUS
    own = (np.linalg.norm((world - lesion) / [1.0, 1.0, long], axis=-1) < 12.0) & ~truth
    assert (near.mask ^ truth).sum() / truth.sum() < 0.04
    assert (near.mask & own).sum() / own.sum() < 0.02


def test_a_shell_like_a_shaft_is_known_by_its_outline() -> None:
    """Alone beside the bone and longer than any compact part: only the outline says that it is the lesion."""
    lesion, long = (0.0, 32.0, 0.0), 3.5
    volume = scene(lesion, 12.0, 900.0, long=long)
    skeleton = find_skeleton(volume, SETTINGS)
    assert skeleton.label_at((0.0, 43.0, 0.0)) in [bone.label for bone in skeleton.bones if bone.tubular]
    directions, _ = sphere_directions(1500)
    surface = lesion + 12.0 * directions * [1.0, 1.0, long]
    near = bone_near(
        volume, lesion, 55.0, skeleton, lesion_point=lesion, lesion_radius_mm=12.0 * long, lesion_surface=surface
    )
    world = near.volume.grid.world_of_all()
    own = np.linalg.norm((world - lesion) / [1.0, 1.0, long], axis=-1) < 12.0
    assert not near.mask[own].any()
    assert near.mask[np.hypot(world[..., 0], world[..., 1]) < RADIUS - 1.0].mean() > 0.99


def test_an_open_piece_of_a_thick_shell_is_known_by_its_outline() -> None:
    """Half of the points on its surface lie on its inner face, away from the outline but inside it."""
    lesion, long = (0.0, 32.0, 0.0), 3.5
    closed = scene(lesion, 12.0, 900.0, long=long)
    away = (closed.grid.world_of_all() - lesion) / [1.0, 1.0, long]
    depth = 12.0 - np.linalg.norm(away, axis=-1)
    hu = closed.hu.copy()
    hu[(depth > 0) & (depth < 4.5) & (away[..., 1] > 0)] = 900
    hu[(depth > 0) & (away[..., 1] <= 0)] = 30
    volume = Volume(hu, closed.grid)
    skeleton = find_skeleton(volume, SETTINGS)
    assert skeleton.label_at((0.0, 42.0, 0.0)) > 0
    directions, _ = sphere_directions(1500)
    surface = lesion + 12.0 * directions * [1.0, 1.0, long]
    near = bone_near(
        volume, lesion, 55.0, skeleton, lesion_point=lesion, lesion_radius_mm=12.0 * long, lesion_surface=surface
    )
    world = near.volume.grid.world_of_all()
    own = np.linalg.norm((world - lesion) / [1.0, 1.0, long], axis=-1) < 12.0
    assert not near.mask[own].any()
    assert near.mask[np.hypot(world[..., 0], world[..., 1]) < RADIUS - 1.0].mean() > 0.99


def test_bone_mask_and_points_without_a_lesion(plain: Skeleton) -> None:
    volume = scene(table=True)
    crop, mask = bone_mask_near(volume, (0.0, 0.0, 0.0), 20.0, find_skeleton(volume, SETTINGS))
    expected = np.pi * RADIUS**2 * crop.grid.shape[0] * crop.grid.spacing[0]
    assert mask.sum() * crop.grid.voxel_volume_mm3 == pytest.approx(expected, rel=0.02)
    points, normals = bone_surface_near(plain, (RADIUS, 0.0, 0.0), 8.0)
    assert len(points) == len(normals) > 20
    assert (np.linalg.norm(points - [RADIUS, 0, 0], axis=1) <= 8.0).all()
