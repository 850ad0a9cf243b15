"""Real CT against itself, moved by a known transform and with noise of its own: the transform must come back.

Needs ``MINERALIZE_CTDATA``; skipped visibly without it. Sources: soft-tissue sarcoma CT, CC BY 3.0 (Vallieres 2015,
10.7937/K9/TCIA.2015.7GO2GSKS, as re-exported by the IBSI); head phantom, BSD 2-Clause (neurolabusc/dcm_qa_ct). The
truth is the transform itself, so nothing of ours judges ours.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import SimpleITK as sitk
from packed import unpack

from mineralize.align import Alignment, align
from mineralize.base import Acquisition, AlignSettings, Grid, MineralSettings, Rigid, Volume, to_sitk
from mineralize.base.geometry import from_sitk
from mineralize.bones import find_skeleton
from mineralize.reference import measure_reference
from mineralize.reference.cubes import cubes_of
from mineralize.reference.depth import muscle_by_depth

ROOT = os.environ.get("MINERALIZE_CTDATA", "")
pytestmark = [
    pytest.mark.skipif(not ROOT, reason="MINERALIZE_CTDATA is not set: real scans are not checked"),
    pytest.mark.slow,
]
SETTINGS = AlignSettings()

# name -> (how it is packed, path, pinned by its anatomy). The head is no limb: 5 mm slices of thin
# plates cut by the scan's end pin little, and an alignment by them may be withheld.
CASES = {
    "knee": ("folder", "sts-extremity-ct/STS_042/CT/image", True),
    "hand": ("folder", "sts-extremity-ct/STS_019/CT/image", True),
    "lower legs": ("folder", "sts-extremity-ct/STS_049/CT/image", True),
    "buttock, small mass": ("tar", "sts-calcified/STS_003_CT_dicom_rtstruct.tar.xz", True),
    "knee, fatty mass": ("tar", "sts-calcified/STS_013_CT_dicom_rtstruct.tar.xz", True),
    "thigh, calcified mass": ("tar", "sts-calcified/STS_045_CT_dicom_rtstruct.tar.xz", True),
    "plastic head": ("zip", "philips-head-phantom/A_untilted_5mm.zip", False),
}


def read(kind: str, path: Path, work: Path) -> Volume:
    """The volume by SimpleITK's own reader, independent of the project's."""
    folder = path
    if kind == "tar":
        unpack(path, work)
        folder = next(p for p in work.rglob("image") if p.is_dir())
    elif kind == "zip":
        unpack(path, work)
        folder = next(p.parent for p in sorted(work.rglob("*")) if p.is_file())
    names = sitk.ImageSeriesReader.GetGDCMSeriesFileNames(str(folder))
    image = sitk.ReadImage(names)
    hu, grid = from_sitk(image)
    return Volume(np.clip(hu, -1024, 3071).astype(np.int16), grid)


def moved_copy(volume: Volume, motion: Rigid, spacing: tuple[float, ...], noise: float, seed: int = 4) -> Volume:
    """The scan of the same patient laid down differently: ``motion`` maps LPS of the copy to LPS of the original."""
    middle = motion.inverse().apply(volume.grid.to_world((np.array(volume.grid.shape) - 1) / 2))
    shape = np.maximum(np.floor((np.array(volume.grid.shape) - 1) * volume.grid.spacing / spacing).astype(int), 2)
    origin = middle - volume.grid.directions @ ((shape - 1) / 2 * np.array(spacing))
    grid = Grid.from_parts(shape.tolist(), spacing, origin.tolist(), volume.grid.directions)
    affine = sitk.AffineTransform(3)
    affine.SetMatrix(motion.matrix[:3, :3].ravel().tolist())
    affine.SetTranslation(motion.matrix[:3, 3].tolist())
    like = to_sitk(np.zeros(grid.shape, np.uint8), grid)
    image = sitk.Resample(to_sitk(volume.hu, volume.grid), like, affine, sitk.sitkBSpline, -1000.0, sitk.sitkFloat32)
    hu = sitk.GetArrayFromImage(image) + np.random.default_rng(seed).normal(0, noise, grid.shape)
    return Volume(np.clip(np.rint(hu), -1024, 3071).astype(np.int16), grid)


def recovered(volume: Volume, motion: Rigid, noise: float = 12.0) -> tuple[float, Alignment]:
    """Error in mm at a point beside the bone, and the alignment."""
    fixed = find_skeleton(volume, SETTINGS)
    copy = moved_copy(volume, motion, tuple(volume.grid.spacing), noise)
    moving = find_skeleton(copy, SETTINGS)
    bone = max(fixed.bones, key=lambda part: part.likeness * part.volume_mm3)
    own = fixed.points[fixed.point_labels == bone.label]
    normals = fixed.normals[fixed.point_labels == bone.label]
    nearest = int(np.argmin(np.linalg.norm(own - bone.centre, axis=1)))
    point = own[nearest] + 20.0 * normals[nearest]
    found = align(
        2,
        copy,
        moving,
        fixed_scan_no=1,
        fixed=volume,
        fixed_skeleton=fixed,
        lesion_point=point,
        lesion_radius_mm=12.0,
        settings=SETTINGS,
    )
    truth = motion.inverse().apply(point)
    return float(np.linalg.norm(found.transform.apply(truth) - point)), found


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("turn", [8.0, 35.0])
def test_a_known_motion_is_recovered(name: str, turn: float, tmp_path: Path) -> None:
    kind, path, pinned = CASES[name]
    volume = read(kind, Path(ROOT) / path, tmp_path)
    axis = np.array([0.25, -0.15, 0.95])
    vector = axis / np.linalg.norm(axis) * np.radians(turn)
    centre = volume.grid.to_world((np.array(volume.grid.shape) - 1) / 2)
    motion = Rigid.from_vectors(vector.tolist(), (11.0, -7.0, 9.0), centre.tolist())
    error, found = recovered(volume, motion)
    print(f"{name}: turn {turn:.0f} degrees, error {error:.2f} mm, {found.trust}: {found.reason}; {found.bone_used}")
    if pinned or found.trust == "ok":
        assert error <= 0.3
    assert error <= 1.0 or found.trust == "withheld"


@pytest.mark.parametrize("name", [name for name, (_, _, limb) in CASES.items() if limb])
def test_muscle_of_real_limbs_reads_alike_at_every_depth(name: str, tmp_path: Path) -> None:
    """Scanners correct for water: nothing of beam hardening may be claimed, whatever muscles lie deep."""
    kind, path, _ = CASES[name]
    volume = read(kind, Path(ROOT) / path, tmp_path)
    found = measure_reference(volume, Acquisition(kvp=120.0), MineralSettings())
    trend = muscle_by_depth(cubes_of(volume), found.muscle.mean_hu)
    assert found.hardening_hu == 0.0
    assert trend is not None
    assert abs(trend.deep_less_outer_hu) < 2.0
