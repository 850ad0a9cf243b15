"""Input of any shape: folders, archives, DICOMDIR, copies, links, odd names; and what is no input at all."""

from __future__ import annotations

import io
import os
import shutil
import subprocess
import sys
import tarfile
import time
import zipfile
from pathlib import Path

import numpy as np
import pytest
from dicom_factory import Series, history, save
from pydicom.dataset import Dataset

from mineralize import timeline
from mineralize.base import errors
from mineralize.dicom import archives, files
from mineralize.timeline import Timeline


def hu(case: Timeline) -> np.ndarray:
    return case.scans[0].volume.hu


def test_nested_folders_mixed_case_and_unicode_names(tmp_path: Path) -> None:
    series = Series()
    for k, ds in enumerate(series.datasets()):
        folder = tmp_path / "Ünïcode ☃" / ("IMG" if k % 2 else "img") / "x"
        folder.mkdir(parents=True, exist_ok=True)
        save(ds, folder / f"Sçan {k}.DCM")
    (tmp_path / "README.TXT").write_text("hello")
    case = timeline.read(tmp_path)
    np.testing.assert_array_equal(hu(case), series.hu)
    assert any(n.kind == "file-set-aside" and "not a DICOM file" in n.text for n in case.notes)


def test_symbolic_loops_end(tmp_path: Path) -> None:
    series = Series()
    series.write(tmp_path / "a")
    (tmp_path / "a" / "loop").symlink_to(tmp_path)
    (tmp_path / "dangling").symlink_to(tmp_path / "nowhere")
    np.testing.assert_array_equal(hu(timeline.read(tmp_path)), series.hu)


def test_copies_of_one_instance_are_used_once_and_said(tmp_path: Path) -> None:
    series = Series()
    for path in series.write(tmp_path / "a"):
        (tmp_path / "b").mkdir(exist_ok=True)
        shutil.copy(path, tmp_path / "b" / f"copy {path.name}")
    case = timeline.read(tmp_path)
    np.testing.assert_array_equal(hu(case), series.hu)
    assert [n.text for n in case.notes if n.kind == "copies"] == [
        "6 image(s) are there twice; one copy of each is used."
    ]


def test_two_files_of_one_instance_that_differ_are_refused(tmp_path: Path) -> None:
    """One UID, two contents: no one can say which is right."""
    paths = Series().write(tmp_path)
    data = bytearray(paths[2].read_bytes())
    data[-9] ^= 1
    (tmp_path / "other").write_bytes(data)
    with pytest.raises(errors.InputError, match="more than one"):
        timeline.read(tmp_path)


@pytest.mark.parametrize("mode", ["w:", "w:gz", "w:xz", "w:bz2"])
@pytest.mark.parametrize("inside", [True, False])
def test_tar(tmp_path: Path, mode: str, inside: bool) -> None:
    series = Series()
    series.write(tmp_path / "w")
    (tmp_path / "case").mkdir()
    packed = tmp_path / "case" / "any name"
    with tarfile.open(packed, mode) as archive:
        archive.add(tmp_path / "w", "Ada Tester")
    np.testing.assert_array_equal(hu(timeline.read(packed.parent if inside else packed)), series.hu)


