"""DICOM out: segmentations and the measurement report, read back by highdicom and by plain pydicom.

Codes are checked against pydicom's copy of the PS3.16 dictionaries, structure against PS3.16 templates 1500, 1411
and 1501, objects against dciodvfy (dicom3tools) where it is installed. Its known blind spots (template, codes, units,
geometry) have tests of their own.
"""

from __future__ import annotations

import datetime
import pickle
import re
from dataclasses import replace
from pathlib import Path

import dicom_factory
import highdicom as hd
import numpy as np
import pydicom
import pytest
import study_factory
from dicom_reading import (
    CANARY,
    DCIODVFY,
    KEY,
    child,
    complaints,
    everything,
    export,
    frames,
    from_files,
    groups,
    items,
    needs_judge,
    originals,
    quantity_of,
    read_numbers,
    regions,
    triple,
)

from mineralize.base import PRIVATE_SCHEME, OutputError, Scan
from mineralize.dicom_out import Identity, codes, seg, sr, sr_pdf
from mineralize.dicom_out.slab import slab
from mineralize.study import Study
from mineralize.timeline import Timeline


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Study, Path]:
    """A study with a withheld rim in scan 4, and the folder its objects were written to."""
    study = study_factory.study(unresolved=4)
    folder = tmp_path_factory.mktemp("dicom")
    export(study, folder)
    return study, folder


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
    # 4 regions in 5 scans but one without mineral, 4 groups without a region in each scan and that one, 5 pairs
    # of scans, the findings
    assert kinds == {"1411": 19, "1501": 5 * 4 + 1 + 5 + 1}
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
        assert triple(offset.ContentSequence[0].ConceptCodeSequence) == ("ONSET", PRIVATE_SCHEME)
    scheme = report.CodingSchemeIdentificationSequence[0]
    assert scheme.CodingSchemeDesignator == PRIVATE_SCHEME


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
    reasons: dict[tuple[int, str], list[str]] = {}
    for group in groups(report):
        number = int(child(group, "126073")[0].MeasuredValueSequence[0].NumericValue)
        name = child(group, "112039")[0].TextValue
        for item in group.ContentSequence:
            if item.ValueType == "CODE" and name in sr.GROUPS:
                for row in codes.CODED:
                    if row.region == name and (row.told.value, row.told.scheme) == triple(item.ConceptNameCodeSequence):
                        said[number, row.quantity] = triple(item.ConceptCodeSequence)[0]
                        reasons[number, row.quantity] = [c.TextValue for c in child(item, "121106")]
    for m in study.measurements:
        if codes.coded(m.quantity) is not None:
            expected = {"withheld": "114006", "caution": "CAUTION", "ok": None}[m.trust]
            assert said.get((m.scan, m.quantity)) == expected, m
            assert reasons.get((m.scan, m.quantity), []) == ([m.reason] if m.trust != "ok" else []), m


# --- segmentations ----------------------------------------------------------------------------------------------


def test_masks_read_back_voxel_for_voxel_where_the_source_grid_has_them(made: tuple[Study, Path]) -> None:
    study, folder = made
    for scan in study.timeline.scans:
        part = slab(study, scan.number)
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
    assert {len(uids) for uids in tracked.values()} == {1}
    assert set(sr.GROUPS) < set(tracked)
    assert len({uid for uids in tracked.values() for uid in uids}) == len(tracked)


def test_a_lesion_without_mineral_has_no_mineral_segment(made: tuple[Study, Path]) -> None:
    ds = pydicom.dcmread(made[1] / "seg-scan-1.dcm")
    assert [s.SegmentLabel for s in ds.SegmentSequence] == ["lesion", "rim", "core"]


def test_a_scan_without_outline_is_reported_without_a_region(tmp_path: Path) -> None:
    study = study_factory.study(missing=2)
    segmentations, path = export(study, tmp_path)
    assert sorted(segmentations) == [1, 3, 4, 5]
    mine = [g for g in regions(pydicom.dcmread(path)) if child(g, "C2348792")[0].TextValue == "scan 2"]
    assert mine
    assert {g.ContentTemplateSequence[0].TemplateIdentifier for g in mine} == {"1501"}
    assert not [i for g in mine for i in g.ContentSequence if i.ValueType == "NUM" and i.RelationshipType == "CONTAINS"]


def test_masks_are_handed_over_whole() -> None:
    """To another process only the box with what is marked goes."""
    rng = np.random.default_rng(4)
    box = {name: rng.random((4, 5, 6)) > 0.5 for name in ("lesion", "rim", "core")}
    masks = {name: np.pad(inner, ((2, 1), (90, 30), (0, 200))) for name, inner in box.items()}
    for part in (seg.Slab.of(7, masks), seg.Slab.of(0, {"lesion": np.zeros((2, 3, 4), bool)})):
        sent = pickle.dumps(part)
        again = pickle.loads(sent)
        assert again.first == part.first
        assert again.masks.keys() == part.masks.keys()
        assert len(sent) < 3000
        for name, mask in part.masks.items():
            np.testing.assert_array_equal(again.masks[name], mask)


def test_masks_that_do_not_fit_are_refused() -> None:
    study = study_factory.early(study_factory.study())
    scan = study.timeline.scans[0]
    with pytest.raises(ValueError, match="own grid"):
        seg.build(Identity(study.timeline), scan, seg.Slab.of(0, {"lesion": np.ones((2, 3, 4), bool)}))
    empty = np.zeros((2, *scan.grid.shape[1:]), bool)
    with pytest.raises(ValueError, match="at least one voxel"):
        seg.build(Identity(study.timeline), scan, seg.Slab.of(0, {"lesion": empty}))


# --- whom and when ----------------------------------------------------------------------------------------------


def test_by_default_no_identifier_and_no_date_leaves_the_input(tmp_path: Path) -> None:
    study, _ = from_files(tmp_path / "in")
    out = tmp_path / "out"
    out.mkdir()
    export(study, out)
    source = originals(tmp_path / "in")
    secrets = {*CANARY, "Zzyx", "Quillon", "20240302", "20240413"}
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
        assert ds.AccessionNumber == ds.ReferringPhysicianName == ds.PatientBirthDate == ""
        assert ds.StudyID in ("1", "2")
        assert "StudyDescription" not in ds
        assert re.fullmatch(r"P-\w{5}-\w{5}", ds.PatientID)  # nobody named the case
        assert ds.PatientName == f"{ds.PatientID}^"
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
        assert ds.ContentDate == ds.StudyDate
        assert ds.StudyTime == ds.ContentTime == "101500"  # that of the study (tests/dicom_factory.py)
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
    path = sr_pdf.write(pdf, tmp_path, Identity(study.timeline, key=KEY))
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
