"""The ball of 12 mm in voxels of 2.0 x 0.8 x 0.7 mm that lie aslant: what is counted is mm3, what reaches is mm."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from analytic_shell import ellipsoid_outline
from scipy import ndimage
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from mineralize.base import Grid, MineralSettings, Settings, Volume, slope
from mineralize.lesion import Neighbourhood, Zones, find_zones
from mineralize.lesion.near import FAR_MM
from mineralize.lesion.specks import Noise
from mineralize.measure import Estimate, Site
from mineralize.measure import mineral as minerals
from mineralize.measure import muscle as muscles
from mineralize.measure import site as sites
from mineralize.measure.muscle import measure_muscle
from mineralize.measure.zones import measure_zones
from mineralize.reference import TABLE, Reference
from mineralize.reference.tissues import Tissue

RADIUS = 12.0
MUSCLE = 60.0
VOXEL_MM3 = 2.0 * 0.8 * 0.7
TURN = Rotation.from_euler("xyz", [25.0, -15.0, 40.0], degrees=True).as_matrix()[:, ::-1]
"""Columns: along slices, rows and columns of voxels."""
SHAPE, SPACING = (22, 56, 64), (2.0, 0.8, 0.7)
GRID = Grid.from_parts(SHAPE, SPACING, -TURN @ ((np.array(SHAPE) - 1) / 2 * SPACING), TURN)
WORLD = GRID.world_of_all()
OWN = WORLD @ TURN
"""mm along slices, rows and columns from the middle of the ball."""
R = np.linalg.norm(WORLD, axis=-1)
REF = Reference(120.0, slope(120.0), Tissue(MUSCLE, 0.5, 1e5), None, None, 10.0, 2.0, 0.4, 2.0, 2.0)
SETTINGS = Settings()


@cache
def ball() -> tuple[Any, Zones]:
    outline = ellipsoid_outline((RADIUS,) * 3, 1500)
    return outline, find_zones(outline, GRID, SETTINGS.zones)


def site_of(hu: Any, *, bone: Any = None, reference: Reference = REF) -> Site:
    outline, zones = ball()
    values = np.broadcast_to(np.asarray(hu, np.float32), SHAPE)
    distance = np.full(SHAPE, FAR_MM, np.float32) if bone is None else np.asarray(bone, np.float32)
    near = Neighbourhood(values, reference.hu120(values), distance, GRID, np.zeros(SHAPE, np.float32), 0.4)
    return Site(1, near, reference, outline, zones, SETTINGS)


def shell_hu(shell: float = 500.0, core: float = 20.0, inner: float = 9.0) -> Any:
    return np.select([inner > R, RADIUS > R], [core, shell], MUSCLE)


def test_the_zones_of_a_ball_have_the_volumes_of_balls() -> None:
    """4/3 pi r^3: all of it, the core to half the radius, the rim of 4 mm (closed form)."""
    _, zones = ball()
    third = 4 / 3 * np.pi
    assert GRID.voxel_volume_mm3 == pytest.approx(VOXEL_MM3)
    assert float(zones.lesion.sum()) * VOXEL_MM3 == pytest.approx(third * 12**3, rel=0.01)
    assert float(zones.core.sum()) * VOXEL_MM3 == pytest.approx(third * 6**3, rel=0.03)
    assert float(zones.rim.sum()) * VOXEL_MM3 == pytest.approx(third * (12**3 - 8**3), rel=0.01)


# ---- what is bone and what runs through --------------------------------------------------------------


@pytest.mark.parametrize("place", [4.7, 6.8])  # half a millimetre before lies between two columns of voxels
def test_what_lies_in_bone_is_hidden_by_volume(place: float) -> None:
    """From half a millimetre before the bone on: the cap beyond that plane, pi h^2 (3 r - h) / 3 (closed form)."""
    height = RADIUS - (place - 0.5)
    site = site_of(shell_hu(), bone=place - OWN[..., 2])
    assert site.hidden_mm3 == pytest.approx(np.pi * height**2 * (3 * RADIUS - height) / 3, rel=0.06)


@pytest.mark.parametrize(("beyond", "runs"), [(17.5, True), (16.8, False)])
def test_what_runs_through_is_measured_in_mm3(beyond: float, runs: bool) -> None:
    """A bar of 3 x 3.2 mm2 as dense as cortex along the columns: inside by what is deeper than 0.5 mm, outside from
    3 mm on 60 mm3 at least, on one side here."""
    bar = (np.abs(OWN[..., 0]) < 2.0) & (np.abs(OWN[..., 1]) < 2.8) & (OWN[..., 2] > -9.0) & (OWN[..., 2] < beyond)
    outside = float((bar & (ball()[1].depth < -3.0)).sum()) * VOXEL_MM3
    assert (outside >= 60.0) == runs, "the test itself: on both sides of the limit"
    assert 60.0 / 1.6 < outside < 60.0 * VOXEL_MM3
    site = site_of(np.where(bar, 1000.0, MUSCLE), reference=replace(REF, cortex=Tissue(1200.0, 5.0, 100.0)))
    inside = float((bar & (ball()[1].depth > 0.5)).sum()) * VOXEL_MM3
    assert site.running_on_mm3 == (pytest.approx(inside) if runs else 0.0)


def test_dense_voxels_that_touch_at_a_corner_are_one_piece() -> None:
    """Inside and outside joined by one corner alone: as all 26 neighbours count, it runs through."""
    reference = replace(REF, cortex=Tissue(1200.0, 5.0, 100.0))
    depth = ball()[1].depth
    dense = np.zeros(SHAPE, bool)
    dense[10:12, 26:30, 30:47] = True
    dense[12:16, 30:34, 47:63] = True
    assert (dense & (depth < -3.0)).sum() * VOXEL_MM3 > 60.0
    inside = float((dense & (depth > 0.5)).sum()) * VOXEL_MM3
    assert site_of(np.where(dense, 1000.0, MUSCLE), reference=reference).running_on_mm3 == pytest.approx(inside)


@pytest.mark.parametrize(("bone", "runs"), [(0.9, False), (1.1, True)])
def test_what_lies_within_a_millimetre_of_bone_is_bone_and_runs_nowhere(bone: float, runs: bool) -> None:
    reference = replace(REF, cortex=Tissue(1200.0, 5.0, 100.0))
    bar = (np.abs(OWN[..., 0]) < 4.0) & (np.abs(OWN[..., 1]) < 4.0)
    site = site_of(np.where(bar, 1000.0, MUSCLE), bone=np.full(SHAPE, bone), reference=reference)
    assert (site.running_on_mm3 > 0.0) == runs


# ---- mineral -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("voxels", "kept"), [(3, False), (4, True)])
def test_a_faint_speck_counts_from_four_cubic_millimetres_on(voxels: int, kept: bool) -> None:
    """Of 1.12 mm3 a voxel: 3.4 and 4.5."""
    values = np.full(SHAPE, MUSCLE)
    values[11, 28, 30 : 30 + voxels] = 170.0
    quiet = replace(REF, noise_hu=0.5, noise_4mm_hu=0.1)
    assert site_of(values, reference=quiet).mineral.any() == kept


def test_noise_is_asked_about_as_much_as_could_be_mineral(monkeypatch: pytest.MonkeyPatch) -> None:
    """A speck of noise is the likelier the more is searched: mm3 of all that lies within reach and not in bone."""
    asked: dict[str, Any] = {}

    def spy(hu120: Any, labels: Any, count: int, **how: Any) -> Any:
        asked.update(how)
        return np.ones(count + 1, bool) & (np.arange(count + 1) > 0)

    monkeypatch.setattr(sites, "beyond_noise", spy)
    reference = replace(REF, kvp=80.0, slope=slope(80.0))
    site = site_of(np.where(R < 5, 600.0, MUSCLE), bone=6.0 - OWN[..., 2], reference=reference)
    assert site.mineral.sum() == ((R < 5) & (OWN[..., 2] < 5.5)).sum()
    possible = (ball()[1].depth >= -1.5) & (OWN[..., 2] < 5.5)
    assert asked["searched_mm3"] == pytest.approx(float(possible.sum()) * VOXEL_MM3)
    assert asked["scale"] == pytest.approx(slope(120.0) / slope(80.0))
    assert asked["base_hu"] == pytest.approx(MUSCLE)


@pytest.mark.parametrize("slice_mm", [1.0, 1.9, 2.5, 4.5])
def test_the_zone_of_mineral_is_what_lies_within_reach(slice_mm: float) -> None:
    """1.5 mm within slices, the slice thickness across them where that is more: an ellipsoid about every voxel."""
    site = site_of(np.where(R < 4, 500.0, MUSCLE), reference=replace(REF, slice_mm=slice_mm))
    assert site.mineral.sum() == (R < 4).sum()
    across = np.array([1.5 / max(1.5, 1.01 * slice_mm), 1.0, 1.0])
    tree = cKDTree(OWN[site.mineral] * across)
    near, _ = tree.query((OWN * across).reshape(-1, 3))
    expected = near.reshape(SHAPE) <= 1.5 + 1e-6
    assert np.array_equal(site.mineral_zone, expected)


def test_what_is_calm_was_smoothed_over_a_millimetre() -> None:
    """Second moments of a bright voxel along rows and columns: (1 mm)^2 (from the kernel, but for its sampling)."""
    values = np.zeros(SHAPE, np.float32)
    values[11, 28, 32] = 1e6
    calm = np.asarray(site_of(values).calm, float)
    for axis in (1, 2):
        along = OWN[..., axis] - OWN[11, 28, 32, axis]
        assert float((calm * along**2).sum() / calm.sum()) == pytest.approx(1.0, rel=0.06)


def test_background_is_carried_in_over_millimetres() -> None:
    """Muscle 60 outside, 20 inside: the mixture of the module (53.5) under mineral, 20 deeper, 60 outside."""
    site = site_of(shell_hu())
    assert site.background[(R > 9.4) & (R < 11.0)] == pytest.approx(53.5, abs=0.5)
    assert site.background[R < 5.5] == pytest.approx(20.0, abs=0.3)
    assert site.background[(R > 13.0) & (R < 13.5)] == pytest.approx(60.0, abs=0.3)


def test_soft_tissue_is_clear_of_bone_by_blur_or_by_a_fixed_distance() -> None:
    """1.5 mm, or three blurs where that is more; to 12 mm outside the lesion and from -200 to 110 HU."""
    for blur, clear in ((0.4, 1.5), (0.8, 2.4)):
        soft = site_of(MUSCLE, bone=18.0 - OWN[..., 2], reference=replace(REF, blur_sd_mm=blur))._soft
        expected = (18.0 - OWN[..., 2] > clear) & (ball()[1].depth > -12.0)
        assert np.array_equal(soft, expected)
    for hu, taken in ((-205.0, False), (-195.0, True), (105.0, True), (115.0, False)):
        assert site_of(hu)._soft.any() == taken, hu


def test_the_lesions_own_tissue_needs_thirty_voxels() -> None:
    for voxels, base in ((29, MUSCLE), (30, 90.0)):
        site = site_of(90.0)
        chosen = np.zeros(SHAPE, bool)
        chosen.ravel()[np.flatnonzero(R < 5)[:voxels]] = True
        object.__setattr__(site, "_soft", chosen)
        assert site._base_hu == pytest.approx(base, abs=0.01)


# ---- layers of depth ---------------------------------------------------------------------------------


def test_layers_of_a_ball_have_the_volumes_of_shells() -> None:
    """4/3 pi (a^3 - b^3) of every layer inside and of those up to 8 mm outside (closed form)."""
    layers = site_of(MUSCLE).layers
    radii = RADIUS - layers.edges
    expected = 4 / 3 * np.pi * (radii[:-1] ** 3 - np.maximum(radii[1:], 0.0) ** 3)
    inside = layers.edges[:-1] >= 0.0
    assert layers.volume_mm3[inside] == pytest.approx(expected[inside], rel=0.04, abs=5.0)
    assert layers.volume_mm3[~inside][1:] == pytest.approx(expected[~inside][1:], rel=0.04)
    assert layers.hu == pytest.approx(np.full(len(layers.hu), MUSCLE), abs=0.5)


def test_a_layer_of_which_less_than_two_cubic_millimetres_are_seen_has_no_mean() -> None:
    """All but one voxel, or but two, of what is deeper than 6 mm lies in bone: 1.1 and 2.2 mm3 of the innermost."""
    for voxels, known in ((1, 0), (2, 1)):
        bone = np.where(R < 10.0, -1.0, 50.0)
        bone.ravel()[np.argsort(R.ravel())[:voxels]] = 50.0
        layers = site_of(MUSCLE, bone=bone).layers
        assert np.isfinite(layers.hu[layers.edges[:-1] > 7.0]).sum() == known


@pytest.mark.parametrize(("slice_mm", "blur"), [(2.0, 0.8), (3.0, 1.1)])
def test_blur_is_what_the_scan_has_less_what_voxels_and_sampling_add(
    slice_mm: float, blur: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Variances add: a voxel is a box (t^2 / 12), linear interpolation d^2 / 6, a slice profile t^2 / 12."""
    asked: list[Any] = []

    def spy(values: Any, sigma: Any) -> Any:
        asked.append(np.asarray(sigma, float))
        return np.asarray(values, np.float32)

    monkeypatch.setattr(sites, "gaussian_smoothed", spy)
    sites.find_layers(site_of(MUSCLE, reference=replace(REF, slice_mm=slice_mm, blur_sd_mm=blur)))
    axial, row, column = asked[-1] * SPACING
    assert column**2 + 0.7**2 / 12 + 0.7**2 / 6 == pytest.approx(blur**2)
    assert row == pytest.approx(column)
    assert axial**2 == pytest.approx((slice_mm**2 - 2.0**2) / 12, abs=1e-9)


