"""DICOM out: segmentations and the measurement report, read back by highdicom and by plain pydicom.

Codes are checked against pydicom's copy of the PS3.16 dictionaries, structure against PS3.16 templates 1500, 1411
and 1501, objects against dciodvfy (dicom3tools) where it is installed. Its known blind spots (template, codes, units,
geometry) have tests of their own.
"""

from __future__ import annotations

import datetime
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import dicom_factory
import highdicom as hd
import numpy as np
import pydicom
import pytest
import study_factory
from pydicom.dataset import Dataset
from pydicom.sr import _concepts_dict

import mineralize.timeline as timeline_module
from mineralize.base import OutputError, Scan
from mineralize.dicom_out import Identity, codes, seg, sr, sr_pdf
from mineralize.measure import Measurement
from mineralize.study import Study
from mineralize.timeline import Timeline

KEY = b"k" * 32
MADE = datetime.datetime(2031, 7, 8, 9, 10, 11, tzinfo=datetime.UTC)


def export(study: Study, folder: Path, **policy: Any) -> tuple[dict[int, Any], Path]:
    identity = Identity(study.timeline, key=KEY, made=MADE, **policy)
    segmentations = seg.write(study, folder, identity)
    path = sr.write(study, segmentations, folder, identity)
    assert path is not None
    return segmentations, path


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Study, Path]:
    """A study with a withheld rim in scan 4, and the folder its objects were written to."""
    study = study_factory.study(unresolved=4)
    folder = tmp_path_factory.mktemp("dicom")
    export(study, folder)
    return study, folder


def items(ds: Dataset) -> Iterator[Dataset]:
    """Every content item at any depth, by pydicom alone."""
    for item in ds.get("ContentSequence", []):
        yield item
        yield from items(item)


def triple(sequence: Any) -> tuple[str, str]:
    return str(sequence[0].CodeValue), str(sequence[0].CodingSchemeDesignator)


def groups(report: Dataset) -> list[Dataset]:
    return [i for i in items(report) if i.ValueType == "CONTAINER" and triple(i.ConceptNameCodeSequence)[0] == "125007"]


def child(item: Dataset, value: str) -> list[Dataset]:
    return [c for c in item.get("ContentSequence", []) if triple(c.ConceptNameCodeSequence)[0] == value]


def quantity_of(number: Dataset, group: str) -> codes.Coded:
    """The row of the code table for a NUM item: by name, derivation and site, within its group."""
    derivation = [triple(c.ConceptCodeSequence) for c in child(number, "121401")]
    site = [triple(c.ConceptCodeSequence) for c in child(number, "363698007")]
    found = [
        row
        for row in codes.CODED
        if row.group == group
        and (row.name.value, row.name.scheme) == triple(number.ConceptNameCodeSequence)
        and [(t.value, t.scheme) for t in (row.derivation,) if t] == derivation
        and [(t.value, t.scheme) for t in (row.site,) if t] == site
    ]
    assert len(found) == 1, number
    return found[0]


def read_numbers(report: Dataset) -> dict[tuple[int, str], tuple[float, float, float, str]]:
    """(scan, quantity): value, low, high and unit, back in the units of the measurements."""
    found = {}
    for group in groups(report):
        name = child(group, "112039")[0].TextValue
        order = int(child(group, "126073")[0].MeasuredValueSequence[0].NumericValue)
        for number in group.ContentSequence:
            if number.ValueType != "NUM" or number.RelationshipType != "CONTAINS":
                continue
            row = quantity_of(number, name)
            held = number.MeasuredValueSequence[0]
            value = float(held.get("FloatingPointValue", held.NumericValue))
            ranges = {}
            for part in number.ContentSequence:
                if part.ValueType == "NUM":
                    of = part.MeasuredValueSequence[0]
                    assert triple(of.MeasurementUnitsCodeSequence) == (row.unit.value, row.unit.scheme)
                    ranges[triple(part.ConceptNameCodeSequence)[0]] = float(
                        of.get("FloatingPointValue", of.NumericValue)
                    )
            low, high = value - ranges["371885007"], value + ranges["371886008"]
            unit = triple(held.MeasurementUnitsCodeSequence)
            assert unit == (row.unit.value, row.unit.scheme)
            found[order, row.quantity] = (value / row.factor, low / row.factor, high / row.factor, unit[0])
    return found


