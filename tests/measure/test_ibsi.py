"""The IBSI digital phantom: what we compute of volume, surface, diameter and statistics, at the consensus values.

Phantom and values: Image Biomarker Standardisation Initiative, CC BY 4.0 (see ``data/ibsi_digital_phantom.json``);
tolerances as published; where the manual gives none, values agree after rounding to the digits printed.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from skimage.measure import marching_cubes

from mineralize.base import Grid
from mineralize.lesion import Outline
from mineralize.lesion.start import Ellipsoid
from mineralize.measure.shape import longest_distance
from mineralize.measure.site import Layers
from mineralize.surface import mesh_area, mesh_volume, vertex_areas
from mineralize.surface.mesh import face_areas


@cache
def phantom() -> tuple[Any, Any, Grid, dict[str, Any]]:
    held = json.loads((Path(__file__).parents[1] / "data" / "ibsi_digital_phantom.json").read_text(encoding="utf-8"))
    values, mask = np.array(held["values_zyx"], float), np.array(held["roi_mask_zyx"], bool)
    grid = Grid.from_parts(values.shape, held["spacing_xyz_mm"][::-1])
    return values, mask, grid, {row["ibsi_id"]: row for row in held["consensus"]}


@cache
def mesh() -> tuple[Any, Any]:
    """Marching cubes at 0.5 of the mask padded by one voxel (the recipe of the IBSI manual), in LPS mm."""
    _, mask, grid, _ = phantom()
    index, faces, _, _ = marching_cubes(np.pad(mask, 1).astype(float), 0.5)
    vertices = grid.to_world(index - 1)
    # axial axes (slice, row, column) are left-handed in LPS, so that outward faces turn round
    return vertices, faces[:, ::-1]


def agrees(ibsi_id: str, found: float) -> None:
    row = phantom()[3][ibsi_id]
    value, tolerance = row["value"], row["tolerance"]
    if tolerance is None:
        digits = 2 - int(np.floor(np.log10(abs(value)))) if value else 2
        assert round(found, digits) == pytest.approx(value), row["feature"]
    else:
        assert found == pytest.approx(value, abs=tolerance), row["feature"]


def test_phantom_is_the_published_one() -> None:
    values, mask, grid, _ = phantom()
    assert values.shape == (4, 4, 5)
    assert mask.sum() == 74
    assert not mask[2, 2, 2]
    assert values[2, 2, 2] == 9  # an inner hole that stays a hole
    np.testing.assert_array_equal(grid.spacing, [2, 2, 2])


def test_volume_and_surface() -> None:
    _, mask, grid, _ = phantom()
    vertices, faces = mesh()
    agrees("YEKZ", mask.sum() * grid.voxel_volume_mm3)
    volume, area = mesh_volume(vertices, faces), mesh_area(vertices, faces)
    agrees("RNU0", volume)
    agrees("C0JK", area)
    agrees("2PR5", area / volume)
    agrees("QCFX", (36 * np.pi * volume**2) ** (1 / 3) / area)
    assert face_areas(vertices, faces).sum() == pytest.approx(area)
    assert vertex_areas(vertices, faces).sum() == pytest.approx(area)
    outline = Outline(1, vertices, faces, np.ones(len(vertices)), "mask", 0.5)
    agrees("RNU0", abs(outline.volume_mm3))


def test_longest_diameter_is_between_mesh_vertices() -> None:
    vertices, _ = mesh()
    agrees("L0JK", longest_distance(vertices))


def test_intensity_statistics_of_a_region() -> None:
    """The volume-weighted mean that zones use, with equal weights; percentiles as numpy's default."""
    values, mask, grid, _ = phantom()
    inside = values[mask]
    layer = Layers(np.arange(75.0), inside, inside, inside, inside, np.full(74, grid.voxel_volume_mm3), np.zeros(1))
    agrees("Q4LE", layer.mean(0.0, 74.0))
    agrees("ECT3", float(inside.var()))
    agrees("Y12H", float(np.median(inside)))
    agrees("1GSF", float(inside.min()))
    agrees("84IY", float(inside.max()))
    agrees("QG58", float(np.percentile(inside, 10)))
    agrees("8DWT", float(np.percentile(inside, 90)))
    agrees("SALO", float(np.subtract(*np.percentile(inside, [75, 25]))))


def test_principal_axes() -> None:
    """Axis = 4 sqrt(eigenvalue), covariance of voxel centres by n - 1; an ellipsoid's semi-axes are half of that."""
    _, mask, grid, _ = phantom()
    points = grid.to_world(np.argwhere(mask))
    size, axes = np.linalg.eigh(np.cov(points.T))
    body = Ellipsoid(points.mean(axis=0), axes * (2 * np.sqrt(size)))
    major, minor, least = 2 * body.radii
    agrees("TDIC", float(major))
    agrees("P9VJ", float(minor))
    agrees("7J51", float(least))
    np.testing.assert_allclose(body.relative_radius(body.centre + body.shape.T), 1.0)