# ---- mineral in numbers ------------------------------------------------------------------------------


def test_mass_and_volumes_of_a_shell_in_closed_form() -> None:
    """500 HU from 9 to 13.4 mm: the volume within 12 mm, and all of the excess over what lies under and outside it
    (53.5 and 60 HU) by 1.369 HU per mg/cm3."""
    site = site_of(np.select([R < 9.0, R < 13.4], [20.0, 500.0], MUSCLE))
    rows = {e.quantity: e for e in minerals.measure_mineral(site)}
    volume, beyond = 4 / 3 * np.pi * (12**3 - 9**3), 4 / 3 * np.pi * (13.4**3 - 12**3)
    assert rows["mineral_volume"].value == pytest.approx(volume, rel=0.03)
    assert rows["mineral_fraction"].value == pytest.approx(1 - (9 / 12) ** 3, rel=0.03)
    assert rows["mineral_mass"].value == pytest.approx((volume * 446.5 + beyond * 440.0) / 1369, rel=0.02)
    assert rows["mineral_mass"].detail is not None
    assert rows["mineral_mass"].detail["zone_mm3"] == pytest.approx(float(site.mineral_zone.sum()) * VOXEL_MM3)


def plain_site(**how: Any) -> Any:
    """Ten voxels of mineral of 5 mm3 at 300 HU over 50, in a lesion of twenty."""
    n = 20
    zone = np.arange(n) < 10
    reference = replace(REF, slope=2.0, slope_uncertainty=0.05, **how.pop("reference", {}))
    alternatives = how.pop("alternatives", (np.full(n, 40.0), np.full(n, 70.0)))
    full: dict[str, Any] = {
        "voxel_mm3": 5.0, "mineral_zone": zone, "mineral": zone, "hu": np.where(zone, 300.0, 50.0),
        "hu120": np.where(zone, 300.0, 50.0), "background": np.full(n, 50.0), "background_alternatives": alternatives,
        "hidden_mm3": 0.0, "zones": SimpleNamespace(lesion=np.ones(n)), "near": SimpleNamespace(hand_excess=0.0),
        "outline": SimpleNamespace(volume_mm3=10.0), "settings": SETTINGS, "reference": reference,
        "noise": Noise((0.5, 64.0), (10.0, 2.0)),
    } | how  # fmt: skip
    return SimpleNamespace(**full)