# --- the code table ---------------------------------------------------------------------------------------------


def all_terms() -> set[codes.Term]:
    rows = {t for row in codes.CODED for t in (row.name, row.told, row.unit, row.derivation, row.site) if t}
    segments = {t for s in codes.SEGMENTS for t in (s.kind, s.modifier) if t}
    return rows | segments | {t for t in vars(codes).values() if isinstance(t, codes.Term)}


def test_public_codes_are_those_of_ps3_16() -> None:
    # pydicom's dictionaries are made from PS3.16; mg is valid UCUM (ucum.org) and CT is LOINC, both not among them
    absent = {("mg", "UCUM"), ("25045-6", "LN"), ("LN", "LN")}
    for term in all_terms():
        if term.private or (term.value, term.scheme) in absent:
            continue
        known = {value for entry in _concepts_dict.concepts[term.scheme].values() for value in entry}
        assert term.value in known, term


def test_codes_fit_their_value_representations() -> None:
    # PS3.3 8.8: Code Value and Coding Scheme Designator SH (16), Code Meaning LO (64)
    for term in all_terms():
        assert len(term.value) <= 16, term
        assert len(term.scheme) <= 16, term
        assert len(term.meaning) <= 64, term


def test_every_quantity_is_found_again_by_its_codes() -> None:
    names = [(row.group, row.name, row.derivation, row.site) for row in codes.CODED]
    assert len(set(names)) == len(names)
    told = [row.told for row in codes.CODED]
    assert len({(t.value, t.scheme, row.group) for t, row in zip(told, codes.CODED, strict=True)}) == len(told)
    private = codes.private_terms()
    assert len({t.value for t in private}) == len(private)


def test_units_are_ucum_and_fit_the_measurements() -> None:
    ucum = {"mm": "mm", "mm2": "mm2", "mm3": "mm3", "mg": "mg", "HU": "[hnsf'U]"}
    for quantity, unit, _ in study_factory.QUANTITIES:
        row = codes.coded(quantity)
        if row is None:
            assert re.search(r"_\d+$", quantity), quantity
        elif unit == "1":
            assert (row.unit.value, row.factor) in (("%", 100.0), ("{ratio}", 1.0))
        else:
            assert (row.unit.value, row.factor) == (ucum[unit], 1.0)


# --- the report -------------------------------------------------------------------------------------------------


def test_the_report_reads_back_to_the_same_numbers_by_pydicom(made: tuple[Study, Path]) -> None:
    study, folder = made
    found = read_numbers(pydicom.dcmread(folder / "measurements-sr.dcm"))
    expected = {
        (m.scan, m.quantity): m
        for m in study.measurements
        if m.value is not None and codes.coded(m.quantity) is not None
    }
    assert found.keys() == expected.keys()
    for at, (value, low, high, _) in found.items():
        row = expected[at]
        assert value == pytest.approx(row.value, rel=1e-12, abs=1e-12)
        assert low == pytest.approx(row.low, rel=1e-9, abs=1e-9)
        assert high == pytest.approx(row.high, rel=1e-9, abs=1e-9)


def test_the_report_reads_back_to_the_same_numbers_by_highdicom(made: tuple[Study, Path]) -> None:
    study, folder = made
    report = hd.sr.srread(folder / "measurements-sr.dcm")
    assert isinstance(report, hd.sr.Comprehensive3DSR)
    regions = report.content.get_volumetric_roi_measurement_groups()
    assert len(regions) == 4 * 5 - 1  # scan 1 has no mineral to segment
    seen = 0
    for group in regions:
        number = int(child(group[0], "126073")[0].MeasuredValueSequence[0].NumericValue)
        for measurement in group.get_measurements():
            if measurement.name.value in ("126073", "128740"):
                continue  # order and offset of the time point: highdicom lists every NUM of a group
            row = quantity_of(measurement[0], group.tracking_identifier)
            held = study.measurement(number, row.quantity)
            assert held is not None
            assert measurement.value == pytest.approx(held.value * row.factor)
            assert (measurement.unit.value, measurement.unit.scheme_designator) == (row.unit.value, row.unit.scheme)
            seen += 1
    assert seen > 80


