"""The one table of quantities, in the order in which tables list them.

Per row: unit (UCUM), what it needs of the outline, the smallest change of it that counts with its source, the width
from which it is doubtful, what unlike scans may do to it, its words, and its codes for a report. A row here and a
function that computes it make a quantity.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from .quantity import Limit, Mover, Quantity, Report, Width
from .terms import (
    AT_120_KVP,
    ATTENUATION,
    BONE,
    HYDROXYAPATITE,
    MEAN,
    MUSCLE,
    SUBCUTANEOUS,
    Term,
    private,
)

OWN = "own judgement"
OXNARD = "after a re-scan study of diameters, Oxnard 2011"
LAMBA = "own judgement after Lamba 2014"
TUMOUR = "borrowed from tumour volumetry, from memory"
VOLUME_LIMITS: tuple[tuple[float, float], ...] = ((35.0, 0.39), (50.0, 0.29), (float("inf"), 0.24))
"""(diameter below mm, relative limit): borrowed from tumour volumetry (CT volume claims quoted from memory)."""
TOGETHER = "borrowed from volumetry in lung screening, van Klaveren 2009, from memory"
TOGETHER_LIMIT = 0.25
"""Growth of a nodule that is read from two scans at once: 25 % (van Klaveren 2009, N Engl J Med 361:2221)."""

POSITIVE = (0.0, float("inf"))
SHARE = (0.0, 1.0)
AGENT: frozenset[Mover] = frozenset({"contrast"})
FACES: frozenset[Mover] = frozenset({"slice", "kernel", "contrast"})

OTHER_THRESHOLDS: dict[str, dict[int, dict[str, Any]]] = {
    "mineral_volume": {100: {}, 130: {}, 200: {"widest": Width(0.5, True)}, 300: {"widest": Width(0.6, True)}},
    "rim_completeness": {100: {}, 200: {}, 300: {"moved_by": FACES}},
}
"""Quantities that are measured at other thresholds (HU at 120 kVp) too, and in what their rows differ then."""


def at_threshold(row: Quantity, name: str, **other: Any) -> Quantity:
    """The row of a quantity at another threshold: its words follow from its family's, and no report holds it."""
    return replace(row, name=name, title="", named="", meaning="", report=None, **other)


def _with_other_thresholds(rows: tuple[Quantity, ...]) -> Iterator[Quantity]:
    for row in rows:
        yield row
        for threshold, other in OTHER_THRESHOLDS.get(row.name, {}).items():
            yield at_threshold(row, f"{row.name}_{threshold}", **other)


def _share_of_centre(kind: str, words: str, report: Report, meaning: str = "share of it") -> Quantity:
    """The row of a class of tissue of the central zone."""
    return Quantity(
        f"core_{kind}_fraction", "1", "middle", Limit(0.0, 0.15, OWN), Width(0.3),
        group="Centre", bounds=SHARE, rim=True, moved_by=AGENT, share=True,
        title=f"Central zone: {words}", named=f"{words} in the central zone",
        meaning=meaning, report=report,
    )  # fmt: skip


