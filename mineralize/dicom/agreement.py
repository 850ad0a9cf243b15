"""What one element of a series says, held against what another element, slice or neighbour says.

A header tells most things twice: the distance of slices stands in their positions, in Spacing Between Slices, in Slice
Location and, mostly, in Slice Thickness; the size of a pixel in Pixel Spacing and in Reconstruction Diameter. Where the
two disagree, one of them is damaged, and no one can tell from here how the picture has to be read. :data:`CHECKS` lists
what is compared: two witnesses against the positions refuse a series, one cautions.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from ..base import Floats, Note, SeriesError
from . import rules
from .image import Image
from .times import day_of

SAME_SHARE = 0.003
"""Lengths that differ by less are the same: half a per cent in volume is what must not pass in silence."""
ROUNDED_MM = 0.1
"""Slice Location is written with one decimal by some scanners (seen in real files)."""
ROUNDED_STEP_MM = 0.001
LEAST_STEP_SHARE = 0.24
"""Slices overlap by three quarters at most (common practice, no source)."""
USUAL_MATRIX = 512
"""Columns of a CT image before it is cropped (common practice, no source)."""
FULL_MATRICES = (256, 512, 768, 1024)
HIGHEST_PADDING_HU = -900.0
"""Padding marks what lies outside the scanned field, and is written as air or less."""
FAR_MM = 0.5
"""Displacement of a voxel that may not pass in silence."""
MOST_DAYS_APART = 1


@dataclass(frozen=True, eq=False)
class Laid:
    """The slices of one part in order along the normal; lengths in mm, directions as unit vectors."""

    label: str
    images: tuple[Image, ...]
    positions: Floats
    heights: Floats
    across: Floats
    down: Floats
    normal: Floats
    spacing: float
    tilted: bool

    @property
    def first(self) -> Image:
        return self.images[0]

    @property
    def steps(self) -> tuple[float, float]:
        """The distance of slices along the normal, and along the table where the stack leans."""
        whole = float(np.linalg.norm(self.positions[-1] - self.positions[0])) / (len(self.images) - 1)
        return self.spacing, whole


@dataclass(frozen=True)
class Doubt:
    """A contradiction in words; ``refused`` when the series cannot be read in spite of it.

    ``code`` stands instead of the check's own where there was nothing to compare with.
    """

    text: str
    level: Literal["info", "caution", "refused"] = "caution"
    code: str = ""


@dataclass(frozen=True)
class Check:
    """One comparison: a stable code, the two things that are compared, and the function that does it."""

    code: str
    compared: str
    look: Callable[[Laid], Doubt | None]


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
        notes.append(
            Note(doubt.code or check.code, f"{doubt.text[0].upper()}{doubt.text[1:]}.", doubt.level, laid.label)
        )
    return notes


# --- where slices lie ----------------------------------------------------------------------------------------------


def order_of_slices(laid: Laid) -> Doubt | None:
    """Position against Slice Location and against the number of the slice."""
    places, numbers = _odd_locations(laid), _out_of_turn(laid)
    if places and numbers:
        return Doubt(
            "expected the order of the slices by position to be that of Slice Location and of Instance Number, found "
            f"{max(places, numbers)} of {len(laid.images)} slices elsewhere by both",
            "refused",
        )
    located = _locations(laid)
    if located is not None and np.ptp(located) > 0 and _mirrored(located, laid.positions[:, 2]):
        return Doubt("Slice Location and position have opposite signs; the scan may be mirrored")
    if places:
        return Doubt(f"Slice Location and position disagree in {places} of {len(laid.images)} slices")
    if numbers:
        return Doubt("its slices are not numbered in the order of their positions; the positions are used")
    return None


def _locations(laid: Laid) -> Floats | None:
    found = [image.location for image in laid.images]
    return None if any(v is None for v in found) else np.array(found, float)


def _odd_locations(laid: Laid) -> int:
    """Slices whose location differs from their position by more than the others' (whatever its zero and sign)."""
    located = _locations(laid)
    if located is None or np.ptp(located) == 0:
        return 0
    fewest = len(located)
    for along in {laid.spacing, laid.steps[1]}:
        rise = np.arange(len(located)) * along if laid.tilted else (laid.heights - laid.heights[0])
        for sign in (1.0, -1.0):
            rest = located - sign * rise
            fewest = min(fewest, int((np.abs(rest - np.median(rest)) > 1.5 * ROUNDED_MM).sum()))
    # Where most of them are off it is the scale that differs: the next check says so.
    return fewest if 2 * fewest <= len(located) else 0


def _mirrored(located: Floats, z: Floats) -> bool:
    """The same numbers with the other sign; where locations merely run the other way their zero is another too."""
    return bool(np.abs(located + z).max() < ROUNDED_MM and np.abs(located - z).max() > ROUNDED_MM)


def _out_of_turn(laid: Laid) -> int:
    numbers = [image.turn for image in laid.images]
    if any(n is None for n in numbers) or len(set(numbers)) == 1:
        return 0
    steps = np.diff(np.array(numbers, float))
    return int(min((steps <= 0).sum(), (steps >= 0).sum()))