def test_the_templates_are_named_and_complete(made: tuple[Study, Path]) -> None:
    # PS3.16: root TID 1500; group TID 1411 rows 1-3, 7, 12 (identifier, UID, segment, source series); TID 1501
    report = pydicom.dcmread(made[1] / "measurements-sr.dcm")
    assert report.SOPClassUID == "1.2.840.10008.5.1.4.1.1.88.34"
    assert report.ContentTemplateSequence[0].TemplateIdentifier == "1500"
    assert triple(report.ConceptNameCodeSequence) == ("126000", "DCM")
    kinds = {"1411": 0, "1501": 0}
    for group in groups(report):
        template = group.ContentTemplateSequence[0].TemplateIdentifier
        kinds[template] += 1
        assert len(child(group, "112039")) == len(child(group, "112040")) == 1
        assert child(group, "128740")[0].MeasuredValueSequence[0].MeasurementUnitsCodeSequence[0].CodeValue == "d"
        segment, series = child(group, "121191"), child(group, "121232")
        assert (len(segment), len(series)) == ((1, 1) if template == "1411" else (0, 0))
    assert kinds == {"1411": 19, "1501": 11}
    for item in items(report):
        if item.ValueType == "NUM" and item.RelationshipType == "CONTAINS":
            assert item.MeasuredValueSequence[0].NumericValue is not None


def test_days_from_the_event_are_those_of_the_scans(made: tuple[Study, Path]) -> None:
    study, folder = made
    report = pydicom.dcmread(folder / "measurements-sr.dcm")
    for group in groups(report):
        number = int(child(group, "126073")[0].MeasuredValueSequence[0].NumericValue)
        offset = child(group, "128740")[0]
        assert float(offset.MeasuredValueSequence[0].NumericValue) == study.timeline.scan(number).day
        assert triple(offset.ContentSequence[0].ConceptCodeSequence) == ("ONSET", codes.PRIVATE_SCHEME)
    scheme = report.CodingSchemeIdentificationSequence[0]
    assert scheme.CodingSchemeDesignator == codes.PRIVATE_SCHEME


def test_without_an_onset_days_count_from_the_baseline(tmp_path: Path) -> None:
    study = study_factory.early(study_factory.study())
    study = replace(study, timeline=replace(study.timeline, day_zero="first scan"))
    _, path = export(study, tmp_path)
    offset = child(groups(pydicom.dcmread(path))[0], "128740")[0]
    assert triple(offset.ContentSequence[0].ConceptCodeSequence) == ("121079", "DCM")


def test_withheld_has_no_number_and_caution_is_said(made: tuple[Study, Path]) -> None:
    study, folder = made
    report = pydicom.dcmread(folder / "measurements-sr.dcm")
    said: dict[tuple[int, str], str] = {}
    for group in groups(report):
        number = int(child(group, "126073")[0].MeasuredValueSequence[0].NumericValue)
        name = child(group, "112039")[0].TextValue
        for item in group.ContentSequence:
            if item.ValueType == "CODE":
                for row in codes.CODED:
                    if row.group == name and (row.told.value, row.told.scheme) == triple(item.ConceptNameCodeSequence):
                        said[number, row.quantity] = triple(item.ConceptCodeSequence)[0]
    for m in study.measurements:
        if codes.coded(m.quantity) is not None:
            expected = {"withheld": "114006", "caution": "CAUTION", "ok": None}[m.trust]
            assert said.get((m.scan, m.quantity)) == expected, m


# --- segmentations ----------------------------------------------------------------------------------------------


def frames(ds: Dataset) -> Iterator[tuple[str, np.ndarray, np.ndarray, Dataset]]:
    """(label, position, pixels, functional groups) of every frame, by pydicom alone."""
    labels = {int(s.SegmentNumber): s.SegmentLabel for s in ds.SegmentSequence}
    pixels = ds.pixel_array.reshape(-1, ds.Rows, ds.Columns)
    for plane, group in zip(pixels, ds.PerFrameFunctionalGroupsSequence, strict=True):
        number = int(group.SegmentIdentificationSequence[0].ReferencedSegmentNumber)
        yield labels[number], np.array(group.PlanePositionSequence[0].ImagePositionPatient, float), plane, group


