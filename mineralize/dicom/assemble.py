"""Slices to a stack: order, distances, tilt and the grid, from Image Position and Orientation alone.

PS3.3 C.7.6.2.1.1: the position is the centre of the first voxel; the normal is row x column. Instance Number, Slice
Location, file names and the nominal spacing are never used for geometry.
"""

from __future__ import annotations

import numpy as np

from ..base import Floats, Grid, Note, SeriesError
from . import agreement, rules
from .grouping import Part
from .laid import Laid
from .stack import Shear, Stack

EVEN_SHARE = 0.1
"""Slice positions may miss an even ladder by this share of the spacing: rounding of positions in the header."""
ROUNDED_SHARE, ROUNDED_MM = 0.01, 0.03
"""What rounding in the header explains of that; a slice further off is remarked."""
GAP_SHARE = 1.5
"""A distance of more than this times the usual one means a missing slice: refused. Less is resampled."""
SAME_PLACE_MM = 0.01
"""Slices closer than this lie at one position."""
DRIFT_PIXELS = 0.1
"""In-plane drift over the whole stack below this is rounding; above it is tilt."""
JITTER_PIXELS = 0.25
"""In-plane shifts of single slices against a straight line beyond this cannot be one stack."""
STEEPEST_TILT_DEG = 35.0
"""Gantries tilt by up to 30 degrees (common practice, no source)."""
LARGEST_VOXELS = 2**31
"""A volume of more voxels is refused: 8 GiB as float."""


def assemble(part: Part) -> Stack:
    """Check every rule and order the slices.

    Raises
    ------
    SeriesError
        naming series, rule and remedy.
    """
    notes: list[Note] = []
    for rule in (
        rules.complete,
        rules.pixels_usable,
        rules.one_frame_of_reference,
        rules.concatenation_complete,
        rules.voltage,
    ):
        notes += rule(part)
    if len(part.images) < 2:
        raise SeriesError(
            f"{part.label}: expected a stack of slices, found a single slice", "single-slice", rules.EXPORT_AGAIN
        )
    first = part.first
    assert first.orientation is not None
    assert first.spacing is not None
    across, down = _axes(first.orientation)
    normal = np.cross(across, down)
    positions = np.array([image.position for image in part.images], float)
    order = np.argsort(positions @ normal, kind="stable")
    images = tuple(part.images[i] for i in order)
    positions = positions[order]
    heights = positions @ normal
    spacing, ladder, more = _distances(part, heights)
    notes += more
    row_mm, column_mm = first.spacing
    shear, more = _tilt(part, positions, heights, across / column_mm, down / row_mm, normal=normal)
    notes += more
    notes += agreement.compare(
        Laid(part.label, images, positions, heights, across, down, normal, spacing, shear is not None)
    )

    count = len(images) if ladder is None else int(np.floor(ladder[-1] + 1e-6)) + 1
    rows, columns = first.coding.rows, first.coding.columns
    origin = positions[0]
    if shear is not None:
        lost = (float(shear.rows.min()), float(shear.columns.min()))
        rows += int(np.ceil(np.ptp(shear.rows) - 1e-6))
        columns += int(np.ceil(np.ptp(shear.columns) - 1e-6))
        origin = origin + down * row_mm * lost[0] + across * column_mm * lost[1]
        shear = Shear(shear.rows - lost[0], shear.columns - lost[1], shear.degrees)
    if count * rows * columns > LARGEST_VOXELS:
        raise SeriesError(f"{part.label}: larger than a volume can be", "size", rules.EXPORT_AGAIN)
    grid = Grid.from_parts(
        (count, rows, columns),
        (spacing, row_mm, column_mm),
        origin.tolist(),
        np.stack([normal, down, across], axis=1),
        first.ids.frame_of_reference or f"unnamed-{part.study}-{part.series}-{part.part}",
    )
    notes += rules.acquisition_notes(part, spacing)
    return Stack(images, grid, tuple(notes), shear, ladder)


