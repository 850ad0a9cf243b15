"""Words that stand in tables: topics, quantities, tissues, caveats of tests, categories and options."""

from __future__ import annotations

ZONE_WORDS: dict[str, str] = {
    "outside": "surroundings",
    "rim": "outer zone",
    "middle": "intermediate zone",
    "core": "central zone",
}
"""Words of the zones by their keys in tables and records. ``shell`` is mineral; a ``core`` is what a needle brings."""

TISSUE_DAYS: dict[str, str] = {
    "early": "under 4 weeks from onset",
    "intermediate": "4 to 8 weeks from onset",
    "mature": "over 8 weeks from onset",
}

TISSUE: dict[tuple[str, str], tuple[str, str]] = {
    ("centre", "early"): (
        "cellular, undifferentiated and mitotically active: fibroblasts and myofibroblasts in myxoid stroma, like "
        "nodular fasciitis; may be haemorrhagic or cystic; by itself not to be told from sarcoma",
        "attenuation of muscle or slightly below, ill-defined",
    ),
    ("centre", "intermediate"): (
        "cellular and fasciitis-like, less so with time; merges outward into osteoid",
        "lucent centre inside the forming shell",
    ),
    ("centre", "mature"): (
        "fatty marrow between trabeculae, or loose scar, sometimes fluid",
        "fat or soft-tissue attenuation between trabeculae; the lucent centre may also be lost",
    ),
    ("middle", "early"): (
        "osteoid begins to form at 3 to 4 weeks; before that not distinct from the centre",
        "not visible",
    ),
    ("middle", "intermediate"): (
        "oriented osteoid and immature woven bone rimmed by osteoblasts",
        "faint haze, a fuzzy inner edge of the shell",
    ),
    ("middle", "mature"): (
        "cancellous bone, woven turning lamellar",
        "merges into cancellous bone",
    ),
    ("periphery", "early"): (
        "compressed muscle and fibrous tissue; the first bone may form at the edge",
        "no mineral, or flecks at the edge",
    ),
    ("periphery", "intermediate"): (
        "well-formed bone, woven turning lamellar",
        "a shell, incomplete and then complete: dense outside, soft inside",
    ),
    ("periphery", "mature"): (
        "a shell of lamellar bone",
        "a shell like cortex, well-defined",
    ),
}
"""Tissue and CT appearance by zone and stage (sources: ``tissue``)."""

TEST_CAVEATS: dict[str, tuple[str, tuple[str, ...]]] = {
    "USP6 rearrangement": (
        "A negative test excludes nothing: by in-situ hybridisation 22 of 27 lesions of the family were positive, and "
        "5 of 7 myositis ossificans by sequencing. A positive one speaks for the USP6 family and does not say which "
        "member. Partners vary and fusion panels can miss them; signal is best in the young, cellular zone, "
        "undecalcified or after gentle decalcification (the last two from memory).",
        ("FrontOnc22", "Svajdler19"),
    ),
    "MDM2 amplification": (
        "A negative test excludes nothing: 2 of 18 extraskeletal osteosarcomas were amplified.",
        ("Yamashita17",),
    ),
    "MDM2/CDK4 staining": (
        "A negative stain excludes nothing: 14 of 14 parosteal osteosarcomas of one series stained for both, "
        "extraskeletal osteosarcoma often does not (2 of 18 MDM2-amplified).",
        ("JCMA", "Yamashita17"),
    ),
    "SATB2": ("Marks the osteoblastic lineage in reactive and malignant bone alike; does not separate.", ("memory",)),
    "Ki-67": ("High in active reactive lesions too; does not separate.", ("memory",)),
    "SMA": ("Positive in myofibroblasts of reactive and malignant lesions; does not separate.", ("memory",)),
    "other": ("Read with the limits of the test; a negative result alone excludes nothing.", ("practice",)),
}
"""What each ancillary test can not say, with source keys."""

ANY_MINERAL = "Any mineral"
"""The feature that is answered by whether there is mineral, whatever else is said of it."""

