"""Small CT series written with pydicom for tests of reading. Nothing here is shared with the reader.

The default volume is asymmetric in every respect: three sizes, three spacings, an origin, a gradient along each
axis, so that a swapped or flipped axis shows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import (
    CTImageStorage,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    generate_uid,
)

SUPINE = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0)
Edit = Callable[[Dataset, int], None]


def voxels(shape: tuple[int, int, int] = (6, 11, 13)) -> NDArray[np.int16]:
    """HU with a different gradient along each axis."""
    k, r, c = np.meshgrid(*[np.arange(n) for n in shape], indexing="ij")
    return (100 * k + 7 * r - 3 * c - 200).astype(np.int16)


@dataclass
class Series:
    """A CT series to be; ``edit(dataset, slice)`` runs on every file before it is written."""

    hu: NDArray[Any] = field(default_factory=voxels)
    spacing: tuple[float, float, float] = (2.5, 0.7, 0.6)
    origin: tuple[float, float, float] = (-31.0, -42.0, 105.0)
    orientation: tuple[float, ...] = SUPINE
    step: tuple[float, float, float] | None = None
    heights: list[float] | None = None
    slope: float = 1.0
    intercept: float = -1024.0
    signed: bool = False
    study: str = ""
    series: str = ""
    frame: str = ""
    number: int = 2
    date: str = "20240302"
    time: str = "101500"
    patient: tuple[str, str, str] = ("Q-17", "Tester^Ada", "19700101")
    edit: Edit | None = None

    def __post_init__(self) -> None:
        self.study = self.study or generate_uid()
        self.series = self.series or generate_uid()
        self.frame = self.frame or generate_uid()

    @property
    def normal(self) -> NDArray[np.float64]:
        return np.cross(self.orientation[:3], self.orientation[3:])

    def position(self, k: int) -> NDArray[np.float64]:
        if self.heights is not None:
            return np.asarray(self.origin) + self.normal * self.heights[k]
        step = self.normal * self.spacing[0] if self.step is None else np.asarray(self.step)
        return np.asarray(self.origin) + step * k

    def datasets(self) -> list[Dataset]:
        return [self.dataset(k) for k in range(len(self.hu))]

    def dataset(self, k: int) -> Dataset:
        ds = Dataset()
        ds.file_meta = FileMetaDataset()
        ds.file_meta.MediaStorageSOPClassUID = CTImageStorage
        ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
        ds.SOPClassUID = CTImageStorage
        ds.SOPInstanceUID = generate_uid()
        ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
        ds.ImageType = ["ORIGINAL", "PRIMARY", "AXIAL"]
        ds.Modality = "CT"
        ds.Manufacturer = "Siemens"
        ds.PatientID, ds.PatientName, ds.PatientBirthDate = self.patient
        ds.StudyInstanceUID, ds.SeriesInstanceUID, ds.FrameOfReferenceUID = self.study, self.series, self.frame
        ds.SeriesNumber = self.number
        ds.InstanceNumber = len(self.hu) - k  # against the order in space, on purpose
        ds.StudyDate = ds.SeriesDate = ds.AcquisitionDate = self.date
        ds.StudyTime = ds.SeriesTime = ds.AcquisitionTime = self.time
        ds.ContentDate, ds.ContentTime = "20250101", "000000"
        ds.KVP = 120
        ds.ConvolutionKernel = "B30f"
        ds.SliceThickness = self.spacing[0]
        ds.PatientPosition = "HFS"
        ds.ImagePositionPatient = [float(f"{v:.6f}") for v in self.position(k)]
        ds.ImageOrientationPatient = [float(f"{v:.8f}") for v in self.orientation]
        ds.PixelSpacing = [self.spacing[1], self.spacing[2]]
        ds.SamplesPerPixel = 1
        ds.PhotometricInterpretation = "MONOCHROME2"
        ds.Rows, ds.Columns = self.hu.shape[1:]
        ds.BitsAllocated, ds.BitsStored, ds.HighBit = 16, 16, 15
        ds.PixelRepresentation = int(self.signed)
        ds.RescaleSlope, ds.RescaleIntercept, ds.RescaleType = self.slope, self.intercept, "HU"
        ds.SpecificCharacterSet = "ISO_IR 192"
        stored = np.round((self.hu[k].astype(np.float64) - self.intercept) / self.slope)
        ds.PixelData = stored.astype("<i2" if self.signed else "<u2").tobytes()
        if self.edit is not None:
            self.edit(ds, k)
        return ds

    def write(self, folder: Path, *, skip: Iterable[int] = ()) -> list[Path]:
        folder.mkdir(parents=True, exist_ok=True)
        left = set(skip)
        paths = []
        for k, ds in enumerate(self.datasets()):
            if k not in left:
                path = folder / f"{self.number:03d}-{k:04d}"
                save(ds, path)
                paths.append(path)
        return paths


def save(ds: Dataset, path: Path) -> None:
    """Write a dataset in the transfer syntax that its meta header names."""
    syntax = ds.file_meta.TransferSyntaxUID
    if syntax in (ImplicitVRLittleEndian, ExplicitVRBigEndian):
        ds.save_as(path, implicit_vr=syntax == ImplicitVRLittleEndian, little_endian=syntax != ExplicitVRBigEndian)
    else:
        ds.save_as(path, enforce_file_format=True)


def history(folder: Path, dates: Iterable[str] = ("20240401", "20240302", "20240510"), **given: Any) -> list[Series]:
    """One study per date, each its own frame of reference, written into one folder in the order given."""
    made = []
    for number, date in enumerate(dates):
        series = Series(date=date, **given)
        series.write(folder / f"in{number}")
        made.append(series)
    return made
