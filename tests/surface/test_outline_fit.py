"""Layers fitted through blur against analytic profiles, and the thin-shell recovery of the literature."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special

from mineralize.surface import find_edges, peak_recovery, profile_depths, smoothing_matrix
from mineralize.surface.edges import box_width
from mineralize.surface.layers import fit_layers

AT = profile_depths()


def profile(edge: float, width: float, height: float, sd: float, outside: float = 50.0, inside: float = 50.0) -> object:
    """Closed form of a box over a step, convolved with a Gaussian (difference of normal integrals)."""
    rise, fall = special.ndtr((AT - edge) / sd), special.ndtr((AT - edge - width) / sd)
    return outside + (inside - outside) * rise + height * (rise - fall)


@pytest.mark.parametrize(
    ("wall", "fwhm", "share"),
    [
        (0.5, 1.0, 0.44), (1.0, 1.0, 0.76), (1.5, 1.0, 0.92), (2.0, 1.0, 0.98), (1.0, 2.0, 0.44), (2.0, 2.0, 0.76),
        (3.0, 2.0, 0.92),
    ],
)  # fmt: skip
def test_thin_shell_recovery(wall: float, fwhm: float, share: float) -> None:
    """Peak of a slab after Gaussian blur, e.g. 76 % for 1 mm at FWHM 1 mm (erf; +-2 %)."""
    assert float(peak_recovery(wall, fwhm / 2.3548)) == pytest.approx(share, abs=0.02)


@settings(max_examples=30, deadline=None)
@given(st.floats(0.5, 6.0), st.floats(0.3, 1.0))
def test_box_width_inverts_the_half_height_width(width: float, sd: float) -> None:
    """Independent: the half-height width read off the closed form by dense sampling."""
    x = np.linspace(0, 12, 60_001)
    shape = special.ndtr((x + width / 2) / sd) - special.ndtr((x - width / 2) / sd)
    apparent = 2 * float(x[np.argmax(shape < shape[0] / 2)])
    if width / sd > 1.5:  # below, the apparent width says little about the box (Treece 2010)
        assert float(box_width(apparent, sd)) == pytest.approx(width, abs=0.12)
    else:
        assert float(box_width(apparent, sd)) <= width + 0.7 * sd


@settings(max_examples=30, deadline=None)
@given(st.floats(-1.0, 1.0), st.floats(1.2, 4.0), st.floats(250.0, 1100.0), st.floats(0.4, 0.8), st.floats(-60.0, 70.0))
def test_fit_recovers_edge_width_and_height(edge: float, width: float, height: float, sd: float, inside: float) -> None:
    values = np.asarray(profile(edge, width, height, sd, 50.0, inside))[None]
    one = np.ones(1)
    start = (one * (edge + 0.4), one * (width + 0.5), one * height * 0.8, one * 45.0)
    found = fit_layers(values, AT, np.ones_like(values), one * sd, start, noise_hu=5.0, rounds=20)
    assert found.edge_mm[0] == pytest.approx(edge, abs=0.15)
    assert found.width_mm[0] == pytest.approx(width, abs=0.4)
    # what stays certain when width and height trade: the mineral per area
    assert found.width_mm[0] * found.height_hu[0] == pytest.approx(width * height, rel=0.12)
    assert found.misfit_hu[0] < 15


@pytest.mark.parametrize("edge", [-1.0, 0.0, 0.8])
@pytest.mark.parametrize(("width", "height"), [(1.0, 500.0), (2.0, 600.0), (3.0, 900.0)])
@pytest.mark.parametrize("noise", [4.0, 12.0, 40.0])
def test_edges_lie_where_they_were_put(edge: float, width: float, height: float, noise: float) -> None:
    """Densifying alone must not move the edge: the half maximum of a blurred box is not its border."""
    values = np.tile(np.asarray(profile(edge, width, height, 0.5)), (40, 1))
    far = np.full_like(values, 1000.0)
    found = find_edges(values, far, np.full(40, 0.5), muscle_hu=50.0, threshold_hu120=150.0, noise_hu=noise)
    np.testing.assert_allclose(found.depth_mm, edge, atol=0.2)
    np.testing.assert_allclose(found.thickness_mm, width, atol=0.35)
    assert (found.weight > 0.9).all()
    assert not found.contact.any()


def test_no_mineral_has_no_weight() -> None:
    values = np.full((20, len(AT)), 52.0)
    found = find_edges(
        values, np.full_like(values, 1000.0), np.full(20, 0.5), muscle_hu=50.0, threshold_hu120=150.0, noise_hu=12.0
    )
    assert (found.weight == 0).all()
    assert np.isnan(found.thickness_mm).all()


def test_averaging_keeps_constants_and_means() -> None:
    edges = np.array([(0, 1), (1, 2), (2, 0), (2, 3)])
    matrix = smoothing_matrix(4, edges, passes=3)
    np.testing.assert_allclose(matrix @ np.ones(4), 1.0)
    np.testing.assert_allclose(smoothing_matrix(4, edges) @ np.array([1.0, 0, 0, 0]), [0.5, 0.25, 0.2, 0.0])


def beside_cortex(bone_at: float, shell_mm: float, sd: float) -> tuple[object, object]:
    """Closed form: muscle (50 HU) over cortex (1200 HU) from ``bone_at`` mm outward of the surface, with a shell of
    600 HU and that width on it, through a Gaussian; and the distance from bone."""
    cortex = 1150.0 * special.ndtr((-bone_at - AT) / sd)
    shell = special.ndtr((AT + bone_at) / sd) - special.ndtr((AT + bone_at - shell_mm) / sd)
    return np.tile(50.0 + cortex + 550.0 * shell, (20, 1)), np.tile(AT + bone_at, (20, 1))


@pytest.mark.parametrize("sd", [0.6, 0.8, 1.2])
def test_the_blur_of_cortex_is_neither_edge_nor_contact(sd: float) -> None:
    """Muscle on cortex has no mineral; without its blur told apart the profile beside bone looks like a layer."""
    values, distance = beside_cortex(1.0, 0.0, sd)
    found = find_edges(values, distance, np.full(20, sd), muscle_hu=50.0, threshold_hu120=150.0, noise_hu=12.0)
    assert found.weight.max() == 0.0
    assert not found.contact.any()


@pytest.mark.parametrize("sd", [0.6, 0.8])
def test_a_shell_on_cortex_is_contact(sd: float) -> None:
    """... and a shell of 3 mm, more than the blur, that lies on the bone is."""
    values, distance = beside_cortex(1.0, 3.0, sd)
    found = find_edges(values, distance, np.full(20, sd), muscle_hu=50.0, threshold_hu120=150.0, noise_hu=12.0)
    assert found.contact.all()