def test_masks_read_back_voxel_for_voxel_where_the_source_grid_has_them(made: tuple[Study, Path]) -> None:
    study, folder = made
    for scan in study.timeline.scans:
        part = seg.slab(study, scan.number)
        ds = pydicom.dcmread(folder / f"seg-scan-{scan.number}.dcm")
        read = {label: np.zeros(scan.grid.shape, bool) for label in part.masks}
        for label, position, plane, _ in frames(ds):
            index = scan.grid.to_index(position)
            np.testing.assert_allclose(index[1:], 0, atol=1e-6)
            assert abs(index[0] - round(index[0])) < 1e-6
            read[label][round(index[0])] |= plane.astype(bool)
        for label, mask in part.masks.items():
            whole = np.zeros(scan.grid.shape, bool)
            whole[part.first : part.first + len(mask)] = mask
            np.testing.assert_array_equal(read[label], whole)
        shared = ds.SharedFunctionalGroupsSequence[0]
        measures = shared.PixelMeasuresSequence[0]
        np.testing.assert_allclose(np.array(measures.PixelSpacing, float), scan.grid.spacing[1:], atol=1e-9)
        assert float(measures.SpacingBetweenSlices) == pytest.approx(scan.grid.spacing[0])
        axes = np.array(shared.PlaneOrientationSequence[0].ImageOrientationPatient, float)
        np.testing.assert_allclose(axes, [1, 0, 0, 0, 1, 0], atol=1e-9)


def test_the_volume_of_the_lesion_segment_is_that_of_the_sphere(made: tuple[Study, Path]) -> None:
    # closed form, and highdicom's own reading of the geometry
    study, folder = made
    for scan, radius in zip(study.timeline.scans, study_factory.RADII, strict=True):
        held = hd.seg.segread(folder / f"seg-scan-{scan.number}.dcm")
        volume = held.get_volume(segment_numbers=[1])
        mm3 = float(volume.array.sum()) * float(np.prod(volume.spacing))
        assert mm3 == pytest.approx(4 / 3 * np.pi * radius**3, rel=0.02)
        index = np.argwhere(volume.array[..., 0] if volume.array.ndim == 4 else volume.array)
        centre = volume.affine[:3, :3] @ index.mean(axis=0) + volume.affine[:3, 3]
        expected = study.centroids[scan.number - 1]
        np.testing.assert_allclose(centre, expected, atol=0.3)


def test_rim_and_core_are_told_apart_by_modifier_and_overlap_the_lesion(made: tuple[Study, Path]) -> None:
    ds = pydicom.dcmread(made[1] / "seg-scan-3.dcm")
    assert ds.SegmentationType == "BINARY"
    assert [int(s.SegmentNumber) for s in ds.SegmentSequence] == [1, 2, 3, 4]
    found = {}
    for s in ds.SegmentSequence:
        kind = s.SegmentedPropertyTypeCodeSequence[0]
        modifier = kind.get("SegmentedPropertyTypeModifierCodeSequence")
        found[s.SegmentLabel] = (kind.CodeValue, modifier[0].CodeValue if modifier else "")
        assert triple(s.SegmentedPropertyCategoryCodeSequence) == ("49755003", "SCT")
    assert found == {
        "lesion": ("4147007", ""),
        "rim": ("4147007", "14414005"),
        "core": ("4147007", "26216008"),
        "mineral": ("18115005", ""),
    }


