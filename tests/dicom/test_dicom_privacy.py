"""No identifier of the input leaves it: canaries in every text attribute, in private ones and in file names.

The attributes follow DICOM PS3.15 Annex E, table E.1-1 (basic profile), and go beyond it: *every* text attribute of the
dictionary that fits a CT image is planted.
"""

from __future__ import annotations

import logging
import traceback
from collections.abc import Callable
from pathlib import Path

import pytest
from dicom_canaries import CANARY, found_in, plant_text, planting
from dicom_factory import Series, save
from dicom_objects import contour_set
from pydicom.dataset import Dataset

from mineralize import timeline
from mineralize.base import errors
from mineralize.timeline import inspection

UID_ROOT = "1.2.777.4242."


def plant(ds: Dataset, k: int) -> None:
    plant_text(ds)
    for keyword in ("StudyDate", "SeriesDate", "AcquisitionDate", "ContentDate", "InstanceCreationDate"):
        setattr(ds, keyword, "19810405")
    ds.StudyInstanceUID, ds.SeriesInstanceUID = UID_ROOT + "1", UID_ROOT + "2"
    ds.SOPInstanceUID = f"{UID_ROOT}3.{k}"
    ds.FrameOfReferenceUID = UID_ROOT + "4"
    ds.ConvolutionKernel, ds.Manufacturer = CANARY, CANARY


@pytest.fixture
def planted(tmp_path: Path) -> Path:
    folder = tmp_path / f"{CANARY} Lea 1931-04-05"
    folder.mkdir()
    with planting():
        series = Series(edit=plant)
        for k, ds in enumerate(series.datasets()):
            save(ds, folder / f"{CANARY} {k}.dcm")
        drawn = contour_set(Series(frame=UID_ROOT + "4"), series.hu > 150)
        for name in ("PatientName", "PatientID"):
            setattr(drawn, name, CANARY)
        save(drawn, folder / f"{CANARY} drawn")
    return folder


def assert_clean(text: str) -> None:
    assert not found_in(text.encode(), (CANARY, UID_ROOT, "1931", "1981", "Lea"))


def test_every_output_of_reading_is_clean(
    planted: Path, capfd: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    case = timeline.read(planted)
    _ = case.scans[0].volume
    assert_clean(inspection.report(planted))
    assert_clean("\n".join(f"{n.kind} {n.subject} {n.text}" for n in (*case.notes, *case.scans[0].notes)))
    assert_clean(repr(case.series))
    assert_clean(repr(case.scans[0].acquisition))
    assert_clean(case.content_hash())
    out, err = capfd.readouterr()
    assert_clean(out + err + caplog.text)
    assert not err


def test_keeping_shows_only_what_was_asked_for(planted: Path) -> None:
    dated = inspection.report(planted, keep_dates=True)
    assert "1981-04-05" in dated
    assert UID_ROOT not in dated
    named = inspection.report(planted, keep_identifiers=True)
    assert UID_ROOT in named
    assert "1981" not in named
    for text in (dated, named):
        assert CANARY not in text
        assert "1931" not in text


def missing(folder: Path) -> None:
    next(iter(sorted(folder.glob("* 2.dcm")))).unlink()


def cut(folder: Path) -> None:
    for path in folder.glob("*.dcm"):
        path.write_bytes(path.read_bytes()[:-30])


def other_patient(folder: Path) -> None:
    save(Series(patient=("Q-99", "Else^Someone", "19600101")).dataset(0), folder / "x")


def no_date(folder: Path) -> None:
    for path in folder.glob("*.dcm"):
        path.write_bytes(path.read_bytes().replace(b"19810405", b"99999999"))


def broken_case_file(folder: Path) -> None:
    (folder / "case.toml").write_text(f'alias = 7\nonset = "{CANARY}"\n[lesion]\nseed = ["{CANARY}", 1, 2]\n')


def no_rescale(folder: Path) -> None:
    for path in folder.glob("*.dcm"):
        path.write_bytes(path.read_bytes().replace(b"\x28\x00\x53\x10DS", b"\x28\x00\x53\x10LO").replace(b"HU", b"QU"))


@pytest.mark.parametrize("harm", [missing, cut, other_patient, no_date, broken_case_file, no_rescale])
def test_every_error_is_clean_even_with_its_causes(planted: Path, harm: Callable[[Path], None]) -> None:
    """Also what a traceback would show of the exception itself: no cause that quotes a value hangs on it."""
    harm(planted)
    with pytest.raises(errors.InputError) as caught:
        timeline.read(planted)
    assert_clean(str(caught.value))
    assert_clean("".join(traceback.format_exception_only(caught.value)))
    assert caught.value.__cause__ is None


def test_unlisted_kernels_and_makers_become_neutral_words(planted: Path) -> None:
    made = timeline.read(planted).scans[0].acquisition
    assert made.kernel == "not a listed kernel"
    assert made.manufacturer == "other"


def test_the_canary_is_in_the_input(planted: Path) -> None:
    """A check that is never tested in the negative is not a check."""
    data = next(planted.glob("*.dcm")).read_bytes()
    assert data.count(CANARY.encode()) > 150
