"""A lesion ready to be measured, and its mineral: balls whose HU are written down voxel by voxel."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from analytic_shell import ellipsoid_outline
from scipy import ndimage

from mineralize.base import Grid, Settings, Volume, ZoneSettings, caution, slope, withhold
from mineralize.lesion import Neighbourhood, Zones
from mineralize.lesion.near import FAR_MM
from mineralize.lesion.specks import Noise
from mineralize.measure import Estimate, Site, measure_mineral
from mineralize.measure import mineral as minerals
from mineralize.measure import muscle as muscles
from mineralize.measure.bone import measure_bone
from mineralize.measure.mineral import mass_mg, noise_mass_mg, slope_parts, zone_density
from mineralize.measure.muscle import measure_muscle, steady_tissues
from mineralize.measure.rim import look_at_rim
from mineralize.measure.site import Layers, _undo, find_layers, layer_edges
from mineralize.measure.zones import measure_zones
from mineralize.reference import Reference
from mineralize.reference.tissues import Tissue

RADIUS = 12.0
MUSCLE = 60.0
GRID = Grid.from_parts((46, 46, 46), (1.0, 1.0, 1.0), (-22.5, -22.5, -22.5))
WORLD = GRID.world_of_all()
R = np.linalg.norm(WORLD, axis=-1)
REF = Reference(120.0, slope(120.0), Tissue(MUSCLE, 0.5, 1e5), None, None, 10.0, 2.0, 0.4, 1.0, 1.0)
SETTINGS = Settings()


@cache
def ball() -> tuple[Any, Zones]:
    zones = Zones(GRID, (RADIUS - R).astype(np.float32), np.ones(GRID.shape, np.float32), RADIUS, ZoneSettings())
    return ellipsoid_outline((RADIUS,) * 3, 1500), zones


def site_of(hu: Any, *, bone: Any = None, reference: Reference = REF, outline: Any = None, **near: Any) -> Site:
    """A ball of 12 mm; ``hu`` as scanned, ``bone`` mm outside bone."""
    own, zones = ball()
    values = np.asarray(hu, np.float32)
    distance = np.full(GRID.shape, FAR_MM, np.float32) if bone is None else np.asarray(bone, np.float32)
    around = Neighbourhood(
        values, reference.hu120(values), distance, GRID, near.get("spill", np.zeros(GRID.shape, np.float32)), 0.4,
        None, near.get("hand", 0.0),
    )  # fmt: skip
    return Site(1, around, reference, outline or own, zones, near.get("settings", SETTINGS))


def shell_hu(shell: float = 500.0, core: float = 20.0, outside: float = MUSCLE, inner: float = 9.0) -> Any:
    """Mineral between ``inner`` and 12 mm."""
    return np.select([inner > R, RADIUS > R], [core, shell], outside)


# ---- what is bone and what runs through --------------------------------------------------------------


def test_what_lies_in_bone_or_its_steepest_blur_is_hidden() -> None:
    """Bone from x = 8 mm on: hidden are voxels from 0.5 mm before it on, which begin at 7 mm; the cap beyond that."""
    site = site_of(shell_hu(), bone=8.0 - WORLD[..., 0])
    assert np.array_equal(site.usable, WORLD[..., 0] < 7.5)
    cap = np.pi * (RADIUS - 7.0) ** 2 * (2 * RADIUS + 7.0) / 3  # closed form
    assert site.hidden_mm3 == pytest.approx(cap, rel=0.02)
    assert site.voxel_mm3 == 1.0


@pytest.mark.parametrize(
    ("density", "beyond", "bone", "runs"),
    [(0.75, 20.0, 50.0, True), (0.65, 20.0, 50.0, False), (0.75, 14.5, 50.0, False), (0.75, 20.0, 0.5, False)],
)
def test_what_is_as_dense_as_cortex_and_goes_on_well_outside(
    density: float, beyond: float, bone: float, runs: bool
) -> None:
    """A bar along z to ``beyond``: from 70 % of cortex on, 60 mm3 of it more than 3 mm outside, not taken for bone."""
    reference = replace(REF, cortex=Tissue(1200.0, 5.0, 100.0))
    x, y, z = np.moveaxis(np.abs(WORLD), -1, 0)
    bar = (x < 3) & (y < 3) & (z < beyond)
    hu = np.where(bar, density * 1200.0, MUSCLE)
    site = site_of(hu, reference=reference, bone=np.where(bar, bone, 50.0))
    inside = float((bar & (RADIUS - R > 0.5)).sum())
    assert site.running_on_mm3 == (pytest.approx(inside) if runs else 0.0)
    assert site_of(hu).running_on_mm3 == 0.0, "no cortex to hold it against"


def test_of_several_dense_pieces_the_largest_that_goes_on_counts() -> None:
    reference = replace(REF, cortex=Tissue(1200.0, 5.0, 100.0))
    x, y, z = np.moveaxis(WORLD, -1, 0)
    thin = (np.abs(x) < 2) & (np.abs(y) < 2) & (np.abs(z) < 24)
    thick = (np.abs(x - 7) < 2.6) & (np.abs(y) < 2.6) & (np.abs(z) < 24)
    within = (np.abs(x + 7) < 2.9) & (np.abs(y) < 2.9) & (np.abs(z) < 5)
    site = site_of(np.where(thin | thick | within, 1100.0, MUSCLE), reference=reference)
    assert site.running_on_mm3 == pytest.approx(float((thick & (RADIUS - R > 0.5)).sum()))


# ---- mineral -----------------------------------------------------------------------------------------


def test_mineral_counts_within_reach_of_the_outline() -> None:
    """Over the threshold and no farther out than the reach of the settings (1.5 mm)."""
    reach = SETTINGS.mineral.zone_reach_mm
    site = site_of(np.where((R > 6) & (R < 18), 400.0, MUSCLE))
    assert np.array_equal(site.mineral, (R > 6) & (RADIUS + reach >= R))
    near_bone = site_of(np.where((R > 6) & (R < 18), 400.0, MUSCLE), bone=4.0 - WORLD[..., 0])
    assert np.array_equal(near_bone.mineral, (R > 6) & (RADIUS + reach >= R) & (WORLD[..., 0] < 3.5))
    assert not site_of(np.full(GRID.shape, MUSCLE)).mineral.any()


@pytest.mark.parametrize(
    ("voxels", "hu", "kept"), [(3, 170.0, False), (3, 185.0, True), (4, 170.0, True), (1, 185.0, True)]
)
def test_a_speck_must_be_large_or_bright(voxels: int, hu: float, kept: bool) -> None:
    """4 mm3, or 120 HU over muscle; without noise to speak of."""
    quiet = replace(REF, noise_hu=0.5, noise_4mm_hu=0.1)
    values = np.full(GRID.shape, MUSCLE)
    values[23, 23, 16 : 16 + voxels] = hu
    assert site_of(values, reference=quiet).mineral.any() == kept


def test_thresholds_are_on_the_common_scale() -> None:
    """200 HU at 80 kVp over muscle of 60 are 161 at 120 kVp (slopes 1.897 and 1.369)."""
    low = replace(REF, kvp=80.0, slope=slope(80.0))
    site = site_of(np.where(R < 8, 200.0, MUSCLE), reference=low)
    assert site.slope_ratio == pytest.approx(1.369 / 1.897, rel=1e-3)
    assert site.mineral_over(160.0).sum() == (R < 8).sum()
    assert site.mineral_over(163.0).sum() == 0


@pytest.mark.parametrize(("slice_mm", "across"), [(1.0, 1), (3.2, 3), (4.2, 4)])
def test_the_zone_of_mineral_reaches_farther_across_thick_slices(slice_mm: float, across: int) -> None:
    """1.5 mm within slices; across them at least the slice thickness."""
    site = site_of(np.where(R < 4, 500.0, MUSCLE), reference=replace(REF, slice_mm=slice_mm))
    reach = np.argwhere(site.mineral_zone) - np.argwhere(site.mineral).mean(axis=0)
    solid = np.argwhere(site.mineral) - np.argwhere(site.mineral).mean(axis=0)
    assert (reach.max(axis=0) - solid.max(axis=0)).tolist() == [across, 1, 1]
    assert not site_of(np.full(GRID.shape, MUSCLE)).mineral_zone.any()


def test_the_zone_of_mineral_ends_with_the_reach_and_at_bone() -> None:
    site = site_of(np.where((R > 9) & (R < 16), 500.0, MUSCLE), bone=6.0 - WORLD[..., 0])
    zone = site.mineral_zone
    assert zone[(R > 9) & (R < 13.4) & (WORLD[..., 0] < 5.4)].all()
    assert not zone[RADIUS + 1.51 < R].any()
    assert not zone[WORLD[..., 0] >= 5.5].any()


def test_background_is_muscle_outside_and_halfway_to_the_lesion_under_mineral() -> None:
    """Muscle 60, inside 20: under mineral half of 60 and of max(20, 0.8 x 60 + 0.2 x 20 - 5 = 47); deeper 20."""
    site = site_of(shell_hu())
    assert site.background[(R > 9.2) & (R < 11.2)] == pytest.approx(53.5, abs=0.2)
    assert site.background[(R > 12.8) & (R < 13.8)] == pytest.approx(60.0, abs=0.2)
    assert site.background[R < 6.0] == pytest.approx(20.0, abs=0.2)
    outside, inside = site.background_alternatives
    assert outside[(R > 9.2) & (R < 13.8)] == pytest.approx(60.0, abs=0.2)
    assert inside[(R > 9.2) & (R < 13.8)] == pytest.approx(20.0, abs=0.2)
    denser = site_of(shell_hu(core=58.0))  # above what marrow would be: half of 60 and 58
    assert denser.background[(R > 9.2) & (R < 11.2)] == pytest.approx(59.0, abs=0.2)


def test_fat_outside_is_no_ground_substance_and_a_solid_lesion_has_no_inside() -> None:
    fat = site_of(np.where(RADIUS > R, shell_hu(core=30.0), np.where(WORLD[..., 0] > 0, -100.0, MUSCLE)))
    near_fat = (R > 9.5) & (R < 11.0) & (WORLD[..., 0] > 4.0)
    assert fat.background[near_fat].min() > 40.0
    solid = site_of(np.where(RADIUS > R, 500.0, MUSCLE))
    outside, inside = solid.background_alternatives
    assert inside is outside
    assert solid.background[R < 11.0] == pytest.approx(60.0, abs=0.2)


def test_spill_of_bone_is_taken_off() -> None:
    spill = np.full(GRID.shape, 15.0, np.float32)
    assert site_of(np.full(GRID.shape, 75.0), spill=spill).hu == pytest.approx(60.0)


def test_the_lesions_own_tissue_is_what_specks_are_held_against() -> None:
    assert site_of(shell_hu(core=90.0))._base_hu == pytest.approx(90.0, abs=0.5)
    assert site_of(shell_hu(core=20.0))._base_hu == pytest.approx(MUSCLE)


# ---- layers of depth ---------------------------------------------------------------------------------


def layers(**how: Any) -> Layers:
    edges = np.array([-1.0, 0.0, 1.0, 3.0, 6.0])
    values = np.array([50.0, 200.0, 400.0, 100.0])
    full = {"hu": values, "hu120": values * 2, "plain_hu": values + 1, "plain_hu120": values + 2,
            "volume_mm3": np.array([5.0, 4.0, 6.0, 3.0])} | how  # fmt: skip
    return Layers(edges, full["hu"], full["hu120"], full["plain_hu"], full["plain_hu120"], full["volume_mm3"],
                  np.zeros(1))  # fmt: skip


def test_a_mean_between_depths_is_weighted_by_the_volume_that_lies_there() -> None:
    assert layers().mean(0.0, 3.0) == pytest.approx((4 * 200 + 6 * 400) / 10)
    assert layers().mean(0.5, 2.0) == pytest.approx((2 * 200 + 3 * 400) / 5)
    assert layers().mean(-1.0, 9.0, kind="hu120") == pytest.approx((5 * 100 + 4 * 400 + 6 * 800 + 3 * 200) / 18)
    lost = layers(hu=np.array([50.0, np.nan, 400.0, 100.0]))
    assert lost.mean(0.0, 3.0) == pytest.approx(400.0)
    assert np.isnan(layers().mean(7.0, 9.0))


def test_layers_are_finest_in_the_rim() -> None:
    edges = layer_edges(4.0, 7.5, 15.0)
    assert edges[:6].tolist() == [-8.0, -4.0, -3.0, -2.0, -1.0, 0.0]
    rim = edges[(edges >= 0) & (edges <= 4.0)]
    assert np.diff(rim) == pytest.approx(0.8)
    middle = edges[(edges >= 4.0) & (edges <= 7.5)]
    assert len(middle) == 5  # round(3.5) layers
    assert np.diff(edges[edges >= 7.5]) == pytest.approx(7.5 / 4)
    tiny = layer_edges(0.5, 0.75, 1.5)
    assert np.diff(tiny[5:]) == pytest.approx([0.25, 0.25, 0.25, 0.75])


def test_undoing_no_blur_changes_no_even_course() -> None:
    """Straight on both sides with a step at the outline: the penalty on bending sees nothing of it."""
    edges = np.array([-4.0, -3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0, 4.0])
    plain = np.array([40.0, 45.0, 50.0, 55.0, 900.0, 700.0, 500.0, 300.0])
    found = _undo(np.eye(8), plain, edges, np.zeros(8, bool))
    assert found == pytest.approx(plain, abs=0.01)
    bent = np.where(np.arange(8) == 6, 800.0, plain)
    assert np.abs(_undo(np.eye(8), bent, edges, np.zeros(8, bool)) - bent).max() > 0.2


def test_undoing_a_known_blur_gives_what_was_blurred() -> None:
    edges = np.arange(-4.0, 5.0)
    true = np.array([50.0, 50, 50, 50, 700, 650, 60, 60])
    transfer = np.clip(0.7 * np.eye(8) + 0.15 * np.eye(8, k=1) + 0.15 * np.eye(8, k=-1), 0, 1)
    transfer /= transfer.sum(axis=1, keepdims=True)
    assert _undo(transfer, transfer @ true, edges, np.zeros(8, bool)) == pytest.approx(true, abs=12.0)
    missing = np.arange(8) == 2
    again = _undo(transfer, np.where(missing, 999.0, transfer @ true), edges, missing)
    assert again[4:] == pytest.approx(true[4:], abs=14.0)


def test_layers_of_a_blurred_ball_are_freed_of_its_blur() -> None:
    """A rim of 500 HU over 3 mm around 20, blurred by 0.9 mm in plane: layers within 6 % of the truth, plain not."""
    sharp = shell_hu()
    blurred = ndimage.gaussian_filter(sharp, (0.0, 0.9, 0.9))
    reference = replace(REF, blur_sd_mm=float(np.sqrt(0.81 + 1 / 12 + 1 / 6)))
    site = site_of(blurred, reference=reference)
    found = find_layers(site)
    assert found.edges.tolist() == layer_edges(4.0, 6.0, RADIUS).tolist()
    assert found.mean(0.0, 3.0) == pytest.approx(500.0, rel=0.06)
    assert found.mean(6.0, RADIUS) == pytest.approx(20.0, abs=4.0)
    assert found.mean(0.0, 3.0, kind="plain_hu") < 470.0
    assert found.mean(-8.0, -1.0) == pytest.approx(MUSCLE, abs=5.0)
    assert found.volume_mm3[found.edges[:-1] >= 0].sum() == pytest.approx(4 / 3 * np.pi * RADIUS**3, rel=0.01)
    assert np.abs(found.spill[R < 5.0]).max() < 12.0, "nothing of the rim reaches the middle"
    assert site.layers.mean(0.0, 3.0) == found.mean(0.0, 3.0)


# ---- mineral in numbers ------------------------------------------------------------------------------


def test_a_mass_is_the_excess_over_its_background_by_the_slope() -> None:
    site = site_of(shell_hu())
    zone = site.mineral_zone
    expected = (site.hu[zone].astype(float) - 50.0).sum() / 1.369 / 1000
    assert mass_mg(site, np.full(GRID.shape, 50.0)) == pytest.approx(expected, rel=1e-4)


def test_noise_makes_a_mass_uncertain_by_the_noise_of_its_mean() -> None:
    """Standard error of a mean over the zone, times the zone, by the slope; more where the lesion itself is louder."""
    site = site_of(shell_hu())
    object.__setattr__(site, "reference", replace(REF, noise_4mm_hu=2.0))
    for cube, factor in ((1.0, 1.0), (6.0, 3.0)):
        loud: Any = SimpleNamespace(reference=site.reference, noise=Noise((1.0, 64.0), (10.0, cube)))
        expected = factor * 2.0 * np.sqrt(64.0 / 640.0) * 640.0 / 1.369 / 1000
        assert noise_mass_mg(loud, 640.0) == pytest.approx(expected, rel=1e-3)


def test_a_slope_of_a_table_is_doubted_for_the_size_of_the_limb_and_one_of_rods_is_not() -> None:
    table = slope_parts(site_of(shell_hu()), -200.0)
    limb = SETTINGS.mineral.limb_size_uncertainty
    assert table == pytest.approx({"calibration": 10.0, "limb size": 200.0 * limb})
    rods = replace(REF, slope_source="2 calibration rods in it", slope_uncertainty=0.03)
    assert slope_parts(site_of(shell_hu(), reference=rods), 200.0) == pytest.approx({"calibration": 6.0})


def rows(site: Site, **how: Any) -> dict[str, Estimate]:
    return {e.quantity: e for e in measure_mineral(site, **how)}


def test_volumes_over_thresholds_with_all_that_could_move_them() -> None:
    """A ball of 8 mm at 400 HU in one of 10 mm at 160: over 150, 130 and 100 both, over 200 and 300 the inner one."""
    site = site_of(np.select([R < 8, R < 10], [400.0, 160.0], MUSCLE))
    found = rows(site)
    inner, outer = float((R < 8).sum()), float((R < 10).sum())
    expected = {"mineral_volume": outer, "mineral_volume_100": outer, "mineral_volume_130": outer,
                "mineral_volume_200": inner, "mineral_volume_300": inner}  # fmt: skip
    for name, volume in expected.items():
        assert found[name].value == pytest.approx(volume, rel=0.01), name
        assert found[name].bounds == (0.0, np.inf)
    main, at_300 = found["mineral_volume"], found["mineral_volume_300"]
    assert main.down["threshold"] == pytest.approx(0.5 * (outer - inner), rel=0.01)  # at 180
    assert main.up["threshold"] == pytest.approx(0.0, abs=1.0)
    area = 4 * np.pi * RADIUS**2
    assert main.down["outline"] == main.up["outline"] == pytest.approx(0.3 * 0.2 * area, rel=0.02)
    assert main.down["blur"] == pytest.approx(0.09 * main.value)
    assert found["mineral_volume_100"].down["blur"] == pytest.approx(0.12 * outer, rel=0.01)
    assert at_300.up["blur"] == pytest.approx(150.0 / 600 * at_300.value)
    assert main.up["blur"] == 0.0
    assert main.up["thin layer"] == 0.0
    fraction = found["mineral_fraction"]
    lesion = site.outline.volume_mm3
    assert fraction.value == pytest.approx(main.value / lesion)
    assert fraction.down["threshold"] == pytest.approx(main.down["threshold"] / lesion)
    assert fraction.down["bridged gaps"] == fraction.up["bridged gaps"] == site.bridged.volume * fraction.value
    assert fraction.bounds == (0.0, 1.0)


def test_what_blur_hides_and_adds_enters_a_volume() -> None:
    """Half of a layer's height shown: the volume may be that over half way to muscle; swollen by 0.5: a third less."""
    site = site_of(np.select([R < 8, R < 10], [400.0, 120.0], MUSCLE))
    blurred = minerals.Blurred(0.5, {150.0: 0.5})
    found = rows(site, blurred=blurred)["mineral_volume"]
    assert found.up["thin layer"] == pytest.approx(float((R < 10).sum() - (R < 8).sum()), rel=0.01)  # over 105
    assert found.down["blur"] == pytest.approx(found.value / 3)
    shown = rows(site, blurred=minerals.Blurred(0.96, {}))["mineral_volume"]
    assert shown.up["thin layer"] == 0.0