def test_tracking_uids_are_the_same_at_every_time_point_and_in_the_report(made: tuple[Study, Path]) -> None:
    study, folder = made
    tracked: dict[str, set[str]] = {}
    for scan in study.timeline.scans:
        for s in pydicom.dcmread(folder / f"seg-scan-{scan.number}.dcm").SegmentSequence:
            tracked.setdefault(s.TrackingID, set()).add(s.TrackingUID)
    for group in groups(pydicom.dcmread(folder / "measurements-sr.dcm")):
        tracked.setdefault(child(group, "112039")[0].TextValue, set()).add(child(group, "112040")[0].UID)
    assert {name: len(uids) for name, uids in tracked.items()} == dict.fromkeys(sr.GROUPS, 1)
    assert len({uid for uids in tracked.values() for uid in uids}) == len(sr.GROUPS)


def test_a_lesion_without_mineral_has_no_mineral_segment(made: tuple[Study, Path]) -> None:
    ds = pydicom.dcmread(made[1] / "seg-scan-1.dcm")
    assert [s.SegmentLabel for s in ds.SegmentSequence] == ["lesion", "rim", "core"]


def test_a_scan_without_outline_is_reported_without_a_region(tmp_path: Path) -> None:
    study = study_factory.study(missing=2)
    segmentations, path = export(study, tmp_path)
    assert sorted(segmentations) == [1, 3, 4, 5]
    mine = [g for g in groups(pydicom.dcmread(path)) if child(g, "C2348792")[0].TextValue == "scan 2"]
    assert mine
    assert {g.ContentTemplateSequence[0].TemplateIdentifier for g in mine} == {"1501"}
    assert not [i for g in mine for i in g.ContentSequence if i.ValueType == "NUM" and i.RelationshipType == "CONTAINS"]


def test_masks_that_do_not_fit_are_refused() -> None:
    study = study_factory.early(study_factory.study())
    scan = study.timeline.scans[0]
    with pytest.raises(ValueError, match="own grid"):
        seg.build(Identity(study.timeline), scan, seg.Slab(0, {"lesion": np.ones((2, 3, 4), bool)}))
    empty = np.zeros((2, *scan.grid.shape[1:]), bool)
    with pytest.raises(ValueError, match="at least one voxel"):
        seg.build(Identity(study.timeline), scan, seg.Slab(0, {"lesion": empty}))


# --- whom and when ----------------------------------------------------------------------------------------------

CANARY = ("Zzyx^Quillon", "PID-CANARY-7", "ACC-CANARY-9", "Canary^Referrer", "STUDYID-CANARY", "canary description")


def canaries(ds: Dataset, k: int) -> None:
    ds.PatientName, ds.PatientID = CANARY[0], CANARY[1]
    ds.AccessionNumber, ds.ReferringPhysicianName = CANARY[2], CANARY[3]
    ds.StudyID, ds.StudyDescription, ds.PatientSex = CANARY[4], CANARY[5], "F"


def from_files(folder: Path, **given: Any) -> tuple[Study, dicom_factory.Series]:
    """A study over two real series, a ball of bone in muscle as the lesion; and the first series."""
    shape = (14, 44, 50)
    k, r, c = np.meshgrid(*[np.arange(n) for n in shape], indexing="ij")
    away = np.sqrt(((k - 7) * 2.5) ** 2 + ((r - 20) * 0.7) ** 2 + ((c - 24) * 0.6) ** 2)
    hu = np.where(away < 9, np.where(away > 6, 500, 30), 55).astype(np.int16)
    first = None
    for n, date in enumerate(("20240302", "20240413")):
        series = dicom_factory.Series(hu=hu, date=date, edit=canaries, **given)
        series.write(folder / f"s{n}")
        first = first or series
    line = timeline_module.read(folder)
    base = study_factory.study()
    outlines = []
    for scan in line.scans:
        centre = scan.grid.to_world(scan.grid.to_index(scan.grid.to_world((7, 20, 24))))
        ball = base.outlines[0]
        assert ball is not None
        unit = ball.vertices - ball.vertices.mean(axis=0)
        unit /= np.linalg.norm(unit, axis=1, keepdims=True)
        outlines.append(replace(ball, scan=scan.number, vertices=centre + 9 * unit))
    rows = tuple(Measurement(s.number, "lesion_volume", 3053.6, 2900.0, 3200.0, "mm3", "ok") for s in line.scans)
    assert first is not None
    return replace(base, timeline=line, outlines=tuple(outlines), measurements=rows), first


