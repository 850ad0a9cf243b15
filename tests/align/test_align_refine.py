"""Grey values and surfaces fitted to each other: motions, gains and blurs that are known, and numpy beside it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from mineralize.align import refine
from mineralize.align.refine import (
    Blurred,
    GreyFit,
    Samples,
    common_sigma,
    fit_grey,
    fit_surface,
)
from mineralize.base import Grid, Rigid, Volume

DIRECTIONS = Rotation.from_rotvec([0.3, 0.2, -0.5]).as_matrix()


def grid_of(shape: tuple[int, int, int], spacing: tuple[float, float, float], directions: Any = DIRECTIONS) -> Grid:
    """A grid about the origin."""
    origin = -directions @ (np.array(spacing) * (np.array(shape) - 1) / 2)
    return Grid.from_parts(shape, spacing, tuple(origin), directions)


CENTRES = np.random.default_rng(2).uniform(-14, 14, (30, 3))
HEIGHTS = np.random.default_rng(3).normal(0, 500, 30)


def smooth(world: Any) -> Any:
    """A sum of Gaussian humps of 5 mm, HU."""
    apart = ((world[..., None, :] - CENTRES) ** 2).sum(axis=-1)
    return np.exp(-apart / 50.0) @ HEIGHTS


GRID = grid_of((26, 40, 40), (1.6, 1.0, 1.0))


def image(gain: float = 1.0, offset: float = 0.0, grid: Grid = GRID) -> Blurred:
    return Blurred((gain * smooth(grid.world_of_all()) + offset).astype(np.float32), grid)


def samples_of(here: Blurred, count: int = 3000) -> Samples:
    world = np.random.default_rng(7).uniform(-11, 11, (count, 3))
    return Samples(world, here.at(world), here.gradient_at(world), np.arange(count))


# ---- resolution --------------------------------------------------------------------------------------


def test_the_common_resolution_is_that_of_the_thicker_slices_or_coarser() -> None:
    """A box of width t has a standard deviation of t / sqrt(12) (closed form)."""
    thin, thick = grid_of((3, 3, 3), (1.0, 0.5, 0.5)), grid_of((3, 3, 3), (6.0, 0.5, 0.5))
    assert common_sigma(thin, thin, 0.9) == 0.9
    assert common_sigma(thin, thick, 0.9) == common_sigma(thick, thin, 0.9) == pytest.approx(6.0 / np.sqrt(12))
    assert common_sigma(thin, thick, 2.0) == 2.0


def test_a_point_is_blurred_to_the_resolution_that_was_asked_for() -> None:
    """Second moments of a bright voxel: s^2 less t^2 / 12 across slices, less 0.5^2 within them; nothing is lost."""
    grid = grid_of((41, 61, 61), (1.5, 0.8, 0.8))
    hu = np.zeros(grid.shape, np.float32)
    hu[20, 30, 30] = 1000.0
    seen = Blurred.around(Volume(hu, grid), np.zeros((1, 3)), 16.0, 2.5)
    index = np.argwhere(np.ones(seen.hu.shape, bool))
    weight = seen.hu.ravel() / seen.hu.sum()
    middle = (weight[:, None] * index).sum(axis=0)
    variance = (weight[:, None] * (index - middle) ** 2).sum(axis=0) * seen.grid.spacing**2
    expected = [2.5**2 - 1.5**2 / 12, 2.5**2 - 0.25, 2.5**2 - 0.25]
    assert variance == pytest.approx(expected, rel=0.04)  # three standard deviations of the filter are kept
    assert seen.hu.sum() == pytest.approx(1000.0, rel=1e-3)
    assert seen.grid.to_world(middle) == pytest.approx(np.zeros(3), abs=1e-3)
    again = seen.further(1.5)
    weight = again.hu.ravel() / again.hu.sum()
    wider = (weight[:, None] * (index - middle) ** 2).sum(axis=0) * seen.grid.spacing**2
    assert wider - variance == pytest.approx([2.25] * 3, rel=0.08)


def test_what_is_as_fine_as_asked_for_is_not_blurred() -> None:
    grid = grid_of((20, 20, 20), (6.0, 1.0, 1.0))
    hu = np.random.default_rng(0).normal(size=grid.shape).astype(np.float32)
    seen = Blurred.around(Volume(hu, grid), grid.world_of_all().reshape(-1, 3), 1.0, 0.5)
    assert np.array_equal(seen.hu, hu)


def test_grey_values_near_metal_are_unknown_far_within_its_slices_and_near_across_them() -> None:
    """Streaks run within slices: 40 mm there, 4 mm across."""
    grid = grid_of((21, 61, 61), (1.0, 1.5, 1.5), np.eye(3))
    hu = np.full(grid.shape, 50.0, np.float32)
    hu[10, 30, 30] = 3000.0
    lost = np.isnan(Blurred.around(Volume(hu, grid), grid.world_of_all().reshape(-1, 3), 1.0, 1.0).hu)
    off = (np.indices(grid.shape).transpose(1, 2, 3, 0) - [10, 30, 30]) * grid.spacing
    assert np.array_equal(lost, np.linalg.norm(off / [4.0, 40.0, 40.0], axis=-1) <= 1.0 + 1e-9)
    hu = np.full(grid.shape, 50.0, np.float32)
    hu[10, 30, 30] = 2000.0
    assert not np.isnan(Blurred.around(Volume(hu, grid), np.zeros((1, 3)), 9.0, 1.0).hu).any()


def test_gradients_of_an_even_slope_are_exact() -> None:
    slope = np.array([3.0, -2.0, 5.0])
    flat = Blurred((GRID.world_of_all() @ slope).astype(np.float32), GRID)
    world = np.random.default_rng(1).uniform(-9, 9, (50, 3))
    assert flat.at(world) == pytest.approx(world @ slope, abs=1e-3)
    assert flat.gradient_at(world) == pytest.approx(np.tile(slope, (50, 1)), abs=1e-3)


def test_samples_lie_from_four_millimetres_inside_to_three_outside_of_the_surface() -> None:
    slope = np.array([3.0, -2.0, 5.0])
    flat = Blurred((GRID.world_of_all() @ slope).astype(np.float32), GRID)
    points, normals = np.array([[0.0, 0, 0], [1.0, 2.0, 3.0]]), np.array([[0.0, 0, 1.0], [0.6, 0.8, 0.0]])
    found = Samples.along_normals(flat, points, normals)
    expected = np.concatenate([p + np.arange(-4.0, 4.0)[:, None] * n for p, n in zip(points, normals, strict=True)])
    assert found.world == pytest.approx(expected)
    assert found.surface.tolist() == [0] * 8 + [1] * 8
    assert found.value == pytest.approx(expected @ slope, abs=1e-3)
    assert found.gradient == pytest.approx(np.tile(slope, (16, 1)), abs=1e-3)
    half = found.take(found.surface == 1)
    assert np.array_equal(half.world, found.world[8:])
    assert half.surface.tolist() == [1] * 8


def test_samples_outside_the_scan_or_near_metal_are_left_out() -> None:
    hu = np.zeros(GRID.shape, np.float32)
    outward = GRID.directions[:, 0]
    metal = GRID.to_world(GRID.to_index(6.5 * outward).round())
    hu[tuple(GRID.to_index(metal).round().astype(int))] = np.nan
    end = GRID.to_world([GRID.shape[0] - 1, 20, 20])
    found = Samples.along_normals(Blurred(hu, GRID), np.stack([np.zeros(3), end]), np.stack([outward, outward]))
    assert np.isfinite(found.value).all()
    assert np.isfinite(found.gradient).all()
    assert (np.linalg.norm(found.world[found.surface == 0] - metal, axis=1) > 1.6).all()
    assert (found.surface == 1).sum() == 5  # 4 mm inside to the end itself
    assert 0 < (found.surface == 0).sum() < 8


# ---- grey values -------------------------------------------------------------------------------------

MOTION = Rigid.from_vectors((0.03, -0.02, 0.04), (0.9, -0.7, 0.5), (3.0, 2.0, 1.0))


@pytest.fixture(scope="module")
def fitted() -> tuple[Samples, Blurred, GreyFit]:
    """The moving scan is the fixed one moved, of 1 / 1.25 of its contrast and 20 HU less."""
    here = image()
    moved = Grid(GRID.shape, MOTION.matrix @ GRID.affine)
    there = Blurred(((smooth(GRID.world_of_all()) - 25.0) / 1.25).astype(np.float32), moved)
    samples = samples_of(here)
    return samples, there, fit_grey(samples, there, Rigid.identity(), steps=25)


def test_a_motion_gain_and_offset_come_back(fitted: tuple[Samples, Blurred, GreyFit]) -> None:
    samples, _, found = fitted
    at = np.random.default_rng(5).uniform(-15, 15, (20, 3))
    assert found.pose.apply(at) == pytest.approx(MOTION.apply(at), abs=0.01)
    assert found.gain == pytest.approx(1.25, rel=0.005)
    assert found.settled
    assert found.overlap == 1.0
    assert found.cost < 1e-4
    assert found.correlation == pytest.approx(1.0, abs=1e-4)
    assert found.pivot == pytest.approx(samples.world.mean(axis=0))
    assert np.abs(found.residual).max() < 12.0
    assert np.isfinite(found.residual).all()


def test_the_covariance_is_that_of_weighted_least_squares(fitted: tuple[Samples, Blurred, GreyFit]) -> None:
    samples, _, found = fitted
    rows = np.concatenate([np.cross(samples.world - found.pivot, samples.gradient), samples.gradient], axis=1)
    variance = (found.weight * found.residual**2).sum() / (found.weight.sum() - 8)
    expected = np.linalg.inv(rows.T @ (found.weight[:, None] * rows)) * variance
    assert found.covariance == pytest.approx(expected, rel=1e-6)


def test_one_step_is_that_of_gauss_and_newton_by_numpy(fitted: tuple[Samples, Blurred, GreyFit]) -> None:
    """Unknowns: turn and shift of the fixed frame, gain and offset; Tukey's weights on 1.4826 of the median."""
    samples, there, _ = fitted
    seen = there.at(samples.world)
    gain = samples.value.std() / seen.std()
    residual = gain * seen + np.median(samples.value) - gain * np.median(seen) - samples.value
    scale = 1.4826 * np.median(np.abs(residual))
    weight = np.clip(1 - (residual / (4.0 * scale)) ** 2, 0, None) ** 2
    pivot = samples.world.mean(axis=0)
    rows = np.column_stack(
        [np.cross(samples.world - pivot, samples.gradient), samples.gradient, -seen, -np.ones(len(seen))]
    )
    step = np.linalg.solve(rows.T @ (weight[:, None] * rows), rows.T @ (weight * residual))
    small = Rigid.from_vectors(step[:3].tolist(), step[3:6].tolist(), pivot.tolist())
    found = fit_grey(samples, there, Rigid.identity(), steps=1, tolerance_mm=1e-9)
    assert found.pose.matrix == pytest.approx(small.inverse().matrix, abs=2e-4)
    assert found.gain == pytest.approx(gain + step[6], rel=1e-3)
    after = there.at(found.pose.apply(samples.world))
    offset = np.median(samples.value) - gain * np.median(seen) + step[7]
    assert found.residual == pytest.approx((gain + step[6]) * after + offset - samples.value, abs=0.1)
    spread = samples.value.std()
    assert found.cost == pytest.approx(np.minimum(found.residual**2, (0.6 * spread) ** 2).mean() / spread**2)
    kept = found.weight > 0
    assert found.correlation == pytest.approx(np.corrcoef(after[kept], samples.value[kept])[0, 1], abs=1e-6)
    assert not found.settled