def test_a_mass_by_hand() -> None:
    """10 x 5 mm3 x 250 HU / 2 HU per mg/cm3 = 6.25 mg; over 40 HU 6.5 and over 70 HU 5.75."""
    found = minerals._mass(plain_site(), ())
    assert found.value == pytest.approx(6.25)
    assert found.down["background"] == pytest.approx(0.5 * 0.5)
    assert found.up["background"] == pytest.approx(0.5 * 0.25)
    noise = 2.0 * 2.0 * np.sqrt(64.0 / 50.0) * 50.0 / 2.0 / 1000  # twice the error of a mean over 50 mm3, times these
    assert found.down["noise"] == found.up["noise"] == pytest.approx(noise)
    assert found.down["calibration"] == pytest.approx(0.05 * 6.25)
    assert found.verdicts == ()
    turned = minerals._mass(plain_site(alternatives=(np.full(20, 70.0), np.full(20, 40.0))), ())
    assert turned.down["background"] == pytest.approx(found.down["background"])
    assert turned.up["background"] == pytest.approx(found.up["background"])
    one_sided = minerals._mass(plain_site(alternatives=(np.full(20, 55.0), np.full(20, 60.0))), ())
    assert one_sided.up["background"] == 0.0, "both take off more: nothing says that it is more"


