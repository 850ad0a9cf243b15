"""Calibration rods and given slopes: from ``case.toml`` to the mass they change."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from typing import Any

import jsonschema
import numpy as np
import pytest
from analytic_shell import Shell, around, ellipsoid_outline, rendered
from analytic_shell import reference as shell_reference
from scipy import ndimage
from study_factory import study as example_study

from mineralize.base import (
    Acquisition,
    Calibration,
    CaseFileError,
    Grid,
    InMemory,
    MineralSettings,
    Rod,
    Scan,
    Settings,
    Volume,
    slope,
)
from mineralize.lesion import find_zones
from mineralize.measure import Site, measure_mineral
from mineralize.page import html as page
from mineralize.reference import TABLE, Reference, measure_reference, rods
from mineralize.reference.rods import _line, fit_rods
from mineralize.reference.tissues import Tissue
from mineralize.results import record
from mineralize.timeline import given as timeline_given
from mineralize.timeline.case_file import parse

PLAIN = MineralSettings()
GRID = Grid.from_parts((20, 120, 120), (3.0, 0.8, 0.8), (-47.6, -47.6, 0.0))
AXIS = (0.0, 0.0, 1.0)


def bench(rods: list[Rod], own_slope: float, *, noise: float = 12.0, water: float = 5.0) -> Volume:
    """Muscle of 50 HU with rods in it, in-plane blur of 1.6 mm full width, white noise."""
    world = GRID.world_of_all()
    hu = np.full(GRID.shape, 50.0)
    for rod in rods:
        offset = world - np.asarray(rod.centre)
        along = offset @ np.asarray(rod.axis)
        beside = np.linalg.norm(offset - along[..., None] * np.asarray(rod.axis), axis=-1)
        hu[(beside <= rod.radius_mm) & (np.abs(along) <= 0.5 * rod.length_mm)] = water + own_slope * rod.mg_cm3
    hu = ndimage.gaussian_filter(hu, (0.3, 0.85, 0.85))
    hu += np.random.default_rng(4).normal(scale=noise, size=GRID.shape)
    return Volume(hu.astype(np.float32), GRID)


def three(axis: tuple[float, float, float] = AXIS, length: float = 45.0) -> list[Rod]:
    return [
        Rod((-22.0, -22.0, 28.0), axis, length, 8.0, 0.0),
        Rod((18.0, -20.0, 28.0), axis, length, 8.0, 200.0),
        Rod((-2.0, 20.0, 28.0), axis, length, 8.0, 400.0),
    ]


def found(volume: Volume, calibration: Calibration | None, kvp: float = 100.0) -> Reference:
    return measure_reference(
        volume,
        Acquisition(kvp=kvp, slice_thickness_mm=3.0),
        PLAIN,
        calibration=calibration,
        where="calibration of scan 2",
    )


@pytest.mark.parametrize("own_slope", [1.45, 1.70])
@pytest.mark.parametrize(("axis", "length"), [(AXIS, 45.0), ((0.6, 0.8, 0.0), 30.0)])
def test_rods_give_the_slope_that_the_scan_was_made_with(
    own_slope: float, axis: tuple[float, float, float], length: float
) -> None:
    rods = three(axis, length)
    read = found(bench(rods, own_slope), Calibration(rods=tuple(rods)))
    assert read.slope == pytest.approx(own_slope, rel=0.01)
    assert abs(read.slope / own_slope - 1) < read.slope_uncertainty < 0.05
    assert read.slope_source == "3 calibration rods in it"
    assert [n.level for n in read.notes] == ["info"]
    assert "table has 1.564" in read.notes[0].text


def test_the_line_is_that_of_a_second_implementation() -> None:
    """numpy.polyfit, weighted, unscaled covariance."""
    density, hu, error = np.array([0.0, 150.0, 200.0]), np.array([3.0, 225.0, 300.0]), np.array([4.0, 2.0, 1.0])
    coefficients, covariance = np.polyfit(density, hu, 1, w=1 / error, cov="unscaled")
    own_slope, water, standard_error = _line(density, hu, error)
    assert (own_slope, water) == pytest.approx(tuple(coefficients))
    assert standard_error == pytest.approx(np.sqrt(covariance[0, 0]))


def test_the_predicted_error_covers_the_actual_one() -> None:
    """Twenty noisy scans: the standard error without the doubt about place is that of the slopes found."""
    rods = three()[:2]
    clean = bench(rods, 1.5, noise=0.0)
    slopes, predicted = [], []
    for seed in range(20):
        noise = np.random.default_rng(seed).normal(scale=40.0, size=GRID.shape)
        fit = fit_rods(
            Volume((clean.hu + noise).astype(np.float32), GRID), rods,
            slice_mm=3.0, noise_hu=40.0, noise_4mm_hu=40.0 * float(np.sqrt(GRID.voxel_volume_mm3 / 64.0)), where="",
        )  # fmt: skip
        slopes.append(fit.slope)
        predicted.append(0.5 * fit.slope * np.sqrt(fit.uncertainty**2 - 0.03**2))
    assert np.std(slopes) == pytest.approx(float(np.mean(predicted)), rel=0.5)
    assert np.mean(slopes) == pytest.approx(1.5, abs=0.01)


def test_a_rod_beside_its_place_is_cautioned() -> None:
    rods = three()
    moved = [*rods[:2], replace(rods[2], centre=(4.0, 20.0, 28.0))]
    read = found(bench(rods, slope(100.0)), Calibration(rods=tuple(moved)))
    said = [n for n in read.notes if n.kind == "rods-doubtful"]
    assert [n.level for n in said] == ["caution"]
    assert "rod 3 varies by" in said[0].text
    assert read.slope_uncertainty >= PLAIN.slope_uncertainty


def test_a_wrong_density_leaves_the_line_and_is_cautioned() -> None:
    rods = three()
    wrong = [*rods[:2], replace(rods[2], mg_cm3=300.0)]
    read = found(bench(rods, slope(100.0)), Calibration(rods=tuple(wrong)))
    assert "off the line" in " ".join(n.text for n in read.notes if n.level == "caution")


def test_rods_where_there_are_none_are_refused() -> None:
    """Two pieces of muscle given as water and 200 mg/cm3 make no slope."""
    rods = three()[:2]
    with pytest.raises(CaseFileError, match=r"calibration of scan 2: the rods give -?0\.\d\d HU per mg/cm3") as caught:
        found(bench([], 1.5), Calibration(rods=tuple(rods)))
    assert "at, axis and mg_cm3" in str(caught.value)


def test_a_rod_too_thin_to_be_read_is_refused() -> None:
    rods = (Rod((0.0, 0.0, 28.0), AXIS, 5.0, 3.0, 0.0), Rod((0.0, 20.0, 28.0), AXIS, 5.0, 3.0, 200.0))
    with pytest.raises(CaseFileError, match="rod 1 holds too few voxels"):
        found(bench(list(rods), 1.5), Calibration(rods=rods))


def test_a_given_slope_replaces_the_table_with_its_own_uncertainty() -> None:
    volume = bench([], 1.5)
    read = found(volume, Calibration(1.5, 0.02))
    assert (read.slope, read.slope_uncertainty, read.slope_source) == (1.5, 0.02, "case.toml")
    assert found(volume, Calibration(1.5)).slope_uncertainty == PLAIN.slope_uncertainty
    plain = found(volume, None)
    assert (plain.slope, plain.slope_uncertainty, plain.slope_source) == (slope(100.0), 0.05, TABLE)
    far = found(volume, Calibration(2.2, 0.02))
    assert [n.kind for n in far.notes if n.level == "caution"] == ["slope-far-from-table"]


# --- case.toml -----------------------------------------------------------------------------------------------------


def given(text: str) -> Any:
    return parse(tomllib.loads(text)).calibrations


ROD = "[[calibration.rod]]\nat = [{at}, 0.0, 20.0]\nlength_mm = 30\nradius_mm = 9\nmg_cm3 = {density}\n"
TWO = "[[calibration]]\nscan = 2\n" + ROD.format(at=0.0, density=0) + ROD.format(at=25.0, density=200)


def test_both_kinds_are_read() -> None:
    first, second = given("[[calibration]]\nscan = 1\nslope_hu_per_mg_cm3 = 1.42\nuncertainty = 0.03\n" + TWO)
    assert (first.scan, first.calibration) == (1, Calibration(1.42, 0.03))
    assert second.scan == 2
    assert second.calibration.rods == (
        Rod((0.0, 0.0, 20.0), AXIS, 30.0, 9.0, 0.0),
        Rod((25.0, 0.0, 20.0), AXIS, 30.0, 9.0, 200.0),
    )


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[[calibration]]\nslope_hu_per_mg_cm3 = 1.4", "calibration 1: missing scan"),
        ("[[calibration]]\nscan = 1", "either slope_hu_per_mg_cm3, or two or more"),
        ("[[calibration]]\nscan = 1\nslope_hu_per_mg_cm3 = 1.4\nrod = []", "either slope_hu_per_mg_cm3"),
        ("[[calibration]]\nscan = 1\nslope_hu_per_mg_cm3 = 0.0007", r"calibration 1\.slope_hu_per_mg_cm3: .*0\.5 to 4"),
        ("[[calibration]]\nscan = 1\nslope_hu_per_mg_cm3 = nan", r"0\.5 to 4"),
        ("[[calibration]]\nscan = 1\nslope_hu_per_mg_cm3 = true", r"0\.5 to 4"),
        ("[[calibration]]\nscan = 1\nslope_hu_per_mg_cm3 = 1.4\nuncertainty = 5", r"uncertainty: .*0\.001 to 0\.5"),
        ("[[calibration]]\nscan = 0\nslope_hu_per_mg_cm3 = 1.4", r"calibration 1\.scan"),
        ("[[calibration]]\nscan = 1\nslope = 1.4", "calibration 1: key 2 is unknown"),
        ("[calibration]\nscan = 1", "a list of tables"),
        ("[[calibration]]\nscan = 1\nrod = []", r"calibration 1\.rod: expected two or more"),
        (TWO.replace("mg_cm3 = 200", "mg_cm3 = 20"), "at least 50 mg/cm3 apart"),
        (TWO.replace("mg_cm3 = 200", "mg_cm3 = -3"), r"calibration 1\.rod 2\.mg_cm3: .*0 to 2000"),
        (TWO.replace("radius_mm = 9", "radius_mm = 1", 1), r"rod 1\.radius_mm"),
        (TWO.replace("length_mm = 30\n", "", 1), r"rod 1\.length_mm"),
        (TWO.replace("radius_mm = 9", "radius_mm = 9\naxis = [0, 0, 0]", 1), r"rod 1\.axis: .*three zeros"),
        (TWO.replace("at = [0.0, 0.0, 20.0]", 'at = "here"', 1), r"rod 1\.at: expected three numbers"),
        (TWO + TWO, "calibrated twice"),
        (TWO.replace("scan = 2", "scan = 2\nuncertainty = 0.02"), "rods bring their own"),
    ],
)
def test_faults_name_their_place(text: str, words: str) -> None:
    with pytest.raises(CaseFileError, match=words) as caught:
        given(text)
    assert "here" not in str(caught.value)


def scans(count: int = 2) -> tuple[Scan, ...]:
    volume = Volume(np.zeros(GRID.shape, np.int16), GRID)
    return tuple(
        Scan(i + 1, 10 * i, GRID, Acquisition(kvp=120.0), InMemory(volume), date=f"2024-01-{10 + i}")
        for i in range(count)
    )


def test_each_scan_gets_its_own() -> None:
    one, two = timeline_given.calibrated(parse(tomllib.loads(TWO)), scans())
    assert one.calibration is None
    assert two.calibration is not None
    assert len(two.calibration.rods) == 2
    by_date = TWO.replace("scan = 2", "scan = 2024-01-11")
    assert timeline_given.calibrated(parse(tomllib.loads(by_date)), scans())[1].calibration == two.calibration


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (TWO.replace("scan = 2", "scan = 9"), "calibration 1: there is no scan 9; the case has 2"),
        (TWO.replace("[25.0", "[250.0"), r"calibration 1\.rod 2: the rod reaches out of scan 2"),
        (TWO.replace("length_mm = 30", "length_mm = 300", 1), r"calibration 1\.rod 1: the rod reaches out of scan 2"),
        (TWO + TWO.replace("scan = 2", "scan = 2024-01-11"), "calibration 2: scan 2 is calibrated twice"),
    ],
)
def test_what_does_not_fit_the_scans_is_refused(text: str, words: str) -> None:
    with pytest.raises(CaseFileError, match=words):
        timeline_given.calibrated(parse(tomllib.loads(text)), scans())


# --- what comes of it ----------------------------------------------------------------------------------------------


def test_the_mass_follows_the_calibration() -> None:
    """Closed form: mass is excess HU over slope; twice the slope is half the mass, with the calibration's own doubt."""
    shell = Shell()
    volume = rendered(shell)
    outline = ellipsoid_outline((15.0, 15.0, 15.0))
    masses = {}
    for own_slope, doubt, source in ((1.369, 0.05, TABLE), (2.738, 0.02, "case.toml")):
        ref = replace(shell_reference(volume), slope=own_slope, slope_uncertainty=doubt, slope_source=source)
        near = around(volume, ref)
        site = Site(1, near, ref, outline, find_zones(outline, near.grid, Settings().zones), Settings())
        row = next(r for r in measure_mineral(site) if r.quantity == "mineral_mass")
        assert row.value is not None
        assert row.detail is not None
        assert (row.detail["slope_hu_per_mg_cm3"], row.detail["slope_from"]) == (own_slope, source)
        assert row.down["calibration"] == pytest.approx(doubt * row.value)
        masses[source] = row.value
    assert masses["case.toml"] == pytest.approx(0.5 * masses[TABLE], rel=0.02)