def test_a_fit_ends_when_it_moves_no_more(
    fitted: tuple[Samples, Blurred, GreyFit], monkeypatch: pytest.MonkeyPatch
) -> None:
    """From the true pose two looks are enough; with a tolerance of nothing all steps are gone."""
    samples, there, _ = fitted
    looks: list[int] = []
    plain = refine.look_up
    monkeypatch.setattr(refine, "look_up", lambda *a: (looks.append(1), plain(*a))[1])
    assert fit_grey(samples, there, MOTION, steps=9, tolerance_mm=0.5).settled
    assert len(looks) == 2
    looks.clear()
    assert not fit_grey(samples, there, MOTION, steps=9, tolerance_mm=0.0).settled
    assert len(looks) == 10


def test_what_lies_outside_the_other_scan_is_neither_fitted_nor_told(
    fitted: tuple[Samples, Blurred, GreyFit],
) -> None:
    samples, there, _ = fitted
    half = Blurred(there.hu[:14], there.grid.cropped([(0, 14), (0, 40), (0, 40)]))
    found = fit_grey(samples, half, Rigid.identity(), steps=25)
    inside = half.grid.contains(found.pose.apply(samples.world))
    assert np.array_equal(np.isfinite(found.residual), inside)
    assert found.overlap == pytest.approx(inside.mean())
    assert 0.3 < found.overlap < 0.7
    assert (found.weight[~inside] == 0).all()
    at = np.zeros((1, 3))
    assert found.pose.apply(at) == pytest.approx(MOTION.apply(at), abs=0.05)