def test_a_mass_that_noise_alone_could_make_is_told() -> None:
    """Twice the error of a sum over 50 mm3 is 0.113 mg for 2 HU over 4 mm: louder by 54 it is 6.1, by 56 6.3 mg."""
    for louder, told in ((54.0, []), (56.0, ["noise-alone"])):
        noise = Noise((0.5, 64.0), (10.0, 2.0 * louder))
        assert [v.code for v in minerals._mass(plain_site(noise=noise), ()).verdicts] == told


@pytest.mark.parametrize(("hidden", "told"), [(1.9, []), (2.1, ["in-bone-blur"])])
def test_a_mass_is_cautioned_from_a_fiftieth_of_the_lesion_in_bone_on(hidden: float, told: list[str]) -> None:
    """The lesion has 100 mm3, the zone of mineral 50: as much of the mass may be hidden as of the zone."""
    found = minerals._mass(plain_site(hidden_mm3=hidden), ())
    assert [v.code for v in found.verdicts] == told
    assert found.up["hidden by bone"] == pytest.approx(6.25 * hidden / 50.0)


def test_what_hides_in_hardening_and_below_the_threshold() -> None:
    """Hardening of 10 HU: a tenth more at 1 % per HU; of 225 HU at a threshold of 150, half of 35 % more."""
    assert minerals._mass(plain_site(reference={"hardening_hu": 10.0}), ()).up["beam hardening"] == pytest.approx(0.625)
    faint = plain_site()
    faint.hu120 = np.where(faint.mineral, 225.0, 50.0)
    found = minerals._mass(faint, ())
    assert found.up["mineral below the threshold"] == pytest.approx(0.5 * 0.35 * 6.25)
    by_hand = minerals._mass(plain_site(near=SimpleNamespace(hand_excess=400.0)), ())
    assert by_hand.up["parts counted by hand"] == by_hand.down["parts counted by hand"] == pytest.approx(0.25 * 0.2)
    assert "parts counted by hand" not in found.up


