"""Whom and when derived DICOM objects name: replaced and shifted by default, kept on request.

By default the rules of PS3.15 Annex E, Basic Application Level Confidentiality Profile, with the Retain Longitudinal
Temporal Information With Modified Dates Option: every UID is replaced by a keyed hash, patient and study identifiers
are emptied or replaced by the case's alias, and day zero becomes 1960-01-01, midnight, visibly no date of the patient,
with all intervals kept. ``keep_dates`` retains full dates and the time of the study. ``keep_identifiers`` retains
identifiers and dates, so that the objects load beside the originals.

No UID tells of another: under the key each follows from the policy and the settings, and that of an instance from
every byte of its content too, so that one UID never stands for two contents, and objects with and without identifiers
share none. The key is handed over and written nowhere; who does not have it, or what it was drawn from, cannot lead a
UID back. No clock goes into an object: its content is dated as the scan it was made from.
"""

from __future__ import annotations

import datetime
import hashlib
import hmac
import re
import secrets
import unicodedata
from dataclasses import dataclass, field
from typing import Any

import pydicom
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian

from .. import __version__
from ..base import PRIVATE_SCHEME, OutputError, Scan, Settings, Term, plain_text
from ..timeline import Timeline
from . import codes
from .encode import UTF_8, as_file, encoded