@pytest.mark.parametrize(("count", "kept"), [(199, False), (200, True)])
def test_two_hundred_samples_are_the_least(count: int, kept: bool) -> None:
    samples = samples_of(image(), count)
    found = fit_grey(samples, image(), Rigid.identity())
    assert (found.overlap > 0) == kept
    assert (found.cost < 1.0) == kept
    assert found.correlation == pytest.approx(1.0 if kept else 0.0, abs=1e-6)


def test_a_step_is_never_longer_than_its_values_can_be_trusted() -> None:
    assert refine._no_longer_than(np.array([3.0, 4.0, 0.0]), 2.0) == pytest.approx([1.2, 1.6, 0.0])
    assert refine._no_longer_than(np.array([0.3, 0.4, 0.0]), 2.0) == pytest.approx([0.3, 0.4, 0.0])
    assert refine._no_longer_than(np.zeros(3), 2.0) == pytest.approx(np.zeros(3))
    # From 40 mm away with a tilted plane of greys: one step asks for more, and gets 2 mm.
    slope = np.array([0.0, 0.0, 9.0])
    here = Blurred((GRID.world_of_all() @ slope).astype(np.float32), GRID)
    there = Blurred(((GRID.world_of_all() - [0, 0, 5.0]) @ slope).astype(np.float32), GRID)
    samples = samples_of(here, 2000)
    shifted = fit_grey(samples, there, Rigid.identity(), steps=1)
    assert np.linalg.norm(shifted.pose.matrix[:3, 3]) < 2.5


