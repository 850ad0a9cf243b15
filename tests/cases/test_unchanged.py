"""A case that changes while it is read and measured is refused: old places never meet new pixels."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from dicom_factory import Series, save, voxels
from pydicom.uid import UID

from mineralize.base import InputError
from mineralize.cases.unchanged import Watch
from mineralize.timeline import read


def rewritten(path: Path) -> None:
    data = path.read_bytes()
    path.write_bytes(data[:-2] + b"\x07\x00")


def replaced(path: Path) -> None:
    fresh = path.with_name("fresh")
    fresh.write_bytes(path.read_bytes())
    os.utime(fresh, ns=(path.stat().st_atime_ns, path.stat().st_mtime_ns))  # same size, same times, another file
    fresh.replace(path)


@pytest.mark.parametrize("act", [rewritten, replaced, Path.unlink, lambda path: os.truncate(path, 300)])
@pytest.mark.parametrize("encoding", ["1.2.840.10008.1.2.1", "1.2.840.10008.1.2.1.99"], ids=["plain", "deflated"])
def test_a_change_after_the_headers_were_read(act: Callable[[Path], None], encoding: str, tmp_path: Path) -> None:
    """Also one that comes before anybody began to watch; by our own parser and by pydicom's."""
    series = Series(hu=voxels((4, 9, 7)))
    for k, ds in enumerate(series.datasets()):
        ds.file_meta.TransferSyntaxUID = UID(encoding)
        ds["PixelData"].VR = "OW"
        save(ds, tmp_path / f"{k}")
    case = read(tmp_path)
    Watch(case).check()
    act(sorted(tmp_path.iterdir())[2])
    with pytest.raises(InputError, match="changed while they were measured"):
        Watch(case).check()


def test_touching_nothing_is_no_change(tmp_path: Path) -> None:
    Series(hu=voxels((4, 9, 7))).write(tmp_path)
    case = read(tmp_path)
    for scan in case.scans:
        assert scan.volume.hu.size
    Watch(case).check()