def test_only_what_lies_in_the_lesion_counts_unless_its_margin_is_unknown() -> None:
    hu = np.where((R > 9) & (R < 13.5), 400.0, MUSCLE)
    known = site_of(hu)
    inside = float((known.zones.lesion * ((R > 9) & (R < 13.5))).sum())
    assert rows(known)["mineral_volume"].value == pytest.approx(inside, rel=1e-3)
    lost = replace(ball()[0], verdicts=(withhold("edge-unseen", share=0.8),))
    every = float(((R > 9) & (R < 13.5)).sum())
    assert rows(site_of(hu, outline=lost))["mineral_volume"].value == pytest.approx(every, rel=1e-3)
    elsewhere = replace(lost, left_out=0.4)
    assert rows(site_of(hu, outline=elsewhere))["mineral_volume"].value == pytest.approx(inside, rel=1e-3)
    doubtful = replace(ball()[0], verdicts=(caution("edge-unseen", share=0.4),))
    assert rows(site_of(hu, outline=doubtful))["mineral_volume"].value == pytest.approx(inside, rel=1e-3)


@pytest.mark.parametrize(
    ("low", "high", "cut"),
    [(9.0, 16.0, True), (9.0, 12.4, False), (4.0, 12.4, False), (13.6, 16.0, True)],
)
def test_a_drawn_outline_that_cuts_through_mineral(low: float, high: float, cut: bool) -> None:
    """Mineral from 1.5 to 3 mm outside a fifth of that from 0 to 1.5 mm inside, and 50 mm3 of it at least."""
    hu = np.where((low < R) & (high > R), 500.0, MUSCLE)
    for method, asked in (("drawn", True), ("mass margin", True), ("mineral shell", False)):
        outline = replace(ball()[0], method=method)
        verdicts = rows(site_of(hu, outline=outline))["mineral_mass"].verdicts
        assert ("drawn-cuts-mineral" in [v.code for v in verdicts]) == (cut and asked), method


