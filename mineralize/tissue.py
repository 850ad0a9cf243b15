"""Tissue that the literature describes, zone by zone and stage by stage."""

from __future__ import annotations

from collections.abc import Sequence

from .measure import Measurement
from .statements import ExpectedTissue
from .timeline import Timeline


def expected_tissue(timeline: Timeline, measurements: Sequence[Measurement]) -> tuple[ExpectedTissue, ...]:
    """Nine rows: three zones by three stages."""
    return ()