DESCRIBED: dict[str, tuple[tuple[str, ...], str, str, str, tuple[str, ...]]] = {
    "Where mineral lies": (
        ("zoning.",),
        "bone outside, cellular centre on histology; zoning on CT in weeks 5 to 8 (one textbook)",
        "amorphous in 18 of 26 mineralised lesions (one series, 54 patients, two centres)",
        "dense at its base and centre, less dense at the margin (teaching page, no count)",
        ("Ackerman58", "BennettElKhoury13", "Crombe23", "RadReview"),
    ),
    ANY_MINERAL: (
        ("zoning.", "course.mass."),
        "none in 7 of 7 early lesions (one series)",
        "none in 16 of 42, 14 of 19 and 4 of 11 (three series)",
        "nearly always there (from memory)",
        ("WangH18", "Crombe23", "ESOS18", "WangX24"),
    ),
    "Cortex": (
        ("relation.",),
        "CT showed a lucent line to bone or mineral at the periphery in 4 of 6 (one series)",
        "not attached to bone, by definition",
        "attached; a cleavage plane nevertheless in 39 of 60 (one series, 32 low-grade and 28 high-grade)",
        ("MOC07", "Jelinek96"),
    ),
    "Course of size": (
        ("late.", "course.volume."),
        "fast in the first weeks (one series, no count at hand), smaller by 5 to 6 months (one textbook)",
        "grows steadily (from memory)",
        "slow growth over years (review, no count)",
        ("Zeanah82", "CambMurray", "Hang14"),
    ),
    "Soft tissue beyond the mineral": (
        ("beyond.",),
        "thin or none once the shell is complete (from memory)",
        "a large soft mass, with necrosis in 39 of 40 (one series, 54 patients, two centres)",
        "a separate soft mass in 25 of 28 high-grade and 2 of 32 low-grade (one series)",
        ("Crombe23", "Jelinek96"),
    ),
    "Muscle around": (
        ("muscle.",),
        "oedema in 7 of 7 early lesions, seen on MRI (one series)",
        "moderate oedema in 83 % (one series, 54 patients, two centres)",
        "little oedema (from memory)",
        ("WangH18", "Crombe23"),
    ),
}
"""Feature: keys of the findings that measure it, what is published of three kinds of lesion, and source keys."""

CONCORDANCE: dict[str, str] = {
    "concordant-benign": "concordant, histology benign",
    "concordant-malignant": "concordant, histology malignant",
    "discordant-benign": "discordant: histology benign, imaging not accounted for",
    "discordant-malignant": "discordant: histology malignant, imaging not accounted for",
    "indeterminate": "indeterminate",
    "open": "not all boxes are ticked",
}

CONCORDANCE_REASONS: dict[str, str] = {
    "sampling": "zone not representative ({answer})",
    "timing": "too early",
    "comparable": "imaging technically not comparable",
    "histology": "histology undetermined",
    "accounts": "imaging accounted for only in part",
    "open": "not ticked: {names}",
}

CONCORDANCE_OPTIONS: dict[str, tuple[str, ...]] = {
    "concordant-benign": (
        "agree on follow-up and its interval",
        "note what would reopen the question, such as growth on a later scan",
    ),
    "concordant-malignant": (
        "present at the sarcoma conference",
        "review by a second pathologist at a sarcoma centre",
    ),
    "discordant-benign": (
        "present at conference",
        "review by a second pathologist at a sarcoma centre",
        "repeat biopsy through the outer zone, or from a soft part distinct from the mineral",
        "magnetic resonance imaging for marrow and oedema",
    ),
    "discordant-malignant": (
        "present at the sarcoma conference before treatment is planned",
        "review by a second pathologist at a sarcoma centre",
        "repeat biopsy, oriented and through the outer zone",
        "take a sample of the central zone alone for what it is: one boy was given five cycles of chemotherapy on one, "
        "and the excised lesion showed zones",
    ),
    "indeterminate": (
        "repeat biopsy, oriented and through the outer zone, where the zone was not representative",
        "repeat CT after about 4 to 6 weeks, where it was too early (from memory)",
        "repeat CT made alike, where scans were not comparable",
        "review by a second pathologist at a sarcoma centre",
        "present at conference",
    ),
    "open": ("tick the remaining boxes",),
}
"""Options for the team, none of them advice for one patient (sources: IJP20, Jelinek96, Sarcoma22, UKSTS24, Youk11)."""

TOPICS: dict[str, str] = {
    "relation": "Soft tissue or bone",
    "zoning": "Zoning",
    "zoning-course": "Zoning over time",
    "rim": "Shell",
    "course.mass": "Mineral mass over time",
    "course.volume": "Lesion volume over time",
    "together": "Growth or densifying",
    "fitted": "Fitted course",
    "centre": "Centre",
    "muscle": "Muscle around",
    "late": "Growth after three months",
    "beyond": "Soft tissue beyond the mineral",
    "maturity": "Maturity, in working words",
    "compare": "What can be compared",
    "withheld": "Withheld",
}
"""Headings, in reading order."""
