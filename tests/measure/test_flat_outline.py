"""A flat piece of outline that faces bone, with its slices along or across the way: gap, contact, cleft, rim."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from analytic_shell import ellipsoid_outline
from scipy import special

from mineralize.base import Grid, MineralSettings, Settings, ZoneSettings, sample
from mineralize.lesion import Neighbourhood, Zones
from mineralize.lesion.near import FAR_MM
from mineralize.lesion.start import Ellipsoid
from mineralize.measure import CONTACT, GAP, MINERAL, UNRESOLVED, Estimate, Site, rim_layer
from mineralize.measure import bone as bones
from mineralize.measure import rim as rims
from mineralize.measure.bone import measure_bone
from mineralize.measure.bridged import MOST_OF_CAP, Bridged, bridged, cap_volume
from mineralize.measure.joined import look_beside_bone
from mineralize.measure.rim import look_at_rim, measure_rim
from mineralize.measure.rim_layer import Rim, _patchiness
from mineralize.measure.shape import measure_shape
from mineralize.reference import Reference
from mineralize.reference.tissues import Tissue
from mineralize.surface import vertex_areas

MUSCLE = 50.0
REF = Reference(120.0, 1.369, Tissue(MUSCLE, 0.5, 1e5), None, None, 10.0, 2.0, 0.5, 1.0, 1.0)
ALONG_X = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
"""Slices along x, the way to bone; by default they lie along z, across it."""
NODES = 13


def patch(
    bone_x: float, hu120: Any, *, reference: Reference = REF, slices_along: bool = False, places: Any = None, **how: Any
) -> Any:
    """An outline of 12 x 12 mm at x = 0 that faces a plane of bone; HU120 by x and y; ``places`` (V,) x of vertices."""
    if slices_along:
        grid = Grid.from_parts((60, 40, 40), (0.75, 0.75, 0.75), (-22.5, -15.0, -15.0), ALONG_X)
    else:
        grid = Grid.from_parts((40, 40, 60), (0.75, 0.75, 0.75), (-22.5, -15.0, -15.0))
    x, y, _ = np.moveaxis(grid.world_of_all(), -1, 0)
    line = np.linspace(-6.0, 6.0, NODES)
    across = np.stack(np.meshgrid(line, line), axis=-1).reshape(-1, 2)
    vertices = np.column_stack([np.zeros(len(across)) if places is None else places, across])
    index = np.arange(NODES**2).reshape(NODES, NODES)
    corners = [index[:-1, :-1], index[1:, :-1], index[:-1, 1:], index[1:, 1:]]
    lower, upper = ([corners[k].ravel() for k in which] for which in ((0, 1, 2), (1, 3, 2)))
    faces = np.concatenate([np.stack(lower, axis=1), np.stack(upper, axis=1)])
    values, distance = np.asarray(hu120(x, y), np.float32), (bone_x - x).astype(np.float32)
    near = SimpleNamespace(
        grid=grid, hu=values, hu120=values, at=lambda points: sample(values, grid, points),
        bone_at=lambda points: sample(distance, grid, points, outside=FAR_MM),
    )  # fmt: skip
    outline = SimpleNamespace(
        vertices=vertices, faces=faces, normals=np.tile([1.0, 0.0, 0.0], (len(vertices), 1)), spread_mm=0.2,
        supported=np.ones(len(vertices)), volume_mm3=4 / 3 * np.pi * 1000.0, verdicts=(), trust="ok",
        doubt_is_local=False, holds_mineral=True, touches_bone=None, centroid=np.array([-10.0, 0.0, 0.0]),
    )  # fmt: skip
    for name in ("supported", "spread_mm"):
        if name in how:
            setattr(outline, name, how[name])
    return SimpleNamespace(
        near=near, outline=outline, reference=reference, hu120=values, slope_ratio=1.0,
        zones=SimpleNamespace(rim_depth_mm=4.0, lesion=np.ones(99)), settings=Settings(),
        bridged=Bridged(0.1, 0.04, 0.03, how.get("height", 0.2), 0.01), running_on_mm3=0.0, hidden_mm3=0.0,
        voxel_mm3=1.0,
    )  # fmt: skip


def plain(hu: float) -> Any:
    return lambda x, y: hu + 0.0 * x


def found_at(site: Any) -> dict[str, Estimate]:
    return {e.quantity: e for e in measure_bone(site)}


# ---- gap ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("distance", "seen"), [(49.0, True), (51.0, False)])
def test_bone_farther_than_fifty_millimetres_is_not_in_view(distance: float, seen: bool) -> None:
    """A twentieth of what stands for no bone at all."""
    site = patch(3.0, plain(MUSCLE))
    site.near.bone_at = lambda points: np.full(np.shape(points)[:-1], distance)
    rows = found_at(site)
    assert ("no-bone-in-view" in {v.code for e in rows.values() for v in e.verdicts}) != seen
    assert rows["cleft_fraction"].value is None


def test_a_gap_is_the_mean_of_the_four_shortest_ways() -> None:
    """Vertices 3.0, 3.1, 3.2 ... mm from the bone: 3.15; wider than what blur hides (2.355 x 0.5 mm)."""
    places = 3.0 - 0.1 * np.arange(NODES**2) * 0.5
    gap = found_at(patch(6.0, plain(MUSCLE), places=places))["cortex_gap"]
    assert gap.value == pytest.approx(np.mean([3.0, 3.05, 3.1, 3.15]), abs=1e-3)
    position = np.hypot(1.2 * 0.2, 0.3)
    assert gap.down == pytest.approx({"outline and cortex": position, "bridged gaps": 0.0})
    assert gap.up == pytest.approx({"outline and cortex": position, "blur": 0.0, "bridged gaps": 0.0})
    assert gap.bounds == (0.0, np.inf)
    assert gap.verdicts == ()


def test_blur_may_hide_the_rest_of_a_gap_narrower_than_it() -> None:
    """0.8 mm at a width of the blur of 1.1775: 0.3775 mm more."""
    gap = found_at(patch(0.8, plain(MUSCLE)))["cortex_gap"]
    assert gap.value == pytest.approx(0.8, abs=1e-3)
    assert gap.up["blur"] == pytest.approx(2.355 * 0.5 - 0.8, abs=1e-3)
    assert "blur" not in gap.down
    assert [v.code for v in gap.verdicts] == ["gap-unresolved"]
    buried = found_at(patch(-0.6, plain(MUSCLE)))["cortex_gap"]
    assert buried.value == 0.0


@pytest.mark.parametrize(("unseen", "told"), [(0.45, False), (0.55, True)])
def test_a_gap_is_doubted_where_most_of_what_lies_nearest_was_drawn_without_an_edge(unseen: float, told: bool) -> None:
    """Half of the area within 1.5 mm of the nearest; by the height of a cap of a ball of 10 mm, half of it upward."""
    line = np.repeat(np.linspace(-6.0, 6.0, NODES), NODES)
    support = np.where(line < -6.0 + 12.0 * unseen, 0.02, 0.04)
    gap = found_at(patch(3.0, plain(MUSCLE), supported=support))["cortex_gap"]
    assert [v.code for v in gap.verdicts] == ["bone-side-unseen"] * told
    assert gap.down["bridged gaps"] == pytest.approx(2.0 * told)  # 0.2 radii of 10 mm
    assert gap.up["bridged gaps"] == pytest.approx(1.0 * told)
    touching = found_at(patch(0.4, plain(MUSCLE), supported=0.0 * support))["cortex_gap"]
    assert touching.down["bridged gaps"] == 0.0


def test_only_what_lies_nearest_decides_whether_an_edge_was_seen() -> None:
    """A third of the outline 1.4 mm farther off than the rest counts with it, one 1.6 mm farther does not."""
    third = np.repeat(np.arange(NODES) < 9, NODES)
    for farther, told in ((1.4, True), (1.6, False)):
        site = patch(3.0, plain(MUSCLE), places=np.where(third, -farther, 0.0), supported=np.where(third, 0.0, 1.0))
        assert ("bone-side-unseen" in [v.code for v in found_at(site)["cortex_gap"].verdicts]) == told


@pytest.mark.parametrize(("gap", "value"), [(0.45, 0.0), (0.55, 0.55)])
def test_mineral_up_to_bone_closes_a_gap_of_half_a_millimetre(gap: float, value: float) -> None:
    """Even mineral of 700 HU: contact all over where the bone is within 0.5 mm."""
    rows = found_at(patch(gap, plain(700.0)))
    assert rows["cortex_gap"].value == pytest.approx(value, abs=1e-3)
    assert rows["cortex_contact_area"].value == pytest.approx(144.0 if value == 0.0 else 0.0)


def test_the_way_to_bone_that_lies_aslant_is_straight_to_it() -> None:
    """A plane of bone at 35 degrees to the outline, distances by its normal (closed form)."""
    site = patch(3.0, plain(MUSCLE))
    normal = np.array([np.cos(0.6), np.sin(0.6), 0.0])
    site.near.bone_at = lambda points: 6.0 - np.asarray(points) @ normal
    points = site.outline.vertices
    assert bones._way_to_bone(site, points) == pytest.approx(6.0 - points @ normal, abs=1e-6)


def test_the_way_to_bone_is_the_real_one_where_distances_are_stretched() -> None:
    """A field that grows by 0.8 mm a millimetre is exact at its zero only: 5 mm away it says 4."""
    site = patch(3.0, plain(MUSCLE))
    site.near.bone_at = lambda points: 0.8 * (5.0 - np.asarray(points)[..., 0])
    assert bones._way_to_bone(site, site.outline.vertices) == pytest.approx(np.full(NODES**2, 5.0), abs=1e-6)
    farther = patch(3.0, plain(MUSCLE))
    farther.near.bone_at = lambda points: 0.5 * (9.0 - np.asarray(points)[..., 0])
    # Not reached within 1.3 times what it says and a millimetre: what it says stays.
    assert bones._way_to_bone(farther, farther.outline.vertices) == pytest.approx(np.full(NODES**2, 4.5), abs=1e-6)


# ---- cleft -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("hu", "open_"), [(97.0, 1.0), (103.0, 0.0)])
def test_a_line_is_dark_below_a_hundred_hu(hu: float, open_: float) -> None:
    """Bone 3 mm off, farther than 1.25 x 1.6 widths of the blur (2.355 mm), so that a line reads what it is."""
    cleft = found_at(patch(3.0, plain(hu)))["cleft_fraction"]
    assert cleft.value == pytest.approx(open_)
    assert cleft.bounds == (0.0, 1.0)
    # Filled at 60 HU as well: less by all; open at 160 as well: more by all.
    assert cleft.down["line too narrow"] == pytest.approx(open_)
    assert cleft.up["line too narrow"] == pytest.approx(1.0 - open_)


@pytest.mark.parametrize(
    ("hu", "down", "up"), [(58.0, 0.0, 0.0), (62.0, 1.0, 0.0), (158.0, 0.0, 1.0), (162.0, 0.0, 1.0)]
)
def test_the_limit_of_dark_is_moved_down_by_forty_and_up_by_sixty(hu: float, down: float, up: float) -> None:
    """Of 162 HU nothing would be open at 160 either; but no contact is sure, so that all may be."""
    cleft = found_at(patch(3.0, plain(hu)))["cleft_fraction"]
    assert (cleft.down["line too narrow"], cleft.up["line too narrow"]) == pytest.approx((down, up))


@pytest.mark.parametrize(("gap", "open_"), [(2.30, 1.0), (2.40, 0.0)])
def test_a_line_narrower_than_its_blur_says_nothing_by_what_it_reads(gap: float, open_: float) -> None:
    """1.25 x 1.6 x 2.355 x 0.5 = 2.355 mm: nearer than that, mineral all the way to bone is still no contact."""
    assert found_at(patch(gap, plain(300.0)))["cleft_fraction"].value == pytest.approx(open_)


@pytest.mark.parametrize(("gap", "told"), [(1.86, True), (1.91, False)])
def test_a_cleft_is_cautioned_where_much_is_too_near_to_be_seen_in_full(gap: float, told: bool) -> None:
    """1.6 x 2.355 x 0.5 = 1.884 mm."""
    cleft = found_at(patch(gap, plain(MUSCLE)))["cleft_fraction"]
    assert [v.code for v in cleft.verdicts] == ["cleft-unresolved"] * told


@pytest.mark.parametrize(("share", "told"), [(0.25, False), (0.35, True)])
def test_it_is_cautioned_from_three_tenths_of_what_faces_bone_on(share: float, told: bool) -> None:
    line = np.repeat(np.linspace(0.0, 1.0, NODES), NODES)
    site = patch(3.0, plain(MUSCLE), places=np.where(line < share, 1.5, 0.0))
    assert ("cleft-unresolved" in [v.code for v in found_at(site)["cleft_fraction"].verdicts]) == told


def test_across_slices_a_line_is_seen_the_worse_the_thicker_they_are() -> None:
    """Slices of 2 mm along the way: blur sqrt(4/12 + 4/6) = 1 mm; a width of 2.355, seen in full from 3.768 mm on."""
    thick = replace(REF, slice_mm=2.0, slice_spacing_mm=2.0)
    for gap, told in ((3.7, True), (3.83, False)):
        for along in (True, False):
            cleft = found_at(patch(gap, plain(MUSCLE), reference=thick, slices_along=along))["cleft_fraction"]
            assert [v.code for v in cleft.verdicts] == ["cleft-unresolved"] * (told and along)


@pytest.mark.parametrize(("gap", "faces"), [(4.95, True), (5.05, False)])
def test_what_lies_within_five_millimetres_of_bone_faces_it(gap: float, faces: bool) -> None:
    cleft = found_at(patch(gap, plain(MUSCLE)))["cleft_fraction"]
    assert (cleft.value is not None) == faces
    assert faces or [v.code for v in cleft.verdicts] == ["nothing-faces-bone"]


def test_a_contact_leaves_the_rest_of_what_faces_bone_open() -> None:
    """Mineral goes over into bone where y < 0, a line of muscle parts them elsewhere; the border errs by a tenth."""
    line = np.tile(np.linspace(-6.0, 6.0, NODES), NODES)
    site = patch(0.05, lambda x, y: np.where(y < 0.4, 700.0, MUSCLE))
    area = vertex_areas(site.outline.vertices, site.outline.faces)
    rows = found_at(site)
    contact = rows["cortex_contact_area"].value
    assert contact == pytest.approx(float(area[line <= 0.0].sum()), rel=0.2)
    assert rows["cleft_fraction"].value == pytest.approx(1.0 - contact / 144.0)
    assert rows["cleft_fraction"].down["border of the contact"] == 0.1
    assert rows["cleft_fraction"].up["border of the contact"] == 0.1
    assert rows["cleft_fraction"].up["line too narrow"] < 0.1
    spot = found_at(patch(0.3, lambda x, y: np.where(y < -3.0, 700.0, MUSCLE)))
    assert 0.0 < spot["cortex_contact_area"].value <= 60.0
    assert spot["cleft_fraction"].up["line too narrow"] == pytest.approx(1.0 - spot["cleft_fraction"].value)


@pytest.mark.parametrize("gap", [0.0, 1.0])
def test_mineral_beside_bone_is_read_by_the_blur_along_the_way(gap: float) -> None:
    """Along slices of 2 mm the blur is 1 mm: read 1.5 mm inside the bone; across them it is 0.5, read at 0.75 mm."""
    thick = replace(REF, slice_mm=2.0, slice_spacing_mm=2.0)
    for along, depth in ((True, 1.5), (False, 0.75)):
        site = patch(gap, lambda x, y: 700.0 + 100.0 * x, reference=thick, slices_along=along)
        found = look_beside_bone(site)
        at = max(depth - gap, 0.0)
        assert found.height_hu == pytest.approx(np.full(NODES**2, 650.0 - 100.0 * at), abs=1.0)


# ---- the rim -----------------------------------------------------------------------------------------


def shell_site(hu: Any, **how: Any) -> Site:
    """A ball of 12 mm in voxels of 1 mm; ``hu`` of the distance from its middle and of z."""
    grid = Grid.from_parts((44, 44, 44), (1.0, 1.0, 1.0), (-21.5, -21.5, -21.5))
    world = grid.world_of_all()
    r = np.linalg.norm(world, axis=-1)
    values = np.asarray(hu(r, world[..., 2]), np.float32)
    distance = np.asarray(how.get("bone", np.full(grid.shape, FAR_MM)), np.float32)
    reference = how.get("reference", REF)
    near = Neighbourhood(values, reference.hu120(values), distance, grid, np.zeros(grid.shape, np.float32), 0.4)
    zones = Zones(grid, (12.0 - r).astype(np.float32), np.ones(grid.shape, np.float32), 12.0, ZoneSettings())
    outline = replace(ellipsoid_outline((12.0,) * 3, 1500), touches_bone=how.get("touches"))
    return Site(7, near, reference, outline, zones, how.get("settings", Settings()))


def test_the_share_of_its_height_that_a_layer_shows_follows_from_its_width_and_the_blur() -> None:
    """A box of width w through a Gaussian of s reaches erf(w / (2 sqrt(2) s)) of its height (closed form). The width is
    told where the blur is least: around the waist, 3 mm, not at the poles across thick slices, where the layer is 5 mm.
    """
    thick = replace(REF, slice_mm=3.0, slice_spacing_mm=3.0, blur_sd_mm=0.8)

    def hu(r: Any, z: Any) -> Any:
        inner = np.where(np.abs(z) > 0.7 * r, 7.0, 9.0)
        return np.where((r < 12.0) & (r > inner), 700.0, MUSCLE)

    site = shell_site(hu, reference=thick)
    rim = look_at_rim(site)
    cosine = np.abs(site.outline.vertices[:, 2]) / 12.0
    assert rim.blur == pytest.approx(np.sqrt(0.64 * (1 - cosine**2) + (9 / 12 + 9 / 6) * cosine**2), rel=0.01)
    waist, pole = cosine < 0.1, cosine > 0.97
    for where in (waist, pole):
        shown = special.erf(3.0 / (2 * np.sqrt(2) * rim.blur[where]))
        assert rim.recovery[where] == pytest.approx(shown, abs=0.1)
    assert float(np.median(rim.thickness[waist])) == pytest.approx(3.0, abs=0.4)
    assert rim.peak_hu120[pole] == pytest.approx(MUSCLE + (rim.seen_hu120[pole] - MUSCLE) / rim.recovery[pole])


def test_blur_is_undone_to_a_third_of_the_height_at_most() -> None:
    """A layer hardly wider than nothing, blurred by 3 mm, would show a tenth; peaks below muscle stay as they are."""
    thin = shell_site(
        lambda r, z: np.where(np.abs(r - 11.5) < 0.6, 900.0, MUSCLE), reference=replace(REF, blur_sd_mm=3.0)
    )
    assert look_at_rim(thin).recovery.min() == pytest.approx(0.35)
    dark = look_at_rim(shell_site(lambda r, z: np.where(r < 40.0, 20.0, MUSCLE)))
    assert dark.peak_hu120 == pytest.approx(dark.seen_hu120)
    assert (dark.recovery == 1.0).all()


def test_samples_in_bone_are_no_rim() -> None:
    """Bone of 1500 HU at the upper half, taken for muscle there; the shell elsewhere is as it was."""
    grid = Grid.from_parts((44, 44, 44), (1.0, 1.0, 1.0), (-21.5, -21.5, -21.5))
    bone = 0.0 - grid.world_of_all()[..., 2]
    site = shell_site(lambda r, z: np.where(z > 0.0, 1500.0, np.where((r < 12) & (r > 9), 600.0, MUSCLE)), bone=bone)
    seen = look_at_rim(site).seen_hu120
    z = site.outline.vertices[:, 2]
    assert seen[z > 3.0] == pytest.approx(MUSCLE)
    assert seen[z < -3.0].min() > 500.0


def test_every_place_of_a_rim_has_a_state() -> None:
    """Mineral below, a cap left open above; where it lies on bone that is said instead. Directions from the middle."""

    def hu(r: Any, z: Any) -> Any:
        return np.where((r < 12.0) & (r > 9.0) & (z < 7.0 / 12.0 * r), 700.0, MUSCLE)

    touches = ellipsoid_outline((12.0,) * 3, 1500).vertices[:, 2] < -9.0
    site = shell_site(hu, touches=touches)
    rows, picture, blurred = measure_rim(site, has_mineral=True)
    z = site.outline.vertices[:, 2]
    assert (picture.state[touches] == CONTACT).all()
    assert (picture.state[(z > -8.5) & (z < 5.5)] == MINERAL).all()
    assert np.isin(picture.state[z > 11.3], (GAP, UNRESOLVED)).all()
    assert picture.scan == 7
    assert picture.direction == pytest.approx(site.outline.vertices / 12.0, abs=1e-2)
    assert np.linalg.norm(picture.direction, axis=1) == pytest.approx(1.0)
    # A cap from z = 7 of 12 on has (1 - 7 / 12) / 2 of the area (closed form).
    found = {e.quantity: e for e in rows}
    assert found["largest_gap"].value == pytest.approx((1 - 7 / 12) / 2, abs=0.04)
    assert found["rim_completeness"].value == pytest.approx(1 - (1 - 7 / 12) / 2, abs=0.04)
    assert found["rim_thickness"].value == pytest.approx(3.0, abs=0.4)
    assert set(blurred.swollen) == {150.0, *MineralSettings().other_thresholds_hu120}
    assert 0.9 < blurred.shown <= 1.0
    withheld, same, unblurred = measure_rim(site, has_mineral=False)
    assert {e.quantity for e in withheld} == set(found)
    assert {(v.code, v.trust) for e in withheld for v in e.verdicts} == {("no-mineral", "withheld")}
    assert {e.quantity: e.unit for e in withheld} == {e.quantity: e.unit for e in rows}
    assert np.array_equal(same.state, picture.state)
    assert unblurred is rims.UNBLURRED


def flat_rim(site: Any, thickness: float) -> tuple[Rim, Any]:
    n = len(site.outline.vertices)
    ones = np.ones(n)
    none = np.zeros((0, 2), int)
    return Rim(ones, ones, ones, np.full(n, thickness), ones, ones, ones, none, none), np.ones(n, bool)


@pytest.mark.parametrize(
    ("thickness", "share", "noise", "expected"),
    [(5.0, 0.25, 0.0, 0.25), (4.0, 0.25, 0.0, 0.125), (3.0, 0.25, 0.0, 0.0), (9.0, 0.25, 0.0, 0.25),
     (5.0, 0.25, 75.0, 0.2), (5.0, 0.25, 150.0, 0.0), (5.0, 0.6, 0.0, 0.4)],
)  # fmt: skip
def test_a_thick_rim_is_as_patchy_as_its_density_varies(
    thickness: float, share: float, noise: float, expected: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From 3 to 5 mm of thickness ever more, 0.4 at most; noise (75 of a median of 500 HU: 0.15) off in quadrature."""
    site = patch(3.0, plain(0.0), reference=replace(REF, noise_hu=noise))
    rim, fitted = flat_rim(site, thickness)
    # Every other row of vertices is denser; as if sampled there, since the grid would blur it.
    density = MUSCLE + 400.0 * (1.0 + share * np.where(np.round(site.outline.vertices[:, 1]) % 2 == 0, 1.0, -1.0))
    monkeypatch.setattr(rim_layer, "sample", lambda *_: np.repeat(density[:, None], 7, axis=1))
    found = _patchiness(site, rim, fitted)
    assert found == pytest.approx(expected, abs=0.012)