def everything(folder: Path) -> list[Dataset]:
    return [pydicom.dcmread(p) for p in sorted(folder.glob("*.dcm"))]


def originals(folder: Path) -> dict[str, Dataset]:
    held = [pydicom.dcmread(p) for p in sorted(folder.rglob("*")) if p.is_file()]
    return {ds.SOPInstanceUID: ds for ds in held}


def test_by_default_no_identifier_and_no_date_leaves_the_input(tmp_path: Path) -> None:
    study, _ = from_files(tmp_path / "in")
    out = tmp_path / "out"
    out.mkdir()
    export(study, out)
    source = originals(tmp_path / "in")
    secrets = {*CANARY, "Zzyx", "Quillon", "20240302", "20240413", MADE.strftime("%Y%m%d")}
    secrets |= {datetime.datetime.now(datetime.UTC).strftime("%Y%m%d")}
    for ds in source.values():
        secrets |= {ds.SOPInstanceUID, ds.StudyInstanceUID, ds.SeriesInstanceUID, ds.FrameOfReferenceUID}
    for path in out.iterdir():
        data = path.read_bytes()
        for secret in secrets:
            assert secret.encode() not in data, (path.name, secret)
            assert secret.encode("utf-16-le") not in data, (path.name, secret)
    days = [s.day for s in study.timeline.scans]
    assert days[1] - days[0] == 42
    for ds in everything(out):
        assert ds.LongitudinalTemporalInformationModified == "MODIFIED"
        assert ds.PatientIdentityRemoved == "YES"
        methods = [i.CodeValue for i in ds.DeidentificationMethodCodeSequence]
        assert methods == ["113100", "113107"]  # PS3.16 CID 7050
        assert ds.AccessionNumber == ds.StudyID == ds.ReferringPhysicianName == ds.PatientBirthDate == ""
        assert "StudyDescription" not in ds
        assert ds.PatientID == study.timeline.alias
        assert ds.ContentDate == ds.StudyDate
        # The bare year would be met by chance in the digits of replaced UIDs, so dates are looked at one by one.
        stamps = [str(e.value) for e in ds.iterall() if e.VR in ("DA", "DT") and e.value]
        assert stamps
        assert not [stamp for stamp in stamps if stamp.startswith("2024")]
    dates = [ds.StudyDate for ds in everything(out) if ds.Modality == "SEG"]
    # day zero is 1960-01-01; intervals are kept
    assert dates == ["19600101", "19600212"]


def test_replaced_identifiers_hang_together(tmp_path: Path) -> None:
    study, _ = from_files(tmp_path / "in")
    out = tmp_path / "out"
    out.mkdir()
    segmentations, path = export(study, out)
    report = pydicom.dcmread(path)
    named = {
        i.ReferencedSOPInstanceUID
        for name in ("CurrentRequestedProcedureEvidenceSequence", "PertinentOtherEvidenceSequence")
        for s in report[name].value
        for r in s.ReferencedSeriesSequence
        for i in r.ReferencedSOPSequence
    }
    for held in segmentations.values():
        assert held.SOPInstanceUID in named
        assert {
            r.ReferencedSOPInstanceUID for s in held.ReferencedSeriesSequence for r in s.ReferencedInstanceSequence
        } <= named
        assert re.fullmatch(r"2\.25\.[1-9]\d*", held.StudyInstanceUID)
        assert len(held.StudyInstanceUID) <= 64
    assert report.StudyInstanceUID == segmentations[2].StudyInstanceUID != segmentations[1].StudyInstanceUID
    # another run makes other UIDs: the key is not kept
    again = Identity(study.timeline)
    assert again.uid("1.2.3") != Identity(study.timeline).uid("1.2.3")
    assert again.uid("1.2.3") == again.uid("1.2.3") != again.uid("1.2.4")


