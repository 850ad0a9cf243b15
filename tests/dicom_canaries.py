"""Canaries for tests of privacy: planted in every text attribute, searched for in bytes of any kind."""

from __future__ import annotations

import base64
import re
import warnings
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager

from pydicom import config
from pydicom.datadict import DicomDictionary
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence

CANARY = "Xanthippe"
TEXT = {"AE", "AS", "CS", "LO", "LT", "PN", "SH", "ST", "UC", "UR", "UT"}
NEEDED = {
    "Modality", "SpecificCharacterSet", "PhotometricInterpretation", "RescaleType", "ImageType", "ConvolutionKernel",
    "Manufacturer", "PatientPosition", "BurnedInAnnotation", "LossyImageCompression", "MultienergyCTAcquisition",
    "PatientSex",
}  # fmt: skip
"""Left as they are, so that the image can still be read."""


@contextmanager
def planting() -> Iterator[None]:
    """Lets the library write values that are too long or of the wrong form, without a word."""
    before = config.settings.writing_validation_mode
    config.settings.writing_validation_mode = config.IGNORE
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        config.settings.writing_validation_mode = before


def plant_text(ds: Dataset) -> None:
    """A canary in every text attribute of the dictionary, in a private one, and in a sequence."""
    for tag, (kind, _, _, retired, keyword) in DicomDictionary.items():
        group = tag >> 16
        if group < 0x0008 or group >= 0x0050 or retired or not keyword or keyword in NEEDED or kind not in TEXT:
            continue
        ds.add_new(tag, kind, f"{CANARY}{'^Lea' if kind == 'PN' else ''}")
    ds.PatientBirthDate = "19310405"
    block = ds.private_block(0x0019, CANARY, create=True)
    block.add_new(1, "LO", CANARY)
    inner = Dataset()
    inner.CodeMeaning = inner.CodeValue = CANARY
    ds.ProcedureCodeSequence = Sequence([inner])


def found_in(data: bytes, words: Iterable[str]) -> list[str]:
    """Which words stand in the data: plain, as UTF-16, in base64 parts, or in deflated streams of a PDF."""
    layers = [data]
    layers += [base64.b64decode(part + b"=" * (-len(part) % 4)) for part in re.findall(rb"[A-Za-z0-9+/]{400,}", data)]
    for stream in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", data, re.DOTALL):
        try:
            layers.append(zlib.decompress(stream))
        except zlib.error:
            continue
    return [
        word
        for word in words
        for spelling in {word, word.upper(), word.lower()}
        if any(spelling.encode(c) in layer for layer in layers for c in ("utf-8", "utf-16-le", "utf-16-be"))
    ]
