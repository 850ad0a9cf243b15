"""The stored values of one slice, whatever their transfer syntax."""

from __future__ import annotations

import itertools
import struct
import zlib
from functools import lru_cache
from importlib.util import find_spec
from itertools import islice
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydicom.encaps import generate_frames
from pydicom.pixels.decoders.base import get_decoder
from pydicom.uid import UID

from .image import Coding, Image
from .inflate import inflated_pixels

NOT_HERE = {"gdcm", "pyjpegls"}
"""Decoders that may end the program on damaged data, or keep it busy for half a minute (both found by fuzzing)."""
TWELVE_BIT = {f"1.2.840.10008.1.2.4.{n}" for n in (51, 53, 55)}
SAFEST_FIRST = ("pylibjpeg", "pyjpegls", "pillow", "gdcm", "pydicom")
"""gdcm stands late: on some damaged data it ends the process instead of raising (found by fuzzing JPEG 2000)."""
RUN_LENGTH = "1.2.840.10008.1.2.5"
NATIVE = {
    "1.2.840.10008.1.2": "<",
    "1.2.840.10008.1.2.1": "<",
    "1.2.840.10008.1.2.2": ">",
    "1.2.840.10008.1.2.1.99": "<",
}


def twelve_bit_jpeg(coding: Coding) -> bool:
    """JPEG of 12 bits (process 4, and the retired 6 to 8 and 10 to 12): only gdcm's own reader decodes these."""
    return coding.transfer_syntax in TWELVE_BIT and coding.bits_stored > 8


@lru_cache(maxsize=64)
def decoder_of(coding: Coding) -> str:
    """The decoder for this encoding: the safest of those installed, ``""`` if there is none."""
    if twelve_bit_jpeg(coding):
        return "gdcm" if find_spec("gdcm") is not None else ""
    try:
        installed = get_decoder(UID(coding.transfer_syntax)).available_plugins
    except Exception:
        return ""
    return next((name for name in SAFEST_FIRST if name in installed), "")


def can_decode(coding: Coding) -> bool:
    """Whether these pixels can be decoded here."""
    return coding.transfer_syntax in NATIVE or bool(decoder_of(coding))


def needs_child(coding: Coding) -> bool:
    """Whether the decoder may abort or hold up the whole program on damaged data, and so must not run in it."""
    return coding.transfer_syntax not in NATIVE and decoder_of(coding) in NOT_HERE


def native_dtype(coding: Coding) -> np.dtype[Any]:
    """Type of the stored values of an uncompressed file."""
    order = NATIVE.get(coding.transfer_syntax, "<")
    return np.dtype(f"{order}{'i' if coding.signed else 'u'}{coding.bits_allocated // 8}")


def stored_values(image: Image, scratch: NDArray[Any], checked: bool = True) -> NDArray[Any]:
    """(rows, columns) stored values, before padding, sign and rescale are looked at.

    ``scratch`` is the slice they end up in; an uncompressed 16-bit slice is read straight into it.
    """
    coding, where = image.coding, image.where
    if coding.transfer_syntax in NATIVE:
        dtype = native_dtype(coding)
        count = coding.rows * coding.columns
        if where.offset is None:
            data = inflated_pixels(where.path)
            plain = np.frombuffer(data, dtype, count, offset=where.frame * count * dtype.itemsize)
            return plain.reshape(coding.rows, coding.columns)
        direct = scratch.dtype == np.int16 and dtype.itemsize == 2
        target = scratch if direct else np.empty((coding.rows, coding.columns), dtype)
        with open(where.path, "rb", buffering=0) as stream:
            stream.seek(where.offset + where.frame * count * dtype.itemsize)
            view = memoryview(target.data).cast("B")
            done = 0
            while done < len(view):
                got = stream.readinto(view[done:])
                if not got:
                    raise zlib.error("short file")
                done += got
        if direct:
            target = target.view(dtype.newbyteorder("="))
            if dtype.byteorder == ">":
                target.byteswap(inplace=True)
        return target
    return _encapsulated(image, checked)


def _encapsulated(image: Image, checked: bool) -> NDArray[Any]:
    coding, where = image.coding, image.where
    if twelve_bit_jpeg(coding):
        return _by_gdcm(image)
    with open(where.path, "rb") as stream:
        stream.seek(where.offset or 0)
        data = stream.read(where.length)
    options: dict[str, Any] = {
        "rows": coding.rows,
        "columns": coding.columns,
        "samples_per_pixel": 1,
        "bits_allocated": coding.bits_allocated,
        "bits_stored": coding.bits_stored,
        "pixel_representation": int(coding.signed),
        "photometric_interpretation": "MONOCHROME2",
        "number_of_frames": coding.frames,
        "pixel_keyword": "PixelData",
        "decoding_plugin": decoder_of(coding),
    }
    if checked and coding.transfer_syntax == RUN_LENGTH and not _runs_fit(data, where.frame, coding):
        options["decoding_plugin"] = "pydicom"  # slow, and safe with damaged data
    array, _ = get_decoder(UID(coding.transfer_syntax)).as_array(data, index=where.frame, raw=True, **options)
    if array.shape != (coding.rows, coding.columns):
        raise ValueError("decoded to another size than the header says")
    return np.asarray(array)


def _runs_fit(data: bytes, frame: int, coding: Coding) -> bool:
    """Whether run-length segments decode to exactly one plane (PS3.5 annex G)."""
    found = next(islice(generate_frames(data, number_of_frames=coding.frames), frame, None), b"")
    planes = coding.bits_allocated // 8
    if len(found) < 64 or struct.unpack("<L", found[:4])[0] != planes:
        return False
    starts = [*struct.unpack(f"<{planes}L", found[4 : 4 + 4 * planes]), len(found)]
    return all(
        64 <= start < stop <= len(found) and _unpacked_length(found[start:stop]) == coding.rows * coding.columns
        for start, stop in itertools.pairwise(starts)
    )


def _unpacked_length(segment: bytes) -> int:
    position = length = 0
    last = len(segment) - 1
    while position < last:
        code = segment[position]
        if code < 128:
            length += code + 1
            position += code + 2
        elif code > 128:
            length += 257 - code
            position += 2
        else:
            position += 1
    return length if position <= last + 1 else -1


def _by_gdcm(image: Image) -> NDArray[Any]:
    """One frame through gdcm's file reader."""
    import gdcm  # type: ignore[import-untyped]  # slow to load and wanted for these encodings alone

    coding = image.coding
    reader = gdcm.ImageReader()
    reader.SetFileName(image.where.path)
    if not reader.Read():
        raise ValueError("damaged")
    found = reader.GetImage()
    stated = found.GetPixelFormat()
    buffer = found.GetBuffer()
    data = buffer.encode("utf-8", "surrogateescape") if isinstance(buffer, str) else bytes(buffer)
    count = coding.rows * coding.columns
    if stated.GetBitsAllocated() != 16 or len(data) != 2 * count * coding.frames:
        raise ValueError("decoded to another size than the header says")
    plane = np.frombuffer(data, "<i2" if coding.signed else "<u2", count, 2 * count * image.where.frame)
    return plane.reshape(coding.rows, coding.columns)
