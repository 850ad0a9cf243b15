"""A look at a few slices before a series is believed: do its pixels bear out what the header says of their values?

A header can be whole and still give the wrong HU: an intercept left out, a neighbour's scale, too few bits. Air, which
reads -1000 HU by definition and shows in nearly every CT, and the next slice, which shows nearly the same, tell.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..base import Note, SeriesError
from . import rules
from .children import EndedError, LateError, allowed_s, answer, bound, late, serve
from .decode import needs_child, stored_values
from .image import Image
from .slices import PADDED_HU, read_slice, to_hu
from .stack import Stack

ENTRY = "mineralize.dicom.content"
"""The module whose ``main`` a child runs."""
AIR_HU = (-1150.0, -850.0)
SOFT_HU = (-200.0, 250.0)
"""Fat to muscle with contrast agent (common practice, no source)."""
MOST_OFF_AIR_HU = 60.0
"""Scanners differ by some 30 HU in air, and cut it off at -1024 (seen in real files)."""
ENOUGH_AIR = 0.1
"""A smaller share may be the foam of a cushion, or lung."""
HIGHEST_HU = 4000.0
"""Beyond it lies metal alone."""
LEAST_SHARE = 0.002
LEAST_SOFT = 0.1
"""Share of soft tissue in all that is no air: most of a limb."""
MOST_METAL = 0.05
MOST_BORDERS = 8
"""Places in a series where the scale changes that are looked at."""
LARGEST_STEP_HU = 10.0
"""By so much tissue may change from a slice to the next, or twice what it would with one scale for both."""


def look(stack: Stack, label: str) -> list[Note]:
    """Notes about the values of a series, from its middle slice and from where its rescale changes.

    Raises
    ------
    SeriesError
        when slices with different rescale hold the same stored values, so that one of the two is wrong, or when a
        slice takes too long to decode.
    """
    images = stack.images
    if not needs_child(images[0].coding):
        return _look(images, label)
    seconds = allowed_s(images[0]) * (1 + 3 * len(_borders(images)))
    try:
        found = answer(ENTRY, (images, label), seconds)
    except LateError:
        raise late(label, images[0]) from None
    except EndedError:
        return []  # refused, in its own words, when the series is read
    if isinstance(found, SeriesError):
        raise found
    return list(found)


def main() -> None:
    """What a child process runs for the decoders that must not run here."""
    serve(_looked)


def _looked(job: tuple[tuple[Image, ...], str]) -> list[Note] | SeriesError:
    try:
        return _look(*job, before=lambda image: bound(allowed_s(image)))
    except SeriesError as error:
        return error


def _look(images: tuple[Image, ...], label: str, before: Callable[[Image], None] = lambda _: None) -> list[Note]:
    """Notes, as :func:`look`; ``before`` is called with each slice that is about to be decoded."""
    _rescale_borne_out(images, label, before)
    middle = images[len(images) // 2]
    shape = (middle.coding.rows, middle.coding.columns)
    try:
        before(middle)
        stored = stored_values(middle, np.empty(shape, np.int16))
        hu = np.empty(shape, np.float32)
        to_hu(stored, middle, hu)
    except Exception:
        return []  # what cannot be decoded is refused, in its own words, when the series is read
    notes = []
    if _beyond_bits(stored, middle):
        text = "Its pixels use more bits than it states; those beyond are ignored."
        notes.append(Note("bits-beyond", text, "caution", label, limits=True))
    scanned = hu[hu != PADDED_HU]
    if scanned.size and (found := _odd(scanned)) is not None:
        kind, text = found
        notes.append(Note(kind, text, "caution", label, limits=kind == "values-odd"))
    return notes


def _odd(hu: NDArray[np.float32]) -> tuple[str, str] | None:
    """Code and words of what is odd about the values of a slice."""
    airy = hu[(hu > AIR_HU[0]) & (hu < AIR_HU[1])]
    air = airy.size / hu.size
    dense = hu[hu >= AIR_HU[1]]
    soft = float(((dense > SOFT_HU[0]) & (dense < SOFT_HU[1])).mean()) if dense.size else 0.0
    if float((hu > HIGHEST_HU).mean()) > MOST_METAL:
        return "values-odd", "Many of its values lie beyond those of bone; its rescale may be wrong."
    if air < LEAST_SHARE:
        return "no-air", "Shows no air, so that the zero of its values cannot be checked."
    zero = float(np.median(airy))
    if air > ENOUGH_AIR and abs(zero + 1000) > MOST_OFF_AIR_HU:
        return "values-odd", f"Its air reads {zero:.0f} HU instead of -1000; its rescale may be wrong."
    if soft < LEAST_SOFT:
        return "values-odd", "Shows air but hardly any soft tissue; its rescale may be wrong."
    return None


def _values(image: Image, before: Callable[[Image], None]) -> NDArray[np.float32]:
    before(image)
    out = np.empty((image.coding.rows, image.coding.columns), np.float32)
    read_slice(image, out, "", 0)
    return out


def _beyond_bits(stored: NDArray[Any], image: Image) -> bool:
    """Whether bits outside Bits Stored are set that are neither a sign nor below the lowest bit in use."""
    coding = image.coding
    if coding.bits_stored >= 8 * stored.dtype.itemsize or coding.high_bit != coding.bits_stored - 1:
        return False
    bits = coding.bits_stored
    low, high = (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if coding.signed else (0, 2**bits - 1)
    values = stored.astype(np.int64)
    if image.padding is not None:
        values = values[values != image.padding]
    if coding.signed:
        values = values[(values < 0) | (values > 2**bits - 1)]  # a sign that was not carried on is no fault
    return bool(((values < low) | (values > high)).mean() > LEAST_SHARE) if values.size else False


def _rescale_borne_out(images: tuple[Image, ...], label: str, before: Callable[[Image], None]) -> None:
    """Where neighbours differ in rescale, their stored values must differ the other way round (C.11.1: HU agree)."""
    for k in _borders(images):
        one, other = images[k], images[k + 1]
        try:
            here, there = _values(one, before), _values(other, before)
            alike = _values(replace(other, slope=one.slope, intercept=one.intercept), before)
        except Exception:
            continue  # refused, in its own words, when the series is read
        known = (here != PADDED_HU) & (there != PADDED_HU)
        for group in (known & (here < -500), known & (here >= -500)):
            if group.sum() < 16:
                continue
            own = float(np.median(np.abs(there - here)[group]))
            common = float(np.median(np.abs(alike - here)[group]))
            if own > 2 * common + LARGEST_STEP_HU:
                raise SeriesError(
                    f"{label}: expected slices that show the same to hold the same HU, found slice {k + 2} off by "
                    f"{own:.0f} HU with its own rescale and by {common:.0f} HU with that of slice {k + 1}",
                    "rescale-mixed",
                    rules.EXPORT_AGAIN,
                )


def _borders(images: tuple[Image, ...]) -> list[int]:
    """Slices after which the rescale changes: as many of them as are looked at."""
    found = [k for k in range(len(images) - 1) if _scale(images[k]) != _scale(images[k + 1])]
    return found[:: max(len(found) // MOST_BORDERS, 1)]


def _scale(image: Image) -> tuple[float, float]:
    return image.slope, image.intercept
