"""Which series of a study is measured: the documented score, and a reason for every 'no'."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from dicom_factory import SUPINE, Series, history, voxels
from pydicom.dataset import Dataset

from mineralize import timeline
from mineralize.base import errors


def setter(**values: Any) -> Callable[[Dataset, int], None]:
    def edit(ds: Dataset, k: int) -> None:
        for name, value in values.items():
            setattr(ds, name, value)

    return edit


CORONAL = (1.0, 0.0, 0.0, 0.0, 0.0, -1.0)


@pytest.mark.parametrize(
    ("worse", "reason"),
    [
        ({"edit": setter(ImageType=["DERIVED", "PRIMARY", "AXIAL"])}, "derived"),
        ({"edit": setter(ImageType=["ORIGINAL", "SECONDARY", "AXIAL"])}, "made after the examination"),
        ({"edit": setter(ConvolutionKernel="B70s")}, "sharp kernel"),
        ({"edit": setter(ConvolutionKernel="B45s")}, "medium kernel"),
        ({"edit": setter(ConvolutionKernel="own brew")}, "kernel not listed"),
        ({"spacing": (2.0, 0.7, 0.6), "hu": voxels((4, 11, 13))}, "slices 2.00 mm apart"),
        ({"hu": voxels((4, 11, 13))}, "covers 50 % of the longest"),
        ({"orientation": CORONAL}, "not axial"),
        ({"edit": setter(LossyImageCompression="01")}, "lossy compression"),
        ({"heights": [0, 1, 2.25, 3, 4, 5, 6, 7]}, "had to be resampled"),
        ({"spacing": (1.0, 2.0, 2.0)}, "pixels of 2.00 mm"),
    ],
)
def test_each_loss_decides_and_is_named(tmp_path: Path, worse: dict[str, Any], reason: str) -> None:
    common: dict[str, Any] = {"spacing": (1.0, 0.7, 0.6), "hu": voxels((8, 11, 13)), "orientation": SUPINE}
    good = Series(**common, number=5)
    bad = Series(**(common | worse), number=3, study=good.study, frame=good.frame)
    good.write(tmp_path)
    bad.write(tmp_path)
    case = timeline.read(tmp_path)
    assert [(row.series, row.chosen) for row in case.series] == [(1, False), (2, True)]
    assert reason in case.series[0].reason


def test_a_user_can_overrule(tmp_path: Path) -> None:
    good = Series(number=5)
    sharp = Series(number=3, study=good.study, frame=good.frame, edit=setter(ConvolutionKernel="B70s"))
    good.write(tmp_path)
    sharp.write(tmp_path)
    (tmp_path / "case.toml").write_text("[[series]]\nstudy = 1\nseries = 1\n")
    case = timeline.read(tmp_path)
    assert case.scans[0].acquisition.kernel_class == "sharp"
    assert case.scans[0].label == "study 1 series 1"


def test_what_cannot_be_used_cannot_be_asked_for(tmp_path: Path) -> None:
    good = Series(number=5)
    gap = Series(number=3, study=good.study, frame=good.frame)
    good.write(tmp_path)
    gap.write(tmp_path, skip=[2])
    (tmp_path / "case.toml").write_text("[[series]]\nstudy = 1\nseries = 1\n")
    with pytest.raises(errors.InputError, match=r"asks for series 1 of study 1, which cannot be used: .* 5\.00 mm"):
        timeline.read(tmp_path)
    (tmp_path / "case.toml").write_text("[[series]]\nstudy = 1\nseries = 8\n")
    with pytest.raises(errors.InputError, match="asks for series 8 of study 1, which does not exist"):
        timeline.read(tmp_path)


def test_the_series_must_hold_the_seed(tmp_path: Path) -> None:
    long = Series(number=5, hu=voxels((12, 11, 13)))
    short = Series(number=3, study=long.study, frame=long.frame, hu=voxels((5, 11, 13)), origin=(-31.0, -42.0, 160.0))
    long.write(tmp_path)
    short.write(tmp_path)
    assert timeline.read(tmp_path).scans[0].label == "study 1 series 2"
    (tmp_path / "case.toml").write_text("[lesion]\nscan = 1\nseed = [-29.0, -40.0, 165.0]\n")
    case = timeline.read(tmp_path)
    assert case.scans[0].label == "study 1 series 1"
    assert case.series[1].reason == "does not hold the lesion's seed"


def test_the_kernel_of_the_other_scans_is_preferred(tmp_path: Path) -> None:
    """Two scans exist only with a medium kernel; the third has a medium and a soft one, close in score."""
    medium = setter(ConvolutionKernel="B45s")
    made = history(tmp_path, edit=medium)
    soft = Series(number=9, study=made[2].study, frame=made[2].frame, date="20240510")
    soft.write(tmp_path / "soft")
    case = timeline.read(tmp_path)
    assert [s.acquisition.kernel_class for s in case.scans] == ["medium", "medium", "medium"]
    assert any("kernel unlike the other scans" in row.reason for row in case.series)


def test_a_study_without_usable_series_is_said_and_the_others_go_on(tmp_path: Path) -> None:
    history(tmp_path)
    Series(date="20240315").write(tmp_path / "gap", skip=[2])
    case = timeline.read(tmp_path)
    assert len(case.scans) == 3
    said = {note.kind: note for note in case.notes}
    assert said["series-refused"].level == "refused"
    assert "5.00 mm" in said["series-refused"].text
    assert said["study-without-scan"].level == "caution"


def test_differences_between_scans_are_noted(tmp_path: Path) -> None:
    Series().write(tmp_path / "a")
    Series(date="20240601", edit=setter(KVP=80, ContrastBolusAgent="Iohexol")).write(tmp_path / "b")
    found = {note.subject for note in timeline.read(tmp_path).notes if note.kind == "not-comparable"}
    assert found == {"tube voltage", "contrast agent"}
