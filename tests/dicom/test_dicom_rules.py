"""Twenty rules of the standard for a careful CT reader, one test (at least) for each.

Sections are those of DICOM PS3.3. What happens in practice when a rule is broken is noted where it was seen.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dicom_factory import Series, history, save, voxels
from dicom_objects import multiframe
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.uid import generate_uid

from mineralize import timeline
from mineralize.base import Scan, errors


def one(folder: Path) -> Scan:
    return timeline.read(folder).scans[0]


def setter(**values: Any) -> Callable[[Dataset, int], None]:
    def edit(ds: Dataset, k: int) -> None:
        for name, value in values.items():
            setattr(ds, name, value)

    return edit


def kinds(scan: Scan) -> set[str]:
    return {note.kind for note in scan.notes}


def test_rule_01_position_is_the_centre_of_the_first_voxel_c_7_6_2_1_1(tmp_path: Path) -> None:
    """Row cosines lead along columns; Pixel Spacing is row spacing, then column spacing."""
    turned = (0.0, 0.8, 0.6, -1.0, 0.0, 0.0)
    series = Series(orientation=turned)
    series.write(tmp_path)
    scan = one(tmp_path)
    for k, r, c in [(0, 0, 0), (5, 0, 0), (2, 10, 0), (3, 4, 12)]:
        world = series.position(k) + r * 0.7 * np.array(turned[3:]) + c * 0.6 * np.array(turned[:3])
        np.testing.assert_allclose(scan.grid.to_world((k, r, c)), world, atol=1e-4)
    np.testing.assert_array_equal(scan.volume.hu, series.hu)


def test_rule_02_order_is_by_position_along_the_normal_c_7_6_2(tmp_path: Path) -> None:
    """Instance numbers run backwards, file names at random, Slice Location lies."""
    series = Series(edit=setter(SliceLocation=1.0))
    names = [4, 1, 5, 0, 3, 2]
    for k, ds in enumerate(series.datasets()):
        save(ds, tmp_path / str(names[k]))
    scan = one(tmp_path)
    np.testing.assert_array_equal(scan.volume.hu, series.hu)
    np.testing.assert_allclose(scan.grid.to_world((5, 0, 0)), series.position(5), atol=1e-4)


def test_rule_03_spacing_is_measured_never_taken_from_the_header_c_7_6_2(tmp_path: Path) -> None:
    """Spacing Between Slices (0018,0088) and Slice Thickness are nominal; a wrong one changes nothing but a note."""
    Series(edit=setter(SpacingBetweenSlices=1.9999, SliceThickness=7.0)).write(tmp_path)
    scan = one(tmp_path)
    assert scan.grid.spacing[0] == pytest.approx(2.5, abs=1e-5)
    assert scan.acquisition.slice_spacing_mm == pytest.approx(2.5, abs=1e-5)
    assert "stated-spacing" in kinds(scan)


def test_rule_04_a_missing_slice_is_refused_c_7_6_2(tmp_path: Path) -> None:
    """Readers exist that spread one missing slice over all of them."""
    Series().write(tmp_path, skip=[2])
    with pytest.raises(errors.InputError, match=r"study 1 series 1: expected slices 2\.50 mm apart, found 5\.00 mm"):
        timeline.read(tmp_path)


def test_rule_04_repeated_positions_are_refused_c_7_6_2(tmp_path: Path) -> None:
    Series(heights=[0, 2.5, 5, 5, 7.5, 10]).write(tmp_path)
    with pytest.raises(errors.InputError, match="more than one"):
        timeline.read(tmp_path)


def test_rule_04_slightly_unequal_slices_are_resampled_and_said_c_7_6_2(tmp_path: Path) -> None:
    """A field linear in space comes out linear: interpolation between slices is exact for it."""
    heights = [0.0, 2.5, 5.4, 7.5, 10.0, 12.5, 15.0]
    hu = np.empty((7, 5, 4), np.int16)
    hu[:] = np.round(10 * np.array(heights))[:, None, None]
    Series(hu=hu, heights=heights).write(tmp_path)
    scan = one(tmp_path)
    assert "uneven-spacing" in kinds(scan)
    assert scan.volume.hu.dtype == np.float32
    z = scan.grid.to_world(np.stack([np.arange(scan.grid.shape[0]), *np.zeros((2, scan.grid.shape[0]))], axis=1))[:, 2]
    np.testing.assert_allclose(scan.volume.hu[:, 2, 2], 10 * (z - 105.0), atol=1e-3)


@pytest.mark.parametrize("degrees", [-20.0, 5.5, 16.5])
def test_rule_05_gantry_tilt_is_set_upright_c_8_2_1(tmp_path: Path, degrees: float) -> None:
    """Tilt is seen in positions; squaring it off silently gives a sheared volume, +6.4 % at 20 degrees.

    The field is quadratic in world coordinates, so every voxel that lies in the scan has a known value.
    """
    angle = np.radians(degrees)
    orientation = (1.0, 0.0, 0.0, 0.0, np.cos(angle), np.sin(angle))
    shape = (9, 24, 11)
    series = Series(
        hu=np.zeros(shape, np.int16), orientation=orientation, step=(0.0, 0.0, 3.0), spacing=(3.0, 0.7, 0.6)
    )

    def field(world: np.ndarray) -> np.ndarray:
        x, y, z = np.moveaxis(world, -1, 0)
        return 3 * x - 2 * y + 4 * (z - 105) + 0.2 * (y + 40) ** 2

    r, c = np.meshgrid(np.arange(shape[1]), np.arange(shape[2]), indexing="ij")
    for k in range(shape[0]):
        world = (
            series.position(k)
            + r[..., None] * 0.7 * np.array(orientation[3:])
            + c[..., None] * 0.6 * np.array(orientation[:3])
        )
        series.hu[k] = np.round(field(world))
    series.edit = setter(GantryDetectorTilt=0.0)
    series.write(tmp_path)
    scan = one(tmp_path)
    assert "gantry-tilt" in kinds(scan)
    assert scan.grid.spacing[0] == pytest.approx(3.0 * np.cos(angle), rel=1e-6)
    hu = scan.volume.hu
    inside = hu > -2000
    error = np.abs(hu - field(scan.grid.world_of_all()))[inside]
    assert np.median(error) < 0.5
    assert np.quantile(error, 0.97) < 1.0
    # No voxel is invented: what is outside the slices is marked, and nearly all that was scanned is kept.
    assert 0.85 * series.hu.size < inside.sum() <= series.hu.size


def test_rule_05_slices_shifted_at_random_are_no_tilt_c_7_6_2(tmp_path: Path) -> None:
    def edit(ds: Dataset, k: int) -> None:
        ds.ImagePositionPatient[0] += [0.0, 3.0, -2.0, 0.0, 4.0, 1.0][k]

    Series(edit=edit).write(tmp_path)
    with pytest.raises(errors.InputError, match="shifted sideways"):
        timeline.read(tmp_path)


def test_rule_06_rescale_is_per_image_and_in_float_c_11_1(tmp_path: Path) -> None:
    """Readers exist that take the type of the first slice and cut 40.2 to 40."""
    slopes = np.array([1.0, 1.005, 0.5, 2.0, 1.0, 0.25])
    intercepts = -1024.0 + np.arange(6)
    hu = np.tile(np.linspace(-500.0, 700.0, 20).reshape(5, 4), (6, 1, 1))
    stored = np.round((hu - intercepts[:, None, None]) / slopes[:, None, None]).astype("<u2")

    def edit(ds: Dataset, k: int) -> None:
        ds.RescaleSlope, ds.RescaleIntercept = slopes[k], intercepts[k]
        ds.PixelData = stored[k].tobytes()

    Series(hu=np.zeros((6, 5, 4), np.int16), edit=edit).write(tmp_path)
    scan = one(tmp_path)
    expected = stored * slopes[:, None, None] + intercepts[:, None, None]
    assert scan.volume.hu.dtype == np.float32
    np.testing.assert_allclose(scan.volume.hu, expected, rtol=1e-6, atol=1e-4)
    assert "rescale-per-slice" in kinds(scan)


@pytest.mark.parametrize("units", ["US", "MGML", "Z_EFF", "HU_MOD"])
def test_rule_06_values_that_are_not_hu_are_refused_c_11_1_1_2(tmp_path: Path, units: str) -> None:
    Series(edit=setter(RescaleType=units)).write(tmp_path)
    with pytest.raises(errors.InputError, match="not in HU by its own Rescale Type"):
        timeline.read(tmp_path)


def test_rule_06_without_rescale_there_is_no_hu_c_8_2_1(tmp_path: Path) -> None:
    def edit(ds: Dataset, k: int) -> None:
        del ds.RescaleSlope

    Series(edit=edit).write(tmp_path)
    with pytest.raises(errors.InputError, match="Rescale Slope and Intercept"):
        timeline.read(tmp_path)


@pytest.mark.parametrize("signed", [True, False])
@pytest.mark.parametrize("limit", [None, 3])
def test_rule_07_padding_is_recognised_on_stored_values_c_7_5_1_1_2(
    tmp_path: Path, signed: bool, limit: int | None
) -> None:
    """-2000 padding read as -3024 HU, or as tissue, is the usual failure. The range is inclusive."""
    low = -2000 if signed else 63536
    high = low if limit is None else low + limit
    series = Series(signed=signed)

    def edit(ds: Dataset, k: int) -> None:
        plane = np.frombuffer(ds.PixelData, "<i2" if signed else "<u2").copy()
        plane[:4] = [low, high, low, high]
        plane[4] = high + 1
        ds.PixelData = plane.tobytes()
        ds.add_new("PixelPaddingValue", "SS" if signed else "US", low)
        if limit is not None:
            ds.add_new("PixelPaddingRangeLimit", "SS" if signed else "US", high)

    series.edit = edit
    series.write(tmp_path)
    scan = one(tmp_path)
    hu = scan.volume.hu
    assert (hu[:, 0, :4] <= -1024).all()
    assert hu[0, 0, 4] == high + 1 - 1024  # just outside the range: a value like any other
    np.testing.assert_array_equal(hu[:, 1:], series.hu[:, 1:])
    assert "padding" in kinds(scan)


def test_rule_07_padding_of_the_wrong_sign_is_still_recognised(tmp_path: Path) -> None:
    """63536 with signed pixels is -2000: seen in real files (GE, chest CT)."""
    series = Series(signed=True)

    def edit(ds: Dataset, k: int) -> None:
        plane = np.frombuffer(ds.PixelData, "<i2").copy()
        plane[0] = -2000
        ds.PixelData = plane.tobytes()
        ds.add_new("PixelPaddingValue", "US", 63536)

    series.edit = edit
    series.write(tmp_path)
    assert one(tmp_path).volume.hu[0, 0, 0] <= -1024


def test_rule_07_padding_never_bleeds_into_tissue_when_tilt_is_resampled(tmp_path: Path) -> None:
    orientation = (1.0, 0.0, 0.0, 0.0, np.cos(0.2), np.sin(0.2))
    series = Series(hu=np.full((6, 11, 13), 40, np.int16), orientation=orientation, step=(0, 0, 2.5), signed=True)

    def edit(ds: Dataset, k: int) -> None:
        plane = np.frombuffer(ds.PixelData, "<i2").copy().reshape(11, 13)
        plane[:3] = -2000
        ds.PixelData = plane.tobytes()
        ds.add_new("PixelPaddingValue", "SS", -2000)

    series.edit = edit
    series.write(tmp_path)
    hu = one(tmp_path).volume.hu
    assert set(np.unique(np.round(hu, 3))) == {-2048.0, 40.0}


def test_rule_08_monochrome1_is_display_only_c_7_6_3_1_2(tmp_path: Path) -> None:
    """Readers exist that return -1 - HU."""
    series = Series(edit=setter(PhotometricInterpretation="MONOCHROME1", PresentationLUTShape="INVERSE"))
    series.write(tmp_path)
    scan = one(tmp_path)
    np.testing.assert_array_equal(scan.volume.hu, series.hu)
    assert "monochrome1" in kinds(scan)


@pytest.mark.parametrize("signed", [True, False])
@pytest.mark.parametrize(("stored_bits", "high_bit"), [(12, 11), (12, 15), (14, 13), (16, 15)])
def test_rule_09_sign_and_unused_bits_c_7_6_3(tmp_path: Path, signed: bool, stored_bits: int, high_bit: int) -> None:
    """Bits outside Bits Stored hold rubbish (once: overlays) and must not reach the values."""
    series = Series(signed=signed, intercept=0.0 if signed else -1024.0)
    shift = high_bit + 1 - stored_bits

    def edit(ds: Dataset, k: int) -> None:
        plane = np.frombuffer(ds.PixelData, "<i2" if signed else "<u2").astype(np.int32)
        plane = (plane & (2**stored_bits - 1)) << shift
        if high_bit < 15:
            plane |= 1 << 15
        if shift:
            plane |= 1
        ds.PixelData = plane.astype("<u2").tobytes()
        ds.BitsStored, ds.HighBit = stored_bits, high_bit

    series.edit = edit
    series.write(tmp_path)
    np.testing.assert_array_equal(one(tmp_path).volume.hu, series.hu)


def test_rule_09_values_beyond_16_bits_are_kept(tmp_path: Path) -> None:
    """Unsigned 16-bit values with an intercept of 0 do not fit a signed 16-bit volume."""
    series = Series(intercept=0.0, hu=voxels().astype(np.int32) + 60000)
    series.write(tmp_path)
    hu = one(tmp_path).volume.hu
    assert hu.dtype == np.float32
    np.testing.assert_array_equal(hu, series.hu)


@pytest.mark.parametrize("shared", [True, False])
def test_rule_10_enhanced_ct_shared_or_per_frame_groups_c_7_6_16(tmp_path: Path, shared: bool) -> None:
    series = Series()
    save(multiframe(series, [3, 0, 5, 1, 4, 2], shared=shared), tmp_path / "mf")
    scan = one(tmp_path)
    np.testing.assert_array_equal(scan.volume.hu, series.hu)
    np.testing.assert_allclose(scan.grid.to_world((4, 0, 0)), series.position(4), atol=1e-4)
    assert scan.acquisition.kvp == 120
    assert scan.acquisition.kernel_class == "soft"


def test_rule_10_rescale_per_frame_c_8_15_3_10(tmp_path: Path) -> None:
    series = Series(hu=np.tile(voxels((1, 11, 13)), (6, 1, 1)))
    slopes = 1 + 0.25 * np.arange(6)
    stored = np.round((series.hu + 1024) / slopes[:, None, None]).astype("<u2")
    ds = multiframe(series, list(range(6)), shared=False)
    for k, group in enumerate(ds.PerFrameFunctionalGroupsSequence):
        group.PixelValueTransformationSequence[0].RescaleSlope = slopes[k]
    ds.PixelData = stored.tobytes()
    save(ds, tmp_path / "mf")
    np.testing.assert_allclose(one(tmp_path).volume.hu, stored * slopes[:, None, None] - 1024, atol=1e-3)


def test_rule_10_stacks_are_told_apart_c_7_6_16_1_3(tmp_path: Path) -> None:
    """Two stacks in one file are two volumes; mixed they would be neither."""
    series = Series(hu=voxels((9, 11, 13)), heights=[0, 2.5, 5, 7.5, 10, 100, 103, 106, 109])
    save(multiframe(series, list(range(9)), stack=lambda k: "A" if k < 5 else "B"), tmp_path / "mf")
    case = timeline.read(tmp_path)
    assert [row.images for row in case.series] == [5, 4]
    np.testing.assert_array_equal(case.scans[0].volume.hu, series.hu[:5])


def test_rule_10_phases_of_one_file_are_told_apart_c_7_6_16_2_2(tmp_path: Path) -> None:
    """Temporal Position Index: the same positions twice are two volumes, not duplicates."""
    series = Series(hu=voxels((8, 11, 13)), heights=[0, 2.5, 5, 7.5] * 2)
    ds = multiframe(series, list(range(8)))
    for k, group in enumerate(ds.PerFrameFunctionalGroupsSequence):
        group.FrameContentSequence[0].TemporalPositionIndex = 1 + k // 4
    save(ds, tmp_path / "mf")
    case = timeline.read(tmp_path)
    assert [row.images for row in case.series] == [4, 4]
    np.testing.assert_array_equal(case.scans[0].volume.hu, series.hu[:4])


def concatenated(series: Series, split: int) -> list[Dataset]:
    parts = [multiframe(series, list(range(split))), multiframe(series, list(range(split, len(series.hu))))]
    uid = generate_uid()
    for number, ds in enumerate(parts, 1):
        ds.ConcatenationUID, ds.InConcatenationNumber, ds.InConcatenationTotalNumber = uid, number, 2
        ds.ConcatenationFrameOffsetNumber = 0 if number == 1 else split
    return parts


def test_rule_11_concatenations_are_joined_c_7_6_16_2_2_4(tmp_path: Path) -> None:
    series = Series()
    for number, ds in enumerate(reversed(concatenated(series, 4))):
        save(ds, tmp_path / f"{number}")
    np.testing.assert_array_equal(one(tmp_path).volume.hu, series.hu)


def test_rule_11_an_incomplete_concatenation_is_refused_c_7_6_16_2_2_4(tmp_path: Path) -> None:
    save(concatenated(Series(), 4)[0], tmp_path / "0")
    with pytest.raises(errors.InputError, match="expected 2 parts of a concatenation, found 1"):
        timeline.read(tmp_path)


def test_rule_12_a_localizer_is_never_stacked_in_c_8_2_1_1_1(tmp_path: Path) -> None:
    """Same series, same size: readers exist that stack it in and change the spacing of all slices."""
    series = Series()
    series.write(tmp_path)
    scout = Series(study=series.study, series=series.series, frame=series.frame)
    ds = scout.dataset(0)
    ds.ImageType = ["ORIGINAL", "PRIMARY", "LOCALIZER"]
    ds.ImageOrientationPatient, ds.ImagePositionPatient = [1, 0, 0, 0, 0, -1], [-250, 0, 300]
    save(ds, tmp_path / "scout")
    case = timeline.read(tmp_path)
    assert case.scans[0].grid.spacing[0] == pytest.approx(2.5)
    np.testing.assert_array_equal(case.scans[0].volume.hu, series.hu)
    assert [row.reason for row in case.series if not row.chosen] == ["a localizer, not slices"]


@pytest.mark.parametrize(
    ("edit", "reason"),
    [
        (setter(SOPClassUID="1.2.840.10008.5.1.4.1.1.7"), "a secondary capture"),
        (setter(ImageType=["DERIVED", "SECONDARY", "SCREEN SAVE"]), "a secondary capture"),
        (setter(ImageType=["DERIVED", "PRIMARY", "PROJECTION IMAGE"]), "a projection"),
        (setter(Modality="MR"), "not CT"),
    ],
)
def test_rule_12_image_type_decides_what_is_a_slice_c_7_6_1_1_2(
    tmp_path: Path, edit: Callable[[Dataset, int], None], reason: str
) -> None:
    Series(edit=edit).write(tmp_path)
    with pytest.raises(errors.InputError, match=reason):
        timeline.read(tmp_path)


def test_rule_12_original_images_are_preferred_to_derived_c_7_6_1_1_2(tmp_path: Path) -> None:
    first = Series(spacing=(1.0, 0.6, 0.6), edit=setter(ImageType=["DERIVED", "PRIMARY", "AXIAL"]), number=1)
    second = Series(spacing=(1.0, 0.6, 0.6), study=first.study, frame=first.frame, number=2)
    first.write(tmp_path)
    second.write(tmp_path)
    assert [row.chosen for row in timeline.read(tmp_path).series] == [False, True]


def multi_energy(kev: float | None, value4: str, **more: Any) -> Callable[[Dataset, int], None]:
    def edit(ds: Dataset, k: int) -> None:
        ds.ImageType = ["DERIVED", "PRIMARY", "AXIAL", value4]
        ds.MultienergyCTAcquisition = "YES"
        if kev is not None:
            inner = Dataset()
            inner.MonoenergeticEnergyEquivalent = kev
            ds.MultienergyCTCharacteristicsSequence = Sequence([inner])
        for name, value in more.items():
            setattr(ds, name, value)

    return edit


def test_rule_13_virtual_monoenergetic_keeps_its_kev_c_8_2_2(tmp_path: Path) -> None:
    Series(edit=multi_energy(70.0, "VMI")).write(tmp_path)
    made = one(tmp_path).acquisition
    assert made.virtual_kev == 70
    assert made.kvp is None  # a tube voltage would put its mineral on the wrong scale


def test_rule_13_several_energies_in_one_series_are_told_apart_c_8_2_2(tmp_path: Path) -> None:
    low = Series(edit=multi_energy(50.0, "VMI"))
    high = Series(
        study=low.study,
        series=low.series,
        frame=low.frame,
        hu=voxels() + np.int16(50),
        edit=multi_energy(70.0, "VMI"),
        number=3,
    )
    low.write(tmp_path)
    high.write(tmp_path)
    case = timeline.read(tmp_path)
    assert len(case.series) == 2
    made = case.scans[0].acquisition.virtual_kev
    np.testing.assert_array_equal(case.scans[0].volume.hu, (low if made == 50 else high).hu)


@pytest.mark.parametrize(
    "value4", ["MAT_SPECIFIC", "MAT_REMOVED", "MAT_FRACTIONAL", "EFF_ATOMIC_NUM", "ELECTRON_DENSITY"]
)
def test_rule_13_material_maps_are_refused_c_8_2_2(tmp_path: Path, value4: str) -> None:
    """PS3.17 JJJJ.4: maps that are not HU get read as HU."""
    Series(edit=multi_energy(None, value4)).write(tmp_path)
    with pytest.raises(errors.InputError, match="material map"):
        timeline.read(tmp_path)


def test_rule_13_virtual_image_without_kev_is_refused_c_8_2_2(tmp_path: Path) -> None:
    Series(edit=multi_energy(None, "VMI")).write(tmp_path)
    with pytest.raises(errors.InputError, match="does not say its keV"):
        timeline.read(tmp_path)


def test_rule_14_interleaved_tube_voltages_are_two_stacks_c_8_2_1(tmp_path: Path) -> None:
    def edit(ds: Dataset, k: int) -> None:
        ds.KVP = 80 if k % 2 else 140

    series = Series(hu=voxels((8, 11, 13)), edit=edit)
    series.write(tmp_path)
    case = timeline.read(tmp_path)
    assert sorted(row.kvp for row in case.series if row.kvp) == [80, 140]
    scan = case.scans[0]
    assert scan.grid.spacing[0] == pytest.approx(5.0)
    np.testing.assert_array_equal(scan.volume.hu, series.hu[1::2] if scan.acquisition.kvp == 80 else series.hu[::2])


@pytest.mark.parametrize("value", [None, "", 0, 5000])
def test_rule_14_empty_or_absurd_voltage_is_cautioned_c_8_2_1(tmp_path: Path, value: Any) -> None:
    Series(edit=setter(KVP=value)).write(tmp_path)
    scan = one(tmp_path)
    assert scan.acquisition.kvp is None
    assert kinds(scan) & {"kvp-missing", "kvp-odd"}


@pytest.mark.parametrize(
    ("kernel", "kind"),
    [
        ("B30f", "soft"), (["Br40d", "3"], "medium"), ("B70s", "sharp"), ("STANDARD", "soft"), ("BONE", "sharp"),
        ("FC08", "soft"), ("FC51", "sharp"),
        ("SOFT TISSUE", "soft"),
        ("BONE SHARP", "sharp"),
        ("YA", "sharp"), ("Mr Smith", "unknown"), ("", "unknown"),
    ],
)  # fmt: skip
def test_rule_14_kernel_may_be_several_values_or_any_text_c_8_2_1(tmp_path: Path, kernel: Any, kind: str) -> None:
    """Kernel classes: common practice, no source. Unlisted text is never printed."""
    Series(edit=setter(ConvolutionKernel=kernel)).write(tmp_path)
    made = one(tmp_path).acquisition
    assert made.kernel_class == kind
    assert "Smith" not in made.kernel


def test_rule_15_one_frame_of_reference_per_series_c_7_4_1_1_1(tmp_path: Path) -> None:
    def edit(ds: Dataset, k: int) -> None:
        if k == 3:
            ds.FrameOfReferenceUID = generate_uid()

    Series(edit=edit).write(tmp_path)
    with pytest.raises(errors.InputError, match="one frame of reference, found 2"):
        timeline.read(tmp_path)


def test_rule_15_frames_of_two_dates_are_kept_apart_c_7_4_1_1_1(tmp_path: Path) -> None:
    made = history(tmp_path)
    frames = [scan.grid.frame_of_reference for scan in timeline.read(tmp_path).scans]
    assert frames == [made[1].frame, made[0].frame, made[2].frame]


def test_rule_16_acquisition_date_stands_first_and_content_date_never_counts_c_7_6_1(tmp_path: Path) -> None:
    Series(date="20240110", edit=setter(AcquisitionDateTime="20240215120000", SeriesDate="20240301")).write(
        tmp_path / "a"
    )
    Series(date="20240201", edit=setter(AcquisitionDate="", ContentDate="20200101")).write(tmp_path / "b")
    case = timeline.read(tmp_path)
    assert [scan.date for scan in case.scans] == ["2024-02-01", "2024-02-15"]
    assert [scan.day for scan in case.scans] == [0, 14]


def test_rule_16_study_date_is_the_last_resort_and_none_is_asked_for_c_7_6_1(tmp_path: Path) -> None:
    bare = {"AcquisitionDate": "", "SeriesDate": ""}
    Series(date="20240110", edit=setter(**bare)).write(tmp_path / "a")
    assert one(tmp_path).date == "2024-01-10"
    Series(edit=setter(**bare, StudyDate="")).write(tmp_path / "b")
    with pytest.raises(errors.InputError, match=r"no usable date in study 2 .*case\.toml"):
        timeline.read(tmp_path)


def test_rule_16_time_zones_decide_the_order_across_midnight_c_12_1(tmp_path: Path) -> None:
    """23:30 at +0000 is 00:30 of the next day at +0100, so it is after 00:10 at +0100 of that day."""
    late = Series(date="20240301", time="233000", edit=setter(TimezoneOffsetFromUTC="+0000"))
    early = Series(date="20240302", time="001000", edit=setter(TimezoneOffsetFromUTC="+0100"))
    late.write(tmp_path / "a")
    early.write(tmp_path / "b")
    scans = timeline.read(tmp_path).scans
    assert [scan.identifiers["StudyInstanceUID"] for scan in scans] == [early.study, late.study]
    assert [scan.day for scan in scans] == [0, 0]


def test_rule_17_patient_position_is_annotation_only_c_7_3_1_1_2(tmp_path: Path) -> None:
    series = Series(edit=setter(PatientPosition="HFP"))
    series.write(tmp_path)
    scan = one(tmp_path)
    np.testing.assert_array_equal(scan.volume.hu, series.hu)
    np.testing.assert_allclose(scan.grid.directions[:, 1], (0, 1, 0), atol=1e-9)
    assert "patient-position" in kinds(scan)


def test_rule_18_lossy_compression_is_cautioned_c_7_6_1_1_5(tmp_path: Path) -> None:
    """'01' stays true for ever, whatever the transfer syntax is now."""
    Series(edit=setter(LossyImageCompression="01")).write(tmp_path)
    scan = one(tmp_path)
    assert scan.acquisition.lossy
    assert "lossy" in kinds(scan)


def test_rule_19_burned_in_annotation_is_set_aside_c_7_6_1(tmp_path: Path) -> None:
    first = Series(edit=setter(BurnedInAnnotation="YES"), number=1)
    second = Series(study=first.study, frame=first.frame, number=2)
    first.write(tmp_path)
    second.write(tmp_path)
    case = timeline.read(tmp_path)
    assert [(row.chosen, row.code) for row in case.series] == [(False, "burned-in"), (True, "")]


def test_rule_20_windows_overlays_and_tables_never_touch_values_c_11_2(tmp_path: Path) -> None:
    def edit(ds: Dataset, k: int) -> None:
        ds.WindowCenter, ds.WindowWidth, ds.VOILUTFunction = 40, 80, "SIGMOID"
        lut = Dataset()
        lut.LUTDescriptor, lut.LUTData = [4, 0, 16], np.array([0, 10, 20, 30], "<u2").tobytes()
        ds.VOILUTSequence = Sequence([lut])
        ds.add_new(0x60000010, "US", ds.Rows)
        ds.add_new(0x60000011, "US", ds.Columns)
        ds.add_new(0x60000100, "US", 1)
        ds.add_new(0x60000102, "US", 0)
        ds.add_new(0x60003000, "OW", b"\xff" * 18)

    series = Series(edit=edit)
    series.write(tmp_path)
    np.testing.assert_array_equal(one(tmp_path).volume.hu, series.hu)
