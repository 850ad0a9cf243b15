"""How far a soft margin moved between two scans: balls of known size in closed form, with and without noise.

A ball of radius r that becomes f times as large has its surface moved by (f^(1/3) - 1) r along every normal.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.special import erf

from mineralize.base import Grid, Rigid, withhold
from mineralize.lesion import Outline, drawn_together
from mineralize.lesion.matched import Shift, Surface, View, edge_shift, likeness
from mineralize.lesion.together import SOFT
from mineralize.surface import RayMesh, mesh_volume, subdivided, vertex_normals

INSIDE, MUSCLE, FAT, SD = 20.0, 45.0, -90.0, 1.5
GRID = Grid.from_parts((56, 56, 56), (1.0, 1.0, 1.0), origin=(-27.5, -27.5, -27.5))
RADIUS = 13.0
STILL = Rigid.identity()


def ball(radius: float, *, inside: float = INSIDE, noise: float = 0.0, seed: int = 0, at: Any = (0, 0, 0)) -> Any:
    """HU of a ball seen through a Gaussian blur of ``SD`` mm; noise as smoothing by 1 mm leaves of white noise."""
    away = np.linalg.norm(GRID.world_of_all() - np.asarray(at, float), axis=-1)
    share = 0.5 * (1.0 - erf((away - radius) / (np.sqrt(2.0) * SD)))
    hu = MUSCLE + (inside - MUSCLE) * share
    if noise:
        hu = hu + noise * gaussian_filter(np.random.default_rng(seed).normal(size=hu.shape), 1.0)
    return hu


def view(hu: Any, inside: float = INSIDE) -> View:
    return View(likeness(hu, inside, MUSCLE), GRID, STILL, 1.0)


def sphere(radius: float = RADIUS) -> tuple[Any, Any]:
    mesh = RayMesh.of(400)
    points = radius * mesh.directions
    vertices, faces, _ = subdivided(points, mesh.faces, vertex_normals(points, mesh.faces))
    return vertices, faces


VERTICES, FACES = sphere()
SURFACE = Surface.of(VERTICES, FACES)


def grown(shift: Shift) -> float:
    """Volume of the moved surface over that of the first."""
    moved = mesh_volume(VERTICES + shift.mm[:, None] * SURFACE.normals, FACES)
    return moved / mesh_volume(VERTICES, FACES)


def between(one: View, other: View, start: float = 0.0) -> Shift:
    found = edge_shift(SURFACE, one, other, np.full(len(VERTICES), start))
    assert found is not None
    return found


@pytest.mark.parametrize("factor", [0.7, 1.0, 1.3, 1.8])
def test_a_ball_that_grows_moves_its_edge_by_as_much(factor: float) -> None:
    start = (0.9 * factor ** (1 / 3) - 0.9) * RADIUS  # as outlines of either scan by itself would say
    found = between(view(ball(RADIUS)), view(ball(RADIUS * factor ** (1 / 3))), start)
    assert found.mm == pytest.approx((factor ** (1 / 3) - 1.0) * RADIUS, abs=0.06)
    assert grown(found) == pytest.approx(factor, rel=0.01)
    assert found.seen == 1.0


@pytest.mark.parametrize("off", [-1.5, 1.5])
def test_where_the_surface_lies_matters_little(off: float) -> None:
    """The edge is 1.5 mm off the surface that is laid into both scans: a change needs no convention of the edge."""
    found = between(view(ball(RADIUS + off)), view(ball(RADIUS + off + 1.0)))
    assert found.mm == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("inside", [10.0, 28.0])
def test_a_mass_that_became_darker_or_brighter_has_not_grown(inside: float) -> None:
    """Each scan's own inside is 0; and where it was taken from the other scan, the height of the edge is left free."""
    for known in (inside, INSIDE):
        found = between(view(ball(RADIUS)), view(ball(RADIUS, inside=inside), known))
        assert np.abs(found.mm).max() < 0.1


