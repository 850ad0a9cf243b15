"""The common attenuation scale against published values."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import ndimage, special

from mineralize.base import Acquisition, Grid, MineralSettings, Volume, slope, to_hu120
from mineralize.reference import Reference, measure_reference, table_slope
from mineralize.reference.tissues import Tissue

PLAIN = MineralSettings()


@pytest.mark.parametrize(("kvp", "expected"), [(80, 1.897), (100, 1.564), (120, 1.369), (140, 1.234)])
def test_slopes_equal_the_tabulated_ones(kvp: float, expected: float) -> None:
    """HU per mg/cm3 hydroxyapatite displacing water, computed with xraylib and spekpy (2.5 mm Al + 6 mm Al)."""
    assert slope(kvp) == pytest.approx(expected, abs=0.001)


def test_slopes_from_cross_sections_bound_the_table() -> None:
    """Monoenergetic slopes at 60 and 80 keV (xraylib): 1.658 and 1.093; effective energies 64.6 and 79.9 keV."""
    assert 1.658 > slope(100.0) > slope(120.0) > slope(140.0) > 1.093


def test_threshold_equivalence_of_100_and_120_kvp() -> None:
    """147 HU at 100 kVp is 130 HU at 120 kVp, +-3 (Nakazato 2009, J Cardiovasc Comput Tomogr 3:394)."""
    assert float(to_hu120(147.0, 0.0, slope(100.0))) == pytest.approx(130.0, abs=3.0)
    back = 130.0 * slope(100.0) / slope(120.0)
    assert back == pytest.approx(147.0, abs=3.0)


def test_130_hu_is_about_100_mg_per_cm3() -> None:
    """130 HU at 120 kVp is 100 mg/cm3 hydroxyapatite, 77-136 in patients (van der Werf 2022; McCollough 1995)."""
    assert 77 < 130.0 / slope(120.0) < 136
    assert 130.0 / slope(120.0) == pytest.approx(100.0, rel=0.06)


def test_low_voltages_follow_published_factors() -> None:
    """Calcium at 70 kVp reads 1/0.63 of 120 kVp, at 100 kVp 1/0.88 (CAC21); linear beyond the table, so 5 %."""
    assert slope(100.0) / slope(120.0) == pytest.approx(1 / 0.88, rel=0.05)
    assert slope(70.0) / slope(120.0) == pytest.approx(1 / 0.63, rel=0.06)


def test_slope_is_monotonous_and_refuses_what_it_does_not_know() -> None:
    values = [slope(v) for v in np.arange(70, 151, 2.5)]
    assert (np.diff(values) < 0).all()
    for kvp in (69.0, 151.0, float("nan")):
        with pytest.raises(ValueError, match="kVp"):
            slope(kvp)


def test_cortical_bone_comes_home_to_120_kvp() -> None:
    """ICRU-44 cortical bone 2191/1835/1626/1481 HU and muscle 45.2/43.9/43.1/42.6 at 80-140 kVp (xraylib, spekpy)."""
    for kvp, bone, muscle in ((80, 2191.0, 45.2), (100, 1834.8, 43.9), (140, 1481.4, 42.6)):
        assert float(to_hu120(bone, muscle, slope(kvp))) == pytest.approx(1625.6, rel=0.05)


def test_only_what_stands_above_soft_tissue_is_scaled() -> None:
    hu = np.array([-1000.0, -100.0, 50.0, 150.0])
    found = to_hu120(hu, 50.0, slope(80.0))
    np.testing.assert_allclose(found[:3], hu[:3])
    assert found[3] == pytest.approx(50 + 100 * 1.369 / 1.8968, rel=1e-3)
    np.testing.assert_allclose(to_hu120(hu, 50.0, slope(120.0)), hu)


def test_unknown_voltage_is_cautioned() -> None:
    found = table_slope(Acquisition(), PLAIN)
    assert (found.kvp, found.slope) == (120.0, slope(120.0))
    assert [n.kind for n in found.notes] == ["kvp-unknown"]
    assert found.notes[0].level == "caution"
    found = table_slope(Acquisition(kvp=60.0), PLAIN)
    assert found.slope == slope(70.0)
    assert found.notes[0].level == "caution"
    assert table_slope(Acquisition(kvp=100.0), PLAIN).notes == ()
    volume = limb(10.0)[0]
    doubts = [measure_reference(volume, Acquisition(kvp=kvp), PLAIN).slope_uncertainty for kvp in (None, 60.0, 100.0)]
    assert doubts[0] >= slope(80.0) / slope(120.0) - 1.0
    assert doubts[0] > doubts[1] > doubts[2] == PLAIN.slope_uncertainty


def limb(noise: float, fwhm: float = 1.4) -> tuple[Volume, Any, Any]:
    """Muscle of 55 HU in fat of -100, a bone of 1200 HU cortex (4 mm) and 100 HU marrow along the slices."""
    grid = Grid.from_parts((24, 120, 120), (2.0, 0.7, 0.7), (-41.65, -41.65, 0.0))
    fine = 4
    across = ((np.arange(120 * fine) + 0.5) / fine - 0.5) * 0.7 - 41.65
    r = np.hypot(across[None, :], across[:, None])
    plane = np.select([r < 9, r < 13, r < 33, r < 40], [100.0, 1200.0, 55.0, -100.0], -1000.0)
    plane = ndimage.gaussian_filter(plane, fwhm / 2.3548 / (0.7 / fine))[fine // 2 :: fine, fine // 2 :: fine]
    rng = np.random.default_rng(1)
    hu = plane[None] + rng.normal(scale=noise, size=grid.shape)
    angle, level = rng.uniform(0, 2 * np.pi, 900), rng.uniform(6, 40, 900)
    normals = np.stack([np.cos(angle), np.sin(angle), np.zeros(900)], axis=1)
    points = normals * 13.0 + np.stack([0 * angle, 0 * angle, level], axis=1)
    return Volume(hu.astype(np.float32), grid), points, normals


def test_steady_tissues_noise_and_blur_of_a_known_limb() -> None:
    volume, points, normals = limb(10.0)
    found = measure_reference(
        volume, Acquisition(kvp=120.0, slice_thickness_mm=2.0), PLAIN, bone_points=points, bone_normals=normals
    )
    assert found.muscle.mean_hu == pytest.approx(55.0, abs=1.5)
    assert found.fat is not None
    assert found.fat.mean_hu == pytest.approx(-100.0, abs=2.0)
    assert found.noise_hu == pytest.approx(10.0, rel=0.1)
    assert found.cortex is not None
    assert found.cortex.mean_hu == pytest.approx(1200.0, rel=0.04)
    # linear interpolation adds a sixth of the squared pixel to the variance that profiles show
    assert found.blur_sd_mm == pytest.approx(np.hypot(1.4 / 2.3548, 0.7 / np.sqrt(6)), rel=0.15)
    assert found.notes == ()


def test_white_noise_is_averaged_away_with_the_root_of_the_volume() -> None:
    """Closed form: the mean of n independent voxels of standard deviation s has a standard error of s / sqrt(n)."""
    volume, _, _ = limb(10.0)
    found = measure_reference(volume, Acquisition(kvp=120.0, slice_thickness_mm=2.0), PLAIN)
    assert found.fat is not None
    cubic_mm = 24 * 2.0 * np.pi
    for tissue, outer, inner in ((found.fat, 40.0, 33.0), (found.muscle, 33.0, 13.0)):
        whole = cubic_mm * (outer**2 - inner**2)
        assert 0.01 * whole < tissue.volume_mm3 < whole, "what was read of it, not more than there is"
    voxels = found.fat.volume_mm3 / volume.grid.voxel_volume_mm3
    assert found.fat.standard_error_hu == pytest.approx(10.0 / np.sqrt(voxels), rel=0.25)
    cubes = found.muscle.volume_mm3 / 64.0
    assert 0.5 * 10.0 / np.sqrt(64.0 / volume.grid.voxel_volume_mm3) < found.muscle.standard_error_hu * np.sqrt(cubes)
    assert found.noise_4mm_hu == pytest.approx(10.0 / np.sqrt(64.0 / volume.grid.voxel_volume_mm3), rel=0.4)


def test_no_muscle_in_view_is_said() -> None:
    grid = Grid.from_parts((12, 40, 40), (2.0, 1.0, 1.0))
    found = measure_reference(Volume(np.full(grid.shape, -1000.0, np.float32), grid), Acquisition(kvp=120.0), PLAIN)
    assert [n.kind for n in found.notes] == ["muscle-scarce"]
    assert found.fat is None


def test_blur_along_a_direction() -> None:
    """Closed form: in plane the given spread; along the slices a box of width t has variance t^2 / 12."""
    ref = Reference(120.0, 1.369, Tissue(50, 1, 1), None, None, 10.0, 2.0, 0.6, 3.0, 3.0)
    assert ref.blur_along(0.0) == pytest.approx(0.6)
    assert ref.blur_along(1.0) == pytest.approx(np.sqrt(9 / 12 + 9 / 6))
    assert ref.mean_error(64.0) == pytest.approx(2.0)
    assert ref.mean_error(6400.0) == pytest.approx(0.2)


def test_erf_edge_is_what_the_gaussian_blur_gives() -> None:
    """Guards the renderer of this file: a blurred step follows the normal integral (closed form)."""
    volume, _, _ = limb(0.0)
    row = np.asarray(volume.hu[3, 60])
    x = volume.grid.to_world(np.stack([np.full(120, 3), np.full(120, 60), np.arange(120)], axis=1))
    r = np.hypot(x[:, 0], x[:, 1])
    near = (np.abs(r - 33.0) < 3) & (x[:, 0] > 0)
    expected = 55.0 + (-100.0 - 55.0) * special.ndtr((r[near] - 33.0) / (1.4 / 2.3548))
    np.testing.assert_allclose(row[near], expected, atol=6.0)


@pytest.mark.parametrize(
    ("spacing", "cube_mm3"), [((3.0, 0.8, 0.8), 64.0), ((2.0, 1.0, 1.0), 64.0), ((5.0, 1.0, 1.0), 80.0)]
)
def test_noise_of_a_cube_is_that_of_its_voxels_over_the_root_of_their_number(
    spacing: tuple[float, float, float], cube_mm3: float
) -> None:
    """Closed form for white noise, s / sqrt(n). Slices of 3 mm make cubes of 48 mm3, whose noise is carried to 64."""
    grid = Grid.from_parts((24, 80, 80), spacing, (0.0, 0.0, 0.0))
    hu = 55.0 + np.random.default_rng(2).normal(scale=12.0, size=grid.shape)
    found = measure_reference(Volume(hu.astype(np.float32), grid), Acquisition(kvp=120.0), PLAIN)
    assert found.noise_hu == pytest.approx(12.0, rel=0.15)
    assert found.noise_4mm_hu == pytest.approx(12.0 / np.sqrt(cube_mm3 / grid.voxel_volume_mm3), rel=0.06)
