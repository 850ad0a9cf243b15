"""Scripted histories, measured end to end, lead to the right statements: one row per history.

The histories come from ``phantoms``, which shares no code with what is tested; they are rendered on fewer and larger
voxels than scripted, to keep the time down.
"""

from __future__ import annotations

import functools
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest

from mineralize.base import Acquisition, Grid, InMemory, Scan, Volume
from mineralize.correlate import biopsy_reports
from mineralize.dicom_out import Identity, seg, sr
from mineralize.study import Study, analyse
from mineralize.timeline import BiopsySite, Seed, Timeline
from phantoms import load_history
from phantoms.files import biopsy_points

pytestmark = pytest.mark.slow


@functools.cache
def study(name: str, numbers: tuple[int, ...], biopsy_depth: float | None = None) -> Study:
    """The history's scans ``numbers`` (from 0), with the point where its truth has the lesion as seed.

    ``biopsy_depth`` adds a biopsy at that share of the way from the centre to the surface, in the first scan.
    """
    history = load_history(name).resized(matrix=128, slice_mm=1.6)
    scans, seeds = [], []
    for order, number in enumerate(numbers, start=1):
        made = history.render(number)
        grid = Grid.from_parts(made.hu.shape, made.spacing, made.origin.tolist(), made.directions, f"9.{order}")
        acquisition = Acquisition(
            kvp=made.kvp,
            kernel_class="sharp" if "sharp" in made.kernel else "soft",
            slice_thickness_mm=made.thickness_mm,
            slice_spacing_mm=float(made.spacing[0]),
            contrast_agent=made.contrast,
        )
        volume = Volume(np.round(made.hu).astype(np.int16), grid)
        scans.append(Scan(order, made.day, grid, acquisition, InMemory(volume)))
        x, y, z = (float(v) for v in made.lesion_centroid)
        seeds.append(Seed(order, (x, y, z)))
    biopsies: tuple[BiopsySite, ...] = ()
    if biopsy_depth is not None:
        _, target = biopsy_points(history, numbers[0], {"towards": [0.0, -1.0, 0.0], "share": biopsy_depth})
        x, y, z = (float(v) for v in target)
        biopsies = (BiopsySite(1, (x, y, z), None, scans[0].day + 2),)
    line = Timeline(tuple(scans), day_zero="onset", seeds=tuple(seeds), biopsies=biopsies)
    return analyse(line)


@pytest.mark.parametrize(
    ("name", "numbers", "expected", "absent"),
    [
        (
            "reversed-zoning",
            (3,),
            {"maturity.not-peripheral"},
            {"zoning.periphery", "rim.complete", "maturity.shell", "maturity.fatty"},
        ),
        (
            "broad-attachment",
            (1,),
            {"relation.contact", "zoning.periphery"},
            {"relation.soft-tissue", "relation.beside"},
        ),
        ("no-mineral-yet", (0,), set(), {"zoning.periphery", "zoning.reversed", "rim.complete", "relation.contact"}),
        (
            "maturing-shell",
            (4,),
            {"zoning.periphery", "rim.complete", "centre.fat"},
            {"zoning.reversed", "relation.contact"},
        ),
    ],
)
def test_each_phantom_leads_to_its_statements(
    name: str, numbers: tuple[int, ...], expected: set[str], absent: set[str]
) -> None:
    found = {f.key: f.text for f in study(name, numbers).findings}
    assert expected <= found.keys(), found
    assert not absent & found.keys(), found
    if name == "reversed-zoning":
        assert {"zoning.reversed", "zoning.centre"} & found.keys(), found
        assert {"beyond.reversed", "beyond.not-assessed"} & found.keys(), found
    if name == "no-mineral-yet":
        # outlined from its margin where that is visible, else withheld with the reason: both are right
        assert "zoning.none" in found or "no mineral" in found["zoning.not-assessed"]