PROGRAM = "mineralize"
LONGEST_NAME = 60
"""Characters: PN and LO hold 64, and the name of a person a caret more."""
EPOCH = datetime.date(1960, 1, 1)
"""Day zero of shifted dates, as is the custom of public image archives: old enough to be seen as false."""
MIDNIGHT = "000000"
NOBODY = "case"
"""Alias of a case that nobody named."""
_DIGITS = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
"""Without letters that are taken for digits."""
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

    ``key`` makes replaced UIDs consistent within the export; ``settings`` are those of the study where they are not
    the time line's own.
    """

    timeline: Timeline
    keep_identifiers: bool = False
    keep_dates: bool = False
    key: bytes = field(default_factory=lambda: secrets.token_bytes(32), repr=False)
    settings: Settings | None = None

    @property
    def dates_kept(self) -> bool:
        return self.keep_identifiers or self.keep_dates

    def new_uid(self, *names: object) -> str:
        """A UID of ours, the same for the same names within this export (PS3.5 B.2, UUID-derived)."""
        policy = (self.keep_identifiers, self.keep_dates, self.settings or self.timeline.settings)
        text = "\x1f".join(str(n) for n in (*policy, *names))
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
        if self.dates_kept and scan.date:
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
        common = self._common(scan, str(images[0].where.path) if images and self.dates_kept else "")
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
        """Patient and study attributes of a scan; ``path`` is of one of its files where something of them is kept."""
        ds = Dataset()
        ds.SpecificCharacterSet = UTF_8
        for name in STUDY_TAGS:
            setattr(ds, name, "")
        held = Dataset()
        if path:
            held = pydicom.dcmread(path, stop_before_pixels=True, force=True, specific_tags=[*STUDY_TAGS])
        if self.keep_identifiers:
            for name in STUDY_TAGS:
                if name in held:
                    value = held[name].value
                    setattr(ds, name, value if value is None else _text(value))
            return ds
        ds.PatientID = self.patient
        ds.PatientName = f"{self.patient}^"
        ds.StudyID = str(scan.number)  # a DICOMDIR asks for one (PS3.3 F.5.2)
        ds.StudyDate, ds.StudyTime = self.date(scan), MIDNIGHT
        if self.keep_dates:
            same = str(held.get("StudyDate") or "") == ds.StudyDate
            ds.StudyTime = str(held.get("StudyTime") or "") if same else ""
        del ds.StudyDescription
        return ds

    @property
    def patient(self) -> str:
        """How objects call the patient: the alias, of which only what both PN and LO hold (PS3.5 6.2)."""
        alias = plain_text(self.timeline.alias, one_line=True)
        kept = "".join(c if c in " ._-" or unicodedata.category(c)[0] in "LMN" else "_" for c in alias)
        name = kept.strip()[:LONGEST_NAME].strip()
        return pseudonym(self.key) if name in ("", NOBODY) else name

    def finish(self, ds: Dataset, scan: Scan) -> bytes:
        """Take the clock and the library's words out of an object, declare what was replaced, and give it its UID.

        Nothing may be changed in it afterwards. Returns it as a file. (PS3.15 E.2, PS3.3 C.12.1, C.7.1.1)
        """
        ds.SpecificCharacterSet = UTF_8
        for name in STUDY_TAGS:
            if ds.get(name):
                setattr(ds, name, _text(ds[name].value))
        date, time = str(ds.get("StudyDate") or ""), str(ds.get("StudyTime") or "")
        date = date if re.fullmatch(r"\d{8}", date) else self.date(scan)
        ds.ContentDate, ds.ContentTime = date, time if _TIME.fullmatch(time) else MIDNIGHT
        for name in (
            "InstanceCreationDate", "InstanceCreationTime", "SeriesDate", "SeriesTime", "TimezoneOffsetFromUTC",
            "PerformedProcedureStepStartDate", "PerformedProcedureStepStartTime",
        ):  # fmt: skip
            if name in ds:
                delattr(ds, name)
        _each(ds, "DateTime", f"{date}{ds.ContentTime}")
        ds.CodingSchemeIdentificationSequence = [_scheme()]
        self._equip(ds)
        if not self.keep_identifiers:
            ds.PatientIdentityRemoved = "YES"
            dates = "dates kept" if self.keep_dates else "dates shifted"
            ds.DeidentificationMethod = f"UIDs and identifiers replaced; {dates}"
            option = codes.FULL_DATES if self.keep_dates else codes.MODIFIED_DATES
            ds.DeidentificationMethodCodeSequence = [item(codes.BASIC_PROFILE), item(option)]
            ds.LongitudinalTemporalInformationModified = "UNMODIFIED" if self.keep_dates else "MODIFIED"
        content = encoded(ds)
        ds.SOPInstanceUID = self.new_uid("instance", ds.SOPClassUID, hashlib.sha256(content).hexdigest())
        ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
        return as_file(ds, content)

    def _equip(self, ds: Dataset) -> None:
        """Say which scanners the images came from, as far as the scans tell it (PS3.3 C.12.1.1.5)."""
        found = []
        for maker in sorted({scan.acquisition.manufacturer for scan in self.timeline.scans} - {"", "other"}):
            scanner = Dataset()
            scanner.PurposeOfReferenceCodeSequence = [item(codes.ACQUISITION_EQUIPMENT)]
            scanner.Manufacturer = maker
            scanner.ContributionDescription = "Acquisition equipment of the source images"
            found.append(scanner)
        ours = Dataset()
        ours.PurposeOfReferenceCodeSequence = [item(codes.PROCESSING_EQUIPMENT)]
        ours.Manufacturer = ours.ManufacturerModelName = PROGRAM
        ours.SoftwareVersions = __version__
        ours.ContributionDescription = "Outlined and measured the lesion and made this object"
        ds.ContributingEquipmentSequence = [*found, ours]


def pseudonym(secret: bytes) -> str:
    """A name for a case that nobody named, such as ``P-7K2M9-QX4T1``: fifty bits of a secret, the same ever after."""
    number = int.from_bytes(hmac.new(secret, b"pseudonym", hashlib.sha256).digest()[:8], "big")
    digits = [_DIGITS[(number >> 5 * k) & 31] for k in range(10)]
    return f"P-{''.join(digits[:5])}-{''.join(digits[5:])}"


def _text(value: Any) -> Any:
    """A value as plain text, to be written in UTF-8: a name read in another character set remembers its bytes."""
    return [str(v) for v in value] if isinstance(value, list | pydicom.multival.MultiValue) else str(value)


_TIME = re.compile(r"\d{2}(\d{2}(\d{2}(\.\d{1,6})?)?)?")
"""A time of day as DICOM writes it today (PS3.5 6.2, TM)."""


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
    ds.CodingSchemeDesignator = PRIVATE_SCHEME
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
