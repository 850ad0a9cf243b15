"""Depth below an outline, block by block, against a tree of the reference library that is asked for every voxel."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from mineralize.base import Grid, ZoneSettings
from mineralize.lesion import Outline, find_zones
from mineralize.surface import sphere_directions


@pytest.mark.parametrize("radii", [(9.0, 9.0, 9.0), (4.0, 7.0, 15.0)])
@pytest.mark.parametrize("spacing", [(1.25, 0.8, 0.8), (3.0, 0.5, 0.5)])
def test_depth_is_that_at_the_nearest_vertex(
    radii: tuple[float, float, float], spacing: tuple[float, float, float]
) -> None:
    directions, faces = sphere_directions(700)
    vertices = np.array([30.0, -20.0, 110.0]) + directions * radii
    outline = Outline(1, vertices, faces, np.ones(len(vertices)), "mask", 0.2)
    shape = [int(60.0 / s) for s in spacing]
    grid = Grid.from_parts(shape, spacing, (1.0, -48.0, 82.0))
    zones = find_zones(outline, grid, ZoneSettings())
    known = zones.depth > -90.0
    assert known[tuple(np.rint(grid.to_index(vertices.mean(axis=0))).astype(int))]
    points = grid.world_of_all()[known]
    _, nearest = cKDTree(vertices).query(points)
    expected = -np.einsum("ij,ij->i", points - vertices[nearest], outline.normals[nearest])
    assert zones.depth[known] == pytest.approx(expected, abs=1e-5)
    assert known.mean() > 0.05
    # The largest depth of an ellipsoid is its shortest half-axis, as far as flat triangles and steps of the grid show.
    assert zones.inradius_mm == pytest.approx(min(radii), rel=0.02)