def test_patchiness_is_read_in_the_middle_of_the_layer() -> None:
    """From a fifth to four fifths of a layer of 5 mm, below the outline: what lies before and behind it is not."""
    middle = patch(3.0, lambda x, y: np.where((x < -0.7) & (x > -4.3), 450.0, 450.0 * (np.floor(y / 3) % 2)))
    rim, fitted = flat_rim(middle, 5.0)
    assert _patchiness(middle, rim, fitted) == pytest.approx(0.0, abs=0.01)
    within = patch(3.0, lambda x, y: 450.0 + 150.0 * np.where(np.floor(y / 3) % 2 == 0, 1.0, -1.0) * (x > -2.5))
    assert _patchiness(within, rim, fitted) > 0.1
    few = np.arange(len(fitted)) < 29
    assert _patchiness(within, rim, few) == 0.0
    loud = patch(3.0, lambda x, y: np.asarray(within.hu120), reference=replace(REF, noise_hu=200.0))
    loud.slope_ratio = 2.0
    assert _patchiness(loud, rim, fitted) == 0.0


# ---- sizes -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("tilt", [0.0, 30.0, 60.0, 85.0])
def test_a_length_is_as_uncertain_as_it_lies_across_slices(tilt: float) -> None:
    """Three quarters of a slice of 2 mm by the cosine of the angle to the slice normal."""
    body = ellipsoid_outline((6.0, 6.0, 15.0), 600)
    a = np.radians(tilt)
    turn = np.array([[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]])
    site: Any = SimpleNamespace(
        outline=replace(body, vertices=body.vertices @ turn.T), bridged=Bridged(0.0, 0.0, 0.0, 0.0, 0.0),
        near=SimpleNamespace(grid=Grid.from_parts((2, 2, 2), (2.0, 1.0, 1.0))),
        reference=replace(REF, slice_mm=1.0, slice_spacing_mm=2.0),
    )  # fmt: skip
    longest = {e.quantity: e for e in measure_shape(site)}["longest_diameter"]
    assert longest.down["slice thickness"] == pytest.approx(1.5 * np.cos(a), abs=0.06)


