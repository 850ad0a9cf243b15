"""Scans made from projections: the physics against published values and closed forms, then one through the line."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from skimage import transform

pytest.importorskip("spekpy", reason="spekpy is needed for spectra (development extra)")
pytest.importorskip("xraylib", reason="xraylib is needed for cross-sections (development extra)")

sys.path.insert(0, str(Path(__file__).parents[2] / "scripts"))

from validation.projection import Scanned, Setup, Value, checks, exposed, picture, scanned, timeline_of

from mineralize.base import SLOPE_TABLE, MineralSettings
from mineralize.reference import measure_reference
from phantoms.physics import tissue_hu
from phantoms.projected import SCENES, Projected, project, shares
from phantoms.projection import FINE, Machine, disc_chords, measured, path_lengths, reconstructed
from phantoms.spectrum import ICRU_44, MATERIALS, beam, linear_attenuation, linearised, plain

KVP = [kvp for kvp, _ in SLOPE_TABLE]
SMALL = Machine(pixels=128, pixel_mm=1.8, views=180)


def away(machine: Machine, row: float = 0.0, column: float = 0.0) -> Any:
    """Distance (mm) of every pixel from a place in mm from the axis."""
    at = (np.arange(machine.pixels) - machine.pixels // 2) * machine.pixel_mm
    return np.hypot(at[:, None] - row, at[None, :] - column)


def cylinder(kvp: float, mg_cm3: float, radius: float = 100.0, insert: float = 10.0, corrected: bool = True) -> Any:
    """HU of a water cylinder with a rod of hydroxyapatite solution 40 mm off its axis, from closed-form chords."""
    source = beam(kvp)
    water = disc_chords(SMALL, (0.0, 0.0), radius)
    rod = disc_chords(SMALL, (0.0, 40.0), insert)
    share = mg_cm3 / 3156.0
    lengths = np.stack([water - share * rod, share * rod], axis=-1)[..., None, None].astype(np.float32)
    path = measured(SMALL, source, np.stack([source.water, source.tissue[3]]), lengths, None)
    return reconstructed(SMALL, path, linearised(source) if corrected else plain(source, 16.0), "hann")[0]


# ---- physics -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tissue", "kev", "expected"),
    [("cortex", 60, 0.3148), ("cortex", 80, 0.2229), ("muscle", 60, 0.2048), ("muscle", 80, 0.1823)],
)
def test_mass_attenuation_is_the_published_one(tissue: str, kev: float, expected: float) -> None:
    """NIST Standard Reference Database 126, table 4: cm2/g of ICRU-44 cortical bone and skeletal muscle."""
    density = ICRU_44[tissue][0]
    assert float(linear_attenuation(tissue, np.array([kev]))[0]) / density == pytest.approx(expected, rel=0.003)


def test_mass_fractions_add_up() -> None:
    """ICRU-44 gives fractions to three decimals."""
    for _, mixture in ICRU_44.values():
        assert sum(float("0." + part.split(".")[1]) for part in mixture.split()) == pytest.approx(1.0, abs=0.002)


@pytest.mark.parametrize("kvp", KVP)
def test_linearisation_makes_any_depth_of_water_linear(kvp: float) -> None:
    source = beam(kvp)
    depth = np.linspace(0.1, 36, 60)
    path = source.path_integral(depth[:, None] * source.water)
    np.testing.assert_allclose(linearised(source).water_cm(path), depth, rtol=1e-4, atol=1e-4)
    curved = plain(source, 16.0).water_cm(path) / depth
    assert curved[0] > 1.02 > 0.99 > curved[-1], "without the correction deep water looks thinner than it is"


@pytest.mark.parametrize("kvp", KVP)
def test_water_is_zero(kvp: float) -> None:
    hu = cylinder(kvp, 0.0)
    rings = [float(hu[(away(SMALL) >= a) & (away(SMALL) < a + 15)].mean()) for a in range(0, 90, 15)]
    np.testing.assert_allclose(rings, 0.0, atol=2.0)


def test_without_correction_water_cups() -> None:
    """Deep water reads tens of HU below the edge (common practice, no source): the negative control of the above."""
    hu = cylinder(80.0, 0.0, corrected=False)
    assert hu[away(SMALL) < 10].mean() < hu[(away(SMALL) > 85) & (away(SMALL) < 92)].mean() - 15


@pytest.mark.parametrize(("kvp", "slope"), SLOPE_TABLE)
def test_a_solution_of_hydroxyapatite_reads_as_the_table_says(kvp: float, slope: float) -> None:
    """200 mg/cm3 in a rod of 20 mm in 20 cm of water: within 3 % below the slope of a trace, by its own hardening."""
    inside = cylinder(kvp, 200.0)[away(SMALL, 0.0, 40.0) < 5.0].mean()
    assert 0.97 < inside / (200.0 * slope) < 1.0


def test_less_water_around_raises_the_slope() -> None:
    """A softer beam arrives through a limb than through the 20 cm of the table."""
    values = [cylinder(120.0, 200.0, radius)[away(SMALL, 0.0, 40.0) < 5.0].mean() for radius in (55.0, 75.0, 100.0)]
    assert values[0] > 1.03 * values[2]
    assert values[0] > values[1] > values[2]


def test_photon_noise_is_that_of_a_compound_sum() -> None:
    """Closed form through air: relative variance <E^2> / <E>^2 / photons; cells are apart, without a focal spot."""
    machine, source = Machine(pixels=64, views=60, focus_sd_mm=1e-6, photons=1e4), beam(120.0)
    lengths = np.zeros((60, 64 * FINE, len(MATERIALS), 20, 1), np.float32)
    path = measured(machine, source, source.tissue, lengths, np.random.default_rng(1))
    expected = float(np.sqrt(source.photons @ source.kev**2) / (source.photons @ source.kev) / 100)
    assert float(path.std()) == pytest.approx(expected, rel=0.01)
    assert float(path.mean()) == pytest.approx(0.0, abs=3 * expected / np.sqrt(path.size) + expected**2)


# ---- projector ---------------------------------------------------------------------------------------


def test_paths_through_a_disc_are_its_chords() -> None:
    """Closed form: 2 sqrt(r^2 - s^2); squares at its edge count by their share."""
    machine = Machine(pixels=64, pixel_mm=1.0, views=24)
    at, many = machine.fine_mm(), 8
    finer = (at[:, None] + ((np.arange(many) + 0.5) / many - 0.5) / FINE).ravel()
    full = (np.hypot(finer[:, None] - 4.0, finer[None, :] + 7.0) < 15.0).reshape(128, many, 128, many).mean(axis=(1, 3))
    squares = np.flatnonzero(full)
    found = path_lengths(machine, squares, full.ravel()[squares, None].astype(np.float32))[:, :, 0]
    expected = disc_chords(machine, (4.0, -7.0), 15.0)
    np.testing.assert_allclose(found.sum(axis=1), expected.sum(axis=1), rtol=2e-3)
    inner = expected > 1.0
    np.testing.assert_allclose(found[inner], expected[inner], atol=0.05)


def test_paths_follow_the_conventions_of_the_reconstruction() -> None:
    """Against skimage.transform.radon, in place and size, on a lopsided picture; its centroid in closed form."""
    machine = Machine(pixels=64, pixel_mm=1.0, views=18)
    picture = np.zeros((64, 64))
    picture[20:26, 36:50], picture[40:44, 14:20] = 1.0, 2.0
    fine = np.kron(picture, np.ones((FINE, FINE))).astype(np.float32).ravel()
    squares = np.flatnonzero(fine)
    found = path_lengths(machine, squares, fine[squares, None])[:, :, 0].reshape(18, 64, FINE).mean(axis=2)
    outside = transform.radon(picture, machine.angles, circle=True).T / 10
    place = np.arange(64)
    centroid = (found * place).sum(axis=1) / found.sum(axis=1)
    # radon turns the picture by linear interpolation and so moves it by up to a quarter of a pixel
    np.testing.assert_allclose(centroid, (outside * place).sum(axis=1) / outside.sum(axis=1), atol=0.25)
    row, column = ((np.indices(picture.shape) * picture).sum(axis=(1, 2)) / picture.sum()) - 32
    angle = np.radians(machine.angles)
    np.testing.assert_allclose(centroid, 32 + column * np.cos(angle) - row * np.sin(angle), atol=2e-3)
    assert np.abs(found - outside).mean() < 0.1 * outside.mean()


@pytest.fixture(scope="module")
def shell() -> Projected:
    return project(SCENES["shell"])


@pytest.mark.parametrize("kvp", [80.0, 140.0])
def test_shares_of_materials_have_the_attenuation_of_the_scene(kvp: float) -> None:
    """HU behind 20 cm of water, from the shares, is the scene's own; bone marrow by its fat."""
    scene, source = SCENES["shell"].scene(kvp), beam(kvp)
    rng = np.random.default_rng(2)
    points = rng.uniform([-60, -60, -15], [70, 65, 15], (20_000, 3)).astype(np.float32)
    part = scene.evaluate(points)
    weight = source.photons * source.kev * np.exp(-20 * source.water)
    mu = source.tissue @ weight / (source.water @ weight)
    there = part.label > 0
    found = 1000 * (mu @ shares(scene, part)[:, there] - 1)
    np.testing.assert_allclose(found, part.hu[there], atol=2.5)
    assert found.max() > 0.95 * tissue_hu("cortex", kvp)