def test_zip_with_its_case_file(tmp_path: Path) -> None:
    series = Series()
    series.write(tmp_path / "w")
    with zipfile.ZipFile(tmp_path / "case.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for path in (tmp_path / "w").iterdir():
            archive.write(path, f"top/{path.name}")
        archive.writestr("top/case.toml", 'alias = "K-3"')
    case = timeline.read(tmp_path / "case.zip")
    np.testing.assert_array_equal(hu(case), series.hu)
    assert case.alias == "K-3"


def test_no_member_climbs_out_of_the_archive(tmp_path: Path) -> None:
    data = Series().write(tmp_path / "w")[0].read_bytes()
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr("../../climbed", data)
        archive.writestr("/absolute", data)
    with tarfile.open(tmp_path / "a.tar", "w") as tar:
        for name in ("../climbed", "/tmp/climbed-absolute"):
            info = tarfile.TarInfo(name)
            info.size = len(data)
            tar.addfile(info, io.BytesIO(data))
        link = tarfile.TarInfo("link")
        link.type, link.linkname = tarfile.SYMTYPE, "/etc/passwd"
        tar.addfile(link)
    for name in ("a.zip", "a.tar"):
        unpacked = archives.unpack(tmp_path / name)
        for path in unpacked.files:
            assert os.path.basename(path).isdigit()
    assert unpacked.passed_over == 1
    assert not (tmp_path.parent / "climbed").exists()
    assert not Path("/tmp/climbed-absolute").exists()


def test_a_bomb_is_stopped_by_its_ratio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(archives, "FREE_RATIO_BYTES", 2**20)
    with zipfile.ZipFile(tmp_path / "a.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("x", bytes(8 * 2**20))
    with pytest.raises(errors.InputError, match="more than 200 times its size"):
        timeline.read(tmp_path / "a.zip")


def test_count_and_total_are_limited_and_stated(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        for k in range(12):
            archive.writestr(f"{k}", bytes(1000))
    monkeypatch.setattr(archives, "LARGEST_COUNT", 10)
    with pytest.raises(errors.InputError, match="hold more than 10 files"):
        timeline.read(tmp_path / "a.zip")
    monkeypatch.setattr(archives, "LARGEST_COUNT", 100)
    monkeypatch.setattr(archives, "LARGEST_TOTAL", 5000)
    with pytest.raises(errors.InputError, match="unpack to more than"):
        timeline.read(tmp_path / "a.zip")


def test_an_encrypted_or_damaged_archive_is_said(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr("x", b"abc" * 100)
    data = bytearray((tmp_path / "a.zip").read_bytes())
    data[6] |= 1
    at = data.find(b"PK\x01\x02")
    data[at + 8] |= 1
    (tmp_path / "a.zip").write_bytes(data)
    with pytest.raises(errors.InputError, match="encrypted"):
        timeline.read(tmp_path / "a.zip")
    (tmp_path / "b.zip").write_bytes(b"PK\x03\x04" + bytes(60))
    with pytest.raises(errors.InputError, match="damaged"):
        timeline.read(tmp_path / "b.zip")


def test_a_damaged_archive_in_a_folder_does_not_hide_the_rest(tmp_path: Path) -> None:
    series = Series()
    series.write(tmp_path / "w")
    (tmp_path / "notes.gz").write_bytes(b"\x1f\x8b\x08" + bytes(60))
    np.testing.assert_array_equal(hu(timeline.read(tmp_path)), series.hu)


def test_nothing_is_left_behind_when_unpacking_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    temporary = tmp_path / "tmp"
    temporary.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(temporary))
    (tmp_path / "b.zip").write_bytes(b"PK\x03\x04" + bytes(60))
    with pytest.raises(errors.InputError):
        timeline.read(tmp_path / "b.zip")
    assert not list(temporary.iterdir())


def test_dicomdir_stands_for_its_folder(tmp_path: Path) -> None:
    def edit(ds: Dataset, k: int) -> None:
        ds.StudyID = "1"

    series = Series(edit=edit)
    paths = series.write(tmp_path / "w")
    # In a process of its own: the library's file set leaves warnings about its temporary folders behind.
    code = """if True:
        import sys
        from pydicom.fileset import FileSet
        media = FileSet()
        for path in sys.argv[2:]:
            media.add(path)
        media.write(sys.argv[1])
        """
    subprocess.run([sys.executable, "-W", "ignore", "-c", code, str(tmp_path / "disc"), *map(str, paths)], check=True)
    for path in (tmp_path / "disc" / "DICOMDIR", tmp_path / "disc"):
        case = timeline.read(path)
        np.testing.assert_array_equal(hu(case), series.hu)


def test_one_hospital_export_with_many_series(tmp_path: Path) -> None:
    made = history(tmp_path)
    for series in made:
        scout = Series(study=series.study, frame=series.frame, number=1, date=series.date)
        for k, ds in enumerate(scout.datasets()[:1]):
            ds.ImageType = ["ORIGINAL", "PRIMARY", "LOCALIZER"]
            save(ds, tmp_path / f"scout {series.date} {k}")
        sharp = Series(study=series.study, frame=series.frame, number=3, date=series.date)
        for k, ds in enumerate(sharp.datasets()):
            ds.ConvolutionKernel = "B70s"
            save(ds, tmp_path / f"sharp {series.date} {k}")
    case = timeline.read(tmp_path)
    assert len(case.scans) == 3
    assert len(case.series) == 9
    assert {row.kernel_class for row in case.series if row.chosen} == {"soft"}
    assert all(row.reason for row in case.series)


def test_a_link_to_the_whole_disk_is_not_followed(tmp_path: Path) -> None:
    series = Series()
    series.write(tmp_path / "case" / "a")
    (tmp_path / "case" / "disk").symlink_to("/")
    (tmp_path / "case" / "home").symlink_to(tmp_path)
    began = time.monotonic()
    case = timeline.read(tmp_path / "case")
    assert time.monotonic() - began < 30
    np.testing.assert_array_equal(hu(case), series.hu)
    assert [n.text for n in case.notes if n.kind == "passed-over"] == ["2 link(s) or special file(s) were passed over."]


def test_a_link_to_a_scan_elsewhere_is_followed(tmp_path: Path) -> None:
    series = Series()
    series.write(tmp_path / "archive" / "a")
    (tmp_path / "case").mkdir()
    (tmp_path / "case" / "a").symlink_to(tmp_path / "archive" / "a")
    np.testing.assert_array_equal(hu(timeline.read(tmp_path / "case")), series.hu)


def test_fifos_sockets_and_devices_are_passed_over(tmp_path: Path) -> None:
    series = Series()
    series.write(tmp_path)
    os.mkfifo(tmp_path / "fifo")
    (tmp_path / "zero").symlink_to("/dev/zero")
    case = timeline.read(tmp_path)
    np.testing.assert_array_equal(hu(case), series.hu)
    assert [n.text for n in case.notes if n.kind == "passed-over"] == ["2 link(s) or special file(s) were passed over."]


def test_a_path_too_long_to_be_opened_is_said(tmp_path: Path) -> None:
    """4,096 characters are the most that Linux takes (PATH_MAX, limits.h); deeper ones are made step by step."""
    Series().write(tmp_path / "case" / "a")
    deep = "n" * 250
    here = os.getcwd()
    try:
        os.chdir(tmp_path / "case")
        for _ in range(18):
            os.mkdir(deep)
            os.chdir(deep)
        Series(date="20240501").write(Path("."))
    finally:
        os.chdir(here)
    case = timeline.read(tmp_path / "case")
    assert len(case.scans) == 1
    (note,) = (n for n in case.notes if n.kind == "not-opened")
    assert note.level == "caution"
    assert "what they hold is missing" in note.text
    shutil.rmtree(tmp_path / "case", ignore_errors=True)


def test_a_folder_that_may_not_be_opened_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    series = Series()
    series.write(tmp_path / "a")
    Series(date="20240501").write(tmp_path / "b")
    scandir = os.scandir

    def refuse(path: str) -> object:
        if str(path).endswith("/b"):
            raise PermissionError(13, "no", str(path))
        return scandir(path)

    monkeypatch.setattr(os, "scandir", refuse)
    case = timeline.read(tmp_path)
    assert len(case.scans) == 1
    assert [n.level for n in case.notes if n.kind == "not-opened"] == ["caution"]


# --- what is no input ------------------------------------------------------------------------------------------


def test_what_does_not_exist(tmp_path: Path) -> None:
    with pytest.raises(errors.InputError, match="does not exist") as caught:
        timeline.read(tmp_path / "Ada Tester")
    assert "Ada" not in str(caught.value)


def test_an_empty_folder(tmp_path: Path) -> None:
    with pytest.raises(errors.InputError, match="is empty"):
        timeline.read(tmp_path)


def test_text_files_zero_bytes_and_rubbish(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("a text that is longer than a preamble " * 20)
    (tmp_path / "b").write_bytes(b"")
    (tmp_path / "c.dcm").write_bytes(bytes(200))
    with pytest.raises(errors.InputError, match=r"no CT image among the 3 file\(s\) .*2 x not a DICOM file, 1 x empty"):
        timeline.read(tmp_path)


def test_truncated_files(tmp_path: Path) -> None:
    for path in Series().write(tmp_path):
        path.write_bytes(path.read_bytes()[:-40])
    with pytest.raises(errors.InputError, match="truncated: pixels are missing"):
        timeline.read(tmp_path)


def test_one_truncated_slice_is_not_interpolated_away(tmp_path: Path) -> None:
    paths = Series().write(tmp_path)
    paths[2].write_bytes(paths[2].read_bytes()[:-40])
    with pytest.raises(errors.InputError, match=r"5\.00 mm between slices 2 and 3"):
        timeline.read(tmp_path)


def test_one_slice(tmp_path: Path) -> None:
    Series().write(tmp_path, skip=range(1, 6))
    with pytest.raises(errors.InputError, match="found a single slice"):
        timeline.read(tmp_path)


def test_a_radiograph(tmp_path: Path) -> None:
    ds = Series().dataset(0)
    ds.Modality, ds.SOPClassUID = "DX", "1.2.840.10008.5.1.4.1.1.1.1"
    save(ds, tmp_path / "x")
    with pytest.raises(errors.InputError, match="study 1 series 1: not CT"):
        timeline.read(tmp_path)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_no_permission(tmp_path: Path) -> None:
    Series().write(tmp_path)
    tmp_path.chmod(0)
    try:
        with pytest.raises(errors.InputError, match="no permission"):
            timeline.read(tmp_path)
    finally:
        tmp_path.chmod(0o700)


def test_files_without_permission_are_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    Series().write(tmp_path)

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError

    monkeypatch.setattr("mineralize.dicom.headers.elements.read", refuse)
    with pytest.raises(errors.InputError, match="6 x no permission to read it"):
        timeline.read(tmp_path)


def test_too_many_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    Series().write(tmp_path)
    monkeypatch.setattr(files, "LARGEST_COUNT", 3)
    with pytest.raises(errors.InputError, match="more than 3 files"):
        timeline.read(tmp_path)
