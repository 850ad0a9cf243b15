"""The minimum cut against brute force over all labellings."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull

from mineralize.surface import mesh_edges, optimal_levels
from mineralize.surface.optimal import _band


def total(cost: np.ndarray, edges: np.ndarray, smoothness: float, levels: np.ndarray) -> float:
    own = cost[np.arange(len(cost)), levels].sum()
    return float(own + smoothness * np.abs(levels[edges[:, 0]] - levels[edges[:, 1]]).sum())


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 5), st.integers(2, 4), st.sampled_from([0.0, 0.1, 0.5, 2.0, 30.0]))
def test_global_optimum_of_tiny_problems(seed: int, rays: int, levels: int, smoothness: float) -> None:
    """Brute force over every labelling (definition of the energy: Ishikawa 2003, IEEE TPAMI 25:1333)."""
    rng = np.random.default_rng(seed)
    cost = rng.normal(scale=2.0, size=(rays, levels))
    pairs = [(i, j) for i in range(rays) for j in range(i + 1, rays) if rng.random() < 0.7]
    edges = np.array(pairs, int).reshape(-1, 2)
    best = min(total(cost, edges, smoothness, np.array(p)) for p in product(range(levels), repeat=rays))
    found = optimal_levels(cost, edges, smoothness)
    assert found.min() >= 0
    assert found.max() < levels
    # costs are rounded to 1/200
    assert total(cost, edges, smoothness, found) <= best + rays / 200 + 0.005 * len(edges) * levels


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 5), st.integers(2, 5), st.sampled_from([0.0, 1.0, 2.0, 3.0]))
def test_levels_that_are_left_out_hold_no_best_surface(seed: int, rays: int, levels: int, smoothness: float) -> None:
    """Brute force: of all best surfaces, ties included, the lowest one; it lies in the band that is searched."""
    rng = np.random.default_rng(seed)
    cost = rng.integers(0, 5, size=(rays, levels)).astype(float)
    pairs = [(i, j) for i in range(rays) for j in range(i + 1, rays) if rng.random() < 0.7]
    edges = np.array(pairs, int).reshape(-1, 2)
    every = [np.array(p) for p in product(range(levels), repeat=rays)]
    costs = np.array([total(cost, edges, smoothness, p) for p in every])
    lowest = np.min([p for p, c in zip(every, costs, strict=True) if c == costs.min()], axis=0)
    np.testing.assert_array_equal(optimal_levels(cost, edges, smoothness), lowest)
    low, high = _band((200 * cost).astype(np.int64), edges, int(200 * smoothness))
    assert low <= lowest.min() <= lowest.max() <= high


def test_the_band_is_narrow_where_all_rays_agree() -> None:
    """An edge at level 12 of 40 in 200 rays, one of which sees a stronger one at 30 that the others forbid."""
    rng = np.random.default_rng(1)
    points = rng.normal(size=(200, 3))
    edges = mesh_edges(ConvexHull(points / np.linalg.norm(points, axis=1)[:, None]).simplices)
    cost = np.full((200, 40), 3.0)
    cost[:, 12] = 0.0
    cost[0, 30] = -2.0
    assert _band((200 * (cost + 2.0)).astype(np.int64), edges, 200) == (12, 12)
    assert set(optimal_levels(cost, edges, 1.0).tolist()) == {12}
    # Where it is cheap to go there, that ray goes.
    assert optimal_levels(cost, edges, 0.01)[0] == 30


def test_chain_follows_a_step_unless_smoothness_forbids() -> None:
    """Closed form: a chain of 6 whose costs want level 0, then 4; the step costs 4 * smoothness."""
    cost = np.full((6, 5), 3.0)
    cost[:3, 0] = cost[3:, 4] = 0.0
    edges = np.array([(i, i + 1) for i in range(5)])
    np.testing.assert_array_equal(optimal_levels(cost, edges, 0.5), [0, 0, 0, 4, 4, 4])
    stiff = optimal_levels(cost, edges, 10.0)
    assert len(set(stiff.tolist())) == 1
    assert stiff[0] in (0, 4)


def test_one_level_is_no_choice() -> None:
    np.testing.assert_array_equal(optimal_levels(np.ones((3, 1)), np.zeros((0, 2), int), 1.0), [0, 0, 0])


def test_edges_of_a_closed_mesh_obey_euler() -> None:
    """V - E + F = 2 for a closed surface without holes (Euler)."""
    points = np.random.default_rng(3).normal(size=(60, 3))
    points /= np.linalg.norm(points, axis=1)[:, None]
    faces = ConvexHull(points).simplices
    edges = mesh_edges(faces)
    assert 60 - len(edges) + len(faces) == 2
    assert (edges[:, 0] < edges[:, 1]).all()
    assert len(np.unique(edges, axis=0)) == len(edges) == pytest.approx(1.5 * len(faces))
