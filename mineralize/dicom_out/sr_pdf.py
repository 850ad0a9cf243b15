"""The summary's PDF as an Encapsulated PDF (PS3.3 A.45.1), so that an archive can hold it beside the scans."""

from __future__ import annotations

from pathlib import Path

from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import EncapsulatedPDFStorage, ExplicitVRLittleEndian

from .. import __version__
from ..base import OutputError
from .identity import PROGRAM, STUDY_TAGS, Identity

SERIES_NUMBER = 898
TITLE = "Imaging history, summary"


def encapsulate(identity: Identity, pdf: bytes) -> bytes:
    """The file of an object in the study of the last scan that holds a PDF.

    Raises
    ------
    OutputError
        when the bytes are no PDF.
    """
    if not pdf.startswith(b"%PDF-"):
        raise OutputError("the summary to put into DICOM is no PDF")
    scan = identity.timeline.scans[-1]
    frame = identity.frames(scan, 0, 1)[0]
    ds = Dataset()
    for name in (*STUDY_TAGS, "StudyInstanceUID"):
        if name in frame and name != "PositionReferenceIndicator":
            setattr(ds, name, frame[name].value)
    ds.SOPClassUID = EncapsulatedPDFStorage
    ds.SOPInstanceUID = identity.new_uid("pdf", "instance")
    ds.SeriesInstanceUID = identity.new_uid("pdf", "series")
    ds.SeriesNumber, ds.InstanceNumber = SERIES_NUMBER, 1
    ds.Modality = "DOC"
    ds.ConversionType = "WSD"
    ds.Manufacturer, ds.ManufacturerModelName, ds.SoftwareVersions = PROGRAM, PROGRAM, __version__
    ds.SeriesDescription = "mineralize summary"
    ds.AcquisitionDateTime = ""
    ds.BurnedInAnnotation = "NO"
    ds.DocumentTitle = TITLE
    ds.ConceptNameCodeSequence = []
    ds.MIMETypeOfEncapsulatedDocument = "application/pdf"
    ds.EncapsulatedDocument = pdf + b"\0" * (len(pdf) % 2)
    ds.EncapsulatedDocumentLength = len(pdf)
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
    return identity.finish(ds, scan)


def write(pdf: bytes, folder: Path, identity: Identity) -> Path:
    """Write ``summary-pdf.dcm``.

    Raises
    ------
    OutputError
        when the bytes are no PDF, or nothing can refer to the images of the last scan.
    OSError
        when the file cannot be written.
    """
    path = folder / "summary-pdf.dcm"
    path.write_bytes(encapsulate(identity, pdf))
    return path
