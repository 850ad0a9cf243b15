"""The plain part of DICOM files, read fast.

Nearly every CT file of a hospital is little endian with a meta header, and everything a reader needs stands at its top
level. This walks over such a header once, keeps the wanted values as bytes and finds where the pixels begin, several
times faster than a general parser. Whatever is not plain (deflated, big endian, no preamble, wanted sequences, names
beyond ASCII, elements out of order) it declines, and the general library reads that file. Tests hold both to the
same result.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Any, BinaryIO

from pydicom.datadict import dictionary_VR, tag_for_keyword

IMPLICIT = "1.2.840.10008.1.2"
_DECLINED = {"1.2.840.10008.1.2.2", "1.2.840.10008.1.2.1.99"}
_STEPS = (2**14, 2**17, 2**20, 2**22)
"""Bytes read at first, and when the header turns out longer."""
_PIXELS = 0x7FE00010
_LONG = {b"OB", b"OD", b"OF", b"OL", b"OV", b"OW", b"SQ", b"UC", b"UN", b"UR", b"UT", b"SV", b"UV"}
_NUMBERS = {"US": "H", "SS": "h", "UL": "L", "SL": "l", "FL": "f", "FD": "d"}
_UNDEFINED = 0xFFFFFFFF
_DEEPEST = 30
_EXPLICIT_HEAD = struct.Struct("<HH2sH").unpack_from
_IMPLICIT_HEAD = struct.Struct("<HHL").unpack_from
_LENGTH = struct.Struct("<L").unpack_from


class NotPlain(Exception):
    """The file is not of the plain kind, or not all of its header was read yet (``more``)."""

    def __init__(self, *, more: bool = False) -> None:
        super().__init__()
        self.more = more


@dataclass(frozen=True)
class Wanted:
    """Which elements to keep: tag by keyword, and the value representation for implicit files."""

    tags: dict[str, int]
    kinds: dict[int, str]

    @classmethod
    def of(cls, keywords: list[str]) -> Wanted:
        tags = {keyword: int(tag_for_keyword(keyword) or 0) for keyword in keywords}
        return cls(tags, {tag: dictionary_VR(tag) for tag in tags.values()})


class Elements:
    """Top-level values by keyword, decoded on demand; stands in for a dataset of the library."""

    def __init__(self, values: dict[int, bytes], wanted: Wanted, transfer_syntax: str, pixels: tuple[int, int, bool]):
        self._values = values
        self._wanted = wanted
        self.transfer_syntax = transfer_syntax
        self.pixels = pixels
        """Where the pixels begin, how many bytes they may have, and whether their length is undefined."""

    def __contains__(self, keyword: str) -> bool:
        return self._wanted.tags[keyword] in self._values

    def key(self, tags: tuple[int, ...]) -> tuple[bytes | None, ...]:
        """The bytes of several elements, to tell quickly whether two files agree in them."""
        return tuple(map(self._values.get, tags))

    def get(self, keyword: str) -> Any:
        """The value: a number, text, or a list of them; ``None`` when absent."""
        tag = self._wanted.tags[keyword]
        data = self._values.get(tag)
        if data is None:
            return None
        kind = self._wanted.kinds[tag]
        if kind == "US or SS":
            stated = self._values.get(-tag)  # explicit files name the kind; else Pixel Representation decides
            kind = stated.decode() if stated else "SS" if self._values.get(0x00280103) == b"\1\0" else "US"
        code = _NUMBERS.get(kind)
        if code is not None:
            size = struct.calcsize("<" + code)
            found = struct.unpack(f"<{len(data) // size}{code}", data[: len(data) // size * size])
            return found[0] if len(found) == 1 else list(found) or None
        text = data.decode("latin-1").rstrip("\0 ")
        if "\\" in text and kind not in ("ST", "LT", "UT"):
            return text.split("\\")
        return text


def read(stream: BinaryIO, wanted: Wanted, size: int) -> Elements | None:
    """The plain header of an open file; ``None`` when the general parser must read it."""
    for step in _STEPS:
        stream.seek(0)
        data = stream.read(step)
        try:
            return _plain(data, wanted, size)
        except NotPlain as stop:
            if not stop.more or len(data) < step:
                return None
        except struct.error:
            if len(data) < step:
                return None
    return None


def _plain(data: bytes, wanted: Wanted, size: int) -> Elements:
    if data[128:140] != b"DICM\x02\x00\x00\x00UL\x04\x00":
        raise NotPlain
    meta_end = 144 + _LENGTH(data, 140)[0]
    meta, _ = _walk(data, 144, meta_end, True, {0x00020010: "UI"})
    syntax = meta.get(0x00020010, b"").rstrip(b"\0 ").decode("latin-1")
    if not syntax or syntax in _DECLINED:
        raise NotPlain
    explicit = syntax != IMPLICIT
    values, at = _walk(data, meta_end, None, explicit, wanted.kinds)
    name = values.get(0x00100010, b"")
    if not name.isascii() or b"\x1b" in name:
        raise NotPlain
    if explicit:
        if data[at + 4 : at + 6] not in (b"OW", b"OB", b"UN"):
            raise NotPlain
        start, length = at + 12, _LENGTH(data, at + 8)[0]
    else:
        start, length = at + 8, _LENGTH(data, at + 4)[0]
    left = max(size - start, 0)
    return Elements(
        values, wanted, syntax, (start, left if length == _UNDEFINED else min(length, left), length == _UNDEFINED)
    )


def _walk(
    data: bytes, position: int, end: int | None, explicit: bool, kinds: dict[int, str]
) -> tuple[dict[int, bytes], int]:
    """Keep wanted top-level values up to ``end`` (or up to the pixels); returns them and where the walk stopped."""
    found: dict[int, bytes] = {}
    before = -1
    limit = len(data)
    while end is None or position < end:
        if position + 12 > limit:
            raise NotPlain(more=True)
        if explicit:
            group, element, kind, length = _EXPLICIT_HEAD(data, position)
            value = position + 8
            if kind in _LONG:
                length = _LENGTH(data, position + 8)[0]
                value = position + 12
            elif not kind.isalpha():
                raise NotPlain
        else:
            group, element, length = _IMPLICIT_HEAD(data, position)
            kind = b""
            value = position + 8
        tag = group << 16 | element
        if tag <= before:
            raise NotPlain
        before = tag
        if tag >= _PIXELS:
            if tag != _PIXELS:
                raise NotPlain
            return found, position
        if length == _UNDEFINED:
            if tag in kinds or (explicit and kind not in (b"SQ", b"UN")):
                raise NotPlain
            position = _skip_items(data, value, explicit and kind == b"SQ", 0)
            continue
        position = value + length
        if tag in kinds:
            if position > limit:
                raise NotPlain(more=True)
            expected = kinds[tag]
            if expected == "SQ" or (explicit and kind != expected.encode() and kind not in (b"US", b"SS", b"UN")):
                raise NotPlain
            if kind in (b"US", b"SS", b"UN") and expected not in ("US", "SS", "US or SS"):
                raise NotPlain
            found[tag] = data[value:position]
            if expected == "US or SS" and kind in (b"US", b"SS"):
                found[-tag] = kind
    return found, position


def _skip_items(data: bytes, position: int, explicit: bool, depth: int) -> int:
    """The position behind a sequence of undefined length whose first item starts at ``position``."""
    if depth > _DEEPEST:
        raise NotPlain
    while True:
        if position + 8 > len(data):
            raise NotPlain(more=True)
        group, element, length = _IMPLICIT_HEAD(data, position)
        position += 8
        if (group, element) == (0xFFFE, 0xE0DD):
            return position
        if (group, element) != (0xFFFE, 0xE000):
            raise NotPlain
        position = position + length if length != _UNDEFINED else _skip_item(data, position, explicit, depth)


def _skip_item(data: bytes, position: int, explicit: bool, depth: int) -> int:
    """The position behind an item of undefined length."""
    while True:
        if position + 12 > len(data):
            raise NotPlain(more=True)
        if data[position : position + 4] == b"\xfe\xff\x0d\xe0":
            return position + 8
        if explicit:
            _, _, kind, length = _EXPLICIT_HEAD(data, position)
            value = position + 8
            if kind in _LONG:
                length = _LENGTH(data, position + 8)[0]
                value = position + 12
            elif not kind.isalpha():
                raise NotPlain
        else:
            _, _, length = _IMPLICIT_HEAD(data, position)
            kind = b"SQ"
            value = position + 8
        if length == _UNDEFINED:
            if kind not in (b"SQ", b"UN"):
                raise NotPlain
            position = _skip_items(data, value, explicit and kind == b"SQ", depth + 1)
        else:
            position = value + length
