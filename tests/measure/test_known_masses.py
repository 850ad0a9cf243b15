"""Mineral mass against masses known from outside: scanned hydroxyapatite, and real trabeculae in clinical voxels.

The data are openly licensed and not part of the project: set MINERALIZE_CTDATA to their folder. Sources stand in
``scripts/validation/inserts.py`` and ``trabeculae.py``.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from mineralize.base import slope

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "scripts"))

from validation import inserts, known_masses, trabeculae  # noqa: E402
from validation.trabeculae import Through  # noqa: E402

DATA = Path(os.environ.get("MINERALIZE_CTDATA", "/nonexistent"))
pytestmark = pytest.mark.skipif(not DATA.is_dir(), reason="needs MINERALIZE_CTDATA")


def test_nominal_masses_are_those_of_the_makers_table() -> None:
    """Density times volume gives the printed masses: 19.6, 39.3, 78.5; 4.2, 8.5, 17.0; 0.2, 0.3, 0.6 mg."""
    printed = {(200, 5): 19.6, (400, 5): 39.3, (800, 5): 78.5, (200, 3): 4.2, (400, 3): 8.5, (800, 3): 17.0,
               (200, 1): 0.2, (400, 1): 0.3, (800, 1): 0.6}  # fmt: skip
    assert {(i.mg_cm3, i.size_mm): round(i.nominal_mg, 1) for i in inserts.INSERTS} == printed


def test_rods_of_a_real_scan_agree_with_the_table() -> None:
    """An independent check of the table: a 200 mg/cm3 rod and a water rod scanned at 120 kV, within the stated 5 %."""
    own = inserts.seen(DATA, True).reference
    assert own.slope == pytest.approx(slope(120.0), rel=0.05)
    assert own.slope_source == "2 calibration rods in it"
    assert [n.level for n in own.notes] == ["info"]
    assert own.slope_uncertainty < 0.05


@pytest.mark.parametrize("with_rods", [False, True])
@pytest.mark.parametrize("insert", inserts.INSERTS, ids=lambda i: f"{i.mg_cm3}x{i.size_mm}mm")
def test_the_interval_holds_the_nominal_mass(insert: inserts.Insert, with_rods: bool) -> None:
    """Nominal masses with their own tolerance of 0.1 mm on each length."""
    found = inserts.mass_of(inserts.seen(DATA, with_rods), insert)
    assert found.value is not None
    low, high = found.interval
    assert low - insert.tolerance_mg <= insert.nominal_mg <= high + insert.tolerance_mg
    if insert.size_mm == 5:
        assert low <= insert.nominal_mg <= high
        assert found.value == pytest.approx(insert.nominal_mg, rel=0.08)


def test_an_added_ball_comes_out_with_its_mass() -> None:
    """In the real noise of the scan: balls of 3 mm and 8 mg, a slice thick; all are seen, little of them is lost."""
    found = inserts.seen_share(inserts.seen(DATA, False), 8.0)
    assert found.mean_mg == pytest.approx(8.0, rel=0.10)
    assert found.above_zero == 1.0
    assert 2 * found.spread_mg < 1.5 * found.stated_noise_mg


@pytest.mark.parametrize(
    "how",
    [
        Through(),
        Through(slice_mm=0.6),
        Through(slice_mm=2.0),
        Through(slice_mm=3.0),
        Through(pixel_mm=1.0, slice_mm=3.0, fwhm_mm=1.8),
        Through(pixel_mm=0.5, fwhm_mm=0.9),
        Through(pixel_mm=1.0, fwhm_mm=1.8),
        Through(noise_hu=30.0),
        Through(kvp=80.0),
        Through(kvp=140.0),
    ],
    ids=str,
)
def test_trabeculae_keep_their_mass_in_clinical_voxels(how: Through) -> None:
    """Truth is a count of 19.5 um voxels; the mass must stay within 5 % of it, the threshold volume does not."""
    truth, volume = trabeculae.true_mass_mg(DATA), trabeculae.bone_volume_mm3(DATA)
    found = trabeculae.measured(DATA, how)
    assert found["mineral_mass"].value == pytest.approx(truth, rel=0.05)
    low, high = found["mineral_mass"].interval
    assert low <= truth <= high
    over = found["mineral_volume"].value
    assert over is not None
    assert over > 3 * volume


def test_the_rendering_of_trabeculae_keeps_their_mass() -> None:
    """Guards the renderer of the check: HU summed over the scan is the fine block's mass (closed form), to 0.2 %."""
    how = Through(noise_hu=0.001)
    volume, _ = trabeculae.rendered(DATA, how)
    excess = float((volume.hu - trabeculae.MUSCLE_HU).sum(dtype=float)) * volume.grid.voxel_volume_mm3 / 1000
    per_mg = slope(120.0) - trabeculae.MUSCLE_HU / trabeculae.HYDROXYAPATITE_MG_CM3
    assert excess / per_mg == pytest.approx(trabeculae.true_mass_mg(DATA), rel=0.002)


def test_the_command_prints_every_cylinder(capsys: pytest.CaptureFixture[str]) -> None:
    lines = list(known_masses.insert_lines(DATA))
    assert sum(" mm  " in line for line in lines) == 9
    assert any("from 2 calibration rods in it" in line for line in lines)
    with pytest.raises(SystemExit):
        known_masses.main(["--data", "/nonexistent"])
    assert "MINERALIZE_CTDATA" in capsys.readouterr().err
