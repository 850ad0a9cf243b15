"""Whom and when derived DICOM objects name: replaced and shifted by default, kept on request.

By default the rules of PS3.15 Annex E, Basic Application Level Confidentiality Profile, with the Retain Longitudinal
Temporal Information With Modified Dates Option: every UID is replaced by a keyed hash (the key is made anew for every
run and thrown away), patient and study identifiers are emptied or replaced by the case's alias, and day zero becomes
1960-01-01, visibly no date of the patient, with all intervals kept and times of day emptied. ``keep_dates`` retains
full dates. ``keep_identifiers`` retains identifiers and dates, so that the objects load beside the originals.
"""

from __future__ import annotations

import datetime
import hashlib
import hmac
import re
import secrets
from dataclasses import dataclass, field
from typing import Any

import pydicom
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian

from ..base import OutputError, Scan
from ..timeline import Timeline
from . import codes
from .codes import Term

EPOCH = datetime.date(1960, 1, 1)
"""Day zero of shifted dates, as is the custom of public image archives: old enough to be seen as false."""
MIDNIGHT = "000000"
STUDY_TAGS = (
    "PatientName",
    "PatientID",
    "PatientBirthDate",
    "PatientSex",
    "StudyID",
    "StudyDate",
    "StudyTime",
    "AccessionNumber",
    "ReferringPhysicianName",
    "StudyDescription",
    "PositionReferenceIndicator",
)


@dataclass(frozen=True)
class Identity:
    """The policy of one export; every object of a case is made with the same one.

    ``key`` makes replaced UIDs consistent within the export; ``made`` is the time of making, printed only where
    dates are kept.
    """

    timeline: Timeline
    keep_identifiers: bool = False
    keep_dates: bool = False
    key: bytes = field(default_factory=lambda: secrets.token_bytes(32), repr=False)
    made: datetime.datetime = field(default_factory=lambda: datetime.datetime.now(datetime.UTC))

    @property
    def dates_kept(self) -> bool:
        return self.keep_identifiers or self.keep_dates

    def new_uid(self, *names: object) -> str:
        """A UID of ours, the same for the same names within this export (PS3.5 B.2, UUID-derived)."""
        text = "\x1f".join(str(n) for n in names)
        digest = bytearray(hmac.new(self.key, text.encode(), hashlib.sha256).digest()[:16])
        digest[6] = (digest[6] & 0x0F) | 0x80
        digest[8] = (digest[8] & 0x3F) | 0x80
        return f"2.25.{int.from_bytes(bytes(digest), 'big')}"

    def uid(self, original: str, *fallback: object) -> str:
        """A UID of the input: kept, replaced, or made up where the input gave none."""
        if original and self.keep_identifiers:
            return original
        return self.new_uid("replaced", original) if original else self.new_uid("made", *fallback)

    def date(self, scan: Scan) -> str:
        """Date of a scan as DICOM writes it."""
        if self.keep_dates and scan.date:
            return scan.date.replace("-", "")
        return (EPOCH + datetime.timedelta(days=scan.day)).strftime("%Y%m%d")

    def refusal(self, scan: Scan) -> str:
        """Why nothing can refer to the images of a scan; empty where it can.

        Identifiers can be kept only where voxels lie on single source images, not on frames of one file or on a
        grid that was resampled.
        """
        images = getattr(getattr(scan.source, "stack", None), "images", ())
        if self.keep_identifiers and images and not _straight(scan):
            return (
                "its voxels do not lie on single source images, so nothing can refer to them; "
                "write without --keep-identifiers"
            )
        return ""

    def instance(self, scan: Scan, k: int) -> str:
        """The instance UID of slice ``k`` of the scan's grid in this export."""
        original = scan.source.stack.images[k].ids.instance if _straight(scan) else ""  # type: ignore[attr-defined]
        return self.uid(original, scan.number, "slice", k)

    def frames(self, scan: Scan, first: int, last: int) -> list[Dataset]:
        """One header per slice ``first`` ... ``last - 1`` of the scan's grid, with the identity of this export.

        Raises
        ------
        OutputError
            where :meth:`refusal` has a reason.
        """
        reason = self.refusal(scan)
        if reason:
            raise OutputError(f"scan {scan.number}: {reason}")
        straight = _straight(scan)
        images: tuple[Any, ...] = getattr(getattr(scan.source, "stack", None), "images", ())
        common = self._common(scan, str(images[0].where.path) if straight and self.keep_identifiers else "")
        grid, known = scan.grid, scan.identifiers
        found = []
        for k in range(first, last):
            ds = Dataset()
            ds.update(common)
            ds.SOPClassUID = images[k].ids.sop_class if straight else CTImageStorage
            ds.SOPInstanceUID = self.instance(scan, k)
            ds.StudyInstanceUID = self.uid(known.get("StudyInstanceUID", ""), scan.number, "study")
            ds.SeriesInstanceUID = self.uid(known.get("SeriesInstanceUID", ""), scan.number, "series")
            frame = known.get("FrameOfReferenceUID", "") or grid.frame_of_reference
            ds.FrameOfReferenceUID = self.uid(frame, scan.number, "frame of reference")
            ds.Modality = "CT"
            ds.Rows, ds.Columns = grid.shape[1], grid.shape[2]
            ds.InstanceNumber = k + 1
            ds.ImagePositionPatient = [_decimal(v) for v in grid.to_world((k, 0, 0))]
            along_row, along_column = grid.directions[:, 2], grid.directions[:, 1]
            ds.ImageOrientationPatient = [_decimal(v) for v in (*along_row, *along_column)]
            ds.PixelSpacing = [_decimal(grid.spacing[1]), _decimal(grid.spacing[2])]
            ds.SliceThickness = _decimal(scan.acquisition.slice_thickness_mm or grid.spacing[0])
            ds.SpacingBetweenSlices = _decimal(grid.spacing[0])
            ds.file_meta = FileMetaDataset()
            ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
            found.append(ds)
        return found

    def _common(self, scan: Scan, path: str) -> Dataset:
        """Patient and study attributes of a scan."""
        ds = Dataset()
        for name in STUDY_TAGS:
            setattr(ds, name, "")
        if path:
            held = pydicom.dcmread(path, stop_before_pixels=True, force=True, specific_tags=[*STUDY_TAGS])
            for name in STUDY_TAGS:
                if name in held:
                    setattr(ds, name, held[name].value)
        if not self.keep_identifiers:
            # of the alias only what both PN and LO hold (PS3.5 6.2)
            alias = re.sub(r"[^A-Za-z0-9 ._-]", "_", self.timeline.alias)[:60].strip() or "case"
            ds.PatientID, ds.PatientName = alias, f"{alias}^"
            ds.StudyTime = MIDNIGHT
            del ds.StudyDescription
        if not ds.get("StudyDate"):
            ds.StudyDate = self.date(scan)
        return ds

    def finish(self, ds: Dataset, scan: Scan) -> None:
        """Take today's clock out of an object, and declare what was replaced (PS3.15 E.2, PS3.3 C.12.1, C.7.1.1)."""
        if self.dates_kept:
            date, time = self.made.strftime("%Y%m%d"), self.made.strftime("%H%M%S")
        else:
            date, time = self.date(scan), MIDNIGHT
        for name, value in (
            ("ContentDate", date),
            ("ContentTime", time),
            ("InstanceCreationDate", date),
            ("InstanceCreationTime", time),
            ("SeriesDate", date),
            ("SeriesTime", time),
        ):
            if name in ds or name.startswith("Content"):
                setattr(ds, name, value)
        for name in ("TimezoneOffsetFromUTC", "PerformedProcedureStepStartDate", "PerformedProcedureStepStartTime"):
            if name in ds:
                delattr(ds, name)
        _each(ds, "DateTime", f"{date}{time}")
        ds.CodingSchemeIdentificationSequence = [_scheme()]
        if self.keep_identifiers:
            return
        ds.PatientIdentityRemoved = "YES"
        dates = "dates kept" if self.keep_dates else "dates shifted"
        ds.DeidentificationMethod = f"UIDs and identifiers replaced; {dates}"
        option = codes.FULL_DATES if self.keep_dates else codes.MODIFIED_DATES
        ds.DeidentificationMethodCodeSequence = [item(codes.BASIC_PROFILE), item(option)]
        ds.LongitudinalTemporalInformationModified = "UNMODIFIED" if self.keep_dates else "MODIFIED"


