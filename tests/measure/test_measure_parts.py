"""Sizes, rims, bone and rows part by part, on surfaces and profiles that are written down: closed forms."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from statistics import NormalDist
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from analytic_shell import ellipsoid_outline
from hypothesis import given
from hypothesis import strategies as st
from scipy import special
from scipy.spatial.distance import pdist
from scipy.spatial.transform import Rotation

from mineralize.base import QUANTITIES, Grid, MineralSettings, caution, quantity, sample, withhold
from mineralize.lesion.outline import OutlineDoubt
from mineralize.measure import bone as bones
from mineralize.measure import rim as rims
from mineralize.measure.bridged import Bridged
from mineralize.measure.estimate import Estimate, symmetric
from mineralize.measure.joined import JOINED, PERHAPS, SURELY, Beside, look_beside_bone
from mineralize.measure.needed import allowed, slices_mm
from mineralize.measure.rim_layer import Rim, _weighted_median, measure_layer, share_of
from mineralize.measure.rows import _profile, as_row, withhold_all
from mineralize.measure.shape import (
    axial_diameters,
    between_readers,
    longest_chord,
    longest_pair,
    measure_shape,
    section,
)
from mineralize.measure.zones import CORE_CLASSES
from mineralize.reference import Reference
from mineralize.reference.tissues import Tissue
from mineralize.surface import mesh_area

UP = np.array([0.0, 0.0, 1.0])
MUSCLE = 50.0
REF = Reference(120.0, 1.369, Tissue(MUSCLE, 0.5, 1e5), None, None, 10.0, 2.0, 0.5, 1.0, 1.0)
AXIAL = Grid.from_parts((2, 2, 2), (1.0, 1.0, 1.0))

# ---- sizes -------------------------------------------------------------------------------------------


@given(st.integers(1, 60), st.integers(0, 9), st.booleans())
def test_the_longest_pair_is_that_of_brute_force(count: int, seed: int, flat: bool) -> None:
    points = np.random.default_rng(seed).normal(size=(count, 3)) * [9.0, 5.0, 0.0 if flat else 3.0]
    first, second = longest_pair(points)
    expected = float(pdist(points).max()) if count > 1 else 0.0
    assert np.linalg.norm(first - second) == pytest.approx(expected)
    assert (np.abs(points - first).sum(axis=1) == 0).any()
    assert (np.abs(points - second).sum(axis=1) == 0).any()


@pytest.mark.parametrize("level", [-6.0, 0.0, 4.5])
def test_a_plane_cuts_a_ball_in_a_circle(level: float) -> None:
    """Radius sqrt(r^2 - h^2), closed: as many ends as segments, each met twice; nothing beyond the ball."""
    ball = ellipsoid_outline((10.0,) * 3)
    cut = section(ball.vertices, ball.faces, ball.vertices @ UP, level)
    assert cut[..., 2] == pytest.approx(level, abs=1e-9)
    assert np.linalg.norm(cut[..., :2], axis=-1) == pytest.approx(np.sqrt(100 - level**2), rel=0.01)
    length = np.linalg.norm(cut[:, 1] - cut[:, 0], axis=1).sum()
    assert length == pytest.approx(2 * np.pi * np.sqrt(100 - level**2), rel=0.01)
    ends, counts = np.unique(np.round(cut.reshape(-1, 3), 6), axis=0, return_counts=True)
    assert len(ends) == len(cut)
    assert (counts == 2).all()
    assert section(ball.vertices, ball.faces, ball.vertices @ UP, 10.5).shape == (0, 2, 3)


def test_the_longest_chord_of_a_trapezium() -> None:
    """Sides 20 and 8 across a height of 6: along it 20 at one edge and less at every other offset; across, 6."""
    corners = np.array([[-10.0, 0, 0], [10.0, 0, 0], [4.0, 6.0, 0], [-4.0, 6.0, 0]]) + np.array([100.0, 50.0, 7.0])
    segments = np.stack([corners, np.roll(corners, -1, axis=0)], axis=1)
    x, y = np.array([1.0, 0, 0]), np.array([0.0, 1, 0])
    assert longest_chord(segments, x, y) == pytest.approx(20.0 - 12.0 / 80, abs=0.01)  # at the first of 80 offsets
    assert longest_chord(segments, y, x) == pytest.approx(6.0)
    assert longest_chord(segments[:1], x, y) == 0.0


@pytest.mark.parametrize("seed", [0, 1])
def test_axial_diameters_in_any_frame(seed: int) -> None:
    """Semi-axes 7, 11, 16 seen across the third: 22 and 14 mm, wherever the ellipsoid lies and the scan points."""
    turn = Rotation.random(random_state=seed).as_matrix()
    body = ellipsoid_outline((7.0, 11.0, 16.0))
    found = axial_diameters(body.vertices @ turn.T + [40.0, -90.0, 12.0], body.faces, turn[:, 2], 1.0)
    assert found == pytest.approx((22.0, 14.0), abs=0.2)
    assert axial_diameters(body.vertices, body.faces, UP, 31.9) == pytest.approx((22.0, 14.0), abs=0.2)
    assert axial_diameters(body.vertices, body.faces, UP, 90.0) == (0.0, 0.0)  # no plane


def shaped(**how: Any) -> dict[str, Estimate]:
    """The ellipsoid 8, 10, 15 mm with its spread of 0.2 mm, crossing gaps as told, in slices of 2 mm."""
    outline = replace(ellipsoid_outline((8.0, 10.0, 15.0)), doubt=how.get("doubt"))
    bridged = Bridged(0.1, how.get("volume", 0.04), 0.03, 0.1, how.get("hidden", 0.01))
    reference = replace(REF, slice_mm=2.0, slice_spacing_mm=1.0)
    site: Any = SimpleNamespace(outline=outline, near=SimpleNamespace(grid=AXIAL), bridged=bridged, reference=reference)
    return {e.quantity: e for e in measure_shape(site)}


def test_what_moves_a_volume_and_its_diameters() -> None:
    """Shares of spread and of the cap as calibrated on phantoms (module), area and sizes in closed form."""
    found = shaped()
    outline = ellipsoid_outline((8.0, 10.0, 15.0))
    volume, area = 4 / 3 * np.pi * 1200, mesh_area(outline.vertices, outline.faces)
    sizes = {"lesion_volume": volume, "longest_diameter": 30.0, "axial_diameter": 20.0, "axial_perpendicular": 16.0}
    for name, size in sizes.items():
        assert found[name].value == pytest.approx(size, rel=0.01), name
        assert found[name].down == found[name].up
        assert found[name].bounds == (0.0, np.inf)
    parts = {name: e.down for name, e in found.items()}
    assert parts["lesion_volume"] == pytest.approx(
        {"outline": 0.42 * area * 0.2, "bridged gaps": 0.04 * volume}, rel=0.01
    )
    assert parts["axial_diameter"] == pytest.approx({"outline": 0.4, "bridged gaps": 0.6 * 0.04 * 20}, rel=0.01)
    assert parts["axial_perpendicular"] == pytest.approx({"outline": 0.56, "bridged gaps": 0.04 * 16}, rel=0.01)
    # Along the slices: three quarters of a slice; what blur hides of an opening counts in full.
    longest = {"outline": 0.4, "bridged gaps": (0.45 * 0.03 + 0.01) * 30, "slice thickness": 1.5}
    assert parts["longest_diameter"] == pytest.approx(longest, rel=0.01)


def test_a_drawn_outline_is_as_uncertain_as_readers_say() -> None:
    """Between the sizes given shares are interpolated; beyond them that of the end counts (relative, of the length)."""
    doubt = OutlineDoubt(0.15, 0.5, ((10.0, 0.2), (30.0, 0.1)))
    assert between_readers(doubt, 20.0) == pytest.approx(0.15 * 20)
    assert between_readers(doubt, 5.0) == pytest.approx(0.2 * 5)
    assert between_readers(doubt, 50.0) == pytest.approx(0.1 * 50)
    assert between_readers(OutlineDoubt(0.1, 0.5), 20.0) == 0.0
    found = shaped(doubt=doubt)
    assert found["lesion_volume"].down == {"outline": pytest.approx(0.15 * found["lesion_volume"].value)}
    assert found["axial_diameter"].down["outline"] == pytest.approx(np.hypot(0.7, 0.15 * 20), rel=0.01)
    assert found["longest_diameter"].down == {"outline": pytest.approx(np.hypot(0.7, 0.1 * 30), rel=0.01)}
    assert found["axial_perpendicular"].down["outline"] == pytest.approx(1.4 * np.hypot(0.7, 3.0), rel=0.01)


# ---- the rim -----------------------------------------------------------------------------------------


def rim_of(peak: Any, **how: Any) -> Rim:
    """A ring of vertices of 1 mm2 each, neighbours joined, those two apart beside each other."""
    peak = np.asarray(peak, float)
    n = len(peak)
    step = np.arange(n)
    edges = np.stack([step, (step + 1) % n], axis=1)
    beside = np.concatenate([edges, np.stack([step, (step + 2) % n], axis=1)])
    full: dict[str, Any] = {
        "area": np.ones(n), "seen": peak, "thickness": np.full(n, 2.0), "blur": np.full(n, 0.5),
        "recovery": np.ones(n), "height": peak, "edges": edges, "beside": beside,
    } | how  # fmt: skip
    return Rim(
        full["area"], full["seen"], peak, full["thickness"], full["blur"], full["recovery"], full["height"],
        full["edges"], full["beside"],
    )  # fmt: skip


def rim_site(n: int = 0, **how: Any) -> Any:
    circle = 2 * np.pi * np.arange(max(n, 1)) / max(n, 1)
    vertices = 10.0 * np.stack([np.cos(circle), np.sin(circle), 0 * circle], axis=1)
    outline = SimpleNamespace(
        vertices=vertices, normals=vertices / 10.0, centroid=np.zeros(3), spread_mm=0.2, touches_bone=how.get("bone")
    )
    return SimpleNamespace(
        outline=outline, reference=how.get("reference", REF), settings=SimpleNamespace(mineral=MineralSettings()),
        slope_ratio=how.get("slope_ratio", 1.0), bridged=Bridged(0.1, 0.04, 0.03, 0.1, 0.01),
    )  # fmt: skip


def test_the_blurred_border_of_a_denser_neighbour_is_no_mineral_below_its_half_height() -> None:
    """Threshold 150, muscle 50: 950 beside 320 and 480, half height 500; three places on none is."""
    peak = [950.0, 320.0, 480.0, 320.0, 320.0, 60.0, 60.0, 320.0, 520.0]
    found = rims.mineralised(rim_site(), rim_of(peak), 150.0)
    assert found.tolist() == [True, False, False, True, True, False, False, False, True]
    # Nothing dense (twice the threshold less muscle), or nothing below: as it reads.
    assert rims.mineralised(rim_site(), rim_of([249.0, 160.0, 140.0]), 150.0).tolist() == [True, True, False]
    assert rims.mineralised(rim_site(), rim_of([900.0, 160.0, 160.0]), 150.0).all()


def test_where_the_outline_lies_on_bone_the_bone_closes_the_rim() -> None:
    touching = np.array([False, True, False])
    peak = [240.0, 60.0, 60.0]
    assert rims.over_or_contact(rim_site(bone=touching), rim_of(peak), 150.0).tolist() == [True, True, False]
    assert rims.over_or_contact(rim_site(), rim_of(peak), 150.0).tolist() == [True, False, False]


def test_a_gap_is_unresolved_where_a_shell_like_its_neighbours_would_not_show() -> None:
    """Shells of 250 HU over muscle: shown 0.4 of it that is 150, at the threshold; noise of 2 x 2 HU beside it."""
    mineral = np.arange(40) < 30
    recovery = np.where(mineral, 1.0, np.linspace(0.2, 0.6, 40))
    rim = rim_of(np.where(mineral, 300.0, 60.0), recovery=recovery)
    found = rims.hidden_by_blur(rim_site(), rim, mineral)
    assert np.array_equal(found, ~mineral & (250.0 * recovery < 104.0))
    assert not rims.hidden_by_blur(rim_site(), rim, np.arange(40) < 9).any()
    loud = rims.hidden_by_blur(rim_site(slope_ratio=10.0), rim, mineral)
    assert np.array_equal(loud, ~mineral & (250.0 * recovery < 140.0))


@given(st.floats(0.6, 4.0), st.floats(0.25, 1.2), st.floats(400.0, 1500.0))
def test_a_blurred_layer_swells_over_a_threshold_as_calculated(width: float, blur: float, height: float) -> None:
    """Within the outline: the depth over the threshold of a box of that width blurred by a Gaussian (closed form)."""
    n = 12
    rim = rim_of(np.full(n, height), thickness=np.full(n, width), blur=np.full(n, blur))
    found = rims._swelling(rim_site(n), rim, np.ones(n, bool), (150.0, 2000.0))
    at = np.arange(0.0, 10.0, 0.1)
    box = (height - MUSCLE) * (special.ndtr(at / blur) - special.ndtr((at - width) / blur))
    assert found[150.0] == pytest.approx(max((box > 100.0).sum() * 0.1 / width - 1.0, 0.0), abs=1e-9)
    assert found[2000.0] == 0.0
    assert rims._swelling(rim_site(n), rim, np.arange(n) < 9, (150.0,)) == {150.0: 0.0}


def test_completeness_with_all_that_could_move_it() -> None:
    """80 of 100 mineralised at 150; at 180 seventy, at 120 ninety; one border at each end of the gap."""
    peak = np.select([np.arange(100) < 70, np.arange(100) < 80, np.arange(100) < 90], [240.0, 160.0, 130.0], 60.0)
    rim = rim_of(peak, seen=np.where(np.arange(100) < 60, peak, 140.0))
    mineral = peak >= 150.0
    hidden = np.arange(100) >= 85
    rows = {e.quantity: e for e in rims._completeness(rim_site(), rim, mineral, hidden)}
    main = rows["rim_completeness"]
    pitch = np.sqrt(2 / np.sqrt(3))
    border = 1.4 * 0.7 * (2 * pitch / 2) / 100 + 0.02
    assert main.value == pytest.approx(0.8)
    assert main.down == pytest.approx(
        {"threshold": 0.7 * 0.1, "border of the gap": border, "blur": 0.5 * 0.2, "bridged gaps": 0.06}
    )
    assert main.up == pytest.approx({
        "threshold": 0.7 * 0.1, "border of the gap": border, "unresolved shell": 0.15, "blur": 0.1,
        "bridged gaps": 0.03,
    })  # fmt: skip
    assert [v.code for v in main.verdicts] == ["rim-unresolved"]
    assert main.bounds == (0.0, 1.0)
    assert rows["rim_completeness_200"].value == pytest.approx(0.7)
    assert rows["rim_completeness_100"].value == pytest.approx(0.9)
    assert rows["rim_unresolved"].value == pytest.approx(0.15)
    assert rows["rim_unresolved"].down == {"blur": pytest.approx(0.25 * 0.15 + 0.01)}
    few = rims._completeness(rim_site(), rim, mineral, np.arange(100) >= 91)
    assert few[0].verdicts == ()


def test_the_largest_gap_and_where_it_faces() -> None:
    """Of a ring of 100, open from 20 to 30 and from 50 to 79: the larger one, facing its middle."""
    step = np.arange(100)
    open_ = ((step >= 20) & (step < 31)) | ((step >= 50) & (step < 80))
    peak = np.where(open_, 60.0, 240.0)
    peak[48:50] = 170.0  # gap at 180
    peak[80] = 170.0
    peak[50] = 130.0  # rim at 120
    found = rims._gap(rim_site(100), rim_of(peak), ~open_)[0]
    assert found.value == pytest.approx(0.30)
    middle = 2 * np.pi * 64.5 / 100
    assert found.detail is not None
    assert found.detail["largest_gap_unit_vector"] == pytest.approx([np.cos(middle), np.sin(middle), 0.0], abs=1e-3)
    border = 0.7 * (2 * np.sqrt(2 / np.sqrt(3)) / 2) / 100 + 0.003
    assert found.down == pytest.approx({"threshold": 0.5 * 0.01, "border of the gap": border, "bridged gaps": 0.03})
    assert found.up == pytest.approx({"threshold": 0.5 * 0.03, "border of the gap": border, "bridged gaps": 0.06})
    closed = rims._gap(rim_site(100), rim_of(np.full(100, 240.0)), np.ones(100, bool))[0]
    assert (closed.value, closed.down, closed.up) == (0.0, {"border of the gap": 0.003}, {"border of the gap": 0.003})


def layer(**how: Any) -> dict[str, Estimate]:
    """Of 100 places 80 mineralised, 2 mm thick and 650 HU high, seen at 450; blur of 0.5 mm."""
    step = np.arange(100)
    mineral = how.get("mineral", step < 80)
    peak, seen = np.where(step < 80, 600.0, 60.0), np.where(step < 80, 450.0, 60.0)
    thickness = np.where(step < 80, how.get("thickness", 2.0), np.nan)
    thickness[how.get("lost", slice(0, 0))] = np.nan
    rim = rim_of(peak, seen=seen, thickness=thickness, blur=np.where(step % 2 == 0, 0.5, how.get("wide", 0.5)),
                 recovery=np.full(100, how.get("recovery", 0.8)), height=np.where(step < 80, 650.0, 60.0))  # fmt: skip
    return {e.quantity: e for e in measure_layer(rim_site(100, **how), rim, mineral)}


def test_thickness_and_peak_of_a_layer_with_all_that_could_move_them() -> None:
    found = layer()
    thick, peak = found["rim_thickness"], found["rim_peak_attenuation"]
    assert thick.value == pytest.approx(2.0)
    assert thick.up == pytest.approx({"blur": 0.35 * 0.25 / 2.0 + 0.08 * 2.0, "sampling": 0.0, "outline": 0.1})
    assert thick.down == pytest.approx(thick.up | {"patchy mineral": 0.0})
    assert thick.verdicts == peak.verdicts == ()
    assert peak.value == pytest.approx(650.0)
    assert peak.detail == {"plain_peak_hu": pytest.approx(450.0)}
    assert peak.down == pytest.approx({"blur": 0.35 * 200 + 0.08 * 600, "noise": 4.0})
    assert peak.up == pytest.approx({"blur": 0.35 * 200 + 0.08 * 600, "patchy mineral": 0.0})
    # In a scan whose own HU are 1.25 times those at 120 kVp less for mineral: over muscle, 480 of 600.
    assert layer(slope_ratio=1.25)["rim_peak_attenuation"].value == pytest.approx(MUSCLE + 600.0 / 1.25)


def test_what_cautions_a_thickness_and_a_peak() -> None:
    def codes(name: str, **how: Any) -> list[str]:
        return [v.code for v in layer(**how)[name].verdicts]

    assert codes("rim_thickness", thickness=0.59) == ["thickness-limit"]  # 1.2 times the blur
    assert codes("rim_thickness", thickness=0.61) == []
    assert codes("rim_thickness", lost=slice(0, 41)) == ["mostly-no-inner-border"]
    assert codes("rim_thickness", lost=slice(0, 39)) == []
    assert codes("rim_thickness", lost=slice(0, 71)) == ["inner-border-unseen"]
    assert layer(lost=slice(0, 71))["rim_thickness"].value is None
    # Where hardly a layer was fitted the peaks as seen along the profiles count.
    assert layer(lost=slice(0, 71))["rim_peak_attenuation"].value == pytest.approx(600.0)
    assert layer(lost=slice(0, 70))["rim_peak_attenuation"].value == pytest.approx(650.0)
    assert codes("rim_peak_attenuation", recovery=0.49) == ["thin-rim-lowered"]
    assert codes("rim_peak_attenuation", recovery=0.51) == []
    little = layer(mineral=np.arange(100) < 1)
    assert {e.value for e in little.values()} == {None}
    assert layer(mineral=np.arange(100) < 2)["rim_peak_attenuation"].value is not None


def test_thickness_is_read_where_blur_is_least() -> None:
    """Every second place is blurred 1.6 times as much: it does not count, unless nothing else is left."""
    step = np.arange(100)
    found = layer(thickness=np.where(step % 2 == 0, 2.0, 3.0), wide=0.8)
    assert found["rim_thickness"].value == pytest.approx(2.0)
    near = layer(thickness=np.where(step % 2 == 0, 2.0, 3.0), wide=0.6)
    assert near["rim_thickness"].up["sampling"] == pytest.approx(1.0 / np.sqrt(80 / 8))
    spread = layer(thickness=np.linspace(1.0, 3.0, 100))["rim_thickness"]
    quarter = np.subtract(*np.percentile(np.linspace(1.0, 3.0, 100)[:80], [75, 25]))
    assert spread.up["sampling"] == pytest.approx(quarter / np.sqrt(10.0))


@given(st.lists(st.integers(1, 5), min_size=1, max_size=12), st.integers(0, 99))
def test_a_weighted_median_is_that_of_repeated_values(weights: list[int], seed: int) -> None:
    values = np.random.default_rng(seed).permutation(len(weights)).astype(float)
    repeated = np.sort(np.repeat(values, weights))
    assert _weighted_median(values, np.array(weights, float)) == repeated[(len(repeated) + 1) // 2 - 1]


def test_shares_are_of_area() -> None:
    rim = rim_of([1.0, 2.0, 3.0], area=np.array([1.0, 2.0, 5.0]))
    assert share_of(rim, np.array([True, False, True])) == pytest.approx(0.75)


# ---- beside bone -------------------------------------------------------------------------------------

FINE = Grid.from_parts((60, 60, 120), (0.5, 0.5, 0.5), (-30.0, -15.0, -15.0))


def beside_plane(bone_x: float, hu120: Any) -> Any:
    """A patch of outline at x = 0 that faces bone at ``bone_x`` (its normals along +x); HU120 by x."""
    x = FINE.world_of_all()[..., 0]
    y, z = (a.ravel() for a in np.meshgrid(np.linspace(-6, 6, 9), np.linspace(-6, 6, 9)))
    vertices = np.stack([0 * y, y, z], axis=1)
    index = np.arange(81).reshape(9, 9)
    lower = np.stack([index[:-1, :-1], index[1:, :-1], index[:-1, 1:]], axis=-1).reshape(-1, 3)
    upper = np.stack([index[1:, :-1], index[1:, 1:], index[:-1, 1:]], axis=-1).reshape(-1, 3)
    faces = np.concatenate([lower, upper])
    values = np.asarray(hu120(x), np.float32)
    distance = (bone_x - x).astype(np.float32)

    def look(field: Any, outside: float) -> Any:
        return lambda points: sample(field, FINE, points, outside=outside)

    near = SimpleNamespace(grid=FINE, hu=values, at=look(values, np.nan), bone_at=look(distance, 1000.0))
    outline = SimpleNamespace(vertices=vertices, normals=np.tile([1.0, 0, 0], (81, 1)), faces=faces)
    return SimpleNamespace(
        near=near, outline=outline, reference=REF, zones=SimpleNamespace(rim_depth_mm=4.0),
        settings=SimpleNamespace(mineral=MineralSettings()),
    )  # fmt: skip


@pytest.mark.parametrize("gap", [0.0, 0.4, 1.5])
def test_mineral_beside_bone_is_read_one_and_a_half_blurs_from_it(gap: float) -> None:
    """Blur 0.5 mm: at 0.75 mm inside the bone. HU fall evenly inwards from 700 by 100 a mm: known everywhere."""
    found = look_beside_bone(beside_plane(gap, lambda x: 700.0 + 100.0 * x))
    at = max(0.75 - gap, 0.0)
    assert found.distance_mm == pytest.approx(np.full(81, gap), abs=1e-5)
    assert found.height_hu == pytest.approx(np.full(81, 650.0 - 100.0 * at), abs=1.0)
    assert found.leaves.all()
    first = np.ceil(at / 0.2) * 0.2
    assert found.highest_hu == pytest.approx(np.full(81, 650.0 - 100.0 * first), abs=1.0)


def test_the_highest_behind_is_within_the_depth_of_the_rim() -> None:
    """A peak 4 mm behind what is read counts, one at 5.5 mm belongs to something else."""
    near = look_beside_bone(beside_plane(0.0, lambda x: np.where(np.abs(x + 4.0) < 0.6, 900.0, 300.0)))
    assert near.highest_hu == pytest.approx(np.full(81, 850.0), abs=1.0)
    assert near.height_hu == pytest.approx(np.full(81, 250.0), abs=1.0)
    far = look_beside_bone(beside_plane(0.0, lambda x: np.where(np.abs(x + 6.0) < 0.6, 900.0, 300.0)))
    assert far.highest_hu == pytest.approx(np.full(81, 250.0), abs=1.0)
    buried = look_beside_bone(beside_plane(-9.0, lambda x: 300.0 + 0 * x))
    assert not buried.leaves.any()


@pytest.mark.parametrize("blur", [0.4, 0.7, 1.0])
def test_what_counts_as_joined(blur: float) -> None:
    """Within 0.5 mm, 50 HU over muscle, and as high as a rim reads that begins so far away; narrower, wider too.

    A step at ``w`` seen through a Gaussian reads ``ndtr((b - w) / sd)`` at ``b``, here 1.5 sd.
    """

    def joined(distance: float, height: float, highest: float, rule: Any = JOINED, leaves: bool = True) -> bool:
        one = Beside(
            *(np.array([v]) for v in (distance, height, highest)), leaves=np.array([leaves]), blur_mm=np.array([blur])
        )
        return bool(one.joined(rule)[0])

    full = 1000.0
    seen = {w: full * NormalDist(0.0, blur).cdf(1.5 * blur - w) for w in (0.05, 0.1, 0.3, 0.45, 0.55, 0.8, 1.1)}
    assert joined(0.49, seen[0.45], full)
    assert not joined(0.51, seen[0.45], full)
    assert not joined(0.49, seen[0.55], full)
    assert not joined(0.49, 49.0, 50.0)
    assert joined(0.49, 51.0, 51.0)
    assert not joined(0.49, seen[0.1], full, leaves=False)
    assert [joined(0.05, seen[0.05], full, rule) for rule in (SURELY, JOINED, PERHAPS)] == [True, True, True]
    assert [joined(0.1, seen[0.3], full, rule) for rule in (SURELY, JOINED, PERHAPS)] == [False, True, True]
    assert [joined(0.8, seen[0.8], full, rule) for rule in (SURELY, JOINED, PERHAPS)] == [False, False, True]
    assert not joined(0.8, seen[1.1], full, PERHAPS)


@pytest.mark.parametrize("gap", [0.3, 2.0, 7.3])
def test_the_way_to_a_plane_of_bone(gap: float) -> None:
    site = beside_plane(gap, lambda x: 0 * x)
    assert bones._way_to_bone(site, site.outline.vertices) == pytest.approx(np.full(81, gap), abs=1e-3)
    within = beside_plane(-0.5, lambda x: 0 * x)
    assert bones._way_to_bone(within, within.outline.vertices) == pytest.approx(np.full(81, -0.5), abs=1e-3)


def test_the_darkest_place_on_the_way_to_bone() -> None:
    """A line of 40 HU from 1 to 2 mm ahead of the outline, bone from 4 mm on; behind the bone nothing is looked at."""
    line = beside_plane(4.0, lambda x: np.where((x > 0.9) & (x < 2.1), 40.0, np.where(x > 4.6, -500.0, 300.0)))
    assert bones._darkest_towards_bone(line) == pytest.approx(np.full(81, 40.0), abs=1.0)
    plain = beside_plane(4.0, lambda x: np.where(x > 4.6, -500.0, 300.0))
    assert bones._darkest_towards_bone(plain) == pytest.approx(np.full(81, 300.0), abs=1.0)
    assert np.isnan(bones._darkest_towards_bone(beside_plane(9.0, lambda x: 0 * x))).all()
    on_bone = beside_plane(-0.4, lambda x: 300.0 + 100.0 * x)
    assert bones._darkest_towards_bone(on_bone) == pytest.approx(np.full(81, 250.0), abs=1.0)


def contact(area: Any, distance: Any, verdicts: Any = ()) -> Estimate:
    n = len(area)
    beside = Beside(np.asarray(distance, float), np.full(n, 500.0), np.full(n, 500.0), np.ones(n, bool), np.ones(n))
    outline = SimpleNamespace(verdicts=verdicts, trust="ok", doubt_is_local=False, holds_mineral=True)
    site: Any = SimpleNamespace(
        outline=outline, reference=REF, running_on_mm3=0.0, hidden_mm3=0.0, voxel_mm3=1.0,
        zones=SimpleNamespace(lesion=np.ones(9)),
    )  # fmt: skip
    return bones._contact(site, np.asarray(area, float), beside, 1.2)


def test_the_interval_of_a_contact() -> None:
    """0.5 mm apart counts, 0.2 surely, 1.0 perhaps; a small spot may be none at all."""
    found = contact([100.0, 50.0, 30.0, 9.0], [0.1, 0.4, 0.9, 2.0])
    assert found.value == pytest.approx(150.0)
    assert found.down == {"line too narrow": pytest.approx(150.0 - 0.8 * 100.0)}
    assert found.up == {"line too narrow": pytest.approx(30.0)}
    assert [v.code for v in found.verdicts] == ["contact-unresolved", "drawn-at-bone"]
    told = contact([100.0], [0.1], verdicts=(caution("edge-unseen", share=0.4),))
    assert [v.code for v in told.verdicts] == ["contact-unresolved"]  # the outline says so itself
    assert contact([100.0, 1.0], [0.1, 0.1]).down == {"line too narrow": pytest.approx(0.2 * 101.0)}
    spot = contact([59.0], [0.1])
    assert spot.down == {"line too narrow": pytest.approx(59.0)}
    assert spot.up == {"line too narrow": pytest.approx(0.2 * 59.0)}
    none = contact([59.0], [3.0])
    assert (none.value, none.verdicts) == (0.0, ())
    near = contact([59.0], [0.9])
    assert (near.value, near.up) == (0.0, {"line too narrow": pytest.approx(59.0)})
    assert [v.code for v in near.verdicts] == ["contact-unresolved"]
    assert [v.code for v in contact([0.4], [0.9]).verdicts] == ["contact-unresolved"], "however small"


# ---- what outline and slices allow -------------------------------------------------------------------


def limited(name: str, **how: Any) -> list[tuple[str, str]]:
    outline = SimpleNamespace(
        verdicts=how.get("verdicts", ()), trust=how.get("trust", "ok"), doubt_is_local=how.get("local", False),
        holds_mineral=how.get("holds", True),
    )  # fmt: skip
    site: Any = SimpleNamespace(
        outline=outline, running_on_mm3=how.get("running", 0.0), hidden_mm3=how.get("hidden", 0.0), voxel_mm3=0.5,
        reference=replace(REF, slice_mm=how.get("thick", 1.0), slice_spacing_mm=how.get("apart", 1.0)),
        zones=SimpleNamespace(lesion=np.ones(200)),
    )  # fmt: skip
    return [(v.code, v.trust) for v in allowed(site, quantity(name))]


def test_slices_limit_lengths_and_rims() -> None:
    assert limited("lesion_volume", thick=3.4) == []
    assert limited("lesion_volume", thick=3.6) == [("slices-blur-outline", "caution")]
    assert limited("lesion_volume", apart=3.6) == [("slices-blur-outline", "caution")]
    assert ("slices-no-length", "withheld") not in limited("longest_diameter", thick=5.0)
    assert ("slices-no-length", "withheld") in limited("longest_diameter", thick=5.1)
    assert ("slices-blur-rim", "caution") not in limited("rim_thickness", apart=2.9)
    assert ("slices-blur-rim", "caution") in limited("rim_thickness", apart=3.1)
    assert limited("rim_thickness", thick=5.1)[1:] == [("slices-no-rim", "withheld")]
    assert limited("reference_muscle", thick=9.0, running=500.0, hidden=90.0) == []
    site: Any = SimpleNamespace(reference=replace(REF, slice_mm=2.0, slice_spacing_mm=3.0))
    assert slices_mm(site) == 3.0


def test_bone_in_the_outline_limits_what_rests_on_it() -> None:
    """More than 60 mm3 as dense as cortex, or more than 15 % of the lesion (100 mm3) in what passes for bone."""
    assert limited("mineral_mass", running=59.0) == []
    assert limited("mineral_mass", running=61.0) == [("bone-runs-through", "withheld")]
    assert limited("mineral_mass", hidden=14.9) == []
    assert limited("mineral_mass", hidden=15.1) == [("bone-mixed", "withheld")]
    for name, row in QUANTITIES.items():
        if row.surface_only:
            assert limited(name, hidden=15.1) == [], name
            assert limited(name, running=61.0) == [("bone-runs-through", "withheld")], name


def test_what_an_outline_in_doubt_allows_by_need() -> None:
    """Crossing a gap moves a surface, not mineral that is seen; a dent does not move the middle."""
    by_need = {row.needs: name for name, row in QUANTITIES.items()}
    unseen, drawn = caution("edge-unseen", share=0.4), caution("drawn-by-reader")
    lost = withhold("edge-unseen", share=0.8)
    assert limited(by_need["surface"], verdicts=(unseen,), trust="caution") == [("edge-unseen", "caution")]
    assert limited(by_need["middle"], verdicts=(unseen,), trust="caution", local=True) == []
    assert limited(by_need["middle"], verdicts=(unseen,), trust="caution") == [("edge-unseen", "caution")]
    for need in ("layer", "sum"):
        assert limited(by_need[need], verdicts=(unseen, drawn), trust="caution") == [("drawn-by-reader", "caution")]
    assert limited(by_need["layer"], verdicts=(lost,), trust="withheld") == [("edge-unseen", "withheld")]
    assert limited(by_need["sum"], verdicts=(lost,), trust="withheld") == [("edge-unseen", "caution")]
    assert limited(by_need["sum"], verdicts=(lost,), trust="withheld", holds=False) == [("edge-unseen", "withheld")]


# ---- rows --------------------------------------------------------------------------------------------


def test_a_row_says_before_and_after_what_limits_it() -> None:
    first, last = caution("edge-unseen", share=0.4), caution("kvp-unknown")
    own = caution("noise-alone")
    row = as_row(3, replace(symmetric("mineral_mass", "mg", 100.0, {"noise": 5.0}), verdicts=(own,)), (first,), (last,))
    assert [v.code for v in row.verdicts] == ["edge-unseen", "noise-alone", "kvp-unknown"]
    assert (row.scan, row.value, row.low, row.high, row.trust) == (3, 100.0, 95.0, 105.0, "caution")
    assert row.parts == {"noise": (5.0, 5.0)}
    one_sided = as_row(1, Estimate("mineral_mass", "mg", 100.0, {"noise": 1.0}, {"background": 2.0}))
    assert one_sided.parts == {"noise": (1.0, 0.0), "background": (0.0, 2.0)}
    barred = as_row(1, symmetric("mineral_mass", "mg", 100.0, {}), (), (withhold("cut-by-scan"),))
    assert (barred.value, barred.trust) == (None, "withheld")
    nothing = as_row(1, Estimate("mineral_mass", "mg", None), (first,), (last, withhold("cut-by-scan")))
    assert [v.code for v in nothing.verdicts] == ["undetermined", "cut-by-scan"]
    assert as_row(1, Estimate("mineral_mass", "mg", float("nan"))).trust == "withheld"


@pytest.mark.parametrize(("down", "up", "wide"), [(14.9, 14.9, False), (15.1, 0.0, True), (0.0, 15.1, True)])
def test_an_interval_is_wide_by_its_larger_side(down: float, up: float, wide: bool) -> None:
    """15 % of a mass (table of quantities)."""
    row = as_row(1, Estimate("mineral_mass", "mg", 100.0, {"a": down}, {"a": up}))
    assert ("interval-wide" in [v.code for v in row.verdicts]) == wide


def test_rows_that_are_kept_stay_and_the_rest_is_withheld() -> None:
    kept = as_row(2, symmetric("fat_reference", "HU", -95.0, {"noise": 1.0}))
    rows = {r.quantity: r for r in withhold_all(2, withhold("cut-by-scan"), (kept,))}
    assert rows["fat_reference"] is kept
    assert {r.trust for r in rows.values() if r is not kept} == {"withheld"}


@pytest.mark.parametrize(("deepest", "step"), [(9.0, 1.0), (3.5, 0.5), (4.0, 0.5), (4.1, 1.0)])
def test_the_profile_by_depth_is_that_of_plain_bins(deepest: float, step: float) -> None:
    """From 6 mm outside to the centre: mean and twice its error from noise, by hand; bins of two voxels are empty."""
    rng = np.random.default_rng(5)
    depth = rng.uniform(-7.0, deepest, 3000)
    depth[(depth > 1.0) & (depth < 1.0 + step)] = 0.5
    depth[:2] = 1.0 + step / 2
    values = 100.0 + 20.0 * depth
    usable = rng.uniform(size=3000) > 0.2
    usable[:2] = True
    site: Any = SimpleNamespace(
        scan=4, usable=usable, hu120=values, reference=REF, voxel_mm3=0.7,
        zones=SimpleNamespace(depth=depth, inradius_mm=deepest),
    )  # fmt: skip
    found = _profile(site)
    assert found.depth_mm[:2] == pytest.approx([-6.0 + step / 2, -6.0 + 1.5 * step])
    assert found.depth_mm[-1] > deepest - step
    assert (found.scan, found.inradius_mm) == (4, deepest)
    for k, centre in enumerate(found.depth_mm):
        inside = usable & (depth >= centre - step / 2) & (depth < centre + step / 2)
        if inside.sum() < 3:
            assert np.isnan(found.hu120_mean[k])
            assert np.isnan(found.hu120_low[k])
            continue
        error = 2.0 * REF.mean_error(inside.sum() * 0.7)
        assert found.hu120_mean[k] == pytest.approx(values[inside].mean())
        assert found.hu120_high[k] == pytest.approx(values[inside].mean() + error)
        assert found.hu120_low[k] == pytest.approx(values[inside].mean() - error)
    assert np.isnan(found.hu120_mean).any()
    assert np.isfinite(found.hu120_mean).sum() > 5


def test_bands_of_the_core_do_not_overlap() -> None:
    ends = [(low, high) for _, low, high in CORE_CLASSES]
    assert all(low < high for low, high in ends)
    assert all(high <= low for (_, high), (low, _) in pairwise(ends))