def test_marrow_between_mineral_of_which_nothing_is_seen_alone() -> None:
    """6.25 mg in 50 mm3 of bone of 1 mg/mm3 leave 87.5 % for marrow of -90 HU, taken for 50; fat seen counts."""
    same = (np.full(20, 50.0),) * 2
    found = minerals._mass(plain_site(alternatives=(same[0], same[0])), ())
    assert found.up["background"] == pytest.approx(140.0 * 0.875 * 50.0 / 2.0 / 1000)
    fat = minerals._mass(plain_site(alternatives=(same[0], same[0]), reference={"fat": Tissue(-110.0, 1.0, 1e4)}), ())
    assert fat.up["background"] == pytest.approx(160.0 * 0.875 * 50.0 / 2.0 / 1000)
    half = plain_site(alternatives=(same[0], same[0]), zones=SimpleNamespace(lesion=np.full(20, 0.5)))
    assert minerals._mass(half, ()).up["background"] == pytest.approx(140.0 * 0.75 * 25.0 / 2.0 / 1000)


@pytest.mark.parametrize(("lesion_mm3", "searched_mm3"), [(120.0, 120.0), (3000.0, 500.0)])
def test_no_mineral_is_known_as_well_as_the_lesion_is_small(lesion_mm3: float, searched_mm3: float) -> None:
    none = plain_site(mineral_zone=np.zeros(20, bool), outline=SimpleNamespace(volume_mm3=lesion_mm3))
    found = minerals._mass(none, ())
    limit = 2.0 * 2.0 * np.sqrt(64.0 * searched_mm3) / 2.0 / 1000
    assert (found.value, found.up) == (0.0, {"noise": pytest.approx(limit)})


def test_doubt_of_a_slope_is_of_the_size_of_a_mass_whatever_its_sign() -> None:
    parts = minerals.slope_parts(plain_site(reference={"slope_source": TABLE}), -0.4)
    assert parts == pytest.approx({"calibration": 0.02, "limb size": 0.4 * MineralSettings().limb_size_uncertainty})


@pytest.mark.parametrize(
    ("outside", "inside", "cut"),
    [(99, 100, False), (101, 100, True), (101, 506, False), (101, 504, True), (0, 0, False)],
)
def test_an_outline_cuts_through_what_is_dense_on_both_sides(outside: int, inside: int, cut: bool) -> None:
    """50 mm3 (voxels of 0.5 mm3) from 1.5 to 3 mm outside, and a fifth of what lies to 1.5 mm inside."""
    depth = np.concatenate([np.full(outside, -2.0), np.full(inside, 0.7), [-1.4, -3.1, 1.6, 0.0] * 200])
    for method, asked in (("drawn", True), ("mass margin", True), ("mask", False)):
        site: Any = SimpleNamespace(
            outline=SimpleNamespace(method=method), calm=np.full(len(depth), 151.0), usable=np.ones(len(depth), bool),
            settings=SETTINGS, zones=SimpleNamespace(depth=depth), voxel_mm3=0.5,
        )  # fmt: skip
        assert [v.code for v in minerals._cut_through(site)] == ["drawn-cuts-mineral"] * (cut and asked)
    site.outline.method, site.calm = "drawn", np.full(len(depth), 149.0)
    assert minerals._cut_through(site) == ()


@pytest.mark.parametrize(("threshold", "share"), [(80.0, 0.12), (100.0, 0.12), (125.0, 0.105), (150.0, 0.09)])
def test_blur_may_have_added_more_near_soft_tissue(threshold: float, share: float) -> None:
    assert minerals._rounded_up(threshold) == pytest.approx(share)
    assert minerals._rounded_up(300.0) == pytest.approx(0.09)


def two_zones(rim_hu: float, core_hu: float, **how: Any) -> Any:
    """Layers of 1 mm from -1 to 12 mm: mean HU to 4 mm deep and from 6 mm on, 50 elsewhere and under all; mass 5 mg."""
    edges = np.arange(-1.0, 13.0)
    middle = (edges[:-1] + edges[1:]) / 2
    hu = np.where((middle > 0) & (middle < 4), rim_hu, np.where(middle > 6, core_hu, 50.0))
    ones = np.ones(1)
    zones = SimpleNamespace(
        share_between=lambda a, b: ones, rim_depth_mm=4.0, core_depth_mm=6.0, inradius_mm=12.0, core=np.full(100, 1.0)
    )
    mass: dict[str, Any] = {"mineral_zone": np.ones(1, bool), "mineral": np.ones(1, bool), "hu": np.array([2050.0])}
    return plain_site(
        **(mass | how), background=np.array([50.0]), usable=ones, zones=zones,
        layers=SimpleNamespace(edges=edges, hu=hu, volume_mm3=np.full(13, 10.0)),
        outline=SimpleNamespace(volume_mm3=10.0, spread_mm=0.5),
    )  # fmt: skip