def _straight(scan: Scan) -> bool:
    """Whether slice k of the scan's grid is image k of its source, one file each."""
    stack = getattr(scan.source, "stack", None)
    images: tuple[Any, ...] = getattr(stack, "images", ())
    return (
        len(images) == scan.grid.shape[0]
        and getattr(stack, "shear", None) is None
        and getattr(stack, "heights", None) is None
        and not any(image.multiframe for image in images)
    )


def item(term: Term) -> Dataset:
    """A code sequence item."""
    ds = Dataset()
    ds.CodeValue, ds.CodingSchemeDesignator, ds.CodeMeaning = term.value, term.scheme, term.meaning
    return ds


def _scheme() -> Dataset:
    ds = Dataset()
    ds.CodingSchemeDesignator = codes.PRIVATE_SCHEME
    ds.CodingSchemeName = codes.PRIVATE_SCHEME_NAME
    return ds


def _each(ds: Dataset, ending: str, value: str) -> None:
    """Set every date-time attribute at any depth."""
    for element in ds:
        if element.VR == "SQ":
            for part in element.value:
                _each(part, ending, value)
        elif element.VR == "DT" and element.keyword.endswith(ending):
            element.value = value


def _decimal(value: Any) -> str:
    """A number as a decimal string of at most 16 characters (PS3.5 6.2)."""
    number = float(value)
    for digits in range(16, 5, -1):
        text = f"{number:.{digits}g}"
        if len(text) <= 16:
            return text
    raise ValueError("expected a number that fits a decimal string")