# ---- what no edge carries ----------------------------------------------------------------------------


def open_ball(share: float, **how: Any) -> Any:
    """A ball of 10 mm of which a share of the area has no support."""
    body = ellipsoid_outline((10.0,) * 3)
    top = body.vertices[:, 2] > 10.0 * (1 - 2 * share)
    return replace(body, supported=np.where(top, how.get("support", 0.0), 1.0), ellipsoid=how.get("ellipsoid"))


def test_how_wrong_a_crossing_may_be_follows_from_its_share() -> None:
    """Of a tenth of the area drawn w = g / (1 + g): g = 1/9; no wider opening than 0.35 is crossed straight."""
    found = bridged(open_ball(0.1))
    opening = found.share / (1 - found.share)
    assert found.share == pytest.approx(0.1, abs=0.003)
    assert found.volume == pytest.approx(0.65 * opening**2 * (3 - 2 * opening))
    assert found.area == pytest.approx(0.65 * (opening - found.share))
    assert found.height == pytest.approx(opening)
    assert found.hidden == pytest.approx(0.0, abs=1e-9)
    wide = bridged(open_ball(0.45))
    assert wide.volume == pytest.approx(0.65 * cap_volume(0.35))
    assert wide.height == pytest.approx(0.35)
    assert bridged(open_ball(0.1, support=0.031)).volume == 0.0
    assert bridged(open_ball(0.1, support=0.029)).volume == pytest.approx(found.volume)