@pytest.mark.slow
def test_the_scene_is_projected_whole(shell: Projected) -> None:
    """Hydroxyapatite on the squares is the scene's; a ray's total over all rays is the area, in every view."""
    truth = SCENES["shell"].truth(120.0)
    assert shell.mineral_mg == pytest.approx(truth["mineral_mass_all"], rel=0.002)
    total = shell.lengths.sum(axis=(1, 3, 4))
    np.testing.assert_allclose(total, np.broadcast_to(total[:1], total.shape), rtol=1e-4)


@pytest.mark.slow
def test_mass_from_projections_is_the_true_one(shell: Projected) -> None:
    """Beam hardening, noise and filtered back projection together: the limits of the validation, at 120 kVp."""
    truth = SCENES["shell"].truth(120.0)
    found = scanned("shell", shell, Setup(120), exposed(shell, 120), truth)
    assert not found.failed
    assert found.muscle == pytest.approx(tissue_hu("muscle", 120.0), abs=6.0)
    for quantity in ("mineral_mass", "rim_core_ratio"):
        assert found.values[quantity].trust == "ok"
        assert abs(found.values[quantity].error) < 0.10


@pytest.mark.slow
def test_muscle_tells_whether_beam_hardening_was_corrected(shell: Projected) -> None:
    path, found = exposed(shell, 80), {}
    for corrected in (True, False):
        setup = Setup(80, corrected)
        scan = timeline_of(shell, setup, picture(shell, setup, path)).scans[0]
        found[corrected] = measure_reference(scan.volume, scan.acquisition, MineralSettings()).hardening_hu
    assert found[True] == 0.0
    assert 5.0 < found[False] < 15.0