def test_record_and_page_name_the_slope_and_its_origin() -> None:
    base = example_study()
    own = Reference(
        120.0, 1.4321, Tissue(50, 1, 1), None, None, 10.0, 2.0, 0.6, 1.0, 1.0,
        slope_uncertainty=0.03, slope_source="2 calibration rods in it",
    )  # fmt: skip
    known = replace(base, references=tuple(own for _ in base.timeline.scans))
    document = record.history(known)
    jsonschema.validate(document, record.schema())
    assert document["scans"][1]["mineral_scale"] == {
        "kvp": 120.0, "slope_hu_per_mg_cm3": 1.4321, "uncertainty": 0.03, "source": "2 calibration rods in it",
        "cortex_off_percent": None,
    }  # fmt: skip
    assert "1.432</span> HU per mg/cm³, from 2 calibration rods in it" in page._method(document)
    assert "mineral_scale" not in record.history(base)["scans"][0]


@pytest.mark.parametrize("lengthwise", [True, False])
def test_a_rod_that_leans_differs_by_its_outer_thirds(lengthwise: bool) -> None:
    """Closed form: over a uniform rod of length L, a gradient g parts the middles of the outer 34 % by 0.66 g L."""
    place = np.linspace(-30.0, 30.0, 6001)
    still = np.zeros_like(place)
    along, across = (place, still) if lengthwise else (still, place)
    read = rods._read(250.0 + 0.2 * place, along, across, voxel_mm3=0.5, noise_4mm_hu=0.0)
    assert read.uneven_hu == pytest.approx(0.66 * 0.2 * 60.0, rel=0.01)
    assert read.mean_hu == pytest.approx(250.0, abs=0.01)


def test_a_rod_seen_at_one_end_only_has_no_ends_to_compare() -> None:
    """Two slices of it, 80 voxels in one and 20 in the other: above the 66th percentile of the place lies nothing."""
    along = np.repeat([0.0, 3.0], [20, 80])
    values = np.where(along > 0, 300.0, 280.0) + np.tile([-1.0, 1.0], 50)
    read = rods._read(values, along, np.zeros(100), voxel_mm3=2.0, noise_4mm_hu=1.0)
    assert read.uneven_hu == 0.0
