"""What one element of a series says, held against what another element, slice or neighbour says.

A header tells most things twice: the distance of slices stands in their positions, in Spacing Between Slices, in Slice
Location and, mostly, in Slice Thickness; the size of a pixel in Pixel Spacing and in Reconstruction Diameter. Where the
two disagree, one of them is damaged, and no one can tell from here how the picture has to be read. :data:`CHECKS` lists
what is compared: two witnesses against the positions refuse a series, one cautions.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from ..base import Note, SeriesError
from . import agree_pixels, agree_slices, rules
from .laid import Doubt, Laid


@dataclass(frozen=True)
class Check:
    """One comparison: a stable code, the two things that are compared, and the function that does it.

    ``limits``: a contradiction that does not refuse the series limits every measurement of it.
    """

    code: str
    compared: str
    look: Callable[[Laid], Doubt | None]
    limits: bool = True


def compare(laid: Laid) -> list[Note]:
    """Every check of the table.

    Raises
    ------
    SeriesError
        when the elements of the series contradict each other so that it cannot be read.
    """
    notes = []
    for check in CHECKS:
        doubt = check.look(laid)
        if doubt is None:
            continue
        if doubt.level == "refused":
            raise SeriesError(f"{laid.label}: {doubt.text}", check.code, rules.EXPORT_AGAIN)
        text = f"{doubt.text[0].upper()}{doubt.text[1:]}."
        limits = check.limits and not doubt.code
        notes.append(Note(doubt.code or check.code, text, doubt.level, laid.label, limits=limits))
    return notes


CHECKS = (
    Check("pixel-format", "bits and sign of a slice and of the others", agree_pixels.coding_of_pixels),
    Check("high-bit", "High Bit and Bits Stored", agree_pixels.bits_of_pixels),
    Check("value-scale", "Rescale Slope, Bits Stored and the range of CT values", agree_pixels.scale_of_values),
    Check("slice-order", "position, Slice Location and Instance Number", agree_slices.order_of_slices),
    Check(
        "stated-spacing",
        "position, Spacing Between Slices, Slice Location, Slice Thickness",
        agree_slices.distance_of_slices,
    ),
    Check("slice-overlap", "position and Slice Thickness", agree_slices.overlap_of_slices),
    Check("thickness-mixed", "Slice Thickness of a slice and of the others", agree_slices.thickness_of_slices),
    Check("pixel-size", "Pixel Spacing, Reconstruction Diameter and the matrix", agree_pixels.size_of_pixels),
    Check(
        "padding-odd",
        "Pixel Padding Value of a slice, of the others, and what tissue has",
        agree_pixels.padding_of_pixels,
    ),
    Check("patient-position", "Image Orientation and Patient Position", agree_slices.side_of_patient),
    Check("stated-tilt", "Image Orientation, position and Gantry Tilt", agree_slices.lean_of_stack),
    Check("dates-apart", "date of acquisition and of the study", agree_slices.days_of_slices, limits=False),
)
"""The table: what is compared, in the order in which it is looked at."""