def test_mineral_just_outside_a_drawn_outline_may_be_specks() -> None:
    outline = replace(ball()[0], method="drawn")
    for half, cut in ((1.6, False), (4.6, True)):
        x, y, z = np.moveaxis(WORLD, -1, 0)
        spot = (np.abs(x) < half) & (np.abs(y) < half) & (z > 12.4) & (z < 16.0)
        verdicts = rows(site_of(np.where(spot, 500.0, MUSCLE), outline=outline))["mineral_mass"].verdicts
        assert ("drawn-cuts-mineral" in [v.code for v in verdicts]) == cut, half


def test_a_mass_with_all_that_could_move_it() -> None:
    site = site_of(shell_hu(), hand=8000.0)
    found = rows(site)["mineral_mass"]
    assert found.value is not None
    assert found.detail is not None
    zone = float(site.mineral_zone.sum())
    assert found.detail == {"zone_mm3": zone, "slope_hu_per_mg_cm3": slope(120.0), "slope_from": REF.slope_source}
    around, within = (mass_mg(site, b) for b in site.background_alternatives)
    noise = 2.0 * noise_mass_mg(site, zone)
    middle = float(np.median(site.hu120[site.mineral]))
    assert middle == pytest.approx(500.0)
    hand = 0.25 * 8000.0 / 1.369 / 1000
    common = {"noise": noise, **slope_parts(site, found.value)}
    assert found.down == pytest.approx(
        common | {"background": 0.5 * (found.value - around), "parts counted by hand": hand}, rel=1e-3
    )
    assert found.up == pytest.approx(
        common | {"background": 0.5 * (within - found.value), "beam hardening": 0.0, "mineral below the threshold": 0.0,
                  "parts counted by hand": hand, "hidden by bone": 0.0}, rel=1e-3,
    )  # fmt: skip
    assert found.verdicts == ()


