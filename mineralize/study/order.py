"""The whole main job, in order: align, outline, measure, compare. No files are touched here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ..align import Alignment
from ..base import Floats, LesionNeeded, Note, Scan, Settings, Trust, at_most, withhold
from ..change import Change, Curve, find_changes, find_curves
from ..correlate import BiopsyReport, ExpectedTissue, Finding, biopsy_reports, expected_tissue, findings
from ..lesion import Candidate, Outline, SeenScan, correct, hand_of
from ..measure import DepthProfile, Measurement, RimMap, Rows, rows_without_lesion
from ..reference import Reference, compared
from ..timeline import Timeline, comparability_notes
from .crew import Clock, Crew, OnStep, crew, scans_at_a_time
from .follow import Followed, follow
from .kept import Kept, Stages
from .steps import cautioned_after_biopsy, choose_point, take_drawn


@dataclass(frozen=True, eq=False, kw_only=True)
class Study:
    """Everything that was found out about one case.

    Per-scan tuples run parallel to ``timeline.scans``; an entry is ``None`` where the lesion was not outlined in
    that scan (the reason is then in ``notes``). ``centroids`` are (3,), LPS mm of their own scan. ``stage_seconds``
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
    jobs : scans at a time, and the most cores to use; by default as many as cores and memory allow. The results do not
        depend on it.
    meanwhile : what the caller wants done by a worker that would be idle while the lesion is outlined for the first
        time; what it returns or raises is dropped.
    keep : what earlier analyses made; only what follows from a change is worked out anew. The results do not depend on
        it.

    Raises
    ------
    LesionNeeded
        when no seed was given and no candidate clearly wins.
    SeriesError, CaseFileError
        when voxels cannot be read, or calibration of a scan cannot be.
    """
    settings = settings or timeline.settings
    with at_most(jobs), crew(jobs or scans_at_a_time([scan.grid for scan in timeline.scans])) as workers:
        return _analyse(timeline, Stages(settings, keep), workers, Clock(on_step, workers.workers), meanwhile)


def looked_at(timeline: Timeline, number: int, settings: Settings | None = None, keep: Kept | None = None) -> SeenScan:
    """One scan with its skeleton and its steady tissues; with ``keep`` as :func:`analyse` found it or will find it.

    Raises
    ------
    KeyError
        where there is no scan of that number.
    SeriesError, CaseFileError
        where its voxels cannot be read, or its calibration cannot be.
    """
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
    SeriesError, CaseFileError
        where its voxels cannot be read, or its calibration cannot be.
    """
    stages = Stages(settings or timeline.settings, keep)
    seen = replace(stages.look(timeline.scan(number)), hand=hand_of(timeline.by_hand, number))
    return stages.find(seen, point)


def _analyse(
    timeline: Timeline, stages: Stages, workers: Crew, clock: Clock, meanwhile: Callable[[], object] | None
) -> Study:
    if stages.keep is not None:
        stages.keep.begin()
    seen = _look(timeline, stages, workers, clock)
    notes: list[Note] = [n for s in seen.values() for n in s.reference.notes]
    notes += comparability_notes(timeline.scans)
    with clock.stage("look for the lesion"):
        base, point, origin, candidates = choose_point(timeline, seen, workers, stages.candidates)
    if meanwhile is not None and workers.workers > 1:
        workers.submit(meanwhile)
    with clock.stage("find the lesion"):
        drawn = take_drawn(timeline, seen[base])
        if drawn is not None:
            first = correct(seen[base], drawn, np.asarray(point, float), stages.settings)
        else:
            first = stages.find(seen[base], point)
    if first is None and origin != "given":
        raise LesionNeeded(
            f"nothing could be outlined at the strongest candidate of scan {base}; "
            "give a point in the lesion with --seed or in case.toml",
            candidates,
        )
    followed = follow(timeline, stages, seen, base, first, point=point, workers=workers, clock=clock)
    notes += followed.notes
    with clock.stage("compare"):
        rows = _rows(timeline, followed, notes, stages.settings)
        study = _compare(timeline, followed, rows, stages.settings, base=base, origin=origin)
    return replace(
        study,
        candidates=candidates,
        notes=tuple(notes),
        stage_seconds=clock.seconds(),
        stage_processor_seconds=clock.processor_seconds(),
    )


def _look(timeline: Timeline, stages: Stages, workers: Crew, clock: Clock) -> dict[int, SeenScan]:
    """Every scan with its skeleton, its steady tissues held against those of the others, and what readers corrected."""
    count = len(timeline.scans)
    clock.expect(read_voxels=count, find_bones=count)

    def look(scan: Scan) -> SeenScan:
        with clock.task("read voxels"):
            _ = scan.volume
        with clock.task("find bones"):
            return stages.look(scan)

    looked = workers.each(look, timeline.scans)
    seen = {one.scan.number: one for one in looked}
    steady = compared({number: one.reference for number, one in seen.items()})
    return {n: replace(one, reference=steady[n], hand=hand_of(timeline.by_hand, n)) for n, one in seen.items()}


def _rows(timeline: Timeline, followed: Followed, notes: list[Note], settings: Settings) -> Rows:
    """What was measured in every scan, and in a scan without the lesion why it was not."""
    rows: list[Measurement] = []
    for scan in timeline.scans:
        result = followed.measured[scan.number]
        if result is not None:
            rows += cautioned_after_biopsy(timeline, scan.day, result.rows)
            continue
        why = [n.text for n in notes if n.subject == f"scan {scan.number}" and n.kind == "lesion-not-found"]
        why_not = withhold("lesion-not-found", why=why[0] if why else "the lesion was not found in this scan")
        rows += rows_without_lesion(scan.number, followed.seen[scan.number].reference, why_not, settings.mineral)
    return Rows(rows)


def _compare(
    timeline: Timeline, followed: Followed, rows: Rows, settings: Settings, *, base: int, origin: str
) -> Study:
    """The scans held against each other, and what follows from it."""
    numbers = [scan.number for scan in timeline.scans]
    changes = find_changes(timeline, rows)
    curves = find_curves(timeline, rows, changes)
    outlines = [followed.outlines.get(n) for n in numbers]
    measured = [followed.measured[n] for n in numbers]
    maps = [None if one is None else one.rim_map for one in measured]
    alignments, seen = followed.alignments, followed.seen
    said = findings(timeline, rows, changes, curves, alignments)
    return Study(
        timeline=timeline,
        settings=settings,
        reference_scan=base,
        seed_origin=origin,
        alignments=tuple(alignments),
        outlines=tuple(outlines),
        centroids=tuple(o.centroid if o is not None else None for o in outlines),
        measurements=rows,
        changes=changes,
        profiles=tuple(None if one is None else one.profile for one in measured),
        rim_maps=tuple(maps),
        curves=curves,
        findings=said,
        expected_tissue=expected_tissue(timeline, rows, said),
        biopsy_reports=biopsy_reports(
            timeline,
            outlines,
            alignments,
            rim_maps=maps,
            volumes={n: s.volume for n, s in seen.items()},
            said=said,
            settings=settings,
        ),
        references=tuple(seen[n].reference for n in numbers),
    )


__all__ = ["Study", "Trust", "analyse", "looked_at", "outline_from_point"]
