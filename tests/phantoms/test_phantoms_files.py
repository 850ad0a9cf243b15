"""The written histories are proper CT Image Storage and say where the truth lies."""

from __future__ import annotations

import hashlib
import json
import tomllib
from functools import cache
from pathlib import Path

import numpy as np
import pydicom
import pytest
import SimpleITK as sitk
from coarse_truth import coarse_truth
from dicom_reading import complaints, needs_judge
from pydicom.uid import UID, CTImageStorage

from phantoms import History, load_history
from phantoms.__main__ import main
from phantoms.files import write_case

SMALL = ["--matrix", "64", "--pixel-mm", "2.4", "--slices", "8", "--slice-mm", "3"]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("phantom") / "demo"
    with coarse_truth():
        assert main(["build", "demo", "--out", str(out), "--seed", "4", "--with-lesion-seed", *SMALL]) == 0
    return out


def read(out: Path) -> list[pydicom.Dataset]:
    return [pydicom.dcmread(p) for p in sorted((out / "case").rglob("*.dcm"))]


def digest(out: Path) -> dict[str, str]:
    return {str(p.relative_to(out)): hashlib.sha256(p.read_bytes()).hexdigest() for p in out.rglob("*") if p.is_file()}


def test_attributes_that_ct_image_storage_requires(demo: Path) -> None:
    """Types 1 and 2 of the modules of PS3.3 A.3 (patient, study, series, frame of reference, equipment, image, CT)."""
    required = [
        "StudyInstanceUID",
        "SeriesInstanceUID",
        "SOPInstanceUID",
        "SOPClassUID",
        "FrameOfReferenceUID",
        "Modality",
        "ImageType",
        "SamplesPerPixel",
        "PhotometricInterpretation",
        "BitsAllocated",
        "BitsStored",
        "HighBit",
        "PixelRepresentation",
        "Rows",
        "Columns",
        "PixelSpacing",
        "ImageOrientationPatient",
        "ImagePositionPatient",
        "RescaleIntercept",
        "RescaleSlope",
        "PixelData",
        "PatientPosition",
    ]
    present = [
        "PatientName",
        "PatientID",
        "PatientBirthDate",
        "PatientSex",
        "StudyDate",
        "StudyTime",
        "ReferringPhysicianName",
        "StudyID",
        "AccessionNumber",
        "SeriesNumber",
        "PositionReferenceIndicator",
        "Manufacturer",
        "InstanceNumber",
        "KVP",
        "SliceThickness",
    ]
    for ds in read(demo):
        for name in required:
            assert ds.get(name) not in (None, ""), name
        for name in present:
            assert name in ds, name
        assert ds.SOPClassUID == CTImageStorage
        assert ds.file_meta.MediaStorageSOPInstanceUID == ds.SOPInstanceUID
        for name in ("StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID", "FrameOfReferenceUID"):
            assert UID(ds[name].value).is_valid, name
            assert ds[name].value.startswith("2.25."), name
        assert len(ds.PixelData) == 2 * ds.Rows * ds.Columns
        assert ds.ImageType[2] in ("AXIAL", "LOCALIZER")
        assert "Invented" in str(ds.PatientName)


@needs_judge
def test_dciodvfy_and_dcentvfy_find_no_error(demo: Path) -> None:
    """Localisers, distractors and serial scans alike; dcentvfy holds patient and studies of all files together."""
    paths = sorted((demo / "case").rglob("*.dcm"))
    assert {p.name: said for p in paths if (said := complaints(p))} == {}
    assert complaints(*paths) == []


@needs_judge
def test_dcentvfy_does_find_a_contradiction_that_was_planted(demo: Path, tmp_path: Path) -> None:
    paths = sorted((demo / "case").rglob("*.dcm"))[:2]
    ds = pydicom.dcmread(paths[1])
    ds.PatientBirthDate = "19330303"
    ds.save_as(tmp_path / "other.dcm")
    assert complaints(paths[0], tmp_path / "other.dcm")


