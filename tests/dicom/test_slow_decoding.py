"""A decoder that is busy with damaged data, stalls or dies: one sentence within a bound, and no process left."""

from __future__ import annotations

import resource
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from dicom_factory import Series, save, voxels
from pydicom.encaps import encapsulate

from mineralize import timeline
from mineralize.base import errors
from mineralize.dicom import children, content, decode, workers
from mineralize.dicom.children import EndedError, LateError, Nursery
from mineralize.dicom.headers import read_header
from mineralize.dicom.image import Image

JPEG_LS = "1.2.840.10008.1.2.4.80"


def in_jpeg_ls(folder: Path, cut_at: int | None) -> Series:
    """A series of four slices in JPEG-LS, of which the coded data of the third ends after ``cut_at`` bytes."""
    jpeg_ls = pytest.importorskip("jpeg_ls")
    picture = (np.arange(32 * 40).reshape(32, 40) % 256).astype(np.uint16)
    series = Series(hu=np.stack([np.roll(picture, k) for k in range(4)]).astype(np.int16), signed=False, intercept=0.0)
    for k, ds in enumerate(series.datasets()):
        stream = bytes(jpeg_ls.encode(np.frombuffer(ds.PixelData, np.uint16).reshape(32, 40)))
        stream = stream[:cut_at] if k == 2 and cut_at is not None else stream
        ds.file_meta.TransferSyntaxUID = JPEG_LS
        ds.PixelData = encapsulate([stream + b"\0" * (len(stream) % 2)])
        ds["PixelData"].VR = "OB"
        ds["PixelData"].is_undefined_length = True
        save(ds, folder / f"{k}")
    return series


def image_of(folder: Path) -> Image:
    found = read_header(str(folder / "2"), 1)
    assert isinstance(found, list)
    return found[0]


def processor_s() -> float:
    return sum(resource.getrusage(who).ru_utime for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))


def test_jpeg_ls_is_decoded_in_a_child_and_looked_at_there(tmp_path: Path) -> None:
    series = in_jpeg_ls(tmp_path, None)
    assert decode.needs_child(image_of(tmp_path).coding)
    scan = timeline.read(tmp_path).scans[0]
    np.testing.assert_array_equal(scan.volume.hu, series.hu)
    assert "no-air" in {note.kind for note in scan.notes}  # said by the look at a slice: values of 0 to 255


@pytest.mark.parametrize("cut_at", [29, 73, 221])
def test_coded_data_that_end_early_are_refused_within_the_bound(tmp_path: Path, cut_at: int) -> None:
    """Its header is whole. Cut here, the decoder was busy for 9 to 30 s (found by fuzzing)."""
    in_jpeg_ls(tmp_path, cut_at)
    image = image_of(tmp_path)
    assert image.coding.rows * image.coding.columns == 1280
    before = processor_s()
    with pytest.raises(
        errors.InputError, match=r"study 1 series 1: (expected a slice to be decoded within 3 s|the pix)"
    ):
        _ = timeline.read(tmp_path).scans[0].volume
    # Once looked at or once read; the rest is to start the children and to read the headers.
    assert processor_s() - before < children.allowed_s(image) + 6


def test_the_time_allowed_grows_with_the_declared_pixels_and_bytes(tmp_path: Path) -> None:
    in_jpeg_ls(tmp_path, None)
    image = image_of(tmp_path)
    large = replace(image, coding=replace(image.coding, rows=512, columns=512))
    assert children.allowed_s(large) - children.allowed_s(image) == pytest.approx((512 * 512 - 1280) / 5e5)
    long = replace(image, where=replace(image.where, length=image.where.length + 10**9))
    assert children.allowed_s(long) - children.allowed_s(image) == pytest.approx(50)
    twelve = replace(image.coding, transfer_syntax="1.2.840.10008.1.2.4.51", bits_stored=12, frames=1000)
    assert children.allowed_s(replace(image, coding=twelve)) > children.allowed_s(image) + 2.5


