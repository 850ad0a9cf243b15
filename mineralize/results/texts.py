"""Every sentence that the outputs print, in one place, so that it can be reviewed and translated as a whole.

Sentences that depend on one case's numbers come from the stage that measured them (findings, reasons, notes) and
reach the outputs through the record; here are the fixed words around them.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, Final

from ..correlate import THIN, ZONE_WORDS, number, shown_as, value_text

TITLE: Final = "Imaging history of a mineralising soft-tissue lesion"
NOT_A_DEVICE: Final = (
    "Measured from CT for correlation with tissue. It makes no diagnosis, is not a medical device, and defers to "
    "licensed practice and local policy."
)
EXPERT_REVIEW: Final = (
    "Where tissue and imaging do not account for each other, or the sampled zone does not represent the lesion, "
    "review by a second pathologist at a sarcoma centre is an option for the team."
)
SIGNATURES: Final = ("Pathologist", "Radiologist", "Discussed at conference on")

QUESTIONS: Final[dict[str, str]] = {
    "place": "Where",
    "mineral": "Mineral",
    "course": "Course",
    "needle": "Needle",
    "distrust": "Distrust",
}
"""The five questions that the top of the page answers."""

SECTIONS: Final[dict[str, str]] = {
    "answers": "In short",
    "timeline": "Time line",
    "planes": "The same plane in every scan",
    "quantities": "What was measured",
    "changes": "What changed",
    "curves": "Course over time",
    "profile": "From the outline to the centre",
    "rim": "The outline unwrapped",
    "changemap": "Where mineral changed",
    "other": "A second plane",
    "findings": "Findings and what they rest on",
    "biopsy": "Where the needle went",
    "tissue": "Tissue, zone by zone",
    "described": "What is published, side by side",
    "scans": "The scans",
    "impression": "Impression from the slides",
    "concordance": "Concordance",
    "sealed": "Covered until an impression is recorded",
    "cautions": "Cautions",
    "method": "How this was made",
    "sign": "Review and signatures",
}

QUANTITIES: Final[dict[str, tuple[str, str]]] = {
    "lesion_volume": ("Lesion volume", "everything inside the outline"),
    "longest_diameter": ("Longest diameter", "largest distance between two points of the outline"),
    "axial_diameter": ("Axial diameter", "longest diameter in any one axial plane"),
    "axial_perpendicular": ("Axial perpendicular", "longest perpendicular to it in that plane"),
    "mineral_mass": ("Mineral mass", "hydroxyapatite equivalent over background; the primary measure of mineral"),
    "mineral_volume": ("Mineral volume", "depends on slice thickness and density: read it beside the mass"),
    "mineral_fraction": ("Mineral fraction", "mineral volume over lesion volume"),
    "rim_attenuation": ("Outer zone, attenuation", "its mean, blur returned, at the scan's own tube voltage"),
    "core_attenuation": ("Central zone, attenuation", "its mean, at the scan's own tube voltage"),
    "rim_core_ratio": ("Outer to central ratio", "ratio of linear attenuation coefficients at 120 kVp"),
    "rim_core_difference": ("Outer minus central zone", "difference of attenuation at 120 kVp"),
    "rim_peak_attenuation": ("Shell, peak", "mean of the highest value met along the inward normal"),
    "rim_completeness": ("Shell, completeness", "share of the outline's area that carries mineral"),
    "rim_unresolved": ("Shell, unresolved", "share of the area where blur could hide a thin shell: not gaps"),
    "largest_gap": ("Largest gap", "largest connected part of the outline without mineral, over its area"),
    "rim_thickness": ("Shell, thickness", "median width at half height along the inward normal"),
    "zonal_contrast": ("Zonal contrast", "+1 all mineral in the outer zone, −1 all in the central zone"),
    "core_fat_fraction": ("Central zone: fat", "share of it"),
    "core_fluid_fraction": ("Central zone: fluid", "share of it"),
    "core_soft_fraction": ("Central zone: soft tissue", "share of it"),
    "core_haze_fraction": ("Central zone: haze", "share of it between soft tissue and mineral"),
    "core_mineral_fraction": ("Central zone: mineral", "share of it"),
    "cortex_gap": ("Gap to cortex", "least distance to the outer surface of the nearest bone"),
    "cortex_contact_area": ("Contact with cortex", "area on the cortex with no darker line between"),
    "cleft_fraction": ("Cleft", "share of the facing area with a darker line to the cortex; no benign sign by itself"),
    "perilesional_muscle": ("Muscle around", "muscle close outside the outline"),
    "reference_muscle": ("Muscle far away", "muscle at the same levels, far from the lesion"),
    "perilesional_deficit": ("Muscle deficit", "CT trace of oedema; a proxy without published validation"),
    "oedema_extent": ("Extent of deficit", "how far outside the outline muscle stays below the reference"),
    "fat_reference": ("Fat (steady tissue)", "subcutaneous fat: tells scanner change from lesion change"),
    "cortex_reference": ("Cortex (steady tissue)", "mid-cortex of the host bone: likewise"),
}
"""Quantity: (title, what it means in one breath)."""

GROUPS: Final[tuple[tuple[str, tuple[str, ...]], ...]] = (
    ("Size", ("lesion_volume", "longest_diameter", "axial_diameter", "axial_perpendicular")),
    ("Mineral", ("mineral_mass", "mineral_volume", "mineral_fraction")),
    (
        "Shell",
        (
            "rim_completeness",
            "rim_unresolved",
            "largest_gap",
            "rim_thickness",
            "rim_attenuation",
            "rim_peak_attenuation",
        ),
    ),
    ("Zoning", ("rim_core_ratio", "rim_core_difference", "zonal_contrast", "core_attenuation")),
    (
        "Centre",
        (
            "core_soft_fraction",
            "core_fluid_fraction",
            "core_fat_fraction",
            "core_haze_fraction",
            "core_mineral_fraction",
        ),
    ),
    ("Bone", ("cortex_gap", "cortex_contact_area", "cleft_fraction")),
    ("Muscle around", ("perilesional_deficit", "perilesional_muscle", "reference_muscle", "oedema_extent")),
    ("Steady tissues", ("fat_reference", "cortex_reference")),
)
WIDE_FIGURE: Final = "figure, wider than a small screen"
CURVES: Final = ("mineral_mass", "lesion_volume", "rim_completeness")

TRUST: Final[dict[str, str]] = {"ok": "trusted", "caution": "caution", "withheld": "withheld"}
REAL: Final[dict[str, str]] = {"yes": "real", "no": "not beyond measurement", "unsure": "unsure"}
EVENTS: Final[dict[str, str]] = {
    "injury": "injury",
    "biopsy": "biopsy",
    "excision": "excision",
    "treatment": "treatment",
    "other": "event",
}

TISSUE_TITLE: Final = "What the literature describes"
TISSUE_NOTE: Final = (
    "What the literature describes for a lesion that matures from its periphery inwards. It is not a statement about "
    "this lesion: compare it with the slides, zone by zone. The limits between stages are customary and overlap."
)

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
ALL_SCANS: Final = "All scans"
PROFILE_PDF: Final = "HU at 120 kVp by depth, mm"
PATH: Final = "Path inside the lesion: {list}. No tissue from: {none}."
PATH_POINT: Final = "Only a point was given: it lies in the {zone}. No tissue from: {none}."
PATH_LOST: Final = "The site could not be placed: {why}."
PATH_ALL: Final = "no zone left out"
DAY_ZERO: Final[dict[str, str]] = {
    "onset": "Days count from onset: injury or first symptom, as given in case.toml.",
    "first scan": "Days count from the first scan: the day of onset was not given.",
}
OTHERS: Final = "At other thresholds"
EVERYTHING: Final = "everything"
MANYFOLD: Final = "over tenfold"
ONE_SCAN: Final = "There is one scan only, so nothing can be compared."
NEIGHBOURS: Final = "Between neighbouring scans"
VERDICTS: Final = (
    "A change is called real only where its interval excludes zero and it exceeds a limit of repeatability. None was "
    "published for this kind of lesion: the limit of volume is borrowed from tumour volumetry and quoted from memory, "
    "that of diameters is from a re-scan study (Oxnard 2011), that of HU from a study of scanners (Lamba 2014); all "
    "others are our own judgement."
)
INTERVALS: Final = (
    "Full dot: trusted; half dot: with caution; empty circle: withheld. Letters lead to the reason. Below each value "
    "its interval: what re-measuring gives when outline, depth of the zones, threshold, slope and noise are moved as "
    "far as a careful reader would accept."
)
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
    "The outline as seen from its centre, equal areas as equal areas. A anterior, L left, P posterior, R right, "
    "S superior, I inferior, of the reference scan. B: direction of a biopsy."
)
CAPTION_CHANGE: Final = (
    "Over the later picture: where attenuation rose (plain, white edge) and where it fell (hatched, dark edge). "
    "Smaller differences than the scale's lower end are left out."
)
MAP_WITHHELD: Final = "Withheld: fewer than two scans with an outline are lined up well enough to be compared."
PROFILE_WITHHELD: Final = "Withheld: the lesion was not outlined in any scan."
RIM_WITHHELD: Final = "Withheld: no scan has an outline that could be laid out."
PLANES_WITHHELD: Final = "Withheld: the lesion was not outlined in any scan, so no plane can be laid through it."
NO_FINDINGS: Final = "No statement was derived."
NO_CAUTIONS: Final = "None."
GIVEN_HERE: Final = "given here"
NO_BIOPSY: Final = "No biopsy site was given in case.toml."
ALL_NUMBERS: Final = "Every number on this page is in history.json, and every withheld one has its reason here."
SKIP: Final = "Skip to content"

ALL_NUMBERS_PDF: Final = "Every number here is in history.json; reasons, sources and the rest are in summary.html."
INTERVALS_PDF: Final = (
    "In brackets the interval. Half dot: with caution. Empty circle: withheld; reasons: summary.html."
)
CAPTION_RIM_PDF: Final = (
    "Equal-area maps of the whole outline: A anterior, L left, P posterior, R right, S superior, I inferior. B: "
    "biopsy. Shade: peak attenuation, HU at 120 kVp."
)
PDF_ROWS: Final = (
    "lesion_volume",
    "longest_diameter",
    "mineral_mass",
    "rim_completeness",
    "rim_unresolved",
    "rim_thickness",
    "rim_core_difference",
    "zonal_contrast",
    "core_attenuation",
    "cortex_gap",
    "cortex_contact_area",
    "perilesional_deficit",
)

NAV: Final = "Sections"
RESTS_ON: Final = "rests on"
RESTS: Final = "Rests on {list}."
UNFOLD: Final = "in full"
SOURCES: Final = "Sources"
SETTINGS: Final = "Settings"
SAME_REASON: Final = "{brief}, for the reason given under {topic}."
SAME_TRACK: Final = "the same"
SAME_LIMITS: Final = "Limits as under {topic}."
OUTLINE_UNSEEN: Final = "Sparse dots: nothing is seen there, the outline is a guess."
MARKS_LEGEND: Final = "Outline and needle"
MARKS_SWITCH: Final[dict[str, str]] = {"upper": "on the upper row", "both": "on both rows", "none": "on none"}
PATH_LEGEND: Final = "Path of the needle:"
BIOPSY_NUMBER: Final = "Biopsy {number}"
ALT_NEEDLE: Final = "Drawing of the lesion cut along the needle of biopsy {number}. {path}"
DESCRIBED_NOTE: Final = (
    "What was measured here beside what is published of three kinds of lesion: all of it, whether it fits or not. "
    "Small series and teaching; none is a test, and no study of accuracy was found."
)
DESCRIBED_HEAD: Final = (
    "Feature",
    "Here",
    "Myositis ossificans",
    "Extraskeletal osteosarcoma",
    "Parosteal osteosarcoma",
)
SEALED_TITLE: Final = "slides first"

SEALED: Final = (
    "What imaging says is covered, so that the slides are read first. Print a blank form, fill it in, and record it; "
    "this page then opens."
)
SEALED_SHELL: Final = "mineralize impression DIR --form > form.toml\nmineralize impression DIR --from form.toml"
IMPRESSION: Final[dict[str, str]] = {
    "reader": "Reader",
    "atypia": "Atypia",
    "mitoses": "Mitoses",
    "atypical_mitoses": "Atypical mitoses",
    "necrosis": "Necrosis",
    "differential": "Differential, in order",
    "confidence": "Confidence",
    "remarks": "Remarks",
    "cores": "Specimen, cores",
    "orientation": "Orientation",
    "decalcified": "Decalcified",
    "zoning": "Zoning on the slides",
    "zones": "Zones seen",
    "seen": "seen:",
}
IMPRESSION_PDF: Final = (
    "reader",
    "cores",
    "zoning",
    "zones",
    "atypia",
    "mitoses",
    "necrosis",
    "differential",
    "confidence",
)
BEFORE: Final = "Before imaging"
AFTER: Final = "After imaging"
TESTS: Final = "Ancillary tests"
SEEN: Final = {False: "before the findings were opened", True: "after the findings were opened"}
TICKED: Final = {False: "not ticked", True: "ticked"}
VERSIONS: Final = "Versions"
VERSION_SAYS: Final = "It says:"
VERSION_CHANGED: Final = "It changed:"
CHANGED: Final = "{was} → {now}"
EMPTY: Final = "(empty)"
NOTHING_CHANGED: Final = "No answer changed."
TICK_QUESTIONS: Final[dict[str, str]] = {
    "histology": "Histology",
    "accounts": "Histology accounts for the imaging",
    "sampling": "Sampling",
    "timing": "Timing",
    "comparable": "Scans",
}
TICKED_BY_READER: Final = "Ticked by the reader:"
NOT_TICKED: Final = "Nothing is ticked yet."
DERIVED_BY_RULE: Final = "Derived from these ticks by a fixed rule, and from nothing else:"
CONCORDANCE_NOTE: Final = "Made of the person's own ticks and of nothing else."
NO_RESULTS: Final = (
    "the folder holds no results of a case (no history.json in it); name the folder that summarise wrote"
)
NOT_RECORDED: Final = "no impression is recorded; print a form with --form, fill it in, and record it with --from FORM"
RECORDED: Final = "version {version} of the impression is recorded, {seen}; SHA-256 {digest}"

CSV_MEASUREMENTS: Final = "case,scan,day,quantity,value,low,high,unit,trust,reason,codes"
CSV_CHANGES: Final = (
    "case,from_scan,to_scan,days,quantity,difference,percent,low,high,per_30_days,doubling_days,real,reason,unit,codes"
)

OUT_FOREIGN: Final = (
    "the output folder holds files that mineralize did not write, or that were changed since; "
    "move them away or name another folder with --out"
)
OUT_OTHER_CASE: Final = (
    "the output folder holds the results of another case (no scan of this patient is in both); "
    "name another folder with --out"
)
INPUT_CHANGED: Final = "the scans changed while they were measured; run again when nothing writes to the case any more"
OUT_FILE: Final = "the output path is a file, not a folder; name a folder with --out"
OUT_FAILED: Final = "results could not be written ({cause}); nothing was left behind; free space or name another --out"

NO_CANDIDATES: Final = (
    "no mineral clear of the skeleton was found; name the lesion with --seed X,Y,Z --scan N (LPS millimetres)"
)
CANDIDATES_HEAD: Final = "Which of these is the lesion?"
CANDIDATE_LINE: Final = "  {number}.  scan {scan}, at {x}, {y}, {z} (LPS mm), {bone} mm from bone: {why}"
CANDIDATES_ANSWER: Final = (
    "Answer with its point, for number {number}:  --seed {seed} --scan {scan}\n"
    "or write the point into case.toml under [lesion] as scan and seed."
)
DONE: Final = "{case}: {scans} scans from day {first} to day {last} ({zero}); aligned on scan {reference}."
DONE_TRUST: Final = "{ok} values trusted, {cautions} with caution, {withheld} withheld; each reason is in the tables."
DONE_WHERE: Final = "Open summary.html in the output folder."
STOPPED: Final = "stopped; results that were written before stay, none is left half-written"
BATCH_NO_CASES: Final = "no case was found; ROOT must hold one folder or .zip file per case"
BATCH_NO_ROOT: Final = (
    "ROOT cannot be read; give a folder that holds one folder or .zip file per case, or a table case,path"
)
BATCH_TABLE_UNREADABLE: Final = "the table of cases cannot be read; give a CSV file (UTF-8) with the columns case,path"
BATCH_TABLE_COLUMNS: Final = "the table of cases has other columns than expected; give a CSV file with case,path"
BATCH_TABLE_ROW: Final = "line {line} of the table of cases needs a case (letters, digits, - . _) and a path"
BATCH_TABLE_TWICE: Final = (
    "line {line} of the table of cases names a case that another line names too; give each its own"
)
BATCH_DIED: Final = (
    "the process that measured it was ended from outside, as for lack of memory, also when it ran alone; "
    "run it on a larger machine"
)
BATCH_LOCKED: Final = (
    "another run writes to this output folder (process {process} on {host}); wait for it or name another --out"
)
BATCH_NO_CLUSTER: Final = "--scheduler needs Dask; install it with pip install 'mineralize[cluster]'"
BATCH_NO_SCHEDULER: Final = "no scheduler answers at that address; start one, or leave --scheduler out"
BATCH_FAULT: Final = "an unexpected fault ({kind}); run this case alone with summarise"
CURVE_NOTHING: Final = "no table holds a value of {quantity}; known there: {known}"

_THRESHOLD = re.compile(r"^(mineral_volume|rim_completeness)_(\d+)$")


def quantity_title(quantity: str) -> str:
    """The reader's name of a quantity; an unknown one keeps its own name with blanks."""
    if quantity in QUANTITIES:
        return QUANTITIES[quantity][0]
    match = _THRESHOLD.match(quantity)
    if match:
        return f"{QUANTITIES[match[1]][0]} at {match[2]} HU"
    return quantity.replace("_", " ").capitalize()


def quantity_meaning(quantity: str) -> str:
    """One line on what a quantity is; empty where nothing is known."""
    return QUANTITIES.get(quantity, ("", ""))[1]


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
    words = ", ".join(none) if none else PATH_ALL
    if site["entry"] is None:
        return PATH_POINT.format(zone=ZONE_WORDS[site["zone"]], none=words)
    total = sum(length for _, length in site["path_mm"]) or 1.0
    parts = [
        f"{ZONE_WORDS[zone]} {value_text('', 'mm', length)} ({number(100 * length / total, 0)}{THIN}%)"
        for zone, length in site["path_mm"]
    ]
    return PATH.format(list=", ".join(parts) or "none", none=words)


def unit_words(unit: str) -> str:
    """A unit of the record as it is read; a plain ratio has none."""
    return shown_as("", unit)[1]