def test_studies_frames_and_distractors(demo: Path) -> None:
    files = read(demo)
    studies = {ds.StudyInstanceUID for ds in files}
    assert len(studies) == 5
    assert len({ds.FrameOfReferenceUID for ds in files}) == 5
    assert len({ds.SOPInstanceUID for ds in files}) == len(files)
    assert len({ds.PatientID for ds in files}) == 1
    for study in studies:
        own = [ds for ds in files if ds.StudyInstanceUID == study]
        thickness = {float(ds.SliceThickness) for ds in own if ds.ImageType[2] == "AXIAL"}
        assert sum(ds.ImageType[2] == "LOCALIZER" for ds in own) == 1
        assert thickness == {3.0, 5.0}
    assert any("SHARP" in ds.ConvolutionKernel for ds in files if ds.ImageType[2] == "AXIAL")
    padded = [ds for ds in files if "PixelPaddingValue" in ds]
    assert padded
    assert all((ds.pixel_array == ds.PixelPaddingValue).any() for ds in padded)


def test_another_reader_finds_the_same_grid_and_values(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """SimpleITK's series reader as second implementation of the geometry, supine and prone."""
    monkeypatch.setattr(History, "render", cache(History.render))  # what was written is what is held against it
    history = load_history("demo", 4).resized(64, 2.4, 8, 3.0)
    write_case(history, tmp_path / "out" / "case", distractors=False)
    for i in range(len(history)):
        scan = history.render(i)
        day = history.scans[i]["day"]
        folder = next(
            p.parent
            for p in (tmp_path / "out" / "case").rglob("*.dcm")
            if pydicom.dcmread(p, stop_before_pixels=True).StudyID == str(i + 1)
        )
        reader = sitk.ImageSeriesReader()
        reader.SetFileNames(sitk.ImageSeriesReader.GetGDCMSeriesFileNames(str(folder)))
        image = reader.Execute()
        np.testing.assert_allclose(image.GetOrigin(), scan.origin, atol=1e-4)
        np.testing.assert_allclose(image.GetSpacing(), scan.spacing[::-1], atol=1e-4)
        np.testing.assert_allclose(np.array(image.GetDirection()).reshape(3, 3), scan.directions[:, ::-1], atol=1e-6)
        if not history.scans[i]["circle"]:
            assert np.abs(sitk.GetArrayFromImage(image) - scan.hu.clip(-1024)).max() <= 0.5 + 1e-3, day


def test_truth_and_case_file_agree(demo: Path) -> None:
    truth = json.loads((demo / "truth.json").read_text(encoding="utf-8"))
    case = tomllib.loads((demo / "case" / "case.toml").read_text(encoding="utf-8"))
    assert [s["scan"] for s in truth["scans"]] == [1, 2, 3, 4, 5]
    assert [s["day"] for s in truth["scans"]] == sorted(s["day"] for s in truth["scans"])
    seed = np.array(case["lesion"]["seed"])
    home = truth["scans"][case["lesion"]["scan"] - 1]
    assert np.linalg.norm(seed - home["centroid"]) < 0.2
    for scan in truth["scans"]:
        matrix = np.array(scan["to_scan"]["1"])
        np.testing.assert_allclose(matrix[:3, :3] @ matrix[:3, :3].T, np.eye(3), atol=1e-9)
        moved = matrix[:3, :3] @ scan["centroid"] + matrix[:3, 3]
        assert np.linalg.norm(moved - truth["scans"][0]["centroid"]) < 1.5
    assert case["event"][1]["kind"] == "biopsy"
    entry, target = np.array(case["biopsy"][0]["entry"]), np.array(case["biopsy"][0]["target"])
    centre = np.array(truth["scans"][0]["centroid"])
    assert np.linalg.norm(target - centre) < np.linalg.norm(entry - centre) - 20
    dates = {ds.AcquisitionDate for ds in read(demo)}
    assert len(dates) == 5
    assert min(dates) == "20230601"


def test_the_same_command_writes_the_same_bytes(demo: Path, tmp_path: Path) -> None:
    write_case(load_history("demo", 4).resized(64, 2.4, 8, 3.0), tmp_path / "again", with_seed=True)
    assert digest(demo / "case") == digest(tmp_path / "again")


def test_list_and_refusals(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["list"]) == 0
    assert "maturing-shell" in capsys.readouterr().out
    assert main(["build", "nothing", "--out", str(tmp_path / "x")]) == 2
    assert "no history 'nothing'" in capsys.readouterr().err
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "a").write_text("a", encoding="utf-8")
    assert main(["build", "demo", "--out", str(tmp_path / "full")]) == 2
    assert "not an empty folder" in capsys.readouterr().err
    assert not (tmp_path / "x").exists()
