"""Objects as bytes, each encoded once: its UID follows from its content, and is set into it afterwards.

A report holds tens of thousands of elements of which most say the same as another: what the library makes of a text is
kept by tag and value while one object is encoded.
"""

from __future__ import annotations

import io

import pydicom
from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset
from pydicom.filebase import DicomBytesIO
from pydicom.filewriter import correct_ambiguous_vr, write_data_element
from pydicom.tag import Tag

UTF_8 = "ISO_IR 192"
"""The character set of all objects, whatever that of the scans (PS3.3 C.12.1.1.2)."""
SOP_INSTANCE_UID = Tag("SOPInstanceUID")
_NO_UID = b"\x08\x00\x18\x00UI\x00\x00"
"""The element of an object's own UID without a value (PS3.5 7.1.2)."""
_ITEM = b"\xfe\xff\x00\xe0"
"""Tag of an item of a sequence (PS3.5 7.5)."""

_Known = dict[tuple[int, str, str], bytes]


def encoded(ds: Dataset) -> bytes:
    """An object as it is written (explicit VR, little endian, UTF-8), its own UID empty, without what precedes it."""
    bare = pydicom.Dataset(ds)
    bare.SOPInstanceUID = ""
    return _content(correct_ambiguous_vr(bare, True), {})


def as_file(ds: Dataset, content: bytes) -> bytes:
    """The file (PS3.10 7.1) of an object from what :func:`encoded` made of it."""
    before = Dataset()
    before.update({element.tag: element for element in ds if element.tag < SOP_INSTANCE_UID})
    at = len(_content(before, {}))
    assert content[at:].startswith(_NO_UID)
    uid = str(ds.SOPInstanceUID).encode("ascii")
    uid += b"\0" * (len(uid) % 2)
    head = Dataset()
    head.preamble, head.file_meta = b"\0" * 128, ds.file_meta
    held = io.BytesIO()
    pydicom.dcmwrite(held, head, enforce_file_format=True)
    held.write(content[:at] + _NO_UID[:6] + len(uid).to_bytes(2, "little") + uid)
    held.write(content[at + len(_NO_UID) :])
    return held.getvalue()


def _content(ds: Dataset, known: _Known) -> bytes:
    """All elements in the order of their tags; sequences and items with their lengths (PS3.5 7.5.1)."""
    return b"".join(_element(ds[tag], known) for tag in sorted(ds.keys(), key=int))


def _element(element: DataElement, known: _Known) -> bytes:
    if element.VR == "SQ":
        items = b"".join(_ITEM + len(one).to_bytes(4, "little") + one for one in _items(element, known))
        tag = int(element.tag)
        head = (tag >> 16).to_bytes(2, "little") + (tag & 0xFFFF).to_bytes(2, "little")
        return head + b"SQ\0\0" + len(items).to_bytes(4, "little") + items
    if not isinstance(element.value, str):
        return _by_library(element)
    key = (int(element.tag), str(element.VR), str(element.value))
    made = known.get(key)
    if made is None:
        made = known[key] = _by_library(element)
    return made


def _items(element: DataElement, known: _Known) -> list[bytes]:
    return [_content(item, known) for item in element.value or ()]


def _by_library(element: DataElement) -> bytes:
    held = DicomBytesIO()
    held.is_implicit_VR, held.is_little_endian = False, True
    write_data_element(held, element, UTF_8)
    return held.getvalue()
