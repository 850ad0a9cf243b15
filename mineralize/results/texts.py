"""Every sentence that the outputs print, in one place, so that it can be reviewed and translated as a whole.

Sentences that depend on one case's numbers come from the stage that measured them (findings, reasons, notes) and
reach the outputs through the record; here are the fixed words around them.
"""

from __future__ import annotations

import re
from typing import Final

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

SECTIONS: Final[dict[str, str]] = {
    "facts": "In short",
    "timeline": "Time line",
    "planes": "The same plane in every scan",
    "quantities": "What was measured",
    "changes": "What changed",
    "curves": "Course over time",
    "profile": "From the outline to the centre",
    "rim": "The rim unwrapped",
    "changemap": "Where mineral changed",
    "findings": "Findings and what they rest on",
    "tissue": "Biopsy and tissue, zone by zone",
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
    "rim_attenuation": ("Rim attenuation", "mean of the rim, blur returned, at the scan's own tube voltage"),
    "core_attenuation": ("Core attenuation", "mean of the core, at the scan's own tube voltage"),
    "rim_core_ratio": ("Rim to core ratio", "ratio of linear attenuation coefficients at 120 kVp"),
    "rim_core_difference": ("Rim minus core", "difference of attenuation at 120 kVp"),
    "rim_peak_attenuation": ("Rim peak", "mean of the highest value met along the inward normal"),
    "rim_completeness": ("Rim completeness", "share of the outline's area that carries mineral"),
    "rim_unresolved": ("Rim unresolved", "share of the area where blur could hide a thin rim: not gaps"),
    "largest_gap": ("Largest gap", "largest connected part of the outline without mineral, over its area"),
    "rim_thickness": ("Rim thickness", "median width at half height along the inward normal"),
    "zonal_contrast": ("Zonal contrast", "+1 all mineral at the periphery, −1 all in the centre"),
    "core_fat_fraction": ("Core: fat", "share of the core"),
    "core_fluid_fraction": ("Core: fluid", "share of the core"),
    "core_soft_fraction": ("Core: soft tissue", "share of the core"),
    "core_haze_fraction": ("Core: haze", "share of the core between soft tissue and mineral"),
    "core_mineral_fraction": ("Core: mineral", "share of the core"),
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
        "Rim",
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
HEADLINES: Final = ("lesion_volume", "mineral_mass", "rim_completeness", "rim_core_ratio", "cortex_gap")
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
TISSUE_NO_ONSET: Final = "The day of onset is not known, so no stage is assigned to a scan."

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
    "The thin line is the outline; it is dotted where neighbours bridge it. A diamond marks a biopsy site "
    "close to the plane. Nothing is measured on pictures."
)
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
    "A change is called real only where its interval excludes zero and it exceeds the published repeatability for "
    "that kind of quantity, borrowed from tumour volumetry."
)
INTERVALS: Final = (
    "Full dot: trusted; half dot: with caution; empty circle: withheld. Letters lead to the reason. Below each value "
    "its interval: what re-measuring gives when outline, rim depth, threshold, slope and noise are moved as far as a "
    "careful reader would accept."
)
ALT_COURSE: Final = "Plots of {quantities} over days with intervals. The values are in the table of quantities."
ALT_PROFILE: Final = "Plot of mean attenuation against depth below the outline, one line per scan, darker is later."
ALT_RIM: Final = (
    "The rim of each scan unwrapped on an equal-area map: anterior in the middle, superior up, patient's left to the "
    "right; upper row attenuation, lower row thickness; gaps hatched, unresolved parts dotted."
)
CAPTION_COURSE: Final = (
    "Bars are intervals. Open dots: with caution. Crosses on the base line: withheld. Marks above: events."
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
RIM_WITHHELD: Final = "Withheld: no scan has an outline on which a rim could be laid out."
PLANES_WITHHELD: Final = "Withheld: the lesion was not outlined in any scan, so no plane can be laid through it."
NO_FINDINGS: Final = "No statement was derived."
NO_CAUTIONS: Final = "None."
NO_DIRECTION: Final = "in the middle"
GIVEN_HERE: Final = "given here"
SITE_LINE: Final = (
    "B{number}, scan {scan} (day {day}): {zone}, {depth} mm below the outline ({share} of the way to the deepest "
    "point), {direction}; rim there: {rim}; {hu} HU around it."
)
SITE_WITHHELD: Final = "B{number}, scan {scan}: withheld, because {reason}"
NO_BIOPSY: Final = "No biopsy site was given in case.toml."
BIOPSY: Final = "Where the biopsy came from"
FACT_CHANGE: Final = {"yes": "real change", "no": "no change beyond measurement", "unsure": "change unsure"}
ALL_NUMBERS: Final = "Every number on this page is in history.json, and every withheld one has its reason here."
SKIP: Final = "Skip to content"

ALL_NUMBERS_PDF: Final = "Every number here is in history.json; reasons, sources and the rest are in summary.html."
INTERVALS_PDF: Final = (
    "Small: interval. Half dot: with caution. Empty circle: withheld; each reason is in summary.html."
)
CAPTION_RIM_PDF: Final = (
    "Equal-area maps, A anterior, L left, P posterior, R right, S superior, I inferior; lighter is denser (scale in "
    "summary.html); hatched: gap; dotted: unresolved; dark edge: on the bone."
)
MORE_ON_PAGE: Final = "More in summary.html."
PDF_ROWS: Final = (
    "lesion_volume",
    "longest_diameter",
    "mineral_mass",
    "mineral_volume",
    "rim_completeness",
    "rim_unresolved",
    "rim_thickness",
    "rim_core_ratio",
    "rim_core_difference",
    "zonal_contrast",
    "core_soft_fraction",
    "core_fluid_fraction",
    "core_fat_fraction",
    "cortex_gap",
    "cortex_contact_area",
    "perilesional_deficit",
)

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
    "zone": "Zone:",
    "seen": "seen:",
}
TESTS: Final = "Ancillary tests"
SEEN: Final = {False: "before the findings were opened", True: "after the findings were opened"}
TICKED: Final = {False: "not ticked", True: "ticked"}
VERSIONS: Final = "Versions"
CONCORDANCE_NOTE: Final = "Made of the person's own ticks and of nothing else."
RECORDED: Final = "version {version} of the impression is recorded, {seen}; SHA-256 {digest}"

CSV_MEASUREMENTS: Final = "case,scan,day,quantity,value,low,high,unit,trust,reason,codes"
CSV_CHANGES: Final = (
    "case,from_scan,to_scan,days,quantity,difference,percent,low,high,per_30_days,doubling_days,real,reason,unit,codes"
)

OUT_FOREIGN: Final = "the output folder holds files that mineralize did not write; name another folder with --out"
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
STOPPED: Final = "stopped; nothing was written"
BATCH_NO_CASES: Final = "no case was found; ROOT must hold one folder or .zip file per case"
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


def unit_words(unit: str) -> str:
    """A unit as a reader writes it; shares have none."""
    return {"1": "", "mm2": "mm²", "mm3": "mm³"}.get(unit, unit)
