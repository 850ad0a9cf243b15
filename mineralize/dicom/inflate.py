"""Deflated files (transfer syntax 1.2.840.10008.1.2.1.99), inflated within a limit."""

from __future__ import annotations

import struct
import zlib
from io import BytesIO

from pydicom import dcmread

LARGEST = 2**29
"""Inflated bytes of one file; a slice has half a megabyte."""
_UID = b"1.2.840.10008.1.2.1.99"


def is_deflated(start: bytes) -> bool:
    """Whether the meta header in the first bytes names the deflated transfer syntax."""
    return _UID in start


def inflated(path: str) -> BytesIO:
    """The file as if it had been written with Explicit VR Little Endian.

    Raises
    ------
    ValueError, zlib.error
        when it is damaged or inflates beyond the limit.
    """
    with open(path, "rb") as stream:
        data = stream.read()
    if data[128:132] != b"DICM" or data[132:136] != b"\x02\x00\x00\x00":
        raise ValueError("a deflated file without a meta header")
    end = 144 + struct.unpack("<L", data[140:144])[0]
    unpacker = zlib.decompressobj(-zlib.MAX_WBITS)
    body = unpacker.decompress(data[end:], LARGEST)
    if unpacker.unconsumed_tail:
        raise ValueError("inflates beyond the limit")
    # Same length, so that the group length of the meta header stays right.
    meta = data[:end].replace(_UID, b"1.2.840.10008.1.2.1\0\0\0")
    return BytesIO(meta + body)


def inflated_pixels(path: str) -> bytes:
    """The bytes of Pixel Data of a deflated file."""
    return bytes(dcmread(inflated(path), force=True, specific_tags=["PixelData"]).PixelData)
