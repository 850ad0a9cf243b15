"""The rules a series must obey before its voxels are believed (PS3.3; the numbers are sections of it).

Each rule is one function. It returns notes, or raises :class:`SeriesError` naming the series, the rule, what was
expected and found, and what to do. :func:`set_aside` tells which images are no CT volume at all.
"""

from __future__ import annotations

from ..base import Note, SeriesError
from .enhanced import CT_CLASSES
from .grouping import Part

SECONDARY_CAPTURE = "1.2.840.10008.5.1.4.1.1.7"
MATERIAL = {
    "MAT_SPECIFIC", "MAT_REMOVED", "MAT_FRACTIONAL", "MAT_VALUE_BASED", "MAT_MODIFIED", "EFF_ATOMIC_NUM",
    "ELECTRON_DENSITY", "PHOTOELECTRIC", "COMPTON", "IODINE", "VNC",
}  # fmt: skip
"""Image Type value 4 of multi-energy images whose values are not plain HU (C.8.2.1.1.1, C.8.2.2)."""
KVP_RANGE = (40.0, 200.0)
GAP = 1.25
"""Slices so many times their own thickness apart leave tissue unseen (own judgement: less is rounding)."""
EXPORT_AGAIN = "export the original axial slices of this series again, all of them"


def set_aside(part: Part) -> tuple[str, str] | None:
    """Why these images are not a CT volume: (stable code, plain reason), or ``None``."""
    image = part.first
    making, ids = image.making, image.ids
    types = making.image_type
    if ids.modality and ids.modality != "CT":
        return "not-ct", "not CT"
    if "LOCALIZER" in types or "SCOUT" in types:  # C.8.2.1.1.1 value 3
        return "localizer", "a localizer, not slices"
    if ids.sop_class.startswith(SECONDARY_CAPTURE) or any("SAVE" in word or "SCREEN" in word for word in types):
        return "secondary", "a secondary capture: a picture of a screen, not CT values"
    if ids.sop_class and ids.sop_class not in CT_CLASSES:
        return "not-ct", "not CT"
    if image.coding.samples != 1 or image.coding.photometric not in ("MONOCHROME1", "MONOCHROME2", ""):
        return "colour", "a colour picture, not CT values"
    if making.burned_in == "YES":  # C.7.6.1, 0028,0301
        return "burned-in", "text is burned into its pixels"
    material = next((word for word in types[3:] if word in MATERIAL), None)
    if material is not None:
        return "material-map", "a material map of a multi-energy scan: its values are not HU"
    if "VMI" in types[3:] and making.virtual_kev is None:
        return "unknown-kev", "a virtual monoenergetic image that does not say its keV"
    if image.rescale_type not in ("", "HU"):  # C.11.1.1.2
        return "not-hu", "its values are not in HU by its own Rescale Type"
    if making.units_key and making.units_key not in ("[hnsf'U]", "HU"):
        return "not-hu", "its values are not in HU by its own units"
    if any("PROJECTION" in word or word in ("MIP", "MINIP", "VRT", "SSD") for word in types[2:]):
        return "projection", "a projection of a volume, not slices"
    return None


def complete(part: Part) -> list[Note]:
    """Every slice says where it lies, how large its pixels are and how its values become HU.

    Image Plane C.7.6.2 (type 1), CT Image C.8.2.1 / Modality LUT C.11.1.
    """
    for missing, name, rule in (
        ([i for i in part.images if i.position is None], "Image Position", "image-position"),
        ([i for i in part.images if i.orientation is None], "Image Orientation", "image-orientation"),
        ([i for i in part.images if i.spacing is None], "Pixel Spacing", "pixel-spacing"),
        ([i for i in part.images if not i.rescale_given], "Rescale Slope and Intercept", "rescale"),
    ):
        if missing:
            many = len(missing)
            raise SeriesError(
                f"{part.label}: expected a usable {name} in every slice, found {many} of {len(part.images)} without",
                rule,
                EXPORT_AGAIN,
            )
    if any(image.slope == 0 for image in part.images):
        raise SeriesError(f"{part.label}: Rescale Slope is 0", "rescale", EXPORT_AGAIN)
    return []


