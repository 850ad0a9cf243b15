"""Every open CT file at hand is read, or refused for a right reason; the table states which.

The files are not part of the project: set MINERALIZE_CTDATA to their folder. Sources and licences stand beside.
Voxel values are compared with SimpleITK where that reader is known to be right (no tilt, no gap, one rescale).
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import SimpleITK as sitk
from packed import unpack

from mineralize import timeline
from mineralize.base import errors
from mineralize.base.geometry import from_sitk

ROOT = Path(os.environ.get("MINERALIZE_CTDATA", "/nonexistent"))
pytestmark = pytest.mark.skipif(not ROOT.is_dir(), reason="needs MINERALIZE_CTDATA")

STS = "sts-extremity-ct"  # TCIA Soft-tissue-Sarcoma via theibsi/data_sets, CC BY 3.0
CALC = "sts-calcified"  # the same collection
HEAD = "philips-head-phantom"  # neurolabusc/dcm_qa_ct, BSD 2-Clause
ODD = "dicom2nifti-awkward"  # icometrix/dicom2nifti test data, MIT
RT = "rtstruct-oblique"  # qurit/rt-utils test data, MIT
SEG = "dcmqi-seg-sr/segmentations"  # QIICR/dcmqi test data, BSD 3-Clause
PYDICOM = "pydicom-odd-files"  # pydicom test files, MIT

READ = [
    # path, shape, spacing along the slices, caution that must be there
    (f"{STS}/STS_019", (47, 134, 136), 3.27, ""),
    (f"{STS}/STS_042", (49, 162, 134), 3.27, ""),
    (f"{STS}/STS_049", (92, 205, 232), 3.27, ""),
    (f"{CALC}/STS_003_CT_dicom_rtstruct.tar.xz", (51, 158, 154), 3.27, ""),
    (f"{CALC}/STS_045_CT_dicom_rtstruct.tar.xz", (74, 218, 220), 3.27, ""),
    # a real scan of a calcium phantom with known masses; origin and licence in its folder
    ("qrm-hydroxyapatite/canon_Large_rep1.tar.xz", (47, 512, 512), 3.0, "derived"),
    (f"{HEAD}/A_untilted_5mm.zip", (28, 512, 512), 5.0, ""),
    (f"{HEAD}/B_tilt_minus18.5.zip", (54, 600, 512), 2.5 * np.cos(np.radians(18.5)), "gantry-tilt"),
    (f"{HEAD}/C_tilt_plus16.5.zip", (58, 612, 512), 2.5 * np.cos(np.radians(16.5)), "gantry-tilt"),
    (f"{HEAD}/D_untilted_1mm_softkernel_slab.zip", (5, 512, 512), 1.0, "few-slices"),
    (f"{HEAD}/E_untilted_1mm_bonekernel_slab.zip", (5, 512, 512), 1.0, "few-slices"),
    (f"{ODD}/gantrytilting/001", (4, 521, 512), 5 * np.cos(np.radians(14)), "gantry-tilt"),
    (f"{RT}/mock_data", (2, 512, 512), 5.0, "padding"),
    ("derived-not-real-files/STS_019_legacy_converted_enhanced_ct.dcm", (47, 134, 136), 3.27, ""),
]
SINGLE = "found a single slice"
NOT_HU = "not in HU by its own Rescale Type"
NO_IMAGE = "no CT image among"
REFUSED = [
    ("ge-missing-duplicate/ge_missing_duplicate.tar.xz", "more than one"),
    (f"{HEAD}/localizer_A.dcm", "a localizer"),
    (f"{HEAD}/localizer_BC.dcm", "a localizer"),
    (f"{HEAD}/secondary_capture_ref_surview.dcm", "a secondary capture"),
    (f"{HEAD}/secondary_capture_rgb_dose_info.dcm", "a secondary capture"),
    (f"{ODD}/notavolume/001", "one slice per position"),
    (f"{ODD}/sliceincrement/001", r"found 10\.00 mm between slices 3 and 4"),
    (f"{ODD}/sliceincrement/002", r"found 1\.50 mm between slices 3 and 4"),
    (f"{RT}/oriented_data", NOT_HU),
    (f"{RT}/one_slice_data", NOT_HU),
    (f"{SEG}/23x38x3/image", NOT_HU),
    (f"{SEG}/24x38x3/multiframe", NOT_HU),
    (f"{SEG}/liver.dcm", NO_IMAGE),
    (f"{PYDICOM}/CT_small.dcm", SINGLE),
    (f"{PYDICOM}/J2K_pixelrep_mismatch.dcm", SINGLE),
    (f"{PYDICOM}/bad_sequence.dcm", SINGLE),
    (f"{PYDICOM}/explicit_VR-UN.dcm", SINGLE),
    (f"{PYDICOM}/eCT_Supplemental.dcm", NOT_HU),
    (f"{PYDICOM}/MR_truncated.dcm", "truncated"),
    (f"{PYDICOM}/MR_small_bigendian.dcm", "not CT"),
    (f"{PYDICOM}/image_dfl.dcm", "not CT"),
    (f"{PYDICOM}/zipMR.gz", "not CT"),
    (f"{PYDICOM}/RG3_J2KR.dcm", "not CT"),
    (f"{PYDICOM}/HTJ2K_08_RGB.dcm", "a secondary capture"),
    (f"{PYDICOM}/parametric_map_float.dcm", "not CT"),
    (f"{PYDICOM}/rtstruct.dcm", NO_IMAGE),
    (f"{PYDICOM}/reportsi.dcm", NO_IMAGE),
    (f"{PYDICOM}/no_meta.dcm", NO_IMAGE),
    (f"{PYDICOM}/meta_missing_tsyntax.dcm", NO_IMAGE),
    (f"{PYDICOM}/ExplVR_BigEndNoMeta.dcm", NO_IMAGE),
    (f"{PYDICOM}/dicomdirtests", "two or more patients"),
    ("ct-all-transfer-syntaxes/CT0012.fragmented_no_bot_jpeg_baseline.51.dcm", NOT_HU),
]


@pytest.mark.parametrize(("path", "shape", "spacing", "kind"), READ, ids=[row[0] for row in READ])
def test_read(path: str, shape: tuple[int, int, int], spacing: float, kind: str) -> None:
    case = timeline.read(ROOT / path)
    (scan,) = case.scans
    assert scan.grid.shape == shape
    assert scan.grid.spacing[0] == pytest.approx(spacing, rel=2e-3)
    assert not kind or kind in {note.kind for note in scan.notes}
    assert np.isfinite(scan.volume.hu).all()


@pytest.mark.parametrize(("path", "reason"), REFUSED, ids=[row[0] for row in REFUSED])
def test_refused(path: str, reason: str) -> None:
    with pytest.raises(errors.InputError, match=reason):
        timeline.read(ROOT / path)


def by_sitk(folder: Path) -> tuple[np.ndarray, object]:
    reader = sitk.ImageSeriesReader()
    best: tuple[str, ...] = ()
    for series in reader.GetGDCMSeriesIDs(str(folder)):
        names = reader.GetGDCMSeriesFileNames(str(folder), series)
        best = max(best, names, key=len)
    reader.SetFileNames(best)
    return from_sitk(reader.Execute())


@pytest.mark.parametrize(
    "path",
    [
        f"{STS}/STS_019/CT/image",
        f"{STS}/STS_042/CT/image",
        f"{HEAD}/A_untilted_5mm.zip",
        f"{HEAD}/E_untilted_1mm_bonekernel_slab.zip",
        "qrm-hydroxyapatite/canon_Large_rep1.tar.xz",
    ],
)
def test_voxels_and_geometry_agree_with_an_independent_reader(path: str, tmp_path: Path) -> None:
    folder = ROOT / path
    if folder.is_file():
        unpack(folder, tmp_path)
    if not folder.is_dir():
        folder = max(
            (p for p in tmp_path.rglob("*") if p.is_dir()), key=lambda p: len(list(p.iterdir())), default=tmp_path
        )
    ours = timeline.read(folder).scans[0]
    theirs, grid = by_sitk(folder)
    np.testing.assert_array_equal(ours.volume.hu, theirs)
    np.testing.assert_allclose(ours.grid.affine, grid.affine, atol=2e-3)  # type: ignore[attr-defined]


def test_tilted_scans_lie_on_the_untilted_one() -> None:
    """One plastic head scanned three times without moving: bone of the tilted scans falls on bone of the upright one.

    The header geometry alone maps 92.7 % (-18.5 degrees) and 89.4 % (+16.5) of bone voxels onto bone, measured with
    the slices as stored; squaring the tilt off would lose most of it.
    """
    upright = timeline.read(ROOT / HEAD / "D_untilted_1mm_softkernel_slab.zip").scans[0].volume
    for name, floor in (("B_tilt_minus18.5.zip", 0.90), ("C_tilt_plus16.5.zip", 0.87)):
        tilted = timeline.read(ROOT / HEAD / name).scans[0].volume
        bone = np.argwhere(tilted.hu > 300)[::7]
        world = tilted.grid.to_world(bone)
        world = world[upright.grid.contains(world)]
        assert len(world) > 500
        assert (upright.sample(world) > 200).mean() > floor


def test_a_legacy_converted_image_is_the_slices_it_was_made_of() -> None:
    """STS_019 packed by highdicom 0.28.2: two formats, one volume."""
    packed = timeline.read(ROOT / "derived-not-real-files" / "STS_019_legacy_converted_enhanced_ct.dcm").scans[0]
    slices = timeline.read(ROOT / STS / "STS_019" / "CT" / "image").scans[0]
    np.testing.assert_array_equal(packed.volume.hu, slices.volume.hu)
    np.testing.assert_allclose(packed.grid.affine, slices.grid.affine, atol=1e-6)
    assert packed.acquisition.kvp == slices.acquisition.kvp == 140
    assert packed.acquisition.kernel == slices.acquisition.kernel


@pytest.mark.parametrize("name", ["STS_003", "STS_013", "STS_045"])
def test_contours_agree_with_the_published_mask(name: str) -> None:
    """Tumour masks of the same contours rasterised upstream (theibsi/data_sets, NIfTI on the CT grid)."""
    case = timeline.read(ROOT / CALC / f"{name}_CT_dicom_rtstruct.tar.xz")
    offer = case.offered[0]
    assert offer.mask is not None
    assert offer.grid is not None
    image = sitk.ReadImage(str(ROOT / CALC / f"{name}_GTV_mask.nii.gz"))
    mask, grid = from_sitk(image)
    index = np.round(grid.to_index(offer.grid.to_world(np.argwhere(offer.mask)))).astype(int)
    ours = np.zeros(mask.shape, bool)
    ours[tuple(index.T)] = True
    dice = 2 * (ours & (mask > 0)).sum() / (ours.sum() + (mask > 0).sum())
    assert dice > 0.97


def test_a_segmentation_lies_in_its_ct(tmp_path: Path) -> None:
    """Liver segmentation of dcmqi on its three slices: nearly all of it is tissue, not air or bone."""
    for path in [*(ROOT / SEG / "ct-3slice").iterdir(), ROOT / SEG / "liver.dcm"]:
        (tmp_path / path.name).write_bytes(path.read_bytes())
    case = timeline.read(tmp_path)
    (offer,) = case.offered
    assert offer.kind == "segmentation"
    assert offer.mask is not None
    assert offer.grid is not None
    values = case.scans[0].volume.sample(offer.grid.to_world(np.argwhere(offer.mask)))
    assert 0 < np.median(values) < 200
    assert ((values > -50) & (values < 300)).mean() > 0.9  # the rest is its edge to the lung


def test_padding_of_a_real_scanner_is_no_tissue(tmp_path: Path) -> None:
    """GE LightSpeed Ultra, padding -2000 (dcmqi ct-3slice)."""
    scan = timeline.read(ROOT / SEG / "ct-3slice").scans[0]
    assert "padding" in {note.kind for note in scan.notes}
    assert scan.volume.hu.min() == -2048
    assert not ((scan.volume.hu > -2048) & (scan.volume.hu < -1024)).any()
