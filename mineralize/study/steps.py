"""Steps of the main job that look at one scan or a pair."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from ..align import Alignment, align
from ..base import Floats, LesionNeeded, Note, Rigid, Settings, caution, reason_of, withhold
from ..bones import LesionZone
from ..lesion import (
    Candidate,
    Neighbourhood,
    Outline,
    SeenScan,
    Zones,
    candidates_of,
    clear_winner,
    drawn_lesion,
    find_zones,
    nearest_words,
    outline_at,
    why_none,
)
from ..measure import Measured, Measurement, measure_scan, withhold_all
from ..timeline import Timeline
from .by_hand import drawn_middle
from .crew import Crew

BIOPSY_DAYS = 42
"""For so long after a biopsy, bleeding and swelling from it may pass for oedema of the lesion."""


def cautioned_after_biopsy(timeline: Timeline, day: int, rows: tuple[Measurement, ...]) -> list[Measurement]:
    """Caution what is said of the muscle around where a biopsy came before, by six weeks or less."""
    taken = [e.day for e in timeline.events if e.kind == "biopsy"]
    taken += [b.day for b in timeline.biopsies if b.day is not None]
    recent = [day - t for t in taken if 0 <= day - t <= BIOPSY_DAYS]
    if not recent:
        return list(rows)
    why = caution("after-biopsy", days=min(recent))
    doubtful = {"perilesional_muscle", "perilesional_deficit", "oedema_extent"}
    return [
        replace(r, trust="caution", reason=reason_of((*r.verdicts, why)), verdicts=(*r.verdicts, why))
        if r.quantity in doubtful and r.trust != "withheld"
        else r
        for r in rows
    ]


def choose_point(
    timeline: Timeline,
    seen: dict[int, SeenScan],
    workers: Crew,
    candidates: Callable[[SeenScan], tuple[Candidate, ...]] = candidates_of,
) -> tuple[int, tuple[float, float, float], str, tuple[Candidate, ...]]:
    """(scan, point, origin, candidates): the seed given, or a candidate that clearly wins."""
    if timeline.seeds:
        seed = timeline.seeds[0]
        return seed.scan, seed.point, "given", ()
    drawn = drawn_middle(timeline.by_hand)
    if drawn is not None:
        return *drawn, "given", ()
    everything: list[Candidate] = []
    winners: list[Candidate] = []
    for own in workers.each(lambda scan: candidates(seen[scan.number]), timeline.scans):
        everything += own
        winner = clear_winner(own)
        if winner is not None:
            winners.append(winner)
    numbered = tuple(replace(c, number=i + 1) for i, c in enumerate(sorted(everything, key=lambda c: -c.score)[:9]))
    if not winners:
        strongest = numbered[0].scan if numbered else 0
        what = why_none(tuple(c for c in everything if c.scan == strongest))
        raise LesionNeeded(f"{what}; name a point in the lesion with --seed or in case.toml", numbered)
    best = max(winners, key=lambda c: c.score)
    return best.scan, best.point, f"found: candidate of scan {best.scan} leads clearly", numbered


def take_drawn(timeline: Timeline, scan: SeenScan) -> Outline | None:
    """The outline that ``case.toml`` asks to be taken over, where it lies in this scan."""
    for offer in timeline.offered:
        if offer.number == timeline.drawn_outline and offer.scan == scan.scan.number:
            return drawn_lesion(scan, offer)
    return None


def zone_around(outline: Outline | None, point: Floats) -> LesionZone:
    """Where bone is not to be compared: around the outline, or around the point where there is none."""
    if outline is None:
        return LesionZone(point, 25.0)
    centre = outline.centroid
    radius = float(np.linalg.norm(outline.vertices - centre, axis=1).max())
    return LesionZone(centre, radius, outline.vertices)


def align_pair(seen: dict[int, SeenScan], number: int, base: int, zone: LesionZone, settings: Settings) -> Alignment:
    """A scan on the base scan by bone that the lesion does not touch, twice at most.

    First all bone is used but what lies by the lesion's own outline. Where that is nothing to rely on and the outline
    is known, bone at the level of the lesion is left out as well, since what it does to bone may reach further. What
    passes only then has had two chances to pass, and is cautioned.
    """
    if number == base:
        return Alignment(base, base, Rigid.identity(), 0.0, 1.0, "ok", "this is the reference scan")
    moving, fixed = seen[number], seen[base]

    def without(surface: Floats | None) -> Alignment:
        return align(
            number,
            moving.volume,
            moving.skeleton,
            fixed_scan_no=base,
            fixed=fixed.volume,
            fixed_skeleton=fixed.skeleton,
            lesion_point=zone.centre,
            lesion_radius_mm=zone.radius,
            lesion_surface=surface,
            settings=settings.align,
        )

    first = without(zone.surface)
    if first.trust != "withheld" or zone.surface is None:
        return first
    second = without(None)
    if second.trust == "withheld":
        return first
    again = caution("aligned-again", why=first.reason)
    reason = "; ".join(v.text for v in (again, *second.verdicts))
    return replace(second, trust="caution", reason=reason, verdicts=(again, *second.verdicts))


def carry_to_base(
    seen: dict[int, SeenScan],
    base: int,
    outlines: dict[int, Outline | None],
    alignments: list[Alignment],
    settings: Settings,
    *,
    point: tuple[float, float, float],
) -> tuple[Outline | None, list[Note]]:
    """The region of the nearest outlined scan laid into the reference scan, in which nothing could be outlined."""
    for number in sorted((n for n, o in outlines.items() if o is not None), key=lambda n: abs(n - base)):
        link = next(a for a in alignments if a.scan == number)
        source = outlines[number]
        if link.trust != "withheld" and source is not None:
            back = Alignment(base, number, link.transform.inverse(), 0.0, 1.0, link.trust, link.reason)
            return outline_at(seen[base], back, seen[number], {number: source}, None, settings=settings)
    text = "no mineral and no visible margin at the point given"
    text += nearest_words(candidates_of(seen[base]), np.asarray(point))
    return None, [Note("lesion-not-found", text, "caution", f"scan {base}")]


def surroundings(scan: SeenScan, outline: Outline) -> tuple[Neighbourhood, Zones]:
    """What measuring looks at around an outline, and the depths in it, whatever is counted there."""
    near = scan.near_outline(outline)
    return near, find_zones(outline, near.grid, scan.settings.zones)


def measure_outlined(
    scan: SeenScan,
    outline: Outline | None,
    settings: Settings,
    around: Callable[[SeenScan, Outline], tuple[Neighbourhood, Zones]] = surroundings,
) -> Measured | None:
    if outline is None:
        return None
    near, zones = around(scan, outline)
    result = measure_scan(
        near,
        scan.reference,
        outline,
        settings,
        scan.volume,
        skeleton=scan.skeleton,
        whole_verdicts=scan.verdicts(outline),
        zones=replace(zones, settings=settings.zones),
    )
    if outline.method == "carried over":
        kept = {"mineral_mass", "reference_muscle", "fat_reference", "cortex_reference", "core_attenuation"}
        rows = tuple(r for r in result.rows if r.quantity in kept)
        why = withhold("carried-no-mineral", scan=outline.verdicts[0].number("scan"))
        result = replace(result, rows=withhold_all(outline.scan, why, rows, settings.mineral))
    return result