def pixels_usable(part: Part) -> list[Note]:
    """Pixels that hold CT values (C.7.6.3): one sample, 8 to 32 bits."""
    coding = part.first.coding
    if coding.bits_allocated not in (8, 16, 32) or coding.bits_stored < 8:
        raise SeriesError(
            f"{part.label}: expected pixels of 8 to 32 bits, found {coding.bits_stored}", "pixel-format", EXPORT_AGAIN
        )
    notes = []
    if any(image.coding.photometric == "MONOCHROME1" for image in part.images):
        notes.append(
            Note("monochrome1", "Shown dark for dense by its header; values are read as they are.", "info", part.label)
        )
    return notes


def one_frame_of_reference(part: Part) -> list[Note]:
    """One Frame of Reference UID per series (C.7.4.1.1.1)."""
    frames = {image.ids.frame_of_reference for image in part.images}
    if len(frames) > 1:
        raise SeriesError(
            f"{part.label}: expected one frame of reference, found {len(frames)}, so its slices may not share "
            "coordinates",
            "frame-of-reference",
            "separate the scans and give each its own series",
        )
    if frames == {""}:
        return [
            Note(
                "no-frame-of-reference", "Names no frame of reference; taken as a frame of its own.", "info", part.label
            )
        ]
    return []


def concatenation_complete(part: Part) -> list[Note]:
    """All parts of a concatenation are there (C.7.6.16.2.2.4)."""
    pieces: dict[str, dict[int, int | None]] = {}
    for image in part.images:
        ids = image.ids
        if ids.concatenation:
            pieces.setdefault(ids.concatenation, {})[ids.concatenation_part or 0] = ids.concatenation_total
    for numbers in pieces.values():
        total = next((t for t in numbers.values() if t), None) or max(numbers)
        there = len(set(numbers) & set(range(1, total + 1)))
        if there < total:
            raise SeriesError(
                f"{part.label}: expected {total} parts of a concatenation, found {there}",
                "concatenation",
                "export the series again with all its files",
            )
    return []


def voltage(part: Part) -> list[Note]:
    """Tube voltage (0018,0060) is type 2 and may be empty or absurd; mineral cannot be judged without it."""
    making = part.first.making
    known = {image.making.kvp for image in part.images if image.making.kvp is not None}
    if making.virtual_kev is not None:
        return []
    if not known:
        return [
            Note(
                "kvp-missing",
                "Does not say its tube voltage; mineral cannot be put on a common scale.",
                "caution",
                part.label,
            )
        ]
    if not all(KVP_RANGE[0] <= v <= KVP_RANGE[1] for v in known):
        return [Note("kvp-odd", "States an impossible tube voltage, which is not used.", "caution", part.label)]
    return []


def acquisition_notes(part: Part, spacing_mm: float) -> list[Note]:
    """What a careful reader would remark, without reason to refuse."""
    images, label = part.images, part.label
    making = part.first.making
    notes: list[Note] = []

    def note(kind: str, text: str, level: str = "info") -> None:
        notes.append(Note(kind, text, level, label))  # type: ignore[arg-type]

    thickness = making.slice_thickness_mm
    if thickness is not None and thickness > 0 and spacing_mm > GAP * thickness:
        note(
            "slice-gap",
            f"Slices of {thickness:g} mm lie {spacing_mm:.2f} mm apart: tissue between is unseen.",
            "caution",
        )
    if any(image.making.lossy for image in images):
        note("lossy", "Was compressed with loss at some time; attenuation may be off by tens of HU.", "caution")
    if any(image.padding is not None for image in images):
        note("padding", "Marks pixels outside the scanned field; they are read as air, not as tissue.")
    if types := [i for i in images if i.making.image_type[:1] == ("DERIVED",)]:
        note("derived", f"Made from other images ({len(types)} of {len(images)} slices).", "caution")
    if making.image_type[1:2] == ("SECONDARY",):  # C.7.6.1.1.2 value 2
        note("secondary", "Made after the examination, not by the scanner itself.", "caution")
    if len({image.making.device_key for image in images}) > 1:
        note("devices-mixed", "Its slices name different scanners.", "caution")
    if making.virtual_kev is not None:
        note("virtual-kev", f"Virtual monoenergetic image at {making.virtual_kev:g} keV.")
    times = {(image.when.date) for image in images if image.when.date}
    if len(times) > 1:
        note("dates-mixed", "Its slices carry different dates; the earliest is used.", "caution")
    if len(images) < 8:
        note("few-slices", f"Only {len(images)} slices.", "caution")
    slopes = {(image.slope, image.intercept) for image in images}
    if len(slopes) > 1:
        note("rescale-per-slice", "Each slice has its own rescale, which is applied slice by slice.")
    return notes