def test_a_biopsy_of_the_centre_only_is_cautioned() -> None:
    (report,) = study("maturing-shell", (1,), 0.1).biopsy_reports
    assert report.zones == ("core",)
    assert "Only the central zone was reached" in report.caution
    assert report.trust == "caution"


def test_a_biopsy_of_the_rim_only_is_cautioned() -> None:
    (report,) = study("maturing-shell", (4,), 0.9).biopsy_reports
    assert report.site.zone == "rim"
    assert "Only the outer zone was reached" in report.caution


def test_an_air_filled_track_is_seen_along_its_own_path_only() -> None:
    made = study("air-track", (0, 1))
    history = load_history("air-track").resized(matrix=128, slice_mm=1.6)

    def track(towards: list[float]) -> str:
        entry, target = biopsy_points(history, 0, {"towards": towards, "share": 0.05})
        a, b = (tuple(float(v) for v in p) for p in (entry, target))
        site = BiopsySite(1, b, a, 70)  # type: ignore[arg-type]
        line = replace(made.timeline, biopsies=(site,))
        (report,) = biopsy_reports(line, made.outlines, made.alignments, rim_maps=made.rim_maps)
        return report.carried[0].track

    assert "gas is seen along the path over" in track(list(history.table["scans"][1]["track"]))
    assert "gas is seen along the path" not in track([0.6, 0.7, 0.1])


def test_contrast_medium_in_one_scan_only_is_never_a_change_that_is_taken_for_real() -> None:
    found = {f.key: f for f in study("contrast-in-one-scan", (1, 2)).findings}
    assert "contrast medium" in found["compare.unlike"].text
    assert not [
        k
        for k in found
        if k in ("course.mass.rose", "course.volume.rose", "course.mass.fell") and found[k].trust == "ok"
    ]


@pytest.mark.parametrize(
    ("name", "numbers"), [("reversed-zoning", (3,)), ("no-mineral-yet", (0,)), ("maturing-shell", (4,))]
)
def test_dicom_of_a_phantom_holds_the_numbers_and_the_volume(
    name: str, numbers: tuple[int, ...], tmp_path: Path
) -> None:
    made = study(name, numbers)
    identity = Identity(made.timeline)
    segmentations = seg.write(made, tmp_path, identity)
    path = sr.write(made, segmentations, tmp_path, identity)
    if not segmentations:
        assert name == "no-mineral-yet"
        assert path is None
        return
    ds = pydicom.dcmread(tmp_path / "seg-scan-1.dcm")
    voxels = {s.SegmentLabel: 0 for s in ds.SegmentSequence}
    labels = {int(s.SegmentNumber): s.SegmentLabel for s in ds.SegmentSequence}
    planes = ds.pixel_array.reshape(-1, ds.Rows, ds.Columns)
    for plane, group in zip(planes, ds.PerFrameFunctionalGroupsSequence, strict=True):
        voxels[labels[int(group.SegmentIdentificationSequence[0].ReferencedSegmentNumber)]] += int(plane.sum())
    volume = made.measurement(1, "lesion_volume")
    if volume is not None and volume.value is not None:
        voxel = made.timeline.scans[0].grid.voxel_volume_mm3
        assert voxels["lesion"] * voxel == pytest.approx(volume.value, rel=0.05)
    assert path is not None
    values = [n for n in _numbers(pydicom.dcmread(path)) if n is not None]
    for row in made.measurements:
        if row.value is not None and row.quantity in ("lesion_volume", "mineral_mass", "cortex_gap"):
            assert min(abs(v - row.value) for v in values) <= 1e-9 * max(1.0, abs(row.value))


def _numbers(item: Any) -> list[float]:
    found = []
    for child in item.get("ContentSequence", []):
        if child.ValueType == "NUM":
            held = child.MeasuredValueSequence[0]
            found.append(float(held.get("FloatingPointValue", held.NumericValue)))
        found += _numbers(child)
    return found