@pytest.mark.parametrize(("hu", "faint"), [(500.0, 0.0), (300.0, 0.0), (225.0, 0.5), (180.0, 0.8)])
def test_a_faint_rim_may_hide_as_much_again_below_the_threshold(hu: float, faint: float) -> None:
    """From twice the threshold (150) down to it, up to 35 % of the mass."""
    found = rows(site_of(shell_hu(hu)))["mineral_mass"]
    assert found.up["mineral below the threshold"] == pytest.approx(0.35 * faint * found.value, abs=1e-6)


def test_bone_hides_mass_and_noise_is_told() -> None:
    hidden = rows(site_of(shell_hu(), bone=9.0 - WORLD[..., 0]))["mineral_mass"]
    site = site_of(shell_hu(), bone=9.0 - WORLD[..., 0])
    share = site.hidden_mm3 / float(site.mineral_zone.sum())
    assert hidden.up["hidden by bone"] == pytest.approx(share * hidden.value)
    assert [v.code for v in hidden.verdicts] == ["in-bone-blur"]
    little = rows(site_of(shell_hu(), bone=11.3 - WORLD[..., 0]))["mineral_mass"]
    assert little.verdicts == ()
    hard = rows(site_of(shell_hu(), reference=replace(REF, hardening_hu=9.0)))["mineral_mass"]
    assert hard.up["beam hardening"] == pytest.approx(0.09 * hard.value)
    loud = replace(REF, noise_4mm_hu=60.0, noise_hu=60.0)
    faint = site_of(np.where(R < 3.0, 700.0, MUSCLE), reference=loud)
    noisy = rows(faint)["mineral_mass"]
    assert (noisy.value < noisy.down["noise"]) == ("noise-alone" in [v.code for v in noisy.verdicts])