def _axes(orientation: tuple[float, ...]) -> tuple[Floats, Floats]:
    """Unit vectors of increasing column and increasing row, exactly at right angles."""
    across = np.array(orientation[:3], float)
    across /= np.linalg.norm(across)
    down = np.array(orientation[3:], float)
    down -= across * (down @ across)
    return across, down / np.linalg.norm(down)


def _distances(part: Part, heights: Floats) -> tuple[float, Floats | None, list[Note]]:
    """Spacing along the normal; positions on the even ladder when the slices must be resampled onto it."""
    gaps = np.diff(heights)
    usual = float(np.median(gaps))
    if (gaps < SAME_PLACE_MM).any():
        twice = int((gaps < SAME_PLACE_MM).sum())
        raise SeriesError(
            f"{part.label}: expected one slice per position, found {twice} position(s) with more than one",
            "duplicate-position",
            "separate the acquisitions, or remove the repeated slices",
        )
    spacing = float((heights[-1] - heights[0]) / (len(heights) - 1))
    ladder = np.arange(len(heights)) * spacing
    off = float(np.abs(heights - heights[0] - ladder).max())
    if off <= EVEN_SHARE * spacing and gaps.max() < GAP_SHARE * usual:
        if off <= ROUNDED_SHARE * spacing + ROUNDED_MM:
            return spacing, None, []
        text = f"A slice lies {off:.2f} mm off the even distance of the others ({usual:.2f} mm); taken as even."
        return spacing, None, [Note("uneven-spacing", text, "caution", part.label)]
    if gaps.max() >= GAP_SHARE * usual:
        where = int(np.argmax(gaps))
        raise SeriesError(
            f"{part.label}: expected slices {usual:.2f} mm apart, found {gaps[where]:.2f} mm between slices "
            f"{where + 1} and {where + 2} of {len(heights)} (slices are missing, or the distance changes)",
            "slice-spacing",
            rules.EXPORT_AGAIN,
        )
    note = Note(
        "uneven-spacing",
        f"Slices lie {gaps.min():.2f} to {gaps.max():.2f} mm apart; interpolated to an even {usual:.2f} mm.",
        "caution",
        part.label,
    )
    return usual, (heights - heights[0]) / usual, [note]


def _tilt(
    part: Part, positions: Floats, heights: Floats, across_px: Floats, down_px: Floats, *, normal: Floats
) -> tuple[Shear | None, list[Note]]:
    """In-plane shift of every slice: none, a straight line (tilt), or something that is no stack."""
    moved = positions - positions[0]
    shifts = np.stack([moved @ down_px, moved @ across_px], axis=1)  # (slices, 2) pixels: row, column
    rise = heights - heights[0]
    slope = (rise @ shifts) / (rise @ rise)
    if np.abs(shifts - rise[:, None] * slope).max() > JITTER_PIXELS:
        raise SeriesError(
            f"{part.label}: expected slices over one another, found slices shifted sideways by up to "
            f"{np.abs(shifts - rise[:, None] * slope).max():.1f} pixels",
            "in-plane-shift",
            "reconstruct the scan with one field of view",
        )
    if np.abs(slope * rise[-1]).max() <= DRIFT_PIXELS:
        return None, []
    step = (positions[-1] - positions[0]) / np.linalg.norm(positions[-1] - positions[0])
    degrees = float(np.degrees(np.arccos(np.clip(abs(step @ normal), 0, 1))))
    if degrees > STEEPEST_TILT_DEG:
        raise SeriesError(
            f"{part.label}: expected slices over one another, found each shifted so far that the stack leans by "
            f"{degrees:.0f} degrees",
            "gantry-tilt",
            "reconstruct the scan without tilt",
        )
    note = Note(
        "gantry-tilt",
        f"Scanned with the gantry tilted by {degrees:.1f} degrees; each slice was moved within its plane onto an "
        "upright grid.",
        "caution",
        part.label,
    )
    return Shear(np.outer(rise, slope)[:, 0], np.outer(rise, slope)[:, 1], degrees), [note]