def distance_of_slices(laid: Laid) -> Doubt | None:
    """Distance of positions against Spacing Between Slices, Slice Location and, to confirm it, Slice Thickness."""
    count = len(laid.images) - 1
    stated = laid.first.making.stated_spacing_mm
    located = _locations(laid)
    found: dict[str, tuple[float, float]] = {}
    if stated:
        found["Spacing Between Slices"] = (abs(stated), ROUNDED_STEP_MM)
    if located is not None and np.ptp(located) > 0:
        found["Slice Location"] = (float(np.ptp(located)) / count, 1.2 * ROUNDED_MM / count)
    against = [name for name, (mm, rounding) in found.items() if not _is_step(laid, mm, rounding)]
    thickness = laid.first.making.slice_thickness_mm
    as_thick = thickness is not None and _is_step(laid, thickness, ROUNDED_STEP_MM)
    if not against:
        if found or as_thick:
            return None
        return Doubt("nothing in its headers confirms the distance of its slices", code="unconfirmed")
    named = " and ".join(against)
    text = (
        f"its slices lie {laid.spacing:.2f} mm apart by their positions, but {found[against[0]][0]:.2f} mm by {named}"
    )
    if len(against) == 2 and not as_thick:
        return Doubt(text, "refused")
    if against == ["Spacing Between Slices"] and "Slice Location" in found:
        (wrong, _), (mm, rounding) = found["Spacing Between Slices"], found["Slice Location"]
        if (
            abs(mm - wrong) > SAME_SHARE * wrong + rounding
        ):  # locations are fine enough to tell which of the two is wrong
            return Doubt(f"{text}; the positions are used", "info")
    return Doubt(text)


def _is_step(laid: Laid, mm: float, rounding: float) -> bool:
    return any(abs(mm - step) <= SAME_SHARE * step + rounding for step in laid.steps)


def overlap_of_slices(laid: Laid) -> Doubt | None:
    """Distance of positions against Slice Thickness: slices overlap, but not by more than three quarters."""
    thickness = laid.first.making.slice_thickness_mm
    if thickness is None or laid.spacing >= LEAST_STEP_SHARE * thickness:
        return None
    return Doubt(f"slices of {thickness:g} mm lie {laid.spacing:.2f} mm apart, closer than scanners make them")


def thickness_of_slices(laid: Laid) -> Doubt | None:
    """Slice Thickness of each slice against that of its neighbours."""
    found = {image.making.slice_thickness_mm for image in laid.images}
    if len(found) == 1 and (only := next(iter(found))) is not None and only <= 0:
        return Doubt("states a slice thickness of nothing")
    return Doubt("its slices state different thicknesses") if len(found) > 1 else None


# --- what a pixel is -----------------------------------------------------------------------------------------------


def size_of_pixels(laid: Laid) -> Doubt | None:
    """Pixel Spacing against Reconstruction Diameter, which spans the matrix that the scanner made."""
    assert laid.first.spacing is not None
    row_mm, column_mm = laid.first.spacing
    if abs(row_mm - column_mm) > SAME_SHARE / 2 * column_mm:
        return Doubt(f"its pixels are not square ({row_mm:.3f} by {column_mm:.3f} mm), which scanners do not make")
    stated = {image.making.reconstruction_diameter_mm for image in laid.images}
    if len(stated) > 1:
        return Doubt("its slices state different reconstruction diameters")
    diameter = next(iter(stated))
    if diameter is None or diameter <= 0:
        return Doubt("nothing in its headers confirms the size of its pixels", code="unconfirmed")
    rows, columns = laid.first.coding.rows, laid.first.coding.columns
    matrix = diameter / column_mm
    whole = max(rows, columns)
    cropped = rows not in FULL_MATRICES and columns not in FULL_MATRICES
    if _near(matrix, whole) or (cropped and whole < USUAL_MATRIX and _near(matrix, USUAL_MATRIX)):
        return None
    return Doubt(
        f"its pixels are {column_mm:.3f} mm wide, but a reconstruction diameter of {diameter:g} mm over {whole} pixels "
        "says otherwise"
    )


def _near(value: float, other: float) -> bool:
    return abs(value - other) <= SAME_SHARE / 1.5 * other


def coding_of_pixels(laid: Laid) -> Doubt | None:
    """The description of the pixels of each slice against that of its neighbours."""
    found = {(i.coding.bits_stored, i.coding.high_bit, i.coding.signed) for i in laid.images}
    if len({i.coding.bits_allocated for i in laid.images}) > 1 or len(found) > 1:
        return Doubt("expected pixels of one kind, found slices that differ in bits or sign", "refused")
    return None


def bits_of_pixels(laid: Laid) -> Doubt | None:
    """High Bit against Bits Stored: one less, by the standard of today (PS3.5 8.1.1)."""
    if laid.first.coding.high_bit != laid.first.coding.bits_stored - 1:
        return Doubt("its pixels do not begin at the lowest bit by its own High Bit, which scanners no longer write")
    return None


