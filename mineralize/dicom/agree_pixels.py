"""How large pixels are and how their values are stored: what one element says against another.

Every function takes a :class:`.laid.Laid` and gives a :class:`.laid.Doubt`, or ``None`` where nothing disagrees.
"""

from __future__ import annotations

from .laid import SAME_SHARE, Doubt, Laid

USUAL_MATRIX = 512
"""Columns of a CT image before it is cropped (common practice, no source)."""
FULL_MATRICES = (256, 512, 768, 1024)
NEAR_SHARE = SAME_SHARE / 1.5
"""Relative difference up to which a width in pixels is that of a matrix: two thirds of what two elements may differ by
(own judgement)."""
HIGHEST_PADDING_HU = -900.0
"""Padding marks what lies outside the scanned field, and is written as air or less."""


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
        return Doubt("nothing in its headers bears out the size of its pixels", code="unconfirmed")
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
    return abs(value - other) <= NEAR_SHARE * other


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
