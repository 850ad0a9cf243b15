"""Meshes moved, turned, scaled: volumes, areas and normals follow as geometry says."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull
from scipy.spatial.transform import Rotation

from mineralize.surface import (
    mesh_area,
    mesh_edges,
    mesh_volume,
    optimal_levels,
    peak_recovery,
    smoothing_matrix,
    sphere_directions,
    vertex_areas,
    vertex_normals,
)

ANGLE = st.floats(-3.0, 3.0)
TURN = st.tuples(ANGLE, ANGLE, ANGLE)
SHIFT = st.tuples(*(st.floats(-200.0, 200.0) for _ in range(3)))
AXES = st.tuples(*(st.floats(3.0, 40.0) for _ in range(3)))


@st.composite
def bodies(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray]:
    """A closed, convex mesh: an ellipsoid, turned and shifted."""
    directions, faces = sphere_directions(162)
    turn = Rotation.from_rotvec(draw(TURN)).as_matrix()
    return directions * draw(AXES) @ turn.T + draw(SHIFT), faces


@settings(deadline=None, max_examples=40)
@given(bodies())
def test_volume_and_area_are_those_of_the_convex_hull(body: tuple[np.ndarray, np.ndarray]) -> None:
    """Qhull (scipy) computes both from the points alone."""
    vertices, faces = body
    hull = ConvexHull(vertices)
    assert np.isclose(mesh_volume(vertices, faces), hull.volume, rtol=0.02)
    assert mesh_volume(vertices, faces) <= hull.volume * (1 + 1e-6)
    assert np.isclose(mesh_area(vertices, faces), hull.area, rtol=0.02)
    assert np.isclose(vertex_areas(vertices, faces).sum(), mesh_area(vertices, faces), rtol=1e-9)


@settings(deadline=None, max_examples=40)
@given(bodies(), TURN, SHIFT, st.floats(0.2, 5.0))
def test_turned_shifted_and_scaled(
    body: tuple[np.ndarray, np.ndarray], turn: tuple[float, ...], shift: tuple[float, ...], scale: float
) -> None:
    vertices, faces = body
    matrix = Rotation.from_rotvec(turn).as_matrix()
    moved = scale * vertices @ matrix.T + shift
    assert np.isclose(mesh_volume(moved, faces), scale**3 * mesh_volume(vertices, faces), rtol=1e-6)
    assert np.isclose(mesh_area(moved, faces), scale**2 * mesh_area(vertices, faces), rtol=1e-6)
    np.testing.assert_allclose(vertex_normals(moved, faces), vertex_normals(vertices, faces) @ matrix.T, atol=1e-6)


@settings(deadline=None, max_examples=40)
@given(bodies())
def test_normals_point_out_of_a_convex_body(body: tuple[np.ndarray, np.ndarray]) -> None:
    vertices, faces = body
    normals = vertex_normals(vertices, faces)
    np.testing.assert_allclose(np.linalg.norm(normals, axis=1), 1.0, atol=1e-9)
    assert (np.sum(normals * (vertices - vertices.mean(axis=0)), axis=1) > 0).all()


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 10_000), st.integers(1, 4))
def test_smoothing_stays_between_what_it_averages(seed: int, passes: int) -> None:
    """A stochastic matrix: rows add to one, nothing negative, so a mean lies within the values (maximum principle)."""
    _, faces = sphere_directions(162)
    edges = mesh_edges(faces)
    count = int(faces.max()) + 1
    matrix = smoothing_matrix(count, edges, passes)
    np.testing.assert_allclose(np.asarray(matrix.sum(axis=1)).ravel(), 1.0, atol=1e-9)
    assert matrix.min() >= 0
    values = np.random.default_rng(seed).normal(size=count)
    smooth = matrix @ values
    assert values.min() - 1e-9 <= smooth.min()
    assert smooth.max() <= values.max() + 1e-9


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 10_000), st.floats(0.0, 3.0))
def test_what_every_level_costs_more_changes_no_choice(seed: int, smoothness: float) -> None:
    rng = np.random.default_rng(seed)
    _, faces = sphere_directions(42)
    edges = mesh_edges(faces)
    cost = np.round(rng.normal(size=(int(faces.max()) + 1, 6)), 2)
    more = np.round(rng.uniform(0, 5, size=(len(cost), 1)), 2)
    smoothness = round(smoothness, 2)

    def energy(levels: np.ndarray) -> float:
        steps = np.abs(levels[edges[:, 0]] - levels[edges[:, 1]]).sum()
        return float(cost[np.arange(len(cost)), levels].sum() + smoothness * steps)

    one, other = optimal_levels(cost, edges, smoothness), optimal_levels(cost + more, edges, smoothness)
    assert np.isclose(energy(one), energy(other), atol=0.5)  # costs are rounded to 1/200, two hundred terms
    for _ in range(20):
        assert energy(one) <= energy(rng.integers(0, 6, size=len(cost))) + 0.5


@given(st.floats(0.3, 12.0), st.floats(0.3, 12.0), st.floats(0.2, 3.0))
def test_a_wider_layer_reaches_more_of_its_height(one: float, other: float, blur: float) -> None:
    low, high = sorted((one, other))
    a, b = float(peak_recovery(low, blur)), float(peak_recovery(high, blur))
    assert 0.0 <= a <= b + 1e-9
    assert b <= 1.0 + 1e-9