def test_no_mineral_is_known_to_twice_the_noise_of_the_lesion_or_half_a_millilitre() -> None:
    site = site_of(np.full(GRID.shape, MUSCLE))
    found = rows(site)["mineral_mass"]
    limit = 2.0 * noise_mass_mg(site, 500.0)
    assert (found.value, found.down) == (0.0, {})
    assert found.up == {"noise": pytest.approx(limit)}
    assert found.detail is not None
    assert found.detail["detection_limit_mg"] == pytest.approx(limit)
    assert [v.code for v in found.verdicts] == ["noise-alone"]
    assert [v.code for v in rows(site)["zonal_contrast"].verdicts] == ["no-mineral-contrast"]


def test_marrow_that_nothing_shows_may_be_missed_as_fat() -> None:
    """Solid mineral of 500 HU: of 321 mg/cm3, 0.68 of the space may be marrow of -90 HU where 60 was taken off."""
    solid = site_of(np.where(RADIUS > R, 500.0, MUSCLE))
    found = rows(solid)["mineral_mass"]
    zone = solid.mineral_zone
    lesion = float(solid.zones.lesion[zone].sum())
    spaces = 1.0 - found.value / lesion
    below = float(solid.background[zone].mean()) + 90.0
    assert found.up["background"] == pytest.approx(below * spaces * lesion / 1.369 / 1000, rel=1e-3)
    fatty = site_of(solid.hu, reference=replace(REF, fat=Tissue(-110.0, 1.0, 1e4)))
    assert rows(fatty)["mineral_mass"].up["background"] > found.up["background"]


