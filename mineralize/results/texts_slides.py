"""Words about the slides: the cover, the impression, its versions, the concordance; part of ``texts``."""

from __future__ import annotations

from typing import Final

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
ASK_AMEND: Final = "Version {version} is recorded. It can be amended with a reason; earlier versions stay."
ASK_STOPPED: Final = "the questions were not answered to the end; nothing was recorded"
ASK_BECAUSE: Final = "Reason of the amendment (Return: leave it as it is): "
NOT_RECORDED: Final = "no impression is recorded; print a form with --form, fill it in, and record it with --from FORM"
RECORDED: Final = "version {version} of the impression is recorded, {seen}; SHA-256 {digest}"
