"""Where the lesion lies: against bone, and what of it lies beyond its mineral."""

from __future__ import annotations

import math

from ..measure import Measurement
from .evidence import Evidence, make, not_assessed, unassessed
from .statements import Finding
from .states import rim_state
from .wording import amount, say, with_interval

BESIDE_MM = 5.0
"""Up to this distance a lesion is called beside the cortex: the reach within which the cleft is defined."""
CONTACT_MM = 0.5
"""Distance that counts as contact in the definition of the contact area."""
SOFT_MARGIN = frozenset({"soft-margin", "like-muscle"})
"""Codes of an outline without an edge of mineral; where it meets bone is not settled by it."""
LEAST_SAID = 0.005
"""Share of an outline that is said as more than 0 %."""
OPEN_SHARE = 0.05
"""Share of the outline that has to be free of mineral before soft tissue is said to reach it."""


def relation_to_bone(evidence: Evidence) -> tuple[Finding, ...]:
    """In soft tissue, beside the cortex, or attached, in the last scan that tells; and what is missing."""
    needed = ("cortex_gap", "cortex_contact_area")
    scan = evidence.latest(*needed)
    missing = not_assessed(evidence, "relation", *needed)
    if scan is None:
        return missing
    gap, area = evidence.row(scan, needed[0]), evidence.row(scan, needed[1])
    assert gap is not None
    assert gap.value is not None
    assert area is not None
    assert area.value is not None
    rests = [(scan, q) for q in needed]
    cleft = evidence.row(scan, "cleft_fraction")
    cleft_words = ""
    if cleft is not None and gap.value <= BESIDE_MM:
        rests.append((scan, "cleft_fraction"))
        cleft_words = say("relation.cleft", cleft=with_interval(cleft))
    state = _bone_state(gap, area)
    parts = {"scan": evidence.label(scan), "gap": with_interval(gap), "area": with_interval(area), "cleft": cleft_words}
    if state == "contact":
        disc = 2 * math.sqrt(area.value / math.pi)
        longest = evidence.row(scan, "longest_diameter")
        parts["disc"] = amount(disc, "mm")
        parts["share"] = "not assessed as a share"
        if longest is not None and longest.value:
            rests.append((scan, "longest_diameter"))
            parts["share"] = amount(100 * disc / longest.value, "%")
    found = make(
        evidence,
        "relation",
        f"relation.{state}",
        say(f"relation.{state}", **parts),
        rests,
        limits=say("relation.limits"),
        sources=("Jelinek96",),
        cautions=evidence.solid_caution(scan),
        brief=evidence.brief_of(scan, relation_words(evidence, scan)),
    )
    return (found, *missing)


def relation_words(evidence: Evidence, scan: int) -> str:
    """How the lesion lies to the cortex in a scan in which gap and contact have values, in a few words."""
    gap, area = evidence.row(scan, "cortex_gap"), evidence.row(scan, "cortex_contact_area")
    assert gap is not None
    assert area is not None
    return say(f"brief.relation.{_bone_state(gap, area)}", gap=with_interval(gap), area=with_interval(area))


def _bone_state(gap: Measurement, area: Measurement) -> str:
    assert gap.value is not None
    assert area.value is not None
    if area.value > 0 and (area.low is None or area.low > 0):
        # a soft margin drawn up to bone says that nothing darker was seen between, not that the two are one
        return "unsettled" if any(v.code in SOFT_MARGIN for v in area.verdicts) else "contact"
    least = gap.value if gap.low is None else gap.low
    most = 0.0 if area.high is None else area.high
    # no distance at all without a contact that was measured is no "beside" either
    if area.value > 0 or gap.value <= CONTACT_MM or (most > 0 and least <= CONTACT_MM):
        return "unsettled"
    return "beside" if gap.value <= BESIDE_MM else "soft-tissue"


