"""Multi-frame images and drawn objects (segmentation, contour set, report) for tests, made from a test series."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from dicom_factory import Series
from numpy.typing import NDArray
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.uid import generate_uid


def item(**values: Any) -> Sequence:
    """A sequence of one item."""
    inner = Dataset()
    for name, value in values.items():
        setattr(inner, name, value)
    return Sequence([inner])


def multiframe(
    series: Series, frames: list[int], *, shared: bool = True, stack: Callable[[int], str] = lambda k: "1"
) -> Dataset:
    """Enhanced CT from a classic series; geometry shared where it can be, or all of it per frame."""
    ds = series.dataset(frames[0])
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.2.1"
    ds.ImageType = ["ORIGINAL", "PRIMARY", "VOLUME", "NONE"]
    for name in (
        "ImagePositionPatient", "ImageOrientationPatient", "PixelSpacing", "SliceThickness", "RescaleSlope",
        "RescaleIntercept", "RescaleType", "KVP", "ConvolutionKernel",
    ):  # fmt: skip
        delattr(ds, name)

    def common(group: Dataset) -> None:
        group.PixelMeasuresSequence = item(PixelSpacing=list(series.spacing[1:]), SliceThickness=2.5)
        group.PlaneOrientationSequence = item(ImageOrientationPatient=list(series.orientation))
        group.PixelValueTransformationSequence = item(
            RescaleSlope=series.slope, RescaleIntercept=series.intercept, RescaleType="HU"
        )
        group.CTXRayDetailsSequence = item(KVP=120)
        group.CTReconstructionSequence = item(ConvolutionKernel="B30f")

    own = []
    for k in frames:
        group = Dataset()
        group.PlanePositionSequence = item(ImagePositionPatient=[float(v) for v in series.position(k)])
        group.FrameContentSequence = item(StackID=stack(k), InStackPositionNumber=k + 1)
        if not shared:
            common(group)
        own.append(group)
    together = Dataset()
    if shared:
        common(together)
    ds.SharedFunctionalGroupsSequence = Sequence([together])
    ds.PerFrameFunctionalGroupsSequence = Sequence(own)
    ds.NumberOfFrames = len(frames)
    ds.PixelData = b"".join(series.dataset(k).PixelData for k in frames)
    return ds


def _empty(series: Series, sop_class: str, modality: str) -> Dataset:
    ds = series.dataset(0)
    for name in list(ds.dir()):
        keep = name.startswith(("Patient", "Study")) or name in ("SOPInstanceUID", "SpecificCharacterSet")
        if not keep:
            delattr(ds, name)
    ds.SOPInstanceUID = generate_uid()
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = sop_class
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
    ds.Modality = modality
    ds.SeriesInstanceUID = generate_uid()
    return ds


def segmentation(series: Series, *masks: NDArray[np.bool_]) -> Dataset:
    """A binary segmentation with one segment per mask; empty frames are left out, as most writers do."""
    ds = _empty(series, "1.2.840.10008.5.1.4.1.1.66.4", "SEG")
    ds.FrameOfReferenceUID = series.frame
    ds.Rows, ds.Columns = series.hu.shape[1:]
    ds.BitsAllocated = ds.BitsStored = 1
    ds.HighBit = ds.PixelRepresentation = 0
    ds.SamplesPerPixel, ds.PhotometricInterpretation, ds.SegmentationType = 1, "MONOCHROME2", "BINARY"
    shared = Dataset()
    shared.PixelMeasuresSequence = item(PixelSpacing=list(series.spacing[1:]), SliceThickness=series.spacing[0])
    shared.PlaneOrientationSequence = item(ImageOrientationPatient=list(series.orientation))
    frames, own = [], []
    for number, mask in enumerate(masks, 1):
        for k in np.flatnonzero(mask.any(axis=(1, 2))):
            group = Dataset()
            group.PlanePositionSequence = item(ImagePositionPatient=[float(v) for v in series.position(int(k))])
            group.SegmentIdentificationSequence = item(ReferencedSegmentNumber=number)
            own.append(group)
            frames.append(mask[k])
    ds.SharedFunctionalGroupsSequence = Sequence([shared])
    ds.PerFrameFunctionalGroupsSequence = Sequence(own)
    ds.NumberOfFrames = len(frames)
    packed = np.packbits(np.stack(frames).ravel(), bitorder="little").tobytes()
    ds.PixelData = packed + b"\0" * (len(packed) % 2)
    return ds


def contour_set(series: Series, *masks: NDArray[np.bool_]) -> Dataset:
    """Rectangles around each mask, slice by slice (the masks of the tests are boxes)."""
    ds = _empty(series, "1.2.840.10008.5.1.4.1.1.481.3", "RTSTRUCT")
    named, drawn = [], []
    for number, mask in enumerate(masks, 1):
        contours = []
        for k in np.flatnonzero(mask.any(axis=(1, 2))):
            rows, columns = np.where(mask[k])
            low = np.array([rows.min() - 0.5, columns.min() - 0.5])
            high = np.array([rows.max() + 0.5, columns.max() + 0.5])
            corners = [(low[0], low[1]), (low[0], high[1]), (high[0], high[1]), (high[0], low[1])]
            points = [
                series.position(int(k))
                + r * series.spacing[1] * np.array(series.orientation[3:])
                + c * series.spacing[2] * np.array(series.orientation[:3])
                for r, c in corners
            ]
            data = [float(f"{v:.4f}") for v in np.concatenate(points)]
            contours.append(item(ContourGeometricType="CLOSED_PLANAR", NumberOfContourPoints=4, ContourData=data)[0])
        named.append(item(ROINumber=number, ROIName="Ada's mass", ReferencedFrameOfReferenceUID=series.frame)[0])
        drawn.append(item(ReferencedROINumber=number, ContourSequence=Sequence(contours))[0])
    ds.StructureSetROISequence = Sequence(named)
    ds.ROIContourSequence = Sequence(drawn)
    return ds


def point_report(series: Series, index: tuple[int, int, int]) -> Dataset:
    """A 3-D point in a Comprehensive 3D SR, two containers deep."""
    ds = _empty(series, "1.2.840.10008.5.1.4.1.1.88.34", "SR")
    k, r, c = index
    world = (
        series.position(k)
        + r * series.spacing[1] * np.array(series.orientation[3:])
        + c * series.spacing[2] * np.array(series.orientation[:3])
    )
    point = item(
        ValueType="SCOORD3D",
        RelationshipType="CONTAINS",
        GraphicType="POINT",
        GraphicData=[float(v) for v in world],
        ReferencedFrameOfReferenceUID=series.frame,
    )
    ds.ValueType = "CONTAINER"
    ds.ContentSequence = item(ValueType="CONTAINER", RelationshipType="CONTAINS", ContentSequence=point)
    return ds


def recode(path: Path, syntax: str) -> None:
    """Re-encode one file with gdcm, which has encoders for most transfer syntaxes."""
    import gdcm

    reader = gdcm.ImageReader()
    reader.SetFileName(str(path))
    assert reader.Read()
    change = gdcm.ImageChangeTransferSyntax()
    change.SetTransferSyntax(gdcm.TransferSyntax(gdcm.TransferSyntax.GetTSType(syntax)))
    change.SetInput(reader.GetImage())
    assert change.Change()
    writer = gdcm.ImageWriter()
    writer.SetFileName(str(path))
    writer.SetFile(reader.GetFile())
    writer.SetImage(change.GetOutput())
    assert writer.Write()
