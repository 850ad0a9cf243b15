"""Sentences about tissue: where a needle went, what is expected in a zone, and what is published of other lesions."""

from __future__ import annotations

TISSUE_SENTENCES: dict[str, str] = {
    # -- which published picture the lesion is like
    "picture.reversed": "denser in the centre than at the periphery",
    "picture.even": "mineralised without a denser periphery",
    "picture.attached": "attached to the cortex as far as CT shows",
    "picture.growing": "still growing after about three months",
    "described.not-assessed": "not assessed",
    "described.mineral": "there is mineral",
    "described.no-mineral": "none measured beyond doubt",
    # -- expected tissue
    "tissue.limits": "What the literature describes for myositis ossificans, for comparison with the slides zone by "
    "zone. It is not a prediction for this lesion. A scan is laid beside a stage by what was measured in it, not by "
    "its day; the weeks are those usually quoted, from memory.",
    "tissue.departs": "The lesion departs from that picture: it is {which}. No scan is laid beside a stage.",
    "tissue.core": "{scan}: central zone {core}; fat {fat}, fluid {fluid}, soft {soft}, haze {haze}, mineral "
    "{mineral} of it",
    "tissue.rim": "{scan}: outer zone {rim}, shell over {completeness} of the outline, thickness {thickness}",
    "tissue.middle": "the intermediate zone has no quantity of its own; see the profile from outline to centre",
    "tissue.no-value": "not assessed, because {why}",
    # -- biopsy
    "biopsy.where": "Biopsy {number}, in {scan}: the {what} lies in the {zone}, {depth} below the outline, {u} of the "
    "way to the deepest point ({inradius} below the outline), {direction} of the lesion.",
    "biopsy.outside": "Biopsy {number}, in {scan}: the {what} lies outside the outline by {depth}, {direction} of the "
    "lesion.",
    "biopsy.centre-words": "near the centre",
    "biopsy.from-middle": "{words} of the centre",
    "biopsy.target": "target",
    "biopsy.point": "point",
    "biopsy.ball": " Mean attenuation within 2.5 mm of it: {hu} (spread {sd}).",
    "biopsy.no-ball": " Attenuation there not assessed, because {why}.",
    "biopsy.rim.present": " There is shell where the {place}.",
    "biopsy.rim.gap": " There is a gap in the shell where the {place}.",
    "biopsy.rim.no shell": " There is no shell of mineral in this scan.",
    "biopsy.rim.edge of a gap": " The {place} at the edge of a gap in the shell.",
    "biopsy.rim.unresolved": " Whether there is shell where the {place} is not resolved by this scan.",
    "biopsy.rim.bone contact": " The lesion faces bone where the {place}.",
    "biopsy.rim.not assessed": " The shell there was not assessed, because {why}.",
    "biopsy.place.entry": "path enters",
    "biopsy.place.nearest": "point lies nearest to the outline",
    "biopsy.days.before": " The scan was made {days} days before the biopsy.",
    "biopsy.days.after": " The scan was made {days} days after the biopsy.",
    "biopsy.days.same": " Scan and biopsy were on the same day.",
    "biopsy.days.unknown": " The day of the biopsy was not given, so days between are not assessed.",
    "biopsy.path": " The path from entry to target runs {total} inside the outline: {list}.",
    "biopsy.path.miss": " The path from entry to target does not meet the outline.",
    "biopsy.share": " By volume the lesion is {list}.",
    "biopsy.carried": "In {scan} (carried by the alignment on the skeleton, within {error} at 95 % as far as bone "
    "tells; muscle may have moved more): {zone}, {depth} below the outline, {u} of the way to the deepest point.",
    "biopsy.carried.outside": "In {scan} (carried by the alignment on the skeleton, within {error} at 95 % as far as "
    "bone tells; muscle may have moved more): outside the outline by {depth}.",
    "biopsy.carried.caution": "the site lies in soft tissue and is carried by bone; muscle and lesion may have moved",
    "biopsy.carried.withheld": "In {scan}: not assessed, because {why}.",
    "biopsy.no-outline": "the lesion was not outlined there",
    "biopsy.no-outline-at-site": "Biopsy {number}, in {scan}: zone and depth not assessed, because {why}.",
    "biopsy.no-alignment": "no alignment is available for it",
    "biopsy.bad-alignment": "the alignment is not trusted ({why})",
    "biopsy.no-scan": "Biopsy {number}: not assessed, because the case has no scan {scan}.",
    "biopsy.only.core": "Only the central zone was reached; zoning cannot be seen in a sample of one zone.",
    "biopsy.only.rim": "Only the outer zone was reached; zoning cannot be seen in a sample of one zone.",
    "biopsy.only.middle": "Only the intermediate zone was reached; zoning cannot be seen in a sample of one zone.",
    "biopsy.if-target-only.core": "If tissue was kept from the target only, as through a guiding needle, only the "
    "central zone was sampled; zoning cannot be seen in a sample of one zone.",
    "biopsy.if-target-only.rim": "If tissue was kept from the target only, as through a guiding needle, only the "
    "outer zone was sampled; zoning cannot be seen in a sample of one zone.",
    "biopsy.if-target-only.middle": "If tissue was kept from the target only, as through a guiding needle, only the "
    "intermediate zone was sampled; zoning cannot be seen in a sample of one zone.",
    "biopsy.in-mineral": "The target lies in mineral ({hu}).",
    # what such a sample means beside this picture, and not beside another
    "biopsy.like.core": "Mineral here is denser at the periphery. The centre of such lesions is described as cellular "
    "and mitotically active, by itself not to be told from sarcoma; of 27 reviewed lesions of the myositis ossificans "
    "family 3 had been referred as osteosarcoma and 7 with a question of sarcoma. That does not exclude a malignant "
    "tumour here.",
    "biopsy.like.rim": "Mineral here is denser at the periphery. The outer zone of such lesions holds mature bone "
    "without its context and has been read as osteoma or parosteal tumour.",
    "biopsy.like.middle": "Mineral here is denser at the periphery. The intermediate zone of such lesions is "
    "described as oriented osteoid and immature bone.",
    "biopsy.departs": "The picture here is not the one described of myositis ossificans: the lesion is {which}. "
    "Reports of one-zone samples of myositis ossificans read as sarcoma do not account for an atypical sample here.",
    "biopsy.departs.mineral": "Mineral without a peripheral shell is described too: it was amorphous in 18 of 26 "
    "mineralised extraskeletal osteosarcomas of one series (54 patients, two centres).",
    "biopsy.departs.attached": "Of parosteal osteosarcoma, a soft mass apart from the mineral was seen in 25 of 28 "
    "high-grade and 2 of 32 low-grade tumours of one series, and was the advised site of biopsy; lucent areas were "
    "benign or tumour of either grade (12 patients of another).",
    "biopsy.departs.growing": "Growth beyond about three months is taught to be unusual in myositis ossificans (from "
    "memory, no published limit).",
    "biopsy.open": "Whether the lesion is denser at the periphery is open ({why}). Two accounts of a one-zone sample "
    "stand beside each other: of 27 reviewed lesions of the myositis ossificans family 3 had been referred as "
    "osteosarcoma and 7 with a question of sarcoma; and 16 of 42 extraskeletal osteosarcomas with CT held no mineral "
    "(54 patients, two centres).",
    "biopsy.open.none": "there is no mineral to show it",
    "biopsy.open.not-assessed": "zoning was not assessed",
    "biopsy.none-reached": "No part of the lesion was reached as far as the given position says.",
    "biopsy.doubt": "The position is uncertain by {error}, more than the distance to the next zone: the zone may be "
    "{other}.",
    "biopsy.point-only": "A single point was given, not a path: tissue on the way to it may also have been taken.",
    "biopsy.limits": "Positions are as given in the case file. The path shows what the needle crossed, not what a "
    "core of tissue holds. Carried positions follow bone; muscle and lesion may have moved, and the lesion may have "
    "grown or shrunk, in between.",
    "biopsy.track.gas": "gas is seen along the path over {length}",
    "biopsy.track.speck": "gas lies near the path over {length} only, too little for a track",
    "biopsy.track.gap": "a gap in the shell is seen where the path enters that was mineralised before the biopsy",
    "biopsy.track.nothing": "no track was found: no gas along the path and no new gap in the shell where it enters",
    "biopsy.track.nothing-gas": "no track was found: no gas along the path; the shell before and after could not be "
    "compared",
    "biopsy.track.before": "the scan was made before the biopsy",
    "biopsy.track.no-path": "a track was not looked for, because only a point was given",
    "biopsy.track.no-day": "a track was not looked for, because the day of the biopsy was not given",
    "biopsy.track.not-placed": "a track was not looked for, because the path could not be placed in this scan",
    "biopsy.track.sentence": " {track}.",
}