def soft_tissue_beyond(evidence: Evidence) -> tuple[Finding, ...]:
    """Whether part of the lesion reaches its outline without mineral in front of it."""
    scan = max((n for n in evidence.scans if _beyond_assessable(evidence, n)), default=None)
    missing = not_assessed(evidence, "beyond", "rim_completeness")
    missing = tuple(
        f for f in missing if not all(evidence.no_mineral(n) or _beyond_assessable(evidence, n) for n, _ in f.rests_on)
    )
    if scan is None:
        return missing
    return (_beyond_in(evidence, scan), *missing)


def _beyond_in(evidence: Evidence, scan: int) -> Finding:
    """What a scan that tells says of soft tissue beyond the mineral."""
    if evidence.no_mineral(scan):
        text = say("beyond.no-mineral", scan=evidence.label(scan))
        return _beyond(evidence, scan, "no-mineral", text, ("mineral_mass",))
    if evidence.solid(scan):
        rests = [(scan, "mineral_fraction"), (scan, "core_mineral_fraction")]
        return unassessed("beyond", say("solid"), rests, scans=f"scan {scan}")
    fraction = evidence.row(scan, "mineral_fraction")
    if _reversed_zoning(evidence, scan) and fraction is not None:
        text = say("beyond.reversed", scan=evidence.label(scan), fraction=with_interval(fraction))
        return _beyond(evidence, scan, "reversed", text, ("zonal_contrast", "mineral_fraction"))
    return _beyond_rim(evidence, scan)


def _beyond_rim(evidence: Evidence, scan: int) -> Finding:
    """Whether the rim of mineral is closed, as far as the scan resolves it."""
    label = evidence.label(scan)
    complete, unresolved = evidence.row(scan, "rim_completeness"), evidence.row(scan, "rim_unresolved")
    assert complete is not None
    assert complete.value is not None
    hidden = 0.0 if unresolved is None or unresolved.value is None else unresolved.value
    open_share = max(0.0, 1 - complete.value - hidden)
    rests: tuple[str, ...] = ("rim_completeness", "rim_unresolved")
    if open_share < OPEN_SHARE:
        state, completeness = "complete", with_interval(complete)
        text = say("beyond.complete", scan=label, completeness=completeness, unresolved=amount(100 * hidden, "%"))
    else:
        state = "open" if rim_state(evidence, scan) == "open" else "part"
        gap = gap_words(evidence, scan)
        text = say(f"beyond.{state}", scan=label, open=amount(100 * open_share, "%"), gap=gap)
        rests = (*rests, "largest_gap")
    return _beyond(evidence, scan, state, text, rests, open=amount(100 * open_share, "%"))


def _beyond(evidence: Evidence, scan: int, state: str, text: str, quantities: tuple[str, ...], **parts: str) -> Finding:
    """The finding of that state, resting on quantities of one scan; ``parts`` go into its short form."""
    return make(
        evidence,
        "beyond",
        f"beyond.{state}",
        text,
        [(scan, quantity) for quantity in quantities],
        limits=say("beyond.limits"),
        sources=("Jelinek96",),
        brief=evidence.brief_of(scan, say(f"brief.beyond.{state}", **parts)),
    )


def _reversed_zoning(evidence: Evidence, scan: int) -> bool:
    contrast = evidence.row(scan, "zonal_contrast")
    return contrast is not None and contrast.high is not None and contrast.high < 0


def _beyond_assessable(evidence: Evidence, scan: int) -> bool:
    return (
        evidence.no_mineral(scan)
        or evidence.usable(scan, "rim_completeness")
        or (_reversed_zoning(evidence, scan) and evidence.usable(scan, "mineral_fraction"))
    )


def gap_words(evidence: Evidence, scan: int) -> str:
    """Size of the largest gap and where it faces, with its leading separator; empty when there is none."""
    gap = evidence.row(scan, "largest_gap")
    if gap is None or not gap.value or gap.value < LEAST_SAID:
        return ""
    facing = ""
    for name in ("direction_words", "direction", "words", "largest_gap_direction", "faces"):
        held = (gap.detail or {}).get(name)
        if isinstance(held, str) and held not in ("", "none"):
            facing = held
            break
    size = with_interval(gap)
    return say("rim.gap", gap=size, direction=facing) if facing else say("rim.gap-nowhere", gap=size)