def test_density_by_zone_and_its_contrast() -> None:
    """Rim 4 mm deep of which 3 are mineral: its mean excess over the background by the slope; the core has none."""
    site = site_of(shell_hu())
    density, volume = zone_density(site)
    edges = site.layers.edges
    assert volume is site.layers.volume_mm3
    mineral = minerals._density_between(site, density, volume, 0.0, 2.4)
    assert mineral == pytest.approx((500.0 - 53.5) / 1.369, rel=0.06)
    assert density[edges[:-1] >= 6.0] == pytest.approx(0.0, abs=4.0)
    found = rows(site)["zonal_contrast"]
    assert found.value == pytest.approx(1.0, abs=0.02)
    assert found.bounds == (-1.0, 1.0)
    inner = rows(site_of(np.where(R < 5.0, 500.0, MUSCLE)))["zonal_contrast"]
    assert inner.value == pytest.approx(-1.0, abs=0.02)
    error = np.hypot(2.0 * REF.mean_error(float(ball()[1].core.sum())) / 1.369, 8.0 / 1.369)
    mean = minerals._density_between(site, density, volume, 0.0, 4.0)
    core = minerals._density_between(site, density, volume, 6.0, RADIUS)
    assert found.down["noise"] == pytest.approx(2.0 * error * mean / (mean + max(core, 0.0)) ** 2, rel=1e-3)
    both = rows(site_of(np.where(R < 6.0, 300.0, shell_hu(300.0))))["zonal_contrast"]
    assert -0.5 < both.value < 0.2
    assert both.down["outline"] > 0.0


def test_a_contrast_within_noise_is_none() -> None:
    loud = replace(REF, noise_4mm_hu=30.0)
    site = site_of(np.where(R < 3.5, 400.0, MUSCLE), reference=loud)
    mass, floor = rows(site)["mineral_mass"].value, 3.0 * noise_mass_mg(site, float(site.mineral_zone.sum()))
    codes = [v.code for v in rows(site)["zonal_contrast"].verdicts]
    assert ("mass-within-noise" in codes) == (mass < floor)


# ---- the rim -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("inner", "outer", "shown"),
    [(11.0, 12.0, True), (8.0, 10.0, True), (12.2, 13.0, True), (5.0, 6.5, False), (14.5, 16.0, False)],
)
def test_a_rim_is_looked_for_from_a_millimetre_outside_to_its_depth(inner: float, outer: float, shown: bool) -> None:
    """A thin layer at the outline, one 2 to 4 mm deep, one just outside; none deeper than 4 mm or farther out."""
    layer = look_at_rim(site_of(np.where((inner <= R) & (outer > R), 700.0, MUSCLE)))
    middle = float(np.median(layer.seen_hu120))
    assert (middle > 250.0) == shown
    assert shown or middle == pytest.approx(MUSCLE, abs=30.0)
    assert layer.area.sum() == pytest.approx(4 * np.pi * RADIUS**2, rel=0.02)
    assert (layer.recovery <= 1.0).all()
    assert (layer.recovery >= 0.35).all()


# ---- bone --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("mineral", "gap"), [(False, 0.3), (True, 0.0)])
def test_a_narrow_gap_is_none_only_where_mineral_goes_over_into_bone(mineral: bool, gap: float) -> None:
    """A plane of bone 0.3 mm before the ball: soft tissue leaves the gap, mineral up to the bone closes it."""
    site = site_of(shell_hu() if mineral else np.full(GRID.shape, MUSCLE), bone=12.3 - WORLD[..., 0])
    found = {e.quantity: e for e in measure_bone(site)}
    assert found["cortex_gap"].value == pytest.approx(gap, abs=0.15)
    assert (found["cortex_gap"].value == 0.0) == mineral
    assert (found["cortex_contact_area"].value > 0.0) == mineral


# ---- zones -------------------------------------------------------------------------------------------


def zoned(site: Site) -> dict[str, Estimate]:
    return {e.quantity: e for e in measure_zones(site)}


def test_rim_and_core_are_means_of_their_layers() -> None:
    site = site_of(shell_hu())
    found = zoned(site)
    mean = site.layers.mean
    rim, core = mean(0.0, 4.0), mean(6.0, RADIUS)
    assert found["rim_attenuation"].value == pytest.approx(rim)
    assert found["core_attenuation"].value == pytest.approx(core)
    noise = 2.0 * REF.mean_error(float(site.zones.rim.sum()))
    moved = max(abs(mean(o, 4.0 + o) - rim) for o in (-0.2, 0.2))
    depth = 0.25 * max(abs(mean(0.0, 4.0 * s) - rim) for s in (0.75, 1.25))
    assert found["rim_attenuation"].down == pytest.approx({
        "outline": 0.8 * moved, "depth of the zones": depth, "noise": noise,
        "blur": 0.25 * abs(rim - mean(0.0, 4.0, kind="plain_hu")),
    })  # fmt: skip
    inner = max(abs(mean(6.0 + o, RADIUS) - core) for o in (-0.2, 0.2))
    assert found["core_attenuation"].down == pytest.approx({
        "outline": inner, "blur": 0.5 * abs(core - mean(6.0, RADIUS, kind="plain_hu")),
        "noise": 2.0 * REF.mean_error(float(site.zones.core.sum())),
    })  # fmt: skip
    detail = found["rim_attenuation"].detail
    assert detail is not None
    assert detail["zone_mm3"] == pytest.approx(float(site.zones.rim.sum()))
    assert detail["plain_mean_hu"] == pytest.approx(mean(0.0, 4.0, kind="plain_hu"))


