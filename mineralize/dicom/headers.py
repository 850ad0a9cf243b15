"""One file's header, parsed once, as :class:`Image` planes."""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

from pydicom import dcmread
from pydicom.dataset import Dataset
from pydicom.tag import Tag
from pydicom.uid import UID

from . import elements, enhanced, words
from .elements import Wanted
from .image import Coding, Ids, Image, Making, Patient, Where, state_of
from .inflate import inflated, is_deflated
from .times import when_of
from .values import Values, integer, number, numbers, quiet, spacing_pair, text, texts, triple, unit_pair
from .wanted import OWN, WANTED

IMPLICIT = "1.2.840.10008.1.2"
BIG_ENDIAN = "1.2.840.10008.1.2.2"
LARGEST_SIDE = 8192
"""Rows or columns beyond this are damage: CT matrices end at 2048."""
LARGEST_FRAMES = 20_000

_TAGS: list[Any] = list(WANTED)


@dataclass(frozen=True)
class Unreadable:
    """A file that gives no image; ``reason`` is a short neutral phrase."""

    file: int
    reason: str


@dataclass(frozen=True)
class Other:
    """A DICOM object that is not an image but may say where the lesion is (segmentation, contour, report)."""

    file: int
    path: str
    sop_class: str
    patient: Patient
    frame_of_reference: str


DRAWN = {
    "1.2.840.10008.5.1.4.1.1.66.4": "segmentation",
    "1.2.840.10008.5.1.4.1.1.481.3": "contour set",
    "1.2.840.10008.5.1.4.1.1.88.34": "measurement report",
    "1.2.840.10008.5.1.4.1.1.88.33": "measurement report",
    "1.2.840.10008.5.1.4.1.1.88.22": "measurement report",
}


_WANTED = Wanted.of(WANTED)
_SHARED = (*(_WANTED.tags[keyword] for keyword in WANTED if keyword not in OWN), -0x00280120, -0x00280121)
"""Elements that the slices of a series share; what they say is worked out once for all slices that agree."""
_MOST_KINDS = 256


