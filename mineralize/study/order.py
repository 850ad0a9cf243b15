"""The whole main job, in order: align, outline, measure, compare. No files are touched here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from ..align import Alignment
from ..base import Floats, LesionNeeded, Note, Settings, Trust, withhold
from ..change import Change, Curve, find_changes, find_curves
from ..correlate import BiopsyReport, ExpectedTissue, Finding, biopsy_reports, expected_tissue, findings
from ..lesion import (
    Candidate,
    Outline,
    SeenScan,
    correct,
    hand_of,
)
from ..measure import DepthProfile, Measured, Measurement, RimMap, Rows, rows_without_lesion
from ..reference import Reference, compared
from ..timeline import Timeline, comparability_notes
from .by_hand import carried_into, carries, not_carried, same_scan
from .crew import Clock, Crew, OnStep, crew, scans_at_a_time
from .kept import Kept, Stages
from .steps import (
    align_pair,
    carry_to_base,
    cautioned_after_biopsy,
    choose_point,
    take_drawn,
    zone_around,
)


@dataclass(frozen=True, eq=False, kw_only=True)
class Study:
    """Everything that was found out about one case.

    Per-scan tuples run parallel to ``timeline.scans``; an entry is ``None`` where the lesion was not outlined in
    that scan (the reason is then in ``notes``). ``centroids`` are LPS mm of their own scan. ``stage_seconds``
    holds the wall time of each stage from the first scan to the last (stages of several scans overlap) and
    ``stage_processor_seconds`` what they took of the processor; ``references`` the steady tissues and the mineral
    scale of each scan.
    """

    timeline: Timeline
    settings: Settings
    reference_scan: int
    seed_origin: str
    alignments: tuple[Alignment, ...]
    outlines: tuple[Outline | None, ...]
    centroids: tuple[Floats | None, ...]
    measurements: Rows
    changes: tuple[Change, ...]
    profiles: tuple[DepthProfile | None, ...]
    rim_maps: tuple[RimMap | None, ...]
    curves: tuple[Curve, ...]
    findings: tuple[Finding, ...]
    expected_tissue: tuple[ExpectedTissue, ...] = ()
    biopsy_reports: tuple[BiopsyReport, ...] = ()
    candidates: tuple[Candidate, ...] = ()
    notes: tuple[Note, ...] = ()
    stage_seconds: tuple[tuple[str, float], ...] = ()
    references: tuple[Reference, ...] = ()
    stage_processor_seconds: tuple[tuple[str, float], ...] = ()

    def reference(self, number: int) -> Reference | None:
        """The steady tissues and the mineral scale of that scan, where they are known."""
        numbers = [scan.number for scan in self.timeline.scans]
        return self.references[numbers.index(number)] if self.references else None

    def measurement(self, scan: int, quantity: str) -> Measurement | None:
        """The row of that scan and quantity, if there is one."""
        for row in self.measurements:
            if row.scan == scan and row.quantity == quantity:
                return row
        return None


def analyse(
    timeline: Timeline,
    settings: Settings | None = None,
    on_step: OnStep | None = None,
    jobs: int | None = None,
    meanwhile: Callable[[], object] | None = None,
    *,
    keep: Kept | None = None,
) -> Study:
    """Align the scans, outline the lesion in each, measure, compare, and state what follows.

    Parameters
    ----------
    timeline : scans in time order, with a seed in one of them or none.
    settings : overrides those of the time line.
    on_step : called with (stage, done, total), one call at a time but from any thread.
    jobs : scans at a time; by default as many as cores and memory allow. The results do not depend on it.
    meanwhile : what the caller wants done by a worker that would be idle while the lesion is outlined for the first
        time; what it returns or raises is dropped.
    keep : what earlier analyses made; only what follows from a change is worked out anew. The results do not depend on
        it.

    Raises
    ------
    LesionNeeded
        when no seed was given and no candidate clearly wins.
    """
    settings = settings or timeline.settings
    with crew(jobs or scans_at_a_time([scan.grid for scan in timeline.scans])) as workers:
        return _analyse(timeline, Stages(settings, keep), workers, Clock(on_step, workers.workers), meanwhile)


def looked_at(timeline: Timeline, number: int, settings: Settings | None = None, keep: Kept | None = None) -> SeenScan:
    """One scan with its skeleton and its steady tissues; with ``keep`` as :func:`analyse` found it or will find it."""
    return Stages(settings or timeline.settings, keep).look(timeline.scan(number))


def outline_from_point(
    timeline: Timeline,
    number: int,
    point: tuple[float, float, float],
    settings: Settings | None = None,
    keep: Kept | None = None,
) -> Outline | None:
    """The outline of one scan at a point (LPS mm), as a first look, through what was corrected by hand in that scan;
    ``None`` where nothing shows there.

    With ``keep`` the scan's bones are looked for once, and :func:`analyse` finds both when it starts from that point.

    Raises
    ------
    KeyError
        where there is no scan of that number.
    """
    stages = Stages(settings or timeline.settings, keep)
    seen = replace(stages.look(timeline.scan(number)), hand=hand_of(timeline.by_hand, number))
    return stages.find(seen, point)


def _analyse(
    timeline: Timeline, stages: Stages, workers: Crew, clock: Clock, meanwhile: Callable[[], object] | None
) -> Study:
    settings = stages.settings
    if stages.keep is not None:
        stages.keep.begin()
    count = len(timeline.scans)
    for i, scan in enumerate(timeline.scans):
        with clock.stage("read voxels", i, count):  # on all cores already
            _ = scan.volume
    with clock.stage("find bones", 0, count):
        looked = workers.each(stages.look, timeline.scans)
    seen = {one.scan.number: one for one in looked}
    steady = compared({number: one.reference for number, one in seen.items()})
    seen = {n: replace(one, reference=steady[n], hand=hand_of(timeline.by_hand, n)) for n, one in seen.items()}
    notes: list[Note] = [n for s in seen.values() for n in s.reference.notes]
    notes += comparability_notes(timeline.scans)
    with clock.stage("look for the lesion"):
        base, point, origin, candidates = choose_point(timeline, seen, workers, stages.candidates)
    if meanwhile is not None and workers.workers > 1:
        workers.submit(meanwhile)
    with clock.stage("find the lesion"):
        drawn = take_drawn(timeline, seen[base])
        if drawn is not None:
            first = correct(seen[base], drawn, np.asarray(point, float), settings)
        else:
            first = stages.find(seen[base], point)
    if first is None and origin != "given":
        raise LesionNeeded(
            f"nothing could be outlined at the strongest candidate of scan {base}; "
            "give a point in the lesion with --seed or in case.toml",
            candidates,
        )
    alignments, outlines, measured, more, seen = _followed(
        timeline, stages, seen, base, first, point=point, workers=workers, clock=clock
    )
    notes += more
    with clock.stage("compare"):
        rows: list[Measurement] = []
        for scan in timeline.scans:
            result = measured[scan.number]
            if result is None:
                why = [n.text for n in notes if n.subject == f"scan {scan.number}" and n.kind == "lesion-not-found"]
                reason = why[0] if why else "the lesion was not found in this scan"
                why_not = withhold("lesion-not-found", why=reason)
                rows += rows_without_lesion(scan.number, seen[scan.number].reference, why_not, settings.mineral)
            else:
                rows += cautioned_after_biopsy(timeline, scan.day, result.rows)
        table = Rows(rows)
        changes = find_changes(timeline, table)
        curves = find_curves(timeline, table, changes)
        ordered = [outlines.get(s.number) for s in timeline.scans]
        maps = [m.rim_map if (m := measured[s.number]) is not None else None for s in timeline.scans]
        profiles = [m.profile if (m := measured[s.number]) is not None else None for s in timeline.scans]
        said = findings(timeline, table, changes, curves, alignments)
        tissue = expected_tissue(timeline, table, said)
        biopsies = biopsy_reports(
            timeline,
            ordered,
            alignments,
            rim_maps=maps,
            volumes={n: s.volume for n, s in seen.items()},
            said=said,
            settings=settings,
        )
    return Study(
        timeline=timeline,
        settings=settings,
        reference_scan=base,
        seed_origin=origin,
        alignments=tuple(alignments),
        outlines=tuple(ordered),
        centroids=tuple(o.centroid if o is not None else None for o in ordered),
        measurements=table,
        changes=changes,
        profiles=tuple(profiles),
        rim_maps=tuple(maps),
        curves=curves,
        findings=said,
        expected_tissue=tissue,
        biopsy_reports=biopsies,
        candidates=candidates,
        notes=tuple(notes),
        stage_seconds=clock.seconds(),
        references=tuple(seen[s.number].reference for s in timeline.scans),
        stage_processor_seconds=clock.processor_seconds(),
    )


def _followed(
    timeline: Timeline,
    stages: Stages,
    seen: dict[int, SeenScan],
    base: int,
    first: Outline | None,
    *,
    point: tuple[float, float, float],
    workers: Crew,
    clock: Clock,
) -> tuple[list[Alignment], dict[int, Outline | None], dict[int, Measured | None], list[Note], dict[int, SeenScan]]:
    """Every scan aligned on the base scan, the lesion outlined in it and measured.

    What a reader asked to carry over is laid into the other scans as soon as these are aligned; the scans with it are
    the last of what is returned.

    The tasks are given to the workers in an order in which each comes after those it waits for.
    """
    numbers = [scan.number for scan in timeline.scans]
    order = sorted((n for n in numbers if n != base), key=lambda n: abs(n - base))
    clock.expect(align_on_the_skeleton=len(order), outline_the_lesion=len(order), measure=len(numbers))
    zone = zone_around(first, np.asarray(point, float))
    own_seeds = {s.scan: np.asarray(s.point, float) for s in timeline.seeds}

    def aligned(number: int) -> Alignment:
        with clock.task("align on the skeleton"):
            return stages.align(seen, number, base, zone)

    def with_carried(number: int) -> SeenScan:
        # Waits only for alignments, all of which are given to the workers before anything that calls this.
        links = {n: alignments[n].result() for n in order if n == number or carries(timeline.by_hand, n)}
        links[base] = same_scan(base)
        return carried_into(timeline.by_hand, seen[number], links)

    def outlined(number: int) -> tuple[Outline | None, list[Note]]:
        alignment = alignments[number].result()
        own = with_carried(number)
        with clock.task("outline the lesion"):
            return stages.outline(own, alignment, seen[base], first, own_seeds.get(number))

    def measured(number: int, outline: Callable[[], Outline | None]) -> Measured | None:
        found = outline()
        own = with_carried(number)
        with clock.task("measure"):
            return stages.measure(own, found)

    def outlined_anew() -> Outline | None:
        own = with_carried(base)
        if own.hand.carried_from:
            return stages.find(own, point)
        return first

    alignments = {n: workers.submit(partial(aligned, n)) for n in order}
    anew = workers.submit(outlined_anew) if any(carries(timeline.by_hand, n) for n in order) else None

    def again() -> Outline | None:
        return first if anew is None else anew.result()

    measures = {} if first is None else {base: workers.submit(partial(measured, base, again))}
    outlines = {n: workers.submit(partial(outlined, n)) for n in order}
    measures |= {n: workers.submit(partial(measured, n, lambda n=n: outlines[n].result()[0])) for n in order}  # type: ignore[misc]
    alignment = {n: alignments[n].result() for n in order}
    alignment[base] = align_pair(seen, base, base, zone, stages.settings)
    found: dict[int, Outline | None] = {base: again()}
    notes: list[Note] = []
    for n in order:
        found[n], more = outlines[n].result()
        notes += more
    links = [alignment[n] for n in numbers]
    if first is None and found[base] is not None:
        measures[base] = workers.submit(partial(measured, base, again))
    elif first is None:
        found[base], more = carry_to_base(seen, base, found, links, stages.settings, point=point)
        notes += more
        measures[base] = workers.submit(partial(measured, base, lambda: found[base]))
    complete = {n: with_carried(n) for n in numbers}
    notes += [
        note for one in complete.values() for note in (*one.hand_notes, *not_carried(timeline.by_hand, one, links))
    ]
    return links, found, {n: measures[n].result() for n in numbers}, notes, complete


__all__ = ["Study", "Trust", "analyse", "looked_at", "outline_from_point"]