def test_normal_equations_are_solved_whatever_their_units() -> None:
    rng = np.random.default_rng(6)
    rows = rng.normal(size=(50, 8)) * np.array([1e3, 2e3, 1e3, 10, 20, 10, 1e-2, 1e-2])
    normal, side = rows.T @ rows, rng.normal(size=8) * 10
    assert refine._solved(normal, side) == pytest.approx(np.linalg.solve(normal, side), rel=1e-4)


def test_a_cost_counts_what_fits_nowhere_no_more_than_a_limit() -> None:
    """Closed form: (3 * 0 + 0.6^2 + 0.1^2) / 5 of the variance of the values."""
    assert refine._cost(np.array([0.0, 0, 0, 500.0, -10.0]), 100.0) == pytest.approx((0.36 + 0.01) / 5)
    assert refine._cost(np.zeros(0), 100.0) > 1.0


def test_gain_and_offset_join_middles_and_spreads() -> None:
    x = np.random.default_rng(0).normal(40.0, 9.0, 2001)
    assert refine._line(x, 1.4 * x - 30.0) == pytest.approx((1.4, -30.0))
    gain, offset = refine._line(x, 9.0 * x)
    assert gain == 2.0
    assert offset == pytest.approx(7.0 * np.median(x))
    assert refine._line(x, 0.1 * x)[0] == 0.5


