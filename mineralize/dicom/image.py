"""What one plane of pixels says about itself, in plain frozen values.

Built once per file by :mod:`.headers` (and by :mod:`.enhanced` for each frame of a multi-frame file); after that no
DICOM library is needed until the pixels are decoded.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from typing import Literal

Triple = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Patient:
    """Whom a file is about; compared, never printed."""

    identity: str = ""
    name: str = ""
    birth: str = ""
    sex: str = ""


@dataclass(frozen=True, slots=True)
class Ids:
    """What binds files together; compared, never printed."""

    patient: Patient
    study: str
    series: str
    instance: str
    sop_class: str
    frame_of_reference: str
    modality: str
    series_number: int | None = None
    acquisition_number: int | None = None
    concatenation: str = ""
    concatenation_part: int | None = None
    concatenation_total: int | None = None


@dataclass(frozen=True, slots=True)
class When:
    """Date (``YYYYMMDD``), seconds of that day and minutes from UTC, and which attribute gave them."""

    date: str = ""
    seconds: float | None = None
    utc_offset_min: int | None = None
    source: str = ""
    study_date: str = ""


@dataclass(frozen=True, slots=True)
class Coding:
    """How the stored values lie in the file (PS3.3 C.7.6.3)."""

    transfer_syntax: str
    rows: int
    columns: int
    bits_allocated: int
    bits_stored: int
    high_bit: int
    signed: bool
    samples: int
    photometric: str
    frames: int = 1
    pixel_keyword: str = "PixelData"


@dataclass(frozen=True, slots=True)
class Making:
    """How the image was acquired and made; free text is already normalised (:mod:`.words`)."""

    image_type: tuple[str, ...] = ()
    kvp: float | None = None
    kernel: str = ""
    kernel_key: str = ""
    kernel_class: Literal["soft", "medium", "sharp", "unknown"] = "unknown"
    slice_thickness_mm: float | None = None
    stated_spacing_mm: float | None = None
    reconstruction_diameter_mm: float | None = None
    contrast_agent: bool | None = None
    manufacturer: str = ""
    device_key: str = ""
    tilt_deg: float | None = None
    patient_position: str = ""
    lossy: bool = False
    burned_in: str = ""
    multi_energy: bool = False
    virtual_kev: float | None = None
    units_key: str = ""


@dataclass(frozen=True, slots=True)
class Where:
    """Where the stored bytes are. ``offset`` is ``None`` for a deflated file, ``state`` the file's when it was read."""

    path: str
    offset: int | None
    length: int
    frame: int = 0
    encapsulated: bool = False
    state: tuple[int, ...] = field(default=(), compare=False)


def state_of(found: os.stat_result) -> tuple[int, ...]:
    """What differs after a file was changed or replaced: size, times, identity."""
    return found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino


@dataclass(frozen=True, slots=True)
class Image:
    """One plane: geometry, rescale and where its pixels are.

    ``position``, ``orientation`` and ``spacing`` (row, column; mm) are ``None`` when the file does not give them in
    a usable form. ``file`` is the number of the file in reading order, the only name messages use.
    """

    file: int
    ids: Ids
    when: When
    coding: Coding
    making: Making
    where: Where
    position: Triple | None = None
    orientation: tuple[float, ...] | None = None
    spacing: tuple[float, float] | None = None
    slope: float = 1.0
    intercept: float = 0.0
    rescale_given: bool = False
    rescale_type: str = ""
    padding: int | None = None
    padding_limit: int | None = None
    exposure_mas: float | None = None
    stack: str = ""
    temporal: int | None = None
    multiframe: bool = False
    location: float | None = None
    turn: int | None = None