def test_a_mass_that_slid_has_not_grown() -> None:
    found = between(view(ball(RADIUS)), view(ball(RADIUS, at=(0.0, 2.0, 0.0))))
    assert grown(found) == pytest.approx(1.0, abs=0.01)
    assert found.mm == pytest.approx(2.0 * SURFACE.normals[:, 1], abs=0.15)


def test_a_fat_plane_that_moved_beside_the_mass_is_no_growth() -> None:
    """It lies 3 mm off the mass, and 1.5 mm nearer in the second scan; taken as an edge it would move a quarter."""
    height = GRID.world_of_all()[..., 2]
    views = []
    for level in (RADIUS + 4.0, RADIUS + 2.5):
        plane = np.exp(-0.5 * ((height - level) / 1.2) ** 2)
        views.append(view(ball(RADIUS) * (1.0 - plane) + FAT * plane))
    assert grown(between(*views)) == pytest.approx(1.0, abs=0.02)


def test_past_places_without_an_edge_the_shift_is_carried_and_known_less_well() -> None:
    """Beyond one side lies more of what is inside: no edge there, in either scan."""
    open_side = GRID.world_of_all()[..., 0] > 2.0

    def half(radius: float, noise: float, seed: int) -> View:
        hu = ball(radius, noise=noise, seed=seed)
        return view(np.where(open_side, hu - ball(radius) + INSIDE, hu))

    whole = between(view(ball(RADIUS, noise=8.0, seed=1)), view(ball(RADIUS + 1.2, noise=8.0, seed=2)))
    part = between(half(RADIUS, 8.0, 1), half(RADIUS + 1.2, 8.0, 2))
    assert part.seen < 0.9
    assert part.volume_sd_mm3 > 1.2 * whole.volume_sd_mm3
    assert grown(part) == pytest.approx((1 + 1.2 / RADIUS) ** 3, rel=0.05)


def test_where_nothing_shows_nothing_is_said() -> None:
    flat = view(np.full(GRID.shape, INSIDE))
    assert edge_shift(SURFACE, flat, flat, np.zeros(len(VERTICES))) is None
    unknown = view(np.full(GRID.shape, np.nan))
    assert edge_shift(SURFACE, unknown, unknown, np.zeros(len(VERTICES))) is None


def test_the_standard_error_holds_what_noise_does() -> None:
    """Noise of 30 HU a voxel, 6 HU once smoothed, a quarter of the contrast: no bias, and two in three within one."""
    truth = ((RADIUS + 1.2) / RADIUS) ** 3
    volume = mesh_volume(VERTICES, FACES)
    off = []
    for seed in range(8):
        one, two = ball(RADIUS, noise=30.0, seed=2 * seed), ball(RADIUS + 1.2, noise=30.0, seed=2 * seed + 1)
        found = between(view(one), view(two))
        off.append((grown(found) - truth) * volume / found.volume_sd_mm3)
    assert np.abs(off).max() < 2.5
    assert abs(np.mean(off)) < 1.0


def test_likeness_is_one_for_all_that_is_unlike() -> None:
    """45 HU of muscle about 20 HU inside: -5 is as unlike on the other side, -30 more; fat and bone count no more."""
    told = likeness(np.array([20.0, 45.0, 400.0, 7.5, -5.0, -30.0, -55.0, -90.0]), 20.0, 45.0)
    assert told == pytest.approx([0.0, 1.0, 1.0, -0.5, -1.0, 0.0, 1.0, 1.0], abs=1e-6)


def soft_outline(**changed: Any) -> Outline:
    return replace(Outline(1, VERTICES, FACES, np.full(len(VERTICES), 0.1), SOFT, 1.0), **changed)


@pytest.mark.parametrize(
    "first",
    [None, soft_outline(method="mineral shell"), soft_outline(verdicts=(withhold("like-muscle"),))],
    ids=["none", "shell", "withheld"],
)
def test_only_soft_margins_that_are_relied_upon_are_drawn_together(first: Outline | None) -> None:
    nobody: Any = SimpleNamespace()
    assert drawn_together({1: nobody, 2: nobody}, {1: STILL, 2: STILL}, {1: first, 2: soft_outline(scan=2)}, 1) == {}
