"""Every sentence of the correlation, in one table, so that it can be reviewed and translated.

Reviewed for over-claiming: sentences state what was measured, in which scan, with its interval, and what it can
not mean. None names a disease as present or absent, gives a score, or says what to do; options are for the team.
Published frequencies appear only for exactly what they were published for, with their numerator and denominator.
"""

from __future__ import annotations

SENTENCES: dict[str, str] = {
    # -- shared
    "not-assessed": "Not assessed in {scans}, because {why}.",
    "not-outlined": "the lesion was not outlined there",
    "not-measured": "{quantity} was not measured there",
    "with-caution": " With caution: {why}.",
    "with-caution-for": " With caution for {scans}: {why}.",
    "solid": "mineral fills the core too, so the outline may follow a mineral nodule inside a larger soft mass; look "
    "at the pictures",
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
    "60 parosteal osteosarcomas (65 %, 95 % interval 52-76). No accuracy study of the cleft or of contact on CT was "
    "found. Contact on CT is a distance below the resolution of the scan, not an attachment seen in tissue.",
    # -- zoning
    "zoning.none": "In {scan} no mineral was measured beyond doubt ({mass}), so there is no zoning to describe.",
    "zoning.none.limits": "No rim is a valid result and separates nothing: 7 of 7 early lesions of one myositis "
    "ossificans series held no mineral, and 16 of 42 extraskeletal osteosarcomas with CT held none.",
    "zoning.periphery": "In {scan} mineral is denser at the periphery than in the centre: zonal contrast "
    "{contrast}{difference}. Density falls inward from the outline.",
    "zoning.reversed": "In {scan} mineral is denser in the centre than at the periphery (reversed zoning): zonal "
    "contrast {contrast}{difference}. Density falls outward from the centre.",
    "zoning.centre": "In {scan} practically all mineral lies in the centre: zonal contrast {contrast}{difference}. "
    "Density falls outward from the centre.",
    "zoning.even": "In {scan} no zoning is measurable: zonal contrast {contrast}{difference}; the interval includes "
    "zero.",
    "zoning.difference": "; rim minus core {difference} at 120 kVp",
    "zoning.disagree": " The two measures of zoning point in opposite directions; look at the profile.",
    "zoning.limits": "Zoning on CT is a pattern of density, not of tissue. A lucent centre alone separates nothing: "
    "lucent areas inside parosteal osteosarcoma were benign tissue, low-grade or high-grade tumour and CT could not "
    "tell. No accuracy study of zoning on CT was found.",
    "zoning-course.outward": "From {first} to {last} the rim gained density over the core: {change}.",
    "zoning-course.inward": "From {first} to {last} the core gained density over the rim: {change}. In mature "
    "lesions the lucent centre may be lost, so that this difference can fall late; that alone is not reversed zoning.",
    "zoning-course.flip": "The direction of zoning turned: {first_state} in {first}, {last_state} in {last}.",
    "zoning-course.steady": "From {first} to {last} the difference between rim and core did not change beyond the "
    "doubt of the measurement: {change}.",
    "zoning-course.unsettled": "Whether the difference between rim and core changed from {first} to {last} is not "
    "settled: {change}{because}.",
    "zoning-course.limits": "Both sides are at 120 kVp equivalent; blur, kernel and slice thickness act most on a "
    "thin rim.",
    # -- rim
    "rim.none": "In {scan} there is no rim of mineral: {completeness} of the outline reaches 150 HU at 120 "
    "kVp{unresolved}.",
    "rim.part": "In {scan} the rim is in part: mineral over {completeness} of the outline{unresolved}{gap}.",
    "rim.most": "In {scan} the rim is incomplete: mineral over {completeness} of the outline{unresolved}{gap}.",
    "rim.complete": "In {scan} the rim runs all round as far as can be resolved: mineral over {completeness} of the "
    "outline{unresolved}{gap}.",
    "rim.open": "In {scan} it is not settled how complete the rim is: mineral over {completeness} of the "
    "outline{unresolved}{gap}.",
    "rim.solid": "In {scan} there is no rim apart from the core: mineral fills the core and reaches {completeness} "
    "of the outline{unresolved}{gap}.",
    "rim.unresolved": "; {unresolved} is unresolved (a thin rim could hide in the blur there; this is not a gap)",
    "rim.gap": "; the largest gap is {gap} of the outline and faces {direction}",
    "rim.gap-nowhere": "; the largest gap is {gap} of the outline",
    "rim.limits": "The words (none below 5 %, all round from 95 %) are working words; no published limit for a "
    "complete rim was found. A cortex below one millimetre increasingly fails to be detected by a threshold.",
    # -- course
    "course.rose": "{what} rose from {a} in {first} to {b} in {last}: {change}.",
    "course.fell": "{what} fell from {a} in {first} to {b} in {last}: {change}.",
    "course.same": "{what} did not change beyond the doubt of the measurement from {a} in {first} to {b} in {last}: "
    "{change}.",
    "course.unsettled": "Whether {what} changed is not settled: {a} in {first}, {b} in {last}: {change}{because}.",
    "course.steps": " Step by step: {list}.",
    "course.step": "scan {first} to {last} {word} ({change})",
    "course.step.rose": "a rise",
    "course.step.fell": "a fall",
    "course.step.same": "within the doubt of the measurement",
    "course.step.unsettled": "not settled",
    "course.limits": "Whether a change is real is judged by the interval and by repeatability limits borrowed from "
    "tumour volumetry; none were published for this kind of lesion.",
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
    "lesion does not measurably change. Densifying is not growth.",
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
    "densifies and with slice thickness, so it is not counted as growth.",
    "together.limits": "Lesion volume and mineral mass are judged apart. Fast growth in the first weeks was more "
    "usual in myositis ossificans than in sarcoma in one series, so growth has to be read with the day.",
    # -- centre
    "centre.mainly": "In {scan} the core is mainly {kind}: {list}; mean {mean}.",
    "centre.mixed": "In {scan} the core is mixed: {list}; mean {mean}.",
    "centre.mean-only": "In {scan} the mean attenuation of the core is {mean}; its composition was not assessed, "
    "because {why}.",
    "centre.fat": "of fat attenuation (-30 HU and below)",
    "centre.fluid": "of fluid attenuation (-10 to 20 HU)",
    "centre.soft": "of soft-tissue attenuation (20 to 80 HU)",
    "centre.haze": "hazy (80 to 150 HU)",
    "centre.mineral": "mineral (150 HU and above)",
    "centre.limits": "These are classes of attenuation, not tissues: cellular and myxoid tissue, blood and muscle "
    "overlap; contrast medium and blur from the rim raise the core. No published attenuation range for the centre "
    "was found; the limits are working bands.",
    # -- muscle around
    "muscle.lower": "In {scan} the muscle around the lesion is lower in attenuation than muscle elsewhere by "
    "{deficit}{extent}.",
    "muscle.same": "In {scan} the muscle around the lesion does not measurably differ from muscle elsewhere: "
    "{deficit}{extent}.",
    "muscle.higher": "In {scan} the muscle around the lesion is higher in attenuation than muscle elsewhere: "
    "difference {deficit} (negative: higher).",
    "muscle.extent": ", out to {extent} from the outline",
    "muscle.biopsy": "a biopsy was taken {days} days before this scan, and bleeding or swelling after it can make "
    "the same picture for about six weeks",
    "muscle.limits": "A CT proxy of oedema without published validation. Published ratios of oedema to lesion were "
    "measured on MRI and are not used here. Fatty muscle, contrast phase and bleeding change it too, and oedema was "
    "moderate in 83 % of extraskeletal osteosarcomas of one series.",
    # -- growth after three months
    "late.grew": "After about three months the lesion still grew: volume from {a} in {first} to {b} in {last}, "
    "{change}.",
    "late.not": "After about three months no growth was measured: volume from {a} in {first} to {b} in {last}, "
    "{change}.",
    "late.open": "Whether the lesion grew after about three months is not settled: volume from {a} in {first} to {b} "
    "in {last}, {change}{because}.",
    "late.partly": " The first of these scans lies before day 91, so part of this change may be earlier.",
    "late.first-scan": " Days count from the first scan; the onset was earlier, so the true time is longer.",
    "late.none": "no two scans with a measured volume reach beyond day 91",
    "late.limits": "Teaching, without a published limit: growth that goes on beyond about three months is unusual in "
    "myositis ossificans and calls for another look. It is one observation among others.",
    # -- soft tissue beyond the mineral
    "beyond.reversed": "In {scan} the lesion reaches beyond its mineral: the mineral lies towards the centre and "
    "fills {fraction} of the lesion, so that soft tissue lies outward of it.",
    "beyond.part": "In {scan} soft tissue reaches the outline without mineral in front of it over {open} of the "
    "outline{gap}.",
    "beyond.complete": "In {scan} the outline is mineral over {completeness} and unresolved over {unresolved}; no "
    "measurable part of the lesion reaches it uncovered.",
    "beyond.no-mineral": "In {scan} the lesion is soft tissue throughout: no mineral was measured beyond doubt.",
    "beyond.limits": "The outline follows the outer face of the mineral wherever there is one. A soft mass outside a "
    "mineralised stretch is not measured: look for it in the pictures. In parosteal osteosarcoma a separate soft "
    "mass was seen in 25 of 28 high-grade and 2 of 32 low-grade tumours, and was the advised site of biopsy.",
    # -- maturity
    "maturity.none": "Working description for {scan}: no mineral measured. {literature}{day}",
    "maturity.incomplete": "Working description for {scan}: an incomplete rim of mineral. {literature}{day}",
    "maturity.rim": "Working description for {scan}: a rim of mineral all round, centre not of fat attenuation. "
    "{literature}{day}",
    "maturity.fatty": "Working description for {scan}: a rim of mineral all round with fat attenuation in the "
    "centre. {literature}{day}",
    "maturity.literature.none": "The literature on myositis ossificans describes mineral on CT from 12 ± 5.3 days "
    "after swelling (8 hips) and, in textbooks, faint mineral at 2 to 6 weeks.",
    "maturity.literature.incomplete": "The literature on myositis ossificans describes an incomplete rim from about "
    "4 weeks and zoning at weeks 5 to 8.",
    "maturity.literature.rim": "The literature on myositis ossificans describes a well-defined rim with a lucent "
    "centre at about 2 months.",
    "maturity.literature.fatty": "The literature on myositis ossificans describes fat inside peripheral mineral 112 "
    "± 102 days after swelling (8 hips) and a smaller, organised lesion at 5 to 6 months.",
    "maturity.day": " This scan was made on day {day} from onset.",
    "maturity.no-onset": " Days here count from the first scan, the onset is not known; the ranges cannot be laid "
    "against them.",
    "maturity.not-peripheral": "the working descriptions are about mineral at the periphery, and here it is denser "
    "in the centre or evenly spread",
    "maturity.limits": "A description of the picture against the days that others reported for myositis ossificans. "
    "It does not say that this lesion is one, how active it is, or what should be done.",
    # -- comparability
    "compare.alike": "The scans were made alike as far as the files say (tube voltage, kernel, slice, contrast "
    "medium).",
    "compare.unlike": "Not all scans were made alike: {list}.",
    "compare.kvp": "tube voltage {values} (plain attenuation of calcium reads about 13 % higher at 100 than at 120 "
    "kVp; quantities at 120 kVp equivalent and the mass allow for it)",
    "compare.slice": "slice spacing {values} (volume over a threshold rose by 8 % in a phantom and 47 % in patients "
    "between 1 and 3 mm; the mass is less affected)",
    "compare.kernel": "kernel {values} (edges and thin rims read differently)",
    "compare.contrast": "contrast medium {values} (vessels and enhancing tissue can pass for mineral)",
    "compare.refused": "Not compared between {pair}: {quantities}, because {why}.",
    "withheld": "Not assessed in {scans}: {quantities}, because {why}.",
    "compare.steady": "Tissues that should stay the same moved from {first} to {last} by: {list}. A change of the "
    "lesion of this size could be the scanner.",
    "compare.alignment": "{scan} could not be laid on scan {reference} by the skeleton with confidence: {why}. "
    "Matched pictures and maps are withheld; measurements in the scan itself do not depend on it.",
    "compare.limits": "Fat, muscle and cortex of the same patient show the scanner, within their own doubt.",
    # -- expected tissue
    "tissue.limits": "What the literature describes for myositis ossificans, for comparison with the slides zone by "
    "zone. It is not a prediction for this lesion. The week limits are those usually quoted, from memory.",
    "tissue.no-onset": "Days here count from the first scan, so no scan is assigned to a stage.",
    "tissue.core": "{scan}: core {core}; fat {fat}, fluid {fluid}, soft {soft}, haze {haze}, mineral {mineral} of it",
    "tissue.rim": "{scan}: rim {rim}, mineral over {completeness} of the outline, thickness {thickness}",
    "tissue.middle": "{scan}: the middle zone has no quantity of its own; see the profile from outline to centre",
    "tissue.no-value": "not assessed, because {why}",
    # -- biopsy
    "biopsy.where": "Biopsy {number}, in {scan}: the {what} lies in the {zone}, {depth} below the outline, {u} of "
    "the way to the deepest point ({inradius} below the outline), {direction} of the lesion.",
    "biopsy.outside": "Biopsy {number}, in {scan}: the {what} lies outside the outline by {depth}, {direction} of "
    "the lesion.",
    "biopsy.centre-words": "near the middle",
    "biopsy.from-middle": "{words} of the middle",
    "biopsy.target": "target",
    "biopsy.point": "point",
    "biopsy.ball": " Mean attenuation within 2.5 mm of it: {hu} HU (spread {sd}).",
    "biopsy.no-ball": " Attenuation there not assessed, because {why}.",
    "biopsy.rim.present": " The rim is mineralised where the {place}.",
    "biopsy.rim.gap": " There is a gap in the rim where the {place}.",
    "biopsy.rim.edge of a gap": " The {place} at the edge of a gap in the rim.",
    "biopsy.rim.unresolved": " Whether there is rim where the {place} is not resolved by this scan.",
    "biopsy.rim.bone contact": " The lesion faces bone where the {place}.",
    "biopsy.rim.not assessed": " The rim there was not assessed, because {why}.",
    "biopsy.place.entry": "path enters",
    "biopsy.place.nearest": "point lies nearest to the outline",
    "biopsy.days.before": " The scan was made {days} days before the biopsy.",
    "biopsy.days.after": " The scan was made {days} days after the biopsy.",
    "biopsy.days.same": " Scan and biopsy were on the same day.",
    "biopsy.days.unknown": " The day of the biopsy was not given, so days between are not assessed.",
    "biopsy.path": " The path from entry to target runs {total} inside the outline: {list}.",
    "biopsy.path.miss": " The path from entry to target does not meet the outline.",
    "biopsy.share": " By volume the lesion is {list}.",
    "biopsy.carried": "In {scan} (carried by the alignment on the skeleton, position within {error} at 95 %): "
    "{zone}, {depth} below the outline, {u} of the way to the deepest point.",
    "biopsy.carried.outside": "In {scan} (carried by the alignment on the skeleton, position within {error} at 95 "
    "%): outside the outline by {depth}.",
    "biopsy.carried.withheld": "In {scan}: not assessed, because {why}.",
    "biopsy.no-outline": "the lesion was not outlined there",
    "biopsy.no-outline-at-site": "Biopsy {number}, in {scan}: zone and depth not assessed, because {why}.",
    "biopsy.no-alignment": "no alignment is available for it",
    "biopsy.bad-alignment": "the alignment is not trusted ({why})",
    "biopsy.no-scan": "Biopsy {number}: not assessed, because the case has no scan {scan}.",
    "biopsy.only.core": "Only the centre was reached. Centre-only samples of myositis ossificans are cellular and "
    "mitotically active and have been read as sarcoma; zoning cannot be seen in them.",
    "biopsy.only.rim": "Only the rim was reached. Rim-only samples hold bone without its context and have been read "
    "as osteoma or parosteal tumour; zoning cannot be seen in them.",
    "biopsy.only.middle": "Only the middle zone was reached; zoning cannot be seen in it.",
    "biopsy.if-target-only.core": "If tissue was kept from the target only, as through a guiding needle, only the "
    "centre was sampled: such samples of myositis ossificans are cellular and mitotically active and have been read "
    "as sarcoma, and zoning cannot be seen in them.",
    "biopsy.if-target-only.rim": "If tissue was kept from the target only, as through a guiding needle, only the rim "
    "was sampled: such samples hold bone without its context, and zoning cannot be seen in them.",
    "biopsy.none-reached": "No part of the lesion was reached as far as the given position says.",
    "biopsy.doubt": "The position is uncertain by {error}, more than the distance to the next zone: the zone may be "
    "{other}.",
    "biopsy.point-only": "A single point was given, not a path: tissue on the way to it may also be in the core.",
    "biopsy.limits": "Positions are as given in the case file. The path shows what the needle crossed, not what the "
    "core holds. Carried positions follow bone; muscle and lesion may have moved, and the lesion may have grown or "
    "shrunk, in between.",
    "biopsy.track.gas": "gas is seen along the path over {length}",
    "biopsy.track.speck": "gas lies near the path over {length} only, too little for a track",
    "biopsy.track.gap": "a gap in the rim is seen where the path enters that was mineralised before the biopsy",
    "biopsy.track.nothing": "no track was found: no gas along the path and no new gap in the rim where it enters",
    "biopsy.track.nothing-gas": "no track was found: no gas along the path; the rim before and after could not be "
    "compared",
    "biopsy.track.before": "the scan was made before the biopsy",
    "biopsy.track.no-path": "a track was not looked for, because only a point was given",
    "biopsy.track.no-day": "a track was not looked for, because the day of the biopsy was not given",
    "biopsy.track.not-placed": "a track was not looked for, because the path could not be placed in this scan",
    "biopsy.track.sentence": " Track: {track}.",
}
