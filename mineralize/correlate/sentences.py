"""Every sentence of the correlation, in one table, so that it can be reviewed and translated.

Reviewed for over-claiming: sentences state what was measured, in which scan, with its interval, and what it can
not mean. None names a disease as present or absent, gives a score, or says what to do; options are for the team.
Published frequencies appear only for exactly what they were published for, with their numerator and denominator.
"""

from __future__ import annotations

SENTENCES: dict[str, str] = {
    # -- shared
    "not-assessed": "{topic}: not assessed in {scans}, because {why}.",
    "not-outlined": "the lesion was not outlined there",
    "not-measured": "{quantity} was not measured there",
    "with-caution": " With caution: {why}.",
    "with-caution-for": " With caution for {scans}: {why}.",
    "solid": "mineral fills the central zone too, so the outline may follow a mineral nodule inside a larger soft "
    "mass; look at the pictures",
    # -- relation to bone
    "relation.soft-tissue": "In {scan} the lesion lies in soft tissue: the least distance to the cortex of the "
    "nearest bone is {gap}, and no contact was found.",
    "relation.beside": "In {scan} the lesion lies beside the cortex: the least distance is {gap} and no contact "
    "without a darker line was found{cleft}.",
    "relation.contact": "In {scan} the lesion is attached to the cortex as far as CT shows: contact without a darker "
    "line over {area}, as much as a disc {disc} across ({share} of the longest diameter){cleft}.",
    "relation.unsettled": "In {scan} it is not settled whether the lesion touches the cortex: least distance {gap}, "
    "contact {area}{cleft}.",
    "relation.cleft": "; a lucent cleft is seen over {cleft} of the surface that faces the cortex within 5 mm",
    "relation.limits": "A cleft by itself says nothing about the kind of lesion: a cleavage plane was seen in 39 of "
    "60 parosteal osteosarcomas of one series (65 %, 95 % interval 52 to 76; 32 low-grade, 28 high-grade). No "
    "accuracy study of the cleft or of contact on CT was found. Contact on CT is a distance below the resolution of "
    "the scan, not an attachment seen in tissue.",
    # -- zoning
    "zoning.none": "In {scan} no mineral was measured beyond doubt ({mass}), so there is no zoning to describe.",
    "zoning.none.limits": "No mineral is a result and separates nothing: 7 of 7 early lesions of one myositis "
    "ossificans series held none, and neither did 16 of 42 extraskeletal osteosarcomas with CT of another (54 "
    "patients, two centres).",
    "zoning.periphery": "In {scan} mineral is denser at the periphery than in the centre: zonal contrast "
    "{contrast}{difference}. Density falls inward from the outline.",
    "zoning.reversed": "In {scan} mineral is denser in the centre than at the periphery (reversed zoning): zonal "
    "contrast {contrast}{difference}. Density falls outward from the centre.",
    "zoning.centre": "In {scan} practically all mineral lies in the centre: zonal contrast {contrast}{difference}. "
    "Density falls outward from the centre.",
    "zoning.even": "In {scan} no zoning is measurable: zonal contrast {contrast}{difference}; the interval includes "
    "zero.",
    "zoning.difference": "; outer minus central zone {difference} at 120 kVp",
    "zoning.disagree": " The two measures of zoning point in opposite directions; look at the profile.",
    "zoning.limits": "Zoning on CT is a pattern of density, not of tissue. A lucent centre alone separates nothing: "
    "lucent areas inside parosteal osteosarcoma (12 patients) were benign tissue, low-grade or high-grade tumour and "
    "CT could not tell. No accuracy study of zoning on CT was found.",
    "zoning-course.outward": "From {first} to {last} the outer zone gained density over the central zone: {change}.",
    "zoning-course.inward": "From {first} to {last} the central zone gained density over the outer zone: {change}. In "
    "mature lesions the lucent centre may be lost (teaching, from memory), so that this difference can fall late; "
    "that alone is not reversed zoning.",
    "zoning-course.flip": "The direction of zoning turned: {first_state} in {first}, {last_state} in {last}.",
    "zoning-course.steady": "From {first} to {last} the difference between outer and central zone did not change "
    "beyond the doubt of the measurement: {change}.",
    "zoning-course.unsettled": "Whether the difference between outer and central zone changed from {first} to {last} "
    "is not settled: {change}{because}.",
    "zoning-course.limits": "Both sides are at 120 kVp equivalent; blur, kernel and slice thickness act most on a "
    "thin shell.",
    # -- shell
    "rim.none": "In {scan} there is no shell of mineral: {completeness} of the outline reaches 150 HU at 120 "
    "kVp{unresolved}.",
    "rim.part": "In {scan} there is part of a shell: mineral over {completeness} of the outline{unresolved}{gap}.",
    "rim.most": "In {scan} the shell is incomplete: mineral over {completeness} of the outline{unresolved}{gap}.",
    "rim.complete": "In {scan} the shell runs all round as far as can be resolved: mineral over {completeness} of the "
    "outline{unresolved}{gap}.",
    "rim.open": "In {scan} it is not settled how complete the shell is: mineral over {completeness} of the "
    "outline{unresolved}{gap}.",
    "rim.solid": "In {scan} there is no shell apart from the centre: mineral fills the central zone and reaches "
    "{completeness} of the outline{unresolved}{gap}.",
    "rim.unresolved": "; {unresolved} is unresolved (a thin shell could hide in the blur there; this is not a gap)",
    "rim.gap": "; the largest gap is {gap} of the outline and faces {direction}",
    "rim.gap-nowhere": "; the largest gap is {gap} of the outline",
    "rim.limits": "The words (none below 5 %, all round from 95 %) are working words; no published limit for a "
    "complete shell was found. A cortex below one millimetre increasingly fails to be detected by a threshold.",
    # -- course
    "course.rose": "{what} rose from {a} in {first} to {b} in {last}: {change}.",
    "course.fell": "{what} fell from {a} in {first} to {b} in {last}: {change}.",
    "course.same": "{what} did not change beyond the doubt of the measurement from {a} in {first} to {b} in {last}: "
    "{change}.",
    "course.within-rose": "{what} measured more in {last} ({b}) than in {first} ({a}), but by no more than repeating a "
    "scan may show: {change}.",
    "course.within-fell": "{what} measured less in {last} ({b}) than in {first} ({a}), but by no more than repeating a "
    "scan may show: {change}.",
    "course.unsettled": "Whether {what} changed is not settled: {a} in {first}, {b} in {last}: {change}{because}.",
    "course.steps": " Step by step: {list}.",
    "course.step": "scan {first} to {last} {word} ({change})",
    "course.step.rose": "a rise",
    "course.step.fell": "a fall",
    "course.step.same": "within the doubt of the measurement",
    "course.step.within": "within what repeating a scan may show",
    "course.step.unsettled": "not settled",
    "course.limits": "Whether a change is real is judged by the interval and by limits of repeatability. None were "
    "published for this kind of lesion: those of volume and diameter are borrowed from tumour volumetry, in part from "
    "memory, and most others are our own judgement.",
    "fitted.curve": "{what} follows a {model} from {first} to {last}: {parameters}.",
    "fitted.none": "No curve is fitted to {what}: {why}.",
    "fitted.part": "{name} {value} ({low} to {high})",
    "fitted.part.half_rise_day": "half of its plateau on day",
    "fitted.part.plateau": "plateau",
    "fitted.part.rate_per_day": "rate per day",
    "fitted.part.excess_at_first_scan": "share above the plateau at the first scan",
    "fitted.part.decay_half_life_days": "half of that gone every (days)",
    "fitted.part.none": "{name}: not given, {why}",
    "fitted.model.logistic": "logistic rise",
    "fitted.model.gompertz": "Gompertz rise",
    "fitted.model.decay": "fall to a plateau",
    "fitted.model.rise then decay": "rise and then a fall",
    "fitted.limits": "A curve through a few scans, chosen among simple ones by AICc; 95 % profile intervals. It holds "
    "between the first and the last scan and foretells nothing.",
    "course.no-change": "no comparison of {quantity} between scans is available",
    "course.one-scan": "there is only one scan with a measured lesion",
    "together.densifying": "From {first} to {last} the lesion densifies: mineral mass rises and the volume of the "
    "lesion does not change by more than repeating a scan may show. Densifying is not growth.",
    "together.densifying-shrinking": "From {first} to {last} the lesion densifies and shrinks: mineral mass rises "
    "while the volume of the lesion falls.",
    "together.growing-mineral": "From {first} to {last} both the volume of the lesion and its mineral mass rise: it "
    "grows and gains mineral.",
    "together.growing": "From {first} to {last} the lesion grows: its volume rises without a measurable gain of "
    "mineral mass.",
    "together.shrinking": "From {first} to {last} the lesion shrinks: its volume falls without a gain of mineral mass.",
    "together.steady": "From {first} to {last} neither the volume of the lesion nor its mineral mass changes beyond "
    "the doubt of the measurement: steady.",
    "together.losing": "From {first} to {last} the lesion loses mineral mass; its volume does not measurably rise.",
    "together.unsettled": "From {first} to {last} growth and densifying cannot be told apart; not settled: {which}.",
    "together.steps": " Step by step: {list}.",
    "together.step": "scan {first} to {last} {word}",
    "together.step.densifying": "densifies",
    "together.step.densifying-shrinking": "densifies and shrinks",
    "together.step.growing-mineral": "grows and gains mineral",
    "together.step.growing": "grows",
    "together.step.shrinking": "shrinks",
    "together.step.steady": "steady",
    "together.step.losing": "loses mineral",
    "together.step.unsettled": "not settled",
    "together.threshold": " The mineral volume over the threshold changed by {change}; it rises when a shell only "
    "densifies, and with slice thickness, so it is not counted as growth.",
    "together.limits": "Lesion volume and mineral mass are judged apart. Fast growth in the first weeks was more "
    "usual in myositis ossificans than in sarcoma in one series (its numbers are not at hand), so growth has to be "
    "read with the day.",
    # -- centre
    "centre.mainly": "In {scan} the central zone is mainly {kind}: {list}; mean {mean}.",
    "centre.mixed": "In {scan} the central zone is mixed: {list}; mean {mean}.",
    "centre.mean-only": "In {scan} the mean attenuation of the central zone is {mean}; its composition was not "
    "assessed, because {why}.",
    "centre.between": "In {scan} the central zone lies between the classes of attenuation that are told apart (most of "
    "it from −30 to −10 HU, or too near the shell): mean {mean}.",
    "centre.fat": "of fat attenuation (−30 HU and below)",
    "centre.fluid": "of fluid attenuation (−10 to 20 HU)",
    "centre.soft": "of soft-tissue attenuation (20 to 80 HU)",
    "centre.haze": "hazy (80 to 150 HU)",
    "centre.mineral": "mineral (150 HU and above)",
    "centre.limits": "These are classes of attenuation, not tissues: cellular and myxoid tissue, blood and muscle "
    "overlap; contrast medium and blur from the shell raise it. No published attenuation range for the centre was "
    "found; the limits are working bands.",
    # -- muscle around
    "muscle.lower": "In {scan} the muscle around the lesion is lower in attenuation than muscle elsewhere by "
    "{deficit}{extent}.",
    "muscle.same": "In {scan} the muscle around the lesion does not measurably differ from muscle elsewhere: "
    "{deficit}{extent}.",
    "muscle.higher": "In {scan} the muscle around the lesion is higher in attenuation than muscle elsewhere: "
    "difference {deficit} (negative: higher).",
    "muscle.extent": ", out to {extent} from the outline",
    "muscle.biopsy": "a biopsy was taken {days} days before this scan, and bleeding or swelling after it can make the "
    "same picture for about six weeks (from memory)",
    "muscle.limits": "A CT proxy of oedema without published validation. Published ratios of oedema to lesion were "
    "measured on MRI and are not used here. Fatty muscle, contrast phase and bleeding change it too, and oedema was "
    "moderate in 83 % of extraskeletal osteosarcomas of one series (54 patients, two centres).",
    # -- growth after three months
    "late.grew": "After about three months the lesion still grew: volume from {a} in {first} to {b} in {last}, "
    "{change}.",
    "late.not": "After about three months no growth was measured: volume from {a} in {first} to {b} in {last}, "
    "{change}.",
    "late.within": "After about three months the lesion measured larger, but by no more than repeating a scan may "
    "show: volume from {a} in {first} to {b} in {last}, {change}.",
    "late.open": "Whether the lesion grew after about three months is not settled: volume from {a} in {first} to {b} "
    "in {last}, {change}{because}.",
    "late.partly": " The first of these scans lies before day 91, so part of this change may be earlier.",
    "late.first-scan": " Days count from the first scan; the onset was earlier, so the true time is longer.",
    "late.none": "no two scans with a measured volume reach beyond day 91",
    "late.limits": "Teaching, from memory and without a published limit: growth that goes on beyond about three "
    "months is unusual in myositis ossificans and calls for another look. It is one observation among others.",
    # -- soft tissue beyond the mineral
    "beyond.reversed": "In {scan} the lesion reaches beyond its mineral: the mineral lies towards the centre and "
    "fills {fraction} of the lesion, so that soft tissue lies outward of it.",
    "beyond.part": "In {scan} soft tissue reaches the outline without mineral in front of it over {open} of the "
    "outline{gap}.",
    "beyond.open": "In {scan} it is not settled whether soft tissue reaches the outline without mineral in front of "
    "it: no mineral was seen over {open} of the outline{gap}.",
    "beyond.complete": "In {scan} the outline is mineral over {completeness} and unresolved over {unresolved}; no "
    "measurable part of the lesion reaches it uncovered.",
    "beyond.no-mineral": "In {scan} the lesion is soft tissue throughout: no mineral was measured beyond doubt.",
    "beyond.limits": "The outline follows the outer face of the mineral wherever there is one. A soft mass outside a "
    "mineralised stretch is not measured: look for it in the pictures. In parosteal osteosarcoma a separate soft mass "
    "was seen in 25 of 28 high-grade and 2 of 32 low-grade tumours of one series, and was the advised site of biopsy.",
    # -- maturity
    "maturity.none": "Working description for {scan}: no mineral measured. {literature}{day}",
    "maturity.incomplete": "Working description for {scan}: an incomplete shell of mineral. {literature}{day}",
    "maturity.shell": "Working description for {scan}: a shell of mineral all round, centre not of fat attenuation. "
    "{literature}{day}",
    "maturity.fatty": "Working description for {scan}: a shell of mineral all round with fat attenuation in the "
    "centre. {literature}{day}",
    "maturity.literature.none": "The literature on myositis ossificans describes mineral on CT 12 ± 5.3 days after "
    "swelling (8 hips of 6 patients, not traumatic but neurological) and, in a textbook, faint mineral at 2 to 6 "
    "weeks.",
    "maturity.literature.incomplete": "The literature on myositis ossificans describes an incomplete shell at 4 weeks "
    "(one case) and, in a textbook, zoning at weeks 5 to 8.",
    "maturity.literature.shell": "The literature on myositis ossificans describes a well-defined peripheral cortex "
    "with a lucent centre at about 2 months (two teaching cases).",
    "maturity.literature.fatty": "The literature on myositis ossificans describes fat inside peripheral mineral 112 ± "
    "102 days after swelling (8 hips of 6 patients, not traumatic but neurological) and, in a textbook, a smaller, "
    "organised lesion at 5 to 6 months.",
    "maturity.departs": " The lesion departs from that picture: it is {which}.",
    "maturity.day": " This scan was made on day {day} from onset.",
    "maturity.no-onset": " Days here count from the first scan, the onset is not known; the ranges cannot be laid "
    "against them.",
    "maturity.not-peripheral": "the working descriptions are about mineral at the periphery, and here it is denser in "
    "the centre or evenly spread",
    "maturity.limits": "A description of the picture against the days that others reported for myositis ossificans. "
    "It does not say that this lesion is one, how active it is, or what should be done.",
    # -- comparability
    "compare.alike": "The scans were made alike as far as the files say (tube voltage, kernel, slice, contrast "
    "medium).",
    "compare.unlike": "Not all scans were made alike: {list}.",
    "compare.kvp": "tube voltage {values} (mineral reads higher at lower voltage; mass and quantities at 120 kVp "
    "allow for it)",
    "compare.slice": "slice spacing {values} (from 1 to 3 mm, volume over a threshold and mass of coronary calcium "
    "rose by 8 and 12.5 % in a phantom and by 47 % both in patients, whose number is not at hand)",
    "compare.kernel": "kernel {values} (edges and thin shells read differently)",
    "compare.contrast": "contrast medium {values} (vessels and enhancing tissue can pass for mineral)",
    "compare.agent": "as far as muscle shows, {words}; no file says so (vessels and enhancing tissue can pass "
    "for mineral)",
    "compare.field": "field of view {values} (it sets how finely a thin shell is resolved)",
    "compare.pixel": "pixels {values} (larger ones blur a thin shell)",
    "compare.maker": "scanner maker {values} (soft tissue may read differently)",
    "compare.refused": "Not compared between {pair}: {quantities}, because {why}.",
    "withheld": "Not assessed in {scans}: {quantities}, because {why}.",
    "compare.steady": "Tissues that should stay the same moved from {first} to {last} by: {list}. A change of the "
    "lesion of this size could be the scanner.{voltages}",
    "compare.voltages": " The tube voltages differ, so cortex and fat are expected to read differently; mass and "
    "quantities at 120 kVp allow for it.",
    "compare.alignment": "{scan} could not be laid on scan {reference} by the skeleton with confidence: {why}. "
    "Matched pictures and maps are withheld; measurements in the scan itself do not depend on it.",
    "compare.limits": "Fat, muscle and cortex of the same patient show the scanner, within their own doubt.",
}
