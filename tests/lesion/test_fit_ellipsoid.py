"""The ellipsoid through places on a surface: found in closed form, and the same whatever the last digit of a place."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from mineralize.lesion.start import Ellipsoid, fit_ellipsoid
from mineralize.surface import sphere_directions

DIRECTIONS, _ = sphere_directions(200)


def on(body: Ellipsoid, directions: np.ndarray = DIRECTIONS) -> np.ndarray:
    return np.asarray(body.centre + directions @ body.shape.T)


def volume(body: Ellipsoid) -> float:
    return float(abs(np.linalg.det(body.shape)))


@settings(max_examples=25, deadline=None)
@given(
    st.tuples(*[st.floats(5.0, 9.0)] * 3),
    st.tuples(*[st.floats(-3.0, 3.0)] * 3),
    st.tuples(*[st.floats(-5.0, 5.0)] * 3),
)
def test_a_whole_surface_gives_its_ellipsoid(
    radii: tuple[float, ...], turn: tuple[float, ...], at: tuple[float, ...]
) -> None:
    """Axes within 2 %: the weak pull towards a ball is a seventieth of a place's weight."""
    body = Ellipsoid(np.array(at), Rotation.from_rotvec(turn).as_matrix() * np.array(radii))
    found = fit_ellipsoid(on(body), np.array(at))
    assert np.abs(found.relative_radius(on(body)) - 1.0).max() < 0.02
    assert np.sort(found.radii) == pytest.approx(np.sort(radii), rel=0.02)
    # Turned no farther than need be: rays of a mesh keep their places.
    assert found.shape == pytest.approx(found.shape.T)
    assert (np.linalg.eigvalsh(found.shape) > 0.0).all()


@pytest.mark.parametrize("radii", [(8.0, 8.0, 8.0), (8.0, 8.0, 12.0), (7.0, 9.0, 12.0)])
@pytest.mark.parametrize("opening", [-0.9, 0.0, 0.4])
def test_the_last_digit_of_a_place_decides_nothing(radii: tuple[float, ...], opening: float) -> None:
    """Bowls as well as whole surfaces, bodies whose axes are alike: a picometre moves them as little."""
    body = Ellipsoid(np.array([1.0, -2.0, 3.0]), np.diag(radii))
    bowl = DIRECTIONS[DIRECTIONS[:, 2] > opening]
    rough = 1.0 + 0.05 * np.sin(7.0 * bowl[:, :1]) * np.cos(5.0 * bowl[:, 1:2])
    places = body.centre + (bowl @ body.shape.T) * rough
    rng = np.random.default_rng(4)
    coverage = len(bowl) / len(DIRECTIONS)
    found = [
        fit_ellipsoid(places + size * rng.normal(size=places.shape), body.centre, coverage=coverage)
        for size in (0.0, 1e-9, 1e-9, 1e-9)
    ]
    for other in found[1:]:
        assert volume(other) == pytest.approx(volume(found[0]), rel=1e-3)
        assert other.centre == pytest.approx(found[0].centre, abs=0.01)


def test_the_start_is_taken_as_it_is_turned() -> None:
    """From an ellipsoid to itself: nothing moves, whatever the order and the signs of its axes."""
    body = Ellipsoid(np.zeros(3), Rotation.from_rotvec([0.4, -0.8, 1.1]).as_matrix() * np.array([6.0, 9.0, 12.0]))
    for columns in ([0, 1, 2], [2, 0, 1]):
        start = Ellipsoid(body.centre, body.shape[:, columns] * np.array([1.0, -1.0, 1.0]))
        found = fit_ellipsoid(on(body), body.centre, start=start)
        assert np.sort(found.radii) == pytest.approx([6.0, 9.0, 12.0], rel=0.02)