_MAIN: tuple[Quantity, ...] = (
    # size
    Quantity(
        "lesion_volume", "mm3", "surface", Limit(0.39, 0.0, TUMOUR), Width(0.12, True),
        group="Size", bounds=POSITIVE, long=True, surface_only=True, doubt="size", grows=True,
        title="Lesion volume", named="the volume of the lesion",
        meaning="everything inside the outline",
        report=Report("lesion", Term("118565006", "SCT", "Volume")),
    ),
    Quantity(
        "longest_diameter", "mm", "surface", Limit(0.1, 2.0, OXNARD), Width(0.065, True),
        group="Size", bounds=POSITIVE, long=True, surface_only=True,
        title="Longest diameter", named="the longest diameter",
        meaning="largest distance between two points of the outline",
        report=Report("lesion", Term("L0JK", "IBSI", "Maximum 3D Diameter of a Mesh")),
    ),
    Quantity(
        "axial_diameter", "mm", "surface", Limit(0.1, 2.0, OXNARD), Width(0.08, True),
        group="Size", bounds=POSITIVE, surface_only=True,
        title="Axial diameter", named="the axial diameter",
        meaning="longest diameter in any one axial plane",
        report=Report("lesion", Term("103339001", "SCT", "Long axis")),
    ),
    Quantity(
        "axial_perpendicular", "mm", "surface", Limit(0.1, 2.0, OXNARD), Width(0.1, True),
        group="Size", bounds=POSITIVE, surface_only=True,
        title="Axial perpendicular", named="the axial perpendicular",
        meaning="longest perpendicular to it in that plane",
        report=Report("lesion", Term("103340004", "SCT", "Short axis")),
    ),
    # mineral
    Quantity(
        "mineral_mass", "mg", "sum", Limit(0.15, 5.0, OWN), Width(0.15, True),
        group="Mineral", bounds=POSITIVE, moved_by=AGENT, doubt="mass", grows=True,
        title="Mineral mass", named="mineral mass",
        meaning="hydroxyapatite equivalent over background; the primary measure of mineral",
        report=Report("mineral", private("HAMASS", "Hydroxyapatite equivalent mass"),
                      method=HYDROXYAPATITE, over_threshold=True),
    ),
    Quantity(
        "mineral_volume", "mm3", "sum", Limit(0.4, 20.0, OWN), Width(0.4, True),
        group="Mineral", bounds=POSITIVE, moved_by=FACES, doubt="mass", grows=True,
        title="Mineral volume", named="mineral volume",
        meaning="depends on slice thickness and density: read it beside the mass",
        report=Report("mineral", Term("122660", "DCM", "Calcium Volume"), method=AT_120_KVP, over_threshold=True),
    ),
    Quantity(
        "mineral_fraction", "1", "surface", Limit(0.4, 0.05, OWN), Width(0.15),
        group="Mineral", bounds=SHARE, moved_by=FACES, share=True,
        title="Mineral fraction", named="the mineral fraction",
        meaning="mineral volume over lesion volume",
        report=Report("mineral", Term("112019", "DCM", "Calcification extent as percent of volume"),
                      method=AT_120_KVP, over_threshold=True),
    ),
    # shell
    Quantity(
        "rim_completeness", "1", "surface", Limit(0.0, 0.1, OWN), Width(0.1),
        group="Shell", bounds=SHARE, rim=True, moved_by=AGENT, share=True,
        title="Shell, completeness", named="completeness of the shell",
        meaning="share of the outline's area that carries mineral",
        report=Report("rim", Term("112018", "DCM", "Calcification extent as percent of surface"),
                      method=AT_120_KVP, over_threshold=True),
    ),
    Quantity(
        "rim_unresolved", "1", "surface", Limit(0.0, 0.15, OWN), Width(0.15),
        group="Shell", bounds=SHARE, rim=True, moved_by=FACES, share=True,
        title="Shell, unresolved", named="the unresolved part of the shell",
        meaning="share of the area where blur could hide a thin shell: not gaps",
        report=Report("rim", private("RIMUNRESOLVED", "Surface where a thin shell cannot be resolved"),
                      method=AT_120_KVP, over_threshold=True),
    ),
    Quantity(
        "largest_gap", "1", "surface", Limit(0.0, 0.1, OWN), Width(0.1),
        group="Shell", bounds=SHARE, rim=True, moved_by=AGENT, share=True,
        title="Largest gap", named="the largest gap",
        meaning="largest connected part of the outline without mineral, over its area",
        report=Report("rim", private("LARGESTGAP", "Largest gap in the shell, share of the surface"),
                      method=AT_120_KVP, over_threshold=True),
    ),
    Quantity(
        "rim_thickness", "mm", "layer", Limit(0.25, 0.8, OWN), Width(1.2),
        group="Shell", bounds=POSITIVE, rim=True,
        title="Shell, thickness", named="thickness of the shell",
        meaning="median width at half height along the inward normal",
        report=Report("rim", private("RIMTHICKNESS", "Median thickness of the shell")),
    ),
    Quantity(
        "rim_attenuation", "HU", "surface", Limit(0.15, 30.0, OWN), Width(0.25, True),
        group="Shell", rim=True, moved_by=frozenset({"kvp", "contrast"}),
        title="Outer zone, attenuation", named="attenuation of the outer zone",
        meaning="its mean, blur returned, at the scan's own tube voltage",
        report=Report("rim", ATTENUATION, derivation=MEAN),
    ),
    Quantity(
        "rim_peak_attenuation", "HU", "layer", Limit(0.2, 60.0, OWN), Width(0.25, True),
        group="Shell", rim=True, moved_by=frozenset({"kvp", "slice", "kernel", "contrast"}),
        title="Shell, peak", named="peak attenuation of the shell",
        meaning="mean of the highest value met along the inward normal",
        report=Report("rim", private("RIMPEAK", "Mean of peak attenuation along the inward normal")),
    ),
    # zoning
    Quantity(
        "rim_core_ratio", "1", "middle", Limit(0.1, 0.0, OWN), Width(0.1, True),
        group="Zoning", bounds=POSITIVE, rim=True, moved_by=AGENT,
        title="Outer to central ratio", named="the ratio of outer to central zone",
        meaning="ratio of linear attenuation coefficients at 120 kVp",
        report=Report("lesion", private("RIMCORERATIO", "Ratio of attenuation coefficients, outer to central zone")),
    ),
    Quantity(
        "rim_core_difference", "HU", "middle", Limit(0.15, 30.0, OWN), Width(0.3, True),
        group="Zoning", rim=True, moved_by=AGENT,
        title="Outer minus central zone", named="the difference between outer and central zone",
        meaning="difference of attenuation at 120 kVp",
        report=Report("lesion", private("RIMCOREDIFF", "Outer minus central zone at 120 kVp equivalent")),
    ),
    Quantity(
        "zonal_contrast", "1", "middle", Limit(0.0, 0.2, OWN), Width(0.2),
        group="Zoning", bounds=(-1.0, 1.0), moved_by=AGENT,
        title="Zonal contrast", named="zonal contrast",
        meaning="+1 all mineral in the outer zone, −1 all in the central zone",
        report=Report("lesion", private("ZONALCONTRAST", "Zonal contrast of mineral, outer against central zone"),
                      method=HYDROXYAPATITE),
    ),
    Quantity(
        "core_attenuation", "HU", "middle", Limit(0.0, 12.0, LAMBA), Width(25.0),
        group="Zoning", rim=True, moved_by=frozenset({"fat by kvp", "contrast"}),
        title="Central zone, attenuation", named="attenuation of the central zone",
        meaning="its mean, at the scan's own tube voltage",
        report=Report("core", ATTENUATION, derivation=MEAN),
    ),
    # centre
    _share_of_centre(
        "soft", "soft tissue", Report("core", private("CORESOFT", "Share of central zone of soft-tissue attenuation")),
    ),
    _share_of_centre(
        "fluid", "fluid", Report("core", private("COREFLUID", "Share of central zone of fluid attenuation")),
    ),
    _share_of_centre(
        "fat", "fat", Report("core", private("COREFAT", "Share of central zone of fat attenuation")),
    ),
    _share_of_centre(
        "haze", "haze", Report("core", private("COREHAZE", "Share of central zone of 80 to 150 HU")),
        meaning="share of it between soft tissue and mineral",
    ),
    _share_of_centre(
        "mineral", "mineral",
        Report("core", private("COREMINERAL", "Share of central zone that is mineral"), method=AT_120_KVP,
               over_threshold=True),
    ),
    # bone
    Quantity(
        "cortex_gap", "mm", "layer", Limit(0.0, 1.5, OWN), Width(1.5),
        group="Bone", bounds=POSITIVE,
        title="Gap to cortex", named="the distance to cortex",
        meaning="least distance to the outer surface of the nearest bone",
        report=Report("lesion", private("CORTEXGAP", "Least distance to cortex")),
    ),
    Quantity(
        "cortex_contact_area", "mm2", "layer", Limit(0.5, 30.0, OWN), Width(0.4, True),
        group="Bone", bounds=POSITIVE,
        title="Contact with cortex", named="the contact with cortex",
        meaning="area on the cortex with no darker line between",
        report=Report("lesion", private("CORTEXCONTACT", "Area of contact with cortex")),
    ),
    Quantity(
        "cleft_fraction", "1", "surface", Limit(0.0, 0.25, OWN), Width(0.3),
        group="Bone", bounds=SHARE, moved_by=AGENT, share=True,
        title="Cleft", named="the cleft",
        meaning="share of the facing area with a darker line to the cortex; no benign sign by itself",
        report=Report("lesion", private("CLEFTFRACTION", "Lucent cleft, share of surface facing cortex")),
    ),
    # muscle around
    Quantity(
        "perilesional_deficit", "HU", "middle", Limit(0.0, 6.0, OWN), Width(10.0),
        group="Muscle around", moved_by=AGENT,
        title="Muscle deficit", named="attenuation of the muscle around",
        meaning="CT trace of oedema; a proxy without published validation",
        report=Report("surroundings", private("MUSCLEDEFICIT", "Reference muscle minus muscle around")),
    ),
    Quantity(
        "perilesional_muscle", "HU", "middle", Limit(0.0, 10.0, LAMBA), Width(10.0),
        group="Muscle around", moved_by=AGENT,
        title="Muscle around", named="muscle close by",
        meaning="muscle close outside the outline",
        report=Report("surroundings", ATTENUATION, derivation=MEAN, site=MUSCLE),
    ),
    Quantity(
        "reference_muscle", "HU", "nothing", Limit(0.0, 10.0, LAMBA), Width(10.0),
        group="Muscle around", own_tissue=True, moved_by=AGENT,
        title="Muscle far away", named="muscle",
        meaning="muscle at the same levels, far from the lesion",
        report=Report("muscle", ATTENUATION, derivation=MEAN, site=MUSCLE),
    ),
    Quantity(
        "oedema_extent", "mm", "middle", Limit(0.0, 4.0, OWN), Width(6.0),
        group="Muscle around", bounds=POSITIVE,
        title="Extent of deficit", named="the extent of lower attenuation around",
        meaning="how far outside the outline muscle stays below the reference",
        report=Report("surroundings", private("DEFICITEXTENT", "Extent of lower muscle attenuation around")),
    ),
    # steady tissues
    Quantity(
        "fat_reference", "HU", "nothing", Limit(0.0, 12.0, LAMBA), Width(15.0),
        group="Steady tissues", own_tissue=True, moved_by=frozenset({"fat by kvp", "contrast"}),
        title="Fat (steady tissue)", named="fat",
        meaning="subcutaneous fat: tells scanner change from lesion change",
        report=Report("fat", ATTENUATION, derivation=MEAN, site=SUBCUTANEOUS),
    ),
    Quantity(
        "cortex_reference", "HU", "nothing", Limit(0.1, 0.0, OWN), Width(150.0),
        group="Steady tissues", own_tissue=True, moved_by=frozenset({"kvp", "contrast"}),
        title="Cortex (steady tissue)", named="cortex",
        meaning="mid-cortex of the host bone: likewise",
        report=Report("cortex", ATTENUATION, derivation=MEAN, site=BONE),
    ),
)  # fmt: skip

ROWS: tuple[Quantity, ...] = tuple(_with_other_thresholds(_MAIN))
