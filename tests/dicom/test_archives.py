"""Archives: nothing of them outlives the run, their limits hold over all of them, a bad one costs nothing else."""

from __future__ import annotations

import io
import os
import signal
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import numpy as np
import pytest
from dicom_factory import Series

from mineralize import timeline
from mineralize.base import InputError
from mineralize.dicom import archives, files, private

ROOT = Path(__file__).parents[2]


def zipped(paths: list[Path]) -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in paths:
            archive.write(path, path.name)
    return held.getvalue()


def bomb(size: int) -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("x", bytes(size))
    return held.getvalue()


def running(case: Path, temporary: Path) -> subprocess.Popen[str]:
    """A program that has read a case and still holds it."""
    code = (
        "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); "  # both may be ignored here
        "signal.signal(signal.SIGHUP, signal.SIG_DFL); "
        f"import sys, time; sys.path.insert(0, {str(ROOT)!r}); from mineralize import timeline; "
        f"case = timeline.read({str(case)!r}); print('read', flush=True); time.sleep(120)"
    )
    child = subprocess.Popen(
        [sys.executable, "-c", code],
        env=os.environ | {"TMPDIR": str(temporary)},
        stdout=subprocess.PIPE,
        text=True,
    )
    assert child.stdout is not None
    assert child.stdout.readline() == "read\n"
    return child


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGHUP, signal.SIGKILL, signal.SIGINT])
def test_nothing_that_was_unpacked_outlives_a_run_that_is_ended(tmp_path: Path, how: signal.Signals) -> None:
    (tmp_path / "case.zip").write_bytes(zipped(Series().write(tmp_path / "w")))
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    with running(tmp_path / "case.zip", temporary) as child:
        assert len([p for p in temporary.rglob("*") if p.is_file() and p.name != private.LOCK]) == 6
        child.send_signal(how)
        child.wait(timeout=30)
    until = time.monotonic() + 10
    while list(temporary.iterdir()) and time.monotonic() < until:
        time.sleep(0.05)
    assert not list(temporary.iterdir())


def test_what_a_lost_run_left_is_removed_by_the_next_and_what_a_live_one_uses_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "case.zip").write_bytes(zipped(Series().write(tmp_path / "w")))
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(temporary))
    lost = temporary / f"{private.PREFIX}lost"
    lost.mkdir()
    (lost / private.LOCK).touch()
    (lost / "000000").write_bytes(b"a scan")
    making = temporary / f"{private.PREFIX}being-made"
    making.mkdir()
    foreign = temporary / "mineralize-notes"
    foreign.mkdir()
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (temporary / f"{private.PREFIX}link").symlink_to(elsewhere)
    with running(tmp_path / "case.zip", temporary) as child:
        (used,) = (p for p in temporary.iterdir() if (p / "000000").exists() and p != lost)
        assert not lost.exists()
        private.clear_leftovers()
        assert (used / "000000").exists()
        child.kill()
    assert making.exists()
    assert foreign.exists()
    assert elsewhere.exists()


def test_a_folder_that_another_run_sees_before_it_is_locked_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another run clears up right between the lock's file being made and its being held."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    lock = private._locked

    def seen(path: Path, *, make: bool) -> int | None:
        if make:
            path.touch()
            private.clear_leftovers()
        return lock(path, make=make)

    monkeypatch.setattr(private, "_locked", seen)
    folder = private.PrivateFolder()
    assert Path(folder.path).is_dir()
    assert private.clear_leftovers() == 0
    assert Path(folder.path).is_dir()
    folder.remove()
    assert not list(tmp_path.iterdir())


def test_an_archive_that_is_refused_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(temporary))
    monkeypatch.setattr(archives, "FREE_RATIO_BYTES", 2**20)
    (tmp_path / "a.zip").write_bytes(bomb(8 * 2**20))
    with pytest.raises(InputError, match="200 times its size"):
        timeline.read(tmp_path / "a.zip")
    assert not list(temporary.iterdir())


def test_limits_hold_over_all_archives_of_a_case(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Twenty archives just below the limit of one are together beyond it; the good scan beside them is read."""
    case = tmp_path / "case"
    series = Series()
    series.write(case)
    monkeypatch.setattr(archives, "LARGEST_TOTAL", 5 * 2**20)
    monkeypatch.setattr(archives, "FREE_RATIO_BYTES", 2**40)
    for k in range(20):
        (case / f"{k}.zip").write_bytes(bomb(2**20))
    found = timeline.read(case)
    np.testing.assert_array_equal(found.scans[0].volume.hu, series.hu)
    (note,) = (n for n in found.notes if n.kind == "archive-refused")
    assert note.text.startswith("15 archive(s) not used: the archives unpack to more than")
    assert note.level == "caution"


def test_one_bad_archive_never_costs_a_good_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A refused archive gives back what it took of the limits."""
    monkeypatch.setattr(archives, "FREE_RATIO_BYTES", 2**20)
    case = tmp_path / "case"
    case.mkdir()
    series = Series()
    (case / "a.zip").write_bytes(bomb(64 * 2**20))
    (case / "b.zip").write_bytes(b"PK\x03\x04" + bytes(60))
    (case / "c.zip").write_bytes(zipped(series.write(tmp_path / "w")))
    found = timeline.read(case)
    np.testing.assert_array_equal(found.scans[0].volume.hu, series.hu)
    assert "archive-refused" in {n.kind for n in found.notes}


def test_bad_archives_alone_say_why(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(archives, "FREE_RATIO_BYTES", 2**20)
    (tmp_path / "a.zip").write_bytes(bomb(64 * 2**20))
    with pytest.raises(InputError, match=r"no CT image in the case could be reached; .*200 times its size"):
        timeline.read(tmp_path)


@pytest.mark.parametrize("depth", [1, 2, 3, 4])
def test_archives_in_archives_are_opened_three_deep(tmp_path: Path, depth: int) -> None:
    series = Series()
    data = zipped(series.write(tmp_path / "w"))
    for level in range(depth - 1):
        inner = tmp_path / f"{level}.zip"
        inner.write_bytes(data)
        data = zipped([inner])
    (tmp_path / "case.zip").write_bytes(data)
    if depth <= files.DEEPEST_ARCHIVE:
        np.testing.assert_array_equal(timeline.read(tmp_path / "case.zip").scans[0].volume.hu, series.hu)
    else:
        with pytest.raises(InputError, match="more than 3 deep in each other"):
            timeline.read(tmp_path / "case.zip")


def test_a_damaged_archive_in_an_archive_does_not_hide_the_rest(tmp_path: Path) -> None:
    series = Series()
    bad = tmp_path / "bad.zip"
    bad.write_bytes(b"PK\x03\x04" + bytes(60))
    (tmp_path / "case.zip").write_bytes(zipped([*series.write(tmp_path / "w"), bad]))
    np.testing.assert_array_equal(timeline.read(tmp_path / "case.zip").scans[0].volume.hu, series.hu)
