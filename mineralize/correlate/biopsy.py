"""Where tissue was taken, in terms of the lesion, in the scan it was given in and carried to the others."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..align import Alignment
from ..base import Z95, Floats, Rigid, Settings, Trust, Volume, ZoneSettings, anatomical_words, worst
from ..lesion import Outline
from ..measure import RimMap
from ..timeline import BiopsySite, Timeline
from .biopsy_site import Inside, ball, depths, gas_along, look_inside, nearest_on, no_shell, path_through, rim_there
from .biopsy_words import DEPARTING_SOURCES, SOURCES, cautions_of, sentence
from .evidence import trimmed
from .needle import draw_section
from .picture import Picture, picture_of
from .sources import cite
from .statements import BiopsyReport, Finding, RimState, SiteInScan, Zone
from .wording import ZONE_WORDS, amount, listed, say

NEAR_MIDDLE = 0.15
"""Nearer to the centroid than this share of the inradius no direction is named."""
REACHED_MM = 1.0
"""Length of path in a zone from which the zone counts as reached."""
SHORTEST_TRACK_MM = 3.0
"""Gas along less of the path is a bubble, or another path that ends in the same place."""


@dataclass(frozen=True, eq=False)
class _Case:
    timeline: Timeline
    outlines: Mapping[int, Outline]
    alignments: Mapping[int, Alignment]
    rim_maps: Mapping[int, RimMap]
    volumes: Mapping[int, Volume]
    insides: dict[int, Inside]
    picture: Picture
    zones: ZoneSettings

    def label(self, scan: int) -> str:
        return f"scan {scan} (day {self.timeline.scan(scan).day})"

    def inside(self, scan: int) -> Inside:
        if scan not in self.insides:
            self.insides[scan] = look_inside(self.outlines[scan], self.zones)
        return self.insides[scan]

    def volume(self, scan: int) -> Volume:
        return self.volumes[scan] if scan in self.volumes else self.timeline.scan(scan).volume


def biopsy_reports(
    timeline: Timeline,
    outlines: Sequence[Outline | None],
    alignments: Sequence[Alignment] = (),
    *,
    rim_maps: Sequence[RimMap | None] = (),
    volumes: Mapping[int, Volume] | None = None,
    said: Sequence[Finding] = (),
    settings: Settings | None = None,
) -> tuple[BiopsyReport, ...]:
    """One report per ``[[biopsy]]``; an empty tuple when none was given.

    ``said`` are the findings: what a sample of one zone means depends on the picture they draw. ``settings`` are those
    that the outlines were measured with, else the time line's. ``volumes`` maps scan numbers to volumes already at
    hand; others are read from their scan. A place is carried from the scan in which it was given to another by both
    alignments to the reference scan; its error is the 95 % half-width from their predicted standard errors.
    """
    case = _Case(
        timeline,
        {o.scan: o for o in outlines if o is not None},
        {a.scan: a for a in alignments},
        {m.scan: m for m in rim_maps if m is not None},
        volumes or {},
        {},
        picture_of(said),
        (settings or timeline.settings).zones,
    )
    return tuple(_report(case, number, site) for number, site in enumerate(timeline.biopsies, start=1))


def _report(case: _Case, number: int, site: BiopsySite) -> BiopsyReport:
    limits = say("biopsy.limits")
    sources = cite(*SOURCES, *(() if case.picture.like_myositis else DEPARTING_SOURCES))
    day = _day(case.timeline, site)
    if site.scan not in {s.number for s in case.timeline.scans}:
        text = say("biopsy.no-scan", number=number, scan=site.scan)
        nowhere = _unplaced(site.scan, None, None, "there is no such scan", text)
        return BiopsyReport(number, day, nowhere, (), (), (), text, "", "withheld", limits, sources)
    own = _place(case, site, site.scan, day, Rigid.identity(), error=0.0, trust="ok", reason="", number=number)
    carried = tuple(
        _carry(case, site, scan.number, day, number) for scan in case.timeline.scans if scan.number != site.scan
    )
    own, carried = _with_tracks(case, site, day, own, carried)
    shares: tuple[tuple[Zone, float], ...] = ()
    zones: tuple[Zone, ...] = ()
    cautions: list[str] = []
    text = own.text
    if own.depth_mm is not None:
        inside = case.inside(site.scan)
        shares = inside.shares
        if site.entry is None:
            zones = (own.zone,) if own.zone not in (None, "outside") else ()
        else:
            zones = reached(own.path_mm)
        cautions = cautions_of(own, inside, zones, case.picture, has_path=site.entry is not None)
        text += say("biopsy.share", list=listed([f"{amount(100 * x, '%')} {ZONE_WORDS[zone]}" for zone, x in shares]))
    trust: Trust = "withheld" if own.trust == "withheld" else worst(own.trust, "caution" if cautions else "ok")
    drawing = None
    if own.point is not None and own.depth_mm is not None:
        drawing = draw_section(case.inside(site.scan), own.entry, own.point)
    words = " ".join(cautions)
    return BiopsyReport(number, day, own, carried, zones, shares, text, words, trust, limits, sources, drawing)


def reached(path_mm: Sequence[tuple[Zone, float]]) -> tuple[Zone, ...]:
    """The zones that a path reached: a millimetre of each, or less of one that lies between two of them."""
    found = {zone for zone, length in path_mm if length >= REACHED_MM}
    crossed = {"middle"} if {"rim", "core"} <= found else set()
    return tuple(zone for zone, length in path_mm if zone in found or (zone in crossed and length > 0))


def _day(timeline: Timeline, site: BiopsySite) -> int | None:
    """The day of the site; failing that the day of the only biopsy event when there is one site only."""
    if site.day is not None:
        return site.day
    events = [e.day for e in timeline.events if e.kind == "biopsy"]
    return events[0] if len(events) == 1 and len(timeline.biopsies) == 1 else None


def _carry(case: _Case, site: BiopsySite, scan: int, day: int | None, number: int) -> SiteInScan:
    days = None if day is None else case.timeline.scan(scan).day - day
    from_, to = (_to_reference(case, n) for n in (site.scan, scan))
    label = case.label(scan)
    if from_ is None or to is None or from_.reference_scan != to.reference_scan:
        why = say("biopsy.no-alignment")
        return _unplaced(scan, site, days, why, say("biopsy.carried.withheld", scan=label, why=why))
    for one in (from_, to):
        if one.trust == "withheld":
            why = say("biopsy.bad-alignment", why=trimmed(one.reason) or "its fit is not pinned")
            return _unplaced(scan, site, days, why, say("biopsy.carried.withheld", scan=label, why=why))
    move = to.transform.inverse() @ from_.transform
    error = Z95 * float(np.hypot(from_.predicted_sd_mm, to.predicted_sd_mm))
    reasons = [say("biopsy.carried.caution")]
    reasons += [trimmed(a.reason) for a in (from_, to) if a.trust == "caution" and a.reason]
    reason = "; ".join(dict.fromkeys(reasons))
    return _place(case, site, scan, day, move, error=error, trust="caution", reason=reason, number=number)


def _to_reference(case: _Case, scan: int) -> Alignment | None:
    held = case.alignments.get(scan)
    if held is not None:
        return held
    if any(a.reference_scan == scan for a in case.alignments.values()):
        return Alignment(scan, scan, Rigid.identity(), 0.0, 1.0, "ok", "")
    return None


def _unplaced(scan: int, site: BiopsySite | None, days: int | None, why: str, text: str) -> SiteInScan:
    given = site is not None and site.scan == scan
    return SiteInScan(
        scan=scan,
        point=site.target if given and site is not None else None,
        entry=site.entry if given and site is not None else None,
        error_mm=None,
        zone=None,
        depth_mm=None,
        depth_low_mm=None,
        depth_high_mm=None,
        inradius_mm=None,
        normalised_depth=None,
        direction=None,
        direction_words="",
        ball_hu=None,
        ball_sd_hu=None,
        rim_state="not assessed",
        path_mm=(),
        days_from_biopsy=days,
        track="",
        trust="withheld",
        reason=why,
        text=text,
    )


def _place(
    case: _Case,
    site: BiopsySite,
    scan: int,
    day: int | None,
    move: Rigid,
    *,
    error: float,
    trust: Trust,
    reason: str,
    number: int,
) -> SiteInScan:
    days = None if day is None else case.timeline.scan(scan).day - day
    given = scan == site.scan
    label = case.label(scan)
    if scan not in case.outlines:
        why = say("biopsy.no-outline")
        key = "biopsy.no-outline-at-site" if given else "biopsy.carried.withheld"
        return _unplaced(scan, site, days, why, say(key, number=number, scan=label, why=why))
    outline, inside = case.outlines[scan], case.inside(scan)
    point = move.apply(site.target)
    entry = None if site.entry is None else move.apply(site.entry)
    depth = float(depths(outline, point[None])[0])
    half = float(np.hypot(outline.spread_mm, error))
    path, enters, runs = ((), None, ()) if entry is None else path_through(inside, entry, point)
    place = enters if enters is not None else nearest_on(outline, point)
    rim = rim_there(outline, case.rim_maps.get(scan), place)
    values = ball(case.volume(scan), point)
    direction, words = _facing(inside, point)
    trust = worst(trust, outline.trust)
    reasons = [r for r in (reason, trimmed(outline.reason) if outline.trust != "ok" else "") if r]
    at = SiteInScan(
        scan=scan,
        point=_triple(point),
        entry=None if entry is None else _triple(entry),
        error_mm=error,
        zone=inside.zone(depth),
        depth_mm=depth,
        depth_low_mm=depth - half,
        depth_high_mm=depth + half,
        inradius_mm=inside.inradius_mm,
        normalised_depth=depth / inside.inradius_mm,
        direction=direction,
        direction_words=words,
        ball_hu=None if values is None else values[0],
        ball_sd_hu=None if values is None else values[1],
        rim_state=rim,
        path_mm=path,
        runs_mm=runs,
        days_from_biopsy=days,
        track="",
        trust=trust,
        reason="; ".join(reasons),
        text="",
    )
    bare = no_shell(case.rim_maps.get(scan))
    enters_it, has_path = enters is not None, entry is not None
    words = sentence(at, number, label, given=given, has_path=has_path, enters=enters_it, bare=bare)
    return replace(at, text=words)


def _facing(inside: Inside, point: Floats) -> tuple[tuple[float, float, float] | None, str]:
    """Where a point lies from the middle of the lesion: a unit vector, or none where it is the middle, and words."""
    away = point - inside.centroid
    if float(np.linalg.norm(away)) < NEAR_MIDDLE * inside.inradius_mm:
        return None, say("biopsy.centre-words")
    return _triple(away / np.linalg.norm(away)), say("biopsy.from-middle", words=anatomical_words(away))


def _with_tracks(
    case: _Case, site: BiopsySite, day: int | None, own: SiteInScan, carried: tuple[SiteInScan, ...]
) -> tuple[SiteInScan, tuple[SiteInScan, ...]]:
    """The same sites, each with what is seen of the track."""
    every = sorted((own, *carried), key=lambda at: at.scan)
    before: list[RimState] = []
    done: dict[int, SiteInScan] = {}
    for at in every:
        track = _track(case, site, day, at, before[-1] if before else "not assessed")
        text = at.text
        if track != say("biopsy.track.before"):
            text += say("biopsy.track.sentence", track=track[0].upper() + track[1:])
        done[at.scan] = replace(at, track=track, text=text)
        if at.days_from_biopsy is not None and at.days_from_biopsy <= 0 and at.rim_state != "not assessed":
            before.append(at.rim_state)
    return done[own.scan], tuple(done[at.scan] for at in carried)


def _track(case: _Case, site: BiopsySite, day: int | None, at: SiteInScan, rim_before: RimState) -> str:
    if day is None:
        return say("biopsy.track.no-day")
    if case.timeline.scan(at.scan).day < day:
        return say("biopsy.track.before")
    if site.entry is None:
        return say("biopsy.track.no-path")
    if at.point is None or at.entry is None or at.error_mm is None:
        return say("biopsy.track.not-placed")
    gas = gas_along(case.volume(at.scan), at.entry, at.point, at.error_mm)
    if gas > 0:
        return say("biopsy.track.gas" if gas >= SHORTEST_TRACK_MM else "biopsy.track.speck", length=amount(gas, "mm"))
    if rim_before == "present" and at.rim_state in ("gap", "edge of a gap"):
        return say("biopsy.track.gap")
    known = rim_before != "not assessed" and at.rim_state != "not assessed"
    return say("biopsy.track.nothing" if known else "biopsy.track.nothing-gas")


def _triple(values: object) -> tuple[float, float, float]:
    x, y, z = (float(v) for v in np.asarray(values))
    return x, y, z
