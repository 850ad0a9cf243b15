"""The stored values of one slice, whatever their transfer syntax."""

from __future__ import annotations

import itertools
import struct
import zlib
from itertools import islice
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydicom.encaps import generate_frames
from pydicom.pixels.decoders.base import get_decoder
from pydicom.uid import UID

from .image import Coding, Image
from .inflate import inflated_pixels
from .values import quiet

RUN_LENGTH = "1.2.840.10008.1.2.5"
NATIVE = {
    "1.2.840.10008.1.2": "<",
    "1.2.840.10008.1.2.1": "<",
    "1.2.840.10008.1.2.2": ">",
    "1.2.840.10008.1.2.1.99": "<",
}


def can_decode(transfer_syntax: str) -> bool:
    """Whether a decoder for this encoding is installed."""
    if transfer_syntax in NATIVE:
        return True
    try:
        return bool(get_decoder(UID(transfer_syntax)).is_available)
    except Exception:
        return False


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
    }
    if checked and coding.transfer_syntax == RUN_LENGTH and not _runs_fit(data, where.frame, coding):
        options["decoding_plugin"] = "pydicom"  # slow, and safe with damaged data
    with quiet():
        array, _ = get_decoder(UID(coding.transfer_syntax)).as_array(data, index=where.frame, raw=True, **options)
    if array.shape != (coding.rows, coding.columns):
        raise ValueError("decoded to another size than the header says")
    return np.asarray(array)


def _runs_fit(data: bytes, frame: int, coding: Coding) -> bool:
    """Whether run-length segments decode to exactly one plane (PS3.5 annex G)."""
    with quiet():
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
