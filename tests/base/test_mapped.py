"""Voxels of large scans lie in a file without a name, and take memory only while they are looked at."""

from __future__ import annotations

import gc
import os
import pickle
import sys
import tempfile
import tracemalloc
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from dicom_factory import Series
from numpy.typing import NDArray

from mineralize.base import Grid, Volume, laid_down, mapped
from mineralize.timeline import read

LARGE = (40, 512, 512)
"""20 MiB, and so under what is laid down unless a test says otherwise."""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where voxels are laid down, whatever their size."""
    monkeypatch.setattr(mapped, "FROM_BYTES", 1)
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr(tempfile, "tempdir", None)
    return tmp_path


def voxels(dtype: type[np.generic] = np.int16) -> NDArray[Any]:
    return np.random.default_rng(3).integers(-1000, 3000, LARGE).astype(dtype)


def resident_of_files() -> int:
    """Bytes of files that are mapped and in memory (proc(5): statm, field 3, in pages)."""
    return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[2]) * os.sysconf("SC_PAGESIZE")


@pytest.mark.parametrize("dtype", [np.int16, np.float32])
def test_values_stay_and_cannot_be_changed(folder: Path, dtype: type[np.generic]) -> None:
    made = voxels(dtype)
    held = laid_down(made)
    assert held is not made
    assert held.dtype == made.dtype
    np.testing.assert_array_equal(held, made)
    mapped.rest(held)
    np.testing.assert_array_equal(held, made)
    with pytest.raises(ValueError, match="read-only"):
        held[0, 0, 0] = 1
    np.testing.assert_array_equal(pickle.loads(pickle.dumps(held)), made)


def test_a_part_of_an_array_is_laid_down_as_it_reads(folder: Path) -> None:
    made = voxels()[::2, 5:100, ::-1]
    np.testing.assert_array_equal(laid_down(made), made)


def test_no_name_is_ever_left_in_the_folder(folder: Path) -> None:
    held = laid_down(voxels())
    assert os.listdir(folder) == []
    assert held.any()


def test_small_voxels_stay_where_they_are() -> None:
    made = voxels()
    assert made.nbytes < mapped.FROM_BYTES
    assert laid_down(made) is made
    mapped.rest(made)  # nothing happens to it


def test_without_room_on_the_drive_they_stay_in_memory(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = voxels()
    with monkeypatch.context() as patched:
        patched.setattr(mapped.shutil, "disk_usage", lambda _: SimpleNamespace(free=made.nbytes))
        assert laid_down(made) is made

    def full(*_: Any, **__: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(mapped.tempfile, "TemporaryFile", full)
    assert laid_down(made) is made


@pytest.mark.skipif(sys.platform != "linux", reason="asks the system for resident pages")
def test_what_was_looked_at_is_let_go_of(folder: Path) -> None:
    """Some pages may stay that belong to libraries; three quarters of the voxels must go."""
    held = laid_down(voxels())
    volume = Volume(held, Grid.from_parts(LARGE, (1.0, 1.0, 1.0), (0.0, 0.0, 0.0), np.eye(3)))
    assert int(held.max()) > 2000
    before = resident_of_files()
    volume.rest()
    assert before - resident_of_files() > 0.75 * held.nbytes
    part = volume.crop(((0, 40), (0, 512), (0, 512)))
    assert before - resident_of_files() > 0.75 * held.nbytes
    np.testing.assert_array_equal(part.hu, held.astype(np.float32))


def test_memory_does_not_grow_with_the_number_of_scans(folder: Path) -> None:
    """Five scans that were read take less than one of them would."""
    shape = (12, 256, 256)
    case = folder / "case"
    for number in range(5):
        hu = np.random.default_rng(number).integers(-900, 900, shape).astype(np.int16)
        Series(hu=hu, spacing=(2.5, 0.7, 0.7), date=f"2024030{number + 1}").write(case / f"s{number}")
    line = read(case)
    one = int(np.prod(shape)) * 2
    tracemalloc.start()
    try:
        _ = line.scans[0].volume
        gc.collect()
        before, _ = tracemalloc.get_traced_memory()
        tracemalloc.reset_peak()
        for scan in line.scans[1:]:
            assert scan.volume.hu.shape == shape
        gc.collect()
        after, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert after - before < one / 2
    assert peak - before < 2 * one


def test_without_any_folder_to_write_in_voxels_stay_in_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    def none_at_all() -> str:
        raise FileNotFoundError("No usable temporary directory found")

    monkeypatch.setattr(mapped, "_folder", none_at_all)
    monkeypatch.setattr(mapped, "FROM_BYTES", 1)
    voxels = np.arange(24, dtype=np.int16).reshape(2, 3, 4)
    assert mapped.laid_down(voxels) is voxels