def test_dates_alone_can_be_kept(tmp_path: Path) -> None:
    study, _ = from_files(tmp_path / "in")
    out = tmp_path / "out"
    out.mkdir()
    export(study, out, keep_dates=True)
    for ds in everything(out):
        assert ds.LongitudinalTemporalInformationModified == "UNMODIFIED"
        assert [i.CodeValue for i in ds.DeidentificationMethodCodeSequence] == ["113100", "113106"]
        assert ds.StudyDate in ("20240302", "20240413")
        assert ds.ContentDate == "20310708"
        assert CANARY[0] != str(ds.PatientName)
    assert not set(originals(tmp_path / "in")) & {ds.SOPInstanceUID for ds in everything(out)}


@pytest.mark.parametrize(
    "orientation",
    [
        dicom_factory.SUPINE,
        (-1.0, 0.0, 0.0, 0.0, -1.0, 0.0),
        (0.98480775, 0.17364818, 0.0, -0.17364818, 0.98480775, 0.0),
    ],
    ids=["supine", "prone", "turned in plane"],
)
def test_kept_identifiers_load_beside_the_originals(tmp_path: Path, orientation: tuple[float, ...]) -> None:
    study, _ = from_files(tmp_path / "in", orientation=orientation)
    out = tmp_path / "out"
    out.mkdir()
    segmentations, path = export(study, out, keep_identifiers=True)
    source = originals(tmp_path / "in")
    for number, held in segmentations.items():
        ds = pydicom.dcmread(out / f"seg-scan-{number}.dcm")
        for _, position, _, group in frames(ds):
            derived = group.DerivationImageSequence[0].SourceImageSequence[0]
            original = source[derived.ReferencedSOPInstanceUID]
            np.testing.assert_allclose(position, np.array(original.ImagePositionPatient, float), atol=1e-4)
            for name in (
                "StudyInstanceUID", "FrameOfReferenceUID", "PatientID", "PatientName", "PatientBirthDate", "PatientSex",
                "StudyID", "AccessionNumber", "StudyDate", "StudyTime", "ReferringPhysicianName",
            ):  # fmt: skip
                assert ds[name].value == original[name].value, name
        axes = ds.SharedFunctionalGroupsSequence[0].PlaneOrientationSequence[0].ImageOrientationPatient
        np.testing.assert_allclose(np.array(axes, float), original.ImageOrientationPatient, atol=1e-6)
        series = {s.SeriesInstanceUID for s in held.ReferencedSeriesSequence}
        assert series == {original.SeriesInstanceUID}
        # mineral lies only where the original pixels are dense
        mineral = 0
        for label, _, plane, group in frames(ds):
            original = source[group.DerivationImageSequence[0].SourceImageSequence[0].ReferencedSOPInstanceUID]
            hu = original.pixel_array.astype(float) * original.RescaleSlope + original.RescaleIntercept
            if label == "mineral":
                mineral += int(plane.sum())
                assert (hu[plane > 0] == 500).all()
        assert mineral > 500
        assert "LongitudinalTemporalInformationModified" not in ds
        assert "PatientIdentityRemoved" not in ds
    assert pydicom.dcmread(path).PatientID == CANARY[1]


def test_a_resampled_scan_can_not_refer_to_single_images(tmp_path: Path) -> None:
    tilt = np.radians(10)
    study, _ = from_files(tmp_path / "in", step=(0.0, -2.5 * np.sin(tilt), 2.5 * np.cos(tilt)))
    out = tmp_path / "out"
    out.mkdir()
    kept = Identity(study.timeline, keep_identifiers=True)
    with pytest.raises(OutputError, match=r"do not lie on single source images.*without --keep-identifiers"):
        kept.frames(study.timeline.scans[0], 0, 1)
    paths, notes = sr.export(study, out, keep_identifiers=True)
    assert paths == ()
    assert [n.subject for n in notes] == ["scan 1", "scan 2"]
    paths, notes = sr.export(study, out)
    assert [p.name for p in paths] == ["measurements-sr.dcm", "seg-scan-1.dcm", "seg-scan-2.dcm"]
    assert notes == ()


def test_the_same_key_and_clock_give_the_same_bytes(tmp_path: Path) -> None:
    study = study_factory.early(study_factory.study())
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        export(study, tmp_path / name)
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes()


