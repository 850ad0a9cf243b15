"""The stored values of one slice, whatever their transfer syntax."""

from __future__ import annotations

import zlib
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydicom.pixels.decoders.base import get_decoder
from pydicom.uid import UID

from .image import Coding, Image
from .inflate import inflated_pixels
from .values import quiet

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


def stored_values(image: Image, scratch: NDArray[Any]) -> NDArray[Any]:
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
    return _encapsulated(image)


def _encapsulated(image: Image) -> NDArray[Any]:
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
    with quiet():
        array, _ = get_decoder(UID(coding.transfer_syntax)).as_array(data, index=where.frame, raw=True, **options)
    if array.shape != (coding.rows, coding.columns):
        raise ValueError("decoded to another size than the header says")
    return np.asarray(array)
