"""Surfaces through places and between curves: ellipsoids, whose volumes are closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from mineralize.base import Floats
from mineralize.surface import RayMesh, body_between, sphere_directions, surface_through

MESH = RayMesh.of(400)


def spread_over(radii: tuple[float, float, float], count: int, seed: int) -> Floats:
    """Even directions turned at random, on an ellipsoid."""
    rng = np.random.default_rng(seed)
    directions, _ = sphere_directions(count)
    turned = directions @ np.linalg.qr(rng.normal(size=(3, 3)))[0].T
    return np.asarray(turned / np.linalg.norm(turned / np.array(radii), axis=1)[:, None])


@pytest.mark.parametrize("radii", [(20.0, 20.0, 20.0), (26.0, 18.0, 15.0), (14.0, 24.0, 20.0)])
def test_ten_places_with_a_millimetre_of_error_give_the_volume(radii: tuple[float, float, float]) -> None:
    """4/3 pi abc. A millimetre at each of ten places is 3 x 5 % / sqrt(10) = 5 % of the volume of 20 mm (1 sd)."""
    truth = 4 / 3 * np.pi * np.prod(radii)
    errors, halves = [], []
    for seed in range(20):
        noise = np.random.default_rng(seed + 100).normal(size=(10, 3))
        found = surface_through(spread_over(radii, 10, seed) + noise, np.ones(10), MESH)
        errors.append(np.log(found.volume_mm3 / truth))
        halves.append(1.96 * found.volume_sd)
    assert np.median(np.abs(errors)) < 0.07
    assert np.mean(np.abs(errors) < halves) >= 0.95
    assert np.mean(halves) < 0.35


def test_more_places_leave_less_open() -> None:
    halves = [
        surface_through(spread_over((20.0, 17.0, 15.0), n, 3), np.ones(n), MESH).volume_sd for n in (4, 10, 30, 90)
    ]
    assert halves == sorted(halves, reverse=True)
    assert halves[0] > 3 * halves[-1]


def test_the_doubt_is_largest_far_from_all_places() -> None:
    points = spread_over((20.0, 20.0, 20.0), 40, 1)
    points = points[points[:, 2] > -5.0]
    found = surface_through(points, np.ones(len(points)), MESH)
    height = found.vertices[:, 2]
    assert found.sd_mm[height < -12.0].mean() > 2.0 * found.sd_mm[height > 8.0].mean()


def ring(z: float, radius: float, turn: tuple[float, float, float] = (1.0, 1.0, 1.0)) -> Floats:
    t = np.linspace(0.0, 2 * np.pi, 60, endpoint=False)
    return np.stack([radius * np.cos(t) * turn[0], radius * np.sin(t) * turn[1], np.full(60, z * turn[2])], axis=1)


@pytest.mark.parametrize("stretch", [(1.0, 1.0, 1.0), (1.0, 1.4, 1.8)])
def test_a_body_between_five_curves(stretch: tuple[float, float, float]) -> None:
    curves = [ring(z, float(np.sqrt(400.0 - z * z)), stretch) for z in (-16.0, -8.0, 0.0, 8.0, 16.0)]
    mask, grid = body_between(curves, np.zeros((0, 3)), 1.5)
    truth = 4 / 3 * np.pi * 20.0**3 * np.prod(stretch)
    assert mask.sum() * grid.voxel_volume_mm3 == pytest.approx(truth, rel=0.05)


def test_curves_in_planes_of_three_directions() -> None:
    """Three great circles of a sphere, one in each plane."""
    flat = ring(0.0, 20.0)
    curves = [flat, flat[:, [1, 2, 0]], flat[:, [2, 0, 1]]]
    mask, grid = body_between(curves, np.zeros((0, 3)), 1.5)
    assert mask.sum() * grid.voxel_volume_mm3 == pytest.approx(4 / 3 * np.pi * 20.0**3, rel=0.08)


def test_a_bent_body_that_no_rays_from_inside_can_hold() -> None:
    """Half a torus, cut by planes through its axis: volume pi^2 R r^2 (Pappus), its two ends open to guesswork."""
    big, small = 30.0, 8.0
    t = np.linspace(0.0, 2 * np.pi, 40, endpoint=False)
    curves = []
    for angle in np.linspace(0.0, np.pi, 9):
        out = big + small * np.cos(t)
        curves.append(np.stack([out * np.cos(angle), out * np.sin(angle), small * np.sin(t)], axis=1))
    mask, grid = body_between(curves, np.zeros((0, 3)), 1.5)
    world = grid.to_world(np.argwhere(mask))
    between = world[world[:, 1] > 0.0]
    assert len(between) * grid.voxel_volume_mm3 == pytest.approx(np.pi**2 * big * small**2, rel=0.08)