def scale_of_values(laid: Laid) -> Doubt | None:
    """Rescale Slope and Bits Stored against the range that CT values need."""
    if any(image.slope < 0 for image in laid.images):
        return Doubt("Rescale Slope is negative, which would turn air into bone", "refused")
    span = min(image.slope * 2.0**image.coding.bits_stored for image in laid.images)
    if span < 1000:
        return Doubt(f"expected values that span from air to bone, found room for {span:.0f} HU", "refused")
    return None


def padding_of_pixels(laid: Laid) -> Doubt | None:
    """Pixel Padding Value against that of the neighbours, and against what tissue can have."""
    if len({(image.padding, image.padding_limit) for image in laid.images}) > 1:
        return Doubt("its slices mark pixels outside the scanned field in different ways")
    for image in laid.images:
        ends = [v for v in (image.padding, image.padding_limit) if v is not None]
        half = 2 ** (image.coding.bits_allocated - 1)
        signed = [v - 2 * half if image.coding.signed and v >= half else v for v in ends]
        # The unsigned spelling of a negative value is far above all tissue, and as harmless.
        if any(HIGHEST_PADDING_HU < v * image.slope + image.intercept < 20_000 for v in signed):
            return Doubt("takes a value that tissue can have for one outside the scanned field")
    return None


# --- how the patient lies ------------------------------------------------------------------------------------------


_UPRIGHT = {
    "HFS": ((1, 1),), "FFS": ((1, 1), (-1, 1)), "HFP": ((-1, -1),), "FFP": ((-1, -1), (1, -1)),
}  # fmt: skip
"""Signs of row x and column y of axial images per Patient Position (C.7.3.1.1.2); some scanners show feet first
mirrored."""
_ON_THE_SIDE = {"HFDL", "HFDR", "FFDL", "FFDR"}


def side_of_patient(laid: Laid) -> Doubt | None:
    """Image Orientation against Patient Position; the label is annotation and is never used."""
    x, y = float(laid.across[0]), float(laid.down[1])
    label = laid.first.making.patient_position
    if abs(laid.normal[2]) < 0.8:
        return None
    if label in _UPRIGHT and any(x * a > 0.7 and y * b > 0.7 for a, b in _UPRIGHT[label]):
        return None
    if label not in _UPRIGHT and (label not in _ON_THE_SIDE or abs(x) < 0.7):
        return None
    return Doubt("the patient position label and the image orientation disagree; the orientation is used")


def lean_of_stack(laid: Laid) -> Doubt | None:
    """Image Orientation against the direction in which positions go on, and against the tilt that is stated."""
    step = laid.positions[-1] - laid.positions[0]
    length = float(np.linalg.norm(step))
    aside = float(np.linalg.norm(step - laid.normal * (step @ laid.normal)))
    found = float(np.degrees(np.arcsin(min(aside / length, 1.0))))
    stated = laid.first.making.tilt_deg
    if stated is not None and abs(abs(stated) - found) > 0.5:
        return Doubt(
            f"states a gantry tilt of {abs(stated):g} degrees, but its positions have {found:.1f}, which are used"
        )
    assert laid.first.spacing is not None
    coding, (row_mm, column_mm) = laid.first.coding, laid.first.spacing
    reach = float(np.hypot(coding.rows * row_mm, coding.columns * column_mm))
    if not laid.tilted and aside / length * reach > FAR_MM and aside > 0.03:
        return Doubt(f"its slices lie {found:.2f} degrees askew of the direction in which they follow each other")
    return None


def days_of_slices(laid: Laid) -> Doubt | None:
    """The date of acquisition against the study's."""
    for image in laid.images:
        made, study = day_of(image.when.date), day_of(image.when.study_date)
        if made is not None and study is not None and abs((made - study).days) > MOST_DAYS_APART:
            return Doubt(
                f"its date of acquisition lies {abs((made - study).days)} days from the date of its study; the date of "
                "acquisition is used"
            )
    return None


CHECKS = (
    Check("pixel-format", "bits and sign of a slice and of the others", coding_of_pixels),
    Check("high-bit", "High Bit and Bits Stored", bits_of_pixels),
    Check("value-scale", "Rescale Slope, Bits Stored and the range of CT values", scale_of_values),
    Check("slice-order", "position, Slice Location and Instance Number", order_of_slices),
    Check("stated-spacing", "position, Spacing Between Slices, Slice Location, Slice Thickness", distance_of_slices),
    Check("slice-overlap", "position and Slice Thickness", overlap_of_slices),
    Check("thickness-mixed", "Slice Thickness of a slice and of the others", thickness_of_slices),
    Check("pixel-size", "Pixel Spacing, Reconstruction Diameter and the matrix", size_of_pixels),
    Check("padding-odd", "Pixel Padding Value of a slice, of the others, and what tissue has", padding_of_pixels),
    Check("patient-position", "Image Orientation and Patient Position", side_of_patient),
    Check("stated-tilt", "Image Orientation, position and Gantry Tilt", lean_of_stack),
    Check("dates-apart", "date of acquisition and of the study", days_of_slices),
)
"""The table: what is compared, in the order in which it is looked at."""
