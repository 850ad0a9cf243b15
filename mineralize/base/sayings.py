"""The words of verdicts, by code: the only place where a verdict becomes a sentence, and the one to translate.

Clauses without a full stop, in the order of :data:`mineralize.base.verdicts.KINDS`; names in braces are the verdict's
numbers. No rule reads what stands here.
"""

from __future__ import annotations

from collections.abc import Mapping

SAYINGS: dict[str, str] = {
    "cut-by-scan": "the lesion is cut by the edge of the scan",
    "edge-unseen": "no edge is visible along {share:.0%} of the outline",
    "edge-unseen-soft": "no edge is visible along {share:.0%} of the outline",
    "on-bone": "{share:.0%} of the outline is drawn where the lesion meets bone",
    "mineral-one-sided": "mineral lies in {share:.0%} of directions only; the rest continues its curve",
    "mineral-outside": "{share:.0%} of the mineral nearby lies outside the outline",
    "dips-inward": "the outline dips inward over {share:.0%} of its surface, at a gap or a cleft",
    "slices-third": (
        "slices {spacing_mm:.1f} mm apart are more than a third of the lesion's least extent ({extent_mm:.0f} mm)"
    ),
    "slices-fifth": (
        "slices {spacing_mm:.1f} mm apart are more than a fifth of the lesion's least extent ({extent_mm:.0f} mm)"
    ),
    "no-shell": "no mineral shell",
    "mineral-no-shell": "the mineral is no shell",
    "soft-margin": "the outline follows a soft margin visible along {share:.0%} of it",
    "drawn-together": "its margin was drawn together with that of scan {scans}",
    "like-muscle": "what it encloses cannot be told from muscle by its attenuation",
    "central-mineral": "the mineral lies in the centre and the margin of the soft tissue around it cannot be seen",
    "solid-mineral": "the mineral is solid; soft tissue beyond it, if there is any, cannot be told from muscle",
    "odd-shape": "the shape is not one that every line from its centre leaves once; outlined by its closed mineral",
    "drawn-by-reader": "the outline was drawn by a reader and taken over as it is",
    "by-hand": "corrected by hand: {share:.0%} of the outline, from {count:.0f} place(s) or curve(s) on the margin",
    "by-hand-carried": "what was drawn by hand in scan {scans} was carried here",
    "by-hand-open": (
        "what was drawn by hand leaves the volume open by {share:.0%}; give more places where none is near"
    ),
    "by-hand-mineral": "corrected by hand: {added:.0f} part(s) of the mineral added, {taken:.0f} taken",
    "by-hand-scan": "corrected by hand",
    "carried-over": "nothing here to outline; the region is that of scan {scan:.0f}, carried over",
    "point-outside": "the point given lies {mm:.0f} mm outside what could be outlined there",
    "by-candidate": "found by its own mineral, not by the alignment: check that it is the same lesion",
    "lesion-not-found": "{why}",
    "slid": "found {mm:.0f} mm from where bone puts it, as where muscle slid: check that it is the same lesion",
    "slices-blur-outline": "slices of {slice_mm:.1f} mm blur the outline along the scan axis",
    "slices-no-length": "slices of {slice_mm:.1f} mm are too thick for a length across them",
    "slices-no-rim": "slices of {slice_mm:.1f} mm cannot show a shell",
    "slices-blur-rim": "slices {spacing_mm:.1f} mm apart blur the shell",
    "kvp-unknown": "tube voltage not stated; 120 kVp assumed",
    "kvp-outside": "tube voltage outside the table of mineral slopes",
    "hardening": "muscle reads {hu:.0f} HU lower in the middle of the limb, as without correction of beam hardening",
    "header-contradicts": "what the files of the scan say of it does not agree; its notes say in what",
    "metal-near": "metal near the lesion: its streaks make values unreliable",
    "metal-streaks": (
        "metal in {share:.0%} of the lesion's slices: its streaks move tissue around the lesion by about {hu:.0f} HU"
    ),
    "scale-ends": (
        "the scan's scale ends at {hu:.0f} HU and something near the lesion reads more: metal, or cut-off mineral"
    ),
    "interval-wide": "its interval is wide, mostly for {dominant}",
    "noise-alone": "no mineral beyond noise",
    "not-measured": "it was not measured",
    "undetermined": "it could not be determined",
    "bone-mixed": "{share:.0%} of the lesion could not be told from bone",
    "bone-runs-through": (
        "bone seems to have been outlined with the lesion: {mm3:.0f} mm3 in it are as dense as cortex and go on outside"
    ),
    "no-mineral": "there is no mineral",
    "no-mineral-contrast": "there is no mineral",
    "carried-no-mineral": (
        "there is no mineral; nothing here to outline; the region is that of scan {scan:.0f}, carried over"
    ),
    "mass-within-noise": "the mineral ({mg:.0f} mg) is no more than noise could make ({floor_mg:.0f} mg)",
    "no-mineral-in-zones": "neither the outer nor the central zone holds mineral",
    "in-bone-blur": "part of the lesion lies in the blur of the bone and was left out",
    "drawn-cuts-mineral": "the outline cuts through mineral that goes on outside it, as bone does",
    "rim-unresolved": "the scan cannot resolve {share:.0%} of the shell",
    "rim-too-little": "less than 2% of the outline is mineralised",
    "inner-border-unseen": "the inner border of the mineral layer is not seen",
    "thickness-limit": "at the limit of what the scan resolves ({mm:.1f} mm)",
    "mostly-no-inner-border": "most of the mineral has no inner border within 8 mm",
    "thin-rim-lowered": "the scan shows only {share:.0%} of the height of so thin a shell",
    "no-bone-in-view": "no bone within view of the lesion",
    "gap-unresolved": "a gap narrower than {mm:.1f} mm is not resolved",
    "contact-unresolved": "contact cannot be told from a gap much narrower than {mm:.1f} mm",
    "bone-side-unseen": "no edge is visible on the side of the lesion that faces bone",
    "drawn-at-bone": "the outline had to be drawn where the lesion meets bone",
    "cleft-unresolved": "a cleft narrower than {mm:.1f} mm is not resolved in full",
    "nothing-faces-bone": "no part of the lesion faces bone within 5 mm",
    "core-small": "the central zone is too small to be told from the blur of the shell",
    "core-flooded": "the blur of the shell reaches all of so small a central zone",
    "core-partly-flooded": "the blur of the shell reaches all of so small a central zone; {hu:.0f} HU were taken off",
    "muscle-little-near": "too little muscle within 10 mm of the lesion",
    "muscle-little-far": "too little muscle more than 30 mm from the lesion at its levels",
    "muscle-not-compared": "muscle near the lesion and far from it cannot be compared",
    "oedema-beyond": "still lower at {mm:.0f} mm, as far as was looked",
    "fat-thin": "above what fat reads at {kvp:g} kVp ({hu:.0f} HU): the layer is thin",
    "fat-little": "too little fat in view",
    "cortex-none": "no cortex thick enough to be measured",
    "after-biopsy": "{days:.0f} days after a biopsy, which itself changes the muscle around",
    "bone-scarce": "too little bone is in both scans to check the fit",
    "bone-not-pinned": (
        "the bone does not pin the position: standard error {sd_mm:.1f} mm at the lesion "
        "(turn about the bone {turn_mm:.1f}, slide along it {slide_mm:.1f})"
    ),
    "halves-disagree": "two halves of the bone disagree by {mm:.1f} mm at the lesion",
    "surface-against-grey": "bone surface and grey values disagree by {mm:.1f} mm at the lesion",
    "shape-differs": "the bones differ in shape by {mm:.2f} mm over patches: another bone or patient?",
    "shape-differs-thick": (
        "the bones differ in shape by {mm:.2f} mm over patches: slices {slice_mm:.1f} mm apart blur thin bone so; "
        "or another bone or patient?"
    ),
    "grey-disagrees": "grey values around the bone agree poorly (correlation {correlation:.2f})",
    "overlap-short": "only {mm:.0f} mm of bone is in both scans",
    "rival-pose": "another position, turned about the bone or slid along it, fits nearly as well",
    "size-differs": "the bone differs in size by {percent:.1f} %: another patient or a wrong pixel size?",
    "soft-tissue-differs": (
        "fat and muscle around the bone do not match (correlation {correlation:.2f}): another limb or patient?"
    ),
    "upside-down": "the bone fits best upside down: a mirrored scan, the other limb, or a limb laid the other way?",
    "second-bone": ("another bone {gap_mm:.0f} mm from the lesion moved against the one used, by {mm:.1f} mm or more"),
    "bone-none-reference": "no bone in the reference scan",
    "bone-none-here": "no bone in this scan",
    "bone-apart": "no position of this scan puts enough bone on the reference scan",
    "bone-none-near": "no bone near the lesion in the reference scan",
    "with-neighbours": (
        "the bone nearest the lesion does not pin the position alone; lined up with its neighbours, {why}"
    ),
    "aligned-again": (
        "lined up at the second attempt, without bone at the level of the lesion; with it the first was refused: {why}"
    ),
    "change-withheld": "withheld in scan {scan:.0f}: {why}",
    "change-none": "the interval includes zero and the change is within {limit}",
    "change-not-apart": "the interval of the change includes zero",
    "change-within-limit": "within the limit of {limit}",
    "change-real": "the interval excludes zero and the change exceeds {limit}",
    "change-real-doubted": "with caution ({why}); the change exceeds {limit}, and zero lies outside {how} as well",
    "change-by-scanner": "{why}",
    "change-by-doubt": "{why}; this could make the change",
    "change-doubt-unknown": "{why}",
}


def say(code: str, numbers: Mapping[str, float | str]) -> str:
    """The words of a verdict.

    Raises
    ------
    KeyError
        for a code or a number that no words are known for.
    """
    return SAYINGS[code].format(**numbers)
