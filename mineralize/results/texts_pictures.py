"""Words about pictures, maps, plots and the needle; part of ``texts``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from ..base import THIN, number, value_text
from ..correlate import ZONE_WORDS

WIDE_FIGURE: Final = "Figure, wider than a small screen: {what}"
ALT_VIEW: Final = "CT, {plane} plane through the lesion, day {day}, {fov} mm wide, window {low} to {high} HU{outline}."
ALT_OUTLINED: Final = ", outline drawn"
ALT_CHANGE: Final = "Map of the change of attenuation in the matched plane from day {first} to day {last}."
NOT_MATCHED: Final = "not matched"
OWN_PLANE: Final = "This scan's own {plane} plane through the lesion, because {reason}."
NO_LESION: Final = "The lesion was not outlined in this scan."
NO_PICTURE: Final = "No picture: neither outline nor alignment places the lesion in this scan."
OUTSIDE: Final = "The plane lies outside this scan."
PLANES: Final[dict[str, str]] = {
    "axial": "Axial plane of the reference scan",
    "coronal": "Coronal plane of the reference scan",
    "sagittal": "Sagittal plane of the reference scan",
}
TRACE: Final = (
    "Outline: solid where its edge is seen, dashed along a soft margin, dotted where neighbours bridge it, sparse dots "
    "where nothing is seen near it and it is a guess. Diamond: site of biopsy; its path is thin outside, broader "
    "inwards. Nothing is measured on pictures."
)
WINDOWS: Final = (
    "{field} mm wide; above: mineral window, {low} to {high} HU; below: soft tissue, {soft_low} to {soft_high} HU."
)
PROFILE_PDF: Final = "HU at 120 kVp by depth, mm"
PATH: Final = "Path inside the lesion: {list}. {none}"
PATH_POINT: Final = "Only a point was given: it lies in the {zone}. {none}"
PATH_LOST: Final = "The site could not be placed: {why}."
PATH_NONE: Final = "No tissue from: {zones}."
PATH_ALL: Final = "All three zones were crossed."
DAY_ZERO: Final[dict[str, str]] = {
    "onset": "Days count from onset: injury or first symptom, as given in case.toml.",
    "first scan": "Days count from the first scan: the day of onset was not given.",
}
ALT_COURSE: Final = "Plots of {quantities} over days with intervals. The values are in the table of quantities."
ALT_PROFILE: Final = "Plot of mean attenuation against depth below the outline, one line per scan, darker is later."
ALT_RIM: Final = (
    "The outline of each scan unwrapped on an equal-area map: anterior in the middle, superior up, patient's left to "
    "the right; upper row attenuation, lower row thickness; gaps hatched, unresolved parts dotted."
)
CAPTION_COURSE: Final = (
    "Over days from {zero}. Bars are intervals. Open dots: with caution. Crosses on the base line: withheld. Marks "
    "above: events. By depth: 0 is the outline, darker is later."
)
CAPTION_PROFILE: Final = "Mean over the whole lesion at equal depth, at 120 kVp equivalent; the band is its spread."
CAPTION_RIM: Final = (
    "Upper row: peak attenuation, HU at 120 kVp; lower row: thickness of the shell, mm. The outline as seen from its "
    "centre, equal areas as equal areas. A anterior, L left, P posterior, R right, S superior, I inferior, of the "
    "reference scan. B: direction of a biopsy."
)
CAPTION_CHANGE: Final = (
    "Over the later picture, paled: where attenuation rose (dark, plain) and where it fell (light, hatched). Dashed: "
    "the later outline. Smaller differences than the scale's lower end are left out."
)
MAP_WITHHELD: Final = "Withheld: fewer than two scans with an outline are lined up well enough to be compared."
PROFILE_WITHHELD: Final = "Withheld: the lesion was not outlined in any scan."
RIM_WITHHELD: Final = "Withheld: no scan has an outline that could be laid out."
PLANES_WITHHELD: Final = "Withheld: the lesion was not outlined in any scan, so no plane can be laid through it."
ALL_NUMBERS_PDF: Final = "Every number here is in history.json; reasons, sources and the rest are in summary.html."
INTERVALS_PDF: Final = (
    "In brackets the interval. Half dot: with caution. Empty circle: withheld; reasons: summary.html."
)
CAPTION_RIM_PDF: Final = (
    "Equal-area maps of the whole outline: A anterior, L left, P posterior, R right, S superior, I inferior. B: "
    "biopsy. Shade: peak attenuation, HU at 120 kVp."
)
OUTLINE_WITHHELD: Final = "Nothing was measured with this outline: {reason}."
OUTLINE_UNSEEN: Final = "Sparse dots: nothing is seen there, the outline is a guess."
MARKS_LEGEND: Final = "Outline and needle"
MARKS_SWITCH: Final[dict[str, str]] = {"upper": "on the upper row", "both": "on both rows", "none": "on none"}
PATH_LEGEND: Final = "Path of the needle:"
BIOPSY_NUMBER: Final = "Biopsy {number}"
ALT_NEEDLE: Final = "Drawing of the lesion cut along the needle of biopsy {number}. {path}"


def strip_note(pictures: Mapping[str, Any]) -> str:
    """How the strip of pictures is to be read."""
    low, high = pictures["window_hu"]
    soft_low, soft_high = pictures["soft_window_hu"]
    windows = WINDOWS.format(
        field=f"{pictures['field_of_view_mm']:.0f}",
        low=number(low, 0),
        high=number(high, 0),
        soft_low=number(soft_low, 0),
        soft_high=number(soft_high, 0),
    )
    return f"{windows} {TRACE}"


def path_note(report: Mapping[str, Any]) -> str:
    """Share of a needle's path in each zone, and the zones that no tissue came from."""
    site = report["site"]
    if site["trust"] == "withheld" or site["zone"] is None:
        return PATH_LOST.format(why=site["reason"])
    none = [ZONE_WORDS[z] for z in ("rim", "middle", "core") if z not in report["zones"]]
    words = PATH_NONE.format(zones=", ".join(none)) if none else PATH_ALL
    if site["entry"] is None:
        return PATH_POINT.format(zone=ZONE_WORDS[site["zone"]], none=words)
    total = sum(length for _, length in site["path_mm"]) or 1.0
    parts = [
        f"{ZONE_WORDS[zone]} {value_text('', 'mm', length)} ({number(100 * length / total, 0)}{THIN}%)"
        for zone, length in site["path_mm"]
    ]
    return PATH.format(list=", ".join(parts) or "none", none=words)
