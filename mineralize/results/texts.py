"""Every sentence that the outputs print, in one place, so that it can be reviewed and translated as a whole.

Sentences that depend on one case's numbers come from the stage that measured them (findings, reasons, notes) and
reach the outputs through the record; here, and in the two siblings that are part of this module, are the fixed words
around them: of pictures in ``texts_pictures``, of the slides in ``texts_slides``.
"""

from __future__ import annotations

from typing import Final

from ..base import QUANTITIES, shown_as, title_of
from .texts_pictures import *  # noqa: F403
from .texts_slides import *  # noqa: F403

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


ALL_SCANS: Final = "All scans"
OTHERS: Final = "At other thresholds"
EVERYTHING: Final = "everything"
MANYFOLD: Final = "over tenfold"
ONE_SCAN: Final = "There is one scan only, so nothing can be compared."
NEIGHBOURS: Final = "Between neighbouring scans"
VERDICTS: Final = (
    "A change is called real only where its interval excludes zero and it exceeds a limit of repeatability. None was "
    "published for this kind of lesion: the limit of volume is borrowed from tumour volumetry and quoted from memory, "
    "that of diameters follows a re-scan study (Oxnard 2011; its number of patients is not at hand), that of HU of "
    "muscle and fat is our reading of 48 pairs of scans on scanners of two makers (Lamba 2014); all others are our own "
    "judgement."
)
INTERVALS: Final = (
    "Full dot: trusted; half dot: with caution; empty circle: withheld. Letters lead to the reason. Below each value "
    "its interval: what re-measuring gives when outline, depth of the zones, threshold, slope and noise are moved as "
    "far as a careful reader would accept."
)
NO_FINDINGS: Final = "No statement was derived."
NO_CAUTIONS: Final = "None."
GIVEN_HERE: Final = "given here"
NO_BIOPSY: Final = "No biopsy site was given in case.toml."
ALL_NUMBERS: Final = "Every number on this page is in history.json, and every withheld one has its reason here."
SKIP: Final = "Skip to content"

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
TABLE_OF: Final = "Table: {what}"
HOW_MADE: Final = "How each was made and lined up"
HOW_MEASURED: Final = "Outlines, scales, settings"
REASONS: Final = "Reasons, by letter"
RESTS_ON: Final = "rests on"
RESTS: Final = "Rests on {list}."
UNFOLD: Final = "in full"
SOURCES: Final = "Sources"
SETTINGS: Final = "Settings"
SAME_REASON: Final = "{brief}, for the reason given under {topic}."
SAME_TRACK: Final = "the same"
SAME_LIMITS: Final = "Limits as under {topic}."
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


quantity_title = title_of
"""The reader's name of a quantity."""


def quantity_meaning(quantity: str) -> str:
    """One line on what a quantity is; empty where nothing is known."""
    return QUANTITIES[quantity].meaning if quantity in QUANTITIES else ""


def unit_words(unit: str) -> str:
    """A unit of the record as it is read; a plain ratio has none."""
    return shown_as("", unit)[1]