@pytest.mark.parametrize(("rim", "core"), [(450.0, 250.0), (150.0, 350.0), (450.0, 50.0), (450.0, 0.0)])
def test_contrast_of_two_zones_by_hand(rim: float, core: float) -> None:
    """(rim - core) / (rim + core) of excess over 50 HU; its error by noise and by an outline 0.5 mm out or in."""
    found = minerals._contrast(two_zones(rim, core))
    a, b = rim - 50.0, core - 50.0
    value = min((a - b) / (a + b), 1.0)
    assert found.value == pytest.approx(value)
    error = np.hypot(2.0 * 2.0 * np.sqrt(64.0 / 500.0), 8.0)  # of the core's mean over 500 mm3, and what blur leaves
    larger, total = max(a, b), max(a, 0.0) + max(b, 0.0)
    assert found.down["noise"] == pytest.approx(2.0 * error * larger / total**2)
    # Out by half a layer the rim takes in as much of what lies outside, and the core of what lies between.
    moved = [((a * 3.5 / 4) - c) / ((a * 3.5 / 4) + c) for c in (b * 6.0 / 6.5, b)]
    assert found.down["outline"] == pytest.approx(max(abs(min(m, 1.0) - value) for m in moved), abs=1e-9)
    assert found.bounds == (-1.0, 1.0)


def test_no_contrast_where_no_mineral_stands_out() -> None:
    def codes(site: Any) -> list[str]:
        return [v.code for v in minerals._contrast(site).verdicts]

    assert codes(two_zones(450.0, 250.0)) == []
    assert codes(two_zones(40.0, 50.0)) == ["no-mineral-in-zones"]
    # Three errors of a sum over 5 mm3 (4 HU, as of 16 mm3 at least) are as much as 12 HU.
    assert codes(two_zones(450.0, 250.0, hu=np.array([50.0 + 11.5]))) == ["mass-within-noise"]
    assert codes(two_zones(450.0, 250.0, hu=np.array([50.0 + 12.5]))) == []
    assert codes(two_zones(450.0, 250.0, mineral=np.zeros(1, bool))) == ["no-mineral-contrast"]


# ---- zones -------------------------------------------------------------------------------------------


def zoned(site: Site) -> dict[str, Estimate]:
    return {e.quantity: e for e in measure_zones(site)}


def test_what_is_said_of_rim_and_core_counts_mm3() -> None:
    site = site_of(shell_hu(core=50.0))
    found, zones = zoned(site), site.zones
    rim_mm3, core_mm3 = float(zones.rim.sum()) * VOXEL_MM3, float(zones.core.sum()) * VOXEL_MM3
    assert found["rim_attenuation"].detail["zone_mm3"] == pytest.approx(rim_mm3)  # type: ignore[index]
    assert found["rim_attenuation"].down["noise"] == pytest.approx(2.0 * 2.0 * np.sqrt(64.0 / rim_mm3))
    assert found["core_attenuation"].down["noise"] == pytest.approx(2.0 * 2.0 * np.sqrt(64.0 / core_mm3))
    assert found["core_soft_fraction"].value == pytest.approx(1.0)
    sampling = np.sqrt(0.01 / (core_mm3 / 200.0))  # binomial with a variance of 0.01 at least, pieces of 200 mm3
    assert found["core_soft_fraction"].down["sampling"] == pytest.approx(sampling)


@pytest.mark.parametrize(
    ("core", "noise", "moved"), [(14.0, 2.0, 0.0), (16.0, 2.0, 1.0), (5.0, 14.0, 0.0), (5.0, 20.0, 1.0)]
)
def test_band_limits_are_moved_by_noise_and_by_five_hu_at_least(core: float, noise: float, moved: float) -> None:
    """Fluid reads -10 to 20 HU: of a core of 16 none does where the limits lie 5 HU lower, of one of 14 all. The error
    of a mean over 20 cubes of 1.5 mm (67.5 mm3) is 0.97 of that over 4 mm."""
    found = zoned(site_of(np.where(RADIUS > R, core, MUSCLE), reference=replace(REF, noise_4mm_hu=noise)))
    assert found["core_fluid_fraction"].down["band limits"] == pytest.approx(moved, abs=1e-6)


@pytest.mark.parametrize(("voxels", "small"), [(26, True), (27, False)])
def test_a_core_of_less_than_thirty_cubic_millimetres_is_not_sorted(voxels: int, small: bool) -> None:
    """All but so many of its voxels, 29.1 and 30.2 mm3, lie in bone."""
    bone = np.where(R < 9.0, -1.0, 50.0)
    bone.ravel()[np.argsort(R.ravel())[:voxels]] = 50.0
    codes = [v.code for v in zoned(site_of(50.0, bone=bone))["core_soft_fraction"].verdicts]
    assert ("core-small" in codes) == small


