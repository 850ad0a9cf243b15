"""Openings of small shells: balls and ellipsoids cut by a plane, whose volumes have closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from mineralize.base import Floats, caution
from mineralize.lesion.lid import Lid, drawn_on, with_lid
from mineralize.surface import RayMesh, mesh_volume, vertex_areas

MESH = RayMesh.of(1000)
BLUR_MM = 0.7
MIDDLE = np.array([4.0, -7.0, 2.0])


def bowl(radius: float, height: float, axes: tuple[float, float, float] = (1.0, 1.0, 1.0)) -> tuple[Floats, Floats]:
    """A ball cut flat at ``height`` (share of the radius) over its middle, and weights: 1 on its faces, 0 on a lid."""
    reach = np.full(len(MESH.directions), radius)
    up = MESH.directions[:, 2]
    lid = up > height
    reach[lid] = height * radius / up[lid]
    return MIDDLE + reach[:, None] * MESH.directions * axes, np.where(lid, 0.0, 1.0)


def drawn(vertices: Floats, weight: Floats, fixed: Floats | None = None) -> Lid:
    on_bone = np.zeros(len(vertices), bool) if fixed is None else fixed > 0
    return drawn_on(vertices, weight, on_bone, MESH, MIDDLE, blur_mm=BLUR_MM)


@pytest.mark.parametrize("axes", [(1.0, 1.0, 1.0), (1.2, 1.0, 0.9)])
@pytest.mark.parametrize("radius", [4.0, 5.5])
def test_the_lid_of_a_small_bowl_is_drawn_towards_the_ball_of_its_faces(
    radius: float, axes: tuple[float, float, float]
) -> None:
    """A flat lid at 0.3 R leaves out a cap of pi h^2 (3 R - h) / 3, h = 0.7 R: 28 % of the ball; at most half stays."""
    vertices, weight = bowl(radius, 0.3, axes)
    whole = 4.0 / 3.0 * np.pi * radius**3 * np.prod(axes)
    assert mesh_volume(vertices, MESH.faces) / whole == pytest.approx(1.0 - 0.7**2 * 2.3 / 4.0, abs=0.01)
    lid = drawn(vertices, weight)
    volume = mesh_volume(lid.vertices, MESH.faces)
    assert 0.86 < volume / whole < 1.03
    assert abs(whole / volume - 1.0) < lid.volume_width
    secure = weight > 0.5
    assert np.abs(lid.vertices - vertices)[secure & (vertices[:, 2] < MIDDLE[2])].max() < 1e-9


def test_a_large_bowl_is_left_to_the_shell_around_its_opening() -> None:
    vertices, weight = bowl(18.0, 0.6)
    lid = drawn(vertices, weight)
    assert mesh_volume(lid.vertices, MESH.faces) == pytest.approx(mesh_volume(vertices, MESH.faces), rel=0.002)
    assert lid.volume_width < 0.02


def test_a_shell_without_an_opening_stays() -> None:
    vertices, weight = bowl(5.0, 0.3)
    lid = drawn(vertices, np.ones(len(weight)))
    assert np.array_equal(lid.vertices, vertices)
    assert lid.volume_width == 0.0


def test_few_faces_move_nothing_and_leave_more_open_than_many() -> None:
    vertices, weight = bowl(5.0, 0.3)
    few = drawn(vertices, np.where(weight > 0.5, 0.0, 1.0) * (vertices[:, 0] > MIDDLE[0] + 4.5))
    assert np.array_equal(few.vertices, vertices)
    assert few.volume_width > drawn(vertices, weight).volume_width
    assert few.unseen > 0.9


def test_what_bone_ends_stays_where_bone_is() -> None:
    """A lid that is bone is known, however flat: it neither moves nor is it an opening."""
    vertices, weight = bowl(5.0, 0.3)
    lid = drawn(vertices, weight, fixed=1.0 - weight)
    assert np.array_equal(lid.vertices, vertices)


def test_a_size_that_faces_hardly_pin_is_cautioned_once() -> None:
    vertices, weight = bowl(4.0, 0.1)
    lid = drawn(vertices, weight)
    assert lid.volume_width > 0.3
    (said,) = with_lid((), lid)
    assert said.code == "edge-unseen"
    area = vertex_areas(vertices, MESH.faces)
    assert lid.unseen == pytest.approx(float(area[weight == 0].sum() / area.sum()))
    already = (caution("edge-unseen-soft", share=0.4),)
    assert with_lid(already, lid) == already
    assert with_lid((), Lid(vertices, 0.1, 0.2)) == ()
