"""Cubes, steady tissues, edges, rods and notes one by one: closed forms, and scenes at the ends of what is told."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import special
from test_reference_steady import scan

from mineralize.base import Acquisition, Calibration, CaseFileError, Grid, MineralSettings, Rod, Volume, slope
from mineralize.reference import Reference, compared, measure_reference, rods, table_slope
from mineralize.reference.cubes import Cubes, cubes_of
from mineralize.reference.depth import DepthTrend, muscle_by_depth
from mineralize.reference.slopes import calibrated_slope, slope_of
from mineralize.reference.tissues import Tissue, _edge_blur, _mode

PLAIN = MineralSettings()
AT_120 = Acquisition(kvp=120.0)


# ---- cubes -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("spacing", "block"), [((2.0, 1.0, 1.0), (2, 4, 4)), ((5.0, 0.8, 1.3), (1, 5, 3))])
def test_cubes_are_means_of_whole_blocks(spacing: tuple[float, float, float], block: tuple[int, int, int]) -> None:
    """Plain loops: blocks of about 4 mm from the first voxel on, what is left over left out."""
    grid = Grid.from_parts((12, 17, 14), spacing)
    hu = np.random.default_rng(0).normal(size=grid.shape).astype(np.float32)
    found = cubes_of(Volume(hu, grid))
    assert found.size == pytest.approx(np.array(block) * spacing)
    assert len(found.slabs) == 12 // block[0]
    for n, (mean, spread) in enumerate(found.slabs):
        assert mean.shape == (17 // block[1], 14 // block[2])
        for i in range(mean.shape[0]):
            for j in range(mean.shape[1]):
                part = hu[n * block[0] : (n + 1) * block[0], i * block[1] : (i + 1) * block[1],
                          j * block[2] : (j + 1) * block[2]]  # fmt: skip
                assert mean[i, j] == pytest.approx(part.mean(), abs=1e-5)
                assert spread[i, j] == pytest.approx(part.std(ddof=1), abs=1e-5)


def test_sixteen_slabs_are_spread_from_the_first_to_the_last() -> None:
    hu = np.broadcast_to(np.arange(100.0)[:, None, None], (100, 8, 8)).astype(np.float32)
    two = Grid.from_parts((100, 8, 8), (2.0, 2.0, 2.0))
    levels = [float(mean[0, 0]) for mean, _ in cubes_of(Volume(hu, two)).slabs]
    assert len(levels) == 16
    assert (levels[0], levels[-1]) == (0.5, 98.5)
    assert np.diff(levels).min() >= 6.0


# ---- muscle by depth ---------------------------------------------------------------------------------


def disc(slabs: int, deep_less_outer: float, *, bone: bool = False, bent: float = 0.0) -> Cubes:
    """Slabs of a disc of 60 mm in air, cubes of 4 mm: 60 HU in the outer part, else less by a step half way in."""
    axis = (np.arange(36) - 17.5) * 4.0
    r = np.hypot(axis[:, None], axis[None, :])
    found = []
    for k in range(slabs):
        mean = np.select([r < 30.0, r < 60.0], [60.0 + deep_less_outer + bent * (k % 2), 60.0], -1000.0)
        if bone:
            mean = np.where(r < 12.0, 900.0, mean)
        found.append((mean, np.full_like(mean, 5.0)))
    return Cubes(np.array([4.0, 4.0, 4.0]), tuple(found))


@pytest.mark.parametrize("bone", [False, True])
def test_the_trend_is_that_of_the_deepest_quarter_less_the_outermost(bone: bool) -> None:
    found = muscle_by_depth(disc(5, -9.0, bone=bone), 56.0)
    assert found is not None
    assert (found.deep_less_outer_hu, found.standard_error_hu, found.slabs) == (-9.0, 0.0, 5)
    assert found.uncorrected_hu == 9.0
    rising = muscle_by_depth(disc(5, 9.0), 60.0)
    assert rising is not None
    assert rising.uncorrected_hu == 0.0


def test_the_error_of_a_trend_is_that_of_the_mean_of_its_slabs() -> None:
    """Falls of 6 and 12 in turn: s / sqrt(n) of six values, s with n - 1."""
    found = muscle_by_depth(disc(6, -6.0, bent=-6.0), 54.0)
    assert found is not None
    assert found.deep_less_outer_hu == pytest.approx(-9.0)
    assert found.standard_error_hu == pytest.approx(np.std([-6.0, -12.0] * 3, ddof=1) / np.sqrt(6))


def test_four_slabs_are_the_least_and_small_or_shallow_muscle_tells_nothing() -> None:
    assert muscle_by_depth(disc(3, -9.0), 56.0) is None
    assert muscle_by_depth(disc(4, -9.0), 56.0) is not None
    assert muscle_by_depth(disc(5, -9.0), 100.0) is None, "nothing reads within 25 HU of that"
    thin = disc(5, 0.0)
    shallow = Cubes(np.array([4.0, 1.0, 1.0]), thin.slabs)  # the same picture a quarter as large: 15 mm
    assert muscle_by_depth(shallow, 60.0) is None


@pytest.mark.parametrize(
    ("fall", "error", "told"), [(5.1, 0.0, 5.1), (4.9, 0.0, 0.0), (9.0, 1.9, 9.0), (9.0, 2.1, 0.0)]
)
def test_a_fall_must_exceed_five_hu_by_two_standard_errors(fall: float, error: float, told: float) -> None:
    assert DepthTrend(-fall, error, 6).uncorrected_hu == told


# ---- steady tissues ----------------------------------------------------------------------------------


def block(hu: float, noise: float = 6.0, spacing: tuple[float, float, float] = (2.0, 1.0, 1.0), **how: Any) -> Volume:
    grid = Grid.from_parts(how.get("shape", (24, 60, 60)), spacing)
    values = hu + np.random.default_rng(3).normal(scale=noise, size=grid.shape)
    if "fat_columns" in how:
        values[:, :, 20 : 20 + how["fat_columns"]] -= hu + 100.0
    return Volume(values.astype(np.float32), grid)


def test_fat_is_read_two_millimetres_clear_of_anything_else() -> None:
    """A slab of fat 12 mm wide beside muscle: at least 2 mm off it, in twelve slices."""
    found = measure_reference(block(55.0, fat_columns=12), AT_120, PLAIN)
    assert found.fat is not None
    assert found.fat.mean_hu == pytest.approx(-100.0, abs=1.0)
    width = found.fat.volume_mm3 / (12 * 2.0 * 60.0)
    assert 7.0 <= width <= 9.0
    assert found.fat.standard_error_hu == pytest.approx(found.noise_4mm_hu * np.sqrt(64.0 / found.fat.volume_mm3))
    assert measure_reference(block(55.0, fat_columns=4), AT_120, PLAIN).fat is None


def test_muscle_is_the_mean_of_what_is_homogeneous_within_twenty_hu_of_the_commonest() -> None:
    rng = np.random.default_rng(1)
    mean = np.concatenate([rng.normal(60.0, 4.0, 3000), np.full(400, 100.0), rng.normal(-10.0, 3.0, 900)])
    spread = np.concatenate([np.full(3000, 8.0), np.full(400, 8.0), np.full(900, 8.0)])
    middle, chosen = _mode(mean, spread, (-29.0, 150.0))
    assert middle == pytest.approx(60.0, abs=0.3)
    assert chosen[:3000].mean() > 0.99
    assert not chosen[3000:].any()
    loud = np.concatenate([spread[:2800], spread[2800:] + 30.0])
    assert not _mode(mean, loud, (-29.0, 150.0))[1][2800:].any(), "the less homogeneous of the window"
    assert np.isnan(_mode(mean - 900.0, spread, (-29.0, 150.0))[0])
    low, _ = _mode(np.linspace(-28.9, -20.0, 200), np.ones(200), (-29.0, 150.0))
    assert low == pytest.approx(np.linspace(-28.9, -20.0, 200).mean(), abs=0.1)


@pytest.mark.parametrize(("shape", "scarce"), [((2, 16, 20), False), ((2, 16, 16), True)])
def test_twenty_homogeneous_cubes_are_the_least(shape: tuple[int, int, int], scarce: bool) -> None:
    """Cubes of 4 mm; the quieter 60 % of 16 are ten, of 80 forty-eight."""
    found = measure_reference(block(55.0, shape=(2 * shape[0], *shape[1:]) if not scarce else shape), AT_120, PLAIN)
    assert ("muscle-scarce" in [n.kind for n in found.notes]) == scarce
    if scarce:
        assert (found.muscle.mean_hu, found.muscle.volume_mm3) == (50.0, 0.0)


def test_slice_thickness_is_what_is_stated_or_how_far_slices_lie_apart() -> None:
    volume = block(55.0)
    for stated, used in ((None, 2.0), (3.0, 3.0), (0.01, 0.3)):
        found = measure_reference(volume, replace(AT_120, slice_thickness_mm=stated), PLAIN)
        assert (found.slice_mm, found.slice_spacing_mm) == (used, 2.0)


@pytest.mark.parametrize(("kernel", "blur"), [("sharp", 0.4), ("medium", 0.5), ("soft", 0.6), ("unknown", 0.6)])
def test_blur_is_guessed_from_kernel_and_pixel_where_no_edge_tells_it(kernel: Any, blur: float) -> None:
    found = measure_reference(block(55.0), replace(AT_120, kernel_class=kernel), PLAIN)
    assert found.blur_sd_mm == pytest.approx(np.hypot(blur, 1.0 / 3.5))


def test_noise_comes_home_to_the_common_scale_and_shrinks_with_volume() -> None:
    ref = Reference(80.0, slope(80.0), Tissue(50, 1, 1), None, None, 20.0, 4.0, 0.6, 2.0, 1.0)
    assert ref.noise_hu120 == pytest.approx(20.0 * 1.369 / 1.897, rel=1e-3)
    assert ref.mean_error(256.0) == pytest.approx(2.0)
    assert ref.mean_error(1.0) == ref.mean_error(16.0) == pytest.approx(8.0)
    for cosine in (0.3, 0.8):
        axial = 4.0 / 12 + 1.0 / 6
        assert ref.blur_along(cosine) == pytest.approx(np.sqrt(0.36 * (1 - cosine**2) + axial * cosine**2))


# ---- edges of cortex ---------------------------------------------------------------------------------


def plate(wall: float, sd: float, height: float = 1200.0, axis: int = 2) -> tuple[Volume, np.ndarray, np.ndarray]:
    """A wall of cortex, marrow of 100 HU behind it, muscle of 50 before it: Gaussian edges in closed form."""
    spacing = [0.25, 0.25, 0.25]
    shape = [40, 40, 40]
    shape[axis] = 120
    grid = Grid.from_parts(shape, spacing)
    world = grid.world_of_all()
    normal = grid.directions[:, axis]
    x = world @ normal - 20.0
    hu = 50.0 + (height - 50.0) * special.ndtr(-x / sd) + (100.0 - height) * special.ndtr((-wall - x) / sd)
    centre = grid.to_world((np.array(shape) - 1) / 2)
    across = [grid.directions[:, a] for a in range(3) if a != axis]
    at = np.random.default_rng(2).uniform(-3, 3, (400, 2))
    points = centre + at @ np.array(across)
    points += (20.0 - points @ normal)[:, None] * normal
    return Volume(hu.astype(np.float32), grid), points, np.tile(normal, (400, 1))


@pytest.mark.parametrize(("wall", "sd", "height"), [(4.0, 0.6, 1200.0), (3.0, 1.0, 1500.0), (2.6, 0.5, 900.0)])
def test_the_blur_and_height_of_a_wall_of_cortex(wall: float, sd: float, height: float) -> None:
    """Interpolation between voxels of 0.25 mm adds a sixth of their square to the variance."""
    blur, cortex = _edge_blur(*plate(wall, sd, height))
    assert cortex is not None
    assert blur == pytest.approx(np.hypot(sd, 0.25 / np.sqrt(6)), rel=0.03)
    assert cortex.mean_hu == pytest.approx(height, rel=0.01)
    assert cortex.volume_mm3 == 400.0


def test_a_wall_as_thin_as_its_blur_or_no_cortex_tells_nothing() -> None:
    assert _edge_blur(*plate(1.9, 1.0)) == (None, None)
    assert _edge_blur(*plate(4.0, 0.6, 480.0)) == (None, None)
    volume, points, normals = plate(4.0, 0.6)
    assert _edge_blur(volume, points[:49], normals[:49]) == (None, None)
    assert _edge_blur(volume, points[:60], normals[:60])[0] is not None
    # Walls that lie across the slices are blurred by the slices, and are left out.
    assert _edge_blur(*plate(4.0, 0.6, axis=0)) == (None, None)
    assert _edge_blur(*plate(4.0, 0.6, axis=1))[0] is not None


def test_edges_are_asked_where_fifty_places_and_their_normals_are_known() -> None:
    volume, points, normals = plate(4.0, 0.6)
    for p, n, known in ((points, normals, True), (points[:49], normals[:49], False), (points, None, False),
                        (None, normals, False)):  # fmt: skip
        found = measure_reference(volume, AT_120, PLAIN, bone_points=p, bone_normals=n)
        assert (found.cortex is not None) == known


# ---- slopes and rods ---------------------------------------------------------------------------------


def test_a_slope_is_doubted_more_where_its_voltage_is_none_of_the_table() -> None:
    how: dict[str, Any] = {"slice_mm": 2.0, "noise": (10.0, 2.0), "where": "calibration of scan 1"}
    volume = block(55.0)
    doubts = {kvp: slope_of(Acquisition(kvp=kvp), PLAIN, None, volume, **how).uncertainty
              for kvp in (None, 60.0, 80.0)}  # fmt: skip
    assert doubts == {None: 0.4, 60.0: 0.2, 80.0: PLAIN.slope_uncertainty}
    given = Calibration(1.5, 0.02)
    assert slope_of(Acquisition(), PLAIN, given, volume, **how).uncertainty == 0.02


@pytest.mark.parametrize(
    ("off", "notes"), [(0.14, ["info"]), (-0.14, ["info"]), (0.16, ["caution", "info"]), (0.39, ["caution", "info"])]
)
def test_a_calibration_far_from_the_table_is_named_with_its_size(off: float, notes: list[str]) -> None:
    table = table_slope(AT_120, PLAIN)
    value = (1 + off) * slope(120.0)
    found = calibrated_slope(
        table, Calibration(value, 0.03), block(55.0), slice_mm=2.0, noise=(10.0, 2.0), where="calibration of scan 1"
    )
    assert found.slope == pytest.approx(value)
    assert sorted(n.level for n in found.notes) == notes
    text = next(n.text for n in found.notes if n.level == "info")
    assert f"{value:.3f} HU per mg/cm3 from case.toml (+-3.0 %)" in text
    assert f"1.369 ({100 * off:+.1f} %)" in text
    if "caution" in notes:
        assert f"lies {100 * off:+.0f} % off the table" in next(n.text for n in found.notes if n.level == "caution")


@pytest.mark.parametrize("off", [0.41, -0.41])
def test_rods_that_give_a_slope_that_no_scanner_has_are_refused(off: float) -> None:
    grid = Grid.from_parts((20, 60, 60), (2.0, 1.0, 1.0))
    world = grid.world_of_all()
    hu = np.full(grid.shape, 50.0)
    both = tuple(Rod((x, 30.0, 19.0), (0.0, 0.0, 1.0), 30.0, 8.0, d) for x, d in ((15.0, 0.0), (45.0, 200.0)))
    for rod in both:
        inside = np.hypot(world[..., 0] - rod.centre[0], world[..., 1] - rod.centre[1]) < 8.0
        hu[inside] = rod.mg_cm3 * slope(120.0) * (1 + off)
    how: dict[str, Any] = {"slice_mm": 2.0, "noise": (10.0, 2.0), "where": "calibration of scan 1"}
    table = table_slope(AT_120, PLAIN)
    with pytest.raises(CaseFileError, match="the rods give"):
        calibrated_slope(table, Calibration(rods=both), Volume(hu.astype(np.float32), grid), **how)


def test_scattering_rods_widen_the_error_of_a_slope() -> None:
    """Weighted least squares by numpy: chi-square over its degrees of freedom where that is more than one."""
    density, error = np.array([0.0, 100.0, 200.0, 400.0]), np.array([1.0, 2.0, 1.0, 2.0])
    for off in (0.3, 8.0):
        hu = 5.0 + 1.5 * density + off * np.array([1.0, -1.0, -1.0, 1.0])
        (own, water), covariance = np.polyfit(density, hu, 1, w=1 / error, cov="unscaled")
        chi2 = (((hu - own * density - water) / error) ** 2).sum() / 2
        expected = np.sqrt(covariance[0, 0] * max(chi2, 1.0))
        assert rods._line(density, hu, error) == pytest.approx((own, water, expected))
        assert (chi2 > 1.0) == (off == 8.0)


def test_a_rod_is_read_robustly_and_as_well_as_noise_allows() -> None:
    """Outliers beyond three robust deviations do not count; the error is that of the mean over its volume, and 0.5."""
    values = np.concatenate([250.0 + np.tile([-2.0, 0.0, 2.0], 300), np.full(60, 900.0)])
    place = np.zeros(len(values))
    read = rods._read(values, place, place, voxel_mm3=2.0, noise_4mm_hu=3.0)
    assert read.mean_hu == pytest.approx(250.0)
    assert read.standard_error_hu == pytest.approx(np.hypot(3.0 * np.sqrt(64.0 / 1800.0), 0.5))
    assert read.spread_hu == pytest.approx(values.std())


# ---- scans held against each other -------------------------------------------------------------------


def test_what_explains_a_difference_of_cortex_is_noise_and_place() -> None:
    """3 % of each scan's own (place and blur), and twice the standard errors over the contrast, all in quadrature."""
    contrast = 1625.6 - 43.1
    noisy = {
        n: replace(scan(120.0, s), cortex=Tissue(43.1 + contrast * s, 40.0, 900.0)) for n, s in ((1, 1.0), (2, 1.0))
    }
    explained = np.hypot(*[np.hypot(2 * np.hypot(40.0, 0.3) / contrast, 0.03)] * 2)
    for off, told in ((explained - 0.003, False), (explained + 0.003, True)):
        third = replace(scan(120.0), cortex=Tissue(43.1 + contrast * (1 + off), 40.0, 900.0))
        found = compared({**noisy, 3: third})[3]
        assert bool(found.notes) == told, off
        if told:
            assert f"reads {100 * off:.0f} % higher" in found.notes[0].text
            assert f"explain {100 * explained:.0f} %" in found.notes[0].text
            assert f"+-{100 * off:.0f} % at best" in found.notes[0].text


@pytest.mark.parametrize(("shift", "words"), [(9.0, ""), (11.0, "11 HU higher"), (-11.0, "11 HU lower"), (-9.0, "")])
def test_muscle_is_told_from_ten_hu_on(shift: float, words: str) -> None:
    found = compared({1: scan(120.0), 2: replace(scan(120.0, shift=shift), cortex=None), 3: scan(120.0)})
    assert (words in found[2].notes[0].text) if words else found[2].notes == ()


def test_cortex_without_muscle_or_darker_than_it_is_held_against_nothing() -> None:
    odd = replace(scan(120.0), cortex=Tissue(40.0, 6.0, 900.0))
    bare = replace(scan(120.0), muscle=Tissue(50.0, 10.0, 0.0))
    for other in (odd, bare):
        found = compared({1: other, 2: scan(120.0, 1.2), 3: scan(120.0, 1.2)})
        assert found[1].cortex_off is None
        assert found[2].cortex_off == pytest.approx(0.0)