@pytest.mark.parametrize(("slice_mm", "blur", "away"), [(2.0, 0.3, 1.0), (5.0, 0.3, 2.5), (2.0, 1.0, 2.355)])
def test_the_core_is_sorted_clear_of_the_blur_of_the_rim(slice_mm: float, blur: float, away: float) -> None:
    """By the full width of the blur or half a slice, whichever is more; what is left out is doubted by half."""
    reference = replace(REF, slice_mm=slice_mm, blur_sd_mm=blur)
    site = site_of(np.where((R > 6.5) & (RADIUS > R), 300.0, np.where(RADIUS > R, 50.0, MUSCLE)), reference=reference)
    layers = site.layers
    object.__setattr__(site, "layers", replace(layers, plain_hu=layers.hu))  # nothing carried in
    rim = site.mineral & (site.zones.depth < 6.0)
    clear = ndimage.distance_transform_edt(~rim, sampling=SPACING) >= away
    left = 1.0 - float((site.zones.core * clear).sum()) / float(site.zones.core.sum())
    found = zoned(site)["core_soft_fraction"]
    assert left > 0.1
    assert found.down["beside the shell"] == pytest.approx(0.5 * left * found.value, rel=1e-3)


# ---- muscle ------------------------------------------------------------------------------------------


def muscle_rows(site: Site, far: tuple[float, float, float], monkeypatch: pytest.MonkeyPatch) -> dict[str, Estimate]:
    monkeypatch.setattr(muscles, "_reference_far", lambda *_: far)
    return {e.quantity: e for e in measure_muscle(site, None, None)}  # type: ignore[arg-type]