@pytest.mark.parametrize(
    ("way", "error"),
    [
        ("busy", LateError),
        ("stopped", LateError),
        ("asleep", LateError),
        ("killed", EndedError),
        ("half an answer", EndedError),
        ("silent but alive", EndedError),
    ],
)
def test_a_child_that_does_not_answer(way: str, error: type[Exception], monkeypatch: pytest.MonkeyPatch) -> None:
    waited_s = 3.0 if error is LateError else 300.0  # so that a busy machine does not make a dead child a late one
    monkeypatch.setattr(children, "WAITING_S", waited_s)
    monkeypatch.setattr(children, "WAITING_TIMES", 0)
    monkeypatch.setattr(children, "ENDING_S", 0.5)
    began = time.monotonic()
    with pytest.raises(error):
        children.answer("slow_children", way, 1.0)
    assert time.monotonic() - began < 100


def test_a_child_that_takes_no_job(monkeypatch: pytest.MonkeyPatch) -> None:
    """More than a pipe holds (64 KiB), so that the parent waits while it writes."""
    monkeypatch.setenv("SLOW_CHILD", "deaf")
    monkeypatch.setattr(children, "WAITING_S", 1.0)
    monkeypatch.setattr(children, "WAITING_TIMES", 0)
    with pytest.raises(LateError), Nursery().child("slow_children") as child:
        child.give(bytes(10**6), 1.0)


@pytest.mark.parametrize(("way", "words"), [("busy", "decoded within 3 s"), ("killed", "slice 1 could not be decoded")])
def test_a_worker_that_stalls_or_dies_refuses_the_series(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, way: str, words: str
) -> None:
    in_jpeg_ls(tmp_path, None)
    scan = timeline.read(tmp_path).scans[0]
    monkeypatch.setenv("SLOW_CHILD", way)
    monkeypatch.setattr(workers, "ENTRY", "slow_children")
    with pytest.raises(errors.SeriesError, match=rf"^study 1 series 1: .*{words}.*; export the series uncompressed$"):
        _ = scan.volume


def test_a_series_whose_look_is_late_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    in_jpeg_ls(tmp_path, None)
    monkeypatch.setattr(content, "ENTRY", "slow_children")
    monkeypatch.setenv("SLOW_CHILD", "busy")
    with pytest.raises(errors.InputError, match="study 1 series 1: expected a slice to be decoded within 3 s"):
        timeline.read(tmp_path)
    monkeypatch.setenv("SLOW_CHILD", "killed")
    assert timeline.read(tmp_path).scans  # what is damaged is said when it is read


def test_the_wait_is_left_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An interrupt in the thread that waits ends the children; none is waited for."""
    series = Series(hu=voxels((30, 32, 40)))
    paths = series.write(tmp_path)
    images = tuple(image for path in paths for image in read_header(str(path), 1))
    monkeypatch.setenv("SLOW_CHILD", "asleep")
    monkeypatch.setattr(workers, "ENTRY", "slow_children")

    class Interrupted(workers.ThreadPoolExecutor):
        def map(self, *given: object, **more: object) -> object:  # type: ignore[override]
            super().map(*given, **more)  # type: ignore[arg-type]
            time.sleep(0.5)
            raise KeyboardInterrupt

    monkeypatch.setattr(workers, "ThreadPoolExecutor", Interrupted)
    began = time.monotonic()
    with pytest.raises(KeyboardInterrupt):
        workers.fill(images, np.empty((30, 32, 40), np.int16), "series", 2)
    assert time.monotonic() - began < 100  # the children would sleep for 600 s


def test_no_process_can_be_started(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    in_jpeg_ls(tmp_path, None)
    scan = timeline.read(tmp_path).scans[0]

    def refused(*_: object, **__: object) -> None:
        raise BlockingIOError("no more processes")

    monkeypatch.setattr(children.subprocess, "Popen", refused)
    with pytest.raises(errors.SeriesError, match="slice 1 could not be decoded"):
        _ = scan.volume