@pytest.mark.parametrize("kvp", [120.0, 120.9, 80.0])
def test_ratio_and_difference_of_rim_and_core(kvp: float) -> None:
    """(1000 + rim) / (1000 + core) in HU at 120 kVp; errors of a ratio (JCGM 100:2008, 5.1.2); 3 % of the excess
    over muscle at another voltage."""
    reference = replace(REF, kvp=kvp, slope=slope(kvp))
    site = site_of(shell_hu(), reference=reference)
    found = zoned(site)
    mean = site.layers.mean
    rim, core = mean(0.0, 4.0, kind="hu120"), mean(6.0, RADIUS, kind="hu120")
    ratio = (1000 + rim) / (1000 + core)
    assert found["rim_core_ratio"].value == pytest.approx(ratio)
    assert found["rim_core_difference"].value == pytest.approx(rim - core)
    parts = found["rim_core_ratio"].down
    assert ("tube voltage" in parts) == (kvp == 80.0)
    if kvp == 80.0:
        assert parts["tube voltage"] == pytest.approx(0.03 * (rim - MUSCLE) / (1000 + core))
    noises = [2.0 * reference.mean_error(float(z.sum())) for z in (site.zones.rim, site.zones.core)]
    assert parts["noise"] == pytest.approx(np.hypot(noises[0], noises[1] * ratio) / (1000 + core))
    assert found["rim_core_difference"].down["noise"] == pytest.approx(np.hypot(*noises))
    assert found["rim_core_ratio"].bounds == (0.0, np.inf)


@pytest.mark.parametrize(
    ("core", "name"),
    [(-60.0, "core_fat_fraction"), (5.0, "core_fluid_fraction"), (50.0, "core_soft_fraction"),
     (110.0, "core_haze_fraction"), (260.0, "core_mineral_fraction"), (-20.0, "")],
)  # fmt: skip
def test_a_core_of_one_tissue_is_all_of_it(core: float, name: str) -> None:
    """Bands: fat below -30, fluid -10 to 20, soft to 80, haze to 150, mineral beyond; between, none of them."""
    found = zoned(site_of(np.where(RADIUS > R, core, MUSCLE)))
    for quantity, estimate in found.items():
        if quantity.endswith("_fraction"):
            assert estimate.value == pytest.approx(1.0 if quantity == name else 0.0, abs=1e-6), quantity
            assert estimate.bounds == (0.0, 1.0)


def test_shares_of_a_core_in_halves_and_their_interval() -> None:
    """Fat on one side, soft tissue on the other: a half each; sampling by pieces of 200 mm3 (binomial)."""
    site = site_of(np.where(RADIUS > R, np.where(WORLD[..., 0] > 0, -90.0, 50.0), MUSCLE))
    found = zoned(site)
    fat, soft = found["core_fat_fraction"], found["core_soft_fraction"]
    assert fat.value == pytest.approx(0.5, abs=0.1)
    assert 0.3 < soft.value < 0.5  # smoothed over 1.5 mm: between both lies neither
    core = float(site.zones.core.sum())
    assert fat.down["sampling"] == pytest.approx(np.sqrt(fat.value * (1 - fat.value) / (core / 200.0)), rel=1e-3)
    assert fat.down["beside the shell"] == fat.up["beside the shell"] == 0.0
    pure = zoned(site_of(np.where(RADIUS > R, 50.0, MUSCLE)))["core_soft_fraction"]
    assert pure.down["sampling"] == pytest.approx(np.sqrt(0.01 / (core / 200.0)), rel=1e-3)


def test_what_lies_in_the_blur_of_the_rim_is_left_out_of_the_core() -> None:
    """Mineral to 5.5 mm of radius: within the width of its blur nothing is sorted, and half of that share is doubt."""
    blurred = replace(REF, blur_sd_mm=0.6)
    site = site_of(np.where((R > 6.2) & (RADIUS > R), 300.0, np.where(RADIUS > R, 50.0, MUSCLE)), reference=blurred)
    found = zoned(site)["core_soft_fraction"]
    away = ndimage.distance_transform_edt(R < 6.2) >= 2.355 * 0.6
    left = 1.0 - float((site.zones.core * away).sum()) / float(site.zones.core.sum())
    assert 0.2 < left < 0.6
    assert found.down["beside the shell"] == pytest.approx(0.5 * left * found.value, rel=1e-4)
    assert found.up["beside the shell"] == pytest.approx(0.5 * left * (1.0 - found.value), abs=1e-6)


def test_a_core_flooded_by_the_blur_of_its_rim_is_not_sorted() -> None:
    """What the blur adds to its mean: 20 HU of it are told, 80 too much; for a core of under 3 mm a quarter is."""

    def sorted_as(added: float, small: bool) -> list[str]:
        site = site_of(np.where(RADIUS > R, 50.0, MUSCLE))
        zones = replace(ball()[1], settings=ZoneSettings(core_depth_fraction=0.8 if small else 0.5))
        object.__setattr__(site, "zones", zones)
        plain = site.layers
        core = plain.edges[:-1] >= zones.core_depth_mm - 1e-6
        object.__setattr__(site, "layers", replace(plain, plain_hu=plain.plain_hu + np.where(core, added, 0.0)))
        estimate = zoned(site)["core_soft_fraction"]
        return [v.code for v in estimate.verdicts]

    assert sorted_as(19.0, False) == []
    assert sorted_as(21.0, False) == ["core-partly-flooded"]
    assert sorted_as(79.0, False) == ["core-partly-flooded"]
    assert sorted_as(81.0, False) == ["core-flooded"]
    assert sorted_as(19.0, True) == []
    assert sorted_as(21.0, True) == ["core-flooded"]


# ---- muscle ------------------------------------------------------------------------------------------


def muscle_rows(site: Site, far: tuple[float, float, float], monkeypatch: pytest.MonkeyPatch) -> dict[str, Estimate]:
    monkeypatch.setattr(muscles, "_reference_far", lambda *_: far)
    return {e.quantity: e for e in measure_muscle(site, None, None)}  # type: ignore[arg-type]