@pytest.mark.parametrize(("voxels", "told"), [(89, True), (90, False)])
def test_a_ring_of_muscle_has_a_hundred_cubic_millimetres(
    voxels: int, told: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """99.7 and 100.8 mm3 of it; the error of its mean is that of so much, and half a HU."""
    outside = -ball()[1].depth
    chosen = np.zeros(SHAPE, bool)
    chosen.ravel()[np.flatnonzero((outside >= 2.0) & (outside <= 10.0))[:voxels]] = True
    monkeypatch.setattr(muscles, "_muscle_voxels", lambda *_: chosen)
    found = muscle_rows(site_of(MUSCLE), (70.0, 0.8, 5000.0), monkeypatch)["perilesional_muscle"]
    assert (found.value is None) == told
    if not told:
        error = np.hypot(2.0 * np.sqrt(64.0 / (90 * VOXEL_MM3)), 0.5)
        assert found.down == pytest.approx({"noise": 2 * error, "what counts as muscle": 1.1})


@pytest.mark.parametrize(("voxels", "reached"), [(53, 0.0), (54, 4.0)])
def test_a_step_of_oedema_has_sixty_cubic_millimetres(voxels: int, reached: float) -> None:
    """59.4 and 60.5 mm3 of muscle from 2 to 4 mm outside, none beyond."""
    outside = -ball()[1].depth
    chosen = np.zeros(SHAPE, bool)
    chosen.ravel()[np.flatnonzero((outside >= 2.0) & (outside < 4.0))[:voxels]] = True
    found = muscles._extent(site_of(20.0), chosen, outside, 70.0, 0.5)
    assert found.value == reached
    assert [v.code for v in found.verdicts] == ["oedema-beyond"] * (reached > 0.0)


def test_oedema_needs_more_than_two_errors_of_so_many_mm3() -> None:
    """2 x hypot(hypot(noise of the ring's mean, 0.9), 1.0): just under and over it."""
    outside = -ball()[1].depth
    everything = np.ones(SHAPE, bool)
    ring_mm3 = float(((outside >= 2.0) & (outside < 4.0)).sum()) * VOXEL_MM3
    least = 2.0 * np.sqrt((20.0 * np.sqrt(64.0 / ring_mm3)) ** 2 + 0.9**2 + 1.0)
    for fall, told in ((0.98 * least, False), (1.02 * least, True)):
        site = site_of(70.0 - fall, reference=replace(REF, noise_4mm_hu=20.0))
        found = muscles._extent(site, everything, outside, 70.0, 0.9)
        assert (found.value > 0.0) == told


FAR = Grid.from_parts((30, 60, 60), (3.0, 2.5, 2.5), TURN @ np.array([-45.0, -73.75, -73.75]), TURN)


def far_of(hu: Any, outline: Any, skeleton: Any = None) -> tuple[float, float, float]:
    site: Any = SimpleNamespace(outline=outline, reference=REF)
    return muscles._reference_far(site, Volume(np.asarray(hu, np.float32), FAR), skeleton)


def test_muscle_far_away_lies_thirty_millimetres_off_at_the_levels_of_the_lesion() -> None:
    """A column of lesion along the slices: 60 HU from 30 mm outside it on, 40 nearer; other levels 90. Of every seventh
    voxel, and of every slice, as 11 of them are fewer than 12."""
    turned = ellipsoid_outline((5.0, 5.0, 15.0))
    outline = replace(turned, vertices=turned.vertices @ TURN[:, ::-1].T)
    own = FAR.world_of_all() @ TURN
    levels = (own[..., 0] >= -15.1) & (own[..., 0] <= 15.1)
    tree = cKDTree(outline.vertices)
    apart = tree.query(FAR.world_of_all().reshape(-1, 3))[0].reshape(FAR.shape)
    hu = np.where(levels, np.where(apart > 30.0, 60.0, 40.0), 90.0)
    mean, error, mm3 = far_of(hu, outline)
    assert mean == pytest.approx(60.0, abs=0.05)
    far = levels & (apart > 30.0)
    assert mm3 == pytest.approx(float(far.sum()) * 18.75, rel=0.02)
    assert error == pytest.approx(np.hypot(2.0 * np.sqrt(64.0 / mm3), 0.5))
    # Beside its middle, 30 mm off is nearer to that middle than its poles and 30 mm: it counts too.
    beside = far & (np.linalg.norm(FAR.world_of_all(), axis=-1) < 44.0)
    mean, _, mm3 = far_of(np.where(beside, 60.0, -500.0), outline)
    assert mean == pytest.approx(60.0, abs=1.0)
    assert mm3 > 0.1 * float(beside.sum()) * 18.75


def test_of_many_levels_every_second_is_read_for_all() -> None:
    """28 levels: 14 are read, two slices thick each; beyond the scan there is nothing."""
    turned = ellipsoid_outline((4.0, 4.0, 60.0))
    outline = replace(turned, vertices=turned.vertices @ TURN[:, ::-1].T)
    even = (np.arange(30) % 2 == 0)[:, None, None]
    mean, _, mm3 = far_of(np.where(np.broadcast_to(even, FAR.shape), 60.0, 40.0), outline)
    assert mean == pytest.approx(60.0)
    own = FAR.world_of_all() @ TURN
    across = np.linalg.norm(own[..., 1:], axis=-1)
    assert mm3 == pytest.approx(float((across > 34.0).sum()) * 18.75, rel=0.06)
    none = far_of(np.full(FAR.shape, -100.0), outline)
    assert np.isnan(none[0])
    assert none[2] == 0.0


def test_coarse_bone_and_what_is_not_body_are_no_muscle() -> None:
    """Voxels of 3 mm over those of 2.5: bone and air widened by three steps, and all that the coarse grid has not."""
    coarse = Grid.from_parts((30, 48, 50), (3.0, 3.0, 3.0), TURN @ np.array([-44.0, -72.0, -72.0]), TURN)
    own = coarse.world_of_all() @ TURN
    mask = np.linalg.norm(own[..., 1:] - [40.0, 0.0], axis=-1) < 8.0
    body = np.linalg.norm(own[..., 1:], axis=-1) < 66.0
    skeleton: Any = SimpleNamespace(grid=coarse, mask=mask, body=body)
    part = Volume(np.zeros((1, 60, 60), np.float32), FAR.cropped([(12, 13), (0, 60), (0, 60)]))
    found = muscles._coarse_bone(skeleton, part)
    index = np.rint(coarse.to_index(part.grid.world_of_all())).astype(int)
    inside = ((index >= 0) & (index < coarse.shape)).all(axis=-1)
    at = tuple(np.moveaxis(np.clip(index, 0, np.array(coarse.shape) - 1), -1, 0))
    blocked = mask[at] | ~body[at] | ~inside
    steps = ndimage.generate_binary_structure(3, 1)
    assert np.array_equal(found, ndimage.binary_dilation(blocked, steps, iterations=3))
    assert not inside.all()
    assert not found.all()


def test_muscle_beside_bone_of_the_skeleton_is_left_out_of_the_reference() -> None:
    coarse = Grid.from_parts((32, 52, 52), (3.0, 3.0, 3.0), TURN @ np.array([-46.0, -75.0, -75.0]), TURN)
    own = coarse.world_of_all() @ TURN
    skeleton: Any = SimpleNamespace(grid=coarse, mask=own[..., 1] > 30.0, body=np.ones(coarse.shape, bool))
    fine = FAR.world_of_all() @ TURN
    hu = np.where(fine[..., 1] > 24.0, 90.0, 60.0)
    outline = ellipsoid_outline((5.0,) * 3)
    assert far_of(hu, outline, skeleton)[0] == pytest.approx(60.0, abs=1.0)
    assert far_of(hu, outline)[0] > 65.0


def test_muscle_lies_clear_of_anything_else_by_a_millimetre_and_a_half() -> None:
    """At least one voxel of every axis, two of 0.8 and 0.7 mm; smoothed over 1 mm before."""
    hu = np.where(np.abs(OWN[..., 2]) < 0.3, 1e5, MUSCLE).astype(np.float32)
    found = muscles._muscle_voxels(Volume(hu, GRID), None, 10.0)
    smooth = ndimage.gaussian_filter(hu, 1.0 / np.array(SPACING), mode="nearest")
    within = (smooth > -9.0) & (smooth < 99.0)
    expected = ndimage.binary_erosion(within, np.ones((3, 5, 5)), border_value=1)
    assert (found != expected).mean() < 0.002
    assert found.any()
