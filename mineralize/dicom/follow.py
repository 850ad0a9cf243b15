"""Do the pictures of a series follow one another? A thin look at every slice, without reading the whole of it.

A band through the middle of each uncompressed slice is read. Two slices of a scanner never hold the same picture, for
noise alone; and a slice is more like the next one than like the one after it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter

from ..base import Note
from .decode import NATIVE, native_dtype
from .image import Image
from .slices import to_hu
from .stack import Stack

BAND_SHARE = 16
"""One in so many rows is read, but not fewer than these."""
FEWEST_ROWS = 24
NOISY_SHARE = 0.5
"""Share of pixels that differ from the next where there is noise; without noise nothing can be told."""
SHORTER = 0.93
"""Slices are out of order if their pictures follow each other better, by so much, when some are turned round."""
LONGEST_TURNED = 4
UNLIKE = 0.8
FEWEST_WOVEN = 2
"""A slice that is nearer the one after the next than the next is chance; so many are not."""
LARGEST_HU = 300.0
"""Differences beyond it count as this: metal that begins in a slice must not outweigh all else."""
JUMP = 2.0
"""A step from slice to slice may be so many times the largest of the others."""
FEWEST_SLICES = 6


def look(stack: Stack, label: str) -> list[Note]:
    """Notes about pictures that are there twice, or out of place."""
    images = stack.images
    if len(images) < FEWEST_SLICES or images[0].coding.transfer_syntax not in NATIVE or images[0].where.offset is None:
        return []
    try:
        bands = np.stack([_band(image) for image in images])
    except OSError:
        return []  # said when the series is read
    if not _noisy(bands):
        return []
    twice = [(i + 1, k + 1) for i, k in _pairs(bands) if _lively(bands[i])]
    if twice:
        first, second = twice[0]
        text = f"Slices {first} and {second} of {len(images)} hold the same picture"
        more = f", and so do {len(twice) - 1} more" if len(twice) > 1 else ""
        return [Note("picture-twice", f"{text}{more}; one of each pair is in a wrong place.", "caution", label)]
    place = _out_of_place(bands)
    if place is None:
        return []
    text = f"The picture of slice {place + 1} of {len(images)} does not follow from the others; it may be out of place."
    return [Note("picture-order", text, "caution", label)]


def _band(image: Image) -> NDArray[np.float32]:
    """HU of some rows in the middle of a slice."""
    coding, where = image.coding, image.where
    assert where.offset is not None
    count = min(max(coding.rows // BAND_SHARE, FEWEST_ROWS), coding.rows)
    start = (coding.rows - count) // 2
    dtype = native_dtype(coding)
    plane = coding.rows * coding.columns * dtype.itemsize
    with open(where.path, "rb", buffering=0) as stream:
        stream.seek(where.offset + where.frame * plane + start * coding.columns * dtype.itemsize)
        data = stream.read(count * coding.columns * dtype.itemsize)
    if len(data) < count * coding.columns * dtype.itemsize:
        raise OSError
    stored: NDArray[Any] = np.frombuffer(data, dtype).astype(dtype.newbyteorder("="))
    out = np.empty((count, coding.columns), np.float32)
    to_hu(stored.reshape(out.shape), image, out)
    return np.maximum(out, np.float32(-1024))


def _lively(band: NDArray[np.float32]) -> bool:
    return bool(np.ptp(band) > 0)


def _noisy(bands: NDArray[np.float32]) -> bool:
    """Whether pixels beside each other usually differ, where they are not cut off at the lowest value."""
    shown = (bands[..., 1:] > bands.min()) & (bands[..., :-1] > bands.min())
    return bool(shown.any()) and float((bands[..., 1:] != bands[..., :-1])[shown].mean()) > NOISY_SHARE


def _pairs(bands: NDArray[np.float32]) -> list[tuple[int, int]]:
    seen: dict[bytes, int] = {}
    found = []
    for k, band in enumerate(bands):
        first = seen.setdefault(band.tobytes(), k)
        if first != k:
            found.append((first, k))
    return found


def _out_of_place(bands: NDArray[np.float32]) -> int | None:
    """The slice that least follows its neighbours, if one does not."""

    smooth = uniform_filter(bands, (0, 3, 3), mode="nearest")

    def apart(by: int) -> NDArray[np.float64]:
        return np.array(
            [
                float(np.minimum(np.abs(a - b), LARGEST_HU).mean())
                for a, b in zip(smooth[:-by], smooth[by:], strict=True)
            ]
        )

    apart_by = {by: apart(by) for by in range(1, min(LONGEST_TURNED, len(bands) - 2) + 1)}
    one, two = apart_by[1], apart_by[2]
    for length in range(2, len(apart_by) + 1):
        # Slices i..j turned round: ... i-1 | i ... j | j+1 ... -> ... i-1 | j ... i | j+1 ...
        far = apart_by[length]
        turned = (far[:-1] + far[1:]) / (one[:-length] + one[length:])
        if turned.min() < SHORTER:
            return int(np.argmin(turned)) + 1
    alone = two / np.minimum(one[:-1], one[1:])
    if alone.min() < UNLIKE:
        return int(np.argmin(alone)) + 1
    woven = two / np.maximum(one[:-1], one[1:])
    if (woven < UNLIKE).sum() >= FEWEST_WOVEN:
        return int(np.argmin(woven)) + 1
    if two[0] < UNLIKE * one[1] or two[-1] < UNLIKE * one[-2]:
        return 0 if two[0] < UNLIKE * one[1] else len(bands) - 1
    largest = int(np.argmax(one))
    return largest + 1 if one[largest] > JUMP * np.delete(one, largest).max() else None
