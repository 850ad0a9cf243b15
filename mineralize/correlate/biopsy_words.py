"""What a biopsy report says: where the site lies, which zones were reached, and what that means beside this picture."""

from __future__ import annotations

from ..base import value_text
from .biopsy_site import MINERAL_HU, Inside
from .picture import Picture
from .statements import SiteInScan, Zone
from .wording import ZONE_WORDS, amount, listed, say

SOURCES = ("Ackerman58", "Zeanah82", "Lacout12", "IJP20", "Svajdler19")
DEPARTING_SOURCES = ("Crombe23", "Jelinek96", "Hudson85", "teaching")


def cautions_of(
    site: SiteInScan, inside: Inside, zones: tuple[Zone, ...], picture: Picture, *, has_path: bool
) -> list[str]:
    """Sentences of caution for one biopsy; empty where it crossed several zones and its place is sure."""
    said: list[str] = []
    only: Zone | None = None
    if not zones:
        said.append(say("biopsy.none-reached"))
    elif len(zones) == 1:
        only = zones[0]
        said.append(say(f"biopsy.only.{only}"))
    elif has_path and site.zone in ("core", "rim", "middle"):
        only = site.zone
        said.append(say(f"biopsy.if-target-only.{only}"))
    if only is not None:
        if site.ball_hu is not None and site.ball_hu >= MINERAL_HU:
            said.append(say("biopsy.in-mineral", hu=amount(site.ball_hu, "HU")))
        said += meaning_of(only, picture)
    if not has_path:
        said.append(say("biopsy.point-only"))
    return [*said, *_doubt(inside, site)]


def meaning_of(zone: Zone, picture: Picture) -> list[str]:
    """What a sample of one zone means beside the picture that was measured, and beside no other."""
    if picture.departs:
        said = [say("biopsy.departs", which=picture.departing_words())]
        if any(name in picture.departures for name in ("reversed", "even")):
            said.append(say("biopsy.departs.mineral"))
        if picture.attached:
            said.append(say("biopsy.departs.attached"))
        if "growing" in picture.departures:
            said.append(say("biopsy.departs.growing"))
        return said
    if picture.like_myositis:
        return [say(f"biopsy.like.{zone}")]
    why = say("biopsy.open.none" if picture.zoning == "none" else "biopsy.open.not-assessed")
    return [say("biopsy.open", why=why)]


def _doubt(inside: Inside, at: SiteInScan) -> list[str]:
    if at.depth_low_mm is None or at.depth_high_mm is None or at.depth_mm is None:
        return []
    near = {inside.zone(at.depth_low_mm), inside.zone(at.depth_high_mm)} - {at.zone}
    if not near:
        return []
    error = amount(max(at.depth_mm - at.depth_low_mm, at.depth_high_mm - at.depth_mm), "mm")
    return [say("biopsy.doubt", error=error, other=" or ".join(sorted(ZONE_WORDS[z] for z in near)))]


def sentence(at: SiteInScan, number: int, label: str, *, given: bool, has_path: bool, enters: bool, bare: bool) -> str:
    """Where a site lies in one scan, in words; ``bare`` says that the lesion has no shell there at all."""
    assert at.depth_mm is not None
    assert at.normalised_depth is not None
    assert at.inradius_mm is not None
    assert at.zone is not None
    low, high = at.depth_low_mm, at.depth_high_mm
    outside = at.zone == "outside"
    depth = value_text("", "mm", at.depth_mm, low, high)
    if outside and low is not None and high is not None:
        depth = value_text("", "mm", -at.depth_mm, -high, -low)
    parts = {
        "number": number,
        "scan": label,
        "what": say("biopsy.target" if has_path else "biopsy.point"),
        "zone": ZONE_WORDS[at.zone],
        "depth": depth,
        "u": amount(100 * at.normalised_depth, "%"),
        "inradius": amount(at.inradius_mm, "mm"),
        "direction": at.direction_words,
        "error": amount(at.error_mm or 0.0, "mm"),
    }
    key = "biopsy.where" if given else "biopsy.carried"
    if outside:
        key = "biopsy.outside" if given else "biopsy.carried.outside"
    text = say(key, **parts)
    if at.ball_hu is None:
        text += say("biopsy.no-ball", why="the scan does not reach there")
    else:
        text += say("biopsy.ball", hu=amount(at.ball_hu, "HU"), sd=amount(at.ball_sd_hu or 0.0, "HU"))
    place = say("biopsy.place.entry" if enters else "biopsy.place.nearest")
    state = "no shell" if bare and at.rim_state == "gap" else at.rim_state
    text += say(f"biopsy.rim.{state}", place=place, why="no map of the shell is available")
    if has_path and at.path_mm:
        total = sum(length for _, length in at.path_mm)
        listing = listed([f"{ZONE_WORDS[zone]} {amount(length, 'mm')}" for zone, length in at.path_mm])
        text += say("biopsy.path", total=amount(total, "mm"), list=listing)
    elif has_path:
        text += say("biopsy.path.miss")
    if at.days_from_biopsy is None:
        text += say("biopsy.days.unknown") if given else ""
    elif at.days_from_biopsy == 0:
        text += say("biopsy.days.same")
    else:
        key = "biopsy.days.after" if at.days_from_biopsy > 0 else "biopsy.days.before"
        text += say(key, days=abs(at.days_from_biopsy))
    if given and at.trust == "caution" and at.reason:
        text += say("with-caution", why=at.reason)
    return text