def test_an_alias_is_made_to_fit_names_and_identifiers(tmp_path: Path) -> None:
    study = study_factory.early(study_factory.study())
    study = replace(study, timeline=replace(study.timeline, alias="A^B=C\\D " + "x" * 80))
    segmentations, _ = export(study, tmp_path)
    assert segmentations[1].PatientID.startswith("A_B_C_D x")
    assert len(segmentations[1].PatientID) <= 64


def test_shifted_dates_before_day_zero_are_dates_too() -> None:
    study = study_factory.study()
    scan = replace(study.timeline.scans[0], day=-3)
    assert Identity(study.timeline).date(scan) == "19591229"


# --- an outside judge -------------------------------------------------------------------------------------------

_BESIDE = Path(sys.executable).with_name("dciodvfy")
DCIODVFY = str(_BESIDE) if _BESIDE.exists() else shutil.which("dciodvfy")
needs_judge = pytest.mark.skipif(DCIODVFY is None, reason="dciodvfy (package dicom3tools) is not installed")


def complaints(path: Path) -> list[str]:
    """Lines that start with 'Error', whatever the exit code: the code is 0 with some of them."""
    assert DCIODVFY is not None
    ran = subprocess.run([DCIODVFY, str(path)], capture_output=True, text=True, check=False, timeout=120)
    return [line for line in (ran.stdout + ran.stderr).splitlines() if line.startswith("Error")]


@needs_judge
def test_dciodvfy_finds_no_error(made: tuple[Study, Path]) -> None:
    paths = sorted(made[1].glob("*.dcm"))
    assert len(paths) == 6
    assert {p.name: complaints(p) for p in paths} == {p.name: [] for p in paths}


@needs_judge
@pytest.mark.parametrize("policy", [{"keep_identifiers": True}, {"keep_dates": True}, {}])
def test_dciodvfy_finds_no_error_under_any_policy(tmp_path: Path, policy: dict[str, bool]) -> None:
    study, _ = from_files(tmp_path / "in")
    out = tmp_path / "out"
    out.mkdir()
    export(study, out, **policy)
    assert {p.name: complaints(p) for p in out.iterdir()} == {p.name: [] for p in out.iterdir()}


@needs_judge
def test_dciodvfy_does_find_an_error_that_was_planted(made: tuple[Study, Path], tmp_path: Path) -> None:
    ds = pydicom.dcmread(made[1] / "seg-scan-3.dcm")
    del ds.SegmentSequence[0].SegmentedPropertyTypeCodeSequence
    ds.save_as(tmp_path / "broken.dcm")
    assert complaints(tmp_path / "broken.dcm")


def test_every_scan_of_a_timeline_has_its_own_series(made: tuple[Study, Path]) -> None:
    study, folder = made
    line: Timeline = study.timeline
    scans: tuple[Scan, ...] = line.scans
    series = {pydicom.dcmread(folder / f"seg-scan-{s.number}.dcm").SeriesInstanceUID for s in scans}
    assert len(series) == len(scans)


# --- the summary as an encapsulated PDF -------------------------------------------------------------------------

PDF = b"%PDF-1.4\n1 0 obj<</Type/Catalog>>endobj\ntrailer<</Root 1 0 R>>\n%%EOF\n"


@pytest.mark.parametrize("pdf", [PDF, PDF + b"\n"], ids=["even", "odd"])
def test_the_summary_comes_back_byte_for_byte(tmp_path: Path, pdf: bytes) -> None:
    study = study_factory.early(study_factory.study())
    path = sr_pdf.write(pdf, tmp_path, Identity(study.timeline, key=KEY, made=MADE))
    ds = pydicom.dcmread(path)
    assert ds.EncapsulatedDocument[: ds.EncapsulatedDocumentLength] == pdf
    assert ds.MIMETypeOfEncapsulatedDocument == "application/pdf"
    assert ds.LongitudinalTemporalInformationModified == "MODIFIED"
    assert ds.StudyDate == ds.ContentDate == "19600113"
    if DCIODVFY is not None:
        assert complaints(path) == []


def test_a_summary_that_is_no_pdf_is_refused() -> None:
    study = study_factory.early(study_factory.study())
    with pytest.raises(OutputError, match="no PDF"):
        sr_pdf.encapsulate(Identity(study.timeline), b"<html>")