class HeaderReader:
    """Parses files; remembers what it worked out for the last few kinds of slice."""

    def __init__(self) -> None:
        self._known: dict[Any, tuple[Patient, Coding, Making, dict[str, Any]]] = {}

    def read(self, path: str, file: int) -> list[Image] | Other | Unreadable:
        """Parse one file up to its pixels.

        Returns
        -------
        The planes of an image, or what else the file is, or why it cannot be used. Never raises on file content.
        """
        try:
            with open(path, "rb", buffering=0) as stream:
                status = os.fstat(stream.fileno())
                size = status.st_size
                if size == 0:
                    return Unreadable(file, "empty file")
                plain = elements.read(stream, _WANTED, size)
                if plain is not None:
                    offset, length, undefined = plain.pixels
                    where = Where(path, offset, length, 0, _encapsulated(plain.transfer_syntax, undefined))
                    found = self._image(plain, path, file, plain.transfer_syntax, where)
                    return _stamped(found, status)
            with quiet(), open(path, "rb") as stream:
                return _stamped(self._by_library(stream, path, file, size), status)
        except PermissionError:
            return Unreadable(file, "no permission to read it")
        except OSError:
            return Unreadable(file, "could not be read from the disk")
        except RecursionError:
            return Unreadable(file, "damaged: sequences nested too deep")
        except MemoryError:
            return Unreadable(file, "damaged: it claims more data than there is memory")
        except Exception:
            return Unreadable(file, "damaged DICOM file")

    def _by_library(self, stream: Any, path: str, file: int, size: int) -> list[Image] | Other | Unreadable:
        start = stream.read(1024)
        stream.seek(0)
        if start[128:132] != b"DICM" and not _plausible_without_preamble(start):
            return Unreadable(file, "not a DICOM file")
        whole: Any = inflated(path) if is_deflated(start) else stream
        ds = dcmread(whole, stop_before_pixels=True, force=True, specific_tags=_TAGS)
        syntax = _transfer_syntax(ds)
        where = _pixels_at(whole, path, syntax, size if whole is stream else whole.getbuffer().nbytes)
        found = self._image(ds, path, file, syntax, where)
        if whole is not stream and isinstance(found, list):  # offsets of an inflated copy mean nothing in the file
            return [replace(image, where=replace(image.where, offset=None)) for image in found]
        return found

    def _image(
        self, ds: Values, path: str, file: int, syntax: str, where: Where | None
    ) -> list[Image] | Other | Unreadable:
        key = (*ds.key(_SHARED), syntax) if isinstance(ds, elements.Elements) else None
        known = self._known.get(key) if key is not None else None
        if known is None:
            described = _described(ds, path, file, syntax)
            if isinstance(described, Other | Unreadable):
                return described
            known = described
            if key is not None:
                if len(self._known) >= _MOST_KINDS:
                    self._known.clear()
                self._known[key] = known
        patient, coding, making, shared = known
        if where is None:
            return Unreadable(file, "an image without pixels")
        contained = coding.rows * coding.columns * coding.frames * coding.samples * (coding.bits_allocated // 8)
        if not where.encapsulated and where.length < contained:
            return Unreadable(file, "truncated: pixels are missing at its end")
        if not where.encapsulated and contained and where.length > contained + contained % 2:
            return Unreadable(file, "damaged: it holds more pixels than its header describes")
        image = Image(
            file=file,
            ids=_ids(ds, patient, shared["modality"]),
            when=when_of(ds),
            coding=coding,
            making=making,
            where=where,
            position=triple(ds, "ImagePositionPatient"),
            exposure_mas=number(ds, "Exposure"),
            temporal=integer(ds, "TemporalPositionIdentifier"),
            location=number(ds, "SliceLocation"),
            turn=integer(ds, "InstanceNumber"),
            **shared["image"],
        )
        if enhanced.is_multiframe(ds, image.ids.sop_class):
            return enhanced.planes(ds, image) if isinstance(ds, Dataset) else Unreadable(file, "damaged DICOM file")
        if coding.frames > 1:
            return Unreadable(file, "several frames without a description of each")
        return [image]


def _stamped(found: list[Image] | Other | Unreadable, status: os.stat_result) -> list[Image] | Other | Unreadable:
    """With the state that the file had before anything was read of it."""
    if not isinstance(found, list):
        return found
    state = state_of(status)
    return [replace(image, where=replace(image.where, state=state)) for image in found]


def read_header(path: str, file: int) -> list[Image] | Other | Unreadable:
    """Parse one file on its own; see :meth:`HeaderReader.read`."""
    return HeaderReader().read(path, file)


def _plausible_without_preamble(start: bytes) -> bool:
    """Whether the bytes begin with an element of group 0002 or 0008 (a file without preamble)."""
    return start[:2] in (b"\x02\x00", b"\x08\x00") or start[:2] in (b"\x00\x08", b"\x00\x02")


def _described(
    ds: Values, path: str, file: int, syntax: str
) -> tuple[Patient, Coding, Making, dict[str, Any]] | Other | Unreadable:
    """What a file shares with the other slices of its series, or why it is no image."""
    sop_class = text(ds, "SOPClassUID")
    modality = text(ds, "Modality").upper()
    patient = Patient(
        _fold(text(ds, "PatientID")),
        _fold(text(ds, "PatientName")),
        text(ds, "PatientBirthDate"),
        text(ds, "PatientSex").upper(),
    )
    if sop_class in DRAWN or modality in ("SEG", "RTSTRUCT", "SR"):
        return Other(file, path, sop_class, patient, text(ds, "FrameOfReferenceUID"))
    rows, columns = integer(ds, "Rows"), integer(ds, "Columns")
    if rows is None or columns is None:
        if modality == "CT" or sop_class in enhanced.CT_CLASSES:
            return Unreadable(file, "damaged: a CT image without its size")
        return Unreadable(file, "a DICOM file without an image" if sop_class or modality else "not a DICOM file")
    if not (0 < rows <= LARGEST_SIDE and 0 < columns <= LARGEST_SIDE):
        return Unreadable(file, "damaged: impossible image size")
    frames = integer(ds, "NumberOfFrames") or 1
    if not 0 < frames <= LARGEST_FRAMES:
        return Unreadable(file, "damaged: impossible number of frames")
    if not syntax:
        return Unreadable(file, "damaged: it does not say how its pixels are encoded")
    coding = _coding(ds, syntax, rows, columns, frames)
    if coding is None:
        return Unreadable(file, "damaged: the description of its pixels makes no sense")
    padding = integer(ds, "PixelPaddingValue")
    slope, intercept = number(ds, "RescaleSlope"), number(ds, "RescaleIntercept")
    image = {
        "orientation": unit_pair(numbers(ds, "ImageOrientationPatient")),
        "spacing": spacing_pair(numbers(ds, "PixelSpacing")),
        "slope": 1.0 if slope is None else slope,
        "intercept": 0.0 if intercept is None else intercept,
        "rescale_given": slope is not None and intercept is not None,
        "rescale_type": text(ds, "RescaleType").upper(),
        "padding": padding,
        "padding_limit": integer(ds, "PixelPaddingRangeLimit") if padding is not None else None,
    }
    return patient, coding, _making(ds, syntax), {"modality": modality, "image": image}


def _ids(ds: Values, patient: Patient, modality: str) -> Ids:
    concatenated = "ConcatenationUID" in ds
    return Ids(
        patient=patient,
        study=text(ds, "StudyInstanceUID"),
        series=text(ds, "SeriesInstanceUID"),
        instance=text(ds, "SOPInstanceUID"),
        sop_class=text(ds, "SOPClassUID"),
        frame_of_reference=text(ds, "FrameOfReferenceUID"),
        modality=modality,
        series_number=integer(ds, "SeriesNumber"),
        acquisition_number=integer(ds, "AcquisitionNumber"),
        concatenation=text(ds, "ConcatenationUID") if concatenated else "",
        concatenation_part=integer(ds, "InConcatenationNumber") if concatenated else None,
        concatenation_total=integer(ds, "InConcatenationTotalNumber") if concatenated else None,
    )


def _fold(value: str) -> str:
    return " ".join(value.replace("^", " ").replace("=", " ").casefold().split())


def _transfer_syntax(ds: Dataset) -> str:
    stated = str(getattr(getattr(ds, "file_meta", None), "TransferSyntaxUID", "") or "").strip("\0 ")
    if stated:
        return stated
    # No meta header: the library has found out the encoding by looking (PS3.10 files always have one).
    implicit, little = ds.original_encoding
    if implicit is None or little is None:
        return IMPLICIT
    return IMPLICIT if implicit else ("1.2.840.10008.1.2.1" if little else BIG_ENDIAN)


def _coding(ds: Values, syntax: str, rows: int, columns: int, frames: int) -> Coding | None:
    allocated = integer(ds, "BitsAllocated")
    stored = integer(ds, "BitsStored") or allocated
    samples = integer(ds, "SamplesPerPixel") or 1
    if allocated not in (1, 8, 16, 32) or stored is None or not 0 < stored <= allocated or samples not in (1, 3):
        return None
    high = integer(ds, "HighBit")
    if high is None or not stored - 1 <= high < allocated:
        high = stored - 1
    return Coding(
        transfer_syntax=syntax, rows=rows, columns=columns, bits_allocated=allocated, bits_stored=stored,
        high_bit=high, signed=integer(ds, "PixelRepresentation") == 1, samples=samples,
        photometric=text(ds, "PhotometricInterpretation").upper(), frames=frames,
    )  # fmt: skip


def _pixels_at(stream: Any, path: str, syntax: str, size: int) -> Where | None:
    """Where the value of Pixel Data lies; the stream stands at its element after the header was parsed."""
    here = stream.tell()
    head = stream.read(12)
    order = ">" if syntax == BIG_ENDIAN else "<"
    if len(head) < 8 or Tag(struct.unpack(order + "HH", head[:4])) not in (0x7FE00010, 0x7FE00008, 0x7FE00009):
        return None
    if head[4:6].isalpha() and head[4:6].isupper():
        if len(head) < 12:
            return None
        offset, length = here + 12, struct.unpack(order + "L", head[8:12])[0]
    else:
        offset, length = here + 8, struct.unpack(order + "L", head[4:8])[0]
    left = size - offset
    undefined = length == 0xFFFFFFFF
    return Where(path, offset, left if undefined else min(length, left), 0, _encapsulated(syntax, undefined))


@lru_cache(maxsize=64)
def _encapsulated(syntax: str, undefined_length: bool) -> bool:
    return bool(UID(syntax).is_encapsulated) if UID(syntax).is_transfer_syntax else undefined_length


def _making(ds: Values, syntax: str) -> Making:
    kernels = texts(ds, "ConvolutionKernel")
    kernel, kernel_class = words.kernel(kernels)
    multi = texts(ds, "MultienergyCTAcquisition")[:1] == ("YES",)
    kev, units = enhanced.energy(ds)
    return Making(
        image_type=texts(ds, "ImageType"),
        kvp=number(ds, "KVP"),
        kernel=kernel,
        kernel_key="\\".join(kernels),
        kernel_class=kernel_class,
        slice_thickness_mm=number(ds, "SliceThickness"),
        stated_spacing_mm=number(ds, "SpacingBetweenSlices"),
        reconstruction_diameter_mm=number(ds, "ReconstructionDiameter"),
        contrast_agent=_contrast(ds),
        manufacturer=words.manufacturer(text(ds, "Manufacturer")),
        device_key="|".join(
            (text(ds, "Manufacturer"), text(ds, "ManufacturerModelName"), text(ds, "DeviceSerialNumber"))
        ),
        tilt_deg=number(ds, "GantryDetectorTilt"),
        patient_position=text(ds, "PatientPosition").upper(),
        lossy=text(ds, "LossyImageCompression") == "01" or syntax in LOSSY,
        burned_in=text(ds, "BurnedInAnnotation").upper(),
        multi_energy=multi,
        virtual_kev=kev,
        units_key=units,
    )


LOSSY = {
    "1.2.840.10008.1.2.4.50",
    "1.2.840.10008.1.2.4.51",
    "1.2.840.10008.1.2.4.53",
    "1.2.840.10008.1.2.4.55",
    "1.2.840.10008.1.2.4.81",
}
"""Transfer syntaxes that always lose. JPEG 2000 (.91) and HTJ2K (.203) may or may not: there 0028,2110 decides."""


def _contrast(ds: Values) -> bool | None:
    """Whether a contrast agent was given: yes, no, or not said (the attribute is often left out without agent)."""
    agent = text(ds, "ContrastBolusAgent").upper()
    if agent in ("NONE", "NO", "N", "WITHOUT", "NON-CONTRAST", "NATIVE"):
        return False
    if agent or "ContrastBolusAgentSequence" in ds or (number(ds, "ContrastBolusVolume") or 0) > 0:
        return True
    return False if "ContrastBolusAgent" in ds else None