def test_the_ring_of_muscle_lies_two_to_ten_millimetres_outside(monkeypatch: pytest.MonkeyPatch) -> None:
    """60 HU there; nearer 30, farther 45: only what lies in the ring is read, and its error is that of its mean."""
    hu = np.select([R < 12.5, R < 13.8, R < 22.2], [50.0, 60.0, 60.0], 45.0)
    found = muscle_rows(site_of(hu), (70.0, 0.8, 5000.0), monkeypatch)
    near = found["perilesional_muscle"]
    assert near.value == pytest.approx(60.0, abs=0.2)
    ring = (R >= RADIUS + 2) & (R <= RADIUS + 10)
    error = np.hypot(REF.mean_error(float(ring.sum())), 0.5)
    assert near.down["noise"] == pytest.approx(2 * error, rel=0.02)
    deficit = found["perilesional_deficit"]
    assert deficit.value == pytest.approx(70.0 - near.value)
    assert deficit.down == pytest.approx({"noise": 2 * np.hypot(error, 0.8), "what counts as muscle": 1.1}, rel=0.01)
    assert found["reference_muscle"].value == 70.0
    assert found["reference_muscle"].down == {"noise": 1.6, "what counts as muscle": 1.1}


def test_too_little_muscle_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    fat = np.where(R < RADIUS, 50.0, -100.0)
    found = muscle_rows(site_of(fat), (70.0, 0.8, 499.0), monkeypatch)
    codes = {name: [v.code for v in e.verdicts] for name, e in found.items()}
    assert codes["perilesional_muscle"] == ["muscle-little-near"]
    assert codes["reference_muscle"] == ["muscle-little-far"]
    assert codes["perilesional_deficit"] == codes["oedema_extent"] == ["muscle-not-compared"]
    plain = np.full(GRID.shape, MUSCLE)
    no_far = muscle_rows(site_of(plain), (70.0, 0.8, 499.0), monkeypatch)
    assert no_far["perilesional_muscle"].value is not None
    assert no_far["perilesional_deficit"].value is None
    no_near = muscle_rows(site_of(fat), (70.0, 0.8, 501.0), monkeypatch)
    assert no_near["reference_muscle"].value == 70.0
    assert no_near["perilesional_deficit"].value is None


@pytest.mark.parametrize(("edge", "reached", "beyond"), [(13.0, 0.0, False), (18.0, 6.0, False), (40.0, 12.0, True)])
def test_oedema_reaches_as_far_as_muscle_stays_low(
    edge: float, reached: float, beyond: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Muscle 30 HU lower up to ``edge``, in rings of 2 mm from 2 to 12 mm outside."""
    hu = np.where(edge > R, 40.0, 70.0)
    found = muscle_rows(site_of(hu), (70.0, 0.5, 5000.0), monkeypatch)["oedema_extent"]
    assert found.value == pytest.approx(reached)
    assert [v.code for v in found.verdicts] == (["oedema-beyond"] if beyond else [])
    assert found.down == found.up == {"step": 2.0}


@pytest.mark.parametrize(("fall", "told"), [(2.6, False), (3.6, True)])
def test_oedema_needs_more_than_two_standard_errors(fall: float, told: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Those of both means and 1 HU: 2 x hypot(0.9, 1.0, that of a ring) is about 2.8."""
    found = muscle_rows(site_of(np.full(GRID.shape, 70.0 - fall)), (70.0, 0.9, 5000.0), monkeypatch)["oedema_extent"]
    assert (found.value > 0.0) == told


def test_muscle_is_neither_fat_nor_bright_nor_beside_bone() -> None:
    grid = Grid.from_parts((9, 40, 60), (1.0, 1.0, 1.0))
    x = grid.world_of_all()[..., 0]

    def taken(hu: float, noise: float = 5.0, bone: Any = None) -> bool:
        volume = Volume(np.full(grid.shape, hu, np.float32), grid)
        return bool(muscles._muscle_voxels(volume, bone, noise)[4, 20, 30])

    # From -5 to 95 HU, wider by 4 HU or 0.35 of the noise.
    assert [taken(hu) for hu in (-9.5, -8.5, 98.5, 99.5)] == [False, True, True, False]
    assert [taken(hu, 20.0) for hu in (-12.5, -11.5, 101.5, 102.5)] == [False, True, True, False]
    assert taken(50.0, bone=np.abs(x - 30.0) + 5.0)
    assert not taken(50.0, bone=np.abs(x - 30.0) + 2.0)


def test_steady_tissues_and_fat_that_is_mixed() -> None:
    """Adipose tissue -98 HU at 80 kVp, -79 at 120, -74 at 140 (ICRU-44): above 85 % of that a layer is thin."""
    cortex = Tissue(1500.0, 6.0, 500.0)
    for kvp, pure, mixed in ((80.0, -84.0, -83.0), (120.0, -67.5, -66.5), (140.0, -63.5, -62.5), (100.0, -76.0, -74.0)):
        for fat, told in ((pure, []), (mixed, ["fat-thin"])):
            reference = replace(REF, kvp=kvp, fat=Tissue(fat, 0.4, 5000.0), cortex=cortex)
            found = {e.quantity: e for e in steady_tissues(reference)}
            assert [v.code for v in found["fat_reference"].verdicts] == told, (kvp, fat)
            assert found["fat_reference"].down == {"noise": 0.8, "skin and fascia": 3.0}
            assert found["cortex_reference"].down == {"noise": 12.0, "blur": 30.0}
    none = {e.quantity: [v.code for v in e.verdicts] for e in steady_tissues(REF)}
    assert none == {"fat_reference": ["fat-little"], "cortex_reference": ["cortex-none"]}
