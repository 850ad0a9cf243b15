"""Quantities of known spheres, shells and ellipsoids: blurred, sliced, outlined and measured by the whole line."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from analytic_shell import SOFT_HU, Shell, around, ellipsoid_outline, reference, rendered
from scipy import special
from scipy.spatial.distance import pdist

from mineralize.base import (
    QUANTITIES,
    UNITS,
    Acquisition,
    Calibration,
    InMemory,
    Scan,
    Settings,
    Volume,
    caution,
    withhold,
)
from mineralize.lesion import Hand, Outline, find_zones, neighbourhood
from mineralize.lesion import find as lesion
from mineralize.lesion.margin import beyond_mineral, is_shell
from mineralize.lesion.outline import find_outline
from mineralize.measure import (
    Estimate,
    Measured,
    Site,
    measure_mineral,
    measure_scan,
    rows_without_lesion,
    withhold_all,
)
from mineralize.measure.estimate import symmetric
from mineralize.measure.mineral import mass_mg
from mineralize.measure.rim import measure_rim
from mineralize.measure.rows import as_row
from mineralize.measure.shape import axial_diameters, longest_distance
from mineralize.reference import table_slope
from mineralize.reference.tissues import Tissue
from mineralize.surface import mesh_area, mesh_volume

SETTINGS = Settings()
SELF_TEST = Shell()
"""30 mm shell of 2 mm, 600 HU in 50 HU; FWHM 1.0 mm, 0.75 mm pixels, 1.5 mm slices, no noise."""
DENSER = replace(SELF_TEST, shell_hu=1000.0)


@cache
def seen(shell: Shell, noise: float = 0.0, slice_mm: float = 1.5, fwhm: float = 1.0) -> tuple[Any, ...]:
    """(volume, reference, neighbourhood, outline) of a rendered shell."""
    volume = rendered(shell, noise=noise, slice_mm=slice_mm, fwhm=fwhm)
    ref = reference(volume, noise=max(noise, 1.0), fwhm=fwhm)
    near = around(volume, ref)
    return volume, ref, near, find_outline(near, ref, np.zeros(3), SETTINGS, scan=1)


@cache
def measured(shell: Shell, noise: float = 0.0, slice_mm: float = 1.5, fwhm: float = 1.0) -> Measured:
    volume, ref, near, outline = seen(shell, noise, slice_mm, fwhm)
    return measure_scan(near, ref, outline, SETTINGS, volume, skeleton=None)


def rows(shell: Shell, **how: float) -> dict[str, Any]:
    return {row.quantity: row for row in measured(shell, **how).rows}


def site_of(shell: Shell, **how: float) -> Site:
    _, ref, near, outline = seen(shell, **how)
    return Site(1, near, ref, outline, find_zones(outline, near.grid, SETTINGS.zones), SETTINGS)


def true_mass(shell: Shell) -> float:
    """Mineral of the shell: excess HU over the slope at 120 kVp (1.369 HU per mg/cm3), times volume."""
    return shell.hollow_mm3 * (shell.shell_hu - SOFT_HU) / 1.369 / 1000


# ---- the self-test of the blurred shell ------------------------------------------------------------


@pytest.mark.parametrize(("shell", "inflation"), [(SELF_TEST, 1.47), (DENSER, 1.58)])
def test_threshold_volume_is_inflated_as_calculated_and_mass_is_not(shell: Shell, inflation: float) -> None:
    """130 HU volume over true volume 1.47 (600 HU) and 1.58 (1000 HU), +-5 %; mass 1.00 +-2 % (own arithmetic)."""
    volume = seen(shell)[0]
    plain = float((volume.hu >= 130).sum() * volume.grid.voxel_volume_mm3)
    assert plain / shell.hollow_mm3 == pytest.approx(inflation, rel=0.05)
    site = site_of(shell)
    ours = float(site.mineral_over(130.0).sum() * site.voxel_mm3)
    assert ours / shell.hollow_mm3 == pytest.approx(inflation, rel=0.05)
    assert rows(shell)["mineral_mass"].value == pytest.approx(true_mass(shell), rel=0.02)


def test_densification_is_not_growth_of_the_lesion() -> None:
    before, after = rows(SELF_TEST), rows(DENSER)
    for name in ("lesion_volume", "longest_diameter", "axial_diameter", "rim_thickness"):
        assert after[name].value == pytest.approx(before[name].value, rel=0.02), name
    assert after["mineral_mass"].value / before["mineral_mass"].value == pytest.approx(950 / 550, rel=0.02)


@pytest.mark.parametrize("slice_mm", [0.75, 3.0])
def test_mass_does_not_depend_on_slices(slice_mm: float) -> None:
    """Background-subtracted mass 1.00 from 0.75 to 5 mm; the 130 HU volume 1.4 to 1.6 times (own arithmetic)."""
    assert rows(SELF_TEST, slice_mm=slice_mm)["mineral_mass"].value == pytest.approx(true_mass(SELF_TEST), rel=0.03)
    volume = seen(SELF_TEST, slice_mm=slice_mm)[0]
    inflation = float((volume.hu >= 130).sum() * volume.grid.voxel_volume_mm3) / SELF_TEST.hollow_mm3
    assert inflation == pytest.approx({0.75: 1.4, 3.0: 1.6}[slice_mm], rel=0.06)


# ---- closed forms ------------------------------------------------------------------------------------


def test_sphere_and_shell_arithmetic() -> None:
    """40 mm sphere 33.51 mL, a 2 mm shell of it 9.08 mL; a 0.25 mm edge shift is +3.8 / -3.7 % (geometry)."""
    shell = Shell(radii=(20.0,) * 3)
    assert shell.volume_mm3 / 1000 == pytest.approx(33.51, abs=0.01)
    assert shell.hollow_mm3 / 1000 == pytest.approx(9.08, abs=0.01)
    mesh = ellipsoid_outline((20.0,) * 3)
    assert mesh_volume(mesh.vertices, mesh.faces) == pytest.approx(shell.volume_mm3, rel=0.003)
    assert mesh_area(mesh.vertices, mesh.faces) == pytest.approx(4 * np.pi * 400, rel=0.003)
    wider = ellipsoid_outline((20.25,) * 3)
    grown = mesh_volume(wider.vertices, wider.faces) / mesh_volume(mesh.vertices, mesh.faces)
    assert grown == pytest.approx(1.038, abs=0.001)


def test_diameters_of_a_turned_ellipsoid() -> None:
    """Semi-axes 10, 13, 20 mm, the long one along the slices: 40 mm; in the axial plane 26 and 20 mm (geometry)."""
    mesh = ellipsoid_outline((10.0, 13.0, 20.0))
    longest, across = axial_diameters(mesh.vertices, mesh.faces, np.array([0.0, 0, 1]), 0.5)
    assert longest_distance(mesh.vertices) == pytest.approx(40.0, abs=0.1)
    assert longest == pytest.approx(26.0, abs=0.15)
    assert across == pytest.approx(20.0, abs=0.25)


@pytest.mark.parametrize(("half", "trust"), [(9.0, "ok"), (13.0, "caution")])
def test_a_wide_interval_alone_cautions(half: float, trust: str) -> None:
    row = as_row(1, symmetric("lesion_volume", "mm3", 100.0, {"outline": half, "noise": 1.0}))
    assert row.trust == trust
    assert ("interval is wide, mostly for outline" in row.reason) == (trust == "caution")


def test_no_mineral_at_all_is_known_to_the_limit_of_detection() -> None:
    row = as_row(1, Estimate("mineral_mass", "mg", 0.0, {}, {"noise": 5.0}, (), (0.0, np.inf)))
    assert (row.trust, row.low, row.high) == ("ok", 0.0, 5.0)


def test_longest_distance_against_brute_force() -> None:
    points = np.random.default_rng(4).normal(size=(500, 3))
    assert longest_distance(points) == pytest.approx(float(pdist(points).max()))
    assert longest_distance(points[:1]) == 0.0
    assert longest_distance(np.zeros((40, 3)) + np.arange(40)[:, None]) == pytest.approx(39 * np.sqrt(3))


@pytest.mark.parametrize(
    "shell", [SELF_TEST, replace(SELF_TEST, radii=(12.0, 15.0, 22.0)), replace(SELF_TEST, core_hu=-60.0)]
)
def test_shells_are_measured_as_they_are(shell: Shell) -> None:
    """Everything here follows from radii and HU (closed forms); limits are those of the accuracy aimed at."""
    found = rows(shell)
    assert found["lesion_volume"].value == pytest.approx(shell.volume_mm3, rel=0.03)
    assert found["longest_diameter"].value == pytest.approx(2 * max(shell.radii), rel=0.03)
    assert found["rim_thickness"].value == pytest.approx(2.0, abs=0.3)
    assert found["rim_completeness"].value > 0.98
    assert found["largest_gap"].value < 0.01
    assert found["rim_unresolved"].value < 0.02
    assert found["zonal_contrast"].value == pytest.approx(1.0, abs=0.03)
    assert found["core_attenuation"].value == pytest.approx(shell.core_hu, abs=3)
    assert found["mineral_mass"].value == pytest.approx(true_mass(shell), rel=0.03)
    assert found["rim_peak_attenuation"].value == pytest.approx(600.0, rel=0.06)
    name = "core_fat_fraction" if shell.core_hu < -30 else "core_soft_fraction"
    assert found[name].value > 0.95


def test_rim_and_core_of_a_sphere() -> None:
    """Rim of depth 4 mm: 11 to 15 mm; the shell fills (15^3 - 13^3) / (15^3 - 11^3) of it (closed form)."""
    share = (15**3 - 13**3) / (15**3 - 11**3)
    rim = SOFT_HU + share * (600 - SOFT_HU)
    found = rows(SELF_TEST)
    assert found["rim_attenuation"].value == pytest.approx(rim, rel=0.05)
    assert found["rim_core_ratio"].value == pytest.approx((1000 + rim) / (1000 + SOFT_HU), rel=0.015)
    assert found["rim_core_difference"].value == pytest.approx(rim - SOFT_HU, rel=0.05)
    assert found["rim_attenuation"].low < rim < found["rim_attenuation"].high
    # blur took some of it: the plain mean is lower
    assert found["rim_attenuation"].detail["plain_mean_hu"] < found["rim_attenuation"].value


@pytest.mark.parametrize("half_angle", [40.0, 70.0])
def test_gap_is_a_spherical_cap(half_angle: float) -> None:
    """A cap of half angle a has (1 - cos a) / 2 of the area of its sphere (closed form); it faces superior."""
    shell = replace(SELF_TEST, open_deg=half_angle)
    gap = (1 - np.cos(np.radians(half_angle))) / 2
    found = rows(shell)
    assert found["rim_completeness"].value == pytest.approx(1 - gap, abs=0.03)
    assert found["largest_gap"].value == pytest.approx(gap, abs=0.03)
    assert found["largest_gap"].detail["largest_gap_direction"] == "superior"
    np.testing.assert_allclose(found["largest_gap"].detail["largest_gap_unit_vector"], [0, 0, 1], atol=0.1)
    # carried on smoothly across the gap
    assert found["lesion_volume"].value == pytest.approx(shell.volume_mm3, rel=0.06)


def test_zonal_contrast_changes_sign_with_the_zones() -> None:
    """All mineral in the centre is -1, all at the periphery +1 (by definition)."""
    volume = rendered(Shell(radii=(15.0,) * 3, thickness=2.0, shell_hu=SOFT_HU + 1))
    world = volume.grid.world_of_all()
    hu = np.array(volume.hu)
    hu[np.linalg.norm(world, axis=-1) < 4] = 450.0
    inner = Volume(hu, volume.grid)
    ref = reference(inner, noise=2.0)
    near = around(inner, ref)
    result = measure_scan(near, ref, ellipsoid_outline((15.0,) * 3), SETTINGS, inner, skeleton=None)
    found = {row.quantity: row for row in result.rows}
    assert found["zonal_contrast"].value < -0.9
    assert found["rim_core_difference"].value < 0
    assert found["rim_completeness"].value == pytest.approx(0.0, abs=0.01)
    assert rows(SELF_TEST)["zonal_contrast"].value > 0.9


def test_no_mineral_is_a_valid_input() -> None:
    volume = rendered(Shell(shell_hu=30.0, core_hu=30.0))
    ref = reference(volume, noise=5.0)
    near = around(volume, ref)
    assert find_outline(near, ref, np.zeros(3), SETTINGS, scan=1) is None
    result = measure_scan(near, ref, ellipsoid_outline((15.0,) * 3), SETTINGS, volume, skeleton=None)
    found = {row.quantity: row for row in result.rows}
    assert found["mineral_mass"].value == 0.0
    assert found["mineral_mass"].high > 0
    assert found["mineral_volume"].value == 0.0
    for name in ("rim_completeness", "rim_thickness", "largest_gap", "rim_peak_attenuation", "zonal_contrast"):
        assert found[name].trust == "withheld", name
        assert "no mineral" in found[name].reason or "mineral" in found[name].reason
    assert found["core_attenuation"].value == pytest.approx(30.0, abs=1)


def test_noise_cancels_in_the_mass() -> None:
    found = rows(SELF_TEST, noise=25.0)
    assert found["mineral_mass"].value == pytest.approx(true_mass(SELF_TEST), rel=0.03)
    assert found["lesion_volume"].value == pytest.approx(SELF_TEST.volume_mm3, rel=0.03)
    assert found["rim_completeness"].value > 0.97
    assert found["mineral_mass"].low < true_mass(SELF_TEST) < found["mineral_mass"].high


def test_mass_of_a_known_background_is_the_plain_sum() -> None:
    """Independent: the sum over all voxels of what stands above 50 HU (nothing but the shell does)."""
    volume = seen(SELF_TEST)[0]
    plain = float((volume.hu - SOFT_HU).sum(dtype=np.float64) * volume.grid.voxel_volume_mm3 / 1.369 / 1000)
    assert plain == pytest.approx(true_mass(SELF_TEST), rel=0.005)
    site = site_of(SELF_TEST)
    assert mass_mg(site, np.full(site.hu.shape, SOFT_HU)) == pytest.approx(plain, rel=0.01)


# ---- bone ------------------------------------------------------------------------------------------


def beside_cylinder(gap: float, *, line_hu: float = SOFT_HU) -> dict[str, Any]:
    """The shell beside a solid cylinder of bone (radius 10 mm, along the slices) ``gap`` mm away."""
    volume, ref, _, _ = seen(SELF_TEST)
    world = volume.grid.world_of_all()
    distance = (np.hypot(world[..., 0] - (15.0 + gap + 10.0), world[..., 1]) - 10.0).astype(np.float32)
    sphere = np.linalg.norm(world, axis=-1) - 15.0
    between = (distance > 0) & (sphere > 0) & (distance + sphere < gap + 1.5)
    soft = np.where(between, line_hu, np.array(volume.hu))
    bone = special.ndtr(-distance / (1.0 / 2.3548))  # a blurred straight edge is the normal integral
    hu = (soft + (1200.0 - soft) * bone).astype(np.float32)
    near = neighbourhood(Volume(hu, volume.grid), distance, ref)
    outline = ellipsoid_outline((15.0,) * 3)
    result = measure_scan(near, ref, outline, SETTINGS, Volume(hu, volume.grid), skeleton=None)
    return {row.quantity: row for row in result.rows}


@pytest.mark.parametrize("gap", [2.0, 4.0])
def test_gap_to_a_cylinder(gap: float) -> None:
    """Least distance of a sphere and a cylinder: distance of centre and axis less both radii (geometry)."""
    found = beside_cylinder(gap)
    assert found["cortex_gap"].value == pytest.approx(gap, abs=0.3)
    assert found["cortex_gap"].low <= gap <= found["cortex_gap"].high
    assert found["cortex_contact_area"].value == 0.0
    assert found["cleft_fraction"].value > 0.9  # soft tissue of 50 HU lies between: a lucent line all along


def test_touching_without_a_line_is_contact() -> None:
    found = beside_cylinder(0.0, line_hu=700.0)
    assert found["cortex_gap"].value == pytest.approx(0.0, abs=0.05)
    assert found["cortex_contact_area"].value > 5.0
    # within 0.5 mm of a cylinder of 10 mm beside a sphere of 15 mm: pi * 2 * 0.5 * sqrt(1/(1/15) * 1/(1/15+1/10))
    patch = np.pi * 2 * 0.5 * np.sqrt(15.0 * (1 / (1 / 15 + 1 / 10)))
    assert found["cortex_contact_area"].low <= patch * 1.1
    assert found["cortex_contact_area"].high >= patch * 0.9


def test_what_bone_hides_may_be_missing_from_the_mass() -> None:
    """A shell that bone overlaps by 2 mm: the interval reaches further up than down."""
    found = beside_cylinder(-2.0)["mineral_mass"]
    assert found.parts["hidden by bone"][1] > 0.01 * found.value
    assert found.high - found.value > found.value - found.low
    apart = beside_cylinder(4.0)["mineral_mass"]
    assert apart.parts["hidden by bone"] == (0.0, 0.0)


@pytest.mark.parametrize(("gap", "trust"), [(-2.0, "ok"), (-14.0, "withheld")])
def test_what_cannot_be_told_from_bone_is_not_measured(gap: float, trust: str) -> None:
    found = beside_cylinder(gap)
    assert found["mineral_mass"].trust == trust
    assert ("told from bone" in found["rim_completeness"].reason) == (trust == "withheld")
    assert found["lesion_volume"].trust == "ok"


@pytest.mark.parametrize("through", [True, False])
def test_bone_that_was_outlined_with_the_lesion_is_not_measured(through: bool) -> None:
    """A rod as dense as cortex, unknown as bone, runs through the outline and out of it; a dense shell does not."""
    volume, ref, _, _ = seen(DENSER)
    hu = np.array(volume.hu, np.float32)
    if through:
        world = volume.grid.world_of_all()
        bone = special.ndtr((4.0 - np.hypot(world[..., 0] - 11.0, world[..., 1])) * 2.3548)
        hu = np.asarray(hu + (1200.0 - hu) * bone, np.float32)
    ref = replace(ref, cortex=Tissue(1200.0, 5.0, 100.0))
    whole = Volume(hu, volume.grid)
    result = measure_scan(
        neighbourhood(whole, None, ref), ref, ellipsoid_outline((15.0,) * 3), SETTINGS, whole, skeleton=None
    )
    found = {row.quantity: row for row in result.rows}
    for name in ("lesion_volume", "mineral_mass", "rim_core_ratio", "longest_diameter"):
        assert ("dense as cortex" in found[name].reason) == through
        assert (found[name].trust == "withheld") == through


@pytest.mark.parametrize("gap", [0.5, 0.8])
def test_a_cleft_that_blur_fills_in_part_is_seen_as_open_all_along(gap: float) -> None:
    """Soft tissue all along, 0.5 and 0.8 mm wide at its narrowest, blurred by 1.0 mm in slices of 1.5 mm."""
    found = beside_cylinder(gap)
    assert found["cleft_fraction"].value > 0.95
    assert found["cleft_fraction"].high == pytest.approx(1.0)
    assert found["cortex_contact_area"].value == 0.0


def test_no_bone_in_view_is_said() -> None:
    found = rows(SELF_TEST)
    for name in ("cortex_gap", "cortex_contact_area", "cleft_fraction"):
        assert found[name].trust == "withheld"
        assert "bone" in found[name].reason


# ---- muscle ----------------------------------------------------------------------------------------


def test_oedema_is_the_deficit_of_the_muscle_around() -> None:
    """Muscle 15 HU lower up to 6 mm outside: means over 2-10 mm by shell volumes (closed form)."""
    shell = Shell(radii=(10.0,) * 3)
    volume = rendered(shell, margin=46.0, pixel=1.2, slice_mm=2.0)
    world = volume.grid.world_of_all()
    r = np.linalg.norm(world, axis=-1)
    hu = np.where((r > 10.8) & (r < 16), np.array(volume.hu) - 15.0, np.array(volume.hu)).astype(np.float32)
    swollen = Volume(hu, volume.grid)
    ref = reference(swollen, noise=2.0)
    result = measure_scan(around(swollen, ref), ref, ellipsoid_outline((10.0,) * 3), SETTINGS, swollen, skeleton=None)
    found = {row.quantity: row for row in result.rows}
    assert found["reference_muscle"].value == pytest.approx(SOFT_HU, abs=0.5)
    ring, low = 20**3 - 12**3, 16**3 - 12**3
    # the ring starts a little farther out where mineral is left out, so the share may differ by a quarter
    assert found["perilesional_deficit"].value == pytest.approx(15.0 * low / ring, rel=0.3)
    assert found["oedema_extent"].value == pytest.approx(6.0, abs=2.0)


# ---- form of the table -------------------------------------------------------------------------------


def test_every_quantity_has_a_row_and_withheld_rows_are_empty() -> None:
    found = measured(SELF_TEST).rows
    assert [row.quantity for row in found] == list(UNITS)
    for row in found:
        assert row.unit == UNITS[row.quantity]
        if row.trust == "withheld":
            assert (row.value, row.low, row.high) == (None, None, None)
        else:
            assert row.low <= row.value <= row.high, row.quantity
        assert bool(row.reason) == (row.trust != "ok")
    held = withhold_all(2, withhold("cut-by-scan"), (found[0],))
    assert held[0] is found[0]
    assert {row.reason for row in held[1:]} == {"the lesion is cut by the edge of the scan"}


def test_thick_slices_are_cautioned_then_withheld() -> None:
    """Rim quantities: caution beyond 3 mm, withheld beyond 5 mm spacing."""
    for slice_mm, expected in ((4.0, "caution"), (6.0, "withheld")):
        volume = rendered(replace(SELF_TEST, radii=(20.0,) * 3, thickness=3.0), slice_mm=slice_mm, margin=9.0)
        ref = reference(volume, noise=1.0)
        outline: Outline = ellipsoid_outline((20.0,) * 3)
        result = measure_scan(around(volume, ref), ref, outline, SETTINGS, volume, skeleton=None)
        found = {row.quantity: row for row in result.rows}
        assert found["rim_attenuation"].trust == expected
        assert found["rim_completeness"].trust == expected
        # slices that hide a rim still hold its mineral
        assert found["mineral_mass"].trust != "withheld"
        shell = replace(SELF_TEST, radii=(20.0,) * 3, thickness=3.0)
        assert found["mineral_mass"].value == pytest.approx(true_mass(shell), rel=0.06)


def test_depth_profile_and_rim_map() -> None:
    found = measured(SELF_TEST)
    depth, hu = found.profile.depth_mm, found.profile.hu120_mean
    assert float(hu[np.argmin(np.abs(depth - 1.0))]) > 350
    assert float(hu[np.argmin(np.abs(depth - 9.0))]) == pytest.approx(SOFT_HU, abs=2)
    assert found.rim_map.area_mm2.sum() == pytest.approx(4 * np.pi * 225, rel=0.02)
    np.testing.assert_allclose(np.linalg.norm(found.rim_map.direction, axis=1), 1.0)


# ---- outlines that were drawn, points beside the lesion, scans without it ----------------------------


@pytest.mark.parametrize("method", ["drawn", "mass margin"])
@pytest.mark.parametrize(("radius", "trust"), [(12.0, "withheld"), (16.5, "caution")])
def test_an_outline_through_mineral_says_nothing_of_mineral(radius: float, trust: str, method: str) -> None:
    """A ball drawn through the 15 mm shell cuts it; one drawn around it does not. Its volume stands in both."""
    volume, ref, near, _ = seen(SELF_TEST)
    drawn = replace(ellipsoid_outline((radius,) * 3), method=method, verdicts=(caution("drawn-by-reader"),))
    found = {row.quantity: row for row in measure_scan(near, ref, drawn, SETTINGS, volume, skeleton=None).rows}
    assert found["mineral_mass"].trust == trust
    assert ("cuts through mineral" in found["mineral_mass"].reason) == (trust == "withheld")
    assert found["lesion_volume"].trust == "caution"


@pytest.mark.parametrize(("off", "trust"), [(0.0, "ok"), (17.0, "ok"), (19.0, "withheld")])
def test_what_does_not_hold_the_point_is_withheld(monkeypatch: pytest.MonkeyPatch, off: float, trust: str) -> None:
    ball = ellipsoid_outline((15.0,) * 3)
    monkeypatch.setattr(lesion, "_outlined", lambda *_: ball)
    monkeypatch.setattr(lesion, "_by_soft_margin", lambda *_: None)
    found = lesion.find_lesion(UNTOUCHED, (off, 0.0, 0.0), SETTINGS)  # type: ignore[arg-type]
    assert found is not None
    assert found.trust == trust
    assert found.holds_mineral == (trust != "withheld")  # the mineral of something else is no mass of the lesion
    assert ("4 mm outside" in found.reason) == (trust == "withheld")


UNTOUCHED = SimpleNamespace(hand=Hand())
"""A scan of which only the corrections by hand, none, are asked for."""
NOT_FOUND = withhold("lesion-not-found", why="the lesion was not found")


def test_steady_tissues_are_stated_without_a_lesion() -> None:
    _, ref, _, _ = seen(SELF_TEST)
    ref = replace(ref, fat=Tissue(-95.0, 0.5, 9000.0))
    found = {row.quantity: row for row in rows_without_lesion(3, ref, NOT_FOUND)}
    assert set(found) == set(UNITS)
    assert (found["fat_reference"].value, found["fat_reference"].trust) == (-95.0, "ok")
    assert found["mineral_mass"].trust == "withheld"
    assert found["mineral_mass"].reason == "the lesion was not found"


def test_how_an_outline_crosses_gaps_cautions_what_rests_on_its_course_only() -> None:
    volume, ref, near, outline = seen(SELF_TEST)
    crossing = replace(outline, verdicts=(caution("edge-unseen", share=0.4),))
    found = {row.quantity: row for row in measure_scan(near, ref, crossing, SETTINGS, volume, skeleton=None).rows}
    resting = (
        "lesion_volume",
        "longest_diameter",
        "rim_core_ratio",
        "rim_completeness",
        "mineral_fraction",
        "largest_gap",
    )
    for name in resting:
        assert found[name].trust == "caution", name
    for name in ("mineral_mass", "mineral_volume", "rim_thickness", "rim_peak_attenuation"):
        assert found[name].trust == "ok", name
    beside = replace(crossing, verdicts=(*crossing.verdicts, caution("on-bone", share=0.03)))
    found = {row.quantity: row for row in measure_scan(near, ref, beside, SETTINGS, volume, skeleton=None).rows}
    assert found["mineral_mass"].reason == "3% of the outline is drawn where the lesion meets bone"


def test_solid_mineral_may_lie_in_the_middle_of_more() -> None:
    """A ball of 400 HU: its mineral is counted, closed form; a complete rim, as it would read, is not stated."""
    ball = Shell(radii=(10.0,) * 3, thickness=10.0, shell_hu=400.0)
    volume, ref, near, outline = seen(ball)
    assert not is_shell(near, ref, SETTINGS, outline)
    found = beyond_mineral(near, ref, SETTINGS, outline)
    assert (found.trust, found.holds_mineral) == ("withheld", True)
    assert "the mineral is solid" in found.reason
    values = {row.quantity: row for row in measure_scan(near, ref, found, SETTINGS, volume, skeleton=None).rows}
    for name in ("lesion_volume", "rim_completeness", "rim_core_ratio", "zonal_contrast", "cortex_gap"):
        assert values[name].trust == "withheld", name
    mass, size = values["mineral_mass"], values["mineral_volume_200"]
    assert (mass.trust, size.trust) == ("caution", "caution")
    assert mass.value == pytest.approx(ball.volume_mm3 * (400 - SOFT_HU) / 1.369 / 1000, rel=0.05)
    assert size.low <= ball.volume_mm3 <= size.high


@pytest.mark.parametrize("thickness", [1.0, 1.5])
def test_the_interval_of_a_volume_over_a_threshold_knows_that_blur_swells_a_thin_shell(thickness: float) -> None:
    thin = Shell(radii=(13.0,) * 3, thickness=thickness, shell_hu=900.0)
    found = rows(thin)["mineral_volume"]
    assert found.value > 1.1 * thin.hollow_mm3
    assert found.low <= thin.hollow_mm3 <= found.high


def test_the_length_of_a_thin_shell_that_ends_within_slices() -> None:
    thin = Shell(radii=(12.0, 12.0, 15.0), thickness=1.0, shell_hu=800.0)
    found = rows(thin)["longest_diameter"]
    assert found.low <= 30.0 <= found.high
    assert found.dominant == "slice thickness"


class Patchy(Shell):
    """Density of the shell goes up and down by 60 % every 7 mm, along and into it."""

    def hu(self, points: Any) -> Any:
        wave = np.sin(2 * np.pi * points / 7.0).prod(axis=-1)
        values = super().hu(points)
        return np.where(values == self.shell_hu, SOFT_HU + (values - SOFT_HU) * (1 + 0.6 * wave), values)


def rim_rows(shell: Shell) -> dict[str, Estimate]:
    """What is said of the rim within the true outline."""
    volume = rendered(shell, margin=7.0)
    ref = reference(volume)
    near, outline = around(volume, ref), ellipsoid_outline(shell.radii)
    site = Site(1, near, ref, outline, find_zones(outline, near.grid, SETTINGS.zones), SETTINGS)
    return {estimate.quantity: estimate for estimate in measure_rim(site, has_mineral=True)[0]}


def test_patches_make_a_thick_rim_uncertain() -> None:
    even, patchy = (rim_rows(kind(radii=(16.0,) * 3, thickness=6.0, core_hu=20.0)) for kind in (Shell, Patchy))
    for name, side in (("rim_thickness", "down"), ("rim_peak_attenuation", "up")):
        of_patchy, of_even = (getattr(rows[name], side)["patchy mineral"] / rows[name].value for rows in (patchy, even))
        assert of_patchy > 0.05 > 4 * of_even, name
    assert rim_rows(Patchy(radii=(16.0,) * 3, thickness=2.0))["rim_thickness"].down["patchy mineral"] == 0.0


@pytest.mark.parametrize("holds", [True, False])
def test_an_unknown_margin_leaves_the_mass_of_mineral_known(holds: bool) -> None:
    volume, ref, near, outline = seen(SELF_TEST)
    lost = replace(outline, verdicts=(withhold("edge-unseen", share=0.8),), left_out=0.0 if holds else 0.4)
    found = {row.quantity: row for row in measure_scan(near, ref, lost, SETTINGS, volume, skeleton=None).rows}
    assert found["lesion_volume"].trust == found["mineral_fraction"].trust == "withheld"
    assert found["mineral_mass"].trust == ("caution" if holds else "withheld")
    if holds:
        assert found["mineral_mass"].value == pytest.approx(true_mass(SELF_TEST), rel=0.05)
        assert "no edge is visible" in found["mineral_mass"].reason


def test_a_gap_is_not_measured_where_no_edge_faces_bone() -> None:
    volume, ref, near, outline = seen(SELF_TEST)
    beside = replace(
        near, bone_distance=near.grid.to_world(np.indices(near.grid.shape).transpose(1, 2, 3, 0))[..., 0] * -1 + 21.0
    )
    facing = outline.vertices[:, 0] > 10.0
    blind = replace(outline, supported=np.where(facing, 0.0, 1.0))
    seen_, unseen = (
        {r.quantity: r for r in measure_scan(beside, ref, o, SETTINGS, volume, skeleton=None).rows}["cortex_gap"]
        for o in (replace(outline, supported=np.ones(len(facing))), blind)
    )
    assert seen_.trust == "ok"
    assert seen_.value == pytest.approx(6.0, abs=0.5)
    assert unseen.trust == "caution"
    assert "faces bone" in unseen.reason
    assert unseen.value - unseen.low > 1.5 * (seen_.value - seen_.low)


def test_a_mass_around_the_point_is_taken_before_mineral_beside_it(monkeypatch: pytest.MonkeyPatch) -> None:
    clump, mass = ellipsoid_outline((4.0,) * 3), replace(ellipsoid_outline((30.0,) * 3), method="mass margin")
    monkeypatch.setattr(lesion, "_outlined", lambda *_: clump)
    monkeypatch.setattr(lesion, "_by_soft_margin", lambda *_: mass)
    assert lesion.find_lesion(UNTOUCHED, (15.0, 0.0, 0.0), SETTINGS) is mass  # type: ignore[arg-type]
    assert lesion.find_lesion(UNTOUCHED, (2.0, 0.0, 0.0), SETTINGS) is clump  # type: ignore[arg-type]


def test_beam_hardening_cautions_mineral_and_lets_it_be_more() -> None:
    site = site_of(SELF_TEST)
    hard = replace(site, reference=replace(site.reference, hardening_hu=12.0))
    plain, doubted = ({r.quantity: r for r in measure_mineral(s)} for s in (site, hard))
    for quantity in ("mineral_mass", "mineral_volume", "mineral_volume_300"):
        assert plain[quantity].trust == "ok"
        assert doubted[quantity].trust == "caution"
        assert "beam hardening" in doubted[quantity].reason
        assert doubted[quantity].value == plain[quantity].value
    assert doubted["mineral_mass"].interval[1] > plain["mineral_mass"].interval[1]
    assert doubted["mineral_mass"].interval[0] == plain["mineral_mass"].interval[0]


@pytest.mark.parametrize(("kvp", "text"), [(None, "not stated"), (60.0, "outside the table"), (100.0, "")])
def test_a_slope_that_is_not_known_cautions_the_lesion(kvp: float | None, text: str) -> None:
    volume, ref, _, outline = seen(SELF_TEST)
    acquisition = Acquisition(kvp=kvp)
    ref = replace(ref, notes=table_slope(acquisition, SETTINGS.mineral).notes)
    scan = Scan(1, 0, volume.grid, acquisition, InMemory(volume))
    found = lesion.SeenScan(scan, volume, None, ref, SETTINGS).verdicts(outline)  # type: ignore[arg-type]
    assert [verdict.trust for verdict in found] == ["caution"] * bool(text)
    assert all(text in verdict.text for verdict in found)
    rods = replace(scan, calibration=Calibration(slope=1.4))
    assert lesion.SeenScan(rods, volume, None, ref, SETTINGS).verdicts(outline) == ()  # type: ignore[arg-type]


def test_where_the_outline_is_not_known_nothing_that_rests_on_it_is_trusted() -> None:
    """Solid mineral beside an invisible soft margin: a ratio of 0.996 was trusted where truth was 0.63."""
    volume, ref, near, outline = seen(SELF_TEST)
    local = replace(outline, verdicts=(caution("dips-inward", share=0.05),))
    lost = replace(outline, verdicts=(withhold("solid-mineral"),))
    by_doubt, by_loss = (
        {row.quantity: row for row in measure_scan(near, ref, o, SETTINGS, volume, skeleton=None).rows}
        for o in (local, lost)
    )
    for name, row in QUANTITIES.items():
        if row.needs in ("surface", "middle", "layer"):
            assert by_loss[name].trust == "withheld", name
        if row.needs == "sum":
            assert by_loss[name].trust == "caution", name
    assert by_doubt["rim_core_ratio"].trust == "ok"  # a dent is not felt in the middle
    assert by_doubt["lesion_volume"].trust == "caution"
