"""Pictures: planes carried right, scale true, maps equal-area, same bytes on every run."""

from __future__ import annotations

import hashlib
import io
from typing import Any

import numpy as np
import pytest
import study_factory
from matplotlib.image import imread

from mineralize.figures import grey_png
from mineralize.figures import pictures as figures
from mineralize.figures.planes import wrapped
from mineralize.figures.rim import forward, inverse, spread
from mineralize.figures.style import DENSITY, scan_colours
from mineralize.results import record, views


@pytest.fixture(scope="module")
def study() -> Any:
    return study_factory.study(untrusted=5)


@pytest.fixture(scope="module")
def layout(study: Any) -> Any:
    return views.plan(study)


@pytest.mark.slow
def test_everything_is_drawn_and_twice_the_same(study: Any, layout: Any) -> None:
    document = record.history(study, layout)
    first = figures.draw(study, document, layout)
    assert {"planes_axial.png", "course.png", "course.svg", "profile.svg", "rim.png", "change.png"} <= set(first.files)
    again = figures.draw(study, document, layout)
    digests = {name: hashlib.sha256(data).hexdigest() for name, data in first.files.items()}
    assert digests == {name: hashlib.sha256(data).hexdigest() for name, data in again.files.items()}
    assert first.change_scans == (1, 4)
    for name, data in first.files.items():
        assert b"matplotlib" not in data.lower() or name.endswith(".svg")
        assert b"<dc:date>" not in data


def test_the_same_plane_shows_the_same_place(study: Any, layout: Any) -> None:
    """The trace of a sphere's outline is a circle round the same centre in every matched scan (closed form)."""
    for plane in layout.planes:
        for number in range(1, 5):
            shown = views.view(study, layout, plane, number, 32)
            line = np.concatenate([t for t, _ in shown.traces])
            middle = layout.field_mm / 2
            radius = np.hypot(*(line - middle).T)
            assert shown.matched
            assert radius == pytest.approx(study_factory.RADII[number - 1], abs=0.25)


def test_the_trace_is_where_supported_ends(study: Any, layout: Any) -> None:
    shown = views.view(study, layout, layout.planes[0], 3, 32)
    for line, bridged in shown.traces:
        right = (line[:, 0] - layout.field_mm / 2) / study_factory.RADII[2]
        if bridged:
            assert right.min() > 0.2 + 0.54 - 0.25
        else:
            assert right.max() < 0.2 + 0.54 + 0.25


def test_voxels_land_where_the_geometry_says(study: Any, layout: Any) -> None:
    """The bone beside the lesion lies at the same place of every matched picture: on the patient's right, behind."""
    centre = np.array([4.0, 2.0]) - study_factory.CENTRE[:2] + layout.field_mm / 2
    spots = []
    for number in range(1, 5):
        shown = views.view(study, layout, layout.planes[0], number, 140)
        assert shown.hu is not None
        rows, columns = np.nonzero(np.nan_to_num(shown.hu, nan=-1000) > 1000)
        spots.append((np.array([columns.min(), rows.min()]) + 0.5) * layout.field_mm / 140)
    turned = views.view(study, layout, layout.planes[0], 1, 140)
    assert turned.hu is not None
    assert np.ptp(np.array(spots), axis=0).max() < 2.0
    assert centre[0] < layout.field_mm / 2


def test_no_plan_without_an_outline() -> None:
    from dataclasses import replace

    base = study_factory.study()
    assert views.plan(replace(base, outlines=(None,) * 5)) is None


def test_a_scan_without_outline_and_alignment_has_no_picture(layout: Any) -> None:
    base = study_factory.study(untrusted=2, missing=2)
    shown = views.view(base, layout, layout.planes[0], 2, 16)
    assert shown.hu is None
    assert not shown.matched
    assert shown.reason


def test_grey_png_reads_back() -> None:
    """Judge: matplotlib's PNG reader (Pillow)."""
    hu = np.linspace(-300, 900, 30 * 40).reshape(30, 40)
    hu[0, 0] = np.nan
    image = imread(io.BytesIO(grey_png(hu, (-200, 800)))) * 255
    assert image.shape == (30, 40)
    expected = np.clip((hu + 200) / 1000 * 255, 0, 255).round()
    assert image[0, 0] == 24
    assert np.abs(image - expected)[1:].max() <= 0.5


def test_map_keeps_areas_and_comes_back() -> None:
    """Mollweide (Snyder 1987, USGS Professional Paper 1395, p. 249): equal areas; A in the middle, S up, L right."""
    assert forward([0, -1, 0]) == pytest.approx([0, 0], abs=1e-9)
    assert forward([0, 0, 1]) == pytest.approx([0, 1], abs=1e-6)
    assert forward([1, 0, 0]) == pytest.approx([1, 0], abs=1e-9)
    generator = np.random.default_rng(5)
    direction = generator.normal(size=(4000, 3))
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    flat = forward(direction)
    assert np.allclose(inverse(flat[:, 0], flat[:, 1]), direction, atol=1e-5)
    x, y = np.meshgrid(np.linspace(-2, 2, 801), np.linspace(-1, 1, 401))
    at = inverse(x, y)
    inside = np.isfinite(at[..., 0])
    for axis, edge in (([0.3, -0.8, 0.52], 0.9), ([1, 0, 0], 0.5), ([0, 0, -1], 0.2)):
        unit = np.array(axis) / np.linalg.norm(axis)
        share = (at[inside] @ unit > edge).mean()
        assert share == pytest.approx((1 - edge) / 2, abs=0.004)


def test_spread_keeps_a_constant_and_skips_holes() -> None:
    direction = np.eye(3)
    at = np.array([[1.0, 0, 0], [np.nan] * 3])
    result = spread(direction, np.array([5.0, 5.0, np.nan]), at)
    assert result[0] == pytest.approx(5.0)
    assert np.isnan(result[1])


def test_ramps_are_readable_in_grey() -> None:
    """Lightness (Rec. 709 luma) falls or rises from end to end, so order survives a grey print."""

    def luma(colours: Any) -> Any:
        return np.array([np.dot(np.asarray(c)[:3], (0.2126, 0.7152, 0.0722)) for c in colours])

    assert (np.diff(luma([DENSITY(v) for v in np.linspace(0, 1, 40)])) > 0).all()
    assert (np.diff(luma(scan_colours(6))) < 0).all()


def test_wrapped() -> None:
    assert wrapped("one two three", 7) == "one two\nthree"
