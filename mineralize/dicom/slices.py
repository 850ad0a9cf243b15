"""Stored values of one slice to HU.

The order is that of PS3.3: padding is recognised on *stored* values (C.7.5.1.1.2), sign and unused bits are settled
(C.7.6.3), then the slice's own slope and intercept apply (C.11.1). Polarity, window, overlays and presentation
tables are display and never touch the values.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..base import SeriesError
from .decode import stored_values
from .image import Image

PADDED_HU = -2048
"""What padded and never scanned voxels become: below all air, so that no one takes them for tissue."""


class OutOfRange(Exception):
    """A value does not fit 16 bits."""


def read_slice(image: Image, out: NDArray[Any], label: str, number: int, *, checked: bool = True) -> None:
    """Fill ``out`` (rows, columns; int16 or float32) with the HU of one slice.

    ``checked`` looks run-length data over before it is decoded: that decoder panics on damage, with a line on standard
    error. Child processes have none and skip it.

    Raises
    ------
    SeriesError, OutOfRange
        when the pixels cannot be decoded, or do not fit ``out``.
    """
    try:
        stored = stored_values(image, out, checked)
    except (SeriesError, MemoryError, KeyboardInterrupt, SystemExit):
        raise
    except BaseException as error:  # a decoder written in Rust panics past Exception
        if not isinstance(error, Exception) and type(error).__name__ != "PanicException":
            raise
        raise SeriesError(
            f"{label}: the pixels of slice {number} could not be decoded", "decode", "export the series uncompressed"
        ) from None
    to_hu(stored, image, out)


def to_hu(stored: NDArray[Any], image: Image, out: NDArray[Any]) -> None:
    """Write HU of stored values into ``out``; the two may share memory."""
    padded = padding_mask(stored, image)
    values = settle_bits(stored, image)
    slope, intercept = image.slope, image.intercept
    if out.dtype == np.int16:
        a, b = int(slope), int(intercept)
        if padded is not None and padded.any():
            values = np.where(padded, values.dtype.type(0), values)
        low, high = int(values.min()) * a + b, int(values.max()) * a + b
        if min(low, high) < -32768 or max(low, high) > 32767:
            raise OutOfRange
        if values.dtype == np.uint16:
            values = values.view(np.int16) if int(values.max()) <= 32767 else values.astype(np.int32)
        if values.dtype == np.int16 and a == 1 and -32768 <= b <= 32767:
            np.add(values, np.int16(b), out=out)
        else:
            out[...] = values.astype(np.int64) * a + b
    else:
        out[...] = values.astype(np.float64) * slope + intercept
    if padded is not None:
        out[padded] = PADDED_HU


def padding_mask(stored: NDArray[Any], image: Image) -> NDArray[np.bool_] | None:
    """Stored values that mean 'no data': Pixel Padding Value up to the Range Limit, both included.

    The attribute's sign follows Pixel Representation, but files exist that write it with the other sign; both
    spellings of the same bits are recognised.
    """
    if image.padding is None:
        return None
    info = np.iinfo(stored.dtype)
    span = int(info.max) - int(info.min) + 1

    def fit(value: int) -> int:
        if info.min <= value <= info.max:
            return value
        return (value - int(info.min)) % span + int(info.min)

    low = fit(image.padding)
    high = low if image.padding_limit is None else fit(image.padding_limit)
    low, high = min(low, high), max(low, high)
    if low == high:
        mask = stored == low
    else:
        mask = (stored >= low) & (stored <= high)
    return mask if mask.any() else None


def settle_bits(stored: NDArray[Any], image: Image) -> NDArray[Any]:
    """Values with the bits outside Bits Stored removed and the sign extended."""
    coding = image.coding
    bits, allocated = coding.bits_stored, stored.dtype.itemsize * 8
    if bits >= allocated:
        return stored
    low, high = (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if coding.signed else (0, 2**bits - 1)
    if coding.high_bit == bits - 1 and int(stored.min()) >= low and int(stored.max()) <= high:
        return stored
    kind = np.dtype(f"{'i' if coding.signed else 'u'}{stored.dtype.itemsize}").newbyteorder(stored.dtype.byteorder)
    return (stored.view(kind) << (allocated - 1 - coding.high_bit)) >> (allocated - bits)