# ---- counting ----------------------------------------------------------------------------------------


def one(mass: float, trust: str = "ok", kvp: int = 120, failed: str = "") -> Scanned:
    values = {"mineral_mass": Value(100.0, mass, 90.0, 110.0, trust, "")}
    return Scanned("shell", Setup(kvp), 45.0, 0.0, 10.0, {} if failed else values, failed)


def verdict(found: list[Scanned], word: str) -> bool | None:
    return next(c.held for c in checks(found) if word in c.text)


def test_only_trusted_errors_beyond_the_limit_are_silent_failures() -> None:
    assert verdict([one(109.0)], "trusted mineral_mass") is True
    assert verdict([one(111.0)], "trusted mineral_mass") is False
    assert verdict([one(111.0, "caution")], "trusted mineral_mass") is None
    assert verdict([one(109.0), one(150.0, "caution")], "trusted mineral_mass") is True


def test_refusals_and_drifts_with_tube_voltage_are_counted() -> None:
    assert verdict([one(100.0), one(100.0, failed="refused: why")], "no refusal") is False
    assert verdict([one(100.0), one(104.0, kvp=80)], "whatever the tube voltage") is True
    assert verdict([one(100.0), one(94.0, kvp=80)], "whatever the tube voltage") is False


def test_intervals_that_miss_are_counted_once_there_are_enough() -> None:
    """Truth is 100: an interval that ends below it misses."""
    away = Value(100.0, 94.0, 90.0, 99.0, "ok", "")
    missed = Scanned("shell", Setup(120), 45.0, 0.0, 10.0, {"mineral_mass": away})
    assert verdict([missed] * 5, "holds the truth") is None
    assert verdict([missed] * 20, "holds the truth") is False
    assert verdict([one(101.0)] * 18 + [missed] * 3, "holds the truth") is True
