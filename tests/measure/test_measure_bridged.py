"""What may be missing where the outline crosses a gap: closed forms of the spherical cap, and its part in intervals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mineralize.lesion.start import Ellipsoid
from mineralize.measure.bridged import (
    HIDDEN_BORDER,
    MOST_OF_CAP,
    REGULAR_PART,
    bridged,
    cap_volume,
    openings,
    with_hidden_border,
)
from mineralize.surface import RayMesh, mesh_volume


class _Outline:
    """A ball cut straight across a share of its area, with no edge over the cut."""

    def __init__(self, opening: float, wobble: float = 0.0, radius: float = 10.0) -> None:
        mesh = RayMesh.of(8000)
        self.faces = mesh.faces
        height = 1.0 - 2.0 * opening
        top = mesh.directions[:, 2] > height
        rough = 1.0 + wobble * np.sin(9 * mesh.directions[:, 0]) * np.sqrt(2)
        self.vertices = radius * mesh.directions * rough[:, None]
        self.vertices[top] *= (radius * height / self.vertices[top, 2])[:, None]
        self.supported = np.where(top, 0.0, 1.0)
        self.touches_bone = None
        self.lid_width = 0.0
        self.is_free_shell = True
        self.ellipsoid = Ellipsoid(np.zeros(3), radius * np.eye(3))
        self.volume_mm3 = mesh_volume(self.vertices, self.faces)


@given(st.floats(0.01, 0.49))
def test_cap_volume_is_the_closed_form(opening: float) -> None:
    # Spherical cap: V = pi h^2 (3 r - h) / 3, A = 2 pi r h (closed form, any handbook of mathematics).
    height = 2.0 * opening
    assert cap_volume(opening) == pytest.approx(np.pi * height**2 * (3.0 - height) / 3.0 / (4.0 / 3.0 * np.pi))


@given(st.floats(0.01, 0.49), st.floats(0.01, 0.5))
def test_a_border_widens_an_opening_by_its_angle(opening: float, border: float) -> None:
    # Spherical cap of half-angle a: A = 2 pi r^2 (1 - cos a), so its share of the ball is (1 - cos a) / 2.
    wider = with_hidden_border(opening, border)
    assert np.arccos(1.0 - 2.0 * wider) - np.arccos(1.0 - 2.0 * opening) == pytest.approx(border)
    assert with_hidden_border(0.0, border) == 0.0


@pytest.mark.parametrize("radius", [5.0, 15.0])
def test_blur_hides_the_border_of_an_opening_the_more_the_smaller_the_shell(radius: float) -> None:
    seen, blur = 0.16, 0.7
    outline = _Outline(seen, wobble=0.06, radius=radius)
    half_angle = np.arccos(1.0 - 2.0 * seen) + HIDDEN_BORDER * blur / radius
    found = bridged(outline, blur)  # type: ignore[arg-type]
    assert found.volume == pytest.approx(MOST_OF_CAP * cap_volume((1.0 - np.cos(half_angle)) / 2.0), rel=0.2)


def test_what_faces_leave_open_of_the_volume_is_the_least_that_may_be_wrong() -> None:
    """Areas of like bodies go with the volume to the power 2/3, so that a small change of it counts two thirds."""
    outline = _Outline(0.1)
    plain = bridged(outline)  # type: ignore[arg-type]
    outline.lid_width = 0.6
    wide = bridged(outline)  # type: ignore[arg-type]
    assert plain.volume < 0.1
    assert wide.volume == 0.6
    assert 2.0 * wide.area == pytest.approx(2.0 / 3.0 * 0.6)
    assert wide.share == plain.share


@pytest.mark.parametrize("opening", [0.1, 0.2, 0.3])
def test_a_straight_cover_may_hide_most_of_the_cap(opening: float) -> None:
    found = bridged(_Outline(opening, wobble=0.06))  # type: ignore[arg-type]
    assert found.share == pytest.approx(opening / (1 + opening), rel=0.12)
    assert found.volume == pytest.approx(MOST_OF_CAP * cap_volume(opening), rel=0.3)
    assert found.area == pytest.approx(MOST_OF_CAP * (opening - found.share), abs=0.03)


def test_a_regular_shell_shows_how_it_goes_on() -> None:
    smooth = bridged(_Outline(0.2))  # type: ignore[arg-type]
    assert smooth.volume == pytest.approx(MOST_OF_CAP * REGULAR_PART * cap_volume(smooth.share / (1 - smooth.share)))
    rough = bridged(_Outline(0.2, wobble=0.06))  # type: ignore[arg-type]
    assert rough.volume > 3 * smooth.volume


def _cut_twice(one: float, other: float, wobble: float) -> _Outline:
    """A ball cut straight at both poles."""
    outline = _Outline(one, wobble)
    height = outline.vertices[:, 2] / np.linalg.norm(outline.vertices, axis=1)
    bottom = height < 2.0 * other - 1.0
    outline.vertices[bottom] *= (10.0 * (2.0 * other - 1.0) / outline.vertices[bottom, 2])[:, None]
    outline.supported[bottom] = 0.0
    outline.volume_mm3 = mesh_volume(outline.vertices, outline.faces)
    return outline


def test_every_opening_has_its_own_cap() -> None:
    """Caps of a tenth and a fifth of a ball's area: 0.1^2 (3 - 0.2) + 0.2^2 (3 - 0.4), not that of 0.3."""
    found = bridged(_cut_twice(0.1, 0.2, 0.06))  # type: ignore[arg-type]
    assert found.volume == pytest.approx(MOST_OF_CAP * (cap_volume(0.1) + cap_volume(0.2)), rel=0.3)
    assert found.volume < 0.75 * MOST_OF_CAP * cap_volume(0.3)
    assert found.height == pytest.approx(0.2, rel=0.15)


def test_a_lost_margin_is_no_wall_with_openings() -> None:
    """Of a soft margin what is not seen counts as one, and the whole cap."""
    outline = _cut_twice(0.1, 0.2, 0.06)
    outline.is_free_shell = False
    found = bridged(outline)  # type: ignore[arg-type]
    assert found.volume == pytest.approx(cap_volume(found.share / (1.0 - found.share)))
    assert found.volume > 1.5 * (cap_volume(0.1) + cap_volume(0.2))


def test_openings_that_blur_runs_together_are_one() -> None:
    outline = _cut_twice(0.3, 0.3, 0.0)
    free = outline.supported < 0.5
    apart = openings(outline, free, 3.5)  # type: ignore[arg-type]
    together = openings(outline, free, 4.7)  # type: ignore[arg-type]
    # The belt between them reaches from 4 mm below the equator of a ball of 10 mm to 4 mm above: 4.1 mm to its middle.
    assert len(apart) == 2
    assert len(together) == 1
    assert together.sum() == pytest.approx(apart.sum())


def test_bone_closes_a_gap() -> None:
    outline = _Outline(0.2)
    outline.touches_bone = outline.supported < 0.5
    assert bridged(outline).volume == 0.0  # type: ignore[arg-type]