# ---- surfaces ----------------------------------------------------------------------------------------


def bumpy(count: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Points and outward normals of an ellipsoid of 12, 17 and 30 mm (closed form)."""
    direction = np.random.default_rng(seed).normal(size=(count, 3))
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    radii = np.array([12.0, 17.0, 30.0])
    normals = direction / radii
    return direction * radii, normals / np.linalg.norm(normals, axis=1, keepdims=True)


ROOMY = grid_of((100, 100, 100), (1.0, 1.0, 1.0), np.eye(3))


def test_a_surface_finds_back_to_itself() -> None:
    """Another sampling of the same ellipsoid, moved: only the density of points limits it."""
    points, normals = bumpy(1500, 1)
    there, there_normals = bumpy(60_000, 2)
    motion = Rigid.from_vectors((0.05, -0.04, 0.03), (1.0, -0.8, 0.6))
    moved, moved_normals = motion.apply(there), motion.turn(there_normals)
    found = fit_surface(points, normals, moved, moved_normals, ROOMY, pose=Rigid.identity())
    at = np.array([[20.0, 0, 0], [0, 20.0, 0], [0, 0, 20.0]])
    assert found.pose.apply(at) == pytest.approx(motion.apply(at), abs=0.05)
    assert found.rms_mm < 0.03
    assert np.isfinite(found.distance).all()


def test_distances_are_signed_trimmed_and_only_to_what_faces_alike() -> None:
    """A fifth of the points lies 3 mm out, on an ellipsoid held still: the rest, at its place, tells the misfit."""
    points, normals = bumpy(1000, 3)
    there, there_normals = bumpy(80_000, 2)
    out = np.arange(1000) % 5 == 0
    proud = points + np.where(out, 3.0, 0.0)[:, None] * normals
    lost = np.concatenate([proud, [[60.0, 0.0, 0.0], [0.0, 0.0, 49.8]]])  # nothing near; on the end of the scan
    of_lost = np.concatenate([normals, [[1.0, 0, 0], [0, 0, 1.0]]])
    found = fit_surface(lost, of_lost, there, there_normals, ROOMY, pose=Rigid.identity(), steps=1)
    assert np.isnan(found.distance[-2:]).all()
    assert found.distance[:-2][out] == pytest.approx(3.0, abs=0.1)
    assert np.abs(found.distance[:-2][~out]).max() < 0.1
    assert found.rms_mm < 0.05
    assert found.pose.matrix == pytest.approx(np.eye(4))
    inside_out = fit_surface(points, -normals, there, there_normals, ROOMY, pose=Rigid.identity())
    assert np.isnan(inside_out.distance).all()
    assert np.isnan(inside_out.rms_mm)


def test_the_misfit_of_a_surface_is_the_root_mean_square_of_what_is_kept() -> None:
    """Ends of the trimming by hand: 80 % of the smallest of distances that grow evenly from 0 to 1 mm."""
    side = np.linspace(-20, 20, 40)
    x, y = (a.ravel() for a in np.meshgrid(side, side))
    up = np.tile([0.0, 0.0, 1.0], (1600, 1))
    height = np.random.default_rng(1).permutation(np.linspace(0.0, 1.0, 1600))
    found = fit_surface(
        np.stack([x, y, height], axis=1), up, np.stack([x, y, 0 * x], axis=1), up, ROOMY,
        pose=Rigid.identity(), steps=1,
    )  # fmt: skip
    assert found.rms_mm == pytest.approx(0.8 / np.sqrt(3), rel=0.01)  # of 0 to 0.8, evenly: closed form
    assert found.distance == pytest.approx(height, abs=1e-9)


@pytest.mark.parametrize(("count", "told"), [(29, False), (30, True)])
def test_thirty_partners_are_the_least(count: int, told: bool) -> None:
    points, normals = bumpy(count, 4)
    there, there_normals = bumpy(20_000, 2)
    found = fit_surface(points, normals, there, there_normals, ROOMY, pose=Rigid.identity())
    assert np.isfinite(found.rms_mm) == told