def test_what_a_border_of_blur_hides_is_told_apart() -> None:
    """Two blurs of 0.5 mm on a ball of 10 mm widen the half angle of the opening by 0.1 (closed form)."""
    sharp, blurred = bridged(open_ball(0.1)), bridged(open_ball(0.1), 0.5)
    angle = np.arccos(1 - 2 * sharp.share / (1 - sharp.share)) + 0.1
    wider = (1 - np.cos(angle)) / 2
    assert blurred.volume == pytest.approx(MOST_OF_CAP * cap_volume(wider), rel=1e-3)
    assert blurred.hidden == pytest.approx(blurred.volume - sharp.volume)


@pytest.mark.parametrize(("wobble", "part"), [(0.0, 0.2), (0.004, 0.2), (0.02, 0.5), (0.04, 1.0), (0.08, 1.0)])
def test_a_regular_shell_lets_a_fifth_of_the_cap_be_feared(wobble: float, part: float) -> None:
    """Of 4 % of variation about the ellipsoid on the whole cap, in proportion below, a fifth at least."""
    outline = open_ball(0.1, ellipsoid=Ellipsoid(np.zeros(3), 10.0 * np.eye(3)))
    rough = 1.0 + wobble * np.where(np.arange(len(outline.vertices)) % 2 == 0, 1.0, -1.0)
    found = bridged(replace(outline, vertices=outline.vertices * rough[:, None]))
    whole = bridged(replace(outline, vertices=outline.vertices * rough[:, None], ellipsoid=None))
    assert found.volume == pytest.approx(part * whole.volume, rel=0.03)
    assert found.height == pytest.approx(part * whole.height, rel=0.03)
