"""The whole main job, in order: align, outline, measure, compare. No files are touched here."""

from __future__ import annotations

from dataclasses import dataclass

from .align import Alignment
from .candidates import Candidate
from .change import Change
from .geometry import Floats
from .maturation import Curve
from .measure import DepthProfile, Measurement, RimMap
from .outline import Outline
from .scan import Note
from .settings import Settings
from .statements import BiopsyReport, ExpectedTissue, Finding
from .timeline import Timeline


@dataclass(frozen=True, eq=False)
class Study:
    """Everything that was found out about one case.

    Per-scan tuples run parallel to ``timeline.scans``; an entry is ``None`` where the lesion was not outlined in
    that scan (the reason is then in ``notes``). ``centroids`` are LPS mm of their own scan. ``stage_seconds``
    holds the wall time of each stage.
    """

    timeline: Timeline
    settings: Settings
    reference_scan: int
    seed_origin: str
    alignments: tuple[Alignment, ...]
    outlines: tuple[Outline | None, ...]
    centroids: tuple[Floats | None, ...]
    measurements: tuple[Measurement, ...]
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

    def measurement(self, scan: int, quantity: str) -> Measurement | None:
        """The row of that scan and quantity, if there is one."""
        for row in self.measurements:
            if row.scan == scan and row.quantity == quantity:
                return row
        return None
